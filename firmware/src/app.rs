//! The one loop.
//!
//! ```text
//! turn:  look at the lines ─▶ hear the service line ─▶ is a step due?
//! step:  measure ─▶ decide ─▶ open relays ─▶ keep what changed ─▶ close relays ─▶ report ─▶ feed the watchdog
//! ```
//!
//! A relay that opens waits for nothing, not even for storage: erasing a sector may take a second. A relay that closes
//! waits until what must survive is kept. So whenever power is lost, storage holds what was on: how long the heater has
//! run, and every fault that latched, except one that opened a relay just then. The next start judges such a fault
//! again, for the contact or the heat is still there, and a trial of the heater continues from where it was kept.
//!
//! The loop has one thread, without tasks, priorities or interrupts that decide anything. A step takes less than a
//! second, except the rare one that erases storage. Nothing within it is urgent. What runs in one order can be read,
//! tested on a host and compared step by step with an emulator. Looking at the lines must not wait, so the loop does it
//! while the converter works.

use crate::archive::Archive;
use crate::board::{Board, Clock, Display, Hardware, Meters, OutputPins, Thermometers, Watchdog};
use crate::countdown::Countdown;
use crate::kept::SCRATCH;
use crate::lamp;
use crate::lines::Lines;
use crate::log::{info, warning};
use crate::service::{Service, say};
use crate::upload::UploadButton;
use embedded_hal::digital::{OutputPin, PinState};
use embedded_hal::pwm::SetDutyCycle;
use embedded_io::Write;
use forewarm_core::fault::SystemFault;
use forewarm_core::journal::Counters;
use forewarm_core::quantity::{Fraction, Instant};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{MAX_CHANNELS, Settings, ValidSettings};
use forewarm_core::signals::{Alarm, Inputs, Outputs, Relay};
use forewarm_core::wire::record::{self, Fingerprint, RecordError};
use forewarm_core::wire::service::{Identity, Message, Origin, Refusal, Request, Telemetry, Unfit};
use forewarm_core::{Memory, Unit};
use heapless::Vec;

/// What everyone who connects or reads the log must know.
pub const CAUTION: &str = "This controls an additional layer, never the only one: the battery's own protection stays in charge, and a \
    thermal cut-out that does not depend on this controller belongs in the heater circuit. Follow the battery maker's limits and \
    local codes; have the work done or checked by someone licensed for it.";

/// Steps between two telemetry messages, until someone asks for another pace.
const TELEMETRY_EVERY: u16 = 10;

/// Fewest looks at the lines in a step, however quick the converter is. They are enough to see one toggle.
const LOOKS_A_STEP: u8 = 6;

const VERSION: &str = env!("CARGO_PKG_VERSION");

/// An output pin that could not be set. All relays have been told to open, and the watchdog is not fed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutputStuck;

/// The controller on its board.
pub struct App<B: Board> {
    hardware: Hardware<B>,
    /// Without valid settings there is nothing to step. The outputs are only held off.
    unit: Result<Unit, Unfit>,
    wiring: Wiring,
    source: Source,
    lines: Lines,
    /// When the lines were last looked at between steps.
    looked: Instant,
    archive: Archive<B::Storage>,
    service: Service,
    upload: UploadButton,
    telemetry: Countdown,
    /// Where frames are written, and what is read from storage.
    room: [u8; SCRATCH],
    latest: Outputs,
}

/// Where the settings come from.
#[derive(Clone, Copy, Debug)]
struct Source {
    origin: Origin,
    fingerprint: Fingerprint,
    built_in: &'static [u8],
}

/// Which channels there are, which of them have three wires, and how many sources there are.
#[derive(Clone, Debug, Default)]
struct Wiring {
    three_wires: Vec<bool, MAX_CHANNELS>,
    sources: usize,
}

impl Wiring {
    fn of(settings: &Settings) -> Self {
        let mut three_wires = Vec::new();
        for channel in &settings.channels {
            // The list is as long as the settings' own.
            let _ = three_wires.push(matches!(channel.leads, Leads::ThreeWire { .. }));
        }
        Self { three_wires, sources: settings.sources.len() }
    }
}

impl<B: Board> App<B> {
    /// Opens all relays. Everything else waits for [`App::start`].
    ///
    /// `built_in` is the record of the settings that hold until others are written over the service line. It may be
    /// empty: all relays then stay open until some are written.
    pub fn new(mut hardware: Hardware<B>, storage: B::Storage, built_in: &'static [u8]) -> Self {
        open_relays(&mut hardware.outputs);
        let looked = hardware.clock.now();
        Self {
            hardware,
            unit: Err(Unfit::Unreadable),
            wiring: Wiring::default(),
            source: Source { origin: Origin::BuiltIn, fingerprint: Fingerprint::NONE, built_in },
            lines: Lines::default(),
            looked,
            archive: Archive::new(storage),
            service: Service::NEW,
            upload: UploadButton::NEW,
            telemetry: Countdown::every(TELEMETRY_EVERY),
            room: [0; SCRATCH],
            latest: Outputs::all_off(SystemFault::SettingsInvalid),
        }
    }

    /// Recalls what survived the restart, reads the settings, and reports name and version.
    #[inline(never)]
    pub fn start(&mut self) {
        let memory = self.archive.recall(&mut self.room);
        if let Err(unfit) = self.read_settings(memory) {
            self.unit = Err(unfit);
        }
        info!("{=str} {=str}. {=str}", B::NAME, VERSION, CAUTION);
        if let Err(unfit) = &self.unit {
            warning!("both outputs stay off: {}", unfit);
        }
        self.identify();
    }

    /// Apart from reading, so that the stack does not hold two copies of the settings while a third is read.
    #[inline(never)]
    fn take_over(&mut self, decoded: Result<Settings, RecordError>, memory: Memory) -> Result<(), Unfit> {
        match decoded.map(Settings::validate) {
            Ok(Ok(settings)) => {
                B::suits(&settings).map_err(Unfit::Misfit)?;
                self.make_unit(&settings, memory);
                Ok(())
            }
            Ok(Err(_)) => Err(Unfit::Settings),
            Err(error) => Err(Unfit::Record(error)),
        }
    }

    /// Apart from everything else, so that nothing else is on the stack while a unit is built.
    #[inline(never)]
    fn make_unit(&mut self, settings: &ValidSettings, memory: Memory) {
        self.wiring = Wiring::of(settings);
        self.unit = Ok(Unit::new(settings, memory));
    }

    /// Makes a unit of the settings in force: those written over the service line, or else those built in. Written
    /// settings that cannot be read are not replaced by others.
    #[inline(never)]
    fn read_settings(&mut self, memory: Memory) -> Result<(), Unfit> {
        let built_in = self.source.built_in;
        self.source = Source { origin: Origin::Stored, fingerprint: Fingerprint::NONE, built_in };
        let record = match self.archive.kept.record(&mut self.room) {
            Ok(Some(record)) => record,
            Ok(None) => {
                self.source.origin = Origin::BuiltIn;
                if built_in.is_empty() {
                    return Err(Unfit::Missing);
                }
                built_in
            }
            Err(_) => return Err(Unfit::Unreadable),
        };
        self.source.fingerprint = record::fingerprint(record);
        let decoded = record::decode(record);
        self.take_over(decoded, memory)
    }

    /// Starts, and turns for ever.
    pub fn run(&mut self) -> ! {
        self.start();
        loop {
            self.turn();
        }
    }

    /// One turn of the loop, with a step if one is due.
    pub fn turn(&mut self) {
        let now = self.hardware.clock.now();
        if now != self.looked {
            self.looked = now;
            self.lines.look(&mut self.hardware.lines);
            show_lamp(&mut self.hardware.outputs, now, &self.latest);
        }
        if let Some(length) = self.service.hear(&mut self.hardware.serial) {
            self.answer(length);
        }
        if self.hardware.clock.is_step_due() {
            // The watchdog ends a stuck output.
            let _ = self.step();
        } else {
            self.hardware.clock.rest();
        }
    }

    /// One step: measure, decide, open, keep, close, report.
    ///
    /// # Errors
    /// [`OutputStuck`] when a pin could not be set; nothing else fails. The caller goes on stepping: each step opens
    /// all relays again, until the watchdog resets the board.
    #[inline(never)]
    pub fn step(&mut self) -> Result<Outputs, OutputStuck> {
        let inputs = self.sense();
        let now = self.hardware.clock.now();
        self.looked = now;
        self.upload.see(now, inputs.button);
        let outputs = match &mut self.unit {
            Ok(unit) => unit.step(now, &inputs),
            Err(_) => Outputs::all_off(SystemFault::SettingsInvalid),
        };
        let opened = open(&mut self.hardware.outputs, &outputs, self.latest.ceiling, now);
        // A fault that latches just before the watchdog resets the board must survive the reset.
        if let Ok(unit) = &self.unit {
            self.archive.keep(&mut self.room, unit, now);
        }
        opened.and_then(|()| close(&mut self.hardware.outputs, &outputs))?;
        self.hardware.display.show(&outputs);
        self.tell(now, &inputs, &outputs);
        self.hardware.watchdog.feed();
        Ok(outputs)
    }

    /// Everything that the controller must know in this step.
    fn sense(&mut self) -> Inputs {
        let Hardware { lines: pins, thermometers, meters, delay, .. } = &mut self.hardware;
        let channels = thermometers.measure(&self.wiring.three_wires, delay, || self.lines.look(pins));
        let mut inputs = Inputs { channels, storage: self.archive.health, ..Inputs::DEAD };
        // Last, so that changes while the converter worked count in this step.
        for _ in 0..LOOKS_A_STEP {
            self.lines.look(pins);
        }
        self.lines.take(self.wiring.sources, &mut inputs);
        inputs.supply = meters.supply();
        inputs.bank = meters.bank();
        inputs.state_of_charge = meters.state_of_charge();
        inputs
    }

    /// Reports the state: every so many steps, and whenever it changes.
    #[inline(never)]
    fn tell(&mut self, now: Instant, inputs: &Inputs, outputs: &Outputs) {
        let before = core::mem::replace(&mut self.latest, *outputs);
        let changed = (before.state, before.cause, before.faults) != (outputs.state, outputs.cause, outputs.faults);
        if changed {
            info!("{}: {}", outputs.state, outputs.cause);
        }
        let due = self.telemetry.is_over();
        if self.telemetry.every == 0 || !(due || changed) {
            return;
        }
        let telemetry = Telemetry {
            now,
            readings: self.unit.as_ref().map_or([None; MAX_CHANNELS], Unit::readings),
            supply: inputs.supply,
            bank: inputs.bank,
            state_of_charge: inputs.state_of_charge,
            sources: inputs.sources,
            charge_line: inputs.charge_line,
            discharge_line: inputs.discharge_line,
            outputs: *outputs,
            frames_dropped: self.service.dropped,
            events_dropped: self.archive.dropped,
        };
        self.say(&Message::Telemetry(telemetry));
    }

    fn say(&mut self, message: &Message<'_>) {
        say(&mut self.hardware.serial, &mut self.room, message);
    }

    fn identify(&mut self) {
        let settings = match &self.unit {
            Ok(_) => Ok(self.source.fingerprint),
            Err(unfit) => Err(*unfit),
        };
        self.say(&Message::Identity(Identity { version: VERSION, board: B::NAME, settings, caution: CAUTION }));
    }

    /// Does what the frame of this length asks. It was heard just now.
    ///
    /// Each request has its own function. So the stack holds what one of them needs, and not what all need.
    #[inline(never)]
    fn answer(&mut self, length: usize) {
        let Some(request) = self.service.request(length) else { return };
        match request {
            Request::Identify => self.identify(),
            Request::ReadSettings => self.answer_settings(),
            Request::WriteSettings { replaces, record } => {
                let memory = self.unit.as_ref().ok().map(Unit::memory);
                let may = self.archive.may_replace(replaces, record, self.source.fingerprint, B::suits);
                let is_held = self.upload.is_held() && self.lines.button_is_down();
                let replaced = match may {
                    Ok(()) if is_held => {
                        self.upload.spend();
                        // Nothing may be on while nothing steps, whatever comes of this.
                        open_relays(&mut self.hardware.outputs);
                        self.archive.replace(&mut self.room, memory, record)
                    }
                    Ok(()) => Err(Refusal::ButtonNotHeld),
                    Err(refusal) => Err(refusal),
                };
                self.answer_replaced(replaced);
            }
            Request::ReadEvents { from } => self.answer_events(from),
            Request::ReadTotals => self.answer_totals(),
            Request::SendTelemetry { every } => {
                self.telemetry = Countdown::every(every);
                self.done();
            }
        }
    }

    #[inline(never)]
    fn answer_replaced(&mut self, replaced: Result<Fingerprint, Refusal>) {
        match replaced {
            Ok(fingerprint) => {
                self.say(&Message::Accepted { fingerprint });
                open_relays(&mut self.hardware.outputs);
                // Bytes still on their way out would not survive the restart.
                let _ = self.hardware.serial.flush();
                self.hardware.watchdog.restart();
            }
            Err(refusal) => self.say(&Message::Refused(refusal)),
        }
    }

    #[inline(never)]
    fn answer_events(&mut self, from: u32) {
        for number in self.archive.kept.events().skip_while(|&number| number < from) {
            if let Ok(Some(event)) = self.archive.kept.event(&mut self.room, number) {
                self.say(&Message::Event(event));
            }
        }
        self.done();
    }

    #[inline(never)]
    fn answer_totals(&mut self) {
        let now = self.unit.as_ref().map_or_else(|_| Counters::default(), |unit| *unit.counters());
        self.say(&Message::Totals(self.archive.before.plus(&now)));
    }

    #[inline(never)]
    fn done(&mut self) {
        self.say(&Message::Done);
    }

    #[inline(never)]
    fn answer_settings(&mut self) {
        let Source { origin, built_in, .. } = self.source;
        let missing = if origin == Origin::BuiltIn { Unfit::Missing } else { Unfit::Unreadable };
        let record = match origin {
            Origin::BuiltIn => Some(built_in).filter(|record| !record.is_empty()),
            Origin::Stored => self.archive.kept.record(self.service.room()).ok().flatten(),
        };
        let message =
            record.map_or(Message::Refused(Refusal::Unfit(missing)), |record| Message::Settings { origin, record });
        say(&mut self.hardware.serial, &mut self.room, &message);
    }
}

/// Sets every pin except those that close a relay or raise the ceiling, each even if another fails. If one cannot be set,
/// all relays open. The full charge permit opens first.
fn open<B: Board>(
    pins: &mut OutputPins<B>,
    outputs: &Outputs,
    ceiling_before: Fraction,
    now: Instant,
) -> Result<(), OutputStuck> {
    show_lamp(pins, now, outputs);
    let alarm = pins.alarm.set_state(PinState::from(outputs.alarm == Alarm::Sounding)).is_ok();
    let full = outputs.full == Relay::Closed || pins.full.set_low().is_ok();
    let heater = outputs.heater == Relay::Closed || pins.heater.set_low().is_ok();
    let charge = outputs.charge == Relay::Closed || pins.charge.set_low().is_ok();
    let ceiling = set_ceiling(pins, outputs.ceiling.min(ceiling_before));
    all_set(pins, alarm && full && heater && charge && ceiling)
}

/// Closes the relays that must close and raises the ceiling, after all else has been set. If one cannot be set, all relays
/// open. The full charge permit closes last.
fn close<B: Board>(pins: &mut OutputPins<B>, outputs: &Outputs) -> Result<(), OutputStuck> {
    let heater = outputs.heater == Relay::Open || pins.heater.set_high().is_ok();
    let charge = outputs.charge == Relay::Open || pins.charge.set_high().is_ok();
    let full = outputs.full == Relay::Open || !charge || pins.full.set_high().is_ok();
    let ceiling = set_ceiling(pins, outputs.ceiling);
    all_set(pins, heater && charge && full && ceiling)
}

/// Pulses of the whole period stand for a current of 1 C: the bank's capacity in an hour. More cannot be shown.
fn set_ceiling<B: Board>(pins: &mut OutputPins<B>, ceiling: Fraction) -> bool {
    let per_mille = u16::try_from(ceiling.as_per_mille().min(1000)).unwrap_or(0);
    pins.ceiling.set_duty_cycle_fraction(per_mille, 1000).is_ok()
}

fn all_set<B: Board>(pins: &mut OutputPins<B>, all_set: bool) -> Result<(), OutputStuck> {
    if all_set {
        return Ok(());
    }
    open_relays(pins);
    Err(OutputStuck)
}

/// A lamp that cannot be set harms nobody.
fn show_lamp<B: Board>(pins: &mut OutputPins<B>, now: Instant, outputs: &Outputs) {
    let _ = pins.lamp.set_state(PinState::from(lamp::is_lit(now, outputs)));
}

/// Opens all relays as far as possible. The next step meets a pin that cannot be set again. There it keeps the watchdog
/// from being fed.
fn open_relays<B: Board>(pins: &mut OutputPins<B>) {
    let _ = pins.full.set_low();
    let _ = pins.heater.set_low();
    let _ = pins.charge.set_low();
    let _ = pins.ceiling.set_duty_cycle_fully_off();
}

#[cfg(test)]
mod tests;

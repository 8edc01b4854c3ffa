//! A board without an emulator: the core itself behind the other end of the link. Also inputs of every kind.

use super::flash::Flash;
use super::line::Line;
use super::patience::Patience;
use super::rig::Rig;
use forewarm_core::fault::SystemFault;
use forewarm_core::quantity::{Fraction, Instant, Millivolts, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::{MAX_SOURCES, ValidSettings};
use forewarm_core::signals::{Alarm, Button, Inputs, Outputs, Relay, Sample, Sources, Storage};
use forewarm_core::wire::frame;
use forewarm_core::{Memory, Unit};
use forewarm_rig::{
    Answer, Ask, BUTTON, CHARGE_FEEDBACK, CHARGE_LINE, DISCHARGE_LINE, Doings, HEATER_FEEDBACK, Level, MAX_DOINGS,
    MAX_REPORT, Moment, Moments, Order, Pins, Report, Shown,
};
use proptest::prelude::*;
use std::os::unix::net::UnixStream;
use std::thread::JoinHandle;
use std::time::Duration;

/// Longer than any answer here takes, even on a busy machine.
pub(super) const PATIENCE: Patience = Patience::by_the_clock(Duration::from_secs(20));

/// What the program sees in a moment: the inverse of [`sense::moment`](super::sense::moment).
pub(super) fn seen(moment: &Moment) -> (Instant, Inputs) {
    let Moment { now, sensed } = moment;
    let mut inputs =
        Inputs { supply: sensed.supply, bank: sensed.bank, state_of_charge: sensed.state_of_charge, ..Inputs::DEAD };
    for (sample, shown) in inputs.channels.iter_mut().zip(&sensed.channels) {
        *sample = match *shown {
            Shown::Busy => Sample::None,
            Shown::Fault => Sample::ConverterFault,
            Shown::Codes { element, reference, lead } => {
                let ratio = |code: u32| {
                    let steps = (u64::from(code) << 30) / u64::from(reference);
                    Ratio::from_steps(u32::try_from(steps).unwrap())
                };
                Sample::Fresh(Measured { element: ratio(element), lead: ratio(lead) })
            }
        };
    }
    for index in 0..MAX_SOURCES {
        match sensed.lines[index] {
            Level::Low | Level::Absent => {}
            Level::High => inputs.sources = inputs.sources.with(index),
            Level::Toggling => inputs.unsteady = inputs.unsteady.with(index),
        }
    }
    let line = |line: usize| match sensed.lines[line] {
        Level::High => forewarm_core::signals::Line::Allowed,
        Level::Low | Level::Absent | Level::Toggling => forewarm_core::signals::Line::Refused,
    };
    let feedback = |line: usize| match sensed.lines[line] {
        Level::High => Some(Relay::Closed),
        Level::Low => Some(Relay::Open),
        Level::Absent | Level::Toggling => None,
    };
    inputs.charge_line = line(CHARGE_LINE);
    inputs.discharge_line = line(DISCHARGE_LINE);
    inputs.heater_feedback = feedback(HEATER_FEEDBACK);
    inputs.charge_feedback = feedback(CHARGE_FEEDBACK);
    inputs.button = if sensed.lines[BUTTON] == Level::High { Button::Pressed } else { Button::Released };
    (*now, inputs)
}

/// Inputs of every kind that a board can see. Storage is left as it is, and a source is not both present and unsteady.
pub(super) fn any_inputs() -> impl Strategy<Value = Inputs> {
    let sample = prop_oneof![
        1 => Just(Sample::None),
        1 => Just(Sample::ConverterFault),
        6 => (any::<u32>(), prop_oneof![Just(0), any::<u32>()], prop_oneof![Just(0), Just(14), 0..30_u32]).prop_map(
            |(element, lead, coarse)| Sample::Fresh(Measured {
                element: Ratio::from_steps(element >> coarse << coarse),
                lead: Ratio::from_steps(lead >> coarse << coarse),
            })
        ),
    ];
    let relay = || prop_oneof![Just(None), Just(Some(Relay::Open)), Just(Some(Relay::Closed))];
    let sources = |bits: u8| (0..MAX_SOURCES).filter(|index| bits & 1 << index != 0).fold(Sources::NONE, Sources::with);
    let line = || {
        any::<bool>().prop_map(|allowed| {
            if allowed { forewarm_core::signals::Line::Allowed } else { forewarm_core::signals::Line::Refused }
        })
    };
    let parts = (
        prop::array::uniform6(sample),
        any::<[Option<u32>; 3]>(),
        any::<(u8, u8, bool)>(),
        (line(), line(), relay(), relay()),
    );
    parts.prop_map(move |(channels, [supply, bank, charge], (present, unsteady, pressed), lines)| Inputs {
        channels,
        supply: supply.map(Millivolts::from_millivolts),
        bank: bank.map(Millivolts::from_millivolts),
        state_of_charge: charge.map(Fraction::from_steps),
        sources: sources(present & !unsteady),
        unsteady: sources(unsteady),
        charge_line: lines.0,
        discharge_line: lines.1,
        heater_feedback: lines.2,
        charge_feedback: lines.3,
        button: if pressed { Button::Pressed } else { Button::Released },
        storage: Storage::Kept,
    })
}

/// How a flawed board behaves, by the number of the step since its first start.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Flaws {
    /// It opens the charge relay in this step, whatever the core says.
    pub(super) refuses_at: Option<u32>,
    /// Its charge pin does not follow in this step.
    pub(super) pin_stuck_at: Option<u32>,
    /// It restarts instead of taking this step.
    pub(super) restarts_at: Option<u32>,
    /// It restarts instead of answering this order, and what it says then makes no sense.
    pub(super) restarts_at_order: Option<u32>,
    /// It is silent from this step on.
    pub(super) silent_at: Option<u32>,
    /// It changes storage once in this many steps.
    pub(super) writes_each: Option<u32>,
}

/// A board behind the other end of a link.
struct Board {
    line: Line,
    flaws: Flaws,
    settings: Option<ValidSettings>,
    unit: Option<Unit>,
    moments: Moments,
    doings: Doings,
    next: u32,
    /// Steps and orders since the first start.
    age: u32,
    orders: u32,
    written: u32,
}

/// Why a board ends.
struct Gone;

/// A link to a board with these settings, which runs until the link is dropped.
pub(super) fn board(settings: ValidSettings, flaws: Flaws) -> (Rig, JoinHandle<()>) {
    let (ours, theirs) = UnixStream::pair().unwrap();
    let board = std::thread::spawn(move || {
        let mut board = Board {
            line: Line::new(theirs),
            flaws,
            unit: None,
            settings: Some(settings),
            moments: Moments::NEW,
            doings: Doings::NEW,
            next: 0,
            age: 0,
            orders: 0,
            written: 0,
        };
        let _ = board.run();
    });
    (Rig::new(Line::new(ours), Flash::default(), PATIENCE), board)
}

impl Board {
    fn run(&mut self) -> Result<(), Gone> {
        self.restart()?;
        loop {
            let frame = self.hear()?;
            let mut frame = frame;
            let order = frame::decode::<Order<'_>>(&mut frame);
            self.orders += 1;
            if self.flaws.restarts_at_order == Some(self.orders) {
                self.restart()?;
            }
            match order {
                Ok(Order::Play { first, moments }) if first == self.next => {
                    if !self.play(moments)? {
                        self.say(&Report::Ready { next: self.next })?;
                    }
                }
                Ok(Order::Stack) => self.say(&Report::Stack { used: 1_234, of: 8_192 })?,
                Ok(Order::Play { .. } | Order::Answer(_) | Order::Hang) | Err(_) => self.say(&Report::Refused)?,
            }
        }
    }

    fn restart(&mut self) -> Result<(), Gone> {
        (self.moments, self.doings, self.next) = (Moments::NEW, Doings::NEW, 0);
        self.unit = self.settings.as_ref().map(|settings| Unit::new(settings, Memory::default()));
        self.line.send(&[0]).map_err(|_| Gone)?;
        self.say(&Report::Ready { next: 0 })
    }

    /// Takes the steps. Returns whether the board has restarted meanwhile.
    fn play(&mut self, mut moments: &[u8]) -> Result<bool, Gone> {
        while let Some(&moment) = self.moments.read(&mut moments) {
            self.age += 1;
            let age = Some(self.age);
            if self.flaws.silent_at == age {
                loop {
                    self.hear()?;
                }
            }
            if self.flaws.restarts_at == age {
                // The restart cuts its message short.
                self.line.send(&[1, 2, 3]).map_err(|_| Gone)?;
                self.restart()?;
                return Ok(true);
            }
            if self.flaws.writes_each.is_some_and(|each| self.age.is_multiple_of(each)) {
                self.write()?;
            }
            let (now, inputs) = seen(&moment);
            let mut outputs = match &mut self.unit {
                Some(unit) => unit.step(now, &inputs),
                None => Outputs::all_off(SystemFault::SettingsInvalid),
            };
            if self.flaws.refuses_at == age {
                outputs.charge = Relay::Open;
            }
            let mut pins = pins(&outputs);
            if self.flaws.pin_stuck_at == age {
                pins.0 ^= Pins::CHARGE;
            }
            self.next += 1;
            let mut room = [0; MAX_DOINGS];
            let length = self.doings.write(pins, &outputs, &mut room).expect("any one fits");
            if length > 0 {
                self.say(&Report::Did { doings: &room[..length] })?;
            }
        }
        let mut room = [0; MAX_DOINGS];
        let length = self.doings.finish(&mut room).expect("any one fits");
        if length > 0 {
            self.say(&Report::Did { doings: &room[..length] })?;
        }
        Ok(false)
    }

    /// Writes the next four bytes of storage.
    fn write(&mut self) -> Result<(), Gone> {
        let (at, bytes) = (self.written * 4 % 8_192, self.written.to_le_bytes());
        self.written += 1;
        self.say(&Report::Ask(Ask::Write { at, bytes: &bytes }))?;
        let mut frame = self.hear()?;
        assert_eq!(frame::decode::<Order<'_>>(&mut frame), Ok(Order::Answer(Answer::Done)));
        Ok(())
    }

    fn hear(&mut self) -> Result<Vec<u8>, Gone> {
        // It waits as long as there is another end.
        match self.line.hear(Patience::by_the_clock(Duration::from_mins(10)), "an order") {
            Ok(Some(frame)) => Ok(frame.to_vec()),
            Ok(None) | Err(_) => Err(Gone),
        }
    }

    fn say(&mut self, report: &Report<'_>) -> Result<(), Gone> {
        let mut room = [0; frame::frame_bytes(MAX_REPORT)];
        let frame = frame::encode(report, &mut room).expect("no report is longer");
        self.line.send(frame).map_err(|_| Gone)
    }
}

fn pins(outputs: &Outputs) -> Pins {
    let mut pins = 0;
    for (pin, is_high) in [
        (Pins::HEATER, outputs.heater == Relay::Closed),
        (Pins::CHARGE, outputs.charge == Relay::Closed),
        (Pins::FULL, outputs.full == Relay::Closed),
        (Pins::ALARM, outputs.alarm == Alarm::Sounding),
    ] {
        if is_high {
            pins |= pin;
        }
    }
    Pins(pins)
}

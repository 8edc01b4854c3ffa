#![no_std]
#![forbid(unsafe_code)]
//! The control core on a microcontroller: what a board must offer, and the one loop that runs on it.
//!
//! No rule of behaviour is here. [`App`] reads the inputs, steps the [`Unit`], drives the outputs, keeps what must survive
//! a restart and feeds the watchdog, in this order; what the outputs shall be is the core's alone.
//!
//! Both relays rest open: unpowered, in reset and in every failure of this code charge is refused and the heater is off.
//! A binary for a board adds what this library cannot: a panic handler that lets the watchdog bite, and the board's
//! own thermal cut-out in the heater circuit, which needs no software at all.

use embedded_hal::digital::{OutputPin, PinState};
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::quantity::Instant;
use forewarm_core::settings::{Settings, SettingsError};
use forewarm_core::signals::{Alarm, Inputs, Outputs, Relay, Sample};
use forewarm_core::unit::{Memory, Unit};

/// What a piece of hardware must be able to do.
///
/// # For whoever implements it
/// - Relays and alarm are energised by a high pin, and at rest, unpowered or in reset, each pin is low. Where the hardware is
///   the other way round the pin type inverts.
/// - No method waits without a bound, and all of a step takes less than the watchdog's time.
/// - The watchdog is started before [`App::new`], cannot be stopped by software, and resets the pins along with the processor.
///
/// # For whoever calls it
/// Only [`App`] calls it, from one place each.
pub trait Board {
    /// Drives the heater relay.
    type Heater: OutputPin;
    /// Drives the charge permit relay.
    type Charge: OutputPin;
    /// Drives the alarm.
    type Alarm: OutputPin;
    /// Why inputs or storage could not be read or written.
    type Error;

    /// The pin of the heater relay.
    fn heater(&mut self) -> &mut Self::Heater;

    /// The pin of the charge permit relay.
    fn charge(&mut self) -> &mut Self::Charge;

    /// The pin of the alarm.
    fn alarm(&mut self) -> &mut Self::Alarm;

    /// Milliseconds of a monotonic clock that wraps after 2³², running on when nothing else does.
    fn now(&mut self) -> Instant;

    /// Everything the controller is to know in this step.
    ///
    /// A channel that is merely not due is [`Sample::None`]; one whose converter fails is [`Sample::ConverterFault`].
    ///
    /// # Errors
    /// When what was read cannot be told from what was not: a bus that does not answer. Every channel then counts as failed.
    fn inputs(&mut self) -> Result<Inputs, Self::Error>;

    /// What [`Board::store`] kept last; [`Memory::default`] if it never kept anything.
    ///
    /// # Errors
    /// When it cannot be read or fails its checksum. Every fault that latches then counts as latched.
    fn recall(&mut self) -> Result<Memory, Self::Error>;

    /// Keeps `memory` over a loss of power: all of it or, when cut short, what was kept before.
    ///
    /// # Errors
    /// When it was not kept. It is tried again in the next step.
    fn store(&mut self, memory: &Memory) -> Result<(), Self::Error>;

    /// Puts off the watchdog's reset by its full time.
    fn feed_watchdog(&mut self);

    /// Waits until the next step is due: 0.1 s to 10 s after the last, nominally 1 s.
    fn wait_for_next_step(&mut self);
}

/// An output pin that could not be set. Both relays have been told to open; the watchdog is not fed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutputStuck;

/// The controller on its board.
pub struct App<B: Board> {
    board: B,
    /// Without settings that validate there is nothing to step, only outputs to be held off.
    unit: Result<Unit, SettingsError>,
    /// What storage is known to hold; nothing while that is not known.
    stored: Option<Memory>,
}

/// Inputs that could not be read. Not [`Inputs::DEAD`], whose channels are merely not due: permission would outlast the
/// converter by the age that a reading is allowed to reach.
const UNREADABLE: Inputs = Inputs { channels: [Sample::ConverterFault; Inputs::DEAD.channels.len()], ..Inputs::DEAD };

impl<B: Board> App<B> {
    /// Opens both relays, and only then does anything that may fail: recalls what survived the restart and checks the settings.
    pub fn new(mut board: B, settings: Settings) -> Self {
        open_relays(&mut board);
        let recalled = board.recall().ok();
        // What cannot be recalled may have been a welded relay: someone must look, and press the button.
        let memory = recalled.unwrap_or(Memory { latched: SystemFaults::LATCHED, ..Memory::default() });
        let unit = settings.validate().map(|settings| Unit::new(settings, memory));
        Self { board, unit, stored: recalled }
    }

    /// What is wrong with the settings, if anything.
    pub fn settings_error(&self) -> Option<SettingsError> {
        self.unit.as_ref().err().copied()
    }

    /// One step: inputs, decision, outputs, storage, watchdog.
    ///
    /// # Errors
    /// [`OutputStuck`] when a pin could not be set; nothing else fails. The caller steps on: until the watchdog resets the
    /// board, each step opens both relays again.
    pub fn step(&mut self) -> Result<Outputs, OutputStuck> {
        let inputs = self.board.inputs().unwrap_or(UNREADABLE);
        let now = self.board.now();
        let outputs = match &mut self.unit {
            Ok(unit) => unit.step(now, &inputs),
            Err(_) => Outputs::all_off(SystemFault::SettingsInvalid),
        };
        drive(&mut self.board, &outputs)?;
        if let Ok(unit) = &self.unit {
            let memory = unit.memory();
            if self.stored != Some(memory) {
                self.stored = self.board.store(&memory).ok().map(|()| memory);
            }
        }
        self.board.feed_watchdog();
        Ok(outputs)
    }

    /// Steps for ever.
    pub fn run(mut self) -> ! {
        loop {
            // A stuck output is the watchdog's to end.
            let _ = self.step();
            self.board.wait_for_next_step();
        }
    }
}

/// Sets all three pins, each whether or not another fails; then, if one did, opens both relays.
fn drive<B: Board>(board: &mut B, outputs: &Outputs) -> Result<(), OutputStuck> {
    let alarm = match outputs.alarm {
        Alarm::Quiet => PinState::Low,
        Alarm::Sounding => PinState::High,
    };
    let set = [
        board.heater().set_state(coil(outputs.heater)).is_ok(),
        board.charge().set_state(coil(outputs.charge)).is_ok(),
        board.alarm().set_state(alarm).is_ok(),
    ];
    if set == [true; 3] {
        return Ok(());
    }
    open_relays(board);
    Err(OutputStuck)
}

/// Opens both relays as far as that can be done. A pin that cannot be set is met again in the next step, where it keeps the
/// watchdog from being fed.
fn open_relays<B: Board>(board: &mut B) {
    let _ = board.heater().set_low();
    let _ = board.charge().set_low();
}

/// The pin that brings a relay's contact into a position.
const fn coil(contact: Relay) -> PinState {
    match contact {
        Relay::Open => PinState::Low,
        Relay::Closed => PinState::High,
    }
}

#[cfg(test)]
mod tests;

//! What hardware must offer: the seam between the program and any board.
//!
//! A board names its types once, as a [`Board`], and hands its parts over as [`Hardware`]. Pins, serial line, storage
//! and delay are the usual `embedded-*` traits, so the types of a HAL fit. Five things have no such trait, and have
//! small ones here: [`Converter`], [`Meters`], [`Clock`], [`Watchdog`] and [`Display`].

use core::convert::Infallible;
use core::fmt::Debug;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use embedded_io::{Read, ReadReady, Write};
use embedded_storage::nor_flash::NorFlash;
use forewarm_core::quantity::{Fraction, Instant, Millivolts};
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES};
use forewarm_core::signals::{Outputs, Sample};

/// The types of a board's parts.
pub trait Board {
    /// Its name, which the service line reports.
    const NAME: &'static str;

    /// An output pin. It is low at rest, in reset and unpowered. If the hardware is the other way round, the type
    /// inverts.
    type Output: OutputPin;
    /// The pin of the full charge permit, as [`Board::Output`], or [`NotWired`] on a board without one.
    type Full: OutputPin;
    /// An input pin, high when its statement is true. A pin that returns an error counts as the safe state: absent,
    /// refused, not fitted.
    type Input: InputPin;
    /// What measures the thermometers: a [`FrontEnd`](crate::front_end::FrontEnd) on a converter of codes, or chips that
    /// give ratios themselves.
    type Thermometers: Thermometers;
    /// What measures voltages, and the state of charge if anything does.
    type Meters: Meters;
    /// Waits while they are measured.
    type Delay: DelayNs;
    /// Gives the time.
    type Clock: Clock;
    /// Restarts the board when the program hangs.
    type Watchdog: Watchdog;
    /// Shows state, cause and faults. `()` if nothing does.
    type Display: Display;
    /// The service line.
    type Serial: Read + ReadReady + Write;
    /// Where settings, latched faults and the journal are kept. All of it belongs to the program.
    type Storage: NorFlash;
}

/// The parts of a board, except its storage.
pub struct Hardware<B: Board> {
    /// The pins that it drives.
    pub outputs: OutputPins<B>,
    /// The pins that it reads.
    pub lines: InputPins<B>,
    /// Measures the thermometers.
    pub thermometers: B::Thermometers,
    /// Measures voltages.
    pub meters: B::Meters,
    /// Waits.
    pub delay: B::Delay,
    /// Gives the time.
    pub clock: B::Clock,
    /// Restarts the board.
    pub watchdog: B::Watchdog,
    /// Shows state, cause and faults.
    pub display: B::Display,
    /// The service line.
    pub serial: B::Serial,
}

/// Pins that are driven.
pub struct OutputPins<B: Board> {
    /// Coil of the heater relay.
    pub heater: B::Output,
    /// Coil of the relay that permits charge.
    pub charge: B::Output,
    /// Coil of the relay that lets a charger in two steps give the larger one.
    pub full: B::Full,
    /// The alarm.
    pub alarm: B::Output,
    /// The status lamp.
    pub lamp: B::Output,
}

/// The pin that a board does not have. It drives nothing, so a charger in two steps stays at the smaller one.
#[derive(Clone, Copy, Debug, Default)]
pub struct NotWired;

impl ErrorType for NotWired {
    type Error = Infallible;
}

impl OutputPin for NotWired {
    fn set_low(&mut self) -> Result<(), Infallible> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

/// Pins that are read.
pub struct InputPins<B: Board> {
    /// High while the source is present, by its index in the settings.
    pub sources: [B::Input; MAX_SOURCES],
    /// High while the battery's protection allows charge.
    pub charge_line: B::Input,
    /// High while it allows discharge.
    pub discharge_line: B::Input,
    /// High while the heater relay's contact is closed.
    pub heater_feedback: B::Input,
    /// High while the charge relay's contact is closed.
    pub charge_feedback: B::Input,
    /// High while the reset button is held.
    pub button: B::Input,
}

/// Where a voltage is taken in the circuit of one thermometer. All three carry the same current, so only their ratios
/// count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Tap {
    /// Across the element and the lead in series with it.
    Element,
    /// Across the reference resistor.
    Reference,
    /// Across a lead alone, for three wires.
    Lead,
}

/// What measures the thermometers of all channels.
pub trait Thermometers {
    /// A sample for each channel of the settings, in their order; `three_wires` says of each whether it has three wires. It
    /// calls `meanwhile` again and again, and at most some tenths of a second pass.
    ///
    /// It never repeats an earlier measurement as a fresh one. A channel that brings nothing in time stays
    /// [`Sample::None`], and one that the board does not have is a fault of the converter.
    fn measure(
        &mut self,
        three_wires: &[bool],
        delay: &mut impl DelayNs,
        meanwhile: impl FnMut(),
    ) -> [Sample; MAX_CHANNELS];
}

/// An analogue-to-digital converter with the excitation of the thermometers.
pub trait Converter {
    /// The highest code. A reading there is not a reading.
    const FULL_SCALE: u32;
    /// How long one conversion takes (µs).
    const CONVERSION_US: u32;
    /// How long the circuit takes to settle once its current is switched on (µs).
    const SETTLING_US: u32;

    /// Why there is no code.
    type Error: Debug;

    /// Sends the measuring current through the thermometer of `channel` only, or through none for `None`. Gives up a
    /// conversion that was running.
    ///
    /// # Errors
    /// If that is not possible.
    fn excite(&mut self, channel: Option<u8>) -> Result<(), Self::Error>;

    /// One conversion at `tap` of `channel`. The first call begins it. Further calls ask again until it is done, or
    /// until a call for another gives it up. Each conversion has a number, which exposes a converter that hangs and
    /// repeats its last code. Conversions that follow one another begin [`Converter::CONVERSION_US`] apart, so that a
    /// window of them is whole periods of the mains.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] while it works, another if the converter reports a fault of its own.
    fn convert(&mut self, channel: u8, tap: Tap) -> nb::Result<Conversion, Self::Error>;
}

/// The result of a conversion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Conversion {
    /// The code.
    pub code: u32,
    /// Rises with each conversion, and wraps. It must come from the converter: its own count, or the edges of its ready
    /// line or flag (false when a conversion begins, true when it is done). It must never be the number of times that a
    /// code was read. Something that is read twice has the same number twice.
    pub number: u32,
}

/// Voltages, and the state of charge.
pub trait Meters {
    /// Voltage of the heater's supply. `None` if it cannot be measured.
    fn supply(&mut self) -> Option<Millivolts>;

    /// Voltage of the bank. `None` if it cannot be measured.
    fn bank(&mut self) -> Option<Millivolts>;

    /// State of charge of the bank. `None` if it is not known.
    fn state_of_charge(&mut self) -> Option<Fraction> {
        None
    }
}

/// A clock that runs by itself.
pub trait Clock {
    /// Milliseconds, wrapping after 2³².
    fn now(&mut self) -> Instant;

    /// Whether the next step is due: 0.1 s to 10 s after the last, nominally 1 s. Returns true once a step.
    fn is_step_due(&mut self) -> bool;
}

/// Something that shows state, cause and faults.
pub trait Display {
    /// Shows the decision of this step. The pins have been set.
    fn show(&mut self, outputs: &Outputs);
}

impl Display for () {
    fn show(&mut self, _: &Outputs) {}
}

/// A watchdog that starts before the program and that software cannot stop. Its reset makes every output pin go low.
pub trait Watchdog {
    /// Delays the reset by its full time, which is longer than any step.
    fn feed(&mut self);

    /// Restarts the board as the watchdog would.
    fn restart(&mut self) -> !;
}

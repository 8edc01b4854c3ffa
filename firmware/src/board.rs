//! What a piece of hardware must offer: the seam between the program and any board.
//!
//! A board names its types once, as a [`Board`], and hands its parts over as [`Hardware`]. Pins, serial line, storage and delay are
//! the usual `embedded-*` traits, so a HAL's own types do. Five things have no such trait, and are small ones here:
//! [`Converter`], [`Meters`], [`Clock`], [`Watchdog`] and [`Display`].

use core::convert::Infallible;
use core::fmt::Debug;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use embedded_io::{Read, ReadReady, Write};
use embedded_storage::nor_flash::NorFlash;
use forewarm_core::quantity::{Fraction, Instant, Millivolts};
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::Outputs;

/// The types of a board's parts.
pub trait Board {
    /// Its name, for whoever asks over the service line.
    const NAME: &'static str;

    /// An output pin. Low at rest, in reset and unpowered; where the hardware is the other way round the type inverts.
    type Output: OutputPin;
    /// The pin of the full charge permit, as [`Board::Output`]; [`NotWired`] on a board without one.
    type Full: OutputPin;
    /// An input pin, high where what it stands for is so. One that answers with an error counts as what is safe: absent, refused,
    /// not fitted.
    type Input: InputPin;
    /// What measures the thermometers.
    type Converter: Converter;
    /// What measures voltages, and knows the state of charge if anything does.
    type Meters: Meters;
    /// Waits while a converter works.
    type Delay: DelayNs;
    /// Tells the time.
    type Clock: Clock;
    /// Restarts the board when the program hangs.
    type Watchdog: Watchdog;
    /// Shows what goes on; `()` where nothing does.
    type Display: Display;
    /// The service line.
    type Serial: Read + ReadReady + Write;
    /// Where settings, latched faults and the journal are kept; all of it belongs to the program.
    type Storage: NorFlash;
}

/// The parts of a board, but for its storage.
pub struct Hardware<B: Board> {
    /// What it drives.
    pub outputs: OutputPins<B>,
    /// What it is told.
    pub lines: InputPins<B>,
    /// Measures the thermometers.
    pub converter: B::Converter,
    /// Measures voltages.
    pub meters: B::Meters,
    /// Waits.
    pub delay: B::Delay,
    /// Tells the time.
    pub clock: B::Clock,
    /// Restarts the board.
    pub watchdog: B::Watchdog,
    /// Shows what goes on.
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

/// The pin that a board does not have: nothing is driven, so a charger in two steps stays at the smaller one.
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
    /// High where the source is present, by its index in the settings.
    pub sources: [B::Input; MAX_SOURCES],
    /// High where the battery's protection allows charge.
    pub charge_line: B::Input,
    /// High where it allows discharge.
    pub discharge_line: B::Input,
    /// High where the heater relay's contact is closed.
    pub heater_feedback: B::Input,
    /// High where the charge relay's contact is closed.
    pub charge_feedback: B::Input,
    /// High while the reset button is held.
    pub button: B::Input,
}

/// Where in the circuit of one thermometer a voltage is taken. All three carry the same current, so that only their ratios count.
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

/// An analogue-to-digital converter with the excitation of the thermometers.
pub trait Converter {
    /// The highest code there is. A reading there is no reading.
    const FULL_SCALE: u32;
    /// How long one conversion takes (µs).
    const CONVERSION_US: u32;
    /// How long the circuit takes to settle once its current is switched on (µs).
    const SETTLING_US: u32;

    /// Why there is no code.
    type Error: Debug;

    /// Sends the measuring current through the thermometer of `channel` and no other; through none for nothing. A conversion that was
    /// under way is given up.
    ///
    /// # Errors
    /// When that cannot be done.
    fn excite(&mut self, channel: Option<u8>) -> Result<(), Self::Error>;

    /// One conversion at `tap` of `channel`: begins it when first asked, and is asked again until it is done, or given up by asking for
    /// another. Each brings its number, so that a converter that hangs and repeats what it said last is found out. Conversions that follow
    /// one another begin [`Converter::CONVERSION_US`] apart, so that a window of them is whole periods of
    /// the mains.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] while it works; another when the converter reports a fault of its own.
    fn convert(&mut self, channel: u8, tap: Tap) -> nb::Result<Conversion, Self::Error>;
}

/// What a conversion came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Conversion {
    /// The code.
    pub code: u32,
    /// Rises with each conversion, and wraps. It must come from the converter: its own count, or the edges of its ready line or flag
    /// (false when a conversion begins, true when it is done), never the number of times that a code was read. What is read
    /// twice has the same number twice.
    pub number: u32,
}

/// Voltages, and the state of charge.
pub trait Meters {
    /// Voltage of the heater's supply; nothing if it cannot be measured.
    fn supply(&mut self) -> Option<Millivolts>;

    /// Voltage of the bank; nothing if it cannot be measured.
    fn bank(&mut self) -> Option<Millivolts>;

    /// State of charge of the bank; nothing where nobody knows it.
    fn state_of_charge(&mut self) -> Option<Fraction> {
        None
    }
}

/// A clock that runs on by itself.
pub trait Clock {
    /// Milliseconds, wrapping after 2³².
    fn now(&mut self) -> Instant;

    /// Whether the next step is due: 0.1 s to 10 s after the last, nominally 1 s. Answers yes once a step.
    fn is_step_due(&mut self) -> bool;
}

/// Something that shows state, cause and faults.
pub trait Display {
    /// Shows what was decided in this step; the pins have been set.
    fn show(&mut self, outputs: &Outputs);
}

impl Display for () {
    fn show(&mut self, _: &Outputs) {}
}

/// A watchdog that was started before the program, that software cannot stop, and whose reset lets every output pin go low.
pub trait Watchdog {
    /// Puts the reset off by its full time, which is longer than any step takes.
    fn feed(&mut self);

    /// Restarts the board as the watchdog would.
    fn restart(&mut self) -> !;
}

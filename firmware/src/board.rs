//! What hardware must offer: the seam between the program and any board.
//!
//! A board names its types once, as a [`Board`], and hands its parts over as [`Hardware`]. Pins, serial line, storage
//! and delay are the usual `embedded-*` traits, so the types of a HAL fit. Five things have no such trait, and have
//! small ones here: [`Converter`], [`Meters`], [`Clock`], [`Watchdog`] and [`Display`].

use core::convert::Infallible;
use core::fmt::Debug;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use embedded_hal::pwm::{self, SetDutyCycle};
use embedded_io::{Read, ReadReady, Write};
use embedded_storage::nor_flash::NorFlash;
use forewarm_core::quantity::{Fraction, Instant, Millivolts};
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES, Settings};
use forewarm_core::signals::{Outputs, Sample};
use forewarm_core::wire::service::Misfit;

/// The types of a board's parts.
pub trait Board {
    /// Its name, which the service line reports.
    const NAME: &'static str;

    /// An output pin. It is low at rest, in reset and unpowered. If the hardware is the other way round, the type
    /// inverts.
    type Output: OutputPin;
    /// The pin of the full charge permit, as [`Board::Output`], or [`NotWired`] on a board without one.
    type Full: OutputPin;
    /// The pin that carries the charge-current ceiling as the width of its pulses, or [`NotWired`] on a board without one. It is
    /// low at rest, in reset and unpowered.
    type Ceiling: SetDutyCycle;
    /// The lines that it reads: [`InputPins`], or whatever reads them all at once.
    type Lines: InputLines;
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

    /// Whether settings suit the parts of this board. Others never come into force.
    ///
    /// # Errors
    /// The first thing that does not suit them.
    fn suits(settings: &Settings) -> Result<(), Misfit>;
}

/// The parts of a board, except its storage.
pub struct Hardware<B: Board> {
    /// The pins that it drives.
    pub outputs: OutputPins<B>,
    /// The pins that it reads.
    pub lines: B::Lines,
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
    /// The charge-current ceiling.
    pub ceiling: B::Ceiling,
    /// The alarm.
    pub alarm: B::Output,
    /// The status lamp.
    pub lamp: B::Output,
}

/// The pin that a board does not have. It drives nothing: a charger in two steps stays at the smaller one, and one that obeys
/// the ceiling gets none.
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

impl pwm::ErrorType for NotWired {
    type Error = Infallible;
}

impl SetDutyCycle for NotWired {
    fn max_duty_cycle(&self) -> u16 {
        1
    }

    fn set_duty_cycle(&mut self, _: u16) -> Result<(), Infallible> {
        Ok(())
    }
}

/// The lines that are read. Those that count as the safe state where they cannot be read are absent, refused, not fitted.
pub trait InputLines {
    /// The levels now. It is called a thousand times a second.
    fn levels(&mut self) -> Levels;
}

/// Levels of all lines, a bit each: those of [`Levels`]'s constants.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Levels {
    /// High: what the line states is true. Never where it is not known.
    pub high: u32,
    /// It can be read.
    pub known: u32,
}

impl Levels {
    /// High while the heater relay's contact is closed.
    pub const HEATER_FEEDBACK: usize = 0;
    /// High while the charge relay's contact is closed.
    pub const CHARGE_FEEDBACK: usize = 1;
    /// High while the first source is present, by its index in the settings. The others follow.
    pub const SOURCES: usize = 2;
    /// High while the battery's protection allows charge.
    pub const CHARGE_LINE: usize = Self::SOURCES + MAX_SOURCES;
    /// High while it allows discharge.
    pub const DISCHARGE_LINE: usize = Self::CHARGE_LINE + 1;
    /// High while the reset button is held.
    pub const BUTTON: usize = Self::DISCHARGE_LINE + 1;
    /// How many lines there are.
    pub const COUNT: usize = Self::BUTTON + 1;

    /// With what a pin says of `line`. A pin that returns an error cannot be read.
    #[must_use]
    pub fn with(self, line: usize, pin: &mut impl InputPin) -> Self {
        match pin.is_high() {
            Ok(is_high) => Self { high: self.high | u32::from(is_high) << line, known: self.known | 1 << line },
            Err(_) => self,
        }
    }
}

/// A pin for each line, each of one type.
pub struct InputPins<P> {
    /// The sources, by index.
    pub sources: [P; MAX_SOURCES],
    /// [`Levels::CHARGE_LINE`].
    pub charge_line: P,
    /// [`Levels::DISCHARGE_LINE`].
    pub discharge_line: P,
    /// [`Levels::HEATER_FEEDBACK`].
    pub heater_feedback: P,
    /// [`Levels::CHARGE_FEEDBACK`].
    pub charge_feedback: P,
    /// [`Levels::BUTTON`].
    pub button: P,
}

impl<P: InputPin> InputLines for InputPins<P> {
    fn levels(&mut self) -> Levels {
        let sources = (Levels::SOURCES..).zip(&mut self.sources);
        sources
            .fold(Levels::default(), |levels, (line, pin)| levels.with(line, pin))
            .with(Levels::CHARGE_LINE, &mut self.charge_line)
            .with(Levels::DISCHARGE_LINE, &mut self.discharge_line)
            .with(Levels::HEATER_FEEDBACK, &mut self.heater_feedback)
            .with(Levels::CHARGE_FEEDBACK, &mut self.charge_feedback)
            .with(Levels::BUTTON, &mut self.button)
    }
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

    /// Sleeps until something may have happened, a millisecond at most. Without it the processor never rests.
    fn rest(&mut self) {}
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

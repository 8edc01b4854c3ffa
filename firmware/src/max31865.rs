//! Drives converter chips of type MAX31865, one a thermometer, all on one bus.
//!
//! The chip sends a current through element and reference resistor, and converts the ratio of their resistances to 15 bits.
//! With three wires it takes the lead away itself: it cannot show the lead alone. Each step the chips are woken, look
//! for broken and shorted wires, convert once, all at the same time, and go back to sleep: no current warms the
//! elements meanwhile. All registers are read with the result. So a chip that was reset by a dip in its supply, or is not
//! there, shows it in the same step.
//!
//! Source of registers, bits and what each fault means: MAX31865 data sheet, 19-6478, revision 3 (2015), tables 1 to 12.
//! Times: the same, from memory.
//!
//! With three or four wires, a broken wire to `RTDIN+` leaves that input to itself and to the capacitor between the inputs,
//! and the code may be anything. A resistor of 100 MΩ from `RTDIN+` to the chip's supply, which is always on, drives it over the
//! scale: with the 10 nF of a Pt1000 in a second, with the 100 nF of a Pt100 in some seconds, and on the way there
//! faster than the controller believes of any reading. To `BIAS`, which is on for a twelfth of the time, it would settle at a
//! plausible reading. The resistor adds 30 nA to the current in the element: 0.02 K for a Pt1000, towards warm.
//!
//! A chip that goes on showing its last code, although it was asked for another, cannot be told apart from a steady
//! element here: the chip counts nothing. The controller finds it, as it finds every channel that has not moved for too
//! long.

use crate::board::Thermometers;
use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Operation, SpiDevice};
use forewarm_core::quantity::{Ohms, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::{MAX_CHANNELS, Settings};
use forewarm_core::signals::Sample;
use forewarm_core::wire::service::Misfit;

/// Registers, and the bit that makes an address one to write to.
const CONFIGURATION: u8 = 0x00;
const THRESHOLDS: u8 = 0x03;
const WRITE: u8 = 0x80;
const REGISTERS: usize = 8;

/// Bits of the configuration.
const BIAS: u8 = 0x80;
const ONE_SHOT: u8 = 0x20;
const THREE_WIRE: u8 = 0x10;
/// Looks for faults of the wires, at the chip's own pace.
const FAULT_CYCLE: u8 = 0x04;
const CLEAR_FAULTS: u8 = 0x02;
const NOTCH_50_HZ: u8 = 0x01;

/// Bits of the fault status.
const ABOVE_HIGH: u8 = 0x80;
const BELOW_LOW: u8 = 0x40;
const REFERENCE_HIGH: u8 = 0x20;
const REFERENCE_LOW: u8 = 0x10;
const INPUT_LOW: u8 = 0x08;
const VOLTAGE: u8 = 0x04;

/// Codes from which on an element counts as broken, and down to which as shorted. The controller knows better what is
/// plausible; these are the ends of the scale.
const HIGH: u16 = 0x7ff0;
const LOW: u16 = 0x0010;
/// Both as the registers hold them, a bit to the left.
const THRESHOLD_BYTES: [u8; 4] = {
    let [high, low] = [(HIGH << 1).to_be_bytes(), (LOW << 1).to_be_bytes()];
    [high[0], high[1], low[0], low[1]]
};

/// From waking until the current has settled (µs): 10 ms for the bias voltage, and 10.5 time constants and 1 ms for the
/// capacitor at the inputs, which the data sheet makes 100 nF for 100 Ω and 10 nF for 1000 Ω.
const WAKES_US: u32 = 12_000;
/// The longest that looking for faults takes, and a conversion in either notch (µs).
const LOOKS_US: u32 = 600;
const CONVERTS_50_HZ_US: u32 = 66_000;
const CONVERTS_60_HZ_US: u32 = 55_000;

/// From selecting a chip to the first clock, and as long after the last (ns).
const PAUSE_NS: u32 = 400;

/// Waits are cut into pieces this long (µs), so that others can work meanwhile.
const PIECE_US: u32 = 500;

/// The hum that a conversion takes no notice of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Notch {
    /// Mains of 50 Hz.
    Hz50,
    /// Mains of 60 Hz.
    Hz60,
}

impl Notch {
    const fn bits(self) -> u8 {
        match self {
            Self::Hz50 => NOTCH_50_HZ,
            Self::Hz60 => 0,
        }
    }

    const fn converts_us(self) -> u32 {
        match self {
            Self::Hz50 => CONVERTS_50_HZ_US,
            Self::Hz60 => CONVERTS_60_HZ_US,
        }
    }
}

/// What a chip shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shown {
    /// The code, of 15 bits.
    Code(u16),
    /// The element or a wire is broken.
    Open,
    /// The element is shorted.
    Shorted,
    /// A wire is shorted to something, or at a voltage outside the supply. The code may still look right.
    Wires(u16),
    /// The registers do not hold what was written: the chip was reset, is not there, or the bus is stuck.
    Forgot,
    /// The bus itself failed.
    Silent,
}

impl Shown {
    /// As the controller takes it.
    ///
    /// A fault of the wires whose code may look right comes as a lead that measures more than everything: the controller
    /// then calls it a fault of the leads, or a short where it knows no lead.
    fn sample(self) -> Sample {
        let ratio = |code: u16| Ratio::from_code(code.into(), 15);
        match self {
            Self::Code(code) => Sample::Fresh(Measured::element(ratio(code))),
            Self::Open => Sample::Fresh(Measured::element(Ratio::MAX)),
            Self::Shorted => Sample::Fresh(Measured::element(Ratio::ZERO)),
            Self::Wires(code) => Sample::Fresh(Measured { element: ratio(code), lead: Ratio::MAX }),
            Self::Forgot | Self::Silent => Sample::ConverterFault,
        }
    }
}

/// Chips, the first of them for the first channel. A channel without a chip is a fault of the converter.
#[derive(Debug)]
pub struct Chips<S, const N: usize> {
    chips: [Chip<S>; N],
    notch: Notch,
}

impl<S: SpiDevice, const N: usize> Chips<S, N> {
    /// On this bus, which works in mode 1 or 3 at up to 5 MHz.
    pub fn new(devices: [S; N], notch: Notch) -> Self {
        Self { chips: devices.map(|spi| Chip { spi, stays: 0, is_heard: false }), notch }
    }
}

/// The reference resistors that the chip works with (Ω): the data sheet's limits, from memory.
const REFERENCES_OHM: (u16, u16) = (350, 10_000);

/// Whether settings suit `most` chips.
///
/// # Errors
/// With too many channels, a reference resistor beyond the chip's limits, or a lead that must measure something: the chip
/// takes leads away by itself.
pub fn suits(settings: &Settings, most: u8) -> Result<(), Misfit> {
    if settings.channels.len() > usize::from(most) {
        return Err(Misfit::Channels { most });
    }
    let (least_ohm, most_ohm) = REFERENCES_OHM;
    let ohms = |ohms: u16| Ohms::from_milliohms(u32::from(ohms).saturating_mul(1000));
    for (at, channel) in (0..).zip(&settings.channels) {
        if channel.reference < ohms(least_ohm) || channel.reference > ohms(most_ohm) {
            return Err(Misfit::Reference { channel: at, least_ohm, most_ohm });
        }
        if channel.leads.band().is_some_and(|(least, _)| least > Ohms::ZERO) {
            return Err(Misfit::Lead { channel: at });
        }
    }
    Ok(())
}

impl<S: SpiDevice, const N: usize> Thermometers for Chips<S, N> {
    /// All at once: 0.08 s pass, however many there are.
    fn measure(
        &mut self,
        three_wires: &[bool],
        delay: &mut impl DelayNs,
        mut meanwhile: impl FnMut(),
    ) -> [Sample; MAX_CHANNELS] {
        let mut wait = |us: u32| {
            for _ in 0..us.div_ceil(PIECE_US) {
                meanwhile();
                delay.delay_us(PIECE_US);
            }
        };
        let mut samples = [Sample::None; MAX_CHANNELS];
        samples.iter_mut().zip(three_wires).for_each(|(sample, _)| *sample = Sample::ConverterFault);
        let asked = self.chips.len().min(three_wires.len());
        let Some(chips) = self.chips.get_mut(..asked) else { return samples };
        for (chip, &three_wires) in chips.iter_mut().zip(three_wires) {
            chip.begin(self.notch, three_wires);
        }
        wait(WAKES_US);
        for chip in chips.iter_mut() {
            chip.order(BIAS | FAULT_CYCLE);
        }
        wait(LOOKS_US);
        for chip in chips.iter_mut() {
            chip.order(BIAS | ONE_SHOT);
        }
        wait(self.notch.converts_us());
        for (chip, sample) in chips.iter_mut().zip(&mut samples) {
            *sample = chip.end().sample();
        }
        samples
    }
}

/// One chip.
#[derive(Debug)]
struct Chip<S> {
    spi: S,
    /// Bits of its configuration that stay.
    stays: u8,
    /// Whether the bus has worked since the measurement began.
    is_heard: bool,
}

impl<S: SpiDevice> Chip<S> {
    /// Switches the current on, and forgets earlier faults. The thresholds are written anew each time: the chip may have
    /// been reset.
    fn begin(&mut self, notch: Notch, three_wires: bool) {
        self.stays = notch.bits() | if three_wires { THREE_WIRE } else { 0 };
        let [high, high_low, low, low_low] = THRESHOLD_BYTES;
        self.is_heard = self.transact(Operation::Write(&[WRITE | THRESHOLDS, high, high_low, low, low_low])).is_ok();
        self.order(BIAS | CLEAR_FAULTS);
    }

    /// Writes its configuration, and notes whether the bus fails.
    fn order(&mut self, bits: u8) {
        self.is_heard &= self.transact(Operation::Write(&[WRITE | CONFIGURATION, self.stays | bits])).is_ok();
    }

    /// One transaction with the pauses that the chip needs.
    fn transact(&mut self, operation: Operation<'_, u8>) -> Result<(), S::Error> {
        self.spi.transaction(&mut [Operation::DelayNs(PAUSE_NS), operation, Operation::DelayNs(PAUSE_NS)])
    }

    /// Reads the result, and switches the current off. One that stays on warms its element, so that is a failure too.
    fn end(&mut self) -> Shown {
        let read = self.read();
        self.order(0);
        read.ok().filter(|_| self.is_heard).unwrap_or(Shown::Silent)
    }

    fn read(&mut self) -> Result<Shown, S::Error> {
        let mut registers = [0; REGISTERS + 1];
        self.transact(Operation::Transfer(&mut registers, &[CONFIGURATION, 0, 0, 0, 0, 0, 0, 0, 0]))?;
        let [_, configuration, code @ .., status] = registers;
        let [code_high, code_low, thresholds @ ..] = code;
        // Bits that clear themselves are clear again once the work is done.
        if configuration != self.stays | BIAS || thresholds != THRESHOLD_BYTES {
            return Ok(Shown::Forgot);
        }
        let code = u16::from_be_bytes([code_high, code_low]);
        let has = |bits: u8| status & bits != 0;
        // The most certain first. With a broken wire several are set.
        Ok(if has(ABOVE_HIGH | REFERENCE_HIGH) {
            Shown::Open
        } else if has(VOLTAGE | REFERENCE_LOW) {
            Shown::Wires(code >> 1)
        } else if has(BELOW_LOW) {
            Shown::Shorted
        } else if has(INPUT_LOW) {
            Shown::Wires(code >> 1)
        } else if code & 1 == 1 {
            // A fault without a name.
            Shown::Forgot
        } else {
            Shown::Code(code >> 1)
        })
    }
}

#[cfg(test)]
mod tests;

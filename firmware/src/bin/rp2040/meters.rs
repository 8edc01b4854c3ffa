//! Heater supply and bank, each by a divider.
//!
//! voltage = code / 4096 × 3.3 V × (`TOP_OHM` + `BOTTOM_OHM`) / `BOTTOM_OHM`
//!
//! The module's own 3.3 V are the reference. 100 kΩ over 10 kΩ reach 36 V, enough for 24 V installations.

use forewarm_core::quantity::Millivolts;
use forewarm_firmware::board::Meters;
use rp2040_hal::Adc;
use rp2040_hal::adc::{AdcChannel, AdcPin};
use rp2040_hal::gpio::bank0::{Gpio26, Gpio27};
use rp2040_hal::gpio::{FunctionNull, Pin, PullNone};

/// The part's supply (mV).
const SUPPLY_MV: u32 = 3300;
/// From the terminal to the pin, and from there to ground (Ω).
const TOP_OHM: u32 = 100_000;
const BOTTOM_OHM: u32 = 10_000;

/// Conversions in a reading.
const CONVERSIONS: u32 = 16;

type Pins = (AdcPin<Pin<Gpio26, FunctionNull, PullNone>>, AdcPin<Pin<Gpio27, FunctionNull, PullNone>>);

/// The two dividers.
pub(crate) struct Dividers {
    adc: Adc,
    supply: AdcPin<Pin<Gpio26, FunctionNull, PullNone>>,
    bank: AdcPin<Pin<Gpio27, FunctionNull, PullNone>>,
}

impl Dividers {
    pub(crate) fn new(adc: Adc, (supply, bank): Pins) -> Self {
        Self { adc, supply, bank }
    }
}

/// The voltage at the terminal. `None` if the pin is at the end of its scale, or the converter fails.
fn voltage(adc: &mut Adc, pin: &mut impl AdcChannel) -> Option<Millivolts> {
    let mut sum = 0;
    for _ in 0..CONVERSIONS {
        sum += u32::from(adc.read(pin).ok()?);
    }
    if sum >= CONVERSIONS * 4095 {
        return None;
    }
    // 16 + 12 bits, then 12 + 12.
    let at_pin = sum * SUPPLY_MV / (CONVERSIONS * 4096);
    Some(Millivolts::from_millivolts(at_pin * ((TOP_OHM + BOTTOM_OHM) / 100) / (BOTTOM_OHM / 100)))
}

impl Meters for Dividers {
    fn supply(&mut self) -> Option<Millivolts> {
        voltage(&mut self.adc, &mut self.supply)
    }

    fn bank(&mut self) -> Option<Millivolts> {
        voltage(&mut self.adc, &mut self.bank)
    }
}

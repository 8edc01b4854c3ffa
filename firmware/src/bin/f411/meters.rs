//! Heater supply and bank, each by a divider.
//!
//! voltage = code / 4096 × supply of the part × (`TOP_OHM` + `BOTTOM_OHM`) / `BOTTOM_OHM`
//!
//! The part's own reference gives its supply, by the factory's calibration. 100 kΩ over 10 kΩ reach 36 V, enough for 24
//! V installations.

use core::cell::RefCell;
use forewarm_core::quantity::Millivolts;
use forewarm_firmware::board::Meters;
use stm32f4xx_hal::adc::Adc;
use stm32f4xx_hal::adc::config::SampleTime;
use stm32f4xx_hal::gpio::{Analog, PB0, PB1};
use stm32f4xx_hal::hal_02::adc::Channel;
use stm32f4xx_hal::pac::ADC1;

/// From the terminal to the pin, and from there to ground (Ω).
const TOP_OHM: u32 = 100_000;
const BOTTOM_OHM: u32 = 10_000;

/// Conversions in a reading.
const CONVERSIONS: u32 = 16;

/// The two dividers.
pub(crate) struct Dividers<'a> {
    adc: &'a RefCell<Adc<ADC1>>,
    supply: PB0<Analog>,
    bank: PB1<Analog>,
}

impl<'a> Dividers<'a> {
    pub(crate) fn new(adc: &'a RefCell<Adc<ADC1>>, supply: PB0<Analog>, bank: PB1<Analog>) -> Self {
        Self { adc, supply, bank }
    }
}

/// The voltage at the terminal. `None` if the pin is at the end of its scale.
fn voltage(adc: &RefCell<Adc<ADC1>>, pin: &impl Channel<ADC1, ID = u8>) -> Option<Millivolts> {
    let mut adc = adc.try_borrow_mut().ok()?;
    let sum: u32 = (0..CONVERSIONS).map(|_| u32::from(adc.convert(pin, SampleTime::Cycles_480))).sum();
    if sum >= CONVERSIONS * 4095 {
        return None;
    }
    // 16 + 12 bits, then 12 + 12.
    let at_pin = sum * adc.reference_voltage() / (CONVERSIONS * 4096);
    Some(Millivolts::from_millivolts(at_pin * ((TOP_OHM + BOTTOM_OHM) / 100) / (BOTTOM_OHM / 100)))
}

impl Meters for Dividers<'_> {
    fn supply(&mut self) -> Option<Millivolts> {
        voltage(self.adc, &self.supply)
    }

    fn bank(&mut self) -> Option<Millivolts> {
        voltage(self.adc, &self.bank)
    }
}

//! Thermometers on the part's own converter. It has twelve bits and is not very straight, but serves three channels for
//! the price of a resistor.
//!
//! ```text
//!  PB3 ──[ 1k0 ]──●── feed ──~~── lead ──┐
//!        PA2 ─────┘                    element
//!        PA3 ──────── sense ─~~── lead ──┤        (common to all three)
//!                                        └── lead ──~~── return ──●──[ 4k02 ]── ground
//!                                                           PA1 ──┘
//! ```
//!
//! The pin gives some 0.5 mA from the supply that is also the converter's reference, so neither value matters. Element
//! and return lead in series are sense minus reference. The feeding lead is feed minus sense. The other channels' pins
//! are left open. No current flows in them, and all of their circuit is at the voltage of the common terminal.
//!
//! If a sense lead is off, only a filter capacitor holds the voltage, and it would keep showing the last one. So each
//! measurement first discharges it through the pin. A capacitor that is not charged again reads as a short.

use core::cell::RefCell;
use cortex_m::peripheral::DWT;
use forewarm_firmware::board::{Conversion, Converter, Tap};
use stm32f4xx_hal::adc::Adc;
use stm32f4xx_hal::adc::config::SampleTime;
use stm32f4xx_hal::gpio::{Analog, DynamicPin, PA1, PA2, PA3, PA4, PA5, PA6, PA7, PinState, Pull};
use stm32f4xx_hal::hal_02::adc::Channel;
use stm32f4xx_hal::pac::ADC1;

/// The resistor that every measuring current passes, and what lies between the supply and a feeding terminal: 1 kΩ and
/// some 35 Ω of the pin (Ω). The settings have the first as each channel's `reference_ohm`. Here they only show whether
/// the reference can be right.
const REFERENCE_OHM: u32 = 4020;
const PROTECTION_OHM: u32 = 1035;

/// How far the reference may seem off, compared with the protection resistor (%): 1 for that resistor, 1.5 for a pin of
/// 20 to 50 Ω and 0.7 for the converter's non-linearity make 3.2. It finds a wrong resistor, not one that drifts by
/// less.
const REFERENCE_WITHIN_PCT: u32 = 5;

/// The highest code of one conversion.
const LAST: u32 = 4095;

/// Conversions of the circuit's two points in one code.
const PAIRS: u32 = 8;

/// Time for a code (µs): 41 for each of its sixteen conversions, about 10 to begin one, and some spare time for the
/// service line. Whole rounds of two or three codes then fill the 100 ms of a window to within a thousandth.
const CODE_US: u32 = 1041;

/// Current flows if the reference has a twentieth of the scale. The hottest thermometer leaves it half the scale.
const SOME: u32 = LAST / 20;

/// Time to discharge 100 nF through the pin's own pull-down of 30 to 50 kΩ to a tenth (µs).
const EMPTYING_US: u32 = 12_000;

/// The pins of the measuring circuit, by channel.
pub(crate) struct Inputs {
    pub(crate) reference: PA1<Analog>,
    pub(crate) feeds: (PA2<Analog>, PA4<Analog>, PA6<Analog>),
    pub(crate) senses: (PA3<Analog>, PA5<Analog>, PA7<Analog>),
    pub(crate) drives: (DynamicPin<'B', 3>, DynamicPin<'B', 4>, DynamicPin<'A', 15>),
}

/// Why there is no code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, defmt::Format)]
pub(crate) enum Fault {
    /// The board has three channels.
    NoSuchChannel,
    /// Something else is using the converter.
    Taken,
    /// The reference resistor is wrong, or the measuring current comes from somewhere else.
    Reference,
}

/// The converter and the measuring circuit.
pub(crate) struct OnChip<'a> {
    adc: &'a RefCell<Adc<ADC1>>,
    inputs: Inputs,
    /// The cycle counter's value when the next code is due.
    due: u32,
    /// What noise has taken below zero. The next code makes it good. Otherwise the sum of many codes would be too
    /// large.
    element_owes: i32,
    lead_owes: i32,
    /// Completed codes.
    number: u32,
}

impl<'a> OnChip<'a> {
    pub(crate) fn new(adc: &'a RefCell<Adc<ADC1>>, inputs: Inputs) -> Self {
        let mut converter = Self { adc, inputs, due: 0, element_owes: 0, lead_owes: 0, number: 0 };
        converter.let_go();
        converter
    }

    fn let_go(&mut self) {
        let (first, second, third) = &mut self.inputs.drives;
        first.make_floating_input();
        second.make_floating_input();
        third.make_floating_input();
    }

    /// Sums of conversions at feed, sense and reference, as far as `tap` needs them.
    fn sums(&self, channel: u8, tap: Tap) -> Result<[u32; 2], Fault> {
        let Inputs { reference, feeds, senses, .. } = &self.inputs;
        match (channel, tap) {
            (0, Tap::Element) => self.pair(&senses.0, reference),
            (1, Tap::Element) => self.pair(&senses.1, reference),
            (2, Tap::Element) => self.pair(&senses.2, reference),
            (0, Tap::Reference) => self.pair(reference, &feeds.0),
            (1, Tap::Reference) => self.pair(reference, &feeds.1),
            (2, Tap::Reference) => self.pair(reference, &feeds.2),
            (0, Tap::Lead) => self.pair(&feeds.0, &senses.0),
            (1, Tap::Lead) => self.pair(&feeds.1, &senses.1),
            (2, Tap::Lead) => self.pair(&feeds.2, &senses.2),
            _ => Err(Fault::NoSuchChannel),
        }
    }

    /// Both points in turn, so that a drift of the supply affects both.
    fn pair<P, Q>(&self, first: &P, second: &Q) -> Result<[u32; 2], Fault>
    where
        P: Channel<ADC1, ID = u8>,
        Q: Channel<ADC1, ID = u8>,
    {
        let mut adc = self.adc.try_borrow_mut().map_err(|_| Fault::Taken)?;
        let mut sums = [0; 2];
        for _ in 0..PAIRS {
            sums[0] += u32::from(adc.convert(first, SampleTime::Cycles_480));
            sums[1] += u32::from(adc.convert(second, SampleTime::Cycles_480));
        }
        Ok(sums)
    }

    /// Codes begin at even distances, whatever the program does in between. Otherwise hum would not average out.
    fn await_turn(&mut self) {
        const CYCLES: u32 = CODE_US * crate::CORE_MHZ;
        let ahead = self.due.wrapping_sub(DWT::cycle_count());
        // After a pause that moment is long past, which looks like far ahead.
        if ahead <= CYCLES {
            while self.due.wrapping_sub(DWT::cycle_count()) <= CYCLES {}
        } else {
            self.due = DWT::cycle_count();
        }
        self.due = self.due.wrapping_add(CYCLES);
    }
}

impl Converter for OnChip<'_> {
    const FULL_SCALE: u32 = PAIRS * LAST;
    const CONVERSION_US: u32 = CODE_US;
    /// For 100 nF at each of five points on the common terminal's 1.3 kΩ, and a resistor each. An eighth of a code
    /// remains, or half of one if all are hot. Over the window that is negligible.
    const SETTLING_US: u32 = 10_000;

    type Error = Fault;

    fn excite(&mut self, channel: Option<u8>) -> Result<(), Fault> {
        self.let_go();
        let Some(channel) = channel else { return Ok(()) };
        (self.element_owes, self.lead_owes) = (0, 0);
        let Inputs { senses, drives, .. } = &mut self.inputs;
        macro_rules! feed {
            ($sense:expr, $drive:expr) => {{
                $sense.with_input(|pin| {
                    pin.set_internal_resistor(Pull::Down);
                    cortex_m::asm::delay(EMPTYING_US * crate::CORE_MHZ);
                    pin.set_internal_resistor(Pull::None);
                });
                $drive.make_push_pull_output_in_state(PinState::High);
            }};
        }
        match channel {
            0 => feed!(senses.0, drives.0),
            1 => feed!(senses.1, drives.1),
            2 => feed!(senses.2, drives.2),
            _ => return Err(Fault::NoSuchChannel),
        }
        Ok(())
    }

    /// Waits instead of asking to be called again: a millisecond, in which bytes of the service line are still taken
    /// in.
    fn convert(&mut self, channel: u8, tap: Tap) -> nb::Result<Conversion, Fault> {
        self.await_turn();
        let [first, second] = self.sums(channel, tap)?;
        let code = match tap {
            // Without a current the lead is open, and its resistance as large as possible.
            Tap::Element if second < PAIRS * SOME => Self::FULL_SCALE,
            Tap::Element => less(first, second, &mut self.element_owes),
            Tap::Lead => less(first, second, &mut self.lead_owes),
            Tap::Reference if first < PAIRS * SOME => first.max(1),
            Tap::Reference => check_reference(first, second)?,
        };
        // Each conversion was begun, which clears the part's end-of-conversion flag, and awaited until the flag was
        // set.
        self.number = self.number.wrapping_add(1);
        Ok(Conversion { code, number: self.number })
    }
}

/// `larger` minus `smaller` and what is owed. All are below 2^16 in size.
fn less(larger: u32, smaller: u32, owed: &mut i32) -> u32 {
    let left = larger.cast_signed() - smaller.cast_signed() + *owed;
    *owed = left.min(0);
    left.max(0).unsigned_abs()
}

/// Returns `reference`, if it fits `feed`: the supply minus `feed` is the voltage across the protection resistor and
/// the pin.
fn check_reference(reference: u32, feed: u32) -> Result<u32, Fault> {
    let protection = (PAIRS * LAST).saturating_sub(feed);
    // Codes are below 2^16, resistances below 2^12.
    let (is, ought) = (reference * PROTECTION_OHM / 100, protection * REFERENCE_OHM / 100);
    let off = ought / 100 * REFERENCE_WITHIN_PCT;
    if is.abs_diff(ought) <= off { Ok(reference) } else { Err(Fault::Reference) }
}

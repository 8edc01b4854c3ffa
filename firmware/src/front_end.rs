//! Measures thermometers against the reference resistor, one after the other.
//!
//! The same current flows through element, leads and reference. So the ratio of their voltages is that of their
//! resistances, for any current and any reference of the converter. Each is converted in turn, again and again for
//! [`WINDOW_US`]. That is five periods of 50 Hz and six of 60 Hz, so the hum of either mains in the leads adds up to
//! nothing, as do its harmonics.

use crate::board::{Conversion, Converter, Tap, Thermometers};
use embedded_hal::delay::DelayNs;
use forewarm_core::quantity::Ratio;
use forewarm_core::rtd::Measured;
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::Sample;

/// Time over which one thermometer is averaged (µs).
pub const WINDOW_US: u32 = 100_000;

/// Looks at a conversion, which should be done by half of them. After all of them it counts as never done.
const LOOKS: u32 = 8;

/// Thermometers on a converter of codes.
#[derive(Debug)]
pub struct FrontEnd<C> {
    converter: C,
    latest: Latest,
}

impl<C: Converter> FrontEnd<C> {
    /// On this converter.
    pub const fn new(converter: C) -> Self {
        Self { converter, latest: Latest(None) }
    }
}

impl<C: Converter> Thermometers for FrontEnd<C> {
    fn measure(
        &mut self,
        three_wires: &[bool],
        delay: &mut impl DelayNs,
        mut meanwhile: impl FnMut(),
    ) -> [Sample; MAX_CHANNELS] {
        let mut samples = [Sample::None; MAX_CHANNELS];
        for ((sample, &three_wires), channel) in samples.iter_mut().zip(three_wires).zip(0..) {
            *sample = measure(&mut self.converter, &mut self.latest, delay, channel, three_wires, &mut meanwhile);
        }
        samples
    }
}

/// The number of the latest conversion. The next must have a later one.
#[derive(Clone, Copy, Debug, Default)]
struct Latest(Option<u32>);

impl Latest {
    /// The code, if its conversion is new.
    fn take(&mut self, Conversion { code, number }: Conversion) -> Option<u32> {
        let is_new = self.0.replace(number).is_none_or(|before| (1..1 << 31).contains(&number.wrapping_sub(before)));
        is_new.then_some(code)
    }
}

/// Converts `channel` for a window, with a lead alone if it has three wires. Calls `meanwhile` while the converter
/// works.
///
/// A channel whose conversions do not complete gives nothing. After a while the controller takes it as missing. A
/// converter that reports a fault, repeats itself, or shows an impossible reference is a fault at once.
fn measure<C: Converter>(
    converter: &mut C,
    latest: &mut Latest,
    delay: &mut impl DelayNs,
    channel: u8,
    three_wires: bool,
    mut meanwhile: impl FnMut(),
) -> Sample {
    let mut read = |sums: &mut Sums| -> nb::Result<bool, C::Error> {
        converter.excite(Some(channel))?;
        delay.delay_us(C::SETTLING_US);
        for _ in 0..rounds::<C>(three_wires) {
            // For every converter, even one that answers at once.
            meanwhile();
            let mut convert = |tap| -> nb::Result<Option<u32>, C::Error> {
                Ok(latest.take(convert(converter, delay, channel, tap, &mut meanwhile)?))
            };
            let (Some(element), Some(reference)) = (convert(Tap::Element)?, convert(Tap::Reference)?) else {
                return Ok(false);
            };
            sums.add(C::FULL_SCALE, element, reference);
            if three_wires {
                let Some(lead) = convert(Tap::Lead)? else { return Ok(false) };
                sums.add_lead(C::FULL_SCALE, lead);
            }
        }
        Ok(true)
    };
    let mut sums = Sums::default();
    let read = read(&mut sums);
    let switched_off = converter.excite(None);
    match (read, switched_off) {
        (Ok(true), Ok(())) => sums.measured().map_or(Sample::ConverterFault, Sample::Fresh),
        (Err(nb::Error::WouldBlock), Ok(())) => Sample::None,
        (Ok(false) | Err(nb::Error::Other(_)), _) | (_, Err(_)) => Sample::ConverterFault,
    }
}

/// Conversions of each tap in a window.
const fn rounds<C: Converter>(three_wires: bool) -> u32 {
    let taps = if three_wires { 3 } else { 2 };
    let rounds = WINDOW_US / (C::CONVERSION_US.saturating_mul(taps).saturating_add(1));
    if rounds == 0 { 1 } else { rounds }
}

fn convert<C: Converter>(
    converter: &mut C,
    delay: &mut impl DelayNs,
    channel: u8,
    tap: Tap,
    meanwhile: &mut impl FnMut(),
) -> nb::Result<Conversion, C::Error> {
    for _ in 0..LOOKS {
        match converter.convert(channel, tap) {
            Err(nb::Error::WouldBlock) => {
                meanwhile();
                delay.delay_us(C::CONVERSION_US / (LOOKS / 2));
            }
            done => return done,
        }
    }
    Err(nb::Error::WouldBlock)
}

/// Codes of one window, added up.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    element: u64,
    reference: u64,
    lead: u64,
    /// A code at the end of the scale stands for anything beyond it.
    element_saturated: bool,
    reference_saturated: bool,
    lead_saturated: bool,
}

impl Sums {
    fn add(&mut self, full_scale: u32, element: u32, reference: u32) {
        self.element = self.element.saturating_add(element.into());
        self.reference = self.reference.saturating_add(reference.into());
        self.element_saturated |= element >= full_scale;
        self.reference_saturated |= reference >= full_scale;
    }

    fn add_lead(&mut self, full_scale: u32, lead: u32) {
        self.lead = self.lead.saturating_add(lead.into());
        self.lead_saturated |= lead >= full_scale;
    }

    /// The ratios. `None` without a reference to measure against, or with a lead beyond the scale, which cannot be
    /// subtracted.
    fn measured(&self) -> Option<Measured> {
        if self.reference == 0 || self.reference_saturated || self.lead_saturated {
            return None;
        }
        let element = if self.element_saturated { Ratio::MAX } else { ratio(self.element, self.reference)? };
        Some(Measured { element, lead: ratio(self.lead, self.reference)? })
    }
}

/// `part` of `whole`, rounded, and held at the largest ratio.
fn ratio(part: u64, whole: u64) -> Option<Ratio> {
    // A window's sum of 32-bit codes may need more than 33 bits. More would not leave room for the 30 bits of the ratio
    // and for rounding. What is shifted away is less than a part in 2^32 of the larger.
    let spare = (64 - (part | whole).leading_zeros()).saturating_sub(33);
    let (part, whole) = (part >> spare, whole >> spare);
    let steps = (part << 30).checked_add(whole / 2)?.checked_div(whole)?;
    Some(u32::try_from(steps).map_or(Ratio::MAX, Ratio::from_steps))
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;
    use proptest::prelude::*;
    use std::vec::Vec;

    /// A converter of 24 bits that takes a millisecond and four looks for a conversion. Its thermometer has hum in its
    /// leads.
    #[derive(Default)]
    struct HummingConverter {
        element: f64,
        lead: f64,
        /// As a part of the reference.
        hum: f64,
        hum_hz: f64,
        looks: u32,
        number: u32,
        hangs: bool,
        at_us: f64,
        excited: Vec<Option<u8>>,
        says: Option<nb::Error<()>>,
        /// What every tap shows.
        shows: Option<u32>,
    }

    const REFERENCE: f64 = 4_000_000.0;

    impl Converter for &mut HummingConverter {
        const FULL_SCALE: u32 = (1 << 24) - 1;
        const CONVERSION_US: u32 = 1_000;
        const SETTLING_US: u32 = 500;

        type Error = ();

        fn excite(&mut self, channel: Option<u8>) -> Result<(), ()> {
            self.excited.push(channel);
            Ok(())
        }

        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "24 bits")]
        fn convert(&mut self, _: u8, tap: Tap) -> nb::Result<Conversion, ()> {
            if let Some(error) = &self.says {
                return Err(*error);
            }
            if self.looks < 3 {
                self.looks += 1;
                return Err(nb::Error::WouldBlock);
            }
            self.looks = 0;
            self.number = self.number.wrapping_add(u32::from(!self.hangs));
            if let Some(code) = self.shows {
                return Ok(Conversion { code, number: self.number });
            }
            let hum = self.hum * (TAU * self.hum_hz * self.at_us / 1e6).sin();
            self.at_us += 1000.0;
            let part = match tap {
                Tap::Element => self.element + hum,
                Tap::Reference => 1.0,
                Tap::Lead => self.lead + hum,
            };
            Ok(Conversion { code: (part * REFERENCE).round() as u32, number: self.number })
        }
    }

    struct NoDelay;

    impl DelayNs for NoDelay {
        fn delay_ns(&mut self, _: u32) {}
    }

    fn sample(bench: &mut HummingConverter, three_wires: bool) -> Sample {
        let mut bench = bench;
        measure(&mut bench, &mut Latest::default(), &mut NoDelay, 2, three_wires, || {})
    }

    fn fresh(bench: &mut HummingConverter) -> Measured {
        let Sample::Fresh(measured) = sample(bench, true) else { panic!("no measurement") };
        measured
    }

    fn part(ratio: Ratio) -> f64 {
        f64::from(ratio.as_steps()) / f64::from(1_u32 << 30)
    }

    #[test]
    fn current_flows_through_one_thermometer_while_it_is_measured_and_through_none_after() {
        let mut bench = HummingConverter { element: 0.25, ..HummingConverter::default() };
        sample(&mut bench, false);
        assert_eq!(bench.excited, [Some(2), None]);
        bench.says = Some(nb::Error::Other(()));
        sample(&mut bench, false);
        assert_eq!(bench.excited.last(), Some(&None), "not even when it fails");
    }

    #[test]
    fn hum_of_either_mains_and_of_its_harmonics_averages_away() {
        let quiet = HummingConverter { element: 0.25, lead: 0.002, ..HummingConverter::default() };
        for hz in [50.0, 60.0, 100.0, 120.0, 150.0] {
            // This is 10 K of hum for a Pt1000 on 4 kΩ.
            let mut bench = HummingConverter {
                hum: 0.01,
                hum_hz: hz,
                ..HummingConverter { element: 0.25, lead: 0.02, ..HummingConverter::default() }
            };
            let measured = fresh(&mut bench);
            // 33 rounds of three taps are 99 ms. The rest of a period is at most a hundredth of the sum of a hundred.
            let off = (part(measured.element) - quiet.element).abs();
            assert!(off < 0.01 * 0.02, "{hz} Hz: {off}");
        }
        let mut between =
            HummingConverter { element: 0.25, lead: 0.02, hum: 0.01, hum_hz: 54.0, ..HummingConverter::default() };
        assert!((part(fresh(&mut between).element) - 0.25).abs() > 0.01 * 0.02, "so the test can tell");
    }

    #[test]
    fn a_converter_that_is_never_ready_brings_nothing_and_does_not_hold_the_program() {
        let mut turns = 0;
        let mut bench = HummingConverter { says: Some(nb::Error::WouldBlock), ..HummingConverter::default() };
        let mut converter = &mut bench;
        assert_eq!(measure(&mut converter, &mut Latest::default(), &mut NoDelay, 0, true, || turns += 1), Sample::None);
        assert_eq!(turns, LOOKS + 1, "once for the round, and then while it waits");
    }

    #[test]
    fn a_converter_that_complains_or_has_no_reference_is_a_fault() {
        for bench in [
            HummingConverter { says: Some(nb::Error::Other(())), ..HummingConverter::default() },
            HummingConverter { shows: Some(0), ..HummingConverter::default() },
            HummingConverter { shows: Some((1 << 24) - 1), ..HummingConverter::default() },
        ] {
            let mut bench = bench;
            assert_eq!(sample(&mut bench, true), Sample::ConverterFault);
        }
    }

    #[test]
    fn a_converter_that_repeats_itself_is_a_fault_also_from_one_measurement_to_the_next() {
        let mut bench = HummingConverter { element: 0.25, hangs: true, ..HummingConverter::default() };
        assert_eq!(sample(&mut bench, false), Sample::ConverterFault);
        // So slow that a window has one round. It hangs in between.
        let mut latest = Latest::default();
        let numbers = [7, 8, u32::MAX, 0, 0, 1, 1 << 31, u32::MAX - 1];
        let taken = numbers.map(|number| latest.take(Conversion { code: 5, number }).is_some());
        assert_eq!(taken, [true, true, false, true, false, true, true, true]);
    }

    #[test]
    fn an_element_at_the_end_of_the_scale_is_as_large_as_can_be() {
        let mut bench = HummingConverter { element: 5.0, ..HummingConverter::default() };
        assert_eq!(fresh(&mut bench).element, Ratio::MAX);
    }

    proptest! {
        /// Half a step is the rounding. Sums of more than 33 bits lose a quarter more, and a part in 2^30.
        #[test]
        #[expect(clippy::cast_precision_loss, reason = "44 bits are fewer than 53")]
        fn a_ratio_is_that_of_its_codes_to_a_step(bits in 20..44_u32, part: u64, whole: u64) {
            let (part, whole) = (part >> (64 - bits), (whole >> (64 - bits)).max(1));
            let exact = (part as f64 / whole as f64 * f64::from(1_u32 << 30)).min(f64::from(u32::MAX));
            let got = f64::from(ratio(part, whole).map_or(0, Ratio::as_steps));
            let lost = if bits > 33 { 0.25 + exact / f64::from(1_u32 << 30) } else { 1e-5 };
            prop_assert!((got - exact).abs() <= 0.5 + lost, "{got} for {exact}");
        }

        #[test]
        fn a_code_of_up_to_thirty_bits_of_a_full_reference_is_exact(code: u32, bits in 10..=30_u32) {
            let code = code >> (30 - bits);
            prop_assert_eq!(ratio(code.into(), 1 << bits), Some(Ratio::from_code(code, bits)));
        }
    }
}

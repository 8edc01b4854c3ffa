//! One thermometer as it really is: what its converter measures at the temperature of its element.
//!
//! ```text
//! temperature ─ element's own error ─ noise ─ ohms ─ leads ─ offset ─ gain, reference ─ whole codes ─ ratio
//! ```
//!
//! The controller sees only the ratio. Its settings hold what it knows of leads and reference; this module holds what
//! they really are.

use crate::platinum::{Platinum, ohms};
use crate::si::kelvins;
use crate::site::{Converter, Mounting};
use crate::variation::Flaws;
use forewarm_core::quantity::Ratio;
use forewarm_core::rtd::{Leads, Measured};
use forewarm_core::settings::{Channel, Role};

/// A channel ready to be read.
#[derive(Clone, Debug)]
pub(crate) struct Probe {
    element: Platinum,
    /// The resistance of a check resistor, in place of the element (Ω).
    fixed_ohm: Option<f64>,
    /// The element's error at 0 °C, and its growth with the distance from 0 °C: `fixed + growing |t|` (K, 1).
    fixed_k: f64,
    growing: f64,
    noise_k: f64,
    leads: Wires,
    /// Resistance of both leads at 20 °C (Ω).
    loop_ohm_20c: f64,
    contacts_ohm: [f64; 2],
    /// The resistance that the contacts have gained, in the lead that no measurement takes away (Ω).
    growth_ohm: f64,
    mismatch: f64,
    offset_ohm: f64,
    /// Codes for an ohm.
    codes_per_ohm: f64,
    most_codes: u32,
    bits: u32,
    /// The most that a code is wide (K).
    code_k: f64,
    /// What the leads add to the element, and the measured resistance of one lead alone, at the present temperature
    /// (Ω).
    with_element_ohm: f64,
    alone: Ratio,
    seed: u64,
    damage: Damage,
}

/// What is broken about a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Damage {
    /// What stands in for the element.
    pub(super) element: Instead,
    /// In series with the element and its lead (Ω).
    pub(super) element_ohm: f64,
    /// What the lead that is measured alone seems to be.
    pub(super) lead: Instead,
    /// In series with that lead (Ω).
    pub(super) lead_ohm: f64,
    /// By how much everything is measured too large.
    pub(super) times: f64,
    /// How much too warm the element reads (K).
    pub(super) warm_k: f64,
    /// The standard deviation of its noise, if that is not the converter's (K).
    pub(super) noise_k: Option<f64>,
}

/// What stands in the place of a resistance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Instead {
    Itself,
    Nothing,
    Everything,
}

impl Damage {
    pub(super) const NONE: Self = Self {
        element: Instead::Itself,
        element_ohm: 0.0,
        lead: Instead::Itself,
        lead_ohm: 0.0,
        times: 1.0,
        warm_k: 0.0,
        noise_k: None,
    };
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wires {
    Two,
    Three,
    Four,
}

/// Standard uncertainties in the half-width that a calibration leaves. One draw in 400 goes beyond.
const CALIBRATION_WIDTH: f64 = 3.0;

/// Hotter than anything here. A platinum element is less steep where it is hotter.
const HOTTEST_C: f64 = 200.0;

impl Probe {
    pub(crate) fn new(channel: &Channel, mounting: &Mounting, converter: &Converter, flaws: &Flaws, seed: u64) -> Self {
        let (known_k, (fixed_k, growing)) = if let Some(standard) = mounting.calibrated_k {
            // The offset was found by comparison: it takes away an error that the element really has.
            (-kelvins(channel.offset), (CALIBRATION_WIDTH * standard, 0.0))
        } else {
            (0.0, mounting.class.terms_k())
        };
        let reference = ohms(channel.reference)
            * (1.0 + flaws.reference * converter.reference_tolerance + flaws.drift * converter.reference_drift);
        let full = f64::from(1_u32 << converter.bits);
        let codes_per_ohm = full * (1.0 + flaws.gain * converter.gain) / reference;
        let element = Platinum::of(&channel.element);
        let mut probe = Self {
            code_k: 1.0 / (codes_per_ohm * element.slope(HOTTEST_C)),
            element,
            fixed_ohm: match channel.role {
                Role::Check(check) => Some(ohms(check.nominal)),
                Role::Cell | Role::Pad | Role::Ambient => None,
            },
            fixed_k: known_k + flaws.element * fixed_k,
            growing: flaws.element * growing,
            noise_k: converter.noise_k,
            leads: match channel.leads {
                Leads::TwoWire { .. } => Wires::Two,
                Leads::ThreeWire { .. } => Wires::Three,
                Leads::FourWire => Wires::Four,
            },
            loop_ohm_20c: mounting.loop_ohm_20c,
            contacts_ohm: flaws.contacts.map(|part| part * converter.contact_ohm),
            growth_ohm: flaws.growth * converter.contact_growth_ohm,
            mismatch: flaws.mismatch * converter.lead_mismatch,
            offset_ohm: flaws.offset * converter.offset_ohm,
            codes_per_ohm,
            most_codes: (1 << converter.bits) - 1,
            bits: converter.bits,
            with_element_ohm: 0.0,
            alone: Ratio::ZERO,
            seed,
            damage: Damage::NONE,
        };
        probe.set_leads_at(20.0);
        probe
    }

    /// The same with a resistor in the place of its element (Ω).
    pub(crate) fn holding(&self, ohm: f64) -> Self {
        Self { fixed_ohm: Some(ohm), ..self.clone() }
    }

    /// The same with this damage.
    pub(super) fn damaged(&self, damage: Damage, leads_c: f64) -> Self {
        let noise_k = damage.noise_k.unwrap_or(self.noise_k);
        let mut probe = Self { noise_k, damage, ..self.clone() };
        probe.set_leads_at(leads_c);
        probe
    }

    /// Sets the temperature of the leads (°C).
    pub(crate) fn set_leads_at(&mut self, t_c: f64) {
        let whole = self.loop_ohm_20c * crate::conductor::copper_factor(t_c);
        let lead = whole / 2.0;
        (self.with_element_ohm, self.alone) = match self.leads {
            Wires::Two => {
                let contacts = self.contacts_ohm.iter().map(|ohm| ohm.abs()).sum::<f64>();
                (whole + contacts + self.growth_ohm, Ratio::ZERO)
            }
            Wires::Three => {
                let alone = match self.damage.lead {
                    Instead::Itself => self.ratio((lead + self.damage.lead_ohm) * self.damage.times),
                    Instead::Nothing => Ratio::ZERO,
                    Instead::Everything => self.full_scale(),
                };
                (lead * (1.0 + self.mismatch) + self.contacts_ohm[0] + self.growth_ohm, alone)
            }
            Wires::Four => (0.0, Ratio::ZERO),
        };
    }

    /// The converter's output with the element at `t` °C, in step number `step` of the season. The noise belongs to the
    /// step, however often it is read.
    #[inline]
    pub(crate) fn measure(&self, t: f64, step: u64) -> Measured {
        self.measure_with(t, self.noise_k * noise(self.seed, step))
    }

    /// The lowest and the highest that the converter can put out with the element from `low_c` to `high_c` °C and its
    /// noise between these two (K).
    pub(crate) fn extremes(&self, [low_c, high_c]: [f64; 2], [lowest_k, highest_k]: [f64; 2]) -> [Measured; 2] {
        [self.measure_with(low_c, lowest_k), self.measure_with(high_c, highest_k)]
    }

    /// The lowest and the highest noise in any step (K).
    pub(crate) fn noise_k(&self) -> [f64; 2] {
        [-NOISE_REACH * self.noise_k, NOISE_REACH * self.noise_k]
    }

    /// The same for the steps from one to another.
    pub(super) fn noise_between_k(&self, from: u64, to: u64) -> [f64; 2] {
        let noises = (from..=to).map(|step| noise(self.seed, step));
        let [low, high] =
            noises.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], noise| [low.min(noise), high.max(noise)]);
        [self.noise_k * low, self.noise_k * high]
    }

    /// How far two readings at one temperature can lie apart (K), with noise between these two (K).
    pub(super) fn jitter_k(&self, [lowest_k, highest_k]: [f64; 2]) -> f64 {
        highest_k - lowest_k + self.code_k
    }

    /// The most that the temperature moves in a step (K) where [`Probe::surely_moves`] holds.
    pub(super) fn slow_k(&self) -> f64 {
        self.code_k / 40.0
    }

    /// The last step after `from` and up to `to` whose output the noise alone makes differ from that of the step before,
    /// wherever the temperature is, if it moves by no more than [`Probe::slow_k`] in a step.
    pub(super) fn surely_moves(&self, from: u64, to: u64) -> Option<u64> {
        let needs = (self.code_k + self.slow_k()) / self.noise_k;
        let mut later = noise(self.seed, to);
        (from + 1..=to).rev().find(|step| {
            let here = noise(self.seed, step - 1);
            let by = std::mem::replace(&mut later, here) - here;
            by.abs() > needs
        })
    }

    /// Whether its temperature does not matter: a resistor, or an element that is open.
    pub(super) fn is_fixed(&self) -> bool {
        self.fixed_ohm.is_some() || self.damage.element != Instead::Itself
    }

    /// How many codes the noise reaches over. The last digit of a check resistor, in the middle of a code, need not move
    /// at all.
    pub(super) fn liveliness(&self) -> f64 {
        if self.is_fixed() { 0.0 } else { self.noise_k / self.code_k }
    }

    #[inline]
    fn measure_with(&self, t: f64, noise_k: f64) -> Measured {
        let Damage { element, element_ohm, times, warm_k, .. } = self.damage;
        let off_k = noise_k + warm_k;
        let ohms = match (element, self.fixed_ohm) {
            (Instead::Everything, _) => return Measured { element: self.full_scale(), lead: self.alone },
            (Instead::Nothing, _) => 0.0,
            (Instead::Itself, Some(ohms)) => ohms + off_k * self.element.slope(0.0),
            (Instead::Itself, None) => self.element.ohms(t + self.fixed_k + self.growing * t.abs() + off_k),
        };
        let element = self.ratio((ohms + self.with_element_ohm + element_ohm + self.offset_ohm) * times);
        Measured { element, lead: self.alone }
    }

    fn full_scale(&self) -> Ratio {
        Ratio::from_code(self.most_codes, self.bits)
    }

    #[inline]
    fn ratio(&self, ohms: f64) -> Ratio {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
        let code = (ohms * self.codes_per_ohm + 0.5) as u32;
        Ratio::from_code(code.min(self.most_codes), self.bits)
    }
}

/// [`noise`] never goes beyond this many standard deviations: four numbers at their ends.
pub(super) const NOISE_REACH: f64 = 3.47;

/// A nearly normal number of mean 0 and standard deviation 1, which depends only on `seed` and `step`.
#[inline]
fn noise(seed: u64, step: u64) -> f64 {
    // The mixing function of splitmix64 (Steele, Lea & Flood, OOPSLA 2014), then the sum of four 16-bit numbers from
    // its 64 bits. Each has the variance 2³²/12, and the sum has the mean 2 (2¹⁶ − 1).
    let mut z = (seed ^ step.wrapping_mul(0x9e37_79b9_7f4a_7c15)).wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^= z >> 31;
    let sum = (z & 0xffff) + (z >> 16 & 0xffff) + (z >> 32 & 0xffff) + (z >> 48);
    #[expect(clippy::cast_precision_loss, reason = "18 bits")]
    let centred = sum as f64 - 131_070.0;
    // √(4 · 2³²/12)
    centred / 37_837.23
}

#[cfg(test)]
mod tests {
    use super::*;
    use forewarm_core::quantity::Kelvins;

    #[test]
    fn an_offset_found_by_calibration_undoes_what_the_element_does() {
        use crate::rehearse::testing::scenario;
        use crate::rehearse::{Pace, play};
        use crate::variation::Variation;
        let mut scenario = scenario(20);
        let mut settings = scenario.settings.clone().into_inner();
        for channel in &mut settings.channels {
            channel.offset = Kelvins::from_millikelvins(4_000);
        }
        scenario.settings = settings.validate().unwrap();
        scenario.site.mountings.iter_mut().for_each(|mounting| mounting.calibrated_k = Some(0.03));
        let outcome =
            play(&scenario, &Variation::default(), Pace::Leaping, &mut (), &std::sync::atomic::AtomicBool::new(false));
        // Read 4 K too warm it would be 1 °C.
        assert!(outcome.coldest_true_c_while_permitted.unwrap() > 3.0, "{outcome:?}");
    }

    /// By the slope of the standard, 0.3908 Ω/K at 0 °C for 100 Ω: 1 Ω, half of the 2 Ω allowed, is 2.56 K.
    #[test]
    fn contacts_that_have_grown_read_warm_and_on_four_wires_not() {
        use crate::rehearse::testing::scenario;
        use forewarm_core::rtd::Element;
        let scenario = scenario(1);
        let converter = Converter { contact_growth_ohm: 2.0, noise_k: 0.0, bits: 24, ..scenario.site.converter };
        let reads_c = |leads: Leads, growth: f64| {
            let reference = forewarm_core::quantity::Ohms::from_milliohms(400_000);
            let channel = Channel { element: Element::pt100(), reference, leads, ..scenario.settings.channels[0] };
            let mounting = Mounting { loop_ohm_20c: 0.0, ..scenario.site.mountings[0] };
            let flaws = Flaws { growth, ..Flaws::default() };
            let Measured { element, lead } = Probe::new(&channel, &mounting, &converter, &flaws, 1).measure(0.0, 1);
            let ohm = ohms(element.less(lead).and_then(|ratio| ratio.of(reference)).expect("in range"));
            Platinum::of(&channel.element).celsius(ohm)
        };
        for leads in [
            Leads::TwoWire {
                loop_at_20c: forewarm_core::quantity::Ohms::ZERO,
                at: forewarm_core::quantity::Celsius::from_millidegrees(20_000),
            },
            Leads::THREE_WIRE,
        ] {
            let (new, grown) = (reads_c(leads, 0.0), reads_c(leads, 0.5));
            assert!((grown - new - 1.0 / 0.3908).abs() < 0.005, "{leads:?}: {new} {grown}");
        }
        assert!((reads_c(Leads::FourWire, 1.0) - reads_c(Leads::FourWire, 0.0)).abs() < 1e-9);
    }

    #[test]
    fn noise_has_mean_0_and_deviation_1_and_forgets_the_step_before() {
        let n = 1_000_000;
        let draws: Vec<f64> = (0..n).map(|step| noise(42, step)).collect();
        let mean = |values: &mut dyn Iterator<Item = f64>| values.sum::<f64>() / 1e6;
        // Five standard errors of a million draws.
        assert!(mean(&mut draws.iter().copied()).abs() < 5e-3);
        assert!((mean(&mut draws.iter().map(|x| x * x)) - 1.0).abs() < 7e-3);
        assert!(mean(&mut draws.windows(2).map(|pair| pair[0] * pair[1])).abs() < 5e-3);
    }
}

//! How wrong a cell channel can read at the temperatures that decide, and the consequence for the charge thresholds.
//!
//! The budget has the form of JCGM 100:2008: a model (clause 4.1), the standard uncertainty of each input (4.2, 4.3),
//! sensitivities (5.1.3), the combined uncertainty of independent inputs (5.1.2) and an expanded one (6.2). The model
//! is that of a channel,
//!
//! shown = T(((R(t + placement + self-heating + element) + leads) (1 + gain) + offset), as the converter resolves it,
//! less the leads it knows of) + `offset_k` + noise,
//!
//! with R and T the equation of the element and its inverse. Its derivatives at the threshold are 1/(dR/dt) for inputs
//! in ohms, R/(dR/dt) for inputs that are parts, and 1 for inputs in kelvins.
//!
//! `offset_k` has two meanings. With `calibrated_mk` the offset corrects a known error of the element, and the
//! uncertainty of that calibration remains. Without `calibrated_mk` the offset shifts the reading of an element that is
//! as good as its class, so it counts as a bias.
//!
//! **Warm is the dangerous direction**: a channel that reads warm permits charge too early. The controller does not
//! correct a known warm error, so that error stays as a bias and adds to the guard band in full. An unknown error has
//! no preferred direction and counts by its expanded uncertainty. An error that can only read warm, such as corroding
//! contacts, has a known direction: it counts like a bias, at its limit.

use super::limits;
use super::placement::Placement;
use crate::conductor;
use crate::figures::plain;
use crate::platinum::{Platinum, ohms};
use crate::si;
use crate::site::{Converter, MOST_AIR_SHARE, Mounting, SELF_HEATING_UNKNOWN, step_ohm};
use forewarm_core::rtd::Leads;
use forewarm_core::rtd::ROUNDING;
use forewarm_core::settings::Channel;
use serde::Serialize;

/// Coverage factor of the expanded uncertainty; for a normal distribution 95 %. Source: JCGM 100:2008, 6.3.3.
pub const COVERAGE: f64 = 2.0;

/// The contribution of the air that an element sees besides the thing it is fixed to.
pub(super) const AIR_SEEN: &str = "air seen by the thermometer";

/// First words of the contribution of contacts whose resistance grows in service.
pub(super) const GROWTH: &str = "contacts, growth";

/// Number of standard deviations that count as the limit of a normal contribution.
pub(super) const NORMAL_LIMIT: f64 = 3.0;

/// Self-heating (K) of an element of `r_ohm` when `current_a` flows `duty` of the time.
#[must_use]
pub fn self_heating_k(r_ohm: f64, current_a: f64, duty: f64, k_per_mw: f64) -> f64 {
    current_a * current_a * r_ohm * duty * 1000.0 * k_per_mw
}

/// How an input spreads about its estimate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    /// Anywhere between two limits, equally likely; JCGM 100:2008, 4.3.7. The spread is the half-width.
    Rectangular,
    /// Normal; the spread is one standard deviation.
    Normal,
}

impl Distribution {
    /// Standard uncertainty for a spread.
    #[must_use]
    pub fn standard(self, spread: f64) -> f64 {
        match self {
            Self::Rectangular => spread / 3_f64.sqrt(),
            Self::Normal => spread,
        }
    }

    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Rectangular => "rectangular",
            Self::Normal => "normal",
        }
    }
}

/// How a standard uncertainty was obtained; JCGM 100:2008, 4.2 and 4.3.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Evaluation {
    /// From repeated measurements.
    A,
    /// From anything else: a standard, a data sheet, a model.
    B,
}

/// The unit of an input.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Unit {
    /// Kelvins.
    K,
    /// Ohms.
    #[serde(rename = "ohm")]
    Ohm,
    /// Parts of what is measured.
    #[serde(rename = "1")]
    Part,
}

impl Unit {
    pub(super) const fn symbol(self) -> &'static str {
        match self {
            Self::K => "K",
            Self::Ohm => "Ω",
            Self::Part => "1",
        }
    }
}

/// The direction in which a contribution shifts a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Warmer than the truth: the dangerous direction.
    Warm,
    /// Colder than the truth.
    Cold,
    /// Either.
    Either,
}

impl Direction {
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Warm => "warm",
            Self::Cold => "cold",
            Self::Either => "either",
        }
    }
}

/// One contribution.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// Its name.
    pub contribution: String,
    /// How the input spreads.
    pub distribution: Distribution,
    /// How its uncertainty was obtained.
    pub evaluation: Evaluation,
    /// Half-width or standard deviation, in its unit.
    pub spread: f64,
    /// The unit of the spread.
    pub unit: Unit,
    /// Change of the reading for one unit of it (K per unit).
    pub sensitivity_k_per_unit: f64,
    /// Standard uncertainty that it contributes (K).
    pub u_k: f64,
    /// Known upward shift of the reading (K); its limit, if it can shift the reading one way only.
    pub bias_k: f64,
    /// Known direction of that shift.
    pub reads: Direction,
}

impl Line {
    /// A rectangular contribution of known half-width, without a bias.
    #[must_use]
    pub fn rectangular(contribution: impl Into<String>, half_width: f64, (unit, sensitivity): (Unit, f64)) -> Self {
        Self::new(contribution.into(), Distribution::Rectangular, Evaluation::B, half_width, (unit, sensitivity))
    }

    /// A normal contribution of known standard deviation (K), without a bias.
    #[must_use]
    pub fn normal(contribution: impl Into<String>, deviation_k: f64, evaluation: Evaluation) -> Self {
        Self::new(contribution.into(), Distribution::Normal, evaluation, deviation_k, (Unit::K, 1.0))
    }

    fn new(
        contribution: String,
        distribution: Distribution,
        evaluation: Evaluation,
        spread: f64,
        (unit, sensitivity_k_per_unit): (Unit, f64),
    ) -> Self {
        Self {
            contribution,
            distribution,
            evaluation,
            spread,
            unit,
            sensitivity_k_per_unit,
            u_k: distribution.standard(spread) * sensitivity_k_per_unit.abs(),
            bias_k: 0.0,
            reads: Direction::Either,
        }
    }

    /// The same contribution with a known upward shift of `bias_k`.
    #[must_use]
    pub fn biased(self, bias_k: f64) -> Self {
        let reads = if bias_k > 0.0 {
            Direction::Warm
        } else if bias_k < 0.0 {
            Direction::Cold
        } else {
            Direction::Either
        };
        Self { bias_k, reads, ..self }
    }

    /// How far it reaches (K); a normal contribution reaches `normal_limit` standard deviations.
    fn reach_k(&self, normal_limit: f64) -> f64 {
        let spread = match self.distribution {
            Distribution::Rectangular => self.spread,
            Distribution::Normal => self.spread * normal_limit,
        };
        spread * self.sensitivity_k_per_unit.abs()
    }
}

/// Every contribution to the error of one channel at one temperature, and their sums.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Budget {
    /// The reading that the budget is for (°C).
    pub reading_c: f64,
    /// The contributions.
    pub lines: Vec<Line>,
    /// Combined standard uncertainty (K).
    pub combined_k: f64,
    /// Expanded uncertainty, coverage factor 2 (K).
    pub expanded_k: f64,
    /// Sum of the known upward shifts, and of the limits of contributions that can shift the reading one way only (K).
    pub bias_k: f64,
    /// The most that the channel can read warm if everything is at its limit at once (K). A contribution without a
    /// limit counts with three standard deviations. For a channel, no corner of all its errors is warmer;
    /// `no_corner_of_all_errors_reads_warmer_than_every_error_at_its_limit` holds that. If only the lines are known,
    /// this is their sum.
    pub worst_warm_k: f64,
    /// How far above the hard limit a threshold must lie for this channel: bias and expanded uncertainty (K).
    ///
    /// # Source
    /// JCGM 106:2012, guarded acceptance with w = U. A bias that reads cold is not credited beyond other biases.
    pub guard_band_k: f64,
}

impl Budget {
    /// The budget of these contributions at a reading of `reading_c` °C.
    #[must_use]
    pub fn of(reading_c: f64, lines: Vec<Line>) -> Self {
        let combined_k = lines.iter().map(|line| line.u_k * line.u_k).sum::<f64>().sqrt();
        let bias_k: f64 = lines.iter().map(|line| line.bias_k).sum();
        let expanded_k = COVERAGE * combined_k;
        let mut budget = Self {
            reading_c,
            lines,
            combined_k,
            expanded_k,
            bias_k,
            worst_warm_k: 0.0,
            guard_band_k: bias_k.max(0.0) + expanded_k,
        };
        budget.worst_warm_k = bias_k.max(0.0) + budget.linear_sum_k(NORMAL_LIMIT);
        budget
    }

    /// Sum of all half-widths (K). A contribution that has none counts with `normal_limit` standard deviations. Biases
    /// are not included.
    #[must_use]
    pub fn linear_sum_k(&self, normal_limit: f64) -> f64 {
        self.lines.iter().map(|line| line.reach_k(normal_limit)).sum()
    }

    /// The contribution with the largest share of the guard band.
    #[must_use]
    pub fn largest(&self) -> Option<&Line> {
        let weight = |line: &Line| line.bias_k.max(0.0) + COVERAGE * line.u_k;
        self.lines.iter().max_by(|a, b| weight(a).total_cmp(&weight(b)))
    }
}

/// A channel from the element to the value that the controller shows.
#[derive(Clone, Copy, Debug)]
pub struct Chain<'s> {
    /// The controller's settings for it.
    pub channel: &'s Channel,
    /// Its mounting and cable.
    pub mounting: &'s Mounting,
    /// The converter that measures it.
    pub converter: &'s Converter,
    /// Coldest and warmest temperature of its leads (°C).
    pub leads_c: (f64, f64),
    /// Half-width of the share of air that the element sees, as a part of that share.
    pub air_share_spread: f64,
}

impl Chain<'_> {
    /// Resistance that two wires leave in the reading after the settings' compensation (Ω): the value in the middle of
    /// the lead temperatures, and half the change between their ends. Zero for three and four wires.
    #[must_use]
    pub fn uncompensated_ohm(&self) -> (f64, f64) {
        if !matches!(self.channel.leads, Leads::TwoWire { .. }) {
            return (0.0, 0.0);
        }
        let known = ohms(self.channel.leads.known());
        let at = |t_c: f64| self.loop_ohm(t_c) - known;
        let (cold, warm) = (at(self.leads_c.0), at(self.leads_c.1));
        (f64::midpoint(cold, warm), (warm - cold).abs() / 2.0)
    }

    /// The most that grown contacts leave in the reading (Ω). Three wires leave all of it too. The tap measures the
    /// contacts of its own lead, so its band finds only errors that read cold. Nothing compensates the contacts of the
    /// lead in series with the element.
    pub(super) fn growth_ohm(&self) -> f64 {
        match self.channel.leads {
            Leads::TwoWire { .. } | Leads::ThreeWire { .. } => self.converter.contact_growth_ohm,
            Leads::FourWire => 0.0,
        }
    }

    pub(super) fn loop_ohm(&self, t_c: f64) -> f64 {
        self.mounting.loop_ohm_20c * conductor::copper_factor(t_c)
    }

    /// The budget of this channel at a reading of `reading_c` °C, where its place differs from the coldest cell layer
    /// by `placement`.
    #[must_use]
    pub fn budget(&self, reading_c: f64, placement: &Placement) -> Budget {
        let Self { channel, mounting, converter, .. } = *self;
        let platinum = Platinum::of(&channel.element);
        let (r, slope) = (platinum.ohms(reading_c), platinum.slope(reading_c));
        let (uncompensated, spread) = self.uncompensated_ohm();
        let growth = self.growth_ohm();
        let at_terminals = match channel.leads {
            Leads::TwoWire { .. } => r + self.loop_ohm(20.0) + growth,
            Leads::ThreeWire { .. } | Leads::FourWire => r + growth,
        };
        let kelvins = (Unit::K, 1.0);
        let in_ohms = (Unit::Ohm, 1.0 / slope);
        let in_parts = (Unit::Part, at_terminals / slope);

        let mut lines = vec![match mounting.calibrated_k {
            Some(deviation) => Line::normal("element, calibrated and trimmed by offset_k", deviation, Evaluation::B),
            None => Line::rectangular(
                format!("element, class {}", mounting.class.name()),
                mounting.class.tolerance_k(reading_c),
                kelvins,
            ),
        }];
        match channel.leads {
            Leads::TwoWire { .. } => {
                lines.push(
                    Line::rectangular("two leads, not compensated", spread, in_ohms).biased(platinum.reads_above_k(
                        reading_c,
                        0.0,
                        uncompensated,
                    )),
                );
                // Two contacts in series, each between nothing and the stated resistance.
                for contact in ["contact, first lead", "contact, second lead"] {
                    let half = converter.contact_ohm / 2.0;
                    let bias = platinum.reads_above_k(reading_c, 0.0, half);
                    lines.push(Line::rectangular(contact, half, in_ohms).biased(bias));
                }
            }
            Leads::ThreeWire { .. } => {
                let lead = self.loop_ohm(self.leads_c.1) / 2.0;
                lines.push(Line::rectangular("leads, mismatch", converter.lead_mismatch * lead, in_ohms));
                lines.push(Line::rectangular("contact in one lead", converter.contact_ohm, in_ohms));
            }
            Leads::FourWire => {}
        }
        if growth > 0.0 {
            let bias = platinum.reads_above_k(reading_c, 0.0, growth);
            let contribution = format!("{GROWTH} of up to {} Ω in service", plain(growth));
            lines.push(Line::rectangular(contribution, 0.0, in_ohms).biased(bias));
        }
        let step = step_ohm(ohms(channel.reference), converter.bits);
        lines.push(Line::rectangular("converter, resolution", step / 2.0, in_ohms));
        if matches!(channel.leads, Leads::ThreeWire { .. }) {
            lines.push(Line::rectangular("converter, resolution of the lead", step / 2.0, in_ohms));
        }
        lines.push(Line::rectangular("converter, offset", converter.offset_ohm, in_ohms));
        lines.push(Line::rectangular("converter, gain", converter.gain, in_parts));
        lines.push(Line::rectangular("reference resistor, tolerance", converter.reference_tolerance, in_parts));
        lines.push(Line::rectangular("reference resistor, drift", converter.reference_drift, in_parts));
        lines.push(Line::normal("converter, noise of one reading", converter.noise_k, Evaluation::A));
        let heating = self_heating_k(r, converter.current_a, converter.duty, mounting.self_heating_k_per_mw);
        lines.push(Line::rectangular("self-heating", heating * SELF_HEATING_UNKNOWN, kelvins).biased(heating));
        lines.push(Line::rectangular("placement, above the coldest place", 0.0, kelvins).biased(placement.warm_bias_k));
        for cause in &placement.causes {
            // A smaller cause than a millikelvin deserves no line.
            if cause.half_width_k >= 1e-3 {
                lines.push(Line::rectangular(format!("placement, {}", cause.of), cause.half_width_k, kelvins));
            }
        }
        // The air is warmer than the cells only at times. It earns no credit for the times when it is colder.
        if let Some((warm_k, more_k)) = self.air_seen_k(placement) {
            lines.push(Line::rectangular(AIR_SEEN, more_k, kelvins).biased(warm_k));
        }
        let shift = si::kelvins(channel.offset);
        // A trim is part of the calibration with the stated uncertainty. Any other offset shifts the reading, intended
        // or not.
        if shift != 0.0 && mounting.calibrated_k.is_none() {
            lines.push(Line::rectangular("offset_k of the settings", 0.0, kelvins).biased(shift));
        }
        let rounding = si::kelvins(ROUNDING);
        lines.push(Line::rectangular("rounding in the controller", rounding, kelvins));
        let mut budget = Budget::of(reading_c, lines);
        budget.worst_warm_k = budget.worst_warm_k.max(limits::warmest_k(self, placement, reading_c));
        budget
    }

    /// How much warmer the air around the element makes it, and the half-width of that (K); `None` if the element sees
    /// no air.
    pub(super) fn air_seen_k(&self, placement: &Placement) -> Option<(f64, f64)> {
        let share = self.mounting.air_beside().filter(|share| *share > 0.0)?;
        let more = (share * self.air_share_spread).min(MOST_AIR_SHARE - share).max(0.0);
        let air_k = placement.air_above_k.max(0.0);
        Some((share * air_k, more * air_k))
    }
}

#[cfg(test)]
mod tests {
    use super::super::placement::Cause;
    use super::super::testing::{settings, site};
    use super::*;
    use crate::class::Class;
    use crate::portable::squared;
    use crate::site::Spot;
    use forewarm_core::quantity::{Celsius, Kelvins, Ohms, Ratio};
    use forewarm_core::rtd::{Element, Thermometer};
    use proptest::prelude::*;
    use rand::{Rng, RngExt, SeedableRng};
    use rand_pcg::Pcg64;

    fn chain<'s>(channel: &'s Channel, mounting: &'s Mounting, converter: &'s Converter) -> Chain<'s> {
        Chain { channel, mounting, converter, leads_c: (-20.0, 40.0), air_share_spread: 0.0 }
    }

    fn wired(leads: Leads, element: Element) -> Channel {
        let reference = Ohms::from_micro_ohms(4 * element.r0().as_micro_ohms());
        Channel { leads, element, reference, ..settings().channels[0] }
    }

    /// The settings compensate half of what two metres of cable more than are there would have.
    fn two_wires() -> Leads {
        Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(100), at: Celsius::from_millidegrees(20_000) }
    }

    /// What the core makes of one channel whose every input is drawn from its distribution, less the temperature of the coldest
    /// layer: no step of it is linear, and none of it is taken from the budget.
    fn drawn_error_k(chain: &Chain, coldest_c: f64, placement: &Placement, random: &mut impl Rng) -> f64 {
        let Chain { channel, mounting, converter, leads_c, .. } = *chain;
        let mut rectangular = |half: f64| half * (2.0 * random.random::<f64>() - 1.0);
        let platinum = Platinum::of(&channel.element);
        let near = coldest_c
            + placement.warm_bias_k
            + mounting.air_share * placement.air_above_k
            + placement.causes.iter().map(|cause| rectangular(cause.half_width_k)).sum::<f64>();
        let heating = squared(converter.current_a)
            * platinum.ohms(near)
            * converter.duty
            * 1000.0
            * mounting.self_heating_k_per_mw;
        let element_c = near + heating * (1.0 + rectangular(0.5)) + rectangular(mounting.class.tolerance_k(near));
        let element_ohm = platinum.ohms(element_c);
        let lead_c = f64::midpoint(leads_c.0, leads_c.1) + rectangular((leads_c.1 - leads_c.0) / 2.0);
        let lead = mounting.loop_ohm_20c / 2.0 * conductor::copper_factor(lead_c);
        let gain = (1.0 + rectangular(converter.gain))
            * (1.0 + rectangular(converter.reference_tolerance))
            * (1.0 + rectangular(converter.reference_drift));
        let mut contact = || converter.contact_ohm / 2.0 * (1.0 + rectangular(1.0));
        // One way only, so the budget has it at its limit.
        let growth = converter.contact_growth_ohm;
        let (in_series, alone) = match channel.leads {
            Leads::TwoWire { .. } => (2.0 * lead + contact() + contact() + growth, 0.0),
            // The third lead carries the contact or lacks it.
            Leads::ThreeWire { .. } => {
                let difference = 2.0 * (contact() - converter.contact_ohm / 2.0);
                (lead + difference + growth, lead * (1.0 + rectangular(converter.lead_mismatch)))
            }
            Leads::FourWire => (0.0, 0.0),
        };
        let code = |ohm: f64| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below 2^24")]
            let code = (ohm / ohms(channel.reference) * f64::from(1_u32 << converter.bits)).round() as u32;
            Ratio::from_code(code, converter.bits)
        };
        let offset = rectangular(converter.offset_ohm);
        let element = code((element_ohm + in_series) * gain + offset);
        let lead = if alone > 0.0 { code(alone * gain) } else { Ratio::ZERO };
        let measured = element.less(lead).and_then(|ratio| ratio.of(channel.reference)).expect("in range");
        let measured = measured.less(channel.leads.known()).expect("more than the leads");
        let shown = Thermometer::new(channel.element).celsius(measured).expect("in range").raised(channel.offset);
        let normal: f64 = (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
        si::celsius(shown) + normal * converter.noise_k - coldest_c
    }

    /// JCGM 101:2008: the distribution of what is shown is propagated by drawing, and compared with the sum of variances. The
    /// limits are those of the draws: with 20 000 of them the ends of the 95 % interval are good to about 2 % of it. The interval
    /// may be narrower than U, which covers more than 95 % where rectangular inputs dominate, and not by more than an eighth:
    /// for a single rectangular input it is 0.95 a against 1.15 a.
    #[test]
    fn what_is_shown_lies_within_the_expanded_uncertainty_19_times_in_20() {
        let mut site = site();
        site.converter.contact_growth_ohm = 0.5;
        let cause = Cause { of: "conductivity", half_width_k: 0.5 };
        let placements = [Placement::default(), Placement { warm_bias_k: 1.5, air_above_k: 2.0, causes: vec![cause] }];
        let mut seed = 101_2008;
        for element in [Element::pt100(), Element::pt1000()] {
            for leads in [two_wires(), Leads::THREE_WIRE, Leads::FourWire] {
                for placement in &placements {
                    for class in [Class::AA, Class::C] {
                        seed += 1;
                        let channel = wired(leads, element);
                        let mounting = Mounting { class, loop_ohm_20c: 0.62, ..site.mountings[0] };
                        let chain = chain(&channel, &mounting, &site.converter);
                        let coldest_c = 5.0;
                        let budget = chain.budget(coldest_c, placement);
                        let mut random = Pcg64::seed_from_u64(seed);
                        let mut errors: Vec<f64> =
                            (0..20_000).map(|_| drawn_error_k(&chain, coldest_c, placement, &mut random)).collect();
                        errors.sort_by(f64::total_cmp);
                        let (low, high) = (errors[500], errors[19_500]);
                        let case = format!("{leads:?} {class:?} {placement:?}: {low} to {high}, {budget:?}");
                        let slack = 0.03 * budget.expanded_k;
                        assert!(high <= budget.bias_k + budget.expanded_k + slack, "{case}");
                        assert!(low >= budget.bias_k - budget.expanded_k - slack, "{case}");
                        assert!(high - low >= 2.0 * budget.expanded_k * (0.95 / 1.1547 - 0.03), "{case}");
                        let mean = errors.iter().sum::<f64>() / 20_000.0;
                        // Four standard deviations of a mean of so many, and 1 mK and 1 % of the bias for what is not linear.
                        let close = 4.0 * budget.combined_k / 20_000_f64.sqrt() + 0.001 + 0.01 * budget.bias_k.abs();
                        assert!((mean - budget.bias_k).abs() <= close, "{mean}: {case}");
                        assert!(errors[19_999] <= budget.worst_warm_k, "{case}");
                    }
                }
            }
        }
    }

    #[test]
    fn uncompensated_leads_read_warm_and_compensated_ones_do_not() {
        let site = site();
        let none = Leads::TwoWire { loop_at_20c: Ohms::ZERO, at: Celsius::from_millidegrees(20_000) };
        let bare = wired(none, Element::pt100());
        let line = |channel: &Channel| {
            let budget = chain(channel, &site.mountings[0], &site.converter).budget(5.0, &Placement::default());
            budget.lines.iter().find(|line| line.contribution == "two leads, not compensated").cloned().unwrap()
        };
        let found = line(&bare);
        // 2 × 3 m × 39 Ω/km at 10 °C over 0.39025 Ω/K.
        assert!((found.bias_k - 0.576).abs() < 0.001, "{found:?}");
        assert_eq!(found.reads, Direction::Warm);
        let known = Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(234), at: Celsius::from_millidegrees(40_000) };
        let found = line(&wired(known, Element::pt100()));
        assert_eq!(found.reads, Direction::Cold);
        // At the warm end nothing is left.
        assert!((found.bias_k + found.spread * found.sensitivity_k_per_unit).abs() < 1e-3, "{found:?}");
    }

    /// IEC 60751 has 0.3908 Ω/K at 0 °C for 100 Ω, so 2 Ω are 5.118 K. The curve bends by B/A = 1.5e-4 of each kelvin (the same
    /// standard): 4 mK over so far.
    #[test]
    fn what_contacts_gain_in_service_reads_warm_in_full_on_two_wires_and_three_and_not_on_four() {
        let site = site();
        let of = |leads: Leads, element: Element, growth_ohm: f64| {
            let converter = Converter { contact_growth_ohm: growth_ohm, ..site.converter };
            chain(&wired(leads, element), &site.mountings[0], &converter).budget(0.0, &Placement::default())
        };
        for (element, by_hand_k) in [(Element::pt100(), 2.0 / 0.3908), (Element::pt1000(), 0.2 / 0.3908)] {
            // A tap with a band sees its own lead alone, and the growth is in another.
            let narrow = Leads::ThreeWire { least: Ohms::from_milliohms(100), most: Ohms::from_milliohms(150) };
            for leads in [two_wires(), Leads::THREE_WIRE, narrow] {
                let (new, grown) = (of(leads, element, 0.0), of(leads, element, 2.0));
                let line = grown.lines.iter().find(|line| line.contribution.starts_with(GROWTH)).expect("a line of it");
                assert!((line.bias_k - by_hand_k).abs() < 0.005, "{leads:?} {line:?}");
                assert_eq!((line.reads, line.u_k), (Direction::Warm, 0.0), "one way only, and in full");
                for (before, after) in [(new.guard_band_k, grown.guard_band_k), (new.worst_warm_k, grown.worst_warm_k)]
                {
                    // Gain and reference make a hundredth more of 2 Ω more.
                    assert!((by_hand_k - 0.005..by_hand_k + 0.05).contains(&(after - before)), "{leads:?} {after}");
                }
                assert!(new.lines.iter().all(|line| !line.contribution.starts_with(GROWTH)), "a line about nothing");
            }
            assert_eq!(of(Leads::FourWire, element, 0.0), of(Leads::FourWire, element, 2.0));
        }
    }

    #[test]
    fn a_stated_calibration_takes_the_place_of_the_class_and_makes_an_offset_a_trim() {
        let site = site();
        let channel = Channel { offset: Kelvins::from_millikelvins(400), ..wired(Leads::FourWire, Element::pt100()) };
        let plain = chain(&channel, &site.mountings[0], &site.converter).budget(5.0, &Placement::default());
        let mounting = Mounting { calibrated_k: Some(0.02), ..site.mountings[0] };
        let calibrated = chain(&channel, &mounting, &site.converter).budget(5.0, &Placement::default());
        assert!((plain.bias_k - calibrated.bias_k - 0.4).abs() < 1e-4);
        assert!(calibrated.combined_k < plain.combined_k);
    }

    #[test]
    fn air_counts_by_its_share_where_it_is_warmer_and_not_at_all_where_it_is_colder() {
        let site = site();
        let channel = wired(Leads::FourWire, Element::pt100());
        let bias_k = |air_share: f64, air_above_k: f64| {
            let mounting = Mounting { air_share, ..site.mountings[0] };
            let placement = Placement { air_above_k, ..Placement::default() };
            chain(&channel, &mounting, &site.converter).budget(5.0, &placement).bias_k
        };
        let apart = bias_k(0.0, 8.0);
        assert!((bias_k(0.1, 8.0) - apart - 0.8).abs() < 1e-9);
        assert!((bias_k(0.1, -8.0) - apart).abs() < 1e-9, "colder air is credited");
        let hanging = Mounting { at: Spot::Air, air_share: 0.1, ..site.mountings[0] };
        let placement = Placement { air_above_k: 8.0, ..Placement::default() };
        let budget = chain(&channel, &hanging, &site.converter).budget(5.0, &placement);
        assert!(budget.lines.iter().all(|line| line.contribution != AIR_SEEN), "the air is its place already");
    }

    proptest! {
        #[test]
        fn no_error_more_makes_the_guard_band_smaller(
            which in 0..12_usize, more in 1.0..10.0_f64, two in any::<bool>(), warm in -1.0..3.0_f64,
        ) {
            let site = site();
            let channel = wired(if two { two_wires() } else { Leads::THREE_WIRE }, Element::pt100());
            let (mut mounting, mut converter) = (site.mountings[0], site.converter);
            converter.contact_growth_ohm = 0.3;
            let cause = Cause { of: "conductivity", half_width_k: 0.1 };
            let mut placement = Placement { warm_bias_k: warm, air_above_k: 2.0, causes: vec![cause] };
            let before = chain(&channel, &mounting, &converter).budget(5.0, &placement);
            match which {
                0 => mounting.loop_ohm_20c *= more,
                1 => mounting.self_heating_k_per_mw *= more,
                2 => converter.bits -= 2,
                3 => converter.offset_ohm *= more,
                4 => converter.gain *= more,
                5 => converter.reference_tolerance *= more,
                6 => converter.noise_k *= more,
                7 => converter.contact_ohm *= more,
                8 => mounting.air_share *= more,
                9 => placement.air_above_k *= more,
                10 => converter.contact_growth_ohm *= more,
                _ => placement.causes[0].half_width_k *= more,
            }
            let after = chain(&channel, &mounting, &converter).budget(5.0, &placement);
            prop_assert!(after.guard_band_k >= before.guard_band_k - 1e-12);
            prop_assert!(after.worst_warm_k >= before.worst_warm_k - 1e-12);
            prop_assert!(after.worst_warm_k >= after.bias_k && after.guard_band_k >= after.expanded_k);
        }
    }
}

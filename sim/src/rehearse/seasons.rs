//! Seasons in which something breaks down: the controller and the guard against the true temperatures of the plant.
//!
//! Here a converter or a source is wrong for weeks, and every channel agrees with every other. Each season must end
//! without harm, or with no more than stated. If a setting can take away what prevents the harm, the season is played
//! again without it. This shows that the season can do harm.
//!
//! | breaks down | found by | without that |
//! |---|---|---|
//! | the converter stops, or says so | its age, its own word | |
//! | the converter repeats its codes | `trust.still_after_min` | charges in any frost, heats for a day |
//! | the reference drifts, the common return gets resistance | a check resistor | reads too warm or too cold by as much |
//! | a source's line is stuck, and it gives nothing | `[bank]` `fall_v` and `fall_pct` | the heater empties the bank |
//!
//! A source that does not obey the ceiling has its season in `tests`.

use super::testing::scenario;
use super::{Glimpse, Outcome, Pace, Reasons, Scenario, Watcher, play};
use crate::bank::Flow;
use crate::offer::Offer;
use crate::plan::{Plan, Subject};
use crate::portable::squared;
use crate::si::{self, written_c};
use crate::variation::Variation;
use forewarm_core::fault::Faults;
use forewarm_core::quantity::{Fraction, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::{BankUse, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, Settings};
use forewarm_core::signals::{Outputs, Relay, Sample, Sources};
use std::collections::BTreeMap;
use std::sync::atomic::AtomicBool;

/// What happens between the elements and the controller, from some moment on.
#[derive(Clone, Copy, Debug)]
enum Breakdown {
    /// No conversion completes.
    Stops,
    /// Conversions have the number of the one before. A board takes that for a fault of the converter.
    SaysSo,
    /// New conversions have the codes of the one before.
    Repeats,
    /// Every measurement is too large by a part that grows each day, up to a maximum; too small if the part is
    /// negative.
    Drifts { per_day: f64, most: f64 },
    /// The return that all channels share has a resistance that grows each day, up to a maximum.
    Return { ohm_per_day: f64, most_ohm: f64 },
}

/// A breakdown, and the condition for its start.
#[derive(Clone, Copy)]
struct Story {
    breakdown: Breakdown,
    begins: fn(&Glimpse<'_>) -> bool,
    /// The fault that names it.
    named: &'static str,
}

/// The sources for charge are present, and the coldest cell is about as cold as a charge permit allows.
fn barely_charging(glimpse: &Glimpse<'_>) -> bool {
    let coldest = glimpse.readings[..2].iter().flatten().min().map_or(0, |t| t.as_millidegrees());
    glimpse.outputs.charge == Relay::Closed && (1..7_500).contains(&coldest)
}

/// The cells are warm and charged: the season has not turned yet.
fn charging_in_autumn(glimpse: &Glimpse<'_>) -> bool {
    glimpse.at_s >= 86_400.0 && glimpse.outputs.charge == Relay::Closed && glimpse.outputs.heater == Relay::Open
}

/// The plate has got warm, so that the heater has proved itself.
fn heating(glimpse: &Glimpse<'_>) -> bool {
    glimpse.outputs.heater == Relay::Closed && glimpse.plate_c > glimpse.coldest_c + 9.0
}

/// Length of a season (days).
const DAYS: u32 = 16;

/// Autumn turns to winter in two thirds of the season: from 16 °C down to −20 °C. Each day has sixteen hours of mains.
/// In the other eight hours, loads take out of the bank what mains can put in.
fn winter() -> Scenario {
    let mut scenario = scenario(DAYS);
    for point in &mut scenario.weather.points {
        #[expect(clippy::cast_precision_loss, reason = "seconds of a season")]
        let part = (point.at_s as f64) / (scenario.span_s as f64);
        point.outside_c = (16.0 - 54.0 * part).max(-20.0);
    }
    scenario.site.winter.start_c = Some(16.0);
    let mut settings = scenario.settings.clone().into_inner();
    // One battery only: with one, none can be missing.
    settings.charge.batteries = 1;
    scenario.settings = settings.validate().unwrap();
    let offer = |at_s, is_present| {
        let sources = if is_present { Sources::NONE.with(1) } else { Sources::NONE };
        let (mains_w, load_w) = if is_present { (600.0, 6.0) } else { (0.0, 100.0) };
        Offer { at_s, sources, power_w: [0.0, mains_w, 0.0, 0.0], load_w }
    };
    let day = |day: u32| [offer(i64::from(day) * 86_400, true), offer(i64::from(day) * 86_400 + 16 * 3600, false)];
    scenario.offers = (0..DAYS).flat_map(day).collect();
    scenario
}

/// What was true, while the story went on.
struct Truth<'a> {
    story: &'a Story,
    reference_ohm: [f64; MAX_CHANNELS],
    began_s: Option<f64>,
    /// What the converter repeats.
    repeated: Option<[Sample; MAX_CHANNELS]>,
    /// The coldest place, as of the last look.
    coldest_c: f64,
    /// How much colder than the controller's reading that place may be (K).
    colder_k: f64,
    warmest_c: f64,
    /// The charge current above the ceiling at the true temperature, with that error (A).
    most_above_a: f64,
    /// Time for which an output was on although the fault that names the breakdown stood.
    in_spite_s: f64,
    /// When each fault was first seen (s).
    faults: BTreeMap<&'static str, f64>,
}

impl<'a> Truth<'a> {
    fn new(story: &'a Story, scenario: &Scenario, colder_k: f64) -> Self {
        let mut reference_ohm = [f64::NAN; MAX_CHANNELS];
        for (ohm, channel) in reference_ohm.iter_mut().zip(&scenario.settings.channels) {
            *ohm = crate::platinum::ohms(channel.reference);
        }
        Self {
            story,
            reference_ohm,
            began_s: None,
            repeated: None,
            coldest_c: f64::NAN,
            colder_k,
            warmest_c: f64::NEG_INFINITY,
            most_above_a: f64::NEG_INFINITY,
            in_spite_s: 0.0,
            faults: BTreeMap::new(),
        }
    }
}

/// The charge current that the starter's 200 Ah may take (A): a tenth of it at 5 °C, three at 10 °C, a half at 15 °C,
/// straight in between.
fn ceiling_a(t_c: f64) -> f64 {
    (20.0 + 8.0 * (t_c - 5.0)).clamp(20.0, 100.0)
}

fn names(faults: &Faults) -> Vec<&'static str> {
    let channels = faults.channels.iter().flatten().map(|fault| fault.facts().name);
    channels.chain(faults.system.iter().map(|fault| fault.facts().name)).collect()
}

impl Watcher for Truth<'_> {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        if self.began_s.is_none() && (self.story.begins)(glimpse) {
            self.began_s = Some(glimpse.at_s);
        }
        self.coldest_c = glimpse.coldest_c;
        self.warmest_c = self.warmest_c.max(glimpse.warmest_c);
        for name in names(&glimpse.outputs.faults) {
            self.faults.entry(name).or_insert(glimpse.at_s);
        }
    }

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, _: &Offer, flow: &Flow) {
        let span_s = to_s - from_s;
        if flow.charge_a > 0.0 {
            self.most_above_a = self.most_above_a.max(flow.charge_a - ceiling_a(self.coldest_c + self.colder_k));
        }
        let (charging, heating) = (outputs.charge == Relay::Closed, outputs.heater == Relay::Closed);
        if (charging || heating) && names(&outputs.faults).contains(&self.story.named) {
            self.in_spite_s += span_s;
        }
    }

    fn meddles(&self) -> bool {
        self.began_s.is_some()
    }

    fn shown(&mut self, at_s: f64, samples: &mut [Sample; MAX_CHANNELS]) {
        let Some(days) = self.began_s.map(|began_s| (at_s - began_s).max(0.0) / 86_400.0) else { return };
        match self.story.breakdown {
            Breakdown::Stops => *samples = [Sample::None; MAX_CHANNELS],
            Breakdown::SaysSo => *samples = [Sample::ConverterFault; MAX_CHANNELS],
            Breakdown::Repeats => *samples = *self.repeated.get_or_insert(*samples),
            Breakdown::Drifts { per_day, most } => {
                let part = 1.0 + (per_day * days).clamp(-most, most);
                for sample in samples {
                    change(sample, |ratio| ratio * part, |ratio| ratio * part);
                }
            }
            Breakdown::Return { ohm_per_day, most_ohm } => {
                let ohm = (ohm_per_day * days).min(most_ohm);
                for (sample, reference_ohm) in samples.iter_mut().zip(self.reference_ohm) {
                    // On four wires a lead alone is not measured.
                    change(sample, |ratio| ratio + ohm / reference_ohm, |ratio| ratio);
                }
            }
        }
    }
}

fn change(sample: &mut Sample, element: impl Fn(f64) -> f64, lead: impl Fn(f64) -> f64) {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
    let changed = |ratio: Ratio, by: &dyn Fn(f64) -> f64| {
        Ratio::from_steps((libm::ldexp(by(libm::ldexp(f64::from(ratio.as_steps()), -30)), 30)) as u32)
    };
    if let Sample::Fresh(measured) = sample {
        *measured = Measured { element: changed(measured.element, &element), lead: changed(measured.lead, &lead) };
    }
}

/// The resistance of a Pt100 (Ω) at `t` °C. Source: IEC 60751:2022, interpolating equations and their nominal
/// coefficients.
fn pt100_ohm(t: f64) -> f64 {
    let cubic = if t < 0.0 { -4.183e-12 * (t - 100.0) * t * t * t } else { 0.0 };
    100.0 * (1.0 + 3.9083e-3 * t - 5.775e-7 * t * t + cubic)
}

/// How far the true temperature is below `reads_c` (K), if a Pt100 reads that and is measured so many times as large
/// and with so many ohms more. Found by halving, as the equation rises.
fn too_warm_k(reads_c: f64, times: f64, more_ohm: f64) -> f64 {
    let (mut low, mut high) = (-150.0, 150.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if pt100_ohm(middle) * times + more_ohm > pt100_ohm(reads_c) {
            high = middle;
        } else {
            low = middle;
        }
    }
    reads_c - low
}

/// How much colder and hotter than its reading a place may really be (K).
#[derive(Clone, Copy, Debug)]
struct Wrong {
    colder_k: f64,
    hotter_k: f64,
}

impl Wrong {
    const NOT: Self = Self { colder_k: 0.0, hotter_k: 0.0 };

    /// The error if everything is measured so many times as large and with so many ohms more: from the inhibit
    /// threshold up to where the ceiling ends, and at the cut-out of the plate.
    fn by(times: f64, more_ohm: f64) -> Self {
        let above_k = |reads_c| too_warm_k(reads_c, times, more_ohm);
        Self { colder_k: above_k(5.0).max(above_k(15.0)).max(0.0), hotter_k: (-above_k(50.0)).max(0.0) }
    }
}

/// How much colder than its reading the coldest place may be by the plan, with nothing broken (K).
fn guard_band_k(scenario: &Scenario) -> f64 {
    let Scenario { title, channels, sources, settings, site, .. } = scenario;
    let plan = Plan::of(Subject { title, channels, sources, obeys: &[], settings, site }, None);
    plan.measurement.thresholds.guard_band_inhibit_k
}

fn changed(scenario: &Scenario, change: impl Fn(&mut Settings)) -> Scenario {
    let mut other = scenario.clone();
    let mut settings = other.settings.into_inner();
    change(&mut settings);
    other.settings = settings.validate().unwrap();
    other
}

fn without_a_check_resistor(scenario: &Scenario) -> Scenario {
    let mut other = changed(scenario, |settings| {
        settings.channels.retain(|channel| !matches!(channel.role, Role::Check(_)));
    });
    other.channels.truncate(other.settings.channels.len());
    other.site.mountings.truncate(other.settings.channels.len());
    other
}

fn played<'a>(story: &'a Story, scenario: &Scenario, colder_k: f64) -> (Outcome, Truth<'a>) {
    let mut truth = Truth::new(story, scenario, colder_k);
    let go = AtomicBool::new(false);
    let outcome = play(scenario, &Variation::default(), Pace::Leaping, &mut truth, &go);
    assert!(truth.began_s.is_some(), "{:?} never began", story.breakdown);
    (outcome, truth)
}

/// Plays the story. Its readings are wrong by `wrong` at most while they are believed. Checks what must never happen
/// beyond that error: cells charged colder, a plate or cells hotter, a current above the ceiling.
fn bounded<'a>(story: &'a Story, scenario: &Scenario, wrong: Wrong) -> (Outcome, Truth<'a>) {
    let colder_k = guard_band_k(scenario) + wrong.colder_k;
    let (outcome, truth) = played(story, scenario, colder_k);
    let (charge, heater) = (&scenario.settings.charge, &scenario.settings.heater);
    let (coldest_c, least_c) = (outcome.coldest_true_c_while_permitted.unwrap(), written_c(charge.inhibit) - colder_k);
    assert!(coldest_c >= least_c, "charged at {coldest_c} °C, below {least_c} °C");
    let (plate_c, most_c) = (outcome.warmest_plate_c, written_c(heater.cutout_pad) + wrong.hotter_k);
    assert!(plate_c <= most_c, "the plate at {plate_c} °C, above {most_c} °C");
    let (cell_c, most_c) = (truth.warmest_c, written_c(heater.cutout_cell) + wrong.hotter_k);
    assert!(cell_c <= most_c, "a cell at {cell_c} °C, above {most_c} °C");
    // A flow lasts for a minute. In it, cells change by 0.05 K: 8 A/K.
    assert!(truth.most_above_a <= 0.4, "{} A above the ceiling", truth.most_above_a);
    (outcome, truth)
}

/// The same. Also checks that the breakdown is found and named, and that no cell is at or below its limit while it is
/// charged.
fn ends_without_harm<'a>(story: &'a Story, scenario: &Scenario, wrong: Wrong) -> Truth<'a> {
    let (outcome, truth) = bounded(story, scenario, wrong);
    assert!(truth.faults.contains_key(story.named), "found {:?}", truth.faults);
    assert!(truth.in_spite_s <= 0.0, "on for {} s although it was found", truth.in_spite_s);
    let coldest_c = outcome.coldest_true_c_while_permitted.unwrap();
    assert!(outcome.violations == 0 && coldest_c > outcome.hard_limit_c, "charged at {coldest_c} °C");
    truth
}

#[test]
fn a_converter_that_stops_or_says_that_it_repeats_itself_ends_without_harm() {
    for (breakdown, named) in [(Breakdown::Stops, "missing"), (Breakdown::SaysSo, "converter")] {
        for begins in [charging_in_autumn, heating] {
            ends_without_harm(&Story { breakdown, begins, named }, &winter(), Wrong::NOT);
        }
    }
}

/// The breakdown is found after `trust.still_after_min` and a minute. Until then the bank cools or is heated on. 25 K
/// across 0.8 m² of 50 mm of foam at 0.026 W/(m·K) are 10 W. In those eleven minutes they take 0.3 K out of 23 kg at
/// 1 050 J/(kg·K). The heater's 140 W put 4 K into them.
const UNTIL_FOUND: Wrong = Wrong { colder_k: 0.3, hotter_k: 4.0 };

#[test]
fn a_converter_that_repeats_its_codes_ends_without_harm() {
    for begins in [charging_in_autumn, barely_charging, heating] {
        let story = Story { breakdown: Breakdown::Repeats, begins, named: "stuck" };
        ends_without_harm(&story, &winter(), UNTIL_FOUND);
    }
}

#[test]
fn without_a_time_after_which_all_are_stuck_a_converter_that_repeats_its_codes_harms() {
    let blind = changed(&winter(), |settings| settings.trust.still_after = None);
    let story = |begins| Story { breakdown: Breakdown::Repeats, begins, named: "stuck" };
    let (outcome, _) = played(&story(charging_in_autumn), &blind, 0.0);
    assert!(outcome.violation_s > 86_400.0, "charged in the frost for {} s", outcome.violation_s);
    let (outcome, _) = played(&story(heating), &blind, 0.0);
    assert!(outcome.warmest_plate_c > 80.0, "the plate at {} °C", outcome.warmest_plate_c);
}

/// A reference that drifts by 0.4 % a day, either way, to 5 %; a common return that gets 2 Ω a day, to 20 Ω.
const DRIFTS: [Breakdown; 3] = [
    Breakdown::Drifts { per_day: 0.004, most: 0.05 },
    Breakdown::Drifts { per_day: -0.004, most: 0.05 },
    Breakdown::Return { ohm_per_day: 2.0, most_ohm: 20.0 },
];

impl Breakdown {
    /// The error of readings after so many days.
    fn wrong_after(self, days: f64) -> Wrong {
        match self {
            Self::Stops | Self::SaysSo | Self::Repeats => Wrong::NOT,
            Self::Drifts { per_day, most } => Wrong::by(1.0 + (per_day * days).clamp(-most, most), 0.0),
            Self::Return { ohm_per_day, most_ohm } => Wrong::by(1.0, (ohm_per_day * days).min(most_ohm)),
        }
    }

    /// Days until 100 Ω are measured wrong by 0.3 Ω.
    fn days_to_the_band(self) -> f64 {
        match self {
            Self::Stops | Self::SaysSo | Self::Repeats => 0.0,
            Self::Drifts { per_day, .. } => 0.003 / per_day.abs(),
            Self::Return { ohm_per_day, .. } => 0.3 / ohm_per_day,
        }
    }
}

#[test]
fn a_reference_or_a_common_return_that_changes_is_found_by_a_check_resistor_and_ends_without_harm() {
    for breakdown in DRIFTS {
        let story = Story { breakdown, begins: heating, named: "reference_doubtful" };
        // Two of the converter's codes of 6 mΩ beyond its band.
        let days = breakdown.days_to_the_band() * 1.04;
        let truth = ends_without_harm(&story, &winter(), breakdown.wrong_after(days));
        let found_days = (truth.faults["reference_doubtful"] - truth.began_s.unwrap()) / 86_400.0;
        assert!(found_days <= days, "{breakdown:?} is found after {found_days} days");
    }
}

/// An error that nothing finds does harm up to its own size, and no more.
#[test]
fn without_a_check_resistor_what_changes_for_all_alike_harms_by_as_much_as_it_makes_readings_wrong() {
    let blind = without_a_check_resistor(&winter());
    for breakdown in DRIFTS {
        let story = Story { breakdown, begins: heating, named: "reference_doubtful" };
        let wrong = breakdown.wrong_after(f64::from(DAYS));
        let (outcome, _) = bounded(&story, &blind, wrong);
        // 5 % of 102 Ω are 13 K.
        let harms = wrong.colder_k > 5.0;
        assert_eq!(outcome.violation_s > 3_600.0, harms, "{breakdown:?}: {} s in the frost", outcome.violation_s);
    }
}

/// The engine's line shows it as present, but it gives nothing. A little load empties the bank.
fn stuck_line(bank: BankUse) -> Scenario {
    let mut scenario = changed(&scenario(DAYS), |settings| settings.bank = bank);
    scenario.offers = vec![Offer { at_s: 0, sources: Sources::NONE.with(0), power_w: [0.0; MAX_SOURCES], load_w: 6.0 }];
    scenario.site.winter.start_charge = 0.5;
    scenario
}

/// Heat that the bank paid for although it must not be spent on heat.
struct Spent {
    floor: f64,
    charge: f64,
    wh: f64,
}

impl Watcher for Spent {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        self.charge = glimpse.inputs.state_of_charge.map_or(0.0, si::part);
    }

    fn book(&mut self, from_s: f64, to_s: f64, _: &Outputs, _: &Offer, flow: &Flow) {
        let may_be_spent = self.charge > self.floor;
        self.wh += if may_be_spent { 0.0 } else { flow.heater_w_bank * (to_s - from_s) / 3600.0 };
    }
}

/// The energy that trials take. The voltage ends the cheap ones: ten on the first day and then two a day, for half a
/// minute and a step each. The charge ends four: each takes its 2 %, and what flows in the minute in which the meter
/// does not move.
fn trials_wh(days: f64) -> f64 {
    let heater_w = 120.0 * squared(13.5 / 12.8);
    let cheap = (10.0 + 2.0 * days) * heater_w * 31.0 / 3600.0;
    cheap + 4.0 * (0.02 * 200.0 * 12.8 + heater_w * 60.0 / 3600.0)
}

#[test]
fn a_line_that_is_stuck_empties_no_bank_by_heat_and_is_named() {
    let per_mille = Fraction::from_per_mille;
    let reserve = Reserve::StateOfCharge { floor: per_mille(300), resume: per_mille(400) };
    for (bank, floor) in [(BankUse::Never, 1.0), (BankUse::WithSource(reserve), 0.3)] {
        let played = |scenario: &Scenario| {
            let mut watcher = (Spent { floor, charge: 1.0, wh: 0.0 }, Reasons::default());
            let go = AtomicBool::new(false);
            let outcome = play(scenario, &Variation::default(), Pace::Leaping, &mut watcher, &go);
            (outcome, watcher.0.wh, watcher.1)
        };
        let stuck = stuck_line(bank);
        let most_wh = trials_wh(f64::from(DAYS));
        let (outcome, spent_wh, reasons) = played(&stuck);
        assert!(spent_wh <= most_wh, "{bank:?}: {spent_wh} Wh of heat below the reserve, more than {most_wh} Wh");
        let named = |name| reasons.faults().any(|(found, ..)| found == name);
        assert!(named("source_not_giving"), "{bank:?}: {reasons:?}");
        // The load goes on until the protection ends it. From then on nothing heats.
        assert!(named("discharge_line_refused") && outcome.least_charge <= 0.0, "{bank:?}: {outcome:?}");
        let (_, spent_wh, _) = played(&changed(&stuck, |settings| settings.giving = None));
        assert!(spent_wh > most_wh, "{bank:?}: nobody watches, and heat takes {spent_wh} Wh only");
    }
}

//! A season in leaps is the season in steps: what is decided and when, what is counted, and the energy.

use super::testing::scenario;
use super::*;
use crate::bank::Flow;
use crate::installation::Installation;
use crate::offer::Offer;
use crate::season::Moment;
use crate::variation::Variation;
use forewarm_core::quantity::{Celsius, Fraction, Kelvins, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts};
use forewarm_core::settings::{BankUse, ChargeCurrent, Hold, Reserve, Settings};
use forewarm_core::signals::{Outputs, Sources};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::path::Path;
use std::sync::atomic::AtomicBool;

static GO: AtomicBool = AtomicBool::new(false);

/// What the controller decided, with the step in which it did (s). What is not seen in every step is left out: the ceiling, which follows
/// the temperature.
#[derive(Debug, Default, PartialEq)]
struct Decisions {
    changes: Vec<(i64, Outputs)>,
}

impl Watcher for Decisions {
    const WATCHES: bool = false;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        let outputs = Outputs { ceiling: Fraction::ZERO, ..*moment.outputs };
        if self.changes.last().is_none_or(|(_, before)| *before != outputs) {
            self.changes.push((moment.at, outputs));
        }
    }
}

/// Plays a season at both paces and compares them.
fn same_at_both_paces(scenario: &Scenario, variation: &Variation) -> Result<(Outcome, usize), String> {
    let played = |pace| {
        let mut decisions = Decisions::default();
        (play(scenario, variation, pace, &mut decisions, &GO), decisions)
    };
    let ((leapt, leaps), (stepped, steps)) = (played(Pace::Leaping), played(Pace::EveryStep));
    for (leap, step) in leaps.changes.iter().zip(&steps.changes) {
        if leap != step {
            return Err(format!("in leaps {leap:?}, in steps {step:?}"));
        }
    }
    let counted = |outcome: &Outcome| {
        let Outcome { heater_cycles, charge_cycles, full_cycles, violations, overrules, .. } = *outcome;
        (leaps.changes.len(), outcome.steps, [heater_cycles, charge_cycles, full_cycles, violations, overrules])
    };
    let (by_leaps, by_steps) = (counted(&leapt), counted(&stepped));
    if by_leaps != by_steps || leaps.changes.len() != steps.changes.len() {
        return Err(format!("{by_leaps:?} in leaps, {by_steps:?} in steps"));
    }
    let amounts = |outcome: &Outcome| {
        let Outcome {
            heater_on_s, heater_wh, heater_wh_of_bank, charge_permitted_s, charge_full_s, charged_ah, ..
        } = *outcome;
        let times = [heater_on_s, charge_permitted_s, charge_full_s, outcome.charge_refused_s];
        let energies = [heater_wh, heater_wh_of_bank, charged_ah, outcome.refused_wh, outcome.last_charge];
        times.into_iter().chain(energies).chain(outcome.heater_wh_by_source).collect::<Vec<f64>>()
    };
    for (leap, step) in amounts(&leapt).into_iter().zip(amounts(&stepped)) {
        if (leap - step).abs() > 1e-9 * step.abs() {
            return Err(format!("{leap} in leaps, {step} in steps: {:?}, {:?}", amounts(&leapt), amounts(&stepped)));
        }
    }
    Ok((leapt, leaps.changes.len()))
}

#[test]
fn a_season_in_leaps_is_the_season_in_steps() {
    let (outcome, changes) = same_at_both_paces(&scenario(45), &Variation::default()).unwrap();
    assert!(outcome.heater_cycles > 20 && outcome.charge_cycles > 4 && changes > 100, "{changes}: {outcome:?}");
    assert!(outcome.taken * 15 < outcome.steps, "{} of {} steps were taken one by one", outcome.taken, outcome.steps);
}

/// So many days of a worked example; all of them if there are no more.
fn example(name: &str, days: i64) -> Scenario {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let file = demo.join(name);
    let installation = Installation::load(&file).unwrap();
    let mut scenario = Scenario::prepare(&installation, name, &demo, 1000).unwrap();
    scenario.span_s = scenario.span_s.min(days * 86_400);
    scenario
}

const EXAMPLES: [&str; 4] = ["hut.toml", "boat.toml", "van.toml", "shelter.toml"];

#[test]
fn the_first_weeks_of_each_example_are_the_same_in_leaps() {
    for name in EXAMPLES {
        let (outcome, _) = same_at_both_paces(&example(name, 14), &Variation::default()).unwrap();
        assert!(outcome.taken * 4 < outcome.steps, "{name}: {} of {} taken", outcome.taken, outcome.steps);
    }
}

/// Run it with `cargo test --release -p forewarm --lib paces -- --ignored`.
#[test]
#[ignore = "steps four whole winters, as written and as drawn"]
fn the_winters_of_the_examples_are_the_same_in_leaps() {
    for name in EXAMPLES {
        let scenario = example(name, i64::MAX / 86_400);
        for variation in [Variation::default(), Variation::draw(1, 1), Variation::draw(1, 2)] {
            if let Err(difference) = same_at_both_paces(&scenario, &variation) {
                panic!("{name}: {difference}");
            }
        }
    }
}

/// Thresholds a tenth of a kelvin apart, hardly any times: relays move all day.
#[test]
fn a_heater_and_a_permit_that_chatter_are_the_same_in_leaps() {
    let mut scenario = scenario(10);
    let mut settings = scenario.settings.clone().into_inner();
    settings.charge.release = settings.charge.inhibit.raised(Kelvins::from_millikelvins(500));
    settings.heater.start = settings.charge.release.raised(Kelvins::from_millikelvins(-200));
    settings.heater.stop = settings.charge.release.raised(Kelvins::from_millikelvins(600));
    settings.charge.soak = Millis::from_secs(60);
    (settings.charge.min_off, settings.heater.min_off, settings.heater.min_on) =
        (Millis::from_secs(10), Millis::from_secs(10), Millis::from_secs(10));
    settings.heater.max_cycles_per_day = 250;
    scenario.settings = settings.validate().unwrap();
    // The sun never sets, and is a little too weak or strong enough from minute to minute.
    scenario.offers = (0..scenario.span_s / 600)
        .map(|number| {
            let present = number % 3 != 0;
            let sources = if present { Sources::NONE.with(0) } else { Sources::NONE };
            Offer { at_s: number * 600, sources, power_w: [300.0, 0.0, 0.0, 0.0], load_w: 20.0 }
        })
        .collect();
    let (outcome, changes) = same_at_both_paces(&scenario, &Variation::default()).unwrap();
    assert!(
        outcome.heater_cycles > 50 && outcome.charge_cycles > 200 && changes > 1_000,
        "{changes} changes: {outcome:?}"
    );
}

/// Another installation, winter and plant by each number.
fn drawn(number: u64, days: u32) -> (Scenario, Variation) {
    let mut random = Pcg64Mcg::seed_from_u64(number);
    let mut scenario = scenario(days);
    loop {
        let settings = draw_settings(scenario.settings.clone().into_inner(), &mut random);
        if let Ok(valid) = settings.validate() {
            scenario.settings = valid;
            break;
        }
    }
    scenario.step_ms = [500, 1_000, 1_000, 1_500, 4_000][random.random_range(0..5)];
    scenario.site.converter.bits = random.random_range(12..=22);
    scenario.site.converter.noise_k = [0.0, 0.002, 0.005, 0.02][random.random_range(0..4)];
    scenario.site.winter.start_charge = random.random_range(0.05..1.0);
    scenario.bank_measured.voltage = random.random_bool(0.8);
    scenario.bank_measured.charge = random.random_bool(0.8);
    let warmer_k = random.random_range(-8.0..14.0);
    scenario.weather.points.iter_mut().for_each(|point| point.outside_c += warmer_k);
    let every_s = random.random_range(300..30_000);
    scenario.offers = (0..=scenario.span_s / every_s)
        .map(|at| {
            let present: [bool; 2] = [random.random_bool(0.4), random.random_bool(0.3)];
            let power = |index: usize| if present[index] { random_power(number, at, index) } else { 0.0 };
            Offer {
                at_s: at * every_s,
                sources: (0..2).filter(|&index| present[index]).fold(Sources::NONE, Sources::with),
                power_w: [power(0), power(1), 0.0, 0.0],
                load_w: [2.0, 6.0, 60.0][random.random_range(0..3)],
            }
        })
        .collect();
    (scenario, Variation::draw(5, number))
}

/// Now and then a source is present and gives nothing.
fn random_power(number: u64, at: i64, index: usize) -> f64 {
    [300.0, 600.0, 300.0, 0.0][usize::try_from((number + at.unsigned_abs() * 7 + index as u64) % 4).unwrap()]
}

fn draw_settings(mut settings: Settings, random: &mut Pcg64Mcg) -> Settings {
    let kelvins = |millikelvins: i32| Kelvins::from_millikelvins(millikelvins);
    let minutes = |minutes: u32| Millis::from_secs(60 * minutes);
    settings.charge.inhibit = Celsius::from_millidegrees(random.random_range(2_000..7_000));
    settings.charge.release = settings.charge.inhibit.raised(kelvins(random.random_range(500..4_000)));
    settings.heater.stop = settings.charge.release.raised(kelvins(random.random_range(500..6_000)));
    settings.heater.start = settings.charge.release.raised(kelvins(-random.random_range(0..1_500)));
    settings.charge.soak = minutes(random.random_range(1..90));
    settings.charge.overdue_after = minutes(60 * random.random_range(6..72));
    settings.charge.batteries = random.random_range(1..4);
    settings.charge.capacity = MilliampHours::from_milliamp_hours(random.random_range(50_000..400_000));
    settings.heater.power = Milliwatts::from_milliwatts(random.random_range(40_000..250_000));
    settings.heater.max_run = minutes(random.random_range(30..600));
    settings.heater.rest = minutes(random.random_range(5..90));
    settings.heater.max_cycles_per_day = random.random_range(4..100);
    settings.heater.hold = if random.random_bool(0.5) { Hold::Never } else { Hold::WhileCharging };
    let reserve = if random.random_bool(0.5) {
        let (floor, resume) = (Fraction::from_per_mille(300), Fraction::from_per_mille(350));
        Reserve::StateOfCharge { floor, resume }
    } else {
        let volts = Millivolts::from_millivolts;
        Reserve::Voltage { floor: volts(12_900), resume: volts(13_050), sag: volts(200) }
    };
    settings.bank = match random.random_range(0..3) {
        0 => BankUse::Never,
        1 => BankUse::WithSource(reserve),
        _ => BankUse::Always(reserve),
    };
    let amps = |amps: u32| Milliamps::from_milliamps(1_000 * amps);
    for source in &mut settings.sources {
        source.settle = Millis::from_secs(random.random_range(0..300));
        source.charge = match random.random_range(0..3) {
            0 => ChargeCurrent::Obeys,
            1 => ChargeCurrent::UpTo(amps(random.random_range(5..80))),
            _ => ChargeCurrent::InSteps {
                reduced: amps(random.random_range(2..20)),
                most: amps(random.random_range(20..80)),
            },
        };
    }
    if random.random_bool(0.2) {
        settings.heater.proof = None;
    }
    if random.random_bool(0.2) {
        settings.trust.still_after = None;
    }
    if random.random_bool(0.2) {
        settings.trust.stuck_after = None;
    }
    settings
}

fn drawn_seasons_are_the_same(numbers: std::ops::Range<u64>, days: u32) {
    let (mut taken, mut steps, mut cycles) = (0, 0, 0);
    for number in numbers {
        let (scenario, variation) = drawn(number, days);
        match same_at_both_paces(&scenario, &variation) {
            Ok((outcome, _)) => {
                taken += outcome.taken;
                steps += outcome.steps;
                cycles += outcome.heater_cycles + outcome.charge_cycles;
            }
            Err(difference) => panic!("drawn season {number}: {difference}"),
        }
    }
    assert!(taken * 2 < steps && cycles > 20, "{taken} of {steps} steps were taken, {cycles} cycles");
}

#[test]
fn drawn_seasons_are_the_same_in_leaps() {
    drawn_seasons_are_the_same(0..16, 8);
}

/// Run it with `cargo test --release -p forewarm --lib paces -- --ignored`.
#[test]
#[ignore = "steps a thousand seasons"]
fn a_thousand_drawn_seasons_are_the_same_in_leaps() {
    drawn_seasons_are_the_same(0..1_000, 12);
}

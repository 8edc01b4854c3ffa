use super::testing::scenario;
use super::*;
use crate::bank::Flow;
use crate::class::Class;
use crate::offer::Offer;
use crate::plan::{Plan, Subject, testing as planned};
use crate::portable::squared;
use crate::si;
use crate::site::{BankMeasured, Circuit, Rating, Room};
use crate::variation::Variation;
use forewarm_core::quantity::{Celsius, Fraction, Kelvins, Ohms};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{BankUse, Hold, Reserve, Role};
use forewarm_core::signals::{Outputs, Relay, Sources};
use proptest::prelude::*;
use std::sync::atomic::AtomicBool;

static GO: AtomicBool = AtomicBool::new(false);

/// Looks at everything and keeps nothing.
struct Looking;

impl Watcher for Looking {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

fn played(scenario: &Scenario) -> Outcome {
    play(scenario, &Variation::default(), Pace::Leaping, &mut Looking, &GO)
}

/// A charger that holds a full bank at its voltage drives a current that charges nothing.
#[test]
fn what_is_charged_is_what_the_bank_takes_up_and_a_full_one_takes_none() {
    let mut scenario = scenario(4);
    for point in &mut scenario.weather.points {
        point.outside_c = 20.0;
    }
    scenario.site.winter.start_c = Some(20.0);
    // Mains all the time, and nothing that draws.
    let mains = |offer: &Offer| Offer {
        at_s: offer.at_s,
        sources: Sources::NONE.with(1),
        power_w: std::array::from_fn(|index| if index == 1 { 600.0 } else { 0.0 }),
        load_w: 0.0,
    };
    scenario.offers = scenario.offers.iter().map(mains).collect();
    let capacity_ah = si::amp_hours(scenario.settings.charge.capacity);
    for start in [1.0, 0.9] {
        scenario.site.winter.start_charge = start;
        let outcome = played(&scenario);
        assert!(outcome.charge_permitted_s > 3.0 * 86_400.0 && outcome.last_charge > 0.999, "{outcome:?}");
        let gained_ah = (outcome.last_charge - start) * capacity_ah;
        assert!((outcome.charged_ah - gained_ah).abs() < 1e-6, "{} Ah for {gained_ah} Ah", outcome.charged_ah);
    }
}

/// The current into the bank against the ceiling at the coldest reading, which rises from 20 A at 5 °C to 60 A at 10 °C and 100 A at 15 °C.
#[derive(Default)]
struct AgainstCeiling {
    allowed_a: f64,
    arrived: Option<Sources>,
    charged_s: f64,
    unruled_s: f64,
    above_s: f64,
}

impl Watcher for AgainstCeiling {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        let coldest = glimpse.readings[..2].iter().flatten().min().map_or(0.0, |t| si::written_c(*t));
        self.allowed_a =
            if coldest < 10.0 { 20.0 + 8.0 * (coldest - 5.0).max(0.0) } else { (8.0 * coldest - 20.0).min(100.0) };
    }

    fn book(&mut self, from_s: f64, to_s: f64, _: &Outputs, offer: &Offer, flow: &Flow) {
        // In the first second of a source nobody can know of it.
        let is_new = self.arrived.replace(offer.sources) != Some(offer.sources) && to_s - from_s <= 1.0;
        let span_s = if is_new { 0.0 } else { to_s - from_s };
        self.charged_s += if flow.charge_a > 0.0 { span_s } else { 0.0 };
        self.unruled_s += if flow.charge_a > 0.0 && offer.sources.contains(0) { span_s } else { 0.0 };
        // The median lags, and a flow lasts for a minute: 0.05 K by 8 A/K.
        self.above_s += if flow.charge_a > self.allowed_a + 0.4 { span_s } else { 0.0 };
    }
}

#[test]
fn a_charger_that_does_not_obey_never_charges_with_more_than_the_ceiling() {
    use forewarm_core::quantity::Milliamps;
    use forewarm_core::settings::ChargeCurrent;
    let season = |charge| {
        let mut scenario = scenario(15);
        let mut settings = scenario.settings.clone().into_inner();
        settings.sources[0].charge = charge;
        // One battery, of which none can be gone.
        settings.charge.batteries = 1;
        settings.heater.hold = Hold::Never;
        scenario.settings = settings.validate().unwrap();
        // An hour in six it comes together with mains, with enough for its 60 A and the heater, to cells that nothing holds warm while they
        // may be charged; loads make room for what it gives.
        scenario.offers = (0..scenario.span_s / 3600)
            .map(|hour| {
                let (sources, power_w, load_w) = match hour % 6 {
                    0 => (Sources::NONE.with(0).with(1), [1_000.0, 600.0, 0.0, 0.0], 6.0),
                    _ => (Sources::NONE, [0.0; 4], 200.0),
                };
                Offer { at_s: hour * 3600, sources, power_w, load_w }
            })
            .collect();
        let mut watcher = (AgainstCeiling::default(), Reasons::default());
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut watcher, &GO);
        (outcome, watcher.0, watcher.1)
    };
    let (outcome, seen, reasons) = season(ChargeCurrent::UpTo(Milliamps::from_milliamps(60_000)));
    assert!(outcome.above_ceiling_s <= 0.0 && seen.above_s <= 0.0, "{} s, {} s", outcome.above_ceiling_s, seen.above_s);
    assert!(seen.charged_s > 3_600.0 && seen.unruled_s > 0.0, "{} s, {} s", seen.charged_s, seen.unruled_s);
    let refused = reasons.refused_s().into_iter().find(|(cause, _)| *cause == "ceiling_too_low");
    assert!(refused.is_some_and(|(_, time)| time > 600.0), "{:?}", reasons.refused_s());
    assert!((outcome.charge_full_s - outcome.charge_permitted_s).abs() < 1e-6, "it has no second step: {outcome:?}");

    let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
    let (in_steps, seen, _) = season(ChargeCurrent::InSteps { reduced: amps(30), most: amps(60) });
    assert!(
        in_steps.above_ceiling_s <= 0.0 && seen.above_s <= 0.0,
        "{} s, {} s",
        in_steps.above_ceiling_s,
        seen.above_s
    );
    assert!(
        in_steps.charge_full_s > 600.0 && in_steps.charge_permitted_s > in_steps.charge_full_s + 600.0,
        "{in_steps:?}"
    );
    assert!(in_steps.charge_refused_s < outcome.charge_refused_s, "{in_steps:?} against {outcome:?}");
    assert!(in_steps.full_cycles < 10 * in_steps.charge_cycles, "{in_steps:?}");
    assert_eq!(in_steps.overrules, 0);
}

#[test]
fn sources_that_obey_give_way_in_the_step_in_which_another_turns_up() {
    use forewarm_core::quantity::Milliamps;
    use forewarm_core::settings::ChargeCurrent;
    let mut scenario = scenario(1);
    let mut settings = scenario.settings.clone().into_inner();
    // Mains obeys, and the engine does not. No relay moves when it turns up, only the ceiling for mains falls.
    settings.sources[0].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(20_000));
    settings.sources[1].budget = forewarm_core::quantity::Milliwatts::from_milliwatts(1_500_000);
    settings.charge.batteries = 1;
    scenario.settings = settings.validate().unwrap();
    scenario.weather.points.iter_mut().for_each(|point| point.outside_c = 12.0);
    scenario.site.winter.start_charge = 0.05;
    let offer = |hour: i64, engine_w: f64, mains_w: f64| {
        let present = [engine_w, mains_w].into_iter().enumerate().filter(|(_, power_w)| *power_w > 0.0);
        let sources = present.fold(Sources::NONE, |sources, (index, _)| sources.with(index));
        Offer { at_s: hour * 3600, sources, power_w: [engine_w, mains_w, 0.0, 0.0], load_w: 6.0 }
    };
    scenario.offers = vec![offer(0, 0.0, 0.0), offer(7, 0.0, 1_500.0), offer(8, 1_000.0, 1_500.0), offer(9, 0.0, 0.0)];
    let mut watcher = AgainstCeiling::default();
    let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut watcher, &GO);
    assert!(watcher.unruled_s > 600.0, "{} s", watcher.unruled_s);
    assert!(outcome.above_ceiling_s <= 0.0, "{} s, {} A", outcome.above_ceiling_s, outcome.most_above_ceiling_a);
}

#[test]
fn heat_is_accounted_for_to_a_billionth() {
    let outcome = played(&scenario(180));
    let balance = outcome.balance;
    let gap = (balance.put_in_j - balance.lost_j - balance.held_j) / balance.turned_over_j;
    assert!(gap.abs() < 1e-9, "{gap:e}");
    // The heater's part is what the bank model says went into it; the rest is charging and measuring.
    assert!(balance.put_in_j > outcome.heater_wh * 3600.0 && outcome.heater_wh > 1000.0);
}

#[test]
fn whoever_pays_for_the_heat_is_in_the_list() {
    let outcome = played(&scenario(30));
    let paid: f64 = outcome.heater_wh_by_source.iter().sum::<f64>() + outcome.heater_wh_of_bank;
    assert!((paid - outcome.heater_wh).abs() < 1e-6 * outcome.heater_wh, "{outcome:?}");
}

/// The hut with its heater on mains alone, which has 13.8 V.
fn fed(mut scenario: Scenario) -> Scenario {
    scenario.site.fed_by = Some(1);
    scenario.site.supplies[1].rating =
        Some(Rating { rated_a: 40.0, rated_v: Some(13.8), derate: 1.0, other_loads_w: 0.0 });
    scenario
}

/// What a heater on one source may have at every moment: that source's voltage and power, or nothing.
struct OnItsSource {
    source: usize,
    volts: f64,
    heated_wh: f64,
}

impl Watcher for OnItsSource {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, offer: &Offer, flow: &Flow) {
        let given_w = offer.power_w[self.source];
        assert!(flow.supply_v <= self.volts && flow.heater_w + flow.line_w <= given_w + 1e-9, "{flow:?}");
        assert!(given_w > 0.0 || (flow.supply_v, flow.heater_w) == (0.0, 0.0), "{flow:?}");
        let pays = flow.heater_w_by_source.iter().enumerate().filter(|(_, power_w)| **power_w > 0.0);
        assert!(
            pays.map(|(index, _)| index).all(|index| index == self.source) && flow.heater_w_bank == 0.0,
            "{flow:?}"
        );
        assert!(flow.heater_w == 0.0 || outputs.heater == Relay::Closed, "{flow:?}");
        self.heated_wh += flow.heater_w * (to_s - from_s) / 3600.0;
    }
}

#[test]
fn a_heater_on_one_source_is_warmed_by_that_alone_at_its_voltage() {
    let on_bus = played(&scenario(20));
    assert!(on_bus.heater_wh_by_source[0] > 100.0, "the engine would heat: {on_bus:?}");
    let scenario = fed(scenario(20));
    let mut watcher = (OnItsSource { source: 1, volts: 13.8, heated_wh: 0.0 }, Reasons::default());
    let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut watcher, &GO);
    let (watcher, reasons) = watcher;
    assert!(outcome.heater_wh > 100.0 && (watcher.heated_wh - outcome.heater_wh).abs() < 1e-6 * outcome.heater_wh);
    assert!(outcome.heater_wh_by_source[0] + outcome.heater_wh_of_bank <= 0.0, "{outcome:?}");
    assert!((outcome.heater_wh_by_source[1] - outcome.heater_wh).abs() < 1e-9 * outcome.heater_wh, "{outcome:?}");
    // 120 W at 12.8 V are 139.5 W at 13.8 V, with no cable stated.
    let mean_w = outcome.heater_wh / (outcome.heater_on_s / 3600.0);
    assert!((mean_w - 120.0 * squared(13.8 / 12.8)).abs() < 1e-6, "{mean_w} W");
    // The engine's line promises energy that never comes.
    assert!(reasons.faults().any(|(name, ..)| name == "supply_out_of_range"), "{reasons:?}");
}

#[test]
fn a_source_that_gives_nothing_warms_nothing_whoever_else_is_there() {
    let mut scenario = fed(scenario(8));
    for offer in &mut scenario.offers {
        offer.power_w[1] = 0.0;
    }
    let outcome = played(&scenario);
    assert_eq!((outcome.heater_wh, outcome.heater_on_s), (0.0, 0.0));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn whatever_feeds_the_heater_alone_is_all_that_it_has(
        source in 0..2_usize,
        rated_v in 10.0..16.0_f64,
        power_w in prop::array::uniform2(prop_oneof![Just(0.0), 20.0..400.0_f64]),
        cable_mm2 in prop::option::of(1.5..10.0_f64),
        is_bank_spent: bool,
    ) {
        let mut scenario = scenario(6);
        scenario.site.fed_by = Some(source);
        scenario.site.supplies[source].rating = Some(Rating { rated_a: 40.0, rated_v: Some(rated_v), derate: 1.0, other_loads_w: 0.0 });
        scenario.site.circuit = Some(Circuit { cable_mm2, ..planned::circuit() });
        if is_bank_spent {
            let mut settings = scenario.settings.clone().into_inner();
            settings.bank = BankUse::Always(Reserve::StateOfCharge {
                floor: Fraction::from_per_mille(50),
                resume: Fraction::from_per_mille(100),
            });
            scenario.settings = settings.validate().unwrap();
        }
        for offer in &mut scenario.offers {
            for (index, most_w) in power_w.into_iter().enumerate() {
                offer.power_w[index] = if offer.sources.contains(index) { most_w } else { 0.0 };
            }
        }
        let mut watcher = OnItsSource { source, volts: rated_v, heated_wh: 0.0 };
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut watcher, &GO);
        prop_assert!((watcher.heated_wh - outcome.heater_wh).abs() <= 1e-6 * (1.0 + outcome.heater_wh));
        prop_assert!(outcome.heater_wh_of_bank == 0.0 && outcome.heater_wh_by_source[1 - source] == 0.0);
        let balance = outcome.balance;
        prop_assert!(((balance.put_in_j - balance.lost_j - balance.held_j) / balance.turned_over_j).abs() < 1e-9);
        // Beyond its limits the controller keeps it off.
        prop_assert!((11.5..=15.0).contains(&rated_v) || outcome.heater_wh == 0.0, "{} V: {:?}", rated_v, outcome);
    }
}

#[test]
fn a_film_shows_as_much_as_was_played() {
    let scenario = scenario(20);
    let mut film = Film::new(&scenario, "hut.toml");
    let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut film, &GO);
    let season = film.develop(outcome.span_s);
    let on = |name: &str| -> i64 {
        let band = season.bands.iter().find(|band| band.name == name).unwrap();
        assert!(band.on.windows(2).all(|pair| pair[0].to <= pair[1].from), "{name}");
        band.on.iter().map(|stretch| stretch.on).sum()
    };
    let whole = |seconds: f64| format!("{seconds}");
    assert_eq!(on("heater on").to_string(), whole(outcome.heater_on_s));
    assert_eq!(on("charge permitted").to_string(), whole(outcome.charge_permitted_s));
    assert_eq!(on("wanted, refused").to_string(), whole(outcome.charge_refused_s));
    for (amount, total) in season.amounts.iter().zip([outcome.heater_wh, outcome.charged_ah]) {
        let days: f64 = amount.series.iter().flat_map(|series| &series.days).sum();
        let bins: f32 = amount.series.iter().flat_map(|series| &series.bins).sum();
        assert!(
            (days - total).abs() < 1e-6 * total && (f64::from(bins) - total).abs() < 1e-3 * total,
            "{}",
            amount.what
        );
    }
    let charge = season.charge.as_ref().unwrap().ranges.iter().map(|range| range.0).fold(f32::INFINITY, f32::min);
    assert!((f64::from(charge) - 100.0 * outcome.least_charge).abs() < 0.1, "{charge} %");
    let coldest = season.lines.iter().find(|line| line.kind == crate::chart::LineKind::ColdestCell).unwrap();
    let least = coldest.ranges.iter().map(|range| range.0).fold(f32::INFINITY, f32::min);
    assert!((f64::from(least) - outcome.coldest_true_c).abs() < 1e-3);
}

#[test]
fn the_band_of_trials_reaches_down_to_the_coldest_of_them_and_changes_none() {
    let scenario = scenario(4);
    let envelope = super::Envelope::new(&scenario);
    let trials = Trials::play(&scenario, Pace::Leaping, 7, 0..5, &GO, &|_| (), Some(&envelope)).unwrap();
    let line = envelope.line(5);
    let low = line.ranges.iter().map(|range| range.0).fold(f32::INFINITY, f32::min);
    let coldest = trials.finished.iter().map(|trial| trial.outcome.coldest_true_c).fold(f64::INFINITY, f64::min);
    assert!((f64::from(low) - coldest).abs() < 1e-3, "{low} {coldest}");
    assert!(line.ranges.iter().all(|range| range.0 <= range.1));
    let unseen = Trials::play(&scenario, Pace::Leaping, 7, 0..5, &GO, &|_| (), None).unwrap();
    for (seen, unseen) in trials.finished.iter().zip(&unseen.finished) {
        let (a, b) = (&seen.outcome, &unseen.outcome);
        assert_eq!(
            (a.heater_on_s, a.charge_permitted_s, a.heater_cycles),
            (b.heater_on_s, b.charge_permitted_s, b.heater_cycles)
        );
        let apart_k = seen.margin_k().unwrap() - unseen.margin_k().unwrap();
        assert!(apart_k.abs() <= super::stage::MISSED_K, "{apart_k} K");
    }
}

#[test]
fn every_refused_second_has_a_reason_and_every_second_without_heat_too() {
    let scenario = scenario(20);
    let mut reasons = Reasons::default();
    let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut reasons, &GO);
    let refused_s: f64 = reasons.refused_s().iter().map(|(_, time)| time).sum();
    assert!(outcome.charge_refused_s > 0.0 && (refused_s - outcome.charge_refused_s).abs() < 1e-6, "{reasons:?}");
    assert!(reasons.refused_s().iter().any(|(name, _)| *name == "soaking"), "{reasons:?}");
    // No lack of energy refuses charge, and no cold cells keep the heater off.
    assert!(!reasons.refused_s().iter().any(|(name, _)| *name == "no_energy"), "{reasons:?}");
    assert!(!reasons.heater_off_s().iter().any(|(name, _)| *name == "cells_cold"), "{reasons:?}");
    assert!(reasons.heater_off_s().iter().any(|(name, _)| *name == "no_energy"), "{reasons:?}");
    let off_s: f64 = reasons.heater_off_s().iter().map(|(_, time)| time).sum();
    assert!((off_s - outcome.heater_off_s()).abs() < 1e-6, "{reasons:?}");
}

#[test]
fn a_fault_that_stands_is_named_with_its_time() {
    let scenario = scenario(4).unheated();
    let mut reasons = Reasons::default();
    play(&scenario, &Variation::default(), Pace::Leaping, &mut reasons, &GO);
    let found: Vec<_> = reasons.faults().collect();
    let [(name, times, stood_s)] = found[..] else { panic!("{found:?}") };
    // Wrong is the supply only while there is one: the engine runs twice for two hours. A fault takes some steps to be sure of.
    assert_eq!((name, times), ("supply_out_of_range", 2));
    assert!((14_300.0..=14_400.0).contains(&stood_s), "{stood_s}");
}

#[test]
fn a_reserve_that_the_bank_never_reaches_is_no_fault() {
    let mut scenario = scenario(6);
    let mut settings = scenario.settings.clone().into_inner();
    settings.bank = BankUse::Always(Reserve::StateOfCharge {
        floor: Fraction::from_per_mille(50),
        resume: Fraction::from_per_mille(100),
    });
    scenario.settings = settings.validate().unwrap();
    scenario.site.winter.start_charge = 0.9;
    let mut reasons = Reasons::default();
    let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut reasons, &GO);
    assert!(outcome.heater_wh_of_bank > 0.0 && outcome.least_charge > 0.05, "{outcome:?}");
    assert!(!reasons.faults().any(|(name, ..)| name == "bank_below_reserve"), "{reasons:?}");
}

#[test]
fn a_trial_run_alone_is_the_trial_it_was() {
    let scenario = scenario(6);
    let together = Trials::play(&scenario, Pace::Leaping, 3, 0..6, &GO, &|_| (), None).unwrap();
    assert_eq!(together.finished.len(), 6);
    for trial in &together.finished {
        assert_eq!(Trial::play(&scenario, Pace::Leaping, 3, trial.number, &GO, None).as_ref(), Some(trial));
    }
    assert!(together.finished.iter().any(|trial| trial.outcome != together.finished[0].outcome));
}

#[test]
fn a_season_that_is_stopped_tells_how_far_it_came_and_a_trial_that_is_stopped_does_not_count() {
    let stopped = AtomicBool::new(true);
    let scenario = scenario(6);
    let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut (), &stopped);
    assert_eq!(outcome.steps, 0);
    let trials = Trials::play(&scenario, Pace::Leaping, 1, 0..4, &stopped, &|_| (), None).unwrap();
    assert_eq!((trials.wanted, trials.finished.len()), (4, 0));
}

#[test]
fn an_unheated_season_is_one_without_heat_and_with_less_charging() {
    let scenario = scenario(60);
    let heated = played(&scenario);
    let cold = played(&scenario.unheated());
    assert_eq!((cold.heater_wh, cold.heater_cycles), (0.0, 0));
    assert!(cold.charge_permitted_s < heated.charge_permitted_s);
    assert!(cold.coldest_true_c < heated.coldest_true_c);
}

/// Everything as safe as a fitter can have it but for the sensors: 10 m of thin cable on two wires that nothing makes up for, and
/// thresholds at the temperature that harms the cells, which is higher than the settings say.
fn without_a_guard_band(mut scenario: Scenario) -> Scenario {
    let mut settings = scenario.settings.clone().into_inner();
    settings.charge.inhibit = Celsius::from_millidegrees(4_100);
    settings.charge.release = Celsius::from_millidegrees(4_600);
    scenario.site.battery.hard_limit_c = 4.1;
    for channel in settings.channels.iter_mut().filter(|channel| channel.role == Role::Cell) {
        channel.leads = Leads::TwoWire { loop_at_20c: Ohms::ZERO, at: Celsius::from_millidegrees(20_000) };
    }
    scenario.settings = settings.validate().unwrap();
    for mounting in &mut scenario.site.mountings {
        (mounting.loop_ohm_20c, mounting.class) = (0.78, Class::B);
    }
    scenario
}

/// The thresholds that a plan finds to bear every error at its limit, and not a tenth of a kelvin more.
fn as_planned(mut scenario: Scenario) -> Scenario {
    let Scenario { title, channels, sources, settings, site, .. } = &scenario;
    let plan = Plan::of(Subject { title, channels, sources, obeys: &[], settings, site }, None);
    let thresholds = plan.measurement.thresholds;
    #[expect(clippy::cast_possible_truncation, reason = "a few degrees")]
    let celsius = |t_c: f64| Celsius::from_millidegrees((t_c * 1000.0).round() as i32);
    let mut settings = settings.clone().into_inner();
    settings.charge.inhibit = celsius(thresholds.limit_inhibit_c);
    settings.charge.release = celsius(thresholds.limit_release_c);
    settings.heater.start = celsius(thresholds.limit_inhibit_c + 1.0);
    settings.heater.stop = celsius(thresholds.limit_release_c + 2.0);
    settings.trust.disagreement = Kelvins::from_millikelvins(settings.charge.inhibit.as_millidegrees() - 1);
    assert!(thresholds.limit_inhibit_c < 4.3, "the plan leaves nothing to try: {thresholds:?}");
    scenario.settings = settings.validate().unwrap();
    scenario
}

#[test]
fn a_guard_band_keeps_cells_from_harm_and_its_lack_shows() {
    let safe = as_planned(scenario(40));
    let trials = Trials::play(&safe, Pace::Leaping, 1, 0..12, &GO, &|_| (), None).unwrap();
    assert!(trials.finished.iter().all(|trial| trial.outcome.charge_permitted_s > 0.0));
    assert_eq!(trials.violations(), 0, "{:?}", trials.worst());
    let unsafe_one =
        Trials::play(&without_a_guard_band(scenario(40)), Pace::Leaping, 1, 0..12, &GO, &|_| (), None).unwrap();
    assert!(unsafe_one.violations() > 0, "{:?}", unsafe_one.worst());
    assert!(unsafe_one.worst().unwrap().margin_k().unwrap() < 0.0);
}

/// Nothing of the bank shows who pays for heat, so the core gives it in trials of a minute.
#[test]
fn what_of_the_bank_is_not_measured_the_controller_of_a_rehearsal_is_not_given() {
    let heated_h = |voltage: bool, charge: bool| {
        let scenario = Scenario { bank_measured: BankMeasured { voltage, charge }, ..scenario(8) };
        played(&scenario).heater_on_s / 3600.0
    };
    let (blind, seen) = (heated_h(false, false), heated_h(true, true));
    assert!(seen > 4.0, "{seen}");
    // A mains of 3 days and 4 times an engine of 2 h: pauses that double from a minute allow some ten trials to each.
    assert!(blind > 0.0 && blind < 2.0, "{blind}");
    assert!(heated_h(true, false) > blind && heated_h(false, true) > blind);
}

#[test]
fn dim_light_charges_although_it_is_too_weak_for_heat() {
    let mut scenario = scenario(4);
    scenario.site.winter.start_c = Some(20.0);
    scenario.site.winter.start_charge = 0.5;
    for point in &mut scenario.weather.points {
        point.outside_c = 20.0;
    }
    // 200 W/m² on 300 W of panels that are spent on heat from 250 W/m² on.
    let dim = Offer { at_s: 0, sources: Sources::NONE, power_w: [60.0, 0.0, 0.0, 0.0], load_w: 50.0 };
    scenario.offers = vec![dim];
    let outcome = played(&scenario);
    assert!(outcome.charge_permitted_s > 0.9 * outcome.span_s, "{outcome:?}");
    assert!(
        outcome.last_charge > 0.84 && outcome.last_charge < 0.9 && outcome.least_charge >= 0.5 - 1e-9,
        "{outcome:?}"
    );
    assert!((outcome.charge_wanted_s - outcome.span_s).abs() < 1.0, "it had power to spare all along: {outcome:?}");
}

#[test]
fn a_better_box_permits_more() {
    let thin = scenario(60);
    let mut thick = thin.clone();
    thick.site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = 0.1);
    let (thin, thick) = (played(&thin), played(&thick));
    assert!(thick.charge_permitted_s > thin.charge_permitted_s);
    assert!(thick.coldest_true_c > thin.coldest_true_c);
}

/// The coldest place and the air around the box, all through.
#[derive(Default)]
struct Warmth {
    at_s: Vec<f64>,
    coldest_c: Vec<f64>,
    air_c: Vec<f64>,
}

impl Watcher for Warmth {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        self.at_s.push(glimpse.at_s);
        self.coldest_c.push(glimpse.coldest_c);
        self.air_c.push(glimpse.outside_c);
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

/// The unheated bank in a room of that kind for four days, from a Thursday on.
fn in_room(room: Option<Room>, weather: f64) -> (Warmth, Scenario) {
    let mut scenario = scenario(4).unheated();
    scenario.site.place.exposure = 0.0;
    scenario.site.tolerance.weather_k = 3.0;
    scenario.site.room = room;
    let mut warmth = Warmth::default();
    play(&scenario, &Variation { weather, ..Variation::default() }, Pace::EveryStep, &mut warmth, &GO);
    (warmth, scenario)
}

/// Ten hours of a Saturday, in seconds of the season.
const WARM_S: std::ops::Range<f64> = 208_800.0..244_800.0;

#[test]
fn a_room_warms_the_bank_in_the_hours_of_its_schedule() {
    let schedule = "sat 10:00-20:00".parse().unwrap();
    let (cold, scenario) = in_room(None, 0.0);
    let (warm, _) = in_room(Some(Room { warmer_k: 0.0, scheduled: Some((18.0, schedule)) }), 0.0);
    assert_eq!(scenario.weather.start.weekday(), jiff::civil::Weekday::Thursday);
    let at = |warmth: &Warmth, at_s: f64| {
        let index = warmth.at_s.iter().position(|&here_s| here_s >= at_s).unwrap();
        (warmth.coldest_c[index], warmth.air_c[index])
    };
    // Nothing differs before.
    assert!((at(&warm, WARM_S.start - 60.0).0 - at(&cold, WARM_S.start - 60.0).0).abs() < 1e-6);
    assert!(at(&warm, WARM_S.end).0 > at(&cold, WARM_S.end).0 + 1.0, "{:?}", at(&warm, WARM_S.end));
    for (&at_s, &air_c) in warm.at_s.iter().zip(&warm.air_c) {
        // A minute from the ends the room is what the schedule says, or what the outside is.
        if (WARM_S.start + 60.0..WARM_S.end - 60.0).contains(&at_s) {
            assert!((air_c - 18.0).abs() < 1e-6, "{air_c} °C at {at_s} s");
        } else if !(WARM_S.start - 60.0..WARM_S.end + 60.0).contains(&at_s) {
            assert!((air_c - at(&cold, at_s).1).abs() < 1e-3, "{air_c} °C at {at_s} s");
        }
    }
}

#[test]
fn a_room_is_as_much_warmer_all_the_time_and_what_is_kept_warm_is_no_colder_in_colder_weather() {
    let (outside, _) = in_room(None, -1.0);
    let schedule = "sat 10:00-20:00".parse().unwrap();
    let (room, _) = in_room(Some(Room { warmer_k: 6.0, scheduled: Some((18.0, schedule)) }), -1.0);
    let mut warmed = 0;
    for ((&at_s, &room_c), &outside_c) in room.at_s.iter().zip(&room.air_c).zip(&outside.air_c).step_by(60) {
        if (WARM_S.start + 60.0..WARM_S.end - 60.0).contains(&at_s) {
            warmed += 1;
            assert!((room_c - 18.0).abs() < 1e-6, "{room_c} °C at {at_s} s");
        } else if !(WARM_S.start - 60.0..WARM_S.end + 60.0).contains(&at_s) {
            assert!((room_c - outside_c - 6.0).abs() < 1e-3, "{room_c} and {outside_c} °C at {at_s} s");
        }
    }
    assert!(warmed > 10, "{warmed}");
}

#[test]
fn a_bank_starts_as_cold_as_a_room_that_nobody_warms() {
    let room = Room { warmer_k: 6.0, scheduled: Some((18.0, "daily 00:00-24:00".parse().unwrap())) };
    let (warmth, scenario) = in_room(Some(room), 0.0);
    assert!((warmth.coldest_c[0] - scenario.weather.points[0].outside_c - 6.0).abs() < 1e-6);
    assert!((warmth.air_c[0] - 18.0).abs() < 1e-6);
}

//! The report of a rehearsal for machines. Keys are stable; each ends in its unit.

use super::answers::{Span, Wait};
use super::outcome::Outcome;
use super::report::{Cast, Rehearsal};
use super::trials::{Spread, Trial, Trials};
use crate::site::RoomReport;
use serde::Serialize;
use std::collections::BTreeMap;

/// The result of one installation, with that of another inside it where two are compared.
#[derive(Clone, Debug, Serialize)]
pub struct Compared<'r> {
    #[serde(flatten)]
    first: Report<'r>,
    #[serde(skip_serializing_if = "Option::is_none")]
    against: Option<Report<'r>>,
}

impl<'r> Compared<'r> {
    /// Of one rehearsal, or of two. `None` if there is none.
    #[must_use]
    pub fn of(rehearsals: &'r [Rehearsal]) -> Option<Self> {
        Some(Self { first: Report::of(rehearsals.first()?), against: rehearsals.get(1).map(Report::of) })
    }
}

/// The result of one installation.
#[derive(Clone, Debug, Serialize)]
pub struct Report<'r> {
    title: &'r str,
    file: &'r str,
    start: String,
    room: Option<RoomReport>,
    heater_fed_by: Option<&'r str>,
    days: f64,
    steps: u64,
    steps_taken_singly: u64,
    cut_short: bool,
    charge_permitted_s: f64,
    charge_full_s: f64,
    charge_wanted_s: f64,
    charge_refused_s: f64,
    charge_refused_s_by_cause: BTreeMap<&'static str, f64>,
    charge_won_s: Option<f64>,
    charged_ah: f64,
    charged_ah_unheated: Option<f64>,
    load_ah: f64,
    longest_without_charge_s: f64,
    sources: Vec<Waited<'r>>,
    above_ceiling_s: f64,
    most_above_ceiling_a: f64,
    refused_wh: f64,
    heater_on_s: f64,
    heater_off_s: f64,
    heater_off_s_by_cause: BTreeMap<&'static str, f64>,
    heater_wh: f64,
    heater_wh_by_source: BTreeMap<&'r str, f64>,
    heat_in_vain_wh: f64,
    hard_limit_c: f64,
    coldest_true_c_while_permitted: Option<f64>,
    coldest_true_c: Option<f64>,
    warmest_plate_c: Option<f64>,
    least_soc_pct: f64,
    last_soc_pct: f64,
    unmet_wh: f64,
    relay_cycles: u32,
    heater_cycles: u32,
    heater_cycles_in_a_day: u32,
    heater_cycles_allowed_in_a_day: u8,
    charge_cycles: u32,
    full_cycles: u32,
    faults: u64,
    faults_by_name: BTreeMap<&'static str, Stood>,
    overrules: u32,
    violations_in_season: u32,
    violations: u64,
    violation_s: f64,
    seed: Option<u64>,
    trial: Option<u64>,
    trials: usize,
    trials_with_violation: Option<usize>,
    worst_trial: Option<Worst>,
    distribution: Option<Distribution>,
}

/// How long a source had to wait from when it came on to the charge permit, where it came to one.
#[derive(Clone, Copy, Debug, Serialize)]
struct Waited<'r> {
    source: &'r str,
    offers: usize,
    offers_permitted: usize,
    wait_median_s: Option<f64>,
    wait_worst_s: Option<f64>,
}

/// A fault: how often it was raised, and how long it stood in all.
#[derive(Clone, Copy, Debug, Serialize)]
struct Stood {
    times: u32,
    stood_s: f64,
}

/// The trial that came nearest to harm, or did most.
#[derive(Clone, Copy, Debug, Serialize)]
struct Worst {
    trial: u64,
    margin_k: Option<f64>,
    coldest_true_c_while_permitted: Option<f64>,
    charge_refused_s: f64,
}

impl Worst {
    fn of(trial: &Trial) -> Self {
        Self {
            trial: trial.number,
            margin_k: trial.margin_k(),
            coldest_true_c_while_permitted: trial.outcome.coldest_true_c_while_permitted,
            charge_refused_s: trial.outcome.charge_refused_s,
        }
    }
}

/// The spread of results over the trials; `None` if no trial has one.
#[derive(Clone, Copy, Debug, Serialize)]
struct Distribution {
    coldest_true_c_while_permitted: Option<Spread>,
    charge_permitted_s: Option<Spread>,
    charge_refused_s: Option<Spread>,
    heater_on_s: Option<Spread>,
    heater_wh: Option<Spread>,
    relay_cycles: Option<Spread>,
    least_soc_pct: Option<Spread>,
}

impl Distribution {
    fn of(trials: &Trials) -> Self {
        let spread = |value: fn(&Outcome) -> f64| trials.spread(|trial| Some(value(&trial.outcome)));
        Self {
            coldest_true_c_while_permitted: trials.spread(|trial| trial.outcome.coldest_true_c_while_permitted),
            charge_permitted_s: spread(|outcome| outcome.charge_permitted_s),
            charge_refused_s: spread(|outcome| outcome.charge_refused_s),
            heater_on_s: spread(|outcome| outcome.heater_on_s),
            heater_wh: spread(|outcome| outcome.heater_wh),
            relay_cycles: spread(|outcome| outcome.relay_cycles().into()),
            least_soc_pct: spread(|outcome| outcome.least_charge * 100.0),
        }
    }
}

impl<'r> Report<'r> {
    /// Of one rehearsal.
    #[must_use]
    pub fn of(rehearsal: &'r Rehearsal) -> Self {
        let Rehearsal { scenario, file, cast, outcome: o, reasons, answers, unheated, trials } = rehearsal;
        let trials = trials.as_ref();
        let by_source = scenario.sources.iter().map(String::as_str).zip(o.heater_wh_by_source);
        let (seed, trial) = match *cast {
            Cast::Trial { seed, number } => (Some(seed), Some(number)),
            Cast::AsWritten => (trials.map(|trials| trials.seed), None),
        };
        let harmed = |trials: &Trials| trials.finished.iter().filter(|trial| trial.outcome.violations > 0).count();
        Self {
            title: &scenario.title,
            file,
            start: scenario.weather.start.to_string(),
            room: scenario.site.room.as_ref().map(RoomReport::of),
            heater_fed_by: scenario.site.fed_by.and_then(|index| scenario.sources.get(index)).map(String::as_str),
            days: o.days(),
            steps: o.steps,
            steps_taken_singly: o.taken,
            cut_short: rehearsal.is_cut_short(),
            charge_permitted_s: o.charge_permitted_s,
            charge_full_s: o.charge_full_s,
            charge_wanted_s: o.charge_wanted_s,
            charge_refused_s: o.charge_refused_s,
            charge_refused_s_by_cause: reasons.refused_s().into_iter().collect(),
            charge_won_s: rehearsal.won_s(),
            charged_ah: o.charged_ah,
            charged_ah_unheated: unheated.map(|unheated| unheated.charged_ah),
            load_ah: answers.load_ah(),
            longest_without_charge_s: answers.longest_without_charge_s(),
            sources: (0..)
                .zip(&scenario.sources)
                .filter_map(|(index, source)| Some(waited(source, answers.wait(index)?)))
                .collect(),
            above_ceiling_s: o.above_ceiling_s,
            most_above_ceiling_a: o.most_above_ceiling_a,
            refused_wh: o.refused_wh,
            heater_on_s: o.heater_on_s,
            heater_off_s: o.heater_off_s(),
            heater_off_s_by_cause: reasons.heater_off_s().into_iter().collect(),
            heater_wh: o.heater_wh,
            heater_wh_by_source: by_source.chain([("bank", o.heater_wh_of_bank)]).collect(),
            heat_in_vain_wh: answers.heat_in_vain_wh(),
            hard_limit_c: o.hard_limit_c,
            coldest_true_c_while_permitted: o.coldest_true_c_while_permitted,
            coldest_true_c: finite(o.coldest_true_c),
            warmest_plate_c: finite(o.warmest_plate_c),
            least_soc_pct: o.least_charge * 100.0,
            last_soc_pct: o.last_charge * 100.0,
            unmet_wh: o.unmet_wh,
            relay_cycles: o.relay_cycles(),
            heater_cycles: o.heater_cycles,
            heater_cycles_in_a_day: o.heater_cycles_in_a_day,
            heater_cycles_allowed_in_a_day: scenario.settings.heater.max_cycles_per_day,
            charge_cycles: o.charge_cycles,
            full_cycles: o.full_cycles,
            faults: reasons.faults().map(|(_, times, _)| u64::from(times)).sum(),
            faults_by_name: reasons.faults().map(|(name, times, stood_s)| (name, Stood { times, stood_s })).collect(),
            overrules: o.overrules,
            violations_in_season: o.violations,
            violations: u64::from(o.violations) + trials.map_or(0, Trials::violations),
            violation_s: o.violation_s,
            seed,
            trial,
            trials: trials.map_or(0, |trials| trials.finished.len()),
            trials_with_violation: trials.map(harmed),
            worst_trial: trials.and_then(Trials::worst).map(Worst::of),
            distribution: trials.map(Distribution::of),
        }
    }
}

fn waited(source: &str, wait: Wait) -> Waited<'_> {
    let Wait { offers, permitted, median_s, worst, .. } = wait;
    let worst_s = worst.map(Span::length_s);
    Waited { source, offers, offers_permitted: permitted, wait_median_s: median_s, wait_worst_s: worst_s }
}

/// A finite number, or none: JSON has no infinity.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

//! One installation tried: written, checked, planned, rehearsed.

use super::choice::{Choice, Level};
use super::desk::Desk;
use super::effort::effort_h;
use super::front::Figures;
use crate::diagnostic::Problem;
use crate::edit::{Changed, Edit};
use crate::figures::plain;
use crate::finding::{Finding, Part, Remedy, Severity};
use crate::installation::Installation;
use crate::plan::Plan;
use crate::plan::thermal::Shapes;
use crate::plan::thresholds::least_set;
use crate::rehearse::{Outcome, Pace, Scenario, play};
use crate::variation::Variation;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

/// How often one attempt is planned anew, each time with one more finding mended.
const ROUNDS: usize = 12;

/// The steps of the controller in a rehearsal (ms).
const STEP_MS: u32 = 1000;

/// What a proposal must meet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Requirement {
    /// The file passes its check.
    Check,
    /// `plan` finds nothing to change in this part.
    Plan(Part),
    /// Charge is permitted at all from the design minimum.
    WarmsUp,
    /// Loads go without no more energy than with the file as it is, or mended.
    Loads,
    /// No season permits charge with a cell below its hard limit.
    NoHarm,
}

impl Requirement {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Check => "the file passes its check",
            Self::Plan(Part::Thermal) => "plan finds nothing to change about the heat",
            Self::Plan(Part::Measurement) => "plan finds nothing to change about thermometers and thresholds",
            Self::Plan(Part::Circuit) => "plan finds nothing to change about the circuit",
            Self::Plan(Part::Sources) => "plan finds nothing to change about the sources",
            Self::WarmsUp => "charge is permitted within three days from the design minimum",
            Self::Loads => "loads get as much as with the file as it is, or mended",
            Self::NoHarm => "no season permits charge with a cell below its hard limit",
        }
    }

    /// Every requirement, in order.
    pub const ALL: [Self; 8] = [
        Self::Check,
        Self::Plan(Part::Thermal),
        Self::Plan(Part::Measurement),
        Self::Plan(Part::Circuit),
        Self::Plan(Part::Sources),
        Self::WarmsUp,
        Self::Loads,
        Self::NoHarm,
    ];
}

/// A requirement that an attempt does not meet, and by how much, in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Miss {
    pub(super) requirement: Requirement,
    pub(super) text: String,
    weight: u32,
}

/// What all misses weigh together. The least is the nearest to an installation that will do.
pub(super) fn weight(misses: &[Miss]) -> u32 {
    misses.iter().map(|miss| miss.weight).sum()
}

/// The result of an attempt.
#[derive(Clone, Debug)]
pub(super) enum Attempt {
    /// It does not meet these; at least one.
    Excluded(Vec<Miss>),
    /// It meets all.
    Met(Figures),
}

/// An installation that plan and check find fine.
#[derive(Debug)]
pub(super) struct Settled {
    pub(super) text: String,
    pub(super) installation: Installation,
    pub(super) plan: Plan,
    pub(super) changed: Vec<Changed>,
    pub(super) effort_h: f64,
}

/// The file to start from, and everything that attempts share.
pub(super) struct Bench {
    pub(super) desk: Desk,
    /// Energy that loads go without with the file as it is, or mended (Wh).
    unmet_wh: f64,
}

impl Bench {
    /// # Errors
    /// The errors of weather and logs.
    pub(super) fn new(
        file: String,
        text: &str,
        installation: &Installation,
        folder: &Path,
    ) -> Result<Self, Vec<Problem>> {
        let scenario = Scenario::prepare(installation, &file, folder, STEP_MS)?;
        let shapes = Shapes::of(&scenario.site);
        lend(&scenario, &shapes);
        let written = play(&scenario, &Variation::default(), Pace::Leaping, &mut (), &AtomicBool::new(false));
        let desk = Desk::new((file, text, folder), installation, shapes, scenario.beyond_design())?;
        Ok(Self { desk, unmet_wh: written.unmet_wh })
    }

    /// Looks what loads go without once the file is mended and nothing else is changed: a ceiling that allowed too much
    /// fed them as well.
    ///
    /// # Errors
    /// Weather or a log that can no longer be read.
    pub(super) fn mend(&mut self, choices: &[Choice]) -> Result<(), Vec<Problem>> {
        let written: Vec<usize> = choices.iter().map(|choice| choice.written).collect();
        if let Ok(settled) = self.settle(choices, &written) {
            let scenario = self.scenario(&settled, false)?;
            let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut (), &AtomicBool::new(false));
            self.unmet_wh = self.unmet_wh.max(outcome.unmet_wh);
        }
        Ok(())
    }

    /// Writes what is chosen, and then mends what `plan` finds, one finding at a time, by changes that nobody chooses
    /// otherwise. `levels` are indices into the levels of `choices`.
    pub(super) fn settle(&self, choices: &[Choice], levels: &[usize]) -> Result<Settled, Vec<Miss>> {
        let mut draft = self.desk.draft.clone();
        let (mut edits, mut least, mut stop_above_k) = (Vec::new(), false, None);
        for (choice, &level) in choices.iter().zip(levels) {
            match &choice.levels[level] {
                Level::AsWritten => {}
                Level::Edits(more) => edits.extend(more.iter().cloned()),
                Level::LeastThresholds => least = true,
                Level::StopAbove(above_k) => stop_above_k = Some(*above_k),
            }
        }
        draft.apply_all(&edits);
        let chosen = |edit: &Edit| {
            let levels = choices.iter().flat_map(|choice| &choice.levels);
            levels
                .filter_map(|level| if let Level::Edits(edits) = level { Some(edits) } else { None })
                .any(|edits| edits.iter().any(|chosen| (chosen.home, chosen.key) == (edit.home, edit.key)))
        };
        let mut tried: Vec<Remedy> = Vec::new();
        let mut round = 0;
        loop {
            let text = draft.to_string();
            let installation = self.desk.read(&text).map_err(refused)?;
            let Some(plan) = self.desk.plan(&installation) else { return Err(Vec::new()) };
            let set = (round == 0).then(|| wanted(&installation, &plan, least, stop_above_k)).flatten();
            let is_free = |remedy: &Remedy| {
                let free = |edit: &Edit| installation.fixed.holds(edit, &self.desk.names()).is_none() && !chosen(edit);
                remedy.iter().all(free) && !tried.contains(remedy)
            };
            let unfine = || plan.findings.iter().filter(|finding| !finding.is_fine());
            let mends = || unfine().flat_map(|finding| &finding.remedies).find(|remedy| is_free(remedy)).cloned();
            let next = set.or_else(mends).filter(|_| round < ROUNDS);
            let Some(remedy) = next else {
                let misses: Vec<Miss> = unfine().map(missed).collect();
                if !misses.is_empty() {
                    return Err(misses);
                }
                let changed = self.desk.changed(&edits, &draft);
                let effort_h = effort_h(&changed);
                let changed = changed.iter().map(|edit| self.desk.told(edit)).collect();
                return Ok(Settled { text, installation, plan, changed, effort_h });
            };
            draft.apply_all(&remedy);
            edits.extend(remedy.iter().cloned());
            tried.push(remedy);
            round += 1;
        }
    }

    /// The season of an installation, in cells that may be those of the file.
    ///
    /// # Errors
    /// Weather or a log that can no longer be read.
    pub(super) fn scenario(&self, settled: &Settled, is_own_shape: bool) -> Result<Scenario, Vec<Problem>> {
        let scenario = Scenario::prepare(&settled.installation, &self.desk.file, &self.desk.folder, STEP_MS)?;
        if !is_own_shape {
            lend(&scenario, &self.desk.shapes);
        }
        Ok(scenario)
    }

    /// Loads that go without more than they do with the file as it is.
    fn lacking(&self, outcome: &Outcome) -> Option<Miss> {
        /// A difference of so many Wh over a season is none.
        const ALIKE_WH: f64 = 1.0;
        let text = || {
            let [unmet, before] = [outcome.unmet_wh, self.unmet_wh].map(|energy_wh| plain(energy_wh.round()));
            format!(
                "loads go without {unmet} Wh in the season, and without {before} Wh with the file as it is, or mended"
            )
        };
        let is_more = outcome.unmet_wh > self.unmet_wh + ALIKE_WH;
        is_more.then(|| Miss { requirement: Requirement::Loads, text: text(), weight: 2 })
    }

    /// Tries one. `None` if `stop` is set before its end.
    pub(super) fn attempt(&self, choices: &[Choice], levels: &[usize], stop: &AtomicBool) -> Option<Attempt> {
        if stop.load(Ordering::Relaxed) {
            return None;
        }
        let settled = match self.settle(choices, levels) {
            Ok(settled) => settled,
            Err(misses) => return Some(Attempt::Excluded(misses)),
        };
        let Some(warm_up_h) = warm_up_h(&settled.plan) else {
            let text = "charge is not permitted within three days".to_owned();
            return Some(Attempt::Excluded(vec![Miss { requirement: Requirement::WarmsUp, text, weight: 10 }]));
        };
        let scenario = match self.scenario(&settled, false) {
            Ok(scenario) => scenario,
            Err(problems) => return Some(Attempt::Excluded(refused(problems))),
        };
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut (), stop);
        if stop.load(Ordering::Relaxed) {
            return None;
        }
        let harm = harm(outcome.violations, outcome.coldest_true_c_while_permitted, outcome.hard_limit_c);
        let misses: Vec<Miss> = harm.into_iter().chain(self.lacking(&outcome)).collect();
        if !misses.is_empty() {
            return Some(Attempt::Excluded(misses));
        }
        Some(Attempt::Met(figures(&outcome, warm_up_h, settled.effort_h)))
    }
}

/// Lets a season be played in cells that serve it already.
fn lend(scenario: &Scenario, shapes: &Shapes) {
    if let Some(shape) = shapes.fitting(&scenario.site) {
        scenario.lend(shape);
    }
}

/// A miss of [`Requirement::NoHarm`], if there were `violations`.
pub(super) fn harm(violations: u32, coldest_c: Option<f64>, hard_limit_c: f64) -> Option<Miss> {
    let text = || {
        let colder_k = coldest_c.map_or(0.0, |coldest_c| (hard_limit_c - coldest_c).max(0.0));
        format!("{violations} charge permits with a cell up to {colder_k:.2} K below its hard limit")
    };
    (violations > 0).then(|| Miss { requirement: Requirement::NoHarm, text: text(), weight: 10 })
}

fn figures(outcome: &Outcome, warm_up_h: f64, effort_h: f64) -> Figures {
    let charge_used_h = (outcome.charge_wanted_s - outcome.charge_refused_s) / 3600.0;
    let least_soc_pct = outcome.least_charge * 100.0;
    Figures { charge_used_h, heater_wh: outcome.heater_wh, warm_up_h, effort_h, least_soc_pct }
}

/// Until charge is permitted, from the design minimum (h). 0 if it never gets as cold as that.
fn warm_up_h(plan: &Plan) -> Option<f64> {
    match plan.thermal.warm_ups.first() {
        Some(warm_up) => warm_up.permitted_h.map(|figure| figure.value),
        None => Some(0.0),
    }
}

/// The thresholds that are asked for, as a change; `None` if they are what the file has.
fn wanted(installation: &Installation, plan: &Plan, least: bool, stop_above_k: Option<f64>) -> Option<Remedy> {
    let found = &plan.measurement.thresholds;
    let mut set = if least { least_set(found) } else { found.file };
    if let Some(above_k) = stop_above_k {
        set.heater_stop_c = set.release_c + above_k;
    }
    let remedy = set.remedy(&installation.settings);
    (!remedy.is_empty()).then_some(remedy)
}

pub(super) fn missed(finding: &Finding) -> Miss {
    let weight = if finding.severity == Severity::Danger { 3 } else { 1 };
    let change = finding.change.as_ref().map_or_else(String::new, |change| format!(" (change: {change})"));
    Miss { requirement: Requirement::Plan(finding.part), text: format!("{}{change}", finding.text), weight }
}

/// A file that fails its check.
fn refused(problems: Vec<Problem>) -> Vec<Miss> {
    let errors = problems.into_iter().filter(|problem| problem.severity == crate::diagnostic::Severity::Error);
    let first = errors.map(|problem| problem.message.to_string()).next().unwrap_or_default();
    vec![Miss { requirement: Requirement::Check, text: first, weight: 1000 }]
}

//! The fault matrix in short: a row for each thing that the controller can report of what was broken, and what nothing reports.

use crate::breakdown::Breakdown;
use crate::diagnostic::Problem;
use crate::faults::{Cell, Matrix, Verdict, Wanted};
use crate::rehearse::{Pace, Scenario};
use forewarm_core::Layer;
use forewarm_core::fault::{ChannelFault, Facts, Severity, SystemFault};
use serde::Serialize;
use std::sync::atomic::AtomicBool;

/// As many causes of a report are named.
const NAMED: usize = 4;

/// What was broken, and what came of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Faults {
    /// How many scenes were played.
    pub scenes: usize,
    /// How many of them left every part within its limit.
    pub safe: usize,
    /// How many harmed something although it can be found.
    #[serde(rename = "unsafe")]
    pub harmed: usize,
    /// How many cannot be found by what this installation has.
    pub undetectable: usize,
    /// How many only the thermal cut-outs kept from harm.
    pub held_by_cutout: usize,
    /// What can be reported, the most important first.
    pub reports: Vec<Report>,
    /// What nothing reports.
    pub blind: Vec<Blind>,
    /// What broke where something passed its limit.
    pub harm: Vec<String>,
    /// Whether all of it was played.
    pub complete: bool,
}

/// One thing that the controller can report.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// Its name, as the service line has it.
    pub name: &'static str,
    /// What is wrong.
    pub meaning: &'static str,
    /// What can lie behind it.
    pub causes: Vec<String>,
    /// What goes off.
    pub off: &'static str,
    /// Whether lamp and alarm show it.
    pub alarm: bool,
    /// What clears it.
    pub cleared_by: &'static str,
    /// What to check first.
    pub check_first: &'static str,
    /// Within which time it was reported in the scenes, at most (s).
    pub within_s: Option<f64>,
}

/// What this installation cannot find.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Blind {
    /// What breaks.
    pub what: Vec<String>,
    /// What it takes to find it.
    pub takes: &'static str,
    /// What limits the harm until then.
    pub until_then: &'static str,
}

/// Plays every single breakdown in every state, without pairs: two at once are for whoever plans.
pub(super) fn play(
    scenario: &Scenario,
    has_contacts: bool,
    stop: &AtomicBool,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Faults, Problem> {
    let mut single = Breakdown::every(scenario);
    single.retain(|breakdown| !matches!(breakdown, Breakdown::Two(..)));
    let wanted = Wanted { layer: Layer::Both, pace: Pace::Leaping, has_contacts };
    Matrix::of(scenario, &single, wanted, stop, progress).map(|matrix| Faults::of(scenario, &matrix))
}

impl Faults {
    fn of(scenario: &Scenario, matrix: &Matrix) -> Self {
        let all = SystemFault::ALL
            .map(|fault| (fault.facts(), fault.disables().words()))
            .into_iter()
            .chain(ChannelFault::ALL.map(|fault| (fault.facts(), "by the thermometer's role")));
        let reports = all.filter_map(|(facts, off)| Report::of(matrix, facts, off)).collect();
        let harmed = |cell: &&Cell| cell.harm.is_any();
        let mut harm: Vec<String> = matrix.cells.iter().filter(harmed).map(|cell| told(scenario, cell)).collect();
        harm.dedup();
        Self {
            scenes: matrix.cells.len(),
            safe: matrix.count(Verdict::Safe),
            harmed: matrix.count(Verdict::Unsafe),
            undetectable: matrix.count(Verdict::Undetectable),
            held_by_cutout: matrix.cells.iter().filter(|cell| cell.cut_out).count(),
            reports,
            blind: blind(scenario, matrix),
            harm,
            complete: matrix.cells.len() == matrix.wanted,
        }
    }
}

/// What broke in a scene, in words.
fn told(scenario: &Scenario, cell: &Cell) -> String {
    let meaning = cell.breakdown.meaning();
    let of = match cell.breakdown {
        Breakdown::Channel(index, _) => scenario.channels.get(index),
        Breakdown::Source(index, _) => scenario.sources.get(index),
        Breakdown::Two(..) | Breakdown::Shared(_) | Breakdown::Other(_) => None,
    };
    of.map_or_else(|| meaning.clone(), |name| format!("{name}: {meaning}"))
}

impl Report {
    /// `None` if nothing that was broken was reported as that.
    fn of(matrix: &Matrix, facts: Facts, off: &'static str) -> Option<Self> {
        let found: Vec<&Cell> = matrix.cells.iter().filter(|cell| cell.found == Some(facts.name)).collect();
        let waits = matrix.cells.iter().any(|cell| cell.waits == Some(facts.name));
        if found.is_empty() && !waits {
            return None;
        }
        let mut causes: Vec<(usize, String)> = Vec::new();
        for cell in &found {
            let meaning = cell.breakdown.meaning();
            match causes.iter_mut().find(|(_, other)| *other == meaning) {
                Some((count, _)) => *count += 1,
                None => causes.push((1, meaning)),
            }
        }
        causes.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
        let more = causes.len().saturating_sub(NAMED);
        let mut causes: Vec<String> = causes.into_iter().take(NAMED).map(|(_, meaning)| meaning).collect();
        if more > 0 {
            causes.push(format!("and {more} more"));
        }
        Some(Self {
            name: facts.name,
            meaning: facts.meaning,
            causes,
            off,
            alarm: facts.severity == Severity::Alarm,
            cleared_by: facts.cleared_by,
            check_first: facts.check_first,
            within_s: found.iter().filter_map(|cell| cell.time_to_safe_s).reduce(f64::max),
        })
    }

    /// What lamp and alarm show.
    #[must_use]
    pub const fn shown(&self) -> &'static str {
        if self.alarm {
            "The lamp blinks quickly, the alarm sounds"
        } else {
            "No alarm: it shows on the service line only"
        }
    }
}

fn blind(scenario: &Scenario, matrix: &Matrix) -> Vec<Blind> {
    let mut all: Vec<Blind> = Vec::new();
    for cell in &matrix.cells {
        let Some(why) = cell.blind else { continue };
        let name = told(scenario, cell);
        match all.iter_mut().find(|one| one.takes == why.extra_input && one.until_then == why.bounded_by) {
            Some(one) if one.what.contains(&name) => {}
            Some(one) => one.what.push(name),
            None => all.push(Blind { what: vec![name], takes: why.extra_input, until_then: why.bounded_by }),
        }
    }
    all
}

impl Faults {
    /// In one sentence.
    #[must_use]
    pub fn told(&self) -> String {
        let all = if self.complete { "" } else { " Not all of it was played." };
        format!(
            "{} scenes were played, each with one thing broken in one state at one outside temperature, the battery's own \
             protection left out: in {} every part kept within its limit, in {} something passed one although it can be found, \
             and {} cannot be found with what is wired here. In {} only a thermal cut-out prevented worse.{all}",
            self.scenes, self.safe, self.harmed, self.undetectable, self.held_by_cutout
        )
    }
}

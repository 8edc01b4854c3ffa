//! Searches for installations that meet what a fitter fixed, and that he would want to choose between.
//!
//! | module | holds |
//! |---|---|
//! | `desk` | the file: changed, checked and planned |
//! | `choice` | what a file leaves open, and what each of it may be |
//! | `attempt` | one installation tried: written, checked, planned, rehearsed |
//! | `search` | which are tried |
//! | `front` | which of them are worth choosing between |
//! | `effort` | what changes cost, roughly |
//! | `remedies` | single changes that mend what `plan` finds |
//! | `planned` | a plan with these |
//! | `report`, `picture` | what came of it, for a person |
//!
//! A proposal is the fitter's own file with some values changed. So what `check`, `plan` and `rehearse` say of it is
//! what they say of the file that is written.

mod attempt;
mod choice;
mod desk;
mod effort;
mod front;
mod picture;
mod planned;
mod remedies;
mod report;
mod search;
#[cfg(test)]
mod tests;

pub use attempt::Requirement;
pub use front::Figures;
pub use picture::picture;
pub use planned::{findings, planned};

use crate::cautions::CAUTIONS;
use crate::diagnostic::Problem;
use crate::edit::Changed;
use crate::finding::Part;
use crate::installation::Installation;
use crate::plan::thermal::Shapes;
use crate::plan::{Plan, Subject};
use crate::rehearse::{Pace, Trials};
use crate::threads;
use attempt::{Bench, Settled, harm};
use choice::{Choice, choices};
use search::{Found, search};
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

/// How far a search goes.
#[derive(Clone, Copy, Debug)]
pub struct Extent {
    /// How many installations are tried at most.
    pub tries: usize,
    /// How many trials each proposal must pass, each with its own draw of every tolerance.
    pub trials: u64,
    /// How many proposals to make at most.
    pub most: usize,
    /// What the draws are made from.
    pub seed: u64,
}

/// How far the work has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// So many installations were tried.
    Tried(u64),
    /// So many trials of proposals were finished.
    Rehearsed(u64),
}

/// An installation worth choosing.
#[derive(Clone, Debug, Serialize)]
pub struct Candidate {
    /// What counts.
    #[serde(flatten)]
    pub figures: Figures,
    /// Trials that it was rehearsed in.
    pub trials: u64,
    /// Charge permits with a cell below its hard limit, in all of these.
    pub violations: u64,
    /// How far the coldest place stayed above the hard limit in the worst of them while charge was permitted (K);
    /// `null` if charge never was.
    pub worst_margin_k: Option<f64>,
    /// What differs from the file.
    pub changes: Vec<Changed>,
    /// What it rests on: what `plan` says of its heat and of its thermometers.
    pub rests_on: Vec<String>,
    /// The whole file.
    pub installation: String,
}

/// What a requirement did.
#[derive(Clone, Debug, Serialize)]
pub struct Required {
    /// In words.
    pub requirement: &'static str,
    /// How many of those tried it excluded.
    pub excluded: usize,
    /// What the nearest of these lacked; `null` if it excluded none.
    pub nearest: Option<String>,
}

/// The result of a search.
#[derive(Clone, Debug, Serialize)]
pub struct Proposal {
    /// What the fitter calls the installation.
    pub title: String,
    /// The proposals, most charge first.
    pub candidates: Vec<Candidate>,
    /// What each of them meets, and what it excluded.
    pub requirements: Vec<Required>,
    /// How many installations were tried.
    pub tried: usize,
    /// How many of them met all requirements but the trials.
    pub met: usize,
    /// Whether the search was cut short.
    pub cut_short: bool,
    /// What the draws were made from.
    pub seed: u64,
    /// What was left open, and may differ between proposals.
    pub open: Vec<&'static str>,
    /// The places that stay as they are.
    pub fixed: Vec<String>,
    /// What the file as it is lacks; empty if nothing, `null` if nobody got to it.
    pub file_lacks: Option<Vec<String>>,
    /// What the nearest installation lacks, where none is good enough.
    pub nearest_lacks: Vec<String>,
    /// The cautions that every document states once.
    pub cautions: [&'static str; 3],
}

impl Proposal {
    /// Searches. `text` is that of `installation`, `file` is what messages call it, and `folder` is where the files
    /// that it names are. `progress` hears how many were tried.
    ///
    /// # Errors
    /// The file does not describe its site, or its weather or a log cannot be read, or no thread can be started.
    pub fn search(
        (file, text, folder): (&str, &str, &Path),
        installation: &Installation,
        extent: Extent,
        stop: &AtomicBool,
        progress: &(dyn Fn(Progress) + Sync),
    ) -> Result<Self, Vec<Problem>> {
        let mut bench = Bench::new(file.to_owned(), text, installation, folder)?;
        let Some(subject) = Subject::of(installation) else { return Err(Vec::new()) };
        let plan = Plan::in_shapes(subject, None, &bench.desk.shapes);
        let choices = choices(installation, &bench.desk.draft, subject.site, &plan);
        bench.mend(&choices)?;
        let pool = threads::pool().map_err(|problem| vec![problem])?;
        let unfine = plan.findings.iter().filter(|finding| !finding.is_fine());
        let open: BTreeSet<Part> = unfine.map(|finding| finding.part).collect();
        let asked = (&*choices, &*Vec::from_iter(open));
        let mut found = pool.install(|| {
            search(&bench, asked, (extent.tries, extent.seed), stop, &|tried| progress(Progress::Tried(tried)))
        });
        let candidates = proved(&bench, &choices, &mut found, extent, (stop, progress))?;
        let mut open: Vec<&'static str> = choices.iter().map(|choice| choice.what.words()).collect();
        open.dedup();
        let requirements = Requirement::ALL.into_iter().map(|requirement| {
            let tally = found.excluded.get(&requirement);
            Required {
                requirement: requirement.words(),
                excluded: tally.map_or(0, |tally| tally.count),
                nearest: tally.map(|tally| tally.nearest.text.clone()),
            }
        });
        let texts = |misses: &Vec<attempt::Miss>| misses.iter().map(|miss| miss.text.clone()).collect::<Vec<_>>();
        Ok(Self {
            title: installation.title.clone(),
            nearest_lacks: found.nearest.as_ref().filter(|_| candidates.is_empty()).map(texts).unwrap_or_default(),
            candidates,
            requirements: requirements.collect(),
            tried: found.tried,
            met: found.met.len(),
            cut_short: stop.load(Ordering::Relaxed),
            seed: extent.seed,
            open,
            fixed: installation.fixed.entries().map(str::to_owned).collect(),
            file_lacks: found.written.as_ref().map(texts),
            cautions: CAUTIONS,
        })
    }
}

/// The best of what was found, spread over the front, each planned in cells of its own and rehearsed in trials. What
/// fails makes room for the next.
fn proved(
    bench: &Bench,
    choices: &[Choice],
    found: &mut Found,
    extent: Extent,
    (stop, progress): (&AtomicBool, &(dyn Fn(Progress) + Sync)),
) -> Result<Vec<Candidate>, Vec<Problem>> {
    let mut proved: Vec<Candidate> = Vec::new();
    let mut failed: Vec<usize> = Vec::new();
    let mut passed: Vec<usize> = Vec::new();
    while !stop.load(Ordering::Relaxed) {
        let rest: Vec<usize> = (0..found.met.len()).filter(|index| !failed.contains(index)).collect();
        let grains: Vec<[i64; 4]> = rest.iter().map(|&index| found.met[index].1.grains()).collect();
        let front = front::front(&grains);
        let of_front: Vec<[i64; 4]> = front.iter().map(|&index| grains[index]).collect();
        let chosen = front::spread(&of_front, extent.most).into_iter().map(|index| rest[front[index]]);
        let chosen: Vec<usize> = chosen.collect();
        let Some(&next) = chosen.iter().find(|index| !passed.contains(index)) else {
            // A later failure may have moved the front away from one that passed.
            let mut kept: Vec<(usize, Candidate)> = passed.into_iter().zip(proved).collect();
            kept.retain(|(index, _)| chosen.contains(index));
            proved = kept.into_iter().map(|(_, candidate)| candidate).collect();
            break;
        };
        let (levels, figures) = found.met[next].clone();
        let rehearsed =
            |trials| progress(Progress::Rehearsed((passed.len() + failed.len()) as u64 * extent.trials + trials));
        match prove(bench, choices, &levels, figures, extent, (stop, &rehearsed))? {
            Some(Ok(candidate)) => {
                passed.push(next);
                proved.push(candidate);
            }
            Some(Err(misses)) => {
                failed.push(next);
                found.exclude(misses);
            }
            None => break,
        }
    }
    let most_first = |a: &Candidate, b: &Candidate| {
        let by_charge = b.figures.charge_used_h.total_cmp(&a.figures.charge_used_h);
        by_charge.then(a.figures.heater_wh.total_cmp(&b.figures.heater_wh))
    };
    proved.sort_by(most_first);
    Ok(proved)
}

/// One installation, or what it lacks. `None` if `stop` is set before its last trial.
fn prove(
    bench: &Bench,
    choices: &[Choice],
    levels: &[usize],
    figures: Figures,
    extent: Extent,
    (stop, rehearsed): (&AtomicBool, &(dyn Fn(u64) + Sync)),
) -> Result<Option<Result<Candidate, Vec<attempt::Miss>>>, Vec<Problem>> {
    let settled = match bench.settle(choices, levels) {
        Ok(settled) => settled,
        Err(misses) => return Ok(Some(Err(misses))),
    };
    let Some(subject) = Subject::of(&settled.installation) else { return Ok(None) };
    let own = Plan::in_shapes(subject, None, &Shapes::of(subject.site));
    let misses: Vec<_> = own.findings.iter().filter(|finding| !finding.is_fine()).map(attempt::missed).collect();
    if !misses.is_empty() {
        return Ok(Some(Err(misses)));
    }
    let scenario = bench.scenario(&settled, true)?;
    let trials = Trials::play(&scenario, Pace::Leaping, extent.seed, 0..extent.trials, stop, rehearsed, None);
    let trials = trials.map_err(|problem| vec![problem])?;
    if stop.load(Ordering::Relaxed) {
        return Ok(None);
    }
    let worst = trials.worst().map(|worst| worst.outcome);
    let violations = trials.violations();
    if let Some(worst) = worst
        && let Some(miss) = harm(
            u32::try_from(violations).unwrap_or(u32::MAX),
            worst.coldest_true_c_while_permitted,
            worst.hard_limit_c,
        )
    {
        return Ok(Some(Err(vec![miss])));
    }
    let Settled { text, changed, .. } = settled;
    Ok(Some(Ok(Candidate {
        figures,
        trials: extent.trials,
        violations,
        worst_margin_k: trials.worst().and_then(crate::rehearse::Trial::margin_k),
        changes: changed,
        rests_on: rests_on(&own),
        installation: text,
    })))
}

/// What a plan says of heat and thermometers, where all is fine.
fn rests_on(plan: &Plan) -> Vec<String> {
    let parts = [(Part::Thermal, 2), (Part::Measurement, 1), (Part::Circuit, 2)];
    let of = |(part, most)| plan.findings.iter().filter(move |finding| finding.part == part).take(most);
    parts.into_iter().flat_map(of).map(|finding| finding.text.clone()).collect()
}

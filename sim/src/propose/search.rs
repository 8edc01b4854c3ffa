//! The search: from the file and from draws, along steps of one choice each, to installations that none of these steps
//! makes better.
//!
//! Source of the method: Paquete, Chiarandini & Stützle, Pareto local optimum sets in the biobjective traveling salesman
//! problem (2004), from memory. Here it has four figures, and a direction where nothing is good enough yet: the fewest
//! misses.

use super::attempt::{Attempt, Bench, Miss, Requirement, weight};
use super::choice::Choice;
use super::front::{Figures, front};
use crate::finding::Part;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet, HashSet, VecDeque};
use std::sync::atomic::{AtomicBool, Ordering};

/// Draws that the search begins with, besides the file.
const DRAWS: usize = 12;

/// How many are tried before the search looks at what came of them. Fixed, so that the number of processors changes
/// nothing.
const BATCH: usize = 8;

/// Indices into the levels of the choices.
pub(super) type Levels = Vec<usize>;

/// What the search found.
#[derive(Clone, Debug, Default)]
pub(super) struct Found {
    /// Everything that meets the requirements.
    pub(super) met: Vec<(Levels, Figures)>,
    /// How many were tried, in all.
    pub(super) tried: usize,
    /// For each requirement: how many it excluded, and the nearest of these.
    pub(super) excluded: BTreeMap<Requirement, Tally>,
    /// The nearest of all that were excluded.
    pub(super) nearest: Option<Vec<Miss>>,
    /// The requirements that the file as it is does not meet; `None` if that was not tried.
    pub(super) written: Option<Vec<Miss>>,
}

/// What one requirement excluded.
#[derive(Clone, Debug)]
pub(super) struct Tally {
    pub(super) count: usize,
    pub(super) nearest: Miss,
    weight: u32,
}

impl Found {
    pub(super) fn exclude(&mut self, misses: Vec<Miss>) {
        let weight = weight(&misses);
        let requirements: BTreeSet<Requirement> = misses.iter().map(|miss| miss.requirement).collect();
        for requirement in requirements {
            let Some(miss) = misses.iter().find(|miss| miss.requirement == requirement) else { continue };
            let new = || Tally { count: 0, nearest: miss.clone(), weight };
            let tally = self.excluded.entry(requirement).or_insert_with(new);
            tally.count += 1;
            if weight < tally.weight {
                (tally.nearest, tally.weight) = (miss.clone(), weight);
            }
        }
        if self.nearest.as_ref().is_none_or(|nearest| weight < self::weight(nearest)) {
            self.nearest = Some(misses);
        }
    }

    /// Indices of [`Found::met`] that nothing beats.
    pub(super) fn front(&self) -> Vec<usize> {
        let grains: Vec<[i64; 4]> = self.met.iter().map(|(_, figures)| figures.grains()).collect();
        front(&grains)
    }
}

/// Searches until `most` were tried or no step is left, and reports to `progress` how many were tried. `open` are the
/// parts in which `plan` finds something to change.
pub(super) fn search(
    bench: &Bench,
    (choices, open): (&[Choice], &[Part]),
    (most, seed): (usize, u64),
    stop: &AtomicBool,
    progress: &(dyn Fn(u64) + Sync),
) -> Found {
    let mut draw = Pcg64::seed_from_u64(seed);
    let mut found = Found::default();
    let mut seen: HashSet<Levels> = HashSet::new();
    let mut near: Vec<(Levels, u32)> = Vec::new();
    let mut queue: VecDeque<Levels> = first(choices, open, &mut draw).into();
    let written: Levels = choices.iter().map(|choice| choice.written).collect();
    // What a step has been taken from already.
    let mut left: HashSet<Levels> = HashSet::new();
    loop {
        let mut batch = Vec::new();
        while batch.len() < BATCH.min(most - found.tried) {
            let Some(next) = queue.pop_front() else { break };
            if seen.insert(next.clone()) {
                batch.push(next);
            }
        }
        if batch.is_empty() {
            if found.tried >= most {
                break;
            }
            let mut steps = steps_from(&found, &near, choices, &mut left);
            steps.retain(|levels| !seen.contains(levels));
            if steps.is_empty() {
                if left_open(&found, &near, &left) {
                    continue;
                }
                break;
            }
            steps.shuffle(&mut draw);
            // First what makes an installation simpler.
            let changes =
                |levels: &Levels| levels.iter().zip(&written).filter(|(level, written)| level != written).count();
            steps.sort_by_key(changes);
            queue.extend(steps);
            continue;
        }
        let results: Vec<_> = batch.par_iter().map(|levels| bench.attempt(choices, levels, stop)).collect();
        for (levels, result) in batch.into_iter().zip(results) {
            let Some(result) = result else { continue };
            found.tried += 1;
            let is_written = levels == written;
            match result {
                Attempt::Met(figures) => {
                    found.met.push((levels, figures));
                    if is_written {
                        found.written = Some(Vec::new());
                    }
                }
                Attempt::Excluded(misses) => {
                    if is_written {
                        found.written = Some(misses.clone());
                    }
                    near.push((levels, weight(&misses)));
                    found.exclude(misses);
                }
            }
        }
        progress(found.tried as u64);
        if stop.load(Ordering::Relaxed) {
            break;
        }
    }
    found
}

/// The file, the file with one step, and some draws. Steps that may mend what `plan` finds come first.
fn first(choices: &[Choice], open: &[Part], draw: &mut Pcg64) -> Vec<Levels> {
    let written: Levels = choices.iter().map(|choice| choice.written).collect();
    let mut single = steps(&written, choices);
    single.shuffle(draw);
    let concerns_none = |levels: &Levels| {
        let mut differing = choices.iter().zip(levels).filter(|(choice, level)| choice.written != **level);
        !differing.any(|(choice, _)| choice.what.concerns_any(open))
    };
    single.sort_by_key(concerns_none);
    let drawn = |choice: &Choice, draw: &mut Pcg64| {
        // Half of them as in the file: a change must be worth its effort.
        if draw.random_bool(0.5) { choice.written } else { draw.random_range(0..choice.levels.len()) }
    };
    let draws = (0..DRAWS).map(|_| choices.iter().map(|choice| drawn(choice, draw)).collect());
    let draws: Vec<Levels> = draws.collect();
    [written].into_iter().chain(single).chain(draws).collect()
}

/// Everything that is one step away: the next levels of a choice in order, every other of a choice without.
pub(super) fn steps(from: &[usize], choices: &[Choice]) -> Vec<Levels> {
    let mut all = Vec::new();
    for (index, choice) in choices.iter().enumerate() {
        for level in 0..choice.levels.len() {
            let is_step = if choice.is_ordered { from[index].abs_diff(level) == 1 } else { from[index] != level };
            if is_step {
                let mut to = from.to_vec();
                to[index] = level;
                all.push(to);
            }
        }
    }
    all
}

/// Where to take steps from: the front, or the nearest misses where nothing is good enough.
fn bases(found: &Found, near: &[(Levels, u32)]) -> Vec<Levels> {
    if found.met.is_empty() {
        let least = near.iter().map(|(_, weight)| *weight).min();
        near.iter().filter(|(_, weight)| Some(*weight) == least).map(|(levels, _)| levels.clone()).collect()
    } else {
        found.front().into_iter().map(|index| found.met[index].0.clone()).collect()
    }
}

fn steps_from(found: &Found, near: &[(Levels, u32)], choices: &[Choice], left: &mut HashSet<Levels>) -> Vec<Levels> {
    let bases = bases(found, near).into_iter().filter(|base| left.insert(base.clone()));
    bases.flat_map(|base| steps(&base, choices)).collect()
}

/// Whether a step remains to be taken from somewhere.
fn left_open(found: &Found, near: &[(Levels, u32)], left: &HashSet<Levels>) -> bool {
    bases(found, near).iter().any(|base| !left.contains(base))
}

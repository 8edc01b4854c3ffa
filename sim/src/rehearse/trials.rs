//! The same season many times over, each time a little different from the file.

use super::envelope::Envelope;
use super::outcome::Outcome;
use super::scenario::Scenario;
use super::stage::{Pace, play};
use crate::diagnostic::Problem;
use crate::threads;
use crate::variation::Variation;
use rayon::prelude::*;
use std::ops::Range;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// One trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// Its number. With it, the trial can be run again alone.
    pub number: u64,
    /// Its result.
    pub outcome: Outcome,
}

/// All finished trials, in the order of their numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Trials {
    /// The seed of the draws.
    pub seed: u64,
    /// How many were asked for.
    pub wanted: u64,
    /// The finished trials.
    pub finished: Vec<Trial>,
}

impl Trial {
    /// Plays the trial of that number, and adds it to `envelope`, if there is one. Returns `None` if `stop` is set
    /// before its end.
    #[must_use]
    pub fn play(
        scenario: &Scenario,
        pace: Pace,
        seed: u64,
        number: u64,
        stop: &AtomicBool,
        envelope: Option<&Envelope>,
    ) -> Option<Self> {
        // Check before building the plant. Otherwise a million trials that never begin would still take their time.
        if stop.load(Ordering::Relaxed) {
            return None;
        }
        let variation = Variation::draw(seed, number);
        let outcome = if let Some(envelope) = envelope {
            let mut seen = envelope.watcher();
            let outcome = play(scenario, &variation, pace, &mut seen, stop);
            if !stop.load(Ordering::Relaxed) {
                envelope.include(&seen);
            }
            outcome
        } else {
            play(scenario, &variation, pace, &mut (), stop)
        };
        (!stop.load(Ordering::Relaxed)).then_some(Self { number, outcome })
    }

    /// How far the coldest place stayed above the hard limit while charge was permitted (K); `None` if it never was.
    #[must_use]
    pub fn margin_k(&self) -> Option<f64> {
        self.outcome.coldest_true_c_while_permitted.map(|coldest_c| coldest_c - self.outcome.hard_limit_c)
    }
}

impl Trials {
    /// Plays the trials of these numbers on every processor, reports to `progress` how many are finished, and adds each
    /// to `envelope`, if there is one.
    ///
    /// # Errors
    /// Fails if no thread can be started, and only then.
    pub fn play(
        scenario: &Scenario,
        pace: Pace,
        seed: u64,
        numbers: Range<u64>,
        stop: &AtomicBool,
        progress: &(dyn Fn(u64) + Sync),
        envelope: Option<&Envelope>,
    ) -> Result<Self, Problem> {
        let (done, wanted) = (AtomicU64::new(0), numbers.end.saturating_sub(numbers.start));
        let one = |number| {
            let trial = Trial::play(scenario, pace, seed, number, stop, envelope)?;
            progress(done.fetch_add(1, Ordering::Relaxed) + 1);
            Some(trial)
        };
        let finished = threads::pool()?.install(|| numbers.into_par_iter().filter_map(one).collect());
        Ok(Self { seed, wanted, finished })
    }

    /// Permits during which a cell was below its hard limit, in all trials.
    #[must_use]
    pub fn violations(&self) -> u64 {
        self.finished.iter().map(|trial| u64::from(trial.outcome.violations)).sum()
    }

    /// The trial that came nearest to harm, or did most: the one with the least margin. If no trial permitted charge,
    /// it is the one with the longest refusal.
    #[must_use]
    pub fn worst(&self) -> Option<&Trial> {
        let by_margin = self.finished.iter().filter_map(|trial| Some((trial.margin_k()?, trial)));
        let nearest = by_margin.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, trial)| trial);
        let refused = |trial: &&Trial| trial.outcome.charge_refused_s;
        nearest.or_else(|| self.finished.iter().max_by(|a, b| refused(a).total_cmp(&refused(b))))
    }

    /// Least, 5 %, half, 95 % and most of a value over all trials; `None` if no trial has the value.
    #[must_use]
    pub fn spread(&self, value: impl Fn(&Trial) -> Option<f64>) -> Option<Spread> {
        let mut values: Vec<f64> = self.finished.iter().filter_map(value).collect();
        values.sort_by(f64::total_cmp);
        let (least, most) = (*values.first()?, *values.last()?);
        Some(Spread {
            least,
            p5: quantile(&values, 0.05),
            median: quantile(&values, 0.5),
            p95: quantile(&values, 0.95),
            most,
        })
    }
}

/// How a value is spread over trials.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Spread {
    /// Smallest.
    pub least: f64,
    /// One in twenty is below.
    pub p5: f64,
    /// Half are below.
    pub median: f64,
    /// One in twenty is above.
    pub p95: f64,
    /// Largest.
    pub most: f64,
}

/// The quantile of values in order, linear between neighbours. Source: Hyndman & Fan, The American Statistician 50
/// (1996), type 7.
fn quantile(values: &[f64], part: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
    let place = part * (values.len() - 1) as f64;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the list")]
    let below = place as usize;
    let above = (below + 1).min(values.len() - 1);
    values[below] + place.fract() * (values[above] - values[below])
}

//! The band of many trials: how cold the coldest place of any battery got over time, from the coldest trial to the
//! warmest.

use super::scenario::Scenario;
use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::chart::{Line, LineKind, NO_RANGE};
use crate::offer::Offer;
use forewarm_core::signals::Outputs;
use std::sync::{Mutex, PoisonError};

/// Bins at most: a few to a dot of a wide screen.
const BINS: i64 = 4000;

/// Collected from trials that run on several threads.
#[derive(Debug)]
pub struct Envelope {
    bin_s: i64,
    ranges: Mutex<Vec<(f32, f32)>>,
}

/// One trial's part of it.
pub(super) struct Seen {
    bin_s: i64,
    ranges: Vec<(f32, f32)>,
}

impl Envelope {
    /// Of no trials yet.
    #[must_use]
    pub fn new(scenario: &Scenario) -> Self {
        let block_s = i64::from(scenario.block_ms().div_ceil(1000));
        Self { bin_s: (scenario.span_s / BINS / block_s + 1) * block_s, ranges: Mutex::default() }
    }

    pub(super) const fn watcher(&self) -> Seen {
        Seen { bin_s: self.bin_s, ranges: Vec::new() }
    }

    /// Adds a finished trial. The order of trials does not matter.
    pub(super) fn include(&self, seen: &Seen) {
        let mut ranges = self.ranges.lock().unwrap_or_else(PoisonError::into_inner);
        let bins = seen.ranges.len().max(ranges.len());
        ranges.resize(bins, NO_RANGE);
        for (range, more) in ranges.iter_mut().zip(&seen.ranges) {
            *range = (range.0.min(more.0), range.1.max(more.1));
        }
    }

    /// The band, as a line of a chart.
    #[must_use]
    pub fn line(self, trials: usize) -> Line {
        Line {
            name: format!("coldest cell in {trials} trials"),
            kind: LineKind::Trials,
            bin_s: self.bin_s,
            ranges: self.ranges.into_inner().unwrap_or_else(PoisonError::into_inner),
            doubtful: Vec::new(),
        }
    }
}

impl Watcher for Seen {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        #[expect(clippy::cast_possible_truncation, reason = "seconds of a year, and a picture")]
        let (at_s, t) = (glimpse.at_s as i64, glimpse.coldest_c as f32);
        let bin = usize::try_from(at_s / self.bin_s).unwrap_or(0);
        if self.ranges.len() <= bin {
            self.ranges.resize(bin + 1, NO_RANGE);
        }
        let range = &mut self.ranges[bin];
        *range = (range.0.min(t), range.1.max(t));
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

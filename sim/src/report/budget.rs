//! How wrong the thermometers of the cells can read, in short.

use crate::figures::fixed;
use crate::plan::Plan;
use crate::plan::measurement::{COVERAGE, Line};
use serde::Serialize;

/// As many contributions are named.
const NAMED: usize = 3;

/// The error of one channel where it decides on the release of charge.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ErrorOf {
    /// Its name.
    pub channel: String,
    /// The reading (°C).
    pub reading_c: f64,
    /// How much too warm it is known to read (K).
    pub bias_k: f64,
    /// Expanded uncertainty, coverage factor 2 (K).
    pub expanded_k: f64,
    /// How far above the cells' limit the threshold must lie for it (K).
    pub guard_band_k: f64,
    /// The largest contributions with their shares of that (K), the largest first.
    pub largest: Vec<(String, f64)>,
}

pub(super) fn list(plan: &Plan) -> Vec<ErrorOf> {
    let weight = |line: &Line| line.bias_k.max(0.0) + COVERAGE * line.u_k;
    let one = |channel: &crate::plan::thresholds::ChannelError| {
        let budget = &channel.at_release;
        let mut lines: Vec<&Line> = budget.lines.iter().collect();
        lines.sort_by(|a, b| weight(b).total_cmp(&weight(a)));
        ErrorOf {
            channel: channel.channel.clone(),
            reading_c: budget.reading_c,
            bias_k: budget.bias_k,
            expanded_k: budget.expanded_k,
            guard_band_k: budget.guard_band_k,
            largest: lines.iter().take(NAMED).map(|line| (line.contribution.clone(), weight(line))).collect(),
        }
    };
    plan.measurement.channels.iter().map(one).collect()
}

impl ErrorOf {
    /// The largest contributions, in words.
    pub(super) fn largest_told(&self) -> String {
        let told = self.largest.iter().map(|(what, share_k)| format!("{what} ({} K)", fixed(*share_k, 2)));
        told.collect::<Vec<_>>().join("; ")
    }
}

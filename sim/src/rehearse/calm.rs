//! Decides whether the loop may cross a block in leaps: only if every reading is far from where a decision could
//! change.

use super::probe::NOISE_REACH;
use super::scenario::Scenario;
use super::stage::{BLOCK_STEPS, seconds};
use crate::platinum::{Platinum, ohms};
use crate::si::celsius;
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{MAX_CHANNELS, Role, ValidSettings};

/// Whether every reading is well between two thresholds.
pub(super) struct Calm {
    /// The thresholds of each channel (°C).
    thresholds: Vec<Vec<f64>>,
    /// The distance from a threshold within which a reading's noise and coarseness count (K).
    margin_k: Vec<f64>,
    /// The elements' temperatures at the block before this (°C), and the step at which it began.
    before: [f64; MAX_CHANNELS],
    before_at: u64,
}

impl Calm {
    pub(super) fn new(scenario: &Scenario) -> Self {
        let Scenario { settings, site, .. } = scenario;
        let converter = &site.converter;
        let margin_k = settings.channels.iter().map(|channel| {
            let code_ohm = ohms(channel.reference) / f64::from(1_u32 << converter.bits);
            let platinum = Platinum::of(&channel.element);
            // This reading and another may differ by two noises and two codes. The core also widens readings by a
            // millikelvin.
            0.005 + 2.0 * (NOISE_REACH * converter.noise_k + code_ohm / platinum.slope(0.0))
        });
        Self {
            thresholds: settings.channels.iter().map(|channel| turning_points_c(settings, channel.role)).collect(),
            margin_k: margin_k.collect(),
            before: [f64::NAN; MAX_CHANNELS],
            before_at: 0,
        }
    }

    /// Whether every reading stays clear of its thresholds through the next block. A reading may drift towards a
    /// threshold at twice the pace of the last block.
    pub(super) fn holds(
        &mut self,
        at: u64,
        readings: &[Option<Celsius>; MAX_CHANNELS],
        sensors_c: [f64; MAX_CHANNELS],
    ) -> bool {
        let before = std::mem::replace(&mut self.before, sensors_c);
        // Blocks that end with an event are shorter.
        let blocks = seconds(at - std::mem::replace(&mut self.before_at, at), 1.0) / seconds(BLOCK_STEPS, 1.0);
        let mut channels = self.thresholds.iter().zip(&self.margin_k).zip(readings).zip(sensors_c.iter().zip(before));
        channels.all(|(((thresholds, margin_k), reading), (now, before))| {
            let reading = reading.map_or(f64::NAN, celsius);
            let drift_k = (now - before) / blocks;
            // Both comparisons are false for NaN: a channel without a reading is never calm.
            thresholds.iter().all(|threshold| {
                let ahead_k = (threshold - reading) * drift_k.signum();
                ahead_k > margin_k + 2.0 * drift_k.abs() || ahead_k < -margin_k
            })
        })
    }
}

/// The temperatures at which a decision on a channel of this role changes (°C).
fn turning_points_c(settings: &ValidSettings, role: Role) -> Vec<f64> {
    let mut all = Vec::new();
    settings.turning_points(role, |t| all.push(celsius(t)));
    all
}

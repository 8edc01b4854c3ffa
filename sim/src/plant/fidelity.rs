//! How far the few states can be from what the many patterns say.
//!
//! What a place does after a step of heat or weather is compared, at moments from some minutes on to the end. Heat comes and goes in steps: the
//! errors of its answers, added up with every change of theirs counted in full, bound the error of every history of it, however often it is
//! switched. Weather goes straight from hour to hour: its error is at most how fast it turns, times the integral of the error of a step.
//! Source: the gain from bounded inputs to a bounded output is the integral of the magnitude of the impulse response, Desoer & Vidyasagar,
//! Feedback Systems (1975), chapter 6, from memory.

use super::basis::{BANK_W, BOUNDARY_K, HEATER_W, Reduced};
use super::extremes::Extremes;
use super::modes::{Drive, Modes};
use nalgebra::{DMatrix, DVector};

/// Moments after a step (s). Sooner, a step of 100 W is seen to a few hundredths of a kelvin less sharply than it is.
const MOMENTS_S: [f64; 12] =
    [240.0, 480.0, 900.0, 1800.0, 3600.0, 7200.0, 14_400.0, 28_800.0, 57_600.0, 115_200.0, 345_600.0, 1e8];

/// How fast weather turns (K/h). From memory: fronts bring some kelvins an hour.
const TURNS_K_PER_H: f64 = 5.0;

/// Wind about the box meanwhile (m/s).
const WIND_M_S: f64 = 3.0;

/// Drives that are heat: the heater's, and the bank's own.
const HEATS: usize = 2;

/// What every place of the batteries answers to a step of each drive, moment by moment.
#[derive(Clone, Debug)]
pub(super) struct Answers(Vec<Vec<DVector<f64>>>);

impl Answers {
    pub(super) fn of(reduced: &Reduced) -> Self {
        let solid = &reduced.solid;
        let modes = Modes::new(&reduced.in_wind(WIND_M_S), 1.0, &[]);
        let n = reduced.states();
        let rows: DMatrix<f64> = reduced.rows(Extremes::lattice(&solid.layout).in_batteries(solid));
        let part = |parts: Vec<f64>, watts: f64| reduced.read(parts.into_iter().enumerate()) * watts;
        // Heat comes first.
        let drives = [
            (part(solid.heater(), HEATER_W), [0.0; 2]),
            (part(solid.bank(), BANK_W), [0.0; 2]),
            (DVector::zeros(n), [BOUNDARY_K, 0.0]),
            (DVector::zeros(n), [0.0, BOUNDARY_K]),
        ];
        let answers = drives.iter().map(|(heat_w, boundary_c)| {
            let heat = modes.of_heat(heat_w);
            let drive = Drive { heats: &[(1.0, &heat)], boundary_c: *boundary_c, slope_k_per_s: [0.0; 2] };
            MOMENTS_S.into_iter().map(|seconds| &rows * modes.after(&DVector::zeros(n), &drive, seconds)).collect()
        });
        Self(answers.collect())
    }

    /// The most that any place can be apart from `other` in any history (K).
    pub(super) fn apart_k(&self, other: &Self) -> f64 {
        let places = self.0[0][0].len();
        let mut total = DVector::zeros(places);
        for (drive, (ours, theirs)) in self.0.iter().zip(&other.0).enumerate() {
            let (mut before, mut before_s) = (DVector::zeros(places), 0.0);
            for ((ours, theirs), at_s) in ours.iter().zip(theirs).zip(MOMENTS_S) {
                let error = ours - theirs;
                total += if drive < HEATS {
                    (&error - &before).abs()
                } else {
                    // By the end nothing is left of it.
                    let lasts_h = (at_s.min(1e6) - before_s) / 3600.0;
                    (error.abs() + before.abs()) / 2.0 * lasts_h * TURNS_K_PER_H / BOUNDARY_K
                };
                (before, before_s) = (error, at_s.min(1e6));
            }
        }
        total.max()
    }
}

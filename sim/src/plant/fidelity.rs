//! How far the few states can be from the many patterns.
//!
//! Both answer a step of heat or weather. Their answers are compared at every place, at moments from some minutes on to
//! the end. Heat comes and goes in steps. The sum of all changes of the error, each counted in full, bounds the error
//! in every history, however often heat is switched. Weather runs straight from hour to hour. Its error is at most its
//! fastest turn times the integral of the error of a step. Source: the gain from bounded inputs to a bounded output is
//! the integral of the magnitude of the impulse response, Desoer & Vidyasagar, Feedback Systems (1975), chapter 6, from
//! memory.

use super::basis::{BANK_W, BOUNDARY_K, HEATER_W, Reduced};
use super::extremes::Extremes;
use super::modes::{Drive, Modes};
use nalgebra::{DMatrix, DVector};

/// Moments after a step (s). Earlier, the few states blur a step of 100 W by a few hundredths of a kelvin.
const MOMENTS_S: [f64; 12] =
    [240.0, 480.0, 900.0, 1800.0, 3600.0, 7200.0, 14_400.0, 28_800.0, 57_600.0, 115_200.0, 345_600.0, 1e8];

/// How fast weather turns (K/h). From memory: fronts bring some kelvins an hour.
const TURNS_K_PER_H: f64 = 5.0;

/// Wind about the box meanwhile (m/s).
const WIND_M_S: f64 = 3.0;

/// Drives that are heat: from the heater, and from the bank itself.
const HEATS: usize = 2;

/// The answer of every place of the batteries to a step of each drive, moment by moment.
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

    /// The most that any place can differ from `other` in any history (K).
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
                    // The error has decayed by the end.
                    let lasts_h = (at_s.min(1e6) - before_s) / 3600.0;
                    (error.abs() + before.abs()) / 2.0 * lasts_h * TURNS_K_PER_H / BOUNDARY_K
                };
                (before, before_s) = (error, at_s.min(1e6));
            }
        }
        total.max()
    }
}

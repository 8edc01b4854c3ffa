//! At which temperatures isotherms are drawn, and the colours between them.

use super::real;
use crate::figures::fixed;

/// The fill from cold to warm, by red, green and blue: lighter all the way, so that it reads in grey, and from blue to yellow, which those
/// tell apart who confuse red and green.
const RAMP: [[f64; 3]; 4] = [[96.0, 146.0, 208.0], [158.0, 190.0, 214.0], [222.0, 218.0, 190.0], [255.0, 244.0, 196.0]];

/// Steps between isotherms (K), and how many of them there are at most. The coarsest are for what nobody builds.
const STEPS_K: [f64; 9] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
const MOST_LINES: usize = 12;

/// Round temperatures at which isotherms are drawn, and the decimals that they are written with.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Levels {
    pub(super) at_c: Vec<f64>,
    pub(super) step_k: f64,
    pub(super) decimals: usize,
}

impl Levels {
    /// Of a range; none where nothing is between.
    pub(super) fn between(low_c: f64, high_c: f64) -> Self {
        let levels = |step_k: f64| {
            #[expect(clippy::cast_possible_truncation, reason = "temperatures of batteries, by a tenth of a kelvin")]
            let (first, last) = ((low_c / step_k).floor() as i32 + 1, (high_c / step_k).ceil() as i32 - 1);
            // A division gives the double nearest to the decimal number.
            (first..=last)
                .map(
                    |count| {
                        if step_k < 1.0 { f64::from(count) / (1.0 / step_k).round() } else { f64::from(count) * step_k }
                    },
                )
                .collect::<Vec<f64>>()
        };
        let step_k = STEPS_K.into_iter().find(|step_k| levels(*step_k).len() <= MOST_LINES).unwrap_or(STEPS_K[8]);
        Self { at_c: levels(step_k), step_k, decimals: usize::from(step_k < 1.0) }
    }

    /// The colour of what lies above so many of them.
    pub(super) fn colour(&self, above: usize) -> String {
        let part = if self.at_c.is_empty() { 0.5 } else { real(above) / real(self.at_c.len()) };
        colour(part)
    }

    pub(super) fn label(&self, at_c: f64) -> String {
        number(at_c, self.decimals)
    }
}

/// A colour of the ramp, at a part of its length.
pub(super) fn colour(part: f64) -> String {
    let at = part.clamp(0.0, 1.0) * real(RAMP.len() - 1);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 3")]
    let first = (at.floor() as usize).min(RAMP.len() - 2);
    let on = at - real(first);
    let [r, g, b] = [0, 1, 2].map(|of| RAMP[first][of] + on * (RAMP[first + 1][of] - RAMP[first][of]));
    format!("rgb({r:.0},{g:.0},{b:.0})")
}

/// A number with a minus sign in place of the hyphen, and none before nothing.
pub(super) fn number(value: f64, decimals: usize) -> String {
    fixed(value, decimals).replace('-', "−")
}

//! What the readings differ by that no parameter explains: noise from reading to reading, and a slow wander.
//!
//! A logged temperature is quantised, the weather does what no log has, and no model is the thing itself. So the differences of a minute
//! from the next are alike. Plain least squares would count each as news, and its intervals would be too narrow. Here a reading is
//!
//! ```text
//! model + wander + white        d wander / dt = −wander / τ + noise
//! ```
//!
//! and the differences are filtered to innovations: what each reading says that could not be foretold from those before it. These are
//! white if the noise is as described. The filter is linear, so the same one goes over the residuals and over each column of the Jacobian.
//! Its three figures are those under which the residuals are most likely.
//!
//! Source: the Kalman filter of a first-order process in white noise, and its likelihood by innovations: Harvey, Forecasting, Structural
//! Time Series Models and the Kalman Filter (1989), sections 3.2 and 3.4, from memory.

use crate::portable::squared;

/// The noise of one thermometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Noise {
    /// Standard deviation from reading to reading (K).
    pub(super) white_k: f64,
    /// Standard deviation of the wander (K), and how fast it forgets (s).
    pub(super) wander_k: f64,
    pub(super) forgets_s: f64,
}

impl Noise {
    pub(super) const UNKNOWN: Self = Self { white_k: 0.1, wander_k: 0.2, forgets_s: 3600.0 };
}

/// What a filter does with each reading of a series in turn.
#[derive(Clone, Copy, Debug)]
struct Gain {
    /// Part of the wander that is left since the reading before.
    left: f64,
    /// Part of an innovation that is taken for wander.
    taken: f64,
    /// Standard deviation of the innovation (K).
    sd_k: f64,
}

/// A filter for readings at some moments.
#[derive(Clone, Debug)]
pub(super) struct Filter(Vec<Gain>);

impl Filter {
    pub(super) fn new(noise: Noise, moments_s: &[f64]) -> Self {
        let (white, wander) = (squared(noise.white_k), squared(noise.wander_k));
        let (mut unsure, mut before_s) = (wander, f64::NEG_INFINITY);
        let (mut last_s, mut left) = (f64::NAN, 0.0);
        let gain = |&at_s: &f64| {
            let since_s = at_s - before_s;
            if since_s.to_bits() != last_s.to_bits() {
                (last_s, left) = (since_s, libm::exp(-since_s / noise.forgets_s));
            }
            before_s = at_s;
            unsure = left * left * unsure + wander * (1.0 - left * left);
            let variance = unsure + white;
            let taken = unsure / variance;
            unsure *= 1.0 - taken;
            Gain { left, taken, sd_k: variance.sqrt() }
        };
        Self(moments_s.iter().map(gain).collect())
    }

    /// Turns a series, in the order of the moments, into innovations in standard deviations.
    pub(super) fn whiten(&self, series: &mut [f64]) {
        let mut wander = 0.0;
        for (value, gain) in series.iter_mut().zip(&self.0) {
            wander *= gain.left;
            let innovation = *value - wander;
            wander += gain.taken * innovation;
            *value = innovation / gain.sd_k;
        }
    }

    /// Twice the sum of the logarithms of the standard deviations.
    fn spread(&self) -> f64 {
        2.0 * self.0.iter().map(|gain| libm::log(gain.sd_k)).sum::<f64>()
    }
}

/// One series of differences between readings and model: moments (s) and differences (K).
pub(super) type Series = (Vec<f64>, Vec<f64>);

/// The noise under which these series are most likely, not below `least_k` from reading to reading. The search begins at `from`.
pub(super) fn likeliest(series: &[Series], from: Noise, least_k: f64) -> Noise {
    let noise = |logs: [f64; 3]| Noise {
        white_k: libm::exp(logs[0]).max(least_k),
        wander_k: libm::exp(logs[1]),
        forgets_s: libm::exp(logs[2]),
    };
    let mut scratch = Vec::new();
    let mut cost = |logs: [f64; 3]| {
        let noise = noise(logs);
        let mut cost = 0.0;
        for (moments_s, differences) in series {
            let filter = Filter::new(noise, moments_s);
            scratch.clear();
            scratch.extend_from_slice(differences);
            filter.whiten(&mut scratch);
            cost += filter.spread() + scratch.iter().map(|innovation| innovation * innovation).sum::<f64>();
        }
        // A wander that forgets in seconds is white, one that forgets in weeks an offset: about an hour, within a factor of ten.
        cost + squared((logs[2] - libm::log(3600.0)) / libm::log(10.0))
    };
    let bounds =
        [(libm::log(1e-4), libm::log(10.0)), (libm::log(1e-4), libm::log(30.0)), (libm::log(30.0), libm::log(3e5))];
    let mut at = [libm::log(from.white_k), libm::log(from.wander_k), libm::log(from.forgets_s)];
    let mut least = cost(at);
    let mut step = 0.7;
    while step > 0.02 {
        let mut is_better = false;
        for axis in 0..3 {
            for sign in [-1.0, 1.0] {
                let mut next = at;
                next[axis] = (next[axis] + sign * step).clamp(bounds[axis].0, bounds[axis].1);
                let found = cost(next);
                if found < least - 1e-9 {
                    (at, least, is_better) = (next, found, true);
                    break;
                }
            }
        }
        if !is_better {
            step /= 2.0;
        }
    }
    noise(at)
}

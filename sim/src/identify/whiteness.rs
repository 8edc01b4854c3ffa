//! Whether a series says nothing about what comes next.
//!
//! Source: Ljung & Box, On a measure of lack of fit in time series models, Biometrika 65 (1978), 297-303, from memory.

use crate::portable::squared;

/// Lags that are looked at, and how many of them the figures of the noise use up.
const LAGS: usize = 22;
const USED: usize = 2;

/// How likely a white series would be at least as correlated as these are together, each part by itself. `None` if they are too short.
pub(super) fn likelihood(parts: &[Vec<f64>]) -> Option<f64> {
    let count: usize = parts.iter().map(Vec::len).sum();
    if count < 5 * LAGS {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
    let real = |count: usize| count as f64;
    let mean = parts.iter().flatten().sum::<f64>() / real(count);
    let variance: f64 = parts.iter().flatten().map(|value| squared(value - mean)).sum();
    let of_lag = |lag: usize| {
        let of = |part: &Vec<f64>| -> f64 {
            part.iter().zip(part.iter().skip(lag)).map(|(one, next)| (one - mean) * (next - mean)).sum()
        };
        let correlation = parts.iter().map(of).sum::<f64>() / variance;
        correlation * correlation / real(count - lag)
    };
    let statistic = real(count) * real(count + 2) * (1..=LAGS).map(of_lag).sum::<f64>();
    Some(beyond(statistic, LAGS - USED))
}

/// The part of a chi-squared distribution beyond `value`, for an even number of degrees of freedom: the sum of a Poisson distribution.
fn beyond(value: f64, freedom: usize) -> f64 {
    let half = value / 2.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for step in (1..freedom / 2).scan(0.0, |at: &mut f64, _| {
        *at += 1.0;
        Some(*at)
    }) {
        term *= half / step;
        sum += term;
    }
    // For large values both factors leave the range of a double, and the result is 0.
    let log = libm::log(sum) - half;
    if log.is_nan() { 0.0 } else { libm::exp(log).min(1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64;

    /// Quantiles of the chi-squared distribution with 20 degrees of freedom, from its printed tables.
    #[test]
    fn the_tail_is_that_of_the_printed_tables() {
        for (value, part) in [(10.851, 0.95), (31.410, 0.05), (37.566, 0.01), (45.315, 0.001)] {
            assert!((beyond(value, 20) - part).abs() < 2e-5, "{value}: {}", beyond(value, 20));
        }
        assert!(beyond(1e6, 20) < 1e-12 && (beyond(0.0, 20) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_series_that_remembers_is_told_from_one_that_does_not() {
        let mut random = Pcg64::seed_from_u64(1);
        let mut draw = || random.random_range(-1.0..1.0);
        let white: Vec<Vec<f64>> = (0..3).map(|_| (0..400).map(|_| draw()).collect()).collect();
        let remembers: Vec<Vec<f64>> =
            white.iter().map(|part| part.windows(2).map(|pair| pair[1] + 0.2 * pair[0]).collect()).collect();
        assert!(likelihood(&white).is_some_and(|likelihood| likelihood > 0.05));
        assert!(likelihood(&remembers).is_some_and(|likelihood| likelihood < 1e-3));
        assert_eq!(likelihood(&[vec![0.0; 20]]), None);
    }
}

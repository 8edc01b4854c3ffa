//! Numbers as a plan prints them: no more digits than their uncertainty justifies, one shape for all.

/// `9.4 ± 0.9 A`: the uncertainty has one significant digit, or two if the first is a 1. The value has the same decimal
/// places.
#[must_use]
pub(crate) fn uncertain(value: f64, uncertainty: f64, unit: &str) -> String {
    let places = places(uncertainty);
    if uncertainty > 0.0 {
        format!("{} ± {} {unit}", rounded(value, places), rounded(uncertainty, places))
    } else {
        format!("{} {unit}", plain(value))
    }
}

/// Decimal places that are significant for a number with this uncertainty; negative for tens and hundreds.
fn places(uncertainty: f64) -> i32 {
    if !(uncertainty > 0.0 && uncertainty.is_finite()) {
        return 3;
    }
    let first = libm::log10(uncertainty).floor();
    let digit = uncertainty / libm::exp10(first);
    #[expect(clippy::cast_possible_truncation, reason = "the logarithm of a double is below 309")]
    let first = first as i32;
    (i32::from(digit < 1.95) - first).min(9)
}

/// `value` to `places` decimal places, tens and hundreds included.
fn rounded(value: f64, places: i32) -> String {
    let grain = libm::exp10(f64::from(-places));
    fixed((value / grain).round() * grain, usize::try_from(places).unwrap_or(0))
}

/// `value` with a fixed number of decimals and no negative zero.
#[must_use]
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if is_zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// An exact number, such as a setting: up to three decimals, without trailing zeros.
#[must_use]
pub(crate) fn plain(value: f64) -> String {
    let text = fixed(value, 3);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// `value` up to the next whole number of `grain`. Rounding errors of earlier arithmetic do not lift it one further.
#[must_use]
pub(crate) fn raised_to(value: f64, grain: f64) -> f64 {
    let steps = (value / grain - 1e-9).ceil();
    // A fraction divided by its whole reciprocal is the double nearest to the decimal number. A product may not be.
    if grain < 1.0 { steps / (1.0 / grain).round() } else { steps * grain }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_has_as_many_digits_as_its_uncertainty() {
        assert_eq!(uncertain(9.375, 0.937_5, "A"), "9.4 ± 0.9 A");
        assert_eq!(uncertain(0.489_314, 0.012, "K"), "0.489 ± 0.012 K");
        assert_eq!(uncertain(1234.0, 56.0, "W"), "1230 ± 60 W");
        assert_eq!(uncertain(1234.0, 156.0, "W"), "1230 ± 160 W");
        assert_eq!(uncertain(-0.004, 0.2, "K"), "0.0 ± 0.2 K");
        assert_eq!(uncertain(2.5, 0.0, "m"), "2.5 m");
        assert_eq!(uncertain(99.96, 0.98, "m"), "100.0 ± 1.0 m");
    }

    #[test]
    fn raising_goes_up_to_the_grain_and_no_further() {
        assert_eq!(plain(raised_to(5.3, 0.1)), "5.3");
        assert_eq!(plain(raised_to(5.301, 0.1)), "5.4");
        assert_eq!(plain(raised_to(0.1 + 0.2, 0.1)), "0.3");
        assert_eq!(plain(raised_to(-1.25, 0.5)), "-1");
        assert_eq!(plain(raised_to(161.0, 10.0)), "170");
        assert_eq!(raised_to(11.15, 0.1).to_string(), "11.2");
    }
}

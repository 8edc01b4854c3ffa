//! The core's whole steps in f64 and SI units: each conversion once.
//!
//! A temperature from a file comes back in two ways. [`celsius`] is the value that the core compares with, to its last
//! step. [`written_c`] is the value that the fitter wrote, in thousandths: the core's steps of 1/65 536 hide that
//! decimal number. Arithmetic that must agree with the core uses the first. Text for a person uses the second.
//! Differences have the same two.

use forewarm_core::quantity::{
    Celsius, Fraction, Joules, Kelvins, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts,
};

/// Steps of the core in one degree, and in one whole.
const STEPS: f64 = 65_536.0;

/// A temperature exactly as the core has it (°C).
#[must_use]
pub fn celsius(t: Celsius) -> f64 {
    f64::from(t.as_steps()) / STEPS
}

/// A temperature as it was written (°C), in thousandths.
#[must_use]
pub fn written_c(t: Celsius) -> f64 {
    f64::from(t.as_millidegrees()) / 1000.0
}

/// A difference exactly as the core has it (K).
#[must_use]
pub fn kelvins(difference: Kelvins) -> f64 {
    f64::from(difference.as_steps()) / STEPS
}

/// A difference as it was written (K), in thousandths.
#[must_use]
pub fn written_k(difference: Kelvins) -> f64 {
    f64::from(difference.as_millikelvins()) / 1000.0
}

/// A part of a whole (1).
#[must_use]
pub fn part(fraction: Fraction) -> f64 {
    f64::from(fraction.as_steps()) / STEPS
}

/// A voltage (V).
#[must_use]
pub fn volts(voltage: Millivolts) -> f64 {
    f64::from(voltage.as_millivolts()) / 1000.0
}

/// A current (A).
#[must_use]
pub fn amps(current: Milliamps) -> f64 {
    f64::from(current.as_milliamps()) / 1000.0
}

/// A power (W).
#[must_use]
pub fn watts(power: Milliwatts) -> f64 {
    f64::from(power.as_milliwatts()) / 1000.0
}

/// An energy (J).
#[must_use]
pub fn joules(energy: Joules) -> f64 {
    f64::from(energy.as_joules())
}

/// A capacity (Ah).
#[must_use]
pub fn amp_hours(capacity: MilliampHours) -> f64 {
    f64::from(capacity.as_milliamp_hours()) / 1000.0
}

/// A span of time (s).
#[must_use]
pub fn seconds(span: Millis) -> f64 {
    f64::from(span.as_millis()) / 1000.0
}

/// A voltage as the core has it.
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
pub fn millivolts(volts: f64) -> Millivolts {
    Millivolts::from_millivolts((volts * 1000.0).round() as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// And what the core compares with lies within half a step of that, 7.7 µK.
        #[test]
        fn what_was_written_in_thousandths_comes_back_as_written(thousandths in -200_000..200_000_i32) {
            let t = Celsius::from_millidegrees(thousandths);
            prop_assert_eq!(written_c(t).to_bits(), (f64::from(thousandths) / 1000.0).to_bits());
            prop_assert!((celsius(t) - written_c(t)).abs() <= 0.5 / STEPS);
            let difference = Kelvins::from_millikelvins(thousandths);
            prop_assert_eq!(written_k(difference).to_bits(), (f64::from(thousandths) / 1000.0).to_bits());
            prop_assert!((kelvins(difference) - written_k(difference)).abs() <= 0.5 / STEPS);
        }

        #[test]
        fn a_voltage_goes_to_the_core_and_back(thousandths in 0..1_000_000_u32) {
            prop_assert_eq!(millivolts(volts(Millivolts::from_millivolts(thousandths))).as_millivolts(), thousandths);
        }
    }
}

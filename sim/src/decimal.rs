//! Exact numbers, as people write them.
//!
//! A setting is held in thousandths of its unit. A binary fraction on the way would round 0.1 once going in and
//! again coming out, and could not distinguish 4.1 from 4.1000001. So numbers stay decimal until they are whole.

use std::fmt;
use std::str::FromStr;

/// A decimal number of at most 30 significant digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decimal {
    /// Without trailing zeros, so that every digit counts.
    digits: i128,
    /// The number is `digits` × 10^`exponent`.
    exponent: i32,
}

/// Why a text is not a [`Decimal`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotDecimal {
    /// It is not a number.
    Syntax,
    /// It is `nan` or `inf`.
    NotFinite,
    /// It has more than 30 significant digits.
    TooLong,
}

impl fmt::Display for NotDecimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Syntax => "not a number",
            Self::NotFinite => "not a finite number",
            Self::TooLong => "a number of more than 30 digits",
        })
    }
}

impl std::error::Error for NotDecimal {}

/// Why a [`Decimal`] is not a whole number of the parts asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotWhole {
    /// It has places finer than one part.
    Finer,
    /// There are more parts than 64 bits hold.
    TooLarge,
}

impl FromStr for Decimal {
    type Err = NotDecimal;

    fn from_str(text: &str) -> Result<Self, NotDecimal> {
        let (negative, size) = match text.as_bytes().first() {
            Some(b'-') => (true, &text[1..]),
            Some(b'+') => (false, &text[1..]),
            _ => (false, text),
        };
        if ["nan", "inf", "infinity"].iter().any(|word| size.eq_ignore_ascii_case(word)) {
            return Err(NotDecimal::NotFinite);
        }
        let (mantissa, exponent) = match size.split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().map_err(|_| NotDecimal::Syntax)?),
            None => (size, 0),
        };
        let (whole, part) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        let mut digits = format!("{whole}{part}");
        if digits.is_empty() || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
            return Err(NotDecimal::Syntax);
        }
        let places = i32::try_from(part.len()).map_err(|_| NotDecimal::TooLong)?;
        let significant = digits.trim_end_matches('0').len();
        let zeros = i32::try_from(digits.len() - significant).map_err(|_| NotDecimal::TooLong)?;
        digits.truncate(significant);
        let digits = digits.trim_start_matches('0');
        if digits.is_empty() {
            return Ok(Self { digits: 0, exponent: 0 });
        }
        if digits.len() > 30 {
            return Err(NotDecimal::TooLong);
        }
        let size: i128 = digits.parse().map_err(|_| NotDecimal::Syntax)?;
        let exponent = exponent.saturating_sub(places).saturating_add(zeros);
        Ok(Self { digits: if negative { -size } else { size }, exponent })
    }
}

impl Decimal {
    /// How many parts of 10^−`places` this is.
    ///
    /// # Errors
    /// [`NotWhole`] if that is not a whole number, or does not fit in 64 bits.
    pub fn parts(self, places: u32) -> Result<i64, NotWhole> {
        let places = i32::try_from(places).map_err(|_| NotWhole::TooLarge)?;
        let shift = self.exponent.saturating_add(places);
        if self.digits == 0 {
            return Ok(0);
        }
        let Ok(shift) = u32::try_from(shift) else {
            return Err(NotWhole::Finer);
        };
        10_i128
            .checked_pow(shift)
            .and_then(|power| self.digits.checked_mul(power))
            .and_then(|parts| i64::try_from(parts).ok())
            .ok_or(NotWhole::TooLarge)
    }

    /// The nearest binary fraction. Infinite if the number is beyond all of them.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        // A float is written with digits and exponent, so this always parses.
        format!("{}e{}", self.digits, self.exponent).parse().unwrap_or(f64::INFINITY)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parts(text: &str, places: u32) -> Result<i64, NotWhole> {
        text.parse::<Decimal>().unwrap().parts(places)
    }

    #[test]
    fn every_way_to_write_a_number_means_the_same_number() {
        for text in ["5", "5.0", "5.000000", "+5", "0005", "0.5e1", "50e-1", "5E0"] {
            assert_eq!(parts(text, 3), Ok(5000), "{text}");
        }
        assert_eq!(parts("-0", 3), Ok(0));
        assert_eq!(parts("0e999999999", 3), Ok(0));
        assert_eq!(parts("-.25", 3), Ok(-250));
    }

    #[test]
    fn what_does_not_fit_is_told_apart() {
        assert_eq!(parts("4.0001", 3), Err(NotWhole::Finer));
        assert_eq!(parts("1e-2147483648", 3), Err(NotWhole::Finer));
        assert_eq!(parts("1e300", 3), Err(NotWhole::TooLarge));
        assert_eq!(parts("1e2147483647", 3), Err(NotWhole::TooLarge));
        for (text, error) in [
            ("", NotDecimal::Syntax),
            ("-", NotDecimal::Syntax),
            (".", NotDecimal::Syntax),
            ("1e", NotDecimal::Syntax),
            ("1,5", NotDecimal::Syntax),
            ("٣", NotDecimal::Syntax),
            ("-inf", NotDecimal::NotFinite),
            ("NaN", NotDecimal::NotFinite),
            ("1234567890123456789012345678901", NotDecimal::TooLong),
        ] {
            assert_eq!(text.parse::<Decimal>(), Err(error), "{text}");
        }
    }

    proptest! {
        #[test]
        fn thousandths_come_back_as_written(value in -1_000_000_000_000_i64..1_000_000_000_000) {
            let sign = if value < 0 { "-" } else { "" };
            let size = value.unsigned_abs();
            let text = format!("{sign}{}.{:03}", size / 1000, size % 1000);
            prop_assert_eq!(parts(&text, 3), Ok(value));
        }

        #[test]
        fn a_binary_fraction_comes_back_as_the_nearest(value: f64) {
            // 17 digits distinguish every binary fraction.
            let text = format!("{value:.16e}");
            if value.is_finite() {
                // A decimal zero has no sign.
                prop_assert_eq!(text.parse::<Decimal>().unwrap().to_f64().to_bits(), (value + 0.0).to_bits());
            }
        }

        #[test]
        fn no_text_panics(text in any::<String>()) {
            let _ = text.parse::<Decimal>().map(|number| number.parts(3));
        }
    }
}

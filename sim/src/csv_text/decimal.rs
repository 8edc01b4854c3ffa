//! The decimal sign: a point, or a comma as in much of the world.

use super::cells::number;

/// The sign before the decimals of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decimal {
    /// `12.5`.
    Point,
    /// `12,5`.
    Comma,
}

impl Decimal {
    /// Its name in a message.
    #[must_use]
    pub const fn named(self) -> &'static str {
        match self {
            Self::Point => "decimal point",
            Self::Comma => "decimal comma",
        }
    }
}

/// What one number shows about the sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sign {
    /// This one.
    Is(Decimal),
    /// A comma and three digits, as in `1,234`: decimals, or thousands.
    Either,
    /// Nothing: it has no such sign, or it is not a number.
    Silent,
}

/// What `field` shows.
pub(crate) fn sign(field: &[u8]) -> Sign {
    let Some(comma) = memchr::memchr(b',', field) else {
        let has_point = memchr::memchr(b'.', field).is_some() && number(field).is_some();
        return if has_point { Sign::Is(Decimal::Point) } else { Sign::Silent };
    };
    if with_comma(field).is_none() {
        return Sign::Silent;
    }
    let whole = field[..comma].strip_prefix(b"-").or(field[..comma].strip_prefix(b"+")).unwrap_or(&field[..comma]);
    let is_thousands = field.len() == comma + 4
        && field[comma + 1..].iter().all(u8::is_ascii_digit)
        && (1..=3).contains(&whole.len())
        && whole.first() != Some(&b'0');
    if is_thousands { Sign::Either } else { Sign::Is(Decimal::Comma) }
}

/// A number with a comma for its point. `None` if it has both, or two commas.
pub(crate) fn with_comma(field: &[u8]) -> Option<f64> {
    // Longer than any number that a logger writes.
    let mut text = [0; 48];
    let text = text.get_mut(..field.len())?;
    text.copy_from_slice(field);
    if let Some(comma) = memchr::memchr(b',', field) {
        if memchr::memchr(b'.', field).is_some() {
            return None;
        }
        text[comma] = b'.';
    }
    number(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_comma_before_three_digits_may_part_thousands() {
        for (field, expected) in [
            ("12,5", Sign::Is(Decimal::Comma)),
            ("-0,031", Sign::Is(Decimal::Comma)),
            ("1234,567", Sign::Is(Decimal::Comma)),
            ("1,5e3", Sign::Is(Decimal::Comma)),
            ("1,234", Sign::Either),
            ("-12,345", Sign::Either),
            ("1.234", Sign::Is(Decimal::Point)),
            ("12", Sign::Silent),
            ("1.234,5", Sign::Silent),
            ("1,234,567", Sign::Silent),
            ("31.01.2025", Sign::Silent),
            ("", Sign::Silent),
        ] {
            assert_eq!(sign(field.as_bytes()), expected, "{field}");
        }
    }

    proptest! {
        #[test]
        fn a_number_is_the_same_with_a_comma(value in -1e6..1e6_f64, digits in 0..9_usize) {
            let text = format!("{value:.digits$}");
            prop_assert_eq!(with_comma(text.replace('.', ",").as_bytes()), text.parse().ok());
        }

        #[test]
        fn no_field_panics(field: Vec<u8>, like in "[-+]?[0-9.,]{0,60}") {
            let _ = (sign(&field), with_comma(&field), sign(like.as_bytes()), with_comma(like.as_bytes()));
        }
    }
}

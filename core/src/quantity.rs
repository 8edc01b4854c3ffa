//! What the trade measures, as types.
//!
//! A temperature as a point ([`Celsius`]) and a difference ([`Kelvins`]) are two types, and so are a moment
//! ([`Instant`]) and a span ([`Millis`]): operations that mean nothing are absent. Constructors and accessors say
//! the unit. Arithmetic saturates at the ends of the range. `sensing` judges whether a value is believable,
//! [`settings`](crate::settings) whether it is a sensible setting.

use core::fmt;
use fixed::FixedU32;
use fixed::types::extra::{U18, U30};
use fixed::types::{I16F16, U16F16};

/// A temperature as a point on the Celsius scale. A difference is [`Kelvins`].
///
/// Steps of 1/65 536 °C (15 µK), from −32 768 °C to just under +32 768 °C.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Celsius(I16F16);

impl Celsius {
    /// The lowest value the type holds; stands for "colder than anything" when nothing is known.
    pub const MIN: Self = Self(I16F16::MIN);
    /// The highest value the type holds; stands for "hotter than anything" when nothing is known.
    pub const MAX: Self = Self(I16F16::MAX);
    /// The ice point, 0 °C.
    pub const ZERO: Self = Self(I16F16::ZERO);

    /// From thousandths of a degree, rounded to nearest; held at the ends of the range.
    #[must_use]
    pub const fn from_millidegrees(value: i32) -> Self {
        Self(from_thousandths(value))
    }

    /// In thousandths of a degree, rounded to nearest.
    #[must_use]
    pub const fn as_millidegrees(self) -> i32 {
        to_thousandths(self.0)
    }

    /// From steps of 1/65 536 °C, the type's own resolution.
    #[must_use]
    pub const fn from_steps(value: i32) -> Self {
        Self(I16F16::from_bits(value))
    }

    /// In steps of 1/65 536 °C, the type's own resolution.
    #[must_use]
    pub const fn as_steps(self) -> i32 {
        self.0.to_bits()
    }

    /// How far `self` lies above `other`; negative when below, held at the ends of the range.
    #[must_use]
    pub const fn above(self, other: Self) -> Kelvins {
        Kelvins(self.0.saturating_sub(other.0))
    }

    /// Whether `self` and `other` lie at most `distance` apart.
    #[must_use]
    pub const fn is_within(self, distance: Kelvins, other: Self) -> bool {
        self.as_steps().abs_diff(other.as_steps()) <= distance.as_steps().unsigned_abs()
    }

    /// The point `by` higher; held at the ends of the range.
    #[must_use]
    pub const fn raised(self, by: Kelvins) -> Self {
        Self(self.0.saturating_add(by.0))
    }

    /// The point `by` lower; held at the ends of the range.
    #[must_use]
    pub const fn lowered(self, by: Kelvins) -> Self {
        Self(self.0.saturating_sub(by.0))
    }
}

/// A temperature difference. A point on the scale is [`Celsius`].
///
/// Steps of 1/65 536 K, from −32 768 K to just under +32 768 K.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Kelvins(I16F16);

impl Kelvins {
    /// No difference.
    pub const ZERO: Self = Self(I16F16::ZERO);

    /// From thousandths of a kelvin, rounded to nearest; held at the ends of the range.
    #[must_use]
    pub const fn from_millikelvins(value: i32) -> Self {
        Self(from_thousandths(value))
    }

    /// In thousandths of a kelvin, rounded to nearest.
    #[must_use]
    pub const fn as_millikelvins(self) -> i32 {
        to_thousandths(self.0)
    }

    /// From steps of 1/65 536 K.
    #[must_use]
    pub const fn from_steps(value: i32) -> Self {
        Self(I16F16::from_bits(value))
    }

    /// In steps of 1/65 536 K.
    #[must_use]
    pub const fn as_steps(self) -> i32 {
        self.0.to_bits()
    }

    /// The size of the difference, whichever its direction.
    #[must_use]
    pub const fn magnitude(self) -> Self {
        Self(self.0.saturating_abs())
    }

    /// The sum; held at the ends of the range.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// Half of it, rounded down.
    #[must_use]
    pub const fn half(self) -> Self {
        Self::from_steps(self.as_steps() >> 1)
    }

    /// The difference the other way.
    #[must_use]
    pub const fn reversed(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

/// Thousandths to the 16-bit fraction; `i32` × 65 536 needs 48 bits.
#[expect(clippy::cast_possible_truncation, reason = "clamped to 32 bits first")]
const fn from_thousandths(value: i32) -> I16F16 {
    // Below 2^47 in size, so the sum holds; rounded half away from zero.
    let bits = (value as i64) << 16;
    let half = if bits < 0 { -500 } else { 500 };
    let rounded = bits.wrapping_add(half) / 1000;
    if rounded > i32::MAX as i64 {
        I16F16::MAX
    } else if rounded < i32::MIN as i64 {
        I16F16::MIN
    } else {
        I16F16::from_bits(rounded as i32)
    }
}

/// The 16-bit fraction to thousandths; always fits, for 2^31 × 1000 / 2^16 < 2^31.
#[expect(clippy::cast_possible_truncation, reason = "the quotient is below 2^26")]
const fn to_thousandths(value: I16F16) -> i32 {
    let scaled = (value.to_bits() as i64).wrapping_mul(1000);
    (scaled.wrapping_add(1 << 15) >> 16) as i32
}

/// An electrical resistance.
///
/// Steps of 2⁻¹⁸ Ω (3.8 µΩ, which is 10 µK on a Pt100 near the ice point), from 0 to just under 16 384 Ω: a Pt1000
/// over its whole range, a Pt10000 up to 150 °C.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Ohms(FixedU32<U18>);

impl Ohms {
    /// No resistance.
    pub const ZERO: Self = Self(FixedU32::ZERO);
    /// The largest value the type holds, just under 16 384 Ω.
    pub const MAX: Self = Self(FixedU32::MAX);

    /// From thousandths of an ohm, rounded to nearest; held at [`Ohms::MAX`].
    #[must_use]
    pub const fn from_milliohms(value: u32) -> Self {
        Self::from_micro_ohms((value as u64).saturating_mul(1000))
    }

    /// From millionths of an ohm, rounded to nearest; held at [`Ohms::MAX`].
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn from_micro_ohms(value: u64) -> Self {
        if value >= 16_384_000_000 {
            return Self::MAX;
        }
        // value < 2^34, so the shifted value needs 52 bits.
        let steps = (value << 18).wrapping_add(500_000) / 1_000_000;
        if steps > u32::MAX as u64 { Self::MAX } else { Self(FixedU32::from_bits(steps as u32)) }
    }

    /// In millionths of an ohm, rounded to nearest.
    #[must_use]
    pub const fn as_micro_ohms(self) -> u64 {
        // 2^32 × 10^6 needs 52 bits.
        (self.0.to_bits() as u64).wrapping_mul(1_000_000).wrapping_add(1 << 17) >> 18
    }

    /// From steps of 2⁻¹⁸ Ω, the type's own resolution.
    #[must_use]
    pub const fn from_steps(value: u32) -> Self {
        Self(FixedU32::from_bits(value))
    }

    /// In steps of 2⁻¹⁸ Ω, the type's own resolution.
    #[must_use]
    pub const fn as_steps(self) -> u32 {
        self.0.to_bits()
    }

    /// What remains after taking `other` away; nothing if it is the larger.
    #[must_use]
    pub const fn less(self, other: Self) -> Option<Self> {
        match self.0.checked_sub(other.0) {
            Some(rest) => Some(Self(rest)),
            None => None,
        }
    }

    /// The sum; held at [`Ohms::MAX`].
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

/// A resistance as a fraction of the reference resistor: what a ratiometric converter measures.
///
/// Steps of 2⁻³⁰, from 0 to just under 4. A converter code of `n` bits is exact in it while `n` ≤ 30.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Ratio(FixedU32<U30>);

impl Ratio {
    /// Nothing across the element: a short, or an unused lead measurement.
    pub const ZERO: Self = Self(FixedU32::ZERO);
    /// The largest value the type holds, just under 4.
    pub const MAX: Self = Self(FixedU32::MAX);

    /// From a converter's code that spans 0 to the reference resistor in 2^`bits` steps; held at [`Ratio::MAX`].
    ///
    /// ```
    /// use forewarm_core::quantity::Ratio;
    /// // A 15-bit code of 8192 is a quarter of the reference: 100 Ω of 400 Ω.
    /// assert_eq!(Ratio::from_code(8192, 15), Ratio::from_steps(1 << 28));
    /// ```
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn from_code(code: u32, bits: u32) -> Self {
        let steps = if bits <= 30 {
            // At most 62 bits.
            (code as u64) << (30_u32.wrapping_sub(bits))
        } else {
            match (code as u64).checked_shr(bits.wrapping_sub(30)) {
                Some(steps) => steps,
                None => 0,
            }
        };
        if steps > u32::MAX as u64 { Self::MAX } else { Self(FixedU32::from_bits(steps as u32)) }
    }

    /// From steps of 2⁻³⁰.
    #[must_use]
    pub const fn from_steps(value: u32) -> Self {
        Self(FixedU32::from_bits(value))
    }

    /// In steps of 2⁻³⁰.
    #[must_use]
    pub const fn as_steps(self) -> u32 {
        self.0.to_bits()
    }

    /// What remains after taking `other` away; nothing if it is the larger.
    #[must_use]
    pub const fn less(self, other: Self) -> Option<Self> {
        match self.0.checked_sub(other.0) {
            Some(rest) => Some(Self(rest)),
            None => None,
        }
    }

    /// The resistance that is this fraction of `reference`, rounded to nearest; nothing if it is too large for [`Ohms`].
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn of(self, reference: Ohms) -> Option<Ohms> {
        // (2^32 − 1)² + 2^29 stays below 2^64.
        let product = (self.0.to_bits() as u64).wrapping_mul(reference.as_steps() as u64);
        let steps = product.wrapping_add(1 << 29) >> 30;
        if steps > u32::MAX as u64 { None } else { Some(Ohms::from_steps(steps as u32)) }
    }
}

/// A part of a whole or of a capacity: state of charge (1 is full), or current per capacity (1 empties or fills it
/// in an hour).
///
/// Steps of 1/65 536, from 0 to just under 65 536.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Fraction(U16F16);

impl Fraction {
    /// Nothing.
    pub const ZERO: Self = Self(U16F16::ZERO);
    /// The whole.
    pub const ONE: Self = Self(U16F16::ONE);

    /// From thousandths, rounded to nearest; held at the end of the range.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn from_per_mille(value: u32) -> Self {
        // 48 bits.
        let steps = ((value as u64) << 16).wrapping_add(500) / 1000;
        if steps > u32::MAX as u64 { Self(U16F16::MAX) } else { Self(U16F16::from_bits(steps as u32)) }
    }

    /// In thousandths, rounded to nearest.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "2^32 × 1000 / 2^16 is below 2^26")]
    pub const fn as_per_mille(self) -> u32 {
        ((self.0.to_bits() as u64).wrapping_mul(1000).wrapping_add(1 << 15) >> 16) as u32
    }

    /// From steps of 1/65 536.
    #[must_use]
    pub const fn from_steps(value: u32) -> Self {
        Self(U16F16::from_bits(value))
    }

    /// What remains after taking `other` away; zero if it is the larger.
    #[must_use]
    pub const fn less(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// In steps of 1/65 536.
    #[must_use]
    pub const fn as_steps(self) -> u32 {
        self.0.to_bits()
    }
}

/// A reading of the wrapping millisecond clock. No `Ord`: after a wrap, later is smaller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Instant(u32);

impl Instant {
    /// From the clock's millisecond count, which wraps after 49.7 days.
    #[must_use]
    pub const fn from_millis(value: u32) -> Self {
        Self(value)
    }

    /// The clock's millisecond count.
    #[must_use]
    pub const fn as_millis(self) -> u32 {
        self.0
    }

    /// The span from `earlier` to `self`, across a wrap if need be. A clock that ran backwards shows as a very long span.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Millis {
        Millis(self.0.wrapping_sub(earlier.0))
    }
}

/// Defines an unsigned quantity in one unit, with the few operations that mean something for it.
macro_rules! unsigned_quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $as:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
        pub struct $name(u32);

        impl $name {
            /// Nothing.
            pub const ZERO: Self = Self(0);
            /// The largest value the type holds.
            pub const MAX: Self = Self(u32::MAX);

            #[doc = concat!("From ", $unit, ".")]
            #[must_use]
            pub const fn $from(value: u32) -> Self {
                Self(value)
            }

            #[doc = concat!("In ", $unit, ".")]
            #[must_use]
            pub const fn $as(self) -> u32 {
                self.0
            }

            /// Whether it is nothing.
            #[must_use]
            pub const fn is_zero(self) -> bool {
                self.0 == 0
            }

            /// The sum; held at [`Self::MAX`].
            #[must_use]
            pub const fn plus(self, other: Self) -> Self {
                Self(self.0.saturating_add(other.0))
            }

            /// What remains after taking `other` away; zero if it is the larger.
            #[must_use]
            pub const fn less(self, other: Self) -> Self {
                Self(self.0.saturating_sub(other.0))
            }
        }
    };
}

unsigned_quantity!(
    /// A span of time, up to 49.7 days.
    Millis, from_millis, as_millis, "milliseconds"
);
unsigned_quantity!(
    /// A voltage.
    Millivolts, from_millivolts, as_millivolts, "millivolts"
);
unsigned_quantity!(
    /// A power.
    Milliwatts, from_milliwatts, as_milliwatts, "milliwatts"
);
unsigned_quantity!(
    /// A current.
    Milliamps, from_milliamps, as_milliamps, "milliamperes"
);
unsigned_quantity!(
    /// An energy, up to 4.29 GJ.
    Joules, from_joules, as_joules, "joules"
);
unsigned_quantity!(
    /// A charge: the capacity of a bank.
    MilliampHours, from_milliamp_hours, as_milliamp_hours, "milliampere hours"
);

impl Millis {
    /// From whole seconds; held at [`Millis::MAX`].
    #[must_use]
    pub const fn from_secs(value: u32) -> Self {
        Self(value.saturating_mul(1000))
    }
}

/// A rate of change of temperature.
///
/// Held as kelvins per millisecond in steps of 2⁻³² (0.84 mK an hour), from 0 to just under 1 K/ms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct KelvinRate(u32);

impl KelvinRate {
    /// From thousandths of a kelvin per minute, rounded up: the drift of an old reading must not be understated.
    /// Held at the end of the range.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn from_millikelvins_per_minute(value: u32) -> Self {
        let steps = ((value as u64) << 32).div_ceil(60_000_000);
        if steps > u32::MAX as u64 { Self(u32::MAX) } else { Self(steps as u32) }
    }

    /// In thousandths of a kelvin per minute, rounded down.
    #[must_use]
    pub const fn as_millikelvins_per_minute(self) -> u32 {
        ((self.0 as u64).wrapping_mul(60_000_000) >> 32) as u32
    }

    /// The change in `span`, rounded up; held at the end of the range of [`Kelvins`].
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn over(self, span: Millis) -> Kelvins {
        // Steps of 2^-32 K to 2^-16 K; (2^32 − 1)² + 2^16 stays below 2^64.
        let product = (self.0 as u64).wrapping_mul(span.0 as u64);
        let steps = product.wrapping_add(0xFFFF) >> 16;
        Kelvins::from_steps(if steps > i32::MAX as u64 { i32::MAX } else { steps as i32 })
    }
}

/// Writes a value held in thousandths with three decimals.
fn write_thousandths(f: &mut fmt::Formatter<'_>, value: i64, unit: &str) -> fmt::Result {
    let sign = if value < 0 { "-" } else { "" };
    let size = value.unsigned_abs();
    write!(f, "{sign}{}.{:03} {unit}", size / 1000, size % 1000)
}

impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_thousandths(f, self.as_millidegrees().into(), "°C")
    }
}

impl fmt::Display for Kelvins {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_thousandths(f, self.as_millikelvins().into(), "K")
    }
}

impl fmt::Display for Ohms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let micro = self.as_micro_ohms();
        write!(f, "{}.{:06} Ω", micro / 1_000_000, micro % 1_000_000)
    }
}

#[cfg(feature = "defmt")]
mod defmt_impls {
    use super::{Celsius, Fraction, KelvinRate, Kelvins, Ohms, Ratio};
    use defmt::{Format, Formatter, write};

    impl Format for Celsius {
        fn format(&self, f: Formatter<'_>) {
            write!(f, "{} m°C", self.as_millidegrees());
        }
    }
    impl Format for Kelvins {
        fn format(&self, f: Formatter<'_>) {
            write!(f, "{} mK", self.as_millikelvins());
        }
    }
    impl Format for Ohms {
        fn format(&self, f: Formatter<'_>) {
            write!(f, "{} µΩ", self.as_micro_ohms());
        }
    }
    impl Format for Ratio {
        fn format(&self, f: Formatter<'_>) {
            write!(f, "{}/2^30", self.as_steps());
        }
    }
    impl Format for Fraction {
        fn format(&self, f: Formatter<'_>) {
            write!(f, "{}/1000", self.as_per_mille());
        }
    }
    impl Format for KelvinRate {
        fn format(&self, f: Formatter<'_>) {
            write!(f, "{} mK/h", self.over(super::Millis::from_secs(3600)).as_millikelvins());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn since_survives_a_wrap(start: u32, span: u32) {
            let later = Instant::from_millis(start.wrapping_add(span));
            prop_assert_eq!(later.since(Instant::from_millis(start)), Millis::from_millis(span));
        }

        #[test]
        fn millidegrees_survive_the_round_trip(value in -32_768_000..32_767_999_i32) {
            prop_assert_eq!(Celsius::from_millidegrees(value).as_millidegrees(), value);
        }

        #[test]
        fn micro_ohms_survive_the_round_trip_to_half_a_step(value in 0..16_383_999_000_u64) {
            let back = Ohms::from_micro_ohms(value).as_micro_ohms();
            prop_assert!(back.abs_diff(value) <= 2, "{value} µΩ came back as {back}");
        }

        #[test]
        fn drift_is_never_understated(rate in 0..60_000_000_u32, span: u32) {
            let drift = KelvinRate::from_millikelvins_per_minute(rate).over(Millis::from_millis(span));
            let exact_steps = f64::from(rate) * f64::from(span) / 6e7 * 65_536.0;
            let held = f64::from(drift.as_steps());
            prop_assert!(held >= exact_steps.min(f64::from(i32::MAX)) * (1.0 - 1e-12));
        }
    }

    #[test]
    fn thousandths_are_held_at_the_ends() {
        assert_eq!(Celsius::from_millidegrees(i32::MAX), Celsius::MAX);
        assert_eq!(Celsius::from_millidegrees(i32::MIN), Celsius::MIN);
        assert_eq!(Ohms::from_milliohms(u32::MAX), Ohms::MAX);
    }

    #[test]
    fn a_negative_value_is_written_with_its_sign_even_below_one() {
        extern crate std;
        assert_eq!(std::format!("{}", Celsius::from_millidegrees(-250)), "-0.250 °C");
    }
}

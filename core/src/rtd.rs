//! Platinum resistance thermometers: ohms to degrees Celsius and back, in integers.
//!
//! An [`Element`] is a resistance at the ice point and the three coefficients of the Callendar–Van Dusen equation.
//! It answers both ways over the whole range of the standard, at the price of a few divisions. A [`Thermometer`] is the
//! same element made ready for a controller: a table of 28 parabolas, two multiplications a reading, over the range
//! in which a battery can be, [`WORKING_LOW`] to [`WORKING_HIGH`].
//!
//! The equation is solved in the resistance *ratio* W = R(t)/R(0 °C), so one table serves every R0 and an
//! ice-point calibration costs nothing. Elements with coefficients of their own take two Newton steps of their own
//! equation from what the standard table says; see [`Thermometer::celsius`].
//!
//! Lead resistance belongs to the [`Leads`] of a channel; it is taken away before the element is asked.
//!
//! # Number formats
//! Temperatures inside this module are in steps of 2⁻²⁰ °C (`FineCelsius`, 1 µK), ratios in steps of 2⁻⁴⁰.
//! The worst-case bits are beside each product.
#![expect(
    clippy::arithmetic_side_effects,
    reason = "every product's worst case is written beside it, checked by the sweep tests with overflow checks on"
)]

use crate::quantity::{Celsius, Kelvins, Ohms, Ratio};
use core::fmt;

/// The lowest temperature of the interpolating equations. Source: IEC 60751:2022.
pub const RANGE_LOW: Celsius = Celsius::from_millidegrees(-200_000);
/// The highest temperature of the interpolating equations. Source: IEC 60751:2022.
pub const RANGE_HIGH: Celsius = Celsius::from_millidegrees(850_000);
/// The lowest temperature a [`Thermometer`] answers for: colder than any place this controller is bolted down.
pub const WORKING_LOW: Celsius = Celsius::from_millidegrees(-60_000);
/// The highest temperature a [`Thermometer`] answers for: far above any cut-out.
pub const WORKING_HIGH: Celsius = Celsius::from_millidegrees(150_000);

/// How far off computing is taken to put a reading. The conversion itself is within 0.02 mK.
pub const ROUNDING: Kelvins = Kelvins::from_millikelvins(1);

/// A resistance or temperature outside the range in which an answer exists.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum OutOfRange {
    /// Lower than the lowest.
    Below,
    /// Higher than the highest.
    Above,
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Below => "below the range of the thermometer",
            Self::Above => "above the range of the thermometer",
        })
    }
}

impl core::error::Error for OutOfRange {}

/// Coefficients that no platinum element of industrial quality has; they are refused rather than computed with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum NotPlatinum {
    /// R0 is outside 1 Ω to 16 000 Ω.
    IcePointResistance,
    /// A is outside 3.7×10⁻³ to 4.1×10⁻³ per °C.
    A,
    /// B is outside −7×10⁻⁷ to −4×10⁻⁷ per °C².
    B,
    /// C is outside −6×10⁻¹² to −2×10⁻¹² per °C⁴.
    C,
}

impl fmt::Display for NotPlatinum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::IcePointResistance => "R0 is outside 1 Ω to 16 000 Ω",
            Self::A => "A is outside 3.7e-3 to 4.1e-3 per °C: no industrial platinum element",
            Self::B => "B is outside -7e-7 to -4e-7 per °C²: no industrial platinum element",
            Self::C => "C is outside -6e-12 to -2e-12 per °C⁴: no industrial platinum element",
        })
    }
}

impl core::error::Error for NotPlatinum {}

/// A temperature in steps of 2⁻²⁰ °C. Within ±850 °C it needs 31 bits with its sign.
type FineCelsius = i64;

/// A resistance ratio in steps of 2⁻⁴⁰. Below 4 it needs 42 bits.
type FineRatio = i64;

/// A, B and C of the Callendar–Van Dusen equation,
///
/// W(t) = 1 + A t + B t² (t ≥ 0 °C), W(t) = 1 + A t + B t² + C (t − 100) t³ (t < 0 °C).
///
/// # Source
/// IEC 60751:2022, interpolating equations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(
    feature = "serde",
    derive(serde::Serialize, serde::Deserialize),
    serde(try_from = "stored::Coefficients", into = "stored::Coefficients")
)]
pub struct Coefficients {
    // Stored in half of the 64 bits that they are computed with, for there is one set for each channel.
    /// A less 2⁻⁸, in steps of 2⁻⁴⁰ per °C: 29 bits with the sign.
    a_over: i32,
    /// −B in steps of 2⁻⁵² per °C²: 32 bits.
    minus_b: u32,
    /// −C in steps of 2⁻⁶⁹ per °C⁴: 32 bits.
    minus_c: u32,
}

impl Coefficients {
    /// The nominal coefficients: A = 3.9083×10⁻³, B = −5.775×10⁻⁷, C = −4.183×10⁻¹². Source: IEC 60751:2022.
    pub const IEC_60751: Self = match Self::new(39_083_000, -57_750_000, -41_830_000) {
        Ok(coefficients) => coefficients,
        Err(_) => unreachable!(),
    };

    /// Individual coefficients, as a calibration certificate gives them: `a` in 10⁻¹⁰ per °C, `b` in 10⁻¹⁴ per °C², `c` in
    /// 10⁻¹⁹ per °C⁴. Eight significant digits are carried.
    ///
    /// # Errors
    /// [`NotPlatinum`] when one lies outside what an industrial platinum element can have; nothing else fails.
    pub const fn new(a: i32, b: i32, c: i32) -> Result<Self, NotPlatinum> {
        Self::from_steps(a_steps(a), b_steps(b), c_steps(c))
    }

    /// Coefficients in their own steps, as [`Coefficients::as_steps`] returns them. An odd number of steps of C is
    /// rounded.
    ///
    /// # Errors
    /// As [`Coefficients::new`].
    #[expect(clippy::cast_possible_truncation, reason = "the ranges leave the bits that are written beside the fields")]
    #[expect(clippy::cast_sign_loss, reason = "B and C are negative in range")]
    pub const fn from_steps(a: i64, b: i64, c: i64) -> Result<Self, NotPlatinum> {
        if a < a_steps(37_000_000) || a > a_steps(41_000_000) {
            return Err(NotPlatinum::A);
        }
        if b < b_steps(-70_000_000) || b > b_steps(-40_000_000) {
            return Err(NotPlatinum::B);
        }
        if c < c_steps(-60_000_000) || c > c_steps(-20_000_000) {
            return Err(NotPlatinum::C);
        }
        Ok(Self { a_over: (a - A_BASE) as i32, minus_b: -b as u32, minus_c: (-c >> 1) as u32 })
    }

    /// A in steps of 2⁻⁴⁰ per °C: 33 bits. B in steps of 2⁻⁵² per °C²: 33 bits with the sign. C in steps of 2⁻⁷⁰ per °C⁴: 34 bits with
    /// the sign, an even number.
    #[must_use]
    pub const fn as_steps(&self) -> (i64, i64, i64) {
        (A_BASE + self.a_over as i64, -(self.minus_b as i64), -((self.minus_c as i64) << 1))
    }

    /// W(t) and dW/dt without its part by C (steps of 2⁻⁴⁰ per °C). `t` within −210…+860 °C.
    #[expect(clippy::many_single_char_names, reason = "they are the standard's")]
    const fn ratio_and_slope(&self, t: FineCelsius) -> (FineRatio, i64) {
        let (a, b, c) = self.as_steps();
        // B t: 32 + 31 bits, to 2^-40 per °C.
        let mut p = b;
        if t < 0 {
            // t (t − 100): |t| < 210, so below 2^16 × 2^40 = 56 bits; kept in steps of 2^-8.
            let square = (t * (t - (100 << 20))) >> 32;
            // C t (t − 100): 34 + 24 bits, to 2^-52 per °C².
            p += rounded_shift(c * square, 26);
        }
        let quadratic = rounded_shift(p * t, 32); // 33 + 31 bits with signs, |p t| < 2^62
        let linear = a + quadratic; // 33 bits
        let ratio = (1_i64 << 40) + rounded_shift(linear * t, 20); // 33 + 31 bits with sign, |·| < 2^62.1
        let slope = a + 2 * ((b * t) >> 32);
        (ratio, slope)
    }

    /// The temperature at which the ratio is `ratio`, by Newton's method from `start`.
    ///
    /// W is increasing and nearly straight over the whole range, so the steps converge from any start. The slope leaves C out: below
    /// 0 °C it is up to 7 % too small, and at the end each step still leaves no more than 7 % of the error. Six steps are enough for
    /// the nominal coefficients, eight for any; the bound makes sure that no input can hold the loop.
    const fn temperature_from(&self, ratio: FineRatio, start: FineCelsius) -> FineCelsius {
        let mut t = start;
        let mut steps = 0;
        while steps < 8 {
            let (here, slope) = self.ratio_and_slope(t);
            // |ratio − here| < 5, so 43 + 20 bits with the sign.
            let change = rounded_div((ratio - here) << 20, slope);
            t = clamp(t + change, -210 << 20, 860 << 20);
            if change >= -1 && change <= 1 {
                break;
            }
            steps += 1;
        }
        t
    }
}

/// 2⁻⁸ per °C in steps of 2⁻⁴⁰: near the A of any platinum.
const A_BASE: i64 = 1 << 32;

/// From 10⁻¹⁰ per °C to steps of 2⁻⁴⁰.
const fn a_steps(value: i32) -> i64 {
    scaled(value, 40, 10_000_000_000)
}

/// From 10⁻¹⁴ per °C² to steps of 2⁻⁵².
const fn b_steps(value: i32) -> i64 {
    scaled(value, 52, 100_000_000_000_000)
}

/// From 10⁻¹⁹ per °C⁴ to an even number of steps of 2⁻⁷⁰.
const fn c_steps(value: i32) -> i64 {
    scaled(value, 69, 10_000_000_000_000_000_000) << 1
}

/// `value` / `ten_power` in steps of 2^-`bits`, rounded to nearest.
#[expect(clippy::cast_possible_truncation, reason = "the callers' ranges leave at most 34 bits")]
const fn scaled(value: i32, bits: u32, ten_power: i128) -> i64 {
    let wide = (value as i128) << bits; // 31 + 70 bits
    let half = if wide < 0 { -(ten_power / 2) } else { ten_power / 2 };
    ((wide + half) / ten_power) as i64
}

/// `value` / 2^`bits`, rounded to nearest.
const fn rounded_shift(value: i64, bits: u32) -> i64 {
    (value + (1 << (bits - 1))) >> bits
}

/// `value` / `by`, rounded to nearest. `by` is positive. Anything else counts as 1, so that no division can panic.
const fn rounded_div(value: i64, by: i64) -> i64 {
    let by = if by < 1 { 1 } else { by };
    let half = if value < 0 { -(by / 2) } else { by / 2 };
    (value + half) / by
}

const fn clamp(value: i64, low: i64, high: i64) -> i64 {
    if value < low {
        low
    } else if value > high {
        high
    } else {
        value
    }
}

/// A platinum resistance thermometer: its resistance at the ice point and its coefficients.
///
/// ```
/// use forewarm_core::quantity::{Celsius, Ohms};
/// use forewarm_core::rtd::Element;
///
/// let pt100 = Element::pt100();
/// assert_eq!(pt100.resistance(Celsius::ZERO), Ok(Ohms::from_milliohms(100_000)));
/// // IEC 60751 prints 101.95 Ω at 5 °C.
/// assert_eq!(pt100.resistance(Celsius::from_millidegrees(5_000)).unwrap().as_micro_ohms() / 10_000, 10_195);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(try_from = "stored::Element"))]
pub struct Element {
    r0: Ohms,
    coefficients: Coefficients,
}

/// The smallest R0 of an element, 1 Ω, in steps of [`Ohms`].
const LEAST_R0: u32 = Ohms::from_milliohms(1_000).as_steps();

impl Element {
    /// An element of `r0` at 0 °C.
    ///
    /// # Errors
    /// [`NotPlatinum::IcePointResistance`] outside 1 Ω to 16 000 Ω; nothing else fails.
    pub const fn new(r0: Ohms, coefficients: Coefficients) -> Result<Self, NotPlatinum> {
        if r0.as_steps() < LEAST_R0 || r0.as_steps() > Ohms::from_milliohms(16_000_000).as_steps() {
            return Err(NotPlatinum::IcePointResistance);
        }
        Ok(Self { r0, coefficients })
    }

    const fn standard(r0_ohms: u32) -> Self {
        Self { r0: Ohms::from_milliohms(r0_ohms * 1000), coefficients: Coefficients::IEC_60751 }
    }

    /// 100 Ω at the ice point, nominal coefficients.
    #[must_use]
    pub const fn pt100() -> Self {
        Self::standard(100)
    }

    /// 500 Ω at the ice point, nominal coefficients.
    #[must_use]
    pub const fn pt500() -> Self {
        Self::standard(500)
    }

    /// 1000 Ω at the ice point, nominal coefficients.
    #[must_use]
    pub const fn pt1000() -> Self {
        Self::standard(1000)
    }

    /// Resistance at the ice point.
    #[must_use]
    pub const fn r0(&self) -> Ohms {
        self.r0
    }

    /// R0 as a divisor. [`Element::new`] allows nothing smaller. The bound is repeated here so that no division can
    /// panic.
    const fn r0_steps(&self) -> u32 {
        let steps = self.r0.as_steps();
        if steps < LEAST_R0 { LEAST_R0 } else { steps }
    }

    /// A, B and C.
    #[must_use]
    pub const fn coefficients(&self) -> Coefficients {
        self.coefficients
    }

    /// This element with the resistance measured in melting ice as its R0; the coefficients stay.
    ///
    /// # Errors
    /// As [`Element::new`].
    pub const fn calibrated_at_ice_point(&self, measured: Ohms) -> Result<Self, NotPlatinum> {
        Self::new(measured, self.coefficients)
    }

    /// This element with R0 and A such that it passes through two measured points; B and C stay.
    ///
    /// The further apart the points, the better: an error `e` at either is magnified by about (span of use)/(span of
    /// points) outside them.
    ///
    /// # Errors
    /// [`CalibrationError`] when the points are closer than 10 °C, outside the range of the equation, or imply an element that
    /// is not platinum; nothing else fails.
    pub fn calibrated_at(&self, first: (Celsius, Ohms), second: (Celsius, Ohms)) -> Result<Self, CalibrationError> {
        if first.0.above(second.0).magnitude().as_millikelvins() < 10_000 {
            return Err(CalibrationError::TooClose);
        }
        for (t, _) in [first, second] {
            if t < RANGE_LOW || t > RANGE_HIGH {
                return Err(CalibrationError::OutOfRange);
            }
        }
        // R = x (1 + q) + y t with x = R0, y = R0 A, q = B t² + C (t − 100) t³: two linear equations.
        // q in steps of 2^-40 is W − 1 − A t.
        let (a, b, c) = self.coefficients.as_steps();
        let part = |t: Celsius| {
            let fine = fine(t);
            let (ratio, _) = self.coefficients.ratio_and_slope(fine);
            i128::from(ratio) - rounded_shift_wide(i128::from(a) * i128::from(fine), 20)
        };
        let (q1, q2) = (part(first.0), part(second.0)); // 42 bits
        let (t1, t2) = (i128::from(fine(first.0)), i128::from(fine(second.0))); // 31 bits
        let (r1, r2) = (i128::from(first.1.as_steps()), i128::from(second.1.as_steps())); // 32 bits
        let determinant = q1 * t2 - q2 * t1; // steps of 2^-60
        if determinant == 0 {
            return Err(CalibrationError::TooClose);
        }
        // x in ohm steps: (r 2^-18)(t 2^-20) / 2^-60, so × 2^40.
        let r0 = ((r1 * t2 - r2 * t1) << 40) / determinant; // 32 + 31 + 1 + 40 bits
        let r0 = u32::try_from(r0).map_err(|_| CalibrationError::NotPlatinum(NotPlatinum::IcePointResistance))?;
        if r0 == 0 {
            return Err(CalibrationError::NotPlatinum(NotPlatinum::IcePointResistance));
        }
        // y/x = (q1 r2 − q2 r1) / (r1 t2 − r2 t1): (2^-40)(2^-18) / (2^-18)(2^-20) = 2^-20, so × 2^20 for steps of 2^-40.
        let denominator = r1 * t2 - r2 * t1;
        let a = ((q1 * r2 - q2 * r1) << 20) / denominator; // 42 + 32 + 1 + 20 bits
        let coefficients = i64::try_from(a).map_err(|_| NotPlatinum::A).and_then(|a| Coefficients::from_steps(a, b, c));
        let coefficients = coefficients.map_err(CalibrationError::NotPlatinum)?;
        Self::new(Ohms::from_steps(r0), coefficients).map_err(CalibrationError::NotPlatinum)
    }

    /// Resistance of the element at `t`.
    ///
    /// # Errors
    /// [`OutOfRange`] below [`RANGE_LOW`] or above [`RANGE_HIGH`], where the standard gives no value, and where the resistance is
    /// too large for [`Ohms`] (an R0 over 4 190 Ω, hot); nothing else fails.
    ///
    /// # Accuracy
    /// Within 2 µΩ of the exact equation for R0 = 100 Ω, of which half a step of [`Ohms`] is 1.9 µΩ; held by
    /// `pt100_follows_the_standard_equation`.
    ///
    /// # Source
    /// IEC 60751:2022, interpolating equations.
    #[expect(clippy::cast_sign_loss, reason = "the ratio is positive over the whole range")]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn resistance(&self, t: Celsius) -> Result<Ohms, OutOfRange> {
        if t.as_steps() < RANGE_LOW.as_steps() {
            return Err(OutOfRange::Below);
        }
        if t.as_steps() > RANGE_HIGH.as_steps() {
            return Err(OutOfRange::Above);
        }
        let (ratio, _) = self.coefficients.ratio_and_slope(fine(t));
        // 32 + 42 bits; on the way to the bench or the guard's limits, not in the control path.
        let steps = ((self.r0.as_steps() as u128) * (ratio as u128) + (1 << 39)) >> 40;
        if steps > u32::MAX as u128 { Err(OutOfRange::Above) } else { Ok(Ohms::from_steps(steps as u32)) }
    }

    /// Temperature at which the element has the resistance `r`, over the whole range of the standard.
    ///
    /// # Errors
    /// [`OutOfRange`] where that temperature would lie below [`RANGE_LOW`] or above [`RANGE_HIGH`]; nothing else fails.
    /// 18.52 Ω, the printed value at −200 °C, is out of range: it lies 0.2 mK below.
    ///
    /// # Accuracy
    /// Within 0.03 mK over the whole range for R0 = 100 Ω, of which 0.01 mK is the step of [`Ohms`] and 0.008 mK that of [`Celsius`]; held
    /// by `the_inverse_is_exact_over_the_whole_range`.
    pub const fn celsius(&self, r: Ohms) -> Result<Celsius, OutOfRange> {
        let ratio = self.fine_ratio(r);
        // Above 850 °C for any platinum.
        if ratio > 5_i64 << 40 {
            return Err(OutOfRange::Above);
        }
        let t = self.coefficients.temperature_from(ratio, 0);
        if t < fine(RANGE_LOW) {
            Err(OutOfRange::Below)
        } else if t > fine(RANGE_HIGH) {
            Err(OutOfRange::Above)
        } else {
            Ok(coarse(t))
        }
    }

    /// R/R0, rounded down to 2⁻³⁰: a quarter of a microkelvin.
    #[expect(clippy::cast_possible_wrap, reason = "R0 is at least 2^18 steps, so the quotient has 44 bits at most")]
    const fn fine_ratio(&self, r: Ohms) -> FineRatio {
        // 32 + 30 bits.
        let quotient = ((r.as_steps() as u64) << 30) / self.r0_steps() as u64;
        (quotient << 10) as i64
    }
}

const fn rounded_shift_wide(value: i128, bits: u32) -> i128 {
    (value + (1 << (bits - 1))) >> bits
}

const fn fine(t: Celsius) -> FineCelsius {
    (t.as_steps() as i64) << 4
}

#[expect(clippy::cast_possible_truncation, reason = "the callers stay within ±860 °C")]
const fn coarse(t: FineCelsius) -> Celsius {
    Celsius::from_steps(((t + 8) >> 4) as i32)
}

/// Why two measured points make no calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CalibrationError {
    /// The points are less than 10 °C apart, so their errors would be magnified.
    TooClose,
    /// A point lies outside −200…+850 °C.
    OutOfRange,
    /// The element that passes through both points is no industrial platinum element: a point is wrong.
    NotPlatinum(NotPlatinum),
}

impl fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooClose => f.write_str("the two calibration points are less than 10 °C apart"),
            Self::OutOfRange => f.write_str("a calibration point lies outside -200 to +850 °C"),
            Self::NotPlatinum(why) => write!(f, "the calibration points do not fit a platinum element: {why}"),
        }
    }
}

impl core::error::Error for CalibrationError {}

/// One piece of the inverse: t = t0 + u (rise + u bend) for u from 0 to 1, all in steps of 2⁻²⁰ °C.
#[derive(Clone, Copy)]
struct Parabola {
    t0: i32,
    rise: u32,
    bend: u32,
}

/// Ratio at which the table starts, in steps of 2⁻³⁰: W = 0.75, −63.3 °C.
const TABLE_START: u32 = 3 << 28;
/// Each piece spans a ratio of 1/32 (about 8 °C), so the kink of the equation at 0 °C, W = 1, falls between two.
const PIECE_BITS: u32 = 25;
/// Ratio at which the table ends: W = 1.625, 164 °C.
const TABLE_END: u32 = 13 << 27;
const PIECES: usize = ((TABLE_END - TABLE_START) >> PIECE_BITS) as usize;

/// The inverse for the nominal coefficients. A parabola through both ends and the middle of each piece misses by at most
/// h³ t‴/(72 √3), 8 µK at −60 °C where t‴ is largest; the ends are shared, so the whole is continuous and, W being concave,
/// increasing.
#[expect(clippy::indexing_slicing, reason = "evaluated at compile time")]
const TABLE: [Parabola; PIECES] = {
    let mut table = [Parabola { t0: 0, rise: 0, bend: 0 }; PIECES];
    let mut piece = 0;
    while piece < PIECES {
        table[piece] = parabola(piece);
        piece += 1;
    }
    table
};

#[expect(clippy::cast_possible_truncation, reason = "−64…+165 °C in steps of 2^-20 needs 29 bits")]
#[expect(clippy::cast_possible_wrap, reason = "at most 28 pieces")]
#[expect(clippy::cast_sign_loss, reason = "the inverse rises, and bends upwards")]
const fn parabola(piece: usize) -> Parabola {
    let start = ((TABLE_START as i64) + ((piece as i64) << PIECE_BITS)) << 10;
    let half = 1_i64 << (PIECE_BITS - 1 + 10);
    let nominal = Coefficients::IEC_60751;
    let t0 = nominal.temperature_from(start, 0);
    let middle = nominal.temperature_from(start + half, 0);
    let t1 = nominal.temperature_from(start + 2 * half, 0);
    let bend = 2 * (t0 + t1) - 4 * middle;
    assert!(bend >= 0, "W is concave, so its inverse bends upwards");
    Parabola { t0: t0 as i32, rise: (t1 - t0 - bend) as u32, bend: bend as u32 }
}

/// The inverse for the nominal coefficients, for a ratio in steps of 2⁻³⁰. Nothing outside the table.
#[inline]
const fn nominal_inverse(ratio: u32) -> Option<Celsius> {
    // Below the table this wraps, to a piece far beyond the last.
    let into = ratio.wrapping_sub(TABLE_START);
    let piece = (into >> PIECE_BITS) as usize;
    if piece >= PIECES {
        return None;
    }
    #[expect(
        clippy::indexing_slicing,
        reason = "compared with the length above; `get` cannot be called at compile time"
    )]
    let Parabola { t0, rise, bend } = TABLE[piece];
    // 0 to 1 in steps of 2^-32; the shift drops the piece.
    let u = into << (32 - PIECE_BITS);
    // bend: 16 bits, rise: 24 bits, neither ever negative; each product is below what it is of, and t within 29 bits with its sign.
    let slope = rise + high_word(bend, u);
    let fine = t0 + high_word(slope, u).cast_signed();
    Some(Celsius::from_steps((fine + 8) >> 4))
}

/// The product / 2³²: one instruction where the processor has a long multiplication.
#[inline]
const fn high_word(a: u32, b: u32) -> u32 {
    (((a as u64) * (b as u64)) >> 32) as u32
}

/// The first and the last ratio that [`Thermometer::celsius`] answers, in steps of 2⁻³⁰. A ratio is in range exactly if
/// its temperature is.
const WORKING: (u32, u32) = (first_ratio_reading(WORKING_LOW), first_ratio_reading(next_up(WORKING_HIGH)) - 1);

const fn next_up(t: Celsius) -> Celsius {
    Celsius::from_steps(t.as_steps() + 1)
}

/// By bisection over the table, which never decreases.
const fn first_ratio_reading(t: Celsius) -> u32 {
    let (mut below, mut first) = (TABLE_START, TABLE_END);
    while first - below > 1 {
        let middle = below + (first - below) / 2;
        match nominal_inverse(middle) {
            Some(reading) if reading.as_steps() >= t.as_steps() => first = middle,
            Some(_) | None => below = middle,
        }
    }
    first
}

/// An [`Element`] made ready for a controller: no division a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Thermometer {
    element: Element,
    /// 2⁶² / (R0 in ohm steps, shifted): 31 or 32 bits.
    reciprocal: u32,
    /// How far a resistance is shifted left, so that R0 lies between 2³⁰ and 2³¹ and there is room for ratios up to 2.
    /// Zero for an R0 above that.
    shift: u8,
    /// Whether the element has coefficients of its own.
    individual: bool,
}

impl Thermometer {
    /// Prepares `element`.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first; the shift is at most 13")]
    pub const fn new(element: Element) -> Self {
        let r0 = element.r0_steps(); // 2^18 to 2^32
        let shift = r0.leading_zeros().saturating_sub(1);
        let divisor = (r0 as u64) << shift; // 2^30 to 2^32
        let reciprocal = ((1_u64 << 62) + divisor / 2) / divisor;
        // 2^32 for an R0 of a power of two; a step less is 0.06 µK.
        let reciprocal = if reciprocal > u32::MAX as u64 { u32::MAX } else { reciprocal as u32 };
        let (own, nominal) = (element.coefficients, Coefficients::IEC_60751);
        let individual =
            own.a_over != nominal.a_over || own.minus_b != nominal.minus_b || own.minus_c != nominal.minus_c;
        Self { element, reciprocal, shift: shift as u8, individual }
    }

    /// The element.
    #[must_use]
    pub const fn element(&self) -> &Element {
        &self.element
    }

    /// Temperature at which the element has the resistance `r`.
    ///
    /// # Errors
    /// [`OutOfRange`] below [`WORKING_LOW`] or above [`WORKING_HIGH`]; nothing else fails.
    ///
    /// # Accuracy
    /// Within 0.03 mK of the exact inverse for R0 = 100 Ω, and never decreasing; held by
    /// `the_working_range_is_within_a_tenth_of_a_millikelvin` and `no_larger_resistance_reads_colder`.
    #[inline]
    pub fn celsius(&self, r: Ohms) -> Result<Celsius, OutOfRange> {
        let ratio = self.ratio(r)?;
        if self.individual {
            return self.individual_celsius(r, ratio);
        }
        let (first, last) = WORKING;
        if ratio < first {
            return Err(OutOfRange::Below);
        }
        match nominal_inverse(ratio) {
            Some(t) if ratio <= last => Ok(t),
            Some(_) | None => Err(OutOfRange::Above),
        }
    }

    /// R/R0 in steps of 2⁻³⁰, rounded down.
    #[inline]
    fn ratio(&self, r: Ohms) -> Result<u32, OutOfRange> {
        let shifted = r.as_steps() << self.shift;
        // What falls out at the top is a ratio of 2 or more.
        if shifted >> self.shift != r.as_steps() {
            return Err(OutOfRange::Above);
        }
        Ok(high_word(shifted, self.reciprocal))
    }

    /// If the element has coefficients of its own, its own equation gives the result, starting from what the table
    /// says.
    #[cold]
    #[inline(never)]
    fn individual_celsius(&self, r: Ohms, ratio: u32) -> Result<Celsius, OutOfRange> {
        let side = if ratio < TABLE_START { OutOfRange::Below } else { OutOfRange::Above };
        let start = nominal_inverse(ratio).ok_or(side)?;
        let t = coarse(self.element.coefficients.temperature_from(self.element.fine_ratio(r), fine(start)));
        if t < WORKING_LOW {
            Err(OutOfRange::Below)
        } else if t > WORKING_HIGH {
            Err(OutOfRange::Above)
        } else {
            Ok(t)
        }
    }
}

/// Temperature coefficient of the resistance of annealed copper at 20 °C, in 10⁻⁵ per °C: 0.00393.
/// Source: IEC 60028, as used by IEC 60228 for conductors.
const COPPER_PER_100_000: i64 = 393;

/// How an element is joined to its converter, and so which part of the measured resistance is lead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Leads {
    /// Two wires: the leads are part of what is measured, and read *warm*, the dangerous way. What is known of them
    /// is taken away.
    TwoWire {
        /// Resistance there and back at 20 °C.
        loop_at_20c: Ohms,
        /// Temperature the leads are taken to have. Too low a value leaves lead resistance in the reading, which then reads warm:
        /// state the warmest that is likely while it matters.
        at: Celsius,
    },
    /// Three wires: one lead is measured alone and taken away from element plus lead. A tap that reads too little makes the channel read
    /// *warm*, so what it may read is stated.
    ThreeWire {
        /// The least that the lead can have.
        least: Ohms,
        /// The most that it can have.
        most: Ohms,
    },
    /// Four wires: the leads carry no current that is measured.
    FourWire,
}

impl Leads {
    /// Three wires of which nothing is known: a tap that reads zero is believed. 100 Ω is more than any lead has (common practice, no
    /// source).
    pub const THREE_WIRE: Self = Self::ThreeWire { least: Ohms::ZERO, most: Ohms::from_milliohms(100_000) };

    /// The least and the most that a lead measured alone may have; nothing where none is measured.
    #[must_use]
    pub const fn band(&self) -> Option<(Ohms, Ohms)> {
        match *self {
            Self::ThreeWire { least, most } => Some((least, most)),
            Self::TwoWire { .. } | Self::FourWire => None,
        }
    }

    /// Resistance to be taken away as known beforehand; nothing for three and four wires.
    #[must_use]
    #[expect(clippy::cast_sign_loss, reason = "clamped at zero first")]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub const fn known(&self) -> Ohms {
        match *self {
            Self::ThreeWire { .. } | Self::FourWire => Ohms::ZERO,
            Self::TwoWire { loop_at_20c, at } => {
                let over_20 = at.above(Celsius::from_millidegrees(20_000)).as_steps() as i64;
                // 1 + 0.00393 (t − 20), in steps of 2^-16: 9 + 32 bits.
                let factor = (1_i64 << 16) + rounded_div(COPPER_PER_100_000 * over_20, 100_000);
                let factor = if factor < 0 { 0 } else { factor };
                // 32 + 24 bits at most.
                let steps = (loop_at_20c.as_steps() as i64 * factor + (1 << 15)) >> 16;
                if steps > u32::MAX as i64 { Ohms::MAX } else { Ohms::from_steps(steps as u32) }
            }
        }
    }
}

/// What a converter measured against a reference resistor: the element, with its leads or some of them, and for
/// three wires a lead alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Measured {
    /// Element and the leads in series with it.
    pub element: Ratio,
    /// One lead alone, for three wires; [`Ratio::ZERO`] for two and four, and for a converter that compensates by itself.
    pub lead: Ratio,
}

impl Measured {
    /// A measurement without a separate lead.
    #[must_use]
    pub const fn element(element: Ratio) -> Self {
        Self { element, lead: Ratio::ZERO }
    }
}

/// Elements as they are stored: anything at all, until it has passed the constructors.
#[cfg(feature = "serde")]
mod stored {
    use super::{NotPlatinum, Ohms};

    #[derive(serde::Serialize, serde::Deserialize, Hash)]
    pub(super) struct Coefficients {
        a: i64,
        b: i64,
        c: i64,
    }

    impl TryFrom<Coefficients> for super::Coefficients {
        type Error = NotPlatinum;

        fn try_from(Coefficients { a, b, c }: Coefficients) -> Result<Self, NotPlatinum> {
            Self::from_steps(a, b, c)
        }
    }

    impl From<super::Coefficients> for Coefficients {
        fn from(coefficients: super::Coefficients) -> Self {
            let (a, b, c) = coefficients.as_steps();
            Self { a, b, c }
        }
    }

    #[derive(serde::Deserialize, Hash)]
    pub(super) struct Element {
        r0: Ohms,
        coefficients: super::Coefficients,
    }

    impl TryFrom<Element> for super::Element {
        type Error = NotPlatinum;

        fn try_from(Element { r0, coefficients }: Element) -> Result<Self, NotPlatinum> {
            Self::new(r0, coefficients)
        }
    }
}

#[cfg(test)]
mod tests;

//! Resistors that one can buy, and which of them stand in for a thermometer.

use crate::figures::plain;
use serde::{Deserialize, Serialize};
use std::fmt::{self, Display, Formatter};

/// The values of a decade.
///
/// # Source
/// IEC 60063:2015, series E24.
const E24_DECADE: [u16; 24] = [
    100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300, 330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820,
    910,
];

/// The decades that are looked through, as powers of ten of the smallest value (Ω).
const DECADES: std::ops::RangeInclusive<i32> = 0..=5;

/// A series of values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Series {
    /// 24 values a decade
    E24,
    /// 96 values a decade
    E96,
}

impl Series {
    /// The values of a decade, from 100 up.
    fn decade(self) -> Vec<u16> {
        match self {
            Self::E24 => E24_DECADE.to_vec(),
            // IEC 60063:2015: the powers of the 96th root of ten, to three digits.
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 100 to 976")]
            Self::E96 => (0..96).map(|index| (100.0 * libm::exp10(f64::from(index) / 96.0)).round() as u16).collect(),
        }
    }

    /// The value nearest to a resistance (Ω).
    #[must_use]
    pub fn nearest(self, ohm: f64) -> f64 {
        self.ohms().into_iter().min_by(|a, b| (a - ohm).abs().total_cmp(&(b - ohm).abs())).unwrap_or(ohm)
    }

    /// All values from 1 Ω to just below 1 MΩ, rising (Ω).
    #[must_use]
    pub fn ohms(self) -> Vec<f64> {
        let decade = self.decade();
        DECADES
            .flat_map(|power| decade.iter().map(move |&value| f64::from(value) / 100.0 * libm::exp10(f64::from(power))))
            .collect()
    }
}

/// Variable resistors on sale (Ω). Common practice, no source.
pub(super) const VARIABLE_OHM: [f64; 10] = [5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0];

/// What lies in the drawer.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stock {
    /// Its values.
    pub series: Series,
    /// The half-width of each one's tolerance, temperature and age included, as a part of its value.
    pub tolerance: f64,
}

/// Resistors as they are connected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Parts {
    /// One alone (Ω).
    One(f64),
    /// Two in series, the larger first (Ω).
    Series(f64, f64),
    /// Two in parallel, the smaller first (Ω).
    Parallel(f64, f64),
}

impl Parts {
    /// What they come to (Ω).
    #[must_use]
    pub fn ohm(self) -> f64 {
        match self {
            Self::One(a) => a,
            Self::Series(a, b) => a + b,
            Self::Parallel(a, b) => a * b / (a + b),
        }
    }

    /// The least and the most that they can come to, each within its tolerance (Ω). With all off alike, so is the whole, however
    /// they are connected.
    #[must_use]
    pub fn band(self, tolerance: f64) -> (f64, f64) {
        (self.ohm() * (1.0 - tolerance), self.ohm() * (1.0 + tolerance))
    }
}

impl Display for Parts {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        // A product of binary fractions has more digits than a value of the series.
        let value =
            |ohm: f64| if ohm < 9999.5 { format!("{} Ω", plain(ohm)) } else { format!("{} kΩ", plain(ohm / 1000.0)) };
        match *self {
            Self::One(a) => f.write_str(&value(a)),
            Self::Series(a, b) => write!(f, "{} + {} in series", value(a), value(b)),
            Self::Parallel(a, b) => write!(f, "{} with {} in parallel", value(a), value(b)),
        }
    }
}

/// Where a substitute has to lie (Ω): its whole band between these two, and as close to one of them as can be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// The lower end.
    pub low_ohm: f64,
    /// The upper end.
    pub high_ohm: f64,
    /// The end that is tried.
    pub near: Near,
}

/// An end of a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Near {
    /// A threshold below: the substitute reads just above it.
    Low,
    /// A threshold above: the substitute reads just below it.
    High,
}

impl Window {
    /// How far from the end that is tried (Ω), if the whole band lies inside.
    fn distance_ohm(&self, (least, most): (f64, f64)) -> Option<f64> {
        let is_inside = least > self.low_ohm && most < self.high_ohm;
        is_inside.then_some(match self.near {
            Near::Low => least - self.low_ohm,
            Near::High => self.high_ohm - most,
        })
    }
}

impl Display for Stock {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let name = match self.series {
            Series::E24 => "E24",
            Series::E96 => "E96",
        };
        write!(f, "{name} of IEC 60063, each within ± {} %", plain(self.tolerance * 100.0))
    }
}

impl Stock {
    /// The setting of a decade box in steps of `step_ohm`, as accurate as these resistors, that lies inside and closest to the end that
    /// is tried (Ω).
    #[must_use]
    pub fn box_setting(&self, window: &Window, step_ohm: f64) -> Option<f64> {
        let steps = match window.near {
            Near::Low => (window.low_ohm / (1.0 - self.tolerance) / step_ohm).floor() + 1.0,
            Near::High => (window.high_ohm / (1.0 + self.tolerance) / step_ohm).ceil() - 1.0,
        };
        let setting = steps * step_ohm;
        window.distance_ohm((setting * (1.0 - self.tolerance), setting * (1.0 + self.tolerance))).map(|_| setting)
    }

    /// What fits into the window: one resistor if there is one within `reach_ohm` of the end that is tried, else the two that come
    /// closest. Nothing if no two fit.
    #[must_use]
    pub fn substitute(&self, window: &Window, reach_ohm: f64) -> Option<Parts> {
        let values = self.series.ohms();
        let distance = |parts: &Parts| window.distance_ohm(parts.band(self.tolerance));
        let closest = |all: &mut dyn Iterator<Item = Parts>| {
            all.filter_map(|parts| Some((distance(&parts)?, parts))).min_by(|a, b| a.0.total_cmp(&b.0))
        };
        let one = closest(&mut values.iter().map(|&a| Parts::One(a)));
        if let Some((away_ohm, parts)) = one
            && away_ohm <= reach_ohm
        {
            return Some(parts);
        }
        let pairs = || values.iter().enumerate().flat_map(|(index, &a)| values[..=index].iter().map(move |&b| (a, b)));
        let series = closest(&mut pairs().map(|(a, b)| Parts::Series(a, b)));
        let parallel = closest(&mut pairs().map(|(a, b)| Parts::Parallel(b, a)));
        // Two are more to get wrong, so they must be closer than one.
        [one, series, parallel].into_iter().flatten().min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, parts)| parts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const E96: Stock = Stock { series: Series::E96, tolerance: 0.001 };

    /// The first and last values, and some between, as the standard prints them (IEC 60063:2015, E96).
    #[test]
    fn the_values_are_the_standards() {
        let decade = Series::E96.decade();
        assert_eq!(decade[..8], [100, 102, 105, 107, 110, 113, 115, 118]);
        assert_eq!(decade[40..48], [261, 267, 274, 280, 287, 294, 301, 309]);
        assert_eq!(decade[88..], [825, 845, 866, 887, 909, 931, 953, 976]);
        assert!(Series::E24.ohms().windows(2).all(|two| two[0] < two[1]));
    }

    /// 5 °C of a Pt100 is 101.95 Ω and 8 °C is 103.12 Ω (IEC 60751). No single value lies between and within half a kelvin above 5 °C.
    #[test]
    fn where_no_single_one_does_two_do() {
        let window = Window { low_ohm: 101.95, high_ohm: 103.12, near: Near::Low };
        let parts = E96.substitute(&window, 0.2).expect("two of them");
        let (least, most) = parts.band(E96.tolerance);
        assert!(least > 101.95 && most < 102.25, "{parts}: {least} to {most}");
        assert!(!matches!(parts, Parts::One(_)));
    }

    proptest! {
        #[test]
        fn whatever_is_found_lies_inside_with_its_whole_tolerance(low in 50.0..4_000.0_f64, part in 0.001..0.2_f64, is_low: bool, e24: bool, tolerance in 0.0001..0.05_f64) {
            let near = if is_low { Near::Low } else { Near::High };
            let window = Window { low_ohm: low, high_ohm: low * (1.0 + part), near };
            let stock = Stock { series: if e24 { Series::E24 } else { Series::E96 }, tolerance };
            if let Some(parts) = stock.substitute(&window, low * 0.002) {
                let (least, most) = parts.band(tolerance);
                prop_assert!(least > window.low_ohm && most < window.high_ohm, "{parts}");
            } else {
                // Two resistors come within some parts in ten thousand of anything, so the tolerance leaves no room.
                prop_assert!(part < 2.0 * tolerance + 0.01);
            }
        }
    }
}

//! Tolerance classes of platinum thermometers, IEC 60751.

/// A tolerance class: a thermometer of it reads within `a` + `b` |t|.
///
/// # Source
/// IEC 60751:2022, tolerance classes of thermometers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "command", derive(clap::ValueEnum))]
pub enum Class {
    /// ±(0.1 + 0.0017 |t|) K
    #[cfg_attr(feature = "command", value(name = "AA"))]
    AA,
    /// ±(0.15 + 0.002 |t|) K
    #[cfg_attr(feature = "command", value(name = "A"))]
    A,
    /// ±(0.3 + 0.005 |t|) K
    #[cfg_attr(feature = "command", value(name = "B"))]
    B,
    /// ±(0.6 + 0.01 |t|) K
    #[cfg_attr(feature = "command", value(name = "C"))]
    C,
}

/// How the platinum is held, which limits the range of its class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "command", derive(clap::ValueEnum))]
pub enum Construction {
    /// Wound wire
    WireWound,
    /// Film on a ceramic
    Film,
}

impl Construction {
    /// Its name, for a person.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::WireWound => "wire-wound",
            Self::Film => "film",
        }
    }
}

/// Steps of 0.1 µK in a kelvin: in these every tolerance at a whole thousandth of a degree is whole.
pub(crate) const PER_KELVIN: f64 = 1e7;

impl Class {
    /// The classes, the tightest first.
    pub const ALL: [Self; 4] = [Self::AA, Self::A, Self::B, Self::C];

    /// The letters of the standard.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::AA => "AA",
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
        }
    }

    /// The tolerance at 0 °C, in steps of 0.1 µK, and how much it grows with each thousandth of a degree from there.
    const fn terms(self) -> (u32, u32) {
        match self {
            Self::AA => (1_000_000, 17),
            Self::A => (1_500_000, 20),
            Self::B => (3_000_000, 50),
            Self::C => (6_000_000, 100),
        }
    }

    /// The tolerance at 0 °C (K), and how much it grows with each degree from there.
    #[must_use]
    pub fn terms_k(self) -> (f64, f64) {
        let (a, b) = self.terms();
        (f64::from(a) / PER_KELVIN, f64::from(b) * 1e3 / PER_KELVIN)
    }

    /// Largest deviation at `t_c` °C (K), whatever the range of the class.
    #[must_use]
    pub fn tolerance_k(self, t_c: f64) -> f64 {
        let (a, b) = self.terms_k();
        a + b * t_c.abs()
    }

    /// Lowest and highest temperature, in °C, at which the class holds for a thermometer.
    ///
    /// # Source
    /// IEC 60751:2022; the ranges for film from memory.
    #[must_use]
    pub const fn range(self, construction: Construction) -> (i32, i32) {
        match (self, construction) {
            (Self::AA, Construction::WireWound) => (-50, 250),
            (Self::AA, Construction::Film) => (0, 150),
            (Self::A, Construction::WireWound) => (-100, 450),
            (Self::A, Construction::Film) => (-30, 300),
            (Self::B | Self::C, Construction::WireWound) => (-196, 600),
            (Self::B, Construction::Film) => (-50, 500),
            (Self::C, Construction::Film) => (-50, 600),
        }
    }

    /// Tolerance at `millidegrees`, in steps of 0.1 µK, in which it is exact; nothing outside the range of the class.
    #[must_use]
    pub const fn tolerance(self, construction: Construction, millidegrees: i32) -> Option<i64> {
        let (low, high) = self.range(construction);
        if millidegrees < low * 1000 || millidegrees > high * 1000 {
            return None;
        }
        let (a, b) = self.terms();
        Some(a as i64 + b as i64 * millidegrees.unsigned_abs() as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    #[cfg(feature = "command")]
    use clap::ValueEnum;
    use proptest::prelude::*;

    #[test]
    fn every_class_holds_to_the_last_degree_of_its_range_and_no_further() {
        for class in Class::ALL {
            for construction in [Construction::WireWound, Construction::Film] {
                let (low, high) = class.range(construction);
                let holds = |millidegrees| class.tolerance(construction, millidegrees).is_some();
                assert!(holds(low * 1000) && holds(high * 1000));
                assert!(!holds(low * 1000 - 1) && !holds(high * 1000 + 1));
            }
        }
    }

    #[cfg(feature = "command")]
    #[test]
    fn a_class_is_given_by_the_letters_of_the_standard() {
        assert_eq!(Class::value_variants(), Class::ALL);
        for class in Class::ALL {
            assert_eq!(class.to_possible_value().unwrap().get_name(), class.name());
        }
    }

    proptest! {
        /// Half a step of the one, and rounding of the other.
        #[test]
        fn the_tolerance_in_steps_is_that_in_kelvins(millidegrees in 0..150_000_i32) {
            for class in Class::ALL {
                let steps = class.tolerance(Construction::Film, millidegrees).unwrap();
                let kelvins = class.tolerance_k(f64::from(millidegrees) / 1000.0);
                #[expect(clippy::cast_precision_loss, reason = "at most 21 000 000")]
                let off = steps as f64 / PER_KELVIN - kelvins;
                prop_assert!(off.abs() < 1e-12, "{class:?}: {off}");
            }
        }
    }
}

//! The equation of a platinum element in f64, both ways. It stands for the real element; the core's integers stand for
//! what a controller makes of it. It is written once, so planning, rehearsal and replay give the core the same
//! resistances, and none of them uses the core to check the core.

use forewarm_core::quantity::Ohms;
use forewarm_core::rtd::Element;

/// An element as R0 and the coefficients of its equation.
///
/// # Source
/// IEC 60751:2022, interpolating equations.
#[derive(Clone, Copy, Debug)]
pub struct Platinum {
    r0_ohm: f64,
    a: f64,
    b: f64,
    c: f64,
}

impl Platinum {
    /// The core's element in f64.
    #[must_use]
    pub fn of(element: &Element) -> Self {
        let (a, b, c) = element.coefficients().as_steps();
        #[expect(clippy::cast_precision_loss, reason = "at most 34 bits")]
        let scaled = |steps: i64, bits: i32| libm::ldexp(steps as f64, -bits);
        Self { r0_ohm: ohms(element.r0()), a: scaled(a, 40), b: scaled(b, 52), c: scaled(c, 70) }
    }

    /// Resistance (Ω) at `t` °C. For −200…850 °C; the equation also continues beyond.
    #[inline]
    #[must_use]
    pub fn ohms(&self, t: f64) -> f64 {
        let cubic = if t < 0.0 { self.c * (t - 100.0) * t } else { 0.0 };
        self.r0_ohm * (1.0 + t * (self.a + t * (self.b + cubic)))
    }

    /// Slope (Ω/K) at `t` °C.
    #[must_use]
    pub fn slope(&self, t: f64) -> f64 {
        let cubic = if t < 0.0 { self.c * t * t * (4.0 * t - 300.0) } else { 0.0 };
        self.r0_ohm * (self.a + 2.0 * self.b * t + cubic)
    }

    /// The temperature (°C) at which the element has the resistance `r` (Ω), limited to −250 and 1000 °C.
    ///
    /// # Accuracy
    /// Within 1 µK over −200…850 °C; held by `the_inverse_is_the_inverse`.
    #[must_use]
    pub fn celsius(&self, r: f64) -> f64 {
        // The equation rises and is concave. So Newton's steps reach the root from below, whatever the start. Five
        // steps are enough.
        let mut t = (r / self.r0_ohm - 1.0) / self.a;
        for _ in 0..12 {
            t = t.clamp(-250.0, 1000.0);
            let step = (r - self.ohms(t)) / self.slope(t);
            t += step;
            if step.abs() < 1e-9 {
                break;
            }
        }
        t.clamp(-250.0, 1000.0)
    }

    /// How far an element and its leads read above their temperature `t_c` (K). `gain` is a part of everything
    /// measured. `excess_ohm` is in series, and nothing compensates it.
    #[must_use]
    pub fn reads_above_k(&self, t_c: f64, gain: f64, excess_ohm: f64) -> f64 {
        self.celsius(self.ohms(t_c) * (1.0 + gain) + excess_ohm) - t_c
    }
}

/// A resistance of the core, in Ω.
#[must_use]
pub fn ohms(r: Ohms) -> f64 {
    f64::from(r.as_steps()) / f64::from(1_u32 << 18)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_inverse_is_the_inverse(t in -200.0..850.0_f64) {
            for element in [Element::pt100(), Element::pt1000()] {
                let platinum = Platinum::of(&element);
                prop_assert!((platinum.celsius(platinum.ohms(t)) - t).abs() < 1e-6);
            }
        }

        #[test]
        fn the_slope_is_that_of_the_resistance(t in -199.0..849.0_f64) {
            let platinum = Platinum::of(&Element::pt100());
            let h = 0.01;
            let across = (platinum.ohms(t + h) - platinum.ohms(t - h)) / (2.0 * h);
            // h² R‴/6 is below 1e-10 Ω/K; rounding of 400 Ω over 2 h below 1e-11.
            prop_assert!((platinum.slope(t) - across).abs() < 1e-9, "{} {across}", platinum.slope(t));
        }

        #[test]
        fn any_resistance_has_an_answer(r in -1e9..1e9_f64) {
            prop_assert!((-250.0..=1000.0).contains(&Platinum::of(&Element::pt100()).celsius(r)));
        }
    }
}

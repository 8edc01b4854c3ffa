//! Turns logged values into what a converter would have measured.
//!
//! The controller sees only ratios, in a replay as in a box under the bank. So a logged temperature becomes the ratio
//! that its channel's element, leads and reference resistor would have given. This module computes that in f64 from the
//! published equation, and not with the core's integers. So a replay also tests those.

use crate::platinum::{Platinum, ohms};
use crate::si;
use forewarm_core::quantity::{Celsius, Ratio};
use forewarm_core::rtd::{Measured, Thermometer};
use forewarm_core::settings::Channel;

/// The unit a column is logged in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// °C, as the channel shows it: its offset included.
    Celsius,
    /// °F, likewise.
    Fahrenheit,
    /// K, likewise.
    Kelvin,
    /// Ω at the terminals: with both leads for two wires; with the leads already taken away for three and four.
    Ohms,
    /// The converter's reading as a fraction of its reference resistor.
    Ratio,
}

impl Unit {
    /// Every unit.
    pub const ALL: [Self; 5] = [Self::Celsius, Self::Fahrenheit, Self::Kelvin, Self::Ohms, Self::Ratio];

    /// Its suffix in column names and options.
    #[must_use]
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Celsius => "c",
            Self::Fahrenheit => "f",
            Self::Kelvin => "k",
            Self::Ohms => "ohm",
            Self::Ratio => "ratio",
        }
    }

    /// Its sign, for a person.
    #[must_use]
    pub const fn shown(self) -> &'static str {
        match self {
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
            Self::Kelvin => "K",
            Self::Ohms => "Ω",
            Self::Ratio => "ratio",
        }
    }

    /// The unit of that suffix.
    #[must_use]
    pub fn named(suffix: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.suffix().eq_ignore_ascii_case(suffix))
    }
}

/// Turns the logged values of one channel into ratios.
#[derive(Clone, Debug)]
pub(crate) struct Scale {
    channel: Channel,
    thermometer: Thermometer,
    unit: Unit,
    platinum: Platinum,
    /// Resistance that the channel will subtract as lead.
    leads: f64,
    /// Steps of [`Ratio`] per ohm.
    steps_per_ohm: f64,
    offset: f64,
    /// Steps of a lead measured alone. Logs do not have it, and the controller believes no lead that its cable cannot
    /// have.
    lead: u32,
    /// Lowest and highest logged value that a platinum element can cause, in the logged unit.
    within: (f64, f64),
    /// Lowest and highest logged value that can be at the channel's place, in the logged unit.
    plausible: (f64, f64),
}

/// The range of the equation, °C. Source: IEC 60751:2022.
const EQUATION: (f64, f64) = (-200.0, 850.0);

impl Scale {
    /// For a channel that is believed from `low` to `high`.
    pub(crate) fn new(channel: &Channel, unit: Unit, (low, high): (Celsius, Celsius)) -> Self {
        let mut scale = Self {
            channel: *channel,
            thermometer: Thermometer::new(channel.element),
            unit,
            platinum: Platinum::of(&channel.element),
            leads: ohms(channel.leads.known()),
            steps_per_ohm: f64::from(1_u32 << 30) / ohms(channel.reference),
            lead: lead_steps(channel),
            offset: si::kelvins(channel.offset),
            within: (0.0, 0.0),
            plausible: (0.0, 0.0),
        };
        scale.within = (scale.logged(EQUATION.0), scale.logged(EQUATION.1));
        let shown = |t: Celsius| scale.logged(si::celsius(t) - scale.offset);
        scale.plausible = (shown(low), shown(high));
        scale
    }

    /// Lowest and highest logged value that can be at the channel's place. A value beyond means that the sensor or the
    /// logger was broken.
    pub(crate) const fn plausible(&self) -> (f64, f64) {
        self.plausible
    }

    /// The channel's temperature for a ratio, believed or not, to the last digit; `None` if no platinum element causes
    /// it.
    #[cold]
    pub(crate) fn shown(&self, measured: Measured) -> Option<Celsius> {
        let ohms = measured.element.less(measured.lead)?.of(self.channel.reference)?;
        let ohms = ohms.less(self.channel.leads.known())?;
        // The controller's own conversion has a shorter range than the standard.
        let t = self.thermometer.celsius(ohms).or_else(|_| self.channel.element.celsius(ohms)).ok()?;
        Some(t.raised(self.channel.offset))
    }

    /// The converter's measurement for a ratio with the lead taken away.
    #[inline]
    pub(crate) const fn measured(&self, ratio: Ratio) -> Measured {
        Measured {
            element: Ratio::from_steps(ratio.as_steps().saturating_add(self.lead)),
            lead: Ratio::from_steps(self.lead),
        }
    }

    /// The ratio that a converter would have measured; the lowest or highest there is if the value is beyond.
    #[inline]
    pub(crate) fn ratio(&self, value: f64) -> Ratio {
        if value < self.within.0 {
            return Ratio::ZERO;
        }
        if value > self.within.1 {
            return Ratio::MAX;
        }
        let steps = match self.unit {
            Unit::Celsius => self.steps_at(value),
            Unit::Fahrenheit => self.steps_at((value - 32.0) / 1.8),
            Unit::Kelvin => self.steps_at(value - 273.15),
            Unit::Ohms => value * self.steps_per_ohm,
            Unit::Ratio => value * f64::from(1_u32 << 30),
        };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
        Ratio::from_steps((steps + 0.5) as u32)
    }

    /// Steps of [`Ratio`] for a shown temperature.
    #[inline]
    fn steps_at(&self, shown: f64) -> f64 {
        (self.platinum.ohms(shown - self.offset) + self.leads) * self.steps_per_ohm
    }

    /// What the log would show with the element itself at `t` °C.
    fn logged(&self, t: f64) -> f64 {
        let terminals = self.platinum.ohms(t) + self.leads;
        match self.unit {
            Unit::Celsius => t + self.offset,
            Unit::Fahrenheit => (t + self.offset) * 1.8 + 32.0,
            Unit::Kelvin => t + self.offset + 273.15,
            Unit::Ohms => terminals,
            Unit::Ratio => terminals * self.steps_per_ohm / f64::from(1_u32 << 30),
        }
    }
}

/// Steps of a lead that the channel believes: none if it may be none, else half-way between the least and the most.
fn lead_steps(channel: &Channel) -> u32 {
    let Some((least, most)) = channel.leads.band().filter(|(least, _)| least.as_steps() > 0) else { return 0 };
    let middle = f64::midpoint(ohms(least), ohms(most)) * f64::from(1_u32 << 30) / ohms(channel.reference);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
    let steps = middle as u32;
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use forewarm_core::quantity::{Kelvins, Ohms};
    use forewarm_core::rtd::{Coefficients, Element, Leads};
    use forewarm_core::settings::Role;
    use proptest::prelude::*;

    fn channel() -> impl Strategy<Value = Channel> {
        // From 100 Ω: the step of `Ohms` alone is worth 0.1 mK on a smaller element.
        let element =
            (100_000..2_000_000_u32, 38_000_000..40_000_000, -60_000_000..-55_000_000, -43_000_000..-40_000_000)
                .prop_map(|(r0, a, b, c)| {
                    Element::new(Ohms::from_milliohms(r0), Coefficients::new(a, b, c).unwrap()).unwrap()
                });
        let leads = prop_oneof![
            Just(Leads::FourWire),
            (0..2000_u32, -40_000..60_000).prop_map(|(loop_mohm, at)| Leads::TwoWire {
                loop_at_20c: Ohms::from_milliohms(loop_mohm),
                at: Celsius::from_millidegrees(at),
            })
        ];
        (element, leads, -5000..5000).prop_map(|(element, leads, offset)| Channel {
            role: Role::Cell,
            element,
            reference: Ohms::from_milliohms(4_000_000),
            leads,
            offset: Kelvins::from_millikelvins(offset),
        })
    }

    fn scale(channel: &Channel, unit: Unit) -> Scale {
        Scale::new(channel, unit, (Celsius::from_millidegrees(-45_000), Celsius::from_millidegrees(100_000)))
    }

    /// What the core reads from `ratio`, in °C.
    fn read_back(channel: &Channel, ratio: Ratio) -> f64 {
        let terminals = ratio.of(channel.reference).unwrap();
        let element = terminals.less(channel.leads.known()).unwrap();
        let t = Thermometer::new(channel.element).celsius(element).unwrap().raised(channel.offset);
        si::celsius(t)
    }

    proptest! {
        #[test]
        fn the_core_reads_back_the_logged_temperature_within_a_tenth_of_a_millikelvin(
            channel in channel(), t in -50.0..140.0_f64,
        ) {
            for (unit, logged) in [(Unit::Celsius, t), (Unit::Fahrenheit, t * 1.8 + 32.0), (Unit::Kelvin, t + 273.15)] {
                let read = read_back(&channel, scale(&channel, unit).ratio(logged));
                prop_assert!((read - t).abs() < 1e-4, "{t} °C as {unit:?} read as {read}");
            }
        }

        #[test]
        fn ohms_and_ratio_of_a_temperature_are_that_temperature(channel in channel(), t in -50.0..140.0_f64) {
            for unit in [Unit::Ohms, Unit::Ratio] {
                let scale = scale(&channel, unit);
                let read = read_back(&channel, scale.ratio(scale.logged(t - scale.offset)));
                prop_assert!((read - t).abs() < 1e-4, "{t} °C as {unit:?} read as {read}");
            }
        }
    }

    #[test]
    fn what_is_plausible_is_said_in_the_unit_of_the_log_and_the_offset_is_part_of_it() {
        let channel = Channel {
            role: Role::Cell,
            element: Element::pt100(),
            reference: Ohms::from_milliohms(400_000),
            leads: Leads::FourWire,
            offset: Kelvins::from_millikelvins(2_000),
        };
        // IEC 60751:2022, table of Pt100: −47 °C and 98 °C.
        for (unit, low, high) in
            [(Unit::Celsius, -45.0, 100.0), (Unit::Fahrenheit, -49.0, 212.0), (Unit::Ohms, 81.50, 137.75)]
        {
            let found = scale(&channel, unit).plausible();
            assert!((found.0 - low).abs() < 0.01 && (found.1 - high).abs() < 0.01, "{unit:?}: {found:?}");
        }
    }

    #[test]
    fn a_doubtful_reading_is_shown_as_the_log_has_it() {
        let channel = Channel {
            role: Role::Cell,
            element: Element::pt100(),
            reference: Ohms::from_milliohms(400_000),
            leads: Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(500), at: Celsius::ZERO },
            offset: Kelvins::from_millikelvins(250),
        };
        let scale = scale(&channel, Unit::Celsius);
        for logged in [-150.0, 12.0, 99.0, 800.0] {
            let shown = scale.shown(Measured::element(scale.ratio(logged))).unwrap();
            assert!((si::celsius(shown) - logged).abs() < 0.001, "{logged}: {shown:?}");
        }
        assert_eq!(scale.shown(Measured::element(scale.ratio(9999.0))), None);
    }

    #[test]
    fn what_no_element_can_cause_is_a_short_or_an_open_circuit() {
        let channel = Channel {
            role: Role::Cell,
            element: Element::pt100(),
            reference: Ohms::from_milliohms(400_000),
            leads: Leads::FourWire,
            offset: Kelvins::ZERO,
        };
        for (unit, low, high) in [
            (Unit::Celsius, -200.1, 850.1),
            (Unit::Fahrenheit, -999.0, 9999.0),
            (Unit::Kelvin, -1.0, 5000.0),
            (Unit::Ohms, -1.0, 390.5),
            (Unit::Ratio, 0.0, 1.1),
        ] {
            let scale = scale(&channel, unit);
            assert_eq!(scale.ratio(low), Ratio::ZERO, "{unit:?}");
            assert_eq!(scale.ratio(high), Ratio::MAX, "{unit:?}");
            let plausible = scale.plausible();
            assert!(low < plausible.0 && high > plausible.1);
        }
    }

    /// A log has no lead. The controller must not take that for a tap that reads zero.
    #[test]
    fn a_lead_that_the_channel_believes_goes_with_what_was_logged() {
        let (least, most) = (Ohms::from_milliohms(1_600), Ohms::from_milliohms(2_400));
        let channel = Channel {
            role: Role::Cell,
            element: Element::pt100(),
            reference: Ohms::from_milliohms(400_000),
            leads: Leads::ThreeWire { least, most },
            offset: Kelvins::ZERO,
        };
        let scale = Scale::new(
            &channel,
            Unit::Celsius,
            (Celsius::from_millidegrees(-45_000), Celsius::from_millidegrees(100_000)),
        );
        let measured = scale.measured(scale.ratio(5.0));
        let lead = measured.lead.of(channel.reference).unwrap();
        assert!(least < lead && lead < most, "{lead:?}");
        assert!((scale.shown(measured).unwrap().as_millidegrees() - 5_000).abs() <= 1);
    }
}

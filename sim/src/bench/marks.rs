//! The temperatures on either side of which a controller does something else.

use crate::figures::plain;
use crate::platinum::ohms;
use crate::si;
use forewarm_core::quantity::{Celsius, Kelvins, Ohms};
use forewarm_core::settings::{Role, Settings};

/// One of them, or a bound of a check resistor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mark {
    /// The setting that it comes from.
    pub(super) key: &'static str,
    pub(super) at: At,
}

/// Where it lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum At {
    /// At this reading.
    Reads(Celsius),
    /// At this resistance.
    Measures(Ohms),
}

impl At {
    /// The number, in °C or Ω.
    fn value(self) -> f64 {
        match self {
            Self::Reads(at) => si::celsius(at),
            Self::Measures(at) => ohms(at),
        }
    }
}

impl Mark {
    const fn reads(key: &'static str, at: Celsius) -> Self {
        Self { key, at: At::Reads(at) }
    }

    /// The marks of a channel with this role that show in what a controller does when it is switched on, rising.
    ///
    /// Those of the heater's hysteresis and the high limit itself show only in a controller that is at work already.
    pub(super) fn of(role: Role, settings: &Settings) -> Vec<Self> {
        let Settings { charge, heater, trust, .. } = settings;
        let above = |at: Celsius, by: Kelvins| at.raised(by);
        let low = Self::reads("trust.plausible_low_c", trust.plausible_low);
        let high = Self::reads("trust.plausible_high_c", trust.plausible_high);
        let over = Self::reads("heater.over_temperature_k", above(heater.cutout(role), heater.over_temperature));
        let mut marks = match role {
            Role::Cell => vec![
                low,
                Self::reads("charge.inhibit_c", charge.inhibit),
                Self::reads("charge.release_c", charge.release),
                Self::reads("charge.high_release_c", charge.high_release),
                over,
                high,
            ],
            Role::Pad => vec![low, Self::reads("heater.cutout_pad_c", heater.cutout_pad), over, high],
            Role::Ambient => vec![low, Self::reads("heater.cutout_cell_c", heater.cutout_cell), over, high],
            Role::Check(check) => {
                let (least, most) = check.band();
                let bound = |at| Self { key: "check_within_ohm", at: At::Measures(at) };
                vec![bound(least), bound(most)]
            }
        };
        // A bank that may get hotter in use than it may be charged has two of them in the other order.
        marks.sort_by(|a, b| a.at.value().total_cmp(&b.at.value()));
        marks
    }

    /// `charge.inhibit_c, 5.5 °C`
    pub(super) fn told(&self) -> String {
        match self.at {
            At::Reads(at) => format!("{}, {} °C", self.key, plain(si::written_c(at))),
            At::Measures(at) => format!("{}, {} Ω", self.key, plain(ohms(at))),
        }
    }
}

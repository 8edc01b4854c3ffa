//! The heater as its supply sees it: its power, its current and its voltage.

use crate::figures::plain;
use crate::finding::{Finding, Part};
use crate::site::Battery;
use crate::{cell, si};
use forewarm_core::settings::Settings;
use serde::Serialize;

/// Alternating current above this voltage is not extra-low (V). Source: IEC 61140, limits of extra-low voltage, from
/// memory: 50 V alternating, 120 V direct current. The settings allow no supply above 120 V.
pub const EXTRA_LOW_AC_V: f64 = 50.0;

/// Whether the heater is roughly for the voltage of its bank.
#[must_use]
pub fn is_for_the_bank(nominal_v: f64, battery: &Battery) -> bool {
    (0.7..=1.3).contains(&(f64::from(battery.cells_in_series) * cell::NOMINAL_V / nominal_v))
}

/// Whether the plan must take a heater on the bank for one on mains: its voltage is too high for extra-low alternating
/// current, and is not that of its bank.
#[must_use]
pub fn is_mains(nominal_v: f64, battery: &Battery) -> bool {
    nominal_v > EXTRA_LOW_AC_V && !is_for_the_bank(nominal_v, battery)
}

/// The finding in place of the circuit's size, for a heater on mains.
pub(crate) fn not_sized(nominal_v: f64) -> Finding {
    Finding::change(
        Part::Circuit,
        format!(
            "a heater for {} V is not on its bank; above {} V alternating current it is no extra-low voltage. Its circuit is not sized \
             here: conductor, fuse, contact, insulation, protective earth and residual current device are licensed work",
            plain(nominal_v),
            plain(EXTRA_LOW_AC_V),
        ),
        "a pad for the bank's own voltage; or have the mains circuit designed, built and tested by someone licensed for it, by the local \
         code",
    )
}

/// What the heater draws at one supply voltage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Draw {
    /// Supply voltage (V).
    pub supply_v: f64,
    /// Power (W).
    pub power_w: f64,
    /// Current (A).
    pub current_a: f64,
}

/// The heater's electrical figures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Heater {
    /// At the lowest supply voltage it may run on.
    pub at_supply_min: Draw,
    /// At its stated voltage.
    pub at_nominal: Draw,
    /// At the highest supply voltage.
    pub at_supply_max: Draw,
    /// Half-width of the pad's tolerance, as a part of power and current (1).
    pub tolerance: f64,
    /// Highest current that it can draw: highest voltage, strongest pad (A).
    pub most_a: f64,
}

impl Heater {
    /// The figures from the settings, with the pad's tolerance.
    #[must_use]
    pub fn of(settings: &Settings, tolerance: f64) -> Self {
        let heater = &settings.heater;
        let (power_w, nominal_v) = (si::watts(heater.power), si::volts(heater.nominal));
        let draw = |supply_v: f64| {
            let current_a = power_w * supply_v / (nominal_v * nominal_v);
            Draw { supply_v, power_w: current_a * supply_v, current_a }
        };
        let at_supply_max = draw(si::volts(heater.supply_max).max(nominal_v));
        Self {
            at_supply_min: draw(si::volts(heater.supply_min)),
            at_nominal: draw(nominal_v),
            at_supply_max,
            tolerance,
            most_a: at_supply_max.current_a * (1.0 + tolerance),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::testing::site;

    #[test]
    fn a_heater_that_is_not_for_its_bank_is_on_mains_above_extra_low_voltage() {
        let bank = |cells_in_series| Battery { cells_in_series, ..site().battery };
        assert!(is_mains(100.0, &bank(4)) && is_mains(51.2, &bank(4)));
        assert!(!is_mains(50.0, &bank(4)) && !is_mains(51.2, &bank(16)) && !is_mains(96.0, &bank(30)));
    }
}

//! The parameters with their intervals, and which of them the log shows.

use super::Fitted;
use super::parameter::{Parameter, What};
use super::record::{Power, Record};
use crate::installation::Installation;
use crate::plant::PLACEMENT_OFF_PART;
use crate::portable::squared;
use crate::replay::Measured;
use crate::si;
use crate::site::{Site, Spot};
use serde::Serialize;

/// Half the width of an interval in standard deviations: 95 % of a normal distribution.
const HALF_WIDTH: f64 = 1.959_964;
/// A log shows a parameter if its interval reaches no further than this part of it, or no further than the plan allows for.
const SHOWS: f64 = 0.25;

/// Whether a parameter with this variance is sure enough to be shown.
pub(super) fn is_sure(parameter: &Parameter, variance: f64) -> bool {
    !parameter.is_held && HALF_WIDTH * variance.sqrt() <= parameter.tolerance.max(SHOWS)
}

/// Whether there is a thermometer where a parameter shows. The plate alone shows that a joint is poor, but not which one; a thermometer
/// between two batteries too, unless another sits on its neighbour.
pub(super) fn has_thermometer(site: &Site, shows: &[usize], what: What) -> bool {
    let What::Contact(battery) = what else { return true };
    let spots = || shows.iter().map(|&channel| site.mountings[channel].at);
    let is_on =
        |battery: usize| spots().any(|spot| spot.battery() == Some(battery) && !matches!(spot, Spot::Between(_)));
    let has_neighbour = || site.battery.count == 1 || is_on(battery + 1) || battery.checked_sub(1).is_some_and(is_on);
    is_on(battery) || (spots().any(|spot| spot == Spot::Between(battery)) && has_neighbour())
}

/// What errors of the model itself add to an interval, as parts: of a joint, and of the rest of the bank. A placement is heat through joints,
/// and the plant answers for so much of it. The rest is what `sim/tests/identify_foreign.rs` holds, against a log that another model made.
pub(super) const OF_A_JOINT: f64 = PLACEMENT_OFF_PART;
pub(super) const OF_THE_REST: f64 = 0.02;

/// What the plant blurs of a lag on a battery, and elsewhere, as a standard deviation (s). Heat takes some tens of seconds from the middle of
/// the outermost cells to their faces, and the few states blur what a heater does in its first minutes (`plant::fidelity`). From memory.
const BLUR_S: [f64; 2] = [30.0, 5.0];

/// The variance of a parameter: that of the fit, and for a lag what the plant blurs.
pub(super) fn variance(site: &Site, parameter: &Parameter, value: f64, of_fit: f64) -> f64 {
    let What::Lag(channel) = parameter.what else { return of_fit };
    let mounting = &site.mountings[channel];
    let blur_s = if mounting.at.battery().is_some() { BLUR_S[0] } else { BLUR_S[1] };
    of_fit + squared(blur_s / (mounting.lag_s * libm::exp(value)))
}

/// What was found of one property.
#[derive(Clone, Debug, Serialize)]
pub struct Found {
    /// Its name in this report.
    pub name: String,
    /// Its unit.
    pub unit: &'static str,
    /// What the installation file says, or what follows from it.
    pub planned: f64,
    /// What the log says; what is planned, if the log does not show it.
    pub value: f64,
    /// From here on it lies with 95 %, as far as chance goes: by the log, or by the plan's own tolerance if the log does not show it.
    pub low: f64,
    /// Up to here.
    pub high: f64,
    /// What errors of the model itself add on either side, as a part of the value. The interval of a lag has them already.
    pub model_error_part: f64,
    /// Whether the log shows it.
    pub identifiable: bool,
    /// The same in words.
    #[serde(skip)]
    pub(super) words: String,
    #[serde(skip)]
    pub(super) what: What,
    /// What the planned property is multiplied by; 1 if the log does not show it.
    #[serde(skip)]
    pub(super) factor: f64,
    #[serde(skip)]
    pub(super) tolerance: f64,
}

/// What is known of the heater besides the fit.
#[derive(Clone, Copy, Debug)]
pub(super) struct HeaterFigures {
    pub(super) planned_w: f64,
    /// Its mean power while it was on, at the voltage that the plan is for, as logged.
    logged_w: Option<f64>,
}

impl HeaterFigures {
    pub(super) const fn planned(planned_w: f64) -> Self {
        Self { planned_w, logged_w: None }
    }

    pub(super) fn of(installation: &Installation, measured: &Measured, record: &Record, power: Power) -> Self {
        /// Part of the planned power from which on it counts as on.
        const ON: f64 = 0.1;
        let heater = &installation.settings.heater;
        let (planned_w, nominal_v) = (si::watts(heater.power), si::volts(heater.nominal));
        let (mut sum, mut count) = (0.0, 0.0);
        for moment in &measured.moments {
            let (now_w, supply_v) = (moment.others.power_w(), moment.others.supply_v);
            let to_nominal = if supply_v.is_nan() { 1.0 } else { squared(nominal_v / supply_v) };
            // A supply that stands at 0 V while the heater draws power is no voltage at the pad.
            if now_w > ON * planned_w && (0.25..=4.0).contains(&to_nominal) {
                (sum, count) = (sum + now_w * to_nominal, count + 1.0);
            }
        }
        let (_, on_s) = record.heated();
        let is_known = power == Power::Logged && count >= 5.0 && on_s > 0.0;
        Self { planned_w, logged_w: is_known.then_some(sum / count) }
    }
}

/// Every parameter that is sought, in the order of the report.
pub(super) fn of(site: &Site, names: &[String], fitted: &Fitted, heater: HeaterFigures) -> Vec<Found> {
    let Fitted { parameters, shown, fit, planned_loss_w_per_k, .. } = fitted;
    let single = site.battery.count == 1;
    let found = |(index, parameter): (usize, &Parameter)| -> Option<Found> {
        let value = fit.state.values[index];
        let sd = variance(site, parameter, value, fit.covariance[(index, index)]).sqrt();
        let of = |planned: f64| (planned, planned * libm::exp(value), sd);
        let (name, words, unit, (planned, found, sd)) = match parameter.what {
            What::Loss => {
                let sd = (fit.of_loss.transpose() * &fit.covariance * &fit.of_loss)[(0, 0)].sqrt();
                let found = (*planned_loss_w_per_k, fit.loss_w_per_k, sd);
                ("heat_loss".to_owned(), "heat loss of the box".to_owned(), "W/K", found)
            }
            What::Capacity => {
                #[expect(clippy::cast_precision_loss, reason = "8 at most")]
                let mass_kg = site.battery.mass_kg * site.battery.count as f64;
                let found = of(mass_kg * site.battery.specific_heat_j_per_kg_k);
                ("heat_capacity".to_owned(), "heat capacity of the batteries".to_owned(), "J/K", found)
            }
            What::Power => {
                let found = heater.logged_w.map_or_else(
                    || of(heater.planned_w),
                    |logged_w| (heater.planned_w, logged_w * libm::exp(value), sd),
                );
                ("pad_power".to_owned(), "power of the pad".to_owned(), "W", found)
            }
            What::Contact(battery) => {
                let (name, words) = if single {
                    ("plate_to_cell".to_owned(), "plate to battery".to_owned())
                } else {
                    (format!("plate_to_cell_{}", battery + 1), format!("plate to battery {}", battery + 1))
                };
                (name, words, "W/(m² K)", of(site.plate.contact_of(battery)))
            }
            What::Conduct => {
                let found = of(site.battery.conductivity_up_w_per_m_k);
                ("cell_to_cell".to_owned(), "cell to cell, upwards".to_owned(), "W/(m K)", found)
            }
            What::Lag(channel) => {
                let name = &names[channel];
                (format!("lag_{name}"), format!("lag of {name}"), "s", of(site.mountings[channel].lag_s))
            }
            What::Film | What::Bond | What::Share | What::Offset(_) | What::Around | What::Swing(_) => return None,
        };
        // A measured power is found while it flows.
        let flows = parameter.what != What::Power || parameter.known >= 0.1 || heater.logged_w.is_some();
        let identifiable = shown[index] && flows && sd.is_finite();
        let (value, low, high) = if identifiable {
            (found, found * libm::exp(-HALF_WIDTH * sd), found * libm::exp(HALF_WIDTH * sd))
        } else {
            let tolerance = parameter.tolerance;
            (planned, planned * (1.0 - tolerance), planned * (1.0 + tolerance))
        };
        let model_error_part = match parameter.what {
            What::Contact(_) => OF_A_JOINT,
            What::Lag(_) => 0.0,
            _ => OF_THE_REST,
        };
        let (what, tolerance) = (parameter.what, parameter.tolerance);
        let factor = match parameter.what {
            _ if !identifiable => 1.0,
            // The loss is not in proportion to what makes it.
            What::Loss => libm::exp(fitted.fit.state.values[index]),
            _ => found / planned,
        };
        Some(Found {
            name,
            unit,
            planned,
            value,
            low,
            high,
            model_error_part,
            identifiable,
            words,
            what,
            factor,
            tolerance,
        })
    };
    parameters.iter().enumerate().filter_map(found).collect()
}

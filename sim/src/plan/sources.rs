//! Whether each energy source can give what the settings promise the heater.

use super::circuit::Heater;
use super::figures::{fixed, plain};
use super::verdict::{Finding, Part};
use crate::site::{Presence, Rating, Site, Supply};
use forewarm_core::settings::{BankUse, Settings};
use serde::Serialize;

/// One source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Source {
    /// What it is called.
    pub source: String,
    /// What the settings let heater and charge take together (W).
    pub budget_w: f64,
    /// What it gives while it counts as present, at the least (W).
    pub gives_w: f64,
    /// For a rated source, what is left of its rating for heater and charge, derated and without its other loads (W).
    pub headroom_w: Option<f64>,
    /// What is left of the lesser of the two for charge with the heater on at the highest supply voltage (W).
    pub left_for_charge_w: f64,
}

/// Judges the sources of `settings`; `names` are theirs.
#[must_use]
pub fn judge(settings: &Settings, site: &Site, names: &[String], heater: &Heater) -> (Vec<Source>, Vec<Finding>) {
    let nominal_v = heater.at_nominal.supply_v;
    let mut sources = Vec::new();
    let mut findings = Vec::new();
    for (index, (source, supply)) in settings.sources.iter().zip(&site.supplies).enumerate() {
        let name = names.get(index).map_or_else(|| format!("source {}", index + 1), Clone::clone);
        let budget_w = f64::from(source.budget.as_milliwatts()) / 1000.0;
        let gives_w = gives_w(supply);
        let headroom_w = supply.rating.map(|rating| headroom_w(rating, nominal_v));
        let can_w = headroom_w.map_or(gives_w, |headroom| headroom.min(gives_w));
        let found = Source {
            source: name,
            budget_w,
            gives_w,
            headroom_w,
            left_for_charge_w: (budget_w.min(can_w) - heater.at_supply_max.power_w * (1.0 + heater.tolerance)).max(0.0),
        };
        findings.push(finding(&found, supply, heater, settings.bank));
        sources.push(found);
    }
    (sources, findings)
}

/// What a source gives at the least while it counts as present.
fn gives_w(supply: &Supply) -> f64 {
    match supply.presence {
        Presence::Sun { at_least_w_m2 } => supply.power_w * (at_least_w_m2 / 1000.0).min(1.0),
        Presence::Weekly(_) | Presence::Log(_) | Presence::Never => supply.power_w,
    }
}

fn headroom_w(rating: Rating, nominal_v: f64) -> f64 {
    (rating.rated_a * nominal_v * rating.derate - rating.other_loads_w).max(0.0)
}

fn finding(found: &Source, supply: &Supply, heater: &Heater, bank: BankUse) -> Finding {
    let Source { source, budget_w, gives_w, headroom_w, .. } = found;
    let watts = |power: f64| format!("{} W", plain(power.round()));
    let budget = watts(*budget_w);
    let most_w = heater.at_supply_max.power_w * (1.0 + heater.tolerance);
    if let (Some(rating), Some(headroom)) = (supply.rating, headroom_w)
        && budget_w > headroom
    {
        let left = format!(
            "{} A × {} V, {} % of it, less {} of other loads, leave {}",
            plain(rating.rated_a),
            plain(heater.at_nominal.supply_v),
            plain(rating.derate * 100.0),
            watts(rating.other_loads_w),
            watts(*headroom)
        );
        return Finding::change(
            Part::Sources,
            format!("{source} is to give up to {budget}, but {left}: it would be overloaded for hours"),
            format!("budget_w = {}", fixed(headroom.floor(), 0)),
        );
    }
    if budget_w > gives_w {
        let least = match supply.presence {
            Presence::Sun { at_least_w_m2 } => {
                format!("counts as present from {} W/m² on, where it gives {}", plain(at_least_w_m2), watts(*gives_w))
            }
            _ => format!("gives {}", watts(*gives_w)),
        };
        // Only what the heater can take of it is taken from somebody else.
        if most_w > *gives_w {
            let change = match supply.presence {
                Presence::Sun { .. } if supply.power_w > most_w => format!(
                    "sun_at_least_w_m2 = {}, from which on it carries the heater alone, or budget_w = {}",
                    fixed((most_w / supply.power_w * 1000.0).ceil(), 0),
                    fixed(gives_w.floor(), 0)
                ),
                _ => format!("budget_w = {}", fixed(gives_w.floor(), 0)),
            };
            return Finding::change(
                Part::Sources,
                format!("{source} {least}, less than its budget of {budget}: the bank gives the rest of the heat"),
                change,
            );
        }
    }
    if *budget_w < heater.at_supply_min.power_w && bank == BankUse::Never {
        return Finding::change(
            Part::Sources,
            format!(
                "{source} may give up to {budget}, less than the heater takes at its lowest supply ({}): alone it never heats",
                watts(heater.at_supply_min.power_w)
            ),
            "a smaller heater, a source beside it, or a [bank] that may make up the rest",
        );
    }
    // What the controller reckons with is the stated power, without a tolerance.
    let reckoned_w = heater.at_supply_max.power_w;
    if *budget_w < reckoned_w && bank == BankUse::Never {
        return Finding::change(
            Part::Sources,
            format!(
                "{source} may give up to {budget}, less than the heater can take at {} V ({}): then it heats no more",
                plain(heater.at_supply_max.supply_v),
                watts(reckoned_w)
            ),
            format!("budget_w = {} if it can give that, or a smaller heater", fixed(reckoned_w.ceil(), 0)),
        );
    }
    Finding::fine(
        Part::Sources,
        format!(
            "{source} may give up to {budget}, and can; with the heater on {} are left for charge",
            watts(found.left_for_charge_w)
        ),
    )
}

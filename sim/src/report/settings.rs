//! Each setting with what it does, and why it has this value.

use crate::figures::{fixed, plain, raised_to};
use crate::installation::Installation;
use crate::plan::Plan;
use crate::site::Site;
use crate::{cell, si};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{BankUse, Hold, Key, Place, Role, Settings, Thousandths};
use serde::Serialize;

/// One setting.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Setting {
    /// Its section.
    pub section: String,
    /// Its key there.
    pub name: String,
    /// Its value, with its unit.
    pub value: String,
    /// What it does.
    pub meaning: String,
    /// Why it is so.
    pub why: String,
}

/// Nothing else is known of a value.
const CHOSEN: &str = "chosen in the file";
const DEFAULT: &str = "left as it comes: common practice, no source";

/// Every setting that has a value, section by section.
pub(super) fn list(installation: &Installation, site: &Site, plan: &Plan) -> Vec<Setting> {
    let settings: &Settings = &installation.settings;
    let why = Why { site, plan };
    let mut rows = Vec::new();
    for &key in Key::ALL {
        let fact = key.fact();
        if fact.section == "channel" || fact.section == "source" {
            continue;
        }
        for index in 0..fact.repeats {
            let place = Place::at(key, index);
            rows.extend(row(settings, place, fact.section.to_owned(), &why));
        }
    }
    let words = [
        ("heater", "hold", hold(settings.heater.hold), "whether the heater may run while charge is permitted"),
        ("bank", "spend", spend(settings.bank), "whether the bank's own charge may be spent on heat"),
    ];
    for (section, name, value, meaning) in words {
        let row = Setting {
            section: section.to_owned(),
            name: name.to_owned(),
            value: value.to_owned(),
            meaning: meaning.to_owned(),
            why: CHOSEN.to_owned(),
        };
        let at = rows.iter().rposition(|other: &Setting| other.section == section).map_or(rows.len(), |at| at + 1);
        rows.insert(at, row);
    }
    for (index, name) in installation.sources.iter().enumerate() {
        let keys = Key::ALL.iter().filter(|key| key.fact().section == "source");
        rows.extend(keys.filter_map(|&key| row(settings, Place::at(key, index), format!("source “{name}”"), &why)));
        if let Some(Some(obeys)) = installation.obeys.get(index) {
            rows.push(Setting {
                section: format!("source “{name}”"),
                name: "obeys".to_owned(),
                value: obeys.clone(),
                meaning: "what holds its current at or below the ceiling".to_owned(),
                why: CHOSEN.to_owned(),
            });
        }
    }
    for (index, (name, channel)) in installation.channels.iter().zip(&settings.channels).enumerate() {
        let section = format!("channel “{name}”");
        if !matches!(channel.role, Role::Check(_)) {
            rows.push(Setting {
                section: section.clone(),
                name: "wiring".to_owned(),
                value: wiring(&channel.leads).to_owned(),
                meaning: "how many leads go to the thermometer".to_owned(),
                why: CHOSEN.to_owned(),
            });
        }
        let keys = Key::ALL.iter().filter(|key| key.fact().section == "channel");
        rows.extend(keys.filter_map(|&key| row(settings, Place::at(key, index), section.clone(), &why)));
    }
    rows
}

const fn hold(hold: Hold) -> &'static str {
    match hold {
        Hold::WhileCharging => "while charging",
        Hold::Never => "never",
    }
}

const fn spend(bank: BankUse) -> &'static str {
    match bank {
        BankUse::Never => "never",
        BankUse::WithSource(_) => "with a source",
        BankUse::Always(_) => "always",
    }
}

const fn wiring(leads: &Leads) -> &'static str {
    match leads {
        Leads::TwoWire { .. } => "two wires",
        Leads::ThreeWire { .. } => "three wires",
        Leads::FourWire => "four wires",
    }
}

fn row(settings: &Settings, place: Place, section: String, why: &Why<'_>) -> Option<Setting> {
    let value = settings.value(place)?;
    let fact = place.key.fact();
    let unit = if fact.unit.is_empty() { String::new() } else { format!(" {}", fact.unit) };
    let nth = if fact.section == "charge.ceiling" { format!("[{}]", place.index + 1) } else { String::new() };
    Some(Setting {
        section,
        name: format!("{}{nth}", fact.name),
        value: format!("{}{unit}", Thousandths(value)),
        meaning: place.key.meaning().to_owned(),
        why: why.of(place).unwrap_or_else(|| (if fact.default == Some(value) { DEFAULT } else { CHOSEN }).to_owned()),
    })
}

/// What the plan knows of reasons.
struct Why<'p> {
    site: &'p Site,
    plan: &'p Plan,
}

impl Why<'_> {
    /// Why a setting is so, as far as anything computes it.
    fn of(&self, place: Place) -> Option<String> {
        let thresholds = &self.plan.measurement.thresholds;
        let index = usize::from(place.index);
        let band = |band_k: f64, least_c: f64, limit_c: f64| {
            format!(
                "the cells' limit {} °C and the guard band of {} K ask for {} °C or more; {} °C would stay safe with every error \
                 at its limit at once",
                plain(thresholds.hard_limit_c),
                fixed(band_k, 2),
                plain(least_c),
                plain(limit_c)
            )
        };
        Some(match place.key {
            Key::HardLimit => "of the battery's maker: nothing here can know it better".to_owned(),
            Key::Inhibit => {
                band(thresholds.guard_band_inhibit_k, thresholds.least_inhibit_c, thresholds.limit_inhibit_c)
            }
            Key::Release => {
                band(thresholds.guard_band_release_k, thresholds.least_release_c, thresholds.limit_release_c)
            }
            Key::Soak => self.soak()?,
            Key::HeaterPower => self.power(),
            Key::SupplyMin | Key::SupplyMax => self.supply(),
            Key::CutoutCell | Key::CutoutPad => self.cutout(place.key)?,
            Key::CeilingAt | Key::CeilingLimit => self.ceiling(index)?,
            Key::Budget => self.budget(index)?,
            Key::Batteries => format!("{} in the file", self.site.battery.count),
            Key::LeadLeast | Key::LeadMost => {
                "follows from length and cross-section of its cable, unless the file states it".to_owned()
            }
            _ => return None,
        })
    }

    fn soak(&self) -> Option<String> {
        let lag_h = self.plan.thermal.warm_ups.iter().filter_map(|warm_up| warm_up.lag_h).reduce(f64::max)?;
        let minutes = lag_h * 60.0;
        Some(if minutes > 0.5 {
            format!(
                "the coldest place gets as warm up to {} min after the thermometers show it",
                fixed(raised_to(minutes, 1.0), 0)
            )
        } else {
            "the coldest place is as warm as the thermometers show, or warmer".to_owned()
        })
    }

    fn power(&self) -> String {
        let thermal = &self.plan.thermal;
        let warm_up = thermal.warm_ups.first().and_then(|warm_up| Some((warm_up.start_c, warm_up.permitted_h?)));
        let warms = warm_up.map_or_else(String::new, |(start_c, hours)| {
            format!("; from {} °C charge is permitted after {}", plain(start_c), hours.text("h"))
        });
        format!("{} hold the bank at {} °C outside{warms}", thermal.hold_w.text("W"), plain(thermal.design_min_c))
    }

    fn supply(&self) -> String {
        let cells = f64::from(self.site.battery.cells_in_series);
        let (empty_v, full_v) = (cells * cell::EMPTY_V, cells * cell::END_OF_CHARGE_V);
        let coil = self.plan.circuit.as_ref().map_or_else(String::new, |circuit| {
            format!("; the relay's coil surely pulls in from {} V on", fixed(raised_to(circuit.pull_in_v, 0.1), 1))
        });
        format!("the bank has {} V almost empty and {} V at the end of charge{coil}", plain(empty_v), plain(full_v))
    }

    fn cutout(&self, key: Key) -> Option<String> {
        let warm_ups = self.plan.thermal.warm_ups.iter();
        let (what, peak) = if key == Key::CutoutPad {
            ("plate", warm_ups.map(|warm_up| warm_up.plate_peak_c).max_by(|a, b| a.value.total_cmp(&b.value))?)
        } else {
            ("cells", warm_ups.map(|warm_up| warm_up.cell_peak_c).max_by(|a, b| a.value.total_cmp(&b.value))?)
        };
        Some(format!("warming up, the {what} get to {} at most", peak.text("°C")).replace("plate get", "plate gets"))
    }

    fn ceiling(&self, index: usize) -> Option<String> {
        let point = self.plan.ceiling.points.get(index)?;
        Some(format!(
            "cells that read this may be as cold as {} °C, where the maker allows {} C",
            fixed(point.cells_c, 1),
            plain(point.maker_c_rate)
        ))
    }

    fn budget(&self, index: usize) -> Option<String> {
        let source = self.plan.sources.get(index)?;
        Some(match source.headroom_w {
            Some(headroom_w) => format!(
                "it gives {} W; by its rating it has {} W left after what else it feeds",
                plain(source.gives_w),
                fixed(headroom_w, 0)
            ),
            None => format!("it gives {} W", plain(source.gives_w)),
        })
    }
}

/// Seconds as the settings have them; the owner's page tells how long to hold the button.
pub(super) fn button_s(settings: &Settings) -> String {
    plain(si::seconds(settings.trust.button))
}

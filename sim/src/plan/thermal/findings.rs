//! Findings about the heater: whether it holds, warms up, and passes its own proofs.

use super::{Shapes, Studies, Thermal, WarmUpReport, air_of, best};
use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain, raised_to};
use crate::finding::{Finding, Part, Remedy};
use crate::heater::Heater;
use crate::plan::course::{self, Setup, WarmUp};
use crate::plan::nearness;
use crate::si::{self, celsius};
use crate::site::Site;
use forewarm_core::settings::Settings;

/// The least time that the settings can state (h).
const LEAST_STUCK_H: f64 = 0.1;

pub(super) fn findings(
    thermal: &Thermal,
    studies: &Studies,
    settings: &Settings,
    site: &Site,
    shapes: &Shapes,
) -> Vec<Finding> {
    let mut findings = vec![holding(thermal, settings, site)];
    findings.extend(nearness::overhang(settings, site, shapes));
    findings.extend(stuck(studies, thermal, settings, site));
    if let Some((warm_up, report)) = studies.written.warm_ups.first().zip(thermal.warm_ups.first()) {
        let holds = thermal.hold_w.value <= thermal.heater_w.value;
        findings.extend(warming(report, thermal, settings, holds));
        findings.extend(proof(warm_up, settings, site, thermal, shapes));
        findings.extend(cooling(warm_up, settings));
    }
    findings
}

/// Whether the heater holds at the design minimum.
fn holding(thermal: &Thermal, settings: &Settings, site: &Site) -> Finding {
    let Thermal { hold_w, heater_w, reaches_c, .. } = *thermal;
    let place = format!("at {}", thermal.coldest());
    let release = plain(thermal.release_c);
    if hold_w.value <= 0.0 {
        return Finding::fine(Part::Thermal, format!("{place} the cells stay at {release} °C without heat"));
    }
    let needs = format!("{place} it takes {} to keep the coldest place at {release} °C", hold_w.text("W"));
    let gives = format!("the heater gives {}", heater_w.text("W"));
    let surely = hold_w.value + hold_w.expanded_uncertainty;
    let weakest = heater_w.value - heater_w.expanded_uncertainty;
    if surely <= weakest {
        return Finding::fine(Part::Thermal, format!("the heater holds: {needs}, and {gives}"));
    }
    let pad = surely / (weakest / heater_w.value);
    let proposed_w = raised_to(pad, 10.0);
    let per_watt = Heater::of(settings, 0.0).at_supply_max.power_w / heater_w.value;
    let area_m2 = proposed_w * per_watt * (1.0 + site.tolerance.pad_power) / site.pad.most_w_per_m2;
    let on = if area_m2 > site.pad.area_m2() {
        format!(" on a pad of at least {} cm²", fixed(raised_to(area_m2 * 1e4, 10.0), 0))
    } else {
        String::new()
    };
    let mut ways = vec![format!("power_w = {} or more{on}", fixed(proposed_w, 0))];
    let thick_mm = best(&site.enclosure.walls).map_or(0.0, |index| site.enclosure.walls[index].thickness_m * 1000.0);
    let added = if thermal.insulation_is_added { "added inside " } else { "" };
    let enough = thermal
        .insulation
        .iter()
        .find(|row| row.thickness_mm > thick_mm + 0.5 && row.hold_w.value + row.hold_w.expanded_uncertainty <= weakest);
    ways.extend(
        enough.map(|row| format!("{} mm of {} {added}all round", plain(row.thickness_mm), thermal.insulation_material)),
    );
    let change = ways.join(", or ");
    let stronger = || on.is_empty().then(|| of_heater("power_w", proposed_w));
    if hold_w.value > heater_w.value {
        let permitted = thermal.warm_ups.first().and_then(|warm_up| warm_up.permitted_h);
        let permitted = permitted.map_or_else(
            || "charge is never permitted while it is as cold as that".to_owned(),
            |after| format!("channels in warmer places permit charge all the same, after {}", after.text("h")),
        );
        let text = format!(
            "the heater cannot hold: {needs}, and {gives}; the coldest place ends at {}, and {permitted}",
            reaches_c.text("°C")
        );
        Finding::headline(Part::Thermal, text, change).with(stronger())
    } else {
        let text = format!("the heater may not hold: {needs}, and {gives}");
        Finding::change(Part::Thermal, text, change).with(stronger())
    }
}

/// Writes a number in `[heater]`.
fn of_heater(key: &'static str, value: f64) -> Remedy {
    vec![Edit::number(Home::Section("heater"), key, value)]
}

/// How long it takes to warm up from the design minimum.
fn warming(report: &WarmUpReport, thermal: &Thermal, settings: &Settings, holds: bool) -> Vec<Finding> {
    let mut findings = Vec::new();
    let from = format!("from {} °C", plain(report.start_c));
    match report.permitted_h {
        // Another finding reports this already if the heater is too weak.
        None if holds => findings.push(Finding::headline(
            Part::Thermal,
            format!("{from} charge is not permitted within three days"),
            if report.is_cut_out {
                "less power over more area, or cut-outs as high as the batteries' maker allows"
            } else {
                "more power, or more insulation"
            },
        )),
        None => {}
        Some(permitted) => {
            let max_run_h = f64::from(settings.heater.max_run.as_millis()) / 3.6e6;
            let energy = report.energy_wh.map_or_else(String::new, |energy| format!(", for {}", energy.text("Wh")));
            let behind = if report.stops_first {
                let stop = plain(celsius(settings.heater.stop));
                format!(
                    "; the coldest place stays below {} °C, for the heater goes off at {stop} °C before",
                    plain(thermal.release_c)
                )
            } else {
                String::new()
            };
            let text = format!("{from} charge is permitted after {}{energy}{behind}", permitted.text("h"));
            if permitted.value > max_run_h {
                findings.push(
                    Finding::change(
                        Part::Thermal,
                        format!("{text}: longer than the heater may run without a pause ({} h)", plain(max_run_h)),
                        format!("heater.max_run_h = {}, or more power", fixed(permitted.value.ceil(), 0)),
                    )
                    .with([of_heater("max_run_h", permitted.value.ceil())]),
                );
            } else if holds {
                findings.push(Finding::fine(Part::Thermal, text));
            }
        }
    }
    if report.is_cut_out {
        let power = thermal.powers.iter().rev().find(|row| !row.is_cut_out && !row.is_beyond_pad);
        let weaker = power.map(|row| of_heater("power_w", row.power_w.value.floor()));
        findings.push(
            Finding::change(
                Part::Thermal,
                format!(
                    "{from} a cut-out switches the heater off on the way, with the plate at {}",
                    report.plate_peak_c.text("°C")
                ),
                power.map_or_else(
                    || "less power over more area, or a thicker plate".to_owned(),
                    |row| {
                        format!(
                            "less power ({} warms up in {} h), more area, or a thicker plate",
                            row.power_w.text("W"),
                            plain(row.within_h)
                        )
                    },
                ),
            )
            .with(weaker),
        );
    }
    findings
}

/// Whether a working heater passes its own proof, from cold and in a bank that cools. Also whether the proof finds a
/// plate thermometer that has come off.
fn proof(warm_up: &WarmUp, settings: &Settings, site: &Site, thermal: &Thermal, shapes: &Shapes) -> Vec<Finding> {
    let setup = Setup { settings, site, heater_w: thermal.heater_w.value, answers_for: &[] };
    let plant = shapes.plant(site);
    let air = air_of(site, thermal.design_air_c);
    let shown = course::prove(&setup, &mut plant.at_rest(thermal.release_c), air);
    let Some(((proof, shown), from_cold_k)) = settings.heater.proof.zip(shown).zip(warm_up.proof_rise_k) else {
        return Vec::new();
    };
    let energy_wh = plain(si::joules(proof.energy) / 3600.0);
    let place = format!("in air of {} °C, {energy_wh} Wh", plain(thermal.design_air_c));
    // Half of the expected rise leaves room for a draught and a weak supply.
    let half = |found_k: f64| (found_k / 2.0 * 10.0).floor() / 10.0;
    let mut findings = Vec::new();
    let (asked_k, found_k) = (si::written_k(proof.rise), from_cold_k.min(shown.effect_k));
    if found_k < 2.0 * asked_k {
        let change = if shown.pad_k.is_none() && found_k < 0.2 {
            "a thermometer on the plate (role = \"pad\"), or leave out proof_wh: the cells alone cannot tell".to_owned()
        } else {
            format!("proof_rise_k = {}, or more proof_wh", plain(half(found_k)))
        };
        findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{place} raise plate or cells by {} K; with proof_rise_k = {} a sound heater may be taken for a broken one",
                fixed(found_k, 1),
                plain(asked_k)
            ),
            change,
        )
        .with([of_heater("proof_rise_k", half(found_k))]));
    }
    let asked_k = si::written_k(proof.pad_rise);
    match shown.pad_k {
        Some(pad_k) if pad_k < 2.0 * asked_k => findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{place} raise the plate thermometer by {} K; with proof_pad_rise_k = {} one that sits on the plate may be taken for one that \
                 has come off",
                fixed(pad_k, 1),
                plain(asked_k)
            ),
            format!("proof_pad_rise_k = {}, or more proof_wh", plain(half(pad_k))),
        )
        .with([of_heater("proof_pad_rise_k", half(pad_k))])),
        Some(pad_k) if shown.air_k >= asked_k => findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{place} raise the air of the box by {} K; with proof_pad_rise_k = {} a plate thermometer that has come off shows that air \
                 and is not noticed",
                fixed(shown.air_k, 1),
                plain(asked_k)
            ),
            format!("proof_pad_rise_k = {}", plain(half(pad_k))),
        )
        .with([of_heater("proof_pad_rise_k", half(pad_k))])),
        Some(_) | None => {}
    }
    findings
}

/// Whether thermometers that all stick while they permit charge are found before the cells are too cold for it.
fn stuck(studies: &Studies, thermal: &Thermal, settings: &Settings, site: &Site) -> Option<Finding> {
    let falls = studies.figure(|study| study.falls_s)?;
    let surely_h = (falls.value - falls.expanded_uncertainty) / 3600.0;
    let after_h = settings.trust.stuck_after.map(|after| si::seconds(after) / 3600.0);
    if after_h.is_some_and(|after_h| after_h <= surely_h) {
        return None;
    }
    let found = match after_h {
        Some(after_h) => format!("found only after trust.stuck_after_h = {}", plain(after_h)),
        None => "not found: trust.stuck_after_h = \"never\"".to_owned(),
    };
    let proposed_h = -raised_to(-surely_h, 0.1);
    let text = format!(
        "cell thermometers that stick alike while charge is permitted are {found}; at {} cells without heat fall from charge.inhibit_c = {} \
         °C to their limit of {} °C in {} h",
        thermal.coldest(),
        plain(si::written_c(settings.charge.inhibit)),
        plain(site.battery.hard_limit_c),
        fixed(proposed_h, 1),
    );
    let change = format!("stuck_after_h = {}", plain(proposed_h));
    let edit = Edit::number(Home::Section("trust"), "stuck_after_h", proposed_h);
    Some(if proposed_h >= LEAST_STUCK_H {
        Finding::change(Part::Measurement, text, change).with([vec![edit]])
    } else {
        Finding::change(Part::Measurement, text, "more insulation, or a higher inhibit_c")
    })
}

/// Whether a heater that is off passes the check for being off.
fn cooling(warm_up: &WarmUp, settings: &Settings) -> Option<Finding> {
    let cooling = settings.heater.cooling?;
    let asked_k = si::written_k(cooling.excess);
    let found_k = warm_up.cooling_excess_k?;
    (found_k > asked_k / 2.0).then(|| {
        Finding::change(
            Part::Thermal,
            format!(
                "{} min after a warm-up the plate is still {} K above the cells; with cooling_excess_k = {} a heater that is off may be \
                 taken for one that is stuck on",
                plain(si::seconds(cooling.after) / 60.0),
                fixed(found_k, 1),
                plain(asked_k)
            ),
            format!("cooling_excess_k = {}, or more cooling_min", fixed((2.0 * found_k).ceil(), 0)),
        )
        .with([of_heater("cooling_excess_k", (2.0 * found_k).ceil())])
    })
}

//! What is measured before anything has power, and the thermal cut-outs, which only heat tries.

use super::card::{Expect, Part, Step};
use crate::figures::{fixed, plain};
use crate::heater::Heater;
use crate::installation::Installation;
use crate::plan::circuit::judge;
use crate::platinum::{Platinum, ohms};
use crate::site::{Mounting, Resets, Site};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Channel, Role};

/// Least insulation resistance of a circuit on extra-low voltage, and the direct voltage that it is measured with (MΩ, V).
///
/// # Source
/// IEC 60364-6, table 6.1: SELV and PELV. From memory.
const INSULATION: (f64, f64) = (0.5, 250.0);

fn seen(how: impl Into<String>, sees: impl Into<String>) -> Step {
    Step::anyhow(how, Expect::Seen(sees.into()))
}

fn measured(how: impl Into<String>, unit: &'static str, low: f64, high: Option<f64>) -> Step {
    Step::anyhow(how, Expect::Measured { unit, low, high })
}

/// Before power.
pub(super) fn before_power(installation: &Installation, site: &Site) -> Part {
    let settings = &installation.settings;
    let heater = Heater::of(settings, site.tolerance.pad_power);
    let (nominal_v, nominal_w) = (heater.at_nominal.supply_v, heater.at_nominal.power_w);
    let pad_ohm = nominal_v * nominal_v / nominal_w;
    let [least_ohm, most_ohm] = [1.0 + heater.tolerance, 1.0 - heater.tolerance].map(|part| pad_ohm / part);
    let (insulation_mohm, test_v) = INSULATION;
    let mut steps = vec![
        measured(
            format!(
                "Pad disconnected at both ends: its insulation against plate and battery cases, with {} V direct current. Nothing else may be \
                 connected to it",
                plain(test_v)
            ),
            "MΩ",
            insulation_mohm,
            None,
        ),
        measured("Resistance of the pad, from lead to lead, cold", "Ω", least_ohm, Some(most_ohm)),
    ];
    if let Some((report, _)) = judge(settings, site) {
        let fuse = report.fuse_a.map_or_else(|| "of the plan".to_owned(), |fuse_a| format!("of {} A", plain(fuse_a)));
        steps.push(seen(
            format!("The fuse {fuse}, for direct current of at least {} V", plain(heater.at_supply_max.supply_v)),
            "it sits at the end of the cable that is nearest to what feeds it, and nothing branches off before it",
        ));
    }
    steps.push(seen("Contacts of heater relay and charge relay, with the controller switched off", "both are open"));
    for cutout in &site.thermal_cutouts {
        steps.push(seen(
            format!("The thermal cut-out on the {}: one of its wires lifted", cutout.at.word()),
            "the pad's own circuit is open, not that of a relay's coil; connected again and cold it is closed",
        ));
    }
    for ((name, channel), mounting) in installation.channels.iter().zip(&settings.channels).zip(&site.mountings) {
        steps.push(at_the_terminals(name, channel, mounting, site.converter.contact_ohm));
    }
    steps.push(seen(
        "Polarity of every supply, with a meter, before it is connected: controller, heater, charge relay",
        "positive is on the terminal that the wiring list calls positive",
    ));
    Part {
        title: "Before power".to_owned(),
        lead: vec![
            "Fuses out, battery isolated, controller switched off. A megohmmeter destroys electronics: disconnect them first.".to_owned(),
        ],
        steps,
    }
}

/// The resistance of a thermometer with its cable, as warm as the bench.
fn at_the_terminals(name: &str, channel: &Channel, mounting: &Mounting, contact_ohm: f64) -> Step {
    if let Role::Check(check) = channel.role {
        let (least, most) = check.band();
        let how = format!("{name}: the resistor, with a meter, disconnected from the converter");
        return measured(how, "Ω", ohms(least), Some(ohms(most)));
    }
    let wires = match channel.leads {
        Leads::TwoWire { .. } => "at the converter's terminals",
        Leads::ThreeWire { .. } => "between the two wires of different colour",
        Leads::FourWire => "between two wires of different colour",
    };
    let platinum = Platinum::of(&channel.element);
    // A meter shows both leads with it. A room on the bench is 15 to 25 °C.
    measured(
        format!("{name}: element and leads {wires}, disconnected from the converter, in a room of 15 to 25 °C"),
        "Ω",
        platinum.ohms(15.0),
        Some(platinum.ohms(25.0) + mounting.loop_ohm_20c + 2.0 * contact_ohm),
    )
}

/// The thermal cut-outs.
pub(super) fn cutouts(site: &Site) -> Part {
    let step = |cutout: &crate::site::ThermalCutout| {
        let (from_c, to_c) = (cutout.stays_closed_to_c(), cutout.has_opened_at_c());
        let on = cutout.at.word();
        match cutout.resets {
            Resets::Never => seen(
                format!("The thermal-link on the {on}: its marking. Warmed, it would be spent"),
                format!(
                    "it is marked {} °C, {} A, {} V direct current",
                    plain(cutout.opens_c),
                    plain(cutout.rated_a),
                    plain(cutout.rated_v)
                ),
            ),
            Resets::ByHand | Resets::ByItself => {
                let then = if cutout.resets == Resets::ByHand {
                    "it stays open when it has cooled, until a hand resets it"
                } else {
                    "it closes again when it has cooled"
                };
                seen(
                    format!(
                        "The thermal cut-out on the {on}, taken off and warmed slowly with a thermometer beside it, a meter across it"
                    ),
                    format!("it opens between {} and {} °C; {then}", fixed(from_c, 0), fixed(to_c, 0)),
                )
            }
        }
    };
    let mut lead = vec![
        "They do not depend on the controller, and are the last to act. Warm each by itself, on a hotplate or in a water bath in a bag, \
         never on a battery."
            .to_owned(),
    ];
    if site.thermal_cutouts.is_empty() {
        lead.push("The file names none. One belongs in series with the pad: see `forewarm plan`.".to_owned());
    }
    let mut steps: Vec<Step> = site.thermal_cutouts.iter().map(step).collect();
    if !steps.is_empty() {
        steps.push(seen(
            "Every thermal cut-out reset and back in its place, and the pad's circuit measured from end to end",
            "it is closed, with the resistance of the pad as before power",
        ));
    }
    Part { title: "Thermal cut-outs".to_owned(), lead, steps }
}

/// Which thermometer is which, where there are several: on the bench a resistor stands in for each, and nobody sees two that are exchanged.
pub(super) fn mounted(installation: &Installation) -> Option<Part> {
    let channels = installation.channels.iter().zip(&installation.settings.channels);
    let named = channels.filter(|(_, channel)| !matches!(channel.role, Role::Check(_))).map(|(name, _)| name);
    let steps: Vec<Step> = named
        .map(|name| {
            seen(format!("{name}: its place warmed by a hand for a minute"), "its reading rises, before any other")
        })
        .collect();
    let lead =
        "Before the bank is connected: two thermometers that are exchanged look right in every other part.".to_owned();
    (steps.len() > 1).then(|| Part { title: "Once everything is mounted".to_owned(), lead: vec![lead], steps })
}

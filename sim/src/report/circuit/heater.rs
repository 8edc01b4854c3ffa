//! The heater's circuit from what feeds it to the pad, what switches it, and the controller's own supply.

use super::draft::{Draft, between, end, wire};
use super::{Length, Look, Says, Stop, amps, volts};
use crate::figures::{fixed, plain};
use crate::site::{Resets, ThermalCutout};

/// Draws it. Returns the heater's relay.
pub(super) fn draw(draft: &mut Draft<'_>) -> usize {
    draft.sheet("Heater circuit, and what feeds the controller");
    let site = draft.site;
    let feed = site.fed_by.and_then(|source| draft.sources.get(source).copied());
    let supply = |terminal: &str| match feed {
        Some(source) => end(Look::Block, source, terminal),
        None => end(Look::Battery, draft.bank, terminal),
    };
    let [plus, minus] = ["+", "−"].map(supply);
    let relay = power(draft, &plus, &minus);
    coils(draft, relay, &plus, &minus);
    let wire_of = ("the wire that measures the heater's supply", "heater supply, ahead of the heater's fuse");
    draft.told(plus, wire_of, "heater supply");
    if feed.is_some() {
        let bank = end(Look::Terminal, draft.bank, "−");
        draft.path(minus, [(wire("one common negative"), bank)]);
    }
    draft.group();
    let fuse = draft.part('F', "fuse of the controller", "1 A (board of modules), at the bank, direct current");
    let stop = between(Look::Fuse, fuse, ["1", "2"]).labelled(["1 A".to_owned()]);
    let (bank, controller) = (draft.bank("+"), draft.controller("supply +"));
    let what = "supply of the controller";
    draft.path(bank, [(wire(what).long(Length::Short), stop), (wire(what).behind(fuse), controller)]);
    let what = "supply; its 0 V meets the bank here alone";
    let (bank, controller) = (draft.bank("−"), draft.controller("supply −"));
    draft.path(bank, [(wire(what).behind(fuse), controller)]);
    if draft.installation.bank_measured.voltage {
        let bank = draft.bank("+");
        draft.told(bank, ("the wire that measures the bank", "bank voltage"), "bank voltage");
    }
    notes(draft);
    relay
}

/// From what feeds the heater to the pad and back.
fn power(draft: &mut Draft<'_>, plus: &Stop, minus: &Stop) -> usize {
    let (site, heater) = (draft.site, draft.heater);
    let circuit = site.circuit.as_ref();
    let planned = draft.planned.clone();
    let fuse_a = match circuit.and_then(|circuit| circuit.fuse_a) {
        Some(fuse_a) => Some((fuse_a, Says::File)),
        None => planned.as_ref().and_then(|planned| planned.fuse_a).map(|fuse_a| (fuse_a, Says::Plan)),
    };
    let area = match circuit.and_then(|circuit| circuit.cable_mm2) {
        Some(area_mm2) => Some((area_mm2, Says::File)),
        None => planned.and_then(|planned| planned.conductor).map(|conductor| (conductor.area_mm2, Says::Plan)),
    }
    .filter(|_| !draft.is_mains);
    let length_m = circuit.map(|circuit| circuit.cable_m);
    let highest_v = heater.at_supply_max.supply_v;
    let direct = format!("≥ {} DC", volts(highest_v));
    let (fuse_text, fuse_label) = match fuse_a.filter(|_| !draft.is_mains) {
        Some((fuse_a, says)) => {
            let by = if says == Says::Plan { " (by plan)" } else { "" };
            (
                format!("{}{by}, direct current of at least {}", amps(fuse_a), volts(highest_v)),
                vec![amps(fuse_a), direct],
            )
        }
        None => ("____ A: the file does not say".to_owned(), vec!["____ A".to_owned()]),
    };
    let fuse = draft.part('F', "fuse of the heater circuit", fuse_text);
    let contact = circuit.map(|circuit| circuit.relay.contact);
    let rating = contact.map_or_else(
        || "____ A, ____ V, ____ W coil".to_owned(),
        |contact| {
            let [coil_v, coil_w] = coil_told(draft);
            let (rated_a, rated_v) = (amps(contact.rated_a), volts(contact.rated_v));
            format!("contact {rated_a}, {rated_v} direct current; coil {coil_v}, {coil_w}")
        },
    );
    let relay = draft.part('Q', "heater relay, normally open", rating);
    let part_of = length_m.map_or(Length::ByHand, Length::PartOf);
    let conductor = |purpose: &str| wire(purpose).thick(area);
    let mut runs = vec![
        (
            conductor("heater: nothing branches off before the fuse").long(Length::Short),
            between(Look::Fuse, fuse, ["1", "2"]).labelled(fuse_label),
        ),
        (
            conductor("heater").long(part_of).behind(fuse),
            between(Look::Contact, relay, ["13", "14"]).labelled(contact.map_or_else(
                || vec!["____ A".to_owned(), "____ V DC".to_owned()],
                |contact| vec![amps(contact.rated_a), format!("{} DC", volts(contact.rated_v))],
            )),
        ),
    ];
    for (index, cutout) in site.thermal_cutouts.iter().enumerate() {
        let within_k =
            draft.installation.stated.has(&format!("thermal_cutout[{index}].within_k")).then_some(cutout.within_k);
        let part = draft.part('F', format!("thermal cut-out on the {}", cutout.at.word()), rated(cutout, within_k));
        let stop = between(Look::Thermal, part, ["1", "2"]).labelled(cutout_label(cutout, within_k));
        runs.push((conductor("heater, by a thermal cut-out").long(part_of).behind(fuse), stop));
    }
    let pad = draft.part(
        'E',
        "heater pad",
        format!(
            "{} W at {}, up to {} A",
            plain(heater.at_nominal.power_w),
            volts(heater.at_nominal.supply_v),
            fixed(heater.most_a, 1)
        ),
    );
    runs.push((conductor("heater").long(part_of).behind(fuse), end(Look::Heater, pad, "1")));
    draft.path(plus.clone(), runs);
    let whole = length_m.map_or(Length::ByHand, Length::Metres);
    let back = conductor("heater, back").long(whole).behind(fuse);
    draft.path(minus.clone(), [(back, end(Look::Heater, pad, "2"))]);
    relay
}

/// What it must bear, and where it opens; `within_k` is how far off it may, if the file states it (K).
fn rated(cutout: &ThermalCutout, within_k: Option<f64>) -> String {
    let resets = match cutout.resets {
        Resets::ByHand => "a hand resets it",
        Resets::ByItself => "it closes again by itself",
        Resets::Never => "a thermal-link: it opens once",
    };
    format!(
        "opens at {}{} °C; {}, {} direct current; {resets}",
        plain(cutout.opens_c),
        within_k.map_or_else(String::new, |within_k| format!(" ± {}", plain(within_k))),
        amps(cutout.rated_a),
        volts(cutout.rated_v)
    )
}

fn cutout_label(cutout: &ThermalCutout, within_k: Option<f64>) -> Vec<String> {
    let resets = match cutout.resets {
        Resets::ByHand => "by hand",
        Resets::ByItself => "by itself",
        Resets::Never => "once",
    };
    let mut label = vec![format!("on {}", cutout.at.word()), format!("{} °C", plain(cutout.opens_c))];
    label.extend(within_k.map(|within_k| format!("± {} K", plain(within_k))));
    label.extend([amps(cutout.rated_a), volts(cutout.rated_v), resets.to_owned()]);
    label
}

/// Voltage and power of the relay's coil, as far as the file states them.
fn coil_told(draft: &Draft<'_>) -> [String; 2] {
    let stated = |key: &str| draft.installation.stated.has(key);
    let relay = draft.site.circuit.map(|circuit| circuit.relay);
    let coil_v = relay.filter(|_| stated("circuit.coil_v")).map_or("____ V".to_owned(), |relay| volts(relay.coil_v));
    let coil_w = relay.filter(|_| stated("circuit.coil_w"));
    [coil_v, coil_w.map_or("____ W".to_owned(), |relay| format!("{} W", plain(relay.coil_w)))]
}

/// The coil of the heater's relay, by way of a pilot relay if there is one.
fn coils(draft: &mut Draft<'_>, relay: usize, plus: &Stop, minus: &Stop) {
    let circuit = draft.site.circuit;
    let stated = |key: &str| draft.installation.stated.has(key);
    let is_known = stated("circuit.coil_v") && stated("circuit.coil_w");
    let most_a = draft.planned.as_ref().map(|planned| planned.coil_most_a).filter(|_| is_known);
    let fuse = draft.part(
        'F',
        "fuse of the heater relay's coil",
        most_a.map_or_else(
            || "____ A".to_owned(),
            |most_a| format!("____ A; the coil draws up to {} A", fixed(most_a, 2)),
        ),
    );
    let fused = between(Look::Fuse, fuse, ["1", "2"]).labelled(["____ A".to_owned()]);
    let coil_label = coil_told(draft);
    let coil = between(Look::Coil, relay, ["A1", "A2"]).labelled(coil_label);
    let first = wire("coil of the heater relay").long(Length::Short);
    let wired = |what: &str| wire(what).behind(fuse);
    let Some(pilot) = circuit.and_then(|circuit| circuit.pilot) else {
        let driven = draft.controller("heater relay");
        let runs = [(first, fused), (wired("coil of the heater relay"), coil), (wired("at 0 V to heat"), driven)];
        return draft.path(plus.clone(), runs);
    };
    // The plan takes both coils to be for one voltage.
    let [coil_v, _] = coil_told(draft);
    let rating = format!(
        "contact {}, {} direct current; coil {coil_v}, {} W",
        amps(pilot.rated_a),
        volts(pilot.rated_v),
        plain(pilot.coil_w)
    );
    let part = draft.part('K', "pilot relay of the heater relay, normally open", rating);
    let contact = between(Look::Contact, part, ["13", "14"])
        .labelled([amps(pilot.rated_a), format!("{} DC", volts(pilot.rated_v))]);
    let back = end(Look::Terminal, minus.part, minus.leaves.clone());
    draft.path(
        plus.clone(),
        [
            (first, fused),
            (wired("coil of the heater relay"), contact),
            (wired("coil of the heater relay"), coil),
            (wired("coil of the heater relay, back"), back),
        ],
    );
    let (line, stop) = draft.line_fuse("the pilot relay's coil");
    let coil = between(Look::Coil, part, ["A1", "A2"]).labelled([coil_v, format!("{} W", plain(pilot.coil_w))]);
    let driven = draft.controller("heater relay");
    draft.path(
        plus.clone(),
        [
            (wire("coil of the pilot relay").long(Length::Short), stop),
            (wire("coil of the pilot relay").behind(line), coil),
            (wire("at 0 V to heat").behind(line), driven),
        ],
    );
}

fn notes(draft: &mut Draft<'_>) {
    if draft.is_mains {
        draft.note(
            "This heater is on mains. Nothing of its circuit is sized here: conductors, fuse, contact, insulation, protective \
             earth and residual current device are licensed work.",
        );
    }
    match draft.site.circuit {
        None => draft.note(
            "The file has no [circuit]: it says nothing of cable, fuse and relay, nor whether there is a pilot relay. `forewarm \
             plan` sizes them once it has.",
        ),
        Some(circuit) => draft.note(format!(
            "The heater's cable is {} m long, one way. The pieces between fuse, relay and cut-outs are parts of that.",
            plain(circuit.cable_m)
        )),
    }
    if draft.site.fed_by.is_some() {
        draft.note(
            "The heater does not hang on the bank, so the negatives of both must be one, as through the chassis of a vehicle; \
             else neither coil nor measurement works. Ask the papers of the source whether that is allowed.",
        );
    }
    if draft.site.thermal_cutouts.is_empty() {
        draft.note("The file names no thermal cut-out. One that does not depend on the controller belongs in series with the pad.");
    }
    draft.note(
        "The controller switches a coil on by joining it to 0 V. Each coil is drawn with the diode that takes its current over \
         when it is switched off; leave it out where driver or \
         relay has one. Each fuse sits at the end of its wire that is nearest to what feeds it.",
    );
}

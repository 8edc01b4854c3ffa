//! Whether conductor, fuse, relay contact and coil can carry what the heater draws.
//!
//! Power goes with the square of the voltage. So this module judges everything at the highest supply voltage at which
//! the controller lets the heater run, plus the tolerance of the pad. The voltage drop weakens the heater, so it is
//! judged at the nominal voltage.

use crate::conductor::{SIZES, capacity_a, copper_factor, loop_ohm, ohm_per_m_20c};
use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain, raised_to, uncertain};
use crate::finding::{Finding, Part};
use crate::heater::Heater;
use crate::site::{COILS_V, Circuit, Contact, Relay, Site};
use crate::{cell, si};
use forewarm_core::settings::Settings;
use serde::Serialize;

/// Rated currents of the fuses that the plan proposes (A). Source: blade and bolt-in fuses of ISO 8820, from memory.
pub const FUSES: [f64; 18] =
    [1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 125.0, 150.0, 200.0];

/// Other rated currents of fuses and breakers on sale (A). The plan does not propose them, but accepts one in a file.
/// Source: IEC 60127-1 and IEC 60269-1, preferred values, and further blades of ISO 8820, from memory.
const OTHER_FUSES: [f64; 28] = [
    0.5, 0.63, 0.8, 1.25, 1.6, 2.5, 3.15, 4.0, 6.0, 6.3, 8.0, 12.5, 13.0, 16.0, 32.0, 35.0, 63.0, 70.0, 160.0, 175.0,
    225.0, 250.0, 300.0, 315.0, 350.0, 400.0, 500.0, 630.0,
];

/// A fuse that carries more than 1/1.25 of its rating (80 %) for hours ages. Common practice, no source: 75 to 80 %.
const FUSE_MARGIN: f64 = 1.25;

/// Part of its rated current up to which a contact is used. Common practice, no source: half to three quarters.
const CONTACT_PART: f64 = 0.75;

/// Part of its rated (resistive) current that a contact may switch into a coil. Trade guides: 0.35 to 1.
const COIL_LOAD_PART: f64 = 0.35;

/// Part of its nominal voltage at which a coil at room temperature certainly pulls in. Common practice, no source: 0.7
/// to 0.8.
const PULL_IN: f64 = 0.8;

/// Part of its nominal voltage that a coil withstands for hours. Common practice, no source: 1.1 to 1.3 and more.
const COIL_LIMIT: f64 = 1.3;

/// Temperature that coil data are stated for (°C). Source: IEC 61810-1, from memory.
const COIL_C: f64 = 23.0;

/// Whether the heater may run at every voltage of its bank, from almost empty to the end of charge; `None` if it may.
pub(super) fn bank_range(settings: &Settings, site: &Site) -> Option<Finding> {
    let cells = f64::from(site.battery.cells_in_series);
    let (empty_v, full_v) = (cells * cell::EMPTY_V, cells * cell::END_OF_CHARGE_V);
    let (lowest_v, highest_v) = (si::volts(settings.heater.supply_min), si::volts(settings.heater.supply_max));
    let (mut changes, mut edits) = (Vec::new(), Vec::new());
    let mut write = |key: &'static str, volts: f64| {
        changes.push(format!("heater.{key} = {}", plain(volts)));
        edits.push(Edit::number(Home::Section("heater"), key, volts));
    };
    if lowest_v > empty_v + 1e-9 {
        write("supply_min_v", empty_v);
    }
    if highest_v < full_v - 1e-9 {
        write("supply_max_v", full_v);
    }
    (!changes.is_empty()).then(|| {
        Finding::change(
            Part::Circuit,
            format!(
                "{} cells in series have {} V almost empty and {} V at the end of charge; the heater may run from {} V to {} V only, and \
                 stays off beyond",
                plain(cells),
                plain(empty_v),
                plain(full_v),
                plain(lowest_v),
                plain(highest_v)
            ),
            format!("{}, with a pad and a circuit that bear it", changes.join(", ")),
        )
        .with([edits])
    })
}

/// Where the circuit stands in a file.
const CIRCUIT: Home = Home::Section("circuit");

/// Writes a number there.
fn written(key: &'static str, value: f64) -> Edit {
    Edit::number(CIRCUIT, key, value)
}

/// One size of conductor, in this circuit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Conductor {
    /// Cross-section (mm²).
    pub area_mm2: f64,
    /// Resistance there and back, in the warmest surroundings (Ω).
    pub loop_ohm: f64,
    /// Voltage drop at nominal voltage (V).
    pub drop_nominal_v: f64,
    /// The same, as part of the nominal voltage (%).
    pub drop_nominal_pct: f64,
    /// Voltage drop at the highest current (V).
    pub drop_most_v: f64,
    /// Current that it may carry in the warmest surroundings (A).
    pub capacity_a: f64,
}

/// The circuit's figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// Warmest surroundings of the cable (°C).
    pub cable_c: f64,
    /// Drop allowed at the nominal voltage (%).
    pub drop_allowed_pct: f64,
    /// The listed sizes.
    pub sizes: Vec<Conductor>,
    /// Smallest listed cross-section within the allowed drop (mm²); `null` if none is large enough.
    pub least_for_drop_mm2: Option<f64>,
    /// Smallest listed cross-section that carries what the fuse lets through (mm²); `null` if none is large enough.
    pub least_for_current_mm2: Option<f64>,
    /// The conductor of the file, or the smallest that meets both.
    pub conductor: Option<Conductor>,
    /// Least rated current of the fuse (A).
    pub fuse_least_a: f64,
    /// Smallest fuse on sale with at least that rating; `null` if none is (A).
    pub fuse_least_sold_a: Option<f64>,
    /// The fuse of the file, or the smallest on sale; `null` if none on sale is large enough (A).
    pub fuse_a: Option<f64>,
    /// Highest current through the relay's contact, as part of its rating (1).
    pub contact_used: f64,
    /// Highest current of the relay's coil: highest supply, coldest copper (A).
    pub coil_most_a: f64,
    /// Supply below which the coil may not pull in, in the warmest surroundings (V).
    pub pull_in_v: f64,
}

/// Judges the circuit of `site`; `None` if the file does not describe it.
#[must_use]
pub fn judge(settings: &Settings, site: &Site) -> Option<(Report, Vec<Finding>)> {
    let circuit = site.circuit.as_ref()?;
    let heater = Heater::of(settings, site.tolerance.pad_power);
    let sizes: Vec<Conductor> = SIZES.iter().map(|size| conductor(size.area_mm2, circuit, &heater)).collect();
    let area = |fits: &dyn Fn(&Conductor) -> bool| sizes.iter().find(|size| fits(size)).map(|size| size.area_mm2);
    let fuse_least_a = FUSE_MARGIN * heater.most_a;
    let fuse_least_sold_a = FUSES.into_iter().find(|&rating| rating >= fuse_least_a);
    let fuse_a = circuit.fuse_a.or(fuse_least_sold_a);
    let least_for_drop_mm2 = area(&|size| size.drop_nominal_pct <= circuit.drop * 100.0);
    let least_for_current_mm2 = fuse_a.and_then(|fuse| area(&|size| size.capacity_a >= fuse));
    let least_mm2 = least_for_drop_mm2.zip(least_for_current_mm2).map(|(drop, current)| drop.max(current));
    let conductor = circuit.cable_mm2.or(least_mm2).map(|area_mm2| conductor(area_mm2, circuit, &heater));
    let coil = Coil::of(&circuit.relay, &heater, site);
    let report = Report {
        cable_c: circuit.cable_c,
        drop_allowed_pct: circuit.drop * 100.0,
        sizes,
        least_for_drop_mm2,
        least_for_current_mm2,
        conductor,
        fuse_least_a,
        fuse_least_sold_a,
        fuse_a,
        contact_used: heater.most_a / circuit.relay.contact.rated_a,
        coil_most_a: coil.most_a,
        pull_in_v: coil.pull_in_v,
    };
    let mut findings = vec![drop(&report, circuit, &heater), fuse(&report, circuit, &heater)];
    findings.push(contact(
        ("relay contact", CIRCUIT, ["relay_a", "relay_v"]),
        &circuit.relay.contact,
        &heater,
        heater.most_a,
        CONTACT_PART,
    ));
    findings.extend(pull_in(&coil, &heater, circuit));
    findings.extend(driver(circuit, &coil, &heater, site));
    Some((report, findings))
}

fn conductor(area_mm2: f64, circuit: &Circuit, heater: &Heater) -> Conductor {
    let loop_ohm = loop_ohm(circuit.cable_m, ohm_per_m_20c(area_mm2), circuit.cable_c);
    let drop_nominal_v = heater.at_nominal.current_a * loop_ohm;
    Conductor {
        area_mm2,
        loop_ohm,
        drop_nominal_v,
        drop_nominal_pct: drop_nominal_v / heater.at_nominal.supply_v * 100.0,
        drop_most_v: heater.most_a * loop_ohm,
        capacity_a: capacity_a(area_mm2, circuit.cable_c),
    }
}

fn mm2(area: f64) -> String {
    format!("{} mm²", plain(area))
}

/// The remedy if even the largest listed size is too small.
const TOO_MUCH: &str = "a higher supply voltage, a shorter cable, or two heaters each with a circuit of its own";

fn drop(report: &Report, circuit: &Circuit, heater: &Heater) -> Finding {
    let least = report.least_for_drop_mm2.map(mm2);
    let Some(conductor) = report.conductor else {
        let largest = SIZES.last().map_or(0.0, |size| size.area_mm2);
        return Finding::change(
            Part::Circuit,
            format!("no conductor up to {} serves {} m of this circuit", mm2(largest), plain(circuit.cable_m)),
            TOO_MUCH,
        );
    };
    let text = format!(
        "2 × {} m of {} drop {} V at {} V, {} % where {} % are allowed",
        plain(circuit.cable_m),
        mm2(conductor.area_mm2),
        uncertain(conductor.drop_nominal_v, conductor.drop_nominal_v * heater.tolerance, "").trim(),
        plain(heater.at_nominal.supply_v),
        fixed(conductor.drop_nominal_pct, 1),
        plain(report.drop_allowed_pct),
    );
    if conductor.drop_nominal_pct <= report.drop_allowed_pct {
        return Finding::fine(Part::Circuit, text);
    }
    let change = least.map_or_else(|| TOO_MUCH.to_owned(), |least| format!("at least {least}"));
    Finding::change(
        Part::Circuit,
        format!("{text}: the pad loses {} % of its power", fixed(2.0 * conductor.drop_nominal_pct, 0)),
        change,
    )
    .with(report.least_for_drop_mm2.map(|area_mm2| vec![written("cable_mm2", area_mm2)]))
}

fn fuse(report: &Report, circuit: &Circuit, heater: &Heater) -> Finding {
    let (least, most_a) = (report.fuse_least_a, heater.most_a);
    let amps = |current: f64| format!("{} A", plain((current * 10.0).round() / 10.0));
    // The smallest fuse that lasts, and the smallest conductor that it protects.
    let larger = || {
        let rating = FUSES.into_iter().find(|&rating| rating >= least)?;
        let size = report.sizes.iter().find(|size| size.capacity_a >= rating)?;
        let text = format!("a conductor of at least {} with a fuse of {}", mm2(size.area_mm2), amps(rating));
        Some((text, vec![written("cable_mm2", size.area_mm2), written("fuse_a", rating)]))
    };
    let larger = || larger().map_or_else(|| (TOO_MUCH.to_owned(), None), |(text, edits)| (text, Some(edits)));
    let (Some(fuse), Some(conductor)) = (report.fuse_a, report.conductor) else {
        let text = format!("no fuse and conductor together carry the {} of this heater", amps(most_a));
        return Finding::change(Part::Circuit, text, TOO_MUCH);
    };
    let carries =
        format!("{} carry {} at {} °C", mm2(conductor.area_mm2), amps(conductor.capacity_a), plain(report.cable_c));
    // The largest fuse that protects the conductor and does not age.
    let between = FUSES.into_iter().find(|&rating| rating >= least && rating <= conductor.capacity_a);
    let smaller = || {
        let one = |rating| (format!("a fuse of {}", amps(rating)), Some(vec![written("fuse_a", rating)]));
        between.map_or_else(larger, one)
    };
    if conductor.capacity_a < most_a {
        let (change, edits) = larger();
        Finding::danger(
            Part::Circuit,
            format!("{carries}, and the heater draws up to {}: the cable overheats", amps(most_a)),
            change,
        )
        .with(edits)
    } else if fuse > conductor.capacity_a {
        let (change, edits) = smaller();
        Finding::danger(
            Part::Circuit,
            format!("{carries}, but the fuse of {} lets more through: the cable can burn before it blows", amps(fuse)),
            change,
        )
        .with(edits)
    } else if fuse < least {
        let (change, edits) = smaller();
        let blows = if fuse < most_a { "it blows in use" } else { "it ages and blows one day" };
        Finding::change(
            Part::Circuit,
            format!(
                "the heater draws up to {}; a fuse of {} is below {} times that: {blows}",
                amps(most_a),
                amps(fuse),
                plain(FUSE_MARGIN)
            ),
            change,
        )
        .with(edits)
    } else if !is_sold(fuse) {
        let (change, edits) = smaller();
        Finding::change(
            Part::Circuit,
            format!(
                "no fuse is made with a rating of {}: {carries}, and the heater draws up to {}",
                amps(fuse),
                amps(most_a)
            ),
            change,
        )
        .with(edits)
    } else {
        let which = if circuit.fuse_a.is_some() { "the fuse of" } else { "take a fuse of" };
        Finding::fine(
            Part::Circuit,
            format!(
                "{which} {}, for direct current of at least {} V: no less than {} × {} drawn, and {carries}",
                amps(fuse),
                plain(heater.at_supply_max.supply_v),
                plain(FUSE_MARGIN),
                amps(most_a)
            ),
        )
    }
}

/// Whether fuses of this rating are on sale.
fn is_sold(rating_a: f64) -> bool {
    FUSES.iter().chain(&OTHER_FUSES).any(|sold| (sold - rating_a).abs() < 1e-9)
}

/// Current ratings in which contacts are proposed (A), and voltages for that (V), direct current. Common practice, no
/// source: a data sheet has its own.
const CONTACTS_A: [f64; 16] =
    [1.0, 2.0, 3.0, 5.0, 10.0, 16.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 150.0, 200.0];
const CONTACTS_V: [f64; 6] = [14.0, 30.0, 48.0, 60.0, 75.0, 125.0];

/// The smallest rating on sale that is no smaller than `least`.
fn next_sold(sold: &[f64], least: f64) -> Option<f64> {
    sold.iter().copied().find(|&rating| rating >= least)
}

/// The smallest ratings on sale of a contact for `current_a`, and for the voltage of this heater (A, V).
pub(super) fn rating_sold(current_a: f64, heater: &Heater) -> Option<[f64; 2]> {
    Some([next_sold(&CONTACTS_A, current_a)?, next_sold(&CONTACTS_V, heater.at_supply_max.supply_v)?])
}

/// `75 % of its rating`
fn used(part: f64) -> String {
    if part < 1.0 { format!("{} % of its rating", plain(part * 100.0)) } else { "its rating".to_owned() }
}

/// A contact that switches `current_a` of the supply, and may use up to `part` of its rated current. `keys` are those
/// of its current and its voltage, at `home`.
pub(super) fn contact(
    (which, home, keys): (&str, Home, [&'static str; 2]),
    contact: &Contact,
    heater: &Heater,
    current_a: f64,
    part: f64,
) -> Finding {
    let highest_v = heater.at_supply_max.supply_v;
    let rating = format!("{} A, {} V direct current", plain(contact.rated_a), plain(contact.rated_v));
    let switches = format!("it switches up to {} A at up to {} V", fixed(current_a, 2), plain(highest_v));
    let needs = format!(
        "a contact rated for direct current: at least {} V and {} A",
        plain(highest_v),
        fixed((current_a / part * 10.0).ceil() / 10.0, 1)
    );
    let larger = || {
        let [rated_a, rated_v] = rating_sold(current_a / part, heater)?;
        let rated = [rated_a.max(contact.rated_a), rated_v.max(contact.rated_v)];
        Some(keys.into_iter().zip(rated).map(|(key, rating)| Edit::number(home, key, rating)).collect())
    };
    if contact.rated_v < highest_v {
        let text = format!("{which}, {rating}: {switches}, where an arc may not go out and the contact stays closed");
        Finding::danger(Part::Circuit, text, needs).with(larger())
    } else if current_a > contact.rated_a {
        Finding::danger(Part::Circuit, format!("{which}, {rating}: {switches}, more than it is rated for"), needs)
            .with(larger())
    } else if current_a > contact.rated_a * part {
        let text = format!(
            "{which}, {rating}: {switches}, more than {} % of its rating: it wears and may weld",
            plain(part * 100.0)
        );
        Finding::change(Part::Circuit, text, needs).with(larger())
    } else {
        Finding::fine(Part::Circuit, format!("{which}, {rating}: {switches}, within {}", used(part)))
    }
}

/// A coil on the heater's supply.
#[derive(Clone, Copy, Debug)]
struct Coil {
    most_a: f64,
    pull_in_v: f64,
    nominal_v: f64,
}

impl Coil {
    /// Lowest supply at which a coil of `nominal_v` certainly pulls in, in the warmest surroundings (V).
    fn pull_in_v(nominal_v: f64, warmest_c: f64) -> f64 {
        PULL_IN * nominal_v * copper_factor(warmest_c.max(COIL_C)) / copper_factor(COIL_C)
    }

    /// A cold copper coil has less resistance and draws more. A hot one pulls in later.
    fn of(relay: &Relay, heater: &Heater, site: &Site) -> Self {
        let coldest_c = site.place.design_min_c.min(COIL_C);
        let warmest_c = site.circuit.map_or(COIL_C, |circuit| circuit.cable_c);
        let factor = |t: f64| copper_factor(t) / copper_factor(COIL_C);
        let ohm = relay.coil_v * relay.coil_v / relay.coil_w;
        Self {
            most_a: heater.at_supply_max.supply_v / (ohm * factor(coldest_c)),
            pull_in_v: Self::pull_in_v(relay.coil_v, warmest_c),
            nominal_v: relay.coil_v,
        }
    }
}

fn pull_in(coil: &Coil, heater: &Heater, circuit: &Circuit) -> Vec<Finding> {
    let (lowest, highest) = (heater.at_supply_min.supply_v, heater.at_supply_max.supply_v);
    let serves = |coil_v: &f64| Coil::pull_in_v(*coil_v, circuit.cable_c) <= lowest && highest <= coil_v * COIL_LIMIT;
    let served_v = COILS_V.into_iter().find(serves);
    let served = || served_v.map(|coil_v| vec![written("coil_v", coil_v)]);
    let usual = served_v.map_or_else(
        || {
            format!(
                "a supply of its own for the coil: none of 12, 24 and 48 V serves from {} V to {} V",
                plain(lowest),
                plain(highest)
            )
        },
        |coil_v| format!("a coil of {} V, or another supply for the coil", plain(coil_v)),
    );
    // Above the nominal voltage, hardly any supply range would be left to run on.
    let raised = raised_to(coil.pull_in_v, 0.1);
    let or_raised = if raised < heater.at_nominal.supply_v {
        format!(", or heater.supply_min_v = {}", fixed(raised, 1))
    } else {
        String::new()
    };
    let mut findings = Vec::new();
    if coil.pull_in_v > lowest {
        findings.push(
            Finding::change(
                Part::Circuit,
                format!(
                    "a coil of {} V pulls in for certain only from {} V on, at {} °C; the heater may run from {} V on",
                    plain(coil.nominal_v),
                    fixed(raised_to(coil.pull_in_v, 0.1), 1),
                    plain(circuit.cable_c.max(COIL_C)),
                    plain(lowest)
                ),
                format!("{usual}{or_raised}"),
            )
            .with(served())
            .with((!or_raised.is_empty()).then(|| vec![Edit::number(Home::Section("heater"), "supply_min_v", raised)])),
        );
    }
    if highest > coil.nominal_v * COIL_LIMIT {
        findings.push(
            Finding::change(
                Part::Circuit,
                format!(
                    "at {} V a coil of {} V gets {} times its voltage for hours, and burns out",
                    plain(highest),
                    plain(coil.nominal_v),
                    fixed(highest / coil.nominal_v, 2)
                ),
                format!("{usual}, or a coil whose maker allows it"),
            )
            .with(served()),
        );
    }
    if findings.is_empty() {
        findings.push(Finding::fine(
            Part::Circuit,
            format!(
                "a coil of {} V pulls in from {} V on and bears {} V",
                plain(coil.nominal_v),
                fixed(raised_to(coil.pull_in_v, 0.1), 1),
                plain(highest)
            ),
        ));
    }
    findings
}

/// The controller's output, and the pilot relay between it and the coil.
fn driver(circuit: &Circuit, coil: &Coil, heater: &Heater, site: &Site) -> Vec<Finding> {
    let mut findings = Vec::new();
    let (driven, which) = match &circuit.pilot {
        None => (*coil, "the relay's coil"),
        Some(pilot) => {
            findings.push(contact(
                ("pilot relay contact", CIRCUIT, ["pilot_a", "pilot_v"]),
                pilot,
                heater,
                coil.most_a,
                COIL_LOAD_PART,
            ));
            let pilot = Relay { contact: *pilot, coil_w: pilot.coil_w, coil_v: circuit.relay.coil_v };
            (Coil::of(&pilot, heater, site), "the pilot relay's coil")
        }
    };
    let milliamps = |amps: f64| format!("{} mA", fixed(amps * 1000.0, 0));
    let draws = format!(
        "{which} draws up to {}, cold and at {} V; the output drives {}",
        milliamps(driven.most_a),
        plain(heater.at_supply_max.supply_v),
        milliamps(circuit.driver_a)
    );
    findings.push(if driven.most_a > circuit.driver_a {
        let change = if circuit.pilot.is_some() { "a pilot relay with a smaller coil" } else { "a pilot relay" };
        Finding::danger(Part::Circuit, format!("{draws}: an output that fails may fail on"), change)
    } else {
        Finding::fine(Part::Circuit, draws)
    });
    findings
}

#[cfg(test)]
mod tests {
    use super::super::testing::{circuit, settings, site};
    use super::*;
    use crate::finding::Severity;
    use crate::site::usual_coil_v;
    use proptest::prelude::*;

    fn judged(circuit: Circuit) -> (Report, Vec<Finding>) {
        judge(&settings(), &Site { circuit: Some(circuit), ..site() }).expect("there is a circuit")
    }

    /// The finding that speaks of `what`.
    #[track_caller]
    fn about<'f>(findings: &'f [Finding], what: &str) -> &'f Finding {
        findings.iter().find(|finding| finding.text.contains(what)).unwrap_or_else(|| panic!("no {what}: {findings:?}"))
    }

    #[test]
    fn current_goes_with_the_voltage_and_power_with_its_square() {
        // The starter's heater: 120 W at 12.8 V, run from 11.5 V to 15 V; by hand.
        let heater = Heater::of(&settings(), 0.1);
        let close = |found: f64, expected: f64| assert!((found - expected).abs() < 5e-4, "{found}, not {expected}");
        close(heater.at_nominal.current_a, 9.375);
        close(heater.at_supply_min.power_w, 96.863);
        close(heater.at_supply_max.power_w, 164.795);
        close(heater.at_supply_max.current_a, 10.986);
        close(heater.most_a, 12.085);
    }

    #[test]
    fn a_circuit_without_a_choice_is_given_the_smallest_that_does() {
        // 2 × 2 m in 40 °C: 2.5 mm² have 4 × 0.00798 × 1.0786 = 34.43 mΩ, so 0.3228 V, 2.52 %; 1.5 mm² would have 4.2 %.
        // The fuse: 1.25 × 12.085 = 15.1, so 20 A; 25 A × 0.866 = 21.65 A in 40 °C need 4 mm².
        let (report, findings) = judged(circuit());
        assert_eq!(report.least_for_drop_mm2, Some(2.5));
        assert_eq!(report.fuse_a, Some(20.0));
        assert_eq!(report.least_for_current_mm2, Some(4.0));
        assert_eq!(report.conductor.map(|conductor| conductor.area_mm2), Some(4.0));
        let of_2_5 = &report.sizes[4];
        assert!((of_2_5.area_mm2 - 2.5).abs() < 1e-9 && (of_2_5.drop_nominal_v - 0.3228).abs() < 1e-4, "{of_2_5:?}");
        assert!((of_2_5.drop_nominal_pct - 2.522).abs() < 1e-3, "{of_2_5:?}");
        assert!(findings.iter().all(|finding| finding.severity == Severity::Fine), "{findings:?}");
    }

    #[test]
    fn a_fuse_must_lie_between_the_load_and_the_conductor() {
        let with = |area, fuse| judged(Circuit { cable_mm2: Some(area), fuse_a: Some(fuse), ..circuit() }).1;
        assert_eq!(about(&with(4.0, 20.0), "the fuse of 20 A").severity, Severity::Fine);
        let found = with(4.0, 40.0);
        let large = about(&found, "the fuse of 40 A");
        assert_eq!((large.severity, large.change.as_deref()), (Severity::Danger, Some("a fuse of 20 A")));
        // 2.5 mm² carry 16 A: no fuse that is sold lies between 15.1 and 16.02 A.
        let found = with(2.5, 20.0);
        let thin = about(&found, "the fuse of 20 A");
        assert_eq!(
            (thin.severity, thin.change.as_deref()),
            (Severity::Danger, Some("a conductor of at least 4 mm² with a fuse of 20 A"))
        );
        assert_eq!(about(&with(4.0, 15.0), "it ages").severity, Severity::Change);
        assert_eq!(about(&with(4.0, 10.0), "it blows in use").severity, Severity::Change);
        let found = with(1.0, 10.0);
        let burns = about(&found, "the cable overheats");
        assert_eq!(burns.severity, Severity::Danger);
    }

    #[test]
    fn a_conductor_in_surroundings_as_warm_as_its_insulation_carries_nothing() {
        let (report, findings) = judged(Circuit { cable_c: 80.0, ..circuit() });
        assert_eq!((report.least_for_current_mm2, report.conductor), (None, None));
        assert!(findings.iter().any(|finding| finding.severity != Severity::Fine));
        let (_, findings) = judged(Circuit { cable_c: 80.0, cable_mm2: Some(16.0), ..circuit() });
        assert_eq!(about(&findings, "the cable overheats").severity, Severity::Danger);
    }

    #[test]
    fn a_contact_is_used_at_three_quarters_of_its_rating_and_never_above_its_voltage() {
        let with = |rated_a, rated_v| {
            let contact = Contact { rated_a, rated_v, coil_w: 0.0 };
            judged(Circuit { relay: Relay { contact, ..circuit().relay }, ..circuit() }).1
        };
        // 12.085 A at 15 V.
        assert_eq!(about(&with(16.2, 15.0), "relay contact").severity, Severity::Fine);
        assert_eq!(about(&with(16.0, 15.0), "relay contact").severity, Severity::Change);
        assert_eq!(about(&with(12.0, 15.0), "relay contact").severity, Severity::Danger);
        assert_eq!(about(&with(100.0, 14.9), "relay contact").severity, Severity::Danger);
    }

    #[test]
    fn a_coil_must_pull_in_at_the_lowest_supply_and_bear_the_highest() {
        let with = |coil_v| judged(Circuit { relay: Relay { coil_v, ..circuit().relay }, ..circuit() }).1;
        // 11.5 V / (0.8 × 1.0786/1.01179) = 13.485 V.
        assert_eq!(about(&with(13.4), "pulls in").severity, Severity::Fine);
        assert_eq!(about(&with(13.6), "pulls in").severity, Severity::Change);
        assert_eq!(about(&with(11.5), "burns out").severity, Severity::Change);
    }

    #[test]
    fn a_coil_is_proposed_in_a_usual_voltage_that_passes_or_not_at_all() {
        use forewarm_core::quantity::Millivolts;
        for (lowest_mv, highest_mv) in
            [(11_500, 15_000), (23_000, 30_000), (44_000, 60_000), (8_000, 11_000), (11_500, 29_000)]
        {
            let mut settings = settings();
            settings.heater.nominal = Millivolts::from_millivolts(u32::midpoint(lowest_mv, highest_mv));
            settings.heater.supply_min = Millivolts::from_millivolts(lowest_mv);
            settings.heater.supply_max = Millivolts::from_millivolts(highest_mv);
            let with = |coil_v| {
                let circuit = Circuit { relay: Relay { coil_v, ..circuit().relay }, ..circuit() };
                judge(&settings, &Site { circuit: Some(circuit), ..site() }).expect("there is a circuit").1
            };
            let passes = |coil_v: f64| about(&with(coil_v), "a coil of").severity == Severity::Fine;
            let found = with(7.0);
            let change = about(&found, "burns out").change.clone().expect("something");
            match COILS_V.into_iter().find(|coil_v| passes(*coil_v)) {
                Some(coil_v) => assert!(change.starts_with(&format!("a coil of {coil_v} V, or")), "{change}"),
                None => assert!(change.starts_with("a supply of its own"), "{change}"),
            }
        }
    }

    #[test]
    fn the_usual_coil_is_that_of_the_bank() {
        let usual = [5.0, 12.0, 12.8, 25.6, 36.0, 48.0, 51.2, 100.0].map(|supply_v| plain(usual_coil_v(supply_v)));
        assert_eq!(usual, ["12", "12", "12", "24", "48", "48", "48", "48"]);
    }

    #[test]
    fn a_bank_with_voltages_beyond_the_heaters_range_is_told() {
        use forewarm_core::quantity::Millivolts;
        // Four cells: 12 V to 14.6 V.
        let ranged = |lowest_mv, highest_mv| {
            let mut settings = settings();
            settings.heater.supply_min = Millivolts::from_millivolts(lowest_mv);
            settings.heater.supply_max = Millivolts::from_millivolts(highest_mv);
            bank_range(&settings, &site()).map(|finding| (finding.severity, finding.change.unwrap_or_default()))
        };
        assert_eq!(ranged(12_000, 14_600), None);
        for (lowest, highest, change) in
            [(12_001, 14_600, "heater.supply_min_v = 12,"), (12_000, 14_599, "heater.supply_max_v = 14.6,")]
        {
            let (severity, found) = ranged(lowest, highest).expect("told");
            assert!(severity == Severity::Change && found.starts_with(change), "{found}");
        }
    }

    #[test]
    fn a_coil_pulls_in_at_no_less_than_is_told() {
        // 0.8 × 12 V × 1.0786/1.01179 = 10.234 V.
        let (report, findings) = judged(circuit());
        assert!(
            report.pull_in_v > 10.2 && about(&findings, "pulls in").text.contains("from 10.3 V on"),
            "{findings:?}"
        );
    }

    #[test]
    fn the_output_drives_the_pilot_where_there_is_one() {
        let pilot = Contact { rated_a: 2.0, rated_v: 30.0, coil_w: 0.2 };
        // 1.5 W at 12 V are 96 Ω; at 15 V and −20 °C, 0.8313 of that: 188 mA. The pilot's: 25 mA.
        let alone = judged(Circuit { driver_a: 0.1, ..circuit() }).1;
        let found = about(&alone, "the relay's coil draws up to 188 mA");
        assert_eq!((found.severity, found.change.as_deref()), (Severity::Danger, Some("a pilot relay")));
        let (_, findings) = judged(Circuit { driver_a: 0.1, pilot: Some(pilot), ..circuit() });
        assert_eq!(about(&findings, "the pilot relay's coil draws up to 25 mA").severity, Severity::Fine);
        assert_eq!(about(&findings, "pilot relay contact").severity, Severity::Fine);
        let weak = Contact { rated_a: 0.5, ..pilot };
        let (_, findings) = judged(Circuit { driver_a: 0.1, pilot: Some(weak), ..circuit() });
        assert_eq!(about(&findings, "pilot relay contact").severity, Severity::Change);
    }

    proptest! {
        /// Whatever is chosen where the file leaves the choice holds by the rules that a choice of the file is judged by.
        #[test]
        fn what_is_proposed_is_fine(
            cable_m in 0.1..20.0_f64, drop in 0.01..0.1_f64, cable_c in -20.0..65.0_f64, tolerance in 0.0..0.3_f64,
        ) {
            let mut site = Site { circuit: Some(Circuit { cable_m, drop, cable_c, ..circuit() }), ..site() };
            site.tolerance.pad_power = tolerance;
            let (report, _) = judge(&settings(), &site).unwrap();
            if let (Some(conductor), Some(fuse)) = (report.conductor, report.fuse_a) {
                prop_assert!(fuse >= report.fuse_least_a && fuse <= conductor.capacity_a);
                prop_assert!(conductor.drop_nominal_pct <= report.drop_allowed_pct);
                let chosen = Circuit { cable_mm2: Some(conductor.area_mm2), fuse_a: Some(fuse), ..site.circuit.unwrap() };
                site.circuit = Some(chosen);
                let (again, findings) = judge(&settings(), &site).unwrap();
                prop_assert_eq!(again.conductor, report.conductor);
                prop_assert!(findings[..2].iter().all(|finding| finding.severity == Severity::Fine), "{findings:?}");
            } else {
                prop_assert!(report.least_for_drop_mm2.is_none() || report.least_for_current_mm2.is_none());
            }
        }
    }
}

//! What an answer about the bank changes: its batteries, and all in the file that follows from them.

use super::sheet::{Place, Sheet, number, quoted};
use crate::cell;

/// Cases that are common, with length, width and height (mm): the largest outside measures of three BCI groups, by a
/// public restatement, rounded to a millimetre.
pub(super) const CASES: [(&str, [f64; 3]); 3] =
    [("bci_24", [260.0, 173.0, 225.0]), ("bci_27", [306.0, 173.0, 225.0]), ("bci_31", [330.0, 173.0, 240.0])];

/// Energy in a kilogram of battery (Wh/kg). Common practice, no source: 90 to 130 with case and electronics.
const WH_PER_KG: f64 = 115.0;

/// Least and most that a litre of battery weighs (kg). Well within what a check believes.
const KG_PER_L: [f64; 2] = [0.8, 2.2];

/// Footprint and height of the row of batteries (mm).
#[derive(Clone, Copy)]
pub(super) struct Row {
    pub(super) length: f64,
    pub(super) width: f64,
    pub(super) height: f64,
}

impl Row {
    pub(super) fn of(sheet: &Sheet) -> Self {
        let count = count(sheet);
        let [length, width, height] = case(sheet);
        let gap = sheet.number_of("battery", "gap_mm").unwrap_or(0.0);
        Self { length, width: count * width + (count - 1.0) * gap, height }
    }
}

/// How many batteries there are.
pub(super) fn count(sheet: &Sheet) -> f64 {
    sheet.number_of("battery", "count").unwrap_or(1.0)
}

/// Length, width and height of one battery (mm).
pub(super) fn case(sheet: &Sheet) -> [f64; 3] {
    ["length_mm", "width_mm", "height_mm"].map(|key| sheet.number_of("battery", key).unwrap_or(0.0))
}

/// Capacity of one battery (Ah).
pub(super) fn each_ah(sheet: &Sheet) -> f64 {
    sheet.number_of("charge", "capacity_ah").unwrap_or(0.0) / count(sheet)
}

fn cells_in_series(sheet: &Sheet) -> f64 {
    sheet.number_of("battery", "cells_in_series").unwrap_or(4.0)
}

/// The system's voltage, as people call it: 12 V for four cells.
pub(super) fn system_v(sheet: &Sheet) -> f64 {
    cells_in_series(sheet) * 3.0
}

/// Voltage by which the current of a source follows from its power (V).
pub(super) fn nominal_v(sheet: &Sheet) -> f64 {
    cells_in_series(sheet) * cell::NOMINAL_V
}

pub(super) fn set_count(sheet: &mut Sheet, wanted: f64) {
    let (before, each_ah) = (Row::of(sheet), each_ah(sheet));
    let more = wanted / count(sheet);
    sheet.put_number("battery", "count", wanted);
    sheet.put_number("charge", "capacity_ah", wanted * each_ah);
    spread_thermometers(sheet, wanted);
    prove_by_mass(sheet, more);
    super::housing::refit(sheet, before);
}

pub(super) fn set_each_ah(sheet: &mut Sheet, each_ah: f64) {
    sheet.put_number("charge", "capacity_ah", count(sheet) * each_ah);
    estimate_mass(sheet);
}

pub(super) fn set_case(sheet: &mut Sheet, measures_mm: &[f64]) {
    let before = Row::of(sheet);
    for (key, measure_mm) in ["length_mm", "width_mm", "height_mm"].into_iter().zip(measures_mm) {
        sheet.put_number("battery", key, *measure_mm);
    }
    estimate_mass(sheet);
    super::housing::refit(sheet, before);
}

pub(super) fn set_mass(sheet: &mut Sheet, wanted_kg: f64) {
    let more = wanted_kg / sheet.number_of("battery", "mass_kg").unwrap_or(wanted_kg);
    sheet.put_number("battery", "mass_kg", wanted_kg);
    prove_by_mass(sheet, more);
}

/// Another system voltage: the same watts at other volts and amperes. Contacts stay as they are, because nobody has
/// said that others are there. `plan` judges them.
pub(super) fn set_system_v(sheet: &mut Sheet, wanted_v: &str) {
    let cells: f64 = wanted_v.parse().unwrap_or(12.0) / 3.0;
    let times = cells / cells_in_series(sheet);
    sheet.put_number("battery", "cells_in_series", cells);
    let fall_v = sheet.number_of("bank", "fall_v").unwrap_or(0.3);
    sheet.put_number("bank", "fall_v", fall_v * times);
    let once: [(&str, &[&str]); 3] = [
        ("heater", &["nominal_v", "supply_min_v", "supply_max_v"]),
        ("bank", &["reserve_v", "resume_v", "sag_v"]),
        ("circuit", &["coil_v"]),
    ];
    for (section, keys) in once {
        if let Some(place) = sheet.section(section) {
            scale(sheet, place, keys, times);
        }
    }
    for place in sheet.list("source") {
        scale(sheet, place, &["rated_v"], times);
        scale(sheet, place, &["most_current_a", "reduced_current_a", "rated_a"], 1.0 / times);
    }
    super::housing::choose_circuit_anew(sheet);
    estimate_mass(sheet);
}

/// Multiplies what is written for `keys`.
fn scale(sheet: &mut Sheet, place: Place, keys: &[&str], times: f64) {
    for key in keys {
        if let Some(written) = sheet.number(place, key) {
            sheet.set(place, key, &number(written * times));
        }
    }
}

/// The mass that a battery of that charge and size probably has.
fn estimate_mass(sheet: &mut Sheet) {
    let litres = case(sheet).iter().product::<f64>() / 1e6;
    let energy_wh = each_ah(sheet) * nominal_v(sheet);
    let [least, most] = KG_PER_L.map(|density| density * litres);
    let probable_kg = (energy_wh / WH_PER_KG).clamp(least, most);
    set_mass(sheet, (probable_kg * 10.0).ceil() / 10.0);
}

/// The heater proves itself by a rise of the cells. With `more` times their mass it takes as much more energy, as far as
/// the heater can give that in half of its longest run.
pub(super) fn prove_by_mass(sheet: &mut Sheet, more: f64) {
    const MOST_WH: f64 = 5000.0;
    let heater = |key| sheet.number_of("heater", key).unwrap_or(1.0);
    let half_wh = heater("power_w") * heater("max_run_h") / 2.0;
    if let Some(proof_wh) = sheet.number_of("heater", "proof_wh") {
        let most_wh = half_wh.clamp(1.0, MOST_WH);
        sheet.put_number("heater", "proof_wh", (proof_wh * more).round().clamp(1.0, most_wh));
    }
}

/// Moves the thermometers of the cells to batteries that are there, from the first to the last.
fn spread_thermometers(sheet: &mut Sheet, count: f64) {
    let mut cells = sheet.list("channel");
    cells.retain(|&place| sheet.word(place, "role") == Some("cell"));
    let last = count_of(cells.len()) - 1.0;
    for (index, &place) in cells.iter().enumerate() {
        let part = if last > 0.0 { count_of(index) / last } else { 0.0 };
        let battery = 1.0 + (part * (count - 1.0)).round();
        let at = sheet.word(place, "at").unwrap_or("between").to_owned();
        let is_inner = battery > 1.0 && battery < count;
        let at = match (&*at, index) {
            // One battery has no neighbour.
            (_, 0) if count < 2.0 => "top",
            (_, 1) if count < 2.0 => "end",
            (_, _) if count < 2.0 => "side",
            // No air reaches the long faces of a battery with two neighbours.
            ("side", _) if is_inner => "end",
            (at, _) => at,
        };
        sheet.set(place, "at", &quoted(at));
        sheet.set(place, "battery", &number(battery));
    }
}

/// A number of things in a list of a file.
#[expect(clippy::cast_precision_loss, reason = "eight at most")]
const fn count_of(things: usize) -> f64 {
    things as f64
}

//! What an answer about pad, box, place and cables changes.

use super::bank::Row;
use super::sheet::{Sheet, number, quoted};

/// Room that is left between the row of batteries and each of two opposite walls, and above it, at least (mm).
const CLEARANCE_MM: f64 = 20.0;

/// Where a box can stand.
pub(super) struct Stand {
    pub(super) name: &'static str,
    exposure_pct: f64,
    /// Temperature of what is under the box (°C); `None` for air.
    ground_c: Option<f64>,
}

/// The usual places. Common practice, no source. From memory: sea water freezes at -1.9 °C. In a harbour it is seldom so
/// cold.
pub(super) const STANDS: [Stand; 5] = [
    Stand { name: "open", exposure_pct: 100.0, ground_c: None },
    Stand { name: "hut", exposure_pct: 30.0, ground_c: None },
    Stand { name: "boat", exposure_pct: 0.0, ground_c: Some(1.0) },
    Stand { name: "van", exposure_pct: 0.0, ground_c: None },
    Stand { name: "shelter", exposure_pct: 100.0, ground_c: Some(-5.0) },
];

/// The usual place that the file describes; `None` for any other.
pub(super) fn stand(sheet: &Sheet) -> Option<&'static str> {
    if sheet.section("room").is_some() {
        return None;
    }
    let exposure_pct = sheet.number_of("site", "exposure_pct");
    let is_on_ground = sheet.word_of("site", "stands_on") == Some("ground");
    let ground_c = sheet.number_of("site", "ground_c").filter(|_| is_on_ground);
    let is_it = |stand: &&Stand| exposure_pct == Some(stand.exposure_pct) && ground_c == stand.ground_c;
    STANDS.iter().find(is_it).map(|stand| stand.name)
}

pub(super) fn set_stand(sheet: &mut Sheet, wanted: &str) {
    let Some(stand) = STANDS.iter().find(|stand| stand.name == wanted) else { return };
    if let Some(room) = sheet.section("room") {
        sheet.switch_off(room);
    }
    sheet.put_number("site", "exposure_pct", stand.exposure_pct);
    if let Some(ground_c) = stand.ground_c {
        sheet.put("site", "stands_on", "\"ground\"");
        sheet.put_number("site", "ground_c", ground_c);
    } else {
        sheet.drop("site", "stands_on");
        sheet.drop("site", "ground_c");
    }
}

/// Whether wind reaches the box.
pub(super) fn is_in_the_wind(sheet: &Sheet) -> bool {
    sheet.section("room").is_none() && sheet.number_of("site", "exposure_pct") != Some(0.0)
}

/// The coldest outside. The made-up winter becomes colder or warmer with it.
pub(super) fn set_coldest(sheet: &mut Sheet, wanted_c: f64) {
    let colder_k = wanted_c - sheet.number_of("site", "design_min_c").unwrap_or(wanted_c);
    sheet.put_number("site", "design_min_c", wanted_c);
    for key in ["mean_c", "spell_c"] {
        if let Some(written_c) = sheet.number_of("winter", key) {
            sheet.put_number("winter", key, written_c + colder_k);
        }
    }
}

/// Box and pad for the row of batteries as it is now, with the same room around it as there was around `before`.
pub(super) fn refit(sheet: &mut Sheet, before: Row) {
    let now = Row::of(sheet);
    let measure = |section: &str, key: &str| sheet.number_of(section, key).unwrap_or(0.0);
    let sides = [
        ("length_mm", before.length, now.length, CLEARANCE_MM),
        ("width_mm", before.width, now.width, CLEARANCE_MM),
        // Plate and pad are below.
        ("height_mm", before.height, now.height, 2.0 * CLEARANCE_MM),
    ];
    let box_mm = sides.map(|(key, before, now, least)| (key, now + (measure("box", key) - before).max(least)));
    let pad_mm = [sides[0], sides[1]].map(|(key, before, now, _)| {
        let margin = before - measure("pad", key);
        (key, (now - margin).clamp(now / 2.0, now).floor())
    });
    for (key, wanted_mm) in box_mm {
        sheet.put_number("box", key, wanted_mm.ceil());
    }
    for (key, wanted_mm) in pad_mm {
        sheet.put_number("pad", key, wanted_mm);
    }
}

pub(super) fn set_box(sheet: &mut Sheet, measures_mm: &[f64]) {
    for (key, measure_mm) in ["length_mm", "width_mm", "height_mm"].into_iter().zip(measures_mm) {
        sheet.put_number("box", key, *measure_mm);
    }
}

pub(super) fn set_pad(sheet: &mut Sheet, measures_mm: &[f64]) {
    for (key, measure_mm) in ["length_mm", "width_mm"].into_iter().zip(measures_mm) {
        sheet.put_number("pad", key, *measure_mm);
    }
}

/// One material all round. Its thickness stays, or is that of a usual board.
pub(super) fn set_insulation(sheet: &mut Sheet, wanted: &str) {
    for key in ["layers", "floor_layers", "conductivity_w_per_m_k"] {
        sheet.drop("box", key);
    }
    sheet.put("box", "insulation", &quoted(wanted));
    if sheet.number_of("box", "thickness_mm").is_none() {
        sheet.put("box", "thickness_mm", "50");
    }
}

pub(super) fn set_thickness(sheet: &mut Sheet, wanted_mm: f64) {
    sheet.put_number("box", "thickness_mm", wanted_mm);
    sheet.drop("box", "floor_thickness_mm");
}

pub(super) fn set_heater_power(sheet: &mut Sheet, wanted_w: f64) {
    sheet.put_number("heater", "power_w", wanted_w);
    super::bank::prove_by_mass(sheet, 1.0);
    choose_circuit_anew(sheet);
}

/// Conductor and fuse were chosen for another current. `plan` proposes new ones.
pub(super) fn choose_circuit_anew(sheet: &mut Sheet) {
    for key in ["cable_mm2", "fuse_a"] {
        sheet.drop("circuit", key);
    }
}

/// The cables of the thermometers. What was measured of the old ones grows with the length.
pub(super) fn set_sensor_cable(sheet: &mut Sheet, wanted_m: f64) {
    for place in sheet.list("channel") {
        if sheet.word(place, "role") == Some("check") {
            continue;
        }
        let before_m = sheet.number(place, "cable_m").or_else(|| sheet.number_of("channel", "cable_m"));
        if let Some((loop_ohm, before_m)) = sheet.number(place, "lead_loop_ohm").zip(before_m) {
            sheet.set(place, "lead_loop_ohm", &number(loop_ohm * wanted_m / before_m));
        }
        sheet.set(place, "cable_m", &number(wanted_m));
    }
}

/// Length of the first thermometer's cable (m).
pub(super) fn sensor_cable_m(sheet: &Sheet) -> Option<f64> {
    let first = sheet.list("channel").into_iter().next()?;
    sheet.number(first, "cable_m").or_else(|| sheet.number_of("channel", "cable_m"))
}

//! Bank, plate and pad as bodies: their materials, their sizes, and whether such a body can exist.

use super::Sections;
use super::fit::{mm, row};
use super::table::Key;
use crate::diagnostic::Severity;
use crate::heater::{Draw, Heater, is_for_the_bank, is_mains};
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::materials::{Known, Material, PLATES};
use crate::site::{Battery, Pad, Plate, Site, TerminalCable};
use crate::{cell, si};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{Key as Setting, Place as SettingPlace, Settings};

/// How the cells stand in their case.
#[derive(Clone, Copy)]
enum Cells {
    Standing,
    Lying,
    Cylindrical,
}

impl Cells {
    /// Upwards and across (W/(m K)). Along the layers 15 to 30 is usual (from memory; arXiv:2112.09768 measured 26.6),
    /// through them 0.4 to 1.0 (0.52 there). A whole battery also has gaps and cases, so the value along the layers is
    /// at the low end. The jelly rolls of upright cylinders conduct 20 to 30 along their axis and 0.2 to 1 across it.
    /// The gaps between round cells take away a third to a half (from memory).
    const fn conductivity(self) -> (f64, f64) {
        match self {
            Self::Standing => (15.0, 0.8),
            Self::Lying => (0.6, 15.0),
            Self::Cylindrical => (12.0, 0.5),
        }
    }
}

pub(super) fn battery<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, hard_limit: Celsius) -> Battery {
    let words = [("standing", Cells::Standing), ("lying", Cells::Lying), ("cylindrical", Cells::Cylindrical)];
    let cells = reader.word(section, "cells", &words).ok().flatten().unwrap_or(Cells::Standing);
    let (up, across) = cells.conductivity();
    let across = reader.given(section, Key::ConductivityAcross).unwrap_or(across);
    let battery = Battery {
        count: reader.whole(section, Key::Count) as usize,
        length_m: reader.real(section, Key::BatteryLength),
        width_m: reader.real(section, Key::BatteryWidth),
        height_m: reader.real(section, Key::BatteryHeight),
        mass_kg: reader.real(section, Key::BatteryMass),
        cells_in_series: reader.whole(section, Key::CellsInSeries),
        specific_heat_j_per_kg_k: reader.real(section, Key::SpecificHeat),
        conductivity_up_w_per_m_k: reader.given(section, Key::ConductivityUp).unwrap_or(up),
        conductivity_across_w_per_m_k: across,
        conductivity_along_w_per_m_k: reader.given(section, Key::ConductivityAlong).unwrap_or(across),
        gap_m: reader.real(section, Key::Gap),
        terminal_cable: terminal_cable(reader, section),
        resistance_ohm: reader.real(section, Key::Resistance),
        maker_ceiling: super::maker::ceiling(reader, section),
        hard_limit_c: si::written_c(hard_limit),
    };
    masses(reader, section, &battery);
    conductivities(reader, section, &battery);
    battery
}

/// The least that a battery can conduct in its best direction, and the most in any direction (W/(m K)). From memory: a
/// jelly roll or stack has 15 to 30 along its layers (arXiv:2112.09768 measured 26.6), copper and aluminium foils
/// included; still air has 0.025 and plastic 0.2.
const CONDUCTS: [f64; 2] = [0.2, 60.0];

/// Checks whether materials in a battery can conduct as the file says.
fn conductivities<'t>(reader: &mut Reader<'t>, section: &Section<'t>, battery: &Battery) {
    let directions = [
        (Key::ConductivityUp, battery.conductivity_up_w_per_m_k),
        (Key::ConductivityAcross, battery.conductivity_across_w_per_m_k),
        (Key::ConductivityAlong, battery.conductivity_along_w_per_m_k),
    ];
    if reader.doubts_any(section, &directions.map(|(key, _)| key)) {
        return;
    }
    let [least, most] = CONDUCTS;
    let stated = || directions.into_iter().filter(|(key, _)| section.has(key.fact().name));
    let beyond: Vec<_> = if directions.iter().all(|(_, value)| *value < least) {
        stated().take(1).map(|found| (found, "and no direction has more than 0.2: worse than plastic")).collect()
    } else {
        stated().filter(|(_, value)| *value > most).map(|found| (found, "better than any stack of cells")).collect()
    };
    for ((key, value), what) in beyond {
        let name = key.fact().name;
        let place = section.place(name);
        let message = format!("{place} is {value} W/(m K), {what}");
        let why = "15 to 30 is usual along the layers of cells, and 0.4 to 1 through them (from memory; arXiv:2112.09768 \
                   measured 26.6 and 0.52); with another the coldest cell is not where it is looked for";
        let remedy = format!("{name} from 0.3 to 30 as measured; or leave it out for what cells says");
        reader.findings.add(Severity::Warning, section.key_span(name).as_ref(), &place, message, Some(why), remedy);
    }
}

/// The conductors that leave the box, if the file states both measures of one.
fn terminal_cable<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<TerminalCable> {
    let area_mm2 = reader.given(section, Key::TerminalCableArea)?;
    Some(TerminalCable { area_mm2, length_m: reader.given(section, Key::TerminalCableLength)? })
}

/// Checks whether the mass of a battery suits its size and its cells.
fn masses<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, battery: &Battery) {
    let cell_mass = reader.given(section, Key::CellMass);
    let measures = [Key::BatteryLength, Key::BatteryWidth, Key::BatteryHeight, Key::BatteryMass];
    let density = battery.mass_kg / (battery.length_m * battery.width_m * battery.height_m);
    if !(500.0..=6000.0).contains(&density) && !reader.doubts_any(section, &measures) {
        let message = format!(
            "battery.mass_kg is {} kg, which in {} x {} x {} mm is {density:.0} kg/m³, outside 500 to 6000 kg/m³",
            battery.mass_kg,
            mm(battery.length_m),
            mm(battery.width_m),
            mm(battery.height_m)
        );
        let why = Some("cells have 1900 to 2300 kg/m³, a battery with its case and gaps half of that and more");
        let remedy = "mass_kg and the three measures of one battery, as its data sheet has them";
        let span = section.key_span("mass_kg");
        reader.findings.add(Severity::Error, span.as_ref(), "battery.mass_kg", message, why, remedy);
    }
    let Some(cell_mass) = cell_mass else { return };
    if reader.doubts_any(section, &[Key::CellMass, Key::CellsInSeries, Key::BatteryMass]) {
        return;
    }
    let cells = cell_mass * f64::from(battery.cells_in_series);
    let fault = if cells > battery.mass_kg {
        "more than"
    } else if cells < battery.mass_kg / 2.0 {
        "less than half of"
    } else {
        return;
    };
    let message = format!(
        "battery.cell_mass_kg is {cell_mass} kg, which for {} cells makes {} kg, {fault} battery.mass_kg ({} kg)",
        battery.cells_in_series,
        (cells * 1e3).round() / 1e3,
        battery.mass_kg
    );
    let why = Some("the warm-up takes as long as the mass is large, and one of the numbers is wrong");
    let remedy = "mass_kg of one whole battery, cells_in_series within it, and cell_mass_kg of one cell, those in parallel \
                  counted as one";
    let span = section.key_span("cell_mass_kg");
    reader.findings.add(Severity::Error, span.as_ref(), "battery.cell_mass_kg", message, why, remedy);
}

/// The plate. It is as long and wide as the row of batteries if the file has no measures of it.
pub(super) fn plate<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, battery: &Battery) -> Plate {
    let material = reader.word(section, "material", &words(PLATES)).ok().flatten();
    let [length_m, width_m] = row(battery);
    Plate {
        material: material.unwrap_or(PLATES[0].material),
        length_m: reader.given(section, Key::PlateLength).unwrap_or(length_m),
        width_m: reader.given(section, Key::PlateWidth).unwrap_or(width_m),
        thickness_m: reader.real(section, Key::PlateThickness),
        contact_w_per_m2_k: contact(reader, section),
        contact_parts: super::joints::parts(reader, section, battery.count),
    }
}

/// Conductances of the joints that have a word (W/(m² K)), each from memory: metal on a plate with whatever air is
/// between them; a soft pad that fills the gap; a plastic case with an air gap and foam between it and the cells.
const JOINTS: [(&str, f64); 3] = [("bare", 200.0), ("gap_pad", 500.0), ("plastic_case", 30.0)];

/// The joint from plate to batteries (W/(m² K)), by its word or by its own figure.
fn contact<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> f64 {
    let joint = reader.word(section, "contact", &JOINTS).ok().flatten();
    let own = reader.real(section, Key::PlateContact);
    if section.has("contact") && section.has("contact_w_per_m2_k") {
        let place = section.place("contact_w_per_m2_k");
        let message = format!("{place} does not go with {}", section.place("contact"));
        let remedy =
            "one of the two: contact names a kind of joint, contact_w_per_m2_k is for one that has no word here";
        reader.findings.error(section.key_span("contact_w_per_m2_k").as_ref(), &place, message, remedy);
    }
    joint.unwrap_or(own)
}

/// The pad.
pub(super) fn pad<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Pad {
    Pad {
        length_m: reader.real(section, Key::PadLength),
        width_m: reader.real(section, Key::PadWidth),
        shift_m: [Key::PadShiftAlong, Key::PadShiftAcross].map(|key| reader.real(section, key)),
        thickness_m: reader.real(section, Key::PadThickness),
        bond_w_per_m2_k: reader.real(section, Key::PadBond),
        most_w_per_m2: reader.real(section, Key::PadMost),
    }
}

pub(super) fn words(materials: &[Known]) -> Vec<(&'static str, Material)> {
    materials.iter().map(|known| (known.name, known.material)).collect()
}

/// Checks whether plate, pad and batteries can exist as stated: the pad is not too hot, the bank has the heater's
/// voltage, its mass suits its energy. [`fit`](super::fit) checks whether they find room.
pub(super) fn judge(reader: &mut Reader, sections: &Sections, site: &Site, settings: &Settings) {
    let row_keys = [Key::Count, Key::BatteryLength, Key::BatteryWidth, Key::BatteryHeight, Key::Gap];
    let known = |reader: &Reader, section: &Section, keys: &[Key]| !reader.doubts_any(section, keys);
    let row_known = known(reader, &sections.battery, &row_keys);
    let pad_known = known(reader, &sections.pad, &[Key::PadLength, Key::PadWidth, Key::PadThickness]);
    let electrical = [Setting::HeaterPower, Setting::HeaterNominal, Setting::SupplyMax];
    if pad_known
        && known(reader, &sections.pad, &[Key::PadMost])
        && !electrical.into_iter().any(|key| reader.doubts(SettingPlace::of(key)))
    {
        power_density(reader, &sections.pad, site, settings);
    }
    if known(reader, &sections.battery, &[Key::CellsInSeries]) {
        // A heater on one source has that source's voltage, whatever the bank's is.
        if site.fed_by.is_none() && !reader.doubts_number(super::feed::PLACE) {
            voltage(reader, &sections.battery, &site.battery, settings);
        }
        if row_known && known(reader, &sections.battery, &[Key::BatteryMass]) {
            energy_density(reader, &sections.battery, &site.battery, settings);
        }
    }
}

/// Bank and heater of different system voltages.
fn voltage(reader: &mut Reader, section: &Section, battery: &Battery, settings: &Settings) {
    let bank_v = f64::from(battery.cells_in_series) * cell::NOMINAL_V;
    let heater_v = si::volts(settings.heater.nominal);
    if is_for_the_bank(heater_v, battery) || reader.doubts(SettingPlace::of(Setting::HeaterNominal)) {
        return;
    }
    let message = format!(
        "battery.cells_in_series is {}, which makes {bank_v:.1} V, far from heater.nominal_v ({heater_v} V)",
        battery.cells_in_series
    );
    let why = if is_mains(heater_v, battery) {
        "above 50 V alternating current a heater is not on extra-low voltage: its circuit is licensed work, and plan does not size it"
    } else {
        "power goes with the square of the voltage, and a rehearsal has the heater on the bank"
    };
    let remedy = "cells_in_series within one battery (4 make 12.8 V), or nominal_v of the pad that fits the bank";
    let span = section.key_span("cells_in_series").or(section.span.clone());
    reader.findings.add(Severity::Warning, span.as_ref(), "battery.cells_in_series", message, Some(why), remedy);
}

/// A capacity that suits one battery, with the mass or count of another.
fn energy_density(reader: &mut Reader, section: &Section, battery: &Battery, settings: &Settings) {
    let capacity_ah = si::amp_hours(settings.charge.capacity);
    let bank_wh = capacity_ah * f64::from(battery.cells_in_series) * cell::NOMINAL_V;
    #[expect(clippy::cast_precision_loss, reason = "8 at most")]
    let bank_kg = battery.mass_kg * battery.count as f64;
    let density = bank_wh / bank_kg;
    if (65.0..=180.0).contains(&density) || reader.doubts(SettingPlace::of(Setting::Capacity)) {
        return;
    }
    let message =
        format!("battery.mass_kg makes {bank_kg} kg for the bank, and its {bank_wh:.0} Wh are {density:.0} Wh/kg");
    let why = "90 to 130 Wh/kg are usual (from memory): a number of one battery may stand where that of all should, or the \
               other way";
    let remedy = "charge.capacity_ah of the whole bank; count, mass_kg and cells_in_series of one battery";
    let span = section.key_span("mass_kg");
    reader.findings.add(Severity::Warning, span.as_ref(), "battery.mass_kg", message, Some(why), remedy);
}

/// Checks whether the pad's area can bear its power at the highest voltage that the heater may run on.
fn power_density(reader: &mut Reader, section: &Section, site: &Site, settings: &Settings) {
    let Draw { supply_v, power_w, .. } = Heater::of(settings, site.tolerance.pad_power).at_supply_max;
    let area_cm2 = site.pad.area_m2() * 1e4;
    // Converts back from square metres, and rounds off the error of the division.
    let (density, most) = (power_w / area_cm2, site.pad.most_w_per_m2.round() / 1e4);
    if density <= most {
        return;
    }
    let message = format!(
        "pad gives {density:.2} W/cm² at {supply_v} V: {power_w:.0} W on {area_cm2:.0} cm², above {most} W/cm² \
         (pad.most_w_per_cm2)"
    );
    let why = "a pad that gives more overheats and can burn through, and what touches the plate becomes far warmer than the core; up \
               to 0.15 W/cm² is common practice under cells";
    let remedy = format!(
        "a pad of at least {:.0} cm² for this power, less power, or most_w_per_cm2 where the pad's maker allows more on a plate",
        (power_w / most).ceil()
    );
    let span = section.key_span("length_mm");
    reader.findings.add(Severity::Warning, span.as_ref(), "pad.length_mm", message, Some(why), remedy);
}

//! Bank, plate and pad as bodies, and the room for them in the box: what they are made of, how large they are, whether they fit each other.

use super::Sections;
use super::table::Key;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::materials::{Known, Material, PLATES};
use crate::plan::circuit::{Draw, Heater, is_for_the_bank, is_mains};
use crate::site::{Battery, Pad, Plate, Site};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{Key as Setting, Place as SettingPlace, Settings};

/// How the cells stand in their case.
#[derive(Clone, Copy)]
enum Cells {
    Standing,
    Lying,
}

impl Cells {
    /// Upwards and across (W/(m K)). Along the layers 15 to 30 is usual (from memory; arXiv:2112.09768 measured 26.6), through
    /// them 0.4 to 1.0 (0.52 there). A whole battery has gaps and cases besides, so along the layers it is the low end.
    const fn conductivity(self) -> (f64, f64) {
        match self {
            Self::Standing => (15.0, 0.8),
            Self::Lying => (0.6, 15.0),
        }
    }
}

pub(super) fn battery<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, hard_limit: Celsius) -> Battery {
    let words = [("standing", Cells::Standing), ("lying", Cells::Lying)];
    let cells = reader.word(section, "cells", &words).ok().flatten().unwrap_or(Cells::Standing);
    let (up, across) = cells.conductivity();
    let battery = Battery {
        count: reader.whole(section, Key::Count) as usize,
        length_m: reader.real(section, Key::BatteryLength),
        width_m: reader.real(section, Key::BatteryWidth),
        height_m: reader.real(section, Key::BatteryHeight),
        mass_kg: reader.real(section, Key::BatteryMass),
        cells_in_series: reader.whole(section, Key::CellsInSeries),
        specific_heat_j_per_kg_k: reader.real(section, Key::SpecificHeat),
        conductivity_up_w_per_m_k: reader.given(section, Key::ConductivityUp).unwrap_or(up),
        conductivity_across_w_per_m_k: reader.given(section, Key::ConductivityAcross).unwrap_or(across),
        gap_m: reader.real(section, Key::Gap),
        resistance_ohm: reader.real(section, Key::Resistance),
        maker_ceiling: super::maker::ceiling(reader, section),
        hard_limit_c: f64::from(hard_limit.as_millidegrees()) / 1000.0,
    };
    masses(reader, section, &battery);
    battery
}

/// Whether a battery is as heavy as one of its size can be, and as the cells in it.
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

/// The plate, with its length and width (m): those of the row of batteries where the file has none.
pub(super) fn plate<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, battery: &Battery) -> (Plate, [f64; 2]) {
    let material = reader.word(section, "material", &words(PLATES)).ok().flatten();
    let [length, width] = row(battery);
    let measures = [
        reader.given(section, Key::PlateLength).unwrap_or(length),
        reader.given(section, Key::PlateWidth).unwrap_or(width),
    ];
    let plate = Plate {
        material: material.unwrap_or(PLATES[0].material),
        area_m2: measures[0] * measures[1],
        thickness_m: reader.real(section, Key::PlateThickness),
        contact_w_per_m2_k: reader.real(section, Key::PlateContact),
    };
    (plate, measures)
}

/// The pad, with its length and width (m).
pub(super) fn pad<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> (Pad, [f64; 2]) {
    let measures = [reader.real(section, Key::PadLength), reader.real(section, Key::PadWidth)];
    let pad = Pad {
        area_m2: measures[0] * measures[1],
        thickness_m: reader.real(section, Key::PadThickness),
        bond_w_per_m2_k: reader.real(section, Key::PadBond),
        most_w_per_m2: reader.real(section, Key::PadMost),
    };
    (pad, measures)
}

pub(super) fn words(materials: &[Known]) -> Vec<(&'static str, Material)> {
    materials.iter().map(|known| (known.name, known.material)).collect()
}

/// Footprint of the row of batteries, with its gaps (m).
fn row(battery: &Battery) -> [f64; 2] {
    #[expect(clippy::cast_precision_loss, reason = "8 at most")]
    let count = battery.count as f64;
    [battery.length_m, count * battery.width_m + (count - 1.0) * battery.gap_m]
}

/// Length and width of what lies flat (m).
pub(super) struct Footprints {
    pub(super) plate_m: [f64; 2],
    pub(super) pad_m: [f64; 2],
}

/// Whether batteries, plate and pad fit each other and the box, and whether the pad is too hot for them.
pub(super) fn judge(reader: &mut Reader, sections: &Sections, site: &Site, flat: &Footprints, settings: &Settings) {
    let row_keys = [Key::Count, Key::BatteryLength, Key::BatteryWidth, Key::BatteryHeight, Key::Gap];
    let known = |reader: &Reader, section: &Section, keys: &[Key]| !reader.doubts_any(section, keys);
    let row_known = known(reader, &sections.battery, &row_keys);
    let plate_known =
        row_known && known(reader, &sections.plate, &[Key::PlateLength, Key::PlateWidth, Key::PlateThickness]);
    let pad_known = known(reader, &sections.pad, &[Key::PadLength, Key::PadWidth, Key::PadThickness]);
    let box_known = known(reader, &sections.enclosure, &[Key::BoxLength, Key::BoxWidth, Key::BoxHeight]);
    let row = row(&site.battery);
    if plate_known && box_known {
        inside(reader, &sections.enclosure, site, &[("the row of batteries", row), ("the plate", flat.plate_m)]);
    }
    if plate_known && box_known && pad_known {
        height(reader, &sections.enclosure, site);
    }
    if plate_known && !fits(row, flat.plate_m) {
        let message = format!("plate is {}, and the row of batteries is {}", area(flat.plate_m), area(row));
        let span = sections.plate.key_span("length_mm").or(sections.plate.key_span("width_mm"));
        let why = Some("what stands beyond the plate is warmed by its neighbours only, and is the coldest");
        let remedy = "a plate under all of them: leave out length_mm and width_mm for one as large as the row";
        reader.findings.add(Severity::Warning, span.as_ref(), "plate.length_mm", message, why, remedy);
    }
    if plate_known && pad_known && !fits(flat.pad_m, flat.plate_m) {
        let message = format!("pad is {}, larger than the plate ({})", area(flat.pad_m), area(flat.plate_m));
        let span = sections.pad.key_span("length_mm");
        let why = Some("where no plate takes the heat away, a pad burns through");
        let remedy = format!("length_mm and width_mm of a pad of at most {}, or a larger plate", area(flat.plate_m));
        reader.findings.add(Severity::Error, span.as_ref(), "pad.length_mm", message, why, remedy);
    }
    let electrical = [Setting::HeaterPower, Setting::HeaterNominal, Setting::SupplyMax];
    if pad_known
        && known(reader, &sections.pad, &[Key::PadMost])
        && !electrical.into_iter().any(|key| reader.doubts(SettingPlace::of(key)))
    {
        power_density(reader, &sections.pad, site, settings);
    }
    if known(reader, &sections.battery, &[Key::CellsInSeries]) {
        // A heater that one source feeds has that source's voltage, whatever the bank's.
        if site.fed_by.is_none() && !reader.doubts_number(super::feed::PLACE) {
            voltage(reader, &sections.battery, &site.battery, settings);
        }
        if row_known && known(reader, &sections.battery, &[Key::BatteryMass]) {
            energy_density(reader, &sections.battery, &site.battery, settings);
        }
    }
}

/// Nominal voltage of one cell (V); from memory.
const CELL_V: f64 = 3.2;

/// Bank and heater of two systems.
fn voltage(reader: &mut Reader, section: &Section, battery: &Battery, settings: &Settings) {
    let bank_v = f64::from(battery.cells_in_series) * CELL_V;
    let heater_v = f64::from(settings.heater.nominal.as_millivolts()) / 1000.0;
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

/// Capacity of one battery, and mass or count of another.
fn energy_density(reader: &mut Reader, section: &Section, battery: &Battery, settings: &Settings) {
    let capacity_ah = f64::from(settings.charge.capacity.as_milliamp_hours()) / 1000.0;
    let bank_wh = capacity_ah * f64::from(battery.cells_in_series) * CELL_V;
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

/// Whether what stands in the box finds room in it; the first that does not is enough to tell.
fn inside(reader: &mut Reader, section: &Section, site: &Site, things: &[(&str, [f64; 2])]) {
    let inside = [site.enclosure.length_m, site.enclosure.width_m];
    let Some((what, measures)) = things.iter().find(|(_, measures)| !fits(*measures, inside)) else { return };
    let message = format!("box is {} inside, and {what} is {}", area(inside), area(*measures));
    let remedy = format!("length_mm and width_mm, inside, of at least {}", area(*measures));
    let span = section.key_span("length_mm");
    let why = Some("they stand in it");
    reader.findings.add(Severity::Error, span.as_ref(), "box.length_mm", message, why, remedy);
}

fn height(reader: &mut Reader, section: &Section, site: &Site) {
    let needed = site.battery.height_m + site.plate.thickness_m + site.pad.thickness_m;
    if needed <= site.enclosure.height_m + SLACK {
        return;
    }
    let message = format!(
        "box.height_mm is {} mm, and batteries, plate and pad are {} mm high",
        mm(site.enclosure.height_m),
        mm(needed)
    );
    let remedy = format!("height_mm = {} or more, inside", mm(needed).ceil());
    let why = Some("they stand in it, one on the other");
    let span = section.key_span("height_mm");
    reader.findings.add(Severity::Error, span.as_ref(), "box.height_mm", message, why, remedy);
}

/// Whether the pad bears on its area what it gives at the highest supply voltage that the heater may run on.
fn power_density(reader: &mut Reader, section: &Section, site: &Site, settings: &Settings) {
    let Draw { supply_v, power_w, .. } = Heater::of(settings, site.tolerance.pad_power).at_supply_max;
    let area_cm2 = site.pad.area_m2 * 1e4;
    // Back from square metres without what the division leaves.
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

/// What sums and products of measures may differ by without meaning it (m).
const SLACK: f64 = 1e-9;

/// Whether a rectangle fits into another, turned or not.
fn fits(mut inner: [f64; 2], mut outer: [f64; 2]) -> bool {
    inner.sort_by(f64::total_cmp);
    outer.sort_by(f64::total_cmp);
    inner.iter().zip(outer).all(|(inner, outer)| *inner <= outer + SLACK)
}

/// In millimetres, to a tenth.
fn mm(metres: f64) -> f64 {
    (metres * 1e4).round() / 10.0
}

/// `330 x 349 mm`.
fn area([length, width]: [f64; 2]) -> String {
    format!("{} x {} mm", mm(length), mm(width))
}

//! `forewarm check`: every problem at once, each with its place and a remedy.
#![allow(missing_docs)]

mod common;

use common::{Run, forewarm, forewarm_fed};
use forewarm::installation::{Installation, starter};
use forewarm_core::wire::record;
use serde_json::Value;
use std::fs;

fn check(text: &str) -> Run {
    forewarm_fed(&["check", "-"], text.as_bytes())
}

/// The starter with the first line that begins with `from` replaced, and the number of that line.
fn starter_with(from: &str, to: &str) -> (String, usize) {
    let text = starter();
    let number = text.lines().position(|line| line.starts_with(from)).unwrap_or_else(|| panic!("no line {from}"));
    let lines: Vec<&str> = text.lines().enumerate().map(|(at, line)| if at == number { to } else { line }).collect();
    (lines.join("\n") + "\n", number + 1)
}

/// `text` without what it says of the site besides channels and sources: its bank is one battery.
fn without_site(text: &str) -> String {
    let settings = &text[..text.find("\n[battery]").expect("the first section of the site")];
    settings.replacen("# batteries = 2", "batteries = 1", 1)
}

/// One slip each, told on its own line: the line of the starter, what is written in its place, and parts of what is said and of
/// the remedy.
const SLIPS: &[(&str, &str, &str, &str)] = &[
    ("release_c", "release_c = 4", "charge.release_c is 4 °C, not above charge.inhibit_c (5 °C)", "release_c = 8"),
    (
        "# disagreement_k",
        "disagreement_k = 10",
        "trust.disagreement_k is 10 K, not below charge.inhibit_c (5 °C)",
        "disagreement_k = 4",
    ),
    ("# max_step_s", "max_step_s = 1", "trust.max_step_s is 1 s, outside 10 to 60 s", "max_step_s = 15"),
    (
        "# plausible_low_c",
        "plausible_low_c = -30",
        "trust.plausible_low_c is -30 °C, outside -59 to -40 °C",
        "plausible_low_c = -45",
    ),
    ("inhibit_c", "inhibit_c = 16", "charge.inhibit_c is 16 °C, outside 0 to 15 °C", "inhibit_c = 5"),
    ("inhibit_c", "inhibit_c = nan", "charge.inhibit_c is nan, not a finite number", "0 to 15 °C"),
    ("inhibit_c", "inhibit_c = -inf", "charge.inhibit_c is -inf, not a finite number", "0 to 15 °C"),
    ("inhibit_c", "inhibit_c = 5.0001", "charge.inhibit_c is 5.0001, finer than 0.001", "rounded to 0.001"),
    ("inhibit_c", "inhibit_c = 1e300", "charge.inhibit_c is 1e300, far too large", "0 to 15 °C"),
    ("inhibit_c", "inhibit_c = \"5 °C\"", "charge.inhibit_c is the text \"5 °C\", not a number", "inhibit_c = 5"),
    ("inhibit_c", "inhibit_c = true", "charge.inhibit_c is true, not a number", "0 to 15 °C"),
    ("inhibit_c", "inhibit_f = 41", "charge has no setting inhibit_f", "inhibit_c = 5"),
    ("inhibit_c", "inhibit = 5", "charge has no setting inhibit", "inhibit_c = 5"),
    ("# soak_min", "soak_s = 1800", "charge has no setting soak_s", "soak_min = 30"),
    ("# soak_min", "power_w = 100", "charge has no setting power_w", "[heater]"),
    ("capacity_ah", "capcity_ah = 200", "charge has no setting capcity_ah", "capacity_ah"),
    ("  { cell_c = 10", "  { cell_c = 10, rate = 1 },", "entry 2 of charge.ceiling has no setting rate", "c_rate"),
    (
        "  { cell_c = 10",
        "  { cell_c = 4, c_rate = 1 },",
        "entry 2 of charge.ceiling: cell_c is 4 °C, not above entry 1 of charge.ceiling: cell_c (5 °C)",
        "cell_c = 8",
    ),
    ("  { cell_c = 10", "  5,", "entry 2 of charge.ceiling is 5, not a table", "{ cell_c = 5, c_rate = 0.1 }"),
    ("[charge]", "[[charge]]", "charge is written once", "a single [charge]"),
    ("[heater]", "[heaters]", "there is no section [heaters]", "heater"),
    ("power_w", "power_w = -120", "heater.power_w is -120 W, outside 1 to 10000 W", "power_w = 120"),
    ("nominal_v", "nominal_v = 1", "heater.nominal_v is 1 V, outside 5 to 100 V", "nominal_v = 12.8"),
    ("power_w", "power_kw = 0.12", "heater has no setting power_kw", "power_w = 120"),
    (
        "supply_max_v",
        "supply_max_v = 11",
        "heater.supply_max_v is 11 V, not above heater.supply_min_v (11.5 V)",
        "supply_max_v = 12",
    ),
    ("# cutout_pad_c", "cutout_pad_c = 90", "heater.cutout_pad_c is 90 °C, which leads to 100 °C", "cutout_pad_c = 50"),
    ("hold", "hold = \"always\"", "heater.hold is the text \"always\"", "\"while_charging\" or \"never\""),
    ("# priority", "priority = 1.5", "source 1 (engine): priority is 1.5, not a whole number", "priority = 1"),
    ("# priority", "priority = 10", "source 1 (engine): priority is 10, outside 0 to 9", "priority = 0"),
    ("name = \"plate\"", "name = \"a=b\"", "channel 3: name is \"a=b\", which no column", "letters, digits"),
    ("name = \"plate\"", "name = \"Supply-V\"", "channel 3: name is \"Supply-V\", which in a log", "any other name"),
    ("name = \"plate\"", "name = \"\"", "channel 3: name is \"\", which no column", "1 to 32 letters"),
    ("spend", "spend = \"with source\"", "bank.spend is the text \"with source\"", "spend = \"with_source\""),
    (
        "# stuck_after_h",
        "stuck_after_h = \"ever\"",
        "trust.stuck_after_h is the text \"ever\"",
        "stuck_after_h = \"never\"",
    ),
    ("role", "role = \"cels\"", "channel 1 (cells_low): role is the text \"cels\"", "role = \"cell\""),
    ("element", "element = \"Pt100\"", "channel 1 (cells_low): element is the text \"Pt100\"", "element = \"pt100\""),
    ("element", "r0_ohm = -5", "R0 is outside 1 Ω to 16 000 Ω", "100 for a Pt100"),
    (
        "# calibration",
        "calibration = [ { at_c = 0, ohm = 100 } ]",
        "channel 1 (cells_low): calibration is not two points",
        "calibration = [",
    ),
    (
        "# calibration",
        "calibration = [ { at_c = 0, ohm = 100 }, { at_c = 5, ohm = 102 } ]",
        "less than 10 °C apart",
        "further apart",
    ),
    (
        "# calibration",
        "calibration = [ { at_c = 0, ohm = 100 }, { at_c = 40, ohm = 90 } ]",
        "do not fit a platinum element",
        "measure both",
    ),
    (
        "wiring",
        "wiring = \"5-wire\"",
        "channel 1 (cells_low): wiring is the text \"5-wire\"",
        "\"2-wire\", \"3-wire\" or \"4-wire\"",
    ),
    (
        "# lead_loop_ohm",
        "lead_loop_ohm = 0.5",
        "channel 1 (cells_low): lead_loop_ohm does not belong",
        "wiring = \"2-wire\"",
    ),
    (
        "# lead_least_ohm",
        "lead_least_ohm = 0.5",
        "channel 1 (cells_low): lead_least_ohm does not belong",
        "wiring = \"3-wire\"",
    ),
    (
        "reference_ohm",
        "reference_ohm = 30",
        "channel 1 (cells_low): reference_ohm is 30 Ω, too small for the element, which needs more than 36 Ω",
        "reference_ohm = 400",
    ),
];

/// The same, told where a section begins that lacks something, or at the other of two lines that do not go together.
const SLIPS_TOLD_ELSEWHERE: &[(&str, &str, &str, &str)] = &[
    ("length_mm", "length_mm = 330\nhard_limit_c = 0", "battery has no setting hard_limit_c", "put it into [charge]"),
    (
        "# offset_k",
        "offset_k = 5",
        "not above charge.hard_limit_c (0 °C, which leads to 5.251 °C, the default)",
        "inhibit_c = 8.251",
    ),
    ("proof_rise_k", "", "heater.proof_rise_k is missing", "leave out proof_wh"),
    ("cooling_min", "", "heater.cooling_min is missing", "leave out cooling_excess_k"),
    ("name = \"mains\"", "name = \"Engine\"", "source 2: name is \"Engine\", and so is another (line 10", "two names"),
    (
        "name = \"plate\"",
        "name = \"box_air\"",
        "channel 4: name is \"box_air\", and so is another (line 2",
        "two names",
    ),
    ("name = \"plate\"", "", "channel 3: name is missing", "name = "),
    ("most_current_a", "", "source 1 (engine): most_current_a is missing", "obeys = "),
    ("most_current_a", "reduced_current_a = 10", "source 1 (engine): most_current_a is missing", "obeys = "),
    (
        "# obeys",
        "obeys = \"a limit set over its data line\"",
        "source 1 (engine): obeys does not go with most_current_a",
        "0 where it charges nothing",
    ),
    (
        "# reduced_current_a",
        "reduced_current_a = 0",
        "source 1 (engine): reduced_current_a is 0 A, outside 0.1 to 10000 A",
        "reduced_current_a = 10",
    ),
    ("# reduced_current_a", "reduced_current_a = -5", "reduced_current_a is -5 A, outside", "reduced_current_a = 5"),
    (
        "# reduced_current_a",
        "reduced_current_a = nan",
        "reduced_current_a is nan, not a finite number",
        "0.1 to 10000 A",
    ),
    (
        "# reduced_current_a",
        "reduced_current_a = 20",
        "source 1 (engine): reduced_current_a is 20 A, not below source 1 (engine): most_current_a (20 A)",
        "reduced_current_a = 19",
    ),
    (
        "# reduced_current_a",
        "reduced_current_ma = 10000",
        "source 1 (engine) has no setting reduced_current_ma",
        "reduced_current_a = 10",
    ),
    ("spend", "spend = \"always\"", "no reserve says how far", "reserve_pct and resume_pct"),
    ("spend", "reserve_pct = 50\nresume_pct = 60", "bank.spend is missing", "\"with_source\""),
    (
        "spend",
        "spend = \"always\"\nreserve_pct = 60\nresume_pct = 60",
        "bank.resume_pct is 60 %, not above",
        "resume_pct = 70",
    ),
    ("spend", "spend = \"always\"\nreserve_pct = 60", "bank.resume_pct is missing", "resume_pct"),
    (
        "spend",
        "spend = \"always\"\nsag_v = 0.5\nreserve_pct = 50\nresume_pct = 60",
        "by state of charge and by voltage",
        "one of the two",
    ),
    (
        "element",
        "element = \"pt100\"\na_per_c = 3.9e-3\nb_per_c2 = -5.8e-7",
        "channel 1 (cells_low): a_per_c does not go with element",
        "r0_ohm",
    ),
    ("element", "r0_ohm = 100\na_per_c = 3.9e-3", "channel 1 (cells_low): b_per_c2 is missing", "together"),
    ("element", "r0_ohm = 100\na_per_c = 3.9\nb_per_c2 = -5.8e-7", "A is outside", "3.9083e-3"),
    (
        "element",
        "r0_ohm = 100\nelement = \"pt100\"",
        "channel 1 (cells_low): r0_ohm does not go with element",
        "one of the two",
    ),
    ("element", "", "channel 1 (cells_low): element is missing", "\"pt100\", \"pt500\" or \"pt1000\""),
];

/// The same for what a file says of the site: section and name of the line, what is written in its place, what is said, the remedy.
#[rustfmt::skip]
const SITE_SLIPS: &[(&str, &str, &str, &str, &str)] = &[
    ("battery", "length_mm", "length_mm = -330", "battery.length_mm is -330 mm, outside 20 to 2000 mm", "length_mm = 330"),
    ("battery", "length_mm", "length_mm = inf", "battery.length_mm is inf, not a finite number", "20 to 2000 mm"),
    ("battery", "length_mm", "length_mm = \"330 mm\"", "is the text \"330 mm\", not a number", "length_mm = 330"),
    ("battery", "length_mm", "length_m = 0.33", "battery has no setting length_m", "length_mm = 330"),
    ("battery", "mass_kg", "mass_kg = 0", "battery.mass_kg is 0 kg, outside 0.1 to 500 kg", "mass_kg = 11.5"),
    ("battery", "mass_kg", "mass_kg = 0.5", "which in 330 x 172 x 215 mm is 41 kg/m³, outside 500 to 6000 kg/m³", "data sheet"),
    ("battery", "mass_kg", "mass_g = 11500", "battery has no setting mass_g", "mass_kg = 11.5"),
    ("battery", "cell_mass_kg", "cell_mass_kg = 3", "is 3 kg, which for 4 cells makes 12 kg, more than battery.mass_kg (11.5 kg)", "cells_in_series"),
    ("battery", "cell_mass_kg", "cell_mass_kg = 1", "makes 4 kg, less than half of battery.mass_kg (11.5 kg)", "cells_in_series"),
    ("battery", "count", "count = 1.5", "battery.count is 1.5, not a whole number", "count = 1"),
    ("battery", "cells", "cells = \"upright\"", "battery.cells is the text \"upright\"", "\"standing\", \"lying\" or \"cylindrical\""),
    ("battery", "cells", "floor_thickness_mm = 2", "battery has no setting floor_thickness_mm", "put it into [box]"),
    ("plate", "thickness_mm", "thickness_mm = 0", "plate.thickness_mm is 0 mm, outside 0.2 to 50 mm", "thickness_mm = 2"),
    ("plate", "material", "material = \"aluminum\"", "plate.material is the text \"aluminum\"", "material = \"aluminium\""),
    ("plate", "contact", "contact = \"glue\"", "plate.contact is the text \"glue\"", "\"bare\", \"gap_pad\" or \"plastic_case\""),
    ("plate", "contact", "contact_w_per_m2_k = 300\ncontact = \"bare\"", "plate.contact_w_per_m2_k does not go with plate.contact", "one of the two"),
    ("pad", "shift_along_mm", "shift_along_mm = 20", "pad.shift_along_mm puts a pad of 320 x 320 mm beside its plate of 330 x 349 mm: it stands out by 15 mm at the end where along_mm is 330", "shift_along_mm from -5 to 5"),
    ("pad", "shift_along_mm", "shift_along_mm = -6", "by 1 mm at the end where along_mm is 0", "shift_along_mm from -5 to 5"),
    ("pad", "shift_across_mm", "shift_across_mm = -20", "by 5.5 mm on the side of battery 1", "shift_across_mm from -14.5 to 14.5"),
    ("pad", "shift_across_mm", "shift_across_mm = 20", "by 5.5 mm on the side of battery 2", "or a smaller pad, or a larger plate"),
    ("battery", "gap_mm", "gap_mm = 0.1", "battery.gap_mm is 0.1 mm, too fine for the grid", "gap_mm = 0 for batteries that touch, or 0.2 or more"),
    ("box", "width_mm", "width_mm = 300", "box is 380 x 300 mm inside, and the row of batteries is 330 x 349 mm", "fewer batteries, or a smaller gap_mm"),
    ("pad", "length_mm", "length_mm = 360", "pad is 360 x 320 mm, larger than the plate (330 x 349 mm)", "at most 330 x 349 mm"),
    ("box", "length_mm", "length_mm = 300", "box is 300 x 400 mm inside, and the row of batteries is 330 x 349 mm", "at least 330 x 349 mm"),
    ("box", "height_mm", "height_mm = 200", "box.height_mm is 200 mm, and batteries, plate and pad are 218.5 mm high", "height_mm = 219"),
    ("box", "insulation", "insulation = \"foam\"", "box.insulation is the text \"foam\"", "\"xps\""),
    ("box", "conductivity_w_per_m_k", "conductivity_w_per_m_k = 0.04", "does not go with box.insulation", "one of the two"),
    ("box", "thickness_mm", "thickness_mm = 0", "box.thickness_mm is 0 mm", "thickness_mm = 50"),
    ("site", "design_min_c", "design_min_f = -4", "site has no setting design_min_f", "design_min_c = -20"),
    ("site", "ground_c", "ground_c = 5", "site.ground_c does not go with a box that has air under it", "stands_on = \"ground\""),
    ("converter", "bits", "bits = 8", "converter.bits is 8, outside 10 to 24", "bits = 16"),
    ("channel", "battery", "battery = 3", "channel 1 (cells_low): battery is 3, and battery.count is 2", "battery = 2"),
    ("channel", "class", "class = \"D\"", "channel 1 (cells_low): class is the text \"D\"", "class = \"AA\", \"A\", \"B\" or \"C\""),
    ("channel", "class", "class = \"aa\"", "channel 1 (cells_low): class is the text \"aa\"", "class = \"AA\" (it may be"),
    ("source", "schedule", "schedule = \"mon 07:30-08:30 08:00-09:00\"", "source 1 (engine): schedule: the schedule overlaps itself", "schedule = "),
    ("source", "most_current_a", "obeys = \"yes\"", "source 1 (engine): obeys is \"yes\", which does not say what makes", "most_current_a"),
    ("source", "most_current_a", "obeys = true", "source 1 (engine): obeys is true, not a text", "obeys = "),
    ("source", "most_current_a", "most_current_a = nan", "source 1 (engine): most_current_a is nan, not a finite number", "0 to 10000 A"),
    ("source", "most_current_a", "most_current_a = -1", "source 1 (engine): most_current_a is -1 A, outside 0 to 10000 A", "most_current_a"),
    ("source", "most_current_a", "reduced_current_a = 10\nobeys = \"a limit set over its data line\"", "source 1 (engine): reduced_current_a does not go with obeys", "leave out reduced_current_a"),
    ("source", "schedule", "schedule = \"weekdays\"", "source 1 (engine): schedule: \"weekdays\" is neither a day nor a time", "schedule = "),
    ("source", "schedule", "log = \"\"", "source 1 (engine): log is \"\", which no file is called", "log = "),
    ("source", "sun_at_least_w_m2", "sun_at_least_w_m2 = 150", "sun_at_least_w_m2 does not go with schedule", "one of schedule"),
    ("winter", "from", "from = \"02-29\"", "winter.from is \"02-29\", not a month and a day of every year", "from = \"11-01\""),
    ("source", "schedule", "schedule = \"Monday 07:00-08:00\"", "is neither a day nor a time", "schedule = \"mon 07:00-08:00\""),
    ("source", "schedule", "schedule = \"7:00-8:00\"", "has no day before it", "schedule = \"daily 7:00-8:00\""),
    ("source", "schedule", "schedule = \"mon 7-8\"", "is not a time from", "schedule = \"mon 07:00-08:00\""),
    ("source", "schedule", "schedule = \"mon 7.30-8.30, sat 10:00-11:00\"", "is not a time from", "schedule = \"mon 07:30-08:30, sat 10:00-11:00\""),
    ("source", "schedule", "schedule = \"sat\"", "has no time after it", "schedule = \"sat 00:00-24:00\""),
    ("source", "schedule", "schedule = \"sun 07:00-07:00\"", "ends when it begins", "schedule = \"sun 00:00-24:00\""),
    ("source", "name", "name = \"Bank\"", "source 1: name is \"Bank\", which no source can be called", "engine"),
    ("circuit", "fed_by", "fed_by = \"main\"", "circuit.fed_by is \"main\", and no [[source]] has that name", "fed_by = \"mains\" (it may be \"engine\" or \"mains\")"),
    ("circuit", "fed_by", "fed_by = \"\"", "circuit.fed_by is \"\", and no [[source]] has that name", "fed_by = \"engine\" or \"mains\"; or leave it out"),
    ("circuit", "fed_by", "fed_by = \"bank\"", "circuit.fed_by is \"bank\", and no [[source]] has that name", "leave it out for a heater on the bank"),
    ("circuit", "fed_by", "fed_by = 2", "circuit.fed_by is 2, not the name of a [[source]]", "fed_by = \"engine\" or \"mains\""),
    ("winter", "from", "from = 2024-11-01", "winter.from is a date or time, not a text", "from = "),
    ("winter", "days", "days = 367", "winter.days is 367, outside 1 to 366", "days = 180"),
    ("room", "warmer_by_k", "warmer_by_k = -3", "room.warmer_by_k is -3 K, outside 0 to 40 K", "warmer_by_k = 3"),
    ("room", "temperature_c", "temperature_c = 180\nschedule = \"sat 10:00-22:00\"", "room.temperature_c is 180 °C, outside -20 to 60 °C", "temperature_c = 18"),
    ("room", "warmer_by_k", "warmer_k = 6", "room has no setting warmer_k", "warmer_by_k"),
    ("winter", "mean_c", "mean_c = 400", "winter.mean_c is 400 °C, outside -60 to 40 °C", "mean_c = -4"),
    ("tolerance", "insulation_pct", "insulation_pct = 100", "tolerance.insulation_pct is 100 %, outside 0 to 90 %", "insulation_pct = 15"),
];

/// The same, told where a section begins that lacks something, or at the other of two lines that do not go together.
#[rustfmt::skip]
const SITE_SLIPS_TOLD_ELSEWHERE: &[(&str, &str, &str, &str, &str)] = &[
    ("battery", "height_mm", "", "battery.height_mm is missing", "height_mm = 215 (height of one battery"),
    ("site", "exposure_pct", "exposure_pct = 30\n[room]", "site.exposure_pct does not go with [room]", "leave out exposure_pct"),
    ("box", "insulation", "", "box.insulation is missing", "conductivity_w_per_m_k for any other"),
    ("site", "stands_on", "stands_on = \"ground\"", "site.ground_c is missing", "ground_c"),
    ("source", "derate_pct", "derate_pct = 50", "source 1 (engine): rated_a is missing", "leave out derate_pct"),
    ("load", "scheduled_w", "scheduled_w = 30", "load.schedule is missing", "schedule = "),
    ("load", "schedule", "schedule = \"daily 18:00-22:00\"", "load.scheduled_w is missing", "scheduled_w"),
    ("room", "temperature_c", "temperature_c = 18", "room.schedule is missing", "leave out temperature_c"),
    ("room", "schedule", "schedule = \"sat 10:00-22:00\"", "room.temperature_c is missing", "leave out schedule"),
    ("circuit", "cable_m", "", "circuit.cable_m is missing", "cable_m = 2 (length of the cable"),
    ("circuit", "pilot_a", "", "circuit.pilot_a is missing", "leave out pilot_v"),
    ("winter", "weather", "weather = \"weather.csv\"", "winter.mean_c does not go with winter.weather", "one of the two"),
    ("winter", "spell_c", "", "winter.spell_c is missing", "spell_c = "),
    ("pad", "width_mm", "width_mm = 360", "pad is 320 x 360 mm, larger than the plate", "at most 330 x 349 mm"),
];

/// What is allowed of a site and should have been meant: section and name of the line, what is written in its place, what is said.
#[rustfmt::skip]
const SITE_WARNINGS: &[(&str, &str, &str, &str)] = &[
    ("converter", "bits", "bits = 12", "no reading moves by its noise alone"),
    ("trust", "still_after_min", "still_after_min = \"never\"", "repeats its last codes for ever"),
    ("heater", "power_w", "power_w = 400", "pad gives 0.54 W/cm² at 15 V: 549 W on 1024 cm², above 0.3 W/cm²"),
    ("battery", "cells_in_series", "cells_in_series = 8", "battery.cells_in_series is 8, which makes 25.6 V, far from heater.nominal_v (12.8 V)"),
    ("charge", "capacity_ah", "capacity_ah = 100", "battery.mass_kg makes 23 kg for the bank, and its 1280 Wh are 56 Wh/kg"),
    ("battery", "mass_kg", "mass_kg = 23", "battery.mass_kg makes 46 kg for the bank, and its 2560 Wh are 56 Wh/kg"),
    ("plate", "length_mm", "length_mm = 320", "plate is 320 x 349 mm, and the row of batteries is 330 x 349 mm: it stands out by 5 mm at either end"),
    ("battery", "conductivity_up_w_per_m_k", "conductivity_up_w_per_m_k = 80", "battery.conductivity_up_w_per_m_k is 80 W/(m K), better than any stack of cells"),
    ("battery", "conductivity_up_w_per_m_k", "conductivity_up_w_per_m_k = 0.1\nconductivity_across_w_per_m_k = 0.1", "is 0.1 W/(m K), and no direction has more than 0.2: worse than plastic"),
    ("channel", "at", "at = \"plate\"", "channel 1 (cells_low): at makes it a cell channel at the plate"),
    ("channel", "at", "at = \"air\"", "channel 1 (cells_low): at makes it a cell channel in the air"),
    ("channel", "wiring", "wiring = \"2-wire\"\nlead_loop_ohm = 0.39\ncable_m = 12\ncable_mm2 = 0.5", "two conductors of 12 m and 0.5 mm² have about 0.936 Ω"),
    ("channel", "wiring", "wiring = \"3-wire\"", "channel 1 (cells_low): wiring is \"3-wire\", and nothing says what one lead has"),
    ("source", "schedule", "", "source 1 (engine) says nowhere when it is there"),
    ("source", "power_w", "power_w = 200", "source 1 (engine): power_w is 200 W, below budget_w (300 W)"),
    ("winter", "spell_from_day", "spell_from_day = 60", "winter.spell_from_day is 60, and the rehearsal ends after 60 days"),
];

/// The starter with the first line of `section` that sets or offers `name` replaced, and the number of that line.
fn starter_with_in(section: &str, name: &str, to: &str) -> (String, usize) {
    let text = starter().replace(&format!("# [{section}]\n"), &format!("[{section}]\n"));
    let mut here = "";
    let number = text.lines().position(|line| {
        if line.starts_with('[') {
            here = line.trim_matches(['[', ']']);
        }
        here == section && line.trim_start_matches("# ").starts_with(&format!("{name} = "))
    });
    let number = number.unwrap_or_else(|| panic!("no line {section}.{name}"));
    let lines: Vec<&str> = text.lines().enumerate().map(|(at, line)| if at == number { to } else { line }).collect();
    (lines.join("\n") + "\n", number + 1)
}

/// Makes the slip, and returns where it was told: the line in the message less the line of the slip.
fn told(&(from, to, said, remedy): &(&str, &str, &str, &str)) -> i64 {
    told_in(starter_with(from, to), to, said, remedy)
}

fn told_in((text, line): (String, usize), to: &str, said: &str, remedy: &str) -> i64 {
    let run = check(&text);
    let context = format!("{to:?} said\n{}{}", run.stdout, run.stderr);
    assert_eq!((run.status, &*run.stderr), (1, ""), "{context}");
    assert!(run.stdout.contains(said), "{said} is not in: {context}");
    assert_eq!(run.stdout.matches("error: ").count(), 1, "{context}");
    let tried = run.stdout.lines().find_map(|line| line.strip_prefix("  try: "));
    assert!(tried.is_some_and(|tried| tried.contains(remedy)), "{remedy} is not tried: {context}");
    let place = run.stdout.strip_prefix("error: standard input:").unwrap_or_else(|| panic!("no place: {context}"));
    let told: i64 = place[..place.find(':').unwrap()].parse().unwrap();
    told - i64::try_from(line).unwrap()
}

#[test]
fn every_slip_is_told_alone_on_its_line_with_a_remedy() {
    for slip in SLIPS {
        assert_eq!(told(slip), 0, "{slip:?} is told on another line");
    }
}

#[test]
fn what_is_missing_or_does_not_go_together_is_told_alone_with_a_remedy() {
    for slip in SLIPS_TOLD_ELSEWHERE {
        told(slip);
    }
}

#[test]
fn every_slip_in_the_site_is_told_alone_on_its_line_with_a_remedy() {
    for &(section, name, to, said, remedy) in SITE_SLIPS {
        assert_eq!(told_in(starter_with_in(section, name, to), to, said, remedy), 0, "{to} is told on another line");
    }
}

#[test]
fn what_a_site_lacks_or_does_not_go_together_in_it_is_told_alone_with_a_remedy() {
    for &(section, name, to, said, remedy) in SITE_SLIPS_TOLD_ELSEWHERE {
        told_in(starter_with_in(section, name, to), to, said, remedy);
    }
}

#[test]
fn what_should_have_been_meant_of_a_site_is_a_warning_and_no_failure() {
    for &(section, name, to, said) in SITE_WARNINGS {
        let run = check(&starter_with_in(section, name, to).0);
        assert_eq!(run.status, 0, "{to}: {run:?}");
        assert!(run.stdout.contains("warning: standard input:") && run.stdout.contains(said), "{to}: {}", run.stdout);
    }
    for (section, name, to) in [
        // 302 W at 15 V, 0.295 W/cm².
        ("heater", "power_w", "power_w = 220"),
        ("channel", "wiring", "wiring = \"2-wire\"\nlead_loop_ohm = 0.39\ncable_m = 5\ncable_mm2 = 0.5"),
        ("channel", "wiring", "wiring = \"2-wire\"\nlead_loop_ohm = 5\ncable_m = 5"),
        ("channel", "wiring", "wiring = \"3-wire\"\ncable_m = 5\ncable_mm2 = 0.5"),
        ("channel", "wiring", "wiring = \"3-wire\"\nlead_least_ohm = 0.1\nlead_most_ohm = 0.4"),
        ("winter", "spell_from_day", "spell_from_day = 59"),
    ] {
        let run = check(&starter_with_in(section, name, to).0);
        assert!(run.stdout.contains("standard input: no problems\n"), "{to}: {}", run.stdout);
    }
}

#[test]
fn a_file_that_is_named_and_missing_is_a_warning_where_it_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hut.toml");
    let (text, line) = starter_with_in("source", "schedule", "log = \"engine.csv\"");
    fs::write(&path, &text).unwrap();
    let shown = path.to_str().unwrap();
    let run = forewarm(&["check", shown]);
    let said =
        format!("warning: {shown}:{line}:1: source 1 (engine): log is \"engine.csv\", and there is no such file");
    assert_eq!(run.status, 0, "{run:?}");
    assert!(run.stdout.starts_with(&said), "{}", run.stdout);
    fs::write(folder.path().join("engine.csv"), "time,engine_present\n").unwrap();
    assert!(forewarm(&["check", shown]).stdout.contains(": no problems\n"));
}

#[cfg(unix)]
#[test]
fn what_is_named_and_is_no_file_is_called_what_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hut.toml");
    fs::create_dir(folder.path().join("logs")).unwrap();
    std::os::unix::fs::symlink("round", folder.path().join("round")).unwrap();
    std::os::unix::fs::symlink("gone.csv", folder.path().join("dangling.csv")).unwrap();
    for (named, said, remedy) in [
        ("logs", "which is a folder, not a file", "a file in it"),
        ("/dev/null", "which is a device or a pipe, not a file", "a file"),
        ("round", "which is a link that does not lead to a file", "a link that leads to it"),
        ("dangling.csv", "which is a link to a file that does not exist", "the file itself"),
    ] {
        let (text, _) = starter_with_in("source", "schedule", &format!("log = \"{named}\""));
        fs::write(&path, &text).unwrap();
        let run = forewarm(&["check", path.to_str().unwrap()]);
        assert_eq!(run.status, 0, "{run:?}");
        assert!(run.stdout.contains(&format!("log is \"{named}\", {said}")), "{}", run.stdout);
        assert!(run.stdout.contains(remedy) && !run.stdout.contains("another disk"), "{}", run.stdout);
    }
    let run = forewarm(&["check", folder.path().join("round").to_str().unwrap()]);
    assert!(run.status == 2 && run.stderr.contains("is a link that does not lead to a file"), "{run:?}");
    assert!(!run.stderr.contains("another disk"), "{run:?}");
}

#[test]
fn a_source_in_two_steps_is_shown_with_both_and_with_what_a_welded_contact_does() {
    let (text, _) = starter_with("# reduced_current_a", "reduced_current_a = 10");
    let run = check(&text);
    assert_eq!(run.status, 0, "{run:?}");
    for said in [
        "charges with up to 10 A, with the full permit 20 A",
        "engine: a normally open contact that closes for the full charge permit lets it give 20 A;",
        "if that contact welds it gives 20 A wherever charge is permitted",
    ] {
        assert!(run.stdout.contains(said), "{}", run.stdout);
    }
}

#[test]
fn all_slips_of_one_file_are_told_at_once_and_in_its_order() {
    let text = starter()
        .replace("\ntitle", "\ntitel")
        .replace("\ninhibit_c = 5", "\ninhibit_f = 41")
        .replace("\npower_w = 120", "\npower_w = -120")
        .replace("role = \"pad\"", "role = \"plate\"");
    let run = check(&text);
    assert_eq!(run.status, 1);
    let at = |part: &str| run.stdout.find(part).unwrap_or_else(|| panic!("{part} is not in {}", run.stdout));
    assert!(at("titel") < at("inhibit_f") && at("inhibit_f") < at("power_w") && at("power_w") < at("\"plate\""));
    assert!(run.stdout.ends_with("standard input: 4 errors, no warnings\n"), "{}", run.stdout);
}

#[test]
fn swapped_thresholds_are_called_so_and_no_remedy_lowers_inhibit_below_5() {
    let text = |inhibit: &str, release: &str| {
        let text = starter_with("inhibit_c", &format!("inhibit_c = {inhibit}")).0;
        text.replace("release_c = 8\n", &format!("release_c = {release}\n"))
    };
    let problem = |inhibit: &str, release: &str| {
        let run = forewarm_fed(&["check", "-", "--json"], text(inhibit, release).as_bytes());
        let report: Value = serde_json::from_str(&run.stdout).unwrap();
        for problem in report["problems"].as_array().unwrap() {
            let remedy = problem["try"].as_str().unwrap();
            for proposed in remedy.split("inhibit_c = ").skip(1) {
                let number: String = proposed.chars().take_while(|c| c.is_ascii_digit() || *c == '.').collect();
                assert!(number.parse::<f64>().unwrap() >= 5.0, "{remedy}");
            }
        }
        let found = report["problems"]
            .as_array()
            .unwrap()
            .iter()
            .find(|problem| problem["message"].as_str().unwrap().contains("release_c is"));
        found.unwrap_or_else(|| panic!("{}", run.stdout)).clone()
    };
    for (inhibit, release) in [("8", "5"), ("9", "6.5"), ("7", "4"), ("4", "1")] {
        let problem = problem(inhibit, release);
        let message = problem["message"].as_str().unwrap();
        assert_eq!(message.ends_with(": the two look swapped"), (inhibit, release) != ("9", "6.5"), "{message}");
    }
    assert_eq!(
        problem("8", "5")["try"].as_str().unwrap().split(", if").next(),
        Some("inhibit_c = 5 and release_c = 8")
    );
}

#[test]
fn a_file_without_cells_or_channels_is_refused() {
    let without_cells = starter().replace("role = \"cell\"", "role = \"ambient\"");
    let run = check(&without_cells);
    assert_eq!(run.status, 1);
    assert!(run.stdout.contains("no channel has the role cell"), "{}", run.stdout);
    let text = starter();
    let run = check(&text[..text.find("[[channel]]").unwrap()]);
    assert_eq!(run.status, 1);
    assert!(run.stdout.contains("no channel has the role cell"), "{}", run.stdout);
}

#[test]
fn seven_channels_are_one_too_many() {
    let spare = "[[channel]]\nname = \"NAME\"\nrole = \"ambient\"\nelement = \"pt100\"\nwiring = \"4-wire\"\nreference_ohm = 400\n";
    let with = |count: usize| {
        (0..count).fold(starter(), |text, number| text + &spare.replace("NAME", &format!("spare {number}")))
    };
    assert_eq!(check(&with(1)).status, 0);
    let run = check(&with(2));
    assert_eq!(run.status, 1);
    assert!(run.stdout.contains("channel has 7 entries, and 6 are the most"), "{}", run.stdout);
}

#[test]
fn what_is_no_installation_file_is_one_paragraph_and_status_2() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let utf16: Vec<u8> = [0xFF, 0xFE].into_iter().chain("title".encode_utf16().flat_map(u16::to_le_bytes)).collect();
    let mut nul = starter().into_bytes();
    nul[100] = 0;
    fs::write(path("utf16"), utf16).unwrap();
    fs::write(path("nul"), nul).unwrap();
    fs::write(
        path("binary"),
        (0..4096_u32).flat_map(|n| n.wrapping_mul(2_654_435_761).to_le_bytes()).collect::<Vec<_>>(),
    )
    .unwrap();
    fs::File::create(path("large")).unwrap().set_len(200 << 20).unwrap();
    for (name, said) in [
        ("", "is a folder"),
        ("missing", "does not exist"),
        ("missing/file", "does not exist"),
        ("utf16", "UTF-16"),
        ("nul", "NUL byte"),
        ("binary", "is not text in UTF-8"),
        ("large", "larger than 256 KiB"),
    ] {
        let shown = path(name).display().to_string();
        for arguments in [vec!["check", &shown], vec!["check", "--json", &shown]] {
            let run = forewarm(&arguments);
            assert_eq!((run.status, &*run.stdout), (2, ""), "{name}: {run:?}");
            assert!(run.stderr.starts_with(&format!("error: {shown}")) && run.stderr.contains(said), "{name}: {run:?}");
            assert!(run.stderr.contains("\n  try: "), "{name}: {run:?}");
            assert_eq!(run.stderr.matches("error").count(), 1, "{name}: {run:?}");
        }
    }
}

#[test]
fn an_empty_file_is_refused_as_such() {
    let run = check("# nothing yet\n");
    assert_eq!(run.status, 1);
    assert!(run.stdout.contains("standard input: is empty\n  try: `forewarm new FILE`"), "{}", run.stdout);
}

#[test]
fn bad_toml_is_told_with_its_place() {
    for (text, place) in [
        ("title = \n", "1:"),
        ("[charge]\ninhibit_c = 5,5\n", "2:"),
        ("[charge]\ninhibit_c = 5\ninhibit_c = 6\n", "3:1"),
        ("[charge\n", "1:"),
        ("time_c,bow_c\n1,2\n", "1:"),
    ] {
        let run = check(text);
        assert_eq!(run.status, 1, "{text}");
        assert!(run.stdout.starts_with(&format!("error: standard input:{place}")), "{text}: {}", run.stdout);
        assert!(run.stdout.contains("\n  try: "), "{text}: {}", run.stdout);
    }
}

#[test]
fn a_byte_order_mark_and_either_line_end_change_nothing() {
    let plain = check(&starter());
    assert_eq!(plain.status, 0);
    let windows = check(&format!("\u{FEFF}{}", starter().replace('\n', "\r\n")));
    assert_eq!((windows.status, windows.stdout), (0, plain.stdout));
    let run = check("\u{FEFF}titel = \"hut\"\r\n");
    assert!(run.stdout.starts_with("error: standard input:1:1: there is no setting titel"), "{}", run.stdout);
    let (text, line) = starter_with("power_w", "power_w = -1");
    let run = check(&format!("\u{FEFF}{}", text.replace('\n', "\r\n")));
    assert!(
        run.stdout.starts_with(&format!("error: standard input:{line}:11: heater.power_w is -1 W")),
        "{}",
        run.stdout
    );
}

#[test]
fn a_warning_is_told_and_is_no_failure() {
    for (from, to, said) in [
        ("release_c", "release_c = 6.5", "less than 2 K above"),
        ("inhibit_c", "inhibit_c = 4.9", "below 5 °C"),
        ("# high_limit_c", "high_limit_c = 56", "above 55 °C"),
        ("nominal_v", "nominal_v = 24", "outside the supply's own limits"),
        ("role = \"cell\"", "role = \"ambient\"", "one channel alone has the role cell"),
        ("wiring", "wiring = \"2-wire\"", "the lead resistance is not stated"),
        ("power_w", "power_w = 1500", "the heater takes at least 1211 W"),
        ("power_w", "power_w = 800", "and the heater takes 1099 W at supply_max_v, 15 V"),
        ("# ice_point_ohm", "ice_point_ohm = 101.5", "moves the ice point by more than 1 %"),
        ("spend", "spend = \"never\"\nreserve_pct = 50\nresume_pct = 60", "has no effect"),
        (
            "spend",
            "spend = \"always\"\nreserve_v = 8.3\nresume_v = 9",
            "bank.reserve_v is 8.3 V, far from heater.nominal_v",
        ),
        (
            "spend",
            "spend = \"always\"\nreserve_v = 13\nresume_v = 26",
            "bank.resume_v is 26 V, far from heater.nominal_v",
        ),
        ("reference_ohm", "reference_ohm = 199", "is 199 Ω for an element of 100 Ω at 0 °C"),
        ("reference_ohm", "reference_ohm = 1001", "is 1001 Ω for an element of 100 Ω at 0 °C"),
        ("budget_w", "budget_w = 0", "is 0 W: this source gives the heater nothing"),
        (
            "most_current_a",
            "most_current_a = 90",
            "source 1 (engine): most_current_a is 90 A, which the ceiling allows from 13.75 °C on, and the heater stops at 12 °C",
        ),
        ("most_current_a", "most_current_a = 101", "is 101 A, which the ceiling allows at no temperature"),
        (
            "most_current_a",
            "most_current_a = 90\nreduced_current_a = 20",
            "source 1 (engine): most_current_a is 90 A, which the ceiling allows from 13.75 °C on, and the heater stops at 12 °C",
        ),
        (
            "most_current_a",
            "most_current_a = 100\nreduced_current_a = 90",
            "source 1 (engine): reduced_current_a is 90 A, which the ceiling allows from 13.75 °C on",
        ),
    ] {
        let (text, _) = starter_with(from, to);
        let run = check(&without_site(&text));
        assert_eq!(run.status, 0, "{to}: {run:?}");
        assert!(run.stdout.contains("warning: standard input") && run.stdout.contains(said), "{to}: {}", run.stdout);
        assert!(run.stdout.contains("no errors, 1 warning\n"), "{to}: {}", run.stdout);
    }
}

#[test]
fn a_heater_without_a_plate_thermometer_is_warned_of_and_cannot_be_watched_cooling() {
    let (text, _) = starter_with("role = \"pad\"", "role = \"ambient\"");
    let run = check(&without_site(&text));
    assert_eq!(run.status, 1);
    assert!(run.stdout.contains("heater.cooling_min needs a channel with the role pad"), "{}", run.stdout);
    let unwatched: Vec<_> = text.lines().filter(|line| !line.starts_with("cooling_")).collect();
    let run = check(&without_site(&unwatched.join("\n")));
    assert_eq!(run.status, 0, "{run:?}");
    assert!(run.stdout.contains("no channel has the role pad"), "{}", run.stdout);
}

#[test]
fn a_reference_above_the_limit_told_is_accepted() {
    assert_eq!(check(&starter_with("reference_ohm", "reference_ohm = 35").0).status, 1);
    assert_eq!(check(&starter_with("reference_ohm", "reference_ohm = 36.001").0).status, 0);
}

#[test]
fn what_is_just_usual_is_no_warning() {
    for (from, to) in [
        ("spend", "spend = \"always\"\nreserve_v = 8.96\nresume_v = 16.64"),
        ("reference_ohm", "reference_ohm = 200"),
        ("reference_ohm", "reference_ohm = 1000"),
    ] {
        let run = check(&starter_with(from, to).0);
        assert!(run.stdout.contains("standard input: no problems\n"), "{to}: {}", run.stdout);
    }
}

#[test]
fn the_summary_shows_what_the_file_sets() {
    let (text, _) = starter_with("reference_ohm", "reference_ohm = 432.5\noffset_k = -0.25");
    let run = check(&text);
    assert_eq!(run.status, 0);
    for part in [
        "standard input: no problems\n",
        "refused with the coldest cell at or below                             5     °C\n",
        "ceiling with the coldest cell at 10 °C, 0.3 C, one battery gone      30     A\n",
        "supply, lowest                                          11.5   V\n",
        "engine  up to 300 W  priority 0  after 10 s  charges with up to 20 A\n",
        "cells_low   cell     Pt100               4-wire  reference 432.5 Ω  offset -0.25 K\n",
        "The battery maker's limits override every threshold here.\n",
    ] {
        assert!(run.stdout.contains(part), "{part} is not in\n{}", run.stdout);
    }
}

#[test]
fn the_summary_shows_where_the_leads_are() {
    let run = check(&starter_with("wiring", "wiring = \"2-wire\"\nlead_loop_ohm = 0.3\nlead_c = -7.5").0);
    assert_eq!(run.status, 0);
    assert!(run.stdout.contains("2-wire, lead_loop_ohm 0.3 Ω, used at -7.5 °C"), "{}", run.stdout);
}

#[test]
fn json_tells_the_same_as_the_text() {
    let parse = |run: &Run| serde_json::from_str::<Value>(&run.stdout).expect("JSON");
    let good = forewarm_fed(&["check", "-", "--json"], starter().as_bytes());
    assert_eq!((good.status, &*good.stderr), (0, ""));
    let fingerprint = on_the_board(&starter());
    assert_eq!(
        parse(&good),
        serde_json::json!({ "file": "standard input", "ok": true, "settings_fingerprint": fingerprint, "problems": [] })
    );
    let (text, line) = starter_with("release_c", "release_c = 4");
    let bad = forewarm_fed(&["check", "--json", "-"], text.as_bytes());
    assert_eq!((bad.status, &*bad.stderr), (1, ""));
    assert_eq!(
        parse(&bad),
        serde_json::json!({ "file": "standard input", "ok": false, "settings_fingerprint": null, "problems": [{
            "severity": "error",
            "line": line,
            "column": 13,
            "place": "charge.release_c",
            "message": "charge.release_c is 4 °C, not above charge.inhibit_c (5 °C)",
            "why": "between the two lies the hysteresis; without it the permit would chatter",
            "try": "release_c = 8",
        }] })
    );
}

#[test]
fn no_message_carries_an_escape_sequence_out_of_the_file() {
    let run = check("title = \"\\u001b[2Jhidden\"\n\"\\u001b[31mred\" = 1\n[charge]\ninhibit_c = \"\\u001b[0m\"\n");
    assert_eq!(run.status, 1);
    assert!(!run.stdout.contains('\u{1b}'), "{:?}", run.stdout);
    let run = check(&starter().replace("Untitled installation", "\\u001b[2Jhidden"));
    assert_eq!(run.status, 0);
    assert!(!run.stdout.contains('\u{1b}'), "{:?}", run.stdout);
}

/// The starter with walls of these layers and nothing else said of them.
fn in_layers(layers: &str) -> String {
    starter().replace("insulation = \"xps\"", layers).replace("\nthickness_mm = 50\n", "\n")
}

#[test]
fn a_box_may_be_of_several_layers_and_every_slip_in_one_is_told_with_its_place() {
    let plywood = "{ material = \"plywood\", thickness_mm = 12 }";
    let run =
        check(&in_layers(&format!("layers = [ {plywood}, {{ conductivity_w_per_m_k = 0.04, thickness_mm = 25 }} ]")));
    assert_eq!(run.status, 0, "{run:?}");
    assert!(!run.stdout.contains("warning"), "{run:?}");
    for (layers, said, remedy) in [
        ("layers = []", "box.layers has no layer", "layers = [ {"),
        ("layers = 5", "box.layers is 5, not a list", "layers = [ {"),
        ("layers = [ 12 ]", "entry 1 of box.layers is 12, not a table", "layers = [ {"),
        ("layers = [ { material = \"xps\" } ]", "entry 1 of box.layers: thickness_mm is missing", "thickness_mm"),
        ("layers = [ { thickness_mm = 25 } ]", "entry 1 of box.layers: material is missing", "material = one of xps"),
        (
            "layers = [ { material = \"oak\", thickness_mm = 25 } ]",
            "entry 1 of box.layers: material is the text \"oak\", which means nothing here",
            "\"xps\"",
        ),
        (
            "layers = [ { material = \"xps\", thickness_mm = 0 } ]",
            "entry 1 of box.layers: thickness_mm is 0 mm, outside 0.5 to 500 mm",
            "thickness_mm = ",
        ),
        (
            "layers = [ { material = \"xps\", thickness_mm = nan } ]",
            "entry 1 of box.layers: thickness_mm is nan, not a finite number",
            "0.5 to 500 mm",
        ),
        (
            "layers = [ { material = \"xps\", thickness_mm = 25, colour = 1 } ]",
            "entry 1 of box.layers has no setting colour",
            "thickness_mm",
        ),
        (
            "floor_layers = [ { material = \"xps\", thickness_mm = 25 } ]",
            "box.layers is missing",
            "floor_layers is the floor alone",
        ),
    ] {
        let run = check(&in_layers(layers));
        assert_eq!(run.status, 1, "{layers}: {run:?}");
        assert!(run.stdout.contains(said) && run.stdout.contains(remedy), "{layers}: {}", run.stdout);
        assert_eq!(run.stdout.matches("error: ").count(), 1, "{layers}: {}", run.stdout);
    }
}

#[test]
fn layers_do_not_go_with_one_material_and_each_contradiction_is_told_with_its_line() {
    let text = starter().replace(
        "insulation = \"xps\"",
        "insulation = \"xps\"\nlayers = [ { material = \"xps\", thickness_mm = 25 } ]",
    );
    let run = check(&text);
    assert_eq!(run.status, 1, "{run:?}");
    for name in ["insulation", "thickness_mm"] {
        let at = text.find("[box]").expect("the box");
        let line = text[..at].lines().count() + text[at..].lines().position(|line| line.starts_with(name)).unwrap() + 1;
        let said = format!("standard input:{line}:1: box.{name} does not go with layers");
        assert!(run.stdout.contains(&said), "no {said}: {}", run.stdout);
    }
}

fn json_of(command: &str, text: &str) -> Value {
    let run = forewarm_fed(&[command, "-", "--json"], text.as_bytes());
    serde_json::from_str(&run.stdout).unwrap_or_else(|error| panic!("{error}: {run:?}"))
}

/// As the board works it out: the record of the settings, hashed.
fn on_the_board(text: &str) -> String {
    let settings = Installation::parse("test", text).expect("no error").settings;
    let mut room = [0; record::MAX_BYTES];
    record::fingerprint(record::encode(&settings, &mut room).expect("a record")).to_string()
}

#[test]
fn check_and_plan_print_the_fingerprint_that_the_board_has() {
    let shown = on_the_board(&starter());
    assert_eq!(shown.len(), 39, "eight groups of four digits: {shown}");
    for command in ["check", "plan"] {
        let printed = forewarm_fed(&[command, "-"], starter().as_bytes()).stdout;
        assert_eq!(printed.matches(&shown).count(), 1, "{command}: {printed}");
        assert_eq!(json_of(command, &starter())["settings_fingerprint"], *shown, "{command}");
    }
}

#[test]
fn the_fingerprint_changes_with_what_the_controller_is_told_and_with_nothing_else() {
    let of = |text: &str| json_of("check", text)["settings_fingerprint"].as_str().expect("one").to_owned();
    let first = of(&starter());
    let other = starter().replacen("inhibit_c = 5", "inhibit_c = 5.001", 1);
    assert_ne!(of(&other), first);
    let renamed = starter().replacen("title = \"", "title = \"Another ", 1);
    assert_ne!(renamed, starter());
    assert_eq!(of(&renamed), first);
}

#[test]
fn a_file_that_is_refused_has_no_fingerprint() {
    let report = json_of("check", &starter().replacen("inhibit_c = 5", "inhibit_c = 50", 1));
    assert_eq!((&report["ok"], &report["settings_fingerprint"]), (&Value::Bool(false), &Value::Null));
}

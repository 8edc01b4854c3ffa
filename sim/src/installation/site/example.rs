//! What a first installation file says of the site: an invented pair of batteries in a box of foam, and made-up
//! weather.

use super::table::{Key, TEXTS};
use crate::installation::row::{Example, Line, capital};
use crate::materials::{INSULATIONS, Known, PLATES};

/// The sections that a file has once, with their subjects, in the order of a first file.
pub(in crate::installation) const SECTIONS: [(&str, &str); 12] = [
    (
        "battery",
        "The batteries: equal ones side by side, in parallel. From here on everything is for planning and rehearsing; without \
         any of these sections, a file can still be checked and logs replayed.",
    ),
    ("plate", "The spreader plate under them."),
    ("pad", "The heater pad under the plate. Its power is heater.power_w."),
    ("box", "The insulated box; plate and batteries stand in it."),
    ("site", "Where the box stands."),
    (
        "room",
        "The room that the box stands in: a cabin, an engine bay. Leave this out where outside air surrounds the box. No wind \
         reaches a box in a room. Planning counts on warmer_by_k, and never on the schedule: the box must hold when nobody is there.",
    ),
    ("converter", "What measures the thermometers."),
    ("load", "What else draws from the bank."),
    ("circuit", "The heater's circuit, from bank, bus bar or the one source that feeds it to the pad."),
    (
        LISTED,
        "A thermal cut-out in series with the pad, once for each. It does not depend on the controller, and opens where nothing else \
         can: the heater's relay has welded. One in the circuit of a relay's coil does not.",
    ),
    ("winter", "The winter to rehearse. Made up here; weather names a file in place of the seven settings after it."),
    (
        "tolerance",
        "How far the real thing may be from what is written here, either way. Rehearsals with many trials draw from it.",
    ),
];

/// The one section that a first file only offers. Written out, it would only say that there is a room.
pub(in crate::installation) const OFFERED: &str = "room";

/// The one that a file may have several times.
pub(in crate::installation) const LISTED: &str = "thermal_cutout";

/// Every line of a section, with words before numbers.
pub(in crate::installation) fn lines(section: &str) -> Vec<Line> {
    let texts = TEXTS.iter().filter(|text| text.section == section).map(|text| {
        let (set, value) = word(section, text.name);
        let materials = match (section, text.name) {
            ("plate", "material") => materials(PLATES),
            ("box", "insulation") => materials(INSULATIONS),
            _ => String::new(),
        };
        Line { comment: capital(text.meaning) + &materials, setting: format!("{} = \"{value}\"", text.name), set }
    });
    let numbers = Key::ALL.iter().filter(|key| key.fact().section == section).map(|&key| Line::of(key));
    let lists: &[(&str, &str)] = match section {
        "battery" => &[(
            "The battery maker's charge-current ceiling, for the cells themselves. charge.ceiling is used at what the coldest channel \
             reads, and so must lie higher by the guard band: plan judges it by this table, and prints the points that hold it",
            "maker_ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 } ]",
        )],
        "plate" => &[(
            "The joints of single batteries, as parts of the plate's contact: `forewarm identify` finds them in a log",
            "joints = [ { battery = 2, contact_pct = 40 } ]",
        )],
        "box" => &[
            (
                "In place of insulation and thickness_mm, walls and lid of several layers, from the outside inwards (a layer outside \
                 keeps its heat from the box); each of a material as above, or with conductivity_w_per_m_k, and thickness_mm",
                "layers = [ { material = \"plywood\", thickness_mm = 12 }, { material = \"xps\", thickness_mm = 25 } ]",
            ),
            (
                "Beside layers, the floor where it is built otherwise; without it, that of the walls",
                "floor_layers = [ { material = \"xps\", thickness_mm = 50 } ]",
            ),
        ],
        _ => &[],
    };
    let lists = lists.iter().map(|(comment, setting)| Line {
        comment: (*comment).to_owned(),
        setting: (*setting).to_owned(),
        set: false,
    });
    texts.chain(numbers).chain(lists).collect()
}

fn word(section: &str, name: &str) -> (bool, &'static str) {
    match (section, name) {
        ("battery", "cells") => (false, "standing"),
        ("plate", "material") => (false, "aluminium"),
        ("plate", "contact") => (false, "bare"),
        ("box", "insulation") => (true, "xps"),
        ("site", "stands_on") => (false, "air"),
        ("room", "schedule") => (false, "sat 10:00-22:00, sun 09:00-15:00"),
        ("channel", "at") => (false, "between"),
        ("channel", "class") => (false, "B"),
        ("source", "schedule") => (true, "mon-fri 07:30-08:30 17:00-17:45"),
        ("source", "log") => (false, "engine.csv"),
        ("bank", "measured") => (true, "voltage"),
        ("load", "schedule") => (false, "daily 18:00-22:00"),
        ("circuit", "fed_by") => (false, "mains"),
        (LISTED, "at") => (true, "plate"),
        (LISTED, "resets") => (true, "by_hand"),
        ("winter", "weather") => (false, "weather.csv"),
        ("winter", "from") => (false, "11-01"),
        _ => (false, ""),
    }
}

/// What a first file writes for a number.
pub(super) const fn example(key: Key) -> Example {
    use Example::{Default, Offered, Written};
    match key {
        Key::Count | Key::CableLength | Key::PilotCurrent => Written("2"),
        Key::BatteryLength => Written("330"),
        Key::BatteryWidth => Written("172"),
        Key::BatteryHeight => Written("215"),
        Key::BatteryMass => Written("11.5"),
        Key::CellMass => Offered("2.1"),
        Key::ConductivityUp | Key::Fuse => Offered("15"),
        Key::ConductivityAcross => Offered("0.8"),
        Key::PlateLength => Offered("330"),
        Key::PlateWidth => Offered("349"),
        Key::PadLength | Key::PadWidth => Written("320"),
        Key::BoxLength => Written("380"),
        Key::BoxWidth => Written("400"),
        Key::BoxHeight => Written("280"),
        Key::BoxConductivity => Offered("0.04"),
        Key::BoxThickness => Written("50"),
        Key::FloorThickness => Offered("50"),
        Key::DesignMin => Written("-20"),
        Key::Ground | Key::Start => Offered("5"),
        Key::RoomWarmer => Offered("6"),
        Key::RoomTemperature => Offered("18"),
        Key::PointAlong => Offered("165"),
        Key::PointAcross => Offered("0"),
        Key::PointUp => Offered("107.5"),
        Key::Calibrated | Key::ScheduledPower => Offered("30"),
        Key::SupplyPower => Offered("300"),
        Key::SunAtLeast => Offered("150"),
        Key::Rated => Offered("55"),
        Key::RatedVoltage => Offered("14"),
        Key::LoadPower => Written("15"),
        Key::CableArea => Offered("2.5"),
        Key::RelayCurrent | Key::RelayVoltage | Key::PilotVoltage | Key::CutoutVoltage => Written("30"),
        Key::CoilVoltage => Offered("12"),
        Key::Opens => Written("55"),
        Key::OpensWithin => Written("3"),
        Key::CutoutCurrent => Written("16"),
        Key::PilotCoil => Written("0.2"),
        Key::Mean => Written("-4"),
        Key::SpellMean => Written("-16"),
        Key::SpellFrom => Written("20"),
        Key::SpellDays => Written("10"),
        Key::Days => Written("60"),
        _ => Default,
    }
}

/// `: "copper" (copper), …`
fn materials(known: &[Known]) -> String {
    let words: Vec<String> = known.iter().map(|known| format!("\"{}\" ({})", known.name, known.meaning)).collect();
    format!(": {}", words.join(", "))
}

//! What a first installation file says of the site: an invented pair of batteries in a box of foam, and made-up weather.

use super::table::{Key, TABLE, TEXTS};
use crate::materials::{INSULATIONS, Known, PLATES};

/// A line that sets a number or a word, and whether the file has it; if not it is commented out.
pub(in crate::installation) struct Line {
    /// What it means, with range and default.
    pub(in crate::installation) comment: String,
    /// `name = value`
    pub(in crate::installation) setting: String,
    /// Whether it is set.
    pub(in crate::installation) set: bool,
}

/// The sections that a file has once, in the order of a first file, with what they are about.
pub(in crate::installation) const SECTIONS: [(&str, &str); 11] = [
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
    ("winter", "The winter to rehearse. Made up here; weather names a file in place of the seven settings after it."),
    (
        "tolerance",
        "How far the real thing may be from what is written here, either way. Rehearsals with many trials draw from it.",
    ),
];

/// The one of them that a first file only offers: it would have no effect, but to say that there is one.
pub(in crate::installation) const OFFERED: &str = "room";

/// A plausible value of a number that has no default.
pub(super) fn plausible(key: Key) -> Option<f64> {
    EXAMPLES.iter().find(|(known, ..)| *known == key).map(|&(_, _, value)| value)
}

/// Every line of a section, words first.
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
    let numbers = TABLE.iter().filter(|fact| fact.section == section).map(|fact| {
        let default = fact.default.map(|default| format!(", default {default}")).unwrap_or_default();
        let source = if fact.source.is_empty() { String::new() } else { format!("; {}", fact.source) };
        let example = EXAMPLES.iter().find(|(key, ..)| (key.fact().section, key.fact().name) == (section, fact.name));
        let (set, value) = match example {
            Some(&(_, set, value)) => (set, value),
            None => (false, fact.default.unwrap_or(fact.minimum)),
        };
        Line {
            comment: format!("{} ({}{default}{source})", capital(fact.meaning), fact.range()),
            setting: format!("{} = {value}", fact.name),
            set,
        }
    });
    let lists: &[(&str, &str)] = match section {
        "battery" => &[(
            "The battery maker's charge-current ceiling, for the cells themselves. charge.ceiling is used at what the coldest channel \
             reads, and so must lie higher by the guard band: plan judges it by this table, and prints the points that hold it",
            "maker_ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 } ]",
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
        ("winter", "weather") => (false, "weather.csv"),
        ("winter", "from") => (false, "11-01"),
        _ => (false, ""),
    }
}

/// Numbers that are set (`true`), or offered with another value than their default.
const EXAMPLES: &[(Key, bool, f64)] = &[
    (Key::Count, true, 2.0),
    (Key::BatteryLength, true, 330.0),
    (Key::BatteryWidth, true, 172.0),
    (Key::BatteryHeight, true, 215.0),
    (Key::BatteryMass, true, 11.5),
    (Key::CellMass, false, 2.1),
    (Key::ConductivityUp, false, 15.0),
    (Key::ConductivityAcross, false, 0.8),
    (Key::PlateLength, false, 330.0),
    (Key::PlateWidth, false, 349.0),
    (Key::PadLength, true, 320.0),
    (Key::PadWidth, true, 320.0),
    (Key::BoxLength, true, 380.0),
    (Key::BoxWidth, true, 400.0),
    (Key::BoxHeight, true, 280.0),
    (Key::BoxConductivity, false, 0.04),
    (Key::BoxThickness, true, 50.0),
    (Key::FloorThickness, false, 50.0),
    (Key::DesignMin, true, -20.0),
    (Key::Ground, false, 5.0),
    (Key::RoomWarmer, false, 6.0),
    (Key::RoomTemperature, false, 18.0),
    (Key::PointAlong, false, 165.0),
    (Key::PointAcross, false, 0.0),
    (Key::PointUp, false, 107.5),
    (Key::Calibrated, false, 30.0),
    (Key::SupplyPower, false, 300.0),
    (Key::SunAtLeast, false, 150.0),
    (Key::Rated, false, 55.0),
    (Key::RatedVoltage, false, 14.0),
    (Key::LoadPower, true, 15.0),
    (Key::ScheduledPower, false, 30.0),
    (Key::CableLength, true, 2.0),
    (Key::CableArea, false, 2.5),
    (Key::Fuse, false, 15.0),
    (Key::RelayCurrent, true, 30.0),
    (Key::RelayVoltage, true, 30.0),
    (Key::CoilVoltage, false, 12.0),
    (Key::PilotCurrent, true, 2.0),
    (Key::PilotVoltage, true, 30.0),
    (Key::PilotCoil, true, 0.2),
    (Key::Mean, true, -4.0),
    (Key::SpellMean, true, -16.0),
    (Key::SpellFrom, true, 20.0),
    (Key::SpellDays, true, 10.0),
    (Key::Days, true, 60.0),
    (Key::Start, false, 5.0),
];

/// `: "copper" (copper), …`
fn materials(known: &[Known]) -> String {
    let words: Vec<String> = known.iter().map(|known| format!("\"{}\" ({})", known.name, known.meaning)).collect();
    format!(": {}", words.join(", "))
}

fn capital(meaning: &str) -> String {
    let mut letters = meaning.chars();
    letters.next().map(|first| first.to_ascii_uppercase()).into_iter().chain(letters).collect()
}

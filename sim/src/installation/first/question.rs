//! The questions about an installation, in one table. Asking, the answers of a command line and the help come from it.

use super::bank;
use super::housing;
use super::kind::{Kind, Range};
use super::sheet::{Sheet, number};
use super::sources::Source::{Engine, Mains, Sun};

/// One question.
#[derive(Debug)]
pub struct Question {
    /// The name of its answer. Ends in the unit.
    pub key: &'static str,
    /// The question, for a person.
    pub asks: &'static str,
    /// What can be answered, and what the answer changes.
    pub(super) kind: Kind,
    /// The answer that the file has now; `None` where it has none of this form.
    pub(super) now: fn(&Sheet) -> Option<String>,
    /// Whether the file as it is now makes it worth asking.
    pub(super) is_open: fn(&Sheet) -> bool,
}

impl Question {
    const fn new(key: &'static str, asks: &'static str, kind: Kind, now: fn(&Sheet) -> Option<String>) -> Self {
        Self { key, asks, kind, now, is_open: |_| true }
    }

    /// Asked only where `is_open` says so.
    const fn only(self, is_open: fn(&Sheet) -> bool) -> Self {
        Self { is_open, ..self }
    }

    /// The words that can be answered, where nothing else can.
    #[must_use]
    pub fn words(&self) -> Vec<&'static str> {
        match &self.kind {
            Kind::Word { words, .. } => words(),
            _ => Vec::new(),
        }
    }

    /// What can be answered, in words.
    #[must_use]
    pub fn choice(&self) -> String {
        self.kind.choice()
    }
}

const fn range(unit: &'static str, least: f64, most: f64) -> Range {
    Range { unit, least, most, is_whole: false }
}

/// What a file has for `section.key`.
fn written(sheet: &Sheet, section: &str, key: &str) -> Option<String> {
    sheet.number_of(section, key).map(number)
}

/// The same for several, with an x between them.
fn written_measures<const COUNT: usize>(sheet: &Sheet, section: &str, keys: [&str; COUNT]) -> String {
    keys.map(|key| written(sheet, section, key).unwrap_or_default()).join("x")
}

/// A power, or that there is none.
fn or_none(power_w: Option<f64>) -> String {
    power_w.map_or_else(|| "none".to_owned(), number)
}

/// Every question, in the order in which they are asked. Ranges are common practice, no source.
#[rustfmt::skip]
pub const QUESTIONS: &[Question] = &[
    Question::new("title", "What is it called?",
        Kind::Text(|sheet, title| sheet.put("", "title", title)),
        |sheet| sheet.word_of("", "title").map(str::to_owned)),
    Question::new("stands", "Where does the box stand? In the open, in a shed or hut without heat, in a boat afloat, in a van, on frozen ground?",
        Kind::Word { words: || housing::STANDS.iter().map(|stand| stand.name).collect(), set: housing::set_stand },
        |sheet| housing::stand(sheet).map(str::to_owned)),
    Question::new("coldest_c", "How cold does it get there outside?",
        Kind::Number { range: range("°C", -40.0, 10.0), set: housing::set_coldest },
        |sheet| written(sheet, "site", "design_min_c")),
    Question::new("wind_m_s", "How strong is the wind then, before any shelter?",
        Kind::Number { range: range("m/s", 0.0, 60.0), set: |sheet, wind| sheet.put_number("site", "design_wind_m_s", wind) },
        |sheet| written(sheet, "site", "design_wind_m_s")).only(housing::is_in_the_wind),
    Question::new("system_v", "Which voltage does the bank have?",
        Kind::Word { words: || vec!["12", "24", "48"], set: bank::set_system_v },
        |sheet| Some(number(bank::system_v(sheet)))),
    Question::new("batteries", "How many equal batteries stand side by side, in parallel?",
        Kind::Number { range: Range { is_whole: true, ..range("", 1.0, 8.0) }, set: bank::set_count },
        |sheet| Some(number(bank::count(sheet)))),
    Question::new("battery_ah", "How much charge does each of them hold?",
        Kind::Number { range: range("Ah", 5.0, 1000.0), set: bank::set_each_ah },
        |sheet| Some(number(bank::each_ah(sheet)))),
    Question::new("battery_mm", "How large is each: length x width x height? They stand in a row across their width.",
        Kind::Measures { count: 3, range: range("mm", 60.0, 800.0), words: &bank::CASES, set: bank::set_case },
        |sheet| Some(written_measures(sheet, "battery", ["length_mm", "width_mm", "height_mm"]))),
    Question::new("battery_kg", "What is the mass of each?",
        Kind::Number { range: range("kg", 0.5, 300.0), set: bank::set_mass },
        |sheet| written(sheet, "battery", "mass_kg")),
    Question::new("box_mm", "How large is the box inside: length x width x height?",
        Kind::Measures { count: 3, range: range("mm", 60.0, 3000.0), words: &[], set: housing::set_box },
        |sheet| Some(written_measures(sheet, "box", ["length_mm", "width_mm", "height_mm"]))),
    Question::new("insulation", "What insulates it? plywood is a box without insulation.",
        Kind::Word { words: || crate::materials::INSULATIONS.iter().map(|known| known.name).collect(), set: housing::set_insulation },
        |sheet| sheet.word_of("box", "insulation").map(str::to_owned)),
    Question::new("insulation_mm", "How thick is that all round?",
        Kind::Number { range: range("mm", 3.0, 300.0), set: housing::set_thickness },
        |sheet| written(sheet, "box", "thickness_mm")).only(|sheet| sheet.word_of("box", "insulation").is_some()),
    Question::new("heater_w", "How much power does the heater have, at its nominal voltage?",
        Kind::Number { range: range("W", 5.0, 5000.0), set: housing::set_heater_power },
        |sheet| written(sheet, "heater", "power_w")),
    Question::new("pad_mm", "How large is its pad under the batteries: length x width?",
        Kind::Measures { count: 2, range: range("mm", 30.0, 3000.0), words: &[], set: housing::set_pad },
        |sheet| Some(written_measures(sheet, "pad", ["length_mm", "width_mm"]))),
    Question::new("sensor_cable_m", "How long are the cables of the thermometers, one way?",
        Kind::Number { range: range("m", 0.2, 100.0), set: housing::set_sensor_cable },
        |sheet| housing::sensor_cable_m(sheet).map(number)),
    Question::new("engine_w", "How much power can an engine's alternator give to heater and charge?",
        Kind::Offered { range: range("W", 10.0, 20_000.0), set: |sheet, power_w| Engine.set_power(sheet, power_w) },
        |sheet| Some(or_none(Engine.power_w(sheet)))),
    Question::new("engine_a", "With how much current does it charge at most?",
        Kind::Number { range: range("A", 0.0, 2000.0), set: |sheet, current_a| Engine.set_current(sheet, current_a) },
        |sheet| Engine.current_a(sheet).map(number)).only(|sheet| Engine.is_there(sheet)),
    Question::new("engine_when", "When does it run?",
        Kind::Schedule(|sheet, schedule| Engine.set_schedule(sheet, schedule)),
        |sheet| Engine.schedule(sheet).map(str::to_owned)).only(|sheet| Engine.has_schedule(sheet)),
    Question::new("mains_w", "How much power can mains give to heater and charge?",
        Kind::Offered { range: range("W", 10.0, 20_000.0), set: |sheet, power_w| Mains.set_power(sheet, power_w) },
        |sheet| Some(or_none(Mains.power_w(sheet)))),
    Question::new("mains_a", "With how much current does its charger charge at most?",
        Kind::Number { range: range("A", 0.0, 2000.0), set: |sheet, current_a| Mains.set_current(sheet, current_a) },
        |sheet| Mains.current_a(sheet).map(number)).only(|sheet| Mains.is_there(sheet)),
    Question::new("mains_when", "When is it there?",
        Kind::Schedule(|sheet, schedule| Mains.set_schedule(sheet, schedule)),
        |sheet| Mains.schedule(sheet).map(str::to_owned)).only(|sheet| Mains.has_schedule(sheet)),
    Question::new("sun_w", "How much power have the solar panels, in full sun?",
        Kind::Offered { range: range("W", 10.0, 20_000.0), set: |sheet, power_w| Sun.set_power(sheet, power_w) },
        |sheet| Some(or_none(Sun.power_w(sheet)))),
    Question::new("sun_a", "With how much current does their charger charge at most?",
        Kind::Number { range: range("A", 0.0, 2000.0), set: |sheet, current_a| Sun.set_current(sheet, current_a) },
        |sheet| Sun.current_a(sheet).map(number)).only(|sheet| Sun.is_there(sheet)),
];

//! A row of a table. Settings, which the controller gets, and numbers that only planning needs have one shape.

use crate::decimal::Decimal;
use forewarm_core::settings::{Fact, Key, Thousandths};

/// Names a row.
pub(super) trait Row: Copy {
    /// Whether it is held in whole thousandths of its unit. Nothing finer can then be written.
    const IN_THOUSANDTHS: bool;

    /// Section, name, unit, range, default.
    fn fact(self) -> &'static Fact;

    /// What it is, for a person.
    fn meaning(self) -> &'static str;

    /// Where its default comes from; empty for common practice, no source.
    fn source(self) -> &'static str;

    /// What a first file writes for it.
    fn example(self) -> Example;

    /// For a number above its range: why that is wrong and what to do, if there is more to say.
    fn beyond(self) -> Option<(&'static str, &'static str)> {
        None
    }
}

/// What a first file writes for a row.
pub(super) enum Example {
    /// This value, for the fitter to change.
    Written(&'static str),
    /// This value, commented out. It may be left out, and it has no default.
    Offered(&'static str),
    /// Its default, commented out.
    Default,
}

/// A line that sets a number or a word. It is commented out if the file does not set it.
pub(super) struct Line {
    /// What it means, with range and default.
    pub(super) comment: String,
    /// `name = value`
    pub(super) setting: String,
    /// Whether it is set.
    pub(super) set: bool,
}

impl Line {
    /// The line of a row in a first file.
    pub(super) fn of(row: impl Row) -> Self {
        let fact = row.fact();
        let (set, value) = match row.example() {
            Example::Written(value) => (true, value.to_owned()),
            Example::Offered(value) => (false, value.to_owned()),
            Example::Default => (false, Thousandths(fact.default.unwrap_or(fact.minimum)).to_string()),
        };
        Self { comment: capital(row.meaning()) + &bounds(row), setting: format!("{} = {value}", fact.name), set }
    }
}

/// ` (0.5 to 500 mm, default 2; from memory)`
pub(super) fn bounds(row: impl Row) -> String {
    let fact = row.fact();
    let default = fact.default.map(|default| format!(", default {}", Thousandths(default))).unwrap_or_default();
    let source = if row.source().is_empty() { String::new() } else { format!("; {}", row.source()) };
    format!(" ({}{default}{source})", range(fact))
}

/// `0.5 to 500 mm`
pub(super) fn range(fact: &Fact) -> String {
    let space = if fact.unit.is_empty() { "" } else { " " };
    format!("{} to {}{space}{}", Thousandths(fact.minimum), Thousandths(fact.maximum), fact.unit)
}

/// A value of a table as a binary fraction.
#[expect(clippy::cast_precision_loss, reason = "thousandths far below 2^53")]
pub(super) const fn real(thousandths: i64) -> f64 {
    thousandths as f64 / 1000.0
}

/// A plausible value of a row that has no default, in thousandths of its unit.
pub(super) fn plausible(row: impl Row) -> Option<i64> {
    match row.example() {
        Example::Written(value) | Example::Offered(value) => value.parse::<Decimal>().ok()?.parts(3).ok(),
        Example::Default => None,
    }
}

/// What to write where a row is missing: a line to paste, and what it means.
pub(super) fn wanted(row: impl Row) -> String {
    format!("{} ({}, {})", Line::of(row).setting, row.meaning(), range(row.fact()))
}

/// What to do where `given` is there and the row that goes with it is missing.
pub(super) fn wanted_beside(row: impl Row, given: impl Row) -> String {
    format!("{} ({}); or leave out {}", Line::of(row).setting, row.meaning(), given.fact().name)
}

pub(super) fn capital(meaning: &str) -> String {
    let mut letters = meaning.chars();
    letters.next().map(|first| first.to_ascii_uppercase()).into_iter().chain(letters).collect()
}

impl Row for Key {
    const IN_THOUSANDTHS: bool = true;

    fn fact(self) -> &'static Fact {
        Self::fact(self)
    }

    fn meaning(self) -> &'static str {
        Self::meaning(self)
    }

    fn source(self) -> &'static str {
        ""
    }

    fn beyond(self) -> Option<(&'static str, &'static str)> {
        // IEC 61140, limits of extra-low voltage, from memory.
        matches!(self, Self::HeaterNominal | Self::SupplyMin | Self::SupplyMax).then_some((
            "above 50 V alternating or 120 V direct current it is no extra-low voltage: a mains heater, its conductor, fuse, contact, \
             insulation and residual current device are licensed work and are not sized here",
            "a pad for the bank's own voltage (12.8 V with 4 cells); a mains heater is for someone licensed for it",
        ))
    }

    fn example(self) -> Example {
        use Example::{Default, Offered, Written};
        match self {
            Self::Inhibit => Written("5"),
            Self::Release => Written("8"),
            Self::Capacity => Written("200"),
            Self::HeaterPower => Written("120"),
            Self::HeaterNominal => Written("12.8"),
            Self::SupplyMin => Written("11.5"),
            Self::SupplyMax => Written("15"),
            Self::Budget => Written("300"),
            Self::MostCurrent => Written("20"),
            Self::ReducedCurrent => Offered("10"),
            Self::Reference => Written("400"),
            Self::Batteries => Offered("2"),
            // Where no contact is watched, only these find a dead or welded heater, or a plate thermometer that fell
            // off.
            Self::ProofEnergy | Self::CoolingAfter => Written("60"),
            Self::ProofRise => Written("1"),
            Self::ProofPadRise => Written("7"),
            Self::CoolingExcess => Written("10"),
            Self::ReserveResume => Offered("60"),
            Self::ReserveFloor => Offered("50"),
            Self::ReserveFloorVoltage => Offered("12.8"),
            Self::ReserveResumeVoltage => Offered("13.2"),
            Self::LeadLoop => Offered("0.39"),
            Self::LeadLeast => Offered("0.1"),
            Self::LeadMost => Offered("0.4"),
            Self::CheckOhm => Written("100"),
            Self::CheckWithin => Written("0.3"),
            _ => Default,
        }
    }
}

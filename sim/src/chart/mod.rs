//! Pictures of a season: a page to look into with a pointer or a finger, and a drawing that stands alone.

use jiff::civil::DateTime;

/// What one rehearsal has to show.
#[derive(Clone, Debug)]
pub struct Season {
    /// What it is called.
    pub title: String,
    /// Date and time of second 0, local standard time.
    pub start: DateTime,
    /// Its length (s).
    pub span_s: i64,
    /// Temperatures.
    pub lines: Vec<Line>,
    /// Thresholds of charge and heater.
    pub levels: Vec<Level>,
    /// Outputs, and whatever else is on or off.
    pub bands: Vec<Band>,
    /// Heater energy.
    pub energy: DailyEnergy,
}

/// A temperature over time.
#[derive(Clone, Debug)]
pub struct Line {
    /// What it is called.
    pub name: String,
    /// What it is, which decides how it is drawn.
    pub kind: LineKind,
    /// Width of a bin (s).
    pub bin_s: i64,
    /// Lowest and highest in each bin (°C), from second 0 on.
    pub ranges: Vec<(f32, f32)>,
}

/// What a temperature is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineKind {
    /// What the controller reads of a cell channel.
    CellReading,
    /// The truth: the coldest layer of any battery.
    ColdestCell,
    /// What the controller reads of the plate, or the plate itself.
    Plate,
    /// Outside air.
    Outside,
}

/// A threshold.
#[derive(Clone, Debug)]
pub struct Level {
    /// What it is called.
    pub name: String,
    /// Where it lies (°C).
    pub at_c: f64,
}

/// Something that is on or off.
#[derive(Clone, Debug)]
pub struct Band {
    /// What it is called.
    pub name: String,
    /// From when to when it is on (s), in order.
    pub on: Vec<(i64, i64)>,
}

/// Energy by source, day by day.
#[derive(Clone, Debug, Default)]
pub struct DailyEnergy {
    /// What the sources are called; the bank last.
    pub sources: Vec<String>,
    /// For each day, what each of them gave (Wh).
    pub days: Vec<Vec<f64>>,
}

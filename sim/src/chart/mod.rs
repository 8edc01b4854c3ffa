//! Pictures: of a season, and of how warm a bank is.
//!
//! Of a season: a page to look into with a pointer, a finger or the keyboard, and a drawing that stands alone.
//!
//! Temperatures with the thresholds, beneath them what was on, the state of charge, and heater energy and charge by
//! day, all on one time axis. What must not be lost however far away one stands is kept: the lowest and the highest
//! temperature, and the share of the time that something was on.
//!
//! The page carries the drawing too: for print, and for whoever runs no scripts.
//!
//! | module | holds |
//! |---|---|
//! | `axis` | where ticks go and what they say |
//! | `contour` | lines of one value through a field |
//! | `draw` | the drawing |
//! | `labels` | where labels go so that none lies on another |
//! | `page` | the page: its text and its data; `page.js` draws and listens, `page.css` lays out |
//! | `section` | the drawing of how warm a bank is |
//! | `style` | colours and dashes |
//! | `svg` | what drawings are put together from |

pub(crate) mod axis;
mod contour;
mod draw;
mod labels;
mod page;
mod section;
pub(crate) mod style;
pub(crate) mod svg;
#[cfg(test)]
mod tests;

pub use draw::drawing;
pub use page::{Summary, Table, TableRow, page};
pub use section::{Thermometer, Warmth, section};

use crate::season::Clock;

/// What one season has to show.
#[derive(Clone, Debug)]
pub struct Season {
    /// What it is called.
    pub title: String,
    /// What it is called beside another: the file it comes from.
    pub label: String,
    /// Which moment second 0 is.
    pub clock: Clock,
    /// Its length (s).
    pub span_s: i64,
    /// Temperatures.
    pub lines: Vec<Line>,
    /// Thresholds of charge and heater.
    pub levels: Vec<Level>,
    /// Outputs, and whatever else is on or off.
    pub bands: Vec<Band>,
    /// State of charge (%), where it is known.
    pub charge: Option<Line>,
    /// What adds up day by day: heater energy, charge.
    pub amounts: Vec<Amount>,
    /// Stretches of which nothing is known, from and to (s), in order.
    pub pauses: Vec<(i64, i64)>,
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
    /// Lowest and highest in each bin (°C), from second 0 on; not a number where there is none. Shown to 0.01 K.
    pub ranges: Vec<(f32, f32)>,
    /// The same of what was measured and not believed.
    pub doubtful: Vec<(f32, f32)>,
}

/// The range of a bin in which there is nothing.
pub(crate) const NO_RANGE: (f32, f32) = (f32::INFINITY, f32::NEG_INFINITY);

/// What a temperature is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineKind {
    /// What the controller reads of a cell channel.
    CellReading,
    /// The truth: the coldest place of any battery.
    ColdestCell,
    /// What the controller reads of the plate, or the plate itself.
    Plate,
    /// Outside air, or that of a room.
    Outside,
    /// The coldest place of any battery, from the coldest of many trials to the warmest.
    Trials,
    /// The state of charge (%).
    Charge,
}

/// A threshold.
#[derive(Clone, Debug)]
pub struct Level {
    /// What it is called.
    pub name: String,
    /// What it does, which decides whether it is always shown.
    pub kind: LevelKind,
    /// Where it lies (°C).
    pub at_c: f64,
}

/// What a threshold does. Between the two of a pair lies a hysteresis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LevelKind {
    /// Charge is inhibited at or below. Always shown, like its release.
    Inhibit,
    /// Charge is released above.
    Release,
    /// Charge is released again below.
    HighRelease,
    /// Charge is inhibited at or above.
    HighLimit,
    /// Anything else, such as the heater's cut-out or the hard limit of the cells.
    Other,
}

/// Something that is on or off.
#[derive(Clone, Debug)]
pub struct Band {
    /// What it is called.
    pub name: String,
    /// What it is, which decides its colour.
    pub kind: BandKind,
    /// When it is on, in order and without overlap.
    pub on: Vec<Stretch>,
    /// What it can be on for; nothing where it has no causes.
    pub causes: Vec<String>,
}

/// A time in which something is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// When it begins (s).
    pub from: i64,
    /// When it ends (s).
    pub to: i64,
    /// For how long it is on in between (s): all the time, unless there are too many stretches to keep each.
    pub on: i64,
    /// Which of the causes it is on for.
    pub cause: usize,
}

impl Stretch {
    /// A time in which something without causes is on.
    #[must_use]
    pub const fn new(from: i64, to: i64) -> Self {
        Self { from, to, on: to - from, cause: 0 }
    }
}

/// What is on or off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BandKind {
    /// Charge is permitted.
    Charge,
    /// Charge is refused.
    Refused,
    /// The heater is on.
    Heater,
    /// An energy source is present. It has the colour of its energy.
    Source,
    /// What somebody else's controller did.
    Logged,
    /// Something is wrong.
    Alarm,
}

/// Something that adds up.
#[derive(Clone, Debug)]
pub struct Amount {
    /// What it is called.
    pub what: String,
    /// What it is called as it flows.
    pub flow: String,
    /// The band that it flows in.
    pub band: usize,
    /// What it is measured in.
    pub measure: Measure,
    /// Width of a bin (s).
    pub bin_s: i64,
    /// What it is made up of, from the bottom of a bar up.
    pub series: Vec<Series>,
}

/// What an amount is measured in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub enum Measure {
    /// Energy (Wh).
    #[serde(rename = "Wh")]
    WattHours,
    /// Charge (Ah).
    #[serde(rename = "Ah")]
    AmpereHours,
}

/// Part of an amount.
#[derive(Clone, Debug)]
pub struct Series {
    /// What it is called.
    pub name: String,
    /// What it is, which decides its colour.
    pub kind: SeriesKind,
    /// How much of it in each bin, from second 0 on.
    pub bins: Vec<f32>,
    /// How much of it in each 24 h from second 0 on.
    pub days: Vec<f64>,
}

/// What a part of an amount is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeriesKind {
    /// What a source gave. A source has the same colour wherever it is drawn.
    Source,
    /// What the bank gave.
    Bank,
    /// What the bank took up.
    Charged,
}

/// Length of a day (s).
pub(crate) const DAY_S: i64 = 86_400;

/// How long after the start of a common time axis each season starts (s), and the length of that axis (s).
///
/// By date, where each season has dates and shares some day with the first; else each from its own start on.
fn aligned(seasons: &[Season]) -> (Vec<i64>, i64) {
    let starts: Option<Vec<_>> = seasons.iter().map(|season| season.clock.start).collect();
    let starts = starts.unwrap_or_default();
    let earliest = starts.iter().min().copied();
    let mut offsets: Vec<i64> =
        starts.iter().map(|start| earliest.map_or(0, |earliest| start.duration_since(earliest).as_secs())).collect();
    offsets.resize(seasons.len(), 0);
    let ends = |offsets: &[i64]| -> Vec<i64> {
        offsets.iter().zip(seasons).map(|(offset, season)| offset + season.span_s.max(1)).collect()
    };
    let first_end = ends(&offsets).into_iter().min().unwrap_or(1);
    if offsets.iter().any(|offset| *offset >= first_end) {
        offsets.fill(0);
    }
    let length = ends(&offsets).into_iter().max().unwrap_or(1);
    (offsets, length)
}

/// Pictures that are compared have one colour for each source, by its name: those of the names in their order, whatever
/// that is in the files.
fn source_names(seasons: &[Season]) -> Vec<&str> {
    let series = seasons.iter().flat_map(|season| &season.amounts).flat_map(|amount| &amount.series);
    let given = series.filter(|series| series.kind == SeriesKind::Source).map(|series| series.name.as_str());
    let bands = seasons.iter().flat_map(|season| &season.bands).filter(|band| band.kind == BandKind::Source);
    let mut names: Vec<&str> = given.chain(bands.map(|band| band.name.as_str())).collect();
    names.sort_unstable();
    names.dedup();
    names
}

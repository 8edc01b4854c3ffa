//! Pictures of a season and of a bank's warmth.
//!
//! A season has a page to explore with a pointer, a finger or the keyboard, and a drawing that needs nothing else.
//!
//! Both have one time axis. They show temperatures with the thresholds, and below these the outputs, the state of
//! charge, and heater energy and charge by day. Some facts stay visible from any distance: the lowest and the highest
//! temperature, and the share of the time that something was on.
//!
//! The page also holds the drawing: for print, and for readers without scripts.
//!
//! | module | holds |
//! |---|---|
//! | `axis` | places and labels of ticks |
//! | `contour` | lines of one value through a field |
//! | `draw` | the drawing |
//! | `labels` | where labels go without overlap |
//! | `page` | the page: its text and its data; `page.js` draws and listens, `page.css` lays out |
//! | `section` | the drawing of how warm a bank is |
//! | `style` | colours and dashes |
//! | `svg` | the parts of drawings |

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
pub(crate) use page::sheet;
pub use page::{Parts, Summary, Table, TableRow, page, parts};
pub use section::{Thermometer, Warmth, section};

use crate::season::Clock;

/// What the pictures of one season show.
#[derive(Clone, Debug)]
pub struct Season {
    /// Name of the season.
    pub title: String,
    /// Its name beside another season: the file that it comes from.
    pub label: String,
    /// The moment of second 0.
    pub clock: Clock,
    /// Its length (s).
    pub span_s: i64,
    /// Temperatures.
    pub lines: Vec<Line>,
    /// Thresholds of charge and heater.
    pub levels: Vec<Level>,
    /// Everything that is on or off, outputs included.
    pub bands: Vec<Band>,
    /// State of charge (%), where it is known.
    pub charge: Option<Line>,
    /// What adds up day by day: heater energy, charge.
    pub amounts: Vec<Amount>,
    /// Stretches without any data, from and to (s), in order.
    pub pauses: Vec<(i64, i64)>,
}

/// A temperature over time.
#[derive(Clone, Debug)]
pub struct Line {
    /// Name of the temperature.
    pub name: String,
    /// Its kind, which decides how it is drawn.
    pub kind: LineKind,
    /// Width of a bin (s).
    pub bin_s: i64,
    /// Lowest and highest value in each bin (°C), from second 0 on; not a number if the bin is empty. Shown to 0.01 K.
    pub ranges: Vec<(f32, f32)>,
    /// The same for values that were measured and not believed.
    pub doubtful: Vec<(f32, f32)>,
}

/// The range of an empty bin.
pub(crate) const NO_RANGE: (f32, f32) = (f32::INFINITY, f32::NEG_INFINITY);

/// What a temperature belongs to.
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
    /// Name of the threshold.
    pub name: String,
    /// Its effect, which decides whether it is always shown.
    pub kind: LevelKind,
    /// Its temperature (°C).
    pub at_c: f64,
}

/// The effect of a threshold. A hysteresis is between the two of a pair.
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
    /// Name of the band.
    pub name: String,
    /// Its kind, which decides its colour.
    pub kind: BandKind,
    /// When it is on, in order and without overlap.
    pub on: Vec<Stretch>,
    /// The possible causes; empty if the band has none.
    pub causes: Vec<String>,
}

/// A time in which something is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// When it begins (s).
    pub from: i64,
    /// When it ends (s).
    pub to: i64,
    /// How long it is on within the stretch (s): all the time, unless there are too many stretches to keep each.
    pub on: i64,
    /// Index of the cause.
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
    /// An energy source is present. The band has the colour of the source.
    Source,
    /// What somebody else's controller did.
    Logged,
    /// Something is wrong.
    Alarm,
}

/// Something that adds up.
#[derive(Clone, Debug)]
pub struct Amount {
    /// Name of the amount.
    pub what: String,
    /// Its name while it flows.
    pub flow: String,
    /// The band during which it flows.
    pub band: usize,
    /// Its measure.
    pub measure: Measure,
    /// Width of a bin (s).
    pub bin_s: i64,
    /// Its parts, from the bottom of a bar up.
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
    /// Name of the part.
    pub name: String,
    /// Its kind, which decides its colour.
    pub kind: SeriesKind,
    /// The amount in each bin, from second 0 on.
    pub bins: Vec<f32>,
    /// The amount in each 24 h from second 0 on.
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

/// The start of each season after the start of a common time axis (s), and the length of that axis (s).
///
/// Seasons go by date if each has dates and shares some day with the first. Otherwise each counts from its own start.
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

/// The names of the sources in their order, whatever their order in the files. So pictures that are compared give each
/// source one colour, by its name.
fn source_names(seasons: &[Season]) -> Vec<&str> {
    let series = seasons.iter().flat_map(|season| &season.amounts).flat_map(|amount| &amount.series);
    let given = series.filter(|series| series.kind == SeriesKind::Source).map(|series| series.name.as_str());
    let bands = seasons.iter().flat_map(|season| &season.bands).filter(|band| band.kind == BandKind::Source);
    let mut names: Vec<&str> = given.chain(bands.map(|band| band.name.as_str())).collect();
    names.sort_unstable();
    names.dedup();
    names
}

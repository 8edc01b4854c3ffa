//! Pictures: of a season, and of how warm a bank is.
//!
//! Of a season: a page to look into with a pointer, a finger or the keyboard, and a drawing that stands alone.
//!
//! Temperatures with the thresholds, beneath them what was on, beneath that the heater's energy, all on one time axis. What must not
//! be lost however far away one stands is kept: the lowest and the highest temperature, and the share of the time that something was on.
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
pub use page::page;
pub use section::{Thermometer, Warmth, section};

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
    /// Lowest and highest in each bin (°C), from second 0 on; not a number where there is none. Shown to 0.01 K.
    pub ranges: Vec<(f32, f32)>,
}

/// What a temperature is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineKind {
    /// What the controller reads of a cell channel.
    CellReading,
    /// The truth: the coldest place of any battery.
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
    /// From when to when it is on (s), in order and without overlap.
    pub on: Vec<(i64, i64)>,
}

/// What is on or off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BandKind {
    /// Charge is permitted.
    Charge,
    /// The heater is on.
    Heater,
    /// An energy source is present, or anything else from outside.
    Source,
    /// Something is wrong.
    Alarm,
}

/// Energy by source, day by day.
#[derive(Clone, Debug, Default)]
pub struct DailyEnergy {
    /// What the sources are called; the bank last.
    pub sources: Vec<String>,
    /// For each 24 h from second 0 on, what each of them gave (Wh).
    pub days: Vec<Vec<f64>>,
}

/// Length of a day (s).
const DAY_S: i64 = 86_400;

/// How long after the start of a common time axis each season starts (s), and the length of that axis (s).
///
/// By date, where each season shares some day with the first; else each from its own start on.
fn aligned(seasons: &[Season]) -> (Vec<i64>, i64) {
    let earliest = seasons.iter().map(|season| season.start).min();
    let mut offsets: Vec<i64> =
        seasons.iter().map(|season| earliest.map_or(0, |start| season.start.duration_since(start).as_secs())).collect();
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

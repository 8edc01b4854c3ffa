//! How pictures look: colours that differ in lightness too, and dashes, so that they can be told apart in black and white and by
//! those who see few colours.

use super::{BandKind, LineKind};

/// Cells, one after the other.
pub(crate) const CELLS: [&str; 6] = ["#12436d", "#d1620f", "#28a197", "#7a1f5c", "#3d3d3d", "#a285d1"];
/// The pad and the plate it warms.
pub(crate) const PLATE: Stroke = Stroke { colour: "#a3260b", dashes: "5 2" };
/// Air.
pub(crate) const AIR: Stroke = Stroke { colour: "#7d8a93", dashes: "1.5 1.5" };
/// Levels at which the controller acts.
pub(crate) const THRESHOLD: Stroke = Stroke { colour: "#b00020", dashes: "8 4" };
/// Charge, where it is permitted.
pub(crate) const CHARGE: &str = "#28a197";
/// The heater, where it is on.
pub(crate) const HEATER: &str = "#d1620f";
/// An alarm.
pub(crate) const ALARM: &str = "#b00020";
/// What comes from outside: sources, and what somebody else logged.
pub(crate) const FOREIGN: &str = "#7d8a93";

/// Sources of energy, from the bottom of a bar up, dark beside light.
const SOURCES: [&str; 6] = ["#e9b949", "#12436d", "#28a197", "#7a1f5c", "#a285d1", "#7d8a93"];

/// A line's colour and its dashes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stroke {
    pub(crate) colour: &'static str,
    pub(crate) dashes: &'static str,
}

/// How a temperature of a season is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LineStyle {
    pub(super) stroke: Stroke,
    /// Width of the line through the middle.
    pub(super) width: f64,
    /// Opacity of the area between lowest and highest.
    pub(super) fill: f64,
}

/// The style of a line that is the `rank`th of its kind.
pub(super) fn line(kind: LineKind, rank: usize) -> LineStyle {
    // The coldest cell has the first colour to itself, and the plate one that is close to the second.
    const READINGS: [(usize, &str); 4] = [(2, "7 2"), (3, "3 2"), (5, "9 2 2 2"), (4, "5 3")];
    match kind {
        LineKind::ColdestCell => {
            LineStyle { stroke: Stroke { colour: CELLS[0], dashes: "none" }, width: 1.8, fill: 0.75 }
        }
        LineKind::CellReading => {
            let (colour, dashes) = READINGS[rank % READINGS.len()];
            LineStyle { stroke: Stroke { colour: CELLS[colour], dashes }, width: 1.4, fill: 0.3 }
        }
        LineKind::Plate => LineStyle { stroke: PLATE, width: 1.2, fill: 0.16 },
        LineKind::Outside => LineStyle { stroke: AIR, width: 1.2, fill: 0.45 },
    }
}

/// The colour of a band.
pub(super) const fn band(kind: BandKind) -> &'static str {
    match kind {
        BandKind::Charge => CHARGE,
        BandKind::Heater => HEATER,
        BandKind::Source => FOREIGN,
        BandKind::Alarm => ALARM,
    }
}

/// The colour of the `rank`th source of energy.
pub(super) const fn source(rank: usize) -> &'static str {
    SOURCES[rank % SOURCES.len()]
}

//! How a thermometer reads against the coldest cell layer because of where it sits.
//!
//! Heat comes from below and goes out by the walls, so no two places of a bank are equally warm. What counts is how much warmer
//! the element is than the coldest place of the batteries it answers for, at two moments: when permission is given, with the heater
//! on through the whole soak, and at the worst while it is kept: cooling, or settled, with the heater off or on as it may be.

use serde::Serialize;

/// How much warmer the surroundings of an element are than the coldest place of the batteries it answers for, lag included.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Placement {
    /// In the worst of the situations looked at, with everything as written down (K).
    pub warm_bias_k: f64,
    /// How far that moves with what may differ from what is written down.
    pub causes: Vec<Cause>,
}

/// Something that may differ from what is written down.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Cause {
    /// What it is.
    pub of: &'static str,
    /// Half-width of what it does (K).
    pub half_width_k: f64,
}

/// How a channel sits when permission is given, and at the worst while it is kept.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Placements {
    /// When the soak ends.
    pub given: Placement,
    /// While charge is permitted.
    pub kept: Placement,
}

//! How a thermometer reads against the coldest cell layer because of where it sits.
//!
//! Heat comes from below and goes out by the walls, so no two places of a bank are equally warm. What counts is how much warmer
//! the element is than the coldest place of the batteries it answers for, at two moments: when permission is given, with the heater
//! on through the whole soak, and at the worst while it is kept: cooling, or settled, with the heater off or on as it may be. A warm
//! spell counts at both: air that is far ahead of the cells.
//!
//! The air that an element sees beside what it is fixed to is kept apart from that. Mostly that air is colder than the cells, and what
//! it takes off a reading looks like a better place than it is: whoever covers the element with foam takes it away. So the bias is that
//! of an element that sees none, and the air counts where it is warmer, and nowhere else. Air that is colder hides cells that are too hot
//! to charge.

use serde::Serialize;

/// How much warmer the surroundings of an element are than the coldest place of the batteries it answers for, lag included.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Placement {
    /// In the worst of the situations looked at, with everything as written down (K).
    pub warm_bias_k: f64,
    /// How much warmer than that coldest place the air of the box can be (K), not below 0: in the worst of those situations, with
    /// everything that may differ at its worse end. What part of it the element sees is [`Mounting::air_share`].
    ///
    /// [`Mounting::air_share`]: crate::site::Mounting::air_share
    pub air_above_k: f64,
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
    /// How much colder than cells at the high charge limit the air of the box can be (K).
    pub chilled_k: f64,
}

//! How the place of a thermometer shifts its reading against the coldest cell layer.
//!
//! Heat comes from below and leaves through the walls, so no two places of a bank are equally warm. What counts is how
//! much warmer the element is than the coldest place of the batteries it answers for, at two moments. The first is when
//! permission is given, with the heater on through the whole soak. The second is the worst moment while permission is
//! kept: cooling, or settled with the heater off or on. A warm spell counts at both: then the air is far ahead of the
//! cells.
//!
//! The air that an element sees is a separate figure. That air is mostly colder than the cells. It lowers the reading,
//! so the place looks better than it is, until someone covers the element with foam. So the bias is that of an element
//! that sees no air. The air counts only where it is warmer. Colder air hides cells that are too hot to charge.

use serde::Serialize;

/// How much warmer the surroundings of an element are than the coldest place of the batteries that it answers for, lag
/// included.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Placement {
    /// The bias in the worst of all situations, with everything as written down (K).
    pub warm_bias_k: f64,
    /// How much warmer than that coldest place the air of the box can be (K), at least 0. This is the worst of the same
    /// situations, with every tolerance at its worse end. [`Mounting::air_share`] is the part of that air that the
    /// element sees.
    ///
    /// [`Mounting::air_share`]: crate::site::Mounting::air_share
    pub air_above_k: f64,
    /// What moves that bias: everything that may differ from what is written down.
    pub causes: Vec<Cause>,
}

/// Something that may differ from what is written down.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Cause {
    /// Its name.
    pub of: &'static str,
    /// Half-width of its effect (K).
    pub half_width_k: f64,
}

/// The placement of a channel when permission is given, and at the worst while it is kept.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Placements {
    /// When the soak ends.
    pub given: Placement,
    /// While charge is permitted.
    pub kept: Placement,
    /// How much colder than cells at the high charge limit the air of the box can be (K).
    pub chilled_k: f64,
}

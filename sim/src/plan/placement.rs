//! How a thermometer reads against the coldest cell layer because of where it sits.

use serde::Serialize;

/// How much warmer the surroundings of an element are than the coldest layer of the batteries it answers for, lag included.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Placement {
    /// The middle of what it can be (K).
    pub warm_bias_k: f64,
    /// Half-width of what it can be (K).
    pub half_width_k: f64,
}

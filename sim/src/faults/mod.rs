//! What happens for the listed faults in every state: an installation's own evidence of where it fails safe.
//!
//! A matrix is made of short scenes in the plant. The controller is led into a state at an outside temperature;
//! something breaks; the scene goes on until it is found and everything is off, or for hours. Then it is mended, the day
//! is mild, all sources are there, and the bank must be charged again. The battery's own protection takes no part. The
//! independent thermal cut-out of the heater, which every installation must have, does; scenes that only it has kept
//! from harm are counted.
//!
//! | module | holds |
//! |---|---|
//! | `states` | leads the controller into each state |
//! | `scene` | one scene |
//! | `limits` | what no part may pass |
//! | `matrix` | all scenes |
//! | `signs` | the letters of states and outcomes |
//! | `row` | one fault in all its scenes |
//! | `findings` | what a matrix says in sentences |
//! | `text`, `json`, `page` | what a matrix says, for a person, for a machine, in a browser |

mod findings;
mod json;
mod limits;
mod matrix;
mod page;
mod row;
mod scene;
mod signs;
mod states;
mod text;

#[cfg(test)]
mod tests;

pub(crate) use findings::by_role;
pub use json::Report;
pub use limits::Limits;
pub(crate) use matrix::together;
pub use matrix::{Matrix, Wanted};
pub use scene::{Cell, Harm, Recovery, Verdict};

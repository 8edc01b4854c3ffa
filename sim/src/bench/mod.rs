//! The card for the workbench: what to connect, what the controller must then do, and room to write down what it did.
//!
//! | module | holds |
//! |---|---|
//! | `resistors` | resistors that one can buy, and which of them stand in for a thermometer |
//! | `socket` | one channel, with resistors in the place of its element |
//! | `rig` | the controller with all that is connected: the core itself says what it will do |
//! | `marks` | the temperatures on either side of which something changes |
//! | `water` | the ice point, and the boiling point by altitude |
//! | `circuit` | what is measured before power, and the thermal cut-outs |
//! | `substitutes` | steps with resistors |
//! | `sweep` | a slow turn of a variable resistor, for what only a controller shows that is at work |
//! | `provoke` | how to provoke each fault |
//! | `card` | all of it in order |
//! | `text`, `page` | the card on a terminal and on paper |
//! | `record` | what was tried, and what came of it |
//! | `walk` | goes through the card with a person, and with the controller on the line |
//! | `calibration` | what readings in ice say of a thermometer |

mod calibration;
mod card;
mod circuit;
mod marks;
mod page;
mod provoke;
mod record;
pub mod resistors;
mod rig;
mod socket;
mod substitutes;
mod sweep;
#[cfg(test)]
mod tests;
mod text;
mod walk;
#[cfg(test)]
mod walk_tests;
pub mod water;

pub use calibration::Calibration;
pub use card::{BOX_STEP_OHM, Bench, Card, Expect, HEIGHT_M, Part, Reading, Standing, Step, WITHIN_PCT};
pub use record::{Entry, Found, Ice, Record, Verdict};
pub use walk::{Controller, Walked, walk};

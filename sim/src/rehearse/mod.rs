//! The winter rehearsed: the real controller in a closed loop with the plant.
//!
//! | module | holds |
//! |---|---|
//! | `prepare` | a scenario out of what an installation names |
//! | `scenario` | everything a season is played with |
//! | `probe` | one thermometer as it really is |
//! | `stage` | the loop |
//! | `leap` | how far the loop may leap |
//! | `still` | for how long a channel shows the same |
//! | `wreck` | what is broken at a moment |
//! | `outcome` | what came of a season |
//! | `trials` | the season many times over |
//! | `envelope` | the band of all trials |
//! | `film`, `timeline` | a season to be shown, and to be read |
//! | `filmed` | a season played to be shown, and without heat beside it |
//! | `answers` | waits for a permit, stretches without charge, heat in vain |
//! | `reasons` | why charge was refused, why the heater was off, and which faults stood |
//! | `report`, `json` | what a rehearsal says, for a person and for a machine |

mod answers;
mod envelope;
mod film;
mod filmed;
mod json;
mod leap;
mod outcome;
mod prepare;
mod probe;
mod reasons;
mod report;
mod scenario;
mod stage;
mod still;
mod timeline;
mod trials;
mod wreck;

#[cfg(test)]
mod paces;
#[cfg(test)]
mod seasons;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;

pub use answers::{Answers, Span, Wait};
pub use envelope::Envelope;
pub use film::Film;
pub use json::{Compared, Report};
pub use outcome::Outcome;
pub(crate) use probe::Probe;
pub use reasons::Reasons;
pub use report::{Cast, Rehearsal, figures, summarise};
pub use scenario::{Broken, Scenario};
pub(crate) use stage::{Begin, Still, play_on};
pub use stage::{Glimpse, Pace, Watcher, play};
pub use timeline::TrueTimeline;
pub use trials::{Spread, Trial, Trials};
pub use wreck::Plants;

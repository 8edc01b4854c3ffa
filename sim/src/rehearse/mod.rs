//! The winter rehearsed: the real controller in a closed loop with the plant.

mod outcome;
mod probe;
mod scenario;
mod stage;
mod variation;

pub use outcome::Outcome;
pub use probe::Flaws;
pub use scenario::Scenario;
pub use stage::{Glimpse, Pace, Watcher, play};
pub use variation::Variation;

#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;

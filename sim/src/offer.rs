//! What the energy sources and loads do, second by second of a season, out of schedules, sun and logs.

use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::Sources;

/// What is on offer from a moment on, until the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offer {
    /// Since the start of the season (s).
    pub at_s: i64,
    /// Which sources are present.
    pub sources: Sources,
    /// What each gives (W); 0 for one that is absent.
    pub power_w: [f64; MAX_SOURCES],
    /// What the loads draw (W).
    pub load_w: f64,
}

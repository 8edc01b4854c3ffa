//! The timeline of a rehearsal, with what only a rehearsal knows: the true temperatures.

use super::scenario::Scenario;
use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::diagnostic::Problem;
use crate::offer::Offer;
use crate::output::Target;
use crate::season::{Channels, Clock, Moment, Timeline};
use forewarm_core::signals::Outputs;

/// Writes the timeline of a season as it is played.
#[derive(Debug)]
pub struct TrueTimeline(Timeline);

impl TrueTimeline {
    /// Starts the file with its header. `every_ms` is the time between lines while nothing changes.
    ///
    /// # Errors
    /// Fails if the file cannot be written.
    pub fn start(target: Target, scenario: &Scenario, every_ms: i64) -> Result<Self, Problem> {
        let Scenario { channels, sources, settings, site, weather, step_ms, .. } = scenario;
        let channels = Channels::new(channels.iter().map(String::as_str), settings);
        let around = if site.room.is_some() { "true_room_c" } else { "true_outside_c" };
        let truths = ["true_coldest_cell_c", "true_plate_c", around];
        let clock = Clock::local(weather.start);
        Timeline::start(target, clock, (channels, sources), settings, (*step_ms, every_ms), &truths).map(Self)
    }

    /// Gives the file its name.
    ///
    /// # Errors
    /// Fails if a line could not be written, or if the file cannot be finished.
    pub fn finish(self) -> Result<(), Problem> {
        self.0.finish()
    }
}

impl Watcher for TrueTimeline {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        #[expect(clippy::cast_possible_truncation, reason = "milliseconds of a year")]
        let at = (glimpse.at_s * 1000.0).round() as i64;
        self.0.truth(at, [glimpse.coldest_c, glimpse.plate_c, glimpse.outside_c]);
    }

    fn stepped(&mut self, moment: &Moment<'_>) {
        if let Err(problem) = self.0.step(moment) {
            self.0.fail(problem);
        }
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

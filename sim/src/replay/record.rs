//! Everything that listens to a replay.

use super::differ::Differ;
use super::events::Events;
use super::picture::Picture;
use super::tally::Tally;
use crate::diagnostic::Problem;
use crate::season::{Moment, Timeline};
use forewarm_core::settings::ValidSettings;

/// What the logged controller did; `None` if the log does not show it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Logged {
    pub(super) heater: Option<bool>,
    pub(super) charge: Option<bool>,
}

/// The listeners.
pub(super) struct Recorder {
    pub(super) tally: Tally,
    pub(super) heater: Differ,
    pub(super) charge: Differ,
    pub(super) events: Option<Events>,
    pub(super) timeline: Option<Timeline>,
    pub(super) picture: Option<Picture>,
}

impl Recorder {
    pub(super) fn new(
        settings: &ValidSettings,
        events: bool,
        timeline: Option<Timeline>,
        picture: Option<Picture>,
    ) -> Self {
        Self {
            tally: Tally::new(settings),
            heater: Differ::default(),
            charge: Differ::default(),
            events: events.then(Events::new),
            timeline,
            picture,
        }
    }

    /// Passes a step to every listener.
    ///
    /// # Errors
    /// Fails if the disk takes no more.
    #[inline]
    pub(super) fn step(&mut self, moment: &Moment<'_>, logged: Logged) -> Result<(), Box<Problem>> {
        let changed = self.tally.step(moment);
        self.heater.step(moment, logged.heater, moment.heater());
        self.charge.step(moment, logged.charge, moment.charge());
        if changed && let Some(events) = &mut self.events {
            events.write(moment)?;
        }
        if let Some(timeline) = &mut self.timeline {
            timeline.step(moment)?;
        }
        if let Some(picture) = &mut self.picture {
            picture.step(moment, logged, self.tally.withheld());
        }
        Ok(())
    }

    /// Reports to every listener that the time from `from` to `to` is skipped.
    pub(super) fn skip(&mut self, from: i64, to: i64) {
        self.tally.skip(from, to);
        self.heater.stop(from);
        self.charge.stop(from);
        if let Some(picture) = &mut self.picture {
            picture.skip(from, to);
        }
    }

    /// Reports to every listener that the log ended at `end`.
    pub(super) fn finish(&mut self, end: i64) {
        self.tally.finish(end);
        self.heater.stop(end);
        self.charge.stop(end);
    }
}

//! Everything that listens to a replay.

use super::differ::Differ;
use super::events::Events;
use super::plan::ChannelPlan;
use super::plot::Trace;
use super::tally::Tally;
use super::timeline::Timeline;
use crate::diagnostic::Problem;
use forewarm_core::Unit;
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{MAX_CHANNELS, ValidSettings};
use forewarm_core::signals::{Outputs, Relay, Sample};

/// What the logged controller did; nothing where the log does not say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Logged {
    pub(super) heater: Option<bool>,
    pub(super) charge: Option<bool>,
}

/// One step: its time since the first row, in milliseconds, and what came of it.
pub(super) struct Moment<'a> {
    pub(super) at: i64,
    pub(super) outputs: &'a Outputs,
    pub(super) unit: &'a Unit,
    pub(super) logged: Logged,
    pub(super) channels: &'a [ChannelPlan],
    pub(super) samples: &'a [Sample; MAX_CHANNELS],
}

/// What a channel shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shown {
    /// A reading the controller goes by.
    Good(Celsius),
    /// What the log has although the controller does not believe it.
    Doubtful(Celsius),
}

impl Moment<'_> {
    pub(super) fn heater(&self) -> bool {
        self.outputs.heater == Relay::Closed
    }

    pub(super) fn charge(&self) -> bool {
        self.outputs.charge == Relay::Closed
    }

    pub(super) fn full(&self) -> bool {
        self.outputs.full == Relay::Closed
    }

    /// What each channel shows, in their order; nothing for one that is missing, or not yet trusted after the start.
    #[inline]
    pub(super) fn shown(&self) -> impl Iterator<Item = Option<Shown>> {
        let readings = self.unit.readings();
        (0..self.channels.len()).map(move |index| readings[index].map(Shown::Good).or_else(|| self.doubtful(index)))
    }

    #[cold]
    fn doubtful(&self, index: usize) -> Option<Shown> {
        let Sample::Fresh(measured) = self.samples[index] else { return None };
        self.outputs.faults.channels[index]?;
        self.channels[index].scale.shown(measured).map(Shown::Doubtful)
    }
}

/// The listeners.
pub(super) struct Recorder {
    pub(super) tally: Tally,
    pub(super) heater: Differ,
    pub(super) charge: Differ,
    pub(super) events: Option<Events>,
    pub(super) timeline: Option<Timeline>,
    pub(super) trace: Option<Trace>,
}

impl Recorder {
    pub(super) fn new(
        settings: &ValidSettings,
        events: bool,
        timeline: Option<Timeline>,
        trace: Option<Trace>,
    ) -> Self {
        Self {
            tally: Tally::new(settings),
            heater: Differ::default(),
            charge: Differ::default(),
            events: events.then(Events::new),
            timeline,
            trace,
        }
    }

    /// Tells everyone of a step.
    ///
    /// # Errors
    /// Where the disk takes no more.
    #[inline]
    pub(super) fn step(&mut self, moment: &Moment<'_>) -> Result<(), Box<Problem>> {
        let changed = self.tally.step(moment);
        self.heater.step(moment, moment.logged.heater, moment.heater());
        self.charge.step(moment, moment.logged.charge, moment.charge());
        if changed && let Some(events) = &mut self.events {
            events.write(moment)?;
        }
        if let Some(timeline) = &mut self.timeline {
            timeline.step(moment, changed)?;
        }
        if let Some(trace) = &mut self.trace {
            trace.step(moment);
        }
        Ok(())
    }

    /// Tells everyone that the time from `from` to `to` is skipped.
    pub(super) fn skip(&mut self, from: i64, to: i64) {
        self.tally.skip(from, to);
        self.heater.stop(from);
        self.charge.stop(from);
        if let Some(trace) = &mut self.trace {
            trace.stop(from);
        }
    }

    /// Tells everyone that the log ended at `end`.
    pub(super) fn finish(&mut self, end: i64) {
        self.tally.finish(end);
        self.heater.stop(end);
        self.charge.stop(end);
        if let Some(trace) = &mut self.trace {
            trace.stop(end);
        }
    }
}

//! Finds where the replayed decision and the logged one differ.

use crate::season::Moment;
use forewarm_core::quantity::Celsius;
use forewarm_core::signals::Cause;

/// Compares one output with its logged counterpart. Times are in milliseconds; moments count from the first row.
#[derive(Clone, Debug, Default)]
pub(super) struct Differ {
    now: Option<Run>,
    /// Time for which the log shows what was done.
    pub(super) compared: i64,
    /// Time for which only the logged output was on, and time for which only ours was.
    pub(super) logged_only: i64,
    pub(super) ours_only: i64,
    /// Stretches of difference.
    pub(super) count: u64,
    /// The first few of them.
    pub(super) first: Vec<Difference>,
}

/// A stretch of time in which neither output changed.
#[derive(Clone, Copy, Debug)]
struct Run {
    since: i64,
    logged: bool,
    ours: bool,
    cause: Cause,
    coldest: Option<Celsius>,
}

/// A stretch of time in which the two outputs differ.
#[derive(Clone, Copy, Debug)]
pub(super) struct Difference {
    pub(super) from: i64,
    pub(super) to: i64,
    /// Whether the logged output was on and ours off; otherwise ours was on and the logged one off.
    pub(super) logged_on: bool,
    /// Our cause at its start.
    pub(super) cause: Cause,
    /// The coldest cell at its start.
    pub(super) coldest: Option<Celsius>,
}

/// How many stretches the report lists one by one.
const NAMED: usize = 5;

impl Differ {
    #[inline]
    pub(super) fn step(&mut self, moment: &Moment<'_>, logged: Option<bool>, ours: bool) {
        if self.now.map(|run| (run.logged, run.ours)) != logged.map(|logged| (logged, ours)) {
            self.stop(moment.at);
            self.now = logged.map(|logged| Run {
                since: moment.at,
                logged,
                ours,
                cause: moment.outputs.cause,
                coldest: moment.unit.coldest_cell(),
            });
        }
    }

    /// Ends the present stretch. Nothing is compared until the next step.
    pub(super) fn stop(&mut self, at: i64) {
        let Some(run) = self.now.take() else { return };
        let span = at - run.since;
        self.compared += span;
        if run.logged == run.ours || span == 0 {
            return;
        }
        *(if run.logged { &mut self.logged_only } else { &mut self.ours_only }) += span;
        self.count += 1;
        if self.first.len() < NAMED {
            let Run { since, logged, cause, coldest, .. } = run;
            self.first.push(Difference { from: since, to: at, logged_on: logged, cause, coldest });
        }
    }
}

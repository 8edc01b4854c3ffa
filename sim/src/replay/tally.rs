//! Adds up what the controller did: time in each state, switching, faults.

use crate::season::Moment;
use crate::withheld::{Judge, Withheld};
use forewarm_core::fault::{ChannelFault, Facts, Faults, SystemFault};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::ValidSettings;
use forewarm_core::signals::{Cause, Outputs, State};

/// How many pauses the report lists one by one.
const PAUSES: usize = 1000;

/// The sums. Times are in milliseconds; moments count from the first row.
#[derive(Clone, Debug)]
pub(super) struct Tally {
    judge: Judge,
    now: Option<Phase>,
    pub(super) in_state: [i64; State::PLAIN.len()],
    pub(super) heater_on: i64,
    pub(super) heater_starts: u64,
    pub(super) permitted: i64,
    /// Part of it with the full charge permit.
    pub(super) in_full: i64,
    pub(super) inhibited: i64,
    pub(super) permits: u64,
    /// Time with charge inhibited, by cause.
    pub(super) inhibited_by: Vec<(&'static str, i64)>,
    pub(super) heater_off: i64,
    /// Time with the heater off, by cause.
    pub(super) heater_off_by: Vec<(&'static str, i64)>,
    /// Time of the log that was not stepped through.
    pub(super) skipped: i64,
    /// Start and end of its first stretches, and how many there were.
    pub(super) pauses: Vec<(i64, i64)>,
    pub(super) pause_count: u64,
    /// Lowest reading of the coldest cell with charge permitted, and when.
    pub(super) coldest_permitted: Option<(Celsius, i64)>,
    pub(super) faults: Vec<FaultTally>,
    standing: Faults,
}

/// A stretch of time without an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Phase {
    since: i64,
    state: State,
    cause: Cause,
    heater: bool,
    charge: bool,
    full: bool,
    /// What keeps the outputs off. A change of it is no event.
    withheld: Withheld,
}

/// One fault of one channel, or of the whole.
#[derive(Clone, Debug)]
pub(super) struct FaultTally {
    pub(super) what: What,
    /// When it was first seen.
    pub(super) first: i64,
    /// How often it came.
    pub(super) count: u64,
    /// How long it stood in all.
    pub(super) stood: i64,
    /// Since when it stands now.
    since: Option<i64>,
    /// The main obstacle to charge at the moment when charge was first overdue.
    pub(super) most_for: Option<&'static str>,
}

/// Which fault, and of which channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    Channel(usize, ChannelFault),
    System(SystemFault),
}

impl What {
    pub(super) const fn facts(self) -> Facts {
        match self {
            Self::Channel(_, fault) => fault.facts(),
            Self::System(fault) => fault.facts(),
        }
    }
}

impl Tally {
    pub(super) fn new(settings: &ValidSettings) -> Self {
        Self {
            judge: Judge::new(settings),
            now: None,
            in_state: [0; State::PLAIN.len()],
            heater_on: 0,
            heater_starts: 0,
            permitted: 0,
            in_full: 0,
            inhibited: 0,
            permits: 0,
            inhibited_by: Vec::new(),
            heater_off: 0,
            heater_off_by: Vec::new(),
            skipped: 0,
            pauses: Vec::new(),
            pause_count: 0,
            coldest_permitted: None,
            faults: Vec::new(),
            standing: Faults::NONE,
        }
    }

    /// Takes a step; returns true if it is an event: state, cause or an output changed.
    #[inline]
    pub(super) fn step(&mut self, moment: &Moment<'_>) -> bool {
        let (heater, charge) = (moment.heater(), moment.charge());
        if charge
            && let Some(coldest) = moment.unit.coldest_cell()
            && self.coldest_permitted.is_none_or(|(lowest, _)| coldest < lowest)
        {
            self.coldest_permitted = Some((coldest, moment.at));
        }
        if moment.outputs.faults != self.standing {
            self.faults_changed(moment.at, moment.outputs);
        }
        let (state, cause) = (moment.outputs.state, moment.outputs.cause);
        let withheld = self.judge.of(moment.unit, moment.outputs);
        let phase = Phase { since: moment.at, state, cause, heater, charge, full: moment.full(), withheld };
        match self.now {
            Some(now) if phase == (Phase { since: moment.at, ..now }) => false,
            Some(now) if phase == (Phase { since: moment.at, withheld, ..now }) => {
                self.close(moment.at);
                self.now = Some(phase);
                false
            }
            before => {
                self.close(moment.at);
                self.heater_starts += u64::from(heater && !before.is_some_and(|before| before.heater));
                self.permits += u64::from(charge && !before.is_some_and(|before| before.charge));
                self.now = Some(phase);
                true
            }
        }
    }

    /// What keeps the outputs off after the latest step.
    pub(super) fn withheld(&self) -> Withheld {
        self.now.map(|phase| phase.withheld).unwrap_or_default()
    }

    /// Leaves the time from `from` to `to` out of every sum.
    pub(super) fn skip(&mut self, from: i64, to: i64) {
        self.close(from);
        self.skipped += to - from;
        self.pause_count += 1;
        if self.pauses.len() < PAUSES {
            self.pauses.push((from, to));
        }
        for fault in &mut self.faults {
            fault.skip(from, to);
        }
        if let Some(now) = &mut self.now {
            now.since = to;
        }
    }

    /// Closes all sums: the log ended at `end`.
    pub(super) fn finish(&mut self, end: i64) {
        self.close(end);
        for fault in &mut self.faults {
            fault.end(end);
        }
    }

    /// Adds the time since the last event.
    fn close(&mut self, at: i64) {
        let Some(now) = &mut self.now else { return };
        let span = at - std::mem::replace(&mut now.since, at);
        let now = *now;
        self.in_state[now.state as usize] += span;
        match now.withheld.heat {
            None => self.heater_on += span,
            Some(cause) => {
                self.heater_off += span;
                add(&mut self.heater_off_by, cause, span);
            }
        }
        match now.withheld.charge {
            None => {
                self.permitted += span;
                self.in_full += if now.full { span } else { 0 };
            }
            Some(cause) => {
                self.inhibited += span;
                add(&mut self.inhibited_by, cause, span);
            }
        }
    }

    #[cold]
    fn faults_changed(&mut self, at: i64, outputs: &Outputs) {
        let faults = outputs.faults;
        let before = std::mem::replace(&mut self.standing, faults);
        let channels = before.channels.into_iter().zip(faults.channels).enumerate().filter(|(_, (was, is))| was != is);
        for (channel, (was, is)) in channels {
            if let Some(fault) = was {
                self.fault(What::Channel(channel, fault)).end(at);
            }
            if let Some(fault) = is {
                self.fault(What::Channel(channel, fault)).begin(at);
            }
        }
        for fault in before.system.without(faults.system).iter() {
            self.fault(What::System(fault)).end(at);
        }
        for fault in faults.system.without(before.system).iter() {
            let tally = self.fault(What::System(fault));
            tally.begin(at);
            if fault == SystemFault::ChargeOverdue && tally.count == 1 {
                tally.most_for = outputs.overdue.map(Cause::name);
            }
        }
    }

    fn fault(&mut self, what: What) -> &mut FaultTally {
        let known = self.faults.iter().position(|fault| fault.what == what);
        let index = known.unwrap_or_else(|| {
            self.faults.push(FaultTally { what, first: 0, count: 0, stood: 0, since: None, most_for: None });
            self.faults.len() - 1
        });
        &mut self.faults[index]
    }
}

fn add(times: &mut Vec<(&'static str, i64)>, cause: &'static str, span: i64) {
    match times.iter_mut().find(|(known, _)| *known == cause) {
        Some((_, time)) => *time += span,
        None => times.push((cause, span)),
    }
}

impl FaultTally {
    /// Leaves out the time from `from` to `to`: nobody knows whether the fault stood then.
    fn skip(&mut self, from: i64, to: i64) {
        if let Some(since) = &mut self.since {
            self.stood += from - *since;
            *since = to;
        }
    }

    fn begin(&mut self, at: i64) {
        if self.count == 0 {
            self.first = at;
        }
        self.count += 1;
        self.since = Some(at);
    }

    fn end(&mut self, at: i64) {
        if let Some(since) = self.since.take() {
            self.stood += at - since;
        }
    }
}

//! Why charge was refused while it was wanted, and which faults stood, for how long.

use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::offer::Offer;
use forewarm_core::fault::{Faults, SystemFaults};
use forewarm_core::signals::{Outputs, Relay, State};
use std::collections::BTreeMap;

/// What a season's refusals and faults came from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reasons {
    /// Time in which charge was wanted and refused (s), by the name of the cause.
    refused_s: BTreeMap<&'static str, f64>,
    /// Times a fault was raised and time that it stood (s), by its name.
    faults: BTreeMap<&'static str, (u32, f64)>,
    standing: Option<Faults>,
}

impl Reasons {
    /// Causes of refusal and their times (s), the longest first.
    #[must_use]
    pub fn refused_s(&self) -> Vec<(&'static str, f64)> {
        let mut all: Vec<_> = self.refused_s.iter().map(|(name, time)| (*name, *time)).collect();
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        all
    }

    /// Faults, how often each was raised, and how long it stood (s); by name.
    pub fn faults(&self) -> impl Iterator<Item = (&'static str, u32, f64)> {
        self.faults.iter().map(|(name, &(times, time))| (*name, times, time))
    }
}

fn names(faults: Faults) -> Vec<&'static str> {
    let channels = faults.channels.iter().flatten().map(|fault| fault.facts().name);
    let mut names: Vec<_> = channels.chain(faults.system.iter().map(|fault| fault.facts().name)).collect();
    // Two channels with one fault are one fault here.
    names.sort_unstable();
    names.dedup();
    names
}

impl Watcher for Reasons {
    const WATCHES: bool = false;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, _: &Offer, flow: &Flow) {
        let span_s = to_s - from_s;
        if flow.charge_wanted && outputs.charge == Relay::Open {
            // While it soaks the cause is what began it.
            let name = match outputs.state {
                State::Soaking | State::SoakingWarm => "soaking",
                State::Starting
                | State::Faulted
                | State::Waiting
                | State::Warming
                | State::Permitting
                | State::Holding => outputs.cause.name(),
            };
            *self.refused_s.entry(name).or_default() += span_s;
        }
        let before = self.standing.replace(outputs.faults).map(names).unwrap_or_default();
        if outputs.faults.system == SystemFaults::NONE && outputs.faults.channels.iter().all(Option::is_none) {
            return;
        }
        for name in names(outputs.faults) {
            let (times, stood_s) = self.faults.entry(name).or_default();
            *times += u32::from(!before.contains(&name));
            *stood_s += span_s;
        }
    }
}

//! Why charge was refused while it was wanted, why the heater was off, and which faults stood, for how long.

use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::offer::Offer;
use crate::withheld::Withheld;
use forewarm_core::fault::{Faults, SystemFaults};
use forewarm_core::signals::Outputs;
use std::collections::BTreeMap;

/// The causes of a season's refusals, and its faults.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reasons {
    /// Time in which charge was wanted and refused (s), by the name of the cause.
    refused_s: BTreeMap<&'static str, f64>,
    /// Time in which the heater was off (s), by the name of the cause.
    heater_off_s: BTreeMap<&'static str, f64>,
    withheld: Withheld,
    /// Times a fault was raised and time that it stood (s), by its name.
    faults: BTreeMap<&'static str, (u32, f64)>,
    standing: Option<Faults>,
}

impl Reasons {
    /// Causes of refusal and their times (s), the longest first.
    #[must_use]
    pub fn refused_s(&self) -> Vec<(&'static str, f64)> {
        longest_first(&self.refused_s)
    }

    /// Why the heater was off, and for how long (s), the longest first.
    #[must_use]
    pub fn heater_off_s(&self) -> Vec<(&'static str, f64)> {
        longest_first(&self.heater_off_s)
    }

    /// Faults, how often each was raised, and how long it stood (s); by name.
    pub fn faults(&self) -> impl Iterator<Item = (&'static str, u32, f64)> {
        self.faults.iter().map(|(name, &(times, time))| (*name, times, time))
    }
}

fn longest_first(times: &BTreeMap<&'static str, f64>) -> Vec<(&'static str, f64)> {
    let mut all: Vec<_> = times.iter().map(|(name, time)| (*name, *time)).collect();
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    all
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
    const EXPLAINS: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn withheld(&mut self, withheld: Withheld) {
        self.withheld = withheld;
    }

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, _: &Offer, flow: &Flow) {
        let span_s = to_s - from_s;
        if let Some(name) = self.withheld.charge.filter(|_| flow.charge_wanted) {
            *self.refused_s.entry(name).or_default() += span_s;
        }
        if let Some(name) = self.withheld.heat {
            *self.heater_off_s.entry(name).or_default() += span_s;
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

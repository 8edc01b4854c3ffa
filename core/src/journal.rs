//! What happened: totals and the latest events, in a fixed space.
//!
//! `Journal::note` is the one place that notes events, from what finally went to the relays. So no event is forgotten
//! or doubled, whoever caused it.

use crate::power::Shares;
use crate::quantity::{Instant, Millis};
use crate::settings::MAX_SOURCES;
use crate::signals::{Cause, Outputs, Relay, State};
use heapless::Deque;

/// Events kept; the oldest gives way.
pub const EVENTS: usize = 16;

/// A change of state, cause or outputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Event {
    /// When.
    pub at: Instant,
    /// The state from then on.
    pub state: State,
    /// Why.
    pub cause: Cause,
    /// The heater relay from then on.
    pub heater: Relay,
    /// The charge relay from then on.
    pub charge: Relay,
    /// The full charge permit relay from then on.
    pub full: Relay,
}

/// Totals since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Counters {
    /// Times the heater relay closed.
    pub heater_cycles: u32,
    /// Times the charge relay closed.
    pub charge_cycles: u32,
    /// Times the full charge permit relay closed.
    pub full_cycles: u32,
    /// Time the heater was on, in milliseconds.
    pub heater_on_ms: u64,
    /// Energy spent on heat by source, in the order of the settings, in microjoules (milliwatts × milliseconds).
    pub source_energy_uj: [u64; MAX_SOURCES],
    /// Energy the bank itself spent on heat, in microjoules.
    pub bank_energy_uj: u64,
    /// Times charge permission was taken away.
    pub refusals: u32,
    /// Times the guard took away what the controller asked for.
    pub overrules: u32,
}

impl Counters {
    /// These and `other` together; each held at the end of its range.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        let mut sum = *self;
        for (total, more) in [
            (&mut sum.heater_cycles, other.heater_cycles),
            (&mut sum.charge_cycles, other.charge_cycles),
            (&mut sum.full_cycles, other.full_cycles),
            (&mut sum.refusals, other.refusals),
            (&mut sum.overrules, other.overrules),
        ] {
            *total = total.saturating_add(more);
        }
        sum.heater_on_ms = sum.heater_on_ms.saturating_add(other.heater_on_ms);
        sum.bank_energy_uj = sum.bank_energy_uj.saturating_add(other.bank_energy_uj);
        for (total, more) in sum.source_energy_uj.iter_mut().zip(other.source_energy_uj) {
            *total = total.saturating_add(more);
        }
        sum
    }
}

/// Totals and the latest events.
#[derive(Clone, Debug, Default)]
pub struct Journal {
    counters: Counters,
    events: Deque<Event, EVENTS>,
    before: Option<Instant>,
    shares: Shares,
}

impl Journal {
    /// Notes what finally went to the relays at `now`. Time and energy since the step before are credited to what was on
    /// then, unless more than `longest` has passed.
    pub(crate) fn note(&mut self, now: Instant, longest: Millis, outputs: &Outputs, shares: impl FnOnce() -> Shares) {
        let elapsed = self.before.replace(now).map_or(Millis::ZERO, |before| now.since(before));
        let latest = self.events.back().copied();
        let was_on = latest.is_some_and(|event| event.heater == Relay::Closed);
        if was_on && elapsed <= longest {
            self.spend(elapsed);
        }
        if outputs.heater == Relay::Closed {
            self.shares = shares();
        }

        let (heater, charge) = latest.map_or((Relay::Open, Relay::Open), |event| (event.heater, event.charge));
        let full = latest.map_or(Relay::Open, |event| event.full);
        let Counters { heater_cycles, charge_cycles, full_cycles, refusals, .. } = &mut self.counters;
        match (heater, outputs.heater) {
            (Relay::Open, Relay::Closed) => *heater_cycles = heater_cycles.saturating_add(1),
            (Relay::Open | Relay::Closed, _) => {}
        }
        match (full, outputs.full) {
            (Relay::Open, Relay::Closed) => *full_cycles = full_cycles.saturating_add(1),
            (Relay::Open | Relay::Closed, _) => {}
        }
        match (charge, outputs.charge) {
            (Relay::Open, Relay::Closed) => *charge_cycles = charge_cycles.saturating_add(1),
            (Relay::Closed, Relay::Open) => *refusals = refusals.saturating_add(1),
            (Relay::Open, Relay::Open) | (Relay::Closed, Relay::Closed) => {}
        }

        let event = Event {
            at: now,
            state: outputs.state,
            cause: outputs.cause,
            heater: outputs.heater,
            charge: outputs.charge,
            full: outputs.full,
        };
        let changed = latest.is_none_or(|latest| Event { at: now, ..latest } != event);
        if changed {
            if self.events.is_full() {
                self.events.pop_front();
            }
            // There is room now.
            let _ = self.events.push_back(event);
        }
    }

    /// Some steps, `span` long in all and the last of them at `now`, changed nothing.
    #[cfg(feature = "leap")]
    pub(crate) fn pass(&mut self, now: Instant, span: Millis) {
        self.before = Some(now);
        if self.latest().is_some_and(|event| event.heater == Relay::Closed) {
            self.spend(span);
        }
    }

    fn spend(&mut self, elapsed: Millis) {
        let time = u64::from(elapsed.as_millis());
        let energy = |power: crate::quantity::Milliwatts| u64::from(power.as_milliwatts()).saturating_mul(time);
        let Counters { heater_on_ms, source_energy_uj, bank_energy_uj, .. } = &mut self.counters;
        *heater_on_ms = heater_on_ms.saturating_add(time);
        // Most give nothing in most steps.
        for (total, &share) in
            source_energy_uj.iter_mut().zip(&self.shares.sources).filter(|(_, share)| !share.is_zero())
        {
            *total = total.saturating_add(energy(share));
        }
        *bank_energy_uj = bank_energy_uj.saturating_add(energy(self.shares.bank));
    }

    pub(crate) fn count_overrule(&mut self) {
        self.counters.overrules = self.counters.overrules.saturating_add(1);
    }

    /// The totals.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }

    /// The latest event.
    #[must_use]
    pub fn latest(&self) -> Option<Event> {
        self.events.back().copied()
    }

    /// The latest events, oldest first.
    pub fn events(&self) -> impl Iterator<Item = &Event> {
        self.events.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::SystemFault;

    #[test]
    fn the_oldest_event_gives_way_and_the_order_stays() {
        let mut journal = Journal::default();
        // Each differs from the one before by its state; 40 is more than are kept.
        for n in 0..40 {
            let state = State::PLAIN[n % State::PLAIN.len()];
            let outputs = Outputs { state, ..Outputs::all_off(SystemFault::ClockJumped) };
            let now = Instant::from_millis(u32::try_from(n).unwrap());
            journal.note(now, Millis::from_secs(1), &outputs, Shares::default);
        }
        let kept: std::vec::Vec<u32> = journal.events().map(|event| event.at.as_millis()).collect();
        assert_eq!(kept, (24..40).collect::<std::vec::Vec<u32>>());
    }
}

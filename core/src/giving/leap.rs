//! For how long nothing more is known of what the sources give, and where the timers stand after it. See
//! [`crate::leap`].

use super::{Giving, Look, Pause, Sags};
use crate::leap::{steps_before, steps_left};
use crate::quantity::{Millis, Milliwatts};
use crate::signals::Relay;

impl Pause {
    /// For how many steps it goes on, or stays over.
    fn quiet(self, step: Millis) -> u32 {
        if self.is_over() { u32::MAX } else { steps_left(self.left, step) }
    }
}

impl Sags {
    pub(crate) fn quiet(&self, step: Millis, heater: Relay) -> u32 {
        match heater {
            Relay::Open => self.pause.quiet(step),
            Relay::Closed if self.closed < Self::CARRIED => steps_before(self.closed, Self::CARRIED, step),
            Relay::Closed => u32::MAX,
        }
    }

    pub(crate) fn pass(&mut self, span: Millis, heater: Relay) {
        match heater {
            Relay::Open => {
                self.closed = Millis::ZERO;
                self.pause.pass(span);
            }
            Relay::Closed => self.closed = self.closed.plus(span),
        }
    }
}

impl Giving {
    /// For how many steps it finds no failure and no proof, if it looks the same each time.
    pub(crate) fn quiet(&self, step: Millis, look: &Look) -> u32 {
        if !self.has_noted(look) {
            return 0;
        }
        let mut quiet = u32::MAX;
        if !self.doubted.is_empty() {
            quiet = self.pause.quiet(step);
            for (index, &absent) in self.absent.iter().enumerate() {
                if self.doubted.contains(index) && !look.present.contains(index) {
                    quiet = quiet.min(steps_before(absent, Self::GONE, step));
                }
            }
        }
        if look.heater == Relay::Open || look.may_be_spent {
            return quiet;
        }
        if self.lost >= self.rule.fall_charge.as_steps() {
            return 0;
        }
        let seen = look.bank.zip(self.reference);
        if seen.is_some_and(|(bank, reference)| bank.plus(self.rule.fall) <= reference) {
            // It counts from the second look on.
            let Some(fallen) = self.fallen else { return 0 };
            quiet = quiet.min(steps_before(fallen, Self::LASTS, step));
        } else if self.fallen.is_some() {
            return 0;
        }
        if seen.is_none() && look.charge.is_none() {
            quiet = quiet.min(steps_before(self.unseen, Self::TRIAL, step));
        }
        let a_step_uj = energy_uj(look.load, step);
        let lacking_uj = self.proof_uj.saturating_sub(self.spent_uj);
        let proof = lacking_uj.div_ceil(a_step_uj.max(1)).saturating_sub(1);
        quiet.min(u32::try_from(proof).unwrap_or(u32::MAX))
    }

    /// Whether it has taken in all that another such look would show it, but for the time.
    fn has_noted(&self, look: &Look) -> bool {
        let bank = match look.heater {
            Relay::Open => {
                let is_reference = look.source_present || self.reference == self.before;
                self.before == look.bank.or(self.before) && is_reference
            }
            Relay::Closed => self.reference.is_some() || self.before.is_none(),
        };
        let is_watched = look.heater == Relay::Closed && !look.may_be_spent;
        bank && self.charge == look.charge.or(self.charge) && (is_watched || self.fallen.is_none())
    }

    /// After some quiet steps, as long together as is credited.
    pub(crate) fn pass(&mut self, look: &Look) {
        let span = look.credited;
        if !self.doubted.is_empty() {
            self.let_time_pass(look);
        }
        if look.heater == Relay::Open || look.may_be_spent {
            return;
        }
        self.spent_uj = self.spent_uj.saturating_add(energy_uj(look.load, span));
        self.fallen = self.fallen.map(|time| time.plus(span));
        let is_seen = look.bank.zip(self.reference).is_some() || look.charge.is_some();
        self.unseen = if is_seen { Millis::ZERO } else { self.unseen.plus(span) };
    }
}

fn energy_uj(power: Milliwatts, span: Millis) -> u64 {
    u64::from(power.as_milliwatts()).saturating_mul(span.as_millis().into())
}

//! Whether heater and relays do what they are commanded.
//!
//! Relays weld closed and coils burn out; pads break and fuses blow. This module compares what the controller commanded
//! with what the auxiliary contacts say and what the temperatures do. These faults latch, so they go by what was
//! measured, not by what an old reading may have drifted to. The picture, which includes the drift, says when it is
//! worth looking.

use crate::fault::{SystemFault, SystemFaults};
#[cfg(feature = "leap")]
use crate::leap::steps_before;
use crate::quantity::{Kelvins, Millis, Milliwatts};
use crate::run::cool_after;
use crate::sensing::{Group, Picture, Sensing};
use crate::settings::{Cooling, Heater, Role, Settings};
use crate::signals::{Inputs, Relay};
use crate::trial::{Trial, Trials};

/// How long a contact has disagreed with its command.
#[derive(Clone, Copy, Debug, Hash)]
struct Mismatch(Millis);

impl Mismatch {
    const NONE: Self = Self(Millis::ZERO);

    /// Counts the time of disagreement; a contact that is not fitted never disagrees.
    fn observe(&mut self, credited: Millis, command: Relay, contact: Option<Relay>) -> bool {
        let differs = contact.is_some_and(|contact| contact != command);
        self.0 = if differs { self.0.plus(credited) } else { Millis::ZERO };
        differs
    }
}

/// What has been commanded and since when, and what was seen to follow.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Contacts {
    cooling: Option<Cooling>,
    follow_within: Millis,
    heater: Relay,
    charge: Relay,
    /// Time since the heater was last switched. After a reset, the time for which it has surely been off.
    since_switched: Millis,
    trial: Trials,
    /// Time in which a plate cools, so that the next heating begins another trial.
    cool_after: Millis,
    heater_mismatch: Mismatch,
    charge_mismatch: Mismatch,
}

/// What the contacts and temperatures say in this step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Findings {
    /// Faults seen in this step.
    pub(crate) faults: SystemFaults,
    /// Causes that are still there, so the reset button cannot clear their faults.
    pub(crate) standing: SystemFaults,
}

impl Findings {
    const NONE: Self = Self { faults: SystemFaults::NONE, standing: SystemFaults::NONE };
}

impl Contacts {
    /// After a reset, with the heater off for so long already.
    pub(crate) fn new(settings: &Settings, off_for: Millis, trial: Trial) -> Self {
        let Heater { cooling, .. } = settings.heater;
        Self {
            cooling,
            follow_within: settings.trust.feedback,
            heater: Relay::Open,
            charge: Relay::Open,
            since_switched: off_for,
            trial: Trials::recalled(settings, trial),
            cool_after: cool_after(settings),
            heater_mismatch: Mismatch::NONE,
            charge_mismatch: Mismatch::NONE,
        }
    }

    /// Compares what was commanded in the step before with what is seen now.
    pub(crate) fn judge(
        &mut self,
        credited: Millis,
        inputs: &Inputs,
        picture: &Picture,
        sensing: &Sensing,
        load: Milliwatts,
    ) -> Findings {
        self.since_switched = self.since_switched.plus(credited);
        let differ = [
            self.heater_mismatch.observe(credited, self.heater, inputs.heater_feedback),
            self.charge_mismatch.observe(credited, self.charge, inputs.charge_feedback),
        ];
        let Findings { mut faults, mut standing } =
            if differ == [false; 2] { Findings::NONE } else { self.disobeyed(differ) };

        match self.heater {
            Relay::Open => {
                if self.plate_stays_warm(picture, sensing) {
                    standing = standing.with(SystemFault::HeaterWelded);
                    faults = faults.with(SystemFault::HeaterWelded);
                }
            }
            Relay::Closed => {
                faults = faults.or(self.trial.judge(credited, sensing, load));
            }
        }
        Findings { faults, standing }
    }

    /// What the contacts of heater and charge say that differ from what is commanded.
    #[cold]
    fn disobeyed(&self, [heater, charge]: [bool; 2]) -> Findings {
        let mut findings = Findings::NONE;
        for (differs, mismatch, command, welded, not_closing) in [
            (heater, self.heater_mismatch, self.heater, SystemFault::HeaterWelded, SystemFault::HeaterNotClosing),
            (charge, self.charge_mismatch, self.charge, SystemFault::ChargeWelded, SystemFault::ChargeNotClosing),
        ] {
            let fault = match command {
                Relay::Open => welded,
                Relay::Closed => not_closing,
            };
            if differs && command == Relay::Open {
                findings.standing = findings.standing.with(fault);
            }
            if mismatch.0 >= self.follow_within {
                findings.faults = findings.faults.with(fault);
            }
        }
        findings
    }

    /// The same without what can no longer decide anything: see [`crate::every_state`].
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        let cooling = self.cooling.map_or(Millis::ZERO, |cooling| cooling.after);
        let trial = if self.trial.is_judged() { self.cool_after } else { Millis::ZERO };
        self.since_switched = match self.heater {
            Relay::Open => self.since_switched.min(cooling.max(trial)),
            Relay::Closed => Millis::ZERO,
        };
        for mismatch in [&mut self.heater_mismatch, &mut self.charge_mismatch] {
            mismatch.0 = mismatch.0.min(self.follow_within);
        }
        self.trial.canonical();
    }

    /// For how many steps contacts and temperatures go on to follow what is commanded. No pad lies further above a cell
    /// than by `excess`.
    #[cfg(feature = "leap")]
    pub(crate) fn quiet(&self, step: Millis, inputs: &Inputs, load: Milliwatts, excess: Kelvins) -> u32 {
        let follows = |command: Relay, contact: Option<Relay>| contact.is_none_or(|contact| contact == command);
        if !follows(self.heater, inputs.heater_feedback) || !follows(self.charge, inputs.charge_feedback) {
            return 0;
        }
        match (self.heater, self.cooling) {
            (Relay::Closed, _) => self.trial.quiet(step, load),
            (Relay::Open, Some(cooling)) if excess >= cooling.excess => {
                steps_before(self.since_switched, cooling.after, step)
            }
            (Relay::Open, _) => u32::MAX,
        }
    }

    /// After so long with nothing switched.
    #[cfg(feature = "leap")]
    pub(crate) fn pass(&mut self, span: Millis, load: Milliwatts) {
        self.since_switched = self.since_switched.plus(span);
        if self.heater == Relay::Closed {
            self.trial.pass(span, load);
        }
    }

    fn plate_stays_warm(&self, picture: &Picture, sensing: &Sensing) -> bool {
        let Some(Cooling { after, excess }) = self.cooling else { return false };
        match (picture.pads, picture.cells) {
            (Group::Good { hottest: pad, .. }, Group::Good { coldest: cell, .. }) => {
                self.since_switched >= after && pad.above(cell) >= excess && measured_excess(sensing) >= Some(excess)
            }
            _ => false,
        }
    }

    /// The part of the trial that must survive a restart.
    pub(crate) fn kept_trial(&self) -> Trial {
        self.trial.kept()
    }

    /// Takes note of what is commanded from now on.
    pub(crate) fn command(&mut self, heater: Relay, charge: Relay, sensing: &Sensing) {
        if heater != self.heater {
            if heater == Relay::Closed {
                self.trial.heat(self.since_switched >= self.cool_after, sensing);
            }
            self.since_switched = Millis::ZERO;
            self.heater_mismatch = Mismatch::NONE;
        }
        if charge != self.charge {
            self.charge_mismatch = Mismatch::NONE;
        }
        (self.heater, self.charge) = (heater, charge);
    }
}

/// How far the hottest plate lies above the hottest cell.
fn measured_excess(sensing: &Sensing) -> Option<Kelvins> {
    let ((_, pad), (_, cell)) = (sensing.measured(Role::Pad)?, sensing.measured(Role::Cell)?);
    Some(pad.above(cell))
}

#[cfg(all(test, feature = "leap"))]
mod tests {
    use super::*;
    use crate::testing::settings;

    const SECOND: Millis = Millis::from_secs(1);

    #[test]
    fn only_while_both_contacts_follow_is_anything_left_out() {
        let settings = settings();
        let contacts = Contacts::new(&settings, Millis::ZERO, Trial::Due);
        for heater in [None, Some(Relay::Open), Some(Relay::Closed)] {
            for charge in [None, Some(Relay::Open), Some(Relay::Closed)] {
                let inputs = Inputs { heater_feedback: heater, charge_feedback: charge, ..Inputs::DEAD };
                let follow = heater != Some(Relay::Closed) && charge != Some(Relay::Closed);
                let quiet = contacts.quiet(SECOND, &inputs, Milliwatts::ZERO, Kelvins::ZERO);
                assert_eq!(quiet > 0, follow, "{heater:?} {charge:?}");
            }
        }
    }

    #[test]
    fn only_a_plate_that_may_be_warm_enough_ends_it_and_no_sooner_than_it_must_have_cooled() {
        let settings = settings();
        let Cooling { after, excess } = settings.heater.cooling.unwrap();
        let quiet = |off_for: Millis, above: Kelvins| {
            let contacts = Contacts::new(&settings, off_for, Trial::Due);
            contacts.quiet(SECOND, &Inputs::DEAD, Milliwatts::ZERO, above)
        };
        let seconds = after.as_millis() / 1000;
        let less = Kelvins::from_steps(excess.as_steps() - 1);
        assert_eq!([quiet(Millis::ZERO, less), quiet(after, less)], [u32::MAX; 2]);
        assert_eq!([quiet(Millis::ZERO, excess), quiet(after, excess)], [seconds - 1, 0]);
    }
}

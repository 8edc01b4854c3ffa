//! Whether heater and relays do what they are told.
//!
//! Relays weld closed and coils burn out; pads break and fuses blow. What the controller commanded is compared with what the
//! auxiliary contacts say and with what the temperatures do. These faults latch, so they go by what was measured, not by what an old
//! reading may have drifted to; the picture, which includes the drift, says when it is worth looking.

use crate::fault::{SystemFault, SystemFaults};
use crate::quantity::{Celsius, Kelvins, Millis, Milliwatts};
use crate::sensing::{Group, Picture, Sensing};
use crate::settings::{Cooling, Heater, Proof, Role, Settings};
use crate::signals::{Inputs, Relay};

/// How long a contact has disagreed with its command.
#[derive(Clone, Copy, Debug)]
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

/// Temperatures at which a run of the heater began, and the energy since.
#[derive(Clone, Copy, Debug)]
struct Trial {
    coldest_cell: Celsius,
    hottest_pad: Option<Celsius>,
    /// In microjoules.
    energy_uj: u64,
}

/// What has been commanded and since when, and what was seen to follow.
#[derive(Clone, Debug)]
pub(crate) struct Contacts {
    proof: Option<Proof>,
    cooling: Option<Cooling>,
    follow_within: Millis,
    heater: Relay,
    charge: Relay,
    /// Time since the heater was last switched; after a reset, as long as it has surely been off.
    since_switched: Millis,
    trial: Option<Trial>,
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

impl Contacts {
    /// After a reset, with the heater off for so long already.
    pub(crate) fn new(settings: &Settings, off_for: Millis) -> Self {
        let Heater { proof, cooling, .. } = settings.heater;
        Self {
            proof,
            cooling,
            follow_within: settings.trust.feedback,
            heater: Relay::Open,
            charge: Relay::Open,
            since_switched: off_for,
            trial: None,
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
        let mut faults = SystemFaults::NONE;
        let mut standing = SystemFaults::NONE;
        self.since_switched = self.since_switched.plus(credited);

        let differs = self.heater_mismatch.observe(credited, self.heater, inputs.heater_feedback);
        let fault = match self.heater {
            Relay::Open => SystemFault::HeaterWelded,
            Relay::Closed => SystemFault::HeaterNotClosing,
        };
        if differs && self.heater == Relay::Open {
            standing = standing.with(fault);
        }
        if self.heater_mismatch.0 >= self.follow_within {
            faults = faults.with(fault);
        }

        if self.charge_mismatch.observe(credited, self.charge, inputs.charge_feedback) && self.charge == Relay::Open {
            standing = standing.with(SystemFault::ChargeWelded);
            if self.charge_mismatch.0 >= self.follow_within {
                faults = faults.with(SystemFault::ChargeWelded);
            }
        }

        match self.heater {
            Relay::Open => {
                if self.plate_stays_warm(picture, sensing) {
                    standing = standing.with(SystemFault::HeaterWelded);
                    faults = faults.with(SystemFault::HeaterWelded);
                }
            }
            Relay::Closed => {
                if self.heat_has_no_effect(credited, picture, sensing, load) {
                    faults = faults.with(SystemFault::HeaterIneffective);
                }
            }
        }
        Findings { faults, standing }
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

    /// Whether the energy of this run has gone in without a rise. The run is on trial until one is seen.
    fn heat_has_no_effect(&mut self, credited: Millis, picture: &Picture, sensing: &Sensing, load: Milliwatts) -> bool {
        let (Some(proof), Some(trial), Group::Good { coldest, .. }) = (self.proof, &mut self.trial, picture.cells)
        else {
            return false;
        };
        let energy = u64::from(load.as_milliwatts()).saturating_mul(u64::from(credited.as_millis()));
        trial.energy_uj = trial.energy_uj.saturating_add(energy);
        let is_over = trial.energy_uj >= u64::from(proof.energy.as_joules()).saturating_mul(1_000_000);
        let hottest_pad = match picture.pads {
            Group::Good { hottest, .. } => Some(hottest),
            Group::Absent | Group::Starting | Group::Doubtful(_) => None,
        };
        let may_have_risen = trial.has_risen(coldest, hottest_pad, proof.rise);
        if !is_over && !may_have_risen {
            return false;
        }
        if let Some((coldest, pad)) = measured(sensing)
            && trial.has_risen(coldest, pad, proof.rise)
        {
            self.trial = None;
            return false;
        }
        is_over
    }

    /// Takes note of what is commanded from now on.
    pub(crate) fn command(&mut self, heater: Relay, charge: Relay, sensing: &Sensing) {
        if heater != self.heater {
            self.since_switched = Millis::ZERO;
            self.heater_mismatch = Mismatch::NONE;
            self.trial = match heater {
                Relay::Closed => measured(sensing).map(|(coldest_cell, hottest_pad)| Trial {
                    coldest_cell,
                    hottest_pad,
                    energy_uj: 0,
                }),
                Relay::Open => None,
            };
        }
        if charge != self.charge {
            self.charge_mismatch = Mismatch::NONE;
        }
        (self.heater, self.charge) = (heater, charge);
    }
}

impl Trial {
    fn has_risen(&self, coldest: Celsius, pad: Option<Celsius>, by: Kelvins) -> bool {
        let pad_rose = self.hottest_pad.zip(pad).is_some_and(|(before, now)| now.above(before) >= by);
        pad_rose || coldest.above(self.coldest_cell) >= by
    }
}

/// The coldest cell and the hottest plate, where there is one.
fn measured(sensing: &Sensing) -> Option<(Celsius, Option<Celsius>)> {
    let (coldest, _) = sensing.measured(Role::Cell)?;
    Some((coldest, sensing.measured(Role::Pad).map(|(_, hottest)| hottest)))
}

/// How far the hottest plate lies above the hottest cell.
fn measured_excess(sensing: &Sensing) -> Option<Kelvins> {
    let ((_, pad), (_, cell)) = (sensing.measured(Role::Pad)?, sensing.measured(Role::Cell)?);
    Some(pad.above(cell))
}

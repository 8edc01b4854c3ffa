//! The guard without its controller.

use crate::Memory;
use crate::fault::Faults;
use crate::guard::{Guard, Verdict};
use crate::quantity::{Fraction, Instant};
use crate::settings::ValidSettings;
use crate::signals::{Alarm, Cause, Inputs, Outputs, Relay, State};

/// What a controller asks for that has lost its mind.
pub(crate) const EVERYTHING: Outputs = Outputs {
    heater: Relay::Closed,
    charge: Relay::Closed,
    full: Relay::Closed,
    ceiling: Fraction::ONE,
    alarm: Alarm::Quiet,
    state: State::Holding,
    cause: Cause::Soaked,
    overdue: None,
    faults: Faults::NONE,
};

/// A guard behind a controller that asks for everything.
#[derive(Clone, Debug)]
pub struct GuardAlone(Guard);

impl GuardAlone {
    /// After a reset.
    #[must_use]
    pub fn new(settings: &ValidSettings, memory: Memory) -> Self {
        Self(Guard::new(settings, memory))
    }

    /// What it leaves of heater, charge permit and full charge permit.
    pub fn leaves(&mut self, now: Instant, inputs: &Inputs) -> [Relay; 3] {
        let Verdict { heater, charge, full } = self.0.judge(now, inputs, &EVERYTHING);
        [heater, charge, full]
    }

    /// What must survive a restart.
    #[must_use]
    pub fn memory(&self) -> Memory {
        self.0.memory()
    }
}

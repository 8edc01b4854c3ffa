//! A controller and its guard, as one thing to step: what firmware, rehearsal and replay all run.

use crate::fault::{SystemFault, SystemFaults};
use crate::journal::Counters;
use crate::quantity::{Celsius, Instant};
use crate::settings::{MAX_CHANNELS, ValidSettings};
use crate::signals::{Inputs, Outputs};

/// What must survive a restart, kept by the caller in non-volatile storage.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Memory {
    /// Latched faults.
    pub latched: SystemFaults,
    /// Restarts within the restart window.
    pub restarts: u8,
}

/// A controller and its guard.
#[derive(Clone, Debug)]
pub struct Unit {
    settings: ValidSettings,
}

impl Unit {
    /// A unit that has just been reset: both outputs off until its start-up checks are done.
    #[must_use]
    pub fn new(settings: ValidSettings, _memory: Memory) -> Self {
        Self { settings }
    }

    /// One step.
    pub fn step(&mut self, _now: Instant, _inputs: &Inputs) -> Outputs {
        Outputs::all_off(SystemFault::RestartStorm)
    }

    /// The latest good reading of each channel (after median filter and offset); nothing for a channel in fault.
    #[must_use]
    pub fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        [None; MAX_CHANNELS]
    }

    /// The coldest cell reading as the charge question sees it; nothing while a cell channel is faulty.
    #[must_use]
    pub fn coldest_cell(&self) -> Option<Celsius> {
        None
    }

    /// Relay cycles, heater-on time, energy by source, refusals since the start.
    #[must_use]
    pub fn counters(&self) -> &Counters {
        const { &Counters::ZERO }
    }

    /// What must survive a restart; to be stored whenever it changes.
    #[must_use]
    pub fn memory(&self) -> Memory {
        Memory::default()
    }
}

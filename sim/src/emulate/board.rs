//! A board that is on: its machine, and whoever is at its lines.

use super::flash::Flash;
use super::line::Trouble;
use super::machine::{Lines, Machine, Setup};
use super::monitor::Probe;
use super::rig::Rig;
use super::service::Service;
use crate::diagnostic::Problem;

/// A board that has been switched on. Switched off when its machine is dropped.
pub struct Board {
    /// The emulator.
    pub machine: Machine,
    /// The world around the board.
    pub rig: Rig,
    /// The processor's memory.
    pub probe: Probe,
    /// The service line, listened to from the beginning: the board first says what it is.
    pub service: Service,
}

impl Board {
    /// Switches a board on, with the storage it finds, and somebody at its service line.
    ///
    /// # Errors
    /// Where the emulator cannot be started, or its lines do not open.
    pub fn switch_on(setup: &Setup, flash: Flash) -> Result<Self, Problem> {
        let (mut machine, Lines { rig, probe, service }) = Machine::start(&Setup { service: true, ..setup.clone() })?;
        let service = service.ok_or(Trouble::Closed { awaited: "its service line" });
        let service = service.and_then(|stream| Service::new(stream, machine.patience()));
        let service = service.map_err(|trouble| machine.explain(&trouble))?;
        let rig = Rig::new(rig, flash, machine.patience());
        Ok(Self { machine, rig, probe, service })
    }
}

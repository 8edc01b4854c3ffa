//! Answers two questions: why is charge refused, and why is the heater off?
//!
//! The controller shows one cause, which a passer-by needs. A season counts the hours of both answers. Take cells that
//! are cold while there is no energy to warm them. One table counts cold cells, the other a lack of energy. The answers
//! follow the order in which the controller judges. Nothing is decided here.

use forewarm_core::Unit;
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{Role, ValidSettings};
use forewarm_core::signals::{Cause, Outputs, Relay, State};

/// What keeps the two outputs off at one moment. The names are stable: those of [`Cause`] and of the faults, `soaking`
/// and `warm_enough`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Withheld {
    /// Why charge is refused. `None` while it is permitted.
    pub charge: Option<&'static str>,
    /// Why the heater is off. `None` while it is on.
    pub heat: Option<&'static str>,
}

/// The soak time is running.
const SOAKING: &str = "soaking";

/// The cells need no heat. They are above the temperature at which heating starts, or charge is permitted and holding
/// is not set.
const WARM_ENOUGH: &str = "warm_enough";

/// Finds out what keeps the outputs off, for one installation.
#[derive(Clone, Debug)]
pub struct Judge {
    roles: Vec<Role>,
    inhibit: Celsius,
    release: Celsius,
    high_limit: Celsius,
}

impl Judge {
    /// For an installation with these settings.
    #[must_use]
    pub fn new(settings: &ValidSettings) -> Self {
        let charge = &settings.charge;
        Self {
            roles: settings.channels.iter().map(|channel| channel.role).collect(),
            inhibit: charge.inhibit,
            release: charge.release,
            high_limit: charge.high_limit,
        }
    }

    /// What keeps the outputs off after a step of `unit` that gave `outputs`.
    #[must_use]
    pub fn of(&self, unit: &Unit, outputs: &Outputs) -> Withheld {
        Withheld {
            charge: (outputs.charge == Relay::Open).then(|| self.charge(unit, outputs)),
            heat: (outputs.heater == Relay::Open).then(|| self.heat(unit, outputs)),
        }
    }

    fn charge(&self, unit: &Unit, outputs: &Outputs) -> &'static str {
        let line = SystemFaults::NONE.with(SystemFault::ChargeLineRefused);
        let system = outputs.faults.system;
        let disabling = system.and(SystemFaults::DISABLING_CHARGE).without(line).first();
        if let Some(fault) = disabling {
            return fault.facts().name;
        }
        if outputs.state == State::Starting {
            return Cause::StartUp.name();
        }
        let Some(coldest) = unit.coldest_cell() else {
            return self.doubt(Role::Cell, outputs).unwrap_or(Cause::StartUp.name());
        };
        if coldest <= self.inhibit {
            return Cause::CellsCold.name();
        }
        if self.readings(Role::Cell, unit).any(|reading| reading.is_some_and(|t| t >= self.high_limit)) {
            return Cause::CellsHot.name();
        }
        if system.contains(SystemFault::ChargeLineRefused) {
            return Cause::ChargeLineRefused.name();
        }
        if unit.is_ceiling_too_low() {
            return Cause::CeilingTooLow.name();
        }
        match (outputs.state, outputs.cause) {
            _ if coldest <= self.release => Cause::BelowRelease.name(),
            (State::Soaking | State::SoakingWarm, _) => SOAKING,
            (_, Cause::GuardOverruled) => Cause::GuardOverruled.name(),
            // The cells have not cooled below the high release yet.
            _ => Cause::CellsHot.name(),
        }
    }

    fn heat(&self, unit: &Unit, outputs: &Outputs) -> &'static str {
        if unit.coldest_cell().is_some_and(|coldest| !unit.asks_for_heat(coldest)) {
            return WARM_ENOUGH;
        }
        for role in [Role::Cell, Role::Pad] {
            if let Some(fault) = self.doubt(role, outputs) {
                return fault;
            }
            if self.readings(role, unit).any(|reading| reading.is_none()) {
                return Cause::StartUp.name();
            }
        }
        let overrun = SystemFaults::NONE.with(SystemFault::HeaterOverrun);
        if let Some(fault) = outputs.faults.system.and(SystemFaults::DISABLING_HEAT).without(overrun).first() {
            return fault.facts().name;
        }
        match (unit.heat_withheld(), outputs.cause) {
            (Some(cause), _) | (None, cause @ Cause::GuardOverruled) => cause.name(),
            (None, _) => Cause::HeaterResting.name(),
        }
    }

    /// The fault of the first doubtful channel of a role.
    fn doubt(&self, role: Role, outputs: &Outputs) -> Option<&'static str> {
        let mut channels = self.roles.iter().zip(outputs.faults.channels).filter(|(of, _)| **of == role);
        channels.find_map(|(_, fault)| fault).map(|fault| fault.facts().name)
    }

    fn readings(&self, role: Role, unit: &Unit) -> impl Iterator<Item = Option<Celsius>> {
        self.roles.iter().zip(unit.readings()).filter(move |(of, _)| **of == role).map(|(_, reading)| reading)
    }
}

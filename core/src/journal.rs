//! What happened: counters and the latest events, in a fixed space.

use crate::settings::MAX_SOURCES;

/// Totals since the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counters {
    /// Times the heater relay closed.
    pub heater_cycles: u32,
    /// Times the charge relay closed.
    pub charge_cycles: u32,
    /// Time the heater was on, in milliseconds.
    pub heater_on_ms: u64,
    /// Energy spent on heat by source, in the order of the settings, in microjoules (milliwatts × milliseconds).
    pub source_energy_uj: [u64; MAX_SOURCES],
    /// Energy the bank itself spent on heat, in microjoules.
    pub bank_energy_uj: u64,
    /// Times charge permission was taken away.
    pub refusals: u32,
    /// Times the guard overruled the controller.
    pub overrules: u32,
}

impl Counters {
    /// All at zero.
    pub const ZERO: Self = Self {
        heater_cycles: 0,
        charge_cycles: 0,
        heater_on_ms: 0,
        source_energy_uj: [0; MAX_SOURCES],
        bank_energy_uj: 0,
        refusals: 0,
        overrules: 0,
    };
}

//! What must survive a restart.
//!
//! [`Unit::new`](crate::Unit::new) takes what was kept from before the reset. [`Unit::memory`](crate::Unit::memory)
//! says what to keep now. The caller decides where to keep it. `Memory::default()` belongs to a controller that has
//! never run.

pub use crate::giving::Doubt;
pub use crate::run::Run;
pub use crate::trial::Trial;

use crate::fault::SystemFaults;

/// What must survive a restart; the caller keeps it in non-volatile storage.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Memory {
    /// Latched faults.
    pub latched: SystemFaults,
    /// Restarts within the restart window.
    pub restarts: u8,
    /// Quarters of the soak time that had passed: all four while charge was permitted. Nobody knows how long the power
    /// was away, so the last quarter is soaked again.
    pub soaked: u8,
    /// How long charge has been waited for, in parts of the time after which it is overdue.
    pub waited: u8,
    /// A bit for each thermometer channel that has [jumped](crate::fault::ChannelFault::Jumped).
    pub jumped: u8,
    /// Sources that gave nothing.
    pub doubt: Doubt,
    /// How long the heater has run and paused. Without it, restarts would let the heater run without a rest.
    pub run: Run,
    /// The energy put into a heater that has not shown an effect yet. Without it, restarts would hide that it has none.
    pub trial: Trial,
}

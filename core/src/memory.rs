//! What must survive a restart.
//!
//! A unit is made with what was kept from before the reset, and says what is to be kept now:
//! [`Unit::new`](crate::Unit::new) and [`Unit::memory`](crate::Unit::memory). Where it is kept is the caller's
//! business; `Memory::default()` is that of a controller which has never run.

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
    /// Quarters of the soak time that had passed: all four while charge was permitted. How long the power was away
    /// nobody knows, so the last quarter is soaked again.
    pub soaked: u8,
    /// How long charge has been waited for, in parts of the time after which it is overdue.
    pub waited: u8,
    /// A bit for each thermometer channel that has [jumped](crate::fault::ChannelFault::Jumped).
    pub jumped: u8,
    /// Sources that gave nothing.
    pub doubt: Doubt,
    /// How long the heater has run and paused, or no restart would ever let it rest.
    pub run: Run,
    /// What has been put into a heater that has not shown an effect, or restarts would hide that it has none.
    pub trial: Trial,
}

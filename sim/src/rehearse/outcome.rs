//! What came of a season.

use crate::plant::Balance;
use forewarm_core::settings::MAX_SOURCES;

/// Totals of one season.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Outcome {
    /// Length of what was played (s).
    pub span_s: f64,
    /// Steps of the controller that it is long.
    pub steps: u64,
    /// Steps that were taken one by one; the rest was crossed in leaps.
    pub taken: u64,
    /// Time the heater was on (s).
    pub heater_on_s: f64,
    /// Heat into the pad (Wh).
    pub heater_wh: f64,
    /// What each source spent on it, in the order of the settings, without what its cable loses (Wh).
    pub heater_wh_by_source: [f64; MAX_SOURCES],
    /// What the bank spent on it (Wh).
    pub heater_wh_of_bank: f64,
    /// Time charge was permitted (s).
    pub charge_permitted_s: f64,
    /// Of that, time with the full charge permit (s); without a source in two steps, all of it.
    pub charge_full_s: f64,
    /// Time in which the sources, present for heat or not, gave more than loads and heater took and the bank was not full (s). Dim
    /// light counts like any other; how much there was is in `refused_wh` and `charged_ah`.
    pub charge_wanted_s: f64,
    /// Of that, time charge was not permitted (s).
    pub charge_refused_s: f64,
    /// Time in which the bank was charged with more than the ceiling lets cells as warm as they are read take (s). The step in which a
    /// source turns up, which is over before any controller can see it, does not count.
    pub above_ceiling_s: f64,
    /// By how much, at the most (A).
    pub most_above_ceiling_a: f64,
    /// Charged into the bank (Ah): what it takes up, and not what holds a full one at its voltage.
    pub charged_ah: f64,
    /// Energy that the sources had to spare while charge was refused (Wh).
    pub refused_wh: f64,
    /// Energy that loads asked for and an empty bank did not give (Wh).
    pub unmet_wh: f64,
    /// Least and last state of charge, 0 to 1.
    pub least_charge: f64,
    /// State of charge at the end, 0 to 1.
    pub last_charge: f64,
    /// Coldest place of any battery, within it or at an outer face, while charge was permitted (°C); nothing where it never was.
    pub coldest_true_c_while_permitted: Option<f64>,
    /// The same at all times (°C).
    pub coldest_true_c: f64,
    /// Warmest the plate has been (°C).
    pub warmest_plate_c: f64,
    /// Times the heater relay closed.
    pub heater_cycles: u32,
    /// Of those, most in any 24 hours.
    pub heater_cycles_in_a_day: u32,
    /// Times the charge relay closed.
    pub charge_cycles: u32,
    /// Times the full charge permit relay closed, where there is one.
    pub full_cycles: u32,
    /// Permits during which the coldest place was below the hard limit.
    pub violations: u32,
    /// Time in which it was below (s).
    pub violation_s: f64,
    /// Times the guard overruled the controller.
    pub overrules: u32,
    /// The hard limit that was judged by (°C).
    pub hard_limit_c: f64,
    /// Where the heat went.
    pub balance: Balance,
}

impl Outcome {
    /// Length in days.
    #[must_use]
    pub fn days(&self) -> f64 {
        self.span_s / 86_400.0
    }

    /// Time the heater was off (s).
    #[must_use]
    pub fn heater_off_s(&self) -> f64 {
        self.span_s - self.heater_on_s
    }

    /// Times a relay closed.
    #[must_use]
    pub const fn relay_cycles(&self) -> u32 {
        self.heater_cycles.saturating_add(self.charge_cycles)
    }
}

//! The result of a season.

use crate::plant::Balance;
use forewarm_core::settings::MAX_SOURCES;

/// Totals of one season.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Outcome {
    /// Length of what was played (s).
    pub span_s: f64,
    /// Its length in steps of the controller.
    pub steps: u64,
    /// Steps taken one by one; leaps crossed the rest.
    pub taken: u64,
    /// Time the heater was on (s).
    pub heater_on_s: f64,
    /// Heat into the pad (Wh).
    pub heater_wh: f64,
    /// Energy that each source spent on heat, in the order of the settings, without the loss in its cable (Wh).
    pub heater_wh_by_source: [f64; MAX_SOURCES],
    /// Energy that the bank spent on heat (Wh).
    pub heater_wh_of_bank: f64,
    /// Time charge was permitted (s).
    pub charge_permitted_s: f64,
    /// Part of it with the full charge permit (s); all of it if no source has two steps.
    pub charge_full_s: f64,
    /// Time in which the sources gave more than loads and heater took while the bank was not full (s). A source counts
    /// whether it is present for heat or not. Dim light counts like any other; `refused_wh` and `charged_ah` hold how
    /// much there was.
    pub charge_wanted_s: f64,
    /// Part of it without a charge permit (s).
    pub charge_refused_s: f64,
    /// Time in which the charge current was above the ceiling for cells as warm as they are read (s). The step in which
    /// a source turns up does not count: it is over before any controller can see it.
    pub above_ceiling_s: f64,
    /// The most that the current was above that ceiling (A).
    pub most_above_ceiling_a: f64,
    /// Charge that the bank took up (Ah). The current that holds a full bank at its voltage does not count.
    pub charged_ah: f64,
    /// Energy that the sources had to spare while charge was refused (Wh).
    pub refused_wh: f64,
    /// Energy that loads asked for and an empty bank did not give (Wh).
    pub unmet_wh: f64,
    /// Lowest state of charge, 0 to 1.
    pub least_charge: f64,
    /// State of charge at the end, 0 to 1.
    pub last_charge: f64,
    /// Coldest place of any battery, within it or at an outer face, while charge was permitted (°C); `None` if it never
    /// was. To within a millikelvin if nobody watched the season.
    pub coldest_true_c_while_permitted: Option<f64>,
    /// The same at all times (°C).
    pub coldest_true_c: f64,
    /// Highest temperature of the plate (°C).
    pub warmest_plate_c: f64,
    /// Times the heater relay closed.
    pub heater_cycles: u32,
    /// The most of these in any 24 hours.
    pub heater_cycles_in_a_day: u32,
    /// Times the charge relay closed.
    pub charge_cycles: u32,
    /// Times the full charge permit relay closed, if there is one.
    pub full_cycles: u32,
    /// Permits during which the coldest place was below the hard limit.
    pub violations: u32,
    /// Time in which charge was permitted below the hard limit (s).
    pub violation_s: f64,
    /// Times the guard overruled the controller.
    pub overrules: u32,
    /// The hard limit that the season was judged by (°C).
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

    /// Times the heater relay and the charge relay closed.
    #[must_use]
    pub const fn relay_cycles(&self) -> u32 {
        self.heater_cycles.saturating_add(self.charge_cycles)
    }
}

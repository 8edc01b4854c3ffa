//! What no part may pass, whatever breaks.

use crate::si;
use crate::site::Site;
use forewarm_core::settings::Settings;
use serde::Serialize;

/// The most that a film heater and its adhesive bear (°C). Source: common practice for silicone and polyimide films with
/// acrylic adhesive, from memory.
const PAD_C: f64 = 120.0;

/// The most that a cell bears (°C). Source: the usual limit for discharge and storage of lithium iron phosphate cells, from memory.
const CELL_C: f64 = 60.0;

/// The limits of one installation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// No place of a cell that is charged may be colder (°C).
    pub cell_charged_min_c: f64,
    /// No place of a battery may be hotter (°C).
    pub cell_max_c: f64,
    /// No place of the plate may be hotter: where the thermal cut-out opens, and what it needs to act (°C).
    pub plate_max_c: f64,
    /// No place of the pad may be hotter (°C).
    pub pad_max_c: f64,
    /// Where the independent thermal cut-out opens the heater's circuit, measured at the plate (°C).
    pub thermal_cutout_c: f64,
}

/// How far the plate goes on rising until a cut-out that touches it has opened (K). No source.
const CUTOUT_LAGS_K: f64 = 10.0;

impl Limits {
    /// Those of an installation.
    #[must_use]
    pub fn of(site: &Site, settings: &Settings) -> Self {
        let heater = &settings.heater;
        let above_k = si::kelvins(heater.over_temperature);
        // Where the controller itself would latch the heater off: it must not open before.
        let thermal_cutout_c = si::celsius(heater.cutout_pad) + above_k;
        Self {
            cell_charged_min_c: site.battery.hard_limit_c,
            cell_max_c: CELL_C,
            plate_max_c: thermal_cutout_c + CUTOUT_LAGS_K,
            pad_max_c: PAD_C,
            thermal_cutout_c,
        }
    }
}

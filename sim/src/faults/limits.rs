//! What no part may pass, whatever breaks.

use crate::si;
use crate::site::{Opening, Site, ThermalCutout, Touches};
use crate::withstand::{CELL_C, PAD_C};
use forewarm_core::settings::Settings;
use serde::Serialize;

/// The limits of one installation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// No place of a cell that is charged may be colder (°C).
    pub cell_charged_min_c: f64,
    /// No place of a battery may be hotter (°C).
    pub cell_max_c: f64,
    /// No place of the plate may be hotter: where a thermal cut-out opens, and what it needs to act (°C).
    pub plate_max_c: f64,
    /// No place of the pad may be hotter (°C).
    pub pad_max_c: f64,
    /// What opens the heater's circuit without the controller.
    pub thermal_cutouts: Vec<Opening>,
    /// Whether that is only assumed, because the file names none.
    pub cutout_assumed: bool,
}

/// How far the plate goes on rising until a cut-out that touches it has opened (K). No source.
const CUTOUT_LAGS_K: f64 = 10.0;

impl Limits {
    /// Those of an installation.
    #[must_use]
    pub fn of(site: &Site, settings: &Settings) -> Self {
        let heater = &settings.heater;
        let cutout_assumed = site.thermal_cutouts.is_empty();
        let thermal_cutouts = if cutout_assumed {
            // Where the controller itself would latch the heater off: it must not open before.
            let opens_c = si::celsius(heater.cutout_pad) + si::kelvins(heater.over_temperature);
            vec![Opening { at: Touches::Plate, opens_c, closes_c: None }]
        } else {
            site.thermal_cutouts.iter().map(ThermalCutout::latest).collect()
        };
        // The pad is no colder than the plate that it heats.
        let first_c = thermal_cutouts.iter().map(|cutout| cutout.opens_c).fold(f64::INFINITY, f64::min);
        Self {
            cell_charged_min_c: site.battery.hard_limit_c,
            cell_max_c: CELL_C,
            plate_max_c: first_c + CUTOUT_LAGS_K,
            pad_max_c: PAD_C,
            thermal_cutouts,
            cutout_assumed,
        }
    }

    /// Whether a thermal cut-out opens with plate and pad as hot as this (°C).
    pub(super) fn opens(&self, plate_c: f64, pad_c: f64) -> bool {
        self.thermal_cutouts.iter().any(|cutout| cutout.opens(plate_c, pad_c))
    }

    /// What opens the heater's circuit without the controller, in words.
    pub(super) fn cutouts_told(&self) -> String {
        let all: Vec<String> = self.thermal_cutouts.iter().map(Opening::to_string).collect();
        let all = all.join(", and ");
        if self.cutout_assumed {
            format!(
                "a thermal cut-out that does not depend on the controller, and that the file does not name, opens the heater's circuit {all}"
            )
        } else {
            format!(
                "the thermal cut-outs of the file, each at the late end of its tolerance, open the heater's circuit {all}"
            )
        }
    }
}

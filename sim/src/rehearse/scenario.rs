//! Everything a season is played with.

use crate::breakdown::Breakdown;
use crate::diagnostic::Problem;
use crate::offer::Offer;
use crate::plant::{Plant, Shape};
use crate::site::{BankMeasured, Opening, Site};
use crate::weather::Weather;
use forewarm_core::Layer;
use forewarm_core::settings::{Reserve, ValidSettings};
use std::sync::OnceLock;

/// An installation in its season.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// What the fitter calls it.
    pub title: String,
    /// Names of the thermometer channels, in the order of the settings.
    pub channels: Vec<String>,
    /// Names of the energy sources, in the order of the settings.
    pub sources: Vec<String>,
    /// The controller's settings.
    pub settings: ValidSettings,
    /// What is really there.
    pub site: Site,
    /// The weather from second 0 of the season to its end or beyond.
    pub weather: Weather,
    /// What sources and loads do.
    pub offers: Vec<Offer>,
    /// Length of the season (s).
    pub span_s: i64,
    /// Time between two steps of the controller (ms).
    pub step_ms: u32,
    /// Whether the controller sees a voltage at the heater; without one it never closes its relay.
    pub has_heater_supply: bool,
    /// What the controller measures of the bank.
    pub bank_measured: BankMeasured,
    /// What breaks, and when.
    pub broken: Vec<Broken>,
    /// Whether both relays have auxiliary contacts that the controller reads.
    pub has_contacts: bool,
    /// What opens the heater's circuit without the controller, as it is played.
    pub thermal_cutouts: Vec<Opening>,
    /// Which of its judges the controller goes by.
    pub layer: Layer,
    /// The site cut into cells, once it has been played.
    pub shape: OnceLock<Shape>,
    /// What in weather and logs is probably not intended.
    pub warnings: Vec<Problem>,
}

/// Something that is broken for a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Broken {
    /// What.
    pub what: Breakdown,
    /// Since the start (s).
    pub from_s: i64,
    /// When it is mended (s). `None` if it stays.
    pub until_s: Option<i64>,
}

impl Scenario {
    /// Resistance of the heater's cable there and back, in the cold (Ω); 0 if no cable is chosen.
    #[must_use]
    pub fn line_ohm(&self) -> f64 {
        let circuit = self.site.circuit.and_then(|circuit| Some((circuit.cable_m, circuit.cable_mm2?)));
        circuit.map_or(0.0, |(length_m, area_mm2)| 2.0 * length_m * crate::conductor::ohm_per_m_20c(area_mm2))
    }

    /// Lets the season be played in cells that serve it already.
    pub fn lend(&self, shape: &Shape) {
        // The first stays.
        let _ = self.shape.set(shape.clone());
    }

    /// The plant of `site`, which is this scenario's site with other properties.
    pub(super) fn plant(&self, site: &Site) -> Plant {
        let step_s = f64::from(self.step_ms) / 1000.0;
        let shape = self.shape.get_or_init(|| Shape::of(&self.site));
        if shape.fits(site) { Plant::in_shape(shape, site, step_s) } else { Plant::new(site, step_s) }
    }

    /// Whether the bank's reserve is a voltage.
    #[must_use]
    pub(super) fn goes_by_voltage(&self) -> bool {
        matches!(self.settings.bank.reserve(), Some(Reserve::Voltage { .. }))
    }

    /// The first step at `at_s` or after.
    #[must_use]
    pub(super) fn steps_to(&self, at_s: i64) -> u64 {
        u64::try_from(at_s * 1000).unwrap_or(0).div_ceil(self.step_ms.into())
    }

    /// Longest time between two looks at it (ms).
    #[must_use]
    pub const fn block_ms(&self) -> u32 {
        self.step_ms.saturating_mul(super::stage::BLOCK)
    }

    /// The same scenario without a heater's supply, so that the heater stays off, and with nothing broken.
    #[must_use]
    pub fn unheated(&self) -> Self {
        Self { has_heater_supply: false, broken: Vec::new(), ..self.clone() }
    }

    /// How this weather exceeds what the site is designed for, if it does: by the coldest moment, or by the wind that
    /// is exceeded in one hour in twenty.
    #[must_use]
    pub fn beyond_design(&self) -> Option<String> {
        let Self { site, weather, span_s, .. } = self;
        let spans = weather.points.windows(2).filter(|pair| pair[0].at_s < *span_s);
        let (mut coldest_c, mut winds) = (f64::INFINITY, Vec::new());
        for pair in spans {
            coldest_c = coldest_c.min(pair[0].outside_c).min(pair[1].outside_c);
            winds.push((pair[1].wind_m_s, pair[1].at_s - pair[0].at_s));
        }
        winds.sort_by(|a, b| b.0.total_cmp(&a.0));
        // One hour in twenty may blow harder.
        let mut left_s = span_s / 20;
        let windy = winds.iter().find_map(|&(wind, for_s)| {
            left_s -= for_s;
            (left_s < 0).then_some(wind)
        });
        let windy = windy.unwrap_or(0.0);
        let place = &site.place;
        let mut beyond = Vec::new();
        if coldest_c < place.design_min_c - 0.05 {
            beyond.push(format!("{coldest_c:.1} °C, below site.design_min_c ({} °C)", place.design_min_c));
        }
        if place.exposure > 0.0 && windy > place.design_wind_m_s + 0.05 {
            beyond.push(format!(
                "{windy:.1} m/s for 5 % of the time, above site.design_wind_m_s ({})",
                place.design_wind_m_s
            ));
        }
        (!beyond.is_empty()).then(|| beyond.join(", and "))
    }
}

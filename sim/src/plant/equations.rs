//! The equations of a plant as plain numbers, so that another solver can be given the same installation.

use super::{Plant, class_wind};
use serde::Serialize;

/// A plant's equations in one wind:
///
/// ```text
/// C dT/dt = own heat + heater · P − G T + to outside · T_outside + to ground · T_ground
/// ```
///
/// The states of the cells have no meaning one by one. The last states are the thermometers' elements, in the order of
/// the settings.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Equations {
    /// The wind on the box that they hold for (m/s). Every wind of its class has the same equations.
    pub wind_m_s: f64,
    /// C, by state (J/K).
    pub capacities_j_per_k: Vec<f64>,
    /// G, row by row (W/K).
    pub conductances_w_per_k: Vec<Vec<f64>>,
    /// What a kelvin of the outside air drives in each state (W/K).
    pub to_outside_w_per_k: Vec<f64>,
    /// What a kelvin of the ground drives in each state (W/K).
    pub to_ground_w_per_k: Vec<f64>,
    /// The ground (°C).
    pub ground_c: f64,
    /// What the thermometers' own current heats (W), by state.
    pub own_heat_w: Vec<f64>,
    /// What a watt of the heater is in each state (1).
    pub heater: Vec<f64>,
}

impl Plant {
    /// Its equations in this wind (m/s, before shelter).
    #[must_use]
    pub fn equations(&self, wind_m_s: f64) -> Equations {
        let on_box_m_s = class_wind(self.class(wind_m_s));
        let system = self.in_wind(on_box_m_s);
        let listed = |vector: &nalgebra::DVector<f64>| vector.iter().copied().collect();
        Equations {
            wind_m_s: on_box_m_s,
            capacities_j_per_k: listed(&system.capacities),
            conductances_w_per_k: system.conductances.row_iter().map(|row| row.iter().copied().collect()).collect(),
            to_outside_w_per_k: listed(&system.to[0]),
            to_ground_w_per_k: listed(&system.to[1]),
            ground_c: self.ground_c,
            own_heat_w: listed(&self.self_heat_w),
            heater: listed(&self.heater),
        }
    }

    /// The states in which everything is at one temperature (°C), for [`Equations`].
    #[must_use]
    pub fn states_at_rest(&self, temperature_c: f64) -> Vec<f64> {
        self.uniform(temperature_c).iter().copied().collect()
    }
}

//! The equations as another solver gets them.

use super::{hut_shape, site};
use crate::plant::{Heat, Plant};

#[test]
fn the_equations_written_out_stand_still_where_the_plant_is_steady_and_hold_its_heat() {
    let site = site::hut();
    let plant = Plant::in_shape(hut_shape(), &site, 1.0);
    let (outside_c, wind_m_s, heater_w) = (-12.0, 7.0, 80.0);
    let heat = Heat { heater_w, bank_w: 0.0 };
    let equations = plant.equations(wind_m_s);
    let steady = plant.steady_states(outside_c, wind_m_s, heat);
    let at_one = plant.states_at_rest(1.0);
    assert_eq!(steady.len(), equations.capacities_j_per_k.len());
    let (mut open_w, mut most_w) = (0.0_f64, 0.0_f64);
    for (state, row) in equations.conductances_w_per_k.iter().enumerate() {
        let driven_w = equations.own_heat_w[state]
            + equations.heater[state] * heater_w
            + equations.to_outside_w_per_k[state] * outside_c
            + equations.to_ground_w_per_k[state] * equations.ground_c;
        let flows_w: f64 = row.iter().zip(&steady).map(|(conductance, state)| conductance * state).sum();
        (open_w, most_w) = (open_w.max((driven_w - flows_w).abs()), most_w.max(driven_w.abs()));
        let held_j = equations.capacities_j_per_k[state] * at_one[state];
        // Some hold nothing, to the last bit.
        let off_j = (held_j - plant.content[state]).abs();
        assert!(off_j <= 1e-9 * plant.content[state].abs(), "state {state} holds {held_j} J for a kelvin");
    }
    assert!(most_w > 1.0 && open_w < 1e-9 * most_w, "open by {open_w:e} of {most_w} W");
    // The thermometers are the last states.
    let shown_c = plant.settled(outside_c, wind_m_s, heat).sensors_c();
    let first = steady.len() - site.mountings.len();
    for (at, shown_c) in (first..steady.len()).zip(shown_c) {
        assert!((steady[at] - shown_c).abs() < 1e-6, "{at}: {} and {shown_c}", steady[at]);
    }
}

//! Where the heat goes.

use super::{ground_shape, open_shape, site};
use crate::plant::{Air, Heat, Plant, Run, Shape, class_wind};
use crate::site::{Site, StandsOn};
use nalgebra::DVector;
use std::collections::HashMap;

/// Hourly outside temperature (°C), made colder by so much, and wind (m/s): a real cold coast's year, from the first of November on.
fn winter(days: usize, colder_k: f64) -> Vec<(f64, f64)> {
    let path = format!("{}/demo/weather.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let [temperature, wind] = ["temperature_c", "wind_speed_m_s"]
        .map(|name| header.iter().position(|column| *column == name).unwrap_or_else(|| panic!("{name} in {header:?}")));
    let year: Vec<(f64, f64)> = lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            (super::number(cells[temperature]) - colder_k, super::number(cells[wind]))
        })
        .collect();
    let from = 304 * 24;
    year[from..].iter().chain(&year).copied().take(days * 24 + 1).collect()
}

/// Drives `plant` through hours of weather with a thermostat on the plate and some heat in the bank. `go` takes it on by 1 or 10 seconds at a
/// time. Gives how often the heater switched, too.
fn drive<'p>(plant: &'p Plant, hours: &[(f64, f64)], mut go: impl FnMut(&mut Run<'p>, usize)) -> (Run<'p>, u32) {
    let mut run = plant.at_rest(-10.0);
    let mut heat = Heat::default();
    let mut switched = 0;
    for (hour, pair) in hours.windows(2).enumerate() {
        let ((from_c, _), (to_c, wind_m_s)) = (pair[0], pair[1]);
        run.set_air(Air { outside_c: from_c, slope_k_per_s: (to_c - from_c) / 3600.0, wind_m_s });
        heat.bank_w = if hour % 24 == 12 { 15.0 } else { 0.0 };
        let mut passed = 0;
        let mut count = 0;
        while passed < 3600 {
            let plate_c = run.sensors_c()[2];
            let wanted = if heat.heater_w > 0.0 { plate_c < 12.0 } else { plate_c < 4.0 };
            if wanted != (heat.heater_w > 0.0) {
                switched += 1;
            }
            heat.heater_w = if wanted { 120.0 } else { 0.0 };
            run.set_heat(heat);
            count += 1;
            let seconds = if count % 7 == 0 { 1 } else { 10_usize.min(3600 - passed) };
            go(&mut run, seconds);
            passed += seconds;
        }
    }
    (run, switched)
}

fn closes_over_a_winter(shape: &Shape, site: &Site) {
    let plant = Plant::in_shape(shape, site, 1.0);
    let (mut run, switched) = drive(&plant, &winter(60, 12.0), Run::leap);
    let balance = run.balance();
    let open = (balance.put_in_j - balance.lost_j - balance.held_j).abs() / balance.turned_over_j;
    println!("winter: {balance:?}, {switched} switchings, open by {open:.1e}");
    assert!(switched > 300, "{switched}");
    assert!(balance.put_in_j > 15e6, "{balance:?}");
    assert!(open < 1e-9, "{open}");
}

#[test]
fn the_energy_balance_closes_over_a_winter_in_the_open() {
    closes_over_a_winter(open_shape(), &site::open());
}

#[test]
fn the_energy_balance_closes_over_a_winter_on_the_ground() {
    closes_over_a_winter(ground_shape(), &site::on_ground());
}

/// The balance takes what was lost out of the modes themselves, so that it closes as long as they are right; whether what it calls lost is what
/// crossed the boundaries is another question. Here the flows are summed up from temperatures and conductances by Simpson's rule.
#[test]
fn heat_lost_is_what_flowed_over_the_boundaries() {
    // Ground that gives heat while the air takes it: where both take it, a mistake in sharing it out between them would not show.
    let mut warm_ground = site::on_ground();
    warm_ground.place.stands_on = StandsOn::Ground(15.0);
    for (shape, site) in [(open_shape(), site::open()), (ground_shape(), warm_ground)] {
        // Two steps make a span of Simpson's rule, four a second.
        let step_s = 0.25;
        let plant = Plant::in_shape(shape, &site, step_s);
        let solid = &plant.reduced.solid;
        let cells = plant.reduced.rows((0..solid.network.len()).map(|node| vec![(node, 1.0)]).collect());
        // Outside and ground: in all, and either way within each hour, as long as an account stays open.
        let (mut lost, mut crossed, mut this_hour, mut seconds_of_it) = (0.0, 0.0, [0.0; 2], 0);
        // The network of thousands of cells is made once for each wind, and not for every few seconds of it.
        let mut winds: HashMap<usize, [(DVector<f64>, f64); 2]> = HashMap::new();
        let (mut run, _) = drive(&plant, &winter(1, 12.0), |run, seconds| {
            // Of every cell's temperature, as a weight for each state, and the total conductance.
            let to = winds.entry(run.class).or_insert_with(|| {
                super::Full::of(solid, class_wind(run.class)).to.map(|to| (cells.tr_mul(&to), to.sum()))
            });
            let flow = |run: &Run<'_>| {
                let all = run.modes.modes.temperatures(&run.wave);
                let all = all.rows(0, plant.reduced.states());
                let there_c = [run.outside_c(), plant.ground_c];
                [0, 1].map(|side| to[side].0.dot(&all) - to[side].1 * there_c[side])
            };
            let mut after = flow(run);
            for _ in 0..2 * seconds {
                let before = after;
                run.step();
                let middle = flow(run);
                run.step();
                after = flow(run);
                for side in [0, 1] {
                    this_hour[side] += 2.0 * step_s / 6.0 * (before[side] + 4.0 * middle[side] + after[side]);
                }
            }
            seconds_of_it += seconds;
            if seconds_of_it == 3600 {
                lost += this_hour.iter().sum::<f64>();
                crossed += this_hour.iter().map(|side| side.abs()).sum::<f64>();
                (this_hour, seconds_of_it) = ([0.0; 2], 0);
            }
        });
        let balance = run.balance();
        let crossed = crossed + balance.put_in_j;
        let errors = [balance.lost_j / lost - 1.0, balance.turned_over_j / crossed - 1.0];
        println!("lost {lost:.3} J, off by {:.1e}; turned over {crossed:.3} J, off by {:.1e}", errors[0], errors[1]);
        assert!(lost > 100_000.0, "{lost}");
        assert!(errors.iter().all(|error| error.abs() < 1e-9), "{errors:?}");
    }
}

/// What breaks changes the plant under a bank that goes on: a soaked box, a pad in the air. Each place keeps its temperature,
/// and no heat is gained or lost by it.
#[test]
fn a_run_that_goes_on_in_another_plant_keeps_its_temperatures_and_its_heat() {
    let sound = Plant::in_shape(open_shape(), &site::open(), 1.0);
    let mut soaked = site::open();
    soaked.enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k *= 8.0);
    let mut loose = site::open();
    loose.pad.bond_w_per_m2_k = 25.0;
    for broken in [soaked, loose] {
        let broken = sound.become_that_of(&broken);
        let mut run = sound.at_rest(-5.0);
        run.set_air(Air { outside_c: -15.0, slope_k_per_s: 0.0, wind_m_s: 3.0 });
        run.set_heat(Heat { heater_w: 100.0, bank_w: 10.0 });
        run.advance(7200.0);
        let cells_c = |run: &Run<'_>| run.plant.reduced.cells_c(&run.modes.modes.temperatures(&run.wave));
        let (before, cells_before) = (run.temperatures(), cells_c(&run));
        run.move_to(&broken);
        let after = run.temperatures();
        for (before, after) in before.sensors_c.iter().zip(&after.sensors_c) {
            assert!((before - after).abs() < 1e-9, "{before} {after}");
        }
        for (before, after) in cells_before.iter().zip(cells_c(&run).iter()) {
            // Of 1e-12 of what the patterns weigh, the root.
            assert!((before - after).abs() < 1e-4, "{before} {after}");
        }
        run.advance(7200.0);
        let balance = run.balance();
        let open = (balance.put_in_j - balance.lost_j - balance.held_j).abs() / balance.turned_over_j;
        assert!(open < 1e-6, "{open}");
        run.move_to(&sound);
        assert!(run.is_of(&sound) && !run.is_of(&broken));
    }
}

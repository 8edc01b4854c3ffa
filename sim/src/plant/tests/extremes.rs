//! The few places that are looked at against many.

use super::{ground_shape, hut_shape, site};
use crate::plant::{Air, Heat, Plant, Shape};
use crate::site::Site;
use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

/// Places along each measure.
const FINER: u8 = 9;

/// How far the coldest and the warmest of the kept places are from those of a finer lattice at worst (K), over stories of heat and weather.
fn missed(shape: &Shape, site: &Site, seed: u64) -> [f64; 2] {
    let plant = Plant::in_shape(shape, site, 1.0);
    let along = || (0..FINER).map(|step| f64::from(step) / f64::from(FINER - 1));
    let mut places = Vec::new();
    for battery in 0..site.battery.count {
        for (x, y) in along().flat_map(|x| along().map(move |y| (x, y))) {
            places.extend(along().map(|z| plant.reduced.solid.part_of_battery(battery, [x, y, z])));
        }
    }
    let lattice: DMatrix<f64> = plant.reduced.rows(places);
    let mut random = Pcg64::seed_from_u64(seed);
    let mut worst = [0.0_f64; 2];
    for _ in 0..40 {
        let mut run = plant.settled(random.random_range(-25.0..10.0), random.random_range(0.0..20.0), Heat::default());
        for _ in 0..8 {
            let heater_w = if random.random_bool(0.5) { random.random_range(20.0..200.0) } else { 0.0 };
            let bank_w = if random.random_bool(0.3) { random.random_range(0.0..30.0) } else { 0.0 };
            run.set_heat(Heat { heater_w, bank_w });
            run.set_air(Air {
                outside_c: random.random_range(-30.0..15.0),
                slope_k_per_s: random.random_range(-0.0005..0.0005),
                wind_m_s: random.random_range(0.0..20.0),
            });
            let seconds = libm::exp10(random.random_range(1.5..4.3));
            run.advance(seconds);
            let states = run.modes.modes.temperatures(&run.wave);
            let all = &lattice * states.rows(0, plant.reduced.states());
            for (side, missed) in
                [run.coldest_cell_c() - all.min(), all.max() - run.cells_range_c()[1]].into_iter().enumerate()
            {
                if missed > worst[side] {
                    worst[side] = missed;
                    let place = if side == 0 { all.imin() } else { all.imax() };
                    let [battery, at] = [place / 729, place % 729];
                    let eighths = [at / 81, at / 9 % 9, at % 9];
                    println!(
                        "{}: {missed:.4} K, {seconds:.0} s after a change, battery {battery}, eighths {eighths:?}, of {:.2} to {:.2} °C",
                        ["coldest", "warmest"][side],
                        all.min(),
                        all.max()
                    );
                }
            }
        }
    }
    worst
}

/// Stories that had no part in choosing the places.
#[test]
fn the_kept_places_hold_the_coldest_and_the_warmest_of_a_finer_lattice() {
    for (name, shape, site) in [("hut", hut_shape(), site::hut()), ("ground", ground_shape(), site::on_ground())] {
        let [cold_k, warm_k] = missed(shape, &site, 7);
        let kept: Vec<usize> = shape.extremes.batteries.iter().map(Vec::len).collect();
        println!("{name}: coldest missed by {cold_k:.4} K, warmest by {warm_k:.4} K, of {kept:?} places");
        assert!(cold_k < 0.03, "{name}: {cold_k}");
        assert!(warm_k < 0.03, "{name}: {warm_k}");
    }
}

//! Whole installations against `plant_reference.py`, which builds the same bodies from the handbooks' resistances and crosses time by
//! the matrix exponential and by an implicit Runge-Kutta method.

use super::{csv, number, site};
use crate::plant::{Air, Heat, Plant, Run};
use crate::site::Site;

/// The largest difference (K) over a reference, and how many temperatures were compared.
fn worst(site: &Site, name: &str, start: impl Fn(&Plant, Air) -> Run<'_>) -> (f64, usize) {
    let rows: Vec<Vec<f64>> =
        csv(name).iter().skip(1).map(|row| row.iter().map(|cell| number(cell)).collect()).collect();
    let plant = Plant::new(site, 1.0);
    let air = |row: usize| Air {
        outside_c: rows[row][1],
        slope_k_per_s: (rows[row + 1][1] - rows[row][1]) / 3600.0,
        wind_m_s: rows[row][2],
    };
    let mut run = start(&plant, air(0));
    let (mut worst, mut compared) = (0.0_f64, 0);
    for (hour, row) in rows.iter().enumerate() {
        let found = run.modes.temperatures(&run.wave);
        let expected = &row[6..];
        assert_eq!(found.len(), expected.len());
        for (found, expected) in found.iter().zip(expected) {
            worst = worst.max((found - expected).abs());
            compared += 1;
        }
        if hour + 1 == rows.len() {
            break;
        }
        run.set_air(air(hour));
        let [heater_w, heater_s, bank_w] = [row[3], row[4], row[5]];
        for (heater_w, seconds) in [(heater_w, heater_s), (0.0, 3600.0 - heater_s)] {
            run.set_heat(Heat { heater_w, bank_w });
            if hour % 2 == 0 {
                run.advance(seconds);
            } else {
                let mut left = seconds;
                while left >= 10.0 {
                    run.leap(10);
                    left -= 10.0;
                }
                assert!(left.abs() < 1e-9, "{name} switches at multiples of ten seconds");
            }
        }
    }
    (worst, compared)
}

#[test]
fn a_box_in_the_open_follows_the_reference_within_a_microkelvin() {
    let (worst, compared) = worst(&site::open(), "plant_reference_open.csv", |plant, _| plant.at_rest(-8.0));
    println!("open: worst {worst:.1e} K of {compared}");
    assert!(compared == 73 * 21, "{compared}");
    assert!(worst < 1e-6, "{worst}");
}

#[test]
fn a_box_on_the_ground_follows_the_reference_from_a_steady_start_within_a_microkelvin() {
    let (worst, compared) = worst(&site::on_ground(), "plant_reference_ground.csv", |plant, air| {
        plant.settled(air.outside_c, air.wind_m_s, Heat::default())
    });
    println!("on the ground: worst {worst:.1e} K of {compared}");
    assert!(compared == 25 * 27, "{compared}");
    assert!(worst < 1e-6, "{worst}");
}

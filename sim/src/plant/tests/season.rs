//! A winter of the real weather in few states, beside all of the cells crossed by another method.

use super::{Full, Stride, at, hut_shape, site};
use crate::plant::places::Place;
use crate::plant::{Air, Heat, Plant, class_wind};
use crate::weather::Weather;
use nalgebra::DMatrix;
use std::collections::HashMap;
use std::path::Path;

/// An hour in steps (s, how many): fine where heat has just come or gone.
const STEPS: [(f64, usize); 3] = [(20.0, 15), (60.0, 25), (150.0, 12)];

/// From this moment of an hour on the two are compared (s): sooner, a step of heat is seen less sharply than it is.
const FROM_S: f64 = 300.0;

/// The largest difference at any place, at any moment of so many days (K), and where.
fn worst_k(days: u32) -> (f64, String) {
    let (site, shape) = (site::hut(), hut_shape());
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/weather.csv");
    let weather = Weather::load(&file).unwrap().season("weather.csv", Some((11, 1)), days, -10.0).unwrap();
    // A second to the longest leap of ten.
    let plant = Plant::in_shape(shape, &site, 1.0);
    let solid = &plant.reduced.solid;
    let mut places: Vec<(String, Place)> = vec![("air".into(), vec![(solid.air.0, 1.0)])];
    for (battery, points) in plant.places.iter().enumerate() {
        places.extend(
            points
                .iter()
                .map(|&point| (format!("battery {} at {point:?}", battery + 1), solid.part_of_battery(battery, point))),
        );
    }
    let (names, places): (Vec<_>, Vec<_>) = places.into_iter().unzip();
    let (heater, bank) = (solid.heater(), solid.bank());
    let mut blown: HashMap<usize, (Full, Vec<(Stride, usize)>)> = HashMap::new();
    let mut now = DMatrix::from_element(heater.len(), 1, weather.points[0].outside_c);
    let mut run = plant.at_rest(weather.points[0].outside_c);
    let (mut worst, mut is_on) = ((0.0, String::new()), false);
    for (hour, pair) in weather.points.windows(2).enumerate() {
        let class = plant.class(pair[1].wind_m_s);
        let (full, strides) = blown.entry(class).or_insert_with(|| {
            let full = Full::of(solid, class_wind(class));
            let strides = STEPS.map(|(step_s, count)| (full.stride(step_s), count));
            (full, strides.into())
        });
        // A thermostat with hours of patience, and a bank that is charged in one hour of three.
        let coldest_c = places[1..].iter().map(|place| at(place, now.as_slice())).fold(f64::INFINITY, f64::min);
        is_on = coldest_c < if is_on { 12.0 } else { 5.0 };
        let heat =
            Heat { heater_w: if is_on { 120.0 } else { 0.0 }, bank_w: if hour.is_multiple_of(3) { 15.0 } else { 0.0 } };
        let slope_k_per_s = (pair[1].outside_c - pair[0].outside_c) / 3600.0;
        run.set_air(Air { outside_c: pair[0].outside_c, slope_k_per_s, wind_m_s: pair[1].wind_m_s });
        run.set_heat(heat);
        let put_in: Vec<f64> =
            heater.iter().zip(&bank).map(|(heater, bank)| heater * heat.heater_w + bank * heat.bank_w).collect();
        let put_in = DMatrix::from_column_slice(put_in.len(), 1, &put_in);
        let to_air = DMatrix::from_column_slice(put_in.len(), 1, full.to[0].as_slice());
        let driven = |seconds: f64| &put_in + &to_air * (pair[0].outside_c + slope_k_per_s * seconds);
        let mut seconds = 0.0;
        for (stride, count) in strides {
            for _ in 0..*count {
                let early = driven(seconds + Stride::GAMMA * stride.step_s);
                full.go(stride, &mut now, [&early, &driven(seconds + stride.step_s)]);
                seconds += stride.step_s;
                run.advance(stride.step_s);
                if seconds < FROM_S {
                    continue;
                }
                let found = run.temperatures();
                let all = std::iter::once(found.air_c).chain(found.all_cells_c());
                for ((found_c, place), name) in all.zip(&places).zip(&names) {
                    let error_k = (found_c - at(place, now.as_slice())).abs();
                    if error_k > worst.0 {
                        worst = (error_k, format!("{name}, {seconds} s into hour {hour}"));
                    }
                }
            }
        }
    }
    worst
}

#[test]
fn days_of_a_winter_are_those_of_all_cells() {
    let (error_k, place) = worst_k(3);
    println!("{error_k:.4} K: {place}");
    assert!(error_k < 0.02, "{error_k} K: {place}");
}

#[test]
#[ignore = "takes a quarter of an hour"]
fn a_winter_is_that_of_all_cells() {
    let (error_k, place) = worst_k(180);
    println!("{error_k:.4} K: {place}");
    assert!(error_k < 0.02, "{error_k} K: {place}");
}

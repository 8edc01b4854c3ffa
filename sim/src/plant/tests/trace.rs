//! A trace of a log is what a run of the plant shows, and its parts are linear in what it says they are.

use super::*;
use crate::plant::{SOUGHT_K, Stretch, Traced};
use proptest::prelude::*;

fn stretch(seconds: f64, heater_w: f64, outside_c: f64, slope_k_per_s: f64) -> Stretch {
    Stretch { seconds, heat: Heat { heater_w, bank_w: 3.0 }, outside_c, slope_k_per_s, is_read: true }
}

fn plants() -> [(Plant, Site); 2] {
    let of = |shape: &Shape, site: Site| (Plant::in_shape(shape, &site, 1.0), site);
    [of(open_shape(), site::open()), of(ground_shape(), site::on_ground())]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]
    #[test]
    fn a_trace_shows_what_a_run_shows(
        drives in prop::collection::vec((30.0..9000.0_f64, prop_oneof![Just(0.0), Just(120.0)], -20.0..10.0_f64, -1e-3..1e-3_f64), 1..12),
    ) {
        for (plant, site) in plants() {
            let stretches: Vec<Stretch> = drives.iter().map(|&(seconds, heat, outside, slope)| stretch(seconds, heat, outside, slope)).collect();
            let wind_m_s = site.place.design_wind_m_s;
            let traced = Traced::new(&plant, wind_m_s);
            let shown = traced.shows(&DVector::zeros(plant.reduced.states()), &stretches);
            let mut run = plant.at_rest(stretches[0].outside_c);
            for (stretch, shown) in stretches.iter().zip(shown) {
                let Stretch { outside_c, slope_k_per_s, heat, .. } = *stretch;
                run.set_air(Air { outside_c, slope_k_per_s, wind_m_s });
                run.set_heat(heat);
                run.advance(stretch.seconds);
                let sensors = site.mountings.len();
                // A millionth of a kelvin: rounding, and rests that a run drops.
                prop_assert!(apart(&run.sensors_c()[..sensors], &shown[..sensors]) < 1e-6);
            }
        }
    }
}

/// A log of a day: heat from the third hour to the sixth.
fn day(later_s: f64, factor: f64, warmer_k: f64) -> Vec<Stretch> {
    let hour = |seconds: f64, heater_w: f64| stretch(seconds, heater_w * factor, -5.0 + warmer_k, 0.0);
    let mut all = vec![hour(10_800.0 + later_s, 0.0), hour(10_800.0 - later_s, 120.0)];
    all.extend((0..18).map(|_| hour(3600.0, 0.0)));
    all
}

fn differences(more: &[Shown], less: &[Shown], by: f64) -> Vec<f64> {
    more.iter().flatten().zip(less.iter().flatten()).map(|(more, less)| (more - less) / by).collect()
}

fn flat(shown: &[Shown]) -> Vec<f64> {
    shown.iter().flatten().copied().collect()
}

#[test]
fn what_heater_outside_start_and_a_later_switching_add_is_what_a_trace_with_more_of_them_shows_more() {
    let (plant, site) = plants().into_iter().next().expect("the first");
    let traced = Traced::new(&plant, site.place.design_wind_m_s);
    let none = DVector::zeros(plant.reduced.states());
    let base = day(0.0, 1.0, 0.0);
    let shows = |stretches: &[Stretch]| traced.shows(&none, stretches);
    let heater = differences(&shows(&day(0.0, 2.0, 0.0)), &shows(&base), 1.0);
    assert!(apart(&flat(&traced.shows_of_heater(&base)), &heater) < 1e-9);
    // A kelvin at the start of each stretch, and more from then on.
    let alone: Vec<Stretch> = base.iter().map(|one| Stretch { outside_c: 1.0, slope_k_per_s: 1e-5, ..*one }).collect();
    let warmer: Vec<Stretch> =
        day(0.0, 1.0, 1.0).into_iter().map(|one| Stretch { slope_k_per_s: one.slope_k_per_s + 1e-5, ..one }).collect();
    let outside = differences(&shows(&warmer), &shows(&base), 1.0);
    assert!(apart(&flat(&traced.shows_of_outside(&alone)), &outside) < 1e-9);
    // A field, and its fading.
    let fields = traced.slow(1e-3);
    assert!(fields.ncols() >= 3, "some fields of a box are slower than a quarter of an hour");
    let mut moments_s = vec![10_800.0, 21_600.0];
    moments_s.extend((1..=18).map(|hour| 21_600.0 + 3600.0 * f64::from(hour)));
    let fades = traced.fades(&fields, &moments_s);
    for field in 0..fields.ncols() {
        let with = traced.shows(&(fields.column(field) * 1.0), &base);
        let more = differences(&with, &shows(&base), 1.0);
        let sensors = site.mountings.len();
        for (row, fades) in fades.iter().enumerate() {
            for sensor in 0..sensors {
                let shown = more[row * MAX_CHANNELS + sensor];
                assert!((fades[(sensor, field)] - shown).abs() < 1e-9, "{field} {row} {sensor}");
            }
        }
    }
    // Later by a second, the heater's 120 W come as much less at the moment of switching.
    let later = differences(&shows(&day(0.5, 1.0, 0.0)), &shows(&day(-0.5, 1.0, 0.0)), 1.0);
    let bursts = traced.bursts(&[10_800.0], &moments_s);
    for (row, bursts) in bursts.iter().enumerate().skip(1) {
        for sensor in 0..site.mountings.len() {
            let shown = later[row * MAX_CHANNELS + sensor];
            assert!((bursts[(sensor, 0)] * -120.0 - shown).abs() < 1e-6, "{row} {sensor}: {shown}");
        }
    }
}

#[test]
fn the_loss_is_what_keeps_evenly_heated_batteries_warm_and_grows_with_what_the_box_lets_through() {
    let mut site = site::open();
    let loss = |site: &Site| Plant::in_shape(open_shape(), site, 1.0).loss_w_per_k(3.0);
    let planned = loss(&site);
    // 50 mm of foam around 0.7 m²: some 0.4 W/K, and the rest by edges, air and a thinner floor.
    assert!((0.3..0.9).contains(&planned), "{planned}");
    site.enclosure.loss = 1.1;
    let more = loss(&site);
    // The films let through as much as before.
    assert!(more > 1.05 * planned && more < 1.1 * planned, "{planned} {more}");
}

#[test]
fn a_battery_with_half_the_contact_warms_more_slowly_and_the_other_does_not() {
    let mut site = site::open();
    let after = |site: &Site| {
        let plant = Plant::in_shape(&Shape::for_a_fit(site), site, 1.0);
        Traced::new(&plant, 3.0).batteries_after(120.0, 3600.0)
    };
    let alike = after(&site);
    // The few states need not be as symmetric as the bank.
    assert!((alike[0] - alike[1]).abs() < SOUGHT_K, "{alike:?}");
    site.plate.contact_parts = vec![1.0, 0.3];
    let apart = after(&site);
    assert!(apart[1] < 0.95 * alike[1] && apart[0] > alike[0], "{alike:?} {apart:?}");
}

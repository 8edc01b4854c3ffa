//! What holds for any box, any heat, any weather.

use super::site;
use crate::plant::{Air, Heat, Plant, Run};
use crate::site::{Mounting, Site, Spot, StandsOn};
use nalgebra::DVector;
use proptest::collection::vec;
use proptest::prelude::*;

/// Boxes of one to four batteries, badly and well insulated, on cold ground and in the open.
fn sites() -> impl Strategy<Value = Site> {
    let batteries = (1_usize..5, 0.1..0.3, 4.0..20.0, 0.5..30.0, 0.3..5.0, 0.001..0.02);
    let joints = (20.0..1000.0, 50.0..2000.0, 0.001..0.006);
    let walls = (0.01..0.1, 0.01..0.1, 0.02..0.13, 4.0..10.0, 0.0..5.0);
    let room = (0.01..0.2, 0.01..0.2, 0.01..0.2, 0.6..1.0);
    let place = (0.0..1.0, proptest::option::of(-5.0..5.0));
    (batteries, joints, walls, room, place).prop_map(|(batteries, joints, walls, room, (exposure, ground))| {
        let mut site = site::open();
        let battery = &mut site.battery;
        (battery.count, battery.height_m, battery.mass_kg, ..) = batteries;
        (.., battery.conductivity_up_w_per_m_k, battery.conductivity_across_w_per_m_k, battery.gap_m) = batteries;
        let row_m = battery.width_m * count(battery.count) + battery.gap_m * count(battery.count - 1);
        let bases_m2 = battery.length_m * battery.width_m * count(battery.count);
        (site.plate.contact_w_per_m2_k, site.pad.bond_w_per_m2_k, site.plate.thickness_m) = joints;
        let enclosure = &mut site.enclosure;
        (enclosure.walls[0].thickness_m, enclosure.floor[0].thickness_m, ..) = walls;
        let (.., conductivity, inside, air_changes) = walls;
        (enclosure.inside_w_per_m2_k, enclosure.air_changes_per_h) = (inside, air_changes);
        enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k = conductivity);
        let (beside, before, above, plate) = room;
        enclosure.length_m = battery.length_m + beside;
        enclosure.width_m = row_m + before;
        enclosure.height_m = battery.height_m + above;
        site.plate.area_m2 = bases_m2 + plate * (enclosure.length_m * enclosure.width_m - bases_m2);
        site.pad.area_m2 = 0.9 * bases_m2;
        site.place.exposure = exposure;
        site.place.stands_on = ground.map_or(StandsOn::Air, StandsOn::Ground);
        site.mountings[1].at = Spot::Between(battery.count - 1);
        site
    })
}

/// Puts an element at every place that there is, on `battery` where it is on one. None warms itself.
fn everywhere(site: &mut Site, battery: usize, air_share: f64) -> [Spot; 8] {
    let spots = [
        Spot::Plate,
        Spot::Base(battery),
        Spot::Between(battery),
        Spot::Top(battery),
        Spot::Side(battery),
        Spot::End(battery),
        Spot::Bottom(battery),
        Spot::Air,
    ];
    site.converter.current_a = 0.0;
    let mounting = site.mountings[0];
    site.mountings = spots.map(|at| Mounting { at, air_share, ..mounting }).to_vec();
    spots
}

fn count(of: usize) -> f64 {
    super::as_f64(of)
}

/// Weather and heat for so many seconds.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    air: Air,
    heat: Heat,
    seconds: f64,
}

fn stretches() -> impl Strategy<Value = Vec<Stretch>> {
    let one = (-40.0..15.0, -0.002..0.002, 0.0..40.0, 0.0..400.0, 0.0..50.0, 1.0..20_000.0).prop_map(
        |(outside_c, slope_k_per_s, wind_m_s, heater_w, bank_w, seconds)| Stretch {
            air: Air { outside_c, slope_k_per_s, wind_m_s },
            heat: Heat { heater_w, bank_w },
            seconds,
        },
    );
    vec(one, 1..8)
}

fn all(run: &Run<'_>) -> DVector<f64> {
    run.modes.temperatures(&run.wave)
}

/// A thousand-millionth of a kelvin up to 100 °C, and as much in proportion beyond: boxes and powers are paired at random, and some get as hot
/// as no box does.
fn rounding_k(temperatures: &DVector<f64>) -> f64 {
    1e-11 * temperatures.amax().max(100.0)
}

/// Heater power (W) that just holds every layer at `hold_c`, steady.
fn hold_w(site: &Site, outside_c: f64, wind_m_s: f64, hold_c: f64) -> f64 {
    let plant = Plant::new(site, 1.0);
    let layers = |heater_w| plant.steady(outside_c, wind_m_s, Heat { heater_w, bank_w: 0.0 }).layers_c.concat();
    let (unheated, heated) = (layers(0.0), layers(100.0));
    unheated
        .iter()
        .zip(&heated)
        .map(|(unheated, heated)| (hold_c - unheated) / (heated - unheated) * 100.0)
        .fold(f64::NEG_INFINITY, f64::max)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn leaps_end_where_one_advance_ends(
        site in sites(), stretch in stretches(), step_s in 0.1..2.0, leaps in vec(1_usize..=Run::LONGEST_LEAP, 1..300),
    ) {
        let plant = Plant::new(&site, step_s);
        let Stretch { air, heat, .. } = stretch[0];
        let start = || {
            let mut run = plant.at_rest(3.0);
            run.set_air(air);
            run.set_heat(heat);
            run
        };
        let (mut by_leaps, mut at_once) = (start(), start());
        for steps in &leaps {
            by_leaps.leap(*steps);
        }
        at_once.advance(count(leaps.iter().sum()) * step_s);
        prop_assert!((all(&by_leaps) - all(&at_once)).amax() < rounding_k(&all(&at_once)));
        prop_assert!((by_leaps.outside_c() - at_once.outside_c()).abs() < 1e-9);
        let (by_leaps, at_once) = (by_leaps.balance(), at_once.balance());
        prop_assert!((by_leaps.lost_j - at_once.lost_j).abs() < 1e-9 * at_once.turned_over_j);
    }

    /// A tug at the run half way, by setting what holds already, changes nothing.
    #[test]
    fn setting_what_holds_already_changes_nothing(site in sites(), stretches in stretches()) {
        let plant = Plant::new(&site, 1.0);
        let (mut plain, mut tugged) = (plant.at_rest(3.0), plant.at_rest(3.0));
        for Stretch { air, heat, seconds } in stretches {
            for run in [&mut plain, &mut tugged] {
                run.set_air(air);
                run.set_heat(heat);
            }
            plain.advance(seconds);
            tugged.advance(seconds / 2.0);
            tugged.set_air(Air { outside_c: tugged.outside_c(), ..air });
            tugged.set_heat(heat);
            tugged.advance(seconds / 2.0);
        }
        prop_assert!((all(&plain) - all(&tugged)).amax() < rounding_k(&all(&plain)));
        let (plain, tugged) = (plain.balance(), tugged.balance());
        prop_assert!((plain.lost_j - tugged.lost_j).abs() < 1e-9 * plain.turned_over_j);
    }

    /// The maximum principle.
    #[test]
    fn unheated_nothing_leaves_the_range_of_start_and_surroundings(
        mut site in sites(), start_c in -30.0..30.0, stretches in stretches(),
    ) {
        site.converter.current_a = 0.0;
        let plant = Plant::new(&site, 1.0);
        let mut run = plant.at_rest(start_c);
        let (mut low, mut high) = (start_c, start_c);
        let mut include = |c: f64| {
            low = low.min(c);
            high = high.max(c);
            (low, high)
        };
        if let StandsOn::Ground(ground_c) = site.place.stands_on {
            include(ground_c);
        }
        for Stretch { air, seconds, .. } in stretches {
            run.set_air(air);
            include(air.outside_c);
            run.advance(seconds);
            let (low, high) = include(run.outside_c());
            for found in all(&run).iter() {
                prop_assert!((low - 1e-9..high + 1e-9).contains(found), "{found} outside {low} to {high}");
            }
        }
    }

    #[test]
    fn more_heat_makes_nothing_colder(
        site in sites(), stretches in stretches(), more_w in 0.0..100.0, more_in_bank_w in 0.0..20.0,
    ) {
        let plant = Plant::new(&site, 1.0);
        let (mut less, mut more) = (plant.at_rest(0.0), plant.at_rest(0.0));
        for Stretch { air, heat, seconds } in stretches {
            less.set_air(air);
            less.set_heat(heat);
            less.advance(seconds);
            more.set_air(air);
            more.set_heat(Heat { heater_w: heat.heater_w + more_w, bank_w: heat.bank_w + more_in_bank_w });
            more.advance(seconds);
            prop_assert!((all(&more) - all(&less)).min() > -rounding_k(&all(&more)));
        }
    }

    /// With ground no warmer than what is to be held: warmer ground would help through the floor.
    #[test]
    fn more_insulation_never_raises_hold_power(
        site in sites(), outside_c in -40.0..0.0, wind_m_s in 0.0..30.0, walls in 1.0..3.0, floor in 1.0..3.0,
    ) {
        let mut thicker = site.clone();
        thicker.enclosure.walls[0].thickness_m *= walls;
        thicker.enclosure.floor[0].thickness_m *= floor;
        let [thin, thick] = [&site, &thicker].map(|site| hold_w(site, outside_c, wind_m_s, 5.0));
        prop_assert!(thick <= thin * (1.0 + 1e-9), "{thin} W, thicker {thick} W");
        prop_assert!(thin > 0.0);
    }

    #[test]
    fn more_wind_never_lowers_hold_power(
        site in sites(), outside_c in -40.0..0.0, wind_m_s in 0.0..30.0, more_m_s in 0.0..30.0,
    ) {
        let [calm, windy] = [0.0, more_m_s].map(|more| hold_w(&site, outside_c, wind_m_s + more, 5.0));
        prop_assert!(windy >= calm * (1.0 - 1e-9), "{calm} W, windier {windy} W");
    }

    /// Solved for directly, and reached by time.
    #[test]
    fn after_a_long_time_everything_is_steady(site in sites(), stretch in stretches()) {
        let plant = Plant::new(&site, 1.0);
        let Stretch { air, heat, .. } = stretch[0];
        let mut run = plant.at_rest(20.0);
        run.set_air(Air { slope_k_per_s: 0.0, ..air });
        run.set_heat(heat);
        run.advance(1e9);
        let steady = plant.settled(air.outside_c, air.wind_m_s, heat);
        prop_assert!((all(&run) - all(&steady)).amax() < rounding_k(&all(&steady)));
    }

    #[test]
    fn what_is_settled_stays(site in sites(), stretch in stretches()) {
        let plant = Plant::new(&site, 1.0);
        let Stretch { air, heat, seconds } = stretch[0];
        let mut run = plant.settled(air.outside_c, air.wind_m_s, heat);
        let before = all(&run);
        run.advance(seconds);
        let moved = (all(&run) - &before).amax();
        prop_assert!(moved < rounding_k(&before), "{moved} K from {} °C", before.amax());
    }

    /// Back at a mark, the same follows as the first time.
    #[test]
    fn a_run_goes_back_to_its_mark(site in sites(), stretches in stretches(), astray_s in 1.0..1000.0) {
        let plant = Plant::new(&site, 1.0);
        let (mut straight, mut astray) = (plant.at_rest(0.0), plant.at_rest(0.0));
        let mut mark = astray.mark();
        for Stretch { air, heat, seconds } in stretches {
            for run in [&mut straight, &mut astray] {
                run.set_air(air);
                run.set_heat(heat);
                run.advance(seconds);
            }
            astray.save(&mut mark);
            astray.advance(astray_s);
            astray.restore(&mark);
            prop_assert_eq!(straight.outside_c().to_bits(), astray.outside_c().to_bits());
        }
        prop_assert_eq!(all(&straight), all(&astray));
        prop_assert_eq!(straight.balance(), astray.balance());
    }

    /// First and last, second and last but one; thermometers that belong to no battery.
    #[test]
    fn batteries_in_symmetrical_places_are_alike(mut site in sites(), stretches in stretches()) {
        site.mountings.retain(|mounting| matches!(mounting.at, Spot::Plate | Spot::Air));
        let plant = Plant::new(&site, 1.0);
        let mut run = plant.at_rest(0.0);
        for Stretch { air, heat, seconds } in stretches {
            run.set_air(air);
            run.set_heat(heat);
            run.advance(seconds);
            let layers = run.temperatures().layers_c;
            for (one, other) in layers.iter().zip(layers.iter().rev()) {
                for (one, other) in one.iter().zip(other) {
                    prop_assert!((one - other).abs() < rounding_k(&all(&run)), "{one} {other}");
                }
            }
        }
    }

    /// The maximum principle, place by place. No element warms itself here.
    #[test]
    fn an_element_reads_between_what_it_touches(
        mut site in sites(), stretch in stretches(), air_share in prop_oneof![Just(0.0), 0.0..0.5],
    ) {
        let battery = site.battery.count - 1;
        let spots = everywhere(&mut site, battery, air_share);
        let Stretch { air, heat, .. } = stretch[0];
        let found = Plant::new(&site, 1.0).steady(air.outside_c, air.wind_m_s, heat);
        let block = &found.layers_c[battery];
        let (lowest, middle, highest) = (block[0], [block[2], block[3]], block[5]);
        for (at, element_c) in spots.into_iter().zip(&found.sensors_c) {
            let mut touched = match at {
                Spot::Plate => vec![found.plate_c],
                Spot::Base(_) | Spot::Bottom(_) => vec![lowest, found.plate_c],
                Spot::Between(_) => middle.to_vec(),
                Spot::Side(_) | Spot::End(_) => [middle.as_slice(), &[found.air_c]].concat(),
                Spot::Top(_) => vec![highest, found.air_c],
                Spot::Air => vec![found.air_c],
            };
            if air_share > 0.0 {
                touched.push(found.air_c);
            }
            let low = touched.iter().copied().fold(f64::INFINITY, f64::min);
            let high = touched.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let off = 1e-9 * high.abs().max(100.0);
            prop_assert!((low - off..=high + off).contains(element_c), "{at:?} reads {element_c}, not {low} to {high}");
        }
    }

    #[test]
    fn where_all_is_at_one_temperature_every_place_reads_it(
        mut site in sites(), outside_c in -40.0..40.0_f64, air_share in 0.0..0.5_f64,
    ) {
        let battery = site.battery.count - 1;
        everywhere(&mut site, battery, air_share);
        site.place.stands_on = StandsOn::Air;
        let found = Plant::new(&site, 1.0).steady(outside_c, 0.0, Heat::default());
        for element_c in found.sensors_c {
            prop_assert!((element_c - outside_c).abs() < 1e-8, "{element_c}, not {outside_c}");
        }
    }

    /// The shorter way is to the long face: the middle of a battery is nearer to it. More air in what the element sees takes each farther.
    #[test]
    fn a_face_that_is_nearer_to_the_air_reads_nearer_to_it(
        mut site in sites(), stretch in stretches(), air_share in 0.0..0.25_f64, more in 0.01..0.25_f64,
    ) {
        let battery = site.battery.count - 1;
        let Stretch { air, heat, .. } = stretch[0];
        let mut read = |share: f64| {
            let spots = everywhere(&mut site, battery, share);
            let found = Plant::new(&site, 1.0).steady(air.outside_c, air.wind_m_s, heat);
            let from_air = move |at: Spot| {
                let index = spots.iter().position(|spot| *spot == at).expect("one of them");
                (found.sensors_c[index] - found.air_c).abs()
            };
            [Spot::Between(battery), Spot::Side(battery), Spot::End(battery), Spot::Air].map(from_air)
        };
        let (less, most) = (read(air_share), read(air_share + more));
        let off = 1e-9 * less[0].max(100.0);
        prop_assert!(less.is_sorted_by(|one, next| *one >= *next - off), "{less:?}");
        prop_assert!(most.iter().zip(&less).all(|(most, less)| *most <= less + off), "{most:?}, with less {less:?}");
    }

    /// What is read out mode by mode is what the temperatures say.
    #[test]
    fn every_way_to_read_gives_the_same(site in sites(), stretches in stretches()) {
        let plant = Plant::new(&site, 1.0);
        let mut run = plant.at_rest(0.0);
        for Stretch { air, heat, seconds } in stretches {
            run.set_air(air);
            run.set_heat(heat);
            run.advance(seconds);
        }
        let (found, off_k) = (run.temperatures(), rounding_k(&all(&run)));
        prop_assert!((run.coldest_cell_c() - found.coldest_cell_c()).abs() < off_k);
        prop_assert!((run.plate_c() - found.plate_c).abs() < off_k);
        for (quick, slow) in run.sensors_c().iter().zip(&found.sensors_c) {
            prop_assert!((quick - slow).abs() < off_k);
        }
    }
}

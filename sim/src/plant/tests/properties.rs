//! What holds for any box, any heat, any weather.
//!
//! Cells written as sums of a few patterns keep the energy balance, decay and one temperature everywhere to rounding. That no place leaves the
//! range of start and surroundings, and that more heat makes nothing colder, all the cells keep exactly and their projection only as well as
//! the patterns can follow: within [`PROJECTED_K`], most of it in the first moments after a jump.

use super::{apart, ground_shape, open_shape, read, site};
use crate::plant::{Air, Heat, Plant, Run, Shape};
use crate::site::{Mounting, Site, Spot, StandsOn};
use proptest::collection::vec;
use proptest::prelude::*;

/// How far a projection may leave what all the cells keep (K), for jumps of some tens of kelvins: a few thousandths of them.
const PROJECTED_K: f64 = 0.05;

/// What does not change measures of bodies, moved as far as twice a usual tolerance: one shape for all of them.
fn moved() -> impl Strategy<Value = (&'static Shape, Site)> {
    let battery = (0.8..1.25, 0.8..1.25, 0.8..1.25);
    let joints = (0.6..1.6, 0.6..1.6);
    let walls = (0.8..1.25, 0.7..1.3, 0.0..1.5);
    let place = (0.0..1.0, -5.0..5.0, any::<bool>());
    (battery, joints, walls, place).prop_map(|(battery, joints, walls, (exposure, ground_c, on_ground))| {
        let (shape, mut site) =
            if on_ground { (ground_shape(), site::on_ground()) } else { (open_shape(), site::open()) };
        site.battery.mass_kg *= battery.0;
        site.battery.conductivity_up_w_per_m_k *= battery.1;
        site.battery.conductivity_across_w_per_m_k *= battery.2;
        site.battery.conductivity_along_w_per_m_k *= battery.2;
        site.plate.contact_w_per_m2_k *= joints.0;
        site.pad.bond_w_per_m2_k *= joints.1;
        site.enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k *= walls.0);
        site.enclosure.inside_w_per_m2_k *= walls.1;
        site.enclosure.air_changes_per_h = walls.2;
        site.place.exposure = exposure;
        if on_ground {
            site.place.stands_on = StandsOn::Ground(ground_c);
        }
        (shape, site)
    })
}

/// Boxes of one to three batteries of any measures, badly and well insulated, each with a shape of its own. Measures in whole centimetres, and
/// few batteries: what is looked for is a case, not a number.
fn measured() -> impl Strategy<Value = Site> {
    let battery = (1_usize..4, 10_u32..30, 10_u32..20, 10_u32..25, 4.0..20.0);
    let conducts = (1.0..30.0, 0.4..5.0, 1_u32..40);
    let room = (1_u32..15, 1_u32..15, 1_u32..15, 0.0..1.0);
    (battery, conducts, room).prop_map(|(battery, conducts, room)| {
        let cm = |measure: u32| f64::from(measure) / 100.0;
        let mut site = site::open();
        let battery_of = &mut site.battery;
        battery_of.count = battery.0;
        (battery_of.length_m, battery_of.width_m, battery_of.height_m) = (cm(battery.1), cm(battery.2), cm(battery.3));
        battery_of.mass_kg = battery.4;
        (battery_of.conductivity_up_w_per_m_k, battery_of.conductivity_across_w_per_m_k) = (conducts.0, conducts.1);
        battery_of.gap_m = cm(conducts.2) / 10.0;
        let row_m = battery_of.width_m * count(battery.0) + battery_of.gap_m * count(battery.0 - 1);
        let length_m = battery_of.length_m;
        let enclosure = &mut site.enclosure;
        enclosure.length_m = length_m + cm(room.0);
        enclosure.width_m = row_m + cm(room.1);
        enclosure.height_m = site.battery.height_m + cm(room.2);
        site.plate.length_m = length_m + room.3 * cm(room.0);
        site.plate.width_m = row_m + room.3 * cm(room.1);
        (site.pad.length_m, site.pad.width_m) = (0.9 * length_m, 0.9 * row_m);
        site.mountings[1].at = Spot::Between(battery.0 - 1);
        site
    })
}

fn count(of: usize) -> f64 {
    super::as_f64(of)
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

/// Weather and heat for so many seconds.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    air: Air,
    heat: Heat,
    seconds: f64,
}

fn stretches() -> impl Strategy<Value = Vec<Stretch>> {
    let one = (-30.0..15.0, -0.0005..0.0005, 0.0..40.0, 0.0..200.0, 0.0..30.0, 60.0..20_000.0).prop_map(
        |(outside_c, slope_k_per_s, wind_m_s, heater_w, bank_w, seconds)| Stretch {
            air: Air { outside_c, slope_k_per_s, wind_m_s },
            heat: Heat { heater_w, bank_w },
            seconds,
        },
    );
    vec(one, 1..8)
}

/// A thousand-millionth of a kelvin up to 100 °C, and as much in proportion beyond.
fn rounding_k(read_c: &[f64]) -> f64 {
    1e-11 * read_c.iter().fold(100.0_f64, |most, read_c| most.max(read_c.abs()))
}

/// Goes through all stretches.
fn go(run: &mut Run<'_>, stretches: &[Stretch]) {
    for Stretch { air, heat, seconds } in stretches {
        run.set_air(*air);
        run.set_heat(*heat);
        run.advance(*seconds);
    }
}

/// Heater power (W) that just holds every place of every battery at `hold_c`, steady.
fn hold_w(shape: &Shape, site: &Site, outside_c: f64, wind_m_s: f64, hold_c: f64) -> f64 {
    let plant = Plant::in_shape(shape, site, 1.0);
    let cells = |heater_w| plant.steady(outside_c, wind_m_s, Heat { heater_w, bank_w: 0.0 });
    let (unheated, heated) = (cells(0.0), cells(100.0));
    let needed = |(unheated, heated): (f64, f64)| (hold_c - unheated) / (heated - unheated) * 100.0;
    unheated.all_cells_c().zip(heated.all_cells_c()).map(needed).fold(f64::NEG_INFINITY, f64::max)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn leaps_end_where_one_advance_ends(
        (shape, site) in moved(), stretch in stretches(), step_s in 0.1..2.0, leaps in vec(1_usize..=Run::LONGEST_LEAP, 1..300),
    ) {
        let plant = Plant::in_shape(shape, &site, step_s);
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
        prop_assert!(apart(&read(&by_leaps), &read(&at_once)) < rounding_k(&read(&at_once)));
        prop_assert!((by_leaps.outside_c() - at_once.outside_c()).abs() < 1e-9);
        let (by_leaps, at_once) = (by_leaps.balance(), at_once.balance());
        prop_assert!((by_leaps.lost_j - at_once.lost_j).abs() < 1e-9 * at_once.turned_over_j);
    }

    /// A tug at the run half way, by setting what holds already, changes nothing.
    #[test]
    fn setting_what_holds_already_changes_nothing((shape, site) in moved(), stretches in stretches()) {
        let plant = Plant::in_shape(shape, &site, 1.0);
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
        prop_assert!(apart(&read(&plain), &read(&tugged)) < rounding_k(&read(&plain)));
        let (plain, tugged) = (plain.balance(), tugged.balance());
        prop_assert!((plain.lost_j - tugged.lost_j).abs() < 1e-9 * plain.turned_over_j);
    }

    /// The maximum principle.
    #[test]
    fn unheated_nothing_leaves_the_range_of_start_and_surroundings(
        (shape, mut site) in moved(), start_c in -30.0..30.0, stretches in stretches(),
    ) {
        site.converter.current_a = 0.0;
        let plant = Plant::in_shape(shape, &site, 1.0);
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
            for found in read(&run) {
                prop_assert!((low - PROJECTED_K..high + PROJECTED_K).contains(&found), "{found} outside {low} to {high}");
            }
        }
    }

    #[test]
    fn more_heat_makes_nothing_colder(
        (shape, site) in moved(), stretches in stretches(), more_w in 0.0..100.0, more_in_bank_w in 0.0..20.0,
    ) {
        let plant = Plant::in_shape(shape, &site, 1.0);
        let (mut less, mut more) = (plant.at_rest(0.0), plant.at_rest(0.0));
        for Stretch { air, heat, seconds } in stretches {
            go(&mut less, &[Stretch { air, heat, seconds }]);
            let heat = Heat { heater_w: heat.heater_w + more_w, bank_w: heat.bank_w + more_in_bank_w };
            go(&mut more, &[Stretch { air, heat, seconds }]);
            for (less, more) in read(&less).iter().zip(read(&more)) {
                prop_assert!(more > less - PROJECTED_K, "{more} below {less}");
            }
        }
    }

    /// With ground no warmer than what is to be held: warmer ground would help through the floor. Steady, the projection has next to no error.
    #[test]
    fn more_insulation_never_raises_hold_power(
        (shape, site) in moved(), outside_c in -40.0..0.0, wind_m_s in 0.0..30.0, walls in 1.0..1.5, floor in 1.0..1.5,
    ) {
        let mut thicker = site.clone();
        thicker.enclosure.walls[0].thickness_m *= walls;
        thicker.enclosure.floor[0].thickness_m *= floor;
        let [thin, thick] = [&site, &thicker].map(|site| hold_w(shape, site, outside_c, wind_m_s, 5.0));
        prop_assert!(thick <= thin * 1.001, "{thin} W, thicker {thick} W");
        prop_assert!(thin > 0.0);
    }

    #[test]
    fn more_wind_never_lowers_hold_power(
        (shape, site) in moved(), outside_c in -40.0..0.0, wind_m_s in 0.0..30.0, more_m_s in 0.0..30.0,
    ) {
        let [calm, windy] = [0.0, more_m_s].map(|more| hold_w(shape, &site, outside_c, wind_m_s + more, 5.0));
        prop_assert!(windy >= calm * 0.999, "{calm} W, windier {windy} W");
    }

    /// Solved for directly, and reached by time.
    #[test]
    fn after_a_long_time_everything_is_steady((shape, site) in moved(), stretch in stretches()) {
        let plant = Plant::in_shape(shape, &site, 1.0);
        let Stretch { air, heat, .. } = stretch[0];
        let mut run = plant.at_rest(20.0);
        go(&mut run, &[Stretch { air: Air { slope_k_per_s: 0.0, ..air }, heat, seconds: 1e9 }]);
        let steady = plant.settled(air.outside_c, air.wind_m_s, heat);
        prop_assert!(apart(&read(&run), &read(&steady)) < rounding_k(&read(&steady)));
    }

    #[test]
    fn what_is_settled_stays((shape, site) in moved(), stretch in stretches()) {
        let plant = Plant::in_shape(shape, &site, 1.0);
        let Stretch { air, heat, seconds } = stretch[0];
        let mut run = plant.settled(air.outside_c, air.wind_m_s, heat);
        let before = read(&run);
        run.advance(seconds);
        let moved = apart(&read(&run), &before);
        prop_assert!(moved < rounding_k(&before), "{moved} K");
    }

    /// What is said of the next steps holds in each of them: where the thermometers are, how fast they move, and how cold
    /// the cells are.
    #[test]
    fn no_thermometer_and_no_cell_leaves_what_is_said_of_the_steps_ahead(
        (shape, site) in moved(), stretches in stretches(), steps in 2_usize..8_000, looks in vec(0.0..1.0_f64, 1..12),
    ) {
        let plant = Plant::in_shape(shape, &site, 1.0);
        let mut run = plant.at_rest(0.0);
        let mut scratch = Vec::new();
        for stretch in stretches {
            go(&mut run, &[stretch]);
            let ahead = run.ahead(steps, &mut scratch);
            let depths = run.depths_ahead(steps, &mut scratch);
            let mut coldest_c = vec![(0, run.coldest_cell_c())];
            let at_first = run.sensors_c();
            let mark = run.mark();
            for look in &looks {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of the steps")]
                let after = (look * count(steps)) as usize;
                let mut there = mark.clone();
                run.move_on(&mut there, after);
                let sensors_c = run.sensors_at_c(&there);
                for channel in 0..site.mountings.len() {
                    let (low, high) = (ahead.low_c[channel] - 1e-9, ahead.high_c[channel] + 1e-9);
                    let t = sensors_c[channel];
                    prop_assert!(low <= t && t <= high, "{} not in {}..{}", t, low, high);
                    let moved = (t - at_first[channel]).abs();
                    prop_assert!(moved <= ahead.pace_k_per_s[channel] * count(after) + 1e-9, "{} K", moved);
                }
                let mut later = run.clone();
                later.leap(after);
                prop_assert!(later.coldest_cell_c() >= depths.lowest - 1e-9);
                coldest_c.push((after, later.coldest_cell_c()));
                prop_assert!(apart(&later.sensors_c(), &sensors_c) < 1e-9);
            }
            coldest_c.sort_by_key(|(after, _)| *after);
            for (number, (_, first_c)) in coldest_c.iter().enumerate() {
                for (between, (_, last_c)) in coldest_c[number..].iter().enumerate().skip(2) {
                    let within = coldest_c[number + 1..number + between].iter().map(|(_, t_c)| *t_c);
                    let lowest_c = within.fold(f64::INFINITY, f64::min);
                    prop_assert!(lowest_c >= first_c.min(*last_c) - depths.below_ends - 1e-9, "{} K", lowest_c);
                }
            }
        }
    }

    /// Back at a mark, the same follows as the first time.
    #[test]
    fn a_run_goes_back_to_its_mark((shape, site) in moved(), stretches in stretches(), astray_s in 1.0..1000.0) {
        let plant = Plant::in_shape(shape, &site, 1.0);
        let (mut straight, mut astray) = (plant.at_rest(0.0), plant.at_rest(0.0));
        let mut mark = astray.mark();
        for stretch in stretches {
            go(&mut straight, &[stretch]);
            go(&mut astray, &[stretch]);
            astray.save(&mut mark);
            astray.advance(astray_s);
            astray.restore(&mark);
            prop_assert_eq!(straight.outside_c().to_bits(), astray.outside_c().to_bits());
        }
        prop_assert_eq!(read(&straight), read(&astray));
        prop_assert_eq!(straight.balance(), astray.balance());
    }

    /// First and last, second and last but one: their coldest and warmest places. Patterns of the pad moved to either side are kept in
    /// no symmetrical way, and the lattice keeps other places of each.
    #[test]
    fn batteries_in_symmetrical_places_are_alike((shape, mut site) in moved(), stretches in stretches()) {
        site.mountings.retain(|mounting| matches!(mounting.at, Spot::Plate | Spot::Air));
        let plant = Plant::in_shape(shape, &site, 1.0);
        let mut run = plant.at_rest(0.0);
        for stretch in stretches {
            go(&mut run, &[stretch]);
            let found = run.temperatures();
            let ends = |battery| {
                let cells = found.cells_c(battery);
                cells.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], c| [low.min(c), high.max(c)])
            };
            for battery in 0..site.battery.count {
                let off = apart(&ends(battery), &ends(site.battery.count - 1 - battery));
                prop_assert!(off < PROJECTED_K, "battery {battery}: {off} K");
            }
        }
    }

    /// The maximum principle, place by place. No element warms itself here.
    #[test]
    fn an_element_reads_between_what_there_is(
        (shape, mut site) in moved(), stretch in stretches(), air_share in prop_oneof![Just(0.0), 0.0..0.5],
    ) {
        let battery = site.battery.count - 1;
        let spots = everywhere(&mut site, battery, air_share);
        let Stretch { air, heat, .. } = stretch[0];
        let found = Plant::in_shape(shape, &site, 1.0).steady(air.outside_c, air.wind_m_s, heat);
        let low = found.air_c.min(found.coldest_cell_c()).min(air.outside_c);
        let high = found.pad_c.max(found.plate_c).max(found.air_c).max(found.warmest_cell_c());
        for (at, element_c) in spots.into_iter().zip(&found.sensors_c) {
            prop_assert!((low - PROJECTED_K..=high + PROJECTED_K).contains(element_c), "{at:?} reads {element_c}, not {low} to {high}");
        }
    }

    #[test]
    fn where_all_is_at_one_temperature_every_place_reads_it(
        (shape, mut site) in moved(), outside_c in -40.0..40.0_f64, air_share in 0.0..0.5_f64, seconds in 1.0..1e6,
    ) {
        let battery = site.battery.count - 1;
        everywhere(&mut site, battery, air_share);
        if let StandsOn::Ground(_) = site.place.stands_on {
            site.place.stands_on = StandsOn::Ground(outside_c);
        }
        let mountings = std::mem::take(&mut site.mountings);
        // A run reads no more thermometers at once than a controller has.
        for some in mountings.chunks(4) {
            site.mountings = some.to_vec();
            let plant = Plant::in_shape(shape, &site, 1.0);
            let mut run = plant.at_rest(outside_c);
            run.set_air(Air { outside_c, ..Air::default() });
            run.advance(seconds);
            let steady = plant.settled(outside_c, 0.0, Heat::default());
            for found in read(&run).into_iter().chain(read(&steady)) {
                prop_assert!((found - outside_c).abs() < 1e-9, "{found}, not {outside_c}");
            }
        }
    }

    /// What is read out mode by mode is what the temperatures say.
    #[test]
    fn every_way_to_read_gives_the_same((shape, site) in moved(), stretches in stretches()) {
        let plant = Plant::in_shape(shape, &site, 1.0);
        let mut run = plant.at_rest(0.0);
        go(&mut run, &stretches);
        let slow = plant.sorted(&run.modes.modes.temperatures(&run.wave));
        let (found, off_k) = (run.temperatures(), rounding_k(&read(&run)));
        prop_assert!((run.coldest_cell_c() - slow.coldest_cell_c()).abs() < off_k);
        prop_assert!((run.cells_range_c()[1] - slow.warmest_cell_c()).abs() < off_k);
        prop_assert!((run.plate_c() - slow.plate_c).abs() < off_k);
        prop_assert!((found.pad_c - slow.pad_c).abs() < off_k && (found.air_c - slow.air_c).abs() < off_k);
        for (quick, slow) in run.sensors_c().iter().zip(&slow.sensors_c) {
            prop_assert!((quick - slow).abs() < off_k);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 6, max_shrink_iters: 8, ..ProptestConfig::default() })]

    /// Any measures: heat is neither made nor lost, one temperature stays one, and unheated nothing leaves the range of start and
    /// surroundings.
    #[test]
    fn a_box_of_any_measures_keeps_heat_and_range(mut site in measured(), stretches in stretches()) {
        site.converter.current_a = 0.0;
        let plant = Plant::new(&site, 1.0);
        let mut uniform = plant.at_rest(-7.0);
        uniform.set_air(Air { outside_c: -7.0, ..Air::default() });
        uniform.advance(1e5);
        for found in read(&uniform) {
            prop_assert!((found + 7.0).abs() < 1e-9, "{found}");
        }
        let mut run = plant.at_rest(3.0);
        go(&mut run, &stretches);
        let balance = run.balance();
        let open = (balance.put_in_j - balance.lost_j - balance.held_j).abs() / balance.turned_over_j;
        prop_assert!(open < 1e-9, "open by {open}");
        let mut run = plant.at_rest(3.0);
        let (mut low, mut high) = (3.0_f64, 3.0_f64);
        for Stretch { air, seconds, .. } in stretches {
            go(&mut run, &[Stretch { air, heat: Heat::default(), seconds }]);
            for outside_c in [air.outside_c, run.outside_c()] {
                (low, high) = (low.min(outside_c), high.max(outside_c));
            }
            for found in read(&run) {
                prop_assert!((low - PROJECTED_K..high + PROJECTED_K).contains(&found), "{found} outside {low} to {high}");
            }
        }
    }
}

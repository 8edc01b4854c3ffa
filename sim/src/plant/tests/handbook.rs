//! Whole boxes against what a handbook lets one reckon by hand.

use super::{csv, number, site};
use crate::materials::INSULATIONS;
use crate::plant::body::Shell;
use crate::plant::{Boundary, Heat, Plant};
use crate::site::{Layer, Mounting, Site, Spot};

/// Heat through the walls and lid and through the floor (W) and the air's and the pad's temperature (°C), steady with 20 W in the bank and −20 °C
/// outside; no air leaks.
fn through_the_box(mut site: Site, wind_m_s: f64) -> [f64; 4] {
    site.enclosure.air_changes_per_h = 0.0;
    let plant = Plant::new(&site, 1.0);
    let run = plant.settled(-20.0, wind_m_s, Heat { heater_w: 0.0, bank_w: 20.0 });
    let all = run.modes.temperatures(&run.wave);
    let to = plant.body.in_wind(wind_m_s * site.place.exposure).to(Boundary::Outside);
    // The bodies before the thermometers.
    let [floor, walls] = [2, 1].map(|back| all.len() - site.mountings.len() - back);
    assert_eq!(to.iter().filter(|g| **g > 0.0).count(), 2);
    let [down_w, out_w] = [floor, walls].map(|node| to[node] * (all[node] + 20.0));
    let put_in_w = 20.0 + site.self_heating_w().sum::<f64>();
    assert!((down_w + out_w - put_in_w).abs() < 1e-9, "{down_w} + {out_w}");
    [out_w, down_w, all[plant.body.air.0], all[plant.body.pad.0]]
}

/// A plane wall of ISO 6946: U = 1/(1/h_inside + d/λ + 1/h_outside). A box of such walls loses more than U times its inner faces and less than U times its
/// outer ones. By hand, with still air, 50 mm at 0.026 W/(m K), films of 7.7 and of 4 + 4.159 W/(m² K):
/// U = 1/(0.12987 + 1.92308 + 0.12256) = 0.45964 W/(m² K).
/// Inside: sides 2 (0.40 + 0.42) 0.27 = 0.4428 m², lid 0.168 m². Outside, down to the floor's underside: 2 (0.50 + 0.52) 0.36 + 0.50 × 0.52 = 0.9944 m².
#[test]
fn a_box_loses_what_its_walls_let_through() {
    let [out_w, _, air_c, _] = through_the_box(site::open(), 0.0);
    let ua = out_w / (air_c + 20.0);
    let (least, most) = (0.45964 * 0.6108, 0.45964 * 0.9944);
    println!("walls and lid: {ua:.5} W/K, between {least:.5} and {most:.5}");
    assert!((least..most).contains(&ua), "{ua}");
    // With edges and corners by hand: shape factor 0.6108/0.05 + 0.54 (4 × 0.27 + 2 × 0.82) + 0.15 × 4 × 0.05 = 13.7148 m.
    let by_hand = 1.0 / (1.0 / (7.7 * 0.6108) + 1.0 / (0.026 * 13.7148) + 1.0 / (8.1592 * 0.9944));
    println!("by hand {by_hand:.5} W/K, off by {:.1e}", ua / by_hand - 1.0);
    assert!((ua / by_hand - 1.0).abs() < 1e-5, "{ua} {by_hand}");
}

/// ISO 6946: outside film 4 + 4 v and radiation. 10 m/s of which 0.3 arrive make 16 + 4.159 W/(m² K) in place of 8.159.
#[test]
fn wind_thins_the_outside_film() {
    let [out_w, _, air_c, _] = through_the_box(site::open(), 10.0);
    let ua = out_w / (air_c + 20.0);
    let by_hand = 1.0 / (1.0 / (7.7 * 0.6108) + 1.0 / (0.026 * 13.7148) + 1.0 / (20.1592 * 0.9944));
    assert!((ua / by_hand - 1.0).abs() < 1e-5, "{ua} {by_hand}");
}

/// Floor of 40 mm, all of it under the plate: shape factor 0.168/0.04 + 0.54 × 2 × 0.82 + 0.15 × 4 × 0.04 = 5.1096 m; outside 0.5 × 0.52 m².
#[test]
fn a_box_loses_what_its_floor_lets_through() {
    let mut site = site::open();
    site.plate.area_m2 = 0.168;
    let [_, down_w, _, pad_c] = through_the_box(site, 0.0);
    let ua = down_w / (pad_c + 20.0);
    let by_hand = 1.0 / (1.0 / (0.026 * 5.1096) + 1.0 / (8.1592 * 0.26));
    println!("floor: {ua:.5} W/K, by hand {by_hand:.5}");
    assert!((ua / by_hand - 1.0).abs() < 1e-5, "{ua} {by_hand}");
    let plane = 0.026 / 0.04 * 0.168;
    assert!(0.026 * 5.1096 > plane, "the edges add to the plane floor");
}

/// Air changes carry ρ c V n/3600: 1.23 × 1008 × (0.40 × 0.42 × 0.27 − 2 × 0.330 × 0.172 × 0.215) × 2/3600 W/K.
#[test]
fn air_changes_carry_heat() {
    let mut site = site::open();
    site.enclosure.air_changes_per_h = 2.0;
    let plant = Plant::new(&site, 1.0);
    let leak = plant.body.in_wind(0.0).to(Boundary::Outside)[plant.body.air.0];
    let by_hand = 1.23 * 1008.0 * 0.020_953_2 * 2.0 / 3600.0;
    assert!((leak / by_hand - 1.0).abs() < 1e-9, "{leak} {by_hand}");
}

/// 11.5 kg at 1106.3395 J/(kg K) from −20 to 5 °C: 318 072.6 J, before losses. Computed from the measured heat capacity of a cell.
#[test]
fn a_battery_takes_318_kilojoules_to_warm_by_25_kelvins() {
    let site = site::open();
    let plant = Plant::new(&site, 1.0);
    let capacities = plant.body.network.capacities();
    for block in &plant.body.layers {
        let needed_j = 25.0 * block.iter().map(|node| capacities[node.0]).sum::<f64>();
        assert!((needed_j - 318_072.6).abs() < 0.05, "{needed_j}");
    }
}

/// Source: `rtd_wiring_checks.csv`, I² R(t) E at 5 °C. The plant takes R at 0 °C: R(5 °C) is 1.0195 times that (`iec60751_pt100.csv`).
#[test]
fn self_heating_raises_a_reading_as_computed() {
    let ratio = csv("iec60751_pt100.csv")
        .iter()
        .find(|row| row[0] == "5")
        .map(|row| number(&row[2]) / 100.0)
        .expect("a row for 5 °C");
    let mut compared = 0;
    for row in csv("rtd_wiring_checks.csv") {
        let r0_ohm = match &*row[0] {
            "self_heating_pt100" => 100.0,
            "self_heating_pt1000" => 1000.0,
            _ => continue,
        };
        let given: Vec<f64> =
            row[1].split(' ').map(|pair| number(pair.split_once('=').expect("name=value").1)).collect();
        let [current_ma, rise_k_per_mw, 5.0] = given[..] else { panic!("{row:?}") };
        let mut site = site::open();
        site.converter.duty = 1.0;
        site.converter.current_a = current_ma / 1000.0;
        let reading = |heated: bool, spot| {
            let mut site = site.clone();
            site.mountings.truncate(1);
            site.mountings[0].at = spot;
            site.mountings[0].air_share = 0.2;
            site.mountings[0].r0_ohm = if heated { r0_ohm } else { 0.0 };
            site.mountings[0].self_heating_k_per_mw = rise_k_per_mw;
            let found = Plant::new(&site, 1.0).steady(5.0, 0.0, Heat::default());
            let around_c = match spot {
                Spot::Air => found.air_c,
                _ => 0.8 * found.plate_c + 0.2 * found.air_c,
            };
            found.sensors_c[0] - around_c
        };
        for spot in [Spot::Air, Spot::Plate] {
            let rise = reading(true, spot) * ratio;
            // Six decimals in the table.
            assert!((rise - number(&row[2])).abs() < 6e-7, "{row:?}: {rise}");
            assert!(reading(false, spot).abs() < 1e-9, "{row:?}");
        }
        compared += 1;
    }
    assert_eq!(compared, 30);
}

/// Resistances one after the other, as in ISO 6946, by hand. From the mean of a layer to a face across the row: a third of the half-width,
/// 0.172/6 m; along it 0.330/6 m; with 0.8 W/(m K) and a film of 7.7 W/(m² K). From the lowest layer down: 0.215/12 m with 15 W/(m K) and
/// a joint of 200 W/(m² K), in the middle of which an element lies that is beneath the battery.
#[test]
fn a_face_reads_where_the_resistances_to_either_side_put_it() {
    let (film, joint) = (1.0 / 7.7, 1.0 / 200.0);
    let (across, along, down) = (0.172 / 6.0 / 0.8, 0.330 / 6.0 / 0.8, 0.215 / 12.0 / 15.0);
    let mut site = site::open();
    site.converter.current_a = 0.0;
    let mounting = Mounting { air_share: 0.0, ..site.mountings[0] };
    site.mountings =
        [Spot::Side(1), Spot::End(1), Spot::Bottom(1), Spot::Base(1)].map(|at| Mounting { at, ..mounting }).to_vec();
    let found = Plant::new(&site, 1.0).steady(-20.0, 0.0, Heat { heater_w: 30.0, bank_w: 0.0 });
    let block = &found.layers_c[1];
    let middle_c = f64::midpoint(block[2], block[3]);
    let way = |from_c: f64, to_c: f64, before: f64, after: f64| from_c + (to_c - from_c) * before / (before + after);
    let by_hand = [
        way(middle_c, found.air_c, across, film),
        way(middle_c, found.air_c, along, film),
        way(block[0], found.plate_c, down + joint / 2.0, joint / 2.0),
        way(block[0], found.plate_c, down, joint),
    ];
    for (element_c, by_hand) in found.sensors_c.iter().zip(by_hand) {
        println!("{element_c:.4} °C, by hand {by_hand:.4} °C");
        assert!((element_c - by_hand).abs() < 1e-9, "{element_c} {by_hand}");
    }
    let [side, end, beneath, base] = by_hand;
    assert!(end < side - 0.1 && beneath > base + 0.1, "they are places of their own");
}

/// An element lies on a case wall and under a cover, and is where the resistances to either side put it: of the drop from the cells to the
/// air, the part across the wall is the share of air. Wall of 3 mm polypropylene, 0.22 W/(m K) (ISO 10456:2007, table 3, from memory);
/// surface resistance 0.13 m² K/W (ISO 6946, horizontal heat flow); 10 mm of foam with 0.035 W/(m K) over the element, or nothing.
#[test]
fn the_default_share_of_air_lies_between_a_bare_element_and_one_under_foam() {
    let wall = 0.003 / 0.22;
    let share = |cover: f64| wall / (wall + cover + 0.13);
    let (bare, covered) = (share(0.0), share(0.010 / 0.035));
    println!("bare {bare:.3}, under foam {covered:.3}");
    // What the starter says of either: about 10 % and 3 %.
    assert!((bare - 0.10).abs() < 0.01 && (covered - 0.03).abs() < 0.005);
    for mounting in site::open().mountings {
        assert!((covered..bare).contains(&mounting.air_share));
    }
}

/// A thermometer follows a plate that warms steadily with its own lag: after many time constants it is behind by lag times rate.
#[test]
fn a_thermometer_lags_by_its_time_constant() {
    let mut site = site::open();
    site.mountings[2].lag_s = 60.0;
    let plant = Plant::new(&site, 1.0);
    let mut run = plant.at_rest(0.0);
    run.set_heat(Heat { heater_w: 0.0, bank_w: 50.0 });
    run.advance(3600.0);
    let before = run.temperatures();
    run.advance(1.0);
    let after = run.temperatures();
    let share = |found: &crate::plant::Temperatures| 0.95 * found.plate_c + 0.05 * found.air_c;
    let rate = share(&after) - share(&before);
    let own_rise = site.mountings[2].self_heating_k_per_mw * 1e3 * site.self_heating_w().nth(2).unwrap();
    let behind = share(&after) - (after.sensors_c[2] - own_rise);
    println!("behind by {behind:.5} K at {rate:.6} K/s");
    assert!((behind / rate / 60.0 - 1.0).abs() < 0.01, "{behind} {rate}");
}

/// A layer of plywood, and one of foam.
fn layers() -> [Layer; 2] {
    let layer = |name: &'static str, thickness_m| {
        let known = INSULATIONS.iter().find(|known| known.name == name).expect("known");
        Layer { name: name.into(), material: known.material, thickness_m }
    };
    [layer("plywood", 0.012), layer("xps", 0.025)]
}

#[test]
fn layers_resist_one_after_the_other() {
    // ISO 6946: R = d₁/λ₁ + d₂/λ₂, by hand: 0.012/0.13 + 0.025/0.034.
    let shell = Shell::of(&layers());
    let resists = shell.thickness_m / shell.conductivity_w_per_m_k;
    assert!((resists - 0.827_601).abs() < 1e-6, "{resists}");
    // Per area: 0.012 × 500 × 1600 + 0.025 × 32.5 × 1450.
    let holds = shell.thickness_m * shell.volumetric_j_per_m3_k;
    assert!((holds - 10_778.125).abs() < 1e-6, "{holds}");
}

#[test]
fn one_layer_cut_into_several_is_the_same_wall() {
    let [plywood, _] = layers();
    let part = |part: f64| Layer { thickness_m: plywood.thickness_m * part, ..plywood.clone() };
    let (whole, cut) = (Shell::of(&[part(1.0)]), Shell::of(&[part(0.2), part(0.5), part(0.3)]));
    assert!((whole.inside - 0.5).abs() < 1e-12 && (cut.inside - 0.5).abs() < 1e-12, "{cut:?}");
    assert!((whole.conductivity_w_per_m_k / cut.conductivity_w_per_m_k - 1.0).abs() < 1e-12);
    assert!((whole.volumetric_j_per_m3_k / cut.volumetric_j_per_m3_k - 1.0).abs() < 1e-12);
}

#[test]
fn wood_outside_of_foam_keeps_its_heat_from_the_box() {
    let [plywood, foam] = layers();
    let (outside, inside) = (Shell::of(&[plywood.clone(), foam.clone()]), Shell::of(&[foam, plywood]));
    assert!((outside.inside + inside.inside - 1.0).abs() < 1e-12);
    assert!(outside.inside > 0.85 && inside.inside < 0.15, "{outside:?} {inside:?}");
}

//! Whole boxes against what a handbook lets one reckon by hand.

use super::{Full, csv, number, open_shape, site};
use crate::materials::INSULATIONS;
use crate::plant::layout::Fineness;
use crate::plant::solid::Kind;
use crate::plant::{Boundary, Heat, Plant};
use crate::site::{Layer, Site, Spot};
use nalgebra::{DMatrix, DVector};

/// Enough for what does not depend on the mesh.
const COARSE: Fineness = Fineness { first_m: 0.05, growth: 2.0, most_m: 1.0 };

/// A box without leaks, 20 W in the bank, −20 °C outside, steady.
struct Box {
    full: Full,
    cells_c: DVector<f64>,
    /// Heat through walls and lid, and through the floor (W).
    out_w: f64,
    down_w: f64,
}

fn through_the_box(mut site: Site, wind_m_s: f64) -> Box {
    site.enclosure.air_changes_per_h = 0.0;
    let full = Full::meshed(&site, COARSE, wind_m_s);
    let driven = DVector::from_vec(full.solid.bank()) * 20.0 - &full.to[0] * 20.0;
    let cells_c = full.steady(&DMatrix::from_columns(&[driven])).column(0).clone_owned();
    let [down_w, out_w] = [0, 1].map(|side| {
        let windward = &full.solid.windward[side];
        let flow =
            |&(node, through): &(crate::plant::Node, f64)| windward.part(wind_m_s) * through * (cells_c[node.0] + 20.0);
        windward.cells.iter().map(flow).sum::<f64>()
    });
    assert!((down_w + out_w - 20.0).abs() < 1e-8, "{down_w} + {out_w}");
    Box { full, cells_c, out_w, down_w }
}

impl Box {
    fn air_c(&self) -> f64 {
        self.cells_c[self.full.solid.air.0]
    }
}

/// A plane wall of ISO 6946: U = 1/(1/h_inside + d/λ + 1/h_outside). A box of such walls loses more than U times its inner faces and less than U times its
/// outer ones. By hand, with still air, 50 mm at 0.026 W/(m K), films of 7.7 and of 4 + 4.16026 W/(m² K):
/// U = 1/(0.12987 + 1.92308 + 0.12255) = 0.45967 W/(m² K).
/// Inside: sides 2 (0.40 + 0.42) 0.27 = 0.4428 m², lid 0.168 m². Outside, down to the floor's underside: 2 (0.50 + 0.52) 0.36 + 0.50 × 0.52 = 0.9944 m².
#[test]
fn a_box_loses_what_its_walls_let_through() {
    let found = through_the_box(site::open(), 0.0);
    let ua = found.out_w / (found.air_c() + 20.0);
    let (least, most) = (0.45967 * 0.6108, 0.45967 * 0.9944);
    println!("walls and lid: {ua:.5} W/K, between {least:.5} and {most:.5}");
    assert!((least..most).contains(&ua), "{ua}");
    // With edges and corners by hand: shape factor 0.6108/0.05 + 0.54 (4 × 0.27 + 2 × 0.82) + 0.15 × 4 × 0.05 = 13.7148 m.
    let by_hand = 1.0 / (1.0 / (7.7 * 0.6108) + 1.0 / (0.026 * 13.7148) + 1.0 / (8.160_26 * 0.9944));
    println!("by hand {by_hand:.5} W/K, off by {:.1e}", ua / by_hand - 1.0);
    assert!((ua / by_hand - 1.0).abs() < 1e-5, "{ua} {by_hand}");
}

/// ISO 6946: outside film 4 + 4 v and radiation. 3 m/s make 16 + 4.16026 W/(m² K) in place of 8.16026.
#[test]
fn wind_thins_the_outside_film() {
    let found = through_the_box(site::open(), 3.0);
    let ua = found.out_w / (found.air_c() + 20.0);
    let by_hand = 1.0 / (1.0 / (7.7 * 0.6108) + 1.0 / (0.026 * 13.7148) + 1.0 / (20.160_26 * 0.9944));
    assert!((ua / by_hand - 1.0).abs() < 1e-5, "{ua} {by_hand}");
}

/// Of the wind at the site only the part that the exposure lets through reaches the box.
#[test]
fn shelter_takes_its_part_of_the_wind() {
    let coldest = |exposure: f64, wind_m_s: f64| {
        let mut site = site::open();
        site.place.exposure = exposure;
        Plant::in_shape(open_shape(), &site, 1.0)
            .steady(-20.0, wind_m_s, Heat { heater_w: 50.0, bank_w: 0.0 })
            .coldest_cell_c()
    };
    assert!((coldest(0.3, 10.0) - coldest(1.0, 3.0)).abs() < 1e-9);
    assert!(coldest(1.0, 10.0) < coldest(0.3, 10.0) - 0.1);
    assert!((coldest(0.0, 10.0) - coldest(1.0, 0.0)).abs() < 1e-9);
}

/// Floor of 40 mm, all of it under a plate and a pad that are at one temperature: shape factor 0.168/0.04 + 0.54 × 2 × 0.82 + 0.15 × 4 × 0.04 =
/// 5.1096 m; outside 0.5 × 0.52 m².
#[test]
fn a_box_loses_what_its_floor_lets_through() {
    let mut site = site::open();
    (site.plate.length_m, site.plate.width_m) = (0.4, 0.42);
    (site.pad.length_m, site.pad.width_m) = (0.4, 0.42);
    site.plate.material.conductivity_w_per_m_k = 1e6;
    site.pad.bond_w_per_m2_k = 1e6;
    let found = through_the_box(site, 0.0);
    let solid = &found.full.solid;
    let pad_c: Vec<f64> = solid
        .places()
        .filter_map(|at| solid.cell(at).filter(|cell| matches!(cell.kind, Kind::Pad(_))))
        .map(|cell| found.cells_c[cell.node])
        .collect();
    let ua = found.down_w / (pad_c[0] + 20.0);
    let by_hand = 1.0 / (1.0 / (0.026 * 5.1096) + 1.0 / (8.160_26 * 0.26));
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
    let full = Full::meshed(&site, COARSE, 0.0);
    let leak = full.solid.network.to(Boundary::Outside)[full.solid.air.0];
    let by_hand = 1.23 * 1008.0 * 0.020_953_2 * 2.0 / 3600.0;
    assert!((leak / by_hand - 1.0).abs() < 1e-9, "{leak} {by_hand}");
}

/// 11.5 kg at 1106.3395 J/(kg K) from −20 to 5 °C: 318 072.6 J, before losses. Computed from the measured heat capacity of a cell.
/// An aluminium plate of 0.36 × 0.37 × 0.003 m: 2800 × 880 J/(m³ K), 984.61 J/K.
#[test]
fn a_battery_takes_318_kilojoules_to_warm_by_25_kelvins_and_the_plate_its_own() {
    let full = Full::meshed(&site::open(), COARSE, 0.0);
    let held = |kind: Kind| {
        let cells = full.solid.places().filter_map(|at| full.solid.cell(at)).filter(|cell| cell.kind == kind);
        cells.map(|cell| full.capacities[cell.node]).sum::<f64>()
    };
    for battery in [0, 1] {
        let needed_j = 25.0 * held(Kind::Battery(battery));
        assert!((needed_j - 318_072.6).abs() < 0.05, "{needed_j}");
    }
    let plate = held(Kind::Plate);
    assert!((plate - 984.6144).abs() < 1e-6, "{plate}");
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
        // The element's own temperature, and that of what it is fixed to and of the air as its shares have it.
        let above = |heated: bool, spot| {
            let mut site = site.clone();
            site.mountings.truncate(1);
            site.mountings[0].at = spot;
            site.mountings[0].air_share = 0.2;
            site.mountings[0].r0_ohm = if heated { r0_ohm } else { 0.0 };
            site.mountings[0].self_heating_k_per_mw = rise_k_per_mw;
            let plant = Plant::in_shape(open_shape(), &site, 1.0);
            let states = plant.steady_states(5.0, 0.0, Heat::default());
            let of_cells = states.rows(0, plant.reduced.states());
            let air_c = plant.sorted(&states).air_c;
            let around_c = match plant.reduced.solid.under(spot) {
                None => air_c,
                Some(place) => 0.8 * plant.reduced.read(place).dot(&of_cells) + 0.2 * air_c,
            };
            plant.sorted(&states).sensors_c[0] - around_c
        };
        for spot in [Spot::Air, Spot::Plate, Spot::Top(0)] {
            let rise = above(true, spot) * ratio;
            // Six decimals in the table.
            assert!((rise - number(&row[2])).abs() < 6e-7, "{row:?}: {rise}");
            assert!(above(false, spot).abs() < 1e-9, "{row:?}");
        }
        compared += 1;
    }
    assert_eq!(compared, 30);
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

/// A thermometer follows what it is fixed to with its own lag: where that warms steadily, after many time constants it is behind by lag times rate.
#[test]
fn a_thermometer_lags_by_its_time_constant() {
    let mut site = site::open();
    site.mountings[2].lag_s = 60.0;
    let plant = Plant::in_shape(open_shape(), &site, 1.0);
    let mut run = plant.at_rest(0.0);
    run.set_heat(Heat { heater_w: 0.0, bank_w: 50.0 });
    run.advance(3600.0);
    let surface =
        plant.reduced.read(plant.reduced.solid.under(site.mountings[2].at).expect("it is fixed to the plate"));
    let around = |run: &crate::plant::Run<'_>| {
        let states = run.modes.modes.temperatures(&run.wave);
        0.95 * surface.dot(&states.rows(0, plant.reduced.states())) + 0.05 * run.temperatures().air_c
    };
    let before = around(&run);
    run.advance(1.0);
    let after = around(&run);
    let rate = after - before;
    let own_rise = site.mountings[2].self_heating_k_per_mw * 1e3 * site.self_heating_w().nth(2).expect("a third");
    let behind = after - (run.sensors_c()[2] - own_rise);
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

fn walled(walls: Vec<Layer>) -> Box {
    let mut site = site::open();
    site.enclosure.walls = walls;
    through_the_box(site, 0.0)
}

/// Conductance from the air in the box to the outside (W/K).
fn ua(found: &Box) -> f64 {
    found.out_w / (found.air_c() + 20.0)
}

/// ISO 6946: R = d₁/λ₁ + d₂/λ₂, by hand 0.012/0.13 + 0.025/0.034 = 0.827602 m² K/W, over 37 mm. Shape factor 0.6108/0.037 + 0.54 × 2.72 + 0.15 × 4 × 0.037 = 17.99911 m,
/// as one material of 0.037/0.827602 W/(m K). Outside: 2 (0.474 + 0.494) 0.347 + 0.474 × 0.494 = 0.905948 m².
#[test]
fn layers_resist_one_after_the_other() {
    let by_hand = 1.0 / (1.0 / (7.7 * 0.6108) + 0.827_602 / (0.037 * 17.999_11) + 1.0 / (8.160_26 * 0.905_948));
    let found = ua(&walled(layers().to_vec()));
    println!("{found:.6} W/K, by hand {by_hand:.6}");
    assert!((found / by_hand - 1.0).abs() < 1e-5, "{found} {by_hand}");
}

#[test]
fn one_layer_cut_into_several_is_the_same_wall() {
    let [plywood, _] = layers();
    let part = |part: f64| Layer { thickness_m: plywood.thickness_m * part, ..plywood.clone() };
    let (whole, cut) = (walled(vec![part(1.0)]), walled(vec![part(0.2), part(0.5), part(0.3)]));
    assert!((ua(&whole) / ua(&cut) - 1.0).abs() < 1e-9);
    assert!((whole.full.capacities.sum() / cut.full.capacities.sum() - 1.0).abs() < 1e-9);
}

/// Heat that a steady wall holds above the outside.
#[test]
fn wood_inside_of_foam_holds_heat_for_the_box_and_outside_of_it_hardly_any() {
    let held = |layers: Vec<Layer>| {
        let found = walled(layers);
        let air = found.full.solid.air.0;
        let drop = found.air_c() + 20.0;
        // The cells of the wall come after the air.
        let of_wall =
            (air + 1..found.cells_c.len()).map(|node| found.full.capacities[node] * (found.cells_c[node] + 20.0));
        of_wall.sum::<f64>() / drop
    };
    let [plywood, foam] = layers();
    let (outside, inside) = (held(vec![plywood.clone(), foam.clone()]), held(vec![foam, plywood]));
    println!("a kelvin inside stands for {outside:.0} J with the wood outside, {inside:.0} J with it inside");
    assert!(inside > 3.0 * outside, "{inside} {outside}");
}

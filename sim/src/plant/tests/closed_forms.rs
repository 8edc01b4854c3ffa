//! All cells against closed forms in one, two and three dimensions.
//!
//! The bodies are those of an installation in which everything else is put out of the way: a joint that passes nothing makes an insulated foot, a box
//! whose air changes without end is air of the outside, a body a thousand kilometres long has no ends.

use super::site::slab;
use super::{Full, at, csv, number, site};
use crate::materials::Material;
use crate::plant::as_f64;
use crate::plant::layout::{Layout, Mesh};
use crate::plant::places::Place;
use crate::plant::solid::{Kind, Solid};
use crate::portable::squared;
use crate::site::{Battery, Pad, Plate, Site, TerminalCable};
use nalgebra::{DMatrix, DVector};

/// So long that no end of it matters (m).
const ENDLESS_M: f64 = 1e6;

/// A body of one material alone, with no way down and air of the outside about it.
fn alone(battery: Battery, film: f64) -> Site {
    let mut site = site::open();
    site.mountings.clear();
    let [length_m, width_m] = [battery.length_m, battery.width_m];
    let row_m = as_f64(battery.count) * width_m + as_f64(battery.count - 1) * battery.gap_m;
    let nothing = Material { conductivity_w_per_m_k: 1e-6, density_kg_per_m3: 1.0, specific_heat_j_per_kg_k: 1.0 };
    site.plate = Plate {
        material: nothing,
        length_m,
        width_m: row_m,
        thickness_m: 1e-3,
        contact_w_per_m2_k: 0.0,
        contact_parts: Vec::new(),
    };
    site.pad = Pad { length_m, width_m: row_m, thickness_m: 1e-6, ..site.pad };
    (site.enclosure.length_m, site.enclosure.width_m) = (length_m, row_m);
    site.enclosure.height_m = battery.height_m + 1.0;
    site.enclosure.floor[0].material = nothing;
    site.enclosure.air_changes_per_h = 1e15;
    site.enclosure.inside_w_per_m2_k = film;
    site.battery = battery;
    site
}

/// So many equal cells along each axis of the batteries' row.
fn even(site: &Site, cells: [usize; 3]) -> Mesh {
    let layout = Layout::of(site);
    let cut = |length_m: f64, cells: usize| (0..=cells).map(|face| length_m * as_f64(face) / as_f64(cells)).collect();
    Mesh {
        x: cut(layout.inside.to[0], cells[0]),
        y: cut(layout.inside.to[1], cells[1]),
        z: cut(layout.height_m, cells[2]),
    }
}

fn on(site: &Site, mesh: &Mesh) -> Full {
    Full::of(&Solid::new(site, &Layout::of(site), mesh), 0.0)
}

/// Errors on meshes of which each has twice the cells along every axis.
fn assert_second_order(errors: &[f64]) {
    let orders: Vec<f64> = errors.windows(2).map(|pair| libm::log2(pair[0] / pair[1])).collect();
    println!("errors {errors:.6?}, orders {orders:.2?}");
    for order in orders {
        assert!((1.7..2.5).contains(&order), "{order}: {errors:?}");
    }
}

/// Steps that grow with the time passed (s): enough that what is left of their error is small against that of the meshes.
fn steps(to_s: f64) -> [(f64, usize); 3] {
    [(to_s / 2000.0, 40), (to_s / 500.0, 40), (to_s / 200.0, 180)]
}

const L: f64 = 0.05;
const K: f64 = 0.52;
const RHO: f64 = 2183.0357;
const CP: f64 = 1106.3395;
const ALPHA: f64 = K / (RHO * CP);

/// A slab that is `L` thick along `axis` and endless along the others; with both faces free where they are its sides, it is twice as thick.
fn slab_along(axis: usize, halves: f64) -> Battery {
    let thick = |own: usize| if own == axis { halves * L } else { ENDLESS_M };
    let of = slab(thick(2), K, RHO, CP);
    Battery { length_m: thick(0), width_m: thick(1), mass_kg: RHO * thick(0) * thick(1) * thick(2), ..of }
}

/// Worst error (1) of the cooling of `conduction_planewall_series.csv` along an axis, for Biot numbers up to one and from Fo = 0.1 on: middle,
/// half way and surface.
fn cooled(axis: usize, cells: usize) -> f64 {
    let halves = if axis == 2 { 1.0 } else { 2.0 };
    let count = |own: usize| if own == axis { cells * if axis == 2 { 1 } else { 2 } } else { 1 };
    let mut worst = 0.0_f64;
    let mut compared = 0;
    for row in csv("conduction_planewall_series.csv").iter().skip(1) {
        let (biot, fourier) = (number(&row[0]), number(&row[1]));
        if biot > 1.0 || fourier < 0.1 {
            continue;
        }
        let site = alone(slab_along(axis, halves), biot * K / L);
        let full = on(&site, &even(&site, [0, 1, 2].map(count)));
        let mut start = DMatrix::from_element(full.capacities.len(), 1, 1.0);
        start[full.solid.air.0] = 0.0;
        let mut after = Vec::new();
        let seconds = fourier * L * L / ALPHA;
        full.crossed(&start, &DMatrix::zeros(start.len(), 1), &steps(seconds), |_, now| {
            after = now.as_slice().to_vec();
        });
        // From the insulated foot or the middle, to the face.
        for (part, exact) in [0.0, 0.5, 1.0].into_iter().zip(&row[2..5]) {
            let mut parts = [0.5; 3];
            parts[axis] = if axis == 2 { part } else { 0.5 + part / 2.0 };
            worst = worst.max((at(&full.solid.part_of_battery(0, parts), &after) - number(exact)).abs());
            compared += 1;
        }
    }
    assert!(compared >= 60, "{compared}");
    worst
}

/// Source: `conduction_planewall_series.csv`.
#[test]
fn a_slab_cools_through_films_as_the_series_says_along_every_axis() {
    for axis in 0..3 {
        let errors = [4, 8, 16].map(|cells| cooled(axis, cells));
        println!("along axis {axis}:");
        assert_second_order(&errors);
        assert!(errors[2] < 0.001, "axis {axis}: {errors:?}");
    }
}

/// Worst error (q L/k) of the slab of `conduction_flux_slab.csv` heated on its foot through the plate, from Fo = 0.1 on: top, middle, foot.
fn heated(cells: usize) -> f64 {
    let battery = slab(L, K, RHO, CP);
    let mut site = alone(battery, 0.0);
    site.plate.contact_w_per_m2_k = 1e7;
    site.plate.material.specific_heat_j_per_kg_k = 1e-3;
    let full = on(&site, &even(&site, [1, 1, cells]));
    let plate =
        full.solid.places().filter_map(|at| full.solid.cell(at)).find(|cell| cell.kind == Kind::Plate).expect("one");
    let mut driven = DVector::zeros(full.capacities.len());
    driven[plate.node] = K / L;
    let mut worst = 0.0_f64;
    let mut compared = 0;
    for row in csv("conduction_flux_slab.csv").iter().skip(1) {
        let fourier = number(&row[0]);
        if !(0.1..=2.0).contains(&fourier) {
            continue;
        }
        let seconds = fourier * L * L / ALPHA;
        let mut last = Vec::new();
        let drive = DMatrix::from_columns(&[driven.clone()]);
        full.crossed(&DMatrix::zeros(driven.len(), 1), &drive, &steps(seconds), |_, now| {
            last = now.as_slice().to_vec();
        });
        for (up, column) in [(1.0, 1), (0.5, 3), (0.0, 5)] {
            worst = worst.max((at(&full.solid.part_of_battery(0, [0.5, 0.5, up]), &last) - number(&row[column])).abs());
            compared += 1;
        }
    }
    assert!(compared >= 18, "{compared}");
    worst
}

/// Source: `conduction_flux_slab.csv`.
#[test]
fn a_slab_heated_on_its_foot_warms_as_the_series_says() {
    let errors = [4, 8, 16].map(heated);
    assert_second_order(&errors);
    assert!(errors[2] < 0.001, "{errors:?}");
}

/// A block whose conductivities differ along its axes, so that each has the Biot number and the Fourier number of its own that a row asks for.
fn block(row: &[String]) -> (Site, f64) {
    let film = 10.0;
    let k_up = 2.0;
    let height_m = number(&row[2]) * k_up / film;
    let half = |axis: usize| number(&row[axis]) / number(&row[2]);
    // The same k/a² on every axis: k = k_z (a/a_z)², so that Bi = h a/k = Bi_z a_z/a.
    let [a, b] = [0, 1].map(|axis| height_m / half(axis));
    let battery = Battery {
        length_m: 2.0 * a,
        width_m: 2.0 * b,
        conductivity_along_w_per_m_k: k_up * squared(a / height_m),
        conductivity_across_w_per_m_k: k_up * squared(b / height_m),
        mass_kg: RHO * 4.0 * a * b * height_m,
        ..slab(height_m, k_up, RHO, CP)
    };
    let seconds = number(&row[3]) * height_m * height_m * RHO * CP / k_up;
    (alone(battery, film), seconds)
}

/// Worst error (1) at the core, and at the middles of faces and edges and at corners, on a mesh for each block.
fn worst_of_blocks(mesh: impl Fn(&Site) -> Mesh) -> [f64; 4] {
    let mut worst = [0.0_f64; 4];
    let table = csv("conduction_block.csv");
    for row in &table[1..] {
        let (site, seconds) = block(row);
        let full = on(&site, &mesh(&site));
        let mut start = DMatrix::from_element(full.capacities.len(), 1, 1.0);
        start[full.solid.air.0] = 0.0;
        let mut last = Vec::new();
        full.crossed(&start, &DMatrix::zeros(start.len(), 1), &steps(seconds), |_, now| last = now.as_slice().to_vec());
        for (name, exact) in table[0][4..].iter().zip(&row[4..]) {
            let out = |axis: char| if name.contains(axis) && name != "core" { 1.0 } else { 0.0 };
            let parts = [0.5 + out('x') / 2.0, 0.5 - out('y') / 2.0, out('z')];
            let faces = if name == "core" { 0 } else { name.len() };
            let error = (at(&full.solid.part_of_battery(0, parts), &last) - number(exact)).abs();
            worst[faces] = worst[faces].max(error);
        }
    }
    worst
}

/// Source: `conduction_block.csv`. The difference in all is 1.
#[test]
fn a_block_cools_as_the_product_of_three_walls_at_its_core_faces_edges_and_corners() {
    let coarse = worst_of_blocks(|site| even(site, [8, 8, 4]));
    let fine = worst_of_blocks(|site| even(site, [16, 16, 8]));
    for (place, (coarse, fine)) in ["core", "faces", "edges", "corners"].iter().zip(coarse.iter().zip(&fine)) {
        println!("{place}: {coarse:.5}, with twice the cells {fine:.5}");
        assert!((1.7..2.6).contains(&libm::log2(coarse / fine)), "{place}: {coarse} {fine}");
        assert!(*fine < 0.01, "{place}: {fine}");
    }
}

/// The worst error of a long block's steady field, as a part of its highest rise.
fn worst_of_long_blocks(mesh: impl Fn(&Site) -> Mesh) -> f64 {
    let mut worst = 0.0_f64;
    for row in csv("conduction_long_block.csv").iter().skip(1) {
        let [half_m, height_m, across, up, film] = [0, 1, 2, 3, 4].map(|column| number(&row[column]));
        let battery = Battery {
            length_m: ENDLESS_M,
            width_m: 2.0 * half_m,
            conductivity_across_w_per_m_k: across,
            conductivity_along_w_per_m_k: across,
            ..slab(height_m, up, RHO, CP)
        };
        let mut site = alone(battery, film);
        site.plate.contact_w_per_m2_k = 1e7;
        // The plate neither gives off heat at its edges nor spreads any.
        site.plate.thickness_m = 1e-9;
        let full = on(&site, &mesh(&site));
        let driven = DVector::from_vec(full.solid.heater()) * (ENDLESS_M * 2.0 * half_m);
        let found = full.steady(&DMatrix::from_columns(&[driven]));
        let rise = number(&row[9]);
        let mut of_block = 0.0_f64;
        for (parts, column) in [([0.5, 0.5, 0.5], 5), ([0.5, 0.5, 1.0], 6), ([0.5, 1.0, 0.5], 7), ([0.5, 0.0, 1.0], 8)]
        {
            let error = at(&full.solid.part_of_battery(0, parts), found.as_slice()) - number(&row[column]);
            of_block = of_block.max(error.abs() / rise);
        }
        println!("{across} and {up} W/(m K): {of_block:.5} of the rise");
        worst = worst.max(of_block);
    }
    worst
}

/// Source: `conduction_long_block.csv`. On the mesh of every plan, and finer.
#[test]
fn a_long_block_heated_from_below_is_as_warm_as_the_series_says() {
    let errors = [4, 8, 16].map(|cells| worst_of_long_blocks(|site| even(site, [1, 2 * cells, 2 * cells])));
    assert_second_order(&errors);
    let plan = worst_of_long_blocks(|site| Mesh { x: even(site, [1; 3]).x, ..meshed_across(site) });
    println!("on the mesh of a plan {plan:.5} of the rise");
    assert!(plan < 0.02, "{plan}");
}

/// The mesh of a plan, but for the length, which may be endless.
fn meshed_across(site: &Site) -> Mesh {
    let mut short = site.clone();
    for length_m in
        [&mut short.battery.length_m, &mut short.plate.length_m, &mut short.pad.length_m, &mut short.enclosure.length_m]
    {
        *length_m = 0.3;
    }
    Mesh::of(&Layout::of(&short), short.battery.conductivity_up_w_per_m_k)
}

/// The plate of `conduction_patch.csv`: over it a body that passes heat straight up to the film on its top, and in no other direction.
fn patched(row: &[String]) -> Site {
    let through = Battery {
        length_m: 0.3,
        width_m: 0.3,
        conductivity_across_w_per_m_k: 1e-12,
        conductivity_along_w_per_m_k: 1e-12,
        ..slab(0.1, 1e5, RHO, CP)
    };
    let mut site = alone(through, 8.0);
    site.plate.material = Material { conductivity_w_per_m_k: 160.0, ..site.plate.material };
    (site.plate.thickness_m, site.plate.contact_w_per_m2_k) = (0.003, 1e6);
    (site.pad.length_m, site.pad.width_m, site.pad.bond_w_per_m2_k) = (0.1, 0.1, 1e6);
    site.pad.shift_m = [number(&row[0]), number(&row[1])];
    site
}

fn worst_of_patches(mesh: impl Fn(&Site) -> Mesh, read: impl Fn(&Solid, [f64; 2]) -> Place) -> f64 {
    let mut worst = 0.0_f64;
    for row in csv("conduction_patch.csv").iter().skip(1) {
        let site = patched(row);
        let full = on(&site, &mesh(&site));
        let driven = DVector::from_vec(full.solid.heater()) * 0.01;
        let found = full.steady(&DMatrix::from_columns(&[driven]));
        let place = read(&full.solid, [2, 3].map(|column| 0.15 + number(&row[column])));
        let error = at(&place, found.as_slice()) - number(&row[4]);
        println!("{row:?}: off by {:.3} % of 17.37 mK", error / 0.01737 * 100.0);
        worst = worst.max(error.abs() / 0.01737);
    }
    worst
}

/// Source: `conduction_patch.csv`. The base of the body above is as warm as the plate, and is read between the middles of cells.
#[test]
fn a_plate_heated_by_a_patch_is_as_warm_as_the_double_series_says() {
    let base = |solid: &Solid, [x, y]: [f64; 2]| solid.in_battery(0, [x, y, 0.0]);
    let errors = [15, 30].map(|cells| worst_of_patches(|site| even(site, [cells, cells, 1]), base));
    println!("errors {errors:.5?}");
    assert!(errors[1] < errors[0] / 2.5 && errors[1] < 0.005, "{errors:?}");
    let plan = worst_of_patches(|site| Mesh::of(&Layout::of(site), site.battery.conductivity_up_w_per_m_k), base);
    println!("on the mesh of a plan {plan:.5} of the highest rise");
    // As thermometers on the plate and the warmest place of it are read.
    let read =
        worst_of_patches(|site| Mesh::of(&Layout::of(site), site.battery.conductivity_up_w_per_m_k), Solid::on_plate);
    println!("read on the plate {read:.5} of the highest rise");
    assert!(plan < 0.02 && read < 0.02, "{plan} {read}");
}

/// A plate that sticks out to both sides from under a body that lets nothing through: tip over root 1/(cosh m l + (h/m k) sinh m l) and heat
/// √(h k t) (sinh m l + (h/m k) cosh m l)/(cosh m l + (h/m k) sinh m l) per length and kelvin at the root, m = √(h/k t): film on one side and the tip. Source: Incropera &
/// DeWitt, Table 3.4, case A; from memory.
#[test]
fn a_plate_that_sticks_out_is_a_fin() {
    let (h, k, thick_m, out_m, body_m): (f64, f64, f64, f64, f64) = (8.0, 160.0, 0.003, 0.2, 0.1);
    let m = (h / (k * thick_m)).sqrt();
    let (cosh, sinh, tip) = (libm::cosh(m * out_m), libm::sinh(m * out_m), h / (m * k));
    let (tip_of_root, watts) =
        (1.0 / (cosh + tip * sinh), (h * k * thick_m).sqrt() * (sinh + tip * cosh) / (cosh + tip * sinh));
    let mut errors = Vec::new();
    for cells in [10, 20, 40] {
        let body = Battery { length_m: ENDLESS_M, width_m: body_m, ..slab(0.1, 1.0, RHO, CP) };
        let mut site = alone(body, h);
        // Lets through nothing, and so is out of it.
        site.battery.conductivity_up_w_per_m_k = 1e-12;
        site.plate.material = Material { conductivity_w_per_m_k: k, ..site.plate.material };
        (site.plate.thickness_m, site.plate.width_m) = (thick_m, body_m + 2.0 * out_m);
        site.enclosure.width_m = site.plate.width_m;
        let full = on(&site, &even(&site, [1, 5 * cells, 1]));
        let driven = DVector::from_vec(full.solid.heater()) * (2.0 * ENDLESS_M);
        let found = full.steady(&DMatrix::from_columns(&[driven]));
        let plate: Vec<f64> = (0..5 * cells)
            .filter_map(|j| {
                full.solid
                    .places()
                    .find(|at| at[1] == j && full.solid.cell(*at).is_some_and(|cell| cell.kind == Kind::Plate))
            })
            .filter_map(|at| full.solid.cell(at).map(|cell| found[cell.node]))
            .collect();
        // One watt for each metre goes to either side. The root lies between the last cell under the body and the first beside it.
        let root = f64::midpoint(plate[2 * cells - 1], plate[2 * cells]);
        let size = out_m / as_f64(2 * cells);
        let half_film = (size / 2.0) / k;
        let edge = plate[0] / (1.0 + h * half_film);
        errors.push((edge / root - tip_of_root).abs().max((1.0 / root / watts - 1.0).abs()));
    }
    println!("tip {tip_of_root:.4} of the root, {watts:.4} W/(m K)");
    assert_second_order(&errors);
    assert!(errors[2] < 0.001, "{errors:?}");
}

/// Two endless slabs, heat in the first, films on the outer faces: resistances 1/h, w/k, the gap, w/k, 1/h one after the other. Radiation across it and air
/// that stands in it: ISO 6946, annex B.
#[test]
fn a_gap_is_a_resistance_between_two_blocks() {
    let (h, k, wide_m, gap_m) = (7.7, 0.8, 0.172, 0.005);
    let battery = Battery { count: 2, length_m: ENDLESS_M, width_m: wide_m, gap_m, ..slab(ENDLESS_M, k, RHO, CP) };
    let site = alone(battery, h);
    let layout = Layout::of(&site);
    let cut = |from: f64| (0..20).map(move |face| from + wide_m * f64::from(face) / 20.0);
    let y: Vec<f64> = cut(0.0).chain([wide_m]).chain(cut(wide_m + gap_m)).chain([layout.inside.to[1]]).collect();
    let full = on(&site, &Mesh { y, ..even(&site, [1, 1, 1]) });
    // A watt for each square metre into the outermost cell of the first.
    let first = full
        .solid
        .places()
        .find(|at| full.solid.cell(*at).is_some_and(|cell| cell.kind == Kind::Battery(0)))
        .expect("one");
    let mut driven = DVector::zeros(full.capacities.len());
    driven[full.solid.cell(first).expect("found").node] = ENDLESS_M * ENDLESS_M;
    let found = full.steady(&DMatrix::from_columns(&[driven]));
    let gap = 0.025_f64 / gap_m + 0.9 * 4.0 * 5.670_374e-8 * 273.15 * 273.15 * 273.15;
    let from_cell = wide_m / 40.0 / k;
    let onwards = (wide_m - wide_m / 40.0) / k + 1.0 / gap + wide_m / k + 1.0 / h;
    let back = 1.0 / h + from_cell;
    let rise = 1.0 / (1.0 / onwards + 1.0 / back);
    let flow = rise / onwards;
    let face = |battery, across| at(&full.solid.part_of_battery(battery, [0.5, across, 0.5]), found.as_slice());
    let by_hand = [rise - flow * (wide_m - wide_m / 40.0) / k, flow * (wide_m / k + 1.0 / h), flow / h];
    for (found, by_hand) in [face(0, 1.0), face(1, 0.0), face(1, 1.0)].iter().zip(by_hand) {
        println!("{found:.6} K, by hand {by_hand:.6} K");
        assert!((found / by_hand - 1.0).abs() < 1e-3, "{found} {by_hand}");
    }
}

/// A body that conducts without end and has no other way out: P/(2 k A/l) above the outside, with copper of 380 W/(m K), 50 mm² and 0.5 m.
#[test]
fn a_terminal_cable_is_a_resistance_to_the_outside() {
    let battery = Battery {
        length_m: 0.33,
        width_m: 0.172,
        terminal_cable: Some(TerminalCable { area_mm2: 50.0, length_m: 0.5 }),
        ..slab(0.215, 1e6, RHO, CP)
    };
    let site = alone(battery, 0.0);
    let full = on(&site, &Mesh::of(&Layout::of(&site), site.battery.conductivity_up_w_per_m_k));
    let driven = DVector::from_vec(full.solid.bank()) * 10.0;
    let found = full.steady(&DMatrix::from_columns(&[driven]));
    let by_hand = 10.0 / (2.0 * 380.0 * 50e-6 / 0.5);
    for parts in [[0.0, 0.0, 0.0], [0.5, 0.5, 1.0], [1.0, 1.0, 1.0]] {
        let found = at(&full.solid.part_of_battery(0, parts), found.as_slice());
        assert!((found / by_hand - 1.0).abs() < 1e-4, "{found} {by_hand}");
    }
}

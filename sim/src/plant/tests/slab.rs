//! The stack of layers against the exact solutions for a slab.

use super::super::body::{series, skin, stack, surround};
use super::super::modes::as_f64;
use super::site::slab;
use super::{csv, number};
use crate::plant::{Boundary, LAYERS, Network};
use crate::site::Battery;

/// Thickness, conductivity, density and specific heat of the slab, and its initial temperature: the example at
/// [`a_pouch_cell_heated_on_one_face_is_right_within_a_tenth_of_a_kelvin`]. The other checks have no dimensions.
const L: f64 = 0.05;
const K: f64 = 0.52;
const RHO: f64 = 2183.0357;
const CP: f64 = 1106.3395;
const ALPHA: f64 = K / (RHO * CP);

/// Values at points of a slab, to second order, out of the means of its layers and the gradients at its faces.
struct Profile {
    /// From the face at ξ = 0.
    means: Vec<f64>,
    /// Inwards from the face at ξ = 0 and from that at ξ = 1, per layer.
    gradients: [f64; 2],
}

impl Profile {
    /// At ξ = x/L.
    ///
    /// In an outer layer by the parabola `a + g s + b s²`, s layers from the face, that has the face's gradient g and the means of the
    /// outer two layers, `a + g/2 + b/3` and `a + 3g/2 + 7b/3`. Their difference gives b, and the face is at `mean − g/2 − b/3`. Further
    /// in by the parabola that has the means of three neighbours.
    fn at(&self, xi: f64) -> f64 {
        let means = &self.means;
        let n = means.len();
        let s = xi * as_f64(n);
        let from_face = |near: f64, next: f64, gradient: f64, s: f64| {
            let b = (next - near - gradient) / 2.0;
            near - gradient / 2.0 - b / 3.0 + gradient * s + b * s * s
        };
        if s < 1.0 {
            return from_face(means[0], means[1], self.gradients[0], s);
        }
        if s > as_f64(n - 1) {
            return from_face(means[n - 1], means[n - 2], self.gradients[1], as_f64(n) - s);
        }
        let off = |layer: usize| s - as_f64(layer) - 0.5;
        let layer = (1..n - 1).min_by(|&i, &j| off(i).abs().total_cmp(&off(j).abs())).unwrap();
        let (below, here, above) = (means[layer - 1], means[layer], means[layer + 1]);
        let s = off(layer);
        let curved = f64::midpoint(above - here, below - here);
        here + (above - below) / 2.0 * s + curved * (s * s - 1.0 / 12.0)
    }

    fn mean(&self) -> f64 {
        self.means.iter().sum::<f64>() / as_f64(self.means.len())
    }
}

/// Capacity of a plate that delays nothing, and yet not so little that its mode drowns the others in rounding (J/K).
const NO_PLATE: f64 = 0.1;

/// The slab after being heated through a plate under the face ξ = 1, with `q_w_m2` from 0 on; and the heat it and the plate hold,
/// as a part of what was put in.
fn heated(layers: usize, seconds: f64, q_w_m2: f64) -> (Profile, f64) {
    let mut network = Network::default();
    let plate = network.add(NO_PLATE);
    let nodes = stack(&mut network, &slab(L, K, RHO, CP), layers, plate, 1e9);
    let mut heat = vec![0.0; network.len()];
    heat[plate.0] = q_w_m2;
    let after = network.after(&vec![0.0; network.len()], &heat, [0.0; 2], seconds);
    let held = network.capacities().iter().zip(&after).map(|(capacity, rise)| capacity * rise).sum::<f64>();
    let profile = Profile {
        means: nodes.iter().rev().map(|node| after[node.0]).collect(),
        gradients: [0.0, -q_w_m2 * L / K / as_f64(layers)],
    };
    (profile, held / (q_w_m2 * seconds))
}

/// The worst error over the faces and three points between, in units of `q L/k`, from some Fourier number on.
fn worst_heated(layers: usize, from_fourier: f64) -> f64 {
    let mut worst: f64 = 0.0;
    let mut compared = 0;
    for row in csv("conduction_flux_slab.csv").iter().skip(1) {
        let fourier = number(&row[0]);
        if fourier < from_fourier {
            continue;
        }
        let (profile, _) = heated(layers, fourier * L * L / ALPHA, K / L);
        for (xi, exact) in [0.0, 0.25, 0.5, 0.75, 1.0].into_iter().zip(&row[1..]) {
            worst = worst.max((profile.at(xi) - number(exact)).abs());
            compared += 1;
        }
    }
    assert!(compared >= 25, "{compared}");
    worst
}

/// Source: `conduction_flux_slab.csv`, the Fourier series of the continuous slab. `q L/k` = 19.23 K is the example below.
#[test]
fn six_layers_follow_the_slab() {
    assert_eq!(LAYERS, 6);
    for (from_fourier, within) in [(0.01, 0.0025), (0.3, 0.0008), (0.5, 0.0002)] {
        let worst = worst_heated(LAYERS, from_fourier);
        println!("from Fo {from_fourier}: worst {worst:.6} q L/k, {:.4} K of 19.23 K", worst * 19.23);
        assert!(worst < within, "from Fo {from_fourier}: {worst}");
    }
    // Sooner than that the face is not yet right, whatever is read out of so few layers.
    let worst = worst_heated(LAYERS, 0.005);
    assert!(worst > 0.0052, "six layers would now do from Fo 0.005 on: {worst}");
}

#[test]
fn a_heated_slab_holds_what_was_put_in() {
    for layers in [2, 3, LAYERS, 24] {
        for fourier in [0.001, 0.1, 5.0] {
            let (_, part) = heated(layers, fourier * L * L / ALPHA, K / L);
            assert!((part - 1.0).abs() < 1e-9, "{layers} layers, Fo {fourier}: {part}");
        }
    }
}

#[test]
fn the_error_of_a_heated_slab_falls_with_the_square_of_the_layers() {
    assert_second_order([3, 6, 12, 24].map(|layers| worst_heated(layers, 0.1)));
}

/// Errors at layers doubled each time.
fn assert_second_order(errors: [f64; 4]) {
    let orders: Vec<f64> = errors.windows(2).map(|pair| (pair[0] / pair[1]).log2()).collect();
    println!("errors {errors:.6?}, orders {orders:.2?}");
    for order in orders {
        assert!((1.7..2.3).contains(&order), "{order}: {errors:?}");
    }
}

/// A measured LFP pouch cell (arXiv:2112.09768: 489 g, 224 mL, 541 J/K, 0.52 W/(m K)), taken 50 mm thick and heated by 200 W/m² from
/// −10 °C on. Expected: the series of `conduction_flux_slab.csv` at these figures, evaluated with 40 digits.
#[test]
fn a_pouch_cell_heated_on_one_face_is_right_within_a_tenth_of_a_kelvin() {
    let mut worst: f64 = 0.0;
    for (seconds, far, middle, near) in [
        (600.0, -9.993_641_726, -9.680_953_859, -5.067_303_612),
        (1800.0, -9.382_275_874, -7.817_994_043, -1.454_587_834),
        (3600.0, -7.060_114_431, -4.838_985_290, 2.189_817_321),
        (7200.0, -1.271_976_173, 1.123_302_052, 8.326_272_585),
        (14_400.0, 10.644_058_84, 13.047_886_16, 20.259_405_78),
    ] {
        let (profile, _) = heated(LAYERS, seconds, 200.0);
        for (xi, exact) in [(0.0, far), (0.5, middle), (1.0, near)] {
            worst = worst.max((profile.at(xi) - 10.0 - exact).abs());
        }
    }
    println!("pouch cell: worst {worst:.4} K");
    assert!(worst < 0.1, "{worst}");
}

/// The slab from 1 down to 0, insulated at ξ = 0, under a film at ξ = 1.
fn cooled(layers: usize, biot: f64, fourier: f64) -> Profile {
    let mut network = Network::default();
    let plate = network.add(NO_PLATE);
    let nodes = stack(&mut network, &slab(L, K, RHO, CP), layers, plate, 0.0);
    let layer_m = L / as_f64(layers);
    let film = series(biot * K / L, K / (layer_m / 2.0));
    network.edge(nodes[layers - 1], Boundary::Outside, film);
    let n = network.len();
    let after = network.after(&vec![1.0; n], &vec![0.0; n], [0.0; 2], fourier * L * L / ALPHA);
    let means: Vec<f64> = nodes.iter().map(|node| after[node.0]).collect();
    let gradients = [0.0, film * means[layers - 1] * layer_m / K];
    Profile { means, gradients }
}

/// The worst error over centre, quarter, surface and mean, as a part of the step, for Biot numbers up to one and from some Fourier number on.
fn worst_cooled(layers: usize, to_biot: f64, from_fourier: f64) -> f64 {
    let mut worst: f64 = 0.0;
    let mut compared = 0;
    for row in csv("conduction_planewall_series.csv").iter().skip(1) {
        let (biot, fourier) = (number(&row[0]), number(&row[1]));
        if biot > to_biot || fourier < from_fourier {
            continue;
        }
        let profile = cooled(layers, biot, fourier);
        for (found, exact) in [profile.at(0.0), profile.at(0.5), profile.at(1.0), profile.mean()].iter().zip(&row[2..])
        {
            worst = worst.max((found - number(exact)).abs());
            compared += 1;
        }
    }
    assert!(compared >= 16, "{compared}");
    worst
}

/// Source: `conduction_planewall_series.csv`, 60 terms of the series. A battery's own Biot number, upwards as a whole and sideways over half its
/// width, is below one: 8 W/(m² K) × 0.2 m / 15 W/(m K) and 8 × 0.09 / 0.8.
#[test]
fn six_layers_follow_the_plane_wall() {
    for (to_biot, from_fourier, within) in [(0.1, 0.05, 0.0003), (1.0, 0.05, 0.005), (10.0, 0.1, 0.01)] {
        let worst = worst_cooled(LAYERS, to_biot, from_fourier);
        println!("Bi to {to_biot}, from Fo {from_fourier}: worst {worst:.6} of the step");
        assert!(worst < within, "Bi to {to_biot}, from Fo {from_fourier}: {worst}");
    }
}

#[test]
fn the_error_of_a_cooled_wall_falls_with_the_square_of_the_layers() {
    assert_second_order([3, 6, 12, 24].map(|layers| worst_cooled(layers, 1.0, 0.1)));
}

/// Source: `conduction_planewall.csv`, first root of ζ tan ζ = Bi. Late in a cooling, the mean decays at ζ² α/L².
#[test]
fn late_in_a_cooling_the_wall_decays_at_its_first_root() {
    for row in csv("conduction_planewall.csv").iter().skip(1) {
        let (biot, root) = (number(&row[0]), number(&row[1]));
        let decay = |layers| (cooled(layers, biot, 2.0).mean() / cooled(layers, biot, 3.0).mean()).ln();
        let error = |layers| (decay(layers) / (root * root) - 1.0).abs();
        assert!(error(LAYERS) < 0.006, "Bi {biot}: {}", error(LAYERS));
        assert!(error(24) < 0.0004, "Bi {biot}: {}", error(24));
    }
}

/// At Bi = 0.01 a stack and one lump under the same film agree to Bi/3 in their rate of decay; at Bi = 1 they must not, or the stack would
/// not conduct as it should. Source: `conduction_planewall_series.csv`, columns `theta_mean` and `theta_lumped`.
#[test]
fn a_stack_is_a_lump_at_small_biot_numbers_only() {
    let mut compared = 0;
    for row in csv("conduction_planewall_series.csv").iter().skip(1) {
        let (biot, fourier) = (number(&row[0]), number(&row[1]));
        let mut lump = Network::default();
        let node = lump.add(RHO * L * CP);
        lump.edge(node, Boundary::Outside, biot * K / L);
        let lump = lump.after(&[1.0], &[0.0], [0.0; 2], fourier * L * L / ALPHA)[0];
        assert!((lump - number(&row[7])).abs() < 1e-9, "{lump}");
        let slower = cooled(LAYERS, biot, fourier).mean().ln() / lump.ln();
        if row[0] == "0.01" {
            assert!((1.0 - biot / 3.0 - 1e-4..1.0).contains(&slower), "Fo {fourier}: {slower}");
            compared += 1;
        } else if row[0] == "1" {
            assert!(slower < 0.9, "Fo {fourier}: {slower}");
            compared += 1;
        }
    }
    assert_eq!(compared, 14);
}

/// Sideways a battery is one body, with a third of its half-width on the way to each face. Source of the exact decay: `conduction_planewall.csv`.
/// The rule gives Bi/(1 + Bi/3) where ζ² = Bi (1 − Bi/3 + 4 Bi²/45 − …) is right: too fast by Bi²/45, at Bi = 1 by 1.3 %.
#[test]
fn a_battery_cools_sideways_nearly_as_a_wall_does() {
    let mut compared = 0;
    for row in csv("conduction_planewall.csv").iter().skip(1) {
        let (biot, root) = (number(&row[0]), number(&row[1]));
        if biot > 1.0 {
            continue;
        }
        // Its long faces only: hardly any short ones, hardly any way up.
        let battery =
            Battery { length_m: 1e6, width_m: 2.0 * L, conductivity_up_w_per_m_k: 1e-9, ..slab(1.0, K, RHO, CP) };
        let mut network = Network::default();
        let air = network.add(1e30);
        let body = network.add(battery.length_m * 2.0 * L * RHO * CP);
        surround(&mut network, &battery, &[vec![body]], air, biot * K / L);
        let after = network.after(&[0.0, 1.0], &[0.0; 2], [0.0; 2], L * L / ALPHA)[1];
        let error = -after.ln() / (root * root) - 1.0;
        println!("Bi {biot}: decay sideways off by {error:.1e}");
        // 1e-7: the short faces, and ten digits of the root.
        assert!(error.abs() < biot * biot / 45.0 + 1e-7, "Bi {biot}: {error}");
        compared += 1;
    }
    assert_eq!(compared, 20);
}

/// Once a cooling has settled into its shape, the outer face is at 1/(1 + Bi/3) of the mean's distance from the air. Source:
/// `conduction_planewall_series.csv`, columns `theta_surface` and `theta_mean`.
#[test]
fn an_outer_face_is_as_cold_as_that_of_a_wall() {
    let mut compared = 0;
    for row in csv("conduction_planewall_series.csv").iter().skip(1) {
        let [biot, fourier, surface, mean] = [0, 1, 4, 5].map(|column| number(&row[column]));
        if biot > 1.0 || fourier < 1.0 {
            continue;
        }
        let inside = biot * K / L;
        let flat = Battery { width_m: 2.0 * L, length_m: 1e-6, ..slab(1.0, K, RHO, CP) };
        let face = 1.0 - skin(&flat, 6, 0, inside, 200.0).side();
        let error = face / (surface / mean) - 1.0;
        println!("Bi {biot}, Fo {fourier}: outer face {face:.5} of the mean, off by {error:.1e}");
        // The shape is settled to a few e^(−π² Fo), a little for a small Bi.
        assert!(error.abs() < biot * biot / 45.0 + 1e-4 * biot, "Bi {biot}, Fo {fourier}: {error}");
        compared += 1;
    }
    assert_eq!(compared, 12);
}

/// Between two others a battery has only its short faces outside.
#[test]
fn only_the_ends_of_a_row_have_a_long_face_outside() {
    let row = Battery { count: 3, width_m: 0.3, length_m: 0.2, ..slab(0.2, K, RHO, CP) };
    let [first, middle, last] = [0, 1, 2].map(|index| skin(&row, 6, index, 8.0, 200.0).side());
    assert!(first > middle);
    assert!((first - last).abs() < 1e-15);
}

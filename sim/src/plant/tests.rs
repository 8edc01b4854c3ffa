use super::layout::{Fineness, Mesh};
use super::solid::Solid;
use super::*;
use nalgebra_sparse::CscMatrix;
use nalgebra_sparse::factorization::CscCholesky;
use std::sync::OnceLock;

mod balance;
mod closed_forms;
mod equations;
mod extremes;
mod handbook;
mod properties;
mod reduction;
mod season;
mod sideways;
mod site;
mod trace;

/// The shape of a site, made once for all checks.
fn shape_of(site: &Site, made: &'static OnceLock<Shape>) -> &'static Shape {
    made.get_or_init(|| Shape::of(site))
}

fn open_shape() -> &'static Shape {
    static MADE: OnceLock<Shape> = OnceLock::new();
    shape_of(&site::open(), &MADE)
}

fn ground_shape() -> &'static Shape {
    static MADE: OnceLock<Shape> = OnceLock::new();
    shape_of(&site::on_ground(), &MADE)
}

fn hut_shape() -> &'static Shape {
    static MADE: OnceLock<Shape> = OnceLock::new();
    shape_of(&site::hut(), &MADE)
}

/// Everything that a run shows (°C).
fn read(run: &Run<'_>) -> Vec<f64> {
    let found = run.temperatures();
    let mut all = vec![found.pad_c, found.plate_c, found.air_c];
    all.extend(found.all_cells_c());
    all.extend(&found.sensors_c);
    all
}

/// The largest difference between two readings (K).
fn apart(one: &[f64], other: &[f64]) -> f64 {
    assert_eq!(one.len(), other.len());
    one.iter().zip(other).map(|(one, other)| (one - other).abs()).fold(0.0, f64::max)
}

/// All cells of an installation in a wind: slow and obvious.
struct Full {
    solid: Solid,
    conductances: CscMatrix<f64>,
    capacities: DVector<f64>,
    to: [DVector<f64>; 2],
}

impl Full {
    fn of(solid: &Solid, wind_m_s: f64) -> Self {
        let network = solid.in_wind(wind_m_s);
        Self {
            solid: solid.clone(),
            conductances: network.conductances(),
            capacities: network.capacities(),
            to: Boundary::ALL.map(|boundary| network.to(boundary)),
        }
    }

    /// `site` on its mesh of this fineness.
    fn meshed(site: &Site, fineness: Fineness, wind_m_s: f64) -> Self {
        let layout = layout::Layout::of(site);
        Self::of(&Solid::new(site, &layout, &Mesh::cut(&layout, fineness, fineness)), wind_m_s)
    }

    /// Steady temperatures, a column for each drive (W by node).
    fn steady(&self, driven: &DMatrix<f64>) -> DMatrix<f64> {
        CscCholesky::factor(&self.conductances).expect("a way to a boundary").solve(driven)
    }

    /// Advances from `start` in these steps (s, how many) and hands over each moment (s) with its temperatures.
    fn crossed(
        &self,
        start: &DMatrix<f64>,
        driven: &DMatrix<f64>,
        steps: &[(f64, usize)],
        mut see: impl FnMut(f64, &DMatrix<f64>),
    ) {
        let mut now = start.clone();
        let mut seconds = 0.0;
        for &(step_s, count) in steps {
            let stride = self.stride(step_s);
            for _ in 0..count {
                self.go(&stride, &mut now, [driven, driven]);
                seconds += step_s;
                see(seconds, &now);
            }
        }
    }

    fn stride(&self, step_s: f64) -> Stride {
        let mut matrix = self.conductances.clone();
        for (row, col, value) in matrix.triplet_iter_mut() {
            *value *= Stride::GAMMA * step_s;
            if row == col {
                *value += self.capacities[row];
            }
        }
        Stride { step_s, factor: CscCholesky::factor(&matrix).expect("positive") }
    }

    /// Advances by one step, with the drives at [`Stride::GAMMA`] of the step and at its end.
    fn go(&self, stride: &Stride, now: &mut DMatrix<f64>, driven: [&DMatrix<f64>; 2]) {
        let (step_s, rest) = (stride.step_s, 1.0 - Stride::GAMMA);
        let first = stride.factor.solve(&(driven[0] - &self.conductances * &*now));
        let between = &*now + &first * (rest * step_s);
        let second = stride.factor.solve(&(driven[1] - &self.conductances * &between));
        *now += (first * rest + second * Stride::GAMMA) * step_s;
    }
}

/// A step of a singly diagonally implicit Runge-Kutta method of two stages and second order. It damps what is too fast
/// for the step. Source: Alexander, SIAM J. Numer. Anal. 14 (1977); from memory.
struct Stride {
    step_s: f64,
    factor: CscCholesky<f64>,
}

impl Stride {
    const GAMMA: f64 = 1.0 - std::f64::consts::FRAC_1_SQRT_2;
}

/// The temperature of a place, from those of all cells.
fn at(place: &places::Place, cells: &[f64]) -> f64 {
    place.iter().map(|(node, weight)| cells[*node] * weight).sum()
}

fn csv(name: &str) -> Vec<Vec<String>> {
    let path = format!("{}/../tests/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|error| panic!("{text}: {error}"))
}

/// Two and three nodes. Source: `conduction_rc_networks.csv`, which says how it was computed.
#[test]
fn small_networks_follow_the_matrix_exponential_within_a_microkelvin() {
    let mut two = Network::default();
    let nodes = [5000.0, 30_000.0].map(|c| two.add(c));
    two.link(nodes[0], nodes[1], 4.0);
    two.edge(nodes[0], Boundary::Outside, 0.5);
    two.edge(nodes[1], Boundary::Outside, 1.5);
    let mut three = Network::default();
    let nodes = [800.0, 24_000.0, 9000.0].map(|c| three.add(c));
    three.link(nodes[0], nodes[1], 6.0);
    three.link(nodes[1], nodes[2], 2.5);
    three.edge(nodes[2], Boundary::Outside, 1.2);
    let mut worst: f64 = 0.0;
    let mut checked = 0;
    for row in csv("conduction_rc_networks.csv").iter().skip(1) {
        let (network, start, heat, outside): (_, &[f64], &[f64], _) = match &*row[0] {
            "two_node_heating" => (&two, &[-20.0, -20.0], &[60.0, 0.0], -20.0),
            "two_node_cooling" => (&two, &[15.0, 10.0], &[0.0, 0.0], -20.0),
            "three_node_heating" => (&three, &[-5.0, -5.0, -15.0], &[45.0, 0.0, 0.0], -25.0),
            "three_node_cooling" => (&three, &[20.0, 8.0, 0.0], &[0.0; 3], -25.0),
            other => panic!("unknown case {other}"),
        };
        let found = if row[1] == "inf" {
            network.steady(heat, outside, 0.0).unwrap()
        } else {
            network.after(start, heat, [outside, 0.0], row[1].parse().unwrap())
        };
        for (found, expected) in found.iter().zip(&row[2..]) {
            worst = worst.max((found - expected.parse::<f64>().unwrap()).abs());
            checked += 1;
        }
    }
    assert!(checked >= 100, "{checked}");
    assert!(worst < 1e-6, "{worst}");
    println!("rc worst {worst:e}");
}

/// One node. Source: `conduction_lumped.csv`, the exponential at 40 digits. The time to a target is found by halving.
#[test]
fn one_body_follows_the_exponential_within_a_millionth() {
    let table = csv("conduction_lumped.csv");
    let column = |row: &[String], name: &str| {
        let index = table[0].iter().position(|column| column == name).unwrap_or_else(|| panic!("{name}"));
        row[index].clone()
    };
    let mut worst: f64 = 0.0;
    let mut timed = 0;
    for row in &table[1..] {
        let at = |name: &str| number(&column(row, name));
        let [ambient_c, start_c, power_w, tau_s] = ["ambient_c", "start_c", "power_w", "tau_s"].map(at);
        let mut network = Network::default();
        let node = network.add(at("capacity_j_per_k"));
        network.edge(node, Boundary::Outside, at("ua_w_per_k"));
        let after = |seconds| network.after(&[start_c], &[power_w], [ambient_c, 0.0], seconds)[0];
        // Relative to the rise from the start or the distance from ambient, whichever is more: °C has no zero to be
        // relative to.
        let mut compare = |found: f64, expected: f64| {
            let scale = (expected - start_c).abs().max((ambient_c - start_c).abs());
            worst = worst.max((found - expected).abs() / scale);
        };
        compare(network.steady(&[power_w], ambient_c, 0.0).unwrap()[0], at("steady_c"));
        for (name, seconds) in
            [("t_600s_c", 600.0), ("t_3600s_c", 3600.0), ("t_14400s_c", 14_400.0), ("t_86400s_c", 86_400.0)]
        {
            compare(after(seconds), at(name));
        }
        let target_c = at("target_c");
        let (mut early, mut late) = (0.0, 10.0 * tau_s.min(1e6));
        let rises = after(late) > start_c;
        let reached = |seconds| (after(seconds) >= target_c) == rises;
        if column(row, "time_to_target_s").is_empty() {
            assert!(!reached(late), "{row:?}");
            continue;
        }
        while late - early > 1e-9 * late {
            let middle = f64::midpoint(early, late);
            if reached(middle) {
                late = middle;
            } else {
                early = middle;
            }
        }
        worst = worst.max((late / at("time_to_target_s") - 1.0).abs());
        timed += 1;
    }
    println!("one body: worst {worst:.1e}");
    assert_eq!(timed, 6);
    assert!(worst < 1e-6, "{worst}");
}

/// Air warms steadily from the temperature of a body. At first the body stays; in the end it lags by its time constant.
/// Source: the response of a first-order system to a ramp, `slope (t − τ (1 − e^(−t/τ)))`.
#[test]
fn a_body_follows_air_that_warms_steadily_and_lags_by_its_time_constant() {
    let (capacity, conductance, slope) = (1000.0, 2.0, 0.01);
    let mut network = Network::default();
    let node = network.add(capacity);
    network.edge(node, Boundary::Outside, conductance);
    let modes = Modes::new(&network.system(), 1.0, &[0]);
    let mut wave = modes.wave(&DVector::zeros(1));
    modes.drive(&mut wave, &Drive { heats: &[], boundary_c: [0.0; 2], slope_k_per_s: [slope, 0.0] });
    let tau_s = capacity / conductance;
    for step in 1..=20_000_u32 {
        modes.step(&mut wave);
        let t = f64::from(step);
        let expected = slope * (t - tau_s * (1.0 - libm::exp(-t / tau_s)));
        let found = modes.read(&wave, wave.moment())[0];
        assert!((found - expected).abs() < 2e-9, "{t} s: {found}, {expected}");
    }
}

/// A network with no way out gains what is put in and keeps it.
#[test]
fn a_closed_network_keeps_what_it_is_given() {
    let mut network = Network::default();
    let nodes = [5000.0, 30_000.0].map(|capacity| network.add(capacity));
    network.link(nodes[0], nodes[1], 4.0);
    let day_c = network.after(&[0.0, 0.0], &[7.0, 0.0], [0.0; 2], 86_400.0);
    let held_j = 5000.0 * day_c[0] + 30_000.0 * day_c[1];
    assert!((held_j / (7.0 * 86_400.0) - 1.0).abs() < 1e-9, "{held_j}");
}

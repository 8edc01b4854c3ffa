//! Coupled equations taken apart into modes, each of which decays by itself.
//!
//! With `z = Vᵀ C^½ T`, where `V` diagonalises the symmetric `C^−½ G C^−½`, the coupled equations fall apart into
//!
//! ```text
//! dz/dt = −λ z + b(t)
//! ```
//!
//! one for each mode, where `b` gathers heat and boundary temperatures. For a `b` that runs straight, `b₀ + b₁ t`, the solution is
//! exact, whatever the step `h`:
//!
//! ```text
//! z(h) = e^(−λh) z(0) + h φ₁(−λh) b₀ + h² φ₂(−λh) b₁        φ₁(x) = (eˣ − 1)/x     φ₂(x) = (eˣ − 1 − x)/x²
//! ```
//!
//! Source: exponential integrators, as in Hochbruck & Ostermann, Acta Numerica 19 (2010), section 2, for a linear problem.

use forewarm_core::settings::MAX_CHANNELS;
use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// Equations of bodies that hold heat and pass it on: `C dT/dt = heat − G T + Σ to (boundary)`.
#[derive(Clone, Debug)]
pub(super) struct System {
    /// C (J/K).
    pub(super) capacities: DVector<f64>,
    /// G (W/K).
    pub(super) conductances: DMatrix<f64>,
    /// What a kelvin of each boundary drives (W/K).
    pub(super) to: [DVector<f64>; 2],
    /// Conductance to each boundary in all (W/K).
    pub(super) all: [f64; 2],
}

impl System {
    /// The state in which nothing changes any more. Nothing where a part has no way to any boundary.
    pub(super) fn steady(&self, heat_w: &DVector<f64>, boundary_c: [f64; 2]) -> Option<DVector<f64>> {
        let driven = heat_w + &self.to[0] * boundary_c[0] + &self.to[1] * boundary_c[1];
        Some(self.conductances.clone().cholesky()?.solve(&driven))
    }
}

/// Modes of one system, and what reads and drives them.
#[derive(Clone, Debug)]
pub(super) struct Modes {
    /// Decay rates (1/s), above 0.
    rates: Vec<f64>,
    /// From temperatures to modes: `Vᵀ C^½`.
    into: DMatrix<f64>,
    /// From modes to temperatures: `C^−½ V`.
    out: DMatrix<f64>,
    /// What a watt into each node drives: `Vᵀ C^−½`.
    heat: DMatrix<f64>,
    /// What a kelvin of each boundary drives.
    boundaries: [Vec<f64>; 2],
    /// What of each state flows to each boundary (W/K), and the conductance there in all.
    to: [DVector<f64>; 2],
    all: [f64; 2],
    /// Propagators over one to [`Modes::LONGEST`] steps.
    leaps: Vec<Leap>,
    /// For each mode, what it adds to each of the nodes that thermometers read.
    readout: Vec<[f64; MAX_CHANNELS]>,
}

/// Weights of several values at once: mode by mode, so that a processor takes several values at once.
#[derive(Clone, Debug)]
pub(super) struct Lens {
    count: usize,
    weights: Vec<f64>,
}

/// The solution over one span of time, as factors of each mode. In columns, as the modes are, so that a processor takes several at
/// once.
#[derive(Clone, Debug)]
struct Leap {
    seconds: f64,
    decay: Vec<f64>,
    constant: Vec<f64>,
    slope: Vec<f64>,
}

/// The state of every mode, with what drives it.
#[derive(Debug)]
pub(super) struct Wave {
    z: Vec<f64>,
    /// What drives each mode now, and how fast that changes.
    drive: Vec<f64>,
    slope: Vec<f64>,
}

impl Clone for Wave {
    fn clone(&self) -> Self {
        Self { z: self.z.clone(), drive: self.drive.clone(), slope: self.slope.clone() }
    }

    // Marks are set many times a simulated hour: without an allocation.
    fn clone_from(&mut self, source: &Self) {
        self.z.clone_from(&source.z);
        self.drive.clone_from(&source.drive);
        self.slope.clone_from(&source.slope);
    }
}

/// What drives a network: heat into nodes, temperatures of the boundaries and how fast these change.
#[derive(Clone, Copy, Debug)]
pub(super) struct Drive<'a> {
    /// Sources of heat, as [`Modes::of_heat`] has them, and how much of each.
    pub(super) heats: &'a [(f64, &'a DVector<f64>)],
    /// °C.
    pub(super) boundary_c: [f64; 2],
    /// K/s.
    pub(super) slope_k_per_s: [f64; 2],
}

impl Modes {
    /// Longest leap, in steps.
    pub(super) const LONGEST: usize = 10;

    /// The modes of `system`, to be stepped by multiples of `step_s`. `read` are the states that thermometers read.
    pub(super) fn new(system: &System, step_s: f64, read: &[usize]) -> Self {
        let root = system.capacities.map(f64::sqrt);
        let n = root.len();
        let mut symmetric = system.conductances.clone();
        for (row, col) in (0..n).flat_map(|row| (0..n).map(move |col| (row, col))) {
            symmetric[(row, col)] /= root[row] * root[col];
        }
        let eigen = SymmetricEigen::new(symmetric);
        let v = eigen.eigenvectors;
        // A network that is closed but for rounding must not grow of itself.
        let rates: Vec<f64> = eigen.eigenvalues.iter().map(|rate| rate.max(0.0)).collect();
        let mut into = v.transpose();
        let mut heat = into.clone();
        let mut out = v;
        for node in 0..n {
            into.column_mut(node).scale_mut(root[node]);
            heat.column_mut(node).scale_mut(1.0 / root[node]);
            out.row_mut(node).scale_mut(1.0 / root[node]);
        }
        let System { to, all, .. } = system.clone();
        let boundaries = [0, 1].map(|side| (&heat * &to[side]).iter().copied().collect());
        let leaps = (1..=Self::LONGEST).map(|steps| Leap::new(&rates, step_s * as_f64(steps))).collect();
        let mut readout = vec![[0.0; MAX_CHANNELS]; n];
        for (channel, &node) in read.iter().enumerate().take(MAX_CHANNELS) {
            for (mode, row) in readout.iter_mut().enumerate() {
                row[channel] = out[(node, mode)];
            }
        }
        Self { rates, into, out, heat, boundaries, to, all, leaps, readout }
    }

    /// Modes of so many temperatures (°C), undriven.
    pub(super) fn wave(&self, temperatures: &DVector<f64>) -> Wave {
        let z = &self.into * temperatures;
        let undriven = vec![0.0; z.len()];
        Wave { z: z.iter().copied().collect(), drive: undriven.clone(), slope: undriven }
    }

    /// The temperatures (°C) of every node.
    pub(super) fn temperatures(&self, wave: &Wave) -> DVector<f64> {
        &self.out * wave.z()
    }

    /// What reads combinations of states out of modes; a row for each.
    pub(super) fn lens(&self, combinations: &DMatrix<f64>) -> Lens {
        let read = combinations * &self.out;
        Lens { count: read.nrows(), weights: read.as_slice().to_vec() }
    }

    /// What so much heat into each node (W) drives.
    pub(super) fn of_heat(&self, heat_w: &DVector<f64>) -> DVector<f64> {
        &self.heat * heat_w
    }

    /// Sets what drives every mode.
    pub(super) fn drive(&self, wave: &mut Wave, drive: &Drive<'_>) {
        for index in 0..wave.z.len() {
            let [outside, ground] = [0, 1].map(|side| self.boundaries[side][index]);
            let heat: f64 = drive.heats.iter().map(|(part, of_heat)| part * of_heat[index]).sum();
            wave.drive[index] = heat + outside * drive.boundary_c[0] + ground * drive.boundary_c[1];
            wave.slope[index] = outside * drive.slope_k_per_s[0] + ground * drive.slope_k_per_s[1];
        }
    }

    /// Goes on by so many steps, 1 to [`Modes::LONGEST`].
    #[inline]
    pub(super) fn leap(&self, wave: &mut Wave, steps: usize) {
        self.leaps[steps - 1].advance(wave);
    }

    /// Goes on by any time (s), at the cost of an exponential for each mode.
    pub(super) fn advance(&self, wave: &mut Wave, seconds: f64) {
        Leap::new(&self.rates, seconds).advance(wave);
    }

    /// What the thermometers' nodes are at (°C).
    #[inline]
    pub(super) fn read(&self, wave: &Wave) -> [f64; MAX_CHANNELS] {
        let mut read = [0.0; MAX_CHANNELS];
        for (z, row) in wave.z.iter().zip(&self.readout) {
            for (read, weight) in read.iter_mut().zip(row) {
                *read += z * weight;
            }
        }
        read
    }

    /// The temperatures (°C) after any time (s), from those at the start (°C), with what drives them as it is then and goes on.
    pub(super) fn after(&self, start_c: &DVector<f64>, drive: &Drive<'_>, seconds: f64) -> DVector<f64> {
        let mut wave = self.wave(start_c);
        self.drive(&mut wave, drive);
        self.advance(&mut wave, seconds);
        self.temperatures(&wave)
    }

    /// Heat that has left over each boundary (J) while the modes went from `before` to `after`, given what drove them in between as
    /// integrals over time: heat by node (J) and boundary temperatures (K s).
    pub(super) fn lost(&self, before: &Wave, after: &Wave, heat_j: &DVector<f64>, boundary_ks: [f64; 2]) -> [f64; 2] {
        let driven = &self.heat * heat_j;
        // ∫z dt, out of z(end) − z(start) = −λ ∫z dt + ∫b dt.
        let integrals = DVector::from_iterator(
            self.rates.len(),
            self.rates.iter().enumerate().map(|(mode, rate)| {
                let drive = driven[mode]
                    + self.boundaries[0][mode] * boundary_ks[0]
                    + self.boundaries[1][mode] * boundary_ks[1];
                // A mode that does not decay reaches no boundary.
                if *rate > 0.0 { (drive - (after.z[mode] - before.z[mode])) / rate } else { 0.0 }
            }),
        );
        let node_ks = &self.out * integrals;
        [0, 1].map(|side| self.to[side].dot(&node_ks) - self.all[side] * boundary_ks[side])
    }
}

impl Wave {
    fn z(&self) -> DVector<f64> {
        DVector::from_column_slice(&self.z)
    }

    /// Values that a [`Lens`] reads.
    pub(super) fn seen(&self, lens: &Lens) -> Vec<f64> {
        let mut seen = vec![0.0; lens.count];
        for (z, weights) in self.z.iter().zip(lens.weights.chunks_exact(lens.count.max(1))) {
            for (seen, weight) in seen.iter_mut().zip(weights) {
                *seen += z * weight;
            }
        }
        seen
    }
}

impl Leap {
    fn new(rates: &[f64], seconds: f64) -> Self {
        let of =
            |factor: fn(f64) -> f64, scale: f64| rates.iter().map(|rate| scale * factor(-rate * seconds)).collect();
        Self { seconds, decay: of(f64::exp, 1.0), constant: of(phi_1, seconds), slope: of(phi_2, seconds * seconds) }
    }

    #[inline]
    fn advance(&self, wave: &mut Wave) {
        let Wave { z, drive, slope } = wave;
        let factors = self.decay.iter().zip(&self.constant).zip(&self.slope);
        for (((z, drive), slope), ((decay, constant), ramp)) in z.iter_mut().zip(drive).zip(&*slope).zip(factors) {
            *z = decay * *z + constant * *drive + ramp * slope;
            *drive += self.seconds * slope;
        }
    }
}

/// `(eˣ − 1)/x`.
fn phi_1(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { x.exp_m1() / x }
}

/// `(eˣ − 1 − x)/x²`.
fn phi_2(x: f64) -> f64 {
    if x.abs() > 0.1 {
        return (phi_1(x) - 1.0) / x;
    }
    // The difference would cancel. Σ xⁿ/(n + 2)!; the first term left out is below 1e-19 of the sum.
    let (mut term, mut sum) = (0.5, 0.0);
    for n in 3..14_u8 {
        sum += term;
        term *= x / f64::from(n);
    }
    sum
}

#[expect(clippy::cast_precision_loss, reason = "a small count")]
pub(super) const fn as_f64(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phi_2_is_the_same_on_both_sides_of_its_seam() {
        // (e^x − 1 − x)/x² to 17 digits, computed with 50: mpmath 1.3, `mp.dps = 50`.
        for (x, value) in [
            (-0.1, 0.483_741_803_595_957_3),
            (-0.100_000_1, 0.483_741_787_738_170_16),
            (0.0, 0.5),
            (-1e-9, 0.499_999_999_833_333_3),
        ] {
            let found = phi_2(x);
            assert!((found - value).abs() < 1e-12, "{x}: {found}");
        }
    }
}

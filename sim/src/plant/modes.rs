//! A network taken apart into modes, each of which decays by itself.
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

use super::network::{Boundary, Network};
use forewarm_core::settings::MAX_CHANNELS;
use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// Modes of one network, and what reads and drives them.
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
    /// Conductance from each node to each boundary (W/K).
    to: [DVector<f64>; 2],
    /// Propagators over one to [`Modes::LONGEST`] steps.
    leaps: Vec<Leap>,
    /// For each mode, what it adds to each of the nodes that thermometers read.
    readout: Vec<[f64; MAX_CHANNELS]>,
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
#[derive(Clone, Debug)]
pub(super) struct Drive<'a> {
    /// W, by node.
    pub(super) heat_w: &'a DVector<f64>,
    /// °C.
    pub(super) boundary_c: [f64; 2],
    /// K/s.
    pub(super) slope_k_per_s: [f64; 2],
}

impl Modes {
    /// Longest leap, in steps.
    pub(super) const LONGEST: usize = 10;

    /// The modes of `network`, to be stepped by multiples of `step_s`. `read` are the nodes that thermometers read.
    pub(super) fn new(network: &Network, step_s: f64, read: &[usize]) -> Self {
        let root = network.capacities().map(f64::sqrt);
        let n = network.len();
        let mut symmetric = network.conductances();
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
        let to = Boundary::ALL.map(|boundary| network.to(boundary));
        let boundaries = [0, 1].map(|side| (&heat * &to[side]).iter().copied().collect());
        let leaps = (1..=Self::LONGEST).map(|steps| Leap::new(&rates, step_s * as_f64(steps))).collect();
        let mut readout = vec![[0.0; MAX_CHANNELS]; n];
        for (channel, &node) in read.iter().enumerate().take(MAX_CHANNELS) {
            for (mode, row) in readout.iter_mut().enumerate() {
                row[channel] = out[(node, mode)];
            }
        }
        Self { rates, into, out, heat, boundaries, to, leaps, readout }
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

    /// Weights by which a combination of nodes is read out of modes.
    pub(super) fn weights(&self, combination: &[(usize, f64)]) -> Vec<f64> {
        (0..self.rates.len())
            .map(|mode| combination.iter().map(|&(node, weight)| weight * self.out[(node, mode)]).sum())
            .collect()
    }

    /// Sets what drives every mode.
    pub(super) fn drive(&self, wave: &mut Wave, drive: &Drive<'_>) {
        let heat = &self.heat * drive.heat_w;
        for index in 0..wave.z.len() {
            let [outside, ground] = [0, 1].map(|side| self.boundaries[side][index]);
            wave.drive[index] = heat[index] + outside * drive.boundary_c[0] + ground * drive.boundary_c[1];
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
        [0, 1].map(|side| self.to[side].dot(&node_ks) - self.to[side].sum() * boundary_ks[side])
    }
}

impl Wave {
    fn z(&self) -> DVector<f64> {
        DVector::from_column_slice(&self.z)
    }

    /// A value that [`Modes::weights`] describes.
    #[inline]
    pub(super) fn weigh(&self, weights: &[f64]) -> f64 {
        self.z.iter().zip(weights).map(|(z, weight)| z * weight).sum()
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

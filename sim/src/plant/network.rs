//! Bodies that hold heat, and the conductances that join them.

use super::modes::{Drive, Modes, System};
use nalgebra::{DMatrix, DVector};
use nalgebra_sparse::{CooMatrix, CscMatrix};

/// A body of one temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Node(pub(super) usize);

/// A temperature that the network does not change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Boundary {
    /// Outside air.
    Outside,
    /// What the box stands on.
    Ground,
}

impl Boundary {
    pub(super) const ALL: [Self; 2] = [Self::Outside, Self::Ground];
}

/// A thermal network: heat capacities, conductances between them, conductances to the boundaries.
///
/// ```text
/// C dT/dt = heat + Σ G (T_neighbour − T) + Σ G (T_boundary − T)
/// ```
#[derive(Clone, Debug, Default)]
pub struct Network {
    /// J/K.
    capacities: Vec<f64>,
    /// W/K, between two nodes.
    links: Vec<(usize, usize, f64)>,
    /// W/K, from a node to a boundary.
    edges: Vec<(usize, Boundary, f64)>,
}

impl Network {
    /// Adds a body with this heat capacity (J/K), above 0.
    pub fn add(&mut self, capacity_j_per_k: f64) -> Node {
        debug_assert!(capacity_j_per_k > 0.0);
        self.capacities.push(capacity_j_per_k);
        Node(self.capacities.len() - 1)
    }

    /// Joins two bodies by this conductance (W/K), 0 or more.
    pub fn link(&mut self, a: Node, b: Node, conductance_w_per_k: f64) {
        self.links.push((a.0, b.0, conductance_w_per_k));
    }

    /// Joins a body to a boundary by this conductance (W/K), 0 or more.
    pub fn edge(&mut self, node: Node, boundary: Boundary, conductance_w_per_k: f64) {
        self.edges.push((node.0, boundary, conductance_w_per_k));
    }

    /// How many bodies there are.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.capacities.len()
    }

    /// Whether there is none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.capacities.is_empty()
    }

    pub(super) fn capacities(&self) -> DVector<f64> {
        DVector::from_column_slice(&self.capacities)
    }

    /// This times the temperatures is what flows out of each node (W), with both boundaries at 0.
    pub(super) fn conductances(&self) -> CscMatrix<f64> {
        let mut entries = CooMatrix::new(self.len(), self.len());
        for &(a, b, g) in &self.links {
            entries.push(a, a, g);
            entries.push(b, b, g);
            entries.push(a, b, -g);
            entries.push(b, a, -g);
        }
        for &(node, _, g) in &self.edges {
            entries.push(node, node, g);
        }
        CscMatrix::from(&entries)
    }

    /// What flows out of each node (W), with both boundaries at 0, in several fields of temperature at once. `fields` has
    /// a column for each node, and so has the result.
    pub(super) fn flows(&self, fields: &DMatrix<f64>) -> DMatrix<f64> {
        let count = fields.nrows();
        let mut flows = DMatrix::zeros(count, fields.ncols());
        let of = |node: usize| node * count..(node + 1) * count;
        let mut flow = vec![0.0; count];
        for &(a, b, g) in &self.links {
            let ends = fields.as_slice()[of(a)].iter().zip(&fields.as_slice()[of(b)]);
            flow.iter_mut().zip(ends).for_each(|(flow, (a, b))| *flow = g * (a - b));
            flows.as_mut_slice()[of(a)].iter_mut().zip(&flow).for_each(|(out, flow)| *out += flow);
            flows.as_mut_slice()[of(b)].iter_mut().zip(&flow).for_each(|(out, flow)| *out -= flow);
        }
        for &(node, _, g) in &self.edges {
            flows.column_mut(node).axpy(g, &fields.column(node), 1.0);
        }
        flows
    }

    /// Its equations.
    pub(super) fn system(&self) -> System {
        let to = Boundary::ALL.map(|boundary| self.to(boundary));
        let all = [0, 1].map(|side| to[side].sum());
        System { capacities: self.capacities(), conductances: DMatrix::from(&self.conductances()), to, all }
    }

    /// Conductance from each node to a boundary (W/K).
    pub(super) fn to(&self, boundary: Boundary) -> DVector<f64> {
        let mut vector = DVector::zeros(self.len());
        for &(node, _, g) in self.edges.iter().filter(|edge| edge.1 == boundary) {
            vector[node] += g;
        }
        vector
    }

    /// Steady temperatures (°C) with this heat (W) into each node. `None` if a node has no way to any boundary.
    #[must_use]
    pub fn steady(&self, heat_w: &[f64], outside_c: f64, ground_c: f64) -> Option<Vec<f64>> {
        let mut flows = DVector::from_column_slice(heat_w);
        flows += self.to(Boundary::Outside) * outside_c;
        flows += self.to(Boundary::Ground) * ground_c;
        let solved = self.system().conductances.cholesky()?.solve(&flows);
        Some(solved.iter().copied().collect())
    }

    /// Temperatures (°C) after `seconds`, from those at the start (°C), with constant heat into each node (W) and constant boundaries.
    #[must_use]
    pub fn after(&self, start_c: &[f64], heat_w: &[f64], boundary_c: [f64; 2], seconds: f64) -> Vec<f64> {
        let modes = Modes::new(&self.system(), seconds, &[]);
        let heat_w = DVector::from_column_slice(heat_w);
        let drive = Drive { heats: &[(1.0, &modes.of_heat(&heat_w))], boundary_c, slope_k_per_s: [0.0; 2] };
        modes.after(&DVector::from_column_slice(start_c), &drive, seconds).iter().copied().collect()
    }
}

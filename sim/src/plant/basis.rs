//! Makes a few states of thousands of cells, once, before anything is stepped.
//!
//! A few patterns, each times its amount, stand for the temperatures of the cells: `T = V z`. The equations then hold
//! along these patterns only: `Vᵀ C V dz/dt = Vᵀ heat − Vᵀ G V z`. This keeps the physics that matters. Heat is neither
//! made nor lost, because one pattern is the same temperature everywhere. Everything decays, and a bank at rest stays
//! at rest.
//!
//! The candidates are the answers of the cells to each thing that drives them, held constant or varied over hours and
//! minutes. Further candidates are the changes of these answers when a property differs from what the file says. The
//! few patterns that make up most of the candidates are kept.
//!
//! Sources: rational Krylov subspaces, Antoulas, Approximation of Large-Scale Dynamical Systems (2005), chapter 11;
//! proper orthogonal decomposition and projection onto it, ibid., section 9.1; both from memory.

use super::extremes::Extremes;
use super::fidelity::Answers;
use super::layout::{Layout, Mesh};
use super::modes::System;
use super::network::Boundary;
use super::places::Place;
use super::solid::Solid;
use crate::portable::symmetric_by_rows;
use crate::site::{Site, StandsOn};
use crate::threads::side_by_side;
use nalgebra::{DMatrix, DVector, SymmetricEigen};
use nalgebra_sparse::CscMatrix;
use nalgebra_sparse::factorization::{CscCholesky, CscSymbolicCholesky};
use std::sync::Arc;

/// How fast the drives vary when the answers are computed (1/s): held constant, then from a day down to a minute or
/// two.
const RATES: [f64; 7] = [0.0, 1e-5, 4e-5, 1.6e-4, 6.4e-4, 2.56e-3, 1.024e-2];

/// Which of these rates the effects of changed properties are computed at.
const MOVED_AT: [usize; 3] = [0, 2, 4];

/// Winds for which answers are computed (m/s).
const WINDS: [f64; 2] = [2.0, 10.0];

/// Usual size of each drive. These sizes weigh the patterns.
pub(super) const HEATER_W: f64 = 100.0;
pub(super) const BANK_W: f64 = 20.0;
pub(super) const BOUNDARY_K: f64 = 30.0;

/// Numbers of patterns to try. The first that is near enough is taken, or else the last.
const STATES: [usize; 4] = [36, 40, 48, 64];

/// How near the kept patterns should come to all patterns together (K). If even the most patterns do not,
/// [`Shape::apart_k`] reports it.
pub const SOUGHT_K: f64 = 0.04;

/// Cells and patterns of an installation. They serve every installation whose bodies have the same measures.
#[derive(Clone, Debug)]
pub struct Shape {
    layout: Layout,
    mesh: Mesh,
    /// `Vᵀ`, a column for each cell and a row for each pattern. The same temperature everywhere comes first.
    patterns: Arc<DMatrix<f64>>,
    /// Where to look for its coldest and warmest places.
    pub(super) extremes: Extremes,
    /// Layers of the walls and of the floor, and whether the floor stands on the ground.
    layers: ([usize; 2], bool),
    /// The most that a place of a battery can differ from what all patterns give (K), in any history.
    apart_k: f64,
}

/// The equations of an installation without wind, in few states, and what reads them.
#[derive(Clone, Debug)]
pub(super) struct Reduced {
    pub(super) solid: Solid,
    /// The patterns of its shape. `L⁻¹ Vᵀ` makes them orthonormal, weighed by its own heat capacities.
    patterns: Arc<DMatrix<f64>>,
    l: DMatrix<f64>,
    /// The state in which all is at 1 °C.
    pub(super) uniform: DVector<f64>,
    system: System,
    /// The full conductances of the floor's underside and of the walls' outside (W/K).
    windward: Vec<System>,
}

impl Shape {
    /// The cells and patterns of `site`.
    #[must_use]
    pub fn of(site: &Site) -> Self {
        let layout = Layout::of(site);
        let mesh = Mesh::of(&layout, site.battery.conductivity_up_w_per_m_k);
        Self::on(site, layout, mesh)
    }

    /// Cells and patterns that also serve sites whose batteries are each in another contact with the plate, as a log may show. It has the
    /// most states, because nobody steps it through a winter, and does not know where its extremes are.
    #[must_use]
    pub fn for_a_fit(site: &Site) -> Self {
        let layout = Layout::of(site);
        let mesh = Mesh::of(&layout, site.battery.conductivity_up_w_per_m_k);
        let mut shape = Self {
            layout,
            mesh,
            patterns: Arc::default(),
            extremes: Extremes::default(),
            layers: layers(site),
            apart_k: 0.0,
        };
        let all = patterns(site, &shape, &loosened(site));
        let most = STATES[STATES.len() - 1].min(all.nrows());
        shape.patterns = Arc::new(all.rows(0, most).into_owned());
        shape
    }

    pub(super) fn on(site: &Site, layout: Layout, mesh: Mesh) -> Self {
        let layers = layers(site);
        let extremes = Extremes::default();
        let mut shape = Self { layout, mesh, patterns: Arc::default(), extremes, layers, apart_k: 0.0 };
        let all = Arc::new(patterns(site, &shape, &[]));
        shape.patterns = Arc::clone(&all);
        let of_all = Answers::of(&shape.reduce(site));
        for states in STATES {
            shape.patterns = Arc::new(all.rows(0, states.min(all.nrows())).into_owned());
            shape.apart_k = Answers::of(&shape.reduce(site)).apart_k(&of_all);
            if shape.apart_k <= SOUGHT_K {
                break;
            }
        }
        shape.extremes = Extremes::of(&shape.reduce(site));
        shape
    }

    /// The most that a place of a battery can differ from what the full set of patterns gives (K). It holds for any
    /// history of up to 100 W of heat and weather that turns by up to 5 K an hour, from a few minutes after heat has
    /// come or gone.
    #[must_use]
    pub const fn apart_k(&self) -> f64 {
        self.apart_k
    }

    /// How many states stand for the cells.
    #[must_use]
    pub fn states(&self) -> usize {
        self.patterns.nrows()
    }

    /// The same with the patterns of `other` too, which has the same cells. So it shows whatever either has done.
    pub(super) fn joined(mut self, other: &Reduced) -> Self {
        let (ours, theirs) = (&*self.patterns, &*other.patterns);
        let mut all = ours.clone().resize_vertically(ours.nrows() + theirs.nrows(), 0.0);
        all.rows_mut(ours.nrows(), theirs.nrows()).copy_from(theirs);
        let SymmetricEigen { eigenvectors, eigenvalues } = SymmetricEigen::new(symmetric_by_rows(&all, &all));
        // What the two have in common comes out as rounding.
        let least = 1e-12 * eigenvalues.max();
        let kept = (0..eigenvalues.len()).filter(|index| eigenvalues[*index] > least);
        let rows: Vec<_> =
            kept.map(|index| all.tr_mul(&eigenvectors.column(index)).unscale(eigenvalues[index].sqrt())).collect();
        self.patterns = Arc::new(DMatrix::from_columns(&rows).transpose());
        self
    }

    /// Everything of a site that its shape depends on, as text. Two sites with one text have one shape.
    #[must_use]
    pub fn basis(site: &Site) -> String {
        let Site { battery, plate, pad, enclosure, place, .. } = site;
        format!("{battery:?} {plate:?} {pad:?} {enclosure:?} {:?}", place.stands_on)
    }

    /// Whether it serves `site` too: the bodies have the same measures and, except the pad, the same places.
    #[must_use]
    pub fn fits(&self, site: &Site) -> bool {
        self.layers == layers(site) && self.layout.is_but_for_the_place_of_the_pad(&Layout::of(site))
    }

    fn solid(&self, site: &Site) -> Solid {
        Solid::new(site, &self.layout, &self.mesh)
    }

    /// How many cells there are.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.patterns.ncols()
    }

    /// The equations of `site` in few states. Its bodies must have the same measures.
    pub(super) fn reduce(&self, site: &Site) -> Reduced {
        let solid = self.solid(site);
        let network = &solid.network;
        let v = &*self.patterns;
        let factor = symmetric_by_rows(v, &weighed(&network.capacities(), v)).cholesky();
        // Patterns that are orthonormal under one site's heat capacities are independent under any other's.
        let l = factor.expect("independent patterns, and capacities above 0").unpack();
        let column = |of_cells: &DVector<f64>| solved(&l, v * of_cells);
        let system = System {
            capacities: DVector::from_element(v.nrows(), 1.0),
            conductances: both_sides(&l, symmetric_by_rows(v, &network.flows(v))),
            to: Boundary::ALL.map(|boundary| column(&network.to(boundary))),
            all: Boundary::ALL.map(|boundary| network.to(boundary).sum()),
        };
        let windward = solid.windward.iter().map(|windward| {
            let columns = v.select_columns(windward.cells.iter().map(|(node, _)| &node.0));
            let through =
                DVector::from_iterator(windward.cells.len(), windward.cells.iter().map(|(_, through)| *through));
            System {
                capacities: DVector::zeros(0),
                conductances: both_sides(&l, symmetric_by_rows(&columns, &weighed(&through, &columns))),
                to: [solved(&l, &columns * &through), DVector::zeros(v.nrows())],
                all: [through.sum(), 0.0],
            }
        });
        let windward = windward.collect();
        let uniform = column(&network.capacities());
        Reduced { windward, system, uniform, patterns: Arc::clone(&self.patterns), l, solid }
    }
}

/// `L⁻¹ columns`.
fn solved<C: nalgebra::Dim>(
    l: &DMatrix<f64>,
    mut columns: nalgebra::OMatrix<f64, nalgebra::Dyn, C>,
) -> nalgebra::OMatrix<f64, nalgebra::Dyn, C>
where
    nalgebra::DefaultAllocator: nalgebra::allocator::Allocator<nalgebra::Dyn, C>,
{
    l.solve_lower_triangular_mut(&mut columns);
    columns
}

/// `L⁻¹ matrix L⁻ᵀ`, of a symmetric one.
fn both_sides(l: &DMatrix<f64>, matrix: DMatrix<f64>) -> DMatrix<f64> {
    solved(l, solved(l, matrix).transpose())
}

fn layers(site: &Site) -> ([usize; 2], bool) {
    let on_ground = matches!(site.place.stands_on, StandsOn::Ground(_));
    ([site.enclosure.walls.len(), site.enclosure.floor.len()], on_ground)
}

impl Reduced {
    /// How many states there are.
    pub(super) fn states(&self) -> usize {
        self.patterns.nrows()
    }

    /// Weights on the states for a value that is a weighted sum of cells.
    pub(super) fn read(&self, weights: impl IntoIterator<Item = (usize, f64)>) -> DVector<f64> {
        let mut row = DVector::zeros(self.states());
        for (node, weight) in weights {
            row.axpy(weight, &self.patterns.column(node), 1.0);
        }
        solved(&self.l, row)
    }

    /// The patterns' amounts (°C) in these states, and the states that have such amounts. They mean the same temperatures of the cells in
    /// every site on these patterns.
    pub(super) fn amounts(&self, states: &DVector<f64>) -> DVector<f64> {
        let mut amounts = states.rows(0, self.states()).into_owned();
        self.l.tr_solve_lower_triangular_mut(&mut amounts);
        amounts
    }

    /// See [`Self::amounts`].
    pub(super) fn of_amounts(&self, amounts: &DVector<f64>) -> DVector<f64> {
        self.l.tr_mul(amounts)
    }

    /// Temperatures of all cells (°C). `states` may have those of the thermometers at its end.
    pub(super) fn cells_c(&self, states: &DVector<f64>) -> DVector<f64> {
        let mut states = states.rows(0, self.states()).into_owned();
        self.l.tr_solve_lower_triangular_mut(&mut states);
        self.patterns.tr_mul(&states)
    }

    /// The states that come nearest to these temperatures of all cells (°C), weighed by the heat that each holds.
    pub(super) fn of_cells(&self, cells_c: &DVector<f64>) -> DVector<f64> {
        solved(&self.l, &*self.patterns * self.solid.network.capacities().component_mul(cells_c))
    }

    /// Weights on the states for several places, a row for each.
    pub(super) fn rows(&self, places: Vec<Place>) -> DMatrix<f64> {
        let columns: Vec<DVector<f64>> = places.into_iter().map(|place| self.read(place)).collect();
        DMatrix::from_columns(&columns).transpose()
    }

    /// The equations in this wind on the box (m/s).
    pub(super) fn in_wind(&self, wind_m_s: f64) -> System {
        let mut system = self.system.clone();
        for (windward, full) in self.solid.windward.iter().zip(&self.windward) {
            let part = windward.part(wind_m_s);
            system.conductances += &full.conductances * part;
            system.to[0] += &full.to[0] * part;
            system.all[0] += full.all[0] * part;
        }
        system
    }
}

/// Weighs each column.
fn weighed(weights: &DVector<f64>, columns: &DMatrix<f64>) -> DMatrix<f64> {
    let mut weighed = columns.clone();
    weighed.column_iter_mut().zip(weights).for_each(|(mut column, weight)| column *= *weight);
    weighed
}

/// Weighs each row.
fn weighed_rows(weights: &DVector<f64>, columns: &DMatrix<f64>) -> DMatrix<f64> {
    let mut weighed = columns.clone();
    weighed.column_iter_mut().for_each(|mut column| column.component_mul_assign(weights));
    weighed
}

/// Cells in a wind.
struct Blown {
    conductances: CscMatrix<f64>,
    capacities: DVector<f64>,
    /// What drives them, each at its usual size.
    drives: Vec<DVector<f64>>,
}

impl Blown {
    fn new(solid: &Solid, wind_m_s: f64, on: StandsOn) -> Self {
        let network = solid.in_wind(wind_m_s);
        let mut drives = vec![
            DVector::from_vec(solid.heater()) * HEATER_W,
            DVector::from_vec(solid.bank()) * BANK_W,
            network.to(Boundary::Outside) * BOUNDARY_K,
        ];
        if let StandsOn::Ground(_) = on {
            drives.push(network.to(Boundary::Ground) * BOUNDARY_K);
        }
        Self { conductances: network.conductances(), capacities: network.capacities(), drives }
    }

    /// Factors `G + rate C`.
    fn factor(&self, symbolic: &CscSymbolicCholesky, rate: f64) -> Option<CscCholesky<f64>> {
        let mut shifted = self.conductances.clone();
        for (row, col, value) in shifted.triplet_iter_mut() {
            if row == col {
                *value += rate * self.capacities[row];
            }
        }
        CscCholesky::factor_numerical(symbolic.clone(), shifted.values()).ok()
    }

    /// What the drives give at this rate (1/s), and how each of these changes would change it. The changes come first.
    fn answers(&self, symbolic: &CscSymbolicCholesky, rate: f64, moves: &[Move]) -> Vec<DVector<f64>> {
        let Some(factor) = self.factor(symbolic, rate) else { return Vec::new() };
        let found = factor.solve(&DMatrix::from_columns(&self.drives));
        let moved = moves.iter().map(|one| factor.solve(&one.drives_of(&found, rate)));
        let columns =
            |answers: &DMatrix<f64>| -> Vec<_> { answers.column_iter().map(|one| one.clone_owned()).collect() };
        moved.chain([found.clone()]).flat_map(|answers| columns(&answers)).collect()
    }
}

/// How the equations change with one property.
struct Move {
    conductances: CscMatrix<f64>,
    capacities: DVector<f64>,
    drives: DMatrix<f64>,
}

impl Move {
    fn new(from: &Blown, to: &Blown) -> Self {
        Self {
            conductances: &to.conductances - &from.conductances,
            capacities: &to.capacities - &from.capacities,
            drives: DMatrix::from_columns(&to.drives) - DMatrix::from_columns(&from.drives),
        }
    }

    /// What drives the change of the answers `found` at `rate` (1/s), to first order. From `(G + s C) T = q` follows
    /// `dq − (dG + s dC) T`.
    fn drives_of(&self, found: &DMatrix<f64>, rate: f64) -> DMatrix<f64> {
        &self.drives - &self.conductances * found - weighed_rows(&(&self.capacities * rate), found)
    }
}

/// Two sites that differ from `site` in all properties at once, each by as much as it may. In one, heat passes badly
/// through the batteries and easily out of the box. In the other it is the reverse. Several changes together do more
/// than the sum of each alone.
fn corners(site: &Site) -> [Site; 2] {
    [-1.0, 1.0].map(|sign: f64| {
        let mut site = site.clone();
        let (less, more) = (1.0 - 0.3 * sign, 1.0 + 0.2 * sign);
        site.battery.scale_conductivity(less);
        site.plate.contact_w_per_m2_k *= less;
        site.pad.bond_w_per_m2_k *= less;
        site.enclosure.inside_w_per_m2_k *= more;
        site.enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k *= more);
        site
    })
}

/// Rates at which the answers of the corners are computed (1/s).
const CORNER_RATES: [f64; 2] = [0.0, 1.6e-4];

/// Sites that each differ from `site` in one property, by as much as it may.
fn moved(site: &Site) -> Vec<Site> {
    let with = |change: &dyn Fn(&mut Site)| {
        let mut site = site.clone();
        change(&mut site);
        site
    };
    let mut all = vec![
        with(&|site| site.battery.conductivity_up_w_per_m_k *= 1.3),
        with(&|site| site.battery.conductivity_across_w_per_m_k *= 1.3),
        with(&|site| site.battery.conductivity_along_w_per_m_k *= 1.3),
        with(&|site| site.battery.specific_heat_j_per_kg_k *= 1.1),
        with(&|site| {
            site.plate.contact_w_per_m2_k *= 1.3;
            site.pad.bond_w_per_m2_k *= 1.3;
        }),
        with(&|site| site.enclosure.inside_w_per_m2_k *= 1.3),
        with(&|site| site.enclosure.air_changes_per_h += 0.5),
        with(&|site| site.enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k *= 1.3)),
    ];
    for axis in [0, 1] {
        all.push(with(&|site| site.pad.shift_m[axis] += 0.01));
    }
    all
}

/// Sites that each differ from `site` in the contact of one battery.
fn loosened(site: &Site) -> Vec<Site> {
    let of = |battery: usize| {
        let mut site = site.clone();
        let parts = (0..site.battery.count).map(|index| site.plate.contact_parts.get(index).copied().unwrap_or(1.0));
        site.plate.contact_parts = parts.collect();
        site.plate.contact_parts[battery] *= 0.7;
        site
    };
    (0..site.battery.count).map(of).collect()
}

/// The patterns of the cells' answers, the weightiest first, a row for each. `further` are sites that each differ in one more property.
fn patterns(site: &Site, shape: &Shape, further: &[Site]) -> DMatrix<f64> {
    let solid = shape.solid(site);
    let cells = Blown::new(&solid, WINDS[0], site.place.stands_on);
    let symbolic = CscSymbolicCholesky::factor(cells.conductances.pattern().clone());
    let mut moves: Vec<Move> = moved(site)
        .iter()
        .chain(further)
        .map(|site| Move::new(&cells, &Blown::new(&shape.solid(site), WINDS[0], site.place.stands_on)))
        .collect();
    moves.push(Move::new(&cells, &Blown::new(&solid, WINDS[1], site.place.stands_on)));
    let corners = corners(site).map(|corner| Blown::new(&shape.solid(&corner), WINDS[0], site.place.stands_on));
    let of_cells = RATES.iter().enumerate().map(|(index, &rate)| {
        let moves: &[Move] = if MOVED_AT.contains(&index) { &moves } else { &[] };
        (&cells, rate, moves)
    });
    let of_corners = corners.iter().flat_map(|corner| CORNER_RATES.map(|rate| (corner, rate, [].as_slice())));
    let asked: Vec<(&Blown, f64, &[Move])> = of_cells.chain(of_corners).collect();
    let answers = side_by_side(&asked, |&(blown, rate, moves)| blown.answers(&symbolic, rate, moves)).concat();
    // Gradients count as well as temperatures: a plate holds little heat, but its gradients matter.
    let norm =
        |columns: &DMatrix<f64>| &cells.conductances * columns + weighed_rows(&(&cells.capacities / 3600.0), columns);
    let ones = DMatrix::from_element(cells.capacities.len(), 1, 1.0);
    let all = DMatrix::from_columns(&answers);
    let of_ones = norm(&ones);
    let all = &all - &ones * (of_ones.tr_mul(&all) / of_ones.dot(&ones));
    let gram = all.tr_mul(&norm(&all));
    let SymmetricEigen { eigenvectors, eigenvalues } = SymmetricEigen::new(gram);
    let mut order: Vec<usize> = (0..eigenvalues.len()).collect();
    order.sort_by(|a, b| eigenvalues[*b].total_cmp(&eigenvalues[*a]));
    // The rest is rounding.
    order.retain(|index| eigenvalues[*index] > 1e-13 * eigenvalues.max());
    let mut kept = vec![ones.column(0).clone_owned()];
    for index in order {
        kept.push(&all * eigenvectors.column(index) / eigenvalues[index].sqrt());
    }
    DMatrix::from_columns(&kept).transpose()
}

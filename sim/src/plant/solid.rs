//! Cuts the installation into cells: floor, pad, plate and batteries in three dimensions, the air in the box as one
//! body, the walls as a chain of cells from the inside outwards.
//!
//! Each cell is a node of a [`Network`]. What lies between the middles of two cells that touch joins them, resistance
//! after resistance: half a cell, the joint or the film, half a cell. Source: Patankar, Numerical Heat Transfer and
//! Fluid Flow (1980), section 4.2-3.
//!
//! ```text
//!                     outside
//!                        │ film (wind)
//!                      walls ── film ──┐
//!   ┌─────────┐ gap ┌─────────┐        │
//!   │battery 1│─────│battery 2│─ film ─┤ air in the box ── leaks ── outside
//!   └────┬────┘     └────┬────┘        │
//!        │ joint         │             │
//!   ═════╧═════ plate ═══╧══════ film ─┤
//!        │ bond          ┊ air         │
//!   ───── pad ─────      ┊             │
//!        │               ┊             │
//!   ░░░░░░░░░░░░ floor ░░░░░░░░░ film ─┘
//!        │ film (wind), or the ground
//! ```

use super::layout::{Layout, Mesh, Rect};
use super::modes::as_f64;
use super::network::{Boundary, Network, Node};
use crate::materials::{AIR, COPPER, Material, SILICONE};
use crate::site::{Enclosure, Layer, Site, StandsOn};

/// Long-wave radiation between dark surfaces near 0 °C (W/(m² K)): 4 ε σ T³ with ε = 0.9. Source: ISO 6946:2007, annex A.
pub(super) const RADIATION: f64 = 0.9 * 4.0 * 5.670_374e-8 * 273.15 * 273.15 * 273.15;

/// The box's air moves through a gap as wide as this (m). In a narrower gap the air stands. From memory: two boundary
/// layers of natural convection.
const OPEN_GAP_M: f64 = 0.02;

/// Cells of each layer of the floor, and of the walls.
const FLOOR_CELLS: usize = 2;
const WALL_CELLS: usize = 3;

/// A pad has a node in each cell of which it covers at least this part (1), so that the pad can be moved.
const LEAST_COVER: f64 = 0.02;

/// Cells whose heat gets outside through solid and then a film.
#[derive(Clone, Debug)]
pub(super) struct Windward {
    /// Each with the conductance from its middle to its outer face (W/K).
    pub(super) cells: Vec<(Node, f64)>,
    /// Area of the outer face for each W/K of that (m² K/W).
    m2_k_per_w: f64,
}

impl Windward {
    fn new(cells: Vec<(Node, f64)>, outer_m2: f64) -> Self {
        let through: f64 = cells.iter().map(|(_, half)| half).sum();
        Self { cells, m2_k_per_w: outer_m2 / through }
    }

    /// Part of the conductances that remains when the film of this wind (m/s) follows them, 0 to 1.
    pub(super) fn part(&self, wind_m_s: f64) -> f64 {
        // Source: ISO 6946:2007, annex A: h = 4 + 4 v for the convection, plus radiation.
        let film = (4.0 + 4.0 * wind_m_s + RADIATION) * self.m2_k_per_w;
        film / (1.0 + film)
    }
}

/// The body that a cell belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    Floor,
    /// With the part of the cell that it covers.
    Pad(f64),
    Plate,
    Battery(usize),
}

/// One cell.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub(super) node: usize,
    pub(super) kind: Kind,
    /// Conductivity along x, y and z (W/(m K)). Infinite where the resistance of half the cell is neglected.
    conducts: [f64; 3],
}

impl Cell {
    pub(super) const fn conducts(&self, axis: usize) -> f64 {
        self.conducts[axis]
    }
}

/// The installation as cells.
#[derive(Clone, Debug)]
pub(super) struct Solid {
    /// All except the path from walls and floor to the outside, which depends on the wind.
    pub(super) network: Network,
    pub(super) windward: Vec<Windward>,
    pub(super) air: Node,
    pub(super) layout: Layout,
    /// Faces between the cells along x, y and z (m); z counts from the top of the plate.
    pub(super) faces: [Vec<f64>; 3],
    /// Columns upwards, columns in rows along x, rows along y. So the numbers of neighbours lie near each other.
    cells: Vec<Option<Cell>>,
    /// On faces inside the box (W/(m² K)).
    pub(super) film: f64,
    /// Of the joint from the plate to each battery (W/(m² K)).
    pub(super) joints: Vec<f64>,
    /// Across a gap whose air stands (W/(m² K)). `None` where the box's air moves through the gap.
    pub(super) gap: Option<f64>,
}

/// Two conductances one after the other (W/K).
pub(super) fn series(a: f64, b: f64) -> f64 {
    if a <= 0.0 || b <= 0.0 {
        0.0
    } else if a.is_infinite() {
        b
    } else if b.is_infinite() {
        a
    } else {
        a * b / (a + b)
    }
}

/// Heat capacity per volume (J/(m³ K)).
fn volumetric(material: &Material) -> f64 {
    material.density_kg_per_m3 * material.specific_heat_j_per_kg_k
}

/// Cuts each layer into `cells` cells.
fn slices(layers: &[Layer], cells: usize) -> impl Iterator<Item = (f64, Material)> {
    layers.iter().flat_map(move |layer| std::iter::repeat_n((layer.thickness_m / as_f64(cells), layer.material), cells))
}

/// The layers of walls and lid, or of the floor, as a whole.
struct Shell {
    thickness_m: f64,
    inner_m2: f64,
    outer_m2: f64,
    /// Its conductance and heat capacity with edges and corners, as multiples of those of its inner faces.
    conducts: f64,
    holds: f64,
}

impl Shell {
    /// With four corners. Source of the shape factors: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer,
    /// Table 4.1, for inner measures above a fifth of the thickness. Layers count as one material of the same
    /// resistance. That is exact for the faces.
    fn new(layers: &[Layer], inner_m2: f64, outer_m2: f64, edges_m: f64) -> Self {
        let thickness_m: f64 = layers.iter().map(|layer| layer.thickness_m).sum();
        let shape_m = inner_m2 / thickness_m + 0.54 * edges_m + 0.15 * 4.0 * thickness_m;
        Self {
            thickness_m,
            inner_m2,
            outer_m2,
            conducts: shape_m * thickness_m / inner_m2,
            holds: f64::midpoint(inner_m2, outer_m2) / inner_m2,
        }
    }

    /// Walls and lid, with four upright edges, four edges of the lid and four corners; and the floor, with the four
    /// edges and corners below.
    fn both(enclosure: &Enclosure) -> (Self, Self) {
        let Enclosure { length_m: l, width_m: w, height_m: h, .. } = *enclosure;
        let thick = |layers: &[Layer]| layers.iter().map(|layer| layer.thickness_m).sum::<f64>();
        let (t, below) = (thick(&enclosure.walls), thick(&enclosure.floor));
        let plan_m2 = (l + 2.0 * t) * (w + 2.0 * t);
        // The sides reach down to the floor's underside.
        let outer_m2 = 2.0 * (l + w + 4.0 * t) * (h + t + below) + plan_m2;
        let walls = Self::new(&enclosure.walls, 2.0 * (l + w) * h + l * w, outer_m2, 4.0 * h + 2.0 * (l + w));
        (walls, Self::new(&enclosure.floor, l * w, plan_m2, 2.0 * (l + w)))
    }
}

impl Solid {
    /// `site` on the mesh of `nominal`. The bodies of both have the same measures; the pad may lie elsewhere.
    pub(super) fn new(site: &Site, nominal: &Layout, mesh: &Mesh) -> Self {
        let Site { battery, plate, pad, enclosure, place, .. } = site;
        let (walls, floor) = Shell::both(enclosure);
        // Upwards from the underside of the floor.
        let mut z: Vec<f64> = vec![-(floor.thickness_m + pad.thickness_m + plate.thickness_m)];
        let below = slices(&enclosure.floor, FLOOR_CELLS).map(|(thick_m, _)| thick_m);
        for thick_m in below.chain([pad.thickness_m, plate.thickness_m]) {
            z.push(z[z.len() - 1] + thick_m);
        }
        z.pop();
        z.extend(&mesh.z);
        let still = AIR.conductivity_w_per_m_k / battery.gap_m.max(1e-4) + RADIATION;
        let mut solid = Self {
            network: Network::default(),
            windward: Vec::new(),
            air: Node(0),
            layout: Layout::of(site),
            faces: [mesh.x.clone(), mesh.y.clone(), z],
            cells: Vec::new(),
            film: enclosure.inside_w_per_m2_k,
            joints: (0..battery.count).map(|battery| plate.contact_of(battery)).collect(),
            gap: (battery.gap_m < OPEN_GAP_M).then_some(still),
        };
        solid.add_cells(site, nominal, &floor);
        let batteries_m3 = as_f64(battery.count) * battery.length_m * battery.width_m * battery.height_m;
        let free_m3 = (enclosure.length_m * enclosure.width_m * enclosure.height_m - batteries_m3).max(1e-3);
        solid.air = solid.network.add(free_m3 * volumetric(&AIR));
        let leak = volumetric(&AIR) * free_m3 * enclosure.air_changes_per_h * enclosure.loss / 3600.0;
        solid.network.edge(solid.air, Boundary::Outside, leak);
        solid.join_upwards(pad.bond_w_per_m2_k, pad.thickness_m);
        solid.join_sideways();
        solid.join_floor(&floor, place.stands_on);
        solid.add_walls(enclosure, &walls);
        if let Some(cable) = battery.terminal_cable {
            let each = COPPER.conductivity_w_per_m_k * cable.area_mm2 * 1e-6 / cable.length_m;
            for terminal in solid.layout.terminals.clone() {
                solid.add_cable(&terminal, each);
            }
        }
        solid
    }

    /// How many cells there are along an axis.
    pub(super) fn count(&self, axis: usize) -> usize {
        self.faces[axis].len() - 1
    }

    pub(super) fn size(&self, axis: usize, index: usize) -> f64 {
        self.faces[axis][index + 1] - self.faces[axis][index]
    }

    pub(super) fn middle(&self, axis: usize, index: usize) -> f64 {
        f64::midpoint(self.faces[axis][index], self.faces[axis][index + 1])
    }

    pub(super) fn cell(&self, [i, j, k]: [usize; 3]) -> Option<Cell> {
        self.cells[(j * self.count(0) + i) * self.count(2) + k]
    }

    pub(super) fn places(&self) -> impl Iterator<Item = [usize; 3]> + use<> {
        let [nx, ny, nz] = [0, 1, 2].map(|axis| self.count(axis));
        (0..ny).flat_map(move |j| (0..nx).flat_map(move |i| (0..nz).map(move |k| [i, j, k])))
    }

    fn rect(&self, [i, j, _]: [usize; 3]) -> Rect {
        let [x, y, _] = &self.faces;
        Rect { from: [x[i], y[j]], to: [x[i + 1], y[j + 1]] }
    }

    /// Area of a cell's face across `axis` (m²).
    fn area(&self, at: [usize; 3], axis: usize) -> f64 {
        (0..3).filter(|other| *other != axis).map(|other| self.size(other, at[other])).product()
    }

    /// Conductance from a cell's middle to its face across `axis` (W/K).
    pub(super) fn half(&self, at: [usize; 3], cell: &Cell, axis: usize) -> f64 {
        cell.conducts[axis] * self.area(at, axis) / (self.size(axis, at[axis]) / 2.0)
    }

    fn add_cells(&mut self, site: &Site, nominal: &Layout, floor: &Shell) {
        let Site { battery, plate, enclosure, .. } = site;
        let slices: Vec<(f64, Material)> = slices(&enclosure.floor, FLOOR_CELLS).collect();
        let of_case = battery.mass_kg * battery.specific_heat_j_per_kg_k
            / (battery.length_m * battery.width_m * battery.height_m);
        let of_battery = [
            battery.conductivity_along_w_per_m_k,
            battery.conductivity_across_w_per_m_k,
            battery.conductivity_up_w_per_m_k,
        ];
        for at in self.places() {
            let rect = self.rect(at);
            let middle = [0, 1].map(|axis| self.middle(axis, at[axis]));
            let [area, volume] = [rect.common_m2(&rect), self.area(at, 2) * self.size(2, at[2])];
            let on_plate = self.layout.plate.holds(middle);
            let thin = |conducts: f64| [conducts, conducts, f64::INFINITY];
            let found = match at[2].checked_sub(slices.len()) {
                None => {
                    let material = slices[at[2]].1;
                    let k = material.conductivity_w_per_m_k * enclosure.loss;
                    Some((Kind::Floor, [k, k, k * floor.conducts], volumetric(&material) * floor.holds))
                }
                // A pad that has been moved still has all of its nodes.
                Some(0) => (on_plate && nominal.pad.common_m2(&rect) > LEAST_COVER * area).then(|| {
                    let cover = (self.layout.pad.common_m2(&rect) / area).max(LEAST_COVER);
                    (Kind::Pad(cover), thin(SILICONE.conductivity_w_per_m_k), cover * volumetric(&SILICONE))
                }),
                Some(1) => on_plate
                    .then(|| (Kind::Plate, thin(plate.material.conductivity_w_per_m_k), volumetric(&plate.material))),
                Some(_) => {
                    let index = self.layout.batteries.iter().position(|battery| battery.holds(middle));
                    index.map(|index| (Kind::Battery(index), of_battery, of_case))
                }
            };
            let cell = found.map(|(kind, conducts, per_m3)| Cell {
                node: self.network.add(volume * per_m3).0,
                kind,
                conducts,
            });
            self.cells.push(cell);
        }
    }

    fn link(&mut self, a: usize, b: usize, conductance: f64) {
        self.network.link(Node(a), Node(b), conductance);
    }

    /// Joins a cell to the air in the box through its face across `axis`.
    fn face_air(&mut self, at: [usize; 3], cell: &Cell, axis: usize) {
        let through = series(self.film * self.area(at, axis), self.half(at, cell, axis));
        self.link(cell.node, self.air.0, through);
    }

    fn join_upwards(&mut self, bond: f64, pad_m: f64) {
        // Beside the pad, still air and radiation join plate and floor.
        let beside = AIR.conductivity_w_per_m_k / pad_m + RADIATION;
        for at in self.places() {
            let [i, j, k] = at;
            let area = self.area(at, 2);
            let above_at = [i, j, k + 1];
            let above = if k + 1 < self.count(2) { self.cell(above_at) } else { None };
            let Some(cell) = self.cell(at) else {
                // The base of a battery that overhangs the plate.
                if let Some(above @ Cell { kind: Kind::Battery(_), .. }) = above {
                    self.face_air(above_at, &above, 2);
                }
                continue;
            };
            let half = self.half(at, &cell, 2);
            match (cell.kind, above) {
                (Kind::Floor, Some(above @ Cell { kind: Kind::Floor, .. }))
                | (Kind::Battery(_), Some(above @ Cell { kind: Kind::Battery(_), .. })) => {
                    self.link(cell.node, above.node, series(half, self.half(above_at, &above, 2)));
                }
                (Kind::Floor, pad) => {
                    let cover = match pad {
                        Some(Cell { kind: Kind::Pad(cover), node, .. }) => {
                            self.link(cell.node, node, half * cover);
                            cover
                        }
                        _ => 0.0,
                    };
                    match self.cell([i, j, k + 2]) {
                        Some(Cell { kind: Kind::Plate, node, .. }) => {
                            self.link(cell.node, node, (1.0 - cover) * series(beside * area, half));
                        }
                        _ => self.face_air(at, &cell, 2),
                    }
                }
                (Kind::Pad(cover), Some(plate)) => self.link(cell.node, plate.node, bond * cover * area),
                (Kind::Plate, Some(above @ Cell { kind: Kind::Battery(battery), .. })) => {
                    let through = series(self.joints[battery] * area, self.half(above_at, &above, 2));
                    self.link(cell.node, above.node, through);
                }
                (Kind::Plate, None) if self.is_in_a_closed_gap(at) => {}
                (Kind::Plate | Kind::Battery(_) | Kind::Pad(_), _) => self.face_air(at, &cell, 2),
            }
        }
    }

    fn is_in_a_closed_gap(&self, [i, j, _]: [usize; 3]) -> bool {
        let (x, y) = (self.middle(0, i), self.middle(1, j));
        let between = |pair: &[Rect]| {
            (pair[0].from[0]..=pair[0].to[0]).contains(&x) && (pair[0].to[1]..=pair[1].from[1]).contains(&y)
        };
        self.gap.is_some() && self.layout.batteries.windows(2).any(between)
    }

    /// The cell that a long face looks at across a gap of standing air, on the far or the near side of `at` along `y`.
    pub(super) fn facing(&self, [i, j, k]: [usize; 3], battery: usize, far: bool) -> Option<[usize; 3]> {
        self.gap?;
        let other = if far { battery + 1 } else { battery.checked_sub(1)? };
        let is_theirs = |j: &usize| self.cell([i, *j, k]).is_some_and(|cell| cell.kind == Kind::Battery(other));
        let row = if far { (j + 1..self.count(1)).find(is_theirs) } else { (0..j).rev().find(is_theirs) };
        Some([i, row?, k])
    }

    /// The place next to another along `axis`, if there is one.
    fn beside(&self, at: [usize; 3], axis: usize, far: bool) -> Option<[usize; 3]> {
        let mut next = at;
        next[axis] = if far { at[axis] + 1 } else { at[axis].checked_sub(1)? };
        (next[axis] < self.count(axis)).then_some(next)
    }

    fn join_sideways(&mut self) {
        for (at, axis, far) in
            self.places().flat_map(|at| [0, 1].map(|axis| [(at, axis, false), (at, axis, true)])).flatten()
        {
            let Some(cell) = self.cell(at) else { continue };
            let half = self.half(at, &cell, axis);
            let next = self.beside(at, axis, far).and_then(|next| Some((next, self.cell(next)?)));
            let is_one = |other: Kind| match (cell.kind, other) {
                (Kind::Pad(_), Kind::Pad(_)) => true,
                (ours, theirs) => ours == theirs,
            };
            if let Some((next, other)) = next.filter(|(_, other)| is_one(other.kind)) {
                if far {
                    self.link(cell.node, other.node, series(half, self.half(next, &other, axis)));
                }
                continue;
            }
            match cell.kind {
                Kind::Battery(battery) => {
                    let opposite = if axis == 1 { self.facing(at, battery, far) } else { None };
                    match opposite.and_then(|next| Some((next, self.cell(next)?))) {
                        None => self.face_air(at, &cell, axis),
                        Some((next, other)) if far => {
                            let gap = self.gap.unwrap_or(0.0) * self.area(at, axis);
                            self.link(cell.node, other.node, series(series(half, gap), self.half(next, &other, axis)));
                        }
                        Some(_) => {}
                    }
                }
                Kind::Plate => self.face_air(at, &cell, axis),
                Kind::Floor | Kind::Pad(_) => {}
            }
        }
    }

    /// Joins the underside of the floor to what is under it.
    fn join_floor(&mut self, floor: &Shell, on: StandsOn) {
        let bottom = self.places().filter(|at| at[2] == 0);
        let bottom = bottom.filter_map(|at| self.cell(at).map(|cell| (Node(cell.node), self.half(at, &cell, 2))));
        let bottom: Vec<(Node, f64)> = bottom.collect();
        match on {
            StandsOn::Air => self.windward.push(Windward::new(bottom, floor.outer_m2)),
            StandsOn::Ground(_) => {
                for (node, half) in bottom {
                    self.network.edge(node, Boundary::Ground, half);
                }
            }
        }
    }

    fn add_walls(&mut self, enclosure: &Enclosure, walls: &Shell) {
        let mut inner = self.film * walls.inner_m2;
        let mut before = self.air;
        let cells: Vec<(f64, Material)> = slices(&enclosure.walls, WALL_CELLS).collect();
        for (thick_m, material) in cells.iter().rev() {
            let node = self.network.add(walls.inner_m2 * walls.holds * thick_m * volumetric(material));
            let conducts = material.conductivity_w_per_m_k * enclosure.loss;
            let half = conducts * walls.inner_m2 * walls.conducts / (thick_m / 2.0);
            self.network.link(before, node, series(inner, half));
            (before, inner) = (node, half);
        }
        self.windward.push(Windward::new(vec![(before, inner)], walls.outer_m2));
    }

    /// Adds a conductor (W/K) from a terminal to the outside.
    fn add_cable(&mut self, terminal: &Rect, conductance: f64) {
        let top = self.count(2) - 1;
        let on_it: Vec<[usize; 3]> =
            self.places().filter(|at| at[2] == top && self.rect(*at).common_m2(terminal) > 0.0).collect();
        for at in on_it {
            let Some(cell) = self.cell(at) else { continue };
            let part = self.rect(at).common_m2(terminal);
            let through = series(
                conductance * part / terminal.common_m2(terminal),
                self.half(at, &cell, 2) * part / self.area(at, 2),
            );
            self.network.edge(Node(cell.node), Boundary::Outside, through);
        }
    }

    /// All of the network, with so much wind about the box (m/s).
    pub(super) fn in_wind(&self, wind_m_s: f64) -> Network {
        let mut network = self.network.clone();
        for windward in &self.windward {
            let part = windward.part(wind_m_s);
            windward.cells.iter().for_each(|&(node, through)| network.edge(node, Boundary::Outside, part * through));
        }
        network
    }

    /// Part of the heater's power that each node gets, with the pad where it really is.
    pub(super) fn heater(&self) -> Vec<f64> {
        let mut areas = vec![0.0; self.network.len()];
        let plate_k = self.plate_k();
        for at in self.places().filter(|at| at[2] == plate_k) {
            let pad = self.cell([at[0], at[1], plate_k - 1]);
            // Where a moved pad has no node, it heats the plate.
            if let Some(cell) = pad.or(self.cell(at)) {
                areas[cell.node] += self.layout.pad.common_m2(&self.rect(at));
            }
        }
        parts(areas)
    }

    /// Part of the bank's own heat that each node gets.
    pub(super) fn bank(&self) -> Vec<f64> {
        let mut volumes = vec![0.0; self.network.len()];
        for at in self.places() {
            if let Some(Cell { kind: Kind::Battery(_), node, .. }) = self.cell(at) {
                volumes[node] = self.area(at, 2) * self.size(2, at[2]);
            }
        }
        parts(volumes)
    }

    /// For each battery, the part that each of its nodes is of its volume.
    pub(super) fn in_each_battery(&self) -> Vec<Vec<(usize, f64)>> {
        let mut all: Vec<Vec<(usize, f64)>> = vec![Vec::new(); self.layout.batteries.len()];
        for at in self.places() {
            if let Some(Cell { kind: Kind::Battery(battery), node, .. }) = self.cell(at) {
                all[battery].push((node, self.area(at, 2) * self.size(2, at[2])));
            }
        }
        for parts in &mut all {
            let whole: f64 = parts.iter().map(|(_, volume)| volume).sum();
            for (_, volume) in parts {
                *volume /= whole;
            }
        }
        all
    }

    /// The index of the plate's cells along z.
    pub(super) fn plate_k(&self) -> usize {
        (0..self.count(2)).find(|k| self.faces[2][k + 1] == 0.0).unwrap_or(0)
    }
}

/// Each amount as a part of their sum.
fn parts(amounts: Vec<f64>) -> Vec<f64> {
    let all: f64 = amounts.iter().sum();
    amounts.into_iter().map(|amount| amount / all).collect()
}

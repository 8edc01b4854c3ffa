//! Which places of a battery, of the plate and of the pad can be the coldest or the warmest.
//!
//! The coldest place of a block is a corner, an edge, the middle of a face or its core, whichever way heat flows.
//! Reading a lattice of places at every moment would cost more than the step itself. So the lattice is read once,
//! through many stories of heat that comes and goes and of weather that turns. The places that are the coldest or the
//! warmest in any of them are kept.

use super::basis::{HEATER_W, Reduced};
use super::layout::Layout;
use super::modes::{Drive, Modes};
use super::places::Place;
use super::solid::Solid;
use crate::portable::by_rows;
use nalgebra::{DMatrix, DVector};

/// Places along each side of a battery, with its faces. The coldest place lies behind a face when warm air has begun to
/// come in.
const LATTICE: [f64; 9] = [0.0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0];

/// The same upwards. Heat flows this way. Where the cells lie, it has far to go, and the coldest place moves upwards.
const UPWARDS: [f64; 11] = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0];

/// The same along each side of plate and pad.
const FLAT: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];

/// A place within this of the extreme stands for it (K).
const NEAR_K: f64 = 0.005;

/// Moments of a story (s).
const MOMENTS_S: [f64; 9] = [120.0, 600.0, 1800.0, 3600.0, 7200.0, 14_400.0, 28_800.0, 86_400.0, 1e7];

/// Changes of the outside temperature in a story (K).
const TURNS_K: [f64; 5] = [0.0, -30.0, -10.0, 10.0, 30.0];

/// The places that are kept.
#[derive(Clone, Debug, Default)]
pub(super) struct Extremes {
    /// Of each battery, from its corner, as fractions of its measures.
    pub(super) batteries: Vec<Vec<[f64; 3]>>,
    /// Over the pad, as fractions of its measures.
    pub(super) plate: Vec<[f64; 2]>,
    pub(super) pad: Vec<[f64; 2]>,
}

impl Extremes {
    /// The whole lattice.
    pub(super) fn lattice(layout: &Layout) -> Self {
        let flat: Vec<[f64; 2]> = FLAT.into_iter().flat_map(|x| FLAT.map(|y| [x, y])).collect();
        let points =
            LATTICE.into_iter().flat_map(|x| LATTICE.into_iter().flat_map(move |y| UPWARDS.map(|z| [x, y, z])));
        let mut batteries = vec![points.collect::<Vec<_>>(); layout.batteries.len()];
        // A cable that leads heat out of the box makes its terminal the coldest place.
        for terminal in &layout.terminals {
            let middle = [0, 1].map(|axis| f64::midpoint(terminal.from[axis], terminal.to[axis]));
            for (case, points) in layout.batteries.iter().zip(&mut batteries).filter(|(case, _)| case.holds(middle)) {
                let part = |axis: usize| (middle[axis] - case.from[axis]) / (case.to[axis] - case.from[axis]);
                points.push([part(0), part(1), 1.0]);
            }
        }
        Self { batteries, plate: flat.clone(), pad: flat }
    }

    /// The kept places of all batteries, one battery after the other.
    pub(super) fn in_batteries(&self, solid: &Solid) -> Vec<Place> {
        let of = |(battery, points): (usize, &Vec<[f64; 3]>)| -> Vec<Place> {
            points.iter().map(|&point| solid.part_of_battery(battery, point)).collect()
        };
        self.batteries.iter().enumerate().flat_map(of).collect()
    }

    /// The places of the lattice that are ever the coldest or the warmest.
    pub(super) fn of(reduced: &Reduced) -> Self {
        let all = Self::lattice(&reduced.solid.layout);
        let stories = Stories::of(reduced);
        let kept = |places: Vec<Place>| stories.ends(&reduced.rows(places));
        let pick3 = |points: &Vec<[f64; 3]>, kept: Vec<usize>| kept.into_iter().map(|index| points[index]).collect();
        let pick2 = |points: &Vec<[f64; 2]>, kept: Vec<usize>| kept.into_iter().map(|index| points[index]).collect();
        let solid = &reduced.solid;
        Self {
            batteries: all
                .batteries
                .iter()
                .enumerate()
                .map(|(battery, points)| {
                    let places = points.iter().map(|&point| solid.part_of_battery(battery, point)).collect();
                    pick3(points, kept(places))
                })
                .collect(),
            plate: pick2(&all.plate, kept(all.plate.iter().map(|&at| solid.over_pad(at)).collect())),
            pad: pick2(&all.pad, kept(all.pad.iter().map(|&at| solid.part_of_pad(at)).collect())),
        }
    }
}

/// States at the moments of two stories, a column for each moment. Every story is a sum of these.
struct Stories {
    /// Heated since the start.
    heated: DMatrix<f64>,
    /// The outside is a kelvin warmer since the start.
    turned: DMatrix<f64>,
}

impl Stories {
    fn of(reduced: &Reduced) -> Self {
        let system = reduced.in_wind(3.0);
        let modes = Modes::new(&system, 1.0, &[]);
        let n = reduced.states();
        let answer = |heat_w: &DVector<f64>, outside_c: f64| {
            let heat = modes.of_heat(heat_w);
            let drive = Drive { heats: &[(1.0, &heat)], boundary_c: [outside_c, 0.0], slope_k_per_s: [0.0; 2] };
            DMatrix::from_columns(&MOMENTS_S.map(|seconds| modes.after(&DVector::zeros(n), &drive, seconds)))
        };
        let heater = reduced.read(reduced.solid.heater().into_iter().enumerate()) * HEATER_W;
        Self { heated: answer(&heater, 0.0), turned: answer(&DVector::zeros(n), 1.0) }
    }

    /// What places show at every moment of every story, a column for each. `rows` has a row for each place.
    fn fields(&self, rows: &DMatrix<f64>) -> DMatrix<f64> {
        let [heated, turned] = [&self.heated, &self.turned].map(|states| by_rows(rows, &states.transpose()));
        let mut fields = Vec::new();
        for (on, lit) in heated.column_iter().enumerate() {
            // Heat is switched on at the start. It goes off before the moment, or never.
            let off = heated.columns(0, on);
            let off = std::iter::once(lit.clone_owned()).chain(off.column_iter().map(|off| lit - off));
            for heat in off.chain([DVector::zeros(rows.nrows())]) {
                for turn in TURNS_K {
                    for turned in turned.column_iter() {
                        fields.extend(heat.iter().zip(&turned).map(|(heat, turned)| heat + turned * turn));
                    }
                }
            }
        }
        DMatrix::from_vec(rows.nrows(), fields.len() / rows.nrows(), fields)
    }

    /// The rows that stand for the coldest and the warmest row at every moment.
    fn ends(&self, rows: &DMatrix<f64>) -> Vec<usize> {
        let fields = self.fields(rows);
        let (coldest, warmest): (Vec<_>, Vec<_>) = fields.column_iter().map(|row| (row.argmin(), row.argmax())).unzip();
        // The warmest are the coldest of the negated values.
        let ends = coldest.iter().copied().chain(warmest.iter().map(|&(row, t_c)| (row, -t_c)));
        let (mut asked, nearly): (Vec<usize>, Vec<f64>) = ends.map(|(row, t_c)| (row, t_c + NEAR_K)).unzip();
        let mut open: Vec<(usize, f64)> = nearly.into_iter().enumerate().collect();
        // Only a place that is an extreme itself can be chosen.
        asked.sort_unstable();
        asked.dedup();
        // Each in a row of its own: they are read again and again.
        let values =
            |row: usize| fields.row(row).iter().copied().chain(fields.row(row).iter().map(|t_c| -t_c)).collect();
        let asked: Vec<(usize, Vec<f64>)> = asked.into_iter().map(|row| (row, values(row))).collect();
        let mut kept = Vec::new();
        while !open.is_empty() {
            let stands_for = |values: &[f64]| open.iter().filter(|(moment, near)| values[*moment] <= *near).count();
            // Of two that stand for equally many, take the first: every machine then chooses the same.
            let best = asked.iter().rev().max_by_key(|(_, values)| stands_for(values));
            let Some((row, values)) = best.map(|(row, values)| (*row, values)) else { break };
            open.retain(|&(moment, near)| values[moment] > near);
            kept.push(row);
        }
        kept
    }
}

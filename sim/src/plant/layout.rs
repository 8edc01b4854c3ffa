//! Where plate, pad and batteries lie, seen from above, and how finely each stretch between their edges is cut.
//!
//! `x` runs along the length of the batteries, `y` in the direction in which they stand in a row, `z` upwards from the top of the plate.
//! The origin is a corner of the box.

use super::modes::as_f64;
use crate::site::Site;

/// A rectangle in plan (m).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rect {
    pub from: [f64; 2],
    pub to: [f64; 2],
}

impl Rect {
    pub(super) fn centred(middle: [f64; 2], measures: [f64; 2]) -> Self {
        let side = |sign: f64| [0, 1].map(|axis| middle[axis] + sign * measures[axis] / 2.0);
        Self { from: side(-1.0), to: side(1.0) }
    }

    /// Whether a point lies in it.
    pub(super) fn holds(&self, at: [f64; 2]) -> bool {
        (0..2).all(|axis| (self.from[axis]..=self.to[axis]).contains(&at[axis]))
    }

    /// The area that it shares with another (m²).
    pub(super) fn common_m2(&self, other: &Self) -> f64 {
        let along = |axis: usize| (self.to[axis].min(other.to[axis]) - self.from[axis].max(other.from[axis])).max(0.0);
        along(0) * along(1)
    }
}

/// Where each part lies in the box.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    /// The box, inside.
    pub inside: Rect,
    pub plate: Rect,
    pub pad: Rect,
    /// One after the other along `y`.
    pub batteries: Vec<Rect>,
    /// The terminals of the cables that leave the box: on the first battery, and on the last.
    pub terminals: Vec<Rect>,
    /// Of the batteries (m).
    pub height_m: f64,
}

impl Layout {
    pub(super) fn of(site: &Site) -> Self {
        let Site { battery, plate, pad, enclosure, .. } = site;
        let row_m = battery.row_m();
        // Nothing may fall outside the box here. The file's reader has already refused larger things.
        let hold = |inner: f64, things: &[f64]| things.iter().copied().fold(inner, f64::max);
        let measures = [
            hold(enclosure.length_m, &[plate.length_m, battery.length_m]),
            hold(enclosure.width_m, &[plate.width_m, row_m]),
        ];
        let middle = measures.map(|measure| measure / 2.0);
        let first = middle[1] - row_m / 2.0;
        let batteries = (0..battery.count).map(|index| {
            let from = first + as_f64(index) * (battery.width_m + battery.gap_m);
            let half = battery.length_m / 2.0;
            Rect { from: [middle[0] - half, from], to: [middle[0] + half, from + battery.width_m] }
        });
        let batteries: Vec<Rect> = batteries.collect();
        Self {
            inside: Rect { from: [0.0; 2], to: measures },
            plate: Rect::centred(middle, [plate.length_m, plate.width_m]),
            pad: Rect::centred([0, 1].map(|axis| middle[axis] + pad.shift_m[axis]), [pad.length_m, pad.width_m]),
            terminals: match battery.terminal_cable {
                Some(_) => terminals(&batteries),
                None => Vec::new(),
            },
            batteries,
            height_m: battery.height_m,
        }
    }
}

/// Side of the square that a terminal takes with its lug (m), and its middle from the end of the case (m). It stands in
/// the middle of the width. From memory.
const TERMINAL_M: f64 = 0.03;
pub(super) const TERMINAL_IN_M: f64 = 0.03;

/// The first battery's is at the end where `x` is least, the last battery's at the other.
fn terminals(batteries: &[Rect]) -> Vec<Rect> {
    let across = |case: &Rect| f64::midpoint(case.from[1], case.to[1]);
    let on = |case: &Rect, x: f64| Rect::centred([x, across(case)], [TERMINAL_M; 2]);
    let first = batteries.first().map(|case| on(case, case.from[0] + TERMINAL_IN_M));
    let last = batteries.last().map(|case| on(case, case.to[0] - TERMINAL_IN_M));
    first.into_iter().chain(last).collect()
}

impl Layout {
    /// Whether another is the same except for the place of the pad. The pad's measures must be equal.
    pub(super) fn is_but_for_the_place_of_the_pad(&self, other: &Self) -> bool {
        let measures = |pad: &Rect| [0, 1].map(|axis| pad.to[axis] - pad.from[axis]);
        let (ours, theirs) = (measures(&self.pad), measures(&other.pad));
        let pads_alike = (0..2).all(|axis| (ours[axis] - theirs[axis]).abs() < 1e-9);
        pads_alike && Self { pad: self.pad, ..other.clone() } == *self
    }
}

/// Cells along each direction, by the coordinates of their faces (m), rising.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Mesh {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    /// Of the batteries.
    pub(super) z: Vec<f64>,
}

/// Size of the cell at a face (m), the growth of each further cell, and the largest size (m).
#[derive(Clone, Copy, Debug)]
pub(super) struct Fineness {
    pub(super) first_m: f64,
    pub(super) growth: f64,
    pub(super) most_m: f64,
}

impl Fineness {
    /// Fine enough for every figure of a plan. The comparisons with the reference hold it.
    pub(super) const PLAN: Self = Self { first_m: 0.011, growth: 1.7, most_m: 0.1 };

    /// The same upwards, for batteries that conduct badly that way. All the heat flows through them.
    pub(super) const UP: Self = Self { first_m: 0.006, growth: 1.4, most_m: 0.018 };
}

/// Batteries that conduct less than this upwards are cut finer (W/(m K)).
const CONDUCTS_UP: f64 = 3.0;

impl Mesh {
    /// For batteries with this conductivity upwards (W/(m K)).
    pub(super) fn of(layout: &Layout, conducts_up: f64) -> Self {
        let up = if conducts_up < CONDUCTS_UP { Fineness::UP } else { Fineness::PLAN };
        Self::cut(layout, Fineness::PLAN, up)
    }

    pub(super) fn cut(layout: &Layout, fineness: Fineness, up: Fineness) -> Self {
        let plan = |axis: usize| {
            let rects = [&layout.inside, &layout.plate, &layout.pad]
                .into_iter()
                .chain(&layout.batteries)
                .chain(&layout.terminals);
            let mut planes: Vec<f64> = rects.flat_map(|rect| [rect.from[axis], rect.to[axis]]).collect();
            // The part of a pad outside the box warms nothing.
            planes.retain(|plane| (layout.inside.from[axis]..=layout.inside.to[axis]).contains(plane));
            cut(planes, fineness)
        };
        Self { x: plan(0), y: plan(1), z: cut(vec![0.0, layout.height_m], up) }
    }
}

/// Cuts every stretch between planes, most finely at its ends.
fn cut(mut planes: Vec<f64>, fineness: Fineness) -> Vec<f64> {
    /// Planes nearer than this are one (m).
    const SAME_M: f64 = 1e-5;
    planes.sort_by(f64::total_cmp);
    planes.dedup_by(|next, kept| *next - *kept < SAME_M);
    let mut faces = vec![planes[0]];
    for stretch in planes.windows(2) {
        let [from, to] = [stretch[0], stretch[1]];
        let sizes = sizes(to - from, fineness);
        let scale = (to - from) / sizes.iter().sum::<f64>();
        let mut at = from;
        for size in &sizes[..sizes.len() - 1] {
            at += size * scale;
            faces.push(at);
        }
        faces.push(to);
    }
    faces
}

/// Sizes of the cells of a stretch, before they are scaled to fill it. The fewest that nearly cover it.
fn sizes(length_m: f64, Fineness { first_m, growth, most_m }: Fineness) -> Vec<f64> {
    /// Fraction of a stretch that its cells must cover before they are scaled.
    const COVERS: f64 = 0.85;
    let of = |cells: usize| -> Vec<f64> {
        (0..cells).map(|cell| (first_m * libm::pow(growth, as_f64(cell.min(cells - 1 - cell)))).min(most_m)).collect()
    };
    let mut cells = 1;
    while of(cells).iter().sum::<f64>() < COVERS * length_m {
        cells += 1;
    }
    of(cells)
}

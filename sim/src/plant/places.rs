//! Where temperatures are read: any point in or on a battery, the plate, the pad, and what thermometers are fixed to.

use super::layout::TERMINAL_IN_M;
use super::solid::{Cell, Kind, Solid, series};
use crate::site::Spot;

/// A temperature as a weighted sum of those of nodes. The weights add up to 1.
pub(super) type Place = Vec<(usize, f64)>;

/// A mixture of places, each with its part.
pub(super) fn mixed(parts: impl IntoIterator<Item = (Place, f64)>) -> Place {
    let mut sum: Place = Vec::new();
    for (place, part) in parts {
        for (node, weight) in place {
            match sum.iter_mut().find(|(other, _)| *other == node) {
                Some((_, so_far)) => *so_far += weight * part,
                None => sum.push((node, weight * part)),
            }
        }
    }
    sum
}

/// Where a coordinate lies among the cells of a body along one axis.
#[derive(Clone, Copy, Debug)]
enum Along {
    /// Between the middles of this cell and the next, and the fraction of the way to the next.
    Between(usize, f64),
    /// Between the middle of the first or last cell and its face: the fraction of the way there, and whether it is the
    /// far face.
    Beyond(usize, f64, bool),
}

impl Solid {
    /// A point in a battery or on its case, from its corner along x, y and z (m).
    pub(super) fn in_battery(&self, battery: usize, from_corner: [f64; 3]) -> Place {
        let case = &self.layout.batteries[battery];
        let at = [from_corner[0] + case.from[0], from_corner[1] + case.from[1], from_corner[2]];
        let top = self.faces[2][self.count(2)];
        let ends = [(case.from[0], case.to[0]), (case.from[1], case.to[1]), (0.0, top)];
        let along = [0, 1, 2].map(|axis| self.along(axis, ends[axis], at[axis]));
        // First between middles, inside. Then out to each face that the point lies towards, one after the other.
        let mut corners = vec![([0; 3], 1.0)];
        for (axis, along) in along.iter().enumerate() {
            corners = corners
                .into_iter()
                .flat_map(|(cell, weight)| {
                    let with = |index: usize, part: f64| {
                        let mut cell: [usize; 3] = cell;
                        cell[axis] = index;
                        (cell, weight * part)
                    };
                    match *along {
                        Along::Between(index, part) => vec![with(index, 1.0 - part), with(index + 1, part)],
                        Along::Beyond(index, ..) => vec![with(index, 1.0)],
                    }
                })
                .collect();
        }
        let outwards = |(at, weight): ([usize; 3], f64)| {
            let Some(cell) = self.cell(at) else { return (vec![(self.air.0, 1.0)], weight) };
            let mut place = vec![(cell.node, 1.0)];
            for (axis, along) in along.iter().enumerate() {
                if let Along::Beyond(_, part, far) = *along {
                    let (outside, within) = self.outside(at, &cell, axis, far);
                    place = mixed([(place, 1.0 - part * within), (vec![(outside, 1.0)], part * within)]);
                }
            }
            (place, weight)
        };
        mixed(corners.into_iter().map(outwards))
    }

    fn along(&self, axis: usize, (from, to): (f64, f64), at: f64) -> Along {
        let is_in = |index: &usize| (from..=to).contains(&self.middle(axis, *index));
        let mut inside = (0..self.count(axis)).filter(is_in);
        let first = inside.next().unwrap_or(0);
        let last = inside.next_back().unwrap_or(first);
        let middle = |index: usize| self.middle(axis, index);
        let out = |index: usize| ((at - middle(index)).abs() / (self.size(axis, index) / 2.0)).min(1.0);
        if at <= middle(first) {
            Along::Beyond(first, out(first), false)
        } else if at >= middle(last) {
            Along::Beyond(last, out(last), true)
        } else {
            let index = (first..last).rev().find(|index| middle(*index) <= at).unwrap_or(first);
            Along::Between(index, (at - middle(index)) / (middle(index + 1) - middle(index)))
        }
    }

    /// What a battery's cell faces across `axis`, and the part of the drop to it that lies within the cell.
    fn outside(&self, at: [usize; 3], cell: &Cell, axis: usize, far: bool) -> (usize, f64) {
        let half = self.half(at, cell, axis);
        let area = half * self.size(axis, at[axis]) / 2.0 / cell.conducts(axis);
        let (node, through) = self.beyond(at, cell, axis, far, area);
        (node, series(half, through) / half)
    }

    fn beyond(&self, at: [usize; 3], cell: &Cell, axis: usize, far: bool, area: f64) -> (usize, f64) {
        let Kind::Battery(ours) = cell.kind else { return (self.air.0, self.film * area) };
        if axis == 1
            && let (Some(next), Some(gap)) = (self.facing(at, ours, far), self.gap)
            && let Some(other) = self.cell(next)
        {
            return (other.node, series(gap * area, self.half(next, &other, axis)));
        }
        if axis == 2
            && !far
            && let Some(plate) = self.cell([at[0], at[1], at[2] - 1])
        {
            return (plate.node, self.joints[ours] * area);
        }
        (self.air.0, self.film * area)
    }

    /// A point of a battery, as fractions of its measures.
    pub(super) fn part_of_battery(&self, battery: usize, parts: [f64; 3]) -> Place {
        let case = self.case_m();
        self.in_battery(battery, [0, 1, 2].map(|axis| parts[axis] * case[axis]))
    }

    fn within_pad(&self, parts: [f64; 2]) -> [f64; 2] {
        let pad = &self.layout.pad;
        [0, 1].map(|axis| pad.from[axis] + parts[axis] * (pad.to[axis] - pad.from[axis]))
    }

    /// The pad at fractions of its measures.
    pub(super) fn part_of_pad(&self, parts: [f64; 2]) -> Place {
        self.flat(self.within_pad(parts), |kind| matches!(kind, Kind::Pad(_)))
    }

    /// The plate over the same point of the pad.
    pub(super) fn over_pad(&self, parts: [f64; 2]) -> Place {
        self.on_plate(self.within_pad(parts))
    }

    /// The plate at a point in plan (m), between the middles of its cells. Beyond the outermost middles it is as there.
    pub(super) fn on_plate(&self, at: [f64; 2]) -> Place {
        let plate = &self.layout.plate;
        let along = [0, 1].map(|axis| match self.along(axis, (plate.from[axis], plate.to[axis]), at[axis]) {
            Along::Between(index, part) => [(index, 1.0 - part), (index + 1, part)],
            Along::Beyond(index, ..) => [(index, 1.0), (index, 0.0)],
        });
        let k = self.plate_k();
        let corners = along[0].into_iter().flat_map(|(i, x)| along[1].map(|(j, y)| ([i, j, k], x * y)));
        mixed(corners.filter_map(|(at, part)| Some((vec![(self.cell(at)?.node, 1.0)], part))))
    }

    /// The middle of the nearest cell of a flat kind.
    fn flat(&self, at: [f64; 2], is: impl Fn(Kind) -> bool) -> Place {
        let cells =
            self.places().filter_map(|place| self.cell(place).filter(|cell| is(cell.kind)).map(|cell| (place, cell)));
        let far = |[i, j, _]: [usize; 3]| libm::hypot(self.middle(0, i) - at[0], self.middle(1, j) - at[1]);
        let nearest = cells.min_by(|a, b| far(a.0).total_cmp(&far(b.0)));
        vec![(nearest.map_or(self.air.0, |(_, cell)| cell.node), 1.0)]
    }

    /// Where a thermometer on a battery sits, from its corner (m). Between two it counts as on the first of them.
    pub(super) fn on_case(&self, spot: Spot) -> Option<(usize, [f64; 3])> {
        let [length, width, height] = self.case_m();
        let last = self.layout.batteries.len() - 1;
        // The long face towards a neighbour is the far one, except for the last battery. Air reaches the other face.
        let inner = |battery: usize| if battery < last { width } else { 0.0 };
        let outer = |battery: usize| width - inner(battery);
        match spot {
            Spot::Air | Spot::Plate => None,
            Spot::Base(battery) => Some((battery, [length / 2.0, inner(battery), 0.0])),
            Spot::Between(battery) => {
                let battery = if battery == last { battery.saturating_sub(1) } else { battery };
                Some((battery, [length / 2.0, inner(battery), height / 2.0]))
            }
            Spot::Top(battery) => Some((battery, [length / 2.0, width / 2.0, height])),
            Spot::Side(battery) => Some((battery, [length / 2.0, outer(battery), height / 2.0])),
            Spot::End(battery) => Some((battery, [0.0, width / 2.0, height / 2.0])),
            Spot::Bottom(battery) => Some((battery, [length / 2.0, width / 2.0, 0.0])),
            // The terminal with the bank's cable.
            Spot::Terminal(battery) if battery == last && last > 0 => {
                Some((battery, [length - TERMINAL_IN_M, width / 2.0, height]))
            }
            Spot::Terminal(battery) => Some((battery, [TERMINAL_IN_M, width / 2.0, height])),
            Spot::Point(battery, at) => Some((battery, at)),
        }
    }

    /// Where a thermometer on the plate sits, in plan (m): in the first gap between batteries, or by the long side of a
    /// single one.
    pub(super) fn spot_on_plate(&self) -> [f64; 2] {
        let first = &self.layout.batteries[0];
        let across = match self.layout.batteries.get(1) {
            Some(second) => f64::midpoint(first.to[1], second.from[1]),
            None => self.layout.plate.from[1],
        };
        [f64::midpoint(first.from[0], first.to[0]), across]
    }

    /// The surface that a thermometer is fixed to. `None` if it hangs in the air.
    pub(super) fn under(&self, spot: Spot) -> Option<Place> {
        if spot == Spot::Plate {
            return Some(self.on_plate(self.spot_on_plate()));
        }
        let (battery, at) = self.on_case(spot)?;
        let surface = self.in_battery(battery, at);
        match spot {
            // Half to each battery.
            Spot::Between(_) if battery + 1 < self.layout.batteries.len() => {
                let opposite = self.in_battery(battery + 1, [at[0], 0.0, at[2]]);
                Some(mixed([(surface, 0.5), (opposite, 0.5)]))
            }
            // In the middle of the joint, half of it to the plate and half to the face of the case.
            Spot::Bottom(_) => {
                let case = &self.layout.batteries[battery];
                let middle = [0, 1].map(|axis| f64::midpoint(case.from[axis], case.to[axis]));
                Some(mixed([(surface, 0.5), (self.on_plate(middle), 0.5)]))
            }
            _ => Some(surface),
        }
    }

    /// Measures of a case (m).
    pub(super) fn case_m(&self) -> [f64; 3] {
        let case = &self.layout.batteries[0];
        [case.to[0] - case.from[0], case.to[1] - case.from[1], self.layout.height_m]
    }
}

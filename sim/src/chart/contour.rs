//! Lines of one value through a field on a lattice, and the areas inside them.
//!
//! Source: marching squares. At a saddle, the mean of its corners decides which way the lines go. From memory.

use std::collections::BTreeMap;

/// Values at the crossings of columns and rows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lattice<'a> {
    /// Places of the columns, rising.
    pub(super) x: &'a [f64],
    /// Places of the rows, rising.
    pub(super) y: &'a [f64],
    /// Row by row.
    pub(super) values: &'a [f64],
}

pub(super) type Line = Vec<(f64, f64)>;

impl Lattice<'_> {
    fn value(&self, column: usize, row: usize) -> f64 {
        self.values[row * self.x.len() + column]
    }

    /// One number for an edge to the right of a crossing or above it.
    fn edge(&self, column: usize, row: usize, is_upright: bool) -> usize {
        2 * (row * self.x.len() + column) + usize::from(is_upright)
    }

    /// The point where the value is `level`, on an edge whose ends are on either side of it.
    fn crossing(&self, edge: usize, level: f64) -> (f64, f64) {
        let (column, row) = (edge / 2 % self.x.len(), edge / 2 / self.x.len());
        let (far_column, far_row) = if edge.is_multiple_of(2) { (column + 1, row) } else { (column, row + 1) };
        let (from, to) = (self.value(column, row), self.value(far_column, far_row));
        let part = (level - from) / (to - from);
        let between = |a: f64, b: f64| a + part * (b - a);
        (between(self.x[column], self.x[far_column]), between(self.y[row], self.y[far_row]))
    }

    /// The edges that a line crosses, in pairs.
    fn pieces(&self, level: f64) -> Vec<(usize, usize)> {
        let mut pieces = Vec::new();
        for row in 0..self.y.len().saturating_sub(1) {
            for column in 0..self.x.len().saturating_sub(1) {
                // Around the square, from the lower left.
                let corners = [(column, row), (column + 1, row), (column + 1, row + 1), (column, row + 1)]
                    .map(|(c, r)| self.value(c, r));
                let edges = [
                    self.edge(column, row, false),
                    self.edge(column + 1, row, true),
                    self.edge(column, row + 1, false),
                    self.edge(column, row, true),
                ];
                let above = corners.map(|value| value >= level);
                let crossed: Vec<usize> = (0..4).filter(|side| above[*side] != above[(side + 1) % 4]).collect();
                match *crossed {
                    [a, b] => pieces.push((edges[a], edges[b])),
                    [_, _, _, _] => {
                        let middle = corners.iter().sum::<f64>() / 4.0 >= level;
                        // The lines cut off the two corners that differ from the middle.
                        let pairs = if middle == above[0] { [(0, 1), (2, 3)] } else { [(3, 0), (1, 2)] };
                        pieces.extend(pairs.map(|(a, b)| (edges[a], edges[b])));
                    }
                    _ => {}
                }
            }
        }
        pieces
    }

    /// The lines on which the value is `level`. A closed one ends where it starts.
    pub(super) fn lines(&self, level: f64) -> Vec<Line> {
        let pieces = self.pieces(level);
        let mut at: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (index, (a, b)) in pieces.iter().enumerate() {
            at.entry(*a).or_default().push(index);
            at.entry(*b).or_default().push(index);
        }
        let mut used = vec![false; pieces.len()];
        let mut lines = Vec::new();
        // Lines from open ends come first. The rest are closed.
        let ends = at.iter().filter(|(_, pieces)| pieces.len() == 1).map(|(edge, _)| *edge);
        let starts: Vec<usize> = ends.chain(at.keys().copied()).collect();
        for start in starts {
            let mut edge = start;
            let mut line = Vec::new();
            while let Some(piece) = at[&edge].iter().copied().find(|piece| !used[*piece]) {
                used[piece] = true;
                if line.is_empty() {
                    line.push(self.crossing(edge, level));
                }
                let (a, b) = pieces[piece];
                edge = if a == edge { b } else { a };
                line.push(self.crossing(edge, level));
            }
            if !line.is_empty() {
                lines.push(line);
            }
        }
        lines
    }

    /// Closed lines around everything at `level` or above, along the lattice's edge if necessary. Fill them by the
    /// even-odd rule.
    pub(super) fn around(&self, level: f64) -> Vec<Line> {
        // A rim of no width, below the level.
        let rim = |at: &[f64]| -> Vec<f64> { at.first().into_iter().chain(at).chain(at.last()).copied().collect() };
        let (x, y) = (rim(self.x), rim(self.y));
        let mut values = Vec::with_capacity(x.len() * y.len());
        let below = level - 1.0;
        values.extend(std::iter::repeat_n(below, x.len()));
        for row in self.values.chunks(self.x.len().max(1)) {
            values.push(below);
            values.extend(row);
            values.push(below);
        }
        values.extend(std::iter::repeat_n(below, x.len()));
        Lattice { x: &x, y: &y, values: &values }.lines(level)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const X: [f64; 5] = [0.0, 0.1, 0.35, 0.7, 1.0];
    const Y: [f64; 4] = [0.0, 0.5, 0.6, 2.0];

    fn field(value: impl Fn(f64, f64) -> f64) -> Vec<f64> {
        Y.iter().flat_map(|y| X.iter().map(|x| value(*x, *y)).collect::<Vec<_>>()).collect()
    }

    /// Area within closed lines; the direction of each decides its sign.
    fn area(lines: &[Line]) -> f64 {
        let of =
            |line: &Line| line.windows(2).map(|pair| pair[0].0 * pair[1].1 - pair[1].0 * pair[0].1).sum::<f64>() / 2.0;
        lines.iter().map(|line| of(line).abs()).sum()
    }

    proptest! {
        #[test]
        fn a_line_through_a_linear_field_is_straight_and_at_its_place(
            a in -5.0..5.0_f64, b in -5.0..5.0_f64, c in -5.0..5.0_f64, part in 0.01..0.99_f64,
        ) {
            prop_assume!(a.abs() + b.abs() > 0.1);
            let values = field(|x, y| a * x + b * y + c);
            let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(low, high), t| (low.min(*t), high.max(*t)));
            let level = low + part * (high - low);
            let lines = Lattice { x: &X, y: &Y, values: &values }.lines(level);
            prop_assert_eq!(lines.len(), 1);
            for (x, y) in &lines[0] {
                prop_assert!((a * x + b * y + c - level).abs() < 1e-9);
            }
            // From edge to edge and never back: no longer than from one end to the other.
            let length = |pair: &[(f64, f64)]| libm::hypot(pair[1].0 - pair[0].0, pair[1].1 - pair[0].1);
            let walked: f64 = lines[0].windows(2).map(length).sum();
            let whole = length(&[lines[0][0], lines[0][lines[0].len() - 1]]);
            prop_assert!((walked - whole).abs() < 1e-9, "{} for {}", walked, whole);
            for (x, y) in [lines[0][0], lines[0][lines[0].len() - 1]] {
                let is_end = |at: f64, ends: &[f64]| (at - ends[0]).abs() < 1e-9 || (at - ends[ends.len() - 1]).abs() < 1e-9;
                prop_assert!(is_end(x, &X) || is_end(y, &Y));
            }
        }

        #[test]
        fn what_is_around_is_closed_and_is_the_whole_below_all_values_and_nothing_above(
            values in prop::collection::vec(-5.0..5.0_f64, 20),
        ) {
            let lattice = Lattice { x: &X, y: &Y, values: &values };
            prop_assert!((area(&lattice.around(-6.0)) - 2.0).abs() < 1e-9);
            prop_assert!(lattice.around(6.0).is_empty());
            for step in -10..10_i32 {
                for line in lattice.around(f64::from(step) / 2.0) {
                    prop_assert_eq!(line[0], line[line.len() - 1]);
                }
            }
        }
    }

    #[test]
    fn around_a_peak_and_beside_a_slope_lie_the_areas_that_they_should() {
        let slope = field(|x, _| x);
        let lattice = Lattice { x: &X, y: &Y, values: &slope };
        assert!((area(&lattice.around(0.25)) - 0.75 * 2.0).abs() < 1e-9);
        // One crossing above all others: a closed line around it, half way to its neighbours.
        let peak = field(|x, y| if (x, y) == (X[2], Y[1]) { 2.0 } else { 0.0 });
        let lines = Lattice { x: &X, y: &Y, values: &peak }.lines(1.0);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].len(), 5);
        let wide = lines[0].iter().map(|(x, _)| *x).fold(f64::MIN, f64::max)
            - lines[0].iter().map(|(x, _)| *x).fold(f64::MAX, f64::min);
        assert!((wide - (X[3] - X[1]) / 2.0).abs() < 1e-9);
    }

    #[test]
    fn a_saddle_is_crossed_as_the_mean_of_its_corners_says() {
        for (high, joined) in [(3.0, true), (1.1, false)] {
            // Warm at the lower left and the upper right.
            let values = [high, 0.0, 0.0, high];
            let lattice = Lattice { x: &[0.0, 1.0], y: &[0.0, 1.0], values: &values };
            let lines = lattice.lines(1.0);
            assert_eq!(lines.len(), 2);
            // If joined, the two corners are one area; otherwise each is its own.
            assert_eq!(lattice.around(1.0).len(), if joined { 1 } else { 2 });
        }
    }
}

//! Columns that are logged less often than others.
//!
//! A logger may write a voltage every second and a temperature every minute, in one file, with empty cells between. Such
//! a cell is filled in from the column's neighbours in time, as the gap between two rows would be, and under the same limit.
//! For that rows are held back until the column's next value has come, or could only come too late.

use super::plan::Number;
use super::rows::Row;
use std::collections::VecDeque;

/// Rows held back at most. With more to an hour than this, a column's long pause counts as a gap: memory stays bounded.
const MOST: usize = 1 << 15;

/// Fills in empty cells.
pub(super) struct Filler {
    /// The numbers that are interpolated in time.
    columns: Vec<Column>,
    longest_gap: i64,
    held: VecDeque<Row>,
    newest: i64,
}

struct Column {
    number: Number,
    /// Time and value of the latest cell that was not empty.
    latest: Option<(i64, f64)>,
}

impl Filler {
    /// Fills in `numbers` over gaps of at most `longest_gap` milliseconds.
    pub(super) fn new(numbers: impl IntoIterator<Item = Number>, longest_gap: i64) -> Self {
        let columns = numbers.into_iter().map(|number| Column { number, latest: None }).collect();
        Self { columns, longest_gap, held: VecDeque::new(), newest: 0 }
    }

    /// Takes the next row of the log and hands `on` every row in which nothing is left to fill in.
    #[inline]
    pub(super) fn take<E>(&mut self, row: Row, mut on: impl FnMut(Row) -> Result<(), E>) -> Result<(), E> {
        if self.held.is_empty() && self.columns.iter().all(|column| row.has(column.number)) {
            // The usual log has no empty cells.
            self.columns.iter_mut().for_each(|column| column.latest = Some((row.at, row.numbers[column.number])));
            return on(row);
        }
        self.push(row);
        while let Some(row) = self.pop() {
            on(row)?;
        }
        Ok(())
    }

    fn push(&mut self, row: Row) {
        for Column { number, latest } in &mut self.columns {
            if !row.has(*number) {
                continue;
            }
            let value = row.numbers[*number];
            if let Some((since, from)) = latest.replace((row.at, value))
                && row.at - since <= self.longest_gap
            {
                for between in self.held.iter_mut().rev().take_while(|between| between.at > since) {
                    between.numbers[*number] = interpolate((since, from), (row.at, value), between.at);
                }
            }
        }
        self.newest = row.at;
        self.held.push_back(row);
    }

    /// The oldest row in which nothing is left to fill in.
    fn pop(&mut self) -> Option<Row> {
        let oldest = self.held.front()?;
        if self.held.len() <= MOST && self.columns.iter().any(|column| self.is_open(column, oldest)) {
            return None;
        }
        self.held.pop_front()
    }

    /// The oldest row as it is: the log has ended, or nobody wants to wait.
    pub(super) fn flush(&mut self) -> Option<Row> {
        self.held.pop_front()
    }

    /// Whether the empty cell of `row` may yet be filled in.
    fn is_open(&self, column: &Column, row: &Row) -> bool {
        !row.has(column.number)
            && column.latest.is_some_and(|(since, _)| since < row.at && self.newest - since < self.longest_gap)
    }
}

/// The value at `at` on the straight line from one moment to another.
#[inline]
pub(super) fn interpolate((from_at, from): (i64, f64), (to_at, to): (i64, f64), at: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of a gap: far below 2^53")]
    let part = (at - from_at) as f64 / (to_at - from_at) as f64;
    from + (to - from) * part
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn row(at: i64, value: Option<f64>) -> Row {
        let mut row = Row::new(at);
        row.numbers[0] = value.unwrap_or(f64::NAN);
        row
    }

    fn filled(rows: &[(i64, Option<f64>)], longest_gap: i64) -> Vec<(i64, Option<f64>)> {
        let mut filler = Filler::new([0], longest_gap);
        let mut out = Vec::new();
        for &(at, value) in rows {
            filler
                .take(row(at, value), |row| {
                    out.push(row);
                    Ok::<_, ()>(())
                })
                .unwrap();
        }
        out.extend(std::iter::from_fn(|| filler.flush()));
        out.iter().map(|row| (row.at, row.has(0).then_some(row.numbers[0]))).collect()
    }

    #[test]
    fn empty_cells_lie_on_the_line_between_their_neighbours() {
        let rows = [(0, Some(1.0)), (10, None), (30, None), (40, Some(5.0)), (50, None)];
        let expected = [(0, Some(1.0)), (10, Some(2.0)), (30, Some(4.0)), (40, Some(5.0)), (50, None)];
        assert_eq!(filled(&rows, 40), expected);
    }

    #[test]
    fn a_pause_over_the_limit_stays_empty() {
        let rows = [(0, Some(1.0)), (10, None), (41, Some(5.0))];
        assert_eq!(filled(&rows, 40), rows);
    }

    #[test]
    fn a_column_that_never_comes_back_holds_no_rows_for_longer_than_the_limit() {
        let mut filler = Filler::new([0], 100);
        filler.take(row(0, Some(1.0)), |_| Ok::<_, ()>(())).unwrap();
        for at in 1..1000 {
            filler.take(row(at, None), |_| Ok::<_, ()>(())).unwrap();
            assert!(filler.held.len() <= 100, "{} rows held", filler.held.len());
        }
    }

    #[test]
    fn rows_held_are_bounded_however_dense_the_log() {
        let mut filler = Filler::new([0], i64::MAX);
        filler.take(row(0, Some(1.0)), |_| Ok::<_, ()>(())).unwrap();
        for at in 1..100_000 {
            filler.take(row(at, None), |_| Ok::<_, ()>(())).unwrap();
            assert!(filler.held.len() <= MOST);
        }
    }

    proptest! {
        #[test]
        fn every_row_comes_out_once_in_order_and_no_value_changes(
            cells in proptest::collection::vec((1..50_i64, proptest::option::of(-10.0..10.0_f64)), 0..60),
            longest_gap in 1..200_i64,
        ) {
            let mut at = 0;
            let rows: Vec<_> = cells.into_iter().map(|(step, value)| { at += step; (at, value) }).collect();
            let out = filled(&rows, longest_gap);
            prop_assert_eq!(rows.len(), out.len());
            for (index, (given, got)) in rows.iter().zip(&out).enumerate() {
                prop_assert_eq!(given.0, got.0);
                // What a slow, obvious search through the whole log says about an empty cell.
                let before = rows[..index].iter().rev().find_map(|&(at, value)| Some((at, value?)));
                let after = rows[index..].iter().find_map(|&(at, value)| Some((at, value?)));
                let expected = given.1.or(match (before, after) {
                    (Some(from), Some(to)) if to.0 - from.0 <= longest_gap => Some(interpolate(from, to, given.0)),
                    _ => None,
                });
                prop_assert_eq!(expected, got.1);
            }
        }
    }
}

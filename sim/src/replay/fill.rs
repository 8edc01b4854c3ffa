//! Fills in columns that are logged less often than others.
//!
//! A logger may write a voltage every second and a temperature every minute in one file, and leave cells empty in
//! between. The filler interpolates such a cell from the column's neighbours in time, as it does the pause between two
//! rows. Both have a limit. Unless the user sets one, the usual interval sets it: the column's interval for a cell, the
//! rows' interval for a pause between two rows. In a log of every ten seconds, a sensor without values for half an hour
//! is lost, and not slow. The filler holds rows back until the column's next value has come, or could only come too
//! late.

use super::assignment::Number;
use super::rows::Row;
use std::collections::VecDeque;

/// Most rows held back. If an hour has more rows than this, a column's long pause counts as a gap. So memory stays
/// bounded.
const MOST: usize = 1 << 15;

/// After this many intervals the usual interval counts as known. Each later interval has a weight of one in as many.
const ENOUGH: i64 = 8;
/// The usual interval explains a gap of up to this many intervals.
const TIMES: i64 = 3;
/// How many gaps of a column the report lists one by one.
const NAMED: usize = 3;

/// The longest gap to fill in. Times are in milliseconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limit {
    longest: i64,
    /// The age that a reading may have. A gap up to this is of no account.
    least: i64,
    /// Whether the user set `longest`. Then the log's own intervals do not shorten it.
    literal: bool,
    /// The time within which the log says that its next row comes. In such a log nothing was measured at an empty cell.
    stated: Option<i64>,
}

/// The longest gap to fill in, unless the user sets another.
const LONGEST: i64 = 3_600_000;

impl Limit {
    /// The limit is `longest` if the user set it; otherwise the interval `stated` in the log; otherwise what the log's
    /// own intervals explain, [`LONGEST`] at most. Gaps of `least` are filled in whatever the intervals.
    pub(super) fn new(longest: Option<i64>, stated: Option<i64>, least: i64) -> Self {
        let stated = stated.filter(|_| longest.is_none());
        Self { longest: longest.unwrap_or(LONGEST), least, literal: longest.is_some(), stated }
    }

    /// The longest pause between two rows to fill in, for rows at this cadence.
    fn of_rows(self, cadence: Cadence) -> i64 {
        self.stated.unwrap_or_else(|| self.of(cadence))
    }

    /// The longest gap to fill in, for values at this cadence.
    fn of(self, cadence: Cadence) -> i64 {
        if self.stated.is_some() {
            return 0;
        }
        if self.literal || cadence.seen < ENOUGH { self.longest } else { self.longest.min(self.explained(cadence)) }
    }

    /// The longest gap that this cadence explains.
    fn explained(self, cadence: Cadence) -> i64 {
        self.least.max(cadence.usual.saturating_mul(TIMES))
    }
}

/// The usual interval between values: the mean of the first few, then a mean that follows slowly.
#[derive(Clone, Copy, Debug, Default)]
struct Cadence {
    seen: i64,
    usual: i64,
}

impl Cadence {
    #[inline]
    fn add(&mut self, interval: i64) {
        if self.seen < ENOUGH {
            self.seen += 1;
            self.usual += (interval - self.usual) / self.seen;
        } else {
            // A hole widens the usual interval by a quarter at most, however long the hole is: it must not explain the
            // next hole.
            self.usual += (interval.min(self.usual.saturating_mul(TIMES)) - self.usual) / ENOUGH;
        }
    }
}

/// The gaps filled in, for one column. Times are in milliseconds; moments count from the first row.
#[derive(Clone, Debug, Default)]
pub(super) struct Bridged {
    pub(super) time: i64,
    pub(super) count: u64,
    /// Start and end of the longest gaps, the longest first.
    pub(super) longest: Vec<(i64, i64)>,
}

impl Bridged {
    fn add(&mut self, from: i64, to: i64) {
        self.time += to - from;
        self.count += 1;
        let place = self.longest.partition_point(|(a, b)| b - a >= to - from);
        if place < NAMED {
            self.longest.truncate(NAMED - 1);
            self.longest.insert(place, (from, to));
        }
    }
}

/// Fills in empty cells, and marks the pauses between rows that are too long to fill in.
pub(super) struct Filler {
    limit: Limit,
    /// The numbers that are interpolated in time.
    columns: Vec<Column>,
    rows: Cadence,
    held: VecDeque<Row>,
    newest: Option<i64>,
}

struct Column {
    number: Number,
    plausible: (f64, f64),
    cadence: Cadence,
    /// Time and value of the latest cell that was not empty.
    latest: Option<(i64, f64)>,
    bridged: Bridged,
}

impl Column {
    /// Takes the column's next value, and returns the one before.
    #[inline]
    fn meet(&mut self, at: i64, value: f64) -> Option<(i64, f64)> {
        let before = self.latest.replace((at, value));
        if let Some((since, _)) = before {
            self.cadence.add(at - since);
        }
        before
    }
}

impl Filler {
    /// Fills in `numbers` over gaps within `limit`. Each number comes with the lowest and highest value that it can
    /// have.
    pub(super) fn new(numbers: impl IntoIterator<Item = (Number, (f64, f64))>, limit: Limit) -> Self {
        let column = |(number, plausible)| Column {
            number,
            plausible,
            cadence: Cadence::default(),
            latest: None,
            bridged: Bridged::default(),
        };
        let columns = numbers.into_iter().map(column).collect();
        Self { limit, columns, rows: Cadence::default(), held: VecDeque::new(), newest: None }
    }

    /// The gaps filled in, for each of the numbers.
    pub(super) fn bridged(&self) -> impl Iterator<Item = &Bridged> {
        self.columns.iter().map(|column| &column.bridged)
    }

    /// Takes the next row of the log, and passes to `on` every row with nothing left to fill in.
    #[inline]
    pub(super) fn take<E>(&mut self, mut row: Row, mut on: impl FnMut(Row) -> Result<(), E>) -> Result<(), E> {
        if let Some(newest) = self.newest.replace(row.at) {
            let pause = row.at - newest;
            row.after_pause = pause > self.limit.of_rows(self.rows);
            if self.limit.stated.is_none()
                && pause > self.limit.explained(self.rows)
                && self.rows.seen > 0
                && !row.after_pause
            {
                self.note_pause(newest, &row);
            }
            self.rows.add(pause);
        }
        if self.held.is_empty() && self.columns.iter().all(|column| row.has(column.number)) {
            // The usual log has no empty cells.
            for column in &mut self.columns {
                column.meet(row.at, row.numbers[column.number]);
            }
            return on(row);
        }
        self.push(row);
        while let Some(row) = self.pop() {
            on(row)?;
        }
        Ok(())
    }

    /// Notes that the pause from the row at `from` to `row` is filled in. The log's rows usually come closer together.
    #[cold]
    fn note_pause(&mut self, from: i64, row: &Row) {
        for column in &mut self.columns {
            if row.has(column.number) && column.latest.is_some_and(|(since, _)| since == from) {
                column.bridged.add(from, row.at);
            }
        }
    }

    fn push(&mut self, row: Row) {
        for column in &mut self.columns {
            let number = column.number;
            if !row.has(number) {
                continue;
            }
            let value = row.numbers[number];
            let limit = self.limit.of(column.cadence);
            let Some((since, from)) = column.meet(row.at, value) else { continue };
            if row.at - since > limit {
                continue;
            }
            let broken = broken(column.plausible, from, value);
            let mut filled = false;
            for between in self.held.iter_mut().rev().take_while(|between| between.at > since) {
                let line = || interpolate((since, from), (row.at, value), between.at);
                between.numbers[number] = broken.unwrap_or_else(line);
                filled = true;
            }
            if filled {
                column.bridged.add(since, row.at);
            }
        }
        self.held.push_back(row);
    }

    /// The oldest row, if it has nothing left to fill in.
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

    /// Whether the empty cell of `row` may still be filled in.
    fn is_open(&self, column: &Column, row: &Row) -> bool {
        let (Some((since, _)), Some(newest)) = (column.latest, self.newest) else { return false };
        !row.has(column.number) && since < row.at && newest - since < self.limit.of(column.cadence)
    }
}

/// The one of two values that cannot be, if there is one. The column shows it for all the time between the two: nobody
/// knows when it began, and a doubtful reading takes permission away.
pub(super) fn broken((low, high): (f64, f64), from: f64, to: f64) -> Option<f64> {
    [from, to].into_iter().find(|value| !(low..=high).contains(value))
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

    const ANY: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);

    fn exactly(longest_gap: i64) -> Limit {
        Limit::new(Some(longest_gap), None, 0)
    }

    fn filled(rows: &[(i64, Option<f64>)], limit: Limit) -> Vec<(i64, Option<f64>)> {
        let mut filler = Filler::new([(0, ANY)], limit);
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
        assert_eq!(filled(&rows, exactly(40)), expected);
    }

    #[test]
    fn no_line_leads_to_what_cannot_be() {
        for (from, to, shown) in [(1.0, 850.0, 850.0), (-999.0, 1.0, -999.0)] {
            let mut filler = Filler::new([(0, (-45.0, 100.0))], exactly(40));
            let mut out = Vec::new();
            for (at, value) in [(0, Some(from)), (10, None), (20, Some(to))] {
                filler
                    .take(row(at, value), |row| {
                        out.push(row.numbers[0]);
                        Ok::<_, ()>(())
                    })
                    .unwrap();
            }
            assert_eq!(out, [from, shown, to]);
        }
    }

    #[test]
    fn a_pause_over_the_limit_stays_empty() {
        let rows = [(0, Some(1.0)), (10, None), (41, Some(5.0))];
        assert_eq!(filled(&rows, exactly(40)), rows);
    }

    #[test]
    fn unasked_a_gap_is_bridged_as_far_as_the_columns_own_intervals_explain_it() {
        // A value every 10, with one gap of `gap`.
        let rows = |gap: i64| {
            let before = (0..=200).map(|at| (at, (at % 10 == 0).then_some(1.0)));
            let empty = (201..200 + gap).map(|at| (at, None));
            let after = (200 + gap..400).map(move |at| (at, ((at - gap) % 10 == 0).then_some(1.0)));
            before.chain(empty).chain(after).collect::<Vec<_>>()
        };
        for (gap, least, bridged) in [(30, 0, true), (31, 0, false), (50, 50, true), (51, 50, false)] {
            let out = filled(&rows(gap), Limit::new(None, None, least));
            assert_eq!(out[201].1.is_some(), bridged, "{gap}, at least {least}");
            assert!(out[..200].iter().all(|(_, value)| value.is_some()));
        }
    }

    #[test]
    fn no_hole_is_explained_by_the_hole_before() {
        let mut cadence = Cadence::default();
        (0..100).for_each(|_| cadence.add(10));
        let limit = Limit::new(None, None, 0);
        cadence.add(3000);
        assert!(limit.of(cadence) < 40, "{}", limit.of(cadence));
        (0..100).for_each(|_| cadence.add(600));
        assert!(limit.of(cadence) > 600, "another pace is followed: {}", limit.of(cadence));
    }

    #[test]
    fn what_is_bridged_is_told_with_the_longest_gaps() {
        let mut filler = Filler::new([(0, ANY)], exactly(100));
        for (at, value) in [(0, Some(1.0)), (1, None), (2, Some(1.0)), (5, None), (6, Some(1.0)), (7, Some(1.0))] {
            filler.take(row(at, value), |_| Ok::<_, ()>(())).unwrap();
        }
        let told = filler.bridged().next().unwrap();
        assert_eq!((told.time, told.count, &told.longest), (6, 2, &vec![(2, 6), (0, 2)]));
        // The limit covers this pause, which is far longer than the rows' usual interval.
        filler.take(row(107, Some(1.0)), |row| (!row.after_pause).then_some(()).ok_or(())).unwrap();
        assert_eq!(filler.bridged().next().unwrap().longest[0], (7, 107));
        filler.take(row(208, Some(1.0)), |row| row.after_pause.then_some(()).ok_or(())).unwrap();
        assert_eq!(filler.bridged().next().unwrap().count, 3);
    }

    #[test]
    fn a_column_that_never_comes_back_holds_no_rows_for_longer_than_the_limit() {
        let mut filler = Filler::new([(0, ANY)], exactly(100));
        filler.take(row(0, Some(1.0)), |_| Ok::<_, ()>(())).unwrap();
        for at in 1..1000 {
            filler.take(row(at, None), |_| Ok::<_, ()>(())).unwrap();
            assert!(filler.held.len() <= 100, "{} rows held", filler.held.len());
        }
    }

    #[test]
    fn rows_held_are_bounded_however_dense_the_log() {
        let mut filler = Filler::new([(0, ANY)], exactly(i64::MAX));
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
            let out = filled(&rows, exactly(longest_gap));
            prop_assert_eq!(rows.len(), out.len());
            for (index, (given, got)) in rows.iter().zip(&out).enumerate() {
                prop_assert_eq!(given.0, got.0);
                // A slow, obvious search through the whole log finds what an empty cell should hold.
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

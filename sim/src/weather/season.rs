//! Cuts a winter out of longer weather.

use super::read::LONGEST_GAP_S;
use super::{Point, Weather};
use crate::csv_text::dates::{Shown, seconds};
use crate::diagnostic::Problem;
use jiff::ToSpan;
use jiff::civil::{Date, DateTime};

/// A day (s).
const DAY_S: i64 = 24 * 3600;

impl Weather {
    /// `days` days from a local midnight on, with `offset_k` added to every temperature. They begin at the first
    /// midnight of that month and day, or at the first midnight of all. Weather of one or more whole years repeats: its
    /// end joins its beginning. Messages call it `file`.
    ///
    /// The first point lies at second 0, the last at the end of the last day.
    ///
    /// # Errors
    /// Weather that is too short for it. The message says what the weather covers.
    pub fn season(&self, file: &str, from: Option<(i8, i8)>, days: u32, offset_k: f64) -> Result<Self, Problem> {
        let span_s = i64::from(days) * DAY_S;
        if days == 0 {
            return Err(Problem::error(file, "a season of no days").remedy("one day or more"));
        }
        let midnights = self.midnights(from);
        let fits = |midnight: &&DateTime| {
            let from_s = seconds(self.start, **midnight);
            from_s >= 0 && from_s + span_s <= self.span_s()
        };
        let (begin, round_s) = match (midnights.iter().find(fits), midnights.first(), self.round_s()) {
            (Some(&begin), _, _) => (begin, None),
            // When weather repeats, its first day is whole even if its first point lies an hour after midnight.
            (None, Some(&begin), Some(round_s)) => (begin, Some(round_s)),
            (None, _, _) => return Err(self.too_short(file, from, days)),
        };
        let from_s = seconds(self.start, begin);
        Ok(Self { start: begin, points: self.cut(from_s, span_s, round_s, offset_k), ..*self })
    }

    /// The time after which the weather repeats: as many whole years as it covers. `None` if it covers none.
    fn round_s(&self) -> Option<i64> {
        let length = |years: i64| self.start.checked_add(years.years()).ok().map(|end| seconds(self.start, end));
        let covered = |&round_s: &i64| self.span_s() + LONGEST_GAP_S >= round_s;
        (1..).map_while(length).take_while(covered).last()
    }

    /// Midnights at which a season may begin, in order, none before the first day.
    fn midnights(&self, from: Option<(i8, i8)>) -> Vec<DateTime> {
        let first = self.start.date();
        let dates: Vec<Date> = match from {
            None => vec![first, first.tomorrow().unwrap_or(first)],
            Some((month, day)) => {
                let last = self.start.saturating_add(jiff::SignedDuration::from_secs(self.span_s())).date();
                let years = first.year()..=last.year();
                years.filter_map(|year| Date::new(year, month, day).ok()).filter(|&date| date >= first).collect()
            }
        };
        dates.into_iter().map(|date| date.at(0, 0, 0, 0)).collect()
    }

    /// The points from `from_s` on for `span_s`, interpolated at both ends.
    fn cut(&self, from_s: i64, span_s: i64, round_s: Option<i64>, offset_k: f64) -> Vec<Point> {
        let mut source = Around::new(&self.points, round_s, from_s);
        let shifted =
            |point: Point| Point { at_s: point.at_s - from_s, outside_c: point.outside_c + offset_k, ..point };
        let mut points = Vec::new();
        let Some(mut before) = source.next() else { return points };
        if before.at_s == from_s {
            points.push(shifted(before));
        }
        for at_or_after in source {
            for end_s in [from_s, from_s + span_s] {
                if before.at_s < end_s && end_s < at_or_after.at_s {
                    points.push(shifted(between(before, at_or_after, end_s)));
                }
            }
            if (from_s..=from_s + span_s).contains(&at_or_after.at_s) {
                points.push(shifted(at_or_after));
            }
            if at_or_after.at_s >= from_s + span_s {
                break;
            }
            before = at_or_after;
        }
        points
    }

    fn too_short(&self, file: &str, from: Option<(i8, i8)>, days: u32) -> Problem {
        let end = self.start.saturating_add(jiff::SignedDuration::from_secs(self.span_s()));
        let wanted = match from {
            Some((month, day)) => match Date::new(2000, month, day) {
                Ok(date) => format!("{days} days from {}", date.strftime("%-d %B")),
                Err(_) => format!("day {day} of month {month}"),
            },
            None => format!("{days} days from its first midnight"),
        };
        let covers = self.span_s() / DAY_S;
        let message = format!("covers {} to {} ({covers} days), not {wanted}", Shown(self.start), Shown(end));
        Problem::error(file, message)
            .because("weather repeats only if it covers a whole year")
            .remedy("fewer days, another first day, or weather of a whole year")
    }
}

/// The weather between two points, at `at_s`: the temperature on the straight line, and the means of the time between
/// them.
pub(super) fn between(before: Point, after: Point, at_s: i64) -> Point {
    #[expect(clippy::cast_precision_loss, reason = "seconds of some years; a f64 counts to 2⁵³")]
    let part = (at_s - before.at_s) as f64 / (after.at_s - before.at_s) as f64;
    Point { at_s, outside_c: before.outside_c + part * (after.outside_c - before.outside_c), ..after }
}

/// The points in order, from the last one at or before a moment, and again and again if the weather repeats.
struct Around<'a> {
    points: &'a [Point],
    round_s: Option<i64>,
    turn_s: i64,
    next: usize,
}

impl<'a> Around<'a> {
    fn new(points: &'a [Point], round_s: Option<i64>, from_s: i64) -> Self {
        let Some(round_s) = round_s else {
            let next = points.partition_point(|point| point.at_s <= from_s).saturating_sub(1);
            return Self { points, round_s: None, turn_s: 0, next };
        };
        // The beginning already holds the season of what lies beyond the last whole year.
        let points = &points[..points.partition_point(|point| point.at_s < round_s)];
        let turn_s = from_s.div_euclid(round_s) * round_s;
        let next = points.partition_point(|point| point.at_s + turn_s <= from_s);
        match next.checked_sub(1) {
            Some(next) => Self { points, round_s: Some(round_s), turn_s, next },
            None => {
                Self { points, round_s: Some(round_s), turn_s: turn_s - round_s, next: points.len().saturating_sub(1) }
            }
        }
    }
}

impl Iterator for Around<'_> {
    type Item = Point;

    fn next(&mut self) -> Option<Point> {
        if self.next >= self.points.len() {
            self.turn_s += self.round_s?;
            self.next = 0;
        }
        let point = self.points.get(self.next)?;
        self.next += 1;
        Some(Point { at_s: point.at_s + self.turn_s, ..*point })
    }
}

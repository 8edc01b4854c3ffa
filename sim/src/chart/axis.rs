//! Places and labels of ticks.

use crate::figures::fixed;
use jiff::civil::{DateTime, Time};
use jiff::{SignedDuration, ToSpan};

/// A place on an axis and its label.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Tick<T> {
    pub(crate) at: T,
    pub(crate) label: String,
}

/// A range of temperatures in °C, and the ticks within: at most nine, at multiples of 1, 2 or 5 times a power of ten.
pub(crate) fn temperatures(low: f64, high: f64) -> (f64, f64, Vec<Tick<f64>>) {
    values(low, high, 7.0)
}

/// A range that holds `low` and `high`, and about `wanted` ticks within it.
pub(crate) fn values(low: f64, high: f64, wanted: f64) -> (f64, f64, Vec<Tick<f64>>) {
    let span = (high - low).max(1.0);
    let mut step = 0.2;
    for factor in [2.5, 2.0, 2.0].iter().cycle() {
        if span / step <= wanted {
            break;
        }
        step *= factor;
    }
    let first = (low / step).floor();
    // An empty range on a tick still needs a second tick.
    let last = (high / step).ceil().max(first + 1.0);
    let mut ticks = Vec::new();
    let mut count = first;
    while count <= last {
        let at = count * step;
        let label = fixed(at, usize::from(step < 1.0));
        ticks.push(Tick { at, label });
        count += 1.0;
    }
    (first * step, last * step, ticks)
}

const SECOND: i64 = 1000;
const MINUTE: i64 = 60 * SECOND;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

/// Steps between ticks up to a week. Each up to a day divides a day.
const STEPS: [i64; 20] = [
    SECOND,
    2 * SECOND,
    5 * SECOND,
    10 * SECOND,
    15 * SECOND,
    30 * SECOND,
    MINUTE,
    2 * MINUTE,
    5 * MINUTE,
    10 * MINUTE,
    15 * MINUTE,
    30 * MINUTE,
    HOUR,
    2 * HOUR,
    3 * HOUR,
    6 * HOUR,
    12 * HOUR,
    DAY,
    2 * DAY,
    7 * DAY,
];

/// Largest number of ticks.
const MOST: i64 = 12;

fn step(span: i64) -> Option<i64> {
    STEPS.into_iter().find(|step| span / step <= MOST)
}

/// Ticks of a time axis of `span` milliseconds from `start`, in milliseconds from there.
pub(crate) fn dates(start: DateTime, span: i64) -> Vec<Tick<i64>> {
    step(span).map_or_else(|| calendar(start, span), |step| clock(start, span, step))
}

/// Ticks of a time axis of `span` milliseconds without dates, in milliseconds, and the unit of their labels.
pub(crate) fn elapsed(span: i64) -> (Vec<Tick<i64>>, &'static str) {
    let step = step(span).unwrap_or_else(|| (span / MOST / DAY + 1) * DAY);
    let units = [(DAY, "d"), (HOUR, "h"), (MINUTE, "min")];
    let (unit, name) = units.into_iter().find(|(unit, _)| step >= *unit).unwrap_or((SECOND, "s"));
    let ticks = (0..=span / step).map(|count| Tick { at: count * step, label: (count * step / unit).to_string() });
    (ticks.collect(), name)
}

/// Ticks at multiples of `step` of the clock.
fn clock(start: DateTime, span: i64, step: i64) -> Vec<Tick<i64>> {
    let since = millis(DateTime::constant(1970, 1, 1, 0, 0, 0, 0), start);
    let first = (step - since.rem_euclid(step)) % step;
    // This is negative if the axis ends before the first tick.
    let last = (span - first).div_euclid(step);
    (0..=last)
        .map(|count| first + count * step)
        .filter_map(|at| {
            let date = start.checked_add(SignedDuration::from_millis(at)).ok()?;
            let form = match step {
                _ if date.time() == Time::midnight() => "%m-%d",
                ..MINUTE => "%H:%M:%S",
                _ => "%H:%M",
            };
            Some(Tick { at, label: date.strftime(form).to_string() })
        })
        .collect()
}

/// Ticks at the first of months.
fn calendar(start: DateTime, span: i64) -> Vec<Tick<i64>> {
    let months = span / (30 * DAY);
    let step = [1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200].into_iter().find(|step| months / step <= MOST);
    let step = step.unwrap_or(12_000);
    let mut ticks = Vec::new();
    let from_year = i64::from(start.year()) * 12 + i64::from(start.month()) - 1;
    // The first month at or after the start that is a multiple of the step since the year 0.
    let mut ahead = (step - from_year.rem_euclid(step)) % step;
    while let Ok(date) = start.date().first_of_month().checked_add(ahead.months()) {
        let date = date.to_datetime(Time::midnight());
        let at = millis(start, date);
        if at > span {
            break;
        }
        if at >= 0 {
            let form = if step < 12 { "%Y-%m" } else { "%Y" };
            ticks.push(Tick { at, label: date.strftime(form).to_string() });
        }
        ahead += step;
    }
    ticks
}

/// Milliseconds from `a` to `b`. Dates are within 20 000 years, so the number fits.
fn millis(a: DateTime, b: DateTime) -> i64 {
    let between = b.duration_since(a);
    between.as_secs() * SECOND + i64::from(between.subsec_millis())
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::datetime;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_axis_has_a_few_ticks_in_order_within_its_range(
            low in -60.0..60.0_f64, width in 0.0..200.0_f64, span in 1_i64..4_000_000_000_000, dated: bool,
        ) {
            let (bottom, top, ticks) = temperatures(low, low + width);
            prop_assert!(bottom <= low && top >= low + width);
            prop_assert!((2..=10).contains(&ticks.len()), "{ticks:?}");
            let ticks = if dated { dates(datetime(2001, 1, 1, 1, 0, 0, 0), span) } else { elapsed(span).0 };
            prop_assert!(ticks.len() <= 16, "{ticks:?}");
            prop_assert!(ticks.windows(2).all(|pair| pair[0].at < pair[1].at));
            prop_assert!(ticks.iter().all(|tick| (0..=span).contains(&tick.at)));
        }
    }

    #[test]
    fn a_range_of_nothing_has_an_axis() {
        for value in [-5.0, 0.0, 0.2, 5.0] {
            let (bottom, top, ticks) = values(value, value, 3.0);
            assert!(bottom <= value && value <= top && bottom < top && ticks.len() >= 2, "{bottom} {top} {ticks:?}");
        }
    }

    #[test]
    fn a_year_is_marked_by_months_and_a_day_by_hours() {
        let labels = |span| {
            let ticks = dates(datetime(2001, 1, 1, 1, 0, 0, 0), span);
            ticks.into_iter().map(|tick| tick.label).collect::<Vec<_>>()
        };
        assert_eq!(labels(365 * DAY)[..3], ["2001-02", "2001-03", "2001-04"]);
        assert_eq!(labels(DAY)[..3], ["02:00", "04:00", "06:00"]);
        assert!(labels(DAY).contains(&"01-02".to_owned()));
    }
}

//! Where ticks go and what they say.

use super::super::clock::Dial;
use jiff::{ToSpan, ZonedDateTime};

/// A place on an axis and its label.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Tick<T> {
    pub(super) at: T,
    pub(super) label: String,
}

/// A range of temperatures to show, in °C, and the ticks within: at most nine, at multiples of 1, 2 or 5 times a power of ten.
pub(super) fn temperatures(low: f64, high: f64) -> (f64, f64, Vec<Tick<f64>>) {
    let span = (high - low).max(1.0);
    let mut step = 0.2;
    for factor in [2.5, 2.0, 2.0].iter().cycle() {
        if span / step <= 7.0 {
            break;
        }
        step *= factor;
    }
    let (first, last) = ((low / step).floor(), (high / step).ceil());
    let mut ticks = Vec::new();
    let mut count = first;
    while count <= last {
        let at = count * step;
        // Minus zero is no temperature.
        let label = if step < 1.0 { format!("{:.1}", at + 0.0) } else { format!("{:.0}", at + 0.0) };
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

/// Ticks wanted at most.
const MOST: i64 = 12;

/// Ticks of the time axis, in milliseconds since the first row, and the axis' caption.
pub(super) fn times(dial: &Dial, span: i64) -> (Vec<Tick<i64>>, String) {
    let step = STEPS.into_iter().find(|step| span / step <= MOST);
    match (dial.date(0), step) {
        (None, step) => elapsed(span, step.unwrap_or_else(|| (span / MOST / DAY + 1) * DAY)),
        (Some(start), Some(step)) => (clock(&start, dial, span, step), caption(&start)),
        (Some(start), None) => (calendar(&start, span), caption(&start)),
    }
}

fn caption(start: &ZonedDateTime) -> String {
    format!("date and time, UTC{}", start.strftime("%:z"))
}

fn elapsed(span: i64, step: i64) -> (Vec<Tick<i64>>, String) {
    let units = [(DAY, "d"), (HOUR, "h"), (MINUTE, "min")];
    let (unit, name) = units.into_iter().find(|(unit, _)| step >= *unit).unwrap_or((SECOND, "s"));
    let ticks = (0..=span / step).map(|count| Tick { at: count * step, label: (count * step / unit).to_string() });
    (ticks.collect(), format!("time since the first row, {name}"))
}

/// Ticks at multiples of `step` of the local clock.
fn clock(start: &ZonedDateTime, dial: &Dial, span: i64, step: i64) -> Vec<Tick<i64>> {
    let local = start.timestamp().as_millisecond() + i64::from(start.offset().seconds()) * 1000;
    let first = (step - local.rem_euclid(step)) % step;
    // Fewer than none where the log ends before the first.
    let last = (span - first).div_euclid(step);
    (0..=last)
        .map(|count| first + count * step)
        .filter_map(|at| {
            let date = dial.date(at)?;
            let midnight = date.time() == jiff::civil::Time::midnight();
            let form = match step {
                _ if midnight => "%m-%d",
                ..MINUTE => "%H:%M:%S",
                _ => "%H:%M",
            };
            Some(Tick { at, label: date.strftime(form).to_string() })
        })
        .collect()
}

/// Ticks at the first of months.
fn calendar(start: &ZonedDateTime, span: i64) -> Vec<Tick<i64>> {
    let months = span / (30 * DAY);
    let step = [1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200].into_iter().find(|step| months / step <= MOST);
    let step = step.unwrap_or(12_000);
    let mut ticks = Vec::new();
    let from_year = i64::from(start.year()) * 12 + i64::from(start.month()) - 1;
    // The first month at or after the start that is a multiple of the step since the year 0.
    let mut ahead = (step - from_year.rem_euclid(step)) % step;
    while let Some(date) = start
        .first_of_month()
        .ok()
        .and_then(|month| month.start_of_day().ok())
        .and_then(|month| month.checked_add(ahead.months()).ok())
    {
        let at = date.timestamp().as_millisecond() - start.timestamp().as_millisecond();
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

#[cfg(test)]
mod tests {
    use super::super::super::clock::TimeFormat;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_axis_has_a_few_ticks_in_order_within_its_range(
            low in -60.0..60.0_f64, width in 0.0..200.0_f64, span in 1_i64..4_000_000_000_000, dated: bool,
        ) {
            let (bottom, top, ticks) = temperatures(low, low + width);
            prop_assert!(bottom <= low && top >= low + width);
            prop_assert!((2..=10).contains(&ticks.len()), "{ticks:?}");
            let field = b"2001-01-01T01:00:00-09:00";
            let format = if dated { TimeFormat::Rfc3339 } else { TimeFormat::ElapsedSeconds };
            let dial = Dial::new(format, field, 978_343_200_000);
            let (ticks, _) = times(&dial, span);
            prop_assert!(ticks.len() <= 16, "{ticks:?}");
            prop_assert!(ticks.windows(2).all(|pair| pair[0].at < pair[1].at));
            prop_assert!(ticks.iter().all(|tick| (0..=span).contains(&tick.at)));
        }
    }

    #[test]
    fn a_year_is_marked_by_months_and_a_day_by_hours() {
        let dial = Dial::new(TimeFormat::Rfc3339, b"2001-01-01T01:00:00-09:00", 978_343_200_000);
        let labels = |span| times(&dial, span).0.into_iter().map(|tick| tick.label).collect::<Vec<_>>();
        assert_eq!(labels(365 * DAY)[..3], ["2001-02", "2001-03", "2001-04"]);
        assert_eq!(labels(DAY)[..3], ["02:00", "04:00", "06:00"]);
        assert!(labels(DAY).contains(&"01-02".to_owned()));
    }
}

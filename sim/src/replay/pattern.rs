//! Dates as they come: a pattern of strftime, given or found from the first rows.
//!
//! A date without a zone offset counts as UTC, in summer and winter: as the time of one clock that runs through.

use super::clock::BadTime;
use jiff::Timestamp;
use jiff::civil::date;
use jiff::fmt::strtime::{self, BrokenDownTime};
use jiff::tz::{Offset, TimeZone};

/// How a log writes a date and time, as strftime has it: `%d.%m.%Y %H:%M`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Pattern(Box<str>);

/// The possible years of a log. Any other year comes from reading two digits as four.
const YEARS: std::ops::RangeInclusive<i16> = 1970..=2199;

impl Pattern {
    /// Accepts a pattern with a whole date, and a time at least to the hour.
    ///
    /// # Errors
    /// What is wrong with it, for a person.
    pub(super) fn new(text: &str) -> Result<Self, String> {
        // Use a time past noon: it shows an hour of twelve that lacks its half of the day.
        let probe = date(2024, 11, 23).at(15, 0, 0, 0);
        let zoned = Offset::UTC.to_timestamp(probe).map(|moment| moment.to_zoned_datetime(TimeZone::UTC));
        let written = zoned.and_then(|zoned| strtime::format(text, &zoned)).map_err(|error| error.to_string())?;
        let read = BrokenDownTime::parse(text, &written).map_err(|error| error.to_string())?;
        match moment(&read) {
            Some((millis, _)) if Offset::UTC.to_timestamp(probe).is_ok_and(|at| at.as_millisecond() == millis) => {
                Ok(Self(text.into()))
            }
            _ => Err("it does not hold a whole date and time: the year, month, day and hour (%I only with %p)".into()),
        }
    }

    pub(super) fn text(&self) -> &str {
        &self.0
    }

    /// The moment in milliseconds since 1970, and the offset of its zone where one is written.
    pub(super) fn parse(&self, field: &[u8]) -> Result<(i64, Option<Offset>), BadTime> {
        let read = BrokenDownTime::parse(self.0.as_bytes(), field).map_err(|_| BadTime::Unparsable)?;
        moment(&read).ok_or(BadTime::Unparsable)
    }

    /// The same pattern with day and month swapped.
    pub(super) fn swapped(&self) -> Self {
        Self(self.0.replace("%d", "%\0").replace("%m", "%d").replace("%\0", "%m").into())
    }
}

fn moment(read: &BrokenDownTime) -> Option<(i64, Option<Offset>)> {
    let (at, offset): (Timestamp, _) = match (read.to_timestamp(), read.to_datetime()) {
        (Ok(at), _) => (at, read.offset().or(Some(Offset::UTC))),
        (Err(_), Ok(civil)) => (Offset::UTC.to_timestamp(civil).ok()?, None),
        (Err(_), Err(_)) => return None,
    };
    let year = at.to_zoned_datetime(TimeZone::UTC).year();
    YEARS.contains(&year).then(|| (at.as_millisecond(), offset))
}

/// What the first rows say about the pattern.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Found {
    /// No known pattern fits.
    Nothing,
    /// One pattern fits. If another did too, this says what decided between them, for a person.
    One(Pattern, Option<String>),
    /// Several fit, and nothing decides. Each comes with the first date as it would read it.
    Several(Vec<(Pattern, String)>),
}

/// The known dates. Between points, the day comes first: common practice where people write points.
fn dates() -> Vec<String> {
    const EITHER: [&str; 5] = ["%d-%m-%Y", "%m-%d-%Y", "%d-%m-%y", "%m-%d-%y", "%y-%m-%d"];
    const POINTED: [&str; 2] = ["%d-%m-%Y", "%d-%m-%y"];
    const NAMED: [&str; 4] = ["%d-%b-%Y", "%d-%b-%y", "%b-%d-%Y", "%Y-%m-%d"];
    let with = |sign: &str, dates: &[&str]| dates.iter().map(|date| date.replace('-', sign)).collect::<Vec<_>>();
    [
        with("/", &EITHER),
        with("-", &EITHER),
        with(".", &POINTED),
        with("/", &NAMED),
        with("-", &NAMED),
        with(".", &NAMED),
        with(" ", &NAMED[..3]),
        vec!["%b %d, %Y".to_owned()],
    ]
    .concat()
}

/// The known times of day. The first that fits is taken: no two that fit mean different times.
const TIMES: [&str; 10] = [
    "%H:%M",
    "%H:%M:%S",
    "%H:%M:%S%.f",
    "%I:%M %p",
    "%I:%M:%S %p",
    "%H.%M",
    "%H.%M.%S",
    "%H:%M %z",
    "%H:%M:%S %z",
    "%H:%M:%S %:z",
];

/// Whether `field` is a time of day and nothing else.
pub(super) fn is_time_of_day(field: &str) -> bool {
    TIMES.iter().take(7).any(|time| BrokenDownTime::parse(time, field).is_ok_and(|read| read.to_time().is_ok()))
}

/// Finds the pattern that makes `values`, each with its line, dates in the order of time.
pub(super) fn find(values: &[(u64, String)]) -> Found {
    let parse = |pattern: &Pattern, text: &str| pattern.parse(text.as_bytes()).ok().map(|(millis, _)| millis);
    let fits = |pattern: &Pattern, values: &[(u64, String)]| {
        values.iter().filter(|(_, text)| parse(pattern, text).is_some()).count()
    };
    // A few rows sift the patterns first, so that the many rows meet only a few patterns.
    let few = &values[..values.len().min(20)];
    let mut sifted: Vec<(Pattern, usize)> = Vec::new();
    for date in dates() {
        let mut best: Option<(Pattern, usize)> = None;
        for joint in [" ", ", ", "T"] {
            for time in TIMES {
                let pattern = Pattern(format!("{date}{joint}{time}").into());
                let count = fits(&pattern, few);
                if count > best.as_ref().map_or(0, |(_, most)| *most) {
                    best = Some((pattern, count));
                }
            }
        }
        sifted.extend(best);
    }
    let counted: Vec<_> = sifted
        .into_iter()
        .map(|(pattern, _)| {
            let count = fits(&pattern, values);
            (pattern, count)
        })
        .collect();
    let most = counted.iter().map(|(_, count)| *count).max().unwrap_or(0);
    // A damaged row does not stop the search. But a column that is mostly something else is no time column.
    if most == 0 || most * 2 < values.len() {
        return Found::Nothing;
    }
    let (best, rest): (Vec<_>, Vec<_>) = counted.into_iter().partition(|(_, count)| *count == most);
    if let [(pattern, _)] = &best[..] {
        // A pattern that fits no row is not among the rest.
        let swapped =
            Some(pattern.swapped()).filter(|swapped| dates().iter().any(|date| swapped.text().starts_with(&**date)));
        let decided = rest.first().map(|(other, _)| other).or(swapped.as_ref()).and_then(|other| {
            let decides = |text: &str| parse(pattern, text).is_some() && parse(other, text).is_none();
            let (line, text) = values.iter().find(|(_, text)| decides(text))?;
            Some(format!("line {line} decides, {text}: not {}", other.text()))
        });
        return Found::One(pattern.clone(), decided);
    }
    let in_order = |pattern: &Pattern| {
        let moments: Vec<_> = values.iter().filter_map(|(_, text)| parse(pattern, text)).collect();
        moments.is_sorted()
    };
    let ordered: Vec<_> = best.iter().filter(|(pattern, _)| in_order(pattern)).collect();
    match &ordered[..] {
        [(pattern, _)] => {
            let others: Vec<_> =
                best.iter().filter(|(other, _)| other != pattern).map(|(other, _)| other.text()).collect();
            Found::One(pattern.clone(), Some(format!("the rows are in order only so, not as {}", others.join(" or "))))
        }
        _ => Found::Several(
            best.iter()
                .map(|(pattern, _)| {
                    let first = values.iter().find_map(|(_, text)| parse(pattern, text));
                    let at = first.and_then(|millis| Timestamp::from_millisecond(millis).ok());
                    let shown = at.map(|at| at.to_zoned_datetime(TimeZone::UTC).strftime("%-d %B %Y").to_string());
                    (pattern.clone(), shown.unwrap_or_default())
                })
                .collect(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn found(values: &[&str]) -> Found {
        find(&(2..).zip(values.iter().map(|text| (*text).to_owned())).collect::<Vec<_>>())
    }

    #[track_caller]
    fn is(values: &[&str], expected: &str, first: &str) {
        let Found::One(pattern, _) = found(values) else { panic!("{values:?}: {:?}", found(values)) };
        assert_eq!(pattern.text(), expected, "{values:?}");
        let (millis, _) = pattern.parse(values[0].as_bytes()).unwrap();
        assert_eq!(Timestamp::from_millisecond(millis).unwrap(), first.parse().unwrap(), "{values:?}");
    }

    #[test]
    fn dates_are_read_as_they_come() {
        is(&["12.01.2024 15:00"], "%d.%m.%Y %H:%M", "2024-01-12T15:00:00Z");
        is(&["1.2.24 15:00:30"], "%d.%m.%y %H:%M:%S", "2024-02-01T15:00:30Z");
        is(&["13/01/2024 03:00 PM"], "%d/%m/%Y %I:%M %p", "2024-01-13T15:00:00Z");
        is(&["01/13/2024 12:00:05 am"], "%m/%d/%Y %I:%M:%S %p", "2024-01-13T00:00:05Z");
        is(&["12-Jan-2024 15:00"], "%d-%b-%Y %H:%M", "2024-01-12T15:00:00Z");
        is(&["2024/01/12 15:00"], "%Y/%m/%d %H:%M", "2024-01-12T15:00:00Z");
        is(&["12.01.2024, 15:00:00.5"], "%d.%m.%Y, %H:%M:%S%.f", "2024-01-12T15:00:00.5Z");
        is(&["12.01.2024 15:00:00 +0100"], "%d.%m.%Y %H:%M:%S %z", "2024-01-12T14:00:00Z");
        assert_eq!(found(&["soon"]), Found::Nothing);
        assert_eq!(found(&["15:00"]), Found::Nothing);
        assert_eq!(found(&[]), Found::Nothing);
    }

    #[test]
    fn day_and_month_are_decided_by_a_value_or_by_the_order_of_the_rows_or_not_at_all() {
        is(&["12/01/2024 15:00", "13/01/2024 15:00"], "%d/%m/%Y %H:%M", "2024-01-12T15:00:00Z");
        is(&["01/12/2024 15:00", "01/13/2024 15:00"], "%m/%d/%Y %H:%M", "2024-01-12T15:00:00Z");
        // Day first, or the second row would be ten months back.
        is(&["12/11/2024 15:00", "01/12/2024 15:00"], "%d/%m/%Y %H:%M", "2024-11-12T15:00:00Z");
        let Found::Several(readings) = found(&["01/12/2024 15:00", "01/12/2024 15:01"]) else { panic!() };
        let readings: Vec<_> = readings.iter().map(|(pattern, first)| (pattern.text(), &**first)).collect();
        assert_eq!(readings, [("%d/%m/%Y %H:%M", "1 December 2024"), ("%m/%d/%Y %H:%M", "12 January 2024")]);
    }

    #[test]
    fn a_pattern_that_loses_the_moment_is_refused() {
        for text in ["%d.%m.%Y", "%H:%M", "%d.%m.%Y %I:%M", "%m/%Y %H:%M", "%d.%m.%Y %H:%S", "%Q", "%", ""] {
            assert!(Pattern::new(text).is_err(), "{text}");
        }
        for text in ["%d.%m.%Y %H:%M", "%d.%m.%y %H h", "%F %T", "%I %p %j %Y", "%s", "%d.%m.%Y %H:%M:%S %z"] {
            assert!(Pattern::new(text).is_ok(), "{text}: {:?}", Pattern::new(text));
        }
    }

    proptest! {
        /// The date library writes these. It knows nothing of the patterns.
        #[test]
        fn every_pattern_that_is_looked_for_gives_the_moments_that_were_written(
            start in 0..4_000_000_000_i64, step in 60..100_000_i64, date in 0..dates().len(), time in 0..TIMES.len(),
        ) {
            let text = format!("{} {}", dates()[date], TIMES[time]);
            // Two digits of a year reach to 2068.
            let start = if text.contains("%y") { start % 3_000_000_000 } else { start } / 60 * 60;
            let moments: Vec<_> = (0..400).map(|row| start + row * (step / 60 * 60)).collect();
            let written: Vec<_> = moments.iter().map(|&at| {
                let at = Timestamp::from_second(at).unwrap().to_zoned_datetime(TimeZone::UTC);
                at.strftime(&text).to_string()
            }).collect();
            let values: Vec<_> = (2..).zip(written.iter().cloned()).collect();
            match find(&values) {
                Found::One(pattern, _) => for (text, &at) in written.iter().zip(&moments) {
                    prop_assert_eq!(pattern.parse(text.as_bytes()).map(|(at, _)| at), Ok(at * 1000), "{} as {}", text, pattern.text());
                },
                // Nothing decides, but the pattern is among them.
                Found::Several(readings) => {
                    let first = |pattern: &Pattern| pattern.parse(written[0].as_bytes()).map(|(at, _)| at);
                    let is_among = readings.iter().any(|(pattern, _)| first(pattern) == Ok(start * 1000));
                    prop_assert!(is_among, "{} is not among {:?}", written[0], readings);
                }
                Found::Nothing => prop_assert!(false, "{} not found: {}", text, written[0]),
            }
        }

        #[test]
        fn no_field_panics(field: Vec<u8>, pattern: String, text: String) {
            if let Ok(pattern) = Pattern::new(&pattern) {
                let _ = pattern.parse(&field);
            }
            let _ = (find(&[(2, text.clone())]), is_time_of_day(&text));
        }
    }
}

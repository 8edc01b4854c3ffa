//! Reads dates and times of rows, in local standard time. The time counts as written, whatever zone follows it.

use super::cells::{is_date, number};
use crate::diagnostic::excerpt;
use jiff::civil::{DateTime, Time};
use jiff::fmt::temporal::DateTimeParser;
use jiff::tz::Offset;

/// Names of a time column.
pub(crate) const TIME_NAMES: [&str; 5] = ["timestamp", "time", "datetime", "date_time", "date"];

/// What is wrong with a date, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct BadDate {
    pub(crate) message: String,
    pub(crate) remedy: &'static str,
}

/// Reads the dates of one file, row by row. Times are held to the second.
#[derive(Debug, Default)]
pub(crate) struct Dates {
    /// The zone behind the first date, and its line.
    zone: Option<(Option<Offset>, u64)>,
    last: Option<(DateTime, u64)>,
}

impl Dates {
    /// The date in `field`. It must have the zone of the first date and lie after the date before it.
    pub(crate) fn read(&mut self, line: u64, field: &[u8]) -> Result<DateTime, BadDate> {
        const FORM: &str = "2025-01-31T13:45:00 or 2025-01-31T13:45:00+01:00";
        let held = excerpt(&String::from_utf8_lossy(field));
        let bad = |what: &str| BadDate { message: format!("\"{held}\" is {what}"), remedy: FORM };
        let Ok(pieces) = DateTimeParser::new().parse_pieces(field) else {
            return Err(bad(match () {
                () if field.is_empty() => "not a date",
                () if number(field).is_some() => "a number, not a date and time",
                () if is_date(field) && field.get(4) != Some(&b'-') => "a date in another form",
                () => "not a date and time",
            }));
        };
        let Some(time) = pieces.time() else { return Err(bad("a date without a time")) };
        let zone = pieces.to_numeric_offset();
        let (first, first_line) = *self.zone.get_or_insert((zone, line));
        if zone != first {
            let shown = |zone: Option<Offset>| zone.map_or("no zone".to_owned(), |zone| format!("zone {zone}"));
            return Err(BadDate {
                message: format!(
                    "the date has {}, that of line {first_line} has {}: summer time?",
                    shown(zone),
                    shown(first)
                ),
                remedy: "write one zone in the whole file: local standard time (winter time), all year",
            });
        }
        self.follow(line, pieces.date().to_datetime(time))
    }

    /// `at`, cut to the second, if it lies after the date before it.
    pub(crate) fn follow(&mut self, line: u64, at: DateTime) -> Result<DateTime, BadDate> {
        let (hour, minute, second) = (at.hour(), at.minute(), at.second());
        let at = at.date().to_datetime(Time::new(hour, minute, second, 0).unwrap_or_default());
        if let Some((last, last_line)) = self.last
            && at <= last
        {
            let message = if at == last {
                format!("{} is the time of line {last_line} too", Shown(at))
            } else {
                format!("{} is out of order: line {last_line} has {}", Shown(at), Shown(last))
            };
            return Err(BadDate { message, remedy: "sort the rows by time, and keep each time once" });
        }
        self.last = Some((at, line));
        Ok(at)
    }
}

/// A date and time for a person.
pub(crate) struct Shown(pub(crate) DateTime);

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let at = self.0;
        write!(f, "{} {:02}:{:02}", at.date(), at.hour(), at.minute())?;
        if at.second() == 0 { Ok(()) } else { write!(f, ":{:02}", at.second()) }
    }
}

/// Seconds from one to the other.
pub(crate) fn seconds(from: DateTime, to: DateTime) -> i64 {
    to.duration_since(from).as_secs()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;

    #[test]
    fn what_is_written_counts_whatever_zone_is_behind_it() {
        let expected = date(2025, 1, 31).at(13, 45, 0, 0);
        for text in [
            "2025-01-31T13:45:00+01:00",
            "2025-01-31T13:45:00Z",
            "2025-01-31 13:45",
            "2025-01-31T13:45:00.9",
            "2025-01-31 13:45:00-09:00",
        ] {
            assert_eq!(Dates::default().read(1, text.as_bytes()), Ok(expected), "{text}");
        }
    }

    #[test]
    fn a_zone_that_changes_is_refused() {
        let mut dates = Dates::default();
        dates.read(2, b"2025-03-30T01:00:00+01:00").unwrap();
        let bad = dates.read(3, b"2025-03-30T03:00:00+02:00").unwrap_err();
        assert!(bad.message.contains("zone +02") && bad.message.contains("line 2"), "{}", bad.message);
        assert!(dates.read(4, b"2025-03-30T04:00:00").unwrap_err().message.contains("no zone"));
    }

    #[test]
    fn what_is_no_date_is_told_by_what_it_is() {
        for (text, words) in [
            ("", "not a date"),
            ("1738327500", "a number"),
            ("31.01.2025 13:45", "another form"),
            ("2025-01-31", "without a time"),
            ("yesterday", "not a date and time"),
            ("2025-02-30T00:00:00", "not a date and time"),
        ] {
            let bad = Dates::default().read(1, text.as_bytes()).unwrap_err();
            assert!(bad.message.contains(words), "{text}: {}", bad.message);
        }
    }

    proptest! {
        #[test]
        fn no_field_panics(field: Vec<u8>, text: String) {
            let mut dates = Dates::default();
            let _ = dates.read(1, &field);
            let _ = dates.read(2, text.as_bytes());
        }
    }
}

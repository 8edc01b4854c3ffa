//! The time column of a log: how a moment is written, and how it is shown again.

use crate::csv_text::cells::number;
use crate::season::Clock;
use jiff::fmt::temporal::DateTimeParser;
use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp};
use std::fmt;

/// How a log writes a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeFormat {
    /// A date and time of RFC 3339. Without a zone offset it counts as UTC.
    Rfc3339,
    /// Seconds since the start of 1970, UTC.
    EpochSeconds,
    /// Milliseconds since the start of 1970, UTC.
    EpochMillis,
    /// Seconds since a moment of the log's own.
    ElapsedSeconds,
}

/// Why a field is no moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum BadTime {
    Unparsable,
    NonFinite,
}

/// Moments stay within this, so that no sum of them overflows: 30 000 years.
const FARTHEST_MS: f64 = 1e15;

impl TimeFormat {
    /// Every format.
    pub const ALL: [Self; 4] = [Self::Rfc3339, Self::EpochSeconds, Self::EpochMillis, Self::ElapsedSeconds];

    /// Its name in options and messages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Rfc3339 => "rfc3339",
            Self::EpochSeconds => "epoch_s",
            Self::EpochMillis => "epoch_ms",
            Self::ElapsedSeconds => "elapsed_s",
        }
    }

    /// The format of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|format| format.name() == name)
    }

    /// The format that fits the first field of a time column; `None` if it is no moment at all.
    ///
    /// The size of a number shows its format: no log lasts 3 years (10⁸ s), and 10¹¹ s of the epoch is the year 5138.
    pub(super) fn guess(field: &[u8]) -> Option<Self> {
        if Self::Rfc3339.parse(field).is_ok() {
            return Some(Self::Rfc3339);
        }
        let number = number(field).filter(|number| number.is_finite())?;
        Some(match number.abs() {
            ..1e8 => Self::ElapsedSeconds,
            ..1e11 => Self::EpochSeconds,
            _ => Self::EpochMillis,
        })
    }

    /// The moment in milliseconds, rounded to nearest; since 1970 if the format counts from there.
    pub(super) fn parse(self, field: &[u8]) -> Result<i64, BadTime> {
        const PARSER: DateTimeParser = DateTimeParser::new();
        if self != Self::Rfc3339 {
            return self.of_number(number(field).ok_or(BadTime::Unparsable)?);
        }
        if let Ok(moment) = PARSER.parse_timestamp(field) {
            return Ok(moment.as_millisecond());
        }
        let civil = PARSER.parse_datetime(field).map_err(|_| BadTime::Unparsable)?;
        let moment = Offset::UTC.to_timestamp(civil).map_err(|_| BadTime::Unparsable)?;
        Ok(moment.as_millisecond())
    }

    /// The same for a field that holds `number`. A date is no number.
    #[inline]
    pub(super) fn of_number(self, number: f64) -> Result<i64, BadTime> {
        let millis = match self {
            Self::Rfc3339 => return Err(BadTime::Unparsable),
            Self::EpochSeconds | Self::ElapsedSeconds => number * 1000.0,
            Self::EpochMillis => number,
        };
        if !millis.is_finite() {
            Err(BadTime::NonFinite)
        } else if millis.abs() > FARTHEST_MS {
            Err(BadTime::Unparsable)
        } else {
            #[expect(clippy::cast_possible_truncation, reason = "bounded just above")]
            Ok(millis.round() as i64)
        }
    }
}

impl fmt::Display for TimeFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The zone offset behind a date of RFC 3339.
pub(super) fn written_offset(field: &[u8]) -> Option<Offset> {
    DateTimeParser::new().parse_pieces(field).ok().and_then(|pieces| pieces.to_numeric_offset())
}

/// Shows moments of a log as the log wrote them: as dates in the zone offset of its first row, or as elapsed time.
#[derive(Clone, Debug, Default)]
pub struct Dial {
    /// The first row, and the zone offset to show it in; `None` if the log has no dates.
    start: Option<(Timestamp, TimeZone)>,
}

impl Dial {
    /// The dial for a log of dates that begins at `first_ms`, in the zone offset that is written there.
    pub(super) fn of_dates(first_ms: i64, offset: Option<Offset>) -> Self {
        let start = Timestamp::from_millisecond(first_ms).ok();
        Self { start: start.map(|start| (start, TimeZone::fixed(offset.unwrap_or(Offset::UTC)))) }
    }

    /// The dial for a log whose first row reads `field`, which is `first_ms` in `format`.
    pub(super) fn new(format: TimeFormat, field: &[u8], first_ms: i64) -> Self {
        match format {
            TimeFormat::ElapsedSeconds => Self::default(),
            TimeFormat::Rfc3339 => Self::of_dates(first_ms, written_offset(field)),
            TimeFormat::EpochSeconds | TimeFormat::EpochMillis => Self::of_dates(first_ms, None),
        }
    }

    /// Whether it shows dates.
    #[must_use]
    pub const fn has_dates(&self) -> bool {
        self.start.is_some()
    }

    /// The date and time `elapsed_ms` after the first row, in the log's zone offset; `None` if the log has no dates.
    #[must_use]
    pub fn date(&self, elapsed_ms: i64) -> Option<jiff::ZonedDateTime> {
        let (start, zone) = self.start.as_ref()?;
        let moment = start.checked_add(SignedDuration::from_millis(elapsed_ms)).ok()?;
        Some(moment.to_zoned_datetime(zone.clone()))
    }

    /// The same for a season.
    pub(super) fn clock(&self) -> Clock {
        let date = self.date(0);
        Clock {
            start: date.as_ref().map(jiff::ZonedDateTime::datetime),
            zone: date.map(|date| date.strftime("%:z").to_string()),
        }
    }

    /// The zone in which moments are shown, as in UTC+01:00; `None` if the log has no dates.
    #[must_use]
    pub fn zone(&self) -> Option<String> {
        Some(self.date(0)?.strftime("UTC%:z").to_string())
    }

    /// The moment `elapsed_ms` after the first row, to the second, for a person.
    #[must_use]
    pub fn show(&self, elapsed_ms: i64) -> String {
        match self.date(elapsed_ms) {
            Some(date) => date.strftime("%Y-%m-%d %H:%M:%S").to_string(),
            None => format!("{} after the first row", Span(elapsed_ms)),
        }
    }

    /// The moment in RFC 3339, for a file; `None` if the log has no dates.
    #[must_use]
    pub fn rfc3339(&self, elapsed_ms: i64) -> Option<String> {
        Some(self.date(elapsed_ms)?.strftime("%Y-%m-%dT%H:%M:%S%.f%:z").to_string())
    }
}

/// A length of time in milliseconds, shown in the units a person would choose.
#[derive(Clone, Copy, Debug)]
pub struct Span(pub i64);

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Round before choosing the unit, so that 59.96 s is a minute and not 60.0 s.
        let rounded = |unit: i64| (self.0 + unit / 2) / unit;
        let (tenths, seconds, minutes, hours) = (rounded(100), rounded(1000), rounded(60_000), rounded(3_600_000));
        let text = if tenths < 600 {
            format!("{}.{} s", tenths / 10, tenths % 10)
        } else if seconds < 3600 {
            format!("{} min {:02} s", seconds / 60, seconds % 60)
        } else if minutes < 48 * 60 {
            format!("{} h {:02} min", minutes / 60, minutes % 60)
        } else {
            format!("{} d {:02} h", hours / 24, hours % 24)
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_moment_is_the_same_in_every_format(millis in -60_000_000_000_000_i64..250_000_000_000_000) {
            let date = Timestamp::from_millisecond(millis).unwrap();
            let seconds = format!("{}{}.{:03}", if millis < 0 { "-" } else { "" }, millis.abs() / 1000, millis.abs() % 1000);
            prop_assert_eq!(TimeFormat::Rfc3339.parse(date.to_string().as_bytes()), Ok(millis));
            prop_assert_eq!(TimeFormat::EpochSeconds.parse(seconds.as_bytes()), Ok(millis));
            prop_assert_eq!(TimeFormat::EpochMillis.parse(millis.to_string().as_bytes()), Ok(millis));
        }

        #[test]
        fn no_field_panics(field: Vec<u8>, text: String) {
            for format in TimeFormat::ALL {
                let _ = format.parse(&field);
                if let Ok(millis) = format.parse(text.as_bytes()) {
                    let _ = Dial::new(format, text.as_bytes(), millis).show(millis);
                }
            }
        }
    }

    #[test]
    fn a_date_without_an_offset_is_utc_and_with_one_is_not() {
        let parse = |field: &str| TimeFormat::Rfc3339.parse(field.as_bytes());
        assert_eq!(parse("1970-01-01T00:00:10"), Ok(10_000));
        assert_eq!(parse("1970-01-01 00:00:10"), Ok(10_000));
        assert_eq!(parse("1970-01-01T00:00:10-09:00"), Ok(32_410_000));
        assert_eq!(parse("yesterday"), Err(BadTime::Unparsable));
    }

    #[test]
    fn a_moment_that_is_no_number_is_named_so() {
        assert_eq!(TimeFormat::ElapsedSeconds.parse(b"NaN"), Err(BadTime::NonFinite));
        assert_eq!(TimeFormat::EpochSeconds.parse(b"1e999"), Err(BadTime::NonFinite));
        assert_eq!(TimeFormat::EpochSeconds.parse(b"1e300"), Err(BadTime::Unparsable));
    }

    #[test]
    fn numbers_are_told_apart_by_size() {
        assert_eq!(TimeFormat::guess(b"2001-01-01T01:00:00-09:00"), Some(TimeFormat::Rfc3339));
        assert_eq!(TimeFormat::guess(b"1700000000.5"), Some(TimeFormat::EpochSeconds));
        assert_eq!(TimeFormat::guess(b"1700000000500"), Some(TimeFormat::EpochMillis));
        assert_eq!(TimeFormat::guess(b"0"), Some(TimeFormat::ElapsedSeconds));
        assert_eq!(TimeFormat::guess(b"noon"), None);
    }

    #[test]
    fn dates_are_shown_in_the_offset_of_the_first_row() {
        let field = b"2001-01-01T01:00:00-09:00";
        let dial = Dial::new(TimeFormat::Rfc3339, field, TimeFormat::Rfc3339.parse(field).unwrap());
        assert_eq!(dial.show(3_600_000), "2001-01-01 02:00:00");
        assert_eq!(dial.zone().unwrap(), "UTC-09:00");
        assert_eq!(dial.rfc3339(3_600_500).unwrap(), "2001-01-01T02:00:00.5-09:00");
    }

    #[test]
    fn spans_are_rounded_not_cut() {
        assert_eq!(Span(59_940).to_string(), "59.9 s");
        assert_eq!(Span(59_960).to_string(), "1 min 00 s");
        assert_eq!(Span(3_599_960).to_string(), "1 h 00 min");
        assert_eq!(Span(3_599_400).to_string(), "59 min 59 s");
        assert_eq!(Span(86_400_000).to_string(), "24 h 00 min");
        assert_eq!(Span(172_800_000 + 3_599_999).to_string(), "2 d 01 h");
    }
}

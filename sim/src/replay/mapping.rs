//! What the user says about the columns of a log, as the options write it.

use super::clock::TimeFormat;
use super::scale::Unit;
use crate::csv_text::decimal::Decimal;
use crate::csv_text::header::{Header, NoColumn};
use std::convert::Infallible;
use std::str::FromStr;

/// What the options say about the columns. The names in the header decide the rest.
#[derive(Clone, Debug, Default)]
pub struct Mapping {
    /// The time column.
    pub time: Option<TimeColumn>,
    /// The decimal sign; by default the numbers show it.
    pub decimal: Option<Decimal>,
    /// Columns of channels, and of what else a log holds.
    pub channels: Vec<ChannelColumn>,
    /// Columns that show whether a source is present.
    pub sources: Vec<SourceColumn>,
    /// Names of sources taken to be present all the time.
    pub always_present: Vec<String>,
    /// Column of what the logged controller did with the heater.
    pub logged_heater: Option<String>,
    /// Column of what the logged controller did with the charge permit.
    pub logged_charge: Option<String>,
}

/// `COLUMN[:FORMAT]` or `DATE+TIME[:FORMAT]`.
///
/// Names of columns may hold `:` and `+`, and a pattern nearly always holds `:`. So only the header can split the text:
/// the longest name that is a column counts, and one name with a `+` in it comes before two columns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeColumn(pub String);

/// What a [`TimeColumn`] means under a header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TimeParts<'a> {
    pub(super) field: usize,
    /// The column of the time of day, if it has its own.
    pub(super) second: Option<usize>,
    /// What the user says about how it is written.
    pub(super) format: Option<&'a str>,
}

impl TimeColumn {
    /// Splits the text under `header`. If no part is a column, returns the text that should be one.
    pub(super) fn parts(&self, header: &Header) -> Result<TimeParts<'_>, (&str, NoColumn)> {
        let text = self.0.as_str();
        let colons = text.rmatch_indices(':').map(|(at, _)| (&text[..at], Some(&text[at + 1..])));
        let splits =
            || std::iter::once((text, None)).chain(colons.clone()).filter(|(_, format)| format.is_none_or(is_format));
        for (name, format) in splits() {
            match header.find(name) {
                Ok(field) => return Ok(TimeParts { field, second: None, format }),
                Err(NoColumn::Twice) => return Err((name, NoColumn::Twice)),
                Err(NoColumn::Absent) => {}
            }
            for (at, _) in name.match_indices('+') {
                if let (Ok(field), Ok(second)) = (header.find(&name[..at]), header.find(&name[at + 1..])) {
                    return Ok(TimeParts { field, second: Some(second), format });
                }
            }
        }
        // The user most likely meant the shortest.
        Err((splits().next_back().map_or(text, |(name, _)| name), NoColumn::Absent))
    }
}

/// Whether `text` can say how a moment is written.
fn is_format(text: &str) -> bool {
    text.contains('%') || TimeFormat::named(text).is_some()
}

/// `CHANNEL=COLUMN[:UNIT]`, or `NAME=COLUMN` for one of [`OTHER_COLUMNS`](crate::installation::OTHER_COLUMNS).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChannelColumn {
    /// Channel of the installation, or the default name of the column.
    pub channel: String,
    /// Column.
    pub column: String,
    /// Unit; by default that of the column's suffix.
    pub unit: Option<Unit>,
}

/// `NAME=COLUMN` or `NAME=COLUMN>=NUMBER`.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceColumn {
    /// Source of the installation.
    pub source: String,
    /// Column.
    pub column: String,
    /// The source is present while the column is at or above this. Without it, the column holds 0 or 1.
    pub at_least: Option<f64>,
}

impl FromStr for TimeColumn {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<Self, Infallible> {
        Ok(Self(text.to_owned()))
    }
}

impl FromStr for ChannelColumn {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (channel, column) = split_name(text, "CHANNEL=COLUMN:UNIT, as in cell_1=T1:c")?;
        let split = column.rsplit_once(':').and_then(|(column, unit)| Some((column, Unit::named(unit)?)));
        let (column, unit) = split.map_or((column, None), |(column, unit)| (column, Some(unit)));
        Ok(Self { channel: channel.to_owned(), column: column.to_owned(), unit })
    }
}

impl FromStr for SourceColumn {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (source, column) = split_name(text, "NAME=COLUMN or NAME=COLUMN>=NUMBER, as in engine=rpm>=500")?;
        let (column, at_least) = match column.rsplit_once(">=") {
            None => (column, None),
            Some((column, number)) => match number.trim().parse() {
                Ok(number) if f64::is_finite(number) => (column.trim(), Some(number)),
                _ => return Err(format!("\"{number}\" after >= is not a number")),
            },
        };
        Ok(Self { source: source.to_owned(), column: column.to_owned(), at_least })
    }
}

fn split_name<'a>(text: &'a str, shape: &str) -> Result<(&'a str, &'a str), String> {
    match text.split_once('=').map(|(name, column)| (name.trim(), column.trim())) {
        Some((name, column)) if !name.is_empty() && !column.is_empty() && !column.starts_with(">=") => {
            Ok((name, column))
        }
        _ => Err(format!("expected {shape}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_colon_that_no_unit_follows_belongs_to_the_column() {
        let parse = |text: &str| text.parse::<ChannelColumn>().unwrap();
        assert_eq!(parse("cell=a:b"), ChannelColumn { channel: "cell".into(), column: "a:b".into(), unit: None });
        assert_eq!(parse("cell=a:b:ohm").unit, Some(Unit::Ohms));
    }

    #[test]
    fn the_longest_name_that_is_a_column_is_the_time_column_whatever_signs_it_holds() {
        let header = Header::new(["at", "a:b", "a+b", "a", "b", "x:%H"].into_iter().map(str::as_bytes));
        for (text, field, second, format) in [
            ("at", 0, None, None),
            ("at:epoch_ms", 0, None, Some("epoch_ms")),
            ("at:%d.%m.%Y %H:%M", 0, None, Some("%d.%m.%Y %H:%M")),
            ("a:b", 1, None, None),
            ("a:b:%F %H:%M:%S", 1, None, Some("%F %H:%M:%S")),
            ("a+b", 2, None, None),
            ("a+b:%F %T", 2, None, Some("%F %T")),
            ("b+a:%F %T", 4, Some(3), Some("%F %T")),
            ("a:b+a+b:%F+%H:%M", 1, Some(2), Some("%F+%H:%M")),
            ("x:%H:%M %F", 5, None, Some("%M %F")),
        ] {
            let time = TimeColumn(text.to_owned());
            assert_eq!(time.parts(&header), Ok(TimeParts { field, second, format }), "{text}");
        }
        for (text, name) in [("c", "c"), ("c:%F %H:%M", "c"), ("c:d", "c:d"), ("a+c:%F %T", "a+c")] {
            let time = TimeColumn(text.to_owned());
            assert_eq!(time.parts(&header), Err((name, NoColumn::Absent)), "{text}");
        }
    }

    #[test]
    fn a_source_is_a_flag_or_a_threshold() {
        let parse = |text: &str| text.parse::<SourceColumn>();
        let flag = SourceColumn { source: "engine".into(), column: "running".into(), at_least: None };
        assert_eq!(parse("engine=running"), Ok(flag));
        let threshold = SourceColumn { source: "sun".into(), column: "ghi".into(), at_least: Some(150.0) };
        assert_eq!(parse("sun=ghi>=150"), Ok(threshold));
        for wrong in ["engine", "=running", "engine=", "engine=>=5", "engine=rpm>=fast", "engine=rpm>=nan"] {
            assert!(parse(wrong).is_err(), "{wrong}");
        }
    }
}

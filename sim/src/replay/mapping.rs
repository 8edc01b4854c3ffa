//! What the user says about the columns of a log, as the options write it.

use super::clock::TimeFormat;
use super::scale::Unit;
use std::convert::Infallible;
use std::str::FromStr;

/// What the options say about the columns. What they leave out is found by the names in the header.
#[derive(Clone, Debug, Default)]
pub struct Mapping {
    /// The time column.
    pub time: Option<TimeColumn>,
    /// Columns of channels, and of what else a log holds.
    pub channels: Vec<ChannelColumn>,
    /// Columns that tell whether a source is present.
    pub sources: Vec<SourceColumn>,
    /// Names of sources taken to be present all the time.
    pub always_present: Vec<String>,
    /// Column of what the logged controller did with the heater.
    pub logged_heater: Option<String>,
    /// Column of what the logged controller did with the charge permit.
    pub logged_charge: Option<String>,
}

/// `COLUMN[:FORMAT]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeColumn {
    /// Column.
    pub column: String,
    /// How it writes a moment; found out from the first row where it is left out.
    pub format: Option<TimeFormat>,
}

/// `CHANNEL=COLUMN[:UNIT]`, or `NAME=COLUMN` for one of [`OTHER_COLUMNS`](crate::installation::OTHER_COLUMNS).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChannelColumn {
    /// Channel of the installation, or the name under which the column would be looked for.
    pub channel: String,
    /// Column.
    pub column: String,
    /// Unit; that of the column's suffix where it is left out.
    pub unit: Option<Unit>,
}

/// `NAME=COLUMN` or `NAME=COLUMN>=NUMBER`.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceColumn {
    /// Source of the installation.
    pub source: String,
    /// Column.
    pub column: String,
    /// The source is present with the column at or above this; without it, the column holds 0 or 1.
    pub at_least: Option<f64>,
}

impl FromStr for TimeColumn {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<Self, Infallible> {
        // A colon that no format follows belongs to the column's name.
        let split = text.rsplit_once(':').and_then(|(column, format)| Some((column, TimeFormat::named(format)?)));
        Ok(match split {
            Some((column, format)) => Self { column: column.to_owned(), format: Some(format) },
            None => Self { column: text.to_owned(), format: None },
        })
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
        let time: TimeColumn = "at:epoch_ms".parse().unwrap();
        assert_eq!(time, TimeColumn { column: "at".into(), format: Some(TimeFormat::EpochMillis) });
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

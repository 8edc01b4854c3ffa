//! `forewarm replay`: logs as people have them. However a log is written, it is the same log; and where it may be read in two
//! ways it is not read.

mod replay_kit;

use jiff::civil::date;
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use replay_kit::{Folder, swing, thousandths};
use serde_json::Value;
use std::fmt::Write as _;

/// A way in which a log is written.
#[derive(Clone, Copy, Debug)]
struct Dialect {
    /// Above the header.
    top: &'static str,
    time: &'static [&'static str],
    /// One for each column of the time, as the date library writes it.
    patterns: &'static [&'static str],
    low: &'static str,
    high: &'static str,
    /// Of the temperatures.
    unit: Unit,
    separator: char,
    decimal: char,
    end: &'static str,
}

#[derive(Clone, Copy, Debug)]
enum Unit {
    Celsius,
    Fahrenheit,
    Kelvin,
}

const PLAIN: Dialect = Dialect {
    top: "",
    time: &["time"],
    patterns: &["%Y-%m-%dT%H:%M:%SZ"],
    low: "low_c",
    high: "high_c",
    unit: Unit::Celsius,
    separator: ',',
    decimal: '.',
    end: "\n",
};

/// The kit: invented logs in the shapes that spreadsheets and loggers give them.
const KIT: [Dialect; 9] = [
    PLAIN,
    Dialect {
        top: "\u{feff}",
        time: &["Datum"],
        patterns: &["%d.%m.%Y %H:%M:%S"],
        low: "low [°C]",
        high: "high [°C]",
        separator: ';',
        decimal: ',',
        end: "\r\n",
        ..PLAIN
    },
    Dialect {
        top: "sep=;\r\n",
        time: &["Datum", "Uhrzeit"],
        patterns: &["%d.%m.%y", "%H:%M:%S"],
        separator: ';',
        decimal: ',',
        ..PLAIN
    },
    Dialect {
        time: &["Date", "Time"],
        patterns: &["%m/%d/%Y", "%I:%M:%S %p"],
        low: "low (F)",
        high: "High (°F)",
        unit: Unit::Fahrenheit,
        ..PLAIN
    },
    Dialect {
        time: &["when"],
        patterns: &["%d/%m/%Y %H:%M"],
        low: "low/°C",
        high: "high_degC",
        separator: '\t',
        ..PLAIN
    },
    Dialect {
        time: &["Date"],
        patterns: &["%d-%b-%Y %H:%M:%S"],
        low: "low [K]",
        high: "high_kelvin",
        unit: Unit::Kelvin,
        ..PLAIN
    },
    Dialect { time: &["Time"], patterns: &["%Y/%m/%d %H:%M:%S"], separator: '\t', decimal: ',', ..PLAIN },
    Dialect { time: &["date", "time"], patterns: &["%Y-%m-%d", "%H:%M"], separator: ';', ..PLAIN },
    Dialect { time: &["Zeit"], patterns: &["%d.%m.%Y %H:%M:%S %z"], separator: ';', decimal: ',', ..PLAIN },
];

/// Rows a minute apart from `start` on, as the dialect writes them; `cell` in thousandths of a degree Celsius.
fn written(dialect: &Dialect, start: i64, rows: i64, cell: impl Fn(i64) -> i64) -> String {
    let sign = dialect.separator.to_string();
    let mut text = format!(
        "{}{}{sign}{}{sign}{}{}",
        dialect.top,
        dialect.time.join(&sign),
        dialect.low,
        dialect.high,
        dialect.end
    );
    for row in 0..rows {
        let at = Timestamp::from_second(start + 60 * row).unwrap().to_zoned_datetime(jiff::tz::TimeZone::UTC);
        let time: Vec<_> = dialect.patterns.iter().map(|pattern| at.strftime(pattern).to_string()).collect();
        // In millionths, so that no conversion rounds what the controller sees beyond the others.
        let millionths = cell(row) * 1000;
        let value = match dialect.unit {
            Unit::Celsius => millionths,
            Unit::Fahrenheit => millionths * 9 / 5 + 32_000_000,
            Unit::Kelvin => millionths + 273_150_000,
        };
        let sign_of_value = if value < 0 { "-" } else { "" };
        let number =
            format!("{sign_of_value}{}{}{:06}", value.abs() / 1_000_000, dialect.decimal, value.abs() % 1_000_000);
        write!(text, "{}{sign}{number}{sign}{number}{}", time.join(&sign), dialect.end).unwrap();
    }
    text
}

/// 20 January 2024, 21:30 UTC: no month is the 20th, and the log runs over midnight.
fn january() -> i64 {
    date(2024, 1, 20).at(21, 30, 0, 0).to_zoned_datetime(jiff::tz::TimeZone::UTC).unwrap().timestamp().as_second()
}

/// What was decided, and when; the coldest cell apart, which a unit rounds.
fn decisions(report: &Value) -> Vec<(String, String)> {
    let events = report["events"].as_array().unwrap();
    events.iter().map(|event| (event["t_s"].to_string(), event["kind"].to_string())).collect()
}

#[test]
fn a_log_is_the_same_log_however_it_is_written() {
    let bench = Folder::new();
    let cell = |row: i64| swing(row * 60);
    let plain = bench.json(written(&PLAIN, january(), 480, cell), &[]);
    assert!(decisions(&plain).len() > 3, "{plain}");
    for dialect in &KIT {
        let text = written(dialect, january(), 480, cell);
        let read = bench.json(&text, &["--strict"]);
        assert_eq!(read["rows_read"], 480, "{dialect:?}");
        assert_eq!(read["span_s"], plain["span_s"], "{dialect:?}");
        assert_eq!(
            read["start"].as_str().unwrap().parse::<Timestamp>().unwrap(),
            plain["start"].as_str().unwrap().parse().unwrap(),
            "{dialect:?}"
        );
        assert_eq!(decisions(&read), decisions(&plain), "{dialect:?}");
        let coldest = |report: &Value| report["coldest_permitted_c"].as_f64().unwrap();
        assert!((coldest(&read) - coldest(&plain)).abs() < 0.001, "{dialect:?}");
        // And from a pipe, which cannot be read twice.
        let piped: Value = bench.pipe(text.as_bytes(), &["--json"]).json();
        assert_eq!(decisions(&piped), decisions(&plain), "{dialect:?}");
    }
}

#[test]
fn what_was_taken_from_the_log_is_said() {
    let bench = Folder::new();
    let said = bench.replay(written(&KIT[1], january(), 30, |row| swing(row * 60)), &[]).stdout();
    let taken = &said[said.find("Taken from the log").unwrap()..];
    for words in [
        "Datum (%d.%m.%Y %H:%M:%S)",
        "no zone written: taken for UTC",
        "low [°C] (°C)",
        "; between cells, decimal comma",
    ] {
        assert!(taken.contains(words), "no {words:?} in {taken}");
    }
    let report = bench.json(written(&KIT[3], january(), 30, |row| swing(row * 60)), &[]);
    assert_eq!(report["time_format"], "%m/%d/%Y %I:%M:%S %p");
    assert_eq!(report["columns"][1]["unit"], "°F");
    assert!(report["time_note"].as_str().unwrap().starts_with("line 2 decides, 01/20/2024"), "{}", report["time_note"]);
}

#[track_caller]
fn refused(text: &str, options: &[&str], words: &[&str]) {
    let bench = Folder::new();
    let status = bench.replay(text, options).status();
    bench.replay(text, options).refuses(status, words);
    assert!(status == 1 || status == 2);
    bench.pipe(text.as_bytes(), options).refuses(status, &words[1..]);
}

#[test]
fn an_undecided_day_and_month_is_refused_with_both_readings_to_copy() {
    let text = "Date,low_c,high_c\n01/12/2024 15:00,12.5,12.5\n01/12/2024 15:01,12.5,12.5\n";
    refused(
        text,
        &[],
        &[
            "log.csv:2:1",
            "1 December 2024",
            "12 January 2024",
            "--time 'Date:%d/%m/%Y %H:%M'",
            "--time 'Date:%m/%d/%Y %H:%M'",
        ],
    );
    let bench = Folder::new();
    for (pattern, start) in
        [("%d/%m/%Y %H:%M", "2024-12-01T15:00:00+00:00"), ("%m/%d/%Y %H:%M", "2024-01-12T15:00:00+00:00")]
    {
        assert_eq!(bench.json(text, &["--time", &format!("Date:{pattern}")])["start"], start);
    }
}

#[test]
fn a_date_that_fits_only_the_other_order_stops_the_replay_at_its_line() {
    let mut text = "Date,low_c,high_c\n01/12/2024 15:00,12.5,12.5\n01/13/2024 15:00,12.5,12.5\n".to_owned();
    refused(&text, &["--time", "Date:%d/%m/%Y %H:%M"], &["log.csv:3:1", "01/13/2024 15:00", "%m/%d/%Y %H:%M"]);
    // Beyond what is looked at before the replay.
    text = "Date,low_c,high_c\n".to_owned();
    for second in 0..40_000 {
        let at = date(2024, 1, 13).at(0, 0, 0, 0) + SignedDuration::from_secs(second);
        writeln!(text, "{},12.5,12.5", at.strftime("%d/%m/%Y %H:%M:%S")).unwrap();
    }
    text += "01/14/2024 12:00:00,12.5,12.5\n";
    refused(&text, &[], &["log.csv:40002:1", "01/14/2024", "%m/%d/%Y %H:%M:%S", "the rows before"]);
}

#[test]
fn a_number_that_may_be_thousands_is_refused_with_both_readings() {
    let text = "t_s;low_c;high_c\n0;12,345;12,345\n60;12,345;12,345\n";
    refused(text, &[], &["log.csv:2:1", "12.345 with a decimal comma", "12345", "--decimal comma"]);
    let read = Folder::new().json(text, &["--decimal", "comma"]);
    assert_eq!((&read["rows_rejected"], &read["decimal"]), (&0.into(), &",".into()));
}

#[test]
fn a_log_with_both_decimal_signs_is_refused_where_it_shows() {
    refused("t_s;low_c;high_c\n0;12,5;12.5\n", &[], &["log.csv:2:1", "\"12,5\" has a decimal comma", "\"12.5\""]);
    let mut text = "t_s;low_c;high_c\n".to_owned();
    for second in 0..90_000 {
        writeln!(text, "{second};12,5;12,5").unwrap();
    }
    text += "90000;12.5;12,5\n";
    refused(&text, &[], &["log.csv:90002:1", "column low_c holds \"12.5\"", "decimal comma"]);
    refused("t_s;low_c;high_c\n0;12;12\n1;12;12\n", &["--decimal", "comma", "--time", "t"], &["no column \"t\""]);
}

#[test]
fn a_log_that_two_separators_fit_is_refused() {
    refused("t_s;low_c,high_c\n0;1,2\n", &[], &["log.csv:1:1", "--delimiter ';' or --delimiter ','"]);
}

#[test]
fn a_unit_that_speaks_against_an_option_or_is_unknown_is_an_error() {
    let log = |header: &str| format!("t_s,{header},high_c\n0,12.5,12.5\n60,12.5,12.5\n");
    refused(&log("Temp [°C]"), &["--column", "low=Temp [°C]:f"], &["command line", "°F", "°C"]);
    refused(&log("low [gK]"), &[], &["log.csv:1:1", "\"low [gK]\" is in \"gK\"", "--column 'low=low [gK]:c'"]);
    refused(&log("bank [mV],low_c").replace("12.5,12.5", "1,12.5,12.5"), &[], &["log.csv:1:1", "mV", "bank_v in V"]);
    let read = Folder::new().json(log("Temp [°F]"), &["--column", "low=Temp [°F]"]);
    assert_eq!(read["columns"][1]["unit"], "°F");
}

#[test]
fn a_time_column_is_offered_where_none_has_a_known_name() {
    let text = "Start of row,low_c,high_c\n13.01.2024 15:00,12.5,12.5\n";
    refused(text, &[], &["log.csv:1:1", "no time column", "--time 'Start of row'"]);
    refused(text, &["--time", "start"], &["no column \"start\"", "--time 'Start of row'"]);
    assert_eq!(Folder::new().json(text, &["--time", "Start of row"])["time_format"], "%d.%m.%Y %H:%M");
    // Two that fit are not chosen between.
    let two = "when,zeit,low_c,high_c\n13.01.2024 15:00,13.01.2024 15:00,12.5,12.5\n";
    refused(two, &[], &["log.csv:1:1", "--time 'when' or --time 'zeit'"]);
    refused(text, &["--time", "Start of row:%d.%m.%Y"], &["command line", "%d.%m.%Y", "whole date and time"]);
}

#[test]
fn an_hour_that_is_there_twice_or_missing_is_named_and_nothing_is_moved() {
    let log = |from: jiff::civil::DateTime, change: i64, by: i64| {
        let mut text = "Datum;low_c;high_c\n".to_owned();
        for row in 0..200 {
            let shift = if row < change { 0 } else { by };
            let at = from + SignedDuration::from_secs(row * 60 + shift);
            writeln!(text, "{};12,5;12,5", at.strftime("%d.%m.%Y %H:%M")).unwrap();
        }
        text
    };
    let bench = Folder::new();
    let autumn = log(date(2024, 10, 27).at(1, 30, 0, 0), 90, -3600);
    let said = bench.replay(&autumn, &[]).stdout();
    assert!(said.contains("line 92, an hour is there twice: the end of summer time?"), "{said}");
    assert_eq!(bench.json(&autumn, &[])["rejected"]["out_of_order"], 59);
    let spring = log(date(2024, 3, 31).at(1, 30, 0, 0), 30, 3600);
    let said = bench.replay(&spring, &[]).stdout();
    assert!(said.contains("line 32, an hour is missing: the start of summer time?"), "{said}");
    // A zone that is written needs no guess.
    let zoned = autumn.replace(";12,5;", " +0100;12,5;");
    assert_eq!(bench.json(zoned, &[])["summer_time"], Value::Null);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// The writing side is the date library and integers; none of the reading side's code has a part in it.
    #[test]
    fn any_series_is_the_same_in_every_dialect(
        day in 0..3000_i64, levels in prop::collection::vec(-15_000..30_000_i64, 3..20), dialect in 1..KIT.len(),
    ) {
        let start = january() + day * 86_400;
        // The day is over 12, so that the order of day and month is never in doubt.
        let at = Timestamp::from_second(start).unwrap().to_zoned_datetime(jiff::tz::TimeZone::UTC);
        prop_assume!(at.day() > 12 && at.day() < 28 && at.year() >= 2013 && i32::from(at.day()) != i32::from(at.year()) % 100);
        let cell = |row: i64| levels[usize::try_from(row / 40).unwrap() % levels.len()] / 5 * 5;
        let rows = 40 * i64::try_from(levels.len()).unwrap();
        let bench = Folder::new();
        let plain = bench.json(written(&PLAIN, start, rows, cell), &[]);
        let text = written(&KIT[dialect], start, rows, cell);
        let ran = bench.replay(&text, &["--json"]);
        // Two digits of a year may be a day; then it is refused, in words.
        if ran.status() != 0 {
            prop_assert!(KIT[dialect].patterns[0].contains("%y") && ran.stderr().contains("no row looked at decides"), "{}", ran.stderr());
        } else {
            let read = ran.json();
            prop_assert_eq!(&read["rows_rejected"], &plain["rows_rejected"]);
            prop_assert_eq!(&read["span_s"], &plain["span_s"]);
            prop_assert_eq!(decisions(&read), decisions(&plain), "{}", thousandths(levels[0]));
        }
    }
}

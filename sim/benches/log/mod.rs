//! The log that the benchmarks of replay read: 1 Hz, four temperatures and a voltage.
#![allow(unreachable_pub, reason = "each benchmark includes this file as a module of its own")]

use csv::ByteRecord;
use forewarm::installation::Installation;
use forewarm::replay::{Mapping, Request};
use jiff::fmt::temporal::DateTimeParser;
use jiff::{Timestamp, ToSpan};
use std::io::Write;

/// Rows of the log.
pub const ROWS: u32 = 1_000_000;

const INSTALLATION: &str = r#"
title = "Benchmark"
[charge]
capacity_ah = 200
ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 } ]
[heater]
power_w = 120
nominal_v = 12.8
supply_min_v = 11.5
supply_max_v = 15
[[source]]
name = "mains"
budget_w = 600
obeys = "a charger that is made for this benchmark"
[bank]
spend = "never"
[[channel]]
name = "cell_1"
role = "cell"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
[[channel]]
name = "cell_2"
role = "cell"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
[[channel]]
name = "pad"
role = "pad"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
[[channel]]
name = "air"
role = "ambient"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
"#;

/// The text of the log. `moment` gives the time of a row from its second.
pub fn written<T: std::fmt::Display>(time: &str, moment: impl Fn(i64) -> T) -> Vec<u8> {
    let mut text = format!("{time},cell_1_c,cell_2_c,pad_c,air_c,supply_v\n").into_bytes();
    for row in 0..ROWS {
        let wave = libm::sin(f64::from(row) / 5000.0);
        let moment = moment(1_700_000_000 + i64::from(row));
        let (cell, pad, air, supply) = (7.0 + 4.0 * wave, 12.0 + 6.0 * wave, -3.0 + wave, 13.2 + 0.1 * wave);
        writeln!(text, "{moment},{cell:.3},{:.3},{pad:.3},{air:.3},{supply:.2}", cell + 0.1).unwrap();
    }
    text
}

/// Reads the log with the plain `csv` crate, its times and numbers parsed.
pub fn read_plainly(text: &[u8], moment: impl Fn(&[u8]) -> i64) -> (i64, f64) {
    let mut reader = csv::Reader::from_reader(text);
    let mut record = ByteRecord::new();
    let (mut times, mut sum) = (0, 0.0);
    while reader.read_byte_record(&mut record).unwrap() {
        times ^= moment(&record[0]);
        sum += record.iter().skip(1).map(number).sum::<f64>();
    }
    (times, sum)
}

/// A number as it is written.
pub fn number(field: &[u8]) -> f64 {
    std::str::from_utf8(field).unwrap().parse().unwrap()
}

/// A date and time as it is written (ms since 1970).
pub fn date(field: &[u8]) -> i64 {
    DateTimeParser::new().parse_timestamp(field).unwrap().as_millisecond()
}

/// The moment of a second, as a date.
pub fn dated(seconds: i64) -> Timestamp {
    Timestamp::UNIX_EPOCH + seconds.seconds()
}

/// What is replayed, and how, with a step of so many milliseconds.
pub fn order(step_ms: u32) -> (Installation, Request) {
    let installation = Installation::parse("benchmark", INSTALLATION).unwrap();
    let request = Request {
        log: "benchmark".into(),
        delimiter: Some(b','),
        mapping: Mapping { always_present: vec!["mains".into()], ..Mapping::default() },
        step_ms,
        longest_gap_ms: None,
        strict: true,
    };
    (installation, request)
}

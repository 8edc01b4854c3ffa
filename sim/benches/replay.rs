//! Rows per second of a replay, against reading the same log with the plain `csv` crate, its dates and numbers parsed.
//!
//! `cargo bench -p forewarm` prints both in items (rows) per second. The log is one of 1 Hz with four temperatures and a
//! voltage: one step a row.

use csv::ByteRecord;
use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use forewarm::installation::Installation;
use forewarm::replay::{Mapping, Request, Sinks, replay};
use jiff::fmt::temporal::DateTimeParser;
use jiff::{Timestamp, ToSpan};
use std::io::Write;
use std::sync::LazyLock;

const ROWS: u32 = 1_000_000;

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

static DATES: LazyLock<Vec<u8>> = LazyLock::new(|| log("time", |seconds| Timestamp::UNIX_EPOCH + seconds.seconds()));
static EPOCHS: LazyLock<Vec<u8>> = LazyLock::new(|| log("epoch_s", |seconds| seconds));

fn log<T: std::fmt::Display>(time: &str, moment: impl Fn(i64) -> T) -> Vec<u8> {
    let mut text = format!("{time},cell_1_c,cell_2_c,pad_c,air_c,supply_v\n").into_bytes();
    for row in 0..ROWS {
        let wave = (f64::from(row) / 5000.0).sin();
        let moment = moment(1_700_000_000 + i64::from(row));
        let (cell, pad, air, supply) = (7.0 + 4.0 * wave, 12.0 + 6.0 * wave, -3.0 + wave, 13.2 + 0.1 * wave);
        writeln!(text, "{moment},{cell:.3},{:.3},{pad:.3},{air:.3},{supply:.2}", cell + 0.1).unwrap();
    }
    text
}

fn plain(text: &[u8], moment: impl Fn(&[u8]) -> i64) -> (i64, f64) {
    let mut reader = csv::Reader::from_reader(text);
    let mut record = ByteRecord::new();
    let (mut times, mut sum) = (0, 0.0);
    while reader.read_byte_record(&mut record).unwrap() {
        times ^= moment(&record[0]);
        sum += record.iter().skip(1).map(number).sum::<f64>();
    }
    (times, sum)
}

fn number(field: &[u8]) -> f64 {
    std::str::from_utf8(field).unwrap().parse().unwrap()
}

fn date(field: &[u8]) -> i64 {
    DateTimeParser::new().parse_timestamp(field).unwrap().as_millisecond()
}

#[expect(clippy::cast_possible_truncation, reason = "a moment of this century")]
fn epoch(field: &[u8]) -> i64 {
    (number(field) * 1000.0) as i64
}

fn replayed(text: &[u8]) {
    let installation = Installation::parse("benchmark", INSTALLATION).unwrap();
    let request = Request {
        log: "benchmark".into(),
        delimiter: Some(b','),
        mapping: Mapping { always_present: vec!["mains".into()], ..Mapping::default() },
        step_ms: 1000,
        longest_gap_ms: None,
        strict: true,
    };
    let (report, _) = replay(&installation, text, &request, Sinks::default(), &mut |_| {}).unwrap();
    assert_eq!(report.steps, u64::from(ROWS));
    black_box(report);
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn dates_plain_csv(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| plain(black_box(&DATES), date));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn dates_replay(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| replayed(black_box(&DATES)));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn epochs_plain_csv(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| plain(black_box(&EPOCHS), epoch));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn epochs_replay(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| replayed(black_box(&EPOCHS)));
}

fn main() {
    // Made before the first sample, or its making would be measured.
    LazyLock::force(&DATES);
    LazyLock::force(&EPOCHS);
    divan::main();
}

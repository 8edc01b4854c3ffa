//! Rows per second of a replay: plain rows on their own path, the same on the general path, the log packed as gzip and
//! zstd; against reading the same log with the plain `csv` crate, its dates and numbers parsed.
//!
//! `cargo bench -p forewarm --bench replay` prints all in items (rows) per second. The log is one of 1 Hz with four
//! temperatures and a voltage. `replay` takes one step a row. `reading` takes one in ten rows, so that little but reading
//! is left. Reading and stepping have a thread each.

use csv::ByteRecord;
use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use flate2::Compression;
use flate2::write::GzEncoder;
use forewarm::installation::Installation;
use forewarm::replay::{Mapping, Request, Sinks, replay, replay_generally};
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
static GZIP: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let mut packer = GzEncoder::new(Vec::new(), Compression::default());
    packer.write_all(&DATES).unwrap();
    packer.finish().unwrap()
});
static ZSTD: LazyLock<Vec<u8>> = LazyLock::new(|| zstd::encode_all(&DATES[..], 3).unwrap());

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

/// How the rows of a log are read.
#[derive(Clone, Copy)]
enum Path {
    Usual,
    General,
}

fn replayed(log: &[u8], path: Path, step_ms: u32) {
    let installation = Installation::parse("benchmark", INSTALLATION).unwrap();
    let request = Request {
        log: "benchmark".into(),
        delimiter: Some(b','),
        mapping: Mapping { always_present: vec!["mains".into()], ..Mapping::default() },
        step_ms,
        longest_gap_ms: None,
        strict: true,
    };
    let run = match path {
        Path::Usual => replay(&installation, log, &request, Sinks::default(), &mut |_| {}),
        Path::General => replay_generally(&installation, log, &request, Sinks::default(), &mut |_| {}),
    };
    let (report, _) = run.unwrap();
    assert_eq!(report.rows_read, u64::from(ROWS));
    black_box(report);
}

/// Benchmarks of one log: what is read, on which path, with which step (ms).
macro_rules! replays {
    ($($name:ident: $log:ident, $path:ident, $step_ms:literal;)*) => {$(
        #[divan::bench(sample_count = 20, sample_size = 1)]
        fn $name(bencher: Bencher<'_, '_>) {
            bencher.counter(ItemsCount::new(ROWS)).bench(|| replayed(black_box(&$log), Path::$path, $step_ms));
        }
    )*};
}

replays! {
    dates_reading: DATES, Usual, 10_000;
    dates_reading_generally: DATES, General, 10_000;
    dates_reading_gzip: GZIP, Usual, 10_000;
    dates_reading_gzip_generally: GZIP, General, 10_000;
    dates_reading_zstd: ZSTD, Usual, 10_000;
    dates_reading_zstd_generally: ZSTD, General, 10_000;
    dates_replay: DATES, Usual, 1000;
    dates_replay_generally: DATES, General, 1000;
    dates_replay_gzip: GZIP, Usual, 1000;
    dates_replay_zstd: ZSTD, Usual, 1000;
    epochs_reading: EPOCHS, Usual, 10_000;
    epochs_reading_generally: EPOCHS, General, 10_000;
    epochs_replay: EPOCHS, Usual, 1000;
    epochs_replay_generally: EPOCHS, General, 1000;
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn dates_plain_csv(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| plain(black_box(&DATES), date));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn epochs_plain_csv(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| plain(black_box(&EPOCHS), epoch));
}

fn main() {
    // Made before the first sample, or its making would be measured.
    LazyLock::force(&DATES);
    LazyLock::force(&EPOCHS);
    LazyLock::force(&GZIP);
    LazyLock::force(&ZSTD);
    divan::main();
}

//! Rows per second of a replay: plain rows on their own path, the same on the general path, the log packed as gzip and
//! zstd; against reading the same log with the plain `csv` crate, its dates and numbers parsed.
//!
//! `cargo bench -p forewarm --bench replay` prints all in items (rows) per second. The log is one of 1 Hz with four
//! temperatures and a voltage. `replay` takes one step a row. `reading` takes one in ten rows, so that little but reading
//! is left. Reading and stepping have a thread each.

mod log;

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use flate2::Compression;
use flate2::write::GzEncoder;
use forewarm::replay::{Sinks, replay, replay_generally};
use log::{ROWS, read_plainly};
use std::io::Write;
use std::sync::LazyLock;

static DATES: LazyLock<Vec<u8>> = LazyLock::new(|| log::written("time", log::dated));
static EPOCHS: LazyLock<Vec<u8>> = LazyLock::new(|| log::written("epoch_s", |seconds| seconds));
static GZIP: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let mut packer = GzEncoder::new(Vec::new(), Compression::default());
    packer.write_all(&DATES).unwrap();
    packer.finish().unwrap()
});
static ZSTD: LazyLock<Vec<u8>> = LazyLock::new(|| zstd::encode_all(&DATES[..], 3).unwrap());

#[expect(clippy::cast_possible_truncation, reason = "a moment of this century")]
fn epoch(field: &[u8]) -> i64 {
    (log::number(field) * 1000.0) as i64
}

/// How the rows of a log are read.
#[derive(Clone, Copy)]
enum Path {
    Usual,
    General,
}

fn replayed(log: &[u8], path: Path, step_ms: u32) {
    let (installation, request) = log::order(step_ms);
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
    bencher.counter(ItemsCount::new(ROWS)).bench(|| read_plainly(black_box(&DATES), log::date));
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn epochs_plain_csv(bencher: Bencher<'_, '_>) {
    bencher.counter(ItemsCount::new(ROWS)).bench(|| read_plainly(black_box(&EPOCHS), epoch));
}

fn main() {
    // Made before the first sample, or its making would be measured.
    LazyLock::force(&DATES);
    LazyLock::force(&EPOCHS);
    LazyLock::force(&GZIP);
    LazyLock::force(&ZSTD);
    divan::main();
}

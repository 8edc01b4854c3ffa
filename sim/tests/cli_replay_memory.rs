//! `forewarm replay`: memory does not grow with the log.
#![cfg(target_os = "linux")]

mod replay_kit;

use flate2::Compression;
use flate2::write::GzEncoder;
use replay_kit::{Folder, swing, thousandths};
use std::io::{self, BufWriter, Write};
use std::process::{ChildStdin, ExitStatus, Stdio};
use std::time::Duration;

/// The most memory that a replay of what `write` writes into a pipe ever had, in KiB, with everything asked for that it
/// can write; and how it ended.
fn peak_kib(write: impl FnOnce(ChildStdin) -> io::Result<()> + Send + 'static) -> (u64, ExitStatus) {
    let bench = Folder::new();
    let options = ["--json", "--assume-source", "mains", "--plot", "p.html", "--timeline", "t.csv", "--every", "1"];
    let mut command = bench.command("-", &options);
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let stdin = child.stdin.take().unwrap();
    let status = format!("/proc/{}/status", child.id());
    // A command that stops early closes the pipe.
    let writer = std::thread::spawn(move || write(stdin));
    let mut peak = 0;
    while child.try_wait().unwrap().is_none() {
        let status = std::fs::read_to_string(&status).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().strip_suffix("kB")?.trim().parse().ok());
        peak = peak.max(kib.unwrap_or(0));
        std::thread::sleep(Duration::from_millis(2));
    }
    let ended = child.wait().unwrap();
    let written = writer.join().unwrap();
    assert!(written.is_ok() || !ended.success(), "{written:?}");
    assert!(peak > 1000, "no measurement");
    (peak, ended)
}

fn write_log(into: &mut impl Write, rows: i64) -> io::Result<()> {
    into.write_all(b"t_s,low_c,high_c,pad_c,charge\n")?;
    for row in 0..rows {
        let cell = swing(row % 20_000);
        // Chatter, so that there is an event in every few rows, and a pad that is rarely logged, so that rows are held back.
        let high = if row % 7 == 0 {
            "NaN".to_owned()
        } else if row % 11 == 0 {
            "9999".to_owned()
        } else {
            thousandths(cell)
        };
        let pad = if row % 3000 == 0 { "20" } else { "" };
        writeln!(into, "{row},{},{high},{pad},{}", thousandths(cell), row % 2)?;
    }
    Ok(())
}

/// The most memory for a log of `rows` rows.
fn peak_of_log(rows: i64) -> u64 {
    let (peak, ended) = peak_kib(move |stdin| {
        let mut stdin = BufWriter::with_capacity(1 << 16, stdin);
        write_log(&mut stdin, rows)?;
        stdin.flush()
    });
    assert!(ended.success());
    peak
}

#[test]
fn memory_stays_below_50_mb_and_does_not_grow_with_the_log() {
    let (short, long) = (peak_of_log(200_000), peak_of_log(2_000_000));
    assert!(long < 50_000_000 / 1024, "{long} KiB");
    assert!(long < short + 4096, "{short} KiB for a tenth of the log, {long} KiB for the whole");
}

#[test]
fn memory_is_no_more_than_8_mib_higher_for_a_packed_log() {
    // At its usual levels zstd packs with windows of up to 2 MiB, gzip with 32 KiB.
    const ROWS: i64 = 1_000_000;
    let plain = peak_of_log(ROWS);
    let (gzip, ended) = peak_kib(|stdin| {
        let mut packer = GzEncoder::new(stdin, Compression::fast());
        write_log(&mut packer, ROWS)?;
        packer.finish().map(drop)
    });
    assert!(ended.success());
    let (zstd, ended) = peak_kib(|stdin| {
        let mut packer = zstd::Encoder::new(stdin, 3)?;
        write_log(&mut packer, ROWS)?;
        packer.finish().map(drop)
    });
    assert!(ended.success());
    assert!(gzip.max(zstd) < plain + 8192, "{plain} KiB plain, {gzip} KiB gzip, {zstd} KiB zstd");
}

#[test]
fn a_little_packed_data_that_becomes_very_much_does_not_fill_the_memory() {
    /// Some 200 MB of `byte`, after a header.
    fn write(mut into: impl Write, byte: u8) -> io::Result<()> {
        into.write_all(b"t_s,low_c,high_c\n")?;
        let piece = vec![byte; 1 << 20];
        (0..200).try_for_each(|_| into.write_all(&piece))
    }
    // One line without end, and nothing but empty lines.
    for byte in [b'7', b'\n'] {
        let (gzip, ended) = peak_kib(move |stdin| write(GzEncoder::new(stdin, Compression::best()), byte));
        assert!(!ended.success());
        let (zstd, ended) = peak_kib(move |stdin| write(zstd::Encoder::new(stdin, 19)?.auto_finish(), byte));
        assert!(!ended.success());
        assert!(gzip.max(zstd) < 50_000_000 / 1024, "{gzip} KiB gzip, {zstd} KiB zstd");
    }
}

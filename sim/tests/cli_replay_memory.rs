//! `forewarm replay`: memory does not grow with the log.
#![cfg(target_os = "linux")]

mod replay_kit;

use replay_kit::{Folder, swing, thousandths};
use std::fmt::Write as _;
use std::io::Write as _;
use std::process::Stdio;
use std::time::Duration;

/// The most memory a replay of `rows` rows from a pipe ever had, in KiB, with everything asked for that it can write.
fn peak_kib(rows: i64) -> u64 {
    let bench = Folder::new();
    let options = ["--json", "--assume-source", "mains", "--plot", "p.html", "--timeline", "t.csv", "--every", "1"];
    let mut command = bench.command("-", &options);
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let status = format!("/proc/{}/status", child.id());
    let writer = std::thread::spawn(move || {
        let mut text = "t_s,low_c,high_c,pad_c,charge\n".to_owned();
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
            writeln!(text, "{row},{},{high},{pad},{}", thousandths(cell), row % 2).unwrap();
            if text.len() > 1 << 16 {
                stdin.write_all(text.as_bytes()).unwrap();
                text.clear();
            }
        }
        stdin.write_all(text.as_bytes()).unwrap();
    });
    let mut peak = 0;
    while child.try_wait().unwrap().is_none() {
        let status = std::fs::read_to_string(&status).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = line.and_then(|line| line.trim().strip_suffix("kB")?.trim().parse().ok());
        peak = peak.max(kib.unwrap_or(0));
        std::thread::sleep(Duration::from_millis(2));
    }
    writer.join().unwrap();
    assert!(child.wait().unwrap().success());
    peak
}

#[test]
fn memory_stays_below_50_mb_and_does_not_grow_with_the_log() {
    let (short, long) = (peak_kib(200_000), peak_kib(2_000_000));
    assert!(long > 1000, "no measurement");
    assert!(long < 50_000_000 / 1024, "{long} KiB");
    assert!(long < short + 4096, "{short} KiB for a tenth of the log, {long} KiB for the whole");
}

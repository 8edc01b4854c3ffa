//! Logs, read on both paths.

use crate::bytes::Bytes;
use forewarm::installation::Installation;
use forewarm::replay::{Mapping, ReplayError, Request, Sinks, replay, replay_generally};
use std::io::{self, Read};
use std::sync::LazyLock;

/// Two cells, a plate and two sources.
const INSTALLATION: &str = r#"
title = "Test bank"
[charge]
inhibit_c = 5
release_c = 8
soak_min = 10
capacity_ah = 200
ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 } ]
[heater]
power_w = 100
nominal_v = 12
supply_min_v = 11
supply_max_v = 15
proof_wh = 20
proof_rise_k = 1
[[source]]
name = "mains"
budget_w = 600
obeys = "a charger that is made for this test"
[[source]]
name = "solar"
budget_w = 300
obeys = "a charger that is made for this test"
priority = 1
[bank]
spend = "never"
[[channel]]
name = "low"
role = "cell"
element = "pt100"
reference_ohm = 400
wiring = "4-wire"
[[channel]]
name = "high"
role = "cell"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
[[channel]]
name = "pad"
role = "pad"
element = "pt1000"
reference_ohm = 4000
wiring = "3-wire"
"#;

/// The longest log. Longer ones say no more, and slowly.
const LONGEST: usize = 4_000;

/// Whatever is in a log, it is replayed or refused with a line, both paths give the same, and no row is made up.
///
/// # Panics
/// If not.
pub fn log(data: &[u8]) {
    static BANK: LazyLock<Installation> =
        LazyLock::new(|| Installation::parse("bank.toml", INSTALLATION).expect("it is in order"));
    let mut bytes = Bytes(data);
    let [piece, flags] = bytes.array();
    let text = bytes.slice(LONGEST);
    if is_packed(text) {
        return;
    }
    let outcome = |is_general| outcome(&BANK, text, usize::from(piece).max(1), flags & 1 != 0, is_general);
    assert_eq!(outcome(false), outcome(true), "the two paths differ");
}

/// What comes of it: the report and the events as text, or the problems.
fn outcome(bank: &Installation, text: &[u8], piece: usize, strict: bool, is_general: bool) -> Result<String, String> {
    let request = Request {
        log: "log.csv".into(),
        delimiter: None,
        mapping: Mapping::default(),
        step_ms: 10_000,
        longest_gap_ms: None,
        strict,
    };
    let sinks = Sinks { events: true, ..Sinks::default() };
    let source = Dribble(text, piece);
    let run = if is_general {
        replay_generally(bank, source, &request, sinks, &mut |_| {})
    } else {
        replay(bank, source, &request, sinks, &mut |_| {})
    };
    match run {
        Ok((report, events)) => {
            let lines = text.iter().filter(|&&byte| matches!(byte, b'\n' | b'\r')).count() as u64 + 1;
            assert!(report.rows_read <= lines, "{} rows in {lines} lines", report.rows_read);
            let report = serde_json::to_string(&report).expect("a report is text");
            let events = events.map(|events| events.finish().expect("they are in memory"));
            Ok(report + &serde_json::to_string(&events).expect("events are text"))
        }
        Err(ReplayError::Unusable(problem)) => Err(format!("{problem:?}")),
        Err(ReplayError::Refused(problems)) => {
            assert!(!problems.is_empty(), "refused without a reason");
            Err(format!("{problems:?}"))
        }
    }
}

/// Whether the log is packed, as gzip or zstd: a few bytes can then be a log of any length.
fn is_packed(text: &[u8]) -> bool {
    text.starts_with(&[0x1F, 0x8B]) || text.starts_with(&[0x28, 0xB5, 0x2F, 0xFD])
}

/// Hands out a few bytes at a time.
struct Dribble<'a>(&'a [u8], usize);

impl Read for Dribble<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = self.1.min(into.len());
        self.0.read(&mut into[..count])
    }
}

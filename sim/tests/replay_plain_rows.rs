//! Plain rows of a log are read on a path of their own. Whatever is in a log, both paths give the same report, events,
//! timeline and error, byte for byte.

mod replay_kit;

use forewarm::installation::Installation;
use forewarm::output::{Existing, Target};
use forewarm::replay::{Mapping, Request, Sinks, replay, replay_generally};
use jiff::Timestamp;
use jiff::tz::Offset;
use proptest::prelude::*;
use proptest::sample::{Index, select};
use replay_kit::INSTALLATION;
use std::io::{self, Read};

/// How a log writes its moments.
#[derive(Clone, Copy, Debug)]
enum Moments {
    /// As a date in a zone (h), in this pattern.
    Dates(&'static str, i8),
    EpochSeconds,
    EpochMillis,
    Elapsed,
}

const MOMENTS: [Moments; 9] = [
    Moments::Dates("%Y-%m-%dT%H:%M:%SZ", 0),
    Moments::Dates("%Y-%m-%dT%H:%M:%S%.fZ", 0),
    Moments::Dates("%Y-%m-%d %H:%M:%S", 0),
    Moments::Dates("%Y-%m-%d %H:%M:%S%.3f%:z", -9),
    Moments::Dates("%Y-%m-%dT%H:%M:%S%:z", 5),
    Moments::Dates("%d.%m.%Y %H:%M:%S", 0),
    Moments::EpochSeconds,
    Moments::EpochMillis,
    Moments::Elapsed,
];

impl Moments {
    fn column(self) -> &'static str {
        match self {
            Self::Dates(..) => "time",
            Self::EpochSeconds => "epoch_s",
            Self::EpochMillis => "epoch_ms",
            Self::Elapsed => "t_s",
        }
    }

    fn write(self, start_s: i64, at_ms: i64) -> String {
        match self {
            Self::Dates(pattern, zone) => {
                let at = Timestamp::from_millisecond(start_s * 1000 + at_ms).unwrap();
                at.to_zoned_datetime(Offset::constant(zone).to_time_zone()).strftime(pattern).to_string()
            }
            Self::EpochSeconds => format!("{}", start_s + at_ms / 1000),
            Self::EpochMillis => format!("{}", start_s * 1000 + at_ms),
            Self::Elapsed => format!("{}.{:03}", at_ms / 1000, at_ms % 1000),
        }
    }
}

/// What may stand in place of a cell.
const ODD_CELLS: [&str; 46] = [
    "",
    " ",
    "-",
    "+",
    ".",
    "5.",
    ".5",
    "+5",
    "-0",
    "-0.0",
    "00012.50",
    "1e1",
    "1E-2",
    "NaN",
    "inf",
    "-inf",
    "12,5",
    "1,234",
    "\"8.5\"",
    "\"8",
    "8\"",
    "\"8,5\"",
    " 8.25 ",
    "\t8",
    "8 8",
    "1.2.3",
    "--1",
    "1_0",
    "0x10",
    "1234567",
    "123456.7",
    "12345.67",
    "1234567.8",
    "12345678",
    "0.123456789012345678",
    "99999999999999999999",
    "9007199254740993",
    "true",
    "off",
    "2",
    "2025-01-31T13:45:60Z",
    "2025-01-31T24:00:00Z",
    "2025-02-30T00:00:00Z",
    "2025-01-31 13:45",
    "2025-01-31T13:45:00,5Z",
    "2025-01-31t13:45:00.1234z",
];

/// What may happen to a row.
#[derive(Clone, Debug)]
enum Damage {
    /// A cell is another.
    Cell(Index, &'static str),
    /// A cell is gone, or is there twice.
    Missing(Index),
    Extra(Index),
    /// These bytes stand in it.
    Bytes(Index, &'static [u8]),
    /// It comes with another line above it.
    Above(&'static str),
    /// A cell is that long.
    Huge(Index, usize),
    /// Its time ends otherwise, as in another zone.
    Zone(&'static str),
}

fn damage() -> impl Strategy<Value = Damage> {
    let any_place = any::<Index>;
    prop_oneof![
        8 => (any_place(), select(&ODD_CELLS[..])).prop_map(|(at, cell)| Damage::Cell(at, cell)),
        1 => any_place().prop_map(Damage::Missing),
        1 => any_place().prop_map(Damage::Extra),
        2 => (any_place(), select(vec![&b"\xFF"[..], b"\xC3", b"\r", b"\"", b"\n", b"#", b" ", b"\x01", b"-"]))
            .prop_map(|(at, bytes)| Damage::Bytes(at, bytes)),
        1 => select(vec!["", "  \t", "# a comment, of two parts", " # none", "\r", ",,,,,", "sep=;"]).prop_map(Damage::Above),
        1 => (any_place(), select(vec![100, 5000, 70_000])).prop_map(|(at, length)| Damage::Huge(at, length)),
        2 => select(vec!["Z", "z", "+00:00", "-09:00", "+05:00", "+05:30", "+05", "", "0", ".5Z", " "]).prop_map(Damage::Zone),
    ]
}

/// A row: how long after the one before (ms), and what happens to it.
fn row() -> impl Strategy<Value = (i64, Option<Damage>)> {
    let step = prop_oneof![
        20 => Just(1000_i64),
        2 => 1..3000_i64,
        1 => select(vec![0, -1000, -60_000, 3_600_000, 3_661_000, 86_400_000, 90_000_000]),
    ];
    (step, prop_oneof![4 => Just(None), 1 => damage().prop_map(Some)])
}

/// A log, and how it is handed over.
#[derive(Clone, Debug)]
struct Log {
    bytes: Vec<u8>,
    piece: usize,
    strict: bool,
}

prop_compose! {
    fn log()(
        moments in select(&MOMENTS[..]),
        // Around the epoch, where milliseconds are rounded the other way; a day when clocks change; any other.
        start_s in prop_oneof![-90..90_i64, Just(1_743_292_000), 1_600_000_000..1_700_000_000_i64],
        rows in proptest::collection::vec(row(), 1..120),
        delimiter in select(vec![",", ",", ",", ";", "\t"]),
        ends in select(vec!["\n", "\n", "\r\n", "\r\r\n"]),
        decimals in 0..7_usize,
        cut in prop_oneof![4 => Just(0), 1 => 1..60_usize],
        zero in prop_oneof![9 => Just(None), 1 => any::<Index>().prop_map(Some)],
        piece in prop_oneof![1..300_usize, Just(1 << 20)],
        strict in prop::bool::weighted(0.1),
        seed in 0..1000_u32,
    ) -> Log {
        let names = [moments.column(), "low_c", "note", "high_c", "mains_present", "pad_c"];
        let mut bytes = names.join(delimiter).into_bytes();
        bytes.extend_from_slice(ends.as_bytes());
        let mut at_ms = 0_i64;
        for (index, (step, damage)) in (seed..).zip(rows) {
            at_ms = (at_ms + step).max(0);
            let wave = libm::sin(f64::from(index) / 20.0);
            let flag = if index % 50 < 40 { "1" } else { "0" };
            let pad = if index % 3 == 0 { String::new() } else { format!("{:.decimals$}", 20.0 * wave) };
            let numbers = [6.0 + 4.0 * wave, 6.1 + 4.0 * wave].map(|value| format!("{value:.decimals$}"));
            let [low, high] = numbers;
            let cells = vec![moments.write(start_s, at_ms), low, "ab c".to_owned(), high, flag.to_owned(), pad];
            write_row(&mut bytes, cells, damage.as_ref(), delimiter);
            bytes.extend_from_slice(ends.as_bytes());
        }
        bytes.truncate(bytes.len() - cut.min(bytes.len()));
        if let Some(place) = zero.filter(|_| !bytes.is_empty()) {
            let place = place.index(bytes.len());
            bytes[place] = 0;
        }
        Log { bytes, piece, strict }
    }
}

fn write_row(into: &mut Vec<u8>, mut cells: Vec<String>, damage: Option<&Damage>, delimiter: &str) {
    match damage {
        Some(Damage::Cell(at, cell)) => (*cell).clone_into(at.get_mut(&mut cells)),
        Some(Damage::Missing(at)) => drop(cells.remove(at.index(cells.len()))),
        Some(Damage::Extra(at)) => cells.insert(at.index(cells.len()), "1".to_owned()),
        Some(Damage::Zone(zone)) => {
            let time = cells[0].trim_end_matches('Z');
            let time =
                time.rsplit_once(['+', '-']).filter(|(_, zone)| zone.contains(':')).map_or(time, |(time, _)| time);
            cells[0] = format!("{time}{zone}");
        }
        Some(Damage::Huge(at, length)) => *at.get_mut(&mut cells) = "7".repeat(*length),
        Some(Damage::Above(line)) => into.extend_from_slice(format!("{line}\n").as_bytes()),
        Some(Damage::Bytes(..)) | None => {}
    }
    let mut row = cells.join(delimiter).into_bytes();
    if let Some(Damage::Bytes(at, bytes)) = damage {
        let place = at.index(row.len() + 1);
        row.splice(place..place, bytes.iter().copied());
    }
    into.extend_from_slice(&row);
}

/// Hands out a few bytes at a time.
struct Dribble<'a>(&'a [u8], usize);

impl Read for Dribble<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = self.1.min(into.len());
        self.0.read(&mut into[..count])
    }
}

/// Everything that comes of a replay: the report, the rejects in it, the events, the timeline, or the error.
#[derive(Debug, PartialEq, Eq)]
enum Outcome {
    Replayed { report: String, events: String, timeline: String },
    Failed(String),
}

fn outcome(log: &Log, is_general: bool) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let timeline = folder.path().join("timeline.csv");
    let installation = Installation::parse("bank.toml", INSTALLATION).unwrap();
    let request = Request {
        log: "log.csv".into(),
        delimiter: None,
        mapping: Mapping::default(),
        step_ms: 1000,
        longest_gap_ms: None,
        strict: log.strict,
    };
    let target = Target::claim(&timeline, Existing::Keep, &[]).unwrap();
    let sinks = Sinks { timeline: Some((target, 60_000)), events: true, ..Sinks::default() };
    let source = Dribble(&log.bytes, log.piece);
    let run = if is_general {
        replay_generally(&installation, source, &request, sinks, &mut |_| {})
    } else {
        replay(&installation, source, &request, sinks, &mut |_| {})
    };
    match run {
        Ok((report, events)) => Outcome::Replayed {
            report: serde_json::to_string_pretty(&report).unwrap(),
            events: serde_json::to_string_pretty(&events.unwrap().finish().unwrap()).unwrap(),
            timeline: std::fs::read_to_string(timeline).unwrap(),
        },
        Err(error) => {
            assert!(!timeline.exists());
            Outcome::Failed(format!("{error:?}"))
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn both_paths_give_the_same_whatever_is_in_the_log(log in log()) {
        prop_assert_eq!(outcome(&log, false), outcome(&log, true));
    }

    #[test]
    fn both_paths_give_the_same_whatever_bytes_are_changed(
        log in log(),
        changes in proptest::collection::vec((any::<Index>(), any::<u8>()), 1..8),
    ) {
        let mut log = log;
        for (place, byte) in changes {
            let place = place.index(log.bytes.len());
            log.bytes[place] = byte;
        }
        prop_assert_eq!(outcome(&log, false), outcome(&log, true));
    }
}

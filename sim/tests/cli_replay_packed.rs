//! `forewarm replay`: logs packed as gzip or zstd. They give what the log in them gives, or an error that says how far
//! they can be read.

mod replay_kit;

use flate2::Compression;
use flate2::write::GzEncoder;
use forewarm::installation::Installation;
use forewarm::replay::{Mapping, ReplayError, Request, Sinks, replay};
use forewarm::weather::Weather;
use proptest::prelude::*;
use proptest::sample::Index;
use replay_kit::{Folder, INSTALLATION, log, swing, thousandths};
use std::fs;
use std::io::Write as _;

fn good() -> String {
    log("t_s,low_c,high_c", 600, 60, |t, _| thousandths(swing(t % 20_000)))
}

#[derive(Clone, Copy, Debug)]
enum Packing {
    Gzip,
    Zstd,
}

const ALL: [Packing; 2] = [Packing::Gzip, Packing::Zstd];

impl Packing {
    fn name(self) -> &'static str {
        match self {
            Self::Gzip => "gzip",
            Self::Zstd => "zstd",
        }
    }

    fn pack(self, text: impl AsRef<[u8]>) -> Vec<u8> {
        match self {
            Self::Gzip => {
                let mut packer = GzEncoder::new(Vec::new(), Compression::default());
                packer.write_all(text.as_ref()).unwrap();
                packer.finish().unwrap()
            }
            Self::Zstd => {
                let mut packer = zstd::Encoder::new(Vec::new(), 3).unwrap();
                // As the standard command does it.
                packer.include_checksum(true).unwrap();
                packer.write_all(text.as_ref()).unwrap();
                packer.finish().unwrap()
            }
        }
    }
}

#[test]
fn a_packed_log_gives_what_the_log_in_it_gives_whatever_it_is_called() {
    let bench = Folder::new();
    let options = ["--json", "--timeline", "out.csv", "--force"];
    let plain = bench.replay(good(), &options).json();
    let timeline = bench.read("out.csv");
    for packing in ALL {
        let packed = packing.pack(good());
        assert!(packed.len() < good().len() / 2);
        assert_eq!(bench.replay(&packed, &options).json(), plain, "{packing:?}");
        assert_eq!(bench.read("out.csv"), timeline);
        assert_eq!(bench.pipe(&packed, &["--json"]).json()["events"], plain["events"], "{packing:?}");
    }
    // A name says nothing.
    bench.write("log.csv.gz", good());
    assert_eq!(bench.run("log.csv.gz", &["--json"]).json()["events"], plain["events"]);
}

#[test]
fn packed_parts_one_behind_the_other_are_one_log() {
    let bench = Folder::new();
    let plain = bench.json(good(), &[]);
    let text = good();
    let (first, second) = text.split_at(text.len() / 3);
    // A frame of zstd that holds none of the text.
    let note = b"\x53\x2A\x4D\x18\x05\0\0\0notes";
    for packing in ALL {
        let parts = [packing.pack(first), packing.pack(""), packing.pack(second)].concat();
        assert_eq!(bench.json(parts, &[]), plain, "{packing:?}");
    }
    let parts = [note, &*Packing::Zstd.pack(first), note, &Packing::Zstd.pack(second)].concat();
    assert_eq!(bench.json(parts, &[]), plain);
}

#[test]
fn lines_are_counted_in_the_log_and_not_in_what_it_is_packed_in() {
    let bench = Folder::new();
    for packing in ALL {
        let text = good().replace("\n240,", "\n240x,");
        let ran = bench.replay(packing.pack(text), &["--json"]);
        assert_eq!(ran.json()["rejected"]["first"][0]["line"], 6);
        assert!(ran.stderr().contains("log.csv:6:1: row not used"), "{}", ran.stderr());
    }
}

#[test]
fn a_damaged_log_is_refused_with_how_far_it_can_be_read_and_leaves_no_file() {
    let options = ["--timeline", "out.csv", "--plot", "out.svg"];
    // Long enough that much of it can be read before the damage.
    let text = log("t_s,low_c,high_c", 100_000, 1, |t, _| thousandths(swing(t % 20_000)));
    for packing in ALL {
        let packed = packing.pack(&text);
        let cut = &packed[..packed.len() * 9 / 10];
        let mut flipped = packed.clone();
        flipped[packed.len() * 9 / 10..].fill(0xFF);
        let trailed = [&*packed, b"what is this"].concat();
        let name = packing.name();
        for (damaged, words) in [
            (cut, format!("the {name} data end too early, after {} bytes", cut.len())),
            (&*flipped, format!("the {name} data are damaged near byte")),
            (&*trailed, format!("the {name} data are damaged near byte")),
        ] {
            let bench = Folder::new();
            let ran = bench.replay(damaged, &options);
            ran.refuses(2, &["log.csv:", &words, "readable up to this line", "copy the file again"]);
            assert_eq!(bench.names(), ["bank.toml", "log.csv"]);
            let said = ran.stderr();
            let line: usize = said.split(':').nth(2).unwrap().parse().unwrap();
            assert!((50_000..=100_002).contains(&line), "{said}");
            bench.pipe(damaged, &[]).refuses(2, &["standard input:", &words]);
        }
    }
}

#[test]
fn a_packed_picture_is_no_log_and_an_empty_one_is_told_as_such() {
    let bench = Folder::new();
    for packing in ALL {
        bench.replay(packing.pack(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\x01"), &[]).refuses(2, &["not a CSV text"]);
        bench.replay(packing.pack(""), &[]).refuses(1, &["log.csv: is empty"]);
    }
    // Beginnings of what shows the packing, and no more.
    for start in [&b"\x1F"[..], b"\x28\xB5", b"\x50\x2A\x4D"] {
        assert_ne!(bench.replay(start, &[]).status(), 0);
    }
}

#[test]
fn a_window_that_would_fill_the_memory_is_refused() {
    // The head of a frame with a window of 2 GiB (RFC 8878, frame header), and some of a block.
    let bomb = b"\x28\xB5\x2F\xFD\x00\xA8\x01\x00\x00";
    Folder::new().replay(bomb, &[]).refuses(2, &["log.csv:1:1", "zstd data need more than 128 MiB", "unpack it first"]);
}

#[test]
fn a_log_packed_with_the_longest_window_is_read() {
    let mut packer = zstd::Encoder::new(Vec::new(), 1).unwrap();
    packer.window_log(27).unwrap();
    packer.write_all(good().as_bytes()).unwrap();
    assert_eq!(Folder::new().json(packer.finish().unwrap(), &[])["rows_read"], 600);
}

#[test]
fn a_weather_file_may_be_packed() {
    let text = fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/demo/weather.csv")).unwrap();
    let plain = Weather::read("weather", &text[..]).unwrap();
    for packing in ALL {
        let packed = packing.pack(&text);
        assert_eq!(Weather::read("weather", &packed[..]).unwrap(), plain);
        let problems = Weather::read("weather", &packed[..packed.len() - 100]).unwrap_err();
        assert!(problems[0].message.contains("data end too early"), "{problems:?}");
    }
}

/// What comes of a log: the report, or the message of the error.
fn outcome(log: &[u8]) -> Result<String, String> {
    let installation = Installation::parse("bank.toml", INSTALLATION).unwrap();
    let request = Request {
        log: "log.csv".into(),
        delimiter: None,
        mapping: Mapping::default(),
        step_ms: 1000,
        longest_gap_ms: None,
        strict: false,
    };
    match replay(&installation, log, &request, Sinks::default(), &mut |_| {}) {
        Ok((report, _)) => Ok(serde_json::to_string(&report).unwrap()),
        Err(ReplayError::Unusable(problem)) => Err(problem.message.into()),
        Err(ReplayError::Refused(problems)) => Err(format!("{problems:?}")),
    }
}

fn packing() -> impl Strategy<Value = Packing> {
    prop_oneof![Just(Packing::Gzip), Just(Packing::Zstd)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn a_packed_log_that_is_cut_off_anywhere_is_never_a_shorter_log(packing in packing(), cut: Index) {
        let packed = packing.pack(good());
        // From the first bytes on that show the packing.
        let cut = 4 + cut.index(packed.len() - 4);
        let said = outcome(&packed[..cut]).unwrap_err();
        prop_assert!(said.contains(&format!("end too early, after {cut} bytes")), "{}", said);
    }

    #[test]
    fn a_packed_log_with_any_byte_changed_is_the_same_log_or_none(packing in packing(), at: Index, byte: u8) {
        let mut packed = packing.pack(good());
        let original = outcome(&packed);
        prop_assert!(original.is_ok());
        let at = at.index(packed.len());
        packed[at] = byte;
        // Only the head holds bytes that do not matter, as the time of packing.
        let changed = outcome(&packed);
        prop_assert!(changed.is_err() || changed == original, "byte {} of {}", at, packed.len());
    }
}

//! The board under test, from the build of its file to its answers.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use forewarm::platinum::ohms;
use forewarm_core::settings::{MAX_SOURCES, ValidSettings};
use forewarm_core::signals::{Inputs, Line, Outputs, Relay, Sample};
use forewarm_core::wire::frame;
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Message, Request, Telemetry, Unfit};
use forewarm_rig::Pins;
use forewarm_tests::{build_images, root, run};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::OnceLock;
use tempfile::TempDir;

/// Converter modules of the board.
pub(crate) const CHANNELS: usize = 4;

/// What is wired to a converter module. Leads in the order of its terminals: FORCE+, RTDIN+, RTDIN−, FORCE−; three and two wires have
/// the first three and the outer two.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Wired {
    pub(crate) wires: usize,
    pub(crate) element_ohm: f64,
    pub(crate) lead_ohm: Vec<f64>,
    pub(crate) reference_ohm: f64,
    /// Leads that are off, by index.
    pub(crate) broken: Vec<usize>,
    /// Terminals or ends of the element that touch, or touch ground, the module's supply or the battery.
    pub(crate) shorts: Vec<[&'static str; 2]>,
}

impl Wired {
    /// An element without leads.
    pub(crate) fn element(wires: usize, element_ohm: f64, reference_ohm: f64) -> Self {
        Self { wires, element_ohm, lead_ohm: vec![0.0; wires], reference_ohm, broken: vec![], shorts: vec![] }
    }

    fn json(&self) -> Value {
        json!({
            "wires": self.wires, "element_ohm": self.element_ohm, "lead_ohm": self.lead_ohm,
            "reference_ohm": self.reference_ohm, "broken": self.broken, "shorts": self.shorts,
        })
    }
}

/// What the board shows after an order.
pub(crate) struct Seen {
    /// Time since its start (ms).
    pub(crate) ms: f64,
    /// Starts since it was switched on.
    pub(crate) starts: u64,
    /// Why it stopped, if it did: "watchdog" (it has started again), "power".
    pub(crate) ended: Option<String>,
    pub(crate) pins: Pins,
    /// Part of the period in which the ceiling's pin is high.
    pub(crate) ceiling: f64,
    /// The code of each chip's latest conversion.
    pub(crate) shown: [Option<u32>; CHANNELS],
    pub(crate) messages: Vec<Message<'static>>,
    /// Each time that a relay's pin moved.
    pub(crate) moves: Vec<(String, bool)>,
    /// The lowest address of the stack that was ever written, once an order has said where the stack lies.
    pub(crate) deepest: Option<u64>,
}

impl Seen {
    /// The state in the latest step.
    pub(crate) fn telemetry(&self) -> Option<&Telemetry> {
        self.messages.iter().rev().find_map(|message| match message {
            Message::Telemetry(telemetry) => Some(telemetry),
            _ => None,
        })
    }

    /// Whether charge is permitted.
    pub(crate) fn charges(&self) -> bool {
        self.pins.has(Pins::CHARGE)
    }

    /// Whether no relay is closed, and no current shown.
    pub(crate) fn rests(&self) -> bool {
        let closed = [Pins::HEATER, Pins::CHARGE, Pins::FULL].into_iter().any(|pin| self.pins.has(pin));
        !closed && self.ceiling == 0.0
    }

    /// Whether the pins follow these outputs.
    pub(crate) fn follow(&self, outputs: &Outputs) -> bool {
        let ceiling = f64::from(outputs.ceiling.as_per_mille().min(1000)) / 1000.0;
        self.pins.has(Pins::HEATER) == (outputs.heater == Relay::Closed)
            && self.pins.has(Pins::CHARGE) == (outputs.charge == Relay::Closed)
            && self.pins.has(Pins::FULL) == (outputs.full == Relay::Closed)
            && self.pins.has(Pins::ALARM) == (outputs.alarm == forewarm_core::signals::Alarm::Sounding)
            && (self.ceiling - ceiling).abs() <= 1e-3
    }
}

/// What a bench needs.
struct Provided {
    /// The program of the bench.
    program: PathBuf,
    /// What the compiler and the linker made, sealed, without built-in settings.
    image: PathBuf,
    /// What makes of it the file that is dropped on the module.
    converter: PathBuf,
    file: PathBuf,
}

fn provided() -> &'static Provided {
    static PROVIDED: OnceLock<Provided> = OnceLock::new();
    PROVIDED.get_or_init(|| {
        let provide = |wanted| PathBuf::from(run(Command::new(root().join("tests/tools/provide")).arg(wanted)).trim());
        let [image] = build_images(["thumbv6m-none-eabi"], "rp2040", None, &[], env!("CARGO_TARGET_TMPDIR"));
        let (file, converter) = (image.with_extension("uf2"), provide("uf2"));
        run(Command::new(&converter).arg(&image).arg(&file));
        Provided { program: provide("rp2040").join("board.mjs"), image, converter, file }
    })
}

/// The content of the image.
pub(crate) fn image() -> Vec<u8> {
    std::fs::read(&provided().image).expect("the image")
}

/// A board that is on. Switched off when dropped.
pub(crate) struct Bench {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    /// Holds its flash memory.
    folder: TempDir,
    partial: Vec<u8>,
    starts: u64,
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Bench {
    /// Switches a board on that finds this in the part of its flash memory where it keeps things. Nothing is wired to it.
    pub(crate) fn switch_on(kept: Option<&[u8]>) -> Self {
        Self::with_file(&provided().file, kept, tempfile::tempdir().expect("a folder"))
    }

    /// Switches a new board on that has this image.
    pub(crate) fn with_image(image: &[u8]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let [image_file, file] = ["image", "image.uf2"].map(|name| folder.path().join(name));
        std::fs::write(&image_file, image).expect("an image");
        run(Command::new(&provided().converter).arg(&image_file).arg(&file));
        Self::with_file(&file, None, folder)
    }

    fn with_file(file: &Path, kept: Option<&[u8]>, folder: TempDir) -> Self {
        let program = &provided().program;
        if let Some(kept) = kept {
            std::fs::write(folder.path().join("kept"), kept).expect("what is kept");
        }
        let mut child = Command::new("node")
            .args([program, file, &*folder.path().join("kept")])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the emulator starts");
        let (to, from) = (child.stdin.take().expect("a pipe"), child.stdout.take().expect("a pipe"));
        Self { child, to, from: BufReader::new(from), folder, partial: vec![], starts: 1 }
    }

    /// What it keeps.
    pub(crate) fn kept(&self) -> Vec<u8> {
        std::fs::read(self.kept_file()).unwrap_or_default()
    }

    fn kept_file(&self) -> PathBuf {
        self.folder.path().join("kept")
    }

    /// Gives an order. The models must have nothing to complain of.
    pub(crate) fn order(&mut self, order: &Value) -> Seen {
        writeln!(self.to, "{order}").expect("it takes orders");
        let mut line = String::new();
        self.from.read_line(&mut line).expect("an answer");
        let answer: Value = serde_json::from_str(&line).unwrap_or_else(|error| panic!("{order}: {line:?}: {error}"));
        assert_eq!(answer["violations"], json!([]), "{order}");
        let said = BASE64_STANDARD.decode(answer["said"].as_str().expect("text")).expect("bytes");
        let ended = answer["ended"].as_str().map(str::to_owned);
        let starts = answer["starts"].as_u64().expect("a number");
        self.partial.extend(said);
        let mut messages = Vec::new();
        while let Some(end) = self.partial.iter().position(|&byte| byte == 0) {
            let frame: Vec<u8> = self.partial.drain(..=end).collect();
            match frame::decode(frame[..end].to_vec().leak()) {
                Ok(message) => messages.push(message),
                // What was on its way out when the power failed.
                Err(error) => assert!(ended.is_some() || self.starts != starts, "{order}: {error}"),
            }
        }
        self.starts = starts;
        let named = [
            ("heater", Pins::HEATER),
            ("charge", Pins::CHARGE),
            ("full", Pins::FULL),
            ("alarm", Pins::ALARM),
            ("lamp", Pins::LAMP),
        ];
        let is_high = |name: &str| answer["pins"][name].as_bool().expect("a level");
        let pins = named.iter().filter(|(name, _)| is_high(name)).fold(0, |pins, (_, pin)| pins | pin);
        let moves = answer["moves"].as_array().expect("a list").iter();
        Seen {
            ms: answer["ms"].as_f64().expect("a time"),
            starts,
            ended,
            pins: Pins(pins),
            ceiling: answer["ceiling"].as_f64().expect("a part"),
            shown: std::array::from_fn(|at| {
                answer["shown"][at].as_u64().map(|code| u32::try_from(code).expect("15 bits"))
            }),
            messages,
            deepest: answer["deepest"].as_u64(),
            moves: moves
                .map(|entry| (entry[0].as_str().expect("a name").to_owned(), entry[1].as_bool().expect("a level")))
                .collect(),
        }
    }

    /// Runs to the end of a step, with this around the board.
    pub(crate) fn step(&mut self, world: &Value) -> Seen {
        self.order(&json!({ "world": world, "run": { "feeds": 1, "ms": 20_000 } }))
    }

    /// Runs for so long.
    pub(crate) fn wait(&mut self, ms: u32) -> Seen {
        self.order(&json!({ "run": { "ms": ms } }))
    }

    /// Asks, and waits for the messages of the answer.
    pub(crate) fn ask(&mut self, request: &Request<'_>) -> Vec<Message<'static>> {
        let mut answer = self.order(&json!({ "hear": framed(request), "run": { "ms": 300 } }));
        answer.messages.retain(|message| !matches!(message, Message::Telemetry(_)));
        answer.messages
    }

    /// What it reports of its settings when asked.
    pub(crate) fn identity(&mut self) -> Result<Fingerprint, Unfit> {
        match self.ask(&Request::Identify)[..] {
            [Message::Identity(identity)] => {
                assert_eq!(identity.board, "rp2040");
                identity.settings
            }
            ref other => panic!("{other:?}"),
        }
    }

    /// Writes settings over the service line, as a fitter does who holds the button. Hands back the answer.
    pub(crate) fn write(&mut self, replaces: Fingerprint, record: &[u8]) -> Vec<Message<'static>> {
        self.hold_button();
        let answer = self.ask(&Request::WriteSettings { replaces, record });
        self.order(&json!({ "world": { "lines": { "button": true } }, "run": { "ms": 20 } }));
        answer
    }

    /// Releases the button, and holds it from then on. Its pin is low while it is held.
    pub(crate) fn hold_button(&mut self) {
        for (is_high, ms) in [(true, 1500), (false, 4500)] {
            self.order(&json!({ "world": { "lines": { "button": is_high } }, "run": { "ms": ms } }));
        }
    }
}

/// A request as it goes over the service line, as text for an order.
pub(crate) fn framed(request: &Request<'_>) -> String {
    let mut room = [0; 2048];
    BASE64_STANDARD.encode(frame::encode(request, &mut room).expect("it fits"))
}

/// The record of settings.
pub(crate) fn record_of(settings: &ValidSettings) -> Vec<u8> {
    let mut room = [0; record::MAX_BYTES];
    record::encode(settings, &mut room).expect("a record").to_vec()
}

/// What a new board keeps once these settings were written to it, as a fitter writes them.
pub(crate) fn with_settings(settings: &ValidSettings) -> Vec<u8> {
    let record = record_of(settings);
    let mut bench = Bench::switch_on(None);
    bench.wait(200);
    let answer = bench.write(Fingerprint::NONE, &record);
    let fingerprint = record::fingerprint(&record);
    assert!(answer.contains(&Message::Accepted { fingerprint }), "{answer:?}");
    bench.wait(500);
    assert_eq!(bench.identity(), Ok(fingerprint));
    bench.kept()
}

/// Everything around the board that shows what these inputs say, with each element at the middle of its code, so that it
/// cannot be read as a neighbour.
pub(crate) fn world(settings: &ValidSettings, inputs: &Inputs) -> Value {
    let chips: Vec<Value> = (0..CHANNELS)
        .map(|at| match (settings.channels.get(at), inputs.channels[at]) {
            (Some(channel), Sample::Fresh(measured)) => {
                let reference_ohm = ohms(channel.reference);
                let code = f64::from(measured.element.as_steps() >> 15) + 0.5;
                let wires = match channel.leads {
                    forewarm_core::rtd::Leads::TwoWire { .. } => 2,
                    forewarm_core::rtd::Leads::ThreeWire { .. } => 3,
                    forewarm_core::rtd::Leads::FourWire => 4,
                };
                Wired::element(wires, code / 32768.0 * reference_ohm, reference_ohm).json()
            }
            _ => Value::Null,
        })
        .collect();
    let mut lines = json!({
        "charge_line": inputs.charge_line == Line::Allowed,
        "discharge_line": inputs.discharge_line == Line::Allowed,
        "heater_contact": inputs.heater_feedback == Some(Relay::Closed),
        "charge_contact": inputs.charge_feedback == Some(Relay::Closed),
        "button": inputs.button == forewarm_core::signals::Button::Released,
    });
    for source in 0..MAX_SOURCES {
        lines[format!("source_{source}")] = inputs.sources.contains(source).into();
    }
    let strap = match (inputs.heater_feedback, inputs.charge_feedback) {
        (Some(_), Some(_)) => "supply",
        (Some(_), None) => "ground",
        (None, None) => "none",
        (None, Some(_)) => panic!("the board has no strap for the charge relay's contact alone"),
    };
    let volts =
        [inputs.supply, inputs.bank].map(|volts| volts.map_or(0.0, |mv| f64::from(mv.as_millivolts()) / 1000.0));
    json!({ "chips": chips, "lines": lines, "strap": strap, "volts": volts })
}

/// Puts one thing in place of what is wired to a channel.
pub(crate) fn rewire(world: &mut Value, channel: usize, wired: &Wired) {
    world["chips"][channel] = wired.json();
}

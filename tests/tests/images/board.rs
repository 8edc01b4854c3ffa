//! Runs an image down its deepest paths, and measures how much of its stack it used.

use crate::elf::Elf;
use forewarm::emulate::board;
use forewarm::emulate::flash::Flash;
use forewarm::emulate::image::Image;
use forewarm::emulate::machine::{Core, Machine, Setup};
use forewarm::emulate::monitor::Probe;
use forewarm::emulate::rig::{End, Rig};
use forewarm::emulate::sense::moment;
use forewarm::emulate::service::{Service, hold_button};
use forewarm::installation::Installation;
use forewarm_core::quantity::{Celsius, Fraction, Instant, Kelvins, Ohms, Ratio};
use forewarm_core::rtd::{Coefficients, Element, Leads, Measured};
use forewarm_core::settings::{Channel, MAX_CEILING_POINTS, MAX_CHANNELS, MAX_SOURCES, Role, Settings, ValidSettings};
use forewarm_core::signals::{Inputs, Line, Relay, Sample, Sources};
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Message, Request};
use forewarm_rig::Moment;
use forewarm_tests::{emulator, fill, root};
use std::ops::{ControlFlow, Range};
use std::path::Path;

/// The settings of the demonstration, and the same made as long as settings can be.
fn settings() -> (ValidSettings, ValidSettings) {
    let installation = Installation::load(&root().join("sim/demo/hut.toml")).expect("an installation");
    let plain = installation.settings;
    let mut long: Settings = plain.clone().into_inner();
    let own = Coefficients::new(39_090_000, -57_900_000, -41_500_000).expect("platinum");
    let channel = |role| Channel {
        role,
        element: Element::new(Ohms::from_milliohms(100_037), own).expect("platinum"),
        reference: Ohms::from_milliohms(400_123),
        leads: Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(301), at: Celsius::from_millidegrees(-10_123) },
        offset: Kelvins::from_millikelvins(-123),
    };
    let roles = [Role::Cell, Role::Cell, Role::Cell, Role::Cell, Role::Pad, Role::Ambient];
    long.channels = roles.map(channel).into_iter().collect();
    fill(&mut long, Celsius::from_millidegrees(5_000));
    assert_eq!(
        (long.channels.len(), long.sources.len(), long.charge.ceiling.len()),
        (MAX_CHANNELS, MAX_SOURCES, MAX_CEILING_POINTS)
    );
    (plain, long.validate().expect("fit settings"))
}

/// A history with everything that makes the program report or keep something: charge and heat, faults that clear,
/// faults that latch, and more than an hour, after which totals are kept.
fn history(settings: &Settings) -> Vec<Moment> {
    let at = |millidegrees| {
        let mut inputs = Inputs {
            supply: Some(settings.heater.nominal),
            bank: Some(settings.heater.nominal),
            state_of_charge: Some(Fraction::from_per_mille(900)),
            sources: Sources::NONE.with(0),
            charge_line: Line::Allowed,
            discharge_line: Line::Allowed,
            ..Inputs::DEAD
        };
        for (slot, channel) in inputs.channels.iter_mut().zip(&settings.channels) {
            let r = channel.element.resistance(Celsius::from_millidegrees(millidegrees)).expect("within the standard");
            let r = r.plus(channel.leads.known());
            let steps = (u64::from(r.as_steps()) << 30) / u64::from(channel.reference.as_steps());
            *slot = Sample::Fresh(Measured::element(Ratio::from_steps(steps.try_into().expect("below four"))));
        }
        inputs
    };
    let mut history = Vec::new();
    let mut now = 0_u32;
    let mut seconds = |n: u32, inputs: &Inputs| {
        for _ in 0..n {
            now += 1_000;
            history.push(moment(Instant::from_millis(now), inputs, 16));
        }
    };
    let (cold, warm) = (at(2_000), at(15_000));
    seconds(120, &warm);
    for channel in 0..settings.channels.len() {
        let mut broken = warm;
        broken.channels[channel] = Sample::ConverterFault;
        seconds(20, &broken);
        seconds(60, &warm);
    }
    seconds(20, &Inputs { charge_line: Line::Refused, ..warm });
    seconds(3_700, &warm);
    seconds(120, &cold);
    seconds(30, &Inputs { heater_feedback: Some(Relay::Closed), charge_feedback: Some(Relay::Closed), ..warm });
    seconds(30, &cold);
    history
}

/// A running image.
struct Board<'a> {
    machine: Machine,
    rig: Rig,
    probe: Probe,
    service: Service,
    /// The addresses where the stack may be.
    stack: Range<u32>,
    name: &'a str,
}

impl<'a> Board<'a> {
    fn start(elf: &'a Elf, path: &Path, core: Core, flash: Flash) -> Self {
        let image = Image::open(path).unwrap_or_else(|problem| panic!("{problem}"));
        let emulator = emulator();
        let setup = Setup { emulator: emulator.as_os_str(), core, monitor: true, ..Setup::new(&image) };
        let on = board::Board::switch_on(&setup, flash).unwrap_or_else(|problem| panic!("{problem}"));
        let board::Board { machine, mut rig, probe, service } = on;
        assert_eq!(rig.start().expect("a start"), End::Done);
        let stack = elf.address("__sheap")..elf.address("_stack_start");
        Self { machine, rig, probe, service, stack, name: &elf.name }
    }

    fn play(&mut self, history: &[Moment]) {
        let mut steps = 0;
        assert_eq!(self.rig.play(history, |_, _, _| steps += 1).expect("steps"), End::Done);
        assert_eq!(steps, history.len());
    }

    /// Sends every request that changes nothing.
    fn ask(&mut self) {
        let mut ask = |request: Request<'_>, is_answer: fn(&Message<'_>) -> bool| {
            let judge = |message: &Message<'_>| {
                if is_answer(message) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
            };
            self.service.ask(&mut self.rig, &request, judge).unwrap_or_else(|trouble| panic!("{request:?}: {trouble}"));
        };
        ask(Request::Identify, |message| matches!(message, Message::Identity(_)));
        ask(Request::ReadSettings, |message| matches!(message, Message::Settings { .. }));
        ask(Request::ReadEvents { from: 0 }, |message| matches!(message, Message::Event(_)));
        ask(Request::ReadTotals, |message| matches!(message, Message::Totals(_)));
        ask(Request::SendTelemetry { every: 5 }, |message| matches!(message, Message::Done));
    }

    /// The end of what the stack has reached, by the paint from the start.
    fn most_used(&mut self) -> u32 {
        // In the same way as `registers::stack` of the emulated board paints it.
        const PAINT: u32 = 0x5AA5_C33C;
        let mut at = self.stack.start;
        while at < self.stack.end && self.probe.read(at).expect("a word of memory") == PAINT {
            at += 4;
        }
        assert!(at > self.stack.start, "{}: the stack has reached the end of RAM", self.name);
        self.stack.end - at
    }

    /// Replaces the settings in force, and looks at the stack as it is when the processor would restart with the new
    /// ones.
    fn upload(mut self, settings: &ValidSettings, replaces: Fingerprint) -> (u32, Flash) {
        let mut room = [0; record::MAX_BYTES];
        let record = record::encode(settings, &mut room).expect("a record");
        hold_button(&mut self.rig).expect("steps");
        let mut wait = self.machine.patience().begin();
        let monitor = self.machine.monitor.as_mut().expect("a line to the emulator");
        monitor.hold_at_restart().expect("to be held");
        let request = Request::WriteSettings { replaces, record };
        let judge = |message: &Message<'_>| match *message {
            Message::Accepted { fingerprint } => ControlFlow::Break(Ok(fingerprint)),
            Message::Refused(refusal) => ControlFlow::Break(Err(refusal)),
            _ => ControlFlow::Continue(()),
        };
        let answer = self.service.ask(&mut self.rig, &request, judge).expect("an answer to the upload");
        assert_eq!(answer, Ok(record::fingerprint(record)), "{}", self.name);
        while monitor.execute("query-status").expect("a status")["running"] != false {
            assert!(!wait.is_over(), "{}: it does not restart", self.name);
        }
        (self.most_used(), self.rig.into_flash())
    }
}

fn fingerprint(settings: &ValidSettings) -> Fingerprint {
    let mut room = [0; record::MAX_BYTES];
    record::fingerprint(record::encode(settings, &mut room).expect("a record"))
}

/// Most bytes of the stack that the image used, over everything that it does.
pub(crate) fn most_stack(elf: &Elf, path: &Path, core: Core) -> u32 {
    let (plain, long) = settings();
    let mut most = Vec::new();

    let mut board = Board::start(elf, path, core, Flash::default());
    board.play(&history(&plain));
    board.ask();
    let reported = board.rig.stack().expect("the stack");
    let most_used = board.most_used();
    assert_eq!((most_used, board.stack.end - board.stack.start), (reported.used, reported.of), "seen from both sides");
    most.push(("built-in settings", most_used));
    let (used, flash) = board.upload(&long, fingerprint(&plain));
    most.push(("the first upload", used));

    let mut board = Board::start(elf, path, core, flash);
    board.play(&history(&long));
    board.ask();
    most.push(("stored settings", board.most_used()));
    let (used, _) = board.upload(&plain, fingerprint(&long));
    most.push(("an upload over another", used));

    // Nothing in it can be read, so everything is erased and written again.
    let mut board = Board::start(elf, path, core, Flash::holding(&[0x5C; 8192]));
    board.play(&history(&plain)[..100]);
    let (used, _) = board.upload(&long, Fingerprint::NONE);
    most.push(("an upload over garbage", used));

    println!("{}: {most:?}", elf.name);
    most.into_iter().map(|(_, used)| used).max().unwrap_or(0)
}

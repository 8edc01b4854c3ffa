//! The board under test, from the build of its image to its answers.

use forewarm::emulate::board::Board;
use forewarm::emulate::flash::Flash;
use forewarm::emulate::image::Image;
use forewarm::emulate::line::Trouble;
use forewarm::emulate::machine::{Machine, Setup};
use forewarm::emulate::monitor::Probe;
use forewarm::emulate::rig::{End, Rig};
use forewarm::emulate::sense::moment;
use forewarm::emulate::service::Service;
use forewarm_core::quantity::Instant;
use forewarm_core::settings::{Settings, ValidSettings};
use forewarm_core::signals::{Inputs, Outputs, Relay};
use forewarm_core::wire::frame;
use forewarm_core::wire::service::{Message, Request};
use forewarm_rig::{Moment, Pins};
use forewarm_tests::{build_images, emulator};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::{Mutex, OnceLock, PoisonError};

/// Which program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Program {
    /// As it is released.
    Released,
    /// The same, and it obeys an order to hang.
    Hangs,
}

/// One build at a time, because both leave their image under one name.
static TURN: Mutex<()> = Mutex::new(());

/// Builds the image, once.
pub(crate) fn image(program: Program) -> Image {
    static RELEASED: OnceLock<PathBuf> = OnceLock::new();
    static HANGS: OnceLock<PathBuf> = OnceLock::new();
    let (built, features, name) = match program {
        Program::Released => (&RELEASED, &[][..], "emulated-released"),
        Program::Hangs => (&HANGS, &["hang"][..], "emulated-hangs"),
    };
    let path = built.get_or_init(|| {
        let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let [built] = build_images(
            ["thumbv7m-none-eabi"],
            "emulated",
            Some("sim/demo/hut.toml"),
            features,
            env!("CARGO_TARGET_TMPDIR"),
        );
        let kept = built.with_file_name(name);
        std::fs::copy(built, &kept).expect("the image that was just built");
        kept
    });
    Image::open(path).expect("an image")
}

/// A running board.
pub(crate) struct RunningBoard {
    pub(crate) machine: Machine,
    pub(crate) rig: Rig,
    pub(crate) probe: Probe,
    pub(crate) service: Service,
}

impl RunningBoard {
    /// Switches the board on, with the storage it finds, and lets it start.
    pub(crate) fn start(program: Program, flash: Flash) -> Self {
        let mut bench = Self::switch_on(program, flash);
        assert_eq!(bench.rig.start().expect("a start"), End::Done);
        bench
    }

    /// Switches the board on.
    pub(crate) fn switch_on(program: Program, flash: Flash) -> Self {
        let (image, emulator) = (image(program), emulator());
        let setup = Setup { emulator: emulator.as_os_str(), monitor: true, ..Setup::new(&image) };
        let on = Board::switch_on(&setup, flash).unwrap_or_else(|problem| panic!("{problem}"));
        let Board { machine, rig, probe, service } = on;
        Self { machine, rig, probe, service }
    }

    /// Switches the board off, and hands back the content of its storage.
    pub(crate) fn off(self) -> Flash {
        drop(self.machine);
        self.rig.into_flash()
    }

    /// A board that has `settings` in force and has taken no step.
    pub(crate) fn with(program: Program, settings: &ValidSettings) -> Self {
        let mut bench = Self::start(program, Flash::default());
        bench.service.install(&mut bench.rig, settings).expect("settings that are accepted");
        bench
    }

    /// Resets the processor and lets it start. The content of storage stays.
    pub(crate) fn reset(&mut self) {
        self.machine.monitor.as_mut().expect("a monitor").reset().expect("a reset");
        assert_eq!(self.rig.start().expect("a start"), End::Done);
    }

    /// Switches telemetry off, as an installation of settings does. Unread telemetry takes time too.
    pub(crate) fn silence(&mut self) {
        self.service.line().say(&Request::SendTelemetry { every: 0 }).expect("a service line");
    }

    /// What the program does in each of these steps, and the pins that each leaves.
    pub(crate) fn play(&mut self, moments: &[Moment]) -> Vec<(Pins, Outputs)> {
        let mut did = Vec::with_capacity(moments.len());
        let end = self.rig.play(moments, |_, pins, outputs| did.push((pins, *outputs)));
        assert_eq!(end.expect("answers"), End::Done, "it restarted or lost its power after {} steps", did.len());
        did
    }

    /// What the program does for the next of these inputs, one a second.
    pub(crate) fn seconds(&mut self, clock: &mut u32, inputs: &Inputs, seconds: u32) -> Outputs {
        let moments: Vec<Moment> = (0..seconds).map(|_| next(clock, 1000, inputs)).collect();
        self.play(&moments).last().expect("a step").1
    }

    /// Sends a request over the service line, and returns the first message that `judge` takes.
    pub(crate) fn ask<T>(&mut self, request: &Request<'_>, judge: impl FnMut(&Message<'_>) -> ControlFlow<T>) -> T {
        self.try_ask(request, judge).expect("an answer")
    }

    pub(crate) fn try_ask<T>(
        &mut self,
        request: &Request<'_>,
        judge: impl FnMut(&Message<'_>) -> ControlFlow<T>,
    ) -> Result<T, Trouble> {
        self.service.ask(&mut self.rig, request, judge)
    }

    /// The levels of the output pins, read from outside the program.
    pub(crate) fn pins(&mut self) -> Pins {
        // Data and direction of port B. A pin that is not an output drives nothing.
        const DATA: u32 = 0x4000_5000 + (0xFF << 2);
        const DIRECTION: u32 = 0x4000_5400;
        let read = |address| self.probe.read(address).expect("a register");
        Pins(u8::try_from(read(DATA) & read(DIRECTION)).expect("eight pins"))
    }
}

/// The moment this many milliseconds after the one before.
pub(crate) fn next(clock: &mut u32, by_ms: u32, inputs: &Inputs) -> Moment {
    *clock = clock.wrapping_add(by_ms);
    moment(Instant::from_millis(*clock), inputs, 30)
}

/// Asserts that the output pins follow the decision.
pub(crate) fn are_as_decided(pins: Pins, outputs: &Outputs) -> bool {
    pins.has(Pins::HEATER) == (outputs.heater == Relay::Closed)
        && pins.has(Pins::CHARGE) == (outputs.charge == Relay::Closed)
        && pins.has(Pins::FULL) == (outputs.full == Relay::Closed)
}

/// The settings with which the generators of the core's own tests begin.
pub(crate) fn settings() -> Settings {
    forewarm_core::testing::settings()
}

/// A frame in the form in which it goes over a line.
pub(crate) fn framed(request: &Request<'_>) -> Vec<u8> {
    let mut room = [0; 1024];
    frame::encode(request, &mut room).expect("room").to_vec()
}

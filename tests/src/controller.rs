//! A controller on this computer: the firmware's own loop on a board whose every part a test can set.
//!
//! Its service line is a socket or a pseudo-terminal, its storage behaves like flash memory and may outlast it in a
//! file, and its clock runs as fast as it is told to. It takes every step that its clock shows: a busy computer makes it
//! slow, and never makes its clock jump.

mod board;
mod line;
mod storage;

use board::{Bench, Stopped};
use forewarm_core::quantity::{Celsius, Fraction, Millivolts};
use forewarm_core::settings::{MAX_CHANNELS, Settings};
use forewarm_core::signals::Sources;
use forewarm_core::wire::record;
use forewarm_firmware::App;
use line::Line;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{Builder, JoinHandle};
use storage::Flash;

/// What the world shows to the controller.
#[derive(Clone, Copy, Debug)]
pub struct World {
    /// Temperature at each channel. Nothing for one whose lead is broken.
    pub temperatures: [Option<Celsius>; MAX_CHANNELS],
    /// Voltage of the heater's supply.
    pub supply: Option<Millivolts>,
    /// Voltage of the bank.
    pub bank: Option<Millivolts>,
    /// State of charge of the bank.
    pub state_of_charge: Option<Fraction>,
    /// Sources that are present.
    pub sources: Sources,
    /// Whether the battery's protection allows charge.
    pub allows_charge: bool,
    /// Whether it allows discharge.
    pub allows_discharge: bool,
    /// Whether somebody holds the reset button.
    pub holds_button: bool,
}

impl World {
    /// Everything at `t`, nothing broken, no source.
    #[must_use]
    pub fn at(t: Celsius) -> Self {
        Self {
            temperatures: [Some(t); MAX_CHANNELS],
            supply: Some(Millivolts::from_millivolts(12_800)),
            bank: Some(Millivolts::from_millivolts(13_100)),
            state_of_charge: Some(Fraction::from_per_mille(600)),
            sources: Sources::NONE,
            allows_charge: true,
            allows_discharge: true,
            holds_button: false,
        }
    }
}

/// Where its service line ends.
#[derive(Clone, Copy, Debug)]
pub enum Plug {
    /// At a port of this computer's own network; 0 for one that is free.
    Socket(u16),
    /// At a pseudo-terminal.
    Terminal,
}

/// How to build a controller.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Where its service line ends.
    pub plug: Plug,
    /// Seconds of its clock in a second, at most.
    pub speed: u32,
    /// The file that holds its storage. Without one it forgets everything when it is dropped.
    pub storage: Option<PathBuf>,
}

impl Default for Setup {
    fn default() -> Self {
        Self { plug: Plug::Socket(0), speed: 100, storage: None }
    }
}

/// Everything that the loop and a test share.
#[derive(Debug)]
pub(crate) struct Shared {
    world: Mutex<World>,
    pub(crate) line: Line,
    pub(crate) flash: Mutex<Flash>,
    pub(crate) heats: AtomicBool,
    pub(crate) permits: AtomicBool,
    /// Asks the loop to end, as if its power were cut.
    pub(crate) is_cut: AtomicBool,
    /// Asks the whole controller to end.
    pub(crate) is_over: AtomicBool,
    /// Steps since the latest start.
    pub(crate) steps: AtomicU32,
    pub(crate) starts: AtomicU32,
}

impl Shared {
    pub(crate) fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A running controller. It ends when this is dropped.
#[derive(Debug)]
pub struct Controller {
    shared: Arc<Shared>,
    address: String,
    runs: Option<JoinHandle<()>>,
}

impl Controller {
    /// Switches it on, with these settings built in.
    ///
    /// # Panics
    /// If this computer does not give it a line, a file or a thread.
    #[must_use]
    pub fn start(settings: &Settings, world: World, setup: &Setup) -> Self {
        let mut room = [0; record::MAX_BYTES];
        let built_in = record::encode(settings, &mut room).expect("settings fit").to_vec().leak();
        let (line, address) = Line::new(setup.plug);
        let shared = Arc::new(Shared {
            world: Mutex::new(world),
            line,
            flash: Mutex::new(Flash::open(setup.storage.as_deref())),
            heats: AtomicBool::new(false),
            permits: AtomicBool::new(false),
            is_cut: AtomicBool::new(false),
            is_over: AtomicBool::new(false),
            steps: AtomicU32::new(0),
            starts: AtomicU32::new(0),
        });
        let bench = Bench { shared: Arc::clone(&shared), settings: settings.clone(), speed: setup.speed };
        let runs = Builder::new().name("controller".into()).spawn(move || run(&bench, built_in)).expect("a thread");
        Self { shared, address, runs: Some(runs) }
    }

    /// Where `forewarm` finds it.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Changes what the world shows.
    pub fn change(&self, change: impl FnOnce(&mut World)) {
        change(&mut self.shared.world());
    }

    /// Whether the heater relay is closed.
    #[must_use]
    pub fn heats(&self) -> bool {
        self.shared.heats.load(Ordering::Relaxed)
    }

    /// Whether the charge relay is closed.
    #[must_use]
    pub fn permits(&self) -> bool {
        self.shared.permits.load(Ordering::Relaxed)
    }

    /// Steps since its latest start.
    #[must_use]
    pub fn steps(&self) -> u32 {
        self.shared.steps.load(Ordering::Relaxed)
    }

    /// How often it has started.
    #[must_use]
    pub fn starts(&self) -> u32 {
        self.shared.starts.load(Ordering::Relaxed)
    }

    /// Cuts its power and gives it back.
    pub fn cut_power(&self) {
        self.shared.is_cut.store(true, Ordering::Relaxed);
    }

    /// Pulls the plug of the service line out. A socket is closed; a terminal passes nothing on.
    pub fn unplug(&self) {
        self.shared.line.unplug();
    }

    /// Puts the plug in again.
    pub fn plug(&self) {
        self.shared.line.plug();
    }

    /// From now on damages one byte of so many that it says; none for zero.
    pub fn make_noise(&self, one_in: u32) {
        self.shared.line.make_noise(one_in);
    }

    /// Says bytes of its own choice, frames or not.
    pub fn say(&self, bytes: &[u8]) {
        self.shared.line.say(bytes);
    }

    /// Everything that it has said since it was switched on, noise left out. Of a long run, the end.
    #[must_use]
    pub fn said(&self) -> Vec<u8> {
        self.shared.line.said()
    }
}

impl Drop for Controller {
    fn drop(&mut self) {
        self.shared.is_over.store(true, Ordering::Relaxed);
        self.shared.line.close();
        if let Some(runs) = self.runs.take() {
            // A panic in the loop has been printed already.
            let _ = runs.join();
        }
    }
}

/// Starts the firmware, and starts it again after each reset.
fn run(bench: &Bench, built_in: &'static [u8]) {
    let shared = &bench.shared;
    while !shared.is_over.load(Ordering::Relaxed) {
        shared.steps.store(0, Ordering::Relaxed);
        shared.starts.fetch_add(1, Ordering::Relaxed);
        let ran = catch_unwind(AssertUnwindSafe(|| App::new(bench.hardware(), bench.storage(), built_in).run()));
        let Err(ended) = ran;
        // A reset makes every pin go low.
        shared.heats.store(false, Ordering::Relaxed);
        shared.permits.store(false, Ordering::Relaxed);
        if !ended.is::<Stopped>() {
            std::panic::resume_unwind(ended);
        }
    }
}

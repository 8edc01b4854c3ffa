//! Plays hundreds of generated histories of faults, restarts and clock jumps, and checks the promises on safety. It
//! plays thousands with `FOREWARM_HISTORIES=50` or more.
//!
//! The generators, and the plain model of the promises, are those of the core's tests. Two things differ. Storage is
//! real here, so it keeps what it is given. And what survives a restart comes out of storage.

use crate::running::{Program, RunningBoard, are_as_decided};
use forewarm::emulate::flash::Flash;
use forewarm::emulate::sense::moment;
use forewarm_core::fault::SystemFaults;
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{Role, ValidSettings};
use forewarm_core::signals::{Button, Outputs, Relay, Sample, Storage};
use forewarm_core::testing::{Model, Moment as Happened, case, exact, exact_celsius, sample};
use forewarm_core::{Memory, Unit};
use forewarm_rig::Moment;

/// Installations to try.
const INSTALLATIONS: u64 = 40;
/// Histories of each: as many as a run of all tests has time for.
const HISTORIES: u64 = 15;
/// Most histories of each.
const MOST_HISTORIES: u64 = 1_000;

/// Histories of each in this run.
fn histories() -> u64 {
    let Ok(asked) = std::env::var("FOREWARM_HISTORIES") else { return HISTORIES };
    let asked = asked.parse().ok().filter(|asked| (HISTORIES..=MOST_HISTORIES).contains(asked));
    asked.unwrap_or_else(|| panic!("FOREWARM_HISTORIES is a number from {HISTORIES} to {MOST_HISTORIES}"))
}

/// One history in this many is played again with a colder cell.
const COLDER: u64 = 20;

struct Case {
    settings: ValidSettings,
    moments: Vec<Happened>,
}

impl Case {
    fn new(installation: u64, history: u64) -> Self {
        let (settings, _) = case(installation);
        let (_, history) = case(INSTALLATIONS + installation * MOST_HISTORIES + history);
        let mut moments = history.moments(&settings);
        for moment in &mut moments {
            moment.inputs.storage = Storage::Kept;
        }
        // Each history begins with a start. It is one start and not two.
        if let Some(first) = moments.first_mut() {
            first.restart = false;
        }
        Self { settings: settings.validate().expect("settings that are fit"), moments }
    }

    fn shown(&self) -> Vec<Moment> {
        self.moments.iter().map(|happened| moment(happened.now, &happened.inputs, 30)).collect()
    }

    /// From one restart to the next.
    fn starts(&self) -> Vec<std::ops::Range<usize>> {
        let mut from: Vec<usize> = (0..self.moments.len()).filter(|&at| at == 0 || self.moments[at].restart).collect();
        from.push(self.moments.len());
        from.windows(2).map(|pair| pair[0]..pair[1]).collect()
    }

    /// The core's decisions on this machine, and what is latched then.
    fn core(&self) -> Vec<(Outputs, SystemFaults)> {
        // The settings were written in the start before. Storage remembers it along with them.
        let mut unit = Unit::new(&self.settings, Memory { restarts: 1, ..Memory::default() });
        let step = |happened: &Happened| {
            if happened.restart {
                unit = Unit::new(&self.settings, unit.memory());
            }
            let outputs = unit.step(happened.now, &happened.inputs);
            (outputs, unit.memory().latched)
        };
        self.moments.iter().map(step).collect()
    }
}

/// A board with the settings of an installation, and its storage at that time.
fn board(installation: u64) -> (RunningBoard, Flash) {
    let settings = case(installation).0.validate().expect("settings that are fit");
    let mut bench = RunningBoard::with(Program::Released, &settings);
    let flash = bench.rig.flash().clone();
    (bench, flash)
}

/// What the image does, from a start with only its settings in storage.
fn play(bench: &mut RunningBoard, flash: &Flash, case: &Case, name: &str) -> Vec<Outputs> {
    let shown = case.shown();
    let mut did = Vec::with_capacity(shown.len());
    *bench.rig.flash() = flash.clone();
    for start in case.starts() {
        bench.reset();
        bench.silence();
        for (pins, outputs) in bench.play(&shown[start]) {
            assert!(are_as_decided(pins, &outputs), "{name}, step {}: {pins:?} for {outputs:?}", did.len());
            did.push(outputs);
        }
    }
    did
}

/// Invariants 1 to 4, 7 and 12, by the plain model, from the image's answers.
fn check(case: &Case, did: &[Outputs], core: &[(Outputs, SystemFaults)], name: &str) {
    let settings = &case.settings;
    let mut model = Model::new(settings);
    let (mut steps, mut latched) = (0_u32, SystemFaults::NONE);
    for (at, ((happened, outputs), (_, now_latched))) in case.moments.iter().zip(did).zip(core).enumerate() {
        let because = || format!("{name}, step {at}: {outputs:?} for {happened:?}");
        if happened.restart {
            model = model.restarted();
            steps = 0;
        }
        steps += 1;
        let may = model.judge(happened.now, &happened.inputs);
        model.note(outputs.heater);
        let charging = outputs.charge == Relay::Closed;
        let heating = outputs.heater == Relay::Closed;
        assert!(!charging || may.charge, "{}", because());
        let full = outputs.full == Relay::Closed;
        assert!(!charging || may.ceiling_off_by_k <= 1e-4, "{}", because());
        assert!(!full || (charging && may.full_off_by_k <= 1e-4), "{}", because());
        assert!(!heating || may.heat, "{}", because());
        for (channel, fault) in settings.channels.iter().zip(outputs.faults.channels) {
            let faulty = fault.is_some();
            assert!(!(charging && faulty && channel.role == Role::Cell), "{}", because());
            assert!(!(heating && faulty && channel.role != Role::Ambient), "{}", because());
        }
        assert!(!heating || outputs.faults.system.and(SystemFaults::DISABLING_HEAT).is_empty(), "{}", because());
        if steps < u32::from(settings.trust.good_run) {
            assert!(!charging && !heating, "{}", because());
        }
        if happened.inputs.button != Button::Pressed {
            assert_eq!(outputs.faults.system.and(latched), latched, "a latched fault was lost: {}", because());
        }
        latched = *now_latched;
    }
}

fn holds(installations: std::ops::Range<u64>) {
    let (mut steps, mut restarts) = (0, 0);
    for installation in installations {
        let (mut bench, flash) = board(installation);
        for history in 0..histories() {
            let name = format!("installation {installation}, history {history}");
            let case = Case::new(installation, history);
            let did = play(&mut bench, &flash, &case, &name);
            let core = case.core();
            for (at, ((core, _), board)) in core.iter().zip(&did).enumerate() {
                assert!(
                    core == board,
                    "{name}, step {at}\n  shown {:?}\n  core  {core:?}\n  board {board:?}",
                    case.moments[at]
                );
            }
            assert_eq!(did.len(), case.moments.len());
            check(&case, &did, &core, &name);
            steps += did.len();
            restarts += case.moments.iter().filter(|moment| moment.restart).count();
            if history % COLDER == 0 {
                colder(&mut bench, &flash, &case, &did, &name);
            }
        }
    }
    assert!(steps > 100_000 && restarts > 100, "{steps} steps, {restarts} restarts");
}

/// Invariant 5: the same history up to a step in which charge is refused, with one cell colder in that step.
fn colder(bench: &mut RunningBoard, flash: &Flash, case: &Case, did: &[Outputs], name: &str) {
    let settings = &case.settings;
    let high_release = exact(settings.charge.high_release);
    // The last step with a measured cell that is neither doubted nor too warm.
    let candidate = (0..did.len()).rev().find_map(|at| {
        let (_, channel) = settings.channels.iter().enumerate().zip(did[at].faults.channels).find_map(
            |((index, channel), fault)| {
                let Sample::Fresh(measured) = case.moments[at].inputs.channels[index] else { return None };
                let t = exact_celsius(channel, measured)?;
                let fits = channel.role == Role::Cell && fault.is_none() && t < high_release - 0.001;
                (fits && did[at].charge == Relay::Open).then_some((index, (index, t)))
            },
        )?;
        Some((at, channel))
    });
    let Some((at, (index, t))) = candidate else { return };
    let mut other = Case { settings: settings.clone(), moments: case.moments[..=at].to_vec() };
    #[expect(clippy::cast_possible_truncation, reason = "some ten thousand millikelvins")]
    let colder = (t * 1000.0) as i32 - 1_500;
    other.moments[at].inputs.channels[index] =
        sample(&settings.channels[index], Celsius::from_millidegrees(colder.max(-55_000)));
    let did = play(bench, flash, &other, name);
    assert_eq!(did[at].charge, Relay::Open, "{name}, step {at}: colder, and charged");
}

#[test]
fn the_image_decides_what_the_core_decides_and_keeps_every_promise_in_one_half_of_the_installations() {
    holds(0..INSTALLATIONS / 2);
}

#[test]
fn the_image_decides_what_the_core_decides_and_keeps_every_promise_in_the_other_half() {
    holds(INSTALLATIONS / 2..INSTALLATIONS);
}

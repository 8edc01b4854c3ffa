//! Hangs, resets and cuts of the power.

use crate::running::{Program, RunningBoard, next, settings};
use forewarm::emulate::flash::{Cut, Flash};
use forewarm::emulate::rig::End;
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::quantity::Celsius;
use forewarm_core::signals::{Button, Inputs, Outputs, Relay};
use forewarm_core::testing::fine_inputs;
use forewarm_rig::Pins;
use forewarm_tests::run;
use std::process::Command;
use std::time::Duration;

fn cold() -> Inputs {
    fine_inputs(&settings(), Celsius::from_millidegrees(0))
}

fn welded() -> Inputs {
    // The heater's contact is closed while it is commanded off, because no source is present.
    let none = forewarm_core::signals::Sources::NONE;
    Inputs { sources: none, heater_feedback: Some(Relay::Closed), ..cold() }
}

fn is_latched(outputs: &Outputs) -> bool {
    outputs.faults.system.contains(SystemFault::HeaterWelded)
}

/// A board whose heater is on, and the time that it has reached.
fn heating(program: Program) -> (RunningBoard, u32) {
    let mut bench = RunningBoard::with(program, &settings().validate().expect("settings"));
    let mut clock = 0;
    assert_eq!(bench.seconds(&mut clock, &cold(), 200).heater, Relay::Closed);
    assert!(bench.pins().has(Pins::HEATER));
    (bench, clock)
}

#[test]
fn a_program_that_hangs_is_restarted_with_its_outputs_off_and_its_latched_faults_kept() {
    let (mut bench, mut clock) = heating(Program::Hangs);
    assert!(is_latched(&bench.seconds(&mut clock, &welded(), 20)));
    assert_eq!(bench.rig.hang().expect("the watchdog bites"), End::Restarted { done: 0 });
    assert_eq!(bench.pins().0 & (Pins::HEATER | Pins::CHARGE | Pins::FULL), 0);
    let outputs = bench.seconds(&mut clock, &cold(), 300);
    assert!(is_latched(&outputs), "{outputs:?}");
    assert_eq!(outputs.heater, Relay::Open);
    let pressed = Inputs { button: Button::Pressed, heater_feedback: Some(Relay::Open), ..cold() };
    assert!(!is_latched(&bench.seconds(&mut clock, &pressed, 10)), "and it is the button that clears them");
}

#[test]
fn a_program_that_hangs_while_it_heats_is_switched_off() {
    let (mut bench, _) = heating(Program::Hangs);
    bench.rig.hang().expect("the watchdog bites");
    assert_eq!(bench.pins().0 & (Pins::HEATER | Pins::CHARGE | Pins::FULL), 0);
}

/// What the program returns to is nowhere, as after a stray write. The processor faults, and no watchdog has bitten yet when the relays
/// are open.
#[test]
fn a_fault_of_the_processor_opens_the_relays_before_the_watchdog_bites() {
    // The upper half of RAM, where the stack is and no static.
    const STACK: u32 = 0x2000_2000;
    let (mut bench, _) = heating(Program::Released);
    let monitor = bench.machine.monitor.as_mut().expect("a monitor");
    // So that the pins stay as the program left them.
    monitor.hold_at_restart().expect("to be held");
    bench.probe.write([(STACK, &[u8::MAX; 0x2000])]).expect("a write");
    let mut wait = bench.machine.patience().begin();
    let monitor = bench.machine.monitor.as_mut().expect("a monitor");
    while monitor.execute("query-status").expect("a status")["running"] != false {
        assert!(!wait.is_over(), "nothing restarts it");
    }
    assert_eq!(bench.pins().0 & (Pins::HEATER | Pins::CHARGE | Pins::FULL), 0);
}

/// The watchdog's two seconds are the program's own. A busy machine keeps the program from nothing that it had to do.
#[test]
fn a_program_that_is_not_run_for_long_is_not_restarted_for_it() {
    let (mut bench, mut clock) = heating(Program::Released);
    let emulator = bench.machine.process_id().to_string();
    let signal = |name: &str| run(Command::new("kill").args([name, &emulator]));
    signal("-STOP");
    std::thread::sleep(Duration::from_secs(3));
    signal("-CONT");
    assert_eq!(bench.seconds(&mut clock, &cold(), 20).heater, Relay::Closed);
}

#[test]
fn the_released_image_does_not_know_how_to_hang() {
    let (mut bench, mut clock) = heating(Program::Released);
    assert!(bench.rig.hang().is_err());
    assert_eq!(bench.seconds(&mut clock, &cold(), 1).heater, Relay::Closed);
}

/// From heat and from charge, each at another time after its relay has closed.
#[test]
fn a_reset_at_any_moment_leaves_both_outputs_off_until_start_up_is_done() {
    let relays = |bench: &mut RunningBoard| bench.pins().0 & (Pins::HEATER | Pins::CHARGE | Pins::FULL);
    let warm = fine_inputs(&settings(), Celsius::from_millidegrees(15_000));
    let (mut bench, mut clock) = heating(Program::Released);
    for round in 0..6 {
        let (inputs, relay) = if round % 2 == 0 { (warm, Pins::CHARGE) } else { (cold(), Pins::HEATER) };
        bench.reset();
        assert_eq!(relays(&mut bench), 0);
        let moments: Vec<_> = (0..2).map(|_| next(&mut clock, 1000, &inputs)).collect();
        for (pins, outputs) in bench.play(&moments) {
            assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open));
            assert_eq!(pins.0 & (Pins::HEATER | Pins::CHARGE | Pins::FULL), 0);
        }
        let closes = (0..60).any(|_| {
            bench.seconds(&mut clock, &inputs, 60);
            bench.pins().has(relay)
        });
        assert!(closes, "in round {round}, or the reset took nothing away");
        bench.seconds(&mut clock, &inputs, 1 + round * 17);
        assert!(bench.pins().has(relay), "{round}");
    }
}

/// The result of a stretch of life in which much is kept: starts, events, a fault that latches.
struct Life {
    /// Whether a step with the latched fault was reported.
    latched: bool,
    /// The content of storage when the power is gone.
    flash: Flash,
    /// Writes and erases so far.
    changes: u64,
    /// Whether it was lived to its end.
    is_over: bool,
}

fn live(flash: Flash, cut: Option<Cut>) -> Life {
    let mut bench = RunningBoard::switch_on(Program::Released, flash);
    bench.rig.flash().faults.cut = cut;
    let mut latched = false;
    let mut clock = 0;
    let mut is_over = bench.rig.start().expect("a start") == End::Done;
    for (inputs, seconds) in [(cold(), 150), (welded(), 20), (cold(), 5)] {
        if !is_over {
            break;
        }
        let moments: Vec<_> = (0..seconds).map(|_| next(&mut clock, 1000, &inputs)).collect();
        let end = bench.rig.play(&moments, |_, _, outputs| latched |= is_latched(outputs));
        is_over = end.expect("answers") == End::Done;
    }
    let mut flash = bench.off();
    flash.faults.cut = None;
    let changes = flash.changes();
    Life { latched, flash, changes, is_over }
}

#[test]
fn power_cut_at_any_write_leaves_latched_faults_and_settings_as_they_were_or_as_they_are_to_be() {
    // As it is right after its settings were written.
    let installed = RunningBoard::with(Program::Released, &settings().validate().expect("settings")).off();
    let before = installed.changes();
    let whole = live(installed.clone(), None);
    assert!(whole.is_over && whole.latched);
    let changes = whole.changes - before;
    assert!(changes > 20, "{changes}");
    for after in 0..changes {
        let half = after % 2 == 1;
        let life = live(installed.clone(), Some(Cut { after, half }));
        assert!(!life.is_over, "cut at {after}, and lived on");
        let mut bench = RunningBoard::start(Program::Released, life.flash);
        let mut clock = 0;
        assert_eq!(bench.pins().0 & (Pins::HEATER | Pins::CHARGE | Pins::FULL), 0);
        let outputs = bench.seconds(&mut clock, &cold(), 150);
        let system = outputs.faults.system;
        assert!(!system.contains(SystemFault::SettingsInvalid), "cut at {after}: {outputs:?}");
        assert!(!system.contains(SystemFault::StorageFailing), "cut at {after}: {outputs:?}");
        let other = system.and(SystemFaults::LATCHED).without(SystemFaults::NONE.with(SystemFault::HeaterWelded));
        assert!(other.is_empty(), "cut at {after}, latched by nobody: {outputs:?}");
        // The result of a step is reported once another follows, and so after it was kept.
        assert!(!life.latched || is_latched(&outputs), "cut at {after}: a latched fault is forgotten");
        assert_eq!(outputs.heater == Relay::Closed, !is_latched(&outputs), "cut at {after}: {outputs:?}");
    }
}

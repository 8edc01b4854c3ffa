//! A million steps of a winter, in the same loop as a rehearsal.

use crate::running::{Program, RunningBoard};
use forewarm::emulate::lockstep::{self, Exchange, Finding};
use forewarm::installation::Installation;
use forewarm::rehearse::Scenario;
use forewarm::variation::Variation;
use forewarm_core::quantity::Celsius;
use forewarm_tests::root;
use std::sync::atomic::AtomicBool;

/// The first days of the demonstration, in steps of a second.
fn scenario(days: i64) -> Scenario {
    let file = root().join("sim/demo/hut.toml");
    let installation = Installation::load(&file).expect("the demonstration");
    let mut scenario = Scenario::prepare(&installation, "hut", &root().join("sim/demo"), 1000).expect("a scenario");
    scenario.span_s = days * 86_400;
    scenario
}

fn lockstep(bench: &mut RunningBoard, scenario: &Scenario, exchange: Exchange) -> lockstep::Run {
    lockstep::run(scenario, &Variation::default(), &mut bench.rig, exchange, &AtomicBool::new(false), &|_| {})
}

#[test]
fn over_a_million_steps_of_a_winter_the_image_decides_what_the_core_decides() {
    // 12 days are 1 036 800 steps, plus the first. The coldest days of the demonstration are among them.
    let scenario = scenario(12);
    let mut bench = RunningBoard::with(Program::Released, &scenario.settings);
    let run = lockstep(&mut bench, &scenario, Exchange::Batches);
    assert!(run.finding.is_none(), "{:?}", run.finding);
    assert_eq!(run.compared, 1_036_801);
    assert!(run.outcome.heater_cycles > 0 && run.outcome.charge_permitted_s > 0.0, "a winter in which nothing happens");
}

#[test]
fn one_round_trip_a_step_comes_to_the_same() {
    let scenario = scenario(1);
    let mut bench = RunningBoard::with(Program::Released, &scenario.settings);
    let mut short = scenario;
    short.span_s = 6 * 3600;
    let run = lockstep(&mut bench, &short, Exchange::Single);
    assert!(run.finding.is_none(), "{:?}", run.finding);
    assert_eq!(run.compared, 6 * 3600 + 1);
}

#[test]
fn a_board_with_other_settings_is_found_out_at_the_step_in_which_it_first_matters() {
    let mut scenario = scenario(3);
    let mut other = scenario.settings.clone().into_inner();
    other.charge.release = Celsius::from_millidegrees(other.charge.release.as_millidegrees() + 20);
    let mut bench = RunningBoard::with(Program::Released, &other.validate().expect("settings"));
    scenario.site.winter.start_c = Some(6.0);
    let run = lockstep(&mut bench, &scenario, Exchange::Batches);
    let Some(Finding::Mismatch(mismatch)) = run.finding else { panic!("{:?}", run.finding) };
    assert_eq!(mismatch.step, run.compared);
    assert_ne!(mismatch.core, mismatch.board);
    let told = mismatch.to_string();
    assert!(
        told.contains(&format!("step {}", mismatch.step)) && told.contains("core") && told.contains("board"),
        "{told}"
    );
}

//! `forewarm bench --record` beside the firmware's own loop: what it reads and does is watched.
#![cfg(unix)]

mod common;
mod desk;
#[path = "common/signals.rs"]
mod signals;

use common::forewarm;
use desk::{Running, hut, set_source, until};
use forewarm::installation::Installation;
use forewarm_core::quantity::Celsius;
use forewarm_tests::controller::{Controller, Setup, World};
use serde_json::Value;

const SPEED: u32 = 30;

/// Steps of the card that ask for a meter or an eye.
const BEFORE_POWER: usize = 12;

/// Switched on with everything at this temperature (m°C).
fn switched_on(controller: &Controller, at_mc: i32) {
    controller.change(|world| world.temperatures.fill(Some(Celsius::from_millidegrees(at_mc))));
    let starts = controller.starts();
    controller.cut_power();
    until("it has started again", || controller.starts() > starts && controller.steps() > 10);
}

#[test]
fn the_controller_on_the_line_is_watched_and_decides_what_passes() {
    let folder = tempfile::tempdir().expect("a folder");
    let into = folder.path().join("bench.json");
    let into = into.to_str().expect("UTF-8");
    let file = hut();
    let file = file.to_str().expect("UTF-8");
    let installation = Installation::load(&hut()).expect("the demonstration passes its check");
    let setup = Setup { speed: SPEED, ..Setup::default() };
    let controller = Controller::start(&installation.settings, World::at(Celsius::from_millidegrees(20_000)), &setup);
    until("it runs", || controller.steps() > 10);
    let mut running = Running::start(&["bench", file, "--record", controller.address(), "--into", into]);
    running.type_in(&"s\n".repeat(BEFORE_POWER));
    // In ice, and 0.15 °C is read there.
    running.until_it_says("2.1  battery_1 in crushed ice");
    switched_on(&controller, 150);
    running.type_in("\n");
    running.until_it_says("mean of 60");
    // The steam, and the other thermometers.
    running.type_in(&"s\n".repeat(7));
    // Just above the lowest plausible temperature, where the cells are not.
    running.until_it_says("3.1  all cells just above trust.plausible_low_c");
    running.type_in(&"s\n".repeat(3));
    running.until_it_says("3.4  all cells just above charge.inhibit_c");
    set_source(&controller, 2, true);
    switched_on(&controller, 6_000);
    running.type_in("\n");
    running.until_it_says("3.5  battery_1 just below charge.inhibit_c");
    // The resistor of battery_1 is not the one of the card: both cells are above.
    running.type_in("\n");
    running.until_it_says("3.6  battery_2 just below charge.inhibit_c");
    running.type_in("q\n");
    running.until_it_says("battery_1: offset_k = -0.15");
    assert_eq!(running.ended(), 1, "a step has failed");
    let record: Value = serde_json::from_str(&std::fs::read_to_string(into).expect("the record")).expect("JSON");
    let verdict = |step: &str| {
        let entries = record["entries"].as_array().expect("entries");
        let entry = entries.iter().find(|entry| entry["step"] == step).unwrap_or_else(|| panic!("no {step}"));
        (entry["verdict"].as_str().expect("a word").to_owned(), entry["measured"].as_str().expect("a text").to_owned())
    };
    assert_eq!(verdict("1.1").0, "skipped");
    assert_eq!(verdict("2.1").0, "pass", "{:?}", verdict("2.1"));
    assert_eq!(verdict("3.4").0, "pass", "{:?}", verdict("3.4"));
    let (failed, measured) = verdict("3.5");
    assert!(failed == "fail" && measured.contains("heater on"), "{measured}");
}

#[test]
fn a_controller_with_other_settings_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let into = folder.path().join("bench.json");
    let into = into.to_str().expect("UTF-8");
    let van = hut().with_file_name("van.toml");
    let installation = Installation::load(&hut()).expect("the demonstration passes its check");
    let setup = Setup { speed: SPEED, ..Setup::default() };
    let controller = Controller::start(&installation.settings, World::at(Celsius::from_millidegrees(20_000)), &setup);
    until("it runs", || controller.steps() > 10);
    let van = van.to_str().expect("UTF-8");
    let run = forewarm(&["bench", van, "--record", controller.address(), "--into", into]);
    assert!(
        run.status == 2
            && run.stdout.is_empty()
            && run.stderr.contains("the controller has other settings than the card"),
        "{}",
        run.stderr
    );
}

//! `forewarm send` beside the firmware's own loop, with and without a hand at the button.
#![cfg(unix)]

mod common;
mod desk;
#[path = "common/signals.rs"]
mod signals;

use common::forewarm;
use desk::{Running, controller, hut, until};
use forewarm_tests::controller::{Controller, Plug, Setup};
use std::path::{Path, PathBuf};

/// The demonstration with other thresholds, in a folder of its own.
fn changed() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mine.toml");
    let text = std::fs::read_to_string(hut()).expect("the demonstration");
    let text = text.replacen("inhibit_c = 5.5", "inhibit_c = 6", 1).replacen("cell_c = 5.5", "cell_c = 6", 1);
    let weather = hut().with_file_name("weather.csv");
    let text = text.replacen("\"weather.csv\"", &format!("{:?}", weather.to_str().expect("UTF-8")), 1);
    std::fs::write(&path, text).expect("written");
    (folder, path)
}

fn shown(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

fn hold(controller: &Controller, holds: bool) {
    controller.change(|world| world.holds_button = holds);
}

/// A controller that has run for long enough to see its button released.
fn running(setup: &Setup) -> Controller {
    let controller = controller(setup);
    until("it runs", || controller.steps() > 10);
    controller
}

#[test]
fn settings_are_shown_key_by_key_sent_with_a_hand_at_the_button_and_read_back() {
    let (folder, mine) = changed();
    let setup = Setup { storage: Some(folder.path().join("flash")), plug: Plug::Terminal, speed: 20 };
    let controller = running(&setup);
    let mut sending = Running::start(&["send", shown(&mine), controller.address()]);
    sending
        .until_it_says("charge.inhibit_c: 5.5 °C → 6 °C\n    charge is refused with the coldest cell at or below this");
    sending.until_it_says("entry 1 of charge.ceiling: cell_c: 5.5 °C → 6 °C");
    sending.until_it_says("Send these settings? [y/N] ");
    assert_eq!(sending.stdout().matches(" → ").count(), 2, "{}", sending.stdout());
    sending.type_in("y\n");
    sending.until_it_says("Waiting for the button");
    assert_eq!(controller.starts(), 1, "nothing happens without a hand");
    hold(&controller, true);
    sending.until_it_says("The settings are kept. The controller restarts.");
    sending.until_it_says("The button may be released.");
    hold(&controller, false);
    sending.until_it_says("It sees\n  waiting: the cells are cold");
    sending.until_it_says("battery_1    -4.00 °C");
    assert_eq!(sending.ended(), 0);
    assert_eq!(controller.starts(), 2);

    let again = forewarm(&["send", shown(&mine), controller.address()]);
    assert_eq!(again.status, 0, "{}", again.stderr);
    assert!(again.stdout.contains("in force already"), "{}", again.stdout);

    let read = folder.path().join("read.toml");
    let run = forewarm(&["send", "--read", controller.address(), "-o", shown(&read)]);
    assert_eq!((run.status, &*run.stdout), (0, ""), "{}", run.stderr);
    let kept = forewarm(&["send", "--read", controller.address(), "-o", shown(&read)]);
    assert_eq!(kept.status, 2, "a file that exists is kept");
    let checked = forewarm(&["check", shown(&read)]);
    assert_eq!(checked.status, 0, "{}{}", checked.stdout, checked.stderr);
    let round = forewarm(&["send", shown(&read), controller.address()]);
    assert!(round.status == 0 && round.stdout.contains("in force already"), "{}{}", round.stdout, round.stderr);
}

#[test]
fn without_agreement_nothing_is_sent() {
    let (_folder, mine) = changed();
    let controller = running(&Setup::default());
    hold(&controller, true);
    let mut sending = Running::start(&["send", shown(&mine), controller.address()]);
    sending.until_it_says("[y/N]");
    sending.type_in("what?\n");
    sending.until_it_says("nothing was sent, and nothing has changed");
    assert_eq!(sending.ended(), 1);
    let shown_only = forewarm(&["send", shown(&mine), controller.address(), "--json"]);
    let report: serde_json::Value = serde_json::from_str(&shown_only.stdout).expect("an object");
    assert_eq!((&report["sent"], report["differences"].as_array().map(Vec::len)), (&false.into(), Some(2)));
    assert_eq!(controller.starts(), 1);
}

#[test]
fn after_six_uploads_the_seventh_is_refused_with_what_to_do() {
    let (folder, mine) = changed();
    let hut = hut();
    let setup = Setup { speed: 20, storage: Some(folder.path().join("flash")), ..Setup::default() };
    let controller = running(&setup);
    for upload in 0..7 {
        let file = if upload % 2 == 0 { &*mine } else { &*hut };
        hold(&controller, false);
        let (steps, starts) = (controller.steps(), controller.starts());
        until("its button is seen released", || controller.steps() > steps + 3);
        let mut sending = Running::start(&["send", shown(file), controller.address(), "--yes"]);
        sending.until_it_says("What differs");
        hold(&controller, true);
        if upload < 6 {
            sending.until_it_says("The button may be released");
            assert_eq!(sending.ended(), 0);
            assert_eq!(controller.starts(), starts + 1);
        } else {
            sending.until_it_says("let the controller run for an hour");
            sending.until_it_says("nothing has changed on it");
            assert_eq!(sending.ended(), 1);
            assert_eq!(controller.starts(), starts);
        }
    }
}

#[test]
fn settings_do_not_go_over_a_network() {
    let run = forewarm(&["send", shown(&hut()), "tcp:192.0.2.7:7000", "--yes"]);
    assert_eq!(run.status, 2);
    assert!(run.stderr.contains("settings do not go over a network"), "{}", run.stderr);
    assert!(run.stderr.contains("plug this computer into"), "{}", run.stderr);
}

#[test]
fn a_noisy_line_delays_an_upload_and_spoils_nothing() {
    let (folder, mine) = changed();
    let setup = Setup { speed: 20, storage: Some(folder.path().join("flash")), ..Setup::default() };
    let controller = running(&setup);
    controller.make_noise(1_500);
    let mut sending = Running::start(&["send", shown(&mine), controller.address(), "--yes"]);
    sending.until_it_says("Waiting for the button");
    hold(&controller, true);
    sending.until_it_says("The button may be released");
    sending.until_it_says("It sees");
    assert_eq!(sending.ended(), 0);
    assert_eq!(controller.starts(), 2, "one upload");
}

//! `forewarm propose`: a list to choose from, a file to build from, and nothing half.
#![allow(missing_docs)]

mod common;
#[cfg(unix)]
#[path = "common/interrupted.rs"]
mod interrupted;
#[cfg(unix)]
#[path = "common/signals.rs"]
mod signals;

use common::{Run, forewarm};
#[cfg(unix)]
use interrupted::interrupted;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

/// The starter with ten days of winter, and one of its lines replaced.
fn starter(folder: &Path, change: Option<(&str, &str)>) -> String {
    let mut text = forewarm::installation::starter();
    let days =
        text.lines().find(|line| line.trim_start_matches("# ").starts_with("days = ")).expect("a line").to_owned();
    text = text.replacen(&days, "days = 10", 1);
    if let Some((from, to)) = change {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    let path = folder.join("mine.toml");
    fs::write(&path, text).unwrap();
    path.to_str().expect("a path in UTF-8").to_owned()
}

const FIXED: &str = "# fixed = [\"heater.power_w\", \"box\", \"channel.cells_low\"]";
const SHORT: [&str; 6] = ["--tries", "5", "--trials", "1", "--most", "2"];

fn propose(file: &str, arguments: &[&str]) -> Run {
    forewarm(&[&["propose", file], &SHORT[..], arguments].concat())
}

#[test]
fn what_is_written_is_the_chosen_one_and_passes_check_and_plan() {
    let folder = tempfile::tempdir().unwrap();
    let file = starter(folder.path(), None);
    let [out, plot] = ["better.toml", "front.svg"].map(|name| folder.path().join(name).to_str().unwrap().to_owned());
    let run = propose(&file, &["--json", "--choose", "1", "--write", &out, "--plot", &plot]);
    assert_eq!(run.status, 0, "{run:?}");
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let candidates = report["candidates"].as_array().expect("a list");
    assert!(!candidates.is_empty(), "{run:?}");
    for candidate in candidates {
        assert_eq!((&candidate["violations"], &candidate["trials"]), (&0.into(), &1.into()));
        for key in ["charge_used_h", "heater_wh", "warm_up_h", "effort_h", "least_soc_pct"] {
            assert!(candidate[key].as_f64().is_some_and(|value| value >= 0.0), "{key}: {candidate}");
        }
    }
    assert_eq!(report["tried"], 5);
    assert!(report["requirements"].as_array().is_some_and(|all| all.len() == 8), "{report}");
    let written = fs::read_to_string(&out).unwrap();
    assert_eq!(candidates[0]["installation"], Value::String(written));
    for command in ["check", "plan"] {
        let run = forewarm(&[command, &out]);
        assert_eq!(run.status, 0, "{run:?}");
        let wrong = run.stdout.lines().find(|line| line.starts_with("  change") || line.starts_with("  danger"));
        assert_eq!(wrong, None);
    }
    let drawing = fs::read_to_string(&plot).unwrap();
    let document = roxmltree::Document::parse(&drawing).expect("XML");
    let marks = document.descendants().filter(|node| node.has_tag_name("circle")).count();
    assert_eq!(marks, candidates.len());
}

#[test]
fn the_same_seed_proposes_the_same_on_any_number_of_processors() {
    let folder = tempfile::tempdir().unwrap();
    let file = starter(folder.path(), None);
    let on = |threads: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_forewarm"));
        command.args(["propose", &file]).args(SHORT).env("RAYON_NUM_THREADS", threads);
        let output = command.output().expect("the command ends");
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        output.stdout
    };
    assert_eq!(String::from_utf8(on("1")), String::from_utf8(on("3")));
}

#[test]
fn where_nothing_will_do_the_status_is_1_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let file = starter(folder.path(), Some((FIXED, "fixed = [\"channel\", \"charge\", \"heater\"]")));
    let text = fs::read_to_string(&file).unwrap();
    // A check resistor that lets through 30 K.
    let loose = text.lines().find(|line| line.starts_with("check_within_ohm")).expect("a line").to_owned();
    fs::write(&file, text.replacen(&loose, "check_within_ohm = 20", 1)).unwrap();
    let out = folder.path().join("better.toml");
    let run = propose(&file, &["--write", out.to_str().unwrap()]);
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stdout.contains("Nothing meets every requirement. The nearest lacks this"), "{run:?}");
    assert!(run.stdout.contains("Take from `fixed`"), "{run:?}");
    assert!(!out.exists());
}

#[test]
fn fixed_must_name_what_the_file_has() {
    let folder = tempfile::tempdir().unwrap();
    for (fixed, message, remedy) in [
        ("fixed = \"box\"", "fixed is the text \"box\", not a list", "fixed = ["),
        ("fixed = [3]", "fixed has 3 in it, not a text", "fixed = ["),
        ("fixed = [\"heaterr\"]", "fixed names heaterr, which the file does not have", "heater"),
        ("fixed = [\"heater.power\"]", "[heater] has no setting power", "heater.power_w"),
        ("fixed = [\"channel.low\"]", "fixed names channel.low: no channel is called so", "cells_low"),
        ("fixed = [\"box\", \"box\"]", "fixed names box twice", "one of the two"),
    ] {
        let file = starter(folder.path(), Some((FIXED, fixed)));
        let run = forewarm(&["check", &file]);
        assert_eq!(run.status, 1, "{fixed}: {run:?}");
        let said = format!("{}{}", run.stdout, run.stderr);
        assert!(said.contains(message) && said.contains(remedy), "{fixed}: {said}");
    }
}

#[test]
fn what_cannot_be_is_refused_before_the_search() {
    let folder = tempfile::tempdir().unwrap();
    let file = starter(folder.path(), None);
    let there = folder.path().join("there.toml").to_str().unwrap().to_owned();
    fs::write(&there, "kept").unwrap();
    for (arguments, message) in [
        (vec!["--choose", "2"], "--write"),
        (vec!["--write", &file, "--force"], "mine.toml"),
        (vec!["--write", &there], "exists"),
        (vec!["--plot", "front.png"], ".svg"),
        (vec!["--write", "-"], "standard output"),
        (vec!["--tries", "0"], "0"),
    ] {
        let run = forewarm(&[&["propose", &file], &arguments[..]].concat());
        assert_eq!(run.status, 2, "{arguments:?}: {run:?}");
        assert!(run.stderr.contains(message), "{arguments:?}: {run:?}");
        assert_eq!(run.stdout, "");
    }
    assert_eq!(fs::read_to_string(&there).unwrap(), "kept");
}

#[cfg(unix)]
#[test]
fn an_interrupted_search_says_so_and_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let file = starter(folder.path(), None);
    let out = folder.path().join("better.toml");
    let arguments = ["propose", &file, "--tries", "100000", "--write", out.to_str().unwrap()];
    // Far too little for the search.
    let Run { status, stdout, stderr } = interrupted(&arguments, Duration::from_secs(4));
    assert_eq!(status, 130, "{stderr}");
    assert!(stderr.contains("interrupted") && stdout.contains("interrupted"), "{stdout}{stderr}");
    assert!(!out.exists());
}

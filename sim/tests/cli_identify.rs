//! `forewarm identify`: what a log tells, a file as found, and nothing half.
#![allow(missing_docs)]

mod common;

use common::{Run, forewarm, forewarm_fed};
use serde_json::Value;
use std::fs;
use std::path::Path;

const HUT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/sideways/hut.toml");
const LOG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/identify_log.csv");

fn log() -> String {
    fs::read_to_string(LOG).expect("the log")
}

/// Its first hours.
fn short(hours: f64) -> String {
    let rows = log();
    let within = |row: &&str| {
        row.split(',').next().and_then(|at| at.parse::<f64>().ok()).is_none_or(|at_s| at_s <= hours * 3600.0)
    };
    rows.lines().filter(within).map(|row| row.to_owned() + "\n").collect()
}

/// The rows with one column taken away.
fn without(log: &str, column: &str) -> String {
    let rows: Vec<&str> = log.lines().filter(|row| !row.starts_with('#')).collect();
    let index = rows[0].split(',').position(|name| name == column).expect("a column");
    let kept = |row: &str| {
        let cells = row.split(',').enumerate().filter(|(place, _)| *place != index);
        cells.map(|(_, cell)| cell).collect::<Vec<_>>().join(",") + "\n"
    };
    rows.into_iter().map(kept).collect()
}

fn identify(log: &str, arguments: &[&str]) -> Run {
    forewarm_fed(&[&["identify", HUT, "-"], arguments].concat(), log.as_bytes())
}

#[test]
fn the_json_has_each_parameter_with_its_plan_and_its_interval() {
    let run = identify(&short(40.0), &["--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let parameters = report["parameters"].as_array().expect("a list");
    for name in
        ["heat_loss", "heat_capacity", "pad_power", "plate_to_cell_1", "plate_to_cell_2", "cell_to_cell", "lag_plate"]
    {
        let found = parameters.iter().find(|found| found["name"] == name).unwrap_or_else(|| panic!("no {name}"));
        let number = |key: &str| found[key].as_f64().unwrap_or_else(|| panic!("{name}: {key}"));
        assert!(number("low") <= number("value") && number("value") <= number("high"), "{found}");
        assert!(number("planned") > 0.0 && found["unit"].is_string() && found["identifiable"].is_boolean(), "{found}");
        if found["identifiable"] == false {
            assert_eq!(found["value"], found["planned"], "what is not told stays as planned");
        }
    }
    assert!(report["residual_sd_k"].as_f64().is_some_and(|sd| sd > 0.0 && sd < 0.1), "{report}");
    assert!(report["white"].is_boolean());
}

#[test]
fn what_is_written_passes_check_and_is_as_found() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().expect("a path in UTF-8").to_owned();
    let (out, plot) = (path("as-found.toml"), path("left.svg"));
    let run = forewarm(&["identify", HUT, LOG, "--write", &out, "--plot", &plot]);
    assert_eq!(run.status, 0, "{run:?}");
    let (before, after) = (fs::read_to_string(HUT).unwrap(), fs::read_to_string(&out).unwrap());
    for comment in before.lines().filter(|line| line.starts_with('#')) {
        assert!(after.contains(comment), "{comment}");
    }
    let run = forewarm(&["check", &out]);
    assert_eq!(run.status, 0, "{run:?}");
    // By the new plan, nothing differs any more.
    let run = forewarm(&["identify", &out, LOG, "--json"]);
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    assert_eq!(report["differences"].as_array().map(Vec::len), Some(0), "{report}");
    let drawing = fs::read_to_string(&plot).unwrap();
    let document = roxmltree::Document::parse(&drawing).expect("XML");
    let lines = document
        .descendants()
        .filter(|node| node.has_tag_name("path") && node.attribute("stroke-width") == Some("0.8"));
    assert_eq!(lines.count(), 4, "a line for each thermometer");
}

#[test]
fn nothing_is_written_over_a_file_that_is_there_or_in_part() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out.toml");
    fs::write(&out, "mine").unwrap();
    let shown = out.to_str().expect("a path in UTF-8");
    for (arguments, status) in [
        (vec!["identify", HUT, LOG, "--write", shown], 2),
        (vec!["identify", HUT, LOG, "--write", HUT, "--force"], 2),
        (vec!["identify", HUT, LOG, "--write", LOG, "--force"], 2),
        (vec!["identify", HUT, LOG, "--write", "-"], 2),
        (vec!["identify", HUT, LOG, "--plot", "picture.png"], 2),
        (vec!["identify", HUT, LOG, "--write", "/no/such/folder/out.toml"], 2),
        (vec!["identify", HUT, "/no/such/log.csv", "--write", shown, "--force"], 2),
    ] {
        let run = forewarm(&arguments);
        assert_eq!((run.status, run.stdout.as_str()), (status, ""), "{arguments:?}: {run:?}");
        assert!(run.stderr.contains("try: "), "{run:?}");
    }
    assert_eq!(fs::read_to_string(&out).unwrap(), "mine");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

/// What standard error says of a log that is refused.
fn refused(log: &str, arguments: &[&str]) -> String {
    let run = identify(log, arguments);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{run:?}");
    assert!(run.stderr.contains("try: "), "{run:?}");
    run.stderr
}

#[test]
fn a_log_that_lacks_what_drives_the_bank_is_refused_with_what_to_do() {
    let bare = without(&without(&short(40.0), "heater_w"), "heater");
    assert!(refused(&bare, &[]).contains("--assume-heater-off"));
    assert!(refused(&without(&short(40.0), "outside_c"), &[]).contains("--assume-outside"));
    assert!(refused(&short(1.0), &[]).contains("2 h or more"));
    let nothing = "elapsed_s,other_c,outside_c,heater\n0,1,1,0\n60,1,1,0\n";
    assert!(refused(nothing, &[]).contains("--column battery_1=COLUMN:c"));
}

#[test]
fn a_file_that_does_not_describe_its_site_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(HUT).unwrap();
    let settings = text.split("\n[battery]").next().expect("the settings come first");
    // What only a site has.
    let bare: String = settings
        .lines()
        .filter(|line| {
            !["at =", "battery =", "class =", "cable_m", "lag_s", "air_share"].iter().any(|key| line.starts_with(key))
        })
        .map(|line| line.to_owned() + "\n")
        .collect();
    let file = folder.path().join("bare.toml");
    fs::write(&file, bare).unwrap();
    let run = forewarm(&["identify", file.to_str().expect("a path in UTF-8"), LOG]);
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stderr.contains("says nothing of the site"), "{run:?}");
}

#[test]
fn a_log_of_nothing_but_rest_tells_nothing_and_says_which_test_would() {
    // The first five hours, before the heater came on, with everything as cold as the outside.
    let run = identify(&short(5.0), &["--json"]);
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    for found in report["parameters"].as_array().expect("a list") {
        assert_eq!(found["identifiable"], false, "{found}");
        assert_eq!(found["value"], found["planned"]);
    }
    assert_eq!(run.status, 1, "{run:?}");
    let tests = report["tests"].as_array().expect("a list");
    let of = |name: &str| {
        tests.iter().find(|test| test["parameters"].as_array().is_some_and(|all| all.contains(&name.into())))
    };
    for name in ["heat_loss", "heat_capacity", "plate_to_cell_2"] {
        let test = of(name).unwrap_or_else(|| panic!("no test for {name}"));
        assert!(test["heat_h"].as_f64().is_some_and(|hours| hours > 0.0), "{test}");
    }
}

/// Five hours are missing, and later the clock is set back by half an hour.
#[test]
fn after_a_pause_or_a_clock_set_back_the_fit_begins_anew_and_finds_the_same() {
    let log = log();
    let mut rows: Vec<String> = log.lines().filter(|row| !row.starts_with('#')).map(str::to_owned).collect();
    // A pause of five hours.
    rows.drain(1000..1150);
    // The clock goes back by half an hour, and all later rows are as much too early.
    let moved: Vec<String> = rows
        .drain(2000..)
        .map(|row| {
            let (at, rest) = row.split_once(',').expect("several columns");
            format!("{},{rest}", at.parse::<i64>().expect("seconds") - 1800)
        })
        .collect();
    rows.extend(moved);
    let run = identify(&(rows.join("\n") + "\n"), &["--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    assert_eq!(report["parts_s"].as_array().map(Vec::len), Some(3), "{}", report["parts_s"]);
    assert_eq!(report["clock_back_s"], 1680.0);
    assert!(run.stderr.contains("out of order"), "{}", run.stderr);
    let loss = report["parameters"].as_array().and_then(|all| all.iter().find(|found| found["name"] == "heat_loss"));
    let loss = loss.and_then(|loss| loss["value"].as_f64()).expect("a loss");
    assert!((loss / 0.8437 - 1.0).abs() < 0.03, "{loss}");
}

#[test]
fn a_cool_down_alone_tells_the_loss_where_the_heater_is_said_to_have_been_off() {
    // Between two heatings, for twenty hours, the bank cooled by itself.
    let rows = log();
    let is_within = |row: &&str| {
        row.split(',')
            .next()
            .and_then(|at| at.parse::<f64>().ok())
            .is_none_or(|at_s| (119_400.0..194_000.0).contains(&at_s))
    };
    let cool: String = rows.lines().filter(is_within).map(|row| row.to_owned() + "\n").collect();
    let run = identify(&without(&without(&cool, "heater_w"), "heater"), &["--assume-heater-off", "--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let all = report["parameters"].as_array().expect("a list");
    let of = |name: &str| all.iter().find(|found| found["name"] == name).expect("it is sought");
    assert_eq!(of("heat_loss")["identifiable"], true, "{report}");
    assert_eq!(of("pad_power")["identifiable"], false, "it was never on");
    let [low, high] = ["low", "high"].map(|key| of("heat_loss")[key].as_f64().expect("a number"));
    assert!((low..=high).contains(&0.8437), "{low} to {high}");
}

#[test]
fn the_standard_input_is_for_one_of_the_two() {
    let run = forewarm(&["identify", "-", "-"]);
    assert_eq!(run.status, 2, "{run:?}");
    assert!(!Path::new("-").exists());
}

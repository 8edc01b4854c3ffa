//! `forewarm identify`: what a log shows, a file as found, and nothing half.
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

/// The first day and a half, with the first three times of heating, a row for every ten minutes, with its cells as `changed` makes them
/// of the hour and the cells by name.
fn changed(change: impl Fn(f64, &dyn Fn(&str) -> usize, &mut Vec<String>)) -> String {
    let all = log();
    let mut rows = all.lines().filter(|row| !row.starts_with('#'));
    let header = rows.next().expect("a header");
    let place = |name: &str| header.split(',').position(|other| other == name).expect("a column");
    let mut out = header.to_owned() + "\n";
    for row in rows.step_by(5) {
        let mut cells: Vec<String> = row.split(',').map(str::to_owned).collect();
        let hour = cells[0].parse::<f64>().expect("seconds") / 3600.0;
        if hour > 36.0 {
            break;
        }
        change(hour, &place, &mut cells);
        out += &(cells.join(",") + "\n");
    }
    out
}

fn unchanged() -> String {
    changed(|_, _, _| {})
}

fn identify(log: &str, arguments: &[&str]) -> Run {
    forewarm_fed(&[&["identify", HUT, "-"], arguments].concat(), log.as_bytes())
}

fn json(run: &Run) -> Value {
    serde_json::from_str(&run.stdout).unwrap_or_else(|error| panic!("{error}: {run:?}"))
}

/// What the log was made with.
const LOSS_W_PER_K: f64 = 0.8437;
const CONTACT_2: f64 = 80.0;

fn parameter<'r>(report: &'r Value, name: &str) -> &'r Value {
    let all = report["parameters"].as_array().expect("a list");
    all.iter().find(|found| found["name"] == name).unwrap_or_else(|| panic!("no {name} in {report}"))
}

/// Its value if the log shows it.
fn shown(report: &Value, name: &str) -> Option<f64> {
    let found = parameter(report, name);
    (found["identifiable"] == true).then(|| found["value"].as_f64().expect("a number"))
}

/// Names of the parameters that differ.
fn differences(report: &Value) -> Vec<&str> {
    let all = report["differences"].as_array().expect("a list");
    all.iter().map(|one| one["parameter"].as_str().expect("a name")).collect()
}

fn assert_near(value: Option<f64>, planted: f64, part: f64) {
    assert!(value.is_some_and(|value| (value / planted - 1.0).abs() < part), "{value:?} where {planted} was planted");
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
            assert_eq!(found["value"], found["planned"], "what is not shown stays as planned");
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

/// Nothing that could be taken for a diagnosis.
fn assert_says_nothing(run: &Run) {
    assert_eq!(run.status, 1, "{run:?}");
    assert_eq!(run.stderr.matches("error: ").count(), 1, "{}", run.stderr);
    let report = json(run);
    for name in ["differences", "tests", "strained"] {
        assert_eq!(report[name].as_array().map(Vec::len), Some(0), "{report}");
    }
    for found in report["parameters"].as_array().expect("a list") {
        assert_eq!((&found["identifiable"], &found["value"]), (&false.into(), &found["planned"]), "{found}");
    }
}

#[test]
fn a_log_that_the_model_does_not_follow_gives_no_figure_and_no_file_and_says_so_first() {
    // The heater's column is inverted, and no power contradicts it.
    let log = changed(|_, place, cells| {
        let state = &mut cells[place("heater")];
        *state = if state == "0" { "1".to_owned() } else { "0".to_owned() };
    });
    let log = without(&log, "heater_w");
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out.toml");
    let run = identify(&log, &["--json", "--write", out.to_str().expect("a path in UTF-8")]);
    assert_says_nothing(&run);
    assert_eq!(json(&run)["follows"], false, "{run:?}");
    assert!(!out.exists());
    let run = identify(&log, &[]);
    let first = run.stdout.lines().nth(2).unwrap_or_default();
    assert!(first.starts_with("the model cannot follow this log") && first.ends_with("can be relied on"), "{run:?}");
    assert!(run.stdout.contains("inverted") && !run.stdout.contains("What differs"), "{run:?}");
}

#[test]
fn a_thermometer_that_came_off_is_left_out_and_the_rest_is_found() {
    let log = changed(|hour, place, cells| {
        if hour > 14.0 {
            cells[place("battery_1_c")] = cells[place("box_air_c")].clone();
        }
    });
    let run = identify(&log, &["--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report = json(&run);
    assert_eq!(
        (&report["left_out_thermometers"], &report["follows"]),
        (&serde_json::json!(["battery_1"]), &true.into())
    );
    assert_eq!(report["thermometers"].as_array().map(Vec::len), Some(3), "{report}");
    assert_near(shown(&report, "heat_loss"), LOSS_W_PER_K, 0.03);
    assert_near(shown(&report, "plate_to_cell_2"), CONTACT_2, 0.06);
    assert_eq!(shown(&report, "plate_to_cell_1"), None, "nothing sits on it any more");
    let run = identify(&log, &[]);
    assert!(run.stdout.contains("battery_1 does not show what the model says"), "{run:?}");
}

/// From the plate alone, either battery may be the one with the poor joint; and from a thermometer that sits between the two.
#[test]
fn without_a_thermometer_on_one_battery_alone_no_battery_is_named() {
    let between = without(&unchanged(), "battery_2_c");
    let alone = without(&without(&between, "battery_1_c"), "box_air_c");
    let folder = tempfile::tempdir().unwrap();
    let mirrored = folder.path().join("mirrored.toml");
    let joints = "\njoints = [ { battery = 1, contact_pct = 40 }, { battery = 2, contact_pct = 100 } ]";
    let text = fs::read_to_string(HUT).unwrap();
    fs::write(&mirrored, text.replacen("\ncontact_w_per_m2_k", &format!("{joints}\ncontact_w_per_m2_k"), 1)).unwrap();
    let mirrored = mirrored.to_str().expect("a path in UTF-8");
    for (file, log) in [(HUT, &alone), (mirrored, &alone), (HUT, &between)] {
        let run = forewarm_fed(&["identify", file, "-", "--json"], log.as_bytes());
        assert_eq!(run.status, 0, "{run:?}");
        let report = json(&run);
        assert!(shown(&report, "heat_loss").is_some(), "{report}");
        for name in ["plate_to_cell_1", "plate_to_cell_2"] {
            assert_eq!(shown(&report, name), None, "{file}");
            assert!(!differences(&report).contains(&name), "{file}: {report}");
        }
    }
}

#[test]
fn what_is_said_allows_for_the_errors_of_the_model_and_the_intervals_are_of_chance() {
    let report = json(&identify(&unchanged(), &["--json"]));
    assert_eq!((&report["settled"], &report["follows"]), (&true.into(), &true.into()));
    assert_eq!(report["strained"].as_array().map(Vec::len), Some(0), "{report}");
    let of = |name: &str, key: &str| parameter(&report, name)[key].as_f64().expect("a number");
    for (name, part) in [("plate_to_cell_2", 0.06), ("heat_loss", 0.02), ("pad_power", 0.02), ("lag_plate", 0.0)] {
        assert!((of(name, "model_error_part") - part).abs() < 1e-12, "{name}");
    }
    let said = report["differences"].as_array().expect("a list");
    let said = said.iter().find(|one| one["parameter"] == "plate_to_cell_2").and_then(|one| one["text"].as_str());
    let of_plan = |key: &str, more: f64| format!("{:.2}", of("plate_to_cell_2", key) * more / 200.0);
    let interval = format!("({} to {}) times", of_plan("low", 0.94), of_plan("high", 1.06));
    assert!(said.is_some_and(|said| said.contains(&interval)), "{interval}: {said:?}");
}

/// The sensor outside hangs where the sun warms it by a degree, and lags behind.
#[test]
fn a_sun_on_the_outside_sensor_is_not_taken_for_the_box() {
    let log = changed(|hour, place, cells| {
        let outside = &mut cells[place("outside_c")];
        let sun_k = 1.0 + libm::sin(std::f64::consts::TAU * (hour - 8.0) / 24.0);
        *outside = format!("{:.2}", outside.parse::<f64>().expect("a temperature") + sun_k);
    });
    let run = identify(&log, &["--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report = json(&run);
    assert_near(shown(&report, "heat_loss"), LOSS_W_PER_K, 0.03);
    assert_near(shown(&report, "plate_to_cell_2"), CONTACT_2, 0.06);
}

#[test]
fn what_gave_way_beyond_what_is_known_of_it_is_said_first() {
    let log = changed(|_, place, cells| {
        for (name, more_k) in [("outside_c", 2.5), ("battery_2_c", 1.2)] {
            let cell = &mut cells[place(name)];
            *cell = format!("{:.2}", cell.parse::<f64>().expect("a temperature") + more_k);
        }
    });
    let report = json(&identify(&log, &["--json"]));
    let strained = report["strained"].as_array().expect("a list");
    for (name, sign) in [("around", -1.0), ("offset_battery_2", 1.0)] {
        let one = strained.iter().find(|one| one["name"] == name).unwrap_or_else(|| panic!("no {name} in {report}"));
        let number = |key: &str| one[key].as_f64().expect("a number");
        // How much of it is found there, and how much elsewhere, is for what is known of each.
        assert!(one["unit"] == "K" && sign * number("value") > 3.0 * number("known"), "{one}");
    }
    let run = identify(&log, &[]);
    let at = |text: &str| run.stdout.find(text).unwrap_or_else(|| panic!("no {text} in {run:?}"));
    let warnings = [at("colder than logged"), at("battery_2 reads ")];
    assert!(warnings.iter().all(|warning| *warning < at("the box loses")), "{run:?}");
}

#[test]
fn where_the_heater_is_no_longer_logged_the_rows_are_left_out() {
    // From the twentieth to the twenty-sixth hour, and it was off before.
    let log = changed(|hour, place, cells| {
        if (20.0..26.0).contains(&hour) {
            cells[place("heater")].clear();
            cells[place("heater_w")].clear();
        }
    });
    let report = json(&identify(&log, &["--json"]));
    assert_eq!(report["parts_s"].as_array().map(Vec::len), Some(2), "{}", report["parts_s"]);
    assert!(report["rows_left_out"].as_u64().is_some_and(|rows| rows >= 30), "{report}");
    assert_near(shown(&report, "heat_loss"), LOSS_W_PER_K, 0.03);
}

#[test]
fn words_for_nothing_are_empty_cells() {
    let with = |words: [&str; 3]| {
        let log = changed(|hour, place, cells| {
            if hour % 1.6 < 0.5 {
                cells[place("plate_c")] = words[0].to_owned();
            }
            if (20.0..20.3).contains(&hour) {
                cells[place("heater")] = words[1].to_owned();
                cells[place("outside_c")] = words[2].to_owned();
            }
        });
        json(&identify(&log, &["--json"]))
    };
    let empty = with([""; 3]);
    assert_eq!(empty["rows_rejected"], 0);
    assert_eq!(with(["NaN", "nan", "NA"]), empty);
}

#[test]
fn columns_that_cannot_be_what_they_are_taken_for_are_refused() {
    let heater_w = |of: fn(f64) -> f64| {
        changed(|_, place, cells| {
            let cell = &mut cells[place("heater_w")];
            *cell = of(cell.parse().expect("a power")).to_string();
        })
    };
    assert!(refused(&heater_w(|heater_w| -heater_w), &[]).contains("heater_w goes down to -84 W"));
    assert!(refused(&heater_w(|heater_w| heater_w / 1000.0), &[]).contains("in kW"));
    assert!(refused(&heater_w(|heater_w| heater_w * 10.0), &[]).contains("at most 840 W"));
    // Nothing while the heater is on, and something while it is off.
    assert!(refused(&heater_w(|heater_w| 84.0 - heater_w), &[]).contains("contradict each other"));
    let with = |name: &str, value: &str| {
        let log = unchanged();
        let rows = log.lines().enumerate().map(|(row, cells)| {
            let cell = if row == 0 { name } else { value };
            [cells, ",", cell, "\n"].concat()
        });
        rows.collect::<String>()
    };
    assert!(refused(&with("supply_v", "12800"), &[]).contains("in mV"));
    assert!(refused(&with("bank_a", "5000"), &[]).contains("in mA"));
    let kelvin = changed(|_, place, cells| cells[place("outside_c")] = "268.15".to_owned());
    assert!(refused(&kelvin, &[]).contains("no temperature around the box"));
}

#[test]
fn an_option_for_what_the_log_has_is_a_usage_error() {
    for options in [&["--assume-outside", "-5"][..], &["--assume-heater-off"]] {
        let run = identify(&unchanged(), options);
        assert_eq!((run.status, run.stdout.as_str()), (2, ""), "{run:?}");
        assert!(run.stderr.contains(&format!("try: no {}", options[0])), "{run:?}");
    }
}

#[test]
fn a_result_that_no_file_may_hold_is_printed_and_not_written() {
    // Batteries of four times the mass: the heat that they hold is then too little for any battery.
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().expect("a path in UTF-8").to_owned();
    let (heavy, out) = (path("heavy.toml"), path("out.toml"));
    let text = fs::read_to_string(HUT).unwrap();
    fs::write(&heavy, text.replacen("mass_kg = 11.5", "mass_kg = 46", 1)).unwrap();
    let run = forewarm_fed(&["identify", &heavy, "-", "--write", &out], unchanged().as_bytes());
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stdout.contains("the batteries hold 0.2"), "{run:?}");
    assert_eq!(run.stderr.matches("error: ").count(), 1, "{}", run.stderr);
    assert!(run.stderr.contains(&format!("error: {out}: is not written: ")), "{}", run.stderr);
    assert!(run.stderr.contains("battery.specific_heat_j_per_kg_k is"), "{}", run.stderr);
    let line = |digit: u32| format!("out.toml:{digit}");
    assert!(!(1..=9).any(|digit| run.stderr.contains(&line(digit))), "no line of a file that is not there: {run:?}");
    assert!(!Path::new(&out).exists());
}

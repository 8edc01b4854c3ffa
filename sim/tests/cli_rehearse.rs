//! `forewarm rehearse` as a user runs it.
#![expect(clippy::float_cmp, reason = "whole numbers come out whole")]

mod common;
#[path = "common/interrupted.rs"]
mod interrupted;
#[path = "common/signals.rs"]
mod signals;

use common::{Run, forewarm};
use interrupted::interrupted;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A folder with the demo's installation, cut to a few days, and its weather.
struct Hut {
    folder: tempfile::TempDir,
}

impl Hut {
    fn new(days: u32) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
        fs::copy(demo.join("weather.csv"), folder.path().join("weather.csv")).expect("the weather");
        let hut = fs::read_to_string(demo.join("hut.toml")).expect("the hut");
        assert!(hut.contains("\ndays = 180\n"), "the demo's season has changed");
        fs::write(folder.path().join("hut.toml"), hut.replace("\ndays = 180\n", &format!("\ndays = {days}\n")))
            .expect("the hut");
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes another installation, with `from` replaced by `to`.
    fn variant(&self, name: &str, from: &str, to: &str) -> PathBuf {
        let hut = fs::read_to_string(self.path("hut.toml")).expect("the hut");
        assert!(hut.contains(from), "{from}");
        fs::write(self.path(name), hut.replace(from, to)).expect("a variant");
        self.path(name)
    }

    fn rehearse(&self, more: &[&str]) -> Run {
        let hut = self.path("hut.toml");
        let mut arguments = vec!["rehearse", hut.to_str().expect("UTF-8")];
        arguments.extend(more);
        forewarm(&arguments)
    }

    fn json(&self, more: &[&str]) -> Value {
        let run = self.rehearse(&[more, &["--json"]].concat());
        assert_eq!(run.status, 0, "{}", run.stderr);
        serde_json::from_str(&run.stdout).expect("JSON")
    }
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} is {}", value[key]))
}

#[test]
fn the_stable_keys_are_there_and_agree_with_each_other() {
    let report = Hut::new(20).json(&[]);
    assert_eq!((number(&report, "days"), number(&report, "steps")), (20.0, 20.0 * 86_400.0));
    let by_source: f64 =
        report["heater_wh_by_source"].as_object().unwrap().values().map(|wh| wh.as_f64().unwrap()).sum();
    let heater_wh = number(&report, "heater_wh");
    assert!(heater_wh > 100.0 && (by_source - heater_wh).abs() < 1e-6 * heater_wh, "{by_source} {heater_wh}");
    // 120 W at 12.8 V, and no bus of this bank is above 14.6 V.
    let mean_w = heater_wh * 3600.0 / number(&report, "heater_on_s");
    assert!((100.0..157.0).contains(&mean_w), "{mean_w} W");
    let [permitted, wanted, refused] =
        ["charge_permitted_s", "charge_wanted_s", "charge_refused_s"].map(|key| number(&report, key));
    assert!(permitted > 0.0 && refused > 0.0 && refused <= wanted && wanted <= 20.0 * 86_400.0);
    assert!(number(&report, "coldest_true_c_while_permitted") > 0.0);
    assert!(number(&report, "relay_cycles") >= 2.0);
    assert_eq!((number(&report, "trials"), number(&report, "violations")), (0.0, 0.0));
}

#[test]
fn the_same_run_twice_prints_the_same_bytes() {
    let hut = Hut::new(5);
    for options in [&["--trials", "4"][..], &["--trials", "4", "--json"], &["--trial", "2", "--seed", "9"]] {
        assert_eq!(hut.rehearse(options).stdout, hut.rehearse(options).stdout);
    }
}

#[test]
fn every_step_taken_prints_the_same() {
    let hut = Hut::new(6);
    let (leapt, stepped) = (hut.rehearse(&["--trials", "2"]), hut.rehearse(&["--trials", "2", "--every-step"]));
    assert_eq!((leapt.status, &leapt.stdout), (0, &stepped.stdout));
    let singly = |more: &[&str]| number(&hut.json(more), "steps_taken_singly");
    assert_eq!(singly(&["--every-step"]), 6.0 * 86_400.0);
    assert!(singly(&[]) < 86_400.0, "{}", singly(&[]));
}

#[test]
fn the_worst_trial_run_alone_has_the_margin_it_had_among_the_others() {
    let hut = Hut::new(12);
    let all = hut.json(&["--trials", "8", "--seed", "5"]);
    assert_eq!(number(&all, "trials"), 8.0);
    let worst = &all["worst_trial"];
    let alone = hut.json(&["--seed", "5", "--trial", &worst["trial"].to_string()]);
    let coldest = number(&alone, "coldest_true_c_while_permitted");
    assert!((coldest - number(worst, "coldest_true_c_while_permitted")).abs() < 1e-9);
    let spread = &all["distribution"]["coldest_true_c_while_permitted"];
    assert!((number(spread, "least") - coldest).abs() < 1e-9, "{spread}");
    let order = ["least", "p5", "median", "p95", "most"].map(|key| number(spread, key));
    assert!(order.is_sorted(), "{order:?}");
}

#[test]
fn two_installations_are_shown_side_by_side() {
    let hut = Hut::new(10);
    let thin = hut.variant("thin.toml", "\nthickness_mm = 50\n", "\nthickness_mm = 20\n");
    let thin = thin.to_str().unwrap();
    let report = hut.json(&["--against", thin]);
    assert!(number(&report["against"], "charge_permitted_s") < number(&report, "charge_permitted_s"));
    let run = hut.rehearse(&["--against", thin]);
    let on = run.stdout.lines().find(|line| line.trim_start().starts_with("heater on")).expect("a line");
    assert_eq!(on.split_whitespace().filter(|word| word.parse::<f64>().is_ok()).count(), 2, "{on}");
}

/// Rehearses an installation, and checks that its timeline, replayed without any hint, decides the same in every
/// second. Returns the timeline.
fn replays_the_same(hut: &Hut, file: &Path, more: &[&str]) -> String {
    let timeline = hut.path("season.csv");
    let (file, log) = (file.to_str().expect("UTF-8"), timeline.to_str().expect("UTF-8"));
    let run = forewarm(&[&["rehearse", file, "--force", "--timeline", log], more].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    let replayed = forewarm(&["replay", file, log, "--json"]);
    assert_eq!(replayed.status, 0, "{}", replayed.stderr);
    let report: Value = serde_json::from_str(&replayed.stdout).expect("JSON");
    for output in ["heater", "charge"] {
        let differed = &report[format!("{output}_differences")];
        assert_eq!(number(differed, "compared_s"), number(&report, "span_s"), "{output}");
        assert_eq!(number(differed, "count"), 0.0, "{file} {more:?}, {output}: {differed}");
    }
    fs::read_to_string(timeline).expect("the timeline")
}

#[test]
fn a_timeline_replays_to_the_decisions_it_was_written_with() {
    let hut = Hut::new(30);
    for every in ["60", "3600", "86400"] {
        replays_the_same(&hut, &hut.path("hut.toml"), &["--every", every]);
    }
}

#[test]
fn a_timeline_replays_the_same_where_the_heater_starts_at_what_a_reading_rests_at_to_the_last_digit() {
    let hut = Hut::new(6);
    // A room that is always as warm, and a bank that lies in it from the start.
    let room = "[room]\nwarmer_by_k = 0\ntemperature_c = 9\nschedule = \"daily 00:00-24:00\"";
    let text = fs::read_to_string(hut.path("hut.toml")).unwrap().replace("exposure_pct = 30", room);
    let with = |name: &str, start: &str, mains: &str| {
        let text = text.replace("sat 10:00-22:00, sun 09:00-15:00", mains);
        let text = text.replace("\n[heater]\n", &format!("\n[heater]\nstart_c = {start}\n"));
        fs::write(hut.path(name), text + "\nstart_c = 9\n").unwrap();
        hut.path(name)
    };
    let timeline = replays_the_same(&hut, &with("first.toml", "8.6", "sat 10:00-22:00"), &[]);
    let lines: Vec<Vec<&str>> = timeline.lines().map(|line| line.split(',').collect()).collect();
    let column = |name: &str| lines[0].iter().position(|held| *held == name).expect("a column");
    let (reading, charge) = (column("battery_1_c"), column("charge"));
    let permitted: Vec<&str> = lines.iter().filter(|line| line[charge] == "1").map(|line| line[reading]).collect();
    let often = |text: &str| permitted.iter().filter(|held| **held == text).count();
    let rests_at = permitted.iter().max_by_key(|held| often(held)).expect("charge is permitted");
    assert!(often(rests_at) > 300, "no reading rests: {rests_at}");
    let exactly: f64 = rests_at.parse().expect("a temperature");
    // A threshold is set in millikelvins, and what is acted on is a millikelvin colder than it was measured.
    for digits in [-2.0, -1.0, 0.0, 1.0] {
        let start = ((exactly * 1000.0).floor() + digits) / 1000.0;
        // Somebody always has power for the heater.
        let file = with("digit.toml", &format!("{start:.3}"), "daily 00:00-24:00");
        let timeline = replays_the_same(&hut, &file, &[]);
        assert!(timeline.contains(",holding,") || digits < 0.0, "the heater never starts at {start}");
    }
}

#[test]
fn a_picture_is_written_whole_and_never_over_another_file() {
    let hut = Hut::new(3);
    let (page, drawing) = (hut.path("season.html"), hut.path("season.svg"));
    assert_eq!(hut.rehearse(&["--plot", page.to_str().unwrap()]).status, 0);
    let text = fs::read_to_string(&page).expect("a page");
    assert!(text.starts_with("<!DOCTYPE html>") && text.contains("Hut above the harbour"));
    assert!(!text.contains("src=\"http") && !text.contains("href=\"http"), "the page needs a network");
    assert_eq!(hut.rehearse(&["--plot", drawing.to_str().unwrap()]).status, 0);
    assert!(fs::read_to_string(&drawing).expect("a drawing").starts_with("<svg"));
    let again = hut.rehearse(&["--plot", page.to_str().unwrap()]);
    assert_eq!(again.status, 2, "{}", again.stderr);
    assert!(again.stderr.contains("exists already"), "{}", again.stderr);
    for input in ["hut.toml", "weather.csv"] {
        let before = fs::read(hut.path(input)).expect("an input");
        let over = hut.rehearse(&["--force", "--timeline", hut.path(input).to_str().unwrap()]);
        assert!(over.status == 2 && over.stderr.contains("is an input of this command"), "{}", over.stderr);
        assert!(fs::read(hut.path(input)).expect("an input") == before, "{input} was written to");
    }
}

/// The seasons that a page carries.
fn seasons(page: &str) -> Value {
    let data = page.split_once("id=\"data\">").expect("data").1.split_once("</script>").expect("an end").0;
    let mut data: Value = serde_json::from_str(data).expect("JSON");
    data["seasons"].take()
}

#[test]
fn a_page_shows_the_band_of_trials_and_names_two_seasons_by_their_files() {
    let hut = Hut::new(3);
    let thin = hut.variant("thin.toml", "\nthickness_mm = 50\n", "\nthickness_mm = 20\n");
    let page = hut.path("two.html");
    let (thin, plot) = (thin.to_str().unwrap(), page.to_str().unwrap());
    let run = hut.rehearse(&["--against", thin, "--trials", "3", "--plot", plot]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let text = fs::read_to_string(&page).expect("a page");
    let seasons = seasons(&text);
    for (season, file) in seasons.as_array().expect("two").iter().zip(["hut.toml", "thin.toml"]) {
        assert!(season["label"].as_str().unwrap().ends_with(file), "{}", season["label"]);
        let names: Vec<&str> =
            season["lines"].as_array().unwrap().iter().map(|line| line["name"].as_str().unwrap()).collect();
        assert!(names.contains(&"coldest cell in 3 trials"), "{names:?}");
        assert!(text.matches(&format!("{file}</th>")).count() > 3, "no column for {file}");
        assert_eq!(season["charge"]["name"], "state of charge");
        assert_eq!(season["amounts"][1]["measure"], "Ah");
    }
    assert!(text.find("class=\"summary\"").unwrap() < text.find("id=\"live\"").unwrap(), "figures come first");
}

#[test]
fn weather_that_cannot_be_read_is_status_2_and_named() {
    let hut = Hut::new(3);
    fs::remove_file(hut.path("weather.csv")).unwrap();
    let missing = hut.rehearse(&[]);
    assert!(missing.status == 2 && missing.stderr.contains("weather.csv"), "{}", missing.stderr);
    fs::create_dir(hut.path("weather.csv")).unwrap();
    let folder = hut.rehearse(&[]);
    assert!(folder.status == 2 && folder.stderr.contains("folder"), "{}", folder.stderr);
}

#[test]
fn weather_harsher_than_what_was_planned_for_is_said() {
    let hut = Hut::new(120);
    let mild = hut.variant("mild.toml", "design_min_c = -22", "design_min_c = -5");
    let run = forewarm(&["rehearse", mild.to_str().unwrap()]);
    assert!(run.stdout.contains("below site.design_min_c (-5 °C)"), "{}", run.stdout);
    let run = hut.rehearse(&[]);
    assert!(!run.stdout.contains("design_min_c"), "{}", run.stdout);
}

#[test]
fn a_box_in_a_room_is_said_to_stand_in_one_and_its_timeline_shows_the_room() {
    let hut = Hut::new(3);
    let room = "[room]\nwarmer_by_k = 6\ntemperature_c = 18\nschedule = \"daily 10:00-22:00\"";
    let cabin = hut.variant("cabin.toml", "exposure_pct = 30", room);
    let timeline = hut.path("cabin.csv");
    let run = forewarm(&["rehearse", cabin.to_str().unwrap(), "--timeline", timeline.to_str().unwrap()]);
    let said = "a room 6 K warmer than the outside, and at 18 °C or more for 84 h a week; no wind reaches it";
    assert!(run.status == 0 && run.stdout.contains(said), "{run:?}");
    let header = fs::read_to_string(&timeline).unwrap().lines().next().unwrap().to_owned();
    assert!(header.contains("true_room_c") && !header.contains("true_outside_c"), "{header}");
    assert!(!hut.rehearse(&[]).stdout.contains("stands in a room"));
}

#[test]
fn cells_below_their_hard_limit_are_the_first_thing_said_and_status_1() {
    let hut = Hut::new(40);
    let text = fs::read_to_string(hut.path("hut.toml")).unwrap();
    // 60 m of it make 4.7 Ω, or 12 K on a Pt100.
    let bare = text
        .replace("wiring = \"3-wire\"", "wiring = \"2-wire\"\nlead_loop_ohm = 0")
        .replace("element = \"pt1000\"\nreference_ohm = 4000", "element = \"pt100\"\nreference_ohm = 400")
        .replace("cable_m = 3.5", "cable_m = 60");
    fs::write(hut.path("bare.toml"), bare).unwrap();
    let run = forewarm(&["rehearse", hut.path("bare.toml").to_str().unwrap()]);
    assert_eq!(run.status, 1, "{}{}", run.stdout, run.stderr);
    let third = run.stdout.lines().nth(2).expect("three lines");
    assert!(third.contains("DANGER"), "{}", run.stdout);
}

#[test]
fn an_installation_without_a_site_is_told_what_it_lacks() {
    let hut = Hut::new(3);
    let text = fs::read_to_string(hut.path("hut.toml")).unwrap();
    let settings_only: String = text.split_inclusive("\n[battery]").next().unwrap().replace("\n[battery]", "\n");
    // Keys of a channel or source that only a site knows of go as well.
    let settings_only: Vec<&str> = settings_only
        .lines()
        .filter(|line| {
            let sited = [
                "at =",
                "battery =",
                "class =",
                "cable_",
                "lag_s",
                "schedule",
                "power_w = 450",
                "rated_a",
                "derate",
                "other_loads",
                "sun_at",
            ];
            !sited.iter().any(|key| line.starts_with(key))
        })
        .collect();
    fs::write(hut.path("hut.toml"), settings_only.join("\n")).unwrap();
    let run = hut.rehearse(&[]);
    assert_eq!(run.status, 1, "{}{}", run.stdout, run.stderr);
    assert!(run.stderr.contains("[battery]") && run.stderr.contains("forewarm new"), "{}", run.stderr);
}

#[test]
fn weather_with_a_hole_or_a_filler_is_refused_with_its_line() {
    let hut = Hut::new(30);
    let weather = fs::read_to_string(hut.path("weather.csv")).unwrap();
    let lines: Vec<&str> = weather.lines().collect();
    let line = lines.iter().position(|line| line.starts_with("2001-11-05T01")).unwrap();
    let without = [&lines[..line], &lines[line + 72..]].concat().join("\n");
    fs::write(hut.path("weather.csv"), without).unwrap();
    let run = hut.rehearse(&[]);
    assert_eq!(run.status, 1);
    assert!(run.stderr.contains(&format!("weather.csv:{}", line + 1)), "{}", run.stderr);
    let mut filled = lines.clone();
    filled[line] = "2001-11-05T01:00:00-09:00,-999,2.1,0,1997";
    fs::write(hut.path("weather.csv"), filled.join("\n")).unwrap();
    let run = hut.rehearse(&[]);
    assert_eq!(run.status, 1);
    assert!(run.stderr.contains(&format!("weather.csv:{}", line + 1)) && run.stderr.contains("-999"), "{}", run.stderr);
}

#[test]
fn a_heater_that_cannot_hold_is_a_finding_and_no_error() {
    let hut = Hut::new(20);
    hut.variant("weak.toml", "\npower_w = 120\n", "\npower_w = 5\n");
    let weak = hut.path("weak.toml");
    let run = forewarm(&["rehearse", weak.to_str().unwrap()]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stdout.contains("too cold") || run.stdout.contains("never permitted"), "{}", run.stdout);
}

#[cfg(unix)]
#[test]
fn an_interrupted_run_tells_what_was_finished_and_leaves_no_half_file() {
    let hut = Hut::new(60);
    let page = hut.path("season.html");
    let file = hut.path("hut.toml");
    let arguments = ["rehearse", file.to_str().unwrap(), "--trials", "1000000", "--plot", page.to_str().unwrap()];
    // Enough for the season itself, and far too little for a million trials.
    let Run { status, stdout, stderr } = interrupted(&arguments, Duration::from_secs(4));
    assert_eq!(status, 130, "{stderr}");
    assert!(stdout.contains("of 1000000 trials"), "{stdout}");
    assert!(stderr.contains("interrupted"), "{stderr}");
    // The season itself may have been whole by then; a page of it is whole too.
    if let Ok(page) = fs::read_to_string(&page) {
        assert!(page.trim_end().ends_with("</html>") && !stdout.contains("cut short"), "{stdout}");
    }
    let names = fs::read_dir(hut.folder.path()).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let strangers: Vec<_> =
        names.filter(|name| !["hut.toml", "weather.csv", "season.html"].contains(&&**name)).collect();
    assert!(strangers.is_empty(), "{strangers:?}");
}

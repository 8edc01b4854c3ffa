//! `forewarm plan`: the verdict first, the figures after it, and a status that a script can go by.
#![allow(missing_docs)]

mod common;

use common::{Run, forewarm, forewarm_fed};
use forewarm::cautions::CAUTIONS;
use forewarm::installation::starter;
use serde_json::Value;

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo/hut.toml");

/// The starter with the first line that begins with `from` replaced, for each pair.
fn starter_with(changes: &[(&str, &str)]) -> String {
    let mut text = starter();
    for (from, to) in changes {
        let line =
            text.lines().find(|line| line.starts_with(from)).unwrap_or_else(|| panic!("no line {from}")).to_owned();
        text = text.replacen(&line, to, 1);
    }
    text
}

fn plan(text: &str, arguments: &[&str]) -> Run {
    forewarm_fed(&[&["plan", "-"], arguments].concat(), text.as_bytes())
}

#[track_caller]
fn json(run: &Run) -> Value {
    serde_json::from_str(&run.stdout).unwrap_or_else(|error| panic!("{error}: {run:?}"))
}

/// The words that open the findings, in their order.
fn severities(report: &Value) -> Vec<&str> {
    let findings = report["findings"].as_array().expect("a list");
    findings.iter().map(|finding| finding["severity"].as_str().expect("a word")).collect()
}

#[test]
fn the_starter_and_the_demo_can_be_planned_and_the_verdict_comes_first() {
    for run in [plan(&starter(), &[]), forewarm(&["plan", DEMO])] {
        assert_eq!(run.status, 0, "{run:?}");
        let lines: Vec<&str> = run.stdout.lines().collect();
        assert_eq!(lines[2], "Verdict", "{run:?}");
        for heading in
            ["Holding at", "Warming up at", "Error of channel", "Charge thresholds", "Circuit", "Sources", "Cautions"]
        {
            assert!(lines.iter().any(|line| line.starts_with(heading)), "no {heading}: {run:?}");
        }
        assert!(!run.stdout.contains("NaN") && !run.stdout.contains("inf"), "{run:?}");
    }
}

#[test]
fn the_cautions_are_said_once() {
    let said = plan(&starter(), &[]).stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for caution in CAUTIONS {
        assert_eq!(said.matches(caution).count(), 1, "{caution}");
    }
}

#[test]
fn thresholds_that_do_not_cover_the_thermometers_fail_the_check_after_everything_is_printed() {
    let text = starter_with(&[("inhibit_c", "inhibit_c = 0.1"), ("release_c", "release_c = 0.6")]);
    let run = plan(&text, &[]);
    assert_eq!(run.status, 1, "{run:?}");
    let first = run.stdout.lines().nth(3).expect("a finding");
    assert!(first.contains("danger") && first.contains("inhibit 0.1 °C and release 0.6 °C"), "{run:?}");
    assert!(run.stdout.contains("\nCautions\n"), "{run:?}");
    let run = plan(&text, &["--json"]);
    assert_eq!(run.status, 1);
    let report = json(&run);
    assert_eq!((&report["ok"], &report["findings"][0]["fails"]), (&Value::Bool(false), &Value::Bool(true)));
    assert_eq!(report["measurement"]["thresholds"]["covered"], false);
}

#[test]
fn whatever_is_dangerous_fails_the_check() {
    let run = plan(&starter_with(&[("relay_v", "relay_v = 10")]), &["--json"]);
    let report = json(&run);
    assert_eq!(severities(&report)[0], "danger", "{run:?}");
    assert_eq!(report["measurement"]["thresholds"]["covered"], true);
    assert_eq!((run.status, &report["ok"]), (1, &Value::Bool(false)), "{run:?}");
}

#[test]
fn a_heater_that_cannot_hold_is_a_headline_and_no_error() {
    let run = plan(&starter_with(&[("power_w", "power_w = 5")]), &["--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report = json(&run);
    let first = &report["findings"][0];
    assert_eq!(first["headline"], true, "{first}");
    assert!(first["text"].as_str().is_some_and(|text| text.starts_with("the heater cannot hold")), "{first}");
    assert!(first["change"].as_str().is_some_and(|change| change.contains("power_w = ")), "{first}");
}

#[test]
fn findings_come_worst_first() {
    let run = forewarm(&["plan", DEMO, "--json"]);
    let report = json(&run);
    let mut sorted = severities(&report);
    sorted.sort_by_key(|word| ["danger", "change", "fine"].iter().position(|known| known == word));
    assert_eq!(severities(&report), sorted);
    assert!(sorted.contains(&"fine"));
}

/// What scripts may go by.
#[test]
fn the_keys_for_machines_stay() {
    let report = json(&plan(&starter(), &["--json"]));
    for pointer in [
        "/title",
        "/ok",
        "/findings/0/severity",
        "/findings/0/part",
        "/findings/0/text",
        "/findings/0/change",
        "/thermal/hold_w/value",
        "/thermal/hold_w/expanded_uncertainty",
        "/thermal/loss_w_per_k/value",
        "/thermal/reaches_c/value",
        "/thermal/night_wh/value",
        "/thermal/warm_ups/0/start_c",
        "/thermal/warm_ups/0/reads_released_h/value",
        "/thermal/warm_ups/0/coldest_place_h/value",
        "/thermal/warm_ups/0/permitted_h/value",
        "/thermal/warm_ups/0/energy_wh/value",
        "/thermal/warm_ups/0/plate_peak_c/value",
        "/thermal/powers/0/within_h",
        "/thermal/powers/0/power_w/value",
        "/thermal/insulation/0/thickness_mm",
        "/thermal/insulation/0/hold_w/value",
        "/measurement/channels/0/channel",
        "/measurement/channels/0/at_inhibit/lines/0/u_k",
        "/measurement/channels/0/at_inhibit/combined_k",
        "/measurement/channels/0/at_inhibit/expanded_k",
        "/measurement/channels/0/at_inhibit/bias_k",
        "/measurement/channels/0/at_inhibit/guard_band_k",
        "/measurement/thresholds/least_inhibit_c",
        "/measurement/thresholds/least_release_c",
        "/measurement/thresholds/recommended/inhibit_c",
        "/heater/at_supply_max/current_a",
        "/circuit/conductor/area_mm2",
        "/circuit/conductor/drop_nominal_pct",
        "/circuit/fuse_a",
        "/sources/0/source",
        "/sources/0/budget_w",
        "/cautions/2",
    ] {
        assert!(report.pointer(pointer).is_some(), "no {pointer}");
    }
}

#[test]
fn the_same_plan_twice_prints_the_same_bytes() {
    assert_eq!(forewarm(&["plan", DEMO]).stdout, forewarm(&["plan", DEMO]).stdout);
}

#[test]
fn a_wanted_warm_up_time_is_told_beside_the_usual_ones() {
    let report = json(&plan(&starter(), &["--json", "--within", "5.5"]));
    let powers = report["thermal"]["powers"].as_array().expect("a list");
    let within: Vec<f64> = powers.iter().map(|row| row["within_h"].as_f64().expect("a number")).collect();
    assert_eq!(within, [2.0, 4.0, 5.5, 8.0]);
    for wrong in ["0", "-3", "nan", "inf", "1e9", "soon"] {
        let run = plan(&starter(), &[&format!("--within={wrong}")]);
        assert_eq!((run.status, run.stdout.as_str()), (2, ""), "{wrong}: {run:?}");
    }
}

#[test]
fn a_file_without_a_site_is_refused_with_what_it_lacks() {
    let text = starter();
    let settings = &text[..text.find("\n[battery]").expect("the site's sections come last")];
    let run = plan(settings, &[]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{run:?}");
    assert!(run.stderr.contains("says nothing of the site") && run.stderr.contains("[battery]"), "{run:?}");
}

#[test]
fn a_file_with_errors_or_none_at_all_is_not_planned() {
    let run = plan(&starter_with(&[("mass_kg", "mass_kg = -1")]), &[]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{run:?}");
    assert!(run.stderr.contains("mass_kg"), "{run:?}");
    let run = forewarm(&["plan", "no such file.toml"]);
    assert_eq!((run.status, run.stdout.as_str()), (2, ""), "{run:?}");
}

#[test]
fn a_winter_harsher_than_what_is_planned_for_is_found() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(demo.join("weather.csv"), folder.path().join("weather.csv")).unwrap();
    let hut = std::fs::read_to_string(demo.join("hut.toml")).unwrap();
    let path = folder.path().join("hut.toml");
    for (design_min_c, is_found) in [("-5", true), ("-22", false)] {
        let text = hut.replace("design_min_c = -22", &format!("design_min_c = {design_min_c}"));
        std::fs::write(&path, text).unwrap();
        let run = forewarm(&["plan", path.to_str().unwrap()]);
        assert_eq!(run.stdout.contains("harsher than what this plan"), is_found, "{}", run.stdout);
    }
}

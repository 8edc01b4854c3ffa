//! `forewarm faults` as a user runs it.

mod common;

use common::{Run, forewarm};
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The hut with mains alone. At −22 °C it cools to 0 °C within eight hours, so a thermometer that is stuck must be found sooner
/// than the hut's settings do: with both cells' thermometers stuck, it is charged too cold.
fn small(folder: &Path) -> PathBuf {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let hut = fs::read_to_string(demo.join("hut.toml")).expect("the hut");
    fs::copy(demo.join("weather.csv"), folder.join("weather.csv")).expect("the weather");
    let without = |text: &str, from: &str, to: &str| {
        let (begin, end) = (text.find(from).expect("it begins"), text.find(to).expect("it ends"));
        format!("{}{}", &text[..begin], &text[end..])
    };
    let hut = without(&hut, "# Two cylinders", "# The shed has a socket");
    let hut = without(&hut, "# Four panels", "[bank]");
    let path = folder.join("small.toml");
    fs::write(&path, hut).expect("a file");
    path
}

fn faults(file: &Path, more: &[&str]) -> Run {
    let mut arguments = vec!["faults", file.to_str().expect("UTF-8")];
    arguments.extend(more);
    forewarm(&arguments)
}

#[test]
fn the_matrix_is_complete_and_its_counts_are_those_of_its_scenes() {
    let folder = tempfile::tempdir().expect("a folder");
    let page = folder.path().join("faults.html");
    let run = faults(&small(folder.path()), &["--json", "--page", page.to_str().expect("UTF-8")]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let cells = report["cells"].as_array().expect("cells");
    assert!(report["complete"].as_bool().expect("complete") && cells.len() > 1000);
    for (count, verdict) in [("safe", "safe"), ("unsafe", "unsafe"), ("undetectable", "undetectable")] {
        let counted = cells.iter().filter(|cell| cell["verdict"] == verdict).count();
        assert_eq!(report[count].as_u64(), Some(counted as u64), "{count}");
    }
    let states: BTreeSet<&str> = cells.iter().filter_map(|cell| cell["state"].as_str()).collect();
    assert_eq!(states.len(), 8, "{states:?}");
    for cell in cells {
        assert!(
            cell["fault"].is_string()
                && cell["meaning"].is_string()
                && cell["state"].is_string()
                && cell["outside_c"].is_number(),
            "{cell}"
        );
        let is_blind = cell["verdict"] == "undetectable";
        assert_eq!(is_blind, cell["extra_input"].is_string() && cell["bounded_by"].is_string(), "{cell}");
        assert_eq!(cell["found"].is_null(), cell["time_to_safe_s"].is_null(), "{cell}");
    }
    // A long name may be broken into lines.
    let html = fs::read_to_string(page).expect("a page").replace("<wbr>", "");
    assert!(html.contains("heater_relay.welded") && !html.contains("<script"), "one document without scripts");
}

#[test]
fn a_fault_is_rehearsed_as_a_season_and_said_first() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = small(folder.path());
    let file = file.to_str().expect("UTF-8");
    let run = forewarm(&["rehearse", file, "--fault", "heater.open@11-20T12:00"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let said =
        "broken from 11-20 12:00 on: heater.open: the heater gives nothing: element, fuse or thermal cut-out is open";
    assert!(run.stdout.contains(said), "{}", run.stdout);
    assert!(run.stdout.contains("heater ineffective"), "{}", run.stdout);
}

#[test]
fn what_cannot_be_done_is_said_before_anything_is_played() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = small(folder.path());
    let name = file.to_str().expect("UTF-8");
    let refused = |arguments: &[&str], said: &str| {
        let run = forewarm(arguments);
        assert_eq!(run.status, 2, "{arguments:?}: {}", run.stderr);
        assert!(run.stderr.contains(said), "{arguments:?}: {}", run.stderr);
        assert_eq!(run.stdout, "");
    };
    let existing = folder.path().join("there.html");
    fs::write(&existing, "mine").expect("a file");
    refused(&["faults", name, "--page", existing.to_str().expect("UTF-8")], "there.html");
    assert_eq!(fs::read_to_string(&existing).expect("it is still there"), "mine");
    refused(&["faults", name, "--page", "faults.svg"], "ends in .html");
    refused(&["faults", name, "--page", "-"], "the standard output is for the matrix");
    refused(&["faults", "no_such.toml"], "no_such.toml");
    refused(&["rehearse", name, "--fault", "heater.open"], "does not say when");
    refused(&["rehearse", name, "--fault", "heater.opne@11-20"], "the nearest name is heater.open;");
    refused(&["rehearse", name, "--fault", "source_not_giving@11-20"], "what the controller reports, not what breaks");
    refused(&["rehearse", name, "--fault", "heater.open@07-20"], "not in the season");
}

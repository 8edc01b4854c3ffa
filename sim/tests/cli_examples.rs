//! The worked examples: each is sound as it is written, and its winter is survived.
//!
//! What a rehearsal must show: no permit with a cell below its hard limit, no fault, and charge for a good part of the
//! time that there was power for it, where without heat there would be none. The controller runs every 10 s, the
//! slowest that it may, so that the winters are short work.
#![allow(missing_docs)]

mod common;

use common::forewarm;
use serde_json::Value;

/// The hours that each winter must at least charge for: about half of what it shows now, so that a change of the
/// weather's making does not fail the test, and a heater that does not do its work does.
const EXAMPLES: [(&str, f64); 4] = [("hut", HUT_H), ("boat", 60.0), ("van", 40.0), ("shelter", 130.0)];
const HUT_H: f64 = 30.0;

/// What `new` makes of an example. Apart from the weather of the hut it is the file in the repository.
fn made(name: &str, folder: &std::path::Path) -> String {
    let path = folder.join(format!("{name}.toml"));
    let made = path.to_str().expect("a path in UTF-8").to_owned();
    let run = forewarm(&["new", &made, "--like", name]);
    assert_eq!((run.status, &*run.stdout), (0, ""), "{run:?}");
    made
}

#[test]
fn every_example_is_checked_without_a_problem_and_planned_without_a_change() {
    let folder = tempfile::tempdir().unwrap();
    for (name, _) in EXAMPLES {
        let file = made(name, folder.path());
        for checked in [&file, &format!("{}/demo/{name}.toml", env!("CARGO_MANIFEST_DIR"))] {
            let run = forewarm(&["check", checked]);
            assert_eq!((run.status, &*run.stderr), (0, ""), "{checked}");
        }
        let run = forewarm(&["plan", &file]);
        assert_eq!((run.status, &*run.stderr), (0, ""), "{name}");
        let wrong = run.stdout.lines().find(|line| line.starts_with("  change") || line.starts_with("  danger"));
        assert_eq!(wrong, None, "{name}");
        assert!(run.stdout.lines().filter(|line| line.starts_with("  fine")).count() > 10, "{name}");
    }
}

#[test]
fn every_example_charges_through_its_winter_and_no_cell_is_charged_cold() {
    let folder = tempfile::tempdir().unwrap();
    for (name, least_h) in EXAMPLES {
        let run = forewarm(&["rehearse", &made(name, folder.path()), "--step", "10", "--json"]);
        assert_eq!((run.status, &*run.stderr), (0, ""), "{name}");
        let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
        assert_eq!((&report["violations"], &report["faults"]), (&0.into(), &0.into()), "{name}: {report}");
        assert!(report["coldest_true_c_while_permitted"].as_f64().expect("it was permitted") > 1.0, "{name}: {report}");
        // The winter is one that a bank has to be warmed in.
        assert!(report["coldest_true_c"].as_f64().unwrap() < 0.0, "{name}: {report}");
        assert_eq!(report["charged_ah_unheated"].as_f64(), Some(0.0), "{name}: {report}");
        let won_h = report["charge_won_s"].as_f64().unwrap() / 3600.0;
        assert!(won_h > least_h, "{name}: {won_h} h");
    }
}

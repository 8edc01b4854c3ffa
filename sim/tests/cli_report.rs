//! `forewarm report` as a user runs it.

mod common;

use common::forewarm;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};

fn demo(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo").join(name).to_str().expect("UTF-8").to_owned()
}

fn text_of(name: &str) -> String {
    fs::read_to_string(demo(name)).expect("a demonstration")
}

/// A file in a folder, as an argument.
fn file(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    fs::write(&path, text).expect("a file");
    path.to_str().expect("UTF-8").to_owned()
}

/// A record of the first steps of a card.
fn record(folder: &Path, of: &str, options: &[&str]) -> PathBuf {
    let into = folder.join("bench.json");
    let mut arguments = vec!["bench", of, "--record", "--by", "A. Fitter", "--into", into.to_str().expect("UTF-8")];
    arguments.extend(options);
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_forewarm"))
        .args(&arguments)
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("it starts");
    std::io::Write::write_all(&mut child.stdin.take().expect("a pipe"), b"0.8\n1.2\nn\nq\n").expect("it reads");
    child.wait().expect("it ends");
    into
}

#[test]
fn the_document_has_every_part_and_machines_get_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    // A fortnight is played as a winter is.
    let van = file(folder.path(), "van.toml", &text_of("van.toml").replace("days = 75", "days = 20"));
    let kept = record(folder.path(), &van, &["--height", "450"]);
    let (page, kept) = (folder.path().join("hand-over.html"), kept.to_str().expect("UTF-8"));
    let page = page.to_str().expect("UTF-8");
    let run = forewarm(&["report", &van, "--page", page, "--record", kept, "--by", "A. Fitter", "--json"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stderr.contains("hand-over.html is written"), "{}", run.stderr);
    let report: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let written = fs::read_to_string(page).expect("the page");
    for title in [
        "The installation",
        "For the owner",
        "Parts",
        "Wiring list",
        "Circuit diagram",
        "Settings, and why",
        "How wrong the thermometers can read",
        "What to expect",
        "What can go wrong",
        "What was tried",
    ] {
        assert_eq!(written.matches(&format!(" {title}</h2>")).count(), 1, "{title}");
    }
    // The bank's warmth, the warm-up, the winter.
    assert_eq!(written.matches("<figure>").count(), 3);
    let wiring = report["wiring"].as_array().expect("the list");
    assert!(wiring.len() > 40);
    for conductor in wiring {
        let drawn = format!("class=\"wire\" data-number=\"{}\" ", conductor["number"]);
        assert_eq!(written.matches(&drawn).count(), 1, "{conductor}");
    }
    let faults = &report["faults"];
    assert_eq!(faults["complete"], true);
    let reports = faults["reports"].as_array().expect("reports");
    assert!(
        reports.len() > 10
            && reports.iter().all(|one| one["check_first"].as_str().is_some_and(|text| !text.is_empty()))
    );
    for report in reports {
        let name = report["name"].as_str().expect("a name").replace('_', "_<wbr>");
        assert!(written.contains(&format!("<td>{name}</td>")), "{name}");
    }
    let tried = &report["record"];
    assert_eq!((&tried["by"], &tried["pass"], &tried["fail"]), (&"A. Fitter".into(), &2.into(), &1.into()));
    assert!(written.contains("2 passed, 1 failed"), "the record in short");
    assert!(written.contains("at the workbench 1 step failed"), "a failure stands on the first page");
    assert!(report["behaviour"]["figures"].as_array().is_some_and(|figures| figures.len() > 4));
    assert_eq!(report["left_out"], Value::Array(Vec::new()));
}

#[test]
fn without_a_page_the_list_is_printed_at_once_and_what_is_left_out_is_named() {
    let run = forewarm(&["report", &demo("boat.toml")]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    for told in [
        "Conductors; a blank is to be filled in by hand",
        "G1:+",
        "Q1:13",
        "forewarm bench FILE --record",
        "start fires",
    ] {
        assert!(run.stdout.contains(told), "{told}: {}", run.stdout);
    }
    assert_eq!(forewarm(&["report", &demo("boat.toml")]).stdout, run.stdout, "the same twice");
    let with = forewarm(&["report", &demo("boat.toml"), "--contacts"]);
    assert!(with.stdout.contains("Q1:23") && !run.stdout.contains("Q1:23"));
}

#[test]
fn a_record_of_something_else_is_refused_and_nothing_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let hut = text_of("hut.toml");
    let own = file(folder.path(), "hut.toml", &hut);
    fs::copy(demo("weather.csv"), folder.path().join("weather.csv")).expect("the weather");
    let kept = record(folder.path(), &own, &[]);
    let kept = kept.to_str().expect("UTF-8");
    assert_eq!(forewarm(&["report", &own, "--record", kept]).status, 0);
    let page = folder.path().join("page.html");
    let refused = |of: &str, kept: &str, told: &str| {
        let run = forewarm(&["report", of, "--record", kept, "--page", page.to_str().expect("UTF-8")]);
        assert!(run.status == 2 && run.stderr.contains(told), "{told}: {} {}", run.status, run.stderr);
        assert!(!page.exists(), "{told}");
    };
    refused(&demo("van.toml"), kept, "record of other settings");
    let twin = file(folder.path(), "twin.toml", &hut.replace("Hut above the harbour", "Hut on the other side"));
    refused(&twin, kept, "is the record of “Hut above the harbour");
    // The settings are the same, and the file is not: another fuse.
    let changed = file(folder.path(), "changed.toml", &hut.replace("fuse_a = 20", "fuse_a = 25"));
    refused(&changed, kept, "the file or the options have changed");
    let none = file(folder.path(), "none.json", "{\"steps\": []}");
    refused(&own, &none, "is no record of a bench");
    let text = fs::read_to_string(kept).expect("the record");
    let absurd = file(folder.path(), "absurd.json", &text.replace("\"height_m\": 0.0", "\"height_m\": 1e9"));
    refused(&own, &absurd, "is no record of a bench");
    refused(&own, "no_such_record.json", "no_such_record.json");
    let onto = forewarm(&["report", &own, "--record", kept, "--page", kept, "--force"]);
    assert_eq!(onto.status, 2, "{}", onto.stderr);
    assert_eq!(fs::read_to_string(kept).expect("the record"), text);
}

#[test]
fn bad_input_is_named_before_anything_is_played() {
    let folder = tempfile::tempdir().expect("a folder");
    let there = file(folder.path(), "there.html", "somebody's work");
    let hut = demo("hut.toml");
    for (arguments, told) in [
        (vec!["--page", "/nowhere/page.html"], "/nowhere"),
        (vec!["--page", "page.pdf"], "does not end in .html"),
        (vec!["--page", "-"], "standard output is for the summary"),
        (vec!["--page", there.as_str()], "--force"),
        (vec!["--page", hut.as_str(), "--force"], "does not end in .html"),
    ] {
        let mut all = vec!["report", hut.as_str()];
        all.extend(arguments);
        let run = forewarm(&all);
        assert!(run.status == 2 && run.stderr.contains(told), "{all:?}: {}", run.stderr);
    }
    assert_eq!(fs::read_to_string(&there).expect("it is there"), "somebody's work");
    let text = text_of("hut.toml");
    let settings = &text[..text.find("# What follows is for planning").expect("the site comes last")];
    let bare = file(folder.path(), "bare.toml", settings);
    let run = forewarm(&["report", &bare]);
    assert!(run.status == 1 && run.stderr.contains("says nothing of the site"), "{}", run.stderr);
    assert_eq!(forewarm(&["report", "no_such_file.toml"]).status, 2);
}

#[test]
fn without_weather_the_rest_is_written_and_what_is_missing_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let hut = text_of("hut.toml");
    // Its weather is somewhere else.
    let own = file(folder.path(), "hut.toml", &hut);
    let page = folder.path().join("page.html");
    let run = forewarm(&["report", &own, "--page", page.to_str().expect("UTF-8")]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let written = fs::read_to_string(page).expect("the page");
    assert!(
        written.contains("there is no weather to play them in") && written.contains("weather.csv"),
        "{}",
        run.stderr
    );
    let told = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(told.contains("make weather up in [winter]"), "{told}");
    assert_eq!(written.matches("<figure>").count(), 1);
}

#[test]
fn an_installation_that_is_dangerous_says_so_and_fails() {
    let folder = tempfile::tempdir().expect("a folder");
    let hut = text_of("hut.toml").replace("cable_mm2 = 4\n", "cable_mm2 = 0.75\n");
    let own = file(folder.path(), "hut.toml", &hut);
    let run = forewarm(&["report", &own]);
    assert!(run.status == 1 && run.stdout.contains("danger"), "{} {}", run.stdout, run.stderr);
}

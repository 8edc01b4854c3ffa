//! `forewarm bench` as a user runs it.

mod common;

use common::forewarm;
use serde_json::Value;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

fn hut() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml").to_str().expect("UTF-8").to_owned()
}

#[test]
fn the_card_is_printed_and_written_and_nothing_is_replaced_unasked() {
    let folder = tempfile::tempdir().expect("a folder");
    let page = folder.path().join("card.html");
    let page = page.to_str().expect("UTF-8");
    let run = forewarm(&["bench", &hut(), "--page", page]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stdout.contains("just below charge.inhibit_c, 5.5 °C"), "{}", run.stdout);
    let written = fs::read_to_string(page).expect("the page");
    assert!(written.ends_with("</html>\n") && written.contains("just below charge.inhibit_c, 5.5 °C"));
    let again = forewarm(&["bench", &hut(), "--page", page]);
    assert!(again.status == 2 && again.stderr.contains("--force"), "{}", again.stderr);
    assert_eq!(forewarm(&["bench", &hut(), "--page", page, "--force"]).status, 0);
    let onto_itself = forewarm(&["bench", &hut(), "--page", &hut(), "--force"]);
    assert_eq!(onto_itself.status, 2, "{}", onto_itself.stderr);
}

#[test]
fn machines_get_the_same_steps() {
    let run = forewarm(&["bench", &hut(), "--json"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let card: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let steps =
        card["parts"].as_array().expect("parts").iter().flat_map(|part| part["steps"].as_array().expect("steps"));
    let outputs: Vec<&Value> = steps.filter_map(|step| step["expect"].get("outputs")).collect();
    assert!(outputs.len() > 30);
    for outputs in outputs {
        assert!(
            outputs["heater"].is_boolean() && outputs["charge"].is_boolean() && outputs["within_s"].is_u64(),
            "{outputs}"
        );
    }
}

#[test]
fn coarse_resistors_and_other_heights_change_the_card() {
    let coarse = forewarm(&["bench", &hut(), "--resistors", "e24", "--within", "5", "--height", "1500"]);
    assert_eq!(coarse.status, 0, "{}", coarse.stderr);
    let text = coarse.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("E24 of IEC 60063, each within ± 5 %"), "{text:.400}");
    assert!(text.contains("not to be tried: no resistor within ± 5 %"));
    // ISO 2533: 845.6 hPa at 1500 m. Steam tables: 94.9 to 95.0 °C there.
    assert!(text.contains("about 846 hPa, and water boils at 94.9"), "{text:.3000}");
}

#[test]
fn bad_input_is_named_and_nothing_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let page = folder.path().join("card.html");
    let page = page.to_str().expect("UTF-8");
    for (arguments, status, told) in [
        (vec!["--within", "0"], 2, "not within 0.001 to 10 %"),
        (vec!["--within", "nan"], 2, "not within"),
        (vec!["--box-step", "0"], 2, "not within 0.001 to 100 Ω"),
        (vec!["--height", "9000"], 2, "not within -430 to 6000 m"),
        (vec!["--resistors", "e48"], 2, "e48"),
    ] {
        let file = hut();
        let mut all = vec!["bench", file.as_str(), "--page", page];
        all.extend(arguments);
        let run = forewarm(&all);
        assert!(run.status == status && run.stderr.contains(told), "{all:?}: {}", run.stderr);
    }
    let bare = folder.path().join("bare.toml");
    let text = fs::read_to_string(hut()).expect("the hut");
    let settings = &text[..text.find("# What follows is for planning").expect("the site comes last")];
    fs::write(&bare, settings).expect("a file");
    let run = forewarm(&["bench", bare.to_str().expect("UTF-8"), "--page", page]);
    assert!(run.status == 1 && run.stderr.contains("says nothing of the site"), "{}", run.stderr);
    assert_eq!(forewarm(&["bench", "no_such_file.toml"]).status, 2);
    assert!(!Path::new(page).exists());
}

/// The command with what is typed.
fn typed(arguments: &[&str], text: &str) -> (Option<i32>, String, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_forewarm"))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    // One that refuses before it asks reads nothing.
    let _ = child.stdin.take().expect("a pipe").write_all(text.as_bytes());
    let output = child.wait_with_output().expect("it ends");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

#[test]
fn a_card_is_gone_through_broken_off_and_gone_on_with() {
    let folder = tempfile::tempdir().expect("a folder");
    let into = folder.path().join("bench.json");
    let into = into.to_str().expect("UTF-8");
    let file = hut();
    let arguments = ["bench", &file, "--record", "--into", into, "--by", "A. Fitter"];
    let (status, stdout, stderr) = typed(&arguments, "0.8\n1.4\nq\n");
    assert_eq!(status, Some(0), "{stderr}");
    assert!(stdout.contains("2 passed, 0 failed, 0 not tried") && stdout.contains("Broken off"), "{stdout}");
    let (status, stdout, stderr) = typed(&arguments, "not at the end of the cable\n");
    assert_eq!(status, Some(1), "{stderr}");
    assert!(stdout.contains("2 passed, 1 failed, 0 not tried"), "{stdout}");
    assert!(stderr.contains("1.3 ") && !stderr.contains("1.2 "), "{stderr}");
    let record: Value = serde_json::from_str(&fs::read_to_string(into).expect("the record")).expect("JSON");
    assert_eq!(record["tried_by"], "A. Fitter");
    assert_eq!(record["entries"].as_array().map(Vec::len), Some(3));
    // Another installation.
    let van = Path::new(&file).with_file_name("van.toml");
    let (status, _, stderr) = typed(&["bench", van.to_str().expect("UTF-8"), "--record", "--into", into], "");
    assert!(status == Some(2) && stderr.contains("record of other settings"), "{stderr}");
    let (status, _, stderr) = typed(&["bench", &file, "--record", "--into", "/nowhere/bench.json"], "");
    assert!(status == Some(2) && stderr.contains("/nowhere"), "{stderr}");
    let (status, _, stderr) = typed(&["bench", &file, "--record", "/dev/no_such_line", "--into", into], "");
    assert!(status == Some(2) && stderr.contains("no_such_line"), "{stderr}");
    assert_eq!(serde_json::from_str::<Value>(&fs::read_to_string(into).expect("the record")).expect("JSON"), record);
}

#[test]
fn what_the_ice_says_is_written_into_a_file_of_its_own() {
    let folder = tempfile::tempdir().expect("a folder");
    let [into, out] = ["bench.json", "calibrated.toml"].map(|name| folder.path().join(name));
    let [into, out] = [&into, &out].map(|path| path.to_str().expect("UTF-8"));
    let file = hut();
    // Everything before power is as it must be, and then the first thermometer in ice.
    let before = "0.8\n1.4\n".to_owned() + &"y\n".repeat(4) + &"1080\n".repeat(4) + "1000\ny\n0.12\n";
    let (status, stdout, stderr) = typed(&["bench", &file, "--record", "--into", into, "--write", out], &before);
    assert_eq!(status, Some(0), "{stderr}");
    assert!(stdout.contains("battery_1: offset_k = -0.120 (it was 0.000)"), "{stdout}");
    let written = fs::read_to_string(out).expect("the file");
    assert!(written.contains("offset_k = -0.12\n") && written.contains("# The bank of an invented hut"), "{written}");
    assert_eq!(forewarm(&["check", out]).status, 0);
    let (status, _, stderr) = typed(&["bench", &file, "--record", "--into", into, "--write", out], "");
    assert!(status == Some(2) && stderr.contains("--force"), "{stderr}");
    // The new file goes on with the record. What meters and eyes have found stays; the ice is read again, with the offset.
    let (status, stdout, stderr) = typed(&["bench", out, "--record", "--into", into, "--by", "B. Fitter"], "0.01\nq\n");
    assert_eq!(status, Some(0), "{stderr}");
    assert!(stderr.contains("2.1 ") && !stderr.contains("1.12 ") && stdout.contains("13 passed"), "{stdout}{stderr}");
    let record: Value = serde_json::from_str(&fs::read_to_string(into).expect("the record")).expect("JSON");
    assert_eq!(record["tried_by"], "B. Fitter");
    assert_eq!(record["entries"][12]["measured"], "0.01 °C");
}

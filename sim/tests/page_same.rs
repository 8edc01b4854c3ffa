//! The page computes what the command computes: the same JSON, byte for byte, though one runs in WebAssembly and the other on this processor.

use forewarm::edit::{Draft, Edit, Home};
use forewarm::installation::Installation;
use forewarm::installation::first::{FirstFile, Like, QUESTIONS};
use forewarm_tests::{page, root};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use tempfile::TempDir;

/// How many installations are drawn: in every test run, and when somebody asks for all.
const FEW: u64 = 6;
const MANY: u64 = 200;

/// The module of the page, outside a browser.
struct Module {
    child: Child,
    calls: ChildStdin,
    answers: BufReader<ChildStdout>,
}

impl Module {
    fn new() -> Self {
        let mut child = Command::new(forewarm_tests::node())
            .arg(root().join("tests/tools/module.mjs"))
            .arg(page())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("node starts");
        let calls = child.stdin.take().expect("a pipe");
        let answers = BufReader::new(child.stdout.take().expect("a pipe"));
        Self { child, calls, answers }
    }

    /// The answer, or what is thrown.
    fn ask(&mut self, call: &str, values: &Value) -> Result<String, String> {
        writeln!(self.calls, "{}", json!({ "call": call, "values": values })).expect("it listens");
        let mut line = String::new();
        self.answers.read_line(&mut line).expect("it answers");
        let answer: Value = serde_json::from_str(&line).unwrap_or_else(|error| panic!("{call}: {error}: {line:?}"));
        match (answer["value"].as_str(), answer["error"].as_str()) {
            (Some(value), _) => Ok(value.to_owned()),
            (None, Some(error)) => Err(error.to_owned()),
            (None, None) => panic!("{call}: {line}"),
        }
    }
}

impl Drop for Module {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What the command prints, in a folder where the file has the name that the page gives it.
fn printed(folder: &Path, arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_forewarm")).args(arguments).current_dir(folder).output();
    String::from_utf8(output.expect("it runs").stdout).expect("UTF-8")
}

/// The first line in which two texts differ.
fn difference(ours: &str, theirs: &str) -> Option<String> {
    if ours == theirs {
        return None;
    }
    let both = ours
        .lines()
        .map(Some)
        .chain(std::iter::repeat(None))
        .zip(theirs.lines().map(Some).chain(std::iter::repeat(None)));
    let longest = ours.lines().count().max(theirs.lines().count());
    both.take(longest)
        .zip(1..)
        .find(|((ours, theirs), _)| ours != theirs)
        .map(|((ours, theirs), line)| format!("line {line}: {ours:?} on the page, {theirs:?} by the command"))
}

/// Holds plan and rehearsal of one installation.
fn hold(module: &mut Module, folder: &Path, name: &str, text: &str) {
    std::fs::write(folder.join(name), text).expect("a file");
    let plan = module.ask("plan", &json!([name, text])).unwrap_or_else(|error| panic!("{name}: {error}"));
    let command = printed(folder, &["plan", "--json", name]);
    assert_eq!(difference(&plan, command.trim_end()), None, "plan of {name}:\n{text}");
    let winter = module.ask("winter", &json!([json!([[name, text]]).to_string()]));
    let winter: Value = serde_json::from_str(&winter.unwrap_or_else(|error| panic!("{name}: {error}"))).expect("JSON");
    let command = printed(folder, &["rehearse", "--json", name]);
    let report = winter["report"].as_str().expect("a text");
    assert_eq!(difference(report, command.trim_end()), None, "rehearsal of {name}:\n{text}");
}

/// An installation as somebody might plan it: an example or the starter, with some answers of his own, and a few weeks of winter.
fn drawn(number: u64) -> String {
    let mut random = Pcg64::seed_from_u64(number);
    let like = if random.random_bool(0.2) { None } else { Like::ALL.choose(&mut random).copied() };
    let mut file = FirstFile::new(like);
    for question in QUESTIONS {
        if random.random_bool(0.5) || !file.is_open(question) {
            continue;
        }
        // Answers that most files bear; one that this file does not is refused, and changes nothing.
        let answer = match question.key {
            "coldest_c" => format!("{}", random.random_range(-38..=2)),
            "wind_m_s" => format!("{}", random.random_range(0..=20)),
            "batteries" => format!("{}", random.random_range(1..=4)),
            "battery_ah" => format!("{}", random.random_range(50..=300)),
            "insulation" => (*["xps", "pir", "eps", "plywood"].choose(&mut random).expect("some")).to_owned(),
            "insulation_mm" => format!("{}", random.random_range(10..=120)),
            "heater_w" => format!("{}", random.random_range(15..=400)),
            "sensor_cable_m" => format!("{:.1}", random.random_range(0.5..15.0)),
            "engine_w" | "mains_w" | "sun_w" => format!("{}", random.random_range(50..=900)),
            _ => continue,
        };
        let _ = file.answer(question, &answer);
    }
    let mut draft = Draft::of(&file.text()).expect("TOML");
    draft.apply(&Edit::number(Home::Section("winter"), "days", f64::from(random.random_range(8..=24))));
    draft.apply(&Edit::number(Home::Section("winter"), "offset_k", f64::from(random.random_range(-8..=6))));
    draft.to_string()
}

fn hold_drawn(numbers: std::ops::Range<u64>) {
    let (mut module, folder) = (Module::new(), TempDir::new().expect("a folder"));
    for number in numbers {
        let text = drawn(number);
        // A cold spell may not fit into so short a winter.
        if Installation::parse("drawn", &text).is_err() {
            continue;
        }
        hold(&mut module, folder.path(), &format!("drawn-{number}.toml"), &text);
    }
}

#[test]
fn plan_and_rehearsal_of_each_example_are_the_same_bytes() {
    let (mut module, folder) = (Module::new(), TempDir::new().expect("a folder"));
    for like in Like::ALL {
        hold(&mut module, folder.path(), &format!("{}.toml", like.name()), &like.text());
    }
}

#[test]
fn plan_and_rehearsal_of_drawn_installations_are_the_same_bytes() {
    hold_drawn(0..FEW);
}

#[test]
#[ignore = "a quarter of an hour"]
fn plan_and_rehearsal_of_many_drawn_installations_are_the_same_bytes() {
    hold_drawn(0..MANY);
}

#[test]
fn proposals_are_the_same_bytes() {
    let (mut module, folder) = (Module::new(), TempDir::new().expect("a folder"));
    let mut draft = Draft::of(&Like::Van.text()).expect("TOML");
    draft.apply(&Edit::number(Home::Section("winter"), "days", 10.0));
    let (name, text) = ("van.toml", draft.to_string());
    std::fs::write(folder.path().join(name), &text).expect("a file");
    let extent = json!({ "tries": 12, "trials": 2, "most": 3, "seed": 5 }).to_string();
    let ours = module.ask("propose", &json!([name, text, extent])).expect("a search");
    let arguments = ["propose", "--json", name, "--tries", "12", "--trials", "2", "--most", "3", "--seed", "5"];
    let theirs = printed(folder.path(), &arguments);
    assert_eq!(difference(&ours, theirs.trim_end()), None);
    assert!(ours.contains("\"tried\": 12"), "{ours}");
}

#[test]
fn a_file_that_is_refused_has_the_same_problems() {
    let (mut module, folder) = (Module::new(), TempDir::new().expect("a folder"));
    let text = Like::Hut.text().replace("release_c = ", "release_c = -").replace("[heater]", "[heeter]");
    std::fs::write(folder.path().join("bad.toml"), &text).expect("a file");
    let error = module.ask("plan", &json!(["bad.toml", text])).expect_err("it is refused");
    let ours: Value = serde_json::from_str(&error).expect("JSON");
    let theirs: Value = serde_json::from_str(&printed(folder.path(), &["check", "--json", "bad.toml"])).expect("JSON");
    assert_eq!(ours["problems"], theirs["problems"]);
    assert!(ours["problems"].as_array().is_some_and(|problems| problems.len() > 1), "{ours}");
}

//! The page of the first hour, gone through from top to bottom in an empty folder: every command, every change of the file, every output.
//!
//! `FOREWARM_REFRESH=1 cargo test -p forewarm --test first_hour` writes the outputs anew.
#![cfg(unix)]

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use serde_json::Value;
use std::fmt::Write as _;
use std::fs::{self, File, OpenOptions};
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/first_hour.md");
const FILE: &str = "gauge.toml";

/// What a command left on the screen.
struct Done {
    name: String,
    screen: String,
}

fn command(arguments: &[&str], folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_forewarm"));
    command.args(arguments).current_dir(folder).env("NO_COLOR", "1").env_remove("CLICOLOR_FORCE");
    command
}

/// Runs it as a script does.
fn run(arguments: &[&str], folder: &Path) -> String {
    let output = command(arguments, folder).stdin(Stdio::null()).output().expect("it starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    let (stdout, stderr) = (text(output.stdout), text(output.stderr));
    assert!(output.status.success(), "{arguments:?}: {stdout}{stderr}");
    stdout
}

/// Runs it at a terminal, and answers each question. A question ends with a bracket.
fn run_at_a_terminal(arguments: &[&str], folder: &Path, mut answers: impl Iterator<Item = String>) -> String {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
    grantpt(&master).and_then(|()| unlockpt(&master)).expect("it opens");
    let name = ptsname(&master, Vec::new()).expect("a name").into_string().expect("UTF-8");
    let end = || OpenOptions::new().read(true).write(true).open(&name).expect("its other end");
    let mut child =
        command(arguments, folder).stdin(end()).stdout(end()).stderr(end()).spawn().expect("the command starts");
    let mut master = File::from(master);
    let mut screen = String::new();
    let mut room = [0; 4096];
    // A question can come in two pieces, but nothing comes after one before it is answered.
    while let Ok(length @ 1..) = master.read(&mut room) {
        screen += &String::from_utf8_lossy(&room[..length]).replace('\r', "");
        if screen.ends_with("] ") && !screen.ends_with("\n[ ] ") {
            let answer = answers.next().unwrap_or_else(|| panic!("one question too many: {screen}"));
            master.write_all((answer + "\n").as_bytes()).expect("it is typed");
        }
    }
    let status = child.wait().expect("it ends");
    assert!(status.success(), "{arguments:?}: {screen}");
    screen
}

/// What was typed at the questions of a page's block: all that stands after a bracket.
fn typed_in(block: &str) -> Vec<String> {
    let lines = block.lines().filter(|line| line.starts_with('['));
    lines.filter_map(|line| line.split_once("] ").map(|(_, typed)| typed.to_owned())).collect()
}

/// What somebody types who finds everything as it must be.
fn all_is_well(card: &Value) -> Vec<String> {
    let parts = card["parts"].as_array().expect("parts");
    let steps = parts.iter().flat_map(|part| part["steps"].as_array().expect("steps"));
    let answer = |step: &Value| -> Option<String> {
        let expect = step["expect"].as_object().expect("what must follow");
        let (kind, what) = expect.iter().next().expect("one kind");
        let middle = |low: &str, high: &str| {
            let low = what[low].as_f64().expect("a number");
            format!("{:.2}", what[high].as_f64().map_or(low + 1.0, |high| f64::midpoint(low, high)))
        };
        match kind.as_str() {
            "impossible" => None,
            "measured" => Some(middle("low", "high")),
            "reads" | "turns" => Some(middle("low_c", "high_c")),
            _ => Some("y".to_owned()),
        }
    };
    steps.filter_map(answer).collect()
}

/// Changes the file as a block of a page says: each line that goes is followed by what comes.
fn change(folder: &Path, block: &str) {
    let path = folder.join(FILE);
    let mut text = fs::read_to_string(&path).expect("the file");
    let mut goes: Option<&str> = None;
    for line in block.lines() {
        if let Some(line) = line.strip_prefix('-') {
            assert_eq!(text.matches(&format!("\n{line}\n")).count(), 1, "{line}");
            goes = Some(line);
        } else if let (Some(comes), Some(gone)) = (line.strip_prefix('+'), goes.take()) {
            text = text.replacen(&format!("\n{gone}\n"), &format!("\n{comes}\n"), 1);
        }
    }
    fs::write(path, text).expect("it is written");
}

/// As much of what was printed as a block shows: `text plan, from "Verdict", until "Holding"`.
fn shown(info: &str, screen: &str) -> String {
    let bound = |word: &str| info.split_once(word).map(|(_, rest)| rest.split('"').next().unwrap_or_default());
    let from = bound(", from \"");
    let until = bound(", until \"");
    let lines = screen.lines().skip_while(|line| from.is_some_and(|from| !line.contains(from)));
    let lines = lines.take_while(|line| until.is_none_or(|until| !line.contains(until)));
    lines.collect::<Vec<_>>().join("\n").trim_matches('\n').to_owned()
}

#[test]
fn the_first_hour_goes_as_its_page_says() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let page = fs::read_to_string(PAGE).expect("the page");
    let is_refreshing = std::env::var_os("FOREWARM_REFRESH").is_some();
    let mut written = String::new();
    let mut done: Vec<Done> = Vec::new();
    let mut blocks = 0;
    let pieces: Vec<&str> = page.split("\n```").collect();
    for (index, piece) in pieces.iter().enumerate() {
        if index > 0 {
            written += "\n```";
        }
        if index % 2 == 0 {
            written += piece;
            continue;
        }
        let (info, body) = piece.split_once('\n').unwrap_or((*piece, ""));
        let mut body = body.to_owned();
        if info == "console" {
            let line = body.trim().strip_prefix("$ forewarm ").unwrap_or_else(|| panic!("{body}"));
            let arguments: Vec<&str> = line.split(' ').collect();
            let screen = match arguments[..] {
                ["new", ..] => {
                    let answers = typed_in(pieces[index + 2]);
                    run_at_a_terminal(&arguments, folder, answers.into_iter())
                }
                ["bench", .., "--record"] => {
                    let card = serde_json::from_str(&run(&["bench", FILE, "--json"], folder)).expect("JSON");
                    run_at_a_terminal(&arguments, folder, all_is_well(&card).into_iter())
                }
                _ => run(&arguments, folder),
            };
            done.push(Done { name: arguments[0].to_owned(), screen });
        } else if info == "diff" {
            change(folder, &body);
        } else if let Some(name) = info.strip_prefix("text ").and_then(|rest| rest.split(',').next()) {
            blocks += 1;
            let last = done.iter().rev().find(|done| done.name == name).unwrap_or_else(|| panic!("no {name} before"));
            let shown = shown(info, &last.screen);
            if !is_refreshing {
                assert_eq!(body.trim_matches('\n'), shown, "block {info}; refresh it and read the difference");
            }
            body = shown + "\n";
        }
        let _ = write!(written, "{info}\n{}", body.trim_end_matches('\n'));
        written.push('\n');
        // The line break before the closing fence is part of the split.
        written.pop();
    }
    assert!(blocks >= 6, "an output was lost");
    for file in fs::read_dir(folder).expect("the folder") {
        let file = file.expect("a file").path();
        assert!(fs::metadata(&file).expect("its size").len() > 0, "{}", file.display());
    }
    if is_refreshing {
        fs::write(PAGE, written).expect("the page is written");
    }
}

//! The README's outputs are those of its commands.
//!
//! `FOREWARM_REFRESH=1 cargo test -p forewarm --test readme` writes them anew.

use std::path::{Path, PathBuf};
use std::process::Command;

/// A command of the README, and the output block that follows it.
struct Example {
    name: String,
    arguments: Vec<String>,
    output: String,
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn readme() -> String {
    std::fs::read_to_string(root().join("README.md")).expect("the README")
}

/// Words of a shell command; the README quotes with `"` only.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.replace("\\\n", " ").chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().expect("never empty").push(c),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

/// Each block ```` ```text NAME ````, with the last command before it whose first word to `forewarm` is NAME.
fn examples() -> Vec<Example> {
    let readme = readme();
    let blocks = readme.split("\n```").skip(1).step_by(2);
    let blocks: Vec<(&str, &str)> = blocks.map(|block| block.split_once('\n').unwrap_or((block, ""))).collect();
    let commands: Vec<Vec<String>> = blocks
        .iter()
        .filter(|(kind, _)| *kind == "console")
        .filter_map(|(_, body)| body.strip_prefix("$ cargo run --release -p forewarm -- ").map(words))
        .collect();
    let named = blocks.iter().filter_map(|(kind, body)| Some((kind.strip_prefix("text ")?, *body)));
    let examples = named.map(|(name, body)| {
        let arguments = commands.iter().find(|words| words.first().is_some_and(|word| word == name));
        let arguments =
            arguments.unwrap_or_else(|| panic!("the README shows the output of {name}, and no command")).clone();
        Example { name: name.to_owned(), arguments, output: body.to_owned() }
    });
    examples.collect()
}

fn run(arguments: &[String]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_forewarm"))
        .args(arguments)
        .current_dir(root())
        .env_remove("FOREWARM_REFRESH")
        .output()
        .expect("the command starts");
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The same without what writes a file into the folder that the tests run in.
fn without_files(arguments: &[String]) -> Vec<String> {
    let mut kept = Vec::new();
    let mut arguments = arguments.iter();
    while let Some(argument) = arguments.next() {
        if argument == "--plot" {
            arguments.next();
        } else {
            kept.push(argument.clone());
        }
    }
    kept
}

fn refreshing() -> bool {
    std::env::var_os("FOREWARM_REFRESH").is_some()
}

#[test]
fn the_outputs_shown_are_those_of_the_commands_shown() {
    let examples = examples();
    assert_eq!(examples.len(), 5, "an example was lost");
    let mut text = readme();
    for Example { name, arguments, output } in examples {
        let printed = run(&without_files(&arguments));
        // A block cannot begin or end with an empty line.
        let printed = printed.trim_matches('\n');
        if refreshing() {
            let shown = if output.is_empty() { String::new() } else { format!("{output}\n") };
            let block = |body: &str| format!("\n```text {name}\n{body}```");
            text = text.replacen(&block(&shown), &block(&format!("{printed}\n")), 1);
        } else {
            assert_eq!(output, printed, "the README's example of {name}; refresh it and read the difference");
        }
    }
    if refreshing() {
        std::fs::write(root().join("README.md"), text).expect("the README is written");
    }
}

#[test]
fn the_picture_shown_is_the_one_the_first_command_draws() {
    let folder = tempfile::tempdir().expect("a folder");
    let drawn = folder.path().join("winter.svg");
    let rehearse = examples().into_iter().find(|example| example.name == "rehearse").expect("the rehearsal");
    // In place of the page, which is of the same season.
    let mut arguments: Vec<String> =
        rehearse.arguments.into_iter().take_while(|argument| argument != "--plot").collect();
    arguments.extend(["--plot".into(), drawn.to_str().expect("a path in UTF-8").into()]);
    run(&arguments);
    let drawn = std::fs::read_to_string(drawn).expect("the picture");
    let shown = root().join("sim/demo/winter.svg");
    if refreshing() {
        std::fs::write(&shown, &drawn).expect("the picture is written");
    }
    assert!(std::fs::read_to_string(shown).expect("the picture of the README") == drawn, "refresh it and look at it");
}

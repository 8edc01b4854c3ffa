//! The outputs in the README and its pages are those of the commands there.
//!
//! A block ```` ```text plan ```` shows what the page's command `plan` prints, and ```` ```text plan, until "Holding" ```` its lines before the
//! first that has that text. `FOREWARM_REFRESH=1 cargo test -p forewarm --test readme` writes them anew.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The README, and the pages that show whole outputs.
const PAGES: [(&str, usize); 8] = [
    ("README.md", 2),
    ("sim/docs/bench.md", 1),
    ("sim/docs/check.md", 2),
    ("sim/docs/plan.md", 1),
    ("sim/docs/rehearse.md", 1),
    ("sim/docs/replay.md", 1),
    ("sim/docs/identify.md", 1),
    ("sim/docs/report.md", 1),
];

/// A command of a page, and the output block that follows it.
struct Example {
    /// What opens the block.
    info: String,
    arguments: Vec<String>,
    output: String,
}

impl Example {
    /// As much of what was printed as the block shows.
    fn shown(&self, printed: &str) -> String {
        let until = self.info.split_once(", until \"").map(|(_, until)| until.trim_end_matches('"'));
        let lines = printed.lines().take_while(|line| until.is_none_or(|until| !line.contains(until)));
        let shown: Vec<&str> = lines.collect();
        // A block cannot begin or end with an empty line.
        shown.join("\n").trim_matches('\n').to_owned()
    }
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn text_of(page: &str) -> String {
    std::fs::read_to_string(root().join(page)).unwrap_or_else(|error| panic!("{page}: {error}"))
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

/// The arguments of a line that a page shows as a command of `forewarm`.
fn arguments(command: &str) -> Option<Vec<String>> {
    let calls = ["$ cargo run --release -p forewarm -- ", "$ forewarm "];
    calls.iter().find_map(|call| command.strip_prefix(call)).map(words)
}

/// Each block that shows an output, with the last command before it whose first word to `forewarm` is its own first.
fn examples(page: &str) -> Vec<Example> {
    let text = text_of(page);
    let blocks = text.split("\n```").skip(1).step_by(2);
    let mut commands: Vec<Vec<String>> = Vec::new();
    let mut examples = Vec::new();
    for (info, body) in blocks.map(|block| block.split_once('\n').unwrap_or((block, ""))) {
        if info == "console" {
            commands.extend(arguments(body));
        } else if let Some(name) = info.strip_prefix("text ").and_then(|rest| rest.split([' ', ',']).next()) {
            let arguments = commands.iter().rev().find(|words| words.first().is_some_and(|word| word == name));
            let arguments = arguments.unwrap_or_else(|| panic!("{page} shows the output of {name}, and no command"));
            examples.push(Example { info: info.into(), arguments: arguments.clone(), output: body.into() });
        }
    }
    examples
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
    for (page, count) in PAGES {
        let examples = examples(page);
        assert_eq!(examples.len(), count, "{page}: an example was lost");
        let mut text = text_of(page);
        for example in &examples {
            let Example { info, arguments, output } = example;
            let shown = example.shown(&run(&without_files(arguments)));
            if refreshing() {
                text = text.replacen(&format!("\n```{info}\n{output}\n```"), &format!("\n```{info}\n{shown}\n```"), 1);
            } else {
                assert_eq!(*output, shown, "{page}, block {info}; refresh it and read the difference");
            }
        }
        if refreshing() {
            std::fs::write(root().join(page), text).expect("the page is written");
        }
    }
}

#[test]
fn the_picture_shown_is_the_one_the_first_command_draws() {
    let folder = tempfile::tempdir().expect("a folder");
    let drawn = folder.path().join("winter.svg");
    let rehearse = examples("README.md").remove(0);
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

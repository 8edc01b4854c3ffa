//! `forewarm new`.

use super::{Form, Stop, count_warnings, note, print, print_json, usage};
use forewarm::diagnostic::Problem;
use forewarm::installation::first::{Asked, FirstFile, Like, QUESTIONS, ask};
use forewarm::installation::{Installation, shown};
use forewarm::output::{Existing, Target};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

/// Write an installation file to start from, with the meaning of every setting
#[derive(Debug, clap::Args)]
#[command(after_help = after_help())]
pub(crate) struct Arguments {
    /// The file to write; - for the standard output
    file: PathBuf,
    /// Start from a worked example, which explains less and shows more
    #[arg(long, value_name = "EXAMPLE", value_parser = like)]
    like: Option<Like>,
    /// Ask about the installation, and write the answers into the file
    #[arg(long)]
    ask: bool,
    /// Write one answer into the file; may be repeated
    #[arg(long, value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// Replace the file if it exists
    #[arg(long)]
    force: bool,
}

/// The result for machines.
#[derive(Debug, Serialize)]
struct Report {
    /// The file that was written.
    file: String,
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let file = &arguments.file;
    let to_stdout = file == Path::new("-");
    if to_stdout && form == Form::Json {
        return Err(Problem::error("--json", "has no place on the standard output beside the file itself")
            .remedy("a file name in place of -, or no --json")
            .into());
    }
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    // Before any question: nobody should answer twenty of them for a file that cannot be written.
    let target = if to_stdout { None } else { Some(Target::claim(file, existing, &[])?) };
    let text = made(arguments)?.text();
    let Some(target) = target else {
        return print(|out| out.write_all(text.as_bytes()));
    };
    target.write(&text)?;
    match form {
        Form::Text => {
            note(&format!("{} is written; change it to your installation, then `forewarm check` it", file.display()));
            count_warnings(file, &Installation::parse(&shown(file), &text).map_err(Stop::Failed)?);
            Ok(())
        }
        Form::Json => print_json(&Report { file: file.display().to_string() }),
    }
}

/// The file that the arguments ask for.
fn made(arguments: &Arguments) -> Result<FirstFile, Stop> {
    let mut first = FirstFile::new(arguments.like);
    let answered = first.set(&arguments.set).map_err(Stop::Failed)?;
    if !arguments.ask {
        return Ok(first);
    }
    let stdin = io::stdin();
    if !stdin.is_terminal() {
        return Err(usage(
            "--ask needs a terminal to ask at, and the standard input is none",
            "--set key=value for each answer, as in --set batteries=2; `forewarm new --help` lists the keys",
        ));
    }
    // The standard output may be the file.
    match ask(&mut first, &answered, &mut stdin.lock(), &mut io::stderr().lock()) {
        Ok(Asked::All) => Ok(first),
        Ok(Asked::Stopped) => Err(usage(
            "the input ended before the last question; nothing is written",
            "Enter for every question whose default will do",
        )),
        Err(error) => Err(Problem::usage(format!("the terminal cannot be used: {error}"))
            .remedy("--set key=value for each answer; `forewarm new --help` lists the keys")
            .into()),
    }
}

fn like(name: &str) -> Result<Like, String> {
    let all = Like::ALL.map(Like::name).join(", ");
    Like::ALL.into_iter().find(|like| like.name() == name).ok_or_else(|| format!("it may be {all}"))
}

const EXAMPLES: &str = "
Examples:
  forewarm new mine.toml
  forewarm new mine.toml --ask
  forewarm new mine.toml --like van --set battery_ah=280 --set coldest_c=-25";

/// Widest line of the help.
const WIDTH: usize = 80;

fn after_help() -> String {
    let mut help = String::from("Examples to start from:\n");
    for like in Like::ALL {
        let _ = writeln!(help, "  {:8} {}", like.name(), like.meaning());
    }
    help.push_str("\nKeys of --set, which are the questions of --ask:\n");
    let widest = QUESTIONS.iter().map(|question| question.key.len()).max().unwrap_or(0);
    for question in QUESTIONS {
        let first = format!("  {:widest$}  ", question.key);
        let rest = " ".repeat(first.len());
        let text = format!("{} ({})", question.asks, question.choice());
        let options = textwrap::Options::new(WIDTH).initial_indent(&first).subsequent_indent(&rest);
        for line in textwrap::wrap(&text, options.break_words(false)) {
            help.push_str(&line);
            help.push('\n');
        }
    }
    help + EXAMPLES
}

//! `forewarm new`.

use super::{Form, Stop, note, print, print_json};
use forewarm::diagnostic::Problem;
use forewarm::installation::starter;
use forewarm::output::{Existing, Target};
use serde::Serialize;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Write an installation file to start from, with the meaning of every setting
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  forewarm new mine.toml")]
pub(crate) struct Arguments {
    /// The file to write; - for the standard output
    file: PathBuf,
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
    if file == Path::new("-") {
        return match form {
            Form::Text => print(|out| out.write_all(starter().as_bytes())),
            Form::Json => Err(Problem::error("--json", "has no place on the standard output beside the file itself")
                .remedy("a file name in place of -, or no --json")
                .into()),
        };
    }
    let target = Target::claim(file, if arguments.force { Existing::Replace } else { Existing::Keep }, &[])?;
    let mut draft = target.draft()?;
    draft.write_all(starter().as_bytes()).map_err(|error| draft.failed(&error))?;
    draft.finish()?;
    match form {
        Form::Text => {
            note(&format!("{} is written; change it to your installation, then `forewarm check` it", file.display()));
            Ok(())
        }
        Form::Json => print_json(&Report { file: file.display().to_string() }),
    }
}

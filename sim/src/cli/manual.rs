//! `forewarm manual`.

use super::{Arguments as Whole, Form, Stop, print, print_json};
use clap::{Command, CommandFactory};
use clap_mangen::Man;
use forewarm::diagnostic::Problem;
use forewarm::output::{Existing, Target};
use serde::Serialize;
use std::io;
use std::path::{Path, PathBuf};

/// Write manual pages, one for each command, into a folder
///
/// They say what `--help` says, for `man`. In a folder named man1 beside others that `man` looks into, they are found by name.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The folder, which exists
    folder: PathBuf,
    /// Replace files that exist
    #[arg(long)]
    force: bool,
}

const AFTER: &str = "\
Example:
  mkdir -p ~/.local/share/man/man1
  forewarm manual ~/.local/share/man/man1
  man forewarm-plan";

/// The result for machines.
#[derive(Debug, Serialize)]
struct Written {
    files: Vec<String>,
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    // All of them before any is written: nobody wants half a manual.
    let mut pages = Vec::new();
    for (name, page) in pages_of(&Whole::command()).map_err(|error| cannot_make(&error))? {
        let path = arguments.folder.join(name);
        pages.push((path.clone(), Target::claim(&path, existing, &[] as &[&Path])?, page));
    }
    let mut files = Vec::new();
    for (path, target, page) in pages {
        target.write(&page)?;
        files.push(path.display().to_string());
    }
    match form {
        Form::Text => print(|out| files.iter().try_for_each(|file| writeln!(out, "{file}"))),
        Form::Json => print_json(&Written { files }),
    }
}

/// Each page with the name of its file: the whole command, and each command in it.
fn pages_of(whole: &Command) -> io::Result<Vec<(String, String)>> {
    let mut whole = whole.clone();
    // It gives the commands their options of the whole, and their whole names.
    whole.build();
    let shown = whole.get_subcommands().filter(|command| command.get_name() != "help");
    let all: Vec<Command> = std::iter::once(whole.clone()).chain(shown.cloned()).collect();
    let page = |command: Command| {
        let name = command.get_display_name().unwrap_or_else(|| command.get_name()).to_owned();
        let mut page = Vec::new();
        Man::new(command).render(&mut page)?;
        Ok((format!("{name}.1"), String::from_utf8_lossy(&page).into_owned()))
    };
    all.into_iter().map(page).collect()
}

fn cannot_make(error: &io::Error) -> Stop {
    Problem::error("manual", format!("cannot be made: {error}")).into()
}

//! `forewarm check`.

use super::{Form, Stop, print, print_json, styled};
use forewarm::diagnostic::{Problem, Severity, escaped};
use forewarm::fingerprint;
use forewarm::installation::{Installation, LoadError, shown};
use serde::Serialize;
use std::io::{self, Write};
use std::path::PathBuf;

/// Check an installation file: every problem at once, with its place and what to do
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,
}

const AFTER: &str = "\
Example:
  forewarm check mine.toml

Exit status: 0 the file can be used; 1 it cannot; 2 usage, or a file that cannot be read.";

/// The result for machines.
#[derive(Debug, Serialize)]
struct Report<'r> {
    file: &'r str,
    ok: bool,
    /// `null` where the file is refused.
    settings_fingerprint: Option<String>,
    problems: &'r [Problem],
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let loaded = match Installation::load(&arguments.file) {
        Err(LoadError::Unreadable(problem)) => return Err(Stop::Unusable(problem)),
        Err(LoadError::Refused(problems)) => Err(problems),
        Ok(installation) => Ok(installation),
    };
    let file = shown(&arguments.file);
    let problems = match &loaded {
        Ok(installation) => &installation.warnings,
        Err(problems) => problems,
    };
    let installation = loaded.as_ref().ok();
    match form {
        Form::Text => print(|out| write_text(out, &file, problems, installation))?,
        Form::Json => {
            let settings_fingerprint =
                installation.map(|installation| fingerprint::of(&installation.settings).to_string());
            print_json(&Report { file: &file, ok: loaded.is_ok(), settings_fingerprint, problems })?;
        }
    }
    // They are already printed: here they are the result.
    if loaded.is_ok() { Ok(()) } else { Err(Stop::Failed(Vec::new())) }
}

fn write_text(
    out: &mut dyn Write,
    file: &str,
    problems: &[Problem],
    installation: Option<&Installation>,
) -> io::Result<()> {
    for problem in problems {
        writeln!(out, "{}", styled(problem))?;
    }
    let count = |severity: Severity| {
        let count = problems.iter().filter(|problem| problem.severity == severity).count();
        format!(
            "{} {}{}",
            if count == 0 { "no".to_owned() } else { count.to_string() },
            severity.word(),
            if count == 1 { "" } else { "s" }
        )
    };
    let file = escaped(file);
    if problems.is_empty() {
        writeln!(out, "{file}: no problems")?;
    } else {
        writeln!(out, "{file}: {}, {}", count(Severity::Error), count(Severity::Warning))?;
    }
    match installation {
        Some(installation) => installation.write_summary(out),
        None => Ok(()),
    }
}

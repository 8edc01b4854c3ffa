//! One file a command. Results go to the standard output, everything else to the standard error.

mod check;

use anstyle::{AnsiColor, Style};
use clap::{Parser, Subcommand};
use forewarm::diagnostic::{Problem, Severity};
use forewarm::installation::LoadError;
use std::io::{self, Write};
use std::process::ExitCode;

/// Warms a lithium iron phosphate bank before it is charged: checks, rehearses and replays.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 80, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// Print the result as JSON, for machines
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(check::Arguments),
}

/// Runs the command that the arguments name.
pub(crate) fn run() -> ExitCode {
    let Arguments { command, json } = Arguments::parse();
    let form = if json { Form::Json } else { Form::Text };
    let done = match command {
        Command::Check(arguments) => check::run(&arguments, form),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(stop) => stop.report(),
    }
}

/// For whom a result is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Form {
    /// A person.
    Text,
    /// A machine.
    Json,
}

/// Why a command ends before its end.
#[derive(Debug)]
pub(crate) enum Stop {
    /// Usage, or something that cannot be read or written: status 2.
    Unusable(Box<Problem>),
    /// The installation or the log fails a check; these are still to be told: status 1.
    Failed(Vec<Problem>),
    /// Nobody reads the standard output any more. That is no failure of ours: status 0.
    Unread,
}

impl Stop {
    fn report(self) -> ExitCode {
        match self {
            Self::Unusable(problem) => {
                tell(&[*problem]);
                ExitCode::from(2)
            }
            Self::Failed(problems) => {
                tell(&problems);
                ExitCode::from(1)
            }
            Self::Unread => ExitCode::SUCCESS,
        }
    }
}

impl From<Problem> for Stop {
    fn from(problem: Problem) -> Self {
        Self::Unusable(Box::new(problem))
    }
}

impl From<LoadError> for Stop {
    fn from(error: LoadError) -> Self {
        match error {
            LoadError::Unreadable(problem) => Self::Unusable(problem),
            LoadError::Refused(problems) => Self::Failed(problems),
        }
    }
}

/// Tells problems on the standard error, in colour if a person is looking.
pub(crate) fn tell(problems: &[Problem]) {
    let mut stderr = anstream::stderr().lock();
    for problem in problems {
        let style = Style::new().bold().fg_color(Some(match problem.severity {
            Severity::Error => AnsiColor::Red.into(),
            Severity::Warning => AnsiColor::Yellow.into(),
        }));
        let word = problem.severity.word();
        // With nobody listening there is nobody to tell.
        let _ = writeln!(stderr, "{style}{word}{style:#}: {problem}");
    }
}

/// Prints a result on the standard output.
pub(crate) fn print(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), Stop> {
    let mut stdout = io::BufWriter::new(io::stdout().lock());
    match write(&mut stdout).and_then(|()| stdout.flush()) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {
            // What is still buffered has no reader either.
            let _ = stdout.into_parts();
            Err(Stop::Unread)
        }
        Err(error) => Err(Problem::error("standard output", format!("cannot be written: {error}"))
            .remedy("another place to send it")
            .into()),
    }
}

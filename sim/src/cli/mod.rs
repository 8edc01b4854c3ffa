//! One file for each command. Results go to the standard output, everything else to the standard error.

mod bar;
mod bench;
mod beside;
mod check;
mod completions;
#[cfg(unix)]
mod emulate;
mod faults;
mod identify;
mod interrupt;
mod listen;
mod manual;
mod new;
mod plan;
mod propose;
mod rehearse;
mod replay;
mod report;
mod send;
mod table;

use anstyle::{AnsiColor, Style};
use clap::{Parser, Subcommand};
use forewarm::diagnostic::{Blame, Problem, Severity, escaped};
use forewarm::installation::{Installation, LoadError, shown};
use forewarm::json;
use serde::Serialize;
use std::io::{self, Write};
use std::path::Path;
use std::process::ExitCode;

/// Warms a lithium iron phosphate bank before it is charged: checks and sizes an installation, rehearses its winter, replays its logs.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 80, arg_required_else_help = true, after_help = AFTER)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// Print the result as JSON, for machines
    #[arg(long, global = true, display_order = 100)]
    json: bool,
}

const AFTER: &str = "\
Begin with `forewarm new mine.toml`, then check, plan and rehearse that file. Each command has examples: `forewarm plan --help`.";

#[derive(Debug, Subcommand)]
enum Command {
    New(new::Arguments),
    Check(check::Arguments),
    Plan(plan::Arguments),
    Rehearse(rehearse::Arguments),
    Faults(faults::Arguments),
    Propose(propose::Arguments),
    Bench(bench::Arguments),
    Report(report::Arguments),
    Replay(replay::Arguments),
    Identify(identify::Arguments),
    Listen(listen::Arguments),
    Send(send::Arguments),
    #[cfg(unix)]
    Emulate(emulate::Arguments),
    Table(table::Arguments),
    Completions(completions::Arguments),
    Manual(manual::Arguments),
}

/// Runs the command that the arguments name.
pub(crate) fn run() -> ExitCode {
    let Arguments { command, json } = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(asked) => return asked_of_the_parser(&asked),
    };
    let form = if json { Form::Json } else { Form::Text };
    match obey(command, form) {
        Ok(()) => ExitCode::SUCCESS,
        Err(stop) => stop.report(),
    }
}

/// Prints help, the version, or what is wrong with the arguments. Help and version are results like any other.
fn asked_of_the_parser(asked: &clap::Error) -> ExitCode {
    if asked.use_stderr() {
        // If nobody listens, there is nobody to report to.
        let _ = asked.print();
        return ExitCode::from(2);
    }
    let text = asked.render();
    match print(|out| write!(out, "{}", text.ansi())) {
        Ok(()) => ExitCode::SUCCESS,
        Err(stop) => stop.report(),
    }
}

fn obey(command: Command, form: Form) -> Result<(), Stop> {
    interrupt::outlive_large_files();
    match command {
        Command::Check(_)
        | Command::Plan(_)
        | Command::Bench(_)
        | Command::Table(_)
        | Command::Completions(_)
        | Command::Manual(_) => {}
        Command::New(_)
        | Command::Rehearse(_)
        | Command::Faults(_)
        | Command::Propose(_)
        | Command::Report(_)
        | Command::Replay(_)
        | Command::Identify(_)
        | Command::Listen(_)
        | Command::Send(_) => {
            interrupt::watch()?;
        }
        #[cfg(unix)]
        Command::Emulate(_) => interrupt::watch()?,
    }
    match command {
        Command::New(arguments) => new::run(&arguments, form),
        Command::Check(arguments) => check::run(&arguments, form),
        Command::Plan(arguments) => plan::run(&arguments, form),
        Command::Rehearse(arguments) => rehearse::run(&arguments, form),
        Command::Faults(arguments) => faults::run(&arguments, form),
        Command::Propose(arguments) => propose::run(&arguments, form),
        Command::Bench(arguments) => bench::run(&arguments, form),
        Command::Report(arguments) => report::run(&arguments, form),
        Command::Replay(arguments) => replay::run(arguments, form),
        Command::Identify(arguments) => identify::run(arguments, form),
        Command::Listen(arguments) => listen::run(&arguments, form),
        Command::Send(arguments) => send::run(&arguments, form),
        #[cfg(unix)]
        Command::Emulate(arguments) => emulate::run(&arguments, form),
        Command::Table(arguments) => table::run(&arguments, form),
        Command::Completions(arguments) => completions::run(&arguments, form),
        Command::Manual(arguments) => manual::run(&arguments, form),
    }
}

/// Who reads a printed result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Form {
    /// A person.
    Text,
    /// A machine.
    Json,
}

/// Why a command ends early.
#[derive(Debug)]
pub(crate) enum Stop {
    /// Wrong usage, or something that cannot be read or written: status 2.
    Unusable(Problem),
    /// The installation or a file that goes with it fails a check. These problems are not yet printed. Status 1, or 2
    /// if one of them concerns the usage.
    Failed(Vec<Problem>),
    /// Nobody reads the standard output any more. That is no failure of this command: status 0.
    Unread,
    /// Interrupted from the keyboard. What was finished is already printed. Status 130, as in shells.
    Interrupted,
}

impl Stop {
    fn report(self) -> ExitCode {
        match self {
            Self::Unusable(problem) => {
                tell(&[problem]);
                ExitCode::from(2)
            }
            Self::Failed(problems) => {
                tell(&problems);
                let is_of_use = problems.iter().any(|problem| problem.blame == Blame::Use);
                ExitCode::from(if is_of_use { 2 } else { 1 })
            }
            Self::Unread => ExitCode::SUCCESS,
            Self::Interrupted => ExitCode::from(130),
        }
    }
}

impl From<Problem> for Stop {
    fn from(problem: Problem) -> Self {
        Self::Unusable(problem)
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

/// A file that describes no site, for a command that needs one, and `why` it does.
pub(crate) fn no_site(file: &Path, why: &str) -> Stop {
    let problem = Problem::error(&shown(file), "says nothing of the site: batteries, box, winter")
        .because(why)
        .remedy("the sections [battery], [pad], [box] and [site]; `forewarm new FILE` writes them with their meanings");
    Stop::Failed(vec![problem])
}

/// Arguments that do not go together.
pub(crate) fn usage(message: &str, remedy: &str) -> Stop {
    Problem::error("command line", message).remedy(remedy).into()
}

/// A problem after its severity, in colour. The stream it is printed to removes the colour where it is no terminal.
pub(crate) fn styled(problem: &Problem) -> String {
    let style = Style::new().bold().fg_color(Some(match problem.severity {
        Severity::Error => AnsiColor::Red.into(),
        Severity::Warning => AnsiColor::Yellow.into(),
    }));
    format!("{style}{}{style:#}: {problem}", problem.severity.word())
}

/// Prints problems on the standard error.
pub(crate) fn tell(problems: &[Problem]) {
    for problem in problems {
        note(&styled(problem));
    }
}

/// Prints how many warnings `check` has about an installation file that another command uses.
pub(crate) fn count_warnings(file: &Path, installation: &Installation) {
    let which = match installation.warnings.len() {
        0 => return,
        1 => "1 warning; `forewarm check` prints it".to_owned(),
        count => format!("{count} warnings; `forewarm check` prints them"),
    };
    note(&format!("{}: {which}", escaped(&shown(file))));
}

/// Prints something that is not the result.
pub(crate) fn note(text: &str) {
    // If nobody listens, there is nobody to report to.
    let _ = writeln!(anstream::stderr().lock(), "{text}");
}

/// Prints a result for machines, over several lines.
pub(crate) fn print_json(result: &impl Serialize) -> Result<(), Stop> {
    print(|out| {
        json::write(&mut *out, result)?;
        writeln!(out)
    })
}

/// Prints a result on the standard output.
pub(crate) fn print(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), Stop> {
    // The lock is taken once and the buffer is large: a table may have a million lines.
    let mut stdout = io::BufWriter::with_capacity(1 << 16, anstream::stdout().lock());
    let written = write(&mut stdout).and_then(|()| stdout.flush());
    // If the rest could not be written, nobody reads it.
    let _ = stdout.into_parts();
    written.map_err(|error| match error.kind() {
        io::ErrorKind::BrokenPipe => Stop::Unread,
        _ => Problem::error("standard output", format!("cannot be written: {error}"))
            .remedy("another place to send it")
            .into(),
    })
}

//! `forewarm send`.

use super::{Form, Stop, count_warnings, note, print, print_json, usage};
use forewarm::diagnostic::{Blame, Problem, escaped};
use forewarm::fingerprint;
use forewarm::installation::{Installation, shown};
use forewarm::output::{Existing, Target};
use forewarm::service::address::Address;
use forewarm::service::differences::Difference;
use forewarm::service::send::{InForce, Stage, Talk, changes, replaced};
use forewarm::service::words;
use forewarm::service::written::written;
use forewarm_core::fault::SystemFaults;
use forewarm_core::wire::record;
use forewarm_core::wire::service::{Origin, Telemetry, Unfit};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::{self, BufRead, Write};
use std::path::{Path, PathBuf};

/// Send settings to a controller: what differs, key by key; then write, read back and look
///
/// Somebody must hold the reset button at the controller meanwhile. The controller checks the settings, opens both relays, keeps them and
/// starts again. Settings go over a cable alone, never over a network.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file whose settings are sent
    #[arg(required_unless_present = "read")]
    file: Option<PathBuf>,
    /// The service line: a serial device, or a pseudo-terminal
    #[arg(required_unless_present = "read")]
    port: Option<Address>,
    /// Send without asking first. The button must be held all the same
    #[arg(long, conflicts_with = "read")]
    yes: bool,

    /// Do not send: write the settings that the controller on this line has in force as an installation file
    #[arg(long, value_name = "PORT", conflicts_with_all = ["file", "port"])]
    read: Option<Address>,
    /// Where to write it; - for the standard output
    #[arg(short, long, value_name = "FILE", default_value = "-", requires = "read")]
    output: PathBuf,
    /// Replace that file if it exists
    #[arg(long, requires = "read")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm send mine.toml /dev/ttyUSB0
  forewarm send --read /dev/ttyUSB0 -o read.toml

With --json and without --yes it shows what differs and sends nothing.

Exit status: 0 done, or nothing to do; 1 the file fails a check, no controller answers, or it refuses, or nobody agreed; 2 usage, or a \
line or file that cannot be opened.";

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    if let Some(address) = &arguments.read {
        return read(address, arguments, form);
    }
    let (Some(file), Some(address)) = (&arguments.file, &arguments.port) else {
        return Err(usage("no file or no line is named", "forewarm send mine.toml /dev/ttyUSB0"));
    };
    if !address.is_at_hand() {
        let problem = Problem::error(&address.to_string(), "settings do not go over a network")
            .of_use()
            .because(
                "they decide when cold cells are charged, and whoever reaches that address could change them; a cable shows who is there",
            )
            .remedy("plug this computer into the controller's service line");
        return Err(problem.into());
    }
    let installation = Installation::load(file)?;
    count_warnings(file, &installation);
    let mut talk = Talk::open(address).map_err(failed)?;
    let in_force = talk.read().map_err(failed)?;
    let mut report = Report::new(file, address, &talk, in_force.as_ref(), &installation);
    let is_same = talk.identity.settings == Ok(fingerprint::of(&installation.settings));
    if form == Form::Text {
        print(|out| out.write_all(report.text(in_force.as_ref(), talk.identity.settings.err(), is_same).as_bytes()))?;
    }
    if is_same || (form == Form::Json && !arguments.yes) {
        return if form == Form::Json { print_json(&report) } else { Ok(()) };
    }
    let latched = talk.latched().map_err(failed)?;
    explain(latched);
    if !arguments.yes && !agrees()? {
        note("nothing was sent, and nothing has changed");
        return Err(Stop::Failed(Vec::new()));
    }
    let mut room = [0; record::MAX_BYTES];
    let record = record::encode(&installation.settings, &mut room)
        .map_err(|_| Problem::error(&shown(file), "these settings are longer than any controller keeps"))?;
    let replaces = replaced(in_force.as_ref(), &talk.identity);
    talk.write(replaces, record, &mut tell_stage).map_err(failed)?;
    report.sent = true;
    note("The controller runs with these settings. The button may be released.");
    let telemetry = talk.first_readings(&mut tell_stage).map_err(failed)?;
    report.see(&telemetry, &installation);
    match form {
        Form::Json => print_json(&report),
        Form::Text => print(|out| out.write_all(seen(&telemetry, &installation).as_bytes())),
    }
}

/// A line or file that cannot be opened is of use; everything else is what the controller says.
fn failed(problem: Problem) -> Stop {
    if problem.blame == Blame::Use { Stop::Unusable(problem) } else { Stop::Failed(vec![problem]) }
}

/// Writes what is in force as an installation file.
fn read(address: &Address, arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let target = Target::claim(&arguments.output, existing, &[])?;
    if target.is_stdout() && form == Form::Json {
        return Err(usage("--json and the file both go to the standard output", "a file for the settings: -o FILE"));
    }
    let line = address.to_string();
    let mut talk = Talk::open(address).map_err(failed)?;
    let in_force = talk.read().map_err(failed)?;
    let Some(in_force) = in_force else {
        return Err(failed(match talk.identity.settings {
            Err(Unfit::Missing) => {
                Problem::error(&line, "the controller has no settings yet").remedy("send it an installation file")
            }
            _ => Problem::error(&line, "the controller cannot read its storage, so nobody knows its settings")
                .remedy("switch its supply off and on; if it says so again, another board"),
        }));
    };
    let settings = in_force.settings.as_ref().map_err(|error| {
        failed(
            Problem::error(&line, format!("what the controller holds are no settings: {error}"))
                .remedy("a program of the same release as the controller; or send an installation file to it"),
        )
    })?;
    let written = written(settings, in_force.fingerprint);
    target.write(&written.text)?;
    if !written.is_exact {
        note(
            "the controller's settings hold digits that no file can say, as those of a calibration: sending this file back would change \
             them a little",
        );
    }
    let to = arguments.output.as_path();
    match form {
        Form::Json => print_json(&ReadReport {
            file: shown(to),
            fingerprint: in_force.fingerprint.to_string(),
            exact: written.is_exact,
        }),
        Form::Text => {
            if to != Path::new("-") {
                note(&format!("{} is written; names, cables and the site are not in it", escaped(&shown(to))));
            }
            Ok(())
        }
    }
}

/// What was read, for machines.
#[derive(Serialize)]
struct ReadReport {
    file: String,
    fingerprint: String,
    exact: bool,
}

/// What was done, for machines.
#[derive(Serialize)]
struct Report {
    file: String,
    line: String,
    board: String,
    version: String,
    old_fingerprint: Option<String>,
    new_fingerprint: String,
    differences: Vec<Difference>,
    sent: bool,
    state: Option<&'static str>,
    cause: Option<&'static str>,
    channels: Vec<ChannelSeen>,
}

#[derive(Serialize)]
struct ChannelSeen {
    name: String,
    reading_c: Option<f64>,
    fault: Option<&'static str>,
}

impl Report {
    fn new<W>(
        file: &Path,
        address: &Address,
        talk: &Talk<W>,
        in_force: Option<&InForce>,
        installation: &Installation,
    ) -> Self {
        Self {
            file: shown(file),
            line: address.to_string(),
            board: talk.identity.board.clone(),
            version: talk.identity.version.clone(),
            old_fingerprint: in_force.map(|in_force| in_force.fingerprint.to_string()),
            new_fingerprint: fingerprint::of(&installation.settings).to_string(),
            differences: changes(in_force, installation),
            sent: false,
            state: None,
            cause: None,
            channels: Vec::new(),
        }
    }

    fn see(&mut self, telemetry: &Telemetry, installation: &Installation) {
        self.state = Some(telemetry.outputs.state.name());
        self.cause = Some(telemetry.outputs.cause.name());
        let channels = installation.channels.iter().zip(telemetry.readings).zip(telemetry.outputs.faults.channels);
        self.channels = channels
            .map(|((name, reading), fault)| ChannelSeen {
                name: name.clone(),
                reading_c: reading.map(|t| f64::from(t.as_millidegrees()) / 1000.0),
                fault: fault.map(|fault| fault.facts().name),
            })
            .collect();
    }

    /// What differs, for a person.
    fn text(&self, in_force: Option<&InForce>, unfit: Option<Unfit>, is_same: bool) -> String {
        let mut text = format!(
            "Controller on {}: board {}, version {}\n",
            escaped(&self.line),
            escaped(&self.board),
            escaped(&self.version)
        );
        let old = match in_force {
            None => format!("none, for {}", unfit.unwrap_or(Unfit::Unreadable)),
            Some(InForce { settings: Err(error), .. }) => format!("none, for {error}"),
            Some(InForce { origin: Origin::BuiltIn, fingerprint, .. }) => format!("{fingerprint}, built in"),
            Some(InForce { origin: Origin::Stored, fingerprint, .. }) => format!("{fingerprint}, written before"),
        };
        let _ = writeln!(text, "  in force  {old}\n  to send   {}", self.new_fingerprint);
        if is_same {
            text += "\nThese settings are in force already. There is nothing to send.\n";
            return text;
        }
        text += "\nWhat differs\n";
        if self.differences.is_empty() {
            text += "  everything: the controller has no settings to compare with\n";
        }
        for Difference { place, old, new, meaning } in &self.differences {
            let _ = writeln!(text, "  {}: {old} → {new}\n    {meaning}", escaped(place));
        }
        text
    }
}

/// What must be known before somebody agrees.
fn explain(latched: SystemFaults) {
    note(
        "\nThe controller takes settings only while its reset button is held. It opens both relays, keeps the settings and starts again.\n\
         Release the button. Hold it down from now on, for two seconds at least and a minute at most, until this program says that the\n\
         controller runs with them.",
    );
    for fault in latched.iter() {
        let facts = fault.facts();
        note(&format!(
            "Holding the button resets a latched fault, if its cause is gone: {}. Check first: {}.",
            facts.meaning, facts.check_first
        ));
    }
}

/// Asks. Nothing but a plain yes is one.
fn agrees() -> Result<bool, Stop> {
    let failed = |error: io::Error| {
        Problem::error("standard input", format!("cannot be read: {error}")).remedy("--yes, to send without asking")
    };
    let _ = write!(io::stderr().lock(), "Send these settings? [y/N] ").and_then(|()| io::stderr().flush());
    let mut answer = String::new();
    io::stdin().lock().read_line(&mut answer).map_err(failed)?;
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

fn tell_stage(stage: Stage) {
    note(match stage {
        Stage::AwaitsButton => {
            "Waiting for the button, for three minutes at most. The settings go as soon as it is held."
        }
        Stage::Restarts => "The settings are kept. The controller restarts.",
        Stage::AwaitsReadings => "Waiting for the first good readings.",
    });
}

/// What the controller sees with its new settings.
fn seen(telemetry: &Telemetry, installation: &Installation) -> String {
    let outputs = &telemetry.outputs;
    let mut text = format!("\nIt sees\n  {}: {}\n", words::state(outputs.state), words::cause(outputs));
    let width = installation.channels.iter().map(|name| name.chars().count()).max().unwrap_or_default();
    for (index, name) in installation.channels.iter().enumerate() {
        let fault = outputs.faults.channels[index].map(|fault| format!("  {}", fault.facts().meaning));
        let reading = words::degrees(telemetry.readings[index]);
        let space = " ".repeat(width.saturating_sub(name.chars().count()));
        let _ = writeln!(text, "  {}{space}  {reading:>10}{}", escaped(name), fault.unwrap_or_default());
    }
    for fault in outputs.faults.system.iter() {
        let facts = fault.facts();
        let _ = writeln!(text, "  {}; check first: {}", facts.meaning, facts.check_first);
    }
    text
}

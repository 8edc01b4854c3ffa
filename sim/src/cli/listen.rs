//! `forewarm listen`.

use super::{Form, Stop, interrupt, note, print, styled, usage};
use forewarm::diagnostic::{Problem, Severity, escaped};
use forewarm::installation::Installation;
use forewarm::output::{self, Existing};
use forewarm::service::address::Address;
use forewarm::service::heard::Identity;
use forewarm::service::listen::{self, Ended, Said, Show};
use forewarm::service::store::Store;
use forewarm::service::store::log::{Fit, Log, Names};
use forewarm::service::{json, words};
use forewarm::watch::place::Place;
use forewarm::watch::publish::Publisher;
use forewarm::watch::publish::target::{Broker, Server, Target};
use forewarm::watch::serve;
use forewarm::watch::token::Token;
use forewarm::watch::view;
use forewarm::watch::watcher::Watcher;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

/// Listen to a controller: what it does and why, one line a change, and keep it for a replay
///
/// It reads the line, and asks for a message every ten steps as after a start; it changes nothing else on the controller. It survives a
/// pulled plug, garbage and a restart of the controller, and opens the line again once it is back. Interrupt to end.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The service line: a serial device, a pseudo-terminal, or tcp:HOST:PORT. A name under /dev/serial/by-id stays the same when
    /// the cable is plugged in again
    #[arg(required_unless_present = "export")]
    port: Option<Address>,

    /// Keep what is heard in this SQLite file, and go on in it if it exists. `forewarm replay` reads it
    #[arg(long, value_name = "FILE")]
    keep: Option<PathBuf>,
    /// Show every reading of every message too, and not only what has changed
    #[arg(long, conflicts_with = "export")]
    readings: bool,
    /// Do not listen: write what the file of --keep holds as CSV, which `forewarm replay` reads; - for the standard output
    #[arg(long, value_name = "OUT", requires = "keep", conflicts_with = "port")]
    export: Option<PathBuf>,
    /// Show a page to browsers at this address, as 127.0.0.1:8080. Other computers reach it only at an address of the
    /// network, and with a token
    #[arg(long, value_name = "ADDRESS", requires = "keep", conflicts_with = "export")]
    serve: Option<String>,
    /// The file with the token that the page asks for: 16 characters or more that nobody guesses
    #[arg(long, value_name = "FILE", requires = "serve")]
    token_file: Option<PathBuf>,
    /// Send the state and every event to this broker, as mqtts://USER@HOST/TOPICS (MQTT; needs --keep), or the state to this server or
    /// display on a boat, as signalk+udp://HOST:PORT or signalk+tcp://HOST:PORT/BANK (Signal K). Give it again for another one
    #[arg(long, value_name = "ADDRESS", conflicts_with = "export")]
    publish: Vec<String>,
    /// The file with the broker's password on its first line [default: what the variable FOREWARM_PASSWORD holds]
    #[arg(long, value_name = "FILE", requires = "publish")]
    password_file: Option<PathBuf>,
    /// The file with the certificates of who signs for the broker [default: whom this computer trusts]
    #[arg(long, value_name = "FILE", requires = "publish")]
    ca_file: Option<PathBuf>,
    /// The installation file whose names the CSV, the page, the broker or the server gets [default: channel 1, source 1 and so on]
    #[arg(long, value_name = "FILE")]
    names: Option<PathBuf>,
    /// Replace a CSV file that exists
    #[arg(long, requires = "export")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm listen /dev/ttyUSB0
  forewarm listen /dev/ttyUSB0 --keep winter.sqlite
  forewarm listen /dev/ttyUSB0 --keep winter.sqlite --serve 127.0.0.1:8080
  forewarm listen /dev/ttyUSB0 --keep winter.sqlite --publish mqtt://localhost
  forewarm listen /dev/ttyUSB0 --publish signalk+udp://HOST:PORT
  forewarm listen --keep winter.sqlite --export winter.csv --names mine.toml

Exit status: 0 done; 1 no controller answers on the line; 2 usage, or a line or file that cannot be opened; 130 interrupted.";

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let Arguments { port, keep, readings, export, serve, token_file, names, force, .. } = arguments;
    if let (Some(keep), Some(out)) = (keep, export) {
        return write_csv(keep, out, names.as_deref(), if *force { Existing::Replace } else { Existing::Keep }, form);
    }
    let Some(address) = port else { return Err(usage("no line is named", "forewarm listen /dev/ttyUSB0")) };
    if names.is_some() && serve.is_none() && arguments.publish.is_empty() {
        return Err(usage("--names is for --export, --serve and --publish", "one of them, or leave it out"));
    }
    let names =
        names.as_deref().map(Installation::load).transpose()?.map(|installation| view::Names::of(&installation));
    let token = token_file.as_deref().map(Token::load).transpose()?;
    let place = serve.as_deref().map(|address| Place::open(address, token)).transpose()?;
    let Targets { broker, servers } = targets(arguments)?;
    let store = keep.as_deref().map(Store::open).transpose()?;
    let file = keep.as_deref().map(|path| path.display().to_string()).unwrap_or_default();
    let stop = interrupt::heed();
    let out = Out { keeps: store.is_some(), has_told: false, failed: None };
    let viewer = Viewer { form, readings: *readings, has_header: false, file, out };
    let mut watcher = Watcher::new(viewer, names);
    let server = match (place, keep) {
        (Some(place), Some(keep)) => Some(serve::Server::start(place, watcher.views(), keep.clone())?),
        _ => None,
    };
    if let Some(server) = &server {
        note(&format!("the page is at http://{}/", server.address()));
    }
    let mut publishers = Vec::new();
    if let Some((broker, keep)) = broker {
        let tell = tell_of(broker.to_string());
        publishers.push(Publisher::to_broker(broker, watcher.views(), keep, tell)?);
    }
    for server in servers {
        let tell = tell_of(server.to_string());
        publishers.push(Publisher::to_server(server, watcher.views(), tell)?);
    }
    let ended = listen::listen(address, store, &mut watcher, stop);
    drop((publishers, server));
    match ended {
        Ok(Ended::Stopped) => Err(Stop::Interrupted),
        Ok(Ended::Unread) => Err(watcher.into_inner().out.failed.unwrap_or(Stop::Unread)),
        Err(problem) if problem.blame == forewarm::diagnostic::Blame::Use => Err(Stop::Unusable(problem)),
        Err(problem) => Err(Stop::Failed(vec![problem])),
    }
}

/// Whom to send to.
struct Targets<'a> {
    /// With the file of its events.
    broker: Option<(Broker, &'a Path)>,
    servers: Vec<Server>,
}

fn targets(arguments: &Arguments) -> Result<Targets<'_>, Stop> {
    let Arguments { keep, publish, password_file, ca_file, .. } = arguments;
    let (mut brokers, mut servers) = (Vec::new(), Vec::new());
    for address in publish {
        match Target::parse(address)? {
            Target::Broker(broker) => brokers.push(broker),
            Target::SignalK(server) => servers.push(server),
        }
    }
    // One password and one file of certificates are those of one broker.
    if brokers.len() > 1 {
        return Err(usage("--publish names two brokers", "one of them, which can pass on to the other"));
    }
    let Some(broker) = brokers.pop() else {
        for (option, is_there) in [("--password-file", password_file.is_some()), ("--ca-file", ca_file.is_some())] {
            if is_there {
                let message = format!("{option} is for a broker, and Signal K over TCP or UDP has nothing like it");
                return Err(usage(&message, "mqtts://USER@HOST as --publish, or leave it out"));
            }
        }
        return Ok(Targets { broker: None, servers });
    };
    let Some(keep) = keep else {
        return Err(usage("--publish to a broker needs --keep", "--keep FILE: the events wait there for the broker"));
    };
    let broker = with_password(broker, password_file.as_deref())?.with_trust(ca_file.as_deref())?;
    Ok(Targets { broker: Some((broker, keep)), servers })
}

/// The broker with its password, from where nobody else reads it.
fn with_password(broker: Broker, file: Option<&Path>) -> Result<Broker, Problem> {
    if let Some(path) = file {
        let shown = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| {
            Problem::error(&shown, format!("cannot be read: {error}"))
                .of_use()
                .remedy("a file with the password on its first line")
        })?;
        broker.with_password(text.lines().next().unwrap_or_default(), &shown)
    } else if let Ok(password) = std::env::var("FOREWARM_PASSWORD") {
        broker.with_password(&password, "FOREWARM_PASSWORD")
    } else {
        Ok(broker)
    }
}

/// Says what is wrong with a target, or that nothing is any more. The listening goes on either way.
fn tell_of(target: String) -> impl FnMut(Option<&Problem>) + Send + 'static {
    move |problem| match problem {
        Some(problem) => note(&styled(&Problem { severity: Severity::Warning, ..problem.clone() })),
        None => note(&format!("sending to {}", escaped(&target))),
    }
}

/// Writes what a file holds as CSV.
fn write_csv(keep: &Path, out: &Path, names: Option<&Path>, existing: Existing, form: Form) -> Result<(), Stop> {
    if form == Form::Json {
        return Err(usage("--json does not go with --export, which writes CSV", "one of the two"));
    }
    let inputs: Vec<&Path> = [Some(keep), names].into_iter().flatten().collect();
    let target = output::Target::claim(out, existing, &inputs)?;
    let log = Log::open(keep)?;
    let names = if let Some(file) = names {
        let installation = Installation::load(file)?;
        compare(&log, &installation, &keep.display().to_string(), &file.display().to_string())?;
        Names::of(&installation)
    } else {
        let settings = log.settings()?.ok_or_else(|| {
            Problem::error(&keep.display().to_string(), "does not know what its channels are")
                .remedy("--names with the controller's installation file")
        })?;
        Names::by_number(&settings)
    };
    let mut draft = target.draft()?;
    let shown = keep.display().to_string();
    if let Err(error) = io::copy(&mut log.into_csv(names), &mut draft) {
        return Err(Problem::error(&shown, format!("cannot be written as CSV: {error}")).into());
    }
    draft.finish()?;
    Ok(())
}

/// Refuses an installation file whose names belong to other things than the log's, and says so where only values differ.
pub(super) fn compare(log: &Log, installation: &Installation, shown: &str, file: &str) -> Result<(), Stop> {
    let others = log.others()?;
    if others > 0 {
        note(&format!("{}: holds {others} other controllers too; this is the one heard last", escaped(shown)));
    }
    match log.fit(installation)? {
        Fit::Same => {}
        Fit::Alike => note(&format!(
            "{}: the controller had other settings than {}; channels and sources correspond",
            escaped(shown),
            escaped(file)
        )),
        Fit::Unknown => {
            note(&format!("{}: does not know the controller's settings; channels go by their order", escaped(shown)));
        }
        Fit::Different => {
            let problem = Problem::error(shown, format!("its controller has other channels or sources than {file}"))
                .because("channels go by their order, so each would get the readings of another")
                .remedy("the installation file of this controller; `forewarm send --read` reads its settings");
            return Err(Stop::Failed(vec![problem]));
        }
    }
    Ok(())
}

/// Whoever looks: objects for a machine; lines for a person, with what is not the state of things on the standard error.
struct Viewer {
    form: Form,
    readings: bool,
    has_header: bool,
    file: String,
    out: Out,
}

impl Show for Viewer {
    fn show(&mut self, said: &Said<'_>) -> ControlFlow<()> {
        match self.form {
            Form::Json => self.out.put(|out| {
                for object in json::objects(said) {
                    serde_json::to_writer(&mut *out, &object)?;
                    writeln!(out)?;
                }
                Ok(())
            }),
            Form::Text => self.tell(said),
        }
    }
}

impl Viewer {
    fn tell(&mut self, said: &Said<'_>) -> ControlFlow<()> {
        match said {
            Said::Connected { utc_ms, identity, since } => {
                note(&introduction(*utc_ms, identity));
                if let Some((since, because)) = since {
                    note(&format!("  nothing is known since {}: {}", words::moment(*since), because.meaning()));
                } else {
                    note(&format!("  caution: {}", escaped(&identity.caution)));
                }
            }
            Said::Restarted { utc_ms, identity } => {
                let settings = in_force(identity);
                note(&format!("{}  the controller has started again, {settings}", words::moment(*utc_ms)));
            }
            Said::Telemetry { utc_ms, telemetry, settings, changed, .. } => {
                if !changed && !self.readings {
                    return ControlFlow::Continue(());
                }
                let is_first = !std::mem::replace(&mut self.has_header, true);
                let readings = self.readings;
                return self.out.put(|out| {
                    if is_first {
                        writeln!(out, "{}", words::header())?;
                    }
                    writeln!(out, "{}", words::line(*utc_ms, telemetry, *settings))?;
                    if readings {
                        writeln!(out, "{}", words::readings(telemetry, *settings))?;
                    }
                    Ok(())
                });
            }
            Said::Lost { utc_ms, because, detail } => {
                let (when, why) = (words::moment(*utc_ms), because.meaning());
                note(&format!("{when}  {why}: {}; waiting for it", escaped(detail)));
            }
            Said::NotKept { not_kept } => {
                let problem = Problem::error(&self.file, not_kept.message.clone()).remedy(not_kept.remedy);
                note(&styled(&Problem { severity: Severity::Warning, ..problem }));
            }
            Said::KeptAgain { rows } => {
                note(&format!("{}: takes rows again; {rows} were not kept meanwhile", escaped(&self.file)));
            }
            Said::Events { .. } | Said::Totals { .. } => {}
        }
        ControlFlow::Continue(())
    }
}

/// Who the controller is, on one line.
fn introduction(utc_ms: i64, identity: &Identity) -> String {
    let settings = in_force(identity);
    let (board, version) = (escaped(&identity.board), escaped(&identity.version));
    format!("{}  controller on board {board}, version {version}, {settings}", words::moment(utc_ms))
}

/// Its settings.
fn in_force(identity: &Identity) -> String {
    match identity.settings {
        Ok(fingerprint) => format!("settings {fingerprint}"),
        Err(unfit) => format!("no settings in force: {unfit}; everything stays off"),
    }
}

/// The standard output.
struct Out {
    /// Somebody reads the file, if nobody reads this.
    keeps: bool,
    has_told: bool,
    failed: Option<Stop>,
}

impl Out {
    /// Prints. Breaks off if nobody reads it, or if it cannot be written and nothing is kept either.
    fn put(&mut self, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> ControlFlow<()> {
        match print(write) {
            Ok(()) => return ControlFlow::Continue(()),
            Err(Stop::Unusable(problem)) if self.keeps => {
                if !std::mem::replace(&mut self.has_told, true) {
                    note(&styled(&Problem { severity: Severity::Warning, ..problem }));
                }
                return ControlFlow::Continue(());
            }
            Err(stop) => self.failed = Some(stop),
        }
        ControlFlow::Break(())
    }
}

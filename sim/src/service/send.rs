//! Sends other settings to a controller, and looks whether it runs with them.
//!
//! ```text
//! who is it? ─▶ settings in force ─▶ what differs ─▶ (the user agrees) ─▶ write, while the button is held
//!                                                                          │
//!                      first good readings ◀─ read back ◀─ restart ◀───────┘
//! ```
//!
//! The controller takes settings only while somebody holds its button, and refuses them before it changes anything. So
//! asking again each second costs nothing, and whoever is alone can walk to the button.

use super::address::Address;
use super::differences::{Called, Difference, differences};
use super::heard::{Heard, Identity};
use super::link::{Link, PATIENCE, TRIES, Trouble, Verdict};
use super::port::{Port, Wire};
use super::reader::Reader;
use crate::diagnostic::Problem;
use crate::installation::Installation;
use forewarm_core::fault::SystemFaults;
use forewarm_core::settings::Settings;
use forewarm_core::signals::State;
use forewarm_core::wire::record::{self, Fingerprint, RecordError};
use forewarm_core::wire::service::{Origin, Refusal, Request, Telemetry, Unfit};
use std::time::{Duration, Instant};

/// How long an answer to an upload may take: two erasures of the slowest board, and what is written after them.
const UPLOAD_PATIENCE: Duration = Duration::from_secs(12);

/// How long to wait for a hand at the button.
const BUTTON_PATIENCE: Duration = Duration::from_mins(3);

/// Time between two attempts meanwhile.
const BETWEEN: Duration = Duration::from_secs(1);

/// How long a controller may take to start again.
const RESTART_PATIENCE: Duration = Duration::from_secs(30);

/// How long the first good readings may take: a run of them, one a second, with time to spare.
const READINGS_PATIENCE: Duration = Duration::from_mins(3);

/// What a controller has in force.
#[derive(Clone, Debug)]
pub struct InForce {
    /// Where it comes from.
    pub origin: Origin,
    /// The record as it is.
    pub record: Vec<u8>,
    /// Its fingerprint.
    pub fingerprint: Fingerprint,
    /// Its settings, or why there are none in it.
    pub settings: Result<Settings, RecordError>,
}

/// A controller at the other end of a line.
#[derive(Debug)]
pub struct Talk<W> {
    link: Link<W>,
    line: String,
    /// Who it is.
    pub identity: Identity,
}

/// What the user sees of a long wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The button is not held yet.
    AwaitsButton,
    /// The settings are kept, and the controller restarts.
    Restarts,
    /// It runs with them and has no good readings yet.
    AwaitsReadings,
}

impl Talk<Port> {
    /// Opens the line at `address` and asks who is there.
    ///
    /// # Errors
    /// A line that cannot be opened, or without a controller.
    pub fn open(address: &Address) -> Result<Self, Problem> {
        let port = Port::open(address)?;
        Self::with(port, address.to_string())
    }
}

impl<W: Wire> Talk<W> {
    /// Asks who is at the other end of `wire`, which messages call `line`.
    ///
    /// # Errors
    /// A line without a controller.
    pub fn with(wire: W, line: String) -> Result<Self, Problem> {
        let mut link = Link::new(wire, Reader::default());
        match link.identify() {
            Ok(identity) => Ok(Self { link, line, identity }),
            Err(Trouble::Unanswered) => {
                let seems = link.why_unanswered();
                let message = format!("no controller answers: {}", seems.words());
                Err(Problem::error(&line, message).remedy(seems.remedy()))
            }
            Err(Trouble::Vanished(error)) => Err(vanished(&line, &error)),
        }
    }

    /// Reads what the controller has in force. Nothing if its storage cannot be read.
    ///
    /// # Errors
    /// A line that falls silent or vanishes.
    pub fn read(&mut self) -> Result<Option<InForce>, Problem> {
        let read = self.link.ask(&Request::ReadSettings, PATIENCE, TRIES, |message| match message {
            Heard::Settings { origin, record } => Verdict::Answer(Some((origin, record))),
            Heard::Refused(_) => Verdict::Answer(None),
            other => Verdict::Aside(other),
        });
        let read = read.map_err(|trouble| self.trouble(&trouble))?;
        Ok(read.map(|(origin, record)| InForce {
            origin,
            fingerprint: record::fingerprint(&record),
            settings: record::decode(&record),
            record,
        }))
    }

    /// The faults that are latched now. Holding the button resets those whose causes are gone.
    ///
    /// # Errors
    /// A line that falls silent or vanishes.
    pub fn latched(&mut self) -> Result<SystemFaults, Problem> {
        // The next step tells, and not only the tenth.
        let latched = self.link.ask(&Request::SendTelemetry { every: 1 }, PATIENCE, TRIES, |message| match message {
            Heard::Telemetry(telemetry) => Verdict::Answer(telemetry.outputs.faults.system.and(SystemFaults::LATCHED)),
            Heard::Done => Verdict::Part,
            other => Verdict::Aside(other),
        });
        let latched = latched.map_err(|trouble| self.trouble(&trouble))?;
        self.link.say(&Request::SendTelemetry { every: 10 }).map_err(|error| vanished(&self.line, &error))?;
        Ok(latched)
    }

    /// Writes `record` in place of the one with the fingerprint `replaces`, and waits until the controller runs with it. Shows
    /// each [`Stage`] once.
    ///
    /// # Errors
    /// A refusal, a button that nobody holds, a controller that does not come back, or one that has something else in
    /// force afterwards.
    pub fn write(&mut self, replaces: Fingerprint, record: &[u8], stage: &mut dyn FnMut(Stage)) -> Result<(), Problem> {
        let fingerprint = record::fingerprint(record);
        self.upload(replaces, record, fingerprint, stage)?;
        stage(Stage::Restarts);
        self.restarted(fingerprint)?;
        let kept = self.read()?;
        if kept.is_none_or(|kept| kept.record != record) {
            let message = "the controller runs, and what it reads back is not what was sent";
            return Err(
                Problem::error(&self.line, message).remedy("send it again; if that does not help, another board")
            );
        }
        Ok(())
    }

    fn upload(
        &mut self,
        replaces: Fingerprint,
        record: &[u8],
        fingerprint: Fingerprint,
        stage: &mut dyn FnMut(Stage),
    ) -> Result<(), Problem> {
        let mut replaces = replaces;
        // A board without settings in force does not say beforehand what it has.
        let mut may_learn = self.identity.settings.is_err();
        let began = Instant::now();
        let mut has_asked = false;
        loop {
            let request = Request::WriteSettings { replaces, record };
            // Once only: the answer to an upload may be lost while it is kept, and it would then be asked for in vain.
            let answer = self.link.ask(&request, UPLOAD_PATIENCE, 1, |message| match message {
                Heard::Accepted { fingerprint } => Verdict::Answer(Ok(fingerprint)),
                Heard::Refused(refusal) => Verdict::Answer(Err(refusal)),
                // It can only have restarted because of the upload, or by itself; which of the two shows below.
                other => Verdict::Aside(other),
            });
            match answer {
                Ok(Ok(kept)) if kept == fingerprint => return Ok(()),
                Ok(Ok(kept)) => {
                    let message = format!("the controller has kept other settings than were sent: {kept}");
                    return Err(Problem::error(&self.line, message).remedy("send it again over a shorter cable"));
                }
                Ok(Err(Refusal::ButtonNotHeld)) if began.elapsed() < BUTTON_PATIENCE => {
                    if !std::mem::replace(&mut has_asked, true) {
                        stage(Stage::AwaitsButton);
                    }
                    std::thread::sleep(BETWEEN);
                }
                Ok(Err(Refusal::NotTheOnesInForce { fingerprint })) if may_learn => {
                    may_learn = false;
                    replaces = fingerprint;
                }
                Ok(Err(refusal)) => return Err(refused(&self.line, refusal)),
                Err(Trouble::Vanished(error)) => return Err(vanished(&self.line, &error)),
                Err(Trouble::Unanswered) => {
                    // The answer was lost, or the request was: what is in force now tells.
                    let now = self.link.identify().map_err(|trouble| self.trouble(&trouble))?;
                    if now.settings == Ok(fingerprint) {
                        return Ok(());
                    }
                    if began.elapsed() >= BUTTON_PATIENCE {
                        let message = "the controller does not answer the upload, and has its old settings";
                        return Err(Problem::error(&self.line, message).remedy("a shorter cable, then send it again"));
                    }
                }
            }
        }
    }

    /// Waits until the controller has started with these settings.
    fn restarted(&mut self, fingerprint: Fingerprint) -> Result<(), Problem> {
        let began = Instant::now();
        // By itself first, because a question may be lost while it starts.
        while began.elapsed() < RESTART_PATIENCE {
            let heard = self.link.hear().map_err(|error| vanished(&self.line, &error))?;
            if let Some(Heard::Identity(identity)) = heard
                && identity.settings == Ok(fingerprint)
            {
                self.identity = identity;
                return Ok(());
            }
        }
        let identity = self.link.identify().map_err(|trouble| self.trouble(&trouble))?;
        if identity.settings == Ok(fingerprint) {
            self.identity = identity;
            return Ok(());
        }
        let now = match identity.settings {
            Ok(other) => format!("settings {other}"),
            Err(unfit) => format!("none: {unfit}"),
        };
        Err(Problem::error(&self.line, format!("the controller has accepted the settings, and has in force {now}"))
            .remedy("send it again; if that does not help, another board"))
    }

    /// Waits for the first good readings and returns what there is then.
    ///
    /// # Errors
    /// A controller that says nothing, or whose readings do not become good: with what it says instead.
    pub fn first_readings(&mut self, stage: &mut dyn FnMut(Stage)) -> Result<Telemetry, Problem> {
        stage(Stage::AwaitsReadings);
        let began = Instant::now();
        let mut latest = None;
        while began.elapsed() < READINGS_PATIENCE {
            let heard = self.link.hear().map_err(|error| vanished(&self.line, &error))?;
            let Some(Heard::Telemetry(telemetry)) = heard else { continue };
            if telemetry.outputs.state != State::Starting {
                return Ok(*telemetry);
            }
            latest = Some(*telemetry);
        }
        // Better than nothing: the caller shows what stands in the way.
        latest.ok_or_else(|| self.trouble(&Trouble::Unanswered))
    }

    fn trouble(&self, trouble: &Trouble) -> Problem {
        match trouble {
            Trouble::Vanished(error) => vanished(&self.line, error),
            Trouble::Unanswered => Problem::error(&self.line, "the controller has fallen silent")
                .remedy("its power and the cable; then look with `forewarm listen` what it has in force"),
        }
    }
}

fn vanished(line: &str, error: &std::io::Error) -> Problem {
    Problem::error(line, format!("the line has vanished: {error}"))
        .remedy("plug it in again; then look with `forewarm listen` what the controller has in force")
}

/// What `installation` would change, as far as what is in force can be read.
#[must_use]
pub fn changes(in_force: Option<&InForce>, installation: &Installation) -> Vec<Difference> {
    let Some(Ok(old)) = in_force.map(|in_force| &in_force.settings) else { return Vec::new() };
    let called = Called { channels: &installation.channels, sources: &installation.sources };
    differences(old, &installation.settings, called)
}

/// The fingerprint that an upload must name.
#[must_use]
pub fn replaced(in_force: Option<&InForce>, identity: &Identity) -> Fingerprint {
    identity.settings.ok().or_else(|| in_force.map(|in_force| in_force.fingerprint)).unwrap_or(Fingerprint::NONE)
}

/// Why the controller has refused, and what to do.
#[must_use]
pub fn refused(line: &str, refusal: Refusal) -> Problem {
    Problem::error(line, format!("the controller refuses the settings: {refusal}"))
        .because("nothing has changed on it")
        .remedy(remedy(refusal))
}

/// What to do about a refusal.
#[must_use]
pub const fn remedy(refusal: Refusal) -> &'static str {
    match refusal {
        Refusal::Unfit(Unfit::Unreadable) => {
            "switch its supply off and on; if it says so again, its storage is worn: another board"
        }
        Refusal::Unfit(Unfit::Record(RecordError::Damaged)) => "send it again, over a shorter cable",
        Refusal::Unfit(Unfit::Record(RecordError::OtherVersion(_) | RecordError::Malformed) | Unfit::Settings) => {
            "a program and a firmware of the same release"
        }
        Refusal::Unfit(Unfit::Misfit(_)) => "put it right in the file, or take a board that has what the file needs",
        Refusal::Unfit(Unfit::Missing) => "send it again",
        Refusal::NotTheOnesInForce { .. } => {
            "send it again and look at the differences: somebody has written other settings meanwhile"
        }
        Refusal::NotKept => "send it again; if it says so again, its storage is worn: another board",
        Refusal::ButtonNotHeld => {
            "release the button, then hold it down until this program says that the settings are kept. A button that is down from the \
             start or for longer than a minute counts as stuck"
        }
        Refusal::TooMany => "let the controller run for an hour without a restart, then send it again",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use forewarm_core::wire::service::Misfit;

    #[test]
    fn each_refusal_has_a_remedy_that_a_fitter_can_do() {
        let record = |error| Refusal::Unfit(Unfit::Record(error));
        for refusal in [
            Refusal::Unfit(Unfit::Unreadable),
            record(RecordError::Damaged),
            record(RecordError::OtherVersion(9)),
            record(RecordError::Malformed),
            Refusal::Unfit(Unfit::Settings),
            Refusal::Unfit(Unfit::Misfit(Misfit::Channels { most: 4 })),
            Refusal::Unfit(Unfit::Missing),
            Refusal::NotTheOnesInForce { fingerprint: Fingerprint::NONE },
            Refusal::NotKept,
            Refusal::ButtonNotHeld,
            Refusal::TooMany,
        ] {
            let text = refused("here", refusal).to_string();
            assert!(text.contains(&refusal.to_string()) && text.contains("\n  try: "), "{text}");
            assert!(text.contains("nothing has changed"), "{text}");
        }
    }
}

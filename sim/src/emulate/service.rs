//! The service line of the emulated board, which takes the settings.

use super::line::{Line, Trouble};
use super::patience::Patience;
use super::rig::{End, Rig};
use super::sense::moment;
use forewarm_core::quantity::Instant;
use forewarm_core::settings::ValidSettings;
use forewarm_core::signals::{Button, Inputs};
use forewarm_core::wire::frame;
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Identity, Message, Refusal, Request};
use std::ops::ControlFlow;
use std::os::unix::net::UnixStream;
use std::time::Duration;

/// How long to listen to one line before the other.
const TURN: Duration = Duration::from_millis(2);

/// The service line. While it is in use the board may need its storage, so the link is served too.
#[derive(Debug)]
pub struct Service {
    line: Line,
    patience: Patience,
}

/// What the board reports about itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Board {
    /// Version of its program.
    pub version: String,
    /// The fingerprint of the settings in force. `None` if no valid settings are stored.
    pub settings: Option<Fingerprint>,
}

impl From<&Identity<'_>> for Board {
    fn from(identity: &Identity<'_>) -> Self {
        Self { version: identity.version.to_owned(), settings: identity.settings.ok() }
    }
}

impl Service {
    /// The service line over `stream`. Each answer may take as long as `patience`.
    ///
    /// # Errors
    /// [`Trouble::Line`].
    pub fn new(stream: UnixStream, patience: Patience) -> Result<Self, Trouble> {
        Ok(Self { line: Line::drained(stream)?, patience })
    }

    /// The line, to send something other than a request.
    pub const fn line(&mut self) -> &mut Line {
        &mut self.line
    }

    /// Waits for the board's report about itself at a start.
    ///
    /// # Errors
    /// Each [`Trouble`] but [`Trouble::Refused`]; a restart or loss of power meanwhile is [`Trouble::Unexpected`].
    pub fn presented(&mut self, rig: &mut Rig) -> Result<Board, Trouble> {
        self.await_message(rig, "the board to say what it is", |message| match message {
            Message::Identity(identity) => ControlFlow::Break(Board::from(identity)),
            _ => ControlFlow::Continue(()),
        })
        .map(|(board, _)| board)
    }

    /// Asks, and hands all messages from then on to `judge`, until it breaks with a result.
    ///
    /// # Errors
    /// As [`Service::presented`].
    pub fn ask<T>(
        &mut self,
        rig: &mut Rig,
        request: &Request<'_>,
        judge: impl FnMut(&Message<'_>) -> ControlFlow<T>,
    ) -> Result<T, Trouble> {
        const AWAITED: &str = "an answer over the service line";
        self.line.say(request)?;
        match self.await_message(rig, AWAITED, judge)? {
            (found, false) => Ok(found),
            (_, true) => Err(Trouble::Unexpected { said: "that it has restarted".to_owned(), awaited: AWAITED }),
        }
    }

    /// Puts `settings` in force, and switches telemetry off. Returns the board's report about itself, and whether it
    /// had other settings before. The board must have just started. If its settings are replaced, it restarts.
    ///
    /// # Errors
    /// As [`Service::presented`]. Also if the board refuses the settings, or has others in force afterwards.
    pub fn install(&mut self, rig: &mut Rig, settings: &ValidSettings) -> Result<(Board, bool), Trouble> {
        let mut room = [0; record::MAX_BYTES];
        let record = record::encode(settings, &mut room)
            .map_err(|_| Trouble::Line(std::io::Error::other("the settings are longer than any record")))?;
        let fingerprint = record::fingerprint(record);
        let mut board = self.presented(rig)?;
        let replaced = board.settings != Some(fingerprint);
        if replaced {
            hold_button(rig)?;
            self.write(rig, board.settings.unwrap_or(Fingerprint::NONE), record, fingerprint)?;
            board = self.presented(rig)?;
            if board.settings != Some(fingerprint) {
                let settings = board.settings.unwrap_or(Fingerprint::NONE);
                let said = format!("that settings {settings} are in force");
                return Err(Trouble::Unexpected { said, awaited: "the settings that were written" });
            }
        }
        self.ask(rig, &Request::SendTelemetry { every: 0 }, |message| match message {
            Message::Done => ControlFlow::Break(()),
            _ => ControlFlow::Continue(()),
        })?;
        Ok((board, replaced))
    }

    /// Writes a record in place of the one with the fingerprint `replaces`, and waits for the restart.
    fn write(
        &mut self,
        rig: &mut Rig,
        replaces: Fingerprint,
        record: &[u8],
        fingerprint: Fingerprint,
    ) -> Result<(), Trouble> {
        const AWAITED: &str = "the board to accept the settings";
        let judge = |message: &Message<'_>| match *message {
            Message::Accepted { fingerprint } => ControlFlow::Break(Ok(fingerprint)),
            Message::Refused(refusal) => ControlFlow::Break(Err(refusal)),
            _ => ControlFlow::Continue(()),
        };
        let mut replaces = replaces;
        let mut tries = 2;
        let restarted = loop {
            self.line.say(&Request::WriteSettings { replaces, record })?;
            let (answer, restarted) = self.await_message(rig, AWAITED, judge)?;
            tries -= 1;
            match answer {
                Ok(kept) if kept == fingerprint => break restarted,
                // A board without valid settings does not report beforehand which it has.
                Err(Refusal::NotTheOnesInForce { fingerprint }) if tries > 0 => replaces = fingerprint,
                Ok(other) => {
                    let said = format!("that it has kept settings {other}");
                    return Err(Trouble::Unexpected { said, awaited: AWAITED });
                }
                Err(refusal) => {
                    return Err(Trouble::Unexpected { said: format!("\"{refusal}\""), awaited: AWAITED });
                }
            }
        };
        if restarted { Ok(()) } else { self.restarted(rig) }
    }

    /// Waits until the board has restarted.
    fn restarted(&mut self, rig: &mut Rig) -> Result<(), Trouble> {
        const AWAITED: &str = "the board to restart with its new settings";
        let mut wait = self.patience.begin();
        while !wait.is_over() {
            match rig.serve(TURN)? {
                End::Done => {}
                End::Restarted { .. } => return Ok(()),
                End::PowerCut { .. } => return Err(power_cut(AWAITED)),
            }
        }
        Err(Trouble::Silent { awaited: AWAITED, patience: self.patience.limit() })
    }

    /// Serves both lines until `judge` breaks. Also returns whether the board has restarted meanwhile.
    fn await_message<T>(
        &mut self,
        rig: &mut Rig,
        awaited: &'static str,
        mut judge: impl FnMut(&Message<'_>) -> ControlFlow<T>,
    ) -> Result<(T, bool), Trouble> {
        let mut wait = self.patience.begin();
        let mut restarted = false;
        loop {
            while let Some(bytes) = self.line.hear(Patience::by_the_clock(TURN), awaited)? {
                let message = frame::decode::<Message<'_>>(bytes).map_err(Trouble::Frame)?;
                if let ControlFlow::Break(found) = judge(&message) {
                    return Ok((found, restarted));
                }
            }
            match rig.serve(TURN)? {
                End::Done => {}
                End::Restarted { .. } => restarted = true,
                End::PowerCut { .. } => return Err(power_cut(awaited)),
            }
            if wait.is_over() {
                return Err(Trouble::Silent { awaited, patience: self.patience.limit() });
            }
        }
    }
}

/// Holds the board's reset button from now on, until the board restarts. All other signals stay dead, as at the start.
///
/// # Errors
/// As [`Rig::play`]; a restart or loss of power meanwhile is [`Trouble::Unexpected`].
pub fn hold_button(rig: &mut Rig) -> Result<(), Trouble> {
    const AWAITED: &str = "the board to see its button held";
    let moments: Vec<_> = (1..=5)
        .map(|second| {
            let button = if second == 1 { Button::Released } else { Button::Pressed };
            moment(Instant::from_millis(1000 * second), &Inputs { button, ..Inputs::DEAD }, 1)
        })
        .collect();
    match rig.play(&moments, |_, _, _| ())? {
        End::Done => Ok(()),
        End::Restarted { .. } => {
            Err(Trouble::Unexpected { said: "that it has restarted".to_owned(), awaited: AWAITED })
        }
        End::PowerCut { .. } => Err(power_cut(AWAITED)),
    }
}

fn power_cut(awaited: &'static str) -> Trouble {
    Trouble::Unexpected { said: "nothing: its power was cut".to_owned(), awaited }
}

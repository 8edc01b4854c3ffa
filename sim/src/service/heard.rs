//! Messages that outlive the frame they came in.

use forewarm_core::journal::Counters;
use forewarm_core::wire::record::Fingerprint;
use forewarm_core::wire::service::{self, Kept, Message, Origin, Refusal, Telemetry, Unfit};

/// A [`Message`] with texts and records of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// Who the controller is.
    Identity(Identity),
    /// The settings in force.
    Settings {
        /// Where they come from.
        origin: Origin,
        /// The record.
        record: Vec<u8>,
    },
    /// New settings are kept; the controller restarts with them.
    Accepted {
        /// Their fingerprint.
        fingerprint: Fingerprint,
    },
    /// The request was not obeyed.
    Refused(Refusal),
    /// One event that was kept.
    Event(Kept),
    /// The totals.
    Totals(Counters),
    /// The state of things.
    Telemetry(Box<Telemetry>),
    /// That was all.
    Done,
}

/// Who the controller is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Version of the program.
    pub version: String,
    /// The board it is built for.
    pub board: String,
    /// The fingerprint of the settings in force, or why there are none.
    pub settings: Result<Fingerprint, Unfit>,
    /// What whoever connects must know.
    pub caution: String,
}

impl From<&service::Identity<'_>> for Identity {
    fn from(identity: &service::Identity<'_>) -> Self {
        let service::Identity { version, board, settings, caution } = *identity;
        Self { version: version.to_owned(), board: board.to_owned(), settings, caution: caution.to_owned() }
    }
}

impl From<Message<'_>> for Heard {
    fn from(message: Message<'_>) -> Self {
        match message {
            Message::Identity(identity) => Self::Identity((&identity).into()),
            Message::Settings { origin, record } => Self::Settings { origin, record: record.to_owned() },
            Message::Accepted { fingerprint } => Self::Accepted { fingerprint },
            Message::Refused(refusal) => Self::Refused(refusal),
            Message::Event(event) => Self::Event(event),
            Message::Totals(counters) => Self::Totals(counters),
            Message::Telemetry(telemetry) => Self::Telemetry(Box::new(telemetry)),
            Message::Done => Self::Done,
        }
    }
}

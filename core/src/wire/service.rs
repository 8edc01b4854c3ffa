//! The words of the service line: what a fitter's computer asks, and what the controller says.
//!
//! The controller answers each request that arrives whole with one or more messages. Telemetry comes unasked. A request
//! that arrives twice does no more than one that arrives once.

use crate::journal::{Counters, Event};
use crate::quantity::{Celsius, Fraction, Instant, Millivolts};
use crate::settings::MAX_CHANNELS;
use crate::signals::{Line, Outputs, Sources};
use crate::wire::record::{self, Fingerprint, RecordError};
use core::fmt;
use serde::{Deserialize, Serialize};

/// Bytes of the longest message either way: settings, and a few around them.
pub const MAX_MESSAGE: usize = record::MAX_BYTES + 24;

/// What the controller is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Request<'a> {
    /// Who it is. Answered by [`Message::Identity`].
    Identify,
    /// The settings in force, or the stored ones that are not fit to be. Answered by [`Message::Settings`], or by
    /// [`Message::Refused`] if there is nothing to read.
    ReadSettings,
    /// To keep other settings and to restart with them, while the reset button is held at the controller. Both outputs go off before
    /// anything is written. Answered by [`Message::Accepted`] or [`Message::Refused`].
    WriteSettings {
        /// The [`fingerprint`](record::fingerprint) of the record to be replaced. An upload that is played again later
        /// finds another record and is refused, unless the old settings have been put back.
        replaces: Fingerprint,
        /// The new record.
        record: &'a [u8],
    },
    /// The events kept, oldest first, from this number on. Answered by an [`Message::Event`] each, then [`Message::Done`].
    ReadEvents {
        /// The first number of interest.
        from: u32,
    },
    /// The totals. Answered by [`Message::Totals`].
    ReadTotals,
    /// To send [`Message::Telemetry`] every so many steps, until the next restart; never for zero. Answered by
    /// [`Message::Done`].
    SendTelemetry {
        /// Steps from one to the next.
        every: u16,
    },
}

/// Where the settings in force come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Origin {
    /// They were built into the program.
    BuiltIn,
    /// They were written over the service line.
    Stored,
}

/// Why there are no settings in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Unfit {
    /// Storage cannot be read, so nobody knows whether it holds settings.
    Unreadable,
    /// There is a record, and it cannot be read.
    Record(RecordError),
    /// There is a record, and its settings do not validate. Reading the record shows where.
    Settings,
    /// Its settings are valid, and do not suit the board.
    Misfit(Misfit),
    /// None were built in, and none were written yet.
    Missing,
}

impl fmt::Display for Unfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unreadable => f.write_str("its storage cannot be read"),
            Self::Record(error) => error.fmt(f),
            Self::Settings => f.write_str("the settings do not pass the controller's own check"),
            Self::Misfit(misfit) => misfit.fmt(f),
            Self::Missing => f.write_str("it has no settings yet"),
        }
    }
}

/// What about settings does not suit a board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Misfit {
    /// They have more channels than the board.
    Channels {
        /// How many it has.
        most: u8,
    },
    /// The converter of this channel does not work with such a reference resistor.
    Reference {
        /// The channel, from 0.
        channel: u8,
        /// The least that works (Ω).
        least_ohm: u16,
        /// The most that works (Ω).
        most_ohm: u16,
    },
    /// This channel states what one lead measures. The board's converters take leads away by themselves, and show none.
    Lead {
        /// The channel, from 0.
        channel: u8,
    },
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Channels { most } => write!(f, "the board has {most} channels, and the settings have more"),
            Self::Reference { channel, least_ohm, most_ohm } => write!(
                f,
                "channel {channel} of the board works with a reference resistor of {least_ohm} to {most_ohm} Ω, and the settings have another"
            ),
            Self::Lead { channel } => write!(
                f,
                "channel {channel} of the board takes leads away by itself, and the settings state what one measures: leave out cable and \
                 lead resistances there, or enter four wires"
            ),
        }
    }
}

/// Why a request was not obeyed. Nothing has changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refusal {
    /// The settings.
    Unfit(Unfit),
    /// The settings in force are not the ones that were to be replaced.
    NotTheOnesInForce {
        /// The fingerprint of those in force.
        fingerprint: Fingerprint,
    },
    /// They could not be kept, or not be read back as they were written.
    NotKept,
    /// Nobody at the board wants them: the reset button is not held, is stuck, or has let one upload in already.
    ButtonNotHeld,
    /// Too many were written since the controller last ran for an hour. It takes no more until it has run for an hour
    /// again.
    TooMany,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unfit(unfit) => unfit.fmt(f),
            Self::NotTheOnesInForce { .. } => f.write_str("other settings are in force than those to be replaced"),
            Self::NotKept => f.write_str("the settings could not be kept; its storage may be worn"),
            Self::ButtonNotHeld => f.write_str(
                "the button at the controller is not held: release it, hold it, and send the settings after two seconds and \
                 within a minute",
            ),
            Self::TooMany => {
                f.write_str("too many settings were written in a short time; let the controller run for an hour first")
            }
        }
    }
}

/// What the controller says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Message<'a> {
    /// Who it is; also said at every start.
    Identity(#[serde(borrow)] Identity<'a>),
    /// The settings in force.
    Settings {
        /// Where they come from.
        origin: Origin,
        /// The record.
        record: &'a [u8],
    },
    /// New settings are kept and have been read back. The controller restarts with them.
    Accepted {
        /// Their fingerprint, from what was read back.
        fingerprint: Fingerprint,
    },
    /// The request was not obeyed.
    Refused(Refusal),
    /// One event that was kept.
    Event(Kept),
    /// The totals over the whole life of the controller, as far as they were kept.
    Totals(Counters),
    /// The state of things.
    Telemetry(Telemetry),
    /// That was all.
    Done,
}

/// Who the controller is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity<'a> {
    /// Version of the program.
    pub version: &'a str,
    /// The board it is built for.
    pub board: &'a str,
    /// The fingerprint of the settings in force, or why there are none.
    pub settings: Result<Fingerprint, Unfit>,
    /// What whoever connects must know.
    pub caution: &'a str,
}

/// An event, and where it belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// Counts the events kept; the oldest give way.
    pub number: u32,
    /// Counts the starts of the program: [`Event::at`] begins anew with each.
    pub start: u32,
    /// What happened.
    pub event: Event,
}

/// The state of things in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Telemetry {
    /// When.
    pub now: Instant,
    /// The reading of each channel; nothing for one that is not trusted.
    pub readings: [Option<Celsius>; MAX_CHANNELS],
    /// Voltage of the heater's supply.
    pub supply: Option<Millivolts>,
    /// Voltage of the bank.
    pub bank: Option<Millivolts>,
    /// State of charge of the bank.
    pub state_of_charge: Option<Fraction>,
    /// Sources that are present.
    pub sources: Sources,
    /// The protection's line for charging.
    pub charge_line: Line,
    /// The protection's line for discharging.
    pub discharge_line: Line,
    /// What the controller answers.
    pub outputs: Outputs,
    /// Frames since the start that brought no request.
    pub frames_dropped: u32,
    /// Events since the start that were not kept: too many came at once, or storage failed.
    pub events_dropped: u32,
}

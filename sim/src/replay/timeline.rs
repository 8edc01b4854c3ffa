//! The timeline: what the controller saw and did, as CSV. A replay can read it back.

use super::clock::Dial;
use super::record::{Moment, Shown};
use crate::diagnostic::Problem;
use crate::output::{Draft, Target};
use forewarm_core::quantity::Celsius;
use std::io::{self, Write};

/// Writes a line at every event and, in between, at regular intervals.
pub(super) struct Timeline {
    csv: csv::Writer<Draft>,
    dial: Dial,
    channels: Vec<String>,
    /// Milliseconds between lines without an event.
    every: i64,
    due: i64,
    /// One cell, used over and over.
    cell: Vec<u8>,
}

impl Timeline {
    /// Starts the file with its header.
    pub(super) fn start(target: Target, dial: Dial, channels: Vec<String>, every: i64) -> Result<Self, Box<Problem>> {
        let mut timeline =
            Self { csv: csv::Writer::from_writer(target.draft()?), dial, channels, every, due: 0, cell: Vec::new() };
        timeline.header().map_err(|error| timeline.failed(error))?;
        Ok(timeline)
    }

    #[inline]
    pub(super) fn step(&mut self, moment: &Moment<'_>, changed: bool) -> Result<(), Box<Problem>> {
        if !changed && moment.at < self.due {
            return Ok(());
        }
        self.due = moment.at - moment.at.rem_euclid(self.every) + self.every;
        self.line(moment).map_err(|error| Box::new(self.failed(error)))
    }

    /// Gives the file its name.
    pub(super) fn finish(self) -> Result<(), Box<Problem>> {
        match self.csv.into_inner() {
            Ok(draft) => Ok(draft.finish()?),
            Err(error) => {
                let io = io::Error::from(error.error().kind());
                Err(Box::new(error.into_inner().get_ref().failed(&io)))
            }
        }
    }

    fn header(&mut self) -> csv::Result<()> {
        if self.dial.has_dates() {
            self.csv.write_field("time")?;
        }
        for name in ["t_s", "state", "cause", "heater", "charge", "full", "ceiling_c_rate", "coldest_cell_c"] {
            self.csv.write_field(name)?;
        }
        for name in &self.channels {
            self.csv.write_field(format!("{name}_c"))?;
        }
        self.csv.write_field("faults")?;
        self.csv.write_record(None::<&[u8]>)
    }

    fn line(&mut self, moment: &Moment<'_>) -> csv::Result<()> {
        let outputs = moment.outputs;
        if let Some(date) = self.dial.rfc3339(moment.at) {
            self.csv.write_field(date)?;
        }
        self.cell(|cell| write!(cell, "{}.{:03}", moment.at / 1000, moment.at % 1000))?;
        self.csv.write_field(outputs.state.name())?;
        self.csv.write_field(outputs.cause.name())?;
        for on in [moment.heater(), moment.charge(), moment.full()] {
            self.csv.write_field(if on { "1" } else { "0" })?;
        }
        let ceiling = outputs.ceiling.as_per_mille();
        self.cell(|cell| write!(cell, "{}.{:03}", ceiling / 1000, ceiling % 1000))?;
        self.celsius(moment.unit.coldest_cell())?;
        for shown in moment.shown() {
            // The faults say which of them are doubtful.
            self.celsius(shown.map(|(Shown::Good(t) | Shown::Doubtful(t))| t))?;
        }
        let channels = std::mem::take(&mut self.channels);
        let faults = self.cell(|cell| {
            let named = channels.iter().zip(outputs.faults.channels);
            for (name, fault) in named.filter_map(|(name, fault)| Some((name, fault?))) {
                write!(cell, "{name}:{} ", fault.facts().name)?;
            }
            for fault in outputs.faults.system.iter() {
                write!(cell, "{} ", fault.facts().name)?;
            }
            cell.pop();
            Ok(())
        });
        self.channels = channels;
        faults?;
        self.csv.write_record(None::<&[u8]>)
    }

    fn celsius(&mut self, reading: Option<Celsius>) -> csv::Result<()> {
        self.cell(|cell| match reading {
            Some(t) => {
                let millis = t.as_millidegrees();
                let sign = if millis < 0 { "-" } else { "" };
                write!(cell, "{sign}{}.{:03}", millis.unsigned_abs() / 1000, millis.unsigned_abs() % 1000)
            }
            None => Ok(()),
        })
    }

    fn cell(&mut self, write: impl FnOnce(&mut Vec<u8>) -> io::Result<()>) -> csv::Result<()> {
        self.cell.clear();
        write(&mut self.cell)?;
        self.csv.write_field(&self.cell)
    }

    #[cold]
    fn failed(&self, error: csv::Error) -> Problem {
        let error = match error.into_kind() {
            csv::ErrorKind::Io(error) => error,
            other => io::Error::other(format!("{other:?}")),
        };
        self.csv.get_ref().failed(&error)
    }
}

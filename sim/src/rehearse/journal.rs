//! The timeline of a season as CSV, in the columns of a log: `forewarm replay` reads it back.

use super::scenario::Scenario;
use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::diagnostic::Problem;
use crate::offer::Offer;
use crate::output::{Draft, Target};
use crate::si;
use forewarm_core::signals::{Outputs, Relay};
use jiff::ToSpan;
use jiff::civil::DateTime;
use std::io;

/// Writes a line at every change of an output and, in between, at intervals.
#[derive(Debug)]
pub struct Journal {
    csv: csv::Writer<Draft>,
    start: DateTime,
    channels: usize,
    sources: usize,
    every_s: f64,
    due_s: f64,
    before: Option<Outputs>,
    /// The first line that could not be written.
    failed: Option<Problem>,
}

impl Journal {
    /// Starts the file with its header; `every_s` is the time between lines where nothing changes.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn start(target: Target, scenario: &Scenario, every_s: f64) -> Result<Self, Problem> {
        let mut csv = csv::Writer::from_writer(target.draft()?);
        let fixed = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
        let mut header = fixed(&["time", "state", "cause", "heater", "charge", "full"]);
        header.extend(scenario.channels.iter().map(|name| format!("{name}_c")));
        header.extend(fixed(&["supply_v", "bank_v", "soc_pct"]));
        header.extend(scenario.sources.iter().map(|name| format!("{name}_present")));
        let around = if scenario.site.room.is_some() { "true_room_c" } else { "true_outside_c" };
        header.extend(fixed(&["true_coldest_cell_c", "true_plate_c", around]));
        let written = csv.write_record(&header);
        let mut journal = Self {
            csv,
            start: scenario.weather.start,
            channels: scenario.channels.len(),
            sources: scenario.sources.len(),
            every_s,
            due_s: 0.0,
            before: None,
            failed: None,
        };
        journal.note(written);
        Ok(journal)
    }

    /// Gives the file its name.
    ///
    /// # Errors
    /// Where some line could not be written, or the file cannot be finished.
    pub fn finish(self) -> Result<(), Problem> {
        if let Some(problem) = self.failed {
            return Err(problem);
        }
        match self.csv.into_inner() {
            Ok(draft) => draft.finish(),
            Err(error) => {
                let io = io::Error::from(error.error().kind());
                Err(error.into_inner().get_ref().failed(&io))
            }
        }
    }

    fn note(&mut self, written: csv::Result<()>) {
        if let Err(error) = written
            && self.failed.is_none()
        {
            let error = match error.into_kind() {
                csv::ErrorKind::Io(error) => error,
                other => io::Error::other(format!("{other:?}")),
            };
            self.failed = Some(self.csv.get_ref().failed(&error));
        }
    }

    fn line(&mut self, glimpse: &Glimpse<'_>) -> csv::Result<()> {
        let Glimpse { at_s, outputs, readings, inputs, .. } = glimpse;
        let flag = |on: bool| if on { "1" } else { "0" };
        #[expect(clippy::cast_possible_truncation, reason = "milliseconds of a year")]
        let millis = (at_s * 1000.0).round() as i64;
        let time = self.start.checked_add(millis.milliseconds()).unwrap_or(self.start);
        self.csv.write_field(time.strftime("%Y-%m-%dT%H:%M:%S%.f").to_string())?;
        self.csv.write_field(outputs.state.name())?;
        self.csv.write_field(outputs.cause.name())?;
        self.csv.write_field(flag(outputs.heater == Relay::Closed))?;
        self.csv.write_field(flag(outputs.charge == Relay::Closed))?;
        self.csv.write_field(flag(outputs.full == Relay::Closed))?;
        for reading in &readings[..self.channels] {
            let shown = reading.map(|t| format!("{:.3}", si::written_c(t)));
            self.csv.write_field(shown.unwrap_or_default())?;
        }
        for volts in [inputs.supply, inputs.bank] {
            let shown = volts.map(|volts| format!("{:.3}", si::volts(volts)));
            self.csv.write_field(shown.unwrap_or_default())?;
        }
        let charge = inputs.state_of_charge.map(|charge| format!("{:.2}", f64::from(charge.as_steps()) / 655.36));
        self.csv.write_field(charge.unwrap_or_default())?;
        for source in 0..self.sources {
            self.csv.write_field(flag(inputs.sources.contains(source)))?;
        }
        for t_c in [glimpse.coldest_c, glimpse.plate_c, glimpse.outside_c] {
            self.csv.write_field(format!("{t_c:.3}"))?;
        }
        self.csv.write_record(None::<&[u8]>)
    }
}

impl Watcher for Journal {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        let key = |outputs: &Outputs| {
            (outputs.state, outputs.cause, outputs.heater, outputs.charge, outputs.full, outputs.faults)
        };
        let changed = self.before.is_none_or(|before| key(&before) != key(glimpse.outputs));
        if self.failed.is_some() || !changed && glimpse.at_s < self.due_s {
            return;
        }
        self.before = Some(*glimpse.outputs);
        self.due_s = (glimpse.at_s / self.every_s).floor() * self.every_s + self.every_s;
        let written = self.line(glimpse);
        self.note(written);
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

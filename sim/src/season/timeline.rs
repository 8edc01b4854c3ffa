//! The timeline of a season as CSV, in the columns of a log: what the controller saw and what it decided. A replay
//! reads it back, and decides the same.
//!
//! A replay draws a straight line between two lines of a log. That line must not cross a threshold that the controller
//! did not see crossed. So a channel shows **what the controller acted on**: the harmful end of its reading, which is
//! the low end for a cell and the high end for a plate. The controller makes a reading from the last three
//! measurements. One measurement alone can take permission away, and none alone can give it. So the three measurements
//! that changed a decision are written as they were measured. Held by
//! `a_timeline_replays_to_the_decisions_it_was_written_with`.
//!
//! The file has a line at every change of the controller's answer and at every sudden change of its inputs, each with
//! the step before it. It also has a line at least every so many seconds. `next_within_s` states that time, so no
//! longer pause is part of the season.

use super::{Channel, Channels, Clock, Moment, Shape, celsius};
use crate::diagnostic::Problem;
use crate::output::{Draft, Target};
use forewarm_core::quantity::{Celsius, Millivolts};
use forewarm_core::settings::{MAX_CHANNELS, Role, ValidSettings};
use forewarm_core::signals::{Button, Inputs, Line, Outputs, Relay};
use std::collections::VecDeque;
use std::io::{self, Write};

/// The column that states within how many seconds the next line comes.
pub(crate) const NEXT_WITHIN: &str = "next_within_s";

/// Measurements in a reading.
const OF_A_READING: usize = 3;

/// A change of a voltage by this much from one step to the next is sudden.
const SUDDEN: Millivolts = Millivolts::from_millivolts(100);

/// The values for a short circuit and for a broken lead (°C). No element shows them.
const SHORT: &str = "-999";
const OPEN: &str = "9999";

/// Writes the timeline of one season.
#[derive(Debug)]
pub struct Timeline {
    csv: csv::Writer<Draft>,
    clock: Clock,
    channels: Channels,
    sources: usize,
    /// Above this a cell counts as close to too hot, below it as close to too cold.
    warm: Celsius,
    /// Names of what only a rehearsal knows.
    truths: Vec<String>,
    step_ms: i64,
    /// Time between lines while nothing changes (ms), and when the next is due.
    every_ms: i64,
    due: i64,
    /// The latest steps, which may still have to be written.
    steps: VecDeque<Step>,
    /// One cell, used over and over.
    cell: Vec<u8>,
    failed: Option<Problem>,
}

/// What a line is made of.
#[derive(Clone, Debug)]
struct Step {
    at: i64,
    inputs: Inputs,
    outputs: Outputs,
    coldest: Option<Celsius>,
    ranges: [Option<(Celsius, Celsius)>; MAX_CHANNELS],
    truth: Option<[f64; 3]>,
    line: Kind,
}

/// What a line shows of a channel, if there is to be one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    None,
    ActedOn,
    Measured,
}

impl Timeline {
    /// Starts the file with its header. Steps are `step_ms` apart, and a line comes at least every `every_ms`. The
    /// `truths` name columns that only a rehearsal fills.
    ///
    /// # Errors
    /// Fails if the file cannot be written.
    pub fn start(
        target: Target,
        clock: Clock,
        (channels, sources): (Channels, &[String]),
        settings: &ValidSettings,
        (step_ms, every_ms): (u32, i64),
        truths: &[&str],
    ) -> Result<Self, Problem> {
        let heater = &settings.heater;
        let gap = heater.cutout_cell.above(heater.stop);
        let mut timeline = Self {
            csv: csv::Writer::from_writer(target.draft()?),
            clock,
            channels,
            sources: sources.len(),
            warm: heater.stop.raised(gap.half()),
            truths: truths.iter().map(|&name| name.to_owned()).collect(),
            step_ms: step_ms.into(),
            every_ms,
            due: 0,
            steps: VecDeque::with_capacity(OF_A_READING + 2),
            cell: Vec::new(),
            failed: None,
        };
        timeline.header(sources).map_err(|error| timeline.problem(error))?;
        Ok(timeline)
    }

    /// Takes the next step.
    ///
    /// # Errors
    /// Fails if a line cannot be written.
    #[inline]
    pub fn step(&mut self, moment: &Moment<'_>) -> Result<(), Problem> {
        if self.failed.is_some() {
            return Ok(());
        }
        let Moment { at, unit, inputs, outputs } = *moment;
        let before = self.steps.back();
        let is_new = before.is_none_or(|before| answer(&before.outputs) != answer(outputs));
        let is_sudden = before.is_some_and(|before| self.is_sudden(&before.inputs, inputs));
        let line = match () {
            () if is_new => Kind::Measured,
            () if is_sudden || at >= self.due => Kind::ActedOn,
            () => Kind::None,
        };
        if line != Kind::None {
            self.due = at - at.rem_euclid(self.every_ms) + self.every_ms;
        }
        let (coldest, ranges) = (unit.coldest_cell(), unit.ranges());
        self.steps.push_back(Step { at, inputs: *inputs, outputs: *outputs, coldest, ranges, truth: None, line });
        if is_new {
            self.measured();
        } else if is_sudden && let Some(before) = self.steps.iter_mut().nth_back(1) {
            before.line = before.line.max(Kind::ActedOn);
        }
        if self.steps.len() > OF_A_READING + 1
            && let Some(oldest) = self.steps.pop_front()
        {
            self.write(&oldest)?;
        }
        Ok(())
    }

    /// Marks the latest step, which changed the answer, and the steps that made its reading. They are written as they
    /// were measured.
    #[cold]
    fn measured(&mut self) {
        let mut at = None;
        for (rank, step) in self.steps.iter_mut().rev().take(OF_A_READING + 1).enumerate() {
            let follows = at.is_none_or(|next| next - step.at <= self.step_ms);
            at = Some(step.at);
            let kind = if follows && rank < OF_A_READING { Kind::Measured } else { Kind::ActedOn };
            step.line = step.line.max(kind);
            if !follows {
                break;
            }
        }
    }

    /// Adds what only a rehearsal knows of the step at `at` (ms): the coldest place, the plate, and the air around
    /// (°C).
    pub fn truth(&mut self, at: i64, truth: [f64; 3]) {
        if let Some(step) = self.steps.back_mut().filter(|step| step.at == at) {
            step.truth = Some(truth);
        }
    }

    /// Whether a straight line from `before` to `now` differs from what the controller saw.
    #[inline]
    fn is_sudden(&self, before: &Inputs, now: &Inputs) -> bool {
        let lines = |inputs: &Inputs| (inputs.sources, inputs.charge_line, inputs.discharge_line, inputs.button);
        let volts = |before: Option<Millivolts>, now: Option<Millivolts>| match (before, now) {
            (Some(a), Some(b)) => a.as_millivolts().abs_diff(b.as_millivolts()) >= SUDDEN.as_millivolts(),
            (None, None) => false,
            (Some(_), None) | (None, Some(_)) => true,
        };
        lines(before) != lines(now)
            || volts(before.supply, now.supply)
            || volts(before.bank, now.bank)
            || before.state_of_charge.is_some() != now.state_of_charge.is_some()
            || self.channels.0.iter().any(|channel| channel.shape(before) != channel.shape(now))
    }

    /// Gives the file its name.
    ///
    /// # Errors
    /// Fails if a line could not be written, or if the file cannot be finished.
    pub fn finish(mut self) -> Result<(), Problem> {
        while let Some(step) = self.steps.pop_front() {
            self.write(&step)?;
        }
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

    /// For callers that cannot stop at once: keeps the problem for the end.
    pub fn fail(&mut self, problem: Problem) {
        self.failed.get_or_insert(problem);
    }

    fn header(&mut self, sources: &[String]) -> csv::Result<()> {
        if self.clock.start.is_some() {
            self.csv.write_field("time")?;
        }
        for name in ["t_s", "state", "cause", "heater", "charge", "full", "ceiling_c_rate", "coldest_cell_c"] {
            self.csv.write_field(name)?;
        }
        for channel in &self.channels.0 {
            self.csv.write_field(format!("{}_c", channel.name))?;
        }
        for name in ["supply_v", "bank_v", "soc_pct"] {
            self.csv.write_field(name)?;
        }
        for name in sources {
            self.csv.write_field(format!("{name}_present"))?;
        }
        for name in ["charge_line", "discharge_line", "button", "faults"] {
            self.csv.write_field(name)?;
        }
        for name in &self.truths {
            self.csv.write_field(name)?;
        }
        self.csv.write_field(NEXT_WITHIN)?;
        self.csv.write_record(None::<&[u8]>)
    }

    #[inline]
    fn write(&mut self, step: &Step) -> Result<(), Problem> {
        if step.line == Kind::None {
            return Ok(());
        }
        self.line(step).map_err(|error| self.problem(error))
    }

    fn line(&mut self, step: &Step) -> csv::Result<()> {
        let Step { at, inputs, outputs, coldest, .. } = step;
        if let Some(date) = self.clock.written(*at) {
            self.csv.write_field(date)?;
        }
        self.cell(|cell| write!(cell, "{}.{:03}", at / 1000, at % 1000))?;
        self.csv.write_field(outputs.state.name())?;
        self.csv.write_field(outputs.cause.name())?;
        for relay in [outputs.heater, outputs.charge, outputs.full] {
            self.flag(relay == Relay::Closed)?;
        }
        self.thousandths(Some(outputs.ceiling.as_per_mille()))?;
        self.cell(|cell| match coldest {
            Some(t) => write!(cell, "{:.3}", celsius(*t) + 0.0),
            None => Ok(()),
        })?;
        for index in 0..self.channels.0.len() {
            let channel = &self.channels.0[index];
            let shown = self.shown(channel, step);
            self.csv.write_field(shown)?;
        }
        for volts in [inputs.supply, inputs.bank] {
            self.thousandths(volts.map(Millivolts::as_millivolts))?;
        }
        // A step of a charge is 0.0015 %.
        let charge = inputs.state_of_charge.map(|charge| f64::from(charge.as_steps()) / 655.36);
        self.cell(|cell| charge.map_or(Ok(()), |percent| write!(cell, "{percent:.4}")))?;
        for source in 0..self.sources {
            self.flag(inputs.sources.contains(source))?;
        }
        self.flag(inputs.charge_line == Line::Allowed)?;
        self.flag(inputs.discharge_line == Line::Allowed)?;
        self.flag(inputs.button == Button::Pressed)?;
        self.faults(outputs)?;
        for index in 0..self.truths.len() {
            let known = step.truth.map(|truth| truth[index]);
            self.cell(|cell| known.map_or(Ok(()), |t| write!(cell, "{t:.3}")))?;
        }
        let every_ms = self.every_ms;
        self.cell(|cell| write!(cell, "{}.{:03}", every_ms / 1000, every_ms % 1000))?;
        self.csv.write_record(None::<&[u8]>)
    }

    /// What a line shows of a channel. The cell is empty if no sample came: a replay then lets the reading age, as the
    /// controller did. A sample that is no temperature is shown as an impossible one, and a replay recognises it.
    fn shown(&self, channel: &Channel, step: &Step) -> String {
        let shape = channel.shape(&step.inputs);
        let reading = match (step.line, step.ranges[channel.index]) {
            _ if shape == Shape::Missing => return String::new(),
            (Kind::ActedOn, Some((low, _))) if channel.role == Role::Cell && low <= self.warm => Some(low),
            (Kind::ActedOn, Some((_, high))) => Some(high),
            (Kind::None | Kind::ActedOn | Kind::Measured, _) => channel.measured(&step.inputs),
        };
        match (reading, shape) {
            (Some(t), _) => exact(channel, t),
            (None, Shape::Below) => SHORT.to_owned(),
            (None, Shape::Missing | Shape::Plausible | Shape::Above) => OPEN.to_owned(),
        }
    }

    fn faults(&mut self, outputs: &Outputs) -> csv::Result<()> {
        let mut named: Vec<String> = Vec::new();
        for channel in &self.channels.0 {
            if let Some(fault) = outputs.faults.channels[channel.index] {
                named.push(format!("{}:{}", channel.name, fault.facts().name));
            }
        }
        named.extend(outputs.faults.system.iter().map(|fault| fault.facts().name.to_owned()));
        self.csv.write_field(named.join(" "))
    }

    fn flag(&mut self, on: bool) -> csv::Result<()> {
        self.csv.write_field(if on { "1" } else { "0" })
    }

    fn thousandths(&mut self, value: Option<u32>) -> csv::Result<()> {
        self.cell(|cell| value.map_or(Ok(()), |value| write!(cell, "{}.{:03}", value / 1000, value % 1000)))
    }

    fn cell(&mut self, write: impl FnOnce(&mut Vec<u8>) -> io::Result<()>) -> csv::Result<()> {
        self.cell.clear();
        write(&mut self.cell)?;
        self.csv.write_field(&self.cell)
    }

    #[cold]
    fn problem(&self, error: csv::Error) -> Problem {
        let error = match error.into_kind() {
            csv::ErrorKind::Io(error) => error,
            other => io::Error::other(format!("{other:?}")),
        };
        self.csv.get_ref().failed(&error)
    }
}

/// The part of an answer whose change needs a line. The ceiling follows the temperature all the time, and does not
/// count.
fn answer(outputs: &Outputs) -> impl PartialEq + use<> {
    let Outputs { state, cause, heater, charge, full, alarm, faults, .. } = *outputs;
    (state, cause, heater, charge, full, alarm, faults)
}

/// A temperature in the fewest decimals from which a replay finds the same, to the controller's last digit.
fn exact(channel: &Channel, t: Celsius) -> String {
    let value = celsius(t);
    let is_read_back = |text: &str| {
        let read =
            text.parse().ok().and_then(|value| channel.scale.shown(channel.scale.measured(channel.scale.ratio(value))));
        read == Some(t)
    };
    let plain = (3..=6).map(|decimals| format!("{:.decimals$}", value + 0.0));
    // The controller rounds in steps of 15 µK, so a neighbour of this decimal may be the one that reads back the same.
    let near = (1..=24).flat_map(|rank| [rank, -rank]).map(|micro| format!("{:.6}", value + 1e-6 * f64::from(micro)));
    plain.chain(near).find(|text| is_read_back(text)).unwrap_or_else(|| format!("{value:.6}"))
}

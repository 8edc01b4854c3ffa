//! Goes through a card step by step: with a person who types, and with the controller on the line where there is one.

use super::card::{Card, Expect, Reading, Step};
use super::record::{Found, Record, Verdict};
use super::rig::outputs_told;
use crate::diagnostic::Problem;
use crate::figures::fixed;
use crate::installation::first::line;
use crate::layout::wrapped;
use crate::si;
use forewarm_core::signals::{Outputs, Relay};
use forewarm_core::wire::service::Telemetry;
use std::collections::BTreeSet;
use std::io::{self, BufRead, Write};

/// A controller that says what it reads and does.
pub trait Controller {
    /// Seconds since some moment.
    fn clock_s(&self) -> f64;

    /// Forgets what it has said until now: while a person works, its words wait on the line.
    ///
    /// # Errors
    /// As [`Controller::next`].
    fn forget(&mut self) -> Result<(), Problem>;

    /// What it says next; nothing if it is silent for a moment, as one that is switched off.
    ///
    /// # Errors
    /// It is not the one whose card this is.
    fn next(&mut self) -> Result<Option<Telemetry>, Problem>;
}

/// How the walk ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Walked {
    /// Every step of the card has been gone through.
    All,
    /// The person has broken off, or the input has ended.
    BrokenOff,
}

/// Readings that make a mean.
const READINGS: usize = 60;
/// How long they may take to come (s).
const READINGS_S: f64 = 300.0;
/// A controller that has said nothing for so long is not there (s).
const SILENT_S: f64 = 30.0;
/// How long somebody may take to turn a resistor (s).
const TURNED_S: f64 = 7200.0;

/// What a person answers.
enum Answer {
    Text(String),
    Skip,
    End,
}

struct Walker<'w, 'c> {
    names: &'w [String],
    controller: Option<&'c mut dyn Controller>,
    input: &'w mut dyn BufRead,
    output: &'w mut dyn Write,
}

/// Goes through the steps of `card` that `record` does not have, and hands the record to `save` after each. `names` are those of the
/// channels.
///
/// # Errors
/// The terminal cannot be used; the record cannot be saved; the controller is another.
pub fn walk<'w, 'c>(
    (card, names): (&Card, &'w [String]),
    record: &mut Record,
    controller: Option<&'c mut dyn Controller>,
    (input, output): (&'w mut dyn BufRead, &'w mut dyn Write),
    save: &mut dyn FnMut(&Record) -> Result<(), Problem>,
) -> Result<Walked, Problem> {
    let mut walker = Walker { names, controller, input, output };
    let terminal = |error: io::Error| Problem::usage(format!("the terminal cannot be used: {error}"));
    for (part, number) in card.parts.iter().zip(1..) {
        let mut is_new = true;
        for (step, nth) in part.steps.iter().zip(1..) {
            let number = format!("{number}.{nth}");
            if record.has(&number) {
                continue;
            }
            if is_new {
                walker.told("", &part.title).map_err(terminal)?;
                for line in &part.lead {
                    walker.told("  ", line).map_err(terminal)?;
                }
                is_new = false;
            }
            let Some(found) = walker.step(&number, step, &terminal)? else { return Ok(Walked::BrokenOff) };
            walker.told("  ", &format!("{}: {}", found.verdict.word(), found.measured)).map_err(terminal)?;
            record.add(&number, step, found);
            save(record)?;
        }
    }
    Ok(Walked::All)
}

impl Walker<'_, '_> {
    fn told(&mut self, indent: &str, text: &str) -> io::Result<()> {
        if indent.is_empty() {
            writeln!(self.output)?;
        }
        wrapped(text, indent, indent).iter().try_for_each(|line| writeln!(self.output, "{line}"))
    }

    fn ask(&mut self, prompt: &str) -> io::Result<Answer> {
        write!(self.output, "  [{prompt}; s: not tried, q: break off] ")?;
        self.output.flush()?;
        Ok(match line(self.input)?.as_deref() {
            None | Some("q") => Answer::End,
            Some("s") => Answer::Skip,
            Some(text) => Answer::Text(text.to_owned()),
        })
    }

    /// What came of a step; nothing if the person breaks off.
    fn step(
        &mut self,
        number: &str,
        step: &Step,
        terminal: &dyn Fn(io::Error) -> Problem,
    ) -> Result<Option<Found>, Problem> {
        if let Expect::Impossible(why) = &step.expect {
            return Ok(Some(Found::told(why.clone(), Verdict::Skipped)));
        }
        self.told("", &format!("{number}  {}", step.how)).map_err(terminal)?;
        self.told("  > ", &step.expected()).map_err(terminal)?;
        let is_watched = self.controller.is_some()
            && matches!(step.expect, Expect::Reads { .. } | Expect::Turns { .. } | Expect::Outputs { .. });
        loop {
            let prompt = match &step.expect {
                Expect::Turns { .. } if is_watched => "Enter, and then turn",
                _ if is_watched => "Enter when that is done",
                Expect::Measured { unit, .. } => &format!("in {unit}"),
                Expect::Reads { .. } | Expect::Turns { .. } => "in °C",
                Expect::Outputs { .. } | Expect::Seen(_) | Expect::Impossible(_) => {
                    "y: so it is; else what is seen instead"
                }
            };
            let text = match self.ask(prompt).map_err(terminal)? {
                Answer::End => return Ok(None),
                Answer::Skip => return Ok(Some(Found::told("", Verdict::Skipped))),
                Answer::Text(text) => text,
            };
            if is_watched {
                return self.watch(step).map(Some);
            }
            let found = match &step.expect {
                Expect::Measured { .. } | Expect::Reads { .. } => text
                    .parse::<f64>()
                    .ok()
                    .filter(|value| value.is_finite())
                    .and_then(|value| step.judge(value, &text)),
                _ if text == "y" => Some(Found::told("so it is", Verdict::Pass)),
                _ if text.is_empty() => None,
                _ => Some(Found::told(text, Verdict::Fail)),
            };
            match found {
                Some(found) => return Ok(Some(found)),
                None => self
                    .told("  ", "that is no answer; a number has a point, not a comma, and no unit")
                    .map_err(terminal)?,
            }
        }
    }

    /// Watches the controller until it does what it must, or does not.
    fn watch(&mut self, step: &Step) -> Result<Found, Problem> {
        if let Some(controller) = &mut self.controller {
            controller.forget()?;
        }
        match &step.expect {
            Expect::Reads { channel, .. } => self.readings(step, channel),
            Expect::Turns { channel, heater, charge, .. } => self.turned(step, channel, (*heater, *charge)),
            Expect::Outputs { within_s, .. } => self.outputs(step, f64::from(*within_s), step.stays_s().map(f64::from)),
            Expect::Measured { .. } | Expect::Seen(_) | Expect::Impossible(_) => Ok(Found::told("", Verdict::Skipped)),
        }
    }

    fn readings(&mut self, step: &Step, channel: &str) -> Result<Found, Problem> {
        let index = self.names.iter().position(|name| name == channel);
        let mut readings_c = Vec::new();
        if let Some(controller) = &mut self.controller {
            let began_s = controller.clock_s();
            while readings_c.len() < READINGS && controller.clock_s() - began_s < READINGS_S {
                let telemetry = controller.next()?;
                readings_c.extend(telemetry.and_then(|telemetry| reading_c(&telemetry, index)));
            }
        }
        Ok(step
            .judge_readings(&readings_c)
            .unwrap_or_else(|| Found::told("the controller shows no reading", Verdict::Fail)))
    }

    /// The reading in the moment in which the outputs become these.
    fn turned(&mut self, step: &Step, channel: &str, (heater, charge): (bool, bool)) -> Result<Found, Problem> {
        let index = self.names.iter().position(|name| name == channel);
        let Some(controller) = &mut self.controller else { return Ok(Found::told("", Verdict::Skipped)) };
        let began_s = controller.clock_s();
        let mut has_been_otherwise = false;
        while controller.clock_s() - began_s < TURNED_S {
            let Some(telemetry) = controller.next()? else { continue };
            let outputs = &telemetry.outputs;
            let is_so = (outputs.heater == Relay::Closed, outputs.charge == Relay::Closed) == (heater, charge);
            if is_so && has_been_otherwise {
                let found =
                    reading_c(&telemetry, index).and_then(|reading_c| step.judge(reading_c, &fixed(reading_c, 3)));
                return Ok(found.unwrap_or_else(|| Found::told(shown(&telemetry), Verdict::Fail)));
            }
            has_been_otherwise |= !is_so;
        }
        Ok(Found::told("no output has changed so", Verdict::Fail))
    }

    fn outputs(&mut self, step: &Step, within_s: f64, stays_s: Option<f64>) -> Result<Found, Problem> {
        let Some(controller) = &mut self.controller else { return Ok(Found::told("", Verdict::Skipped)) };
        let began_s = controller.clock_s();
        let mut latest: Option<(f64, String)> = None;
        let mut since_s = None;
        loop {
            let said = controller.next()?;
            let passed_s = controller.clock_s() - began_s;
            if let Some(telemetry) = said {
                let shown = shown(&telemetry);
                if is_as_expected(step, &telemetry, self.names) {
                    let since_s = *since_s.get_or_insert(passed_s);
                    if stays_s.is_none_or(|stays_s| passed_s >= stays_s) {
                        return Ok(Found::told(format!("after {since_s:.0} s: {shown}"), Verdict::Pass));
                    }
                } else if since_s.take().is_some() && stays_s.is_some() {
                    // It was so, and is no longer.
                    return Ok(Found::told(format!("after {passed_s:.0} s: {shown}"), Verdict::Fail));
                }
                latest = Some((passed_s, shown));
            }
            let heard_s = latest.as_ref().map_or(0.0, |(heard_s, _)| *heard_s);
            if since_s.is_some() && passed_s - heard_s > SILENT_S {
                return Ok(Found::told(format!("after {heard_s:.0} s the controller fell silent"), Verdict::Fail));
            }
            if since_s.is_none() && passed_s > within_s {
                let shown = latest.map_or_else(|| "the controller says nothing".to_owned(), |(_, shown)| shown);
                return Ok(Found::told(format!("after {passed_s:.0} s: {shown}"), Verdict::Fail));
            }
        }
    }
}

fn reading_c(telemetry: &Telemetry, channel: Option<usize>) -> Option<f64> {
    telemetry.readings.get(channel?)?.map(si::celsius)
}

fn shown(telemetry: &Telemetry) -> String {
    let outputs = &telemetry.outputs;
    let faults: Vec<&str> = standing(outputs).into_iter().collect();
    let why = if faults.is_empty() { outputs.cause.name().to_owned() } else { faults.join(", ") };
    format!("{} ({}: {why})", outputs_told(outputs), outputs.state.name())
}

/// The names of the faults that stand.
fn standing(outputs: &Outputs) -> BTreeSet<&'static str> {
    let of_channels = outputs.faults.channels.iter().flatten().map(|fault| fault.facts().name);
    of_channels.chain(outputs.faults.system.iter().map(|fault| fault.facts().name)).collect()
}

/// Whether the controller does what it must.
fn is_as_expected(step: &Step, telemetry: &Telemetry, names: &[String]) -> bool {
    let Expect::Outputs { heater, charge, state, cause, faults, reads, .. } = &step.expect else { return false };
    let outputs = &telemetry.outputs;
    let reads_right = reads.as_ref().is_none_or(|Reading { channel, unit, low, high }| {
        // A check resistor is no thermometer, and a channel that is doubted shows nothing.
        let index = names.iter().position(|name| name == channel);
        *unit != "°C" || reading_c(telemetry, index).is_none_or(|reading_c| (*low..=*high).contains(&reading_c))
    });
    (outputs.heater == Relay::Closed, outputs.charge == Relay::Closed) == (*heater, *charge)
        && (outputs.state.name(), outputs.cause.name()) == (*state, *cause)
        && standing(outputs) == faults.iter().copied().collect()
        && reads_right
}

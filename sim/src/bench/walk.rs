//! Goes through a card step by step: with a person who types, and with the controller on the line where there is one.

use super::card::{Begins, Card, Expect, Reading, Standing, Step};
use super::record::{Found, Record, Verdict};
use super::rig::{outputs_told, standing};
use crate::diagnostic::Problem;
use crate::figures::{fixed, plain};
use crate::installation::first::line;
use crate::layout::wrapped;
use crate::si;
use forewarm_core::fault::SystemFault;
use forewarm_core::signals::Relay;
use forewarm_core::wire::service::Telemetry;
use std::io::{self, BufRead, Write};
use std::time::Instant;

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
/// How long somebody may take to provoke something (s).
const PROVOKED_S: f64 = 900.0;

/// What a person answers.
enum Answer {
    Text(String),
    Skip,
    End,
}

struct Walker<'w, 'c> {
    card: &'w Card,
    names: &'w [String],
    controller: Option<&'c mut dyn Controller>,
    switched: Switched,
    input: &'w mut dyn BufRead,
    output: &'w mut dyn Write,
}

/// What the controller remembers of what was done to it before.
#[derive(Clone, Copy, Debug)]
struct Switched {
    began: Instant,
    /// How often it was switched on without a rest since.
    times: u8,
    /// Whether it may have heated since then.
    heats: bool,
    /// When that was the last time (s).
    at_s: f64,
    /// Whether a fault stands that stays until the reset button is held.
    is_latched: bool,
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
    let switched =
        Switched { began: Instant::now(), times: 0, heats: false, at_s: f64::NEG_INFINITY, is_latched: false };
    let mut walker = Walker { card, names, controller, switched, input, output };
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
        for first in self.first(step) {
            self.told("  ! ", &first).map_err(terminal)?;
        }
        let is_watched = self.controller.is_some()
            && matches!(step.expect, Expect::Reads { .. } | Expect::Turns { .. } | Expect::Outputs { .. });
        loop {
            let prompt = match &step.expect {
                Expect::Turns { .. } if is_watched => "Enter, and then turn",
                Expect::Outputs { .. } if is_watched && step.begins == Begins::AtWork => "Enter, and then do that",
                _ if is_watched => "Enter when that is done",
                Expect::Measured { unit, .. } => &format!("in {unit}"),
                Expect::Reads { .. } | Expect::Turns { .. } => "in °C, with every decimal that is shown",
                Expect::Outputs { .. } | Expect::Seen(_) | Expect::Impossible(_) => {
                    "y: so it is; else what is seen instead"
                }
            };
            let text = match self.ask(prompt).map_err(terminal)? {
                Answer::End => return Ok(None),
                Answer::Skip => return Ok(Some(Found::told("", Verdict::Skipped))),
                Answer::Text(text) => text,
            };
            self.note(step);
            if is_watched {
                return self.watch(step).map(Some);
            }
            let found = match &step.expect {
                Expect::Measured { .. } | Expect::Reads { .. } | Expect::Turns { .. } => text
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

    fn clock_s(&self) -> f64 {
        self.controller
            .as_ref()
            .map_or_else(|| self.switched.began.elapsed().as_secs_f64(), |controller| controller.clock_s())
    }

    /// What to do before a step, because the controller remembers the steps before it.
    fn first(&mut self, step: &Step) -> Vec<String> {
        if !step.switches() {
            return Vec::new();
        }
        let (limit, rest_s) = self.card.rest;
        let rested_s = if self.switched.heats { 0.0 } else { self.clock_s() - self.switched.at_s };
        if rested_s >= rest_s {
            self.switched.times = 0;
        }
        let mut first = Vec::new();
        let is_latched = std::mem::take(&mut self.switched.is_latched);
        if self.switched.times + u8::from(is_latched) >= limit {
            first.push(format!(
                "First leave the controller on for {} min, every source off: it was switched on {} times without such a rest, and once more might be a \
                 restart_storm or a heater_overrun.",
                fixed(((rest_s - rested_s) / 60.0).ceil(), 0),
                self.switched.times
            ));
            self.switched.times = 0;
        }
        if is_latched {
            first.push(format!(
                "First end the alarm that stays: resistors of cool cells, the controller switched on, the reset button held for {} s.",
                plain(self.card.button_s)
            ));
            self.switched.times += 1;
        }
        first
    }

    /// Notes what a step has done to the controller.
    fn note(&mut self, step: &Step) {
        if step.switches() {
            self.switched.times = self.switched.times.saturating_add(1);
            self.switched.at_s = self.clock_s();
            self.switched.heats = false;
        }
        self.switched.heats |=
            step.begins == Begins::AtWork || matches!(step.expect, Expect::Outputs { heater: true, .. });
        self.switched.is_latched |= matches!(step.expect, Expect::Outputs { latched: true, .. });
    }

    /// Watches the controller until it does what it must, or does not.
    fn watch(&mut self, step: &Step) -> Result<Found, Problem> {
        if let Some(controller) = &mut self.controller {
            controller.forget()?;
        }
        match &step.expect {
            Expect::Reads { channel, .. } => self.readings(step, channel),
            Expect::Turns { channel, heater, charge, .. } => self.turned(step, channel, (*heater, *charge)),
            Expect::Outputs { within_s, .. } if step.begins == Begins::AtWork => {
                self.provoked(step, f64::from(*within_s))
            }
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
                return Ok(found.unwrap_or_else(|| Found::told(shown(&telemetry, self.names), Verdict::Fail)));
            }
            has_been_otherwise |= !is_so;
        }
        Ok(Found::told("no output has changed so", Verdict::Fail))
    }

    /// What follows when something is done to a controller at work. Nobody sees the moment in which a hand does it, so the time counts from the
    /// first thing that changes.
    fn provoked(&mut self, step: &Step, within_s: f64) -> Result<Found, Problem> {
        let Some(controller) = &mut self.controller else { return Ok(Found::told("", Verdict::Skipped)) };
        let began_s = controller.clock_s();
        let mut heard_s = 0.0;
        let (mut before, mut changed_s): (Option<String>, Option<f64>) = (None, None);
        loop {
            let said = controller.next()?;
            let passed_s = controller.clock_s() - began_s;
            if let Some(telemetry) = said {
                let shown = shown(&telemetry, self.names);
                let is_so = is_as_expected(step, &telemetry, self.names);
                heard_s = passed_s;
                match &before {
                    None if is_so => {
                        return Ok(Found::told(format!("before anything was done: {shown}"), Verdict::Fail));
                    }
                    None => before = Some(shown.clone()),
                    Some(before) if *before != shown => {
                        changed_s.get_or_insert(passed_s);
                    }
                    Some(_) => {}
                }
                let since_s = changed_s.map(|changed_s| passed_s - changed_s);
                if is_so {
                    return Ok(Found::told(format!("after {:.0} s: {shown}", since_s.unwrap_or(0.0)), Verdict::Pass));
                }
                if since_s.is_some_and(|since_s| since_s > within_s) || passed_s > PROVOKED_S + within_s {
                    return Ok(Found::told(shown, Verdict::Fail));
                }
            }
            if passed_s - heard_s > SILENT_S {
                return Ok(Found::told("the controller says nothing", Verdict::Fail));
            }
        }
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
                let shown = shown(&telemetry, self.names);
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

fn shown(telemetry: &Telemetry, names: &[String]) -> String {
    let outputs = &telemetry.outputs;
    let faults = standing(outputs, names);
    let why = if faults.is_empty() { outputs.cause.name().to_owned() } else { Standing::told(&faults) };
    format!("{} ({}: {why})", outputs_told(outputs), outputs.state.name())
}

impl Step {
    /// Whether the controller is switched off and on for it.
    const fn switches(&self) -> bool {
        // A thermometer is moved to the ice with the controller off.
        matches!(self.begins, Begins::SwitchedOn(_)) || matches!(self.expect, Expect::Reads { .. })
    }
}

/// Whether the controller does what it must.
fn is_as_expected(step: &Step, telemetry: &Telemetry, names: &[String]) -> bool {
    let Expect::Outputs { heater, charge, state, cause, faults, reads, .. } = &step.expect else { return false };
    let outputs = &telemetry.outputs;
    // Sources are on for hours on a bench, and nothing is charged. That is said, and takes nothing away.
    let mut stand = standing(outputs, names);
    stand.retain(|standing| standing.fault != SystemFault::ChargeOverdue.facts().name || faults.contains(standing));
    let reads_right = reads.as_ref().is_none_or(|Reading { channel, unit, low, high }| {
        // A check resistor is no thermometer, and a channel that is doubted shows nothing.
        let index = names.iter().position(|name| name == channel);
        *unit != "°C" || reading_c(telemetry, index).is_none_or(|reading_c| (*low..=*high).contains(&reading_c))
    });
    (outputs.heater == Relay::Closed, outputs.charge == Relay::Closed) == (*heater, *charge)
        // Where a fault stands, the rest depends on what was before.
        && (!faults.is_empty() || (outputs.state.name(), outputs.cause.name()) == (*state, *cause))
        && stand == *faults
        && reads_right
}

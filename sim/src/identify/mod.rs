//! Fits the plant to a log: does the bank behave as planned, and if not, what is wrong with it?
//!
//! ```text
//! log ─ replay::measured ─ record ─┐
//! plan ───────────── parameter ────┼─ fit ─ found ─ words ─ text, json
//!                     plant::trace ┘  │       └ test
//!                               noise ┘
//! ```
//!
//! | module | holds |
//! |---|---|
//! | `doubt` | what in a log cannot be what it is taken for |
//! | `record` | the log, cut into stretches that the plant crosses exactly |
//! | `parameter` | what is sought, what is known beforehand, and what site it makes |
//! | `fit` | nonlinear least squares |
//! | `noise` | what no parameter explains |
//! | `whiteness` | whether that says anything about what comes next |
//! | `found` | the parameters with their intervals, and which of them the log shows |
//! | `strained` | what had to give way further than is known of it |
//! | `test` | which test would show the others |
//! | `words` | what differs from the plan, and what to look for |
//! | `picture` | what is left of the readings, drawn |
//! | `text` | the report for a person |
//! | `written` | what was found, as changes of the installation file |
//!
//! *Scale.* Twice the power into twice the heat capacity with twice the conductances gives the same temperatures. So a log without power
//! shows ratios only. The heat capacity of the batteries is then held, because their mass gives it best, and its tolerance is part of every
//! other interval.

mod doubt;
mod fit;
mod found;
mod noise;
mod parameter;
mod picture;
mod record;
mod strained;
mod test;
#[cfg(test)]
mod tests;
mod text;
mod whiteness;
mod words;
mod written;

pub use found::Found;
pub use picture::picture;
pub use strained::Strained;
pub use test::Test;
pub use words::Difference;

use crate::cautions::CAUTIONS;
use crate::diagnostic::Problem;
use crate::installation::Installation;
use crate::replay::{self, Measured, Reject, ReplayError, Request, Use};
use crate::si;
use crate::site::Site;
use fit::{Fit, Model};
use nalgebra::DMatrix;
use noise::Filter;
use parameter::{Parameter, What, parameters};
use record::{Outside, Power, Record};
use serde::Serialize;
use std::io::Read;

/// Every problem of a log or of what was asked.
type Problems = Vec<Problem>;

/// What is taken for what the log does not show.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Assumed {
    /// The temperature around the box (°C), where the log does not have it.
    pub outside_c: Option<f64>,
    /// Whether the heater was off all the time, where the log does not have it.
    pub heater_off: bool,
}

/// What a log shows of an installation. Its JSON form has the names of its fields, units in the names.
#[derive(Clone, Debug, Serialize)]
pub struct Identified {
    /// What the fitter calls the installation.
    pub title: String,
    /// The log, as the user named it.
    pub log: String,
    /// Date of the first row in RFC 3339, if the log has dates.
    pub start: Option<String>,
    /// Rows read, rows that could not be used, and rows whose readings were compared.
    pub rows_read: u64,
    /// Rows that could not be read.
    pub rows_rejected: u64,
    /// The first of them.
    #[serde(skip)]
    pub rejected: Vec<Reject>,
    /// Rows whose readings were compared with the model.
    pub rows_compared: usize,
    /// The parts of the log that were compared, from and to, in seconds from the first row.
    pub parts_s: Vec<[f64; 2]>,
    /// Rows that stand in no such part: beside pauses, or before the log has all that drives the bank.
    pub rows_left_out: usize,
    /// How far the log's clock went back, in seconds, if it did.
    pub clock_back_s: Option<f64>,
    /// Which column was used for what.
    pub columns: Vec<Use>,
    /// Whether the search for the parameters came to its end. If not, nothing is identifiable.
    pub settled: bool,
    /// Whether the model follows the log. If not, nothing is identifiable.
    pub follows: bool,
    /// Thermometers that do not show what the model says, where all the others do. They are not compared.
    pub left_out_thermometers: Vec<String>,
    /// What had to give way further than is known of it.
    pub strained: Vec<Strained>,
    /// What was found, each beside its plan.
    pub parameters: Vec<Found>,
    /// Standard deviation of reading less model, all thermometers together.
    pub residual_sd_k: f64,
    /// Whether what is left cannot be foretold from what came before it; `null` if there are too few readings to say.
    pub white: Option<bool>,
    /// The same by thermometer.
    pub thermometers: Vec<Residual>,
    /// What differs from the plan, the worst first.
    pub differences: Vec<Difference>,
    /// Tests that would show what this log does not.
    pub tests: Vec<Test>,
    /// What was taken for what the log does not show.
    pub assumptions: Vec<String>,
    /// The cautions that every document states once.
    pub cautions: [&'static str; 3],
    #[serde(skip)]
    dial: replay::Dial,
    /// What was left of the thermometer that is left out (K).
    #[serde(skip)]
    left_k: f64,
    /// Reading less model of each thermometer.
    #[serde(skip)]
    traces: Vec<picture::Trace>,
    /// When the heater was on, in seconds from the first row.
    #[serde(skip)]
    heated_s: Vec<[f64; 2]>,
}

/// What is left of one thermometer's readings.
#[derive(Clone, Debug, Serialize)]
pub struct Residual {
    /// Its name.
    pub channel: String,
    /// Standard deviation of reading less model (K).
    pub residual_sd_k: f64,
    /// Of that, from reading to reading (K).
    pub white_k: f64,
    /// Of that, a slow wander (K).
    pub wander_k: f64,
    /// How fast the wander forgets (s).
    pub wander_forgets_s: f64,
    /// How likely white noise would look at least as correlated; `null` if there are too few readings.
    pub whiteness: Option<f64>,
}

/// The problem of a log that does not show what the heater did.
fn no_heater(log: &str) -> Problems {
    let problem =
        Problem::error(log, "does not show what the heater did: no column heater, heater_w, or heater_a with supply_v");
    let why = "the same warmth may come from much heat and much loss, or from little of both";
    let remedy = "--logged-heater COLUMN; or --assume-heater-off, if it was off all the time";
    vec![problem.because(why).remedy(remedy)]
}

/// Fits the plant of `installation`, at its `site`, to `log`.
///
/// # Errors
/// A log that cannot be read, or does not show what drove the bank, or shows none of its thermometers, or columns that cannot be what they
/// are taken for.
pub fn identify(
    installation: &Installation,
    site: &Site,
    log: impl Read,
    request: &Request,
    assumed: Assumed,
) -> Result<Identified, ReplayError> {
    let refused = |problem: Problem| ReplayError::Refused(vec![problem]);
    let measured = replay::measured(installation, log, request)?;
    let heater = &installation.settings.heater;
    let planned = (si::watts(heater.power), si::volts(heater.nominal));
    let doubts = doubt::doubts(&measured, planned, assumed, &request.log);
    if !doubts.is_empty() {
        return Err(ReplayError::Refused(doubts));
    }
    let power = Power::known(&measured, planned, assumed.heater_off, &request.log).map_err(ReplayError::Refused)?;
    let outside = match (measured.has.outside, assumed.outside_c) {
        (true, _) => Outside::Logged,
        (false, Some(outside_c)) => Outside::Assumed(outside_c),
        (false, None) => {
            let problem =
                Problem::error(&request.log, "does not show the temperature around the box: no column outside_c")
                    .because("what the box loses goes with how much warmer it is than what is around it")
                    .remedy("--column outside=COLUMN:c; or --assume-outside -5, if it stayed near that");
            return Err(refused(problem));
        }
    };
    let record = Record::of(&measured, site, power, outside);
    if record.segments.is_empty() {
        let longest = replay::Span(measured.longest_ms);
        let message = format!("has no part of 2 h or more without a pause longer than {longest}");
        let problem = Problem::error(&request.log, message)
            .because("nobody knows what happened in a pause, so each part begins anew")
            .remedy("a log of a day or more; or --max-gap SECONDS, if nothing was switched in the pauses");
        return Err(refused(problem));
    }
    let shows = record.shows();
    if shows.is_empty() {
        let problem = Problem::error(&request.log, "has hardly any reading of a thermometer that can be believed");
        return Err(refused(
            problem.remedy("the columns of the thermometers, and their units: --column CHANNEL=COLUMN:UNIT"),
        ));
    }
    let question = Question { installation, site, log: &request.log, measured, record, power, outside };
    Ok(question.report(shows))
}

/// What is asked: of which bank, and what its log says.
struct Question<'q> {
    installation: &'q Installation,
    site: &'q Site,
    log: &'q str,
    measured: Measured,
    record: Record,
    power: Power,
    outside: Outside,
}

/// A fit, with what it was of.
struct Fitted {
    /// Thermometers that are compared.
    shows: Vec<usize>,
    parameters: Vec<Parameter>,
    /// Which of the parameters the log shows.
    shown: Vec<bool>,
    fit: Fit,
    planned_loss_w_per_k: f64,
    /// How much faster each battery warms than with its planned joint (1).
    warms: Vec<f64>,
    /// Innovations of each thermometer, segment by segment.
    innovations: Vec<Vec<Vec<f64>>>,
}

/// How far a parameter may move before the patterns are made anew about it.
const FAR: f64 = 0.3;
const MOST_PATTERNS: usize = 3;

impl Fitted {
    fn of(question: &Question<'_>, shows: Vec<usize>) -> Self {
        let Question { site, record, power, outside, .. } = question;
        let wind_m_s = site.place.design_wind_m_s;
        let first = parameters(site, &shows, *power, *outside);
        let mut about = vec![0.0; first.len()];
        let mut model = Model::about(site, &first, &about, (record, &shows), wind_m_s);
        let planned_loss_w_per_k = model.loss_as_planned();
        let mut fit = model.fit(model.at(about.clone()), &[], fit::NEARLY);
        let sure = |fit: &Fit| -> Vec<bool> {
            let of = |(index, one): (usize, &Parameter)| {
                let variance = found::variance(site, one, fit.state.values[index], fit.covariance[(index, index)]);
                found::is_sure(one, variance)
            };
            first.iter().enumerate().map(of).collect()
        };
        let at_first = sure(&fit);
        // What it does not show is as the plan knows it.
        let mut parameters = first.clone();
        for (parameter, is_sure) in parameters.iter_mut().zip(&at_first) {
            if !is_sure && parameter.what.is_sought() {
                parameter.known = parameter.known.min(parameter::rectangular(parameter.tolerance));
            }
        }
        for rounds_left in (0..MOST_PATTERNS).rev() {
            let mut state = fit.state.clone();
            for (parameter, value) in parameters.iter().zip(&mut state.values) {
                *value = value.clamp(-3.0 * parameter.known, 3.0 * parameter.known);
            }
            let is_near = |values: &[f64]| about.iter().zip(values).all(|(about, value)| (about - value).abs() < FAR);
            if is_near(&state.values) {
                model = model.with(record, &parameters);
            } else {
                about.clone_from(&state.values);
                model = Model::about(site, &parameters, &about, (record, &shows), wind_m_s);
                state = model.at(state.values);
            }
            fit = model.fit(state, &fit.noises, fit::ARRIVED);
            if rounds_left == 0 || about.iter().zip(&fit.state.values).all(|(about, value)| (about - value).abs() < FAR)
            {
                break;
            }
        }
        // What was found with the plan's help alone, the log did not show; and what the first fit only seemed to be sure of, neither.
        let shown = sure(&fit)
            .into_iter()
            .zip(at_first)
            .zip(&first)
            .map(|((in_the_end, at_first), one)| {
                at_first && in_the_end && found::has_thermometer(site, &shows, one.what)
            })
            .collect();
        let innovations = (0..shows.len()).map(|place| {
            let whitened = |(moments_s, mut series): noise::Series| {
                Filter::new(fit.noises[place], &moments_s).whiten(&mut series);
                series
            };
            model.series(&fit.residuals, place).into_iter().map(whitened).collect()
        });
        let innovations = innovations.collect();
        let warms = model.warms(&fit.state.values);
        drop(model);
        Self { shows, parameters, shown, fit, planned_loss_w_per_k, warms, innovations }
    }

    fn value(&self, what: What) -> f64 {
        let found = self.parameters.iter().zip(&self.fit.state.values).find(|(parameter, _)| parameter.what == what);
        found.map_or(0.0, |(_, value)| *value)
    }

    /// What is left of one thermometer's readings, as a standard deviation (K).
    fn left_k(&self, place: usize) -> f64 {
        sd(self.fit.residuals.iter().flat_map(|part| part.column(place).iter().copied().collect::<Vec<_>>()))
    }

    /// Thermometers that the model does not follow.
    fn astray(&self, record: &Record) -> Vec<usize> {
        let is_astray = |(place, channel): (usize, &usize)| {
            let follows_k = (FOLLOWS_PART * record.span_k(*channel))
                .max(FOLLOWS_K)
                .max(2.0 * record.grain_k(*channel).min(DEGREE_K));
            (self.left_k(place) > follows_k).then_some(*channel)
        };
        self.shows.iter().enumerate().filter_map(is_astray).collect()
    }
}

/// The model follows a thermometer if no more is left of its readings than this (K), or than this part of their span; or than what a
/// thermometer that shows whole degrees rounds off.
const FOLLOWS_K: f64 = 0.15;
const FOLLOWS_PART: f64 = 0.02;
/// What whole degrees round off, as a standard deviation (K): uniform over a step.
const DEGREE_K: f64 = 0.289;

/// A series this unlikely is not white. Of several thermometers, each may be as unlikely as its part of it.
const UNLIKELY: f64 = 0.01;

impl Question<'_> {
    /// The fit, and the thermometer that it leaves out with what was left of its readings (K): the only one that the model did not follow.
    fn fitted(&self, mut shows: Vec<usize>) -> (Fitted, Option<(usize, f64)>) {
        let fitted = Fitted::of(self, shows.clone());
        match fitted.astray(&self.record)[..] {
            [channel] if shows.len() >= 3 => {
                let left_k =
                    shows.iter().position(|one| *one == channel).map_or(f64::NAN, |place| fitted.left_k(place));
                shows.retain(|one| *one != channel);
                (Fitted::of(self, shows), Some((channel, left_k)))
            }
            _ => (fitted, None),
        }
    }

    fn report(&self, shows: Vec<usize>) -> Identified {
        let Self { installation, site, measured, record, power, outside, .. } = self;
        let names = &installation.channels;
        let (mut fitted, left_out) = self.fitted(shows);
        let (follows, settled) = (fitted.astray(record).is_empty(), fitted.fit.is_settled);
        let is_sound = follows && settled;
        if !is_sound {
            fitted.shown.fill(false);
        }
        let places = 0..fitted.shows.len();
        let thermometer = |place: usize| {
            let noise = fitted.fit.noises[place];
            Residual {
                channel: names[fitted.shows[place]].clone(),
                residual_sd_k: fitted.left_k(place),
                white_k: noise.white_k,
                wander_k: noise.wander_k,
                wander_forgets_s: noise.forgets_s,
                whiteness: whiteness::likelihood(&fitted.innovations[place]),
            }
        };
        let thermometers: Vec<Residual> = places.clone().map(thermometer).collect();
        #[expect(clippy::cast_precision_loss, reason = "8 at most")]
        let each = UNLIKELY / thermometers.len() as f64;
        let known: Vec<f64> = thermometers.iter().filter_map(|one| one.whiteness).collect();
        let heater = found::HeaterFigures::of(installation, measured, record, *power);
        let parameters = found::of(site, names, &fitted, heater);
        let parts_s =
            record.segments.iter().map(|segment| [segment.begins_s(), segment.begins_s() + segment.lasts_s()]);
        Identified {
            title: installation.title.clone(),
            log: self.log.to_owned(),
            start: measured.dial.rfc3339(0),
            rows_read: measured.rows_read,
            rows_rejected: measured.rejects.total(),
            rejected: measured.rejects.first.clone(),
            rows_compared: record.compared,
            parts_s: parts_s.collect(),
            rows_left_out: record.left_out,
            clock_back_s: measured.back.map(|step| step.by_s),
            columns: measured.uses.clone(),
            settled,
            follows,
            left_out_thermometers: left_out.iter().map(|(channel, _)| names[*channel].clone()).collect(),
            residual_sd_k: sd(fitted.fit.residuals.iter().flat_map(|part| part.iter().copied())),
            white: (!known.is_empty()).then(|| known.iter().all(|likelihood| *likelihood > each)),
            thermometers,
            strained: if is_sound { strained::strained(site, names, &fitted) } else { Vec::new() },
            differences: words::differences(&fitted, &parameters),
            tests: if is_sound { test::tests(self, &fitted) } else { Vec::new() },
            parameters,
            assumptions: text::assumptions(site, *power, *outside, measured),
            cautions: CAUTIONS,
            dial: measured.dial.clone(),
            left_k: left_out.map_or(f64::NAN, |(_, left_k)| left_k),
            traces: places.map(|place| trace(record, &fitted, place)).collect(),
            heated_s: record.heated_s(),
        }
    }
}

/// What is left of one thermometer's readings.
fn trace(record: &Record, fitted: &Fitted, place: usize) -> picture::Trace {
    let of = |(segment, left): (&record::Segment, &DMatrix<f64>)| {
        let moments = segment.moments_s.iter().map(|at_s| segment.begins_s() + at_s);
        moments.zip(left.column(place).iter().copied()).filter(|(_, left)| !left.is_nan()).collect()
    };
    record.segments.iter().zip(&fitted.fit.residuals).map(of).collect()
}

/// The standard deviation about 0 of those that are numbers.
fn sd(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values
        .filter(|value| !value.is_nan())
        .fold((0.0, 0.0), |(sum, count), value| (sum + value * value, count + 1.0));
    (sum / f64::max(count, 1.0)).sqrt()
}

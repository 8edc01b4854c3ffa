//! What the energy sources and loads do in every second of a season, from schedules, sun and logs.

mod log;

use crate::diagnostic::Problem;
use crate::schedule::Schedule;
use crate::site::{Load, Presence, Supply};
use crate::weather::Weather;
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::Sources;
use jiff::civil::DateTime;
use log::Log;
use std::path::Path;

/// What is on offer from one moment until the next offer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offer {
    /// Since the start of the season (s).
    pub at_s: i64,
    /// The sources that count as present: the controller sees their lines, and may spend them on heat.
    pub sources: Sources,
    /// What each gives (W), present or not. A panel below its threshold is too weak for heat, and charges with what it
    /// has.
    pub power_w: [f64; MAX_SOURCES],
    /// What the loads draw (W).
    pub load_w: f64,
}

/// What is on offer for `span_s` seconds from the start of `weather`. The first offer is at second 0, and each differs
/// from the one before.
///
/// `names` are those of the sources, in the order of `supplies`. Paths of logs are relative to `base`. In a log,
/// presence holds from its row to the next. Before the first row and from the last row on, the source is absent. A log
/// is laid over the season by its dates. If the two share no day, as with a season in a typical year, the log moves to
/// another year.
///
/// Also returns a warning for each log that covers only part of the season.
///
/// # Errors
/// Everything that is wrong with the logs.
pub fn offers(
    supplies: &[Supply],
    load: &Load,
    weather: &Weather,
    span_s: i64,
    names: &[String],
    base: &Path,
) -> Result<(Vec<Offer>, Vec<Problem>), Vec<Problem>> {
    let season = Season { weather, span_s };
    let (mut problems, mut warnings) = (Vec::new(), Vec::new());
    let mut given: Vec<Steps<Given>> = Vec::with_capacity(supplies.len());
    for (supply, name) in supplies.iter().zip(names) {
        given.push(match &supply.presence {
            Presence::Weekly(schedule) => season.weekly(schedule, Given::present(supply.power_w), Given::NOTHING),
            Presence::Sun { at_least_w_m2 } => season.sun(supply.power_w, *at_least_w_m2),
            Presence::Never => vec![(0, Given::NOTHING)],
            Presence::Log(path) => match Log::load(&base.join(path), name).and_then(|log| season.logged(&log, name)) {
                Ok((present, warning)) => {
                    warnings.extend(warning);
                    let given = |on| if on { Given::present(supply.power_w) } else { Given::NOTHING };
                    present.into_iter().map(|(at_s, on)| (at_s, given(on))).collect()
                }
                Err(more) => {
                    problems.extend(more);
                    continue;
                }
            },
        });
    }
    if !problems.is_empty() {
        return Err(problems);
    }
    let drawn = match &load.scheduled {
        Some((more_w, schedule)) => season.weekly(schedule, load.constant_w + more_w, load.constant_w),
        None => vec![(0, load.constant_w)],
    };
    Ok((together(&given, &drawn), warnings))
}

/// Something that changes now and then: when (s), and its new value. The first at second 0, in order.
type Steps<T> = Vec<(i64, T)>;

/// What one source does.
#[derive(Clone, Copy)]
struct Given {
    power_w: f64,
    is_present: bool,
}

impl Given {
    const NOTHING: Self = Self { power_w: 0.0, is_present: false };

    const fn present(power_w: f64) -> Self {
        Self { power_w, is_present: true }
    }
}

struct Season<'a> {
    weather: &'a Weather,
    span_s: i64,
}

impl Season<'_> {
    fn start(&self) -> DateTime {
        self.weather.start
    }

    fn weekly<T: Copy>(&self, schedule: &Schedule, on: T, off: T) -> Steps<T> {
        let steps = schedule.steps(self.start(), self.span_s).into_iter();
        steps.map(|(at_s, is_on)| (at_s, if is_on { on } else { off })).collect()
    }

    /// Irradiance is the mean of the time before its point. There is no sun beyond the weather.
    fn sun(&self, power_w: f64, at_least_w_m2: f64) -> Steps<Given> {
        let given = |irradiance: f64| Given {
            power_w: power_w * irradiance.max(0.0) / 1000.0,
            is_present: irradiance >= at_least_w_m2,
        };
        let points = &self.weather.points;
        let mut steps: Steps<_> =
            points.windows(2).map(|pair| (pair[0].at_s, given(pair[1].irradiance_w_m2))).collect();
        steps.push((points.last().map_or(0, |point| point.at_s), Given::NOTHING));
        steps.retain(|&(at_s, _)| at_s < self.span_s.max(1));
        steps
    }

    fn logged(&self, log: &Log, source: &str) -> Result<(Steps<bool>, Option<Problem>), Vec<Problem>> {
        let from_s = log.laid_over(self.start(), self.span_s).map_err(|problem| vec![problem])?;
        let mut steps = vec![(0, false)];
        for (at_s, present) in log.changes() {
            match from_s + at_s {
                ..=0 => steps[0].1 = present,
                at_s if at_s < self.span_s => steps.push((at_s, present)),
                _ => break,
            }
        }
        Ok((steps, log.gap(source, from_s, self.start(), self.span_s)))
    }
}

/// Joins what each source gives and the loads draw to one row of offers.
fn together(given: &[Steps<Given>], drawn: &Steps<f64>) -> Vec<Offer> {
    let mut times: Vec<i64> =
        given.iter().flatten().map(|&(at_s, _)| at_s).chain(drawn.iter().map(|&(at_s, _)| at_s)).collect();
    times.sort_unstable();
    times.dedup();
    let mut offers: Vec<Offer> = Vec::with_capacity(times.len());
    let mut given: Vec<_> = given.iter().map(|steps| Walk::new(steps)).collect();
    let mut drawn = Walk::new(drawn);
    for at_s in times {
        let mut offer =
            Offer { at_s, sources: Sources::NONE, power_w: [0.0; MAX_SOURCES], load_w: drawn.at(at_s).unwrap_or(0.0) };
        for (index, power) in offer.power_w.iter_mut().enumerate() {
            let given = given.get_mut(index).and_then(|steps| steps.at(at_s)).unwrap_or(Given::NOTHING);
            *power = given.power_w;
            if given.is_present {
                offer.sources = offer.sources.with(index);
            }
        }
        let is_news = offers.last().is_none_or(|last| Offer { at_s, ..*last } != offer);
        if is_news {
            offers.push(offer);
        }
    }
    offers
}

/// Reads steps at one moment after another.
struct Walk<'a, T> {
    here: Option<T>,
    ahead: &'a [(i64, T)],
}

impl<'a, T: Copy> Walk<'a, T> {
    const fn new(steps: &'a [(i64, T)]) -> Self {
        Self { here: None, ahead: steps }
    }

    fn at(&mut self, at_s: i64) -> Option<T> {
        while let Some((&(_, next), ahead)) = self.ahead.split_first().filter(|((from_s, _), _)| *from_s <= at_s) {
            self.here = Some(next);
            self.ahead = ahead;
        }
        self.here
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "numbers that are only passed on stay exact")]
mod tests;

//! Records a season for drawing, in bounded memory however long the season gets.
//!
//! Temperatures and energy go into bins. At first a bin is as wide as a step. When the bins run out, neighbours are
//! joined, and every bin is twice as wide. What is on or off is kept to the second. When there are too many stretches,
//! neighbours are joined too. A picture must not lose the lowest and the highest temperature, the time that something
//! was on, and the energy. All of these are kept.

use super::{Channels, Clock, Moment, celsius};
use crate::chart::{
    Amount, Band, BandKind, DAY_S, Level, LevelKind, Line, LineKind, Measure, NO_RANGE, Season, Series, SeriesKind,
    Stretch,
};
use forewarm_core::fault::{Severity, SystemFault};
use forewarm_core::settings::{Role, ValidSettings};
use forewarm_core::signals::{Alarm, Cause, Outputs, Relay, Sources};

/// Most bins of a line. A long season has between half of these and all: about what a screen shows at a magnification
/// of fifteen.
pub(crate) const BINS: usize = 1 << 14;
/// Most stretches of a band.
const STRETCHES: usize = 1 << 14;
/// How many pauses are shown.
const PAUSES: usize = 1000;

/// What a film shows besides the data of every controller.
#[derive(Debug)]
pub struct Wanted<'a> {
    /// What the season is called.
    pub title: &'a str,
    /// Its name beside another season.
    pub label: &'a str,
    /// The moment of second 0.
    pub clock: Clock,
    /// The settings, the thermometers, and the names of the sources.
    pub settings: &'a ValidSettings,
    /// The thermometers that are drawn.
    pub channels: Channels,
    /// The sources.
    pub sources: &'a [String],
    /// Temperatures that only a rehearsal knows.
    pub truths: &'a [(&'a str, LineKind)],
    /// The hard limit of the cells (°C), if it is known.
    pub hard_limit_c: Option<f64>,
    /// What refused charge is called.
    pub refused: &'a str,
    /// Whether the charge permit and heater of a logged controller are known too.
    pub logged: (bool, bool),
    /// Whether the state of charge is known, and whether the charge taken up is.
    pub charge: (bool, bool),
    /// The least width of a bin (ms).
    pub step_ms: u32,
}

/// Records what a chart shows.
#[derive(Clone, Debug)]
pub struct Film {
    season: Season,
    bin_s: i64,
    channels: Channels,
    truths: usize,
    plausible: (f32, f32),
    rows: Rows,
    /// For each band that is on: since when, and why.
    since: Vec<Option<(i64, usize)>>,
    /// For each band, the length up to which neighbouring stretches are joined into one (s).
    joined: Vec<i64>,
}

/// The places of the bands.
#[derive(Clone, Copy, Debug)]
struct Rows {
    logged_charge: Option<usize>,
    logged_heater: Option<usize>,
    sources: usize,
    alarm: usize,
}

const CHARGE: usize = 0;
const REFUSED: usize = 1;
const HEATER: usize = 2;
const SOURCES: usize = 3;

/// What holds from a moment on.
#[derive(Clone, Copy, Debug)]
pub struct Held<'a> {
    /// The controller's outputs.
    pub outputs: &'a Outputs,
    /// The sources that are present.
    pub sources: Sources,
    /// Why charge is refused, if the film shows that.
    pub refused: Option<&'static str>,
    /// Whether a logged controller permits charge, and whether it heats.
    pub logged: (bool, bool),
}

impl Film {
    /// Ready to record.
    #[must_use]
    pub fn new(wanted: Wanted<'_>) -> Self {
        let Wanted { title, label, clock, settings, channels, sources, truths, .. } = wanted;
        let bin_s = i64::from(wanted.step_ms.div_ceil(1000));
        let line =
            |name: &str, kind| Line { name: name.to_owned(), kind, bin_s, ranges: Vec::new(), doubtful: Vec::new() };
        let mut lines: Vec<Line> = truths.iter().map(|&(name, kind)| line(name, kind)).collect();
        lines.extend(channels.0.iter().map(|channel| {
            let kind = match channel.role {
                Role::Cell => LineKind::CellReading,
                Role::Pad => LineKind::Plate,
                Role::Ambient | Role::Check(_) => LineKind::Outside,
            };
            line(&channel.name, kind)
        }));
        let band = |name: &str, kind| Band { name: name.to_owned(), kind, on: Vec::new(), causes: Vec::new() };
        let mut bands = vec![
            band("charge permitted", BandKind::Charge),
            band(wanted.refused, BandKind::Refused),
            band("heater on", BandKind::Heater),
        ];
        bands.extend(sources.iter().map(|name| band(name, BandKind::Source)));
        let mut logged = |known: bool, name: &str| {
            known.then(|| {
                bands.push(band(name, BandKind::Logged));
                bands.len() - 1
            })
        };
        let logged_charge = logged(wanted.logged.0, "logged: charge");
        let logged_heater = logged(wanted.logged.1, "logged: heater");
        bands.push(band("alarm", BandKind::Alarm));
        let series = |name: &str, kind| Series { name: name.to_owned(), kind, bins: Vec::new(), days: Vec::new() };
        let mut heat: Vec<Series> = sources.iter().map(|name| series(name, SeriesKind::Source)).collect();
        heat.push(series("bank", SeriesKind::Bank));
        let amount = |what: &str, flow: &str, band, measure, series| Amount {
            what: what.to_owned(),
            flow: flow.to_owned(),
            band,
            measure,
            bin_s,
            series,
        };
        let mut amounts = vec![amount("heater energy", "heater power", HEATER, Measure::WattHours, heat)];
        if wanted.charge.1 {
            let charged = vec![series("charged", SeriesKind::Charged)];
            amounts.push(amount("charge", "charge current", CHARGE, Measure::AmpereHours, charged));
        }
        #[expect(clippy::cast_possible_truncation, reason = "a picture")]
        let narrow = |t| celsius(t) as f32;
        let trust = &settings.trust;
        Self {
            since: vec![None; bands.len()],
            joined: vec![0; bands.len()],
            rows: Rows { logged_charge, logged_heater, sources: sources.len(), alarm: bands.len() - 1 },
            season: Season {
                title: title.to_owned(),
                label: label.to_owned(),
                clock,
                span_s: 0,
                lines,
                levels: levels(settings, wanted.hard_limit_c),
                bands,
                charge: wanted.charge.0.then(|| line("state of charge", LineKind::Charge)),
                amounts,
                pauses: Vec::new(),
            },
            bin_s,
            channels,
            truths: truths.len(),
            plausible: (narrow(trust.plausible_low), narrow(trust.plausible_high)),
        }
    }

    /// The recording of a season that lasted until `end_s`.
    #[must_use]
    pub fn develop(mut self, end_s: i64) -> Season {
        for band in 0..self.since.len() {
            self.switch(band, end_s, None);
        }
        self.season.span_s = end_s;
        self.season
    }

    /// Records the temperatures of a step: what the controller acts on, or what was measured if it does not believe
    /// that.
    #[inline]
    pub fn see(&mut self, at_s: i64, moment: &Moment<'_>, charge: Option<f64>) {
        let bin = self.bin(at_s);
        let ranges = moment.unit.ranges();
        let Self { season, channels, truths, plausible, .. } = self;
        for (line, channel) in season.lines.iter_mut().skip(*truths).zip(&channels.0) {
            #[expect(clippy::cast_possible_truncation, reason = "a picture")]
            let narrow = |t| celsius(t) as f32;
            if let Some((low, high)) = ranges[channel.index] {
                widen(&mut line.ranges, bin, (narrow(low), narrow(high)));
            } else if moment.outputs.faults.channels[channel.index].is_some()
                && let Some(t) = channel.measured(moment.inputs).map(narrow)
                // An impossible temperature would leave no room for the possible ones.
                && (plausible.0..=plausible.1).contains(&t)
            {
                widen(&mut line.doubtful, bin, (t, t));
            }
        }
        if let (Some(line), Some(charge)) = (&mut season.charge, charge) {
            #[expect(clippy::cast_possible_truncation, reason = "a picture")]
            let percent = (charge * 100.0) as f32;
            widen(&mut line.ranges, bin, (percent, percent));
        }
    }

    /// Records temperatures that only a rehearsal knows, in the order of [`Wanted`] (°C).
    pub fn truths(&mut self, at_s: i64, truths_c: &[f64]) {
        let bin = self.bin(at_s);
        for (line, &t_c) in self.season.lines.iter_mut().zip(truths_c) {
            #[expect(clippy::cast_possible_truncation, reason = "a picture")]
            let t = t_c as f32;
            widen(&mut line.ranges, bin, (t, t));
        }
    }

    /// What holds from a moment on.
    #[inline]
    pub fn hold(&mut self, at_s: i64, held: &Held<'_>) {
        let Held { outputs, sources, refused, logged } = *held;
        let on = |is_on: bool| is_on.then_some(0);
        self.switch(CHARGE, at_s, on(outputs.charge == Relay::Closed));
        let why = refused.map(|name| self.cause(REFUSED, name));
        self.switch(REFUSED, at_s, why);
        self.switch(HEATER, at_s, on(outputs.heater == Relay::Closed));
        for source in 0..self.rows.sources {
            self.switch(SOURCES + source, at_s, on(sources.contains(source)));
        }
        for (row, is_on) in [(self.rows.logged_charge, logged.0), (self.rows.logged_heater, logged.1)] {
            if let Some(row) = row {
                self.switch(row, at_s, on(is_on));
            }
        }
        let alarm = self.rows.alarm;
        let why = (outputs.alarm == Alarm::Sounding).then(|| alarm_cause(outputs));
        let why = why.map(|name| self.cause(alarm, name));
        self.switch(alarm, at_s, why);
    }

    /// Records energy for the heater (Wh) from each source, the bank last, in the time from `from_s` to `to_s`; or what
    /// was charged (Ah).
    pub fn add(&mut self, amount: usize, (from_s, to_s): (i64, i64), values: impl Iterator<Item = f64>) {
        let last = self.bin((to_s - 1).max(from_s));
        let first = self.bin(from_s);
        // A time is never longer than a few bins. It is booked to the day in which it began.
        let day = usize::try_from(from_s / DAY_S).unwrap_or(0);
        let edge = |bin: usize| (i64::try_from(bin).unwrap_or(0) * self.bin_s).clamp(from_s, to_s);
        #[expect(clippy::cast_precision_loss, reason = "seconds of a step")]
        let part =
            |bin: usize| if first == last { 1.0 } else { (edge(bin + 1) - edge(bin)) as f64 / (to_s - from_s) as f64 };
        let parts: Vec<f64> = (first..=last).map(part).collect();
        let Some(amount) = self.season.amounts.get_mut(amount) else { return };
        for (series, value) in amount.series.iter_mut().zip(values) {
            if series.days.len() <= day {
                series.days.resize(day + 1, 0.0);
            }
            series.days[day] += value;
            if value <= 0.0 {
                continue;
            }
            if series.bins.len() <= last {
                series.bins.resize(last + 1, 0.0);
            }
            for (bin, part) in series.bins[first..].iter_mut().zip(&parts) {
                #[expect(clippy::cast_possible_truncation, reason = "a picture")]
                let value = (value * part) as f32;
                *bin += value;
            }
        }
    }

    /// Records that nothing is known of the time from `from_s` to `to_s`.
    pub fn skip(&mut self, from_s: i64, to_s: i64) {
        for band in 0..self.since.len() {
            self.switch(band, from_s, None);
        }
        if self.season.pauses.len() < PAUSES {
            self.season.pauses.push((from_s, to_s));
        }
    }

    /// The bin of a moment, once it is there.
    fn bin(&mut self, at_s: i64) -> usize {
        loop {
            let index = usize::try_from(at_s / self.bin_s).unwrap_or(0);
            if index < BINS {
                return index;
            }
            self.double();
        }
    }

    #[cold]
    fn double(&mut self) {
        self.bin_s *= 2;
        for line in self.season.lines.iter_mut().chain(&mut self.season.charge) {
            line.bin_s = self.bin_s;
            for ranges in [&mut line.ranges, &mut line.doubtful] {
                let join = |pair: &[(f32, f32)]| {
                    pair.iter().fold(NO_RANGE, |(low, high), range| (low.min(range.0), high.max(range.1)))
                };
                *ranges = ranges.chunks(2).map(join).collect();
            }
        }
        for amount in &mut self.season.amounts {
            amount.bin_s = self.bin_s;
            for series in &mut amount.series {
                series.bins = series.bins.chunks(2).map(|pair| pair.iter().sum()).collect();
            }
        }
    }

    #[inline]
    fn switch(&mut self, band: usize, at_s: i64, why: Option<usize>) {
        let before = self.since[band];
        if before.map(|(_, why)| why) == why {
            return;
        }
        self.since[band] = why.map(|why| (at_s, why));
        let Some((from, cause)) = before.filter(|(from, _)| *from < at_s) else { return };
        let stretches = &mut self.season.bands[band].on;
        stretches.push(Stretch { from, to: at_s, on: at_s - from, cause });
        if stretches.len() >= STRETCHES {
            self.join(band);
        }
    }

    /// Joins stretches that lie close to each other, until there is room for as many again.
    #[cold]
    fn join(&mut self, band: usize) {
        let stretches = &mut self.season.bands[band].on;
        while stretches.len() > STRETCHES / 2 {
            let close = &mut self.joined[band];
            *close = (*close * 2).max(self.bin_s);
            let mut joined: Vec<Stretch> = Vec::new();
            for next in stretches.drain(..) {
                match joined.last_mut() {
                    Some(last) if next.to - last.from <= *close => {
                        let cause = if next.on > last.on { next.cause } else { last.cause };
                        *last = Stretch { from: last.from, to: next.to, on: last.on + next.on, cause };
                    }
                    _ => joined.push(next),
                }
            }
            *stretches = joined;
        }
    }

    /// The rank of a cause among those of a band.
    fn cause(&mut self, band: usize, name: &str) -> usize {
        let causes = &mut self.season.bands[band].causes;
        // Names of the core have underscores, and no blanks.
        let is = |known: &String| {
            known.len() == name.len() && known.bytes().zip(name.bytes()).all(|(a, b)| a == b || b == b'_')
        };
        causes.iter().position(is).unwrap_or_else(|| {
            causes.push(name.replace('_', " "));
            causes.len() - 1
        })
    }
}

/// The first fault that sounds the alarm.
fn alarm_cause(outputs: &Outputs) -> &'static str {
    let system = outputs.faults.system.iter().map(SystemFault::facts);
    let channels = outputs.faults.channels.iter().flatten().map(|fault| fault.facts());
    let mut alarming = system.chain(channels).filter(|facts| facts.severity == Severity::Alarm);
    alarming.next().map_or(Cause::GuardOverruled.name(), |facts| facts.name)
}

/// Widens what a bin holds.
fn widen(ranges: &mut Vec<(f32, f32)>, bin: usize, (low, high): (f32, f32)) {
    if ranges.len() <= bin {
        ranges.resize(bin + 1, NO_RANGE);
    }
    let range = &mut ranges[bin];
    *range = (range.0.min(low), range.1.max(high));
}

fn levels(settings: &ValidSettings, hard_limit_c: Option<f64>) -> Vec<Level> {
    let level =
        |name: &str, kind, at_c: f64| Level { name: name.to_owned(), kind, at_c: (at_c * 1000.0).round() / 1000.0 };
    let charge = &settings.charge;
    let mut levels: Vec<Level> = hard_limit_c.map(|t| level("hard limit", LevelKind::Other, t)).into_iter().collect();
    levels.extend([
        level("inhibit", LevelKind::Inhibit, celsius(charge.inhibit)),
        level("release", LevelKind::Release, celsius(charge.release)),
        level("heater stop", LevelKind::Other, celsius(settings.heater.stop)),
        level("high release", LevelKind::HighRelease, celsius(charge.high_release)),
        level("high limit", LevelKind::HighLimit, celsius(charge.high_limit)),
    ]);
    levels
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::testing::scenario;
    use proptest::prelude::*;

    fn film() -> Film {
        let scenario = scenario(1);
        Film::new(Wanted {
            title: "",
            label: "",
            clock: Clock::default(),
            settings: &scenario.settings,
            channels: Channels::default(),
            sources: &scenario.sources,
            truths: &[("plate", LineKind::Plate)],
            hard_limit_c: None,
            refused: "charge refused",
            logged: (false, false),
            charge: (true, true),
            step_ms: 1000,
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn joining_loses_no_extreme_no_time_and_no_energy_and_memory_stays_bounded(
            steps in proptest::collection::vec(
                (1..2000_i64, -40.0..60.0_f64, any::<bool>(), 0..3_usize, 0.0..9.0_f64), 1..200,
            ),
            times in 1..300_i64,
        ) {
            let mut film = film();
            let mut outputs = Outputs::all_off(SystemFault::SettingsInvalid);
            let (mut at, mut heated, mut refused, mut energy) = (0, 0, 0, 0.0);
            for _ in 0..times {
                for &(gap, t, heater, cause, wh) in &steps {
                    film.truths(at, &[t]);
                    outputs.heater = if heater { Relay::Closed } else { Relay::Open };
                    let why = [None, Some("cells_cold"), Some("soaking")][cause];
                    let held = Held { outputs: &outputs, sources: Sources::NONE, refused: why, logged: (false, false) };
                    film.hold(at, &held);
                    film.add(0, (at, at + gap), [wh].into_iter());
                    (heated, refused, energy) =
                        (heated + i64::from(heater) * gap, refused + i64::from(why.is_some()) * gap, energy + wh);
                    at += gap;
                }
            }
            let season = film.develop(at);
            let line = &season.lines[0];
            prop_assert!(line.ranges.len() <= BINS);
            let low = line.ranges.iter().map(|range| range.0).fold(f32::INFINITY, f32::min);
            let high = line.ranges.iter().map(|range| range.1).fold(f32::NEG_INFINITY, f32::max);
            let all = |fold: fn(f64, f64) -> f64, from| steps.iter().map(|step| step.1).fold(from, fold);
            prop_assert!((f64::from(low) - all(f64::min, f64::INFINITY)).abs() < 1e-4);
            prop_assert!((f64::from(high) - all(f64::max, f64::NEG_INFINITY)).abs() < 1e-4);
            for (row, time) in [(HEATER, heated), (REFUSED, refused)] {
                let on = &season.bands[row].on;
                prop_assert!(on.len() <= STRETCHES);
                prop_assert_eq!(on.iter().map(|stretch| stretch.on).sum::<i64>(), time);
                prop_assert!(on.iter().all(|stretch| stretch.on <= stretch.to - stretch.from));
                prop_assert!(on.windows(2).all(|pair| pair[0].to <= pair[1].from));
            }
            let heat = &season.amounts[0].series[0];
            prop_assert!((heat.days.iter().sum::<f64>() - energy).abs() < 1e-6 * (1.0 + energy));
            prop_assert!((f64::from(heat.bins.iter().sum::<f32>()) - energy).abs() < 1e-3 * (1.0 + energy));
        }
    }
}

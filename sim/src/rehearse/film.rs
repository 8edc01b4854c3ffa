//! A season as it is shown: temperatures in bins, outputs and sources as stretches, heater energy by day.

use super::scenario::Scenario;
use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::chart::{Band, BandKind, DailyEnergy, Level, LevelKind, Line, LineKind, Season};
use crate::offer::Offer;
use crate::si::written_c;
use forewarm_core::settings::{Role, ValidSettings};
use forewarm_core::signals::{Alarm, Outputs, Relay};

/// Bins of a line, at most: about what a screen shows when a season is magnified fifteen times.
const BINS: i64 = 20_000;

/// Records what a chart shows.
#[derive(Debug)]
pub struct Film {
    season: Season,
    bin_s: i64,
    /// The channels that are drawn, by index, in the order of the lines.
    cells: Vec<usize>,
    /// When each band came on, if it is on.
    since: Vec<Option<i64>>,
}

impl Film {
    /// Ready to record a season of `scenario`.
    #[must_use]
    pub fn new(scenario: &Scenario) -> Self {
        let Scenario { title, channels, sources, settings, site, weather, span_s, .. } = scenario;
        // Whole blocks: within one that is crossed nothing is looked at.
        let block_s = i64::from(scenario.block_ms().div_ceil(1000));
        let bin_s = (span_s / BINS / block_s + 1) * block_s;
        let cells: Vec<usize> =
            (0..channels.len()).filter(|&index| settings.channels[index].role == Role::Cell).collect();
        let line = |name: &str, kind| Line { name: name.to_owned(), kind, bin_s, ranges: Vec::new() };
        let around = if site.room.is_some() { "room" } else { "outside" };
        let mut lines = vec![line(around, LineKind::Outside), line("plate", LineKind::Plate)];
        lines.push(line("coldest cell (true)", LineKind::ColdestCell));
        lines.extend(cells.iter().map(|&index| line(&channels[index], LineKind::CellReading)));
        let band = |name: &str, kind| Band { name: name.to_owned(), kind, on: Vec::new() };
        let mut bands = vec![band("charge permitted", BandKind::Charge), band("heater on", BandKind::Heater)];
        bands.extend(sources.iter().map(|name| band(name, BandKind::Source)));
        bands.push(band("alarm", BandKind::Alarm));
        Self {
            season: Season {
                title: title.clone(),
                start: weather.start,
                span_s: *span_s,
                lines,
                levels: levels(settings, site.battery.hard_limit_c),
                bands,
                energy: DailyEnergy {
                    sources: sources.iter().cloned().chain(["bank".to_owned()]).collect(),
                    days: Vec::new(),
                },
            },
            bin_s,
            cells,
            since: vec![None; sources.len() + 3],
        }
    }

    /// What was recorded, of a season that was played for `span_s`.
    #[must_use]
    pub fn develop(mut self, span_s: f64) -> Season {
        let end = whole(span_s);
        self.season.span_s = end;
        for (band, since) in self.season.bands.iter_mut().zip(&mut self.since) {
            if let Some(since) = since.take() {
                band.on.push((since, end));
            }
        }
        self.season
    }

    fn see(&mut self, line: usize, at_s: f64, t_c: f64) {
        let bin = usize::try_from(whole(at_s) / self.bin_s).unwrap_or(0);
        let ranges = &mut self.season.lines[line].ranges;
        #[expect(clippy::cast_possible_truncation, reason = "a picture")]
        let t = t_c as f32;
        if ranges.len() < bin {
            ranges.resize(bin, (f32::NAN, f32::NAN));
        }
        match ranges.get_mut(bin) {
            Some(range) => *range = (range.0.min(t), range.1.max(t)),
            None => ranges.push((t, t)),
        }
    }

    fn switch(&mut self, band: usize, at_s: i64, on: bool) {
        match (self.since[band], on) {
            (None, true) => self.since[band] = Some(at_s),
            (Some(since), false) => {
                self.since[band] = None;
                self.season.bands[band].on.push((since, at_s));
            }
            (None, false) | (Some(_), true) => {}
        }
    }
}

impl Watcher for Film {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        for (line, t_c) in [glimpse.outside_c, glimpse.plate_c, glimpse.coldest_c].into_iter().enumerate() {
            self.see(line, glimpse.at_s, t_c);
        }
        for line in 0..self.cells.len() {
            if let Some(reading) = glimpse.readings[self.cells[line]] {
                self.see(3 + line, glimpse.at_s, written_c(reading));
            }
        }
    }

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, offer: &Offer, flow: &Flow) {
        let at_s = whole(from_s);
        let sources = self.season.bands.len() - 3;
        self.switch(0, at_s, outputs.charge == Relay::Closed);
        self.switch(1, at_s, outputs.heater == Relay::Closed);
        for source in 0..sources {
            self.switch(2 + source, at_s, offer.sources.contains(source));
        }
        self.switch(2 + sources, at_s, outputs.alarm == Alarm::Sounding);
        // A block never spans midnight by more than itself: it is booked to the day it began in.
        let day = usize::try_from(at_s / 86_400).unwrap_or(0);
        let days = &mut self.season.energy.days;
        if days.len() <= day {
            days.resize(day + 1, vec![0.0; sources + 1]);
        }
        let hours = (to_s - from_s) / 3600.0;
        for (total, power_w) in
            days[day].iter_mut().zip(flow.heater_w_by_source[..sources].iter().chain([&flow.heater_w_bank]))
        {
            *total += power_w * hours;
        }
    }
}

fn levels(settings: &ValidSettings, hard_limit_c: f64) -> Vec<Level> {
    let level = |name: &str, kind, at_c| Level { name: name.to_owned(), kind, at_c };
    let charge = &settings.charge;
    vec![
        level("hard limit", LevelKind::Other, hard_limit_c),
        level("inhibit", LevelKind::Inhibit, written_c(charge.inhibit)),
        level("release", LevelKind::Release, written_c(charge.release)),
        level("heater stop", LevelKind::Other, written_c(settings.heater.stop)),
        level("high release", LevelKind::HighRelease, written_c(charge.high_release)),
        level("high limit", LevelKind::HighLimit, written_c(charge.high_limit)),
    ]
}

#[expect(clippy::cast_possible_truncation, reason = "seconds of a year")]
fn whole(seconds: f64) -> i64 {
    seconds as i64
}

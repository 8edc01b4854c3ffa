//! Seasons to draw: an invented bank, warmed by a rule of thumb in an invented winter. It looks like a rehearsal and is
//! none.

use forewarm::chart::{
    Amount, Band, BandKind, Level, LevelKind, Line, LineKind, Measure, Season, Series, SeriesKind, Stretch,
};
use forewarm::season::Clock;
use jiff::civil::DateTime;
use std::f64::consts::TAU;

/// Step of the invented bank (s).
const STEP_S: i64 = 60;

/// Something that is on or off, put together step by step.
struct Switch {
    name: &'static str,
    kind: BandKind,
    on: Vec<Stretch>,
    causes: &'static [&'static str],
}

impl Switch {
    const fn new(name: &'static str, kind: BandKind) -> Self {
        Self { name, kind, on: Vec::new(), causes: &[] }
    }

    const fn of(name: &'static str, kind: BandKind, causes: &'static [&'static str]) -> Self {
        Self { name, kind, on: Vec::new(), causes }
    }

    fn set(&mut self, at: i64, on: bool) {
        self.set_for(at, on.then_some(0));
    }

    /// On for one of its causes, or off.
    fn set_for(&mut self, at: i64, why: Option<usize>) {
        let Some(cause) = why else { return };
        match self.on.last_mut() {
            Some(last) if last.to == at && last.cause == cause => (last.to, last.on) = (at + STEP_S, last.on + STEP_S),
            _ => self.on.push(Stretch { cause, ..Stretch::new(at, at + STEP_S) }),
        }
    }

    fn band(self) -> Band {
        let causes = self.causes.iter().map(|&cause| cause.to_owned()).collect();
        Band { name: self.name.to_owned(), kind: self.kind, on: self.on, causes }
    }
}

/// A season of `span_s` seconds from `start`, in bins of `bin_s`, with insulation that loses `loss_w_k` watts a kelvin.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
pub(crate) fn season(title: &str, start: DateTime, span_s: i64, bin_s: i64, loss_w_k: f64) -> Season {
    let kinds =
        [LineKind::Plate, LineKind::CellReading, LineKind::CellReading, LineKind::ColdestCell, LineKind::Outside];
    let names = ["plate", "battery_1", "battery_2", "coldest cell, true", "outside"];
    let mut ranges = vec![Vec::<(f32, f32)>::new(); kinds.len()];
    let [mut permit, mut heater, mut solar, mut engine] = [
        ("charge permitted", BandKind::Charge),
        ("heater on", BandKind::Heater),
        ("solar", BandKind::Source),
        ("engine", BandKind::Source),
    ]
    .map(|(name, kind)| Switch::new(name, kind));
    let mut refused = Switch::of("wanted, refused", BandKind::Refused, &["cells cold", "soaking"]);
    let mut alarm = Switch::of("alarm", BandKind::Alarm, &["open"]);
    let whole = |at: i64| usize::try_from(at).expect("a time");
    let empty = |name: &str, kind| Series {
        name: name.to_owned(),
        kind,
        bins: vec![0.0; whole(span_s / bin_s + 1)],
        days: vec![0.0; whole((span_s - 1) / 86_400 + 1)],
    };
    let mut heat = ["engine", "solar"].map(|name| empty(name, SeriesKind::Source)).to_vec();
    heat.push(empty("bank", SeriesKind::Bank));
    let mut charged = empty("charged", SeriesKind::Charged);
    let (mut charge, mut charges) = (50.0_f32, Vec::<(f32, f32)>::new());
    let (mut cells, mut core, mut permitted) = (6.0_f64, 6.0_f64, false);
    let since_noon = f64::from(start.hour()) - 12.0;
    let day_of_year = f64::from(start.day_of_year());
    for at in (0..span_s).step_by(usize::try_from(STEP_S).expect("a step")) {
        let day = at as f64 / 86_400.0;
        let wave = |period: f64, phase: f64| (TAU * (day / period + phase)).sin();
        let season = (TAU * (day_of_year + day - 20.0) / 365.0).cos();
        let sun = (TAU * (day + since_noon / 24.0)).cos();
        let outside = 3.0 - 8.0 * season
            + 3.0 * sun
            + 3.5 * wave(6.3, 0.1)
            + 2.5 * wave(17.0, 0.4)
            + 1.5 * wave(2.7, 0.7)
            + 0.4 * wave(0.13, 0.0) * wave(3.1, 0.2);
        let shining = sun > 0.35 + 0.35 * season + 0.5 * wave(2.7, 0.2);
        let running = wave(7.0, 0.3) > 0.6 && sun.abs() < 0.2;
        let heating = (shining || running) && cells < 9.0;
        permitted = if core > 8.0 { true } else { permitted && core > 5.0 } && (shining || running);
        let plate = cells + if heating { 9.0 } else { 0.4 * (outside - cells) / 10.0 };
        let power = if heating { 120.0 } else { 0.0 };
        cells += (power - loss_w_k * (cells - outside)) * STEP_S as f64 / 90_000.0;
        core += (cells - core) * STEP_S as f64 / 5400.0;
        for (switch, on) in
            [(&mut permit, permitted), (&mut heater, heating), (&mut solar, shining), (&mut engine, running)]
        {
            switch.set(at, on);
        }
        let (today, bin) = (usize::try_from(at / 86_400), usize::try_from(at / bin_s));
        let (today, bin) = (today.expect("a day"), bin.expect("a bin"));
        let spent = &mut heat[usize::from(shining)];
        let ah = if permitted && charge < 100.0 { 20.0 * STEP_S as f64 / 3600.0 } else { 0.0 };
        for (series, value) in [(spent, power * STEP_S as f64 / 3600.0), (&mut charged, ah)] {
            series.days[today] += value;
            #[expect(clippy::cast_possible_truncation, reason = "what a season holds")]
            let value = value as f32;
            series.bins[bin] += value;
        }
        #[expect(clippy::cast_possible_truncation, reason = "what a season holds")]
        let more = (ah / 2.0 - 2.0 * STEP_S as f64 / 3600.0) as f32;
        charge = (charge + more).clamp(5.0, 100.0);
        charges.resize(charges.len().max(bin + 1), (f32::INFINITY, f32::NEG_INFINITY));
        charges[bin] = (charges[bin].0.min(charge), charges[bin].1.max(charge));
        let wanted = shining || running;
        refused.set_for(at, (wanted && !permitted).then_some(usize::from(core > 5.0)));
        alarm.set(at, (40_000..44_000).contains(&(at % 864_000)));
        let readings = [plate, core + 0.3, core + 0.5 + 0.1 * wave(0.4, 0.0), core, outside];
        for (ranges, reading) in ranges.iter_mut().zip(readings) {
            #[expect(clippy::cast_possible_truncation, reason = "what a season holds")]
            let reading = reading as f32;
            ranges.resize(ranges.len().max(bin + 1), (f32::INFINITY, f32::NEG_INFINITY));
            ranges[bin] = (ranges[bin].0.min(reading), ranges[bin].1.max(reading));
        }
    }
    let line = |name: &str, kind, ranges| Line { name: name.to_owned(), kind, bin_s, ranges, doubtful: Vec::new() };
    let lines = names.into_iter().zip(kinds).zip(ranges);
    Season {
        title: title.to_owned(),
        label: format!("{title}.toml"),
        clock: Clock::local(start),
        span_s,
        lines: lines.map(|((name, kind), ranges)| line(name, kind, ranges)).collect(),
        levels: levels(),
        bands: [permit, refused, heater, solar, engine, alarm].map(Switch::band).into(),
        charge: Some(line("state of charge", LineKind::Charge, charges)),
        amounts: vec![
            amount(("heater energy", "heater power", 2), Measure::WattHours, bin_s, heat),
            amount(("charge", "charge current", 0), Measure::AmpereHours, bin_s, vec![charged]),
        ],
        pauses: Vec::new(),
    }
}

fn levels() -> Vec<Level> {
    let level = |name: &str, kind, at_c| Level { name: name.to_owned(), kind, at_c };
    vec![
        level("hard limit", LevelKind::Other, 0.0),
        level("inhibit", LevelKind::Inhibit, 5.0),
        level("release", LevelKind::Release, 8.0),
        level("high release", LevelKind::HighRelease, 42.0),
        level("high limit", LevelKind::HighLimit, 45.0),
    ]
}

fn amount((what, flow, band): (&str, &str, usize), measure: Measure, bin_s: i64, series: Vec<Series>) -> Amount {
    Amount { what: what.to_owned(), flow: flow.to_owned(), band, measure, bin_s, series }
}

//! Seasons to draw: an invented bank, warmed by a rule of thumb in an invented winter. It looks like a rehearsal and is
//! none.

use forewarm::chart::{Band, BandKind, DailyEnergy, Level, LevelKind, Line, LineKind, Season};
use jiff::civil::DateTime;
use std::f64::consts::TAU;

/// Step of the invented bank (s).
const STEP_S: i64 = 60;

/// Something that is on or off, put together step by step.
struct Switch {
    name: &'static str,
    kind: BandKind,
    on: Vec<(i64, i64)>,
}

impl Switch {
    const fn new(name: &'static str, kind: BandKind) -> Self {
        Self { name, kind, on: Vec::new() }
    }

    fn set(&mut self, at: i64, on: bool) {
        match self.on.last_mut() {
            _ if !on => {}
            Some((_, to)) if *to == at => *to += STEP_S,
            _ => self.on.push((at, at + STEP_S)),
        }
    }

    fn band(self) -> Band {
        Band { name: self.name.to_owned(), kind: self.kind, on: self.on }
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
    let [mut charge, mut heater, mut solar, mut engine] = [
        ("charge permitted", BandKind::Charge),
        ("heater on", BandKind::Heater),
        ("solar present", BandKind::Source),
        ("engine present", BandKind::Source),
    ]
    .map(|(name, kind)| Switch::new(name, kind));
    let mut days = Vec::new();
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
            [(&mut charge, permitted), (&mut heater, heating), (&mut solar, shining), (&mut engine, running)]
        {
            switch.set(at, on);
        }
        let (today, bin) = (usize::try_from(at / 86_400), usize::try_from(at / bin_s));
        let (today, bin) = (today.expect("a day"), bin.expect("a bin"));
        if days.len() <= today {
            days.push(vec![0.0; 3]);
        }
        days[today][usize::from(shining)] += power * STEP_S as f64 / 3600.0;
        let readings = [plate, core + 0.3, core + 0.5 + 0.1 * wave(0.4, 0.0), core, outside];
        for (ranges, reading) in ranges.iter_mut().zip(readings) {
            #[expect(clippy::cast_possible_truncation, reason = "what a season holds")]
            let reading = reading as f32;
            ranges.resize(ranges.len().max(bin + 1), (f32::INFINITY, f32::NEG_INFINITY));
            ranges[bin] = (ranges[bin].0.min(reading), ranges[bin].1.max(reading));
        }
    }
    let level = |name: &str, kind, at_c| Level { name: name.to_owned(), kind, at_c };
    let lines = names.into_iter().zip(kinds).zip(ranges);
    Season {
        title: title.to_owned(),
        start,
        span_s,
        lines: lines.map(|((name, kind), ranges)| Line { name: name.to_owned(), kind, bin_s, ranges }).collect(),
        levels: vec![
            level("hard limit", LevelKind::Other, 0.0),
            level("inhibit", LevelKind::Inhibit, 5.0),
            level("release", LevelKind::Release, 8.0),
            level("high release", LevelKind::HighRelease, 42.0),
            level("high limit", LevelKind::HighLimit, 45.0),
        ],
        bands: [charge, heater, solar, engine].map(Switch::band).into(),
        energy: DailyEnergy { sources: ["engine", "solar", "bank"].map(str::to_owned).into(), days },
    }
}

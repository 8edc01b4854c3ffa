//! What a log says, cut into stretches that the plant crosses exactly.
//!
//! A segment is a part of the log without a pause. Nobody knows what happened in a pause, so each segment begins anew, with its own start.

use super::Problems;
use crate::plant::{Heat, Shown, Stretch};
use crate::portable::squared;
use crate::replay::{Measured, MeasuredAt};
use crate::site::Site;
use forewarm_core::settings::MAX_CHANNELS;

/// What drove the bank, and what its thermometers showed.
#[derive(Clone, Debug)]
pub(super) struct Record {
    pub(super) segments: Vec<Segment>,
    /// The time between two readings that is usual (s).
    pub(super) usual_s: f64,
    /// Rows that stand in no segment.
    pub(super) left_out: usize,
    /// Rows whose readings are compared.
    pub(super) compared: usize,
}

/// A part of a log without a pause.
#[derive(Clone, Debug)]
pub(super) struct Segment {
    /// Its first row, since the first row of the log (ms).
    pub(super) from_ms: i64,
    pub(super) stretches: Vec<Stretch>,
    /// Which stretches end with a switching whose moment the log does not show: it lies anywhere in that stretch or the next, and they are
    /// cut in the middle. Empty if there are too many to look for each.
    pub(super) switchings: Vec<usize>,
    /// When thermometers are read, since its first row (s).
    pub(super) moments_s: Vec<f64>,
    /// What they showed then (°C). Not a number where one showed nothing.
    pub(super) shown: Vec<Shown>,
}

impl Segment {
    /// Its first row, since the first row of the log (s).
    pub(super) fn begins_s(&self) -> f64 {
        seconds(self.from_ms)
    }

    pub(super) fn lasts_s(&self) -> f64 {
        self.stretches.iter().map(|stretch| stretch.seconds).sum()
    }
}

/// How the heater's power is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Power {
    /// Its power, or its current and its supply.
    Logged,
    /// Whether it was on, and the voltage (V) at which it gives its planned power (W); with its supply, the power that follows from it.
    Switched { planned_w: f64, nominal_v: f64 },
    /// It was off all the time.
    Off,
}

/// Where the temperature around the box comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Outside {
    Logged,
    /// The same all the time (°C).
    Assumed(f64),
}

/// After the start of a segment, what faster fields than those that are fitted have left is gone (s).
pub(super) const SETTLES_S: f64 = 1200.0;
/// No shorter segment is compared (s).
const SHORTEST_S: f64 = 2.0 * 3600.0;
/// A temperature of the outside is taken as straight over as long a gap (ms).
const OUTSIDE_GAP_MS: i64 = 3 * 3_600_000;
/// Most rows that are compared. Of a longer log, every second one is, or every third.
const MOST: usize = 20_000;

/// With more switchings in a segment, their middles are taken: what is unknown of the moments averages out.
const MOST_SWITCHINGS: usize = 60;

/// A change of power by less than this part of the most is no switching.
const SWITCHES: f64 = 0.2;

/// A row from which the plant can be driven.
#[derive(Clone, Copy)]
struct Driven {
    at_ms: i64,
    heater_w: f64,
    bank_w: f64,
    outside_c: f64,
    shown: Shown,
    is_anew: bool,
}

impl Record {
    pub(super) fn of(measured: &Measured, site: &Site, power: Power, outside: Outside) -> Self {
        let outside = outside_of(&measured.moments, outside);
        let mut driven: Vec<Driven> = Vec::with_capacity(measured.moments.len());
        let mut is_anew = true;
        let mut last: Option<(i64, f64)> = None;
        for (moment, outside_c) in measured.moments.iter().zip(outside) {
            is_anew |= moment.is_anew;
            let now_w = power.of(moment);
            let is_too_old = |(at_ms, _): &(i64, f64)| moment.is_anew || moment.at_ms - at_ms > measured.longest_ms;
            // Nobody knows how long a state goes on that is no longer logged.
            last = if now_w.is_nan() { last.filter(|last| !is_too_old(last)) } else { Some((moment.at_ms, now_w)) };
            let Some((_, heater_w)) = last.filter(|_| !outside_c.is_nan()) else {
                is_anew = true;
                continue;
            };
            let mut shown = [f64::NAN; MAX_CHANNELS];
            shown.iter_mut().zip(&moment.shown_c).for_each(|(shown, shown_c)| *shown = *shown_c);
            let bank_a = moment.others.bank_a;
            #[expect(clippy::cast_precision_loss, reason = "8 at most")]
            let ohm = site.battery.resistance_ohm / site.battery.count as f64;
            let bank_w = if bank_a.is_nan() { 0.0 } else { bank_a * bank_a * ohm };
            driven.push(Driven { at_ms: moment.at_ms, heater_w, bank_w, outside_c, shown, is_anew });
            is_anew = false;
        }
        let every = driven.len() / MOST + 1;
        let usual_s = seconds(measured.usual_ms);
        let most_w = driven.iter().map(|row| row.heater_w).fold(0.0, f64::max);
        let mut segments = Vec::new();
        let mut compared = 0;
        let mut from = 0;
        while from < driven.len() {
            let to = (from + 1..driven.len()).find(|&index| driven[index].is_anew).unwrap_or(driven.len());
            if let Some(segment) = segment(&driven[from..to], usual_s, every, most_w) {
                compared += segment.shown.len();
                segments.push(segment);
            }
            from = to;
        }
        let in_segments: usize = segments.iter().map(|segment| segment.moments_s.len()).sum();
        Self { segments, usual_s, left_out: measured.moments.len().saturating_sub(in_segments * every), compared }
    }

    /// Which of the thermometers show anything.
    pub(super) fn shows(&self) -> Vec<usize> {
        let shows = |channel: &usize| {
            let readings = self.segments.iter().flat_map(|segment| &segment.shown).map(|shown| shown[*channel]);
            readings.filter(|shown_c| !shown_c.is_nan()).count() >= 10
        };
        (0..MAX_CHANNELS).filter(shows).collect()
    }

    /// What a thermometer rounds off, as a standard deviation, if it shows whole steps (K).
    pub(super) fn grain_k(&self, channel: usize) -> f64 {
        let shown = self.segments.iter().flat_map(|segment| &segment.shown).map(|shown| shown[channel]);
        let mut values: Vec<f64> = shown.filter(|shown_c| !shown_c.is_nan()).collect();
        values.sort_by(f64::total_cmp);
        let steps = values.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 2e-4);
        let step = steps.fold(f64::INFINITY, f64::min);
        // Uniform over a step.
        if step.is_finite() { step / 12.0_f64.sqrt() } else { 0.0 }
    }

    /// From the lowest to the highest reading of a thermometer (K).
    pub(super) fn span_k(&self, channel: usize) -> f64 {
        let readings = self.segments.iter().flat_map(|segment| &segment.shown).map(|shown| shown[channel]);
        // `min` and `max` pass over what is not a number.
        let (low, high) = readings
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), shown_c| (low.min(shown_c), high.max(shown_c)));
        (high - low).max(0.0)
    }

    pub(super) fn stretches(&self) -> impl Iterator<Item = &Stretch> {
        self.segments.iter().flat_map(|segment| &segment.stretches)
    }

    /// When the heater was on, from and to (s), since the first row of the log.
    pub(super) fn heated_s(&self) -> Vec<[f64; 2]> {
        let mut all: Vec<[f64; 2]> = Vec::new();
        for segment in &self.segments {
            let mut at_s = segment.begins_s();
            for stretch in &segment.stretches {
                let end_s = at_s + stretch.seconds;
                if stretch.heat.heater_w > 0.0 {
                    match all.last_mut() {
                        Some(last) if at_s - last[1] < 1e-6 => last[1] = end_s,
                        _ => all.push([at_s, end_s]),
                    }
                }
                at_s = end_s;
            }
        }
        all
    }

    /// Heat by the heater (J), and the time that it was on (s).
    pub(super) fn heated(&self) -> (f64, f64) {
        let on = || self.stretches().filter(|stretch| stretch.heat.heater_w > 0.0);
        (on().map(|stretch| stretch.heat.heater_w * stretch.seconds).sum(), on().map(|stretch| stretch.seconds).sum())
    }

    /// A log of a test that nobody has made yet: everything as cold as the outside, the heater on, then off.
    pub(super) fn of_test(outside_c: f64, heater_w: f64, on_s: f64, off_s: f64, every_s: f64) -> Self {
        let mut stretches = Vec::new();
        let mut moments_s = Vec::new();
        let mut at_s = 0.0;
        while at_s < on_s + off_s {
            let heat = Heat { heater_w: if at_s < on_s { heater_w } else { 0.0 }, bank_w: 0.0 };
            stretches.push(Stretch { seconds: every_s, heat, outside_c, slope_k_per_s: 0.0, is_read: true });
            at_s += every_s;
            moments_s.push(at_s);
        }
        let shown = vec![[0.0; MAX_CHANNELS]; moments_s.len()];
        let compared = shown.len();
        let segment = Segment { from_ms: 0, stretches, switchings: Vec::new(), moments_s, shown };
        Self { segments: vec![segment], usual_s: every_s, left_out: 0, compared }
    }
}

impl Power {
    /// How the log knows it.
    pub(super) fn known(
        measured: &Measured,
        (planned_w, nominal_v): (f64, f64),
        is_off: bool,
        log: &str,
    ) -> Result<Self, Problems> {
        if measured.has.has_power() {
            Ok(Self::Logged)
        } else if measured.has_heater {
            Ok(Self::Switched { planned_w, nominal_v })
        } else if is_off {
            Ok(Self::Off)
        } else {
            Err(super::no_heater(log))
        }
    }

    /// Its power at a row (W). Not a number if the row does not show it.
    fn of(self, moment: &MeasuredAt) -> f64 {
        let supply_v = moment.others.supply_v;
        match self {
            Self::Logged => moment.others.power_w(),
            Self::Off => 0.0,
            Self::Switched { planned_w, nominal_v } => match moment.heater {
                None => f64::NAN,
                Some(false) => 0.0,
                Some(true) if supply_v.is_nan() => planned_w,
                Some(true) => planned_w * squared(supply_v / nominal_v),
            },
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds of a log: far below 2^53")]
pub(super) fn seconds(millis: i64) -> f64 {
    millis as f64 / 1000.0
}

#[expect(clippy::cast_possible_truncation, reason = "a time within a log")]
pub(super) fn millis(seconds: f64) -> i64 {
    (seconds * 1000.0).round() as i64
}

/// The temperature around the box at each row (°C). Not a number where it is not known for too long.
fn outside_of(moments: &[MeasuredAt], outside: Outside) -> Vec<f64> {
    if let Outside::Assumed(outside_c) = outside {
        return vec![outside_c; moments.len()];
    }
    let known: Vec<(i64, f64)> = moments
        .iter()
        .filter(|moment| !moment.others.outside.is_nan())
        .map(|moment| (moment.at_ms, moment.others.outside))
        .collect();
    let at = |moment: &MeasuredAt| {
        let after = known.partition_point(|(at_ms, _)| *at_ms < moment.at_ms);
        match (after.checked_sub(1).and_then(|before| known.get(before)), known.get(after)) {
            (_, Some((at_ms, outside_c))) if *at_ms == moment.at_ms => *outside_c,
            (Some((from_ms, from_c)), Some((to_ms, to_c))) if to_ms - from_ms <= OUTSIDE_GAP_MS => {
                from_c + (to_c - from_c) * seconds(moment.at_ms - from_ms) / seconds(to_ms - from_ms)
            }
            (Some((near_ms, near_c)), None) | (None, Some((near_ms, near_c)))
                if (moment.at_ms - near_ms).abs() <= OUTSIDE_GAP_MS / 2 =>
            {
                *near_c
            }
            _ => f64::NAN,
        }
    };
    moments.iter().map(at).collect()
}

/// Whether a row stands within a beat, and not at its end: the time before it and the time after it make one.
fn splits_a_beat(before_s: f64, after_s: Option<f64>, usual_s: f64) -> bool {
    /// How far beats may differ, as a part.
    const UNEVEN: f64 = 0.1;
    let is_one = |after_s: f64| (before_s + after_s - usual_s).abs() <= UNEVEN * usual_s;
    before_s < (1.0 - UNEVEN) * usual_s && after_s.is_some_and(is_one)
}

/// The rows of a part without a pause, every so-many of them read. `None` if it is too short.
fn segment(rows: &[Driven], usual_s: f64, every: usize, most_w: f64) -> Option<Segment> {
    let first = rows.first()?;
    if seconds(rows.last()?.at_ms - first.at_ms) < SHORTEST_S {
        return None;
    }
    let (mut stretches, mut moments_s, mut shown) = (Vec::new(), Vec::new(), Vec::new());
    let mut switchings = Vec::new();
    for (index, pair) in rows.windows(2).enumerate() {
        let [from, to] = [pair[0], pair[1]];
        let whole_s = seconds(to.at_ms - from.at_ms);
        let at_s = seconds(to.at_ms - first.at_ms);
        let slope_k_per_s = (to.outside_c - from.outside_c) / whole_s;
        let bank_w = f64::midpoint(from.bank_w, to.bank_w);
        let is_read = at_s >= SETTLES_S && index % every == 0;
        let stretch = |from_s: f64, seconds: f64, heater_w: f64, is_read: bool| Stretch {
            seconds,
            heat: Heat { heater_w, bank_w },
            outside_c: from.outside_c + slope_k_per_s * from_s,
            slope_k_per_s,
            is_read,
        };
        if (to.heater_w - from.heater_w).abs() <= 1e-9 {
            stretches.push(stretch(0.0, whole_s, from.heater_w, is_read));
        } else if splits_a_beat(whole_s, rows.get(index + 2).map(|next| seconds(next.at_ms - to.at_ms)), usual_s) {
            // The row is there because of the switching.
            stretches.push(stretch(0.0, whole_s, from.heater_w, is_read));
        } else {
            // It switched at some moment in between.
            let half_s = whole_s / 2.0;
            if (to.heater_w - from.heater_w).abs() > SWITCHES * most_w {
                switchings.push(stretches.len());
            }
            stretches.push(stretch(0.0, half_s, from.heater_w, false));
            stretches.push(stretch(half_s, half_s, to.heater_w, is_read));
        }
        if is_read {
            moments_s.push(at_s);
            shown.push(to.shown);
        }
    }
    if switchings.len() > MOST_SWITCHINGS {
        switchings.clear();
    }
    (moments_s.len() >= 10).then_some(Segment { from_ms: first.at_ms, stretches, switchings, moments_s, shown })
}

//! Decides how far the loop may leap: to where the plant might take a reading to a threshold, or a timer of the
//! controller might run out.
//!
//! The plant answers between which temperatures each thermometer stays for some time to come. The probe turns these
//! into the lowest and the highest reading, with its noise at its worst. The core answers for how many steps such
//! readings decide nothing. See `forewarm_core::leap`.

use super::probe::Probe;
use super::scenario::Scenario;
use crate::plant::{Ahead, Mark, Run};
use forewarm_core::Unit;
use forewarm_core::leap::{Course, Quiet};
use forewarm_core::quantity::{Celsius, KelvinRate, Kelvins, Millis, Ohms};
use forewarm_core::rtd::{Measured, Thermometer};
use forewarm_core::settings::{Channel, MAX_CHANNELS, Role};
use forewarm_core::signals::{Inputs, Outputs, Sample};

/// A leap over fewer steps costs more than the steps.
pub(super) const SHORTEST: u32 = 12;

/// Most steps at the end of a leap that are taken one by one.
const MOST_SETTLING: u32 = 32;

/// As far back, each step is looked at for a change in the last digit; before that, stretches at a time.
const NEAR: u32 = 16;

/// A leap that may be taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leap {
    /// The steps that the controller passes over at once.
    pub(super) over: u32,
    /// The steps after it that must be taken one by one.
    pub(super) settling: u32,
}

/// What was found of a leap.
#[derive(Clone, Copy, Debug)]
pub(super) enum Found {
    /// It can be taken.
    Leap(Leap),
    /// In so many steps a timer runs out.
    Timer(u32),
    /// A reading may come to a threshold at any time, or a count of looks has not come to its end.
    NearThreshold,
}

/// What leaps need to know of an installation.
pub(super) struct Leaper {
    readers: Vec<Reader>,
    step: Millis,
    step_s: f64,
    /// The longest time without a change in any channel's last digit that no leap need look for.
    still: Millis,
    /// The channel whose last digit moves most.
    liveliest: usize,
    /// Marks of the plant, made once.
    start: Mark,
    mark: Mark,
    near_c: Vec<[f64; MAX_CHANNELS]>,
    scratch: Vec<f64>,
}

/// Reads a channel as the core does.
struct Reader {
    thermometer: Thermometer,
    reference: Ohms,
    known_leads: Ohms,
    offset: Kelvins,
    /// For a check resistor, what it may measure.
    band: Option<(Ohms, Ohms)>,
}

impl Reader {
    fn new(channel: &Channel) -> Self {
        Self {
            thermometer: Thermometer::new(channel.element),
            reference: channel.reference,
            known_leads: channel.leads.known(),
            offset: channel.offset,
            band: match channel.role {
                Role::Check(check) => Some(check.band()),
                Role::Cell | Role::Pad | Role::Ambient => None,
            },
        }
    }

    fn ohms(&self, Measured { element, lead }: Measured) -> Option<Ohms> {
        element.less(lead)?.of(self.reference)?.less(self.known_leads)
    }

    fn celsius(&self, measured: Measured) -> Option<Celsius> {
        Some(self.thermometer.celsius(self.ohms(measured)?).ok()?.raised(self.offset))
    }
}

/// The season at the moment of a leap.
pub(super) struct Here<'a, 'p> {
    pub(super) at: u64,
    pub(super) unit: &'a Unit,
    pub(super) plant: &'a Run<'p>,
    pub(super) probes: &'a [Probe],
    pub(super) inputs: &'a Inputs,
    pub(super) outputs: &'a Outputs,
}

impl Leaper {
    pub(super) fn new(scenario: &Scenario, plant: &Run<'_>, probes: &[Probe]) -> Self {
        let liveliest = (0..probes.len()).max_by(|&a, &b| probes[a].liveliness().total_cmp(&probes[b].liveliness()));
        let settings = &scenario.settings;
        Self {
            readers: settings.channels.iter().map(Reader::new).collect(),
            step: Millis::from_millis(scenario.step_ms),
            step_s: f64::from(scenario.step_ms) / 1000.0,
            still: Millis::from_millis(settings.trust.still_after.unwrap_or(Millis::MAX).as_millis() / 2),
            liveliest: liveliest.unwrap_or(0),
            start: plant.mark(),
            mark: plant.mark(),
            near_c: Vec::new(),
            scratch: Vec::new(),
        }
    }

    /// The longest leap from here over at most so many steps.
    pub(super) fn from(&mut self, here: &Here<'_, '_>, most: u64) -> Found {
        let limit = u64::try_from(Run::LONGEST_LEAP).unwrap_or(u64::MAX);
        let mut steps = u32::try_from(most.min(limit)).unwrap_or(u32::MAX);
        let (mut longest, mut found) = (0, Found::NearThreshold);
        // What lies ahead for a shorter time is known better.
        while steps > SHORTEST.max(longest) {
            let ahead = here.plant.ahead(index(steps), &mut self.scratch);
            if let Some(courses) = self.courses(here, &ahead) {
                let stillest = self.stillest(here, &ahead, steps);
                let quiet = here.unit.quiet(self.step, (here.inputs, here.outputs), &courses, stillest);
                let may = steps.min(quiet.steps);
                if may > longest {
                    longest = may;
                    found = leap(may, quiet).map_or(Found::Timer(may), Found::Leap);
                }
                if quiet.steps >= steps / 2 {
                    break;
                }
            }
            steps /= 2;
        }
        found
    }

    /// What the readings keep to, if each of them is one.
    fn courses(&self, here: &Here<'_, '_>, ahead: &Ahead) -> Option<[Course; MAX_CHANNELS]> {
        let anywhere = Course {
            low: Celsius::ZERO,
            high: Celsius::ZERO,
            jitter: Kelvins::ZERO,
            pace: KelvinRate::from_millikelvins_per_minute(0),
        };
        let mut courses = [anywhere; MAX_CHANNELS];
        for (channel, (reader, probe)) in self.readers.iter().zip(here.probes).enumerate() {
            let [lowest, highest] = probe.extremes(ahead.low_c[channel], ahead.high_c[channel]);
            if let Some((least, most)) = reader.band {
                let (low, high) = (reader.ohms(lowest)?, reader.ohms(highest)?);
                if least > low || high > most {
                    return None;
                }
                continue;
            }
            let (low, high) = (reader.celsius(lowest)?, reader.celsius(highest)?);
            courses[channel] = Course {
                low,
                high,
                jitter: upwards_k(probe.jitter_k()),
                pace: upwards_k_per_s(ahead.pace_k_per_s[channel]),
            };
        }
        Some(courses)
    }

    /// The longest time in which no converter's last digit moves, at most.
    fn stillest(&self, here: &Here<'_, '_>, ahead: &Ahead, steps: u32) -> Millis {
        let span = |steps: u32| Millis::from_millis(self.step.as_millis().saturating_mul(steps));
        if span(steps) <= self.still {
            return span(steps);
        }
        let apart = u64::from((self.still.as_millis() / self.step.as_millis()).max(1));
        let end = here.at + u64::from(steps);
        let moved_k = ahead.pace_k_per_s[self.liveliest] * self.step_s;
        let mut moved_at = here.at;
        while moved_at + apart < end {
            match here.probes[self.liveliest].surely_moves(moved_at, moved_at + apart, moved_k) {
                Some(step) => moved_at = step,
                None => return span(steps),
            }
        }
        self.still
    }

    /// Goes over the steps of the leap with the plant, and returns the samples at its end, and for how many steps each
    /// channel has shown them. A channel that moves in the steps that settle it needs no answer.
    pub(super) fn over(
        &mut self,
        leap: Leap,
        at: u64,
        plant: &mut Run<'_>,
        probes: &[Probe],
    ) -> ([Sample; MAX_CHANNELS], [Option<u32>; MAX_CHANNELS]) {
        plant.save(&mut self.start);
        plant.leap(index(leap.over));
        plant.save(&mut self.mark);
        let end = at + u64::from(leap.over);
        let shown = shown(probes, plant.sensors_c(), end);
        let mut moves = [false; MAX_CHANNELS];
        for step in 1..=u64::from(leap.settling) {
            plant.step();
            let later = self::shown(probes, plant.sensors_c(), end + step);
            for channel in 0..probes.len() {
                moves[channel] |= later[channel] != shown[channel];
            }
            if step == 1 && !moves.contains(&true) {
                // Until one moves, the guard counts.
                break;
            }
        }
        plant.restore(&self.mark);
        let mut still = [None; MAX_CHANNELS];
        let Self { start, mark, near_c, scratch, .. } = self;
        near_c.clear();
        let mut past = Past { plant, start, at, probes, there: mark, near_c, scratch };
        for channel in (0..probes.len()).filter(|&channel| !moves[channel]) {
            still[channel] = past.still(channel, leap.over);
        }
        let mut samples = [Sample::None; MAX_CHANNELS];
        for (sample, measured) in samples.iter_mut().zip(shown).take(probes.len()) {
            *sample = Sample::Fresh(measured);
        }
        (samples, still)
    }
}

fn leap(steps: u32, quiet: Quiet) -> Option<Leap> {
    let over = steps.checked_sub(quiet.settling).filter(|_| quiet.settling <= MOST_SETTLING)?;
    (over >= SHORTEST).then_some(Leap { over, settling: quiet.settling })
}

fn shown(probes: &[Probe], sensors_c: [f64; MAX_CHANNELS], step: u64) -> [Measured; MAX_CHANNELS] {
    let mut shown = [Measured::element(forewarm_core::quantity::Ratio::ZERO); MAX_CHANNELS];
    for ((shown, probe), t) in shown.iter_mut().zip(probes).zip(sensors_c) {
        *shown = probe.measure(t, step);
    }
    shown
}

/// The steps that a leap went over.
struct Past<'a, 'p> {
    plant: &'a Run<'p>,
    start: &'a Mark,
    at: u64,
    probes: &'a [Probe],
    /// A mark to be moved.
    there: &'a mut Mark,
    /// Temperatures of the elements in the last steps (°C).
    near_c: &'a mut Vec<[f64; MAX_CHANNELS]>,
    scratch: &'a mut Vec<f64>,
}

impl Past<'_, '_> {
    /// For how many steps up to the last one a channel has shown the same; nothing if ever since the start.
    fn still(&mut self, channel: usize, steps: u32) -> Option<u32> {
        let near = steps.saturating_sub(NEAR);
        if self.near_c.is_empty() {
            self.go_to(near);
            self.near_c.push(self.plant.sensors_at_c(self.there));
            for _ in near..steps {
                self.plant.move_on(self.there, 1);
                self.near_c.push(self.plant.sensors_at_c(self.there));
            }
        }
        let measured = |(step, sensors_c): (u64, &[f64; MAX_CHANNELS])| {
            self.probes[channel].measure(sensors_c[channel], self.at + step)
        };
        let mut back = (0..=u64::from(steps)).rev().zip(self.near_c.iter().rev()).map(measured);
        let last = back.next();
        match back.position(|before| Some(before) != last) {
            Some(same) => u32::try_from(same).ok(),
            None => self.last_move(channel, 0, near).map(|step| steps - step),
        }
    }

    fn go_to(&mut self, step: u32) {
        self.there.clone_from(self.start);
        self.plant.move_on(self.there, index(step));
    }

    fn measured(&mut self, channel: usize, step: u32) -> Measured {
        self.go_to(step);
        self.probes[channel].measure(self.plant.sensors_at_c(self.there)[channel], self.at + u64::from(step))
    }

    /// The last step after `from` and up to `to` in which a channel shows something else than in the step before.
    fn last_move(&mut self, channel: usize, from: u32, to: u32) -> Option<u32> {
        if to <= from {
            return None;
        }
        self.go_to(from);
        let ahead = self.plant.ahead_of(self.there, index(to - from), self.scratch);
        let [low, high] = self.probes[channel].extremes(ahead.low_c[channel], ahead.high_c[channel]);
        if low == high {
            return None;
        }
        if to - from == 1 {
            return (self.measured(channel, from) != self.measured(channel, to)).then_some(to);
        }
        let middle = from + (to - from) / 2;
        self.last_move(channel, middle, to).or_else(|| self.last_move(channel, from, middle))
    }
}

/// Rounded up by more than the core's rounding and the bend of the element's curve.
fn upwards_k(k: f64) -> Kelvins {
    #[expect(clippy::cast_possible_truncation, reason = "held at the ends by the cast")]
    let millikelvins = (k * 1_010.0 + 1.0).ceil() as i32;
    Kelvins::from_millikelvins(millikelvins)
}

fn upwards_k_per_s(k_per_s: f64) -> KelvinRate {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
    let millikelvins_per_minute = (k_per_s * 60_600.0 + 1.0).ceil() as u32;
    KelvinRate::from_millikelvins_per_minute(millikelvins_per_minute)
}

const fn index(steps: u32) -> usize {
    steps as usize
}

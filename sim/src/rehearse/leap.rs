//! Decides how far the loop may leap: to where the plant might take a reading to a threshold, or a timer of the
//! controller might run out.
//!
//! The plant answers between which temperatures each thermometer stays for some time to come. The probe turns these
//! into the lowest and the highest reading: with its noise at its worst, or, near a threshold, with the noise of the
//! steps ahead. The core answers for how many steps such readings decide nothing. See `forewarm_core::leap`.

use super::probe::Probe;
use super::scenario::Scenario;
use super::still::{Lively, Past};
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

/// Near a threshold, the noise of so many steps is looked at. It reaches less far than it ever could.
const NOISE_SEEN: u32 = 64;

/// A leap that may be taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leap {
    /// The steps that the controller passes over at once.
    pub(super) over: u32,
    /// The steps after it that must be taken one by one.
    pub(super) settling: u32,
    /// The most that each element moves in a step (K).
    moved_k: [f64; MAX_CHANNELS],
}

/// What was found of a leap.
#[derive(Clone, Copy, Debug)]
pub(super) enum Found {
    /// It can be taken.
    Leap(Leap),
    /// In so many steps a timer runs out, at most.
    Timer(u32),
    /// A reading may come to a threshold at any time, or a count of looks has not come to its end.
    NearThreshold,
}

/// What is known of the noise of the steps ahead.
#[derive(Clone, Copy, Debug)]
enum Noise {
    /// No more than how far it ever reaches.
    Any,
    /// That of each step.
    Seen,
}

/// What leaps need to know of an installation.
pub(super) struct Leaper {
    readers: Vec<Reader>,
    step: Millis,
    lively: Lively,
    /// How far ahead a leap is looked for at first.
    reach: u32,
    /// Marks of the plant, made once.
    start: Mark,
    mark: Mark,
    scratch: Vec<f64>,
    /// What the converters put out at the end of a leap, and in each step that settles it.
    landing: Vec<[Measured; MAX_CHANNELS]>,
    step_s: f64,
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
        let settings = &scenario.settings;
        Self {
            readers: settings.channels.iter().map(Reader::new).collect(),
            step: Millis::from_millis(scenario.step_ms),
            lively: Lively::new(settings.trust.still_after, scenario.step_ms, probes),
            reach: u32::MAX,
            start: plant.mark(),
            mark: plant.mark(),
            scratch: Vec::new(),
            landing: Vec::new(),
            step_s: f64::from(scenario.step_ms) / 1000.0,
        }
    }

    /// A long leap from here, over at most so many steps.
    pub(super) fn from(&mut self, here: &Here<'_, '_>, most: u64) -> Found {
        let limit = u64::try_from(Run::LONGEST_LEAP).unwrap_or(u64::MAX);
        // Leaps that follow each other are mostly as long. So a look far ahead, which often is in vain, is spared.
        let first = u32::try_from(most.min(limit)).unwrap_or(u32::MAX).min(self.reach);
        let mut steps = first;
        let (mut longest, mut found) = (0, Found::NearThreshold);
        // What lies ahead for a shorter time is known better.
        while steps > SHORTEST.max(longest) {
            let ahead = here.plant.ahead(index(steps), &mut self.scratch);
            let mut quiet = self.quiet(here, &ahead, steps, Noise::Any);
            if !quiet.is_some_and(Quiet::ends_by_timers) && steps <= NOISE_SEEN {
                quiet = self.quiet(here, &ahead, steps, Noise::Seen);
            }
            if let Some(quiet) = quiet {
                let may = steps.min(quiet.steps);
                if may > longest || (quiet.ends_by_timers() && matches!(found, Found::NearThreshold)) {
                    longest = may;
                    let moved_k = ahead.pace_k_per_s.map(|pace_k_per_s| pace_k_per_s * self.step_s);
                    found = leap(may, quiet, moved_k).map_or(Found::Timer(may), Found::Leap);
                }
                if quiet.steps >= steps / 2 {
                    break;
                }
            }
            steps = if steps > NOISE_SEEN { NOISE_SEEN.max(steps / 4) } else { steps / 2 };
        }
        self.reach = match found {
            Found::Leap(_) if steps == first => self.reach.saturating_mul(4),
            Found::Leap(_) => 2 * steps.max(SHORTEST),
            Found::Timer(_) => self.reach,
            Found::NearThreshold => 4 * SHORTEST,
        };
        found
    }

    /// For how many of these steps nothing is decided, if each channel can be read.
    fn quiet(&mut self, here: &Here<'_, '_>, ahead: &Ahead, steps: u32, noise: Noise) -> Option<Quiet> {
        let courses = self.courses(here, ahead, steps, noise)?;
        let stillest = self.lively.stillest(here.probes, ahead, here.at, steps);
        Some(here.unit.quiet(self.step, (here.inputs, here.outputs), &courses, stillest))
    }

    /// What the readings keep to, if each of them is one.
    fn courses(&self, here: &Here<'_, '_>, ahead: &Ahead, steps: u32, noise: Noise) -> Option<[Course; MAX_CHANNELS]> {
        let anywhere = Course {
            low: Celsius::ZERO,
            high: Celsius::ZERO,
            jitter: Kelvins::ZERO,
            pace: KelvinRate::from_millikelvins_per_minute(0),
        };
        let mut courses = [anywhere; MAX_CHANNELS];
        for (channel, (reader, probe)) in self.readers.iter().zip(here.probes).enumerate() {
            let noise_k = match noise {
                Noise::Seen if !probe.is_fixed() => probe.noise_between_k(here.at, here.at + u64::from(steps)),
                Noise::Seen | Noise::Any => probe.noise_k(),
            };
            let [lowest, highest] = probe.extremes([ahead.low_c[channel], ahead.high_c[channel]], noise_k);
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
                jitter: upwards_k(probe.jitter_k(noise_k)),
                pace: upwards_k_per_s(ahead.pace_k_per_s[channel]),
            };
        }
        Some(courses)
    }

    /// Goes over the steps of the leap with the plant. [`Leaper::landing`] then has what the converters put out. Returns
    /// for how many steps each channel has shown what it shows at the end. One that moves in the steps that settle the
    /// leap needs no answer.
    pub(super) fn over(
        &mut self,
        leap: Leap,
        at: u64,
        plant: &mut Run<'_>,
        probes: &[Probe],
    ) -> [Option<u32>; MAX_CHANNELS] {
        let Self { start, mark, scratch, landing, .. } = self;
        plant.save(start);
        plant.leap(index(leap.over));
        plant.save(mark);
        let end = at + u64::from(leap.over);
        landing.clear();
        let end_c = plant.sensors_c();
        landing.push(shown(probes, end_c, end));
        for step in 1..=u64::from(leap.settling) {
            plant.move_on(mark, 1);
            landing.push(shown(probes, plant.sensors_at_c(mark), end + step));
        }
        let mut still = [None; MAX_CHANNELS];
        let mut past = Past { plant, start, at, probes, end_c, moved_k: leap.moved_k, there: mark, scratch };
        // Until one moves, the guard counts.
        let counts = landing.get(1).is_none_or(|next| next == &landing[0]);
        for (channel, still) in still.iter_mut().enumerate().take(probes.len()) {
            if counts || landing.iter().all(|shown| shown[channel] == landing[0][channel]) {
                *still = past.still(channel, leap.over);
            }
        }
        still
    }

    /// What the converters put out at the end of a leap, and in the steps after it that settle it.
    pub(super) fn landing(&self, step: u32) -> [Sample; MAX_CHANNELS] {
        let mut samples = [Sample::None; MAX_CHANNELS];
        for ((sample, measured), _) in samples.iter_mut().zip(self.landing[index(step)]).zip(&self.readers) {
            *sample = Sample::Fresh(measured);
        }
        samples
    }
}

fn leap(steps: u32, quiet: Quiet, moved_k: [f64; MAX_CHANNELS]) -> Option<Leap> {
    let over = steps.checked_sub(quiet.settling).filter(|_| quiet.settling <= MOST_SETTLING)?;
    (over >= SHORTEST).then_some(Leap { over, settling: quiet.settling, moved_k })
}

fn shown(probes: &[Probe], sensors_c: [f64; MAX_CHANNELS], step: u64) -> [Measured; MAX_CHANNELS] {
    let mut shown = [Measured::element(forewarm_core::quantity::Ratio::ZERO); MAX_CHANNELS];
    for ((shown, probe), t) in shown.iter_mut().zip(probes).zip(sensors_c) {
        *shown = probe.measure(t, step);
    }
    shown
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

pub(super) const fn index(steps: u32) -> usize {
    steps as usize
}

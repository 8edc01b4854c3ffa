//! An installation to which things happen: each happening is four bytes, and lasts for some steps.

use crate::bytes::Bytes;
use forewarm_core::quantity::{Celsius, Fraction, Instant, Millivolts, Ohms, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::{Channel, MAX_CHANNELS, MAX_SOURCES, Role, Settings};
use forewarm_core::signals::{Button, Inputs, Line, Relay, Sample, Sources, Storage};
use forewarm_core::testing::{c, fine_inputs, sample, shown, skewed, tapped};

/// A sequence is no longer than this. The times of drawn settings pass in it several times over.
pub(crate) const MOST_STEPS: u32 = 256;

/// The coldest and the warmest that anything gets (m°C).
const COLDEST: i32 = -44_000;
const WARMEST: i32 = 99_000;

/// What a broken channel shows.
#[derive(Clone, Copy)]
enum Shows {
    Nothing,
    ConverterFault,
    Raw(u32),
    Jump(i32),
    /// The tap at its lead reads so much (mΩ).
    Tap(u32),
}

/// What a step sees.
pub(crate) struct Seen {
    pub(crate) now: Instant,
    pub(crate) inputs: Inputs,
    /// The unit starts afresh before the step.
    pub(crate) restart: bool,
}

/// An installation.
pub(crate) struct World<'a> {
    settings: &'a Settings,
    now_ms: u32,
    step_ms: u32,
    steps: u32,
    /// What all parts have in common (m°C), and what each is warmer by.
    cells: i32,
    ahead: [i32; MAX_CHANNELS],
    /// How much warmer the plate is; its thermometer may have come off.
    plate: i32,
    is_detached: bool,
    /// Readings are exactly what the temperature is, to the last digit, and without noise.
    is_exact: bool,
    shows: [Option<Shows>; MAX_CHANNELS],
    every: [u8; MAX_CHANNELS],
    frozen: Option<[Sample; MAX_CHANNELS]>,
    skew_ppm: i32,
    last: [Sample; MAX_CHANNELS],
    inputs: Inputs,
    restart: bool,
}

impl<'a> World<'a> {
    pub(crate) fn new(settings: &'a Settings, bytes: &mut Bytes) -> Self {
        let [start, step, cells, every] = bytes.array();
        let inputs =
            Inputs { channels: [Sample::None; MAX_CHANNELS], sources: set(0b1111), ..fine_inputs(settings, c(0)) };
        Self {
            settings,
            // Half of all clocks wrap on the way.
            now_ms: if start < 128 { u32::from(start) << 24 } else { u32::MAX - (u32::from(start) - 128) * 10_000 },
            step_ms: 100 + u32::from(step) * 40,
            steps: 0,
            cells: -10_000 + i32::from(cells) * 120,
            ahead: std::array::from_fn(|index| 100 * i32::try_from(index).unwrap_or(0)),
            plate: 3_000,
            is_detached: false,
            is_exact: false,
            shows: [None; MAX_CHANNELS],
            every: std::array::from_fn(|index| 1 + (every >> index & 1)),
            frozen: None,
            skew_ppm: 0,
            last: [Sample::None; MAX_CHANNELS],
            inputs,
            restart: false,
        }
    }

    pub(crate) const fn is_over(&self) -> bool {
        self.steps >= MOST_STEPS
    }

    /// Lets the next thing happen, and shows each step of it.
    #[expect(clippy::too_many_lines, reason = "one arm a kind of event")]
    pub(crate) fn happen(&mut self, bytes: &mut Bytes, look: &mut impl FnMut(&Seen)) {
        let [kind, a, b, steps] = bytes.array();
        let steps = 1 + steps % 64;
        let (index, signed) = (usize::from(a) % MAX_CHANNELS, i32::from(b.cast_signed()));
        match kind % 25 {
            0 => {
                let by = i32::from(i16::from_le_bytes([a, b])) / i32::from(steps);
                for _ in 0..steps {
                    self.cells = (self.cells + by).clamp(COLDEST, WARMEST);
                    self.steps(1, look);
                }
                return;
            }
            1 => {}
            2 | 3 => {
                self.shows[index] = Some(match b % 8 {
                    0 => Shows::Nothing,
                    1 => Shows::ConverterFault,
                    2 => Shows::Raw(u32::from(b >> 3).wrapping_sub(16)),
                    3 => Shows::Raw(u32::from(b) << 23),
                    4 => Shows::Tap(u32::from(b >> 3) * 200),
                    _ => Shows::Jump((signed >> 3) * 2_500),
                });
                self.steps(steps, look);
                // Some stay broken.
                if kind % 25 == 2 {
                    self.shows[index] = None;
                }
                return;
            }
            4 => self.shows = [None; MAX_CHANNELS],
            5 => {
                self.inputs.unsteady = set(b);
                self.inputs.sources = set(a).without(self.inputs.unsteady);
            }
            6 => self.inputs.supply = (a > 0).then(|| Millivolts::from_millivolts(10_000 + 25 * u32::from(a))),
            7 => {
                self.inputs.bank = (a > 0).then(|| Millivolts::from_millivolts(10_500 + 16 * u32::from(a)));
                self.inputs.state_of_charge = (b > 0).then(|| Fraction::from_per_mille(4 * u32::from(b)));
            }
            8 => {
                self.inputs.charge_line = line(a & 1 == 0);
                self.inputs.discharge_line = line(a & 2 == 0);
            }
            9 => {
                let fine = fine_inputs(self.settings, c(0));
                self.inputs = Inputs { channels: self.inputs.channels, sources: set(0b1111), ..fine };
                self.shows = [None; MAX_CHANNELS];
            }
            10 => {
                self.inputs.heater_feedback = contact(a);
                self.inputs.charge_feedback = contact(b);
            }
            11 => {
                self.inputs.button = Button::Pressed;
                self.steps(steps, look);
                self.inputs.button = Button::Released;
                self.steps(1, look);
                return;
            }
            12 => {
                self.inputs.storage = Storage::Failing;
                self.steps(steps, look);
                self.inputs.storage = Storage::Kept;
                return;
            }
            13 => {
                let by = match a % 4 {
                    0 => u32::from(b % 2),
                    1 => u32::from(b),
                    2 => 14_000 + 25 * u32::from(b),
                    _ => u32::from(b) << 24,
                };
                self.step(by, look);
                return;
            }
            14 => self.restart = true,
            15 => {
                for _ in 0..a % 6 {
                    self.restart = true;
                    self.steps(steps, look);
                }
                return;
            }
            16 => {
                let (from, to) = (self.plate, 1_000 * i32::from(a % 80));
                for step in 1..=i32::from(steps) {
                    self.plate = from + (to - from) / i32::from(steps) * step;
                    self.steps(1, look);
                }
                return;
            }
            17 => self.is_detached ^= true,
            18 => {
                self.frozen = Some(self.last);
                self.steps(steps, look);
                self.frozen = None;
                return;
            }
            19 => {
                self.skew_ppm = signed * 500;
                self.steps(steps, look);
                self.skew_ppm = 0;
                return;
            }
            20 => self.ahead[index] = signed * 40,
            21 => self.every[index] = 1 + b % 5,
            22 => self.step_ms = 100 + u32::from(u16::from_le_bytes([a, b])) % 14_900,
            23 => {
                self.cells = self.threshold(a).as_millidegrees().clamp(COLDEST, WARMEST);
                let (ahead, plate) = (self.ahead, self.plate);
                (self.ahead, self.plate, self.is_exact) = ([signed; MAX_CHANNELS], signed, true);
                self.steps(steps, look);
                (self.ahead, self.plate, self.is_exact) = (ahead, plate, false);
                return;
            }
            _ => {
                let before = self.inputs.sources;
                for time in 0..2 * (a % 12) {
                    self.inputs.sources = if time % 2 == 0 { Sources::NONE } else { set(0b1111) };
                    self.steps(steps, look);
                }
                self.inputs.sources = before;
                return;
            }
        }
        self.steps(steps, look);
    }

    /// Where something is decided.
    fn threshold(&self, which: u8) -> Celsius {
        let Settings { charge, heater, .. } = self.settings;
        let points = &charge.ceiling;
        match which % 10 {
            0 => charge.inhibit,
            1 => charge.release,
            2 => charge.high_limit,
            3 => charge.high_release,
            4 => heater.start,
            5 => heater.stop,
            6 => heater.cutout_cell,
            7 => heater.cutout_pad,
            8 => charge.hard_limit,
            _ => points.get(usize::from(which) % points.len().max(1)).map_or(charge.inhibit, |point| point.at),
        }
    }

    fn steps(&mut self, steps: u8, look: &mut impl FnMut(&Seen)) {
        (0..steps).for_each(|_| self.step(self.step_ms, look));
    }

    fn step(&mut self, by_ms: u32, look: &mut impl FnMut(&Seen)) {
        if self.is_over() {
            return;
        }
        self.steps += 1;
        self.now_ms = self.now_ms.wrapping_add(by_ms);
        for (index, channel) in self.settings.channels.iter().enumerate() {
            self.inputs.channels[index] = self.sample(index, channel);
        }
        let restart = std::mem::take(&mut self.restart);
        look(&Seen { now: Instant::from_millis(self.now_ms), inputs: self.inputs, restart });
    }

    fn sample(&mut self, index: usize, channel: &Channel) -> Sample {
        let is_due = self.steps == 1 || self.steps.is_multiple_of(u32::from(self.every[index]));
        if let Some(frozen) = self.frozen {
            return if is_due { frozen[index] } else { Sample::None };
        }
        let ahead = match channel.role {
            Role::Pad if self.is_detached => 500,
            Role::Pad => self.plate,
            Role::Cell | Role::Ambient | Role::Check(_) => self.ahead[index],
        };
        // A little noise, so that nothing looks stuck.
        let place = u32::try_from(index).unwrap_or(0);
        let noise = (self.steps.wrapping_mul(2_654_435_761).wrapping_add(place) >> 27).cast_signed();
        let noise = if self.is_exact { 0 } else { noise };
        let t = (self.cells + ahead + noise).clamp(COLDEST, WARMEST);
        let fresh = match self.shows[index] {
            Some(Shows::ConverterFault) => return Sample::ConverterFault,
            Some(Shows::Raw(steps)) => Sample::Fresh(Measured::element(Ratio::from_steps(steps))),
            Some(Shows::Jump(by)) => self.measured(channel, (t + by).clamp(COLDEST, WARMEST)),
            Some(Shows::Tap(milliohms)) => tapped(channel, self.measured(channel, t), Ohms::from_milliohms(milliohms)),
            None if is_due => self.measured(channel, t),
            Some(Shows::Nothing) | None => return Sample::None,
        };
        let fresh = skewed(fresh, self.skew_ppm);
        self.last[index] = fresh;
        fresh
    }

    fn measured(&self, channel: &Channel, t: i32) -> Sample {
        if self.is_exact || matches!(channel.role, Role::Check(_)) {
            return sample(channel, c(t));
        }
        // To the nearest digit and no further: a search for the digit takes longer than a step.
        match channel.element.resistance(c(t).lowered(channel.offset)) {
            Ok(resistance) => shown(channel, resistance),
            Err(_) => Sample::ConverterFault,
        }
    }
}

/// The sources whose bit is set.
fn set(bits: u8) -> Sources {
    (0..MAX_SOURCES).filter(|index| bits & (1 << index) != 0).fold(Sources::NONE, Sources::with)
}

const fn line(is_allowed: bool) -> Line {
    if is_allowed { Line::Allowed } else { Line::Refused }
}

const fn contact(byte: u8) -> Option<Relay> {
    match byte % 3 {
        0 => None,
        1 => Some(Relay::Closed),
        _ => Some(Relay::Open),
    }
}

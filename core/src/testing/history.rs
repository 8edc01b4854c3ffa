//! Histories: what can happen to an installation, step by step.

use super::{Time, c, fine_inputs, sample, skewed, tapped};
use crate::quantity::{Fraction, Instant, Millivolts, Ohms, Ratio};
use crate::rtd::Measured;
use crate::settings::{MAX_CHANNELS, Role, Settings};
use crate::signals::{Button, Inputs, Line, Relay, Sample, Sources, Storage};
use proptest::prelude::*;
use std::vec::Vec;

/// What can happen between two steps of a generated history.
#[derive(Clone, Debug)]
enum Happening {
    /// Every cell channel moves by so many millikelvins, in so many steps.
    Drift {
        millikelvins: i32,
        steps: u16,
    },
    /// Nothing changes for so many steps.
    Calm {
        steps: u16,
    },
    /// A channel shows something else: a fault, a jump, nothing.
    Break {
        channel: usize,
        shows: Shown,
        steps: u16,
    },
    /// Every converter repeats its last code for so many steps, and the cells get colder.
    Freeze {
        steps: u16,
    },
    /// The reference all channels share goes off by so much, at once or little by little, and comes back.
    Skew {
        ppm: i32,
        steps: u16,
        slowly: bool,
    },
    /// Every cell channel climbs by so many millikelvins in each of so many steps, or falls.
    Creep {
        millikelvins: i32,
        steps: u16,
    },
    /// Sources, voltages, lines, feedback, button.
    World {
        sources: u8,
        supply: Option<u32>,
        bank: Option<u32>,
        charge: Option<u32>,
        lines: [bool; 2],
    },
    Feedback {
        heater: Option<bool>,
        charge: Option<bool>,
        steps: u16,
    },
    Button {
        steps: u16,
    },
    /// The lines of some sources toggle, and what else is present stays so.
    Unsteady {
        sources: u8,
        steps: u16,
    },
    /// Every source comes and goes, so many steps there and as many away.
    Flicker {
        steps: u16,
        times: u16,
    },
    /// The bank's voltage and charge fall, and what is present stays so.
    Sink {
        millivolts: u32,
        per_mille: u32,
        steps: u16,
    },
    /// Nothing can be stored.
    Unstored {
        steps: u16,
    },
    /// The clock leaps, forwards or backwards, or stands still.
    Clock {
        by: u32,
    },
    /// Power goes and comes back; what must survive does.
    Restart,
    /// It does so many times, each after so many steps.
    Restarts {
        times: u8,
        steps: u16,
    },
    /// Somebody heats, commanded or not: the plate gets warmer than all by so many kelvins, in so many steps, and stays so.
    Heat {
        kelvins: i32,
        steps: u16,
    },
    /// The thermometer of the plate comes off and shows the air, from now on; or it is put back.
    Detach,
}

/// What a broken channel shows.
#[derive(Clone, Copy, Debug)]
enum Shown {
    Nothing,
    ConverterFault,
    Raw(u32),
    Jump(i32),
    /// The tap at the lead of a 3-wire channel reads so much (mΩ), whatever the lead has.
    Tap(u32),
}

fn any_happening() -> impl Strategy<Value = Happening> {
    let shown = prop_oneof![
        Just(Shown::Nothing),
        Just(Shown::ConverterFault),
        Just(Shown::Raw(0)),
        Just(Shown::Raw(u32::MAX)),
        any::<u32>().prop_map(Shown::Raw),
        (-40_000..40_000_i32).prop_map(Shown::Jump),
        Just(Shown::Tap(0)),
        (0..6_000_u32).prop_map(Shown::Tap),
    ];
    let clock = prop_oneof![Just(0), 1..100_u32, 14_000..20_000_u32, any::<u32>()];
    prop_oneof![
        6 => (-12_000..14_000_i32, 1..120_u16).prop_map(|(millikelvins, steps)| Happening::Drift { millikelvins, steps }),
        6 => prop_oneof![
            2 => (1..200_u16).prop_map(|steps| Happening::Calm { steps }),
            1 => (10..400_u16).prop_map(|steps| Happening::Freeze { steps }),
            1 => (-60_000..60_000_i32, 1..200_u16, any::<bool>())
                .prop_map(|(ppm, steps, slowly)| Happening::Skew { ppm, steps, slowly }),
            1 => (-400..400_i32, 1..60_u16).prop_map(|(millikelvins, steps)| Happening::Creep { millikelvins, steps }),
        ],
        4 => (0..6_usize, shown, prop_oneof![1..40_u16, 1..4_u16]).prop_map(|(channel, shows, steps)| Happening::Break { channel, shows, steps }),
        3 => (any::<u8>(), proptest::option::weighted(0.9, 10_500..15_500_u32), proptest::option::weighted(0.9, 11_000..14_000_u32),
              proptest::option::weighted(0.8, 0..1_000_u32), any::<[bool; 2]>(), any::<bool>())
            .prop_map(|(sources, supply, bank, charge, lines, helpful)| Happening::World {
                sources: if helpful { 0b1111 } else { sources },
                supply: if helpful { Some(12_800) } else { supply },
                bank, charge,
                lines: if helpful { [true; 2] } else { lines },
            }),
        1 => (any::<Option<bool>>(), any::<Option<bool>>(), 1..30_u16)
            .prop_map(|(heater, charge, steps)| Happening::Feedback { heater, charge, steps }),
        1 => (1..12_u16).prop_map(|steps| Happening::Button { steps }),
        3 => prop_oneof![
            (any::<u8>(), 1..60_u16).prop_map(|(sources, steps)| Happening::Unsteady { sources, steps }),
            (1..40_u16, 2..24_u16).prop_map(|(steps, times)| Happening::Flicker { steps, times }),
            (100..3_000_u32, 0..100_u32, 1..120_u16)
                .prop_map(|(millivolts, per_mille, steps)| Happening::Sink { millivolts, per_mille, steps }),
        ],
        1 => (1..60_u16).prop_map(|steps| Happening::Unstored { steps }),
        1 => clock.prop_map(|by| Happening::Clock { by }),
        2 => prop_oneof![
            2 => Just(Happening::Restart),
            2 => (2..6_u8, 5..100_u16).prop_map(|(times, steps)| Happening::Restarts { times, steps }),
            4 => (0..60_i32, 20..200_u16).prop_map(|(kelvins, steps)| Happening::Heat { kelvins, steps }),
            1 => Just(Happening::Detach),
        ],
    ]
}

/// One step of a history.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// When.
    pub now: Instant,
    /// What the world says then.
    pub inputs: Inputs,
    /// Whether the unit starts afresh before this step, with what survives a restart.
    pub restart: bool,
}

/// A history: where it starts, how fast it steps, what happens.
#[derive(Clone, Debug)]
pub struct History {
    start_ms: u32,
    step_ms: u32,
    cells_mc: i32,
    /// The channel is sampled every so many steps.
    every: [u8; MAX_CHANNELS],
    happenings: Vec<Happening>,
}

/// Histories of every kind: channels break, temperatures drift through every threshold, energy goes away, clocks leap, wrap and
/// stand still, power is cut.
pub fn any_history() -> impl Strategy<Value = History> {
    let every = proptest::array::uniform6(prop_oneof![4 => Just(1_u8), 1 => 2..6_u8]);
    // A third of all histories begin shortly before the clock wraps.
    let start = prop_oneof![2 => any::<u32>(), 1 => (u32::MAX - 2_000_000)..u32::MAX];
    (start, 100..10_000_u32, -10_000..20_000_i32, every, proptest::collection::vec(any_happening(), 1..24)).prop_map(
        |(start_ms, step_ms, cells_mc, every, happenings)| History { start_ms, step_ms, cells_mc, every, happenings },
    )
}

impl History {
    /// The moments of this history in an installation with these settings. It begins with every source present and all well.
    #[must_use]
    pub fn moments(&self, settings: &Settings) -> Vec<Moment> {
        let mut play = Play {
            history: self,
            settings,
            time: Time(self.start_ms),
            cells: self.cells_mc,
            count: 0,
            moments: Vec::new(),
            world: Inputs {
                channels: [Sample::None; MAX_CHANNELS],
                sources: Sources::NONE.with(0).with(1).with(2).with(3),
                ..fine_inputs(settings, c(0))
            },
            restart: false,
            frozen: None,
            skew_ppm: 0,
            plate_ahead: 3_000,
            detached: false,
        };
        for happening in &self.happenings {
            play.happen(happening);
        }
        play.moments
    }
}

/// The sources whose bit is set.
fn set(bits: u8) -> Sources {
    (0..4).filter(|index| bits & (1 << index) != 0).fold(Sources::NONE, Sources::with)
}

struct Play<'a> {
    history: &'a History,
    settings: &'a Settings,
    time: Time,
    cells: i32,
    count: u32,
    world: Inputs,
    moments: Vec<Moment>,
    restart: bool,
    /// How much warmer than the cells the plate is, in millikelvins.
    plate_ahead: i32,
    /// Its thermometer shows the air instead.
    detached: bool,
    /// What each channel last showed, and goes on showing.
    frozen: Option<[Sample; MAX_CHANNELS]>,
    /// What every reading is larger by than it should be.
    skew_ppm: i32,
}

impl Play<'_> {
    #[expect(clippy::too_many_lines, reason = "one arm a kind of event")]
    fn happen(&mut self, happening: &Happening) {
        match *happening {
            Happening::Drift { millikelvins, steps } => {
                for _ in 0..steps {
                    self.cells = (self.cells + millikelvins / i32::from(steps)).clamp(-44_000, 99_000);
                    self.step(self.history.step_ms, None);
                }
            }
            Happening::Calm { steps } => (0..steps).for_each(|_| self.step(self.history.step_ms, None)),
            Happening::Break { channel, shows, steps } => {
                (0..steps).for_each(|_| self.step(self.history.step_ms, Some((channel, shows))));
            }
            Happening::World { sources, supply, bank, charge, lines } => {
                let line = |allowed| if allowed { Line::Allowed } else { Line::Refused };
                self.world.sources = set(sources);
                self.world.supply = supply.map(Millivolts::from_millivolts);
                self.world.bank = bank.map(Millivolts::from_millivolts);
                self.world.state_of_charge = charge.map(Fraction::from_per_mille);
                [self.world.charge_line, self.world.discharge_line] = lines.map(line);
                self.step(self.history.step_ms, None);
            }
            Happening::Feedback { heater, charge, steps } => {
                let relay = |closed: bool| if closed { Relay::Closed } else { Relay::Open };
                let before = (self.world.heater_feedback, self.world.charge_feedback);
                (self.world.heater_feedback, self.world.charge_feedback) = (heater.map(relay), charge.map(relay));
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                (self.world.heater_feedback, self.world.charge_feedback) = before;
            }
            Happening::Button { steps } => {
                self.world.button = Button::Pressed;
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                self.world.button = Button::Released;
                self.step(self.history.step_ms, None);
            }
            Happening::Unsteady { sources, steps } => {
                let before = self.world.sources;
                self.world.unsteady = set(sources);
                self.world.sources = before.without(self.world.unsteady);
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                (self.world.sources, self.world.unsteady) = (before, Sources::NONE);
            }
            Happening::Flicker { steps, times } => {
                let before = self.world.sources;
                for time in 0..2 * times {
                    self.world.sources = if time % 2 == 0 { Sources::NONE } else { set(0b1111) };
                    (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                }
                self.world.sources = before;
            }
            Happening::Sink { millivolts, per_mille, steps } => {
                let before = (self.world.bank, self.world.state_of_charge);
                self.world.bank = before.0.map(|bank| bank.less(Millivolts::from_millivolts(millivolts)));
                self.world.state_of_charge =
                    before.1.map(|charge| Fraction::from_per_mille(charge.as_per_mille().saturating_sub(per_mille)));
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                (self.world.bank, self.world.state_of_charge) = before;
            }
            Happening::Unstored { steps } => {
                self.world.storage = Storage::Failing;
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                self.world.storage = Storage::Kept;
            }
            Happening::Freeze { steps } => {
                let mut shown = [Sample::None; MAX_CHANNELS];
                for moment in &self.moments {
                    for (shown, sample) in shown.iter_mut().zip(moment.inputs.channels) {
                        *shown = if sample == Sample::None { *shown } else { sample };
                    }
                }
                self.frozen = Some(shown);
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                self.frozen = None;
                self.cells -= i32::from(steps);
            }
            Happening::Skew { ppm, steps, slowly } => {
                for step in 1..=i32::from(steps) {
                    self.skew_ppm = if slowly { ppm / i32::from(steps) * step } else { ppm };
                    self.step(self.history.step_ms, None);
                }
                self.skew_ppm = 0;
            }
            Happening::Creep { millikelvins, steps } => {
                for _ in 0..steps {
                    self.cells = (self.cells + millikelvins).clamp(-44_000, 90_000);
                    self.step(self.history.step_ms, None);
                }
            }
            Happening::Clock { by } => self.step(by, None),
            Happening::Restart => self.restart = true,
            Happening::Restarts { times, steps } => {
                for _ in 0..times {
                    self.restart = true;
                    (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                }
            }
            Happening::Heat { kelvins, steps } => {
                let (from, to) = (self.plate_ahead, 1_000 * kelvins);
                for step in 1..=i32::from(steps) {
                    self.plate_ahead = from + (to - from) / i32::from(steps) * step;
                    self.step(self.history.step_ms, None);
                }
            }
            Happening::Detach => self.detached ^= true,
        }
    }

    fn step(&mut self, by_ms: u32, broken: Option<(usize, Shown)>) {
        let mut inputs = self.world;
        self.count = self.count.wrapping_add(1);
        for (index, channel) in self.settings.channels.iter().enumerate() {
            // A little noise, so that nothing looks stuck, and the plate a little ahead.
            let noise = i32::try_from(self.count.wrapping_mul(2_654_435_761).wrapping_add(index as u32) >> 27).unwrap();
            let ahead = match channel.role {
                Role::Pad if self.detached => 500,
                Role::Pad => self.plate_ahead,
                Role::Cell | Role::Ambient | Role::Check(_) => 100 * i32::try_from(index).unwrap(),
            };
            let t = (self.cells + ahead + noise).min(99_000);
            let is_sampled = self.count.is_multiple_of(u32::from(self.history.every[index])) || self.count == 1;
            if let Some(frozen) = &self.frozen {
                inputs.channels[index] = if is_sampled { frozen[index] } else { Sample::None };
                continue;
            }
            inputs.channels[index] = match broken {
                Some((at, shown)) if at == index => match shown {
                    Shown::Nothing => Sample::None,
                    Shown::ConverterFault => Sample::ConverterFault,
                    Shown::Raw(steps) => Sample::Fresh(Measured::element(Ratio::from_steps(steps))),
                    Shown::Tap(milliohms) => tapped(channel, sample(channel, c(t)), Ohms::from_milliohms(milliohms)),
                    Shown::Jump(by) => sample(channel, c((t + by).clamp(-44_000, 99_000))),
                },
                _ if is_sampled => sample(channel, c(t)),
                _ => Sample::None,
            };
            inputs.channels[index] = skewed(inputs.channels[index], self.skew_ppm);
        }
        let now = self.time.after(by_ms);
        self.moments.push(Moment { now, inputs, restart: std::mem::take(&mut self.restart) });
    }
}

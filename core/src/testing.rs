//! What tests share: an installation, ways to make samples of temperatures, and generated installations and histories.

use crate::quantity::{
    Celsius, Fraction, Instant, Joules, KelvinRate, Kelvins, MilliampHours, Millis, Millivolts, Milliwatts, Ohms, Ratio,
};
use crate::rtd::{Element, Leads, Measured, Thermometer};
use crate::settings::{
    BankUse, CeilingPoint, Channel, Charge, Cooling, Heater, Hold, Key, MAX_CHANNELS, Proof, Reserve, Role, Settings,
    Source, Trust,
};
use crate::signals::{Button, Inputs, Line, Relay, Sample, Sources, Storage};
use proptest::prelude::*;

pub(crate) fn c(millidegrees: i32) -> Celsius {
    Celsius::from_millidegrees(millidegrees)
}

fn k(millikelvins: i32) -> Kelvins {
    Kelvins::from_millikelvins(millikelvins)
}

fn channel(role: Role) -> Channel {
    Channel {
        role,
        element: Element::pt100(),
        reference: Ohms::from_milliohms(400_000),
        leads: Leads::ThreeWire,
        offset: Kelvins::ZERO,
    }
}

/// Two cells, a plate, the air; engine, mains and sun; 60 W at 12.8 V.
pub(crate) fn settings() -> Settings {
    let source = |watts: u32, priority, settle| Source {
        budget: Milliwatts::from_milliwatts(watts * 1000),
        priority,
        settle: Millis::from_secs(settle),
    };
    let point = |t, per_mille| CeilingPoint { at: c(t), limit: Fraction::from_per_mille(per_mille) };
    Settings {
        channels: [Role::Cell, Role::Cell, Role::Pad, Role::Ambient].map(channel).into_iter().collect(),
        charge: Charge {
            inhibit: c(5_000),
            release: c(8_000),
            high_limit: c(45_000),
            high_release: c(42_000),
            soak: Millis::from_secs(600),
            min_off: Millis::from_secs(60),
            capacity: MilliampHours::from_milliamp_hours(200_000),
            ceiling: [point(5_000, 100), point(10_000, 300), point(15_000, 500)].into_iter().collect(),
        },
        heater: Heater {
            start: c(7_000),
            stop: c(12_000),
            power: Milliwatts::from_milliwatts(60_000),
            nominal: Millivolts::from_millivolts(12_800),
            supply_min: Millivolts::from_millivolts(11_000),
            supply_max: Millivolts::from_millivolts(15_000),
            cutout_cell: c(30_000),
            cutout_pad: c(50_000),
            cutout_hysteresis: k(5_000),
            over_temperature: k(10_000),
            min_on: Millis::from_secs(60),
            min_off: Millis::from_secs(60),
            max_run: Millis::from_secs(6 * 3600),
            rest: Millis::from_secs(1800),
            hold: Hold::WhileCharging,
            proof: Some(Proof { energy: Joules::from_joules(36_000), rise: k(1_000) }),
            cooling: Some(Cooling { after: Millis::from_secs(3600), excess: k(8_000) }),
        },
        sources: [source(100, 1, 20), source(300, 0, 5), source(80, 2, 60)].into_iter().collect(),
        bank: BankUse::Never,
        trust: Trust {
            good_run: 3,
            max_step: Millis::from_secs(15),
            max_age: Millis::from_secs(30),
            plausible_low: c(-45_000),
            plausible_high: c(100_000),
            noise: k(250),
            fastest_cell: KelvinRate::from_millikelvins_per_minute(3_000),
            fastest_pad: KelvinRate::from_millikelvins_per_minute(60_000),
            fastest_ambient: KelvinRate::from_millikelvins_per_minute(30_000),
            disagreement: k(10_000),
            stuck_after: Some(Millis::from_secs(4 * 3600)),
            stuck_moved: k(5_000),
            restart_limit: 5,
            restart_window: Millis::from_secs(900),
            feedback: Millis::from_secs(5),
            button: Millis::from_secs(2),
        },
    }
}

/// What a converter of `channel` measures with its element at `t` (the reading, offset included), rounded up to what reads as `t` to the
/// last digit where there is such a ratio: equality is where thresholds go wrong.
pub(crate) fn sample(channel: &Channel, t: Celsius) -> Sample {
    let thermometer = Thermometer::new(channel.element);
    let leads = channel.leads.known();
    let r = channel.element.resistance(t.lowered(channel.offset)).unwrap().plus(leads);
    let steps = (u64::from(r.as_steps()) << 30) / u64::from(channel.reference.as_steps());
    let steps = u32::try_from(steps).unwrap_or(u32::MAX);
    let reads = |steps: u32| {
        let ohms = Ratio::from_steps(steps).of(channel.reference)?.less(leads)?;
        Some(thermometer.celsius(ohms).ok()?.raised(channel.offset))
    };
    let exactly = (steps..steps.saturating_add(200)).find(|&steps| reads(steps) == Some(t));
    Sample::Fresh(Measured::element(Ratio::from_steps(exactly.unwrap_or(steps))))
}

/// All is well: every channel at `t`, mains present, both lines allowed.
pub(crate) fn fine_inputs(settings: &Settings, t: Celsius) -> Inputs {
    let mut channels = [Sample::None; MAX_CHANNELS];
    for (slot, channel) in channels.iter_mut().zip(&settings.channels) {
        *slot = sample(channel, t);
    }
    Inputs {
        channels,
        supply: Some(settings.heater.nominal),
        bank: Some(settings.heater.nominal),
        state_of_charge: Some(Fraction::from_per_mille(800)),
        sources: Sources::NONE.with(1),
        unsteady: Sources::NONE,
        charge_line: Line::Allowed,
        discharge_line: Line::Allowed,
        heater_feedback: None,
        charge_feedback: None,
        button: Button::Released,
        storage: Storage::Kept,
    }
}

/// A clock that a test moves.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Time(pub(crate) u32);

impl Time {
    pub(crate) fn after(&mut self, millis: u32) -> Instant {
        self.0 = self.0.wrapping_add(millis);
        Instant::from_millis(self.0)
    }
}

fn any_channel(role: Role) -> impl Strategy<Value = Channel> {
    let element = prop_oneof![Just(Element::pt100()), Just(Element::pt500()), Just(Element::pt1000())];
    let leads = prop_oneof![
        Just(Leads::ThreeWire),
        Just(Leads::FourWire),
        (0..2_000_000_u64, -20..40_i32)
            .prop_map(|(micro, t)| Leads::TwoWire { loop_at_20c: Ohms::from_micro_ohms(micro), at: c(t * 1000) }),
    ];
    (element, leads, -2_000..2_000_i32, 3_900..6_000_u32).prop_map(move |(element, leads, offset, reference)| Channel {
        role,
        element,
        leads,
        offset: k(offset),
        // About four to six times R0.
        reference: Ohms::from_micro_ohms(element.r0().as_micro_ohms() / 1000 * u64::from(reference)),
    })
}

fn any_bank() -> impl Strategy<Value = BankUse> {
    let reserve = prop_oneof![
        (10..80_u32, 1..20_u32).prop_map(|(floor, more)| Reserve::StateOfCharge {
            floor: Fraction::from_per_mille(floor * 10),
            resume: Fraction::from_per_mille((floor + more) * 10)
        }),
        (11_500..12_800_u32, 1..800_u32, 0..600_u32).prop_map(|(floor, more, sag)| Reserve::Voltage {
            floor: Millivolts::from_millivolts(floor),
            resume: Millivolts::from_millivolts(floor + more),
            sag: Millivolts::from_millivolts(sag)
        }),
    ];
    (0..3_u8, reserve).prop_map(|(policy, reserve)| match policy {
        0 => BankUse::Never,
        1 => BankUse::WithSource(reserve),
        _ => BankUse::Always(reserve),
    })
}

/// Settings of every kind that `validate` accepts, with times short enough that a history of some hundred steps sees them pass.
pub(crate) fn any_settings() -> impl Strategy<Value = Settings> {
    let roles = (1..=3_usize, 0..=2_usize, 0..=1_usize);
    let channels = roles.prop_flat_map(|(cells, pads, ambients)| {
        let roles = [(Role::Cell, cells), (Role::Pad, pads), (Role::Ambient, ambients)];
        roles
            .into_iter()
            .flat_map(|(role, n)| std::iter::repeat_n(role, n))
            .map(any_channel)
            .collect::<std::vec::Vec<_>>()
    });
    let charge = (0..9_000_i32, 200..4_000_i32, 30_000..55_000_i32, 500..4_000_i32, 60..400_u32, 0..120_u32);
    let heater =
        (100..4_000_i32, 5_000..60_000_u32, 0..100_u32, 0..100_u32, 400..4_000_u32, any::<bool>(), any::<[bool; 2]>());
    let sources = proptest::collection::vec((0..200_000_u32, 0..10_u8, 0..40_u32), 0..=4);
    let trust =
        (2..6_u8, 10..800_i32, 1_000..60_000_u32, 1_500..20_000_i32, 5..120_u32, proptest::option::of(360..4_000_u32));
    (channels, charge, heater, sources, any_bank(), trust).prop_map(
        |(channels, charge, heater, sources, bank, trust)| {
            let mut settings = settings();
            settings.channels = channels.into_iter().collect();
            let (inhibit, above, high_limit, below, soak, min_off) = charge;
            settings.charge.inhibit = c(inhibit);
            settings.charge.release = c(inhibit + above.max(500));
            settings.charge.high_limit = c(high_limit);
            settings.charge.high_release = c(high_limit - below);
            settings.charge.soak = Millis::from_secs(soak);
            settings.charge.min_off = Millis::from_secs(min_off);
            let (margin, power, min_on, min_off, max_run, hold, [proof, cooling]) = heater;
            settings.heater.start = c(inhibit + margin);
            settings.heater.stop = c(inhibit + margin.max(above) + 1_000);
            settings.heater.power = Milliwatts::from_milliwatts(power);
            settings.heater.min_on = Millis::from_secs(min_on);
            settings.heater.min_off = Millis::from_secs(min_off);
            settings.heater.max_run = Millis::from_secs(max_run);
            settings.heater.rest = Millis::from_secs(300);
            settings.heater.hold = if hold { Hold::WhileCharging } else { Hold::Never };
            settings.heater.proof = settings.heater.proof.filter(|_| proof);
            settings.heater.cooling = settings.heater.cooling.filter(|_| cooling);
            settings.sources = sources
                .into_iter()
                .map(|(milliwatts, priority, settle)| Source {
                    budget: Milliwatts::from_milliwatts(milliwatts),
                    priority,
                    settle: Millis::from_secs(settle),
                })
                .collect();
            settings.bank = bank;
            let (good_run, noise, fastest, disagreement, max_age, stuck_after) = trust;
            settings.trust.good_run = good_run;
            settings.trust.noise = k(noise);
            settings.trust.fastest_cell = KelvinRate::from_millikelvins_per_minute(fastest);
            settings.trust.disagreement = k(disagreement);
            settings.trust.max_age = Millis::from_secs(max_age);
            settings.trust.stuck_after = stuck_after.map(Millis::from_secs);
            settings
        },
    )
}

/// A value of a setting anywhere in its row of the table.
fn within(key: Key) -> impl Strategy<Value = i64> {
    let fact = key.fact();
    prop_oneof![1 => Just(fact.minimum), 1 => Just(fact.maximum), 4 => fact.minimum..=fact.maximum]
}

fn within_all<const N: usize>(keys: [Key; N]) -> impl Strategy<Value = std::vec::Vec<i64>> {
    keys.map(within).into_iter().collect::<std::vec::Vec<_>>()
}

/// Settings from the ends of their ranges inwards. Pairs that must be in order are put in order; what is still refused,
/// `validate` tells.
pub(crate) fn wild_settings() -> impl Strategy<Value = Settings> {
    let temperatures = [
        Key::Inhibit,
        Key::Release,
        Key::HighRelease,
        Key::HighLimit,
        Key::HeaterStart,
        Key::HeaterStop,
        Key::CutoutCell,
        Key::CutoutPad,
    ];
    let times = [
        Key::ChargeMinOff,
        Key::HeaterMinOn,
        Key::HeaterMinOff,
        Key::MaxStep,
        Key::MaxAge,
        Key::RestartWindow,
        Key::Feedback,
        Key::Button,
    ];
    let electrical = [Key::Capacity, Key::HeaterPower, Key::HeaterNominal, Key::SupplyMin, Key::SupplyMax];
    let kelvins = [Key::CutoutHysteresis, Key::OverTemperature, Key::Noise, Key::Disagreement, Key::StuckMoved];
    let rates = [Key::FastestCell, Key::FastestPad, Key::FastestAmbient];
    let trust =
        [Key::GoodRun, Key::RestartLimit, Key::PlausibleLow, Key::PlausibleHigh, Key::Soak, Key::MaxRun, Key::Rest];
    (
        any_settings(),
        within_all(temperatures),
        within_all(times),
        within_all(electrical),
        within_all(kelvins),
        within_all(rates),
        within_all(trust),
    )
        .prop_map(|(mut settings, t, times, electrical, kelvins, rates, trust)| {
            let celsius = |mc: i64| c(i32::try_from(mc).unwrap());
            let unsigned = |value: i64| u32::try_from(value).unwrap();
            let seconds = |ms: i64| Millis::from_millis(unsigned(ms));
            let difference = |mk: i64| k(i32::try_from(mk).unwrap());
            let rate = |value: i64| KelvinRate::from_millikelvins_per_minute(unsigned(value));
            let charge = &mut settings.charge;
            let heater = &mut settings.heater;
            let (inhibit, release) = (t[0], t[1].max(t[0] + 1));
            let start = t[4].max(inhibit + 1);
            let stop = t[5].max(start + 1).max(release + 1);
            let high_release = t[2].min(t[3] - 1).max(stop + 1);
            let (cutout_cell, cutout_pad) = (t[6].max(stop + kelvins[0] + 1), t[7].max(stop + kelvins[0] + 1));
            (charge.inhibit, charge.release) = (celsius(inhibit), celsius(release));
            (charge.high_release, charge.high_limit) = (celsius(high_release), celsius(t[3].max(high_release + 1)));
            (heater.start, heater.stop) = (celsius(start), celsius(stop));
            (heater.cutout_cell, heater.cutout_pad) = (celsius(cutout_cell), celsius(cutout_pad));
            let over = cutout_cell.max(cutout_pad) + kelvins[1] + 1;
            let plausible_high = over.max(charge.high_limit.as_millidegrees().into()) + 1;
            charge.min_off = seconds(times[0]);
            (heater.min_on, heater.min_off) = (seconds(times[1].min(trust[5] * 3600 - 1)), seconds(times[2]));
            charge.capacity = MilliampHours::from_milliamp_hours(unsigned(electrical[0]));
            heater.power = Milliwatts::from_milliwatts(unsigned(electrical[1]));
            heater.nominal = Millivolts::from_millivolts(unsigned(electrical[2]));
            heater.supply_min = Millivolts::from_millivolts(unsigned(electrical[3].min(electrical[4] - 1)));
            heater.supply_max = Millivolts::from_millivolts(unsigned(electrical[4]));
            (heater.cutout_hysteresis, heater.over_temperature) = (difference(kelvins[0]), difference(kelvins[1]));
            charge.soak = seconds(trust[4] * 60);
            (heater.max_run, heater.rest) = (seconds(trust[5] * 3600), seconds(trust[6] * 60));
            settings.trust = Trust {
                good_run: u8::try_from(trust[0] / 1000).unwrap(),
                restart_limit: u8::try_from(trust[1] / 1000).unwrap(),
                max_step: seconds(times[3]),
                max_age: seconds(times[4]),
                restart_window: seconds(times[5] * 60),
                feedback: seconds(times[6]),
                button: seconds(times[7]),
                plausible_low: celsius(trust[2]),
                plausible_high: celsius(trust[3].max(plausible_high)),
                noise: difference(kelvins[2]),
                disagreement: difference(kelvins[3]),
                stuck_moved: difference(kelvins[4]),
                fastest_cell: rate(rates[0]),
                fastest_pad: rate(rates[1]),
                fastest_ambient: rate(rates[2]),
                stuck_after: settings.trust.stuck_after,
            };
            settings
        })
}

/// What can happen between two steps of a generated history.
#[derive(Clone, Debug)]
pub(crate) enum Happening {
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
}

/// What a broken channel shows.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Shown {
    Nothing,
    ConverterFault,
    Raw(u32),
    Jump(i32),
}

fn any_happening() -> impl Strategy<Value = Happening> {
    let shown = prop_oneof![
        Just(Shown::Nothing),
        Just(Shown::ConverterFault),
        Just(Shown::Raw(0)),
        Just(Shown::Raw(u32::MAX)),
        any::<u32>().prop_map(Shown::Raw),
        (-40_000..40_000_i32).prop_map(Shown::Jump),
    ];
    let clock = prop_oneof![Just(0), 1..100_u32, 14_000..20_000_u32, any::<u32>()];
    prop_oneof![
        6 => (-12_000..14_000_i32, 1..120_u16).prop_map(|(millikelvins, steps)| Happening::Drift { millikelvins, steps }),
        4 => (1..200_u16).prop_map(|steps| Happening::Calm { steps }),
        4 => (0..6_usize, shown, 1..40_u16).prop_map(|(channel, shows, steps)| Happening::Break { channel, shows, steps }),
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
        1 => (any::<u8>(), 1..60_u16).prop_map(|(sources, steps)| Happening::Unsteady { sources, steps }),
        1 => (1..60_u16).prop_map(|steps| Happening::Unstored { steps }),
        1 => clock.prop_map(|by| Happening::Clock { by }),
        1 => Just(Happening::Restart),
    ]
}

/// One step of a history.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    pub(crate) now: Instant,
    pub(crate) inputs: Inputs,
    /// The unit starts afresh before this step.
    pub(crate) restart: bool,
}

/// A history: where it starts, how fast it steps, what happens.
#[derive(Clone, Debug)]
pub(crate) struct History {
    start_ms: u32,
    step_ms: u32,
    cells_mc: i32,
    /// The channel is sampled every so many steps.
    every: [u8; MAX_CHANNELS],
    happenings: std::vec::Vec<Happening>,
}

pub(crate) fn any_history() -> impl Strategy<Value = History> {
    let every = proptest::array::uniform6(prop_oneof![4 => Just(1_u8), 1 => 2..6_u8]);
    // A third of all histories begin shortly before the clock wraps.
    let start = prop_oneof![2 => any::<u32>(), 1 => (u32::MAX - 2_000_000)..u32::MAX];
    (start, 100..10_000_u32, -10_000..20_000_i32, every, proptest::collection::vec(any_happening(), 1..24)).prop_map(
        |(start_ms, step_ms, cells_mc, every, happenings)| History { start_ms, step_ms, cells_mc, every, happenings },
    )
}

impl History {
    /// The moments of this history in an installation with these settings. It begins with mains and sun present and all well.
    pub(crate) fn moments(&self, settings: &Settings) -> std::vec::Vec<Moment> {
        let mut play = Play {
            history: self,
            settings,
            time: Time(self.start_ms),
            cells: self.cells_mc,
            count: 0,
            moments: std::vec::Vec::new(),
            world: Inputs {
                channels: [Sample::None; MAX_CHANNELS],
                sources: Sources::NONE.with(0).with(1).with(2).with(3),
                ..fine_inputs(settings, c(0))
            },
            restart: false,
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
    moments: std::vec::Vec<Moment>,
    restart: bool,
}

impl Play<'_> {
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
            Happening::Unstored { steps } => {
                self.world.storage = Storage::Failing;
                (0..steps).for_each(|_| self.step(self.history.step_ms, None));
                self.world.storage = Storage::Kept;
            }
            Happening::Clock { by } => self.step(by, None),
            Happening::Restart => self.restart = true,
        }
    }

    fn step(&mut self, by_ms: u32, broken: Option<(usize, Shown)>) {
        let mut inputs = self.world;
        self.count = self.count.wrapping_add(1);
        for (index, channel) in self.settings.channels.iter().enumerate() {
            // A little noise, so that nothing looks stuck, and the plate a little ahead.
            let noise = i32::try_from(self.count.wrapping_mul(2_654_435_761).wrapping_add(index as u32) >> 27).unwrap();
            let ahead = if channel.role == Role::Pad { 3_000 } else { 100 * i32::try_from(index).unwrap() };
            let t = self.cells + ahead + noise;
            inputs.channels[index] = match broken {
                Some((at, shown)) if at == index => match shown {
                    Shown::Nothing => Sample::None,
                    Shown::ConverterFault => Sample::ConverterFault,
                    Shown::Raw(steps) => Sample::Fresh(Measured::element(Ratio::from_steps(steps))),
                    Shown::Jump(by) => sample(channel, c((t + by).clamp(-44_000, 99_000))),
                },
                _ if self.count.is_multiple_of(u32::from(self.history.every[index])) || self.count == 1 => {
                    sample(channel, c(t))
                }
                _ => Sample::None,
            };
        }
        let now = self.time.after(by_ms);
        self.moments.push(Moment { now, inputs, restart: std::mem::take(&mut self.restart) });
    }
}

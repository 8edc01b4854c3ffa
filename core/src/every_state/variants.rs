//! The installations that are searched, and what may happen in each.

use super::{Held, Horizons};
use crate::quantity::{
    Fraction, Joules, KelvinRate, Kelvins, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts, Ohms, Ratio,
};
use crate::rtd::{Element, Leads, Measured};
use crate::settings::{
    BankUse, CeilingPoint, Channel, Charge, ChargeCurrent, Check, Cooling, Giving, Heater, Hold, MAX_CHANNELS, Proof,
    Reserve, Role, Settings, Source, Trust,
};
use crate::signals::{Button, Inputs, Line, Relay, Sample, Sources, Storage};
use crate::testing::{c, fine_inputs, sample, skewed, tapped};
use std::string::String;
use std::vec::Vec;

/// What a channel shows in a step, as the oracle is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Seen {
    Nothing,
    /// Something that no place can show, or a fault of the converter.
    Bad,
    /// Thousandths of a degree.
    At(i32),
}

/// An auxiliary contact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Contact {
    Unfitted,
    Follows,
    Stays(Relay),
}

impl Contact {
    pub(super) const fn of(self, command: Relay) -> Option<Relay> {
        match self {
            Self::Unfitted => None,
            Self::Follows => Some(command),
            Self::Stays(contact) => Some(contact),
        }
    }
}

/// What happens in a step.
#[derive(Clone, Debug)]
pub(super) struct Act {
    pub(super) name: String,
    /// The temperature of the cells, and which of the acts that differ in nothing else it belongs to.
    pub(super) level: i32,
    pub(super) group: usize,
    pub(super) inputs: Inputs,
    pub(super) seen: [Seen; MAX_CHANNELS],
    /// What the plate shows instead while the heater is on.
    pub(super) heated: Option<(usize, Sample, i32)>,
    /// What the channels show in every other step, where they are never still.
    pub(super) other: Option<[Sample; MAX_CHANNELS]>,
    /// What the supply, and the bank, are instead while the heater is on.
    pub(super) loaded_supply: Option<Millivolts>,
    pub(super) loaded_bank: Option<Millivolts>,
    pub(super) elapsed_ms: u32,
    pub(super) restart: bool,
    pub(super) heater_contact: Contact,
    pub(super) charge_contact: Contact,
}

impl Act {
    /// What goes into the step, after one that left the relays so.
    pub(super) fn of(&self, heater: Relay, charge: Relay, odd: bool) -> (Inputs, [Seen; MAX_CHANNELS]) {
        let (mut inputs, mut seen) = (self.inputs, self.seen);
        if let Some(other) = self.other.filter(|_| odd) {
            inputs.channels = other;
        }
        if let Some((pad, sample, t)) = self.heated.filter(|_| heater == Relay::Closed) {
            (inputs.channels[pad], seen[pad]) = (sample, Seen::At(t));
        }
        if heater == Relay::Closed {
            inputs.supply = inputs.supply.and(self.loaded_supply);
            inputs.bank = inputs.bank.and(self.loaded_bank);
        }
        inputs.heater_feedback = self.heater_contact.of(heater);
        inputs.charge_feedback = self.charge_contact.of(charge);
        (inputs, seen)
    }

    fn show(&mut self, channel: usize, sample: Sample, seen: Seen) {
        (self.inputs.channels[channel], self.seen[channel]) = (sample, seen);
        if let Some(other) = &mut self.other {
            other[channel] = sample;
        }
        self.heated = self.heated.filter(|(pad, ..)| *pad != channel);
    }
}

/// What may be different from a step in which all is well.
type Deviation = (&'static str, fn(&mut Act, &Settings));

/// An installation, and what may happen to it.
#[derive(Clone, Debug)]
pub(super) struct Variant {
    pub(super) name: &'static str,
    pub(super) settings: Settings,
    pub(super) acts: Vec<Act>,
    /// All is well: the bank is warm, or cold; and the same with the button held.
    pub(super) warm: usize,
    pub(super) cold: usize,
    pub(super) warm_pressed: usize,
    pub(super) cold_pressed: usize,
    /// How many steps an act takes.
    pub(super) steps: u32,
    pub(super) held: Held,
    pub(super) horizons: Horizons,
    /// The most steps until a warm bank must be charged, and a cold one heated if it can be, once all is well.
    pub(super) charged_within: usize,
    pub(super) heated_within: Option<usize>,
    /// The most steps until no fault stands that ends by itself.
    pub(super) cleared_within: usize,
}

/// The usual step, and the longest.
pub(super) const STEP_MS: u32 = 60_000;

const COLD: i32 = 2_000;
const WARM: i32 = 20_000;

/// What the plate shows beyond the cells while it is heated.
const PLATE_AHEAD: i32 = 20_000;

fn k(millikelvins: i32) -> Kelvins {
    Kelvins::from_millikelvins(millikelvins)
}

fn per_minute(kelvins: u32) -> KelvinRate {
    KelvinRate::from_millikelvins_per_minute(kelvins * 1_000)
}

fn source(watts: u32, priority: u8, settle_s: u32, charge: ChargeCurrent) -> Source {
    Source { budget: Milliwatts::from_milliwatts(watts * 1_000), priority, settle: Millis::from_secs(settle_s), charge }
}

fn channel(role: Role) -> Channel {
    Channel::new(role, Element::pt100(), Ohms::from_milliohms(400_000), Leads::FourWire)
}

/// Timers of a step or a few, and nothing judged that needs more.
fn small(roles: &[Role]) -> Settings {
    let point = |t, per_mille| CeilingPoint { at: c(t), limit: Fraction::from_per_mille(per_mille) };
    Settings {
        channels: roles.iter().copied().map(channel).collect(),
        charge: Charge {
            hard_limit: c(0),
            inhibit: c(5_000),
            release: c(8_000),
            high_limit: c(45_000),
            high_release: c(42_000),
            soak: Millis::from_secs(120),
            min_off: Millis::from_secs(60),
            overdue_after: Millis::from_secs(360),
            capacity: MilliampHours::from_milliamp_hours(200_000),
            batteries: 1,
            ceiling: [point(5_000, 100), point(15_000, 500)].into_iter().collect(),
        },
        heater: Heater {
            start: c(7_000),
            stop: c(12_000),
            power: Milliwatts::from_milliwatts(60_000),
            nominal: Millivolts::from_millivolts(12_800),
            supply_min: Millivolts::from_millivolts(11_000),
            supply_max: Millivolts::from_millivolts(15_000),
            cutout_cell: c(55_000),
            cutout_pad: c(60_000),
            cutout_hysteresis: k(5_000),
            over_temperature: k(10_000),
            min_on: Millis::from_secs(60),
            min_off: Millis::from_secs(60),
            // Eight parts of a step.
            max_run: Millis::from_secs(480),
            rest: Millis::from_secs(120),
            max_cycles_per_day: 60,
            hold: Hold::WhileCharging,
            proof: None,
            cooling: None,
        },
        sources: [source(100, 0, 0, ChargeCurrent::Obeys)].into_iter().collect(),
        bank: BankUse::Never,
        giving: None,
        trust: Trust {
            good_run: 2,
            max_step: Millis::from_millis(STEP_MS),
            max_age: Millis::from_secs(60),
            plausible_low: c(-45_000),
            plausible_high: c(100_000),
            noise: k(250),
            fastest_cell: per_minute(60),
            fastest_pad: per_minute(100),
            fastest_ambient: per_minute(100),
            disagreement: k(4_000),
            stuck_after: None,
            stuck_moved: k(5_000),
            still_after: None,
            restart_limit: 2,
            restart_window: Millis::from_secs(120),
            feedback: Millis::from_secs(60),
            button: Millis::from_secs(20),
        },
    }
}

/// All is well, and every channel at `level`; the plate ahead of that while it is heated.
fn well(settings: &Settings, level: i32, step_ms: u32) -> Act {
    let at = |index: usize| if index < settings.channels.len() { Seen::At(level) } else { Seen::Nothing };
    let pad = settings.channels.iter().position(|channel| channel.role == Role::Pad);
    let warmer = level + PLATE_AHEAD;
    let all = (0..settings.sources.len()).fold(Sources::NONE, Sources::with);
    Act {
        name: std::format!("{} °C", f64::from(level) / 1_000.0),
        level,
        group: 0,
        inputs: Inputs { sources: all, ..fine_inputs(settings, c(level)) },
        seen: std::array::from_fn(at),
        heated: pad.map(|pad| (pad, sample(&settings.channels[pad], c(warmer)), warmer)),
        other: None,
        loaded_supply: Some(settings.heater.nominal),
        loaded_bank: Some(settings.heater.nominal),
        elapsed_ms: step_ms,
        restart: false,
        heater_contact: Contact::Unfitted,
        charge_contact: Contact::Unfitted,
    }
}

const PRESSED: &str = "button";

/// Acts at each of the levels, with each of the deviations alone; `two_at_once`, with each two of them as well.
fn acts(at: &[Act], deviations: &[Deviation], settings: &Settings, two_at_once: bool) -> Vec<Act> {
    let mut all: Vec<Act> = at.to_vec();
    let mut group = 0;
    for (number, first) in deviations.iter().enumerate() {
        let others = &deviations[number + 1..];
        for second in std::iter::once(None).chain(others.iter().map(Some).filter(|_| two_at_once)) {
            group += 1;
            for act in at {
                let mut act = Act { group, name: std::format!("{}, {}", act.name, first.0), ..act.clone() };
                (first.1)(&mut act, settings);
                if let Some(second) = second {
                    act.name = std::format!("{}, {}", act.name, second.0);
                    (second.1)(&mut act, settings);
                }
                all.push(act);
            }
        }
    }
    all
}

fn steps(time: Millis) -> usize {
    time.as_millis().div_ceil(STEP_MS) as usize
}

impl Variant {
    fn of(name: &'static str, settings: Settings, at: &[Act], deviations: &[Deviation], two_at_once: bool) -> Self {
        let acts = acts(at, deviations, &settings, two_at_once);
        let find = |level: i32, pressed: bool| {
            let plain = at.iter().find(|act| act.level == level).unwrap();
            let name = if pressed { std::format!("{}, {PRESSED}", plain.name) } else { plain.name.clone() };
            acts.iter().position(|act| act.name == name)
        };
        let (warm, cold) = (find(WARM, false).unwrap(), find(COLD, false).unwrap());
        let (warm_pressed, cold_pressed) = (find(WARM, true).unwrap_or(warm), find(COLD, true).unwrap_or(cold));
        let Settings { charge, heater, trust, .. } = &settings;
        let is_judged = heater.proof.is_some() || heater.cooling.is_some();
        let cool = if is_judged { crate::run::cool_after(&settings) } else { Millis::ZERO };
        let horizons = Horizons { age: Millis::from_secs(240), pause: heater.rest.max(heater.min_off).max(cool) };
        let settle = settings.sources.iter().map(|source| steps(source.settle)).max().unwrap_or(0);
        // The run that clock, channels and lines must give, a storm of restarts, a doubt; then what each loop asks for.
        let believed = usize::from(trust.good_run) + steps(trust.restart_window).max(2) + 1;
        let (charged_within, heated_within) = (
            believed + steps(charge.soak) + steps(charge.min_off) + 1,
            believed + settle + steps(heater.rest) + steps(heater.min_off) + 1,
        );
        let is_fed = settings.sources.iter().any(|source| source.budget >= heater.power);
        Self {
            name,
            acts,
            warm,
            cold,
            warm_pressed,
            cold_pressed,
            steps: 1,
            held: Held { closings: true, waiting: true, sags: true },
            horizons,
            charged_within,
            // Of what else counts, the pause of the heater takes longest.
            cleared_within: charged_within.max(believed + steps(heater.rest)),
            heated_within: is_fed.then_some(heated_within),
            settings,
        }
    }

    /// The acts that are followed from every state: all is well, at each level; and warm and cold with the button held.
    pub(super) fn followed(&self) -> Vec<usize> {
        let well = (0..self.acts.len()).filter(|&act| self.acts[act].group == 0);
        well.chain([self.warm_pressed, self.cold_pressed]).collect()
    }

    /// One cell and no heat: every threshold of charge, through every order of readings, silences and faults.
    pub(super) fn thresholds(two_at_once: bool) -> Self {
        let settings = unheated(&[Role::Cell]);
        let at = [COLD, 6_500, WARM, 43_500, 50_000].map(|level| well(&settings, level, STEP_MS));
        Self::of("thresholds", settings, &at, &[NOTHING, CONVERTER], two_at_once)
    }

    /// One cell and no heat: doubts of every kind, the line, the clock, restarts.
    pub(super) fn doubts(two_at_once: bool) -> Self {
        let mut settings = unheated(&[Role::Cell]);
        // So long that a quarter is more than a step: a restart takes it away.
        settings.charge.soak = Millis::from_secs(300);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let deviations = [NOTHING, OPEN, SHORT, FAR, LINE, AWAY, STALLED, LEAPT, BUTTON, RESTART];
        Self::of("doubts", settings, &at, &deviations, two_at_once)
    }

    /// The same with two cells and a check resistor, of which one shows something else.
    pub(super) fn several(two_at_once: bool) -> Self {
        let check = Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(500) };
        let mut settings = unheated(&[Role::Cell, Role::Cell, Role::Check(check)]);
        settings.channels[2].leads = Leads::ThreeWire { least: Ohms::ZERO, most: Ohms::from_milliohms(1_000) };
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let deviations = [NOTHING, LOOSE, CHECK_NOTHING, CHECK_OFF, CHECK_LEAD, RESTART];
        Self::of("several", settings, &at, &deviations, two_at_once)
    }

    /// How long charge is waited for.
    pub(super) fn overdue(two_at_once: bool) -> Self {
        let settings = unheated(&[Role::Cell]);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let variant = Self::of("overdue", settings, &at, &[LINE, AWAY, RESTART], two_at_once);
        // Twenty-four times as fast as it was waited for.
        Self { held: Held { waiting: false, ..variant.held }, cleared_within: variant.charged_within + 1, ..variant }
    }

    /// A cell and a plate: when the heater is on, how long, when it rests, and what takes it off.
    pub(super) fn heat(two_at_once: bool) -> Self {
        let settings = small(&[Role::Cell, Role::Pad]);
        let at = [COLD, 6_500, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("heat", settings, &at, &[PLATE_NOTHING, PLATE_HOT, AWAY], two_at_once)
    }

    /// The same over restarts.
    pub(super) fn heat_over_restarts(two_at_once: bool) -> Self {
        let settings = small(&[Role::Cell]);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("heat over restarts", settings, &at, &[AWAY, RESTART], two_at_once)
    }

    /// The heater while the cells soak and are charged.
    pub(super) fn holding(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        // One temperature at which it holds, and at which it goes on while they soak.
        settings.heater.start = c(9_600);
        let at = [COLD, 6_500, 9_500, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("holding", settings, &at, &[SUPPLY, CONVERTER], two_at_once)
    }

    /// The same while nobody may heat during charge, and with what else keeps the heater off.
    pub(super) fn heat_first(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        settings.heater.hold = Hold::Never;
        settings.sources[0].settle = Millis::from_secs(120);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("heat first", settings, &at, &[STORAGE, SUPPLY, AWAY, RESTART], two_at_once)
    }

    /// The heater while the clock or the line for charging is doubtful.
    pub(super) fn heat_in_doubt(two_at_once: bool) -> Self {
        let settings = small(&[Role::Cell]);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("heat in doubt", settings, &at, &[STALLED, LEAPT, LINE, NOTHING, AWAY], two_at_once)
    }

    /// Proof that the heater heats, and cools; faults that latch, and the button.
    pub(super) fn proof(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell, Role::Pad]);
        settings.heater.proof = Some(Proof { energy: Joules::from_joules(7_200), rise: k(1_000), pad_rise: k(3_000) });
        settings.heater.cooling = Some(Cooling { after: Millis::from_secs(120), excess: k(8_000) });
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let deviations = [PLATE_UNHEATED, PLATE_TEPID, PLATE_WARM, PLATE_TOO_HOT, AWAY, BUTTON];
        Self::of("proof", settings, &at, &deviations, two_at_once)
    }

    /// The same over restarts.
    pub(super) fn proof_over_restarts(two_at_once: bool) -> Self {
        let settings = Self::proof(false).settings;
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("proof over restarts", settings, &at, &[PLATE_UNHEATED, BUTTON, RESTART], two_at_once)
    }

    /// Auxiliary contacts that do not do as the relays are told.
    pub(super) fn contacts(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        // A contact has a minute, and so two steps.
        settings.trust.max_step = Millis::from_secs(40);
        let mut at = [COLD, WARM].map(|level| well(&settings, level, 40_000));
        for act in &mut at {
            (act.heater_contact, act.charge_contact) = (Contact::Follows, Contact::Follows);
        }
        let deviations = [HEATER_OPEN, HEATER_CLOSED, CHARGE_OPEN, CHARGE_CLOSED, BUTTON];
        Self::of("contacts", settings, &at, &deviations, two_at_once)
    }

    /// A cell, a plate and the air: too hot by the air, or by the heater.
    pub(super) fn air(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell, Role::Pad, Role::Ambient]);
        settings.heater.cutout_cell = c(30_000);
        let at = [COLD, WARM, 41_000].map(|level| well(&settings, level, STEP_MS));
        Self::of("air", settings, &at, &[AIR_COOL, AIR_NOTHING, PLATE_WARM, BUTTON], two_at_once)
    }

    /// Two cells that cannot change as fast as these do: jumps, and what ends them.
    pub(super) fn jumps(two_at_once: bool) -> Self {
        let mut settings = unheated(&[Role::Cell, Role::Cell]);
        settings.trust.fastest_cell = per_minute(10);
        let at = [COLD, 11_000, WARM].map(|level| well(&settings, level, STEP_MS));
        Self::of("jumps", settings, &at, &[LOOSE_WARM, BUTTON, RESTART], two_at_once)
    }

    /// A lone cell that jumps.
    pub(super) fn lone_jumps(two_at_once: bool) -> Self {
        let mut settings = unheated(&[Role::Cell]);
        // From cold to warm in six minutes: the button must do for the guard what time has not done.
        settings.trust.fastest_cell = per_minute(3);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let variant = Self::of("lone jumps", settings, &at, &[NOTHING, CONVERTER, BUTTON, RESTART], two_at_once);
        Self { horizons: Horizons { age: Millis::from_secs(600), ..variant.horizons }, ..variant }
    }

    /// A lone cell in steps short enough for a doubt that is brief, also one that shows cold.
    pub(super) fn brief_doubts(two_at_once: bool) -> Self {
        let mut settings = unheated(&[Role::Cell]);
        settings.trust.max_step = Millis::from_secs(20);
        settings.trust.fastest_cell = per_minute(20);
        settings.charge.soak = Millis::from_secs(60);
        let at = [COLD, WARM].map(|level| well(&settings, level, 20_000));
        let variant = Self::of("brief doubts", settings, &at, &[CONVERTER, BUTTON], two_at_once);
        // A run of good readings, the doubt, the soak, the pause of the relay; and a step in which each begins.
        Self { charged_within: 2 + 3 + 3 + 3 + 4, cleared_within: 2 + 3 + 3 + 3 + 4, ..variant }
    }

    /// Channels that stand still, alone or all together.
    pub(super) fn still(two_at_once: bool) -> Self {
        let mut settings = unheated(&[Role::Cell, Role::Ambient]);
        settings.trust.still_after = Some(Millis::from_secs(120));
        settings.trust.stuck_after = Some(Millis::from_secs(360));
        let mut at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        for act in &mut at {
            let mut other = act.inputs.channels;
            for (slot, channel) in other.iter_mut().zip(&settings.channels) {
                *slot = sample(channel, c(act.level + 50));
            }
            act.other = Some(other);
        }
        let variant = Self::of("still", settings, &at, &[CELL_STILL, ALL_STILL, CELL_STAYS], two_at_once);
        Self { horizons: Horizons { age: Millis::from_secs(600), ..variant.horizons }, ..variant }
    }

    /// Two sources, of which one does not obey the ceiling, and a bank that may be spent with them.
    pub(super) fn sources(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        let amps = |amps: u32| Milliamps::from_milliamps(amps * 1_000);
        let charge = ChargeCurrent::InSteps { reduced: amps(50), most: amps(80) };
        settings.sources = [source(40, 0, 60, ChargeCurrent::Obeys), source(100, 1, 120, charge)].into_iter().collect();
        settings.bank = BankUse::WithSource(Reserve::StateOfCharge {
            floor: Fraction::from_per_mille(300),
            resume: Fraction::from_per_mille(500),
        });
        // 50 A from 8.75 °C, 80 A from 12.5 °C.
        let at = [COLD, 8_500, WARM].map(|level| well(&settings, level, STEP_MS));
        let deviations = [FIRST_ALONE, TOGGLES, EMPTY, DISCHARGE];
        Self::of("sources", settings, &at, &deviations, two_at_once)
    }

    /// A source whose line falls away for moments.
    pub(super) fn flicker(two_at_once: bool) -> Self {
        let mut settings = if two_at_once { small(&[Role::Cell]) } else { unheated(&[Role::Cell]) };
        settings.charge.soak = Millis::from_secs(60);
        settings.trust.max_step = Millis::from_secs(20);
        settings.sources[0].settle = Millis::from_secs(40);
        let at = [COLD, WARM].map(|level| well(&settings, level, 20_000));
        let variant = Self::of("flicker", settings, &at, &[AWAY], two_at_once);
        // At most 390 s, a second in a second.
        Self { cleared_within: 20, ..variant }
    }

    /// A relay that closes as often as it may: every act takes an hour.
    pub(super) fn closings(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        settings.heater.max_cycles_per_day = 4;
        settings.heater.max_run = Millis::from_secs(4 * 3_600);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let variant = Self::of("closings", settings, &at, &[AWAY], two_at_once);
        // Half a day's closings are earned again.
        Self {
            steps: 60,
            held: Held { closings: false, ..variant.held },
            heated_within: Some(12 + 1),
            cleared_within: 24,
            ..variant
        }
    }

    /// A supply that breaks down under the heater: every act takes a quarter of an hour.
    pub(super) fn sags(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        settings.heater.max_run = Millis::from_secs(4 * 3_600);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let variant = Self::of("sags", settings, &at, &[SAGS, AWAY, BUTTON], two_at_once);
        // The longest pause.
        Self { steps: 15, held: Held { sags: false, ..variant.held }, heated_within: Some(4 * 4 + 1), ..variant }
    }

    /// A source that is there and gives nothing: every act takes half an hour.
    pub(super) fn giving(two_at_once: bool) -> Self {
        let mut settings = small(&[Role::Cell]);
        settings.heater.max_run = Millis::from_secs(4 * 3_600);
        // So small that a step shows whether it pays.
        settings.charge.capacity = MilliampHours::from_milliamp_hours(1_000);
        settings.giving = Some(Giving::DEFAULT);
        let at = [COLD, WARM].map(|level| well(&settings, level, STEP_MS));
        let variant = Self::of("giving", settings, &at, &[SINKS, BLIND, AWAY, BUTTON], two_at_once);
        // The longest pause.
        Self { steps: 30, heated_within: Some(12 * 2 + 1), ..variant }
    }
}

/// The same with sources that carry no heat.
fn unheated(roles: &[Role]) -> Settings {
    let mut settings = small(roles);
    settings.sources[0].budget = Milliwatts::ZERO;
    settings
}

const NOTHING: Deviation = ("cell shows nothing", |act, _| act.show(0, Sample::None, Seen::Nothing));
const CONVERTER: Deviation = ("cell's converter at fault", |act, _| act.show(0, Sample::ConverterFault, Seen::Bad));
const OPEN: Deviation =
    ("cell's lead broken", |act, _| act.show(0, Sample::Fresh(Measured::element(Ratio::MAX)), Seen::Bad));
const SHORT: Deviation =
    ("cell's lead bridged", |act, _| act.show(0, Sample::Fresh(Measured::element(Ratio::ZERO)), Seen::Bad));
const FAR: Deviation =
    ("cell out of range", |act, settings| act.show(0, sample(&settings.channels[0], c(120_000)), Seen::Bad));
const LOOSE: Deviation = ("first cell 10 K warmer", |act, settings| {
    let t = act.level + 10_000;
    act.show(0, sample(&settings.channels[0], c(t)), Seen::At(t));
});
const LOOSE_WARM: Deviation =
    ("first cell warm", |act, settings| act.show(0, sample(&settings.channels[0], c(WARM)), Seen::At(WARM)));
const CHECK_NOTHING: Deviation = ("check shows nothing", |act, _| act.show(2, Sample::None, Seen::Nothing));
const CHECK_OFF: Deviation = ("check off", |act, settings| {
    act.show(2, skewed(sample(&settings.channels[2], c(act.level)), 10_000), Seen::Bad);
});
const CHECK_LEAD: Deviation = ("check's lead bad", |act, settings| {
    let channel = &settings.channels[2];
    act.show(2, tapped(channel, sample(channel, c(act.level)), Ohms::from_milliohms(50_000)), Seen::Bad);
});
const LINE: Deviation = ("charge line refused", |act, _| act.inputs.charge_line = Line::Refused);
const DISCHARGE: Deviation = ("discharge line refused", |act, _| act.inputs.discharge_line = Line::Refused);
const AWAY: Deviation = ("no source", |act, _| act.inputs.sources = Sources::NONE);
const FIRST_ALONE: Deviation = ("first source alone", |act, _| act.inputs.sources = Sources::NONE.with(0));
const TOGGLES: Deviation = ("second source toggles", |act, _| {
    (act.inputs.sources, act.inputs.unsteady) = (Sources::NONE.with(0), Sources::NONE.with(1));
});
const EMPTY: Deviation = ("first source alone, bank low", |act, _| {
    act.inputs.sources = Sources::NONE.with(0);
    act.inputs.state_of_charge = Some(Fraction::from_per_mille(300));
});
const SUPPLY: Deviation = ("no supply", |act, _| act.inputs.supply = None);
const SAGS: Deviation = ("supply sags", |act, _| act.loaded_supply = None);
const SINKS: Deviation = ("bank sinks", |act, _| act.loaded_bank = Some(Millivolts::from_millivolts(12_000)));
const BLIND: Deviation = ("bank not measured", |act, _| (act.inputs.bank, act.inputs.state_of_charge) = (None, None));
const STALLED: Deviation = ("clock stands still", |act, _| {
    // Nothing changes in no time.
    act.show(0, Sample::None, Seen::Nothing);
    act.elapsed_ms = 0;
});
const LEAPT: Deviation = ("clock leaps", |act, _| act.elapsed_ms = 90_000);
const RESTART: Deviation = ("restart", |act, _| act.restart = true);
const BUTTON: Deviation = (PRESSED, |act, _| act.inputs.button = Button::Pressed);
const STORAGE: Deviation = ("storage failing", |act, _| act.inputs.storage = Storage::Failing);
const HEATER_OPEN: Deviation =
    ("heater's contact stays open", |act, _| act.heater_contact = Contact::Stays(Relay::Open));
const HEATER_CLOSED: Deviation =
    ("heater's contact stays closed", |act, _| act.heater_contact = Contact::Stays(Relay::Closed));
const CHARGE_OPEN: Deviation = ("charge contact stays open", |act, _| act.charge_contact = Contact::Stays(Relay::Open));
const CHARGE_CLOSED: Deviation =
    ("charge contact stays closed", |act, _| act.charge_contact = Contact::Stays(Relay::Closed));

/// Shows the plate so far above the cells, heated or not.
fn show_plate(act: &mut Act, settings: &Settings, ahead: i32) {
    let t = act.level + ahead;
    act.show(1, sample(&settings.channels[1], c(t)), Seen::At(t));
}

const PLATE_NOTHING: Deviation = ("plate shows nothing", |act, _| act.show(1, Sample::None, Seen::Nothing));
const PLATE_UNHEATED: Deviation = ("plate stays cold", |act, settings| show_plate(act, settings, 0));
const PLATE_TEPID: Deviation = ("plate hardly warm", |act, settings| show_plate(act, settings, 2_000));
const PLATE_WARM: Deviation = ("plate warm", |act, settings| show_plate(act, settings, PLATE_AHEAD));
const PLATE_HOT: Deviation = ("plate hot", |act, settings| show_plate(act, settings, 62_000 - act.level));
const PLATE_TOO_HOT: Deviation = ("plate too hot", |act, settings| show_plate(act, settings, 72_000 - act.level));
const AIR_COOL: Deviation =
    ("air cool", |act, settings| act.show(2, sample(&settings.channels[2], c(COLD)), Seen::At(COLD)));
const AIR_NOTHING: Deviation = ("air shows nothing", |act, _| act.show(2, Sample::None, Seen::Nothing));
const CELL_STILL: Deviation = ("cell stands still", |act, _| {
    if let Some(other) = &mut act.other {
        other[0] = act.inputs.channels[0];
    }
});
const ALL_STILL: Deviation = ("all stand still", |act, _| {
    if let Some(other) = &mut act.other {
        *other = act.inputs.channels;
    }
});
const CELL_STAYS: Deviation = ("cell stays at 20 °C", |act, settings| {
    act.show(0, sample(&settings.channels[0], c(WARM)), Seen::At(WARM));
});

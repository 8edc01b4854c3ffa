//! What tests share: an installation, ways to make samples of temperatures, generated installations and histories, and a plain
//! model of what is promised over them.
//!
//! For tests only, of this crate and, by the feature `testing`, of others: it needs `std`, computes in floating point, and stops
//! where it stands when asked for what it cannot make. Nothing that ships has the feature.

mod guard;
mod history;
mod model;

#[cfg(test)]
pub(crate) use guard::EVERYTHING;
pub use guard::GuardAlone;
pub use history::{History, Moment, any_history};
pub use model::{May, Model, exact, exact_celsius};

use crate::quantity::{
    Celsius, Fraction, Instant, Joules, KelvinRate, Kelvins, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts,
    Ohms, Ratio,
};
use crate::rtd::{Element, Leads, Measured, Thermometer};
use crate::settings::{
    BankUse, CeilingPoint, Channel, Charge, ChargeCurrent, Check, Cooling, Giving, Heater, Hold, Key,
    MAX_CEILING_POINTS, MAX_CHANNELS, Proof, Reserve, Role, Settings, Source, Trust,
};
use crate::signals::{Inputs, Line, Sample, Sources};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{RngAlgorithm, TestRng, TestRunner};

/// Settings that validate and a history for them: the same ones for the same `seed`, as long as the generators stay the same.
///
/// # Panics
/// Never by the generators as they are: none of them refuses what it has made.
#[must_use]
pub fn case(seed: u64) -> (Settings, History) {
    let mut bytes = [0; 32];
    bytes[..8].copy_from_slice(&seed.to_le_bytes());
    let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &bytes);
    let mut runner = TestRunner::new_with_rng(ProptestConfig::default(), rng);
    (any_settings(), any_history()).new_tree(&mut runner).unwrap().current()
}

/// A temperature from thousandths of a degree.
#[must_use]
pub fn c(millidegrees: i32) -> Celsius {
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
        leads: Leads::THREE_WIRE,
        offset: Kelvins::ZERO,
    }
}

/// Two cells, a plate, the air; engine, mains and sun; 60 W at 12.8 V.
#[must_use]
pub fn settings() -> Settings {
    let source = |watts: u32, priority, settle| Source {
        budget: Milliwatts::from_milliwatts(watts * 1000),
        priority,
        settle: Millis::from_secs(settle),
        charge: ChargeCurrent::Obeys,
    };
    let point = |t, per_mille| CeilingPoint { at: c(t), limit: Fraction::from_per_mille(per_mille) };
    Settings {
        channels: [Role::Cell, Role::Cell, Role::Pad, Role::Ambient].map(channel).into_iter().collect(),
        charge: Charge {
            hard_limit: c(0),
            inhibit: c(5_000),
            release: c(8_000),
            high_limit: c(45_000),
            high_release: c(42_000),
            soak: Millis::from_secs(600),
            min_off: Millis::from_secs(60),
            overdue_after: Millis::from_secs(24 * 3600),
            capacity: MilliampHours::from_milliamp_hours(200_000),
            batteries: 1,
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
            max_cycles_per_day: 60,
            hold: Hold::WhileCharging,
            proof: Some(Proof { energy: Joules::from_joules(36_000), rise: k(1_000), pad_rise: k(1_000) }),
            cooling: Some(Cooling { after: Millis::from_secs(3600), excess: k(8_000) }),
        },
        sources: [source(100, 1, 20), source(300, 0, 5), source(80, 2, 60)].into_iter().collect(),
        bank: BankUse::Never,
        giving: Some(Giving { fall: Millivolts::from_millivolts(300), fall_charge: Fraction::from_per_mille(20) }),
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
            disagreement: k(4_000),
            stuck_after: Some(Millis::from_secs(4 * 3600)),
            stuck_moved: k(5_000),
            // Most tests show the same for hours.
            still_after: None,
            restart_limit: 5,
            restart_window: Millis::from_secs(900),
            feedback: Millis::from_secs(5),
            button: Millis::from_secs(2),
        },
    }
}

/// What a converter of `channel` measures with its element at `t` (the reading, offset included), rounded up to what reads as `t` to the
/// last digit where there is such a ratio: equality is where thresholds go wrong.
///
/// # Panics
/// Where the standard gives no resistance for `t`.
///
/// Of a check resistor, what it measures with a little noise that goes with `t`.
#[must_use]
pub fn sample(channel: &Channel, t: Celsius) -> Sample {
    if let Role::Check(check) = channel.role {
        let noise = t.as_steps().unsigned_abs() % 64;
        return shown(channel, Ohms::from_steps(check.nominal.as_steps() + noise));
    }
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
    Sample::Fresh(with_lead(channel, exactly.unwrap_or(steps)))
}

/// What is measured where the element alone has so many steps: with a lead that its channel believes.
fn with_lead(channel: &Channel, element: u32) -> Measured {
    let lead = lead_steps(channel, lead(channel));
    Measured { element: Ratio::from_steps(element.saturating_add(lead)), lead: Ratio::from_steps(lead) }
}

/// A lead of `channel` that is measured alone: half an ohm above the least it can have, or half-way to the most. None has nothing.
fn lead(channel: &Channel) -> Ohms {
    let Some((least, most)) = channel.leads.band() else { return Ohms::ZERO };
    let half = most.less(least).map_or(0, |room| room.as_steps() / 2);
    least.plus(Ohms::from_steps(half.min(Ohms::from_milliohms(500).as_steps())))
}

fn lead_steps(channel: &Channel, lead: Ohms) -> u32 {
    let steps = (u64::from(lead.as_steps()) << 30) / u64::from(channel.reference.as_steps());
    u32::try_from(steps).unwrap_or(u32::MAX)
}

/// The same with a tap at the lead that reads `tapped` instead of what the lead has; of a channel without a tap, the same.
///
/// # Panics
/// Never: see [`sample`].
#[must_use]
pub fn tapped(channel: &Channel, sample: Sample, tapped: Ohms) -> Sample {
    match sample {
        Sample::Fresh(Measured { element, .. }) if channel.leads.band().is_some() => {
            Sample::Fresh(Measured { element, lead: Ratio::from_steps(lead_steps(channel, tapped)) })
        }
        _ => sample,
    }
}

/// What a converter of `channel` measures with so much resistance at the end of its leads.
#[must_use]
pub fn shown(channel: &Channel, r: Ohms) -> Sample {
    let steps = (u64::from(r.plus(channel.leads.known()).as_steps()) << 30) / u64::from(channel.reference.as_steps());
    Sample::Fresh(with_lead(channel, u32::try_from(steps).unwrap_or(u32::MAX)))
}

/// The same with the reference, or the return that all share, wrong: everything measured is larger by so many millionths.
#[must_use]
pub fn skewed(sample: Sample, ppm: i32) -> Sample {
    let by = |ratio: Ratio| {
        let steps = i64::from(ratio.as_steps()) + i64::from(ratio.as_steps()) * i64::from(ppm) / 1_000_000;
        Ratio::from_steps(u32::try_from(steps.max(0)).unwrap_or(u32::MAX))
    };
    match sample {
        Sample::Fresh(Measured { element, lead }) => Sample::Fresh(Measured { element: by(element), lead: by(lead) }),
        Sample::None | Sample::ConverterFault => sample,
    }
}

/// All is well: every channel at `t`, mains present, both lines allowed.
///
/// # Panics
/// As [`sample`].
#[must_use]
pub fn fine_inputs(settings: &Settings, t: Celsius) -> Inputs {
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
        charge_line: Line::Allowed,
        discharge_line: Line::Allowed,
        ..Inputs::DEAD
    }
}

/// A clock that a test moves.
#[derive(Clone, Copy, Debug)]
pub struct Time(
    /// Milliseconds.
    pub u32,
);

impl Time {
    /// Moves it forward, past the wrap if need be, and reads it.
    pub fn after(&mut self, millis: u32) -> Instant {
        self.0 = self.0.wrapping_add(millis);
        Instant::from_millis(self.0)
    }
}

fn any_channel(role: Role) -> impl Strategy<Value = Channel> {
    let element = prop_oneof![Just(Element::pt100()), Just(Element::pt500()), Just(Element::pt1000())];
    let leads = prop_oneof![
        Just(Leads::THREE_WIRE),
        (0..1_500_u32, 100..3_000_u32).prop_map(|(least, more)| Leads::ThreeWire {
            least: Ohms::from_milliohms(least),
            most: Ohms::from_milliohms(least + more),
        }),
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

/// A resistor of about the element's own resistance, believed within 0.1 to 2 % of it.
fn any_check() -> impl Strategy<Value = Channel> {
    (any_channel(Role::Ambient), 100..2_000_u64).prop_map(|(channel, within)| {
        let nominal = channel.element.r0();
        let within = Ohms::from_micro_ohms(nominal.as_micro_ohms() / 100_000 * within);
        Channel { role: Role::Check(Check { nominal, within }), ..channel }
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

/// Up with the temperature, and down again where the cells are hot.
fn any_ceiling() -> impl Strategy<Value = heapless::Vec<CeilingPoint, MAX_CEILING_POINTS>> {
    let steps = proptest::collection::vec((500..9_000_i32, 1..300_u32), 2..=MAX_CEILING_POINTS);
    (-5_000..10_000_i32, steps, 0..8_usize).prop_map(|(mut at, steps, top)| {
        let mut limit = 0;
        let points = steps.into_iter().enumerate().map(|(index, (further, by))| {
            at += further;
            limit = if index <= top { limit + by } else { limit.saturating_sub(by) };
            CeilingPoint { at: c(at), limit: Fraction::from_per_mille(limit) }
        });
        points.collect()
    })
}

fn any_charge_current() -> impl Strategy<Value = ChargeCurrent> {
    let amps = Milliamps::from_milliamps;
    prop_oneof![
        3 => Just(ChargeCurrent::Obeys),
        3 => (0..60_000_u32).prop_map(move |most| ChargeCurrent::UpTo(amps(most))),
        2 => (100..30_000_u32, 1..30_000_u32)
            .prop_map(move |(reduced, more)| ChargeCurrent::InSteps { reduced: amps(reduced), most: amps(reduced + more) }),
    ]
}

/// Settings of every kind that `validate` accepts, with times short enough that a history of some hundred steps sees them pass.
pub fn any_settings() -> impl Strategy<Value = Settings> {
    // Six at most: the last is an ambient channel, a check resistor or nothing.
    let roles = (1..=3_usize, 0..=2_usize, 0..=2_u8);
    let channels = roles.prop_flat_map(|(cells, pads, last)| {
        let roles = [(Role::Cell, cells), (Role::Pad, pads), (Role::Ambient, usize::from(last == 1))];
        roles
            .into_iter()
            .flat_map(|(role, n)| std::iter::repeat_n(role, n))
            .map(|role| any_channel(role).boxed())
            .chain((last == 2).then(|| any_check().boxed()))
            .collect::<std::vec::Vec<_>>()
    });
    let charge =
        (0..9_000_i32, 200..4_000_i32, 30_000..55_000_i32, 500..4_000_i32, 60..360_u32, 0..120_u32, 400..3_000_u32);
    let heater = (
        100..4_000_i32,
        5_000..60_000_u32,
        0..100_u32,
        0..100_u32,
        400..4_000_u32,
        any::<bool>(),
        any::<[bool; 2]>(),
        4..40_u8,
    );
    let sources = proptest::collection::vec((0..200_000_u32, 0..10_u8, 0..40_u32, any_charge_current()), 0..=4);
    let ceiling = (1..4_u8, proptest::option::of(any_ceiling()));
    let giving = proptest::option::weighted(
        0.8,
        (20..1_000_u32, 2..100_u32).prop_map(|(fall, fall_charge)| Giving {
            fall: Millivolts::from_millivolts(fall),
            fall_charge: Fraction::from_per_mille(fall_charge),
        }),
    );
    let trust = (
        2..6_u8,
        100..800_i32,
        1_000..60_000_u32,
        1_500..20_000_i32,
        5..120_u32,
        proptest::option::of(360..4_000_u32),
        proptest::option::of(180..900_u32),
    );
    (channels, charge, heater, (sources, ceiling), (any_bank(), giving), trust).prop_map(
        |(channels, charge, heater, (sources, ceiling), (bank, giving), trust)| {
            let mut settings = settings();
            settings.channels = channels.into_iter().collect();
            let (inhibit, above, high_limit, below, soak, min_off, overdue_after) = charge;
            let (good_run, noise, fastest, disagreement, max_age, stuck_after, still_after) = trust;
            // What a reading may be off by fits between hard limit and inhibit, and noise into each hysteresis.
            let inhibit = inhibit + 2 + (warmest_offset(&settings) + noise).max(500);
            let above = above.max(500).max(noise + 1);
            settings.charge.inhibit = c(inhibit);
            settings.charge.release = c(inhibit + above);
            settings.charge.high_limit = c(high_limit);
            settings.charge.high_release = c(high_limit - below.max(noise + 1));
            settings.charge.soak = Millis::from_secs(soak);
            settings.charge.min_off = Millis::from_secs(min_off);
            settings.charge.overdue_after = Millis::from_secs(overdue_after);
            let (margin, power, min_on, min_off, max_run, hold, [proof, cooling], max_cycles) = heater;
            settings.heater.max_cycles_per_day = max_cycles;
            settings.heater.start = c(inhibit + margin);
            settings.heater.stop = c(inhibit + margin.max(above) + 1_000);
            settings.heater.power = Milliwatts::from_milliwatts(power);
            settings.heater.min_on = Millis::from_secs(min_on);
            settings.heater.min_off = Millis::from_secs(min_off);
            settings.heater.max_run = Millis::from_secs(max_run);
            settings.heater.rest = Millis::from_secs(300);
            settings.heater.hold = if hold { Hold::WhileCharging } else { Hold::Never };
            // Half of what it gives in its maximum run; milliwatts and seconds make millijoules.
            let energy = (power / 2 * max_run / 1000).min(36_000);
            let energy = Joules::from_joules(energy);
            settings.heater.proof = settings.heater.proof.filter(|_| proof).map(|proof| Proof { energy, ..proof });
            let has_pad = settings.channels.iter().any(|channel| channel.role == Role::Pad);
            settings.heater.cooling = settings.heater.cooling.filter(|_| cooling && has_pad);
            settings.sources = sources
                .into_iter()
                .map(|(milliwatts, priority, settle, charge)| Source {
                    budget: Milliwatts::from_milliwatts(milliwatts),
                    priority,
                    settle: Millis::from_secs(settle),
                    charge,
                })
                .collect();
            let (batteries, ceiling) = ceiling;
            settings.charge.batteries = batteries;
            if let Some(ceiling) = ceiling {
                settings.charge.ceiling = ceiling;
            }
            settings.bank = bank;
            settings.giving = giving;
            settings.trust.good_run = good_run;
            settings.trust.noise = k(noise);
            settings.trust.fastest_cell = KelvinRate::from_millikelvins_per_minute(fastest);
            settings.trust.disagreement = k(disagreement.min(inhibit - 1));
            settings.trust.max_age = Millis::from_secs(max_age);
            settings.trust.stuck_after = stuck_after.map(Millis::from_secs);
            settings.trust.still_after = still_after.map(Millis::from_secs);
            settings
        },
    )
}

/// The largest offset of a cell channel that makes it read warm, in millikelvins.
fn warmest_offset(settings: &Settings) -> i32 {
    let cells = settings.channels.iter().filter(|channel| channel.role == Role::Cell);
    cells.map(|channel| channel.offset.as_millikelvins() + 1).max().unwrap_or(0).max(0)
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
///
/// # Panics
/// Never while the ranges in the table fit the types that hold the values.
#[expect(clippy::too_many_lines, reason = "every row of the table, once")]
pub fn wild_settings() -> impl Strategy<Value = Settings> {
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
        Key::OverdueAfter,
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
        (within_all([Key::Offset; MAX_CHANNELS]), within(Key::HardLimit)),
    )
        .prop_map(|(mut settings, t, times, electrical, kelvins, rates, trust, (offsets, hard_limit))| {
            let celsius = |mc: i64| c(i32::try_from(mc).unwrap());
            let unsigned = |value: i64| u32::try_from(value).unwrap();
            let seconds = |ms: i64| Millis::from_millis(unsigned(ms));
            let difference = |mk: i64| k(i32::try_from(mk).unwrap());
            let rate = |value: i64| KelvinRate::from_millikelvins_per_minute(unsigned(value));
            for (channel, offset) in settings.channels.iter_mut().zip(offsets) {
                channel.offset = difference(offset);
            }
            let off = i64::from(warmest_offset(&settings));
            let cells = settings.channels.iter().filter(|channel| channel.role == Role::Cell).count();
            let charge = &mut settings.charge;
            let heater = &mut settings.heater;
            let low =
                settings.channels.iter().map(|channel| channel.offset.as_millikelvins()).min().unwrap_or(0).min(0);
            let high =
                settings.channels.iter().map(|channel| channel.offset.as_millikelvins()).max().unwrap_or(0).max(0);
            let (low, high) = (i64::from(low), i64::from(high));
            let inhibit = t[0].max(off + 600);
            // A tenth of a kelvin is the least noise there is.
            let noise = kelvins[2].min(inhibit - off - 2).max(100);
            charge.hard_limit = celsius(hard_limit.min(inhibit - (off + noise + 2).max(600)).max(0));
            let room = inhibit - i64::from(charge.hard_limit.as_millidegrees()) - 1;
            let disagreement = if cells > 1 { kelvins[3].min(room) } else { kelvins[3] }.max(noise + 1).max(500);
            let gap = noise + 1;
            let release = t[1].max(inhibit + gap);
            let start = t[4].max(inhibit + 1);
            let stop = t[5].max(start + gap).max(release + gap);
            let high_limit = t[3].min(60_000 + low);
            let high_release = t[2].min(high_limit - gap).max(stop + 1);
            let cutout = |at: i64, most: i64| at.min(most + low).max(stop + kelvins[0] + 1);
            let (cutout_cell, cutout_pad) = (cutout(t[6], 55_000), cutout(t[7], 90_000));
            (charge.inhibit, charge.release) = (celsius(inhibit), celsius(release));
            (charge.high_release, charge.high_limit) =
                (celsius(high_release), celsius(high_limit.max(high_release + gap)));
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
            charge.overdue_after = seconds((times[8] * 3600).max(trust[4] * 60 + 3600));
            (heater.max_run, heater.rest) = (seconds(trust[5] * 3600), seconds(trust[6] * 60));
            // Half of what it gives, from milliwatts and milliseconds; the least there may be is 0.1 Wh.
            let energy = (electrical[1] * trust[5] * 3600 / 2_000_000).min(18_000_000);
            let energy_of = Joules::from_joules(unsigned(energy));
            let proof = |_| Proof { energy: energy_of, rise: difference(gap), pad_rise: difference(gap) };
            heater.proof = heater.proof.filter(|_| energy >= 360).map(proof);
            heater.cooling = heater.cooling.map(|cooling| Cooling { excess: difference(gap.max(500)), ..cooling });
            let seldom = [settings.trust.stuck_after, settings.trust.still_after].into_iter().flatten();
            let max_age = seldom.map(|after| i64::from(after.as_millis()) - 60).fold(times[4], i64::min);
            settings.trust = Trust {
                good_run: u8::try_from(trust[0] / 1000).unwrap(),
                restart_limit: u8::try_from(trust[1] / 1000).unwrap(),
                max_step: seconds(times[3]),
                max_age: seconds(max_age),
                restart_window: seconds(times[5] * 60),
                feedback: seconds(times[6]),
                button: seconds(times[7]),
                plausible_low: celsius(trust[2].max(high - 59_500)),
                plausible_high: celsius(trust[3].min(144_000).max(plausible_high)),
                noise: difference(noise),
                disagreement: difference(disagreement),
                stuck_moved: difference(kelvins[4].max(gap)),
                fastest_cell: rate(rates[0]),
                fastest_pad: rate(rates[1]),
                fastest_ambient: rate(rates[2]),
                stuck_after: settings.trust.stuck_after,
                still_after: settings.trust.still_after,
            };
            settings
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_tells_one_case_and_seeds_differ() {
        let cases: std::vec::Vec<_> = (0..20).chain([u64::MAX, 1 << 63]).map(case).collect();
        for ((settings, history), seed) in cases.iter().zip((0..20).chain([u64::MAX, 1 << 63])) {
            let again = case(seed);
            assert_eq!((settings, history.moments(settings)), (&again.0, again.1.moments(&again.0)), "{seed}");
        }
        for (index, (settings, _)) in cases.iter().enumerate() {
            assert!(cases[..index].iter().all(|(other, _)| other != settings), "{index}");
        }
    }
}

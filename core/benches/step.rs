//! Time of one step of controller, guard and journal together, and of one conversion.
//!
//! `cargo bench -p forewarm-core`. The inputs change with every step: the cells drift up and down through every threshold,
//! so states, soaks and cut-outs come and go as in a winter run fast.
#![allow(missing_docs, reason = "a benchmark has no callers")]

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use forewarm_core::quantity::{
    Celsius, Fraction, Instant, Joules, Kelvins, MilliampHours, Millis, Millivolts, Milliwatts, Ohms, Ratio,
};
use forewarm_core::rtd::{Element, Leads, Measured, OutOfRange, Thermometer};
use forewarm_core::settings::{
    BankUse, CeilingPoint, Channel, ChargeCurrent, Cooling, Essentials, Proof, Reserve, Role, Source, ValidSettings,
};
use forewarm_core::signals::{Line, Relay, Sample, Sources};
use forewarm_core::{Inputs, Memory, Settings, Unit};

fn main() {
    divan::main();
}

/// Steps of one swing, and of some: the end then joins the start, where a jump would leave every channel in doubt.
const SWING: usize = 36_000;
const STEPS: usize = 3 * SWING;

const USUAL: &[Role] = &[Role::Cell, Role::Cell, Role::Pad, Role::Ambient];
const SMALLEST: &[Role] = &[Role::Cell, Role::Pad, Role::Ambient];
const LARGEST: &[Role] = &[Role::Cell, Role::Cell, Role::Cell, Role::Cell, Role::Pad, Role::Ambient];

/// Controller, guard and journal: what runs in firmware and replay.
#[divan::bench(args = [SMALLEST, USUAL, LARGEST])]
fn unit(bencher: Bencher, roles: &[Role]) {
    let (settings, history) = scene(roles);
    let mut unit = Unit::new(&settings, Memory::default());
    let mut now = 0_u32;
    bencher.counter(ItemsCount::new(STEPS)).bench_local(|| {
        for inputs in &history {
            now = now.wrapping_add(1000);
            black_box(unit.step(Instant::from_millis(now), black_box(inputs)));
        }
    });
}

fn scene(roles: &[Role]) -> (ValidSettings, Vec<Inputs>) {
    let settings = settings(roles);
    let history = (0..STEPS).map(|step| inputs(&settings, step)).collect();
    (settings.validate().expect("the settings of the benchmark are valid"), history)
}

#[divan::bench]
fn conversion_with_the_table(bencher: Bencher) {
    bench_conversions(bencher, Thermometer::celsius);
}

#[divan::bench]
fn conversion_by_newton_steps(bencher: Bencher) {
    bench_conversions(bencher, |thermometer, r| thermometer.element().celsius(r));
}

fn bench_conversions(bencher: Bencher, convert: impl Fn(&Thermometer, Ohms) -> Result<Celsius, OutOfRange>) {
    let thermometer = Thermometer::new(Element::pt100());
    let resistances: Vec<Ohms> = (0..10_000).map(|i| Ohms::from_milliohms(80_000 + i * 7)).collect();
    bencher.counter(ItemsCount::new(resistances.len())).bench_local(|| {
        for &r in &resistances {
            let _ = black_box(convert(&thermometer, black_box(r)));
        }
    });
}

/// A triangle from −8 to +16 °C and back in some 10 hours, with a little noise that differs by channel.
fn inputs(settings: &Settings, step: usize) -> Inputs {
    let phase = step % SWING;
    let from_coldest = i32::try_from(phase.min(SWING - phase)).unwrap_or(0);
    let cells = -8_000 + from_coldest * 4 / 3;
    let mut channels = [Sample::None; 6];
    for (index, (slot, channel)) in channels.iter_mut().zip(&settings.channels).enumerate() {
        let noise = i32::try_from((step.wrapping_mul(2_654_435_761) + index * 97) % 41).unwrap_or(0);
        let t = Celsius::from_millidegrees(cells + noise + if channel.role == Role::Pad { 8_000 } else { 0 });
        let r = channel.element.resistance(t).unwrap_or(Ohms::ZERO).plus(channel.leads.known());
        let steps = (u64::from(r.as_steps()) << 30) / u64::from(channel.reference.as_steps());
        *slot = Sample::Fresh(Measured::element(Ratio::from_steps(u32::try_from(steps).unwrap_or(0))));
    }
    Inputs {
        channels,
        supply: Some(Millivolts::from_millivolts(13_000 + u32::try_from(step % 300).unwrap_or(0))),
        bank: Some(Millivolts::from_millivolts(13_100)),
        state_of_charge: Some(Fraction::from_per_mille(800)),
        sources: if step % 7_200 < 6_000 { Sources::NONE.with(0).with(1) } else { Sources::NONE },
        charge_line: Line::Allowed,
        discharge_line: Line::Allowed,
        charge_feedback: Some(Relay::Open).filter(|_| step.is_multiple_of(900)),
        ..Inputs::DEAD
    }
}

fn settings(roles: &[Role]) -> Settings {
    let c = Celsius::from_millidegrees;
    let k = Kelvins::from_millikelvins;
    let point = |t, per_mille| CeilingPoint { at: c(t), limit: Fraction::from_per_mille(per_mille) };
    let source = |watts: u32, priority| Source {
        priority,
        ..Source::new(Milliwatts::from_milliwatts(watts * 1000), ChargeCurrent::Obeys)
    };
    let leads = Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(234), at: c(20_000) };
    let mut settings = Settings::from(Essentials {
        channels: [],
        capacity: MilliampHours::from_milliamp_hours(200_000),
        batteries: 2,
        ceiling: [point(5_000, 100), point(10_000, 300), point(15_000, 500)],
        heater_power: Milliwatts::from_milliwatts(60_000),
        heater_nominal: Millivolts::from_millivolts(12_800),
        supply_min: Millivolts::from_millivolts(11_000),
        supply_max: Millivolts::from_millivolts(15_000),
        sources: [source(100, 1), source(300, 0)],
    });
    let channel = |&role| Channel::new(role, Element::pt100(), Ohms::from_milliohms(400_000), leads);
    settings.channels = roles.iter().map(channel).collect();
    settings.heater.max_cycles_per_day = 250;
    settings.heater.proof = Some(Proof { energy: Joules::from_joules(36_000), rise: k(500), pad_rise: k(500) });
    settings.heater.cooling = Some(Cooling { after: Millis::from_secs(3600), excess: k(20_000) });
    let (floor, resume) = (Fraction::from_per_mille(500), Fraction::from_per_mille(600));
    settings.bank = BankUse::WithSource(Reserve::StateOfCharge { floor, resume });
    settings
}

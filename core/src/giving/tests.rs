//! A bank, its meters and what is said to feed it, played against the whole unit: cells that stay cold, and a heater that asks all
//! the time.

use crate::fault::SystemFault;
use crate::quantity::{Fraction, Millivolts};
use crate::settings::{BankUse, Reserve, Settings};
use crate::signals::{Alarm, Button, Cause, Inputs, Line, Outputs, Relay, Sources};
use crate::testing::{Time, c, fine_inputs, settings};
use crate::{Memory, Unit};

/// Seconds a step.
const STEP_S: u32 = 10;
const DAY: u32 = 86_400 / STEP_S;
const NOMINAL_V: f64 = 12.8;
const CAPACITY_AH: f64 = 200.0;
const HEATER_W: f64 = 60.0;

/// Open-circuit voltage of one cell by state of charge, in per cent.
///
/// # Source
/// Points of the table in `sim/src/bank.rs`, which names its own.
const OPEN_V: [(f64, f64); 9] = [
    (0.0, 2.0),
    (1.0, 2.837),
    (2.0, 2.948),
    (5.0, 3.137),
    (10.0, 3.188),
    (20.0, 3.230),
    (40.0, 3.275),
    (80.0, 3.318),
    (100.0, 3.34),
];

fn open_v(soc: f64) -> f64 {
    let (low, high) = OPEN_V.windows(2).map(|two| (two[0], two[1])).find(|&(_, high)| soc <= high.0).unwrap();
    4.0 * (low.1 + (high.1 - low.1) * (soc - low.0) / (high.0 - low.0))
}

/// What is really there.
#[derive(Clone)]
struct World {
    settings: Settings,
    unit: Unit,
    inputs: Inputs,
    time: Time,
    outputs: Outputs,
    /// Per cent.
    soc: f64,
    resistance_ohm: f64,
    /// What the sources really give (W), the voltage at which they hold the bus, and by how much that droops under the heater.
    given_w: f64,
    held_v: f64,
    droop_v: f64,
    load_w: f64,
    /// Noise of the voltmeter, each way (V); error (per cent a day) and step (per cent) of the charge meter.
    noise_v: f64,
    drift_pct: f64,
    step_pct: f64,
    has_voltage: bool,
    has_charge: bool,
    steps: u32,
    /// Taken out of the bank for heat, and the heater's time and cycles.
    lost_wh: f64,
    heated: u32,
    cycles: u32,
    alarms: u32,
}

impl World {
    fn new(soc: f64, resistance_ohm: f64) -> Self {
        let mut settings = settings();
        settings.heater.proof = None;
        settings.heater.max_run = crate::quantity::Millis::from_secs(24 * 3600);
        Self::of(settings, soc, resistance_ohm)
    }

    fn of(settings: Settings, soc: f64, resistance_ohm: f64) -> Self {
        let valid = settings.clone().validate().unwrap();
        Self {
            inputs: fine_inputs(&settings, c(0)),
            unit: Unit::new(&valid, Memory::default()),
            settings,
            time: Time(0),
            outputs: Outputs::all_off(SystemFault::SettingsInvalid),
            soc,
            resistance_ohm,
            given_w: 0.0,
            held_v: 13.5,
            droop_v: 0.0,
            load_w: 0.0,
            noise_v: 0.02,
            drift_pct: 0.0,
            step_pct: 1.0,
            has_voltage: true,
            has_charge: true,
            steps: 0,
            lost_wh: 0.0,
            heated: 0,
            cycles: 0,
            alarms: 0,
        }
    }

    fn step(&mut self) -> Outputs {
        let is_on = self.outputs.heater == Relay::Closed;
        let hours = f64::from(STEP_S) / 3600.0;
        let rest_v = open_v(self.soc);
        let heat_w = if is_on { HEATER_W * (rest_v.max(10.0) / NOMINAL_V).powi(2) } else { 0.0 };
        let lacking_w = (heat_w + self.load_w - self.given_w).max(0.0);
        let bus_v = if lacking_w > 0.0 || self.given_w <= 0.0 {
            let current_a = lacking_w / rest_v;
            self.soc = (self.soc - 100.0 * current_a * hours / CAPACITY_AH).max(0.0);
            self.lost_wh += lacking_w.min(heat_w) * hours;
            rest_v - current_a * self.resistance_ohm
        } else {
            rest_v.max(self.held_v - if is_on { self.droop_v } else { 0.0 })
        };
        // An even spread, the same each time.
        let spread = f64::from(self.steps.wrapping_mul(2_654_435_761) >> 16) / 32_768.0 - 1.0;
        let shown_v = bus_v + spread * self.noise_v;
        self.inputs.supply = Some(Millivolts::from_millivolts((bus_v * 1000.0) as u32));
        self.inputs.bank = self.has_voltage.then(|| Millivolts::from_millivolts((shown_v * 1000.0) as u32));
        let meter = self.soc - self.drift_pct * f64::from(self.steps) / f64::from(DAY);
        let meter = ((meter / self.step_pct).round() * self.step_pct).max(0.0);
        self.inputs.state_of_charge =
            self.has_charge.then(|| Fraction::from_steps((meter / 100.0 * 65_536.0).round() as u32));
        let outputs = self.unit.step(self.time.after(STEP_S * 1000), &self.inputs);
        self.cycles += u32::from(!is_on && outputs.heater == Relay::Closed);
        self.heated += u32::from(outputs.heater == Relay::Closed);
        self.alarms += u32::from(outputs.alarm == Alarm::Sounding);
        self.steps += 1;
        self.outputs = outputs;
        outputs
    }

    fn run(&mut self, steps: u32) -> Outputs {
        (0..steps).for_each(|_| {
            self.step();
        });
        self.outputs
    }

    fn restart(&mut self) {
        self.unit = Unit::new(&self.settings.clone().validate().unwrap(), self.unit.memory());
        self.outputs.heater = Relay::Open;
    }

    fn accuses(&self) -> bool {
        self.outputs.faults.system.contains(SystemFault::SourceNotGiving)
    }
}

fn reserve() -> BankUse {
    let per_mille = Fraction::from_per_mille;
    BankUse::Always(Reserve::StateOfCharge { floor: per_mille(300), resume: per_mille(400) })
}

/// What trials cost that the voltage ends: ten on the first day, then two a day, each 30 s and the steps in which it is seen; and those
/// that cost more: four, each at most the fall of charge that shows it and a step of the meter.
fn bound_wh(days: f64) -> f64 {
    let trial_h = (30.0 + 3.0 * f64::from(STEP_S)) / 3600.0;
    let cheap = (10.0 + 2.0 * days) * trial_h * HEATER_W * (13.4_f64 / NOMINAL_V).powi(2);
    let costly = 4.0 * (2.0 + 1.0) / 100.0 * CAPACITY_AH * NOMINAL_V;
    cheap + costly
}

/// One line is stuck at present for 90 days, and nothing gives. The heater asks all the time: left to itself it would take 60 W × 90
/// days, 130 kWh, of a bank that holds 2.6.
#[test]
fn a_line_that_is_stuck_costs_the_bank_no_more_than_its_trials() {
    for policy in [BankUse::Never, reserve()] {
        for (soc, resistance_ohm) in [(2.0, 0.01), (2.0, 0.08), (25.0, 0.01), (25.0, 0.08), (80.0, 0.08), (80.0, 0.005)]
        {
            let mut world = World::new(soc, resistance_ohm);
            world.settings.bank = policy;
            world = World::of(world.settings, soc, resistance_ohm);
            let is_spendable = policy != BankUse::Never && soc > 30.0;
            // What the policy gives comes first.
            if is_spendable {
                world.run(3 * DAY);
            }
            let spent = world.lost_wh;
            world.run(90 * DAY);
            assert!(world.lost_wh - spent <= bound_wh(90.0), "{policy:?} {soc} % {resistance_ohm} Ω");
            // At last the supply itself is too low.
            assert!(world.accuses() || world.outputs.cause == Cause::SupplyOutOfRange, "{:?}", world.outputs);
            assert_eq!(world.outputs.alarm, Alarm::Sounding);
        }
    }
}

#[test]
fn a_source_that_gives_is_trusted_and_heats_all_the_time() {
    type Make = fn(&mut World);
    let honest: [(&str, Make); 6] = [
        ("an empty bank and a soft charger", |w| (w.given_w, w.droop_v) = (600.0, 0.2)),
        ("no more than the heater takes", |w| (w.given_w, w.load_w, w.held_v) = (80.0, 12.0, 13.3)),
        ("a meter that runs down by 2 % a day", |w| (w.given_w, w.drift_pct) = (600.0, 2.0)),
        ("a noisy voltmeter", |w| (w.given_w, w.noise_v) = (600.0, 0.14)),
        ("no meter of charge", |w| (w.given_w, w.has_charge) = (600.0, false)),
        ("no voltmeter", |w| (w.given_w, w.has_voltage) = (600.0, false)),
    ];
    for (what, make) in honest {
        for soc in [2.0, 50.0] {
            let mut world = World::new(soc, 0.01);
            world.soc = soc;
            make(&mut world);
            world.run(DAY / 24);
            let (heated, steps) = (world.heated, world.steps);
            world.run(9 * DAY);
            // The heater rests for half an hour a day, by its maximum run.
            let share = f64::from(world.heated - heated) / f64::from(world.steps - steps);
            assert!(share > 0.97, "{what}, {soc} %: {share}");
            assert!(
                !world.accuses() && world.unit.memory().doubt.failures == 0,
                "{what}, {soc} %: {:?}",
                world.outputs
            );
        }
    }
}

/// The bus stands at 14.4 V, a moment later at 13.5 V; then the engine is stopped each night, and a cloud each hour lets the bank carry
/// the heater for a while.
#[test]
fn what_a_source_that_gives_does_besides_costs_minutes() {
    let mut world = World::new(60.0, 0.01);
    (world.given_w, world.held_v) = (600.0, 14.4);
    world.run(DAY / 4);
    world.held_v = 13.5;
    let heated = world.heated;
    world.run(DAY / 4);
    assert!(world.heated - heated >= DAY / 4 - 5 * 60 / STEP_S, "five minutes at most: {}", world.heated - heated);
    assert_eq!((world.alarms, world.unit.memory().doubt.failures), (0, 0), "and trusted again");

    let mut world = World::new(60.0, 0.01);
    for _ in 0..10 {
        (world.given_w, world.inputs.sources) = (0.0, Sources::NONE);
        world.run(DAY / 2);
        world.inputs.sources = Sources::NONE.with(1);
        let heated = world.heated;
        for _ in 0..12 {
            (world.given_w, world.held_v) = (20.0, 13.5);
            world.run(120 / STEP_S);
            (world.given_w, world.held_v) = (600.0, 13.5 + f64::from(world.steps % 7) / 10.0);
            world.run(3_480 / STEP_S);
        }
        let share = f64::from(world.heated - heated) / f64::from(DAY / 2);
        assert!(share > 0.95, "{share}");
        assert_eq!(world.alarms, 0);
    }
}

/// Both meters are good, and the sources are said to give.
fn found_out() -> World {
    let mut world = World::new(50.0, 0.08);
    world.run(DAY);
    assert!(world.accuses() && world.outputs.faults.not_giving == Sources::NONE.with(1), "{:?}", world.outputs);
    world
}

#[test]
fn a_source_that_gives_again_is_tried_within_half_a_day_or_once_it_was_away_or_at_the_button() {
    let mut world = found_out();
    world.given_w = 600.0;
    let until = (0..DAY).find(|_| world.step().heater == Relay::Closed).unwrap();
    assert!(until <= DAY / 2);
    world.run(DAY / 4);
    assert!(
        !world.accuses() && world.outputs.heater == Relay::Closed && world.outputs.alarm == Alarm::Quiet,
        "it is trusted again"
    );

    let mut world = found_out();
    world.given_w = 600.0;
    world.inputs.sources = Sources::NONE;
    world.run(59 * 60 / STEP_S);
    world.inputs.sources = Sources::NONE.with(1);
    assert_eq!(world.run(180 / STEP_S).heater, Relay::Open, "a loose wire is away for less than an hour");
    world.inputs.sources = Sources::NONE;
    world.run(61 * 60 / STEP_S);
    world.inputs.sources = Sources::NONE.with(1);
    assert_eq!(world.run(60 / STEP_S).heater, Relay::Closed);

    let mut world = found_out();
    world.inputs.button = Button::Pressed;
    world.run(3);
    world.inputs.button = Button::Released;
    assert_eq!(world.run(2).heater, Relay::Closed);
    assert!(!world.accuses());
}

#[test]
fn another_source_pays_in_place_of_one_that_gives_nothing() {
    let mut world = found_out();
    world.inputs.sources = world.inputs.sources.with(0);
    world.given_w = 100.0;
    let outputs = world.run(120 / STEP_S);
    assert_eq!((outputs.heater, outputs.faults.not_giving), (Relay::Closed, Sources::NONE.with(1)));
    world.run(DAY / 4);
    assert!(world.accuses(), "that one gives says nothing of the other");
}

/// So that the bank can be compared with itself before another source takes on the heater.
#[test]
fn the_heater_goes_off_in_the_step_in_which_a_source_fails_whatever_else_could_pay() {
    let mut world = World::new(50.0, 0.08);
    world.inputs.sources = world.inputs.sources.with(0);
    let failed = (0..DAY).map(|_| world.step()).find(|outputs| outputs.faults.not_giving != Sources::NONE).unwrap();
    assert_eq!((failed.heater, failed.faults.not_giving), (Relay::Open, Sources::NONE.with(1)));
    world.given_w = 100.0;
    assert_eq!(world.run(120 / STEP_S).heater, Relay::Closed, "the other pays");
}

#[test]
fn a_heater_that_waits_for_a_source_that_gives_nothing_says_so() {
    let mut world = World::new(50.0, 0.08);
    let failed = (0..DAY).map(|_| world.step()).find(|outputs| outputs.faults.not_giving != Sources::NONE).unwrap();
    assert_eq!((failed.cause, world.accuses()), (Cause::HeaterResting, false), "it may be a cloud");
    assert_eq!(world.step().cause, Cause::HeaterResting);
    assert_eq!(found_out().outputs.cause, Cause::System(SystemFault::SourceNotGiving));
}

/// A restart every twenty minutes, which is no restart storm.
#[test]
fn a_restart_forgets_nothing_of_it() {
    for (soc, resistance_ohm) in [(50.0, 0.08), (80.0, 0.005)] {
        let mut world = World::new(soc, resistance_ohm);
        let (mut stored, mut kept) = (0, world.unit.memory().doubt);
        for _ in 0..20 * 72 {
            for _ in 0..1_200 / STEP_S {
                world.step();
                stored += u32::from(world.unit.memory().doubt != kept);
                kept = world.unit.memory().doubt;
            }
            world.restart();
        }
        assert!(stored <= 40, "each store wears the memory: {stored}");
        assert!(world.lost_wh <= bound_wh(90.0), "{} Wh", world.lost_wh);
        world.run(10);
        assert!(world.accuses());
    }
}

#[test]
fn with_nothing_to_see_the_bank_by_heat_is_but_trials() {
    let mut world = World::new(50.0, 0.01);
    (world.has_voltage, world.has_charge, world.given_w) = (false, false, 600.0);
    world.run(10 * DAY);
    assert!(world.accuses());
    assert!((10..=30).contains(&world.cycles), "{}", world.cycles);
    assert!(world.heated * STEP_S <= world.cycles * 80, "{} s", world.heated * STEP_S);
}

#[test]
fn a_bank_that_may_be_spent_and_one_that_cannot_feed_the_heater_are_not_judged() {
    let mut world = World::new(95.0, 0.08);
    world.settings.bank = reserve();
    let mut world = World::of(world.settings, 95.0, 0.08);
    world.run(DAY);
    assert_eq!((world.alarms, world.outputs.heater), (0, Relay::Closed));
    world.inputs.discharge_line = Line::Refused;
    world.run(DAY / 2);
    assert!(world.accuses(), "the protection refuses discharge");

    let mut world = World::new(95.0, 0.08);
    world.settings.giving = None;
    let mut world = World::of(world.settings, 95.0, 0.08);
    world.run(DAY / 2);
    assert_eq!((world.alarms, world.outputs.heater), (0, Relay::Closed));
}

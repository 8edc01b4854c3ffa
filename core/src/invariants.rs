//! The promises of the whole, each held over generated installations and histories.
//!
//! What is promised is written a second time here, plainly and in floating point ([`Model`]), from the raw inputs alone. The
//! histories break channels, move temperatures through every threshold, take energy away, make clocks leap, wrap and stand still,
//! and cut the power; see [`crate::testing`]. Every property below has been watched failing with the line that it guards removed.

use crate::controller::Memory;
use crate::fault::{Faults, SystemFaults};
use crate::guard::Guard;
use crate::quantity::{Celsius, Fraction, Instant};
use crate::rtd::{Coefficients, Leads};
use crate::settings::{BankUse, Channel, MAX_CHANNELS, Reserve, Role, Settings, ValidSettings};
use crate::signals::{Alarm, Cause, Inputs, Line, Outputs, Relay, Sample, State, Storage};
use crate::testing::{History, Moment, any_history, any_settings, c, fine_inputs, sample, wild_settings};
use crate::unit::Unit;
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use std::vec::Vec;

/// Histories a property is tried on.
const CASES: u32 = 1_500;

/// The equation of IEC 60751 in double precision, by bisection; nothing outside −200…+850 °C. The generated elements have
/// nominal coefficients.
fn exact_celsius(channel: &Channel, measured: crate::rtd::Measured) -> Option<f64> {
    assert_eq!(channel.element.coefficients(), Coefficients::IEC_60751);
    let steps = f64::from(measured.element.as_steps()) - f64::from(measured.lead.as_steps());
    let known = match channel.leads {
        Leads::TwoWire { loop_at_20c, at } => {
            f64::from(loop_at_20c.as_steps()) / 262_144.0
                * (1.0 + 0.003_93 * (f64::from(at.as_steps()) / 65_536.0 - 20.0))
        }
        Leads::ThreeWire | Leads::FourWire => 0.0,
    };
    let ohms = steps / 1_073_741_824.0 * f64::from(channel.reference.as_steps()) / 262_144.0 - known;
    let w = ohms / (f64::from(channel.element.r0().as_steps()) / 262_144.0);
    let ratio = |t: f64| {
        1.0 + 3.9083e-3 * t - 5.775e-7 * t * t + if t < 0.0 { -4.183e-12 * (t - 100.0) * t * t * t } else { 0.0 }
    };
    if !(ratio(-200.0)..=ratio(850.0)).contains(&w) {
        return None;
    }
    let (mut low, mut high) = (-200.0, 850.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if ratio(middle) < w { low = middle } else { high = middle }
    }
    Some(low + f64::from(channel.offset.as_steps()) / 65_536.0)
}

fn exact(t: Celsius) -> f64 {
    f64::from(t.as_steps()) / 65_536.0
}

/// A tenth of a millikelvin: what a reading may be off by computation.
const TENTH_MK: f64 = 1e-4;

/// What the raw inputs say, kept as plainly as possible.
struct Model<'a> {
    settings: &'a Settings,
    latest: [Option<f64>; MAX_CHANNELS],
    age_ms: [u64; MAX_CHANNELS],
    before: Option<Instant>,
    /// Since a cell was bad or at or below inhibit, or since the reset.
    since_bad_ms: u64,
    heater: Relay,
    /// Without a pause as long as the rest.
    heater_on_ms: u64,
    heater_off_ms: u64,
}

/// Whether each output may be on, by the inputs alone.
struct May {
    charge: bool,
    heat: bool,
}

impl<'a> Model<'a> {
    fn new(settings: &'a Settings) -> Self {
        Self {
            settings,
            latest: [None; MAX_CHANNELS],
            age_ms: [0; MAX_CHANNELS],
            before: None,
            since_bad_ms: 0,
            heater: Relay::Open,
            heater_on_ms: 0,
            heater_off_ms: 0,
        }
    }

    fn judge(&mut self, now: Instant, inputs: &Inputs) -> May {
        let settings = self.settings;
        let first = self.before.is_none();
        let elapsed = self.before.replace(now).map_or(0, |before| u64::from(now.since(before).as_millis()));
        let clock_good = first || (elapsed > 0 && elapsed <= u64::from(settings.trust.max_step.as_millis()));
        let mut cell_bad = false;
        let mut pad_bad = false;
        let mut cold = false;
        let mut hot = false;
        let mut cut_out = false;
        for (index, channel) in settings.channels.iter().enumerate() {
            self.age_ms[index] += elapsed;
            match &inputs.channels[index] {
                Sample::None => {}
                Sample::ConverterFault => self.latest[index] = None,
                Sample::Fresh(measured) => {
                    let plausible = exact(settings.trust.plausible_low)..=exact(settings.trust.plausible_high);
                    self.latest[index] = exact_celsius(channel, *measured).filter(|t| plausible.contains(t));
                    self.age_ms[index] = 0;
                }
            }
            let missing = self.age_ms[index] > u64::from(settings.trust.max_age.as_millis());
            let bad = missing || self.latest[index].is_none();
            let t = self.latest[index].unwrap_or(f64::NAN);
            match channel.role {
                Role::Cell => {
                    cell_bad |= bad;
                    cold |= t <= exact(settings.charge.inhibit) - TENTH_MK;
                    hot |= t >= exact(settings.charge.high_limit) + TENTH_MK;
                }
                Role::Pad => pad_bad |= bad,
                Role::Ambient => {}
            }
            let limit =
                if channel.role == Role::Pad { settings.heater.cutout_pad } else { settings.heater.cutout_cell };
            cut_out |= !bad && t >= exact(limit) + TENTH_MK;
        }
        let bad = cell_bad || cold || !clock_good;
        self.since_bad_ms = if bad { 0 } else { self.since_bad_ms + elapsed };
        match self.heater {
            Relay::Closed if clock_good => self.heater_on_ms += elapsed,
            Relay::Open if clock_good => self.heater_off_ms += elapsed,
            Relay::Closed | Relay::Open => {}
        }
        if self.heater_off_ms >= u64::from(settings.heater.rest.as_millis()) {
            self.heater_on_ms = 0;
        }
        let soaked = self.since_bad_ms >= u64::from(settings.charge.soak.as_millis());
        May {
            charge: !bad && !hot && soaked && inputs.charge_line == Line::Allowed,
            heat: !cell_bad
                && !pad_bad
                && clock_good
                && !cut_out
                && inputs.storage == Storage::Kept
                && self.heater_on_ms < u64::from(settings.heater.max_run.as_millis())
                && self.energy(inputs),
        }
    }

    fn energy(&self, inputs: &Inputs) -> bool {
        let settings = self.settings;
        let Some(supply) = inputs.supply else { return false };
        if supply < settings.heater.supply_min || supply > settings.heater.supply_max {
            return false;
        }
        let volts = f64::from(supply.as_millivolts()) / f64::from(settings.heater.nominal.as_millivolts());
        let load = f64::from(settings.heater.power.as_milliwatts()) * volts * volts;
        let on_offer = |index| inputs.sources.contains(index) && !inputs.unsteady.contains(index);
        let present = settings.sources.iter().enumerate().filter(|(index, _)| on_offer(*index));
        let budget: f64 = present.map(|(_, source)| f64::from(source.budget.as_milliwatts())).sum();
        let reserve = match settings.bank {
            BankUse::Never => None,
            BankUse::WithSource(reserve) => Some(reserve).filter(|_| budget > 0.0),
            BankUse::Always(reserve) => Some(reserve),
        };
        let above = match reserve {
            None => false,
            Some(Reserve::StateOfCharge { floor, .. }) => inputs.state_of_charge.is_some_and(|charge| charge > floor),
            Some(Reserve::Voltage { floor, sag, .. }) => {
                let sag = if self.heater == Relay::Closed { sag.as_millivolts() } else { 0 };
                inputs.bank.is_some_and(|bank| bank.as_millivolts() > floor.as_millivolts() - sag)
            }
        };
        budget >= load * (1.0 - 1e-4) - 2.0 || (above && inputs.discharge_line == Line::Allowed)
    }

    fn note(&mut self, heater: Relay) {
        if heater == Relay::Closed {
            self.heater_off_ms = 0;
        }
        self.heater = heater;
    }
}

/// Runs a unit through a history, restarts and all; hands each step to `look`.
fn run(
    settings: &Settings,
    history: &History,
    mut look: impl FnMut(&Moment, &Outputs, &May, &Unit) -> Result<(), TestCaseError>,
) -> Result<(), TestCaseError> {
    let valid = settings.clone().validate().unwrap();
    let mut unit = Unit::new(valid.clone(), Memory::default());
    let mut model = Model::new(settings);
    for moment in history.moments(settings) {
        if moment.restart {
            unit = Unit::new(valid.clone(), unit.memory());
            model = Model::new(settings);
        }
        let may = model.judge(moment.now, &moment.inputs);
        let outputs = unit.step(moment.now, &moment.inputs);
        look(&moment, &outputs, &may, &unit)?;
        model.note(outputs.heater);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: CASES, ..ProptestConfig::default() })]

    /// Invariants 1 and 2, and as the model is asked in the same step, 4.
    #[test]
    fn charge_is_never_permitted_cold_hot_or_blind_nor_within_the_soak_after(settings in any_settings(), history in any_history()) {
        run(&settings, &history, |_, outputs, may, _| {
            prop_assert!(outputs.charge == Relay::Open || may.charge, "{outputs:?}");
            let cell_fault = settings.channels.iter().zip(outputs.faults.channels)
                .any(|(channel, fault)| channel.role == Role::Cell && fault.is_some());
            prop_assert!(outputs.charge == Relay::Open || !cell_fault);
            prop_assert!((outputs.charge == Relay::Closed) || outputs.ceiling == Fraction::ZERO);
            Ok(())
        })?;
    }

    /// Invariant 3, and 4.
    #[test]
    fn the_heater_is_never_on_blind_hot_unfed_or_latched(settings in any_settings(), history in any_history()) {
        run(&settings, &history, |_, outputs, may, _| {
            prop_assert!(outputs.heater == Relay::Open || may.heat, "{outputs:?}");
            let needed_fault = settings.channels.iter().zip(outputs.faults.channels)
                .any(|(channel, fault)| channel.role != Role::Ambient && fault.is_some());
            prop_assert!(outputs.heater == Relay::Open || !needed_fault);
            prop_assert!(outputs.heater == Relay::Open || outputs.faults.system.and(SystemFaults::DISABLING_HEAT).is_empty());
            Ok(())
        })?;
    }

    /// Invariant 5. The same unit, the same step, one cell colder.
    #[test]
    fn a_colder_cell_never_turns_charge_on(settings in any_settings(), history in any_history(), by in 1..40_000_i32) {
        let high_release = exact(settings.charge.high_release);
        let mut before: Option<Unit> = None;
        run(&settings, &history, |moment, outputs, _, unit| {
            if let Some(mut twin) = before.replace(unit.clone()).filter(|_| !moment.restart) {
                let cells = settings.channels.iter().enumerate().filter(|(_, channel)| channel.role == Role::Cell);
                for (index, channel) in cells {
                    let Sample::Fresh(measured) = &moment.inputs.channels[index] else { continue };
                    let Some(t) = exact_celsius(channel, *measured) else { continue };
                    // Colder than too hot may well be good; and a reading that is doubted, by the controller or by the guard alone, may
                    // be doubted for having risen too fast.
                    let doubted = outputs.faults.channels[index].is_some() || outputs.cause == Cause::GuardOverruled;
                    if t >= high_release - 0.001 || doubted {
                        continue;
                    }
                    let mut colder = *moment;
                    let t = (t * 1000.0) as i32 - by;
                    colder.inputs.channels[index] = sample(channel, c(t.max(-55_000)));
                    let colder = twin.step(colder.now, &colder.inputs);
                    prop_assert!(colder.charge == Relay::Open || outputs.charge == Relay::Closed, "{colder:?} for {outputs:?}");
                    break;
                }
            }
            Ok(())
        })?;
    }

    /// Invariant 7: the model starts afresh with each reset, so soaks count from it; here the good-reading run and the latches.
    #[test]
    fn a_reset_leaves_both_outputs_off_until_start_up_is_done_and_keeps_what_is_latched(settings in any_settings(), history in any_history()) {
        let mut readings = 0_u32;
        let mut latched = SystemFaults::NONE;
        let mut pressed = false;
        run(&settings, &history, |moment, outputs, _, unit| {
            readings = if moment.restart { 0 } else { readings };
            readings += 1;
            pressed |= moment.inputs.button == crate::signals::Button::Pressed;
            if readings < u32::from(settings.trust.good_run) {
                prop_assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open));
            }
            if !pressed {
                prop_assert_eq!(unit.memory().latched.and(latched), latched, "a latched fault was lost");
            }
            latched = unit.memory().latched;
            pressed = false;
            Ok(())
        })?;
    }

    /// Invariant 8: whatever the controller asks for.
    #[test]
    fn the_guard_alone_upholds_the_first_three(settings in any_settings(), history in any_history()) {
        let greedy = Outputs {
            heater: Relay::Closed, charge: Relay::Closed, ceiling: Fraction::ONE, alarm: Alarm::Quiet,
            state: State::Holding, cause: Cause::Soaked, faults: Faults::NONE,
        };
        let valid = settings.clone().validate().unwrap();
        let mut guard = Guard::new(&valid, Memory::default());
        let mut model = Model::new(&settings);
        for moment in history.moments(&settings) {
            if moment.restart {
                guard = Guard::new(&valid, Memory::default());
                model = Model::new(&settings);
            }
            let may = model.judge(moment.now, &moment.inputs);
            let verdict = guard.judge(moment.now, &moment.inputs, &greedy);
            prop_assert!(verdict.charge == Relay::Open || may.charge);
            prop_assert!(verdict.heater == Relay::Open || may.heat);
            model.note(verdict.heater);
        }
    }

    /// Invariant 6: overflow checks are on in this profile, and a panic anywhere fails the test.
    #[test]
    fn nothing_that_validates_can_be_driven_into_a_panic(settings in wild_settings(), history in any_history()) {
        prop_assume!(settings.clone().validate().is_ok());
        run(&settings, &history, |_, outputs, _, _| {
            prop_assert!(State::PLAIN.contains(&outputs.state));
            Ok(())
        })?;
    }

    /// Two runs of one history give the same outputs to the last bit.
    #[test]
    fn same_inputs_same_outputs(settings in any_settings(), history in any_history()) {
        let mut first = Vec::new();
        run(&settings, &history, |_, outputs, _, _| { first.push(*outputs); Ok(()) })?;
        let mut at = 0;
        run(&settings, &history, |_, outputs, _, _| {
            prop_assert_eq!(outputs, &first[at]);
            at += 1;
            Ok(())
        })?;
    }
}

/// The properties above say "never"; this says that the histories give them something to deny.
#[test]
fn generated_histories_reach_every_state_and_both_outputs() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let strategy = (any_settings(), any_history());
    let mut steps = 0_u32;
    let (mut charged, mut heated, mut restarted, mut latched) = (0, 0, 0, 0);
    let mut states = std::collections::BTreeSet::new();
    for _ in 0..400 {
        let (settings, history) = strategy.new_tree(&mut runner).unwrap().current();
        assert!(settings.clone().validate().is_ok(), "{:?}", settings.validate());
        let mut seen = [false; 4];
        run(&settings, &history, |moment, outputs, _, unit| {
            steps += 1;
            states.insert(outputs.state);
            seen[0] |= outputs.charge == Relay::Closed;
            seen[1] |= outputs.heater == Relay::Closed;
            seen[2] |= moment.restart;
            seen[3] |= !unit.memory().latched.is_empty();
            Ok(())
        })
        .unwrap();
        charged += u32::from(seen[0]);
        heated += u32::from(seen[1]);
        restarted += u32::from(seen[2]);
        latched += u32::from(seen[3]);
    }
    std::println!(
        "400 histories, {steps} steps: {charged} charged, {heated} heated, {restarted} restarted, {latched} latched"
    );
    assert_eq!(states.len(), State::PLAIN.len(), "{states:?}");
    assert!(charged >= 80 && heated >= 80 && restarted >= 80 && latched >= 20);
}

/// The two ways of computing agree to within the room between them: temperatures that creep through every threshold in steps far
/// smaller than that room leave the guard nothing to take.
#[test]
fn the_guard_has_nothing_to_take_from_a_sound_controller() {
    let mut settings = crate::testing::settings();
    settings.charge.soak = crate::quantity::Millis::from_secs(60);
    let valid: ValidSettings = settings.clone().validate().unwrap();
    let mut unit = Unit::new(valid, Memory::default());
    let mut second = 0_u32;
    let mut see = |steps: i32| {
        second += 1;
        let inputs = fine_inputs(&settings, Celsius::from_steps(steps));
        unit.step(Instant::from_millis(second * 1000), &inputs)
    };
    let around =
        |t: i32| (c(t - 4).as_steps()..c(t + 4).as_steps()).chain((c(t - 4).as_steps()..c(t + 4).as_steps()).rev());
    let mut permitted = 0;
    let (mut from, ends) = (c(20_000).as_steps(), [5_000, 30_000, 45_000, 30_000, 5_000]);
    for threshold in ends {
        // There by 20 mK a second, then through it by 15 µK a second.
        let to = c(threshold - 4).as_steps();
        let way = (0..=(to - from).abs() / 1_310).map(|step| from + step * 1_310 * (to - from).signum());
        for steps in way.chain(around(threshold)) {
            permitted += u32::from(see(steps).charge == Relay::Closed);
        }
        from = to;
    }
    assert!(permitted > 1_000, "{permitted}");
    assert_eq!(unit.counters().overrules, 0);
}

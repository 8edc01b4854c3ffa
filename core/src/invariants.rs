//! The promises of the whole, each held over generated installations and histories.
//!
//! What is promised is written a second time, plainly and in floating point, from the raw inputs alone ([`Model`]). The histories break channels, move temperatures through every threshold, take energy away, make clocks leap, wrap and stand still,
//! and cut the power; see [`crate::testing`]. Every property below has been watched failing with the line that it guards removed.

use crate::controller::Memory;
use crate::fault::{Faults, SystemFault, SystemFaults};
use crate::guard::Guard;
use crate::quantity::{Celsius, Fraction, Instant};
use crate::settings::{Role, Settings, ValidSettings};
use crate::signals::{Alarm, Cause, Outputs, Relay, Sample, State};
use crate::testing::{
    History, May, Model, Moment, any_history, any_settings, c, case, exact, exact_celsius, fine_inputs, sample,
    wild_settings,
};
use crate::unit::Unit;
use proptest::prelude::*;
use std::vec::Vec;

/// Histories a property is tried on.
const CASES: u32 = 1_500;

/// Runs a unit through a history, restarts and all; hands each step to `look`.
fn run(
    settings: &Settings,
    history: &History,
    mut look: impl FnMut(&Moment, &Outputs, &May, &Unit) -> Result<(), TestCaseError>,
) -> Result<(), TestCaseError> {
    let valid = settings.clone().validate().unwrap();
    let mut unit = Unit::new(&valid, Memory::default());
    let mut model = Model::new(settings);
    for moment in history.moments(settings) {
        if moment.restart {
            unit = Unit::new(&valid, unit.memory());
            model = model.restarted();
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

    /// Invariant 3, and 4. The model keeps over restarts how long the heater ran, and that it overheated.
    #[test]
    fn the_heater_is_never_on_blind_hot_unfed_or_latched(settings in any_settings(), history in any_history()) {
        run(&settings, &history, |_, outputs, may, _| {
            prop_assert!(outputs.heater == Relay::Open || (may.heat && !may.overheated), "{outputs:?}");
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
                guard = Guard::new(&valid, guard.memory());
                model = model.restarted();
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
    let mut steps = 0_u32;
    let (mut charged, mut heated, mut restarted, mut latched, mut unstored, mut unsteady) = (0, 0, 0, 0, 0, 0);
    let (mut overheated, mut kept_resting) = (0, 0);
    let mut states = std::collections::BTreeSet::new();
    for seed in 0..400 {
        let (settings, history) = case(seed);
        assert!(settings.clone().validate().is_ok(), "{:?}", settings.validate());
        let mut seen = [false; 8];
        run(&settings, &history, |moment, outputs, _, unit| {
            steps += 1;
            states.insert(outputs.state);
            seen[0] |= outputs.charge == Relay::Closed;
            seen[1] |= outputs.heater == Relay::Closed;
            seen[2] |= moment.restart;
            seen[3] |= !unit.memory().latched.is_empty();
            seen[4] |= outputs.faults.system.contains(SystemFault::StorageFailing);
            seen[5] |= outputs.faults.system.contains(SystemFault::SourceUnsteady);
            seen[6] |= unit.memory().latched.contains(SystemFault::OverTemperature);
            seen[7] |= moment.restart && unit.memory().run.begun > 0;
            Ok(())
        })
        .unwrap();
        charged += u32::from(seen[0]);
        heated += u32::from(seen[1]);
        restarted += u32::from(seen[2]);
        latched += u32::from(seen[3]);
        unstored += u32::from(seen[4]);
        unsteady += u32::from(seen[5]);
        overheated += u32::from(seen[6]);
        kept_resting += u32::from(seen[7]);
    }
    std::println!(
        "400 histories, {steps} steps: {charged} charged, {heated} heated, {restarted} restarted, {latched} latched, \
         {unstored} could not store, {unsteady} had a line toggling, {overheated} overheated, {kept_resting} restarted in a run"
    );
    assert_eq!(states.len(), State::PLAIN.len(), "{states:?}");
    assert!(charged >= 80 && heated >= 80 && restarted >= 80 && latched >= 20 && unstored >= 80 && unsteady >= 80);
    assert!(overheated >= 20 && kept_resting >= 40);
}

/// The two ways of computing agree to within the room between them: temperatures that creep through every threshold in steps far
/// smaller than that room leave the guard nothing to take.
#[test]
fn the_guard_has_nothing_to_take_from_a_sound_controller() {
    let mut settings = crate::testing::settings();
    settings.charge.soak = crate::quantity::Millis::from_secs(60);
    let valid: ValidSettings = settings.clone().validate().unwrap();
    let mut unit = Unit::new(&valid, Memory::default());
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

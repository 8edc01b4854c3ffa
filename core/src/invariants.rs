//! The promises of the whole, each held over generated installations and histories. Their numbers are those of the
//! crate's page, `docs/promises.md`.
//!
//! [`Model`] states what is promised a second time, plainly and in floating point, from the raw inputs alone. The
//! histories break channels, move temperatures through every threshold, take energy away, make clocks leap, wrap and
//! stand still, and cut the power; see [`crate::testing`]. Every property below has been seen to fail with the line
//! that it guards removed.

use crate::fault::{SystemFault, SystemFaults};
use crate::guard::Guard;
use crate::quantity::{Celsius, Fraction, Instant, Milliamps, Ratio};
use crate::rtd::Measured;
use crate::settings::{CeilingPoint, ChargeCurrent, MAX_CHANNELS, MAX_SOURCES, Role, Settings, ValidSettings};
use crate::signals::{Alarm, Cause, Outputs, Relay, Sample, Sources, State};
use crate::testing::{
    EVERYTHING, History, May, Model, Moment, any_history, any_settings, c, case, exact, exact_celsius, fine_inputs,
    sample, wild_settings,
};
use crate::{Memory, Unit};
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
        // In every history, whatever it is run for.
        let closings = model.closings_in_a_day();
        prop_assert!(closings <= usize::from(settings.heater.max_cycles_per_day), "{closings} closings in a day");
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: CASES, ..ProptestConfig::default() })]

    /// Promises 1 and 2, and as the model is asked in the same step, 4.
    #[test]
    fn charge_is_never_permitted_cold_hot_or_blind_nor_within_the_soak_after(settings in any_settings(), history in any_history()) {
        run(&settings, &history, |_, outputs, may, _| {
            prop_assert!(outputs.charge == Relay::Open || may.charge, "{outputs:?}");
            let cell_fault = settings.channels.iter().zip(outputs.faults.channels)
                .any(|(channel, fault)| channel.role == Role::Cell && fault.is_some());
            prop_assert!(outputs.charge == Relay::Open || !cell_fault);
            prop_assert!((outputs.charge == Relay::Closed) || outputs.ceiling == Fraction::ZERO);
            prop_assert!(outputs.charge == Relay::Closed || outputs.full == Relay::Open, "{outputs:?}");
            Ok(())
        })?;
    }

    /// Promise 12, and 4: sources that do not obey the ceiling charge only where they cannot exceed it. Computing may
    /// put a reading off by a tenth of a millikelvin. The ceiling for sources that obey leaves room for the others.
    /// Sources in two steps count with the larger one exactly while the full charge permit is on; without such sources
    /// that is the charge permit.
    #[test]
    fn sources_that_do_not_obey_the_ceiling_charge_only_where_they_cannot_exceed_it(settings in any_settings(), history in any_history()) {
        run(&settings, &history, |moment, outputs, may, unit| {
            prop_assert!(outputs.charge == Relay::Open || may.ceiling_off_by_k <= 1e-4, "{outputs:?}");
            prop_assert!(outputs.full == Relay::Open || may.full_off_by_k <= 1e-4, "{outputs:?}");
            let has_steps = settings.sources.iter().any(|source| source.charge.has_steps());
            prop_assert!(has_steps || outputs.full == outputs.charge, "{outputs:?}");
            if let (Relay::Closed, Some(coldest)) = (outputs.charge, unit.coldest_cell()) {
                let told = f64::from(outputs.ceiling.as_steps()) / 65_536.0;
                let allowed = f64::from(crate::ceiling::Ceiling::new(&settings.charge).between(coldest, coldest).as_steps()) / 65_536.0;
                let others = match outputs.full {
                    Relay::Closed => Model::unruled_ma(&settings, &moment.inputs),
                    Relay::Open => Model::reduced_ma(&settings, &moment.inputs),
                };
                let others = others / f64::from(settings.charge.capacity.as_milliamp_hours());
                prop_assert!(told == 0.0 || told + others <= allowed + 2.0 / 65_536.0, "{told} and {others} of {allowed}");
            }
            Ok(())
        })?;
    }

    /// Promises 3 and 4. The model keeps over restarts how long the heater ran, and that it overheated.
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

    /// Promise 10, as far as the voltage shows it: present is not giving.
    #[test]
    fn the_bank_does_not_pay_for_what_sources_are_said_to_give(settings in any_settings(), history in any_history()) {
        run(&settings, &history, |_, outputs, may, _| {
            prop_assert!(outputs.heater == Relay::Open || may.heat_of_sources, "{outputs:?}");
            Ok(())
        })?;
    }

    /// Promise 5. The same unit, the same step, one cell colder.
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
                    // So may colder than where the ceiling falls.
                    let falls = settings.charge.ceiling.windows(2)
                        .any(|two| two[0].limit > two[1].limit && exact(two[0].at) < t + 0.001);
                    let doubted = falls || outputs.faults.channels[index].is_some() || outputs.cause == Cause::GuardOverruled;
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

    /// Promise 11.
    #[test]
    fn charge_that_is_long_refused_with_a_source_present_is_never_quiet(settings in any_settings(), history in any_history()) {
        let after = u64::from(settings.charge.overdue_after.as_millis());
        let max_step = u64::from(settings.trust.max_step.as_millis());
        let (mut before, mut waited) = (None::<Instant>, 0_u64);
        run(&settings, &history, |moment, outputs, _, _| {
            let before = before.replace(moment.now).filter(|_| !moment.restart);
            let elapsed = before.map_or(0, |before| u64::from(moment.now.since(before).as_millis()));
            let is_offered = (0..settings.sources.len())
                .any(|index| moment.inputs.sources.contains(index) && !moment.inputs.unsteady.contains(index));
            match outputs.charge {
                // What the guard takes away sounds the alarm.
                Relay::Open if outputs.cause == Cause::GuardOverruled => waited = 0,
                Relay::Closed => waited = 0,
                Relay::Open if is_offered && elapsed <= max_step => waited += elapsed,
                Relay::Open => {}
            }
            let is_said = outputs.faults.system.contains(SystemFault::ChargeOverdue);
            prop_assert!(waited < after || is_said, "{waited} ms of {after}: {outputs:?}");
            prop_assert_eq!(outputs.overdue.is_some(), is_said);
            Ok(())
        })?;
    }

    /// Promise 7: the model starts afresh with each reset, so soaks count from it; here the good-reading run of each channel and the
    /// latches.
    #[test]
    fn a_reset_leaves_both_outputs_off_until_start_up_is_done_and_keeps_what_is_latched(settings in any_settings(), history in any_history()) {
        let mut readings = [0_u32; MAX_CHANNELS];
        let mut latched = SystemFaults::NONE;
        let mut pressed = false;
        run(&settings, &history, |moment, outputs, _, unit| {
            if moment.restart {
                readings = [0; MAX_CHANNELS];
            }
            for (readings, sample) in readings.iter_mut().zip(&moment.inputs.channels) {
                *readings += u32::from(matches!(sample, Sample::Fresh(_)));
            }
            pressed |= moment.inputs.button == crate::signals::Button::Pressed;
            for (channel, readings) in settings.channels.iter().zip(readings) {
                if readings < u32::from(settings.trust.good_run) {
                    let counts_for_charge = matches!(channel.role, Role::Cell | Role::Check(_));
                    prop_assert!(outputs.charge == Relay::Open || !counts_for_charge);
                    prop_assert!(outputs.heater == Relay::Open || !(counts_for_charge || channel.role == Role::Pad));
                }
            }
            if !pressed {
                prop_assert_eq!(unit.memory().latched.and(latched), latched, "a latched fault was lost");
            }
            latched = unit.memory().latched;
            pressed = false;
            Ok(())
        })?;
    }

    /// Promise 8: whatever the controller asks for.
    #[test]
    fn the_guard_alone_upholds_the_first_three(settings in any_settings(), history in any_history()) {
        let valid = settings.clone().validate().unwrap();
        let mut guard = Guard::new(&valid, Memory::default());
        let mut model = Model::new(&settings);
        for moment in history.moments(&settings) {
            if moment.restart {
                guard = Guard::new(&valid, guard.memory());
                model = model.restarted();
            }
            let may = model.judge(moment.now, &moment.inputs);
            let verdict = guard.judge(moment.now, &moment.inputs, &EVERYTHING);
            prop_assert!(verdict.charge == Relay::Open || may.charge);
            // The guard draws its own straight lines between the points of the ceiling: see `Channel::can_take`.
            prop_assert!(verdict.charge == Relay::Open || may.ceiling_off_by_k <= 0.1);
            prop_assert!(verdict.full == Relay::Open || (verdict.charge == Relay::Closed && may.full_off_by_k <= 0.1));
            prop_assert!(verdict.heater == Relay::Open || may.heat);
            model.note(verdict.heater);
            // One more than the controller may.
            prop_assert!(model.closings_in_a_day() <= usize::from(settings.heater.max_cycles_per_day) + 1);
        }
    }

    /// Both judge the same, each in its way, and the controller comes first. So the guard speaks only where one of them
    /// is wrong. No seldom sampled channel, no jump, no way back from it and no skew of what all share makes it
    /// overrule a sound controller, which would then soak anew.
    #[test]
    fn the_guard_has_nothing_to_take_from_the_controller(settings in any_settings(), history in any_history()) {
        let mut step = 0;
        run(&settings, &history, |_, outputs, _, unit| {
            step += 1;
            prop_assert!(outputs.cause != Cause::GuardOverruled, "step {step}: {outputs:?}");
            prop_assert_eq!(unit.counters().overrules, 0);
            Ok(())
        })?;
    }

    /// Promise 6: overflow checks are on in this profile, and a panic anywhere fails the test. Outputs must not
    /// contradict each other.
    #[test]
    fn nothing_that_validates_can_be_driven_into_a_panic(settings in wild_settings(), history in any_history()) {
        prop_assume!(settings.clone().validate().is_ok());
        run(&settings, &history, |_, outputs, _, _| {
            prop_assert_eq!((outputs.heater, outputs.charge), outputs.state.relays(), "{:?}", outputs);
            let alarms = outputs.cause == Cause::GuardOverruled
                || outputs.faults.channels.iter().any(Option::is_some)
                || !outputs.faults.system.and(SystemFaults::ALARMING).is_empty();
            prop_assert_eq!(outputs.alarm == Alarm::Sounding, alarms, "{:?}", outputs);
            // A cause that is a fault is one that stands.
            let stands = match outputs.cause {
                Cause::Channel(fault) => outputs.faults.channels.contains(&Some(fault)),
                Cause::System(fault) => outputs.faults.system.contains(fault),
                _ => true,
            };
            prop_assert!(stands, "{outputs:?}");
            Ok(())
        })?;
    }

    /// Promise 9, as far as one processor can show it: two units that see the same world decide the same, although
    /// their clocks show another time, one of them wraps on its way, and what is not wired up reads as it likes.
    #[test]
    fn decisions_depend_on_spans_of_time_and_on_what_is_wired(
        settings in any_settings(), history in any_history(), later: u32, stray in any::<u32>(),
    ) {
        let valid = settings.clone().validate().unwrap();
        let (mut unit, mut twin) = (Unit::new(&valid, Memory::default()), Unit::new(&valid, Memory::default()));
        for moment in history.moments(&settings) {
            if moment.restart {
                (unit, twin) = (Unit::new(&valid, unit.memory()), Unit::new(&valid, twin.memory()));
            }
            let mut inputs = moment.inputs;
            let measured = Measured::element(Ratio::from_steps(stray));
            inputs.channels[settings.channels.len()..].fill(Sample::Fresh(measured));
            for index in settings.sources.len()..MAX_SOURCES {
                inputs.sources = inputs.sources.with(index);
                inputs.unsteady = inputs.unsteady.with(index);
            }
            let now = Instant::from_millis(moment.now.as_millis().wrapping_add(later));
            prop_assert_eq!(twin.step(now, &inputs), unit.step(moment.now, &moment.inputs));
            prop_assert_eq!(twin.memory(), unit.memory());
        }
    }
}

/// The properties above say "never"; this says that the histories give them something to deny.
#[test]
fn generated_histories_reach_every_state_and_both_outputs() {
    let mut steps = 0_u32;
    let (mut charged, mut heated, mut restarted, mut latched, mut unstored, mut unsteady) = (0, 0, 0, 0, 0, 0);
    let (mut ceiling, mut unruled) = (0, 0);
    let (mut reduced, mut full) = (0, 0);
    let (mut doubted, mut spent) = (0, 0);
    let (mut overheated, mut kept_resting) = (0, 0);
    let mut overdue = 0;
    let mut states = std::collections::BTreeSet::new();
    for seed in 0..600 {
        let (settings, history) = case(seed);
        assert!(settings.clone().validate().is_ok(), "{:?}", settings.validate());
        let mut seen = [false; 15];
        run(&settings, &history, |moment, outputs, _, unit| {
            steps += 1;
            states.insert(outputs.state);
            seen[0] |= outputs.charge == Relay::Closed;
            seen[1] |= outputs.heater == Relay::Closed;
            seen[2] |= moment.restart;
            seen[3] |= !unit.memory().latched.is_empty();
            seen[4] |= outputs.faults.system.contains(SystemFault::StorageFailing);
            seen[5] |= outputs.faults.system.contains(SystemFault::SourceUnsteady);
            seen[6] |= outputs.cause == Cause::CeilingTooLow;
            seen[7] |= outputs.charge == Relay::Closed && Model::unruled_ma(&settings, &moment.inputs) > 0.0;
            seen[8] |= outputs.faults.system.contains(SystemFault::CyclesSpent);
            seen[9] |= outputs.faults.not_giving != Sources::NONE;
            seen[10] |= unit.memory().latched.contains(SystemFault::OverTemperature);
            seen[11] |= moment.restart && unit.memory().run.begun > 0;
            seen[12] |= outputs.charge == Relay::Closed && outputs.full == Relay::Open;
            // With a source in two steps there.
            let more = Model::unruled_ma(&settings, &moment.inputs) > Model::reduced_ma(&settings, &moment.inputs);
            seen[13] |= outputs.full == Relay::Closed && more;
            seen[14] |= outputs.overdue.is_some();
            Ok(())
        })
        .unwrap();
        charged += u32::from(seen[0]);
        heated += u32::from(seen[1]);
        restarted += u32::from(seen[2]);
        latched += u32::from(seen[3]);
        unstored += u32::from(seen[4]);
        unsteady += u32::from(seen[5]);
        ceiling += u32::from(seen[6]);
        unruled += u32::from(seen[7]);
        reduced += u32::from(seen[12]);
        full += u32::from(seen[13]);
        doubted += u32::from(seen[9]);
        spent += u32::from(seen[8]);
        overheated += u32::from(seen[10]);
        kept_resting += u32::from(seen[11]);
        overdue += u32::from(seen[14]);
    }
    std::println!(
        "600 histories, {steps} steps: {charged} charged, {heated} heated, {restarted} restarted, {latched} latched, \
         {unstored} could not store, {unsteady} had a line toggling, {ceiling} had a ceiling too low, {unruled} charged all the same, \
         {reduced} with less than all, {full} with the larger of two steps, \
         {doubted} a source that gave nothing, {spent} a relay that closed too often, \
         {overheated} overheated, {kept_resting} restarted in a run, {overdue} waited too long"
    );
    assert_eq!(states.len(), State::PLAIN.len(), "{states:?}");
    assert!(ceiling >= 80 && unruled >= 40);
    assert!(reduced >= 10 && full >= 10);
    assert!(doubted >= 20 && spent >= 10);
    assert!(charged >= 80 && heated >= 80 && restarted >= 80 && latched >= 20 && unstored >= 80 && unsteady >= 80);
    assert!(overheated >= 20 && kept_resting >= 40 && overdue >= 20);
}

/// The same of the ceiling, on its way up and on its way down; the cells of both batteries have elements of their own.
#[test]
fn the_guard_has_nothing_to_take_where_sources_charge_right_up_to_the_ceiling() {
    let mut settings = crate::testing::settings();
    settings.charge.soak = crate::quantity::Millis::from_secs(60);
    settings.charge.min_off = crate::quantity::Millis::ZERO;
    settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(60_000));
    settings.channels[1].element = crate::rtd::Element::pt1000();
    settings.channels[1].reference = crate::quantity::Ohms::from_milliohms(5_000_000);
    let point = |mc, per_mille| CeilingPoint { at: c(mc), limit: Fraction::from_per_mille(per_mille) };
    settings.charge.ceiling = [point(-20_000, 0), point(20_000, 400), point(40_000, 200)].into_iter().collect();
    let valid: ValidSettings = settings.clone().validate().unwrap();
    let mut unit = Unit::new(&valid, Memory::default());
    let mut second = 0_u32;
    let mut permitted = 0;
    // 60 A from 10 °C to 30 °C; through each of them by 1 mK a second.
    for (from, to, by) in [(9_900, 10_200, 1), (10_200, 29_800, 20), (29_800, 30_100, 1)] {
        for mc in (from..to).step_by(by) {
            second += 1;
            let inputs = fine_inputs(&settings, c(mc));
            let outputs = unit.step(Instant::from_millis(second * 1000), &inputs);
            let is_charging = outputs.charge == Relay::Closed;
            assert!(!is_charging || (10_000..=30_000).contains(&mc), "{mc}");
            permitted += u32::from(is_charging);
        }
    }
    assert!(permitted > 1_200, "{permitted}");
    assert_eq!(unit.counters().overrules, 0);
}

/// The two ways of computing agree to within the room between them. Temperatures creep through every threshold in steps
/// far smaller than that room, and leave the guard nothing to take.
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

/// Each promise of the crate's page has a test behind it, and each of these exists.
#[test]
fn every_promise_names_the_tests_that_hold_it() {
    let page = include_str!("../docs/promises.md");
    let held: Vec<(usize, &str)> = page
        .lines()
        .filter_map(|line| {
            let (number, tests) = line.strip_prefix("| ")?.split_once(" | ")?;
            Some((number.parse().ok()?, tests))
        })
        .collect();
    let promises = page.lines().filter(|line| line.contains(". **"));
    let numbers: Vec<usize> = promises.map(|line| line.split('.').next().unwrap().parse().unwrap()).collect();
    assert_eq!(numbers, (1..=12).collect::<Vec<_>>());
    assert_eq!(held.iter().map(|(number, _)| *number).collect::<Vec<_>>(), numbers);
    for (number, tests) in held {
        // After a semicolon stands what only an emulated board can show.
        let here = tests.split(';').next().unwrap();
        let names: Vec<&str> = here.split('`').skip(1).step_by(2).collect();
        assert!(!names.is_empty(), "{number}");
        for name in names {
            assert!(include_str!("invariants.rs").contains(&std::format!("fn {name}(")), "{number}: no {name}");
        }
    }
}

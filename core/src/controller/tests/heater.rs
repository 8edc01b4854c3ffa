//! A heater that does nothing, too much, or does not stop.

use super::*;

#[test]
fn a_heater_that_does_not_heat_is_found_and_stays_off_until_the_button() {
    let mut bench = Controlled::at(0);
    // 36 kJ at 60 W: 600 s without a rise of 1 K.
    let outputs = bench.seconds(61 + 590);
    assert_eq!(outputs.heater, Relay::Closed);
    let outputs = bench.seconds(20);
    assert_eq!((outputs.heater, outputs.cause), (Relay::Open, Cause::System(SystemFault::HeaterIneffective)));
    assert_eq!(outputs.alarm, Alarm::Sounding);
    assert_eq!(bench.seconds(5_000).heater, Relay::Open);
    bench.inputs.button = Button::Pressed;
    bench.seconds(3);
    assert_eq!(bench.seconds(60).heater, Relay::Closed);
}

#[test]
fn a_plate_that_gets_warm_proves_the_heater() {
    let mut bench = Controlled::at(0);
    bench.seconds(100);
    (1..=20).for_each(|step| {
        bench.show(2, step * 60);
        bench.second();
    });
    assert_eq!(bench.seconds(3_000).heater, Relay::Closed);
}

const INEFFECTIVE: SystemFaults = SystemFaults::NONE.with(SystemFault::HeaterIneffective);
const NOT_FOLLOWING: SystemFaults = SystemFaults::NONE.with(SystemFault::PadNotFollowing);

/// With so much energy to be proved, in joules, and so much rise of each plate thermometer, in millikelvins.
fn proving(joules: u32, pad_rise: i32) -> Settings {
    let mut settings = settings();
    settings.heater.proof = Some(settings::Proof {
        energy: crate::quantity::Joules::from_joules(joules),
        rise: Kelvins::from_millikelvins(1_000),
        pad_rise: Kelvins::from_millikelvins(pad_rise),
    });
    settings.trust.stuck_after = None;
    settings
}

/// The source goes and comes; what has gone in is not forgotten while the plate has no time to cool.
#[test]
fn gaps_of_the_source_hide_no_heater_that_has_no_effect() {
    let mut bench = Controlled::new(proving(36_000, 1_000), c(0));
    let mut on = 0;
    for second in 0..3_600 {
        bench.inputs.sources = if second % 300 < 90 { Sources::NONE } else { Sources::NONE.with(1) };
        on += u32::from(bench.second().heater == Relay::Closed);
    }
    assert_eq!(bench.controller.memory().latched.and(INEFFECTIVE), INEFFECTIVE);
    assert!(on <= 605, "on for {on} s, where 600 s give the energy");
}

#[test]
fn a_weak_heater_in_a_bank_that_cools_is_not_taken_for_a_dead_one() {
    // A plate that lies 1.5 K above the cells once warm, within minutes; cells that lose more than the heater gives.
    let mut settings = proving(108_000, 1_000);
    settings.heater.power = Milliwatts::from_milliwatts(14_000);
    let mut bench = Controlled::new(settings, c(4_000));
    let (mut cells, mut plate) = (4_000.0, 0.0);
    for second in 0..400 * 360 {
        // Two minutes without it, each quarter of an hour or each three hours.
        let every = if second < 36_000 { 900 } else { 10_800 };
        bench.inputs.sources = if second % every < 120 { Sources::NONE } else { Sources::NONE.with(1) };
        let is_on = bench.second().heater == Relay::Closed;
        cells -= (cells + 8_000.0) / 40_000.0;
        plate += (if is_on { 1_500.0 } else { 0.0 } - plate) / 120.0;
        (0..2).for_each(|channel| bench.show(channel, cells as i32));
        bench.show(2, (cells + plate) as i32);
        bench.show(3, cells as i32);
        assert_eq!(bench.controller.memory().latched, SystemFaults::NONE, "after {second} s");
    }
}

#[test]
fn without_a_plate_thermometer_cells_that_fall_say_nothing_about_the_heater() {
    let mut settings = proving(36_000, 1_000);
    settings.channels = settings.channels.iter().take(2).copied().collect();
    settings.heater.cooling = None;
    let mut bench = Controlled::new(settings, c(4_000));
    bench.seconds(60);
    for second in 0..4 * 3600 {
        (0..2).for_each(|channel| bench.show(channel, 4_000 - second));
        bench.second();
    }
    assert_eq!(bench.controller.memory().latched, SystemFaults::NONE);
    bench.seconds(1_300);
    assert_eq!(bench.controller.memory().latched, INEFFECTIVE, "once they fall no more");
}

/// Two plates and a heater that warms the cells by 2 K and what sits on it by 10 K, in the energy of a trial.
fn two_plates() -> Controlled {
    let mut settings = proving(36_000, 4_000);
    let pad = settings.channels[2];
    settings.channels.insert(3, pad).unwrap();
    // Plates may lie as far apart as a single cell allows.
    settings.channels[1].role = Role::Ambient;
    settings.trust.disagreement = Kelvins::from_millikelvins(15_000);
    Controlled::new(settings, c(0))
}

#[test]
fn a_plate_thermometer_that_does_not_rise_by_its_own_amount_is_named_and_keeps_the_heater_off() {
    // Which of the two plates rise, and by how much of what they should.
    for (plates, cells, faults) in [
        ([100, 100], 100, SystemFaults::NONE),
        ([100, 0], 100, NOT_FOLLOWING),
        // Come off, it shows the air of the box.
        ([30, 100], 0, NOT_FOLLOWING),
        ([30, 30], 0, NOT_FOLLOWING),
        ([0, 0], 100, NOT_FOLLOWING),
        ([0, 0], 0, INEFFECTIVE.or(NOT_FOLLOWING)),
    ] {
        let mut bench = two_plates();
        bench.seconds(61);
        for second in 0..900 {
            let share = second.min(600);
            (0..2).for_each(|channel| bench.show(channel, 2_000 * cells / 100 * share / 600));
            (0..2).for_each(|plate| bench.show(2 + plate, 10_000 * plates[plate] / 100 * share / 600));
            bench.second();
        }
        let outputs = bench.second();
        assert_eq!(bench.controller.memory().latched, faults, "{plates:?} {cells}");
        assert_eq!(outputs.heater == Relay::Closed, faults.is_empty(), "{plates:?} {cells}");
        if let Some(first) = faults.first() {
            assert_eq!(outputs.cause, Cause::System(first), "a dead heater is shown first");
        }
    }
}

#[test]
fn a_plate_that_is_warm_from_before_need_not_get_warmer() {
    let mut bench = two_plates();
    bench.seconds(61);
    let warm = |bench: &mut Controlled, from: i32, to: i32| {
        for t in (0..=(to - from).abs()).step_by(100).map(|by| from + by * (to - from).signum()) {
            (2..4).for_each(|plate| bench.show(plate, t));
            bench.second();
        }
    };
    warm(&mut bench, 0, 10_000);
    for _ in 0..20 {
        bench.inputs.sources = Sources::NONE;
        bench.seconds(600);
        bench.inputs.sources = Sources::NONE.with(1);
        bench.seconds(900);
        assert_eq!(bench.controller.memory().latched, SystemFaults::NONE);
    }
    // Cool again, it is on trial again.
    bench.inputs.sources = Sources::NONE;
    warm(&mut bench, 10_000, 0);
    bench.seconds(3_700);
    bench.inputs.sources = Sources::NONE.with(1);
    bench.seconds(700);
    assert_eq!(bench.controller.memory().latched, INEFFECTIVE.or(NOT_FOLLOWING));
}

#[test]
fn restarts_hide_no_heater_that_has_no_effect_and_make_none_of_a_sound_one() {
    for is_sound in [false, true] {
        let mut bench = Controlled::new(proving(360_000, 4_000), c(0)); // 100 min at 60 W
        let (mut plate, mut latched) = (0.0, SystemFaults::NONE);
        for second in 0..24 * 3600 {
            if second % (16 * 60) == 0 {
                bench = restarted(&bench);
            }
            let is_on = bench.second().heater == Relay::Closed;
            plate += (if is_on && is_sound { 8_000.0 } else { 0.0 } - plate) / 300.0;
            bench.show(2, plate as i32);
            latched = bench.controller.memory().latched;
        }
        let expected = if is_sound { SystemFaults::NONE } else { INEFFECTIVE.or(NOT_FOLLOWING) };
        assert_eq!(latched, expected, "sound: {is_sound}");
    }
}

#[test]
fn a_welded_heater_is_seen_by_its_contact_or_by_a_plate_that_stays_warm() {
    let mut bench = charging();
    bench.inputs.heater_feedback = Some(Relay::Closed);
    assert!(!bench.seconds(4).faults.system.contains(SystemFault::HeaterWelded));
    assert!(bench.second().faults.system.contains(SystemFault::HeaterWelded));
    bench.inputs.button = Button::Pressed;
    bench.seconds(10);
    bench.inputs.button = Button::Released;
    assert!(bench.second().faults.system.contains(SystemFault::HeaterWelded), "the cause is still there");
    bench.inputs.heater_feedback = Some(Relay::Open);
    assert!(bench.second().faults.system.contains(SystemFault::HeaterWelded), "latched");
    bench.inputs.button = Button::Pressed;
    assert!(!bench.seconds(3).faults.system.contains(SystemFault::HeaterWelded));

    // Closed again, for less than would make it a new fault.
    bench.inputs.button = Button::Released;
    bench.inputs.heater_feedback = Some(Relay::Closed);
    bench.seconds(10);
    bench.inputs.heater_feedback = Some(Relay::Open);
    bench.second();
    (bench.inputs.heater_feedback, bench.inputs.button) = (Some(Relay::Closed), Button::Pressed);
    assert!(bench.seconds(4).faults.system.contains(SystemFault::HeaterWelded), "it shows closed while one presses");

    let mut bench = charging();
    for pad in (12_000..20_000).step_by(500) {
        bench.show(2, pad);
        bench.second();
    }
    bench.show(2, 20_000);
    let outputs = bench.seconds(3_000);
    assert!(outputs.faults.system.contains(SystemFault::HeaterWelded));
    assert_eq!(outputs.charge, Relay::Closed, "the cells may still be charged");
}

#[test]
fn a_welded_charge_contact_is_found_within_its_time_and_cleared_once_it_is_open() {
    let mut bench = Controlled::at(0);
    bench.second();
    let welded = |outputs: &Outputs| outputs.faults.system.contains(SystemFault::ChargeWelded);
    bench.inputs.charge_feedback = Some(Relay::Closed);
    assert!(!welded(&bench.seconds(4)));
    assert!(welded(&bench.second()));
    bench.inputs.button = Button::Pressed;
    assert!(welded(&bench.seconds(10)), "the cause is still there");
    (bench.inputs.charge_feedback, bench.inputs.button) = (Some(Relay::Open), Button::Released);
    assert!(welded(&bench.second()), "latched");
    bench.inputs.button = Button::Pressed;
    assert!(!welded(&bench.seconds(3)));
}

#[test]
fn a_charge_contact_that_stays_open_calls_somebody_and_takes_nothing_away() {
    let mut bench = charging();
    bench.inputs.charge_feedback = Some(Relay::Open);
    let not_closing = |outputs: &Outputs| outputs.faults.system.contains(SystemFault::ChargeNotClosing);
    assert!(!not_closing(&bench.seconds(4)));
    let outputs = bench.second();
    assert!(not_closing(&outputs) && outputs.alarm == Alarm::Sounding);
    assert_eq!(bench.seconds(600).charge, Relay::Closed, "it may close yet");
    bench.inputs.charge_feedback = Some(Relay::Closed);
    let outputs = bench.second();
    assert!(!not_closing(&outputs) && outputs.alarm == Alarm::Quiet);
}

#[test]
fn the_maximum_run_ends_in_a_rest() {
    let mut settings = settings();
    settings.heater.proof = None;
    let mut bench = Controlled::new(settings, c(0));
    bench.seconds(60);
    assert_eq!(bench.seconds(6 * 3600).heater, Relay::Closed);
    let outputs = bench.second();
    assert_eq!(shows(&outputs), (State::Waiting, Cause::HeaterResting));
    assert!(outputs.faults.system.contains(SystemFault::HeaterOverrun));
    assert_eq!(bench.seconds(1_799).heater, Relay::Open);
    assert_eq!(bench.seconds(2).heater, Relay::Closed);
}

#[test]
fn a_short_pause_does_not_make_a_new_run_of_the_heater() {
    let mut settings = settings();
    settings.heater.proof = None;
    let mut bench = Controlled::new(settings, c(0));
    bench.seconds(60);
    assert_eq!(bench.seconds(5 * 3600).heater, Relay::Closed);
    bench.inputs.sources = Sources::NONE;
    bench.second();
    bench.inputs.sources = Sources::NONE.with(1);
    assert_eq!(bench.seconds(70).heater, Relay::Closed);
    assert_eq!(bench.seconds(3600).cause, Cause::HeaterResting, "six hours in all");
}

const OVER: SystemFaults = SystemFaults::NONE.with(SystemFault::OverTemperature);

/// Moves some channels to `t` by 20 mK a second, and leaves the others where they are.
fn move_some(bench: &mut Controlled, channels: &[usize], from: i32, t: i32) -> Outputs {
    let seconds = (t - from).abs() / 20;
    for second in 1..=seconds {
        for &channel in channels {
            bench.show(channel, from + (t - from) * second / seconds);
        }
        bench.second();
    }
    bench.second()
}

#[test]
fn a_hot_day_latches_nothing_and_is_over_when_the_night_cools_the_air_first() {
    let mut settings = settings();
    settings.heater.proof = None; // the test cools the cells while it heats
    let mut bench = Controlled::new(settings, c(20_000));
    bench.seconds(10);
    let outputs = bench.move_to(20_000, 41_000);
    assert!(outputs.faults.system.contains(SystemFault::OverTemperature), "and sounds the alarm");
    move_some(&mut bench, &[3], 41_000, 20_000);
    assert!(bench.second().faults.system.contains(SystemFault::OverTemperature), "the cells are still hot");
    assert_eq!(bench.controller.memory().latched, SystemFaults::NONE);
    move_some(&mut bench, &[0, 1, 2], 41_000, 0);
    assert_eq!(bench.seconds(100).heater, Relay::Closed, "it heats again when the cold comes");
}

#[test]
fn over_temperature_latches_whoever_heated_unless_the_air_is_the_warm_one() {
    let with = |roles: &[usize]| {
        let mut settings = settings();
        settings.channels = roles.iter().map(|&role| settings.channels[role]).collect();
        settings.heater.cooling = None;
        settings
    };
    let all = with(&[0, 1, 2, 3]);
    // (what is fitted, which channels get hot, whether that latches): nothing was ever commanded on.
    for (settings, hot, latches, what) in [
        (all.clone(), &[0, 1, 2, 3][..], false, "the sun on everything"),
        (all.clone(), &[3], false, "the sun on the air's thermometer"),
        (all.clone(), &[0, 1], true, "cells alone, and the air is cold"),
        (all.clone(), &[0, 1, 2], true, "a contact that welded: the air stays cold"),
        (with(&[0, 1, 2]), &[0, 1, 2], true, "no thermometer in the air"),
        (with(&[0, 1, 3]), &[0, 1, 2], true, "no thermometer on the plate: the air of a box may be warm by the heater"),
    ] {
        let mut bench = Controlled::new(settings, c(20_000));
        bench.inputs.sources = Sources::NONE;
        bench.seconds(2 * 3600);
        let outputs = move_some(&mut bench, hot, 20_000, 41_000);
        assert!(outputs.faults.system.contains(SystemFault::OverTemperature), "{what}");
        assert_eq!(bench.controller.memory().latched == OVER, latches, "{what}");
    }

    // The air of the box is warm too, and the plate is warmer than all.
    let mut bench = Controlled::new(all.clone(), c(20_000));
    bench.inputs.sources = Sources::NONE;
    bench.seconds(60);
    move_some(&mut bench, &[2], 20_000, 25_000);
    for t in (20_000..=41_000).step_by(20) {
        for channel in [0, 1, 3] {
            bench.show(channel, t);
        }
        bench.show(2, t + 5_000);
        bench.second();
    }
    assert_eq!(bench.controller.memory().latched, OVER);

    // A hot day does not excuse a plate that gets hotter than it.
    let mut bench = Controlled::new(all, c(20_000));
    bench.inputs.sources = Sources::NONE;
    bench.move_to(20_000, 41_000);
    assert_eq!(bench.controller.memory().latched, SystemFaults::NONE);
    move_some(&mut bench, &[2], 41_000, 43_000);
    assert_eq!(bench.controller.memory().latched, OVER);
}

/// A start with what was kept of the one before it.
fn restarted(bench: &Controlled) -> Controlled {
    let controller = Controller::new(&bench.settings.clone().validate().unwrap(), bench.controller.memory());
    Controlled { controller, settings: bench.settings.clone(), inputs: bench.inputs, time: bench.time }
}

#[test]
fn restarts_neither_let_the_heater_run_on_nor_keep_it_from_ever_heating() {
    for every_min in [16, 22, 31, 44, 50, 121] {
        let mut settings = settings();
        settings.heater.proof = None;
        settings.heater.max_run = Millis::from_secs(1_008); // 0.28 h
        let (max_run, rest) = (1_008, 1_800);
        let mut bench = Controlled::new(settings, c(0));
        let (mut ran, mut paused, mut on) = (0, 0, 0);
        let day = 24 * 3600;
        for second in 0..day {
            if second % (every_min * 60) == 0 {
                bench = restarted(&bench);
            }
            if bench.second().heater == Relay::Closed {
                (ran, paused, on) = (ran + 1, 0, on + 1);
            } else {
                paused += 1;
            }
            ran = if paused >= rest { 0 } else { ran };
            assert!(ran <= max_run + 1, "every {every_min} min: on for {ran} s without its rest");
        }
        assert!(on > day / 20, "every {every_min} min: on for {on} s of a day");
    }
}

#[test]
fn a_weld_is_seen_by_its_plate_whatever_restarts() {
    let mut bench = Controlled::at(20_000);
    bench.seconds(100);
    for pad in (20_000..35_000).step_by(500) {
        bench.show(2, pad);
        bench.second();
    }
    let found = (0..5).any(|_| {
        bench = restarted(&bench);
        bench.seconds(50 * 60).faults.system.contains(SystemFault::HeaterWelded)
    });
    assert!(found, "a start each 50 minutes, and the plate may be warm for an hour");
}

#[test]
fn latched_faults_survive_a_reset_and_too_many_resets_are_a_fault() {
    let mut memory = Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterWelded), ..Memory::default() };
    let storms: Vec<bool> = (0..7)
        .map(|_| {
            let controller = Controller::new(&settings().validate().unwrap(), memory);
            let mut bench = Controlled { controller, ..Controlled::at(0) };
            let outputs = bench.seconds(100);
            assert!(outputs.faults.system.contains(SystemFault::HeaterWelded));
            assert_eq!(outputs.heater, Relay::Open);
            memory = bench.controller.memory();
            outputs.faults.system.contains(SystemFault::RestartStorm)
        })
        .collect();
    assert_eq!(storms, [false, false, false, false, false, true, true], "the sixth restart is one too many");
    let mut bench =
        Controlled { controller: Controller::new(&settings().validate().unwrap(), memory), ..Controlled::at(0) };
    bench.seconds(899);
    assert!(bench.second().faults.system.contains(SystemFault::RestartStorm));
    assert!(!bench.second().faults.system.contains(SystemFault::RestartStorm), "forgotten after the window");
    assert_eq!(bench.controller.memory().restarts, 0);
}

#[test]
fn an_old_reading_cuts_the_heater_out_but_latches_nothing() {
    let mut bench = Controlled::at(0);
    bench.seconds(100);
    for pad in (0..40_000).step_by(500) {
        bench.show(2, pad);
        bench.second();
    }
    // Its converter is silent: 1 K/s of drift brings it to the cut-out, then to where a measurement would latch.
    bench.inputs.channels[2] = Sample::None;
    let outputs = bench.seconds(25);
    assert_eq!((outputs.heater, outputs.cause), (Relay::Open, Cause::CutOut));
    assert_eq!(outputs.faults.system, SystemFaults::NONE);
    bench.show(2, 40_000);
    assert_eq!(bench.seconds(100).heater, Relay::Closed, "it is back, and was never too hot");
}

#[test]
fn a_reading_that_is_not_believed_cuts_the_heater_out_but_latches_nothing() {
    for channel in 0..4 {
        let mut bench = Controlled::at(0);
        assert_eq!(bench.seconds(100).heater, Relay::Closed);
        bench.show(channel, 70_000);
        assert_eq!(bench.second().heater, Relay::Open);
        bench.show(channel, 0);
        assert_eq!(bench.seconds(100).heater, Relay::Closed, "one spike on channel {channel}");
    }
}

#[test]
fn a_channel_that_really_is_far_above_its_cut_out_latches_the_heater_off() {
    let mut bench = Controlled::at(0);
    bench.seconds(100);
    for pad in (0..=60_000).step_by(500) {
        assert!(!bench.second().faults.system.contains(SystemFault::OverTemperature), "before {pad}");
        bench.show(2, pad);
    }
    assert!(bench.second().faults.system.contains(SystemFault::OverTemperature));
    for pad in (0..60_000).rev().step_by(500) {
        bench.show(2, pad);
        bench.second();
    }
    assert!(bench.second().faults.system.contains(SystemFault::OverTemperature));
    bench.inputs.button = Button::Pressed;
    bench.seconds(3);
    assert_eq!(bench.seconds(60).heater, Relay::Closed);
}

#[test]
fn a_plate_that_is_measured_seldom_is_not_taken_for_a_welded_heater() {
    let mut bench = charging();
    for second in 0..5_000 {
        let fresh = bench.inputs.channels[0];
        bench.inputs.channels[2] = if second % 10 == 0 { fresh } else { Sample::None };
        assert!(!bench.second().faults.system.contains(SystemFault::HeaterWelded), "{second} s");
    }
}

#[test]
fn a_heater_that_does_not_heat_is_found_with_a_plate_that_is_measured_seldom() {
    let mut bench = Controlled::at(0);
    let fresh = bench.inputs.channels[0];
    let found = (0..2_000).any(|second| {
        bench.inputs.channels[2] = if second % 4 == 0 { fresh } else { Sample::None };
        bench.second().faults.system.contains(SystemFault::HeaterIneffective)
    });
    assert!(found);
}

/// With the credit of the step before, it stayed open for another step, for a fault that did not stand.
#[test]
fn a_relay_that_has_just_earned_its_closing_closes() {
    let mut settings = settings();
    settings.heater.min_off = Millis::ZERO;
    settings.sources[1].settle = Millis::ZERO;
    let mut bench = Controlled::new(settings, c(0));
    bench.seconds(2);
    let cost = Millis::from_secs(2 * 86_400 / 4);
    let mut cycles = Cycles::new(4);
    cycles.close();
    cycles.close();
    cycles.pass(cost.less(Millis::from_millis(500)));
    bench.controller.cycles = cycles;
    let outputs = bench.second();
    assert_eq!(outputs.heater, Relay::Closed, "{outputs:?}");
}

/// A bank may cool by tens of kelvins while the power is away in the middle of a trial. A sound heater need not make up
/// for that; a dead one is found as if the power had not been away.
#[test]
fn a_bank_that_cools_while_the_power_is_away_makes_no_dead_heater_of_a_sound_one() {
    for is_sound in [true, false] {
        let mut bench = Controlled::new(proving(36_000, 4_000), c(4_000)); // 10 min at 60 W
        assert_eq!(bench.seconds(61 + 120).heater, Relay::Closed);
        bench = restarted(&bench);
        bench.show_all(-14_000);
        let mut plate = -14_000.0;
        for _ in 0..1_200 {
            let is_on = bench.second().heater == Relay::Closed;
            plate += (if is_on && is_sound { -6_000.0 } else { -14_000.0 } - plate) / 300.0;
            bench.show(2, plate as i32);
        }
        let expected = if is_sound { SystemFaults::NONE } else { INEFFECTIVE.or(NOT_FOLLOWING) };
        assert_eq!(bench.controller.memory().latched, expected, "sound: {is_sound}");
    }
}

/// What is not measured counted as the highest voltage there is: one such step was worth more than all the energy of a trial.
#[test]
fn a_supply_that_shows_nothing_or_nonsense_for_a_step_makes_no_dead_heater_of_a_sound_one() {
    for glitch in [None, Some(Millivolts::from_millivolts(4_000_000))] {
        let mut bench = Controlled::new(proving(108_000, 4_000), c(0)); // 30 min at 60 W
        let supply = bench.inputs.supply;
        assert_eq!(bench.seconds(120).heater, Relay::Closed);
        bench.inputs.supply = glitch;
        assert_eq!(bench.second().heater, Relay::Open, "at once");
        bench.inputs.supply = supply;
        let mut plate = 0.0;
        for _ in 0..7_200 {
            let is_on = bench.second().heater == Relay::Closed;
            plate += (if is_on { 8_000.0 } else { 0.0 } - plate) / 300.0;
            bench.show(2, plate as i32);
        }
        assert_eq!(bench.controller.memory().latched, SystemFaults::NONE, "{glitch:?}");
    }
}

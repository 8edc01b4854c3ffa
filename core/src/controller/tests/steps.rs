//! Sources in two steps, and the full charge permit.

use super::ceiling::with_a_charger_of;
use super::*;

/// The source that is present gives 30 A, and 60 A with the full charge permit: allowed from 6.25 °C and from 10 °C on.
fn in_steps() -> Settings {
    let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
    let mut settings = settings();
    settings.sources[1].charge = ChargeCurrent::InSteps { reduced: amps(30), most: amps(60) };
    settings
}

fn permits(outputs: &Outputs) -> (Relay, Relay) {
    (outputs.charge, outputs.full)
}

const NEITHER: (Relay, Relay) = (Relay::Open, Relay::Open);
const REDUCED: (Relay, Relay) = (Relay::Closed, Relay::Open);
const FULL: (Relay, Relay) = (Relay::Closed, Relay::Closed);

#[test]
fn a_source_in_two_steps_charges_where_its_smaller_one_may_and_in_full_after_the_soak_where_the_larger_may() {
    let mut bench = Controlled::new(in_steps(), c(9_000));
    assert_eq!(permits(&bench.seconds(590)), NEITHER);
    assert_eq!(permits(&bench.seconds(20)), REDUCED, "60 A would be refused up to 10 °C");
    bench.move_to(9_000, 9_990);
    assert_eq!(permits(&bench.seconds(2_000)), REDUCED);
    bench.move_to(9_990, 10_050);
    assert_eq!(permits(&bench.seconds(590)), REDUCED, "cells follow their thermometer slowly");
    assert_eq!(permits(&bench.seconds(20)), FULL);
}

#[test]
fn cells_that_are_warm_enough_for_all_from_the_start_are_permitted_all_at_once() {
    let mut bench = Controlled::new(in_steps(), c(11_000));
    let before = (0..700).map(|_| permits(&bench.second())).take_while(|&permits| permits == NEITHER).count();
    assert!((600..=605).contains(&before), "{before}");
    assert_eq!(permits(&bench.second()), FULL);
}

#[test]
fn the_full_permit_falls_in_the_step_in_which_the_larger_step_could_exceed_the_ceiling_and_charge_stays() {
    let mut bench = Controlled::new(in_steps(), c(11_000));
    assert_eq!(permits(&bench.seconds(700)), FULL);
    bench.move_to(11_000, 10_002);
    assert_eq!(permits(&bench.seconds(3)), FULL, "as much as the ceiling is not more");
    bench.show(1, 9_990);
    let outputs = bench.second();
    assert_eq!((permits(&outputs), outputs.state, outputs.alarm), (REDUCED, State::Holding, Alarm::Quiet));
    // It does not chatter, however often the reading crosses.
    for _ in 0..50 {
        bench.show(1, 10_100);
        assert_eq!(permits(&bench.seconds(300)), REDUCED);
        bench.show(1, 9_990);
        assert_eq!(permits(&bench.second()), REDUCED);
    }
    bench.show(1, 10_100);
    assert_eq!(permits(&bench.seconds(610)), FULL);
}

#[test]
fn a_source_that_turns_up_takes_the_full_permit_in_the_same_step() {
    let mut settings = in_steps();
    settings.sources[0].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(20_000));
    for unsteady in [false, true] {
        let mut bench = Controlled::new(settings.clone(), c(11_000));
        assert_eq!(permits(&bench.seconds(700)), FULL, "68 A are allowed");
        let turned_up = Sources::NONE.with(0);
        if unsteady {
            bench.inputs.unsteady = turned_up;
        } else {
            bench.inputs.sources = bench.inputs.sources.or(turned_up);
        }
        assert_eq!(permits(&bench.second()), REDUCED, "80 A are not, 50 A are");
        (bench.inputs.sources, bench.inputs.unsteady) = (Sources::NONE.with(1), Sources::NONE);
        assert_eq!(permits(&bench.seconds(590)), REDUCED, "and the relay does not follow a line that comes and goes");
        assert_eq!(permits(&bench.seconds(20)), FULL);
    }
}

#[test]
fn the_shortest_time_off_holds_for_the_full_permit_too() {
    let mut settings = in_steps();
    settings.charge.min_off = Millis::from_secs(1_200);
    let mut bench = Controlled::new(settings, c(11_000));
    assert_eq!(permits(&bench.seconds(1_300)), FULL);
    bench.move_to(11_000, 9_990);
    bench.show_all(10_100);
    assert_eq!(permits(&bench.seconds(1_190)), REDUCED);
    assert_eq!(permits(&bench.seconds(20)), FULL);
}

#[test]
fn a_brief_doubt_takes_both_permits_and_gives_them_back_together() {
    let mut bench = Controlled::new(in_steps(), c(11_000));
    assert_eq!(permits(&bench.seconds(700)), FULL);
    bench.inputs.channels[0] = Sample::ConverterFault;
    assert_eq!(permits(&bench.second()), NEITHER);
    bench.show(0, 11_000);
    assert_eq!(permits(&bench.seconds(58)), NEITHER);
    assert_eq!(permits(&bench.seconds(4)), FULL, "nothing says that they have cooled");
    bench.inputs.channels[0] = Sample::ConverterFault;
    bench.seconds(70);
    bench.show(0, 11_000);
    assert_eq!(permits(&bench.seconds(595)), NEITHER, "a long one does");
    assert_eq!(permits(&bench.seconds(20)), FULL);
}

#[test]
fn every_cause_that_takes_charge_takes_the_full_permit() {
    let causes: [fn(&mut Controlled); 5] = [
        |bench| bench.inputs.charge_line = Line::Refused,
        |bench| bench.show(0, 46_000),
        |bench| bench.show(0, 4_000),
        |bench| bench.inputs.channels[1] = Sample::ConverterFault,
        |bench| {
            bench.time.after(60_000);
        },
    ];
    for cause in causes {
        let mut bench = Controlled::new(in_steps(), c(11_000));
        assert_eq!(permits(&bench.seconds(700)), FULL);
        cause(&mut bench);
        assert_eq!(permits(&bench.second()), NEITHER);
    }
}

#[test]
fn after_a_restart_the_full_permit_soaks_anew() {
    let mut bench = Controlled::new(in_steps(), c(11_000));
    assert_eq!(permits(&bench.seconds(700)), FULL);
    bench.controller = Controller::new(&bench.settings.clone().validate().unwrap(), bench.controller.memory());
    assert_eq!(permits(&bench.seconds(300)), REDUCED);
    assert_eq!(permits(&bench.seconds(320)), FULL);
}

#[test]
fn without_a_source_in_steps_the_full_permit_is_the_charge_permit() {
    let mut bench = Controlled::new(with_a_charger_of(60), c(11_000));
    for t in [11_000, 9_990, 10_100, 12_000, 9_000] {
        for second in 0..900 {
            bench.show_all(t + second % 2);
            let outputs = bench.second();
            assert_eq!(outputs.charge, outputs.full, "{t}");
        }
    }
}

#[test]
fn a_source_in_steps_that_is_away_takes_nothing() {
    let mut bench = Controlled::new(in_steps(), c(9_000));
    bench.inputs.sources = Sources::NONE.with(0);
    assert_eq!(permits(&bench.seconds(700)), FULL, "the other one obeys");
    bench.inputs.sources = Sources::NONE.with(0).with(1);
    assert_eq!(permits(&bench.second()), REDUCED);
}

#[test]
fn the_heater_warms_for_the_smaller_step_first_and_goes_on_for_the_larger_while_that_charges() {
    let mut settings = in_steps();
    settings.heater.proof = None;
    let mut bench = Controlled::new(settings, c(7_900));
    assert_eq!(bench.seconds(70).state, State::Warming);
    let outputs = bench.move_to(7_900, 8_500);
    assert_eq!(outputs.state, State::SoakingWarm, "it soaks from release on, not from 10 °C");
    let outputs = bench.seconds(610);
    assert_eq!((permits(&outputs), outputs.state), (REDUCED, State::Holding));
    bench.move_to(8_500, 12_001);
    assert_eq!(permits(&bench.seconds(610)), FULL);
    assert_eq!(bench.second().state, State::Permitting);
    // On again half-way between where the larger step may charge and stop.
    bench.move_to(12_001, 11_050);
    assert_eq!(bench.seconds(70).heater, Relay::Open);
    bench.move_to(11_050, 10_950);
    let outputs = bench.seconds(70);
    assert_eq!((permits(&outputs), outputs.heater), (FULL, Relay::Closed));
}

#[test]
fn where_the_heater_cannot_bring_cells_to_the_larger_step_it_does_not_try() {
    let mut settings = in_steps();
    let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
    // 90 A are allowed from 13.75 °C on, and the heater stops at 12 °C.
    settings.sources[1].charge = ChargeCurrent::InSteps { reduced: amps(30), most: amps(90) };
    let mut bench = Controlled::new(settings, c(8_500));
    assert_eq!(permits(&bench.seconds(700)), REDUCED);
    assert_eq!(bench.second().heater, Relay::Open, "start is 7 °C");
}

#[test]
fn sources_that_obey_leave_room_for_the_larger_step_before_it_comes_on() {
    let mut bench = Controlled::new(in_steps(), c(9_900));
    bench.inputs.sources = Sources::NONE.with(0).with(1).with(2);
    bench.inputs.bank = Some(Millivolts::from_millivolts(5_000));
    // 0.296 C are allowed; 0.15 C go by themselves.
    let outputs = bench.seconds(700);
    assert_eq!(permits(&outputs), REDUCED);
    assert!(outputs.ceiling.as_per_mille().abs_diff(146) <= 1, "{}", outputs.ceiling.as_per_mille());
    // 0.304 C, and soon 0.3 C go by themselves.
    let outputs = bench.move_to(9_900, 10_100);
    assert_eq!(permits(&outputs), REDUCED);
    assert!(outputs.ceiling.as_per_mille().abs_diff(4) <= 1, "{}", outputs.ceiling.as_per_mille());
    assert_eq!(permits(&bench.seconds(610)), FULL);
}

#[test]
fn a_doubt_in_which_cells_show_too_cold_for_the_larger_step_takes_the_full_permit_for_a_soak() {
    for (meanwhile, again) in [(10_100, FULL), (9_990, REDUCED)] {
        let mut bench = Controlled::new(in_steps(), c(10_100));
        assert_eq!(permits(&bench.seconds(700)), FULL);
        bench.inputs.charge_line = Line::Refused;
        assert_eq!(permits(&bench.second()), NEITHER);
        bench.show(1, meanwhile);
        bench.second();
        bench.show(1, 10_100);
        bench.seconds(40);
        bench.inputs.charge_line = Line::Allowed;
        assert_eq!(permits(&bench.seconds(30)), again, "{meanwhile}");
        assert_eq!(permits(&bench.seconds(600)), FULL, "{meanwhile}");
    }
}

#[test]
fn what_the_guard_takes_of_the_larger_step_soaks_anew_and_a_heater_that_it_takes_does_not() {
    for (heater, full, again) in [(Relay::Closed, Relay::Open, REDUCED), (Relay::Open, Relay::Closed, FULL)] {
        let mut bench = Controlled::new(in_steps(), c(10_100));
        assert_eq!(permits(&bench.seconds(700)), FULL);
        bench.controller.overruled(heater, Relay::Closed, full);
        assert_eq!(permits(&bench.seconds(590)), again);
        assert_eq!(permits(&bench.seconds(20)), FULL);
    }
}

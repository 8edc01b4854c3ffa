//! Sources that do not obey the charge-current ceiling.

use super::*;

/// The second of the three sources of the test installation, which is present, gives so many amperes whatever the ceiling is: 20 A at 5 °C,
/// 60 A at 10 °C, 100 A at 15 °C.
pub(super) fn with_a_charger_of(amps: u32) -> Settings {
    let mut settings = settings();
    settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(amps * 1000));
    settings
}

#[test]
fn a_source_that_obeys_no_ceiling_is_refused_in_the_step_it_could_exceed_it() {
    let mut bench = Controlled::new(with_a_charger_of(60), c(12_000));
    assert_eq!(bench.seconds(700).charge, Relay::Closed);
    // The readings are rounded by 1 mK towards the cold.
    bench.move_to(12_000, 10_002);
    assert_eq!(bench.seconds(3).charge, Relay::Closed, "as much as the ceiling is not more");
    bench.show(1, 9_990);
    let outputs = bench.second();
    assert_eq!((outputs.charge, outputs.cause, outputs.alarm), (Relay::Open, Cause::CeilingTooLow, Alarm::Quiet));
    bench.show(1, 10_100);
    assert_eq!(bench.seconds(590).charge, Relay::Open, "and the soak begins again");
    assert_eq!(bench.seconds(20).charge, Relay::Closed);
}

#[test]
fn a_source_that_turns_up_settled_or_not_steady_or_not_counts_against_the_ceiling() {
    for unsteady in [false, true] {
        let mut bench = Controlled::new(with_a_charger_of(60), c(9_000));
        bench.inputs.sources = Sources::NONE;
        assert_eq!(bench.seconds(700).charge, Relay::Closed, "nothing is there that could give too much");
        if unsteady {
            bench.inputs.unsteady = Sources::NONE.with(1);
        } else {
            bench.inputs.sources = Sources::NONE.with(1);
        }
        let outputs = bench.second();
        assert_eq!((outputs.charge, outputs.cause), (Relay::Open, Cause::CeilingTooLow));
        (bench.inputs.sources, bench.inputs.unsteady) = (Sources::NONE, Sources::NONE);
        assert_eq!(bench.seconds(590).charge, Relay::Open);
        assert_eq!(bench.seconds(20).charge, Relay::Closed);
    }
}

#[test]
fn sources_that_obey_are_told_what_others_leave_of_the_ceiling() {
    let mut bench = Controlled::new(with_a_charger_of(20), c(12_000));
    bench.inputs.sources = Sources::NONE.with(0).with(1).with(2);
    // 480 W at 12.8 V are 37.5 A, less than the cells may take; 20 A of them go by themselves.
    let outputs = bench.seconds(2_000);
    assert_eq!((outputs.charge, outputs.heater), (Relay::Closed, Relay::Open));
    assert!(outputs.ceiling.as_per_mille().abs_diff(87) <= 1, "{}", outputs.ceiling.as_per_mille());
}

#[test]
fn while_the_ceiling_is_too_low_the_heater_goes_on_up_to_stop() {
    // 70 A are allowed from 11.25 °C on.
    let mut settings = with_a_charger_of(70);
    settings.heater.proof = None;
    let mut bench = Controlled::new(settings, c(9_000));
    let outputs = bench.seconds(70);
    assert_eq!(shows(&outputs), (State::Warming, Cause::CeilingTooLow));
    let outputs = bench.move_to(9_000, 11_300);
    assert_eq!(shows(&outputs), (State::SoakingWarm, Cause::AboveRelease));
    bench.move_to(11_300, 12_001);
    assert_eq!(bench.seconds(3).state, State::Soaking);
    // On from half-way between there and stop, or the soak would be lost for want of heat.
    bench.move_to(12_001, 11_600);
    assert_eq!(bench.seconds(70).heater, Relay::Closed);
    assert_eq!(bench.seconds(700).charge, Relay::Closed);
    bench.move_to(11_600, 12_001);
    assert_eq!(bench.seconds(3).state, State::Permitting);
    bench.move_to(12_001, 11_600);
    assert_eq!(bench.seconds(70).state, State::Holding, "held above where the sources may charge");
}

#[test]
fn heat_for_a_source_that_obeys_no_ceiling_begins_in_the_step_in_which_it_turns_up() {
    let mut settings = with_a_charger_of(60);
    settings.heater.proof = None;
    let mut bench = Controlled::new(settings, c(12_001));
    bench.inputs.sources = Sources::NONE.with(0).with(2);
    bench.seconds(700);
    bench.move_to(12_001, 9_000);
    let outputs = bench.seconds(60);
    assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Closed));
    bench.inputs.sources = Sources::NONE.with(0).with(1).with(2);
    let outputs = bench.second();
    assert_eq!((outputs.heater, outputs.charge), (Relay::Closed, Relay::Open));
}

#[test]
fn what_the_cells_may_take_nowhere_below_stop_is_refused_with_the_heater_at_rest_between() {
    // 90 A are allowed from 13.75 °C on, and the heater stops at 12 °C.
    let mut bench = Controlled::new(with_a_charger_of(90), c(9_990));
    let outputs = bench.seconds(70);
    assert_eq!(shows(&outputs), (State::Warming, Cause::CeilingTooLow));
    bench.move_to(9_990, 12_001);
    let outputs = bench.seconds(3);
    assert_eq!(shows(&outputs), (State::Waiting, Cause::CeilingTooLow));
    assert_eq!(bench.move_to(12_001, 10_050).heater, Relay::Open, "its relay does not chatter around stop");
    assert_eq!(bench.move_to(10_050, 9_990).heater, Relay::Closed);
    // The sun on the bank.
    bench.move_to(9_990, 13_800);
    assert_eq!(bench.seconds(700).charge, Relay::Closed);
}

#[test]
fn where_the_ceiling_falls_towards_hot_cells_the_hottest_counts() {
    let mut settings = with_a_charger_of(60);
    let point = |mc, per_mille| settings::CeilingPoint { at: c(mc), limit: Fraction::from_per_mille(per_mille) };
    settings.charge.ceiling = [point(5_000, 100), point(15_000, 500), point(35_000, 100)].into_iter().collect();
    let mut bench = Controlled::new(settings, c(24_900));
    assert_eq!(bench.seconds(700).charge, Relay::Closed, "60 A up to 25 °C");
    bench.show(0, 25_010);
    assert_eq!((bench.second().charge, bench.second().cause), (Relay::Open, Cause::CeilingTooLow));
}

#[test]
fn exactly_as_much_as_the_cells_may_take_is_charged_and_no_more() {
    // Above the last point 0.5 C are allowed: 100 A.
    for (amps, charge) in [(100, Relay::Closed), (101, Relay::Open)] {
        let mut bench = Controlled::new(with_a_charger_of(amps), c(20_000));
        assert_eq!(bench.seconds(700).charge, charge, "{amps} A");
    }
}

#[test]
fn a_doubt_at_whose_end_the_ceiling_is_too_low_gives_no_charge_back() {
    let mut settings = with_a_charger_of(60);
    settings.charge.min_off = Millis::ZERO;
    let mut bench = Controlled::new(settings, c(10_100));
    assert_eq!(bench.seconds(700).charge, Relay::Closed);
    bench.inputs.charge_line = Line::Refused;
    assert_eq!(bench.second().charge, Relay::Open);
    bench.show_all(9_900);
    bench.inputs.charge_line = Line::Allowed;
    for second in 0..100 {
        assert_eq!(bench.second().charge, Relay::Open, "{second} s");
    }
}

#[test]
fn what_forbids_charge_for_a_step_ends_a_soak_as_well() {
    let mut bench = Controlled::new(with_a_charger_of(60), c(9_000));
    bench.inputs.sources = Sources::NONE;
    assert_eq!(bench.seconds(300).cause, Cause::AboveRelease);
    bench.inputs.sources = Sources::NONE.with(1);
    assert_eq!(bench.second().cause, Cause::CeilingTooLow);
    bench.inputs.sources = Sources::NONE;
    assert_eq!(bench.seconds(590).charge, Relay::Open);
    assert_eq!(bench.seconds(20).charge, Relay::Closed);
}

//! Whose energy is spent, and how a relay is spared.

use super::*;

#[test]
fn no_source_no_heat() {
    let mut bench = Controlled::at(0);
    bench.inputs.sources = Sources::NONE;
    assert_eq!(shows(&bench.seconds(100)), (State::Waiting, Cause::NoEnergy));
    bench.inputs.sources = Sources::NONE.with(0);
    assert_eq!(
        shows(&bench.seconds(20)),
        (State::Waiting, Cause::SourceSettling),
        "20 s to settle from the first step"
    );
    assert_eq!(bench.second().heater, Relay::Closed);
    bench.inputs.sources = Sources::NONE;
    assert_eq!(shows(&bench.second()), (State::Waiting, Cause::NoEnergy), "at once, whatever the minimum time on");
}

#[test]
fn a_source_whose_line_toggles_counts_as_absent_until_it_holds_still_and_calls_someone() {
    let unsteady = SystemFaults::NONE.with(SystemFault::SourceUnsteady);
    let mut bench = Controlled::at(0);
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
    // Whether or not it is called present as well.
    for sources in [Sources::NONE, bench.inputs.sources] {
        (bench.inputs.sources, bench.inputs.unsteady) = (sources, Sources::NONE.with(1));
        let outputs = bench.second();
        assert_eq!(shows(&outputs), (State::Waiting, Cause::NoEnergy), "at once");
        assert_eq!(outputs.alarm, Alarm::Quiet, "it may be a contact that bounces");
        let outputs = bench.seconds(bench.settings.trust.good_run.into());
        assert_eq!((outputs.faults.system, outputs.alarm), (unsteady, Alarm::Sounding));
        (bench.inputs.sources, bench.inputs.unsteady) = (Sources::NONE.with(1), Sources::NONE);
        let outputs = bench.second();
        assert_eq!(shows(&outputs), (State::Waiting, Cause::SourceSettling), "it settles anew");
        assert_eq!((outputs.faults.system, outputs.alarm), (SystemFaults::NONE, Alarm::Quiet));
        assert_eq!(bench.seconds(70).heater, Relay::Closed);
    }
    bench.inputs.unsteady = Sources::NONE.with(0);
    let outputs = bench.seconds(bench.settings.trust.good_run.into());
    assert_eq!((outputs.heater, outputs.faults.system), (Relay::Closed, unsteady), "the others are spent as before");
    bench.inputs.unsteady = Sources::NONE.with(bench.settings.sources.len());
    let outputs = bench.seconds(bench.settings.trust.good_run.into());
    assert_eq!(outputs.faults.system, SystemFaults::NONE, "a line that nothing is fitted to");
}

#[test]
fn a_source_that_is_not_configured_limits_no_charge() {
    let ceiling = |sources| {
        let mut settings = settings();
        settings.sources.truncate(1);
        let mut bench = Controlled::new(settings, c(12_000));
        bench.inputs.sources = sources;
        let outputs = bench.seconds(2_000);
        assert_eq!(outputs.charge, Relay::Closed);
        outputs.ceiling
    };
    assert_eq!(ceiling(Sources::NONE.with(3)), ceiling(Sources::NONE));
}

#[test]
fn a_source_whose_line_toggles_gives_nothing_to_charge_with() {
    let mut bench = Controlled::at(12_000);
    bench.inputs.sources = Sources::NONE;
    assert_ne!(
        bench.seconds(2_000).ceiling,
        Fraction::ZERO,
        "the bank's own limit, where nobody's budget could be overdrawn"
    );
    bench.inputs.unsteady = Sources::NONE.with(0);
    let outputs = bench.second();
    assert_eq!((outputs.charge, outputs.ceiling), (Relay::Closed, Fraction::ZERO), "it may be what charges");
}

#[test]
fn nothing_is_heated_while_a_latched_fault_would_be_forgotten() {
    let mut bench = Controlled::at(7_000);
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
    bench.inputs.storage = Storage::Failing;
    let outputs = bench.second();
    assert_eq!(shows(&outputs), (State::Waiting, Cause::System(SystemFault::StorageFailing)));
    assert_eq!((outputs.heater, outputs.alarm), (Relay::Open, Alarm::Sounding));
    bench.inputs.storage = Storage::Kept;
    assert_eq!(bench.seconds(61).heater, Relay::Closed, "by itself, once the relay has rested");

    let mut bench = charging();
    bench.inputs.storage = Storage::Failing;
    assert_eq!(bench.second().charge, Relay::Closed, "charge needs nothing that is stored");
}

#[test]
fn a_supply_that_is_dead_with_its_source_calls_nobody_and_one_that_stays_dead_does() {
    let mut bench = Controlled::at(0);
    bench.inputs.sources = Sources::NONE;
    bench.inputs.supply = Some(Millivolts::ZERO);
    let outputs = bench.seconds(100);
    assert_eq!((shows(&outputs), outputs.alarm), ((State::Waiting, Cause::NoEnergy), Alarm::Quiet));
    bench.inputs.sources = Sources::NONE.with(1);
    let outputs = bench.second();
    assert_eq!((outputs.cause, outputs.alarm), (Cause::SourceSettling, Alarm::Quiet), "it may rise meanwhile");
    let outputs = bench.seconds(6);
    assert_eq!((outputs.cause, outputs.alarm), (Cause::SupplyOutOfRange, Alarm::Sounding));
    bench.inputs.supply = Some(bench.settings.heater.nominal);
    assert_eq!(bench.seconds(2).heater, Relay::Open);
    assert_eq!(bench.second().heater, Relay::Closed, "after a run of good readings");
}

#[test]
fn a_budget_too_small_for_the_heater_is_not_spent_but_two_may_add_up() {
    let mut settings = settings();
    settings.heater.power = Milliwatts::from_milliwatts(150_000);
    let mut bench = Controlled::new(settings, c(0));
    bench.inputs.sources = Sources::NONE.with(0); // 100 W
    assert_eq!(shows(&bench.seconds(100)), (State::Waiting, Cause::NoEnergy));
    bench.inputs.sources = Sources::NONE.with(0).with(2); // and 80 W
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
}

#[test]
fn heat_comes_first_and_charge_gets_what_is_left_of_the_budget() {
    let mut bench = charging();
    bench.inputs.sources = Sources::NONE.with(0); // 100 W
    let outputs = bench.seconds(40);
    // 100 W at 12.8 V are 7.8 A, of 200 Ah 0.039.
    assert_eq!((outputs.heater, outputs.ceiling.as_per_mille()), (Relay::Open, 39));
    bench.move_to(12_000, 7_000);
    let outputs = bench.second();
    // 60 W of it go into heat: 40 W, 3.1 A, 0.0156.
    assert_eq!((outputs.heater, outputs.charge, outputs.ceiling.as_per_mille()), (Relay::Closed, Relay::Closed, 16));
}

#[test]
fn the_bank_is_spent_only_by_policy_and_above_its_reserve() {
    let reserve =
        Reserve::StateOfCharge { floor: Fraction::from_per_mille(600), resume: Fraction::from_per_mille(700) };
    let with = |bank| Settings { bank, ..settings() };
    let run = |bank, sources, per_mille| {
        let mut bench = Controlled::new(with(bank), c(0));
        bench.inputs.sources = sources;
        bench.inputs.state_of_charge = Some(Fraction::from_per_mille(per_mille));
        bench.seconds(100).heater
    };
    let weak = Sources::NONE.with(2);
    assert_eq!(run(BankUse::Never, Sources::NONE, 900), Relay::Open);
    assert_eq!(run(BankUse::Always(reserve), Sources::NONE, 900), Relay::Closed);
    assert_eq!(
        run(BankUse::Always(reserve), Sources::NONE, 650),
        Relay::Open,
        "between reserve and resume after a reset"
    );
    assert_eq!(run(BankUse::WithSource(reserve), Sources::NONE, 900), Relay::Open);
    assert_eq!(run(BankUse::WithSource(reserve), weak, 900), Relay::Closed);

    let mut bench = Controlled::new(with(BankUse::Always(reserve)), c(0));
    bench.inputs.sources = Sources::NONE;
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
    bench.inputs.state_of_charge = Some(Fraction::from_per_mille(601));
    assert_eq!(bench.second().heater, Relay::Closed);
    bench.inputs.state_of_charge = Some(Fraction::from_per_mille(600));
    let outputs = bench.second();
    assert_eq!(
        (outputs.heater, outputs.alarm),
        (Relay::Open, Alarm::Quiet),
        "at the reserve, and no reason for an alarm"
    );
    assert!(outputs.faults.system.contains(SystemFault::BankBelowReserve));
}

#[test]
fn a_bank_that_has_not_been_at_its_reserve_is_no_fault_and_is_not_spent_before_its_run_of_good_readings() {
    let per_mille = Fraction::from_per_mille;
    let reserve = Reserve::StateOfCharge { floor: per_mille(600), resume: per_mille(700) };
    let with = Settings { bank: BankUse::Always(reserve), ..settings() };
    for (charge, is_below, heater) in
        [(900, false, Relay::Closed), (700, false, Relay::Closed), (650, false, Relay::Open), (600, true, Relay::Open)]
    {
        let mut bench = Controlled::new(with.clone(), c(0));
        bench.inputs.sources = Sources::NONE;
        bench.inputs.state_of_charge = Some(per_mille(charge));
        for second in 0..100 {
            let outputs = bench.second();
            let below = outputs.faults.system.contains(SystemFault::BankBelowReserve);
            assert_eq!(below, is_below, "at {charge} per mille in second {second}");
            assert!(heater == Relay::Closed || outputs.heater == Relay::Open);
        }
        assert_eq!(bench.second().heater, heater, "at {charge} per mille");
    }
}

#[test]
fn the_sag_of_the_heater_itself_does_not_count_against_the_reserve() {
    let mv = Millivolts::from_millivolts;
    let reserve = Reserve::Voltage { floor: mv(12_400), resume: mv(12_900), sag: mv(300) };
    let mut bench = Controlled::new(Settings { bank: BankUse::Always(reserve), ..settings() }, c(0));
    bench.inputs.sources = Sources::NONE;
    bench.inputs.bank = Some(mv(13_000));
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
    bench.inputs.bank = Some(mv(12_101));
    assert_eq!(bench.second().heater, Relay::Closed);
    bench.inputs.bank = Some(mv(12_100));
    assert_eq!(bench.second().heater, Relay::Open);
    bench.inputs.bank = Some(mv(12_899));
    assert_eq!(bench.seconds(100).heater, Relay::Open);
    bench.inputs.bank = Some(mv(12_900));
    assert_eq!(bench.seconds(3).heater, Relay::Closed);
}

/// An empty bank under a source that gives nothing: 13.5 V that fall to 8.9 V as soon as the heater takes from them.
#[test]
fn a_supply_that_breaks_down_under_the_heater_is_tried_ever_more_seldom_and_calls_someone() {
    let mut bench = Controlled::at(0);
    let v = |mv| Some(Millivolts::from_millivolts(mv));
    let (mut cycles, mut heater, mut alarms) = (0_u32, Relay::Open, 0_u32);
    for _ in 0..90 * 86_400 / 10 {
        bench.inputs.supply = v(if heater == Relay::Closed { 8_900 } else { 13_500 });
        let outputs = bench.controller.step(bench.time.after(10_000), &bench.inputs);
        cycles += u32::from(heater == Relay::Open && outputs.heater == Relay::Closed);
        heater = outputs.heater;
        alarms += u32::from(outputs.faults.system.contains(SystemFault::SupplySags));
        assert_eq!(
            alarms > 0,
            cycles >= 3 && (cycles > 3 || outputs.heater == Relay::Open),
            "from the third on, and no pause in it"
        );
    }
    // 1, 2, 4 … 128 min, then 4 h.
    assert!(cycles <= 8 + 90 * 6, "{cycles}");
    assert!(cycles >= 90 * 5, "it is tried all the same: {cycles}");

    bench.inputs.supply = v(13_500);
    let fault = |outputs: &Outputs| outputs.faults.system.contains(SystemFault::SupplySags);
    assert!((0..4 * 3600 + 20).any(|_| bench.second().heater == Relay::Closed));
    assert!(fault(&bench.seconds(200)), "not yet");
    assert!(!fault(&bench.seconds(101)), "it has carried the heater for five minutes");
}

#[test]
fn the_button_tries_at_once_what_failed_again_and_again() {
    let mut bench = Controlled::at(0);
    for _ in 0..20_000 {
        let is_on = bench.controller.heater() == Relay::Closed;
        bench.inputs.supply = Some(Millivolts::from_millivolts(if is_on { 8_900 } else { 13_500 }));
        bench.second();
    }
    let outputs = bench.second();
    assert_eq!(shows(&outputs), (State::Waiting, Cause::System(SystemFault::SupplySags)));
    assert_eq!(outputs.alarm, Alarm::Sounding);
    bench.inputs.button = Button::Pressed;
    bench.seconds(3);
    bench.inputs.button = Button::Released;
    let outputs = bench.seconds(2);
    assert_eq!((outputs.heater, outputs.alarm), (Relay::Closed, Alarm::Quiet));
}

/// A cell's thermometer that lies on the plate: two minutes of heat and it reads warm, two without and it reads cold.
#[test]
fn a_heater_that_cycles_is_switched_on_only_so_often_a_day_and_calls_someone() {
    let mut settings = settings();
    settings.heater.proof = None;
    settings.trust.fastest_cell = crate::quantity::KelvinRate::from_millikelvins_per_minute(60_000);
    let limit = settings.heater.max_cycles_per_day;
    let mut bench = Controlled::new(settings, c(0));
    let (mut t, mut cycles, mut heater, mut alarms, mut hours) = (0, 0_u32, Relay::Open, 0_u32, Vec::new());
    let spent = |outputs: &Outputs| outputs.faults.system.contains(SystemFault::CyclesSpent);
    for second in 0..10 * 86_400 {
        t = (t + if heater == Relay::Closed { 120 } else { -120 }).clamp(0, 13_000);
        bench.show_all(t);
        let outputs = bench.second();
        if heater == Relay::Open && outputs.heater == Relay::Closed {
            cycles += 1;
            hours.push(second / 3600);
        }
        heater = outputs.heater;
        alarms += u32::from(spent(&outputs));
    }
    let worst = (0..240).map(|from| hours.iter().filter(|&&hour| (from..from + 24).contains(&hour)).count()).max();
    assert!(worst <= Some(limit.into()), "{worst:?}");
    assert!(cycles >= 10 * u32::from(limit) / 2, "it is heated all the same: {cycles}");
    assert!(alarms > 9 * 86_400, "and the alarm stays: {alarms} s");
    assert_eq!(bench.second().alarm, Alarm::Sounding);
    bench.show_all(25_000);
    let outputs = bench.seconds(86_400);
    assert!(!spent(&outputs), "it has been spared");
}

#[test]
fn closings_are_spent_only_where_heat_is_asked_for_that_would_take_one_more() {
    let mut settings = settings();
    settings.heater.proof = None;
    let mut bench = Controlled::new(settings, c(0));
    bench.seconds(2);
    // Two closings in hand, and the next in half a day.
    let mut cycles = Cycles::new(4);
    cycles.close();
    bench.controller.cycles = cycles;
    let spent = |outputs: &Outputs| (outputs.heater, outputs.faults.system.contains(SystemFault::CyclesSpent));
    assert_eq!(spent(&bench.seconds(100)), (Relay::Closed, false), "on by the last of them");
    assert_eq!(spent(&bench.move_to(0, 13_000)), (Relay::Open, false), "warm, and none is needed");
    assert_eq!(spent(&bench.move_to(13_000, 0)), (Relay::Open, true));
}

#[test]
fn a_source_that_is_away_for_a_moment_does_not_settle_anew() {
    let mut settings = settings();
    settings.sources[1].settle = Millis::from_secs(600);
    // Alone: nothing else is looked at because of another.
    settings.sources.remove(0);
    settings.sources.truncate(1);
    let mut bench = Controlled::new(settings, c(0));
    let there = Sources::NONE.with(0);
    bench.inputs.sources = there;
    assert_eq!(bench.seconds(599).cause, Cause::SourceSettling);
    assert_eq!(bench.seconds(3).heater, Relay::Closed);
    for away in [1, 4] {
        bench.inputs.sources = Sources::NONE;
        assert_eq!(bench.second().heater, Relay::Open, "at once");
        bench.seconds(away);
        bench.inputs.sources = there;
        assert_eq!(shows(&bench.seconds(2)), (State::Waiting, Cause::SourceSettling));
        let outputs = bench.second();
        assert_ne!(outputs.cause, Cause::SourceSettling, "three good looks");
        assert_eq!(bench.seconds(60).heater, Relay::Closed);
        assert_eq!(bench.second().alarm, Alarm::Quiet);
    }
    bench.inputs.sources = Sources::NONE;
    bench.seconds(7);
    bench.inputs.sources = there;
    assert_eq!(bench.seconds(599).cause, Cause::SourceSettling, "that was no moment");
}

#[test]
fn a_source_that_is_absent_one_second_in_twenty_gives_and_calls_someone() {
    let mut settings = settings();
    settings.sources[1].settle = Millis::from_secs(60);
    let mut bench = Controlled::new(settings, c(0));
    let unsteady = |outputs: &Outputs| outputs.faults.system.contains(SystemFault::SourceUnsteady);
    let (mut heated, mut first) = (0, None);
    for second in 0..3_600 {
        bench.inputs.sources = if second % 20 == 19 { Sources::NONE } else { Sources::NONE.with(1) };
        let outputs = bench.second();
        assert!(second % 20 != 19 || outputs.heater == Relay::Open);
        heated += u32::from(outputs.heater == Relay::Closed);
        first = first.or(Some(second).filter(|_| unsteady(&outputs)));
    }
    // As often as its relay may close.
    assert!(heated > 100, "{heated} s");
    assert!(first.is_some_and(|second| second < 300), "{first:?}");
    bench.inputs.sources = Sources::NONE.with(1);
    assert!(unsteady(&bench.seconds(300)), "a minute for each time");
    assert!(!unsteady(&bench.seconds(120)), "it holds still");
}

#[test]
fn a_discharge_line_that_refused_for_a_moment_is_believed_again_after_a_run_of_looks() {
    let per_mille = Fraction::from_per_mille;
    let reserve = Reserve::StateOfCharge { floor: per_mille(600), resume: per_mille(700) };
    let mut bench = Controlled::new(Settings { bank: BankUse::Always(reserve), ..settings() }, c(0));
    bench.inputs.sources = Sources::NONE;
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
    bench.inputs.discharge_line = Line::Refused;
    assert_eq!(bench.second().heater, Relay::Open, "at once");
    bench.inputs.discharge_line = Line::Allowed;
    assert_eq!(shows(&bench.seconds(2)).1, Cause::NoEnergy);
    assert_ne!(shows(&bench.second()).1, Cause::NoEnergy);
    assert_eq!(bench.seconds(60).heater, Relay::Closed);
}

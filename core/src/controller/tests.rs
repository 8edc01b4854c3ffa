use super::*;
use crate::quantity::{Milliamps, Millivolts};
use crate::settings::{BankUse, ChargeCurrent, Reserve, Role, Settings};
use crate::signals::{Button, Sample, Sources};
use crate::testing::{Time, c, fine_inputs, sample, settings};
use std::boxed::Box;
use std::vec::Vec;

mod steps;

/// A controller, its time, and what it is shown.
struct Bench {
    settings: Settings,
    controller: Controller,
    inputs: Inputs,
    time: Time,
}

impl Bench {
    fn new(settings: Settings, t: Celsius) -> Self {
        let inputs = fine_inputs(&settings, t);
        let controller = Controller::new(&settings.clone().validate().unwrap(), Memory::default());
        Self { settings, controller, inputs, time: Time(0) }
    }

    fn at(t: i32) -> Self {
        Self::new(settings(), c(t))
    }

    fn show(&mut self, channel: usize, t: i32) {
        self.inputs.channels[channel] = sample(&self.settings.channels[channel], c(t));
    }

    fn show_all(&mut self, t: i32) {
        (0..self.settings.channels.len()).for_each(|channel| self.show(channel, t));
    }

    /// All channels move to `t` by 20 mK a second, which every role believes.
    fn move_to(&mut self, from: i32, t: i32) -> Outputs {
        let seconds = (t - from).abs() / 20;
        for second in 1..seconds {
            self.show_all(from + (t - from) * second / seconds);
            self.second();
        }
        self.show_all(t);
        self.second()
    }

    fn second(&mut self) -> Outputs {
        let now = self.time.after(1000);
        self.controller.step(now, &self.inputs)
    }

    fn seconds(&mut self, n: u32) -> Outputs {
        (1..n).for_each(|_| {
            self.second();
        });
        self.second()
    }
}

fn shows(outputs: &Outputs) -> (State, Cause) {
    (outputs.state, outputs.cause)
}

#[test]
fn cold_cells_are_warmed_first_and_charged_after_the_soak() {
    let mut bench = Bench::at(-10_000);
    assert_eq!(shows(&bench.second()), (State::Starting, Cause::StartUp));
    let outputs = bench.seconds(70);
    assert_eq!(shows(&outputs), (State::Warming, Cause::CellsCold));
    assert_eq!((outputs.heater, outputs.charge), (Relay::Closed, Relay::Open));

    bench.move_to(-10_000, 5_000);
    assert_eq!(shows(&bench.seconds(5)), (State::Warming, Cause::CellsCold), "at inhibit is cold");
    bench.move_to(5_000, 8_000);
    assert_eq!(shows(&bench.seconds(5)), (State::Warming, Cause::BelowRelease), "at release is not above");
    bench.show_all(8_010);
    bench.seconds(2); // the median follows
    assert_eq!(shows(&bench.second()), (State::SoakingWarm, Cause::AboveRelease));

    bench.move_to(8_010, 12_001);
    assert_eq!(shows(&bench.seconds(2)), (State::Soaking, Cause::AboveRelease));
    let soak = bench.settings.charge.soak.as_millis() / 1000;
    let until_permitted = (0..soak).take_while(|_| bench.second().charge == Relay::Open).count();
    assert!(until_permitted > 300, "the soak began above release, {until_permitted} s before");
    let outputs = bench.second();
    assert_eq!(shows(&outputs), (State::Permitting, Cause::Soaked));
    bench.inputs.sources = Sources::NONE; // no budget to mind
    let outputs = bench.second();
    assert_eq!(outputs.ceiling.as_per_mille(), 300 + 80, "12 °C lies 2/5 of the way from 0.3 at 10 °C to 0.5 at 15 °C");
}

#[test]
fn a_bank_that_cools_fast_does_not_lose_its_soak_for_want_of_heat() {
    let mut bench = Bench::at(12_001);
    bench.seconds(70);
    assert_eq!(bench.second().state, State::Soaking);
    assert_eq!(bench.move_to(12_001, 10_010).state, State::Soaking);
    bench.show_all(9_990);
    assert_eq!(bench.seconds(5).state, State::SoakingWarm, "halfway from release at 8 °C to stop at 12 °C");
    assert_eq!(bench.seconds(600).charge, Relay::Closed);
}

fn charging() -> Bench {
    let mut bench = Bench::at(12_000);
    bench.seconds(700);
    assert_eq!(bench.second().charge, Relay::Closed);
    bench
}

#[test]
fn a_brief_doubt_takes_permission_at_once_and_gives_it_back_after_the_run_of_good_readings() {
    type Doubt = (fn(&mut Bench), fn(&mut Bench));
    let doubts: [Doubt; 3] = [
        (|b| b.inputs.channels[0] = Sample::ConverterFault, |b| b.show(0, 12_000)),
        (|b| b.show(0, 20_000), |b| b.show(0, 12_000)),
        (|b| b.inputs.charge_line = Line::Refused, |b| b.inputs.charge_line = Line::Allowed),
    ];
    for (begin, end) in doubts {
        let mut bench = charging();
        begin(&mut bench);
        let lasts = bench.settings.charge.min_off.as_millis() / 1000 - 10;
        assert_eq!(bench.seconds(lasts).charge, Relay::Open);
        end(&mut bench);
        let run = u32::from(bench.settings.trust.good_run);
        assert_eq!(bench.seconds(run - 1).charge, Relay::Open, "the run is not complete");
        assert_eq!(bench.seconds(11 - run).charge, Relay::Open, "the relay has its rest");
        assert_eq!(bench.second().charge, Relay::Closed);

        // Too long, or cold in between, and it must soak.
        begin(&mut bench);
        bench.seconds(BRIEF.as_millis() / 1000 + 2);
        end(&mut bench);
        assert_eq!(bench.seconds(590).charge, Relay::Open);
    }
    let mut bench = charging();
    bench.inputs.channels[0] = Sample::ConverterFault;
    bench.show(1, 5_000);
    bench.second();
    bench.show_all(12_000);
    assert_eq!(bench.seconds(590).charge, Relay::Open, "the other one was cold, doubtful or not");
}

/// Thirty days of ten-second steps at 20 °C, each with one small thing that goes on and on.
#[test]
fn what_is_over_in_seconds_does_not_keep_a_warm_bank_from_its_charge() {
    type Disturb = Box<dyn FnMut(&mut Bench, u32)>;
    let charged = |mut disturb: Disturb| {
        let mut settings = settings();
        settings.charge.soak = Millis::from_secs(45 * 60);
        let mut bench = Bench::new(settings, c(20_000));
        let mut permitted = 0;
        for step in 0..30 * 8640_u32 {
            // By a digit or two, as converters do.
            bench.show_all(20_000 + i32::try_from(step % 3).unwrap());
            bench.inputs.charge_line = Line::Allowed;
            disturb(&mut bench, step);
            let now = bench.time.after(10_000);
            permitted += u32::from(bench.controller.step(now, &bench.inputs).charge == Relay::Closed);
        }
        f64::from(permitted) / f64::from(30 * 8640)
    };
    let refused = charged(Box::new(|bench, step| {
        if step % 180 == 0 {
            bench.inputs.charge_line = Line::Refused;
        }
    }));
    assert!(refused > 0.95, "one refused look in half an hour: {refused}");
    let low = charged(Box::new(|bench, step| {
        if step % 170 == 0 {
            bench.show(0, 19_400);
        }
    }));
    assert!(low > 0.95, "one reading in half an hour low by 0.6 K: {low}");
    for minutes in [16, 30, 44] {
        let restarted = charged(Box::new(move |bench, step| {
            if step % (minutes * 6) == 0 {
                let memory = bench.controller.memory();
                bench.controller = Controller::new(&bench.settings.clone().validate().unwrap(), memory);
            }
        }));
        // A quarter of the soak, and the start.
        let most = 1.0 - 12.0 / f64::from(minutes);
        assert!(restarted > most - 0.02 && restarted < most + 0.05, "a restart in {minutes} minutes: {restarted}");
    }
}

#[test]
fn while_charging_the_heater_holds_the_cells() {
    let mut bench = charging();
    assert_eq!(bench.move_to(12_000, 7_100).heater, Relay::Open);
    let outputs = bench.move_to(7_100, 7_000);
    assert_eq!(shows(&outputs), (State::Holding, Cause::HeldWarm));
    assert_eq!(outputs.charge, Relay::Closed);
}

#[test]
fn permission_is_lost_in_the_step_its_cause_is_seen() {
    type Break = fn(&mut Bench);
    let breaks: [(&str, Break, Cause); 8] = [
        (
            "open",
            |b| b.inputs.channels[0] = Sample::Fresh(crate::rtd::Measured::element(crate::quantity::Ratio::MAX)),
            Cause::Channel(crate::fault::ChannelFault::Open),
        ),
        (
            "short",
            |b| b.inputs.channels[1] = Sample::Fresh(crate::rtd::Measured::element(crate::quantity::Ratio::ZERO)),
            Cause::Channel(crate::fault::ChannelFault::Short),
        ),
        (
            "converter",
            |b| b.inputs.channels[1] = Sample::ConverterFault,
            Cause::Channel(crate::fault::ChannelFault::Converter),
        ),
        ("jump", |b| b.show(0, 20_000), Cause::Channel(crate::fault::ChannelFault::TooFast)),
        ("line", |b| b.inputs.charge_line = Line::Refused, Cause::ChargeLineRefused),
        (
            "stalled clock",
            |b| {
                b.time.after(1_000_u32.wrapping_neg());
            },
            Cause::System(SystemFault::ClockStalled),
        ),
        (
            "leaping clock",
            |b| {
                b.time.after(20_000);
            },
            Cause::System(SystemFault::ClockJumped),
        ),
        (
            "clock running backwards",
            |b| {
                b.time.after(5_000_u32.wrapping_neg());
            },
            Cause::System(SystemFault::ClockJumped),
        ),
    ];
    for (what, break_it, cause) in breaks {
        let mut bench = charging();
        break_it(&mut bench);
        let outputs = bench.second();
        assert_eq!((outputs.charge, outputs.cause), (Relay::Open, cause), "{what}");
        assert_eq!(outputs.ceiling, Fraction::ZERO, "{what}");
    }
}

#[test]
fn a_converter_that_repeats_its_last_codes_neither_charges_nor_heats() {
    type IsOn = fn(&Outputs) -> Relay;
    for (t, is_on) in [(20_000, (|outputs| outputs.charge) as IsOn), (0, |outputs| outputs.heater)] {
        let mut settings = settings();
        settings.trust.still_after = Some(Millis::from_secs(600));
        settings.heater.proof = None;
        let mut bench = Bench::new(settings, c(t));
        // Noise of a digit, and then none.
        for second in 0..1_000 {
            bench.show(0, t + second % 2);
            bench.second();
        }
        let outputs = bench.second();
        assert_eq!(is_on(&outputs), Relay::Closed, "{outputs:?}");
        let outputs = bench.seconds(661);
        assert_eq!((outputs.charge, outputs.heater), (Relay::Open, Relay::Open));
        assert_eq!(shows(&outputs), (State::Faulted, Cause::Channel(crate::fault::ChannelFault::Stuck)));
    }
}

#[test]
fn one_cold_outlier_takes_permission_and_one_warm_outlier_never_gives_it() {
    let mut settings = settings();
    settings.trust.noise = Kelvins::from_millikelvins(2_900); // outliers that are not too fast to be believed
    settings.heater.proof = None;
    let mut bench = Bench::new(settings.clone(), c(9_000));
    bench.seconds(700);
    bench.move_to(9_000, 7_700);
    bench.seconds(3);
    assert_eq!(bench.second().charge, Relay::Closed);
    bench.show(0, 4_900);
    assert_eq!(shows(&bench.second()).1, Cause::CellsCold);
    assert_eq!(bench.second().charge, Relay::Open);

    let mut bench = Bench::new(settings, c(7_000));
    bench.seconds(100);
    bench.show_all(9_000);
    assert_eq!(bench.second().state, State::Warming, "a single reading above release starts no soak");
    bench.show_all(7_000);
    assert_eq!(bench.second().state, State::Warming);
}

#[test]
fn hot_cells_are_not_charged_until_they_have_cooled_below_the_high_release() {
    let mut bench = Bench::at(30_000);
    assert_eq!(bench.seconds(700).charge, Relay::Closed);
    bench.move_to(30_000, 44_990);
    assert_eq!(bench.seconds(5).charge, Relay::Closed);
    bench.show(0, 45_000);
    assert_eq!(shows(&bench.second()), (State::Waiting, Cause::CellsHot), "at the limit is too hot");
    bench.move_to(45_000, 42_000);
    assert_eq!(shows(&bench.seconds(700)), (State::Waiting, Cause::CellsHot), "at the high release is not below");
    bench.show_all(41_990);
    assert_eq!(bench.seconds(5).state, State::Soaking);
    assert_eq!(bench.seconds(600).charge, Relay::Closed);
}

#[test]
fn the_hottest_channel_cuts_the_heater_out_with_hysteresis() {
    let mut bench = Bench::at(0);
    bench.seconds(100);
    let mut pad = 0;
    while pad < 50_000 {
        assert_eq!(bench.second().heater, Relay::Closed, "pad at {pad}");
        pad += 500;
        bench.show(2, pad);
    }
    let outputs = bench.second();
    assert_eq!((outputs.heater, outputs.cause), (Relay::Open, Cause::CutOut), "at the cut-out is cut out");
    while pad > 45_000 {
        pad -= 500;
        bench.show(2, pad);
        assert_eq!(bench.second().cause, Cause::CutOut, "pad at {pad}");
    }
    bench.show(2, 44_400);
    bench.seconds(60);
    assert_eq!(bench.second().heater, Relay::Closed);
}

#[test]
fn no_source_no_heat() {
    let mut bench = Bench::at(0);
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
    let mut bench = Bench::at(0);
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
        let mut bench = Bench::new(settings, c(12_000));
        bench.inputs.sources = sources;
        let outputs = bench.seconds(2_000);
        assert_eq!(outputs.charge, Relay::Closed);
        outputs.ceiling
    };
    assert_eq!(ceiling(Sources::NONE.with(3)), ceiling(Sources::NONE));
}

#[test]
fn a_source_whose_line_toggles_gives_nothing_to_charge_with() {
    let mut bench = Bench::at(12_000);
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
    let mut bench = Bench::at(7_000);
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
    let mut bench = Bench::at(0);
    bench.inputs.sources = Sources::NONE;
    bench.inputs.supply = Some(Millivolts::ZERO);
    let outputs = bench.seconds(100);
    assert_eq!((shows(&outputs), outputs.alarm), ((State::Waiting, Cause::NoEnergy), Alarm::Quiet));
    bench.inputs.sources = Sources::NONE.with(1);
    assert_eq!(bench.second().alarm, Alarm::Quiet, "it may rise while the source settles");
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
    let mut bench = Bench::new(settings, c(0));
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
        let mut bench = Bench::new(with(bank), c(0));
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

    let mut bench = Bench::new(with(BankUse::Always(reserve)), c(0));
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
        let mut bench = Bench::new(with.clone(), c(0));
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
    let mut bench = Bench::new(Settings { bank: BankUse::Always(reserve), ..settings() }, c(0));
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

#[test]
fn a_heater_that_does_not_heat_is_found_and_stays_off_until_the_button() {
    let mut bench = Bench::at(0);
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
    let mut bench = Bench::at(0);
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
    let mut bench = Bench::new(proving(36_000, 1_000), c(0));
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
    let mut bench = Bench::new(settings, c(4_000));
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
    let mut bench = Bench::new(settings, c(4_000));
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
fn two_plates() -> Bench {
    let mut settings = proving(36_000, 4_000);
    let pad = settings.channels[2];
    settings.channels.insert(3, pad).unwrap();
    // Plates may lie as far apart as a single cell allows.
    settings.channels[1].role = Role::Ambient;
    settings.trust.disagreement = Kelvins::from_millikelvins(15_000);
    Bench::new(settings, c(0))
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
    let warm = |bench: &mut Bench, from: i32, to: i32| {
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
        let mut bench = Bench::new(proving(360_000, 4_000), c(0)); // 100 min at 60 W
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
fn the_maximum_run_ends_in_a_rest() {
    let mut settings = settings();
    settings.heater.proof = None;
    let mut bench = Bench::new(settings, c(0));
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
    let mut bench = Bench::new(settings, c(0));
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
fn move_some(bench: &mut Bench, channels: &[usize], from: i32, t: i32) -> Outputs {
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
    let mut bench = Bench::new(settings, c(20_000));
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
        let mut bench = Bench::new(settings, c(20_000));
        bench.inputs.sources = Sources::NONE;
        bench.seconds(2 * 3600);
        let outputs = move_some(&mut bench, hot, 20_000, 41_000);
        assert!(outputs.faults.system.contains(SystemFault::OverTemperature), "{what}");
        assert_eq!(bench.controller.memory().latched == OVER, latches, "{what}");
    }

    // The air of the box is warm too, and the plate is warmer than all.
    let mut bench = Bench::new(all.clone(), c(20_000));
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
    let mut bench = Bench::new(all, c(20_000));
    bench.inputs.sources = Sources::NONE;
    bench.move_to(20_000, 41_000);
    assert_eq!(bench.controller.memory().latched, SystemFaults::NONE);
    move_some(&mut bench, &[2], 41_000, 43_000);
    assert_eq!(bench.controller.memory().latched, OVER);
}

/// A start with what was kept of the one before it.
fn restarted(bench: &Bench) -> Bench {
    let controller = Controller::new(&bench.settings.clone().validate().unwrap(), bench.controller.memory());
    Bench { controller, settings: bench.settings.clone(), inputs: bench.inputs, time: bench.time }
}

#[test]
fn restarts_neither_let_the_heater_run_on_nor_keep_it_from_ever_heating() {
    for every_min in [16, 22, 31, 44, 50, 121] {
        let mut settings = settings();
        settings.heater.proof = None;
        settings.heater.max_run = Millis::from_secs(1_008); // 0.28 h
        let (max_run, rest) = (1_008, 1_800);
        let mut bench = Bench::new(settings, c(0));
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
    let mut bench = Bench::at(20_000);
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
            let mut bench = Bench { controller, ..Bench::at(0) };
            let outputs = bench.seconds(100);
            assert!(outputs.faults.system.contains(SystemFault::HeaterWelded));
            assert_eq!(outputs.heater, Relay::Open);
            memory = bench.controller.memory();
            outputs.faults.system.contains(SystemFault::RestartStorm)
        })
        .collect();
    assert_eq!(storms, [false, false, false, false, false, true, true], "the sixth restart is one too many");
    let mut bench = Bench { controller: Controller::new(&settings().validate().unwrap(), memory), ..Bench::at(0) };
    bench.seconds(899);
    assert!(bench.second().faults.system.contains(SystemFault::RestartStorm));
    assert!(!bench.second().faults.system.contains(SystemFault::RestartStorm), "forgotten after the window");
    assert_eq!(bench.controller.memory().restarts, 0);
}

#[test]
fn an_old_reading_cuts_the_heater_out_but_latches_nothing() {
    let mut bench = Bench::at(0);
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
        let mut bench = Bench::at(0);
        assert_eq!(bench.seconds(100).heater, Relay::Closed);
        bench.show(channel, 70_000);
        assert_eq!(bench.second().heater, Relay::Open);
        bench.show(channel, 0);
        assert_eq!(bench.seconds(100).heater, Relay::Closed, "one spike on channel {channel}");
    }
}

#[test]
fn a_channel_that_really_is_far_above_its_cut_out_latches_the_heater_off() {
    let mut bench = Bench::at(0);
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
    let mut bench = Bench::at(0);
    let fresh = bench.inputs.channels[0];
    let found = (0..2_000).any(|second| {
        bench.inputs.channels[2] = if second % 4 == 0 { fresh } else { Sample::None };
        bench.second().faults.system.contains(SystemFault::HeaterIneffective)
    });
    assert!(found);
}

/// The second of the three sources of the test installation, which is present, gives so many amperes whatever the ceiling is: 20 A at 5 °C,
/// 60 A at 10 °C, 100 A at 15 °C.
fn with_a_charger_of(amps: u32) -> Settings {
    let mut settings = settings();
    settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(amps * 1000));
    settings
}

#[test]
fn a_source_that_obeys_no_ceiling_is_refused_in_the_step_it_could_exceed_it() {
    let mut bench = Bench::new(with_a_charger_of(60), c(12_000));
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
        let mut bench = Bench::new(with_a_charger_of(60), c(9_000));
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
    let mut bench = Bench::new(with_a_charger_of(20), c(12_000));
    bench.settings.heater.hold = Hold::Never;
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
    let mut bench = Bench::new(settings, c(9_000));
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
fn what_the_cells_may_take_nowhere_below_stop_is_refused_with_the_heater_at_rest_between() {
    // 90 A are allowed from 13.75 °C on, and the heater stops at 12 °C.
    let mut bench = Bench::new(with_a_charger_of(90), c(9_990));
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
    let mut bench = Bench::new(settings, c(24_900));
    assert_eq!(bench.seconds(700).charge, Relay::Closed, "60 A up to 25 °C");
    bench.show(0, 25_010);
    assert_eq!((bench.second().charge, bench.second().cause), (Relay::Open, Cause::CeilingTooLow));
}

/// An empty bank under a source that gives nothing: 13.5 V that fall to 8.9 V as soon as the heater takes from them.
#[test]
fn a_supply_that_breaks_down_under_the_heater_is_tried_ever_more_seldom_and_calls_someone() {
    let mut bench = Bench::at(0);
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
    let mut bench = Bench::at(0);
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
    let mut bench = Bench::new(settings, c(0));
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
fn a_source_that_is_away_for_a_moment_does_not_settle_anew() {
    let mut settings = settings();
    settings.sources[1].settle = Millis::from_secs(600);
    let mut bench = Bench::new(settings, c(0));
    assert_eq!(bench.seconds(599).cause, Cause::SourceSettling);
    assert_eq!(bench.seconds(3).heater, Relay::Closed);
    for away in [1, 4] {
        bench.inputs.sources = Sources::NONE;
        assert_eq!(bench.second().heater, Relay::Open, "at once");
        bench.seconds(away);
        bench.inputs.sources = Sources::NONE.with(1);
        assert_eq!(shows(&bench.seconds(2)), (State::Waiting, Cause::SourceSettling));
        let outputs = bench.second();
        assert_ne!(outputs.cause, Cause::SourceSettling, "three good looks");
        assert_eq!(bench.seconds(60).heater, Relay::Closed);
        assert_eq!(bench.second().alarm, Alarm::Quiet);
    }
    bench.inputs.sources = Sources::NONE;
    bench.seconds(7);
    bench.inputs.sources = Sources::NONE.with(1);
    assert_eq!(bench.seconds(599).cause, Cause::SourceSettling, "that was no moment");
}

#[test]
fn a_source_that_is_absent_one_second_in_twenty_gives_and_calls_someone() {
    let mut settings = settings();
    settings.sources[1].settle = Millis::from_secs(60);
    let mut bench = Bench::new(settings, c(0));
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
    assert!(!unsteady(&bench.seconds(420)), "it holds still");
}

#[test]
fn a_discharge_line_that_refused_for_a_moment_is_believed_again_after_a_run_of_looks() {
    let per_mille = Fraction::from_per_mille;
    let reserve = Reserve::StateOfCharge { floor: per_mille(600), resume: per_mille(700) };
    let mut bench = Bench::new(Settings { bank: BankUse::Always(reserve), ..settings() }, c(0));
    bench.inputs.sources = Sources::NONE;
    assert_eq!(bench.seconds(100).heater, Relay::Closed);
    bench.inputs.discharge_line = Line::Refused;
    assert_eq!(bench.second().heater, Relay::Open, "at once");
    bench.inputs.discharge_line = Line::Allowed;
    assert_eq!(shows(&bench.seconds(2)).1, Cause::NoEnergy);
    assert_ne!(shows(&bench.second()).1, Cause::NoEnergy);
    assert_eq!(bench.seconds(60).heater, Relay::Closed);
}

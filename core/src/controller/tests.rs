use super::*;
use crate::quantity::{Milliamps, Millivolts};
use crate::settings::{BankUse, ChargeCurrent, Reserve, Role, Settings};
use crate::signals::{Button, Line, Sample, Sources};
use crate::testing::{Time, c, fine_inputs, sample, settings};
use std::boxed::Box;
use std::vec::Vec;

mod ceiling;
mod energy;
mod heater;
mod steps;

/// A controller, its time, and what it is shown.
struct Controlled {
    settings: Settings,
    controller: Controller,
    inputs: Inputs,
    time: Time,
}

impl Controlled {
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
    let mut bench = Controlled::at(-10_000);
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
    let mut bench = Controlled::at(12_001);
    bench.seconds(70);
    assert_eq!(bench.second().state, State::Soaking);
    assert_eq!(bench.move_to(12_001, 10_010).state, State::Soaking);
    bench.show_all(9_990);
    assert_eq!(bench.seconds(5).state, State::SoakingWarm, "halfway from release at 8 °C to stop at 12 °C");
    assert_eq!(bench.seconds(600).charge, Relay::Closed);
}

fn charging() -> Controlled {
    let mut bench = Controlled::at(12_000);
    bench.seconds(700);
    assert_eq!(bench.second().charge, Relay::Closed);
    bench
}

#[test]
fn a_brief_doubt_takes_permission_at_once_and_gives_it_back_after_the_run_of_good_readings() {
    type Doubt = (fn(&mut Controlled), fn(&mut Controlled));
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
    type Disturb = Box<dyn FnMut(&mut Controlled, u32)>;
    let charged = |mut disturb: Disturb| {
        let mut settings = settings();
        settings.charge.soak = Millis::from_secs(45 * 60);
        let mut bench = Controlled::new(settings, c(20_000));
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
fn where_nothing_is_held_the_heater_warms_until_charge_is_permitted() {
    let mut settings = settings();
    settings.heater.proof = None;
    settings.heater.hold = Hold::Never;
    let mut bench = Controlled::new(settings, c(9_000));
    bench.seconds(70);
    for second in 70..600 {
        assert_eq!(shows(&bench.second()), (State::SoakingWarm, Cause::AboveRelease), "{second} s");
    }
    bench.seconds(10);
    for second in 610..800 {
        assert_eq!(shows(&bench.second()), (State::Permitting, Cause::Soaked), "{second} s");
    }
}

#[test]
fn permission_is_lost_in_the_step_its_cause_is_seen() {
    type Break = fn(&mut Controlled);
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
        let mut bench = Controlled::new(settings, c(t));
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
    let mut bench = Controlled::new(settings.clone(), c(9_000));
    bench.seconds(700);
    bench.move_to(9_000, 7_700);
    bench.seconds(3);
    assert_eq!(bench.second().charge, Relay::Closed);
    bench.show(0, 4_900);
    assert_eq!(shows(&bench.second()).1, Cause::CellsCold);
    assert_eq!(bench.second().charge, Relay::Open);

    let mut bench = Controlled::new(settings, c(7_000));
    bench.seconds(100);
    bench.show_all(9_000);
    assert_eq!(bench.second().state, State::Warming, "a single reading above release starts no soak");
    bench.show_all(7_000);
    assert_eq!(bench.second().state, State::Warming);
}

#[test]
fn hot_cells_are_not_charged_until_they_have_cooled_below_the_high_release() {
    let mut bench = Controlled::at(30_000);
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
    let mut bench = Controlled::at(0);
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

/// Each reading counts as colder and as hotter by its rounding.
#[test]
fn exactly_at_release_or_at_the_high_release_no_soak_begins_and_a_digit_further_it_does() {
    let rounding = crate::rtd::ROUNDING;
    let digit = Kelvins::from_steps(1);
    let settings::Charge { release, high_release, .. } = settings().charge;
    let (lowest, highest) = (release.raised(rounding), high_release.lowered(rounding));
    for (t, state) in [
        (lowest, State::Warming),
        (lowest.raised(digit), State::SoakingWarm),
        (highest, State::Waiting),
        (highest.lowered(digit), State::Soaking),
    ] {
        let mut bench = Controlled::new(settings(), t);
        assert_eq!(bench.seconds(70).state, state, "{t}");
        assert_eq!(bench.controller.readings()[0], Some(t), "it reads so to the last digit");
    }
}

#[test]
fn a_doubt_is_a_brief_one_only_if_no_cell_shows_inhibit() {
    let inhibit = settings().charge.inhibit.raised(crate::rtd::ROUNDING);
    for (digits, charge) in [(0, Relay::Open), (1, Relay::Closed)] {
        let mut bench = charging();
        bench.inputs.channels[1] = sample(&bench.settings.channels[1], inhibit.raised(Kelvins::from_steps(digits)));
        assert_eq!(bench.second().cause, Cause::Channel(crate::fault::ChannelFault::TooFast));
        bench.show(1, 12_000);
        assert_eq!(bench.seconds(100).charge, charge, "{digits}");
    }
}

#[test]
fn a_doubt_of_a_minute_is_brief_and_one_of_a_second_more_is_not() {
    for (lasts, charge) in [(60, Relay::Closed), (61, Relay::Open)] {
        let mut bench = charging();
        let run = u32::from(bench.settings.trust.good_run);
        bench.inputs.charge_line = Line::Refused;
        bench.seconds(1 + lasts - run);
        bench.inputs.charge_line = Line::Allowed;
        assert_eq!(bench.seconds(run - 1).cause, Cause::ChargeLineRefused, "not yet a run");
        assert_eq!(bench.second().charge, charge, "{lasts} s");
        assert_eq!(bench.seconds(590).charge, charge, "{lasts} s");
    }
}

#[test]
fn once_the_soak_is_over_only_the_relay_is_waited_for() {
    let mut settings = settings();
    settings.charge.min_off = Millis::from_secs(1_200);
    settings.heater.proof = None;
    // Seconds of the soak of ten minutes that are missing.
    for (missing, goes_on) in [(1, false), (0, true)] {
        let mut bench = Controlled::new(settings.clone(), c(8_100));
        let until = Millis::from_secs(600 - missing);
        let soaked = (0..1_000).any(|_| {
            bench.second();
            matches!(bench.controller.charge, Charge::Soaking { above, .. } if above == until)
        });
        assert!(soaked, "{missing} s");
        bench.show_all(7_900);
        assert_eq!(bench.second().state == State::SoakingWarm, goes_on, "{missing} s");
        assert_eq!(bench.seconds(700).charge == Relay::Closed, goes_on, "{missing} s");
    }
}

#[test]
fn what_the_guard_takes_is_lost_and_what_it_leaves_is_kept() {
    let permitted = charging().controller;
    let mut soaking = Controlled::at(10_000);
    assert_eq!(soaking.seconds(70).state, State::SoakingWarm);
    let soaking = soaking.controller;
    let overruled = |controller: &Controller, heater, charge| {
        let mut controller = controller.clone();
        let (state, cause) = controller.overruled(heater, charge, charge);
        assert_eq!(cause, Cause::GuardOverruled);
        (state, controller.charge)
    };
    assert_eq!(overruled(&soaking, Relay::Open, Relay::Open), (State::Soaking, soaking.charge));
    assert_eq!(overruled(&permitted, Relay::Open, Relay::Closed), (State::Permitting, Charge::Permitted));
    let refused = Charge::Refused { open: Millis::ZERO };
    assert_eq!(overruled(&permitted, Relay::Open, Relay::Open), (State::Waiting, refused));
}

use super::*;
use crate::fault::Faults;
use crate::quantity::{Fraction, Ohms};
use crate::rtd::Leads;
use crate::settings::{Check, Settings};
use crate::signals::Sample;
use crate::testing::{EVERYTHING, Time, c, fine_inputs, sample, settings, skewed};

#[derive(Clone)]
struct Guarded {
    settings: Settings,
    guard: Guard,
    inputs: Inputs,
    time: Time,
}

impl Guarded {
    fn new(settings: Settings, memory: Memory, t: i32) -> Self {
        let guard = Guard::new(&settings.clone().validate().unwrap(), memory);
        Self { inputs: fine_inputs(&settings, c(t)), settings, guard, time: Time(0) }
    }

    /// Ten minutes and more at `t`, so that the soak is over.
    fn soaked_at(t: i32) -> Self {
        let mut bench = Self::new(settings(), Memory::default(), t);
        bench.seconds(601);
        bench
    }

    fn second(&mut self) -> (Relay, Relay) {
        self.ask(&EVERYTHING)
    }

    fn ask(&mut self, asked: &Outputs) -> (Relay, Relay) {
        self.after(1000, asked)
    }

    fn after(&mut self, millis: u32, asked: &Outputs) -> (Relay, Relay) {
        let Verdict { heater, charge, .. } = self.guard.judge(self.time.after(millis), &self.inputs, asked);
        (heater, charge)
    }

    /// For how many steps of this length the heater stays on, or off.
    fn steps(&mut self, millis: u32, heater: Relay) -> usize {
        (0..100_000).take_while(|_| self.after(millis, &EVERYTHING).0 == heater).count()
    }

    fn restart(&mut self) {
        self.guard = Guard::new(&self.settings.clone().validate().unwrap(), self.guard.memory());
    }

    /// What it leaves of both permits.
    fn permits(&mut self, asked: &Outputs) -> (Relay, Relay) {
        let Verdict { charge, full, .. } = self.guard.judge(self.time.after(1000), &self.inputs, asked);
        (charge, full)
    }

    fn seconds(&mut self, n: u32) -> (Relay, Relay) {
        (1..n).for_each(|_| {
            self.second();
        });
        self.second()
    }

    fn show(&mut self, channel: usize, t: i32) {
        self.inputs.channels[channel] = sample(&self.settings.channels[channel], c(t));
    }
}

const BOTH: (Relay, Relay) = (Relay::Closed, Relay::Closed);
const HEAT: (Relay, Relay) = (Relay::Closed, Relay::Open);
const CHARGE: (Relay, Relay) = (Relay::Open, Relay::Closed);
const NEITHER: (Relay, Relay) = (Relay::Open, Relay::Open);

const NO_HEAT: Outputs = Outputs { heater: Relay::Open, ..EVERYTHING };

#[test]
fn it_only_takes_away() {
    let mut bench = Guarded::soaked_at(10_000);
    assert_eq!(bench.second(), BOTH);
    assert_eq!(bench.ask(&Outputs { heater: Relay::Open, ..EVERYTHING }), CHARGE);
    assert_eq!(bench.ask(&Outputs { charge: Relay::Open, ..EVERYTHING }), HEAT);
    assert_eq!(bench.ask(&Outputs { heater: Relay::Open, charge: Relay::Open, ..EVERYTHING }), NEITHER);
}

#[test]
fn sources_that_obey_no_ceiling_charge_only_cells_that_can_take_it() {
    let mut settings = settings();
    // 60 A at 10 °C, 100 A at 15 °C: 70 A from 11.25 °C on.
    settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(70_000));
    let mut bench = Guarded::new(settings, Memory::default(), 11_400);
    assert_eq!(bench.seconds(603), BOTH);
    bench.show(1, 11_200);
    assert_eq!(bench.second(), HEAT, "one cell is enough");
    bench.inputs.sources = Sources::NONE.with(0);
    assert_eq!(bench.second(), BOTH, "and the other source obeys");
    bench.inputs.unsteady = Sources::NONE.with(1);
    assert_eq!(bench.second(), HEAT, "a line that toggles may be one that gives");
}

#[test]
fn of_sources_in_two_steps_it_leaves_what_cells_can_take() {
    let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
    let mut settings = settings();
    // 30 A at 6.25 °C, 60 A at 10 °C.
    settings.sources[1].charge = ChargeCurrent::InSteps { reduced: amps(30), most: amps(60) };
    settings.sources[0].charge = ChargeCurrent::UpTo(amps(20));
    let mut bench = Guarded::new(settings, Memory::default(), 10_100);
    assert_eq!(bench.seconds(603), BOTH);
    let (all, reduced, none) = (BOTH, (Relay::Closed, Relay::Open), NEITHER);
    assert_eq!(bench.permits(&EVERYTHING), all);
    assert_eq!(bench.permits(&Outputs { full: Relay::Open, ..EVERYTHING }), reduced, "it only takes away");
    assert_eq!(bench.permits(&Outputs { charge: Relay::Open, ..EVERYTHING }), none, "full without charge is nothing");
    bench.show(1, 9_950);
    assert_eq!(bench.permits(&EVERYTHING), reduced, "one cell is enough");
    bench.show(1, 10_100);
    assert_eq!(bench.permits(&EVERYTHING), all);
    bench.inputs.unsteady = Sources::NONE.with(0);
    assert_eq!(bench.permits(&EVERYTHING), reduced, "80 A");
    for t in (6_200..10_100).rev().step_by(40) {
        (0..4).for_each(|channel| bench.show(channel, t));
        bench.second();
    }
    bench.inputs.unsteady = Sources::NONE;
    assert_eq!(bench.permits(&EVERYTHING), none, "30 A are too much as well");
}

#[test]
fn charge_waits_for_the_soak_after_a_reset_and_after_cold() {
    let mut bench = Guarded::new(settings(), Memory::default(), 10_000);
    let run = u32::from(settings().trust.good_run);
    assert_eq!(bench.seconds(run - 2 + 600), HEAT);
    assert_eq!(bench.second(), BOTH);
    // Down to inhibit by 40 mK a second, which is believable.
    for t in (5_000..10_000).rev().step_by(40) {
        bench.show(0, t);
        bench.second();
    }
    bench.show(0, 5_000);
    assert_eq!(bench.second(), HEAT, "at inhibit is cold");
    bench.show(0, 5_040);
    assert_eq!(bench.seconds(599), HEAT);
    assert_eq!(bench.second(), BOTH);
}

#[test]
fn what_it_sees_it_takes_in_the_same_step() {
    type Break = fn(&mut Guarded);
    let breaks: [(&str, Break, (Relay, Relay)); 14] = [
        ("cell fault", |b| b.inputs.channels[1] = Sample::ConverterFault, NEITHER),
        ("cell jump", |b| b.show(0, 12_000), NEITHER),
        ("pad fault", |b| b.inputs.channels[2] = Sample::ConverterFault, CHARGE),
        ("air fault", |b| b.inputs.channels[3] = Sample::ConverterFault, BOTH),
        ("hot air", |b| b.show(3, 30_000), CHARGE),
        ("line", |b| b.inputs.charge_line = Line::Refused, HEAT),
        ("no supply", |b| b.inputs.supply = None, CHARGE),
        ("low supply", |b| b.inputs.supply = Some(Millivolts::from_millivolts(10_999)), CHARGE),
        ("high supply", |b| b.inputs.supply = Some(Millivolts::from_millivolts(15_001)), CHARGE),
        ("no source", |b| b.inputs.sources = Sources::NONE, CHARGE),
        ("unsteady source", |b| b.inputs.unsteady = Sources::NONE.with(1), CHARGE),
        ("nothing kept", |b| b.inputs.storage = Storage::Failing, CHARGE),
        (
            "clock",
            |b| {
                b.time.after(60_000);
            },
            NEITHER,
        ),
        (
            "stalled",
            |b| {
                b.time.after(1_000_u32.wrapping_neg());
            },
            NEITHER,
        ),
    ];
    for (what, break_it, left) in breaks {
        let mut bench = Guarded::soaked_at(10_000);
        break_it(&mut bench);
        assert_eq!(bench.second(), left, "{what}");
    }
}

/// Whatever the size of its steps: the noise is granted once.
#[test]
fn a_climb_that_no_cell_can_make_is_refused_by_the_guard_alone() {
    for (step_ms, rise_mk) in [(1_000, 240), (100, 240), (100, 25)] {
        let mut bench = Guarded::soaked_at(10_000);
        let risen = (0..40_000).step_by(rise_mk).find(|&risen| {
            bench.show(0, 10_000 + risen);
            bench.guard.judge(bench.time.after(step_ms), &bench.inputs, &EVERYTHING).charge == Relay::Open
        });
        // 250 mK and 50 mK a second, at the steepest slope of any platinum; at 3 K/min of 150 a twentieth of the way.
        assert!(risen.is_some_and(|risen| risen <= 600), "{rise_mk} mK each {step_ms} ms: {risen:?}");
    }
}

#[test]
fn with_a_check_resistor_outside_its_band_it_leaves_nothing() {
    let check = Role::Check(Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(500) });
    for (ppm, left) in [(4_990, BOTH), (-4_990, BOTH), (5_010, NEITHER), (-5_010, NEITHER)] {
        let mut settings = settings();
        settings.channels[3].role = check;
        let mut bench = Guarded::new(settings, Memory::default(), 10_000);
        bench.seconds(700);
        bench.inputs.channels[3] = skewed(bench.inputs.channels[3], ppm);
        assert_eq!(bench.second(), left, "{ppm} ppm");
    }
}

#[test]
fn it_enforces_the_faults_that_the_controller_reports() {
    let with = |fault| Outputs { faults: Faults::NONE.with_system(fault), ..EVERYTHING };
    let mut bench = Guarded::soaked_at(10_000);
    for (channel, left) in [(0, NEITHER), (2, CHARGE), (3, BOTH)] {
        let mut faults = Faults::NONE;
        faults.channels[channel] = Some(ChannelFault::Jumped);
        assert_eq!(bench.ask(&Outputs { faults, ..EVERYTHING }), left, "channel {channel}");
    }
    assert_eq!(bench.ask(&with(SystemFault::HeaterIneffective)), CHARGE);
    assert_eq!(bench.ask(&with(SystemFault::ChargeLineRefused)), HEAT);
    assert_eq!(bench.ask(&with(SystemFault::RestartStorm)), NEITHER);
    assert_eq!(bench.ask(&with(SystemFault::BankBelowReserve)), BOTH, "other sources may be spent");
}

#[test]
fn a_latched_heater_fault_outlives_the_reset_and_yields_to_the_button() {
    let memory = Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterWelded), ..Memory::default() };
    let mut bench = Guarded::new(settings(), memory, 10_000);
    assert_eq!(bench.seconds(700), CHARGE);
    bench.inputs.button = Button::Pressed;
    assert_eq!(bench.seconds(3), BOTH);
    bench.inputs.button = Button::Released;
    // The contact stays closed although the heater is off.
    bench.inputs.heater_feedback = Some(Relay::Closed);
    bench.ask(&Outputs { heater: Relay::Open, ..EVERYTHING });
    for _ in 0..6 {
        bench.ask(&Outputs { heater: Relay::Open, ..EVERYTHING });
    }
    bench.inputs.heater_feedback = Some(Relay::Open);
    assert_eq!(bench.second(), CHARGE);
    bench.restart();
    assert_eq!(bench.seconds(700), CHARGE, "what it found itself outlives a restart too");
}

#[test]
fn the_heater_rests_after_its_maximum_run() {
    let mut bench = Guarded::new(settings(), Memory::default(), 0);
    bench.second();
    assert_eq!(bench.seconds(6 * 3600 - 1), HEAT);
    assert_eq!(bench.second(), NEITHER);
    assert_eq!(bench.seconds(1799), NEITHER);
    assert_eq!(bench.second(), HEAT);
}

#[test]
fn only_a_pause_as_long_as_the_rest_ends_a_run() {
    for (pause, goes_on_for) in [(1_790, 2 * 3600), (1_800, 6 * 3600)] {
        let mut bench = Guarded::soaked_at(0);
        // Four hours of six.
        bench.seconds(4 * 3600 - 601);
        (0..pause / 10).for_each(|_| {
            bench.after(10_000, &NO_HEAT);
        });
        assert_eq!(bench.steps(10_000, Relay::Closed), goes_on_for / 10, "{pause} s");
    }
}

/// In steps of a quarter of a minute. A rest is kept in eighths of an hour, a run in eighths of six.
#[test]
fn a_restart_forgets_no_run_and_shortens_no_rest() {
    let mut bench = Guarded::new(settings(), Memory::default(), 0);
    assert_eq!(bench.steps(15_000, Relay::Closed), 6 * 240);
    (0..60).for_each(|_| {
        bench.after(15_000, &EVERYTHING);
    });
    bench.restart();
    assert_eq!(bench.steps(15_000, Relay::Open), 60, "half of the rest is left");

    let mut bench = Guarded::new(settings(), Memory::default(), 0);
    (0..5 * 240).for_each(|_| {
        bench.after(15_000, &EVERYTHING);
    });
    (0..40).for_each(|_| {
        bench.after(15_000, &NO_HEAT);
    });
    bench.restart();
    assert_eq!(bench.steps(15_000, Relay::Closed), 180, "of eight parts of six hours, seven have begun in five");
}

#[test]
fn it_keeps_the_quarters_of_the_soak_that_have_passed_to_the_second() {
    let mut bench = Guarded::new(settings(), Memory::default(), 10_000);
    let run = u32::from(settings().trust.good_run);
    bench.seconds(run - 1);
    for second in 1..=700_u32 {
        bench.second();
        let passed = u8::try_from((second / 150).min(4)).unwrap();
        assert_eq!(bench.guard.memory().soaked, passed, "{second} s");
        if second % 150 == 0 {
            let mut restarted = Guarded::new(settings(), bench.guard.memory(), 10_000);
            // A restart keeps three at most.
            let left = 600 - u32::from(passed.min(3)) * 150;
            assert_eq!(restarted.seconds(run - 2 + left), HEAT, "{second} s");
            assert_eq!(restarted.second(), BOTH, "{second} s");
        }
    }
}

#[test]
fn in_a_day_it_leaves_the_closings_of_the_settings_and_after_a_pause_one_more() {
    const DAY_AND_A_MINUTE: u32 = 4 * 60 * 24 + 4;
    let closings = |bench: &mut Guarded, steps| {
        let closes = |bench: &mut Guarded| {
            bench.after(15_000, &NO_HEAT);
            bench.after(15_000, &EVERYTHING).0 == Relay::Closed
        };
        (0..steps / 2).filter(|_| closes(bench)).count()
    };
    let mut bench = Guarded::new(settings(), Memory::default(), 0);
    assert_eq!(closings(&mut bench, DAY_AND_A_MINUTE), 60);
    (0..5 * DAY_AND_A_MINUTE).for_each(|_| {
        bench.after(15_000, &NO_HEAT);
    });
    assert_eq!(closings(&mut bench.clone(), DAY_AND_A_MINUTE), 61);
    // Time with the relay closed counts like any other: an hour of it pays for the closing before it.
    (0..4 * 60).for_each(|_| {
        bench.after(15_000, &EVERYTHING);
    });
    assert_eq!(closings(&mut bench, 80), 31);
}

#[test]
fn a_doubt_of_a_minute_leaves_the_soak_as_it_was_and_a_second_more_takes_it() {
    let run = u32::from(settings().trust.good_run);
    for (lasts, left) in [(60, BOTH), (61, HEAT)] {
        let mut bench = Guarded::soaked_at(10_000);
        bench.inputs.channels[1] = Sample::ConverterFault;
        bench.seconds(1 + lasts - (run - 1));
        bench.show(1, 10_000);
        assert_eq!(bench.seconds(run - 1), HEAT, "the run of good readings counts to the doubt");
        assert_eq!(bench.second(), left, "{lasts} s");
    }
}

#[test]
fn a_cold_reading_that_is_not_believed_ends_the_soak_however_brief() {
    for (t, soaks) in [(5_000, true), (5_010, false)] {
        let mut bench = Guarded::soaked_at(10_000);
        bench.show(0, t);
        assert_eq!(bench.second(), NEITHER, "too fast to be believed");
        bench.show(0, 10_000);
        assert_eq!(bench.seconds(3), if soaks { HEAT } else { BOTH }, "{t}");
    }
}

#[test]
fn after_a_step_of_a_clock_that_cannot_be_trusted_the_soak_begins_anew() {
    for wrong in [0, 15_001, 5_000_u32.wrapping_neg()] {
        let mut bench = Guarded::soaked_at(10_000);
        assert_eq!(bench.after(wrong, &EVERYTHING), NEITHER);
        assert_eq!(bench.seconds(599), HEAT, "{wrong}");
        assert_eq!(bench.second(), BOTH, "{wrong}");
    }
    let mut bench = Guarded::soaked_at(10_000);
    assert_eq!(bench.after(15_000, &EVERYTHING), BOTH, "the longest step");
}

#[test]
fn what_stands_still_in_all_channels_for_longer_than_the_controller_looks_away_leaves_nothing() {
    let mut settings = settings();
    settings.trust.still_after = Some(Millis::from_secs(600));
    let mut bench = Guarded::new(settings, Memory::default(), 10_000);
    for second in 0..700 {
        bench.show(3, 10_000 + second % 2);
        bench.second();
    }
    // A minute between two looks, and the longest step.
    assert_eq!(bench.seconds(675), BOTH);
    assert_eq!(bench.second(), NEITHER);
    bench.show(3, 10_010);
    assert_eq!(bench.second(), BOTH, "one of them is enough");
}

#[test]
fn only_a_jump_that_has_been_believed_here_is_accepted_because_the_controller_doubts_it() {
    let told = |fault| {
        let mut faults = Faults::NONE;
        faults.channels[0] = Some(fault);
        Outputs { faults, ..EVERYTHING }
    };
    let mut bench = Guarded::soaked_at(10_000);
    assert_eq!(bench.ask(&told(ChannelFault::Stuck)), NEITHER);
    bench.show(0, 12_000);
    assert_eq!(bench.second(), NEITHER, "what is doubted for another fault may not jump");

    let mut bench = Guarded::soaked_at(10_000);
    bench.show(0, 12_000);
    assert_eq!(bench.ask(&told(ChannelFault::TooFast)), NEITHER);
    assert_eq!(bench.second(), NEITHER, "it is still too fast");
}

#[test]
fn the_high_limit_takes_charge_and_nothing_else() {
    for (t, left) in [(44_990, Relay::Closed), (45_000, Relay::Open)] {
        let mut bench = Guarded::soaked_at(t);
        assert_eq!(bench.second().1, left, "{t}");
        (bench.settings.heater.cutout_cell, bench.settings.heater.cutout_pad) = (c(50_000), c(50_000));
        bench = Guarded::new(bench.settings, Memory::default(), t);
        assert_eq!(bench.seconds(602), (Relay::Closed, left), "{t}");
    }
}

#[test]
fn a_cell_whose_reading_is_old_may_be_colder_than_the_ceiling_asks() {
    let mut settings = settings();
    // 70 A from 11.25 °C on.
    settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(70_000));
    let mut bench = Guarded::new(settings, Memory::default(), 11_750);
    assert_eq!(bench.seconds(602), BOTH);
    bench.inputs.channels[1] = Sample::None;
    assert_eq!(bench.seconds(9), BOTH, "0.45 K");
    assert_eq!(bench.seconds(3), HEAT, "0.6 K");
}

#[test]
fn a_source_must_carry_the_heater_at_the_present_voltage() {
    let mut bench = Guarded::soaked_at(10_000);
    bench.inputs.sources = Sources::NONE.with(2);
    // 80 W, and the heater has 60 W at 12.8 V.
    for (millivolts, left) in [(14_780, BOTH), (14_785, CHARGE)] {
        bench.inputs.supply = Some(Millivolts::from_millivolts(millivolts));
        assert_eq!(bench.second(), left, "{millivolts} mV");
    }
}

#[test]
fn the_bank_pays_only_above_its_reserve_and_where_its_line_and_the_settings_let_it() {
    let floor = Fraction::from_per_mille(300);
    let reserve = Reserve::StateOfCharge { floor, resume: Fraction::from_per_mille(400) };
    let more = Fraction::from_steps(floor.as_steps() + 1);
    // Of the sources, none; one that gives too little; one that gives enough.
    let (none, little, enough) = (Sources::NONE, Sources::NONE.with(0), Sources::NONE.with(1));
    for (use_of_bank, sources, charge, line, left) in [
        (BankUse::Always(reserve), none, Some(more), Line::Allowed, BOTH),
        (BankUse::Always(reserve), none, Some(floor), Line::Allowed, CHARGE),
        (BankUse::Always(reserve), none, None, Line::Allowed, CHARGE),
        (BankUse::Always(reserve), none, Some(more), Line::Refused, CHARGE),
        (BankUse::Always(reserve), enough, Some(floor), Line::Refused, BOTH),
        (BankUse::WithSource(reserve), none, Some(more), Line::Allowed, CHARGE),
        (BankUse::WithSource(reserve), little, Some(more), Line::Allowed, BOTH),
        (BankUse::WithSource(reserve), little, Some(floor), Line::Allowed, CHARGE),
        (BankUse::WithSource(reserve), little, Some(more), Line::Refused, CHARGE),
        (BankUse::Never, little, Some(more), Line::Allowed, CHARGE),
    ] {
        let mut settings = settings();
        settings.bank = use_of_bank;
        settings.sources[0].budget = Milliwatts::from_milliwatts(30_000);
        let mut bench = Guarded::new(settings, Memory::default(), 10_000);
        bench.inputs.sources = sources;
        bench.inputs.state_of_charge = charge;
        bench.inputs.discharge_line = line;
        assert_eq!(bench.seconds(602), left, "{use_of_bank:?} {sources:?} {charge:?} {line:?}");
    }
}

#[test]
fn by_its_voltage_the_bank_pays_above_its_floor_less_the_sag_while_the_heater_is_on() {
    let volts = Millivolts::from_millivolts;
    let mut settings = settings();
    settings.bank = BankUse::Always(Reserve::Voltage { floor: volts(12_000), resume: volts(12_500), sag: volts(300) });
    let mut bench = Guarded::new(settings, Memory::default(), 10_000);
    bench.inputs.sources = Sources::NONE;
    bench.inputs.bank = Some(volts(12_000));
    assert_eq!(bench.seconds(602), CHARGE);
    for (millivolts, left) in [(12_001, BOTH), (11_701, BOTH), (11_700, CHARGE), (12_000, CHARGE)] {
        bench.inputs.bank = Some(volts(millivolts));
        assert_eq!(bench.second(), left, "{millivolts} mV");
    }
    bench.inputs.bank = None;
    assert_eq!(bench.second(), CHARGE);
}

/// By 3 K/min: 1 K in 20 s, neither less than in 19 s nor more than in 21 s.
#[test]
fn a_reading_that_is_not_renewed_drifts_towards_whichever_side_hurts() {
    for (cell, at) in [(0, 6_000), (0, 29_000)] {
        let mut bench = Guarded::soaked_at(at);
        bench.inputs.channels[cell] = Sample::None;
        assert_eq!(bench.seconds(19), BOTH, "from {at}");
        let left = bench.seconds(2);
        assert_eq!(left, if at < 20_000 { HEAT } else { CHARGE }, "from {at}");
    }
}

#[test]
fn after_a_jump_that_the_controller_doubts_the_way_back_is_no_jump_and_nothing_hot_latches() {
    let told = |fault| {
        let mut faults = Faults::NONE;
        faults.channels[0] = Some(fault);
        Outputs { faults, ..EVERYTHING }
    };
    for fault in [ChannelFault::TooFast, ChannelFault::Jumped] {
        let mut bench = Guarded::soaked_at(10_000);
        bench.show(0, 45_000);
        // By 3 K/min it may be there after 12 minutes.
        (0..1_000).for_each(|_| assert_eq!(bench.ask(&told(fault)), NEITHER));
        bench.show(0, 10_000);
        assert_eq!(bench.ask(&told(fault)), NEITHER);
        assert_eq!(bench.seconds(700), BOTH, "{fault:?}");
    }
}

#[test]
fn only_what_a_trusted_channel_shows_latches_the_heater_off() {
    let mut bench = Guarded::soaked_at(10_000);
    bench.show(2, 70_000);
    assert_eq!(bench.second(), CHARGE, "a spike cuts out");
    bench.show(2, 10_000);
    assert_eq!(bench.second(), BOTH);
    for pad in (10_000..40_000).step_by(500) {
        bench.show(2, pad);
        bench.second();
    }
    bench.inputs.channels[2] = Sample::None;
    assert_eq!(bench.seconds(25), CHARGE, "drift cuts out");
    bench.show(2, 40_000);
    assert_eq!(bench.second(), BOTH);
    for pad in (40_000..=60_000).chain((40_000..60_000).rev()).step_by(500) {
        bench.show(2, pad);
        bench.second();
    }
    assert_eq!(bench.seconds(100), CHARGE, "it really was that hot");
}

#[test]
fn over_temperature_latches_here_whoever_heated_unless_the_air_is_warm_too() {
    for (hot, heats_again) in [(&[0, 1, 2][..], false), (&[0, 1, 2, 3], true)] {
        let mut bench = Guarded::new(settings(), Memory::default(), 20_000);
        let nothing = Outputs { heater: Relay::Open, ..EVERYTHING };
        for t in (20_000..=41_000).chain((0..41_000).rev()).step_by(20) {
            for &channel in hot {
                bench.show(channel, t);
            }
            bench.ask(&nothing);
        }
        assert_eq!(bench.second().0 == Relay::Closed, heats_again, "{hot:?}");
    }
}

#[test]
fn a_hot_reading_that_is_not_believed_is_kept_until_it_is_old_itself() {
    let mut bench = Guarded::soaked_at(10_000);
    bench.inputs.channels[3] = Sample::None;
    assert_eq!(bench.seconds(25), BOTH);
    bench.show(3, 60_000);
    assert_eq!(bench.second(), CHARGE, "too fast for air, and hot");
    bench.inputs.channels[3] = Sample::None;
    assert_eq!(bench.seconds(30), CHARGE, "the last believed one is older than 30 s by now");
    assert_eq!(bench.second(), BOTH);
}

#[test]
fn a_doubt_of_long_ago_ages_no_good_channel() {
    let mut bench = Guarded::soaked_at(10_000);
    bench.show(0, 12_000);
    assert_eq!(bench.second(), NEITHER, "a jump");
    bench.show(0, 10_000);
    assert_eq!(bench.seconds(700), BOTH);
    bench.inputs.channels[0] = Sample::None;
    assert_eq!(bench.second(), BOTH, "the latest reading is a second old");
}

/// The count of milliseconds inside ends after 49.7 days, two minutes from here.
#[test]
fn a_channel_falls_silent_when_the_count_of_time_ends_as_at_any_other_time() {
    let mut bench = Guarded::soaked_at(25_000);
    let almost = u32::MAX - bench.time.0 - 120_000;
    bench.guard.judge(bench.time.after(almost), &bench.inputs, &EVERYTHING);
    bench.seconds(10);
    let max_age = bench.settings.trust.max_age.as_millis() / 1000;
    for silent_from in 0..240 {
        bench.show(0, 25_000 + i32::from(silent_from % 2 == 0));
        bench.second();
        let guard = bench.guard.clone();
        let sample = core::mem::take(&mut bench.inputs.channels[0]);
        let time = bench.time;
        let looks_broken = |bench: &mut Guarded, n| {
            bench.seconds(n);
            bench.guard.channels[0].is_broken()
        };
        assert!(!looks_broken(&mut bench, max_age), "{silent_from}: too early");
        assert!(looks_broken(&mut bench, 1), "{silent_from}: too late");
        (bench.guard, bench.inputs.channels[0], bench.time) = (guard, sample, time);
    }
}

#[test]
fn the_button_clears_only_what_it_is_held_for_and_not_since_a_reset() {
    let memory = Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterWelded), ..Memory::default() };
    let mut bench = Guarded::new(settings(), memory, 10_000);
    bench.inputs.button = Button::Pressed;
    assert_eq!(bench.seconds(700), CHARGE, "down since the reset");
    for _ in 0..3 {
        bench.inputs.button = Button::Released;
        assert_eq!(bench.second(), CHARGE);
        bench.inputs.button = Button::Pressed;
        assert_eq!(bench.seconds(2), CHARGE, "down for a second of two");
    }
    assert_eq!(bench.second(), BOTH);
}

/// Both are right about the same presses, or a fault that is cleared in one only would keep the heater off for ever.
#[test]
fn its_button_acts_when_the_controllers_does() {
    let mut noise = 1_u32;
    let hold = Millis::from_secs(2);
    let mut press = Press { hold, was_up: false, left: None };
    let mut button = crate::button::ResetButton::new(hold);
    let mut acted = 0;
    for look in 0..100_000 {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let state = if noise >> 29 == 0 { Button::Released } else { Button::Pressed };
        let credited = Millis::from_millis(noise >> 21 & 0x3FF);
        let acts = press.is_long(credited, state);
        assert_eq!(acts, button.acts(credited, state), "look {look}");
        acted += u32::from(acts);
    }
    assert!(acted > 1_000, "{acted}");
}

#[test]
fn a_lead_that_its_cable_cannot_have_takes_both_away_whatever_is_asked_for() {
    let mut settings = settings();
    let (least, most) = (Ohms::from_milliohms(1_600), Ohms::from_milliohms(2_400));
    settings.channels[0].leads = Leads::ThreeWire { least, most };
    for milliohms in [0, 1_599, 2_401, 50_000] {
        let mut bench = Guarded::new(settings.clone(), Memory::default(), 10_000);
        assert_eq!(bench.seconds(610), BOTH);
        let whole = bench.inputs.channels[0];
        bench.inputs.channels[0] =
            crate::testing::tapped(&settings.channels[0], whole, Ohms::from_milliohms(milliohms));
        assert_eq!(bench.second(), NEITHER, "{milliohms} mΩ, in the same step");
        bench.inputs.channels[0] = whole;
        assert_eq!(bench.seconds(10), BOTH, "brief: the run of good readings, and no soak");
    }
}

/// By its own judgement, whatever the controller makes of the channel.
#[cfg(feature = "leap")]
#[test]
fn it_leaves_out_no_step_unless_every_channel_has_just_shown_what_is_believed() {
    let mut bench = Guarded::soaked_at(10_000);
    let good = bench.inputs.channels[1];
    let mut quiet_after = |sample| {
        bench.inputs.channels[1] = sample;
        bench.ask(&NO_HEAT);
        bench.guard.quiet(Millis::from_secs(1), &bench.inputs, Millis::ZERO)
    };
    assert_ne!(quiet_after(good), 0);
    assert_eq!(quiet_after(Sample::None), 0, "it may have changed by now");
    assert_ne!(quiet_after(good), 0);
    assert_eq!(quiet_after(Sample::ConverterFault), 0);
    for reading in 1..settings().trust.good_run {
        assert_eq!(quiet_after(good), 0, "{reading}");
    }
    assert_ne!(quiet_after(good), 0);
}

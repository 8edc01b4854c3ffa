use super::*;
use crate::fault::Faults;
use crate::quantity::Ohms;
use crate::rtd::Leads;
use crate::settings::{Check, Settings};
use crate::signals::Sample;
use crate::testing::{EVERYTHING, Time, c, fine_inputs, sample, settings, skewed};

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
        let Verdict { heater, charge, .. } = self.guard.judge(self.time.after(1000), &self.inputs, asked);
        (heater, charge)
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

use super::*;
use crate::quantity::{Ohms, Ratio};
use crate::rtd::{Element, Leads, Measured};
use crate::testing::{c, sample, settings};

/// Sensing in an installation, stepped once a second.
struct Thermometers {
    settings: Settings,
    sensing: Sensing,
    samples: [Sample; MAX_CHANNELS],
}

const CELL: usize = 0;
const OTHER_CELL: usize = 1;
const PAD: usize = 2;
const AMBIENT: usize = 3;

impl Thermometers {
    fn new(settings: Settings) -> Self {
        let sensing = Sensing::new(&settings, 0);
        Self { settings, sensing, samples: [Sample::None; MAX_CHANNELS] }
    }

    /// Every channel good at `t`.
    fn good_at(t: i32) -> Self {
        let mut settings = settings();
        settings.trust.disagreement = Kelvins::from_millikelvins(10_000);
        Self::good(settings, t)
    }

    fn good(settings: Settings, t: i32) -> Self {
        let mut bench = Self::new(settings);
        (0..bench.settings.channels.len()).for_each(|channel| bench.show(channel, t));
        (0..bench.settings.trust.good_run).for_each(|_| {
            bench.second();
        });
        bench
    }

    fn show(&mut self, channel: usize, t: i32) {
        self.samples[channel] = sample(&self.settings.channels[channel], c(t));
    }

    fn show_steps(&mut self, channel: usize, steps: u32) {
        self.samples[channel] = Sample::Fresh(Measured::element(Ratio::from_steps(steps)));
    }

    fn second(&mut self) -> Picture {
        self.sensing.judge(Millis::from_secs(1), &self.samples)
    }

    fn seconds(&mut self, n: u32) -> Picture {
        (1..n).for_each(|_| {
            self.second();
        });
        self.second()
    }
}

/// Coldest and hottest of the cells in millidegrees, without what both are held to be off by.
fn cells(picture: &Picture) -> (i32, i32) {
    match picture.cells {
        Group::Good { coldest, hottest } => {
            (coldest.raised(ROUNDING).as_millidegrees(), hottest.lowered(ROUNDING).as_millidegrees())
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_channel_is_trusted_only_after_a_run_of_good_readings() {
    let mut bench = Thermometers::new(settings());
    (0..4).for_each(|channel| bench.show(channel, 10_000));
    assert_eq!([bench.second().cells, bench.second().cells], [Group::Starting; 2]);
    assert!(matches!(bench.second().cells, Group::Good { .. }));

    bench.samples[CELL] = Sample::ConverterFault;
    assert_eq!(bench.second().cells, Group::Doubtful(ChannelFault::Converter), "lost at once");
    bench.show(CELL, 10_000);
    assert_eq!([bench.second().cells, bench.second().cells], [Group::Doubtful(ChannelFault::Converter); 2]);
    bench.samples[CELL] = Sample::None;
    assert_eq!(bench.second().cells, Group::Doubtful(ChannelFault::Converter), "no reading is no good reading");
    bench.show(CELL, 10_000);
    assert!(matches!(bench.second().cells, Group::Good { .. }));
}

#[test]
fn each_way_of_breaking_has_its_name() {
    // 400 Ω reference: steps of 2^-30 of it. A Pt100 has 18.52 Ω at −200 °C and 390.48 Ω at +850 °C (IEC 60751).
    let steps = |ohms: f64| (ohms / 400.0 * f64::from(1 << 30)) as u32;
    for (shown, fault) in [
        (0, ChannelFault::Short),
        (steps(18.5), ChannelFault::Short),
        (steps(18.6), ChannelFault::OutOfRange),
        (steps(80.0), ChannelFault::OutOfRange),
        (steps(150.0), ChannelFault::OutOfRange),
        (steps(390.4), ChannelFault::OutOfRange),
        (steps(390.6), ChannelFault::Open),
        ((1 << 30) - 1, ChannelFault::Open),
        (u32::MAX, ChannelFault::Open),
    ] {
        let mut bench = Thermometers::good_at(10_000);
        bench.show_steps(PAD, shown);
        let picture = bench.second();
        assert_eq!(picture.pads, Group::Doubtful(fault), "{shown} steps");
        assert_eq!(picture.faults, [None, None, Some(fault), None, None, None]);
        assert!(matches!(picture.cells, Group::Good { .. }));
    }
}

/// The ratio that is this resistance to the last digit, in steps of it.
fn ratio(made: &settings::Channel, ohms: u32) -> Ratio {
    let ratio = (u64::from(ohms) << 30).div_ceil(u64::from(made.reference.as_steps()));
    let ratio = Ratio::from_steps(u32::try_from(ratio).unwrap());
    assert_eq!(ratio.of(made.reference), Some(Ohms::from_steps(ohms)));
    ratio
}

#[test]
fn only_beyond_what_platinum_has_is_a_channel_open_or_short() {
    let settings = settings();
    let made = &settings.channels[PAD];
    let channel = Channel::new(made, &settings);
    let read = |ohms: u32| channel.reading(Measured::element(ratio(made, ohms)), &settings.trust);
    for (t, beyond, fault) in [(-200_000, -1, ChannelFault::Short), (850_000, 1, ChannelFault::Open)] {
        let end = made.element.resistance(c(t)).unwrap().as_steps();
        assert_eq!(read(end), Err(ChannelFault::OutOfRange), "{t}");
        assert_eq!(read(end.checked_add_signed(beyond).unwrap()), Err(fault), "{t}");
    }
}

#[test]
fn a_temperature_may_be_from_the_lowest_to_the_highest_that_is_plausible() {
    let settings = settings();
    let channel = Channel::new(&settings.channels[PAD], &settings);
    let read = |t: Celsius| match sample(&settings.channels[PAD], t) {
        Sample::Fresh(measured) => channel.reading(measured, &settings.trust),
        other => panic!("{other:?}"),
    };
    let (low, high) = (settings.trust.plausible_low, settings.trust.plausible_high);
    assert_eq!([read(low), read(high)], [Ok(low), Ok(high)]);
    let digit = Kelvins::from_steps(1);
    assert_eq!([read(low.lowered(digit)), read(high.raised(digit))], [Err(ChannelFault::OutOfRange); 2]);
}

#[test]
fn a_check_resistor_and_a_lead_are_believed_from_the_least_to_the_most_that_they_may_have() {
    let mut settings = settings();
    let (least, most) = (Ohms::from_milliohms(99_500), Ohms::from_milliohms(100_500));
    let within = Ohms::from_milliohms(500);
    settings.channels[AMBIENT].role = Role::Check(settings::Check { nominal: Ohms::from_milliohms(100_000), within });
    let made = &settings.channels[AMBIENT];
    let check = Channel::new(made, &settings);
    let read = |ohms: u32| check.reading(Measured::element(ratio(made, ohms)), &settings.trust).err();
    assert_eq!([read(least.as_steps()), read(most.as_steps())], [None; 2]);
    assert_eq!([read(least.as_steps() - 1), read(most.as_steps() + 1)], [Some(ChannelFault::OutOfRange); 2]);

    let bench = three_wires();
    let made = &bench.settings.channels[CELL];
    let channel = Channel::new(made, &bench.settings);
    let element = made.element.resistance(c(5_000)).unwrap().as_steps();
    let read = |lead: Ratio| {
        let element = Ratio::from_steps(ratio(made, element).as_steps() + lead.as_steps());
        channel.reading(Measured { element, lead }, &bench.settings.trust).err()
    };
    let (least, most) = made.leads.band().unwrap();
    let rounds_to = |ohms: Ohms| {
        let middle = ratio(made, ohms.as_steps()).as_steps();
        let same =
            (middle - 100..middle + 100).filter(|&steps| Ratio::from_steps(steps).of(made.reference) == Some(ohms));
        (same.clone().min().unwrap(), same.max().unwrap())
    };
    let (first, last) = (rounds_to(least).0, rounds_to(most).1);
    assert_eq!([read(Ratio::from_steps(first)), read(Ratio::from_steps(last))], [None; 2]);
    let beyond = [first - 1, last + 1].map(|steps| read(Ratio::from_steps(steps)));
    assert_eq!(beyond, [Some(ChannelFault::Leads); 2]);
}

#[test]
fn no_age_is_lost_when_the_count_of_milliseconds_ends() {
    let late = || {
        let mut bench = Thermometers::good_at(10_000);
        let left = Millis::MAX.less(bench.sensing.now.since(Uptime::START)).less(Millis::from_secs(20));
        bench.sensing.judge(left, &bench.samples);
        bench
    };
    let mut silent = late();
    silent.samples[CELL] = Sample::None;
    assert_eq!(silent.seconds(30).faults[CELL], None);
    assert_eq!(silent.second().faults[CELL], Some(ChannelFault::Missing));
    let mut jumped = late();
    jumped.show(CELL, 40_000);
    assert_eq!(jumped.seconds(30).faults[CELL], Some(ChannelFault::TooFast));
    assert_eq!(jumped.second().faults[CELL], Some(ChannelFault::Jumped));
}

#[test]
fn a_channel_without_measurements_drifts_both_ways_and_then_is_missing() {
    let mut bench = Thermometers::good_at(10_000);
    bench.samples[CELL] = Sample::None;
    // 3 K/min: 50 mK a second.
    assert_eq!(cells(&bench.seconds(10)), (9_500, 10_500));
    assert!(matches!(bench.seconds(20).cells, Group::Good { .. }), "at the maximum age it still counts");
    assert_eq!(bench.second().cells, Group::Doubtful(ChannelFault::Missing));
    let mut bench = Thermometers::new(settings());
    assert_eq!(bench.seconds(30).cells, Group::Starting);
    assert_eq!(bench.second().cells, Group::Doubtful(ChannelFault::Missing), "also if it never was there");
}

#[test]
fn a_jump_that_another_channel_confirms_is_not_believed_until_it_may_be_true() {
    let mut bench = Thermometers::good_at(10_000);
    bench.show(CELL, 13_000);
    // 0.25 K of noise and 50 mK a second: 3 K are believable after 55 s.
    let doubtful = (0..1_000).take_while(|_| matches!(bench.second().cells, Group::Doubtful(_))).count();
    assert!((54..=58).contains(&doubtful), "{doubtful} s");
    assert_eq!(cells(&bench.second()).0, 10_000, "the other cell");
    bench.show(OTHER_CELL, 10_200);
    assert!(matches!(bench.second().cells, Group::Good { .. }), "noise is believed");
}

/// The longest steps that the settings allow are as far apart as the looks for stuck channels.
#[test]
fn a_jump_is_confirmed_by_another_channel_however_far_apart_the_steps_are() {
    for step in [1, 15, 30, 59, 60] {
        let mut bench = Thermometers::good_at(10_000);
        // More than 3 K a minute, and within half of the largest difference of what the other shows.
        bench.show(CELL, 14_900);
        let mut judge = || bench.sensing.judge(Millis::from_secs(step), &bench.samples).cells;
        assert_eq!(judge(), Group::Doubtful(ChannelFault::TooFast), "{step} s");
        assert!((0..300 / step).any(|_| matches!(judge(), Group::Good { .. })), "{step} s");
    }
}

/// Each takes its time, and no step may take both.
#[test]
fn the_step_that_looks_for_stuck_channels_accepts_no_jump() {
    for second in 1..=60 {
        let mut bench = Thermometers::good_at(10_000);
        bench.seconds(second);
        bench.show(CELL, 13_000);
        bench.second();
        let accepted = (0..120).any(|_| {
            let next_look = bench.sensing.stuck_check;
            bench.second();
            let is_accepted = bench.sensing.channels[CELL].jump.is_none();
            assert!(!is_accepted || bench.sensing.stuck_check == next_look, "{second} s");
            is_accepted
        });
        assert!(accepted, "{second} s");
    }
}

/// A lone channel, for there is none to confirm what it shows.
fn lone(t: i32) -> Thermometers {
    let mut settings = settings();
    settings.channels[OTHER_CELL].role = Role::Ambient;
    Thermometers::good(settings, t)
}

#[test]
fn a_jump_that_no_cell_can_make_is_never_believed_for_having_lasted() {
    for to in [12_000, -28_000, -6_000] {
        let mut bench = lone(-8_000);
        bench.show(CELL, to);
        assert_eq!(bench.second().cells, Group::Doubtful(ChannelFault::TooFast));
        assert_eq!(bench.sensing.jumped(), 0, "memory is not worn by a moment");
        assert_eq!(bench.seconds(3 * 24 * 3600).cells, Group::Doubtful(ChannelFault::Jumped), "{to}");
        // Nor after a restart, and whatever it says by then.
        let jumped = bench.sensing.jumped();
        assert_eq!(jumped, 1 << CELL);
        bench.sensing = Sensing::new(&bench.settings, jumped);
        assert_eq!(bench.seconds(3600).cells, Group::Doubtful(ChannelFault::Jumped));
        bench.show(CELL, -8_000);
        assert_eq!(bench.seconds(3600).cells, Group::Doubtful(ChannelFault::Jumped));
        bench.sensing.accept_jumps();
        assert!(matches!(bench.seconds(3).cells, Group::Good { .. }), "the button");
        assert_eq!(bench.sensing.jumped(), 0);
    }
}

#[test]
fn time_makes_half_of_a_jump_believable_and_no_digit_more() {
    for sign in [1, -1] {
        for (beyond, is_believed) in [(0, true), (1, false)] {
            let mut bench = lone(10_000);
            let show = |bench: &mut Thermometers, far: i32| {
                let t = Celsius::from_steps(c(10_000).as_steps() + sign * far);
                bench.samples[CELL] = sample(&bench.settings.channels[CELL], t);
                t
            };
            let jump = Kelvins::from_millikelvins(1_500);
            show(&mut bench, jump.as_steps());
            // Time enough for 1 K.
            bench.seconds(20);
            let most = bench.settings.trust.noise.plus(jump.half()).as_steps();
            let t = show(&mut bench, most + beyond);
            bench.second();
            assert_eq!(bench.sensing.channels[CELL].latest() == t, is_believed, "{sign} {beyond}");
        }
    }
}

#[test]
fn a_jump_that_lasts_outlives_a_restart_in_its_own_channel_alone() {
    let mut bench = Thermometers::good_at(10_000);
    bench.show(OTHER_CELL, 40_000);
    assert_eq!(bench.seconds(60).faults[OTHER_CELL], Some(ChannelFault::Jumped));
    assert_eq!(bench.sensing.jumped(), 1 << OTHER_CELL);
    bench.sensing = Sensing::new(&bench.settings, bench.sensing.jumped());
    assert_eq!(bench.seconds(10).faults[..2], [None, Some(ChannelFault::Jumped)]);
}

#[test]
fn a_jump_is_over_once_the_reading_has_jumped_back() {
    for lasts in [1, 20, 600, 7_200] {
        let mut bench = lone(-8_000);
        bench.show(CELL, 12_000);
        bench.seconds(lasts);
        // It has cooled a little meanwhile.
        bench.show(CELL, -8_000 - i32::try_from(lasts / 10).unwrap());
        bench.seconds(2);
        assert!(matches!(bench.second().cells, Group::Good { .. }), "after {lasts} s");
        assert_eq!(bench.sensing.jumped(), 0);
    }
}

/// A thermometer that has fallen off is in air, which gets as cold as the cells were and warm again.
#[test]
fn what_drifts_back_from_a_jump_has_not_come_back() {
    let mut bench = lone(-8_000);
    bench.show(CELL, 2_000);
    bench.seconds(60);
    for t in (-12_000..2_000).rev().chain(-12_000..12_000).step_by(20) {
        bench.show(CELL, t);
        assert!(matches!(bench.second().cells, Group::Doubtful(_)), "{t}");
    }
}

#[test]
fn a_wire_that_is_off_for_a_while_makes_no_jump_believable() {
    let mut bench = lone(-8_000);
    bench.show(CELL, 12_000);
    bench.seconds(60);
    bench.samples[CELL] = Sample::ConverterFault;
    bench.seconds(3_600);
    bench.show(CELL, 12_000);
    assert_eq!(bench.seconds(3_600).cells, Group::Doubtful(ChannelFault::Jumped));
}

#[test]
fn a_bank_that_is_warmer_after_a_long_time_without_power_has_not_jumped() {
    let mut bench = lone(-8_000);
    bench.sensing = Sensing::new(&bench.settings, bench.sensing.jumped());
    bench.show(CELL, 12_000);
    assert!(matches!(bench.seconds(3).cells, Group::Good { .. }));
}

/// 0.4 K out with 0.25 K of noise stated, as a coarse converter does: no fitter is called for that.
#[test]
fn a_reading_a_little_noisier_than_stated_is_a_doubt_and_no_jump() {
    let mut bench = lone(10_000);
    bench.show(CELL, 9_600);
    assert_eq!(bench.second().cells, Group::Doubtful(ChannelFault::TooFast));
    assert!(matches!(bench.seconds(8).cells, Group::Good { .. }), "0.05 K a second, so a few seconds later");
}

#[test]
fn as_fast_as_a_place_can_change_is_believed_and_a_digit_more_is_not() {
    for sign in [1, -1] {
        for (beyond, fault) in [(0, None), (1, Some(ChannelFault::TooFast))] {
            let mut bench = Thermometers::good_at(10_000);
            let trust = bench.settings.trust;
            let most = trust.noise.plus(trust.fastest_cell.over(Millis::from_secs(1))).as_steps();
            let t = Celsius::from_steps(c(10_000).as_steps() + sign * (most + beyond));
            bench.samples[CELL] = sample(&bench.settings.channels[CELL], t);
            let picture = bench.second();
            assert!(fault.is_some() || bench.sensing.channels[CELL].latest() == t, "it reads so to the last digit");
            assert_eq!(picture.faults[CELL], fault, "{sign}");
        }
    }
}

/// The noise is granted once, not anew in each step: otherwise ten small steps a second pass for anything.
#[test]
fn a_climb_in_small_steps_is_doubted_as_soon_as_a_single_one_would_be() {
    for (step_ms, rise_mk) in [(1_000, 240), (100, 240), (100, 20), (1_000, 60)] {
        for sign in [1, -1] {
            let mut bench = Thermometers::good_at(10_000);
            let (mut risen, mut passed) = (0, 0);
            while bench.sensing.judge(Millis::from_millis(step_ms), &bench.samples).faults[CELL].is_none() {
                // 250 mK of noise, 50 mK a second.
                assert!(risen <= 250 + passed * 50 / 1_000 + 2, "{risen} mK in {passed} ms");
                risen += rise_mk;
                passed += i32::try_from(step_ms).unwrap();
                bench.show(CELL, 10_000 + sign * risen);
                bench.show(OTHER_CELL, 10_000 + sign * risen);
            }
            assert!(risen > 250 + passed * 50 / 1_000 - 2, "{risen} mK in {passed} ms are believable");
        }
    }
}

proptest::proptest! {
    /// Every pair of readings, not only neighbours.
    #[test]
    fn no_two_readings_of_a_good_run_lie_further_apart_than_the_time_between_them_allows(
        steps in proptest::collection::vec((100..3_000_u32, -300..301_i32), 1..80),
    ) {
        let mut bench = Thermometers::good_at(10_000);
        let (mut now, mut t) = (0_u32, 10_000_i32);
        let mut run = std::vec![(now, t)];
        for (step_ms, change) in steps {
            now += step_ms;
            t += change;
            bench.show(CELL, t);
            if bench.sensing.judge(Millis::from_millis(step_ms), &bench.samples).faults[CELL] == Some(ChannelFault::TooFast) {
                break;
            }
            for &(then, earlier) in &run {
                let allowed = 250.0 + f64::from(now - then) * 0.05 + 2.0;
                proptest::prop_assert!(f64::from((t - earlier).abs()) <= allowed, "{} mK in {} ms", t - earlier, now - then);
            }
            run.push((now, t));
        }
    }
}

#[test]
fn only_a_good_thermometer_has_a_reading() {
    let mut settings = settings();
    let check = settings::Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(500) };
    settings.channels[AMBIENT].role = Role::Check(check);
    let mut bench = Thermometers::new(settings);
    (0..4).for_each(|channel| bench.show(channel, 10_000));
    let shown = |bench: &Thermometers| {
        let ranges = bench.sensing.ranges().map(|range| range.is_some());
        assert_eq!(bench.sensing.readings().map(|reading| reading.is_some()), ranges);
        ranges
    };
    bench.second();
    assert_eq!(shown(&bench), [false; 6], "not yet trusted");
    bench.seconds(5);
    bench.samples[CELL] = Sample::ConverterFault;
    bench.second();
    assert_eq!(shown(&bench), [false, true, true, false, false, false], "one doubtful, one of no temperature");
    let (low, high) = bench.sensing.ranges()[PAD].unwrap();
    assert_eq!((low, high), (c(10_000), c(10_000)));
}

#[test]
fn a_reading_spans_latest_and_median_so_an_outlier_only_takes() {
    let mut bench = Thermometers::good_at(10_000);
    bench.show(CELL, 10_200);
    assert_eq!(cells(&bench.second()), (10_000, 10_200));
    bench.show(CELL, 9_900);
    assert_eq!(cells(&bench.second()).0, 9_900);
    assert_eq!(bench.sensing.readings()[CELL].unwrap().as_millidegrees(), 10_000, "the median");
}

#[test]
fn the_coldest_cell_is_the_coldest_of_all_and_the_hottest_the_hottest() {
    let mut bench = Thermometers::good_at(10_000);
    bench.show(CELL, 9_900);
    bench.show(OTHER_CELL, 10_150);
    bench.show(PAD, 10_500);
    let picture = bench.seconds(4);
    assert_eq!(cells(&picture), (9_900, 10_150));
    assert_eq!(picture.above_cutout.as_millikelvins(), 10_150 - 30_000 + 1, "the cell is nearest to its cut-out");
}

#[test]
fn cells_that_disagree_are_all_doubtful() {
    let mut bench = Thermometers::good_at(10_000);
    for step in 1..=50 {
        bench.show(CELL, 10_000 + step * 200);
        bench.seconds(10);
    }
    assert!(matches!(bench.second().cells, Group::Good { .. }), "10 K apart is the limit");
    bench.show(CELL, 20_010);
    let picture = bench.second();
    assert_eq!(picture.faults[..2], [Some(ChannelFault::Disagreement); 2]);
    assert_eq!(picture.cells, Group::Doubtful(ChannelFault::Disagreement));
    bench.show(CELL, 20_000);
    bench.seconds(2);
    assert!(matches!(bench.second().cells, Group::Good { .. }));
}

#[test]
fn a_channel_is_stuck_only_while_another_moves() {
    let mut bench = Thermometers::good_at(10_000);
    let four_hours = 4 * 3600;
    assert_eq!(bench.seconds(2 * four_hours).faults, [None; 6], "all is calm");
    let wander = |bench: &mut Thermometers, seconds: u32| {
        for second in 0..seconds {
            // The air moves by 5.4 K and back in half an hour; the plate and one cell have a little noise.
            bench.show(AMBIENT, 4_000 + (i32::try_from(second % 1800).unwrap() - 900).abs() * 6);
            bench.show(PAD, 10_000 + i32::try_from(second % 7).unwrap());
            bench.show(OTHER_CELL, 10_000 + i32::try_from(second % 5).unwrap());
            bench.second();
        }
        bench.second().faults
    };
    wander(&mut bench, 900);
    let faults = wander(&mut bench, 3600);
    assert_eq!(faults, [Some(ChannelFault::Stuck), None, None, None, None, None]);
    bench.show(CELL, 10_001);
    bench.second();
    bench.show(CELL, 10_000);
    bench.second();
    bench.show(CELL, 10_001);
    assert_eq!(bench.second().faults, [None; 6], "it moves again, and a run of readings is good");
}

#[test]
fn a_channel_is_stuck_in_the_look_at_which_it_has_stood_still_for_its_time() {
    let mut bench = Thermometers::good_at(10_000);
    let mut passed = 0_i32;
    let mut second = |bench: &mut Thermometers| {
        bench.show(AMBIENT, 2_800 + (passed % 1800 - 900).abs() * 8);
        bench.show(PAD, 10_000 + passed % 7);
        bench.show(OTHER_CELL, 10_000 + passed % 5);
        passed += 1;
        bench.second().faults[CELL]
    };
    // It last moves in a step that looks.
    while bench.sensing.now.plus(Millis::from_secs(1)) < bench.sensing.stuck_check {
        second(&mut bench);
    }
    bench.show(CELL, 10_001);
    second(&mut bench);
    let four_hours = 4 * 3600;
    let first = (1..2 * four_hours).find(|_| second(&mut bench) == Some(ChannelFault::Stuck));
    assert_eq!(first, Some(four_hours));
}

/// Something that has just been measured for the first time, or a check resistor whose converter drifts.
#[test]
fn what_moves_no_thermometer_is_no_evidence_against_one_that_stands_still() {
    let mut late = Thermometers::new(settings());
    (0..3).for_each(|channel| late.show(channel, 10_000));
    late.seconds(300);
    late.show(AMBIENT, 20_000);
    assert_eq!(late.seconds(5 * 3600).faults, [None; 6], "turned up late");

    let mut settings = settings();
    let within = Ohms::from_milliohms(2_000);
    settings.channels[AMBIENT].role = Role::Check(settings::Check { nominal: Ohms::from_milliohms(100_000), within });
    let mut checked = Thermometers::good(settings, 10_000);
    for second in 0..5 * 3600 {
        let drifted = Ohms::from_milliohms(98_000 + (second % 4_000));
        checked.samples[AMBIENT] = crate::testing::shown(&checked.settings.channels[AMBIENT], drifted);
        assert_eq!(checked.second().faults, [None; 6], "{second} s");
    }
}

/// A converter that repeats its last codes for ever shows no movement to compare with.
#[test]
fn channels_that_all_stand_still_are_all_stuck_until_each_has_moved() {
    let mut settings = settings();
    settings.trust.still_after = Some(Millis::from_secs(600));
    let mut bench = Thermometers::good(settings, 10_000);
    // One that moves by a digit is enough for all.
    for second in 0..3_600 {
        bench.show(AMBIENT, 10_000 + second % 2);
        assert_eq!(bench.second().faults, [None; 6], "{second} s");
    }
    assert_eq!(bench.seconds(590).faults, [None; 6], "not for long yet");
    let faults = bench.seconds(75).faults;
    assert_eq!(faults[..4], [Some(ChannelFault::Stuck); 4]);
    bench.show(CELL, 10_001);
    assert_eq!(
        bench.seconds(10).faults[..2],
        [None, Some(ChannelFault::Stuck)],
        "a digit, and the run of good readings"
    );
    for channel in [OTHER_CELL, PAD, AMBIENT] {
        bench.show(channel, 10_002);
    }
    assert_eq!(bench.seconds(10).faults, [None; 6]);
    bench.samples[CELL] = Sample::ConverterFault;
    let faults = bench.seconds(700).faults;
    assert_eq!(
        faults[..2],
        [Some(ChannelFault::Converter), Some(ChannelFault::Stuck)],
        "one that is broken moves none"
    );
}

/// The count of milliseconds inside ends after 49.7 days: once not yet, once in the calm, once in the move.
#[test]
fn a_move_that_began_before_a_channel_stood_still_is_no_evidence_against_it() {
    for calm in [4 * 3_600_000, u32::MAX, u32::MAX - 600_000] {
        let mut bench = Thermometers::good_at(10_000);
        bench.seconds(120);
        bench.show(CELL, 10_001);
        bench.second();
        bench.sensing.judge(Millis::from_millis(calm), &bench.samples);
        let mut rise = |from: i32| {
            let step = |second: i32| {
                bench.show(AMBIENT, from + second * 6);
                bench.show(PAD, 10_000 + second % 7);
                bench.show(OTHER_CELL, 10_000 + second % 5);
                bench.second().faults[CELL]
            };
            (0..1_200).map(step).find_map(|fault| fault)
        };
        assert_eq!(rise(10_000), None, "{calm}: began with the reset");
        assert_eq!(rise(17_200), Some(ChannelFault::Stuck), "{calm}: began after it");
    }
}

#[test]
fn a_hot_reading_cuts_out_even_where_it_is_not_believed() {
    let mut bench = Thermometers::good_at(10_000);
    bench.show(AMBIENT, 31_000);
    let picture = bench.second();
    assert_eq!(picture.faults[AMBIENT], Some(ChannelFault::TooFast));
    assert_eq!(picture.above_cutout.as_millikelvins(), 1_000 + 1);
}

/// 10 m of 0.5 mm² there and back have 0.78 Ω at 20 °C, which an uncorrected Pt100 at 5 °C reads as 2.0 K too warm (1.999297 K).
/// Source: `rtd_wiring_checks.md`, computed from IEC 60751 and IEC 60228.
#[test]
fn two_wire_leads_that_are_stated_do_not_read_warm() {
    let read = |stated: Leads| {
        let mut settings = settings();
        let truth = settings::Channel {
            leads: Leads::TwoWire { loop_at_20c: Ohms::from_micro_ohms(780_000), at: c(20_000) },
            ..settings.channels[CELL]
        };
        settings.channels.iter_mut().for_each(|channel| channel.leads = stated);
        let mut bench = Thermometers::new(settings);
        bench.samples = [sample(&truth, c(5_000)); MAX_CHANNELS];
        cells(&bench.seconds(5)).0
    };
    assert_eq!(read(Leads::TwoWire { loop_at_20c: Ohms::from_micro_ohms(780_000), at: c(20_000) }), 5_000);
    assert_eq!(read(Leads::TwoWire { loop_at_20c: Ohms::ZERO, at: c(20_000) }), 6_999);
    // Believing the leads warmer than they are takes away too much: cold, the safe way.
    assert!(read(Leads::TwoWire { loop_at_20c: Ohms::from_micro_ohms(780_000), at: c(40_000) }) < 5_000);
}

/// Three wires with leads that differ by 5 %: the compensation leaves 0.0195 Ω, 0.049968 K at 5 °C.
/// Source: `rtd_wiring_checks.md`.
#[test]
fn the_third_wire_takes_its_lead_away() {
    let element = Element::pt100().resistance(c(5_000)).unwrap();
    let ratio = |ohms: Ohms| {
        Ratio::from_steps(
            u32::try_from((u64::from(ohms.as_steps()) << 30) / u64::from(Ohms::from_milliohms(400_000).as_steps()))
                .unwrap(),
        )
    };
    let read = |in_series: u64, alone: u64| {
        let mut bench = Thermometers::new(settings());
        let element = ratio(element.plus(Ohms::from_micro_ohms(in_series)));
        bench.samples = [Sample::Fresh(Measured { element, lead: ratio(Ohms::from_micro_ohms(alone)) }); MAX_CHANNELS];
        cells(&bench.seconds(5)).0
    };
    assert_eq!(read(390_000, 390_000), 5_000);
    assert_eq!(read(390_000, 370_500), 5_050);
}

proptest::proptest! {
    #[test]
    fn the_ends_of_a_reading_are_the_latest_and_the_median(latest: i32, a: i32, b: i32) {
        let mut channel = Channel::new(&settings().channels[CELL], &settings());
        channel.believed = [latest, a, b].map(Celsius::from_steps);
        let (low, high) = channel.range(channel.believed_at);
        proptest::prop_assert_eq!(low, channel.latest().min(channel.median()));
        proptest::prop_assert_eq!(high, channel.latest().max(channel.median()));
    }
}

#[test]
fn an_old_reading_disagrees_with_nobody_least_of_all_with_itself() {
    let mut bench = Thermometers::good_at(10_000);
    // The plate is measured every ten seconds, its drift of 1 K/s spans 20 K by then.
    for second in 1..100 {
        let fresh = bench.samples[CELL];
        bench.samples[PAD] = if second % 10 == 0 { fresh } else { Sample::None };
        assert_eq!(bench.second().faults, [None; 6], "{second} s");
    }
}

#[test]
fn a_channel_that_is_broken_is_not_stuck_as_well() {
    let mut bench = Thermometers::good_at(10_000);
    bench.samples[CELL] = Sample::ConverterFault;
    for second in 0..6 * 3600_i32 {
        bench.show(AMBIENT, 4_000 + (second % 1800 - 900).abs() * 6);
        bench.show(PAD, 10_000 + second % 7);
        bench.show(OTHER_CELL, 10_000 + second % 5);
        assert_eq!(bench.second().faults[CELL], Some(ChannelFault::Converter), "{second} s");
    }
}

#[test]
fn channels_that_are_measured_by_turns_still_disagree() {
    let mut bench = Thermometers::good_at(10_000);
    let found = (0..2_000_i32).any(|second| {
        bench.samples[CELL] = Sample::None;
        bench.samples[OTHER_CELL] = Sample::None;
        match second % 10 {
            0 => bench.show(CELL, 10_000),
            5 => bench.show(OTHER_CELL, 10_000 + second * 10),
            _ => {}
        }
        let picture = bench.second();
        let apart = second * 10;
        let disagree = picture.faults[..2] == [Some(ChannelFault::Disagreement); 2];
        assert!(!disagree || apart > 10_000, "{apart} mK");
        // 250 mK of drift in the five seconds between them.
        assert!(disagree || apart < 10_500, "{apart} mK");
        disagree
    });
    assert!(found);
}

#[test]
fn a_hot_reading_that_is_not_believed_stays_in_mind_until_it_is_old() {
    let mut bench = Thermometers::good_at(10_000);
    bench.show(AMBIENT, 60_000);
    bench.seconds(25);
    bench.samples[AMBIENT] = Sample::None;
    assert!(bench.seconds(30).above_cutout > Kelvins::ZERO, "30 s is the maximum age");
    let picture = bench.second();
    assert_eq!(picture.faults[AMBIENT], Some(ChannelFault::Missing));
    assert!(picture.above_cutout < Kelvins::ZERO);
}

#[test]
fn what_is_not_believed_ages_like_any_other_reading() {
    let mut bench = Thermometers::good_at(20_000);
    bench.show(CELL, 6_000);
    let shown = bench.second().coldest_shown;
    bench.samples[CELL] = Sample::None;
    let aged = bench.seconds(20).coldest_shown;
    // 3 K/min for 20 s.
    assert!((999..=1_001).contains(&shown.above(aged).as_millikelvins()), "{shown} and then {aged}");
}

#[test]
fn a_channel_that_comes_back_shows_what_it_reads_before_it_is_believed() {
    let mut bench = Thermometers::good_at(10_000);
    bench.samples[CELL] = Sample::ConverterFault;
    assert!(bench.second().coldest_shown > c(9_900));
    bench.show(CELL, 9_900);
    let picture = bench.second();
    assert_eq!(picture.faults[CELL], Some(ChannelFault::Converter));
    assert!(picture.coldest_shown <= c(9_900), "{}", picture.coldest_shown);
}

/// A code that is repeated has not moved, whether it was believed at first or only when time had made it believable.
#[test]
fn what_a_converter_repeats_is_nothing_new_for_being_believed_at_last() {
    let mut settings = settings();
    settings.trust.still_after = Some(Millis::from_secs(300));
    settings.trust.disagreement = Kelvins::from_millikelvins(10_000);
    let mut bench = Thermometers::good(settings, 20_000);
    // Too fast for air, and believable after 100 s; in air no jump is kept in mind.
    bench.show(AMBIENT, 70_000);
    let first = (1..=500).find(|_| bench.second().faults[CELL] == Some(ChannelFault::Stuck));
    assert!(bench.sensing.channels[AMBIENT].believed_at > Uptime::START.plus(Millis::from_secs(90)));
    assert!(first.is_some_and(|second| second <= 361), "{first:?}");
}

#[test]
fn a_channel_that_is_stuck_in_the_heat_cuts_the_heater_out_for_as_long_as_it_shows_it() {
    let mut settings = settings();
    settings.trust.still_after = Some(Millis::from_secs(300));
    let mut bench = Thermometers::good(settings, 31_000);
    bench.seconds(400);
    let picture = bench.second();
    assert_eq!(picture.faults[AMBIENT], Some(ChannelFault::Stuck));
    assert!(picture.above_cutout >= Kelvins::ZERO, "{}", picture.above_cutout);
}

/// A channel on three wires whose lead has from 1.6 to 2.4 Ω, good at 5 °C.
fn three_wires() -> Thermometers {
    let mut settings = settings();
    let (least, most) = (Ohms::from_milliohms(1_600), Ohms::from_milliohms(2_400));
    settings.channels[CELL].leads = Leads::ThreeWire { least, most };
    Thermometers::good(settings, 5_000)
}

fn tap(bench: &mut Thermometers, milliohms: u32) {
    let channel = bench.settings.channels[CELL];
    bench.samples[CELL] = crate::testing::tapped(&channel, sample(&channel, c(5_000)), Ohms::from_milliohms(milliohms));
}

#[test]
fn a_lead_tap_that_reads_what_no_lead_has_is_named_in_the_same_step_and_never_believed() {
    // Zero: 2 Ω of lead would count as 5 K. In small steps, which are no jump: nothing else would find it.
    let mut bench = three_wires();
    for milliohms in (1_600..=2_000).rev().step_by(10) {
        tap(&mut bench, milliohms);
        assert_eq!(bench.second().faults[CELL], None, "{milliohms} mΩ is what the cable may have");
    }
    for milliohms in (0..1_600).rev().step_by(10) {
        tap(&mut bench, milliohms);
        let picture = bench.second();
        assert_eq!(
            (picture.faults[CELL], picture.cells),
            (Some(ChannelFault::Leads), Group::Doubtful(ChannelFault::Leads))
        );
    }
    for milliohms in [0, 2_401, 5_000, 40_000, 90_000, 120_000] {
        let mut bench = three_wires();
        tap(&mut bench, milliohms);
        assert_eq!(bench.second().faults[CELL], Some(ChannelFault::Leads), "{milliohms} mΩ, the same step");
        tap(&mut bench, 2_000);
        bench.seconds(10);
        assert_eq!(bench.second().faults[CELL], None, "a run of good readings clears it");
    }
}

#[test]
fn what_is_open_or_short_by_itself_keeps_its_name_whatever_the_lead_reads() {
    for (steps, fault) in [(0, ChannelFault::Short), (u32::MAX, ChannelFault::Open)] {
        let mut bench = three_wires();
        bench.show_steps(CELL, steps);
        assert_eq!(bench.second().faults[CELL], Some(fault));
    }
}

/// It may be of any resistance: what platinum has says nothing of it.
#[test]
fn a_check_resistor_whose_lead_does_not_fit_is_neither_open_nor_short() {
    let check = settings::Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(500) };
    for (role, fault) in [(Role::Cell, ChannelFault::Open), (Role::Check(check), ChannelFault::Leads)] {
        let bench = three_wires();
        let made = settings::Channel { role, ..bench.settings.channels[CELL] };
        let channel = Channel::new(&made, &bench.settings);
        let shown = Measured { element: ratio(&made, Ohms::from_milliohms(395_000).as_steps()), lead: Ratio::ZERO };
        assert_eq!(channel.reading(shown, &bench.settings.trust), Err(fault));
    }
}

#[test]
fn a_check_resistor_is_waited_for_and_a_role_that_nobody_has_is_not() {
    let mut settings = settings();
    let within = Ohms::from_milliohms(500);
    settings.channels[AMBIENT].role = Role::Check(settings::Check { nominal: Ohms::from_milliohms(100_000), within });
    settings.channels[PAD].role = Role::Cell;
    let run = usize::from(settings.trust.good_run);
    let mut bench = Thermometers::new(settings);
    for channel in [CELL, OTHER_CELL, PAD] {
        bench.show(channel, 10_000);
    }
    let picture = bench.seconds(20);
    assert!(matches!(picture.cells, Group::Good { .. }));
    assert_eq!((picture.checks, picture.pads), (Group::Starting, Group::Absent));
    bench.show_steps(
        AMBIENT,
        ratio(&bench.settings.channels[AMBIENT], Ohms::from_milliohms(100_000).as_steps()).as_steps(),
    );
    assert!((1..run).all(|_| bench.second().checks == Group::Starting));
    assert_ne!(bench.second().checks, Group::Starting);
}

#[cfg(feature = "leap")]
#[test]
fn only_where_no_channel_can_move_far_does_a_quiet_time_go_over_looks_for_what_is_stuck() {
    use crate::leap::{Course, steps_before};
    use crate::quantity::KelvinRate;
    const SECOND: Millis = Millis::from_secs(1);
    let t = c(1_000);
    let stays = Course { low: t, high: t, jitter: Kelvins::ZERO, pace: KelvinRate::from_millikelvins_per_minute(0) };
    let quiet = |bench: &Thermometers| bench.sensing.quiet(SECOND, &[stays; MAX_CHANNELS], Millis::ZERO).steps;
    let to_look =
        |bench: &Thermometers| steps_before(Millis::ZERO, bench.sensing.stuck_check.since(bench.sensing.now), SECOND);
    let bench = Thermometers::good_at(1_000);
    assert!(quiet(&bench) > to_look(&bench));
    // One that was not there at the last look has not been placed yet.
    let mut bench = Thermometers::new(settings());
    for channel in [OTHER_CELL, PAD, AMBIENT] {
        bench.show(channel, 1_000);
    }
    bench.second();
    bench.show(CELL, 1_000);
    bench.seconds(10);
    assert_eq!(quiet(&bench), to_look(&bench));
}

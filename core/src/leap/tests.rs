use super::*;
use crate::fault::SystemFaults;
use crate::quantity::{Fraction, Instant, Milliamps, Ohms, Ratio};
use crate::rtd::{Measured, Thermometer};
use crate::settings::{CeilingPoint, Channel, ChargeCurrent, MAX_CHANNELS, Role, Settings};
use crate::signals::{Inputs, Outputs, Sample};
use crate::testing::{History, Moment, any_history, any_settings, c, case, fine_inputs, settings};
use crate::{Memory, Unit};
use proptest::prelude::*;
use std::format;
use std::string::String;
use std::vec::Vec;

/// Numbers that look random: the mixing function of splitmix64 (Steele, Lea & Flood, OOPSLA 2014).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }
}

/// The history with long stretches put in: what was there last stays, and the readings drift and tremble, or stand
/// still.
fn lengthened(settings: &Settings, history: &History, dice: &mut Dice) -> Vec<Moment> {
    let (mut moments, mut late) = (Vec::new(), 0_u32);
    let mut fresh = [Sample::None; MAX_CHANNELS];
    let mut before: Option<Instant> = None;
    for moment in history.moments(settings) {
        let step = before.map_or(1_000, |before| moment.now.since(before).as_millis());
        before = Some(moment.now);
        moments.push(Moment { now: Instant::from_millis(moment.now.as_millis().wrapping_add(late)), ..moment });
        for (fresh, sample) in fresh.iter_mut().zip(moment.inputs.channels) {
            if let Sample::Fresh(_) = sample {
                *fresh = sample;
            }
        }
        if dice.below(60) != 0 || !(1..=15_000).contains(&step) {
            continue;
        }
        // In whole digits of a converter, so that each is another temperature.
        let digits = 256 << dice.below(4);
        let trembles = [0, 0, 1, 3, 60][usize::try_from(dice.below(5)).unwrap()];
        // Up to 0.1 K a step.
        let drifts = [(); MAX_CHANNELS].map(|()| i64::try_from(dice.below(800) * dice.below(2)).unwrap() - 200);
        let most = 32 << dice.below(8);
        for number in 0..i64::try_from(20 + dice.below(most)).unwrap() {
            let channels = fresh.iter().zip(drifts).map(|(sample, drift)| match sample {
                Sample::Fresh(measured) => {
                    let noise = i64::try_from(dice.below(2 * trembles + 1)).unwrap();
                    let moved = (drift * number / 256 + noise) * digits;
                    let element = i64::from(measured.element.as_steps()) + moved;
                    let element = Ratio::from_steps(u32::try_from(element).unwrap_or(0));
                    Sample::Fresh(Measured { element, ..*measured })
                }
                _ => Sample::None,
            });
            let mut inputs = moment.inputs;
            inputs.channels.iter_mut().zip(channels).for_each(|(slot, sample)| *slot = sample);
            late = late.wrapping_add(step);
            let now = Instant::from_millis(moment.now.as_millis().wrapping_add(late));
            moments.push(Moment { now, inputs, restart: false });
        }
    }
    moments
}

fn ohms(channel: &Channel, sample: Sample) -> Option<Ohms> {
    let Sample::Fresh(Measured { element, lead }) = sample else { return None };
    element.less(lead)?.of(channel.reference)?.less(channel.leads.known())
}

fn reading(channel: &Channel, sample: Sample) -> Option<Celsius> {
    let ohms = ohms(channel, sample)?;
    Some(Thermometer::new(channel.element).celsius(ohms).ok()?.raised(channel.offset))
}

/// For each moment, how many follow in steps of equal length, with nothing but readings that change.
fn alike(settings: &Settings, moments: &[Moment]) -> Vec<usize> {
    let step = |pair: &[Moment]| pair[1].now.since(pair[0].now);
    let mut ahead = std::vec![0; moments.len()];
    for (at, pair) in moments.windows(2).enumerate().rev() {
        if follows(settings, &pair[0], &pair[1]) {
            let goes_on = moments.get(at + 1..at + 3).is_some_and(|next| step(next) == step(pair));
            ahead[at] = 1 + if goes_on { ahead[at + 1] } else { 0 };
        }
    }
    ahead
}

fn follows(settings: &Settings, before: &Moment, after: &Moment) -> bool {
    let (then, now) = (&before.inputs, &after.inputs);
    let mut channels = settings.channels.iter().zip(then.channels.iter().zip(now.channels));
    let all_show = channels.all(|(channel, (&then, now))| {
        let has_the_same_lead = match (then, now) {
            (Sample::Fresh(then), Sample::Fresh(now)) => then.lead == now.lead,
            _ => false,
        };
        has_the_same_lead
            && match channel.role {
                Role::Check(check) => {
                    let (least, most) = check.band();
                    ohms(channel, now).is_some_and(|ohms| least <= ohms && ohms <= most)
                }
                _ => reading(channel, now).is_some(),
            }
    });
    !after.restart && all_show && Inputs { channels: then.channels, ..*now } == *then
}

/// The tightest course that these readings keep to, for a pace of half the fastest.
fn course(settings: &Settings, index: usize, moments: &[Moment], step: Millis) -> Course {
    let channel = &settings.channels[index];
    let pace =
        KelvinRate::from_millikelvins_per_minute(settings.trust.fastest(channel.role).as_millikelvins_per_minute() / 2);
    let a_step = i64::from(pace.over(step).as_steps()) - 1;
    let (mut low, mut high, mut jitter) = (Celsius::MAX, Celsius::MIN, 0_i64);
    let (mut rising, mut falling) = (i64::MAX, i64::MIN);
    for (number, moment) in (0_i64..).zip(moments) {
        let Some(t) = reading(channel, moment.inputs.channels[index]) else { continue };
        (low, high) = (low.min(t), high.max(t));
        let steps = i64::from(t.as_steps());
        rising = rising.min(steps - a_step * number);
        falling = falling.max(steps + a_step * number);
        jitter = jitter.max(steps - a_step * number - rising).max(falling - steps - a_step * number);
    }
    Course { low, high, jitter: Kelvins::from_steps(i32::try_from(jitter).unwrap_or(i32::MAX)), pace }
}

fn courses(settings: &Settings, moments: &[Moment], step: Millis) -> [Course; MAX_CHANNELS] {
    let nowhere = Course { low: c(0), high: c(0), jitter: Kelvins::ZERO, pace: settings.trust.fastest_cell };
    let mut all = [nowhere; MAX_CHANNELS];
    for (index, slot) in all.iter_mut().enumerate().take(settings.channels.len()) {
        *slot = course(settings, index, moments, step);
    }
    all
}

/// What a channel reads, in its last digit: a temperature, or the resistance of a check resistor. Different samples can
/// read the same.
fn digits(channel: &Channel, sample: Sample) -> Option<i64> {
    match channel.role {
        Role::Check(_) => Some(i64::from(ohms(channel, sample)?.as_steps())),
        Role::Cell | Role::Pad | Role::Ambient => Some(i64::from(reading(channel, sample)?.as_steps())),
    }
}

/// For how many steps, up to the last of these moments, each channel has shown the same; nothing if ever since the
/// first.
fn still(settings: &Settings, moments: &[Moment]) -> [Option<u32>; MAX_CHANNELS] {
    let mut still = [None; MAX_CHANNELS];
    for (index, (still, channel)) in still.iter_mut().zip(&settings.channels).enumerate() {
        let shows = |moment: &Moment| digits(channel, moment.inputs.channels[index]);
        *still = moments
            .windows(2)
            .rev()
            .position(|pair| shows(&pair[0]) != shows(&pair[1]))
            .map(|steps| u32::try_from(steps).unwrap());
    }
    still
}

/// The longest time in which no channel changes.
fn stillest(settings: &Settings, moments: &[Moment], step: Millis) -> Millis {
    let mut longest = 0_u32;
    let mut so_far = 0_u32;
    for pair in moments.windows(2) {
        so_far += 1;
        longest = longest.max(so_far);
        let [before, after] = [0, 1].map(|moment: usize| {
            let channels = settings.channels.iter().zip(pair[moment].inputs.channels);
            channels.map(|(channel, sample)| digits(channel, sample))
        });
        if !before.eq(after) {
            so_far = 0;
        }
    }
    Millis::from_millis(step.as_millis().saturating_mul(longest))
}

fn all_but_the_ceiling(outputs: &Outputs) -> Outputs {
    Outputs { ceiling: Fraction::ZERO, ..*outputs }
}

/// The fields in which two units differ.
fn difference(leapt: &Unit, stepped: &Unit) -> String {
    let (leapt, stepped) = (format!("{leapt:#?}"), format!("{stepped:#?}"));
    let mut sections: Vec<&str> = Vec::new();
    let mut lines = Vec::new();
    for (leapt, stepped) in leapt.lines().zip(stepped.lines()) {
        if leapt != stepped {
            lines.push(format!("{}: {} for {}", sections.join(" "), leapt.trim(), stepped.trim()));
        }
        match leapt.trim() {
            opens if opens.ends_with(['{', '(', '[']) => sections.push(opens),
            closes if closes.starts_with(['}', ')', ']']) => drop(sections.pop()),
            _ => {}
        }
    }
    lines.join("; ")
}

/// What leaps have shown.
#[derive(Debug, Default)]
struct Tally {
    leaps: u32,
    steps: u64,
    with_faults: u32,
    with_heat: u32,
    with_charge: u32,
    /// Leaps that the answer made shorter than was asked for.
    limited: u32,
    /// Of these, those that ended in the very step before a change.
    exact: u32,
    /// Leaps that ended otherwise than steps would have.
    wrong: u32,
}

/// Goes through a history in steps and, beside them, in leaps, each `further` than it may be.
fn travel(
    settings: &Settings,
    history: &History,
    seed: u64,
    further: u32,
    tally: &mut Tally,
) -> Result<(), TestCaseError> {
    let mut dice = Dice(seed);
    let moments = lengthened(settings, history, &mut dice);
    let valid = settings.clone().validate().unwrap();
    let mut unit = Unit::new(&valid, Memory::default());
    let alike = alike(settings, &moments);
    let mut at = 0;
    let mut last: Option<Outputs> = None;
    while at < moments.len() {
        let ahead = at.checked_sub(1).map_or(0, |before| alike[before]);
        if let Some(before) = last
            && ahead >= 2
            && dice.below(24) == 0
        {
            let here = &moments[at - 1..=at - 1 + ahead];
            let wanted = 1 + usize::try_from(dice.below(u64::try_from(ahead).unwrap())).unwrap();
            let step = here[1].now.since(here[0].now);
            let inputs = here[0].inputs;
            let there = &here[..=wanted];
            let quiet =
                unit.quiet(step, (&inputs, &before), &courses(settings, there, step), stillest(settings, there, step));
            let may = quiet.steps.saturating_add(further);
            let steps = wanted.min(usize::try_from(may).unwrap());
            let is_limited = quiet.steps > 0 && steps < wanted;
            let passed = steps.saturating_sub(usize::try_from(quiet.settling).unwrap());
            let leapt = (quiet.steps > 0 && passed > 0).then(|| {
                let mut leapt = unit.clone();
                let end = &here[passed];
                let stretch = (step, u32::try_from(passed).unwrap());
                leapt.pass(end.now, stretch, (&end.inputs, &before), &still(settings, &here[..=passed]));
                (passed + 1..=steps).for_each(|index| {
                    leapt.step(here[index].now, &here[index].inputs);
                });
                leapt
            });
            for moment in &here[1..=steps] {
                let outputs = unit.step(moment.now, &moment.inputs);
                if further == 0 {
                    prop_assert_eq!(all_but_the_ceiling(&outputs), all_but_the_ceiling(&before), "{:?}", quiet);
                }
                last = Some(outputs);
            }
            at += steps;
            if let Some(leapt) = leapt {
                let is_same = format!("{leapt:?}") == format!("{unit:?}");
                if further == 0 && !is_same {
                    prop_assert!(false, "{} passed of {:?}: {}", passed, quiet, difference(&leapt, &unit));
                }
                tally.wrong += u32::from(!is_same);
                tally.leaps += 1;
                tally.steps += u64::try_from(passed).unwrap();
                tally.with_faults += u32::from(before.faults.system != SystemFaults::NONE);
                tally.with_heat += u32::from(before.heater == crate::signals::Relay::Closed);
                tally.with_charge += u32::from(before.charge == crate::signals::Relay::Closed);
                tally.limited += u32::from(is_limited);
                if is_limited && further == 0 {
                    let mut next = unit.clone();
                    let outputs = next.step(here[steps + 1].now, &here[steps + 1].inputs);
                    tally.exact += u32::from(all_but_the_ceiling(&outputs) != all_but_the_ceiling(&before));
                }
            }
            continue;
        }
        let moment = &moments[at];
        if moment.restart {
            unit = Unit::new(&valid, unit.memory());
        }
        last = Some(unit.step(moment.now, &moment.inputs));
        at += 1;
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]

    #[test]
    fn a_leap_leaves_the_unit_that_steps_would_have_left(settings in any_settings(), history in any_history(), seed: u64) {
        travel(&settings, &history, seed, 0, &mut Tally::default())?;
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100_000, ..ProptestConfig::default() })]

    /// Run it with `cargo test --release -p forewarm-core --features leap 100_000 -- --ignored`.
    #[test]
    #[ignore = "takes many minutes"]
    fn a_leap_leaves_the_unit_that_steps_would_have_left_in_100_000_cases(settings in any_settings(), history in any_history(), seed: u64) {
        travel(&settings, &history, seed, 0, &mut Tally::default())?;
    }
}

/// The property above would find a leap that goes on too far, and its histories leap in every situation.
#[test]
fn a_leap_that_goes_on_beyond_its_answer_is_found() {
    let (mut sound, mut broken) = (Tally::default(), Tally::default());
    for seed in 0..300 {
        let (settings, history) = case(seed);
        travel(&settings, &history, seed, 0, &mut sound).unwrap();
        travel(&settings, &history, seed, 9, &mut broken).unwrap();
    }
    assert_eq!(sound.wrong, 0);
    assert!(broken.wrong > 100, "{broken:?}");
    let Tally { with_faults, with_heat, with_charge, limited, exact, .. } = sound;
    assert!(with_faults.min(with_heat).min(with_charge) > 100, "{sound:?}");
    assert!(exact * 5 > limited, "many answers are as long as they can be: {sound:?}");
}

/// Whether the first two channels keep clear between these temperatures, after a minute in which all is well at 6 °C.
fn keeps_clear_at_6_degrees(settings: Settings) -> impl Fn([(i32, i32); 2]) -> bool {
    let valid = settings.validate().unwrap();
    let mut unit = Unit::new(&valid, Memory::default());
    let inputs = fine_inputs(&valid, c(6_000));
    (1..60).for_each(|second| {
        unit.step(Instant::from_millis(second * 1_000), &inputs);
    });
    move |ranges| {
        let mut all = unit.ranges();
        all.iter_mut().zip(ranges).for_each(|(range, (low, high))| *range = Some((c(low), c(high))));
        unit.keeps_clear(&all)
    }
}

#[test]
fn a_reading_may_come_within_three_millikelvins_of_what_decides_now() {
    let keeps_clear = keeps_clear_at_6_degrees(settings());
    // Charge is refused and the heater on: inhibit at 5 °C, release at 8 °C; the start at 7 °C decides nothing now.
    assert!(keeps_clear([(5_004, 7_996); 2]));
    assert!(!keeps_clear([(5_001, 6_000); 2]), "too near");
    assert!(!keeps_clear([(4_900, 5_100); 2]), "across");
    assert!(keeps_clear([(5_004, 7_996), (7_900, 8_100)]), "release is for the coldest cell");
    assert!(!keeps_clear([(7_900, 8_100), (7_950, 8_200)]), "either may be the coldest");
    assert!(!keeps_clear([(5_004, 7_996), (44_900, 45_100)]), "the high limit is for the hottest");
}

#[test]
fn a_ceiling_that_only_rises_is_for_the_coldest_cell_and_one_that_falls_for_each() {
    let point = |t, per_mille| CeilingPoint { at: c(t), limit: Fraction::from_per_mille(per_mille) };
    let rises = [point(5_000, 100), point(15_000, 500)];
    let falls = [point(5_000, 100), point(15_000, 500), point(40_000, 400)];
    for (points, is_each) in [(&rises[..], false), (&falls[..], true)] {
        let mut settings = settings();
        settings.charge.ceiling = points.iter().copied().collect();
        // 60 A of 200 Ah: from 10 °C on.
        settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(60_000));
        let keeps_clear = keeps_clear_at_6_degrees(settings);
        assert!(!keeps_clear([(9_900, 10_100); 2]));
        assert_eq!(keeps_clear([(5_004, 7_996), (9_900, 10_100)]), !is_each);
    }
}

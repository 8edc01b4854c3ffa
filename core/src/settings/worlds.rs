//! What valid settings do in worlds that are as they seem: every element is at the temperature of its cell.

extern crate std;
use super::{ChargeCurrent, Key, MAX_CHANNELS, Role, Settings};
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, Kelvins, Millis};
use crate::signals::{Inputs, Relay, Sample};
use crate::testing::{Time, c, fine_inputs, sample, wild_settings};
use crate::{Memory, Unit};
use proptest::prelude::*;

/// The slowest step of a board.
const STEP_MS: u32 = 10_000;

/// All is well, and each cell's element is at its cell's temperature. Only the settings decide what a channel makes of
/// that.
fn seen(settings: &Settings, cells: Celsius, elsewhere: Celsius, digits: i32) -> Inputs {
    let mut inputs = fine_inputs(settings, elsewhere);
    let mut channels = [Sample::None; MAX_CHANNELS];
    for (slot, channel) in channels.iter_mut().zip(&settings.channels) {
        let t = if channel.role == Role::Cell { cells } else { elsewhere };
        // A digit of a 15-bit converter against four times the element is 31 mK.
        *slot = sample(channel, t.raised(channel.offset).raised(Kelvins::from_millikelvins(31 * digits)));
    }
    inputs.channels = channels;
    inputs
}

/// Cells that read anything from just above release to just below the high release, as they warm up.
fn middle(settings: &Settings) -> Celsius {
    let offsets = settings.channels.iter().filter(|channel| channel.role == Role::Cell).map(|channel| channel.offset);
    let (least, most) = (offsets.clone().min().unwrap(), offsets.max().unwrap());
    let (release, high) = (settings.charge.release.lowered(least), settings.charge.high_release.lowered(most));
    release.raised(high.above(release).half())
}

/// Settings that were in order, with one of them moved anywhere in its range. `validate` must find what that does.
fn moved_settings() -> impl Strategy<Value = Settings> {
    let within = |key: Key| (key.fact().minimum as i32)..=(key.fact().maximum as i32);
    let moved = prop_oneof![
        2 => Just(None),
        1 => within(Key::HardLimit).prop_map(|value| Some((Key::HardLimit, value))),
        1 => within(Key::Inhibit).prop_map(|value| Some((Key::Inhibit, value))),
        1 => within(Key::Offset).prop_map(|value| Some((Key::Offset, value))),
        1 => within(Key::Noise).prop_map(|value| Some((Key::Noise, value))),
    ];
    (wild_settings(), moved).prop_map(|(mut settings, moved)| {
        match moved {
            Some((Key::HardLimit, value)) => settings.charge.hard_limit = c(value),
            Some((Key::Inhibit, value)) => settings.charge.inhibit = c(value),
            Some((Key::Offset, value)) => settings.channels[0].offset = Kelvins::from_millikelvins(value),
            Some((Key::Noise, value)) => settings.trust.noise = Kelvins::from_millikelvins(value),
            _ => {}
        }
        settings
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, max_global_rejects: 4_000, ..ProptestConfig::default() })]

    /// The elements are at the temperature of the cells. Only offsets, noise and ages can hide that one is too cold.
    #[test]
    fn a_cell_at_its_hard_limit_is_never_charged(
        settings in moved_settings(), start_mk in 0..30_000_i32, cooling_mk_per_step in 1..166_i32, every in 1..60_u32, step_ms in 1_000..=STEP_MS,
    ) {
        let valid = settings.clone().validate();
        prop_assume!(valid.is_ok());
        let mut unit = Unit::new(&valid.unwrap(), Memory::default());
        let mut time = Time(0);
        let hard_limit = settings.charge.hard_limit;
        let mut t = settings.charge.release.raised(Kelvins::from_millikelvins(start_mk));
        let age_ms = settings.trust.max_age.as_millis();
        // As seldom as a channel may be measured.
        let every = every.min(age_ms / step_ms).max(1);
        let soak = settings.charge.soak.plus(settings.charge.min_off).as_millis() / step_ms + 200;
        for step in 0.. {
            let mut inputs = seen(&settings, t, t, i32::from(step % (2 * every) == 0));
            if step % every != 0 {
                inputs.channels = [Sample::None; MAX_CHANNELS];
            }
            let outputs = unit.step(time.after(step_ms), &inputs);
            prop_assert!(outputs.charge == Relay::Open || t > hard_limit, "{t:?} at {outputs:?}");
            if step > soak.min(2_000) {
                // At most 1 K in a minute.
                let mk = i64::from(cooling_mk_per_step) * i64::from(step_ms) / i64::from(STEP_MS);
                t = t.lowered(Kelvins::from_millikelvins(i32::try_from(mk.max(1)).unwrap()));
            }
            if t < hard_limit.lowered(Kelvins::from_millikelvins(1_500)) || step > 12_000 {
                break;
            }
        }
    }

    /// Cells that are cold from the first moment on, for as long as any soak takes.
    #[test]
    fn cold_cells_are_never_charged_however_long_they_wait(settings in moved_settings(), below_mk in 0..35_000_i32) {
        let valid = settings.clone().validate();
        prop_assume!(valid.is_ok());
        let mut unit = Unit::new(&valid.unwrap(), Memory::default());
        let mut time = Time(0);
        let t = settings.charge.hard_limit.lowered(Kelvins::from_millikelvins(below_mk));
        let long = settings.charge.soak.plus(settings.charge.min_off).plus(Millis::from_secs(2_000)).as_millis() / STEP_MS;
        for step in 0..long {
            let inputs = seen(&settings, t, t, i32::from(step % 2 == 0));
            let outputs = unit.step(time.after(STEP_MS), &inputs);
            prop_assert_eq!(outputs.charge, Relay::Open);
        }
        // A bank left in the frost reads as cold, not as broken; only offsets apart may make channels disagree.
        let faults = unit.step(time.after(STEP_MS), &seen(&settings, t, t, 0)).faults.channels;
        prop_assert!(faults.into_iter().flatten().all(|fault| fault == ChannelFault::Disagreement), "{faults:?}");
    }

    /// No quiet livelock: cells that stay between release and high release, with all well, are charged once the soak is over.
    #[test]
    fn warm_cells_with_all_well_are_charged_in_the_end(mut settings in wild_settings()) {
        prop_assume!(settings.clone().validate().is_ok());
        let offset = settings.channels[0].offset;
        // Channels that differ by their offsets alone may well disagree.
        settings.channels.iter_mut().for_each(|channel| channel.offset = offset);
        // The ceiling decides whether others may charge.
        settings.sources.iter_mut().for_each(|source| source.charge = ChargeCurrent::Obeys);
        let valid = settings.clone().validate();
        prop_assume!(valid.is_ok());
        let mut unit = Unit::new(&valid.unwrap(), Memory::default());
        let mut time = Time(0);
        let t = middle(&settings);
        let elsewhere = t.min(settings.heater.cutout_cell.lowered(Kelvins::from_millikelvins(30_000)));
        let good_run = u32::from(settings.trust.good_run);
        let long = settings.charge.soak.plus(settings.charge.min_off).as_millis() / STEP_MS + good_run + 10;
        let charged = (0..long).any(|step| {
            let inputs = seen(&settings, t, elsewhere, i32::from(step % 2 == 0));
            unit.step(time.after(STEP_MS), &inputs).charge == Relay::Closed
        });
        prop_assert!(charged);
    }
}

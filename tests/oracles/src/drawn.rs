//! Settings out of bytes: those that the core's own generators draw for a number, with some values changed.

use crate::bytes::Bytes;
use forewarm_core::quantity::{Kelvins, Milliamps, Millis, Millivolts, Milliwatts};
use forewarm_core::settings::{BankUse, ChargeCurrent, Hold, Settings};
use forewarm_core::testing::{any_settings, wild_settings};
use proptest::strategy::{BoxedStrategy, Strategy, ValueTree};
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
use std::cell::RefCell;
use std::collections::HashMap;

/// Values that are changed.
const CHANGES: usize = 8;

/// Settings for the next bytes. Those that are not wild are valid: a change that would make them invalid is not made.
pub(crate) fn drawn(bytes: &mut Bytes, is_wild: bool) -> Settings {
    let mut settings = first(bytes.u16(), is_wild);
    for _ in 0..CHANGES {
        let [which, value] = bytes.array();
        if value > 0 {
            let mut changed = settings.clone();
            change(&mut changed, which, value);
            if is_wild || changed.clone().validate().is_ok() {
                settings = changed;
            }
        }
    }
    settings
}

/// The settings that the core's generator draws for this number. To draw takes longer than a hundred steps, so each is
/// drawn once.
fn first(seed: u16, is_wild: bool) -> Settings {
    thread_local! {
        static STRATEGIES: [BoxedStrategy<Settings>; 2] = [any_settings().boxed(), wild_settings().boxed()];
        static DRAWN: RefCell<HashMap<(u16, bool), Settings>> = RefCell::default();
    }
    let draw = || {
        let mut key = [0; 32];
        key[..2].copy_from_slice(&seed.to_le_bytes());
        let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &key);
        let mut runner = TestRunner::new_with_rng(Config::default(), rng);
        STRATEGIES.with(|strategies| {
            strategies[usize::from(is_wild)].new_tree(&mut runner).expect("it refuses nothing").current()
        })
    };
    DRAWN.with_borrow_mut(|drawn| drawn.entry((seed, is_wild)).or_insert_with(draw).clone())
}

fn change(settings: &mut Settings, which: u8, value: u8) {
    let Settings { charge, heater, sources, bank, giving, trust, .. } = settings;
    let number = u32::from(value);
    let seconds = |each: u32| Millis::from_secs(number * each);
    match which % 22 {
        0 => charge.soak = seconds(4),
        1 => charge.min_off = seconds(1),
        2 => charge.overdue_after = seconds(8),
        3 => charge.batteries = value % 5,
        4 => heater.min_on = seconds(1),
        5 => heater.min_off = seconds(1),
        6 => heater.max_run = seconds(16),
        7 => heater.rest = seconds(8),
        8 => heater.max_cycles_per_day = value % 64,
        9 => heater.hold = if value.is_multiple_of(2) { Hold::Never } else { Hold::WhileCharging },
        10 => heater.power = Milliwatts::from_milliwatts(number * 400),
        11 => heater.proof = None,
        12 => *bank = BankUse::Never,
        13 => {
            if let Some(giving) = giving {
                giving.fall = Millivolts::from_millivolts(4 * number);
            }
        }
        14 => {
            let index = usize::from(value) % sources.len().max(1);
            if let Some(source) = sources.get_mut(index) {
                source.charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(number * 250));
            }
        }
        15 => trust.good_run = value % 12,
        16 => trust.restart_limit = value % 12,
        17 => trust.max_step = seconds(1),
        18 => trust.max_age = seconds(1),
        19 => trust.still_after = Some(seconds(8)).filter(|_| value < 255),
        20 => trust.disagreement = Kelvins::from_millikelvins(i32::from(value) * 80),
        _ => trust.noise = Kelvins::from_millikelvins(i32::from(value) * 4),
    }
}

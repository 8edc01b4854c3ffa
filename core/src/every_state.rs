//! Every state that a unit can get into, with coarse temperatures and times, and no way out of none of them.
//!
//! A [`Variant`] is an installation whose timers are a few steps long, and a list of what may happen in a step: an
//! [`Act`]. From a unit that has just been reset, a breadth-first search takes every act in every state, until no new
//! state turns up. In each step it checks the promises against [`Oracle`], which knows the acts and not the unit. Then
//! it follows, from every state, what happens when all is well from now on: a warm bank with a source must come to be
//! charged and stay so, a cold one must come to be heated, without anyone's help. Where a fault stands that is documented
//! to need the button, the button must do.
//!
//! # What a state is
//!
//! The whole of the unit: each type that it is made of derives `Hash`, so no field can be left out by mistake. Before
//! it is hashed, `canonical` makes equal what differs only by what can no longer decide anything. Moments are moved
//! along with the present, as the core itself does once in 24.8 days. Timers stop at what they are compared with. The
//! journal goes. `equal_states_stay_equal` checks that: beside a unit made canonical after every step goes one that never
//! is, and outputs and states agree all the way. The state of the oracle is part of the state too. So a promise
//! that is kept on one way to a state and broken on another is found.
//!
//! # What is left out
//!
//! Three things count over hours: the credit for the relay's closings, how long charge was waited for, and the pauses
//! after a supply has broken down under the heater. A variant
//! that does not ask about them holds them where they say nothing ([`Held`]). Those that do take the same act many times
//! in a row: what happens then changes only every quarter of an hour or so.

mod oracle;
mod search;
mod variants;

use crate::fault::{ChannelFault, SystemFault};
use crate::quantity::{Instant, Millis};
use crate::signals::{Cause, Outputs, State};
use crate::testing::Time;
use oracle::Oracle;
use search::{Coverage, Found, Whole, search};
use std::string::String;
use variants::Variant;

/// Beyond these, a time that has passed makes no difference.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Horizons {
    /// The age of a reading.
    pub(crate) age: Millis,
    /// A pause of the heater.
    pub(crate) pause: Millis,
}

/// What is held where it says nothing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Held {
    /// The credit for the closings of the heater's relay.
    pub(crate) closings: bool,
    /// The time for which charge was waited for.
    pub(crate) waiting: bool,
    /// How often in a row the supply has broken down under the heater.
    pub(crate) sags: bool,
}

/// A variant, how many states it has at least, and what must have been seen in them. A search that reaches nothing proves
/// nothing.
struct Search {
    variant: fn(bool) -> Variant,
    least: usize,
    states: &'static [State],
    causes: &'static [Cause],
    system: &'static [SystemFault],
    channel: &'static [ChannelFault],
}

/// Searches a variant, follows each of its states, prints what it found and asks that it is as much as it should be.
fn explore(variant: fn(bool) -> Variant, two_at_once: bool) {
    let variant = variant(two_at_once);
    let search = SEARCHES.iter().find(|search| (search.variant)(false).name == variant.name).unwrap();
    let found = all_of(&variant, if two_at_once { 6_000_000 } else { 200_000 });
    let Coverage { states, causes, system, channel } = &found.coverage;
    let missing = |name: &str| std::format!("{}: no {name}; {:?}", variant.name, found.coverage);
    assert!(found.states() >= search.least, "{}: only {} states", variant.name, found.states());
    search.states.iter().for_each(|state| assert!(states.contains(state), "{}", missing(state.name())));
    search.causes.iter().for_each(|cause| assert!(causes.contains(cause), "{}", missing(cause.name())));
    search.system.iter().for_each(|fault| assert!(system.contains(fault), "{}", missing(fault.facts().name)));
    search.channel.iter().for_each(|fault| assert!(channel.contains(fault), "{}", missing(fault.facts().name)));
}

/// Searches a variant, follows each of its states, and prints what it found.
fn all_of(variant: &Variant, most: usize) -> Found {
    let begun = std::time::Instant::now();
    let found = search(variant, most);
    found.follow_steady(variant);
    let (warm, cold, faults) = (found.follow_warm(variant), found.follow_cold(variant), found.follow_faults(variant));
    let cold =
        cold.map_or(String::new(), |cold| std::format!(", heated after {} ({})", cold.longest, cold.need_button));
    std::println!(
        "{}: {} states, {} acts; charged after {} steps at most ({} states need the button){cold}, free of faults after {}; {:.1} s",
        variant.name,
        found.states(),
        found.transitions,
        warm.longest,
        warm.need_button,
        faults.longest,
        begun.elapsed().as_secs_f64(),
    );
    found
}

macro_rules! searches {
    ($($test:ident: $variant:ident, $least:literal, [$($state:ident)*] [$($cause:ident)*] [$($system:ident)*] [$($channel:ident)*];)*) => {
        const SEARCHES: &[Search] = &[$(Search {
            variant: Variant::$variant,
            least: $least,
            states: &[$(State::$state),*],
            causes: &[$(Cause::$cause),*],
            system: &[$(SystemFault::$system),*],
            channel: &[$(ChannelFault::$channel),*],
        }),*];

        $(#[test]
        fn $test() {
            explore(Variant::$variant, false);
        })*

        /// The same with two deviations at once.
        mod two_at_once {
            use super::{Variant, explore};

            $(#[test]
            #[ignore = "takes minutes, and gigabytes"]
            fn $test() {
                explore(Variant::$variant, true);
            })*
        }
    };
}

searches! {
    no_order_of_readings_is_a_dead_end: thresholds, 1_000,
        [Starting Faulted Waiting Soaking Permitting] [CellsHot NoEnergy StartUp AboveRelease Soaked] [] [Missing Converter];
    no_doubt_is_a_dead_end: doubts, 8_000,
        [Faulted] [ChargeLineRefused] [ClockStalled ClockJumped RestartStorm ChargeLineRefused] [Missing Open Short OutOfRange];
    no_channel_among_several_is_a_dead_end: several, 3_000,
        [Faulted] [] [ReferenceDoubtful] [Disagreement Leads OutOfRange];
    no_wait_for_charge_is_a_dead_end: overdue, 10_000,
        [] [] [ChargeOverdue RestartStorm] [];
    no_turn_of_the_heater_is_a_dead_end: heat, 20_000,
        [Warming] [CellsCold BelowRelease CutOut HeaterResting NoEnergy] [HeaterOverrun] [Missing];
    no_restart_of_a_heating_unit_is_a_dead_end: heat_over_restarts, 5_000,
        [Warming] [HeaterResting] [HeaterOverrun RestartStorm] [];
    no_holding_is_a_dead_end: holding, 8_000,
        [SoakingWarm Holding] [HeldWarm SupplyOutOfRange] [SupplyOutOfRange] [];
    no_settling_source_is_a_dead_end: heat_first, 3_000,
        [Warming] [SourceSettling] [StorageFailing SupplyOutOfRange] [];
    no_doubt_of_a_heating_unit_is_a_dead_end: heat_in_doubt, 6_000,
        [Warming Faulted] [] [ClockStalled ChargeLineRefused] [];
    no_proof_that_fails_is_a_dead_end: proof, 10_000,
        [] [] [HeaterIneffective HeaterWelded PadNotFollowing] [];
    no_restart_during_a_proof_is_a_dead_end: proof_over_restarts, 10_000,
        [] [] [HeaterIneffective PadNotFollowing RestartStorm] [];
    no_contact_that_disobeys_is_a_dead_end: contacts, 10_000,
        [] [] [HeaterWelded HeaterNotClosing ChargeWelded ChargeNotClosing] [];
    no_heat_of_the_air_is_a_dead_end: air, 30_000,
        [] [CutOut] [OverTemperature] [Missing];
    no_jump_is_a_dead_end: jumps, 5_000,
        [] [] [] [TooFast Jumped Disagreement];
    no_jump_of_a_lone_channel_is_a_dead_end: lone_jumps, 5_000,
        [] [] [] [TooFast Jumped];
    no_brief_doubt_is_a_dead_end: brief_doubts, 10_000,
        [] [] [] [Converter TooFast Jumped];
    no_channel_that_stands_still_is_a_dead_end: still, 50_000,
        [] [] [] [Stuck];
    no_lack_of_energy_is_a_dead_end: sources, 20_000,
        [SoakingWarm Holding] [CeilingTooLow SourceSettling] [SourceUnsteady BankBelowReserve DischargeLineRefused] [];
    no_flickering_line_is_a_dead_end: flicker, 10_000,
        [] [] [SourceUnsteady] [];
    no_worn_relay_is_a_dead_end: closings, 1_000,
        [] [] [CyclesSpent] [];
    no_sagging_supply_is_a_dead_end: sags, 4_000,
        [] [SupplyOutOfRange] [SupplySags] [];
    no_source_that_gives_nothing_is_a_dead_end: giving, 4_000,
        [] [] [SourceNotGiving] [];
}

/// Each of the rows above is asked for; this asks that together they leave out nothing that there is.
#[test]
fn every_state_cause_and_fault_turns_up_in_some_search() {
    for state in State::PLAIN {
        assert!(SEARCHES.iter().any(|search| search.states.contains(state)), "{state:?}");
    }
    // The guard never has to speak.
    for cause in Cause::PLAIN.iter().filter(|cause| **cause != Cause::GuardOverruled) {
        assert!(SEARCHES.iter().any(|search| search.causes.contains(cause)), "{cause:?}");
    }
    // With settings that do not validate there is no unit.
    for fault in SystemFault::ALL.iter().filter(|fault| **fault != SystemFault::SettingsInvalid) {
        assert!(SEARCHES.iter().any(|search| search.system.contains(fault)), "{fault:?}");
    }
    for fault in ChannelFault::ALL {
        assert!(SEARCHES.iter().any(|search| search.channel.contains(&fault)), "{fault:?}");
    }
}

/// What [`Whole::canonical`] makes equal behaves the same for ever: as far as a hundred thousand steps show. One unit is
/// made canonical after every step, the other never. Acts last, as they do in the world, so that timers run out.
#[test]
fn equal_states_stay_equal() {
    for search in SEARCHES {
        let variant = (search.variant)(false);
        let valid = variant.settings.clone().validate().unwrap();
        let mut dice = 1_u64;
        let mut below = |end: usize| {
            // Source: D. E. Knuth, MMIX; the upper bits are the better ones.
            dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            usize::try_from(dice >> 33).unwrap() % end
        };
        for walk in 0..12 {
            let (mut plain, mut coarse) = (Whole::new(&valid), Whole::new(&valid));
            let (mut time, mut passed) = (Time(0), 0);
            while passed < 400 {
                let index = below(variant.acts.len());
                let act = &variant.acts[index];
                for time_of_act in 0..=below(10) {
                    for step in 0..variant.steps {
                        let restart = act.restart && step == 0 && time_of_act < 2;
                        let now = time.after(act.elapsed_ms);
                        let by_plain = plain.step(&variant, &valid, act, restart, now).unwrap();
                        coarse.canonical(&variant);
                        let now = Instant::from_millis(act.elapsed_ms);
                        let by_coarse = coarse.step(&variant, &valid, act, restart, now).unwrap();
                        // Which obstacle stood in the way most is only reported.
                        let but_reason = |outputs: Outputs| Outputs { overdue: None, ..outputs };
                        assert_eq!(
                            but_reason(by_plain),
                            but_reason(by_coarse),
                            "{} {walk}: {}",
                            variant.name,
                            act.name
                        );
                        assert_eq!(by_plain.overdue.is_some(), by_coarse.overdue.is_some());
                    }
                    let key = |whole: &Whole| {
                        let mut whole = whole.clone();
                        whole.canonical(&variant);
                        whole.key()
                    };
                    assert_eq!(key(&plain), key(&coarse), "{} {walk}: {}", variant.name, act.name);
                    passed += 1;
                }
            }
        }
    }
}

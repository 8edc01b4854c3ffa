//! The tables in the documentation of `signals` and `fault`, made from the code and compared with it.
//!
//! `FOREWARM_REFRESH=1 cargo test -p forewarm-core tables` writes them anew.
#![expect(clippy::format_push_string, reason = "made once, in a test")]

use crate::controller::Controller;
use crate::fault::{ChannelFault, Ending, Facts, SystemFault};
use crate::memory::Memory;
use crate::quantity::Ohms;
use crate::settings::{Check, MAX_CHANNELS, MAX_SOURCES, Role, Settings};
use crate::signals::{Cause, Inputs, Line, Outputs, Relay, Sample, Sources, State, Storage};
use crate::testing::{History, Moment, any_history, any_settings};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{RngAlgorithm, TestRng, TestRunner};
use std::collections::{BTreeMap, BTreeSet};
use std::format;
use std::string::String;
use std::sync::Mutex;
use std::sync::mpsc::sync_channel;
use std::thread::{available_parallelism, scope};
use std::vec::Vec;

/// Transitions, and with which causes the second state was entered.
type Transitions = BTreeMap<(State, State), BTreeSet<&'static str>>;

/// Faults are many and act alike, so the table names them by kind.
fn kind(cause: Cause) -> &'static str {
    match cause {
        Cause::Channel(_) => "*channel fault*",
        Cause::System(_) => "*system fault*",
        plain => plain.name(),
    }
}

/// What may happen in any step, one or two at once: a history seldom has just the two that make a rare transition.
const MISHAPS: [fn(&mut Inputs); 7] = [
    |inputs| inputs.charge_line = Line::Refused,
    |inputs| inputs.supply = None,
    |inputs| inputs.sources = Sources::NONE,
    |inputs| inputs.sources = ALL,
    |inputs| inputs.sources = ALL.without(inputs.sources),
    |inputs| inputs.storage = Storage::Failing,
    |inputs| inputs.channels = [Sample::ConverterFault; MAX_CHANNELS],
];

const ALL: Sources = Sources::NONE.with(0).with(1).with(2).with(3);

const _: () = assert!(MAX_SOURCES == 4, "all of them");

/// In one of so many steps they are tried.
const TRIED: usize = 8;

fn note(before: State, outputs: &Outputs, seen: &mut Transitions) {
    if before != outputs.state {
        seen.entry((before, outputs.state)).or_default().insert(kind(outputs.cause));
    }
}

fn try_mishaps(controller: &Controller, moment: &Moment, before: State, seen: &mut Transitions) {
    for (index, first) in MISHAPS.iter().enumerate() {
        for second in &MISHAPS[index..] {
            let mut inputs = moment.inputs;
            first(&mut inputs);
            second(&mut inputs);
            note(before, &controller.clone().step(moment.now, &inputs), seen);
        }
    }
}

fn explore(settings: &Settings, history: &History, mishaps: bool, seen: &mut Transitions) {
    let valid = settings.clone().validate().unwrap();
    let mut controller = Controller::new(&valid, Memory::default());
    let mut before = None;
    for (number, moment) in history.moments(settings).into_iter().enumerate() {
        if moment.restart {
            controller = Controller::new(&valid, controller.memory());
            before = None;
        }
        if let Some(before) = before.filter(|_| mishaps && number % TRIED == 0) {
            try_mishaps(&controller, &moment, before, seen);
        }
        let outputs = controller.step(moment.now, &moment.inputs);
        if let Some(before) = before.replace(outputs.state) {
            note(before, &outputs, seen);
        }
    }
}

/// What so many histories show, the same ones each time. One thread draws them, and every processor plays some: this is
/// the longest of the core's tests, and the last of them.
fn transitions(mut runner: TestRunner, histories: u32, mishaps: bool) -> Transitions {
    let strategy = (any_settings(), any_history());
    let (drawn, waiting) = sync_channel::<(Settings, History)>(64);
    let waiting = Mutex::new(waiting);
    let play = || {
        let mut seen = Transitions::new();
        // A call of its own, so that the lock is not held while a history is played.
        let next = || waiting.lock().unwrap().recv();
        while let Ok((settings, history)) = next() {
            explore(&settings, &history, mishaps, &mut seen);
        }
        seen
    };
    scope(|threads| {
        let players: Vec<_> =
            (0..available_parallelism().map_or(1, usize::from)).map(|_| threads.spawn(play)).collect();
        for _ in 0..histories {
            drawn.send(strategy.new_tree(&mut runner).unwrap().current()).unwrap();
        }
        drop(drawn);
        let mut all = Transitions::new();
        for player in players {
            for (transition, causes) in player.join().unwrap() {
                all.entry(transition).or_default().extend(causes);
            }
        }
        all
    })
}

fn states_page() -> String {
    let mut page = String::from("# States, causes, transitions\n\nMade from the code; a test keeps it so.\n\n");
    page += "| state | meaning | heater | charge |\n|---|---|---|---|\n";
    for &state in State::PLAIN {
        let (heater, charge) = state.relays();
        page += &format!("| `{}` | {} | {} | {} |\n", state.name(), state.meaning(), on(heater), on(charge));
    }
    page += "\n| cause | meaning |\n|---|---|\n";
    for &cause in Cause::PLAIN {
        page += &format!("| `{}` | {} |\n", cause.name(), cause.meaning());
    }
    page += "\nBesides these, a fault can be the cause: see [`fault`](crate::fault).\n\n";
    page += "From a state on the left the controller goes to the one in the middle, for one of the causes on the right; a reset leads\n";
    page += "to `starting`, and the guard can open either relay in any state (`guard_overruled`).\n\n";
    page += "| from | to | causes |\n|---|---|---|\n";
    for ((from, to), causes) in transitions(TestRunner::deterministic(), 20_000, true) {
        let causes: Vec<_> = causes
            .into_iter()
            .map(|cause| if cause.starts_with('*') { cause.into() } else { format!("`{cause}`") })
            .collect();
        page += &format!("| `{}` | `{}` | {} |\n", from.name(), to.name(), causes.join(", "));
    }
    page
}

fn on(relay: Relay) -> &'static str {
    match relay {
        Relay::Open => "off",
        Relay::Closed => "on",
    }
}

fn row(facts: Facts, disables: &str) -> String {
    let ending = match facts.ending {
        Ending::SelfClearing => "clears itself",
        Ending::Latched => "latched",
    };
    let severity = facts.severity.name();
    format!(
        "| `{}` | {} | {disables} | {ending} | {severity} | {} | {} |\n",
        facts.name, facts.meaning, facts.cleared_by, facts.check_first
    )
}

fn faults_page() -> String {
    const HEAD: &str =
        "| fault | meaning | disables | ends | tells | cleared by | check first |\n|---|---|---|---|---|---|---|\n";
    let mut page = String::from("# Faults\n\nMade from the code; a test keeps it so.\n\nOf a thermometer channel:\n\n");
    page += HEAD;
    for fault in ChannelFault::ALL {
        page += &row(fault.facts(), "by role");
    }
    page += "\nBy role, each of them disables: ";
    let check = Role::Check(Check { nominal: Ohms::ZERO, within: Ohms::ZERO });
    let roles = [("cell", Role::Cell), ("pad", Role::Pad), ("ambient", Role::Ambient), ("check", check)];
    page += &roles.map(|(name, role)| format!("`{name}` {}", role.disables().words())).join(", ");
    page += ".\n\nOf the whole:\n\n";
    page += HEAD;
    for fault in SystemFault::ALL {
        page += &row(fault.facts(), fault.disables().words());
    }
    page
}

fn check(file: &str, page: &str) {
    let path = format!("{}/docs/{file}", env!("CARGO_MANIFEST_DIR"));
    if std::env::var_os("FOREWARM_REFRESH").is_some() {
        std::fs::write(&path, page).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap();
    let differing = page.lines().zip(kept.lines()).find(|(made, kept)| made != kept);
    assert!(
        page == kept,
        "docs/{file} no longer says what the code does, first in {differing:?}; \
         refresh it with `FOREWARM_REFRESH=1 cargo test -p forewarm-core tables` and read the difference"
    );
}

#[test]
fn the_table_of_states_says_what_the_controller_does() {
    check("states.md", &states_page());
}

#[test]
fn the_table_of_faults_says_what_the_facts_are() {
    check("faults.md", &faults_page());
}

/// Other histories than those that made the table, and again the same ones each time: whether a rare transition is found must not
/// depend on the day.
#[test]
fn no_transition_is_missing_from_the_table() {
    let kept = include_str!("../docs/states.md");
    let seed = TestRng::from_seed(RngAlgorithm::ChaCha, &[7; 32]);
    let runner = TestRunner::new_with_rng(ProptestConfig::default(), seed);
    for ((from, to), causes) in transitions(runner, 10_000, false) {
        let row = format!("| `{}` | `{}` |", from.name(), to.name());
        let row = kept.lines().find(|line| line.starts_with(&row));
        assert!(row.is_some(), "{from:?} to {to:?} is not in the table");
        for cause in causes {
            assert!(row.is_some_and(|row| row.contains(cause)), "{from:?} to {to:?} for {cause} is not in the table");
        }
    }
}

proptest! {
    #[test]
    fn each_state_has_its_outputs(settings in any_settings(), history in any_history()) {
        let mut controller = Controller::new(&settings.clone().validate().unwrap(), Memory::default());
        for moment in history.moments(&settings) {
            let outputs = controller.step(moment.now, &moment.inputs);
            prop_assert_eq!((outputs.heater, outputs.charge), outputs.state.relays(), "{:?}", outputs);
        }
    }
}

//! The matrix against what must be true of any matrix, and against matrices that must be worse.

use super::{Cell, Matrix, Recovery, Verdict, Wanted};
use crate::breakdown::{AtSource, Breakdown, Other, Shared, Wrong};
use crate::rehearse::testing::scenario;
use crate::rehearse::{Pace, Scenario};
use forewarm_core::Layer;
use forewarm_core::settings::Role;
use forewarm_core::signals::State;
use std::sync::atomic::AtomicBool;

const WANTED: Wanted = Wanted { layer: Layer::Both, pace: Pace::Leaping, has_contacts: false };

fn matrix_of(scenario: &Scenario, wanted: Wanted, is_played: impl Fn(Breakdown) -> bool) -> Matrix {
    let breakdowns: Vec<Breakdown> = Breakdown::every(scenario).into_iter().filter(|one| is_played(*one)).collect();
    Matrix::of(scenario, &breakdowns, wanted, &AtomicBool::new(false), &|_| {}).unwrap()
}

/// Few of each kind, so that each is played once.
fn is_of_the_few(breakdown: Breakdown) -> bool {
    match breakdown {
        Breakdown::Channel(0, wrong) => !matches!(wrong, Wrong::Comes { .. } | Wrong::Noisy(_)),
        Breakdown::Channel(..) | Breakdown::Two(..) => false,
        Breakdown::Shared(_) | Breakdown::Source(..) => true,
        Breakdown::Other(other) => !matches!(other, Other::RestartStorm | Other::ProtectionToggles),
    }
}

#[test]
fn every_state_is_reached_and_nothing_is_unsafe() {
    let matrix = matrix_of(&scenario(1), WANTED, is_of_the_few);
    for (state, reached) in &matrix.reached {
        // The starter's bank is charged before it cools to where the heater would hold it.
        assert!(*state == State::Holding || reached.iter().any(|reached| *reached), "{state:?} is never reached");
    }
    let harmed: Vec<&Cell> = matrix.cells.iter().filter(|cell| cell.verdict == Verdict::Unsafe).collect();
    assert!(harmed.is_empty(), "{harmed:#?}");
    let lost: Vec<&Cell> = matrix.cells.iter().filter(|cell| cell.recovery == Recovery::Never).collect();
    assert!(lost.is_empty(), "{lost:#?}");
}

#[test]
fn a_scene_in_leaps_is_the_scene_in_steps() {
    let scenario = scenario(1);
    let some = |breakdown| {
        matches!(
            breakdown,
            Breakdown::Channel(0, Wrong::Off(_) | Wrong::Drifts(_) | Wrong::LeadGains(_) | Wrong::FallenOff)
                | Breakdown::Shared(Shared::Reference(_) | Shared::ReferenceDrifts(_))
                | Breakdown::Other(
                    Other::HeaterOpen | Other::PadDetached | Other::Wet | Other::LidOpen | Other::ChargeRefused
                )
        )
    };
    let [leaps, steps] =
        [Pace::Leaping, Pace::EveryStep].map(|pace| matrix_of(&scenario, Wanted { pace, ..WANTED }, some));
    assert!(leaps.cells.len() > 100);
    for (leap, step) in leaps.cells.iter().zip(&steps.cells) {
        let told = |cell: &Cell| {
            (cell.breakdown, cell.state, cell.verdict, cell.found, cell.time_to_safe_s, cell.recovery, cell.cut_out)
        };
        assert_eq!(told(leap), told(step), "at {} °C", leap.outside_c);
    }
}

/// The matrix can show harm: to cells that bear less cold than the thresholds are for, with nothing broken but a clock that wraps.
#[test]
fn thresholds_below_what_the_cells_bear_are_unsafe() {
    let wraps = |breakdown| breakdown == Breakdown::Other(Other::ClockWraps);
    let mut scenario = scenario(1);
    assert_eq!(matrix_of(&scenario, WANTED, wraps).count(Verdict::Unsafe), 0);
    scenario.site.battery.hard_limit_c = 12.0;
    let harmed = matrix_of(&scenario, WANTED, wraps);
    assert!(harmed.count(Verdict::Unsafe) > 0);
    assert!(harmed.cells.iter().all(|cell| (cell.verdict == Verdict::Unsafe) == cell.harm.charged_at_c.is_some()));
}

/// Another source would give what it does not.
#[test]
fn a_source_that_gives_nothing_or_gives_way_has_nobody_to_hide_behind() {
    for (wrong, found) in [(AtSource::SaysPresent, "source_not_giving"), (AtSource::FallsUnderLoad, "cycles_spent")] {
        let matrix = matrix_of(&scenario(1), WANTED, |breakdown| breakdown == Breakdown::Source(0, wrong));
        let heats = |cell: &&Cell| cell.state == State::Warming;
        assert!(matrix.cells.iter().any(|cell| heats(&cell)));
        for cell in matrix.cells.iter().filter(heats) {
            assert!(cell.verdict == Verdict::Safe && cell.found == Some(found), "{cell:#?}");
        }
    }
}

/// After a restart nothing is on until the run of good readings; what was kept, lost or damaged does not matter for that.
#[test]
fn a_restart_lets_go_of_both_outputs_in_every_state() {
    let restarts = |breakdown| {
        matches!(breakdown, Breakdown::Other(Other::Restart | Other::StorageForgets | Other::SettingsDamaged))
    };
    let matrix = matrix_of(&scenario(1), WANTED, restarts);
    assert!(matrix.cells.iter().any(|cell| cell.state == State::Permitting));
    for cell in matrix.cells {
        assert!(cell.off_s.is_some_and(|off_s| off_s <= 1.0), "{cell:#?}");
    }
}

/// What is said to find a breakdown does find it.
#[test]
fn the_extra_input_finds_what_cannot_be_found_without() {
    let scenario = scenario(1);
    let welded = |breakdown| breakdown == Breakdown::Other(Other::ChargeWelded);
    let without = matrix_of(&scenario, WANTED, welded);
    assert!(without.count(Verdict::Undetectable) > 0);
    let with = matrix_of(&scenario, Wanted { has_contacts: true, ..WANTED }, welded);
    assert_eq!(with.count(Verdict::Undetectable), 0);
    // Nothing here can open that relay; but somebody is called before cells are harmed, or in that moment.
    for cell in with.cells.iter().filter(|cell| cell.harm.is_any()) {
        assert!(cell.found == Some("charge_welded") && cell.alarm, "{cell:#?}");
    }
    // The check resistor of the starter's installation, if it has one, finds what all channels share.
    let has_check = scenario.settings.channels.iter().any(|channel| matches!(channel.role, Role::Check(_)));
    let shared = |breakdown| breakdown == Breakdown::Shared(Shared::Return(5.0));
    let matrix = matrix_of(&scenario, WANTED, shared);
    assert_eq!(matrix.count(Verdict::Undetectable) == 0, has_check);
    assert!(matrix.cells.iter().any(|cell| cell.state == State::Permitting));
}

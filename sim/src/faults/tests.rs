//! The matrix against what must be true of any matrix, and against matrices that must be worse.

use super::limits::Limits;
use super::row::Row;
use super::{Cell, Matrix, Recovery, Verdict, Wanted};
use crate::bank::Flow;
use crate::breakdown::{AtSource, Breakdown, Other, Shared, Wrong};
use crate::offer::Offer;
use crate::rehearse::testing::scenario;
use crate::rehearse::{Broken, Glimpse, Pace, Scenario, Watcher, play};
use crate::site::{Resets, Touches};
use crate::variation::Variation;
use forewarm_core::Layer;
use forewarm_core::fault::SystemFault;
use forewarm_core::settings::Role;
use forewarm_core::signals::{Outputs, State};
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
    let stuck = |breakdown| breakdown == Breakdown::Other(Other::ChargeStuckOpen);
    assert!(matrix_of(&scenario, WANTED, stuck).cells.iter().all(|cell| cell.verdict == Verdict::Undetectable));
    let with = matrix_of(&scenario, Wanted { has_contacts: true, ..WANTED }, stuck);
    for cell in with.cells.iter().filter(|cell| cell.state == State::Permitting) {
        assert!(cell.found == Some("charge_not_closing") && cell.alarm, "{cell:#?}");
    }
    // The check resistor of the starter's installation, if it has one, finds what all channels share.
    let has_check = scenario.settings.channels.iter().any(|channel| matches!(channel.role, Role::Check(_)));
    let shared = |breakdown| breakdown == Breakdown::Shared(Shared::Return(5.0));
    let matrix = matrix_of(&scenario, WANTED, shared);
    assert_eq!(matrix.count(Verdict::Undetectable) == 0, has_check);
    assert!(matrix.cells.iter().any(|cell| cell.state == State::Permitting));
}

/// Relays that weld: one is found, and only the thermal cut-out limits the heat; the other is not.
fn welded() -> Matrix {
    let relays = |breakdown| {
        matches!(breakdown, Breakdown::Other(Other::HeaterWelded | Other::ChargeWelded | Other::ClockWraps))
    };
    matrix_of(&scenario(1), WANTED, relays)
}

fn text(matrix: &Matrix) -> String {
    let mut text = Vec::new();
    matrix.write_text(&mut text).unwrap();
    String::from_utf8(text).unwrap()
}

/// Without the places at which a name may be broken.
fn page(matrix: &Matrix) -> String {
    matrix.page().replace("<wbr>", "")
}

/// In one line, as words were before they were broken into lines.
fn unbroken(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn what_was_harmed_is_said_before_anything_else() {
    let matrix = welded();
    let count = |is: fn(&Cell) -> bool| matrix.cells.iter().filter(|cell| is(cell)).count();
    let (harmed, held) =
        (count(|cell| cell.harm.is_any()), count(|cell| cell.cut_out && cell.verdict == Verdict::Safe));
    assert!(harmed > 0 && held > 0 && matrix.count(Verdict::Unsafe) == 0);
    let first = format!(
        "In {harmed} of {} scenes a part passed its limit: charge_relay.welded. In none of them do this installation's inputs show it \
         in time. In {held} more only the heater's thermal cut-out prevented it: heater_relay.welded. Exit status 0 does not mean \
         that nothing was harmed",
        matrix.cells.len()
    );
    let title = "Hut: the listed faults in every state";
    assert!(unbroken(&text(&matrix)).starts_with(&format!("{title} {first}")), "{}", text(&matrix));
    let page = page(&matrix).replace("</p>\n<p>", " ");
    let (_, after) = page.split_once("<p class=\"lead\">").unwrap();
    assert!(after.starts_with(&first), "{after:.600}");

    let mut wraps = matrix;
    wraps.cells.retain(|cell| cell.breakdown == Breakdown::Other(Other::ClockWraps));
    wraps.wanted = wraps.cells.len();
    assert!(text(&wraps).contains(&format!("In none of {} scenes did a part pass its limit.", wraps.wanted)));
    wraps.wanted += 1;
    assert!(unbroken(&text(&wraps)).starts_with(&format!("{title} INTERRUPTED: of {} scenes", wraps.wanted)));
}

/// A report that comes after the harm is none that prevented it.
#[test]
fn a_report_after_the_harm_is_called_too_late() {
    let mut matrix = welded();
    assert!(text(&matrix).contains("not reported: charge was on"));
    let late = matrix.cells.iter_mut().find(|cell| cell.harm.is_any()).unwrap();
    late.found = Some(SystemFault::ChargeWelded.facts().name);
    late.time_to_safe_s = Some(7200.0);
    assert!(unbroken(&text(&matrix)).contains("reported too late in 1: charge was on"), "{}", text(&matrix));
    assert!(page(&matrix).contains("reported too late, as charge_welded after 2.0 h"));
}

/// The hottest place of the plate, as a season shows it (°C).
struct Hottest(f64);

impl Watcher for Hottest {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        self.0 = self.0.max(glimpse.plate_c);
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

/// With its relay welded, a heater stays cold once a cut-out has opened for good, and heats again and again with one that resets itself.
/// Neither lets the plate get hotter than where it has opened, and what a minute's heat adds.
#[test]
fn a_cut_out_that_resets_itself_lets_a_welded_heater_heat_again() {
    let welded = |resets: Option<Resets>| {
        let mut scenario = scenario(1);
        scenario.site.thermal_cutouts.retain(|cutout| cutout.at == Touches::Plate);
        for cutout in &mut scenario.site.thermal_cutouts {
            cutout.resets = resets.unwrap_or(cutout.resets);
        }
        let limits = Limits::of(&scenario.site, &scenario.settings);
        scenario.thermal_cutouts = if resets.is_some() { limits.thermal_cutouts } else { Vec::new() };
        scenario.broken = vec![Broken { what: Breakdown::Other(Other::HeaterWelded), from_s: 3600, until_s: None }];
        let mut hottest = Hottest(f64::NEG_INFINITY);
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut hottest, &AtomicBool::new(false));
        (hottest.0, outcome.heater_wh)
    };
    let opens_c = 58.0;
    let [(by_hand_c, by_hand_wh), (by_itself_c, by_itself_wh), (without_c, without_wh)] =
        [Some(Resets::ByHand), Some(Resets::ByItself), None].map(welded);
    for hottest_c in [by_hand_c, by_itself_c] {
        assert!((opens_c..opens_c + 2.0).contains(&hottest_c), "{hottest_c}");
    }
    assert!(without_c > opens_c + 5.0, "{without_c}");
    assert!(by_hand_wh < 0.9 * by_itself_wh && by_itself_wh < without_wh, "{by_hand_wh} {by_itself_wh} {without_wh}");
}

#[test]
fn every_name_of_the_table_can_be_typed_and_every_word_in_it_is_explained() {
    let scenario = scenario(1);
    let some = |breakdown| match breakdown {
        Breakdown::Two([0, 1], wrong) => matches!(wrong, Wrong::Off(_) | Wrong::Drifts(_)),
        Breakdown::Other(other) => matches!(other, Other::HeaterOpen | Other::ClockStopped | Other::ChargeRefused),
        Breakdown::Shared(shared) => shared == Shared::Frozen,
        _ => false,
    };
    let matrix = matrix_of(&scenario, WANTED, some);
    let (text, page) = (text(&matrix), page(&matrix));
    let names: Vec<&str> = text.lines().filter_map(|line| line.split_whitespace().next()).collect();
    let rows = matrix.rows();
    let shown: Vec<&Row<'_>> = rows.iter().filter(|row| row.is_shown()).collect();
    assert!(shown.iter().any(|row| row.name.contains('+')), "no pair is shown");
    for row in shown {
        assert!(names.contains(&row.name), "{}", row.name);
        assert_eq!(Breakdown::named(row.name, &scenario), Some(row.breakdown));
        assert!(page.contains(&format!("<th scope=\"row\">{}</th>", row.name)), "{}", row.name);
    }
    let (_, meanings) = text.split_once("What the reports mean").unwrap();
    let words: Vec<&str> = matrix.cells.iter().flat_map(|cell| [cell.found, cell.waits]).flatten().collect();
    assert!(words.len() > 20);
    for word in words {
        assert!(meanings.contains(&format!("\n  {word}, ")), "{word}");
        assert!(page.contains(&format!("<th scope=\"row\">{word}</th>")), "{word}");
    }
    // The signs must line up on any terminal.
    for line in text.lines() {
        assert!(line.chars().count() <= crate::layout::WIDTH, "{line}");
    }
}

/// On paper and under a finger nothing hovers.
#[test]
fn the_line_under_a_row_tells_each_scene_that_ended_otherwise() {
    let matrix = welded();
    let page = page(&matrix);
    for row in matrix.rows() {
        let endings = row.endings();
        let told: Vec<_> =
            row.cells.iter().map(|cell| (cell.verdict, cell.harm.is_any(), cell.found, cell.waits)).collect();
        assert!(told.windows(2).all(|two| two[0] == two[1]) || endings.len() > 1, "{}: {endings:?}", row.name);
        assert!(!row.harm().is_any() || !endings.is_empty(), "{}", row.name);
        for ending in endings {
            assert!(page.contains(&format!("<br>{ending}")), "{ending}");
        }
    }
    // Letters and temperatures name all scenes but the most frequent.
    let row = &matrix.rows()[1];
    assert_eq!(row.name, "charge_relay.welded");
    let harmed = row.cells.iter().filter(|cell| cell.harm.is_any()).count();
    let endings = row.endings();
    let [named, most] = &endings[..] else { panic!("{endings:?}") };
    let (place, _) = named[2..].split_once(": ").unwrap();
    let times = if place.ends_with("all temperatures") { matrix.outsides_c.len() } else { 1 };
    let letters: usize = place.split(", ").map(|block| block.split(' ').next().unwrap().len()).sum();
    let scenes = if named.starts_with('!') { harmed } else { row.cells.len() - harmed };
    assert_eq!(letters * times, scenes, "{endings:?}");
    assert!(most[2..].starts_with("everywhere else: "), "{endings:?}");
}

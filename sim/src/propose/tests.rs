//! Proposals for drawn installations: what is written must be what was promised.

use super::remedies::check;
use super::*;
use crate::edit::{Draft, Edit, Home};
use crate::installation::first::{FirstFile, Like, QUESTIONS};
use crate::rehearse::{Scenario, play};
use crate::variation::Variation;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

static NOT_STOPPED: AtomicBool = AtomicBool::new(false);

fn proposed(text: &str, extent: Extent) -> Proposal {
    let installation = Installation::parse("drawn", text).expect("a file that passes its check");
    Proposal::search(("drawn", text, Path::new("")), &installation, extent, &NOT_STOPPED, &|_| {})
        .unwrap_or_else(|problems| panic!("{problems:?}\n{text}"))
}

/// An installation as somebody might plan it: out of an example or the starter, with some answers of his own, and a few
/// days of winter. With more than two batteries it is made of many cells, and long work.
fn drawn(number: u64, days: f64, most_batteries: i32) -> String {
    let mut random = Pcg64::seed_from_u64(number);
    let all: &[Like] = if most_batteries > 2 { &Like::ALL } else { &[Like::Hut, Like::Van] };
    let like = if random.random_bool(0.3) { None } else { all.choose(&mut random).copied() };
    let mut file = FirstFile::new(like);
    for question in QUESTIONS {
        if random.random_bool(0.6) || !file.is_open(question) {
            continue;
        }
        let mut number = |from: i32, to: i32| random.random_range(from..=to).to_string();
        let answer = match question.key {
            "coldest_c" => number(-30, -5),
            "wind_m_s" => number(0, 15),
            "batteries" => number(1, most_batteries),
            "battery_ah" => number(50, 300),
            "insulation_mm" => number(20, 100),
            "heater_w" => number(30, 400),
            "mains_w" => number(100, 600),
            // A heater on the engine alone is no better for it.
            "sun_w" if like != Some(Like::Van) => number(100, 300),
            "stands" => ["hut", "boat", "open"].choose(&mut random).expect("some").to_string(),
            "insulation" => ["xps", "pe_foam", "pir"].choose(&mut random).expect("some").to_string(),
            _ => continue,
        };
        // Not every answer suits what the file has by then.
        let _ = file.answer(question, &answer);
    }
    let mut draft = Draft::of(&file.text()).expect("TOML");
    draft.apply(&Edit::number(Home::Section("winter"), "days", days));
    draft.to_string()
}

fn comments(text: &str) -> Vec<&str> {
    text.lines().filter(|line| line.starts_with('#')).collect()
}

/// What every candidate must be, whatever was asked: checked again from its text alone.
fn holds_what_it_promises(text: &str, proposal: &Proposal) {
    for candidate in &proposal.candidates {
        let written = &candidate.installation;
        let installation =
            Installation::parse("written", written).unwrap_or_else(|problems| panic!("{problems:?}\n{written}"));
        let subject = Subject::of(&installation).expect("a site");
        let plan = Plan::of(subject, None);
        let open: Vec<_> = plan.findings.iter().filter(|finding| !finding.is_fine()).collect();
        assert!(open.is_empty(), "{open:#?}\n{written}");
        assert_eq!(comments(written), comments(text));
        let warm_up_h =
            plan.thermal.warm_ups.first().and_then(|warm_up| warm_up.permitted_h).map_or(0.0, |figure| figure.value);
        assert!((warm_up_h - candidate.figures.warm_up_h).abs() < 0.2, "{warm_up_h}: {:?}", candidate.figures);
        let scenario = Scenario::prepare(&installation, "written", Path::new(""), 1000).expect("a season");
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut (), &NOT_STOPPED);
        assert_eq!((outcome.violations, candidate.violations), (0, 0));
        let used_h = (outcome.charge_wanted_s - outcome.charge_refused_s) / 3600.0;
        // The search uses the cells of the file for every installation of the same measures: 0.04 K.
        assert!(
            (used_h - candidate.figures.charge_used_h).abs() < 0.5 + used_h * 0.01,
            "{used_h} h: {:?}",
            candidate.figures
        );
        // The changes are told, and lead from the file to what is written.
        let lines = |text: &str| text.lines().map(str::to_owned).collect::<std::collections::BTreeSet<_>>();
        let told = candidate.changes.len();
        assert_eq!(told == 0, lines(text) == lines(written), "{:?}", candidate.changes);
        assert!(candidate.changes.iter().all(|changed| changed.from != changed.to), "{:?}", candidate.changes);
    }
}

fn drawn_sites_are_served(numbers: std::ops::Range<u64>, most_batteries: i32, extent: Extent) {
    let (mut unserved, count) = (Vec::new(), numbers.end - numbers.start);
    for number in numbers {
        let text = drawn(number, 10.0, most_batteries);
        let proposal = proposed(&text, extent);
        holds_what_it_promises(&text, &proposal);
        if proposal.candidates.is_empty() {
            // Whoever gets nothing learns why.
            assert!(!proposal.nearest_lacks.is_empty(), "{number}");
            unserved.push((number, proposal.nearest_lacks));
        }
    }
    assert!(unserved.len() as u64 * 2 < count, "{} of {count} unserved: {unserved:#?}", unserved.len());
}

#[test]
fn what_is_proposed_for_drawn_sites_passes_plan_and_keeps_every_comment() {
    drawn_sites_are_served(0..3, 2, Extent { tries: 10, trials: 1, most: 1, seed: 1 });
}

/// Run it with `cargo test --release -p forewarm --lib propose -- --ignored`.
#[test]
#[ignore = "searches for 300 installations"]
fn what_is_proposed_for_300_drawn_sites_passes_plan_and_keeps_every_comment() {
    drawn_sites_are_served(0..300, 4, Extent { tries: 24, trials: 1, most: 2, seed: 1 });
}

/// The starter, ten days of it.
fn starter_with(changes: &[(&str, &str)]) -> String {
    let mut file = FirstFile::new(None);
    // One battery makes few cells, and short work.
    file.set(&["batteries=1".to_owned(), "heater_w=60".to_owned()]).expect("an answer");
    let mut text = file.text();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    let mut draft = Draft::of(&text).expect("TOML");
    draft.apply(&Edit::number(Home::Section("winter"), "days", 10.0));
    draft.to_string()
}

#[test]
fn what_is_fixed_stays() {
    let fixed = "fixed = [\"box\", \"channel.cells_low\", \"heater.power_w\"]";
    let text = starter_with(&[("# fixed = [\"heater.power_w\", \"box\", \"channel.cells_low\"]", fixed)]);
    let proposal = proposed(&text, Extent { tries: 8, trials: 1, most: 2, seed: 3 });
    assert!(proposal.candidates.iter().any(|candidate| !candidate.changes.is_empty()), "{proposal:?}");
    for candidate in &proposal.candidates {
        for Changed { place, .. } in &candidate.changes {
            let held = ["box.", "channel.cells_low.", "heater.power_w"];
            assert!(!held.iter().any(|held| place.starts_with(held)), "{place}");
        }
    }
    holds_what_it_promises(&text, &proposal);
}

#[test]
fn where_nothing_will_do_it_is_said_what_is_missing_and_by_how_much() {
    let fixed = "fixed = [\"heater\", \"box\", \"pad\"]";
    let text = starter_with(&[
        ("# fixed = [\"heater.power_w\", \"box\", \"channel.cells_low\"]", fixed),
        ("\npower_w = 60\n", "\npower_w = 5\n"),
    ]);
    let proposal = proposed(&text, Extent { tries: 8, trials: 1, most: 4, seed: 1 });
    assert!(proposal.candidates.is_empty());
    assert!(
        proposal.nearest_lacks.iter().any(|text| text.contains("the heater gives 5")),
        "{:?}",
        proposal.nearest_lacks
    );
    let heat = proposal.requirements.iter().find(|required| required.requirement.contains("the heat")).expect("heat");
    assert_eq!(heat.excluded, proposal.tried);
}

#[test]
fn a_search_that_is_stopped_proposes_nothing_that_was_not_proved() {
    let text = starter_with(&[]);
    let installation = Installation::parse("starter", &text).expect("a file");
    let stop = AtomicBool::new(false);
    let extent = Extent { tries: 1000, trials: 3, most: 4, seed: 1 };
    let halt = |_| stop.store(true, Ordering::Relaxed);
    let proposal =
        Proposal::search(("starter", &text, Path::new("")), &installation, extent, &stop, &halt).expect("a search");
    assert!(proposal.cut_short && proposal.candidates.is_empty() && proposal.tried < 1000, "{proposal:?}");
}

#[test]
fn a_remedy_that_is_offered_has_been_tried() {
    let text = starter_with(&[("\npower_w = 60\n", "\npower_w = 10\n")]);
    let installation = Installation::parse("starter", &text).expect("a file");
    let subject = Subject::of(&installation).expect("a site");
    let shapes = Shapes::of(subject.site);
    let mut plan = Plan::in_shapes(subject, None, &shapes);
    let open = |plan: &Plan| plan.findings.iter().filter(|finding| !finding.is_fine()).count();
    let before = open(&plan);
    assert!(before > 0, "{:?}", plan.findings);
    check(&mut plan, ("starter", &text, Path::new("")), &installation, &shapes, &|_| {}).expect("it can be changed");
    let mut offered = 0;
    for finding in plan.findings.iter().filter(|finding| !finding.is_fine()) {
        for changes in finding.checked.as_ref().expect("it was looked for") {
            let mut draft = Draft::of(&text).expect("TOML");
            for Changed { place, to, .. } in changes {
                let place: &'static str = Box::leak(place.clone().into_boxed_str());
                let (section, key) = place.split_once('.').expect("a place");
                draft.apply(&Edit { home: Home::Section(section), key, value: to.clone() });
            }
            let changed = Installation::parse("changed", &draft.to_string()).expect("it passes its check");
            let after = Plan::of(Subject::of(&changed).expect("a site"), None);
            assert!(open(&after) < before, "{changes:?}: {:?}", after.findings);
            offered += 1;
        }
    }
    assert!(offered > 0, "{:?}", plan.findings);
}

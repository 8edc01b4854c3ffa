//! `forewarm plan`: the verdict first, the figures after it, and a status that a script can go by.
#![allow(missing_docs)]

mod common;

use common::{Run, forewarm, forewarm_fed};
use forewarm::cautions::CAUTIONS;
use forewarm::installation::starter;
use serde_json::Value;
use std::sync::OnceLock;

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo/hut.toml");

/// The starter with the first line that begins with `from` replaced, for each pair.
fn starter_with(changes: &[(&str, &str)]) -> String {
    let mut text = starter();
    for (from, to) in changes {
        let line =
            text.lines().find(|line| line.starts_with(from)).unwrap_or_else(|| panic!("no line {from}")).to_owned();
        text = text.replacen(&line, to, 1);
    }
    text
}

fn plan(text: &str, arguments: &[&str]) -> Run {
    forewarm_fed(&[&["plan", "-"], arguments].concat(), text.as_bytes())
}

/// The starter as it is, planned once for all tests: a plan takes seconds, and the same one prints the same bytes.
fn starter_planned() -> &'static Run {
    static PLANNED: OnceLock<Run> = OnceLock::new();
    PLANNED.get_or_init(|| plan(&starter(), &[]))
}

/// The same as JSON.
fn starter_as_json() -> &'static Run {
    static PLANNED: OnceLock<Run> = OnceLock::new();
    PLANNED.get_or_init(|| plan(&starter(), &["--json"]))
}

#[track_caller]
fn json(run: &Run) -> Value {
    serde_json::from_str(&run.stdout).unwrap_or_else(|error| panic!("{error}: {run:?}"))
}

/// The words that open the findings, in their order.
fn severities(report: &Value) -> Vec<&str> {
    let findings = report["findings"].as_array().expect("a list");
    findings.iter().map(|finding| finding["severity"].as_str().expect("a word")).collect()
}

#[test]
fn the_starter_and_the_demo_can_be_planned_and_the_verdict_comes_first() {
    for run in [starter_planned(), &forewarm(&["plan", DEMO])] {
        assert_eq!(run.status, 0, "{run:?}");
        let lines: Vec<&str> = run.stdout.lines().collect();
        assert_eq!(lines[2], "Verdict", "{run:?}");
        for heading in
            ["Holding at", "Warming up at", "Error of channel", "Charge thresholds", "Circuit", "Sources", "Cautions"]
        {
            assert!(lines.iter().any(|line| line.starts_with(heading)), "no {heading}: {run:?}");
        }
        assert!(!run.stdout.contains("NaN") && !run.stdout.contains("inf"), "{run:?}");
    }
}

#[test]
fn the_cautions_are_said_once() {
    let said = starter_planned().stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for caution in CAUTIONS {
        assert_eq!(said.matches(caution).count(), 1, "{caution}");
    }
}

#[test]
fn thresholds_that_do_not_cover_the_thermometers_fail_the_check_after_everything_is_printed() {
    let text = starter_with(&[
        ("inhibit_c", "inhibit_c = 0.6"),
        ("release_c", "release_c = 1.1"),
        ("# disagreement_k", "disagreement_k = 0.5"),
    ]);
    let run = plan(&text, &[]);
    assert_eq!(run.status, 1, "{run:?}");
    let first = run.stdout.lines().nth(3).expect("a finding");
    assert!(first.contains("danger") && first.contains("inhibit 0.6 °C and release 1.1 °C"), "{run:?}");
    assert!(run.stdout.contains("\nCautions\n"), "{run:?}");
    let run = plan(&text, &["--json"]);
    assert_eq!(run.status, 1);
    let report = json(&run);
    assert_eq!((&report["ok"], &report["findings"][0]["fails"]), (&Value::Bool(false), &Value::Bool(true)));
    assert_eq!(report["measurement"]["thresholds"]["covered"], false);
}

#[test]
fn whatever_is_dangerous_fails_the_check() {
    let run = plan(&starter_with(&[("relay_v", "relay_v = 10")]), &["--json"]);
    let report = json(&run);
    assert_eq!(severities(&report)[0], "danger", "{run:?}");
    assert_eq!(report["measurement"]["thresholds"]["covered"], true);
    assert_eq!((run.status, &report["ok"]), (1, &Value::Bool(false)), "{run:?}");
}

#[test]
fn a_heater_that_cannot_hold_is_a_headline_and_no_error() {
    let run = plan(&starter_with(&[("power_w", "power_w = 5")]), &["--json"]);
    assert_eq!(run.status, 0, "{run:?}");
    let report = json(&run);
    let first = &report["findings"][0];
    assert_eq!(first["headline"], true, "{first}");
    assert!(first["text"].as_str().is_some_and(|text| text.starts_with("the heater cannot hold")), "{first}");
    assert!(first["change"].as_str().is_some_and(|change| change.contains("power_w = ")), "{first}");
}

#[test]
fn findings_come_worst_first() {
    let run = forewarm(&["plan", DEMO, "--json"]);
    let report = json(&run);
    let mut sorted = severities(&report);
    sorted.sort_by_key(|word| ["danger", "change", "fine"].iter().position(|known| known == word));
    assert_eq!(severities(&report), sorted);
    assert!(sorted.contains(&"fine"));
}

/// What scripts may go by.
#[test]
fn the_keys_for_machines_stay() {
    let report = json(starter_as_json());
    for pointer in [
        "/title",
        "/ok",
        "/findings/0/severity",
        "/findings/0/part",
        "/findings/0/text",
        "/findings/0/change",
        "/thermal/hold_w/value",
        "/thermal/hold_w/expanded_uncertainty",
        "/thermal/loss_w_per_k/value",
        "/thermal/reaches_c/value",
        "/thermal/night_wh/value",
        "/thermal/warm_ups/0/start_c",
        "/thermal/warm_ups/0/reads_released_h/value",
        "/thermal/warm_ups/0/coldest_place_h/value",
        "/thermal/warm_ups/0/permitted_h/value",
        "/thermal/warm_ups/0/energy_wh/value",
        "/thermal/warm_ups/0/plate_peak_c/value",
        "/thermal/powers/0/within_h",
        "/thermal/powers/0/power_w/value",
        "/thermal/insulation/0/thickness_mm",
        "/thermal/insulation/0/hold_w/value",
        "/measurement/channels/0/channel",
        "/measurement/channels/0/at_inhibit/lines/0/u_k",
        "/measurement/channels/0/at_inhibit/combined_k",
        "/measurement/channels/0/at_inhibit/expanded_k",
        "/measurement/channels/0/at_inhibit/bias_k",
        "/measurement/channels/0/at_inhibit/guard_band_k",
        "/measurement/thresholds/least_inhibit_c",
        "/measurement/thresholds/least_release_c",
        "/measurement/thresholds/recommended/inhibit_c",
        "/heater/at_supply_max/current_a",
        "/circuit/conductor/area_mm2",
        "/circuit/conductor/drop_nominal_pct",
        "/circuit/fuse_a",
        "/sources/0/source",
        "/sources/0/budget_w",
        "/cautions/2",
    ] {
        assert!(report.pointer(pointer).is_some(), "no {pointer}");
    }
}

#[test]
fn the_same_plan_twice_prints_the_same_bytes() {
    assert_eq!(forewarm(&["plan", DEMO]).stdout, forewarm(&["plan", DEMO]).stdout);
}

#[test]
fn a_wanted_warm_up_time_is_told_beside_the_usual_ones() {
    let report = json(&plan(&starter(), &["--json", "--within", "5.5"]));
    let powers = report["thermal"]["powers"].as_array().expect("a list");
    let within: Vec<f64> = powers.iter().map(|row| row["within_h"].as_f64().expect("a number")).collect();
    assert_eq!(within, [2.0, 4.0, 5.5, 8.0]);
    for wrong in ["0", "-3", "nan", "inf", "1e9", "soon"] {
        let run = plan(&starter(), &[&format!("--within={wrong}")]);
        assert_eq!((run.status, run.stdout.as_str()), (2, ""), "{wrong}: {run:?}");
    }
}

#[test]
fn a_file_without_a_site_is_refused_with_what_it_lacks() {
    let text = starter();
    let settings = &text[..text.find("\n[battery]").expect("the site's sections come last")];
    let run = plan(settings, &[]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{run:?}");
    assert!(run.stderr.contains("says nothing of the site") && run.stderr.contains("[battery]"), "{run:?}");
}

/// Each with its place and remedy they would stand six lines before every result.
#[test]
fn warnings_are_counted_in_a_line_that_names_what_prints_them() {
    let run = plan(&starter_with(&[("inhibit_c", "inhibit_c = 4.9"), ("budget_w", "budget_w = 0")]), &[]);
    assert_eq!(run.stderr.lines().count(), 1, "{run:?}");
    assert!(run.stderr.starts_with("standard input: ") && run.stderr.contains("warnings; `forewarm check`"), "{run:?}");
}

#[test]
fn a_file_with_errors_or_none_at_all_is_not_planned() {
    let run = plan(&starter_with(&[("mass_kg", "mass_kg = -1")]), &[]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{run:?}");
    assert!(run.stderr.contains("mass_kg"), "{run:?}");
    let run = forewarm(&["plan", "no such file.toml"]);
    assert_eq!((run.status, run.stdout.as_str()), (2, ""), "{run:?}");
}

#[test]
fn a_winter_harsher_than_what_is_planned_for_is_found() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(demo.join("weather.csv"), folder.path().join("weather.csv")).unwrap();
    let hut = std::fs::read_to_string(demo.join("hut.toml")).unwrap();
    let path = folder.path().join("hut.toml");
    for (design_min_c, is_found) in [("-5", true), ("-22", false)] {
        let text = hut.replace("design_min_c = -22", &format!("design_min_c = {design_min_c}"));
        std::fs::write(&path, text).unwrap();
        let run = forewarm(&["plan", path.to_str().unwrap()]);
        assert_eq!(run.stdout.contains("harsher than what this plan"), is_found, "{}", run.stdout);
    }
}

/// The finding that speaks of `what`: its severity, text and change.
#[track_caller]
fn about(report: &Value, what: &str) -> (String, String, String) {
    let findings = report["findings"].as_array().expect("a list");
    let word = |finding: &Value, key: &str| finding[key].as_str().unwrap_or_default().to_owned();
    let found = findings.iter().find(|finding| word(finding, "text").contains(what));
    let found = found.unwrap_or_else(|| panic!("nothing about {what}: {findings:#?}"));
    (word(found, "severity"), word(found, "text"), word(found, "change"))
}

#[test]
fn a_pad_that_gives_more_than_its_area_bears_is_dangerous() {
    // 200 W at 12.8 V are 274.66 W at 15 V; on 150 cm² 1.83 W/cm².
    let text = starter_with(&[
        ("power_w", "power_w = 200"),
        ("length_mm = 320", "length_mm = 150"),
        ("width_mm = 320", "width_mm = 100"),
    ]);
    let run = plan(&text, &["--json"]);
    let (severity, text, change) = about(&json(&run), "W/cm²");
    assert_eq!((severity.as_str(), run.status), ("danger", 1), "{run:?}");
    assert!(text.contains("1.83 W/cm²") && text.contains("0.3 W/cm²"), "{text}");
    assert!(change.contains("a pad of at least 1010 cm²") && change.contains("power_w = 29"), "{change}");
}

/// The starter with its first channel on two wires.
fn on_two_wires(leads: &str) -> String {
    starter_with(&[
        ("wiring", &format!("wiring = \"2-wire\"\n{leads}")),
        ("element", "element = \"pt1000\""),
        ("reference_ohm", "reference_ohm = 4000"),
    ])
}

#[test]
fn what_was_measured_of_the_leads_wins_over_what_the_cable_would_have() {
    // 15 m of 0.22 mm² have more than what the meter says.
    let report = json(&plan(&on_two_wires("lead_loop_ohm = 2.2\ncable_m = 14.47\ncable_mm2 = 0.22"), &["--json"]));
    let leads = &report["measurement"]["channels"][0]["leads"];
    // In the fixed-point ohms of the settings.
    let is = |leads: &Value, ohm: f64| leads["loop_ohm_20c"].as_f64().is_some_and(|found| (found - ohm).abs() < 1e-5);
    assert!(is(leads, 2.2) && leads["from"] == "measured", "{leads}");
    for finding in report["findings"].as_array().expect("a list") {
        let change = finding["change"].as_str().unwrap_or_default();
        assert!(!change.contains("lead_loop_ohm = 2"), "{finding}");
    }
    let computed = json(&plan(&on_two_wires("cable_m = 14.47\ncable_mm2 = 0.22"), &["--json"]));
    assert_eq!(computed["measurement"]["channels"][0]["leads"]["from"], "cable");
}

#[test]
fn a_measured_loop_that_the_cable_cannot_have_is_told_and_kept() {
    let report = json(&plan(&on_two_wires("lead_loop_ohm = 0.39\ncable_m = 12\ncable_mm2 = 0.5"), &["--json"]));
    assert_eq!(report["measurement"]["channels"][0]["leads"]["from"], "measured");
    let (severity, text, change) = about(&report, "do not agree");
    assert_eq!(severity, "change");
    assert!(
        text.contains("0.39 Ω") && text.contains("0.936 Ω") && change.contains("far end bridged"),
        "{text} {change}"
    );
}

#[test]
fn the_plan_prints_the_conductivity_it_reckons_with() {
    let run = starter_planned();
    assert!(run.stdout.contains("50 mm of xps, 0.034 W/(m K)"), "{run:?}");
}

const PLYWOOD_AND_FOAM: &str =
    "layers = [ { material = \"plywood\", thickness_mm = 12 }, { material = \"xps\", thickness_mm = 25 } ]";

/// The starter with this in place of its insulation.
fn in_layers(layers: &str, more: &[(&str, &str)]) -> String {
    starter_with(more).replace("insulation = \"xps\"", layers).replace("\nthickness_mm = 50\n", "\n")
}

#[test]
fn thicker_insulation_is_proposed_of_what_insulates_and_never_of_plywood() {
    let weak = [("power_w", "power_w = 14"), ("design_min_c", "design_min_c = -25")];
    let report = json(&plan(&in_layers(PLYWOOD_AND_FOAM, &weak), &["--json"]));
    let (_, _, change) = about(&report, "hold");
    assert!(change.contains("mm of xps all round") && !change.contains("plywood"), "{change}");
    // Where nothing insulates, foam is added inside.
    let bare = "insulation = \"plywood\"\nthickness_mm = 12";
    let report = json(&plan(&in_layers(bare, &weak), &["--json"]));
    let (_, _, change) = about(&report, "hold");
    assert!(change.contains("mm of xps added inside all round") && !change.contains("plywood"), "{change}");
}

#[test]
fn a_layer_more_loses_less() {
    let hold = |layers: &str| {
        let report = json(&plan(&in_layers(layers, &[]), &["--json"]));
        report["thermal"]["hold_w"]["value"].as_f64().unwrap_or_else(|| panic!("{report:#}"))
    };
    let foam = "layers = [ { material = \"xps\", thickness_mm = 25 } ]";
    assert!(hold(PLYWOOD_AND_FOAM) < hold(foam) * 0.99);
    assert!((hold(foam) - hold("insulation = \"xps\"\nthickness_mm = 25")).abs() < 1e-9);
}

#[test]
fn coils_and_fuses_are_proposed_as_they_are_sold() {
    let text = starter_with(&[("# coil_v", "coil_v = 48"), ("# fuse_a", "fuse_a = 17")]);
    let report = json(&plan(&text, &["--json"]));
    assert_eq!(about(&report, "a coil of 48 V").2, "a coil of 12 V, or another supply for the coil");
    assert!(about(&report, "17 A").2.contains("a fuse of 20 A"), "{report:#}");
    let report = json(starter_as_json());
    assert_eq!(about(&report, "a coil of").1, "a coil of 12 V pulls in from 10.3 V on and bears 15 V");
}

#[test]
fn a_mains_pad_is_refused_as_such_and_its_circuit_is_not_sized() {
    let run = plan(&starter_with(&[("nominal_v", "nominal_v = 230"), ("supply_max_v", "supply_max_v = 250")]), &[]);
    assert_eq!(run.status, 1, "{run:?}");
    assert!(run.stderr.contains("licensed") && !run.stderr.contains("nominal_v = 12.8"), "{run:?}");
    // 100 V, on a bank of 12.8 V: as it may be in some countries.
    let text = starter_with(&[
        ("nominal_v", "nominal_v = 100"),
        ("supply_min_v", "supply_min_v = 90"),
        ("supply_max_v", "supply_max_v = 110"),
    ]);
    let report = json(&plan(&text, &["--json"]));
    assert_eq!(report["circuit"], Value::Null);
    assert!(about(&report, "is not sized here").1.contains("licensed"), "{report:#}");
}

/// A fitter must read what was reckoned with, and that the hours of the schedule were not.
#[test]
fn a_plan_says_that_the_box_stands_in_a_room_and_which_part_of_it_counts() {
    let schedule = "# schedule = \"sat 10:00-22:00";
    let changes = [
        ("# [room]", "[room]"),
        (schedule, "schedule = \"sat 10:00-22:00, sun 09:00-15:00\""),
        ("# warmer_by_k", "warmer_by_k = 6"),
        ("# temperature_c", "temperature_c = 18"),
    ];
    let text = starter_with(&changes);
    let printed = plan(&text, &[]).stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in [
        "Holding at -14 °C in the room (-20 °C outside), without wind",
        "a room 6 K warmer than the outside, and at 18 °C or more for 18 h a week; no wind reaches it",
        "The hours of its schedule do not count here: the box must hold when nobody is there.",
        "from -14 °C charge is permitted after",
    ] {
        assert!(printed.contains(said), "{said} is not in {printed}");
    }
    let thermal = &json(&plan(&text, &["--json"]))["thermal"];
    assert_eq!((thermal["design_min_c"].as_f64(), thermal["design_air_c"].as_f64()), (Some(-20.0), Some(-14.0)));
    let room = serde_json::json!({ "warmer_by_k": 6.0, "temperature_c": 18.0, "scheduled_h_per_week": 18.0 });
    assert_eq!(thermal["room"], room);
    assert!(!starter_planned().stdout.contains(" room"));
    // The schedule changes nothing that is planned.
    let alone = starter_with(&[changes[0], changes[2]]);
    let (with, alone) = (json(&plan(&text, &["--json"])), json(&plan(&alone, &["--json"])));
    assert_eq!(
        (&with["thermal"]["hold_w"], &with["thermal"]["warm_ups"]),
        (&alone["thermal"]["hold_w"], &alone["thermal"]["warm_ups"])
    );
}

/// A heater on a source of its own: the bank's voltage, its budget and the other sources no longer count for it, and what does not go
/// with that fails the plan.
#[test]
fn a_heater_on_one_source_is_planned_with_that_alone() {
    let fed = [
        ("# fed_by = ", "fed_by = \"mains\""),
        ("budget_w = 300", "budget_w = 0"),
        ("budget_w = 600", "budget_w = 300\npower_w = 600\nrated_a = 40\nrated_v = 24"),
        ("nominal_v = ", "nominal_v = 24"),
        ("supply_min_v = ", "supply_min_v = 22"),
        ("supply_max_v = ", "supply_max_v = 26"),
        ("relay_v = ", "relay_v = 60"),
    ];
    let run = plan(&starter_with(&fed), &["--json"]);
    let report = json(&run);
    assert_eq!((run.status, &report["heater_fed_by"]), (0, &"mains".into()), "{run:?}");
    assert!(!run.stdout.contains("cells in series have"), "the bank's voltages do not matter: {run:?}");
    assert!(run.stdout.contains("hangs on mains alone: at 24 V it takes 120 ± 12 W"), "{run:?}");
    let text = plan(&starter_with(&fed), &[]);
    assert!(text.stdout.contains("  The heater hangs on mains alone.\n"), "{text:?}");
    let spent = ("spend = ", "spend = \"always\"\nreserve_pct = 50\nresume_pct = 60");
    for (changes, said) in [
        ([&fed[..], &[spent]].concat(), "the bank cannot feed this heater"),
        // The pad of the starter, for 12.8 V.
        (fed[..3].to_vec(), "has 24 V, and the heater may run from 11.5 V to 15 V only"),
    ] {
        let run = plan(&starter_with(&changes), &["--json"]);
        assert_eq!((run.status, severities(&json(&run))[0]), (1, "danger"), "{run:?}");
        assert!(run.stdout.contains(said), "{said}: {run:?}");
    }
}

#[test]
fn plan_shows_what_makes_a_source_obey_and_how_many_batteries_the_ceiling_counts() {
    let report = json(starter_as_json());
    let says = "its current limit is set over a data line to the ceiling that the controller sends";
    assert_eq!((&report["sources"][0]["obeys"], &report["sources"][1]["obeys"]), (&Value::Null, &Value::from(says)));
    let (severity, text, _) = about(&report, "obeys the ceiling");
    assert!(severity == "fine" && text.starts_with("mains") && text.contains(says), "{text}");
    let ceiling = &report["ceiling"];
    assert_eq!((ceiling["batteries"].as_u64(), ceiling["counted"].as_u64()), (Some(2), Some(1)));
    // 0.3 C of 200 Ah, one of two batteries gone.
    assert_eq!(ceiling["points"][1]["bank_a"].as_f64(), Some(30.0));
    let said = starter_planned().stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("Of 2 batteries in parallel the ceiling counts 1"), "{said}");
}

#[test]
fn the_ceiling_that_a_plan_prints_to_be_pasted_holds_the_makers_table() {
    let printed = &starter_planned().stdout;
    let line = |name: &str| {
        let found = printed.lines().map(str::trim).find(|line| line.starts_with(&format!("{name} = [")));
        found.unwrap_or_else(|| panic!("no {name}: {printed}")).to_owned()
    };
    let (maker, shifted) = (line("maker_ceiling"), line("ceiling"));
    let own = starter();
    let own = &own[own.find("\nceiling = [\n").expect("the ceiling")..];
    let own = &own[..own.find("\n]\n").expect("its end") + 3];
    let with_maker = starter().replacen("\n[battery]\n", &format!("\n[battery]\n{maker}\n"), 1);
    let run = plan(&with_maker.replacen(own, &format!("\n{shifted}\n"), 1), &["--json"]);
    let (severity, text, _) = about(&json(&run), "the charge-current ceiling");
    assert_eq!((severity.as_str(), run.status), ("fine", 0), "{text}");
    // The maker's points themselves, used at the reading, are dangerous once it is known whose they are.
    let run = plan(&with_maker, &["--json"]);
    let (severity, text, change) = about(&json(&run), "the charge-current ceiling");
    assert_eq!((severity.as_str(), run.status), ("danger", 1), "{text}");
    assert!(change.contains("printed below") && plan(&with_maker, &[]).stdout.contains(&shifted), "{change}");
}

#[test]
fn a_section_is_written_whole_over_nothing_that_is_there_and_over_no_input() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).to_str().expect("a name").to_owned();
    let out = path("section.svg");
    let run = forewarm(&["plan", DEMO, "--section", &out]);
    assert_eq!(run.status, 0, "{run:?}");
    assert!(run.stdout.contains("Verdict"), "{run:?}");
    let drawn = std::fs::read_to_string(&out).expect("a drawing");
    assert!(drawn.starts_with("<svg") && drawn.ends_with("</svg>\n"));
    // What is refused is refused before the work, and nothing is touched.
    std::fs::write(&out, "mine").expect("written");
    let installation = path("installation.svg");
    std::fs::write(&installation, starter()).expect("written");
    for (arguments, said) in [
        (vec![DEMO, "--section", &out], "exists already"),
        (vec![&*installation, "--force", "--section", &installation], "is an input of this command"),
        (vec![DEMO, "--section", &path("section.png")], "ends in .svg"),
        (vec![DEMO, "--section", "-"], "the standard output is for the plan"),
        (vec![DEMO, "--section", &path("nowhere/section.svg")], "its folder does not exist"),
    ] {
        let run = forewarm(&[&["plan"], &*arguments].concat());
        assert_eq!(run.status, 2, "{arguments:?}: {run:?}");
        assert!(run.stderr.contains(said) && run.stdout.is_empty(), "{arguments:?}: {run:?}");
    }
    assert_eq!(std::fs::read_to_string(&out).expect("a file"), "mine");
    assert_eq!(std::fs::read_to_string(&installation).expect("a file"), starter());
    assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 2);
    let run = forewarm(&["plan", DEMO, "--force", "--section", &out]);
    assert_eq!(run.status, 0, "{run:?}");
    assert_eq!(std::fs::read_to_string(&out).expect("a drawing"), drawn);
}

use super::first::Like;
use super::*;
use crate::edit::Home;
use forewarm_core::settings::{Key, Place, SettingsError, TABLE, Thousandths};
use proptest::prelude::*;
use std::collections::{BTreeSet, HashMap};
use std::fmt::Write;

/// A file that sets everything the table lists, each value by `value`; `reserve_v` decides between the two kinds of reserve.
fn full_file(reserve_v: bool, mut value: impl FnMut(Place) -> i64) -> String {
    let mut text = String::new();
    let mut settings = |text: &mut String, section: &str, index: usize| {
        for &key in Key::ALL.iter().filter(|key| key.fact().section == section && set(**key, reserve_v)) {
            let belongs = match index {
                CHECK => is_of_check(key) || key == Key::Reference,
                TAPPED => is_of_tap(key) || matches!(key, Key::Reference | Key::Offset),
                _ => !is_of_check(key) && !is_of_tap(key),
            };
            if section == "channel" && !belongs {
                continue;
            }
            let written = Thousandths(value(Place::at(key, index)));
            writeln!(text, "{} = {written}", key.fact().name).unwrap();
        }
    };
    for section in ["charge", "heater", "trust", "bank"] {
        writeln!(text, "[{section}]").unwrap();
        settings(&mut text, section, 0);
    }
    text.push_str("spend = \"with_source\"\n");
    for index in 0..2 {
        writeln!(text, "[[source]]\nname = \"s{index}\"").unwrap();
        settings(&mut text, "source", index);
    }
    for index in 0..3 {
        text.push_str("[[charge.ceiling]]\n");
        settings(&mut text, "charge.ceiling", index);
    }
    for (index, role) in ["cell", "pad"].into_iter().enumerate() {
        writeln!(text, "[[channel]]\nname = \"c{index}\"\nrole = \"{role}\"\nelement = \"pt100\"\nwiring = \"2-wire\"")
            .unwrap();
        settings(&mut text, "channel", index);
    }
    writeln!(text, "[[channel]]\nname = \"c{CHECK}\"\nrole = \"check\"").unwrap();
    settings(&mut text, "channel", CHECK);
    writeln!(text, "[[channel]]\nname = \"c{TAPPED}\"\nrole = \"ambient\"\nelement = \"pt100\"\nwiring = \"3-wire\"")
        .unwrap();
    settings(&mut text, "channel", TAPPED);
    text
}

/// The channel with a lead that is measured alone.
const TAPPED: usize = 3;

fn is_of_tap(key: Key) -> bool {
    matches!(key, Key::LeadLeast | Key::LeadMost)
}

/// The channel with the check resistor.
const CHECK: usize = 2;

fn is_of_check(key: Key) -> bool {
    matches!(key, Key::CheckOhm | Key::CheckWithin)
}

fn set(key: Key, reserve_v: bool) -> bool {
    match key {
        Key::ReserveFloor | Key::ReserveResume => !reserve_v,
        Key::ReserveFloorVoltage | Key::ReserveResumeVoltage | Key::ReserveSag => reserve_v,
        _ => true,
    }
}

/// A value that goes with the usual values of all other settings.
fn usual(place: Place) -> i64 {
    let fact = place.key.fact();
    let middle = i64::midpoint(fact.minimum, fact.maximum) / 1000 * 1000;
    match (place.key, fact.default) {
        (Key::CeilingAt, _) => 5_000 * (i64::from(place.index) + 1),
        (Key::Reference, _) => 400_000,
        (Key::CheckOhm, _) => 100_000,
        (Key::CheckWithin, _) => 500,
        (Key::LeadLeast, _) => 200,
        (Key::LeadMost, _) => 2_000,
        (Key::SupplyMax | Key::ReserveResume | Key::ReserveResumeVoltage, _) => middle + 5_000,
        (_, Some(default)) => default,
        (_, None) => middle,
    }
}

/// A few settings that have any other value in their range, whole where only whole ones are allowed.
fn changes(most: usize) -> impl Strategy<Value = HashMap<Place, i64>> {
    let change = (prop::sample::select(Key::ALL), 0..3_usize, any::<u64>()).prop_map(|(key, index, seed)| {
        let fact = key.fact();
        let index = match fact.section {
            "charge.ceiling" => index,
            "channel" if is_of_check(key) => CHECK,
            "channel" if is_of_tap(key) => TAPPED,
            "source" | "channel" => index % 2,
            _ => 0,
        };
        let span = fact.maximum.abs_diff(fact.minimum) + 1;
        let value = fact.minimum + i64::try_from(seed % span).expect("a range of the table");
        (Place::at(key, index), if fact.unit.is_empty() { value / 1000 * 1000 } else { value })
    });
    prop::collection::vec(change, 0..most).prop_map(|list| list.into_iter().collect())
}

fn changed(changes: &HashMap<Place, i64>) -> impl Fn(Place) -> i64 {
    move |place| changes.get(&place).copied().unwrap_or_else(|| usual(place))
}

/// The errors of the core for the settings that `text` holds, found by reading it as `parse` does.
fn core_errors(text: &str) -> (sections::Draft, Vec<SettingsError>) {
    let mut findings = document::Findings::new("test", text);
    let document = document::parse(&mut findings).expect("valid TOML");
    let mut reader = values::Reader::new(findings, None);
    let draft = sections::read(&mut reader, &document);
    assert_eq!(reader.findings.into_problems(), [], "{text}");
    let mut errors = Vec::new();
    draft.settings.check(|error| errors.push(error));
    (draft, errors)
}

fn count(problems: &[Problem], severity: Severity) -> usize {
    problems.iter().filter(|problem| problem.severity == severity).count()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn every_setting_arrives_as_it_is_written(changes in changes(60), reserve_v: bool) {
        let value = changed(&changes);
        let (draft, _) = core_errors(&full_file(reserve_v, &value));
        for &key in Key::ALL.iter().filter(|key| set(**key, reserve_v)) {
            let fact = key.fact();
            let places = match fact.section {
                "charge.ceiling" => 0..3,
                "channel" if is_of_check(key) => CHECK..CHECK + 1,
                "channel" if is_of_tap(key) => TAPPED..TAPPED + 1,
                "source" | "channel" => 0..2,
                _ => 0..1,
            };
            for index in places {
                let place = Place::at(key, index);
                let held = draft.settings.value(place).unwrap_or_else(|| panic!("{place} is not set"));
                // What the core's type resolves: a tenth of a percent, a joule (0.28 mWh), a 262 144th of an ohm, told rounded down.
                let resolution = match fact.unit {
                    "%" => 50,
                    "Wh" | "Ω" => 1,
                    _ => 0,
                };
                prop_assert!((held - value(place)).abs() <= resolution, "{}: {} became {}", place, value(place), held);
            }
        }
    }

    #[test]
    fn a_file_is_accepted_where_the_core_accepts_its_settings_and_told_as_often_as_the_core_objects(
        changes in changes(8),
        reserve_v: bool,
    ) {
        let text = full_file(reserve_v, changed(&changes));
        let (_, errors) = core_errors(&text);
        match Installation::parse("test", &text) {
            Ok(installation) => {
                prop_assert!(errors.is_empty());
                prop_assert_eq!(count(&installation.warnings, Severity::Error), 0);
            }
            Err(problems) => {
                prop_assert!(!errors.is_empty());
                prop_assert_eq!(count(&problems, Severity::Error), errors.len(), "{:#?}\n{:#?}", problems, errors);
                for problem in problems {
                    prop_assert!(problem.remedy.is_some_and(|remedy| !remedy.is_empty()));
                    let placed = problem.position.is_some() || problem.severity == Severity::Warning;
                    prop_assert!(placed, "{} has no place", problem.message);
                }
            }
        }
    }

    #[test]
    fn the_remedies_offered_for_a_wrong_order_put_it_right(
        changes in changes(8),
        reserve_v: bool,
    ) {
        let text = full_file(reserve_v, changed(&changes));
        let Err(problems) = Installation::parse("test", &text) else { return Ok(()) };
        for problem in &problems {
            let (Some(position), Some(remedy)) = (problem.position, &problem.remedy) else { continue };
            // The first way out is for the line it is told on.
            let alone = remedy.split("if not, ").last().unwrap_or_default();
            let first = alone.split(", or ").next().unwrap_or_default();
            let line = text.lines().nth(position.line as usize - 1).unwrap_or_default();
            let name = |line: &str| line.split(" = ").next().map(str::to_owned);
            if !problem.message.contains(", not ") || !first.contains(" = ") || name(first) != name(line) {
                continue;
            }
            let number = position.line as usize - 1;
            let mended: Vec<&str> = text.lines().enumerate().map(|(at, line)| if at == number { first } else { line }).collect();
            let mut left = Installation::parse("test", &mended.join("\n")).map_or_else(|problems| problems, |held| held.warnings);
            // A wrong order is an error; warnings name no pair.
            left.retain(|problem| problem.severity == Severity::Error);
            let pair = |problem: &Problem| {
                let mut names: Vec<String> = problem.message.split([' ', '(']).filter(|word| word.contains(['.', '_'])).map(str::to_owned).collect();
                names.retain(|word| word.starts_with(char::is_alphabetic));
                names.sort();
                names
            };
            // Settings of a channel go by no path in a message; their place does.
            let names = |problem: &Problem| (pair(problem), problem.place.clone());
            prop_assert!(left.iter().all(|other| names(other) != names(problem)), "{} did not help:\n{}\n{:#?}", first, problem, left);
        }
    }

    #[test]
    fn no_damage_to_a_file_panics_and_every_refusal_says_what_and_where(
        cuts in prop::collection::vec((any::<prop::sample::Index>(), 0..40_usize, damage()), 1..6),
    ) {
        let mut bytes = starter().into_bytes();
        for (at, length, bits) in cuts {
            let start = at.index(bytes.len() + 1);
            let end = (start + length).min(bytes.len());
            let cut: Vec<u8> = bytes[start..end].to_vec();
            let filling = match bits {
                Damage::Delete => Vec::new(),
                Damage::Twice => [&cut[..], &cut[..]].concat(),
                Damage::Replace(other) => other,
            };
            bytes.splice(start..end, filling);
        }
        let text = String::from_utf8_lossy(&bytes);
        if let Err(problems) = Installation::parse("test", &text) {
            prop_assert!(count(&problems, Severity::Error) > 0);
            let lines = u32::try_from(text.split('\n').count()).unwrap();
            for problem in problems {
                prop_assert!(!problem.message.is_empty());
                prop_assert!(problem.remedy.is_some_and(|remedy| !remedy.is_empty()));
                prop_assert!(!problem.message.contains(char::is_control));
                if let Some(position) = problem.position {
                    prop_assert!((1..=lines).contains(&position.line));
                }
            }
        }
    }
}

#[derive(Clone, Debug)]
enum Damage {
    Delete,
    Twice,
    Replace(Vec<u8>),
}

/// Bytes, and pieces that mean something to TOML.
fn damage() -> impl Strategy<Value = Damage> {
    let pieces = prop::sample::select(vec![
        "[",
        "]",
        "[[channel]]\n",
        "[charge]\n",
        "=",
        "\"",
        "'''",
        "\n",
        "#",
        "{ a = [ 1 ] }",
        "-1e999",
        "nan",
        "0x_f",
        "1979-05-27",
        "true",
        "\u{FEFF}",
        "\u{1b}",
        "inhibit_c = 9\n",
        "release_f = 50\n",
        "reserve_v = 12\n",
        "calibration = [ {}, {} ]\n",
        "a.b.c = 1\n",
    ]);
    prop_oneof![
        Just(Damage::Delete),
        Just(Damage::Twice),
        prop::collection::vec(any::<u8>(), 1..8).prop_map(Damage::Replace),
        pieces.prop_map(|piece| Damage::Replace(piece.as_bytes().to_vec())),
    ]
}

#[test]
fn a_slip_in_a_section_name_does_not_make_its_settings_missing() {
    let text = starter().replace("[heater]", "[heatr]").replace("[[source]]", "[[sources]]");
    let problems = Installation::parse("test", &text).unwrap_err();
    let messages: Vec<&str> = problems.iter().map(|problem| &*problem.message).collect();
    assert_eq!(messages, ["there is no section [heatr]", "there is no section [sources]"]);
}

#[test]
fn what_a_stand_in_would_bring_up_is_not_told() {
    // A stand-in is the lowest value of the range, which would break the order of most thresholds.
    for name in ["inhibit_c", "release_c", "power_w", "supply_min_v", "supply_max_v", "reference_ohm"] {
        let text: String = starter()
            .lines()
            .map(|line| {
                if line.starts_with(&format!("{name} = ")) {
                    format!("{name} = \"wrong\"\n")
                } else {
                    format!("{line}\n")
                }
            })
            .collect::<Vec<_>>()
            .concat();
        let problems = Installation::parse("test", &text).unwrap_err();
        assert!(problems.iter().all(|problem| problem.message.contains("\"wrong\", not a number")), "{problems:#?}");
    }
}

/// 2 Ω are 5.1 K of a Pt100 at 0.39 Ω/K, and a tenth of that of a Pt1000 (IEC 60751).
#[test]
fn a_lone_cell_on_two_wires_is_warned_of_by_what_its_contacts_may_gain() {
    let told = |element: &str, reference: u32, cells: usize, converter: &str| {
        let mut text = starter().replace("element = \"pt100\"", &format!("element = \"{element}\""));
        text = text.replace("reference_ohm = 400\n", &format!("reference_ohm = {reference}\n"));
        text = text.replacen("wiring = \"4-wire\"", "wiring = \"2-wire\"\nlead_loop_ohm = 0.2", 1);
        if cells == 1 {
            text =
                text.replacen("name = \"cells_high\"\nrole = \"cell\"", "name = \"cells_high\"\nrole = \"ambient\"", 1);
        }
        text = text.replacen("\n[converter]\n", &format!("\n[converter]\n{converter}\n"), 1);
        let installation = Installation::parse("test", &text).expect("no error");
        installation
            .warnings
            .into_iter()
            .map(|problem| problem.message.to_string())
            .find(|told| told.contains("on the only cell channel"))
    };
    let says = |told: Option<String>, what: &str| {
        let told = told.expect("told");
        assert!(told.starts_with("channel 1 (cells_low): wiring") && told.contains(what), "{told}");
    };
    says(told("pt100", 400, 1, ""), "gain 2 Ω in service make it read 5.1 K warm");
    says(told("pt1000", 4000, 1, ""), "gain 2 Ω in service make it read 0.5 K warm");
    says(told("pt100", 400, 1, "contact_growth_mohm = 500"), "gain 0.5 Ω in service make it read 1.3 K warm");
    assert_eq!(told("pt100", 400, 1, "contact_growth_mohm = 0"), None, "nothing grows");
    assert_eq!(told("pt100", 400, 2, ""), None, "a second cell contradicts it");
}

#[test]
fn a_bank_that_counts_as_one_battery_for_want_of_a_number_is_warned_of() {
    let site = starter().find("\n# The batteries: equal ones").expect("the first section of the site");
    let alone = &starter()[..site];
    let warned = |text: &str| {
        let warnings = Installation::parse("test", text).expect("no error").warnings;
        warnings.into_iter().find(|warning| warning.message.contains("counts as one battery"))
    };
    let warning = warned(alone).expect("nothing says how many");
    assert!(warning.remedy.is_some_and(|remedy| remedy.contains("batteries = 1")) && warning.position.is_some());
    for batteries in [1, 2] {
        let said = alone.replacen("# batteries = 2", &format!("batteries = {batteries}"), 1);
        assert_ne!(said, alone);
        assert_eq!(warned(&said), None, "{batteries}");
    }
    assert_eq!(warned(&starter()), None, "[battery] has the number");
}

#[test]
fn a_makers_table_is_read_or_refused_with_its_place() {
    let parsed = |points: &str| {
        let text = starter().replacen("\n[battery]\n", &format!("\n[battery]\nmaker_ceiling = {points}\n"), 1);
        assert_ne!(text, starter());
        Installation::parse("test", &text)
    };
    let installation = parsed("[ { cell_c = 0, c_rate = 0.05 }, { cell_c = 15.5, c_rate = 0.5 } ]").expect("no error");
    let battery = installation.site.expect("a site").battery;
    for (cell_c, allowed_a) in [(-5.0, 5.0), (0.0, 5.0), (3.1, 14.0), (15.5, 50.0), (40.0, 50.0)] {
        let most_a = battery.most_charge_a(cell_c, 100.0).expect("a table");
        assert!((most_a - allowed_a).abs() < 1e-9, "{most_a} A at {cell_c} °C");
    }
    let read = battery.maker_ceiling;
    assert_eq!(read.iter().map(|point| (point.cell_c, point.c_rate)).collect::<Vec<_>>(), [(0.0, 0.05), (15.5, 0.5)]);
    for (points, said) in [
        ("[]", "has no point"),
        ("5", "not a list"),
        ("[ { cell_c = 5 } ]", "c_rate"),
        ("[ { cell_c = nan, c_rate = 0.1 } ]", "cell_c"),
        ("[ { cell_c = 5, c_rate = 50 } ]", "outside 0 to 5 C"),
        ("[ { cell_c = 5, c_rate = -0.1 } ]", "outside 0 to 5 C"),
        ("[ { cell_c = 900, c_rate = 0.1 } ]", "outside -20 to 80 °C"),
        ("[ { cell_c = 5, c_rate = 0.1 }, { cell_c = 5, c_rate = 0.2 } ]", "not above the point before it"),
        ("[ { cell_c = 5, c_rate = 0.1, amps = 3 } ]", "amps"),
    ] {
        let problems = parsed(points).expect_err(points);
        assert!(
            problems.iter().any(|problem| problem.message.contains(said) && problem.position.is_some()),
            "{points}: {problems:#?}"
        );
    }
}

#[test]
fn a_bank_of_which_nothing_is_measured_is_warned_of_with_what_to_add() {
    let warned = |bank: &str| {
        let text = starter().replacen("spend = \"never\"\n", bank, 1).replacen("\nmeasured = \"voltage\"\n", "\n", 1);
        let warnings = Installation::parse("test", &text).expect("no error").warnings;
        warnings.into_iter().find(|warning| warning.place.as_ref() == "bank.measured")
    };
    for silent in ["spend = \"never\"\n", "spend = \"never\"\nmeasured = \"neither\"\n"] {
        let warning = warned(silent).expect("nothing is measured");
        assert!(warning.why.is_some_and(|why| why.contains("a minute at a time")), "the consequence");
        assert!(warning.remedy.is_some_and(|remedy| remedy.contains("measured = \"voltage\"")), "what to add");
    }
    for measured in ["voltage", "charge", "both"] {
        assert_eq!(warned(&format!("measured = \"{measured}\"\n")), None, "{measured}");
    }
    assert_eq!(warned("spend = \"always\"\nreserve_v = 12.8\nresume_v = 13.2\n"), None, "a reserve needs its measure");
}

#[test]
fn a_reserve_by_what_is_not_measured_is_warned_of() {
    let warned = |bank: &str| {
        let text = starter().replacen("spend = \"never\"\n", bank, 1).replacen("\nmeasured = \"voltage\"\n", "\n", 1);
        let warnings = Installation::parse("test", &text).expect("no error").warnings;
        warnings.into_iter().any(|problem| problem.message.contains("bank.measured leaves out"))
    };
    for (reserve, other) in
        [("reserve_v = 12.8\nresume_v = 13.2", "charge"), ("reserve_pct = 50\nresume_pct = 60", "voltage")]
    {
        for (measured, is_warned) in [(other, true), ("neither", true), ("both", false)] {
            let bank = format!("spend = \"always\"\n{reserve}\nmeasured = \"{measured}\"\n");
            assert_eq!(warned(&bank), is_warned, "{bank}");
        }
    }
}

#[test]
fn an_installation_without_a_check_resistor_or_with_a_useless_one_is_warned_of() {
    let warned = |from: &str, to: &str| {
        let text = starter().replacen(from, to, 1);
        assert_ne!(text, starter());
        let warnings = Installation::parse("test", &text).expect("no error").warnings;
        warnings.into_iter().map(|problem| problem.message.to_string()).collect::<Vec<_>>().join("; ")
    };
    let cut = starter();
    let without = &cut[cut.find("name = \"check\"").unwrap()..cut.find("check_within_ohm = ").unwrap()];
    let without = format!("{without}check_within_ohm = 0.3\n");
    let ambient =
        "name = \"check\"\nrole = \"ambient\"\nelement = \"pt100\"\nwiring = \"4-wire\"\nreference_ohm = 400\n";
    assert!(warned(&without, ambient).contains("no channel has the role check"));
    assert!(warned("check_within_ohm = 0.3", "check_within_ohm = 0.05").contains("check_within_ohm is 0.05"));
    let other = "role = \"check\"\nreference_ohm = 402";
    assert!(warned("role = \"check\"\nreference_ohm = 400", other).contains("not the reference of any thermometer"));
}

#[test]
fn whoever_shows_a_file_as_a_form_gets_every_number_and_every_word_of_the_tables() {
    let mut listed = BTreeSet::new();
    for text in Like::ALL.map(Like::text).into_iter().chain([starter()]) {
        let (installation, quantities) = Installation::examine("file", &text, None);
        installation.expect("it passes the check");
        listed.extend(quantities.iter().map(|quantity| match quantity.home {
            Home::Entry(section, list, _) => (format!("{section}.{list}"), quantity.key),
            home => (home.section().to_owned(), quantity.key),
        }));
    }
    let numbers = TABLE.iter().chain(site::table::TABLE).map(|fact| (fact.section, fact.name));
    let texts = site::table::TEXTS.iter().map(|text| (text.section, text.name));
    let all = numbers.chain(texts);
    let missing: Vec<_> = all.filter(|(section, key)| !listed.contains(&((*section).to_owned(), *key))).collect();
    // What is asked for only where another value is there that none of these files has.
    let beside =
        [("battery", "terminal_cable_m"), ("channel", "along_mm"), ("channel", "across_mm"), ("channel", "up_mm")];
    assert_eq!(missing, beside);
}

use super::*;
use proptest::prelude::*;
use proptest::sample::{select, subsequence};
use std::collections::BTreeSet;

/// The starter and every example.
fn origins() -> impl Iterator<Item = Option<Like>> {
    [None].into_iter().chain(Like::ALL.map(Some))
}

fn question(key: &str) -> &'static Question {
    QUESTIONS.iter().find(|question| question.key == key).unwrap_or_else(|| panic!("no {key}"))
}

fn answered(like: Option<Like>, answers: &[(&str, &str)]) -> Sheet {
    let mut file = FirstFile::new(like);
    for (key, answer) in answers {
        file.answer(question(key), answer).unwrap_or_else(|refused| panic!("{key}={answer}: {refused:?}"));
    }
    file.0
}

fn said(key: &str, answer: &str) -> Refused {
    FirstFile::new(None).answer(question(key), answer).expect_err(answer)
}

/// Lines that are comments and do not offer a setting.
fn comments(text: &str) -> Vec<&str> {
    let offers = |line: &str| {
        line.strip_prefix("# ").and_then(|line| line.split_once(" = ")).is_some_and(|(name, _)| {
            name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_')
        })
    };
    text.lines().filter(|line| line.starts_with('#') && !offers(line)).collect()
}

/// Whether every one of `parts` is in `whole`, in the same order.
fn are_in_order(parts: &[&str], whole: &[&str]) -> bool {
    let mut whole = whole.iter();
    parts.iter().all(|part| whole.any(|line| line == part))
}

#[test]
fn every_origin_passes_the_check_without_a_warning() {
    for like in origins() {
        let installation = Installation::parse("first", &FirstFile::new(like).text()).expect("no problem");
        assert_eq!(installation.warnings, [], "{like:?}");
    }
}

#[test]
fn an_example_needs_no_other_file() {
    for like in Like::ALL {
        let installation = Installation::parse(like.name(), &like.text()).expect("no problem");
        assert_eq!(installation.site.expect("a site").files().count(), 0, "{like:?}");
        assert!(!like.text().contains("weather.csv"), "{like:?}");
    }
}

#[test]
fn a_sheet_gives_back_its_text() {
    for like in origins() {
        let text = like.map_or_else(starter, Like::text);
        assert_eq!(Sheet::of(&text).text(), text, "{like:?}");
    }
}

#[test]
fn no_two_questions_have_one_key() {
    let keys: BTreeSet<&str> = QUESTIONS.iter().map(|question| question.key).collect();
    assert_eq!(keys.len(), QUESTIONS.len());
}

#[test]
fn the_answer_that_a_file_has_changes_nothing() {
    for like in origins() {
        let mut file = FirstFile::new(like);
        let text = file.text();
        for question in QUESTIONS {
            let Some(now) = file.now(question) else { continue };
            file.answer(question, &now).unwrap_or_else(|refused| panic!("{like:?}: {}: {refused:?}", question.key));
        }
        assert_eq!(file.text(), text, "{like:?}");
    }
}

/// Asked with Enter alone, a file stays as it was. So each question is answered by what its file has.
#[test]
fn enter_keeps_every_default() {
    for like in origins() {
        let mut file = FirstFile::new(like);
        let text = file.text();
        let mut said = Vec::new();
        let asked = ask(&mut file, &[], &mut "\n".repeat(QUESTIONS.len()).as_bytes(), &mut said).unwrap();
        assert_eq!((asked, file.text()), (Asked::All, text), "{like:?}");
        let said = String::from_utf8(said).unwrap();
        let open = QUESTIONS.iter().filter(|question| file.is_open(question));
        for question in open {
            assert!(said.replace('\n', " ").contains(question.asks), "{like:?}: {}", question.key);
        }
    }
}

#[test]
fn a_bad_answer_is_refused_in_words_and_asked_again() {
    let all_but: Vec<&Question> = QUESTIONS.iter().filter(|question| question.key != "batteries").collect();
    let mut file = FirstFile::new(None);
    let mut said = Vec::new();
    let asked = ask(&mut file, &all_but, &mut "lots\n9\n2.5\n3\n".as_bytes(), &mut said).unwrap();
    assert_eq!(asked, Asked::All);
    let said = String::from_utf8(said).unwrap();
    for words in ["\"lots\" is not a number", "\"9\" is above 8", "\"2.5\" is not a whole number"] {
        assert!(said.contains(&format!("  {words}\n  try: a whole number from 1 to 8\n")), "{words}: {said}");
    }
    assert_eq!(said.matches("[2] ").count(), 4, "{said}");
    assert_eq!(file.0.number_of("battery", "count"), Some(3.0));
}

#[test]
fn an_end_of_the_input_stops_the_asking() {
    for input in ["", "\n\n", "\n-2"] {
        let mut file = FirstFile::new(None);
        assert_eq!(ask(&mut file, &[], &mut input.as_bytes(), &mut Vec::new()).unwrap(), Asked::Stopped, "{input:?}");
    }
}

#[test]
fn a_question_that_is_answered_already_is_not_asked() {
    let mut said = Vec::new();
    let answered: Vec<&Question> = QUESTIONS.iter().collect();
    let asked = ask(&mut FirstFile::new(None), &answered, &mut "".as_bytes(), &mut said).unwrap();
    assert_eq!(asked, Asked::All);
    assert_eq!(String::from_utf8(said).unwrap().lines().count(), 1);
}

#[test]
fn a_source_that_is_not_there_is_asked_about_once() {
    let mut file = FirstFile::new(None);
    let sources: Vec<&Question> = QUESTIONS.iter().filter(|question| !question.key.starts_with("engine")).collect();
    let mut said = Vec::new();
    assert_eq!(ask(&mut file, &sources, &mut "none\n".as_bytes(), &mut said).unwrap(), Asked::All);
    assert!(!file.text().lines().any(|line| line == "name = \"engine\""));
}

#[test]
fn more_batteries_need_more_room_and_hold_more() {
    let sheet = answered(None, &[("batteries", "4")]);
    let number = |section, key| sheet.number_of(section, key).unwrap();
    assert!((number("charge", "capacity_ah") - 400.0).abs() < 1e-9);
    // 4 × 172 mm and 3 × 5 mm, with the 51 mm of room that there was around two.
    assert!((number("box", "width_mm") - 754.0).abs() < 1e-9);
    let cells: Vec<_> = sheet.list("channel").into_iter().map(|place| sheet.number(place, "battery")).collect();
    assert_eq!(cells, [Some(1.0), Some(4.0), None, None, None]);
}

#[test]
fn a_single_battery_has_nothing_between_it_and_another() {
    for like in origins() {
        let sheet = answered(like, &[("batteries", "1")]);
        let cells: Vec<String> = sheet
            .list("channel")
            .into_iter()
            .filter(|&place| sheet.word(place, "role") == Some("cell"))
            .filter_map(|place| sheet.word(place, "at").map(str::to_owned))
            .collect();
        let apart: BTreeSet<&String> = cells.iter().collect();
        assert_eq!(apart.len(), cells.len(), "{like:?}: {cells:?}");
        assert!(!cells.contains(&"between".to_owned()), "{like:?}: {cells:?}");
    }
}

#[test]
fn another_voltage_keeps_the_watts() {
    let sheet = answered(Some(Like::Boat), &[("system_v", "48")]);
    let number = |section, key| sheet.number_of(section, key).unwrap();
    assert!((number("heater", "nominal_v") - 51.2).abs() < 1e-9 && (number("heater", "power_w") - 200.0).abs() < 1e-9);
    assert!((number("battery", "cells_in_series") - 16.0).abs() < 1e-9);
    let engine = sheet.list("source")[0];
    assert_eq!((sheet.number(engine, "budget_w"), sheet.number(engine, "most_current_a")), (Some(700.0), Some(16.0)));
    assert!(sheet.section("circuit").is_some_and(|place| sheet.value(place, "fuse_a").is_none()));
}

/// Found by the property below: 5 W give 120 Wh in the longest run, and a heavy bank asked for more as a proof.
#[test]
fn a_weak_heater_is_not_asked_to_prove_more_than_it_can_give() {
    let sheet = answered(None, &[("battery_kg", "45"), ("heater_w", "5")]);
    assert_eq!(sheet.number_of("heater", "proof_wh"), Some(60.0));
    let sheet = answered(None, &[("heater_w", "5"), ("battery_kg", "45")]);
    assert_eq!(sheet.number_of("heater", "proof_wh"), Some(60.0));
}

#[test]
fn a_source_can_be_added_changed_and_taken_away() {
    let sheet = answered(None, &[("engine_w", "none"), ("sun_w", "800"), ("sun_a", "30")]);
    let names: Vec<_> = sheet.list("source").into_iter().filter_map(|place| sheet.word(place, "name")).collect();
    assert_eq!(names, ["mains", "solar"]);
    let solar = sheet.list("source")[1];
    assert_eq!((sheet.number(solar, "power_w"), sheet.number(solar, "most_current_a")), (Some(800.0), Some(30.0)));
    // 120 W at 12.8 V are 164.8 W at 15 V, which is a fifth of the panels.
    assert_eq!((sheet.number(solar, "budget_w"), sheet.number(solar, "sun_at_least_w_m2")), (Some(165.0), Some(210.0)));
    let sheet = answered(None, &[("mains_w", "900"), ("mains_when", "daily 00:00-24:00")]);
    let mains = sheet.list("source")[1];
    assert_eq!(
        (sheet.number(mains, "budget_w"), sheet.word(mains, "schedule")),
        (Some(900.0), Some("daily 00:00-24:00"))
    );
}

#[test]
fn a_heater_that_lost_its_only_source_hangs_on_the_bank() {
    let sheet = answered(Some(Like::Van), &[("engine_w", "none"), ("mains_w", "600")]);
    assert_eq!(sheet.word_of("circuit", "fed_by"), None);
    let installation = Installation::parse("van", &sheet.text()).unwrap();
    assert_eq!(installation.sources, ["mains"]);
    assert_eq!(installation.site.unwrap().fed_by, None);
}

#[test]
fn a_place_changes_wind_and_ground() {
    let sheet = answered(Some(Like::Boat), &[("stands", "shelter")]);
    assert!(sheet.section("room").is_none());
    assert_eq!(housing::stand(&sheet), Some("shelter"));
    let sheet = answered(Some(Like::Shelter), &[("stands", "van"), ("coldest_c", "-20")]);
    assert_eq!(sheet.word_of("site", "stands_on"), None);
    // As much warmer as the coldest day: -32 to -20 °C.
    assert_eq!(sheet.number_of("winter", "spell_c"), Some(-12.0));
}

#[test]
fn a_common_case_has_a_word() {
    let sheet = answered(None, &[("battery_mm", "BCI_24")]);
    assert_eq!(bank::case(&sheet).map(f64::to_bits), [260.0, 173.0, 225.0_f64].map(f64::to_bits));
    assert_eq!(answered(None, &[("battery_mm", "260 × 173 × 225 mm")]), sheet);
}

#[test]
fn a_bad_answer_says_what_is_wrong_and_what_to_answer() {
    for (key, answer, message, remedy) in [
        ("batteries", "", "not a number", "a whole number from 1 to 8"),
        ("battery_ah", "1,5", "comma", "a number from 5 to 1000 Ah"),
        ("battery_ah", "4.9999 Ah", "at most three decimals", "from 5"),
        ("coldest_c", "-60", "below -40 °C", "from -40 to 10 °C"),
        ("coldest_c", "inf", "not a finite number", "from -40"),
        ("insulation", "pie", "no answer here", "pir (it may be xps, eps"),
        ("insulation", "straw bales", "no answer here", "one of xps, eps"),
        ("battery_mm", "330x172", "not 3 measures", "330x172x215, in mm; or one of bci_24"),
        ("battery_mm", "330xxx", "not 3 measures", "330x172x215"),
        ("battery_mm", "330x172x2", "below 60 mm", "from 60 to 800 mm"),
        ("pad_mm", "big", "not 2 measures", "330x172, in mm"),
        ("engine_when", "mondays", "\"mondays\"", "mon-fri"),
        ("engine_w", "no", "not a number", "from 10 to 20000 W, or none"),
        ("title", "a\u{7}b", "control character", "letters"),
        // What only the check can see.
        ("box_mm", "100x100x100", "the row of batteries", "at least"),
        ("battery_kg", "200", "kg/m³", "mass_kg"),
        ("pad_mm", "900x900", "larger than the plate", "at most"),
        ("sun_a", "10", "nothing that this is about", "leave out sun_a"),
    ] {
        let refused = said(key, answer);
        assert!(refused.message.contains(message), "{key}={answer}: {refused:?}");
        assert!(refused.remedy.contains(remedy), "{key}={answer}: {refused:?}");
    }
}

#[test]
fn a_refused_answer_changes_nothing() {
    let mut file = FirstFile::new(None);
    assert!(file.answer(question("box_mm"), "100x100x100").is_err());
    assert_eq!(file.text(), starter());
}

#[test]
fn answers_by_name_are_all_judged_before_any_is_reported() {
    let answers = ["batteries=0", "batterys=3", "coldest_c", "heater_w=100", "heater_w=200"].map(str::to_owned);
    let problems = FirstFile::new(None).set(&answers).unwrap_err();
    let told: Vec<String> = problems.iter().map(ToString::to_string).collect();
    assert_eq!(told.len(), 4, "{told:?}");
    for (said, words) in told.iter().zip([
        ["--set has no key \"batterys\"", "try: batteries; the keys are title, stands"],
        ["--set \"coldest_c\" has no =", "try: --set key=value"],
        ["heater_w is given twice", "try: one of the two"],
        ["--set batteries=0: \"0\" is below 1", "try: a whole number from 1 to 8"],
    ]) {
        assert!(words.iter().all(|words| said.contains(words)), "{said}");
    }
}

#[test]
fn the_order_of_answers_by_name_does_not_matter() {
    let answers = ["box_mm=400x700x300", "batteries=3", "battery_mm=bci_27"].map(str::to_owned);
    let (mut one, mut other) = (FirstFile::new(None), FirstFile::new(None));
    one.set(&answers).unwrap();
    other.set(&answers.into_iter().rev().collect::<Vec<_>>()).unwrap();
    assert_eq!(one.text(), other.text());
}

/// A valid answer to a question. What must fit the rest is drawn by parts of it, and measured when its turn comes.
#[derive(Clone, Debug)]
enum Drawn {
    Words(String),
    /// The battery's density (kg/L).
    Density(f64),
    /// Room around the row, and above it (mm).
    Room([f64; 3]),
    /// Part of the row that the pad covers, each way.
    Cover([f64; 2]),
}

impl Drawn {
    fn answer(&self, sheet: &Sheet) -> String {
        let row = bank::Row::of(sheet);
        match self {
            Self::Words(words) => words.clone(),
            Self::Density(density) => {
                sheet::number((density * bank::case(sheet).iter().product::<f64>() / 1e6).clamp(0.5, 300.0))
            }
            Self::Room([along, across, above]) => {
                let sides = [row.length + along, row.width + across, row.height + 10.0 + above];
                sides.map(|side| sheet::number(side.ceil())).join("x")
            }
            Self::Cover([along, across]) => {
                let sides = [row.length * along, row.width * across];
                sides.map(|side| sheet::number(side.floor().max(30.0))).join("x")
            }
        }
    }
}

fn draw(key: &'static str) -> BoxedStrategy<Drawn> {
    let number = |range: std::ops::RangeInclusive<i32>, per: f64| {
        range.prop_map(move |parts| Drawn::Words(sheet::number(f64::from(parts) / per))).boxed()
    };
    let word = |words: Vec<&'static str>| select(words).prop_map(|word| Drawn::Words(word.to_owned())).boxed();
    let power = || prop_oneof![Just("none".to_owned()), (10..20_000).prop_map(|watts: i32| watts.to_string())];
    match key {
        "title" => "[a-zA-Z0-9 \"\\\\='#.-]{1,60}".prop_map(Drawn::Words).boxed(),
        "stands" => word(housing::STANDS.iter().map(|stand| stand.name).collect()),
        "coldest_c" => number(-400..=100, 10.0),
        "wind_m_s" => number(0..=60, 1.0),
        "system_v" => word(vec!["12", "24", "48"]),
        "batteries" => number(1..=8, 1.0),
        "battery_ah" => number(5..=1000, 1.0),
        "battery_mm" => prop_oneof![
            word(bank::CASES.iter().map(|(word, _)| *word).collect()),
            [100..600_i32, 60..300_i32, 80..500_i32]
                .prop_map(|measures| Drawn::Words(measures.map(|measure| measure.to_string()).join("x"))),
        ]
        .boxed(),
        "battery_kg" => (0.6..4.0).prop_map(Drawn::Density).boxed(),
        "box_mm" => [0.0..200.0, 0.0..200.0, 0.0..200.0].prop_map(Drawn::Room).boxed(),
        "insulation" => word(crate::materials::INSULATIONS.iter().map(|known| known.name).collect()),
        "insulation_mm" => number(3..=300, 1.0),
        "heater_w" => number(5..=5000, 1.0),
        "pad_mm" => [0.3..1.0, 0.3..1.0].prop_map(Drawn::Cover).boxed(),
        "sensor_cable_m" => number(2..=1000, 10.0),
        "engine_w" | "mains_w" | "sun_w" => power().prop_map(Drawn::Words).boxed(),
        "engine_a" | "mains_a" | "sun_a" => number(0..=20_000, 10.0),
        "engine_when" | "mains_when" => {
            word(vec!["daily 00:00-24:00", "sat,sun 09:00-18:00", "mon-fri 07:30-08:30 17:00-17:45"])
        }
        unknown => panic!("nothing is drawn for {unknown}"),
    }
}

/// Answers to some of the questions, in their order.
fn drawn() -> impl Strategy<Value = Vec<(&'static str, Drawn)>> {
    let keys: Vec<&'static str> = QUESTIONS.iter().map(|question| question.key).collect();
    let count = keys.len();
    subsequence(keys, 1..=count).prop_flat_map(|keys| {
        keys.into_iter().map(|key| draw(key).prop_map(move |drawn| (key, drawn))).collect::<Vec<_>>()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// An answer within its range, and that fits the rest, is never refused.
    #[test]
    fn valid_answers_make_a_file_that_passes_the_check_and_keeps_every_comment(
        like in select(origins().collect::<Vec<_>>()),
        answers in drawn(),
    ) {
        let mut file = FirstFile::new(like);
        let before = file.text();
        for (key, drawn) in answers {
            let question = question(key);
            if !file.is_open(question) {
                continue;
            }
            // The shelter has three sources, and a file has room for one more.
            let is_new = file.now(question).as_deref() == Some("none");
            if is_new && file.0.list("source").len() == 4 {
                continue;
            }
            let answer = drawn.answer(&file.0);
            let refused = file.answer(question, &answer).err();
            prop_assert_eq!(refused, None, "{}={}", key, answer);
        }
        let text = file.text();
        prop_assert!(Installation::parse("first", &text).is_ok());
        prop_assert!(are_in_order(&comments(&before), &comments(&text)), "{}", text);
    }

    #[test]
    fn no_answer_panics(index in 0..QUESTIONS.len(), answer in any::<String>()) {
        let mut file = FirstFile::new(None);
        let before = file.text();
        if file.answer(&QUESTIONS[index], &answer).is_err() {
            prop_assert_eq!(file.text(), before);
        }
    }
}

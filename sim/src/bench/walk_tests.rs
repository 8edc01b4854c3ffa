//! A card gone through with a person who types, and with a controller whose words are written down beforehand.

use super::record::{Entry, Ice};
use super::tests::PRECISE;
use super::*;
use crate::diagnostic::Problem;
use crate::edit::Draft;
use crate::installation::Installation;
use crate::installation::first::Like;
use forewarm_core::fault::{Faults, SystemFault};
use forewarm_core::quantity::{Celsius, Fraction, Instant};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Alarm, Cause, Line, Outputs, Relay, Sources, State};
use forewarm_core::wire::service::Telemetry;

fn hut() -> Installation {
    Installation::parse("hut", &Like::Hut.text()).expect("no problem")
}

fn card() -> Card {
    Card::of(&hut(), &PRECISE).expect("a site")
}

/// The card with one step alone.
fn only(step: Step) -> Card {
    Card { parts: vec![Part { title: "One".to_owned(), lead: Vec::new(), steps: vec![step] }], ..card() }
}

/// Heater on and charge off within 10 s.
fn warming() -> Step {
    does(true, 180)
}

/// Both off within 10 s, and still so after `still_s`.
fn waiting(still_s: u32) -> Step {
    does(false, still_s)
}

fn does(heater: bool, still_s: u32) -> Step {
    let expect = Expect::Outputs {
        heater,
        charge: false,
        told: String::new(),
        state: if heater { "warming" } else { "waiting" },
        cause: "cells_cold",
        faults: Vec::new(),
        reads: Some(Reading { channel: "battery_1".to_owned(), unit: "°C", low: 4.0, high: 5.0 }),
        within_s: 10,
        still_s,
    };
    Step { how: "connected".to_owned(), expect }
}

fn telemetry(heater: Relay, reading_mc: i32) -> Telemetry {
    let outputs = Outputs {
        heater,
        charge: Relay::Open,
        full: Relay::Open,
        ceiling: Fraction::ZERO,
        alarm: Alarm::Quiet,
        state: if heater == Relay::Closed { State::Warming } else { State::Waiting },
        cause: Cause::CellsCold,
        overdue: None,
        faults: Faults::NONE,
    };
    let mut readings = [None; MAX_CHANNELS];
    readings[0] = Some(Celsius::from_millidegrees(reading_mc));
    Telemetry {
        now: Instant::from_millis(0),
        readings,
        supply: None,
        bank: None,
        state_of_charge: None,
        sources: Sources::NONE,
        charge_line: Line::Allowed,
        discharge_line: Line::Allowed,
        outputs,
        frames_dropped: 0,
        events_dropped: 0,
    }
}

/// What is said in a second.
type Says = Box<dyn FnMut(u32) -> Option<Telemetry>>;

/// Says something each second, by a script.
struct Scripted<F> {
    second: u32,
    says: F,
}

impl<F: FnMut(u32) -> Option<Telemetry>> Controller for Scripted<F> {
    fn clock_s(&self) -> f64 {
        self.second.into()
    }

    fn forget(&mut self) -> Result<(), Problem> {
        Ok(())
    }

    fn next(&mut self) -> Result<Option<Telemetry>, Problem> {
        self.second += 1;
        Ok((self.says)(self.second - 1))
    }
}

/// Goes through `card` with what is typed, and returns the record, the end, and what was shown.
fn gone_through(card: &Card, typed: &str, controller: Option<&mut dyn Controller>) -> (Record, Walked, String) {
    let mut record = Record::begin(card, "somebody");
    let (walked, shown) = gone_on(card, &mut record, typed, controller);
    (record, walked, shown)
}

fn gone_on(card: &Card, record: &mut Record, typed: &str, controller: Option<&mut dyn Controller>) -> (Walked, String) {
    let mut shown = Vec::new();
    let mut saved = record.entries.len();
    let names = hut().channels;
    let walked = walk((card, &names), record, controller, (&mut typed.as_bytes(), &mut shown), &mut |record| {
        saved += 1;
        assert_eq!(record.entries.len(), saved, "each step is kept at once");
        Ok(())
    });
    (walked.expect("nothing fails"), String::from_utf8(shown).expect("UTF-8"))
}

fn only_entry(record: &Record) -> &Entry {
    assert_eq!(record.entries.len(), 1);
    &record.entries[0]
}

#[test]
fn what_is_typed_passes_or_fails_by_its_bounds_and_a_bad_answer_is_asked_again() {
    let step = Step { how: "measured".to_owned(), expect: Expect::Measured { unit: "Ω", low: 1.2, high: Some(1.5) } };
    for (typed, verdict, measured) in [
        ("1.2\n", Verdict::Pass, "1.2 Ω"),
        ("1.51\n", Verdict::Fail, "1.51 Ω"),
        ("1,3\n1.3\n", Verdict::Pass, "1.3 Ω"),
        ("nan\ninf\n\n1.3 Ω\n1.30\n", Verdict::Pass, "1.30 Ω"),
        ("s\n", Verdict::Skipped, ""),
    ] {
        let (record, walked, _) = gone_through(&only(step.clone()), typed, None);
        let entry = only_entry(&record);
        assert_eq!((walked, entry.verdict, &*entry.measured), (Walked::All, verdict, measured), "{typed:?}");
    }
    let (record, walked, _) = gone_through(&only(warming()), "it stayed off\n", None);
    assert_eq!(
        (walked, only_entry(&record).verdict, &*only_entry(&record).measured),
        (Walked::All, Verdict::Fail, "it stayed off")
    );
}

#[test]
fn what_was_broken_off_goes_on_where_it_was() {
    let card = card();
    let (mut record, walked, _) = gone_through(&card, "0.9\n1.4\nq\n", None);
    assert_eq!((walked, record.entries.len()), (Walked::BrokenOff, 2));
    let text = serde_json::to_string(&record).expect("JSON");
    assert_eq!(Record::resume("record", &text, &card).expect("the same card"), record);
    let (walked, shown) = gone_on(&card, &mut record, "y\n", None);
    assert_eq!((walked, record.entries.len()), (Walked::BrokenOff, 3));
    assert!(!shown.contains("1.1 ") && shown.contains("1.3 "), "{shown}");
    let numbers: Vec<&str> = record.entries.iter().map(|entry| &*entry.step).collect();
    assert_eq!(numbers, ["1.1", "1.2", "1.3"]);
}

/// A reading that is no ice calibrates nothing, and is tried again.
#[test]
fn a_step_that_failed_is_asked_again_and_calibrates_nothing() {
    let card = card();
    let (_, ice) = card.steps().find(|(_, step)| step.how.contains("crushed ice")).expect("a step");
    let card = only(ice.clone());
    let (mut record, ..) = gone_through(&card, "4.00\n", None);
    assert!(only_entry(&record).verdict == Verdict::Fail && Calibration::of(&record, &hut()).is_empty());
    let mut shown = Vec::new();
    let names = hut().channels;
    walk((&card, &names), &mut record, None, (&mut "0.10\n".as_bytes(), &mut shown), &mut |_| Ok(()))
        .expect("nothing fails");
    assert!(only_entry(&record).verdict == Verdict::Pass);
    assert_eq!(Calibration::of(&record, &hut()).len(), 1);
}

/// What a resistor is turned to is read in the moment in which the outputs change, and not before or after.
#[test]
fn a_turned_resistor_is_read_when_the_output_changes() {
    let step = |low_c: f64| Step {
        how: "turned".to_owned(),
        expect: Expect::Turns {
            channel: "battery_1".to_owned(),
            low_c,
            high_c: low_c + 0.3,
            heater: true,
            charge: false,
        },
    };
    let turned = |second: u32| {
        let reading_mc = 9_000 - 25 * i32::try_from(second).expect("small");
        Some(telemetry(if reading_mc <= 7_000 { Relay::Closed } else { Relay::Open }, reading_mc))
    };
    for (low_c, verdict) in [(6.85, Verdict::Pass), (5.35, Verdict::Fail), (8.0, Verdict::Fail)] {
        let mut controller = Scripted { second: 0, says: turned };
        let (record, ..) = gone_through(&only(step(low_c)), "\n", Some(&mut controller));
        assert_eq!((only_entry(&record).verdict, &*only_entry(&record).measured), (verdict, "7.000 °C"));
    }
    // It was on before anybody turned.
    let mut controller = Scripted { second: 0, says: |_| Some(telemetry(Relay::Closed, 7_000)) };
    let (record, ..) = gone_through(&only(step(6.85)), "\n", Some(&mut controller));
    assert_eq!(only_entry(&record).verdict, Verdict::Fail);
}

#[test]
fn a_record_of_another_file_or_of_a_card_that_has_changed_is_refused() {
    let card = card();
    let (record, ..) = gone_through(&card, "0.9\n1.4\nq\n", None);
    let text = serde_json::to_string(&record).expect("JSON");
    let refused = |text: &str, card: &Card| Record::resume("record", text, card).expect_err("refused").to_string();
    let other = Installation::parse("van", &Like::Van.text()).expect("no problem");
    assert!(refused(&text, &Card::of(&other, &PRECISE).expect("a site")).contains("record of other settings"));
    // A weaker pad: the controller's settings have changed.
    let weaker = Like::Hut.text().replace("power_w = 120", "power_w = 100");
    let weaker = Installation::parse("hut", &weaker).expect("no problem");
    assert!(refused(&text, &Card::of(&weaker, &PRECISE).expect("a site")).contains("record of other settings"));
    // The same settings, and a wider tolerance of the pad: another step.
    let wider = Like::Hut.text().replace("[winter]", "[tolerance]\npad_power_pct = 20\n\n[winter]");
    let wider = Installation::parse("hut", &wider).expect("no problem");
    assert!(
        refused(&text, &Card::of(&wider, &PRECISE).expect("a site"))
            .contains("has a step 1.2 that this card does not have")
    );
    for damaged in ["", "{}", "[]", &text[..text.len() / 2]] {
        assert!(refused(damaged, &card).contains("is no record of a bench"), "{damaged}");
    }
}

#[test]
fn a_controller_passes_by_what_it_does_and_when() {
    let on_from = |on_s: u32, off_s: u32| {
        move |second| Some(telemetry(if (on_s..off_s).contains(&second) { Relay::Closed } else { Relay::Open }, 4_500))
    };
    let cases: [(&str, Step, Says, Verdict); 7] = [
        ("in time", warming(), Box::new(on_from(9, 1000)), Verdict::Pass),
        ("too late", warming(), Box::new(on_from(12, 1000)), Verdict::Fail),
        ("silent", warming(), Box::new(|_| None), Verdict::Fail),
        (
            "switched on late",
            warming(),
            Box::new(|second| (second > 5).then(|| telemetry(Relay::Closed, 4_500))),
            Verdict::Pass,
        ),
        ("it stays off", waiting(180), Box::new(on_from(1000, 1000)), Verdict::Pass),
        ("it would have come on", waiting(180), Box::new(on_from(125, 1000)), Verdict::Fail),
        (
            "silent meanwhile",
            waiting(180),
            Box::new(|second| (second < 50).then(|| telemetry(Relay::Open, 4_500))),
            Verdict::Fail,
        ),
    ];
    for (name, step, says, verdict) in cases {
        let mut controller = Scripted { second: 0, says };
        let (record, walked, _) = gone_through(&only(step), "\n", Some(&mut controller));
        assert_eq!((walked, only_entry(&record).verdict), (Walked::All, verdict), "{name}: {:?}", record.entries);
    }
    // It does what it must, and reads something else than what is connected.
    let mut controller = Scripted { second: 0, says: |_| Some(telemetry(Relay::Closed, 5_100)) };
    assert_eq!(only_entry(&gone_through(&only(warming()), "\n", Some(&mut controller)).0).verdict, Verdict::Fail);
    // A fault stands that nobody has provoked.
    let mut controller = Scripted {
        second: 0,
        says: |_| {
            let mut telemetry = telemetry(Relay::Closed, 4_500);
            telemetry.outputs.faults = Faults::NONE.with_system(SystemFault::ChargeOverdue);
            Some(telemetry)
        },
    };
    let (record, ..) = gone_through(&only(warming()), "\n", Some(&mut controller));
    assert!(
        only_entry(&record).verdict == Verdict::Fail && only_entry(&record).measured.contains("charge_overdue"),
        "{record:?}"
    );
}

/// Readings of 0.2 and 0.22 °C in turn: mean 0.21 °C, deviation 0.01 K. By hand: the ice 0.05/√3 = 28.868 mK; noise 0.010_084/√60 =
/// 1.302 mK; the digit 0.000_5/√3 = 0.289 mK; the slope of class A 0.002 × 8.5/√3 = 9.815 mK; together 30.55 mK.
#[test]
fn an_offset_and_its_uncertainty_follow_from_readings_in_ice() {
    let card = card();
    let (_, ice) = card.steps().find(|(_, step)| step.how.contains("crushed ice")).expect("a step");
    let mut controller =
        Scripted { second: 0, says: |second| Some(telemetry(Relay::Open, if second % 2 == 0 { 200 } else { 220 })) };
    let (record, ..) = gone_through(&only(ice.clone()), "\n", Some(&mut controller));
    let entry = only_entry(&record);
    assert_eq!(entry.verdict, Verdict::Pass, "{entry:?}");
    let Some(Ice { mean_c, count, .. }) = &entry.ice else { panic!("{entry:?}") };
    assert!((mean_c - 0.21).abs() < 1e-4 && *count == 60, "{entry:?}");
    let calibrations = Calibration::of(&record, &hut());
    let [calibration] = &calibrations[..] else { panic!("{calibrations:?}") };
    assert_eq!(calibration.channel, "battery_1");
    assert!((calibration.offset_k + 0.21).abs() < 6e-4, "{calibration:?}");
    assert!((calibration.standard_k - 0.030_55).abs() < 5e-5, "{calibration:?}");
    assert!(calibration.told().contains("± 0.061 K (k = 2)"), "{}", calibration.told());
    let text = Like::Hut.text();
    let mut draft = Draft::of(&text).expect("TOML");
    draft.apply_all(&calibration.edits());
    let written = Installation::parse("written", &draft.to_string()).expect("it passes its check");
    let site = written.site.as_ref().expect("a site");
    assert!((crate::si::kelvins(written.settings.channels[0].offset) + 0.21).abs() < 1e-3);
    assert!(site.mountings[0].calibrated_k.is_some_and(|calibrated_k| (calibrated_k - 0.031).abs() < 1e-9));
    for comment in text.lines().filter(|line| line.starts_with('#')) {
        assert!(draft.to_string().contains(comment), "{comment}");
    }
}

//! A card gone through with a person who types, and with a controller whose words are written down beforehand.

use super::card::Begins;
use super::record::{Entry, Ice};
use super::rig::{Connected, Rig};
use super::socket::End;
use super::tests::PRECISE;
use super::*;
use crate::diagnostic::Problem;
use crate::edit::Draft;
use crate::installation::Installation;
use crate::installation::first::Like;
use forewarm_core::fault::{Faults, SystemFault};
use forewarm_core::quantity::{Celsius, Fraction, Instant};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Alarm, Button, Cause, Line, Outputs, Relay, Sources, State};
use forewarm_core::wire::service::Telemetry;
use forewarm_core::{Memory, Unit};
use std::cell::RefCell;
use std::io::{self, BufRead, Read, Write};
use std::rc::Rc;

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
        latched: false,
        reads: Some(Reading { channel: "battery_1".to_owned(), unit: "°C", low: 4.0, high: 5.0 }),
        within_s: 10,
        still_s,
    };
    Step::anyhow("connected", expect)
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
    let step = Step::anyhow("measured", Expect::Measured { unit: "Ω", low: 1.2, high: Some(1.5) });
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
    let step = |low_c: f64| {
        let channel = "battery_1".to_owned();
        Step::anyhow("turned", Expect::Turns { channel, low_c, high_c: low_c + 0.3, heater: true, charge: false })
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
    for (typed, verdict) in [("7.00\n", Verdict::Pass), ("7.20\n", Verdict::Fail), ("yes\n7.00\n", Verdict::Pass)] {
        let (record, ..) = gone_through(&only(step(6.85)), typed, None);
        assert_eq!(only_entry(&record).verdict, verdict, "{typed}");
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
            telemetry.outputs.faults = Faults::NONE.with_system(SystemFault::StorageFailing);
            Some(telemetry)
        },
    };
    let (record, ..) = gone_through(&only(warming()), "\n", Some(&mut controller));
    assert!(
        only_entry(&record).verdict == Verdict::Fail && only_entry(&record).measured.contains("storage_failing"),
        "{record:?}"
    );
}

/// Somebody needs time to pull a plug. What counts is how fast the controller is after that.
#[test]
fn what_is_provoked_follows_in_time_from_the_first_change() {
    let step = || Step { begins: Begins::AtWork, ..waiting(180) };
    let says = |second: u32, reads_mc: i32, off_s: u32, odd_s: std::ops::Range<u32>| {
        let mut telemetry = telemetry(if second < off_s { Relay::Closed } else { Relay::Open }, reads_mc);
        if odd_s.contains(&second) {
            telemetry.outputs.faults = Faults::NONE.with_system(SystemFault::StorageFailing);
        }
        Some(telemetry)
    };
    let cases: [(&str, Says, Verdict); 5] = [
        ("after five minutes", Box::new(move |second| says(second, 4_500, 300, 0..0)), Verdict::Pass),
        ("never", Box::new(move |second| says(second, 4_500, 100_000, 0..0)), Verdict::Fail),
        ("before anybody did anything", Box::new(move |second| says(second, 4_500, 0, 0..0)), Verdict::Fail),
        ("9 s after the first change", Box::new(move |second| says(second, 4_500, 200, 200..209)), Verdict::Pass),
        ("12 s after the first change", Box::new(move |second| says(second, 4_500, 200, 200..212)), Verdict::Fail),
    ];
    for (name, says, verdict) in cases {
        let mut controller = Scripted { second: 0, says };
        let (record, walked, _) = gone_through(&only(step()), "\n", Some(&mut controller));
        assert_eq!((walked, only_entry(&record).verdict), (Walked::All, verdict), "{name}: {:?}", record.entries);
    }
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
    let mut text = Vec::new();
    calibration.write_text(&mut text).expect("it is written");
    let text = String::from_utf8(text).expect("UTF-8");
    assert!(text.starts_with("battery_1: offset_k = -0.210 (it was 0.000), ± 0.061 K (k = 2)"), "{text}");
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

/// Somebody goes through the whole card with a controller that remembers: every switching on of the card, in its order, by the words on the
/// screen alone.
#[test]
fn the_whole_card_passes_on_one_controller_that_remembers() {
    for like in [Like::Hut, Like::Boat, Like::Van, Like::Shelter] {
        let installation = Installation::parse("example", &like.text()).expect("no problem");
        let card = Card::of(&installation, &PRECISE).expect("a site");
        let world = Rc::new(RefCell::new(World::of(&installation)));
        let steps: Vec<Step> = card.steps().map(|(_, step)| step.clone()).collect();
        let mut fitter = Fitter { world: world.clone(), steps: steps.into_iter(), typed: Vec::new() };
        let mut controller = OnTheLine(world.clone());
        let mut record = Record::begin(&card, "somebody");
        let mut screen = Screen(world.clone());
        walk(
            (&card, &installation.channels),
            &mut record,
            Some(&mut controller),
            (&mut fitter, &mut screen),
            &mut |_| Ok(()),
        )
        .expect("nothing fails");
        let failed: Vec<&Entry> = record.entries.iter().filter(|entry| entry.verdict == Verdict::Fail).collect();
        assert!(failed.is_empty(), "{}: {failed:#?}", installation.title);
        assert!(record.count(Verdict::Pass) >= 20, "{}: {}", installation.title, record.count(Verdict::Pass));
    }
}

/// A controller on a bench, and the words on the screen.
struct World {
    rig: Rig,
    unit: Unit,
    connected: Connected,
    /// Since the bench was set up, and since the controller was switched on (s).
    clock_s: u32,
    on_s: u32,
    is_held: bool,
    screen: Vec<u8>,
}

impl World {
    fn of(installation: &Installation) -> Self {
        let rig = Rig::new(installation, installation.site.as_ref().expect("a site"), PRECISE.stock.series);
        let unit = Unit::new(&rig.settings, Memory::default());
        let connected = rig.connected(&[], false);
        Self { rig, unit, connected, clock_s: 0, on_s: 0, is_held: false, screen: Vec::new() }
    }

    fn switch_on(&mut self, connected: Connected) {
        self.unit = Unit::new(&self.rig.settings, self.unit.memory());
        (self.connected, self.on_s) = (connected, 0);
    }

    fn second(&mut self) -> Outputs {
        let mut inputs = self.rig.inputs(&self.connected, End::Stated, self.on_s);
        if self.is_held {
            inputs.button = Button::Pressed;
        }
        let outputs = self.unit.step(Instant::from_millis(self.on_s * 1000), &inputs);
        (self.clock_s, self.on_s) = (self.clock_s + 1, self.on_s + 1);
        outputs
    }

    fn wait(&mut self, seconds: u32) {
        for _ in 0..seconds {
            self.second();
        }
    }

    /// Does what the screen says, which has been read to its end by that.
    fn obey(&mut self) {
        let screen = String::from_utf8(std::mem::take(&mut self.screen)).expect("UTF-8");
        let screen: String = screen.split_whitespace().collect::<Vec<_>>().join(" ").replace(" ! ", " ");
        if let Some((_, rest)) = screen.split_once("First leave the controller on for ") {
            let minutes: u32 = rest.split(' ').next().and_then(|word| word.parse().ok()).expect("minutes");
            self.connected.source = None;
            self.wait(minutes * 60);
        }
        if screen.contains("First end the alarm that stays") {
            let cool = self.rig.connected(&[], false);
            self.switch_on(cool);
            self.wait(30);
            self.is_held = true;
            self.wait(5);
            self.is_held = false;
            self.wait(5);
        }
    }
}

struct OnTheLine(Rc<RefCell<World>>);

impl Controller for OnTheLine {
    fn clock_s(&self) -> f64 {
        self.0.borrow().clock_s.into()
    }

    fn forget(&mut self) -> Result<(), Problem> {
        Ok(())
    }

    fn next(&mut self) -> Result<Option<Telemetry>, Problem> {
        let outputs = self.0.borrow_mut().second();
        Ok(Some(Telemetry { outputs, readings: [None; MAX_CHANNELS], ..telemetry(Relay::Open, 0) }))
    }
}

struct Screen(Rc<RefCell<World>>);

impl Write for Screen {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.borrow_mut().screen.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Reads the screen, does the next step with their hands, and types. What is not switched on by resistors is not tried.
struct Fitter {
    world: Rc<RefCell<World>>,
    steps: std::vec::IntoIter<Step>,
    typed: Vec<u8>,
}

impl Read for Fitter {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.fill_buf()?.read(buffer)?;
        self.consume(count);
        Ok(count)
    }
}

impl BufRead for Fitter {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.typed.is_empty()
            && let Some(step) = self.steps.by_ref().find(|step| !matches!(step.expect, Expect::Impossible(_)))
        {
            let mut world = self.world.borrow_mut();
            world.obey();
            // It takes a person a minute to exchange resistors.
            world.wait(60);
            self.typed = if let Begins::SwitchedOn(connected) = step.begins {
                world.switch_on(connected);
                b"\n".to_vec()
            } else {
                b"s\n".to_vec()
            };
        }
        Ok(&self.typed)
    }

    fn consume(&mut self, count: usize) {
        self.typed.drain(..count);
    }
}

//! A page of ratios: how long things take, each beside a baseline in the same run.
//!
//! `cargo bench -p forewarm --bench page`. In each round everything is timed once, one after the other, so that a busy
//! hour slows a thing and its baseline alike. The page shows medians of the rounds. `FOREWARM_ROUNDS` is how many.
//!
//! | module | holds |
//! |---|---|
//! | `table` | rounds, medians, and the page |
//! | `thermostat` | the same thermostat on the plant and with another solver |
//! | `outside` | programs in Python that something is compared with |
//! | `log` | the log that is replayed |

#[path = "../log/mod.rs"]
mod log;
mod outside;
mod table;
mod thermostat;

use forewarm::installation::Installation;
use forewarm::plan::{Plan, Subject};
use forewarm::propose::{Extent, Proposal};
use forewarm::rehearse::{Glimpse, Pace, Scenario, Trials, Watcher, play};
use forewarm::replay::{Sinks, replay};
use forewarm::variation::Variation;
use forewarm_core::quantity::{Celsius, Instant, Ohms};
use forewarm_core::rtd::{Element, OutOfRange, Thermometer};
use forewarm_core::signals::{Inputs, Outputs};
use forewarm_core::{Memory, Unit};
use log::ROWS;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::time::Instant as Clock;
use table::{Page, Piece};
use thermostat::Thermostat;

/// Days of the thermostat. The demonstration's winter has more.
const DAYS: i64 = 30;
/// Trials that are timed, and those that the page speaks of.
const TRIALS: u64 = 10;
const TRIALS_SHOWN: u64 = 1_000;
/// Installations that a proposal tries. By default it tries ten times as many.
const TRIES: usize = 12;

fn main() {
    let scenario = winter();
    let thermostat = Thermostat::new(&scenario, DAYS);
    let day = Day::of(&scenario);
    let text = log::written("time", log::dated);
    let mut file = tempfile::NamedTempFile::new().expect("a file for the log");
    std::io::Write::write_all(&mut file, &text).expect("room for the log");

    let mut page = Page::default();
    let stepped = page.time(|| Ok(winters(&scenario, Pace::EveryStep)));
    let leapt = page.time(|| Ok(winters(&scenario, Pace::Leaping)));
    let trials = page.time(|| Ok(trials(&scenario)));
    let plan = page.time(|| Ok(planned()));
    let proposal = page.time(|| Ok(proposed()));
    let ours = page.time(|| Ok(seconds(|| thermostat.on_the_plant())));
    let lsoda = page.time(|| thermostat.with_lsoda());
    let step = page.time(|| Ok(day.step(&scenario)));
    let table = page.time(|| Ok(conversion(Thermometer::celsius)));
    let newton = page.time(|| Ok(conversion(|thermometer, r| thermometer.element().celsius(r))));
    let every_row = page.time(|| Ok(replayed(&text, 1_000)));
    let sparse = page.time(|| Ok(replayed(&text, 10_000)));
    let csv = page.time(|| Ok(seconds(|| log::read_plainly(black_box(&text), log::date))));
    let pyarrow = page.time(|| outside::log_read_by_pyarrow(file.path(), ROWS));

    let days = count(scenario.span_s / 86_400);
    let (tried, shown) = (count(TRIALS), count(TRIALS_SHOWN));
    let winter = |name: &str, of| Piece::new(format!("{name}, {days} days"), of);
    let by_lsoda =
        Piece::new(format!("its heat alone by LSODA, by rate from {DAYS} days"), lsoda).times(days / count(DAYS));
    page.row(winter("winter in leaps", leapt), winter("winter step by step", stepped));
    page.row(winter("winter in leaps", leapt), by_lsoda.clone());
    page.row(winter("winter step by step", stepped), by_lsoda);
    page.row(
        Piece::new(format!("thermostat on the plant, {DAYS} days in steps of 1 s"), ours),
        Piece::new("the same by LSODA", lsoda),
    );
    page.row(
        Piece::new(format!("1,000 trials on every processor, by rate from {TRIALS}"), trials).times(shown / tried),
        Piece::new("1,000 winters in leaps on one, by rate from 1", leapt).times(shown),
    );
    page.row(Piece::new("plan", plan), winter("winter step by step", stepped));
    page.row(
        Piece::new(format!("proposal from {TRIES} tries, on every processor"), proposal),
        Piece::new("as many winters step by step on one", stepped).times(count(TRIES)),
    );
    page.row(Piece::new("step of the core", step), Piece::new("4 conversions by Newton's steps", newton).times(4.0));
    page.row(Piece::new("conversion by the table", table), Piece::new("by Newton's steps", newton));
    page.row(Piece::new("replay of a million rows", every_row), Piece::new("csv alone reads them", csv));
    page.row(Piece::new("replay of a million rows", every_row), Piece::new("pyarrow alone reads them", pyarrow));
    page.row(Piece::new("replay with a step in ten rows", sparse), Piece::new("csv alone reads them", csv));
    page.row(Piece::new("replay with a step in ten rows", sparse), Piece::new("pyarrow alone reads them", pyarrow));
    print!("{}", page.run(rounds()));
}

/// Rounds of this run.
fn rounds() -> usize {
    let Ok(asked) = std::env::var("FOREWARM_ROUNDS") else { return 5 };
    let asked = asked.parse().ok().filter(|asked| (1..=1_000).contains(asked));
    asked.unwrap_or_else(|| panic!("FOREWARM_ROUNDS is a number from 1 to 1000"))
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo")
}

/// The demonstration's winter, its plant built.
fn winter() -> Scenario {
    let installation = Installation::load(&demo().join("hut.toml")).expect("the demo");
    let scenario = Scenario::prepare(&installation, "hut.toml", &demo(), 1000).expect("the demo's weather");
    let none = Scenario { span_s: 1, ..scenario };
    play(&none, &Variation::default(), Pace::Leaping, &mut (), &AtomicBool::new(false));
    Scenario { span_s: scenario.span_s, ..none }
}

/// How long something takes (s).
fn seconds<T>(run: impl FnOnce() -> T) -> f64 {
    let start = Clock::now();
    black_box(run());
    start.elapsed().as_secs_f64()
}

#[expect(clippy::cast_precision_loss, reason = "numbers far below 2^53")]
fn count(number: impl TryInto<u64>) -> f64 {
    number.try_into().ok().expect("a number of things") as f64
}

fn winters(scenario: &Scenario, pace: Pace) -> f64 {
    seconds(|| play(scenario, &Variation::default(), pace, &mut (), &AtomicBool::new(false)))
}

fn trials(scenario: &Scenario) -> f64 {
    seconds(|| {
        let trials = Trials::play(scenario, Pace::Leaping, 1, 0..TRIALS, &AtomicBool::new(false), &|_| (), None);
        assert_eq!(trials.expect("threads").finished.len(), usize::try_from(TRIALS).expect("a few"));
    })
}

/// How long it takes to plan the demonstration (s).
fn planned() -> f64 {
    let installation = Installation::load(&demo().join("hut.toml")).expect("the demo");
    let subject = Subject::of(&installation).expect("its site");
    seconds(|| Plan::of(subject, None))
}

/// How long it takes to propose instead (s).
fn proposed() -> f64 {
    let text = std::fs::read_to_string(demo().join("hut.toml")).expect("the demo");
    let installation = Installation::parse("hut.toml", &text).expect("the demo");
    let extent = Extent { tries: TRIES, trials: 10, most: 6, seed: 1 };
    let folder = demo();
    seconds(|| {
        let proposal =
            Proposal::search(("hut.toml", &text, &folder), &installation, extent, &AtomicBool::new(false), &|_| ());
        assert!(!proposal.expect("the demo's weather").candidates.is_empty());
    })
}

/// What the controller sees in the first day of a winter.
struct Day(Vec<(Instant, Inputs)>);

impl Watcher for Day {
    const WATCHES: bool = false;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &forewarm::offer::Offer, _: &forewarm::bank::Flow) {}

    fn decided(&mut self, now: Instant, inputs: &Inputs, _: &Outputs) {
        self.0.push((now, *inputs));
    }
}

impl Day {
    fn of(scenario: &Scenario) -> Self {
        let mut day = Self(Vec::new());
        let first = Scenario { span_s: 86_400, ..scenario.clone() };
        play(&first, &Variation::default(), Pace::EveryStep, &mut day, &AtomicBool::new(false));
        day
    }

    /// How long a step takes (s).
    fn step(&self, scenario: &Scenario) -> f64 {
        let mut unit = Unit::new(&scenario.settings, Memory::default());
        let all = seconds(|| {
            for (now, inputs) in &self.0 {
                black_box(unit.step(*now, black_box(inputs)));
            }
        });
        all / count(self.0.len())
    }
}

/// How long a conversion takes (s).
fn conversion(convert: impl Fn(&Thermometer, Ohms) -> Result<Celsius, OutOfRange>) -> f64 {
    const TIMES: usize = 100;
    let thermometer = Thermometer::new(Element::pt100());
    let resistances: Vec<Ohms> = (0..10_000).map(|i| Ohms::from_milliohms(80_000 + i * 7)).collect();
    let all = seconds(|| {
        for _ in 0..TIMES {
            for &r in &resistances {
                let _ = black_box(convert(&thermometer, black_box(r)));
            }
        }
    });
    all / count(TIMES * resistances.len())
}

fn replayed(text: &[u8], step_ms: u32) -> f64 {
    let (installation, request) = log::order(step_ms);
    seconds(|| {
        let run = replay(&installation, black_box(text), &request, Sinks::default(), &mut |_| {});
        assert_eq!(run.expect("a log without a fault").0.rows_read, u64::from(ROWS));
    })
}

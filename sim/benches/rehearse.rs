//! How long a winter takes: once, and many times over.

use divan::counter::ItemsCount;
use forewarm::installation::Installation;
use forewarm::rehearse::{Film, Pace, Scenario, Trials, play};
use forewarm::variation::Variation;
use std::path::Path;
use std::sync::atomic::AtomicBool;

fn main() {
    divan::main();
}

/// The demo's 180 days.
fn winter() -> Scenario {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let installation = Installation::load(&demo.join("hut.toml")).expect("the demo");
    Scenario::prepare(&installation, "hut.toml", &demo, 1000).expect("the demo's weather")
}

/// Steps of one second, on one thread.
#[divan::bench(args = [Pace::Leaping, Pace::EveryStep], sample_count = 10)]
fn one_winter(bencher: divan::Bencher, pace: Pace) {
    let scenario = winter();
    let steps = u64::try_from(scenario.span_s).expect("seconds");
    bencher
        .counter(ItemsCount::new(steps))
        .bench_local(|| play(&scenario, &Variation::default(), pace, &mut (), &AtomicBool::new(false)));
}

/// The same with everything that a picture shows.
#[divan::bench(sample_count = 10)]
fn one_winter_filmed(bencher: divan::Bencher) {
    let scenario = winter();
    bencher.bench_local(|| {
        let mut film = Film::new(&scenario, "hut.toml");
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut film, &AtomicBool::new(false));
        film.develop(outcome.span_s)
    });
}

/// Winters, on every processor.
#[divan::bench(sample_count = 3)]
fn twenty_trials(bencher: divan::Bencher) {
    let scenario = winter();
    bencher
        .counter(ItemsCount::new(20_u32))
        .bench_local(|| Trials::play(&scenario, Pace::Leaping, 1, 0..20, &AtomicBool::new(false), &|_| (), None));
}

//! Twenty thousand steps of a winter, in the loop of a rehearsal.
//!
//! The plant moves on by the core's decisions on the codes that the rehearsal's converter of 15 bits gives. The chips show these codes, to
//! within one. A second core takes the board's own time, the codes that the chips showed, and the lines: the board must decide what it
//! decides, and its pins must follow.

use crate::bench::{Bench, with_settings, world};
use forewarm::bank::Flow;
use forewarm::installation::Installation;
use forewarm::offer::Offer;
use forewarm::rehearse::{Glimpse, Pace, Scenario, Watcher, play};
use forewarm::variation::Variation;
use forewarm_core::quantity::{Instant, Millivolts, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::signals::{Inputs, Outputs, Relay, Sample};
use forewarm_core::wire::service::Request;
use forewarm_core::{Memory, Unit};
use forewarm_tests::root;
use serde_json::json;
use std::sync::atomic::{AtomicBool, Ordering};

/// Bits of the chips.
const BITS: u32 = 15;

struct Follows<'a> {
    bench: Bench,
    settings: &'a forewarm_core::settings::ValidSettings,
    unit: Unit,
    steps: u64,
    most: u64,
    heated: u64,
    permitted: u64,
    halt: &'a AtomicBool,
}

impl Watcher for Follows<'_> {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn decided(&mut self, now: Instant, inputs: &Inputs, _: &Outputs) {
        if self.steps >= self.most {
            self.halt.store(true, Ordering::Relaxed);
            return;
        }
        let world = world(self.settings, inputs);
        if self.steps == 0 {
            // Switched on with this around it: a line that was low before would be low in the first step.
            self.bench.order(&json!({ "power": "cycle", "world": world, "run": { "ms": 200 } }));
            self.bench.ask(&Request::SendTelemetry { every: 1 });
        }
        let seen = self.bench.step(&world);
        let at = format!("step {}, {} s of the season", self.steps, now.as_millis() / 1000);
        assert_eq!((seen.ended.as_deref(), seen.starts), (None, 2), "{at}");
        let board = seen.telemetry().unwrap_or_else(|| panic!("{at}: no telemetry"));
        // What the chips showed.
        let mut shown = *inputs;
        for (sample, code) in shown.channels.iter_mut().zip(seen.shown) {
            if let (Sample::Fresh(measured), Some(code)) = (*sample, code) {
                // The resistor that finds a broken lead adds up to a code.
                assert!(code.abs_diff(measured.element.as_steps() >> 15) <= 1, "{at}: {code} for {measured:?}");
                *sample = Sample::Fresh(Measured::element(Ratio::from_code(code, BITS)));
            }
        }
        // The voltages are measured, so they are the board's, near those that are there.
        for (measured, there) in [(board.supply, inputs.supply), (board.bank, inputs.bank)] {
            let near = |there: Millivolts| {
                measured.is_some_and(|measured| measured.as_millivolts().abs_diff(there.as_millivolts()) <= 20)
            };
            assert!(there.is_none_or(near), "{at}: {measured:?} for {there:?}");
        }
        (shown.supply, shown.bank, shown.state_of_charge) = (board.supply, board.bank, None);
        assert_eq!(board.sources, inputs.sources, "{at}");
        assert_eq!((board.charge_line, board.discharge_line), (inputs.charge_line, inputs.discharge_line), "{at}");
        let core = self.unit.step(board.now, &shown);
        assert_eq!(board.outputs, core, "{at}: {shown:?}");
        assert_eq!(board.readings, self.unit.readings(), "{at}");
        assert!(seen.follow(&core), "{at}: pins do not follow {core:?}");
        self.steps += 1;
        self.heated += u64::from(core.heater == Relay::Closed);
        self.permitted += u64::from(core.charge == Relay::Closed);
    }
}

/// The example of the van, from a start with such cells. Its engine runs in the first hours of the season.
fn follows(start_c: f64, most: u64) -> (u64, u64) {
    let file = root().join("sim/demo/van.toml");
    let text = std::fs::read_to_string(file).expect("an example");
    let usual = "mon-fri 06:30-08:30 16:30-17:45, sat 08:30-10:30";
    assert!(text.contains(usual));
    let text = text.replace(usual, "mon-fri 00:20-02:40, sat-sun 00:20-02:40");
    let installation = Installation::parse("van", &text).expect("an example");
    let mut scenario = Scenario::prepare(&installation, "van", &root().join("sim/demo"), 1000).expect("a scenario");
    scenario.site.converter.bits = BITS;
    scenario.site.winter.start_c = Some(start_c);
    let settings = scenario.settings.clone();
    let bench = Bench::switch_on(Some(&with_settings(&settings)));
    let halt = AtomicBool::new(false);
    // Writing settings restarted it, and that is remembered.
    let unit = Unit::new(&settings, Memory { restarts: 1, ..Memory::default() });
    let mut follows =
        Follows { bench, settings: &settings, unit, steps: 0, most, heated: 0, permitted: 0, halt: &halt };
    play(&scenario, &Variation::default(), Pace::EveryStep, &mut follows, &halt);
    assert_eq!(follows.steps, most);
    (follows.heated, follows.permitted)
}

#[test]
fn a_cold_bank_is_warmed_as_the_core_decides() {
    let (heated, _) = follows(-6.0, 10_000);
    assert!(heated > 1_000, "{heated} steps with the heater on");
}

#[test]
fn a_warm_bank_may_charge_as_the_core_decides() {
    let (_, permitted) = follows(12.0, 10_000);
    assert!(permitted > 1_000, "{permitted} steps with charge permitted");
}

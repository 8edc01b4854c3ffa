//! Plays a season on the board, with the core beside it.
//!
//! Plant, bank, probes and weather are those of a rehearsal, and every step is taken. The core's decision moves the
//! plant on. The board gets the same inputs and must decide the same in every step. As long as it does, the decision is
//! the board's too. So the core may run ahead, and many steps go over the link in one order.

use super::line::Trouble;
use super::rig::{End, Rig};
use super::sense::moment;
use crate::bank::Flow;
use crate::offer::Offer;
use crate::rehearse::{Answers, Glimpse, Outcome, Pace, Reasons, Scenario, Watcher, play};
use crate::variation::Variation;
use forewarm_core::quantity::Instant;
use forewarm_core::signals::{Alarm, Inputs, Outputs, Relay};
use forewarm_rig::{Moment, Pins};
use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};

/// Steps that the core runs ahead. They fill an order even if something changes in each.
const AHEAD: usize = 512;

/// How the steps reach the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exchange {
    /// Many in one order.
    Batches,
    /// Each in its own order, which is answered before the next step is taken.
    Single,
}

/// A step in which board and core decide differently, or a pin does not follow the decision.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mismatch {
    /// Number of the step, from 0.
    pub step: u64,
    /// The time on the clock.
    pub now: Instant,
    /// The inputs of both.
    pub inputs: Inputs,
    /// The decision of the core.
    pub core: Outputs,
    /// The decision of the board.
    pub board: Outputs,
    /// The board's output pins.
    pub pins: Pins,
}

impl fmt::Display for Mismatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { step, now, inputs, core, board, pins } = self;
        let named = [
            (Pins::HEATER, "heater"),
            (Pins::CHARGE, "charge"),
            (Pins::ALARM, "alarm"),
            (Pins::LAMP, "lamp"),
            (Pins::FULL, "full charge"),
        ];
        let high: Vec<&str> = named.iter().filter(|(pin, _)| pins.has(*pin)).map(|(_, name)| *name).collect();
        let high = if high.is_empty() { "none".to_owned() } else { high.join(", ") };
        writeln!(f, "step {step}, clock {} ms", now.as_millis())?;
        writeln!(f, "  inputs  {inputs:?}")?;
        writeln!(f, "  core    {core:?}")?;
        writeln!(f, "  board   {board:?}")?;
        write!(f, "  pins    high: {high}")
    }
}

/// Why a season ends early, other than by a stop.
#[derive(Debug)]
pub enum Finding {
    /// The board decided differently.
    Mismatch(Box<Mismatch>),
    /// The board restarted in this step.
    Restarted {
        /// Number of the step.
        step: u64,
    },
    /// The power was cut in this step, as set in the storage.
    PowerCut {
        /// Number of the step.
        step: u64,
    },
    /// The link has failed.
    Trouble(Trouble),
}

/// The result of a season.
#[derive(Debug)]
pub struct Run {
    /// The outcome of the rehearsal.
    pub outcome: Outcome,
    /// Why charge was refused, and which faults stood.
    pub reasons: Reasons,
    /// How long sources waited for a permit, and what heat served nothing.
    pub answers: Answers,
    /// Steps in which the board's decision and pins were compared and were equal.
    pub compared: u64,
    /// What ended it early.
    pub finding: Option<Finding>,
}

/// Plays `scenario` from a start of the board to its end, to the first difference, or until `stop` is set. The board
/// must have the settings of the scenario and must have taken no step yet. `progress` gets the number of steps compared
/// so far.
pub fn run(
    scenario: &Scenario,
    variation: &Variation,
    rig: &mut Rig,
    exchange: Exchange,
    stop: &AtomicBool,
    progress: &dyn Fn(u64),
) -> Run {
    let halt = AtomicBool::new(stop.load(Ordering::Relaxed));
    let ahead = match exchange {
        Exchange::Batches => AHEAD,
        Exchange::Single => 1,
    };
    let bits = scenario.site.converter.bits;
    let lockstep = Lockstep {
        rig,
        bits,
        ahead,
        moments: Vec::with_capacity(ahead),
        decided: Vec::with_capacity(ahead),
        compared: 0,
        finding: None,
        halt: &halt,
        stop,
        progress,
    };
    let mut watchers = (lockstep, (Reasons::default(), Answers::default()));
    let outcome = play(scenario, variation, Pace::EveryStep, &mut watchers, &halt);
    let (mut lockstep, (reasons, answers)) = watchers;
    lockstep.compare();
    Run { outcome, reasons, answers, compared: lockstep.compared, finding: lockstep.finding }
}

struct Lockstep<'a> {
    rig: &'a mut Rig,
    bits: u32,
    ahead: usize,
    /// The steps that the board must still take, and the core's decision in each.
    moments: Vec<Moment>,
    decided: Vec<(Instant, Inputs, Outputs)>,
    compared: u64,
    finding: Option<Finding>,
    /// Ends the season.
    halt: &'a AtomicBool,
    stop: &'a AtomicBool,
    progress: &'a dyn Fn(u64),
}

impl Watcher for Lockstep<'_> {
    // The outcome is then as complete as a rehearsal's.
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn decided(&mut self, now: Instant, inputs: &Inputs, outputs: &Outputs) {
        if self.finding.is_some() {
            return;
        }
        self.moments.push(moment(now, inputs, self.bits));
        self.decided.push((now, *inputs, *outputs));
        if self.moments.len() >= self.ahead {
            self.compare();
        }
    }
}

impl Lockstep<'_> {
    /// Lets the board take the steps that the core has taken.
    fn compare(&mut self) {
        if self.finding.is_some() {
            return;
        }
        let (decided, before) = (&self.decided, self.compared);
        let (mut equal, mut mismatch) = (0, None);
        let end = self.rig.play(&self.moments, |index, pins, board| {
            if mismatch.is_some() {
                return;
            }
            let (now, inputs, core) = decided[index];
            if *board == core && are_as_decided(pins, board) {
                equal += 1;
            } else {
                let step = before + equal;
                mismatch = Some(Box::new(Mismatch { step, now, inputs, core, board: *board, pins }));
            }
        });
        self.compared += equal;
        self.moments.clear();
        self.decided.clear();
        let step = self.compared;
        self.finding = match (mismatch, end) {
            (Some(mismatch), _) => Some(Finding::Mismatch(mismatch)),
            (None, Ok(End::Done)) => None,
            (None, Ok(End::Restarted { .. })) => Some(Finding::Restarted { step }),
            (None, Ok(End::PowerCut { .. })) => Some(Finding::PowerCut { step }),
            (None, Err(trouble)) => Some(Finding::Trouble(trouble)),
        };
        (self.progress)(self.compared);
        if self.finding.is_some() || self.stop.load(Ordering::Relaxed) {
            self.halt.store(true, Ordering::Relaxed);
        }
    }
}

/// Whether the pins follow these outputs. The lamp may blink.
fn are_as_decided(pins: Pins, outputs: &Outputs) -> bool {
    pins.has(Pins::HEATER) == (outputs.heater == Relay::Closed)
        && pins.has(Pins::CHARGE) == (outputs.charge == Relay::Closed)
        && pins.has(Pins::FULL) == (outputs.full == Relay::Closed)
        && pins.has(Pins::ALARM) == (outputs.alarm == Alarm::Sounding)
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Flaws, board};
    use super::*;
    use crate::rehearse::testing::scenario;

    static GO: AtomicBool = AtomicBool::new(false);

    /// A season of a few days, played with a board that has these flaws. Charge is permitted at its end.
    fn played(exchange: Exchange, flaws: Flaws) -> (Scenario, Run) {
        let mut scenario = scenario(3);
        scenario.span_s = 100_000;
        let mut rig = board(scenario.settings.clone(), flaws).0;
        assert_eq!(rig.start().unwrap(), End::Done);
        let run = run(&scenario, &Variation::default(), &mut rig, exchange, &GO, &|_| ());
        (scenario, run)
    }

    #[test]
    fn a_sound_board_is_equal_in_every_step_and_the_season_is_the_rehearsed_one() {
        for exchange in [Exchange::Batches, Exchange::Single] {
            let (scenario, run) = played(exchange, Flaws { writes_each: Some(1_000), ..Flaws::default() });
            assert!(run.finding.is_none(), "{:?}", run.finding);
            // One more than seconds, because the first is at 0.
            assert_eq!(run.compared, 100_001);
            let mut watchers = (Watches, Reasons::default());
            let rehearsed = play(&scenario, &Variation::default(), Pace::EveryStep, &mut watchers, &GO);
            assert_eq!((run.outcome, run.reasons), (rehearsed, watchers.1));
            assert!(rehearsed.heater_on_s > 0.0 && rehearsed.charge_permitted_s > 0.0, "{rehearsed:?}");
        }
    }

    struct Watches;

    impl Watcher for Watches {
        const WATCHES: bool = true;
        fn look(&mut self, _: &Glimpse<'_>) {}
        fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
    }

    /// A step in which charge is permitted.
    fn permitted() -> u32 {
        struct First(u32, Option<u32>);
        impl Watcher for First {
            const WATCHES: bool = false;
            fn look(&mut self, _: &Glimpse<'_>) {}
            fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
            fn decided(&mut self, _: Instant, _: &Inputs, outputs: &Outputs) {
                if outputs.charge == Relay::Closed && self.1.is_none() {
                    self.1 = Some(self.0);
                }
                self.0 += 1;
            }
        }
        let mut first = First(0, None);
        play(&scenario(2), &Variation::default(), Pace::EveryStep, &mut first, &GO);
        first.1.expect("charge is permitted some time") + 1000
    }

    #[test]
    fn a_single_different_decision_or_pin_is_found_in_its_step() {
        let at = permitted();
        for exchange in [Exchange::Batches, Exchange::Single] {
            // The board counts from 1.
            let refuses = Flaws { refuses_at: Some(at + 1), ..Flaws::default() };
            let stuck = Flaws { pin_stuck_at: Some(at + 1), ..Flaws::default() };
            for flaws in [refuses, stuck] {
                let (_, run) = played(exchange, flaws);
                let Some(Finding::Mismatch(mismatch)) = run.finding else { panic!("{:?}", run.finding) };
                assert_eq!((run.compared, mismatch.step), (at.into(), at.into()));
                assert_eq!(mismatch.core.charge, Relay::Closed);
                assert!(!mismatch.pins.has(Pins::CHARGE), "{mismatch}");
                assert!(run.outcome.steps < 100_000, "it went on");
                let shown = mismatch.to_string();
                assert!(shown.contains(&format!("step {at}, clock {at}000 ms")), "{shown}");
                assert!(shown.contains("core    Outputs") && shown.contains("board   Outputs"), "{shown}");
            }
        }
    }

    #[test]
    fn a_restart_is_told_with_its_step() {
        let (_, run) = played(Exchange::Batches, Flaws { restarts_at: Some(5_001), ..Flaws::default() });
        // Steps that the board had not reported before it restarted are not known.
        let Some(Finding::Restarted { step }) = run.finding else { panic!("{:?}", run.finding) };
        assert!((4_500..=5_000).contains(&step) && step == run.compared, "{step}");
    }

    #[test]
    fn a_season_that_is_stopped_tells_how_far_it_came() {
        let scenario = scenario(3);
        let mut rig = board(scenario.settings.clone(), Flaws::default()).0;
        rig.start().unwrap();
        let stop = AtomicBool::new(false);
        let run = run(&scenario, &Variation::default(), &mut rig, Exchange::Batches, &stop, &|compared| {
            stop.store(compared > 2_000, Ordering::Relaxed);
        });
        assert!(run.finding.is_none());
        assert_eq!(run.compared, run.outcome.steps + 1);
        assert!((2_000..4_000).contains(&run.compared), "{}", run.compared);
    }
}

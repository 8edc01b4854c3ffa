//! Leads the controller into each of its states at one outside temperature, by what can happen to an installation: a bank
//! that was brought in warm or has stood in the cold, with and without sources.

use super::matrix::Desk;
use crate::breakdown::{Breakdown, Wrong};
use crate::rehearse::{Begin, Broken, Glimpse, Pace, Scenario, Still, Watcher, play_on};
use crate::season::Moment;
use crate::si;
use forewarm_core::settings::Role;
use forewarm_core::signals::{Outputs, State};
use std::sync::atomic::{AtomicBool, Ordering};

/// The states that breakdowns are tried in, as the controller goes through them.
pub(super) const STATES: [State; 8] = [
    State::Starting,
    State::Waiting,
    State::Warming,
    State::SoakingWarm,
    State::Soaking,
    State::Holding,
    State::Permitting,
    State::Faulted,
];

/// For how long a state must have stood (s), so that a scene does not begin with its end.
const STANDS_S: i64 = 40;
/// The longest that any state is waited for (s).
const WAITS_S: i64 = 3 * 86_400;

/// The controller in a state.
#[derive(Clone, Debug)]
pub(super) struct Led<'p> {
    pub(super) state: State,
    pub(super) still: Still<'p>,
    /// Whether the sources are there.
    pub(super) fed: bool,
    /// What is broken already, so that the controller is in this state.
    pub(super) broken: Option<Breakdown>,
}

/// The states that can be reached at `outside_c` °C, each once.
pub(super) fn lead<'p>(desk: &Desk<'p>, outside_c: f64) -> Vec<Led<'p>> {
    let charge = &desk.scenario.settings.charge;
    let heater = &desk.scenario.settings.heater;
    let (inhibit_c, release_c) = (si::celsius(charge.inhibit), si::celsius(charge.release));
    let (start_c, stop_c) = (si::celsius(heater.start), si::celsius(heater.stop));
    let cold_c = outside_c.min(inhibit_c - 3.0);
    let starts_c = [cold_c, inhibit_c + 1.0, release_c + 1.0, start_c - 1.0, start_c + 1.0, stop_c + 2.0, stop_c + 8.0];
    let mut found: Vec<Led<'p>> = Vec::new();
    for start_c in starts_c {
        for fed in [true, false] {
            let scenario = desk.scene(outside_c, Some(start_c), fed.then_some(0), Vec::new());
            let mut still: Option<Still<'p>> = None;
            let mut left_s = WAITS_S;
            while left_s > 0 {
                let stop = AtomicBool::new(false);
                let known: Vec<State> = found.iter().map(|led| led.state).collect();
                let mut seek = Seek { known, stop: &stop, since: None, found: None, at_s: 0 };
                let begin = still.as_ref().map_or(Begin::Rest(0), Begin::Still);
                let scenario = Scenario { span_s: left_s, ..scenario.clone() };
                let (_, end) = play_on(&scenario, desk.plants, begin, Pace::Leaping, &mut seek, &stop);
                left_s -= seek.at_s + 1;
                let Some(state) = seek.found else { break };
                found.push(Led { state, still: end.clone(), fed, broken: None });
                still = Some(end);
            }
        }
    }
    found.extend(faulted(desk, outside_c, &found));
    found.sort_by_key(|led| STATES.iter().position(|state| *state == led.state));
    found
}

/// A cell's channel has failed, just when the bank was warmed.
fn faulted<'p>(desk: &Desk<'p>, outside_c: f64, found: &[Led<'p>]) -> Option<Led<'p>> {
    let cell = desk.scenario.settings.channels.iter().position(|channel| channel.role == Role::Cell)?;
    let led = found.iter().find(|led| led.state == State::Warming).or_else(|| found.first())?;
    let what = Breakdown::Channel(cell, Wrong::SaysSo);
    let broken = vec![Broken { what, from_s: 1, until_s: None }];
    let scenario = Scenario { span_s: 120, ..desk.scene(outside_c, None, Some(0), broken) };
    let go = AtomicBool::new(false);
    let (_, still) = play_on(&scenario, desk.plants, Begin::Still(&led.still), Pace::Leaping, &mut (), &go);
    (still.outputs().state == State::Faulted).then_some(Led {
        state: State::Faulted,
        still,
        fed: true,
        broken: Some(what),
    })
}

/// Stops in the first state that is not known yet.
struct Seek<'s> {
    known: Vec<State>,
    stop: &'s AtomicBool,
    since: Option<(State, i64)>,
    found: Option<State>,
    at_s: i64,
}

impl Watcher for Seek<'_> {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &crate::offer::Offer, _: &crate::bank::Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        self.at_s = moment.at / 1000;
        let state = moment.outputs.state;
        match self.since {
            Some((before, since_s)) if before == state => {
                // The states before charge are short where nothing must be soaked.
                if self.at_s - since_s >= STANDS_S.min(if state == State::Starting { 2 } else { i64::MAX }) {
                    self.found = Some(state);
                    self.stop.store(true, Ordering::Relaxed);
                }
            }
            _ if self.known.contains(&state) => self.since = None,
            _ => self.since = Some((state, self.at_s)),
        }
    }
}

//! Leads the controller into each of its states at one outside temperature, by what can happen to an installation: a bank
//! that was brought in warm or has stood in the cold, with and without sources.

use super::matrix::Desk;
use super::scene::{BREAKS_S, Named};
use crate::breakdown::{Breakdown, Wrong};
use crate::rehearse::{Begin, Broken, Glimpse, Pace, Scenario, Still, Watcher, play_on};
use crate::season::Moment;
use crate::si;
use forewarm_core::settings::Role;
use forewarm_core::signals::{Outputs, State};
use std::sync::atomic::AtomicBool;

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
/// From the breakdown to the moment in which the clock wraps, in every scene (ms).
const WRAPS_AFTER_MS: u32 = 5_000;
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
    /// What is reported from there on in any case.
    pub(super) usual: Vec<Named>,
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
            let go = AtomicBool::new(false);
            let mut seek = Seek { known: found.iter().map(|led| led.state).collect(), since: None, found: Vec::new() };
            let whole = Scenario { span_s: WAITS_S, ..scenario.clone() };
            play_on(&whole, desk.plants, Begin::Rest(0), Pace::Leaping, &mut seek, &go);
            for (state, at_s) in seek.found {
                // The same again up to there, with a clock that wraps just after things break.
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "three days in milliseconds"
                )]
                let wraps_in_ms = ((at_s + BREAKS_S) * 1000) as u32 + WRAPS_AFTER_MS;
                let begin = Begin::Rest(wraps_in_ms.wrapping_neg());
                let until = Scenario { span_s: at_s, ..scenario.clone() };
                let (_, still) = play_on(&until, desk.plants, begin, Pace::Leaping, &mut (), &go);
                if still.outputs().state == state {
                    found.push(Led { state, still, fed, broken: None, usual: Vec::new() });
                }
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
        usual: Vec::new(),
    })
}

/// Takes note of when each state that is not known yet has stood for long enough.
struct Seek {
    known: Vec<State>,
    since: Option<(State, i64)>,
    found: Vec<(State, i64)>,
}

impl Watcher for Seek {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &crate::offer::Offer, _: &crate::bank::Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        let (state, at_s) = (moment.outputs.state, moment.at / 1000);
        let since_s = match self.since {
            Some((before, since_s)) if before == state => since_s,
            _ => at_s,
        };
        self.since = Some((state, since_s));
        // A start is over before long.
        let stands_s = if state == State::Starting { 2 } else { STANDS_S };
        if at_s - since_s >= stands_s && !self.known.contains(&state) {
            self.known.push(state);
            self.found.push((state, at_s));
        }
    }
}

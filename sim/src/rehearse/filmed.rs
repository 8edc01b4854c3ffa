//! A season played once to be shown, and once more without heat to compare it with.

use super::answers::Answers;
use super::film::Film;
use super::outcome::Outcome;
use super::reasons::Reasons;
use super::report::{Cast, Rehearsal};
use super::scenario::Scenario;
use super::stage::{Pace, Watcher, play};
use crate::chart;
use crate::variation::Variation;
use std::sync::atomic::AtomicBool;

impl Rehearsal {
    /// Plays `scenario`, which came from `file`, and records it for a picture, where it is called `label`. `watcher` watches too, and comes
    /// back. No trials are played.
    #[must_use]
    pub fn filmed<W: Watcher>(
        scenario: Scenario,
        (file, label): (&str, &str),
        cast: Cast,
        pace: Pace,
        watcher: W,
        stop: &AtomicBool,
    ) -> (Self, chart::Season, W) {
        let variation = match cast {
            Cast::Trial { seed, number } => Variation::draw(seed, number),
            Cast::AsWritten => Variation::default(),
        };
        let own = (Film::new(&scenario, label), (Reasons::default(), Answers::default()));
        let mut watchers = (own, watcher);
        let outcome = play(&scenario, &variation, pace, &mut watchers, stop);
        let ((film, (reasons, answers)), watcher) = watchers;
        let unheated = play(&scenario.unheated(), &variation, pace, &mut (), stop);
        // One of them may be cut short.
        let unheated = Some(unheated).filter(|unheated: &Outcome| unheated.steps == outcome.steps);
        let season = film.develop(outcome.span_s);
        let file = file.to_owned();
        (Self { scenario, file, cast, outcome, reasons, answers, unheated, trials: None }, season, watcher)
    }
}

//! Which start of the controller a message belongs to, and when in it.
//!
//! The controller's clock counts milliseconds from its start and wraps after 49.7 days. Telemetry says no more of its
//! start than that. So a new start shows by one of these:
//!
//! - the controller says by itself who it is, which it does at every start;
//! - its clock has gone back;
//! - it kept an event under a later number of starts;
//! - nothing was heard for a while, and the clock is younger than that.
//!
//! A message that comes twice has the same moment of the same start.

use forewarm_core::quantity::Instant;

/// A clock may drift and a host's clock may be set while nobody listens: this many milliseconds, and a hundredth of the
/// time. Common practice, no source.
const SLACK_MS: i64 = 5_000;

/// Silence (ms) that may hide a start. Telemetry comes every ten seconds.
const SILENCE_MS: i64 = 60_000;

/// One turn of the controller's clock (ms).
const WRAP_MS: i64 = 1 << 32;

/// What telemetry of a moment is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moment {
    /// The first of a start, which this is known by.
    First {
        /// Milliseconds since the start.
        at_ms: i64,
    },
    /// A later one of the same start.
    Later {
        /// Milliseconds since the start.
        at_ms: i64,
    },
    /// One that has come already.
    Doubled,
}

/// Follows the controller's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct Clock {
    latest: Option<Latest>,
    has_said_who_it_is: bool,
    must_be_new: bool,
}

/// The latest moment that was heard of.
#[derive(Clone, Copy, Debug)]
struct Latest {
    now: Instant,
    /// The same without the wraps.
    at_ms: i64,
    /// On the host's clock.
    host_ms: i64,
}

impl Clock {
    /// Goes on where an earlier run of the host has ended.
    #[must_use]
    pub fn resumed(at_ms: i64, host_ms: i64) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the wraps are what is cut off")]
        let now = Instant::from_millis(at_ms as u32);
        Self { latest: Some(Latest { now, at_ms, host_ms }), ..Self::default() }
    }

    /// The controller has said who it is, and nobody had asked.
    pub const fn presented(&mut self) {
        self.has_said_who_it_is = true;
    }

    /// The controller has counted another start.
    pub const fn restarted(&mut self) {
        self.must_be_new = true;
    }

    /// Places telemetry that says `now`, heard at `host_ms` of a clock that never goes back.
    pub fn place(&mut self, now: Instant, host_ms: i64) -> Moment {
        let presented = std::mem::take(&mut self.has_said_who_it_is);
        let must_be_new = std::mem::take(&mut self.must_be_new);
        let began = i64::from(now.as_millis());
        let later = self.latest.and_then(|latest| {
            if must_be_new {
                return None;
            }
            if now == latest.now && !presented {
                return Some((Moment::Doubled, latest));
            }
            let passed_ms = host_ms - latest.host_ms;
            let turned = i64::from(now.since(latest.now).as_millis());
            // Of all the turns that the clock may have made, as many as fit the time that has passed.
            let turns = (passed_ms - turned + WRAP_MS / 2).div_euclid(WRAP_MS).max(0);
            let ran_ms = turned + turns * WRAP_MS;
            let is_even = (ran_ms - passed_ms).abs() <= SLACK_MS + passed_ms / 100;
            let is_forward = turned < WRAP_MS / 2 || turns > 0;
            let is_younger = began <= passed_ms + SLACK_MS;
            let is_same = if presented || passed_ms >= SILENCE_MS {
                // A clock that could be new and is not must show it: by having run for longer than that, and evenly.
                is_even && (latest.at_ms > 2 * SLACK_MS || !is_younger) || is_forward && !is_younger
            } else {
                is_forward
            };
            is_same.then(|| {
                let at_ms = latest.at_ms + ran_ms;
                (Moment::Later { at_ms }, Latest { now, at_ms, host_ms })
            })
        });
        let (moment, latest) = later.unwrap_or((Moment::First { at_ms: began }, Latest { now, at_ms: began, host_ms }));
        self.latest = Some(latest);
        moment
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(clock: &mut Clock, now: u32, host_ms: i64) -> Moment {
        clock.place(Instant::from_millis(now), host_ms)
    }

    #[test]
    fn a_start_shows_by_its_word_by_its_clock_and_by_its_count() {
        let mut clock = Clock::default();
        assert_eq!(at(&mut clock, 1_000, 1_000), Moment::First { at_ms: 1_000 });
        assert_eq!(at(&mut clock, 11_000, 11_000), Moment::Later { at_ms: 11_000 });
        assert_eq!(at(&mut clock, 11_000, 11_005), Moment::Doubled);
        assert_eq!(at(&mut clock, 1_000, 13_000), Moment::First { at_ms: 1_000 }, "its clock has gone back");
        clock.presented();
        assert_eq!(at(&mut clock, 1_000, 15_000), Moment::First { at_ms: 1_000 }, "the same moment of another start");
        clock.restarted();
        assert_eq!(at(&mut clock, 7_000, 21_000), Moment::First { at_ms: 7_000 });
        assert_eq!(at(&mut clock, 907_000, 921_000), Moment::Later { at_ms: 907_000 }, "a silence, and the same clock");
        assert_eq!(at(&mut clock, 950_000, 2_000_000), Moment::First { at_ms: 950_000 }, "younger than the silence");
    }

    #[test]
    fn an_answer_that_looks_like_a_start_is_none() {
        let mut clock = Clock::default();
        at(&mut clock, 500_000, 0);
        clock.presented();
        assert_eq!(at(&mut clock, 510_000, 10_000), Moment::Later { at_ms: 510_000 });
    }

    #[test]
    fn a_clock_that_wraps_goes_on() {
        let mut clock = Clock::resumed(WRAP_MS - 1_000, 0);
        assert_eq!(at(&mut clock, 9_000, 10_000), Moment::Later { at_ms: WRAP_MS + 9_000 });
        let month = 60 * 86_400_000;
        let now = u32::try_from((WRAP_MS + 9_000 + month) % WRAP_MS).unwrap();
        assert_eq!(at(&mut clock, now, 10_000 + month), Moment::Later { at_ms: WRAP_MS + 9_000 + month });
    }

    proptest! {
        #[test]
        fn within_a_start_the_clock_only_rises(steps in prop::collection::vec(1..2_000_000_i64, 1..50), begin in 0..WRAP_MS) {
            let mut clock = Clock::resumed(begin, 0);
            let mut passed = 0;
            for step in steps {
                passed += step;
                let now = u32::try_from((begin + passed) % WRAP_MS).unwrap();
                let moment = at(&mut clock, now, passed);
                // A start that is younger than the silence before it cannot be told from one that has just begun.
                if begin > 2_000_000 + SLACK_MS * 2 {
                    prop_assert_eq!(moment, Moment::Later { at_ms: begin + passed });
                }
            }
        }
    }
}

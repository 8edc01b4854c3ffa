//! Whether time passes as it should.
//!
//! The controller has no clock; it is told the time with each step. A clock that stands still or leaps makes every span
//! that is measured with it doubtful, so such a step counts for nothing and both outputs go off.

use crate::fault::SystemFault;
use crate::quantity::{Instant, Millis};
use crate::settings::Trust;

/// Time since the reset in milliseconds, as far as the clock tells. It does not wrap in half a billion years, so a moment
/// long ago never looks recent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Uptime(u64);

impl Uptime {
    /// Before every moment.
    pub(crate) const NEVER: Self = Self(0);
    /// The reset.
    pub(crate) const START: Self = Self(1);
    pub(crate) const fn plus(self, span: Millis) -> Self {
        Self(self.0.saturating_add(span.as_millis() as u64))
    }

    /// The span from `earlier` to `self`; held at the ends of the range.
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub(crate) const fn since(self, earlier: Self) -> Millis {
        let span = self.0.saturating_sub(earlier.0);
        if span > u32::MAX as u64 { Millis::MAX } else { Millis::from_millis(span as u32) }
    }
}

/// How a step follows the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tick {
    /// Time that has passed as far as the clock tells: what readings age by.
    pub(crate) elapsed: Millis,
    /// Time that may be credited to soaks, rests and runs: nothing while the clock is doubtful.
    pub(crate) credited: Millis,
    /// What is wrong with the clock.
    pub(crate) fault: Option<SystemFault>,
}

/// The time of the step before, and the clock's standing.
#[derive(Clone, Debug)]
pub(crate) struct Clock {
    before: Option<Instant>,
    fault: Option<SystemFault>,
    good_run: u8,
}

impl Clock {
    pub(crate) const NEW: Self = Self { before: None, fault: None, good_run: 0 };

    pub(crate) fn tick(&mut self, now: Instant, trust: &Trust) -> Tick {
        let elapsed = self.before.replace(now).map(|before| now.since(before));
        let wrong = match elapsed {
            Some(Millis::ZERO) => Some(SystemFault::ClockStalled),
            Some(elapsed) if elapsed > trust.max_step => Some(SystemFault::ClockJumped),
            None | Some(_) => None,
        };
        let elapsed = elapsed.unwrap_or(Millis::ZERO);
        if wrong.is_some() {
            self.fault = wrong;
            self.good_run = 0;
        } else if self.fault.is_some() {
            self.good_run = self.good_run.saturating_add(1);
            if self.good_run >= trust.good_run {
                self.fault = None;
            }
        }
        Tick { elapsed, credited: if wrong.is_some() { Millis::ZERO } else { elapsed }, fault: self.fault }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::settings;

    #[test]
    fn a_doubtful_clock_is_trusted_again_only_after_a_run_of_good_steps() {
        let trust = settings().trust;
        let mut clock = Clock::NEW;
        let mut now = 0_u32;
        let mut step = |by: u32| {
            now = now.wrapping_add(by);
            clock.tick(Instant::from_millis(now), &trust).fault
        };
        assert_eq!(step(0), None, "the first step has nothing to follow");
        assert_eq!(step(1000), None);
        assert_eq!(step(0), Some(SystemFault::ClockStalled));
        for _ in 1..trust.good_run {
            assert_eq!(step(1000), Some(SystemFault::ClockStalled));
        }
        assert_eq!(step(1000), None);
        assert_eq!(step(trust.max_step.as_millis() + 1), Some(SystemFault::ClockJumped));
        assert_eq!(step(1_u32.wrapping_neg()), Some(SystemFault::ClockJumped), "backwards");
    }
}

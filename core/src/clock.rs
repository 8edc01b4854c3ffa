//! Whether time passes as it should.
//!
//! The controller has no clock; each step brings it the time. If the clock stands still or leaps, every span measured
//! with it is doubtful. Such a step counts for nothing, and both outputs go off.

use crate::fault::SystemFault;
use crate::quantity::{Instant, Millis};
use crate::settings::Trust;
use core::num::NonZeroU32;

/// A moment in milliseconds, as far as the clock shows it. A moment longer ago than [`Uptime::HORIZON`] is only known
/// to be that long ago. Before the count wraps, the present is set back to the horizon, and whoever keeps moments moves
/// them along. So a moment long ago never looks recent.
///
/// A count in 64 bits would not wrap, and would need none of this. Measured with it: 6 % more instructions for the
/// worst step on a Cortex-M3 (3 256 for 3 072), 7 % on a Cortex-M0 (6 149 for 5 755), and 312 bytes more RAM for a
/// unit. A count in 32 bits is cheap to read, six times a channel and step. It costs extra only once in 24.8 days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Uptime(NonZeroU32);

impl Uptime {
    /// Before every moment.
    pub(crate) const NEVER: Self = Self::at(1);
    /// The reset, or the horizon.
    pub(crate) const START: Self = Self::at(2);
    /// Just after [`Uptime::START`]: later than everything beyond the horizon.
    pub(crate) const AFTER_START: Self = Self::at(3);
    /// 24.8 days: more than any setting asks about, and in that time the slowest believable rate covers every believable temperature.
    pub(crate) const HORIZON: Millis = Millis::from_millis(1 << 31);

    const fn at(count: u32) -> Self {
        match NonZeroU32::new(count) {
            Some(count) => Self(count),
            None => Self(NonZeroU32::MIN),
        }
    }

    /// The moment a span later; held at the end of the range.
    pub(crate) const fn plus(self, span: Millis) -> Self {
        Self(self.0.saturating_add(span.as_millis()))
    }

    /// Lets time pass. Once in 24.8 days it returns how far every kept moment must be
    /// [moved back](Self::moved_back).
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "compared with the maximum first")]
    pub(crate) const fn pass(&mut self, span: Millis) -> Option<Millis> {
        if let Some(later) = self.0.checked_add(span.as_millis()) {
            self.0 = later;
            return None;
        }
        let here = Self::START.plus(Self::HORIZON);
        // The time beyond `here`; at the end of the range it lies beyond every moment.
        let sum = (self.0.get() as u64).saturating_add(span.as_millis() as u64);
        let beyond = sum.saturating_sub(here.0.get() as u64);
        let back = if beyond > u32::MAX as u64 { u32::MAX } else { beyond as u32 };
        *self = here;
        Some(Millis::from_millis(back))
    }

    /// Sets the present back to a `horizon` of so long, and returns how far every kept moment must be moved back with it.
    #[cfg(test)]
    pub(crate) fn rebase(&mut self, horizon: Millis) -> Millis {
        let here = (*self).min(Self::START.plus(horizon));
        let back = self.since(here);
        *self = here;
        back
    }

    /// The same moment after the present has been set back by `span`; none falls before the start.
    pub(crate) const fn moved_back(self, span: Millis) -> Self {
        let count = self.0.get().saturating_sub(span.as_millis());
        match self {
            Self::NEVER => Self::NEVER,
            _ if count <= Self::START.0.get() => Self::START,
            _ => Self::at(count),
        }
    }

    /// The span from `earlier` to `self`; held at the ends of the range.
    #[inline]
    pub(crate) const fn since(self, earlier: Self) -> Millis {
        Millis::from_millis(self.0.get().saturating_sub(earlier.0.get()))
    }
}

/// How a step follows the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tick {
    /// Time that has passed, as far as the clock shows. Readings age by it.
    pub(crate) elapsed: Millis,
    /// Time that may be credited to soaks, rests and runs: zero while the clock is doubtful.
    pub(crate) credited: Millis,
    /// What is wrong with the clock.
    pub(crate) fault: Option<SystemFault>,
}

/// The time of the step before, and the clock's standing.
#[derive(Clone, Debug, Hash)]
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

    /// The same with the moment of the last step as zero, and without a run that no longer counts.
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        self.before = self.before.map(|_| Instant::from_millis(0));
        if self.fault.is_none() {
            self.good_run = 0;
        }
    }

    /// Whether a step of this length is one more good one.
    #[cfg(feature = "leap")]
    pub(crate) fn is_good(&self, step: Millis, trust: &Trust) -> bool {
        self.before.is_some() && self.fault.is_none() && !step.is_zero() && step <= trust.max_step
    }

    /// The last of some good steps was at `now`.
    #[cfg(feature = "leap")]
    pub(crate) const fn pass(&mut self, now: Instant) {
        self.before = Some(now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::settings;
    use proptest::prelude::*;

    proptest! {
        /// Against a count that never wraps. What lies beyond the horizon reads as at least so long ago.
        #[test]
        fn a_moment_keeps_its_age_up_to_the_horizon(
            spans in proptest::collection::vec(prop_oneof![0..100_000_u32, any::<u32>(), u32::MAX - 2..=u32::MAX], 1..40),
            kept_at in 0..40_usize,
        ) {
            let (mut now, mut moment) = (Uptime::START, Uptime::START);
            let (mut exact_now, mut exact_moment) = (0_u64, 0_u64);
            for (index, &span) in spans.iter().enumerate() {
                exact_now += u64::from(span);
                if let Some(back) = now.pass(Millis::from_millis(span)) {
                    moment = moment.moved_back(back);
                }
                if index == kept_at {
                    (moment, exact_moment) = (now, exact_now);
                }
                let (age, exact) = (u64::from(now.since(moment).as_millis()), exact_now - exact_moment);
                let horizon = u64::from(Uptime::HORIZON.as_millis());
                prop_assert!(age == exact || (age >= horizon && exact >= horizon), "{age} ms, exactly {exact} ms");
            }
            prop_assert!(moment >= Uptime::START && now > Uptime::NEVER.moved_back(Millis::MAX));
        }
    }

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

//! For how long nothing is decided, and how to get to the end of it in one go.
//!
//! Most of a winter nothing happens: the readings keep clear of every threshold, and timers run. A rehearsal need not
//! take each of those steps. It says what the readings will keep to ([`Course`]). [`Unit::quiet`](crate::Unit::quiet)
//! answers for how many steps nothing that the unit decides can change. [`Unit::pass`](crate::Unit::pass) then takes the
//! unit over some of them in one call, and a few last steps, taken as usual, leave it as all of them would have.
//!
//! This is for a host that knows the future. No firmware does, and none carries this code.
//!
//! # What is promised
//!
//! If, from the last step on and for as many steps as are asked about,
//!
//! - the steps are equally long,
//! - each channel shows a fresh reading in every step and keeps to its course, a check resistor to its band,
//! - a lead that is measured alone measures the same,
//! - all other inputs stay as they were in the last step,
//!
//! then in each of so many steps [`Outputs`](crate::Outputs) stay as they were in the last step, but for the ceiling,
//! which follows the temperature: relays, state, cause, faults, what is latched, what is overdue.
//!
//! If the unit is then taken over all but the last `settling` of these steps with `pass`, and takes those as usual, it
//! is the unit that would have taken each step: every timer, counter, energy, age and median.
//! `a_leap_leaves_the_unit_that_steps_would_have_left` compares the two in every field.
//!
//! # How it is known
//!
//! What remembers the readings forgets them after a few steps: the median of three, and how far a reading may have
//! drifted since. So these come from the last steps. Everything else is a timer or a total, which runs straight, or a
//! count of looks, which has come to its end. Each module knows when its own timers end: see `quiet` and `pass` of each.

use crate::quantity::{Celsius, KelvinRate, Kelvins, Millis};

/// Further than a reading is widened by, and than the guard's limits lie from the controller's.
const CLEAR: Kelvins = Kelvins::from_millikelvins(3);

/// What the readings of a channel keep to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Course {
    /// No reading is lower.
    pub low: Celsius,
    /// No reading is higher.
    pub high: Celsius,
    /// Two readings differ by at most this, and by `pace` for the time between them. The last reading so far counts.
    pub jitter: Kelvins,
    /// See `jitter`.
    pub pace: KelvinRate,
}

/// The answer of [`Unit::quiet`](crate::Unit::quiet).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Quiet {
    /// The steps in which nothing changes.
    pub steps: u32,
    /// How many of them must be taken as usual, at their end.
    pub settling: u32,
}

impl Quiet {
    pub(crate) const NOT: Self = Self { steps: 0, settling: 0 };

    /// Whether timers alone end it. Otherwise something may be decided at any time.
    #[must_use]
    pub const fn ends_by_timers(self) -> bool {
        self.settling > 0
    }
}

/// Whether a range of readings keeps clear of every threshold that it is held against.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Clear {
    low: Celsius,
    high: Celsius,
    none_near: bool,
}

impl Clear {
    pub(crate) const fn between(low: Celsius, high: Celsius) -> Self {
        Self { low, high, none_near: true }
    }

    /// The lowest of several values, when one more may lie in this range.
    pub(crate) fn or_colder(self, low: Celsius, high: Celsius) -> Self {
        Self { low: self.low.min(low), high: self.high.min(high), ..self }
    }

    /// The highest of several values, when one more may lie in this range.
    pub(crate) fn or_hotter(self, low: Celsius, high: Celsius) -> Self {
        Self { low: self.low.max(low), high: self.high.max(high), ..self }
    }

    pub(crate) fn of(&mut self, threshold: Celsius) {
        self.none_near &= threshold.raised(CLEAR) <= self.low || threshold.lowered(CLEAR) >= self.high;
    }

    pub(crate) const fn is_clear(self) -> bool {
        self.none_near
    }
}

/// Some steps of equal length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stretch {
    pub(crate) step: Millis,
    pub(crate) steps: u32,
}

impl Stretch {
    pub(crate) const fn span(self) -> Millis {
        Millis::from_millis(self.step.as_millis().saturating_mul(self.steps))
    }
}

/// How many steps a timer takes before the one in which it reaches `end`; none if it is there.
pub(crate) fn steps_before(timer: Millis, end: Millis, step: Millis) -> u32 {
    end.less(timer).as_millis().div_ceil(step.as_millis().max(1)).saturating_sub(1)
}

/// The same for what is `left` of a time that runs out.
pub(crate) fn steps_left(left: Millis, step: Millis) -> u32 {
    steps_before(Millis::ZERO, left, step)
}

#[cfg(test)]
mod tests;

//! Whether what is called energy gives any.
//!
//! A source that is present need not give: its line is stuck, its breaker has tripped, its fuse is gone. Two things show it, and
//! each is answered by a [`Pause`] that doubles from one failure to the next, so that a relay is not worn and a bank not emptied by
//! trying, and by a fault once it happens again and again:
//!
//! - the supply breaks down as soon as the heater takes from it ([`Sags`]).

use crate::fault::SystemFault;
use crate::power::Feed;
use crate::quantity::Millis;
use crate::signals::Relay;

/// Failures in a row from which on someone is called. Common practice, no source: twice may be a cloud or an engine that is stopped.
const REPEATED: u8 = 3;

/// The pause after the first failure, where the heater's own shortest time off is not longer. Common practice, no source.
const SHORTEST: Millis = Millis::from_secs(60);

/// A pause that doubles from one failure in a row to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Pause {
    /// After the first failure.
    first: Millis,
    /// No pause is longer.
    longest: Millis,
    failures: u8,
    left: Millis,
}

impl Pause {
    fn new(min_off: Millis, longest: Millis) -> Self {
        let first = min_off.max(SHORTEST);
        Self { first, longest: longest.max(first), failures: 0, left: Millis::ZERO }
    }

    #[inline]
    fn pass(&mut self, credited: Millis) {
        self.left = self.left.less(credited);
    }

    #[cold]
    fn fail(&mut self) {
        let doublings = u32::from(self.failures);
        // Held before anything is shifted out at the top: 32 + 31 bits.
        let doubled = u64::from(self.first.as_millis()) << doublings.min(31);
        self.left = Millis::from_millis(u32::try_from(doubled).unwrap_or(u32::MAX)).min(self.longest);
        self.failures = self.failures.saturating_add(1);
    }

    fn forget(&mut self) {
        (self.failures, self.left) = (0, Millis::ZERO);
    }

    const fn is_over(&self) -> bool {
        self.left.is_zero()
    }

    const fn is_repeated(&self) -> bool {
        self.failures >= REPEATED
    }
}

/// A supply that breaks down under the heater: it is good, the heater comes on, it is out of range, the heater goes off, it is good.
#[derive(Clone, Debug)]
pub(crate) struct Sags {
    pause: Pause,
    /// Time since the heater was last closed, while it is.
    closed: Millis,
}

impl Sags {
    /// A supply that has carried the heater for so long carries it; what takes it away after that is something else. Common practice,
    /// no source: an empty cell breaks down within seconds.
    const CARRIED: Millis = Millis::from_secs(300);

    /// The longest pause: six trials a day. Common practice, no source.
    const LONGEST: Millis = Millis::from_secs(4 * 3600);

    pub(crate) fn new(min_off: Millis) -> Self {
        Self { pause: Pause::new(min_off, Self::LONGEST), closed: Millis::ZERO }
    }

    /// Takes note of what the heater's relay has been since the step before, and whether the supply is out of range now.
    #[inline]
    pub(crate) fn watch(&mut self, credited: Millis, heater: Relay, is_bad: bool) {
        match heater {
            Relay::Open => {
                self.closed = Millis::ZERO;
                self.pause.pass(credited);
            }
            Relay::Closed => {
                self.closed = self.closed.plus(credited);
                if self.closed >= Self::CARRIED {
                    self.pause.forget();
                } else if is_bad {
                    self.pause.fail();
                }
            }
        }
    }

    /// Why a heater that could be fed has to wait, if it has to.
    pub(crate) const fn withhold(&self) -> Option<Feed> {
        match (self.pause.is_over(), self.pause.is_repeated()) {
            (true, _) => None,
            (false, false) => Some(Feed::Pausing),
            (false, true) => Some(Feed::Failing(SystemFault::SupplySags)),
        }
    }

    /// Whether it has happened again and again, and not been carried since.
    pub(crate) const fn is_repeated(&self) -> bool {
        self.pause.is_repeated()
    }

    /// Someone has seen to it.
    pub(crate) fn forget(&mut self) {
        self.pause.forget();
    }
}

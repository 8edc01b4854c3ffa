//! Faults that stay until someone has looked.

use crate::fault::SystemFaults;

/// Latched faults: they outlast their cause, and a restart.
///
/// The [guard](crate::guard) does not use it. It keeps its own latches, in three set operations. A latch is all that
/// stands between a welded contact and a heater: one that forgets must not make both judges forget.
#[derive(Clone, Copy, Debug, Hash)]
pub(crate) struct Latches(SystemFaults);

impl Latches {
    /// What was kept from before a restart. Anything else that the memory calls latched cannot latch, and is dropped.
    pub(crate) const fn kept(kept: SystemFaults) -> Self {
        Self(kept.and(SystemFaults::LATCHED))
    }

    /// Latches those of `found` that do.
    #[inline]
    pub(crate) const fn latch(&mut self, found: SystemFaults) {
        self.0 = self.0.or(found.and(SystemFaults::LATCHED));
    }

    /// Clears all but those whose cause is `standing`.
    pub(crate) const fn clear(&mut self, standing: SystemFaults) {
        self.0 = self.0.and(standing);
    }

    pub(crate) const fn all(self) -> SystemFaults {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::{Ending, SystemFault};

    #[test]
    fn each_fault_latches_or_not_as_its_facts_say_and_is_cleared_unless_its_cause_stands() {
        for fault in SystemFault::ALL {
            let (alone, latched) = (SystemFaults::NONE.with(fault), fault.facts().ending == Ending::Latched);
            let expected = if latched { alone } else { SystemFaults::NONE };
            assert_eq!(Latches::kept(alone).all(), expected, "{fault:?} from before a restart");
            let mut latches = Latches::kept(SystemFaults::NONE);
            latches.latch(alone);
            latches.latch(SystemFaults::NONE);
            assert_eq!(latches.all(), expected, "{fault:?} once its cause is gone");
            latches.clear(alone);
            assert_eq!(latches.all(), expected, "{fault:?} while its cause stands");
            latches.clear(SystemFaults::NONE);
            assert_eq!(latches.all(), SystemFaults::NONE, "{fault:?} after the button");
        }
    }
}

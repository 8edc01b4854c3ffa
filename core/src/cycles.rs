//! How often the heater's relay may close.
//!
//! A contact wears with every closing under load. A thermometer that has slipped onto the plate, a sun at the edge of
//! what counts as present, or a loose wire can close it thousands of times a winter, every time for a good reason. So
//! each closing costs credit, and time earns credit. Half of a day's closings may come at once, the other half as they
//! are earned. No 24 hours have more closings than the setting says. Opening costs nothing.

#[cfg(feature = "leap")]
use crate::leap::steps_before;
use crate::quantity::Millis;
#[cfg(feature = "leap")]
use crate::signals::Relay;

const DAY: Millis = Millis::from_secs(86_400);

/// Credit for closing a relay.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Cycles {
    /// The cost of one closing.
    cost: Millis,
    /// Never more than a day.
    credit: Millis,
    /// Heat was asked for and the credit was too small. Holds until it has recovered.
    is_spent: bool,
}

impl Cycles {
    /// After a reset nobody knows what was spent before: a quarter of the credit, and at least two closings.
    pub(crate) fn new(most_a_day: u8) -> Self {
        // A day's credit and what a day earns are 2 days, for that many closings.
        let cost = Millis::from_millis(DAY.plus(DAY).as_millis().div_ceil(u32::from(most_a_day.max(1))));
        let credit = Millis::from_millis(DAY.as_millis() / 4).max(cost.plus(cost)).min(DAY);
        Self { cost, credit, is_spent: false }
    }

    #[inline]
    pub(crate) fn pass(&mut self, credited: Millis) {
        self.credit = self.credit.plus(credited).min(DAY);
        if self.is_spent && self.credit >= self.recovered() {
            self.is_spent = false;
        }
    }

    /// The credit at which the fault ends. Otherwise an alarm would come and go with every closing.
    #[inline]
    fn recovered(&self) -> Millis {
        Millis::from_millis(DAY.as_millis() / 2).plus(self.cost).min(DAY)
    }

    #[inline]
    pub(crate) fn may_close(&self) -> bool {
        self.credit >= self.cost
    }

    pub(crate) fn close(&mut self) {
        self.credit = self.credit.less(self.cost);
    }

    /// For how many steps the relay may close, or not, and the fault stands, or not.
    #[cfg(feature = "leap")]
    pub(crate) fn quiet(&self, step: Millis, heater: Relay, asks: bool) -> u32 {
        let mut quiet = u32::MAX;
        if !self.may_close() {
            if heater == Relay::Open && asks && !self.is_spent {
                return 0;
            }
            quiet = steps_before(self.credit, self.cost, step);
        }
        if self.is_spent {
            quiet = quiet.min(steps_before(self.credit, self.recovered(), step));
        }
        quiet
    }

    /// The relay was kept open after all.
    pub(crate) fn refund(&mut self) {
        self.credit = self.credit.plus(self.cost).min(DAY);
    }

    /// Heat is asked for.
    #[inline]
    pub(crate) fn ask(&mut self) {
        self.is_spent |= !self.may_close();
    }

    /// All the credit there can be.
    #[cfg(test)]
    pub(crate) fn refill(&mut self) {
        (self.credit, self.is_spent) = (DAY, false);
    }

    pub(crate) const fn is_spent(&self) -> bool {
        self.is_spent
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::VecDeque;

    proptest! {
        /// Counted one by one.
        #[test]
        fn no_day_has_more_closings_than_the_setting(most in 4..=250_u8, waits in proptest::collection::vec(1..20_000_u32, 100..800)) {
            let mut cycles = Cycles::new(most);
            let (mut now_ms, mut closings) = (0_u64, VecDeque::new());
            for wait in waits {
                now_ms += u64::from(wait) * 100;
                cycles.pass(Millis::from_millis(wait * 100));
                if cycles.may_close() {
                    cycles.close();
                    closings.push_back(now_ms);
                }
                while closings.front().is_some_and(|&at| at + 86_400_000 <= now_ms) {
                    closings.pop_front();
                }
                prop_assert!(closings.len() <= usize::from(most), "{} of {most}", closings.len());
            }
        }
    }

    #[test]
    fn half_of_a_day_s_closings_may_come_at_once_and_as_many_a_day_for_good() {
        let mut cycles = Cycles::new(60);
        cycles.pass(DAY);
        let burst = (0..100)
            .take_while(|_| {
                let may = cycles.may_close();
                cycles.close();
                may
            })
            .count();
        assert_eq!(burst, 30);
        let mut in_ten_days = 0;
        for _ in 0..10 * 86_400 {
            cycles.pass(Millis::from_secs(1));
            if cycles.may_close() {
                cycles.close();
                in_ten_days += 1;
            }
        }
        assert_eq!(in_ten_days, 300);
    }
}

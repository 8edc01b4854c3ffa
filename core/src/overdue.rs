//! Whether charge has been kept away for too long although a source was present, and what stood in its way most.
//!
//! Each obstacle by itself is right, and many are reported only while they last. Without this fault, cells that are
//! always a little too cold, or a doubt that always comes again, would end in an empty bank without any report.

#[cfg(feature = "leap")]
use crate::leap::{steps_before, steps_left};
use crate::quantity::Millis;
use crate::signals::{Cause, Relay};

/// Waiting is forgotten this much faster while a source charges than it is counted: a day in an hour. Common practice,
/// no source.
const FORGETS: u32 = 24;

/// The wait is kept over restarts in this many parts. A part that has begun counts as whole, so that restarts cannot
/// hide it.
const PARTS: u8 = 32;

/// How long charge has been waited for.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Overdue {
    after: Millis,
    part: Millis,
    waited: Millis,
    stands: bool,
    /// The obstacle that has more of the time than all others together, if one has; else any of them.
    reason: Option<Cause>,
    /// Its time, less the time of those that it voted down.
    lead: Millis,
}

impl Overdue {
    pub(crate) fn new(after: Millis, parts_kept: u8) -> Self {
        let part = Millis::from_millis(after.as_millis().div_ceil(u32::from(PARTS)));
        let waited = Millis::from_millis(part.as_millis().saturating_mul(parts_kept.into())).min(after);
        Self { after, part, waited, stands: waited >= after, reason: None, lead: Millis::ZERO }
    }

    /// Counts a step with this position of the charge relay, for this cause. Returns what stood in the way most, from
    /// when charge is overdue until it has had its time.
    pub(crate) fn judge(&mut self, credited: Millis, is_offered: bool, charge: Relay, cause: Cause) -> Option<Cause> {
        match charge {
            Relay::Open | Relay::Closed if !is_offered => {}
            Relay::Open => {
                self.waited = self.waited.plus(credited).min(self.after);
                self.stands |= self.waited >= self.after;
                self.count(credited, cause);
            }
            Relay::Closed => {
                self.waited = self.waited.less(Millis::from_millis(credited.as_millis().saturating_mul(FORGETS)));
                if self.waited.is_zero() {
                    (self.stands, self.reason, self.lead) = (false, None, Millis::ZERO);
                }
            }
        }
        // The reasons from before a restart were not kept.
        self.stands.then(|| self.reason.unwrap_or(cause))
    }

    /// The same without what is only reported: which obstacle stood in the way most.
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        (self.reason, self.lead) = (None, Millis::ZERO);
    }

    /// As if nothing had been waited for.
    #[cfg(test)]
    pub(crate) fn forget(&mut self) {
        (self.waited, self.stands) = (Millis::ZERO, false);
    }

    /// For how many steps it stands or not, for the same reason.
    #[cfg(feature = "leap")]
    pub(crate) fn quiet(&self, step: Millis, is_offered: bool, charge: Relay, cause: Cause) -> u32 {
        match charge {
            Relay::Open | Relay::Closed if !is_offered => u32::MAX,
            Relay::Open => {
                let stands = if self.stands { u32::MAX } else { steps_before(self.waited, self.after, step) };
                let reason = if self.reason == Some(cause) { u32::MAX } else { steps_left(self.lead, step) };
                stands.min(reason)
            }
            Relay::Closed if self.waited.is_zero() => u32::MAX,
            Relay::Closed => steps_left(self.waited, Millis::from_millis(step.as_millis().saturating_mul(FORGETS))),
        }
    }

    /// After so many quiet steps, `span` long.
    #[cfg(feature = "leap")]
    pub(crate) fn pass(&mut self, span: Millis, is_offered: bool, charge: Relay, cause: Cause) {
        let _ = self.judge(span, is_offered, charge, cause);
    }

    /// The vote of Boyer and Moore: one candidate and one count find what has the majority. Source: R. S. Boyer and J S. Moore, "MJRTY: a
    /// fast majority vote algorithm", in Automated Reasoning, 1991.
    fn count(&mut self, credited: Millis, cause: Cause) {
        if self.reason == Some(cause) {
            self.lead = self.lead.plus(credited);
        } else if self.lead > credited {
            self.lead = self.lead.less(credited);
        } else {
            (self.reason, self.lead) = (Some(cause), credited.less(self.lead));
        }
    }

    /// The parts to keep over a restart.
    pub(crate) fn parts(&self) -> u8 {
        let parts = self.waited.as_millis().checked_div(self.part.as_millis()).unwrap_or(0);
        let has_begun = !self.waited.is_zero();
        u8::try_from(parts).unwrap_or(PARTS).saturating_add(has_begun.into()).min(PARTS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const DAY: u32 = 24 * 3600;

    fn overdue() -> Overdue {
        Overdue::new(Millis::from_secs(DAY), 0)
    }

    #[test]
    fn an_hour_of_charge_a_day_is_enough_and_a_minute_an_hour_is_not() {
        let first = |open: u32, closed: u32| {
            let mut overdue = overdue();
            (0..14 * DAY / 60).find(|minute| {
                let is_open = minute % (open + closed) < open;
                let charge = if is_open { Relay::Open } else { Relay::Closed };
                overdue.judge(Millis::from_secs(60), true, charge, Cause::CellsCold).is_some()
            })
        };
        assert_eq!(first(22 * 60, 60), None);
        assert!(first(59, 1).is_some_and(|minute| minute < 48 * 60));
    }

    #[test]
    fn time_without_a_source_does_not_count() {
        let mut overdue = overdue();
        for _ in 0..10 * DAY {
            assert_eq!(overdue.judge(Millis::from_secs(1), false, Relay::Open, Cause::NoEnergy), None);
        }
    }

    #[test]
    fn restarts_do_not_hide_it() {
        let mut kept = 0;
        let starts = (1..100).find(|_| {
            let mut overdue = Overdue::new(Millis::from_secs(DAY), kept);
            let said =
                (0..16 * 60).any(|_| overdue.judge(Millis::from_secs(1), true, Relay::Open, Cause::StartUp).is_some());
            assert!(overdue.parts() >= kept);
            kept = overdue.parts();
            said
        });
        assert!(starts.is_some_and(|starts| starts <= 33), "{starts:?}");
    }

    proptest! {
        #[test]
        fn what_has_more_time_than_all_others_is_named(others in 0..3_000_u32, seed: u64) {
            let mut overdue = Overdue::new(Millis::from_secs(6_001), 0);
            let (mut most, mut rest) = (6_001 - others, others);
            let (mut noise, mut said) = (seed, None);
            while most + rest > 0 {
                noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                // Each as likely as it has time left, so that either may come last.
                let takes_most = noise >> 32 < (u64::from(most) << 32) / u64::from(most + rest);
                let cause = if takes_most { Cause::CellsCold } else if noise >> 62 & 1 == 0 { Cause::NoEnergy } else { Cause::CutOut };
                (most, rest) = if takes_most { (most - 1, rest) } else { (most, rest - 1) };
                said = overdue.judge(Millis::from_secs(1), true, Relay::Open, cause);
            }
            prop_assert_eq!(said, Some(Cause::CellsCold));
        }
    }

    #[cfg(feature = "leap")]
    proptest! {
        #[test]
        fn it_is_quiet_until_the_step_in_which_it_changes(
            past in proptest::collection::vec((1..100_u32, any::<[bool; 2]>(), 0..3_usize), 1..12), seconds in 1..120_u32,
        ) {
            let step = Millis::from_secs(seconds);
            let mut overdue = Overdue::new(Millis::from_secs(3_600), 0);
            let mut last = (false, Relay::Open, Cause::NoEnergy);
            for (steps, [is_offered, is_open], cause) in past {
                let charge = if is_open { Relay::Open } else { Relay::Closed };
                last = (is_offered, charge, [Cause::CellsCold, Cause::NoEnergy, Cause::CutOut][cause]);
                // Or nearly all would be forgotten by the last step.
                let steps = if is_open { steps } else { steps.div_ceil(FORGETS) };
                for _ in 0..steps {
                    overdue.judge(step, last.0, last.1, last.2);
                }
            }
            let quiet = overdue.quiet(step, last.0, last.1, last.2);
            let says = |overdue: &Overdue| (overdue.stands, overdue.reason);
            let (mut stepped, mut leapt) = (overdue.clone(), overdue.clone());
            // Longer than anything counts.
            let steps = quiet.min(4_000);
            for _ in 0..steps {
                stepped.judge(step, last.0, last.1, last.2);
            }
            leapt.pass(Millis::from_secs(seconds * steps), last.0, last.1, last.2);
            prop_assert_eq!(says(&stepped), says(&overdue));
            prop_assert_eq!(std::format!("{leapt:?}"), std::format!("{stepped:?}"));
            if quiet < u32::MAX {
                stepped.judge(step, last.0, last.1, last.2);
                prop_assert_ne!(says(&stepped), says(&overdue));
            }
        }
    }
}

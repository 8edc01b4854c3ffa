//! Counts steps down.

/// Counts steps down, again and again.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Countdown {
    pub(crate) every: u16,
    left: u16,
}

impl Countdown {
    pub(crate) const fn every(every: u16) -> Self {
        Self { every, left: every }
    }

    /// Counts one step. True once in `every`. Never true for zero.
    pub(crate) fn is_over(&mut self) -> bool {
        self.left = self.left.saturating_sub(1);
        let is_over = self.left == 0 && self.every > 0;
        if is_over {
            self.left = self.every;
        }
        is_over
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn it_is_over_in_every_so_many_steps_and_never_for_zero(every in 0..50_u16, steps in 0..500_u16) {
            let mut countdown = Countdown::every(every);
            for step in 1..=steps {
                prop_assert_eq!(countdown.is_over(), every > 0 && step.is_multiple_of(every));
            }
        }
    }
}

//! Steps to go.

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

    /// Counts one step. True once in `every`; never, for zero.
    pub(crate) fn is_over(&mut self) -> bool {
        self.left = self.left.saturating_sub(1);
        let is_over = self.left == 0 && self.every > 0;
        if is_over {
            self.left = self.every;
        }
        is_over
    }
}

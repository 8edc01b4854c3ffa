//! A line of the battery's protection: it refuses at once, and allows again after a run of looks at which it does.

use crate::signals::Line;

/// What a line is taken to say.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LineFilter {
    /// Looks that must still find it allowing.
    left: u8,
}

impl LineFilter {
    /// Believed at its first look.
    pub(crate) const ALLOWING: Self = Self { left: 0 };

    /// Not believed to allow before its first run.
    pub(crate) const fn unproven(good_run: u8) -> Self {
        Self { left: good_run }
    }

    /// Takes note of a look.
    pub(crate) fn refuses(&mut self, line: Line, good_run: u8) -> bool {
        self.left = match line {
            Line::Refused => good_run,
            Line::Allowed => self.left.saturating_sub(1),
        };
        self.left > 0
    }
}

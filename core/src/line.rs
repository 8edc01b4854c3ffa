//! A line of the battery's protection. A refusal counts at once; the line allows again after a run of looks that all
//! allow.

use crate::signals::Line;

/// How a line is read.
#[derive(Clone, Copy, Debug, Hash)]
pub(crate) struct LineFilter {
    /// The number of looks that must still find it allowing.
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
        self.has_refused()
    }

    /// Whether it counts as refusing since the last look.
    pub(crate) const fn has_refused(self) -> bool {
        self.left > 0
    }

    /// Whether another such look changes nothing.
    #[cfg(feature = "leap")]
    pub(crate) const fn has_settled(self, line: Line, good_run: u8) -> bool {
        match line {
            Line::Refused => self.left == good_run,
            Line::Allowed => self.left == 0,
        }
    }
}

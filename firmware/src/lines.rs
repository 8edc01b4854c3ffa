//! Watches lines between two steps.
//!
//! A contact bounces for some milliseconds. An opto-coupler on an alternating voltage follows its half-waves. A wire
//! picks up noise. So the program looks at each line as often as it can, many times a step. A line counts as high in a
//! step only if it was high at every look. Every line that permits something permits when high. So one look at a low
//! line takes the permission away in the same step, and a whole quiet step gives it back. It uses no timer that a
//! stopped clock could stop.

use crate::board::{InputLines, Levels};
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::{Button, Inputs, Line, Relay, Sources};

/// A line toggles from this many changes in one step. A bouncing contact may do so too, for one step. The core calls
/// someone only after a run of them.
const TOGGLING: u8 = 4;

/// All lines of a board, since the step before. A bit a line: they are looked at so often that this saves a third of all
/// instructions.
#[derive(Clone, Debug, Default)]
pub(crate) struct Lines {
    /// At the latest look. A line that cannot be read is neither high nor known.
    high: u32,
    known: u32,
    was_high: u32,
    /// Low, or not readable.
    was_not_high: u32,
    changes: [u8; Levels::COUNT],
}

impl Lines {
    /// Looks at each line once.
    pub(crate) fn look(&mut self, lines: &mut impl InputLines) {
        let levels = lines.levels();
        self.saw(levels.high, levels.known);
    }

    /// Levels at a look.
    fn saw(&mut self, high: u32, known: u32) {
        let changed = (high ^ self.high) & known & self.known;
        if changed != 0 {
            for (line, changes) in self.changes.iter_mut().enumerate() {
                *changes = changes.saturating_add(u8::from(changed & 1 << line != 0));
            }
        }
        self.was_high |= high;
        self.was_not_high |= !high;
        (self.high, self.known) = (high, known);
    }

    /// High at every look.
    fn is_high(&self, line: usize) -> bool {
        self.was_high & !self.was_not_high & 1 << line != 0
    }

    fn is_toggling(&self, line: usize) -> bool {
        self.changes.get(line).is_some_and(|&changes| changes >= TOGGLING)
    }

    /// A contact that has just moved counts as last seen.
    fn contact(&self, line: usize) -> Option<Relay> {
        let is_closed = self.high & 1 << line != 0;
        (self.known & 1 << line != 0).then_some(if is_closed { Relay::Closed } else { Relay::Open })
    }

    /// Begins the next step. Keeps the latest levels, to see changes from them.
    fn begin(&mut self) {
        *self = Self { high: self.high, known: self.known, ..Self::default() };
    }

    /// Whether the button was down at every look since the step before.
    pub(crate) fn button_is_down(&self) -> bool {
        self.high & 1 << Levels::BUTTON != 0 && self.was_not_high & 1 << Levels::BUTTON == 0
    }

    /// Puts what was seen since the last call into `inputs`, for `sources` sources.
    pub(crate) fn take(&mut self, sources: usize, inputs: &mut Inputs) {
        (inputs.sources, inputs.unsteady) = (Sources::NONE, Sources::NONE);
        for source in 0..sources.min(MAX_SOURCES) {
            let line = Levels::SOURCES + source;
            if self.is_toggling(line) {
                inputs.unsteady = inputs.unsteady.with(source);
            } else if self.is_high(line) {
                inputs.sources = inputs.sources.with(source);
            }
        }
        let allowed = |line| if self.is_high(line) { Line::Allowed } else { Line::Refused };
        inputs.charge_line = allowed(Levels::CHARGE_LINE);
        inputs.discharge_line = allowed(Levels::DISCHARGE_LINE);
        inputs.heater_feedback = self.contact(Levels::HEATER_FEEDBACK);
        inputs.charge_feedback = self.contact(Levels::CHARGE_FEEDBACK);
        inputs.button = if self.is_high(Levels::BUTTON) { Button::Pressed } else { Button::Released };
        self.begin();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    /// The last line, after these levels, one after the other. `None` is a line that cannot be read.
    fn saw(levels: &[Option<bool>]) -> Lines {
        let mut lines = Lines::default();
        for level in levels {
            lines.saw(u32::from(*level == Some(true)) << Levels::BUTTON, u32::from(level.is_some()) << Levels::BUTTON);
        }
        lines
    }

    proptest! {
        #[test]
        fn a_line_is_high_only_if_it_was_each_time(levels: Vec<Option<bool>>) {
            let all_high = !levels.is_empty() && levels.iter().all(|level| *level == Some(true));
            prop_assert_eq!(saw(&levels).is_high(Levels::BUTTON), all_high);
        }

        /// Each line is what it would be alone.
        #[test]
        fn no_line_shows_in_another(looks in proptest::collection::vec((0..1_u32 << Levels::COUNT, 0..1_u32 << Levels::COUNT), 1..40)) {
            let mut all = Lines::default();
            for &(high, known) in &looks {
                all.saw(high & known, known);
            }
            for line in 0..Levels::COUNT {
                let levels: Vec<_> = looks
                    .iter()
                    .map(|(high, known)| (known & 1 << line != 0).then_some(high & 1 << line != 0))
                    .collect();
                let alone = saw(&levels);
                prop_assert_eq!(all.is_high(line), alone.is_high(Levels::BUTTON));
                prop_assert_eq!(all.changes[line], alone.changes[Levels::BUTTON]);
                prop_assert_eq!(all.contact(line), alone.contact(Levels::BUTTON));
            }
        }
    }

    #[test]
    fn a_line_of_100_hz_toggles_and_a_contact_that_bounces_does_not() {
        // One look each millisecond for a second, at 100 Hz: five milliseconds high, five low.
        let alternating: Vec<_> = (0..1000).map(|ms| Some(ms % 10 < 5)).collect();
        assert!(saw(&alternating).is_toggling(Levels::BUTTON) && !saw(&alternating).is_high(Levels::BUTTON));
        let arriving: Vec<_> = (0..1000).map(|ms| Some(ms > 400 && ms != 403)).collect();
        assert!(!saw(&arriving).is_toggling(Levels::BUTTON) && !saw(&arriving).is_high(Levels::BUTTON));
    }

    #[test]
    fn a_change_between_two_steps_counts_in_the_second() {
        let mut lines = saw(&[Some(true)]);
        lines.begin();
        lines.saw(0, u32::MAX);
        assert_eq!((lines.changes[Levels::BUTTON], lines.is_high(Levels::BUTTON)), (1, false));
    }

    #[test]
    fn a_contact_that_cannot_be_read_is_not_fitted() {
        assert_eq!(saw(&[Some(true), None]).contact(Levels::BUTTON), None);
        assert_eq!(saw(&[Some(true), Some(false)]).contact(Levels::BUTTON), Some(Relay::Open));
    }
}

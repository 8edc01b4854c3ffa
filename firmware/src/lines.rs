//! Watches lines between two steps.
//!
//! A contact bounces for some milliseconds. An opto-coupler on an alternating voltage follows its half-waves. A wire
//! picks up noise. So the program looks at each line as often as it can, many times a step. A line counts as high in a
//! step only if it was high at every look. Every line that permits something permits when high. So one look at a low
//! line takes the permission away in the same step, and a whole quiet step gives it back. It uses no timer that a
//! stopped clock could stop.

use crate::board::{Board, InputPins};
use embedded_hal::digital::InputPin;
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::{Button, Inputs, Line, Relay, Sources};

/// A line toggles from this many changes in one step. A bouncing contact may do so too, for one step. The core calls
/// someone only after a run of them.
const TOGGLING: u8 = 4;

/// One line since the step before.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Watched {
    latest: Option<bool>,
    was_high: bool,
    /// Low, or not readable.
    was_not_high: bool,
    changes: u8,
}

impl Watched {
    fn look(&mut self, pin: &mut impl InputPin) {
        let level = pin.is_high().ok();
        if self.latest.is_some() && level.is_some() && level != self.latest {
            self.changes = self.changes.saturating_add(1);
        }
        self.was_high |= level == Some(true);
        self.was_not_high |= level != Some(true);
        self.latest = level;
    }

    /// High at every look.
    fn is_high(self) -> bool {
        self.was_high && !self.was_not_high
    }

    fn is_toggling(self) -> bool {
        self.changes >= TOGGLING
    }

    /// A contact that has just moved counts as last seen.
    fn contact(self) -> Option<Relay> {
        self.latest.map(|closed| if closed { Relay::Closed } else { Relay::Open })
    }

    /// Begins the next step. Keeps the latest level, to see changes from it.
    fn begin(&mut self) {
        *self = Self { latest: self.latest, ..Self::default() };
    }
}

/// All lines of a board.
#[derive(Clone, Debug, Default)]
pub(crate) struct Lines {
    sources: [Watched; MAX_SOURCES],
    charge_line: Watched,
    discharge_line: Watched,
    heater_feedback: Watched,
    charge_feedback: Watched,
    button: Watched,
}

impl Lines {
    /// Looks at each line once.
    pub(crate) fn look<B: Board>(&mut self, pins: &mut InputPins<B>) {
        for (line, pin) in self.sources.iter_mut().zip(&mut pins.sources) {
            line.look(pin);
        }
        self.charge_line.look(&mut pins.charge_line);
        self.discharge_line.look(&mut pins.discharge_line);
        self.heater_feedback.look(&mut pins.heater_feedback);
        self.charge_feedback.look(&mut pins.charge_feedback);
        self.button.look(&mut pins.button);
    }

    /// Whether the button was down at every look since the step before.
    pub(crate) fn button_is_down(&self) -> bool {
        self.button.latest == Some(true) && !self.button.was_not_high
    }

    /// Puts what was seen since the last call into `inputs`, for `sources` sources.
    pub(crate) fn take(&mut self, sources: usize, inputs: &mut Inputs) {
        (inputs.sources, inputs.unsteady) = (Sources::NONE, Sources::NONE);
        for (index, line) in self.sources.iter().enumerate().take(sources) {
            if line.is_toggling() {
                inputs.unsteady = inputs.unsteady.with(index);
            } else if line.is_high() {
                inputs.sources = inputs.sources.with(index);
            }
        }
        let allowed = |line: Watched| if line.is_high() { Line::Allowed } else { Line::Refused };
        inputs.charge_line = allowed(self.charge_line);
        inputs.discharge_line = allowed(self.discharge_line);
        inputs.heater_feedback = self.heater_feedback.contact();
        inputs.charge_feedback = self.charge_feedback.contact();
        inputs.button = if self.button.is_high() { Button::Pressed } else { Button::Released };
        for line in self.sources.iter_mut().chain([
            &mut self.charge_line,
            &mut self.discharge_line,
            &mut self.heater_feedback,
            &mut self.charge_feedback,
            &mut self.button,
        ]) {
            line.begin();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use embedded_hal::digital::{ErrorKind, ErrorType};
    use proptest::prelude::*;
    use std::vec::Vec;

    /// Shows one level after the other. `None` is an error.
    struct Pin<'a>(std::slice::Iter<'a, Option<bool>>);

    impl ErrorType for Pin<'_> {
        type Error = ErrorKind;
    }

    impl InputPin for Pin<'_> {
        fn is_high(&mut self) -> Result<bool, ErrorKind> {
            self.0.next().copied().flatten().ok_or(ErrorKind::Other)
        }

        fn is_low(&mut self) -> Result<bool, ErrorKind> {
            self.is_high().map(|high| !high)
        }
    }

    fn watched(levels: &[Option<bool>]) -> Watched {
        let mut watched = Watched::default();
        let mut pin = Pin(levels.iter());
        for _ in levels {
            watched.look(&mut pin);
        }
        watched
    }

    proptest! {
        #[test]
        fn a_line_is_high_only_if_it_was_each_time(levels: Vec<Option<bool>>) {
            let all_high = !levels.is_empty() && levels.iter().all(|level| *level == Some(true));
            prop_assert_eq!(watched(&levels).is_high(), all_high);
        }
    }

    #[test]
    fn a_line_of_100_hz_toggles_and_a_contact_that_bounces_does_not() {
        // One look each millisecond for a second, at 100 Hz: five milliseconds high, five low.
        let alternating: Vec<_> = (0..1000).map(|ms| Some(ms % 10 < 5)).collect();
        assert!(watched(&alternating).is_toggling() && !watched(&alternating).is_high());
        let arriving: Vec<_> = (0..1000).map(|ms| Some(ms > 400 && ms != 403)).collect();
        assert!(!watched(&arriving).is_toggling() && !watched(&arriving).is_high());
    }

    #[test]
    fn a_change_between_two_steps_counts_in_the_second() {
        let mut watched = watched(&[Some(true)]);
        watched.begin();
        watched.look(&mut Pin([Some(false)].iter()));
        assert_eq!((watched.changes, watched.is_high()), (1, false));
    }

    #[test]
    fn a_contact_that_cannot_be_read_is_not_fitted() {
        assert_eq!(watched(&[Some(true), None]).contact(), None);
        assert_eq!(watched(&[Some(true), Some(false)]).contact(), Some(Relay::Open));
    }
}

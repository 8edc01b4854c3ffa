//! Decides whether someone at the board wants other settings. The service line alone allows reading everything and
//! changing nothing.
//!
//! The reset button must be down, and have been down for two seconds, when an upload has arrived. A button counts as
//! stuck if it was down at the start, stays down for more than a minute, or has already let one upload in. It then
//! counts again only after it was seen released.

use forewarm_core::quantity::{Instant, Millis};
use forewarm_core::signals::Button;

/// Too long for a touch or for a spike on the wire. Common practice, no source.
const HELD: Millis = Millis::from_secs(2);

/// After this time nobody is holding it. Something lies on it, or its wire is shorted. Common practice, no source.
const STUCK: Millis = Millis::from_secs(60);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Press {
    Up,
    Down {
        since: Instant,
        latest: Instant,
    },
    /// Used up until it is released.
    Spent,
}

/// The button, for uploads.
#[derive(Clone, Copy, Debug)]
pub(crate) struct UploadButton(Press);

impl UploadButton {
    /// After a start the button counts only once it has been seen released.
    pub(crate) const NEW: Self = Self(Press::Spent);

    /// Notes what a step has seen.
    pub(crate) fn see(&mut self, now: Instant, button: Button) {
        self.0 = match (button, self.0) {
            (Button::Released, _) => Press::Up,
            (Button::Pressed, Press::Up) => Press::Down { since: now, latest: now },
            (Button::Pressed, Press::Down { since, .. }) if now.since(since) <= STUCK => {
                Press::Down { since, latest: now }
            }
            (Button::Pressed, Press::Down { .. } | Press::Spent) => Press::Spent,
        };
    }

    /// Whether it has been held for its time, as far as steps have seen.
    pub(crate) fn is_held(&self) -> bool {
        matches!(self.0, Press::Down { since, latest } if latest.since(since) >= HELD)
    }

    /// Allows one upload for each time it is held.
    pub(crate) const fn spend(&mut self) {
        self.0 = Press::Spent;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_button_lets_uploads_in_while_it_is_held_and_never_when_it_is_stuck() {
        let mut button = UploadButton::NEW;
        let mut millis = u32::MAX - 5_000;
        let mut see = |button: &mut UploadButton, state| {
            millis = millis.wrapping_add(1000);
            button.see(Instant::from_millis(millis), state);
            button.is_held()
        };
        assert!((0..200).all(|_| !see(&mut button, Button::Pressed)), "down since the start");
        assert!(!see(&mut button, Button::Released));
        assert!(!see(&mut button, Button::Pressed) && !see(&mut button, Button::Pressed), "a touch");
        assert!(see(&mut button, Button::Pressed));
        assert!(!see(&mut button, Button::Released));
        let held = (0..200).filter(|_| see(&mut button, Button::Pressed)).count();
        assert_eq!(held, 59, "from two seconds to a minute");
        assert!(!see(&mut button, Button::Released));
        assert!((0..3).any(|_| see(&mut button, Button::Pressed)));
        button.spend();
        assert!(!button.is_held() && (0..10).all(|_| !see(&mut button, Button::Pressed)), "one upload a press");
    }
}

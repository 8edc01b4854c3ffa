//! The reset button: held for its time it acts once, and a stuck one not at all.

use crate::quantity::Millis;
use crate::signals::Button;

/// How long the button has been down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Press {
    Up,
    /// Seen down for this long. Nobody knows how long it was down before: between two slow steps a touch looks like a
    /// press.
    Held(Millis),
    /// Held long enough and acted upon; nothing more until it is released.
    Spent,
}

/// The button and the time for which it must be held.
#[derive(Clone, Copy, Debug, Hash)]
pub(crate) struct ResetButton {
    hold: Millis,
    press: Press,
}

impl ResetButton {
    /// After a reset the button counts only once it has been seen released.
    pub(crate) const fn new(hold: Millis) -> Self {
        Self { hold, press: Press::Spent }
    }

    /// Whether it is up, and seen so.
    #[cfg(feature = "leap")]
    pub(crate) fn is_up(&self, button: Button) -> bool {
        (button, self.press) == (Button::Released, Press::Up)
    }

    /// Whether it has just been held for its time.
    pub(crate) fn acts(&mut self, credited: Millis, button: Button) -> bool {
        match (button, self.press) {
            (Button::Released, _) => self.press = Press::Up,
            (Button::Pressed, Press::Up) => self.press = Press::Held(Millis::ZERO),
            (Button::Pressed, Press::Spent) => {}
            (Button::Pressed, Press::Held(time)) => {
                let time = time.plus(credited);
                if time >= self.hold {
                    self.press = Press::Spent;
                    return true;
                }
                self.press = Press::Held(time);
            }
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_button_held_for_its_time_acts_once() {
        let mut button = ResetButton::new(Millis::from_secs(2));
        let second = Millis::from_secs(1);
        let mut press = |state| button.acts(second, state);
        assert!(!press(Button::Pressed) && !press(Button::Pressed) && !press(Button::Pressed), "down since the reset");
        assert!(!press(Button::Released));
        assert!(!press(Button::Pressed) && !press(Button::Pressed));
        assert!(press(Button::Pressed));
        assert!(!press(Button::Pressed) && !press(Button::Pressed) && !press(Button::Pressed), "stuck");
        assert!(!press(Button::Released) && !press(Button::Pressed) && !press(Button::Released), "too short");
    }

    #[test]
    fn a_touch_between_two_slow_steps_is_not_a_long_press() {
        let mut button = ResetButton::new(Millis::from_secs(2));
        let mut press = |state| button.acts(Millis::from_secs(10), state);
        assert!(!press(Button::Released) && !press(Button::Pressed) && !press(Button::Released));
        assert!(!press(Button::Pressed) && press(Button::Pressed), "seen down twice, ten seconds apart");
    }
}

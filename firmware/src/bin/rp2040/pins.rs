//! Pins in the program's sense: high for *on* and for *true*, however they are wired.

use core::convert::Infallible;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin, PinState};
use forewarm_firmware::board::{InputLines, Levels};
use forewarm_firmware::wiring::rp2040_bit;
use rp2040_hal::Sio;
use rp2040_hal::gpio::{
    DynPinId, DynPullType, FunctionNull, FunctionSioInput, FunctionSioOutput, Pin, PinId, PullDown, PullUp,
    ValidFunction,
};

/// A pin that drives something. It is pulled low while it is not driven.
pub(crate) struct Drive(Pin<DynPinId, FunctionSioOutput, PullDown>);

impl Drive {
    /// Off from the start.
    pub(crate) fn new<I>(pin: Pin<I, FunctionNull, PullDown>) -> Self
    where
        I: PinId + ValidFunction<FunctionSioOutput>,
    {
        // The level is set before the pin is driven.
        Self(pin.into_push_pull_output_in_state(PinState::Low).into_dyn_pin())
    }

    /// High from the start: a chip that is not selected.
    pub(crate) fn unselected<I>(pin: Pin<I, FunctionNull, PullDown>) -> Self
    where
        I: PinId + ValidFunction<FunctionSioOutput>,
    {
        Self(pin.into_push_pull_output_in_state(PinState::High).into_dyn_pin())
    }
}

impl ErrorType for Drive {
    type Error = Infallible;
}

impl OutputPin for Drive {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set_low()
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set_high()
    }
}

/// All lines, which lie side by side, and the strap that says which contacts are fitted.
///
/// The part's own pull makes a wire that has come off read as *not true*.
pub(crate) struct Lines {
    strap: Pin<DynPinId, FunctionSioInput, DynPullType>,
    /// The contacts that are fitted, and every other line.
    known: u32,
    /// The same by the latest look at the strap. One look alone changes nothing.
    looked: u32,
    /// Looks since the strap was looked at.
    looks: u8,
}

/// The pin of the first line.
const FIRST: u32 = rp2040_bit("heater_contact").trailing_zeros();
const ALL: u32 = (1 << Levels::COUNT) - 1;
const BUTTON: u32 = 1 << Levels::BUTTON;
const CHARGE_FEEDBACK: u32 = 1 << Levels::CHARGE_FEEDBACK;
const HEATER_FEEDBACK: u32 = 1 << Levels::HEATER_FEEDBACK;

// Each line lies where its bit is.
const _: () = assert!(
    rp2040_bit("heater_contact") == HEATER_FEEDBACK << FIRST
        && rp2040_bit("charge_contact") == CHARGE_FEEDBACK << FIRST
        && rp2040_bit("source_0") == 1 << (FIRST as usize + Levels::SOURCES)
        && rp2040_bit("source_1") == 2 << (FIRST as usize + Levels::SOURCES)
        && rp2040_bit("source_2") == 4 << (FIRST as usize + Levels::SOURCES)
        && rp2040_bit("source_3") == 8 << (FIRST as usize + Levels::SOURCES)
        && rp2040_bit("charge_line") == 1 << (FIRST as usize + Levels::CHARGE_LINE)
        && rp2040_bit("discharge_line") == 1 << (FIRST as usize + Levels::DISCHARGE_LINE)
        && rp2040_bit("button") == BUTTON << FIRST
);

/// A pin as it is after a reset.
type Rests<I> = Pin<I, FunctionNull, PullDown>;

impl Lines {
    /// Of the pins from the first contact to the button. They stay inputs: nothing else has them.
    pub(crate) fn new<S>(
        lines: [Pin<DynPinId, FunctionSioInput, PullDown>; 8],
        button: Pin<DynPinId, FunctionSioInput, PullUp>,
        strap: Rests<S>,
    ) -> Self
    where
        S: PinId + ValidFunction<FunctionSioInput>,
    {
        drop((lines, button));
        let strap = strap.into_pull_down_input().into_pull_type::<DynPullType>().into_dyn_pin();
        let mut all = Self { strap, known: 0, looked: 0, looks: 0 };
        all.look_at_strap();
        all.look_at_strap();
        all
    }

    /// A bridge to 3.3 V: both contacts are fitted. One to ground: the heater's alone. None: neither. A bridge holds the pin
    /// against either pull, and a pin without one follows.
    fn look_at_strap(&mut self) {
        let mut level_with = |pull| {
            self.strap.set_pull_type(pull);
            // 80 kΩ must move some 50 pF of pin and wire.
            cortex_m::asm::delay(20 * crate::CORE_MHZ);
            self.strap.is_high() == Ok(true)
        };
        let not_fitted = match [level_with(DynPullType::Up), level_with(DynPullType::Down)] {
            [true, true] => 0,
            [false, false] => CHARGE_FEEDBACK,
            _ => CHARGE_FEEDBACK | HEATER_FEEDBACK,
        };
        let looked = ALL & !not_fitted;
        if self.looked == looked {
            self.known = looked;
        }
        self.looked = looked;
    }
}

impl InputLines for Lines {
    fn levels(&mut self) -> Levels {
        // Several times a step.
        self.looks = self.looks.wrapping_add(1);
        if self.looks == 0 {
            self.look_at_strap();
        }
        // The button is low while it is held.
        let high = (Sio::read_bank0() >> FIRST) ^ BUTTON;
        Levels { high: high & self.known, known: self.known }
    }
}

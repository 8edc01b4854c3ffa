//! Pins in the program's sense: high for *on* and for *true*, however they are wired.

use core::convert::Infallible;
use embedded_hal::digital::{Error, ErrorKind, ErrorType, InputPin, OutputPin};
use stm32f4xx_hal::gpio::{ErasedPin, Input, Output, Pin, PinMode};

/// A pin that drives something.
pub(crate) struct Drive {
    pin: ErasedPin<Output>,
    on_is_low: bool,
}

impl Drive {
    /// Off and low from the start.
    pub(crate) fn by_high<const P: char, const N: u8, M: PinMode>(pin: Pin<P, N, M>) -> Self {
        Self { pin: pin.into_push_pull_output().erase(), on_is_low: false }
    }

    /// Off and high from the start.
    pub(crate) fn by_low<const P: char, const N: u8, M: PinMode>(pin: Pin<P, N, M>) -> Self {
        Self { pin: pin.into_push_pull_output_in_state(true.into()).erase(), on_is_low: true }
    }
}

impl ErrorType for Drive {
    type Error = Infallible;
}

impl OutputPin for Drive {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.pin.set_state(self.on_is_low.into());
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.pin.set_state((!self.on_is_low).into());
        Ok(())
    }
}

/// A pin that reads something. The part's own pull makes a wire that has come off read as *not true*.
pub(crate) struct Line {
    pin: ErasedPin<Input>,
    so_is_low: bool,
    is_fitted: bool,
}

/// The contact of this pin is not fitted.
#[derive(Clone, Copy, Debug, defmt::Format)]
pub(crate) struct NotFitted;

impl Line {
    pub(crate) fn by_high<const P: char, const N: u8, M: PinMode>(pin: Pin<P, N, M>) -> Self {
        Self { pin: pin.into_pull_down_input().erase(), so_is_low: false, is_fitted: true }
    }

    pub(crate) fn by_low<const P: char, const N: u8, M: PinMode>(pin: Pin<P, N, M>) -> Self {
        Self { pin: pin.into_pull_up_input().erase(), so_is_low: true, is_fitted: true }
    }

    /// Reads only if `strap` is bridged to 3.3 V now.
    pub(crate) fn if_fitted<const P: char, const N: u8, M: PinMode>(self, strap: Pin<P, N, M>) -> Self {
        let strap = strap.into_pull_down_input();
        // The pull must discharge a few picofarads, or those of a crystal.
        cortex_m::asm::delay(1000 * crate::CORE_MHZ);
        Self { is_fitted: strap.is_high(), ..self }
    }
}

impl Error for NotFitted {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl ErrorType for Line {
    type Error = NotFitted;
}

impl InputPin for Line {
    fn is_high(&mut self) -> Result<bool, NotFitted> {
        if self.is_fitted { Ok(self.pin.is_high() != self.so_is_low) } else { Err(NotFitted) }
    }

    fn is_low(&mut self) -> Result<bool, NotFitted> {
        self.is_high().map(|is_so| !is_so)
    }
}

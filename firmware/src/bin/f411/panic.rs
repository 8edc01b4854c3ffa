//! What happens when the program cannot go on: it releases the outputs, and the watchdog restarts the board.
//!
//! It waits for the watchdog instead of restarting at once. Otherwise a fault that returns at every start would write
//! to storage many times a second and wear it out.

#![expect(unsafe_code, reason = "the pins belong to whatever has just failed, and must be let go in spite of it")]

use core::panic::PanicInfo;
use cortex_m_rt::{ExceptionFrame, exception};
use stm32f4xx_hal::pac::{GPIOB, Interrupt, NVIC, Peripherals};

/// Releases heater, both charge permits and alarm, and waits for the watchdog.
pub(crate) fn rest() -> ! {
    loop {
        // Again and again, against anything that may still be running.
        let_go();
    }
}

fn let_go() {
    cortex_m::interrupt::disable();
    // SAFETY: nothing else runs any more. A write to this register sets or clears only the pins that it names.
    let port: GPIOB = unsafe { Peripherals::steal() }.GPIOB;
    port.bsrr().write(|w| w.br2().set_bit().br8().set_bit().br9().set_bit().br5().set_bit());
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    // Pins first: the log may be what failed.
    let_go();
    if let Some(place) = info.location() {
        defmt::error!(
            "the program failed in {=str}, line {=u32}; the watchdog restarts it",
            place.file(),
            place.line()
        );
    }
    rest()
}

#[exception]
unsafe fn HardFault(_: &ExceptionFrame) -> ! {
    rest()
}

#[exception]
unsafe fn DefaultHandler(_: i16) {
    rest()
}

/// Enables `interrupt`.
pub(crate) fn unmask(interrupt: Interrupt) {
    // SAFETY: no critical section of this program depends on the mask of a single interrupt.
    unsafe { NVIC::unmask(interrupt) }
}

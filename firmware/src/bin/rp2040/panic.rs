//! What happens when the program cannot go on: it releases the outputs, and the watchdog restarts the board.
//!
//! It waits for the watchdog instead of restarting at once. Otherwise a fault that returns at every start would write
//! to storage many times a second and wear it out.

#![expect(unsafe_code, reason = "the pins belong to whatever has just failed, and must be let go in spite of it")]

use core::panic::PanicInfo;
use cortex_m::peripheral::NVIC;
use cortex_m_rt::{ExceptionFrame, exception};
use forewarm_firmware::wiring::rp2040_bit;
use rp2040_hal::pac::{Interrupt, PLL_USB, Peripherals, interrupt};

/// The pins of everything that is driven, except the lamp.
const DRIVEN: u32 = rp2040_bit("heater_relay")
    | rp2040_bit("charge_relay")
    | rp2040_bit("full_relay")
    | rp2040_bit("alarm")
    | rp2040_bit("ceiling");

/// Releases heater, both charge permits, ceiling and alarm, and waits for the watchdog.
pub(crate) fn rest() -> ! {
    loop {
        // Again and again, against anything that may still be running.
        let_go();
    }
}

fn let_go() {
    cortex_m::interrupt::disable();
    // SAFETY: nothing else runs any more. A write to the first register clears only the pins that it names. The second hands
    // the pin of the ceiling from the pulse generator back to it.
    unsafe {
        let parts = Peripherals::steal();
        parts.SIO.gpio_out_clr().write(|w| w.bits(DRIVEN));
        parts.SIO.gpio_oe_set().write(|w| w.bits(DRIVEN));
        parts.IO_BANK0.gpio(DRIVEN.trailing_zeros() as usize).gpio_ctrl().write(|w| w.funcsel().sio());
    }
}

// The ceiling is the lowest of them.
const _: () = assert!(1 << DRIVEN.trailing_zeros() == rp2040_bit("ceiling"));

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

/// The crystal stopped, and the part goes on by its ring oscillator. All times would now be wrong.
#[interrupt]
fn CLOCKS_IRQ() {
    rest()
}

/// Whether the loop that makes the clock follows the crystal.
pub(crate) fn clock_is_locked() -> bool {
    // SAFETY: it only reads, and reading changes nothing.
    unsafe { &*PLL_USB::ptr() }.cs().read().lock().bit_is_set()
}

/// Enables `interrupt`.
pub(crate) fn unmask(interrupt: Interrupt) {
    // SAFETY: no critical section of this program depends on the mask of a single interrupt.
    unsafe { NVIC::unmask(interrupt) }
}

//! What happens when the program cannot go on: it opens all relays, and the watchdog restarts the machine.

#![expect(unsafe_code, reason = "the handlers of the processor's faults are called from anywhere")]

use crate::{pins, registers};
use core::panic::PanicInfo;
use cortex_m_rt::{ExceptionFrame, exception};

/// Opens all relays, and waits for the watchdog.
pub(crate) fn rest() -> ! {
    pins::start();
    loop {
        // Again and again, against anything that may still be running.
        registers::port_data(u8::MAX).write(0);
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
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

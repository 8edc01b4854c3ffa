//! The watchdog. Its first expiry asks for help that nobody gives, its second resets the machine.

use crate::registers::{WATCHDOG_CLEAR, WATCHDOG_CONTROL, WATCHDOG_LOAD};
use forewarm_firmware::board;

/// One second at the machine's 12.5 MHz; the reset comes after two.
const LOAD: u32 = 12_500_000;

pub(crate) fn start() {
    WATCHDOG_LOAD.write(LOAD);
    // Counts, and resets. Only a reset switches it off again.
    WATCHDOG_CONTROL.write(0b11);
}

pub(crate) fn feed() {
    WATCHDOG_CLEAR.write(1);
}

#[derive(Debug)]
pub(crate) struct Watchdog;

impl board::Watchdog for Watchdog {
    fn feed(&mut self) {
        feed();
    }

    fn restart(&mut self) -> ! {
        cortex_m::peripheral::SCB::sys_reset()
    }
}

//! The watchdog. Its first expiry calls an interrupt that nobody handles, its second resets the machine.

use crate::registers::{WATCHDOG_CLEAR, WATCHDOG_CONTROL, WATCHDOG_LOAD};
use forewarm_firmware::board;

/// One second at the machine's 12.5 MHz. The reset comes after two.
const LOAD: u32 = 12_500_000;

pub(crate) fn start() {
    WATCHDOG_LOAD.write(LOAD);
    // Counts, and resets. Only a reset switches it off again.
    WATCHDOG_CONTROL.write(0b11);
}

/// Feeds once in `TIMES` calls. These together take far less than the watchdog's time. Each feed sets a timer of the
/// emulator again, which costs as much as a step of the program.
#[derive(Debug)]
pub(crate) struct Sparing<const TIMES: u16>(u16);

impl<const TIMES: u16> Sparing<TIMES> {
    pub(crate) const NEW: Self = Self(0);

    pub(crate) fn feed(&mut self) {
        self.0 += 1;
        if self.0 >= TIMES {
            self.0 = 0;
            WATCHDOG_CLEAR.write(1);
        }
    }
}

#[derive(Debug)]
pub(crate) struct Watchdog(pub(crate) Sparing<16>);

impl board::Watchdog for Watchdog {
    fn feed(&mut self) {
        self.0.feed();
    }

    fn restart(&mut self) -> ! {
        cortex_m::peripheral::SCB::sys_reset()
    }
}

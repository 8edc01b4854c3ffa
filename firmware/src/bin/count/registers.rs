//! The first serial port of the emulated machine, a PL011, for sending only.

#![expect(unsafe_code, reason = "registers are reached by their addresses")]

use core::fmt;

const CLOCK_GATES: *mut u32 = 0x400F_E104 as *mut u32;
const DATA: *mut u32 = 0x4000_C000 as *mut u32;
const FLAGS: *mut u32 = 0x4000_C018 as *mut u32;
const LINE_CONTROL: *mut u32 = 0x4000_C02C as *mut u32;
const CONTROL: *mut u32 = 0x4000_C030 as *mut u32;
/// A flag: the transmitter can take no more.
const FULL: u32 = 1 << 5;

/// The port. The emulator knows no bit rate, so none is set.
pub(crate) struct Uart(());

impl Uart {
    pub(crate) fn start() -> Self {
        for (register, value) in [(CLOCK_GATES, 1), (LINE_CONTROL, 0x70), (CONTROL, 0x301)] {
            // SAFETY: registers of this machine, which nothing else uses.
            unsafe { register.write_volatile(value) };
        }
        Self(())
    }
}

impl fmt::Write for Uart {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            // SAFETY: as above; reading the flags changes nothing.
            while unsafe { FLAGS.read_volatile() } & FULL != 0 {}
            // SAFETY: as above.
            unsafe { DATA.write_volatile(byte.into()) };
        }
        Ok(())
    }
}

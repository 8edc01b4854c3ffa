//! The registers of the emulated microcontroller, a Cortex-M3 with 256 KiB of flash and 64 KiB of RAM.
//!
//! Addresses and bits are those of QEMU's machine `lm3s6965evb` and of the PrimeCell parts in it (UART PL011, GPIO PL061, watchdog SP805),
//! from memory and checked by running.

#![expect(unsafe_code, reason = "registers are reached by their addresses")]

use core::ptr::{read_volatile, with_exposed_provenance, with_exposed_provenance_mut, write_volatile};

/// A 32-bit register.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Register(u32);

impl Register {
    pub(crate) fn read(self) -> u32 {
        // SAFETY: every register below exists on the one machine this program runs on, is aligned, and reading it has no effect
        // on memory. The words of the inbox are RAM that nothing else in this program uses.
        unsafe { read_volatile(with_exposed_provenance(self.0 as usize)) }
    }

    pub(crate) fn write(self, value: u32) {
        // SAFETY: as above; none of them makes a device write to memory.
        unsafe { write_volatile(with_exposed_provenance_mut(self.0 as usize), value) }
    }
}

/// Clock gates of the UARTs and of the GPIO ports.
pub(crate) const UART_CLOCKS: Register = Register(0x400F_E104);
pub(crate) const GPIO_CLOCKS: Register = Register(0x400F_E108);

/// One UART.
#[derive(Clone, Copy, Debug)]
pub(crate) struct UartRegisters {
    pub(crate) data: Register,
    pub(crate) flags: Register,
    pub(crate) line_control: Register,
    pub(crate) control: Register,
}

pub(crate) const fn uart(number: u32) -> UartRegisters {
    let base = 0x4000_C000 + number * 0x1000;
    UartRegisters {
        data: Register(base),
        flags: Register(base + 0x18),
        line_control: Register(base + 0x2C),
        control: Register(base + 0x30),
    }
}

/// Port B. The address of its data register masks the bits.
const PORT: u32 = 0x4000_5000;
pub(crate) const PORT_DIRECTION: Register = Register(PORT + 0x400);
pub(crate) const PORT_DIGITAL: Register = Register(PORT + 0x51C);

/// The data register for the bits in `mask`.
pub(crate) const fn port_data(mask: u8) -> Register {
    Register(PORT + ((mask as u32) << 2))
}

pub(crate) const WATCHDOG_LOAD: Register = Register(0x4000_0000);
pub(crate) const WATCHDOG_CONTROL: Register = Register(0x4000_0008);
pub(crate) const WATCHDOG_CLEAR: Register = Register(0x4000_000C);

/// Storage as the rig shows it: see [`mirror`](forewarm_rig::mirror).
pub(crate) mod mirror {
    use core::ptr::{read_volatile, with_exposed_provenance};
    use forewarm_rig::mirror::{BYTES, PLACE};

    /// Copies bytes of storage, if it has that many from `at` on.
    pub(crate) fn read(at: u32, bytes: &mut [u8]) -> Option<()> {
        let end = at.checked_add(u32::try_from(bytes.len()).ok()?)?;
        if end > BYTES {
            return None;
        }
        for (byte, address) in bytes.iter_mut().zip(PLACE + at..) {
            // SAFETY: RAM of the one machine this program runs on, which neither the linker nor the stack uses.
            *byte = unsafe { read_volatile(with_exposed_provenance(address as usize)) };
        }
        Some(())
    }
}

/// The bytes that the rig has sent: see [`inbox`](forewarm_rig::inbox).
pub(crate) mod inbox {
    use super::Register;
    use core::sync::atomic::{Ordering, fence};
    use forewarm_rig::inbox::{BYTES, READ, RING, WRITTEN};

    /// The next byte, if one has arrived.
    pub(crate) fn byte() -> Option<u8> {
        let read = Register(READ).read();
        if Register(WRITTEN).read() == read {
            return None;
        }
        // The count was written after the byte.
        fence(Ordering::Acquire);
        let at = read % BYTES;
        let [.., byte] = (Register(RING + at / 4 * 4).read() << (8 * (3 - at % 4))).to_le_bytes();
        Register(READ).write(read.wrapping_add(1));
        Some(byte)
    }
}

/// How much of the stack has been used.
pub(crate) mod stack {
    use core::ptr::{addr_of_mut, read_volatile, write_volatile};

    unsafe extern "C" {
        /// The start of the stack, at its highest address, and the end of all other memory. The linker script gives
        /// both.
        static mut _stack_start: u32;
        static mut __sheap: u32;
    }

    const PAINT: u32 = 0x5AA5_C33C;

    /// Words below the present end of the stack that are not painted.
    const MARGIN: usize = 32;

    fn bounds() -> (*mut u32, *mut u32) {
        (addr_of_mut!(__sheap), addr_of_mut!(_stack_start))
    }

    /// Paints what the stack has not reached yet.
    // In a frame of its own, which is small: below a word of a larger one there may be more than the margin.
    #[inline(never)]
    pub(crate) fn paint() {
        let (bottom, _) = bounds();
        let mut here = 0_u32;
        let top = (&raw mut here).wrapping_sub(MARGIN);
        let mut word = bottom;
        while word < top {
            // SAFETY: memory between the end of everything else and the end of the stack belongs to nobody.
            unsafe { write_volatile(word, PAINT) };
            word = word.wrapping_add(1);
        }
    }

    /// Bytes of the stack that were ever used, and bytes of the whole stack.
    pub(crate) fn used_of() -> (u32, u32) {
        let (bottom, top) = bounds();
        let mut word = bottom;
        // SAFETY: reads memory that nothing else writes while this runs.
        while word < top && unsafe { read_volatile(word) } == PAINT {
            word = word.wrapping_add(1);
        }
        let bytes = |from: *mut u32| (top.addr() - from.addr()) as u32;
        (bytes(word), bytes(bottom))
    }
}

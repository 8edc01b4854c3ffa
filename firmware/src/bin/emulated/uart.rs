//! The three serial lines: service, log, and the rig that plays the world.

use crate::registers::{UartRegisters, uart};
use core::convert::Infallible;
use embedded_io::{ErrorType, Read, ReadReady, Write};

const RECEIVE_EMPTY: u32 = 1 << 4;
const TRANSMIT_EMPTY: u32 = 1 << 7;
/// Bytes that the transmitter's queue holds.
const QUEUE: usize = 16;
const EIGHT_BITS_WITH_QUEUES: u32 = 0b111 << 4;
const ENABLED: u32 = 1 | 1 << 8 | 1 << 9;

/// A serial line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Uart(UartRegisters);

impl Uart {
    /// The line of that number, switched on.
    pub(crate) fn new(number: u32) -> Self {
        let registers = uart(number);
        registers.line_control.write(EIGHT_BITS_WITH_QUEUES);
        registers.control.write(ENABLED);
        Self(registers)
    }

    pub(crate) fn has_byte(self) -> bool {
        self.0.flags.read() & RECEIVE_EMPTY == 0
    }

    /// The next byte, if one has arrived.
    #[expect(clippy::cast_possible_truncation, reason = "the byte is in the lowest eight bits, error flags above")]
    pub(crate) fn byte(self) -> Option<u8> {
        self.has_byte().then(|| self.0.data.read() as u8)
    }

    pub(crate) fn send(self, bytes: &[u8]) {
        for bytes in bytes.chunks(QUEUE) {
            while self.0.flags.read() & TRANSMIT_EMPTY == 0 {}
            for &byte in bytes {
                self.0.data.write(byte.into());
            }
        }
    }
}

impl ErrorType for Uart {
    type Error = Infallible;
}

impl Read for Uart {
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, Infallible> {
        let Some(first) = buffer.first_mut() else { return Ok(0) };
        while !self.has_byte() {}
        *first = self.byte().unwrap_or(0);
        Ok(1)
    }
}

impl ReadReady for Uart {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(self.has_byte())
    }
}

impl Write for Uart {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        self.send(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

//! The service line: 115 200 baud, 8 bits, no parity, one stop bit.
//!
//! An interrupt takes bytes into a queue, which holds a third of a second of a line that never pauses. Bytes are lost
//! only while storage is erased, because no program runs from flash memory meanwhile. A sender that waits for its answer
//! does not send then.

use core::cell::RefCell;
use cortex_m::interrupt::Mutex;
use embedded_io::{ErrorKind, ErrorType, Read, ReadReady, Write};
use heapless::spsc::{Consumer, Producer, Queue};
use rp2040_hal::gpio::bank0::{Gpio0, Gpio1};
use rp2040_hal::gpio::{FunctionUart, Pin, PullDown, PullUp};
use rp2040_hal::pac::interrupt;
use rp2040_hal::pac::{Interrupt, UART0};
use rp2040_hal::uart::{Enabled, Reader, UartPeripheral, Writer};

/// Bytes that can wait, plus one.
pub(crate) const ROOM: usize = 4096;

/// Transmitter and receiver.
pub(crate) type Pins = (Pin<Gpio0, FunctionUart, PullDown>, Pin<Gpio1, FunctionUart, PullUp>);

/// What the interrupt uses, once it is enabled.
type Ear = (Reader<UART0, Pins>, Producer<'static, u8>);
static EAR: Mutex<RefCell<Option<Ear>>> = Mutex::new(RefCell::new(None));

/// The service line.
pub(crate) struct ServiceLine {
    tx: Writer<UART0, Pins>,
    heard: Consumer<'static, u8>,
}

/// What is wrong with the line.
#[derive(Clone, Copy, Debug, defmt::Format)]
pub(crate) enum Trouble {
    /// There is nothing to read, and nobody has to wait for it.
    Silent,
    /// The transmitter takes nothing.
    Stuck,
}

impl core::fmt::Display for Trouble {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Silent => "there is nothing to read",
            Self::Stuck => "the transmitter takes nothing",
        })
    }
}

impl core::error::Error for Trouble {}

/// Bytes that the part itself holds.
const QUEUED: usize = 32;

/// Looks at a transmitter that should have sent a byte: the time of some ten bytes.
const LOOKS: u32 = 10_000;

impl ServiceLine {
    pub(crate) fn open(line: UartPeripheral<Enabled, UART0, Pins>, queue: &'static mut Queue<u8, ROOM>) -> Self {
        let (mut rx, tx) = line.split();
        let (ear, heard) = queue.split();
        rx.enable_rx_interrupt();
        cortex_m::interrupt::free(|token| {
            // Nothing else is using it yet.
            if let Ok(mut place) = EAR.borrow(token).try_borrow_mut() {
                *place = Some((rx, ear));
            }
        });
        crate::panic::unmask(Interrupt::UART0_IRQ);
        Self { tx, heard }
    }
}

#[interrupt]
fn UART0_IRQ() {
    cortex_m::interrupt::free(|token| {
        let Ok(mut ear) = EAR.borrow(token).try_borrow_mut() else { return };
        let Some((rx, queue)) = ear.as_mut() else { return };
        let mut byte = [0];
        // A damaged byte is left out, and so is one without room. The frame then fails its check.
        for _ in 0..=QUEUED {
            match rx.read_raw(&mut byte) {
                Ok(_) => {
                    let [byte] = byte;
                    let _ = queue.enqueue(byte);
                }
                Err(nb::Error::Other(_)) => {}
                Err(nb::Error::WouldBlock) => break,
            }
        }
    });
}

impl embedded_io::Error for Trouble {
    fn kind(&self) -> ErrorKind {
        ErrorKind::TimedOut
    }
}

impl ErrorType for ServiceLine {
    type Error = Trouble;
}

impl ReadReady for ServiceLine {
    fn read_ready(&mut self) -> Result<bool, Trouble> {
        Ok(self.heard.ready())
    }
}

impl Read for ServiceLine {
    fn read(&mut self, bytes: &mut [u8]) -> Result<usize, Trouble> {
        let mut taken = 0;
        for (place, byte) in bytes.iter_mut().zip(core::iter::from_fn(|| self.heard.dequeue())) {
            *place = byte;
            taken += 1;
        }
        if taken == 0 && !bytes.is_empty() { Err(Trouble::Silent) } else { Ok(taken) }
    }
}

impl Write for ServiceLine {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Trouble> {
        if bytes.is_empty() {
            return Ok(0);
        }
        (0..LOOKS)
            .find_map(|_| self.tx.write_raw(bytes).ok().map(|left| bytes.len() - left.len()))
            .ok_or(Trouble::Stuck)
    }

    fn flush(&mut self) -> Result<(), Trouble> {
        // A queue of 32 bytes, 87 µs each, and one on its way: the time of some hundred.
        for _ in 0..4 * LOOKS {
            if embedded_hal_nb::serial::Write::flush(&mut self.tx).is_ok() {
                return Ok(());
            }
        }
        Err(Trouble::Stuck)
    }
}

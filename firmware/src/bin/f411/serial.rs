//! The service line: 115 200 baud, 8 bits, no parity, one stop bit.
//!
//! An interrupt takes bytes into a queue, which holds a third of a second of a line that never pauses. Bytes are lost
//! only while storage is erased, because the processor stands still. A sender that waits for its answer does not send
//! then.

use core::cell::RefCell;
use cortex_m::interrupt::Mutex;
use embedded_io::{ErrorKind, ErrorType, Read, ReadReady, Write};
use heapless::spsc::{Consumer, Producer, Queue};
use stm32f4xx_hal::gpio::{Alternate, PA9, PA10};
use stm32f4xx_hal::interrupt;
use stm32f4xx_hal::pac::{Interrupt, USART1};
use stm32f4xx_hal::prelude::*;
use stm32f4xx_hal::rcc::Rcc;
use stm32f4xx_hal::serial::config::Config;
use stm32f4xx_hal::serial::{Rx, RxListen, Serial, Tx};

/// Bytes that can wait, plus one.
pub(crate) const ROOM: usize = 4096;

/// What the interrupt uses, once it is enabled.
type Ear = (Rx<USART1>, Producer<'static, u8>);
static EAR: Mutex<RefCell<Option<Ear>>> = Mutex::new(RefCell::new(None));

/// The service line.
pub(crate) struct ServiceLine {
    tx: Tx<USART1>,
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

/// Looks at a transmitter that should have sent a byte: the time of some ten bytes.
const LOOKS: u32 = 10_000;

impl ServiceLine {
    pub(crate) fn open(
        usart: USART1,
        pins: (PA9, PA10<Alternate<7>>),
        queue: &'static mut Queue<u8, ROOM>,
        rcc: &mut Rcc,
    ) -> Self {
        let Ok(line) = Serial::new(usart, pins, Config::default().baudrate(115_200.bps()), rcc) else {
            // The clock is fixed in this binary, and cannot give that rate.
            crate::panic::rest()
        };
        let (tx, mut rx) = line.split();
        let (ear, heard) = queue.split();
        rx.listen();
        cortex_m::interrupt::free(|token| {
            // Nothing else is using it yet.
            if let Ok(mut place) = EAR.borrow(token).try_borrow_mut() {
                *place = Some((rx, ear));
            }
        });
        crate::panic::unmask(Interrupt::USART1);
        Self { tx, heard }
    }
}

#[interrupt]
fn USART1() {
    cortex_m::interrupt::free(|token| {
        let Ok(mut ear) = EAR.borrow(token).try_borrow_mut() else { return };
        // A damaged byte is left out, and so is one without room. The frame then fails its check.
        if let Some((rx, queue)) = ear.as_mut()
            && let Ok(byte) = rx.read()
        {
            let _ = queue.enqueue(byte);
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

/// Asks `done` until it is true, but not for ever.
fn soon(mut done: impl FnMut() -> bool) -> Result<(), Trouble> {
    for _ in 0..LOOKS {
        if done() {
            return Ok(());
        }
    }
    Err(Trouble::Stuck)
}

impl Write for ServiceLine {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Trouble> {
        let Some(&byte) = bytes.first() else { return Ok(0) };
        soon(|| self.tx.write(byte).is_ok())?;
        Ok(1)
    }

    fn flush(&mut self) -> Result<(), Trouble> {
        soon(|| self.tx.flush().is_ok())
    }
}

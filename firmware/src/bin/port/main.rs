//! A port to copy: every trait of [`board`](forewarm_firmware::board) in the fewest lines that keep its promises.
//!
//! **The part is made up.** Its registers are words in memory. So this links and starts on any Cortex-M0, and then
//! waits for a clock that does not count. Replace [`part`] by your own part, or by the types of its HAL crate, from the
//! top down. `firmware/docs/porting.md` gives the order and the check for each.

#![no_std]
#![no_main]

use core::convert::Infallible;
use core::panic::PanicInfo;
// It masks interrupts when the log asks for it. A HAL crate brings it along.
use cortex_m as _;
use defmt_rtt as _;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use embedded_io::{ErrorKind, Read, ReadReady, Write};
use embedded_storage::nor_flash::{self, NorFlash, NorFlashErrorKind, ReadNorFlash};
use forewarm_core::quantity::{Instant, Millivolts};
use forewarm_core::settings::Settings;
use forewarm_core::wire::service::Misfit;
use forewarm_firmware::App;
use forewarm_firmware::board::{
    Board, Clock, Conversion, Converter, Hardware, InputPins, Meters, NotWired, OutputPins, Tap, Watchdog,
};
use forewarm_firmware::front_end::FrontEnd;

#[path = "../common/seal.rs"]
mod seal;

/// The made-up part. Yours has volatile registers here, through a HAL or in one module that may be `unsafe`.
mod part {
    use core::sync::atomic::{AtomicU32, Ordering::Relaxed};

    pub(crate) struct Register(AtomicU32);

    impl Register {
        pub(crate) fn read(&self) -> u32 {
            self.0.load(Relaxed)
        }

        pub(crate) fn write(&self, value: u32) {
            self.0.store(value, Relaxed);
        }
    }

    macro_rules! registers {
        ($($(#[doc = $meaning:literal])* $name:ident)*) => {
            $($(#[doc = $meaning])* pub(crate) static $name: Register = Register(AtomicU32::new(0));)*
        };
    }

    registers! {
        /// One bit for each pin, high when set. All are low after a reset.
        OUT
        /// One bit for each pin, set when high.
        IN
        /// Counts milliseconds for ever.
        MILLISECONDS
        /// Counts microseconds for ever.
        MICROSECONDS
        /// Restarts the part this many milliseconds after it was last written. It cannot be stopped.
        WATCHDOG
        /// Any write restarts the part.
        RESTART
        /// A byte that arrived, and above it a bit that marks it. Reading clears the bit.
        RECEIVED
        /// Zero when there is room for a byte to send.
        SENDING
        /// The channel whose thermometer has current, counted from one. Zero for none.
        EXCITATION
        /// Begins a conversion at an input.
        CONVERT
        /// The code, and above it a bit that marks it as ready. Writing `CONVERT` clears the bit.
        CODE
    }
}

/// Names the types of this board's parts.
struct Port;

impl Board for Port {
    const NAME: &'static str = "port";

    type Output = Output;
    type Full = NotWired;
    type Ceiling = NotWired;
    type Lines = InputPins<Input>;
    type Thermometers = FrontEnd<Adc>;
    type Meters = Adc;
    type Delay = Wait;
    type Clock = Milliseconds;
    type Watchdog = Dog;
    type Display = ();
    type Serial = Uart;
    type Storage = &'static mut Ram;

    fn suits(settings: &Settings) -> Result<(), Misfit> {
        if settings.channels.len() > usize::from(CHANNELS) { Err(Misfit::Channels { most: CHANNELS }) } else { Ok(()) }
    }
}

/// An output pin, by its bit.
struct Output(u32);

impl ErrorType for Output {
    type Error = Infallible;
}

impl OutputPin for Output {
    fn set_low(&mut self) -> Result<(), Infallible> {
        part::OUT.write(part::OUT.read() & !self.0);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        part::OUT.write(part::OUT.read() | self.0);
        Ok(())
    }
}

/// An input pin, by its bit. It is pulled low: a wire that has come off reads as absent, refused, released.
struct Input(u32);

impl ErrorType for Input {
    type Error = Infallible;
}

impl InputPin for Input {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(part::IN.read() & self.0 != 0)
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        self.is_high().map(|is_high| !is_high)
    }
}

/// The clock, with the moment of the latest step.
struct Milliseconds(Instant);

impl Clock for Milliseconds {
    fn now(&mut self) -> Instant {
        Instant::from_millis(part::MILLISECONDS.read())
    }

    fn is_step_due(&mut self) -> bool {
        let now = self.now();
        let is_due = now.since(self.0).as_millis() >= 1000;
        if is_due {
            self.0 = now;
        }
        is_due
    }
}

/// Waits, by hardware that counts. A loop would wait as long as the optimiser likes.
struct Wait;

impl DelayNs for Wait {
    fn delay_ns(&mut self, ns: u32) {
        let begin = part::MICROSECONDS.read();
        while part::MICROSECONDS.read().wrapping_sub(begin) <= ns.div_ceil(1000) {}
    }
}

/// The watchdog, and how long it waits (ms): longer than a step with every channel and the slowest erasure of storage.
struct Dog;
const PATIENCE_MS: u32 = 5000;

impl Watchdog for Dog {
    fn feed(&mut self) {
        part::WATCHDOG.write(PATIENCE_MS);
    }

    fn restart(&mut self) -> ! {
        part::RESTART.write(1);
        // If that fails, the watchdog does it.
        loop {
            core::hint::spin_loop();
        }
    }
}

/// The service line. A real one takes bytes in by interrupt or DMA, because a step lasts longer than a byte.
#[derive(Default)]
struct Uart {
    waiting: Option<u8>,
}

impl embedded_io::ErrorType for Uart {
    type Error = ErrorKind;
}

impl ReadReady for Uart {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        if self.waiting.is_none() {
            let [byte, has_come, ..] = part::RECEIVED.read().to_le_bytes();
            self.waiting = (has_come != 0).then_some(byte);
        }
        Ok(self.waiting.is_some())
    }
}

impl Read for Uart {
    fn read(&mut self, bytes: &mut [u8]) -> Result<usize, ErrorKind> {
        let Some(place) = bytes.first_mut() else { return Ok(0) };
        self.read_ready()?;
        // This does not wait for ever for a byte.
        *place = self.waiting.take().ok_or(ErrorKind::TimedOut)?;
        Ok(1)
    }
}

impl Write for Uart {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, ErrorKind> {
        let Some(&byte) = bytes.first() else { return Ok(0) };
        self.flush()?;
        part::SENDING.write(u32::from(byte) | 1 << 8);
        Ok(1)
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        // The wait is bounded: a stuck line must not keep the controller from its step.
        for _ in 0..10_000 {
            if part::SENDING.read() == 0 {
                return Ok(());
            }
        }
        Err(ErrorKind::TimedOut)
    }
}

/// The converter, with the input it works on.
#[derive(Default)]
struct Adc {
    busy_with: Option<u32>,
    /// Conversions whose ready bit was seen to rise.
    number: u32,
}

/// There is no circuit for this thermometer.
#[derive(Debug)]
struct NoSuchChannel;

const CHANNELS: u8 = 2;

/// Inputs: three a channel, then the two voltages.
const SUPPLY: u32 = 3 * CHANNELS as u32;
const BANK: u32 = SUPPLY + 1;

impl Adc {
    /// The code at `input`. The first call begins a conversion.
    fn code(&mut self, input: u32) -> nb::Result<Conversion, NoSuchChannel> {
        if self.busy_with != Some(input) {
            self.busy_with = Some(input);
            part::CONVERT.write(input);
            return Err(nb::Error::WouldBlock);
        }
        let code = part::CODE.read();
        // The start of a conversion cleared the bit, so a set bit is an edge.
        if code >> 24 == 0 {
            return Err(nb::Error::WouldBlock);
        }
        self.busy_with = None;
        self.number = self.number.wrapping_add(1);
        Ok(Conversion { code: code & Self::FULL_SCALE, number: self.number })
    }

    /// For a reading once a step: a bounded wait, and then `None`.
    fn voltage(&mut self, input: u32, full_scale_mv: u32) -> Option<Millivolts> {
        let Conversion { code, .. } = (0..1000).find_map(|_| self.code(input).ok())?;
        // 15 bits of the code are enough, times 17 bits.
        (code < Self::FULL_SCALE).then(|| Millivolts::from_millivolts(((code >> 9) * full_scale_mv) >> 15))
    }
}

impl Converter for Adc {
    const FULL_SCALE: u32 = (1 << 24) - 1;
    const CONVERSION_US: u32 = 1000;
    const SETTLING_US: u32 = 1000;

    type Error = NoSuchChannel;

    fn excite(&mut self, channel: Option<u8>) -> Result<(), NoSuchChannel> {
        // A running conversion belongs to the current that is now switched off.
        self.busy_with = None;
        let number = match channel {
            None => 0,
            Some(channel) if channel < CHANNELS => u32::from(channel) + 1,
            Some(_) => return Err(NoSuchChannel),
        };
        part::EXCITATION.write(number);
        Ok(())
    }

    fn convert(&mut self, channel: u8, tap: Tap) -> nb::Result<Conversion, NoSuchChannel> {
        if channel >= CHANNELS {
            return Err(NoSuchChannel.into());
        }
        let tap = match tap {
            Tap::Element => 0,
            Tap::Reference => 1,
            Tap::Lead => 2,
        };
        self.code(3 * u32::from(channel) + tap)
    }
}

impl Meters for Adc {
    fn supply(&mut self) -> Option<Millivolts> {
        self.voltage(SUPPLY, 36_000)
    }

    fn bank(&mut self) -> Option<Millivolts> {
        self.voltage(BANK, 36_000)
    }
}

const PAGE: usize = 1024;

/// Storage that behaves like flash memory, and forgets everything when the power goes. **Not for a battery**: it would
/// forget latched faults too. Yours is the part's own flash memory, or a chip beside it.
struct Ram([u8; 2 * PAGE]);

impl Ram {
    fn part(&mut self, from: u32, length: usize, step: usize) -> Result<&mut [u8], NorFlashErrorKind> {
        let from = from as usize;
        if !from.is_multiple_of(step) || !length.is_multiple_of(step) {
            return Err(NorFlashErrorKind::NotAligned);
        }
        self.0.get_mut(from..).and_then(|rest| rest.get_mut(..length)).ok_or(NorFlashErrorKind::OutOfBounds)
    }
}

impl nor_flash::ErrorType for Ram {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Ram {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        bytes.copy_from_slice(self.part(offset, bytes.len(), Self::READ_SIZE)?);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

impl NorFlash for Ram {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        let length = (to as usize).checked_sub(from as usize).ok_or(NorFlashErrorKind::OutOfBounds)?;
        self.part(from, length, PAGE)?.fill(u8::MAX);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        for (kept, byte) in self.part(offset, bytes.len(), Self::WRITE_SIZE)?.iter_mut().zip(bytes) {
            *kept &= byte;
        }
        Ok(())
    }
}

/// Settings in force until others are written over the service line: those of the installation file that the build was
/// given.
static BUILT_IN: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/settings"));

#[cortex_m_rt::entry]
fn main() -> ! {
    // The macro hands it out once, for good. It is too large to move on the stack.
    static mut KEPT: Ram = Ram([u8::MAX; 2 * PAGE]);

    let mut watchdog = Dog;
    // Before anything that could hang.
    watchdog.feed();
    if !seal::fits() {
        rest()
    }
    let hardware = Hardware::<Port> {
        outputs: OutputPins {
            heater: Output(1 << 0),
            charge: Output(1 << 1),
            full: NotWired,
            ceiling: NotWired,
            alarm: Output(1 << 2),
            lamp: Output(1 << 3),
        },
        lines: InputPins {
            sources: [Input(1 << 0), Input(1 << 1), Input(1 << 2), Input(1 << 3)],
            charge_line: Input(1 << 4),
            discharge_line: Input(1 << 5),
            heater_feedback: Input(1 << 6),
            charge_feedback: Input(1 << 7),
            button: Input(1 << 8),
        },
        thermometers: FrontEnd::new(Adc::default()),
        meters: Adc::default(),
        delay: Wait,
        clock: Milliseconds(Instant::from_millis(0)),
        watchdog,
        display: (),
        serial: Uart::default(),
    };
    App::new(hardware, KEPT, BUILT_IN).run()
}

/// Opens all relays and does nothing more. The watchdog does the rest.
fn rest() -> ! {
    loop {
        part::OUT.write(0);
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    rest()
}

/// What the processor itself stops at.
mod faults {
    #![expect(unsafe_code, reason = "the handlers of the processor's faults are called from anywhere")]

    use cortex_m_rt::{ExceptionFrame, exception};

    #[exception]
    unsafe fn HardFault(_: &ExceptionFrame) -> ! {
        super::rest()
    }

    #[exception]
    unsafe fn DefaultHandler(_: i16) {
        super::rest()
    }
}

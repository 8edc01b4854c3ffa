//! The clock, waits and the watchdog.
//!
//! ```text
//! crystal ─▶ PLL, 48 MHz ─▶ processor ─▶ SysTick, a tick a millisecond ─▶ the clock
//!                                    └─▶ a slice of the pulse generator ─▶ waits
//! the part's own ring oscillator ─▶ the watchdog, and what finds a processor that stands still
//! ```
//!
//! So a crystal that breaks off stops the processor, and not what restarts it.

use core::cell::Cell;
use cortex_m::interrupt::{Mutex, free};
use cortex_m::peripheral::{NVIC, SYST, syst};
use embedded_hal::delay::DelayNs;
use forewarm_core::quantity::Instant;
use forewarm_firmware::board::{Clock, Watchdog};
use rp2040_hal::pac::{Interrupt, interrupt};
use rp2040_hal::pwm::{FreeRunning, Pwm0, Slice};
use rp2040_hal::watchdog::Watchdog as RingWatchdog;

/// Time between steps (ms).
const STEP_MS: u32 = 1000;

/// Milliseconds since the start, counted by the tick.
static MILLIS: Mutex<Cell<u32>> = Mutex::new(Cell::new(0));

#[cortex_m_rt::exception]
fn SysTick() {
    free(|token| {
        let millis = MILLIS.borrow(token);
        millis.set(millis.get().wrapping_add(1));
    });
}

/// Milliseconds since the start, and when the latest step was due.
pub(crate) struct Milliseconds {
    stepped: Instant,
}

impl Milliseconds {
    pub(crate) fn start(mut syst: SYST) -> Self {
        syst.set_clock_source(syst::SystClkSource::Core);
        syst.set_reload(1000 * crate::CORE_MHZ - 1);
        syst.clear_current();
        syst.enable_counter();
        syst.enable_interrupt();
        Self { stepped: Instant::from_millis(0) }
    }
}

impl Clock for Milliseconds {
    fn now(&mut self) -> Instant {
        Instant::from_millis(free(|token| MILLIS.borrow(token).get()))
    }

    fn is_step_due(&mut self) -> bool {
        let now = self.now();
        let late = now.since(self.stepped).as_millis();
        if late < STEP_MS {
            return false;
        }
        // Steps keep an even beat, but missed steps are not made up for.
        let beat = Instant::from_millis(self.stepped.as_millis().wrapping_add(STEP_MS));
        self.stepped = if late < 2 * STEP_MS { beat } else { now };
        true
    }

    /// Until the next tick, or a byte on the service line.
    fn rest(&mut self) {
        cortex_m::asm::wfi();
    }
}

/// Waits by a slice of the pulse generator, which counts microseconds. The processor sleeps meanwhile.
pub(crate) struct Wait(Slice<Pwm0, FreeRunning>);

/// The longest wait of the slice (µs).
const LONGEST_US: u32 = 1 << 16;

impl Wait {
    pub(crate) fn new(mut slice: Slice<Pwm0, FreeRunning>) -> Self {
        slice.set_div_int(crate::CORE_MHZ as u8);
        slice.enable_interrupt();
        Self(slice)
    }

    fn wait_us(&mut self, us: u32) {
        self.0.set_top(u16::try_from(us - 1).unwrap_or(u16::MAX));
        self.0.set_counter(0);
        self.0.clear_interrupt();
        // The last one came again while its line was still high, and would wake the processor for nothing.
        NVIC::unpend(Interrupt::PWM_IRQ_WRAP);
        crate::panic::unmask(Interrupt::PWM_IRQ_WRAP);
        self.0.enable();
        while !self.0.has_overflown() {
            // An interrupt that is held off wakes the processor all the same. Without holding it off, one that comes between
            // the question and the sleep would be missed.
            free(|_| {
                if !self.0.has_overflown() {
                    cortex_m::asm::wfi();
                }
            });
        }
        self.0.disable();
        self.0.clear_interrupt();
    }
}

#[interrupt]
fn PWM_IRQ_WRAP() {
    // Whoever waits asks the slice itself.
    NVIC::mask(Interrupt::PWM_IRQ_WRAP);
}

impl DelayNs for Wait {
    fn delay_ns(&mut self, ns: u32) {
        // One more, because the wait begins between two counts.
        let mut us = ns.div_ceil(1000) + 1;
        while us > 0 {
            let piece = us.min(LONGEST_US);
            self.wait_us(piece);
            us -= piece;
        }
    }
}

/// Counts of the ring oscillator to a tick of the watchdog. It gives some 6.5 MHz, 1.8 to 12 MHz over all parts, voltages and
/// temperatures (data sheet, from memory). The watchdog counts 2²³ ticks: 9 s, and 4.9 to 33 s.
///
/// A step that erases all of storage takes 1.8 s at most. An upload that must erase everything twice takes 3.4 s.
const COUNTS_A_TICK: u8 = 7;
const PATIENCE_TICKS: u32 = 0x00ff_ffff / 2;

/// The watchdog. Nothing in this program stops it again.
pub(crate) struct Ring(RingWatchdog);

impl Ring {
    pub(crate) fn start(mut watchdog: RingWatchdog) -> Self {
        watchdog.enable_tick_generation(COUNTS_A_TICK);
        watchdog.start(fugit::MicrosDurationU32::from_ticks(PATIENCE_TICKS));
        Self(watchdog)
    }
}

impl Watchdog for Ring {
    /// Without its crystal the loop that makes the clock may run on, at another pace: every wait would then be wrong.
    fn feed(&mut self) {
        if !crate::panic::clock_is_locked() {
            crate::panic::rest()
        }
        self.0.feed();
    }

    fn restart(&mut self) -> ! {
        // The processor's own reset would leave the pins as they are.
        self.0.start(fugit::MicrosDurationU32::from_ticks(1));
        loop {
            cortex_m::asm::nop();
        }
    }
}

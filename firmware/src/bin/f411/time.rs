//! The clock and the watchdog.

use cortex_m::peripheral::SCB;
use forewarm_core::quantity::Instant;
use forewarm_firmware::board::{Clock, Watchdog};
use stm32f4xx_hal::pac::{IWDG, TIM5};
use stm32f4xx_hal::prelude::*;
use stm32f4xx_hal::timer::{CounterMs, FTimer};
use stm32f4xx_hal::watchdog::IndependentWatchdog;

/// Time between steps (ms).
const STEP_MS: u32 = 1000;

/// How long the watchdog waits (ms), at the middle of its own oscillator's range of 17 to 47 kHz (data sheet, from
/// memory): 5.4 s to 15 s. A step that measures three channels and erases both sectors takes 2.1 s. A start that erases
/// both and then waits for its first step takes 4.7 s. An upload that must erase everything twice takes 4.2 s.
const PATIENCE_MS: u32 = 8000;

/// Milliseconds from a counter of 32 bits. Nothing interrupts it, and it runs on while storage is erased.
pub(crate) struct Milliseconds {
    counter: CounterMs<TIM5>,
    stepped: Instant,
}

impl Milliseconds {
    pub(crate) fn start(timer: FTimer<TIM5, 1000>) -> Self {
        let mut counter = timer.counter();
        // It then wraps one millisecond before 2³²: a jump of 1 ms in 49 days. The start fails only for a counter with
        // fewer bits.
        if counter.start(u32::MAX.millis()).is_err() {
            crate::panic::rest();
        }
        Self { counter, stepped: Instant::from_millis(0) }
    }
}

impl Clock for Milliseconds {
    fn now(&mut self) -> Instant {
        Instant::from_millis(self.counter.now().ticks())
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
}

/// The watchdog with its own clock. Only a reset can stop it.
pub(crate) struct Independent(IndependentWatchdog);

impl Independent {
    pub(crate) fn start(iwdg: IWDG) -> Self {
        let mut watchdog = IndependentWatchdog::new(iwdg);
        watchdog.start(PATIENCE_MS.millis());
        Self(watchdog)
    }
}

impl Watchdog for Independent {
    fn feed(&mut self) {
        self.0.feed();
    }

    fn restart(&mut self) -> ! {
        SCB::sys_reset()
    }
}

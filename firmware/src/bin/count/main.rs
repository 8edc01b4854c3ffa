#![no_std]
#![no_main]
//! Counts the instructions of one conversion from resistance to temperature, and of one step of the whole [`Unit`].
//!
//! It runs on the emulated board. There SysTick counts instructions if the emulator gives each the same time (`-icount
//! shift=10`: 12.8 ticks an instruction). The count includes call and return, with handing over the arguments. It does
//! not include reading the counter. Instructions are not cycles: the emulator has no cycles.
//!
//! One line for each figure on the first serial port: its name, then instructions. The last line is `end`.

mod registers;
mod script;

use core::fmt::Write;
use core::hint::black_box;
use core::panic::PanicInfo;
use cortex_m::Peripherals;
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use forewarm_core::Unit;
use forewarm_core::quantity::{Celsius, Instant, Ohms};
use forewarm_core::rtd::{Coefficients, Element, OutOfRange, Thermometer};
use forewarm_core::signals::{Inputs, Outputs};
use registers::Uart;

/// SysTick has 24 bits, enough for 1.3 million instructions.
const COUNTER: u32 = 0x00FF_FFFF;

/// Counts the instructions of things done.
#[derive(Clone, Copy)]
struct Counter {
    /// Ticks that pass when nothing is done.
    idle: u32,
}

impl Counter {
    fn start(mut systick: SYST) -> Self {
        systick.set_clock_source(SystClkSource::Core);
        systick.set_reload(COUNTER);
        systick.clear_current();
        systick.enable_counter();
        Self { idle: ticks(|| {}) }
    }

    fn instructions(self, act: impl FnOnce()) -> u32 {
        let ticks = ticks(act).saturating_sub(self.idle);
        // 12.8 ticks each.
        (ticks * 5 + 32) / 64
    }
}

#[inline]
fn ticks(act: impl FnOnce()) -> u32 {
    // The work must not be moved out from between the two readings.
    let before = black_box(SYST::get_current());
    act();
    let after = black_box(SYST::get_current());
    before.wrapping_sub(after) & COUNTER
}

/// Least and most of a figure.
#[derive(Clone, Copy)]
struct Span {
    least: u32,
    most: u32,
}

impl Span {
    const NONE: Self = Self { least: u32::MAX, most: 0 };

    fn include(&mut self, figure: u32) {
        self.least = self.least.min(figure);
        self.most = self.most.max(figure);
    }
}

#[inline(never)]
fn convert(thermometer: &Thermometer, r: Ohms) -> Result<Celsius, OutOfRange> {
    thermometer.celsius(r)
}

#[inline(never)]
fn step(unit: &mut Unit, now: Instant, inputs: &Inputs) -> Outputs {
    unit.step(now, inputs)
}

/// Conversions over the working range of a thermometer, a degree apart.
fn conversions(counter: Counter, element: Element) -> Span {
    let thermometer = black_box(Thermometer::new(element));
    let mut span = Span::NONE;
    for degrees in -60..=150 {
        let Ok(r) = element.resistance(Celsius::from_millidegrees(degrees * 1000)) else { continue };
        let mut answer = Err(OutOfRange::Below);
        span.include(counter.instructions(|| answer = convert(&thermometer, black_box(r))));
        black_box(&answer);
    }
    span
}

#[cortex_m_rt::entry]
fn main() -> ! {
    let mut uart = Uart::start();
    if let Some(peripherals) = Peripherals::take() {
        let counter = Counter::start(peripherals.SYST);
        // Writing to this port cannot fail.
        let _ = tell_all(counter, &mut uart);
    }
    halt()
}

fn tell_all(counter: Counter, uart: &mut Uart) -> core::fmt::Result {
    let Span { least, most } = conversions(counter, black_box(Element::pt1000()));
    writeln!(uart, "conversion_min {least}")?;
    writeln!(uart, "conversion_max {most}")?;
    let own = Coefficients::new(39_090_000, -57_900_000, -41_500_000);
    if let Ok(element) = own.and_then(|own| Element::new(Ohms::from_milliohms(100_037), own)) {
        writeln!(uart, "conversion_individual_max {}", conversions(counter, element).most)?;
    }
    script::play(counter, uart)?;
    writeln!(uart, "unit_bytes {}", size_of::<Unit>())?;
    writeln!(uart, "end")
}

fn halt() -> ! {
    loop {
        cortex_m::asm::nop();
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    let _ = writeln!(Uart::start(), "panic");
    halt()
}

//! The controller on an STM32F411, with only its own converter between it and the thermometers.
//!
//! `firmware/docs/f411.md` has the circuit, the bill of materials, the error budget, and instructions to flash and
//! commission it. This file has the pin map. Each part's behaviour is in its module.
//!
//! | pin | what it is |
//! |---|---|
//! | PA1 | reference resistor, against ground |
//! | PA2, PA4, PA6 | feeding terminals of thermometers 0, 1, 2 |
//! | PA3, PA5, PA7 | their sense terminals |
//! | PB3, PB4, PA15 | their measuring current |
//! | PB0, PB1 | heater supply and bank, by dividers |
//! | PB12 to PB15 | sources 0 to 3 |
//! | PB6, PB7 | the protection's charge and discharge lines |
//! | PB10, PA8 | feedback contacts of the heater and charge relays |
//! | PC14, PC15 | bridged to 3.3 V where that contact is fitted |
//! | PA0 | button, to ground |
//! | PB8, PB9, PB5 | heater relay, charge relay, alarm |
//! | PB2 | full charge permit relay, where a charger in two steps is fitted |
//! | PC13 | lamp, to 3.3 V |
//! | PA9, PA10 | service line, out and in |
//!
//! PA11 to PA14 stay with USB and the debug probe. PB2 affects what to start only in reset with BOOT0 high. PA15, PB3
//! and PB4 have pulls until the program begins, because they are the wide debug port. That sends less than 0.1 mA
//! through a thermometer and moves nothing else.

#![no_std]
#![no_main]

mod converter;
mod meters;
mod panic;
mod pins;
mod serial;
mod storage;
mod time;

use converter::{Inputs, OnChip};
use core::cell::RefCell;
use cortex_m_rt::entry;
use defmt_rtt as _;
use forewarm_firmware::App;
use forewarm_firmware::board::{Board, Hardware, InputPins, OutputPins};
use forewarm_firmware::front_end::FrontEnd;
use heapless::spsc::Queue;
use meters::Dividers;
use pins::{Drive, Line};
use serial::ServiceLine;
use stm32f4xx_hal::adc::Adc;
use stm32f4xx_hal::adc::config::{AdcConfig, Clock as AdcClock, SampleTime};
use stm32f4xx_hal::gpio::Pull;
use stm32f4xx_hal::pac;
use stm32f4xx_hal::prelude::*;
use stm32f4xx_hal::rcc::Config;
use stm32f4xx_hal::timer::{FTimer, SysDelay};
use storage::Sectors;
use time::{Independent, Milliseconds};

/// The crystal on the board: 25 MHz on most boards with this part, 8 MHz on some.
const CRYSTAL_MHZ: u32 = 25;

/// The processor's clock. The clocks of converter, millisecond counter and serial line follow from it. It is modest,
/// since there is little to do.
pub(crate) const CORE_MHZ: u32 = 48;

/// Settings in force until others are written over the service line.
static BUILT_IN: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/settings"));

/// The types of this board's parts.
struct F411<'a>(core::marker::PhantomData<&'a ()>);

impl<'a> Board for F411<'a> {
    const NAME: &'static str = "f411";

    type Output = Drive;
    type Full = Drive;
    type Input = Line;
    type Thermometers = FrontEnd<OnChip<'a>>;
    type Meters = Dividers<'a>;
    type Delay = SysDelay;
    type Clock = Milliseconds;
    type Watchdog = Independent;
    type Display = ();
    type Serial = ServiceLine;
    type Storage = Sectors;
}

#[entry]
fn main() -> ! {
    // The macro hands it out once, for good.
    static mut HEARD: Queue<u8, { serial::ROOM }> = Queue::new();

    let (Some(device), Some(core)) = (pac::Peripherals::take(), cortex_m::Peripherals::take()) else {
        // Already taken. This cannot happen, because this function runs once.
        panic::rest()
    };
    // First of all, so that nothing below can hang for ever, not even a crystal that does not start.
    let mut watchdog = Independent::start(device.IWDG);
    let mut rcc = device.RCC.freeze(Config::hse(CRYSTAL_MHZ.MHz()).sysclk(CORE_MHZ.MHz()));
    // The new time takes effect with a feed some clocks of the watchdog after it was set. The crystal took longer.
    forewarm_firmware::board::Watchdog::feed(&mut watchdog);

    let a = device.GPIOA.split(&mut rcc);
    let b = device.GPIOB.split(&mut rcc);
    let c = device.GPIOC.split(&mut rcc);

    let outputs = OutputPins {
        heater: Drive::by_high(b.pb8),
        charge: Drive::by_high(b.pb9),
        full: Drive::by_high(b.pb2),
        alarm: Drive::by_high(b.pb5),
        lamp: Drive::by_low(c.pc13),
    };
    let lines = InputPins {
        sources: [Line::by_high(b.pb12), Line::by_high(b.pb13), Line::by_high(b.pb14), Line::by_high(b.pb15)],
        charge_line: Line::by_high(b.pb6),
        discharge_line: Line::by_high(b.pb7),
        heater_feedback: Line::by_high(b.pb10).if_fitted(c.pc14),
        charge_feedback: Line::by_high(a.pa8).if_fitted(c.pc15),
        button: Line::by_low(a.pa0),
    };

    let mut delay = core.SYST.delay(&rcc.clocks);
    let (mut debug, mut cycles) = (core.DCB, core.DWT);
    debug.enable_trace();
    cycles.enable_cycle_counter();

    let config = AdcConfig::default().clock(AdcClock::Pclk2_div_4).default_sample_time(SampleTime::Cycles_480);
    let mut adc = Adc::new(device.ADC1, true, config, &mut rcc);
    // The part's own reference needs some microseconds before it can show the supply.
    adc.enable_temperature_and_vref();
    delay.delay_us(100_u32);
    adc.calibrate();
    let adc = RefCell::new(adc);
    let inputs = Inputs {
        reference: a.pa1.into_analog(),
        feeds: (a.pa2.into_analog(), a.pa4.into_analog(), a.pa6.into_analog()),
        senses: (a.pa3.into_analog(), a.pa5.into_analog(), a.pa7.into_analog()),
        drives: (b.pb3.into_dynamic(), b.pb4.into_dynamic(), a.pa15.into_dynamic()),
    };

    // An adapter that is not plugged in must not look like one that is.
    let heard = a.pa10.into_alternate::<7>().internal_resistor(Pull::Up);

    let hardware = Hardware::<F411> {
        outputs,
        lines,
        thermometers: FrontEnd::new(OnChip::new(&adc, inputs)),
        meters: Dividers::new(&adc, b.pb0.into_analog(), b.pb1.into_analog()),
        delay,
        clock: Milliseconds::start(FTimer::new(device.TIM5, &mut rcc)),
        watchdog,
        display: (),
        serial: ServiceLine::open(device.USART1, (a.pa9, heard), HEARD, &mut rcc),
    };
    App::new(hardware, Sectors::new(device.FLASH), BUILT_IN).run()
}

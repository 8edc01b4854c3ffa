//! The controller on a module with an RP2040, with a converter chip on a module of its own for each thermometer.
//!
//! `firmware/docs/rp2040.md` has the shopping list, the wiring, the error budget, and instructions to flash and commission
//! it. [`wiring`](forewarm_firmware::wiring) has the pin table. Each part's behaviour is in its module.

#![no_std]
#![no_main]

mod meters;
mod panic;
mod pins;
#[path = "../common/seal.rs"]
mod seal;
mod serial;
mod storage;
mod time;

use core::cell::RefCell;
use cortex_m_rt::entry;
use defmt_rtt as _;
use embedded_hal::spi::MODE_1;
use embedded_hal_bus::spi::RefCellDevice;
use forewarm_core::settings::Settings;
use forewarm_core::wire::service::Misfit;
use forewarm_firmware::App;
use forewarm_firmware::board::{Board, Hardware, OutputPins};
use forewarm_firmware::max31865::{self, Chips, Notch};
use fugit::RateExtU32;
use heapless::spsc::Queue;
use meters::Dividers;
use pins::{Drive, Lines};
use rp2040_hal::clocks::{Clock, ClocksManager};
use rp2040_hal::gpio::bank0::{Gpio2, Gpio3, Gpio4};
use rp2040_hal::gpio::{FunctionSpi, Pin, PullDown, PullNone};
use rp2040_hal::pac::{self, Interrupt, SPI0};
use rp2040_hal::pll::common_configs::PLL_USB_48MHZ;
use rp2040_hal::pll::setup_pll_blocking;
use rp2040_hal::pwm::{self, Channel, FreeRunning, Pwm4, Slices};
use rp2040_hal::spi::{Enabled, Spi};
use rp2040_hal::uart::{DataBits, StopBits, UartConfig, UartPeripheral};
use rp2040_hal::watchdog::Watchdog;
use rp2040_hal::xosc::setup_xosc_blocking;
use rp2040_hal::{Adc, Sio, adc::AdcPin};
use serial::ServiceLine;
use storage::Sectors;
use time::{Milliseconds, Ring, Wait};
use wires::Pins;

/// The pins by the names of the table.
#[allow(missing_docs, reason = "the table has them")]
mod wires {
    forewarm_firmware::rp2040_wires!(pins rp2040_hal::bsp_pins);
}

/// What the part's ROM loads first. It reads the memory in the way that every kind of memory knows.
#[unsafe(link_section = ".boot2")]
#[used]
#[expect(unsafe_code, reason = "its place is fixed")]
static BOOT: [u8; 256] = rp2040_boot2::BOOT_LOADER_GENERIC_03H;

/// The crystal on the module.
const CRYSTAL_MHZ: u32 = 12;

/// The processor's clock. It is modest, since there is little to do.
pub(crate) const CORE_MHZ: u32 = 48;

/// The core resets below 0.946 V, instead of 0.860 V, where it should have 1.1 V. Source: the part's description for debuggers
/// (SVD).
const BROWN_OUT: u8 = 0b1011;

/// Clock of the bus (kHz). The chips bear 5 MHz, the wires between modules less.
const BUS_KHZ: u32 = 500;

/// Pulses of the ceiling: the generator counts so many microseconds.
const CEILING_PERIOD_US: u16 = 1000;

/// Converter modules.
const CHANNELS: u8 = 4;

/// The hum that the thermometers' cables pick up.
const NOTCH: Notch = if cfg!(feature = "mains-60-hz") { Notch::Hz60 } else { Notch::Hz50 };

/// Settings in force until others are written over the service line. Empty if the build named no installation.
static BUILT_IN: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/settings"));

type Bus = Spi<
    Enabled,
    SPI0,
    (Pin<Gpio3, FunctionSpi, PullDown>, Pin<Gpio4, FunctionSpi, PullDown>, Pin<Gpio2, FunctionSpi, PullDown>),
>;

/// Waits for a fraction of a microsecond, by instructions: more than the time asked, whatever the optimiser does.
struct Instructions;

impl embedded_hal::delay::DelayNs for Instructions {
    fn delay_ns(&mut self, ns: u32) {
        cortex_m::asm::delay(ns.div_ceil(1000 / CORE_MHZ));
    }
}

/// The types of this board's parts.
struct Modules<'a>(core::marker::PhantomData<&'a ()>);

impl<'a> Board for Modules<'a> {
    const NAME: &'static str = "rp2040";

    type Output = Drive;
    type Full = Drive;
    type Ceiling = Channel<pwm::Slice<Pwm4, FreeRunning>, pwm::B>;
    type Lines = Lines;
    type Thermometers = Chips<RefCellDevice<'a, Bus, Drive, Instructions>, { CHANNELS as usize }>;
    type Meters = Dividers;
    type Delay = Wait;
    type Clock = Milliseconds;
    type Watchdog = Ring;
    type Display = ();
    type Serial = ServiceLine;
    type Storage = Sectors;

    fn suits(settings: &Settings) -> Result<(), Misfit> {
        max31865::suits(settings, CHANNELS)
    }
}

#[entry]
fn main() -> ! {
    // The macro hands them out once, for good.
    static mut HEARD: Queue<u8, { serial::ROOM }> = Queue::new();

    let (Some(mut parts), Some(core)) = (pac::Peripherals::take(), pac::CorePeripherals::take()) else {
        // Already taken. This cannot happen, because this function runs once.
        panic::rest()
    };
    // First of all, so that nothing below can hang for ever, not even a crystal that does not start.
    let watchdog = Ring::start(Watchdog::new(parts.WATCHDOG));
    #[expect(unsafe_code, reason = "any four bits are a level")]
    // SAFETY: as said.
    parts.VREG_AND_CHIP_RESET.bod().write(|w| unsafe { w.en().set_bit().vsel().bits(BROWN_OUT) });

    let sio = Sio::new(parts.SIO);
    let pins = Pins::new(parts.IO_BANK0, parts.PADS_BANK0, sio.gpio_bank0, &mut parts.RESETS);
    let outputs = (
        Drive::new(pins.heater_relay),
        Drive::new(pins.charge_relay),
        Drive::new(pins.full_relay),
        Drive::new(pins.alarm),
        Drive::new(pins.lamp),
    );

    let mut clocks = ClocksManager::new(parts.CLOCKS);
    let Ok(crystal) = setup_xosc_blocking(parts.XOSC, CRYSTAL_MHZ.MHz()) else { panic::rest() };
    let pll =
        setup_pll_blocking(parts.PLL_USB, crystal.operating_frequency(), PLL_USB_48MHZ, &mut clocks, &mut parts.RESETS);
    let Ok(pll) = pll else { panic::rest() };
    // The reference clock stays with the ring oscillator: it must run when the crystal does not.
    let is_set = clocks.system_clock.configure_clock(&pll, CORE_MHZ.MHz()).is_ok()
        && clocks.peripheral_clock.configure_clock(&clocks.system_clock, CORE_MHZ.MHz()).is_ok()
        && clocks.adc_clock.configure_clock(&pll, CORE_MHZ.MHz()).is_ok();
    if !is_set {
        panic::rest()
    }
    // Not before: at the pace of the start it would take a second.
    if !seal::fits() {
        panic::rest()
    }
    // If the clock stops, the part goes on by the ring oscillator and says so.
    let clocks = clocks.free();
    clocks.inte().write(|w| w.clk_sys_resus().set_bit());
    clocks.clk_sys_resus_ctrl().write(|w| w.enable().set_bit());
    panic::unmask(Interrupt::CLOCKS_IRQ);

    let slices = Slices::new(parts.PWM, &mut parts.RESETS);
    let mut ceiling = slices.pwm4;
    ceiling.set_div_int(CORE_MHZ as u8);
    ceiling.set_top(CEILING_PERIOD_US - 1);
    ceiling.enable();
    let mut ceiling = ceiling.channel_b;
    ceiling.output_to(pins.ceiling);

    let bus = (pins.bus_out.into_function(), pins.bus_in.into_function(), pins.bus_clock.into_function());
    let bus: Bus =
        Spi::<_, _, _, 8>::new(parts.SPI0, bus).init(&mut parts.RESETS, CORE_MHZ.MHz(), BUS_KHZ.kHz(), MODE_1);
    let bus = RefCell::new(bus);
    let chip = |select| {
        // It fails only if the select pin cannot be set.
        let Ok(device) = RefCellDevice::new(&bus, select, Instructions);
        device
    };
    let chips = [
        chip(Drive::unselected(pins.select_0)),
        chip(Drive::unselected(pins.select_1)),
        chip(Drive::unselected(pins.select_2)),
        chip(Drive::unselected(pins.select_3)),
    ];

    let adc = Adc::new(parts.ADC, &mut parts.RESETS);
    let (Ok(supply), Ok(bank)) =
        (AdcPin::new(pins.supply.into_pull_type::<PullNone>()), AdcPin::new(pins.bank.into_pull_type::<PullNone>()))
    else {
        panic::rest()
    };

    // An adapter that is not plugged in must not look like one that is: its pin is pulled up.
    let line = (pins.service_out.into_function(), pins.service_in.into_function().into_pull_type());
    let rate = UartConfig::new(115_200.Hz(), DataBits::Eight, None, StopBits::One);
    let Ok(line) = UartPeripheral::new(parts.UART0, line, &mut parts.RESETS).enable(rate, CORE_MHZ.MHz()) else {
        panic::rest()
    };

    let lines = [
        pins.heater_contact.into_pull_down_input().into_dyn_pin(),
        pins.charge_contact.into_pull_down_input().into_dyn_pin(),
        pins.source_0.into_pull_down_input().into_dyn_pin(),
        pins.source_1.into_pull_down_input().into_dyn_pin(),
        pins.source_2.into_pull_down_input().into_dyn_pin(),
        pins.source_3.into_pull_down_input().into_dyn_pin(),
        pins.charge_line.into_pull_down_input().into_dyn_pin(),
        pins.discharge_line.into_pull_down_input().into_dyn_pin(),
    ];
    let lines = Lines::new(lines, pins.button.into_pull_up_input().into_dyn_pin(), pins.contacts);
    let (heater, charge, full, alarm, lamp) = outputs;
    let hardware = Hardware::<Modules<'_>> {
        outputs: OutputPins { heater, charge, full, ceiling, alarm, lamp },
        lines,
        thermometers: Chips::new(chips, NOTCH),
        meters: Dividers::new(adc, (supply, bank)),
        delay: Wait::new(slices.pwm0),
        clock: Milliseconds::start(core.SYST),
        watchdog,
        display: (),
        serial: ServiceLine::open(line, HEARD),
    };
    #[expect(unsafe_code, reason = "there is one storage, and this function runs once")]
    // SAFETY: as said.
    let storage = unsafe { Sectors::new() };
    App::new(hardware, storage, BUILT_IN).run()
}

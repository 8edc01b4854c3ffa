#![no_std]
#![no_main]
//! The emulated board: QEMU's machine `lm3s6965evb`, driven step by step from outside. Orders come in through its
//! memory, and reports leave by a serial line.
//!
//! The program is that of every board. Only what it senses and where it keeps things differ. Output pins, watchdog,
//! service line and log are the machine's own. Converter, lines and clock show what the rig sends. The rig also keeps
//! the storage, because the machine has none that survives it, and because the rig can cut the power at any single
//! write; see [`rig`](forewarm_rig).

mod log;
mod panic;
mod pins;
mod registers;
#[path = "../common/seal.rs"]
mod seal;
mod storage;
mod uart;
mod watchdog;
mod world;

use core::cell::RefCell;
use embedded_hal::delay::DelayNs;
use forewarm_core::quantity::{Fraction, Instant, Millivolts};
use forewarm_core::settings::Settings;
use forewarm_core::signals::Outputs;
use forewarm_core::wire::service::Misfit;
use forewarm_firmware::App;
use forewarm_firmware::board::{self, Board, Conversion, Hardware, InputPins, NotWired, OutputPins, Tap};
use forewarm_firmware::front_end::FrontEnd;
use forewarm_rig::{BUTTON, CHARGE_FEEDBACK, CHARGE_LINE, DISCHARGE_LINE, HEATER_FEEDBACK, Pins, Shown};
use uart::Uart;
use world::World;

/// The settings in force until others are written: those of the installation file that the build was given.
static BUILT_IN: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/settings"));

/// Names the types of this board's parts.
struct Emulated<'w>(core::marker::PhantomData<&'w ()>);

impl<'w> Board for Emulated<'w> {
    const NAME: &'static str = "emulated";

    type Output = pins::Output;
    type Full = pins::Output;
    type Ceiling = NotWired;
    type Lines = InputPins<pins::Input<'w>>;
    type Thermometers = FrontEnd<Rig<'w>>;
    type Meters = Rig<'w>;
    type Delay = Standstill;
    type Clock = Rig<'w>;
    type Watchdog = watchdog::Watchdog;
    type Display = Rig<'w>;
    type Serial = Uart;
    type Storage = storage::Storage<'w>;

    fn suits(_: &Settings) -> Result<(), Misfit> {
        // The host plays any converter.
        Ok(())
    }
}

/// Everything that the rig shows in place of real parts.
struct Rig<'w>(&'w RefCell<World>);

impl board::Converter for Rig<'_> {
    const FULL_SCALE: u32 = u32::MAX;
    /// Each conversion averages over a whole window by itself.
    const CONVERSION_US: u32 = forewarm_firmware::front_end::WINDOW_US;
    const SETTLING_US: u32 = 0;

    type Error = FaultReported;

    fn excite(&mut self, _: Option<u8>) -> Result<(), FaultReported> {
        Ok(())
    }

    fn convert(&mut self, channel: u8, tap: Tap) -> nb::Result<Conversion, FaultReported> {
        let world = self.0.borrow();
        // At most three taps of eight channels in each moment that is played.
        let of_moment = 3 * u32::from(channel % 8) + tap as u32;
        let number = world.moment().wrapping_mul(24).wrapping_add(of_moment);
        let converted = |&code| Ok(Conversion { code, number });
        match (world.sensed().channels.get(usize::from(channel)), tap) {
            (Some(Shown::Codes { element, .. }), Tap::Element) => converted(element),
            (Some(Shown::Codes { reference, .. }), Tap::Reference) => converted(reference),
            (Some(Shown::Codes { lead, .. }), Tap::Lead) => converted(lead),
            (Some(Shown::Fault), _) => Err(nb::Error::Other(FaultReported)),
            (Some(Shown::Busy) | None, _) => Err(nb::Error::WouldBlock),
        }
    }
}

#[derive(Debug)]
struct FaultReported;

impl board::Meters for Rig<'_> {
    fn supply(&mut self) -> Option<Millivolts> {
        self.0.borrow().sensed().supply
    }

    fn bank(&mut self) -> Option<Millivolts> {
        self.0.borrow().sensed().bank
    }

    fn state_of_charge(&mut self) -> Option<Fraction> {
        self.0.borrow().sensed().state_of_charge
    }
}

impl board::Clock for Rig<'_> {
    fn now(&mut self) -> Instant {
        self.0.borrow().now()
    }

    fn is_step_due(&mut self) -> bool {
        self.0.borrow_mut().turn()
    }
}

impl board::Display for Rig<'_> {
    fn show(&mut self, outputs: &Outputs) {
        // Nobody else has it.
        if let Ok(mut world) = self.0.try_borrow_mut() {
            world.did(outputs);
        }
    }
}

/// Time stands still, except for what the rig sends.
struct Standstill;

impl DelayNs for Standstill {
    fn delay_ns(&mut self, _: u32) {}
}

#[cortex_m_rt::entry]
fn main() -> ! {
    watchdog::start();
    registers::stack::paint();
    registers::UART_CLOCKS.write(0b111);
    pins::start();
    if !seal::fits() {
        panic::rest()
    }
    let (service, rig) = (Uart::new(0), Uart::new(2));
    let world = &RefCell::new(World::new(rig, service));
    let line = |line| pins::Input::new(world, line);
    let hardware = Hardware::<Emulated<'_>> {
        outputs: OutputPins {
            heater: pins::Output(Pins::HEATER),
            charge: pins::Output(Pins::CHARGE),
            full: pins::Output(Pins::FULL),
            ceiling: NotWired,
            alarm: pins::Output(Pins::ALARM),
            lamp: pins::Output(Pins::LAMP),
        },
        lines: InputPins {
            sources: [line(0), line(1), line(2), line(3)],
            charge_line: line(CHARGE_LINE),
            discharge_line: line(DISCHARGE_LINE),
            heater_feedback: line(HEATER_FEEDBACK),
            charge_feedback: line(CHARGE_FEEDBACK),
            button: line(BUTTON),
        },
        thermometers: FrontEnd::new(Rig(world)),
        meters: Rig(world),
        delay: Standstill,
        clock: Rig(world),
        watchdog: watchdog::Watchdog(watchdog::Sparing::NEW),
        display: Rig(world),
        serial: service,
    };
    App::new(hardware, storage::Storage::new(world), BUILT_IN).run()
}

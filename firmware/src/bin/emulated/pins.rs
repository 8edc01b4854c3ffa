//! Five output pins of a real port, and input pins that show what the rig sends.

use crate::registers::{GPIO_CLOCKS, PORT_DIGITAL, PORT_DIRECTION, port_data};
use crate::world::World;
use core::cell::{Cell, RefCell};
use embedded_hal::digital::{ErrorKind, ErrorType, InputPin, OutputPin};
use forewarm_rig::{Level, Pins};

const OUTPUTS: u8 = Pins::HEATER | Pins::CHARGE | Pins::ALARM | Pins::LAMP | Pins::FULL;

/// Makes outputs of the five pins. They are low, because a port is all zeros after a reset.
pub(crate) fn start() {
    GPIO_CLOCKS.write(0x7F);
    PORT_DIRECTION.write(OUTPUTS.into());
    PORT_DIGITAL.write(OUTPUTS.into());
}

/// The levels of the output pins, as the port has them.
#[expect(clippy::cast_possible_truncation, reason = "a port has eight pins")]
pub(crate) fn levels() -> Pins {
    Pins(port_data(OUTPUTS).read() as u8 & PORT_DIRECTION.read() as u8)
}

/// An output pin: one of the bits of [`Pins`].
#[derive(Debug)]
pub(crate) struct Output(pub(crate) u8);

impl ErrorType for Output {
    type Error = ErrorKind;
}

impl Output {
    /// Writes only a changed level, and reads it back. Each access to a register costs the emulator much.
    fn set(&mut self, high: bool) -> Result<(), ErrorKind> {
        let (data, level) = (port_data(self.0), if high { self.0.into() } else { 0 });
        if data.read() != level {
            data.write(level);
        }
        if data.read() == level { Ok(()) } else { Err(ErrorKind::Other) }
    }
}

impl OutputPin for Output {
    fn set_low(&mut self) -> Result<(), ErrorKind> {
        self.set(false)
    }

    fn set_high(&mut self) -> Result<(), ErrorKind> {
        self.set(true)
    }
}

/// An input pin: a line by its index.
pub(crate) struct Input<'w> {
    world: &'w RefCell<World>,
    line: usize,
    toggle: Cell<bool>,
}

impl<'w> Input<'w> {
    pub(crate) const fn new(world: &'w RefCell<World>, line: usize) -> Self {
        Self { world, line, toggle: Cell::new(false) }
    }
}

impl ErrorType for Input<'_> {
    type Error = ErrorKind;
}

impl InputPin for Input<'_> {
    fn is_high(&mut self) -> Result<bool, ErrorKind> {
        match self.world.borrow().level(self.line) {
            Level::Low => Ok(false),
            Level::High => Ok(true),
            Level::Toggling => {
                self.toggle.set(!self.toggle.get());
                Ok(self.toggle.get())
            }
            Level::Absent => Err(ErrorKind::Other),
        }
    }

    fn is_low(&mut self) -> Result<bool, ErrorKind> {
        self.is_high().map(|high| !high)
    }
}

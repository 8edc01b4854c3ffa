//! A board for tests. Each part is a simple thing that a test sets, breaks and reads while the application has it.

extern crate std;

use crate::board::{
    Board, Clock, Conversion, Converter, Display, Hardware, InputPins, Meters, OutputPins, Tap, Watchdog,
};
use crate::front_end::FrontEnd;
use core::cell::{Cell, RefCell};
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, InputPin, OutputPin, PinState};
use embedded_hal::pwm::{self, SetDutyCycle};
use embedded_io::{ErrorKind, Read, ReadReady, Write};
use embedded_storage::nor_flash::{self, NorFlash, NorFlashErrorKind, ReadNorFlash};
use forewarm_core::quantity::{Fraction, Instant, Millivolts, Ohms};
use forewarm_core::settings::{MAX_SOURCES, Settings};
use forewarm_core::signals::{Button, Inputs, Line, Outputs, Relay, Sample};
use forewarm_core::wire::frame::{decode, encode};
use forewarm_core::wire::service::{Message, Misfit, Request};
use std::boxed::Box;
use std::collections::VecDeque;
use std::panic::resume_unwind;
use std::rc::Rc;
use std::vec;
use std::vec::Vec;

/// What the application does to its board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Act {
    Heater(PinState),
    Charge(PinState),
    Full(PinState),
    /// So many thousandths of the period.
    Ceiling(u16),
    Alarm(PinState),
    Lamp(PinState),
    /// A line was read.
    Look,
    /// A thermometer, or the voltages.
    Measure,
    Show,
    /// Storage was read.
    Recall,
    /// Storage was written or erased.
    Keep,
    Say,
    Feed,
    Restart,
}

/// The panic that stands for a loss of power.
pub(crate) struct PowerLost;

/// The panic that stands for a restart.
pub(crate) struct Restarted;

/// A line of the board, by its place among those that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wire {
    Source(usize),
    ChargeLine,
    DischargeLine,
    HeaterFeedback,
    ChargeFeedback,
    Button,
}

const WIRES: usize = MAX_SOURCES + 5;

impl Wire {
    const fn index(self) -> usize {
        match self {
            Self::Source(index) => index,
            Self::ChargeLine => MAX_SOURCES,
            Self::DischargeLine => MAX_SOURCES + 1,
            Self::HeaterFeedback => MAX_SOURCES + 2,
            Self::ChargeFeedback => MAX_SOURCES + 3,
            Self::Button => MAX_SOURCES + 4,
        }
    }
}

/// What a line can show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Level {
    #[default]
    Low,
    High,
    /// The opposite at each look.
    Toggling,
    /// Not readable.
    Broken,
    /// High, except for the one look after this many.
    HighBut(u32),
}

/// Everything around the application, shared by it and the test.
pub(crate) struct World {
    acts: RefCell<Vec<Act>>,
    pub(crate) millis: Cell<u32>,
    pub(crate) is_step_due: Cell<bool>,
    inputs: Cell<Inputs>,
    levels: [Cell<Level>; WIRES],
    looks: [Cell<u32>; WIRES],
    /// Which pins cannot be set, by what is tried.
    pub(crate) stuck: Cell<fn(Act) -> bool>,
    /// Thousandths of the period.
    pub(crate) ceiling: Cell<u16>,
    /// The last level of each output.
    pins: RefCell<Vec<Act>>,
    to_hear: RefCell<VecDeque<u8>>,
    /// Bytes that are sent again as soon as all have been read.
    pub(crate) flood: RefCell<Vec<u8>>,
    said: RefCell<Vec<u8>>,
    /// How much of it has certainly left the board.
    flushed: Cell<usize>,
    /// Nothing leaves the board.
    pub(crate) is_mute: Cell<bool>,
    pub(crate) bytes: RefCell<Vec<u8>>,
    pub(crate) fails_to_write: Cell<bool>,
    /// Whether the converter repeats its latest conversion, and how many it has made.
    pub(crate) converter_hangs: Cell<bool>,
    conversions: Cell<u32>,
    pub(crate) fails_to_read: Cell<bool>,
    /// Power is lost half-way through the write or erasure after this many, if at all.
    pub(crate) cut_after: Cell<Option<u32>>,
    pub(crate) shown: Cell<Option<Outputs>>,
}

const PAGE: usize = 1024;
const PAGES: usize = 6;

impl World {
    /// Time begins at zero, storage was never written, and everything is as `inputs` says.
    pub(crate) fn new(inputs: &Inputs) -> Rc<Self> {
        let world = Self {
            acts: RefCell::default(),
            millis: Cell::new(0),
            is_step_due: Cell::new(false),
            inputs: Cell::new(Inputs::DEAD),
            levels: Default::default(),
            looks: Default::default(),
            stuck: Cell::new(|_| false),
            ceiling: Cell::new(0),
            pins: RefCell::default(),
            to_hear: RefCell::default(),
            flood: RefCell::default(),
            said: RefCell::default(),
            flushed: Cell::new(0),
            is_mute: Cell::new(false),
            bytes: RefCell::new(vec![0xFF; PAGE * PAGES]),
            fails_to_write: Cell::new(false),
            converter_hangs: Cell::new(false),
            conversions: Cell::new(0),
            fails_to_read: Cell::new(false),
            cut_after: Cell::new(None),
            shown: Cell::new(None),
        };
        world.show(inputs);
        Rc::new(world)
    }

    /// Makes every part of the board show what these inputs say. The board does not show the inputs' storage.
    pub(crate) fn show(&self, inputs: &Inputs) {
        self.inputs.set(*inputs);
        let high = |is_high: bool| if is_high { Level::High } else { Level::Low };
        for index in 0..MAX_SOURCES {
            let toggles = inputs.unsteady.contains(index);
            let level = if toggles { Level::Toggling } else { high(inputs.sources.contains(index)) };
            self.set(Wire::Source(index), level);
        }
        let contact = |relay: Option<Relay>| relay.map_or(Level::Broken, |relay| high(relay == Relay::Closed));
        self.set(Wire::ChargeLine, high(inputs.charge_line == Line::Allowed));
        self.set(Wire::DischargeLine, high(inputs.discharge_line == Line::Allowed));
        self.set(Wire::HeaterFeedback, contact(inputs.heater_feedback));
        self.set(Wire::ChargeFeedback, contact(inputs.charge_feedback));
        self.set(Wire::Button, high(inputs.button == Button::Pressed));
    }

    /// Changes what the parts show of thermometers and voltages.
    pub(crate) fn change(&self, change: impl FnOnce(&mut Inputs)) {
        let mut inputs = self.inputs.get();
        change(&mut inputs);
        self.show(&inputs);
    }

    pub(crate) fn set(&self, wire: Wire, level: Level) {
        self.levels[wire.index()].set(level);
        self.looks[wire.index()].set(0);
    }

    /// How often a line was read since it was set.
    pub(crate) fn looks(&self, wire: Wire) -> u32 {
        self.looks[wire.index()].get()
    }

    /// What was done since the last call.
    pub(crate) fn acts(&self) -> Vec<Act> {
        self.acts.take()
    }

    /// The last position of a pin.
    pub(crate) fn pin(&self, pin: fn(PinState) -> Act) -> Option<PinState> {
        let pins = self.pins.borrow();
        [PinState::Low, PinState::High].into_iter().find(|&level| pins.contains(&pin(level)))
    }

    /// Sends a request over the service line.
    pub(crate) fn ask(&self, request: &Request<'_>) {
        self.send(&framed(request));
    }

    /// Sends bytes over the service line.
    pub(crate) fn send(&self, bytes: &[u8]) {
        self.to_hear.borrow_mut().extend(bytes);
    }

    /// Whether everything that was sent has been taken off the line.
    pub(crate) fn is_all_heard(&self) -> bool {
        self.to_hear.borrow().is_empty()
    }

    /// What was said since the last call.
    pub(crate) fn said(&self) -> Vec<Message<'static>> {
        self.flushed.set(0);
        messages(&self.said.take())
    }

    /// Whether power is lost in this write.
    fn is_cut(&self) -> bool {
        let left = self.cut_after.get();
        self.cut_after.set(left.map(|left| left.saturating_sub(1)));
        left == Some(0)
    }

    fn note(&self, act: Act) {
        let mut acts = self.acts.borrow_mut();
        // Repeated acts count once.
        if acts.last() != Some(&act) || matches!(act, Act::Feed | Act::Show) {
            acts.push(act);
        }
    }
}

/// A request in the form in which it goes over the line.
pub(crate) fn framed(request: &Request<'_>) -> Vec<u8> {
    encode(request, &mut [0; 1024]).expect("it fits").to_vec()
}

/// The messages of whole frames. A test's bytes may outlive it.
fn messages(bytes: &[u8]) -> Vec<Message<'static>> {
    let mut frames: Vec<_> = bytes.split(|&byte| byte == 0).collect();
    assert_eq!(frames.pop(), Some(&[][..]), "the last frame is not whole");
    frames.into_iter().map(|frame| decode(frame.to_vec().leak()).expect("what is said is whole")).collect()
}

/// The board.
pub(crate) struct TestBoard;

impl Board for TestBoard {
    const NAME: &'static str = "bench";

    type Output = Output;
    type Full = Output;
    type Ceiling = Part;
    type Lines = InputPins<Input>;
    type Thermometers = FrontEnd<Part>;
    type Meters = Part;
    type Delay = Part;
    type Clock = Part;
    type Watchdog = Part;
    type Display = Part;
    type Serial = Part;
    type Storage = Part;

    fn suits(settings: &Settings) -> Result<(), Misfit> {
        match settings.channels.iter().position(|channel| channel.reference == UNSUITABLE) {
            Some(channel) => {
                let channel = channel.try_into().expect("few");
                Err(Misfit::Reference { channel, least_ohm: 300, most_ohm: 10_000 })
            }
            None => Ok(()),
        }
    }
}

/// A reference resistor that the converter of this board does not work with.
pub(crate) const UNSUITABLE: Ohms = Ohms::from_milliohms(12_345_000);

impl World {
    /// The parts of a board in this world.
    pub(crate) fn hardware(self: &Rc<Self>) -> Hardware<TestBoard> {
        let output = |act| Output { world: Rc::clone(self), act };
        let input = |wire| Input { world: Rc::clone(self), wire };
        let part = || self.part();
        Hardware {
            outputs: OutputPins {
                heater: output(Act::Heater),
                charge: output(Act::Charge),
                full: output(Act::Full),
                ceiling: part(),
                alarm: output(Act::Alarm),
                lamp: output(Act::Lamp),
            },
            lines: InputPins {
                sources: core::array::from_fn(|index| input(Wire::Source(index))),
                charge_line: input(Wire::ChargeLine),
                discharge_line: input(Wire::DischargeLine),
                heater_feedback: input(Wire::HeaterFeedback),
                charge_feedback: input(Wire::ChargeFeedback),
                button: input(Wire::Button),
            },
            thermometers: FrontEnd::new(part()),
            meters: part(),
            delay: part(),
            clock: part(),
            watchdog: part(),
            display: part(),
            serial: part(),
        }
    }

    /// Any part of it except a pin.
    pub(crate) fn part(self: &Rc<Self>) -> Part {
        Part(Rc::clone(self))
    }
}

pub(crate) struct Output {
    world: Rc<World>,
    act: fn(PinState) -> Act,
}

impl Output {
    fn put(&mut self, level: PinState) -> Result<(), digital::ErrorKind> {
        let act = (self.act)(level);
        self.world.note(act);
        if (self.world.stuck.get())(act) {
            return Err(digital::ErrorKind::Other);
        }
        let mut pins = self.world.pins.borrow_mut();
        pins.retain(|&pin| pin != (self.act)(PinState::Low) && pin != (self.act)(PinState::High));
        pins.push(act);
        Ok(())
    }
}

impl digital::ErrorType for Output {
    type Error = digital::ErrorKind;
}

impl OutputPin for Output {
    fn set_low(&mut self) -> Result<(), digital::ErrorKind> {
        self.put(PinState::Low)
    }

    fn set_high(&mut self) -> Result<(), digital::ErrorKind> {
        self.put(PinState::High)
    }
}

pub(crate) struct Input {
    world: Rc<World>,
    wire: Wire,
}

impl digital::ErrorType for Input {
    type Error = digital::ErrorKind;
}

impl InputPin for Input {
    fn is_high(&mut self) -> Result<bool, digital::ErrorKind> {
        self.world.note(Act::Look);
        let looks = &self.world.looks[self.wire.index()];
        let look = looks.get();
        looks.set(look.wrapping_add(1));
        match self.world.levels[self.wire.index()].get() {
            Level::Low => Ok(false),
            Level::High => Ok(true),
            Level::Toggling => Ok(look.is_multiple_of(2)),
            Level::Broken => Err(digital::ErrorKind::Other),
            Level::HighBut(at) => Ok(look != at),
        }
    }

    fn is_low(&mut self) -> Result<bool, digital::ErrorKind> {
        self.is_high().map(|high| !high)
    }
}

pub(crate) struct Part(Rc<World>);

/// With this reference every possible ratio has a code.
const REFERENCE_CODE: u32 = 1 << 30;

impl Converter for Part {
    const FULL_SCALE: u32 = u32::MAX;
    const CONVERSION_US: u32 = 16_000;
    const SETTLING_US: u32 = 500;

    type Error = ();

    fn excite(&mut self, _: Option<u8>) -> Result<(), ()> {
        self.0.note(Act::Measure);
        Ok(())
    }

    fn convert(&mut self, channel: u8, tap: Tap) -> nb::Result<Conversion, ()> {
        let number = self.0.conversions.get().wrapping_add(u32::from(!self.0.converter_hangs.get()));
        self.0.conversions.set(number);
        match self.0.inputs.get().channels.get(usize::from(channel)) {
            Some(Sample::Fresh(measured)) => {
                let code = match tap {
                    Tap::Element => measured.element.as_steps(),
                    Tap::Reference => REFERENCE_CODE,
                    Tap::Lead => measured.lead.as_steps(),
                };
                Ok(Conversion { code, number })
            }
            Some(Sample::ConverterFault) => Err(nb::Error::Other(())),
            Some(Sample::None) | None => Err(nb::Error::WouldBlock),
        }
    }
}

impl Meters for Part {
    fn supply(&mut self) -> Option<Millivolts> {
        self.0.note(Act::Measure);
        self.0.inputs.get().supply
    }

    fn bank(&mut self) -> Option<Millivolts> {
        self.0.note(Act::Measure);
        self.0.inputs.get().bank
    }

    fn state_of_charge(&mut self) -> Option<Fraction> {
        self.0.inputs.get().state_of_charge
    }
}

impl pwm::ErrorType for Part {
    type Error = pwm::ErrorKind;
}

impl SetDutyCycle for Part {
    fn max_duty_cycle(&self) -> u16 {
        1000
    }

    fn set_duty_cycle(&mut self, duty: u16) -> Result<(), pwm::ErrorKind> {
        let act = Act::Ceiling(duty);
        if (self.0.stuck.get())(act) {
            return Err(pwm::ErrorKind::Other);
        }
        if self.0.ceiling.replace(duty) != duty {
            self.0.note(act);
        }
        Ok(())
    }
}

impl DelayNs for Part {
    fn delay_ns(&mut self, _: u32) {}
}

impl Clock for Part {
    fn now(&mut self) -> Instant {
        Instant::from_millis(self.0.millis.get())
    }

    fn is_step_due(&mut self) -> bool {
        self.0.is_step_due.take()
    }
}

impl Watchdog for Part {
    fn feed(&mut self) {
        self.0.note(Act::Feed);
    }

    fn restart(&mut self) -> ! {
        self.0.note(Act::Restart);
        // Bytes still on their way out do not survive.
        self.0.said.borrow_mut().truncate(self.0.flushed.get());
        resume_unwind(Box::new(Restarted))
    }
}

impl Display for Part {
    fn show(&mut self, outputs: &Outputs) {
        self.0.note(Act::Show);
        self.0.shown.set(Some(*outputs));
    }
}

impl embedded_io::ErrorType for Part {
    type Error = ErrorKind;
}

impl ReadReady for Part {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        let mut to_hear = self.0.to_hear.borrow_mut();
        if to_hear.is_empty() {
            to_hear.extend(self.0.flood.borrow().iter());
        }
        Ok(!to_hear.is_empty())
    }
}

impl Read for Part {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, ErrorKind> {
        let mut to_hear = self.0.to_hear.borrow_mut();
        let length = into.len().min(to_hear.len());
        into.iter_mut().zip(to_hear.drain(..length)).for_each(|(into, byte)| *into = byte);
        assert!(length > 0, "read from a silent line waits for ever");
        Ok(length)
    }
}

impl Write for Part {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, ErrorKind> {
        self.0.note(Act::Say);
        if self.0.is_mute.get() {
            return Err(ErrorKind::Other);
        }
        // Like a transmitter with a short queue.
        let length = bytes.len().min(16);
        self.0.said.borrow_mut().extend(&bytes[..length]);
        Ok(length)
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        self.0.flushed.set(self.0.said.borrow().len());
        Ok(())
    }
}

impl nor_flash::ErrorType for Part {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Part {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_read(self, offset, into.len())?;
        self.0.note(Act::Recall);
        if self.0.fails_to_read.get() {
            return Err(NorFlashErrorKind::Other);
        }
        into.copy_from_slice(&self.0.bytes.borrow()[offset as usize..][..into.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        PAGE * PAGES
    }
}

impl NorFlash for Part {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_erase(self, from, to)?;
        self.0.note(Act::Keep);
        if self.0.fails_to_write.get() {
            return Err(NorFlashErrorKind::Other);
        }
        let is_cut = self.0.is_cut();
        let to = if is_cut { u32::midpoint(from, to) } else { to };
        self.0.bytes.borrow_mut()[from as usize..to as usize].fill(0xFF);
        if is_cut {
            resume_unwind(Box::new(PowerLost));
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_write(self, offset, bytes.len())?;
        self.0.note(Act::Keep);
        if self.0.fails_to_write.get() {
            return Err(NorFlashErrorKind::Other);
        }
        let is_cut = self.0.is_cut();
        let bytes = if is_cut { &bytes[..bytes.len() / 2] } else { bytes };
        self.0.bytes.borrow_mut()[offset as usize..].iter_mut().zip(bytes).for_each(|(kept, byte)| *kept &= byte);
        if is_cut {
            resume_unwind(Box::new(PowerLost));
        }
        Ok(())
    }
}

//! The driver against a chip of registers, made from the data sheet.

use super::*;
use core::cell::{Cell, RefCell};
use embedded_hal::spi::{ErrorKind, ErrorType, Operation};
use forewarm_core::fault::ChannelFault;
use forewarm_core::quantity::{Celsius, Instant, Ohms};
use forewarm_core::rtd::{Element, Leads, Thermometer};
use forewarm_core::signals::{Inputs, Relay};
use forewarm_core::{Memory, Unit, testing};
use proptest::prelude::*;
use std::rc::Rc;
use std::vec::Vec;

/// Time (µs), which all parts of a test share.
type Time = Rc<Cell<u64>>;

struct Passes(Time);

impl DelayNs for Passes {
    fn delay_ns(&mut self, ns: u32) {
        self.0.set(self.0.get() + u64::from(ns) / 1000);
    }
}

/// What is connected to the chip, as far as its tables of faults tell them apart.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Wires {
    /// An element of so much of the reference (1).
    Element(f64),
    ElementBroken,
    ElementShorted,
    /// `FORCE-` comes off: an element that still reads something.
    ReturnOff(f64),
    /// `RTDIN-` touches ground, so that the code looks right.
    InputGrounded(f64),
    /// An input is at a voltage beyond the supply.
    Overvoltage(f64),
}

/// A chip. Its registers are as after a reset at first.
#[derive(Debug)]
struct Model {
    time: Time,
    wires: Wires,
    registers: [u8; 8],
    bias_since: Option<u64>,
    /// When work that has begun ends, and what it is.
    converts_until: Option<u64>,
    looks_until: Option<u64>,
    converts_us: u64,
    /// A conversion while the current has not settled.
    unsettled: bool,
    /// No longer converts.
    is_stuck: bool,
    /// How long the current has flowed (µs).
    current_us: u64,
}

const RESET: [u8; 8] = [0, 0, 0, 0xff, 0xff, 0, 0, 0];

impl Model {
    fn new(time: &Time, wires: Wires) -> Self {
        Self {
            time: Rc::clone(time),
            wires,
            registers: RESET,
            bias_since: None,
            converts_until: None,
            looks_until: None,
            // The longest, in the notch of 50 Hz.
            converts_us: 66_000,
            unsettled: false,
            is_stuck: false,
            current_us: 0,
        }
    }

    fn reset(&mut self) {
        *self = Self { current_us: self.current_us, ..Self::new(&self.time, self.wires) };
    }

    fn latch(&mut self, bits: u8) {
        self.registers[7] |= bits;
        self.registers[2] |= u8::from(self.registers[7] != 0);
    }

    /// What has been done by now.
    fn catch_up(&mut self) {
        let now = self.time.get();
        if self.looks_until.is_some_and(|until| until <= now) {
            self.looks_until = None;
            self.registers[0] &= !0x0c;
            self.latch(match self.wires {
                Wires::ElementBroken | Wires::ReturnOff(_) => 0x20,
                Wires::InputGrounded(_) => 0x18,
                Wires::Element(_) | Wires::ElementShorted | Wires::Overvoltage(_) => 0,
            });
        }
        if self.converts_until.is_some_and(|until| until <= now) && !self.is_stuck {
            self.converts_until = None;
            self.registers[0] &= !0x20;
            let ratio = match self.wires {
                _ if self.unsettled => 0.123,
                Wires::Element(ratio)
                | Wires::ReturnOff(ratio)
                | Wires::InputGrounded(ratio)
                | Wires::Overvoltage(ratio) => ratio,
                Wires::ElementBroken => 1.0,
                Wires::ElementShorted => 0.0,
            };
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "15 bits")]
            let code = ((ratio * 32_768.0).round() as u16).min(32_767) << 1;
            let of = |at: usize| u16::from_be_bytes([self.registers[at], self.registers[at + 1]]);
            let found = if code >= of(3) { 0x80 } else { 0 } | if code <= of(5) { 0x40 } else { 0 };
            [self.registers[1], self.registers[2]] = code.to_be_bytes();
            self.latch(found);
        }
        if let Wires::Overvoltage(_) = self.wires {
            self.latch(0x04);
        }
    }

    fn write(&mut self, at: usize, byte: u8) {
        if !matches!(at, 0 | 3..=6) {
            return;
        }
        self.registers[at] = byte;
    }

    /// What the end of a transaction that wrote the configuration begins.
    fn configured(&mut self) {
        let now = self.time.get();
        let bits = self.registers[0];
        match (bits & 0x80 != 0, self.bias_since) {
            (true, None) => self.bias_since = Some(now),
            (false, Some(since)) => {
                self.current_us += now - since;
                self.bias_since = None;
            }
            _ => {}
        }
        if bits & 0x02 != 0 {
            self.registers[7] = 0;
            self.registers[2] &= !1;
            self.registers[0] &= !0x02;
        }
        if bits & 0x0c == 0x04 {
            self.looks_until = Some(now + 600);
        }
        if bits & 0x60 == 0x20 {
            self.unsettled = self.bias_since.is_none_or(|since| now - since < 11_500);
            self.converts_until = Some(now + self.converts_us);
        }
    }
}

/// What the bus makes of it.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Bus {
    Works,
    /// Reads the same bit all the time, and writes nothing.
    StuckAt(u8),
    Fails,
}

#[derive(Clone, Debug)]
struct Wired {
    model: Rc<RefCell<Model>>,
    bus: Rc<Cell<Bus>>,
}

impl ErrorType for Wired {
    type Error = ErrorKind;
}

impl SpiDevice for Wired {
    /// One transaction: the address, then bytes to it and those after it. The chip takes the configuration when it ends.
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        let stuck_at = match self.bus.get() {
            Bus::Works => None,
            Bus::StuckAt(byte) => Some(byte),
            Bus::Fails => return Err(ErrorKind::Other),
        };
        let mut model = self.model.borrow_mut();
        model.catch_up();
        let mut address: Option<u8> = None;
        let mut wrote_configuration = false;
        let mut byte = |out: u8| -> u8 {
            if let Some(stuck_at) = stuck_at {
                return stuck_at;
            }
            let Some(at) = address else {
                address = Some(out);
                return 0;
            };
            address = Some(at & 0x80 | (at + 1) & 0x07);
            let register = usize::from(at & 0x07);
            if at & 0x80 == 0 {
                return model.registers[register];
            }
            wrote_configuration |= register == 0;
            model.write(register, out);
            0
        };
        for operation in operations {
            match operation {
                Operation::Write(out) => out.iter().for_each(|&out| {
                    byte(out);
                }),
                Operation::Read(into) => into.iter_mut().for_each(|into| *into = byte(0)),
                Operation::Transfer(into, out) => {
                    into.iter_mut().zip(*out).for_each(|(into, &out)| *into = byte(out));
                }
                Operation::TransferInPlace(bytes) => bytes.iter_mut().for_each(|at| *at = byte(*at)),
                Operation::DelayNs(_) => {}
            }
        }
        if wrote_configuration {
            model.configured();
        }
        Ok(())
    }
}

struct Bench {
    time: Time,
    wired: Vec<Wired>,
}

impl Bench {
    fn new(all: &[Wires]) -> Self {
        let time = Time::default();
        let wired = all.iter().map(|&wires| Wired {
            model: Rc::new(RefCell::new(Model::new(&time, wires))),
            bus: Rc::new(Cell::new(Bus::Works)),
        });
        Self { wired: wired.collect(), time }
    }

    fn chips<const N: usize>(&self) -> Chips<Wired, N> {
        Chips::new(core::array::from_fn(|index| self.wired[index].clone()), Notch::Hz50)
    }

    /// With four wires each, at 50 Hz.
    fn measure<const N: usize>(&self) -> [Sample; N] {
        let samples = self.chips::<N>().measure(&[false; N], &mut Passes(Rc::clone(&self.time)), || {});
        core::array::from_fn(|index| samples[index])
    }
}

fn shows(wires: Wires) -> Sample {
    let [sample] = Bench::new(&[wires]).measure();
    sample
}

fn code(code: u16) -> Sample {
    Shown::Code(code).sample()
}

fn celsius(element: &Element, reference: Ohms, sample: Sample) -> Option<f64> {
    let Sample::Fresh(Measured { element: ratio, .. }) = sample else { return None };
    let t = Thermometer::new(*element).celsius(ratio.of(reference)?).ok()?;
    Some(f64::from(t.as_millidegrees()) / 1000.0)
}

/// Temperatures and codes of a Pt100 on 400 Ω: MAX31865 data sheet, table 9.
const TABLE_9: [(f64, u16); 17] = [
    (-50.0, 6579),
    (-40.0, 6903),
    (-30.0, 7227),
    (-20.0, 7550),
    (-10.0, 7871),
    (0.0, 8192),
    (10.0, 8512),
    (20.0, 8830),
    (30.0, 9148),
    (40.0, 9465),
    (50.0, 9781),
    (60.0, 10_096),
    (70.0, 10_410),
    (80.0, 10_723),
    (90.0, 11_035),
    (100.0, 11_346),
    (110.0, 11_657),
];

#[test]
fn codes_read_as_the_temperatures_that_the_data_sheet_gives_for_them() {
    for (t, shown) in TABLE_9 {
        let read = celsius(&Element::pt100(), Ohms::from_milliohms(400_000), code(shown)).unwrap();
        // A code is 0.031 K wide there.
        assert!((read - t).abs() < 0.017, "{shown}: {read} °C for {t}");
    }
}

#[test]
fn what_the_data_sheet_gives_as_ratios_comes_out_as_codes() {
    // Table 5.
    for (ratio, shown) in [(0.025, 819), (0.125, 4096), (0.25, 8192), (0.5, 16_384), (0.75, 24_576)] {
        assert_eq!(shows(Wires::Element(ratio)), code(shown));
    }
}

/// Tables 10 to 12.
#[test]
fn each_fault_of_the_wires_takes_the_permit_in_its_step_also_where_the_code_looks_right() {
    let faults = [
        (Wires::ElementBroken, [ChannelFault::Open; 2]),
        (Wires::ElementShorted, [ChannelFault::Short; 2]),
        (Wires::ReturnOff(0.26), [ChannelFault::Open; 2]),
        // Where no lead is known, something must be shorted.
        (Wires::InputGrounded(0.26), [ChannelFault::Short, ChannelFault::Leads]),
        (Wires::Overvoltage(0.26), [ChannelFault::Short, ChannelFault::Leads]),
    ];
    for (wires, expected) in faults {
        for (leads, expected) in [Leads::FourWire, Leads::THREE_WIRE].into_iter().zip(expected) {
            let mut settings = testing::settings();
            for channel in &mut settings.channels {
                (channel.element, channel.leads) = (Element::pt100(), leads);
                channel.reference = Ohms::from_milliohms(400_000);
            }
            // 10 °C and a little.
            let bench = Bench::new(&[Wires::Element(0.26); 4]);
            let mut chips = bench.chips::<4>();
            let mut unit = Unit::new(&settings.clone().validate().unwrap(), Memory::default());
            let mut step = || {
                let channels =
                    chips.measure(&[leads != Leads::FourWire; 4], &mut Passes(Rc::clone(&bench.time)), || {});
                bench.time.set(bench.time.get() + 920_000);
                let now = Instant::from_millis(u32::try_from(bench.time.get() / 1000).unwrap());
                unit.step(now, &Inputs { channels, ..testing::fine_inputs(&settings, testing::c(10_000)) })
            };
            let before = (0..700).map(|_| step()).last().unwrap();
            assert_eq!((before.charge, before.faults.channels[0]), (Relay::Closed, None), "{leads:?}");
            bench.wired[0].model.borrow_mut().wires = wires;
            let after = step();
            assert_eq!((after.charge, after.heater), (Relay::Open, Relay::Open), "{wires:?}, {leads:?}");
            assert_eq!(after.faults.channels[0], Some(expected), "{wires:?}, {leads:?}");
        }
    }
}

#[test]
fn all_chips_work_at_once_and_no_current_flows_between_steps() {
    let ratios = [0.2, 0.25, 0.3, 0.35].map(Wires::Element);
    let bench = Bench::new(&ratios);
    for _ in 0..3 {
        let before = bench.time.get();
        let mut turns = 0;
        let samples = bench.chips::<4>().measure(&[false; 4], &mut Passes(Rc::clone(&bench.time)), || turns += 1);
        assert_eq!(samples[..4], [6554, 8192, 9830, 11_469].map(code));
        assert_eq!(samples[4..], [Sample::None; MAX_CHANNELS - 4]);
        let took_us = bench.time.get() - before;
        assert!(took_us <= 80_000 && turns >= 100, "{took_us} µs, {turns} turns");
        bench.time.set(bench.time.get() + 920_000);
    }
    for wired in &bench.wired {
        let model = wired.model.borrow();
        // Under a twelfth of the time, so the elements warm by a twelfth of what they would under a steady current.
        assert!(model.bias_since.is_none() && model.current_us * 12 < bench.time.get(), "{} µs", model.current_us);
    }
}

#[test]
fn a_chip_that_is_reset_while_it_works_is_a_fault_and_the_next_step_is_good() {
    let bench = Bench::new(&[Wires::Element(0.25)]);
    for at_us in (500..79_000).step_by(500) {
        let start = bench.time.get();
        let model = Rc::clone(&bench.wired[0].model);
        let (time, mut is_done) = (Rc::clone(&bench.time), false);
        let [hit, ..] = bench.chips::<1>().measure(&[false], &mut Passes(Rc::clone(&bench.time)), || {
            if !is_done && time.get() - start >= at_us {
                model.borrow_mut().reset();
                is_done = true;
            }
        });
        assert!(hit == Sample::ConverterFault || !is_done, "{at_us} µs: {hit:?}");
        assert_eq!(bench.measure(), [code(8192)], "{at_us} µs");
    }
}

#[test]
fn a_chip_that_is_not_there_or_never_done_or_a_bus_that_fails_is_a_fault_of_the_converter() {
    let bench = Bench::new(&[Wires::Element(0.25), Wires::Element(0.3)]);
    let lost = Sample::ConverterFault;
    for (bus, expected) in
        [(Bus::StuckAt(0x00), lost), (Bus::StuckAt(0xff), lost), (Bus::Fails, lost), (Bus::Works, code(8192))]
    {
        bench.wired[0].bus.set(bus);
        assert_eq!(bench.measure(), [expected, code(9830)], "{bus:?}");
    }
    bench.wired[0].model.borrow_mut().is_stuck = true;
    assert_eq!(bench.measure(), [lost, code(9830)]);
}

#[test]
fn a_channel_without_a_chip_is_a_fault_of_the_converter() {
    let bench = Bench::new(&[Wires::Element(0.25)]);
    let samples = bench.chips::<1>().measure(&[false; 3], &mut Passes(Rc::clone(&bench.time)), || {});
    assert_eq!(samples[..4], [code(8192), Sample::ConverterFault, Sample::ConverterFault, Sample::None]);
}

#[test]
fn three_wires_and_the_notch_are_set_as_the_data_sheet_says() {
    let bench = Bench::new(&[Wires::Element(0.25); 2]);
    let rests = |notch: Notch| {
        let mut chips = Chips::new([0, 1].map(|index: usize| bench.wired[index].clone()), notch);
        chips.measure(&[true, false], &mut Passes(Rc::clone(&bench.time)), || {});
        [0, 1].map(|index: usize| bench.wired[index].model.borrow().registers[0])
    };
    // The data sheet's bits D4 and D0.
    assert_eq!((rests(Notch::Hz60), rests(Notch::Hz50)), ([0x10, 0x00], [0x11, 0x01]));
}

proptest! {
    /// From −40 to +60 °C the code and the conversion together are less than 0.05 K off, for either element on four times
    /// its resistance.
    #[test]
    fn a_temperature_comes_back_within_a_twentieth_of_a_kelvin(t_mc in -40_000..60_000_i32, is_pt1000: bool) {
        let (element, reference) = if is_pt1000 { (Element::pt1000(), 4_000_000) } else { (Element::pt100(), 400_000) };
        let ohms = element.resistance(Celsius::from_millidegrees(t_mc)).unwrap();
        let ratio = f64::from(ohms.as_steps()) / f64::from(Ohms::from_milliohms(reference).as_steps());
        let read = celsius(&element, Ohms::from_milliohms(reference), shows(Wires::Element(ratio))).unwrap();
        let off = (read - f64::from(t_mc) / 1000.0).abs();
        prop_assert!(off < 0.05, "{off} K");
    }
}

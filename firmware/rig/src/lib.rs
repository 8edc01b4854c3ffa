#![no_std]
#![forbid(unsafe_code)]
//! The words between an emulated board and whoever plays the world around it.
//!
//! The emulated processor has no converter, no wires and no memory that outlasts it. What it would sense comes in as an
//! [`Order`], what it does goes out as a [`Report`]; its storage is kept by the other side, which can cut the power at any
//! write. Time stands still on the board but for what an order says, so that a run is the same however fast either side is.
//!
//! ```text
//! world: Play { moments }  ─▶
//!                          ◀─ Did { pins and outputs, step by step }  :board
//!                          ◀─ Ask (storage, in between)  Answer ─▶
//!                          ◀─ Ready { next }
//! ```
//!
//! One order is open at a time, but for the answer to an [`Ask`] while it is. Reports leave by a serial port; orders come in through
//! the [`inbox`].
//!
//! Board and world are two programs of one version: nothing else speaks this, and no version is kept.

#[cfg(test)]
extern crate std;

use forewarm_core::quantity::{Fraction, Instant, Millivolts};
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES};
use forewarm_core::signals::Outputs;
use forewarm_core::wire::frame::TooLong;
use serde::{Deserialize, Serialize};

/// Bytes of the longest order.
pub const MAX_ORDER: usize = 208;
/// Bytes of moments that fit into one order.
pub const MAX_MOMENTS: usize = MAX_ORDER - 16;
/// Bytes of the longest report.
pub const MAX_REPORT: usize = MAX_DOINGS + 8;
/// Bytes of doings that one report carries at most.
pub const MAX_DOINGS: usize = 64;
/// Bytes of storage that one [`Ask`] writes at most.
pub const MAX_BLOCK: usize = 32;

/// What the board hears with: a ring of bytes in its RAM, filled from outside the processor while that runs.
///
/// A byte that comes by a serial port costs the emulator a change between its threads, and that is a hundred times what the program
/// does with it.
///
/// ```text
/// offset 0  bytes that were ever written, counted by the world; 32 bits, little-endian
///        4  bytes that were ever read, counted by the board
///        8  the ring: byte n lies at n modulo BYTES
/// ```
///
/// Both counts outlast a restart, as what is under way on a line would.
pub mod inbox {
    /// Its address: RAM that no program of the emulated board counts as its own.
    pub const PLACE: u32 = 0x2000_5000;
    /// Bytes that are under way at most.
    pub const BYTES: u32 = 4096;
    /// The count of bytes written.
    pub const WRITTEN: u32 = PLACE;
    /// The count of bytes read.
    pub const READ: u32 = PLACE + 4;
    /// The ring.
    pub const RING: u32 = PLACE + 8;

    // So that the counts may wrap.
    const _: () = assert!(BYTES.is_power_of_two(), "byte n lies at n modulo BYTES, wherever n has wrapped");
}

/// Where storage lies to be read by the board, as a microcontroller has its flash among its memory: filled from outside when it asks.
pub mod mirror {
    use super::inbox;

    /// Its address: RAM that no program of the emulated board counts as its own.
    pub const PLACE: u32 = 0x2000_8000;
    /// Bytes of storage.
    pub const BYTES: u32 = 8 * 1024;

    const _: () = assert!(inbox::RING + inbox::BYTES <= PLACE, "the inbox lies before it");
}

/// What the board is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Order<'a> {
    /// To take the steps that are written in `moments`, one after the other.
    Play {
        /// The number of the first; an order for another than the next is refused.
        first: u32,
        /// [`Moments`] in their compact form, the first relative to the last of the order before.
        moments: &'a [u8],
    },
    /// The answer to an [`Ask`].
    Answer(Answer),
    /// How much of the stack has been used since the start.
    Stack,
    /// To hang, as a program does that has lost its way. Known only to an image that is built to be tested.
    Hang,
}

/// What the world must do for the board's storage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Ask<'a> {
    /// To put all of it into the [`mirror`].
    Show,
    /// To clear bits of erased storage, as flash does.
    Write {
        /// Offset.
        at: u32,
        /// Bytes, at most [`MAX_BLOCK`].
        bytes: &'a [u8],
    },
    /// To set every bit from `from` to before `to`.
    Erase {
        /// Offset of the first byte.
        from: u32,
        /// Offset after the last.
        to: u32,
    },
}

/// What storage answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Answer {
    /// Shown, written or erased.
    Done,
    /// It failed.
    Failed,
}

/// What the board says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Report<'a> {
    /// It waits for an order. Said after a start with `next` 0, and at the end of each order.
    Ready {
        /// The number of the next step.
        next: u32,
    },
    /// What the next steps came to.
    Did {
        /// [`Doings`] in their compact form, relative to the last of the report before.
        doings: &'a [u8],
    },
    /// It needs storage.
    Ask(#[serde(borrow)] Ask<'a>),
    /// An order was not obeyed: out of turn, or not to be read.
    Refused,
    /// The stack.
    Stack {
        /// Bytes used at most since the start.
        used: u32,
        /// Bytes there are.
        of: u32,
    },
}

/// The levels of the output pins, as read back from the port.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pins(pub u8);

impl Pins {
    /// The heater relay's coil is energised.
    pub const HEATER: u8 = 1;
    /// The charge relay's coil is energised.
    pub const CHARGE: u8 = 1 << 1;
    /// The alarm sounds.
    pub const ALARM: u8 = 1 << 2;
    /// The lamp is lit.
    pub const LAMP: u8 = 1 << 3;
    /// The full charge permit relay's coil is energised.
    pub const FULL: u8 = 1 << 4;

    /// Whether the pin is high.
    #[must_use]
    pub const fn has(self, pin: u8) -> bool {
        self.0 & pin != 0
    }
}

/// What one channel of the converter shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Shown {
    /// No conversion completes.
    #[default]
    Busy,
    /// It reports a fault of its own.
    Fault,
    /// Conversions complete.
    Codes {
        /// Code of the element and the lead in series with it.
        element: u32,
        /// Code of the reference resistor.
        reference: u32,
        /// Code of a lead alone.
        lead: u32,
    },
}

/// A line as a pin sees it between two steps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Level {
    /// Low.
    #[default]
    Low,
    /// High.
    High,
    /// It changes each time it is looked at.
    Toggling,
    /// The pin cannot be read, or nothing is fitted to it.
    Absent,
}

/// Lines there are: one of each source by its index, then those below.
pub const LINES: usize = MAX_SOURCES + 5;
/// High where the protection allows charge.
pub const CHARGE_LINE: usize = MAX_SOURCES;
/// High where the protection allows discharge.
pub const DISCHARGE_LINE: usize = MAX_SOURCES + 1;
/// High where the heater relay's contact is closed.
pub const HEATER_FEEDBACK: usize = MAX_SOURCES + 2;
/// High where the charge relay's contact is closed.
pub const CHARGE_FEEDBACK: usize = MAX_SOURCES + 3;
/// High while the button is held.
pub const BUTTON: usize = MAX_SOURCES + 4;

/// Everything that the board senses in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The clock.
    pub now: Instant,
    /// All but the clock.
    pub sensed: Sensed,
}

/// Everything that the board senses in one step but the time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sensed {
    /// The converter.
    pub channels: [Shown; MAX_CHANNELS],
    /// Voltage of the heater's supply.
    pub supply: Option<Millivolts>,
    /// Voltage of the bank.
    pub bank: Option<Millivolts>,
    /// State of charge of the bank.
    pub state_of_charge: Option<Fraction>,
    /// The lines: see [`LINES`].
    pub lines: [Level; LINES],
}

impl Sensed {
    /// A board to which nothing is wired.
    pub const NOTHING: Self = Self {
        channels: [Shown::Busy; MAX_CHANNELS],
        supply: None,
        bank: None,
        state_of_charge: None,
        lines: [Level::Absent; LINES],
    };
}

/// Moments in a compact form: of most steps only the codes that differ from those of the step before, as differences.
///
/// It is bytes that limit how fast a winter is played: a step is computed in less time than they take.
///
/// ```text
/// moment = mask, [ span ], [ sensed ] or for each channel in mask [ difference of the element's code ]
/// mask   = bit 7: sensed follows whole; bit 6: the span of time to the moment before follows, otherwise it is as it was;
///          bits 0 to 5: which channels show another code of their element, and nothing else new
/// ```
///
/// Both sides hold one and keep it in step; [`Moments::NEW`] is where both begin.
#[derive(Clone, Debug)]
pub struct Moments {
    latest: Moment,
    span_ms: u32,
}

const _: () = assert!(MAX_CHANNELS <= 6, "two bits of the mask mean something else");
const SENSED: u8 = 1 << 7;
const SPAN: u8 = 1 << 6;

impl Moments {
    /// Before the first moment: the clock at zero, nothing sensed.
    pub const NEW: Self = Self { latest: Moment { now: Instant::from_millis(0), sensed: Sensed::NOTHING }, span_ms: 0 };

    /// The latest moment.
    #[must_use]
    pub const fn latest(&self) -> &Moment {
        &self.latest
    }

    /// Writes `next` to the start of `room`, and says how many bytes that took.
    ///
    /// # Errors
    /// [`TooLong`] if `room` is too small; then nothing has changed here.
    pub fn write(&mut self, next: &Moment, room: &mut [u8]) -> Result<usize, TooLong> {
        let mut mask = 0;
        let mut differences = [0; MAX_CHANNELS];
        let span_ms = next.now.since(self.latest.now).as_millis();
        if span_ms != self.span_ms {
            mask |= SPAN;
        }
        let before = &self.latest.sensed;
        for (index, (difference, pair)) in
            differences.iter_mut().zip(before.channels.iter().zip(&next.sensed.channels)).enumerate()
        {
            match pair {
                (before, next) if before == next => {}
                (
                    &Shown::Codes { element, reference, lead },
                    &Shown::Codes { element: next, reference: next_reference, lead: next_lead },
                ) if (reference, lead) == (next_reference, next_lead) => {
                    mask |= 1 << index;
                    *difference = next.wrapping_sub(element).cast_signed();
                }
                _ => mask |= SENSED,
            }
        }
        if (Sensed { channels: before.channels, ..next.sensed }) != *before {
            mask |= SENSED;
        }
        if mask & SENSED != 0 {
            mask &= SENSED | SPAN;
        }
        let mut writer = Writer { room, length: 0 };
        writer.put(&mask)?;
        if mask & SPAN != 0 {
            writer.put(&span_ms)?;
        }
        if mask & SENSED != 0 {
            writer.put(&next.sensed)?;
        }
        for (index, difference) in differences.iter().enumerate() {
            if mask & SENSED == 0 && mask & (1 << index) != 0 {
                writer.put(difference)?;
            }
        }
        let length = writer.length;
        (self.latest, self.span_ms) = (*next, span_ms);
        Ok(length)
    }

    /// Reads the next moment off the start of `bytes`; nothing if they hold none, and then nothing has changed here.
    pub fn read(&mut self, bytes: &mut &[u8]) -> Option<&Moment> {
        let mut reader = *bytes;
        let mask: u8 = get(&mut reader)?;
        let span_ms = if mask & SPAN == 0 { self.span_ms } else { get(&mut reader)? };
        if mask & SENSED == 0 {
            let mut differences = [0; MAX_CHANNELS];
            for (index, (difference, channel)) in differences.iter_mut().zip(&self.latest.sensed.channels).enumerate() {
                if mask & (1 << index) != 0 {
                    if !matches!(channel, Shown::Codes { .. }) {
                        return None;
                    }
                    *difference = get::<i32>(&mut reader)?;
                }
            }
            for (difference, channel) in differences.into_iter().zip(&mut self.latest.sensed.channels) {
                if let Shown::Codes { element, .. } = channel {
                    *element = element.wrapping_add(difference.cast_unsigned());
                }
            }
        } else {
            self.latest.sensed = get(&mut reader)?;
        }
        self.latest.now = Instant::from_millis(self.latest.now.as_millis().wrapping_add(span_ms));
        (self.span_ms, *bytes) = (span_ms, reader);
        Some(&self.latest)
    }
}

/// What steps came to, in a compact form: most do what the one before did, and of most others only the ceiling differs, or the lamp.
///
/// Both sides hold one and keep it in step; [`Doings::NEW`] is where both begin.
#[derive(Clone, Copy, Debug)]
pub struct Doings {
    latest: Option<(Pins, Outputs)>,
    /// Steps that came to the latest and are not written yet.
    again: u16,
}

/// One piece of the compact form. All but the first stand for one step.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
enum Doing {
    /// So many steps like the one before.
    Again(u16),
    /// One that differs from the one before by its pins.
    Pins(Pins),
    /// One that differs by its ceiling.
    Ceiling(Fraction),
    /// One that stands for itself.
    Whole(Pins, Outputs),
}

impl Doings {
    /// Before the first step.
    pub const NEW: Self = Self { latest: None, again: 0 };

    /// Takes in what a step came to, and writes what is to be written by now to the start of `room`. Says how many bytes that took.
    ///
    /// # Errors
    /// [`TooLong`] if `room` is too small; then nothing has changed here. [`MAX_DOINGS`] are enough.
    pub fn write(&mut self, pins: Pins, outputs: &Outputs, room: &mut [u8]) -> Result<usize, TooLong> {
        let doing = match self.latest {
            Some(before) if before == (pins, *outputs) && self.again < u16::MAX => {
                self.again = self.again.saturating_add(1);
                return Ok(0);
            }
            Some((_, same)) if same == *outputs => Doing::Pins(pins),
            Some((same, before)) if same == pins && (Outputs { ceiling: outputs.ceiling, ..before }) == *outputs => {
                Doing::Ceiling(outputs.ceiling)
            }
            Some(_) | None => Doing::Whole(pins, *outputs),
        };
        let mut writer = Writer { room, length: 0 };
        self.write_again(&mut writer)?;
        writer.put(&doing)?;
        *self = Self { latest: Some((pins, *outputs)), again: 0 };
        Ok(writer.length)
    }

    /// Writes what has not been written yet, as [`Doings::write`] does.
    ///
    /// # Errors
    /// As there.
    pub fn finish(&mut self, room: &mut [u8]) -> Result<usize, TooLong> {
        let mut writer = Writer { room, length: 0 };
        self.write_again(&mut writer)?;
        self.again = 0;
        Ok(writer.length)
    }

    fn write_again(&self, writer: &mut Writer<'_>) -> Result<(), TooLong> {
        if self.again > 0 { writer.put(&Doing::Again(self.again)) } else { Ok(()) }
    }

    /// Reads off the start of `bytes` what the next steps came to, and how many they are; nothing if there is nothing to be read.
    pub fn read(&mut self, bytes: &mut &[u8]) -> Option<(u16, Pins, Outputs)> {
        let mut reader = *bytes;
        let (steps, latest) = match (get(&mut reader)?, self.latest) {
            (Doing::Again(steps), Some(latest)) => (steps, latest),
            (Doing::Pins(pins), Some((_, outputs))) | (Doing::Whole(pins, outputs), _) => (1, (pins, outputs)),
            (Doing::Ceiling(ceiling), Some((pins, outputs))) => (1, (pins, Outputs { ceiling, ..outputs })),
            (Doing::Again(_) | Doing::Pins(_) | Doing::Ceiling(_), None) => return None,
        };
        (self.latest, *bytes) = (Some(latest), reader);
        Some((steps, latest.0, latest.1))
    }
}

struct Writer<'a> {
    room: &'a mut [u8],
    length: usize,
}

impl Writer<'_> {
    fn put<T: Serialize>(&mut self, value: &T) -> Result<(), TooLong> {
        let room = self.room.get_mut(self.length..).ok_or(TooLong)?;
        let written = postcard::to_slice(value, room).map_err(|_| TooLong)?.len();
        self.length = self.length.saturating_add(written);
        Ok(())
    }
}

fn get<'a, T: Deserialize<'a>>(reader: &mut &'a [u8]) -> Option<T> {
    let (value, rest) = postcard::take_from_bytes(reader).ok()?;
    *reader = rest;
    Some(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn any_shown() -> impl Strategy<Value = Shown> {
        prop_oneof![
            1 => Just(Shown::Busy),
            1 => Just(Shown::Fault),
            6 => (any::<u32>(), prop_oneof![Just(1_u32 << 16), any::<u32>()], prop_oneof![Just(0), any::<u32>()])
                .prop_map(|(element, reference, lead)| Shown::Codes { element, reference, lead }),
        ]
    }

    fn any_moments() -> impl Strategy<Value = Vec<Moment>> {
        let level = prop::sample::select(&[Level::Low, Level::High, Level::Toggling, Level::Absent][..]);
        let sensed = (prop::array::uniform6(any_shown()), any::<[Option<u32>; 3]>(), prop::array::uniform9(level))
            .prop_map(|(channels, [supply, bank, charge], lines)| Sensed {
                channels,
                supply: supply.map(Millivolts::from_millivolts),
                bank: bank.map(Millivolts::from_millivolts),
                state_of_charge: charge.map(Fraction::from_steps),
                lines,
            });
        // Some of the world is new in a few steps, some codes in most.
        let change =
            (prop_oneof![Just(1000), any::<u32>()], prop::option::weighted(0.2, sensed), any::<[i8; 6]>(), any::<u8>());
        prop::collection::vec(change, 1..60).prop_map(|changes| {
            let mut moment = Moment { now: Instant::from_millis(0), sensed: Sensed::NOTHING };
            changes
                .into_iter()
                .map(|(span, sensed, by, which)| {
                    moment.now = Instant::from_millis(moment.now.as_millis().wrapping_add(span));
                    moment.sensed = sensed.unwrap_or(moment.sensed);
                    for (index, (channel, by)) in moment.sensed.channels.iter_mut().zip(by).enumerate() {
                        if let (Shown::Codes { element, .. }, true) = (channel, which & (1 << index) != 0) {
                            *element = element.wrapping_add_signed(by.into());
                        }
                    }
                    moment
                })
                .collect()
        })
    }

    proptest! {
        #[test]
        fn moments_are_read_as_they_were_written(moments in any_moments()) {
            let mut room = std::vec![0; 20_000];
            let (mut writer, mut length) = (Moments::NEW, 0);
            for moment in &moments {
                length += writer.write(moment, &mut room[length..]).unwrap();
            }
            let (mut reader, mut bytes) = (Moments::NEW, &room[..length]);
            for moment in &moments {
                prop_assert_eq!(reader.read(&mut bytes), Some(moment));
            }
            prop_assert!(bytes.is_empty());
        }

        #[test]
        fn moments_without_room_or_cut_short_change_nothing(moments in any_moments(), room in 0..60_usize) {
            let mut bytes = std::vec![0; room];
            let mut writer = Moments::NEW;
            for moment in &moments {
                let before = writer.clone();
                if let Ok(length) = writer.write(moment, &mut bytes) {
                    let mut reader = before.clone();
                    prop_assert_eq!(reader.read(&mut &bytes[..length - 1]), None);
                    prop_assert_eq!(reader.read(&mut &bytes[..length]), Some(moment));
                } else {
                    prop_assert_eq!(writer.latest, before.latest);
                }
            }
        }

        #[test]
        fn garbage_is_read_from_front_to_back_or_not_at_all(bytes: Vec<u8>) {
            let (mut reader, mut rest) = (Moments::NEW, &bytes[..]);
            loop {
                let (before, left) = (*reader.latest(), rest.len());
                if reader.read(&mut rest).is_none() {
                    let after = (*reader.latest(), rest.len());
                    prop_assert_eq!(after, (before, left), "what cannot be read changes nothing");
                    break;
                }
                prop_assert!(rest.len() < left && bytes.ends_with(rest));
            }
        }
    }

    proptest! {
        #[test]
        fn doings_are_read_as_they_were_written(doings in prop::collection::vec((0..3_u32, any::<u8>(), 0..3_u32, 1..9_u8), 1..60), room in 24..80_usize) {
            let state = |n: u32| forewarm_core::signals::State::PLAIN[n as usize];
            let all = forewarm_core::signals::Outputs::all_off(forewarm_core::fault::SystemFault::ClockJumped);
            let did: Vec<(Pins, Outputs)> = doings
                .into_iter()
                .flat_map(|(which, pins, ceiling, times)| {
                    let outputs = Outputs { state: state(which), ceiling: Fraction::from_steps(ceiling), ..all };
                    core::iter::repeat_n((Pins(pins % 2), outputs), usize::from(times))
                })
                .collect();
            let (mut writer, mut reader, mut heard) = (Doings::NEW, Doings::NEW, Vec::new());
            let mut bytes = std::vec![0; room];
            let mut length = 0;
            let mut send = |bytes: &[u8]| {
                let mut rest = bytes;
                while let Some((steps, pins, outputs)) = reader.read(&mut rest) {
                    heard.extend(core::iter::repeat_n((pins, outputs), steps.into()));
                }
                assert!(rest.is_empty());
            };
            for (pins, outputs) in &did {
                length += writer.write(*pins, outputs, &mut bytes[length..]).unwrap_or_else(|TooLong| {
                    send(&bytes[..length]);
                    length = 0;
                    writer.write(*pins, outputs, &mut bytes).unwrap()
                });
            }
            length += writer.finish(&mut bytes[length..]).unwrap_or_else(|TooLong| {
                send(&bytes[..length]);
                length = 0;
                writer.finish(&mut bytes).unwrap()
            });
            send(&bytes[..length]);
            prop_assert_eq!(heard, did);
        }
    }

    #[test]
    fn a_quiet_step_takes_one_byte_and_a_new_code_one_more() {
        let codes = Shown::Codes { element: 17_000, reference: 1 << 16, lead: 3 };
        let mut moment = Moment {
            now: Instant::from_millis(1000),
            sensed: Sensed { channels: [codes; MAX_CHANNELS], ..Sensed::NOTHING },
        };
        let mut writer = Moments::NEW;
        let mut room = [0; MAX_MOMENTS];
        writer.write(&moment, &mut room).unwrap();
        let mut step = |channels: [Shown; MAX_CHANNELS]| {
            moment.now = Instant::from_millis(moment.now.as_millis() + 1000);
            moment.sensed.channels = channels;
            writer.write(&moment, &mut room).unwrap()
        };
        assert_eq!(step([codes; MAX_CHANNELS]), 1);
        let mut next = [codes; MAX_CHANNELS];
        next[2] = Shown::Codes { element: 17_001, reference: 1 << 16, lead: 3 };
        assert_eq!(step(next), 2);
    }
}

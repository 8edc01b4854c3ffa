#![no_std]
#![forbid(unsafe_code)]
//! The messages between an emulated board and the program that plays the world around it.
//!
//! The emulated processor has no converter, no wires and no memory that outlasts it. It gets what it senses as an
//! [`Order`] and sends what it does as a [`Report`]. The other side keeps its storage, and can cut the power at any
//! write. Time on the board advances only by what an order says. A run is therefore the same, however fast either side
//! is.
//!
//! ```text
//! world: Play { moments }  ─▶
//!                          ◀─ Did { pins and outputs, step by step }  :board
//!                          ◀─ Ask (storage, in between)  Answer ─▶
//!                          ◀─ Ready { next }
//! ```
//!
//! One order is open at a time. Only the answer to an [`Ask`] comes while it is. Reports leave by a serial port; orders
//! come in through the [`inbox`].
//!
//! Board and world are two programs of one version. Nothing else speaks this protocol, so it carries no version number.

#[cfg(test)]
extern crate std;

use forewarm_core::quantity::{Fraction, Instant, Millivolts};
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES};
use forewarm_core::signals::Outputs;
use forewarm_core::wire::frame::TooLong;
use serde::{Deserialize, Serialize};

/// Bytes of the longest order.
pub const MAX_ORDER: usize = 208;
/// Bytes for moments in one order.
pub const MAX_MOMENTS: usize = MAX_ORDER - 16;
/// Bytes of the longest report.
pub const MAX_REPORT: usize = MAX_DOINGS + 8;
/// Bytes of doings in one report at most.
pub const MAX_DOINGS: usize = 64;
/// Bytes of storage that one [`Ask`] writes at most.
pub const MAX_BLOCK: usize = 32;

/// Where the board reads its orders: a ring of bytes in its RAM. The world fills it from outside while the processor
/// runs.
///
/// A byte by a serial port makes the emulator switch threads. That costs a hundred times what the program does with the
/// byte.
///
/// ```text
/// offset 0  bytes that were ever written, counted by the world; 32 bits, little-endian
///        4  bytes that were ever read, counted by the board
///        8  the ring: byte n lies at n modulo BYTES
/// ```
///
/// Both counts outlast a restart, as bytes under way on a line would.
pub mod inbox {
    /// Its address. No program of the emulated board uses this RAM.
    pub const PLACE: u32 = 0x2000_5000;
    /// Bytes under way at most.
    pub const BYTES: u32 = 4096;
    /// The count of bytes written.
    pub const WRITTEN: u32 = PLACE;
    /// The count of bytes read.
    pub const READ: u32 = PLACE + 4;
    /// The ring.
    pub const RING: u32 = PLACE + 8;

    // A power of two lets the counts wrap.
    const _: () = assert!(BYTES.is_power_of_two(), "byte n lies at n modulo BYTES, wherever n has wrapped");
}

/// Where the board reads its storage, as a microcontroller reads its flash: in its memory. The world fills it when the
/// board asks.
pub mod mirror {
    use super::inbox;

    /// Its address. No program of the emulated board uses this RAM.
    pub const PLACE: u32 = 0x2000_8000;
    /// Bytes of storage.
    pub const BYTES: u32 = 8 * 1024;

    const _: () = assert!(inbox::RING + inbox::BYTES <= PLACE, "the inbox lies before it");
}

/// What the world sends to the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Order<'a> {
    /// Take the steps that `moments` holds, one after the other.
    Play {
        /// The number of the first step. The board refuses an order whose first step is not the next one.
        first: u32,
        /// [`Moments`] in their compact form. The first is relative to the last one of the order before.
        moments: &'a [u8],
    },
    /// The answer to an [`Ask`].
    Answer(Answer),
    /// Report how much of the stack has been used since the start.
    Stack,
    /// Hang, as a program does that has lost its way. Only an image built for tests knows this order.
    Hang,
}

/// What the board asks the world to do with its storage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Ask<'a> {
    /// Put all of it into the [`mirror`].
    Show,
    /// Clear bits of erased storage, as flash does.
    Write {
        /// Offset.
        at: u32,
        /// Bytes, at most [`MAX_BLOCK`].
        bytes: &'a [u8],
    },
    /// Set every bit from `from` to before `to`.
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

/// What the board sends to the world.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Report<'a> {
    /// It waits for an order. The board sends this after a start, with `next` 0, and at the end of each order.
    Ready {
        /// The number of the next step.
        next: u32,
    },
    /// What the board did in the next steps.
    Did {
        /// [`Doings`] in their compact form. The first is relative to the last one of the report before.
        doings: &'a [u8],
    },
    /// It needs storage.
    Ask(#[serde(borrow)] Ask<'a>),
    /// The board did not obey an order: it was out of turn, or not readable.
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
    /// It changes each time the pin is read.
    Toggling,
    /// The pin cannot be read, or nothing is fitted to it.
    Absent,
}

/// The number of lines: one for each source by its index, then those below.
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
    /// Everything but the clock.
    pub sensed: Sensed,
}

/// Everything that the board senses in one step, without the time.
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

/// Moments in a compact form. Most steps hold only the codes that differ from those of the step before, as differences.
///
/// The number of bytes limits how fast a winter is played. A step takes less time to compute than its bytes take to
/// transfer.
///
/// ```text
/// moment = mask, [ span ], [ sensed ] or for each channel in mask [ difference of the element's code ]
/// mask   = bit 7: sensed follows whole; bit 6: the span of time to the moment before follows, otherwise it is as it was;
///          bits 0 to 5: which channels show another code of their element, and nothing else new
/// ```
///
/// Both sides hold one and keep it in step. Both begin with [`Moments::NEW`].
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

    /// Writes `next` to the start of `room`, and returns how many bytes it wrote.
    ///
    /// # Errors
    /// [`TooLong`] if `room` is too small. Nothing has then changed here.
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

    /// Reads the next moment off the start of `bytes`. Returns nothing if they hold none; nothing has then changed
    /// here.
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

/// What the board did in each step, in a compact form. Most steps do the same as the one before. In most others only
/// the ceiling or the lamp differs.
///
/// Both sides hold one and keep it in step. Both begin with [`Doings::NEW`].
#[derive(Clone, Copy, Debug)]
pub struct Doings {
    latest: Option<(Pins, Outputs)>,
    /// Steps that did the same as the latest one and are not yet written.
    again: u16,
}

/// One piece of the compact form. Every piece but `Again` stands for one step.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
enum Doing {
    /// This many steps like the one before.
    Again(u16),
    /// A step that differs from the one before only by its pins.
    Pins(Pins),
    /// A step that differs only by its ceiling.
    Ceiling(Fraction),
    /// A step written in full.
    Whole(Pins, Outputs),
}

impl Doings {
    /// Before the first step.
    pub const NEW: Self = Self { latest: None, again: 0 };

    /// Takes in what one step did. Writes what is due to the start of `room`, and returns how many bytes it wrote.
    ///
    /// # Errors
    /// [`TooLong`] if `room` is too small. Nothing has then changed here. [`MAX_DOINGS`] bytes are enough.
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
    /// Those of [`Doings::write`].
    pub fn finish(&mut self, room: &mut [u8]) -> Result<usize, TooLong> {
        let mut writer = Writer { room, length: 0 };
        self.write_again(&mut writer)?;
        self.again = 0;
        Ok(writer.length)
    }

    fn write_again(&self, writer: &mut Writer<'_>) -> Result<(), TooLong> {
        if self.again > 0 { writer.put(&Doing::Again(self.again)) } else { Ok(()) }
    }

    /// Reads off the start of `bytes` what the next steps did, and how many steps these are. Returns nothing if the
    /// bytes hold no more.
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
        // Few steps change everything else; most change some codes.
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

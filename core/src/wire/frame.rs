//! Frames: where a message begins and ends, and whether it has arrived as it was sent.
//!
//! ```text
//! frame   = COBS( protocol, message, checksum ) 0x00
//! message = postcard
//! ```
//!
//! Only the last byte of a frame is zero. So a receiver that joins late or has lost bytes finds the next frame at the
//! next zero. A frame without the right checksum is dropped whole.

use super::{CRC, CRC_BYTES, checked};
use core::fmt;
use postcard::ser_flavors::crc::CrcModifier;
use postcard::ser_flavors::{Cobs, Slice};
use serde::{Deserialize, Serialize};

/// Version of frames and messages. A receiver that hears another one reports it to its user, or counts a dropped frame.
pub const PROTOCOL: u8 = 2;

/// Bytes of a frame around a message of at most `message` bytes.
#[must_use]
pub const fn frame_bytes(message: usize) -> usize {
    let body = message.saturating_add(1).saturating_add(CRC_BYTES);
    // COBS adds one byte and one for each 254; the zero ends it.
    body.saturating_add(body / 254).saturating_add(2)
}

/// A message that does not fit into the room it was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TooLong;

/// Why a frame brought no message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FrameError {
    /// Longer than any frame that is expected here.
    TooLong,
    /// It is not what was sent: cut short, joined, or with a wrong checksum.
    Damaged,
    /// It arrived whole, in another version of the protocol.
    OtherProtocol(u8),
    /// It arrived whole, and holds no message that is known here.
    Unknown,
}

impl fmt::Display for FrameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLong => f.write_str("a frame is longer than any that is expected"),
            Self::Damaged => f.write_str("a frame did not arrive as it was sent"),
            Self::OtherProtocol(theirs) => {
                write!(f, "the other side speaks version {theirs} of the protocol, this side version {PROTOCOL}")
            }
            Self::Unknown => f.write_str("a frame holds no message that is known here"),
        }
    }
}

impl core::error::Error for FrameError {}

/// Writes `message` as one frame, its final zero included, to the start of `room`.
///
/// # Errors
/// [`TooLong`] if `room` is too small; see [`frame_bytes`].
pub fn encode<'a, T: Serialize>(message: &T, room: &'a mut [u8]) -> Result<&'a mut [u8], TooLong> {
    let cobs = Cobs::try_new(Slice::new(room)).map_err(|_| TooLong)?;
    postcard::serialize_with_flavor(&(PROTOCOL, message), CrcModifier::new(cobs, CRC.digest())).map_err(|_| TooLong)
}

/// Reads the message of one frame without its final zero, in place.
///
/// # Errors
/// Each [`FrameError`] but the first.
pub fn decode<'a, T: Deserialize<'a>>(frame: &'a mut [u8]) -> Result<T, FrameError> {
    let length = cobs::decode_in_place(frame).map_err(|_| FrameError::Damaged)?;
    let frame: &'a [u8] = frame;
    let body = frame.get(..length).and_then(checked).ok_or(FrameError::Damaged)?;
    let (&protocol, message) = body.split_first().ok_or(FrameError::Damaged)?;
    if protocol != PROTOCOL {
        return Err(FrameError::OtherProtocol(protocol));
    }
    match postcard::take_from_bytes(message) {
        Ok((message, [])) => Ok(message),
        Ok(_) | Err(_) => Err(FrameError::Unknown),
    }
}

/// Gathers the bytes of a line into frames of at most `N` bytes.
#[derive(Debug)]
pub struct Receiver<const N: usize> {
    bytes: [u8; N],
    length: usize,
    overflowed: bool,
}

impl<const N: usize> Receiver<N> {
    /// A receiver that has seen nothing yet.
    pub const NEW: Self = Self { bytes: [0; N], length: 0, overflowed: false };

    /// Takes in one byte. After the last byte of a frame it returns the frame's length without the zero. The frame is
    /// then at the start of [`Receiver::room`], until the next byte.
    ///
    /// An empty frame is ignored: a sender may begin with a zero to end whatever was on the line before.
    ///
    /// # Errors
    /// [`FrameError::TooLong`] at the end of a frame that was longer than `N`.
    pub fn take(&mut self, byte: u8) -> Option<Result<usize, FrameError>> {
        if byte != 0 {
            match self.bytes.get_mut(self.length) {
                Some(place) => {
                    *place = byte;
                    self.length = self.length.saturating_add(1);
                }
                None => self.overflowed = true,
            }
            return None;
        }
        let length = core::mem::take(&mut self.length);
        if core::mem::take(&mut self.overflowed) {
            return Some(Err(FrameError::TooLong));
        }
        (length > 0).then_some(Ok(length))
    }

    /// Where frames are gathered. The caller may use it between a frame and the next byte.
    pub const fn room(&mut self) -> &mut [u8; N] {
        &mut self.bytes
    }

    /// Reads the message of the frame of this `length` that has just been taken in.
    ///
    /// # Errors
    /// As [`decode`].
    pub fn message<'a, T: Deserialize<'a>>(&'a mut self, length: usize) -> Result<T, FrameError> {
        decode(self.bytes.get_mut(..length).ok_or(FrameError::TooLong)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn framed(message: &[u8]) -> Vec<u8> {
        let mut room = std::vec![0; frame_bytes(message.len() + 3)];
        encode(&message, &mut room).unwrap().to_vec()
    }

    /// All that a receiver makes of a line.
    fn received(line: &[u8]) -> Vec<Result<Vec<u8>, FrameError>> {
        let mut receiver = Receiver::<400>::NEW;
        let mut frames = Vec::new();
        for &byte in line {
            if let Some(frame) = receiver.take(byte) {
                frames.push(frame.and_then(|length| receiver.message::<&[u8]>(length).map(<[u8]>::to_vec)));
            }
        }
        frames
    }

    proptest! {
        #[test]
        fn what_was_sent_arrives(messages in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..300), 0..5)) {
            let line: Vec<u8> = messages.iter().flat_map(|message| framed(message)).collect();
            let expected: Vec<_> = messages.into_iter().map(Ok).collect();
            prop_assert_eq!(received(&line), expected);
        }

        #[test]
        fn a_changed_bit_is_never_taken_for_a_message(message in prop::collection::vec(any::<u8>(), 0..300), at: prop::sample::Index, bit in 0..8_u32) {
            let mut line = framed(&message);
            let at = at.index(line.len() - 1);
            line[at] ^= 1 << bit;
            prop_assert!(received(&line).iter().all(Result::is_err));
        }

        #[test]
        fn after_garbage_the_next_frame_arrives(garbage in prop::collection::vec(any::<u8>(), 0..2_000), message in prop::collection::vec(any::<u8>(), 0..300)) {
            let mut line = garbage;
            line.push(0);
            line.extend(framed(&message));
            let frames = received(&line);
            prop_assert_eq!(frames.last(), Some(&Ok(message)));
            prop_assert!(frames.iter().rev().skip(1).all(Result::is_err));
        }

        /// Bytes that no sender of this version means, under a checksum that is right.
        #[test]
        fn a_whole_frame_that_holds_no_message_is_named(
            protocol in prop_oneof![Just(PROTOCOL), any::<u8>()], rest in prop::collection::vec(0..4_u8, 0..4),
        ) {
            let body = [&[protocol][..], &rest].concat();
            let mut frame = body.clone();
            frame.extend(CRC.checksum(&body).to_le_bytes());
            let mut room = std::vec![0; frame_bytes(body.len())];
            let length = cobs::encode(&frame, &mut room);
            // One byte for yes or no, and none left over.
            let known = body[0] == PROTOCOL && body.len() == 2 && body[1] < 2;
            match decode::<bool>(&mut room[..length]) {
                Ok(_) => prop_assert!(known),
                Err(FrameError::OtherProtocol(other)) => prop_assert!(other == body[0] && other != PROTOCOL),
                Err(error) => prop_assert!(error == FrameError::Unknown && body[0] == PROTOCOL && !known),
            }
        }

        #[test]
        fn a_frame_that_is_cut_short_is_dropped(message in prop::collection::vec(any::<u8>(), 0..300), keep: prop::sample::Index) {
            let mut line = framed(&message);
            line.truncate(keep.index(line.len() - 1));
            line.push(0);
            prop_assert!(received(&line).iter().all(Result::is_err));
        }
    }

    #[test]
    fn a_frame_that_is_too_long_is_named_and_the_next_one_heard() {
        let mut line = framed(&[7; 500]);
        line.extend(framed(b"next"));
        assert_eq!(received(&line), [Err(FrameError::TooLong), Ok(b"next".to_vec())]);
    }

    #[test]
    fn another_version_is_told_apart_from_damage() {
        let mut room = [0; 64];
        let cobs = Cobs::try_new(Slice::new(&mut room)).unwrap();
        let other = (PROTOCOL + 1, 42_u8);
        let line = postcard::serialize_with_flavor(&other, CrcModifier::new(cobs, CRC.digest())).unwrap();
        assert_eq!(received(line), [Err(FrameError::OtherProtocol(PROTOCOL + 1))]);
    }

    #[test]
    fn more_in_a_frame_than_its_message_is_not_that_message() {
        let mut room = [0; 64];
        let frame = encode(&(1_u8, 2_u8), &mut room).unwrap();
        let length = frame.len() - 1;
        assert_eq!(decode::<u8>(&mut room[..length]), Err(FrameError::Unknown));
    }
}

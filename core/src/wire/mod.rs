//! What goes over a serial line: frames, and the messages in them.
//!
//! A [`frame`] carries one message, whole or not at all. The service line of every controller carries a [`Request`](service::Request) one way
//! and a [`Message`](service::Message) the other. Settings travel and are stored as a [`record`].
//!
//! Nothing here decides anything. The control path does not use it.

pub mod frame;
pub mod record;
pub mod service;

use crc::{CRC_32_ISO_HDLC, Crc};

/// The checksum of frames, records and images: CRC-32 as in ISO/IEC/IEEE 8802-3, under its catalogue name.
const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// Bytes of the checksum, least significant first.
const CRC_BYTES: usize = 4;

/// The checksum of words that do not lie together, each with its least significant byte first.
#[must_use]
pub fn checksum(words: impl Iterator<Item = u32>) -> u32 {
    let mut digest = CRC.digest();
    words.for_each(|word| digest.update(&word.to_le_bytes()));
    digest.finalize()
}

/// Splits off and verifies the checksum at the end of `bytes`.
fn checked(bytes: &[u8]) -> Option<&[u8]> {
    let (body, sum) = bytes.split_last_chunk::<CRC_BYTES>()?;
    (CRC.checksum(body) == u32::from_le_bytes(*sum)).then_some(body)
}

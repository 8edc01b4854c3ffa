//! Settings as they travel and as they are stored.
//!
//! ```text
//! record = version, postcard(settings), checksum
//! ```
//!
//! The checksum is also the record's [`fingerprint`]: two records with the same one hold the same settings.

use super::{CRC, CRC_BYTES, checked};
use crate::settings::Settings;
use crate::wire::frame::TooLong;
use core::fmt;

/// Version of what is in a record. It changes with every change of [`Settings`].
pub const VERSION: u8 = 1;

/// The longest record, with every channel, source and ceiling point there can be; held by `the_longest_record_fits`.
pub const MAX_BYTES: usize = 600;

/// Why a record holds no settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[derive(serde::Serialize, serde::Deserialize)]
pub enum RecordError {
    /// It is not what was written.
    Damaged,
    /// It is whole, and of another version.
    OtherVersion(u8),
    /// It is whole and of this version, and holds something that no settings can hold.
    Malformed,
}

impl fmt::Display for RecordError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged => f.write_str("the settings are damaged"),
            Self::OtherVersion(theirs) => {
                write!(f, "the settings are of version {theirs}; this firmware reads version {VERSION}")
            }
            Self::Malformed => f.write_str("the settings hold something that no settings can hold"),
        }
    }
}

impl core::error::Error for RecordError {}

/// Writes `settings` as a record to the start of `room`. [`MAX_BYTES`] are enough.
///
/// # Errors
/// [`TooLong`] if `room` is too small.
pub fn encode<'a>(settings: &Settings, room: &'a mut [u8]) -> Result<&'a [u8], TooLong> {
    let slice = postcard::ser_flavors::Slice::new(room);
    let flavor = postcard::ser_flavors::crc::CrcModifier::new(slice, CRC.digest());
    let record = postcard::serialize_with_flavor(&(VERSION, settings), flavor).map_err(|_| TooLong)?;
    Ok(record)
}

/// The settings of a record, not validated yet.
///
/// # Errors
/// Each [`RecordError`].
pub fn decode(record: &[u8]) -> Result<Settings, RecordError> {
    let body = checked(record).ok_or(RecordError::Damaged)?;
    let (&version, settings) = body.split_first().ok_or(RecordError::Damaged)?;
    if version != VERSION {
        return Err(RecordError::OtherVersion(version));
    }
    match postcard::take_from_bytes(settings) {
        Ok((settings, [])) => Ok(settings),
        Ok(_) | Err(_) => Err(RecordError::Malformed),
    }
}

/// What tells one record from another; zero for one that is too short to be any.
#[must_use]
pub fn fingerprint(record: &[u8]) -> u32 {
    record.last_chunk::<CRC_BYTES>().map_or(0, |sum| u32::from_le_bytes(*sum))
}

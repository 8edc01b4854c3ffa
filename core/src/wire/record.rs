//! Settings as they travel and as they are stored.
//!
//! ```text
//! record = version, postcard(settings), checksum
//! ```
//!
//! The checksum finds damage, but anyone can make another record with the same checksum. People compare the
//! [`Fingerprint`].

use super::{CRC, CRC_BYTES, checked};
use crate::settings::Settings;
use crate::wire::frame::TooLong;
use core::fmt;
use serde::Deserialize;
use sha2::{Digest, Sha256};

/// Version of what is in a record. It changes with every change of [`Settings`].
pub const VERSION: u8 = 2;

/// The longest record, with every channel, source and ceiling point there can be; held by `the_longest_record_fits`.
pub const MAX_BYTES: usize = 632;

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
    // Not by `take_from_bytes`, whose tuple holds them once more: this is where a stack of a few kilobytes is at its deepest.
    let mut deserializer = postcard::Deserializer::from_bytes(settings);
    let settings = Settings::deserialize(&mut deserializer).map_err(|_| RecordError::Malformed);
    match deserializer.finalize() {
        Ok([]) => settings,
        Ok(_) | Err(_) => Err(RecordError::Malformed),
    }
}

/// The checksum of a record. It differs for a damaged or an older record, but need not for one that is made to look
/// like it. Zero for bytes too short to be a record.
#[must_use]
pub fn checksum(record: &[u8]) -> u32 {
    record.last_chunk::<CRC_BYTES>().map_or(0, |sum| u32::from_le_bytes(*sum))
}

/// Identifies a record, even against one made to pass for it: the first 128 bits of the SHA-256 (FIPS 180-4) of the
/// whole record.
///
/// To find another record with a given fingerprint takes 2¹²⁸ attempts. To make two records with one fingerprint, one
/// to be approved and one to be put in its place, takes 2⁶⁴. Half as many bits would be quick to compare, but the
/// second attack would take an hour. So there is no short form: people compare all eight groups.
///
/// Shown as eight groups of four hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fingerprint([u8; 16]);

impl Fingerprint {
    /// The fingerprint of no record.
    pub const NONE: Self = Self([0; 16]);
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, pair) in self.0.chunks(2).enumerate() {
            if index > 0 {
                f.write_str("-")?;
            }
            for byte in pair {
                write!(f, "{byte:02x}")?;
            }
        }
        Ok(())
    }
}

/// The fingerprint of a record.
#[must_use]
pub fn fingerprint(record: &[u8]) -> Fingerprint {
    let digest: [u8; 32] = Sha256::digest(record).into();
    let mut first = Fingerprint::NONE;
    for (to, from) in first.0.iter_mut().zip(digest) {
        *to = from;
    }
    first
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Celsius, Fraction, Kelvins, Milliwatts, Ohms};
    use crate::rtd::{Coefficients, Element, Leads};
    use crate::settings::{
        BankUse, CeilingPoint, Channel, MAX_CEILING_POINTS, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, Source,
    };
    use crate::testing::{any_settings, wild_settings};
    use proptest::prelude::*;

    fn there_and_back(settings: &Settings) {
        let mut room = [0; MAX_BYTES];
        let record = encode(settings, &mut room).expect("it fits");
        assert_eq!(decode(record).as_ref(), Ok(settings));
    }

    proptest! {
        #[test]
        fn settings_are_read_as_they_were_written(settings in any_settings()) {
            there_and_back(&settings);
        }

        /// Every number as long as numbers are.
        #[test]
        fn the_longest_record_fits(mut settings in wild_settings(), taps: bool) {
            let celsius = Celsius::from_millidegrees(i32::MIN);
            let element = Element::new(
                Ohms::from_milliohms(15_999_999),
                Coefficients::new(40_999_999, -69_999_999, -59_999_999).unwrap(),
            );
            let two = Leads::TwoWire { loop_at_20c: Ohms::MAX, at: celsius };
            let three = Leads::ThreeWire { least: Ohms::MAX, most: Ohms::MAX };
            let channel = Channel {
                role: Role::Cell,
                element: element.unwrap(),
                reference: Ohms::MAX,
                leads: if taps { three } else { two },
                offset: Kelvins::from_millikelvins(i32::MIN),
            };
            let point = CeilingPoint { at: celsius, limit: Fraction::from_steps(u32::MAX) };
            let most = crate::quantity::Milliamps::MAX;
            let charge = crate::settings::ChargeCurrent::InSteps { reduced: most, most };
            let source = Source { budget: Milliwatts::MAX, priority: u8::MAX, settle: crate::quantity::Millis::MAX, charge };
            settings.channels = core::iter::repeat_n(channel, MAX_CHANNELS).collect();
            settings.charge.ceiling = core::iter::repeat_n(point, MAX_CEILING_POINTS).collect();
            settings.sources = core::iter::repeat_n(source, MAX_SOURCES).collect();
            let most = crate::quantity::Millivolts::MAX;
            settings.bank = BankUse::Always(Reserve::Voltage { floor: most, resume: most, sag: most });
            there_and_back(&settings);
        }

        #[test]
        fn garbage_is_damage(bytes: std::vec::Vec<u8>) {
            prop_assert_eq!(decode(&bytes), Err(RecordError::Damaged));
        }

        /// Bytes that nobody wrote as settings, under a checksum that is right: told by their version, or malformed, or
        /// settings that can be written.
        #[test]
        fn whatever_has_a_right_checksum_is_named_or_is_settings(
            settings in any_settings(), version in prop_oneof![4 => Just(VERSION), 1 => any::<u8>()],
            changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
            keep: prop::sample::Index, whole: bool,
        ) {
            let mut room = [0; MAX_BYTES];
            let mut body = checked(encode(&settings, &mut room).unwrap()).unwrap().to_vec();
            for (at, byte) in &changes {
                let at = at.index(body.len());
                body[at] = *byte;
            }
            body[0] = version;
            if !whole {
                body.truncate(1 + keep.index(body.len()));
            }
            body.extend(CRC.checksum(&body).to_le_bytes());
            match decode(&body) {
                Err(RecordError::OtherVersion(other)) => prop_assert!(other == version && version != VERSION),
                Err(RecordError::Malformed) => prop_assert!(version == VERSION && (!changes.is_empty() || !whole)),
                Ok(read) => {
                    prop_assert_eq!(version, VERSION);
                    prop_assert!(!changes.is_empty() || read == settings);
                    there_and_back(&read);
                    // Whatever it holds, whether it makes sense is for `validate` to say, and it can be asked.
                    let _ = read.validate();
                }
                Err(RecordError::Damaged) => prop_assert!(false, "the checksum is right"),
            }
        }

        #[test]
        fn random_bytes_under_a_right_checksum_are_malformed(
            mut body in prop::collection::vec(any::<u8>(), 0..MAX_BYTES),
        ) {
            body.insert(0, VERSION);
            body.extend(CRC.checksum(&body).to_le_bytes());
            match decode(&body) {
                Err(error) => prop_assert_eq!(error, RecordError::Malformed),
                Ok(read) => there_and_back(&read),
            }
        }

        #[test]
        fn more_in_a_record_than_its_settings_is_not_those_settings(settings in any_settings(), more: u8) {
            let mut room = [0; MAX_BYTES];
            let mut body = checked(encode(&settings, &mut room).unwrap()).unwrap().to_vec();
            body.push(more);
            body.extend(CRC.checksum(&body).to_le_bytes());
            prop_assert_eq!(decode(&body), Err(RecordError::Malformed));
        }

        #[test]
        fn a_changed_bit_is_damage(settings in any_settings(), at: prop::sample::Index, bit in 0..8_u32) {
            let mut room = [0; MAX_BYTES];
            let length = encode(&settings, &mut room).unwrap().len();
            let record = &mut room[..length];
            record[at.index(length)] ^= 1 << bit;
            prop_assert_eq!(decode(record), Err(RecordError::Damaged));
        }
    }

    /// FIPS 180-4's own examples, "abc" and 56 letters (NIST, SHA-256 example values): the first half of each digest.
    #[test]
    fn the_fingerprint_is_the_first_half_of_sha_256() {
        for (bytes, shown) in [
            (&b"abc"[..], "ba78-16bf-8f01-cfea-4141-40de-5dae-2223"),
            (b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", "248d-6a61-d206-38b8-e5c0-2693-0c3e-6039"),
        ] {
            assert_eq!(std::string::ToString::to_string(&fingerprint(bytes)), shown);
        }
    }

    /// Four bytes can be found that give any record any checksum, as CRC-32 is linear; its fingerprint they do not give.
    #[test]
    fn a_record_that_is_made_to_have_the_checksum_of_another_has_another_fingerprint() {
        let (mut room, mut other_room) = ([0; MAX_BYTES], [0; MAX_BYTES]);
        let mut settings = crate::testing::settings();
        let approved = encode(&settings, &mut room).unwrap();
        settings.charge.inhibit = Celsius::from_millidegrees(1_000);
        let forged = encode(&settings, &mut other_room).unwrap();
        let mut forged = std::vec::Vec::from(&forged[..forged.len() - CRC_BYTES]);
        // The last four bytes that make the checksum of all before them that of the approved record, found bit by bit.
        let target = checksum(approved);
        let at = forged.len();
        forged.extend([0; 4]);
        let of = |bytes: &[u8]| CRC.checksum(bytes);
        let base = of(&forged);
        let mut rows: std::vec::Vec<(u32, u32)> = (0..32)
            .map(|bit| {
                let mut with = forged.clone();
                with[at + bit / 8] ^= 1 << (bit % 8);
                (of(&with) ^ base, 1 << bit)
            })
            .collect();
        let (mut left, mut patch) = (target ^ base, 0);
        for bit in 0..32 {
            let row = rows.iter().position(|(effect, _)| effect >> bit & 1 == 1).unwrap();
            let (effect, bits) = rows.swap_remove(row);
            for other in &mut rows {
                if other.0 >> bit & 1 == 1 {
                    *other = (other.0 ^ effect, other.1 ^ bits);
                }
            }
            if left >> bit & 1 == 1 {
                (left, patch) = (left ^ effect, patch ^ bits);
            }
        }
        forged[at..].copy_from_slice(&u32::to_le_bytes(patch));
        forged.extend(target.to_le_bytes());
        assert!(checked(&forged).is_some() && checksum(&forged) == checksum(approved), "that was easy");
        assert_ne!(fingerprint(&forged), fingerprint(approved));
    }

    #[test]
    fn a_record_of_another_version_says_so() {
        let slice = postcard::ser_flavors::Slice::new;
        let mut room = [0; 16];
        let flavor = postcard::ser_flavors::crc::CrcModifier::new(slice(&mut room), CRC.digest());
        let other = postcard::serialize_with_flavor(&(VERSION + 1, 7_u8), flavor).unwrap();
        assert_eq!(decode(other), Err(RecordError::OtherVersion(VERSION + 1)));
        let mut room = [0; 16];
        let flavor = postcard::ser_flavors::crc::CrcModifier::new(slice(&mut room), CRC.digest());
        let short = postcard::serialize_with_flavor(&(VERSION, 7_u8), flavor).unwrap();
        assert_eq!(decode(short), Err(RecordError::Malformed));
    }
}

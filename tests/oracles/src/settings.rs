//! Records of settings behind a right checksum.

use forewarm_core::Memory;
use forewarm_core::Unit;
use forewarm_core::quantity::Instant;
use forewarm_core::settings::{Settings, SettingsError};
use forewarm_core::signals::Inputs;
use forewarm_core::wire::record::{self, RecordError};

/// The checksum of records and frames, by its catalogue name.
pub(crate) const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// `body` with its checksum behind it.
pub(crate) fn with_checksum(body: &[u8]) -> Vec<u8> {
    [body, &CRC.checksum(body).to_le_bytes()].concat()
}

/// A record that is whole is named, or is settings that are written as they were read. What is refused has a place and
/// a reason, and all of them come to light at once. What is accepted makes a unit.
///
/// # Panics
/// If not.
pub fn settings(data: &[u8]) {
    // Most of the bytes are for what lies behind the version.
    let body = match data.split_first() {
        Some((255, raw)) => raw.to_vec(),
        Some((_, rest)) => [&[record::VERSION], rest].concat(),
        None => return,
    };
    let whole = with_checksum(&body);
    let read = match record::decode(&whole) {
        Ok(read) => read,
        Err(RecordError::OtherVersion(theirs)) => {
            assert!(theirs == body[0] && theirs != record::VERSION);
            return;
        }
        Err(RecordError::Malformed) => {
            assert_eq!(body[0], record::VERSION);
            return;
        }
        Err(RecordError::Damaged) => {
            assert!(body.is_empty(), "the checksum is right");
            return;
        }
    };
    assert_eq!(there_and_back(&read), read);
    let longer = with_checksum(&[&body[..], &[0]].concat());
    assert_eq!(record::decode(&longer), Err(RecordError::Malformed), "there is more than settings");
    let mut refusals = Vec::new();
    read.check(|refusal| refusals.push(refusal));
    refusals.iter().for_each(has_a_place);
    let valid = match read.clone().validate() {
        Ok(valid) => valid,
        Err(refusal) => {
            assert_eq!(refusals.first(), Some(&refusal), "the first that is reported is the one that counts");
            return;
        }
    };
    assert!(refusals.is_empty(), "{refusals:?}");
    assert_eq!(&*valid, &read);
    let mut unit = Unit::new(&valid, Memory::default());
    for second in 0..4 {
        let outputs = unit.step(Instant::from_millis(second * 1000), &Inputs::DEAD);
        assert_eq!((outputs.heater, outputs.charge), outputs.state.relays());
    }
}

fn there_and_back(settings: &Settings) -> Settings {
    let mut room = [0; record::MAX_BYTES];
    let record = record::encode(settings, &mut room).expect("the longest record fits");
    record::decode(record).expect("what was written is read")
}

/// A fitter finds the setting by its name as the file has it.
fn has_a_place(refusal: &SettingsError) {
    let (text, why) = (refusal.to_string(), refusal.why());
    let names = ["charge", "heater", "channel", "source", "bank", "trust"];
    assert!(names.iter().any(|name| text.contains(name)), "no place in {text}");
    assert!(!why.is_empty(), "no reason for {text}");
}

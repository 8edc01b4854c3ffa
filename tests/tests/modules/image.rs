//! What the board does with an image that is not what was built.

use crate::bench::{Bench, framed, image};
use forewarm_core::wire::service::Request;
use forewarm_firmware::seal::{SECTION, Seal};
use object::{Object, ObjectSection};
use serde_json::json;
use std::ops::Range;

/// The bytes of a section in the file of the image.
fn bytes_of(image: &[u8], section: &str) -> Range<usize> {
    let file = object::File::parse(image).expect("an image");
    let (at, length) = file.section_by_name(section).and_then(|section| section.file_range()).expect("a section");
    usize::try_from(at).expect("an index")..usize::try_from(at + length).expect("an index")
}

/// Whether a board with this image answers. It has no settings, so it closes no relay.
fn answers(image: &[u8]) -> bool {
    let mut bench = Bench::with_image(image);
    let started = bench.order(&json!({ "run": { "ms": 300 } }));
    let asked = bench.order(&json!({ "hear": framed(&Request::Identify), "run": { "ms": 300 } }));
    for seen in [&started, &asked] {
        assert!(seen.rests() && seen.moves.iter().all(|(pin, is_high)| pin == "alarm" || !is_high), "{:?}", seen.moves);
    }
    !asked.messages.is_empty()
}

#[test]
fn an_image_with_a_bit_changed_or_without_its_seal_does_nothing() {
    let image = image();
    assert!(answers(&image));
    let seal = bytes_of(&image, SECTION);
    assert_eq!(seal.len(), Seal::BYTES);
    let mut unsealed = image.clone();
    unsealed[seal.clone()].copy_from_slice(&Seal::NONE.to_bytes());
    assert!(!answers(&unsealed), "without a seal");
    // As it is left when the writing ends early: the rest is erased.
    let constants = bytes_of(&image, ".rodata");
    let mut short = image.clone();
    for rest in [constants.start + constants.len() / 2..constants.end, bytes_of(&image, ".data"), seal] {
        short[rest].fill(u8::MAX);
    }
    assert!(!answers(&short), "half written");
    let of = |section| {
        let bytes = bytes_of(&image, section);
        [bytes.start, bytes.start + bytes.len() / 2, bytes.end - 1]
    };
    // Of the code only the end: what runs before the check may need the rest.
    let end_of_code = bytes_of(&image, ".text").end - 1;
    for at in [".rodata", ".data", SECTION].into_iter().flat_map(of).chain([end_of_code]) {
        let mut changed = image.clone();
        // Not the lowest: the emulator gives up at an address that is not a word's, where the part itself would fault.
        changed[at] ^= 4;
        assert!(!answers(&changed), "byte {at} of the file");
    }
}

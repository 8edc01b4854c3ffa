//! Boards as they are flashed: builds their images as they are flashed, and checks where their parts lie.

use forewarm_tests::build_images;
use object::{Object, ObjectSymbol};
use std::ops::Range;

/// The addresses of what is loaded into flash memory.
pub(crate) fn image(target: &str, board: &str) -> Vec<Range<u32>> {
    let [image] = build_images([target], board, Some("sim/demo/hut.toml"), &[], env!("CARGO_TARGET_TMPDIR"));
    loaded(&std::fs::read(image).expect("an image"))
}

/// Physical addresses of what a little-endian 32-bit ELF file loads.
fn loaded(elf: &[u8]) -> Vec<Range<u32>> {
    let word = |at: usize| u32::from_le_bytes(elf[at..at + 4].try_into().expect("four bytes"));
    let half = |at: usize| usize::from(u16::from_le_bytes([elf[at], elf[at + 1]]));
    assert_eq!(elf[..6], *b"\x7fELF\x01\x01");
    let (table, size, count) = (word(28) as usize, half(42), half(44));
    let headers = (0..count).map(|index| table + index * size);
    // Type 1 is loaded. A segment with nothing in the file is cleared at the start.
    headers
        .filter(|&at| word(at) == 1 && word(at + 16) > 0)
        .map(|at| word(at + 12)..word(at + 12) + word(at + 16))
        .collect()
}

#[test]
fn the_image_for_the_rp2040_leaves_alone_what_is_kept_over_a_loss_of_power() {
    let loaded = image("thumbv6m-none-eabi", "rp2040");
    // The last 16 KiB of 2 MiB. `storage.rs` of the board has the same figures.
    let kept = 0x101F_C000..0x1020_0000;
    for part in &loaded {
        assert!(part.start >= 0x1000_0000 && part.end <= kept.start, "{part:x?}");
    }
    assert!(loaded.contains(&(0x1000_0000..0x1000_0100)), "nothing for the ROM to start: {loaded:x?}");
    assert!(loaded.iter().any(|part| part.start == 0x1000_0100), "no vector table behind it: {loaded:x?}");
}

/// While flash memory is written, nothing in it can be read.
#[test]
fn what_runs_while_the_rp2040_writes_flash_memory_lies_in_ram() {
    let [image] =
        build_images(["thumbv6m-none-eabi"], "rp2040", Some("sim/demo/van.toml"), &[], env!("CARGO_TARGET_TMPDIR"));
    let bytes = std::fs::read(image).expect("an image");
    let file = object::File::parse(&*bytes).expect("an image");
    // A jump that is too far for an instruction goes by a few in between, which lie with their caller.
    let is_it = |name: &str| name.contains("in_ram") && !name.contains("Thunk");
    let symbols = file.symbols().filter(|symbol| symbol.name().is_ok_and(is_it));
    let places: Vec<u64> = symbols.map(|symbol| symbol.address()).collect();
    assert!(!places.is_empty() && places.iter().all(|place| (0x2000_0000..0x2004_2000).contains(place)), "{places:x?}");
}

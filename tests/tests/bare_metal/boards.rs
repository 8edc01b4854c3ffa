//! Boards that cannot run here: builds their images as they are flashed, and checks where their parts lie.

use forewarm_tests::build_images;
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
fn the_image_for_the_f411_leaves_alone_what_is_kept_over_a_loss_of_power() {
    let loaded = image("thumbv7em-none-eabihf", "f411");
    // Sectors 1 and 2. `storage.rs` of the board has the same figures.
    let kept = 0x0800_4000..0x0800_C000;
    for part in &loaded {
        assert!(part.end <= kept.start || part.start >= kept.end, "{part:x?}");
        // The smaller of the two parts on sale.
        assert!(part.start >= 0x0800_0000 && part.end <= 0x0804_0000, "{part:x?}");
    }
    assert!(loaded.iter().any(|part| part.start == 0x0800_0000), "no vector table at the start: {loaded:x?}");
    assert!(loaded.iter().any(|part| part.start == kept.end), "the program does not begin behind: {loaded:x?}");
}

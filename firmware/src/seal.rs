//! The seal of an image: what it loads into flash memory, and the checksum of all that.
//!
//! Flash memory loses bits with the years, and a copy onto it may stop half-way. A program with a wrong bit may still run, and
//! decide wrongly. So each program for a board reads its own image before anything closes a relay, and rests if the seal
//! does not fit. The linker cannot compute a checksum, so `forewarm-seal` writes the seal into the linked file.

use forewarm_core::wire;

/// The section with the seal's bytes.
pub const SECTION: &str = ".seal";

/// Most spans of an image.
pub const SPANS: usize = 8;

/// Words that follow each other in flash memory: a word at a time is read fast enough for any watchdog.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(C)]
pub struct Span {
    /// The address of the first one, a multiple of four.
    pub address: u32,
    /// How many.
    pub words: u32,
}

/// The seal as it lies in flash memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(C)]
pub struct Seal {
    spans: [Span; SPANS],
    checksum: u32,
}

impl Seal {
    /// Bytes that it takes.
    pub const BYTES: usize = size_of::<Self>();

    /// That of an image as it is linked. It fits none.
    pub const NONE: Self = Self { spans: [Span { address: 0, words: 0 }; SPANS], checksum: 0 };

    /// The seal of an image of these spans, with what `read` finds at each address.
    #[must_use]
    pub fn of(spans: [Span; SPANS], read: impl Fn(u32) -> u32) -> Self {
        Self { spans, checksum: checksum(&spans, read) }
    }

    /// Whether the image is as it was sealed. An image without a seal is not.
    ///
    /// `read` hands over the word at an address. A seal with a wrong bit may name any address.
    #[must_use]
    pub fn fits(&self, read: impl Fn(u32) -> u32) -> bool {
        *self != Self::NONE && checksum(&self.spans, read) == self.checksum
    }

    /// The bytes in flash memory.
    #[must_use]
    pub fn to_bytes(&self) -> [u8; Self::BYTES] {
        let spans = self.spans.iter().flat_map(|span| [span.address, span.words]);
        let mut bytes = [0; Self::BYTES];
        for (place, word) in bytes.chunks_exact_mut(4).zip(spans.chain([self.checksum])) {
            place.copy_from_slice(&word.to_le_bytes());
        }
        bytes
    }
}

/// Over the spans too: otherwise a bit of theirs could leave out what has changed.
fn checksum(spans: &[Span; SPANS], read: impl Fn(u32) -> u32) -> u32 {
    let named = spans.iter().flat_map(|span| [span.address, span.words]);
    let loaded = spans.iter().flat_map(|span| {
        let read = &read;
        (0..span.words).map(move |at| read(span.address.wrapping_add(at.wrapping_mul(4))))
    });
    wire::checksum(named.chain(loaded))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    /// Reads an image that begins at this address; beyond its end there are zeros.
    fn read_from(start: u32, image: &[u32]) -> impl Fn(u32) -> u32 {
        move |address| image.get(address.wrapping_sub(start) as usize / 4).copied().unwrap_or(0)
    }

    fn spans(of: &[Span]) -> [Span; SPANS] {
        core::array::from_fn(|at| of.get(at).copied().unwrap_or(Span { address: 0, words: 0 }))
    }

    proptest! {
        #[test]
        fn an_image_fits_its_seal_until_a_bit_changes_that_is_loaded(
            image in prop::collection::vec(any::<u32>(), 2..150),
            start in any::<u32>(),
            at in any::<prop::sample::Index>(),
            (gap, bit) in (0..4_u32, 0..32_u32),
        ) {
            let start = start & !3;
            let half = u32::try_from(image.len() / 2).unwrap();
            let rest = u32::try_from(image.len()).unwrap() - half;
            let gap = gap.min(rest - 1);
            let second = Span { address: start.wrapping_add(4 * (half + gap)), words: rest - gap };
            let spans = spans(&[Span { address: start, words: half }, second]);
            let seal = Seal::of(spans, read_from(start, &image));
            prop_assert!(seal.fits(read_from(start, &image)));

            let at = at.index(image.len());
            let mut changed = image.clone();
            changed[at] ^= 1 << bit;
            let is_loaded = !(half as usize..(half + gap) as usize).contains(&at);
            prop_assert_eq!(seal.fits(read_from(start, &changed)), !is_loaded);
        }
    }

    #[test]
    fn a_seal_with_any_bit_changed_fits_no_longer() {
        let image: Vec<u32> = (0..200).collect();
        let read = read_from(0x100, &image);
        let seal = Seal::of(spans(&[Span { address: 0x100, words: 200 }]), &read);
        for bit in 0..Seal::BYTES * 8 {
            let mut bytes = seal.to_bytes();
            bytes[bit / 8] ^= 1 << (bit % 8);
            let words: Vec<u32> =
                bytes.chunks_exact(4).map(|word| u32::from_le_bytes(word.try_into().unwrap())).collect();
            let spans = core::array::from_fn(|at| Span { address: words[2 * at], words: words[2 * at + 1] });
            // So much takes too long to read here, and on a board, whose watchdog then bites.
            if spans.iter().any(|span| span.words >= 1 << 16) {
                continue;
            }
            let read_again = Seal { spans, checksum: words[2 * SPANS] };
            assert!(!read_again.fits(&read), "bit {bit}");
        }
    }

    #[test]
    fn an_image_without_a_seal_does_not_fit() {
        assert!(!Seal::NONE.fits(|_| 0));
    }

    #[test]
    fn the_bytes_are_those_of_the_memory_that_a_board_reads() {
        let words: Vec<u32> = (1..=17).collect();
        let spans = core::array::from_fn(|at| Span { address: words[2 * at], words: words[2 * at + 1] });
        let seal = Seal { spans, checksum: words[16] };
        assert_eq!(core::mem::offset_of!(Seal, checksum), 64);
        assert_eq!(core::mem::offset_of!(Span, words), 4);
        let expected: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
        assert_eq!(seal.to_bytes()[..], expected[..]);
    }
}

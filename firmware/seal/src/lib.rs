//! Writes the [seal](forewarm_firmware::seal) of an image into its file.

#![expect(clippy::cast_possible_truncation, reason = "an image of 32 bits, on a computer with at least as many")]

use forewarm_firmware::seal::{SECTION, SPANS, Seal, Span};
use object::elf::PT_LOAD;
use object::read::elf::{ElfFile32, ProgramHeader, SectionHeader};
use object::{LittleEndian, Object};
use std::fmt::{self, Display, Formatter};
use std::io::Write;
use std::ops::Range;
use std::path::Path;

/// Why an image cannot be sealed.
#[derive(Debug)]
pub enum Unsealable {
    /// It cannot be read or written.
    File(std::io::Error),
    /// It is not a linked program of little-endian 32 bits.
    NotAnImage,
    /// No place was left for the seal.
    NoPlace,
    /// A piece of it does not begin or end with a word.
    NotInWords,
    /// It is loaded in more pieces than a seal can name.
    TooManyPieces,
}

impl Display for Unsealable {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(error) => error.fmt(f),
            Self::NotAnImage => f.write_str("is not a linked program for a microcontroller of 32 bits"),
            Self::NoPlace => write!(
                f,
                "has no place for a seal: name a program for a board, and see in build.rs that its memory has {SECTION}"
            ),
            Self::NotInWords => f.write_str("has sections that are no whole words: align them to 4 in memory.x"),
            Self::TooManyPieces => {
                write!(f, "is loaded in more than {SPANS} pieces: raise SPANS in firmware/src/seal.rs")
            }
        }
    }
}

impl std::error::Error for Unsealable {}

impl From<std::io::Error> for Unsealable {
    fn from(error: std::io::Error) -> Self {
        Self::File(error)
    }
}

/// Writes the image at `from` to `to`, with its seal in place of any that it has. The file changes as a whole or not at
/// all, and may be the same.
///
/// # Errors
/// Each [`Unsealable`].
pub fn seal(from: &Path, to: &Path) -> Result<(), Unsealable> {
    let mut bytes = std::fs::read(from)?;
    let (place, seal) = seal_of(&bytes)?;
    bytes.get_mut(place).ok_or(Unsealable::NotAnImage)?.copy_from_slice(&seal.to_bytes());
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    file.write_all(&bytes)?;
    file.as_file().set_permissions(std::fs::metadata(from)?.permissions())?;
    file.persist(to).map_err(|error| error.error)?;
    Ok(())
}

/// The seal of an image, and its place in the file.
fn seal_of(bytes: &[u8]) -> Result<(Range<usize>, Seal), Unsealable> {
    let elf = ElfFile32::<LittleEndian>::parse(bytes).map_err(|_| Unsealable::NotAnImage)?;
    let section = elf.section_by_name(SECTION).ok_or(Unsealable::NoPlace)?;
    let header = section.elf_section_header();
    let (offset, length) = header.file_range(LittleEndian).ok_or(Unsealable::NoPlace)?;
    if length as usize != Seal::BYTES {
        return Err(Unsealable::NoPlace);
    }
    // It lies in flash memory, so it is loaded where it is read.
    let address = header.sh_addr(LittleEndian);
    let hole = address..address.saturating_add(length as u32);

    let mut pieces = Vec::new();
    for header in elf.elf_program_headers().iter().filter(|header| header.p_type(LittleEndian) == PT_LOAD) {
        let loaded = header.data(LittleEndian, bytes).map_err(|()| Unsealable::NotAnImage)?;
        pieces.extend(around(&hole, header.p_paddr(LittleEndian), loaded));
    }
    pieces.retain(|(_, bytes)| !bytes.is_empty());
    let mut spans = [Span { address: 0, words: 0 }; SPANS];
    for (at, &(address, bytes)) in pieces.iter().enumerate() {
        let words = u32::try_from(bytes.len() / 4).map_err(|_| Unsealable::NotAnImage)?;
        if !address.is_multiple_of(4) || !bytes.len().is_multiple_of(4) {
            return Err(Unsealable::NotInWords);
        }
        *spans.get_mut(at).ok_or(Unsealable::TooManyPieces)? = Span { address, words };
    }
    let word = |address: u32| {
        let within = |&(start, bytes): &(u32, &[u8])| {
            let at = address.wrapping_sub(start) as usize;
            bytes.get(at..)?.first_chunk().copied().map(u32::from_le_bytes)
        };
        pieces.iter().find_map(within).expect("a span is a piece")
    };
    let offset = offset as usize;
    Ok((offset..offset + Seal::BYTES, Seal::of(spans, word)))
}

/// What is loaded from `start` on, but the part in the hole.
fn around<'a>(hole: &Range<u32>, start: u32, loaded: &'a [u8]) -> [(u32, &'a [u8]); 2] {
    let index = |address: u32| (address.saturating_sub(start) as usize).min(loaded.len());
    let (before, after) = (index(hole.start), index(hole.end));
    [(start, &loaded[..before]), (start.wrapping_add(after as u32), &loaded[after..])]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_image_is_refused_and_left_as_it_is() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("image");
        assert!(matches!(seal(&path, &path), Err(Unsealable::File(_))));
        // Nothing, text, a head without a body, and this test's own program, which is for 64 bits.
        let head = b"\x7fELF\x01\x01\x01\0\0\0\0\0\0\0\0\0\x02\0\x28\0";
        let own = std::fs::read(std::env::current_exe().expect("a path")).expect("a program");
        for bytes in [&b""[..], b"text", head, &own] {
            std::fs::write(&path, bytes).expect("a file");
            assert!(matches!(seal(&path, &path), Err(Unsealable::NotAnImage)));
            assert_eq!(std::fs::read(&path).expect("a file"), bytes);
        }
    }

    #[test]
    fn all_that_is_loaded_is_sealed_but_the_seal_itself() {
        let loaded: Vec<u8> = (0..20).collect();
        for (hole, expected) in [
            (8..12, [(4, &loaded[..4]), (12, &loaded[8..])]),
            (4..8, [(4, &[][..]), (8, &loaded[4..])]),
            (20..24, [(4, &loaded[..16]), (24, &[])]),
            (0..2, [(4, &[]), (4, &loaded[..])]),
            (100..200, [(4, &loaded[..]), (24, &[])]),
        ] {
            assert_eq!(around(&hole, 4, &loaded), expected, "{hole:?}");
        }
    }
}

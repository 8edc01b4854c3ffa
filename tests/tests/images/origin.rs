//! Finds by debugging information what machine code was compiled from: the functions and files, however many of them
//! the compiler has merged into one.

use crate::elf::source_name;
use addr2line::fallible_iterator::FallibleIterator;
use addr2line::gimli::{self, Dwarf, EndianSlice, RunTimeEndian, SectionId};
use addr2line::{Context, Frame};
use object::read::elf::ElfFile32;
use object::{Endianness, Object, ObjectSection};

/// The source code of an image, by address, with functions that the compiler has put into their callers.
pub(crate) struct Origins<'a>(Context<EndianSlice<'a, RunTimeEndian>>);

/// A function of the source, and its file.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Place {
    pub(crate) function: String,
    file: String,
}

impl<'a> Origins<'a> {
    /// Reads the image `elf`.
    pub(crate) fn of(elf: &'a [u8]) -> Self {
        let elf = ElfFile32::<Endianness>::parse(elf).expect("an ELF file");
        let section = |id: SectionId| {
            let data = elf.section_by_name(id.name()).and_then(|section| section.data().ok()).unwrap_or_default();
            Ok::<_, gimli::Error>(EndianSlice::new(data, RunTimeEndian::Little))
        };
        let dwarf = Dwarf::load(section).expect("debugging information");
        Self(Context::from_dwarf(dwarf).expect("debugging information"))
    }

    /// The functions that the instruction at `at` was compiled from, innermost first. Each is called by the next.
    pub(crate) fn at(&self, at: u32) -> Vec<Place> {
        let frames = self.0.find_frames(at.into()).skip_all_loads().expect("debugging information");
        let place = |frame: Frame<'_, _>| {
            let name = frame.function.as_ref().and_then(|name| name.raw_name().ok().map(|name| source_name(&name)));
            let file = frame.location.and_then(|location| location.file).unwrap_or_default();
            Ok(Place { function: name.unwrap_or_default(), file: file.replace('\\', "/") })
        };
        frames.map(place).collect().expect("debugging information")
    }
}

impl Place {
    /// Whether it belongs to the standard library, which panics on behalf of its caller, or to nobody, as code that the
    /// compiler has cut out of several functions that share it.
    pub(crate) fn is_of_the_library(&self) -> bool {
        self.file.is_empty() || self.file.contains("/library/core/src/") || self.file.contains("/library/alloc/src/")
    }

    /// The crate or file to blame, as [`MAY_PANIC`] names it.
    pub(crate) fn owner(&self) -> &str {
        // A package from a registry is in a folder with its name and version.
        if let Some((_, rest)) = self.file.split_once("/registry/src/") {
            let package = rest.split('/').nth(1).unwrap_or(rest);
            return package.rsplit_once('-').map_or(package, |(name, _)| name);
        }
        let ours = ["core/src/", "firmware/src/"].into_iter().find_map(|folder| self.file.find(folder));
        ours.map_or(&self.file, |start| &self.file[start..])
    }
}

//! Reads an image: sizes, functions, who calls whom.

use object::elf::PT_LOAD;
use object::read::elf::{ElfFile32, ProgramHeader};
use object::{Endianness, Object, ObjectSection, ObjectSymbol, SymbolKind};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The content of an image.
pub(crate) struct Elf {
    pub(crate) name: String,
    /// Bytes that are loaded, with the vector table and what is copied to RAM at the start.
    pub(crate) flash: u32,
    /// Bytes of RAM that are taken from start to end.
    pub(crate) ram: u32,
    pub(crate) compiler: String,
    /// Functions by their addresses.
    functions: BTreeMap<u32, (u32, String)>,
    symbols: BTreeMap<String, u32>,
    /// Calls from function to function, by name, with the address of each call.
    pub(crate) calls: BTreeSet<(String, String, u32)>,
    /// Functions that compute with a floating-point unit.
    pub(crate) floating: BTreeSet<String>,
}

impl Elf {
    pub(crate) fn of(path: &Path) -> Self {
        let bytes = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let elf = ElfFile32::<Endianness>::parse(&*bytes).expect("an ELF file");
        let endian = elf.endian();
        let loaded = elf.elf_program_headers().iter().filter(|header| header.p_type(endian) == PT_LOAD);
        let flash = loaded.map(|header| header.p_filesz(endian)).sum();
        let is_in_ram = |address: u64| (0x2000_0000..0x4000_0000).contains(&address);
        let in_ram = elf.sections().filter(|section| is_in_ram(section.address()));
        let ram = in_ram.map(|section| u32::try_from(section.size()).expect("32 bits")).sum();
        let comment = elf.section_by_name(".comment").and_then(|section| section.data().ok()).unwrap_or_default();
        let comment = String::from_utf8_lossy(comment).into_owned();
        // With the commit, and with the mark of a distribution that built it: one version may have been built twice.
        let compiler: BTreeSet<&str> =
            comment.split('\0').filter_map(|line| line.strip_prefix("rustc version ")).collect();
        let compiler = compiler.into_iter().collect::<Vec<_>>().join(", ");
        assert!(!compiler.is_empty(), "{}: no compiler is named in {comment:?}", path.display());
        let mut image = Self {
            name: path.display().to_string(),
            flash,
            ram,
            compiler,
            functions: BTreeMap::new(),
            symbols: BTreeMap::new(),
            calls: BTreeSet::new(),
            floating: BTreeSet::new(),
        };
        image.read_code(&elf);
        image
    }

    fn read_code(&mut self, elf: &ElfFile32<'_, Endianness>) {
        let mut marks = BTreeMap::new();
        for symbol in elf.symbols() {
            let (Ok(name), Ok(address)) = (symbol.name(), u32::try_from(symbol.address())) else { continue };
            // Marks where code ends and constants begin within a function; ELF for the ARM Architecture, mapping
            // symbols.
            if name.starts_with("$t") || name.starts_with("$d") {
                marks.insert(address, name.starts_with("$t"));
            } else if symbol.kind() == SymbolKind::Text && symbol.size() > 0 {
                let size = u32::try_from(symbol.size()).expect("32 bits");
                self.functions.insert(address & !1, (size, source_name(name)));
            } else {
                self.symbols.insert(name.to_owned(), address);
            }
        }
        assert!(!marks.is_empty() && self.functions.len() > 20, "{}: stripped of its symbols", self.name);
        let text = elf.section_by_name(".text").expect("code");
        let start = u32::try_from(text.address()).expect("32 bits");
        let code = text.data().expect("code");
        let half = |at: u32| {
            let at = (at - start) as usize;
            code.get(at..at + 2).map(|bytes| u16::from_le_bytes([bytes[0], bytes[1]]))
        };
        for (&from, (size, caller)) in &self.functions {
            let mut at = from;
            while at < from + size && at >= start {
                if marks.range(..=at).next_back().is_some_and(|(_, &is_code)| !is_code) {
                    at += 2;
                    continue;
                }
                let Some(first) = half(at) else { break };
                let is_long = first >> 11 >= 0b11101;
                let target = if is_long {
                    let second = half(at + 2).unwrap_or(0);
                    if is_floating(first, second) {
                        self.floating.insert(caller.clone());
                    }
                    long_branch(at, first, second)
                } else {
                    short_branch(at, first)
                };
                if let Some((_, callee)) = target.and_then(|target| self.functions.get(&target))
                    && callee != caller
                {
                    self.calls.insert((caller.clone(), callee.clone(), at));
                }
                at += if is_long { 4 } else { 2 };
            }
        }
    }

    pub(crate) fn address(&self, symbol: &str) -> u32 {
        *self.symbols.get(symbol).unwrap_or_else(|| panic!("{}: no symbol {symbol}", self.name))
    }

    pub(crate) fn names(&self) -> impl Iterator<Item = &str> {
        self.functions.values().map(|(_, name)| name.as_str())
    }

    /// Every function that can reach one of `roots` by calls.
    pub(crate) fn callers_of<'a>(&'a self, roots: &BTreeSet<&'a str>) -> BTreeSet<&'a str> {
        let mut found = roots.clone();
        loop {
            let calls = self.calls.iter().filter(|(_, callee, _)| found.contains(callee.as_str()));
            let more: Vec<&str> =
                calls.map(|(caller, ..)| caller.as_str()).filter(|caller| !found.contains(caller)).collect();
            if more.is_empty() {
                return found;
            }
            found.extend(more);
        }
    }
}

/// Whether an instruction computes with the floating-point unit. Loads, stores and moves between registers do not. The
/// same source, A5.3.18 and A6.4: coprocessor data processing of coprocessors 10 and 11.
const fn is_floating(first: u16, second: u16) -> bool {
    first & 0xFF00 == 0xEE00 && second & 0x0E10 == 0x0A00
}

/// The target of `BL` or `B.W` at `at`. Source: ARMv7-M Architecture Reference Manual, A7.7.12 and A7.7.18, encodings
/// T4 and T1.
fn long_branch(at: u32, first: u16, second: u16) -> Option<u32> {
    if first & 0xF800 != 0xF000 || !matches!(second & 0xD000, 0xD000 | 0x9000) {
        return None;
    }
    let (first, second) = (u32::from(first), u32::from(second));
    let sign = first >> 10 & 1;
    let bit = |j: u32| !(second >> j ^ sign) & 1;
    let offset = sign << 24 | bit(13) << 23 | bit(11) << 22 | (first & 0x3FF) << 12 | (second & 0x7FF) << 1;
    // Sign-extended from 25 bits.
    Some(at.wrapping_add(4).wrapping_add((offset << 7).cast_signed().wrapping_shr(7).cast_unsigned()))
}

/// The target of a 16-bit `B` at `at`; the same source, encoding T2.
fn short_branch(at: u32, instruction: u16) -> Option<u32> {
    (instruction & 0xF800 == 0xE000).then(|| {
        let offset = (u32::from(instruction & 0x7FF) << 21).cast_signed().wrapping_shr(20).cast_unsigned();
        at.wrapping_add(4).wrapping_add(offset)
    })
}

/// The name in the source, without the hash at the end.
pub(crate) fn source_name(symbol: &str) -> String {
    format!("{:#}", rustc_demangle::demangle(symbol)).replace(['<', '>'], "")
}

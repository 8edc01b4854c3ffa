//! Checks what a step of the controller can reach in the machine code of the release build: no panic, no floating
//! point, no heap, and nothing outside the core except moving memory and dividing integers.
//!
//! The core is compiled for the emulated processor, with one section for each function and without link-time
//! optimisation. References are followed from the roots, calls and addresses in data alike, until one leaves the crate.

use forewarm_tests::build_for;
use object::read::archive::ArchiveFile;
use object::{File, Object, ObjectSection, ObjectSymbol, RelocationTarget, SectionIndex};
use std::collections::{HashMap, VecDeque};

/// What firmware calls between two resets. A panic there would leave the outputs to the watchdog.
const ROOTS: [&str; 3] = [
    "forewarm_core::unit::Unit::new",
    "forewarm_core::unit::Unit::step",
    "forewarm_core::settings::Settings::validate",
];

/// Helpers that the compiler calls by itself. They cannot fail, and floating point has others: `__aeabi_dadd` and so
/// on.
fn is_harmless(symbol: &str) -> bool {
    const INTEGER: [&str; 4] = ["__aeabi_uldivmod", "__aeabi_ldivmod", "__aeabi_lmul", "__multi3"];
    symbol.starts_with("__aeabi_mem") || symbol.starts_with("mem") || INTEGER.contains(&symbol)
}

/// The name in the source, without the marks around a type and the hash at the end.
fn source_name(symbol: &str) -> String {
    format!("{:#}", rustc_demangle::demangle(symbol)).replace(['<', '>'], "")
}

/// A section of an object file. With one section for each function, it is a function or a piece of data.
type Place = (usize, SectionIndex);

/// The objects of the compiled core, and where each of its symbols is defined.
struct Code<'a> {
    objects: Vec<File<'a>>,
    defined: HashMap<&'a str, Place>,
}

impl<'a> Code<'a> {
    fn of(library: &'a [u8]) -> Self {
        let archive = ArchiveFile::parse(library).expect("an archive");
        let members = archive.members().map(|member| member.and_then(|member| member.data(library)).expect("a member"));
        // An archive also holds the crate's metadata.
        let objects: Vec<File<'a>> = members.filter_map(|data| File::parse(data).ok()).collect();
        let mut defined = HashMap::new();
        for (index, object) in objects.iter().enumerate() {
            for symbol in object.symbols().filter(|symbol| !symbol.is_undefined() && symbol.is_global()) {
                if let (Ok(name), Some(section)) = (symbol.name(), symbol.section_index()) {
                    defined.insert(name, (index, section));
                }
            }
        }
        Self { objects, defined }
    }

    /// What a place refers to: other places, and symbols that are defined elsewhere.
    fn references(&self, (index, section): Place) -> Vec<Result<Place, &str>> {
        let object = &self.objects[index];
        let section = object.section_by_index(section).expect("a section");
        let targets = section.relocations().map(|(_, relocation)| match relocation.target() {
            RelocationTarget::Section(section) => Ok((index, section)),
            RelocationTarget::Symbol(symbol) => {
                let symbol = object.symbol_by_index(symbol).expect("a symbol");
                let name = symbol.name().expect("a name");
                match symbol.section_index() {
                    Some(section) => Ok((index, section)),
                    None => self.defined.get(name).copied().ok_or(name),
                }
            }
            other => panic!("a relocation against {other:?}"),
        });
        targets.collect()
    }

    fn name(&self, (index, section): Place) -> String {
        let section = self.objects[index].section_by_index(section).expect("a section");
        let name = section.name().expect("a name");
        let name = name.strip_prefix(".text.").unwrap_or(name);
        source_name(name.strip_prefix("unlikely.").unwrap_or(name))
    }
}

#[test]
fn a_step_can_neither_panic_nor_compute_in_floating_point() {
    let [folder] = build_for(["thumbv7m-none-eabi"], "forewarm-core", "", "3", env!("CARGO_TARGET_TMPDIR"));
    let library = folder.join("libforewarm_core.rlib");
    let library = std::fs::read(&library).unwrap_or_else(|error| panic!("{}: {error}", library.display()));
    let code = Code::of(&library);

    let mut reached_from: HashMap<Place, Option<Place>> = HashMap::new();
    let mut queue = VecDeque::new();
    for root in ROOTS {
        // A method in another module than its type has the names of both, with the type last.
        let place = code.defined.iter().find(|(name, _)| source_name(name).ends_with(root));
        let (_, &place) = place.unwrap_or_else(|| panic!("{root} is not in the library: is it inline now?"));
        reached_from.insert(place, None);
        queue.push_back(place);
    }
    let mut violations = Vec::new();
    while let Some(place) = queue.pop_front() {
        for reference in code.references(place) {
            match reference {
                Ok(next) => {
                    reached_from.entry(next).or_insert_with(|| {
                        queue.push_back(next);
                        Some(place)
                    });
                }
                Err(symbol) if is_harmless(symbol) => {}
                Err(symbol) => {
                    let callers = std::iter::successors(Some(place), |place| reached_from[place]);
                    let path: Vec<String> = callers.map(|place| code.name(place)).collect();
                    violations.push(format!("{} in {}", source_name(symbol), path.join("\n    called by ")));
                }
            }
        }
    }
    violations.sort();
    violations.dedup();
    println!("{} functions and pieces of data are within reach", reached_from.len());
    assert!(violations.is_empty(), "a step reaches\n{}", violations.join("\n"));
}

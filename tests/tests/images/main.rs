//! Tests the firmware's images as they go on a microcontroller: their size, the depth of their stack after the deepest
//! paths, the instructions that the core takes, and that they do not contain what they should not.
//!
//! The limits hold for any compiler. The tables of `firmware/README.md` hold for the compiler that made them, which
//! each row names. The figures of another compiler are printed beside them, because it lays code out differently.
//!
//! | module | holds |
//! |---|---|
//! | `elf` | the content of an image: sizes, functions, who calls whom |
//! | `origin` | what machine code was compiled from |
//! | `board` | a running image, and the depth of its stack |
//! | `table` | the tables of the page |
//!
//! `FOREWARM_REFRESH=1 cargo test -p forewarm-tests --test images` writes them again.
#![cfg(unix)]

mod board;
mod elf;
mod origin;
mod table;

use board::most_stack;
use elf::Elf;
use forewarm::emulate::leash;
use forewarm::emulate::machine::Core;
use forewarm_tests::{build_images, emulator};
use origin::Origins;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use table::{Row, hold};

const V6M: &str = "thumbv6m-none-eabi";
const V7M: &str = "thumbv7m-none-eabi";
const V7EM: &str = "thumbv7em-none-eabihf";

/// Flash and RAM of the smallest microcontroller for the program: an STM32F072xB, with a Cortex-M0. The rules that
/// watch over sources and over uploads no longer fit into half of it. Source: the maker's data sheet, from memory.
const FLASH: u32 = 128 * 1024;
const RAM: u32 = 16 * 1024;
/// Bytes of RAM that must remain after the deepest path found. It may not be the deepest possible.
const SPARE: u32 = 400;
/// Instructions that a conversion and a step may take on a core without a floating-point unit.
const MOST_A_CONVERSION: u32 = 60;
const MOST_A_STEP: u32 = 3150;
/// Faults and states that the counted history does not reach: with invalid settings, nothing can step.
const UNREACHED: [&str; 1] = ["settings_invalid"];

/// The image of a program for a processor, built together with those for the others.
fn image(target: &str, program: &str) -> PathBuf {
    let scratch = env!("CARGO_TARGET_TMPDIR");
    if program == "rp2040" {
        let [image] = build_images([V6M], program, Some("sim/demo/van.toml"), &[], scratch);
        return image;
    }
    let [v6m, v7m, v7em] = build_images([V6M, V7M, V7EM], program, Some("sim/demo/hut.toml"), &[], scratch);
    match target {
        V6M => v6m,
        V7M => v7m,
        _ => v7em,
    }
}

/// The output of the program that counts: its figures by name, and what its history does not reach.
fn counted(image: &Path, cpu: &str) -> (BTreeMap<String, u32>, Vec<String>) {
    /// Ended when dropped.
    struct Emulator(Child);
    impl Drop for Emulator {
        fn drop(&mut self) {
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }
    let child = leash::command(emulator().as_os_str())
        .args(["-M", "lm3s6965evb", "-cpu", cpu, "-nodefaults", "-no-user-config", "-display", "none"])
        .args(["-icount", "shift=10", "-serial", "stdio", "-kernel"])
        .arg(image)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the emulator starts");
    let mut emulator = Emulator(child);
    let lines = BufReader::new(emulator.0.stdout.take().expect("its serial line")).lines();
    let (mut figures, mut unseen) = (BTreeMap::new(), Vec::new());
    for line in lines {
        let line = line.expect("a line of text");
        match line.split(' ').collect::<Vec<_>>()[..] {
            ["end"] => return (figures, unseen),
            ["not_seen", what] => unseen.push(what.to_owned()),
            [name, value, ..] => {
                figures.insert(name.to_owned(), value.parse().unwrap_or_else(|error| panic!("{line}: {error}")));
            }
            _ => panic!("{cpu}: {line}"),
        }
    }
    panic!("{cpu}: the program that counts did not come to its end: {figures:?}")
}

#[test]
fn the_images_fit_the_smallest_processor_with_their_stack() {
    let mut rows = Vec::new();
    for (target, core) in [(V6M, Core::M0), (V7M, Core::M3), (V7EM, Core::M4)] {
        let path = image(target, "emulated");
        let elf = Elf::of(&path);
        let stack = most_stack(&elf, &path, core);
        let in_all = elf.ram + stack;
        assert!(elf.flash < FLASH, "{}: {} bytes of flash", elf.name, elf.flash);
        assert!(in_all + SPARE <= RAM, "{}: {} and {stack} bytes of RAM", elf.name, elf.ram);
        rows.push(Row {
            of: ["`emulated`".to_owned(), format!("`{target}`")],
            figures: vec![Some(elf.flash), Some(elf.ram), Some(stack), Some(in_all)],
            compiler: elf.compiler,
        });
    }
    let elf = Elf::of(&image(V6M, "rp2040"));
    rows.push(Row {
        of: ["`rp2040`".to_owned(), format!("`{V6M}`")],
        // Its stack is measured in its own emulator.
        figures: vec![Some(elf.flash), Some(elf.ram), None, None],
        compiler: elf.compiler,
    });
    hold("sizes", "| Image | Target | Flash | Static RAM | Stack, most used | RAM in all | rustc |", &rows);
}

#[test]
fn a_conversion_and_a_step_take_no_more_instructions_than_they_may() {
    let mut rows = Vec::new();
    for (target, cpu) in [(V6M, "cortex-m0"), (V7M, "cortex-m3"), (V7EM, "cortex-m4")] {
        let path = image(target, "count");
        let (figures, unseen) = counted(&path, cpu);
        println!("{cpu}: {figures:?}");
        assert_eq!(unseen, UNREACHED, "{cpu}: the history no longer reaches every other state and fault");
        let figure = |name: &str| figures.get(name).copied();
        if cpu == "cortex-m3" {
            let (conversion, step) = (figure("conversion_max"), figure("step_worst"));
            assert!(conversion.is_some_and(|count| count <= MOST_A_CONVERSION), "{conversion:?} for a conversion");
            assert!(step.is_some_and(|count| count <= MOST_A_STEP), "{step:?} for a step");
        }
        let names = ["conversion_max", "conversion_individual_max", "step_usual_mean", "step_usual_max", "step_worst"];
        let figures = names.map(|name| Some(figure(name).unwrap_or_else(|| panic!("{cpu} says nothing of {name}"))));
        rows.push(Row {
            of: [cpu.replace("cortex-m", "Cortex-M"), format!("`{target}`")],
            figures: figures.to_vec(),
            compiler: Elf::of(&path).compiler,
        });
    }
    let heads = "| Core | Target | Conversion | Calibrated element | Usual step, mean | Usual step, most | Worst step | rustc |";
    hold("instructions", heads, &rows);
}

/// What may panic: in which crate or file, what it calls there from the standard library, and why that is allowed. The
/// panic opens both relays, and the watchdog restarts the board.
const MAY_PANIC: [(&str, &str, &str); 13] = [
    (
        "sequential-storage",
        "",
        "checks its own indices; it is given pages, words and a buffer of the sizes that it asks for",
    ),
    ("postcard", "", "checks indices into a few bytes, by their own length"),
    ("serde_core", "", "the same, in what is generated for a type"),
    ("cobs", "", "checks an index that runs behind another one"),
    ("embedded-io", "", "checks that a line has not taken more than it was given"),
    ("rp2040-hal", "", "checks clocks, the watchdog's time and the line's rate at the start"),
    ("firmware/src/kept.rs", "next_multiple_of", "the size of a word, which is not zero"),
    (
        "firmware/src/kept/pages.rs",
        "",
        "what has come to its end is not polled again, and it comes there when first polled",
    ),
    ("firmware/src/bin/emulated/", "core::cell::RefCell", "only one thread borrows, and never within another borrow"),
    ("firmware/src/bin/emulated/world.rs", "copy_from_slice", "a copy between two slices whose lengths were compared"),
    ("defmt-rtt", "", "a log line does not begin within another"),
    ("embedded-hal-bus", "core::cell::RefCell", "one chip at a time is talked to"),
    ("rp2040-pac", "", "checks the number of a pin, which is that of a pin's own type"),
];

/// Every panic in an image: the crate or file to blame, what it calls, and in which of its functions.
fn panics(elf: &Elf, origins: &Origins<'_>, roots: &BTreeSet<&str>) -> BTreeSet<[String; 3]> {
    let mut blamed = BTreeSet::new();
    let mut seen: BTreeSet<&str> = roots.clone();
    let mut left: Vec<&str> = roots.iter().copied().collect();
    while let Some(function) = left.pop() {
        for (caller, _, at) in elf.calls.iter().filter(|(_, callee, _)| callee == function) {
            let places = origins.at(*at);
            if let Some(ours) = places.iter().position(|place| !place.is_of_the_library()) {
                let called = ours.checked_sub(1).map_or(function, |inner| &places[inner].function);
                blamed.insert([places[ours].owner(), called, &places[ours].function].map(str::to_owned));
            } else if seen.insert(caller) {
                left.push(caller);
            }
        }
    }
    blamed
}

#[test]
fn no_panic_is_within_reach_of_the_control_path_and_each_other_one_is_accounted_for() {
    for (target, program) in [(V6M, "emulated"), (V7M, "emulated"), (V7EM, "emulated"), (V6M, "rp2040")] {
        let path = image(target, program);
        let elf = Elf::of(&path);
        let roots: BTreeSet<&str> = elf.names().filter(|name| name.starts_with("core::panicking::panic")).collect();
        assert!(!roots.is_empty(), "{}: no panic was found, not even those that are known", elf.name);

        let reached = elf.callers_of(&roots);
        let is_control = |name: &str| {
            name.starts_with("forewarm_core::")
                && !name.starts_with("forewarm_core::wire::")
                && !name.contains("serde_core")
        };
        let control: Vec<&str> = elf.names().filter(|name| is_control(name)).collect();
        assert!(control.len() > 8, "{}: where is the core? {control:?}", elf.name);
        let violations: Vec<&&str> = reached.iter().filter(|name| is_control(name)).collect();
        assert!(violations.is_empty(), "{}: a panic is within reach of {violations:#?}", elf.name);

        let bytes = std::fs::read(&path).expect("an image");
        let all = panics(&elf, &Origins::of(&bytes), &roots);
        assert!(all.iter().any(|[owner, ..]| owner == "sequential-storage"), "{}: who panics? {all:#?}", elf.name);
        let is_known = |[owner, called, _]: &&[String; 3]| {
            MAY_PANIC.iter().any(|(place, what, _)| owner.starts_with(place) && called.contains(what))
        };
        let unaccounted: Vec<_> = all.iter().filter(|panic| !is_known(panic)).collect();
        assert!(unaccounted.is_empty(), "{}: may panic, and nobody says why: {unaccounted:#?}", elf.name);
    }
}

#[test]
fn no_image_computes_in_floating_point() {
    for (target, program) in [(V6M, "emulated"), (V7M, "emulated"), (V7EM, "emulated"), (V6M, "rp2040")] {
        let elf = Elf::of(&image(target, program));
        // The helpers that the compiler calls where there is no unit: run-time ABI for the ARM Architecture, 4.1.
        let is_helper = |name: &str| {
            let helpers = ["__aeabi_d", "__aeabi_f", "__aeabi_cd", "__aeabi_cf", "compiler_builtins::float"];
            let conversions = ["__aeabi_i2", "__aeabi_ui2", "__aeabi_l2", "__aeabi_ul2", "__aeabi_h2"];
            helpers.iter().chain(&conversions).any(|start| name.starts_with(start))
        };
        let found: Vec<&str> = elf.names().filter(|name| is_helper(name)).collect();
        assert!(found.is_empty() && elf.floating.is_empty(), "{}: {found:?} {:?}", elf.name, elf.floating);
    }
}

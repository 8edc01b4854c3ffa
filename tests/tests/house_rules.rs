//! Rules for every file: layout, formatting, lints, documentation, and what the core must not contain.

use forewarm_tests::{root, run};
use std::collections::BTreeSet;
use std::fs::{read_dir, read_to_string};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Cargo with its own build folder.
fn cargo(arguments: &str) -> Command {
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(arguments.split(' ')).env("CARGO_TARGET_DIR", concat!(env!("CARGO_TARGET_TMPDIR"), "/../lint"));
    // Use the compiler beside this cargo, even if a cross build has just installed another: clippy reads only what its
    // own compiler made.
    let beside = Path::new(env!("CARGO")).parent().map(Path::to_path_buf);
    let others = std::env::var_os("PATH").unwrap_or_default();
    let path = std::env::join_paths(beside.into_iter().chain(std::env::split_paths(&others)));
    cargo.env("PATH", path.expect("no separator within a folder's name"));
    cargo
}

#[test]
fn every_file_is_formatted() {
    run(&mut cargo("fmt --all --check"));
}

#[test]
fn clippy_has_nothing_to_say() {
    // With the one feature of the core that nothing in the workspace enables.
    run(&mut cargo("clippy --workspace --all-targets --features forewarm-core/defmt --locked -- -D warnings"));
}

#[test]
fn no_link_in_the_documentation_is_broken() {
    let doc = "doc --workspace --no-deps --document-private-items --features forewarm-core/defmt --locked";
    run(cargo(doc).env("RUSTDOCFLAGS", "-D warnings"));
    // As somebody reads it who has the core alone: its private modules are not there to be linked to.
    let front = "doc --package forewarm-core --no-deps --features defmt,leap,serde,wire --locked";
    run(cargo(front).env("RUSTDOCFLAGS", "-D warnings"));
}

/// The four crates, by their folder. In that of the firmware lie two more, `firmware/rig` and `firmware/seal`. In that of the tests lie two:
/// `tests/oracles`, and `tests/fuzz`, which the workspace leaves out.
const CRATES: [&str; 4] = ["core", "firmware", "sim", "tests"];

#[test]
fn the_top_level_holds_what_the_layout_names_and_nothing_else() {
    // Files that lie about and are not part of the project belong to their owner, such as the page of a rehearsal.
    let tracked = run(Command::new("git").args(["ls-files", "-z"]));
    let entries: BTreeSet<&str> = tracked.split_terminator('\0').filter_map(|path| path.split('/').next()).collect();
    assert!(entries.contains("Cargo.toml"), "git tracks no project here: {entries:?}");
    let allowed = ["Cargo.toml", "Cargo.lock", "README.md", "DEVELOPERS.md", "LICENSE"];
    let strangers: Vec<&&str> = entries
        .iter()
        .filter(|name| !name.starts_with('.') && !allowed.contains(name) && !CRATES.contains(name))
        .collect();
    assert!(strangers.is_empty(), "the layout does not have {strangers:?}");
}

/// What hands the oracles to a fuzzer needs its own compiler and C++, so it is not built here. It is so little that it can be compared
/// instead: a file of two lines for each oracle.
#[test]
fn a_fuzz_target_is_one_call_of_its_oracle() {
    let folder = root().join("tests/fuzz");
    let manifest = read_to_string(folder.join("Cargo.toml")).expect("a manifest");
    let mut targets: Vec<PathBuf> = rust_files(&folder.join("fuzz_targets"));
    targets.sort();
    let names: Vec<&str> =
        targets.iter().map(|file| file.file_stem().expect("a name").to_str().expect("UTF-8")).collect();
    let oracles = read_to_string(root().join("tests/oracles/src/lib.rs")).expect("the oracles");
    let known = oracles.lines().filter_map(|line| line.strip_prefix("    (\"")?.split('"').next());
    assert_eq!(names, known.collect::<Vec<_>>(), "one target an oracle");
    for (file, name) in targets.iter().zip(names) {
        let text = read_to_string(file).expect("a target");
        let expected =
            format!("#![no_main]\nlibfuzzer_sys::fuzz_target!(|data: &[u8]| forewarm_oracles::{name}(data));\n");
        assert_eq!(text, expected, "{}", file.display());
        assert!(manifest.contains(&format!("path = \"fuzz_targets/{name}.rs\"")), "tests/fuzz/Cargo.toml lacks {name}");
    }
    // Its lock file follows the crates that it builds.
    run(&mut cargo("metadata --manifest-path tests/fuzz/Cargo.toml --locked --format-version 1"));
}

/// The lints of a manifest, from the first of their tables on, without comments and empty lines.
fn lints(manifest: &str, tables: [&str; 2]) -> Vec<String> {
    let table = |name: &str| {
        let start = manifest.find(name).unwrap_or_else(|| panic!("no {name}")) + name.len();
        manifest[start..]
            .lines()
            .skip(1)
            .take_while(|line| !line.starts_with('['))
            .map(str::to_owned)
            .collect::<Vec<_>>()
    };
    let lines = tables.into_iter().flat_map(table);
    lines.filter(|line| !line.is_empty() && !line.starts_with('#')).collect()
}

#[test]
fn every_crate_is_held_to_the_lints_of_the_workspace() {
    let manifest = |folder: &str| read_to_string(root().join(folder).join("Cargo.toml")).expect("a manifest");
    let workspace = lints(&manifest(""), ["[workspace.lints.rust]", "[workspace.lints.clippy]"]);
    for lint in ["unsafe_code = \"forbid\"", "missing_docs = \"deny\"", "pedantic = "] {
        assert!(workspace.iter().any(|line| line.starts_with(lint)), "Cargo.toml no longer says {lint}");
    }
    for folder in
        CRATES.iter().filter(|&&folder| folder != "firmware").chain(&["firmware/rig", "firmware/seal", "tests/oracles"])
    {
        assert!(manifest(folder).contains("[lints]\nworkspace = true"), "{folder}/Cargo.toml sets its own lints");
    }
    // A board reaches its registers by their addresses. The library does not, and forbids it.
    let firmware = lints(&manifest("firmware"), ["[lints.rust]", "[lints.clippy]"]);
    let forbids = |lint: &String| lint.replace("unsafe_code = \"deny\"", "unsafe_code = \"forbid\"");
    assert_eq!(firmware.iter().map(forbids).collect::<Vec<_>>(), workspace);
    let library = read_to_string(root().join("firmware/src/lib.rs")).expect("the firmware's root");
    assert!(library.contains("#![forbid(unsafe_code)]"));
}

/// A few files of each board, small enough to read with care.
#[test]
fn unsafe_code_is_where_a_board_touches_its_processor_and_nowhere_else() {
    let folder = root().join("firmware/src");
    let mut unsafe_files: Vec<String> = rust_files(&folder)
        .into_iter()
        .filter(|file| *file != folder.join("lib.rs"))
        .filter(|file| read_to_string(file).expect("a source file").contains("unsafe_code"))
        .map(|file| file.strip_prefix(&folder).expect("below it").display().to_string())
        .collect();
    unsafe_files.sort();
    let allowed = [
        "bin/common/seal.rs",
        "bin/count/registers.rs",
        "bin/emulated/log.rs",
        "bin/emulated/panic.rs",
        "bin/emulated/registers.rs",
        "bin/port/main.rs",
        "bin/rp2040/main.rs",
        "bin/rp2040/panic.rs",
        "bin/rp2040/storage.rs",
    ];
    assert_eq!(unsafe_files, allowed);
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files
}

/// A processor without a floating-point unit would spend thousands of instructions on it, and two processors might
/// decide differently. Tests may use it. So may `core/src/testing`, which they share and where it is the reference.
#[test]
fn the_core_has_no_floating_point() {
    let sources: Vec<(PathBuf, String)> = rust_files(&root().join("core/src"))
        .into_iter()
        .map(|file| (file.clone(), read_to_string(file).expect("a source file")))
        .collect();
    // Modules that exist only in tests, each in its own file.
    let test_modules: Vec<&str> = sources
        .iter()
        .flat_map(|(_, text)| text.split("#[cfg(test)]\nmod ").skip(1))
        .filter_map(|rest| rest.lines().next()?.strip_suffix(';'))
        .collect();
    // And what lies in the folder of one.
    let is_test = |file: &Path| {
        let within = file.strip_prefix(root().join("core/src")).expect("a file of the core").with_extension("");
        within.iter().any(|part| part == "testing" || test_modules.iter().any(|&name| part == name))
    };
    let code: Vec<_> = sources.iter().filter(|(file, _)| !is_test(file)).collect();
    assert!(code.len() > 10, "only {} files are the core's own", code.len());
    for (file, text) in code {
        // Other unit tests are at the foot of their module.
        let own = text.split("#[cfg(test)]\nmod tests {").next().expect("split yields at least one");
        for (line, number) in own.lines().zip(1..) {
            let statement = line.split("//").next().expect("split yields at least one");
            let mut words = statement.split(|c: char| !c.is_alphanumeric() && c != '_');
            assert!(!words.any(|word| word == "f32" || word == "f64"), "{}:{number}: {line}", file.display());
        }
    }
}

/// Code that tests share needs `std`, may panic, and computes in floating point. It is compiled for tests or not at
/// all.
#[test]
fn what_ships_carries_no_test_support() {
    let declared = "#[cfg(any(test, feature = \"testing\"))]\n#[allow(";
    let library = read_to_string(root().join("core/src/lib.rs")).expect("the core's root");
    assert!(library.contains(declared), "core/src/lib.rs compiles its test support without being asked");
    for package in ["forewarm-firmware", "forewarm"] {
        let mut tree = Command::new(env!("CARGO"));
        tree.args(["tree", "--package", package, "--edges", "normal,build,features", "--prefix", "none", "--locked"]);
        let tree = run(&mut tree);
        assert!(tree.contains("forewarm-core v"), "cargo tells no dependencies of {package}: {tree}");
        assert!(
            !tree.contains("proptest") && !tree.contains("\"testing\""),
            "{package} depends on test support:\n{tree}"
        );
        // No microcontroller knows what its readings will be, or leaves a judge out.
        let is_of_a_host = ["\"leap\"", "\"layers\""].iter().any(|feature| tree.contains(feature));
        assert!(package == "forewarm" || !is_of_a_host, "{package} carries what only a host has:\n{tree}");
    }
}

/// What is in the package is what somebody gets who has nothing else: it must build alone, and say by which licence.
#[test]
fn the_core_makes_a_package_of_its_own() {
    let list = run(&mut cargo("package --package forewarm-core --allow-dirty --list"));
    for needed in ["Cargo.toml", "LICENSE", "README.md", "docs/promises.md", "src/lib.rs"] {
        assert!(list.lines().any(|file| file == needed), "the package lacks {needed}:\n{list}");
    }
    let licence = |folder: &str| read_to_string(root().join(folder).join("LICENSE")).expect("a licence");
    assert_eq!(licence("core"), licence(""));
    run(&mut cargo("package --package forewarm-core --allow-dirty --locked"));
}

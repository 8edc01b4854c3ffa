//! The finished command leaves no arithmetic to the platform or the processor.
#![cfg(target_os = "linux")]

use object::{Object, ObjectSymbol};

/// What std's floats and nalgebra's ask a C library for. Two more are imported: `log` for SQLite's search in texts, which nothing here uses,
/// and `pow` for the pace of a progress bar. Clippy finds ours.
const OF_THE_PLATFORM: [&str; 23] = [
    "acos", "acosh", "asin", "asinh", "atan", "atan2", "atanh", "cbrt", "cos", "cosh", "exp", "exp2", "expm1", "hypot",
    "log10", "log1p", "log2", "sin", "sincos", "sinh", "tan", "tanh", "tgamma",
];

#[test]
fn the_command_has_one_result_on_every_processor() {
    let command = std::fs::read(env!("CARGO_BIN_EXE_forewarm")).expect("the command");
    let command = object::File::parse(&*command).expect("a program");
    let names = || command.symbols().filter_map(|symbol| symbol.name().ok());
    assert!(names().any(|name| name.contains("nalgebra")), "nothing to judge: the command has no symbols");
    // Two matrices were multiplied with `*`: `by_rows` of `sim/src/portable.rs` does so alike everywhere.
    let by_processor: Vec<_> = names().filter(|name| name.contains("matrixmultiply")).collect();
    assert!(by_processor.is_empty(), "{by_processor:?}");
    let imported = command.dynamic_symbols().filter(object::ObjectSymbol::is_undefined);
    let imported: Vec<&str> = imported.filter_map(|symbol| symbol.name().ok()).collect();
    assert!(!imported.is_empty(), "nothing to judge: the command imports nothing");
    let is_of_the_platform = |name: &&str| OF_THE_PLATFORM.contains(&name.strip_suffix('f').unwrap_or(name));
    let by_platform: Vec<_> = imported.into_iter().filter(is_of_the_platform).collect();
    assert!(by_platform.is_empty(), "{by_platform:?}");
}

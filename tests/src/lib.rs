//! What the checks that cross crates share: where the project lies, and how its data files are read.

use std::path::PathBuf;

/// The root of the workspace.
#[must_use]
pub fn root() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

/// The rows of a file under `tests/data`, without its comments and header, each with its line number.
///
/// # Panics
/// When the file cannot be read: a check without its data must not pass.
#[must_use]
pub fn rows(name: &str) -> Vec<(usize, Vec<String>)> {
    let path = root().join("tests/data").join(name);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut lines = text.lines().zip(1..).filter(|(line, _)| !line.starts_with('#') && !line.is_empty());
    lines.next().unwrap_or_else(|| panic!("{}: no header", path.display()));
    lines.map(|(line, number)| (number, line.split(',').map(str::to_owned).collect())).collect()
}

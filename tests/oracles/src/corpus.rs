//! Cases that are worth keeping, many in a file: one a line, in base64. A line that starts with `#` says what the next one
//! caught.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use std::fmt::Write as _;
use std::path::PathBuf;

/// The file of an oracle.
#[must_use]
pub fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("corpora").join(name)
}

/// The cases of a file, each with the number of its line.
///
/// # Panics
/// If a line is not base64.
#[must_use]
pub fn cases(text: &str) -> Vec<(usize, Vec<u8>)> {
    let lines = text.lines().zip(1..).filter(|(line, _)| !line.starts_with('#'));
    lines
        .map(|(line, number)| (number, STANDARD.decode(line).unwrap_or_else(|e| panic!("line {number}: {e}"))))
        .collect()
}

/// A file of these cases, the short ones first.
#[must_use]
pub fn text(mut cases: Vec<Vec<u8>>) -> String {
    cases.sort_by_key(|case| (case.len(), case.clone()));
    cases.dedup();
    cases.iter().fold(String::new(), |mut text, case| {
        let _ = writeln!(text, "{}", STANDARD.encode(case));
        text
    })
}

/// The lines of a file that begin with a reason, each with the case behind it.
#[must_use]
pub fn reasoned(text: &str) -> String {
    let mut lines = text.lines();
    let mut kept = String::new();
    while let Some(line) = lines.next() {
        if line.starts_with('#') {
            let _ = writeln!(kept, "{line}\n{}", lines.next().unwrap_or_default());
        }
    }
    kept
}

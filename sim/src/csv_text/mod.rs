//! A CSV text as lines of cells under a header, in bounded memory: what logs and weather files have in common.

pub(crate) mod cells;
pub(crate) mod header;
pub(crate) mod lines;
pub(crate) mod records;

use crate::diagnostic::{Position, Problem};
use lines::{LONGEST, LineError};
use std::io;

/// The problem of a file that cannot be opened or read.
#[must_use]
pub fn cannot_read(file: &str, error: &io::Error) -> Problem {
    let (message, remedy) = match error.kind() {
        io::ErrorKind::NotFound => ("does not exist", "check the path"),
        io::ErrorKind::IsADirectory => ("is a folder, not a file", "a file in it"),
        io::ErrorKind::PermissionDenied => ("may not be read by you", "ask for the right to read it"),
        _ => return Problem::error(file, format!("cannot be read: {error}")).remedy("a copy on another disk"),
    };
    Problem::error(file, message).remedy(remedy)
}

/// An error about a line of `file`.
pub(crate) fn at_line(file: &str, line: u64, message: impl Into<Box<str>>) -> Problem {
    Problem::error(file, message).at(Position { line: u32::try_from(line).unwrap_or(u32::MAX), column: 1 })
}

/// The problem of a `file` that is no text with lines.
pub(crate) fn unreadable(file: &str, line: u64, error: &LineError) -> Problem {
    const REMEDY: &str = "the CSV file itself; or copy it again, if this is it";
    match error {
        LineError::Io(error) => cannot_read(file, error),
        LineError::TooLong => {
            at_line(file, line, format!("a line longer than {} MiB: no row of a CSV file", LONGEST >> 20))
                .remedy(REMEDY)
        }
        LineError::Nul => at_line(file, line, "a NUL byte: a binary file, or one damaged in copying").remedy(REMEDY),
        LineError::Utf16 => {
            at_line(file, line, "text in UTF-16, not in UTF-8").remedy("save or export it again as UTF-8")
        }
    }
}

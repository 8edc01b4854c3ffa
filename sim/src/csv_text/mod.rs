//! A CSV text as lines of cells under a header, in bounded memory: what logs and weather files have in common.

pub(crate) mod cells;
pub(crate) mod dates;
pub(crate) mod findings;
pub(crate) mod header;
pub(crate) mod lines;
pub(crate) mod records;

use crate::diagnostic::{Position, Problem};
use crate::input::Unwritten;
use header::Header;
use lines::{LONGEST, LineError};
use records::Records;
use std::io::{self, Read};
use std::path::Path;

/// The problem of a file that cannot be opened or read. Its blame is [`Blame::Use`](crate::diagnostic::Blame::Use).
#[must_use]
pub fn cannot_read(file: &str, error: &io::Error) -> Problem {
    let path = Path::new(file);
    let is_link = || path.ancestors().any(Path::is_symlink);
    let (message, remedy) = match error.kind() {
        io::ErrorKind::NotFound if is_link() => {
            ("is a link to a file that does not exist", "the file itself, or a link to where it is now")
        }
        io::ErrorKind::NotFound => ("does not exist", "check the path"),
        io::ErrorKind::IsADirectory => ("is a folder, not a file", "a file in it"),
        io::ErrorKind::PermissionDenied => ("may not be read by you", "ask for the right to read it"),
        // No stable kind stands for links that lead round and round.
        _ if is_link() && path.metadata().is_err() => {
            return Problem::error(file, format!("is a link that leads to no file: {error}"))
                .of_use()
                .remedy("the file itself, or a link that leads to it");
        }
        _ if Unwritten::is(error) => (
            "is a pipe that nobody writes to",
            "start what writes to it first; or a file; for a log also - for the standard input",
        ),
        _ => {
            return Problem::error(file, format!("cannot be read: {error}")).of_use().remedy("a copy on another disk");
        }
    };
    Problem::error(file, message).of_use().remedy(remedy)
}

/// An error about a line of `file`.
pub(crate) fn at_line(file: &str, line: u64, message: impl Into<Box<str>>) -> Problem {
    Problem::error(file, message).at(Position { line: u32::try_from(line).unwrap_or(u32::MAX), column: 1 })
}

/// The problem of a `file` that is no text with lines.
pub(crate) fn unreadable(file: &str, line: u64, error: &LineError) -> Problem {
    const REMEDY: &str = "the CSV file itself; or copy it again, if this is it";
    let problem = match error {
        LineError::Io(error) => cannot_read(file, error),
        LineError::TooLong => {
            at_line(file, line, format!("a line longer than {} MiB: no row of a CSV file", LONGEST >> 20))
                .remedy(REMEDY)
        }
        LineError::Nul => at_line(file, line, "a NUL byte: a binary file, or one damaged in copying").remedy(REMEDY),
        LineError::Utf16 => {
            at_line(file, line, "text in UTF-16, not in UTF-8").remedy("save or export it again as UTF-8")
        }
    };
    problem.of_use()
}

/// The first row that is neither blank nor a comment, as a header, and its line. It has columns; what they are called is the
/// caller's to judge.
///
/// # Errors
/// A file that is empty, no text, or in columns that something else than commas separates.
pub(crate) fn first_row<R: Read>(file: &str, records: &mut Records<R>) -> Result<(u64, Header), Problem> {
    let header = match records.next_record() {
        Ok(Some((_, record))) => record.map(|record| Header::new(record.cells())),
        Ok(None) => {
            let problem = Problem::error(file, "is empty: no header row and no rows");
            return Err(problem.remedy("a CSV file whose first row names the columns"));
        }
        Err(error) => return Err(unreadable(file, records.line(), &error)),
    };
    let line = records.line();
    let Some(header) = header.filter(Header::is_text) else {
        let problem = at_line(file, line, "not a CSV text: the first row cannot be read");
        return Err(problem.of_use().remedy("the CSV file, in UTF-8"));
    };
    if let Some((_, sign)) = header.other_delimiter() {
        let message = format!("the first row has one column only, with {sign} in it: another delimiter");
        return Err(at_line(file, line, message).remedy("export it again with commas between the columns"));
    }
    Ok((line, header))
}

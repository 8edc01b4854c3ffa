//! Reads a CSV text as lines of cells under a header, in bounded memory. Logs and weather files share this.

pub(crate) mod cells;
pub(crate) mod dates;
pub(crate) mod decimal;
pub(crate) mod findings;
pub(crate) mod head;
pub(crate) mod header;
pub(crate) mod lines;
pub(crate) mod records;
pub(crate) mod separator;

use crate::diagnostic::{Position, Problem};
use crate::input::Unwritten;
use crate::unpack::Damaged;
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
            ("is a link to a file that does not exist", "name the file itself, or link to where it is now")
        }
        io::ErrorKind::NotFound => ("does not exist", "check the path"),
        io::ErrorKind::IsADirectory => ("is a folder, not a file", "name a file in it"),
        io::ErrorKind::PermissionDenied => ("is not readable for you", "ask its owner for permission to read it"),
        // No stable error kind stands for links that form a circle.
        _ if is_link() && path.metadata().is_err() => {
            return Problem::error(file, format!("is a link that does not lead to a file: {error}"))
                .of_use()
                .remedy("name the file itself, or a link that leads to it");
        }
        _ if Unwritten::is(error) => (
            "is a pipe that nobody writes to",
            "start its writer first, or name a file; a log can also come from -, the standard input",
        ),
        _ => {
            return Problem::error(file, format!("cannot be read: {error}"))
                .of_use()
                .remedy("read a copy on another disk");
        }
    };
    Problem::error(file, message).of_use().remedy(remedy)
}

/// An error about a line of `file`.
pub(crate) fn at_line(file: &str, line: u64, message: impl Into<Box<str>>) -> Problem {
    Problem::error(file, message).at(Position { line: u32::try_from(line).unwrap_or(u32::MAX), column: 1 })
}

/// The problem of a `file` that is not a text with lines.
pub(crate) fn unreadable(file: &str, line: u64, error: &LineError) -> Problem {
    const REMEDY: &str = "name the CSV file itself; or copy it again, if this is it";
    let problem = match error {
        LineError::Io(error) => match Damaged::of(error) {
            Some(damaged) => at_line(file, line, damaged.to_string()).remedy(damaged.remedy()),
            None => cannot_read(file, error),
        },
        LineError::TooLong => {
            at_line(file, line, format!("a line longer than {} MiB: not a row of a CSV file", LONGEST >> 20))
                .remedy(REMEDY)
        }
        LineError::Nul => at_line(file, line, "a NUL byte: a binary file, or one damaged in copying").remedy(REMEDY),
        LineError::Utf16 => {
            at_line(file, line, "text in UTF-16, not in UTF-8").remedy("save or export it again as UTF-8")
        }
    };
    problem.of_use()
}

/// The first row that is neither blank nor a comment, as a header, and its line. It has columns. The caller judges
/// their names.
///
/// # Errors
/// A file that is empty or not text, or whose columns another sign separates.
pub(crate) fn first_row<R: Read>(file: &str, records: &mut Records<R>) -> Result<(u64, Header), Problem> {
    let header = match records.next_record() {
        Ok(Some((_, record))) => record.map(|record| Header::new(record.cells())),
        Ok(None) => {
            let problem = Problem::error(file, "is empty: no header row and no rows");
            return Err(problem.remedy("name a CSV file whose first row names the columns"));
        }
        Err(error) => return Err(unreadable(file, records.line(), &error)),
    };
    let line = records.line();
    let Some(header) = header.filter(Header::is_text) else {
        let problem = at_line(file, line, "not a CSV text: the first row cannot be read");
        return Err(problem.of_use().remedy("name the CSV file, in UTF-8"));
    };
    if let Some((_, sign)) = header.other_delimiter() {
        let message = format!("the first row has one column only, with {sign} in it: another delimiter");
        return Err(at_line(file, line, message).remedy("export it again with commas between the columns"));
    }
    Ok((line, header))
}

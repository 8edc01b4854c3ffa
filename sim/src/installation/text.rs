//! The file as text.

use crate::diagnostic::{Position, Problem};
use crate::input;
use std::io::{self, Read};
use std::path::Path;

/// An installation file is a few kilobytes. A hundred times that is something else.
const LARGEST: u64 = 1 << 18;

/// What messages call the file at `path`; `-` is the standard input.
#[must_use]
pub fn shown(path: &Path) -> String {
    if path == Path::new("-") { "standard input".to_owned() } else { path.display().to_string() }
}

/// The text of the file at `path`, without its byte-order mark; `-` is the standard input.
///
/// # Errors
/// The file cannot be opened or read, is larger than 256 KiB, or is not text in UTF-8. Nothing else fails.
pub(super) fn read(path: &Path) -> Result<String, Problem> {
    let shown = shown(path);
    let mut bytes = Vec::new();
    let read = if path == Path::new("-") {
        io::stdin().lock().take(LARGEST + 1).read_to_end(&mut bytes)
    } else {
        input::open(path).and_then(|file| file.take(LARGEST + 1).read_to_end(&mut bytes))
    };
    read.map_err(|error| cannot_read(&shown, &error))?;
    decode(&shown, bytes)
}

/// The text that `bytes` are, which messages call `shown`, without a byte-order mark.
///
/// # Errors
/// More than 256 KiB, or no text in UTF-8. Nothing else fails.
pub fn decode(shown: &str, mut bytes: Vec<u8>) -> Result<String, Problem> {
    if bytes.len() as u64 > LARGEST {
        return Err(Problem::error(shown, "is larger than 256 KiB: this is no installation file")
            .remedy("the TOML file that describes the bank; `forewarm new FILE` writes a first one"));
    }
    if bytes.starts_with(b"\xEF\xBB\xBF") {
        bytes.drain(..3);
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let valid = String::from_utf8_lossy(&error.as_bytes()[..error.utf8_error().valid_up_to()]).into_owned();
        let wide = error.as_bytes().starts_with(b"\xFF\xFE") || error.as_bytes().starts_with(b"\xFE\xFF");
        Problem::error(shown, if wide { "is text in UTF-16, not in UTF-8" } else { "is not text in UTF-8" })
            .at(Position::of(&valid, valid.len()))
            .remedy(if wide {
                "save it again as UTF-8"
            } else {
                "save it again as UTF-8, if it is an installation file; `forewarm new FILE` writes a first one"
            })
    })?;
    if let Some(offset) = text.find('\0') {
        return Err(Problem::error(shown, "holds a NUL byte: a binary file, or one damaged in copying")
            .at(Position::of(&text, offset))
            .remedy("copy it again, or retype that line"));
    }
    Ok(text)
}

fn cannot_read(shown: &str, error: &io::Error) -> Problem {
    let (message, remedy) = match error.kind() {
        io::ErrorKind::NotFound => ("does not exist", "check the path; `forewarm new FILE` writes a first one"),
        io::ErrorKind::IsADirectory => ("is a folder, not a file", "the installation file in it"),
        _ => return crate::csv_text::cannot_read(shown, error),
    };
    Problem::error(shown, message).remedy(remedy)
}

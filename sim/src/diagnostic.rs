//! One shape for every message of the command: what is wrong, where, why, and what to try.
//!
//! ```text
//! error: hut.toml:14:13: charge.release_c is 4 °C, not above charge.inhibit_c (5 °C)
//!   why: without hysteresis between the two, the permit would chatter
//!   try: release_c = 7
//! ```

use serde::{Serialize, Serializer};
use std::fmt;

/// How bad a problem is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The file or the command cannot be used as it stands.
    Error,
    /// It can be used, but a fitter probably did not intend it.
    Warning,
}

impl Severity {
    /// The word that opens a message.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
        }
    }
}

/// What a problem is about. It decides the exit status of the command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Blame {
    /// A text that was read and fails a check. Status 1.
    Content,
    /// The command line, something that is not readable text, or something that cannot be written. Status 2.
    Use,
}

/// A place in a text file. Both count from 1; the column counts characters, not bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Position {
    /// Line.
    pub line: u32,
    /// Column.
    pub column: u32,
}

impl Position {
    /// The place of the byte at `offset` in `text`, or the end of the text if that lies before it.
    #[must_use]
    pub fn of(text: &str, offset: usize) -> Self {
        Walk::new(text).to(offset)
    }
}

/// Finds one position after another in a text, in one pass over it.
#[derive(Clone, Debug)]
pub struct Walk<'t> {
    ahead: &'t [u8],
    offset: usize,
    here: Position,
}

impl<'t> Walk<'t> {
    /// Starts at the first character.
    #[must_use]
    pub fn new(text: &'t str) -> Self {
        Self { ahead: text.as_bytes(), offset: 0, here: Position { line: 1, column: 1 } }
    }

    /// Goes forward to the byte at `offset`. Stays if that lies behind.
    pub fn to(&mut self, offset: usize) -> Position {
        let (passed, ahead) = self.ahead.split_at(offset.saturating_sub(self.offset).min(self.ahead.len()));
        for &byte in passed {
            if byte == b'\n' {
                self.here = Position { line: self.here.line.saturating_add(1), column: 1 };
            } else if byte & 0xC0 != 0x80 {
                // Continuation bytes of UTF-8 do not start a character.
                self.here.column = self.here.column.saturating_add(1);
            }
        }
        self.offset += passed.len();
        self.ahead = ahead;
        self.here
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// How bad it is.
    pub severity: Severity,
    /// What it is about.
    pub blame: Blame,
    /// The file, as the user named it.
    pub file: Box<str>,
    /// Where in the file, if it is about a place in it.
    pub position: Option<Position>,
    /// The setting it is about, as `charge.release_c`. Empty if it is about the whole file.
    pub place: Box<str>,
    /// What is wrong.
    pub message: Box<str>,
    /// What goes wrong if nothing changes.
    pub why: Option<Box<str>>,
    /// What to do about it.
    pub remedy: Option<Box<str>>,
}

impl Problem {
    /// An error in how the command was called.
    #[must_use]
    pub fn usage(message: impl Into<Box<str>>) -> Self {
        Self::error("command line", message).of_use()
    }

    /// The same, blamed on use: see [`Blame::Use`].
    #[must_use]
    pub fn of_use(self) -> Self {
        Self { blame: Blame::Use, ..self }
    }

    /// An error about `file` as a whole.
    #[must_use]
    pub fn error(file: &str, message: impl Into<Box<str>>) -> Self {
        Self {
            severity: Severity::Error,
            blame: Blame::Content,
            file: escaped(file).into(),
            position: None,
            place: Box::default(),
            message: message.into(),
            why: None,
            remedy: None,
        }
    }

    /// The same, about a place in the file.
    #[must_use]
    pub fn at(self, position: Position) -> Self {
        Self { position: Some(position), ..self }
    }

    /// The same, with what goes wrong if nothing changes.
    #[must_use]
    pub fn because(self, why: impl Into<Box<str>>) -> Self {
        Self { why: Some(why.into()), ..self }
    }

    /// The same, with what to do about it.
    #[must_use]
    pub fn remedy(self, remedy: impl Into<Box<str>>) -> Self {
        Self { remedy: Some(remedy.into()), ..self }
    }
}

/// The lines that a person reads, without the severity before them and without a line break at the end.
impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(Position { line, column }) = self.position {
            write!(f, ":{line}:{column}")?;
        }
        write!(f, ": {}", self.message)?;
        if let Some(why) = &self.why {
            write!(f, "\n  why: {why}")?;
        }
        if let Some(remedy) = &self.remedy {
            write!(f, "\n  try: {remedy}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problem {}

/// `{severity, line, column, place, message, why, try}`, with `null` for what does not apply.
impl Serialize for Problem {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Shape<'p> {
            severity: Severity,
            line: Option<u32>,
            column: Option<u32>,
            place: &'p str,
            message: &'p str,
            why: Option<&'p str>,
            r#try: Option<&'p str>,
        }
        let Self { severity, position, place, message, why, remedy, .. } = self;
        Shape {
            severity: *severity,
            line: position.map(|position| position.line),
            column: position.map(|position| position.column),
            place,
            message,
            why: why.as_deref(),
            r#try: remedy.as_deref(),
        }
        .serialize(serializer)
    }
}

/// `text` with control and direction characters escaped. So no file can send commands to a terminal or break the
/// layout.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for character in text.chars() {
        let turns_text =
            matches!(character, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
        if character.is_control() || turns_text {
            shown.extend(character.escape_default());
        } else {
            shown.push(character);
        }
    }
    shown
}

/// A word or number from a file, as a message shows it: [`escaped`], and cut after 60 characters.
#[must_use]
pub fn excerpt(text: &str) -> String {
    match text.char_indices().nth(60) {
        Some((end, _)) => escaped(&text[..end]) + "…",
        None => escaped(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_position_counts_characters_from_one() {
        let text = "a = 1\n# °C\nb°= 2\n";
        let at = |needle: &str| Position::of(text, text.find(needle).unwrap());
        assert_eq!(at("a"), Position { line: 1, column: 1 });
        assert_eq!(at("C"), Position { line: 2, column: 4 });
        assert_eq!(at("= 2"), Position { line: 3, column: 3 });
        assert_eq!(Position::of(text, 10_000), Position { line: 4, column: 1 });
    }

    #[test]
    fn a_message_carries_no_control_characters_out_of_a_file() {
        assert_eq!(excerpt("a\u{1b}[31mb\n"), "a\\u{1b}[31mb\\n");
        assert_eq!(excerpt(&"x".repeat(1000)).chars().count(), 61);
    }
}

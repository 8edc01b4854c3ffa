//! The questions one after another: one line each, with the default in brackets.

use super::{FirstFile, QUESTIONS, Question, Refused};
use crate::layout;
use std::io::{self, BufRead, Write};

/// How the asking ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asked {
    /// Every question was answered.
    All,
    /// The input ended before.
    Stopped,
}

/// Longest line that is read as an answer (bytes).
const LONGEST: u64 = 4096;

/// Asks every question that is open and not among `answered`, and changes `file` by the answers. A bad answer is
/// refused in words, and the question is asked again.
///
/// # Errors
/// `input` cannot be read, or `output` cannot be written.
pub fn ask(
    file: &mut FirstFile,
    answered: &[&Question],
    input: &mut dyn BufRead,
    output: &mut dyn Write,
) -> io::Result<Asked> {
    writeln!(output, "Enter keeps what stands in brackets. The file is written after the last answer.")?;
    for question in QUESTIONS {
        if answered.iter().any(|answered| answered.key == question.key) {
            continue;
        }
        while file.is_open(question) {
            pose(file, question, output)?;
            let Some(answer) = line(input)? else {
                writeln!(output)?;
                return Ok(Asked::Stopped);
            };
            if answer.is_empty() {
                break;
            }
            match file.answer(question, &answer) {
                Ok(()) => break,
                Err(Refused { message, remedy }) => {
                    told(output, &message, "  ")?;
                    told(output, &format!("try: {remedy}"), "  ")?;
                }
            }
        }
    }
    Ok(Asked::All)
}

fn pose(file: &FirstFile, question: &Question, output: &mut dyn Write) -> io::Result<()> {
    let now = file.now(question).unwrap_or_else(|| "as it is".to_owned());
    writeln!(output)?;
    told(output, &format!("{} ({})", question.asks, question.choice()), "")?;
    write!(output, "[{now}] ")?;
    output.flush()
}

fn told(output: &mut dyn Write, text: &str, indent: &str) -> io::Result<()> {
    layout::wrapped(text, indent, indent).iter().try_for_each(|line| writeln!(output, "{line}"))
}

/// The next line without blanks around it; `None` at the end of the input.
pub(crate) fn line(input: &mut dyn BufRead) -> io::Result<Option<String>> {
    let mut bytes = Vec::new();
    let read = io::Read::take(&mut *input, LONGEST).read_until(b'\n', &mut bytes)?;
    // A line that the end of the input cuts short was not sent.
    Ok((read > 0 && bytes.ends_with(b"\n")).then(|| String::from_utf8_lossy(&bytes).trim().to_owned()))
}

//! Reads a text stream as lines, in bounded memory.
//!
//! A log can be whatever somebody points at: a device that never ends, a picture, a file without a single line break.
//! What is not a text with lines of a sensible length is refused at the first byte that shows it.

use memchr::memchr;
use std::io::{self, BufRead, BufReader, Read};

/// Longest line accepted, in bytes. No logger writes such a row. Without a limit, a file without line breaks would fill
/// the memory.
pub(crate) const LONGEST: usize = 1 << 20;

/// Why a stream is not a text with lines.
#[derive(Debug)]
pub(crate) enum LineError {
    /// The stream itself failed.
    Io(io::Error),
    /// A line longer than [`LONGEST`].
    TooLong,
    /// A byte of value zero, which no text has.
    Nul,
    /// The mark of a text in 16-bit units.
    Utf16,
}

/// Hands out the lines of a stream, each with a line break. A last line without one gets one.
pub(crate) struct Lines<R> {
    source: BufReader<R>,
    /// A line that lies in several pieces in the buffer of `source`.
    pieces: Vec<u8>,
    /// Bytes of `source`'s buffer that the latest line still occupies.
    handed_out: usize,
    number: u64,
}

impl<R: Read> Lines<R> {
    pub(crate) fn new(source: R) -> Self {
        Self { source: BufReader::with_capacity(1 << 16, source), pieces: Vec::new(), handed_out: 0, number: 0 }
    }

    /// Number of the latest line, or of the one that failed, from 1.
    pub(crate) const fn number(&self) -> u64 {
        self.number
    }

    /// The next line, or `None` at the end. A byte-order mark at the very start is left out.
    pub(crate) fn next_line(&mut self) -> Result<Option<&[u8]>, LineError> {
        self.source.consume(std::mem::take(&mut self.handed_out));
        self.number += 1;
        let is_first = self.number == 1;
        let buffer = self.fill()?;
        let newline = memchr(b'\n', buffer);
        if is_first && (buffer.starts_with(&[0xFF, 0xFE]) || buffer.starts_with(&[0xFE, 0xFF])) {
            return Err(LineError::Utf16);
        }
        let mut line = match newline {
            Some(newline) => {
                self.handed_out = newline + 1;
                &self.source.buffer()[..self.handed_out]
            }
            None if self.gather()? => &self.pieces[..],
            None => return Ok(None),
        };
        if is_first {
            line = line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line);
        }
        if memchr(0, line).is_some() { Err(LineError::Nul) } else { Ok(Some(line)) }
    }

    /// Collects a line that runs over the end of the buffer into `pieces`. `false` at the end of the stream.
    fn gather(&mut self) -> Result<bool, LineError> {
        self.pieces.clear();
        loop {
            let buffer = match self.source.fill_buf() {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                other => other.map_err(LineError::Io)?,
            };
            let (end, complete) = match memchr(b'\n', buffer) {
                Some(newline) => (newline + 1, true),
                None => (buffer.len(), buffer.is_empty()),
            };
            // Checked here too: a stream of zeros has no line break to wait for.
            if memchr(0, &buffer[..end]).is_some() {
                return Err(LineError::Nul);
            }
            self.pieces.extend_from_slice(&buffer[..end]);
            self.source.consume(end);
            if self.pieces.len() > LONGEST {
                return Err(LineError::TooLong);
            }
            if complete {
                break;
            }
        }
        if self.pieces.is_empty() {
            return Ok(false);
        }
        if self.pieces.last() != Some(&b'\n') {
            self.pieces.push(b'\n');
        }
        Ok(true)
    }

    /// What is in the buffer after the latest line: the start of the next line, and whatever else has arrived.
    #[inline]
    pub(super) fn unread(&mut self) -> &[u8] {
        self.source.consume(std::mem::take(&mut self.handed_out));
        self.source.buffer()
    }

    /// Takes the next `length` bytes of [`Self::unread`] as a line.
    #[inline]
    pub(super) const fn pass(&mut self, length: usize) {
        self.number += 1;
        self.handed_out = length;
    }

    fn fill(&mut self) -> Result<&[u8], LineError> {
        loop {
            match self.source.fill_buf() {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(LineError::Io(error)),
                Ok(_) => return Ok(self.source.buffer()),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Hands out at most `piece` bytes at a time.
    struct Dribble<'a>(&'a [u8], usize);

    impl Read for Dribble<'_> {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            let count = self.1.min(into.len()).min(self.0.len());
            into[..count].copy_from_slice(&self.0[..count]);
            self.0 = &self.0[count..];
            Ok(count)
        }
    }

    /// One byte over and over. Panics if more than `most` of it are asked for.
    struct Bounded {
        byte: u8,
        left: usize,
    }

    impl Bounded {
        fn new(byte: u8, most: usize) -> Self {
            Self { byte, left: most }
        }
    }

    impl Read for Bounded {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            self.left = self.left.checked_sub(into.len()).expect("asked for more than was needed");
            into.fill(self.byte);
            Ok(into.len())
        }
    }

    fn all(source: impl Read) -> Result<Vec<Vec<u8>>, LineError> {
        let mut lines = Lines::new(source);
        let mut found = Vec::new();
        while let Some(line) = lines.next_line()? {
            found.push(line.to_vec());
        }
        Ok(found)
    }

    proptest! {
        #[test]
        fn lines_are_the_same_however_the_stream_is_cut(text in "[a-c\n]{0,300}", piece in 1..40_usize) {
            let expected: Vec<_> = text.lines().map(|line| format!("{line}\n").into_bytes()).collect();
            prop_assert_eq!(all(Dribble(text.as_bytes(), piece)).unwrap(), expected);
        }
    }

    #[test]
    fn a_line_without_end_is_refused_long_before_it_ends() {
        let mut lines = Lines::new(Bounded::new(b'x', 2 * LONGEST));
        assert!(matches!(lines.next_line(), Err(LineError::TooLong)));
    }

    #[test]
    fn a_stream_of_zeros_is_refused_at_once() {
        let mut lines = Lines::new(Bounded::new(0, LONGEST));
        assert!(matches!(lines.next_line(), Err(LineError::Nul)));
    }

    #[test]
    fn a_zero_in_a_short_line_is_refused_with_its_line() {
        let mut lines = Lines::new(&b"a\nb\0\nc\n"[..]);
        assert!(lines.next_line().is_ok());
        assert!(matches!(lines.next_line(), Err(LineError::Nul)));
        assert_eq!(lines.number(), 2);
    }

    #[test]
    fn a_byte_order_mark_is_left_out_and_a_16_bit_text_refused() {
        assert_eq!(all(&b"\xEF\xBB\xBFa\n"[..]).unwrap(), [b"a\n"]);
        assert!(matches!(all(&b"\xFF\xFEa\0\n\0"[..]), Err(LineError::Utf16)));
    }
}

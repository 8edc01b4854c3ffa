//! Looks at the beginning of a stream before it is read, so that a pipe need not be read twice.

use std::io::{self, Read};

/// How many bytes to look at: a day of rows of a slow logger, some hours of a fast one.
const MOST: usize = 1 << 20;

/// A stream whose beginning is known.
pub(crate) struct Head<R> {
    start: Vec<u8>,
    /// The end of the lines that were enough.
    seen: Option<usize>,
    /// Bytes of `start` that have been read.
    at: usize,
    /// The error that ended the look ahead. The reader gets it at the same place.
    failed: Option<io::Error>,
    source: R,
}

impl<R: Read> Head<R> {
    /// Looks at `source`. If `is_enough` finds nothing in doubt in header and first row, it looks no further, so that a
    /// log that arrives slowly is used as it arrives.
    pub(crate) fn new(mut source: R, is_enough: impl FnOnce(&[u8]) -> bool) -> Self {
        let mut start = Vec::new();
        let mut is_enough = Some(is_enough);
        let mut piece = vec![0; 1 << 14];
        let mut seen = None;
        let failed = loop {
            let room = piece.len().min(MOST - start.len());
            match source.read(&mut piece[..room]) {
                Ok(0) => break None,
                Ok(count) => start.extend_from_slice(&piece[..count]),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => break Some(error),
            }
            // The same lines are judged, however the stream is cut.
            if is_enough.is_some()
                && let Some(end) = two_lines(&start)
                && is_enough.take().is_some_and(|is_enough| is_enough(without_mark(&start[..end])))
            {
                seen = Some(end);
                break None;
            }
        };
        Self { start, seen, at: 0, failed, source }
    }

    /// The whole lines of the beginning, without a byte-order mark. A last line without an end counts if nothing
    /// follows it.
    pub(crate) fn lines(&self) -> &[u8] {
        let end = if let Some(seen) = self.seen {
            seen
        } else if self.start.len() < MOST {
            self.start.len()
        } else {
            memchr::memrchr(b'\n', &self.start).map_or(0, |newline| newline + 1)
        };
        without_mark(&self.start[..end])
    }
}

fn without_mark(text: &[u8]) -> &[u8] {
    text.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(text)
}

/// The end of the second line that is neither blank nor a comment.
fn two_lines(text: &[u8]) -> Option<usize> {
    let mut from = 0;
    let ends = memchr::memchr_iter(b'\n', text).filter(|&end| {
        let line = &text[std::mem::replace(&mut from, end + 1)..end];
        !line.starts_with(b"#") && !line.trim_ascii().is_empty()
    });
    ends.take(2).nth(1).map(|end| end + 1)
}

impl<R: Read> Read for Head<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let rest = &self.start[self.at..];
        if !rest.is_empty() {
            let count = rest.len().min(into.len());
            into[..count].copy_from_slice(&rest[..count]);
            self.at += count;
            if self.at == self.start.len() {
                self.start = Vec::new();
                self.at = 0;
            }
            return Ok(count);
        }
        self.failed.take().map_or_else(|| self.source.read(into), Err)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_is_the_same_after_a_look_at_its_beginning() {
        for length in [0, 5, MOST - 1, MOST, MOST + 1, 2 * MOST + 7] {
            let text: Vec<u8> = (0..length).map(|i| if i % 60 == 59 { b'\n' } else { b'x' }).collect();
            let mut head = Head::new(&text[..], |_| false);
            assert!(head.lines().len() <= MOST && text.starts_with(head.lines()));
            assert!(length < MOST || head.lines().ends_with(b"\n"));
            let mut read = Vec::new();
            head.read_to_end(&mut read).unwrap();
            assert!(read == text, "{length}");
        }
    }

    #[test]
    fn a_stream_is_looked_at_no_further_than_its_first_row_if_that_is_enough() {
        struct Endless;
        impl Read for Endless {
            fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
                panic!("asked for more than was needed")
            }
        }
        let head = Head::new((&b"# x\n\nt,a\n1,2\n3"[..]).chain(Endless), |lines| lines == b"# x\n\nt,a\n1,2\n");
        assert_eq!(head.lines(), b"# x\n\nt,a\n1,2\n");
    }

    #[test]
    fn a_stream_that_fails_fails_where_it_did() {
        struct Fails;
        impl Read for Fails {
            fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
                Err(io::ErrorKind::PermissionDenied.into())
            }
        }
        let mut head = Head::new((&b"abc"[..]).chain(Fails), |_| true);
        let mut read = Vec::new();
        assert_eq!(head.read_to_end(&mut read).unwrap_err().kind(), io::ErrorKind::PermissionDenied);
        assert_eq!(read, b"abc");
    }
}

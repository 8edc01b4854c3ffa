//! Splits lines into cells.

use super::lines::{LineError, Lines};
use csv_core::ReadRecordResult;
use std::io::Read;

/// The records of a CSV text, one a line. That bounds memory and keeps line numbers true, whatever quotes a log holds.
pub(crate) struct Records<R> {
    lines: Lines<R>,
    splitter: csv_core::Reader,
    text: Vec<u8>,
    ends: Vec<usize>,
    /// Whether no line that is neither blank nor a comment has been read yet.
    is_first: bool,
}

/// The cells of one line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Record<'a> {
    text: &'a [u8],
    ends: &'a [usize],
}

/// The separator that a first line names, as spreadsheets write it: `sep=;`.
pub(super) fn separator_line(line: &[u8]) -> Option<u8> {
    match line.trim_ascii_end() {
        // The blank that was trimmed at the end was the sign itself.
        b"sep=" => Some(b'\t'),
        [b's' | b'S', b'e' | b'E', b'p' | b'P', b'=', sign] if !sign.is_ascii_alphanumeric() => Some(*sign),
        _ => None,
    }
}

/// No log has more columns than this. A line with more is not a row.
const MOST_CELLS: usize = 4096;

impl<R: Read> Records<R> {
    pub(crate) fn new(source: R, delimiter: u8) -> Self {
        Self {
            lines: Lines::new(source),
            splitter: csv_core::ReaderBuilder::new().delimiter(delimiter).build(),
            text: vec![0; 4096],
            ends: vec![0; MOST_CELLS],
            is_first: true,
        }
    }

    /// Line of the latest record.
    pub(crate) const fn line(&self) -> u64 {
        self.lines.number()
    }

    /// What has arrived after the latest record.
    #[inline]
    pub(crate) fn unread(&mut self) -> &[u8] {
        self.lines.unread()
    }

    /// Takes the next `length` bytes of [`Self::unread`] as a record. The caller has read its cells, and knows that
    /// they are a whole line with the header's number of cells.
    #[inline]
    pub(crate) const fn pass(&mut self, length: usize) {
        self.lines.pass(length);
    }

    /// The next line that is neither blank nor a comment: its number, and its cells if it can be split.
    pub(crate) fn next_record(&mut self) -> Result<Option<(u64, Option<Record<'_>>)>, LineError> {
        loop {
            let Some(line) = self.lines.next_line()? else { return Ok(None) };
            if line.first() == Some(&b'#') || line.trim_ascii().is_empty() {
                continue;
            }
            if std::mem::take(&mut self.is_first) && separator_line(line).is_some() {
                continue;
            }
            if self.text.len() < line.len() {
                self.text.resize(line.len(), 0);
            }
            self.splitter.reset();
            let (result, _, _, cells) = self.splitter.read_record(line, &mut self.text, &mut self.ends);
            // Any other result is an open quote or too many cells.
            let whole = matches!(result, ReadRecordResult::Record);
            let record = Record { text: &self.text, ends: &self.ends[..cells] };
            return Ok(Some((self.lines.number(), whole.then_some(record))));
        }
    }
}

impl<'a> Record<'a> {
    pub(crate) const fn len(&self) -> usize {
        self.ends.len()
    }

    pub(crate) fn cells(self) -> impl Iterator<Item = &'a [u8]> {
        (0..self.len()).map(move |cell| self.cell(cell))
    }

    /// The cell without blanks around it.
    #[inline]
    pub(crate) fn cell(&self, cell: usize) -> &'a [u8] {
        let start = if cell == 0 { 0 } else { self.ends[cell - 1] };
        self.text[start..self.ends[cell]].trim_ascii()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(text: &str) -> Vec<Option<Vec<String>>> {
        let mut records = Records::new(text.as_bytes(), b',');
        let mut found = Vec::new();
        while let Some((_, record)) = records.next_record().unwrap() {
            found.push(
                record.map(|record| record.cells().map(|cell| String::from_utf8(cell.to_vec()).unwrap()).collect()),
            );
        }
        found
    }

    fn record<const N: usize>(cells: [&str; N]) -> Vec<String> {
        cells.map(str::to_owned).to_vec()
    }

    #[test]
    fn line_ends_blanks_quotes_and_comments_do_not_change_the_cells() {
        let expected = [record(["t", "a b"]), record(["1", ""]), record(["2", "x,\"y"])].map(Some);
        assert_eq!(cells("t,a b\n1,\n2,\"x,\"\"y\"\n"), expected);
        assert_eq!(cells("# c\r\n t ,\"a b\" \r\n\r\n1,\r\n  \r\n2,\"x,\"\"y\""), expected);
    }

    #[test]
    fn a_quote_left_open_spoils_its_own_line_only() {
        assert_eq!(cells("a,\"b\n1,2\n"), [None, Some(record(["1", "2"]))]);
    }

    #[test]
    fn a_line_of_very_many_cells_is_no_record() {
        assert_eq!(cells(&format!("{}\n1\n", ",".repeat(MOST_CELLS))), [None, Some(record(["1"]))]);
    }
}

//! The first rows of a log, for a look before reading.

use crate::csv_text::decimal::{self, Decimal, Sign};
use crate::csv_text::records::Records;

/// The beginning of a log: its header, and whole rows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample<'h> {
    pub(super) head: &'h [u8],
    pub(super) delimiter: u8,
    /// Number of columns.
    pub(super) width: usize,
}

/// Which decimal sign the numbers have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Signs {
    /// No number has one.
    Silent,
    /// This one, which first stands in that line.
    Is(Decimal, u64),
    /// Both occur: the first of each kind, with its line.
    Mixed((u64, String), (u64, String)),
    /// Only commas before three digits occur.
    Either(u64, String),
}

impl Sample<'_> {
    /// The text in `field` of each row, with its line. The text in `second` follows after a blank. Empty texts are left
    /// out.
    pub(super) fn texts(&self, field: usize, second: Option<usize>) -> Vec<(u64, String)> {
        let mut found = Vec::new();
        self.each(|line, record| {
            let mut text = String::from_utf8_lossy(record.cell(field)).into_owned();
            if let Some(second) = second {
                text.push(' ');
                text.push_str(&String::from_utf8_lossy(record.cell(second)));
            }
            if !text.trim().is_empty() {
                found.push((line, text));
            }
        });
        found
    }

    /// What the numbers in `fields` show about the decimal sign.
    pub(super) fn signs(&self, fields: &[usize]) -> Signs {
        let (mut point, mut comma, mut either) = (None, None, None);
        self.each(|line, record| {
            for &field in fields {
                let cell = record.cell(field);
                let place = match decimal::sign(cell) {
                    Sign::Silent => continue,
                    Sign::Is(Decimal::Point) => &mut point,
                    Sign::Is(Decimal::Comma) => &mut comma,
                    Sign::Either => &mut either,
                };
                place.get_or_insert_with(|| (line, String::from_utf8_lossy(cell).into_owned()));
            }
        });
        match (point, comma, either) {
            (Some(point), Some(comma), _) | (Some(point), None, Some(comma)) => Signs::Mixed(point, comma),
            (Some((line, _)), None, None) => Signs::Is(Decimal::Point, line),
            (None, Some((line, _)), _) => Signs::Is(Decimal::Comma, line),
            (None, None, Some((line, text))) => Signs::Either(line, text),
            (None, None, None) => Signs::Silent,
        }
    }

    fn each(&self, mut see: impl FnMut(u64, &crate::csv_text::records::Record<'_>)) {
        let mut records = Records::new(self.head, self.delimiter);
        let mut is_header = true;
        while let Ok(Some((line, record))) = records.next_record() {
            if std::mem::take(&mut is_header) {
                continue;
            }
            if let Some(record) = record.filter(|record| record.len() == self.width) {
                see(line, &record);
            }
        }
    }
}

//! Rows of a log: every record either becomes a [`Row`] or is counted among the [`Rejects`].

use super::clock::{BadTime, Dial, TimeFormat};
use super::plan::{Flag, MAX_FLAGS, MAX_NUMBERS, Number, Plan};
use super::rejects::{Fault, Rejects};
use crate::csv_text::cells::{flag, is_date, number, with_point};
use crate::csv_text::header::Header;
use crate::csv_text::lines::LineError;
use crate::csv_text::records::{Record, Records};
use crate::diagnostic::excerpt;
use std::io::Read;

/// One row of the log.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    /// Milliseconds since the first row.
    pub(super) at: i64,
    /// NaN where the cell is empty: not sampled.
    pub(super) numbers: [f64; MAX_NUMBERS],
    known: u16,
    set: u16,
    /// Whether the time since the row before is too long to know anything of it.
    pub(super) after_pause: bool,
}

const _: () = assert!(MAX_FLAGS <= 16, "flags are held in 16 bits");

impl Row {
    pub(super) const fn new(at: i64) -> Self {
        Self { at, numbers: [f64::NAN; MAX_NUMBERS], known: 0, set: 0, after_pause: false }
    }

    /// The flag; nothing where the cell is empty.
    pub(super) const fn flag(&self, flag: Flag) -> Option<bool> {
        if self.known & (1 << flag) == 0 { None } else { Some(self.set & (1 << flag) != 0) }
    }

    fn set_flag(&mut self, flag: Flag, value: bool) {
        self.known |= 1 << flag;
        self.set |= u16::from(value) << flag;
    }

    /// This row with the flags of `earlier` where it has none of its own: a flag holds until it is logged again.
    pub(super) const fn holding(self, earlier: &Self) -> Self {
        let unknown = !self.known;
        Self { known: self.known | earlier.known, set: self.set | (earlier.set & unknown), ..self }
    }

    /// Whether the number is there.
    pub(super) const fn has(&self, number: Number) -> bool {
        !self.numbers[number].is_nan()
    }
}

/// Reads rows.
pub(super) struct Rows<R> {
    records: Records<R>,
    parser: Parser,
    read: u64,
    rejects: Rejects,
}

impl<R: Read> Rows<R> {
    pub(super) fn new(records: Records<R>, header: Header, plan: &Plan) -> Self {
        Self { records, parser: Parser::new(header, plan), read: 0, rejects: Rejects::default() }
    }

    /// How moments of this log are shown; of use once a row has been read.
    pub(super) const fn dial(&self) -> &Dial {
        &self.parser.dial
    }

    /// The format of the time column, once it is known.
    pub(super) const fn time_format(&self) -> Option<TimeFormat> {
        self.parser.format
    }

    /// Rows read so far, rejected ones included.
    pub(super) const fn read(&self) -> u64 {
        self.read
    }

    /// Rows that were not used.
    pub(super) const fn rejects(&self) -> &Rejects {
        &self.rejects
    }

    /// The largest steps of the log's clock so far.
    pub(super) const fn leaps(&self) -> Leaps {
        self.parser.leaps
    }

    /// Bytes read so far.
    pub(super) const fn bytes(&self) -> u64 {
        self.records.bytes()
    }

    /// Line of the row read last.
    pub(super) const fn line(&self) -> u64 {
        self.records.line()
    }

    /// Makes `row` of the next record.
    #[inline]
    pub(super) fn next_row(&mut self, row: &mut Row) -> Result<Next, LineError> {
        let Some((line, record)) = self.records.next_record()? else { return Ok(Next::End) };
        self.read += 1;
        let parsed = match &record {
            None => Err(Wrong { kind: Fault::Unparsable, cell: None }),
            Some(record) => self.parser.parse(line, record, row),
        };
        match parsed {
            Ok(()) => Ok(Next::Row),
            Err(wrong) => {
                let parser = &self.parser;
                self.rejects.add(line, wrong.kind, || parser.explain(wrong, record.as_ref()));
                Ok(Next::Rejected)
            }
        }
    }
}

/// What became of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Next {
    /// A row.
    Row,
    /// It is not used, and counted among the rejects.
    Rejected,
    /// There is none: the log is over.
    End,
}

/// Makes rows of records.
struct Parser {
    header: Header,
    time: usize,
    format: Option<TimeFormat>,
    numbers: Vec<usize>,
    flags: Vec<usize>,
    source_fields: Vec<(usize, String)>,
    /// Time and line of the last row that was used.
    last: Option<(i64, u64)>,
    /// Time of the first row that was used.
    first_ms: i64,
    dial: Dial,
    leaps: Leaps,
}

/// A row, and how far its time lies from that of the last row that was used before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Leap {
    pub(super) line: u64,
    /// In milliseconds, either way.
    pub(super) by: i64,
}

/// The largest steps of the log's clock.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Leaps {
    pub(super) back: Option<Leap>,
    pub(super) forward: Option<Leap>,
}

impl Leaps {
    #[inline]
    fn note(leap: &mut Option<Leap>, line: u64, by: i64) {
        if leap.is_none_or(|largest| by > largest.by) {
            *leap = Some(Leap { line, by });
        }
    }
}

/// What is wrong with a record, and in which cell.
#[derive(Clone, Copy)]
struct Wrong {
    kind: Fault,
    cell: Option<usize>,
}

impl Parser {
    fn new(header: Header, plan: &Plan) -> Self {
        Self {
            header,
            time: plan.time.0,
            format: plan.time.1,
            numbers: plan.numbers.clone(),
            flags: plan.flags.clone(),
            source_fields: plan.source_fields.clone(),
            last: None,
            first_ms: 0,
            dial: Dial::default(),
            leaps: Leaps::default(),
        }
    }

    #[inline]
    fn parse(&mut self, line: u64, record: &Record<'_>, row: &mut Row) -> Result<(), Wrong> {
        if record.len() != self.header.width() {
            return Err(Wrong { kind: Fault::CellCount, cell: None });
        }
        let unparsable = |cell| Wrong { kind: Fault::Unparsable, cell: Some(cell) };
        let field = record.cell(self.time);
        let format = self.format.or_else(|| TimeFormat::guess(field)).ok_or(unparsable(self.time))?;
        let millis = format.parse(field).map_err(|bad| match bad {
            BadTime::Unparsable => unparsable(self.time),
            BadTime::NonFinite => Wrong { kind: Fault::NonFinite, cell: Some(self.time) },
        })?;
        match self.last {
            Some((last, _)) if millis < last => {
                Leaps::note(&mut self.leaps.back, line, last - millis);
                return Err(Wrong { kind: Fault::OutOfOrder, cell: Some(self.time) });
            }
            Some((last, _)) if millis == last => return Err(Wrong { kind: Fault::Duplicate, cell: Some(self.time) }),
            _ => {}
        }
        *row = Row::new(millis - self.first_ms);
        for (value, &cell) in row.numbers.iter_mut().zip(&self.numbers) {
            let field = record.cell(cell);
            if field.is_empty() {
                continue;
            }
            *value = number(field).ok_or(unparsable(cell))?;
            if !value.is_finite() {
                return Err(Wrong { kind: Fault::NonFinite, cell: Some(cell) });
            }
        }
        for (place, &cell) in self.flags.iter().enumerate() {
            let field = record.cell(cell);
            if !field.is_empty() {
                row.set_flag(place, flag(field).ok_or(unparsable(cell))?);
            }
        }
        if let Some((last, _)) = self.last {
            Leaps::note(&mut self.leaps.forward, line, millis - last);
        } else {
            self.format = Some(format);
            self.first_ms = millis;
            self.dial = Dial::new(format, field, millis);
            row.at = 0;
        }
        self.last = Some((millis, line));
        Ok(())
    }

    /// What is wrong, for a person.
    fn explain(&self, wrong: Wrong, record: Option<&Record<'_>>) -> String {
        let Some(record) = record else { return "a quote that is not closed, or thousands of cells".into() };
        let Some(cell) = wrong.cell else {
            let (cells, width) = (record.len(), self.header.width());
            let hint =
                if cells > width { ": a decimal comma, or text with the delimiter in it, without quotes?" } else { "" };
            return format!("{cells} cells, the header has {width}{hint}");
        };
        let held = excerpt(&String::from_utf8_lossy(record.cell(cell)));
        match (wrong.kind, self.last) {
            (Fault::OutOfOrder, Some((_, line))) => format!("{held} is before line {line}"),
            (Fault::Duplicate, Some((_, line))) => format!("{held} is the time of line {line} too"),
            _ => {
                format!("column {} holds \"{held}\"{}", self.header.shown(cell), self.expected(cell, record.cell(cell)))
            }
        }
    }

    /// What a cell that cannot be read looks like, and what would be read there.
    fn expected(&self, cell: usize, field: &[u8]) -> String {
        const TIMES: &str = "a date as 2025-01-31 13:45:00 or 2025-01-31T13:45:00+01:00, or a number of seconds";
        if cell == self.time {
            let looks = if is_date(field) { ", a date in another form" } else { "" };
            return format!("{looks}: expected {TIMES}");
        }
        if self.flags.contains(&cell) {
            let source = self.source_fields.iter().find(|(source, _)| *source == cell && number(field).is_some());
            return match source {
                Some((_, source)) => {
                    let column = self.header.shown(cell);
                    format!(", not 0 or 1: --source {source}={column}>=NUMBER says from where on it counts")
                }
                None => ": expected 0 or 1, false or true, off or on, no or yes".to_owned(),
            };
        }
        match with_point(field) {
            Some(number) => format!(", with a decimal comma: expected a decimal point, as in {number}"),
            None => ": expected a number, as in -7.5; an empty cell where there is none".to_owned(),
        }
    }
}

//! Rows of a log: every record either becomes a [`Row`] or is counted among the [`Rejects`].

use super::assignment::{Flag, MAX_FLAGS, MAX_NUMBERS, Number, Reading};
use super::clock::{BadTime, Dial, TimeFormat, written_offset};
use super::pattern::Pattern;
use super::plain::{Columns, Plain};
use super::rejects::{Fault, Rejects};
use super::report::SummerTime;
use crate::csv_text::cells::{flag, is_date, number, with_point};
use crate::csv_text::decimal::{Decimal, Sign, sign, with_comma};
use crate::csv_text::header::Header;
use crate::csv_text::lines::LineError;
use crate::csv_text::records::{Record, Records};
use crate::diagnostic::excerpt;
use memchr::memchr;
use std::io::Read;

/// One row of the log.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    /// Milliseconds since the first row.
    pub(super) at: i64,
    /// NaN for an empty cell: not sampled.
    pub(super) numbers: [f64; MAX_NUMBERS],
    known: u16,
    set: u16,
    /// Whether the pause since the row before is too long to say anything about it.
    pub(super) after_pause: bool,
}

const _: () = assert!(MAX_FLAGS <= 16, "flags are held in 16 bits");

impl Row {
    pub(super) const fn new(at: i64) -> Self {
        Self { at, numbers: [f64::NAN; MAX_NUMBERS], known: 0, set: 0, after_pause: false }
    }

    /// The flag; `None` for an empty cell.
    pub(super) const fn flag(&self, flag: Flag) -> Option<bool> {
        if self.known & (1 << flag) == 0 { None } else { Some(self.set & (1 << flag) != 0) }
    }

    pub(super) const fn set_number(&mut self, number: Number, value: f64) {
        self.numbers[number] = value;
    }

    pub(super) fn set_flag(&mut self, flag: Flag, value: bool) {
        self.known |= 1 << flag;
        self.set |= u16::from(value) << flag;
    }

    /// This row, with flags from `earlier` where its own are missing. A flag holds until the log has it again.
    pub(super) const fn holding(self, earlier: &Self) -> Self {
        let unknown = !self.known;
        Self { known: self.known | earlier.known, set: self.set | (earlier.set & unknown), ..self }
    }

    /// Whether the number is there.
    pub(super) const fn has(&self, number: Number) -> bool {
        !self.numbers[number].is_nan()
    }
}

/// How rows are read. The result is the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Pace {
    /// Plain rows on a path of their own.
    Quick,
    /// Every row on the general path.
    General,
}

/// Reads rows.
pub(super) struct Rows<R> {
    records: Records<R>,
    parser: Parser,
    read: u64,
    rejects: Rejects,
    contradiction: Option<(String, String)>,
}

impl<R: Read> Rows<R> {
    pub(super) fn new(records: Records<R>, header: Header, reading: &Reading, delimiter: u8, pace: Pace) -> Self {
        Self {
            records,
            parser: Parser::new(header, reading, delimiter, pace),
            read: 0,
            rejects: Rejects::default(),
            contradiction: None,
        }
    }

    /// The same, with words that stand for nothing, such as `NaN`, read as empty cells where a number is expected.
    pub(super) fn with_words_for_nothing(mut self) -> Self {
        self.parser.has_words_for_nothing = true;
        self
    }

    /// How moments of this log are shown. Valid once a row has been read.
    pub(super) const fn dial(&self) -> &Dial {
        &self.parser.dial
    }

    /// The format of the time column, once it is known.
    pub(super) fn time_format(&self) -> String {
        match (&self.parser.pattern, self.parser.format) {
            (Some(pattern), _) => pattern.text().to_owned(),
            (None, Some(format)) => format.name().to_owned(),
            (None, None) => String::new(),
        }
    }

    /// Whether moments are dates without a zone. Valid once a row has been read.
    pub(super) const fn is_without_zone(&self) -> bool {
        self.parser.is_without_zone
    }

    /// Where the clock seems to have been set for summer time.
    pub(super) const fn summer_time(&self) -> Option<SummerTime> {
        self.parser.summer_time
    }

    /// The decimal sign, once a number has shown it.
    pub(super) const fn decimal(&self) -> Option<Decimal> {
        self.parser.decimal
    }

    /// How the last row contradicts the rows before it, and the remedy.
    pub(super) fn contradiction(&self) -> (String, String) {
        self.contradiction.clone().unwrap_or_default()
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

    /// Line of the row read last.
    pub(super) const fn line(&self) -> u64 {
        self.records.line()
    }

    /// Reads the next record into `row`.
    #[inline]
    pub(super) fn next_row(&mut self, row: &mut Row) -> Result<Next, LineError> {
        if let Some(length) = self.parser.parse_plain(self.records.line() + 1, self.records.unread(), row) {
            self.records.pass(length);
            self.read += 1;
            return Ok(Next::Row);
        }
        let Some((line, record)) = self.records.next_record()? else { return Ok(Next::End) };
        self.read += 1;
        let parsed = match &record {
            None => Err(Wrong::new(Fault::Unparsable, None)),
            Some(record) => self.parser.parse(line, record, row),
        };
        match parsed {
            Ok(()) => Ok(Next::Row),
            Err(Wrong { contradicts: true, cell, .. }) => {
                let cell = cell.unwrap_or(0);
                self.contradiction = record.map(|record| self.parser.contradiction(cell, &record));
                Ok(Next::Contradicts)
            }
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
    /// A record that is not used, and is counted among the rejects.
    Rejected,
    /// A record written in another way than the rows before. It puts in doubt how those were read.
    Contradicts,
    /// No record: the log is over.
    End,
}

/// Reads a number with the decimal sign of the log. The first number that shows a sign sets it.
#[inline(never)]
fn signed_number(decimal: &mut Option<Decimal>, cell: usize, field: &[u8]) -> Result<f64, Wrong> {
    let unparsable = Wrong::new(Fault::Unparsable, Some(cell));
    let contradicts = Wrong { contradicts: true, ..unparsable };
    match (*decimal, sign(field)) {
        (None, Sign::Is(shown)) => *decimal = Some(shown),
        (None | Some(Decimal::Point), Sign::Either)
        | (Some(Decimal::Point), Sign::Is(Decimal::Comma))
        | (Some(Decimal::Comma), Sign::Is(Decimal::Point)) => return Err(contradicts),
        _ => {}
    }
    let read = if *decimal == Some(Decimal::Comma) { with_comma(field) } else { number(field) };
    read.ok_or(unparsable)
}

/// Turns records into rows.
struct Parser {
    header: Header,
    time: usize,
    /// The column of the time of day, if it has its own.
    second: Option<usize>,
    format: Option<TimeFormat>,
    pattern: Option<Pattern>,
    /// The moment in the form for the patterns, if it stands in two cells or has a decimal comma.
    moment: Vec<u8>,
    is_without_zone: bool,
    summer_time: Option<SummerTime>,
    decimal: Option<Decimal>,
    delimiter: u8,
    /// Whether `NaN` and `NA` are empty cells.
    has_words_for_nothing: bool,
    pace: Pace,
    /// Reads plain rows, once the first row has shown how the log is written.
    plain: Option<Plain>,
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

/// A row, and the distance of its time from the last row that was used before it.
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
    contradicts: bool,
}

impl Wrong {
    const fn new(kind: Fault, cell: Option<usize>) -> Self {
        Self { kind, cell, contradicts: false }
    }
}

const HOUR_MS: i64 = 3_600_000;

impl Parser {
    fn new(header: Header, reading: &Reading, delimiter: u8, pace: Pace) -> Self {
        Self {
            header,
            time: reading.time.field,
            second: reading.time.second,
            format: reading.time.format,
            pattern: reading.time.pattern.clone(),
            moment: Vec::new(),
            is_without_zone: false,
            summer_time: None,
            decimal: reading.decimal,
            delimiter,
            has_words_for_nothing: false,
            pace,
            plain: None,
            numbers: reading.numbers.clone(),
            flags: reading.flags.clone(),
            source_fields: reading.source_fields.clone(),
            last: None,
            first_ms: 0,
            dial: Dial::default(),
            leaps: Leaps::default(),
        }
    }

    #[inline]
    fn parse(&mut self, line: u64, record: &Record<'_>, row: &mut Row) -> Result<(), Wrong> {
        if record.len() != self.header.width() {
            return Err(Wrong::new(Fault::CellCount, None));
        }
        let unparsable = |cell| Wrong::new(Fault::Unparsable, Some(cell));
        let field = record.cell(self.time);
        let (millis, format) = if self.has_plain_time() {
            let format = self.format.or_else(|| TimeFormat::guess(field)).ok_or(unparsable(self.time))?;
            let millis = format.parse(field).map_err(|bad| match bad {
                BadTime::Unparsable => unparsable(self.time),
                BadTime::NonFinite => Wrong::new(Fault::NonFinite, Some(self.time)),
            })?;
            (millis, Some(format))
        } else {
            self.other_time(record)?
        };
        match self.last {
            Some((last, _)) if millis < last => {
                Leaps::note(&mut self.leaps.back, line, last - millis);
                self.note_summer_time(line, last, millis);
                return Err(Wrong::new(Fault::OutOfOrder, Some(self.time)));
            }
            Some((last, _)) if millis == last => return Err(Wrong::new(Fault::Duplicate, Some(self.time))),
            _ => {}
        }
        *row = Row::new(millis - self.first_ms);
        for (value, &cell) in row.numbers.iter_mut().zip(&self.numbers) {
            let field = record.cell(cell);
            if self.is_nothing(field) {
                continue;
            }
            *value = if self.decimal == Some(Decimal::Point) && !self.comma_is_free() {
                number(field).ok_or(unparsable(cell))?
            } else {
                signed_number(&mut self.decimal, cell, field)?
            };
            if !value.is_finite() {
                return Err(Wrong::new(Fault::NonFinite, Some(cell)));
            }
        }
        for (place, &cell) in self.flags.iter().enumerate() {
            let field = record.cell(cell);
            if !self.is_nothing(field) {
                row.set_flag(place, flag(field).ok_or(unparsable(cell))?);
            }
        }
        if let Some((last, _)) = self.last {
            self.follow(line, last, millis);
        } else {
            self.begin(record, format, millis);
            row.at = 0;
        }
        self.last = Some((millis, line));
        if let Some(plain) = &mut self.plain {
            plain.learn(record.cell(self.time), millis);
        }
        Ok(())
    }

    #[inline]
    fn is_nothing(&self, field: &[u8]) -> bool {
        field.is_empty()
            || (self.has_words_for_nothing && [&b"nan"[..], b"na"].iter().any(|word| field.eq_ignore_ascii_case(word)))
    }

    /// Reads the row that `text` begins with, if it is plain and later than the last. Returns the length of its line.
    /// If there is none, nothing changes but `row`.
    #[inline]
    fn parse_plain(&mut self, line: u64, text: &[u8], row: &mut Row) -> Option<usize> {
        let (plain, (last, _)) = (self.plain.as_ref()?, self.last?);
        *row = Row::new(0);
        let (length, millis) = plain.read(text, row).filter(|(_, millis)| *millis > last)?;
        row.at = millis - self.first_ms;
        self.follow(line, last, millis);
        self.last = Some((millis, line));
        Some(length)
    }

    /// Takes note of a row that is later than the one before.
    #[inline]
    fn follow(&mut self, line: u64, last: i64, millis: i64) {
        Leaps::note(&mut self.leaps.forward, line, millis - last);
        if millis - last > HOUR_MS {
            self.note_summer_time(line, last, millis);
        }
    }

    /// Whether numbers may have either decimal sign: commas do not separate the cells.
    const fn comma_is_free(&self) -> bool {
        self.delimiter != b','
    }

    /// Whether the time stands in one cell, ready to read in a format with a name.
    #[inline]
    fn has_plain_time(&self) -> bool {
        self.pattern.is_none() && self.second.is_none() && self.decimal == Some(Decimal::Point)
    }

    /// The moment of a row, and its format if that has a name.
    #[inline(never)]
    fn other_time(&mut self, record: &Record<'_>) -> Result<(i64, Option<TimeFormat>), Wrong> {
        let unparsable = Wrong::new(Fault::Unparsable, Some(self.time));
        self.put_moment(record);
        if let Some(pattern) = &self.pattern {
            return match pattern.parse(&self.moment) {
                Ok((millis, _)) => Ok((millis, None)),
                Err(_) if pattern.swapped().parse(&self.moment).is_ok() => {
                    Err(Wrong { contradicts: true, ..unparsable })
                }
                Err(_) => Err(unparsable),
            };
        }
        let comma = memchr(b',', &self.moment).filter(|_| self.comma_is_free() && self.decimal != Some(Decimal::Point));
        if let Some(comma) = comma {
            self.moment[comma] = b'.';
        }
        let format = self.format.or_else(|| TimeFormat::guess(&self.moment)).ok_or(unparsable)?;
        match format.parse(&self.moment) {
            Ok(millis) => Ok((millis, Some(format))),
            Err(BadTime::Unparsable) => Err(unparsable),
            Err(BadTime::NonFinite) => Err(Wrong::new(Fault::NonFinite, Some(self.time))),
        }
    }

    /// Joins the cells that hold the row's moment.
    fn put_moment(&mut self, record: &Record<'_>) {
        self.moment.clear();
        self.moment.extend_from_slice(record.cell(self.time));
        if let Some(second) = self.second {
            self.moment.push(b' ');
            self.moment.extend_from_slice(record.cell(second));
        }
    }

    /// Takes a row as the first.
    #[cold]
    fn begin(&mut self, record: &Record<'_>, format: Option<TimeFormat>, millis: i64) {
        self.put_moment(record);
        self.format = format;
        self.first_ms = millis;
        self.dial = match (&self.pattern, format) {
            (Some(pattern), _) => {
                let offset = pattern.parse(&self.moment).ok().and_then(|(_, offset)| offset);
                self.is_without_zone = offset.is_none();
                Dial::of_dates(millis, offset)
            }
            (None, Some(format)) => {
                self.is_without_zone = format == TimeFormat::Rfc3339 && written_offset(&self.moment).is_none();
                Dial::new(format, &self.moment, millis)
            }
            (None, None) => Dial::default(),
        };
        if self.pace == Pace::Quick && self.has_plain_time() {
            let columns =
                Columns { width: self.header.width(), time: self.time, numbers: &self.numbers, flags: &self.flags };
            self.plain = format.and_then(|format| Plain::new(&columns, self.delimiter, format));
        }
    }

    /// Notes the first step of a clock without zones that looks like a change to or from summer time: by an hour, give
    /// or take the time between two rows, early on a Sunday, in a month in which clocks change.
    #[cold]
    fn note_summer_time(&mut self, line: u64, last: i64, millis: i64) {
        if self.summer_time.is_some() || !self.is_without_zone {
            return;
        }
        let (repeated, off) =
            (millis < last, if millis < last { HOUR_MS - (last - millis) } else { millis - last - HOUR_MS });
        // Zones with summer time change on Sundays from midnight to 4 h, in March, April and September to November
        // (from memory).
        let Some(at) = jiff::Timestamp::from_millisecond(millis).ok() else { return };
        let at = at.to_zoned_datetime(jiff::tz::TimeZone::UTC);
        let is_night =
            at.weekday() == jiff::civil::Weekday::Sunday && at.hour() <= 4 && matches!(at.month(), 3 | 4 | 9..=11);
        if is_night && (0..=HOUR_MS / 2).contains(&off) {
            self.summer_time = Some(SummerTime { line, repeated });
        }
    }

    /// How a row contradicts the rows before it, for a person, and what to do.
    fn contradiction(&self, cell: usize, record: &Record<'_>) -> (String, String) {
        let column = self.header.shown(cell);
        if let Some(pattern) = self.pattern.as_ref().filter(|_| cell == self.time) {
            let held = excerpt(&String::from_utf8_lossy(&self.moment));
            let (ours, theirs) = (pattern.text(), pattern.swapped());
            let theirs = theirs.text();
            let message =
                format!("column {column} holds \"{held}\", which is {theirs}; the rows before were read as {ours}");
            return (message, format!("--time 'COLUMN:{theirs}', if all rows are so; or mend the rows that are not"));
        }
        let field = record.cell(cell);
        let held = excerpt(&String::from_utf8_lossy(field));
        match (self.decimal, sign(field)) {
            (None, _) => {
                let text = String::from_utf8_lossy(field);
                let (decimals, thousands) = (text.replacen(',', ".", 1), text.replacen(',', "", 1));
                let message = format!(
                    "column {column} holds \"{held}\", which may be {decimals} or {thousands}: no row before it decides"
                );
                (message, format!("--decimal comma, if it is {decimals}; or export it without thousands signs"))
            }
            (Some(decimal), _) => {
                let message =
                    format!("column {column} holds \"{held}\"; the numbers before it have a {}", decimal.named());
                (message, "one decimal sign in the whole log: export it again".to_owned())
            }
        }
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

    /// What an unreadable cell looks like, and what it should hold.
    fn expected(&self, cell: usize, field: &[u8]) -> String {
        const TIMES: &str = "a date as 2025-01-31 13:45:00 or 2025-01-31T13:45:00+01:00, or a number of seconds";
        if let Some(pattern) = self.pattern.as_ref().filter(|_| cell == self.time) {
            let second = self.second.map_or(String::new(), |second| format!(" with {}", self.header.shown(second)));
            return format!("{second}: expected a date as {} has it", pattern.text());
        }
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

#[cfg(test)]
mod tests {
    use super::super::assignment::Assignment;
    use super::*;
    use crate::installation::{Installation, starter};
    use crate::replay::mapping::Mapping;
    use crate::replay::sample::Sample;

    /// The rows of a log, the first of them read.
    fn rows(text: &str, pace: Pace) -> Rows<&[u8]> {
        let installation = Installation::parse("starter", &starter()).unwrap();
        let mut records = Records::new(text.as_bytes(), b',');
        let header = Header::new(records.next_record().unwrap().unwrap().1.unwrap().cells());
        let sample = Sample { head: text.as_bytes(), delimiter: b',', width: header.width() };
        let assignment = Assignment::new(&installation, &header, &Mapping::default(), "log", 1, sample).unwrap();
        let mut rows = Rows::new(records, header, &assignment.reading, b',', pace);
        assert_eq!(rows.next_row(&mut Row::new(0)).unwrap(), Next::Row);
        rows
    }

    #[test]
    fn plain_rows_are_read_on_their_own_path_from_the_second_row_on_unless_none_is_wanted() {
        for (first, second) in [("2001-01-01T00:00:00Z", "2001-01-01T00:00:01Z"), ("100", "101")] {
            let log = format!("time,cells_low_c,cells_high_c\n{first},1,1\n");
            let line = format!("{second},1.5,\nnext row");
            let parse = |pace| rows(&log, pace).parser.parse_plain(3, line.as_bytes(), &mut Row::new(0));
            assert_eq!(parse(Pace::Quick), Some(line.len() - "next row".len()), "{first}");
            assert_eq!(parse(Pace::General), None);
        }
    }
}

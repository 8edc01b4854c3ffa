//! Reads from a log when a source was present.

use crate::csv_text::cells::flag;
use crate::csv_text::dates::{BadDate, Dates, Shown, TIME_NAMES, seconds};
use crate::csv_text::findings::Findings;
use crate::csv_text::header::{Header, NoColumn};
use crate::csv_text::records::Records;
use crate::csv_text::{cannot_read, first_row, unreadable};
use crate::diagnostic::{Problem, Severity, excerpt};
use crate::input;
use crate::unpack::Unpacked;
use jiff::civil::DateTime;
use jiff::{SignedDuration, ToSpan};
use std::io::Read;
use std::path::Path;

/// Most rows of a log: some three years of seconds. A stream that never ends is not a log.
const MOST_ROWS: u32 = 100_000_000;

/// Presence of one source over time.
#[derive(Clone, Debug)]
pub(super) struct Log {
    file: String,
    start: DateTime,
    /// When it becomes present or absent (s), since the first row.
    changes: Vec<(i64, bool)>,
    /// The last row (s).
    end_s: i64,
}

impl Log {
    pub(super) fn load(path: &Path, source: &str) -> Result<Self, Vec<Problem>> {
        let file = path.display().to_string();
        let text = input::open(path).map_err(|error| vec![cannot_read(&file, &error)])?;
        Self::read(&file, source, text)
    }

    pub(super) fn read(file: &str, source: &str, text: impl Read) -> Result<Self, Vec<Problem>> {
        let mut findings = Findings::new(file);
        let text = Unpacked::new(text).map_err(|error| vec![cannot_read(file, &error)])?;
        let mut records = Records::new(text, b',');
        let (line, header) = first_row(file, &mut records).map_err(|problem| vec![problem])?;
        let mut column = |names: &[&str]| match one(&header, names) {
            Ok(column) => Some(column),
            Err(why) => {
                let what = if why == NoColumn::Twice { "more than one" } else { "no" };
                let message = format!(
                    "{what} column {}",
                    names.iter().map(|name| excerpt(name)).collect::<Vec<_>>().join(" or ")
                );
                findings.add(line, message, format!("one column of that name; the columns are: {}", header.listed()));
                None
            }
        };
        let (time, present) = (column(&TIME_NAMES), column(&[&format!("{source}_present")]));
        let (Some(time), Some(present)) = (time, present) else { return Err(findings.into_problems()) };

        let mut dates = Dates::default();
        let mut log: Option<Self> = None;
        for _ in 0..MOST_ROWS {
            let (line, record) = match records.next_record() {
                Ok(Some((line, Some(record)))) if record.len() == header.width() => (line, record),
                Ok(Some((line, record))) => {
                    let cells = record
                        .map_or("a quote that is not closed".to_owned(), |record| format!("{} cells", record.len()));
                    let message = format!("{cells}, the header has {}: cut off?", header.width());
                    findings.add(line, message, "put in the whole row, or take the row out");
                    continue;
                }
                Ok(None) => return finish(file, log, findings),
                Err(error) => {
                    findings.note(unreadable(file, records.line(), &error));
                    return finish(file, log, findings);
                }
            };
            let at = match dates.read(line, record.cell(time)) {
                Ok(at) => at,
                Err(BadDate { message, remedy }) => {
                    findings.add(line, message, remedy);
                    continue;
                }
            };
            let log =
                log.get_or_insert_with(|| Self { file: file.to_owned(), start: at, changes: Vec::new(), end_s: 0 });
            log.end_s = seconds(log.start, at);
            match (flag(record.cell(present)), log.changes.last()) {
                (Some(on), last) => {
                    if last.is_some_and(|&(_, before)| before) != on {
                        log.changes.push((log.end_s, on));
                    }
                }
                // An empty cell adds nothing.
                (None, _) if record.cell(present).is_empty() => {}
                (None, _) => {
                    let held = excerpt(&String::from_utf8_lossy(record.cell(present)));
                    let message = format!("column {} holds \"{held}\", not 0 or 1", header.shown(present));
                    findings.add(line, message, "1 where the source is present, 0 where it is not");
                }
            }
        }
        findings.add(
            records.line(),
            format!("more than {MOST_ROWS} rows"),
            "cut the log to the part that is rehearsed",
        );
        finish(file, log, findings)
    }

    /// When it becomes present or absent (s), since the first row. It is absent from the last row on.
    pub(super) fn changes(&self) -> impl Iterator<Item = (i64, bool)> {
        let within = self.changes.iter().copied().filter(|&(at_s, _)| at_s < self.end_s);
        within.chain([(self.end_s, false)])
    }

    /// A warning if the log of `source`, laid at `from_s`, leaves more than an hour of the season from `start`
    /// uncovered.
    pub(super) fn gap(&self, source: &str, from_s: i64, start: DateTime, span_s: i64) -> Option<Problem> {
        let covered_s = (from_s + self.end_s).min(span_s) - from_s.max(0);
        if span_s - covered_s <= 3600 {
            return None;
        }
        let days = |seconds: i64| tenths(seconds * 10 / 86_400);
        let message = format!("covers {} of the {} days from {} on", days(covered_s), days(span_s), Shown(start));
        let problem = Problem::error(&self.file, message)
            .because(format!("{} is absent outside its log", excerpt(source)))
            .remedy("use a log of the whole season, rehearse the log's days only, or write a schedule");
        Some(Problem { severity: Severity::Warning, ..problem })
    }

    /// When the log begins, seen from `start` (s). It keeps its own dates if they overlap a season of `span_s`. If not,
    /// it moves to the year in which most of it overlaps.
    pub(super) fn laid_over(&self, start: DateTime, span_s: i64) -> Result<i64, Problem> {
        let shared = |from_s: i64| (from_s + self.end_s).min(span_s) - from_s.max(0);
        let end = start.saturating_add(SignedDuration::from_secs(span_s));
        let in_year = |years: i16| {
            let moved = self.start.checked_add(years.years()).ok()?;
            Some(seconds(start, moved))
        };
        let as_dated = seconds(start, self.start);
        if shared(as_dated) > 0 {
            return Ok(as_dated);
        }
        let years =
            (start.year() - self.start.year()).saturating_sub(2)..=(end.year() - self.start.year()).saturating_add(2);
        let best = years.filter_map(in_year).max_by_key(|&from_s| shared(from_s));
        best.filter(|&from_s| shared(from_s) > 0).ok_or_else(|| {
            let until = self.start.saturating_add(SignedDuration::from_secs(self.end_s));
            let message = format!(
                "covers {} to {}, nothing of the season from {} to {}",
                Shown(self.start),
                Shown(until),
                Shown(start),
                Shown(end)
            );
            Problem::error(&self.file, message).remedy("use a log of the season, or rehearse the log's days")
        })
    }
}

/// `25` as `2.5`, `30` as `3`.
fn tenths(number: i64) -> String {
    match number % 10 {
        0 => (number / 10).to_string(),
        part => format!("{}.{part}", number / 10),
    }
}

fn one(header: &Header, names: &[&str]) -> Result<usize, NoColumn> {
    let found: Vec<_> =
        names.iter().map(|name| header.find(name)).filter(|found| *found != Err(NoColumn::Absent)).collect();
    match found[..] {
        [] => Err(NoColumn::Absent),
        [only] => only,
        _ => Err(NoColumn::Twice),
    }
}

fn finish(file: &str, log: Option<Log>, mut findings: Findings<'_>) -> Result<Log, Vec<Problem>> {
    match log.filter(|log| log.end_s > 0) {
        Some(log) if findings.is_empty() => Ok(log),
        None if findings.is_empty() => {
            let problem = Problem::error(file, "has fewer than two rows, so the source is never present");
            findings.note(problem.remedy("put in a row for every change, and one at the end"));
            Err(findings.into_problems())
        }
        _ => Err(findings.into_problems()),
    }
}

//! Drives the controller with a log: the decisions it would have made, their reasons, and the faults it would have
//! found.
//!
//! ```text
//! bytes ─ lines ─ records ─ rows ─ fill ─ ahead ─ drive ─ record ─┬ tally, differ ─ report ─ summary
//!              └─── plain ───┘ │      │              │             ├ events
//!                          rejects  empty            │             ├ timeline
//!                                   cells            └ the core    └ picture
//! ```
//!
//! A replay reads the log once, in bounded memory, however long the log is. The replay is *open loop*: the temperatures
//! come from the log, whatever the controller decides. So a replay cannot judge what only the controller's own heat
//! could show: a heater without effect, or a heater that does not go off.

mod ahead;
mod assignment;
mod clock;
mod differ;
mod drive;
mod events;
mod fill;
mod mapping;
mod measured;
mod pattern;
mod picture;
mod plain;
mod record;
mod rejects;
mod report;
mod rows;
mod sample;
mod summary;
mod tally;
mod time_column;
mod unit_names;

pub use crate::csv_text::decimal::Decimal;
pub use crate::scale::Unit;
use crate::si;
pub use clock::{Dial, Span, TimeFormat};
pub use events::{Events, Listed};
pub use mapping::{ChannelColumn, Mapping, SourceColumn, TimeColumn};
pub(crate) use measured::{Measured, Moment as MeasuredAt, Others, measured};
pub use rejects::{Fault, Reject, Rejects};
pub use report::{
    Because, Bridge, Difference, Differences, Energy, FaultReport, InState, Pause, Period, Report, Step, SummerTime,
    Use,
};
pub use summary::{figures, summarise};

use crate::cautions::CAUTIONS;
use crate::chart;
use crate::csv_text::head::Head;
use crate::csv_text::header::Header;
use crate::csv_text::lines::LineError;
use crate::csv_text::records::Records;
use crate::csv_text::{at_line, separator, unreadable};
use crate::diagnostic::Problem;
use crate::installation::Installation;
use crate::output::Target;
use crate::scale;
use crate::season::{Channels, Film, NEXT_WITHIN, Timeline, Wanted};
use crate::threads;
use crate::unpack::Unpacked;
use ahead::{Ended, ahead};
use assignment::Assignment;
use drive::Driver;
use fill::{Filler, Limit};
use picture::Picture;
use record::Recorder;
use report::Source;
use rows::{Next, Pace, Row, Rows};
use sample::Sample;
use std::io::{Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// How a log is to be read and stepped through.
#[derive(Clone, Debug)]
pub struct Request {
    /// The log's name in messages.
    pub log: String,
    /// The sign between its cells; by default the header and the first rows show it.
    pub delimiter: Option<u8>,
    /// What the user says about its columns.
    pub mapping: Mapping,
    /// Time between two steps of the controller, in milliseconds.
    pub step_ms: u32,
    /// The longest gap between two values to interpolate, in milliseconds; by default the log's own intervals show it.
    pub longest_gap_ms: Option<i64>,
    /// Stop at the first row that cannot be used.
    pub strict: bool,
}

/// Where the results go, besides the report.
#[derive(Debug, Default)]
pub struct Sinks {
    /// A timeline as CSV, and the time between its lines while nothing changes, in milliseconds.
    pub timeline: Option<(Target, i64)>,
    /// A picture.
    pub plot: Option<(Target, PlotForm)>,
    /// Whether to keep events.
    pub events: bool,
}

/// What kind of file a picture is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlotForm {
    /// A drawing.
    Svg,
    /// A page to look into.
    Html,
}

/// Why there is no report.
#[derive(Debug)]
pub enum ReplayError {
    /// The log cannot be read as rows of text at all, or a result cannot be written.
    Unusable(Problem),
    /// The log was read, and does not fit the installation or its own header.
    Refused(Vec<Problem>),
}

impl From<Box<Problem>> for ReplayError {
    fn from(problem: Box<Problem>) -> Self {
        Self::Unusable(*problem)
    }
}

impl From<Problem> for ReplayError {
    fn from(problem: Problem) -> Self {
        Self::Unusable(problem)
    }
}

/// How far a replay has come.
#[derive(Clone, Copy, Debug)]
pub struct Progress {
    /// Bytes of the log read, as it is stored.
    pub bytes: u64,
    /// Steps taken.
    pub steps: u64,
}

/// Replays `log` through the controller of `installation`. The log may be packed as gzip or zstd. Reports to `progress`
/// now and then how far it has come.
///
/// # Errors
/// [`ReplayError`]. The files in `sinks` then stay as they were.
pub fn replay(
    installation: &Installation,
    log: impl Read + Send,
    request: &Request,
    sinks: Sinks,
    progress: &mut dyn FnMut(Progress),
) -> Result<(Report, Option<Events>), ReplayError> {
    replay_at(Pace::Quick, installation, log, request, sinks, progress)
}

/// The same with every row read on the general path, at half the speed. Plain rows usually take a path of their own.
/// For tests and benchmarks that compare the two.
///
/// # Errors
/// Those of [`replay`].
pub fn replay_generally(
    installation: &Installation,
    log: impl Read + Send,
    request: &Request,
    sinks: Sinks,
    progress: &mut dyn FnMut(Progress),
) -> Result<(Report, Option<Events>), ReplayError> {
    replay_at(Pace::General, installation, log, request, sinks, progress)
}

fn replay_at(
    pace: Pace,
    installation: &Installation,
    log: impl Read + Send,
    request: &Request,
    sinks: Sinks,
    progress: &mut dyn FnMut(Progress),
) -> Result<(Report, Option<Events>), ReplayError> {
    let messages = Names(&request.log);
    let Opened { records, header, head, delimiter, taken } = open(log, request)?;
    let sample = Sample { head: &head, delimiter, width: header.width() };
    let stated = stated_interval(&header, sample);
    let assignment = Assignment::new(installation, &header, &request.mapping, &request.log, records.line(), sample)
        .map_err(ReplayError::Refused)?;
    drop(head);
    check_step(&assignment, request)?;
    let mut rows = Rows::new(records, header, &assignment.reading, delimiter, pace);

    let interpolated = assignment.channels.iter().map(|channel| (channel.number, channel.scale.plausible()));
    let others = [assignment.supply, assignment.bank, assignment.state_of_charge].into_iter().flatten();
    let interpolated = interpolated.chain(others.map(|number| (number, (f64::NEG_INFINITY, f64::INFINITY))));
    let max_age = assignment.settings.trust.max_age.as_millis().into();
    let mut filler = Filler::new(interpolated, Limit::new(request.longest_gap_ms, stated, max_age));
    let mut driver = Driver::new(&assignment, request.step_ms);

    // The first row shows how the log writes moments. The timeline's header depends on that.
    let first = first_row(&mut rows, messages, request.strict)?;
    let dial = rows.dial().clone();
    let Sinks { timeline, plot, events } = sinks;
    let mut recorder = Recorder::new(
        &installation.settings,
        events,
        timeline.map(|sink| start_timeline(sink, installation, &assignment, request, &dial)).transpose()?,
        plot.as_ref().map(|_| start_picture(installation, &assignment, request, &dial)),
    );

    filler.take(first, |row| driver.advance(row, &mut recorder))?;
    let (reader, batches) = ahead();
    std::thread::scope(|scope| {
        let reader = threads::named("log").spawn_scoped(scope, || reader.read(&mut rows, &mut filler, request.strict));
        let reader = reader.map_err(|error| threads::not_started(&error))?;
        // Every way out of this closure drops `batches`. Otherwise the thread would wait forever to hand over its next
        // batch.
        let batches = batches;
        while let Some(batch) = batches.next() {
            for row in &batch {
                driver.advance(*row, &mut recorder)?;
            }
            progress(Progress { bytes: taken.load(Ordering::Relaxed), steps: driver.steps() });
            batches.reuse(batch);
        }
        Ok(reader.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    })
    .and_then(|read: Result<(), Ended>| read.map_err(|ended| stopped(&rows, messages, &ended)))?;
    let span = driver.end();
    recorder.finish(span);

    let source = Source {
        installation,
        log: &request.log,
        assignment: &assignment,
        dial,
        time_format: rows.time_format(),
        time_note: time_note(&rows, &assignment),
        delimiter,
        decimal: rows.decimal(),
        summer_time: rows.summer_time(),
        rows_read: rows.read(),
        rejects: rows.rejects().clone(),
        leaps: rows.leaps(),
        steps: driver.steps(),
        step: request.step_ms,
        span,
        longest_gap: request.longest_gap_ms.or(stated),
        bridged: filler.bridged().cloned().collect(),
        counters: *driver.unit().counters(),
    };
    let report = Report::new(source, &recorder);
    let Recorder { timeline, picture, events, .. } = recorder;
    if let Some((target, form)) = plot
        && let Some(picture) = picture
    {
        draw(target, form, &picture.develop(span), &report)?;
    }
    if let Some(timeline) = timeline {
        timeline.finish()?;
    }
    Ok((report, events))
}

/// A log whose header has been read.
struct Opened<R: Read> {
    records: Records<Head<Unpacked<R>>>,
    header: Header,
    /// The lines that were looked at beforehand.
    head: Vec<u8>,
    delimiter: u8,
    /// Bytes read, as the log is stored.
    taken: Arc<AtomicU64>,
}

fn open<R: Read>(log: R, request: &Request) -> Result<Opened<R>, ReplayError> {
    let messages = Names(&request.log);
    let log = Unpacked::new(log).map_err(|error| messages.unreadable(1, &LineError::Io(error)))?;
    let taken = log.taken();
    let log = Head::new(log, |lines| is_plain(lines, request));
    let delimiter = match request.delimiter {
        Some(delimiter) => delimiter,
        None => separator::find(log.lines()).map_err(|signs| unclear_separator(messages, &signs))?,
    };
    // A pipe can be read only once. The first rows decide how to read the log, so this keeps a copy of them.
    let head = log.lines().to_vec();
    let mut records = Records::new(log, delimiter);
    let header = read_header(&mut records, messages)?;
    Ok(Opened { records, header, head, delimiter, taken })
}

fn channels(assignment: &Assignment) -> Channels {
    Channels::new(assignment.channels.iter().map(|channel| &*channel.name), &assignment.settings)
}

fn start_timeline(
    (target, every): (Target, i64),
    installation: &Installation,
    assignment: &Assignment,
    request: &Request,
    dial: &Dial,
) -> Result<Timeline, Problem> {
    let recorded = (channels(assignment), &*installation.sources);
    Timeline::start(target, dial.clock(), recorded, &assignment.settings, (request.step_ms, every), &[])
}

fn start_picture(installation: &Installation, assignment: &Assignment, request: &Request, dial: &Dial) -> Picture {
    let wanted = Wanted {
        title: &installation.title,
        label: &request.log,
        clock: dial.clock(),
        settings: &assignment.settings,
        channels: channels(assignment),
        sources: &installation.sources,
        truths: &[],
        hard_limit_c: None,
        refused: "charge refused",
        logged: (assignment.logged_charge.is_some(), assignment.logged_heater.is_some()),
        charge: (assignment.state_of_charge.is_some(), false),
        step_ms: request.step_ms,
    };
    Picture::new(Film::new(wanted), installation.sources.len())
}

fn draw(target: Target, form: PlotForm, season: &chart::Season, report: &Report) -> Result<(), Problem> {
    let text = match form {
        PlotForm::Svg => chart::drawing(season),
        PlotForm::Html => chart::page(std::slice::from_ref(season), &[], &figures(report), &CAUTIONS),
    };
    let mut draft = target.draft()?;
    draft.write_all(text.as_bytes()).map_err(|error| draft.failed(&error))?;
    draft.finish()
}

/// The log's name in messages.
#[derive(Clone, Copy)]
struct Names<'a>(&'a str);

impl Names<'_> {
    fn problem(self, message: impl Into<Box<str>>) -> Problem {
        Problem::error(self.0, message)
    }

    fn at_line(self, line: u64, message: impl Into<Box<str>>) -> Problem {
        at_line(self.0, line, message)
    }

    fn unreadable(self, line: u64, error: &LineError) -> Problem {
        unreadable(self.0, line, error)
    }
}

/// Whether the header and first row in `lines` leave nothing in doubt: commas separate the cells, and the moment is in
/// a format with a name.
fn is_plain(lines: &[u8], request: &Request) -> bool {
    if request.delimiter.unwrap_or(b',') != b',' || lines.iter().any(|byte| matches!(byte, b';' | b'\t')) {
        return false;
    }
    let mut records = Records::new(lines, b',');
    let Ok(Some((_, Some(record)))) = records.next_record() else { return false };
    let header = Header::new(record.cells());
    match (records.next_record(), time_column::likely(&header, &request.mapping)) {
        (Ok(Some((_, Some(row)))), Some(field)) if field < row.len() => TimeFormat::guess(row.cell(field)).is_some(),
        _ => false,
    }
}

/// The time within which the next row comes (ms), if the log states it.
fn stated_interval(header: &Header, sample: Sample<'_>) -> Option<i64> {
    let field = header.find(NEXT_WITHIN).ok()?;
    let seconds: f64 = sample.texts(field, None).first()?.1.parse().ok()?;
    #[expect(clippy::cast_possible_truncation, reason = "within the bounds")]
    (0.1..=86_400.0).contains(&seconds).then(|| (seconds * 1000.0).round() as i64)
}

/// Notes on the times of the log.
fn time_note<R: Read>(rows: &Rows<R>, assignment: &Assignment) -> Option<String> {
    let zone =
        rows.is_without_zone().then(|| "no zone written: taken for UTC, one clock in summer and winter".to_owned());
    let notes: Vec<_> = assignment.reading.time.decided.clone().into_iter().chain(zone).collect();
    (!notes.is_empty()).then(|| notes.join("; "))
}

/// The problem of a log in which several signs could separate the cells.
fn unclear_separator(names: Names<'_>, signs: &[u8]) -> ReplayError {
    let shown: Vec<_> = signs.iter().map(|&sign| separator::named(sign)).collect();
    let message = format!("either of {} may separate the cells: every row looked at fits both", shown.join(" and "));
    let options: Vec<_> = shown.iter().map(|sign| format!("--delimiter {sign}")).collect();
    ReplayError::Refused(vec![names.at_line(1, message).remedy(options.join(" or "))])
}

/// Reads the header, and refuses a row that is no header.
fn read_header<R: Read>(records: &mut Records<R>, names: Names<'_>) -> Result<Header, ReplayError> {
    let header = match records.next_record() {
        Ok(Some((_, record))) => record.map(|record| Header::new(record.cells())),
        Ok(None) => {
            let problem = names.problem("is empty: no header row and no rows");
            return Err(ReplayError::Refused(vec![problem.remedy("a CSV log whose first row names the columns")]));
        }
        Err(error) => return Err(names.unreadable(records.line(), &error).into()),
    };
    let line = records.line();
    let Some(header) = header.filter(Header::is_text) else {
        return Err(names
            .at_line(line, "not a CSV text: the header row cannot be read")
            .remedy("the CSV file that the logger wrote, in UTF-8")
            .into());
    };
    if let Some((sign, shown)) = header.other_delimiter() {
        let option = if sign == '\t' { "--delimiter tab".to_owned() } else { format!("--delimiter {shown}") };
        let message = format!("the header row has one column only, with {shown} in it: another delimiter");
        return Err(ReplayError::Refused(vec![names.at_line(line, message).remedy(option)]));
    }
    if header.is_numbers() {
        let problem = names.at_line(line, "the first row holds numbers where the names of the columns should be");
        return Err(ReplayError::Refused(vec![problem.remedy("add a header row, as in: time,cell_1_c,cell_2_c")]));
    }
    Ok(header)
}

/// Checks that the controller can run at this rate. The command's steps are 10 s at most, which every possible
/// `max_step_s` allows. A caller of the library may ask for longer steps.
fn check_step(assignment: &Assignment, request: &Request) -> Result<(), ReplayError> {
    let trust = &assignment.settings.trust;
    for (limit, name) in [(trust.max_step, "max_step_s"), (trust.max_age, "max_age_s")] {
        if request.step_ms > limit.as_millis() {
            let limit = si::seconds(limit);
            let step = f64::from(request.step_ms) / 1000.0;
            let message = format!("--step {step} s is longer than the installation's trust.{name} ({limit} s)");
            return Err(Problem::usage(message)
                .because("every step would be a fault")
                .remedy(format!("--step {limit} or less"))
                .into());
        }
    }
    Ok(())
}

/// The first row that can be used.
fn first_row<R: Read>(rows: &mut Rows<R>, names: Names<'_>, strict: bool) -> Result<Row, ReplayError> {
    let mut row = Row::new(0);
    loop {
        match rows.next_row(&mut row) {
            Ok(Next::Row) => return Ok(row),
            Ok(Next::Rejected) if strict => return Err(stopped(rows, names, &Ended::Rejected)),
            Ok(Next::Rejected) => {}
            Ok(Next::Contradicts) => return Err(stopped(rows, names, &Ended::Contradicted)),
            Ok(Next::End) => return Err(no_rows(rows, names)),
            Err(error) => return Err(stopped(rows, names, &Ended::Line(error))),
        }
    }
}

/// The problem of a log that could not be read to its end.
fn stopped<R: Read>(rows: &Rows<R>, names: Names<'_>, ended: &Ended) -> ReplayError {
    match ended {
        Ended::Line(error) => names.unreadable(rows.line(), error).into(),
        Ended::Contradicted => {
            let (message, remedy) = rows.contradiction();
            ReplayError::Refused(vec![names.at_line(rows.line(), message).remedy(remedy)])
        }
        Ended::Rejected => {
            let what = rows.rejects().first.first().map(|reject| format!("{}: {}", reject.kind.words(), reject.detail));
            let message = format!("a row that cannot be used: {}", what.unwrap_or_default());
            let problem = names.at_line(rows.line(), message);
            ReplayError::Refused(vec![problem.remedy("mend the row, or leave out --strict to skip it")])
        }
    }
}

/// The problem of a log without a row that can be used.
fn no_rows<R: Read>(rows: &Rows<R>, names: Names<'_>) -> ReplayError {
    let rejects = rows.rejects();
    let problem = match rejects.first.first() {
        None => names.problem("has a header row and no rows").remedy("a log with rows"),
        Some(first) => {
            let message = format!(
                "none of {} rows can be used; the first: {}: {}",
                rows.read(),
                first.kind.words(),
                first.detail
            );
            names
                .at_line(first.line, message)
                .remedy("what is expected there; --delimiter, --time, --column and --source say how the log is written")
        }
    };
    ReplayError::Refused(vec![problem])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::installation::starter;
    use forewarm_core::settings::Key;

    /// The error for steps of `step_ms` with `trust` in the file.
    fn refused(step_ms: u32, trust: &str) -> Option<String> {
        let text = starter().replacen("\n[trust]\n", &format!("\n[trust]\n{trust}\n"), 1);
        let installation = Installation::parse("starter", &text).expect("no error");
        let request = Request {
            log: "log".to_owned(),
            delimiter: None,
            mapping: Mapping::default(),
            step_ms,
            longest_gap_ms: None,
            strict: false,
        };
        let log: &[u8] = b"time,cells_low_c,cells_high_c\n2001-01-01T00:00:00Z,1,1\n2001-01-01T00:01:00Z,1,1\n";
        match replay(&installation, log, &request, Sinks::default(), &mut |_| {}) {
            Ok(_) => None,
            Err(ReplayError::Unusable(problem)) => Some(problem.message.into()),
            Err(ReplayError::Refused(problems)) => panic!("{problems:?}"),
        }
    }

    #[test]
    fn no_step_is_longer_than_the_controller_waits_for_one_or_for_a_reading() {
        assert_eq!(refused(15_000, "max_step_s = 15\nmax_age_s = 30"), None);
        let clock = refused(15_001, "max_step_s = 15\nmax_age_s = 30").expect("the clock would be taken to leap");
        assert!(clock.contains("trust.max_step_s (15 s)"), "{clock}");
        let readings = refused(5_001, "max_step_s = 15\nmax_age_s = 5").expect("every reading would be too old");
        assert!(readings.contains("trust.max_age_s (5 s)"), "{readings}");
        // The command takes steps of 10 s at most, and no file can set a shorter `max_step_s`.
        assert_eq!(Key::MaxStep.fact().minimum, 10_000);
    }
}

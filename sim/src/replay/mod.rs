//! The controller driven by a log: every decision it would have made, why, and which faults it would have caught.
//!
//! ```text
//! bytes ─ lines ─ records ─ rows ─ fill ─ drive ─ record ─┬ tally, differ ─ report ─ summary
//!                             │      │       │            ├ events
//!                             │      │       └ the core   ├ timeline
//!                         rejects   empty                 └ plot
//!                                   cells
//! ```
//!
//! One pass, in bounded memory, however long the log. The replay is *open loop*: the temperatures are those of the log,
//! whatever the controller decides. So what only its own heat could show is not judged: a heater without effect, or one that
//! does not go off.

mod ahead;
mod clock;
mod differ;
mod drive;
mod events;
mod fill;
mod mapping;
mod plan;
mod plot;
mod record;
mod rejects;
mod report;
mod rows;
mod scale;
mod summary;
mod tally;
mod timeline;

pub use clock::{Dial, Span, TimeFormat};
pub use events::Events;
pub use mapping::{ChannelColumn, Mapping, SourceColumn, TimeColumn};
pub use rejects::{Fault, Reject, Rejects};
pub use report::{
    Because, Bridge, Difference, Differences, Energy, FaultReport, InState, Pause, Period, Report, Step, Use,
};
pub use scale::Unit;
pub use summary::summarise;

use crate::csv_text::header::Header;
use crate::csv_text::lines::LineError;
use crate::csv_text::records::Records;
use crate::csv_text::{at_line, unreadable};
use crate::diagnostic::Problem;
use crate::installation::Installation;
use crate::output::Target;
use crate::threads;
use ahead::{Ended, ahead};
use drive::Driver;
use fill::{Filler, Limit};
use plan::Plan;
use plot::{Picture, Trace};
use record::Recorder;
use report::Source;
use rows::{Next, Row, Rows};
use std::io::{Read, Write};
use timeline::Timeline;

/// How a log is to be read and stepped through.
#[derive(Clone, Debug)]
pub struct Request {
    /// What messages call the log.
    pub log: String,
    /// What separates its cells.
    pub delimiter: u8,
    /// What the user says about its columns.
    pub mapping: Mapping,
    /// Time between two steps of the controller, in milliseconds.
    pub step_ms: u32,
    /// Longest time between two values that is interpolated, in milliseconds; where nothing is said, what the log's own
    /// intervals explain.
    pub longest_gap_ms: Option<i64>,
    /// Stop at the first row that cannot be used.
    pub strict: bool,
}

/// Where the results go, besides the report.
#[derive(Debug, Default)]
pub struct Sinks {
    /// A timeline as CSV, and the time between its lines where nothing happens, in milliseconds.
    pub timeline: Option<(Target, i64)>,
    /// A picture.
    pub plot: Option<(Target, PlotForm)>,
    /// Whether events are kept.
    pub events: bool,
}

/// What kind of file a picture is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlotForm {
    /// A drawing.
    Svg,
    /// A page with the drawing and the summary.
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
    /// Bytes of the log read.
    pub bytes: u64,
    /// Steps taken.
    pub steps: u64,
}

/// Replays `log` through the controller of `installation`, telling `progress` now and then how far it has come.
///
/// # Errors
/// [`ReplayError`]. Files in `sinks` are then as they were.
pub fn replay(
    installation: &Installation,
    log: impl Read + Send,
    request: &Request,
    sinks: Sinks,
    progress: &mut dyn FnMut(Progress),
) -> Result<(Report, Option<Events>), ReplayError> {
    let names = Names(&request.log);
    let mut records = Records::new(log, request.delimiter);
    let header = read_header(&mut records, names)?;
    let plan = Plan::new(installation, &header, &request.mapping, &request.log, records.line())
        .map_err(ReplayError::Refused)?;
    check_step(&plan, request)?;
    let mut rows = Rows::new(records, header, &plan);

    let interpolated = plan.channels.iter().map(|channel| (channel.number, channel.scale.plausible()));
    let others = [plan.supply, plan.bank, plan.state_of_charge].into_iter().flatten();
    let interpolated = interpolated.chain(others.map(|number| (number, (f64::NEG_INFINITY, f64::INFINITY))));
    let max_age = plan.settings.trust.max_age.as_millis().into();
    let mut filler = Filler::new(interpolated, Limit::new(request.longest_gap_ms, max_age));
    let mut driver = Driver::new(&plan, request.step_ms);

    // The first row says how moments are written, which the timeline's header depends on.
    let first = first_row(&mut rows, names, request.strict)?;
    let dial = rows.dial().clone();
    let Sinks { timeline, plot, events } = sinks;
    let channels = || plan.channels.iter().map(|channel| channel.name.clone()).collect();
    let timeline = timeline.map(|(target, every)| Timeline::start(target, dial.clone(), channels(), every));
    let trust = &plan.settings.trust;
    let trace = || Trace::new(request.step_ms, (trust.plausible_low, trust.plausible_high));
    let mut recorder = Recorder::new(events, timeline.transpose()?, plot.as_ref().map(|_| trace()));

    filler.take(first, |row| driver.advance(row, &mut recorder))?;
    let (reader, batches) = ahead();
    std::thread::scope(|scope| {
        let reader = threads::named("log").spawn_scoped(scope, || reader.read(&mut rows, request.strict));
        let reader = reader.map_err(|error| threads::not_started(&error))?;
        // Dropped on the way out of here, whichever way that is: the thread would wait for ever to hand over its next batch.
        let batches = batches;
        while let Some(batch) = batches.next() {
            for row in &batch.rows {
                filler.take(*row, |row| driver.advance(row, &mut recorder))?;
            }
            progress(Progress { bytes: batch.bytes, steps: driver.steps() });
            batches.reuse(batch);
        }
        Ok(reader.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    })
    .and_then(|read: Result<(), Ended>| read.map_err(|ended| stopped(&rows, names, &ended)))?;
    while let Some(row) = filler.flush() {
        driver.advance(row, &mut recorder)?;
    }
    let span = driver.end();
    recorder.finish(span);

    let source = Source {
        installation,
        log: &request.log,
        plan: &plan,
        dial,
        time_format: rows.time_format(),
        rows_read: rows.read(),
        rejects: rows.rejects().clone(),
        leaps: rows.leaps(),
        steps: driver.steps(),
        step: request.step_ms,
        span,
        longest_gap: request.longest_gap_ms,
        bridged: filler.bridged().cloned().collect(),
        counters: *driver.unit().counters(),
    };
    let report = Report::new(source, &recorder);
    let Recorder { timeline, trace, events, .. } = recorder;
    if let Some((target, form)) = plot
        && let Some(trace) = trace
    {
        write_plot(target, form, &plan, &trace, &report, span)?;
    }
    if let Some(timeline) = timeline {
        timeline.finish()?;
    }
    Ok((report, events))
}

fn write_plot(
    target: Target,
    form: PlotForm,
    plan: &Plan,
    trace: &Trace,
    report: &Report,
    span: i64,
) -> Result<(), Box<Problem>> {
    let picture = Picture {
        title: &report.title,
        trace,
        settings: &plan.settings,
        channels: plan.channels.iter().map(|channel| channel.name.as_str()).collect(),
        dial: &report.dial,
        span,
        logged: (plan.logged_charge.is_some(), plan.logged_heater.is_some()),
    };
    let text = match form {
        PlotForm::Svg => plot::svg(&picture),
        PlotForm::Html => plot::html(&picture, &summarise(report)),
    };
    let mut draft = target.draft()?;
    draft.write_all(text.as_bytes()).map_err(|error| draft.failed(&error))?;
    Ok(draft.finish()?)
}

/// What messages call the log.
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

/// Reads the header and refuses what is none.
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

/// The controller must be able to run at this rate.
fn check_step(plan: &Plan, request: &Request) -> Result<(), ReplayError> {
    let trust = &plan.settings.trust;
    for (limit, name) in [(trust.max_step, "max_step_s"), (trust.max_age, "max_age_s")] {
        if request.step_ms > limit.as_millis() {
            let limit = f64::from(limit.as_millis()) / 1000.0;
            let step = f64::from(request.step_ms) / 1000.0;
            let message = format!("--step {step} s is longer than the installation's trust.{name} ({limit} s)");
            return Err(Problem::error("command line", message)
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
            Ok(Next::End) => return Err(no_rows(rows, names)),
            Err(error) => return Err(stopped(rows, names, &Ended::Line(error))),
        }
    }
}

/// The problem of a log that could not be read to its end.
fn stopped<R: Read>(rows: &Rows<R>, names: Names<'_>, ended: &Ended) -> ReplayError {
    match ended {
        Ended::Line(error) => names.unreadable(rows.line(), error).into(),
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

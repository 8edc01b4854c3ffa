//! `forewarm replay`.

use super::bar::Bar;
use super::{Form, Stop, listen, print, print_json, tell, usage};
use forewarm::csv_text;
use forewarm::diagnostic::{Position, Problem, Severity};
use forewarm::input;
use forewarm::installation::Installation;
use forewarm::output::{Existing, Target, stdout_is_unread};
use forewarm::replay::{
    self, ChannelColumn, Decimal, Listed, Mapping, PlotForm, Reject, ReplayError, Report, Request, Sinks, SourceColumn,
    TimeColumn,
};
use forewarm::service::store::log::{Log, MAGIC, Names};
use serde::Serialize;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// Replay a log: every decision this controller would have made on it, and why
///
/// The log is a file that `forewarm listen` has kept, or CSV with a header row, as it is or packed as gzip or zstd. Lines that start with # are skipped. Columns are found by name:
/// CHANNEL_c, CHANNEL_f, CHANNEL_k, CHANNEL_ohm or CHANNEL_ratio for a thermometer channel; supply_v, bank_v and soc_pct; SOURCE_present,
/// charge_line, discharge_line and button, which hold 0 or 1; heater and charge, 0 or 1, for what another controller did, to compare with.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file
    file: PathBuf,
    /// The log; - for the standard input
    log: PathBuf,

    /// The time column and its format: rfc3339 (UTC where it has no zone offset), epoch_s, epoch_ms, elapsed_s, or a pattern as
    /// strftime has it. "Date:%d.%m.%Y %H:%M" reads 31.01.2025 13:45, "Date:%m/%d/%Y %I:%M %p" reads 01/31/2025 01:45 PM; %z is a zone
    /// offset. Date and time in two columns: "Date+Time:%d.%m.%Y %H:%M", with one blank between. A name may hold : and +; the longest
    /// that is a column counts [default: by its name and the first rows]
    #[arg(long, value_name = "COLUMN[+COLUMN][:FORMAT]", help_heading = "Columns")]
    time: Option<TimeColumn>,
    /// Column of a thermometer channel and its unit: c (°C), f (°F), k (K), ohm or ratio. Repeat for more. Ohms are those at the
    /// terminals; of three wires they must be lead-compensated, because a log has no third wire. A ratio is to the reference resistor,
    /// likewise compensated. Also NAME=COLUMN for supply_v and bank_v (V), soc_pct (%), charge_line, discharge_line and button (0 or 1)
    /// [default: by name; the unit also as in "Temp [°C]", "cell (F)", R/ohm, t_degC]
    #[arg(long, value_name = "CHANNEL=COLUMN[:UNIT]", help_heading = "Columns")]
    column: Vec<ChannelColumn>,
    /// Column that says whether a source is present: 0 or 1, or a number from which on it is. Repeat for more [default:
    /// SOURCE_present]
    #[arg(long, value_name = "SOURCE=COLUMN[>=NUMBER]", help_heading = "Columns")]
    source: Vec<SourceColumn>,
    /// Take a source to be present all the time. Repeat for more
    #[arg(long, value_name = "SOURCE", help_heading = "Columns")]
    assume_source: Vec<String>,
    /// Column of what another controller did with the heater, 0 or 1 [default: heater]
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    logged_heater: Option<String>,
    /// Column of what another controller did with the charge permit, 0 or 1 [default: charge]
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    logged_charge: Option<String>,
    /// What separates the cells: one character, or "tab" [default: comma, semicolon or tab, by the header, the first rows or a line
    /// sep=;]
    #[arg(long, value_name = "CHARACTER", value_parser = delimiter, help_heading = "Columns")]
    delimiter: Option<u8>,
    /// The decimal sign: point or comma [default: by the numbers, which must all have the same]
    #[arg(long, value_name = "SIGN", value_parser = decimal, help_heading = "Columns")]
    decimal: Option<Decimal>,

    /// Time between two steps of the controller, s, 0.1 to 10
    #[arg(long, value_name = "SECONDS", default_value = "1", value_parser = step)]
    step: u32,
    /// Longest time between two values that is interpolated, s, up to 604800; over a longer one the channel is missing [default: 3
    /// times the usual interval of the column or rows so far, at least trust.max_age_s, at most 3600; 3600 for the first 8]
    #[arg(long, value_name = "SECONDS", value_parser = max_gap)]
    max_gap: Option<i64>,
    /// Stop at the first row that cannot be used [default: count and skip it]
    #[arg(long)]
    strict: bool,

    /// Write a timeline as CSV, which `forewarm replay` reads; - for the standard output. A channel shows what was acted on
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    timeline: Option<PathBuf>,
    /// Time between its lines where nothing happens, s, up to 86400
    #[arg(long, value_name = "SECONDS", default_value = "60", value_parser = every, help_heading = "Results")]
    every: i64,
    /// Draw temperatures, outputs and energy: OUT ends in .html (to look into)
    /// or .svg
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    plot: Option<PathBuf>,
    /// Replace files that exist
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm replay mine.toml log.csv
  forewarm replay mine.toml log.csv --column \"battery_1=Temp 1:c\"

Exit status: 0 done; 1 the installation or the log fails a check; 2 usage, or a file that cannot be written or read as text.";

pub(crate) fn run(arguments: Arguments, form: Form) -> Result<(), Stop> {
    let timeline_on_stdout = arguments.timeline.as_deref() == Some(Path::new("-"));
    if timeline_on_stdout && form == Form::Json {
        return Err(usage("--json and --timeline - both go to the standard output", "a file for the timeline"));
    }
    if arguments.file == Path::new("-") && arguments.log == Path::new("-") {
        return Err(usage("installation and log cannot both come from the standard input", "a file for one of them"));
    }
    let installation = Installation::load(&arguments.file)?;
    let sinks = sinks(&arguments, form)?;
    let nothing_else = sinks.plot.is_none();
    let (log, length) = match kept(&arguments.log, &installation, &arguments.file)? {
        Some(kept) => (kept, None),
        None => open(&arguments.log)?,
    };
    let request = Request {
        log: shown(&arguments.log),
        delimiter: arguments.delimiter,
        mapping: Mapping {
            time: arguments.time,
            decimal: arguments.decimal,
            channels: arguments.column,
            sources: arguments.source,
            always_present: arguments.assume_source,
            logged_heater: arguments.logged_heater,
            logged_charge: arguments.logged_charge,
        },
        step_ms: arguments.step,
        longest_gap_ms: arguments.max_gap,
        strict: arguments.strict,
    };
    let shown_as =
        if length.is_some() { "{wide_bar} {bytes} of {total_bytes}, {eta} left" } else { "{spinner} {bytes} read" };
    let bar = Bar::new(length, shown_as);
    let replayed = replay::replay(&installation, log, &request, sinks, &mut |progress| bar.show(progress.bytes));
    bar.clear();
    // An unread result is no failure here. It is one if a picture was asked for too.
    if replayed.is_err() && nothing_else && stdout_is_unread() {
        return Err(Stop::Unread);
    }
    let (report, events) = replayed?;
    warn(&report.rejected.first, report.rows_rejected, report.rows_read, &request.log);
    match (form, events) {
        (Form::Json, Some(events)) => {
            let events = events.finish().map_err(|problem| *problem)?;
            print_json(&Results { report: &report, events })
        }
        _ if timeline_on_stdout => {
            // The timeline is the result, so the summary goes to the standard error.
            let _ = io::stderr().lock().write_all(replay::summarise(&report).as_bytes());
            Ok(())
        }
        _ => print(|out| out.write_all(replay::summarise(&report).as_bytes())),
    }
}

impl From<ReplayError> for Stop {
    fn from(error: ReplayError) -> Self {
        match error {
            ReplayError::Unusable(problem) => Self::Unusable(problem),
            ReplayError::Refused(problems) => Self::Failed(problems),
        }
    }
}

pub(super) fn shown(path: &Path) -> String {
    if path == Path::new("-") { "standard input".to_owned() } else { path.display().to_string() }
}

/// Claims the files to write.
fn sinks(arguments: &Arguments, form: Form) -> Result<Sinks, Stop> {
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let inputs = [&*arguments.file, &*arguments.log];
    let claim = |path: &Path| Target::claim(path, existing, &inputs);
    let plot = match &arguments.plot {
        None => None,
        Some(path) => {
            let form = plot_form(path)?;
            Some((claim(path)?, form))
        }
    };
    let timeline = match &arguments.timeline {
        None => None,
        Some(path) => Some((claim(path)?, arguments.every)),
    };
    if let (Some((timeline, _)), Some((plot, _))) = (&timeline, &plot)
        && timeline.is_one_file_with(plot)
    {
        return Err(usage("--timeline and --plot name one file", "a file for each"));
    }
    Ok(Sinks { timeline, plot, events: form == Form::Json })
}

/// What kind of picture a file's name asks for.
pub(super) fn plot_form(path: &Path) -> Result<PlotForm, Stop> {
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    match ending.to_ascii_lowercase().as_str() {
        "svg" => Ok(PlotForm::Svg),
        "html" => Ok(PlotForm::Html),
        _ => {
            let message = format!("--plot {} does not say which kind of picture", path.display());
            Err(usage(&message, "a name that ends in .svg or .html"))
        }
    }
}

/// The log, if it is a file that `forewarm listen` has kept. Its first bytes show it.
pub(super) fn kept(
    path: &Path,
    installation: &Installation,
    file: &Path,
) -> Result<Option<Box<dyn Read + Send>>, Stop> {
    // Not by opening a pipe, which can be read only once.
    if path == Path::new("-") || !path.is_file() {
        return Ok(None);
    }
    let mut first = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(MAGIC.len() as u64).read_to_end(&mut first));
    if read.is_err() || first != MAGIC {
        return Ok(None);
    }
    let log = Log::open(path)?;
    listen::compare(&log, installation, &shown(path), &shown(file))?;
    Ok(Some(Box::new(log.into_csv(Names::of(installation)))))
}

/// Opens the log. Also returns its length, where that is known.
pub(super) fn open(path: &Path) -> Result<(Box<dyn Read + Send>, Option<u64>), Stop> {
    if path == Path::new("-") {
        return Ok((Box::new(io::stdin()), None));
    }
    let log = input::open(path).map_err(|error| csv_text::cannot_read(&shown(path), &error))?;
    let length = log.length();
    Ok((Box::new(log), length))
}

/// Reports rows that were not used on the standard error, so that they show with `--json` too.
pub(super) fn warn(rejected: &[Reject], count: u64, read: u64, log: &str) {
    if count == 0 {
        return;
    }
    let mut problems: Vec<_> = rejected
        .iter()
        .map(|reject| {
            let line = u32::try_from(reject.line).unwrap_or(u32::MAX);
            let message = format!("row not used: {}: {}", reject.kind.words(), reject.detail);
            let problem = Problem::error(log, message).at(Position { line, column: 1 });
            Problem { severity: Severity::Warning, ..problem }
        })
        .collect();
    let more = count - rejected.len() as u64;
    if more > 0 {
        let message = format!("{more} more rows not used, {count} of {read} in all");
        problems.push(Problem { severity: Severity::Warning, ..Problem::error(log, message) });
    }
    tell(&problems);
}

/// The result for machines, with its events last.
#[derive(Serialize)]
struct Results<'r> {
    #[serde(flatten)]
    report: &'r Report,
    events: Listed,
}

pub(super) fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        b"tab" | b"\\t" => Ok(b'\t'),
        &[sign] if !sign.is_ascii_alphanumeric() && !matches!(sign, b'"' | b'#' | b'.' | b'-' | b'\n' | b'\r' | 0) => {
            Ok(sign)
        }
        _ => Err("expected one character such as , or ; or the word tab".to_owned()),
    }
}

pub(super) fn decimal(text: &str) -> Result<Decimal, String> {
    match text {
        "point" | "." => Ok(Decimal::Point),
        "comma" | "," => Ok(Decimal::Comma),
        _ => Err("expected point or comma".to_owned()),
    }
}

/// A time in seconds from `least` to `most`, in milliseconds.
fn millis(text: &str, least: f64, most: f64) -> Result<i64, String> {
    match text.parse::<f64>() {
        #[expect(clippy::cast_possible_truncation, reason = "between the bounds")]
        Ok(seconds) if (least..=most).contains(&seconds) => Ok((seconds * 1000.0).round() as i64),
        _ => Err(format!("expected a number of seconds from {least} to {most}")),
    }
}

/// The time between two steps of the controller, in milliseconds.
pub(super) fn step(text: &str) -> Result<u32, String> {
    // At most 10 000 milliseconds.
    millis(text, 0.1, 10.0).map(|millis| u32::try_from(millis).unwrap_or(1000))
}

pub(super) fn max_gap(text: &str) -> Result<i64, String> {
    millis(text, 0.1, 604_800.0)
}

/// The time between two lines of a timeline, in milliseconds.
pub(super) fn every(text: &str) -> Result<i64, String> {
    millis(text, 0.1, 86_400.0)
}

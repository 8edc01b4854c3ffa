//! `forewarm report`.

use super::bar::Bar;
use super::beside::{Beside, read_with};
use super::{Form, Stop, count_warnings, interrupt, no_site, note, print, print_json, tell};
use forewarm::csv_text::cannot_read;
use forewarm::diagnostic::{Problem, Severity};
use forewarm::input;
use forewarm::installation::{Installation, shown};
use forewarm::output::Target;
use forewarm::rehearse::Scenario;
use forewarm::report::{Asked, Report};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

/// The hand-over document: parts, wiring list, circuit diagram, settings and why, what to expect, what can go wrong, a page for the owner
///
/// Without --page it prints what is in the file, what the plan would change, and the wiring list. The page has all of it, and prints on A4.
/// What the file does not know, such as the length of a wire, has a blank to fill in by hand.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// The record of the workbench that `forewarm bench --record` has kept
    #[arg(long, value_name = "RECORD")]
    record: Option<PathBuf>,
    /// Who hands it over
    #[arg(long, value_name = "NAME", default_value = "")]
    by: String,
    /// Both relays have auxiliary contacts that the controller reads
    #[arg(long)]
    contacts: bool,

    /// Write the document. OUT ends in .html
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    page: Option<PathBuf>,
    /// Replace a file that exists
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm report mine.toml
  forewarm report mine.toml --page hand-over.html --record mine.bench.json --by \"A. Fitter\"

Exit status: 0 done; 1 the plan finds danger, a cell was charged too cold in the winter, or the file fails a check or describes no site; 2 usage, \
a file that cannot be read or written, or a record of something else; 130 interrupted.";

/// Why it needs a site.
const WHY: &str = "a hand-over is of the real things, not of settings alone";

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let file = &arguments.file;
    let installation = Installation::load(file)?;
    count_warnings(file, &installation);
    let page = arguments.page.as_deref().map(|path| {
        let page = Beside { option: "--page", path, ending: "html", printed: "summary", force: arguments.force };
        let inputs = read_with(file, installation.site.as_ref()).into_iter().chain(arguments.record.clone());
        let inputs: Vec<PathBuf> = inputs.collect();
        page.claim_beside(&inputs.iter().map(PathBuf::as_path).collect::<Vec<_>>())
    });
    let page = page.transpose()?;
    let record = arguments.record.as_deref().map(|path| read(path).map(|text| (path.display().to_string(), text)));
    let record = record.transpose()?;
    if installation.site.is_none() {
        return Err(no_site(file, WHY));
    }
    let base = file.parent().unwrap_or(Path::new(""));
    let scenario = Scenario::prepare(&installation, &shown(file), base, 1000);
    match &scenario {
        Ok(scenario) => tell(&scenario.warnings),
        // The document is made without it.
        Err(problems) => tell(&problems.iter().cloned().map(as_warning).collect::<Vec<_>>()),
    }
    let asked = Asked {
        by: &arguments.by,
        has_contacts: arguments.contacts,
        record: record.as_ref().map(|(name, text)| (&**name, &**text)),
        scenario: scenario.as_ref().map_err(Vec::as_slice),
    };
    let stop = interrupt::heed();
    let report = if page.is_some() || form == Form::Json {
        let bar = Bar::new(None, "{spinner} {pos} scenes played");
        let report = Report::whole(&installation, asked, stop, &|done| bar.show(done));
        bar.clear();
        report
    } else {
        Report::brief(&installation, asked)
    };
    let report = report.ok_or_else(|| no_site(file, WHY))??;
    let interrupted = stop.load(Ordering::Relaxed);
    write(page.filter(|_| !interrupted), &report, arguments.page.as_deref())?;
    match form {
        Form::Text => print(|out| report.write_text(out))?,
        Form::Json => print_json(&report)?,
    }
    if interrupted {
        note("interrupted: above is what was finished; no page is written");
        return Err(Stop::Interrupted);
    }
    // The failures are already printed: here they are the result.
    if report.ok { Ok(()) } else { Err(Stop::Failed(Vec::new())) }
}

fn write(target: Option<Target>, report: &Report, path: Option<&Path>) -> Result<(), Problem> {
    let (Some(target), Some(path)) = (target, path) else { return Ok(()) };
    target.write(&report.page())?;
    note(&format!("{} is written", path.display()));
    Ok(())
}

fn as_warning(problem: Problem) -> Problem {
    Problem { severity: Severity::Warning, ..problem }
}

/// The text of a record.
fn read(path: &Path) -> Result<String, Problem> {
    let name = path.display().to_string();
    let mut text = String::new();
    let read = input::open(path).and_then(|mut file| file.read_to_string(&mut text));
    read.map(|_| text).map_err(|error| cannot_read(&name, &error))
}

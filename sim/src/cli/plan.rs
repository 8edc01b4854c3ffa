//! `forewarm plan`.

use super::bar::Bar;
use super::beside::Beside;
use super::{Form, Stop, count_warnings, no_site, print, print_json};
use forewarm::chart;
use forewarm::installation::{Installation, shown};
use forewarm::plan::thermal::Shapes;
use forewarm::plan::{Subject, section};
use forewarm::propose::planned;
use std::path::{Path, PathBuf};

/// Size an installation: its heat, thermometers, thresholds and circuit, with what to change
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// Also print the power that warms the bank from the design minimum within so many hours, 0.1 to 100
    #[arg(long, value_name = "HOURS", value_parser = hours)]
    within: Option<f64>,

    /// Draw how warm the bank is while the heater holds it at the design minimum: two sections with isotherms. OUT ends in .svg
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    section: Option<PathBuf>,
    /// Replace a file that exists
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm plan mine.toml
  forewarm plan mine.toml --within 3 --section bank.svg

Exit status: 0 done; 1 the installation is dangerous or fails a check; 2 usage, or a file that cannot be read or written.";

fn hours(text: &str) -> Result<f64, String> {
    let hours: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (0.1..=100.0).contains(&hours) { Ok(hours) } else { Err("not within 0.1 to 100 h".to_owned()) }
}

/// Why it needs a site.
const WHY: &str = "a plan sizes the real things, not settings alone";

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let (installation, text) = Installation::load_text(&arguments.file)?;
    count_warnings(&arguments.file, &installation);
    let Some(subject) = Subject::of(&installation) else {
        return Err(no_site(&arguments.file, WHY));
    };
    let picture = arguments.section.as_deref().map(|path| {
        let picture = Beside { option: "--section", path, ending: "svg", printed: "plan", force: arguments.force };
        picture.claim(&arguments.file, Some(subject.site))
    });
    let picture = picture.transpose()?;
    let shapes = Shapes::of(subject.site);
    let bar = Bar::new(None, "{spinner} {pos} single changes tried");
    let beside = (&*shown(&arguments.file), &*text, arguments.file.parent().unwrap_or(Path::new("")));
    let plan = planned(beside, &installation, arguments.within, &shapes, &|done| bar.show(done));
    bar.clear();
    let plan = plan.ok_or_else(|| no_site(&arguments.file, WHY))?.map_err(Stop::Failed)?;
    if let Some(target) = picture {
        target.write(&chart::section(&section::warmth(&subject, &shapes)))?;
    }
    match form {
        Form::Text => print(|out| plan.write_text(out))?,
        Form::Json => print_json(&plan)?,
    }
    // The failures are already printed: here they are the result.
    if plan.ok { Ok(()) } else { Err(Stop::Failed(Vec::new())) }
}

//! `forewarm faults`.

use super::bar::Bar;
use super::beside::Beside;
use super::{Form, Stop, count_warnings, interrupt, note, print, print_json, tell};
use clap::ValueEnum;
use forewarm::faults::{Matrix, Report, Verdict, Wanted};
use forewarm::installation::{Installation, shown};
use forewarm::rehearse::{Pace, Scenario};
use forewarm_core::Layer;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

/// Break what is listed, in every state: what the controller does, how soon, and whether anything is harmed
///
/// Each fault is played in the plant, in each state of the controller, at several outside temperatures. The battery's own protection
/// is left out, so the controller is judged alone. Then the fault is mended, and charge must come back.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// Which of its two judges the controller goes by. One alone shows what the other is worth
    #[arg(long, value_name = "LAYER", value_enum, default_value_t = By::Both)]
    layer: By,
    /// Read auxiliary contacts of both relays
    #[arg(long)]
    contacts: bool,
    /// Take every step, rather than leap over those in which nothing is decided; the result is the same
    #[arg(long)]
    every_step: bool,

    /// Write the matrix as a page to look into. OUT ends in .html
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    page: Option<PathBuf>,
    /// Replace a file that exists
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm faults mine.toml --page faults.html
  forewarm faults mine.toml --layer guard
  forewarm rehearse mine.toml --fault lid.open@12-24T18:00

Exit status: 0 done, which does not mean that nothing was harmed: what the inputs cannot show does not count; 1 a part passed its limit although the fault can be found, or the file fails a check; 2 usage, or a file that cannot be read or written; 130 \
interrupted.";

/// A layer, as it is typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum By {
    /// Controller and guard
    Both,
    /// The controller alone, with nobody to check it
    Controller,
    /// The guard alone, of a controller that always asks for heat and charge
    Guard,
}

impl From<By> for Layer {
    fn from(by: By) -> Self {
        match by {
            By::Both => Self::Both,
            By::Controller => Self::ControllerAlone,
            By::Guard => Self::GuardAlone,
        }
    }
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let installation = Installation::load(&arguments.file)?;
    count_warnings(&arguments.file, &installation);
    let base = arguments.file.parent().unwrap_or(Path::new(""));
    let page = arguments.page.as_deref().map(|path| {
        let page = Beside { option: "--page", path, ending: "html", printed: "matrix", force: arguments.force };
        page.claim(&arguments.file, installation.site.as_ref())
    });
    let page = page.transpose()?;
    let scenario = Scenario::prepare(&installation, &shown(&arguments.file), base, 1000).map_err(Stop::Failed)?;
    tell(&scenario.warnings);
    let pace = if arguments.every_step { Pace::EveryStep } else { Pace::Leaping };
    let wanted = Wanted { layer: arguments.layer.into(), pace, has_contacts: arguments.contacts };
    let stop = interrupt::heed();
    let bar = Bar::new(None, "{spinner} {pos} scenes played");
    let matrix = Matrix::play(&scenario, wanted, stop, &|done| bar.show(done))?;
    bar.clear();
    let interrupted = stop.load(Ordering::Relaxed);
    if let Some(target) = page.filter(|_| !interrupted) {
        target.write(&matrix.page())?;
    }
    match form {
        Form::Text => print(|out| matrix.write_text(out))?,
        Form::Json => print_json(&Report::of(&matrix))?,
    }
    if interrupted {
        note("interrupted: above is what was finished; no page is written");
        return Err(Stop::Interrupted);
    }
    if matrix.count(Verdict::Unsafe) > 0 { Err(Stop::Failed(Vec::new())) } else { Ok(()) }
}

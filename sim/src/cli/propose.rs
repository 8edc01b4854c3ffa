//! `forewarm propose`.

use super::bar::Bar;
use super::beside::{Beside, read_with};
use super::{Form, Stop, count_warnings, interrupt, note, print, print_json, usage};
use forewarm::installation::{Installation, shown};
use forewarm::output::{Existing, Target};
use forewarm::propose::{Candidate, Extent, Progress, Proposal, picture};
use forewarm::site::Site;
use std::path::{Path, PathBuf};

/// Search for installations to choose between, each planned and rehearsed as a whole
///
/// It changes heater power, insulation, thermometers, thresholds, soak, whose energy is spent, and the circuit. Batteries, sources,
/// loads, box and place stay as they are, and so does all that the file lists under `fixed`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// Try so many installations at most; 1 to 100000
    #[arg(long, value_name = "N", default_value_t = 120, value_parser = clap::value_parser!(u32).range(1..=100_000), help_heading = "Search")]
    tries: u32,
    /// Rehearse each proposal so many times, with sensors, leads, pad, box and cells drawn from their tolerances; 1 to 10000
    #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u64).range(1..=10_000), help_heading = "Search")]
    trials: u64,
    /// Propose so many at most; 1 to 30
    #[arg(long, value_name = "N", default_value_t = 6, value_parser = clap::value_parser!(u8).range(1..=30), help_heading = "Search")]
    most: u8,
    /// What the draws are made from; the same seed finds the same
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "Search")]
    seed: u64,

    /// Write the chosen one as an installation file, with the comments of yours
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    write: Option<PathBuf>,
    /// Which one to write, by its number in the list
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=30), requires = "write", help_heading = "Results")]
    choose: u8,
    /// Draw the proposals: charge against heat. OUT ends in .svg
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    plot: Option<PathBuf>,
    /// Replace files that exist
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm propose mine.toml
  forewarm propose mine.toml --choose 2 --write better.toml --plot front.svg

Exit status: 0 done; 1 the file fails a check, or nothing meets every requirement; 2 usage, or a file that cannot be read or \
written; 130 interrupted.";

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let (installation, text) = Installation::load_text(&arguments.file)?;
    let file = shown(&arguments.file);
    count_warnings(&arguments.file, &installation);
    let folder = arguments.file.parent().unwrap_or(Path::new(""));
    let mut outputs = Outputs::claim(arguments, installation.site.as_ref())?;
    let stop = interrupt::heed();
    let extent = Extent {
        tries: arguments.tries as usize,
        trials: arguments.trials,
        most: usize::from(arguments.most),
        seed: arguments.seed,
    };
    let searched = Bar::new(Some(arguments.tries.into()), "{wide_bar} {pos} of {len} tried, {eta} left");
    let rehearsed = Bar::new(None, "{spinner} {pos} trials of proposals rehearsed");
    let show = |progress| match progress {
        Progress::Tried(tried) => searched.show(tried),
        Progress::Rehearsed(trials) => {
            searched.clear();
            rehearsed.show(trials);
        }
    };
    let found = Proposal::search((&file, &text, folder), &installation, extent, stop, &show);
    searched.clear();
    rehearsed.clear();
    let proposal = found.map_err(Stop::Failed)?;
    let is_whole = !proposal.cut_short;
    let number = usize::from(arguments.choose);
    let chosen = proposal.candidates.get(number - 1);
    if is_whole {
        outputs.write(&proposal, chosen)?;
    }
    match form {
        Form::Text => print(|out| proposal.write_text(out))?,
        Form::Json => print_json(&proposal)?,
    }
    if !is_whole {
        note("interrupted: above is what was finished; no file is written");
        return Err(Stop::Interrupted);
    }
    if proposal.candidates.is_empty() {
        return Err(Stop::Failed(Vec::new()));
    }
    match (&arguments.write, chosen) {
        (Some(out), Some(_)) => note(&format!("{} is written: number {number}", out.display())),
        (Some(_), None) => {
            let message =
                format!("--choose {number}: there are only {}; nothing is written", proposal.candidates.len());
            return Err(usage(&message, "a number of the list, with the same --seed"));
        }
        (None, _) => {}
    }
    Ok(())
}

/// The files to write.
struct Outputs {
    file: Option<Target>,
    picture: Option<Target>,
}

impl Outputs {
    /// Checks that they can be written. This comes before the search.
    fn claim(arguments: &Arguments, site: Option<&Site>) -> Result<Self, Stop> {
        let picture = arguments.plot.as_deref().map(|path| {
            let picture = Beside { option: "--plot", path, ending: "svg", printed: "list", force: arguments.force };
            picture.claim(&arguments.file, site)
        });
        let picture = picture.transpose()?;
        let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
        let inputs = read_with(&arguments.file, site);
        let inputs: Vec<&Path> = inputs.iter().map(PathBuf::as_path).collect();
        let file = arguments.write.as_deref().map(|path| Target::claim(path, existing, &inputs)).transpose()?;
        if file.as_ref().is_some_and(Target::is_stdout) {
            return Err(usage("the standard output is for the list", "a file for the installation"));
        }
        if let (Some(file), Some(picture)) = (&file, &picture)
            && file.is_one_file_with(picture)
        {
            return Err(usage("--write and --plot name one file", "a file for each"));
        }
        Ok(Self { file, picture })
    }

    fn write(&mut self, proposal: &Proposal, chosen: Option<&Candidate>) -> Result<(), Stop> {
        if let (Some(target), Some(candidate)) = (self.file.take(), chosen) {
            target.write(&candidate.installation)?;
        }
        if let Some(target) = self.picture.take().filter(|_| !proposal.candidates.is_empty()) {
            target.write(&picture(proposal))?;
        }
        Ok(())
    }
}

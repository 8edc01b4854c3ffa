//! `forewarm rehearse`.

use super::bar::Bar;
use super::replay::{every, plot_form, step};
use super::{Form, Stop, count_warnings, interrupt, note, print, print_json, tell, usage};
use forewarm::cautions::CAUTIONS;
use forewarm::chart;
use forewarm::csv_text::cannot_read;
use forewarm::diagnostic::Problem;
use forewarm::faults::Limits;
use forewarm::input;
use forewarm::installation::{Installation, shown};
use forewarm::output::{Existing, Target};
use forewarm::plan::thermal::Shapes;
use forewarm::plan::{Subject, section};
use forewarm::rehearse::{
    Broken, Cast, Compared, Envelope, Pace, Rehearsal, Scenario, Trials, TrueTimeline, figures, summarise,
};
use forewarm::replay::PlotForm;
use forewarm::site::Site;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

/// Rehearse a winter: the controller in a closed loop with bank, heater, box, weather and sources
///
/// The installation file names the weather and says what the sources do. The controller is judged alone: of the battery's own
/// protection, only the end of the discharge of a flat bank takes part.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,
    /// Another installation file, to be rehearsed beside it and compared
    #[arg(long, value_name = "OTHER")]
    against: Option<PathBuf>,

    /// Repeat it so many times, with sensors, leads, pad, box and cells drawn from their tolerances; 1 to 1000000
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1_000_000), help_heading = "Trials")]
    trials: Option<u64>,
    /// Rehearse the trial of that number alone
    #[arg(long, value_name = "NUMBER", conflicts_with = "trials", help_heading = "Trials")]
    trial: Option<u64>,
    /// What the draws are made from; the same seed draws the same trials
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "Trials")]
    seed: u64,

    /// Break something, and leave it broken: NAME as `forewarm faults` has it, TIME in the season as in 12-24T18:00. It can be
    /// given more than once
    #[arg(long, value_name = "NAME@TIME", help_heading = "Faults")]
    fault: Vec<String>,
    /// Read auxiliary contacts of both relays
    #[arg(long, help_heading = "Faults")]
    contacts: bool,

    /// Time between two steps of the controller, s, 0.1 to 10
    #[arg(long, value_name = "SECONDS", default_value = "1", value_parser = step)]
    step: u32,

    /// Take every step, rather than leap over those in which nothing is decided; the result is the same
    #[arg(long)]
    every_step: bool,

    /// Draw temperatures, outputs and energy. OUT ends in .html, for a page to look into, or in .svg
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    plot: Option<PathBuf>,
    /// Write a timeline as CSV, which `forewarm replay` reads
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    timeline: Option<PathBuf>,
    /// Time between its lines where nothing happens, s, from 60 steps to 86400 [default: 60 steps]
    #[arg(long, value_name = "SECONDS", value_parser = every, help_heading = "Results")]
    every: Option<i64>,
    /// Replace files that exist
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm rehearse mine.toml --plot winter.html
  forewarm rehearse mine.toml --against thicker.toml
  forewarm rehearse mine.toml --trials 1000
  forewarm rehearse mine.toml --fault heater_relay.welded@12-24T18:00 --plot welded.html

Exit status: 0 done; 1 a file fails a check, or charge was permitted with a cell below its hard limit; 2 usage, or a file that \
cannot be written or read as text; 130 interrupted.";

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let files: Vec<&Path> = [Some(&*arguments.file), arguments.against.as_deref()].into_iter().flatten().collect();
    if files.iter().filter(|file| **file == Path::new("-")).count() > 1 {
        return Err(usage("two installations cannot both come from the standard input", "a file for one of them"));
    }
    let mut installations = Vec::new();
    let mut inputs: Vec<PathBuf> = files.iter().map(|file| file.to_path_buf()).collect();
    for file in &files {
        let installation = Installation::load(file)?;
        count_warnings(file, &installation);
        let base = file.parent().unwrap_or(Path::new("")).to_owned();
        for named in installation.site.iter().flat_map(Site::files) {
            let path = base.join(named);
            readable(&path)?;
            inputs.push(path);
        }
        installations.push((installation, base));
    }
    let inputs: Vec<&Path> = inputs.iter().map(PathBuf::as_path).collect();
    let mut outputs = Outputs::claim(arguments, &inputs)?;
    let mut scenarios = Vec::new();
    for (file, (installation, base)) in files.iter().zip(&installations) {
        let mut scenario = Scenario::prepare(installation, &shown(file), base, arguments.step).map_err(Stop::Failed)?;
        tell(&scenario.warnings);
        scenario.has_contacts = arguments.contacts;
        let broken = arguments.fault.iter().map(|fault| Broken::parsed(fault, &scenario)).collect::<Result<_, _>>()?;
        scenario.broken = broken;
        if scenario.broken.iter().filter(|broken| broken.what.changes_the_plant()).count() > 1 {
            return Err(usage(
                "two faults that move thermometers, or change the way of the heat, cannot be played together",
                "one of them",
            ));
        }
        if !scenario.broken.is_empty() {
            scenario.thermal_cutouts = Limits::of(&scenario.site, &scenario.settings).thermal_cutouts;
        }
        scenarios.push(scenario);
    }
    if let Some(every) = arguments.every.filter(|every| *every < i64::from(scenarios[0].block_ms())) {
        let message = format!("--every is {} s, shorter than 60 steps", every / 1000);
        return Err(usage(&message, &format!("--every {} or more", scenarios[0].block_ms() / 1000)));
    }
    let stop = interrupt::heed();
    let (mut rehearsals, mut seasons) = (Vec::new(), Vec::new());
    let labels = labels(&files);
    for ((file, label), scenario) in files.iter().zip(&labels).zip(scenarios) {
        // Only the first installation has a timeline.
        let timeline = outputs.timeline.take();
        let (rehearsal, season) = rehearse(arguments, (&shown(file), label), scenario, timeline, stop)?;
        rehearsals.push(rehearsal);
        seasons.push(season);
        if stop.load(Ordering::Relaxed) {
            break;
        }
    }
    let interrupted = stop.load(Ordering::Relaxed);
    let whole = rehearsals.len() == files.len() && !rehearsals.iter().any(Rehearsal::is_cut_short);
    let summary = summarise(&rehearsals);
    match outputs.plot {
        Some((target, form)) if whole => {
            let banks = || {
                let all = installations.iter().filter_map(|(installation, _)| Subject::of(installation));
                all.map(|subject| section::warmth(&subject, &Shapes::of(subject.site))).collect::<Vec<_>>()
            };
            let text = match form {
                PlotForm::Html => chart::page(&seasons, &banks(), &figures(&rehearsals, &labels), &CAUTIONS),
                PlotForm::Svg => chart::drawing(&seasons[0]),
            };
            target.write(&text)?;
        }
        _ => {}
    }
    match form {
        Form::Text => print(|out| out.write_all(summary.as_bytes()))?,
        Form::Json => print_json(&Compared::of(&rehearsals))?,
    }
    if interrupted {
        let files = if whole { "" } else { "; of a season that is cut short no file is written" };
        note(&format!("interrupted: above is what was finished{files}"));
        return Err(Stop::Interrupted);
    }
    if rehearsals.iter().any(Rehearsal::did_harm) { Err(Stop::Failed(Vec::new())) } else { Ok(()) }
}

/// What a page calls each of the files. It uses their names alone where those differ, because a page may be narrow.
fn labels(files: &[&Path]) -> Vec<String> {
    let names: Vec<String> = files
        .iter()
        .map(|file| file.file_name().map_or_else(|| shown(file), |name| name.to_string_lossy().into_owned()))
        .collect();
    let is_clear = names.iter().enumerate().all(|(rank, name)| !names[..rank].contains(name));
    if is_clear { names } else { files.iter().map(|file| shown(file)).collect() }
}

/// Plays one scenario as written, or as one trial draws it. Also plays the trials that were asked for.
fn rehearse(
    arguments: &Arguments,
    (file, label): (&str, &str),
    scenario: Scenario,
    timeline: Option<Target>,
    stop: &AtomicBool,
) -> Result<(Rehearsal, chart::Season), Stop> {
    let seed = arguments.seed;
    let cast = arguments.trial.map_or(Cast::AsWritten, |number| Cast::Trial { seed, number });
    let pace = if arguments.every_step { Pace::EveryStep } else { Pace::Leaping };
    let (mut rehearsal, mut season) = match timeline {
        None => {
            let (rehearsal, season, ()) = Rehearsal::filmed(scenario, (file, label), cast, pace, (), stop);
            (rehearsal, season)
        }
        Some(target) => {
            let every_ms = arguments.every.unwrap_or_else(|| scenario.block_ms().into());
            let timeline = TrueTimeline::start(target, &scenario, every_ms)?;
            let (rehearsal, season, timeline) = Rehearsal::filmed(scenario, (file, label), cast, pace, timeline, stop);
            if !stop.load(Ordering::Relaxed) {
                timeline.finish()?;
            }
            (rehearsal, season)
        }
    };
    let scenario = &rehearsal.scenario;
    let envelope = arguments.plot.as_ref().map(|_| Envelope::new(scenario));
    let trials = arguments.trials.map(|count| {
        let bar = Bar::new(Some(count), "{wide_bar} {pos} of {len} trials, {eta} left");
        let trials = Trials::play(scenario, pace, seed, 0..count, stop, &|done| bar.show(done), envelope.as_ref());
        bar.clear();
        trials
    });
    rehearsal.trials = trials.transpose()?;
    if let (Some(envelope), Some(trials)) = (envelope, &rehearsal.trials) {
        season.lines.push(envelope.line(trials.finished.len()));
    }
    Ok((rehearsal, season))
}

/// Whether a file that an installation names can be read.
pub(super) fn readable(path: &Path) -> Result<(), Stop> {
    input::readable(path).map_err(|error| cannot_read(&path.display().to_string(), &error).into())
}

/// The files to write.
struct Outputs {
    plot: Option<(Target, PlotForm)>,
    timeline: Option<Target>,
}

impl Outputs {
    fn claim(arguments: &Arguments, inputs: &[&Path]) -> Result<Self, Stop> {
        let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
        let claim = |path: &Path| -> Result<Target, Problem> { Target::claim(path, existing, inputs) };
        let plot = match &arguments.plot {
            None => None,
            Some(path) => {
                let form = plot_form(path)?;
                if form == PlotForm::Svg && arguments.against.is_some() {
                    return Err(usage(
                        "a drawing shows one installation, not two",
                        "--plot with a name that ends in .html",
                    ));
                }
                Some((claim(path)?, form))
            }
        };
        let timeline = arguments.timeline.as_deref().map(claim).transpose()?;
        if let (Some(timeline), Some((plot, _))) = (&timeline, &plot)
            && timeline.is_one_file_with(plot)
        {
            return Err(usage("--timeline and --plot name one file", "a file for each"));
        }
        if timeline.as_ref().is_some_and(Target::is_stdout) || plot.as_ref().is_some_and(|(plot, _)| plot.is_stdout()) {
            return Err(usage("the standard output is for the summary", "a file for the timeline or the picture"));
        }
        Ok(Self { plot, timeline })
    }
}

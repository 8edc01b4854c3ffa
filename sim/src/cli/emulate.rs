//! `forewarm emulate`.

use super::bar::Bar;
use super::rehearse::readable;
use super::replay::step;
use super::{Form, Stop, count_warnings, interrupt, note, print, print_json, tell, usage};
use forewarm::diagnostic::Problem;
use forewarm::emulate::board::Board;
use forewarm::emulate::flash::Flash;
use forewarm::emulate::image::{BUILT, Image};
use forewarm::emulate::lockstep::{self, Exchange, Finding};
use forewarm::emulate::machine::{EMULATOR, Machine, Setup};
use forewarm::emulate::report::Report;
use forewarm::installation::{Installation, shown};
use forewarm::rehearse::{self, Cast, Outcome, Pace, Rehearsal, Scenario, play, summarise};
use forewarm::site::Site;
use forewarm::variation::Variation;
use serde::Serialize;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::Instant;

/// Run the firmware's image in an emulator through a winter, in step with the rehearsal
///
/// The image gets the installation's settings over its service line. In every step it is then shown what the rehearsal's controller is
/// shown. Decisions and output pins must be equal; the first that is not is printed with both sides. This needs QEMU for ARM, and an
/// image that has been built.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// The firmware's image for the emulated board, an ELF file
    #[arg(long, value_name = "ELF", default_value = BUILT)]
    image: PathBuf,
    /// The emulator: a name along PATH, or a path
    #[arg(long, value_name = "PROGRAM", default_value = EMULATOR)]
    emulator: OsString,

    /// Only the first days of the winter, 1 to 366 [default: all of them]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=366))]
    days: Option<u32>,
    /// Time between two steps of the controller, s, 0.1 to 10
    #[arg(long, value_name = "SECONDS", default_value = "1", value_parser = step)]
    step: u32,
    /// Exchange each step before the next is taken, instead of many at a time
    #[arg(long)]
    single: bool,
}

const AFTER: &str = "\
Example:
  forewarm emulate mine.toml --days 12

Exit status: 0 done; 1 a file fails a check, the image decided otherwise, or charge was permitted with a cell below its hard limit; \
2 usage, no emulator, no image, or a file that cannot be read; 130 interrupted.";

/// The result for machines: the season, and how the board did in it.
#[derive(Debug, Serialize)]
struct Results<'r> {
    #[serde(flatten)]
    rehearsed: rehearse::Report<'r>,
    emulated: Report,
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let file = &arguments.file;
    let installation = Installation::load(file)?;
    count_warnings(file, &installation);
    let base = file.parent().unwrap_or(Path::new(""));
    for named in installation.site.iter().flat_map(Site::files) {
        readable(&base.join(named))?;
    }
    let mut scenario = Scenario::prepare(&installation, &shown(file), base, arguments.step).map_err(Stop::Failed)?;
    if let Some(days) = arguments.days {
        let span_s = i64::from(days) * 86_400;
        if span_s > scenario.span_s {
            let message = format!("--days is {days}, and the winter has {}", scenario.span_s / 86_400);
            return Err(usage(&message, "fewer days, or a longer winter: site.days in the installation file"));
        }
        scenario.span_s = span_s;
    }
    tell(&scenario.warnings);
    let image = Image::open(&arguments.image)?;

    let setup = Setup { emulator: &arguments.emulator, ..Setup::new(&image) };
    let Board { mut machine, mut rig, mut service, .. } = Board::switch_on(&setup, Flash::default())?;
    let installed = rig.start().and_then(|_| service.install(&mut rig, &scenario.settings));
    let (board, installed) = installed.map_err(|trouble| machine.explain(&trouble))?;

    // Up to here, an interrupt ends everything at once.
    let stop = interrupt::heed();
    let exchange = if arguments.single { Exchange::Single } else { Exchange::Batches };
    let steps = u64::try_from(scenario.span_s).unwrap_or(0) * 1000 / u64::from(scenario.step_ms) + 1;
    let bar = Bar::new(Some(steps), "{wide_bar} {pos} of {len} steps, {per_sec}, {eta} left");
    let began = Instant::now();
    let variation = Variation::default();
    let played = lockstep::run(&scenario, &variation, &mut rig, exchange, stop, &|done| bar.show(done));
    let took_s = began.elapsed().as_secs_f64();
    bar.clear();
    if let Some(finding) = &played.finding {
        return Err(told(finding, &mut machine, &image));
    }
    let stack = rig.stack().map_err(|trouble| machine.explain(&trouble))?;
    drop(machine);
    let report = Report::new(&image, board.version, installed, played.compared, stack);

    let unheated = play(&scenario.unheated(), &variation, Pace::Leaping, &mut (), stop);
    let rehearsal = Rehearsal {
        unheated: Some(unheated).filter(|unheated: &Outcome| unheated.steps == played.outcome.steps),
        scenario,
        file: shown(file),
        cast: Cast::AsWritten,
        outcome: played.outcome,
        reasons: played.reasons,
        answers: played.answers,
        trials: None,
    };
    match form {
        Form::Text => {
            let text = summarise(std::slice::from_ref(&rehearsal)) + &report.to_text();
            print(|out| out.write_all(text.as_bytes()))?;
        }
        Form::Json => {
            print_json(&Results { rehearsed: rehearse::Report::of(&rehearsal), emulated: report })?;
        }
    }
    // This goes to the standard error: the results must be the same each time.
    #[expect(clippy::cast_precision_loss, reason = "steps of a year")]
    let rate = played.compared as f64 / took_s;
    note(&format!("{} steps in {took_s:.1} s, {rate:.0} a second", played.compared));
    if stop.load(Ordering::Relaxed) {
        note("interrupted: above is what was finished");
        return Err(Stop::Interrupted);
    }
    if rehearsal.did_harm() { Err(Stop::Failed(Vec::new())) } else { Ok(()) }
}

/// What ended the season before its time.
fn told(finding: &Finding, machine: &mut Machine, image: &Image) -> Stop {
    let found = |message: String| Problem::error(&image.shown(), message);
    let problem = match finding {
        Finding::Trouble(trouble) => return machine.explain(trouble).into(),
        Finding::Mismatch(mismatch) => found(format!("the image does not do what the core decides: {mismatch}"))
            .remedy("an image built from the same sources as this program"),
        Finding::Restarted { step } => found(format!("the image has restarted, at step {step} or soon after"))
            .because("its watchdog restarts it when it hangs"),
        Finding::PowerCut { step } => found(format!("the power was cut, at step {step} or soon after")),
    };
    Stop::Failed(vec![problem])
}

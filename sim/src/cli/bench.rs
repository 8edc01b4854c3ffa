//! `forewarm bench`.

use super::beside::{Beside, read_with};
use super::{Form, Stop, count_warnings, no_site, print, print_json, usage};
use clap::ValueEnum;
use forewarm::bench::resistors::{Series, Stock};
use forewarm::bench::{
    BOX_STEP_OHM, Bench, Calibration, Card, Controller, HEIGHT_M, Record, Verdict, WITHIN_PCT, Walked, walk,
};
use forewarm::diagnostic::Problem;
use forewarm::edit::Draft;
use forewarm::fingerprint;
use forewarm::installation::{Installation, shown};
use forewarm::output::{Existing, Target};
use forewarm::service::address::Address;
use forewarm::service::attend::Attended;
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::{fs, io};

/// Print a card for the workbench: which resistors to connect, and what the controller must then do
///
/// Resistors stand in for the thermometers on either side of every threshold. What must follow is what the control core does with them,
/// wherever resistors and converter are within their tolerances.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// The series of resistors at hand (IEC 60063)
    #[arg(long, value_name = "SERIES", value_enum, default_value_t = Values::E96)]
    resistors: Values,
    /// How far each may be off, in percent: its tolerance, or how well it was measured
    #[arg(long, value_name = "PCT", default_value_t = 0.1, value_parser = between(WITHIN_PCT, "%"))]
    within: f64,
    /// Smallest step of a decade box, in ohms
    #[arg(long, value_name = "OHM", default_value_t = 0.1, value_parser = between(BOX_STEP_OHM, "Ω"))]
    box_step: f64,
    /// Height of the bench above the sea, in metres, for the boiling point
    #[arg(long, value_name = "M", default_value_t = 0.0, allow_negative_numbers = true, value_parser = between(HEIGHT_M, "m"))]
    height: f64,

    /// Go through the card step by step, and keep what came of it; with PORT the controller on that service line is watched, without it
    /// every value is asked for. What was broken off goes on where it was
    #[arg(long, value_name = "PORT", num_args = 0..=1, default_missing_value = "", help_heading = "Recording")]
    record: Option<Witness>,
    /// The record; without it, beside the installation file, with its name and .bench.json
    #[arg(long, value_name = "FILE", help_heading = "Recording", requires = "record")]
    into: Option<PathBuf>,
    /// Who tries it
    #[arg(long, value_name = "NAME", help_heading = "Recording", requires = "record", default_value = "")]
    by: String,
    /// Write an installation file with the offsets that the readings in ice give, and how well they are known
    #[arg(long, value_name = "OUT", help_heading = "Recording", requires = "record")]
    write: Option<PathBuf>,

    /// Write the card as a page to print. OUT ends in .html
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    page: Option<PathBuf>,
    /// Replace a file that exists
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm bench mine.toml --page card.html
  forewarm bench mine.toml --resistors e24 --within 1 --height 450
  forewarm bench mine.toml --record /dev/ttyUSB0 --by \"A. Fitter\" --write calibrated.toml

Exit status: 0 done; 1 the file fails a check, or describes no site, or a step has failed; 2 usage, or a file that cannot be read or written.";

/// A series, as it is typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Values {
    /// 24 values a decade
    E24,
    /// 96 values a decade
    E96,
}

/// Who says what the controller does.
#[derive(Clone, Debug)]
enum Witness {
    /// The person who types.
    Person,
    /// The controller itself, on this line.
    Line(Address),
}

impl FromStr for Witness {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text.is_empty() { Ok(Self::Person) } else { text.parse().map(Self::Line) }
    }
}

/// Reads a number between two others.
fn between((least, most): (f64, f64), unit: &'static str) -> impl Fn(&str) -> Result<f64, String> + Clone {
    move |text| {
        let number: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
        if (least..=most).contains(&number) { Ok(number) } else { Err(format!("not within {least} to {most} {unit}")) }
    }
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let bench = Bench {
        stock: Stock {
            series: match arguments.resistors {
                Values::E24 => Series::E24,
                Values::E96 => Series::E96,
            },
            tolerance: arguments.within / 100.0,
        },
        box_step_ohm: arguments.box_step,
        height_m: arguments.height,
    };
    let (installation, text) = Installation::load_text(&arguments.file)?;
    count_warnings(&arguments.file, &installation);
    let page = arguments.page.as_deref().map(|path| {
        let page = Beside { option: "--page", path, ending: "html", printed: "card", force: arguments.force };
        page.claim(&arguments.file, installation.site.as_ref())
    });
    let page = page.transpose()?;
    let card = Card::of(&installation, &bench)
        .ok_or_else(|| no_site(&arguments.file, "a card is for the real things, not for settings alone"))?;
    if let Some(target) = page {
        target.write(&card.page())?;
    }
    if let Some(witness) = &arguments.record {
        return record(arguments, witness, &card, (&installation, &text), form);
    }
    match form {
        Form::Text => print(|out| card.write_text(out)),
        Form::Json => print_json(&card),
    }
}

/// The result of a recording, for machines.
#[derive(Debug, Serialize)]
struct Recorded<'r> {
    file: String,
    complete: bool,
    pass: usize,
    fail: usize,
    not_tried: usize,
    calibrations: &'r [Calibration],
    record: &'r Record,
}

/// Goes through the card.
fn record(
    arguments: &Arguments,
    witness: &Witness,
    card: &Card,
    (installation, text): (&Installation, &str),
    form: Form,
) -> Result<(), Stop> {
    let into = match &arguments.into {
        Some(into) => into.clone(),
        None => arguments.file.with_extension("bench.json"),
    };
    if into == Path::new("-") {
        return Err(usage(
            "a record is kept in a file, so that it can be gone on with",
            "--into with the name of a file",
        ));
    }
    if arguments.file == Path::new("-") {
        return Err(usage("the standard input is for what is typed", "the installation in a file"));
    }
    let inputs = read_with(&arguments.file, installation.site.as_ref());
    let inputs: Vec<&Path> = inputs.iter().map(PathBuf::as_path).collect();
    let claim = |path: &Path, existing: Existing| Target::claim(path, existing, &inputs);
    // Before any question: nobody should try a card for a file that cannot be written.
    let kept = claim(&into, Existing::Replace)?;
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let write = arguments.write.as_deref().map(|path| claim(path, existing)).transpose()?;
    if write.as_ref().is_some_and(|write| write.is_one_file_with(&kept)) {
        return Err(usage("--into and --write name one file", "a file for each"));
    }
    let mut record = if into.exists() {
        let before = fs::read_to_string(&into).map_err(|error| {
            Problem::error(&into.display().to_string(), format!("cannot be read: {error}"))
                .remedy("another name, to begin a new record")
        })?;
        let mut record = Record::resume(&into.display().to_string(), &before, card)?;
        record.go_on(&arguments.by);
        record
    } else {
        Record::begin(card, &arguments.by)
    };
    let mut attended = match witness {
        Witness::Person => None,
        Witness::Line(address) => Some(Attended::at(address, fingerprint::of(&installation.settings))?),
    };
    let controller = attended.as_mut().map(|attended| attended as &mut dyn Controller);
    let mut save = |record: &Record| {
        let text = serde_json::to_string_pretty(record).unwrap_or_default();
        claim(&into, Existing::Replace)?.write(&(text + "\n"))
    };
    let walked = walk(
        (card, &installation.channels),
        &mut record,
        controller,
        (&mut io::stdin().lock(), &mut anstream::stderr().lock()),
        &mut save,
    )?;
    let calibrations = Calibration::of(&record, installation);
    if let Some(target) = write.filter(|_| !calibrations.is_empty()) {
        let mut draft = Draft::of(text).ok_or_else(|| usage("the file cannot be changed", "a file that is TOML"))?;
        for calibration in &calibrations {
            draft.apply_all(&calibration.edits());
        }
        let changed = draft.to_string();
        Installation::parse(&shown(&arguments.file), &changed).map_err(Stop::Failed)?;
        target.write(&changed)?;
    }
    let [pass, fail, not_tried] = [Verdict::Pass, Verdict::Fail, Verdict::Skipped].map(|verdict| record.count(verdict));
    match form {
        Form::Json => print_json(&Recorded {
            file: into.display().to_string(),
            complete: walked == Walked::All,
            pass,
            fail,
            not_tried,
            calibrations: &calibrations,
            record: &record,
        })?,
        Form::Text => print(|out| {
            writeln!(out, "{pass} passed, {fail} failed, {not_tried} not tried; kept in {}", into.display())?;
            if walked == Walked::BrokenOff {
                writeln!(out, "Broken off: the same command goes on where it was.")?;
            }
            calibrations.iter().try_for_each(|calibration| calibration.write_text(out))?;
            match &arguments.write {
                Some(written) if !calibrations.is_empty() => {
                    let (written, into) = (written.display(), into.display());
                    writeln!(
                        out,
                        "Send {written} to the controller, and go on with: forewarm bench {written} --record --into {into}"
                    )
                }
                _ => Ok(()),
            }
        })?,
    }
    if fail > 0 { Err(Stop::Failed(Vec::new())) } else { Ok(()) }
}

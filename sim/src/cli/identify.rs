//! `forewarm identify`.

use super::beside::{Beside, read_with};
use super::replay::{decimal, delimiter, kept, max_gap, open, shown, warn};
use super::{Form, Stop, count_warnings, no_site, note, print, print_json, usage};
use forewarm::identify::{Assumed, identify, picture};
use forewarm::installation::Installation;
use forewarm::output::{Existing, Target};
use forewarm::replay::{ChannelColumn, Decimal, Mapping, Request, TimeColumn};
use forewarm::site::Site;
use std::path::{Path, PathBuf};

/// Ask a log whether the bank behaves as planned, and if not, what is wrong with it
///
/// It fits heat loss, heat capacity, the pad's power, the joint from plate to each battery, what the batteries conduct and the lag of each
/// thermometer, and says of each how sure the log is. The log is what `forewarm replay` reads. Columns are found by name: CHANNEL_c and so
/// on for a thermometer channel; outside_c for the air around the box; heater, 0 or 1; heater_w, or heater_a and supply_v, for its power;
/// bank_a for the bank's current.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The installation file
    file: PathBuf,
    /// The log; - for the standard input
    log: PathBuf,

    /// The time column and its format, as `forewarm replay --help` has it [default: by its name and the first rows]
    #[arg(long, value_name = "COLUMN[+COLUMN][:FORMAT]", help_heading = "Columns")]
    time: Option<TimeColumn>,
    /// Column of a thermometer channel and its unit: c (°C), f (°F), k (K), ohm or ratio. Repeat for more. Also outside=COLUMN:UNIT for
    /// the air around the box, and NAME=COLUMN for heater_w (W), heater_a and bank_a (A), supply_v (V) [default: by name]
    #[arg(long, value_name = "CHANNEL=COLUMN[:UNIT]", help_heading = "Columns")]
    column: Vec<ChannelColumn>,
    /// Column of what the heater did, 0 or 1 [default: heater]
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    logged_heater: Option<String>,
    /// What separates the cells: one character, or "tab" [default: comma, semicolon or tab, by the header and the first rows]
    #[arg(long, value_name = "CHARACTER", value_parser = delimiter, help_heading = "Columns")]
    delimiter: Option<u8>,
    /// The decimal sign: point or comma [default: by the numbers, which must all have the same]
    #[arg(long, value_name = "SIGN", value_parser = decimal, help_heading = "Columns")]
    decimal: Option<Decimal>,

    /// Take the air around the box to have been at this temperature all the time, °C, -60 to 60
    #[arg(long, value_name = "CELSIUS", allow_hyphen_values = true, value_parser = celsius)]
    assume_outside: Option<f64>,
    /// Take the heater to have been off all the time
    #[arg(long)]
    assume_heater_off: bool,
    /// Longest pause between two rows over which nothing was switched, s, up to 604800; after a longer one the fit begins anew
    /// [default: 3 times the usual interval, at least 60]
    #[arg(long, value_name = "SECONDS", value_parser = max_gap)]
    max_gap: Option<i64>,
    /// Stop at the first row that cannot be used [default: count and skip it]
    #[arg(long)]
    strict: bool,

    /// Write what was found into an installation file, with the comments of yours
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    write: Option<PathBuf>,
    /// Draw what is left of each thermometer's readings over the log. OUT ends in .svg
    #[arg(long, value_name = "OUT", help_heading = "Results")]
    plot: Option<PathBuf>,
    /// Replace files that exist
    #[arg(long, help_heading = "Results")]
    force: bool,
}

const AFTER: &str = "\
Examples:
  forewarm identify mine.toml log.csv
  forewarm identify mine.toml log.csv --column outside=shade:c
  forewarm identify mine.toml log.csv --write as-found.toml

Exit status: 0 done, whatever was found; 1 the file or the log fails a check, the model cannot follow the log, or the log shows nothing; 2 usage, or a file that cannot be read or written.";

pub(crate) fn run(arguments: Arguments, form: Form) -> Result<(), Stop> {
    if arguments.file == Path::new("-") && arguments.log == Path::new("-") {
        return Err(usage("installation and log cannot both come from the standard input", "a file for one of them"));
    }
    let (installation, text) = Installation::load_text(&arguments.file)?;
    count_warnings(&arguments.file, &installation);
    let (target, plot) = claim(&arguments, installation.site.as_ref())?;
    let site = installation.site.as_ref();
    let site = site
        .ok_or_else(|| no_site(&arguments.file, "what a log shows is compared with what the real things should do"))?;
    let log = match kept(&arguments.log, &installation, &arguments.file)? {
        Some(kept) => kept,
        None => open(&arguments.log)?.0,
    };
    let request = Request {
        log: shown(&arguments.log),
        delimiter: arguments.delimiter,
        mapping: Mapping {
            time: arguments.time,
            decimal: arguments.decimal,
            channels: arguments.column,
            logged_heater: arguments.logged_heater,
            ..Mapping::default()
        },
        step_ms: 1000,
        longest_gap_ms: arguments.max_gap,
        strict: arguments.strict,
    };
    let assumed = Assumed { outside_c: arguments.assume_outside, heater_off: arguments.assume_heater_off };
    let identified = identify(&installation, site, log, &request, assumed)?;
    warn(&identified.rejected, identified.rows_rejected, identified.rows_read, &request.log);
    match form {
        Form::Text => print(|out| identified.write_text(out))?,
        Form::Json => print_json(&identified)?,
    }
    if let Some(plot) = plot {
        plot.write(&picture(&identified))?;
    }
    if let Some(problem) = identified.problem() {
        return Err(Stop::Failed(vec![problem]));
    }
    let shows_any = identified.parameters.iter().any(|found| found.identifiable);
    match (arguments.write, target) {
        (Some(out), Some(target)) if shows_any => {
            let folder = arguments.file.parent().unwrap_or(Path::new(""));
            let written = identified.written(&shown(&out), &text, &installation, folder);
            target.write(&written.map_err(|problem| Stop::Failed(vec![*problem]))?)?;
            note(&format!("{} is written, with what the log shows", out.display()));
        }
        (Some(out), _) => note(&format!("{} is not written: the log shows none of it", out.display())),
        (None, _) => {}
    }
    // A log that shows nothing fails its check.
    if shows_any { Ok(()) } else { Err(Stop::Failed(Vec::new())) }
}

/// Checks that the files can be written: the installation, and the picture. This comes before any computation.
fn claim(arguments: &Arguments, site: Option<&Site>) -> Result<(Option<Target>, Option<Target>), Stop> {
    let inputs: Vec<PathBuf> = read_with(&arguments.file, site).into_iter().chain([arguments.log.clone()]).collect();
    let inputs: Vec<&Path> = inputs.iter().map(PathBuf::as_path).collect();
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let file = arguments.write.as_deref().map(|path| Target::claim(path, existing, &inputs)).transpose()?;
    if file.as_ref().is_some_and(Target::is_stdout) {
        return Err(usage("the standard output is for the report", "a file for the installation"));
    }
    let picture = arguments.plot.as_deref().map(|path| {
        let picture = Beside { option: "--plot", path, ending: "svg", printed: "report", force: arguments.force };
        picture.claim_beside(&inputs)
    });
    let picture = picture.transpose()?;
    if let (Some(file), Some(picture)) = (&file, &picture)
        && file.is_one_file_with(picture)
    {
        return Err(usage("--write and --plot name one file", "a file for each"));
    }
    Ok((file, picture))
}

fn celsius(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(celsius) if (-60.0..=60.0).contains(&celsius) => Ok(celsius),
        _ => Err("expected a temperature from -60 to 60 °C".to_owned()),
    }
}

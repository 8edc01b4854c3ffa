//! `forewarm plan`.

use super::{Form, Stop, print, tell};
use forewarm::diagnostic::Problem;
use forewarm::installation::{Installation, shown};
use forewarm::plan::{Plan, Subject};
use forewarm::rehearse::Scenario;
use std::path::{Path, PathBuf};

/// Size an installation: heat, thermometers and thresholds, circuit; and say
/// what to change
///
/// Exit status: 0 done, 1 the installation fails a check: something in it is
/// dangerous, 2 usage or something that cannot be read or written.
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,

    /// Also tell the power that warms up from the design minimum within so many
    /// hours, 0.1 to 100
    #[arg(long, value_name = "HOURS", value_parser = hours, verbatim_doc_comment)]
    within: Option<f64>,
}

fn hours(text: &str) -> Result<f64, String> {
    let hours: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (0.1..=100.0).contains(&hours) { Ok(hours) } else { Err("not within 0.1 to 100 h".to_owned()) }
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let installation = Installation::load(&arguments.file)?;
    tell(&installation.warnings);
    let Some(site) = &installation.site else {
        let problem = Problem::error(&shown(&arguments.file), "says nothing of the site: batteries, box, winter")
            .because("a plan sizes the real things, not settings alone")
            .remedy(
                "the sections [battery], [pad], [box] and [site]; `forewarm new FILE` writes them with their meanings",
            );
        return Err(Stop::Failed(vec![problem]));
    };
    let mut plan = Plan::of(
        Subject {
            title: &installation.title,
            channels: &installation.channels,
            sources: &installation.sources,
            obeys: &installation.obeys,
            settings: &installation.settings,
            site,
        },
        arguments.within,
    );
    // Weather that cannot be read is for a rehearsal to tell; a plan does without.
    let base = arguments.file.parent().unwrap_or(Path::new(""));
    if let Ok(scenario) = Scenario::prepare(&installation, &shown(&arguments.file), base, 1000)
        && let Some(beyond) = scenario.beyond_design()
    {
        plan.add_weather_beyond(&beyond);
    }
    print(|out| match form {
        Form::Text => plan.write_text(out),
        Form::Json => {
            serde_json::to_writer_pretty(&mut *out, &plan)?;
            writeln!(out)
        }
    })?;
    // What fails has been told: here it is the result.
    if plan.ok { Ok(()) } else { Err(Stop::Failed(Vec::new())) }
}

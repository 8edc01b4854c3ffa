//! The hand-over document: what was built, how it is wired, why it is set as it is, what it will do, and what its owner must know.
//!
//! A [`Report`] holds all of it as data. It invents nothing: where the installation file does not know a length, a cross-section or a
//! rating, the document has a blank to fill in by hand.
//!
//! | module | holds |
//! |---|---|
//! | `paragraph` | the installation in words |
//! | `circuit` | parts, terminals and conductors: the one model of list and drawing |
//! | `wiring` | the wiring list |
//! | `schematic` | the drawing |
//! | `settings` | each setting, and why |
//! | `budget` | how wrong the thermometers can read, in short |
//! | `behaviour` | what to expect, with pictures |
//! | `faults` | the fault matrix in short |
//! | `record` | what was tried at the bench |
//! | `owner` | one page for the owner |
//! | `text`, `page` | a report on a terminal and on paper |

mod behaviour;
mod budget;
mod circuit;
mod faults;
mod owner;
mod page;
mod paragraph;
mod record;
mod schematic;
mod settings;
#[cfg(test)]
mod tests;
mod text;
mod wiring;

pub use behaviour::Behaviour;
pub use budget::ErrorOf;
pub use circuit::{Part, Says};
pub use faults::{Blind, Faults, Report as Reported};
pub use owner::Owner;
pub use record::Tried;
pub use settings::Setting;
pub use wiring::Conductor;

use crate::cautions::CAUTIONS;
use crate::diagnostic::Problem;
use crate::finding::Finding;
use crate::fingerprint;
use crate::installation::Installation;
use crate::plan::thermal::Shapes;
use crate::plan::{Plan, Subject};
use crate::rehearse::Scenario;
use circuit::Circuit;
use schematic::Drawing;
use serde::Serialize;
use std::sync::atomic::AtomicBool;

/// What a report is asked for.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Who hands it over; empty to leave it blank.
    pub by: &'a str,
    /// Whether both relays have auxiliary contacts.
    pub has_contacts: bool,
    /// The name and the text of a bench record.
    pub record: Option<(&'a str, &'a str)>,
    /// What to play, or why there is nothing to play.
    pub scenario: Result<&'a Scenario, &'a [Problem]>,
}

/// A report.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// What the fitter calls the installation.
    pub title: String,
    /// Identifies the settings: a board that has them shows the same.
    pub settings_fingerprint: String,
    /// Who hands it over; empty if nobody is named.
    pub by: String,
    /// The installation in words.
    pub paragraph: Vec<String>,
    /// Whether the plan finds nothing dangerous, and no cell was charged too cold in the winter, where that was played. What a fault can do
    /// stands with the faults: no controller opens a contact that is welded.
    pub ok: bool,
    /// What the plan would change, and what it finds dangerous.
    pub findings: Vec<Finding>,
    /// The parts.
    pub parts: Vec<Part>,
    /// The wiring list.
    pub wiring: Vec<Conductor>,
    /// The drawing, which the page alone has.
    #[serde(skip)]
    drawings: Vec<Drawing>,
    /// What to know about list and drawing, by the title of the sheet.
    pub wiring_notes: Vec<(&'static str, Vec<String>)>,
    /// Each setting, and why.
    pub settings: Vec<Setting>,
    /// How wrong the thermometers of the cells can read.
    pub errors: Vec<ErrorOf>,
    /// What to expect; `null` if nobody asked for the whole.
    pub behaviour: Option<Behaviour>,
    /// What can go wrong; `null` if that was not played.
    pub faults: Option<Faults>,
    /// What is left out, and how to get it.
    pub left_out: Vec<String>,
    /// What was tried at the bench; `null` without a record.
    pub record: Option<Tried>,
    /// The page for the owner.
    pub owner: Owner,
    /// The cautions that every document states once.
    pub cautions: [&'static str; 3],
}

impl Report {
    /// The report of an installation without what takes long; `None` if its file describes no site.
    ///
    /// # Errors
    /// What is wrong with the record.
    #[must_use]
    pub fn brief(installation: &Installation, asked: Asked<'_>) -> Option<Result<Self, Problem>> {
        let subject = Subject::of(installation)?;
        let shapes = Shapes::of(subject.site);
        Some(Self::begun(installation, &subject, &shapes, asked).map(|(report, _)| report))
    }

    /// The whole of it; `None` if its file describes no site.
    ///
    /// # Errors
    /// What is wrong with the record; or if no thread can be started.
    pub fn whole(
        installation: &Installation,
        asked: Asked<'_>,
        stop: &AtomicBool,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Option<Result<Self, Problem>> {
        let subject = Subject::of(installation)?;
        let shapes = Shapes::of(subject.site);
        let begun = Self::begun(installation, &subject, &shapes, asked);
        Some(begun.and_then(|(mut report, plan)| {
            let scenario = asked.scenario.ok();
            let behaviour = behaviour::of(&subject, &plan, &shapes, scenario, stop);
            let faults =
                scenario.map(|scenario| faults::play(scenario, asked.has_contacts, stop, progress)).transpose()?;
            report.ok &= !behaviour.did_harm;
            (report.behaviour, report.faults) = (Some(behaviour), faults);
            Ok(report)
        }))
    }

    fn begun(
        installation: &Installation,
        subject: &Subject<'_>,
        shapes: &Shapes,
        asked: Asked<'_>,
    ) -> Result<(Self, Plan), Problem> {
        // The record first: it fails at once, if it does.
        let record = asked.record.map(|(file, text)| Tried::read(file, text, installation)).transpose()?;
        let site = subject.site;
        let mut plan = Plan::in_shapes(*subject, None, shapes);
        if let Some(beyond) = asked.scenario.ok().and_then(Scenario::beyond_design) {
            plan.add_weather_beyond(&beyond);
        }
        let circuit = Circuit::of(installation, site, asked.has_contacts);
        let mut left_out: Vec<String> = asked.scenario.err().map(without_weather).into_iter().collect();
        if record.is_none() {
            left_out.push(
                "What was tried at the bench: nobody has given a record. `forewarm bench FILE --record` keeps one, and `forewarm \
                 report FILE --record RECORD` puts it here."
                    .to_owned(),
            );
        }
        let report = Self {
            title: installation.title.clone(),
            settings_fingerprint: fingerprint::of(&installation.settings).to_string(),
            by: asked.by.to_owned(),
            paragraph: paragraph::sentences(installation, site),
            ok: plan.ok,
            findings: plan.findings.iter().filter(|finding| !finding.is_fine()).cloned().collect(),
            wiring: wiring::list(&circuit),
            drawings: schematic::drawings(&circuit),
            wiring_notes: circuit.sheets.iter().map(|sheet| (sheet.title, sheet.notes.clone())).collect(),
            parts: circuit.parts,
            settings: settings::list(installation, site, &plan),
            errors: budget::list(&plan),
            behaviour: None,
            faults: None,
            left_out,
            record,
            owner: owner::page(installation),
            cautions: CAUTIONS,
        };
        Ok((report, plan))
    }
}

/// What is left out where there is no weather, and how to get it.
fn without_weather(problems: &[Problem]) -> String {
    let why = problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
    format!(
        "The warm-up in detail, the winter, and what can go wrong: there is no weather to play them in ({why}). Mend that, or \
         make weather up in [winter] with mean_c, spell_c, spell_from_day and spell_days; then make this document again."
    )
}

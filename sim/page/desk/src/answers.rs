//! What each call answers. The library does all of it.

use crate::form::{self, Section};
use forewarm::cautions::CAUTIONS;
use forewarm::chart::{self, Parts};
use forewarm::diagnostic::{Problem, Severity};
use forewarm::edit::Draft;
use forewarm::finding::Finding;
use forewarm::installation::first::{FirstFile, Like, QUESTIONS, Refused};
use forewarm::installation::{self, Installation};
use forewarm::plan::{Memory, Plan, Subject, section};
use forewarm::propose::{self, Extent, Progress, Proposal};
use forewarm::rehearse::{Cast, Compared, Pace, Rehearsal, Scenario, figures};
use forewarm::report::{Asked, Report};
use forewarm::site::Site;
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::atomic::AtomicBool;

/// Time between two steps of the controller (ms), as the command has it where nobody says otherwise.
const STEP_MS: u32 = 1000;
/// Nobody stops an answer: who no longer wants it ends the worker.
static GO_ON: AtomicBool = AtomicBool::new(false);

/// What is wrong with what was asked.
#[derive(Debug, Serialize)]
pub(crate) struct Refusal {
    problems: Vec<Problem>,
    /// Which file each is in: one that is rehearsed beside another, or weather, has lines too.
    files: Vec<Box<str>>,
}

impl From<Vec<Problem>> for Refusal {
    fn from(problems: Vec<Problem>) -> Self {
        let files = problems.iter().map(|problem| problem.file.clone()).collect();
        Self { problems, files }
    }
}

impl From<Problem> for Refusal {
    fn from(problem: Problem) -> Self {
        vec![problem].into()
    }
}

/// A mistake of the page, not of its user.
fn misasked(error: &serde_json::Error) -> Refusal {
    Problem::usage(format!("the page has asked what cannot be read: {error}")).into()
}

fn asked<'q, T: Deserialize<'q>>(json: &'q str) -> Result<T, Refusal> {
    serde_json::from_str(json).map_err(|error| misasked(&error))
}

/// There are no folders: a file is kept by the path that it has in the installation.
fn folder() -> &'static Path {
    Path::new("")
}

fn loaded(name: &str, text: &str) -> Result<Installation, Refusal> {
    Ok(Installation::parse_in(name, text, Some(folder().to_owned()))?)
}

fn no_site(name: &str) -> Refusal {
    Problem::error(name, "says nothing of the site: batteries, box, winter")
        .because("real things are sized and rehearsed, not settings alone")
        .remedy("the sections [battery], [pad], [box], [site] and [winter]; each worked example has them")
        .into()
}

#[derive(Serialize)]
pub(crate) struct About {
    version: &'static str,
    cautions: [&'static str; 3],
    examples: Vec<Example>,
}

#[derive(Serialize)]
struct Example {
    name: &'static str,
    meaning: &'static str,
}

pub(crate) fn about() -> About {
    let examples = Like::ALL.map(|like| Example { name: like.name(), meaning: like.meaning() });
    About { version: env!("CARGO_PKG_VERSION"), cautions: CAUTIONS, examples: examples.into() }
}

#[derive(Serialize)]
pub(crate) struct Begun {
    text: String,
    questions: Vec<Posed>,
    refused: Vec<Turned>,
}

#[derive(Serialize)]
struct Posed {
    key: &'static str,
    asks: &'static str,
    choice: String,
    /// What can be answered, where it is one of some words; else empty.
    words: Vec<&'static str>,
    now: Option<String>,
    open: bool,
}

#[derive(Serialize)]
struct Turned {
    key: String,
    message: String,
    remedy: String,
}

pub(crate) fn ask(example: &str, replies: &str) -> Result<Begun, Refusal> {
    let like = Like::ALL.into_iter().find(|like| like.name() == example);
    if like.is_none() && !example.is_empty() {
        return Err(Problem::usage(format!("there is no example \"{example}\"")).into());
    }
    let replies: Vec<(String, String)> = asked(replies)?;
    let mut file = FirstFile::new(like);
    let mut refused = Vec::new();
    for question in QUESTIONS {
        let reply = replies.iter().rev().find(|(key, _)| key == question.key);
        // One about something that is gone since it was given counts no more.
        let Some((key, reply)) = reply.filter(|_| file.is_open(question)) else { continue };
        if let Err(Refused { message, remedy }) = file.answer(question, reply) {
            refused.push(Turned { key: key.clone(), message, remedy });
        }
    }
    let questions = QUESTIONS.iter().map(|question| Posed {
        key: question.key,
        asks: question.asks,
        choice: question.choice(),
        words: question.words(),
        now: file.now(question),
        open: file.is_open(question),
    });
    Ok(Begun { questions: questions.collect(), text: file.text(), refused })
}

pub(crate) fn decode(name: &str, bytes: Vec<u8>) -> Result<String, Refusal> {
    Ok(installation::decode(name, bytes)?)
}

#[cfg(target_family = "wasm")]
pub(crate) fn keep(path: &str, bytes: &[u8]) {
    forewarm::input::keep(Path::new(path), bytes);
}

/// Outside a browser there are files.
#[cfg(not(target_family = "wasm"))]
pub(crate) fn keep(_: &str, _: &[u8]) {}

#[derive(Serialize)]
pub(crate) struct Look {
    title: Option<String>,
    ok: bool,
    problems: Vec<Problem>,
    /// Files that it names.
    files: Vec<String>,
    sections: Vec<Section>,
}

pub(crate) fn look(name: &str, text: &str) -> Look {
    let (installation, quantities) = Installation::examine(name, text, Some(folder().to_owned()));
    let sections = form::sections(&quantities);
    match installation {
        Ok(Installation { title, warnings, site, .. }) => {
            let files = site.iter().flat_map(Site::files).map(|path| path.display().to_string());
            Look { title: Some(title), ok: true, problems: warnings, files: files.collect(), sections }
        }
        Err(problems) => Look { title: None, ok: false, problems, files: Vec::new(), sections },
    }
}

pub(crate) fn change(name: &str, text: &str, changes: &str) -> Result<String, Refusal> {
    let (checked, quantities) = Installation::examine(name, text, None);
    let Some(mut draft) = Draft::of(text) else {
        let problems = checked.err().unwrap_or_default();
        let errors = problems.into_iter().filter(|problem| problem.severity == Severity::Error);
        return Err(errors.collect::<Vec<_>>().into());
    };
    for change in asked::<Vec<form::Change>>(changes)? {
        let edit = change.edit(&quantities).ok_or_else(|| Problem::usage(format!("the file can have no {change}")))?;
        draft.apply(&edit);
    }
    Ok(draft.to_string())
}

/// The winter of one installation or of two.
#[derive(Serialize)]
pub(crate) struct Winter {
    /// What the command prints, as text: a page that parsed it and wrote it again might write it otherwise.
    report: String,
    #[serde(flatten)]
    parts: Parts,
}

/// What remembers.
#[derive(Default)]
pub(crate) struct Desk(Memory);

/// What a plan finds.
#[derive(Serialize)]
pub(crate) struct Verdicts {
    ok: bool,
    settings_fingerprint: String,
    findings: Vec<Finding>,
}

impl Desk {
    pub(crate) fn verdicts(&mut self, name: &str, text: &str) -> Result<Verdicts, Refusal> {
        let installation = loaded(name, text)?;
        let plan = propose::findings((name, folder()), &installation, &mut self.0).ok_or_else(|| no_site(name))?;
        let Plan { ok, settings_fingerprint, findings, .. } = plan;
        Ok(Verdicts { ok, settings_fingerprint, findings })
    }

    pub(crate) fn plan(&mut self, name: &str, text: &str) -> Result<Plan, Refusal> {
        let installation = loaded(name, text)?;
        let site = installation.site.as_ref().ok_or_else(|| no_site(name))?;
        let shapes = self.0.shapes(site);
        let plan = propose::planned((name, text, folder()), &installation, None, &shapes, &|_| {});
        Ok(plan.ok_or_else(|| no_site(name))??)
    }

    pub(crate) fn winter(&mut self, files: &str) -> Result<Winter, Refusal> {
        let files: Vec<(String, String)> = asked(files)?;
        let (mut rehearsals, mut seasons, mut names) = (Vec::new(), Vec::new(), Vec::new());
        for (name, text) in files {
            let installation = loaded(&name, &text)?;
            let scenario = Scenario::prepare(&installation, &name, folder(), STEP_MS)?;
            scenario.lend(self.0.shapes(&scenario.site).own());
            let (rehearsal, season, ()) =
                Rehearsal::filmed(scenario, (&name, &name), Cast::AsWritten, Pace::Leaping, (), &GO_ON);
            rehearsals.push(rehearsal);
            seasons.push(season);
            names.push(name);
        }
        let report = Compared::of(&rehearsals).map(|report| crate::json(&report)).unwrap_or_default();
        Ok(Winter { report, parts: chart::parts(&seasons, &figures(&rehearsals, &names)) })
    }

    pub(crate) fn section(&mut self, name: &str, text: &str) -> Result<String, Refusal> {
        let installation = loaded(name, text)?;
        let subject = Subject::of(&installation).ok_or_else(|| no_site(name))?;
        Ok(chart::section(&section::warmth(&subject, &self.0.shapes(subject.site))))
    }
}

/// How far a search goes.
#[derive(Deserialize)]
struct Wanted {
    tries: usize,
    trials: u64,
    most: usize,
    seed: u64,
}

pub(crate) fn propose(
    (name, text): (&str, &str),
    extent: &str,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Proposal, Refusal> {
    let installation = loaded(name, text)?;
    let Wanted { tries, trials, most, seed } = asked(extent)?;
    let extent = Extent { tries, trials, most, seed };
    Ok(Proposal::search((name, text, folder()), &installation, extent, &GO_ON, progress)?)
}

pub(crate) fn report((name, text): (&str, &str), by: &str) -> Result<String, Refusal> {
    let installation = loaded(name, text)?;
    let scenario = Scenario::prepare(&installation, name, folder(), STEP_MS);
    let scenario = scenario.as_ref().map_err(Vec::as_slice);
    let asked = Asked { by, has_contacts: false, record: None, scenario };
    let report = Report::whole(&installation, asked, &GO_ON, &|_| {});
    Ok(report.ok_or_else(|| no_site(name))??.page())
}

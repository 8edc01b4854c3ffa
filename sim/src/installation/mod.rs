//! The installation file: what a fitter writes down about one bank, its heater, sources and thermometers.

mod channel;
mod document;
pub mod first;
mod fixed;
mod names;
pub mod quantities;
mod row;
mod sections;
mod site;
mod starter;
mod stated;
mod summary;
mod text;
mod values;
mod verdict;
mod warnings;

#[cfg(test)]
mod tests;

use crate::diagnostic::{Problem, Severity, excerpt};
use crate::site::{BankMeasured, Site};
pub use fixed::Fixed;
use forewarm_core::settings::ValidSettings;
use quantities::Quantity;
use sections::Draft;
pub use starter::starter;
pub use stated::Stated;
use std::path::{Path, PathBuf};
pub use text::{decode, shown};

/// One installation, checked.
#[derive(Clone, Debug)]
pub struct Installation {
    /// What the fitter calls it.
    pub title: String,
    /// Names of the thermometer channels, in the order of the settings.
    pub channels: Vec<String>,
    /// Names of the energy sources, in the order of the settings.
    pub sources: Vec<String>,
    /// What makes each source obey the charge-current ceiling, in the same order. Nothing if nothing does.
    pub obeys: Vec<Option<String>>,
    /// Everything the controller gets.
    pub settings: ValidSettings,
    /// What plan and rehearsal need as well. Nothing if the file has no section of it.
    pub site: Option<Site>,
    /// Which measurements of the bank the controller gets.
    pub bank_measured: BankMeasured,
    /// What no proposal changes.
    pub fixed: Fixed,
    /// What the file states itself. Where it says nothing of cables and coils, plan and rehearsal take something usual.
    pub stated: Stated,
    /// What the fitter probably did not intend, in the order of the file.
    pub warnings: Vec<Problem>,
}

/// Names of the columns that a log may hold besides channels and sources. No channel may have one of these names.
pub const OTHER_COLUMNS: [&str; 6] = ["supply_v", "bank_v", "soc_pct", "charge_line", "discharge_line", "button"];

/// Why there is no [`Installation`].
#[derive(Clone, Debug)]
pub enum LoadError {
    /// The file could not be read as text at all.
    Unreadable(Problem),
    /// The file could be read. These are its errors and warnings, in the order of the file; at least one is an error.
    Refused(Vec<Problem>),
}

impl Installation {
    /// Reads and checks the file at `path`; `-` is the standard input.
    ///
    /// # Errors
    /// [`LoadError`]: a file that cannot be read, or every problem of one that can.
    pub fn load(path: &Path) -> Result<Self, LoadError> {
        Self::load_text(path).map(|(installation, _)| installation)
    }

    /// The same, with the text that was read.
    ///
    /// # Errors
    /// As [`Installation::load`].
    pub fn load_text(path: &Path) -> Result<(Self, String), LoadError> {
        let text = text::read(path).map_err(LoadError::Unreadable)?;
        let folder = if path == Path::new("-") { None } else { path.parent().map(Path::to_owned) };
        let installation = Self::parse_in(&text::shown(path), &text, folder).map_err(LoadError::Refused)?;
        Ok((installation, text))
    }

    /// Reads and checks `text`, which messages call `file`.
    ///
    /// # Errors
    /// Every problem of the text, in its order; at least one is an error.
    pub fn parse(file: &str, text: &str) -> Result<Self, Vec<Problem>> {
        Self::parse_in(file, text, None)
    }

    /// The same. It looks in `folder` for the files that the text names.
    ///
    /// # Errors
    /// As [`Installation::parse`].
    pub fn parse_in(file: &str, text: &str, folder: Option<PathBuf>) -> Result<Self, Vec<Problem>> {
        Self::examine(file, text, folder).0
    }

    /// The same, with every value that the file has or may have, in the order in which it is read. Of a text that is no TOML there are none.
    pub fn examine(file: &str, text: &str, folder: Option<PathBuf>) -> (Result<Self, Vec<Problem>>, Vec<Quantity>) {
        let mut findings = document::Findings::new(file, text);
        let Some(document) = document::parse(&mut findings) else {
            return (Err(findings.into_problems()), Vec::new());
        };
        let stated = Stated::of(document.get_ref());
        let mut reader = values::Reader::new(findings, folder);
        let draft = sections::read(&mut reader, &document);
        verdict::judge(&mut reader, &draft.settings);
        warnings::add(&mut reader, &draft.settings, draft.site.as_ref(), &draft.bank_measured);
        let quantities = std::mem::take(&mut reader.quantities);
        let problems: Vec<_> =
            reader.findings.into_problems().into_iter().map(|problem| counted_from_one(problem, &draft)).collect();
        if problems.iter().any(|problem| problem.severity == Severity::Error) {
            return (Err(problems), quantities);
        }
        let Draft { title, channels, sources, obeys, settings, site, bank_measured, fixed } = draft;
        let installation = match settings.validate() {
            Ok(settings) => {
                let bank_measured = bank_measured.what;
                Ok(Self {
                    title,
                    channels,
                    sources,
                    obeys,
                    settings,
                    site,
                    bank_measured,
                    fixed,
                    stated,
                    warnings: problems,
                })
            }
            // `check` reports every such error, unless a fault at its place is already reported. This one is a mistake
            // of this program. Even so, it must not return settings that do not hold.
            Err(error) => Err(vec![Problem::error(file, error.to_string()).because(error.why())]),
        };
        (installation, quantities)
    }
}

/// No list of a file is longer.
const LONGEST_LIST: usize = 16;

/// Lists, besides channels and sources, whose entries messages name by their number.
const LISTS: [&str; 7] = [
    "charge.ceiling",
    "battery.maker_ceiling",
    "plate.joints",
    "box.layers",
    "box.floor_layers",
    "calibration",
    "thermal_cutout",
];

/// The same, as people count: `channel 1 (bow): wiring` for `channel[0].wiring`, `entry 2 of charge.ceiling` for
/// `charge.ceiling[1]`. Machines still get the original place.
fn counted_from_one(problem: Problem, draft: &Draft) -> Problem {
    let told = |text: Box<str>| -> Box<str> {
        let mut text = String::from(text);
        for (kind, names) in [("channel", &draft.channels), ("source", &draft.sources)] {
            for (index, name) in names.iter().enumerate() {
                let path = format!("{kind}[{index}]");
                // A section without a name has its path instead.
                let name = if *name == path { String::new() } else { format!(" ({})", excerpt(name)) };
                let shown = format!("{kind} {}", index + 1);
                text = text.replace(&format!("{path}.name"), &format!("{shown}: name"));
                text = text.replace(&format!("{path}."), &format!("{shown}{name}: "));
                text = text.replace(&path, &format!("{shown}{name}"));
            }
        }
        for list in LISTS {
            let mut index = 0;
            while text.contains(&format!("{list}[")) && index < LONGEST_LIST {
                let (path, shown) = (format!("{list}[{index}]"), format!("entry {} of {list}", index + 1));
                text = text.replace(&format!("{path}."), &format!("{shown}: ")).replace(&path, &shown);
                index += 1;
            }
        }
        text.into()
    };
    let Problem { message, why, remedy, .. } = problem;
    Problem { message: told(message), why: why.map(told), remedy: remedy.map(told), ..problem }
}

//! An installation file on the desk: changed, checked and planned, as often as it takes.

use crate::diagnostic::Problem;
use crate::edit::{Changed, Draft, Edit, Home, Names};
use crate::installation::Installation;
use crate::plan::thermal::Shapes;
use crate::plan::{Plan, Study, Subject};
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The file, and what plans of its changed forms share.
pub(super) struct Desk {
    pub(super) file: String,
    pub(super) folder: PathBuf,
    pub(super) draft: Draft,
    names: (Vec<String>, Vec<String>),
    pub(super) shapes: Shapes,
    /// How the weather is harsher than the design, if it is.
    beyond: Option<String>,
    studies: Mutex<HashMap<String, Arc<Study>>>,
}

impl Desk {
    /// # Errors
    /// A text that cannot be changed and written again.
    pub(super) fn new(
        (file, text, folder): (String, &str, &Path),
        installation: &Installation,
        shapes: Shapes,
        beyond: Option<String>,
    ) -> Result<Self, Vec<Problem>> {
        let Some(draft) = Draft::of(text) else {
            return Err(vec![Problem::error(&file, "is no TOML that can be changed and written again")]);
        };
        let names = (installation.channels.clone(), installation.sources.clone());
        Ok(Self { file, folder: folder.to_owned(), draft, names, shapes, beyond, studies: Mutex::default() })
    }

    pub(super) fn names(&self) -> Names<'_> {
        Names { channels: &self.names.0, sources: &self.names.1 }
    }

    /// Reads and checks a changed text.
    ///
    /// # Errors
    /// Every problem of the text.
    pub(super) fn read(&self, text: &str) -> Result<Installation, Vec<Problem>> {
        Installation::parse_in(&self.file, text, Some(self.folder.clone()))
    }

    /// The plan of an installation, on a study that is made once for all that agree on it. `None` if it does not describe its site.
    pub(super) fn plan(&self, installation: &Installation) -> Option<Plan> {
        let subject = Subject::of(installation)?;
        let basis = Study::basis(subject);
        let known = self.studies.lock().unwrap_or_else(PoisonError::into_inner).get(&basis).cloned();
        let study = known.unwrap_or_else(|| {
            let study = Arc::new(Study::for_findings(subject, &self.shapes));
            self.studies.lock().unwrap_or_else(PoisonError::into_inner).insert(basis, Arc::clone(&study));
            study
        });
        let mut plan = Plan::on(subject, &study, None);
        if let Some(beyond) = &self.beyond {
            plan.add_weather_beyond(beyond);
        }
        Some(plan)
    }

    /// The keys of `edits` that differ from the file at last, each once, with their last value.
    pub(super) fn changed(&self, edits: &[Edit], draft: &Draft) -> Vec<Edit> {
        let mut last: BTreeMap<(Home, &'static str), Option<String>> = BTreeMap::new();
        for edit in edits {
            last.insert((edit.home, edit.key), draft.value(edit.home, edit.key));
        }
        let differs = |(home, key): (Home, &'static str), value: &Option<String>| {
            let before = self.draft.value(home, key);
            let number = |text: &Option<String>| text.as_ref()?.parse::<f64>().ok();
            match (number(&before), number(value)) {
                (Some(before), Some(now)) => (before - now).abs() > 1e-9,
                _ => before != *value,
            }
        };
        let changed = last.into_iter().filter(|(place, value)| differs(*place, value));
        changed.map(|((home, key), value)| Edit { home, key, value }).collect()
    }

    pub(super) fn told(&self, edit: &Edit) -> Changed {
        let from = self.draft.value(edit.home, edit.key);
        Changed { place: edit.place(&self.names()), from, to: edit.value.clone() }
    }
}

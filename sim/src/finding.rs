//! What is fine, what is not, and what to change. A plan lists findings at its top; the file reader reports some as
//! warnings.

use crate::edit::{Changed, Edit};
use serde::Serialize;

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Somebody or something can come to harm.
    Danger,
    /// The installation will not do its job, or not for long.
    Change,
    /// As it should be.
    Fine,
}

impl Severity {
    /// The word that opens a finding.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Danger => "danger",
            Self::Change => "change",
            Self::Fine => "fine",
        }
    }
}

/// Which part of the plan a finding is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Heat loss, warm-up, holding.
    Thermal,
    /// Thermometers and the thresholds that depend on them.
    Measurement,
    /// Cable, fuse, relay.
    Circuit,
    /// What feeds the heater.
    Sources,
}

/// One thing found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// How much it matters.
    pub severity: Severity,
    /// What it is about.
    pub part: Part,
    /// What was found, with the figures.
    pub text: String,
    /// What to change; `None` if all is well.
    pub change: Option<String>,
    /// Whether the installation fails its check with this, so that a script sees it. Every dangerous finding does.
    pub fails: bool,
    /// Whether the rest hardly matters until this is changed.
    pub headline: bool,
    /// Changes of the file that may help, each by itself: what `change` says, as far as settings can. Nobody has
    /// tried them.
    #[serde(skip)]
    pub remedies: Vec<Remedy>,
    /// Single changes of the file that were tried: with each alone, nothing is left of this finding, and nothing else is
    /// worse. `null` if nobody looked for any.
    pub checked: Option<Vec<Vec<Changed>>>,
}

/// One change of a file, in one or more keys that go together.
pub type Remedy = Vec<Edit>;

impl Finding {
    /// All is well.
    pub(crate) fn fine(part: Part, text: impl Into<String>) -> Self {
        Self {
            severity: Severity::Fine,
            part,
            text: text.into(),
            change: None,
            fails: false,
            headline: false,
            remedies: Vec::new(),
            checked: None,
        }
    }

    /// Something is not good enough.
    pub(crate) fn change(part: Part, text: impl Into<String>, change: impl Into<String>) -> Self {
        Self {
            severity: Severity::Change,
            part,
            text: text.into(),
            change: Some(change.into()),
            fails: false,
            headline: false,
            remedies: Vec::new(),
            checked: None,
        }
    }

    /// Something is dangerous: the installation fails its check.
    pub(crate) fn danger(part: Part, text: impl Into<String>, change: impl Into<String>) -> Self {
        Self { severity: Severity::Danger, fails: true, ..Self::change(part, text, change) }
    }

    /// Whether all is well.
    #[must_use]
    pub fn is_fine(&self) -> bool {
        self.severity == Severity::Fine
    }

    /// The same with changes of the file that may help.
    pub(crate) fn with(mut self, remedies: impl IntoIterator<Item = Remedy>) -> Self {
        self.remedies.extend(remedies);
        self
    }

    /// The installation will not do its job at all.
    pub(crate) fn headline(part: Part, text: impl Into<String>, change: impl Into<String>) -> Self {
        Self { headline: true, ..Self::change(part, text, change) }
    }
}

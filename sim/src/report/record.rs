//! What was tried at the bench, in short.

use crate::bench::{Card, Entry, Record, Verdict};
use crate::diagnostic::{Problem, excerpt};
use crate::installation::Installation;
use serde::Serialize;

/// What came of a card.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Tried {
    /// Who tried it.
    pub by: String,
    /// When it was begun, in universal time.
    pub begun: String,
    /// How many steps the card has that can be tried.
    pub steps: usize,
    /// How many passed.
    pub pass: usize,
    /// How many failed.
    pub fail: usize,
    /// How many were left out.
    pub skipped: usize,
    /// How many nobody has come to.
    pub open: usize,
    /// Every step that was gone through.
    pub entries: Vec<Entry>,
}

impl Tried {
    /// Reads a record, which messages call `file`, and checks that it is one of this installation as it is now.
    ///
    /// # Errors
    /// No record; one of other settings; one of an installation that has changed since.
    pub(super) fn read(file: &str, text: &str, installation: &Installation) -> Result<Self, Problem> {
        let record = Record::read(file, text)?;
        let no_card = || Problem::error(file, "is the record of a card, and this installation has none");
        let card = Card::of(installation, &record.bench).ok_or_else(no_card)?;
        record.fits(file, &card)?;
        // Two of a kind have one set of settings, and one card.
        if record.title != installation.title {
            let message = format!(
                "is the record of “{}”, and this is “{}”",
                excerpt(&record.title),
                excerpt(&installation.title)
            );
            return Err(Problem::error(file, message).remedy("the record of this installation"));
        }
        let steps = card.steps().filter(|(_, step)| step.can_be_tried()).count();
        let [pass, fail, skipped] =
            [Verdict::Pass, Verdict::Fail, Verdict::Skipped].map(|verdict| record.count(verdict));
        Ok(Self {
            by: record.tried_by,
            begun: record.begun,
            steps,
            pass,
            fail,
            skipped,
            open: steps.saturating_sub(pass + fail + skipped),
            entries: record.entries,
        })
    }

    /// In one sentence.
    #[must_use]
    pub fn told(&self) -> String {
        let by = if self.by.is_empty() { String::new() } else { format!(" by {}", self.by) };
        format!(
            "Begun {}{by}. Of {} steps {} passed, {} failed, {} were left out, and {} are open.",
            self.begun, self.steps, self.pass, self.fail, self.skipped, self.open
        )
    }
}

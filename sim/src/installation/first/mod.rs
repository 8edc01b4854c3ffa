//! A first installation file: the starter or a worked example, changed by a fitter's answers.
//!
//! Each answer changes the text at once, and all that follows from it: more batteries need a larger box. The text must
//! then pass the check. So the file as it stands gives the default of each later question, and is never wrong.
//!
//! | module | holds |
//! |---|---|
//! | `like` | the worked examples |
//! | `question` | the questions, in one table |
//! | `kind` | the forms of answers, and how they are read |
//! | `bank`, `housing`, `sources` | what an answer changes |
//! | `sheet` | the text, changed line by line |
//! | `ask` | the questions one after another, at a terminal |

mod ask;
mod bank;
mod housing;
mod kind;
mod like;
mod question;
mod sheet;
mod sources;

#[cfg(test)]
mod tests;

use super::{Installation, names, starter};
use crate::diagnostic::{Problem, Severity, excerpt};
pub(crate) use ask::line;
pub use ask::{Asked, ask};
pub use like::Like;
pub use question::{QUESTIONS, Question};
use sheet::Sheet;

/// A file that is being made. It always passes the check.
#[derive(Clone, Debug)]
pub struct FirstFile(Sheet);

/// An answer that cannot be, and what can.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// What is wrong.
    pub message: String,
    /// What to answer instead.
    pub remedy: String,
}

impl Refused {
    fn new(message: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { message: message.into(), remedy: remedy.into() }
    }
}

impl FirstFile {
    /// The starter, or an example.
    #[must_use]
    pub fn new(like: Option<Like>) -> Self {
        Self(Sheet::of(&like.map_or_else(starter, Like::text)))
    }

    /// Its text.
    #[must_use]
    pub fn text(&self) -> String {
        self.0.text()
    }

    /// The answer to `question` that the file has now; `None` where the file says something that no answer can say.
    #[must_use]
    pub fn now(&self, question: &Question) -> Option<String> {
        (question.now)(&self.0)
    }

    /// Whether `question` is worth asking about the file as it is now.
    #[must_use]
    pub fn is_open(&self, question: &Question) -> bool {
        (question.is_open)(&self.0)
    }

    /// Changes the file by an answer.
    ///
    /// # Errors
    /// An answer of the wrong form or out of range, or with which the file would not pass the check. The file then
    /// stays as it was.
    pub fn answer(&mut self, question: &Question, answer: &str) -> Result<(), Refused> {
        let answer = answer.trim();
        if self.now(question).as_deref() == Some(answer) {
            return Ok(());
        }
        if !self.is_open(question) {
            let remedy = format!("leave out {}; or first answer what it belongs to", question.key);
            return Err(Refused::new("the installation has nothing that this is about", remedy));
        }
        let mut changed = self.0.clone();
        question.kind.apply(&mut changed, answer)?;
        match Installation::parse("the new file", &changed.text()) {
            Ok(_) => {
                self.0 = changed;
                Ok(())
            }
            Err(problems) => Err(refusal(problems)),
        }
    }

    /// Changes the file by answers of the form `key=value`. They count in the order of the questions, whatever their
    /// own order.
    ///
    /// # Errors
    /// Every answer with an unknown key, a key given twice, and every answer that is refused.
    pub fn set(&mut self, answers: &[String]) -> Result<Vec<&'static Question>, Vec<Problem>> {
        let mut problems = Vec::new();
        let mut given: Vec<Option<&str>> = vec![None; QUESTIONS.len()];
        for answer in answers {
            match named(answer) {
                Ok((index, _)) if given[index].is_some() => {
                    let message = format!("{} is given twice", QUESTIONS[index].key);
                    problems.push(Problem::usage(message).remedy("one of the two"));
                }
                Ok((index, value)) => given[index] = Some(value),
                Err(problem) => problems.push(problem),
            }
        }
        let mut answered = Vec::new();
        for (question, value) in QUESTIONS.iter().zip(given) {
            let Some(value) = value else { continue };
            answered.push(question);
            if let Err(Refused { message, remedy }) = self.answer(question, value) {
                let message = format!("--set {}={}: {message}", question.key, excerpt(value));
                problems.push(Problem::usage(message).remedy(remedy));
            }
        }
        if problems.is_empty() { Ok(answered) } else { Err(problems) }
    }
}

/// The question that `answer` names, and its value.
fn named(answer: &str) -> Result<(usize, &str), Problem> {
    let keys = || QUESTIONS.iter().map(|question| question.key);
    let Some((key, value)) = answer.split_once('=') else {
        let message = format!("--set \"{}\" has no = in it", excerpt(answer));
        return Err(Problem::usage(message).remedy("--set key=value, as in --set batteries=2"));
    };
    let key = key.trim();
    keys().position(|known| known == key).map(|index| (index, value)).ok_or_else(|| {
        let all = keys().collect::<Vec<_>>().join(", ");
        let remedy = match nearest(key, keys()) {
            Some(near) => format!("{near}; the keys are {all}"),
            None => format!("one of the keys {all}"),
        };
        Problem::usage(format!("--set has no key \"{}\"", excerpt(key))).remedy(remedy)
    })
}

/// The known word that `given` was probably meant to be.
fn nearest<'w>(given: &str, known: impl Iterator<Item = &'w str>) -> Option<&'w str> {
    let known: Vec<&str> = known.collect();
    let same_start = |word: &&&str| !given.is_empty() && word.starts_with(&given.to_lowercase());
    let slips = known.iter().filter(|word| names::is_slip(given, word));
    let slip = slips.min_by_key(|word| strsim::damerau_levenshtein(given, word));
    slip.or_else(|| known.iter().find(same_start)).copied()
}

/// The first error of a check, as a reason against an answer.
fn refusal(problems: Vec<Problem>) -> Refused {
    let first = problems.into_iter().find(|problem| problem.severity == Severity::Error);
    first.map_or_else(
        || Refused::new("the file would not pass the check", "another answer"),
        |Problem { message, remedy, .. }| Refused::new(message, remedy.unwrap_or_default()),
    )
}

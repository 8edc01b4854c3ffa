//! What mutation testing leaves: changes of the code that no test can tell from the code as it is, each with the reason.

use crate::root;
use serde::Deserialize;
use std::fmt::{self, Display, Formatter};
use std::fs::read_to_string;

/// A change that no test notices.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Survivor {
    /// The file, from the root of the workspace.
    pub file: String,
    /// The function, with its type.
    pub function: String,
    /// The line that is changed, or the first of a body that is replaced, without its indent.
    pub line: String,
    /// What is changed in it, in the words of cargo-mutants, and which one if an operator stands in it more than once:
    /// "replace > with >= (the first)".
    pub change: String,
    /// Why no test can tell.
    pub why: String,
}

impl Survivor {
    /// Whether two are one change.
    #[must_use]
    pub fn is(&self, other: &Self) -> bool {
        (&self.file, &self.function, &self.line, &self.change)
            == (&other.file, &other.function, &other.line, &other.change)
    }
}

impl Display for Survivor {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        write!(f, "{}, {}: {} in `{}`", self.file, self.function, self.change, self.line)
    }
}

/// Those that are explained.
///
/// # Panics
/// If the list cannot be read.
#[must_use]
pub fn explained() -> Vec<Survivor> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct List {
        survivor: Vec<Survivor>,
    }
    let path = root().join("tests/data/mutants.toml");
    let text = read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let list: List = toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    list.survivor
}

/// Those that a run of cargo-mutants found, by its file `outcomes.json`, and how many it tried.
///
/// # Panics
/// If that is no such file, or of other code than this.
#[must_use]
pub fn found(outcomes: &str) -> (Vec<Survivor>, usize) {
    #[derive(Deserialize)]
    struct Outcomes {
        outcomes: Vec<Outcome>,
    }
    #[derive(Deserialize)]
    struct Outcome {
        scenario: serde_json::Value,
        summary: String,
    }
    #[derive(Deserialize)]
    struct Mutant {
        name: String,
        file: String,
        function: Option<Function>,
        span: Span,
    }
    #[derive(Deserialize)]
    struct Function {
        function_name: String,
    }
    #[derive(Deserialize)]
    struct Span {
        start: Place,
    }
    #[derive(Deserialize)]
    struct Place {
        line: usize,
        column: usize,
    }

    let outcomes: Outcomes = serde_json::from_str(outcomes).expect("the file outcomes.json of cargo-mutants");
    let tried: Vec<(Mutant, String)> = outcomes
        .outcomes
        .into_iter()
        .filter_map(|outcome| {
            // The first is the code as it is.
            let mutant = outcome.scenario.get("Mutant")?;
            Some((serde_json::from_value(mutant.clone()).expect("a mutant"), outcome.summary))
        })
        .collect();
    let count = tried.len();
    let missed = tried.into_iter().filter(|(_, summary)| summary == "MissedMutant").map(|(mutant, _)| {
        let source = read_to_string(root().join(&mutant.file)).expect("a source file");
        let line = source.lines().nth(mutant.span.start.line - 1).expect("a line of this code");
        let function = mutant.function.map(|function| function.function_name).unwrap_or_default();
        // After the place: file, line, column.
        let change = mutant.name.splitn(4, ':').nth(3).expect("a name with its place").trim();
        let change = change.strip_suffix(&format!(" in {function}")).unwrap_or(change);
        let change = format!("{change}{}", which(change, line, mutant.span.start.column));
        Survivor { file: mutant.file, line: line.trim().to_owned(), change, function, why: String::new() }
    });
    (missed.collect(), count)
}

/// Which of several equal operators of a line the one at this column is; nothing if it is the only one.
fn which(change: &str, line: &str, column: usize) -> &'static str {
    let Some((old, _)) = change.strip_prefix("replace ").and_then(|change| change.split_once(" with ")) else {
        return "";
    };
    let operator = format!(" {old} ");
    let before: String = line.chars().take(column - 1).collect();
    match (line.matches(&operator).count(), before.matches(&operator).count()) {
        (0 | 1, _) => "",
        (_, 0) => " (the first)",
        (_, 1) => " (the second)",
        _ => " (a later one)",
    }
}

//! Gathers what is wrong with a file. A file of another kind is wrong in every row, so only the first problems are
//! kept.

use super::at_line;
use crate::diagnostic::Problem;

/// How many problems are shown one by one.
const TOLD: usize = 20;

/// The problems of one file.
#[derive(Debug)]
pub(crate) struct Findings<'f> {
    file: &'f str,
    first: Vec<Problem>,
    count: usize,
    /// Runs that reach at least to the line before, so that the next line may extend them.
    runs: Vec<Run>,
}

/// The same problem in one line after another. It counts as one problem.
#[derive(Debug)]
struct Run {
    kind: Box<str>,
    message: Box<str>,
    from: u64,
    to: u64,
    differs: bool,
    /// Its index in `first`, if it is there.
    told: Option<usize>,
}

impl<'f> Findings<'f> {
    pub(crate) const fn new(file: &'f str) -> Self {
        Self { file, first: Vec::new(), count: 0, runs: Vec::new() }
    }

    /// Adds a problem of `line`.
    pub(crate) fn add(&mut self, line: u64, message: impl Into<Box<str>>, remedy: impl Into<Box<str>>) {
        let problem = at_line(self.file, line, message).remedy(remedy);
        self.add_alike(line, &problem.message.clone(), problem);
    }

    /// Adds a problem of `line`. If the line before had the same `kind`, extends that one.
    pub(crate) fn add_alike(&mut self, line: u64, kind: &str, problem: Problem) {
        self.runs.retain(|run| run.to + 1 >= line);
        if let Some(run) = self.runs.iter_mut().find(|run| run.to + 1 == line && *run.kind == *kind) {
            run.to = line;
            run.differs |= run.message != problem.message;
            if let Some(told) = run.told.and_then(|told| self.first.get_mut(told)) {
                let first = if run.differs { ", the first" } else { "" };
                told.message = format!("lines {} to {}{first}: {}", run.from, run.to, run.message).into();
            }
            return;
        }
        let told = (self.first.len() < TOLD).then_some(self.first.len());
        let (kind, message) = (kind.into(), problem.message.clone());
        self.runs.push(Run { kind, message, from: line, to: line, differs: false, told });
        self.note(problem);
    }

    pub(crate) fn note(&mut self, problem: Problem) {
        self.count += 1;
        if self.first.len() < TOLD {
            self.first.push(problem);
        }
    }

    /// Takes over what `other` holds.
    pub(crate) fn merge(&mut self, other: Self) {
        self.count += other.count;
        self.first.extend(other.first);
    }

    pub(crate) const fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The problems in the order of the file, and how many more there are.
    pub(crate) fn into_problems(mut self) -> Vec<Problem> {
        self.first.sort_by_key(|problem| problem.position);
        self.first.truncate(TOLD);
        let more = self.count - self.first.len();
        if more > 0 {
            let message = format!("{more} more problems after these");
            self.first.push(Problem::error(self.file, message).remedy("correct the problems above, then run it again"));
        }
        self.first
    }
}

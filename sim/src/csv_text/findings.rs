//! What is wrong with a file, gathered; a file of another kind is wrong in every row, so only the first are kept.

use super::at_line;
use crate::diagnostic::Problem;

/// How many problems are told one by one.
const TOLD: usize = 20;

/// The problems of one file.
#[derive(Debug)]
pub(crate) struct Findings<'f> {
    file: &'f str,
    first: Vec<Problem>,
    count: usize,
    /// Those that reach to the line before or further, so that the next may go on with them.
    runs: Vec<Run>,
}

/// What is wrong in the same way in one line after another: one problem.
#[derive(Debug)]
struct Run {
    kind: Box<str>,
    message: Box<str>,
    from: u64,
    to: u64,
    differs: bool,
    /// Its place among the first, if it is one.
    told: Option<usize>,
}

impl<'f> Findings<'f> {
    pub(crate) const fn new(file: &'f str) -> Self {
        Self { file, first: Vec::new(), count: 0, runs: Vec::new() }
    }

    /// Notes what is wrong in `line`.
    pub(crate) fn add(&mut self, line: u64, message: impl Into<Box<str>>, remedy: impl Into<Box<str>>) {
        let problem = at_line(self.file, line, message).remedy(remedy);
        self.add_alike(line, &problem.message.clone(), problem);
    }

    /// Notes what is wrong in `line`; if the same `kind` was in the line before, as more of the same.
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
            self.first.push(Problem::error(self.file, message).remedy("mend what is named, then see what is left"));
        }
        self.first
    }
}

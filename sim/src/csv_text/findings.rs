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
}

impl<'f> Findings<'f> {
    pub(crate) const fn new(file: &'f str) -> Self {
        Self { file, first: Vec::new(), count: 0 }
    }

    /// Notes what is wrong in `line`.
    pub(crate) fn add(&mut self, line: u64, message: impl Into<Box<str>>, remedy: impl Into<Box<str>>) {
        self.note(at_line(self.file, line, message).remedy(remedy));
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

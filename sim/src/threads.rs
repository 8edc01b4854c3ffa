//! Starts threads, and reports a thread that cannot be started.

use crate::diagnostic::Problem;
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::fmt::Display;
use std::io;
use std::thread::Builder;

/// A builder for a thread. Its name shows in a list of the process's threads.
pub fn named(name: &str) -> Builder {
    Builder::new().name(name.to_owned())
}

/// A thread for each processor.
///
/// # Errors
/// Where one of them cannot be started; nothing else fails.
pub fn pool() -> Result<ThreadPool, Problem> {
    ThreadPoolBuilder::new().build().map_err(|error| refused(&error))
}

/// The problem of a thread that could not be started.
#[must_use]
pub fn not_started(error: &io::Error) -> Problem {
    refused(error)
}

fn refused(error: &dyn Display) -> Problem {
    Problem::error("system", format!("cannot start a thread for this command: {error}"))
        .of_use()
        .because("a limit on processes or on memory has been reached")
        .remedy("raise the limit (`ulimit -u` for processes, `ulimit -v` for memory), or end other programs")
}

//! Starting threads, and what to report where none can be started.

use crate::diagnostic::Problem;
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::fmt::Display;
use std::io;
use std::thread::Builder;

/// How a thread is to be started. It is named, for whoever looks at the process.
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
    Problem::error("system", format!("starts no thread for this command: {error}"))
        .of_use()
        .because("a limit on processes or on memory has been reached")
        .remedy("a higher limit (`ulimit -u` for processes, `ulimit -v` for memory), or end other programs")
}

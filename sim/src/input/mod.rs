//! Opens what is read.
//!
//! This is where the library meets the computer that it runs on. A computer has files and pipes; a browser has what its page was given.

#[cfg(not(target_family = "wasm"))]
mod host;
#[cfg(any(test, target_family = "wasm"))]
#[cfg_attr(
    not(target_family = "wasm"),
    expect(unreachable_pub, reason = "what tests reach elsewhere, a browser's page reaches")
)]
mod kept;

#[cfg(not(target_family = "wasm"))]
pub(crate) use host::no_file;
#[cfg(not(target_family = "wasm"))]
pub use host::{Input, open, readable};
#[cfg(target_family = "wasm")]
pub(crate) use kept::no_file;
#[cfg(target_family = "wasm")]
pub use kept::{Input, keep, open, readable};
use std::io;

/// Why nothing can be read from a path.
#[derive(Debug)]
#[cfg_attr(target_family = "wasm", expect(dead_code, reason = "what a page was given is there or not"))]
pub(crate) enum NoFile {
    /// Nothing is there.
    Absent,
    /// Something is there that is not read like a file.
    Device,
    /// Something is there that cannot be read.
    Unreadable(io::Error),
}

/// A named pipe that nobody writes to.
#[derive(Debug)]
pub(crate) struct Unwritten;

impl Unwritten {
    /// Whether `error` reports this.
    pub(crate) fn is(error: &io::Error) -> bool {
        matches!(error.get_ref(), Some(inner) if inner.is::<Self>())
    }
}

impl std::fmt::Display for Unwritten {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("nobody writes to this pipe")
    }
}

impl std::error::Error for Unwritten {}

//! The `forewarm` command: parse arguments, call the library, print.
//!
//! Exit status 0: done. 1: the installation, or a file that goes with it, is text and fails a check. 2: wrong usage, or
//! a file that cannot be written or read as text. [`Blame`](forewarm::diagnostic::Blame) decides.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run()
}

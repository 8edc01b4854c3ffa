//! The `forewarm` command: parse arguments, call the library, print.
//!
//! Exit status 0: done. 1: the installation, or a file that it is used with, is text and fails a check. 2: usage, or something that
//! cannot be written, or not be read as text; [`Blame`](forewarm::diagnostic::Blame) decides.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run()
}

//! The `forewarm` command: parse arguments, call the library, print.
//!
//! Exit status 0: done. 1: the installation or the log fails a check. 2: usage, or something that cannot be read or written.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run()
}

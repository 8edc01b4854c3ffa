//! `forewarm check`.

use super::{Form, Stop};
use forewarm::installation::Installation;
use std::path::PathBuf;

/// Check an installation file: every problem at once, each with its place and what to do
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The installation file; - for the standard input
    file: PathBuf,
}

pub(crate) fn run(arguments: &Arguments, _form: Form) -> Result<(), Stop> {
    Installation::load(&arguments.file)?;
    Ok(())
}

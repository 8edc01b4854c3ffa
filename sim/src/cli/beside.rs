//! A page or picture that a command writes beside what it prints.

use super::{Stop, usage};
use forewarm::output::{Existing, Target};
use forewarm::site::Site;
use std::iter::once;
use std::path::{Path, PathBuf};

/// One such file.
pub(super) struct Beside<'a> {
    /// The option that names it, with its dashes.
    pub option: &'static str,
    /// Where it goes.
    pub path: &'a Path,
    /// How its name ends.
    pub ending: &'static str,
    /// What goes to the standard output.
    pub printed: &'static str,
    /// Whether it may replace a file.
    pub force: bool,
}

impl Beside<'_> {
    /// Checks that it can be written. This comes before any computation.
    pub(super) fn claim(&self, file: &Path, site: Option<&Site>) -> Result<Target, Stop> {
        let inputs = read_with(file, site);
        self.claim_beside(&inputs.iter().map(PathBuf::as_path).collect::<Vec<_>>())
    }

    /// The same, where these are all the files that are read.
    pub(super) fn claim_beside(&self, inputs: &[&Path]) -> Result<Target, Stop> {
        let Self { option, path, ending, printed, force } = *self;
        if path == Path::new("-") {
            return Err(usage(
                &format!("the standard output is for the {printed}"),
                &format!("{option} with a name that ends in .{ending}"),
            ));
        }
        if !path.extension().is_some_and(|found| found.eq_ignore_ascii_case(ending)) {
            let message = format!("{option} {} does not end in .{ending}", path.display());
            return Err(usage(&message, &format!("a name that ends in .{ending}")));
        }
        let existing = if force { Existing::Replace } else { Existing::Keep };
        Ok(Target::claim(path, existing, inputs)?)
    }
}

/// An installation file and the files that it names.
pub(super) fn read_with(file: &Path, site: Option<&Site>) -> Vec<PathBuf> {
    let base = file.parent().unwrap_or(Path::new(""));
    let named = site.into_iter().flat_map(Site::files).map(|named| base.join(named));
    once(file.to_owned()).chain(named).collect()
}

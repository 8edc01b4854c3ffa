//! The installation file: what a fitter writes down about one bank, its heater, sources and thermometers.

mod text;

use crate::diagnostic::Problem;
use forewarm_core::settings::ValidSettings;
use std::path::Path;

/// One installation, checked.
#[derive(Clone, Debug)]
pub struct Installation {
    /// What the fitter calls it.
    pub title: String,
    /// Names of the thermometer channels, in the order of the settings.
    pub channels: Vec<String>,
    /// Names of the energy sources, in the order of the settings.
    pub sources: Vec<String>,
    /// Everything the controller is told.
    pub settings: ValidSettings,
    /// What a fitter should have meant, in the order of the file.
    pub warnings: Vec<Problem>,
}

/// Why there is no [`Installation`].
#[derive(Clone, Debug)]
pub enum LoadError {
    /// The file could not be read as text at all.
    Unreadable(Box<Problem>),
    /// The file was read, and these are its errors and warnings, in the order of the file; at least one is an error.
    Refused(Vec<Problem>),
}

impl Installation {
    /// Reads and checks the file at `path`; `-` is the standard input.
    ///
    /// # Errors
    /// [`LoadError`]: a file that cannot be read, or every problem of one that can.
    pub fn load(path: &Path) -> Result<Self, LoadError> {
        let text = text::read(path).map_err(|problem| LoadError::Unreadable(Box::new(problem)))?;
        Self::parse(&text::shown(path), &text).map_err(LoadError::Refused)
    }

    /// Reads and checks `text`, which messages call `file`.
    ///
    /// # Errors
    /// Every problem of the text, in its order; at least one is an error.
    pub fn parse(file: &str, _text: &str) -> Result<Self, Vec<Problem>> {
        Err(vec![Problem::error(file, "is not read yet: the loader is being written")])
    }
}

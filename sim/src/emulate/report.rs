//! Reports the result of a season on the board, for a person and for a machine.

use super::image::Image;
use super::rig::Stack;
use serde::Serialize;

/// The board's part of a summary. Keys are stable.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// The image, as messages call it.
    pub image: String,
    /// Version of its program.
    pub version: String,
    /// Whether the settings were written to the board; otherwise they were in force already.
    #[serde(rename = "settings_written")]
    pub installed: bool,
    /// Steps in which decision and pins were compared and equal.
    #[serde(rename = "steps_compared")]
    pub compared: u64,
    /// How much of the stack was used.
    #[serde(flatten)]
    pub stack: Stack,
}

impl Report {
    /// The report on `image`.
    #[must_use]
    pub fn new(image: &Image, version: String, installed: bool, compared: u64, stack: Stack) -> Self {
        Self { image: image.shown(), version, installed, compared, stack }
    }

    /// A section of the summary.
    #[must_use]
    pub fn to_text(&self) -> String {
        let Self { image, version, installed, compared, stack } = self;
        let settings = if *installed { "written over the service line" } else { "built in" };
        format!(
            "\nEmulated board\n  image: {image}, version {version}; settings {settings}\n  \
             {:44} {compared:>12}\n  {:44} {:>12} B\n  {:44} {:>12} B\n",
            "steps compared, equal in every one", "stack used at most", stack.used, "  of", stack.of
        )
    }
}

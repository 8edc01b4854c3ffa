//! Identifies the settings of one installation.

use forewarm_core::settings::Settings;
use forewarm_core::wire::record::{self, Fingerprint};

/// The fingerprint of `settings`, as the board shows it while they are in force. It covers the controller's settings
/// and nothing else in the file. People compare all eight groups of it.
#[must_use]
pub fn of(settings: &Settings) -> Fingerprint {
    let mut room = [0; record::MAX_BYTES];
    // No settings exceed the buffer. If any did, no board could hold them either.
    record::encode(settings, &mut room).map_or(Fingerprint::NONE, record::fingerprint)
}

/// What a person does with it.
pub const MEANING: &str = "A board that has these settings shows the same: compare all eight groups.";

//! What tells the settings of one installation from all others.

use forewarm_core::settings::Settings;
use forewarm_core::wire::record::{self, Fingerprint};

/// The fingerprint of `settings`, as the board shows it while they are in force: of what the controller is told, and of nothing else that
/// a file says. People compare all eight groups of it.
#[must_use]
pub fn of(settings: &Settings) -> Fingerprint {
    let mut room = [0; record::MAX_BYTES];
    // No settings are longer than the room; if any were, no board could have them either.
    record::encode(settings, &mut room).map_or(Fingerprint::NONE, record::fingerprint)
}

/// What to do with it, for a person.
pub const MEANING: &str = "A board that has these settings shows the same: compare all eight groups.";

//! The status lamp: what can be seen from across the room.

use forewarm_core::quantity::Instant;
use forewarm_core::signals::{Alarm, Outputs, Relay};

/// Whether the lamp is lit at `now`.
///
/// Steady: charge is permitted. Slowly blinking: the heater is on and charge refused. Quickly: the alarm sounds, whatever else
/// is so. Dark: it waits. Common practice, no source.
pub(crate) fn is_lit(now: Instant, outputs: &Outputs) -> bool {
    let blinks = |half_ms: u32| (now.as_millis() / half_ms).is_multiple_of(2);
    match (outputs.alarm, outputs.charge, outputs.heater) {
        (Alarm::Sounding, _, _) => blinks(128),
        (Alarm::Quiet, Relay::Closed, _) => true,
        (Alarm::Quiet, Relay::Open, Relay::Closed) => blinks(1024),
        (Alarm::Quiet, Relay::Open, Relay::Open) => false,
    }
}

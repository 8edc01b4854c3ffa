//! The status lamp, which can be seen from across the room.

use forewarm_core::quantity::Instant;
use forewarm_core::signals::{Alarm, Outputs, Relay};

/// Whether the lamp is lit at `now`.
///
/// Steady: charge is permitted. Slow blinking: the heater is on and charge is refused. Quick blinking: the alarm
/// sounds, whatever else holds. Dark: the controller waits. Common practice, no source.
pub(crate) fn is_lit(now: Instant, outputs: &Outputs) -> bool {
    let blinks = |half_ms: u32| (now.as_millis() / half_ms).is_multiple_of(2);
    match (outputs.alarm, outputs.charge, outputs.heater) {
        (Alarm::Sounding, _, _) => blinks(128),
        (Alarm::Quiet, Relay::Closed, _) => true,
        (Alarm::Quiet, Relay::Open, Relay::Closed) => blinks(1024),
        (Alarm::Quiet, Relay::Open, Relay::Open) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use forewarm_core::fault::SystemFault;
    use std::vec::Vec;

    /// The times in two seconds at which the lamp goes on or off (ms). It starts dark.
    fn changes(alarm: Alarm, charge: Relay, heater: Relay) -> Vec<u32> {
        let outputs = Outputs { alarm, charge, heater, ..Outputs::all_off(SystemFault::ClockJumped) };
        let lit = |ms| is_lit(Instant::from_millis(ms), &outputs);
        (0..2048).filter(|&ms| lit(ms) != (ms > 0 && lit(ms - 1))).collect()
    }

    #[test]
    fn it_is_dark_waiting_slow_heating_steady_permitting_and_quick_whenever_the_alarm_sounds() {
        use Relay::{Closed, Open};
        assert!(changes(Alarm::Quiet, Open, Open).is_empty());
        assert_eq!(changes(Alarm::Quiet, Open, Closed), [0, 1024]);
        assert_eq!(changes(Alarm::Quiet, Closed, Open), [0]);
        assert_eq!(changes(Alarm::Quiet, Closed, Closed), [0]);
        for (charge, heater) in [(Open, Open), (Open, Closed), (Closed, Open), (Closed, Closed)] {
            let quick: Vec<_> = (0..16).map(|n| n * 128).collect();
            assert_eq!(changes(Alarm::Sounding, charge, heater), quick);
        }
    }
}

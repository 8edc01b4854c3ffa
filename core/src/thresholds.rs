//! Where the heater comes on.
//!
//! The controller asks [`Aim`]. The plan asks [`Settings`] for the same, so that nobody outside writes thresholds down a
//! second time.

use crate::ceiling::Ceiling;
use crate::power::Unruled;
use crate::quantity::Celsius;
use crate::settings::{Hold, Settings};

/// How far charge has come, as far as the heater is concerned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Charge is refused.
    Refused,
    /// The cells are above release, and the soak is not over.
    Soaking,
    /// Charge is permitted.
    Permitted,
}

/// The settings that decide where the heater switches.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Levels {
    pub(crate) release: Celsius,
    pub(crate) start: Celsius,
    pub(crate) stop: Celsius,
    pub(crate) hold: Hold,
}

impl Levels {
    const fn of(settings: &Settings) -> Self {
        let (charge, heater) = (&settings.charge, &settings.heater);
        Self { release: charge.release, start: heater.start, stop: heater.stop, hold: heater.hold }
    }
}

/// How warm the heater should make the cells for the sources that do not obey the ceiling.
#[derive(Clone, Copy, Debug, Hash)]
pub(crate) struct Aim {
    /// Where charge can be permitted: release, or where the ceiling lets them charge. A source in two steps counts with
    /// the smaller one.
    from: Celsius,
    /// The same for all they can give, if heat can bring the cells so far.
    full: Celsius,
}

impl Aim {
    /// For sources that all obey.
    pub(crate) const fn release(release: Celsius) -> Self {
        Self { from: release, full: release }
    }

    /// Where the cells must be before sources that do not obey the ceiling may charge with `unruled`. If the heater may
    /// not bring them so far, it brings them as far as it may, and comes on again half-way from there to release: the
    /// sun may do the rest. For the larger steps alone it does not try what it cannot reach.
    pub(crate) fn new(ceiling: &Ceiling, levels: Levels, unruled: Unruled) -> Self {
        let Levels { release, stop, .. } = levels;
        let reaches = |current| ceiling.reaches(current).filter(|&needed| needed < stop);
        let from = reaches(unruled.reduced).map_or(half_way(release, stop), |needed| release.max(needed));
        let full = if unruled.full == unruled.reduced { None } else { reaches(unruled.full) };
        Self { from, full: full.map_or(from, |needed| from.max(needed)) }
    }

    /// The coldest cell temperature *at or below* which the heater comes on; nothing where it does not. It goes off
    /// *at or above* `stop`.
    pub(crate) fn heats_from(self, phase: Phase, levels: Levels) -> Option<Celsius> {
        let Levels { release, start, stop, hold } = levels;
        Some(match (phase, hold) {
            (Phase::Permitted, Hold::Never) => return None,
            // Below where the sources may charge with all they can give, holding gains too little.
            (Phase::Permitted, Hold::WhileCharging) if self.full > release && self.full >= start => {
                half_way(self.full, stop)
            }
            (Phase::Permitted, Hold::WhileCharging) => start,
            // A bank that cools from stop to release in less than the soak time would otherwise never be charged.
            (Phase::Soaking, _) => half_way(self.from, stop),
            (Phase::Refused, _) => self.from,
        })
    }
}

fn half_way(from: Celsius, to: Celsius) -> Celsius {
    from.raised(to.above(from).half())
}

impl Settings {
    /// The coldest cell temperature *at or below* which the heater comes on in this phase of charge, where every source
    /// obeys the ceiling; nothing where it does not come on. It goes off *at or above* `heater.stop`.
    #[must_use]
    pub fn heats_from(&self, phase: Phase) -> Option<Celsius> {
        Aim::release(self.charge.release).heats_from(phase, Levels::of(self))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{c, settings};

    #[test]
    fn the_heater_comes_on_at_release_half_way_to_stop_and_at_start() {
        let mut settings = settings();
        let from = |settings: &Settings| {
            [Phase::Refused, Phase::Soaking, Phase::Permitted].map(|phase| settings.heats_from(phase))
        };
        // Release at 8 °C, stop at 12 °C, start at 7 °C.
        assert_eq!(from(&settings), [Some(c(8_000)), Some(c(10_000)), Some(c(7_000))]);
        settings.heater.hold = Hold::Never;
        assert_eq!(from(&settings), [Some(c(8_000)), Some(c(10_000)), None]);
    }
}

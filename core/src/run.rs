//! How the heater's run and pause outlive a restart.
//!
//! They are kept coarsely, in parts. A part of a run counts as soon as it has begun, a part of a pause only once it is
//! over. So no restart makes the heater run longer, and none makes a pause shorter. Restarts do not prevent heating for
//! ever either: either the controller stays up longer than the restart window, and a part of the pause goes by, or the
//! restarts soon become a storm.
//!
//! Flash wears, and this is stored whenever it changes. One heating with the pause after it makes at most 19 changes:
//! 8 parts run, 8 paused, the trial's begin and end, the pause that ends. The demonstration heats 1.3 times a day. That
//! makes 25 changes, each two heads of some 64 bytes in flash: 3.2 kB a day, an erase of a 16 KiB sector in 5 days.
//! 10 000 erases (common figure of data sheets, no source) last longer than the board. At worst, a heater comes on once
//! in each part of its pause, 1 min in 9. That makes 2 changes each time, 340 a day, 2.7 erases: 20 years with two
//! sectors. Kept by the minute, a year.

use crate::quantity::Millis;
use crate::settings::Settings;
use crate::signals::Relay;

/// The number of parts in which the maximum run is kept.
const RUN_PARTS: u8 = 8;

/// The least number of parts for the longest pause that anything asks about.
const PAUSE_PARTS: u32 = 8;

/// Time after which a plate is cool, where the settings do not give one. Common practice, no source: a plate gives its heat to the
/// cells in minutes.
const COOL: Millis = Millis::from_secs(3600);

/// The heater's run and pause, in parts whose length follows from the settings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Run {
    /// Eighths of the maximum run that have begun without a pause as long as the rest; 8 where it was reached.
    pub begun: u8,
    /// Parts of a pause that are over since the heater went off; none while it is on.
    pub paused: u16,
}

impl Run {
    /// The stricter of two accounts of one heater: the one that lets it run less.
    pub(crate) fn safer(self, other: Self) -> Self {
        Self { begun: self.begun.max(other.begun), paused: self.paused.min(other.paused) }
    }
}

/// How long the parts are.
#[derive(Clone, Copy, Debug, Hash)]
pub(crate) struct Parts {
    run: Millis,
    pause: Millis,
    /// A longer pause than this makes no difference.
    longest: Millis,
}

impl Parts {
    pub(crate) fn new(settings: &Settings) -> Self {
        let longest = settings.heater.rest.max(cool_after(settings));
        let pause = (longest.as_millis() / PAUSE_PARTS).min(settings.trust.restart_window.as_millis());
        Self {
            run: Millis::from_millis(settings.heater.max_run.as_millis().div_ceil(RUN_PARTS.into())),
            pause: Millis::from_millis(pause),
            longest,
        }
    }

    /// The account of a heater that has run for `ran`, is on or off now, and has been off for `paused`.
    pub(crate) fn account(self, ran: Millis, heater: Relay, paused: Millis) -> Run {
        let parts = match heater {
            Relay::Closed => self.of_run(ran).saturating_add(1),
            Relay::Open => self.of_run(ran.plus(self.run).less(Millis::from_millis(1))),
        };
        Run {
            begun: u8::try_from(parts).unwrap_or(RUN_PARTS).min(RUN_PARTS),
            paused: match heater {
                Relay::Closed => 0,
                Relay::Open => self.of_pause(paused.min(self.longest)),
            },
        }
    }

    /// The account of a heater that has run for its maximum time and been off for `paused`.
    pub(crate) fn overrun(self, paused: Millis) -> Run {
        Run { begun: RUN_PARTS, paused: self.of_pause(paused.min(self.longest)) }
    }

    fn of_run(self, ran: Millis) -> u32 {
        ran.as_millis().checked_div(self.run.as_millis()).unwrap_or(u32::MAX)
    }

    fn of_pause(self, paused: Millis) -> u16 {
        let parts = paused.as_millis().checked_div(self.pause.as_millis()).unwrap_or(0);
        u16::try_from(parts).unwrap_or(u16::MAX)
    }

    /// The longest time that the heater can have run by this account.
    pub(crate) const fn ran(self, run: Run) -> Millis {
        Millis::from_millis(self.run.as_millis().saturating_mul(run.begun as u32))
    }

    /// The time that it has surely been off.
    pub(crate) const fn paused(self, run: Run) -> Millis {
        Millis::from_millis(self.pause.as_millis().saturating_mul(run.paused as u32))
    }
}

/// Time after which the plate of a heater that is off is cool.
pub(crate) fn cool_after(settings: &Settings) -> Millis {
    settings.heater.cooling.map_or(COOL, |cooling| cooling.after)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::any_settings;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn an_account_never_lets_the_heater_run_longer_nor_pause_less(
            settings in any_settings(), ran: u32, paused: u32, is_on: bool,
        ) {
            let parts = Parts::new(&settings);
            let ran = Millis::from_millis(ran % settings.heater.max_run.as_millis());
            let (heater, paused) = if is_on { (Relay::Closed, Millis::ZERO) } else { (Relay::Open, Millis::from_millis(paused)) };
            let account = parts.account(ran, heater, paused);
            prop_assert!(parts.ran(account) >= ran && parts.paused(account) <= paused);
            prop_assert!(parts.ran(account) <= ran.plus(parts.run), "nor by more than a part");
            prop_assert!(parts.paused(account).plus(parts.pause) > paused.min(parts.longest));
            // A restart does not change the account; a new part begins after it.
            let (ran, paused) = (parts.ran(account), parts.paused(account));
            prop_assert_eq!(parts.account(ran, Relay::Open, paused), account);
            prop_assert_eq!(parts.account(ran, Relay::Closed, Millis::ZERO).begun, (account.begun + 1).min(RUN_PARTS));
        }

        #[test]
        fn a_start_that_is_no_storm_lasts_for_a_part_of_the_pause(settings in any_settings()) {
            prop_assert!(Parts::new(&settings).pause <= settings.trust.restart_window);
        }
    }
}

//! Spares the storage: an input that chatters must not wear it out with events.

use forewarm_core::quantity::{Instant, Millis};

/// Events that may follow one another at once after a quiet time.
const BURST: u8 = 16;

/// On average one event is kept in this time.
const PAUSE: Millis = Millis::from_secs(10 * 60);

/// A longer span than this is not time that has passed. The clock was put back by up to an hour.
const PUT_BACK: Millis = Millis::MAX.less(Millis::from_secs(60 * 60));

/// Decides which events are kept: [`BURST`] in a row, then one every [`PAUSE`] on average.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Brake {
    /// Events that may follow at once.
    left: u8,
    /// When the wait for the next one began. It has no meaning while all are left.
    since: Instant,
}

impl Brake {
    /// A brake that lets a whole burst through.
    pub(crate) const fn new() -> Self {
        Self { left: BURST, since: Instant::from_millis(0) }
    }

    /// Whether an event at `now` is kept. Ask once for each event. A clock that is put back, or that wraps between two
    /// events (after 49 days), costs at most the time waited so far.
    pub(crate) fn allows(&mut self, now: Instant) -> bool {
        let waited = now.since(self.since);
        let (gained, since) = if waited >= PUT_BACK {
            (0, now)
        } else {
            let gained = (waited.as_millis() / PAUSE.as_millis()).min(u32::from(BURST - self.left));
            // At most a burst of ten minutes each.
            (gained, Instant::from_millis(self.since.as_millis().wrapping_add(gained * PAUSE.as_millis())))
        };
        self.left += u8::try_from(gained).unwrap_or(0);
        self.since = if self.left == BURST { now } else { since };
        if let Some(left) = self.left.checked_sub(1) {
            self.left = left;
            true
        } else {
            false
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;

    fn kept(brake: &mut Brake, from: u32, every_ms: u32, times: u32) -> u32 {
        let mut kept = 0;
        for n in 0..times {
            kept += u32::from(brake.allows(Instant::from_millis(from.wrapping_add(n.wrapping_mul(every_ms)))));
        }
        kept
    }

    proptest! {
        #[test]
        fn a_flood_is_braked_to_a_burst_and_the_average_whenever_it_begins(from: u32, every_ms in 100_u32..5_000) {
            let mut brake = Brake::new();
            let times = 3 * 24 * 3_600_000 / every_ms;
            let expected = 16 + (times - 1) * every_ms / 600_000;
            let kept = kept(&mut brake, from, every_ms, times);
            // The last pause may or may not be over.
            prop_assert!(kept.abs_diff(expected) <= 1, "{} of {}", kept, expected);
        }

        #[test]
        fn rare_events_are_all_kept_also_across_a_wrap(from: u32, every_ms in 600_000_u32..80_000_000) {
            let mut brake = Brake::new();
            prop_assert_eq!(kept(&mut brake, from, every_ms, 500), 500);
        }

        #[test]
        fn a_clock_put_back_lets_no_flood_through(from: u32, back_ms in 1_u32..3_600_000) {
            let mut brake = Brake::new();
            kept(&mut brake, from, 0, 20);
            let now = |n: u32| Instant::from_millis(if n.is_multiple_of(2) { from } else { from.wrapping_sub(back_ms) });
            let kept = (0..1_000).filter(|&n| brake.allows(now(n))).count();
            // A clock that is put right again looks like time that has passed.
            prop_assert!(kept <= 500 * (back_ms / 600_000) as usize, "{kept}");
        }
    }

    #[test]
    fn a_quiet_time_brings_back_one_burst_and_no_more() {
        let mut brake = Brake::new();
        assert_eq!(kept(&mut brake, 0, 0, 100), 16);
        assert_eq!(kept(&mut brake, 16 * 600_000 - 1, 0, 100), 15);
        assert_eq!(kept(&mut brake, 1_000_000_000, 0, 100), 16);
    }
}

//! Spares the storage: an input that chatters must not wear it out with events.

use forewarm_core::quantity::{Instant, Millis};

/// Events that may follow one another at once, after a quiet time.
const BURST: u8 = 16;

/// On average one event in this time.
const PAUSE: Millis = Millis::from_secs(10 * 60);

/// Spans from here on are no time that has passed but a clock put back by up to an hour.
const PUT_BACK: Millis = Millis::MAX.less(Millis::from_secs(60 * 60));

/// Decides which events are kept: [`BURST`] in a row, then one every [`PAUSE`] on average. Those that are not are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Brake {
    /// Events that may follow at once.
    left: u8,
    /// Since when the next one is being waited for; of no meaning while all are left.
    since: Instant,
    dropped: u32,
}

impl Brake {
    /// One that lets a whole burst through.
    pub(crate) const fn new() -> Self {
        Self { left: BURST, since: Instant::from_millis(0), dropped: 0 }
    }

    /// Whether an event at `now` is kept. To be asked once an event. A clock that is put back, or that wraps unasked (after 49 days),
    /// costs at most the time waited for so far.
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
            self.dropped = self.dropped.saturating_add(1);
            false
        }
    }

    /// Events not kept since the start.
    pub(crate) const fn dropped(&self) -> u32 {
        self.dropped
    }
}

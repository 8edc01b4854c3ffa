//! For how long the guard judges the same, and where its timers stand after it. See [`crate::leap`].

use super::{Guard, Press, TWO_DAYS_MS};
use crate::clock::Uptime;
use crate::leap::{Stretch, steps_before, steps_left};
use crate::quantity::{Instant, Millis};
use crate::settings::MAX_CHANNELS;
use crate::signals::{Button, Inputs, Relay};

impl Guard {
    /// For how many steps it leaves what it left in the last, with these inputs. No time without a change in any
    /// channel is longer than `stillest`.
    pub(crate) fn quiet(&self, step: Millis, inputs: &Inputs, stillest: Millis) -> u32 {
        let is_steady = self.before.is_some()
            && self.doubted_for.is_none()
            && self.closed_for.is_zero()
            && !(self.heater == Relay::Open && inputs.heater_feedback == Some(Relay::Closed))
            && inputs.button == Button::Released
            && self.button.is_up()
            && self.channels.iter().all(|channel| channel.is_believed(self.uptime, self.belief.good_run));
        if !is_steady {
            return 0;
        }
        let mut quiet = steps_before(self.uptime.since(Uptime::NEVER), Millis::MAX, step);
        if let Some(after) = self.still_after
            && self.still_for.plus(stillest) > after
        {
            quiet = quiet.min(steps_before(self.still_for, after, step));
        }
        quiet.min(match self.heater {
            Relay::Closed => steps_before(self.ran, self.max_run, step),
            Relay::Open if self.resting.is_zero() => u32::MAX,
            Relay::Open => steps_left(self.resting, step),
        })
    }

    /// The guard after so many quiet steps, the last of them at `now`. It brought these inputs. `still` says for how many
    /// steps, up to that one, each channel has shown the same, if it has shown anything else in them.
    pub(crate) fn pass(
        &mut self,
        now: Instant,
        stretch: Stretch,
        inputs: &Inputs,
        still: &[Option<u32>; MAX_CHANNELS],
    ) {
        let span = stretch.span();
        self.before = Some(now);
        self.uptime = self.uptime.plus(span);
        for (channel, sample) in self.channels.iter_mut().zip(&inputs.channels) {
            channel.pass(self.uptime, sample);
        }
        let moved = still.iter().take(self.channels.len()).flatten().min();
        self.still_for = match moved {
            Some(&steps) => Stretch { steps, ..stretch }.span(),
            None => self.still_for.plus(span),
        };
        // In the last step it was put back to zero, or it has begun to run.
        if !self.warm_for.is_zero() {
            self.warm_for = self.warm_for.plus(span);
        }
        self.since_switched = self.since_switched.plus(span);
        self.resting = self.resting.less(span);
        let most = Millis::from_millis(TWO_DAYS_MS / 2).plus(self.closing);
        self.closing_credit = self.closing_credit.plus(span).min(most);
        match self.heater {
            Relay::Closed => self.ran = self.ran.plus(span),
            Relay::Open if self.since_switched >= self.rest => self.ran = Millis::ZERO,
            Relay::Open => {}
        }
    }
}

impl Press {
    /// Whether it is up, and seen so.
    fn is_up(&self) -> bool {
        self.was_up && self.left == Some(self.hold)
    }
}

//! For how long the channels say the same, and what they remember after it. See [`crate::leap`].

use super::channel::{Channel, Condition};
use super::rolls::Rolls;
use super::{Group, Picture, STUCK_CHECK, Sensing};
use crate::clock::Uptime;
use crate::leap::{Clear, Course, Quiet, Stretch, steps_before};
use crate::quantity::{Celsius, Kelvins, Millis};
use crate::settings::{MAX_CHANNELS, Role};
use crate::signals::Sample;

/// Enough steps for the median of three.
const MEDIAN: u32 = 3;

impl Sensing {
    /// The picture that a step without anything new would give, if every channel is good; nothing otherwise.
    pub(crate) fn picture(&self) -> Option<Picture> {
        if self.jumped != 0 || !self.channels.iter().all(|channel| channel.condition == Condition::Good) {
            return None;
        }
        let mut rolls = Rolls::new();
        for channel in &self.channels {
            rolls.include(self.now, channel, self.cutouts);
        }
        let above_cutout = rolls.above_cutout(self.cutouts);
        (above_cutout < self.over_temperature).then(|| Picture {
            cells: rolls.cells.group(),
            pads: rolls.pads.group(),
            coldest_shown: rolls.cells.coldest.lowered(crate::rtd::ROUNDING),
            checks: Group::Absent,
            above_cutout,
            over_temperature: false,
            has_doubt: false,
            faults: [None; MAX_CHANNELS],
        })
    }

    /// For how many steps no channel becomes doubtful, and nothing but the readings changes. No time without a change
    /// in any channel is longer than `stillest`.
    pub(crate) fn quiet(&self, step: Millis, courses: &[Course; MAX_CHANNELS], stillest: Millis) -> Quiet {
        // Uptime does not wrap in it.
        let mut quiet =
            Quiet { steps: steps_before(self.now.since(Uptime::NEVER), Millis::MAX, step), settling: MEDIAN };
        let until_check = steps_before(Millis::ZERO, self.stuck_check.since(self.now), step);
        let latest_move = self.channels.iter().map(|channel| channel.movement.move_began).max();
        let mut stillest_so_far = Millis::MAX;
        for (channel, course) in self.channels.iter().zip(courses) {
            let Some(settling) = channel.settling(self.now, step, course, self.trust.noise) else { return Quiet::NOT };
            quiet.settling = quiet.settling.max(settling);
            let still_for = self.now.since(channel.movement.still_since);
            stillest_so_far = stillest_so_far.min(still_for);
            if channel.band.is_some() {
                continue;
            }
            let Course { low, high, .. } = *course;
            let may_move_far = !channel.movement.stays_by_its_anchor(low, high, self.trust.stuck_moved);
            if may_move_far {
                quiet.steps = quiet.steps.min(until_check);
            }
            let has_moved = may_move_far || latest_move >= Some(channel.movement.still_since);
            if let Some(after) = self.trust.stuck_after.filter(|_| has_moved) {
                quiet.steps = quiet.steps.min(steps_before(still_for, after, step));
            }
        }
        if let Some(after) = self.trust.still_after
            && stillest_so_far.plus(stillest) >= after
        {
            quiet.steps = quiet.steps.min(steps_before(stillest_so_far, after, step));
        }
        if self.may_disagree(courses) { Quiet::NOT } else { quiet }
    }

    /// Holds a range of readings against what is compared with every channel of a role, cell or not.
    pub(crate) fn thresholds(&self, role: Role, cutout_hysteresis: Kelvins, clear: &mut Clear) {
        let Some(cutout) = self.cutouts.of(role) else { return };
        clear.of(self.trust.plausible_low);
        clear.of(self.trust.plausible_high);
        clear.of(cutout);
        clear.of(cutout.raised(self.over_temperature));
        clear.of(cutout.lowered(cutout_hysteresis));
    }

    pub(crate) fn roles(&self) -> impl Iterator<Item = Role> {
        self.channels.iter().map(|channel| channel.role)
    }

    fn may_disagree(&self, courses: &[Course; MAX_CHANNELS]) -> bool {
        [Role::Cell, Role::Pad, Role::Ambient].iter().any(|&role| {
            let (mut coldest, mut hottest) = (Celsius::MAX, Celsius::MIN);
            for (channel, course) in self.channels.iter().zip(courses).filter(|(channel, _)| channel.role == role) {
                let (low, high) = channel.range(self.now);
                (coldest, hottest) = (coldest.min(low).min(course.low), hottest.max(high).max(course.high));
            }
            hottest.above(coldest) > self.trust.disagreement
        })
    }

    /// The channels after so many steps. The last of them brought `samples`; `still` says for how many steps, up to
    /// that one, each channel has shown the same, if it has shown anything else in them.
    pub(crate) fn pass(
        &mut self,
        stretch: Stretch,
        samples: &[Sample; MAX_CHANNELS],
        still: &[Option<u32>; MAX_CHANNELS],
    ) {
        let Stretch { step, steps } = stretch;
        let started = self.now;
        self.now = started.plus(stretch.span());
        let until_check = steps_before(Millis::ZERO, self.stuck_check.since(started), step).saturating_add(1);
        if let Some(beyond) = steps.checked_sub(until_check) {
            let between = steps_before(Millis::ZERO, STUCK_CHECK, step).saturating_add(1);
            let last = steps.saturating_sub(beyond.checked_rem(between).unwrap_or(0));
            self.stuck_check = started.plus(Stretch { step, steps: last }.span()).plus(STUCK_CHECK);
        }
        for ((channel, sample), still) in self.channels.iter_mut().zip(samples).zip(still) {
            if let Sample::Fresh(measured) = sample
                && let Ok(t) = channel.reading(*measured, &self.trust)
            {
                channel.believed = [t; 3];
            }
            channel.believed_at = self.now;
            if channel.band.is_none() {
                channel.envelope = (Celsius::MIN, Celsius::MAX);
            }
            if let Some(still) = still {
                let changed_after = Stretch { step, steps: steps.saturating_sub(*still) };
                channel.movement.still_since = started.plus(changed_after.span());
            }
        }
    }
}

impl Channel {
    /// After how many steps it has forgotten all readings but the last ones; nothing if one might not be believed.
    fn settling(&self, now: Uptime, step: Millis, course: &Course, noise: Kelvins) -> Option<u32> {
        if self.condition != Condition::Good || self.believed_at != now {
            return None;
        }
        if self.band.is_some() {
            return Some(0);
        }
        // What earlier readings leave of the noise that is always believed.
        let (floor, ceiling) = self.envelope;
        let leans = floor.above(self.latest()).max(self.latest().above(ceiling));
        let apart = course.jitter.plus(leans);
        if apart > noise {
            return None;
        }
        // An earlier reading no longer counts once the place can have drifted from it by more than it can differ.
        let gains = self.fastest.over(step).plus(course.pace.over(step).reversed());
        let gains = u32::try_from(gains.as_steps()).ok().filter(|gains| *gains > 0)?;
        Some(apart.as_steps().unsigned_abs().div_ceil(gains).saturating_add(1))
    }
}

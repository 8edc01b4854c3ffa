//! From what converters measured to what can be said about the temperatures, once a step.
//!
//! Each channel goes ratio → ohms → degrees Celsius → plausible or not. Then the channels of one [`Role`] are looked at
//! together and make a [`Group`]: good, with its coldest and hottest reading, or doubtful, with the fault. The
//! [`controller`](crate::controller) decides what follows from that.
//!
//! **A reading is a range.** Its low end is the colder of the latest measurement and the median of the last three; its
//! high end is the warmer. So one outlier can take permission away and can never give it. Between measurements both
//! ends drift apart at the fastest believable rate. Both lie [`ROUNDING`] further out than computed. The guard computes
//! another way, and so has nothing to take from a sound controller.
//!
//! A channel on a [check resistor](Role::Check) has no temperature. Inside its band it is good. Its judgement holds for
//! all channels.
//!
//! **Trust is lost at once and won slowly.** One bad measurement makes a channel doubtful in the same step; a run of good
//! ones makes it good again.

mod channel;
#[cfg(feature = "leap")]
mod leap;
mod rolls;

use crate::clock::Uptime;
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, Kelvins, Millis};
use crate::rtd::ROUNDING;
use crate::settings::{self, MAX_CHANNELS, Role, Settings, Trust, each};
use crate::signals::Sample;
use channel::{Channel, Condition, Jump};
use heapless::Vec;
use rolls::{Cutouts, Rolls};

/// Two thermometers whose readings differ by this or less may be equally warm: two of class B at 40 °C, each within
/// 0.3 K + 0.005 · 40 K (IEC 60751:2022, tolerance classes).
const PLATE_AS_WARM: Kelvins = Kelvins::from_millikelvins(1_000);

/// The channels of one role, judged together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Group {
    /// No channel has this role.
    Absent,
    /// At least one channel has not completed its first run of good readings; none is doubtful.
    Starting,
    /// At least one channel is doubtful; the fault is that of the first.
    Doubtful(ChannelFault),
    /// Every channel is good.
    Good {
        /// The lowest of all low ends.
        coldest: Celsius,
        /// The highest of all high ends.
        hottest: Celsius,
    },
}

/// What can be said about the temperatures in this step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Picture {
    /// Channels in or between batteries.
    pub(crate) cells: Group,
    /// Channels on the heater plate.
    pub(crate) pads: Group,
    /// The coldest that any cell shows, doubtful or not.
    pub(crate) coldest_shown: Celsius,
    /// Channels on a check resistor. They have no temperatures: if all are good, the group counts as absent.
    pub(crate) checks: Group,
    /// How far the worst channel lies above its heater cut-out; at or above zero the heater is cut out. Counts every
    /// channel that shows anything plausible, doubtful or not.
    pub(crate) above_cutout: Kelvins,
    /// Whether a good channel has been measured above its cut-out by the excess that latches.
    pub(crate) over_temperature: bool,
    /// Whether any channel is doubtful.
    pub(crate) has_doubt: bool,
    /// The fault of each channel.
    pub(crate) faults: [Option<ChannelFault>; MAX_CHANNELS],
}

/// All channels of a controller.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Sensing {
    channels: Vec<Channel, MAX_CHANNELS>,
    trust: Trust,
    cutouts: Cutouts,
    over_temperature: Kelvins,
    now: Uptime,
    /// When channels are next looked at for being stuck. A channel sticks for minutes or hours, so once a minute is
    /// enough.
    stuck_check: Uptime,
    /// A bit for each channel with a jump that lasts.
    jumped: u8,
}

const _: () = assert!(MAX_CHANNELS <= u8::BITS as usize, "a bit for each channel");

/// How often channels are looked at for being stuck.
const STUCK_CHECK: Millis = Millis::from_secs(60);

impl Sensing {
    /// Channels just after a reset. Nothing is known yet except which of them had `jumped` before it.
    #[must_use]
    pub(crate) fn new(settings: &Settings, jumped: u8) -> Self {
        let made = |index: usize, channel: &settings::Channel| {
            let mut made = Channel::new(channel, settings);
            if made.can_jump() && jumped & bit(index) != 0 {
                made.recall_jump();
            }
            made
        };
        let channels = each(&settings.channels, made);
        Self {
            jumped: lasting(&channels),
            channels,
            trust: settings.trust,
            cutouts: Cutouts { cell: settings.heater.cutout_cell, pad: settings.heater.cutout_pad },
            over_temperature: settings.heater.over_temperature,
            now: Uptime::START,
            stuck_check: Uptime::START,
        }
    }

    /// Takes in what the converters brought, `elapsed` after the step before.
    pub(crate) fn judge(&mut self, elapsed: Millis, samples: &[Sample; MAX_CHANNELS]) -> Picture {
        if let Some(back) = self.now.pass(elapsed) {
            self.move_back(back);
        }
        let mut rolls = Rolls::new();
        for (channel, sample) in self.channels.iter_mut().zip(samples) {
            channel.take(self.now, sample, &self.trust);
            rolls.include(self.now, channel, self.cutouts);
        }
        if rolls.a_jump_lasts || self.jumped != 0 {
            // Not in the step that looks for stuck channels: neither is urgent, and a step should never be long. Steps as
            // far apart as those looks have time for both.
            if self.now < self.stuck_check || elapsed >= STUCK_CHECK {
                self.accept_what_another_confirms();
            }
            self.jumped = lasting(&self.channels);
        }
        let above_cutout = rolls.above_cutout(self.cutouts);
        // These are rare; the usual step looks at each channel once. Over-temperature is judged first, before doubts
        // from a comparison with others.
        let over_temperature = above_cutout >= self.over_temperature && self.is_over_temperature();
        if self.now >= self.stuck_check {
            self.doubt_the_stuck(&mut rolls);
        }
        if rolls.widest() > self.trust.disagreement {
            self.doubt_what_disagrees(&mut rolls);
        }
        let mut picture = Picture {
            cells: rolls.cells.group(),
            pads: rolls.pads.group(),
            coldest_shown: rolls.cells.coldest.min(rolls.doubtful_coldest).lowered(ROUNDING),
            checks: rolls.checks.standing(),
            above_cutout,
            over_temperature,
            has_doubt: rolls.have_doubt(),
            faults: [None; MAX_CHANNELS],
        };
        if picture.has_doubt {
            picture.faults = self.faults();
        }
        picture
    }

    #[cold]
    fn move_back(&mut self, span: Millis) {
        self.stuck_check = self.stuck_check.moved_back(span);
        for channel in &mut self.channels {
            channel.move_back(span);
        }
    }

    /// The same without what can no longer decide anything: see [`crate::every_state`].
    #[cfg(test)]
    pub(crate) fn canonical(&mut self, horizon: Millis) {
        let back = self.now.rebase(horizon);
        if !back.is_zero() {
            self.keep_order_beyond(Uptime::START.plus(back));
            self.move_back(back);
        }
        let judges_stills = self.trust.stuck_after.is_some() || self.trust.still_after.is_some();
        self.channels.iter_mut().for_each(|channel| channel.canonical(judges_stills));
    }

    /// Of moments beyond the horizon only the order still counts: whether one channel moved after another began to
    /// stand still. So they are moved close behind it, a millisecond apart.
    #[cfg(test)]
    fn keep_order_beyond(&mut self, horizon: Uptime) {
        let behind = |moment: &Uptime| *moment != Uptime::NEVER && *moment < horizon.plus(Millis::from_millis(100));
        let moments = |channel: &mut Channel| channel.movement.moments().map(|moment| *moment);
        let mut old: std::vec::Vec<_> = self.channels.iter_mut().flat_map(moments).filter(behind).collect();
        old.sort_unstable();
        old.dedup();
        for moment in self.channels.iter_mut().flat_map(|channel| channel.movement.moments()) {
            if let (true, Ok(rank)) = (behind(moment), old.binary_search(moment)) {
                *moment = horizon.plus(Millis::from_millis(u32::try_from(rank).unwrap() + 1));
            }
        }
    }

    /// How far readings, clock and contacts are trusted: kept here, where most of it is read.
    pub(crate) const fn trust(&self) -> &Trust {
        &self.trust
    }

    /// The channels with a jump that lasts, a bit for each: what must survive a restart.
    pub(crate) const fn jumped(&self) -> u8 {
        self.jumped
    }

    /// Someone has seen the jumps and takes them for true.
    #[cold]
    pub(crate) fn accept_jumps(&mut self) {
        for channel in self.channels.iter_mut().filter(|channel| channel.jump.is_some()) {
            channel.accept();
        }
        self.jumped = 0;
    }

    /// A jump that lasts may be true if a good channel of the role shows the same, to half of the largest difference
    /// between two. Enough time must also have passed for the place to get there.
    #[cold]
    fn accept_what_another_confirms(&mut self) {
        let near = self.trust.noise.plus(self.trust.disagreement.half());
        for index in 0..self.channels.len() {
            let Some(channel) = self.channels.get(index) else { return };
            let (Some(Jump { lasts: true, .. }), Some((t, at))) = (channel.jump, channel.not_believed) else {
                continue;
            };
            let confirms = |other: &Channel| other.is_good(channel.role) && other.latest().is_within(near, t);
            let is_confirmed =
                at == self.now && self.channels.iter().any(confirms) && !channel.is_too_fast(self.now, t, &self.trust);
            if is_confirmed && let Some(channel) = self.channels.get_mut(index) {
                channel.accept();
                channel.believe(at, t, &self.trust);
            }
        }
    }

    #[cold]
    fn is_over_temperature(&self) -> bool {
        self.channels.iter().filter(|channel| channel.condition == Condition::Good).any(|channel| {
            let over = self.cutouts.of(channel.role).map(|cutout| cutout.raised(self.over_temperature));
            over.is_some_and(|over| channel.latest().raised(ROUNDING) >= over)
        })
    }

    /// The coldest and the hottest of the latest measurements of the good channels of a role, without drift. A fault
    /// that stands until someone comes must rest on what was measured. What switches off for now goes by what may be.
    #[cold]
    pub(crate) fn measured(&self, role: Role) -> Option<(Celsius, Celsius)> {
        let mut measured = None;
        for channel in self.channels.iter().filter(|channel| channel.is_good(role)) {
            let t = channel.latest();
            let (coldest, hottest) = measured.unwrap_or((t, t));
            measured = Some((t.min(coldest), t.max(hottest)));
        }
        measured
    }

    /// Whether something is too hot because of the air, not the heater. Then every channel is good; the air is at or
    /// above its cut-out, or was when this began; and no plate is warmer than both cells and air. Heat goes from warm
    /// to cold: what the heater warms is colder than its plate. Without a thermometer on the plate nobody knows that,
    /// for the heater also warms the air of a closed box.
    #[cold]
    pub(crate) fn air_is_why(&self, so_far: bool) -> bool {
        if !self.channels.iter().all(|channel| matches!(channel.condition, Condition::Good)) {
            return false;
        }
        match (self.measured(Role::Cell), self.measured(Role::Pad), self.measured(Role::Ambient)) {
            (Some((_, cell)), Some((_, pad)), Some((air, _))) => {
                (so_far || air.lowered(ROUNDING) >= self.cutouts.cell) && pad.above(cell.max(air)) <= PLATE_AS_WARM
            }
            _ => false,
        }
    }

    /// The latest measurement of each channel that has this role and is good, at its place among all channels.
    pub(crate) fn each_measured(&self, role: Role) -> impl Iterator<Item = Option<Celsius>> {
        self.channels.iter().map(move |channel| channel.is_good(role).then(|| channel.latest()))
    }

    #[cold]
    fn doubt_the_stuck(&mut self, rolls: &mut Rolls) {
        self.stuck_check = self.now.plus(STUCK_CHECK);
        let Trust { still_after, stuck_after, stuck_moved, .. } = self.trust;
        let still_for = |channel: &Channel| self.now.since(channel.movement.still_since);
        let mut latest_move = Uptime::NEVER;
        let (mut longest, mut shortest) = (Millis::ZERO, Millis::MAX);
        for channel in &mut self.channels {
            if channel.condition == Condition::Good {
                longest = longest.max(still_for(channel));
                shortest = shortest.min(still_for(channel));
            }
            if channel.band.is_none() && channel.believed_at > Uptime::NEVER {
                let latest = channel.latest();
                channel.movement.follow(self.now, latest, stuck_moved);
                latest_move = latest_move.max(channel.movement.move_began);
            }
        }
        // If all stand still, there is none to compare with. But converters have noise: one of them would have moved by
        // a digit.
        let all_are_still = still_after.is_some_and(|after| shortest >= after);
        if !all_are_still && stuck_after.is_none_or(|after| longest < after) {
            return;
        }
        // A channel that is broken in another way stands still too, but already has its fault. A check resistor should
        // stand still; with a coarse converter it does.
        let thermometers =
            |channel: &&mut Channel| channel.band.is_none() && matches!(channel.condition, Condition::Good);
        for channel in self.channels.iter_mut().filter(thermometers) {
            let is_left_behind = stuck_after.is_some_and(|after| still_for(channel) >= after)
                && latest_move >= channel.movement.still_since;
            if all_are_still || is_left_behind {
                channel.doubt(ChannelFault::Stuck);
                rolls.of(channel.role).doubt.get_or_insert(ChannelFault::Stuck);
            }
        }
    }

    #[cold]
    fn doubt_what_disagrees(&mut self, rolls: &mut Rolls) {
        let now = self.now;
        for role in [Role::Cell, Role::Pad, Role::Ambient] {
            // Compare the warmest certain value with the coldest certain value: old readings drift, and channels that
            // may agree do not disagree. (The ends of the roll lie further apart: a single old reading would disagree
            // with itself.)
            let (mut warmest, mut coldest) = (Celsius::MIN, Celsius::MAX);
            for channel in self.channels.iter().filter(|channel| channel.is_good(role)) {
                let drift = channel.fastest.over(now.since(channel.believed_at));
                warmest = warmest.max(channel.latest().lowered(drift));
                coldest = coldest.min(channel.latest().raised(drift));
            }
            if warmest.above(coldest) <= self.trust.disagreement {
                continue;
            }
            for channel in self.channels.iter_mut().filter(|channel| channel.is_good(role)) {
                channel.doubt(ChannelFault::Disagreement);
            }
            rolls.of(role).doubt.get_or_insert(ChannelFault::Disagreement);
        }
    }

    #[cold]
    fn faults(&self) -> [Option<ChannelFault>; MAX_CHANNELS] {
        let mut faults = [None; MAX_CHANNELS];
        for (fault, channel) in faults.iter_mut().zip(&self.channels) {
            if let Condition::Doubtful(doubt) = channel.condition {
                *fault = Some(doubt);
            }
        }
        faults
    }

    /// The median of the last three measurements of each channel; nothing for a channel that is not good, nor for a check resistor.
    #[must_use]
    pub(crate) fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        let mut readings = [None; MAX_CHANNELS];
        for (reading, channel) in readings.iter_mut().zip(&self.channels) {
            if matches!(channel.condition, Condition::Good) && channel.band.is_none() {
                *reading = Some(channel.median());
            }
        }
        readings
    }

    /// The low and the high end of each channel's reading at its present age: the range acted on, before [`ROUNDING`].
    /// Nothing for a channel that is not good, nor for a check resistor.
    #[must_use]
    pub(crate) fn ranges(&self) -> [Option<(Celsius, Celsius)>; MAX_CHANNELS] {
        let mut ranges = [None; MAX_CHANNELS];
        for (range, channel) in ranges.iter_mut().zip(&self.channels) {
            if matches!(channel.condition, Condition::Good) && channel.band.is_none() {
                *range = Some(channel.range(self.now));
            }
        }
        ranges
    }
}

/// The bit of the channel at `index`.
const fn bit(index: usize) -> u8 {
    if index < MAX_CHANNELS { 1 << index } else { 0 }
}

/// The bits of the channels with a jump that lasts.
fn lasting(channels: &[Channel]) -> u8 {
    let jumped = channels.iter().enumerate().filter(|(_, channel)| channel.jump.is_some_and(|jump| jump.lasts));
    jumped.fold(0, |bits, (index, _)| bits | bit(index))
}

#[cfg(test)]
mod tests;

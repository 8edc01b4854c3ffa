//! From what converters measured to what can be said about the temperatures, once a step.
//!
//! Each channel goes ratio → ohms → degrees Celsius → plausible or not. Then the channels of one [`Role`] are looked at
//! together and make a [`Group`]: good, with its coldest and hottest reading, or doubtful, with the fault. What follows
//! from that is for the [`controller`](crate::controller) to decide.
//!
//! **A reading is a range.** Its low end is the colder of the latest measurement and the median of the last three, its high end
//! the warmer: one outlier can take permission away and can never give it. Between measurements both ends drift
//! apart at the fastest believable rate.
//!
//! **Trust is lost at once and won slowly.** One bad measurement makes a channel doubtful in the same step; a run of good
//! ones makes it good again.

use crate::clock::Uptime;
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, KelvinRate, Kelvins, Millis, Ohms};
use crate::rtd::{Measured, OutOfRange, Thermometer};
use crate::settings::{self, MAX_CHANNELS, Role, Settings, Trust, each};
use crate::signals::Sample;
use heapless::Vec;

/// The channels of one role, judged together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
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
pub struct Picture {
    /// Channels in or between batteries.
    pub cells: Group,
    /// Channels on the heater plate.
    pub pads: Group,
    /// How far the worst channel lies above its heater cut-out; at or above zero the heater is cut out. Counts every
    /// channel that reads anything plausible, doubtful or not.
    pub above_cutout: Kelvins,
    /// The fault of each channel.
    pub faults: [Option<ChannelFault>; MAX_CHANNELS],
}

/// Whether a channel is believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Condition {
    /// Since a reset it has not completed a run of good readings.
    Starting,
    Good,
    Doubtful(ChannelFault),
}

/// What moved and what stood still, for the stuck judgement.
#[derive(Clone, Copy, Debug)]
struct Movement {
    /// The measurement has been the same to the last digit since then.
    still_since: Uptime,
    /// A reading from which the channel has not moved far since; it is set anew each time it has.
    anchor: Celsius,
    anchor_at: Uptime,
    /// When the last far move began: when the anchor before this one was set.
    move_began: Uptime,
}

/// One channel: its constants, then its memory.
#[derive(Clone, Debug)]
struct Channel {
    thermometer: Thermometer,
    reference: Ohms,
    known_leads: Ohms,
    offset: Kelvins,
    role: Role,
    cutout: Celsius,
    fastest: KelvinRate,

    condition: Condition,
    /// Good measurements in a row, up to the run that is asked for.
    run: u8,
    /// The last three measurements that were believed, latest first.
    believed: [Celsius; 3],
    /// When the latest of them came in; since the reset while there has been none.
    believed_at: Uptime,
    movement: Movement,
}

/// All channels of a controller.
#[derive(Clone, Debug)]
pub struct Sensing {
    channels: Vec<Channel, MAX_CHANNELS>,
    trust: Trust,
    now: Uptime,
}

impl Sensing {
    /// Channels of which nothing is known yet.
    #[must_use]
    pub fn new(settings: &Settings) -> Self {
        let channels = each(&settings.channels, |_, channel| Channel::new(channel, settings));
        Self { channels, trust: settings.trust, now: Uptime::START }
    }

    /// Takes in what the converters brought, `elapsed` after the step before.
    pub fn judge(&mut self, elapsed: Millis, samples: &[Sample; MAX_CHANNELS]) -> Picture {
        self.now = self.now.plus(elapsed);
        let mut tally = Tally::EMPTY;
        for (channel, sample) in self.channels.iter_mut().zip(samples) {
            let seen = channel.take(self.now, sample, &self.trust);
            tally.include(self.now, channel, seen);
        }
        if tally.is_suspicious(self.now, &self.trust) {
            tally = self.compare_channels(tally);
        }
        let mut picture = tally.picture();
        if tally.has_doubt {
            for (fault, channel) in picture.faults.iter_mut().zip(&self.channels) {
                *fault = match channel.condition {
                    Condition::Doubtful(fault) => Some(fault),
                    Condition::Starting | Condition::Good => None,
                };
            }
        }
        picture
    }

    /// The judgements that need more than one channel. Rare: the usual step looks at each channel once.
    #[cold]
    fn compare_channels(&mut self, first: Tally) -> Tally {
        let mut tally = Tally { above_cutout: first.above_cutout, ..Tally::EMPTY };
        for channel in &mut self.channels {
            let still_since = channel.movement.still_since;
            let is_still = self.trust.stuck_after.is_some_and(|after| self.now.since(still_since) >= after);
            if is_still && first.move_began >= still_since {
                channel.doubt(ChannelFault::Stuck);
            }
            if channel.run > 0 && first.roll(channel.role).spread() > self.trust.disagreement {
                channel.doubt(ChannelFault::Disagreement);
            }
            tally.include(self.now, channel, None);
        }
        tally
    }

    /// The median of the last three measurements of each channel; nothing for a channel that is not good.
    #[must_use]
    pub fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        let mut readings = [None; MAX_CHANNELS];
        for (reading, channel) in readings.iter_mut().zip(&self.channels) {
            if channel.condition == Condition::Good {
                *reading = Some(channel.median());
            }
        }
        readings
    }
}

impl Channel {
    fn new(channel: &settings::Channel, settings: &Settings) -> Self {
        let (cutout, fastest) = match channel.role {
            Role::Cell => (settings.heater.cutout_cell, settings.trust.fastest_cell),
            Role::Ambient => (settings.heater.cutout_cell, settings.trust.fastest_ambient),
            Role::Pad => (settings.heater.cutout_pad, settings.trust.fastest_pad),
        };
        Self {
            thermometer: Thermometer::new(channel.element),
            reference: channel.reference,
            known_leads: channel.leads.known(),
            offset: channel.offset,
            role: channel.role,
            cutout,
            fastest,
            condition: Condition::Starting,
            run: 0,
            believed: [Celsius::ZERO; 3],
            believed_at: Uptime::START,
            movement: Movement {
                still_since: Uptime::START,
                anchor: Celsius::ZERO,
                anchor_at: Uptime::START,
                move_began: Uptime::NEVER,
            },
        }
    }

    /// Takes in one sample; answers the temperature it shows, believed or not, where it shows a plausible one.
    #[inline]
    fn take(&mut self, now: Uptime, sample: &Sample, trust: &Trust) -> Option<Celsius> {
        let measured = match sample {
            Sample::None => {
                if now.since(self.believed_at) > trust.max_age {
                    self.doubt(ChannelFault::Missing);
                }
                return None;
            }
            Sample::ConverterFault => {
                self.doubt(ChannelFault::Converter);
                return None;
            }
            Sample::Fresh(measured) => measured,
        };
        match self.temperature(*measured, trust) {
            Ok(t) if self.is_too_fast(now, t, trust) => {
                self.doubt(ChannelFault::TooFast);
                Some(t)
            }
            Ok(t) => {
                self.believe(now, t, trust);
                Some(t)
            }
            Err(fault) => {
                self.doubt(fault);
                None
            }
        }
    }

    /// Ratio → ohms → degrees Celsius, or why that makes no temperature.
    #[inline]
    fn temperature(&self, measured: Measured, trust: &Trust) -> Result<Celsius, ChannelFault> {
        // A lead that measures more than element and lead together leaves less than nothing: a short somewhere.
        let ratio = measured.element.less(measured.lead).ok_or(ChannelFault::Short)?;
        let ohms = ratio.of(self.reference).ok_or(ChannelFault::Open)?;
        let ohms = ohms.less(self.known_leads).ok_or(ChannelFault::Short)?;
        match self.thermometer.celsius(ohms) {
            Ok(t) => {
                let t = t.raised(self.offset);
                if t < trust.plausible_low || t > trust.plausible_high { Err(ChannelFault::OutOfRange) } else { Ok(t) }
            }
            Err(side) => Err(self.out_of_working_range(ohms, side)),
        }
    }

    /// Tells a broken lead and a short from a temperature that cannot be here.
    #[cold]
    fn out_of_working_range(&self, ohms: Ohms, side: OutOfRange) -> ChannelFault {
        match (self.thermometer.element().celsius(ohms), side) {
            (Ok(_), _) => ChannelFault::OutOfRange,
            (Err(_), OutOfRange::Below) => ChannelFault::Short,
            (Err(_), OutOfRange::Above) => ChannelFault::Open,
        }
    }

    /// Against the last believed measurement, and the more time has passed since, the more is believable: a sensor that was
    /// moved for good is believed again in the end.
    #[inline]
    fn is_too_fast(&self, now: Uptime, t: Celsius, trust: &Trust) -> bool {
        let change = t.above(self.latest()).magnitude();
        // Nearly every change is noise; the product is for the others.
        change > trust.noise
            && change > trust.noise.plus(self.fastest.over(now.since(self.believed_at)))
            && !self.has_never_believed()
    }

    /// Since the reset.
    fn has_never_believed(&self) -> bool {
        self.run == 0 && self.condition == Condition::Starting
    }

    #[inline]
    fn believe(&mut self, now: Uptime, t: Celsius, trust: &Trust) {
        let [latest, before, _] = self.believed;
        if t != latest {
            self.movement.still_since = now;
        }
        if t.above(self.movement.anchor).magnitude() >= trust.stuck_moved {
            self.movement.set_anchor(now, t, self.has_never_believed());
        }
        self.believed = [t, latest, before];
        self.believed_at = now;
        if self.condition != Condition::Good {
            self.recover(trust);
        }
    }

    #[cold]
    fn recover(&mut self, trust: &Trust) {
        if self.run == 0 {
            // After a break the old measurements are no company for the new.
            self.believed = [self.latest(); 3];
        }
        self.run = self.run.saturating_add(1);
        if self.run >= trust.good_run {
            self.condition = Condition::Good;
        }
    }

    fn doubt(&mut self, fault: ChannelFault) {
        self.condition = Condition::Doubtful(fault);
        self.run = 0;
    }

    fn latest(&self) -> Celsius {
        let [latest, ..] = self.believed;
        latest
    }

    fn median(&self) -> Celsius {
        let [a, b, c] = self.believed;
        a.min(b).max(a.max(b).min(c))
    }

    /// Low and high end: the latest measurement and the median, drifted apart for the age of the former.
    #[inline]
    fn range(&self, now: Uptime) -> (Celsius, Celsius) {
        let (latest, median) = (self.latest(), self.median());
        let (low, high) = (latest.min(median), latest.max(median));
        if self.believed_at == now {
            return (low, high);
        }
        let drift = self.fastest.over(now.since(self.believed_at));
        (low.lowered(drift), high.raised(drift))
    }
}

impl Movement {
    #[cold]
    fn set_anchor(&mut self, now: Uptime, t: Celsius, is_first: bool) {
        if !is_first {
            self.move_began = self.anchor_at;
        }
        self.anchor = t;
        self.anchor_at = now;
    }
}

/// The channels of one role, added up.
#[derive(Clone, Copy)]
struct Roll {
    /// Over the good ones, the ends of their ranges.
    coldest: Celsius,
    hottest: Celsius,
    /// Over those that read believably, good or on the way to it.
    lowest: Celsius,
    highest: Celsius,
    starting: bool,
    doubt: Option<ChannelFault>,
}

impl Roll {
    const EMPTY: Self = Self {
        coldest: Celsius::MAX,
        hottest: Celsius::MIN,
        lowest: Celsius::MAX,
        highest: Celsius::MIN,
        starting: false,
        doubt: None,
    };

    /// Negative while nothing reads.
    fn spread(&self) -> Kelvins {
        self.highest.above(self.lowest)
    }

    fn group(&self) -> Group {
        match *self {
            Self { doubt: Some(fault), .. } => Group::Doubtful(fault),
            Self { starting: true, .. } => Group::Starting,
            Self { coldest, hottest, .. } if coldest <= hottest => Group::Good { coldest, hottest },
            _ => Group::Absent,
        }
    }
}

/// All channels, added up in one pass.
#[derive(Clone, Copy)]
struct Tally {
    cells: Roll,
    pads: Roll,
    ambients: Roll,
    above_cutout: Kelvins,
    has_doubt: bool,
    /// When the latest far move of any channel began.
    move_began: Uptime,
    /// Since when the channel that has been still longest is still.
    still_since: Uptime,
}

impl Tally {
    const EMPTY: Self = Self {
        cells: Roll::EMPTY,
        pads: Roll::EMPTY,
        ambients: Roll::EMPTY,
        above_cutout: Kelvins::from_steps(i32::MIN),
        has_doubt: false,
        move_began: Uptime::NEVER,
        still_since: Uptime::END,
    };

    fn roll(&self, role: Role) -> &Roll {
        match role {
            Role::Cell => &self.cells,
            Role::Pad => &self.pads,
            Role::Ambient => &self.ambients,
        }
    }

    #[inline]
    fn include(&mut self, now: Uptime, channel: &Channel, seen: Option<Celsius>) {
        self.move_began = self.move_began.max(channel.movement.move_began);
        self.still_since = self.still_since.min(channel.movement.still_since);
        let roll = match channel.role {
            Role::Cell => &mut self.cells,
            Role::Pad => &mut self.pads,
            Role::Ambient => &mut self.ambients,
        };
        if channel.run > 0 {
            roll.lowest = roll.lowest.min(channel.latest());
            roll.highest = roll.highest.max(channel.latest());
        }
        match channel.condition {
            Condition::Good => {
                let (low, high) = channel.range(now);
                roll.coldest = roll.coldest.min(low);
                roll.hottest = roll.hottest.max(high);
                self.above_cutout = self.above_cutout.max(high.above(channel.cutout));
            }
            Condition::Starting => roll.starting = true,
            Condition::Doubtful(fault) => {
                roll.doubt = roll.doubt.or(Some(fault));
                self.has_doubt = true;
            }
        }
        // Not believed, yet it may be true: what reads hot cuts the heater out.
        if channel.condition != Condition::Good
            && let Some(seen) = seen
        {
            self.above_cutout = self.above_cutout.max(seen.above(channel.cutout));
        }
    }

    /// Whether channels must be compared with each other.
    fn is_suspicious(&self, now: Uptime, trust: &Trust) -> bool {
        trust.stuck_after.is_some_and(|after| now.since(self.still_since) >= after)
            || [self.cells, self.pads, self.ambients].iter().any(|roll| roll.spread() > trust.disagreement)
    }

    fn picture(&self) -> Picture {
        Picture {
            cells: self.cells.group(),
            pads: self.pads.group(),
            above_cutout: self.above_cutout,
            faults: [None; MAX_CHANNELS],
        }
    }
}

#[cfg(test)]
mod tests;

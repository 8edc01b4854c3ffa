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

use crate::fault::ChannelFault;
use crate::quantity::{Celsius, KelvinRate, Kelvins, Millis, Ohms};
use crate::rtd::{Measured, OutOfRange, Thermometer};
use crate::settings::{self, MAX_CHANNELS, Role, Settings, Trust};
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
    /// Time for which the measurement has been the same to the last digit.
    still: Millis,
    /// A reading from which the channel has not moved far since; it is set anew each time it has.
    anchor: Celsius,
    anchor_age: Millis,
    /// Age of the anchor before that: the last far move lies wholly within this time.
    moved_within: Millis,
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
    /// Time since the latest of them; the longest there is while there has been none.
    age: Millis,
    movement: Movement,
}

/// All channels of a controller.
#[derive(Clone, Debug)]
pub struct Sensing {
    channels: Vec<Channel, MAX_CHANNELS>,
    trust: Trust,
}

impl Sensing {
    /// Channels of which nothing is known yet.
    #[must_use]
    pub fn new(settings: &Settings) -> Self {
        let channels = settings.channels.iter().map(|channel| Channel::new(channel, settings)).collect();
        Self { channels, trust: settings.trust }
    }

    /// Takes in what the converters brought, `elapsed` after the step before.
    pub fn judge(&mut self, elapsed: Millis, samples: &[Sample; MAX_CHANNELS]) -> Picture {
        let trust = self.trust;
        let mut picture = Picture {
            cells: Group::Absent,
            pads: Group::Absent,
            above_cutout: MOST_BELOW,
            faults: [None; MAX_CHANNELS],
        };
        let mut ambients = Group::Absent;
        let mut spread = [Spread::NONE; 3];
        let mut moved_within = Millis::MAX;
        let mut longest_still = Millis::ZERO;

        for (channel, sample) in self.channels.iter_mut().zip(samples) {
            let seen = channel.take(elapsed, sample, &trust);
            if let Some(seen) = seen {
                picture.above_cutout = picture.above_cutout.max(seen.above(channel.cutout));
            }
            if channel.run > 0 {
                spread_of(&mut spread, channel.role).include(channel.believed());
            }
            moved_within = moved_within.min(channel.movement.moved_within);
            longest_still = longest_still.max(channel.movement.still);
        }

        // Both are rare; the usual step does not look at the channels again for them.
        if let Some(after) = trust.stuck_after
            && longest_still >= after
        {
            for channel in &mut self.channels {
                if channel.movement.still >= after && moved_within <= channel.movement.still {
                    channel.doubt(ChannelFault::Stuck);
                }
            }
        }
        if spread.iter().any(|spread| spread.width() > trust.disagreement) {
            for channel in &mut self.channels {
                if channel.run > 0 && spread_of(&mut spread, channel.role).width() > trust.disagreement {
                    channel.doubt(ChannelFault::Disagreement);
                }
            }
        }

        for (channel, fault) in self.channels.iter().zip(&mut picture.faults) {
            let group = match channel.role {
                Role::Cell => &mut picture.cells,
                Role::Pad => &mut picture.pads,
                Role::Ambient => &mut ambients,
            };
            match channel.condition {
                Condition::Doubtful(doubt) => {
                    *fault = Some(doubt);
                    *group = group.with_doubt(doubt);
                }
                Condition::Starting => *group = group.with_starting(),
                Condition::Good => {
                    let (low, high) = channel.range();
                    *group = group.with_range(low, high);
                    picture.above_cutout = picture.above_cutout.max(high.above(channel.cutout));
                }
            }
        }
        picture
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

const MOST_BELOW: Kelvins = Kelvins::from_steps(i32::MIN);

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
            age: Millis::ZERO,
            movement: Movement {
                still: Millis::ZERO,
                anchor: Celsius::ZERO,
                anchor_age: Millis::MAX,
                moved_within: Millis::MAX,
            },
        }
    }

    /// Takes in one sample; answers the temperature it shows, believed or not, where it shows a plausible one.
    #[inline]
    fn take(&mut self, elapsed: Millis, sample: &Sample, trust: &Trust) -> Option<Celsius> {
        self.age = self.age.plus(elapsed);
        self.movement.pass(elapsed);
        let measured = match sample {
            Sample::None => {
                if self.age > trust.max_age {
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
        let t = match self.temperature(*measured, trust) {
            Ok(t) => t,
            Err(fault) => {
                self.doubt(fault);
                return None;
            }
        };
        if self.is_too_fast(t, trust) {
            self.doubt(ChannelFault::TooFast);
        } else {
            self.believe(t, trust);
        }
        Some(t)
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
    fn is_too_fast(&self, t: Celsius, trust: &Trust) -> bool {
        let change = t.above(self.believed()).magnitude();
        !self.never_believed() && change > trust.noise.plus(self.fastest.over(self.age))
    }

    fn never_believed(&self) -> bool {
        self.run == 0 && self.condition == Condition::Starting
    }

    #[inline]
    fn believe(&mut self, t: Celsius, trust: &Trust) {
        if t != self.believed() {
            self.movement.still = Millis::ZERO;
        }
        let [latest, before, _] = self.believed;
        // After a break the old measurements are no company for the new.
        self.believed = if self.run == 0 { [t; 3] } else { [t, latest, before] };
        self.age = Millis::ZERO;
        self.run = self.run.saturating_add(1).min(trust.good_run);
        if self.run >= trust.good_run {
            self.condition = Condition::Good;
        }
        self.movement.follow(t, trust.stuck_moved);
    }

    fn doubt(&mut self, fault: ChannelFault) {
        self.condition = Condition::Doubtful(fault);
        self.run = 0;
    }

    fn believed(&self) -> Celsius {
        let [latest, ..] = self.believed;
        latest
    }

    fn median(&self) -> Celsius {
        let [a, b, c] = self.believed;
        a.min(b).max(a.max(b).min(c))
    }

    /// Low and high end: the latest measurement and the median, drifted apart for the age of the former.
    #[inline]
    fn range(&self) -> (Celsius, Celsius) {
        let (latest, median) = (self.believed(), self.median());
        let drift = self.fastest.over(self.age);
        (latest.min(median).lowered(drift), latest.max(median).raised(drift))
    }
}

impl Movement {
    #[inline]
    fn pass(&mut self, elapsed: Millis) {
        self.still = self.still.plus(elapsed);
        self.anchor_age = self.anchor_age.plus(elapsed);
        self.moved_within = self.moved_within.plus(elapsed);
    }

    #[inline]
    fn follow(&mut self, t: Celsius, far: Kelvins) {
        if t.above(self.anchor).magnitude() >= far {
            self.moved_within = self.anchor_age;
            self.anchor = t;
            self.anchor_age = Millis::ZERO;
        }
    }
}

impl Group {
    /// The first doubt wins over everything.
    fn with_doubt(self, fault: ChannelFault) -> Self {
        match self {
            Self::Doubtful(first) => Self::Doubtful(first),
            Self::Absent | Self::Starting | Self::Good { .. } => Self::Doubtful(fault),
        }
    }

    fn with_starting(self) -> Self {
        match self {
            Self::Doubtful(first) => Self::Doubtful(first),
            Self::Absent | Self::Starting | Self::Good { .. } => Self::Starting,
        }
    }

    #[inline]
    fn with_range(self, low: Celsius, high: Celsius) -> Self {
        match self {
            Self::Doubtful(_) | Self::Starting => self,
            Self::Absent => Self::Good { coldest: low, hottest: high },
            Self::Good { coldest, hottest } => Self::Good { coldest: coldest.min(low), hottest: hottest.max(high) },
        }
    }
}

/// The lowest and the highest latest measurement of a role.
#[derive(Clone, Copy)]
struct Spread {
    low: Celsius,
    high: Celsius,
}

impl Spread {
    const NONE: Self = Self { low: Celsius::MAX, high: Celsius::MIN };

    fn include(&mut self, t: Celsius) {
        self.low = self.low.min(t);
        self.high = self.high.max(t);
    }

    /// Negative while nothing is included.
    fn width(self) -> Kelvins {
        self.high.above(self.low)
    }
}

fn spread_of(spread: &mut [Spread; 3], role: Role) -> &mut Spread {
    let [cells, pads, ambients] = spread;
    match role {
        Role::Cell => cells,
        Role::Pad => pads,
        Role::Ambient => ambients,
    }
}

#[cfg(test)]
mod tests;

//! From what converters measured to what can be said about the temperatures, once a step.
//!
//! Each channel goes ratio → ohms → degrees Celsius → plausible or not. Then the channels of one [`Role`] are looked at
//! together and make a [`Group`]: good, with its coldest and hottest reading, or doubtful, with the fault. What follows
//! from that is for the [`controller`](crate::controller) to decide.
//!
//! **A reading is a range.** Its low end is the colder of the latest measurement and the median of the last three, its high end
//! the warmer: one outlier can take permission away and can never give it. Between measurements both ends drift
//! apart at the fastest believable rate. Both lie [`ROUNDING`] further out than computed, so that the guard, which computes
//! another way, has nothing to take from a sound controller.
//!
//! A channel on a [check resistor](Role::Check) has no temperature: inside its band it is good, and what it says is said of all.
//!
//! **Trust is lost at once and won slowly.** One bad measurement makes a channel doubtful in the same step; a run of good
//! ones makes it good again.

use crate::clock::Uptime;
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, KelvinRate, Kelvins, Millis, Ohms, Ratio};
use crate::rtd::{Measured, OutOfRange, RANGE_HIGH, RANGE_LOW, Thermometer};
use crate::settings::{self, MAX_CHANNELS, Role, Settings, Trust, each};
use crate::signals::Sample;
use heapless::Vec;

/// What a reading is held to be off by for having been computed; the conversion itself is within 0.02 mK.
pub const ROUNDING: Kelvins = Kelvins::from_millikelvins(1);

/// Two thermometers that show this or less apart may be equally warm: two of class B at 40 °C, each within 0.3 K + 0.005 · 40 K
/// (IEC 60751:2022, tolerance classes).
const PLATE_AS_WARM: Kelvins = Kelvins::from_millikelvins(1_000);

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
    /// The coldest that any cell shows, doubtful or not.
    pub coldest_shown: Celsius,
    /// Channels on a check resistor. They have no temperatures: where all are good they are as good as absent.
    pub checks: Group,
    /// How far the worst channel lies above its heater cut-out; at or above zero the heater is cut out. Counts every
    /// channel that shows anything plausible, doubtful or not.
    pub above_cutout: Kelvins,
    /// Whether a good channel has been measured above its cut-out by the excess that latches.
    pub over_temperature: bool,
    /// Whether any channel is doubtful.
    pub has_doubt: bool,
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

/// A change that no place can make, not undone yet.
#[derive(Clone, Copy, Debug)]
struct Jump {
    /// When it was first seen.
    since: Uptime,
    /// Half its size: what has come back by more than that has come back. Nothing does for one from before a restart.
    half: Kelvins,
    /// Whether it has stood for [`JUMP_LASTS`]; from then on time alone makes it no more believable, and a restart does not end it.
    lasts: bool,
}

/// One channel: its constants, then its memory.
#[derive(Clone, Debug)]
struct Channel {
    thermometer: Thermometer,
    reference: Ohms,
    known_leads: Ohms,
    /// The least and the most that a lead measured alone may show; anything where none is.
    lead_band: (Ratio, Ratio),
    offset: Kelvins,
    role: Role,
    fastest: KelvinRate,
    /// For a check resistor, the least and the most that it may measure. Its resistance then stands where temperatures do, and is only
    /// looked at for whether it has moved.
    band: Option<(Ohms, Ohms)>,

    condition: Condition,
    /// Good measurements in a row, up to the run that is asked for.
    run: u8,
    /// The last three measurements that were believed, latest first.
    believed: [Celsius; 3],
    /// The latest measurement that was plausible but not believed, until one is believed or there is none any more.
    /// With when it came in: it ages like any other.
    not_believed: Option<(Celsius, Uptime)>,
    /// When the latest that was believed came in.
    believed_at: Uptime,
    /// The lowest and the highest that the place can have been then, as far as all readings before allow, each by the time since it
    /// and none by its noise. A comparison with the latest alone would grant the noise anew in each step, and a climb in small steps
    /// would pass at any speed.
    envelope: (Celsius, Celsius),
    /// A change that no place can make, from when it is seen until the channel is good again.
    jump: Option<Jump>,
    movement: Movement,
}

/// At or above these the heater is cut out.
#[derive(Clone, Copy, Debug)]
struct Cutouts {
    /// For cells and the air.
    cell: Celsius,
    pad: Celsius,
}

impl Cutouts {
    /// Nothing for what has no temperature.
    const fn of(self, role: Role) -> Option<Celsius> {
        match role {
            Role::Cell | Role::Ambient => Some(self.cell),
            Role::Pad => Some(self.pad),
            Role::Check(_) => None,
        }
    }
}

/// All channels of a controller.
#[derive(Clone, Debug)]
pub struct Sensing {
    channels: Vec<Channel, MAX_CHANNELS>,
    trust: Trust,
    cutouts: Cutouts,
    over_temperature: Kelvins,
    now: Uptime,
    /// When channels are next looked at for being stuck: that takes minutes or hours, so once a minute does.
    stuck_check: Uptime,
    /// A bit for each channel with a jump that lasts.
    jumped: u8,
}

/// How long a jump must stand before it must survive a restart. Shorter ones are loose contacts and switching of loads, and memory wears.
const JUMP_LASTS: Millis = Millis::from_secs(30);

const _: () = assert!(MAX_CHANNELS <= u8::BITS as usize, "a bit for each channel");

/// How often channels are looked at for being stuck.
const STUCK_CHECK: Millis = Millis::from_secs(60);

impl Sensing {
    /// Channels of which nothing is known yet but which of them had jumped before the reset.
    #[must_use]
    pub fn new(settings: &Settings, jumped: u8) -> Self {
        let made = |index: usize, channel: &settings::Channel| {
            let mut made = Channel::new(channel, settings);
            if made.can_jump() && jumped & bit(index) != 0 {
                made.condition = Condition::Doubtful(ChannelFault::Jumped);
                made.jump = Some(Jump { since: Uptime::START, half: Kelvins::ZERO, lasts: true });
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
    pub fn judge(&mut self, elapsed: Millis, samples: &[Sample; MAX_CHANNELS]) -> Picture {
        if let Some(back) = self.now.pass(elapsed) {
            self.move_back(back);
        }
        let mut rolls = Rolls::new();
        for (channel, sample) in self.channels.iter_mut().zip(samples) {
            channel.take(self.now, sample, &self.trust);
            rolls.include(self.now, channel, self.cutouts);
        }
        if rolls.a_jump_lasts || self.jumped != 0 {
            // Not in the step in which they are looked at for being stuck: neither hurries, and a step should never be long.
            if self.now < self.stuck_check {
                self.accept_what_another_confirms();
            }
            self.jumped = lasting(&self.channels);
        }
        let above_cutout = rolls.above_cutout(self.cutouts);
        // These are rare; the usual step looks at each channel once. Whether one is too hot comes before doubts about how it compares
        // with others.
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

    /// How far readings, clock and contacts are trusted: kept here, where most of it is read.
    pub(crate) const fn trust(&self) -> &Trust {
        &self.trust
    }

    /// The channels with a jump that lasts, a bit for each: what must survive a restart.
    pub(crate) const fn jumped(&self) -> u8 {
        self.jumped
    }

    /// Someone has seen what has jumped, and takes it for true.
    #[cold]
    pub(crate) fn accept_jumps(&mut self) {
        for channel in self.channels.iter_mut().filter(|channel| channel.jump.is_some()) {
            channel.accept();
        }
        self.jumped = 0;
    }

    /// A jump that lasts may be true where a good channel of the role shows the same to half of the largest difference between two, and
    /// so much time has passed that a place can have got there.
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

    /// The coldest and the hottest of the latest measurements of the good channels of a role, without drift: what takes away
    /// until someone comes must have been seen, while what takes away for now goes by what may be.
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

    /// Whether the air, not the heater, is why something is too hot: every channel is good, the air is at its cut-out or above, or was when
    /// this began, and no plate is warmer than both cells and air. Heat goes from warm to cold: what the heater warms is colder than its
    /// plate. Without a thermometer on the plate nobody knows that, and the air of a closed box is warmed by the heater too.
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
        // Where all stand still there is none to compare with. But their converters have noise: one of them would have moved by a digit.
        let all_are_still = still_after.is_some_and(|after| shortest >= after);
        if !all_are_still && stuck_after.is_none_or(|after| longest < after) {
            return;
        }
        // What is broken in another way stands still too, and has its name already. A check resistor should stand still: with a coarse
        // converter it does.
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
            // From the warmest that is certain to the coldest that is certain: old readings drift, and what may agree does not
            // disagree. (The ends of the roll lie further apart; a single old reading would disagree with itself.)
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
    pub fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        let mut readings = [None; MAX_CHANNELS];
        for (reading, channel) in readings.iter_mut().zip(&self.channels) {
            if matches!(channel.condition, Condition::Good) && channel.band.is_none() {
                *reading = Some(channel.median());
            }
        }
        readings
    }
}

impl Channel {
    fn new(channel: &settings::Channel, settings: &Settings) -> Self {
        Self {
            thermometer: Thermometer::new(channel.element),
            reference: channel.reference,
            known_leads: channel.leads.known(),
            lead_band: lead_band(channel),
            offset: channel.offset,
            role: channel.role,
            fastest: settings.trust.fastest(channel.role),
            band: match channel.role {
                Role::Check(check) => Some(check.band()),
                Role::Cell | Role::Pad | Role::Ambient => None,
            },
            condition: Condition::Starting,
            run: 0,
            believed: [Celsius::ZERO; 3],
            not_believed: None,
            believed_at: Uptime::NEVER,
            envelope: (Celsius::MIN, Celsius::MAX),
            jump: None,
            movement: Movement {
                still_since: Uptime::START,
                anchor: Celsius::ZERO,
                anchor_at: Uptime::NEVER,
                move_began: Uptime::NEVER,
            },
        }
    }

    fn move_back(&mut self, span: Millis) {
        let Self { not_believed, believed_at, jump, movement, .. } = self;
        let Movement { still_since, anchor_at, move_began, anchor: _ } = movement;
        if let Some((_, at)) = not_believed {
            *at = at.moved_back(span);
        }
        if let Some(Jump { since, .. }) = jump {
            *since = since.moved_back(span);
        }
        for at in [believed_at, anchor_at, move_began] {
            *at = at.moved_back(span);
        }
        // A move from beyond the horizon is no evidence against a channel that has been still as long.
        *still_since = still_since.moved_back(span).max(Uptime::AFTER_START);
    }

    #[inline]
    fn take(&mut self, now: Uptime, sample: &Sample, trust: &Trust) {
        match sample {
            Sample::Fresh(measured) => match self.reading(*measured, trust) {
                Ok(t) if self.is_too_fast(now, t, trust) || (self.jump.is_some() && self.is_away(now, t, trust)) => {
                    self.note_jump(now, t);
                }
                Ok(t) => self.believe(now, t, trust),
                Err(fault) => self.doubt(fault),
            },
            Sample::None => {
                let latest_at = self.not_believed.map_or(self.believed_at, |(_, at)| at.max(self.believed_at));
                if now.since(latest_at.max(Uptime::START)) > trust.max_age {
                    self.doubt(ChannelFault::Missing);
                }
            }
            Sample::ConverterFault => self.doubt(ChannelFault::Converter),
        }
    }

    /// Ratio → ohms → degrees Celsius, or why that makes no temperature or none to be believed.
    #[inline]
    fn reading(&self, measured: Measured, trust: &Trust) -> Result<Celsius, ChannelFault> {
        let (least, most) = self.lead_band;
        if measured.lead < least || measured.lead > most {
            return Err(self.unfit_lead(measured));
        }
        // A lead that measures more than element and lead together leaves less than nothing: a short somewhere.
        let ratio = measured.element.less(measured.lead).ok_or(ChannelFault::Short)?;
        let ohms = ratio.of(self.reference).ok_or(ChannelFault::Open)?;
        let ohms = ohms.less(self.known_leads).ok_or(ChannelFault::Short)?;
        if let Some((least, most)) = self.band {
            let is_within = least <= ohms && ohms <= most;
            return if is_within { Ok(as_if(ohms)) } else { Err(ChannelFault::OutOfRange) };
        }
        match self.thermometer.celsius(ohms) {
            Ok(t) => {
                let t = t.raised(self.offset);
                if t < trust.plausible_low || t > trust.plausible_high { Err(ChannelFault::OutOfRange) } else { Ok(t) }
            }
            Err(side) => Err(self.out_of_working_range(ohms, side)),
        }
    }

    /// What is open or short without anything taken away has its name; else the lead is what is wrong.
    #[cold]
    fn unfit_lead(&self, measured: Measured) -> ChannelFault {
        let Some(ohms) = measured.element.of(self.reference) else { return ChannelFault::Open };
        match self.thermometer.celsius(ohms).map_err(|side| self.out_of_working_range(ohms, side)) {
            Err(fault @ (ChannelFault::Open | ChannelFault::Short)) if self.band.is_none() => fault,
            Ok(_) | Err(_) => ChannelFault::Leads,
        }
    }

    /// Tells a broken lead and a short from a temperature that cannot be here.
    #[cold]
    fn out_of_working_range(&self, ohms: Ohms, side: OutOfRange) -> ChannelFault {
        // Forwards, for what the extremes of the standard would show, takes no division.
        let shows = |t| self.thermometer.element().resistance(t);
        match side {
            OutOfRange::Below if shows(RANGE_LOW).is_ok_and(|least| ohms < least) => ChannelFault::Short,
            OutOfRange::Above if shows(RANGE_HIGH).is_ok_and(|most| ohms > most) => ChannelFault::Open,
            OutOfRange::Below | OutOfRange::Above => ChannelFault::OutOfRange,
        }
    }

    /// Against all that was believed before, and the more time has passed since, the more is believable.
    #[inline]
    fn is_too_fast(&self, now: Uptime, t: Celsius, trust: &Trust) -> bool {
        let (floor, ceiling) = self.envelope;
        let (floor, ceiling) = (floor.lowered(trust.noise), ceiling.raised(trust.noise));
        // Nearly every change is noise; the product is for the others.
        if floor <= t && t <= ceiling {
            return false;
        }
        let drift = self.fastest.over(now.since(self.believed_at));
        t < floor.lowered(drift) || t > ceiling.raised(drift)
    }

    /// Whether a channel that has jumped is not back where it was. Time makes only half of the way believable, and what comes back from a
    /// jump that lasts comes as suddenly: a thermometer that has fallen off drifts with the air, past where it was.
    #[cold]
    fn is_away(&self, now: Uptime, t: Celsius, trust: &Trust) -> bool {
        let Some(Jump { half, lasts, .. }) = self.jump else { return false };
        if self.believed_at == Uptime::NEVER {
            return true;
        }
        let near = trust.noise.plus(self.fastest.over(now.since(self.believed_at)).min(half));
        let (floor, ceiling) = self.envelope;
        let drifted = self
            .not_believed
            .is_some_and(|(before, at)| t.is_within(trust.noise.plus(self.fastest.over(now.since(at))), before));
        t < floor.lowered(near) || t > ceiling.raised(near) || (lasts && drifted)
    }

    #[cold]
    fn note_jump(&mut self, now: Uptime, t: Celsius) {
        if self.can_jump() {
            let (floor, ceiling) = self.envelope;
            let size = t.above(ceiling).max(floor.above(t));
            let jump = self.jump.get_or_insert(Jump { since: now, half: size.half(), lasts: false });
            jump.lasts |= now.since(jump.since) >= JUMP_LASTS;
        }
        let lasts = self.jump.is_some_and(|jump| jump.lasts);
        if self.shows_anew(t) {
            self.movement.still_since = now;
        }
        self.doubt(if lasts { ChannelFault::Jumped } else { ChannelFault::TooFast });
        self.not_believed = Some((t, now));
    }

    /// Whether it did not show the same, to the last digit, when it was last not believed.
    fn shows_anew(&self, t: Celsius) -> bool {
        self.not_believed.is_none_or(|(before, _)| before != t)
    }

    /// Whether a jump is kept in mind: in air it may be an opened lid, and nothing is permitted by it.
    const fn can_jump(&self) -> bool {
        matches!(self.role, Role::Cell | Role::Pad)
    }

    /// What it shows next is a new beginning.
    fn accept(&mut self) {
        self.jump = None;
        self.envelope = (Celsius::MIN, Celsius::MAX);
    }

    #[inline]
    fn believe(&mut self, now: Uptime, t: Celsius, trust: &Trust) {
        let [latest, before, _] = self.believed;
        // What it has shown before it was believed is nothing new.
        let moved = t != latest && self.shows_anew(t);
        if moved {
            self.movement.still_since = now;
        }
        self.believed = [t, latest, before];
        // Of a check resistor everything within its band is believed.
        if self.band.is_none() {
            let (floor, ceiling) = self.envelope;
            let drift = self.fastest.over(now.since(self.believed_at));
            self.envelope = (floor.lowered(drift).max(t), ceiling.raised(drift).min(t));
        }
        self.believed_at = now;
        if !matches!(self.condition, Condition::Good) {
            self.recover(moved, trust);
        }
    }

    #[cold]
    fn recover(&mut self, moved: bool, trust: &Trust) {
        if self.condition == Condition::Doubtful(ChannelFault::Stuck) && !moved && self.run == 0 {
            return;
        }
        if self.run == 0 {
            // After a break the old measurements are no company for the new.
            self.believed = [self.latest(); 3];
        }
        self.not_believed = None;
        self.run = self.run.saturating_add(1);
        if self.run >= trust.good_run {
            self.condition = Condition::Good;
            self.jump = None;
        }
    }

    fn doubt(&mut self, fault: ChannelFault) {
        self.condition = Condition::Doubtful(fault);
        self.run = 0;
        self.not_believed = None;
    }

    /// The range of what it shows, not good, if it shows anything. It ages as one that is believed does.
    #[cold]
    fn shown_doubtful(&self, now: Uptime) -> Option<(Celsius, Celsius)> {
        // What only a comparison doubts still shows what it shows.
        let is_compared =
            matches!(self.condition, Condition::Doubtful(ChannelFault::Stuck | ChannelFault::Disagreement));
        if self.run > 0 || is_compared {
            return Some(self.range(now));
        }
        self.not_believed.map(|(t, at)| {
            let drift = self.fastest.over(now.since(at));
            (t.lowered(drift), t.raised(drift))
        })
    }

    fn is_good(&self, role: Role) -> bool {
        self.role == role && matches!(self.condition, Condition::Good)
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
        let [latest, a, b] = self.believed;
        // The colder of latest and median, without sorting: the median is at most the warmer of the other two, and that where
        // the latest is warmer still. Likewise the warmer.
        let (low, high) = (latest.min(a.max(b)), latest.max(a.min(b)));
        if self.believed_at == now {
            return (low, high);
        }
        let drift = self.fastest.over(now.since(self.believed_at));
        (low.lowered(drift), high.raised(drift))
    }
}

/// The least and the most that a lead measured alone may show, to half a step of resistance; anything where none is.
fn lead_band(channel: &settings::Channel) -> (Ratio, Ratio) {
    let Some((least, most)) = channel.leads.band() else { return (Ratio::ZERO, Ratio::MAX) };
    let reference = u64::from(channel.reference.as_steps()).max(1);
    // In half steps: 33 + 29 bits.
    let halves = |r: Ohms| u64::from(r.as_steps()).saturating_mul(2);
    let least = (halves(least).saturating_sub(1) << 29).div_ceil(reference);
    let most = (halves(most).saturating_add(1) << 29).checked_div(reference).unwrap_or(u64::MAX);
    let ratio = |steps: u64| u32::try_from(steps).map_or(Ratio::MAX, Ratio::from_steps);
    (ratio(least), ratio(most))
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

/// A resistance where temperatures stand: differing where that differs.
const fn as_if(ohms: Ohms) -> Celsius {
    Celsius::from_steps(ohms.as_steps().cast_signed())
}

impl Movement {
    /// Sets the anchor anew where the channel has moved far from it.
    fn follow(&mut self, now: Uptime, latest: Celsius, far: Kelvins) {
        if self.anchor_at == Uptime::NEVER || !latest.is_within(far, self.anchor) {
            self.move_began = self.anchor_at;
            self.anchor = latest;
            self.anchor_at = now;
        }
    }
}

/// The channels of one role, added up.
#[derive(Clone, Copy)]
struct Roll {
    /// Over the good ones, the ends of their ranges.
    coldest: Celsius,
    hottest: Celsius,
    starting: bool,
    doubt: Option<ChannelFault>,
}

impl Roll {
    /// How far apart the good ones may lie; negative while there is none.
    fn spread(&self) -> Kelvins {
        self.hottest.above(self.coldest)
    }

    /// For channels without temperatures.
    fn standing(&self) -> Group {
        match *self {
            Self { doubt: Some(fault), .. } => Group::Doubtful(fault),
            Self { starting: true, .. } => Group::Starting,
            _ => Group::Absent,
        }
    }

    fn group(&self) -> Group {
        match *self {
            Self { doubt: Some(fault), .. } => Group::Doubtful(fault),
            Self { starting: true, .. } => Group::Starting,
            Self { coldest, hottest, .. } if coldest <= hottest => {
                Group::Good { coldest: coldest.lowered(ROUNDING), hottest: hottest.raised(ROUNDING) }
            }
            _ => Group::Absent,
        }
    }
}

/// All channels, added up by role in one pass.
#[derive(Clone, Copy)]
struct Rolls {
    cells: Roll,
    pads: Roll,
    ambients: Roll,
    checks: Roll,
    /// The lowest that a cell which is not good shows, and how far the hottest of all that are not good lies above its cut-out. It may be
    /// true: what shows cold must soak, what shows hot cuts the heater out.
    doubtful_coldest: Celsius,
    doubtful_above_cutout: Kelvins,
    a_jump_lasts: bool,
}

impl Rolls {
    #[inline]
    fn new() -> Self {
        let empty = Roll { coldest: Celsius::MAX, hottest: Celsius::MIN, starting: false, doubt: None };
        Self {
            cells: empty,
            pads: empty,
            ambients: empty,
            checks: empty,
            doubtful_coldest: Celsius::MAX,
            doubtful_above_cutout: Celsius::MIN.above(Celsius::MAX),
            a_jump_lasts: false,
        }
    }

    #[inline]
    fn of(&mut self, role: Role) -> &mut Roll {
        match role {
            Role::Cell => &mut self.cells,
            Role::Pad => &mut self.pads,
            Role::Ambient => &mut self.ambients,
            Role::Check(_) => &mut self.checks,
        }
    }

    #[inline]
    fn include(&mut self, now: Uptime, channel: &Channel, cutouts: Cutouts) {
        if matches!(channel.condition, Condition::Good) {
            let (low, high) = channel.range(now);
            let roll = self.of(channel.role);
            roll.coldest = roll.coldest.min(low);
            roll.hottest = roll.hottest.max(high);
        } else {
            self.include_doubtful(now, channel, cutouts);
        }
    }

    #[cold]
    fn include_doubtful(&mut self, now: Uptime, channel: &Channel, cutouts: Cutouts) {
        self.a_jump_lasts |= channel.jump.is_some_and(|jump| jump.lasts);
        let roll = self.of(channel.role);
        match channel.condition {
            Condition::Doubtful(fault) => roll.doubt = roll.doubt.or(Some(fault)),
            Condition::Starting => roll.starting = true,
            Condition::Good => {}
        }
        let (Some((low, high)), Some(cutout)) = (channel.shown_doubtful(now), cutouts.of(channel.role)) else { return };
        if channel.role == Role::Cell {
            self.doubtful_coldest = self.doubtful_coldest.min(low);
        }
        self.doubtful_above_cutout = self.doubtful_above_cutout.max(high.above(cutout));
    }

    fn have_doubt(&self) -> bool {
        self.cells.doubt.is_some()
            || self.pads.doubt.is_some()
            || self.ambients.doubt.is_some()
            || self.checks.doubt.is_some()
    }

    fn widest(&self) -> Kelvins {
        self.cells.spread().max(self.pads.spread()).max(self.ambients.spread())
    }

    fn above_cutout(&self, cutouts: Cutouts) -> Kelvins {
        let by_cell = self.cells.hottest.max(self.ambients.hottest).above(cutouts.cell);
        by_cell.max(self.pads.hottest.above(cutouts.pad)).max(self.doubtful_above_cutout).plus(ROUNDING)
    }
}

#[cfg(test)]
mod tests;

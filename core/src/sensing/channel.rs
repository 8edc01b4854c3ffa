//! One channel: ratio → ohms → degrees Celsius, and whether that is believed.

use crate::clock::Uptime;
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, KelvinRate, Kelvins, Millis, Ohms, Ratio};
use crate::rtd::{Measured, OutOfRange, RANGE_HIGH, RANGE_LOW, Thermometer};
use crate::settings::{self, Role, Settings, Trust};
use crate::signals::Sample;

/// How long a jump must stand before it must survive a restart. Shorter ones come from loose contacts and switched
/// loads, and memory wears.
const JUMP_LASTS: Millis = Millis::from_secs(30);

/// Whether a channel is believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Condition {
    /// Since a reset it has not completed a run of good readings.
    Starting,
    Good,
    Doubtful(ChannelFault),
}

/// What moved and what stood still, for the stuck judgement.
#[derive(Clone, Copy, Debug, Hash)]
pub(super) struct Movement {
    /// The measurement has been the same to the last digit since then.
    pub(super) still_since: Uptime,
    /// The reading that moves are measured from. It is set anew each time the channel has moved far from it.
    anchor: Celsius,
    anchor_at: Uptime,
    /// When the last far move began: when the anchor before this one was set.
    pub(super) move_began: Uptime,
}

/// A change that no place can make, not undone yet.
#[derive(Clone, Copy, Debug, Hash)]
pub(super) struct Jump {
    /// When it was first seen.
    since: Uptime,
    /// Half its size. A reading that has come back by more than that is back. No reading is back from a jump before a
    /// restart.
    half: Kelvins,
    /// Whether it has stood for [`JUMP_LASTS`]. From then on time alone does not make it more believable, and a restart
    /// does not end it.
    pub(super) lasts: bool,
}

/// One channel: its constants, then its memory.
#[derive(Clone, Debug, Hash)]
pub(super) struct Channel {
    thermometer: Thermometer,
    reference: Ohms,
    known_leads: Ohms,
    /// The least and the most that a lead measured alone may show; anything where none is.
    lead_band: (Ratio, Ratio),
    offset: Kelvins,
    pub(super) role: Role,
    pub(super) fastest: KelvinRate,
    /// For a check resistor, the least and the most that it may measure. Its resistance then takes the place of
    /// temperatures, and only counts for whether it has moved.
    pub(super) band: Option<(Ohms, Ohms)>,

    pub(super) condition: Condition,
    /// Good measurements in a row, up to the run that is asked for.
    run: u8,
    /// The last three measurements that were believed, latest first.
    pub(super) believed: [Celsius; 3],
    /// The latest measurement that was plausible but not believed, and when it came in: it ages like any other. It
    /// counts until one is believed or there is none any more.
    pub(super) not_believed: Option<(Celsius, Uptime)>,
    /// When the latest believed measurement came in.
    pub(super) believed_at: Uptime,
    /// The lowest and the highest that the place can have been then, by all readings before. Each reading allows for
    /// the time since it, none for its noise. A comparison with the latest alone would grant the noise anew in each
    /// step: a climb in small steps would pass at any speed.
    pub(super) envelope: (Celsius, Celsius),
    /// A change that no place can make, from when it is seen until the channel is good again.
    pub(super) jump: Option<Jump>,
    pub(super) movement: Movement,
}

impl Channel {
    pub(super) fn new(channel: &settings::Channel, settings: &Settings) -> Self {
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

    pub(super) fn move_back(&mut self, span: Millis) {
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

    /// The same without what can no longer decide anything.
    #[cfg(test)]
    pub(super) fn canonical(&mut self, judges_stills: bool) {
        if !judges_stills {
            self.movement = Movement {
                still_since: Uptime::START,
                anchor: Celsius::ZERO,
                anchor_at: Uptime::NEVER,
                move_began: Uptime::NEVER,
            };
        }
        // The first good reading overwrites them, and until then only a comparison reads them.
        let is_compared =
            matches!(self.condition, Condition::Doubtful(ChannelFault::Stuck | ChannelFault::Disagreement));
        if self.run == 0 && !matches!(self.condition, Condition::Good) && !is_compared {
            self.believed = [self.latest(); 3];
        }
    }

    #[inline]
    pub(super) fn take(&mut self, now: Uptime, sample: &Sample, trust: &Trust) {
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

    /// Ratio → ohms → degrees Celsius, or why that gives no temperature, or none that can be believed.
    #[inline]
    pub(super) fn reading(&self, measured: Measured, trust: &Trust) -> Result<Celsius, ChannelFault> {
        let (least, most) = self.lead_band;
        if measured.lead < least || measured.lead > most {
            return Err(self.unfit_lead(measured));
        }
        // The lead measures more than element and lead together: there is a short somewhere.
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

    /// Open or short, if the channel reads so before the lead is taken away. Otherwise the lead is wrong.
    #[cold]
    fn unfit_lead(&self, measured: Measured) -> ChannelFault {
        let Some(ohms) = measured.element.of(self.reference) else { return ChannelFault::Open };
        match self.thermometer.celsius(ohms).map_err(|side| self.out_of_working_range(ohms, side)) {
            Err(fault @ (ChannelFault::Open | ChannelFault::Short)) if self.band.is_none() => fault,
            Ok(_) | Err(_) => ChannelFault::Leads,
        }
    }

    /// Separates a broken lead and a short from a temperature that cannot be here.
    #[cold]
    fn out_of_working_range(&self, ohms: Ohms, side: OutOfRange) -> ChannelFault {
        // The equation forwards gives what the extremes of the standard would show, without a division.
        let shows = |t| self.thermometer.element().resistance(t);
        match side {
            OutOfRange::Below if shows(RANGE_LOW).is_ok_and(|least| ohms < least) => ChannelFault::Short,
            OutOfRange::Above if shows(RANGE_HIGH).is_ok_and(|most| ohms > most) => ChannelFault::Open,
            OutOfRange::Below | OutOfRange::Above => ChannelFault::OutOfRange,
        }
    }

    /// Compares with all that was believed before. The more time has passed since, the larger a change is believable.
    #[inline]
    pub(super) fn is_too_fast(&self, now: Uptime, t: Celsius, trust: &Trust) -> bool {
        let (floor, ceiling) = self.envelope;
        let (floor, ceiling) = (floor.lowered(trust.noise), ceiling.raised(trust.noise));
        // Nearly every change is noise; the product is for the others.
        if floor <= t && t <= ceiling {
            return false;
        }
        let drift = self.fastest.over(now.since(self.believed_at));
        t < floor.lowered(drift) || t > ceiling.raised(drift)
    }

    /// Whether a channel that has jumped is not back where it was. Time makes only half of the way believable. A jump
    /// that lasts must end as suddenly as it began: a thermometer that has fallen off drifts with the air, past where
    /// it was.
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

    /// Whether `t` differs, in any digit, from the latest measurement that was not believed.
    fn shows_anew(&self, t: Celsius) -> bool {
        self.not_believed.is_none_or(|(before, _)| before != t)
    }

    /// Whether a jump is kept in mind. A jump in air may be an opened lid, and the air permits nothing.
    pub(super) const fn can_jump(&self) -> bool {
        matches!(self.role, Role::Cell | Role::Pad)
    }

    /// It had jumped before the reset.
    pub(super) fn recall_jump(&mut self) {
        self.condition = Condition::Doubtful(ChannelFault::Jumped);
        self.jump = Some(Jump { since: Uptime::START, half: Kelvins::ZERO, lasts: true });
    }

    /// The next reading is a new beginning.
    pub(super) fn accept(&mut self) {
        self.jump = None;
        self.envelope = (Celsius::MIN, Celsius::MAX);
    }

    #[inline]
    pub(super) fn believe(&mut self, now: Uptime, t: Celsius, trust: &Trust) {
        let [latest, before, _] = self.believed;
        // A value that it showed before it was believed is nothing new.
        let moved = t != latest && self.shows_anew(t);
        if moved {
            self.movement.still_since = now;
        }
        self.believed = [t, latest, before];
        // A check resistor is believed anywhere within its band.
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
            // After a break the old measurements must not enter the median.
            self.believed = [self.latest(); 3];
        }
        self.not_believed = None;
        self.run = self.run.saturating_add(1);
        if self.run >= trust.good_run {
            self.condition = Condition::Good;
            self.jump = None;
        }
    }

    pub(super) fn doubt(&mut self, fault: ChannelFault) {
        self.condition = Condition::Doubtful(fault);
        self.run = 0;
        self.not_believed = None;
    }

    /// The range of a channel that is not good, if it shows anything. It ages like a believed one.
    #[cold]
    pub(super) fn shown_doubtful(&self, now: Uptime) -> Option<(Celsius, Celsius)> {
        // A channel that only a comparison doubts still shows a temperature.
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

    pub(super) fn is_good(&self, role: Role) -> bool {
        self.role == role && matches!(self.condition, Condition::Good)
    }

    pub(super) fn latest(&self) -> Celsius {
        let [latest, ..] = self.believed;
        latest
    }

    pub(super) fn median(&self) -> Celsius {
        let [a, b, c] = self.believed;
        a.min(b).max(a.max(b).min(c))
    }

    /// Low and high end: the latest measurement and the median, which drift apart with the age of the latest.
    #[inline]
    pub(super) fn range(&self, now: Uptime) -> (Celsius, Celsius) {
        let (latest, median) = (self.latest(), self.median());
        let (low, high) = (latest.min(median), latest.max(median));
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

/// A resistance in the place of a temperature: different resistances give different values.
const fn as_if(ohms: Ohms) -> Celsius {
    Celsius::from_steps(ohms.as_steps().cast_signed())
}

impl Movement {
    #[cfg(test)]
    pub(super) fn moments(&mut self) -> [&mut Uptime; 3] {
        [&mut self.still_since, &mut self.anchor_at, &mut self.move_began]
    }

    /// Whether [`Movement::follow`] keeps its anchor as long as the channel shows something between these two.
    #[cfg(feature = "leap")]
    pub(super) fn stays_by_its_anchor(&self, low: Celsius, high: Celsius, far: Kelvins) -> bool {
        self.anchor_at != Uptime::NEVER && low.is_within(far, self.anchor) && high.is_within(far, self.anchor)
    }

    /// Sets the anchor anew where the channel has moved far from it.
    pub(super) fn follow(&mut self, now: Uptime, latest: Celsius, far: Kelvins) {
        if self.anchor_at == Uptime::NEVER || !latest.is_within(far, self.anchor) {
            self.move_began = self.anchor_at;
            self.anchor = latest;
            self.anchor_at = now;
        }
    }
}

//! A channel as the guard sees it: ratios, never temperatures.
//!
//! The guard turns each threshold once, by the standard's equation forwards, into the ratio that the channel shows
//! there. It compares readings with that ratio.

use super::MARGIN;
use super::sight::Sight;
use crate::clock::Uptime;
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, Kelvins, Milliamps, Millis, Ohms, Ratio};
use crate::rtd::{Leads, Measured};
use crate::settings::{self, Check, MAX_CEILING_POINTS, Role, Settings, each};
use crate::signals::Sample;
use heapless::Vec;

/// Steepest rise of the resistance ratio in the working range, per kelvin, in steps of 2⁻³⁰: 0.0042, above any platinum
/// that [`Coefficients`](crate::rtd::Coefficients) accepts. Where the slope is gentler (the nominal 0.0039 at the ice
/// point), a rate in ratio allows that much more in kelvins. So the controller doubts first, and the guard doubts
/// nothing that the controller believes.
const STEEPEST: u64 = 4_509_716;

/// A compensated ratio in steps of 2⁻³⁰: element and leads, less the lead measured alone.
type Steps = u32;

/// [`Ratio`] is in steps of 2⁻³⁰.
const RATIO_BITS: u32 = 30;

/// [`Kelvins`] are in steps of 2⁻¹⁶ K.
const KELVIN_BITS: u32 = 16;

/// Rates are kept in steps of 2⁻¹² [`Steps`] a millisecond: the finest whose product with 49.7 days fits in 64 bits.
const RATE_BITS: u32 = 12;

const MS_PER_MINUTE: u64 = 60_000;

/// The divisor from (2⁻¹⁶ K a minute) × (2⁻³⁰ a kelvin) to (2⁻⁴² a millisecond):
/// 2⁻¹⁶ ⋅ 2⁻³⁰ ∕ 60 000 = 2⁻⁴² ∕ (60 000 ⋅ 2⁴).
const PER_MS: u64 = MS_PER_MINUTE << (KELVIN_BITS - RATE_BITS);

/// What it takes to believe a channel.
#[derive(Clone, Copy, Debug, Hash)]
pub(super) struct Belief {
    /// Readings in a row.
    pub(super) good_run: u8,
    /// How old the latest may be.
    pub(super) max_age: Millis,
}

/// One channel as the guard sees it: limits first, then what it remembers.
#[derive(Clone, Debug, Hash)]
pub(super) struct Channel {
    role: Role,
    /// Below this or above the next the reading is implausible.
    lowest: Steps,
    highest: Steps,
    /// The least and the most that a lead measured alone may show.
    leads: (Steps, Steps),
    /// At or below this a cell is cold.
    inhibit: Steps,
    /// At or above this a cell is too hot to charge.
    high_limit: Steps,
    /// At or above this the heater is cut out.
    cutout: Steps,
    /// At or above this the heater is latched off.
    over: Steps,
    /// The ratios at the points of the ceiling.
    points: Vec<Steps, MAX_CEILING_POINTS>,
    /// How far the ratio bends away from a straight line between them where the ceiling falls.
    bend: Steps,
    /// Change that is always believed, at the steepest slope.
    noise: Steps,
    /// Fastest believable change per millisecond at the steepest slope, in steps of 2⁻¹² steps: see [`RATE_BITS`].
    fastest: u32,
    /// The same for drift: towards cold by the slope above inhibit, towards hot by the slope at the hottest threshold.
    cools: u32,
    warms: u32,

    /// What was measured last, believed or not.
    shown: Measured,
    /// The latest reading that was believed.
    latest: Steps,
    /// When it came in.
    latest_at: Uptime,
    /// The lowest and the highest that was possible then, by all believed readings, without their noise.
    least: Steps,
    most: Steps,
    /// Whether the latest sample was not believed, or there is none.
    broken: bool,
    /// Believed readings in a row, up to the run that is asked for.
    run: u8,
    /// The latest reading that was plausible but not believed, and when it came in: it ages like any other. It counts
    /// until one is believed or there is none any more.
    not_believed: Option<(Steps, Uptime)>,
}

impl Channel {
    pub(super) fn new(channel: &settings::Channel, settings: &Settings) -> Self {
        if let Role::Check(check) = channel.role {
            return Self::of_check(channel, check);
        }
        let (heater, trust) = (&settings.heater, &settings.trust);
        let (cutout, fastest) = match channel.role {
            Role::Pad => (heater.cutout_pad, trust.fastest_pad),
            Role::Ambient => (heater.cutout_cell, trust.fastest_ambient),
            Role::Cell | Role::Check(_) => (heater.cutout_cell, trust.fastest_cell),
        };
        let shows = |t: Celsius| ratio_at(channel, t);
        let per_kelvin = steepest(channel);
        let per_minute = u64::from(fastest.over(Millis::from_secs(60)).as_steps().unsigned_abs());
        let noise = u64::from(settings.trust.noise.as_steps().unsigned_abs());
        // 26 bits, and 24 for an element of twice the reference: 30 bits are left.
        let scaled = |per_kelvin: u64| per_minute.saturating_mul(per_kelvin);
        let hottest = settings.charge.high_limit.max(cutout);
        let coolest = settings.charge.inhibit.raised(fastest.over(settings.trust.max_age)).min(hottest);
        // Rounded down: the controller comes first.
        let drifting = |at: Celsius| to_steps(scaled(slope_above(channel, at)) / PER_MS);
        Self {
            // A channel that shows nothing at its threshold is never plausible. Validation has refused it; if not, all
            // is off.
            lowest: shows(settings.trust.plausible_low.raised(MARGIN)).unwrap_or(Steps::MAX),
            highest: shows(settings.trust.plausible_high.lowered(MARGIN)).unwrap_or(0),
            inhibit: shows(settings.charge.inhibit.raised(MARGIN)).unwrap_or(Steps::MAX),
            high_limit: shows(settings.charge.high_limit.lowered(MARGIN)).unwrap_or(0),
            cutout: shows(cutout.lowered(MARGIN)).unwrap_or(0),
            over: shows(cutout.raised(settings.heater.over_temperature).lowered(MARGIN)).unwrap_or(0),
            points: each(&settings.charge.ceiling, |_, point| shows(point.at).unwrap_or(Steps::MAX)),
            bend: most_bend(channel, &settings.charge.ceiling),
            // 2⁻¹⁶ K × (2⁻³⁰ a kelvin) = 2⁻⁴⁶, rounded up to 2⁻³⁰.
            noise: to_steps(noise.saturating_mul(per_kelvin).div_ceil(1 << KELVIN_BITS)),
            fastest: to_steps(scaled(per_kelvin).div_ceil(PER_MS)),
            cools: drifting(coolest),
            warms: drifting(hottest),
            ..Self::unseen(channel)
        }
    }

    /// A check resistor. Its limits are the ratios at the two ends of its band. It is never cold, hot or too fast.
    fn of_check(channel: &settings::Channel, check: Check) -> Self {
        let middle = to_ratio(check.nominal.plus(channel.leads.known()), channel.reference);
        // Outwards by a step of the controller's resistance, so that the controller comes first.
        let within = to_ratio(check.within.plus(Ohms::from_steps(1)), channel.reference);
        let (lowest, highest) = match middle.zip(within) {
            Some((middle, within)) => (middle.saturating_sub(within), middle.saturating_add(within).saturating_add(1)),
            None => (Steps::MAX, 0),
        };
        Self { lowest, highest, ..Self::unseen(channel) }
    }

    /// A channel that has shown nothing yet and is never cold, hot or too fast. The limits of its role come on top.
    fn unseen(channel: &settings::Channel) -> Self {
        Self {
            role: channel.role,
            lowest: Steps::MAX,
            highest: 0,
            leads: lead_band(channel),
            inhibit: 0,
            high_limit: Steps::MAX,
            cutout: Steps::MAX,
            over: Steps::MAX,
            points: Vec::new(),
            bend: 0,
            noise: Steps::MAX,
            fastest: u32::MAX,
            cools: 0,
            warms: 0,
            shown: Measured::element(Ratio::ZERO),
            latest: 0,
            latest_at: Uptime::NEVER,
            least: 0,
            most: Steps::MAX,
            broken: true,
            run: 0,
            not_believed: None,
        }
    }

    /// Takes in what its converter brought, and returns what it shows. `told` is the fault for which the controller
    /// doubts it.
    #[inline]
    pub(super) fn look(&mut self, now: Uptime, sample: &Sample, belief: Belief, told: Option<ChannelFault>) -> Sight {
        let is_new = self.shows_anew(sample);
        self.take(now, sample, belief);
        let shown = if self.broken { self.sight_broken() } else { self.sight(now, belief.good_run, told.is_some()) };
        let sight = shown.with_if(is_new, Sight::MOVED);
        match told {
            Some(fault) => sight.with(self.is_told(fault)),
            None => sight,
        }
    }

    #[cfg(test)]
    pub(super) const fn is_broken(&self) -> bool {
        self.broken
    }

    /// Whether it has just given one more good reading after a run of them.
    #[cfg(feature = "leap")]
    pub(super) fn is_believed(&self, now: Uptime, good_run: u8) -> bool {
        !self.broken && self.run >= good_run && self.latest_at == now
    }

    /// Some readings were believed, the last of them now.
    #[cfg(feature = "leap")]
    pub(super) fn pass(&mut self, now: Uptime, sample: &Sample) {
        if let Sample::Fresh(measured) = sample {
            self.shown = *measured;
            self.latest = measured.element.less(measured.lead).map_or(self.latest, Ratio::as_steps);
        }
        self.latest_at = now;
        self.accept_jump();
    }

    pub(super) fn move_back(&mut self, span: Millis) {
        self.latest_at = self.latest_at.moved_back(span);
        if let Some((_, at)) = &mut self.not_believed {
            *at = at.moved_back(span);
        }
    }

    #[cfg(test)]
    pub(super) fn forget_what_is_shown(&mut self) {
        self.shown = Measured::element(Ratio::ZERO);
    }

    /// The next reading does not count as a jump.
    pub(super) fn accept_jump(&mut self) {
        (self.least, self.most) = (0, Steps::MAX);
    }

    /// Whether the sample differs in any digit from the one before.
    #[inline]
    fn shows_anew(&mut self, sample: &Sample) -> bool {
        let Sample::Fresh(measured) = sample else { return false };
        let is_new = *measured != self.shown;
        self.shown = *measured;
        is_new
    }

    #[inline]
    fn take(&mut self, now: Uptime, sample: &Sample, belief: Belief) {
        let Belief { good_run, max_age } = belief;
        match sample {
            Sample::Fresh(measured) if !self.lead_fits(measured.lead) => self.shows_nothing(),
            Sample::Fresh(measured) => match measured.element.less(measured.lead).map(Ratio::as_steps) {
                Some(steps) if steps >= self.lowest && steps <= self.highest => {
                    if self.is_too_fast(now, steps) {
                        self.shows_nothing();
                        self.not_believed = Some((steps, now));
                    } else {
                        let drift = to_steps(self.drift(now));
                        self.least = self.least.saturating_sub(drift).max(steps);
                        self.most = self.most.saturating_add(drift).min(steps);
                        self.broken = false;
                        self.run = self.run.saturating_add(1).min(good_run);
                        self.latest = steps;
                        self.latest_at = now;
                    }
                }
                Some(_) | None => self.shows_nothing(),
            },
            Sample::None => {
                let latest_at = self.not_believed.map_or(self.latest_at, |(_, at)| at.max(self.latest_at));
                if now.since(latest_at.max(Uptime::START)) > max_age {
                    self.shows_nothing();
                }
            }
            Sample::ConverterFault => self.shows_nothing(),
        }
    }

    /// The controller doubts this channel, whatever the guard sees. It doubts a jump for longer than the guard takes to
    /// believe it. While it does, nobody knows the temperature of the place. It may never have left where it was, so
    /// the way back is no jump.
    #[cold]
    fn is_told(&mut self, fault: ChannelFault) -> Sight {
        if !self.broken && matches!(fault, ChannelFault::TooFast | ChannelFault::Jumped) {
            self.accept_jump();
        }
        match self.role {
            Role::Cell | Role::Check(_) => Sight::CELL_IS_TOLD,
            Role::Pad => Sight::PAD_DOUBTED,
            Role::Ambient => Sight::NOTHING,
        }
    }

    /// What it shows, if it is not broken.
    #[inline]
    fn sight(&self, now: Uptime, good_run: u8, is_told: bool) -> Sight {
        let (low, high) = self.range(now);
        let mut sight = Sight::NOTHING;
        if high >= self.cutout {
            // It latches, so a trusted channel must have shown it. Drift, a spike or a channel that the controller
            // doubts does not do.
            let is_over = self.latest >= self.over && self.run >= good_run && !is_told;
            sight = Sight::CUT_OUT.with_if(is_over, Sight::OVER_TEMPERATURE);
        }
        match self.role {
            Role::Cell => sight
                .with_if(self.run < good_run, Sight::CELL_UNPROVEN)
                .with_if(low <= self.inhibit, Sight::COLD)
                .with_if(high >= self.high_limit, Sight::TOO_HOT_TO_CHARGE),
            Role::Pad | Role::Check(_) => sight,
            Role::Ambient => sight.with_if(self.latest < self.cutout, Sight::AIR_IS_COOL),
        }
    }

    /// What a broken channel shows. It is not believed, yet it may be true: a cold cell must soak, a hot place cuts the
    /// heater out.
    #[cold]
    fn sight_broken(&self) -> Sight {
        let shows = |what: fn(&Self, Steps) -> bool| self.not_believed.is_some_and(|(steps, _)| what(self, steps));
        let sight = Sight::NOTHING.with_if(shows(|channel, steps| steps >= channel.cutout), Sight::CUT_OUT);
        match self.role {
            Role::Cell => {
                sight.with(Sight::CELL_BROKEN).with_if(shows(|channel, steps| steps <= channel.inhibit), Sight::COLD)
            }
            // If the check resistor is off, every cell may be.
            Role::Check(_) => sight.with(Sight::CELL_BROKEN),
            Role::Pad => sight.with(Sight::PAD_DOUBTED),
            Role::Ambient => sight.with(Sight::AIR_IS_COOL),
        }
    }

    #[inline]
    const fn lead_fits(&self, lead: Ratio) -> bool {
        self.leads.0 <= lead.as_steps() && lead.as_steps() <= self.leads.1
    }

    #[cold]
    fn shows_nothing(&mut self) {
        self.broken = true;
        self.run = 0;
        self.not_believed = None;
    }

    #[inline]
    fn is_too_fast(&self, now: Uptime, steps: Steps) -> bool {
        let change = steps.saturating_sub(self.most).max(self.least.saturating_sub(steps));
        change > self.noise && u64::from(change) > u64::from(self.noise).saturating_add(self.drift(now))
    }

    /// How far the reading can have moved since it was taken, at the steepest slope.
    fn drift(&self, now: Uptime) -> u64 {
        self.moved(self.fastest, now).saturating_add(1)
    }

    fn moved(&self, per_ms: u32, now: Uptime) -> u64 {
        let age = u64::from(now.since(self.latest_at).as_millis());
        // 32 + 32 bits.
        u64::from(per_ms).saturating_mul(age) >> RATE_BITS
    }

    /// Whether it is no cell, or one that can take `current` anywhere in its present range.
    pub(super) fn can_take(&self, current: Milliamps, now: Uptime, ceiling: &[Milliamps]) -> bool {
        let (low, high) = self.range(now);
        self.role != Role::Cell || (self.allows(current, low, ceiling) && self.allows(current, high, ceiling))
    }

    /// Whether a cell that shows `shown` can take `current`, by what it may take at the points of the ceiling. Between
    /// them the ceiling is straight in ratio here, and straight in temperature in the controller. The controller comes
    /// first: on a ceiling that rises, because the ratio bends; on one that falls, because the bend is taken off.
    fn allows(&self, current: Milliamps, shown: Steps, ceiling: &[Milliamps]) -> bool {
        let mut below: Option<(Steps, Milliamps)> = None;
        for (&at, &limit) in self.points.iter().zip(ceiling) {
            let Some((from, low)) = below.replace((at, limit)) else {
                if shown <= at {
                    return current <= limit;
                }
                continue;
            };
            if shown > at {
                continue;
            }
            let mut into = shown.saturating_sub(from);
            if limit < low {
                into = into.saturating_sub(self.bend);
            }
            // 32 + 32 bits each.
            let wide = |amps: Milliamps, steps: Steps| u64::from(amps.as_milliamps()).saturating_mul(steps.into());
            let (whole, rest) = (at.saturating_sub(from), at.saturating_sub(from).saturating_sub(into));
            return wide(current, whole) <= wide(low, rest).saturating_add(wide(limit, into));
        }
        below.is_some_and(|(_, limit)| current <= limit)
    }

    /// The lowest and the highest that the channel can be at now.
    ///
    /// The ratio rises less steeply where it is warmer. Drift by the steepest slope would be more than the
    /// controller's, and would take what the controller still gives. Drift by the slope at the warm end of what is
    /// compared is a little less, by 0.03 % for each kelvin from there.
    #[inline]
    fn range(&self, now: Uptime) -> (Steps, Steps) {
        if self.latest_at == now {
            return (self.latest, self.latest);
        }
        let (down, up) = (to_steps(self.moved(self.cools, now)), to_steps(self.moved(self.warms, now)));
        (self.latest.saturating_sub(down), self.latest.saturating_add(up))
    }
}

/// The compensated ratio that a channel shows at `t`: the element at `t` less its offset, plus the leads not measured
/// alone.
fn ratio_at(channel: &settings::Channel, t: Celsius) -> Option<Steps> {
    let element = channel.element.resistance(t.lowered(channel.offset)).ok()?;
    to_ratio(element.plus(channel.leads.known()), channel.reference)
}

/// The least and the most that a lead measured alone may show; anything if none is. Both lie a step of the controller's
/// resistance further out, so the controller comes first.
fn lead_band(channel: &settings::Channel) -> (Steps, Steps) {
    let Leads::ThreeWire { least, most } = channel.leads else { return (0, Steps::MAX) };
    let step = Ohms::from_steps(1);
    let shows = |r: Ohms| to_ratio(r, channel.reference).unwrap_or(Steps::MAX);
    (shows(least.less(step).unwrap_or(Ohms::ZERO)), shows(most.plus(step)))
}

fn to_ratio(shown: Ohms, reference: Ohms) -> Option<Steps> {
    // 32 + 30 bits.
    let ratio = (u64::from(shown.as_steps()) << RATIO_BITS).checked_div(u64::from(reference.as_steps()))?;
    u32::try_from(ratio).ok()
}

/// The most that the ratio bends away from the straight line between two points of the ceiling; only where the ceiling
/// falls.
///
/// It bends most half-way, by 0.08 K over 45 K: C₂/C₁ of the standard's equation, times a quarter of the square. On a
/// ceiling that rises, the straight line reads warmer and so allows more. On one that falls, it would allow less than
/// the controller does.
fn most_bend(channel: &settings::Channel, points: &[settings::CeilingPoint]) -> Steps {
    let mut most = 0;
    for (from, to) in points.iter().zip(points.iter().skip(1)).filter(|(from, to)| from.limit > to.limit) {
        let middle = from.at.raised(to.at.above(from.at).half());
        if let (Some(from), Some(middle), Some(to)) =
            (ratio_at(channel, from.at), ratio_at(channel, middle), ratio_at(channel, to.at))
        {
            let straight = u64::from(from).saturating_add(to.into()) / 2;
            most = most.max(to_steps(u64::from(middle).saturating_sub(straight)));
        }
    }
    most
}

/// Steps of ratio per kelvin from `at` upwards, rounded down; zero if the channel shows nothing there.
fn slope_above(channel: &settings::Channel, at: Celsius) -> u64 {
    let here_and_above = ratio_at(channel, at).zip(ratio_at(channel, at.raised(Kelvins::from_millikelvins(1_000))));
    here_and_above.map_or(0, |(here, above)| above.saturating_sub(here).into())
}

/// The most steps of ratio per kelvin.
fn steepest(channel: &settings::Channel) -> u64 {
    let r0 = u64::from(channel.element.r0().as_steps());
    // 32 + 23 bits.
    STEEPEST.saturating_mul(r0).checked_div(u64::from(channel.reference.as_steps())).unwrap_or(u64::MAX)
}

fn to_steps(value: u64) -> Steps {
    Steps::try_from(value).unwrap_or(Steps::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::settings;

    /// The guard's limits come from the equation forwards, the controller's readings from the table backwards. Each limit lies between
    /// nothing and two margins on the safe side of where the reading crosses the threshold.
    #[test]
    fn its_limits_lie_on_the_safe_side_of_the_readings() {
        let settings = settings();
        let channel = &settings.channels[0];
        let guard = Channel::new(channel, &settings);
        let thermometer = crate::rtd::Thermometer::new(channel.element);
        let reads =
            |steps: Steps| thermometer.celsius(Ratio::from_steps(steps).of(channel.reference).unwrap()).unwrap();
        let twice = MARGIN.plus(MARGIN);
        for (limit, threshold) in
            [(guard.inhibit, settings.charge.inhibit), (guard.lowest, settings.trust.plausible_low)]
        {
            assert!(reads(limit) > threshold && reads(limit) < threshold.raised(twice), "{}", reads(limit));
        }
        for (limit, threshold) in [
            (guard.high_limit, settings.charge.high_limit),
            (guard.cutout, settings.heater.cutout_cell),
            (guard.over, settings.heater.cutout_cell.raised(settings.heater.over_temperature)),
            (guard.highest, settings.trust.plausible_high),
        ] {
            assert!(reads(limit) < threshold && reads(limit) > threshold.lowered(twice), "{}", reads(limit));
        }
    }

    const BELIEF: Belief = Belief { good_run: 1, max_age: Millis::from_secs(30) };

    /// A channel without a lead of its own, so that its ratio is what its converter brings.
    fn four_wire(role: Role) -> settings::Channel {
        settings::Channel { role, leads: Leads::FourWire, ..settings().channels[0] }
    }

    fn shows(steps: Steps) -> Sample {
        Sample::Fresh(Measured::element(Ratio::from_steps(steps)))
    }

    #[test]
    fn a_limit_itself_is_beyond_and_a_digit_before_it_is_not() {
        type Limit = fn(&Channel) -> Steps;
        let limits: [(Role, Limit, i32, Sight, bool); 5] = [
            (Role::Cell, |channel| channel.inhibit, 1, Sight::COLD, true),
            (Role::Cell, |channel| channel.high_limit, -1, Sight::TOO_HOT_TO_CHARGE, true),
            (Role::Cell, |channel| channel.over, -1, Sight::OVER_TEMPERATURE, true),
            (Role::Pad, |channel| channel.cutout, -1, Sight::CUT_OUT, true),
            (Role::Ambient, |channel| channel.cutout, -1, Sight::AIR_IS_COOL, false),
        ];
        for (role, limit, before, sight, is_seen) in limits {
            let channel = Channel::new(&four_wire(role), &settings());
            let limit = limit(&channel);
            let sees = |steps| channel.clone().look(Uptime::START, &shows(steps), BELIEF, None).has(sight);
            assert_eq!(sees(limit), is_seen, "{sight:?}");
            assert_eq!(sees(limit.checked_add_signed(before).unwrap()), !is_seen, "{sight:?}");
        }
    }

    /// Whatever the element shows: here it shows the same.
    #[test]
    fn a_lead_beyond_what_its_cable_can_have_breaks_the_channel() {
        let (least, most) = (Ohms::from_milliohms(1_600), Ohms::from_milliohms(2_400));
        let made = settings::Channel { leads: Leads::ThreeWire { least, most }, ..settings().channels[0] };
        let element = ratio_at(&made, Celsius::from_millidegrees(10_000)).unwrap();
        let (least, most) = Channel::new(&made, &settings()).leads;
        for (lead, is_broken) in [(least - 1, true), (least, false), (most, false), (most + 1, true)] {
            let mut channel = Channel::new(&made, &settings());
            let measured = Measured { element: Ratio::from_steps(element + lead), lead: Ratio::from_steps(lead) };
            channel.look(Uptime::START, &Sample::Fresh(measured), BELIEF, None);
            assert_eq!(channel.broken, is_broken, "{lead}");
        }
    }

    #[test]
    fn as_fast_as_a_place_can_change_is_believed_and_a_digit_more_is_not() {
        let second = Uptime::START.plus(Millis::from_secs(1));
        for sign in [1, -1] {
            for (beyond, is_broken) in [(0, false), (1, true)] {
                let mut channel = Channel::new(&four_wire(Role::Cell), &settings());
                let from = ratio_at(&four_wire(Role::Cell), Celsius::from_millidegrees(10_000)).unwrap();
                channel.look(Uptime::START, &shows(from), BELIEF, None);
                let most = i32::try_from(u64::from(channel.noise) + channel.drift(second)).unwrap();
                channel.look(second, &shows(from.checked_add_signed(sign * (most + beyond)).unwrap()), BELIEF, None);
                assert_eq!(channel.broken, is_broken, "{sign} {beyond}");
            }
        }
    }

    /// It takes nothing from what the line in temperature allows, and allows nothing that the line does not some hundredths of a kelvin
    /// further.
    #[test]
    fn it_keeps_to_the_ceiling_that_is_straight_in_temperature() {
        // In millidegrees and milliamperes. The longer one of two pieces falls, or is level.
        let ceilings = [
            [(0, 100_000), (20_000, 500_000), (30_000, 500_000), (70_000, 100_000)],
            [(0, 100_000), (10_000, 500_000), (60_000, 500_000), (70_000, 100_000)],
        ];
        for points in ceilings {
            let mut settings = settings();
            let limits = points.map(|(_, limit)| Milliamps::from_milliamps(limit));
            settings.charge.ceiling = points
                .iter()
                .map(|&(at, limit)| settings::CeilingPoint {
                    at: Celsius::from_millidegrees(at),
                    limit: crate::quantity::Fraction::from_steps(limit),
                })
                .collect();
            let line = |t: i32| {
                let piece = points.windows(2).find(|piece| (piece[0].0..=piece[1].0).contains(&t));
                let Some(&[(from, low), (to, high)]) = piece else {
                    return if t < points[0].0 { points[0].1 } else { points[3].1 };
                };
                let (low, high) = (i64::from(low), i64::from(high));
                u32::try_from(low + (high - low) * i64::from(t - from) / i64::from(to - from)).unwrap()
            };
            let made = four_wire(Role::Cell);
            let channel = Channel::new(&made, &settings);
            for t in (-5_000..75_000).step_by(50) {
                let shown = ratio_at(&made, Celsius::from_millidegrees(t)).unwrap();
                let allows = |current| channel.allows(Milliamps::from_milliamps(current), shown, &limits);
                // A milliampere for the digits of the ratio.
                assert!(allows(line(t) - 1), "{t}");
                assert!(!allows(line(t - 70).max(line(t + 70)) + 1), "{t}");
            }
        }
    }
}

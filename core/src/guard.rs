//! A second judge that can only take permission away.
//!
//! It sees the raw inputs and what the controller asks for. It shares no code with the controller's judgement: it never
//! converts a reading to a temperature. Each threshold is turned once, by the standard's equation *forwards*, into the
//! ratio that the channel shows there, and readings are compared with that; the controller goes the other way, by the table. An error
//! in either shows as a disagreement, and disagreement means off.
//!
//! Each of its limits lies [`MARGIN`] on the safe side of the threshold, more than the two ways of computing can differ.
//!
//! What it upholds by itself, whatever it is asked for: charge is refused while a cell channel is missing, faulty by itself (converter, open, short,
//! implausible, too fast) or reads at or below inhibit, for the soak time after that, and at or above the high limit; the
//! heater is off with a cell or pad channel in such a fault, any channel at or above its cut-out, no energy that may be spent, the supply out of
//! range, a latched heater fault, a contact that stays closed, what must survive a restart not kept, or at the end of its maximum run; and neither with no channel that has shown anything new for
//! as long as the settings allow. Faults that need a comparison over hours or between
//! channels (stuck, disagreement, ineffective heater) are the controller's; what it reports of them, the guard enforces.

use crate::button::ResetButton;
use crate::clock::Uptime;
use crate::controller::Memory;
use crate::fault::{SystemFault, SystemFaults};
use crate::power::{Load, reserve_levels};
use crate::quantity::{Celsius, Instant, Kelvins, Millis, Millivolts, Milliwatts, Ratio};
use crate::rtd::Measured;
use crate::run::Parts;
use crate::settings::{self, BankUse, MAX_CHANNELS, MAX_SOURCES, Role, Settings, ValidSettings, each};
use crate::signals::{Inputs, Line, Outputs, Relay, Sample, Storage};
use heapless::Vec;

/// How far on the safe side of a threshold the guard's limit lies: half of the controller's [`ROUNDING`](crate::sensing::ROUNDING),
/// so that the controller comes first. The two ways of computing differ by at most 0.03 mK (see [`rtd`](crate::rtd)).
pub const MARGIN: Kelvins = Kelvins::from_steps(33);

/// Steepest rise of the resistance ratio in the working range, per kelvin, in steps of 2⁻³⁰: 0.0042, above any platinum that
/// [`Coefficients`](crate::rtd::Coefficients) accepts. Where the slope is gentler, the nominal 0.0039 at the ice point, a rate in ratio
/// allows that much more in kelvins: the controller doubts first, and the guard nothing that the controller believes.
const STEEPEST: u64 = 4_509_716;

/// How often the controller looks for channels that stand still.
const STILL_CHECK: Millis = Millis::from_secs(60);

/// A compensated ratio in steps of 2⁻³⁰: element and leads, less the lead measured alone.
type Steps = u32;

/// One channel as the guard sees it: limits first, then what it remembers.
#[derive(Clone, Debug)]
struct Channel {
    role: Role,
    /// Below this or above the next the reading is implausible.
    lowest: Steps,
    highest: Steps,
    /// At or below this a cell is cold.
    inhibit: Steps,
    /// At or above this a cell is too hot to charge.
    high_limit: Steps,
    /// At or above this the heater is cut out.
    cutout: Steps,
    /// At or above this the heater is latched off.
    over: Steps,
    /// Change that is always believed, at the steepest slope.
    noise: Steps,
    /// Fastest believable change per millisecond at the steepest slope, in steps of 2⁻¹² steps.
    fastest: u32,

    /// What was measured last, believed or not.
    shown: Measured,
    /// The latest reading that was believed.
    latest: Steps,
    /// When it came in.
    latest_at: Uptime,
    /// Whether the latest sample was not believed, or there is none.
    broken: bool,
    /// Believed readings in a row, up to the run that is asked for.
    run: u8,
    /// The latest reading that was plausible but not believed, until one is or there is none any more.
    /// With when it came in: it ages like any other.
    not_believed: Option<(Steps, Uptime)>,
}

/// The guard.
#[derive(Clone, Debug)]
pub struct Guard {
    channels: Vec<Channel, MAX_CHANNELS>,
    good_run: u8,
    max_age: Millis,
    max_step: Millis,
    soak: Millis,
    max_run: Millis,
    rest: Millis,
    follow_within: Millis,
    /// Time after which no channel having shown anything new means that none is measured, if that is judged: as long as the controller
    /// may take to find it.
    still_after: Option<Millis>,
    supply: (Millivolts, Millivolts),
    load: Load,
    budgets: [Milliwatts; MAX_SOURCES],
    bank: BankUse,

    before: Option<Instant>,
    uptime: Uptime,
    /// Time for which every cell channel has been good and above inhibit.
    warm_for: Millis,
    /// Time for which no channel has shown anything new.
    still_for: Millis,
    /// What the heater's run is kept in.
    parts: Parts,
    heater: Relay,
    /// Time since the heater was last switched; after a reset, as long as it has surely been off.
    since_switched: Millis,
    /// Whether there are thermometers on the plate and in the air, without which nothing excuses what is too hot.
    compares_with_air: bool,
    /// Whether the air is at its cut-out or above, or was when something else got too hot and still is.
    hot_by_air: bool,
    /// Time it has been on without a pause as long as the rest.
    ran: Millis,
    /// What is left of the rest after a maximum run.
    resting: Millis,
    /// Time for which the heater's contact has been closed although off.
    closed_for: Millis,
    button: ResetButton,
    /// Heater faults that only the reset button clears.
    latched: SystemFaults,
}

/// What the guard leaves of what was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// The heater relay.
    pub heater: Relay,
    /// The charge permit relay.
    pub charge: Relay,
}

/// What the channels show in this step.
#[expect(clippy::struct_excessive_bools, reason = "independent findings, each or-ed over the channels")]
#[derive(Clone, Copy, Debug, Default)]
struct Sight {
    moved: bool,
    cell_broken: bool,
    pad_broken: bool,
    cold: bool,
    too_hot_to_charge: bool,
    cut_out: bool,
    over_temperature: bool,
    /// A thermometer in the air does not show its cut-out or more.
    air_is_cool: bool,
}

impl Guard {
    /// A guard that has just been reset: it refuses charge for the soak time.
    #[must_use]
    pub fn new(settings: &ValidSettings, memory: Memory) -> Self {
        let mut budgets = [Milliwatts::ZERO; MAX_SOURCES];
        for (budget, source) in budgets.iter_mut().zip(&settings.sources) {
            *budget = source.budget;
        }
        let parts = Parts::new(settings);
        let (ran, paused) = (parts.ran(memory.run), parts.paused(memory.run));
        let has_run_out = ran >= settings.heater.max_run;
        Self {
            channels: each(&settings.channels, |_, channel| Channel::new(channel, settings)),
            good_run: settings.trust.good_run,
            max_age: settings.trust.max_age,
            max_step: settings.trust.max_step,
            soak: settings.charge.soak,
            max_run: settings.heater.max_run,
            rest: settings.heater.rest,
            follow_within: settings.trust.feedback,
            still_after: settings.trust.still_after.map(|after| after.plus(STILL_CHECK).plus(settings.trust.max_step)),
            supply: (settings.heater.supply_min, settings.heater.supply_max),
            load: Load::new(&settings.heater),
            budgets,
            bank: settings.bank,
            before: None,
            uptime: Uptime::START,
            warm_for: Millis::ZERO,
            still_for: Millis::ZERO,
            parts,
            heater: Relay::Open,
            since_switched: paused,
            compares_with_air: [Role::Pad, Role::Ambient]
                .iter()
                .all(|&role| settings.channels.iter().any(|channel| channel.role == role)),
            hot_by_air: false,
            ran: if has_run_out { Millis::ZERO } else { ran },
            resting: if has_run_out { settings.heater.rest.less(paused) } else { Millis::ZERO },
            closed_for: Millis::ZERO,
            button: ResetButton::new(settings.trust.button),
            latched: memory.latched.and(SystemFaults::LATCHED).and(SystemFaults::DISABLING_HEAT),
        }
    }

    /// Judges what is `asked` for in this step.
    pub fn judge(&mut self, now: Instant, inputs: &Inputs, asked: &Outputs) -> Verdict {
        let first = self.before.is_none();
        let elapsed = self.before.replace(now).map_or(Millis::ZERO, |before| now.since(before));
        let clock_is_good = first || (!elapsed.is_zero() && elapsed <= self.max_step);
        let credited = if clock_is_good { elapsed } else { Millis::ZERO };

        let sight = self.look(elapsed, inputs);
        self.warm_for =
            if sight.cell_broken || sight.cold || !clock_is_good { Millis::ZERO } else { self.warm_for.plus(credited) };
        self.still_for = if sight.moved { Millis::ZERO } else { self.still_for.plus(credited) };
        let is_measured = self.still_after.is_none_or(|after| self.still_for <= after);
        self.watch_heater(credited, inputs, sight);

        let faults = asked.faults.system;
        let charge_is_safe = asked.charge == Relay::Closed
            && clock_is_good
            && is_measured
            && self.warm_for >= self.soak
            && !sight.too_hot_to_charge
            && inputs.charge_line == Line::Allowed
            && faults.and(SystemFaults::DISABLING_CHARGE).is_empty();
        let heat_is_safe = asked.heater == Relay::Closed
            && clock_is_good
            && is_measured
            && !sight.cell_broken
            && !sight.pad_broken
            && !sight.cut_out
            && inputs.storage == Storage::Kept
            && self.resting.is_zero()
            && self.latched.is_empty()
            && faults.and(SystemFaults::DISABLING_HEAT).is_empty()
            && self.energy_is_on_offer(inputs);

        let verdict = Verdict { heater: closed_if(heat_is_safe), charge: closed_if(charge_is_safe) };
        self.note(verdict.heater);
        verdict
    }

    /// What it would have survive a restart, by its own account.
    #[must_use]
    pub fn memory(&self) -> Memory {
        let run = match self.heater {
            Relay::Open if !self.resting.is_zero() => self.parts.overrun(self.rest.less(self.resting)),
            heater => self.parts.account(self.ran, heater, self.since_switched),
        };
        Memory { latched: self.latched, run, ..Memory::default() }
    }

    fn look(&mut self, elapsed: Millis, inputs: &Inputs) -> Sight {
        if let Some(back) = self.uptime.pass(elapsed) {
            self.move_back(back);
        }
        let mut sight = Sight::default();
        for (channel, sample) in self.channels.iter_mut().zip(&inputs.channels) {
            sight.moved |= channel.shows_anew(sample);
            channel.take(self.uptime, sample, self.max_age, self.good_run);
            if channel.broken {
                sight.include_broken(channel);
            } else {
                sight.include(channel, self.uptime, self.good_run);
            }
        }
        sight
    }

    #[cold]
    fn move_back(&mut self, span: Millis) {
        for Channel { latest_at, not_believed, .. } in &mut self.channels {
            *latest_at = latest_at.moved_back(span);
            if let Some((_, at)) = not_believed {
                *at = at.moved_back(span);
            }
        }
    }

    fn watch_heater(&mut self, credited: Millis, inputs: &Inputs, sight: Sight) {
        self.since_switched = self.since_switched.plus(credited);
        self.resting = self.resting.less(credited);
        match self.heater {
            Relay::Closed => self.ran = self.ran.plus(credited),
            Relay::Open if self.since_switched >= self.rest => self.ran = Millis::ZERO,
            Relay::Open => {}
        }
        if self.heater == Relay::Closed && self.ran >= self.max_run {
            self.resting = self.rest;
            self.ran = Millis::ZERO;
        }
        let stays_closed = self.heater == Relay::Open && inputs.heater_feedback == Some(Relay::Closed);
        self.closed_for = if stays_closed { self.closed_for.plus(credited) } else { Millis::ZERO };
        if self.button.acts(credited, inputs.button) {
            // Each by its own cause, as the controller does: a fault that is cleared there and not here would keep the heater off
            // for ever, and nothing would tell why.
            let standing = only_if(sight.cut_out, SystemFault::OverTemperature);
            let standing = standing.or(only_if(stays_closed, SystemFault::HeaterWelded));
            self.latched = self.latched.and(standing);
        }
        // Whether the plate is warmer than the air is for the controller to compare; what it finds is enforced.
        let is_excused = !sight.air_is_cool || (sight.over_temperature && self.hot_by_air);
        self.hot_by_air = self.compares_with_air && is_excused;
        let overheated = sight.over_temperature && !self.hot_by_air;
        self.latched = self.latched.or(only_if(overheated, SystemFault::OverTemperature));
        self.latched = self.latched.or(only_if(self.closed_for >= self.follow_within, SystemFault::HeaterWelded));
    }

    /// A budget that carries the heater, or a bank that may be spent and is above its reserve.
    fn energy_is_on_offer(&self, inputs: &Inputs) -> bool {
        let (min, max) = self.supply;
        let Some(supply) = inputs.supply.filter(|supply| (min..=max).contains(supply)) else {
            return false;
        };
        let sources = inputs.sources.without(inputs.unsteady);
        let present = self.budgets.iter().enumerate().filter(|&(index, _)| sources.contains(index));
        let budget = present.fold(Milliwatts::ZERO, |sum, (_, &budget)| sum.plus(budget));
        let bank_is_offered = self.bank.is_offered(budget);
        let above_reserve = self.bank.reserve().is_some_and(|reserve| {
            let (at_floor, _) = reserve_levels(reserve, inputs, self.heater);
            !at_floor
        });
        budget >= self.load.at(supply) || (bank_is_offered && above_reserve && inputs.discharge_line == Line::Allowed)
    }

    fn note(&mut self, heater: Relay) {
        if heater != self.heater {
            self.heater = heater;
            self.since_switched = Millis::ZERO;
        }
    }
}

const fn only_if(seen: bool, fault: SystemFault) -> SystemFaults {
    if seen { SystemFaults::NONE.with(fault) } else { SystemFaults::NONE }
}

const fn closed_if(safe: bool) -> Relay {
    if safe { Relay::Closed } else { Relay::Open }
}

impl Channel {
    fn new(channel: &settings::Channel, settings: &Settings) -> Self {
        let (cutout, fastest) = (settings.heater.cutout(channel.role), settings.trust.fastest(channel.role));
        let shows = |t: Celsius| ratio_at(channel, t);
        let per_kelvin = steepest(channel);
        let per_minute = u64::from(fastest.over(Millis::from_secs(60)).as_steps().unsigned_abs());
        let noise = u64::from(settings.trust.noise.as_steps().unsigned_abs());
        Self {
            role: channel.role,
            // What shows nothing at its threshold is never plausible: validation has refused it, and if not, all is off.
            lowest: shows(settings.trust.plausible_low.raised(MARGIN)).unwrap_or(Steps::MAX),
            highest: shows(settings.trust.plausible_high.lowered(MARGIN)).unwrap_or(0),
            inhibit: shows(settings.charge.inhibit.raised(MARGIN)).unwrap_or(Steps::MAX),
            high_limit: shows(settings.charge.high_limit.lowered(MARGIN)).unwrap_or(0),
            cutout: shows(cutout.lowered(MARGIN)).unwrap_or(0),
            over: shows(cutout.raised(settings.heater.over_temperature).lowered(MARGIN)).unwrap_or(0),
            noise: to_steps(noise.saturating_mul(per_kelvin).saturating_add(0xFFFF) >> 16),
            // 26 bits, and 24 for an element of twice the reference: 30 bits are left.
            fastest: to_steps(per_minute.saturating_mul(per_kelvin).div_ceil(60_000 << 4)),
            shown: Measured::element(Ratio::ZERO),
            latest: 0,
            latest_at: Uptime::NEVER,
            broken: true,
            run: 0,
            not_believed: None,
        }
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
    fn take(&mut self, now: Uptime, sample: &Sample, max_age: Millis, good_run: u8) {
        match sample {
            Sample::Fresh(measured) => match measured.element.less(measured.lead).map(Ratio::as_steps) {
                Some(steps) if steps >= self.lowest && steps <= self.highest => {
                    if self.is_too_fast(now, steps) {
                        self.shows_nothing();
                        self.not_believed = Some((steps, now));
                    } else {
                        self.broken = false;
                        if self.run < good_run {
                            self.run = self.run.saturating_add(1);
                        }
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

    #[cold]
    fn shows_nothing(&mut self) {
        self.broken = true;
        self.run = 0;
        self.not_believed = None;
    }

    #[inline]
    fn is_too_fast(&self, now: Uptime, steps: Steps) -> bool {
        let change = steps.abs_diff(self.latest);
        change > self.noise
            && u64::from(change) > u64::from(self.noise).saturating_add(self.drift(now))
            && self.latest_at > Uptime::NEVER
    }

    /// How far the reading can have moved since it was taken, at the steepest.
    fn drift(&self, now: Uptime) -> u64 {
        let age = u64::from(now.since(self.latest_at).as_millis());
        // 32 + 32 bits.
        u64::from(self.fastest).saturating_mul(age).saturating_add(0xFFF) >> 12
    }

    /// The lowest and the highest that the channel can be at now.
    #[inline]
    fn range(&self, now: Uptime) -> (Steps, Steps) {
        if self.latest_at == now {
            return (self.latest, self.latest);
        }
        let drift = to_steps(self.drift(now));
        (self.latest.saturating_sub(drift), self.latest.saturating_add(drift))
    }
}

impl Sight {
    #[inline]
    fn include(&mut self, channel: &Channel, now: Uptime, good_run: u8) {
        let (low, high) = channel.range(now);
        if high >= channel.cutout {
            self.cut_out = true;
            // It latches, so a trusted channel must have shown it: neither drift nor a spike.
            self.over_temperature |= channel.latest >= channel.over && channel.run >= good_run;
        }
        match channel.role {
            Role::Cell => {
                self.cold |= low <= channel.inhibit;
                self.too_hot_to_charge |= high >= channel.high_limit;
            }
            Role::Pad => {}
            Role::Ambient => self.air_is_cool |= channel.latest < channel.cutout,
        }
    }

    #[cold]
    fn include_broken(&mut self, channel: &Channel) {
        match channel.role {
            Role::Cell => self.cell_broken = true,
            Role::Pad => self.pad_broken = true,
            Role::Ambient => self.air_is_cool = true,
        }
        // Not believed, yet it may be true: what shows hot cuts the heater out.
        self.cut_out |= channel.not_believed.is_some_and(|(steps, _)| steps >= channel.cutout);
    }
}

/// The compensated ratio that a channel shows at `t`: the element at `t` less its offset, and the leads that are not measured alone.
fn ratio_at(channel: &settings::Channel, t: Celsius) -> Option<Steps> {
    let element = channel.element.resistance(t.lowered(channel.offset)).ok()?;
    let shown = element.plus(channel.leads.known());
    // 32 + 30 bits.
    let ratio = (u64::from(shown.as_steps()) << 30).checked_div(u64::from(channel.reference.as_steps()))?;
    u32::try_from(ratio).ok()
}

/// Steps of ratio per kelvin, at most.
fn steepest(channel: &settings::Channel) -> u64 {
    let r0 = u64::from(channel.element.r0().as_steps());
    // 32 + 23 bits.
    STEEPEST.saturating_mul(r0).checked_div(u64::from(channel.reference.as_steps())).unwrap_or(u64::MAX)
}

fn to_steps(value: u64) -> Steps {
    Steps::try_from(value).unwrap_or(Steps::MAX)
}

#[cfg(test)]
mod tests;

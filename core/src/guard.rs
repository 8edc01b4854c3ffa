//! A second judge that can only take permission away.
//!
//! It sees the raw inputs and what the controller asks for. Its judgement is its own: it never converts a reading to a temperature. Each
//! threshold is turned once, by the standard's equation *forwards*, into the ratio that the channel shows there, and readings are compared
//! with that; the controller goes the other way, by the table. What is small it works out in another way than the controller: the
//! heater's load, the bank's reserve, the reset button, the band of a check resistor, what the fault of a channel takes away. An error
//! in either shows as a disagreement, and disagreement means off.
//!
//! What both use, an error would put wrong in both. So each has a test that would find it against something else:
//!
//! | shared | against | by |
//! |---|---|---|
//! | [`Element::resistance`](crate::rtd::Element::resistance) | the standard's equation and its published values | `pt100_follows_the_standard_equation` |
//! | [`Leads::known`](crate::rtd::Leads::known) | copper by hand, and the model's own | `cold_copper_leads_have_less_resistance`, the promises |
//! | [`KelvinRate::over`](crate::quantity::KelvinRate::over) | floating point | `drift_is_never_understated` |
//! | `Uptime` | a count that never wraps | `a_moment_keeps_its_age_up_to_the_horizon` |
//! | `Parts`, what of the heater's run is kept | the run itself, and the model's over restarts | `an_account_never_lets_the_heater_run_longer_nor_pause_less`, the promises |
//! | [`BRIEF`] | the model's own minute | the promises |
//! | [`SystemFaults::DISABLING_CHARGE`], [`DISABLING_HEAT`](SystemFaults::DISABLING_HEAT) | faults by name | `it_enforces_the_faults_that_the_controller_reports` |
//!
//! The promises are the properties of `invariants`, held against a plain model that shares no code with either.
//!
//! Each of its limits lies [`MARGIN`] on the safe side of the threshold, more than the two ways of computing can differ.
//!
//! What it upholds by itself, whatever it is asked for: charge is refused while a cell channel is missing, faulty by itself (converter, open, short,
//! implausible, too fast, a lead that its cable cannot have) or reads at or below inhibit, or a check resistor is outside its band, for the soak time after that (for a run of good readings after a brief doubt, for
//! what the memory leaves of the soak after a restart), and at or above the high limit, and while sources that
//! do not obey the charge-current ceiling are present and could give more than it allows at any cell, those in two steps the smaller one; the
//! full charge permit with charge, and while they could give more with the larger one; the
//! heater is off with a cell or pad channel in such a fault, any channel at or above its cut-out, no energy that may be spent, the supply out of
//! range, a latched heater fault, a contact that stays closed, what must survive a restart not kept, at the end of its maximum run, or when its relay has closed as often in a day as it may and once more; and neither with no channel that has shown anything new for
//! as long as the settings allow. Faults that need a comparison over hours or between
//! channels (stuck, disagreement, a jump that stands, ineffective heater), and what needs the course of the bank over runs (sources that give
//! nothing), are the controller's; what it reports of them, the guard enforces.

use crate::clock::Uptime;
use crate::controller::{BRIEF, Memory};
use crate::fault::{ChannelFault, SystemFault, SystemFaults};
use crate::quantity::{Celsius, Instant, Kelvins, Milliamps, Millis, Millivolts, Milliwatts, Ohms, Ratio};
use crate::rtd::{Leads, Measured};
use crate::run::Parts;
use crate::settings::{
    self, BankUse, ChargeCurrent, Check, MAX_CEILING_POINTS, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, Settings,
    ValidSettings, each,
};
use crate::signals::{Button, Inputs, Line, Outputs, Relay, Sample, Sources, Storage};
use heapless::Vec;

/// How far on the safe side of a threshold the guard's limit lies: half of the controller's [`ROUNDING`](crate::sensing::ROUNDING),
/// so that the controller comes first. The two ways of computing differ by at most 0.03 mK (see [`rtd`](crate::rtd)).
pub const MARGIN: Kelvins = Kelvins::from_steps(33);

/// Steepest rise of the resistance ratio in the working range, per kelvin, in steps of 2⁻³⁰: 0.0042, above any platinum that
/// [`Coefficients`](crate::rtd::Coefficients) accepts. Where the slope is gentler, the nominal 0.0039 at the ice point, a rate in ratio
/// allows that much more in kelvins: the controller doubts first, and the guard nothing that the controller believes.
const STEEPEST: u64 = 4_509_716;

/// A full credit for closings, and what a day adds to it.
const TWO_DAYS_MS: u32 = 2 * 86_400_000;

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
    /// What it shows at the points of the ceiling.
    points: Vec<Steps, MAX_CEILING_POINTS>,
    /// How far that bends away from a straight line where the ceiling falls.
    bend: Steps,
    /// Change that is always believed, at the steepest slope.
    noise: Steps,
    /// Fastest believable change per millisecond at the steepest slope, in steps of 2⁻¹² steps.
    fastest: u32,
    /// The same at the slopes that drift goes by: above inhibit, towards cold, and at the hottest threshold, towards hot.
    cools: u32,
    warms: u32,

    /// What was measured last, believed or not.
    shown: Measured,
    /// The latest reading that was believed.
    latest: Steps,
    /// When it came in.
    latest_at: Uptime,
    /// The lowest and the highest that all believed readings before leave possible then, without their noise.
    least: Steps,
    most: Steps,
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
    /// What a closing of the heater's relay costs, of a credit that time earns.
    closing: Millis,
    follow_within: Millis,
    /// Time after which no channel having shown anything new means that none is measured, if that is judged: as long as the controller
    /// may take to find it.
    still_after: Option<Millis>,
    supply: (Millivolts, Millivolts),
    power: Milliwatts,
    nominal: Millivolts,
    budgets: [Milliwatts; MAX_SOURCES],
    /// The budgets of these sources together.
    on_offer: (Sources, Milliwatts),
    bank: BankUse,
    /// What each source can give to the bank although it may not, and of that without the full charge permit; nothing of one that obeys
    /// the ceiling.
    unruled: [(Milliamps, Milliamps); MAX_SOURCES],
    /// What the bank may take at each point of the ceiling.
    ceiling: Vec<Milliamps, MAX_CEILING_POINTS>,

    before: Option<Instant>,
    uptime: Uptime,
    /// Time for which every cell channel has been good and above inhibit, but for brief doubts.
    warm_for: Millis,
    /// How long a cell channel has been broken, the run of good readings after it included.
    doubted_for: Option<Millis>,
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
    closing_credit: Millis,
    /// Time for which the heater's contact has been closed although off.
    closed_for: Millis,
    button: Press,
    /// Heater faults that only the reset button clears.
    latched: SystemFaults,
}

/// The reset button.
#[derive(Clone, Copy, Debug)]
struct Press {
    /// For how long it must be held.
    hold: Millis,
    was_up: bool,
    /// What is left of that; nothing once it has acted, until it is up again.
    left: Option<Millis>,
}

/// What the guard leaves of what was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// The heater relay.
    pub heater: Relay,
    /// The charge permit relay.
    pub charge: Relay,
    /// The full charge permit relay.
    pub full: Relay,
}

/// What the channels show in this step: findings, or-ed over them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Sight(u16);

impl Sight {
    const NOTHING: Self = Self(0);
    /// Something new to the last digit.
    const MOVED: Self = Self(1);
    /// A cell channel, or the check resistor, is broken.
    const CELL_BROKEN: Self = Self(1 << 1);
    /// A cell channel has not given its run of good readings.
    const CELL_UNPROVEN: Self = Self(1 << 2);
    /// The controller doubts a cell channel or the check resistor.
    const CELL_IS_TOLD: Self = Self(1 << 3);
    /// A pad channel is broken, or the controller doubts it.
    const PAD_DOUBTED: Self = Self(1 << 4);
    const COLD: Self = Self(1 << 5);
    const TOO_HOT_TO_CHARGE: Self = Self(1 << 6);
    const CUT_OUT: Self = Self(1 << 7);
    const OVER_TEMPERATURE: Self = Self(1 << 8);
    /// A thermometer in the air does not show its cut-out or more.
    const AIR_IS_COOL: Self = Self(1 << 9);

    const FORBIDS_CHARGE: Self = Self::CELL_IS_TOLD.with(Self::TOO_HOT_TO_CHARGE);
    const FORBIDS_HEAT: Self = Self::CELL_BROKEN.with(Self::CELL_IS_TOLD).with(Self::PAD_DOUBTED).with(Self::CUT_OUT);

    const fn with(self, more: Self) -> Self {
        Self(self.0 | more.0)
    }

    const fn with_if(self, is_seen: bool, more: Self) -> Self {
        if is_seen { self.with(more) } else { self }
    }

    const fn has(self, any_of: Self) -> bool {
        self.0 & any_of.0 != 0
    }
}

impl Guard {
    /// A guard that has just been reset: it refuses charge for the soak time.
    #[must_use]
    pub fn new(settings: &ValidSettings, memory: Memory) -> Self {
        let mut budgets = [Milliwatts::ZERO; MAX_SOURCES];
        for (budget, source) in budgets.iter_mut().zip(&settings.sources) {
            *budget = source.budget;
        }
        let mut unruled = [(Milliamps::ZERO, Milliamps::ZERO); MAX_SOURCES];
        for (unruled, source) in unruled.iter_mut().zip(&settings.sources) {
            match source.charge {
                ChargeCurrent::Obeys => {}
                ChargeCurrent::UpTo(most) => *unruled = (most, most),
                ChargeCurrent::InSteps { reduced, most } => *unruled = (most, reduced),
            }
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
            closing: Millis::from_millis(TWO_DAYS_MS.div_ceil(u32::from(settings.heater.max_cycles_per_day.max(1)))),
            follow_within: settings.trust.feedback,
            still_after: settings.trust.still_after.map(|after| after.plus(STILL_CHECK).plus(settings.trust.max_step)),
            supply: (settings.heater.supply_min, settings.heater.supply_max),
            power: settings.heater.power,
            nominal: settings.heater.nominal,
            budgets,
            on_offer: (Sources::NONE, Milliwatts::ZERO),
            bank: settings.bank,
            unruled,
            ceiling: each(&settings.charge.ceiling, |_, &point| current_at(point, &settings.charge)),
            before: None,
            uptime: Uptime::START,
            warm_for: Millis::from_millis(
                (settings.charge.soak.as_millis() / 4).saturating_mul(memory.soaked.min(3).into()),
            ),
            doubted_for: Some(Millis::ZERO),
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
            closing_credit: Millis::from_millis(TWO_DAYS_MS / 2),
            closed_for: Millis::ZERO,
            button: Press { hold: settings.trust.button, was_up: false, left: None },
            latched: memory.latched.and(SystemFaults::LATCHED).and(SystemFaults::DISABLING_HEAT),
        }
    }

    /// Judges what is `asked` for in this step.
    pub fn judge(&mut self, now: Instant, inputs: &Inputs, asked: &Outputs) -> Verdict {
        let first = self.before.is_none();
        let elapsed = self.before.replace(now).map_or(Millis::ZERO, |before| now.since(before));
        let clock_is_good = first || (!elapsed.is_zero() && elapsed <= self.max_step);
        let credited = if clock_is_good { elapsed } else { Millis::ZERO };

        let sight = self.look(elapsed, inputs, &asked.faults.channels);
        self.watch_cells(credited, clock_is_good, sight);
        self.still_for = if sight.has(Sight::MOVED) { Millis::ZERO } else { self.still_for.plus(credited) };
        let is_measured = self.still_after.is_none_or(|after| self.still_for <= after);
        self.watch_heater(credited, inputs, sight);

        let faults = asked.faults.system;
        let may_charge = asked.charge == Relay::Closed
            && clock_is_good
            && is_measured
            && self.doubted_for.is_none()
            && self.warm_for >= self.soak
            && !sight.has(Sight::FORBIDS_CHARGE)
            && inputs.charge_line == Line::Allowed
            && faults.and(SystemFaults::DISABLING_CHARGE).is_empty();
        let (charge_is_safe, full_is_safe) =
            if may_charge { self.cells_can_take_charge(inputs, asked.full) } else { (false, false) };
        let heat_is_safe = asked.heater == Relay::Closed
            && clock_is_good
            && is_measured
            && !sight.has(Sight::FORBIDS_HEAT)
            && inputs.storage == Storage::Kept
            && self.resting.is_zero()
            && (self.heater == Relay::Closed || self.closing_credit >= self.closing)
            && self.latched.is_empty()
            && faults.and(SystemFaults::DISABLING_HEAT).is_empty()
            && self.energy_is_on_offer(inputs, asked.faults.not_giving);

        let verdict = Verdict {
            heater: closed_if(heat_is_safe),
            charge: closed_if(charge_is_safe),
            full: closed_if(full_is_safe),
        };
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
        Memory { latched: self.latched, run, soaked: self.quarters(), ..Memory::default() }
    }

    /// Quarters of the soak that it has seen.
    fn quarters(&self) -> u8 {
        let warm_for = self.warm_for.as_millis().saturating_mul(4);
        let passed = |quarters: u32| warm_for >= self.soak.as_millis().saturating_mul(quarters);
        (1..=4_u8).take_while(|&quarters| passed(quarters.into())).last().unwrap_or(0)
    }

    fn look(&mut self, elapsed: Millis, inputs: &Inputs, told: &[Option<ChannelFault>; MAX_CHANNELS]) -> Sight {
        if let Some(back) = self.uptime.pass(elapsed) {
            self.move_back(back);
        }
        let mut sight = Sight::NOTHING;
        for ((channel, sample), told) in self.channels.iter_mut().zip(&inputs.channels).zip(told) {
            let is_new = channel.shows_anew(sample);
            channel.take(self.uptime, sample, self.max_age, self.good_run);
            let shown = if channel.broken {
                channel.sight_broken()
            } else {
                channel.sight(self.uptime, self.good_run, told.is_some())
            };
            sight = sight.with(shown).with_if(is_new, Sight::MOVED);
            if let Some(fault) = told {
                sight = sight.with(channel.is_told(*fault));
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

    fn watch_cells(&mut self, credited: Millis, clock_is_good: bool, sight: Sight) {
        self.doubted_for = match self.doubted_for {
            Some(time) if sight.has(Sight::CELL_BROKEN.with(Sight::CELL_UNPROVEN)) => Some(time.plus(credited)),
            None if sight.has(Sight::CELL_BROKEN) => Some(Millis::ZERO),
            Some(_) | None => None,
        };
        let is_long = self.doubted_for.is_some_and(|time| time > BRIEF);
        if sight.has(Sight::COLD) || is_long || !clock_is_good {
            self.warm_for = Millis::ZERO;
        } else if self.doubted_for.is_none() {
            self.warm_for = self.warm_for.plus(credited);
        }
    }

    fn watch_heater(&mut self, credited: Millis, inputs: &Inputs, sight: Sight) {
        self.since_switched = self.since_switched.plus(credited);
        self.resting = self.resting.less(credited);
        // One closing more than the controller has, so that it comes first.
        let most = Millis::from_millis(TWO_DAYS_MS / 2).plus(self.closing);
        self.closing_credit = self.closing_credit.plus(credited).min(most);
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
        if self.button.is_long(credited, inputs.button) {
            // Each by its own cause, as the controller does: a fault that is cleared there and not here would keep the heater off
            // for ever, and nothing would tell why.
            let standing = only_if(sight.has(Sight::CUT_OUT), SystemFault::OverTemperature);
            let standing = standing.or(only_if(stays_closed, SystemFault::HeaterWelded));
            self.latched = self.latched.and(standing);
            // Someone has seen what has jumped, and takes it for true.
            for channel in &mut self.channels {
                (channel.least, channel.most) = (0, Steps::MAX);
            }
        }
        // Whether the plate is warmer than the air is for the controller to compare; what it finds is enforced.
        let over_temperature = sight.has(Sight::OVER_TEMPERATURE);
        let is_excused = !sight.has(Sight::AIR_IS_COOL) || (over_temperature && self.hot_by_air);
        self.hot_by_air = self.compares_with_air && is_excused;
        let overheated = over_temperature && !self.hot_by_air;
        self.latched = self.latched.or(only_if(overheated, SystemFault::OverTemperature));
        self.latched = self.latched.or(only_if(self.closed_for >= self.follow_within, SystemFault::HeaterWelded));
    }

    /// A budget that carries the heater, or a bank that may be spent and is above its reserve.
    fn energy_is_on_offer(&mut self, inputs: &Inputs, not_giving: Sources) -> bool {
        let (min, max) = self.supply;
        let Some(supply) = inputs.supply.filter(|supply| (min..=max).contains(supply)) else {
            return false;
        };
        let sources = inputs.sources.without(inputs.unsteady).without(not_giving);
        // They seldom come and go.
        if sources != self.on_offer.0 {
            let present = self.budgets.iter().enumerate().filter(|&(index, _)| sources.contains(index));
            self.on_offer = (sources, present.fold(Milliwatts::ZERO, |sum, (_, &budget)| sum.plus(budget)));
        }
        let (_, budget) = self.on_offer;
        let bank_may_be_spent = match self.bank {
            BankUse::Never => false,
            BankUse::WithSource(reserve) => !budget.is_zero() && self.is_above(reserve, inputs),
            BankUse::Always(reserve) => self.is_above(reserve, inputs),
        };
        self.carries_heater(budget, supply) || (bank_may_be_spent && inputs.discharge_line == Line::Allowed)
    }

    /// By cross-multiplication, within a part in 8192 and 2 mW: more than the controller's division may be off, so that it comes first.
    fn carries_heater(&self, budget: Milliwatts, supply: Millivolts) -> bool {
        // Validated settings and a supply within its limits leave 17 bits for a voltage, 24 for a power and 28 for a sum of budgets.
        let square = |volts: Millivolts| u64::from(volts.as_millivolts()).wrapping_mul(volts.as_millivolts().into());
        let budget = u64::from(budget.as_milliwatts());
        let budget = budget.wrapping_add(budget >> 13).wrapping_add(2);
        u64::from(self.power.as_milliwatts()).wrapping_mul(square(supply)) <= budget.wrapping_mul(square(self.nominal))
    }

    /// Whether the bank is above its floor; what is not known is not. Under load its voltage counts for what it would be without.
    fn is_above(&self, reserve: Reserve, inputs: &Inputs) -> bool {
        match reserve {
            Reserve::StateOfCharge { floor, .. } => inputs.state_of_charge.is_some_and(|charge| charge > floor),
            Reserve::Voltage { floor, sag, .. } => inputs.bank.is_some_and(|bank| {
                let sagged = if self.heater == Relay::Closed { sag.as_millivolts() } else { 0 };
                bank.as_millivolts().saturating_add(sagged) > floor.as_millivolts()
            }),
        }
    }

    /// What the present sources give that do not obey the ceiling: at most, and without the full charge permit.
    fn gives(&self, inputs: &Inputs) -> (Milliamps, Milliamps) {
        let giving = inputs.sources.or(inputs.unsteady);
        let present = self.unruled.iter().enumerate().filter(|&(index, _)| giving.contains(index));
        present.fold((Milliamps::ZERO, Milliamps::ZERO), |(sum, less), (_, &(most, reduced))| {
            (sum.plus(most), less.plus(reduced))
        })
    }

    /// Whether every cell can take what the present sources give, without the full charge permit and, if that is `asked` for, with it.
    fn cells_can_take_charge(&self, inputs: &Inputs, asked: Relay) -> (bool, bool) {
        let (most, reduced) = self.gives(inputs);
        let charge = self.cells_can_take(reduced);
        (charge, charge && asked == Relay::Closed && (most == reduced || self.cells_can_take(most)))
    }

    /// Whether every cell can take this current.
    fn cells_can_take(&self, current: Milliamps) -> bool {
        let mut cells = self.channels.iter().filter(|channel| channel.role == Role::Cell);
        current.is_zero()
            || cells.all(|channel| {
                let (low, high) = channel.range(self.uptime);
                channel.can_take(current, low, &self.ceiling) && channel.can_take(current, high, &self.ceiling)
            })
    }

    fn note(&mut self, heater: Relay) {
        if heater != self.heater {
            self.heater = heater;
            self.since_switched = Millis::ZERO;
            if heater == Relay::Closed {
                self.closing_credit = self.closing_credit.less(self.closing);
            }
        }
    }
}

impl Press {
    /// Whether it has just been held for its time. The look that finds it down counts for nothing, and after a reset it must be seen up.
    fn is_long(&mut self, credited: Millis, button: Button) -> bool {
        if button == Button::Released {
            (self.was_up, self.left) = (true, Some(self.hold));
            return false;
        }
        if core::mem::replace(&mut self.was_up, false) {
            return false;
        }
        self.left = self.left.map(|left| left.less(credited));
        self.left.take_if(|left| left.is_zero()).is_some()
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
        let drifting = |at: Celsius| to_steps(scaled(slope_above(channel, at)) / (60_000 << 4));
        Self {
            // What shows nothing at its threshold is never plausible: validation has refused it, and if not, all is off.
            lowest: shows(settings.trust.plausible_low.raised(MARGIN)).unwrap_or(Steps::MAX),
            highest: shows(settings.trust.plausible_high.lowered(MARGIN)).unwrap_or(0),
            inhibit: shows(settings.charge.inhibit.raised(MARGIN)).unwrap_or(Steps::MAX),
            high_limit: shows(settings.charge.high_limit.lowered(MARGIN)).unwrap_or(0),
            cutout: shows(cutout.lowered(MARGIN)).unwrap_or(0),
            over: shows(cutout.raised(settings.heater.over_temperature).lowered(MARGIN)).unwrap_or(0),
            points: each(&settings.charge.ceiling, |_, point| shows(point.at).unwrap_or(Steps::MAX)),
            bend: most_bend(channel, &settings.charge.ceiling),
            noise: to_steps(noise.saturating_mul(per_kelvin).saturating_add(0xFFFF) >> 16),
            fastest: to_steps(scaled(per_kelvin).div_ceil(60_000 << 4)),
            cools: drifting(coolest),
            warms: drifting(hottest),
            ..Self::unseen(channel)
        }
    }

    /// A check resistor: in place of temperatures, the ratios at the two ends of its band. It is never cold, hot or too fast.
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

    /// One that has shown nothing yet, and is never cold, hot or too fast: what its role asks of it comes on top.
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
            fastest: 0,
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

    /// The controller doubts it, whatever is seen here. A jump it doubts for longer than it takes to become believable here: until it does
    /// not, nobody knows where the place is, and the way back is no jump from where it never was.
    #[cold]
    fn is_told(&mut self, fault: ChannelFault) -> Sight {
        if !self.broken && matches!(fault, ChannelFault::TooFast | ChannelFault::Jumped) {
            (self.least, self.most) = (0, Steps::MAX);
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
            // It latches, so a trusted channel must have shown it: neither drift nor a spike, nor one that the controller doubts.
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

    /// What it shows, broken. Not believed, yet it may be true: what shows cold must soak, what shows hot cuts the heater out.
    #[cold]
    fn sight_broken(&self) -> Sight {
        let shows = |what: fn(&Self, Steps) -> bool| self.not_believed.is_some_and(|(steps, _)| what(self, steps));
        let sight = Sight::NOTHING.with_if(shows(|channel, steps| steps >= channel.cutout), Sight::CUT_OUT);
        match self.role {
            Role::Cell => {
                sight.with(Sight::CELL_BROKEN).with_if(shows(|channel, steps| steps <= channel.inhibit), Sight::COLD)
            }
            // Where the check resistor is off, each cell may be.
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

    /// How far the reading can have moved since it was taken, at the steepest.
    fn drift(&self, now: Uptime) -> u64 {
        self.moved(self.fastest, now).saturating_add(1)
    }

    fn moved(&self, per_ms: u32, now: Uptime) -> u64 {
        let age = u64::from(now.since(self.latest_at).as_millis());
        // 32 + 32 bits.
        u64::from(per_ms).saturating_mul(age) >> 12
    }

    /// Whether a cell that shows `shown` can take `current`, by what it may take at the points of the ceiling. Between them the ceiling is
    /// straight in ratio here, in temperature with the controller, which comes first by how the ratio bends: on a ceiling that rises by
    /// itself, on one that falls with the bend taken off.
    fn can_take(&self, current: Milliamps, shown: Steps, ceiling: &[Milliamps]) -> bool {
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
    /// The ratio rises the less steeply the warmer it is. So drift by the steepest slope would be more than the controller's, and take what
    /// that still gives. By the slope at the warm end of what is compared it is a little less, by 0.03 % for each kelvin from there.
    #[inline]
    fn range(&self, now: Uptime) -> (Steps, Steps) {
        if self.latest_at == now {
            return (self.latest, self.latest);
        }
        let (down, up) = (to_steps(self.moved(self.cools, now)), to_steps(self.moved(self.warms, now)));
        (self.latest.saturating_sub(down), self.latest.saturating_add(up))
    }
}

/// The compensated ratio that a channel shows at `t`: the element at `t` less its offset, and the leads that are not measured alone.
fn ratio_at(channel: &settings::Channel, t: Celsius) -> Option<Steps> {
    let element = channel.element.resistance(t.lowered(channel.offset)).ok()?;
    to_ratio(element.plus(channel.leads.known()), channel.reference)
}

/// The least and the most that a lead measured alone may show; anything where none is. Outwards by a step of the controller's resistance, so
/// that the controller comes first.
fn lead_band(channel: &settings::Channel) -> (Steps, Steps) {
    let Leads::ThreeWire { least, most } = channel.leads else { return (0, Steps::MAX) };
    let step = Ohms::from_steps(1);
    let shows = |r: Ohms| to_ratio(r, channel.reference).unwrap_or(Steps::MAX);
    (shows(least.less(step).unwrap_or(Ohms::ZERO)), shows(most.plus(step)))
}

fn to_ratio(shown: Ohms, reference: Ohms) -> Option<Steps> {
    // 32 + 30 bits.
    let ratio = (u64::from(shown.as_steps()) << 30).checked_div(u64::from(reference.as_steps()))?;
    u32::try_from(ratio).ok()
}

/// What the bank may take at a point of the ceiling with one of its batteries gone, rounded up: the controller comes first.
fn current_at(point: settings::CeilingPoint, charge: &settings::Charge) -> Milliamps {
    let steps = u64::from(point.limit.as_steps()).saturating_add(1);
    let batteries = u64::from(charge.batteries).max(1);
    let counted = batteries.saturating_sub(1).max(1);
    // Validated settings leave 19 + 25 + 7 bits.
    let scaled = steps.saturating_mul(charge.capacity.as_milliamp_hours().into()).saturating_mul(counted);
    let scaled = scaled.checked_div(batteries).unwrap_or(0).saturating_add(1);
    Milliamps::from_milliamps(u32::try_from(scaled.saturating_add(0xFFFF) >> 16).unwrap_or(u32::MAX))
}

/// How far the ratio bends away from the straight line between two points of the ceiling, at most; only where the ceiling falls.
///
/// Half-way it bends most, by 0.08 K over 45 K: C₂/C₁ of the standard's equation, by a quarter of the square. On a ceiling that rises the
/// straight line reads warmer and so allows more; on one that falls it would allow less than the controller does.
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

/// Steps of ratio per kelvin from `at` upwards, rounded down; nothing where it shows nothing there.
fn slope_above(channel: &settings::Channel, at: Celsius) -> u64 {
    let here_and_above = ratio_at(channel, at).zip(ratio_at(channel, at.raised(Kelvins::from_millikelvins(1_000))));
    here_and_above.map_or(0, |(here, above)| above.saturating_sub(here).into())
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

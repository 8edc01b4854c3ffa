//! A second judge that can only take permission away.
//!
//! It sees the raw inputs and what the controller asks for. It judges on its own: it never converts a reading to a
//! temperature. It turns each threshold once, by the standard's equation *forwards*, into the ratio that the channel
//! shows there, and compares readings with that ratio. The controller goes the other way, by the table. The guard also
//! works out small things in its own way: the heater's load, the bank's reserve, the reset button, what has latched,
//! the band of a check resistor, what the fault of a channel takes away. An error in either shows as a disagreement,
//! and disagreement means off.
//!
//! An error in code that both use would put both wrong. So a test checks each shared part against something else:
//!
//! | shared | against | by |
//! |---|---|---|
//! | [`Element::resistance`](crate::rtd::Element::resistance) | the standard's equation and its published values | `pt100_follows_the_standard_equation` |
//! | [`Leads::known`](crate::rtd::Leads::known) | copper by hand, and the model's own | `cold_copper_leads_have_less_resistance`, the promises |
//! | [`KelvinRate::over`](crate::quantity::KelvinRate::over) | floating point | `drift_is_never_understated` |
//! | `Uptime` | a count that never wraps | `a_moment_keeps_its_age_up_to_the_horizon` |
//! | `Parts`, the stored form of the heater's run | the run itself, and the model's over restarts | `an_account_never_lets_the_heater_run_longer_nor_pause_less`, the promises |
//! | [`BRIEF`] | the model's own minute | the promises |
//! | [`SystemFaults::DISABLING_CHARGE`], [`DISABLING_HEAT`](SystemFaults::DISABLING_HEAT) | faults by name | `it_enforces_the_faults_that_the_controller_reports` |
//!
//! The promises are the properties of `invariants`. They are checked against a plain model that shares no code with
//! either.
//!
//! Each limit of the guard lies [`MARGIN`] on the safe side of the threshold: more than the two ways of computing can
//! differ.
//!
//! The guard upholds this by itself, whatever the controller asks for:
//!
//! - **Charge** is refused while a cell channel is missing or faulty by itself (converter, open, short, implausible,
//!   too fast, a lead that its cable cannot have), or a check resistor is outside its band. It stays refused for the
//!   soak time after that; after a brief doubt, for a run of good readings; after a restart, for what the memory leaves
//!   of the soak.
//! - Charge is refused with a cell at or below inhibit, and for the soak time after that. It is refused with a cell at
//!   or above the high limit. It is refused while sources that do not obey the charge-current ceiling could give more
//!   than it allows at any cell; a source in two steps counts with the smaller step.
//! - The **full charge permit** goes off with charge. It is refused while those sources could give more by the larger
//!   step.
//! - The **heater** is off with a cell or pad channel in such a fault, with any channel at or above its cut-out, with
//!   no energy that may be spent, with the supply out of range, with a latched heater fault or a contact that stays
//!   closed, and while what must survive a restart is not kept. It goes off at the end of its maximum run. It stays off
//!   once its relay has closed once more than it may in a day.
//! - **Both** are off when no channel has shown anything new for as long as the settings allow.
//!
//! The controller alone finds faults that need a comparison over hours or between channels (stuck, disagreement, a jump
//! that stands, ineffective heater) or the course of the bank over runs (sources that give nothing). The guard enforces
//! what it reports of them.

mod channel;
#[cfg(feature = "leap")]
mod leap;
mod sight;

use crate::clock::Uptime;
use crate::controller::BRIEF;
#[cfg(test)]
use crate::every_state::{Held, Horizons};
use crate::fault::{ChannelFault, SystemFault, SystemFaults};
use crate::memory::Memory;
use crate::quantity::{Instant, Kelvins, Milliamps, Millis, Millivolts, Milliwatts};
use crate::run::Parts;
use crate::settings::{
    self, BankUse, ChargeCurrent, MAX_CEILING_POINTS, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, ValidSettings, each,
};
use crate::signals::{Button, Inputs, Line, Outputs, Relay, Sources, Storage};
use channel::{Belief, Channel};
use heapless::Vec;
use sight::Sight;

/// How far on the safe side of a threshold the guard's limit lies: half of the controller's
/// [`ROUNDING`](crate::rtd::ROUNDING), so that the controller comes first. The two ways of computing differ by at most
/// 0.03 mK (see [`rtd`](crate::rtd)).
pub(crate) const MARGIN: Kelvins = Kelvins::from_steps(33);

/// A full credit for closings plus what a day adds to it.
const TWO_DAYS_MS: u32 = 2 * 86_400_000;

/// A budget counts for more by 2⁻¹³ of itself (0.012 %) and by [`BUDGET_ROUNDING_MW`]. That is more than the
/// controller's division by V² may be off (one part in 10⁴ at 4 V), so the controller comes first.
const BUDGET_ROUNDING_BITS: u32 = 13;
const BUDGET_ROUNDING_MW: u64 = 2;

/// [`Fraction`](crate::quantity::Fraction)s are in steps of 2⁻¹⁶.
const FRACTION_BITS: u32 = 16;

/// How often the controller looks for channels that stand still.
const STILL_CHECK: Millis = Millis::from_secs(60);

/// The guard.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Guard {
    channels: Vec<Channel, MAX_CHANNELS>,
    belief: Belief,
    max_step: Millis,
    soak: Millis,
    max_run: Millis,
    rest: Millis,
    /// The credit that one closing of the heater's relay costs. Time earns credit.
    closing: Millis,
    follow_within: Millis,
    /// If no channel shows anything new for this long, none is measured. It is as long as the controller may take to
    /// find that, and nothing if that is not judged.
    still_after: Option<Millis>,
    supply: (Millivolts, Millivolts),
    power: Milliwatts,
    nominal: Millivolts,
    budgets: [Milliwatts; MAX_SOURCES],
    /// The sources on offer, and their budgets together.
    on_offer: (Sources, Milliwatts),
    bank: BankUse,
    /// What each source can give to the bank whatever the ceiling is: at most, and without the full charge permit. Zero
    /// for a source that obeys the ceiling.
    unruled: [(Milliamps, Milliamps); MAX_SOURCES],
    /// What the bank may take at each point of the ceiling.
    ceiling: Vec<Milliamps, MAX_CEILING_POINTS>,

    before: Option<Instant>,
    uptime: Uptime,
    /// Time for which every cell channel has been good and above inhibit, except for brief doubts.
    warm_for: Millis,
    /// How long a cell channel has been broken, including the run of good readings after it.
    doubted_for: Option<Millis>,
    /// Time for which no channel has shown anything new.
    still_for: Millis,
    /// Converts the heater's run to and from its stored form.
    parts: Parts,
    heater: Relay,
    /// Time since the heater was last switched. After a reset, the time for which it has surely been off.
    since_switched: Millis,
    /// Whether there are thermometers on the plate and in the air. Without both, nothing excuses a channel that is too
    /// hot.
    compares_with_air: bool,
    /// Whether the air is at or above its cut-out, or was so when another channel got too hot that still is.
    hot_by_air: bool,
    /// Time the heater has been on without a pause as long as the rest.
    ran: Millis,
    /// What is left of the rest after a maximum run.
    resting: Millis,
    closing_credit: Millis,
    /// Time for which the heater's contact has been closed although the heater is off.
    closed_for: Millis,
    button: Press,
    /// Heater faults that only the reset button clears.
    latched: SystemFaults,
}

/// The reset button.
#[derive(Clone, Copy, Debug, Hash)]
struct Press {
    /// For how long it must be held.
    hold: Millis,
    was_up: bool,
    /// What is left of `hold`; nothing once the button has acted, until it is up again.
    left: Option<Millis>,
}

/// What the guard leaves on of what the controller asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Verdict {
    /// The heater relay.
    pub(crate) heater: Relay,
    /// The charge permit relay.
    pub(crate) charge: Relay,
    /// The full charge permit relay.
    pub(crate) full: Relay,
}

impl Guard {
    /// A guard that has just been reset: it refuses charge for the soak time.
    #[must_use]
    pub(crate) fn new(settings: &ValidSettings, memory: Memory) -> Self {
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
            belief: Belief { good_run: settings.trust.good_run, max_age: settings.trust.max_age },
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
    pub(crate) fn judge(&mut self, now: Instant, inputs: &Inputs, asked: &Outputs) -> Verdict {
        let first = self.before.is_none();
        let elapsed = self.before.replace(now).map_or(Millis::ZERO, |before| now.since(before));
        let clock_is_good = first || (!elapsed.is_zero() && elapsed <= self.max_step);
        let credited = if clock_is_good { elapsed } else { Millis::ZERO };

        let sight = self.look(elapsed, inputs, asked.faults.channels);
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

    /// What must survive a restart, by the guard's own account.
    #[must_use]
    pub(crate) fn memory(&self) -> Memory {
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

    fn look(&mut self, elapsed: Millis, inputs: &Inputs, told: [Option<ChannelFault>; MAX_CHANNELS]) -> Sight {
        if let Some(back) = self.uptime.pass(elapsed) {
            self.move_back(back);
        }
        let mut sight = Sight::NOTHING;
        for ((channel, sample), told) in self.channels.iter_mut().zip(&inputs.channels).zip(told) {
            sight = sight.with(channel.look(self.uptime, sample, self.belief, told));
        }
        sight
    }

    #[cold]
    fn move_back(&mut self, span: Millis) {
        for channel in &mut self.channels {
            channel.move_back(span);
        }
    }

    /// The same without what can no longer decide anything: see [`crate::every_state`].
    #[cfg(test)]
    pub(crate) fn canonical(&mut self, horizons: Horizons) {
        let Horizons { age, pause } = horizons;
        let more = Millis::from_millis(1);
        self.before = self.before.map(|_| Instant::from_millis(0));
        let back = self.uptime.rebase(age);
        self.move_back(back);
        if self.still_after.is_none() {
            self.channels.iter_mut().for_each(Channel::forget_what_is_shown);
        }
        self.still_for = self.still_after.map_or(Millis::ZERO, |after| self.still_for.min(after.plus(more)));
        self.warm_for = self.warm_for.min(self.soak);
        self.doubted_for = self.doubted_for.map(|time| time.min(BRIEF.plus(more)));
        self.since_switched = match self.heater {
            Relay::Open => self.since_switched.min(pause),
            Relay::Closed => Millis::ZERO,
        };
        self.closed_for = self.closed_for.min(self.follow_within);
    }

    /// Holds still what a [variant](crate::every_state) leaves out.
    #[cfg(test)]
    pub(crate) fn hold(&mut self, held: Held) {
        if held.closings {
            self.closing_credit = Millis::from_millis(TWO_DAYS_MS / 2).plus(self.closing);
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
            // Clear each fault by its own cause, as the controller does. A fault cleared there and not here would keep
            // the heater off for ever, and no report would say why.
            let standing = only_if(sight.has(Sight::CUT_OUT), SystemFault::OverTemperature);
            let standing = standing.or(only_if(stays_closed, SystemFault::HeaterWelded));
            self.latched = self.latched.and(standing);
            // Someone has seen the jump and takes it for true.
            self.channels.iter_mut().for_each(Channel::accept_jump);
        }
        // The controller compares the plate with the air; the guard enforces what it finds.
        let over_temperature = sight.has(Sight::OVER_TEMPERATURE);
        let is_excused = !sight.has(Sight::AIR_IS_COOL) || (over_temperature && self.hot_by_air);
        self.hot_by_air = self.compares_with_air && is_excused;
        let overheated = over_temperature && !self.hot_by_air;
        self.latched = self.latched.or(only_if(overheated, SystemFault::OverTemperature));
        self.latched = self.latched.or(only_if(self.closed_for >= self.follow_within, SystemFault::HeaterWelded));
    }

    /// Whether a budget carries the heater, or the bank may be spent and is above its reserve.
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

    /// Whether P V² ∕ Vₙ² ≤ budget, by cross-multiplication: P V² ≤ budget ⋅ Vₙ², in mW ⋅ mV².
    fn carries_heater(&self, budget: Milliwatts, supply: Millivolts) -> bool {
        // Validated settings and a supply within its limits leave 17 bits for a voltage, 24 for a power and 28 for a sum of budgets.
        let square = |volts: Millivolts| u64::from(volts.as_millivolts()).wrapping_mul(volts.as_millivolts().into());
        let budget = u64::from(budget.as_milliwatts());
        let budget = budget.wrapping_add(budget >> BUDGET_ROUNDING_BITS).wrapping_add(BUDGET_ROUNDING_MW);
        u64::from(self.power.as_milliwatts()).wrapping_mul(square(supply)) <= budget.wrapping_mul(square(self.nominal))
    }

    /// Whether the bank is above its floor. An unknown level is not. Under load the allowed sag is added to its
    /// voltage.
    fn is_above(&self, reserve: Reserve, inputs: &Inputs) -> bool {
        match reserve {
            Reserve::StateOfCharge { floor, .. } => inputs.state_of_charge.is_some_and(|charge| charge > floor),
            Reserve::Voltage { floor, sag, .. } => inputs.bank.is_some_and(|bank| {
                let sagged = if self.heater == Relay::Closed { sag.as_millivolts() } else { 0 };
                bank.as_millivolts().saturating_add(sagged) > floor.as_millivolts()
            }),
        }
    }

    /// What the present sources that do not obey the ceiling give: at most, and without the full charge permit.
    fn gives(&self, inputs: &Inputs) -> (Milliamps, Milliamps) {
        let giving = inputs.sources.or(inputs.unsteady);
        let present = self.unruled.iter().enumerate().filter(|&(index, _)| giving.contains(index));
        present.fold((Milliamps::ZERO, Milliamps::ZERO), |(sum, less), (_, &(most, reduced))| {
            (sum.plus(most), less.plus(reduced))
        })
    }

    /// Whether every cell can take what the present sources give: without the full charge permit, and with it if it is
    /// `asked` for.
    fn cells_can_take_charge(&self, inputs: &Inputs, asked: Relay) -> (bool, bool) {
        let (most, reduced) = self.gives(inputs);
        let charge = self.cells_can_take(reduced);
        (charge, charge && asked == Relay::Closed && (most == reduced || self.cells_can_take(most)))
    }

    /// Whether every cell can take this current.
    fn cells_can_take(&self, current: Milliamps) -> bool {
        current.is_zero() || self.channels.iter().all(|channel| channel.can_take(current, self.uptime, &self.ceiling))
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
    /// Whether it has just been held for its time. The step that first sees it down counts no time. After a reset it
    /// must first be seen up.
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

/// What the bank may take at a point of the ceiling with one of its batteries gone. Rounded up, so the controller comes
/// first.
///
/// (2⁻¹⁶ per hour) × mAh = 2⁻¹⁶ mA, times the share of batteries that is left.
fn current_at(point: settings::CeilingPoint, charge: &settings::Charge) -> Milliamps {
    let steps = u64::from(point.limit.as_steps()).saturating_add(1);
    let batteries = u64::from(charge.batteries).max(1);
    let counted = batteries.saturating_sub(1).max(1);
    // Validated settings leave 19 + 25 + 7 bits.
    let scaled = steps.saturating_mul(charge.capacity.as_milliamp_hours().into()).saturating_mul(counted);
    let scaled = scaled.checked_div(batteries).unwrap_or(0).saturating_add(1);
    Milliamps::from_milliamps(u32::try_from(scaled.div_ceil(1 << FRACTION_BITS)).unwrap_or(u32::MAX))
}

#[cfg(test)]
mod tests;

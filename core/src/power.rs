//! Whose energy may be spent on heat, how much of it there is, and what it leaves for charging.
//!
//! The heater is a resistor: its power goes with the square of its supply voltage. It is fed when the sources that are
//! present and settled can carry it. It is also fed when the bank makes up the rest: the policy must let the bank be
//! spent, and the bank must be above its reserve. Heat comes first. What is left of the sources' budgets is the ceiling
//! for charging.
//!
//! A source that does not obey the ceiling gives what it gives. This module adds up what those that may be charging
//! could give, with the full charge permit and without it. The controller decides whether the cells can take it.

use crate::fault::{SystemFault, SystemFaults};
use crate::giving::{Doubt, Giving, Look, Sags};
use crate::line::LineFilter;
use crate::quantity::{Fraction, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts};
use crate::settings::{BankUse, ChargeCurrent, Heater, MAX_SOURCES, Reserve, Settings, Source};
use crate::signals::{Inputs, Line, Relay, Sources};
use heapless::Vec;

#[cfg(feature = "leap")]
mod leap;

/// Heater power by supply voltage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Load {
    /// Milliwatts per square millivolt, in steps of 2⁻⁴⁰.
    factor: u64,
}

impl Load {
    pub(crate) fn new(heater: &Heater) -> Self {
        let nominal = u64::from(heater.nominal.as_millivolts());
        let power = u64::from(heater.power.as_milliwatts());
        // 24 + 40 bits; validated settings have a nominal voltage.
        let factor = (power << 40).checked_div(nominal.saturating_mul(nominal)).unwrap_or(u64::MAX);
        Self { factor }
    }

    /// Power at a supply voltage; held at the end of the range.
    #[inline]
    pub(crate) fn at(self, supply: Millivolts) -> Milliwatts {
        let volts = u64::from(supply.as_millivolts());
        // 10 of the 34 bits of V² at 120 V go before the product: less than one part in 10⁴ at 4 V. 24 + 39 bits.
        let square = volts.saturating_mul(volts) >> 10;
        let power = square.saturating_mul(self.factor) >> 30;
        Milliwatts::from_milliwatts(u32::try_from(power).unwrap_or(u32::MAX))
    }
}

/// What is on offer in this step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Offer {
    /// What the heater takes at the present supply voltage.
    pub(crate) load: Milliwatts,
    /// What the sources that are present and settled can give together.
    pub(crate) budget: Milliwatts,
    /// Whether the heater may be fed.
    pub(crate) feed: Feed,
    /// Whether any source is present, settled or not.
    pub(crate) source_present: bool,
    /// What the present sources that do not obey the ceiling could give to the bank.
    pub(crate) unruled: Unruled,
    /// Sources that pay for no heat because they have given none.
    pub(crate) withheld: Sources,
    /// Faults of supply and bank.
    pub(crate) faults: SystemFaults,
}

impl Offer {
    /// Before the first step.
    pub(crate) const NOTHING: Self = Self {
        load: Milliwatts::MAX,
        budget: Milliwatts::ZERO,
        feed: Feed::Nothing,
        source_present: false,
        unruled: Unruled::NOTHING,
        withheld: Sources::NONE,
        faults: SystemFaults::NONE,
    };
}

/// What sources that do not obey the ceiling could give to the bank together, per capacity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Unruled {
    /// While the full charge permit is off.
    pub(crate) reduced: Fraction,
    /// While it is on.
    pub(crate) full: Fraction,
}

impl Unruled {
    pub(crate) const NOTHING: Self = Self { reduced: Fraction::ZERO, full: Fraction::ZERO };
}

/// Whether the heater may be fed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Feed {
    /// It may.
    Qualified,
    /// Since the reset the supply has not given its run of good readings.
    Unproven,
    /// A source that would do has not been present long enough.
    Settling,
    /// It failed a moment ago, and has to wait before it is tried again.
    Pausing,
    /// It has failed again and again, and has to wait longer each time.
    Failing(SystemFault),
    /// There is nothing that may be spent.
    Nothing,
}

/// The heater's supply.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Supply {
    /// Since the reset it has not given its run of good readings, nor a bad one.
    Unproven,
    Good,
    Bad,
}

/// The bank against its reserve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Level {
    /// Since the reset it has neither been at its floor nor given its run of readings at or above resume. It is not spent, and
    /// nothing is wrong.
    Unproven,
    Above,
    Below,
}

/// Where the heater's energy comes from, for the books.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Shares {
    pub(crate) sources: [Milliwatts; MAX_SOURCES],
    pub(crate) bank: Milliwatts,
}

#[derive(Clone, Debug, Hash)]
struct Watched {
    source: Source,
    index: usize,
    present_for: Option<Millis>,
    /// How long it had been present when it last went away, and the time left in which it may come back to that.
    held: Millis,
    blink: Millis,
    /// How many more looks must find it present after it came back so.
    looks: u8,
}

impl Watched {
    fn settled(&self) -> bool {
        self.looks == 0 && self.present_for.is_some_and(|time| time >= self.source.settle)
    }

    /// Takes note of a look at its line, and returns whether it has just come back from a short absence.
    fn see(&mut self, credited: Millis, is_present: bool, good_run: u8) -> bool {
        match (is_present, self.present_for) {
            (false, None) => self.blink = self.blink.less(credited),
            (false, Some(time)) => {
                (self.present_for, self.held, self.blink) = (None, time, BLINK);
            }
            (true, None) if self.blink.is_zero() => {
                (self.present_for, self.looks) = (Some(Millis::ZERO), 0);
            }
            (true, None) => {
                // This is the first look.
                (self.present_for, self.looks) = (Some(self.held), good_run.saturating_sub(1));
                return true;
            }
            (true, Some(time)) => {
                self.present_for = Some(time.plus(credited));
                self.looks = self.looks.saturating_sub(1);
            }
        }
        false
    }

    /// The same without what can no longer decide anything.
    #[cfg(test)]
    fn canonical(&mut self) {
        let settle = self.source.settle;
        self.present_for = self.present_for.map(|time| time.min(settle));
        if self.present_for.is_some() {
            (self.held, self.blink) = (Millis::ZERO, Millis::ZERO);
        } else {
            self.looks = 0;
            self.held = if self.blink.is_zero() { Millis::ZERO } else { self.held.min(settle) };
        }
    }

    /// Whether it is absent, and may come back without settling.
    fn is_blinking(&self) -> bool {
        self.present_for.is_none() && !self.blink.is_zero()
    }

    fn pays(&self, withheld: Sources) -> bool {
        self.settled() && !withheld.contains(self.index)
    }
}

/// A source that is away for less need not settle anew: a contact bounced, or one look found the line refused. Common
/// practice, no source.
const BLINK: Millis = Millis::from_secs(5);

/// Each such absence adds this to a count that time takes down again. At the count below the line is unsteady: one
/// absence a minute is borne, six at once are not. Common practice, no source.
const BLINK_COUNTS: Millis = Millis::from_secs(60);
const FLICKERS: Millis = Millis::from_secs(330);

/// Sources and bank over time.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Power {
    load: Load,
    /// In the order in which they are spent.
    sources: Vec<Watched, MAX_SOURCES>,
    /// The sources in the settings. Any other that the inputs call present is ignored.
    configured: Sources,
    present: Sources,
    /// The budgets of the sources that are present: of the settled ones, and of the others.
    budget: Milliwatts,
    unsettled: Milliwatts,
    /// Sources that may be charging the bank, and what those that do not obey the ceiling could give together.
    charging: Sources,
    unruled: Unruled,
    capacity: MilliampHours,
    /// The part of the settled sources' budgets that may be spent on heat.
    heat_budget: Milliwatts,
    giving: Option<Giving>,
    withheld: Sources,
    supply: (Millivolts, Millivolts),
    /// Good supply readings in a row.
    supply_run: u8,
    /// No run of good readings has followed the last bad one.
    supply_fault: bool,
    sags: Sags,
    bank: BankUse,
    bank_level: Level,
    /// Readings at or above resume in a row.
    bank_run: u8,
    good_run: u8,
    /// Steps in a row in which the line of a source toggled, up to `good_run`.
    unsteady_run: u8,
    /// Whether a source may come back without settling.
    is_blinking: bool,
    /// [`BLINK_COUNTS`] for each short absence, less the time since.
    blinks: Millis,
    /// There were too many of them, and they are not forgotten yet.
    flickers: bool,
    discharge_line: LineFilter,
}

impl Power {
    pub(crate) fn new(settings: &Settings, doubt: Doubt) -> Self {
        let mut sources = Vec::new();
        // Equal priorities keep the order of the settings. A sort would do, but brings code that can panic.
        for priority in 0..=u8::MAX {
            let of_priority = |(_, source): &(usize, &Source)| source.priority == priority;
            for (index, &source) in settings.sources.iter().enumerate().filter(of_priority) {
                let _ = sources.push(Watched {
                    source,
                    index,
                    present_for: None,
                    held: Millis::ZERO,
                    blink: Millis::ZERO,
                    looks: 0,
                });
            }
        }
        Self {
            load: Load::new(&settings.heater),
            sources,
            configured: (0..settings.sources.len()).fold(Sources::NONE, Sources::with),
            present: Sources::NONE,
            budget: Milliwatts::ZERO,
            unsettled: Milliwatts::ZERO,
            charging: Sources::NONE,
            unruled: Unruled::NOTHING,
            capacity: settings.charge.capacity,
            heat_budget: Milliwatts::ZERO,
            giving: Giving::new(settings, doubt),
            withheld: Sources::NONE,
            supply: (settings.heater.supply_min, settings.heater.supply_max),
            supply_run: 0,
            supply_fault: false,
            sags: Sags::new(settings.heater.min_off),
            bank: settings.bank,
            bank_level: Level::Unproven,
            bank_run: 0,
            good_run: settings.trust.good_run,
            unsteady_run: 0,
            is_blinking: false,
            blinks: Millis::ZERO,
            flickers: false,
            discharge_line: LineFilter::unproven(settings.trust.good_run),
        }
    }

    pub(crate) fn judge(&mut self, credited: Millis, inputs: &Inputs, heater: Relay) -> Offer {
        let present = inputs.sources.and(self.configured).without(inputs.unsteady);
        // Sources seldom come and go.
        self.blinks = self.blinks.less(credited);
        if present != self.present || !self.unsettled.is_zero() || self.is_blinking {
            self.count_sources(credited, present);
        }
        let (budget, unsettled) = (self.budget, self.unsettled);
        // Every source that may be charging counts, settled or not, on a steady line or not.
        let charging = inputs.sources.or(inputs.unsteady).and(self.configured);
        if charging != self.charging {
            self.count_unruled(charging);
        }
        // A source whose line toggles may be charging, but none of its budget is certain.
        let toggles = !inputs.unsteady.and(self.configured).is_empty();

        let mut faults = SystemFaults::NONE;
        // A contact that bounces also toggles, but for one step only. A faulty line goes on toggling.
        self.unsteady_run = if toggles { self.unsteady_run.saturating_add(1).min(self.good_run) } else { 0 };
        self.flickers = self.blinks >= FLICKERS || (self.flickers && !self.blinks.is_zero());
        if (toggles && self.unsteady_run >= self.good_run) || self.flickers {
            faults = faults.with(SystemFault::SourceUnsteady);
        }
        let supply = self.judge_supply(inputs.supply);
        self.sags.watch(credited, heater, supply == Supply::Bad);
        if self.sags.is_repeated() {
            faults = faults.with(SystemFault::SupplySags);
        }
        self.discharge_line.refuses(inputs.discharge_line, self.good_run);
        if inputs.discharge_line == Line::Refused {
            faults = faults.with(SystemFault::DischargeLineRefused);
        }
        if let Some(reserve) = self.bank.reserve()
            && self.judge_bank(reserve, inputs, heater) == Level::Below
        {
            faults = faults.with(SystemFault::BankBelowReserve);
        }

        let look = self.look(credited, inputs, heater);
        let (load, source_present) = (look.load, look.source_present);
        let has_failed = self.judge_giving(&look);
        if self.giving.as_ref().is_some_and(Giving::is_repeated) {
            faults = faults.with(SystemFault::SourceNotGiving);
        }
        let heat_budget = self.heat_budget;
        let bank_offered = self.bank.is_offered(heat_budget);
        // A supply is dead while the source that feeds it is absent. That is no reason to call anyone.
        if supply == Supply::Bad && (bank_offered || !budget.is_zero()) {
            faults = faults.with(SystemFault::SupplyOutOfRange);
        }
        let feed = match supply {
            Supply::Unproven => Feed::Unproven,
            Supply::Good if has_failed => Feed::Pausing,
            Supply::Good if heat_budget >= load || (bank_offered && self.bank_is_spendable()) => {
                self.sags.withhold().unwrap_or(Feed::Qualified)
            }
            Supply::Good if heat_budget.plus(unsettled) >= load => Feed::Settling,
            Supply::Good if budget.plus(unsettled) >= load => {
                if faults.contains(SystemFault::SourceNotGiving) {
                    Feed::Failing(SystemFault::SourceNotGiving)
                } else {
                    Feed::Pausing
                }
            }
            Supply::Bad if !unsettled.is_zero() => Feed::Settling,
            Supply::Good | Supply::Bad => Feed::Nothing,
        };
        Offer { load, budget, feed, source_present, unruled: self.unruled, withheld: self.withheld, faults }
    }

    /// Whether the bank is above its reserve, and its protection lets it discharge.
    fn bank_is_spendable(&self) -> bool {
        self.bank_level == Level::Above && !self.discharge_line.has_refused()
    }

    fn look(&self, credited: Millis, inputs: &Inputs, heater: Relay) -> Look {
        let (_, highest) = self.supply;
        Look {
            credited,
            heater,
            // Where the supply is not measured, or is measured as what it cannot be, the most that the heater may ever take: what
            // went into it in this step counts in its trial.
            load: self.load.at(inputs.supply.map_or(highest, |supply| supply.min(highest))),
            bank: inputs.bank,
            charge: inputs.state_of_charge,
            may_be_spent: self.bank_is_spendable() && self.bank.is_offered(self.heat_budget),
            source_present: !self.present.is_empty() || !inputs.unsteady.and(self.configured).is_empty(),
            present: self.present,
        }
    }

    /// Whether the bank pays for heat that sources are said to give.
    fn judge_giving(&mut self, look: &Look) -> bool {
        let Some(giving) = &mut self.giving else { return false };
        let (sources, withheld) = (&self.sources, self.withheld);
        let has_failed = giving.watch(look, || payers(sources, withheld, look.load));
        let withheld = giving.withheld();
        if withheld != self.withheld {
            self.withheld = withheld;
            self.count_heat();
        }
        has_failed
    }

    /// Adds up what may be spent on heat.
    #[cold]
    fn count_heat(&mut self) {
        let paying = self.sources.iter().filter(|watched| watched.pays(self.withheld));
        self.heat_budget = paying.fold(Milliwatts::ZERO, |sum, watched| sum.plus(watched.source.budget));
    }

    /// Adds up what is present, settled and not.
    fn count_sources(&mut self, credited: Millis, present: Sources) {
        self.present = present;
        (self.budget, self.unsettled) = (Milliwatts::ZERO, Milliwatts::ZERO);
        self.is_blinking = false;
        for watched in &mut self.sources {
            if watched.see(credited, present.contains(watched.index), self.good_run) {
                // Capped, so that they are forgotten in minutes, however many there were.
                self.blinks = self.blinks.plus(BLINK_COUNTS).min(FLICKERS.plus(BLINK_COUNTS));
            }
            self.is_blinking |= watched.is_blinking();
            if watched.settled() {
                self.budget = self.budget.plus(watched.source.budget);
            } else if watched.present_for.is_some() {
                self.unsettled = self.unsettled.plus(watched.source.budget);
            }
        }
        self.count_heat();
    }

    /// Adds up what the sources that do not obey the ceiling could give.
    fn count_unruled(&mut self, charging: Sources) {
        self.charging = charging;
        let (mut sum, mut full_sum) = (Milliamps::ZERO, Milliamps::ZERO);
        for watched in self.sources.iter().filter(|watched| charging.contains(watched.index)) {
            let (reduced, full) = match watched.source.charge {
                ChargeCurrent::Obeys => continue,
                ChargeCurrent::UpTo(most) => (most, most),
                ChargeCurrent::InSteps { reduced, most } => (reduced, most),
            };
            (sum, full_sum) = (sum.plus(reduced), full_sum.plus(full));
        }
        self.unruled =
            Unruled { reduced: per_capacity(sum, self.capacity), full: per_capacity(full_sum, self.capacity) };
    }

    fn judge_supply(&mut self, supply: Option<Millivolts>) -> Supply {
        let (min, max) = self.supply;
        if supply.is_some_and(|supply| supply >= min && supply <= max) {
            self.supply_run = self.supply_run.saturating_add(1).min(self.good_run);
        } else {
            self.supply_run = 0;
            self.supply_fault = true;
        }
        if self.supply_run >= self.good_run {
            self.supply_fault = false;
            Supply::Good
        } else if self.supply_fault {
            Supply::Bad
        } else {
            Supply::Unproven
        }
    }

    fn judge_bank(&mut self, reserve: Reserve, inputs: &Inputs, heater: Relay) -> Level {
        let (at_floor, at_resume) = reserve_levels(reserve, inputs, heater);
        if at_floor {
            self.bank_level = Level::Below;
        }
        self.bank_run = if at_resume { self.bank_run.saturating_add(1).min(self.good_run) } else { 0 };
        if self.bank_run >= self.good_run {
            self.bank_level = Level::Above;
        }
        self.bank_level
    }

    /// Someone has pressed the button: what has failed may be tried again at once.
    pub(crate) fn forget_failures(&mut self) {
        self.sags.forget();
        if let Some(giving) = &mut self.giving {
            giving.forget();
        }
    }

    /// The same without what can no longer decide anything: see [`crate::every_state`].
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        self.sources.iter_mut().for_each(Watched::canonical);
        self.sags.canonical();
        if let Some(giving) = &mut self.giving {
            giving.canonical();
        }
    }

    #[cfg(test)]
    pub(crate) fn forget_sags(&mut self) {
        self.sags.forget();
    }

    /// What must survive a restart about sources that gave nothing.
    pub(crate) fn doubt(&self) -> Doubt {
        self.giving.as_ref().map_or_else(Doubt::default, Giving::doubt)
    }

    /// Who pays for the heater's `load`: the settled sources in their order, the bank for the rest.
    pub(crate) fn shares(&self, load: Milliwatts) -> Shares {
        let mut shares = Shares::default();
        let mut rest = load;
        for watched in self.sources.iter().filter(|watched| watched.pays(self.withheld)) {
            let share = rest.min(watched.source.budget);
            if let Some(place) = shares.sources.get_mut(watched.index) {
                *place = share;
            }
            rest = rest.less(share);
        }
        shares.bank = rest;
        shares
    }
}

/// The sources that pay for a heater of this `load`.
#[cold]
fn payers(sources: &[Watched], withheld: Sources, load: Milliwatts) -> Sources {
    let (mut payers, mut rest) = (Sources::NONE, load);
    for watched in sources.iter().filter(|watched| watched.pays(withheld) && !watched.source.budget.is_zero()) {
        if rest.is_zero() {
            break;
        }
        payers = payers.with(watched.index);
        rest = rest.less(watched.source.budget);
    }
    payers
}

/// Whether the bank is at or below its floor, and whether it is at or above its resume level. An unknown level is at
/// the floor.
pub(crate) fn reserve_levels(reserve: Reserve, inputs: &Inputs, heater: Relay) -> (bool, bool) {
    match reserve {
        Reserve::StateOfCharge { floor, resume } => {
            inputs.state_of_charge.map_or((true, false), |charge| (charge <= floor, charge >= resume))
        }
        Reserve::Voltage { floor, resume, sag } => {
            let floor = if heater == Relay::Closed { floor.less(sag) } else { floor };
            inputs.bank.map_or((true, false), |bank| (bank <= floor, bank >= resume))
        }
    }
}

/// A current per capacity, rounded down by less than a step of 1/65 536. So a current equal to the ceiling does not
/// exceed the rounded ceiling. A capacity of zero takes nothing.
pub(crate) fn per_capacity(current: Milliamps, capacity: MilliampHours) -> Fraction {
    // 32 + 16 bits.
    let scaled = u64::from(current.as_milliamps()) << 16;
    let steps = scaled.checked_div(capacity.as_milliamp_hours().into()).unwrap_or(u64::MAX);
    Fraction::from_steps(u32::try_from(steps).unwrap_or(u32::MAX))
}

/// What charge current a power feeds, per capacity.
#[derive(Clone, Copy, Debug, Hash)]
pub(crate) struct Feeds {
    /// Steps of a [`Fraction`] × millivolts for each milliwatt, in steps of 2⁻¹⁶, rounded down.
    per_milliwatt: u64,
}

impl Feeds {
    pub(crate) fn new(capacity: MilliampHours) -> Self {
        // Milliwatts × 1000 / millivolts are milliamperes; over milliampere hours, the fraction: 10 + 16 + 16 bits.
        let per_milliwatt = (1000_u64 << 32).checked_div(capacity.as_milliamp_hours().into()).unwrap_or(0);
        Self { per_milliwatt }
    }

    /// The charge current that `left` can feed at the bank's voltage, at most `most`. It is too low by a step at most.
    #[inline]
    pub(crate) fn current(self, left: Milliwatts, bank: Millivolts, most: Fraction) -> Fraction {
        let scaled = u64::from(left.as_milliwatts()).saturating_mul(self.per_milliwatt) >> 16;
        let volts = bank.as_millivolts();
        // Most often there is plenty, and a product is cheaper than a quotient: 32 + 32 bits.
        if volts > 0 && scaled >= u64::from(volts).saturating_mul(most.as_steps().into()) {
            return most;
        }
        // A quotient of 32 bits is cheaper than one of 64.
        let steps = match u32::try_from(scaled) {
            Ok(scaled) => scaled.checked_div(volts),
            Err(_) => scaled.checked_div(volts.into()).and_then(|steps| u32::try_from(steps).ok()),
        };
        Fraction::from_steps(steps.unwrap_or(0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::settings;
    use proptest::prelude::*;

    /// Power goes with voltage squared: a pad rated at 12.8 V gives 1.30103 times at 14.6 V, 0.610352 times at 10.0 V.
    /// Source: `battery_facts.md`, computed.
    #[test]
    fn heater_power_goes_with_the_square_of_the_voltage() {
        let heater = Heater {
            power: Milliwatts::from_milliwatts(100_000),
            nominal: Millivolts::from_millivolts(12_800),
            ..settings().heater
        };
        let load = Load::new(&heater);
        let at = |mv| load.at(Millivolts::from_millivolts(mv)).as_milliwatts();
        assert!(at(14_600).abs_diff(130_103) <= 2, "{}", at(14_600));
        assert!(at(10_000).abs_diff(61_035) <= 2, "{}", at(10_000));
        assert!(at(12_800).abs_diff(100_000) <= 2, "{}", at(12_800));
    }

    proptest! {
        #[test]
        fn heater_power_is_within_a_part_in_ten_thousand(power in 1_000..10_000_000_u32, nominal in 5_000..100_000_u32, supply in 4_000..120_000_u32) {
            let heater = Heater {
                power: Milliwatts::from_milliwatts(power),
                nominal: Millivolts::from_millivolts(nominal),
                ..settings().heater
            };
            let exact = f64::from(power) * (f64::from(supply) / f64::from(nominal)).powi(2);
            let got = f64::from(Load::new(&heater).at(Millivolts::from_millivolts(supply)).as_milliwatts());
            // One milliwatt is the step of the type.
            prop_assert!((got - exact.min(f64::from(u32::MAX))).abs() <= 1.0 + exact * 1e-4, "{got} mW, exactly {exact} mW");
        }

        /// The plain quotient, held at the limit; zero if there is no bank voltage to divide by. Never more, and a step
        /// less at most.
        #[test]
        fn the_current_that_is_left_is_the_quotient_or_the_limit(
            left in 0..80_000_000_u32, bank in prop_oneof![Just(0_u32), 4_000..120_000_u32], capacity in 1_000..20_000_000_u32, most in 0..=327_680_u32,
        ) {
            let quotient = (u128::from(left) * 65_536_000).checked_div(u128::from(bank) * u128::from(capacity)).unwrap_or(0);
            let plain = quotient.min(u128::from(most));
            let (left, bank) = (Milliwatts::from_milliwatts(left), Millivolts::from_millivolts(bank));
            let feeds = Feeds::new(MilliampHours::from_milliamp_hours(capacity));
            let got = u128::from(feeds.current(left, bank, Fraction::from_steps(most)).as_steps());
            prop_assert!(got <= plain && plain <= got + 1, "{got} for {plain}");
        }

        #[test]
        fn the_shares_add_up_to_the_load(load in 0..500_000_u32, present: [bool; 3]) {
            let settings = settings();
            let mut power = Power::new(&settings, Doubt::default());
            let mut inputs = Inputs::DEAD;
            for (index, present) in present.into_iter().enumerate() {
                if present {
                    inputs.sources = inputs.sources.with(index);
                }
            }
            power.judge(Millis::ZERO, &inputs, Relay::Open);
            power.judge(Millis::from_secs(3600), &inputs, Relay::Open);
            let shares = power.shares(Milliwatts::from_milliwatts(load));
            let sum = shares.sources.iter().fold(shares.bank, |sum, &share| sum.plus(share));
            prop_assert_eq!(sum.as_milliwatts(), load);
        }
    }
}

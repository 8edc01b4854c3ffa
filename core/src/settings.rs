//! What a fitter can set, within which bounds, and which settings make no sense together.
//!
//! [`TABLE`] is the one list of settings: name, unit, range, default and meaning. Validation, messages, the starter
//! file and the documentation read it. [`Settings::check`] reports every problem; [`Settings::validate`] turns settings
//! without a problem into [`ValidSettings`], the only thing a [`Unit`](crate::Unit) can be made of. [`Essentials`] are
//! what has no default.

mod check;
mod essentials;
mod refusal;
mod relations;
mod table;

pub use essentials::Essentials;
pub use refusal::{SettingsError, Thousandths};
pub use table::{Fact, Key, Place, TABLE};

use crate::quantity::{
    Celsius, Fraction, Joules, KelvinRate, Kelvins, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts, Ohms,
};
use crate::rtd::{Element, Leads};
pub use crate::thresholds::Phase;
use heapless::Vec;

/// Thermometer channels one controller can have.
pub const MAX_CHANNELS: usize = 6;
/// Energy sources one controller can have.
pub const MAX_SOURCES: usize = 4;
/// Points of the charge-current ceiling.
pub const MAX_CEILING_POINTS: usize = 8;

/// Makes one thing of each item in a list and its index.
///
/// `collect` would do, but panics if the new list is too short; here the types rule that out.
pub(crate) fn each<T, U, const N: usize>(list: &Vec<T, N>, mut make: impl FnMut(usize, &T) -> U) -> Vec<U, N> {
    let mut made = Vec::new();
    for (index, item) in list.iter().enumerate() {
        let _ = made.push(make(index, item));
    }
    made
}

/// Where a thermometer sits, and so what its reading is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Role {
    /// In or between batteries. The coldest one decides on charge; every one must be good.
    Cell,
    /// On the heater plate.
    Pad,
    /// In the air around the bank. Only reported, and counted for the heater cut-out.
    Ambient,
    /// On no thermometer but a fixed resistor. It shows whether reference and return, which all channels share, are
    /// right.
    Check(Check),
}

/// A fixed resistor on a channel. Its measurement must lie within a band. Otherwise what all channels share is wrong,
/// and each of them may read warm by as much.
///
/// It finds a reference or a return that has changed, and a converter that has lost its gain. It does not find a change
/// of the reference inside the band; every reading then has that error. It finds nothing if the check channel alone
/// repeats its last code: that looks like a resistor that is as steady as it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Check {
    /// Its resistance.
    pub nominal: Ohms,
    /// How far from `nominal` the channel may measure, *at most*.
    pub within: Ohms,
}

impl Check {
    /// The least and the most that the channel may measure.
    #[must_use]
    pub const fn band(self) -> (Ohms, Ohms) {
        let least = match self.nominal.less(self.within) {
            Some(least) => least,
            None => Ohms::ZERO,
        };
        (least, self.nominal.plus(self.within))
    }
}

impl Role {
    /// What a fault of a channel with this role takes away.
    #[must_use]
    pub const fn disables(self) -> crate::fault::Disables {
        use crate::fault::Disables;
        match self {
            // If a check resistor is off, all readings are in doubt.
            Self::Cell | Self::Check(_) => Disables::Both,
            // Without it the hottest place is no longer seen.
            Self::Pad => Disables::Heat,
            Self::Ambient => Disables::Nothing,
        }
    }
}

/// One thermometer channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Channel {
    /// Where it sits.
    pub role: Role,
    /// The element.
    pub element: Element,
    /// Reference resistor of its converter.
    pub reference: Ohms,
    /// How it is wired.
    pub leads: Leads,
    /// Added to the reading: a trim found by comparison, or the known difference between sensor and cell.
    pub offset: Kelvins,
}

/// When charge is permitted, and how much.
#[derive(Clone, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Charge {
    /// Charging a cell at or below this harms it. No rule acts on it. It limits how far the other settings may let a
    /// reading be off.
    pub hard_limit: Celsius,
    /// Charge is refused with the coldest cell *at or below* this.
    pub inhibit: Celsius,
    /// Charge is permitted anew only with the coldest cell *above* this.
    pub release: Celsius,
    /// Charge is refused with the hottest cell *at or above* this.
    pub high_limit: Celsius,
    /// Charge is permitted anew, whatever it was refused for, only with the hottest cell *below* this.
    pub high_release: Celsius,
    /// Time above release before charge is permitted: heat moves slowly into dense cells.
    pub soak: Millis,
    /// Shortest time the charge relay stays open.
    pub min_off: Millis,
    /// Time with a source present and charge refused after which charge is overdue.
    pub overdue_after: Millis,
    /// Capacity of the bank.
    pub capacity: MilliampHours,
    /// How many batteries it is made of, in parallel.
    pub batteries: u8,
    /// Charge-current ceiling by coldest cell temperature, linear between points, level beyond the ends.
    pub ceiling: Vec<CeilingPoint, MAX_CEILING_POINTS>,
}

impl Charge {
    /// The charge current that the bank may take at a point of the ceiling, per capacity. The point is the maker's
    /// figure for each battery. Of two or more in parallel, one may have disconnected itself; the others then share its
    /// current.
    #[must_use]
    pub fn limit(&self, point: &CeilingPoint) -> Fraction {
        let batteries = u64::from(self.batteries);
        if batteries < 2 {
            return point.limit;
        }
        // 32 + 8 bits, to the nearest.
        let scaled = u64::from(point.limit.as_steps()).saturating_mul(batteries.saturating_sub(1));
        let steps = scaled.saturating_add(batteries / 2).checked_div(batteries);
        Fraction::from_steps(steps.and_then(|steps| u32::try_from(steps).ok()).unwrap_or(0))
    }

    /// The lowest temperature of the coldest cell at which the ceiling lets sources that do not obey it give `current`
    /// together. Nothing if it never does; the lowest there is if it always does.
    #[must_use]
    pub fn charges_from(&self, current: Milliamps) -> Option<Celsius> {
        crate::ceiling::Ceiling::new(self).reaches(crate::power::per_capacity(current, self.capacity))
    }
}

/// One point of the charge-current ceiling.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct CeilingPoint {
    /// Coldest cell temperature.
    pub at: Celsius,
    /// Largest charge current per capacity there.
    pub limit: Fraction,
}

/// Whether the heater may run while charge is permitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Hold {
    /// The heater keeps the cells warm while they are charged.
    WhileCharging,
    /// The heater only warms up.
    Never,
}

/// Proof that the heater heats: so much energy must raise plate or cells by so much.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Proof {
    /// Energy put in since a cool plate was first heated.
    pub energy: Joules,
    /// Rise of a plate or of the coldest cell that must have followed.
    pub rise: Kelvins,
    /// Rise that each plate thermometer must have shown by itself. It must exceed the rise of the air in the box;
    /// otherwise a thermometer that has come off looks like one that sits on the plate.
    pub pad_rise: Kelvins,
}

/// Proof that the heater is off: the plate must have cooled to within so much of the cells after so long.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Cooling {
    /// Time since the heater was switched off.
    pub after: Millis,
    /// Excess of the hottest plate over the hottest cell that the last heating no longer explains.
    pub excess: Kelvins,
}

/// The heater and its circuit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Heater {
    /// While charge is permitted the heater comes on with the coldest cell *at or below* this. (While it is refused, at or below
    /// the charge release; while soaking, at or below the middle between release and `stop`.)
    pub start: Celsius,
    /// The heater goes off with the coldest cell *at or above* this.
    pub stop: Celsius,
    /// Power at the nominal voltage.
    pub power: Milliwatts,
    /// Voltage at which the power is stated; power goes with the square of the voltage.
    pub nominal: Millivolts,
    /// Lowest supply voltage the heater may be run on.
    pub supply_min: Millivolts,
    /// Highest supply voltage the heater may be run on.
    pub supply_max: Millivolts,
    /// The heater is cut out with a cell or ambient channel *at or above* this.
    pub cutout_cell: Celsius,
    /// The heater is cut out with a pad channel *at or above* this.
    pub cutout_pad: Celsius,
    /// The heater may run again with every channel *below* its cut-out by this.
    pub cutout_hysteresis: Kelvins,
    /// A channel at or above its cut-out by this is over-temperature, which latches.
    pub over_temperature: Kelvins,
    /// Shortest time on, unless safety says otherwise.
    pub min_on: Millis,
    /// Shortest time off.
    pub min_off: Millis,
    /// Longest time on without a pause as long as `rest`.
    pub max_run: Millis,
    /// Pause after the longest time on.
    pub rest: Millis,
    /// Most times it is switched on in any 24 hours.
    pub max_cycles_per_day: u8,
    /// Whether it may run while charge is permitted.
    pub hold: Hold,
    /// Proof that it heats, if it is judged.
    pub proof: Option<Proof>,
    /// Proof that it is off, if it is judged.
    pub cooling: Option<Cooling>,
}

/// One energy source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Source {
    /// Power it can give to heater and charge together.
    pub budget: Milliwatts,
    /// Lower numbers are spent first.
    pub priority: u8,
    /// Time it must have been present before it is spent.
    pub settle: Millis,
    /// What it gives to the bank where charge is permitted.
    pub charge: ChargeCurrent,
}

/// What a source gives to the bank where charge is permitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum ChargeCurrent {
    /// No more than the ceiling: something makes it obey.
    Obeys,
    /// Up to this, whatever the ceiling is. Charge is refused while the present sources of this kind could together
    /// give more than the cells may take.
    UpTo(Milliamps),
    /// The same in two fixed steps, which the full charge permit switches. While the permit is off, the source counts
    /// with `reduced`. The permit comes on only where all sources could give the most.
    InSteps {
        /// The most while the full charge permit is off.
        reduced: Milliamps,
        /// The most while it is on.
        most: Milliamps,
    },
}

impl ChargeCurrent {
    /// The most that it gives, whatever the ceiling is; nothing for a source that obeys.
    #[must_use]
    pub const fn most(self) -> Option<Milliamps> {
        match self {
            Self::Obeys => None,
            Self::UpTo(most) | Self::InSteps { most, .. } => Some(most),
        }
    }

    /// The same while the full charge permit is off.
    #[must_use]
    pub const fn reduced(self) -> Option<Milliamps> {
        match self {
            Self::Obeys => None,
            Self::UpTo(gives) | Self::InSteps { reduced: gives, .. } => Some(gives),
        }
    }

    /// Whether the full charge permit switches it.
    #[must_use]
    pub const fn has_steps(self) -> bool {
        matches!(self, Self::InSteps { .. })
    }
}

/// When the bank itself may be spent on heat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum BankUse {
    /// Never.
    Never,
    /// To make up what a source that is present lacks.
    WithSource(Reserve),
    /// Whenever the cells are cold.
    Always(Reserve),
}

impl Heater {
    /// The heater cut-out of a channel with this role.
    #[must_use]
    pub const fn cutout(&self, role: Role) -> Celsius {
        match role {
            // A check channel has no temperature; nothing is compared with this.
            Role::Cell | Role::Ambient | Role::Check(_) => self.cutout_cell,
            Role::Pad => self.cutout_pad,
        }
    }
}

impl Trust {
    /// Fastest believable change of a channel with this role.
    #[must_use]
    pub const fn fastest(&self, role: Role) -> KelvinRate {
        match role {
            Role::Cell => self.fastest_cell,
            Role::Pad => self.fastest_pad,
            // A check channel has no temperature that could change.
            Role::Ambient | Role::Check(_) => self.fastest_ambient,
        }
    }
}

impl BankUse {
    /// Whether the policy offers the bank, whatever its charge, while other sources offer this `budget`.
    #[must_use]
    pub const fn is_offered(self, budget: Milliwatts) -> bool {
        match self {
            Self::Never => false,
            Self::WithSource(_) => !budget.is_zero(),
            Self::Always(_) => true,
        }
    }

    /// The reserve to be kept, if the bank may be spent at all.
    #[must_use]
    pub const fn reserve(self) -> Option<Reserve> {
        match self {
            Self::Never => None,
            Self::WithSource(reserve) | Self::Always(reserve) => Some(reserve),
        }
    }
}

/// What the bank must keep.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Reserve {
    /// By state of charge.
    StateOfCharge {
        /// Not spent *at or below* this.
        floor: Fraction,
        /// Spent again *at or above* this.
        resume: Fraction,
    },
    /// By voltage.
    Voltage {
        /// Not spent *at or below* this.
        floor: Millivolts,
        /// Spent again *at or above* this.
        resume: Millivolts,
        /// Allowance for the drop that the heater itself causes: while it runs, the floor lies lower by this.
        sag: Millivolts,
    },
}

/// Signs that the bank pays for heat that sources are said to give: their line is stuck, a breaker has tripped. Such
/// sources pay for no heat for a while; see
/// [`SystemFault::SourceNotGiving`](crate::fault::SystemFault::SourceNotGiving).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Giving {
    /// Fall of the bank's voltage since before the heater came on, *by as much or more*.
    pub fall: Millivolts,
    /// Fall of the bank's state of charge while the heater was on, *by as much or more*.
    pub fall_charge: Fraction,
}

/// How far readings, clock and contacts are trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Trust {
    /// Good readings in a row before a channel that was doubtful is trusted again.
    pub good_run: u8,
    /// Longest time between two steps.
    pub max_step: Millis,
    /// Longest age of a measurement; a channel without a newer one is missing.
    pub max_age: Millis,
    /// Coldest temperature that can be at any channel.
    pub plausible_low: Celsius,
    /// Hottest temperature that can be at any channel.
    pub plausible_high: Celsius,
    /// Change between two readings that is always believed.
    pub noise: Kelvins,
    /// Fastest believable change of a cell channel.
    pub fastest_cell: KelvinRate,
    /// Fastest believable change of a pad channel.
    pub fastest_pad: KelvinRate,
    /// Fastest believable change of an ambient channel.
    pub fastest_ambient: KelvinRate,
    /// Largest difference between channels of one role.
    pub disagreement: Kelvins,
    /// Time after which an unchanged reading is stuck, if that is judged.
    pub stuck_after: Option<Millis>,
    /// Change that another channel must have made in that time; otherwise the reading is not stuck.
    pub stuck_moved: Kelvins,
    /// Time without a change on any channel after which all are stuck, if that is judged.
    pub still_after: Option<Millis>,
    /// Most restarts within the window; one more is too many.
    pub restart_limit: u8,
    /// Time without a restart after which earlier restarts are forgotten.
    pub restart_window: Millis,
    /// Time within which a relay's contact must follow its command.
    pub feedback: Millis,
    /// Time the reset button must be held.
    pub button: Millis,
}

/// Everything a fitter can set.
#[derive(Clone, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Settings {
    /// The thermometer channels.
    pub channels: Vec<Channel, MAX_CHANNELS>,
    /// Charge.
    pub charge: Charge,
    /// Heater.
    pub heater: Heater,
    /// Energy sources.
    pub sources: Vec<Source, MAX_SOURCES>,
    /// Whether the bank may be spent on heat.
    pub bank: BankUse,
    /// Signs that the bank pays for what sources should; nothing if the bank cannot feed the heater.
    pub giving: Option<Giving>,
    /// Trust in readings, clock and contacts.
    pub trust: Trust,
}

/// Settings that have passed [`Settings::validate`]. Only these make a controller or a guard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ValidSettings(Settings);

impl core::ops::Deref for ValidSettings {
    type Target = Settings;

    fn deref(&self) -> &Settings {
        &self.0
    }
}

impl ValidSettings {
    /// The settings themselves, to be changed and validated again.
    #[must_use]
    pub fn into_inner(self) -> Settings {
        self.0
    }
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod worlds;

//! What a fitter can set, within which bounds, and which settings make no sense together.
//!
//! [`TABLE`] is the one list of settings: name, unit, range, default and meaning. Validation, messages, the starter file and
//! the documentation read it. [`Settings::check`] reports every problem; [`Settings::validate`] turns settings without
//! a problem into [`ValidSettings`], the only thing a controller or a guard can be made of.

use crate::quantity::{
    Celsius, Fraction, Joules, KelvinRate, Kelvins, MilliampHours, Milliamps, Millis, Millivolts, Milliwatts, Ohms,
};
use crate::rtd::{Element, Leads, Thermometer};
use core::fmt;
use heapless::Vec;

/// Thermometer channels one controller can have.
pub const MAX_CHANNELS: usize = 6;
/// Energy sources one controller can have.
pub const MAX_SOURCES: usize = 4;
/// Points of the charge-current ceiling.
pub const MAX_CEILING_POINTS: usize = 8;

/// One thing made of each in a list, with its index.
///
/// `collect` would do, but panics where the new list is too short; here the types say that it is not.
pub(crate) fn each<T, U, const N: usize>(list: &Vec<T, N>, mut make: impl FnMut(usize, &T) -> U) -> Vec<U, N> {
    let mut made = Vec::new();
    for (index, item) in list.iter().enumerate() {
        let _ = made.push(make(index, item));
    }
    made
}

/// Where a thermometer sits, and so what its reading is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Role {
    /// In or between batteries. The coldest permits charge, each must be good.
    Cell,
    /// On the heater plate.
    Pad,
    /// In the air around the bank. Only told, and counted for the heater cut-out.
    Ambient,
    /// On no thermometer: a fixed resistor that tells whether reference and return, which all channels share, are what they should be.
    Check(Check),
}

/// A fixed resistor on a channel. What is measured of it must lie within a band; otherwise what all channels share is wrong, and each of
/// them may read warm by as much.
///
/// It finds a reference or a return that has changed, and a converter that has lost its gain. It does not find a change of reference
/// inside the band, which every reading then has. A check channel that alone repeats its last code finds nothing; it is not
/// told from a resistor that is as steady as it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Check {
    /// What it has.
    pub nominal: Ohms,
    /// How far from that the channel may measure, *at most* so much.
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
            // Where a check resistor is off, all readings are in doubt.
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
    /// Charging a cell at or below this harms it. Nothing obeys it: it says how much the other settings may let a reading be off by.
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
    /// What the bank may be charged with at a point of the ceiling, per capacity. The point is the maker's, for each battery; of two or more in
    /// parallel one may have disconnected itself, and the others then share its current.
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

    /// The lowest temperature of the coldest cell at which the ceiling lets sources that do not obey it give `current` together; nothing
    /// where it never does, and the lowest there is where it always does.
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Hold {
    /// The heater keeps the cells warm while they are charged.
    WhileCharging,
    /// The heater only warms up.
    Never,
}

/// Proof that the heater heats: so much energy must raise plate or cells by so much.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Proof {
    /// Energy put in since a cool plate was first heated.
    pub energy: Joules,
    /// Rise of a plate or of the coldest cell that must have followed.
    pub rise: Kelvins,
    /// Rise that each plate thermometer must have shown by itself: more than the air of the box does, or one that has come off is not
    /// told from one that sits on the plate.
    pub pad_rise: Kelvins,
}

/// Proof that the heater is off: the plate must have cooled to within so much of the cells after so long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Cooling {
    /// Time since the heater was switched off.
    pub after: Millis,
    /// Excess of the hottest plate over the hottest cell that is no longer explained by the last heating.
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum ChargeCurrent {
    /// No more than the ceiling: something makes it obey.
    Obeys,
    /// Whatever the ceiling is, up to this. Charge is refused while the sources like this that are present could give more together
    /// than the cells may take.
    UpTo(Milliamps),
    /// The same in two fixed steps, which the full charge permit switches. While it is off the source counts with `reduced`; it comes on
    /// only where all could give the most.
    InSteps {
        /// The most while the full charge permit is off.
        reduced: Milliamps,
        /// The most while it is on.
        most: Milliamps,
    },
}

impl ChargeCurrent {
    /// The most that it gives whatever the ceiling is; nothing of a source that obeys.
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
    /// Whether the policy offers the bank, whatever its charge, with so much `budget` of other sources at hand.
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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

/// What shows that the bank pays for heat that sources are said to give. See [`giving`](crate::giving).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Giving {
    /// Fall of its voltage by as much, *at or below*, from before the heater came on.
    pub fall: Millivolts,
    /// Fall of its state of charge while the heater was on, *by as much or more*.
    pub fall_charge: Fraction,
}

/// How far readings, clock and contacts are trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
    /// Change of another channel in that time without which it is not.
    pub stuck_moved: Kelvins,
    /// Time after which all channels are stuck that have not changed in it, if that is judged.
    pub still_after: Option<Millis>,
    /// Most restarts within the window; one more is too many.
    pub restart_limit: u8,
    /// Time without a restart after which they are forgotten.
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
    /// What shows that the bank pays for what sources should; nothing where it cannot feed the heater.
    pub giving: Option<Giving>,
    /// Trust in readings, clock and contacts.
    pub trust: Trust,
}

/// Names one setting. Those of channels, sources and ceiling points exist once for each; see [`Place`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(missing_docs, reason = "each is described by its row of TABLE")]
pub enum Key {
    HardLimit,
    Inhibit,
    Release,
    HighLimit,
    HighRelease,
    Soak,
    ChargeMinOff,
    OverdueAfter,
    Capacity,
    Batteries,
    CeilingAt,
    CeilingLimit,
    HeaterStart,
    HeaterStop,
    HeaterPower,
    HeaterNominal,
    SupplyMin,
    SupplyMax,
    CutoutCell,
    CutoutPad,
    CutoutHysteresis,
    OverTemperature,
    HeaterMinOn,
    HeaterMinOff,
    MaxRun,
    Rest,
    MaxCycles,
    ProofEnergy,
    ProofRise,
    ProofPadRise,
    CoolingAfter,
    CoolingExcess,
    Budget,
    Priority,
    Settle,
    MostCurrent,
    ReducedCurrent,
    ReserveFloor,
    ReserveResume,
    ReserveFloorVoltage,
    ReserveResumeVoltage,
    ReserveSag,
    FallVoltage,
    FallCharge,
    GoodRun,
    MaxStep,
    MaxAge,
    PlausibleLow,
    PlausibleHigh,
    Noise,
    FastestCell,
    FastestPad,
    FastestAmbient,
    Disagreement,
    StuckAfter,
    StuckMoved,
    StillAfter,
    RestartLimit,
    RestartWindow,
    Feedback,
    Button,
    Reference,
    LeadLoop,
    LeadTemperature,
    LeadLeast,
    LeadMost,
    Offset,
    CheckOhm,
    CheckWithin,
}

/// One row of [`TABLE`]. Numbers are in thousandths of the unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fact {
    /// Which setting.
    pub key: Key,
    /// Its section and name in an installation file; the name carries the unit.
    pub name: (&'static str, &'static str),
    /// Unit, for a person.
    pub unit: &'static str,
    /// Lowest value allowed.
    pub minimum: i64,
    /// Highest value allowed.
    pub maximum: i64,
    /// Value where the fitter gives none; nothing where the fitter must give one, or may leave it out.
    pub default: Option<i64>,
}

impl Fact {
    /// What it is, for a person.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "the enum and the table are in one order, held by a test")]
    pub const fn meaning(&self) -> &'static str {
        MEANINGS[self.key as usize]
    }
}

macro_rules! table {
    ($($key:ident $section:literal $name:literal $unit:literal $min:literal..$max:literal [$($default:literal)?] $meaning:literal;)*) => {
        /// Every numeric setting: section and name, unit, range, default. Numbers are in thousandths of the unit.
        ///
        /// Defaults and ranges are common practice, no source, except where the meaning says otherwise. The battery maker's limits
        /// override every default.
        pub const TABLE: &[Fact] = &[$(Fact {
            key: Key::$key, name: ($section, $name), unit: $unit,
            minimum: $min, maximum: $max, default: table!(@default $($default)?),
        }),*];

        /// Apart from the rest, so that a microcontroller that only checks ranges has no need to keep them.
        const MEANINGS: &[&str] = &[$($meaning),*];
    };
    (@default) => { None };
    (@default $value:literal) => { Some($value) };
}

#[rustfmt::skip]
table! {
    HardLimit "charge" "hard_limit_c" "°C" 0..15_000 [0] "charging a cell at or below this harms it, whatever its thermometer shows";
    Inhibit "charge" "inhibit_c" "°C" 0..15_000 [5_000] "charge is refused with the coldest cell at or below this";
    Release "charge" "release_c" "°C" 500..25_000 [8_000] "charge is permitted anew only with the coldest cell above this";
    HighLimit "charge" "high_limit_c" "°C" 20_000..60_000 [45_000] "charge is refused with the hottest cell at or above this";
    HighRelease "charge" "high_release_c" "°C" 15_000..59_000 [42_000] "charge is permitted anew, whatever it was refused for, only with the hottest cell below this";
    Soak "charge" "soak_min" "min" 1_000..720_000 [30_000] "time above release before charge is permitted";
    ChargeMinOff "charge" "min_off_s" "s" 0..3_600_000 [60_000] "shortest time the charge relay stays open";
    OverdueAfter "charge" "overdue_after_h" "h" 100..720_000 [24_000] "time with a source present and charge refused after which a notice says why";
    Capacity "charge" "capacity_ah" "Ah" 1_000..20_000_000 [] "capacity of the bank";
    Batteries "charge" "batteries" "" 1_000..100_000 [] "batteries in parallel, without it those of [battery]; of two or more the ceiling counts one less, as nothing says that none is disconnected";
    CeilingAt "charge.ceiling" "cell_c" "°C" -20_000..80_000 [] "coldest cell temperature of a point of the charge-current ceiling";
    CeilingLimit "charge.ceiling" "c_rate" "C" 0..5_000 [] "largest charge current there, per capacity";
    HeaterStart "heater" "start_c" "°C" 0..30_000 [7_000] "while charge is permitted, the heater comes on with the coldest cell at or below this";
    HeaterStop "heater" "stop_c" "°C" 1_000..35_000 [12_000] "the heater goes off with the coldest cell at or above this";
    HeaterPower "heater" "power_w" "W" 1_000..10_000_000 [] "heater power at the nominal voltage";
    HeaterNominal "heater" "nominal_v" "V" 5_000..100_000 [] "voltage at which the power is stated";
    SupplyMin "heater" "supply_min_v" "V" 4_000..100_000 [] "lowest supply voltage the heater may be run on";
    SupplyMax "heater" "supply_max_v" "V" 5_000..120_000 [] "highest supply voltage the heater may be run on";
    CutoutCell "heater" "cutout_cell_c" "°C" 10_000..55_000 [30_000] "the heater is cut out with a cell or ambient channel at or above this";
    CutoutPad "heater" "cutout_pad_c" "°C" 10_000..90_000 [50_000] "the heater is cut out with a pad channel at or above this";
    CutoutHysteresis "heater" "cutout_hysteresis_k" "K" 500..20_000 [5_000] "the heater may run again with every channel below its cut-out by this";
    OverTemperature "heater" "over_temperature_k" "K" 1_000..30_000 [10_000] "a channel at or above its cut-out by this latches the heater off";
    HeaterMinOn "heater" "min_on_s" "s" 0..3_600_000 [60_000] "shortest time on, unless safety says otherwise";
    HeaterMinOff "heater" "min_off_s" "s" 0..3_600_000 [60_000] "shortest time off";
    MaxRun "heater" "max_run_h" "h" 100..96_000 [24_000] "longest time on without a pause as long as rest_min";
    Rest "heater" "rest_min" "min" 1_000..1_440_000 [30_000] "pause after the longest time on";
    MaxCycles "heater" "max_cycles_per_day" "" 4_000..250_000 [60_000] "most times the heater's relay closes in any 24 h, and half of that day after day: a relay good for 100 000 closings then lasts 22 winters of 150 days at worst";
    ProofEnergy "heater" "proof_wh" "Wh" 100..5_000_000 [] "energy after which plate or cells must be warmer (leave out: not judged)";
    ProofRise "heater" "proof_rise_k" "K" 100..20_000 [] "rise that must have followed";
    ProofPadRise "heater" "proof_pad_rise_k" "K" 100..40_000 [] "rise that each plate thermometer must have shown, more than the air of the box does (leave out: as proof_rise_k)";
    CoolingAfter "heater" "cooling_min" "min" 1_000..720_000 [] "time after which the plate of a heater that is off must be cool (leave out: not judged)";
    CoolingExcess "heater" "cooling_excess_k" "K" 500..40_000 [] "excess of plate over cells that is then no longer explained";
    Budget "source" "budget_w" "W" 0..20_000_000 [] "power the source can give to heater and charge together";
    Priority "source" "priority" "" 0..9_000 [0] "lower numbers are spent first";
    Settle "source" "settle_s" "s" 0..600_000 [10_000] "time a source must have been present before it is spent";
    MostCurrent "source" "most_current_a" "A" 0..10_000_000 [] "most current it can give to the bank, whatever the ceiling is; 0 where it charges nothing";
    ReducedCurrent "source" "reduced_current_a" "A" 100..10_000_000 [] "most current it can give while the full charge permit is off (leave out: as most_current_a); not 0, or charge would count as permitted where nothing charges";
    ReserveFloor "bank" "reserve_pct" "%" 1_000..99_000 [] "state of charge at or below which the bank is not spent on heat";
    ReserveResume "bank" "resume_pct" "%" 2_000..100_000 [] "state of charge at or above which it is spent again";
    ReserveFloorVoltage "bank" "reserve_v" "V" 4_000..120_000 [] "bank voltage at or below which the bank is not spent on heat";
    ReserveResumeVoltage "bank" "resume_v" "V" 4_000..120_000 [] "bank voltage at or above which it is spent again";
    ReserveSag "bank" "sag_v" "V" 0..5_000 [0] "allowance for the voltage drop that the heater itself causes";
    FallVoltage "bank" "fall_v" "V" 20..10_000 [300] "fall of the bank's voltage under the heater that shows that the bank pays and no source gives; more than a charger's own regulation and cable";
    FallCharge "bank" "fall_pct" "%" 200..20_000 [2_000] "fall of the state of charge while heated that shows the same; two steps of its meter";
    GoodRun "trust" "good_readings" "" 2_000..100_000 [5_000] "good readings in a row before a doubtful channel is trusted again";
    MaxStep "trust" "max_step_s" "s" 10_000..60_000 [15_000] "longest time between two steps of the controller; a board may take 10 s for one";
    MaxAge "trust" "max_age_s" "s" 100..600_000 [30_000] "longest age of a measurement; a channel without a newer one is missing";
    PlausibleLow "trust" "plausible_low_c" "°C" -59_000..-40_000 [-45_000] "coldest temperature that can be at any channel; a bank left in the frost must read as cold, not as broken";
    PlausibleHigh "trust" "plausible_high_c" "°C" 60_000..149_000 [100_000] "hottest temperature that can be at any channel; a bank or plate in the sun must read as hot, not as broken";
    Noise "trust" "noise_k" "K" 100..5_000 [250] "change between two readings that is always believed; a few digits of a converter make 0.1 K";
    FastestCell "trust" "fastest_cell_k_per_min" "K/min" 1_000..60_000 [3_000] "fastest believable change of a cell channel; a bare battery in wind cools by 1 K in a minute";
    FastestPad "trust" "fastest_pad_k_per_min" "K/min" 25_000..600_000 [60_000] "fastest believable change of a pad channel; 0.3 W/cm² heat 3 mm of aluminium by 25 K in a minute";
    FastestAmbient "trust" "fastest_ambient_k_per_min" "K/min" 1_000..600_000 [30_000] "fastest believable change of an ambient channel";
    Disagreement "trust" "disagreement_k" "K" 500..40_000 [4_000] "largest difference between channels of one role";
    StuckAfter "trust" "stuck_after_h" "h" 100..500_000 [12_000] "time after which a reading unchanged to the last digit is stuck (\"never\": not judged)";
    StuckMoved "trust" "stuck_moved_k" "K" 500..30_000 [5_000] "change of another channel in that time without which it is not";
    StillAfter "trust" "still_after_min" "min" 2_000..240_000 [10_000] "time after which all channels are stuck if none has changed in its last digit (\"never\": not judged)";
    RestartLimit "trust" "restart_limit" "" 2_000..100_000 [5_000] "most restarts within the window; one more is too many";
    RestartWindow "trust" "restart_window_min" "min" 1_000..600_000 [15_000] "time without a restart after which they are forgotten";
    Feedback "trust" "feedback_s" "s" 100..60_000 [5_000] "time within which a relay's contact must follow its command";
    Button "trust" "button_s" "s" 500..20_000 [2_000] "time the reset button must be held";
    Reference "channel" "reference_ohm" "Ω" 10_000..16_000_000 [] "reference resistor of the converter";
    LeadLoop "channel" "lead_loop_ohm" "Ω" 0..100_000 [] "resistance of both leads of a 2-wire connection at 20 °C";
    LeadTemperature "channel" "lead_c" "°C" -60_000..80_000 [20_000] "temperature the leads are taken to have; state the warmest that is likely";
    LeadLeast "channel" "lead_least_ohm" "Ω" 0..100_000 [] "least that one lead of a 3-wire connection can have (leave out: what follows from cable_m and cable_mm2)";
    LeadMost "channel" "lead_most_ohm" "Ω" 0..100_000 [] "most that one lead can have; a lead measured outside of the two makes the channel doubtful";
    Offset "channel" "offset_k" "K" -5_000..5_000 [0] "added to the reading";
    CheckOhm "channel" "check_ohm" "Ω" 1_000..16_000_000 [] "the fixed resistor of a check channel";
    CheckWithin "channel" "check_within_ohm" "Ω" 1..1_000_000 [] "how far from it the channel may measure; beyond, no channel is believed";
}

impl Key {
    /// The row of [`TABLE`].
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "the enum and the table are in one order, held by a test")]
    pub const fn fact(self) -> &'static Fact {
        &TABLE[self as usize]
    }
}

/// One setting of one thing: a [`Key`], and which channel, source or ceiling point it belongs to (0 where there is one only).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Place {
    /// Which setting.
    pub key: Key,
    /// Of which channel, source or ceiling point.
    pub index: u8,
}

impl Place {
    /// The setting `key`, of which there is one only.
    #[must_use]
    pub const fn of(key: Key) -> Self {
        Self { key, index: 0 }
    }

    /// The setting `key` of the thing at `index`.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "no list holds more than 8")]
    pub const fn at(key: Key, index: usize) -> Self {
        Self { key, index: index as u8 }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (section, name) = self.key.fact().name;
        match section {
            "channel" | "source" | "charge.ceiling" => {
                write!(f, "{section}[{}].{name}", self.index)
            }
            _ => write!(f, "{section}.{name}"),
        }
    }
}

/// Why settings are refused. Values are in thousandths of the setting's unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SettingsError {
    /// A value lies outside the range of its row in [`TABLE`].
    OutsideRange {
        /// Which setting.
        place: Place,
        /// Its value.
        value: i64,
    },
    /// One setting must be less than another and is not.
    NotBelow {
        /// The one that must be less.
        lower: Place,
        /// Its value.
        lower_value: i64,
        /// The one that must be greater.
        upper: Place,
        /// Its value, or what follows from it.
        upper_value: i64,
        /// What goes wrong otherwise.
        why: &'static str,
    },
    /// There is no channel with the role `cell`: nothing would know how cold the cells are.
    NoCell,
    /// The charge-current ceiling has no point, or allows no current at any.
    NoCeiling,
    /// Whether a heater is off is to be judged by its plate, and no channel is on it.
    NoPad,
    /// The heater cannot give the energy of its proof within its maximum run: the proof would never be asked for.
    NeverProven {
        /// What it gives in that time, in thousandths of a watt hour.
        most: i64,
    },
    /// The allowance for the bank's sag is more than a sixteenth of its floor.
    SagTooLarge {
        /// The most it may be.
        most: Millivolts,
    },
    /// With its negative offset a channel lets something become hotter than any setting may, before it shows its limit.
    OffsetTooLow {
        /// Which channel.
        channel: u8,
        /// Which limit.
        limit: Key,
        /// What is allowed then, in thousandths of a degree Celsius.
        allows: i64,
    },
    /// With this reference resistor the converter cannot see resistances up to this channel's highest plausible temperature.
    ReferenceTooSmall {
        /// Which channel.
        channel: u8,
        /// The resistance that its reference must exceed.
        least: Ohms,
    },
    /// With its offset or leads, a threshold of this channel lies outside what its thermometer can measure.
    Unmeasurable {
        /// Which channel.
        channel: u8,
    },
}

/// A number of thousandths, written in units with up to three decimals.
#[derive(Clone, Copy)]
pub struct Thousandths(pub i64);

impl fmt::Display for Thousandths {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = self.0.unsigned_abs();
        if self.0 < 0 {
            f.write_str("-")?;
        }
        write!(f, "{}", size / 1000)?;
        match size % 1000 {
            0 => Ok(()),
            rest if rest % 100 == 0 => write!(f, ".{}", rest / 100),
            rest if rest % 10 == 0 => write!(f, ".{:02}", rest / 10),
            rest => write!(f, ".{rest:03}"),
        }
    }
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::OutsideRange { place, value } => {
                let fact = place.key.fact();
                write!(
                    f,
                    "{place} is {} {unit}, outside {} to {} {unit}",
                    Thousandths(value),
                    Thousandths(fact.minimum),
                    Thousandths(fact.maximum),
                    unit = fact.unit
                )
            }
            Self::NotBelow { lower, lower_value, upper, upper_value, .. } => write!(
                f,
                "{lower} is {} {}, not below {upper} ({} {})",
                Thousandths(lower_value),
                lower.key.fact().unit,
                Thousandths(upper_value),
                upper.key.fact().unit
            ),
            Self::NoCell => f.write_str("no channel has the role cell"),
            Self::NoCeiling => f.write_str("the charge-current ceiling has no point above 0 C"),
            Self::NoPad => write!(f, "{} needs a channel with the role pad", Place::of(Key::CoolingAfter)),
            Self::NeverProven { most } => write!(
                f,
                "{} is more than the {} Wh that the heater gives in {}",
                Place::of(Key::ProofEnergy),
                Thousandths(most),
                Place::of(Key::MaxRun)
            ),
            Self::SagTooLarge { most } => write!(
                f,
                "{} is above {} V, a sixteenth of {}",
                Place::of(Key::ReserveSag),
                Thousandths(most.as_millivolts().into()),
                Place::of(Key::ReserveFloorVoltage)
            ),
            Self::OffsetTooLow { channel, limit, allows } => write!(
                f,
                "with channel[{channel}].offset_k, {} allows {} °C, above {} °C",
                Place::of(limit),
                Thousandths(allows),
                Thousandths(limit.fact().maximum)
            ),
            Self::ReferenceTooSmall { channel, .. } => {
                write!(f, "channel[{channel}].reference_ohm is too small for the element")
            }
            Self::Unmeasurable { channel } => {
                write!(f, "channel[{channel}] cannot measure all thresholds with its offset and leads")
            }
        }
    }
}

impl core::error::Error for SettingsError {}

impl SettingsError {
    /// What goes wrong if it is left so.
    #[must_use]
    pub const fn why(&self) -> &'static str {
        match self {
            Self::OutsideRange { place, .. } => place.key.fact().meaning(),
            Self::NotBelow { why, .. } => why,
            Self::NoCell => "nothing would know how cold the cells are, so charge could never be permitted",
            Self::NoCeiling => "no charge current would be allowed at any temperature",
            Self::NoPad => "a heater that stays on would show on its plate first, and nothing would look there",
            Self::NeverProven { .. } => "a heater without effect would never be found, and nothing would say so",
            Self::SagTooLarge { .. } => {
                "the reserve lies lower by it while the heater runs: an LFP cell kept at 3.2 V has 3.0 V then, and hardly a charge below that"
            }
            Self::OffsetTooLow { .. } => "what is hotter than its limit would read as if it were not",
            Self::ReferenceTooSmall { .. } => {
                "a converter that measures against it reaches full scale on a warm element"
            }
            Self::Unmeasurable { .. } => "the guard compares each channel with every threshold by its own resistance",
        }
    }
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

/// Keys that must lie in this order, the first below the second, and what goes wrong otherwise.
const ORDER: &[(Key, Key, &str)] = &[
    (Key::Inhibit, Key::Release, "between the two lies the hysteresis; without it the permit would chatter"),
    (Key::Release, Key::HighRelease, "charge would be refused as too hot before it is released as warm"),
    (Key::HighRelease, Key::HighLimit, "between the two lies the hysteresis; without it the permit would chatter"),
    (Key::Release, Key::HeaterStop, "the heater would stop before charge is released, and the bank would never charge"),
    (Key::Inhibit, Key::HeaterStart, "the cells would cool to the inhibit threshold before the heater holds them"),
    (
        Key::HeaterStart,
        Key::HeaterStop,
        "between the two lies the heater's hysteresis; without it the relay would chatter",
    ),
    (
        Key::HeaterStop,
        Key::HighRelease,
        "the heater would warm the cells out of the range in which they may be charged",
    ),
    (Key::HighLimit, Key::PlausibleHigh, "cells too hot to charge would be taken for a broken sensor"),
    (Key::Soak, Key::OverdueAfter, "charge would be called overdue while it is soaking"),
    (Key::MaxAge, Key::StillAfter, "channels that are measured as seldom would be taken for stuck"),
    (Key::SupplyMin, Key::SupplyMax, "no supply voltage would do"),
    (Key::HeaterMinOn, Key::MaxRun, "the heater would have to go off before it may"),
    (Key::ReserveFloor, Key::ReserveResume, "between the two lies the hysteresis; without it the heater would chatter"),
    (
        Key::ReserveFloorVoltage,
        Key::ReserveResumeVoltage,
        "between the two lies the hysteresis; without it the heater would chatter",
    ),
    (Key::MaxAge, Key::StuckAfter, "channels that are measured as seldom would be taken for stuck"),
    (Key::Noise, Key::ProofRise, "noise that is believed would pass for a rise, and nothing would be proved"),
    (Key::Noise, Key::CoolingExcess, "noise that is believed would pass for a plate that stays warm"),
    (Key::Noise, Key::Disagreement, "noise that is believed would pass for a disagreement"),
    (Key::Noise, Key::StuckMoved, "noise that is believed would pass for a move, and channels at rest for stuck"),
];

impl Settings {
    /// The value of a setting in thousandths of its unit; nothing where it is not set.
    #[must_use]
    #[expect(clippy::too_many_lines, reason = "one row a setting")]
    pub fn value(&self, place: Place) -> Option<i64> {
        let Self { charge, heater, trust, .. } = self;
        let index = usize::from(place.index);
        let celsius = |t: Celsius| Some(i64::from(t.as_millidegrees()));
        let kelvins = |t: Kelvins| Some(i64::from(t.as_millikelvins()));
        let volts = |v: Millivolts| Some(i64::from(v.as_millivolts()));
        let watts = |p: Milliwatts| Some(i64::from(p.as_milliwatts()));
        let rate = |r: KelvinRate| Some(i64::from(r.as_millikelvins_per_minute()));
        let ohms = |r: Ohms| i64::try_from(r.as_micro_ohms() / 1000).ok();
        let whole = |n: u8| Some(i64::from(n).saturating_mul(1000));
        let seconds = |t: Millis| Some(i64::from(t.as_millis()));
        let minutes = |t: Millis| Some(i64::from(t.as_millis()) / 60);
        let hours = |t: Millis| Some(i64::from(t.as_millis()) / 3600);
        let percent = |x: Fraction| Some(i64::from(x.as_per_mille()).saturating_mul(100));
        let source = || self.sources.get(index);
        let channel = || self.channels.get(index);
        let point = || charge.ceiling.get(index);
        match place.key {
            Key::HardLimit => celsius(charge.hard_limit),
            Key::Inhibit => celsius(charge.inhibit),
            Key::Release => celsius(charge.release),
            Key::HighLimit => celsius(charge.high_limit),
            Key::HighRelease => celsius(charge.high_release),
            Key::Soak => minutes(charge.soak),
            Key::ChargeMinOff => seconds(charge.min_off),
            Key::OverdueAfter => hours(charge.overdue_after),
            Key::Capacity => Some(i64::from(charge.capacity.as_milliamp_hours())),
            Key::Batteries => whole(charge.batteries),
            Key::CeilingAt => celsius(point()?.at),
            Key::CeilingLimit => Some(i64::from(point()?.limit.as_per_mille())),
            Key::HeaterStart => celsius(heater.start),
            Key::HeaterStop => celsius(heater.stop),
            Key::HeaterPower => watts(heater.power),
            Key::HeaterNominal => volts(heater.nominal),
            Key::SupplyMin => volts(heater.supply_min),
            Key::SupplyMax => volts(heater.supply_max),
            Key::CutoutCell => celsius(heater.cutout_cell),
            Key::CutoutPad => celsius(heater.cutout_pad),
            Key::CutoutHysteresis => kelvins(heater.cutout_hysteresis),
            Key::OverTemperature => kelvins(heater.over_temperature),
            Key::HeaterMinOn => seconds(heater.min_on),
            Key::HeaterMinOff => seconds(heater.min_off),
            Key::MaxRun => hours(heater.max_run),
            Key::Rest => minutes(heater.rest),
            Key::MaxCycles => whole(heater.max_cycles_per_day),
            Key::ProofEnergy => Some(i64::from(heater.proof?.energy.as_joules()).saturating_mul(10) / 36),
            Key::ProofRise => kelvins(heater.proof?.rise),
            Key::ProofPadRise => kelvins(heater.proof?.pad_rise),
            Key::CoolingAfter => minutes(heater.cooling?.after),
            Key::CoolingExcess => kelvins(heater.cooling?.excess),
            Key::Budget => watts(source()?.budget),
            Key::Priority => whole(source()?.priority),
            Key::Settle => seconds(source()?.settle),
            Key::MostCurrent => Some(i64::from(source()?.charge.most()?.as_milliamps())),
            Key::ReducedCurrent => match source()?.charge {
                ChargeCurrent::InSteps { reduced, .. } => Some(i64::from(reduced.as_milliamps())),
                ChargeCurrent::UpTo(_) | ChargeCurrent::Obeys => None,
            },
            Key::ReserveFloor | Key::ReserveResume => match self.bank.reserve()? {
                Reserve::StateOfCharge { floor, resume } => {
                    percent(if place.key == Key::ReserveFloor { floor } else { resume })
                }
                Reserve::Voltage { .. } => None,
            },
            Key::ReserveFloorVoltage | Key::ReserveResumeVoltage | Key::ReserveSag => match self.bank.reserve()? {
                Reserve::Voltage { floor, resume, sag } => volts(match place.key {
                    Key::ReserveFloorVoltage => floor,
                    Key::ReserveResumeVoltage => resume,
                    _ => sag,
                }),
                Reserve::StateOfCharge { .. } => None,
            },
            Key::FallVoltage => volts(self.giving?.fall),
            Key::FallCharge => percent(self.giving?.fall_charge),
            Key::GoodRun => whole(trust.good_run),
            Key::MaxStep => seconds(trust.max_step),
            Key::MaxAge => seconds(trust.max_age),
            Key::PlausibleLow => celsius(trust.plausible_low),
            Key::PlausibleHigh => celsius(trust.plausible_high),
            Key::Noise => kelvins(trust.noise),
            Key::FastestCell => rate(trust.fastest_cell),
            Key::FastestPad => rate(trust.fastest_pad),
            Key::FastestAmbient => rate(trust.fastest_ambient),
            Key::Disagreement => kelvins(trust.disagreement),
            Key::StuckAfter => hours(trust.stuck_after?),
            Key::StuckMoved => kelvins(trust.stuck_moved),
            Key::StillAfter => minutes(trust.still_after?),
            Key::RestartLimit => whole(trust.restart_limit),
            Key::RestartWindow => minutes(trust.restart_window),
            Key::Feedback => seconds(trust.feedback),
            Key::Button => seconds(trust.button),
            Key::Reference => ohms(channel()?.reference),
            Key::LeadLoop => match channel()?.leads {
                Leads::TwoWire { loop_at_20c, .. } => ohms(loop_at_20c),
                Leads::ThreeWire { .. } | Leads::FourWire => None,
            },
            Key::LeadLeast => ohms(channel()?.leads.band()?.0),
            Key::LeadMost => ohms(channel()?.leads.band()?.1),
            Key::LeadTemperature => match channel()?.leads {
                Leads::TwoWire { at, .. } => celsius(at),
                Leads::ThreeWire { .. } | Leads::FourWire => None,
            },
            Key::Offset => kelvins(channel()?.offset),
            Key::CheckOhm | Key::CheckWithin => match channel()?.role {
                Role::Check(Check { nominal, within }) => {
                    ohms(if place.key == Key::CheckOhm { nominal } else { within })
                }
                Role::Cell | Role::Pad | Role::Ambient => None,
            },
        }
    }

    /// Reports every problem, in the order of [`TABLE`].
    pub fn check(&self, mut report: impl FnMut(SettingsError)) {
        for fact in TABLE {
            for index in 0..MAX_CEILING_POINTS {
                let place = Place::at(fact.key, index);
                let shared = !matches!(fact.name.0, "channel" | "source" | "charge.ceiling");
                if shared && index > 0 {
                    break;
                }
                if let Some(value) = self.value(place)
                    && !(fact.minimum..=fact.maximum).contains(&value)
                {
                    report(SettingsError::OutsideRange { place, value });
                }
            }
        }
        for &(lower, upper, why) in ORDER {
            self.check_below(Place::of(lower), Place::of(upper), why, &mut report);
        }
        for next in 1..self.charge.ceiling.len() {
            let (lower, upper) = (Place::at(Key::CeilingAt, next.saturating_sub(1)), Place::at(Key::CeilingAt, next));
            self.check_below(lower, upper, "the points of the ceiling must be in order of temperature", &mut report);
        }
        for index in 0..self.sources.len() {
            let (lower, upper) = (Place::at(Key::ReducedCurrent, index), Place::at(Key::MostCurrent, index));
            self.check_below(
                lower,
                upper,
                "without a smaller step the full charge permit switches nothing",
                &mut report,
            );
        }
        for (key, cutout) in [(Key::CutoutCell, self.heater.cutout_cell), (Key::CutoutPad, self.heater.cutout_pad)] {
            let highest = cutout.raised(self.heater.over_temperature);
            if highest >= self.trust.plausible_high {
                report(SettingsError::NotBelow {
                    lower: Place::of(key),
                    lower_value: highest.as_millidegrees().into(),
                    upper: Place::of(Key::PlausibleHigh),
                    upper_value: self.trust.plausible_high.as_millidegrees().into(),
                    why: "with over_temperature_k added, an over-temperature would be taken for a broken sensor",
                });
            }
            let again = cutout.lowered(self.heater.cutout_hysteresis);
            if again <= self.heater.stop {
                report(SettingsError::NotBelow {
                    lower: Place::of(Key::HeaterStop),
                    lower_value: self.heater.stop.as_millidegrees().into(),
                    upper: Place::of(key),
                    upper_value: again.as_millidegrees().into(),
                    why: "with cutout_hysteresis_k taken off it must still lie above, or a cut-out would outlast the warmth",
                });
            }
        }
        if !self.channels.iter().any(|channel| channel.role == Role::Cell) {
            report(SettingsError::NoCell);
        }
        if self.charge.ceiling.iter().all(|point| point.limit == Fraction::ZERO) {
            report(SettingsError::NoCeiling);
        }
        self.check_relations(&mut report);
        for (index, channel) in self.channels.iter().enumerate() {
            self.check_channel(index, channel, &mut report);
        }
    }

    fn check_below(&self, lower: Place, upper: Place, why: &'static str, report: &mut impl FnMut(SettingsError)) {
        if let (Some(lower_value), Some(upper_value)) = (self.value(lower), self.value(upper)) {
            // Compared as durations where the units differ.
            let scale = |place: Place| match place.key.fact().unit {
                "h" => 3600,
                "min" => 60,
                _ => 1,
            };
            if lower_value.saturating_mul(scale(lower)) >= upper_value.saturating_mul(scale(upper)) {
                report(SettingsError::NotBelow { lower, lower_value, upper, upper_value, why });
            }
        }
    }

    #[expect(clippy::cast_possible_truncation, reason = "at most 6 channels")]
    fn check_channel(&self, index: usize, channel: &Channel, report: &mut impl FnMut(SettingsError)) {
        let (least, most) = (Place::at(Key::LeadLeast, index), Place::at(Key::LeadMost, index));
        self.check_below(least, most, "no lead that is measured alone would be believed", report);
        if let Role::Check(check) = channel.role {
            let (within, nominal) = (Place::at(Key::CheckWithin, index), Place::at(Key::CheckOhm, index));
            let why = "a resistor that has come off or is bridged would still be taken for good";
            self.check_below(within, nominal, why, report);
            let (_, most) = check.band();
            Self::check_reference(index, channel, most, report);
            return;
        }
        let resistance = |t: Celsius| channel.element.resistance(t.lowered(channel.offset)).ok();
        let (Some(low), Some(high)) = (resistance(self.trust.plausible_low), resistance(self.trust.plausible_high))
        else {
            report(SettingsError::Unmeasurable { channel: index as u8 });
            return;
        };
        let thermometer = Thermometer::new(channel.element);
        if thermometer.celsius(low).is_err() || thermometer.celsius(high).is_err() {
            report(SettingsError::Unmeasurable { channel: index as u8 });
        }
        Self::check_reference(index, channel, high, report);
    }

    #[expect(clippy::cast_possible_truncation, reason = "at most 6 channels")]
    fn check_reference(index: usize, channel: &Channel, high: Ohms, report: &mut impl FnMut(SettingsError)) {
        // A ratio reaches just under 4; leave a little for lead resistance and rounding.
        let full_scale = u64::from(channel.reference.as_steps()).saturating_mul(4);
        let most = u64::from(high.as_steps()).saturating_add(u64::from(channel.leads.known().as_steps()));
        if most.saturating_add(most / 64) >= full_scale {
            let least = Ohms::from_steps(u32::try_from(most.saturating_add(most / 64) / 4).unwrap_or(u32::MAX));
            report(SettingsError::ReferenceTooSmall { channel: index as u8, least });
        }
    }

    /// These settings, if nothing is wrong with them.
    ///
    /// # Errors
    /// The first problem that [`Settings::check`] reports; nothing else fails.
    pub fn validate(self) -> Result<ValidSettings, SettingsError> {
        let mut first = None;
        self.check(|error| {
            first.get_or_insert(error);
        });
        match first {
            Some(error) => Err(error),
            None => Ok(ValidSettings(self)),
        }
    }
}

mod relations;

#[cfg(test)]
mod tests;
#[cfg(test)]
mod worlds;

//! The one list of settings: name, unit, range, default and meaning.

use super::{ChargeCurrent, Check, MAX_CEILING_POINTS, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, Settings};
use crate::quantity::{Celsius, Fraction, KelvinRate, Kelvins, Millis, Millivolts, Milliwatts, Ohms};
use crate::rtd::Leads;
use core::fmt;

/// One row of [`TABLE`]. Numbers are in thousandths of the unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fact {
    /// Its section in an installation file.
    pub section: &'static str,
    /// Its name there, which ends in the unit.
    pub name: &'static str,
    /// Unit, for a person; empty for a whole number of things.
    pub unit: &'static str,
    /// Lowest value allowed.
    pub minimum: i64,
    /// Highest value allowed.
    pub maximum: i64,
    /// Value if the fitter gives none. Nothing if the fitter must give one or may leave it out, or if it follows from
    /// something else.
    pub default: Option<i64>,
    /// How many of it there can be: one for each entry of a list of sections, otherwise 1.
    pub repeats: usize,
}

impl Fact {
    /// Whether there is one of it for each entry of a list.
    #[must_use]
    pub const fn is_repeated(&self) -> bool {
        self.repeats > 1
    }

    /// Whether `value`, in thousandths, lies in its range.
    #[must_use]
    pub const fn allows(&self, value: i64) -> bool {
        self.minimum <= value && value <= self.maximum
    }
}

macro_rules! table {
    ($(
        $key:ident $section:literal $([$repeats:ident])? $name:literal $unit:literal $min:literal..$max:literal [$($default:literal)?]
        $meaning:literal;
    )*) => {
        /// Names one setting. Those of channels, sources and ceiling points exist once for each; see [`Place`].
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        pub enum Key {
            $(#[doc = concat!("`", $section, ".", $name, "`")] $key),*
        }

        impl Key {
            /// Every key, in the order of [`TABLE`].
            pub const ALL: &[Self] = &[$(Self::$key),*];
        }

        /// Every numeric setting: section and name, unit, range, default. Numbers are in thousandths of the unit.
        ///
        /// Defaults and ranges are common practice, no source, except where the meaning says otherwise. The battery maker's limits
        /// override every default.
        pub const TABLE: &[Fact] = &[$(Fact {
            section: $section, name: $name, unit: $unit,
            minimum: $min, maximum: $max, default: table!(@default $($default)?), repeats: table!(@repeats $($repeats)?),
        }),*];

        /// Apart from the rest, so that a microcontroller that only checks ranges has no need to keep them.
        const MEANINGS: &[&str] = &[$($meaning),*];
    };
    (@default) => { None };
    (@default $value:literal) => { Some($value) };
    (@repeats) => { 1 };
    (@repeats $most:ident) => { $most };
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
    CeilingAt "charge.ceiling" [MAX_CEILING_POINTS] "cell_c" "°C" -20_000..80_000 [] "coldest cell temperature of a point of the charge-current ceiling";
    CeilingLimit "charge.ceiling" [MAX_CEILING_POINTS] "c_rate" "C" 0..5_000 [] "largest charge current there, per capacity";
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
    Budget "source" [MAX_SOURCES] "budget_w" "W" 0..20_000_000 [] "power the source can give to heater and charge together";
    Priority "source" [MAX_SOURCES] "priority" "" 0..9_000 [0] "lower numbers are spent first";
    Settle "source" [MAX_SOURCES] "settle_s" "s" 0..600_000 [10_000] "time a source must have been present before it is spent";
    MostCurrent "source" [MAX_SOURCES] "most_current_a" "A" 0..10_000_000 [] "most current it can give to the bank, whatever the ceiling is; 0 where it charges nothing";
    ReducedCurrent "source" [MAX_SOURCES] "reduced_current_a" "A" 100..10_000_000 [] "most current it can give while the full charge permit is off (leave out: as most_current_a); not 0, or charge would count as permitted where nothing charges";
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
    StuckAfter "trust" "stuck_after_h" "h" 100..500_000 [1_000] "time after which a reading unchanged to the last digit is stuck (\"never\": not judged)";
    StuckMoved "trust" "stuck_moved_k" "K" 500..30_000 [5_000] "change of another channel in that time without which it is not";
    StillAfter "trust" "still_after_min" "min" 2_000..240_000 [10_000] "time after which all channels are stuck if none has changed in its last digit (\"never\": not judged)";
    RestartLimit "trust" "restart_limit" "" 2_000..100_000 [5_000] "most restarts within the window; one more is too many";
    RestartWindow "trust" "restart_window_min" "min" 1_000..600_000 [15_000] "time without a restart after which they are forgotten";
    Feedback "trust" "feedback_s" "s" 100..60_000 [5_000] "time within which a relay's contact must follow its command";
    Button "trust" "button_s" "s" 500..20_000 [2_000] "time the reset button must be held";
    Reference "channel" [MAX_CHANNELS] "reference_ohm" "Ω" 10_000..16_000_000 [] "reference resistor of the converter";
    LeadLoop "channel" [MAX_CHANNELS] "lead_loop_ohm" "Ω" 0..100_000 [] "resistance of both leads of a 2-wire connection at 20 °C";
    LeadTemperature "channel" [MAX_CHANNELS] "lead_c" "°C" -60_000..80_000 [20_000] "temperature the leads are taken to have; state the warmest that is likely";
    LeadLeast "channel" [MAX_CHANNELS] "lead_least_ohm" "Ω" 0..100_000 [] "least that one lead of a 3-wire connection can have (leave out: what follows from cable_m and cable_mm2)";
    LeadMost "channel" [MAX_CHANNELS] "lead_most_ohm" "Ω" 0..100_000 [] "most that one lead can have; a lead measured outside of the two makes the channel doubtful";
    Offset "channel" [MAX_CHANNELS] "offset_k" "K" -5_000..5_000 [0] "added to the reading";
    CheckOhm "channel" [MAX_CHANNELS] "check_ohm" "Ω" 1_000..16_000_000 [] "the fixed resistor of a check channel";
    CheckWithin "channel" [MAX_CHANNELS] "check_within_ohm" "Ω" 1..1_000_000 [] "how far from it the channel may measure; beyond, no channel is believed";
}

impl Key {
    /// The row of [`TABLE`].
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "in one order, for the same macro writes both")]
    pub const fn fact(self) -> &'static Fact {
        &TABLE[self as usize]
    }

    /// What it is, for a person.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "in one order, for the same macro writes both")]
    pub const fn meaning(self) -> &'static str {
        MEANINGS[self as usize]
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
        let fact = self.key.fact();
        let Fact { section, name, .. } = fact;
        if fact.is_repeated() { write!(f, "{section}[{}].{name}", self.index) } else { write!(f, "{section}.{name}") }
    }
}

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
        // To the nearest: a thousandth of an ohm is no whole number of steps.
        let ohms = |r: Ohms| i64::try_from(r.as_micro_ohms().saturating_add(500) / 1000).ok();
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
}

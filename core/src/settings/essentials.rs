//! Settings made of the defaults of [`TABLE`](super::TABLE) and of what only a fitter knows.

use super::{
    BankUse, CeilingPoint, Channel, Charge, ChargeCurrent, Giving, Heater, Hold, Key, MAX_CEILING_POINTS, MAX_CHANNELS,
    MAX_SOURCES, Role, Settings, Source, Trust,
};
use crate::quantity::{Celsius, Fraction, KelvinRate, Kelvins, MilliampHours, Millis, Millivolts, Milliwatts, Ohms};
use crate::rtd::{Element, Leads};
use heapless::Vec;

/// What has no default: only the fitter knows it.
///
/// [`Settings::from`] adds the defaults of everything else. The bank is then never spent on heat, and nothing proves
/// that the heater heats or cools. Set [`Settings::bank`], [`Heater::proof`] and [`Heater::cooling`] next. More
/// channels, points or sources than a controller can have do not compile.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Essentials<const CHANNELS: usize, const POINTS: usize, const SOURCES: usize> {
    /// The thermometer channels. At least one is a [cell](Role::Cell).
    pub channels: [Channel; CHANNELS],
    /// Capacity of the bank.
    pub capacity: MilliampHours,
    /// How many batteries it is made of, in parallel.
    pub batteries: u8,
    /// Charge-current ceiling, as the maker of the battery allows, in order of temperature.
    pub ceiling: [CeilingPoint; POINTS],
    /// Heater power at the nominal voltage.
    pub heater_power: Milliwatts,
    /// Voltage at which the power is stated.
    pub heater_nominal: Millivolts,
    /// Lowest supply voltage that the heater may be run on.
    pub supply_min: Millivolts,
    /// Highest supply voltage that the heater may be run on.
    pub supply_max: Millivolts,
    /// Energy sources.
    pub sources: [Source; SOURCES],
}

impl<const CHANNELS: usize, const POINTS: usize, const SOURCES: usize> From<Essentials<CHANNELS, POINTS, SOURCES>>
    for Settings
{
    fn from(given: Essentials<CHANNELS, POINTS, SOURCES>) -> Self {
        const {
            assert!(CHANNELS <= MAX_CHANNELS && POINTS <= MAX_CEILING_POINTS && SOURCES <= MAX_SOURCES);
        }
        Self {
            channels: given.channels.into_iter().collect(),
            charge: Charge {
                capacity: given.capacity,
                batteries: given.batteries,
                ceiling: given.ceiling.into_iter().collect(),
                ..Charge::DEFAULTS
            },
            heater: Heater {
                power: given.heater_power,
                nominal: given.heater_nominal,
                supply_min: given.supply_min,
                supply_max: given.supply_max,
                ..Heater::DEFAULTS
            },
            sources: given.sources.into_iter().collect(),
            bank: BankUse::Never,
            giving: Some(Giving::DEFAULT),
            trust: Trust::DEFAULT,
        }
    }
}

impl Channel {
    /// A channel without an offset.
    #[must_use]
    pub const fn new(role: Role, element: Element, reference: Ohms, leads: Leads) -> Self {
        Self { role, element, reference, leads, offset: const { kelvins(Key::Offset) } }
    }
}

impl Source {
    /// A source that is spent first, and only after the default time to settle.
    #[must_use]
    pub const fn new(budget: Milliwatts, charge: ChargeCurrent) -> Self {
        Self { budget, priority: const { count(Key::Priority) }, settle: const { seconds(Key::Settle) }, charge }
    }
}

impl Charge {
    /// Without what only a fitter knows.
    const DEFAULTS: Self = Self {
        hard_limit: celsius(Key::HardLimit),
        inhibit: celsius(Key::Inhibit),
        release: celsius(Key::Release),
        high_limit: celsius(Key::HighLimit),
        high_release: celsius(Key::HighRelease),
        soak: minutes(Key::Soak),
        min_off: seconds(Key::ChargeMinOff),
        overdue_after: hours(Key::OverdueAfter),
        capacity: MilliampHours::ZERO,
        batteries: 1,
        ceiling: Vec::new(),
    };
}

impl Heater {
    /// Without what only a fitter knows.
    const DEFAULTS: Self = Self {
        start: celsius(Key::HeaterStart),
        stop: celsius(Key::HeaterStop),
        power: Milliwatts::ZERO,
        nominal: Millivolts::ZERO,
        supply_min: Millivolts::ZERO,
        supply_max: Millivolts::ZERO,
        cutout_cell: celsius(Key::CutoutCell),
        cutout_pad: celsius(Key::CutoutPad),
        cutout_hysteresis: kelvins(Key::CutoutHysteresis),
        over_temperature: kelvins(Key::OverTemperature),
        min_on: seconds(Key::HeaterMinOn),
        min_off: seconds(Key::HeaterMinOff),
        max_run: hours(Key::MaxRun),
        rest: minutes(Key::Rest),
        max_cycles_per_day: count(Key::MaxCycles),
        hold: Hold::WhileCharging,
        proof: None,
        cooling: None,
    };
}

impl Giving {
    /// As [`TABLE`](super::TABLE) has it.
    pub const DEFAULT: Self = Self {
        fall: Millivolts::from_millivolts(unsigned(Key::FallVoltage)),
        // Thousandths of a per cent.
        fall_charge: Fraction::from_per_mille(unsigned(Key::FallCharge) / 100),
    };
}

impl Default for Giving {
    fn default() -> Self {
        Self::DEFAULT
    }
}

impl Trust {
    /// As [`TABLE`](super::TABLE) has it; everything that can be judged is judged.
    pub const DEFAULT: Self = Self {
        good_run: count(Key::GoodRun),
        max_step: seconds(Key::MaxStep),
        max_age: seconds(Key::MaxAge),
        plausible_low: celsius(Key::PlausibleLow),
        plausible_high: celsius(Key::PlausibleHigh),
        noise: kelvins(Key::Noise),
        fastest_cell: rate(Key::FastestCell),
        fastest_pad: rate(Key::FastestPad),
        fastest_ambient: rate(Key::FastestAmbient),
        disagreement: kelvins(Key::Disagreement),
        stuck_after: Some(hours(Key::StuckAfter)),
        stuck_moved: kelvins(Key::StuckMoved),
        still_after: Some(minutes(Key::StillAfter)),
        restart_limit: count(Key::RestartLimit),
        restart_window: minutes(Key::RestartWindow),
        feedback: seconds(Key::Feedback),
        button: seconds(Key::Button),
    };
}

impl Default for Trust {
    fn default() -> Self {
        Self::DEFAULT
    }
}

/// The default of a setting, in thousandths of its unit. Only constants use it: a missing default stops the build.
#[expect(clippy::expect_used, reason = "evaluated at compile time")]
#[expect(clippy::cast_possible_truncation, reason = "no range of the table is wider")]
const fn signed(key: Key) -> i32 {
    key.fact().default.expect("a setting with a default") as i32
}

const fn unsigned(key: Key) -> u32 {
    signed(key).unsigned_abs()
}

const fn celsius(key: Key) -> Celsius {
    Celsius::from_millidegrees(signed(key))
}

const fn kelvins(key: Key) -> Kelvins {
    Kelvins::from_millikelvins(signed(key))
}

const fn rate(key: Key) -> KelvinRate {
    KelvinRate::from_millikelvins_per_minute(unsigned(key))
}

const fn seconds(key: Key) -> Millis {
    Millis::from_millis(unsigned(key))
}

const fn minutes(key: Key) -> Millis {
    Millis::from_millis(unsigned(key).saturating_mul(60))
}

const fn hours(key: Key) -> Millis {
    Millis::from_millis(unsigned(key).saturating_mul(3600))
}

#[expect(clippy::cast_possible_truncation, reason = "no range of such a setting goes beyond 255")]
const fn count(key: Key) -> u8 {
    (unsigned(key) / 1000) as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Place;
    use std::vec::Vec;

    fn essentials() -> Settings {
        let channel = |role| Channel::new(role, Element::pt100(), Ohms::from_milliohms(400_000), Leads::THREE_WIRE);
        let point = |t, per_mille| CeilingPoint {
            at: Celsius::from_millidegrees(t),
            limit: Fraction::from_per_mille(per_mille),
        };
        Settings::from(Essentials {
            channels: [channel(Role::Cell)],
            capacity: MilliampHours::from_milliamp_hours(100_000),
            batteries: 2,
            ceiling: [point(5_000, 100), point(15_000, 500)],
            heater_power: Milliwatts::from_milliwatts(60_000),
            heater_nominal: Millivolts::from_millivolts(12_800),
            supply_min: Millivolts::from_millivolts(11_000),
            supply_max: Millivolts::from_millivolts(15_000),
            sources: [Source::new(Milliwatts::from_milliwatts(100_000), ChargeCurrent::Obeys)],
        })
    }

    /// Two defaults belong to what these settings do not have: a reserve by voltage, and leads of known resistance.
    #[test]
    fn what_a_fitter_does_not_say_is_as_the_table_has_it() {
        let settings = essentials();
        let mut not_there = Vec::new();
        for &key in Key::ALL {
            match (key.fact().default, settings.value(Place::of(key))) {
                (Some(default), Some(value)) => assert_eq!(value, default, "{key:?}"),
                (Some(_), None) => not_there.push(key),
                (None, _) => {}
            }
        }
        assert_eq!(not_there, [Key::ReserveSag, Key::LeadTemperature]);
    }

    #[test]
    fn what_a_fitter_must_say_is_enough_and_is_kept() {
        let settings = essentials();
        let value = |key| settings.value(Place::of(key));
        assert_eq!((value(Key::Capacity), value(Key::Batteries)), (Some(100_000), Some(2_000)));
        assert_eq!((value(Key::HeaterPower), value(Key::HeaterNominal)), (Some(60_000), Some(12_800)));
        assert_eq!((value(Key::SupplyMin), value(Key::SupplyMax)), (Some(11_000), Some(15_000)));
        assert_eq!((value(Key::CeilingAt), value(Key::Budget)), (Some(5_000), Some(100_000)));
        assert_eq!(settings.clone().validate().map(super::super::ValidSettings::into_inner), Ok(settings));
    }
}

//! Which settings make no sense together.

use super::{Channel, Key, Place, Role, Settings, SettingsError, ValidSettings};
use crate::quantity::{Celsius, Fraction, Ohms};
use crate::rtd::Thermometer;

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
    /// Reports every problem, in the order of [`TABLE`](super::TABLE).
    pub fn check(&self, mut report: impl FnMut(SettingsError)) {
        for &key in Key::ALL {
            let fact = key.fact();
            for place in (0..fact.repeats).map(|index| Place::at(key, index)) {
                if let Some(value) = self.value(place)
                    && !fact.allows(value)
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

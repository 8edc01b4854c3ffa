//! Besides their order, settings must leave room between each other for the error of a reading.

use super::{Key, Place, Role, Settings, SettingsError};
use crate::quantity::{Celsius, Kelvins, Millivolts};
use crate::rtd::ROUNDING;

/// Two settings with a hysteresis between them. Noise that is believed must not bridge it.
const HYSTERESES: [(Key, Key); 4] = [
    (Key::Inhibit, Key::Release),
    (Key::HighRelease, Key::HighLimit),
    (Key::Release, Key::HeaterStop),
    (Key::HeaterStart, Key::HeaterStop),
];

/// A sixteenth of what a cell is kept at: 0.2 V of the nominal 3.2 V of LFP. That leaves 3.0 V while the heater runs; a
/// cell is empty at 2.5 V (from memory). Half the capacity in an hour through 10 mΩ at 100 Ah and 12.8 V makes a drop
/// of 0.5 V, less than the 0.8 V allowed (computed).
const SAG_PART: u32 = 16;

impl Settings {
    pub(super) fn check_relations(&self, report: &mut impl FnMut(SettingsError)) {
        self.check_cold_side(report);
        self.check_hot_side(report);
        let noise = i64::from(self.trust.noise.as_millikelvins());
        for (lower, upper) in HYSTERESES {
            let (lower, upper) = (Place::of(lower), Place::of(upper));
            if let (Some(lower_value), Some(upper_value)) = (self.value(lower), self.value(upper))
                && lower_value < upper_value
                && lower_value.saturating_add(noise) >= upper_value
            {
                report(SettingsError::NotBelow {
                    lower,
                    lower_value: lower_value.saturating_add(noise),
                    upper,
                    upper_value,
                    why: "with trust.noise_k added it must still lie below: noise that is believed would bridge the hysteresis, and \
                          what hangs on it would chatter",
                });
            }
        }
        if self.heater.cooling.is_some() && !self.channels.iter().any(|channel| channel.role == Role::Pad) {
            report(SettingsError::NoPad);
        }
        if let Some(proof) = self.heater.proof {
            // 32 + 27 bits; microjoules.
            let most =
                u64::from(self.heater.power.as_milliwatts()).saturating_mul(self.heater.max_run.as_millis().into());
            if most <= u64::from(proof.energy.as_joules()).saturating_mul(1_000_000) {
                let most = i64::try_from(most / 3_600_000).unwrap_or(i64::MAX);
                report(SettingsError::NeverProven { most });
            }
        }
        if let Some(super::Reserve::Voltage { floor, sag, .. }) = self.bank.reserve() {
            let most = floor.as_millivolts() / SAG_PART;
            if sag.as_millivolts() > most {
                report(SettingsError::SagTooLarge { most: Millivolts::from_millivolts(most) });
            }
        }
    }

    /// A reading above inhibit must mean a cell above its hard limit. Everything added to the reading, and every change
    /// believed at once, may be an error that shows a cell warmer than it is.
    fn check_cold_side(&self, report: &mut impl FnMut(SettingsError)) {
        let cells = self.channels.iter().filter(|channel| channel.role == Role::Cell);
        let offset = cells.clone().fold(Kelvins::ZERO, |most, channel| most.max(channel.offset));
        let (hard_limit, inhibit) = (self.charge.hard_limit, self.charge.inhibit);
        let shown = hard_limit.raised(offset).raised(self.trust.noise).raised(ROUNDING);
        if shown >= inhibit {
            report(SettingsError::NotBelow {
                lower: Place::of(Key::HardLimit),
                lower_value: shown.as_millidegrees().into(),
                upper: Place::of(Key::Inhibit),
                upper_value: inhibit.as_millidegrees().into(),
                why: "with the largest offset_k of a cell channel and trust.noise_k added it must still lie below: a cell at its hard \
                      limit may show as much",
            });
        }
        // The coldest reading governs, so a channel that reads warm does harm where it sits at the coldest cell: a cell
        // at its hard limit then shows inhibit. In a bank of one temperature the other channels expose it, if they may
        // not differ by as much.
        let room = inhibit.above(hard_limit);
        if cells.count() > 1 && self.trust.disagreement >= room {
            report(SettingsError::NotBelow {
                lower: Place::of(Key::Disagreement),
                lower_value: self.trust.disagreement.as_millikelvins().into(),
                upper: Place::of(Key::Inhibit),
                upper_value: room.as_millikelvins().into(),
                why: "less charge.hard_limit_c it must still lie above: a loose thermometer may read warm by as much as the others \
                      allow, and where it sits at the coldest cell, that cell would be charged at its hard limit",
            });
        }
    }

    /// No offset moves a limit past the end of its range.
    #[expect(clippy::cast_possible_truncation, reason = "at most 6 channels")]
    fn check_hot_side(&self, report: &mut impl FnMut(SettingsError)) {
        for (index, channel) in self.channels.iter().enumerate() {
            let (cutout, limit) = (self.heater.cutout(channel.role), self.charge.high_limit);
            let cutout_key = if channel.role == Role::Pad { Key::CutoutPad } else { Key::CutoutCell };
            let high_limit = Some((Key::HighLimit, limit)).filter(|_| channel.role == Role::Cell);
            for (key, limit) in [Some((cutout_key, cutout)), high_limit].into_iter().flatten() {
                let at = |t: Celsius| i64::from(t.as_millidegrees());
                let allows = at(limit.lowered(channel.offset));
                if channel.offset < Kelvins::ZERO && allows > key.fact().maximum && at(limit) <= key.fact().maximum {
                    report(SettingsError::OffsetTooLow { channel: index as u8, limit: key, allows });
                }
            }
        }
    }
}

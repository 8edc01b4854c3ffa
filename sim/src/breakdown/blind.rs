//! What an installation cannot find out about a breakdown, for want of an input.

use super::{AtSource, Breakdown, Other, Shared, Wrong};
use crate::rehearse::Scenario;
use crate::site::Touches;
use forewarm_core::settings::Role;

/// Why a breakdown cannot be found, and what helps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Blind {
    /// The input that would find it, or the part that would stop it: follows "it takes".
    pub extra_input: &'static str,
    /// What bounds the harm without that, or that nothing does: follows "as it is,".
    pub bounded_by: &'static str,
}

const BY_THE_PROTECTION: &str = "only the battery's own protection is left to refuse charge in the cold";

impl Breakdown {
    /// Why this installation may be unable to find it. `None` if what is wired can show it, or if it takes nothing away
    /// that anyone relies on.
    #[must_use]
    pub fn blind(self, scenario: &Scenario) -> Option<Blind> {
        let channels = &scenario.settings.channels;
        let has_check = channels.iter().any(|channel| matches!(channel.role, Role::Check(_)));
        let cells = channels.iter().filter(|channel| channel.role == Role::Cell).count();
        let measures_bank = scenario.bank_measured.voltage || scenario.bank_measured.charge;
        let blind = |extra_input, bounded_by| Some(Blind { extra_input, bounded_by });
        match self {
            // Any other channel of its role would contradict it.
            Self::Channel(at, wrong) if wrong.is_quiet() && channels[at].role == Role::Cell && cells < 2 => {
                blind("a second cell thermometer", BY_THE_PROTECTION)
            }
            // Two that are wrong alike agree with each other.
            Self::Two([a, b], wrong)
                if wrong.is_quiet() && [a, b].iter().all(|at| channels[*at].role == Role::Cell) && cells < 3 =>
            {
                blind("a third cell thermometer", BY_THE_PROTECTION)
            }
            Self::Shared(Shared::Reference(_) | Shared::ReferenceDrifts(_) | Shared::Return(_)) if !has_check => {
                blind("a fixed resistor on a channel, with the role check", BY_THE_PROTECTION)
            }
            Self::Source(_, AtSource::SaysPresent) if !measures_bank => {
                let bound = if scenario.has_heater_supply {
                    "the heater goes off no sooner than its supply has fallen to its low limit"
                } else {
                    "nothing here keeps the heater from emptying the bank"
                };
                blind("a measurement of the bank's voltage or state of charge", bound)
            }
            Self::Other(Other::ChargeWelded) if !scenario.has_contacts => blind(
                "an auxiliary contact of the charge relay, which sounds the alarm within seconds and stops nothing",
                "nothing here stops it; two relays in series, or the chargers' own remote input, would",
            ),
            Self::Other(Other::ChargeStuckOpen) if !scenario.has_contacts => {
                blind("an auxiliary contact of the charge relay", "nobody is told that the bank is not charged")
            }
            Self::Other(Other::PadHangs)
                if scenario.site.thermal_cutouts.iter().any(|cutout| cutout.at == Touches::Pad) =>
            {
                blind(
                    "a thermometer on the pad itself",
                    "the thermal cut-out on the pad opens before its adhesive fails, and only the cold cells tell anyone",
                )
            }
            Self::Other(Other::PadHangs) => blind(
                "a thermal cut-out on the pad itself, which opens before its adhesive fails",
                "nothing here bounds it: a thermal cut-out at the plate does not see the pad",
            ),
            Self::Other(Other::FullWelded) => blind(
                "a measurement of the bank's current",
                "the current can be the larger step of those sources, and nothing here reduces it",
            ),
            Self::Source(_, AtSource::SaysAbsent) => blind(
                "a measurement of the bank's current, or of the source's own",
                "the current can be above the ceiling by what that source gives, and nothing here reduces it",
            ),
            Self::Other(Other::CeilingIgnored) => blind(
                "a measurement of the bank's current, or a charger that confirms its limit",
                "the current can be all that the chargers give, and nothing here reduces it",
            ),
            // Otherwise the ceiling leaves room for it.
            Self::Other(Other::BatteryLost)
                if usize::from(scenario.settings.charge.batteries) < scenario.site.battery.count =>
            {
                blind(
                    "a measurement of each battery's current",
                    "the others take all current, and only a fuse or the protection of each is left to break it",
                )
            }
            _ => None,
        }
    }
}

impl Wrong {
    /// Whether it shows nothing by itself: no code that cannot be, and no jump.
    const fn is_quiet(self) -> bool {
        matches!(
            self,
            Self::LeadGains(_)
                | Self::TapGains(_)
                | Self::TapBridged
                | Self::Off(_)
                | Self::Drifts(_)
                | Self::FallenOff
                | Self::OnPlate
        )
    }
}

//! What an installation cannot find out about a breakdown, for want of an input.

use super::{AtSource, Breakdown, Other, Shared, Wrong};
use crate::rehearse::Scenario;
use forewarm_core::settings::Role;

/// Why a breakdown cannot be found, and what helps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Blind {
    /// The input that would find it.
    pub extra_input: &'static str,
    /// What bounds the harm meanwhile.
    pub bounded_by: &'static str,
}

const BY_THE_PROTECTION: &str = "the battery's own protection, which must refuse charge in the cold by itself";

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
                blind("the bank's voltage or state of charge", "the low limit of the heater's supply")
            }
            Self::Other(Other::ChargeWelded) if !scenario.has_contacts => {
                blind("an auxiliary contact of the charge relay", BY_THE_PROTECTION)
            }
            Self::Other(Other::PadHangs) => blind(
                "a thermal cut-out on the pad itself, which opens before its adhesive fails",
                "what the pad bears; a cut-out at the plate does not see it",
            ),
            Self::Other(Other::FullWelded) => blind(
                "a measurement of the bank's current",
                "the larger step of those sources, and the battery's protection against too much current",
            ),
            Self::Source(_, AtSource::SaysAbsent) => blind(
                "a measurement of the bank's current, or of the source's own",
                "what that source can give, and the battery's protection against too much current",
            ),
            Self::Other(Other::CeilingIgnored) => blind(
                "a measurement of the bank's current, or a charger that confirms its limit",
                "the chargers' own largest current, and the battery's protection against too much current",
            ),
            // Otherwise the ceiling leaves room for it.
            Self::Other(Other::BatteryLost)
                if usize::from(scenario.settings.charge.batteries) < scenario.site.battery.count =>
            {
                blind("a measurement of each battery's current", "the fuse and the protection of each battery")
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

//! What can break in an installation, as physical stories: what happens to a wire, a contact, a body, and not which number
//! is wrong.
//!
//! [`Breakdown::every`] lists them for one installation. [`rehearse`](crate::rehearse) plays any of them in a season, and
//! [`faults`](crate::faults) all of them in every state of the controller. The sizes (kelvins, ohms, seconds) are chosen
//! around what the controller can and cannot find. No source.

mod blind;
mod when;

pub use blind::Blind;

use crate::rehearse::Scenario;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Channel, Role};
use std::fmt;

/// Something that breaks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Breakdown {
    /// The thermometer, the wires or the input of one channel.
    Channel(usize, Wrong),
    /// The same of two channels at once.
    Two([usize; 2], Wrong),
    /// What all channels share.
    Shared(Shared),
    /// The line of one source, or what comes behind it.
    Source(usize, AtSource),
    /// Anything else.
    Other(Other),
}

/// What is wrong with a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wrong {
    /// The element, or the lead in series with it, is broken.
    Open,
    /// The element is bridged. Its leads are still measured.
    Short,
    /// The lead that carries the current back is broken: nothing is measured, and the converter says so. Three wires.
    ReturnOpen,
    /// The wire by which a lead is measured alone is broken: the lead seems to have all resistance. Three wires.
    TapOpen,
    /// That wire touches the lead's near end: the lead seems to have none, and nothing is taken away for it. Three wires.
    TapBridged,
    /// A contact in the lead in series with the element has gained so much (Ω).
    LeadGains(f64),
    /// A contact in the lead that is measured alone has gained so much (Ω). Three wires.
    TapGains(f64),
    /// From one moment to the next it reads so much too warm (K).
    Off(f64),
    /// It reads warmer and warmer (K/h).
    Drifts(f64),
    /// It repeats what it showed last.
    Stuck,
    /// Its noise has this standard deviation (K).
    Noisy(f64),
    /// It is open for the first seconds of every so many.
    Comes {
        /// How long it is open (s).
        open_s: u32,
        /// From one time to the next (s).
        every_s: u32,
    },
    /// It has come off, and hangs in the air of the box.
    FallenOff,
    /// It has come off, and lies on the plate.
    OnPlate,
    /// Its converter reports a fault of its own.
    SaysSo,
    /// Its converter says nothing any more.
    Silent,
}

/// What is wrong with what all channels share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shared {
    /// The converter repeats the last codes of all channels.
    Frozen,
    /// It says nothing any more.
    Silent,
    /// It reports a fault of its own.
    SaysSo,
    /// From one moment to the next, all resistances are measured too large by this part of themselves.
    Reference(f64),
    /// They are measured larger and larger, by this part of themselves an hour.
    ReferenceDrifts(f64),
    /// The return that all channels share has gained so much (Ω).
    Return(f64),
}

/// What is wrong with a source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AtSource {
    /// Its line says that it is present, and it gives nothing.
    SaysPresent,
    /// Its line says that it is absent, and it gives what it always gives.
    SaysAbsent,
    /// Its line toggles.
    Toggles,
    /// It gives way, with its line, in the second after the heater comes on, and recovers when the heater is off.
    FallsUnderLoad,
}

/// What else can break.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "each has its meaning in `OTHERS`")]
pub enum Other {
    HeaterWelded,
    HeaterStuckOpen,
    HeaterOpen,
    HeaterHalf,
    PadDetached,
    PadHangs,
    ChargeWelded,
    ChargeStuckOpen,
    FullWelded,
    CeilingIgnored,
    BatteryLost,
    Wet,
    LidOpen,
    SupplyLow,
    SupplyHigh,
    SupplyUnmeasured,
    SupplySags,
    SupplyFlickers,
    ChargeRefused,
    DischargeRefused,
    BothRefused,
    ProtectionToggles,
    ClockStopped,
    ClockAhead,
    ClockBack,
    ClockWraps,
    Restart,
    RestartStorm,
    StorageFails,
    StorageForgets,
    SettingsDamaged,
    ButtonStuck,
}

/// Each with its name, and what happens.
const OTHERS: [(Other, &str, &str); 32] = [
    (Other::HeaterWelded, "heater_relay.welded", "the contact of the heater relay stays closed"),
    (Other::HeaterStuckOpen, "heater_relay.stuck_open", "the contact of the heater relay stays open"),
    (Other::HeaterOpen, "heater.open", "the heater gives nothing: element, fuse or thermal cut-out is open"),
    (Other::HeaterHalf, "heater.half_power", "half of the heater is broken"),
    (Other::PadDetached, "pad.detached", "the pad has come off the plate: a millimetre of air is between them"),
    (Other::PadHangs, "pad.hangs", "the pad has come off the plate and hangs in the air under it"),
    (Other::ChargeWelded, "charge_relay.welded", "the contact of the charge relay stays closed"),
    (Other::ChargeStuckOpen, "charge_relay.stuck_open", "the contact of the charge relay stays open"),
    (Other::FullWelded, "full_relay.welded", "the contact of the relay for the larger charge step stays closed"),
    (Other::CeilingIgnored, "chargers.ignore_ceiling", "no source obeys the charge-current ceiling"),
    (Other::BatteryLost, "bank.battery_lost", "one battery is disconnected; the others take all current"),
    (Other::Wet, "insulation.wet", "the insulation is soaked: half of it conducts like water"),
    (Other::LidOpen, "lid.open", "the lid is open: the air of the box changes a hundred times an hour"),
    (Other::SupplyLow, "supply.low", "the heater's supply is a volt below its lowest"),
    (Other::SupplyHigh, "supply.high", "the heater's supply is a volt above its highest"),
    (Other::SupplyUnmeasured, "supply.unmeasured", "the heater's supply is not measured"),
    (Other::SupplySags, "supply.sags", "the heater's supply falls a volt below its lowest while the heater is on"),
    (
        Other::SupplyFlickers,
        "supply.flickers",
        "the heater's supply is a volt below its lowest every other second while the heater is on",
    ),
    (Other::ChargeRefused, "protection.refuses_charge", "the battery's protection refuses charge"),
    (
        Other::DischargeRefused,
        "protection.refuses_discharge",
        "the battery's protection refuses discharge, and allows charge",
    ),
    (Other::BothRefused, "protection.refuses_both", "the battery's protection refuses both"),
    (Other::ProtectionToggles, "protection.toggles", "the protection's line for charge toggles every five seconds"),
    (Other::ClockStopped, "clock.stopped", "the clock stands still"),
    (Other::ClockAhead, "clock.jumps_ahead", "the clock jumps ahead by an hour, once"),
    (Other::ClockBack, "clock.jumps_back", "the clock jumps back by an hour, once"),
    (Other::ClockWraps, "clock.wraps", "the clock wraps, as it does every 49.7 days, and nothing else happens"),
    (Other::Restart, "controller.restarts", "the controller restarts, once"),
    (Other::RestartStorm, "controller.restarts_on_and_on", "the controller restarts every 20 seconds"),
    (Other::StorageFails, "storage.fails", "nothing can be kept any more"),
    (Other::StorageForgets, "storage.forgets", "the controller restarts, and all that was kept is lost"),
    (Other::SettingsDamaged, "settings.damaged", "the controller restarts, and its settings are damaged"),
    (Other::ButtonStuck, "button.stuck", "the reset button stays pressed"),
];

/// What can be wrong with any channel.
const ANY: [Wrong; 23] = [
    Wrong::Open,
    Wrong::Short,
    Wrong::LeadGains(0.5),
    Wrong::LeadGains(2.0),
    Wrong::LeadGains(10.0),
    Wrong::Off(1.0),
    Wrong::Off(3.0),
    Wrong::Off(10.0),
    Wrong::Off(-3.0),
    Wrong::Off(-10.0),
    Wrong::Drifts(0.5),
    Wrong::Drifts(2.0),
    Wrong::Drifts(10.0),
    Wrong::Drifts(-2.0),
    Wrong::Drifts(-10.0),
    Wrong::Stuck,
    Wrong::Noisy(0.5),
    Wrong::Noisy(5.0),
    Wrong::Comes { open_s: 1, every_s: 10 },
    Wrong::Comes { open_s: 1, every_s: 60 },
    Wrong::Comes { open_s: 30, every_s: 60 },
    Wrong::SaysSo,
    Wrong::Silent,
];

/// What else can be wrong with one on three wires.
const THREE_WIRES: [Wrong; 5] =
    [Wrong::ReturnOpen, Wrong::TapOpen, Wrong::TapBridged, Wrong::TapGains(0.5), Wrong::TapGains(2.0)];

const SHARED: [Shared; 9] = [
    Shared::Frozen,
    Shared::Silent,
    Shared::SaysSo,
    Shared::Reference(0.01),
    Shared::Reference(-0.01),
    Shared::ReferenceDrifts(0.005),
    Shared::ReferenceDrifts(-0.005),
    Shared::Return(0.5),
    Shared::Return(5.0),
];

const AT_SOURCES: [AtSource; 4] =
    [AtSource::SaysPresent, AtSource::SaysAbsent, AtSource::Toggles, AtSource::FallsUnderLoad];

impl Breakdown {
    /// Everything that can break in the installation of `scenario`.
    #[must_use]
    pub fn every(scenario: &Scenario) -> Vec<Self> {
        let channels = &scenario.settings.channels;
        let of_one = channels
            .iter()
            .enumerate()
            .flat_map(|(at, channel)| wrongs(channel).map(move |wrong| Self::Channel(at, wrong)));
        let pairs = (0..channels.len()).flat_map(|a| (a + 1..channels.len()).map(move |b| [a, b]));
        let of_two = pairs.flat_map(|[a, b]| {
            let both = wrongs(&channels[a]).filter(move |wrong| wrongs(&channels[b]).any(|other| other == *wrong));
            both.map(move |wrong| Self::Two([a, b], wrong))
        });
        let sources = 0..scenario.settings.sources.len();
        let at_sources = sources.flat_map(|source| AT_SOURCES.map(|wrong| Self::Source(source, wrong)));
        let others = OTHERS.iter().map(|(other, ..)| Self::Other(*other));
        let shared = SHARED.map(Self::Shared);
        of_one
            .chain(of_two)
            .chain(shared)
            .chain(at_sources)
            .chain(others)
            .filter(|one| one.is_possible(scenario))
            .collect()
    }

    /// Whether there is anything to break.
    fn is_possible(self, scenario: &Scenario) -> bool {
        let obeys = || scenario.settings.sources.iter().any(|source| source.charge.most().is_none());
        match self {
            // What is then wrong with one channel is among its own.
            Self::Shared(Shared::Reference(_) | Shared::ReferenceDrifts(_) | Shared::Return(_)) => {
                scenario.site.converter.one_reference
            }
            Self::Other(Other::CeilingIgnored) => obeys(),
            Self::Other(Other::BatteryLost) => scenario.site.battery.count > 1,
            Self::Other(Other::FullWelded) => scenario.settings.sources.iter().any(|source| source.charge.has_steps()),
            _ => true,
        }
    }

    /// Whether it changes where thermometers are, or what heat passes through. Of these, one can be played at a time.
    #[must_use]
    pub const fn changes_the_plant(self) -> bool {
        match self {
            Self::Channel(_, wrong) | Self::Two(_, wrong) => matches!(wrong, Wrong::FallenOff | Wrong::OnPlate),
            Self::Other(other) => {
                matches!(other, Other::PadDetached | Other::PadHangs | Other::Wet | Other::LidOpen)
            }
            Self::Shared(_) | Self::Source(..) => false,
        }
    }

    /// The channels that it concerns by themselves.
    #[must_use]
    pub fn channels(self) -> Vec<usize> {
        match self {
            Self::Channel(channel, _) => vec![channel],
            Self::Two(channels, _) => channels.to_vec(),
            Self::Shared(_) | Self::Source(..) | Self::Other(_) => Vec::new(),
        }
    }

    /// What is wrong with the channels that it concerns.
    #[must_use]
    pub const fn wrong(self) -> Option<Wrong> {
        match self {
            Self::Channel(_, wrong) | Self::Two(_, wrong) => Some(wrong),
            Self::Shared(_) | Self::Source(..) | Self::Other(_) => None,
        }
    }

    /// Its name, as `--fault` takes it.
    #[must_use]
    pub fn name(self, scenario: &Scenario) -> String {
        let channel = |at: usize| scenario.channels.get(at).map_or("?", String::as_str);
        match self {
            Self::Channel(at, wrong) => format!("{}.{wrong}", channel(at)),
            Self::Two([a, b], wrong) => format!("{}+{}.{wrong}", channel(a), channel(b)),
            Self::Shared(shared) => shared.to_string(),
            Self::Source(at, wrong) => {
                format!("{}.{}", scenario.sources.get(at).map_or("?", String::as_str), wrong.name())
            }
            Self::Other(other) => other.row().1.to_owned(),
        }
    }

    /// What happens, in words.
    #[must_use]
    pub fn meaning(self) -> String {
        match self {
            Self::Channel(_, wrong) => wrong.meaning(),
            Self::Two(_, wrong) => format!("both at once: {}", wrong.meaning()),
            Self::Shared(shared) => shared.meaning(),
            Self::Source(_, wrong) => wrong.meaning().to_owned(),
            Self::Other(other) => other.row().2.to_owned(),
        }
    }

    /// The one with this name.
    #[must_use]
    pub fn named(name: &str, scenario: &Scenario) -> Option<Self> {
        Self::every(scenario).into_iter().find(|one| one.name(scenario) == name)
    }
}

/// What can be wrong with this channel.
fn wrongs(channel: &Channel) -> impl Iterator<Item = Wrong> + use<> {
    let three_wires = matches!(channel.leads, Leads::ThreeWire { .. });
    // On four wires a contact in a lead changes nothing.
    let four_wires = matches!(channel.leads, Leads::FourWire) && !matches!(channel.role, Role::Check(_));
    let of_wires = THREE_WIRES.into_iter().filter(move |_| three_wires);
    let falls = matches!(channel.role, Role::Cell | Role::Pad).then_some(Wrong::FallenOff);
    let lies = matches!(channel.role, Role::Cell | Role::Ambient).then_some(Wrong::OnPlate);
    let any = ANY.into_iter().filter(move |wrong| !(four_wires && matches!(wrong, Wrong::LeadGains(_))));
    any.chain(of_wires).chain(falls).chain(lies)
}

impl Other {
    fn row(self) -> &'static (Self, &'static str, &'static str) {
        // Each has its row; held by `every_breakdown_has_a_name_of_its_own`.
        OTHERS.iter().find(|(other, ..)| *other == self).unwrap_or(&OTHERS[0])
    }
}

impl AtSource {
    const fn name(self) -> &'static str {
        match self {
            Self::SaysPresent => "line_says_present",
            Self::SaysAbsent => "line_says_absent",
            Self::Toggles => "line_toggles",
            Self::FallsUnderLoad => "falls_under_load",
        }
    }

    const fn meaning(self) -> &'static str {
        match self {
            Self::SaysPresent => "its line says present, and it gives nothing",
            Self::SaysAbsent => "its line says absent, and it gives what it always gives",
            Self::Toggles => "its line toggles",
            Self::FallsUnderLoad => {
                "it falls away a second after the heater comes on, and comes back without the heater"
            }
        }
    }
}

/// As "warm" or "cold", for a name.
const fn towards(by: f64) -> &'static str {
    if by < 0.0 { "cold" } else { "warm" }
}

/// A number in a name: without its sign, and with an underscore for the point.
fn digits(number: f64) -> String {
    number.abs().to_string().replace('.', "_")
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Open => f.write_str("open"),
            Self::Short => f.write_str("short"),
            Self::ReturnOpen => f.write_str("return_lead_open"),
            Self::TapOpen => f.write_str("tap_open"),
            Self::TapBridged => f.write_str("tap_bridged"),
            Self::LeadGains(ohm) => write!(f, "lead_gains_{}_ohm", digits(ohm)),
            Self::TapGains(ohm) => write!(f, "tap_gains_{}_ohm", digits(ohm)),
            Self::Off(k) => write!(f, "reads_{}_k_{}", digits(k), towards(k)),
            Self::Drifts(k_per_h) => write!(f, "drifts_{}_k_per_h_{}", digits(k_per_h), towards(k_per_h)),
            Self::Stuck => f.write_str("stuck"),
            Self::Noisy(k) => write!(f, "noise_{}_k", digits(k)),
            Self::Comes { open_s, every_s } => write!(f, "open_{open_s}_s_of_{every_s}"),
            Self::FallenOff => f.write_str("fallen_off"),
            Self::OnPlate => f.write_str("on_the_plate"),
            Self::SaysSo => f.write_str("converter_fault"),
            Self::Silent => f.write_str("silent"),
        }
    }
}

impl Wrong {
    fn meaning(self) -> String {
        match self {
            Self::Open => "the element or the lead in series with it is broken".into(),
            Self::Short => "the element is bridged".into(),
            Self::ReturnOpen => "the lead that carries the current back is broken".into(),
            Self::TapOpen => "the wire that measures a lead alone is broken".into(),
            Self::TapBridged => "the wire that measures a lead alone sees none of it".into(),
            Self::LeadGains(ohm) => format!("a contact in the element's lead gains {ohm} Ω"),
            Self::TapGains(ohm) => format!("a contact in the lead that is measured alone gains {ohm} Ω"),
            Self::Off(k) => format!("from one moment to the next it reads {} K too {}", k.abs(), towards(k)),
            Self::Drifts(k) => format!("it reads {} K an hour more too {}", k.abs(), towards(k)),
            Self::Stuck => "it repeats what it showed last".into(),
            Self::Noisy(k) => format!("its noise has a standard deviation of {k} K"),
            Self::Comes { open_s, every_s } => format!("it is open for {open_s} s of every {every_s} s"),
            Self::FallenOff => "it has come off, and hangs in the air of the box".into(),
            Self::OnPlate => "it has come off, and lies on the plate".into(),
            Self::SaysSo => "its converter reports a fault".into(),
            Self::Silent => "its converter says nothing any more".into(),
        }
    }
}

impl fmt::Display for Shared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Frozen => f.write_str("converter.repeats"),
            Self::Silent => f.write_str("converter.silent"),
            Self::SaysSo => f.write_str("converter.fault"),
            Self::Reference(part) => write!(f, "reference.off_{}_pct_{}", digits(part * 100.0), towards(part)),
            Self::ReferenceDrifts(part) => {
                write!(f, "reference.drifts_{}_pct_per_h_{}", digits(part * 100.0), towards(part))
            }
            Self::Return(ohm) => write!(f, "common_return.gains_{}_ohm", digits(ohm)),
        }
    }
}

impl Shared {
    fn meaning(self) -> String {
        match self {
            Self::Frozen => "the converter repeats the last codes of all channels".into(),
            Self::Silent => "the converter says nothing any more".into(),
            Self::SaysSo => "the converter reports a fault".into(),
            Self::Reference(part) => {
                format!(
                    "the reference resistor jumps: every channel reads {} % too {}",
                    (part * 100.0).abs(),
                    towards(part)
                )
            }
            Self::ReferenceDrifts(part) => format!(
                "the reference resistor drifts: every channel reads {} % an hour more too {}",
                (part * 100.0).abs(),
                towards(part)
            ),
            Self::Return(ohm) => format!("the return that all channels share gains {ohm} Ω"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::testing::scenario;
    use std::collections::HashSet;

    #[test]
    fn every_breakdown_has_a_name_of_its_own() {
        let scenario = scenario(1);
        let every = Breakdown::every(&scenario);
        let names: HashSet<String> = every.iter().map(|one| one.name(&scenario)).collect();
        assert_eq!(names.len(), every.len());
        for one in every {
            assert_eq!(Breakdown::named(&one.name(&scenario), &scenario), Some(one));
        }
        assert_eq!(Breakdown::named("no.such", &scenario), None);
    }
}

//! What can go wrong, and for each fault: what it takes away, what clears it, what to check first.
//!
//! The facts are in two tables, [`ChannelFault::facts`] and [`SystemFault::facts`]. The command line and the
//! documentation read them. [`SystemFault::disables`] decides what a system fault disables. For a channel fault the
//! channel's [`Role`](crate::settings::Role) decides.
//!
#![doc = include_str!("../docs/faults.md")]

use crate::settings::MAX_CHANNELS;
use crate::signals::Sources;

/// How a fault ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Ending {
    /// By itself, once its cause is gone and, for readings, a run of good ones has come in.
    SelfClearing,
    /// By the reset button, once its cause is gone. It survives a restart.
    Latched,
}

/// What a standing fault takes away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Disables {
    /// Nothing: it is only reported.
    Nothing,
    /// The heater.
    Heat,
    /// Heating from the bank; other sources may still be spent.
    BankHeat,
    /// The heater, for a pause that grows from one failure to the next. Between pauses it is tried.
    HeatInPauses,
    /// The charge permit.
    Charge,
    /// Both outputs.
    Both,
}

impl Disables {
    /// What it takes away, for a person.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Nothing => "nothing",
            Self::Heat => "heat",
            Self::BankHeat => "heat from the bank",
            Self::HeatInPauses => "heat, for pauses that grow",
            Self::Charge => "charge",
            Self::Both => "heat and charge",
        }
    }

    /// Whether the heater must stay off, whatever energy is on offer.
    #[must_use]
    pub const fn heat(self) -> bool {
        matches!(self, Self::Heat | Self::Both)
    }

    /// Whether charge must be refused.
    #[must_use]
    pub const fn charge(self) -> bool {
        matches!(self, Self::Charge | Self::Both)
    }
}

/// Whether a fault calls someone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Severity {
    /// Part of a normal winter: shown, no alarm.
    Notice,
    /// Sounds the alarm.
    Alarm,
}

impl Severity {
    /// Its name, for a person.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Alarm => "alarm",
        }
    }
}

/// What is known beforehand about a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Facts {
    /// A stable name for logs and files.
    pub name: &'static str,
    /// How it ends.
    pub ending: Ending,
    /// Whether it calls someone.
    pub severity: Severity,
    /// What is wrong, for a person.
    pub meaning: &'static str,
    /// What makes it go away.
    pub cleared_by: &'static str,
    /// What the fitter should look at first.
    pub check_first: &'static str,
}

/// A fault of one thermometer channel.
///
/// On a `cell` channel each of them disables both outputs, on a `pad` channel the heater, on an `ambient` channel nothing; on a `check`
/// channel it makes [`SystemFault::ReferenceDoubtful`], which disables both:
/// see [`Role::disables`](crate::settings::Role::disables).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum ChannelFault {
    /// No measurement for longer than the maximum age.
    Missing,
    /// The converter reports a fault of its own.
    Converter,
    /// More resistance than platinum has at +850 °C.
    Open,
    /// Less resistance than platinum has at −200 °C.
    Short,
    /// A temperature that cannot be at this place, or a check resistor outside its band.
    OutOfRange,
    /// The reading moved faster than the fastest believable rate.
    TooFast,
    /// The same reading for a long time, to the last digit, while another channel moved, or on all channels together.
    Stuck,
    /// Channels of one role lie too far apart, and nobody can tell which is wrong.
    Disagreement,
    /// A cell or pad channel moved faster than believable and has stayed away: a thermometer that has come off reads warm air. It
    /// survives a restart.
    Jumped,
    /// The lead measured alone does not fit its cable: the resistance taken away as lead is wrong.
    Leads,
}

impl ChannelFault {
    /// Every channel fault.
    pub const ALL: [Self; 10] = [
        Self::Missing,
        Self::Converter,
        Self::Open,
        Self::Short,
        Self::OutOfRange,
        Self::TooFast,
        Self::Stuck,
        Self::Disagreement,
        Self::Jumped,
        Self::Leads,
    ];

    /// What is known beforehand about this fault. All of them end by themselves, after a run of good readings.
    #[must_use]
    pub const fn facts(self) -> Facts {
        let (name, meaning, cleared_by, check_first) = match self {
            Self::Missing => (
                "missing",
                "no measurement for longer than the maximum age",
                "a run of good readings",
                "converter supply and its bus wiring",
            ),
            Self::Converter => (
                "converter",
                "the converter reports a fault of its own",
                "a run of good readings",
                "converter supply, reference resistor, terminals",
            ),
            Self::Open => (
                "open",
                "more resistance than platinum can have",
                "a run of good readings",
                "a broken lead or a loose terminal",
            ),
            Self::Short => (
                "short",
                "less resistance than platinum can have",
                "a run of good readings",
                "a crushed cable, bridged terminals, water in the joint",
            ),
            Self::OutOfRange => (
                "out_of_range",
                "a temperature that cannot be at this place, or a check resistor outside its band",
                "a run of good readings",
                "a corroded terminal, the element type or check resistor in the settings",
            ),
            Self::TooFast => (
                "too_fast",
                "the reading moved faster than is believable",
                "a run of readings consistent with the last good one",
                "a loose terminal; whether the sensor still sits on its battery",
            ),
            Self::Stuck => (
                "stuck",
                "the same reading to the last digit while others moved, or on all channels",
                "a change of the reading, then a run of good ones",
                "the converter, the bus; a log with coarse steps",
            ),
            Self::Disagreement => (
                "disagreement",
                "channels of one role lie too far apart",
                "a run of readings within the limit",
                "the channel that differs from touch: its mounting, leads, settings",
            ),
            Self::Jumped => (
                "jumped",
                "the reading jumped as no cell or plate can, and stayed there",
                "a jump back to where it was, another good channel of the role that shows the same, or the reset button; a restart does not",
                "whether the sensor still sits on its battery or plate; then a loose terminal; press reset once it is right",
            ),
            Self::Leads => (
                "leads",
                "the lead measured alone is not what the cable has",
                "a run of good readings",
                "terminals, the tap's wire; then the cable's length and section in the settings",
            ),
        };
        Facts { name, ending: Ending::SelfClearing, severity: Severity::Alarm, meaning, cleared_by, check_first }
    }
}

/// A fault of the installation as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[repr(u8)]
pub enum SystemFault {
    /// Settings do not validate: there is no controller, only outputs that are off.
    SettingsInvalid,
    /// The clock did not advance between two steps.
    ClockStalled,
    /// The clock jumped, or steps came too far apart.
    ClockJumped,
    /// Too many restarts in a short time.
    RestartStorm,
    /// What must survive a restart is not kept.
    StorageFailing,
    /// A channel far above its heater cut-out.
    OverTemperature,
    /// Neither plate nor cells got warmer for the energy put in.
    HeaterIneffective,
    /// Heat or a closed contact although the heater is commanded off.
    HeaterWelded,
    /// The heater relay's contact stays open although commanded closed.
    HeaterNotClosing,
    /// The heater ran for its maximum time without a pause.
    HeaterOverrun,
    /// The charge relay's contact stays closed although charge is refused.
    ChargeWelded,
    /// The heater supply is outside its limits, or not measured.
    SupplyOutOfRange,
    /// The line of a source toggles, or falls away for moments again and again.
    SourceUnsteady,
    /// The bank is below the reserve that may be spent on heat, or its state is unknown.
    BankBelowReserve,
    /// The protection electronics refuse charge.
    ChargeLineRefused,
    /// The protection electronics refuse discharge.
    DischargeLineRefused,
    /// Charge has been refused for too long although a source was present.
    ChargeOverdue,
    /// A check resistor does not measure what it is, so reference or return are wrong for every channel.
    ReferenceDoubtful,
    /// The heater supply goes out of its limits each time the heater comes on.
    SupplySags,
    /// The bank pays for what a source is said to give.
    SourceNotGiving,
    /// The heater's relay has closed as often as it may in a day.
    CyclesSpent,
    /// A plate thermometer did not get warmer for the energy put in. What else the heater may have done shows in the fault before it.
    PadNotFollowing,
    /// The charge relay's contact stays open although charge is permitted.
    ChargeNotClosing,
}

impl SystemFault {
    /// Every system fault, in the order of its bit in [`SystemFaults`].
    pub const ALL: [Self; 23] = [
        Self::SettingsInvalid,
        Self::ClockStalled,
        Self::ClockJumped,
        Self::RestartStorm,
        Self::StorageFailing,
        Self::OverTemperature,
        Self::HeaterIneffective,
        Self::HeaterWelded,
        Self::HeaterNotClosing,
        Self::HeaterOverrun,
        Self::ChargeWelded,
        Self::SupplyOutOfRange,
        Self::SourceUnsteady,
        Self::BankBelowReserve,
        Self::ChargeLineRefused,
        Self::DischargeLineRefused,
        Self::ChargeOverdue,
        Self::ReferenceDoubtful,
        Self::SupplySags,
        Self::SourceNotGiving,
        Self::CyclesSpent,
        Self::PadNotFollowing,
        Self::ChargeNotClosing,
    ];

    /// What this fault takes away while it stands.
    #[must_use]
    pub const fn disables(self) -> Disables {
        match self {
            Self::SettingsInvalid
            | Self::ClockStalled
            | Self::ClockJumped
            | Self::RestartStorm
            | Self::ReferenceDoubtful => Disables::Both,
            // A restart would forget a heater fault that latches now.
            Self::StorageFailing
            | Self::OverTemperature
            | Self::HeaterIneffective
            | Self::HeaterWelded
            | Self::HeaterNotClosing
            | Self::HeaterOverrun
            | Self::SupplyOutOfRange
            // Nobody sees how hot the plate is.
            | Self::PadNotFollowing => Disables::Heat,
            Self::BankBelowReserve | Self::DischargeLineRefused => Disables::BankHeat,
            Self::SupplySags | Self::SourceNotGiving | Self::CyclesSpent => Disables::HeatInPauses,
            Self::ChargeLineRefused => Disables::Charge,
            // The permit is refused already, or has no effect, or the source counts as absent. Nothing more can be taken
            // away; someone must come.
            Self::ChargeWelded | Self::ChargeNotClosing | Self::SourceUnsteady | Self::ChargeOverdue => Disables::Nothing,
        }
    }

    /// What is known beforehand about this fault.
    #[must_use]
    #[expect(clippy::too_many_lines, reason = "one row a fault")]
    pub const fn facts(self) -> Facts {
        use Ending::{Latched, SelfClearing};
        use Severity::{Alarm, Notice};
        let (name, ending, severity, meaning, cleared_by, check_first) = match self {
            Self::SettingsInvalid => (
                "settings_invalid",
                SelfClearing,
                Alarm,
                "the settings do not validate",
                "valid settings and a restart",
                "the first error that `check` names",
            ),
            Self::ClockStalled => (
                "clock_stalled",
                SelfClearing,
                Alarm,
                "the clock did not advance between two steps",
                "a run of good steps",
                "the time base of the board",
            ),
            Self::ClockJumped => (
                "clock_jumped",
                SelfClearing,
                Alarm,
                "the clock jumped, or steps came too far apart",
                "a run of good steps",
                "what kept the controller from stepping",
            ),
            Self::RestartStorm => (
                "restart_storm",
                SelfClearing,
                Alarm,
                "too many restarts in a short time",
                "running for the restart window without another",
                "the controller's own supply: terminals, fuse, dips while starting an engine",
            ),
            Self::StorageFailing => (
                "storage_failing",
                SelfClearing,
                Alarm,
                "what must survive a restart is not kept",
                "a write that succeeds",
                "the memory is worn or full: replace the board; the log says which",
            ),
            Self::OverTemperature => (
                "over_temperature",
                Latched,
                Alarm,
                "a channel far above its heater cut-out",
                "the reset button, with every channel below its cut-out; by itself where good thermometers show that the air is as hot and no plate hotter",
                "the heater relay's contact and the independent thermal cut-out",
            ),
            Self::HeaterIneffective => (
                "heater_ineffective",
                Latched,
                Alarm,
                "neither plate nor cells got warmer for the energy put in",
                "the reset button",
                "heater fuse, thermal cut-out, connector; whether the sensors sit where they should",
            ),
            Self::HeaterWelded => (
                "heater_welded",
                Latched,
                Alarm,
                "heat or a closed contact although the heater is off",
                "the reset button, with the contact open and the plate cool",
                "isolate the heater circuit; if the pad had current although the heater was off, replace the relay, else check the plate's thermometer",
            ),
            Self::HeaterNotClosing => (
                "heater_not_closing",
                Latched,
                Alarm,
                "the heater relay's contact stays open although commanded closed",
                "the reset button",
                "the relay's coil, driver and plug",
            ),
            Self::HeaterOverrun => (
                "heater_overrun",
                SelfClearing,
                Alarm,
                "the heater ran for its maximum time without a pause, restarts counted",
                "the rest time",
                "insulation, an open lid, a pad too small for the cold",
            ),
            Self::ChargeWelded => (
                "charge_welded",
                Latched,
                Alarm,
                "the charge relay's contact stays closed although charge is refused",
                "the reset button, with the contact open",
                "isolate the charge sources, then replace the relay",
            ),
            Self::SupplyOutOfRange => (
                "supply_out_of_range",
                SelfClearing,
                Alarm,
                "the heater supply is outside its limits or not measured, although energy is on offer",
                "a run of good readings",
                "fuse, isolator, voltage drop under load",
            ),
            Self::SourceUnsteady => (
                "source_unsteady",
                SelfClearing,
                Alarm,
                "the line of a source toggles on and on, or falls away for moments",
                "a line that holds still",
                "the line's filter: an opto-coupler on an alternating voltage follows its halves; a loose terminal",
            ),
            Self::BankBelowReserve => (
                "bank_below_reserve",
                SelfClearing,
                Notice,
                "the bank is below the reserve kept from heating, or its state is unknown",
                "the bank above the resume level, a run of good readings",
                "nothing; the loads and the charging if it lasts",
            ),
            Self::ChargeLineRefused => (
                "charge_line_refused",
                SelfClearing,
                Notice,
                "the battery's protection refuses charge",
                "the line allowing again for a run of looks; then the soak time, if it refused for over a minute",
                "nothing while the cells are cold; else the battery's own alarms",
            ),
            Self::DischargeLineRefused => (
                "discharge_line_refused",
                SelfClearing,
                Notice,
                "the battery's protection refuses discharge",
                "the line allowing again",
                "the battery's own alarms",
            ),
            Self::ChargeOverdue => (
                "charge_overdue",
                SelfClearing,
                Notice,
                "charge was refused for long although a source was present",
                "charge permitted for an hour in all with a source present",
                "what stood in the way most, which is shown with it",
            ),
            Self::ReferenceDoubtful => (
                "reference_doubtful",
                SelfClearing,
                Alarm,
                "the check resistor does not measure what it is, so any channel may read wrong by as much",
                "a run of good readings of the check channel",
                "the reference resistor, the return that all channels share, the check resistor and its terminals",
            ),
            Self::CyclesSpent => (
                "cycles_spent",
                SelfClearing,
                Alarm,
                "the heater's relay has closed as often as it may in a day",
                "half a day's closings earned again",
                "a cell's thermometer that lies on the plate; a source that comes and goes; stop_c close above start_c",
            ),
            Self::SourceNotGiving => (
                "source_not_giving",
                SelfClearing,
                Alarm,
                "a source is present, and the bank pays for the heat that it should give",
                "heat that costs the bank nothing; the source away for an hour, or the reset button, tries it at once",
                "whether the source runs and its breaker is closed; a line stuck at present; its budget, and the loads beside the heater",
            ),
            Self::SupplySags => (
                "supply_sags",
                SelfClearing,
                Alarm,
                "the heater supply goes out of its limits each time the heater comes on",
                "the heater running for five minutes; the reset button tries it at once",
                "whether the source gives what its line says; an empty bank; fuse, terminals, cable of the heater's circuit",
            ),
            Self::PadNotFollowing => (
                "pad_not_following",
                Latched,
                Alarm,
                "a plate thermometer did not get as warm as it must for the energy put in",
                "the reset button",
                "whether each plate thermometer still sits on the plate; its converter; with heater_ineffective, the heater first",
            ),
            Self::ChargeNotClosing => (
                "charge_not_closing",
                SelfClearing,
                Alarm,
                "the charge relay's contact stays open although charge is permitted",
                "the contact closed, or charge refused",
                "the relay's coil, driver and plug; the wire of the contact",
            ),
        };
        Facts { name, ending, severity, meaning, cleared_by, check_first }
    }

    const fn bit(self) -> u32 {
        1 << self as u8
    }
}

/// A set of system faults.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(try_from = "stored::SystemFaults"))]
pub struct SystemFaults(u32);

const _: () = assert!(SystemFault::ALL.len() <= u32::BITS as usize);

#[cfg(feature = "serde")]
mod stored {
    #[derive(serde::Deserialize, Hash)]
    pub(super) struct SystemFaults(u32);

    /// A bit that no fault has here: a newer firmware has more.
    #[derive(Debug)]
    pub(super) struct NoSuchFault;

    impl core::fmt::Display for NoSuchFault {
        fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
            f.write_str("a fault that is not known here")
        }
    }

    impl TryFrom<SystemFaults> for super::SystemFaults {
        type Error = NoSuchFault;

        fn try_from(SystemFaults(bits): SystemFaults) -> Result<Self, NoSuchFault> {
            let known = super::SystemFault::ALL.into_iter().fold(Self::NONE, Self::with);
            if bits & !known.0 == 0 { Ok(Self(bits)) } else { Err(NoSuchFault) }
        }
    }
}

/// The faults of [`SystemFault::ALL`] that satisfy a condition, as bits.
macro_rules! bits_where {
    (|$fault:ident| $condition:expr) => {{
        let mut bits = 0;
        let mut index = 0;
        while index < SystemFault::ALL.len() {
            let $fault = SystemFault::ALL[index];
            if $condition {
                bits |= $fault.bit();
            }
            index = index.wrapping_add(1);
        }
        SystemFaults(bits)
    }};
}

impl SystemFaults {
    /// None.
    pub const NONE: Self = Self(0);
    /// Those that are latched.
    #[expect(clippy::indexing_slicing, reason = "evaluated at compile time, within the array's own length")]
    pub const LATCHED: Self = bits_where!(|fault| matches!(fault.facts().ending, Ending::Latched));
    /// Those that sound the alarm.
    #[expect(clippy::indexing_slicing, reason = "evaluated at compile time, within the array's own length")]
    pub const ALARMING: Self = bits_where!(|fault| matches!(fault.facts().severity, Severity::Alarm));
    /// Those that keep the heater off.
    #[expect(clippy::indexing_slicing, reason = "evaluated at compile time, within the array's own length")]
    pub const DISABLING_HEAT: Self = bits_where!(|fault| fault.disables().heat());
    /// Those that refuse charge.
    #[expect(clippy::indexing_slicing, reason = "evaluated at compile time, within the array's own length")]
    pub const DISABLING_CHARGE: Self = bits_where!(|fault| fault.disables().charge());

    /// These and `fault`.
    #[must_use]
    pub const fn with(self, fault: SystemFault) -> Self {
        Self(self.0 | fault.bit())
    }

    /// Whether `fault` is among them.
    #[must_use]
    pub const fn contains(self, fault: SystemFault) -> bool {
        self.0 & fault.bit() != 0
    }

    /// The faults in both sets.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// The faults in either set.
    #[must_use]
    pub const fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Those that are not in `other`.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether there are none.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The faults, one by one.
    pub fn iter(self) -> impl Iterator<Item = SystemFault> {
        SystemFault::ALL.into_iter().filter(move |fault| self.contains(*fault))
    }

    /// The first in the order of [`SystemFault::ALL`], which starts with what matters most.
    #[must_use]
    pub fn first(self) -> Option<SystemFault> {
        SystemFault::ALL.get(self.0.trailing_zeros() as usize).copied()
    }
}

/// Every fault that stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Faults {
    /// The fault of each channel, in the order of the settings.
    pub channels: [Option<ChannelFault>; MAX_CHANNELS],
    /// The system faults.
    pub system: SystemFaults,
    /// Sources that count as absent for heat because the bank paid for what they should have given. A source that is
    /// being tried again is not among them.
    pub not_giving: Sources,
}

impl Faults {
    /// None.
    pub const NONE: Self =
        Self { channels: [None; MAX_CHANNELS], system: SystemFaults::NONE, not_giving: Sources::NONE };

    /// These and `fault`.
    #[must_use]
    pub const fn with_system(self, fault: SystemFault) -> Self {
        Self { system: self.system.with(fault), ..self }
    }
}

//! What goes into a step and what comes out of it.
//!
//! [`Inputs`] is everything the world says, [`Outputs`] everything the controller answers. Neither knows where it came
//! from: an installation, a rehearsal and a replayed log fill the same fields.
//!
#![doc = include_str!("../docs/states.md")]

use crate::fault::{ChannelFault, Faults, SystemFault};
use crate::quantity::{Fraction, Millivolts};
use crate::rtd::Measured;
use crate::settings::{MAX_CHANNELS, MAX_SOURCES};

/// A contact that is open (de-energised, safe) or closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Relay {
    /// No current flows. The state of rest of both outputs.
    #[default]
    Open,
    /// Current may flow.
    Closed,
}

/// A line of the battery's own protection electronics.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Line {
    /// The protection refuses, or the line is dead: the two look alike on a wire that is energised to allow.
    Refused,
    /// The protection allows.
    Allowed,
}

/// A push button.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Button {
    /// Not touched.
    #[default]
    Released,
    /// Held down.
    Pressed,
}

/// What one thermometer channel brought in this step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Sample {
    /// Nothing new: the channel is sampled less often than the controller steps, or its converter is busy.
    #[default]
    None,
    /// A fresh measurement.
    Fresh(Measured),
    /// The converter itself reports a fault.
    ConverterFault,
}

/// Which of the configured energy sources are present, by their order in the settings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(try_from = "stored::Sources"))]
pub struct Sources(u8);

impl Sources {
    /// No source.
    pub const NONE: Self = Self(0);

    /// These and the source at `index`. An index that cannot be configured is ignored.
    #[must_use]
    pub const fn with(self, index: usize) -> Self {
        if index < MAX_SOURCES { Self(self.0 | (1 << index)) } else { self }
    }

    /// The sources in both sets.
    #[must_use]
    pub const fn and(self, others: Self) -> Self {
        Self(self.0 & others.0)
    }

    /// The sources in either set.
    #[must_use]
    pub const fn or(self, others: Self) -> Self {
        Self(self.0 | others.0)
    }

    /// Whether the source at `index` is present.
    #[must_use]
    pub const fn contains(self, index: usize) -> bool {
        index < MAX_SOURCES && self.0 & (1 << index) != 0
    }

    /// Those that are not in `other`.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether no source is present.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }
}

/// Whether what must survive a restart is kept.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Storage {
    /// It is, as far as anyone knows.
    #[default]
    Kept,
    /// The latest write, or reading it back, has failed.
    Failing,
}

/// Everything the world says in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Inputs {
    /// The thermometer channels, in the order of the settings. What lies beyond the configured channels is not read.
    pub channels: [Sample; MAX_CHANNELS],
    /// Voltage of the heater's supply; nothing if it could not be measured.
    pub supply: Option<Millivolts>,
    /// Voltage of the bank; nothing if it could not be measured.
    pub bank: Option<Millivolts>,
    /// State of charge of the bank, if something reports it.
    pub state_of_charge: Option<Fraction>,
    /// Energy sources that are present.
    pub sources: Sources,
    /// Sources whose line toggled too often since the step before to be called present. They are not in `sources`; one
    /// that is counts as absent.
    pub unsteady: Sources,
    /// The protection electronics' line for charging.
    pub charge_line: Line,
    /// The protection electronics' line for discharging.
    pub discharge_line: Line,
    /// Auxiliary contact of the heater relay, where fitted.
    pub heater_feedback: Option<Relay>,
    /// Auxiliary contact of the charge relay, where fitted.
    pub charge_feedback: Option<Relay>,
    /// The reset button.
    pub button: Button,
    /// Whether what must survive a restart is kept.
    pub storage: Storage,
}

impl Inputs {
    /// An installation of which nothing is known: no samples, no sources, both lines refused.
    pub const DEAD: Self = Self {
        channels: [Sample::None; MAX_CHANNELS],
        supply: None,
        bank: None,
        state_of_charge: None,
        sources: Sources::NONE,
        unsteady: Sources::NONE,
        charge_line: Line::Refused,
        discharge_line: Line::Refused,
        heater_feedback: None,
        charge_feedback: None,
        button: Button::Released,
        storage: Storage::Kept,
    };
}

/// Whether anyone needs to come and look.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Alarm {
    /// Nothing is wrong.
    #[default]
    Quiet,
    /// At least one fault that a fitter should look into.
    Sounding,
}

/// Defines an enum whose variants each have a stable name for logs and files and a meaning for people, which is also their documentation.
macro_rules! named {
    ($(#[$doc:meta])* $enum:ident {
        $($variant:ident $name:literal $meaning:literal)*
        $(; $($held:ident($fault:ident) $of:literal)*)?
    }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
        pub enum $enum {
            $(#[doc = $meaning] $variant,)*
            $($(#[doc = $of] $held($fault),)*)?
        }

        impl $enum {
            /// Every one that holds no fault.
            pub const PLAIN: &[Self] = &[$(Self::$variant),*];

            /// A stable name for logs and files.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self {
                    $(Self::$variant => $name,)*
                    $($(Self::$held(fault) => fault.facts().name,)*)?
                }
            }

            /// What it means, for a person.
            #[must_use]
            pub const fn meaning(self) -> &'static str {
                match self {
                    $(Self::$variant => $meaning,)*
                    $($(Self::$held(fault) => fault.facts().meaning,)*)?
                }
            }
        }
    };
}

named! {
    /// What the controller is doing, as one word.
    State {
        Starting "starting" "after a reset, until every cell channel has given its run of good readings"
        Faulted "faulted" "a fault has taken both outputs away"
        Waiting "waiting" "charge refused, heater off"
        Warming "warming" "charge refused, heater on"
        Soaking "soaking" "cells above release, the soak time is running, heater off"
        SoakingWarm "soaking_warm" "cells above release, the soak time is running, heater on"
        Permitting "permitting" "charge permitted, heater off"
        Holding "holding" "charge permitted, heater on"
    }
}

named! {
    /// Why the controller is in its state.
    Cause {
        StartUp "start_up" "the run of good readings after a reset is not complete"
        CellsCold "cells_cold" "the coldest cell is at or below the inhibit threshold"
        BelowRelease "below_release" "the coldest cell is above the inhibit threshold, not yet above release"
        CellsHot "cells_hot" "a cell is at or above the high charge limit, or not yet below its release"
        ChargeLineRefused "charge_line_refused" "the battery's protection refuses charge"
        AboveRelease "above_release" "the coldest cell is above release"
        Soaked "soaked" "the soak time is over"
        HeldWarm "held_warm" "the heater keeps the cells warm while charge is permitted"
        NoEnergy "no_energy" "the cells are cold, and no energy that may be spent is on offer"
        SourceSettling "source_settling" "the cells are cold, and the source has not been present for its settling time"
        SupplyOutOfRange "supply_out_of_range" "the cells are cold, and the heater supply is outside its limits"
        CutOut "cut_out" "a reading is at or above its heater cut-out, or not yet below it by the hysteresis"
        HeaterResting "heater_resting" "the heater relay has not been open for its minimum time, or rests after its maximum run"
        GuardOverruled "guard_overruled" "the guard has taken away what the controller asked for"
        CeilingTooLow "ceiling_too_low" "sources that do not obey the charge-current ceiling are present, and could give more than the cells may take"
        ;
        Channel(ChannelFault) "A fault of a thermometer channel."
        System(SystemFault) "A fault of the whole."
    }
}

impl State {
    /// What the heater relay and the charge relay are in it.
    #[must_use]
    pub const fn relays(self) -> (Relay, Relay) {
        match self {
            Self::Starting | Self::Faulted | Self::Waiting | Self::Soaking => (Relay::Open, Relay::Open),
            Self::Warming | Self::SoakingWarm => (Relay::Closed, Relay::Open),
            Self::Permitting => (Relay::Open, Relay::Closed),
            Self::Holding => (Relay::Closed, Relay::Closed),
        }
    }
}

/// Everything the controller answers in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Outputs {
    /// The heater relay.
    pub heater: Relay,
    /// The charge permit relay.
    pub charge: Relay,
    /// The full charge permit relay, for sources in two steps. It is closed if charge is permitted and what all sources
    /// that do not obey the ceiling could then give stays within it. Without such sources it is the same as `charge`.
    pub full: Relay,
    /// The largest charge current, per capacity, that the sources which obey it may give together. It is what the cells
    /// may take, less what the other present sources could give, or will give once `full` closes. Zero when charge is
    /// not permitted.
    pub ceiling: Fraction,
    /// The alarm.
    pub alarm: Alarm,
    /// What the controller is doing.
    pub state: State,
    /// Why.
    pub cause: Cause,
    /// What stood in the way most, if charge is overdue.
    pub overdue: Option<Cause>,
    /// Every fault that stands.
    pub faults: Faults,
}

impl Outputs {
    /// Both outputs off and the alarm on, for when there is no controller to ask: the settings do not validate.
    #[must_use]
    pub const fn all_off(fault: SystemFault) -> Self {
        Self {
            heater: Relay::Open,
            charge: Relay::Open,
            full: Relay::Open,
            ceiling: Fraction::ZERO,
            alarm: Alarm::Sounding,
            state: State::Faulted,
            cause: Cause::System(fault),
            overdue: None,
            faults: Faults::NONE.with_system(fault),
        }
    }
}

/// A set of sources as it is stored or sent: any bits at all, until they have been checked.
#[cfg(feature = "serde")]
mod stored {
    use crate::settings::MAX_SOURCES;

    #[derive(serde::Deserialize, Hash)]
    pub(super) struct Sources(u8);

    /// A bit beyond the sources that can be configured.
    #[derive(Debug)]
    pub(super) struct NoSuchSource;

    impl core::fmt::Display for NoSuchSource {
        fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
            write!(f, "a source beyond the {MAX_SOURCES} that can be configured")
        }
    }

    impl TryFrom<Sources> for super::Sources {
        type Error = NoSuchSource;

        fn try_from(Sources(bits): Sources) -> Result<Self, NoSuchSource> {
            let known = (0..MAX_SOURCES).fold(Self::NONE, Self::with);
            if bits & !known.0 == 0 { Ok(Self(bits)) } else { Err(NoSuchSource) }
        }
    }
}

#[cfg(all(test, feature = "serde"))]
mod tests {
    use super::*;
    use crate::fault::{SystemFault, SystemFaults};
    use crate::testing::{any_history, any_settings};
    use crate::{Memory, Unit};
    use proptest::prelude::*;
    use serde_json::{from_str, to_string};
    use std::string::ToString;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

        #[test]
        fn what_goes_in_and_comes_out_is_read_back_as_it_was_written(settings in any_settings(), history in any_history()) {
            let valid = settings.clone().validate().unwrap();
            let mut unit = Unit::new(&valid, Memory::default());
            for moment in history.moments(&settings) {
                if moment.restart {
                    unit = Unit::new(&valid, unit.memory());
                }
                prop_assert_eq!(from_str::<Inputs>(&to_string(&moment.inputs).unwrap()).unwrap(), moment.inputs);
                let outputs = unit.step(moment.now, &moment.inputs);
                prop_assert_eq!(from_str::<Outputs>(&to_string(&outputs).unwrap()).unwrap(), outputs);
            }
            for event in unit.journal().events() {
                prop_assert_eq!(&from_str::<crate::journal::Event>(&to_string(event).unwrap()).unwrap(), event);
            }
        }
    }

    #[test]
    fn only_sources_and_faults_that_exist_are_read() {
        for bits in 0..=u8::MAX {
            let read = from_str::<Sources>(&bits.to_string());
            let counted = (0..MAX_SOURCES).filter(|index| bits & (1 << index) != 0).fold(Sources::NONE, Sources::with);
            assert_eq!(read.ok(), Some(counted).filter(|_| bits < 1 << MAX_SOURCES), "{bits:#b}");
        }
        for bit in 0..u32::BITS as usize {
            let read = from_str::<SystemFaults>(&(1_u32 << bit).to_string());
            let fault = SystemFault::ALL.get(bit).map(|&fault| SystemFaults::NONE.with(fault));
            assert_eq!(read.ok(), fault, "bit {bit}: what a newer firmware knows is not taken for less than it says");
        }
        assert!(from_str::<State>("\"Dreaming\"").is_err());
    }
}

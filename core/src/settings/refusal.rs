//! Why settings are refused, and what would go wrong.

use super::table::{Key, Place};
use crate::quantity::{Millivolts, Ohms};
use core::fmt;

/// Why settings are refused. Values are in thousandths of the setting's unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SettingsError {
    /// A value lies outside the range of its row in [`TABLE`](super::TABLE).
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
    /// The plate is to show whether the heater is off, but no channel is on the plate.
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
            Self::OutsideRange { place, .. } => place.key.meaning(),
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

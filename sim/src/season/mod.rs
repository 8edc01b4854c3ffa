//! A season: what a controller was shown and what it decided, over time. Rehearsal and replay both make one.
//!
//! | module | holds |
//! |---|---|
//! | `timeline` | the season as CSV, which a replay reads back |

mod timeline;

pub(crate) use timeline::NEXT_WITHIN;
pub use timeline::Timeline;

use crate::scale::{Scale, Unit as LoggedIn};
use forewarm_core::Unit;
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{Role, ValidSettings};
use forewarm_core::signals::{Inputs, Outputs, Relay, Sample};
use jiff::ToSpan;
use jiff::civil::DateTime;

/// One step of the controller.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    /// When it was taken, since the start (ms).
    pub at: i64,
    /// The controller after it.
    pub unit: &'a Unit,
    /// What the controller was shown.
    pub inputs: &'a Inputs,
    /// What it answers from now on.
    pub outputs: &'a Outputs,
}

impl Moment<'_> {
    pub(crate) fn heater(&self) -> bool {
        self.outputs.heater == Relay::Closed
    }

    pub(crate) fn charge(&self) -> bool {
        self.outputs.charge == Relay::Closed
    }

    pub(crate) fn full(&self) -> bool {
        self.outputs.full == Relay::Closed
    }
}

/// Which moment second 0 is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Clock {
    /// Its date and time; nothing where only the time that has passed is known.
    pub start: Option<DateTime>,
    /// The zone offset, as in +01:00; nothing for local standard time.
    pub zone: Option<String>,
}

impl Clock {
    /// A date and time in local standard time.
    #[must_use]
    pub const fn local(start: DateTime) -> Self {
        Self { start: Some(start), zone: None }
    }

    /// The moment `at_ms` after the start as in RFC 3339, without a zone where none is known; nothing where no date is.
    pub(crate) fn written(&self, at_ms: i64) -> Option<String> {
        let date = self.start?.checked_add(at_ms.milliseconds()).ok()?;
        Some(format!("{}{}", date.strftime("%Y-%m-%dT%H:%M:%S%.f"), self.zone.as_deref().unwrap_or_default()))
    }
}

/// The thermometers of a controller. Check resistors are none.
#[derive(Clone, Debug, Default)]
pub struct Channels(Vec<Channel>);

#[derive(Clone, Debug)]
struct Channel {
    name: String,
    /// Its place among the channels of the settings.
    index: usize,
    role: Role,
    scale: Scale,
}

impl Channels {
    /// Those of `settings`, with their names in the same order.
    #[must_use]
    pub fn new<'n>(names: impl IntoIterator<Item = &'n str>, settings: &ValidSettings) -> Self {
        let trust = &settings.trust;
        let plausible = (trust.plausible_low, trust.plausible_high);
        let made = names.into_iter().zip(&settings.channels).enumerate().map(|(index, (name, channel))| Channel {
            name: name.to_owned(),
            index,
            role: channel.role,
            scale: Scale::new(channel, LoggedIn::Celsius, plausible),
        });
        Self(made.filter(|channel| !matches!(channel.role, Role::Check(_))).collect())
    }

    /// What was measured of the channel at that place of the settings where the controller does not believe it.
    #[cold]
    pub(crate) fn doubtful(&self, index: usize, moment: &Moment<'_>) -> Option<Celsius> {
        moment.outputs.faults.channels[index]?;
        self.0.iter().find(|channel| channel.index == index)?.measured(moment.inputs)
    }
}

impl Channel {
    /// The temperature that was measured, believed or not; nothing where there was no sample, or none that is a temperature.
    fn measured(&self, inputs: &Inputs) -> Option<Celsius> {
        match inputs.channels.get(self.index)? {
            Sample::Fresh(measured) => self.scale.shown(*measured),
            Sample::None | Sample::ConverterFault => None,
        }
    }
}

fn celsius(t: Celsius) -> f64 {
    f64::from(t.as_steps()) / f64::from(1_u32 << 16)
}

//! A season: what a controller saw and what it decided, over time. Rehearsal and replay both make one.
//!
//! | module | holds |
//! |---|---|
//! | `film` | the season as it is drawn, recorded in bounded memory |
//! | `timeline` | the season as CSV, which a replay reads back |

mod film;
mod timeline;

pub(crate) use film::BINS;
pub use film::{Film, Held, Wanted};
pub(crate) use timeline::NEXT_WITHIN;
pub use timeline::Timeline;

use crate::scale::{Scale, Unit as LoggedIn};
use forewarm_core::Unit;
use forewarm_core::quantity::{Celsius, Ratio};
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
    /// The controller's inputs.
    pub inputs: &'a Inputs,
    /// Its outputs from now on.
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

/// The moment of second 0.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Clock {
    /// Its date and time; `None` if only the elapsed time is known.
    pub start: Option<DateTime>,
    /// The zone offset, as in +01:00; `None` for local standard time.
    pub zone: Option<String>,
}

impl Clock {
    /// A date and time in local standard time.
    #[must_use]
    pub const fn local(start: DateTime) -> Self {
        Self { start: Some(start), zone: None }
    }

    /// The moment `at_ms` after the start in RFC 3339, without a zone if none is known; `None` without a date.
    pub(crate) fn written(&self, at_ms: i64) -> Option<String> {
        let date = self.start?.checked_add(at_ms.milliseconds()).ok()?;
        Some(format!("{}{}", date.strftime("%Y-%m-%dT%H:%M:%S%.f"), self.zone.as_deref().unwrap_or_default()))
    }
}

/// The thermometers of a controller. Check resistors are not among them.
#[derive(Clone, Debug, Default)]
pub struct Channels(Vec<Channel>);

#[derive(Clone, Debug)]
struct Channel {
    name: String,
    /// Its place among the channels of the settings.
    index: usize,
    role: Role,
    scale: Scale,
    /// The measurements at the coldest and at the hottest temperature that its place can have.
    plausible: (Ratio, Ratio),
}

impl Channels {
    /// Those of `settings`, with their names in the same order.
    #[must_use]
    pub fn new<'n>(names: impl IntoIterator<Item = &'n str>, settings: &ValidSettings) -> Self {
        let trust = &settings.trust;
        let plausible = (trust.plausible_low, trust.plausible_high);
        let made = names.into_iter().zip(&settings.channels).enumerate().map(|(index, (name, channel))| {
            let scale = Scale::new(channel, LoggedIn::Celsius, plausible);
            let (low, high) = scale.plausible();
            let plausible = (scale.ratio(low), scale.ratio(high));
            Channel { name: name.to_owned(), index, role: channel.role, scale, plausible }
        });
        Self(made.filter(|channel| !matches!(channel.role, Role::Check(_))).collect())
    }

    /// The cells among them.
    #[must_use]
    pub fn cells(mut self) -> Self {
        self.0.retain(|channel| channel.role == Role::Cell);
        self
    }
}

/// The kind of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shape {
    /// No sample came.
    Missing,
    /// A temperature that its place can have.
    Plausible,
    /// Below any temperature, as from a short circuit.
    Below,
    /// Above any temperature, as from a broken lead; or the converter reports a broken lead.
    Above,
}

impl Channel {
    fn shape(&self, inputs: &Inputs) -> Shape {
        let (low, high) = self.plausible;
        match inputs.channels.get(self.index) {
            None | Some(Sample::None) => Shape::Missing,
            Some(Sample::ConverterFault) => Shape::Above,
            Some(Sample::Fresh(measured)) => match measured.element.less(measured.lead) {
                Some(ratio) if ratio.as_steps() > high.as_steps() => Shape::Above,
                Some(ratio) if ratio.as_steps() >= low.as_steps() => Shape::Plausible,
                Some(_) | None => Shape::Below,
            },
        }
    }

    /// The measured temperature, believed or not; `None` if there was no sample, or if it is no temperature.
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

//! The whole card, in the order in which a fitter goes through it.

use super::circuit;
use super::provoke;
use super::resistors::Stock;
use super::rig::{Connected, Rig};
use super::substitutes::{Steps, of_channel};
use super::sweep;
use super::water;
use crate::cautions::CAUTIONS;
use crate::fingerprint;
use crate::installation::Installation;
use crate::si;
use forewarm_core::quantity::Kelvins;
use forewarm_core::settings::Settings;
use serde::{Deserialize, Serialize};

/// What the fitter has on the bench, and where that is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bench {
    /// Resistors.
    pub stock: Stock,
    /// Smallest step of a decade box (Ω).
    pub box_step_ohm: f64,
    /// Height above the sea (m).
    pub height_m: f64,
}

/// Tolerances of resistors (%), steps of a decade box (Ω) and heights above the sea (m) that a card can be made for: the least and the most.
pub const WITHIN_PCT: (f64, f64) = (0.001, 10.0);
/// See [`WITHIN_PCT`].
pub const BOX_STEP_OHM: (f64, f64) = (0.001, 100.0);
/// See [`WITHIN_PCT`].
pub const HEIGHT_M: (f64, f64) = (-430.0, 6000.0);

impl Bench {
    /// Whether a card can be made for it.
    #[must_use]
    pub fn is_possible(&self) -> bool {
        // A part in a million for what a file's decimals leave off.
        let lies = |value: f64, (least, most): (f64, f64)| (value - least) >= -1e-6 && (value - most) <= 1e-6;
        lies(self.stock.tolerance * 100.0, WITHIN_PCT)
            && lies(self.box_step_ohm, BOX_STEP_OHM)
            && lies(self.height_m, HEIGHT_M)
    }
}

/// A card.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Card {
    /// What the fitter calls the installation.
    pub title: String,
    /// Identifies the settings: a board that has them shows the same.
    pub settings_fingerprint: String,
    /// The resistors that it is made for.
    pub resistors: String,
    /// What it is made for, for its record.
    #[serde(skip)]
    pub(super) bench: Bench,
    /// Identifies the settings without the offsets of thermometers.
    #[serde(skip)]
    pub(super) uncalibrated: String,
    /// After how many times of switching on it must be left on without heating, and for how long (s).
    #[serde(skip)]
    pub(super) rest: (u8, f64),
    /// How long the reset button is held (s).
    #[serde(skip)]
    pub(super) button_s: f64,
    /// The parts, in order.
    pub parts: Vec<Part>,
    /// The cautions that every document states once.
    pub cautions: [&'static str; 3],
}

/// Steps that belong together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Part {
    /// Its title.
    pub title: String,
    /// What to know before.
    pub lead: Vec<String>,
    /// Its steps.
    pub steps: Vec<Step>,
}

/// One step.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Step {
    /// What to do.
    pub how: String,
    /// What must follow.
    pub expect: Expect,
    /// What the controller does when it is done.
    #[serde(skip)]
    pub(super) begins: Begins,
}

/// How a step begins.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Begins {
    /// Whatever the controller does.
    Anyhow,
    /// The controller is switched off, this is connected, and it is switched on.
    SwitchedOn(Connected),
    /// The controller is at work, and something is done to it.
    AtWork,
}

impl Step {
    /// A step that does not need the controller to be in any state.
    pub(super) fn anyhow(how: impl Into<String>, expect: Expect) -> Self {
        Self { how: how.into(), expect, begins: Begins::Anyhow }
    }
}

/// What must follow.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Expect {
    /// A meter shows this.
    Measured {
        /// Its unit.
        unit: &'static str,
        /// The least.
        low: f64,
        /// The most; `null` if there is no such.
        high: Option<f64>,
    },
    /// The controller shows this temperature of a channel (°C).
    Reads {
        /// Its name.
        channel: String,
        /// The least.
        low_c: f64,
        /// The most.
        high_c: f64,
        /// Whether its thermometer is in ice, which calibrates it.
        in_ice: bool,
    },
    /// The outputs become these while a resistor is turned, and the controller shows this temperature then (°C).
    Turns {
        /// Name of the channel.
        channel: String,
        /// The least.
        low_c: f64,
        /// The most.
        high_c: f64,
        /// Whether the heater is then on.
        heater: bool,
        /// Whether charge is then permitted.
        charge: bool,
    },
    /// The controller does this.
    Outputs {
        /// Whether the heater is on.
        heater: bool,
        /// Whether charge is permitted.
        charge: bool,
        /// Both, and the alarm, in words.
        told: String,
        /// The state that it shows.
        state: &'static str,
        /// Why.
        cause: &'static str,
        /// The faults that stand.
        faults: Vec<Standing>,
        /// Whether one of them stays until the reset button is held.
        latched: bool,
        /// What the channel that is tried reads; `null` where none is.
        reads: Option<Reading>,
        /// Time within which (s).
        within_s: u32,
        /// Time after which it is still so (s).
        still_s: u32,
    },
    /// The fitter sees this.
    Seen(String),
    /// It cannot be tried, and why.
    Impossible(String),
}

/// A fault that stands.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Standing {
    /// Its name.
    pub fault: &'static str,
    /// Of which channel, if it has one.
    pub channel: Option<String>,
}

impl Standing {
    /// All of them in words: `open (battery_1), reference_doubtful`.
    pub(super) fn told(all: &[Self]) -> String {
        let of = |same: &[Self]| {
            let channels: Vec<&str> = same.iter().filter_map(|one| one.channel.as_deref()).collect();
            if channels.is_empty() {
                same[0].fault.to_owned()
            } else {
                format!("{} ({})", same[0].fault, channels.join(", "))
            }
        };
        all.chunk_by(|one, next| one.fault == next.fault).map(of).collect::<Vec<_>>().join(", ")
    }
}

/// What a channel reads.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// Its name.
    pub channel: String,
    /// `°C`, or `Ω` for a check resistor.
    pub unit: &'static str,
    /// The least; `null` where it reads nothing.
    pub low: f64,
    /// The most; `null` where it reads nothing.
    pub high: f64,
}

impl Step {
    /// Whether somebody can try it.
    #[must_use]
    pub const fn can_be_tried(&self) -> bool {
        !matches!(self.expect, Expect::Impossible(_))
    }
}

impl Card {
    /// The card of an installation; `None` if its file describes no site.
    #[must_use]
    pub fn of(installation: &Installation, bench: &Bench) -> Option<Self> {
        let site = installation.site.as_ref()?;
        let trust = &installation.settings.trust;
        let rig = Rig::new(installation, site, bench.stock.series);
        let channels = 0..installation.channels.len();
        let steps = Steps {
            sides: channels.map(|channel| of_channel(&rig, channel, &bench.stock, bench.box_step_ohm)).collect(),
            names: &installation.channels,
            source: rig.source.and_then(|source| installation.sources.get(source)).map(String::as_str),
            tolerance: bench.stock.tolerance,
            rig: &rig,
        };
        let mut parts = vec![circuit::before_power(installation, site)];
        parts.push(water::part(installation, site, &rig, bench.height_m));
        parts.extend(steps.all());
        parts.extend(steps.source_lines(&installation.sources));
        parts.extend(sweep::part(&steps, bench));
        parts.push(provoke::part(&steps, installation));
        parts.push(circuit::cutouts(site));
        parts.extend(circuit::mounted(installation));
        Some(Self {
            title: installation.title.clone(),
            settings_fingerprint: fingerprint::of(&installation.settings).to_string(),
            resistors: bench.stock.to_string(),
            bench: *bench,
            uncalibrated: uncalibrated(&installation.settings),
            rest: (
                trust.restart_limit.min(MOST_HEATINGS),
                si::seconds(trust.restart_window).max(si::seconds(installation.settings.heater.rest)),
            ),
            button_s: si::seconds(trust.button),
            parts,
            cautions: CAUTIONS,
        })
    }
}

/// Each start that heats counts as an eighth of the longest run, until the heater has rested.
const MOST_HEATINGS: u8 = 7;

/// The fingerprint of these settings without the offsets of thermometers.
fn uncalibrated(settings: &Settings) -> String {
    let mut bare = settings.clone();
    for channel in &mut bare.channels {
        channel.offset = Kelvins::ZERO;
    }
    fingerprint::of(&bare).to_string()
}

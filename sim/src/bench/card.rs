//! The whole card, in the order in which a fitter goes through it.

use super::circuit;
use super::provoke;
use super::resistors::Stock;
use super::rig::Rig;
use super::substitutes::{Steps, of_channel};
use super::sweep;
use super::water;
use crate::cautions::CAUTIONS;
use crate::figures::plain;
use crate::fingerprint;
use crate::installation::Installation;
use crate::si;
use serde::Serialize;

/// What the fitter has on the bench, and where that is.
#[derive(Clone, Copy, Debug)]
pub struct Bench {
    /// Resistors.
    pub stock: Stock,
    /// Smallest step of a decade box (Ω).
    pub box_step_ohm: f64,
    /// Height above the sea (m).
    pub height_m: f64,
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
    /// After how many times of switching on it must be left on, and for how long.
    #[serde(skip)]
    pub(super) restarts: (u8, String),
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
        faults: Vec<&'static str>,
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

impl Card {
    /// The card of an installation; `None` if its file describes no site.
    #[must_use]
    pub fn of(installation: &Installation, bench: &Bench) -> Option<Self> {
        let site = installation.site.as_ref()?;
        let trust = &installation.settings.trust;
        let rig = Rig::new(installation, site);
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
        parts.extend(sweep::part(&steps, bench));
        parts.push(provoke::part(&steps, installation));
        parts.push(circuit::cutouts(site));
        Some(Self {
            title: installation.title.clone(),
            settings_fingerprint: fingerprint::of(&installation.settings).to_string(),
            resistors: bench.stock.to_string(),
            restarts: (trust.restart_limit, format!("{} min", plain(si::seconds(trust.restart_window) / 60.0))),
            parts,
            cautions: CAUTIONS,
        })
    }
}

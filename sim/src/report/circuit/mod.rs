//! The circuit as one model: parts, their terminals, and the conductors between them.
//!
//! The wiring list and the drawing are both made of this, so neither can say what the other does not. A [`Path`] is what
//! current, or a signal, goes through one after the other: from a part by a conductor to the next. Where the file does not
//! know a cross-section or a length, the model has none, and a person fills it in by hand.
//!
//! The letters of the parts follow IEC 81346-2, those of terminals EN 50005 and EN 50011; both from memory.
//!
//! | module | holds |
//! |---|---|
//! | `draft` | how a circuit is put together |
//! | `heater` | what feeds the heater, and what switches it; the controller's own supply |
//! | `thermometers` | thermometers, check resistors, references, converters |
//! | `lines` | what the controller is told |
//! | `outputs` | what it tells: charge, ceiling, lamp, alarm, service line |

mod draft;
mod heater;
mod lines;
mod outputs;
#[cfg(test)]
mod tests;
mod thermometers;

use crate::figures::plain;
use crate::installation::Installation;
use crate::site::Site;
use draft::Draft;
use serde::Serialize;

/// A circuit.
#[derive(Clone, Debug)]
pub(crate) struct Circuit {
    pub(crate) parts: Vec<Part>,
    pub(crate) sheets: Vec<Sheet>,
}

/// A part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Part {
    /// What stands for it in list and drawing.
    pub tag: String,
    /// What it is.
    pub what: String,
    /// What it must bear, or what it is set to; blank where the file does not say.
    pub rating: String,
}

/// What belongs on one page of the drawing.
#[derive(Clone, Debug)]
pub(crate) struct Sheet {
    pub(crate) title: &'static str,
    /// What to know about it, beyond the lines.
    pub(crate) notes: Vec<String>,
    pub(crate) paths: Vec<Path>,
}

/// Parts in a row.
#[derive(Clone, Debug)]
pub(crate) struct Path {
    /// Paths of one group stand together.
    pub(crate) group: usize,
    pub(crate) from: Stop,
    pub(crate) runs: Vec<(Conductor, Stop)>,
}

/// A part on a path, entered by one terminal and left by another.
#[derive(Clone, Debug)]
pub(crate) struct Stop {
    pub(crate) part: usize,
    pub(crate) look: Look,
    pub(crate) enters: String,
    pub(crate) leaves: String,
    /// What stands beside it in the drawing.
    pub(crate) label: Vec<String>,
}

/// What a stop is drawn as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Look {
    /// A box with terminals, at an end.
    Block,
    /// A battery with terminals, at an end.
    Battery,
    /// A terminal of a part that is drawn elsewhere, at an end.
    Terminal,
    /// A platinum element, at an end.
    Element,
    /// A fixed resistor with several wires, at an end.
    Fixed,
    /// The heater, at an end.
    Heater,
    /// Between two ends.
    Fuse,
    /// A contact that closes, between two ends.
    Contact,
    /// A contact that heat opens, between two ends.
    Thermal,
    /// The coil of a relay with its diode, between two ends.
    Coil,
    /// A contact that a hand closes, between two ends.
    Button,
    /// Between two ends.
    Lamp,
    /// Between two ends.
    Buzzer,
}

/// A conductor.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Conductor {
    /// In list and drawing, from 1.
    pub(crate) number: usize,
    /// Cross-section (mm²), and who says so.
    pub(crate) area: Option<(f64, Says)>,
    pub(crate) length: Length,
    /// The cable that it lies in.
    pub(crate) cable: Option<String>,
    /// The fuse that protects it.
    pub(crate) fuse: Option<usize>,
    pub(crate) purpose: String,
}

/// Who says how large something is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Says {
    /// The installation file.
    File,
    /// The plan, where the file leaves it open.
    Plan,
}

/// How long a conductor is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Length {
    /// So long (m).
    Metres(f64),
    /// With others in its path, so long (m).
    PartOf(f64),
    /// As short as it can be.
    Short,
    /// The file does not say.
    ByHand,
}

impl Circuit {
    /// The circuit of an installation. `has_contacts` says whether both relays have auxiliary contacts.
    pub(crate) fn of(installation: &Installation, site: &Site, has_contacts: bool) -> Self {
        let mut draft = Draft::new(installation, site);
        let heater_relay = heater::draw(&mut draft);
        thermometers::draw(&mut draft);
        let charge_relay = outputs::draw(&mut draft);
        lines::draw(&mut draft, has_contacts.then_some([heater_relay, charge_relay]));
        draft.finish()
    }

    /// `F1:2`
    pub(crate) fn terminal(&self, part: usize, terminal: &str) -> String {
        format!("{}:{terminal}", self.parts[part].tag)
    }

    /// Every conductor with the stops before and after it, in the order of their numbers.
    pub(crate) fn conductors(&self) -> impl Iterator<Item = (&Stop, &Conductor, &Stop)> {
        self.sheets.iter().flat_map(|sheet| &sheet.paths).flat_map(|path| {
            let before = std::iter::once(&path.from).chain(path.runs.iter().map(|(_, stop)| stop));
            before.zip(&path.runs).map(|(before, (conductor, after))| (before, conductor, after))
        })
    }
}

/// `12.8 V`
fn volts(volts: f64) -> String {
    format!("{} V", plain(volts))
}

/// `20 A`
fn amps(amps: f64) -> String {
    format!("{} A", plain(amps))
}

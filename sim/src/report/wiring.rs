//! The circuit as a list: each conductor from terminal to terminal, with what is known of it.

use super::circuit::{Circuit, Length, Says};
use crate::figures::plain;
use serde::Serialize;

/// One conductor.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Conductor {
    /// Its number in list and drawing.
    pub number: usize,
    /// The terminal where it begins: `F1:2`.
    pub from: String,
    /// The terminal where it ends.
    pub to: String,
    /// Cross-section (mm²); `null` where nobody says it.
    pub area_mm2: Option<f64>,
    /// Who says it.
    pub area_from: Option<Says>,
    /// Length (m); `null` where the file does not say it.
    pub length_m: Option<f64>,
    /// Length, in words; blank where the file does not say it.
    pub length: String,
    /// The cable that it lies in; `null` if none is named.
    pub cable: Option<String>,
    /// The fuse that protects it; `null` where none does.
    pub fuse: Option<String>,
    /// What it is for.
    pub purpose: String,
}

impl Conductor {
    /// Its cross-section, in words; blank where nobody says it.
    #[must_use]
    pub fn area(&self) -> String {
        let by = if self.area_from == Some(Says::Plan) { " by plan" } else { "" };
        self.area_mm2.map_or_else(String::new, |area_mm2| format!("{} mm²{by}", plain(area_mm2)))
    }

    /// Its row in the list: number, from, to, cross-section, length, cable, fuse, purpose. What nobody says is blank.
    pub(super) fn cells(&self) -> [String; 8] {
        [
            self.number.to_string(),
            self.from.clone(),
            self.to.clone(),
            self.area(),
            self.length.clone(),
            self.cable.clone().unwrap_or_default(),
            self.fuse.clone().unwrap_or_default(),
            self.purpose.clone(),
        ]
    }
}

/// Every conductor of a circuit, in the order of the numbers.
pub(super) fn list(circuit: &Circuit) -> Vec<Conductor> {
    let row =
        |(before, conductor, after): (&super::circuit::Stop, &super::circuit::Conductor, &super::circuit::Stop)| {
            let (length_m, length) = match conductor.length {
                Length::Metres(length_m) => (Some(length_m), format!("{} m", plain(length_m))),
                Length::PartOf(whole_m) => (None, format!("part of {} m", plain(whole_m))),
                Length::Short => (None, "short".to_owned()),
                Length::ByHand => (None, String::new()),
            };
            Conductor {
                number: conductor.number,
                from: circuit.terminal(before.part, &before.leaves),
                to: circuit.terminal(after.part, &after.enters),
                area_mm2: conductor.area.map(|(area_mm2, _)| area_mm2),
                area_from: conductor.area.map(|(_, says)| says),
                length_m,
                length,
                cable: conductor.cable.clone(),
                fuse: conductor.fuse.map(|fuse| circuit.parts[fuse].tag.clone()),
                purpose: conductor.purpose.clone(),
            }
        };
    circuit.conductors().map(row).collect()
}

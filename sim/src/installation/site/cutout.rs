//! `[[thermal_cutout]]`: what opens the heater's circuit without the controller.

use super::table::Key;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::site::{Resets, ThermalCutout, Touches};

/// Reads each of them.
pub(super) fn read<'t>(reader: &mut Reader<'t>, sections: &mut [Section<'t>]) -> Vec<ThermalCutout> {
    sections.iter_mut().map(|section| cutout(reader, section)).collect()
}

fn cutout<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> ThermalCutout {
    let places = Touches::ALL.map(|at| (at.word(), at));
    let at = reader.word(section, "at", &places);
    if matches!(at, Ok(None)) {
        section.lacks("at", "at = \"plate\" or \"pad\": what it touches");
    }
    let resets = [Resets::ByHand, Resets::ByItself, Resets::Never].map(|resets| (resets.word(), resets));
    ThermalCutout {
        at: at.ok().flatten().unwrap_or(Touches::Plate),
        opens_c: reader.real(section, Key::Opens),
        within_k: reader.real(section, Key::OpensWithin),
        resets: reader.word(section, "resets", &resets).ok().flatten().unwrap_or(Resets::ByItself),
        rated_a: reader.real(section, Key::CutoutCurrent),
        rated_v: reader.real(section, Key::CutoutVoltage),
    }
}

//! `[box]`: its measures, and the materials of its walls and floor, in one layer or in several.

use super::bodies::words;
use super::table::Key;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::materials::{INSULATIONS, Material};
use crate::site::{Enclosure, Layer};
use std::borrow::Cow;

/// No wall has more layers than this.
const MOST_LAYERS: usize = 8;

/// How layers are written.
const FORM: &str = "layers = [ { material = \"plywood\", thickness_mm = 12 }, { material = \"xps\", thickness_mm = 25 } ], from the \
                    outside inwards";

pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Enclosure {
    let (walls, floor) = if section.has("layers") || section.has("floor_layers") {
        several(reader, section)
    } else {
        one(reader, section)
    };
    Enclosure {
        length_m: reader.real(section, Key::BoxLength),
        width_m: reader.real(section, Key::BoxWidth),
        height_m: reader.real(section, Key::BoxHeight),
        walls,
        floor,
        air_changes_per_h: reader.real(section, Key::AirChanges),
        loss: reader.real(section, Key::BoxLoss),
        inside_w_per_m2_k: reader.real(section, Key::InsideFilm),
    }
}

/// Walls and floor of one layer: `insulation` and `thickness_mm`.
fn one<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> (Vec<Layer>, Vec<Layer>) {
    // Asks for these keys, so that a misspelt one is reported as a slip.
    for name in ["layers", "floor_layers"] {
        let _ = section.get(name);
    }
    let wall = layer(reader, section, "insulation");
    let thickness_m = reader.given(section, Key::FloorThickness).unwrap_or(wall.thickness_m);
    (vec![wall.clone()], vec![Layer { thickness_m, ..wall }])
}

/// Walls from `layers`. The floor from `floor_layers`, or the same as the walls.
fn several<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> (Vec<Layer>, Vec<Layer>) {
    for name in ["insulation", "conductivity_w_per_m_k", "thickness_mm", "floor_thickness_mm"] {
        if section.get(name).is_some() {
            let place = section.place(name);
            let message = format!("{place} does not go with layers");
            let remedy = "one of the two: insulation and thickness_mm for walls of one material, or layers (and floor_layers for \
                          another floor)";
            reader.findings.error(section.key_span(name).as_ref(), &place, message, remedy);
        }
    }
    if !section.has("layers") {
        section.lacks("layers", format!("{FORM}: floor_layers is the floor alone"));
    }
    let walls = list(reader, section, "layers");
    let floor = list(reader, section, "floor_layers");
    (walls.clone().unwrap_or_else(stand_in), floor.or(walls).unwrap_or_else(stand_in))
}

/// The layers listed under `name`, if it is there and lists any. A fault is reported.
fn list<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, name: &'static str) -> Option<Vec<Layer>> {
    let is_there = section.has(name);
    let sections = section.list(name, MOST_LAYERS, FORM, &mut reader.findings)?;
    if sections.is_empty() {
        if is_there {
            let place = section.place(name);
            let message = format!("{place} has no layer");
            reader.findings.error(section.key_span(name).as_ref(), &place, message, FORM);
        }
        return None;
    }
    let read = |mut section: Section<'t>| {
        let layer = layer(reader, &mut section, "material");
        section.finish(&mut reader.findings);
        layer
    };
    Some(sections.into_iter().map(read).collect())
}

/// One layer: a material that `word` names, or one with only its conductivity known. That one gets a foam's density and
/// specific heat, which hardly matter for so light a material.
fn layer<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, word: &'static str) -> Layer {
    let thickness_m = reader.real(section, Key::BoxThickness);
    let known = reader.word(section, word, &words(INSULATIONS));
    let own = reader.given(section, Key::BoxConductivity);
    match (&known, own) {
        (Ok(Some(_)) | Err(_), Some(_)) => {
            let place = section.place("conductivity_w_per_m_k");
            let message = format!("{place} does not go with {}", section.place(word));
            let remedy = format!(
                "one of the two: {word} names a material, conductivity_w_per_m_k is for one that has no word here"
            );
            let span = section.key_span("conductivity_w_per_m_k");
            reader.findings.error(span.as_ref(), &place, message, remedy);
        }
        (Ok(None), None) => {
            let words: Vec<&str> = INSULATIONS.iter().map(|known| known.name).collect();
            let remedy = format!("{word} = one of {}; or conductivity_w_per_m_k for any other", words.join(", "));
            section.lacks(word, remedy);
        }
        (Ok(Some(_)) | Err(_), None) | (Ok(None), Some(_)) => {}
    }
    let foam = |conductivity_w_per_m_k| Material {
        conductivity_w_per_m_k,
        density_kg_per_m3: 30.0,
        specific_heat_j_per_kg_k: 1400.0,
    };
    let material = known.ok().flatten();
    let name = material.and_then(|material| INSULATIONS.iter().find(|known| known.material == material));
    Layer {
        name: name.map_or(Cow::Borrowed("insulation"), |known| Cow::Borrowed(known.name)),
        material: material.unwrap_or_else(|| own.map_or(INSULATIONS[0].material, foam)),
        thickness_m,
    }
}

/// Replaces layers that cannot be read.
fn stand_in() -> Vec<Layer> {
    vec![Layer { name: Cow::Borrowed("insulation"), material: INSULATIONS[0].material, thickness_m: 0.05 }]
}

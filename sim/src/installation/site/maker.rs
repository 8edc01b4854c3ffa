//! `maker_ceiling` of `[battery]`: the charge current that its maker allows, by the temperature of the cells
//! themselves.

use crate::installation::document::Section;
use crate::installation::row::{range, real};
use crate::installation::values::Reader;
use crate::site::CeilingPoint;
use forewarm_core::settings::{Fact, Key, MAX_CEILING_POINTS, Thousandths};

/// How to write it.
const FORM: &str = "maker_ceiling = [ { cell_c = 0, c_rate = 0.05 }, { cell_c = 15, c_rate = 0.5 } ], as the battery maker's data sheet has it";

/// Reads the table. It is empty if there is none, or if it has a fault, which is then reported.
pub(super) fn ceiling<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Vec<CeilingPoint> {
    const NAME: &str = "maker_ceiling";
    let is_there = section.has(NAME);
    let place = section.place(NAME);
    let span = section.key_span(NAME);
    let Some(sections) = section.list(NAME, MAX_CEILING_POINTS, FORM, &mut reader.findings) else { return Vec::new() };
    if sections.is_empty() && is_there {
        let message = format!("{place} has no point");
        reader.findings.error(span.as_ref(), &place, message, format!("{FORM}; or leave it out"));
    }
    let (mut points, mut is_whole): (Vec<CeilingPoint>, bool) = (Vec::new(), true);
    for mut point in sections {
        let read = [Key::CeilingAt, Key::CeilingLimit].map(|key| number(reader, &mut point, key.fact(), FORM));
        let cell = (point.place("cell_c"), point.key_span("cell_c"));
        point.finish(&mut reader.findings);
        let [Some(cell_c), Some(c_rate)] = read else {
            is_whole = false;
            continue;
        };
        if let Some(before) = points.last().filter(|before| cell_c <= before.cell_c) {
            let (place, span) = cell;
            let message = format!("{place} is {cell_c} °C, not above the point before it ({} °C)", before.cell_c);
            reader.findings.error(
                span.as_ref(),
                &place,
                message,
                "the points in the order of their temperatures, each once",
            );
            is_whole = false;
        }
        points.push(CeilingPoint { cell_c, c_rate });
    }
    if is_whole { points } else { Vec::new() }
}

/// A number of a list's entry that has a name, a range and a unit like a setting but is none. It must be there, in this form.
pub(super) fn number<'t>(
    reader: &mut Reader<'t>,
    point: &mut Section<'t>,
    fact: &Fact,
    form: &'static str,
) -> Option<f64> {
    let name = fact.name;
    let value = reader.number(point, name, 3, &range(fact)).ok()?;
    let Some(value) = value else {
        point.lacks(name, form);
        return None;
    };
    if !fact.allows(value) {
        let place = point.place(name);
        let message = format!("{place} is {} {}, outside {}", Thousandths(value), fact.unit, range(fact));
        reader.findings.error(point.key_span(name).as_ref(), &place, message, form);
        return None;
    }
    Some(real(value))
}

//! The circuit drawn, as pages of SVG in millimetres: black on white, with symbols after IEC 60617.
//!
//! Each path of the circuit is one horizontal line, so no two conductors cross or meet. A part that several paths end at is a box
//! across them; a part with several jobs, such as a relay, is drawn where each of them is done, as is usual for circuit diagrams
//! (IEC 61082-1, from memory).
//!
//! | module | holds |
//! |---|---|
//! | `place` | where everything stands |
//! | `symbols` | what each part looks like |
//! | `svg` | the drawing as text |

mod place;
mod svg;
mod symbols;
#[cfg(test)]
mod tests;

use super::circuit::{Circuit, Sheet};

/// A page of the drawing.
#[derive(Clone, Debug)]
pub(crate) struct Drawing {
    pub(crate) title: &'static str,
    pub(crate) svg: String,
}

/// One or more pages for each sheet of the circuit.
pub(crate) fn drawings(circuit: &Circuit) -> Vec<Drawing> {
    circuit.sheets.iter().flat_map(|sheet| of_sheet(circuit, sheet)).collect()
}

fn of_sheet(circuit: &Circuit, sheet: &Sheet) -> Vec<Drawing> {
    let pages = place::pages(circuit, sheet);
    let count = pages.len();
    let named = |number: usize| match count {
        1 => sheet.title.to_owned(),
        _ => format!("{}, {number} of {count}", sheet.title),
    };
    let drawn = pages.iter().zip(1..).map(|(page, number)| svg::drawn(page, &named(number)));
    drawn.map(|svg| Drawing { title: sheet.title, svg }).collect()
}

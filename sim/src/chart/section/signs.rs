//! Signs of the picture that stand in the planes and in the legend alike.

use crate::chart::labels::Area;
use std::fmt::Write;

/// What text and lines on a fill are drawn in; and marks.
pub(super) const INK: &str = "#222";

/// Size of letters on a fill.
pub(super) const SMALL: f64 = 11.0;

pub(super) const PAD: &str = "#a3260b";
pub(super) const PLATE: &str = "#5a636b";

pub(super) fn rect(out: &mut String, area: &Area, fill: &str, stroke: &str) {
    let (wide, high) = (area.right - area.left, area.bottom - area.top);
    let _ = writeln!(
        out,
        "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{wide:.1}\" height=\"{high:.1}\" fill=\"{fill}\" stroke=\"{stroke}\"/>",
        area.left, area.top
    );
}

/// Light about letters that stand on lines.
pub(super) fn halo(wide: f64) -> String {
    format!(
        " paint-order=\"stroke\" stroke=\"#fff\" stroke-opacity=\"0.85\" stroke-width=\"{wide}\" stroke-linejoin=\"round\""
    )
}

/// Whether a mark lies in the plane or not: full, or hollow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lies {
    InPlane,
    BeforeOrBehind,
}

pub(super) fn coldest_mark(out: &mut String, (x, y): (f64, f64), lies: Lies) {
    let path = format!("M{:.1} {:.1}l10 10M{:.1} {:.1}l10 -10", x - 5.0, y - 5.0, x - 5.0, y + 5.0);
    let strokes: &[(&str, f64)] = match lies {
        Lies::InPlane => &[("#fff", 6.0), (INK, 2.8)],
        Lies::BeforeOrBehind => &[("#fff", 6.4), (INK, 4.2), ("#fff", 1.8)],
    };
    for (colour, wide) in strokes {
        let _ =
            writeln!(out, "<path d=\"{path}\" stroke=\"{colour}\" stroke-width=\"{wide}\" stroke-linecap=\"round\"/>");
    }
}

pub(super) fn thermometer_mark(out: &mut String, (x, y): (f64, f64), lies: Lies) {
    let fill = match lies {
        Lies::InPlane => INK,
        Lies::BeforeOrBehind => "#fff",
    };
    let _ = writeln!(
        out,
        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\" fill=\"#fff\"/>\n\
         <circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.2\" fill=\"{fill}\" stroke=\"{INK}\" stroke-width=\"1.6\"/>"
    );
}

pub(super) fn balloon(out: &mut String, (x, y): (f64, f64), number: usize) {
    let _ = writeln!(
        out,
        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"7.5\" fill=\"#fff\" stroke=\"{INK}\"/>\n\
         <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"{SMALL}\" font-weight=\"bold\">{number}</text>",
        y + 4.0
    );
}

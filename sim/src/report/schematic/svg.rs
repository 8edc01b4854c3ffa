//! The drawing as text.

use super::place::{Anchor, LETTER, Page, WIDTH};
use super::symbols;
use crate::chart::svg::escaped;
use std::fmt::Write;

/// Width of conductors and of what else is drawn (mm). IEC 61082-1 leaves it to the drawing; from 0.25 mm on a line survives a copier
/// (common practice, no source).
const CONDUCTOR: f64 = 0.35;
const THIN: f64 = 0.25;

/// One page. A conductor is a line of the class `wire` with its number, a terminal a circle with its name.
pub(super) fn drawn(page: &Page, title: &str) -> String {
    let high = page.high;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {high:.2}\" \
         style=\"width:{WIDTH}mm;max-width:100%;height:auto\" role=\"img\" class=\"circuit\" fill=\"none\" stroke=\"#000\" \
         stroke-width=\"{THIN}\" stroke-linecap=\"round\" stroke-linejoin=\"round\" font-size=\"{LETTER}\" font-family=\"'DejaVu \
         Sans Mono', 'Liberation Mono', ui-monospace, monospace\">\n<title>{}</title>\n<style>.circuit text {{ fill: #000; \
         stroke: none; white-space: pre; }} .circuit .strong {{ font-weight: 700; }} .circuit .joint {{ fill: #000; }} .circuit \
         .end {{ fill: #fff; }} .circuit .wire {{ stroke-width: {CONDUCTOR}; }}</style>\n",
        escaped(title)
    );
    for wire in &page.wires {
        let ((x1, y1), (x2, y2)) = (wire.from, wire.to);
        let _ = writeln!(
            out,
            "<line class=\"wire\" data-number=\"{}\" x1=\"{x1:.2}\" y1=\"{y1:.2}\" x2=\"{x2:.2}\" y2=\"{y2:.2}\"/>",
            wire.number
        );
    }
    for symbol in &page.symbols {
        symbols::draw(&mut out, symbol);
    }
    for terminal in &page.terminals {
        let (x, y) = terminal.at;
        let _ = writeln!(
            out,
            "<circle class=\"end\" data-terminal=\"{}\" cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"0.7\"/>",
            escaped(&terminal.name)
        );
    }
    for label in &page.labels {
        let (x, y) = label.at;
        let anchor = match label.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let strong = if label.is_strong { " class=\"strong\"" } else { "" };
        let _ = writeln!(
            out,
            "<text{strong} x=\"{x:.2}\" y=\"{y:.2}\" text-anchor=\"{anchor}\">{}</text>",
            escaped(&label.text)
        );
    }
    out.push_str("</svg>\n");
    out
}

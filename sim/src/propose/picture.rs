//! The proposals as a picture: charge against heat, with warm-up and effort beside each.

use super::{Candidate, Proposal};
use crate::chart::axis;
use crate::chart::svg::{opened, text};
use crate::figures::fixed;
use std::fmt::Write;

/// Measures of the drawing, in SVG units.
const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 520.0;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 860.0;
const TOP: f64 = 66.0;
const BOTTOM: f64 = 440.0;
/// Radius of a mark: of the least effort, and of the most.
const SMALL: f64 = 8.0;
const LARGE: f64 = 20.0;

const RULE: &str = "#d0d0d0";
/// The mark's ground, and its edge. The number in it stands out from both.
const GROUND: &str = "#dbe9f6";
const EDGE: &str = "#1f5a91";

/// The picture as an SVG document. The same proposals give the same bytes.
#[must_use]
pub fn picture(proposal: &Proposal) -> String {
    let candidates = &proposal.candidates;
    let heat_kwh = |candidate: &Candidate| candidate.figures.heater_wh / 1000.0;
    let charge_h = |candidate: &Candidate| candidate.figures.charge_used_h;
    let (x_from, x_to, x_ticks) = extent(candidates.iter().map(heat_kwh));
    let (y_from, y_to, y_ticks) = extent(candidates.iter().map(charge_h));
    let x = |value: f64| LEFT + (value - x_from) / (x_to - x_from) * (RIGHT - LEFT);
    let y = |value: f64| BOTTOM - (value - y_from) / (y_to - y_from) * (BOTTOM - TOP);
    let title = format!("{}: installations to choose between", proposal.title);
    let caption = "Up is more charge, left is less heat, a smaller mark is less work. Beside it: the warm-up.";
    let mut out = opened((WIDTH, HEIGHT), &title, &described(candidates), caption);
    for tick in &x_ticks {
        let at = x(tick.at);
        // Writing to a string cannot fail.
        let _ = writeln!(out, "<path d=\"M{at:.1} {TOP}V{BOTTOM}\" stroke=\"{RULE}\"/>");
        text(&mut out, (at, BOTTOM + 16.0), "middle", &tick.label);
    }
    for tick in &y_ticks {
        let at = y(tick.at);
        let _ = writeln!(out, "<path d=\"M{LEFT} {at:.1}H{RIGHT}\" stroke=\"{RULE}\"/>");
        text(&mut out, (LEFT - 8.0, at + 4.0), "end", &tick.label);
    }
    text(&mut out, (f64::midpoint(LEFT, RIGHT), BOTTOM + 36.0), "middle", "heat into the pad over the season / kWh");
    let _ = writeln!(
        out,
        "<text transform=\"translate(22 {:.1}) rotate(-90)\" text-anchor=\"middle\">charging time used over the season / h</text>",
        f64::midpoint(TOP, BOTTOM)
    );
    let most_h = candidates.iter().map(|candidate| candidate.figures.effort_h).fold(1.0, f64::max);
    // The large ones first, so that none hides a smaller one.
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|&a, &b| candidates[b].figures.effort_h.total_cmp(&candidates[a].figures.effort_h));
    for index in order {
        let figures = candidates[index].figures;
        let (at_x, at_y) = (x(heat_kwh(&candidates[index])), y(figures.charge_used_h));
        let radius = SMALL + (LARGE - SMALL) * figures.effort_h / most_h;
        let _ = writeln!(
            out,
            "<circle cx=\"{at_x:.1}\" cy=\"{at_y:.1}\" r=\"{radius:.1}\" fill=\"{GROUND}\" stroke=\"{EDGE}\" stroke-width=\"1.5\"/>"
        );
        text(&mut out, (at_x, at_y + 4.0), "middle", &(index + 1).to_string());
        let label = format!("{} h", fixed(figures.warm_up_h, 1));
        let (side, anchor) = if at_x > RIGHT - 70.0 { (-radius - 4.0, "end") } else { (radius + 4.0, "start") };
        text(&mut out, (at_x + side, at_y + 4.0), anchor, &label);
    }
    let caution = "Computed with a model of this bank, not measured. The numbers are those of the list.";
    text(&mut out, (24.0, HEIGHT - 16.0), "start", caution);
    out.push_str("</svg>\n");
    out
}

/// An axis with room around its values.
fn extent(values: impl Iterator<Item = f64> + Clone) -> (f64, f64, Vec<axis::Tick<f64>>) {
    let least = values.clone().fold(f64::INFINITY, f64::min);
    let most = values.fold(f64::NEG_INFINITY, f64::max);
    if least > most {
        return axis::values(0.0, 1.0, 7.0);
    }
    let room = ((most - least) * 0.08).max(0.5);
    axis::values((least - room).max(0.0), most + room, 7.0)
}

/// A description for readers who do not see the picture.
fn described(candidates: &[Candidate]) -> String {
    let mut text = String::from("Charging time used over the season against heat into the pad.");
    for (index, Candidate { figures, .. }) in candidates.iter().enumerate() {
        let _ = write!(
            text,
            " {}: {} h of charge, {} kWh of heat, warm after {} h, {} h of work.",
            index + 1,
            fixed(figures.charge_used_h, 1),
            fixed(figures.heater_wh / 1000.0, 2),
            fixed(figures.warm_up_h, 1),
            fixed(figures.effort_h, 1),
        );
    }
    text
}

//! What is left of each thermometer's readings, over the log, as SVG.

use super::Identified;
use super::record::{millis, seconds};
use crate::chart::axis;
use crate::chart::svg::{area, fitted, opened, text};
use crate::figures::fixed;
use std::fmt::Write;

/// What the picture shows of one thermometer: moments (s) and reading less model (K), part by part.
pub(super) type Trace = Vec<Vec<(f64, f64)>>;

/// Measures of the drawing, in SVG units.
const WIDTH: f64 = 900.0;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 876.0;
const TOP: f64 = 66.0;
/// Of one thermometer's strip, the room above it for its name, and the strip of the heater.
const HIGH: f64 = 110.0;
const ABOVE: f64 = 26.0;
const HEATER: f64 = 14.0;

const RULE: &str = "#d0d0d0";
const LINE: &str = "#1f5a91";
/// The band of twice the standard deviation, and the heater.
const BAND: &str = "#eef3f9";
const ON: &str = "#c2571a";

/// The picture as an SVG document. The same log gives the same bytes.
#[must_use]
pub fn picture(found: &Identified) -> String {
    let all = || found.traces.iter().flatten().flatten();
    let span_s = found.parts_s.last().map_or(1.0, |part| part[1]).max(1.0);
    let furthest = all().fold(0.0_f64, |furthest, (_, left)| furthest.max(left.abs()));
    let (low, high, ticks) = axis::values(-furthest, furthest, 4.0);
    #[expect(clippy::cast_precision_loss, reason = "8 at most")]
    let bottom = TOP + found.traces.len() as f64 * (HIGH + ABOVE);
    let height = bottom + ABOVE + HEATER + 62.0;
    let x = |at_s: f64| LEFT + at_s / span_s * (RIGHT - LEFT);
    let title = format!("{}: reading less model", found.title);
    let caption = "What no parameter explains. A shape that comes back with the heater or with the day shows what is missing from the model.";
    let mut out = opened((WIDTH, height), &title, &described(found), caption);
    let (moments, unit) = axis::elapsed(millis(span_s));
    for (place, (trace, one)) in found.traces.iter().zip(&found.thermometers).enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "8 at most")]
        let top = TOP + place as f64 * (HIGH + ABOVE) + ABOVE;
        let y = |left_k: f64| top + (high - left_k) / (high - low) * HIGH;
        let twice_k = (2.0 * one.residual_sd_k).min(high);
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "<rect x=\"{LEFT}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{BAND}\"/>",
            y(twice_k),
            RIGHT - LEFT,
            y(-twice_k) - y(twice_k)
        );
        for tick in &ticks {
            let at = y(tick.at);
            let _ = writeln!(out, "<path d=\"M{LEFT} {at:.1}H{RIGHT}\" stroke=\"{RULE}\"/>");
            text(&mut out, (LEFT - 8.0, at + 4.0), "end", &tick.label);
        }
        for tick in &moments {
            let at = x(seconds(tick.at));
            let _ = writeln!(out, "<path d=\"M{at:.1} {top:.1}V{:.1}\" stroke=\"{RULE}\"/>", top + HIGH);
        }
        let name = format!("{} / K, standard deviation {} K", one.channel, fixed(one.residual_sd_k, 3));
        text(&mut out, (LEFT, top - 7.0), "start", &fitted(&name, 12.0, RIGHT - LEFT));
        for part in trace {
            let points = binned(part, &x);
            let points: Vec<_> =
                points.into_iter().map(|(at, most, least)| (at, y(most) - 0.4, y(least) + 0.4)).collect();
            let _ =
                writeln!(out, "<path d=\"{}\" fill=\"{LINE}\" stroke=\"{LINE}\" stroke-width=\"0.8\"/>", area(&points));
        }
    }
    let top = bottom + ABOVE;
    text(&mut out, (LEFT - 8.0, top + 11.0), "end", "heater");
    for [from_s, to_s] in &found.heated_s {
        let (from, wide) = (x(*from_s), (x(*to_s) - x(*from_s)).max(0.5));
        let _ = writeln!(
            out,
            "<rect x=\"{from:.1}\" y=\"{top:.1}\" width=\"{wide:.1}\" height=\"{HEATER}\" fill=\"{ON}\"/>"
        );
    }
    for tick in &moments {
        text(&mut out, (x(seconds(tick.at)), top + HEATER + 16.0), "middle", &tick.label);
    }
    let label = format!("time since the first row / {unit}");
    text(&mut out, (f64::midpoint(LEFT, RIGHT), top + HEATER + 34.0), "middle", &label);
    out.push_str("</svg>\n");
    out
}

/// The largest and the smallest value in each step of a unit of the drawing.
fn binned(part: &[(f64, f64)], x: &impl Fn(f64) -> f64) -> Vec<(f64, f64, f64)> {
    let mut points: Vec<(f64, f64, f64)> = Vec::new();
    for (at_s, left) in part {
        let at = x(*at_s);
        match points.last_mut() {
            Some((last, most, least)) if at - *last < 1.0 => (*most, *least) = (most.max(*left), least.min(*left)),
            _ => points.push((at, *left, *left)),
        }
    }
    points
}

/// A description for readers who do not see the picture.
fn described(found: &Identified) -> String {
    let mut text =
        String::from("Reading less model over the log, a strip for each thermometer, and when the heater was on.");
    for one in &found.thermometers {
        let _ = write!(text, " {}: standard deviation {} K.", one.channel, fixed(one.residual_sd_k, 3));
    }
    text
}

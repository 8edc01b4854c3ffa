//! How warm a bank is, as SVG: two upright planes to scale, with isotherms, thermometers and the coldest place. The
//! picture needs nothing else. It has its own light ground, so it is readable on a dark page.

mod levels;
mod plane;
mod signs;
#[cfg(test)]
mod tests;

use super::labels::Area;
use super::svg::{escaped, fitted, text, width, wrapped};
use crate::plant::section::{Cut, Section};
use levels::{Levels, number};
use plane::Drawing;
use signs::{INK, Lies, PAD, PLATE, balloon, coldest_mark, rect, thermometer_mark};
use std::fmt::Write;

/// What a picture of a bank's warmth shows.
#[derive(Clone, Debug)]
pub struct Warmth {
    /// Name of the installation.
    pub title: String,
    /// Its state, as one sentence.
    pub state: String,
    /// Temperature of the coldest place (°C).
    pub coldest_c: f64,
    /// The coldest place in words.
    pub coldest_at: String,
    /// All thermometers, in the order of the marks in the planes.
    pub thermometers: Vec<Thermometer>,
    /// Air in the box (°C).
    pub air_c: f64,
    /// Air around it (°C).
    pub outside_c: f64,
    /// Name of that air.
    pub around: String,
    /// The two planes.
    pub planes: [Section; 2],
}

/// A thermometer of the bank.
#[derive(Clone, Debug)]
pub struct Thermometer {
    /// Its name.
    pub name: String,
    /// Where it sits, in words.
    pub at: String,
    /// What it reads (°C).
    pub reads_c: f64,
}

/// Width of the drawing, and left and right end of the part drawn to scale, in SVG units.
const WIDTH: f64 = 900.0;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 876.0;
/// Distance between two planes beside each other.
const APART: f64 = 40.0;
/// Distance between lines of text, and size of its letters.
const LEADING: f64 = 16.0;
const SIZE: f64 = 12.0;
/// Greatest height of a plane.
const TALLEST: f64 = 360.0;
/// If batteries beside each other would be lower than this, each plane gets the whole width.
const LOWEST: f64 = 125.0;
/// Room under a plane for the measure of the bank.
const BELOW: f64 = 34.0;
/// A mark this near to the plane counts as in it (m): the size of a thermometer. From memory.
const IN_PLANE_M: f64 = 0.005;

#[expect(clippy::cast_precision_loss, reason = "a handful")]
const fn real(count: usize) -> f64 {
    count as f64
}

fn celsius(t_c: f64) -> String {
    format!("{} °C", number(t_c, 1))
}

fn mm(metres: f64) -> String {
    format!("{:.0} mm", metres * 1000.0)
}

/// The picture as an SVG document, 900 units wide. The same data give the same bytes.
#[must_use]
pub fn section(warmth: &Warmth) -> String {
    let all = || warmth.planes.iter().flat_map(|plane| &plane.fields).flat_map(|field| &field.at_c).copied();
    let levels = Levels::between(all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    let mut body = String::new();
    let mut y = head(&mut body, warmth);
    y = planes(&mut body, warmth, &levels, y);
    y = legend(&mut body, &levels, y);
    let height = list(&mut body, warmth, y).ceil() + 12.0;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
         font-family=\"system-ui, sans-serif\" font-size=\"{SIZE}\" fill=\"{INK}\">\n<title>{}</title>\n<desc>{}</desc>\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>\n",
        escaped(&format!("{}: how warm the bank is", warmth.title)),
        escaped(&description(warmth)),
    );
    out.push_str(&body);
    out.push_str("</svg>\n");
    out
}

/// A description for readers who do not see the picture.
fn description(warmth: &Warmth) -> String {
    let Warmth { state, coldest_at, coldest_c, air_c, around, outside_c, thermometers, .. } = warmth;
    let mut text = format!(
        "Two sections through the bank with isotherms. {state} Computed, not measured. Coldest place: {coldest_at}, {}. Air in the box {}, \
         {around} {}.",
        celsius(*coldest_c),
        celsius(*air_c),
        celsius(*outside_c),
    );
    for Thermometer { name, at, reads_c } in thermometers {
        // Writing to a string cannot fail.
        let _ = write!(text, " {name}, {at}, reads {}.", celsius(*reads_c));
    }
    text
}

/// Title, state and caution. Returns where the next item may begin.
fn head(out: &mut String, warmth: &Warmth) -> f64 {
    let whole = WIDTH - 2.0 * 24.0;
    let title = escaped(&fitted(&warmth.title, 17.0 * 1.12, whole));
    let _ = writeln!(out, "<text x=\"24\" y=\"26\" font-size=\"17\" font-weight=\"bold\">{title}</text>");
    let mut y = 48.0;
    for line in wrapped(&warmth.state, SIZE, whole) {
        text(out, (24.0, y), "start", &line);
        y += LEADING;
    }
    let caution = "Computed with a model of this bank, not measured: trust the thermometers on the real one.";
    let _ = writeln!(out, "<text x=\"24\" y=\"{y}\" font-weight=\"bold\">{caution}</text>");
    y + 12.0
}

/// The smallest rectangle around a whole plane (m): its lower left corner, and its measures.
fn extent(plane: &Section) -> ([f64; 2], [f64; 2]) {
    let corner = |axis: usize| plane.outlines.iter().map(|outline| outline.from_m[axis]).fold(f64::INFINITY, f64::min);
    let end = |axis: usize| plane.outlines.iter().map(|outline| outline.to_m[axis]).fold(f64::NEG_INFINITY, f64::max);
    ([corner(0), corner(1)], [end(0) - corner(0), end(1) - corner(1)])
}

/// Both planes on one scale: beside each other, or one under the other if the batteries would be too small.
fn planes(out: &mut String, warmth: &Warmth, levels: &Levels, top: f64) -> f64 {
    let measures = warmth.planes.each_ref().map(|plane| extent(plane).1);
    let battery_m = warmth.planes[0].fields.first().map_or(0.2, |field| span(&field.up_m));
    let tallest = TALLEST / measures[0][1];
    let beside = ((RIGHT - LEFT - APART) / (measures[0][0] + measures[1][0])).min(tallest);
    let is_beside = beside * battery_m >= LOWEST;
    let scale = if is_beside { beside } else { ((RIGHT - LEFT) / measures[0][0].max(measures[1][0])).min(tallest) };
    let (mut left, mut y, mut end) = (LEFT, top, top);
    let captions = warmth.planes.each_ref().map(|plane| {
        let room = if is_beside { extent(plane).1[0] * scale + APART - 12.0 } else { RIGHT - LEFT };
        // Bold letters are wider.
        wrapped(&caption(plane), SIZE * 1.1, room)
    });
    // Beside each other, the planes begin at the same height.
    let most = captions.iter().map(Vec::len).max().unwrap_or(1);
    for (plane, caption) in warmth.planes.iter().zip(&captions) {
        for (line, words) in caption.iter().enumerate() {
            let (y, words) = (y + real(line + 1) * LEADING, escaped(words));
            let _ = writeln!(out, "<text x=\"{left:.1}\" y=\"{y:.1}\" font-weight=\"bold\">{words}</text>");
        }
        let lines = if is_beside { most } else { caption.len() };
        // Room for a line about the air around.
        let drawing = Drawing::new(warmth, plane, levels, scale, (left, y + real(lines + 1) * LEADING + 10.0));
        drawing.draw(out);
        end = drawing.bounds.bottom + BELOW;
        if is_beside {
            left = drawing.bounds.right + APART;
        } else {
            y = end + 6.0;
        }
    }
    end
}

/// The name of the plane, in words.
fn caption(plane: &Section) -> String {
    match plane.cut {
        Cut::Across if plane.fields.len() > 1 => "Across the row, in the middle of the length".to_owned(),
        Cut::Across => "Across, in the middle of the length".to_owned(),
        Cut::Along(battery) => format!("Along battery {}, in the middle of its width", battery + 1),
    }
}

fn span(at: &[f64]) -> f64 {
    at.last().zip(at.first()).map_or(0.0, |(last, first)| last - first)
}

/// The thermometers with a mark in either plane: the number of each, and its index.
fn numbered(warmth: &Warmth) -> impl Iterator<Item = (usize, usize)> {
    let is_marked =
        |index: &usize| warmth.planes.iter().any(|plane| plane.thermometers.get(*index).is_some_and(Option::is_some));
    (0..warmth.thermometers.len()).filter(is_marked).enumerate().map(|(rank, index)| (rank + 1, index))
}

/// The meaning of fills and signs.
fn legend(out: &mut String, levels: &Levels, top: f64) -> f64 {
    let y = top + 20.0;
    let caption = match levels.at_c.len() {
        0 => format!("all of the batteries within {} K", number(levels.step_k, 1)),
        _ => format!("batteries, °C; lines every {} K", number(levels.step_k, levels.decimals)),
    };
    text(out, (24.0, y), "start", &caption);
    let mut x = 24.0 + width(&caption, SIZE) + 14.0;
    let wide = ((RIGHT - x) / real(levels.at_c.len() + 1)).min(44.0);
    for above in 0..=levels.at_c.len() {
        let area = Area { left: x, top: y - 11.0, right: x + wide, bottom: y + 3.0 };
        rect(out, &area, &levels.colour(above), "#7d8a93");
        x += wide;
        if let Some(at_c) = levels.at_c.get(above) {
            text(out, (x, y + 17.0), "middle", &levels.label(*at_c));
        }
    }
    let y = y + 42.0;
    let mut x = 24.0;
    let mut sign = |out: &mut String, words: &str, draw: &dyn Fn(&mut String, f64)| {
        draw(out, x + 9.0);
        text(out, (x + 24.0, y), "start", words);
        x += 24.0 + width(words, SIZE) + 16.0;
    };
    let swatch = |fill: &'static str, stroke: &'static str| {
        move |out: &mut String, x: f64| rect(out, &Area::about((x, y - 4.0), 18.0, 9.0), fill, stroke)
    };
    sign(out, "walls, lid", &swatch("#e9edf0", "#7d8a93"));
    sign(out, "floor", &swatch("#dde3e7", "#7d8a93"));
    sign(out, "plate", &swatch(PLATE, "none"));
    sign(out, "pad", &swatch(PAD, "none"));
    sign(out, "coldest place", &|out: &mut String, x: f64| coldest_mark(out, (x, y - 4.0), Lies::InPlane));
    sign(out, "thermometer", &|out: &mut String, x: f64| thermometer_mark(out, (x, y - 4.0), Lies::InPlane));
    sign(out, "hollow: before or behind the section", &|out: &mut String, x: f64| {
        thermometer_mark(out, (x, y - 4.0), Lies::BeforeOrBehind);
    });
    y
}

/// The coldest place and the thermometers, one line each. Returns the place of the last line.
fn list(out: &mut String, warmth: &Warmth, top: f64) -> f64 {
    let [sign_x, name_x, reads_x, at_x] = [33.0, 48.0, 400.0, 412.0];
    let mut y = top + LEADING + 12.0;
    coldest_mark(out, (sign_x, y - 4.0), Lies::InPlane);
    let row = |out: &mut String, y: f64, name: &str, reads: &str, at: &str| {
        text(out, (name_x, y), "start", &fitted(name, SIZE, reads_x - 110.0 - name_x));
        text(out, (reads_x, y), "end", reads);
        text(out, (at_x, y), "start", &fitted(at, SIZE, RIGHT - at_x));
    };
    let [across, _] = &warmth.planes;
    let off = match across.coldest.off_m {
        off_m if off_m > IN_PLANE_M => format!(", {} from the section across", mm(off_m)),
        _ => String::new(),
    };
    row(out, y, "coldest place", &celsius(warmth.coldest_c), &format!("{}{off}", warmth.coldest_at));
    for (number, index) in numbered(warmth) {
        y += LEADING + 3.0;
        let Thermometer { name, at, reads_c } = &warmth.thermometers[index];
        balloon(out, (sign_x, y - 4.0), number);
        row(out, y, name, &format!("reads {}", celsius(*reads_c)), at);
    }
    y
}

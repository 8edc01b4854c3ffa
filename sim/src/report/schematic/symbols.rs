//! What each part looks like: after IEC 60617, from memory.

use super::place::{Area, LEFT, RIGHT, Symbol};
use crate::report::circuit::Look;
use std::fmt::Write;

/// Half the length of a part on a path, from terminal to terminal (mm).
pub(super) const HALF: f64 = 5.5;
/// Height of the cells in a battery's box (mm).
pub(super) const CELLS_HIGH: f64 = 8.0;

/// How far a part on a path reaches above and below it (mm).
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    pub(super) above: f64,
    pub(super) below: f64,
}

pub(super) const fn shape(look: Look) -> Shape {
    match look {
        Look::Fuse => Shape { above: 1.8, below: 1.8 },
        Look::Contact => Shape { above: 4.0, below: 1.0 },
        Look::Thermal => Shape { above: 6.2, below: 2.0 },
        Look::Coil => Shape { above: 9.0, below: 4.0 },
        Look::Button => Shape { above: 6.6, below: 1.0 },
        Look::Lamp => Shape { above: 3.4, below: 3.4 },
        Look::Buzzer => Shape { above: 4.4, below: 1.4 },
        Look::Block | Look::Battery | Look::Terminal | Look::Element | Look::Fixed | Look::Heater => {
            Shape { above: 0.0, below: 0.0 }
        }
    }
}

/// Adds its lines.
pub(super) fn draw(out: &mut String, symbol: &Symbol) {
    let [left, top, right, bottom] = symbol.area;
    let x = f64::midpoint(left, right);
    let y = symbol.at.first().map_or(top, |(y, _)| *y);
    match symbol.look {
        Look::Terminal => {}
        Look::Block => rectangle(out, symbol.area),
        Look::Battery => {
            rectangle(out, symbol.area);
            cells(out, left + 3.0, y - 3.4 - CELLS_HIGH / 2.0);
        }
        Look::Element | Look::Fixed | Look::Heater => upright(out, symbol),
        Look::Fuse => {
            rectangle(out, [x - 4.0, y - 1.5, x + 4.0, y + 1.5]);
            path(out, &[(left, y), (right, y)]);
        }
        Look::Contact => contact(out, (x, y)),
        Look::Thermal => thermal(out, (x, y), bottom),
        Look::Coil => coil(out, (x, y)),
        Look::Button => {
            contact(out, (x, y));
            dashed(out, &[(x, y - 1.9), (x, y - 6.0)]);
            path(out, &[(x - 1.6, y - 5.0), (x - 1.6, y - 6.2), (x + 1.6, y - 6.2), (x + 1.6, y - 5.0)]);
        }
        Look::Lamp => {
            circle(out, (x, y), 3.0);
            let part = 3.0 * std::f64::consts::FRAC_1_SQRT_2;
            path(out, &[(x - part, y - part), (x + part, y + part)]);
            path(out, &[(x - part, y + part), (x + part, y - part)]);
            path(out, &[(left, y), (x - 3.0, y)]);
            path(out, &[(x + 3.0, y), (right, y)]);
        }
        Look::Buzzer => {
            // A half circle on its chord, the two leads up to it from below.
            let _ =
                writeln!(out, "<path d=\"M{:.2} {:.2}A3 3 0 0 1 {:.2} {:.2}Z\"/>", x - 3.0, y - 1.0, x + 3.0, y - 1.0);
            path(out, &[(left, y), (x - 1.5, y), (x - 1.5, y - 1.0)]);
            path(out, &[(right, y), (x + 1.5, y), (x + 1.5, y - 1.0)]);
        }
    }
}

/// A contact that closes.
fn contact(out: &mut String, (x, y): (f64, f64)) {
    path(out, &[(x - HALF, y), (x - 3.0, y), (x + 2.8, y - 3.4)]);
    path(out, &[(x + 3.0, y), (x + HALF, y)]);
}

/// A contact that is closed until heat opens it.
fn thermal(out: &mut String, (x, y): (f64, f64), bottom: f64) {
    path(out, &[(x - HALF, y), (x - 3.0, y), (x + 3.6, y + (bottom - y) * 0.4)]);
    path(out, &[(x + 3.0, y + 1.8), (x + 3.0, y), (x + HALF, y)]);
    dashed(out, &[(x, y + 0.3), (x, y - 2.2)]);
    rectangle(out, [x - 2.0, y - 6.0, x + 2.0, y - 2.2]);
    let _ = writeln!(out, "<text x=\"{x:.2}\" y=\"{:.2}\" text-anchor=\"middle\">ϑ</text>", y - 3.0);
}

/// A coil, and above it the diode that conducts when it is switched off. Current goes from left to right.
fn coil(out: &mut String, (x, y): (f64, f64)) {
    rectangle(out, [x - 1.8, y - 3.6, x + 1.8, y + 3.6]);
    path(out, &[(x - HALF, y), (x - 1.8, y)]);
    path(out, &[(x + 1.8, y), (x + HALF, y)]);
    let up = y - 7.0;
    for at in [x - 4.2, x + 4.2] {
        let _ = writeln!(out, "<circle cx=\"{at:.2}\" cy=\"{y:.2}\" r=\"0.55\" class=\"joint\"/>");
    }
    path(out, &[(x - 4.2, y), (x - 4.2, up), (x + 4.2, up), (x + 4.2, y)]);
    path(out, &[(x + 1.5, up - 1.6), (x + 1.5, up + 1.6), (x - 1.3, up), (x + 1.5, up - 1.6)]);
    path(out, &[(x - 1.3, up - 1.6), (x - 1.3, up + 1.6)]);
}

/// Two cells of a battery; the long line is positive.
fn cells(out: &mut String, left: f64, y: f64) {
    path(out, &[(left - 1.5, y), (left, y)]);
    for (at, half) in [(0.0, 3.2), (1.6, 1.6), (3.8, 3.2), (5.4, 1.6)] {
        path(out, &[(left + at, y - half), (left + at, y + half)]);
    }
    dashed(out, &[(left + 1.6, y), (left + 3.8, y)]);
    path(out, &[(left + 5.4, y), (left + 7.0, y)]);
}

/// A resistor upright between the leads of its first and its second end.
fn upright(out: &mut String, symbol: &Symbol) {
    let [.., right, _] = symbol.area;
    let x = RIGHT + 17.0;
    debug_assert!(x + 6.0 < right && LEFT < RIGHT);
    let end = |name: &str| name.chars().next();
    let Some((_, name)) = symbol.at.first() else { return };
    let leads = |is_first: bool| {
        symbol
            .at
            .iter()
            .filter(move |(_, other)| (end(other) == end(name)) == is_first)
            .map(|(y, _)| *y)
            .collect::<Vec<_>>()
    };
    let (upper, lower) = (leads(true), leads(false));
    let (Some(&above), Some(&below)) = (upper.last(), lower.first()) else { return };
    let (middle, half) = (f64::midpoint(above, below), 3.9_f64.min((below - above) / 2.0 - 1.0));
    for y in upper.iter().chain(&lower) {
        path(out, &[(RIGHT, *y), (x, *y)]);
    }
    path(out, &[(x, upper[0]), (x, middle - half)]);
    path(out, &[(x, middle + half), (x, lower[lower.len() - 1])]);
    for y in upper.iter().skip(1).chain(lower.iter().take(lower.len() - 1)) {
        let _ = writeln!(out, "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"0.55\" class=\"joint\"/>");
    }
    rectangle(out, [x - 1.5, middle - half, x + 1.5, middle + half]);
    match symbol.look {
        Look::Heater => {
            for part in [-0.5, 0.0, 0.5] {
                path(out, &[(x - 1.5, middle + half * part), (x + 1.5, middle + half * part)]);
            }
        }
        Look::Element => {
            path(out, &[(x - 4.0, middle + half), (x - 2.6, middle + half), (x + 3.0, middle - half)]);
            let _ =
                writeln!(out, "<text x=\"{:.2}\" y=\"{:.2}\" text-anchor=\"start\">ϑ</text>", x + 4.2, middle + 1.0);
        }
        _ => {}
    }
}

fn rectangle(out: &mut String, [left, top, right, bottom]: Area) {
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "<rect x=\"{left:.2}\" y=\"{top:.2}\" width=\"{:.2}\" height=\"{:.2}\"/>",
        right - left,
        bottom - top
    );
}

fn circle(out: &mut String, (x, y): (f64, f64), radius: f64) {
    let _ = writeln!(out, "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{radius:.2}\"/>");
}

fn line(out: &mut String, points: &[(f64, f64)], more: &str) {
    let points: Vec<String> = points.iter().map(|(x, y)| format!("{x:.2},{y:.2}")).collect();
    let _ = writeln!(out, "<polyline points=\"{}\"{more}/>", points.join(" "));
}

fn path(out: &mut String, points: &[(f64, f64)]) {
    line(out, points, "");
}

fn dashed(out: &mut String, points: &[(f64, f64)]) {
    line(out, points, " stroke-dasharray=\"0.9 0.7\"");
}

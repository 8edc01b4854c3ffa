//! Draws a trace as SVG, readable in black and white on paper.

use super::super::clock::Dial;
use super::trace::{Band, Bin, Trace};
use crate::chart::axis::{self, Tick, temperatures};
use crate::chart::style::{self, CELLS, Stroke};
use crate::chart::svg::{area, escaped, shares, text};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::{Role, ValidSettings};
use std::fmt::Write;

/// What is drawn.
pub(in super::super) struct Picture<'a> {
    pub(in super::super) title: &'a str,
    pub(in super::super) trace: &'a Trace,
    pub(in super::super) settings: &'a ValidSettings,
    /// Names of the channels of `settings`.
    pub(in super::super) channels: Vec<&'a str>,
    pub(in super::super) dial: &'a Dial,
    /// From the first row to the last, in milliseconds.
    pub(in super::super) span: i64,
    /// Whether the log tells what another controller did with charge and heater.
    pub(in super::super) logged: (bool, bool),
}

/// The drawing's size and the rectangle of the temperatures, in SVG units.
const WIDTH: f64 = 1000.0;
const LEFT: f64 = 120.0;
const RIGHT: f64 = 870.0;
const TOP: f64 = 64.0;
const BOTTOM: f64 = 384.0;
/// Height of a band and distance from one to the next.
const BAND: f64 = 18.0;
const BAND_PITCH: f64 = 28.0;

/// How a doubtful reading is drawn: far lighter than a good one, and empty.
const PALE: &str = "fill-opacity=\"0\" stroke-opacity=\"0.4\"";

/// Places of the drawing.
struct Scales {
    low: f64,
    high: f64,
    span: f64,
}

impl Scales {
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
    fn x(&self, at: i64) -> f64 {
        LEFT + (RIGHT - LEFT) * (at as f64 / self.span).clamp(0.0, 1.0)
    }

    fn y(&self, t: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * (t - self.low) / (self.high - self.low)
    }
}

/// The picture as an SVG document.
pub(in super::super) fn svg(picture: &Picture<'_>) -> String {
    let thresholds = thresholds(picture.settings);
    let (low, high, ticks) = shown_range(picture, &thresholds);
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
    let scales = Scales { low, high, span: picture.span.max(1) as f64 };
    let bands = bands(picture);
    let floor = band_top(bands.len());
    let height = floor + 50.0;
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" font-family=\"sans-serif\" \
         font-size=\"12\" fill=\"#222\">\n<rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>\n\
         <text x=\"{LEFT}\" y=\"22\" font-size=\"15\" font-weight=\"bold\">{}</text>\n",
        escaped(picture.title)
    );
    frame(&mut out, &scales, &ticks, picture, floor);
    for (label, t) in &thresholds {
        threshold(&mut out, &scales, label, *t);
    }
    legend(&mut out, picture);
    // Cells are what decides: drawn last, on top.
    let mut order: Vec<_> = (0..picture.channels.len()).collect();
    order.sort_by_key(|&channel| picture.settings.channels[channel].role == Role::Cell);
    for channel in order {
        envelope(&mut out, &scales, picture, channel, Trust::Doubtful);
        envelope(&mut out, &scales, picture, channel, Trust::Good);
    }
    for (line, y) in [("band height: share", 8.0), ("of the time it is on", 22.0)] {
        text(&mut out, (RIGHT + 6.0, band_top(0) + y), "start", line);
    }
    for (row, (label, band)) in bands.iter().enumerate() {
        draw_band(&mut out, &scales, picture, (label, *band), band_top(row));
    }
    out.push_str("</svg>\n");
    out
}

/// The picture in a page that also holds `summary` as plain text.
pub(in super::super) fn html(picture: &Picture<'_>, summary: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<meta charset=\"utf-8\">\n<title>{title}</title>\n<style>\n\
         body {{ font-family: sans-serif; max-width: 60rem; margin: 1rem auto; padding: 0 1rem; }}\n\
         pre {{ font-size: 0.8rem; white-space: pre-wrap; }}\n\
         @page {{ size: A4 landscape; margin: 12mm; }}\n\
         @media print {{ pre {{ break-before: page; }} }}\n</style>\n<body>\n{svg}<pre>{summary}</pre>\n</body>\n</html>\n",
        title = escaped(picture.title),
        svg = svg(picture),
        summary = escaped(summary),
    )
}

fn thresholds(settings: &ValidSettings) -> Vec<(&'static str, f64)> {
    let celsius = |t: Celsius| f64::from(t.as_millidegrees()) / 1000.0;
    let charge = &settings.charge;
    vec![
        ("inhibit", celsius(charge.inhibit)),
        ("release", celsius(charge.release)),
        ("high release", celsius(charge.high_release)),
        ("high limit", celsius(charge.high_limit)),
    ]
}

/// Everything that was read, the lower thresholds, and the upper ones where readings come near them.
fn shown_range(picture: &Picture<'_>, thresholds: &[(&str, f64)]) -> (f64, f64, Vec<Tick<f64>>) {
    let readings = picture
        .trace
        .bins
        .iter()
        .flat_map(|bin| (0..picture.channels.len()).flat_map(|c| [bin.range(c), bin.doubtful(c)]))
        .flatten();
    let (low, high) = readings.fold((f64::MAX, f64::MIN), |(low, high), (l, h)| (low.min(l), high.max(h)));
    let near = thresholds.iter().enumerate().filter(|(rank, (_, t))| *rank < 2 || *t < high + 5.0);
    let (low, high) = near.fold((low, high), |(low, high), (_, (_, t))| (low.min(*t), high.max(*t)));
    temperatures(low, high)
}

fn frame(out: &mut String, scales: &Scales, ticks: &[Tick<f64>], picture: &Picture<'_>, floor: f64) {
    for Tick { at, label } in ticks {
        let y = scales.y(*at);
        let _ = writeln!(out, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"#ddd\"/>");
        text(out, (LEFT - 6.0, y + 4.0), "end", label);
    }
    let (x, middle) = (LEFT - 44.0, f64::midpoint(TOP, BOTTOM));
    let _ = writeln!(
        out,
        "<text transform=\"translate({x:.0} {middle:.0}) rotate(-90)\" text-anchor=\"middle\">temperature, °C</text>"
    );
    let (ticks, caption) = times(picture.dial, picture.span);
    for Tick { at, label } in ticks {
        let x = scales.x(at);
        let _ = writeln!(out, "<path d=\"M{x:.1} {TOP}V{floor}\" stroke=\"#ddd\"/>");
        text(out, (x, floor + 16.0), "middle", &label);
    }
    text(out, (f64::midpoint(LEFT, RIGHT), floor + 36.0), "middle", &caption);
    let _ = writeln!(out, "<path d=\"M{LEFT} {TOP}H{RIGHT}V{BOTTOM}H{LEFT}Z\" fill=\"none\" stroke=\"#444\"/>");
}

/// Ticks of the time axis, in milliseconds since the first row, and the axis' caption.
fn times(dial: &Dial, span: i64) -> (Vec<Tick<i64>>, String) {
    if let Some(start) = dial.date(0) {
        (axis::dates(start.datetime(), span), format!("date and time, UTC{}", start.strftime("%:z")))
    } else {
        let (ticks, unit) = axis::elapsed(span);
        (ticks, format!("time since the first row, {unit}"))
    }
}

fn threshold(out: &mut String, scales: &Scales, label: &str, t: f64) {
    if t < scales.low || t > scales.high {
        return;
    }
    let y = scales.y(t);
    let Stroke { colour, dashes } = style::THRESHOLD;
    let _ = writeln!(out, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"{colour}\" stroke-dasharray=\"{dashes}\"/>");
    text(out, (RIGHT + 6.0, y + 4.0), "start", &format!("{label} {t} °C"));
}

fn stroke(picture: &Picture<'_>, channel: usize) -> Stroke {
    let channels = &picture.settings.channels;
    match channels[channel].role {
        Role::Cell => {
            let rank = channels[..channel].iter().filter(|other| other.role == Role::Cell).count();
            Stroke { colour: CELLS[rank % CELLS.len()], dashes: "none" }
        }
        Role::Pad => style::PLATE,
        Role::Ambient | Role::Check(_) => style::AIR,
    }
}

fn legend(out: &mut String, picture: &Picture<'_>) {
    let mut x = LEFT;
    for (channel, name) in picture.channels.iter().enumerate() {
        let Stroke { colour, dashes } = stroke(picture, channel);
        let role = match picture.settings.channels[channel].role {
            Role::Cell => "cell",
            Role::Pad => "pad",
            Role::Ambient => "ambient",
            Role::Check(_) => "check",
        };
        let label = if *name == role { (*name).to_owned() } else { format!("{name} ({role})") };
        let _ = writeln!(
            out,
            "<path d=\"M{x:.0} 44h22\" stroke=\"{colour}\" stroke-width=\"3\" stroke-dasharray=\"{dashes}\"/>"
        );
        text(out, (x + 28.0, 48.0), "start", &label);
        #[expect(clippy::cast_precision_loss, reason = "a name of a few letters")]
        let width = label.chars().count() as f64 * 6.6;
        x += 46.0 + width;
    }
    let bins = &picture.trace.bins;
    if bins.iter().any(|bin| (0..picture.channels.len()).any(|channel| bin.doubtful(channel).is_some())) {
        let _ = writeln!(out, "<path d=\"M{x:.0} 44h22\" stroke=\"#222\" stroke-width=\"3\" {PALE}/>");
        text(out, (x + 28.0, 48.0), "start", "pale: in doubt");
    }
}

/// Whether the controller believed what is drawn.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Trust {
    Good,
    Doubtful,
}

/// The area between the lowest and the highest reading of each bin, one piece for each stretch without a gap; an outline only of
/// what is doubtful.
fn envelope(out: &mut String, scales: &Scales, picture: &Picture<'_>, channel: usize, trust: Trust) {
    let Stroke { colour, dashes } = stroke(picture, channel);
    let trace = picture.trace;
    let middle = |index: usize| {
        let start = i64::try_from(index).unwrap_or(i64::MAX).saturating_mul(trace.width);
        scales.x(start.saturating_add(trace.width / 2).min(picture.span))
    };
    let (range, opacity): (fn(&Bin, usize) -> _, _) = match trust {
        Trust::Good => (Bin::range, "fill-opacity=\"0.3\""),
        Trust::Doubtful => (Bin::doubtful, PALE),
    };
    let points: Vec<_> = trace.bins.iter().enumerate().map(|(index, bin)| (index, range(bin, channel))).collect();
    for piece in points.chunk_by(|(_, a), (_, b)| a.is_some() == b.is_some()) {
        let piece: Vec<_> = piece
            .iter()
            .filter_map(|&(index, range)| range.map(|(low, high)| (middle(index), scales.y(high), scales.y(low))))
            .collect();
        if piece.is_empty() {
            continue;
        }
        let _ = writeln!(
            out,
            "<path fill=\"{colour}\" {opacity} stroke=\"{colour}\" stroke-dasharray=\"{dashes}\" \
             stroke-linejoin=\"round\" d=\"{}\"/>",
            area(&piece)
        );
    }
}

fn bands(picture: &Picture<'_>) -> Vec<(&'static str, Band)> {
    let (charge, heater) = picture.logged;
    Band::ALL
        .into_iter()
        .filter_map(|band| match band {
            Band::Charge => Some(("charge permitted", band)),
            Band::Heater => Some(("heater on", band)),
            Band::Alarm => Some(("alarm", band)),
            Band::LoggedCharge => charge.then_some(("logged charge", band)),
            Band::LoggedHeater => heater.then_some(("logged heater", band)),
        })
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "at most five")]
fn band_top(row: usize) -> f64 {
    BOTTOM + 16.0 + BAND_PITCH * row as f64
}

/// A bar as high as the part of the time something was on, bin by bin.
fn draw_band(out: &mut String, scales: &Scales, picture: &Picture<'_>, (label, band): (&str, Band), top: f64) {
    let colour = match band {
        Band::Charge => style::CHARGE,
        Band::Heater => style::HEATER,
        Band::Alarm => style::ALARM,
        Band::LoggedCharge | Band::LoggedHeater => style::FOREIGN,
    };
    let bottom = top + BAND;
    text(out, (LEFT - 6.0, bottom - 5.0), "end", label);
    let _ = writeln!(out, "<path d=\"M{LEFT} {bottom}H{RIGHT}\" stroke=\"#888\"/>");
    let parts: Vec<_> = picture.trace.bins.iter().map(|bin: &Bin| bin.part_on(band)).collect();
    let edge = |index: usize| {
        scales.x(i64::try_from(index).unwrap_or(i64::MAX).saturating_mul(picture.trace.width).min(picture.span))
    };
    let _ = writeln!(out, "<path fill=\"{colour}\" d=\"{}\"/>", shares(&parts, edge, bottom, BAND));
}

//! A page that carries a season whole: text, drawings, data, and the script that shows it.

use super::draw::{drawings, hystereses, known, styled};
use super::svg::escaped;
use super::{DAY_S, LevelKind, Line, Season, Warmth, aligned, section, style};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use std::fmt::Write;

const SCRIPT: &str = include_str!("page.js");
const LAYOUT: &str = include_str!("page.css");

/// What the script is given; its fields are described there.
#[derive(Serialize)]
struct Data<'a> {
    length: i64,
    dash: &'static str,
    threshold: &'static str,
    seasons: Vec<SeasonData<'a>>,
}

#[derive(Serialize)]
struct SeasonData<'a> {
    title: &'a str,
    start: String,
    offset: i64,
    span: i64,
    lines: Vec<LineData<'a>>,
    levels: Vec<LevelData<'a>>,
    hystereses: Vec<(f64, f64)>,
    bands: Vec<BandData<'a>>,
    sources: Vec<SourceData<'a>>,
    day: i64,
    days: Vec<Vec<f64>>,
}

#[derive(Serialize)]
struct LineData<'a> {
    name: &'a str,
    colour: &'static str,
    dash: &'static str,
    width: f64,
    fill: f64,
    bin: i64,
    low: String,
    high: String,
}

#[derive(Serialize)]
struct LevelData<'a> {
    name: &'a str,
    at: f64,
    always: bool,
}

#[derive(Serialize)]
struct BandData<'a> {
    name: &'a str,
    colour: &'static str,
    on: Vec<i64>,
}

#[derive(Serialize)]
struct SourceData<'a> {
    name: &'a str,
    colour: &'static str,
}

/// One page, whole in itself, that shows one season or two on the same axes.
///
/// How warm the banks are comes after the seasons. `summary` follows the pictures as plain text, and `cautions` a paragraph each. It needs no network; without scripts, and in print,
/// it shows the drawings.
#[must_use]
pub fn page(seasons: &[Season], banks: &[Warmth], summary: &str, cautions: &[&str]) -> String {
    let titles: Vec<&str> = seasons.iter().map(|season| season.title.as_str()).collect();
    let title = escaped(&titles.join(" / "));
    let (mut figures, mut paragraphs) = (String::new(), String::new());
    for drawing in drawings(seasons) {
        // Writing to a string cannot fail.
        let _ = writeln!(figures, "<figure class=\"drawn\">\n{drawing}</figure>");
    }
    for bank in banks {
        let _ = writeln!(figures, "<figure class=\"bank\">\n{}</figure>", section(bank));
    }
    for caution in cautions {
        let _ = writeln!(paragraphs, "<p>{}</p>", escaped(caution));
    }
    let summary = escaped(summary);
    let data = embedded(&serde_json::to_string(&data(seasons)).unwrap_or_default());
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <link rel=\"icon\" href=\"data:,\">\n<title>{title}</title>\n<style>\n{LAYOUT}</style>\n</head>\n<body>\n\
         <main>\n<div id=\"live\"></div>\n{figures}\
         <section aria-label=\"Summary\">\n<pre>{summary}</pre>\n</section>\n</main>\n\
         <footer>\n{paragraphs}</footer>\n\
         <script type=\"application/json\" id=\"data\">{data}</script>\n<script>\n{SCRIPT}</script>\n</body>\n</html>\n"
    )
}

/// JSON that may stand between script tags: nothing in it can end the script or start a comment.
fn embedded(json: &str) -> String {
    json.replace('<', "\\u003c")
}

fn data(seasons: &[Season]) -> Data<'_> {
    let (offsets, length) = aligned(seasons);
    let seasons = seasons.iter().zip(offsets).map(|(season, offset)| SeasonData {
        title: &season.title,
        start: season.start.strftime("%Y-%m-%dT%H:%M:%S").to_string(),
        offset,
        span: season.span_s.max(1),
        lines: lines(&season.lines),
        levels: season
            .levels
            .iter()
            .map(|level| LevelData {
                name: &level.name,
                at: level.at_c,
                always: matches!(level.kind, LevelKind::Inhibit | LevelKind::Release),
            })
            .collect(),
        hystereses: hystereses(&season.levels),
        bands: season
            .bands
            .iter()
            .map(|band| BandData { name: &band.name, colour: style::band(band.kind), on: steps(&band.on) })
            .collect(),
        sources: season
            .energy
            .sources
            .iter()
            .enumerate()
            .map(|(rank, name)| SourceData { name, colour: style::source(rank) })
            .collect(),
        day: DAY_S,
        days: season.energy.days.iter().map(|day| day.iter().map(|wh| (wh * 10.0).round() / 10.0).collect()).collect(),
    });
    Data { length, dash: style::THRESHOLD.dashes, threshold: style::THRESHOLD.colour, seasons: seasons.collect() }
}

fn lines(lines: &[Line]) -> Vec<LineData<'_>> {
    styled(lines)
        .into_iter()
        .map(|(line, style)| LineData {
            name: &line.name,
            colour: style.stroke.colour,
            dash: style.stroke.dashes,
            width: style.width,
            fill: style.fill,
            bin: line.bin_s.max(1),
            low: packed(line, |(low, _)| low),
            high: packed(line, |(_, high)| high),
        })
        .collect()
}

/// One end of each bin in hundredths of a degree, two bytes each, the lower first; the least number where there is none.
fn packed(line: &Line, end: fn((f64, f64)) -> f64) -> String {
    #[expect(clippy::cast_possible_truncation, reason = "held within the type just before")]
    let hundredths = |t: f64| (t * 100.0).round().clamp(f64::from(-i16::MAX), f64::from(i16::MAX)) as i16;
    let bins = line.ranges.iter().map(|range| known(*range).map_or(i16::MIN, |range| hundredths(end(range))));
    STANDARD.encode(bins.flat_map(i16::to_le_bytes).collect::<Vec<u8>>())
}

/// Off for so long, on for so long, and so on (s): far fewer digits than moments.
fn steps(on: &[(i64, i64)]) -> Vec<i64> {
    let mut at = 0;
    let edges = on.iter().flat_map(|&(from, to)| [from, to]);
    edges.map(|edge| edge - std::mem::replace(&mut at, edge)).collect()
}

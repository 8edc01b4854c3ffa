//! A page that holds a whole season: text, drawings, data, and the script that shows them.

use super::draw::{drawings, hystereses, known, styled};
use super::svg::escaped;
use super::{Band, DAY_S, LevelKind, Line, Season, Series, Stretch, Warmth, aligned, section, source_names, style};
use crate::cautions::CAUTIONS;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Serialize;
use std::fmt::Write;

const SCRIPT: &str = include_str!("page.js");
/// What it is started with. From then on the drawings are for print.
const START: &str = "openFigures([...document.querySelectorAll(\".summary details\")]);
document.documentElement.classList.add(\"scripted\");
showSeasons(JSON.parse(document.getElementById(\"data\").textContent), document.getElementById(\"live\"));
";
/// Longest value that counts as a figure; longer ones are words.
const LONGEST_FIGURE: usize = 24;
const LAYOUT: &str = include_str!("page.css");

/// A document that is only read, without anything from elsewhere. `style` is what it adds to the season's page, and `main` stands before
/// the cautions; both are markup. `title` is text.
pub(crate) fn sheet(title: &str, style: &str, main: &str) -> String {
    let cautions = CAUTIONS.map(|caution| format!("<p>{}</p>\n", escaped(caution))).concat();
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, \
         initial-scale=1\">\n<link rel=\"icon\" href=\"data:,\">\n<title>{}</title>\n<style>{LAYOUT}{style}</style>\n</head>\n<body>\n\
         <main>\n{main}</main>\n<footer>\n{cautions}</footer>\n</body>\n</html>\n",
        escaped(title)
    )
}

/// The text above the pictures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    /// Sentences that a reader must see first.
    pub lead: Vec<String>,
    /// Figures.
    pub tables: Vec<Table>,
}

/// Figures under a title.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// Subject of the figures.
    pub title: String,
    /// Whether the table explains how the others were obtained; then it is closed at first.
    pub is_aside: bool,
    /// Names of the columns after the first; empty if there is only one.
    pub columns: Vec<String>,
    /// Rows.
    pub rows: Vec<TableRow>,
}

/// A row of a table.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TableRow {
    /// Name of the row; with leading blanks if it is part of the row above.
    pub name: String,
    /// A value for each column. A row without any is a sentence.
    pub values: Vec<String>,
}

/// The script's data. The script describes the fields.
#[derive(Serialize)]
struct Data<'a> {
    length: i64,
    dash: &'static str,
    threshold: &'static str,
    pause: &'static str,
    seasons: Vec<SeasonData<'a>>,
}

#[derive(Serialize)]
struct SeasonData<'a> {
    title: &'a str,
    label: &'a str,
    start: Option<String>,
    zone: String,
    offset: i64,
    span: i64,
    lines: Vec<LineData<'a>>,
    levels: Vec<LevelData<'a>>,
    hystereses: Vec<(f64, f64)>,
    bands: Vec<BandData<'a>>,
    charge: Option<LineData<'a>>,
    day: i64,
    amounts: Vec<AmountData<'a>>,
    pauses: Vec<i64>,
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
    #[serde(skip_serializing_if = "Option::is_none")]
    doubtful: Option<[String; 2]>,
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
    causes: &'a [String],
    #[serde(skip_serializing_if = "Vec::is_empty")]
    cause: Vec<usize>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    part: Vec<i64>,
}

#[derive(Serialize)]
struct AmountData<'a> {
    what: &'a str,
    flow: &'a str,
    band: usize,
    measure: super::Measure,
    bin: i64,
    series: Vec<SeriesData<'a>>,
}

#[derive(Serialize)]
struct SeriesData<'a> {
    name: &'a str,
    colour: &'static str,
    unit: f64,
    bins: String,
    days: Vec<f64>,
}

/// One self-contained page that shows one season, or two on the same axes.
///
/// `summary` is above the pictures. The warmth of the banks follows the seasons. `cautions` have a paragraph each. The
/// page needs no network. Without scripts, and in print, it shows the drawings.
#[must_use]
pub fn page(seasons: &[Season], banks: &[Warmth], summary: &Summary, cautions: &[&str]) -> String {
    let mut titles: Vec<&str> = seasons.iter().map(|season| season.title.as_str()).collect();
    titles.dedup();
    let title = escaped(&titles.join(" / "));
    let (mut figures, mut paragraphs) = (String::new(), String::new());
    for (drawing, season) in drawings(seasons).into_iter().zip(seasons) {
        // Writing to a string cannot fail.
        let _ = write!(figures, "<figure class=\"drawn\">\n{drawing}");
        if seasons.len() > 1 {
            let _ = writeln!(figures, "<figcaption>{}</figcaption>", escaped(&season.label));
        }
        figures.push_str("</figure>\n");
    }
    for bank in banks {
        let _ = writeln!(figures, "<figure class=\"bank\">\n{}</figure>", section(bank));
    }
    for caution in cautions {
        let _ = writeln!(paragraphs, "<p>{}</p>", escaped(caution));
    }
    let summary = summary.html();
    let data = embedded(&serde_json::to_string(&data(seasons)).unwrap_or_default());
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <link rel=\"icon\" href=\"data:,\">\n<title>{title}</title>\n<style>\n{LAYOUT}</style>\n</head>\n<body>\n\
         <main>\n<h1>{title}</h1>\n{summary}<div id=\"live\"></div>\n{figures}</main>\n\
         <footer>\n{paragraphs}</footer>\n\
         <script type=\"application/json\" id=\"data\">{data}</script>\n<script>\n{SCRIPT}{START}</script>\n</body>\n</html>\n"
    )
}

/// What a page of another kind shows of seasons: each part as markup or data, to be put where there is a place for it.
#[derive(Clone, Debug, Serialize)]
pub struct Parts {
    /// For the script: the data of the picture.
    data: String,
    /// The figures, as markup.
    summary: String,
    /// The drawing of each season, as markup, for print.
    drawn: Vec<String>,
}

/// The parts of a page that shows one season, or two on the same axes.
#[must_use]
pub fn parts(seasons: &[Season], summary: &Summary) -> Parts {
    let data = serde_json::to_string(&data(seasons)).unwrap_or_default();
    Parts { data, summary: summary.html(), drawn: drawings(seasons) }
}

impl Summary {
    fn html(&self) -> String {
        let mut out = String::from("<section class=\"summary\" aria-label=\"Summary\">\n");
        // Writing to a string cannot fail.
        for line in &self.lead {
            let _ = writeln!(out, "<p>{}</p>", escaped(line));
        }
        out.push_str("<div class=\"tables\">\n");
        for (rank, table) in self.tables.iter().enumerate() {
            let open = match table.is_aside {
                true => " class=\"aside\"",
                false if rank == 0 => " open",
                false => "",
            };
            let _ = writeln!(out, "<details{open}>\n<summary>{}</summary>\n<table>", escaped(&table.title));
            if !table.columns.is_empty() {
                out.push_str("<tr><td></td>");
                for column in &table.columns {
                    let _ = write!(out, "<th scope=\"col\">{}</th>", escaped(column));
                }
                out.push_str("</tr>\n");
            }
            let columns = table.rows.iter().map(|row| row.values.len()).max().unwrap_or(0).max(1);
            for TableRow { name, values } in &table.rows {
                let depth = (name.len() - name.trim_start().len()) / 2;
                let name = escaped(name.trim_start());
                if values.is_empty() {
                    let _ = writeln!(out, "<tr><td colspan=\"{}\">{name}</td></tr>", columns + 1);
                    continue;
                }
                let _ = write!(out, "<tr><th scope=\"row\" class=\"in{depth}\">{name}</th>");
                for value in values {
                    // A number stays beside its name on a narrow page; words may take several lines.
                    let class = if value.chars().count() > LONGEST_FIGURE { " class=\"words\"" } else { "" };
                    let _ = write!(out, "<td{class}>{}</td>", escaped(value));
                }
                out.push_str("</tr>\n");
            }
            out.push_str("</table>\n</details>\n");
        }
        out.push_str("</div>\n</section>\n");
        out
    }
}

/// JSON for use between script tags: nothing in it can end the script or start a comment.
fn embedded(json: &str) -> String {
    json.replace('<', "\\u003c")
}

fn data(seasons: &[Season]) -> Data<'_> {
    let (offsets, length) = aligned(seasons);
    let sources = source_names(seasons);
    let seasons = seasons.iter().zip(offsets).map(|(season, offset)| SeasonData {
        title: &season.title,
        label: &season.label,
        start: season.clock.start.map(|start| start.strftime("%Y-%m-%dT%H:%M:%S").to_string()),
        zone: season.clock.zone.as_ref().map_or("local standard time".to_owned(), |zone| format!("UTC{zone}")),
        offset,
        span: season.span_s.max(1),
        lines: styled(&season.lines).into_iter().map(|(line, style)| line_data(line, style)).collect(),
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
        bands: season.bands.iter().map(|band| band_data(band, style::band(band, &sources))).collect(),
        charge: season.charge.as_ref().map(|line| line_data(line, style::line(line.kind, 0))),
        day: DAY_S,
        amounts: season
            .amounts
            .iter()
            .map(|amount| AmountData {
                what: &amount.what,
                flow: &amount.flow,
                // An index that exists, for the script.
                band: amount.band.min(season.bands.len().saturating_sub(1)),
                measure: amount.measure,
                bin: amount.bin_s.max(1),
                series: amount
                    .series
                    .iter()
                    .map(|series| series_data(series, style::series(series, &sources)))
                    .collect(),
            })
            .collect(),
        pauses: steps(season.pauses.iter().copied()),
    });
    Data {
        length,
        dash: style::THRESHOLD.dashes,
        threshold: style::THRESHOLD.colour,
        pause: style::PAUSE,
        seasons: seasons.collect(),
    }
}

fn line_data(line: &Line, style: style::LineStyle) -> LineData<'_> {
    let doubtful = || [packed(&line.doubtful, |(low, _)| low), packed(&line.doubtful, |(_, high)| high)];
    LineData {
        name: &line.name,
        colour: style.stroke.colour,
        dash: style.stroke.dashes,
        width: style.width,
        fill: style.fill,
        bin: line.bin_s.max(1),
        low: packed(&line.ranges, |(low, _)| low),
        high: packed(&line.ranges, |(_, high)| high),
        doubtful: (!line.doubtful.is_empty()).then(doubtful),
    }
}

fn band_data<'a>(band: &'a Band, colour: &'static str) -> BandData<'a> {
    let is_whole = |stretch: &Stretch| stretch.on == stretch.to - stretch.from;
    let cause = if band.causes.is_empty() { Vec::new() } else { band.on.iter().map(|stretch| stretch.cause).collect() };
    let part =
        if band.on.iter().all(is_whole) { Vec::new() } else { band.on.iter().map(|stretch| stretch.on).collect() };
    BandData {
        name: &band.name,
        colour,
        on: steps(band.on.iter().map(|stretch| (stretch.from, stretch.to))),
        causes: &band.causes,
        cause,
        part,
    }
}

/// The value of each bin in two bytes, lower byte first, in units that make the fullest bin the largest number.
fn series_data<'a>(series: &'a Series, colour: &'static str) -> SeriesData<'a> {
    let most = series.bins.iter().copied().filter(|value| value.is_finite()).fold(0.0, f32::max);
    let unit = if most > 0.0 { f64::from(most) / f64::from(u16::MAX) } else { 1.0 };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
    let bins = series.bins.iter().map(|value| (f64::from(*value) / unit).round() as u16);
    SeriesData {
        name: &series.name,
        colour,
        unit,
        bins: STANDARD.encode(bins.flat_map(u16::to_le_bytes).collect::<Vec<u8>>()),
        days: series.days.iter().map(|value| (value * 1000.0).round() / 1000.0).collect(),
    }
}

/// One end of each bin in hundredths, two bytes each, lower byte first; the least number for an empty bin.
fn packed(ranges: &[(f32, f32)], end: fn((f64, f64)) -> f64) -> String {
    #[expect(clippy::cast_possible_truncation, reason = "held within the type just before")]
    let hundredths = |t: f64| (t * 100.0).round().clamp(f64::from(-i16::MAX), f64::from(i16::MAX)) as i16;
    let bins = ranges.iter().map(|range| known(*range).map_or(i16::MIN, |range| hundredths(end(range))));
    STANDARD.encode(bins.flat_map(i16::to_le_bytes).collect::<Vec<u8>>())
}

/// Time off, time on, time off and so on (s): these need far fewer digits than moments.
fn steps(on: impl Iterator<Item = (i64, i64)>) -> Vec<i64> {
    let mut at = 0;
    on.flat_map(|(from, to)| [from, to]).map(|edge| edge - std::mem::replace(&mut at, edge)).collect()
}

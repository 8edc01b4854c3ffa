//! A season as SVG: stands alone, for print and for whoever runs no scripts.

use super::axis::{self, Tick};
use super::style::{self, LineStyle, Stroke};
use super::svg::{area, escaped, polyline, shares, text};
use super::{DAY_S, Level, LevelKind, Line, Season, aligned};
use jiff::civil::Time;
use std::fmt::Write;

/// The drawing's width and the left and right end of its axes, in SVG units.
const WIDTH: f64 = 900.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 746.0;
/// Height of the temperatures.
const TALL: f64 = 290.0;
/// Height of a band and distance from one to the next.
const BAND: f64 = 24.0;
const BAND_PITCH: f64 = 32.0;
/// Height of the energy.
const ENERGY: f64 = 96.0;
/// Distance between lines of text.
const LEADING: f64 = 16.0;
/// What stands right of the axes starts here.
const MARGIN: f64 = RIGHT + 8.0;
/// A day narrower than this is one column, a week if even a day is too narrow.
const NARROW_DAY: f64 = 8.0;
const NARROWEST_DAY: f64 = 1.5;
/// Energy of days narrower than this is joined to weeks.
const NARROWEST_BAR: f64 = 12.0;

/// What several drawings have in common, so that they can be compared.
struct Frame {
    /// Length of the time axis (s).
    length_s: i64,
    column: Column,
    /// The temperature axis.
    low: f64,
    high: f64,
    ticks: Vec<Tick<f64>>,
    /// Days that a bar stands for.
    days: usize,
    /// The top of the energy axis and its ticks, in its unit.
    most: f64,
    energy_ticks: Vec<Tick<f64>>,
    unit: Unit,
}

/// What temperatures and bands are gathered in.
#[derive(Clone, Copy)]
enum Column {
    /// A dot, one unit wide; or a bin where those are wider.
    Dot,
    /// Whole days from second 0 on.
    Days(i64),
}

impl Column {
    /// From when to when each column of a season lies (s), in order; those of dots on an axis of `length_s`.
    fn edges(self, span: i64, length_s: i64) -> Vec<(i64, i64)> {
        let wide = match self {
            // Never narrower than a second: a season is counted in those.
            Self::Dot => (length_s / COLUMNS).max(1),
            Self::Days(days) => days * DAY_S,
        };
        let mut out = Vec::new();
        let mut from = 0;
        while from < span {
            let to = from.saturating_add(wide).min(span);
            out.push((from, to));
            from = to;
        }
        out
    }
}

/// A unit of energy.
#[derive(Clone, Copy)]
struct Unit {
    name: &'static str,
    wh: f64,
}

/// What goes up to `wh` is easiest to read in this unit.
const fn unit(wh: f64) -> Unit {
    if wh < 5000.0 { Unit { name: "Wh", wh: 1.0 } } else { Unit { name: "kWh", wh: 1000.0 } }
}

/// A number with a minus sign in place of the hyphen.
fn minus(number: &str) -> String {
    number.replace('-', "−")
}

/// An energy for a person.
fn energy(wh: f64) -> String {
    match wh / 1000.0 {
        ..1.0 => format!("{wh:.0} Wh"),
        kwh @ ..100.0 => format!("{kwh:.1} kWh"),
        kwh => format!("{kwh:.0} kWh"),
    }
}

#[expect(clippy::cast_precision_loss, reason = "a time is far below 2^53 s")]
const fn real(at: i64) -> f64 {
    at as f64
}

#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
const fn count(number: usize) -> f64 {
    number as f64
}

impl Frame {
    fn new(seasons: &[Season], length_s: i64) -> Self {
        let ranges = seasons.iter().flat_map(|season| &season.lines).flat_map(|line| &line.ranges);
        let known = ranges.filter_map(|range| known(*range));
        let (low, high) = known.fold((f64::MAX, f64::MIN), |(low, high), range| (low.min(range.0), high.max(range.1)));
        let levels = seasons.iter().flat_map(|season| &season.levels).filter(|level| shown(level, (low, high)));
        let (low, high) = levels.fold((low, high), |(low, high), level| (low.min(level.at_c), high.max(level.at_c)));
        let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
        let (low, high, ticks) = axis::temperatures(low, high);
        let day = (RIGHT - LEFT) * real(DAY_S) / real(length_s);
        let column = match day {
            NARROW_DAY.. => Column::Dot,
            NARROWEST_DAY.. => Column::Days(1),
            _ => Column::Days(7),
        };
        let days = if day < NARROWEST_BAR { 7 } else { 1 };
        let totals = seasons.iter().flat_map(|season| season.energy.days.chunks(days));
        let most = totals.map(|bar| bar.iter().flatten().sum::<f64>()).fold(0.0, f64::max);
        let unit = unit(most);
        let (_, most, energy_ticks) = axis::values(0.0, most / unit.wh, 3.0);
        Self { length_s, column, low, high, ticks, days, most, energy_ticks, unit }
    }

    fn x(&self, at: i64) -> f64 {
        LEFT + (RIGHT - LEFT) * (real(at) / real(self.length_s)).clamp(0.0, 1.0)
    }
}

/// Whether a threshold is shown beside temperatures between `low` and `high`: those of cold charge always, others where it gets near.
fn shown(level: &Level, (low, high): (f64, f64)) -> bool {
    matches!(level.kind, LevelKind::Inhibit | LevelKind::Release) || (low - 5.0..=high + 5.0).contains(&level.at_c)
}

/// The season as an SVG document, 900 units wide: temperatures, what was on, and heater energy.
#[must_use]
pub fn drawing(season: &Season) -> String {
    drawings(std::slice::from_ref(season)).remove(0)
}

/// A drawing of each season, all on the same axes.
pub(super) fn drawings(seasons: &[Season]) -> Vec<String> {
    let (offsets, length_s) = aligned(seasons);
    let frame = Frame::new(seasons, length_s);
    seasons.iter().zip(offsets).map(|(season, offset)| Drawing { frame: &frame, season, offset }.svg()).collect()
}

struct Drawing<'a> {
    frame: &'a Frame,
    season: &'a Season,
    /// From the start of the time axis to that of the season (s).
    offset: i64,
}

impl Drawing<'_> {
    fn x(&self, at: i64) -> f64 {
        self.frame.x(at.saturating_add(self.offset))
    }

    fn svg(&self) -> String {
        let mut body = String::new();
        let top = self.legend(&mut body) + 34.0;
        let bands = top + TALL + 34.0;
        let energy = bands + BAND_PITCH * count(self.season.bands.len()) + 20.0;
        let has_energy = !self.season.energy.sources.is_empty();
        let floor = if has_energy { energy + ENERGY } else { energy - 20.0 };
        self.times(&mut body, top, floor);
        self.temperatures(&mut body, top);
        self.bands(&mut body, bands);
        if has_energy {
            self.energy(&mut body, energy);
        }
        let height = floor + 48.0;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
             font-family=\"system-ui, sans-serif\" font-size=\"12\" fill=\"#222\">\n<title>{title}</title>\n\
             <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>\n\
             <text x=\"{LEFT}\" y=\"22\" font-size=\"17\" font-weight=\"bold\">{title}</text>\n",
            title = escaped(&self.season.title),
        );
        out.push_str(&body);
        out.push_str("</svg>\n");
        out
    }

    /// What the lines are, in as many rows as it takes. Returns where the last row stands.
    fn legend(&self, out: &mut String) -> f64 {
        let (mut x, mut y) = (LEFT, 46.0);
        for (line, LineStyle { stroke, width, fill }) in styled(&self.season.lines) {
            // As wide as a letter is on average, with room to spare.
            let wide = 46.0 + 6.6 * count(line.name.chars().count());
            if x > LEFT && x + wide > WIDTH {
                (x, y) = (LEFT, y + LEADING);
            }
            let Stroke { colour, dashes } = stroke;
            let (top, middle, thick) = (y - 10.0, y - 4.0, width + 0.6);
            // From afar it is an area, from close by a line.
            let _ = writeln!(
                out,
                "<rect x=\"{x:.0}\" y=\"{top}\" width=\"24\" height=\"12\" fill=\"{colour}\" fill-opacity=\"{fill}\"/>\n\
                 <path d=\"M{x:.0} {middle}h24\" stroke=\"{colour}\" stroke-width=\"{thick:.1}\" stroke-dasharray=\"{dashes}\"/>"
            );
            text(out, (x + 30.0, y), "start", &line.name);
            x += wide;
        }
        y
    }

    fn times(&self, out: &mut String, top: f64, floor: f64) {
        let start = self.season.start.saturating_sub(jiff::SignedDuration::from_secs(self.offset));
        for Tick { at, label } in axis::dates(start, self.frame.length_s.saturating_mul(1000)) {
            let x = self.frame.x(at / 1000);
            let _ = writeln!(out, "<path d=\"M{x:.1} {top}V{floor}\" stroke=\"#e2e2e2\"/>");
            text(out, (x, floor + 17.0), "middle", &label);
        }
        let caption = format!("date and time, local standard time, from {}", start.strftime("%Y-%m-%d %H:%M"));
        text(out, (f64::midpoint(LEFT, RIGHT), floor + 36.0), "middle", &caption);
    }

    fn temperatures(&self, out: &mut String, top: f64) {
        let bottom = top + TALL;
        let Frame { low, high, .. } = *self.frame;
        let y = |t: f64| bottom - TALL * (t - low) / (high - low);
        text(out, (LEFT - 6.0, top - 12.0), "end", "°C");
        let of = match self.frame.column {
            Column::Dot => "",
            Column::Days(1) => ", lowest to highest of each day",
            Column::Days(_) => ", lowest to highest of each week",
        };
        text(out, (LEFT, top - 12.0), "start", &format!("temperature{of}"));
        for Tick { at, label } in &self.frame.ticks {
            let y = y(*at);
            let _ = writeln!(out, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"#e2e2e2\"/>");
            text(out, (LEFT - 6.0, y + 4.0), "end", &minus(label));
        }
        let shades: Vec<(f64, f64)> = hystereses(&self.season.levels)
            .into_iter()
            .map(|(a, b)| (y(a.max(b)).max(top), y(a.min(b)).min(bottom)))
            .filter(|(from, to)| from < to)
            .collect();
        let shade = |out: &mut String, colour: &str, opacity: f64| {
            for (from, to) in &shades {
                let (high, wide) = (to - from, RIGHT - LEFT);
                let _ = writeln!(
                    out,
                    "<rect x=\"{LEFT}\" y=\"{from:.1}\" width=\"{wide}\" height=\"{high:.1}\" fill=\"{colour}\" \
                     fill-opacity=\"{opacity}\"/>"
                );
            }
        };
        shade(out, style::THRESHOLD.colour, 0.14);
        for (line, style) in styled(&self.season.lines) {
            self.line(out, line, style, &y);
        }
        // Where dark areas would hide it.
        shade(out, "#fff", 0.22);
        let levels: Vec<&Level> =
            self.season.levels.iter().filter(|level| (low..=high).contains(&level.at_c)).collect();
        let mut labels: Vec<(f64, String)> = levels
            .iter()
            .map(|level| (y(level.at_c), format!("{} {} °C", level.name, minus(&level.at_c.to_string()))))
            .collect();
        for (y, _) in &labels {
            let Stroke { colour, dashes } = style::THRESHOLD;
            let _ = writeln!(
                out,
                "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"#fff\" stroke-opacity=\"0.6\" stroke-width=\"3\"/>\n\
                 <path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"{colour}\" stroke-dasharray=\"{dashes}\"/>"
            );
        }
        spread(&mut labels);
        for (y, label) in &labels {
            text(out, (MARGIN, y + 4.0), "start", label);
        }
        let _ = writeln!(out, "<path d=\"M{LEFT} {top}H{RIGHT}V{bottom}H{LEFT}Z\" fill=\"none\" stroke=\"#444\"/>");
    }

    /// The area between lowest and highest, in pieces where there is nothing between; with the line midway where bins are told apart.
    fn line(
        &self,
        out: &mut String,
        line: &Line,
        LineStyle { stroke, width, fill }: LineStyle,
        y: &dyn Fn(f64) -> f64,
    ) {
        let Stroke { colour, dashes } = stroke;
        let mut columns = self.frame.column.edges(self.season.span_s, self.frame.length_s);
        let apart = columns.first().is_some_and(|(from, to)| line.bin_s >= 2 * (to - from));
        if apart {
            let bins = (0..i64::try_from(line.ranges.len()).unwrap_or(0)).map(|index| index * line.bin_s);
            columns = bins.map(|from| (from, (from + line.bin_s).min(self.season.span_s))).collect();
        }
        let points: Vec<_> = columns
            .into_iter()
            .map(|column| {
                let (low, high) = extremes(line, column)?;
                Some((self.x(i64::midpoint(column.0, column.1)), y(high), y(low)))
            })
            .collect();
        let (fill, outline) = if apart { (fill * 0.6, "none") } else { (fill, colour) };
        for piece in points.chunk_by(|a, b| a.is_some() == b.is_some()) {
            let piece: Vec<(f64, f64, f64)> = piece.iter().copied().flatten().collect();
            if piece.is_empty() {
                continue;
            }
            // Never thinner than can be seen.
            let _ = writeln!(
                out,
                "<path fill=\"{colour}\" fill-opacity=\"{fill}\" stroke=\"{outline}\" stroke-width=\"0.8\" \
                 stroke-dasharray=\"{dashes}\" stroke-linejoin=\"round\" d=\"{}\"/>",
                area(&piece)
            );
            if apart {
                let middle = polyline(piece.iter().map(|&(x, upper, lower)| (x, f64::midpoint(upper, lower))));
                let _ = writeln!(
                    out,
                    "<path fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-dasharray=\"{dashes}\" \
                     stroke-linejoin=\"round\" d=\"{middle}\"/>"
                );
            }
        }
    }

    fn bands(&self, out: &mut String, top: f64) {
        let span = self.season.span_s.max(1);
        let columns = self.frame.column.edges(span, self.frame.length_s);
        let upright = matches!(self.frame.column, Column::Days(1)) && self.season.start.time() == Time::midnight();
        if !self.season.bands.is_empty() {
            let how = if upright {
                "on or off, each day from midnight at the bottom to midnight at the top"
            } else {
                "on or off; between the two, height is the share of the time"
            };
            text(out, (LEFT, top - 8.0), "start", how);
        }
        for (row, band) in self.season.bands.iter().enumerate() {
            let bottom = top + BAND_PITCH * count(row) + BAND;
            let path = if upright {
                self.days(&band.on, bottom)
            } else {
                let edge = |index: usize| self.x(columns.get(index).map_or(span, |column| column.0));
                shares(&shares_on(&band.on, &columns), edge, bottom, BAND)
            };
            let _ = writeln!(
                out,
                "<path d=\"M{LEFT} {bottom}H{RIGHT}\" stroke=\"#999\"/>\n<path fill=\"{}\" d=\"{path}\"/>",
                style::band(band.kind)
            );
            let on: i64 = band.on.iter().map(|(from, to)| to.min(&span) - from.max(&0)).sum();
            let label = format!("{} {:.0} %", band.name, 100.0 * real(on) / real(span));
            text(out, (MARGIN, bottom - BAND / 2.0 + 4.0), "start", &label);
        }
    }

    /// The path of a band with each day on end, so that one sees when in the day.
    fn days(&self, on: &[(i64, i64)], bottom: f64) -> String {
        // Gaps shorter than this (s) are too thin to be seen.
        const THIN: i64 = 900;
        let mut pieces: Vec<(i64, i64)> = Vec::new();
        for &(mut from, to) in on {
            while from < to {
                let end = ((from.div_euclid(DAY_S) + 1) * DAY_S).min(to);
                match pieces.last_mut() {
                    Some(last) if from - last.1 < THIN && from % DAY_S != 0 => last.1 = end,
                    _ => pieces.push((from, end)),
                }
                from = end;
            }
        }
        let mut path = String::new();
        for (from, to) in pieces {
            let day = from.div_euclid(DAY_S) * DAY_S;
            let (left, right) = (self.x(day), self.x(day + DAY_S));
            let [low, high] = [from, to].map(|at| bottom - BAND * real(at - day) / real(DAY_S));
            let _ = write!(path, "M{left:.1} {low:.1}V{high:.1}H{right:.1}V{low:.1}Z");
        }
        path
    }

    fn energy(&self, out: &mut String, top: f64) {
        let bottom = top + ENERGY;
        let Frame { days, most, unit, .. } = *self.frame;
        let per = if days == 1 { "day" } else { "week" };
        text(out, (LEFT - 6.0, top - 12.0), "end", unit.name);
        text(out, (LEFT, top - 12.0), "start", &format!("heater energy, {} a {per}", unit.name));
        let y = |wh: f64| bottom - ENERGY * wh / unit.wh / most;
        for Tick { at, label } in &self.frame.energy_ticks {
            let y = y(at * unit.wh);
            let _ = writeln!(out, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"#e2e2e2\"/>");
            text(out, (LEFT - 6.0, y + 4.0), "end", label);
        }
        let energy_of = &self.season.energy;
        let mut labels = Vec::new();
        let mut paths = vec![String::new(); energy_of.sources.len()];
        let bar_s = DAY_S * i64::try_from(days).unwrap_or(1);
        let mut from = 0;
        for bar in energy_of.days.chunks(days) {
            let to = (from + bar_s).min(self.season.span_s);
            let (left, right) = (self.x(from), self.x(to));
            let gap = ((right - left) / 5.0).min(2.0);
            let mut below = 0.0;
            for (source, path) in paths.iter_mut().enumerate() {
                let wh: f64 = bar.iter().filter_map(|day| day.get(source)).sum();
                if wh > 0.0 {
                    let (low, high) = (y(below), y(below + wh));
                    let _ = write!(path, "M{left:.1} {low:.1}V{high:.1}H{:.1}V{low:.1}Z", right - gap);
                    below += wh;
                }
            }
            from += bar_s;
        }
        for (source, (name, path)) in energy_of.sources.iter().zip(paths).enumerate() {
            let colour = style::source(source);
            let _ = writeln!(out, "<path fill=\"{colour}\" stroke=\"#fff\" stroke-width=\"0.5\" d=\"{path}\"/>");
            let total = energy_of.days.iter().filter_map(|day| day.get(source)).sum();
            labels.push((colour, format!("{name} {}", energy(total))));
        }
        // The topmost source first, as in the bars.
        for (row, (colour, label)) in labels.iter().rev().enumerate() {
            let y = top + 8.0 + LEADING * count(row);
            let _ = writeln!(
                out,
                "<rect x=\"{MARGIN}\" y=\"{:.1}\" width=\"10\" height=\"10\" fill=\"{colour}\"/>",
                y - 6.0
            );
            text(out, (MARGIN + 16.0, y + 3.0), "start", label);
        }
        let _ = writeln!(out, "<path d=\"M{LEFT} {bottom}H{RIGHT}\" stroke=\"#444\"/>");
    }
}

/// Lines with their styles, in the order in which they are drawn: what decides last, on top.
pub(super) fn styled(lines: &[Line]) -> Vec<(&Line, LineStyle)> {
    use super::LineKind::{CellReading, ColdestCell, Outside, Plate};
    let mut out = Vec::new();
    for kind in [Outside, Plate, CellReading, ColdestCell] {
        let of_kind = lines.iter().filter(|line| line.kind == kind);
        out.extend(of_kind.enumerate().map(|(rank, line)| (line, style::line(kind, rank))));
    }
    out
}

/// Lowest and highest of a bin (°C), if there are any.
pub(super) fn known((low, high): (f32, f32)) -> Option<(f64, f64)> {
    // No room is left on an axis that reaches to infinity.
    (low <= high && low.is_finite() && high.is_finite()).then(|| (f64::from(low), f64::from(high)))
}

/// Pairs of thresholds with a hysteresis between.
pub(super) fn hystereses(levels: &[Level]) -> Vec<(f64, f64)> {
    let at = |kind| levels.iter().find(|level| level.kind == kind).map(|level| level.at_c);
    let pairs = [(LevelKind::Inhibit, LevelKind::Release), (LevelKind::HighRelease, LevelKind::HighLimit)];
    pairs.into_iter().filter_map(|(a, b)| at(a).zip(at(b))).collect()
}

/// Columns of a dot on an axis.
#[expect(clippy::cast_possible_truncation, reason = "a few hundred")]
const COLUMNS: i64 = (RIGHT - LEFT) as i64;

/// Lowest and highest of a line in the bins that touch a stretch.
fn extremes(line: &Line, (from, to): (i64, i64)) -> Option<(f64, f64)> {
    let bin = line.bin_s.max(1);
    let index = |at: i64| usize::try_from(at).unwrap_or(0).min(line.ranges.len());
    let bins = line.ranges.get(index(from / bin)..index((to - 1) / bin + 1))?;
    let ranges = bins.iter().filter_map(|range| known(*range));
    ranges.reduce(|(low, high), range| (low.min(range.0), high.max(range.1)))
}

/// The share of each column's time in which something was on.
fn shares_on(on: &[(i64, i64)], columns: &[(i64, i64)]) -> Vec<f64> {
    let mut spans = on.iter().copied().peekable();
    let share = |&(start, end): &(i64, i64)| {
        let mut time = 0;
        while let Some(&(from, to)) = spans.peek() {
            time += (to.min(end) - from.max(start)).max(0);
            if to > end {
                break;
            }
            spans.next();
        }
        real(time) / real(end - start)
    };
    columns.iter().map(share).collect()
}

/// Moves labels apart that would lie on one another; the order by height stays.
fn spread(labels: &mut [(f64, String)]) {
    labels.sort_by(|a, b| a.0.total_cmp(&b.0));
    for _ in 0..labels.len() {
        for rank in 1..labels.len() {
            let overlap = LEADING - 2.0 - (labels[rank].0 - labels[rank - 1].0);
            if overlap > 0.0 {
                labels[rank - 1].0 -= overlap / 2.0;
                labels[rank].0 += overlap / 2.0;
            }
        }
    }
}

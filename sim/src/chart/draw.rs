//! A season as SVG that needs nothing else: for print, and for readers without scripts.

use super::axis::{self, Tick};
use super::style::{self, LineStyle, Stroke};
use super::svg::{area, escaped, polyline, shares, text};
use super::{Amount, DAY_S, Level, LevelKind, Line, Measure, Season, Stretch, aligned, source_names};
use jiff::civil::Time;
use std::fmt::Write;

/// Width of the drawing and left and right end of its axes, in SVG units.
const WIDTH: f64 = 900.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 746.0;
/// Height of the temperature panel.
const TALL: f64 = 290.0;
/// Height of a band and distance from one to the next.
const BAND: f64 = 24.0;
const BAND_PITCH: f64 = 32.0;
/// Height of the panels for the state of charge and for amounts.
const CHARGE: f64 = 56.0;
const AMOUNT: f64 = 96.0;
/// Height of a caption above a panel, with the room above it.
const CAPTION: f64 = 34.0;
/// Distance between lines of text.
const LEADING: f64 = 16.0;
/// Text to the right of the axes starts here.
const MARGIN: f64 = RIGHT + 8.0;
/// A day narrower than this becomes one column. If a day is narrower than `NARROWEST_DAY`, a week does.
const NARROW_DAY: f64 = 8.0;
const NARROWEST_DAY: f64 = 1.5;
/// Amounts of days narrower than this join into weeks.
const NARROWEST_BAR: f64 = 12.0;

/// The parts that several drawings share, so that a reader can compare them.
struct Frame {
    /// Length of the time axis (s).
    length_s: i64,
    column: Column,
    /// The temperature axis.
    low: f64,
    high: f64,
    ticks: Vec<Tick<f64>>,
    /// Number of days in a bar.
    days: usize,
    /// The axes of what adds up.
    amounts: Vec<Scale>,
    /// Names of the sources in the order of their colours.
    sources: Vec<String>,
}

/// The axis of an amount: its top and its ticks, in its unit.
struct Scale {
    what: String,
    most: f64,
    ticks: Vec<Tick<f64>>,
    unit: Unit,
}

/// How temperatures and bands are gathered into columns.
#[derive(Clone, Copy)]
enum Column {
    /// One dot, one unit wide; or one bin, if bins are wider.
    Dot,
    /// Whole days from second 0 on.
    Days(i64),
}

impl Column {
    /// Start and end of each column of a season (s), in order. Dots are those of an axis of `length_s`.
    fn edges(self, span: i64, length_s: i64) -> Vec<(i64, i64)> {
        let wide = match self {
            // At least a second: a season counts in seconds.
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

/// A unit of energy or of charge, and its size in the measure.
#[derive(Clone, Copy)]
struct Unit {
    name: &'static str,
    size: f64,
}

/// The unit in which values up to `most` are easiest to read.
const fn unit(measure: Measure, most: f64) -> Unit {
    match measure {
        Measure::WattHours if most < 5000.0 => Unit { name: "Wh", size: 1.0 },
        Measure::WattHours => Unit { name: "kWh", size: 1000.0 },
        Measure::AmpereHours => Unit { name: "Ah", size: 1.0 },
    }
}

/// A number with a minus sign in place of the hyphen.
fn minus(number: &str) -> String {
    number.replace('-', "−")
}

/// A sum for a person to read.
fn sum(measure: Measure, value: f64) -> String {
    if measure == Measure::AmpereHours {
        return format!("{value:.0} Ah");
    }
    let wh = value;
    match value / 1000.0 {
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
        let lines = seasons.iter().flat_map(|season| &season.lines);
        let ranges = lines.flat_map(|line| line.ranges.iter().chain(&line.doubtful));
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
        let mut amounts: Vec<Scale> = Vec::new();
        for amount in seasons.iter().flat_map(|season| &season.amounts) {
            if amounts.iter().any(|scale| scale.what == amount.what) {
                continue;
            }
            let alike = seasons.iter().flat_map(|season| &season.amounts).filter(|other| other.what == amount.what);
            let most = alike.flat_map(|amount| bars(amount, days)).map(|bar| bar.iter().sum()).fold(0.0, f64::max);
            let unit = unit(amount.measure, most);
            let (_, most, ticks) = axis::values(0.0, most / unit.size, 3.0);
            amounts.push(Scale { what: amount.what.clone(), most, ticks, unit });
        }
        let sources = source_names(seasons).into_iter().map(str::to_owned).collect();
        Self { length_s, column, low, high, ticks, days, amounts, sources }
    }

    fn x(&self, at: i64) -> f64 {
        LEFT + (RIGHT - LEFT) * (real(at) / real(self.length_s)).clamp(0.0, 1.0)
    }
}

/// The amount of each part in each bar of `days` days.
fn bars(amount: &Amount, days: usize) -> Vec<Vec<f64>> {
    let count = amount.series.iter().map(|series| series.days.len()).max().unwrap_or(0).div_ceil(days);
    let of = |bar: usize| {
        let within = move |list: &[f64]| list.iter().skip(bar * days).take(days).sum();
        amount.series.iter().map(|series| within(&series.days)).collect()
    };
    (0..count).map(of).collect()
}

/// Whether the picture shows a threshold beside temperatures between `low` and `high`. It always shows those of cold
/// charge, and others only when the temperatures come near.
fn shown(level: &Level, (low, high): (f64, f64)) -> bool {
    matches!(level.kind, LevelKind::Inhibit | LevelKind::Release) || (low - 5.0..=high + 5.0).contains(&level.at_c)
}

/// The season as an SVG document, 900 units wide: temperatures, what was on, the state of charge, and what adds up.
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

/// A place on the time axis, and the places of the highest and the lowest value there.
type Reach = (f64, f64, f64);

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
        let bands = top + TALL + CAPTION;
        let charge = bands + BAND_PITCH * count(self.season.bands.len()) + CAPTION - 14.0;
        let amounts = charge + self.season.charge.as_ref().map_or(0.0, |_| CHARGE + CAPTION);
        let floor = amounts + (AMOUNT + CAPTION) * count(self.season.amounts.len()) - CAPTION;
        self.pauses(&mut body, top, floor);
        self.times(&mut body, top, floor);
        self.temperatures(&mut body, top);
        self.bands(&mut body, bands);
        if let Some(line) = &self.season.charge {
            self.charge(&mut body, line, charge);
        }
        for (rank, amount) in self.season.amounts.iter().enumerate() {
            self.amount(&mut body, amount, amounts + (AMOUNT + CAPTION) * count(rank));
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

    /// The meaning of the lines, in as many rows as necessary. Returns the place of the last row.
    fn legend(&self, out: &mut String) -> f64 {
        let (mut x, mut y) = (LEFT, 46.0);
        for (line, LineStyle { stroke, width, fill }) in styled(&self.season.lines) {
            // The average width of a letter, with some reserve.
            let wide = 46.0 + 6.6 * count(line.name.chars().count());
            if x > LEFT && x + wide > WIDTH {
                (x, y) = (LEFT, y + LEADING);
            }
            let Stroke { colour, dashes } = stroke;
            let (top, middle, thick) = (y - 10.0, y - 4.0, width + 0.6);
            // It looks like an area from afar, and like a line from close by.
            let _ = writeln!(
                out,
                "<rect x=\"{x:.0}\" y=\"{top}\" width=\"24\" height=\"12\" fill=\"{colour}\" fill-opacity=\"{fill}\"/>\n\
                 <path d=\"M{x:.0} {middle}h24\" stroke=\"{colour}\" stroke-width=\"{thick:.1}\" stroke-dasharray=\"{dashes}\"/>"
            );
            text(out, (x + 30.0, y), "start", &line.name);
            x += wide;
        }
        if self.season.lines.iter().any(|line| !line.doubtful.is_empty()) {
            y += LEADING;
            text(out, (LEFT, y), "start", "pale: measured, and not believed");
        }
        y
    }

    /// Stretches without any data.
    fn pauses(&self, out: &mut String, top: f64, floor: f64) {
        for &(from, to) in &self.season.pauses {
            let (left, right) = (self.x(from), self.x(to));
            let (wide, tall) = (right - left, floor - top);
            let _ = writeln!(
                out,
                "<rect x=\"{left:.1}\" y=\"{top}\" width=\"{wide:.1}\" height=\"{tall}\" fill=\"{}\"/>",
                style::PAUSE
            );
        }
    }

    fn times(&self, out: &mut String, top: f64, floor: f64) {
        let length_ms = self.frame.length_s.saturating_mul(1000);
        let clock = &self.season.clock;
        let (ticks, caption) = if let Some(start) = clock.start {
            let from = start.saturating_sub(jiff::SignedDuration::from_secs(self.offset));
            let zone = clock.zone.as_ref().map_or("local standard time".to_owned(), |zone| format!("UTC{zone}"));
            let from_when = start.strftime("%Y-%m-%d %H:%M");
            (axis::dates(from, length_ms), format!("date and time, {zone}, from {from_when}"))
        } else {
            let (ticks, unit) = axis::elapsed(length_ms);
            (ticks, format!("time since the start, {unit}"))
        };
        for Tick { at, label } in ticks {
            let x = self.frame.x(at / 1000);
            let _ = writeln!(out, "<path d=\"M{x:.1} {top}V{floor}\" stroke=\"#e2e2e2\"/>");
            text(out, (x, floor + 17.0), "middle", &label);
        }
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
            self.doubtful(out, line, style, &y);
            self.line(out, line, style, &y);
        }
        // Lighter where dark areas would hide it.
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

    /// The places of the lowest and the highest value of each column, if it has any, and whether the columns are the
    /// line's own bins.
    fn points(&self, line: &Line, ranges: &[(f32, f32)], y: &dyn Fn(f64) -> f64) -> (Vec<Option<Reach>>, bool) {
        let mut columns = self.frame.column.edges(self.season.span_s, self.frame.length_s);
        let apart = columns.first().is_some_and(|(from, to)| line.bin_s >= 2 * (to - from));
        if apart {
            let bins = (0..i64::try_from(ranges.len()).unwrap_or(0)).map(|index| index * line.bin_s);
            columns = bins.map(|from| (from, (from + line.bin_s).min(self.season.span_s))).collect();
        }
        let point = |column: (i64, i64)| {
            let (low, high) = extremes(line.bin_s, ranges, column)?;
            Some((self.x(i64::midpoint(column.0, column.1)), y(high), y(low)))
        };
        (columns.into_iter().map(point).collect(), apart)
    }

    /// Values that were measured and not believed: an outline, far paler than the others.
    fn doubtful(&self, out: &mut String, line: &Line, style: LineStyle, y: &dyn Fn(f64) -> f64) {
        let (points, _) = self.points(line, &line.doubtful, y);
        for piece in points.chunk_by(|a, b| a.is_some() == b.is_some()) {
            let piece: Vec<(f64, f64, f64)> = piece.iter().copied().flatten().collect();
            if !piece.is_empty() {
                let Stroke { colour, dashes } = style.stroke;
                let path = area(&piece);
                let _ = writeln!(
                    out,
                    "<path class=\"doubtful\" fill=\"none\" stroke=\"{colour}\" stroke-opacity=\"0.4\" \
                     stroke-dasharray=\"{dashes}\" stroke-linejoin=\"round\" d=\"{path}\"/>"
                );
            }
        }
    }

    /// The area between lowest and highest, in pieces if some bins are empty. Where bins are wide enough to tell apart,
    /// also the line midway.
    fn line(
        &self,
        out: &mut String,
        line: &Line,
        LineStyle { stroke, width, fill }: LineStyle,
        y: &dyn Fn(f64) -> f64,
    ) {
        let Stroke { colour, dashes } = stroke;
        let (points, apart) = self.points(line, &line.ranges, y);
        let (fill, outline) = if apart { (fill * 0.6, "none") } else { (fill, colour) };
        for piece in points.chunk_by(|a, b| a.is_some() == b.is_some()) {
            let piece: Vec<(f64, f64, f64)> = piece.iter().copied().flatten().collect();
            if piece.is_empty() {
                continue;
            }
            // Thick enough to be visible.
            let _ = writeln!(
                out,
                "<path fill=\"{colour}\" fill-opacity=\"{fill}\" stroke=\"{outline}\" stroke-width=\"0.8\" \
                 stroke-dasharray=\"{dashes}\" stroke-linejoin=\"round\" d=\"{}\"/>",
                area(&piece)
            );
            if apart && width > 0.0 {
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
        let from_midnight = self.season.clock.start.is_some_and(|start| start.time() == Time::midnight());
        let upright = matches!(self.frame.column, Column::Days(1)) && from_midnight;
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
                style::band(band, &self.frame.sources)
            );
            let on: i64 = band.on.iter().map(|stretch| stretch.on).sum();
            let known = span - self.season.pauses.iter().map(|(from, to)| to - from).sum::<i64>();
            let label = format!("{} {:.0} %", band.name, 100.0 * real(on) / real(known.max(1)));
            text(out, (MARGIN, bottom - BAND / 2.0 + 4.0), "start", &label);
        }
    }

    /// The path of a band with each day on end, so that a reader sees the time of day.
    fn days(&self, on: &[Stretch], bottom: f64) -> String {
        // Shorter gaps (s) are too thin to be visible.
        const THIN: i64 = 900;
        let mut pieces: Vec<(i64, i64)> = Vec::new();
        for &Stretch { mut from, to, .. } in on {
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

    fn charge(&self, out: &mut String, line: &Line, top: f64) {
        let bottom = top + CHARGE;
        let y = |percent: f64| bottom - CHARGE * percent / 100.0;
        text(out, (LEFT - 6.0, top - 12.0), "end", "%");
        text(out, (LEFT, top - 12.0), "start", "state of charge");
        for percent in [0.0, 50.0, 100.0] {
            let y = y(percent);
            let _ = writeln!(out, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"#e2e2e2\"/>");
            text(out, (LEFT - 6.0, y + 4.0), "end", &format!("{percent:.0}"));
        }
        self.line(out, line, style::line(line.kind, 0), &y);
        let _ = writeln!(out, "<path d=\"M{LEFT} {bottom}H{RIGHT}\" stroke=\"#444\"/>");
    }

    fn amount(&self, out: &mut String, amount: &Amount, top: f64) {
        let bottom = top + AMOUNT;
        let Frame { days, amounts, sources, .. } = self.frame;
        let Some(Scale { most, ticks, unit, .. }) = amounts.iter().find(|scale| scale.what == amount.what) else {
            return;
        };
        let per = if *days == 1 { "day" } else { "week" };
        text(out, (LEFT - 6.0, top - 12.0), "end", unit.name);
        text(out, (LEFT, top - 12.0), "start", &format!("{}, {} a {per}", amount.what, unit.name));
        let y = |value: f64| bottom - AMOUNT * value / unit.size / most;
        for Tick { at, label } in ticks {
            let y = y(at * unit.size);
            let _ = writeln!(out, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"#e2e2e2\"/>");
            text(out, (LEFT - 6.0, y + 4.0), "end", label);
        }
        let mut paths = vec![String::new(); amount.series.len()];
        let bar_s = DAY_S * i64::try_from(*days).unwrap_or(1);
        let mut from = 0;
        for bar in bars(amount, *days) {
            let to = (from + bar_s).min(self.season.span_s);
            let (left, right) = (self.x(from), self.x(to));
            let gap = ((right - left) / 5.0).min(2.0);
            let mut below = 0.0;
            for (value, path) in bar.into_iter().zip(&mut paths) {
                if value > 0.0 {
                    let (low, high) = (y(below), y(below + value));
                    let _ = write!(path, "M{left:.1} {low:.1}V{high:.1}H{:.1}V{low:.1}Z", right - gap);
                    below += value;
                }
            }
            from += bar_s;
        }
        let mut labels = Vec::new();
        for (series, path) in amount.series.iter().zip(paths) {
            let colour = style::series(series, sources);
            let _ = writeln!(out, "<path fill=\"{colour}\" stroke=\"#fff\" stroke-width=\"0.5\" d=\"{path}\"/>");
            labels.push((colour, format!("{} {}", series.name, sum(amount.measure, series.days.iter().sum()))));
        }
        // The topmost first, as in the bars.
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

/// Lines with their styles, in drawing order: those that decide come last, on top.
pub(super) fn styled(lines: &[Line]) -> Vec<(&Line, LineStyle)> {
    use super::LineKind::{CellReading, Charge, ColdestCell, Outside, Plate, Trials};
    let mut out = Vec::new();
    for kind in [Outside, Plate, Trials, CellReading, ColdestCell, Charge] {
        let of_kind = lines.iter().filter(|line| line.kind == kind);
        out.extend(of_kind.enumerate().map(|(rank, line)| (line, style::line(kind, rank))));
    }
    out
}

/// Lowest and highest value of a bin (°C), if it has any.
pub(super) fn known((low, high): (f32, f32)) -> Option<(f64, f64)> {
    // An axis that reaches to infinity has no room left.
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

/// Lowest and highest value in the bins that touch a stretch.
fn extremes(bin_s: i64, ranges: &[(f32, f32)], (from, to): (i64, i64)) -> Option<(f64, f64)> {
    let bin = bin_s.max(1);
    let index = |at: i64| usize::try_from(at).unwrap_or(0).min(ranges.len());
    let bins = ranges.get(index(from / bin)..index((to - 1) / bin + 1))?;
    let ranges = bins.iter().filter_map(|range| known(*range));
    ranges.reduce(|(low, high), range| (low.min(range.0), high.max(range.1)))
}

/// The share of each column's time in which something was on.
fn shares_on(on: &[Stretch], columns: &[(i64, i64)]) -> Vec<f64> {
    let mut spans = on.iter().peekable();
    let share = |&(start, end): &(i64, i64)| {
        let mut time = 0.0;
        while let Some(Stretch { from, to, on, .. }) = spans.peek().copied() {
            let within = (to.min(&end) - from.max(&start)).max(0);
            time += real(within) * real(*on) / real((to - from).max(1));
            if *to > end {
                break;
            }
            spans.next();
        }
        time / real(end - start)
    };
    columns.iter().map(share).collect()
}

/// Moves overlapping labels apart and keeps their order by height.
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

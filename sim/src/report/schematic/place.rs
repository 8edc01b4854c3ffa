//! Where everything stands.

use super::symbols::{self, Shape};
use crate::report::circuit::{Circuit, Look, Path, Sheet, Stop};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Width of a page, and where its boxes at both ends meet the paths (mm).
pub(super) const WIDTH: f64 = 186.0;
pub(super) const LEFT: f64 = 36.0;
pub(super) const RIGHT: f64 = 146.0;
/// Most height of a page (mm): A4 without its margins, a heading and notes.
const MOST_HIGH: f64 = 215.0;

/// Size of letters (mm): capitals are 2.2 mm high.
pub(super) const LETTER: f64 = 3.05;
/// Width of a letter of a typewriter's font (mm), and the distance of two lines.
pub(super) const WIDE: f64 = 0.605 * LETTER;
pub(super) const LINE: f64 = 3.6;
/// How far letters reach above and below their line (mm).
const ASCENT: f64 = 2.4;
const DESCENT: f64 = 0.7;

/// Least distance of two paths, and of two boxes (mm).
const PITCH: f64 = 5.6;
const APART: f64 = 3.5;
/// From the ends of a box to its first and last path (mm).
const EDGE: f64 = 3.4;
/// Between the leads at both ends of an element (mm).
const ELEMENT: f64 = 11.0;

/// A rectangle: left, top, right, bottom (mm).
pub(super) type Area = [f64; 4];

/// A page.
#[derive(Clone, Debug, Default)]
pub(super) struct Page {
    pub(super) high: f64,
    pub(super) symbols: Vec<Symbol>,
    pub(super) labels: Vec<Label>,
    pub(super) wires: Vec<Wire>,
    pub(super) terminals: Vec<Terminal>,
}

/// A symbol.
#[derive(Clone, Debug)]
pub(super) struct Symbol {
    pub(super) look: Look,
    pub(super) area: Area,
    /// Heights of its paths, and which end of it each belongs to.
    pub(super) at: Vec<(f64, String)>,
}

/// A line of text.
#[derive(Clone, Debug)]
pub(super) struct Label {
    pub(super) text: String,
    pub(super) anchor: Anchor,
    pub(super) at: (f64, f64),
    /// Whether it names a part.
    pub(super) is_strong: bool,
}

/// Which part of a label is at its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

impl Label {
    pub(super) fn area(&self) -> Area {
        let wide = cells(&self.text) * WIDE;
        let (x, y) = self.at;
        let left = match self.anchor {
            Anchor::Start => x,
            Anchor::Middle => x - wide / 2.0,
            Anchor::End => x - wide,
        };
        [left, y - ASCENT, left + wide, y + DESCENT]
    }
}

/// A conductor.
#[derive(Clone, Debug)]
pub(super) struct Wire {
    pub(super) number: usize,
    pub(super) from: (f64, f64),
    pub(super) to: (f64, f64),
}

/// Where a conductor ends.
#[derive(Clone, Debug)]
pub(super) struct Terminal {
    /// `F1:2`
    pub(super) name: String,
    pub(super) at: (f64, f64),
}

/// How wide a text is, in letters of a typewriter.
#[expect(clippy::cast_precision_loss, reason = "a line of text")]
fn cells(text: &str) -> f64 {
    text.width() as f64
}

/// `text` in lines of at most so many letters, broken at blanks, and within a word that is longer.
fn wrapped(text: &str, most: usize) -> Vec<String> {
    let most = most.max(4);
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.width() + 1 + word.width() <= most => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
        while let Some(long) = lines.pop_if(|line| line.width() > most) {
            let mut wide = 0;
            let cut = long.char_indices().find(|(_, letter)| {
                wide += letter.width().unwrap_or(0);
                wide > most
            });
            let (head, rest) = long.split_at(cut.map_or(long.len(), |(at, _)| at));
            lines.push(head.to_owned());
            lines.push(rest.to_owned());
        }
    }
    lines
}

/// How many letters fit into so much (mm).
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a page is 186 mm wide")]
fn letters(wide: f64) -> usize {
    (wide / WIDE).max(0.0) as usize
}

/// The pages of a sheet.
pub(super) fn pages(circuit: &Circuit, sheet: &Sheet) -> Vec<Page> {
    let mut pages = Vec::new();
    let mut kept: Vec<&Path> = Vec::new();
    for group in sheet.paths.chunk_by(|a, b| a.group == b.group) {
        let tried: Vec<&Path> = kept.iter().copied().chain(group).collect();
        if !kept.is_empty() && page(circuit, &tried).high > MOST_HIGH {
            pages.push(page(circuit, &kept));
            kept = group.iter().collect();
        } else {
            kept = tried;
        }
    }
    if !kept.is_empty() {
        pages.push(page(circuit, &kept));
    }
    pages
}

/// A box at one end of paths that follow each other.
struct Box {
    part: usize,
    look: Look,
    first: usize,
    last: usize,
    title: Vec<String>,
}

/// The boxes at one end.
fn boxes(circuit: &Circuit, paths: &[&Path], wide: f64, end: impl Fn(&Path) -> Option<&Stop>) -> Vec<Box> {
    let mut all: Vec<Box> = Vec::new();
    for (index, path) in paths.iter().enumerate() {
        let Some(stop) = end(path) else { continue };
        if stop.look == Look::Terminal {
            continue;
        }
        match all.last_mut() {
            Some(before) if before.part == stop.part && before.look == stop.look && before.last + 1 == index => {
                before.last = index;
            }
            _ => {
                let part = &circuit.parts[stop.part];
                let mut title = vec![part.tag.clone()];
                title.extend(wrapped(&part.what, letters(wide - 3.0)));
                all.push(Box { part: stop.part, look: stop.look, first: index, last: index, title });
            }
        }
    }
    all
}

impl Box {
    /// What it needs above its first path.
    fn above(&self) -> f64 {
        let cells = if self.look == Look::Battery { symbols::CELLS_HIGH } else { 0.0 };
        // The first lead of what has no box has its name above it.
        let name = if matches!(self.look, Look::Block | Look::Battery) { 0.0 } else { 1.2 };
        EDGE + cells + name + lines_high(self.title.len())
    }
}

#[expect(clippy::cast_precision_loss, reason = "a few lines")]
fn lines_high(count: usize) -> f64 {
    count as f64 * LINE
}

fn last(path: &Path) -> Option<&Stop> {
    path.runs.last().map(|(_, stop)| stop)
}

/// Everything of some paths.
fn page(circuit: &Circuit, paths: &[&Path]) -> Page {
    let sides = [boxes(circuit, paths, LEFT, |path| Some(&path.from)), boxes(circuit, paths, WIDTH - RIGHT, last)];
    let rows: Vec<Row<'_>> = paths.iter().map(|path| Row::of(path)).collect();
    let heights = heights(paths, &rows, &sides);
    let mut page = Page::default();
    for ((path, row), &y) in paths.iter().zip(&rows).zip(&heights) {
        page.add_row(circuit, path, row, y);
    }
    for (boxes, is_left) in sides.iter().zip([true, false]) {
        for one in boxes {
            page.add_box(circuit, paths, &heights, one, is_left);
        }
    }
    let lowest = page.symbols.iter().map(|symbol| symbol.area[3]);
    let lowest = lowest.chain(page.labels.iter().map(|label| label.area()[3]));
    page.high = lowest.fold(0.0, f64::max) + 1.0;
    page
}

/// The height of each path.
fn heights(paths: &[&Path], rows: &[Row<'_>], sides: &[Vec<Box>; 2]) -> Vec<f64> {
    let mut heights: Vec<f64> = Vec::new();
    // Where what stands between the ends reaches down to.
    let mut reached = 0.0_f64;
    for (index, (path, row)) in paths.iter().zip(rows).enumerate() {
        let mut y = reached + row.above;
        if let Some(before) = heights.last() {
            let spread = match (last(paths[index - 1]), last(path)) {
                (Some(a), Some(b)) if a.part == b.part && matches!(b.look, Look::Element | Look::Fixed) => {
                    if ends(a, b) { ELEMENT } else { PITCH }
                }
                _ => PITCH,
            };
            y = y.max(before + spread);
        }
        for boxes in sides {
            let Some(nth) = boxes.iter().position(|one| one.first == index) else { continue };
            let below = nth.checked_sub(1).map_or(0.5, |before| heights[boxes[before].last] + EDGE + APART);
            // A terminal alone may stand between two boxes.
            let below = heights.last().map_or(below, |before| below.max(before + APART));
            y = y.max(below + boxes[nth].above());
        }
        heights.push(y);
        reached = y + row.below;
    }
    heights
}

/// Whether two leads of one part are at different ends of it.
fn ends(a: &Stop, b: &Stop) -> bool {
    a.enters.chars().next() != b.enters.chars().next()
}

/// What stands between the ends of a path.
struct Row<'c> {
    stops: Vec<(&'c Stop, Shape, Vec<String>)>,
    slot: f64,
    above: f64,
    below: f64,
}

impl<'c> Row<'c> {
    fn of(path: &'c Path) -> Self {
        let inner = path.runs.len().saturating_sub(1);
        #[expect(clippy::cast_precision_loss, reason = "a few parts")]
        let slot = (RIGHT - LEFT) / inner.max(1) as f64;
        let stops: Vec<_> = path
            .runs
            .iter()
            .take(inner)
            .map(|(_, stop)| {
                let label = stop.label.iter().flat_map(|text| wrapped(text, letters(slot - WIDE))).collect::<Vec<_>>();
                (stop, symbols::shape(stop.look), label)
            })
            .collect();
        let above = stops.iter().map(|(_, shape, _)| shape.above + LINE + 0.6).fold(LINE + 0.6, f64::max);
        let below =
            stops.iter().map(|(_, shape, label)| shape.below + lines_high(label.len()) + 0.8).fold(1.2, f64::max);
        Self { stops, slot, above, below }
    }
}

impl Page {
    fn write(&mut self, at: (f64, f64), anchor: Anchor, text: impl Into<String>, is_strong: bool) {
        self.labels.push(Label { text: text.into(), anchor, at, is_strong });
    }

    fn end(&mut self, name: String, at: (f64, f64)) {
        self.terminals.push(Terminal { name, at });
    }

    /// What stands on a path, and its conductors.
    fn add_row(&mut self, circuit: &Circuit, path: &Path, row: &Row<'_>, y: f64) {
        let mut from = (LEFT, y);
        self.end(circuit.terminal(path.from.part, &path.from.leaves), from);
        let mut x = LEFT + row.slot / 2.0;
        let mut numbers = path.runs.iter().map(|(conductor, _)| conductor.number);
        for (stop, shape, label) in &row.stops {
            let [left, right] = [x - symbols::HALF, x + symbols::HALF];
            self.join(numbers.next(), from, (left, y));
            self.end(circuit.terminal(stop.part, &stop.enters), (left, y));
            self.end(circuit.terminal(stop.part, &stop.leaves), (right, y));
            let area = [left, y - shape.above, right, y + shape.below];
            self.symbols.push(Symbol { look: stop.look, area, at: vec![(y, String::new())] });
            self.write((x, y - shape.above - DESCENT - 0.2), Anchor::Middle, &circuit.parts[stop.part].tag, true);
            let mut below = y + shape.below;
            for line in label {
                below += LINE;
                self.write((x, below - DESCENT), Anchor::Middle, line, false);
            }
            from = (right, y);
            x += row.slot;
        }
        self.join(numbers.next(), from, (RIGHT, y));
        if let Some(stop) = last(path) {
            self.end(circuit.terminal(stop.part, &stop.enters), (RIGHT, y));
            if stop.look == Look::Terminal {
                let name = circuit.terminal(stop.part, &stop.enters);
                self.write((RIGHT + 1.8, y + 1.0), Anchor::Start, name, true);
            }
        }
        if path.from.look == Look::Terminal {
            let name = circuit.terminal(path.from.part, &path.from.leaves);
            self.write((LEFT - 1.8, y + 1.0), Anchor::End, name, true);
        }
    }

    fn join(&mut self, number: Option<usize>, from: (f64, f64), to: (f64, f64)) {
        let Some(number) = number else { return };
        self.wires.push(Wire { number, from, to });
        let middle = f64::midpoint(from.0, to.0);
        self.write((middle, from.1 - DESCENT - 0.4), Anchor::Middle, number.to_string(), false);
    }

    /// A box with its title and its terminals.
    fn add_box(&mut self, circuit: &Circuit, paths: &[&Path], heights: &[f64], one: &Box, is_left: bool) {
        let [left, right] = if is_left { [0.3, LEFT] } else { [RIGHT, WIDTH - 0.3] };
        let top = heights[one.first] - one.above();
        let area = [left, top, right, heights[one.last] + EDGE];
        let stop = |path: &'_ Path| if is_left { Some(path.from.clone()) } else { last(path).cloned() };
        let ends = paths.iter().zip(heights).take(one.last + 1).skip(one.first);
        let at: Vec<(f64, String)> = ends
            .filter_map(|(path, y)| stop(path).map(|stop| (*y, if is_left { stop.leaves } else { stop.enters })))
            .collect();
        let is_box = matches!(one.look, Look::Block | Look::Battery);
        for (y, terminal) in &at {
            match (is_box, is_left) {
                (true, true) => self.write((right - 1.6, y + 1.0), Anchor::End, terminal, false),
                (true, false) => self.write((left + 1.6, y + 1.0), Anchor::Start, terminal, false),
                // Above its lead: the symbol itself is beside it.
                (false, _) => self.write((left + 3.2, y - 0.9), Anchor::Start, terminal, false),
            }
        }
        let mut y = top;
        for (index, line) in one.title.iter().enumerate() {
            y += LINE;
            self.write((left + 1.4, y - DESCENT), Anchor::Start, line, index == 0);
        }
        debug_assert!(circuit.parts.len() > one.part);
        self.symbols.push(Symbol { look: one.look, area, at });
    }
}

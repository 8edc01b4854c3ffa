//! One plane: outlines to scale, fills and isotherms, measures, marks and labels.

use super::levels::Levels;
use super::signs::{INK, Lies, PAD, PLATE, SMALL, balloon, coldest_mark, halo, rect, thermometer_mark};
use super::{IN_PLANE_M, LEADING, SIZE, Warmth, celsius, extent, mm, numbered, real};
use crate::chart::contour::{Lattice, Line};
use crate::chart::labels::{Area, Taken};
use crate::chart::svg::{polyline, text, width};
use crate::plant::section::{Cut, Field, Mark, Outline, Part, Section};
use std::fmt::Write;

/// One plane on the page.
pub(super) struct Drawing<'a> {
    warmth: &'a Warmth,
    plane: &'a Section,
    levels: &'a Levels,
    scale: f64,
    /// The box from outside.
    pub(super) bounds: Area,
    /// Its lower left corner (m).
    corner_m: [f64; 2],
}

impl<'a> Drawing<'a> {
    pub(super) fn new(
        warmth: &'a Warmth,
        plane: &'a Section,
        levels: &'a Levels,
        scale: f64,
        (left, top): (f64, f64),
    ) -> Self {
        let (corner_m, [wide, high]) = extent(plane);
        let bounds = Area { left, top, right: left + wide * scale, bottom: top + high * scale };
        Self { warmth, plane, levels, scale, bounds, corner_m }
    }

    fn at(&self, [sideways, up]: [f64; 2]) -> (f64, f64) {
        (
            self.bounds.left + (sideways - self.corner_m[0]) * self.scale,
            self.bounds.bottom - (up - self.corner_m[1]) * self.scale,
        )
    }

    fn area(&self, outline: &Outline) -> Area {
        let ((left, bottom), (right, top)) = (self.at(outline.from_m), self.at(outline.to_m));
        Area { left, top, right, bottom }
    }

    fn of(&self, part: impl Fn(Part) -> bool) -> impl Iterator<Item = Area> {
        self.plane.outlines.iter().filter(move |outline| part(outline.part)).map(|outline| self.area(outline))
    }

    pub(super) fn draw(&self, out: &mut String) {
        for outline in &self.plane.outlines {
            let (fill, stroke) = match outline.part {
                Part::Walls => ("#e9edf0", "#7d8a93"),
                Part::Floor => ("#dde3e7", "#7d8a93"),
                Part::Inside => ("#fff", "#7d8a93"),
                Part::Pad => (PAD, "none"),
                Part::Plate => (PLATE, "none"),
                Part::Battery(_) => continue,
            };
            rect(out, &self.area(outline), fill, stroke);
        }
        let mut taken = Taken::within(Area {
            left: self.bounds.left - 6.0,
            right: self.bounds.right + 6.0,
            top: self.bounds.top,
            bottom: self.bounds.bottom,
        });
        let lines: Vec<Vec<Line>> = self.levels.at_c.iter().map(|at_c| self.isotherm(*at_c)).collect();
        self.fields(out, &lines);
        for battery in self.of(|part| matches!(part, Part::Battery(_))) {
            rect(out, &battery, "none", INK);
        }
        self.measures(out);
        self.air(out, &mut taken);
        let labels = self.marks(out, &mut taken);
        self.isotherm_labels(out, &lines, &mut taken);
        out.push_str(&labels);
    }

    fn on_page(&self, line: Line) -> Line {
        line.into_iter().map(|(sideways, up)| self.at([sideways, up])).collect()
    }

    /// The lines of one temperature.
    fn isotherm(&self, at_c: f64) -> Vec<Line> {
        self.plane.fields.iter().flat_map(|field| lattice(field).lines(at_c)).map(|line| self.on_page(line)).collect()
    }

    /// Fills from cold to warm, each over the one before, and the lines between.
    fn fields(&self, out: &mut String, lines: &[Vec<Line>]) {
        for field in &self.plane.fields {
            for above in 0..=self.levels.at_c.len() {
                let level_c = match above.checked_sub(1) {
                    Some(index) => self.levels.at_c[index],
                    // All of the battery.
                    None => field.at_c.iter().copied().fold(f64::INFINITY, f64::min) - 1.0,
                };
                let around = lattice(field).around(level_c).into_iter().map(|line| self.on_page(line));
                let path: String = around.map(|line| polyline(line.into_iter()) + "Z").collect();
                if !path.is_empty() {
                    let fill = self.levels.colour(above);
                    let _ = writeln!(out, "<path d=\"{path}\" fill=\"{fill}\" fill-rule=\"evenodd\"/>");
                }
            }
        }
        let path: String = lines.iter().flatten().map(|line| polyline(line.iter().copied())).collect();
        if !path.is_empty() {
            let _ = writeln!(
                out,
                "<path d=\"{path}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"0.9\" stroke-opacity=\"0.8\"/>"
            );
        }
    }

    /// How wide the bank is and, at the first plane, how high.
    fn measures(&self, out: &mut String) {
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for outline in self.plane.outlines.iter().filter(|outline| matches!(outline.part, Part::Battery(_))) {
            for axis in 0..2 {
                low[axis] = low[axis].min(outline.from_m[axis]);
                high[axis] = high[axis].max(outline.to_m[axis]);
            }
        }
        let ((left, bottom), (right, top)) = (self.at(low), self.at(high));
        let y = self.bounds.bottom + 10.0;
        let mut path = format!("M{left:.1} {:.1}v10M{right:.1} {:.1}v10M{left:.1} {y:.1}H{right:.1}", y - 5.0, y - 5.0);
        text(out, (f64::midpoint(left, right), y + 15.0), "middle", &mm(high[0] - low[0]));
        if self.plane.cut == Cut::Across {
            let x = self.bounds.left - 10.0;
            let _ =
                write!(path, "M{:.1} {bottom:.1}h10M{:.1} {top:.1}h10M{x:.1} {bottom:.1}V{top:.1}", x - 5.0, x - 5.0);
            text(out, (x - 4.0, f64::midpoint(top, bottom) + 4.0), "end", &mm(high[1] - low[1]));
        }
        let _ = writeln!(out, "<path d=\"{path}\" fill=\"none\" stroke=\"#5a636b\" stroke-width=\"0.8\"/>");
    }

    /// Temperatures of the air: around the box above its lid; in it where there is room over the batteries, else beside that.
    fn air(&self, out: &mut String, taken: &mut Taken) {
        let Warmth { around, outside_c, air_c, .. } = self.warmth;
        let mut above = format!("{around} {}", celsius(*outside_c));
        let inside = format!("air in the box {}", celsius(*air_c));
        let room =
            self.of(|part| part == Part::Inside).next().zip(self.of(|part| matches!(part, Part::Battery(_))).next());
        let place = room.and_then(|(inside_box, battery)| {
            let wide = width(&inside, SIZE);
            let middle = (f64::midpoint(inside_box.left, inside_box.right), f64::midpoint(inside_box.top, battery.top));
            let place = Area::about(middle, wide, LEADING);
            (place.top > inside_box.top
                && place.bottom + 6.0 < battery.top
                && wide + 8.0 < inside_box.right - inside_box.left)
                .then_some(place)
        });
        match place {
            Some(place) => {
                let (x, y) = place.middle();
                text(out, (x, y + 4.0), "middle", &inside);
                taken.take(place);
            }
            None => above = format!("{above}, {inside}"),
        }
        text(out, (self.bounds.left, self.bounds.top - 6.0), "start", &above);
    }

    /// The coldest place with its temperature and the thermometers with their numbers; returns what belongs over all else.
    fn marks(&self, out: &mut String, taken: &mut Taken) -> String {
        let mut labels = String::new();
        let thermometers: Vec<(usize, &Mark)> = numbered(self.warmth)
            .filter_map(|(number, index)| Some((number, self.plane.thermometers.get(index)?.as_ref()?)))
            .collect();
        let coldest = self.at(self.plane.coldest.at_m);
        taken.take(Area::about(coldest, 13.0, 13.0));
        for (_, mark) in &thermometers {
            taken.take(Area::about(self.at(mark.at_m), 9.0, 9.0));
        }
        let words = format!("coldest {}", celsius(self.warmth.coldest_c));
        let wide = width(&words, SIZE) * 1.08;
        if let Some(place) = taken.beside(coldest, wide, 15.0, 6.0, f64::INFINITY) {
            let (x, y) = place.middle();
            let (y, halo) = (y + 4.0, halo(3.5));
            let _ = writeln!(
                labels,
                "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\" font-weight=\"bold\"{halo}>{words}</text>"
            );
        }
        coldest_mark(&mut labels, coldest, lies(&self.plane.coldest));
        for (number, mark) in thermometers {
            let at = self.at(mark.at_m);
            if let Some(place) = taken.beside(at, 17.0, 17.0, 2.0, f64::INFINITY) {
                let (x, y) = place.middle();
                let _ = writeln!(
                    out,
                    "<path d=\"M{:.1} {:.1}L{x:.1} {y:.1}\" stroke=\"#fff\" stroke-width=\"3\"/>\n\
                     <path d=\"M{:.1} {:.1}L{x:.1} {y:.1}\" stroke=\"{INK}\"/>",
                    at.0, at.1, at.0, at.1
                );
                balloon(&mut labels, (x, y), number);
            }
            thermometer_mark(&mut labels, at, lies(mark));
        }
        labels
    }

    /// Each temperature once, on the line and at the place where it hides least.
    fn isotherm_labels(&self, out: &mut String, lines: &[Vec<Line>], taken: &mut Taken) {
        let batteries: Vec<Area> = self.of(|part| matches!(part, Part::Battery(_))).collect();
        let points: Vec<Vec<(f64, f64)>> = lines.iter().map(|lines| lines.iter().flat_map(dotted).collect()).collect();
        for (index, at_c) in self.levels.at_c.iter().enumerate() {
            let label = self.levels.label(*at_c);
            // With room beside it.
            let (wide, high) = (width(&label, SMALL) + 4.0, 12.0);
            let others = |place: &Area| -> usize {
                let wider = Area { left: place.left - 2.0, right: place.right + 2.0, ..*place };
                let other = points.iter().enumerate().filter(|(other, _)| *other != index);
                other.flat_map(|(_, points)| points).filter(|point| wider.holds_point(**point)).count()
            };
            let places = lines[index].iter().flat_map(|line| {
                let dots = dotted(line);
                let (count, batteries) = (dots.len(), &batteries);
                dots.into_iter().enumerate().filter_map(move |(rank, at)| {
                    let place = Area::about(at, wide, high);
                    let is_in = batteries.iter().any(|battery| battery.holds(&place));
                    // Rather in the middle of a line, and on a long one.
                    let aside = (real(rank) / real(count) - 0.5).abs() + 20.0 / real(count);
                    is_in.then(|| (place, real(others(&place)) + aside))
                })
            });
            let found = taken.cheapest(places.collect::<Vec<_>>().into_iter());
            // Where a line is too near an edge: beside one of its ends.
            let ends = || {
                lines[index]
                    .iter()
                    .max_by_key(|line| line.len())
                    .into_iter()
                    .flat_map(|line| [line[0], line[line.len() - 1]])
            };
            let place = match found {
                Some(place) => Some(place),
                None => ends().find_map(|end| {
                    let place = taken.beside(end, wide, high, 1.0, NEAR)?;
                    let (x, y) = place.middle();
                    let (from_x, from_y) = end;
                    let _ = writeln!(
                        out,
                        "<path d=\"M{from_x:.1} {from_y:.1}L{x:.1} {y:.1}\" stroke=\"{INK}\" stroke-width=\"0.6\"/>"
                    );
                    Some(place)
                }),
            };
            if let Some(place) = place {
                let (x, y) = place.middle();
                let (y, halo) = (y + 4.0, halo(3.0));
                let _ = writeln!(
                    out,
                    "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\" font-size=\"{SMALL}\"{halo}>{label}</text>"
                );
            }
        }
    }
}

/// How far from an end of its line a label may stand.
const NEAR: f64 = 60.0;

fn lies(mark: &Mark) -> Lies {
    if mark.off_m <= IN_PLANE_M { Lies::InPlane } else { Lies::BeforeOrBehind }
}

fn lattice(field: &Field) -> Lattice<'_> {
    Lattice { x: &field.sideways_m, y: &field.up_m, values: &field.at_c }
}

/// Points of a line a few units apart.
fn dotted(line: &Line) -> Vec<(f64, f64)> {
    const APART: f64 = 3.0;
    let mut out: Vec<(f64, f64)> = Vec::new();
    for pair in line.windows(2) {
        let ((x, y), (to_x, to_y)) = (pair[0], pair[1]);
        let pieces = (libm::hypot(to_x - x, to_y - y) / APART).ceil().max(1.0);
        let mut piece = 0.0;
        while piece < pieces {
            out.push((x + (to_x - x) * piece / pieces, y + (to_y - y) * piece / pieces));
            piece += 1.0;
        }
    }
    out
}

//! Whether batteries, plate and pad find room on each other and in the box, and which way each of them lies.
//!
//! Lengths run along the batteries. Widths run in the direction of the row. Plate and row are centred on the floor of
//! the box. The pad is centred on the plate, apart from its shift.

use super::Sections;
use super::table::Key;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::site::{Battery, Site};

/// Sums and products of measures may differ by this much through rounding alone (m).
const SLACK: f64 = 1e-9;

/// The thinnest body that a grid can resolve together with the box, as a part of the box's longest measure. Common
/// practice, no source: cells that grow by a fifth from one to the next span this ratio in some thirty steps.
const FINEST: f64 = 1.0 / 2000.0;

/// Footprint of the row of batteries, with its gaps (m).
pub(super) fn row(battery: &Battery) -> [f64; 2] {
    #[expect(clippy::cast_precision_loss, reason = "8 at most")]
    let count = battery.count as f64;
    [battery.length_m, count * battery.width_m + (count - 1.0) * battery.gap_m]
}

/// What lies flat, each with its length and width (m).
#[derive(Clone, Copy)]
struct Flat {
    plate: [f64; 2],
    pad: [f64; 2],
    inside: [f64; 2],
}

impl Flat {
    const fn of(site: &Site) -> Self {
        Self {
            plate: [site.plate.length_m, site.plate.width_m],
            pad: [site.pad.length_m, site.pad.width_m],
            inside: [site.enclosure.length_m, site.enclosure.width_m],
        }
    }

    /// The same, with plate, pad and box turned by 90° as `turns` says.
    fn turned(self, turns: [bool; 3]) -> Self {
        let turn =
            |[length, width]: [f64; 2], is_turned: bool| if is_turned { [width, length] } else { [length, width] };
        let [plate, pad, inside] = turns;
        Self { plate: turn(self.plate, plate), pad: turn(self.pad, pad), inside: turn(self.inside, inside) }
    }

    /// Whether each thing fits. If the row does not fit on the plate, that is a warning; the others are errors.
    fn fit(&self, row: [f64; 2], shift: [f64; 2]) -> [bool; 5] {
        let on_the_plate = |shift| beyond(self.pad, shift, self.plate) <= SLACK;
        [
            fits(row, self.plate),
            fits(row, self.inside),
            fits(self.plate, self.inside),
            on_the_plate([0.0; 2]),
            on_the_plate(shift),
        ]
    }
}

/// Turns plate, pad and box so that everything fits. Their measures may be written in either order. As much as possible
/// stays as written. No turn may break what fitted before: a plate under the whole row stays so.
pub(super) fn turn(site: &mut Site) {
    /// An error counts for more than a warning.
    const WEIGHTS: [u32; 5] = [1, 2, 2, 2, 2];
    let (row, written) = (row(&site.battery), Flat::of(site));
    let fit = |lie: &Flat| lie.fit(row, site.pad.shift_m);
    let held = fit(&written);
    let weight = |lie: &Flat| fit(lie).iter().zip(WEIGHTS).map(|(fits, weight)| u32::from(*fits) * weight).sum::<u32>();
    // The fewest turns first.
    let turns =
        [0b001, 0b010, 0b100, 0b011, 0b101, 0b110, 0b111_u8].map(|bits| [0, 1, 2].map(|bit| bits >> bit & 1 == 1));
    let lies = turns.map(|turns| written.turned(turns));
    let best = lies
        .iter()
        .filter(|lie| fit(lie).iter().zip(held).all(|(fits, held)| *fits || !held))
        .fold(written, |best, lie| if weight(lie) > weight(&best) { *lie } else { best });
    [site.plate.length_m, site.plate.width_m] = best.plate;
    [site.pad.length_m, site.pad.width_m] = best.pad;
    [site.enclosure.length_m, site.enclosure.width_m] = best.inside;
}

/// Checks whether everything finds room, as far as its measures are known.
pub(super) fn judge(reader: &mut Reader, sections: &Sections, site: &Site) {
    let known = |reader: &Reader, section: &Section, keys: &[Key]| !reader.doubts_any(section, keys);
    let row_keys = [Key::Count, Key::BatteryLength, Key::BatteryWidth, Key::BatteryHeight, Key::Gap];
    let row_known = known(reader, &sections.battery, &row_keys);
    let plate_known =
        row_known && known(reader, &sections.plate, &[Key::PlateLength, Key::PlateWidth, Key::PlateThickness]);
    let pad_known = known(reader, &sections.pad, &[Key::PadLength, Key::PadWidth, Key::PadThickness]);
    let shift_known = known(reader, &sections.pad, &[Key::PadShiftAlong, Key::PadShiftAcross]);
    let box_known = known(reader, &sections.enclosure, &[Key::BoxLength, Key::BoxWidth, Key::BoxHeight]);
    if plate_known && box_known {
        inside(reader, &sections.enclosure, site);
    }
    if plate_known && box_known && pad_known {
        height(reader, &sections.enclosure, site);
    }
    if plate_known {
        under_the_row(reader, &sections.plate, site);
    }
    if plate_known && pad_known && !larger_pad(reader, &sections.pad, site) && shift_known {
        beside_the_plate(reader, &sections.pad, site);
    }
    if row_known && box_known {
        fine(reader, &sections.battery, site);
    }
}

/// Checks whether everything in the box finds room in it. The first thing that does not is enough to report.
fn inside(reader: &mut Reader, section: &Section, site: &Site) {
    let (Flat { plate, inside, .. }, row) = (Flat::of(site), row(&site.battery));
    let things = [("the row of batteries", row), ("the plate", plate)];
    let Some((what, measures)) = things.iter().find(|(_, measures)| !fits(*measures, inside)) else { return };
    let message = format!("box is {} inside, and {what} is {}", area(inside), area(*measures));
    let mut remedy = format!("length_mm and width_mm, inside, of at least {}", area(*measures));
    if site.battery.count > 1 && !fits(row, inside) {
        remedy += "; or fewer batteries, or a smaller gap_mm: they stand side by side across its width";
    }
    let name = if measures[0] > inside[0] + SLACK { "length_mm" } else { "width_mm" };
    let why = Some("they stand in it");
    reader.findings.add(Severity::Error, section.key_span(name).as_ref(), &section.place(name), message, why, remedy);
}

fn height(reader: &mut Reader, section: &Section, site: &Site) {
    let needed = site.battery.height_m + site.plate.thickness_m + site.pad.thickness_m;
    if needed <= site.enclosure.height_m + SLACK {
        return;
    }
    let message = format!(
        "box.height_mm is {} mm, and batteries, plate and pad are {} mm high",
        mm(site.enclosure.height_m),
        mm(needed)
    );
    let remedy = format!("height_mm = {} or more, inside", mm(needed).ceil());
    let why = Some("they stand in it, one on the other");
    let span = section.key_span("height_mm");
    reader.findings.add(Severity::Error, span.as_ref(), "box.height_mm", message, why, remedy);
}

/// Checks whether the plate lies under the whole row.
fn under_the_row(reader: &mut Reader, section: &Section, site: &Site) {
    let (Flat { plate, .. }, row) = (Flat::of(site), row(&site.battery));
    let out = [0, 1].map(|axis| (row[axis] - plate[axis]) / 2.0);
    let places = ["at either end", "on either side"];
    let out: Vec<String> = out
        .iter()
        .zip(places)
        .filter(|(out, _)| **out > SLACK)
        .map(|(out, place)| format!("by {} mm {place}", mm(*out)))
        .collect();
    if out.is_empty() {
        return;
    }
    let message = format!(
        "plate is {}, and the row of batteries is {}: it stands out {}",
        area(plate),
        area(row),
        out.join(" and ")
    );
    let span = section.key_span("length_mm").or(section.key_span("width_mm"));
    let why = Some("what stands beyond the plate is warmed by its neighbours only, and is the coldest");
    let remedy = "a plate under all of them: leave out length_mm and width_mm for one as large as the row";
    reader.findings.add(Severity::Warning, span.as_ref(), "plate.length_mm", message, why, remedy);
}

/// Why a pad must lie on its plate.
const BURNS: &str = "where no plate takes the heat away, a pad burns through";

/// Whether the pad is larger than its plate. If so, reports it.
fn larger_pad(reader: &mut Reader, section: &Section, site: &Site) -> bool {
    let Flat { plate, pad, .. } = Flat::of(site);
    if fits(pad, plate) {
        return false;
    }
    let message = format!("pad is {}, larger than the plate ({})", area(pad), area(plate));
    let span = section.key_span("length_mm");
    let remedy = format!("length_mm and width_mm of a pad of at most {}, or a larger plate", area(plate));
    reader.findings.add(Severity::Error, span.as_ref(), "pad.length_mm", message, Some(BURNS), remedy);
    true
}

/// Checks whether the pad's shift takes it beyond an edge of the plate.
fn beside_the_plate(reader: &mut Reader, section: &Section, site: &Site) {
    const NAMES: [&str; 2] = ["shift_along_mm", "shift_across_mm"];
    let (Flat { plate, pad, .. }, shift) = (Flat::of(site), site.pad.shift_m);
    let beyond = [0, 1].map(|axis| shift[axis].abs() + (pad[axis] - plate[axis]) / 2.0);
    let edges = [0, 1].map(|axis| edge(&site.battery, axis, shift[axis]));
    let out: Vec<usize> = (0..2).filter(|&axis| beyond[axis] > SLACK).collect();
    let Some(&first) = out.first() else { return };
    let how: Vec<String> = out.iter().map(|&axis| format!("by {} mm {}", mm(beyond[axis]), edges[axis])).collect();
    let ways: Vec<String> = out
        .iter()
        .map(|&axis| {
            // Rounds down, so that the remedy itself stays within the edge.
            let room = ((plate[axis] - pad[axis]) / 2.0 * 1e4 + 1e-6).floor() / 10.0;
            if room <= 0.0 { format!("{} = 0", NAMES[axis]) } else { format!("{} from -{room} to {room}", NAMES[axis]) }
        })
        .collect();
    let place = format!("pad.{}", NAMES[first]);
    let message = format!(
        "{place} puts a pad of {} beside its plate of {}: it stands out {}",
        area(pad),
        area(plate),
        how.join(" and ")
    );
    let remedy = format!("{}; or a smaller pad, or a larger plate", ways.join(" and "));
    let span = section.key_span(NAMES[first]);
    reader.findings.add(Severity::Error, span.as_ref(), &place, message, Some(BURNS), remedy);
}

/// An edge of the plate in the direction of a shift, as a fitter sees it.
fn edge(battery: &Battery, axis: usize, shift_m: f64) -> String {
    match (axis, shift_m < 0.0, battery.count) {
        (0, true, _) => "at the end where along_mm is 0".to_owned(),
        (0, false, _) => format!("at the end where along_mm is {}", mm(battery.length_m)),
        (_, true, 1) => "on the side where across_mm is 0".to_owned(),
        (_, false, 1) => format!("on the side where across_mm is {}", mm(battery.width_m)),
        (_, true, _) => "on the side of battery 1".to_owned(),
        (_, false, count) => format!("on the side of battery {count}"),
    }
}

/// Checks whether a grid that spans the box can resolve the gap. By the ranges of their rows, everything else in the
/// box is at least 10 mm, and the box is at most 10 m.
fn fine(reader: &mut Reader, section: &Section, site: &Site) {
    let (gap_m, box_m) = (site.battery.gap_m, &site.enclosure);
    let longest_m = box_m.length_m.max(box_m.width_m).max(box_m.height_m);
    let least_m = longest_m * FINEST;
    if site.battery.count < 2 || gap_m <= 0.0 || gap_m >= least_m - SLACK {
        return;
    }
    let message = format!(
        "battery.gap_mm is {} mm, too fine for the grid: less than 1/2000 of the longest measure of the box ({} mm)",
        (gap_m * 1e6).round() / 1e3,
        mm(longest_m)
    );
    let why = Some("planning and rehearsal divide box and batteries into one grid, and none resolves both");
    let remedy = format!("gap_mm = 0 for batteries that touch, or {} or more", (least_m * 1e5 - 1e-6).ceil() / 100.0);
    let span = section.key_span("gap_mm");
    reader.findings.add(Severity::Error, span.as_ref(), "battery.gap_mm", message, why, remedy);
}

/// Whether a rectangle fits into another, with neither turned.
fn fits(inner: [f64; 2], outer: [f64; 2]) -> bool {
    beyond(inner, [0.0; 2], outer) <= SLACK
}

/// How far a rectangle with a shifted middle stands out of another (m). Below 0, it is the room that remains.
fn beyond(inner: [f64; 2], shift: [f64; 2], outer: [f64; 2]) -> f64 {
    let out = |axis: usize| shift[axis].abs() + (inner[axis] - outer[axis]) / 2.0;
    out(0).max(out(1))
}

/// In millimetres, to a tenth.
pub(super) fn mm(metres: f64) -> f64 {
    (metres * 1e4).round() / 10.0
}

/// `330 x 349 mm`.
fn area([length, width]: [f64; 2]) -> String {
    format!("{} x {} mm", mm(length), mm(width))
}

#[cfg(test)]
mod tests;

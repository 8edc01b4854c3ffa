//! A thermometer at a point of a battery's case. The point must lie on a face of the case.

use super::fit::mm;
use super::table::Key;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::site::Battery;

/// The three coordinates of a point, in the order of a battery's own measures: along it, across it, up.
const KEYS: [Key; 3] = [Key::PointAlong, Key::PointAcross, Key::PointUp];

/// A point this near to a face counts as on it (m). Common practice, no source: nobody places an element on a case more
/// exactly.
pub(super) const ON_A_FACE_M: f64 = 1e-3;

/// Reads the point. `case` is the battery, if its measures are known. The returned point lies on the case, moved there
/// by at most a millimetre; otherwise a fault has been reported.
pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, case: Option<&Battery>) -> [f64; 3] {
    let point = KEYS.map(|key| reader.real(section, key));
    let is_stated = KEYS.iter().all(|key| section.has(key.fact().name));
    let Some(battery) = case.filter(|_| is_stated && !reader.doubts_any(section, &KEYS)) else { return point };
    let case = [battery.length_m, battery.width_m, battery.height_m];
    match nearest(point, case) {
        Ok(on_the_case) => on_the_case,
        Err((fault, on_the_case)) => {
            let place = section.place("at");
            let message = format!(
                "{place} is \"point\", and the point {} mm (along, across, up) is {fault} {} mm",
                measures(point, ", "),
                measures(case, " x ")
            );
            let moved = (0..3).filter(|&axis| (on_the_case[axis] - point[axis]).abs() > ON_A_FACE_M);
            let moved: Vec<String> = moved.map(|axis| face(axis, on_the_case[axis])).collect();
            let remedy = format!("{}, on the nearest face", moved.join(" and "));
            reader.findings.error(section.key_span("at").as_ref(), &place, message, remedy);
            point
        }
    }
}

/// Refuses the coordinates of a point where none is allowed.
pub(super) fn refuse<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) {
    for key in KEYS {
        let name = key.fact().name;
        if section.get(name).is_some() {
            let place = section.place(name);
            let message = format!("{place} goes with at = \"point\" only: every other word says where it is by itself");
            let remedy = format!("at = \"point\", with along_mm, across_mm and up_mm; or leave out {name}");
            reader.findings.error(section.key_span(name).as_ref(), &place, message, remedy);
        }
    }
}

/// The point on the surface of `case` that is nearest to `point`. If it is farther away than [`ON_A_FACE_M`], `Err`
/// with what is wrong and that nearest point.
fn nearest(point: [f64; 3], case: [f64; 3]) -> Result<[f64; 3], (&'static str, [f64; 3])> {
    let mut held = point;
    for (measure, full) in held.iter_mut().zip(case) {
        *measure = measure.clamp(0.0, full);
    }
    let off = held.iter().zip(point).map(|(held, stated)| (held - stated).abs()).fold(0.0, f64::max);
    if off > ON_A_FACE_M + 1e-9 {
        return Err(("in mid-air, outside of the case of", held));
    }
    // A point inside goes to the nearest face. Of two equally near, the first one counts.
    let to_faces = (0..3).flat_map(|axis| [(held[axis], axis, 0.0), (case[axis] - held[axis], axis, case[axis])]);
    let Some((depth, axis, face)) = to_faces.min_by(|a, b| a.0.total_cmp(&b.0)) else { return Ok(held) };
    held[axis] = face;
    if depth > ON_A_FACE_M + 1e-9 { Err(("inside the case of", held)) } else { Ok(held) }
}

/// `along_mm = 330 (an end, a short face)`
fn face(axis: usize, at_m: f64) -> String {
    let what = match axis {
        0 => "an end, a short face",
        1 => "a side, a long face",
        _ if at_m > 0.0 => "the top",
        _ => "the joint to the plate",
    };
    format!("{} = {} ({what})", KEYS[axis].fact().name, mm(at_m))
}

/// In millimetres.
fn measures(metres: [f64; 3], between: &str) -> String {
    metres.map(|metres| mm(metres).to_string()).join(between)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::portable::squared;
    use proptest::prelude::*;

    proptest! {
        /// Compared with a search over a fine raster of all six faces.
        #[test]
        fn the_nearest_point_of_a_case_is_on_a_face_and_none_is_nearer(
            point in prop::array::uniform3(0.0..0.6_f64), case in prop::array::uniform3(0.02..0.5_f64),
        ) {
            let found = match nearest(point, case) {
                Ok(found) | Err((_, found)) => found,
            };
            let is_near = |a: f64, b: f64| (a - b).abs() < 1e-12;
            prop_assert!((0..3).any(|axis| is_near(found[axis], 0.0) || is_near(found[axis], case[axis])));
            prop_assert!((0..3).all(|axis| (0.0..=case[axis]).contains(&found[axis])));
            let distance = |to: [f64; 3]| to.iter().zip(point).map(|(a, b)| squared(a - b)).sum::<f64>().sqrt();
            for axis in 0..3 {
                for end in [0.0, case[axis]] {
                    for (first, second) in (0..=20).flat_map(|first| (0..=20).map(move |second| (first, second))) {
                        let mut other = [0.0; 3];
                        other[axis] = end;
                        let [u, v] = [(axis + 1) % 3, (axis + 2) % 3];
                        (other[u], other[v]) = (case[u] * f64::from(first) / 20.0, case[v] * f64::from(second) / 20.0);
                        prop_assert!(distance(found) <= distance(other) + 1e-12);
                    }
                }
            }
        }
    }
}

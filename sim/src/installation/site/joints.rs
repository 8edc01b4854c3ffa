//! `joints` of `[plate]`: the contact of single batteries, where a log has shown that they differ.

use super::maker::number;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use forewarm_core::settings::Fact;

/// How to write it.
const FORM: &str = "joints = [ { battery = 2, contact_pct = 40 } ], in parts of the plate's contact; a battery without an entry has all of it";

/// More batteries than any row has.
const MOST: usize = 8;

const BATTERY: Fact =
    Fact { section: "plate", name: "battery", unit: "", minimum: 1_000, maximum: 8_000, default: None, repeats: MOST };
const PART: Fact = Fact {
    section: "plate",
    name: "contact_pct",
    unit: "%",
    minimum: 1_000,
    maximum: 1_000_000,
    default: None,
    repeats: MOST,
};

/// The part of the plate's contact that each battery has (1). It is empty if there is no such list, or if it has a fault, which is then
/// reported.
pub(super) fn parts<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, count: usize) -> Vec<f64> {
    let Some(sections) = section.list("joints", MOST, FORM, &mut reader.findings) else { return Vec::new() };
    let mut parts: Vec<f64> = Vec::new();
    let mut named = Vec::new();
    for mut joint in sections {
        let read = [BATTERY, PART].map(|fact| number(reader, &mut joint, &fact, FORM));
        let (place, span) = (joint.place("battery"), joint.key_span("battery"));
        joint.finish(&mut reader.findings);
        let [Some(battery), Some(part_pct)] = read else { continue };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 1 to 8")]
        let index = battery as usize - 1;
        if battery.fract() > 0.0 || index >= count {
            let message = format!("{place} is {battery}, and battery.count is {count}");
            reader.findings.error(span.as_ref(), &place, message, format!("a whole number from 1 to {count}"));
        } else if named.contains(&index) {
            let message = format!("{place} is {battery} again");
            reader.findings.error(span.as_ref(), &place, message, "one entry for each battery");
        } else {
            named.push(index);
            parts.resize(parts.len().max(index + 1), 1.0);
            parts[index] = part_pct / 100.0;
        }
    }
    parts
}

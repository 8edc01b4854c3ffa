//! What was found, as changes of the installation file.

use super::Identified;
use super::parameter::What;
use crate::diagnostic::{Problem, Severity};
use crate::edit::{Draft, Edit, Home};
use crate::installation::Installation;
use std::path::Path;

/// To so many significant digits: an interval is hardly ever narrower than a hundredth.
const DIGITS: f64 = 1e3;

fn rounded(value: f64) -> f64 {
    let grain = libm::exp10(libm::log10(value.abs().max(1e-9)).floor()) / DIGITS;
    (value / grain).round() * grain
}

impl Identified {
    /// The text of the installation file, for `out`, with everything that the log shows in place of what was planned. Its comments stay.
    ///
    /// # Errors
    /// A result that would not pass the check: a value beyond what a file may hold. The problem says which.
    pub fn written(
        &self,
        out: &str,
        text: &str,
        installation: &Installation,
        folder: &Path,
    ) -> Result<String, Box<Problem>> {
        let (Some(mut draft), Some(site)) = (Draft::of(text), &installation.site) else { return Ok(text.to_owned()) };
        let number = |section, key, value| Edit::number(Home::Section(section), key, rounded(value));
        let mut joints = Vec::new();
        for found in self.parameters.iter().filter(|found| found.identifiable) {
            let edits = match found.what {
                What::Loss => vec![number("box", "loss_pct", 100.0 * site.enclosure.loss * found.factor)],
                What::Capacity => {
                    let heat = site.battery.specific_heat_j_per_kg_k * found.factor;
                    vec![number("battery", "specific_heat_j_per_kg_k", heat)]
                }
                What::Power => vec![number("heater", "power_w", found.value)],
                What::Contact(battery) => {
                    let part = site.plate.contact_parts.get(battery).copied().unwrap_or(1.0) * found.factor;
                    joints.push((battery, 100.0 * part));
                    Vec::new()
                }
                What::Conduct => {
                    let battery = &site.battery;
                    vec![
                        number(
                            "battery",
                            "conductivity_up_w_per_m_k",
                            battery.conductivity_up_w_per_m_k * found.factor,
                        ),
                        number(
                            "battery",
                            "conductivity_across_w_per_m_k",
                            battery.conductivity_across_w_per_m_k * found.factor,
                        ),
                        number(
                            "battery",
                            "conductivity_along_w_per_m_k",
                            battery.conductivity_along_w_per_m_k * found.factor,
                        ),
                    ]
                }
                What::Lag(channel) => vec![Edit::number(Home::Channel(channel), "lag_s", rounded(found.value))],
                What::Film | What::Bond | What::Share | What::Offset(_) | What::Around | What::Swing(_) => Vec::new(),
            };
            draft.apply_all(&edits);
        }
        if !joints.is_empty() {
            // Those that the log does not show stay as they were.
            for (battery, part) in site.plate.contact_parts.iter().enumerate() {
                if !joints.iter().any(|(other, _)| *other == battery) {
                    joints.push((battery, 100.0 * part));
                }
            }
            joints.sort_by_key(|(battery, _)| *battery);
            let entry = |(battery, part): &(usize, f64)| {
                format!("{{ battery = {}, contact_pct = {} }}", battery + 1, crate::figures::plain(rounded(*part)))
            };
            let list: Vec<String> = joints.iter().map(entry).collect();
            let value = Some(format!("[ {} ]", list.join(", ")));
            draft.apply(&Edit { home: Home::Section("plate"), key: "joints", value });
        }
        let written = draft.to_string();
        match Installation::parse_in(out, &written, Some(folder.to_owned())) {
            Ok(_) => Ok(written),
            // A line of a file that is not there helps nobody.
            Err(problems) => {
                let first = problems.iter().find(|problem| problem.severity == Severity::Error).or(problems.first());
                let message = first.map_or("", |problem| &problem.message);
                let problem = Problem::error(out, format!("is not written: {message}"))
                    .because("the file may hold no such value, so the log shows something else, or something more")
                    .remedy("what the report says first, and its columns and their units");
                Err(Box::new(problem))
            }
        }
    }
}

//! What a change of an installation costs, roughly, in hours of a fitter's work; a part to buy counts as the time that it
//! is worth. Settings cost nothing. Common practice, no source: it only puts proposals in an order.

use crate::edit::{Edit, Home};
use std::collections::BTreeSet;

/// The rough effort of some changes (h).
pub(super) fn effort_h(changed: &[Edit]) -> f64 {
    let mut jobs = BTreeSet::new();
    for edit in changed {
        jobs.extend(Job::of(edit));
    }
    jobs.iter().map(Job::hours).sum()
}

/// A piece of work, which counts once whatever it changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Job {
    Pad,
    /// With so many millimetres of the material.
    Box(u64),
    Move(usize),
    Rewire(usize),
    Element(usize),
    Cable,
    Fuse,
    Relay,
    Cutout(usize),
}

impl Job {
    fn of(edit: &Edit) -> Option<Self> {
        let millimetres = || edit.value.as_ref()?.parse::<f64>().ok();
        Some(match (edit.home, edit.key) {
            (Home::Section("heater"), "power_w" | "nominal_v") => Self::Pad,
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 500")]
            (Home::Section("box") | Home::Entry("box", ..), "thickness_mm") => {
                Self::Box(millimetres().unwrap_or(0.0) as u64)
            }
            (Home::Section("box"), _) => Self::Box(0),
            (Home::Channel(index), "at" | "battery" | "along_mm" | "across_mm" | "up_mm") => Self::Move(index),
            (Home::Channel(index), "wiring") => Self::Rewire(index),
            (Home::Channel(index), "class") => Self::Element(index),
            (Home::Section("circuit"), "cable_mm2") => Self::Cable,
            (Home::Section("circuit"), "fuse_a") => Self::Fuse,
            (Home::Section("circuit"), _) => Self::Relay,
            (Home::ThermalCutout(index), _) => Self::Cutout(index),
            _ => return None,
        })
    }

    fn hours(&self) -> f64 {
        match self {
            Self::Pad => 2.0,
            #[expect(clippy::cast_precision_loss, reason = "at most 500")]
            Self::Box(millimetres) => 3.0 + *millimetres as f64 / 50.0,
            Self::Move(_) | Self::Relay | Self::Cutout(_) => 0.5,
            Self::Rewire(_) | Self::Element(_) | Self::Cable => 1.0,
            Self::Fuse => 0.2,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_cost_nothing_and_a_job_counts_once() {
        let soak = Edit::number(Home::Section("charge"), "soak_min", 60.0);
        assert!(effort_h(&[soak]).abs() < 1e-9);
        let cable = Edit::number(Home::Section("circuit"), "cable_mm2", 6.0);
        let fuse = Edit::number(Home::Section("circuit"), "fuse_a", 25.0);
        assert!((effort_h(&[cable.clone(), cable, fuse]) - 1.2).abs() < 1e-9);
        let to = ["at", "battery"].map(|key| Edit::word(Home::Channel(0), key, "1"));
        assert!((effort_h(&to) - 0.5).abs() < 1e-9);
    }
}

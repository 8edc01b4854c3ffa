//! What differs between two sets of settings, key by key, as a fitter wrote it.

use super::written::{element_name, hold, role, spend, wiring};
use crate::fingerprint;
use forewarm_core::rtd::Element;
use forewarm_core::settings::{ChargeCurrent, Key, Place, Settings, Thousandths};
use serde::Serialize;

/// One thing that differs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// What, as `charge.inhibit_c` or `channel 1 (battery_1): wiring`.
    pub place: String,
    /// As it is in force, with its unit.
    pub old: String,
    /// As it is to be.
    pub new: String,
    /// What it means.
    pub meaning: String,
}

/// What stands for a number that is not set.
const UNSET: &str = "not set";

/// What channels and sources are called by the file of the new settings.
#[derive(Clone, Copy, Debug)]
pub struct Called<'n> {
    /// The channels.
    pub channels: &'n [String],
    /// The sources.
    pub sources: &'n [String],
}

/// Everything that differs, in the order of the file.
#[must_use]
pub fn differences(old: &Settings, new: &Settings, called: Called<'_>) -> Vec<Difference> {
    let mut found = Vec::new();
    for &key in Key::ALL {
        for index in 0..key.fact().repeats {
            let place = Place::at(key, index);
            let (before, after) = (old.value(place), new.value(place));
            if before != after {
                let shown = |value: Option<i64>| {
                    let unit = key.fact().unit;
                    let space = if unit.is_empty() { "" } else { " " };
                    value.map_or_else(|| UNSET.to_owned(), |value| format!("{}{space}{unit}", Thousandths(value)))
                };
                let meaning = key.meaning().to_owned();
                found.push(Difference { place: name(place, called), old: shown(before), new: shown(after), meaning });
            }
        }
    }
    let mut word = |place: String, old: String, new: String, meaning: &str| {
        if old != new {
            found.push(Difference { place, old, new, meaning: meaning.to_owned() });
        }
    };
    word(
        "heater.hold".to_owned(),
        hold(old.heater.hold).to_owned(),
        hold(new.heater.hold).to_owned(),
        "whether the heater may run while charge is permitted",
    );
    word(
        "bank.spend".to_owned(),
        spend(old.bank).to_owned(),
        spend(new.bank).to_owned(),
        "whether the bank itself may be spent on heat",
    );
    let fed = |settings: &Settings| if settings.giving.is_some() { "also by the bank" } else { "by one source alone" };
    word(
        "circuit.fed_by".to_owned(),
        fed(old).to_owned(),
        fed(new).to_owned(),
        "whether the bank can pay for what the heater takes",
    );
    for index in 0..old.sources.len().max(new.sources.len()) {
        let obeys = |settings: &Settings| match settings.sources.get(index).map(|source| source.charge) {
            None => "no such source".to_owned(),
            Some(ChargeCurrent::Obeys) => "obeys".to_owned(),
            Some(ChargeCurrent::UpTo(_) | ChargeCurrent::InSteps { .. }) => "does not obey".to_owned(),
        };
        let place = format!("{}: obeys", thing("source", index, called.sources));
        word(place, obeys(old), obeys(new), "whether something holds its current at or below the ceiling");
    }
    for index in 0..old.channels.len().max(new.channels.len()) {
        let thing = thing("channel", index, called.channels);
        let of = |settings: &Settings, what: fn(&forewarm_core::settings::Channel) -> String| {
            settings.channels.get(index).map_or_else(|| "no such channel".to_owned(), what)
        };
        let mut word = |key: &str, what: fn(&forewarm_core::settings::Channel) -> String, meaning: &str| {
            word(format!("{thing}: {key}"), of(old, what), of(new, what), meaning);
        };
        word("role", |channel| role(channel.role).to_owned(), "where the thermometer sits");
        word("element", |channel| element(channel.element), "which element it is");
        word("wiring", |channel| wiring(channel.leads).to_owned(), "how it is wired");
    }
    if found.is_empty() && old != new {
        found.push(Difference {
            place: "a last digit".to_owned(),
            old: fingerprint::of(old).to_string(),
            new: fingerprint::of(new).to_string(),
            meaning: "finer than a file shows".to_owned(),
        });
    }
    found
}

fn element(element: Element) -> String {
    element_name(element).map_or_else(
        || {
            let (a, b, c) = element.coefficients().as_steps();
            let r0 = element.r0().as_micro_ohms();
            // The steps are no unit of a fitter's; they only show which of two it is.
            format!("R0 {}.{:06} Ω, own coefficients {a:x}/{b:x}/{c:x}", r0 / 1_000_000, r0 % 1_000_000)
        },
        str::to_owned,
    )
}

fn thing(kind: &str, index: usize, names: &[String]) -> String {
    let name = names.get(index).map(|name| format!(" ({name})")).unwrap_or_default();
    format!("{kind} {}{name}", index + 1)
}

/// A place, as people count and call things.
fn name(place: Place, called: Called<'_>) -> String {
    let fact = place.key.fact();
    let index = usize::from(place.index);
    match fact.section {
        "channel" => format!("{}: {}", thing("channel", index, called.channels), fact.name),
        "source" => format!("{}: {}", thing("source", index, called.sources), fact.name),
        "charge.ceiling" => format!("entry {} of charge.ceiling: {}", index + 1, fact.name),
        section => format!("{section}.{}", fact.name),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::installation::{Installation, starter};
    use forewarm_core::testing::any_settings;
    use proptest::prelude::*;

    fn between(old: &str, new: &str) -> Vec<String> {
        let parse = |text: &str| Installation::parse("file", text).expect("no error");
        let (old, new) = (parse(old), parse(new));
        let called = Called { channels: &new.channels, sources: &new.sources };
        let found = differences(&old.settings, &new.settings, called);
        found.into_iter().map(|Difference { place, old, new, .. }| format!("{place}: {old} → {new}")).collect()
    }

    #[test]
    fn each_key_that_differs_is_named_with_both_values() {
        let text = starter();
        assert_eq!(between(&text, &text), Vec::<String>::new());
        for (from, to, expected) in [
            ("inhibit_c = 5\n", "inhibit_c = 5.5\n", vec!["charge.inhibit_c: 5 °C → 5.5 °C"]),
            ("hold = \"while_charging\"", "hold = \"never\"", vec!["heater.hold: while_charging → never"]),
            ("budget_w = 300", "budget_w = 310", vec!["source 1 (engine): budget_w: 300 W → 310 W"]),
            ("cell_c = 5, c_rate", "cell_c = 6, c_rate", vec!["entry 1 of charge.ceiling: cell_c: 5 °C → 6 °C"]),
            ("element = \"pt100\"", "element = \"pt1000\"", vec!["channel 1 (cells_low): element: pt100 → pt1000"]),
            (
                "spend = \"never\"",
                "spend = \"always\"\nreserve_pct = 50\nresume_pct = 60",
                vec![
                    "bank.reserve_pct: not set → 50 %",
                    "bank.resume_pct: not set → 60 %",
                    "bank.spend: never → always",
                ],
            ),
        ] {
            let changed = text.replacen(from, to, 1);
            let changed = if to.contains("pt1000") {
                changed.replacen("reference_ohm = 400", "reference_ohm = 4000", 1)
            } else {
                changed
            };
            let found: Vec<String> =
                between(&text, &changed).into_iter().filter(|line| !line.contains("reference_ohm")).collect();
            assert_eq!(found, expected, "{from}");
        }
    }

    proptest! {
        #[test]
        fn no_difference_goes_unnamed_and_none_is_made_up(old in any_settings(), new in any_settings()) {
            let called = Called { channels: &[], sources: &[] };
            prop_assert!(differences(&old, &old, called).is_empty());
            let found = differences(&old, &new, called);
            prop_assert_eq!(found.is_empty(), old == new);
            prop_assert!(found.iter().all(|found| found.old != found.new));
            for &key in Key::ALL {
                for place in (0..key.fact().repeats).map(|index| Place::at(key, index)) {
                    let is_named = found.iter().any(|found| found.place == name(place, called));
                    prop_assert_eq!(is_named, old.value(place) != new.value(place), "{}", place);
                }
            }
            let mut back = differences(&new, &old, called);
            for found in &mut back {
                std::mem::swap(&mut found.old, &mut found.new);
            }
            prop_assert_eq!(found, back, "seen from the other side, the same differs");
        }
    }
}

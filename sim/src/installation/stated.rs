//! What a file states itself, as against what this program takes where it says nothing.

use std::collections::BTreeSet;
use toml::de::{DeTable, DeValue};

/// The places of the values that a file states: `circuit.coil_w`, `channel[0].cable_m`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stated(BTreeSet<String>);

impl Stated {
    pub(super) fn of(document: &DeTable<'_>) -> Self {
        let mut stated = Self::default();
        for (name, value) in document {
            stated.add(name.get_ref().to_string(), value.get_ref());
        }
        stated
    }

    fn add(&mut self, place: String, value: &DeValue<'_>) {
        match value {
            DeValue::Table(table) => {
                for (name, value) in table {
                    self.add(format!("{place}.{}", name.get_ref()), value.get_ref());
                }
            }
            DeValue::Array(entries) => {
                for (index, entry) in entries.iter().enumerate() {
                    self.add(format!("{place}[{index}]"), entry.get_ref());
                }
            }
            _ => {
                self.0.insert(place);
            }
        }
    }

    /// Whether the file has a value at `place`.
    #[must_use]
    pub fn has(&self, place: &str) -> bool {
        self.0.contains(place)
    }
}

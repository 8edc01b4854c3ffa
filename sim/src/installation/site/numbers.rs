//! Numbers of a site, as binary fractions in SI units. They feed computations, not decisions, so they need not be exact
//! to the last decimal.

use super::table::Key;
use crate::installation::document::Section;
use crate::installation::row::{real, wanted};
use crate::installation::values::Reader;

impl<'t> Reader<'t> {
    /// The number of `key` in SI units, or its default. Reports it as missing if there is neither.
    pub(super) fn real(&mut self, section: &mut Section<'t>, key: Key) -> f64 {
        self.given(section, key).unwrap_or_else(|| {
            section.lacks(key.fact().name, wanted(key));
            self.stand_in(section, key)
        })
    }

    /// The number of `key` in SI units, or its default, if there is one of the two.
    pub(super) fn given(&mut self, section: &mut Section<'t>, key: Key) -> Option<f64> {
        let fact = key.fact();
        let Some(value) = self.value_of(section, key) else {
            return fact.default.map(|default| real(default) / key.per());
        };
        Some(match self.in_range(section, key, value) {
            Some(number) => number.to_f64() / key.per(),
            None => self.stand_in(section, key),
        })
    }

    /// A whole number of things.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole, and within its row's range")]
    pub(super) fn whole(&mut self, section: &mut Section<'t>, key: Key) -> u32 {
        self.real(section, key) as u32
    }

    fn stand_in(&mut self, section: &Section<'t>, key: Key) -> f64 {
        self.doubt_number(section.place(key.fact().name));
        real(key.fact().minimum) / key.per()
    }

    /// Whether a stand-in has taken the place of one of `keys`. What follows from it is then not reported.
    pub(super) fn doubts_any(&self, section: &Section<'t>, keys: &[Key]) -> bool {
        keys.iter().any(|key| self.doubts_number(&section.place(key.fact().name)))
    }
}

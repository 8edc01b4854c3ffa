//! Numbers in the unit and range of their row of [`TABLE`](super::table::TABLE), as binary fractions in SI units: what they feed is
//! computed, not decided, so exactness to the last decimal is not asked of them.

use super::example::plausible;
use super::table::{Fact, Key};
use crate::diagnostic::Severity;
use crate::installation::document::{Section, Value, describe};
use crate::installation::values::Reader;

impl<'t> Reader<'t> {
    /// The number of `key` in SI units, or its default; it must be one or the other.
    pub(super) fn real(&mut self, section: &mut Section<'t>, key: Key) -> f64 {
        self.given(section, key).unwrap_or_else(|| {
            let fact = key.fact();
            section.lacks(fact.name, format!("{}, {} ({})", fact.name, fact.meaning, fact.range()));
            self.stand_in(section, fact)
        })
    }

    /// The number of `key` in SI units, or its default, if there is one of the two.
    pub(super) fn given(&mut self, section: &mut Section<'t>, key: Key) -> Option<f64> {
        let fact = key.fact();
        let Some(value) = section.get(fact.name) else {
            return fact.default.map(|default| default / fact.per());
        };
        Some(match self.within(section, key, value) {
            Some(number) => number / fact.per(),
            None => self.stand_in(section, fact),
        })
    }

    /// A whole number of things.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole, and within its row's range")]
    pub(super) fn whole(&mut self, section: &mut Section<'t>, key: Key) -> u32 {
        self.real(section, key) as u32
    }

    fn stand_in(&mut self, section: &Section<'t>, fact: &Fact) -> f64 {
        self.doubt_number(section.place(fact.name));
        fact.minimum / fact.per()
    }

    /// Whether a stand-in took the place of one of `keys`, so that what follows from it is no finding.
    pub(super) fn doubts_any(&self, section: &Section<'t>, keys: &[Key]) -> bool {
        keys.iter().any(|key| self.doubts_number(&section.place(key.fact().name)))
    }

    fn within(&mut self, section: &Section<'t>, key: Key, value: &Value<'t>) -> Option<f64> {
        let fact = key.fact();
        let name = fact.name;
        let number = self.decimal(section, name, value, &fact.range())?.to_f64();
        let place = section.place(name);
        let shown = describe(value.get_ref());
        let allowed = fact.minimum..=fact.maximum;
        if allowed.contains(&number) {
            if fact.unit.is_empty() && number.fract() != 0.0 {
                let message = format!("{place} is {shown}, not a whole number");
                self.findings.error(Some(&value.span()), &place, message, format!("{name} = {}", number.trunc()));
                return None;
            }
            return Some(number);
        }
        // A wrong sign is the commonest slip; after that the default, and without one an example.
        let better = match fact.default {
            _ if allowed.contains(&-number) => -number,
            Some(default) => default,
            None => plausible(key).unwrap_or_else(|| number.clamp(fact.minimum, fact.maximum)),
        };
        let space = if fact.unit.is_empty() { "" } else { " " };
        let message = format!("{place} is {shown}{space}{}, outside {}", fact.unit, fact.range());
        let remedy = format!("{name} = {better}");
        self.findings.add(Severity::Error, Some(&value.span()), &place, message, Some(fact.meaning), remedy);
        None
    }
}

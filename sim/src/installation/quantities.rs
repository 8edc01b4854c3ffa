//! What a file may say, value by value: for whoever shows it as a form.
//!
//! The list is made by reading. The code that reads a value notes what it asked for, so a form has every value that a file may have,
//! with the range and the words that the check goes by.

use super::row::{Row, real};
use super::site::table::TEXTS;
use crate::edit::Home;
use toml::de::DeValue;

/// One value that a file has or may have.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// Where it stands.
    pub home: Home,
    /// Its name there.
    pub key: &'static str,
    /// What it is, for a person; empty where the name says it.
    pub meaning: &'static str,
    /// What it may be.
    pub kind: Kind,
    /// What the file has there; `None` if nothing.
    pub written: Option<Written>,
}

/// What a value may be.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    /// A number.
    Number(Range),
    /// One of these words.
    Word(Vec<String>),
    /// A text.
    Text,
}

/// The range of a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Its unit; empty for a number of things.
    pub unit: &'static str,
    /// The least that it may be.
    pub least: f64,
    /// The most that it may be.
    pub most: f64,
    /// What holds where the file has none.
    pub default: Option<f64>,
    /// Where that comes from; empty for common practice, no source.
    pub source: &'static str,
}

/// What a file has for a value.
#[derive(Clone, Debug, PartialEq)]
pub enum Written {
    /// A number.
    Number(f64),
    /// A word or a text.
    Text(String),
    /// Anything else, which its check reports.
    Other,
}

impl Written {
    fn of(value: &DeValue) -> Self {
        let number = |text: &str| text.parse().map_or(Self::Other, Self::Number);
        match value {
            DeValue::Integer(written) if written.radix() == 10 => number(written.as_str()),
            DeValue::Float(written) => number(written.as_str()),
            DeValue::String(text) => Self::Text(text.to_string()),
            _ => Self::Other,
        }
    }
}

impl Quantity {
    pub(super) fn number(home: Home, row: impl Row, value: Option<&DeValue>) -> Self {
        let fact = row.fact();
        let range = Range {
            unit: fact.unit,
            least: real(fact.minimum),
            most: real(fact.maximum),
            default: fact.default.map(real),
            source: row.source(),
        };
        let (key, meaning, kind) = (fact.name, row.meaning(), Kind::Number(range));
        Self { home, key, meaning, kind, written: value.map(Written::of) }
    }

    pub(super) fn text(home: Home, key: &'static str, kind: Kind, value: Option<&DeValue>) -> Self {
        let section = home.section();
        let known = TEXTS.iter().find(|text| (text.section, text.name) == (section, key));
        Self { home, key, meaning: known.map_or("", |text| text.meaning), kind, written: value.map(Written::of) }
    }
}

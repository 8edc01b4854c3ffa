//! Changes of an installation file's text: one key each, with every comment left where it is.

use crate::figures::plain;
use serde::Serialize;
use std::fmt;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, TableLike, Value};

/// Where a key stands in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Home {
    /// Before any section.
    Top,
    /// In a section that is there once.
    Section(&'static str),
    /// In the `[[channel]]` of this number, counted from 0.
    Channel(usize),
    /// In the `[[source]]` of this number, counted from 0.
    Source(usize),
    /// In the `[[thermal_cutout]]` of this number, counted from 0.
    ThermalCutout(usize),
    /// In an entry of a list within a section: section, list, and number counted from 0.
    Entry(&'static str, &'static str, usize),
}

impl Home {
    /// The section that it is in, or that it is an entry of; empty before any section.
    #[must_use]
    pub const fn section(self) -> &'static str {
        match self {
            Self::Top => "",
            Self::Section(section) | Self::Entry(section, ..) => section,
            Self::Channel(_) => "channel",
            Self::Source(_) => "source",
            Self::ThermalCutout(_) => "thermal_cutout",
        }
    }

    /// The entry of that number in the list `key` of `parent`; `None` for a place that no change can name.
    pub(crate) const fn listed(parent: Option<Self>, key: &'static str, index: usize) -> Option<Self> {
        match (parent, key.as_bytes()) {
            (Some(Self::Top), b"channel") => Some(Self::Channel(index)),
            (Some(Self::Top), b"source") => Some(Self::Source(index)),
            (Some(Self::Top), b"thermal_cutout") => Some(Self::ThermalCutout(index)),
            (Some(Self::Section(section)), _) => Some(Self::Entry(section, key, index)),
            _ => None,
        }
    }
}

/// One change.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Edit {
    /// Where.
    pub home: Home,
    /// Of which key.
    pub key: &'static str,
    /// What is to stand there, as TOML. `None` takes the key away, so that its default holds.
    pub value: Option<String>,
}

impl Edit {
    /// Writes a number, in thousandths at most.
    #[must_use]
    pub fn number(home: Home, key: &'static str, value: f64) -> Self {
        Self { home, key, value: Some(plain(value)) }
    }

    /// Writes a word.
    #[must_use]
    pub fn word(home: Home, key: &'static str, word: &str) -> Self {
        Self { home, key, value: Some(format!("\"{word}\"")) }
    }

    /// Writes any text, a word too.
    #[must_use]
    pub fn text(home: Home, key: &'static str, text: &str) -> Self {
        Self { home, key, value: Some(Value::from(text).to_string()) }
    }

    /// Takes the key away.
    #[must_use]
    pub const fn away(home: Home, key: &'static str) -> Self {
        Self { home, key, value: None }
    }

    /// The place as messages and `fixed` write it: `heater.power_w`, `channel.top.at`. `names` are those of channels
    /// and of sources.
    #[must_use]
    pub fn place(&self, names: &Names) -> String {
        let named = |kind: &str, names: &[String], index: usize| {
            let name = names.get(index).map_or_else(|| (index + 1).to_string(), Clone::clone);
            format!("{kind}.{name}.{}", self.key)
        };
        match self.home {
            Home::Top => self.key.to_owned(),
            Home::Section(section) => format!("{section}.{}", self.key),
            Home::Channel(index) => named("channel", names.channels, index),
            Home::Source(index) => named("source", names.sources, index),
            Home::ThermalCutout(index) => format!("thermal_cutout.{}.{}", index + 1, self.key),
            Home::Entry(section, list, index) => format!("{section}.{list}.{}.{}", index + 1, self.key),
        }
    }
}

/// A key that differs from the file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Changed {
    /// Its place: `heater.power_w`.
    pub place: String,
    /// What the file has there, as TOML; `null` if nothing.
    pub from: Option<String>,
    /// What is to stand there; `null` if nothing.
    pub to: Option<String>,
}

impl Changed {
    /// `heater.power_w = 150`
    #[must_use]
    pub fn written(&self) -> String {
        let Self { place, to, .. } = self;
        to.as_ref().map_or_else(|| format!("{place} left out"), |to| format!("{place} = {to}"))
    }
}

/// What a file calls its channels and sources, in its order.
#[derive(Clone, Copy, Debug)]
pub struct Names<'n> {
    /// Of the thermometer channels.
    pub channels: &'n [String],
    /// Of the energy sources.
    pub sources: &'n [String],
}

/// The text of an installation file while it is being changed.
#[derive(Clone, Debug)]
pub struct Draft(DocumentMut);

impl Draft {
    /// `None` if the text is no TOML. A file that passes its check always is.
    #[must_use]
    pub fn of(text: &str) -> Option<Self> {
        text.parse().ok().map(Self)
    }

    /// What is written for a key, as TOML.
    #[must_use]
    pub fn value(&self, home: Home, key: &str) -> Option<String> {
        let table = table(self.0.as_table(), home)?;
        let value = table.get(key)?.as_value()?;
        Some(value.clone().decorated("", "").to_string())
    }

    /// Whether the file has that section.
    #[must_use]
    pub fn has(&self, home: Home) -> bool {
        table(self.0.as_table(), home).is_some()
    }

    /// Makes several changes, one after another.
    pub fn apply_all(&mut self, edits: &[Edit]) {
        for edit in edits {
            self.apply(edit);
        }
    }

    /// Makes a change. A section or a thermal cut-out that is missing is added at the end. Any other entry of a list that is missing
    /// stays so.
    pub fn apply(&mut self, edit: &Edit) {
        let Some(table) = table_mut(self.0.as_table_mut(), edit.home) else { return };
        let Some(text) = &edit.value else {
            table.remove(edit.key);
            return;
        };
        let Ok(mut value) = text.parse::<Value>() else { return };
        match table.get_mut(edit.key) {
            Some(Item::Value(before)) => {
                // Spaces before it, and the comment after it.
                *value.decor_mut() = before.decor().clone();
                *before = value;
            }
            _ => {
                table.insert(edit.key, Item::Value(value));
            }
        }
    }
}

impl fmt::Display for Draft {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

fn table(root: &Table, home: Home) -> Option<&dyn TableLike> {
    let listed = |kind: &str, index: usize| root.get(kind)?.as_array_of_tables()?.get(index);
    match home {
        Home::Top => Some(root),
        Home::Section(section) => root.get(section)?.as_table_like(),
        Home::Channel(index) => listed("channel", index).map(|table| table as &dyn TableLike),
        Home::Source(index) => listed("source", index).map(|table| table as &dyn TableLike),
        Home::ThermalCutout(index) => listed("thermal_cutout", index).map(|table| table as &dyn TableLike),
        Home::Entry(section, list, index) => {
            let entries = root.get(section)?.as_table_like()?.get(list)?;
            let inline = || entries.as_array()?.get(index)?.as_inline_table().map(|table| table as &dyn TableLike);
            let tables = || entries.as_array_of_tables()?.get(index).map(|table| table as &dyn TableLike);
            inline().or_else(tables)
        }
    }
}

fn table_mut(root: &mut Table, home: Home) -> Option<&mut dyn TableLike> {
    fn of(tables: Option<&mut ArrayOfTables>, index: usize) -> Option<&mut dyn TableLike> {
        tables?.get_mut(index).map(|table| table as &mut dyn TableLike)
    }
    match home {
        Home::Top => Some(root),
        Home::Section(section) => root.entry(section).or_insert_with(toml_edit::table).as_table_like_mut(),
        Home::Channel(index) => of(root.get_mut("channel")?.as_array_of_tables_mut(), index),
        Home::Source(index) => of(root.get_mut("source")?.as_array_of_tables_mut(), index),
        Home::ThermalCutout(index) => {
            let new = || Item::ArrayOfTables(ArrayOfTables::new());
            let tables = root.entry("thermal_cutout").or_insert_with(new).as_array_of_tables_mut()?;
            if index >= tables.len() {
                tables.push(Table::new());
            }
            tables.get_mut(index).map(|table| table as &mut dyn TableLike)
        }
        Home::Entry(section, list, index) => match root.get_mut(section)?.as_table_like_mut()?.get_mut(list)? {
            Item::Value(Value::Array(entries)) => {
                entries.get_mut(index)?.as_inline_table_mut().map(|table| table as &mut dyn TableLike)
            }
            entries => of(entries.as_array_of_tables_mut(), index),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::installation::{Installation, first::Like};

    #[test]
    fn a_change_leaves_every_other_byte_where_it_was() {
        let text = Like::Hut.text();
        let mut draft = Draft::of(&text).expect("TOML");
        assert_eq!(draft.to_string(), text);
        draft.apply(&Edit::number(Home::Section("heater"), "power_w", 150.0));
        draft.apply(&Edit::word(Home::Channel(1), "at", "end"));
        let expected = text.replace("power_w = 120\n", "power_w = 150\n").replace("at = \"top\"", "at = \"end\"");
        assert_eq!(draft.to_string(), expected);
        assert_eq!(draft.value(Home::Channel(1), "at").as_deref(), Some("\"end\""));
        Installation::parse("changed", &draft.to_string()).expect("it passes the check");
    }

    #[test]
    fn a_comment_after_a_value_stays() {
        let mut draft =
            Draft::of("[box]\nlayers = [ { thickness_mm = 15 }, { thickness_mm = 80 } ] # two\n").expect("TOML");
        draft.apply(&Edit::number(Home::Entry("box", "layers", 1), "thickness_mm", 100.0));
        let expected = "[box]\nlayers = [ { thickness_mm = 15 }, { thickness_mm = 100 } ] # two\n";
        assert_eq!(draft.to_string(), expected);
        let mut draft = Draft::of("[charge]\nsoak_min = 45 # as the maker says\n").expect("TOML");
        draft.apply(&Edit::number(Home::Section("charge"), "soak_min", 60.0));
        draft.apply(&Edit::number(Home::Section("bank"), "reserve_pct", 50.0));
        draft.apply(&Edit::away(Home::Section("bank"), "spend"));
        assert_eq!(draft.to_string(), "[charge]\nsoak_min = 60 # as the maker says\n\n[bank]\nreserve_pct = 50\n");
    }
}

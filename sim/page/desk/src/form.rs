//! An installation file as a form: its values, section by section, and changes of them.

use forewarm::edit::{Edit, Home};
use forewarm::installation::quantities::{Kind, Quantity, Range, Written};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Values that stand together.
#[derive(Serialize)]
pub(crate) struct Section {
    place: Vec<Step>,
    title: String,
    quantities: Vec<Item>,
}

/// A step on the way to a place: the name of a section or of a list, or the number of an entry.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(untagged)]
enum Step {
    Entry(usize),
    Name(String),
}

/// One value.
#[derive(Serialize)]
struct Item {
    key: &'static str,
    meaning: &'static str,
    #[serde(flatten)]
    kind: Form,
    /// What the file has; `null` if nothing.
    value: Option<Value>,
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Form {
    Number { unit: &'static str, least: f64, most: f64, whole: bool, default: Option<f64>, source: &'static str },
    Word { words: Vec<String> },
    Text,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(untagged)]
enum Value {
    Number(f64),
    Text(String),
}

fn steps(home: Home) -> Vec<Step> {
    let name = |name: &str| Step::Name(name.to_owned());
    match home {
        Home::Top => Vec::new(),
        Home::Section(section) => vec![name(section)],
        Home::Channel(index) | Home::Source(index) | Home::ThermalCutout(index) => {
            vec![name(home.section()), Step::Entry(index)]
        }
        Home::Entry(section, list, index) => vec![name(section), name(list), Step::Entry(index)],
    }
}

/// Every value of a file, under its section. The sections come as they are read.
pub(crate) fn sections(quantities: &[Quantity]) -> Vec<Section> {
    let mut homes: Vec<Home> = Vec::new();
    for quantity in quantities {
        if !homes.contains(&quantity.home) {
            homes.push(quantity.home);
        }
    }
    let of = |home: Home| {
        let mut items: Vec<Item> = Vec::new();
        for quantity in quantities.iter().filter(|quantity| quantity.home == home) {
            // Some are looked at twice.
            if !items.iter().any(|item| item.key == quantity.key) {
                items.push(Item::of(quantity));
            }
        }
        Section { place: steps(home), title: title(home, &items), quantities: items }
    };
    homes.into_iter().map(of).collect()
}

/// `heater`, `channel 2 (top)`, `charge, ceiling 1`.
fn title(home: Home, items: &[Item]) -> String {
    let name = items.iter().find(|item| item.key == "name").and_then(|item| item.value.as_ref());
    let name = match name {
        Some(Value::Text(name)) => format!(" ({name})"),
        _ => String::new(),
    };
    let kind = home.section().replace('_', " ");
    match home {
        Home::Top | Home::Section(_) => kind,
        Home::Channel(index) | Home::Source(index) | Home::ThermalCutout(index) => {
            format!("{kind} {}{name}", index + 1)
        }
        Home::Entry(_, list, index) => format!("{kind}, {} {}", list.replace('_', " "), index + 1),
    }
}

impl Item {
    fn of(quantity: &Quantity) -> Self {
        let kind = match &quantity.kind {
            Kind::Number(Range { unit, least, most, default, source }) => Form::Number {
                unit,
                least: *least,
                most: *most,
                // A number of things.
                whole: unit.is_empty(),
                default: *default,
                source,
            },
            Kind::Word(words) => Form::Word { words: words.clone() },
            Kind::Text => Form::Text,
        };
        let value = quantity.written.as_ref().and_then(|written| match written {
            Written::Number(number) => Some(Value::Number(*number)),
            Written::Text(text) => Some(Value::Text(text.clone())),
            Written::Other => None,
        });
        Self { key: quantity.key, meaning: quantity.meaning, kind, value }
    }
}

/// One value as it is to be.
#[derive(Debug, Deserialize)]
pub(crate) struct Change {
    place: Vec<Step>,
    key: String,
    value: Option<Value>,
}

impl Change {
    /// The change of the text; `None` if the file can have no such value.
    pub(crate) fn edit(&self, quantities: &[Quantity]) -> Option<Edit> {
        let is_it = |quantity: &&Quantity| quantity.key == self.key && steps(quantity.home) == self.place;
        let Quantity { home, key, .. } = quantities.iter().find(is_it)?;
        Some(match &self.value {
            None => Edit::away(*home, key),
            Some(Value::Number(number)) => Edit { home: *home, key, value: Some(number.to_string()) },
            Some(Value::Text(text)) => Edit::text(*home, key, text),
        })
    }
}

/// `heater.power_w`
impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for step in &self.place {
            match step {
                Step::Name(name) => write!(f, "{name}.")?,
                Step::Entry(index) => write!(f, "{}.", index + 1)?,
            }
        }
        f.write_str(&self.key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use forewarm::edit::Draft;
    use forewarm::installation::Installation;
    use forewarm::installation::first::Like;

    fn quantities(text: &str) -> Vec<Quantity> {
        Installation::examine("file", text, None).1
    }

    /// Every value that the text has, as the form has it, with the change that would write it.
    fn stated(text: &str) -> Vec<Change> {
        let of = |section: Section| {
            let place = section.place;
            let stated = section.quantities.into_iter().filter(|item| item.value.is_some());
            stated.map(move |item| Change { place: place.clone(), key: item.key.to_owned(), value: item.value })
        };
        sections(&quantities(text)).into_iter().flat_map(of).collect()
    }

    fn changed(text: &str, change: &Change) -> String {
        let mut draft = Draft::of(text).expect("TOML");
        draft.apply(&change.edit(&quantities(text)).unwrap_or_else(|| panic!("{change}")));
        draft.to_string()
    }

    #[test]
    fn what_the_form_shows_is_what_a_change_of_it_writes() {
        for like in Like::ALL {
            let text = like.text();
            let values = stated(&text);
            assert!(values.len() > 50, "{like:?} states {}", values.len());
            for change in &values {
                assert_eq!(changed(&text, change), text, "{like:?}: {change} as it is");
            }
        }
    }

    #[test]
    fn a_change_touches_one_value_and_leaving_it_out_lets_the_default_hold() {
        let text = Like::Hut.text();
        let at = |place: &[&str], key: &str, value| {
            let place =
                place.iter().map(|step| step.parse().map_or_else(|_| Step::Name((*step).to_owned()), Step::Entry));
            Change { place: place.collect(), key: key.to_owned(), value }
        };
        let hotter = changed(&text, &at(&["heater"], "power_w", Some(Value::Number(150.5))));
        assert_eq!(hotter, text.replace("power_w = 120\n", "power_w = 150.5\n"));
        let named = changed(&text, &at(&[], "title", Some(Value::Text("a \"quoted\" <b>\n".to_owned()))));
        assert!(Installation::parse("file", &named).is_ok_and(|read| read.title == "a \"quoted\" <b>\n"), "{named}");
        let without = changed(&text, &at(&["charge"], "soak_min", None));
        assert!(!without.contains("soak_min = ") && text.contains("soak_min = "));
        let second = changed(&text, &at(&["charge", "ceiling", "1"], "c_rate", Some(Value::Number(0.15))));
        assert_eq!(second.lines().zip(text.lines()).filter(|(now, before)| now != before).count(), 1, "{second}");
        assert!(at(&["heater"], "power", None).edit(&quantities(&text)).is_none());
        assert!(at(&["channel", "9"], "at", None).edit(&quantities(&text)).is_none());
    }
}

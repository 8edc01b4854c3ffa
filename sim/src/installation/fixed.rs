//! `fixed`: what is bought or built already, so that no proposal changes it.

use super::document::{Section, Value, describe};
use super::names;
use super::values::Reader;
use crate::diagnostic::excerpt;
use crate::edit::{Edit, Names};
use crate::installation::site::table as site;
use forewarm_core::settings::TABLE;
use std::collections::BTreeSet;
use toml::de::{DeTable, DeValue};

/// The places of a file that stay as they are: whole sections, single channels and sources, single settings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Fixed(BTreeSet<String>);

impl Fixed {
    /// The entry that keeps `edit` from being made, if one does. `names` are those of the file.
    #[must_use]
    pub fn holds(&self, edit: &Edit, names: &Names) -> Option<&str> {
        let place = edit.place(names);
        let is_within = |entry: &&String| place.strip_prefix(entry.as_str()).is_some_and(is_end);
        self.0.iter().find(is_within).map(String::as_str)
    }

    /// The entries, in order.
    pub fn entries(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(String::as_str)
    }
}

/// Whether a place ends there, or goes on with a part of itself.
fn is_end(rest: &str) -> bool {
    rest.is_empty() || rest.starts_with('.')
}

const FORM: &str = "fixed = [\"heater.power_w\", \"box\", \"channel.top\"], with the names of settings, of sections, of channels or of \
                    sources";

/// Reads the list. Reports each entry that names nothing of the file.
pub(super) fn read<'t>(
    reader: &mut Reader<'t>,
    root: &mut Section<'t>,
    document: &'t DeTable<'t>,
    (channels, sources): (&[String], &[String]),
) -> Fixed {
    let Some(value) = root.get("fixed") else { return Fixed::default() };
    let DeValue::Array(entries) = value.get_ref() else {
        let message = format!("fixed is {}, not a list", describe(value.get_ref()));
        reader.findings.error(Some(&value.span()), "fixed", message, FORM);
        return Fixed::default();
    };
    let mut fixed = Fixed::default();
    for (index, entry) in entries.iter().enumerate() {
        match named(entry, document, channels, sources) {
            Ok(name) if fixed.0.insert(name.clone()) => {}
            Ok(name) => {
                let message = format!("fixed names {} twice", excerpt(&name));
                reader.findings.error(Some(&entry.span()), &format!("fixed[{index}]"), message, "one of the two");
            }
            Err((message, remedy)) => {
                reader.findings.error(Some(&entry.span()), &format!("fixed[{index}]"), message, remedy);
            }
        }
    }
    fixed
}

/// The place that an entry names; or what is wrong with it, and what to write.
fn named(
    entry: &Value,
    document: &DeTable,
    channels: &[String],
    sources: &[String],
) -> Result<String, (String, String)> {
    let DeValue::String(text) = entry.get_ref() else {
        return Err((format!("fixed has {} in it, not a text", describe(entry.get_ref())), FORM.to_owned()));
    };
    let (section, rest) = text.split_once('.').map_or((&**text, None), |(section, rest)| (section, Some(rest)));
    let unknown = |what: String, remedy: String| Err((format!("fixed names {what}"), remedy));
    let Some(content) = document.get(section) else {
        let known: Vec<&str> =
            document.keys().map(|key| key.get_ref().as_ref()).filter(|key| *key != "fixed").collect();
        let near = known.iter().find(|key| names::is_slip(section, key));
        let remedy = near.map_or_else(|| format!("one of {}", known.join(", ")), |near| (*near).to_owned());
        return unknown(format!("{}, which the file does not have", excerpt(text)), remedy);
    };
    let (table, key) = match (section, rest) {
        (_, None) => return Ok(text.to_string()),
        ("channel" | "source", Some(rest)) => {
            let all = if section == "channel" { channels } else { sources };
            let begins = |name: &&String| rest.strip_prefix(name.as_str()).is_some_and(is_end);
            let Some((index, name)) = all.iter().enumerate().find(|(_, name)| begins(name)) else {
                let remedy = format!("{section}.NAME or {section}.NAME.KEY, with a name out of {}", all.join(", "));
                return unknown(format!("{}: no {section} is called so", excerpt(text)), remedy);
            };
            let one = content.get_ref().as_array().and_then(|list| list.get(index));
            (one.and_then(|one| one.get_ref().as_table()), rest[name.len()..].strip_prefix('.'))
        }
        ("thermal_cutout", Some(_)) => {
            return unknown(format!("{}, and these stay or change together", excerpt(text)), section.to_owned());
        }
        (_, Some(key)) => (content.get_ref().as_table(), Some(key)),
    };
    let Some(key) = key else { return Ok(text.to_string()) };
    let key = key.split('.').next().unwrap_or(key);
    let numbers = TABLE.iter().chain(site::TABLE).map(|fact| (fact.section, fact.name));
    let texts = site::TEXTS.iter().map(|text| (text.section, text.name));
    if table.is_some_and(|table| table.contains_key(key)) || numbers.chain(texts).any(|known| known == (section, key)) {
        return Ok(text.to_string());
    }
    let known: Vec<&str> = table.into_iter().flat_map(DeTable::keys).map(|key| key.get_ref().as_ref()).collect();
    let near = known.iter().find(|known| names::is_slip(key, known));
    let place = &text[..text.len() - key.len()];
    let remedy =
        near.map_or_else(|| format!("{place}KEY, with one of {}", known.join(", ")), |near| format!("{place}{near}"));
    unknown(format!("{}, and [{section}] has no setting {}", excerpt(text), excerpt(key)), remedy)
}

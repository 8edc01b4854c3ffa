//! What is said in Signal K, as deltas of at most [`MOST_BYTES`] each.
//!
//! Paths, units and shapes are those of the schema that its authors publish (`@signalk/signalk-schema` 1.8.2). Where the
//! schema has no path there is one of ours, in the same group and spelling: `thermometers` and `charge` of a battery, and
//! `electrical.heaters`. Each path comes with its unit, what it is, and the time after which it is old.
//!
//! Values are said each time, what is announced (`notifications`) when it changes. [`Deltas::begin_anew`] makes all be said again.
//! What was said once and is there no more is taken back.
//!
//! Source of what is missing: the specification, "Missing or Invalid Data": "the value must be JSON `null`".
//! Source of an end:
//! its chapter on notifications, "To clear the notification condition, send" the state `normal`, no method and an empty message. Editions before
//! 1.5 took `null` instead; a reader of those finds a state that alarms nobody.

use crate::watch::view::{Fault, Now, View};
use forewarm_core::fault::SystemFault;
use jiff::Timestamp;
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Most bytes of a delta. An Ethernet frame carries 1500, of which IPv6 and UDP take 48.
pub(super) const MOST_BYTES: usize = 1400;

/// Most bytes of a text. Doubled by escapes it leaves room for its path and the envelope.
const MOST_TEXT_BYTES: usize = 360;

/// Most letters of a thermometer's name in a path.
const MOST_LETTERS: usize = 32;

/// Seconds after which a value is old, for whoever reads this. All is said once a minute at least; half as much again may
/// pass on the way.
const TIMEOUT_S: u32 = 90;

/// How it stands with the controller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Hearing {
    /// Nothing has been heard yet, which is no trouble so soon.
    NotYet,
    /// What it said last holds.
    Good,
    /// It is not heard.
    Lost(String),
    /// Nobody listens any more.
    Ended,
}

/// What a path means.
#[derive(Clone, Copy, Debug)]
struct Meaning {
    units: Option<&'static str>,
    description: &'static str,
}

/// A path with what is there. Without a meaning it is a notification.
#[derive(Clone, Debug)]
struct Datum {
    path: String,
    value: Value,
    meaning: Option<Meaning>,
}

/// An item of `values` or of `meta`.
#[derive(Clone, Debug, Serialize)]
struct Item {
    path: String,
    value: Value,
}

#[derive(Serialize)]
struct Delta<'d> {
    context: &'static str,
    updates: [Update<'d>; 1],
}

#[derive(Serialize)]
struct Update<'d> {
    source: Source,
    timestamp: &'d str,
    #[serde(skip_serializing_if = "<[Item]>::is_empty")]
    values: &'d [Item],
    #[serde(skip_serializing_if = "<[Item]>::is_empty")]
    meta: &'d [Item],
}

#[derive(Serialize)]
struct Source {
    label: &'static str,
    r#type: &'static str,
}

/// What one target has been told.
#[derive(Debug)]
pub(super) struct Deltas {
    bank: String,
    /// Every path since this program began.
    known: BTreeSet<String>,
    /// Whose meaning it has.
    explained: BTreeSet<String>,
    /// The notifications as it has them.
    announced: BTreeMap<String, Value>,
}

impl Deltas {
    pub(super) fn of(bank: &str) -> Self {
        let (known, explained, announced) = (BTreeSet::new(), BTreeSet::new(), BTreeMap::new());
        Self { bank: bank.to_owned(), known, explained, announced }
    }

    /// Assumes that the target knows nothing.
    pub(super) fn begin_anew(&mut self) {
        self.explained.clear();
        self.announced.clear();
    }

    /// What there is to say of `view`, each a whole delta.
    pub(super) fn say(&mut self, view: &View, hearing: &Hearing) -> Vec<String> {
        let mut values = values(view.now.as_ref(), &self.bank);
        let mut faults = view.now.as_ref().map_or_else(Vec::new, |now| faults(now, &self.bank));
        let now = Timestamp::now();
        let heard = view.heard_utc_ms.and_then(|utc_ms| Timestamp::from_millisecond(utc_ms).ok()).unwrap_or(now);
        let spoken = match hearing {
            Hearing::NotYet => return Vec::new(),
            Hearing::Good => heard,
            // Whether a fault still stands is not known. Taking it back would say that it does not.
            Hearing::Lost(_) | Hearing::Ended => {
                for datum in &mut values {
                    datum.value = Value::Null;
                }
                now
            }
        };
        let listening = Datum {
            path: format!("notifications.electrical.batteries.{}.controller", self.bank),
            value: match hearing {
                Hearing::NotYet | Hearing::Good => normal(),
                Hearing::Lost(why) => raised("warn", &format!("the controller is not heard: {why}")),
                Hearing::Ended => raised("alert", "nobody listens to the controller any more"),
            },
            meaning: None,
        };
        let there: BTreeSet<&str> = values.iter().chain(&faults).map(|datum| &*datum.path).collect();
        let gone: Vec<String> = self.known.iter().filter(|path| !there.contains(&***path)).cloned().collect();
        for path in gone.into_iter().filter(|path| *path != listening.path) {
            if path.starts_with("notifications.") {
                faults.push(Datum { path, value: normal(), meaning: None });
            } else {
                values.push(Datum { path, value: Value::Null, meaning: None });
            }
        }
        self.known.extend(values.iter().chain(&faults).map(|datum| datum.path.clone()));
        let meta: Vec<Item> = values.iter().filter_map(|datum| self.explanation(datum)).collect();
        let news = |this: &mut Self, datum: Datum| {
            let before = this.announced.insert(datum.path.clone(), datum.value.clone());
            (before.as_ref() != Some(&datum.value)).then_some(Item { path: datum.path, value: datum.value })
        };
        let mut said: Vec<Item> = values.into_iter().map(|Datum { path, value, .. }| Item { path, value }).collect();
        said.extend(news(self, listening));
        let faults: Vec<Item> = faults.into_iter().filter_map(|datum| news(self, datum)).collect();
        [(spoken, meta, Part::Meta), (spoken, said, Part::Values), (heard, faults, Part::Values)]
            .into_iter()
            .flat_map(|(moment, items, part)| packed(moment, &items, part))
            .collect()
    }

    fn explanation(&mut self, datum: &Datum) -> Option<Item> {
        let Meaning { units, description } = datum.meaning?;
        if !self.explained.insert(datum.path.clone()) {
            return None;
        }
        let mut value = json!({ "description": description, "timeout": TIMEOUT_S });
        if let Some(units) = units {
            value["units"] = json!(units);
        }
        Some(Item { path: datum.path.clone(), value })
    }
}

/// What the items of an update are.
#[derive(Clone, Copy)]
enum Part {
    Values,
    Meta,
}

/// As few deltas as hold all items.
fn packed(moment: Timestamp, items: &[Item], part: Part) -> Vec<String> {
    let timestamp = moment.to_string();
    let text = |items: &[Item]| {
        let source = Source { label: "forewarm", r#type: "signalk" };
        let (values, meta) = match part {
            Part::Values => (items, &[][..]),
            Part::Meta => (&[][..], items),
        };
        let updates = [Update { source, timestamp: &timestamp, values, meta }];
        serde_json::to_string(&Delta { context: "vessels.self", updates }).unwrap_or_default()
    };
    let mut packed = Vec::new();
    let mut rest = items;
    while !rest.is_empty() {
        // One always fits: see `MOST_TEXT_BYTES`.
        let fits = (2..=rest.len()).take_while(|&count| text(&rest[..count]).len() <= MOST_BYTES).last();
        let (first, others) = rest.split_at(fits.unwrap_or(1));
        packed.push(text(first));
        rest = others;
    }
    packed
}

/// 0 °C is 273.15 K. The view has thousandths; the sum has no other digits either.
fn kelvins(t_c: f64) -> f64 {
    ((t_c * 1000.0).round() + 273_150.0) / 1000.0
}

/// What is measured and decided.
fn values(now: Option<&Now>, bank: &str) -> Vec<Datum> {
    let battery = |name: &str| format!("electrical.batteries.{bank}.{name}");
    let heater = |name: &str| format!("electrical.heaters.{bank}.{name}");
    let number = |path: String, value: Option<f64>, units: &'static str, description: &'static str| Datum {
        path,
        value: value.into(),
        meaning: Some(Meaning { units: Some(units), description }),
    };
    let words = |path: String, value: Option<&str>, description: &'static str| Datum {
        path,
        value: value.map(shortened).into(),
        meaning: Some(Meaning { units: None, description }),
    };
    let mut values = vec![
        number(
            battery("temperature"),
            now.and_then(|now| now.coldest_cell_c).map(kelvins),
            "K",
            "Temperature of the coldest cell that is trusted",
        ),
        number(battery("voltage"), now.and_then(|now| now.bank_v), "V", "Voltage of the bank"),
        number(
            battery("capacity.stateOfCharge"),
            now.and_then(|now| now.soc_pct).map(|soc_pct| (soc_pct * 10.0).round() / 1000.0),
            "ratio",
            "State of charge, 1 = 100%",
        ),
        words(
            battery("charge.permission"),
            now.map(|now| now.charge),
            "Whether charge is permitted, reduced or refused",
        ),
        words(battery("charge.cause"), now.map(|now| &*now.why), "Why, in words"),
        number(
            battery("charge.currentLimit"),
            now.and_then(|now| now.ceiling_a),
            "A",
            "The most charge current that sources which obey it may give together",
        ),
        words(heater("state"), now.map(|now| now.heater), "Whether the heater of the bank is on or off"),
        number(heater("voltage"), now.and_then(|now| now.supply_v), "V", "Voltage of the heater's supply"),
    ];
    if let Some(now) = now {
        let keys = keys(now);
        values.extend(now.channels.iter().filter_map(|channel| {
            let path = battery(&format!("thermometers.{}.temperature", keys.get(&channel.index)?));
            Some(number(path, channel.reading_c.map(kelvins), "K", "Reading of a thermometer, while it is trusted"))
        }));
    }
    values
}

/// What is announced of every fault that there can be, so that one of yesterday does not stand for ever.
fn faults(now: &Now, bank: &str) -> Vec<Datum> {
    let standing = |is_it: &dyn Fn(&Fault) -> bool| {
        now.faults.iter().find(|fault| is_it(fault)).map_or_else(normal, |fault| {
            let Fault { of, alarm, meaning, check_first, .. } = fault;
            let of = of.as_ref().map(|of| format!("{of}: ")).unwrap_or_default();
            raised(if *alarm { "alarm" } else { "alert" }, &format!("{of}{meaning}; check first: {check_first}"))
        })
    };
    let system = SystemFault::ALL.into_iter().map(|fault| {
        let name = fault.facts().name;
        Datum {
            path: format!("notifications.electrical.batteries.{bank}.{}", key(name)),
            value: standing(&|fault| fault.channel.is_none() && fault.name == name),
            meaning: None,
        }
    });
    // By number: a name can change between two runs, and then nobody would take back the fault under the old one.
    let channels = keys(now).into_keys().map(|index| Datum {
        path: format!("notifications.electrical.batteries.{bank}.thermometers.channel{}", index + 1),
        value: standing(&|fault| fault.channel == Some(index)),
        meaning: None,
    });
    system.chain(channels).collect()
}

/// A notification. Only an alarm is heard.
fn raised(state: &str, message: &str) -> Value {
    let method: &[&str] = if state == "alarm" { &["visual", "sound"] } else { &["visual"] };
    json!({ "state": state, "method": method, "message": shortened(message) })
}

fn normal() -> Value {
    json!({ "state": "normal", "method": [], "message": "" })
}

/// The name in a path of each channel that is shown or at fault: no two alike.
fn keys(now: &Now) -> BTreeMap<usize, String> {
    let at_fault = now.faults.iter().filter_map(|fault| Some((fault.channel?, fault.of.as_deref()?)));
    let shown = now.channels.iter().map(|channel| (channel.index, &*channel.name));
    let names: BTreeMap<usize, &str> = at_fault.chain(shown).collect();
    let mut taken = BTreeSet::new();
    let keys = names.into_iter().map(|(index, name)| {
        let mut key = key(name);
        if key.is_empty() || taken.contains(&key) {
            key = format!("channel{}", index + 1);
        }
        while !taken.insert(key.clone()) {
            key.push('x');
        }
        (index, key)
    });
    keys.collect()
}

/// `battery_1` and `battery 1` as `battery1`, `box air` as `boxAir`: the schema's pattern has letters and digits alone.
fn key(name: &str) -> String {
    let mut key = String::new();
    for word in name.split(|letter: char| !letter.is_ascii_alphanumeric()) {
        let mut letters = word.chars();
        if let (Some(first), false) = (letters.next(), key.is_empty()) {
            key.push(first.to_ascii_uppercase());
            key.push_str(letters.as_str());
        } else {
            key.push_str(word);
        }
    }
    key.truncate(MOST_LETTERS);
    key
}

/// A text without control characters that is not too long.
fn shortened(text: &str) -> String {
    let mut short = String::new();
    for letter in text.chars().filter(|letter| !letter.is_control()) {
        if short.len() + letter.len_utf8() > MOST_TEXT_BYTES {
            break;
        }
        short.push(letter);
    }
    short
}

#[cfg(test)]
mod tests;

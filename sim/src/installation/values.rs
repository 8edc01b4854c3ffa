//! Typed values from a section: numbers in the unit and range of their row of [`TABLE`], words from a list, names.
//!
//! Every fault of a value is reported at once. A stand-in then takes the value's place and is marked as doubtful, so
//! that the rest of the file is still examined. Later faults of a stand-in are not reported.
//!
//! [`TABLE`]: forewarm_core::settings::TABLE

use super::document::{Findings, Section, Span, Value, describe};
use super::quantities::{Kind, Quantity};
use super::row::{Row, plausible, range, real, wanted};
use crate::decimal::{Decimal, NotDecimal, NotWhole};
use crate::diagnostic::{Severity, excerpt};
use forewarm_core::quantity::{Celsius, Fraction, KelvinRate, Kelvins, Millis, Millivolts, Milliwatts, Ohms};
use forewarm_core::settings::{Key, Place, Thousandths};
use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use toml::Spanned;
use toml::de::DeValue;

/// The word for a time that is not judged.
pub(super) const NEVER: &str = "never";

/// Reads values and remembers where each setting stands.
pub(super) struct Reader<'t> {
    pub(super) findings: Findings<'t>,
    /// The folder of the file, if it lies in one.
    pub(super) folder: Option<PathBuf>,
    spans: HashMap<Place, Span>,
    doubts: HashSet<Doubt>,
    /// The places of site numbers that are stand-ins.
    doubtful_numbers: HashSet<String>,
    /// Every value that was asked for.
    pub(super) quantities: Vec<Quantity>,
}

/// Something with a reported fault. A stand-in has taken its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Doubt {
    /// One setting.
    Setting(Place),
    /// The element of the channel of this index.
    Element(usize),
    /// The role of some channel.
    Role,
    /// The list of channels as a whole.
    Channels,
    /// The charge-current ceiling as a whole.
    Ceiling,
    /// The list of sources as a whole.
    Sources,
    /// Whether the bank may be spent, and how far.
    Bank,
}

impl From<Place> for Doubt {
    fn from(place: Place) -> Self {
        Self::Setting(place)
    }
}

impl<'t> Reader<'t> {
    pub(super) fn new(findings: Findings<'t>, folder: Option<PathBuf>) -> Self {
        let (spans, doubts, doubtful_numbers) = (HashMap::new(), HashSet::new(), HashSet::new());
        Self { findings, folder, spans, doubts, doubtful_numbers, quantities: Vec::new() }
    }

    /// The value of a row, if it is there. Notes that it was asked for.
    pub(super) fn value_of(&mut self, section: &mut Section<'t>, row: impl Row) -> Option<&'t Value<'t>> {
        let value = section.get(row.fact().name);
        let noted = section.home.map(|home| Quantity::number(home, row, value.map(Spanned::get_ref)));
        self.quantities.extend(noted);
        value
    }

    /// The same for a word or a text.
    pub(super) fn text_of(
        &mut self,
        section: &mut Section<'t>,
        name: &'static str,
        kind: Kind,
    ) -> Option<&'t Value<'t>> {
        let value = section.get(name);
        let noted = section.home.map(|home| Quantity::text(home, name, kind, value.map(Spanned::get_ref)));
        self.quantities.extend(noted);
        value
    }

    /// Where a setting stands. Nothing if the file leaves it at its default.
    pub(super) fn span(&self, place: Place) -> Option<&Span> {
        self.spans.get(&place)
    }

    /// Whether a stand-in has taken its place.
    pub(super) fn doubts(&self, what: impl Into<Doubt>) -> bool {
        self.doubts.contains(&what.into())
    }

    /// Notes that a stand-in has taken its place.
    pub(super) fn doubt(&mut self, what: impl Into<Doubt>) {
        self.doubts.insert(what.into());
    }

    /// Whether a stand-in has taken the place of the site number at `place`.
    pub(super) fn doubts_number(&self, place: &str) -> bool {
        self.doubtful_numbers.contains(place)
    }

    /// Notes that a stand-in has taken the place of a site number.
    pub(super) fn doubt_number(&mut self, place: String) {
        self.doubtful_numbers.insert(place);
    }

    /// The setting at `place` in thousandths of its unit. Its default if the section does not have it; nothing if it
    /// has no default either.
    pub(super) fn optional(&mut self, section: &mut Section<'t>, place: Place) -> Option<i64> {
        let fact = place.key.fact();
        let Some(value) = self.value_of(section, place.key) else {
            return fact.default;
        };
        self.spans.insert(place, value.span());
        let number = self.in_range(section, place.key, value).and_then(|number| number.parts(3).ok());
        Some(number.unwrap_or_else(|| {
            self.doubt(place);
            fact.minimum
        }))
    }

    /// The setting at `place` in thousandths of its unit, or its default. Reports it as missing if there is neither.
    pub(super) fn required(&mut self, section: &mut Section<'t>, place: Place) -> i64 {
        self.optional(section, place).unwrap_or_else(|| {
            let fact = place.key.fact();
            section.lacks(fact.name, wanted(place.key));
            self.doubt(place);
            fact.minimum
        })
    }

    /// The number of a row, in its range. Reports any fault.
    pub(super) fn in_range<R: Row>(&mut self, section: &Section<'t>, row: R, value: &Value<'t>) -> Option<Decimal> {
        let fact = row.fact();
        let (name, place) = (fact.name, section.place(fact.name));
        let decimal = self.decimal(section, name, value, &range(fact))?;
        if R::IN_THOUSANDTHS {
            self.whole_parts(section, name, value, decimal, (3, &range(fact)))?;
        }
        let number = decimal.to_f64();
        let shown = describe(value.get_ref());
        let allows = |number: f64| (real(fact.minimum)..=real(fact.maximum)).contains(&number);
        if allows(number) {
            if fact.unit.is_empty() && number.fract() != 0.0 {
                let message = format!("{place} is {shown}, not a whole number");
                self.findings.error(Some(&value.span()), &place, message, format!("{name} = {}", number.trunc()));
                return None;
            }
            return Some(decimal);
        }
        let space = if fact.unit.is_empty() { "" } else { " " };
        let message = format!("{place} is {shown}{space}{}, outside {}", fact.unit, range(fact));
        if let Some((why, remedy)) = row.beyond().filter(|_| number > real(fact.maximum)) {
            self.findings.add(Severity::Error, Some(&value.span()), &place, message, Some(why), remedy);
            return None;
        }
        // A wrong sign is the commonest slip, so try that first. Then offer the default, or an example if there is
        // none.
        let better = match fact.default {
            _ if allows(-number) => -number,
            Some(default) => real(default),
            None => plausible(row).map_or_else(|| number.clamp(real(fact.minimum), real(fact.maximum)), real),
        };
        let remedy = format!("{name} = {better}");
        self.findings.add(Severity::Error, Some(&value.span()), &place, message, Some(row.meaning()), remedy);
        None
    }

    /// A number as a whole count of 10^−`places`. Messages use `wanted` to say what is allowed.
    fn parts(
        &mut self,
        section: &Section<'t>,
        name: &str,
        value: &Value<'t>,
        (places, wanted): (u32, &str),
    ) -> Option<i64> {
        let decimal = self.decimal(section, name, value, wanted)?;
        self.whole_parts(section, name, value, decimal, (places, wanted))
    }

    /// The same, for a number that is already read.
    fn whole_parts(
        &mut self,
        section: &Section<'t>,
        name: &str,
        value: &Value<'t>,
        number: Decimal,
        (places, wanted): (u32, &str),
    ) -> Option<i64> {
        let (fault, remedy) = match number.parts(places) {
            Ok(parts) => return Some(parts),
            Err(NotWhole::Finer) => {
                let finest = if places == 3 { "0.001".to_owned() } else { format!("1e-{places}") };
                (format!("finer than {finest}"), format!("a number rounded to {finest}"))
            }
            Err(NotWhole::TooLarge) => ("far too large".to_owned(), wanted.to_owned()),
        };
        let (place, shown) = (section.place(name), describe(value.get_ref()));
        self.findings.error(Some(&value.span()), &place, format!("{place} is {shown}, {fault}"), remedy);
        None
    }

    /// A number as written. Messages use `wanted` to say what is allowed.
    pub(super) fn decimal(
        &mut self,
        section: &Section<'t>,
        name: &str,
        value: &Value<'t>,
        wanted: &str,
    ) -> Option<Decimal> {
        let place = section.place(name);
        let shown = describe(value.get_ref());
        let written = match value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse::<Decimal>(),
            DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
                .map_or(Err(NotDecimal::TooLong), |number| number.to_string().parse()),
            DeValue::Float(number) => number.as_str().parse::<Decimal>(),
            other => {
                let message = format!("{place} is {shown}, not a number");
                let remedy = match other {
                    DeValue::String(text) => match unquoted(text) {
                        Some(number) => format!("{name} = {number}"),
                        None if [Key::StuckAfter, Key::StillAfter].iter().any(|key| key.fact().name == name) => {
                            format!("{name} = \"{NEVER}\", or a number without quotes, {wanted}")
                        }
                        None => format!("a number without quotes, {wanted}"),
                    },
                    _ => format!("a number, {wanted}"),
                };
                self.findings.error(Some(&value.span()), &place, message, remedy);
                return None;
            }
        };
        match written {
            Ok(number) => Some(number),
            Err(fault) => {
                let message = format!("{place} is {shown}, {fault}");
                self.findings.error(Some(&value.span()), &place, message, format!("a number, {wanted}"));
                None
            }
        }
    }

    /// A number that is no row of the table, in parts of 10^−`places`, if it is there. `Err` if a fault has been
    /// reported.
    pub(super) fn number(
        &mut self,
        section: &mut Section<'t>,
        name: &'static str,
        places: u32,
        wanted: &str,
    ) -> Result<Option<i64>, Told> {
        let Some(value) = section.get(name) else {
            return Ok(None);
        };
        self.parts(section, name, value, (places, wanted)).map(Some).ok_or(Told)
    }

    /// The meaning of a word, if the word is there. `Err` if a fault has been reported.
    pub(super) fn word<T: Copy>(
        &mut self,
        section: &mut Section<'t>,
        name: &'static str,
        words: &[(&str, T)],
    ) -> Result<Option<T>, Told> {
        let kind = Kind::Word(words.iter().map(|(word, _)| (*word).to_owned()).collect());
        let Some(value) = self.text_of(section, name, kind) else {
            return Ok(None);
        };
        if let DeValue::String(text) = value.get_ref()
            && let Some((_, meaning)) = words.iter().find(|(word, _)| word == text)
        {
            return Ok(Some(*meaning));
        }
        let place = section.place(name);
        let allowed = quoted_list(words.iter().map(|(word, _)| *word));
        let near = value.get_ref().as_str().and_then(|text| {
            let slips = |word: &str| strsim::damerau_levenshtein(&text.to_lowercase(), &word.to_lowercase());
            let nearest = words.iter().map(|(word, _)| *word).min_by_key(|word| slips(word))?;
            // As many slips as letters make another word.
            (slips(nearest) <= 2 && slips(nearest) < nearest.chars().count()).then_some(nearest)
        });
        let remedy = match near {
            Some(word) if words.len() > 1 => format!("{name} = \"{word}\" (it may be {allowed})"),
            _ => format!("{name} = {allowed}"),
        };
        let message = format!("{place} is {}, which means nothing here", describe(value.get_ref()));
        self.findings.error(Some(&value.span()), &place, message, remedy);
        Err(Told)
    }

    /// A required word. `None` if it is missing or wrong, which has then been reported.
    pub(super) fn required_word<T: Copy>(
        &mut self,
        section: &mut Section<'t>,
        name: &'static str,
        words: &[(&str, T)],
    ) -> Option<T> {
        match self.word(section, name, words) {
            Ok(Some(meaning)) => Some(meaning),
            Ok(None) => {
                section.lacks(name, format!("{name} = {}", quoted_list(words.iter().map(|(word, _)| *word))));
                None
            }
            Err(Told) => None,
        }
    }

    /// A text, if it is there, and is one.
    pub(super) fn text(&mut self, section: &mut Section<'t>, name: &'static str) -> Option<&'t str> {
        let value = self.text_of(section, name, Kind::Text)?;
        if let DeValue::String(text) = value.get_ref() {
            return Some(text);
        }
        let (place, shown) = (section.place(name), describe(value.get_ref()));
        self.findings.error(
            Some(&value.span()),
            &place,
            format!("{place} is {shown}, not a text"),
            format!("{name} = \"…\""),
        );
        None
    }

    /// The name of a channel or source. It must not be among `taken`, and must suit as the name of a log's column.
    pub(super) fn name(&mut self, section: &mut Section<'t>, taken: &mut Vec<(String, Option<Span>)>) -> String {
        let fallback = section.path.clone();
        if !section.has("name") {
            let _ = section.get("name");
            section.lacks("name", "name = \"…\": logs and messages call it by its name");
            return fallback;
        }
        let Some(name) = self.text(section, "name") else {
            return fallback;
        };
        let place = section.place("name");
        let span = section.key_span("name");
        let shown = excerpt(name);
        let allowed = |letter: char| letter.is_alphanumeric() || matches!(letter, ' ' | '_' | '-' | '.');
        if name.is_empty() || name.chars().count() > 32 || name.trim() != name || !name.chars().all(allowed) {
            let message = format!("{place} is \"{shown}\", which no column of a log can be called");
            let remedy = "1 to 32 letters, digits, spaces, _, - and ., with no space at either end";
            self.findings.error(span.as_ref(), &place, message, remedy);
        } else if let Some((_, first)) = taken.iter().find(|(other, _)| other.to_lowercase() == name.to_lowercase()) {
            let line = first.as_ref().map(|first| format!(" (line {})", self.findings.line(first))).unwrap_or_default();
            let message = format!("{place} is \"{shown}\", and so is another{line}");
            let remedy = "two names that differ in more than capitals";
            let why = Some("a log or a message could not tell the two apart");
            self.findings.add(Severity::Error, span.as_ref(), &place, message, why, remedy);
        }
        taken.push((name.to_owned(), span));
        name.to_owned()
    }
}

/// A fault has been reported, so there is no value.
pub(super) struct Told;

/// `"a", "b" or "c"`.
fn quoted_list<'w>(words: impl Iterator<Item = &'w str>) -> String {
    let words: Vec<String> = words.map(|word| format!("\"{word}\"")).collect();
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => words.concat(),
    }
}

/// The number in a text that should be a number: `"8"`, `"8 °C"`, `"12,8"`.
fn unquoted(text: &str) -> Option<String> {
    let number = text.trim().trim_end_matches(|letter: char| !letter.is_ascii_digit()).replace(',', ".");
    let parts = number.parse::<Decimal>().ok()?.parts(3).ok()?;
    Some(Thousandths(parts).to_string())
}

/// Conversions of what [`Reader::required`] and [`Reader::optional`] return. That lies in the range of its row and so
/// fits.
macro_rules! quantities {
    ($($name:ident -> $type:ty = $convert:expr;)*) => {
        impl<'t> Reader<'t> {
            $(pub(super) fn $name(&mut self, section: &mut Section<'t>, place: impl Into<At>) -> $type {
                let place = place.into().0;
                let convert: fn(Key, i64) -> $type = $convert;
                convert(place.key, self.required(section, place))
            })*
        }
    };
}

/// A place, or a key that occurs once.
pub(super) struct At(Place);

impl From<Place> for At {
    fn from(place: Place) -> Self {
        Self(place)
    }
}

impl From<Key> for At {
    fn from(key: Key) -> Self {
        Self(Place::of(key))
    }
}

quantities! {
    celsius -> Celsius = |_, value| Celsius::from_millidegrees(signed(value));
    kelvins -> Kelvins = |_, value| Kelvins::from_millikelvins(signed(value));
    rate -> KelvinRate = |_, value| KelvinRate::from_millikelvins_per_minute(unsigned(value));
    volts -> Millivolts = |_, value| Millivolts::from_millivolts(unsigned(value));
    watts -> Milliwatts = |_, value| Milliwatts::from_milliwatts(unsigned(value));
    ohms -> Ohms = |_, value| Ohms::from_milliohms(unsigned(value));
    c_rate -> Fraction = |_, value| Fraction::from_per_mille(unsigned(value));
    percent -> Fraction = |_, value| Fraction::from_steps(unsigned((value * 65_536 + 50_000) / 100_000));
    span_of_time -> Millis = |key, value| millis(key, value);
    count -> u8 = |_, value| u8::try_from(value / 1000).unwrap_or(u8::MAX);
    thousandths -> u32 = |_, value| unsigned(value);
}

pub(super) fn signed(value: i64) -> i32 {
    i32::try_from(value).unwrap_or(if value < 0 { i32::MIN } else { i32::MAX })
}

pub(super) fn unsigned(value: i64) -> u32 {
    u32::try_from(value).unwrap_or(if value < 0 { 0 } else { u32::MAX })
}

/// A span of time, from thousandths of the unit in its row.
pub(super) fn millis(key: Key, value: i64) -> Millis {
    Millis::from_millis(unsigned(value.saturating_mul(seconds(key.fact().unit))))
}

/// Seconds in a unit of time; 1 for any other unit.
pub(super) fn seconds(unit: &str) -> i64 {
    match unit {
        "h" => 3600,
        "min" => 60,
        _ => 1,
    }
}

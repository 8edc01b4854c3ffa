//! TOML, and what all sections share: which keys a section knows, which of them are there, and where.

use super::names;
use crate::diagnostic::{Position, Problem, Severity, Walk, excerpt};
use crate::edit::Home;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A range of bytes in the text.
pub(super) type Span = Range<usize>;
/// A value and where it stands.
pub(super) type Value<'t> = Spanned<DeValue<'t>>;

/// The text being read, and the problems found so far.
pub(super) struct Findings<'t> {
    file: &'t str,
    text: &'t str,
    /// Each with the byte where it stands. Lines and columns are counted once, at the end.
    problems: Vec<(Option<usize>, Problem)>,
}

impl<'t> Findings<'t> {
    pub(super) fn new(file: &'t str, text: &'t str) -> Self {
        Self { file, text, problems: Vec::new() }
    }

    /// Adds a problem about `place` (such as `charge.release_c`). `span` is where it stands, if it stands anywhere.
    pub(super) fn add(
        &mut self,
        severity: Severity,
        span: Option<&Span>,
        place: &str,
        message: impl Into<Box<str>>,
        why: Option<&str>,
        remedy: impl Into<Box<str>>,
    ) {
        let problem = Problem {
            severity,
            place: place.into(),
            why: why.map(Box::from),
            ..Problem::error(self.file, message).remedy(remedy)
        };
        self.problems.push((span.map(|span| span.start), problem));
    }

    /// Adds an error.
    pub(super) fn error(
        &mut self,
        span: Option<&Span>,
        place: &str,
        message: impl Into<Box<str>>,
        remedy: impl Into<Box<str>>,
    ) {
        self.add(Severity::Error, span, place, message, None, remedy);
    }

    /// The line on which `span` begins.
    pub(super) fn line(&self, span: &Span) -> u32 {
        Position::of(self.text, span.start).line
    }

    /// Everything found, in the order of the text. Problems without a place come last.
    pub(super) fn into_problems(mut self) -> Vec<Problem> {
        self.problems.sort_by_key(|(offset, _)| (offset.is_none(), *offset));
        let mut walk = Walk::new(self.text);
        let placed = |(offset, problem): (Option<usize>, Problem)| Problem {
            position: offset.map(|offset| walk.to(offset)),
            ..problem
        };
        self.problems.into_iter().map(placed).collect()
    }
}

/// The text as TOML. Returns nothing if it is not TOML; the findings then say why.
pub(super) fn parse<'t>(findings: &mut Findings<'t>) -> Option<Spanned<DeTable<'t>>> {
    /// Errors that follow from the first slip are noise.
    const MOST: usize = 5;
    let (document, errors) = DeTable::parse_recoverable(findings.text);
    if errors.is_empty() {
        if document.get_ref().is_empty() {
            findings.error(None, "", "is empty", "`forewarm new FILE` writes a first one");
            return None;
        }
        return Some(document);
    }
    let mut told = 0;
    let mut last = None;
    for error in errors {
        let start = error.span().map(|span| span.start);
        let same_line = match (last, start) {
            (Some(last), Some(start)) => !findings.text.get(last..start).is_some_and(|between| between.contains('\n')),
            _ => false,
        };
        if same_line {
            continue;
        }
        if told == MOST {
            break;
        }
        (told, last) = (told + 1, start);
        let message = error.message().replace('\n', ", ");
        let remedy = match &*message {
            "duplicate key" => "one of the two: a name is set once",
            _ => "a setting is a line `name = value`, with text in \"quotes\" and a point, not a comma, in numbers",
        };
        findings.error(error.span().as_ref(), "", format!("is no valid TOML here: {}", excerpt(&message)), remedy);
    }
    None
}

/// One section of the file while it is read.
///
/// A key is known once it has been asked for. The reading code itself is therefore the list of allowed keys.
pub(super) struct Section<'t> {
    /// The name that messages use: `charge`, `channel[0]`, `charge.ceiling[1]`; empty for the top of the file.
    pub(super) path: String,
    /// Where it begins; nothing if the file does not have it.
    pub(super) span: Option<Span>,
    /// The same for who changes the file; nothing for a place that no change can name.
    pub(super) home: Option<Home>,
    table: Option<&'t DeTable<'t>>,
    known: Vec<&'static str>,
    missing: Vec<Missing>,
}

struct Missing {
    key: &'static str,
    remedy: String,
}

impl<'t> Section<'t> {
    /// The whole file.
    pub(super) fn top(table: &'t DeTable<'t>) -> Self {
        Self::new("", Some(Home::Top), None, Some(table))
    }

    fn new(path: impl Into<String>, home: Option<Home>, span: Option<Span>, table: Option<&'t DeTable<'t>>) -> Self {
        Self { path: path.into(), home, span, table, known: Vec::new(), missing: Vec::new() }
    }

    /// The name of `key` with the section before it.
    pub(super) fn place(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// The value of `key`, if it is there.
    pub(super) fn get(&mut self, key: &'static str) -> Option<&'t Value<'t>> {
        self.known.push(key);
        self.table?.get(key)
    }

    /// Whether `key` is there.
    pub(super) fn has(&self, key: &str) -> bool {
        self.table.is_some_and(|table| table.contains_key(key))
    }

    /// Whether the section is there, and is a section.
    pub(super) fn is_read(&self) -> bool {
        self.table.is_some()
    }

    /// Where `key` is written, if it is there.
    pub(super) fn key_span(&self, key: &str) -> Option<Span> {
        self.table?.get_key_value(key).map(|(key, _)| key.span())
    }

    /// Notes that `key` is missing. [`Section::finish`] reports it, unless a misspelt key explains it.
    pub(super) fn lacks(&mut self, key: &'static str, remedy: impl Into<String>) {
        self.missing.push(Missing { key, remedy: remedy.into() });
    }

    /// The part called `key`, or by a similar misspelt name. Its contents are read in either case, and
    /// [`Section::finish`] reports the slip.
    fn part(&mut self, key: &'static str) -> Option<(Span, &'t Value<'t>)> {
        self.known.push(key);
        let table = self.table?;
        let found = table.get_key_value(key).or_else(|| {
            table
                .iter()
                .find(|(name, value)| names::holds_settings(value.get_ref()) && names::is_slip(name.get_ref(), key))
        });
        found.map(|(name, value)| (name.span(), value))
    }

    /// A section within this one. It counts as absent if `key` is absent or not a table.
    pub(super) fn section(&mut self, key: &'static str, findings: &mut Findings) -> Section<'t> {
        let place = self.place(key);
        let home = (self.home == Some(Home::Top)).then_some(Home::Section(key));
        let Some((span, value)) = self.part(key) else {
            return Section::new(place, home, None, None);
        };
        let span = Some(span);
        match value.get_ref() {
            DeValue::Table(table) => Section::new(place, home, span, Some(table)),
            DeValue::Array(_) => {
                findings.error(
                    span.as_ref(),
                    &place,
                    format!("{place} is written once"),
                    format!("a single [{place}]"),
                );
                Section::new(place, home, span, None)
            }
            other => {
                let message = format!("{place} is {}, not a section", describe(other));
                findings.error(
                    span.as_ref(),
                    &place,
                    message,
                    format!("[{place}], with its settings in the lines below"),
                );
                Section::new(place, home, span, None)
            }
        }
    }

    /// The tables listed under `key`, at most `most` of them. The list is empty if there are none. Returns nothing if
    /// `key` is not such a list.
    pub(super) fn list(
        &mut self,
        key: &'static str,
        most: usize,
        form: &str,
        findings: &mut Findings,
    ) -> Option<Vec<Section<'t>>> {
        let place = self.place(key);
        let Some((span, value)) = self.part(key) else {
            return Some(Vec::new());
        };
        let span = Some(span);
        let DeValue::Array(items) = value.get_ref() else {
            let message = format!("{place} is {}, not a list", describe(value.get_ref()));
            findings.error(span.as_ref(), &place, message, form);
            return None;
        };
        let mut sections = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let path = format!("{place}[{index}]");
            let span = item.span();
            if index == most {
                let message = format!("{place} has {} entries, and {most} are the most", items.len());
                findings.error(Some(&span), &path, message, format!("leave out {}", items.len() - most));
                break;
            }
            match item.get_ref() {
                DeValue::Table(table) => {
                    let home = Home::listed(self.home, key, index);
                    sections.push(Section::new(path, home, Some(span), Some(table)));
                }
                other => {
                    findings.error(Some(&span), &path, format!("{path} is {}, not a table", describe(other)), form);
                    return None;
                }
            }
        }
        Some(sections)
    }

    /// Reports keys that are there but unknown, and keys that are known but missing.
    pub(super) fn finish(self, findings: &mut Findings) {
        if self.table.is_none() && self.span.is_some() {
            // Something other than a section is there, which is already reported. Nobody can say what it lacks.
            return;
        }
        let mut explained = Vec::new();
        for (key, value) in self.table.into_iter().flatten() {
            let name: &str = key.get_ref();
            if self.known.contains(&name) {
                continue;
            }
            let guess = names::guess(name, value.get_ref(), &self.known);
            explained.extend(guess.as_ref().map(|guess| guess.key));
            let message = match (&*self.path, value.get_ref()) {
                ("", value) if names::holds_settings(value) => format!("there is no section [{}]", excerpt(name)),
                ("", _) => format!("there is no setting {} outside a section", excerpt(name)),
                (path, _) => format!("{path} has no setting {}", excerpt(name)),
            };
            let remedy = match guess {
                Some(guess) => guess.remedy,
                None => names::elsewhere(name).unwrap_or_else(|| format!("one of {}", self.known.join(", "))),
            };
            findings.error(Some(&key.span()), &self.place(&excerpt(name)), message, remedy);
        }
        for Missing { key, remedy } in &self.missing {
            if !explained.contains(key) {
                let place = self.place(key);
                findings.error(self.span.as_ref(), &place, format!("{place} is missing"), &**remedy);
            }
        }
    }
}

/// What a value is, in words, with the value itself where it is short.
pub(super) fn describe(value: &DeValue) -> String {
    match value {
        DeValue::String(text) => format!("the text \"{}\"", excerpt(text)),
        DeValue::Integer(number) => excerpt(&number.to_string()),
        DeValue::Float(number) => excerpt(&number.to_string()),
        DeValue::Boolean(truth) => truth.to_string(),
        DeValue::Datetime(_) => "a date or time".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

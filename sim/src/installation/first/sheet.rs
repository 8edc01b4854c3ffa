//! The text of an installation file, changed line by line, so that every comment stays where it is.
//!
//! It knows only what first files look like: sections with a blank line between them and none within, and one setting
//! to a line. It is no reader of TOML.

use crate::installation::site::table as site;
use forewarm_core::settings::TABLE;

/// A text in paragraphs. Each holds a section, or what stands before the first one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sheet(Vec<Paragraph>);

/// The lines of one section, with the comments above it.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Paragraph(Vec<String>);

/// The place of a section in a sheet. It holds until a section is added.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place(usize);

impl Paragraph {
    fn of(text: &str) -> Self {
        Self(text.lines().map(str::to_owned).collect())
    }

    fn header(&self) -> Option<&str> {
        self.0.iter().map(String::as_str).find(|line| line.starts_with('['))
    }

    fn line(&self, key: &str) -> Option<usize> {
        self.0.iter().position(|line| line.split_once(" = ").is_some_and(|(name, _)| name == key))
    }

    /// The line on which `key` is only offered, as a comment.
    fn offer(&self, key: &str) -> Option<usize> {
        self.0
            .iter()
            .position(|line| line.split_once(" = ").is_some_and(|(name, _)| name.strip_prefix("# ") == Some(key)))
    }
}

impl Sheet {
    /// The sheet of `text`.
    pub(super) fn of(text: &str) -> Self {
        Self(text.trim_end().split("\n\n").map(Paragraph::of).collect())
    }

    /// Its text.
    pub(super) fn text(&self) -> String {
        let paragraphs: Vec<String> = self.0.iter().map(|paragraph| paragraph.0.join("\n")).collect();
        paragraphs.join("\n\n") + "\n"
    }

    /// The section `name`, of which there is at most one.
    pub(super) fn section(&self, name: &str) -> Option<Place> {
        let header = format!("[{name}]");
        self.0.iter().position(|paragraph| paragraph.header() == Some(&header)).map(Place)
    }

    /// Every section of the list `name`, in order.
    pub(super) fn list(&self, name: &str) -> Vec<Place> {
        let header = format!("[[{name}]]");
        let is_one = |&index: &usize| self.0[index].header() == Some(&header);
        (0..self.0.len()).filter(is_one).map(Place).collect()
    }

    /// What is written for `key` in a section.
    pub(super) fn value(&self, Place(index): Place, key: &str) -> Option<&str> {
        let paragraph = &self.0[index];
        paragraph.line(key).and_then(|line| paragraph.0[line].split_once(" = ")).map(|(_, value)| value)
    }

    /// The same for a text or a word, without its quotes.
    pub(super) fn word(&self, place: Place, key: &str) -> Option<&str> {
        self.value(place, key).map(|value| value.trim_matches('"'))
    }

    /// The same for a number.
    pub(super) fn number(&self, place: Place, key: &str) -> Option<f64> {
        self.value(place, key)?.parse().ok()
    }

    /// Writes `value` for `key`: in place of its value, or on the line that offers it, or else as the last line of the
    /// section.
    pub(super) fn set(&mut self, Place(index): Place, key: &str, value: &str) {
        let written = format!("{key} = {value}");
        let paragraph = &mut self.0[index];
        match paragraph.line(key).or_else(|| paragraph.offer(key)) {
            Some(line) => paragraph.0[line] = written,
            None => paragraph.0.push(written),
        }
    }

    /// Makes a comment of what is written for `key`, so that its default holds.
    pub(super) fn leave_out(&mut self, Place(index): Place, key: &str) {
        let paragraph = &mut self.0[index];
        if let Some(line) = paragraph.line(key) {
            paragraph.0[line].insert_str(0, "# ");
        }
    }

    /// Makes comments of a whole section.
    pub(super) fn switch_off(&mut self, Place(index): Place) {
        for line in &mut self.0[index].0 {
            if !line.starts_with('#') {
                line.insert_str(0, "# ");
            }
        }
    }

    /// Adds a section below `above`, or at the end.
    pub(super) fn add(&mut self, above: Option<Place>, text: &str) {
        let at = above.map_or(self.0.len(), |Place(index)| index + 1);
        self.0.insert(at, Paragraph::of(text));
    }

    /// Puts `text` in place of the section `name`, with its comments.
    pub(super) fn replace(&mut self, name: &str, text: &str) {
        if let Some(Place(index)) = self.section(name) {
            self.0[index] = Paragraph::of(text);
        }
    }

    /// The place of `section.key`, where the file has that section; the top of the file has no name.
    fn home(&self, section: &str, key: &str) -> Option<Place> {
        match section {
            "" => self.0.iter().position(|paragraph| paragraph.line(key).is_some()).map(Place),
            _ => self.section(section),
        }
    }

    /// The word or text of `section.key`.
    pub(super) fn word_of(&self, section: &str, key: &str) -> Option<&str> {
        self.word(self.home(section, key)?, key)
    }

    /// The number that `section.key` has: as written, or its default.
    pub(super) fn number_of(&self, section: &str, key: &str) -> Option<f64> {
        let written = self.section(section).and_then(|place| self.number(place, key));
        written.or_else(|| default(section, key))
    }

    /// Writes `value` for `section.key`.
    pub(super) fn put(&mut self, section: &str, key: &str, value: &str) {
        if let Some(place) = self.home(section, key) {
            self.set(place, key, value);
        } else {
            self.add(None, &format!("[{section}]\n{key} = {value}"));
        }
    }

    /// Writes a number for `section.key`.
    pub(super) fn put_number(&mut self, section: &str, key: &str, value: f64) {
        self.put(section, key, &number(value));
    }

    /// Makes a comment of `section.key`.
    pub(super) fn drop(&mut self, section: &str, key: &str) {
        if let Some(place) = self.section(section) {
            self.leave_out(place, key);
        }
    }
}

/// The default of a number, where it has one.
fn default(section: &str, key: &str) -> Option<f64> {
    let fact = TABLE.iter().chain(site::TABLE).find(|fact| (fact.section, fact.name) == (section, key))?;
    #[expect(clippy::cast_precision_loss, reason = "thousandths of a setting; a f64 counts to 2⁵³")]
    fact.default.map(|thousandths| thousandths as f64 / 1000.0)
}

/// A number as a file has it, in thousandths at most.
pub(super) fn number(value: f64) -> String {
    // The sum takes the sign off a zero.
    format!("{}", (value * 1000.0).round() / 1000.0 + 0.0)
}

/// A text in quotes.
pub(super) fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

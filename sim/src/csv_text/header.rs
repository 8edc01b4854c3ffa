//! The header row: which field holds which column.

use crate::diagnostic::excerpt;

/// The names of a log's columns.
#[derive(Clone, Debug)]
pub(crate) struct Header {
    names: Vec<String>,
}

/// Why a name does not give a single column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoColumn {
    /// None has it.
    Absent,
    /// More than one has it.
    Twice,
}

impl Header {
    pub(crate) fn new<'a>(fields: impl Iterator<Item = &'a [u8]>) -> Self {
        Self { names: fields.map(|field| String::from_utf8_lossy(field.trim_ascii()).into_owned()).collect() }
    }

    /// Number of columns.
    pub(crate) fn width(&self) -> usize {
        self.names.len()
    }

    /// Name of the column in `field`, as a message shows it.
    pub(crate) fn shown(&self, field: usize) -> String {
        self.names.get(field).map(|name| excerpt(name)).unwrap_or_default()
    }

    /// The names.
    pub(crate) fn names(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    /// The first dozen names, as a message shows them.
    pub(crate) fn listed(&self) -> String {
        let more = if self.names.len() > 12 { ", …" } else { "" };
        let shown: Vec<_> = self.names.iter().take(12).map(|name| excerpt(name)).collect();
        shown.join(", ") + more
    }

    /// The field of the column called `name`. Exact names come first, then those that match except for case, blanks and
    /// hyphens.
    pub(crate) fn find(&self, name: &str) -> Result<usize, NoColumn> {
        self.only(|column| column == name).or_else(|why| match why {
            NoColumn::Twice => Err(why),
            NoColumn::Absent => self.only(|column| plain(column) == plain(name)),
        })
    }

    fn only(&self, matches: impl Fn(&str) -> bool) -> Result<usize, NoColumn> {
        let mut found = (0..self.names.len()).filter(|&field| matches(&self.names[field]));
        match (found.next(), found.next()) {
            (None, _) => Err(NoColumn::Absent),
            (Some(field), None) => Ok(field),
            (Some(_), Some(_)) => Err(NoColumn::Twice),
        }
    }

    /// The first name, in lower case, that `matches`.
    pub(crate) fn like(&self, matches: impl Fn(&str) -> bool) -> Option<&str> {
        self.names.iter().find(|name| matches(&name.to_lowercase())).map(String::as_str)
    }

    /// Whether the names are text: no control characters but tabs, and no bytes that are not UTF-8.
    pub(crate) fn is_text(&self) -> bool {
        !self
            .names
            .iter()
            .any(|name| name.contains(|c: char| (c.is_control() && c != '\t') || c == char::REPLACEMENT_CHARACTER))
    }

    /// Whether the row looks like data: every name that is not empty is a number.
    pub(crate) fn is_numbers(&self) -> bool {
        self.names.iter().any(|name| !name.is_empty())
            && self.names.iter().all(|name| name.is_empty() || name.parse::<f64>().is_ok())
    }

    /// The delimiter that the row seems to use, if the row has one column only and a delimiter is in it.
    pub(crate) fn other_delimiter(&self) -> Option<(char, &'static str)> {
        let [only] = &self.names[..] else { return None };
        [(';', "';'"), ('\t', "tab"), (',', "','"), ('|', "'|'")].into_iter().find(|(sign, _)| only.contains(*sign))
    }
}

/// Whether two names are the same except for case, blanks and hyphens.
pub(crate) fn alike(one: &str, other: &str) -> bool {
    plain(one) == plain(other)
}

/// A name in the form in which names are compared: lower case, with underscores for blanks and hyphens.
fn plain(name: &str) -> String {
    name.trim().chars().map(|c| if matches!(c, ' ' | '-') { '_' } else { c.to_ascii_lowercase() }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(text: &str) -> Header {
        Header::new(text.split(',').map(str::as_bytes))
    }

    #[test]
    fn a_name_is_found_letter_for_letter_before_loosely() {
        let header = header("Cell 1_C,cell_1_c, t_s");
        assert_eq!(header.find("cell_1_c"), Ok(1));
        assert_eq!(header.find("Cell 1_C"), Ok(0));
        assert_eq!(header.find("CELL-1_c"), Err(NoColumn::Twice));
        assert_eq!(header.find("T_S"), Ok(2));
        assert_eq!(header.find("pad_c"), Err(NoColumn::Absent));
    }

    #[test]
    fn two_columns_of_one_name_are_not_chosen_between() {
        assert_eq!(header("a,b,a").find("a"), Err(NoColumn::Twice));
    }

    #[test]
    fn a_row_of_numbers_is_no_header() {
        assert!(header("1,2.5,,-3").is_numbers());
        assert!(!header("time,1").is_numbers());
        assert!(!header("").is_numbers());
    }
}

//! Text in lines and columns, measured as a terminal shows it.

use std::borrow::Cow;
use std::io::{self, Write};
use textwrap::{Options, WordSeparator, WordSplitter, WrapAlgorithm};
use unicode_width::UnicodeWidthStr;

/// Widest line of results and of a first file.
pub(crate) const WIDTH: usize = 100;

/// `text` in lines of at most [`WIDTH`] columns, broken only at blanks. The first line follows `first`, every other
/// follows `rest`. A wider word has a line to itself.
pub(crate) fn wrapped<'t>(text: &'t str, first: &'t str, rest: &'t str) -> Vec<Cow<'t, str>> {
    let options = Options::new(WIDTH)
        .initial_indent(first)
        .subsequent_indent(rest)
        .break_words(false)
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
        .wrap_algorithm(WrapAlgorithm::FirstFit);
    textwrap::wrap(text, options)
}

/// Writes `text` broken into lines: the first after `before`, the others indented to match.
pub(crate) fn write_wrapped(out: &mut dyn Write, before: &str, text: &str) -> io::Result<()> {
    let indent = " ".repeat(before.chars().count());
    wrapped(text, before, &indent).iter().try_for_each(|line| writeln!(out, "{line}"))
}

/// Side to which the cells of a column align.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Right,
}

/// `text` filled with blanks to `width` columns.
pub(crate) fn padded(text: &str, width: usize, side: Side) -> String {
    let blanks = " ".repeat(width.saturating_sub(text.width()));
    match side {
        Side::Left => format!("{text}{blanks}"),
        Side::Right => format!("{blanks}{text}"),
    }
}

/// Indented rows of cells. Each column is as wide as its widest cell, with two blanks to the next. `side` returns the
/// side of each column.
pub(crate) fn columns(rows: &[Vec<String>], side: impl Fn(usize) -> Side) -> Vec<String> {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.width()).max();
    let widths: Vec<usize> = (0..count).map(|column| width(column).unwrap_or(0)).collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths).enumerate();
        let cells = cells.map(|(column, (cell, width))| padded(cell, *width, side(column)));
        let line = cells.fold(String::new(), |line, cell| line + "  " + &cell);
        line.trim_end().to_owned()
    };
    rows.iter().map(line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn columns_are_as_wide_as_what_a_terminal_shows() {
        let rows = [["寒い", "1 Ω"], ["cold", "10 °C"]].map(|row| row.map(str::to_owned).to_vec());
        let side = |column| if column == 0 { Side::Left } else { Side::Right };
        assert_eq!(columns(&rows, side), ["  寒い    1 Ω", "  cold  10 °C"]);
    }

    proptest! {
        #[test]
        fn wrapping_loses_no_word_and_keeps_to_the_width(words in prop::collection::vec("[a-zΩ°².,-]{1,24}", 1..80)) {
            let text = words.join(" ");
            let lines = wrapped(&text, "first: ", "       ");
            prop_assert!(lines.iter().all(|line| line.width() <= WIDTH));
            let bare: Vec<&str> = lines.iter().map(|line| &line[7..]).collect();
            prop_assert_eq!(bare.join(" "), text);
        }
    }
}

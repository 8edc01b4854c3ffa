//! A matrix for a person.

use super::findings::by_role;
use super::matrix::Matrix;
use super::row::Row;
use super::signs::{SIGN_NOTES, Sign, glossary, letter};
use crate::cautions::CAUTIONS;
use crate::diagnostic::escaped;
use crate::layout::{Side, padded, wrapped, write_wrapped};
use std::io::{self, Write};
use unicode_width::UnicodeWidthStr;

/// The widest name that has its signs in the same line. Names of pairs are wider.
const NAME: usize = 36;
/// Holds together what must not be broken into lines, and is shown as a blank.
const GLUE: &str = "\u{a0}";

impl Matrix {
    /// Writes it as text.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}: the listed faults in every state\n", escaped(&self.title))?;
        for line in self.headline() {
            write_wrapped(out, "  ", &escaped(&line))?;
        }
        writeln!(out)?;
        for line in self.head() {
            write_wrapped(out, "  ", &line)?;
        }
        writeln!(out, "\nStates")?;
        for (state, _) in &self.reached {
            write_wrapped(out, &format!("  {}  ", letter(*state)), glossary(*state))?;
        }
        writeln!(out, "\nSigns, and how many scenes have each")?;
        let width = self.cells.len().to_string().len();
        for sign in Sign::ALL {
            let count = padded(&sign.count(self).to_string(), width, Side::Right);
            write_wrapped(out, &format!("  {}  {count}  ", sign.letter()), sign.meaning())?;
        }
        for note in SIGN_NOTES {
            write_wrapped(out, "  ", note)?;
        }
        writeln!(out, "\nScenes")?;
        self.write_table(out)?;
        for part in self.findings() {
            writeln!(out, "\n{}", part.title)?;
            for line in part.lines {
                write_wrapped(out, "  ", &escaped(&line))?;
            }
        }
        let meanings = self.meanings();
        if !meanings.is_empty() {
            writeln!(out, "\nWhat the reports mean")?;
            write_wrapped(out, "  ", &by_role())?;
        }
        for meaning in meanings {
            let facts = meaning.facts;
            writeln!(out, "  {}, {}", facts.name, facts.severity.name())?;
            write_wrapped(
                out,
                "    ",
                &format!(
                    "{}. Off: {}. Cleared by: {}. Check first: {}.",
                    facts.meaning, meaning.off, facts.cleared_by, facts.check_first
                ),
            )?;
        }
        let part = self.not_played();
        writeln!(out, "\n{}", part.title)?;
        for line in part.lines {
            write_wrapped(out, "  ", &line)?;
        }
        writeln!(out)?;
        CAUTIONS.iter().try_for_each(|caution| write_wrapped(out, "", caution))
    }

    fn write_table(&self, out: &mut dyn Write) -> io::Result<()> {
        let rows = self.rows();
        let rows: Vec<&Row<'_>> = rows.iter().filter(|row| row.is_shown()).collect();
        let names = rows.iter().map(|row| escaped(row.name).width()).filter(|width| *width <= NAME);
        let width = names.max().unwrap_or(0).max("outside".len());
        let line = |name: &str, blocks: &[String], words: &str| {
            let blocks: String =
                blocks.iter().map(|block| padded(block, self.reached.len(), Side::Left) + "  ").collect();
            let first = format!("  {}  {blocks}", padded(name, width, Side::Left));
            let rest = " ".repeat(first.width());
            let lines = wrapped(words, &first, &rest).into_iter();
            lines.map(|line| line.trim_end().replace(GLUE, " ")).collect::<Vec<_>>()
        };
        let outsides: Vec<String> = self.outsides_c.iter().map(|outside_c| format!("{outside_c:.0} °C")).collect();
        let letters: String = self.reached.iter().map(|(state, _)| letter(*state)).collect();
        let mut lines = line("outside", &outsides, "first reported as, within;");
        lines.extend(line("state", &vec![letters; outsides.len()], "charge back"));
        let is_alone = |part: &str| rows.iter().filter(|row| row.part() == part).count() < 2;
        let mut part = "";
        for row in &rows {
            // Parts of one row each would be mostly blank lines.
            if row.part() != part && !(is_alone(part) && is_alone(row.part())) || part.is_empty() {
                lines.push(String::new());
            }
            part = row.part();
            let name = escaped(row.name);
            let name = if name.width() > NAME {
                lines.push(format!("  {name}"));
                ""
            } else {
                &name
            };
            let signs = |scenes: Vec<Option<&super::Cell>>| -> String {
                scenes.into_iter().map(|cell| cell.map_or(' ', |cell| Sign::of(cell).letter())).collect()
            };
            let blocks: Vec<String> = row.scenes().into_iter().map(signs).collect();
            let found = match row.within() {
                Some(within) => format!("{}, {}; ", row.found().join(", "), within.replace(' ', GLUE)),
                None => "-; ".to_owned(),
            };
            let back = row.back().replace("by itself", &format!("by{GLUE}itself"));
            lines.extend(line(name, &blocks, &(found + &back)));
        }
        lines.iter().try_for_each(|line| writeln!(out, "{line}"))?;
        writeln!(out)?;
        self.left_out().iter().try_for_each(|line| write_wrapped(out, "  ", line))?;
        write_wrapped(
            out,
            "  ",
            "What each name means, and what happened in each scene, stands on the page (--page) and in --json.",
        )
    }
}

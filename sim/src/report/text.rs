//! A report on a terminal: the installation, what is wrong with it, and how it is wired.

use super::{Conductor, Report};
use crate::diagnostic::escaped;
use crate::layout::{Side, columns, write_wrapped};
use std::io::{self, Write};

impl Report {
    /// Writes it as text. The page has more.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}: hand-over", escaped(&self.title))?;
        writeln!(out, "  settings {}", self.settings_fingerprint)?;
        for sentence in &self.paragraph {
            write_wrapped(out, "  ", &escaped(sentence))?;
        }
        writeln!(out, "\nVerdict of the plan")?;
        if self.findings.is_empty() {
            writeln!(out, "  nothing to change")?;
        }
        for finding in &self.findings {
            write_wrapped(out, &format!("  {:<6}  ", finding.severity.word()), &escaped(&finding.text))?;
            if let Some(change) = &finding.change {
                write_wrapped(out, "          change: ", &escaped(change))?;
            }
        }
        writeln!(out, "\nParts")?;
        let rows: Vec<Vec<String>> =
            self.parts.iter().map(|part| vec![part.tag.clone(), escaped(&part.what)]).collect();
        for (line, part) in columns(&rows, |_| Side::Left).iter().zip(&self.parts) {
            if part.rating.is_empty() {
                writeln!(out, "{line}")?;
            } else {
                write_wrapped(out, &format!("{line}: "), &escaped(&part.rating))?;
            }
        }
        writeln!(out, "\nConductors; a blank is to be filled in by hand")?;
        let heads = ["", "from", "to", "size", "length", "cable", "fuse", "for"].map(str::to_owned).to_vec();
        let row = |conductor: &Conductor| conductor.cells().map(|cell| escaped(&cell)).to_vec();
        let rows: Vec<Vec<String>> = std::iter::once(heads).chain(self.wiring.iter().map(row)).collect();
        for line in columns(&rows, |column| if column == 0 { Side::Right } else { Side::Left }) {
            writeln!(out, "{line}")?;
        }
        if let Some(record) = &self.record {
            writeln!(out, "\nBench record")?;
            write_wrapped(out, "  ", &escaped(&record.told()))?;
        }
        if let Some(faults) = &self.faults {
            writeln!(out, "\nFaults")?;
            write_wrapped(out, "  ", &faults.told())?;
        }
        if !self.left_out.is_empty() {
            writeln!(out, "\nLeft out")?;
            for line in &self.left_out {
                write_wrapped(out, "  ", &escaped(line))?;
            }
        }
        writeln!(out, "\nCautions")?;
        self.cautions.iter().try_for_each(|caution| write_wrapped(out, "  ", caution))
    }
}

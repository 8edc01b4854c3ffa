//! A search for a person to read.

use super::{Candidate, Proposal};
use crate::diagnostic::escaped;
use crate::edit::Changed;
use crate::figures::fixed;
use crate::layout::{self, Side, write_wrapped as wrapped};
use std::io::{self, Write};

impl Proposal {
    /// Writes the proposals, and what they meet.
    ///
    /// # Errors
    /// The errors of `out`; nothing else fails.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}", escaped(&self.title))?;
        let cut = if self.cut_short { "; interrupted" } else { "" };
        writeln!(out, "  {} installations tried, {} good enough{cut}", self.tried, self.met)?;
        self.write_file(out)?;
        if self.candidates.is_empty() {
            self.write_none(out)?;
        } else {
            writeln!(out, "\nTo choose between")?;
            let rows = table(&self.candidates);
            let lines = layout::columns(&rows, |_| Side::Right);
            lines.iter().try_for_each(|line| writeln!(out, "{line}"))?;
            wrapped(
                out,
                "  ",
                "Each is the file with the changes below. charge: time in the season with power to charge with, and used. heat: energy into \
                 the pad. warm-up: from the design minimum to the charge permit. effort: of the change, in hours of work, rough. margin: \
                 of the coldest place above the cells' hard limit, in the worst trial. lowest: state of charge in the season.",
            )?;
            for (index, candidate) in self.candidates.iter().enumerate() {
                write_candidate(out, index + 1, candidate)?;
            }
        }
        writeln!(out, "\nWhat each had to meet, and how many of those tried did not")?;
        let rows: Vec<Vec<String>> = self
            .requirements
            .iter()
            .map(|required| vec![required.requirement.to_owned(), required.excluded.to_string()])
            .collect();
        let side = |column| if column == 0 { Side::Left } else { Side::Right };
        layout::columns(&rows, side).iter().try_for_each(|line| writeln!(out, "{line}"))?;
        writeln!(out, "\nLeft open")?;
        wrapped(out, "  ", &self.open.join(", "))?;
        if !self.fixed.is_empty() {
            wrapped(out, "  ", &format!("fixed by the file: {}", escaped(&self.fixed.join(", "))))?;
        }
        writeln!(out, "\nCautions")?;
        self.cautions.iter().try_for_each(|caution| wrapped(out, "  ", caution))
    }

    /// What the file as it is lacks.
    fn write_file(&self, out: &mut dyn Write) -> io::Result<()> {
        match self.file_lacks.as_deref() {
            Some([]) | None => Ok(()),
            Some(lacks) => {
                writeln!(out, "\nThe file as it is")?;
                lacks.iter().try_for_each(|text| wrapped(out, "  - ", &escaped(text)))
            }
        }
    }

    fn write_none(&self, out: &mut dyn Write) -> io::Result<()> {
        if self.cut_short {
            return writeln!(out, "\nNothing was proved before the search was interrupted.");
        }
        writeln!(out, "\nNothing meets every requirement. The nearest lacks this")?;
        self.nearest_lacks.iter().try_for_each(|text| wrapped(out, "  - ", &escaped(text)))?;
        let remedy = if self.fixed.is_empty() {
            "What none of these choices can mend, the file itself must: other sources, another box, another place."
        } else {
            "Take from `fixed` what may change after all; what none of these choices can mend, the file itself must: other sources, \
             another box, another place."
        };
        wrapped(out, "  ", remedy)
    }
}

fn table(candidates: &[Candidate]) -> Vec<Vec<String>> {
    let mut rows = vec![
        ["", "charge / h", "heat / kWh", "warm-up / h", "effort / h", "margin / K", "lowest / %", "changes"]
            .map(str::to_owned)
            .to_vec(),
    ];
    for (index, Candidate { figures, worst_margin_k, changes, .. }) in candidates.iter().enumerate() {
        rows.push(vec![
            (index + 1).to_string(),
            fixed(figures.charge_used_h, 1),
            fixed(figures.heater_wh / 1000.0, 2),
            fixed(figures.warm_up_h, 1),
            fixed(figures.effort_h, 1),
            worst_margin_k.map_or_else(|| "-".to_owned(), |margin_k| fixed(margin_k, 1)),
            fixed(figures.least_soc_pct, 0),
            changes.len().to_string(),
        ]);
    }
    rows
}

fn write_candidate(out: &mut dyn Write, number: usize, candidate: &Candidate) -> io::Result<()> {
    let Candidate { trials, changes, rests_on, .. } = candidate;
    writeln!(out, "\n{number}: no harm in {trials} trials")?;
    if changes.is_empty() {
        writeln!(out, "  as in the file")?;
    }
    let rows: Vec<Vec<String>> = changes.iter().map(row).collect();
    layout::columns(&rows, |_| Side::Left).iter().try_for_each(|line| writeln!(out, "{line}"))?;
    rests_on.iter().try_for_each(|text| wrapped(out, "  - ", &escaped(text)))
}

/// `heater.power_w = 150` and what the file has.
fn row(changed: &Changed) -> Vec<String> {
    let before = changed.from.as_ref().map_or_else(|| "new".to_owned(), |from| format!("now {from}"));
    vec![escaped(&changed.written()), escaped(&before)]
}

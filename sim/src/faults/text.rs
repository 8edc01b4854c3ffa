//! A matrix for a person.

use super::matrix::Matrix;
use super::scene::{Cell, Harm, Recovery, Verdict};
use crate::breakdown::{Blind, Breakdown};
use crate::cautions::CAUTIONS;
use crate::diagnostic::escaped;
use crate::layout::{Side, columns, write_wrapped};
use forewarm_core::signals::State;
use std::io::{self, Write};

/// How each state is headed.
pub(super) const fn letter(state: State) -> char {
    match state {
        State::Starting => 'S',
        State::Waiting => 'W',
        State::Warming => 'H',
        State::SoakingWarm => 'k',
        State::Soaking => 'K',
        State::Holding => 'c',
        State::Permitting => 'C',
        State::Faulted => 'F',
    }
}

/// How a cell is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    Reported,
    Silent,
    CutOut,
    Blind,
    BlindWithHarm,
    Harm,
}

impl Sign {
    pub(super) const ALL: [Self; 6] =
        [Self::Reported, Self::Silent, Self::CutOut, Self::Blind, Self::BlindWithHarm, Self::Harm];

    pub(super) fn of(cell: &Cell) -> Self {
        match cell.verdict {
            Verdict::Unsafe => Self::Harm,
            Verdict::Undetectable if cell.harm.is_any() => Self::BlindWithHarm,
            Verdict::Undetectable => Self::Blind,
            Verdict::Safe if cell.cut_out => Self::CutOut,
            Verdict::Safe if cell.found.is_some() => Self::Reported,
            Verdict::Safe => Self::Silent,
        }
    }

    pub(super) const fn letter(self) -> char {
        match self {
            Self::Reported => '+',
            Self::Silent => '.',
            Self::CutOut => 'o',
            Self::Blind => '?',
            Self::BlindWithHarm => '!',
            Self::Harm => 'X',
        }
    }

    pub(super) const fn meaning(self) -> &'static str {
        match self {
            Self::Reported => "reported, and safe",
            Self::Silent => "safe, and nothing reported within 8 h",
            Self::CutOut => "held by the heater's thermal cut-out alone",
            Self::Blind => "cannot be found here, no harm within 8 h",
            Self::BlindWithHarm => "cannot be found here, and a part passed its limit",
            Self::Harm => "a part passed its limit",
        }
    }
}

/// A charge current above the ceiling by less than this (A) is not worth a word.
const ABOVE_A: f64 = 1.0;

/// Sentences under a title.
pub(super) struct Part {
    pub(super) title: &'static str,
    pub(super) lines: Vec<String>,
}

impl Matrix {
    /// Writes it as text.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}: every fault in every state\n", escaped(&self.title))?;
        for line in self.head() {
            write_wrapped(out, "  ", &line)?;
        }
        let signs = Sign::ALL.map(|sign| format!("{} {}", sign.letter(), sign.meaning()));
        write_wrapped(
            out,
            "  ",
            &format!("Signs: {}; blank: the state is not reached at this temperature.", signs.join("; ")),
        )?;
        write_wrapped(
            out,
            "  ",
            "What each name means, and what happened in each cell, stands on the page (--page) and in --json.",
        )?;
        writeln!(out)?;
        let rows = self.rows();
        let mut table = self.heading().to_vec();
        let mut part = "";
        for row in rows.iter().filter(|row| row.is_shown()) {
            if row.part() != part {
                part = row.part();
                table.push(vec![escaped(part)]);
            }
            table.push(row.columns());
        }
        for line in columns(&table, |_| Side::Left) {
            writeln!(out, "{line}")?;
        }
        for part in self.findings() {
            writeln!(out, "\n{}", part.title)?;
            for line in part.lines {
                write_wrapped(out, "  ", &line)?;
            }
        }
        writeln!(out)?;
        CAUTIONS.iter().try_for_each(|caution| write_wrapped(out, "", caution))
    }

    /// How harm is judged, and what is assumed.
    pub(super) fn head(&self) -> Vec<String> {
        let limits = &self.limits;
        let states: Vec<String> =
            self.reached.iter().map(|(state, _)| format!("{} {}", letter(*state), state.name())).collect();
        vec![
            format!("States: {}.", states.join(", ")),
            format!(
                "Limits: no cell colder than {:.1} °C is charged, nor may be; no cell above {:.0} °C, plate above {:.0} °C, pad above \
                 {:.0} °C.",
                limits.cell_charged_min_c, limits.cell_max_c, limits.plate_max_c, limits.pad_max_c
            ),
            format!(
                "Assumed: the battery's own protection does nothing. A thermal cut-out that does not depend on the controller opens \
                 the heater's circuit for good when the plate comes to {:.0} °C.",
                limits.thermal_cutout_c
            ),
        ]
    }

    /// Everything about each breakdown.
    pub(super) fn rows(&self) -> Vec<Row<'_>> {
        self.breakdowns.iter().map(|(breakdown, name)| Row::of(self, *breakdown, name)).collect()
    }

    fn heading(&self) -> [Vec<String>; 2] {
        let states: String = self.reached.iter().map(|(state, _)| letter(*state)).collect();
        let outsides = self.outsides_c.iter();
        let above =
            std::iter::once("outside".to_owned()).chain(outsides.clone().map(|outside_c| format!("{outside_c:.0} °C")));
        let below = std::iter::once("state".to_owned()).chain(outsides.map(|_| states.clone()));
        [above.collect(), below.chain(["reported as", "within", "all back"].map(str::to_owned)).collect()]
    }

    /// What the signs add up to.
    pub(super) fn findings(&self) -> Vec<Part> {
        let rows = self.rows();
        let cut = if self.cells.len() < self.wanted {
            format!(" of {}, as it was interrupted", self.wanted)
        } else {
            String::new()
        };
        let mut sum = vec![format!(
            "{} cells{cut}: {} safe, {} unsafe, {} that cannot be found here.",
            self.cells.len(),
            self.count(Verdict::Safe),
            self.count(Verdict::Unsafe),
            self.count(Verdict::Undetectable)
        )];
        let left_out = rows.iter().filter(|row| !row.is_shown()).count();
        if left_out > 0 {
            sum.push(format!(
                "{left_out} pairs of channels with the same fault are not shown: they are safe, and charge comes back."
            ));
        }
        let with_harm = self.cells.iter().filter(|cell| Sign::of(cell) == Sign::BlindWithHarm).count();
        if with_harm > 0 {
            sum.push(format!("In {with_harm} of those that cannot be found, a part passed its limit."));
        }
        let held: Vec<&str> =
            rows.iter().filter(|row| row.cells.iter().any(|cell| cell.cut_out)).map(|row| row.name).collect();
        if !held.is_empty() {
            let count = self.cells.iter().filter(|cell| cell.cut_out).count();
            sum.push(format!("In {count} cells the heater's thermal cut-out had to open: {}.", held.join(", ")));
        }
        let mut parts = vec![Part { title: "Sum", lines: sum }];
        let harmed: Vec<String> = rows
            .iter()
            .filter(|row| row.harm().is_any())
            .map(|row| {
                let harmed = || row.cells.iter().filter(|cell| cell.harm.is_any());
                let reported = harmed().filter(|cell| cell.found.is_some()).count();
                format!("{}, in {} cells, reported in {reported}: {}.", row.name, harmed().count(), row.harm().words())
            })
            .collect();
        if !harmed.is_empty() {
            parts.push(Part { title: "Harm", lines: harmed });
        }
        let above: Vec<String> = rows
            .iter()
            .filter_map(|row| {
                row.cells.iter().max_by(|a, b| a.above_ceiling_a.total_cmp(&b.above_ceiling_a)).map(|cell| (row, cell))
            })
            .filter(|(_, cell)| cell.above_ceiling_a >= ABOVE_A)
            .map(|(row, cell)| {
                format!("{}: by up to {:.0} A, for {}.", row.name, cell.above_ceiling_a, span(cell.above_ceiling_s))
            })
            .collect();
        if !above.is_empty() {
            parts.push(Part {
                title: "Charged with more current than the ceiling allows; not counted as harm",
                lines: above,
            });
        }
        let mut blind: Vec<(Blind, Vec<&str>)> = Vec::new();
        for row in &rows {
            let Some(why) = row.cells.iter().find_map(|cell| cell.blind) else { continue };
            match blind.iter_mut().find(|(other, _)| *other == why) {
                Some((_, names)) => names.push(row.name),
                None => blind.push((why, vec![row.name])),
            }
        }
        if !blind.is_empty() {
            let words = |(Blind { extra_input, bounded_by }, names): (Blind, Vec<&str>)| {
                format!("{}: found by {extra_input}. Until then harm is bounded by {bounded_by}.", names.join(", "))
            };
            parts.push(Part { title: "What cannot be found here", lines: blind.into_iter().map(words).collect() });
        }
        parts
    }
}

/// Everything about one breakdown.
pub(super) struct Row<'m> {
    matrix: &'m Matrix,
    pub(super) breakdown: Breakdown,
    pub(super) name: &'m str,
    pub(super) cells: Vec<&'m Cell>,
}

impl<'m> Row<'m> {
    fn of(matrix: &'m Matrix, breakdown: Breakdown, name: &'m str) -> Self {
        let cells = matrix.cells.iter().filter(|cell| cell.breakdown == breakdown).collect();
        Self { matrix, breakdown, name, cells }
    }

    /// What breaks: its name up to the point.
    fn part(&self) -> &'m str {
        self.name.split_once('.').map_or(self.name, |(part, _)| part)
    }

    /// Two faults at once are many. Those that are as safe as each alone are only counted.
    pub(super) fn is_shown(&self) -> bool {
        let is_remarkable = |cell: &&Cell| cell.verdict != Verdict::Safe || cell.recovery == Recovery::Never;
        !matches!(self.breakdown, Breakdown::Two(..)) || self.cells.iter().any(is_remarkable)
    }

    fn columns(&self) -> Vec<String> {
        let wrong = self.name.strip_prefix(self.part()).unwrap_or(self.name);
        let mut row = vec![format!("  {}", escaped(wrong))];
        for outside_c in &self.matrix.outsides_c {
            let signs = self.matrix.reached.iter().map(|(state, _)| {
                let at = |cell: &&&Cell| cell.state == *state && cell.outside_c.total_cmp(outside_c).is_eq();
                self.cells.iter().find(at).map_or(' ', |cell| Sign::of(cell).letter())
            });
            row.push(signs.collect());
        }
        row.extend(self.says());
        row
    }

    /// As what it was found, within which time, and how charge comes back: the worst of all cells.
    pub(super) fn says(&self) -> [String; 3] {
        let mut found: Vec<&str> = self.cells.iter().filter_map(|cell| cell.found).collect();
        // The most frequent first.
        found.sort_unstable();
        let mut counted: Vec<(usize, &str)> =
            found.chunk_by(|a, b| a == b).map(|alike| (alike.len(), alike[0])).collect();
        counted.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
        let found: Vec<&str> = counted.into_iter().map(|(_, name)| name).collect();
        let found = match found.len() {
            0 => "-".to_owned(),
            1 => found[0].to_owned(),
            more => format!("{} +{}", found[0], more - 1),
        };
        let slowest = self
            .cells
            .iter()
            .filter_map(|cell| cell.time_to_safe_s)
            .fold(None, |most: Option<f64>, s| Some(most.map_or(s, |most| most.max(s))));
        let worst = self.cells.iter().map(|cell| cell.recovery).max_by_key(|recovery| *recovery as u8);
        let back = match worst {
            Some(Recovery::ByItself) => "by itself",
            Some(Recovery::AfterReset) => "by reset",
            Some(Recovery::Never) => "NEVER",
            None => "-",
        };
        [found, slowest.map_or("-".to_owned(), span), back.to_owned()]
    }

    /// The worst that happened in any cell.
    fn harm(&self) -> Harm {
        let least = |a: Option<f64>, b: Option<f64>| [a, b].into_iter().flatten().reduce(f64::min);
        let most = |a: Option<f64>, b: Option<f64>| [a, b].into_iter().flatten().reduce(f64::max);
        self.cells.iter().fold(Harm::default(), |all, cell| Harm {
            charged_at_c: least(all.charged_at_c, cell.harm.charged_at_c),
            cell_c: most(all.cell_c, cell.harm.cell_c),
            plate_c: most(all.plate_c, cell.harm.plate_c),
            pad_c: most(all.pad_c, cell.harm.pad_c),
        })
    }
}

impl Harm {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let parts = [
            self.charged_at_c.map(|c| format!("a cell was charged at {c:.1} °C")),
            self.cell_c.map(|c| format!("a cell came to {c:.0} °C")),
            self.plate_c.map(|c| format!("the plate came to {c:.0} °C")),
            self.pad_c.map(|c| format!("the pad came to {c:.0} °C")),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

/// A time, short.
pub(super) fn span(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

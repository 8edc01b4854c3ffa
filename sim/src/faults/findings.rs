//! What a matrix says in sentences: first of all what was harmed, then what the signs add up to, what the reports mean, and
//! what was not played.

use super::matrix::Matrix;
use super::row::{Row, is_late};
use super::scene::{Cell, Verdict};
use super::signs::{Sign, span};
use crate::breakdown::Blind;
use forewarm_core::Layer;
use forewarm_core::fault::{ChannelFault, Facts, SystemFault};
use forewarm_core::quantity::Ohms;
use forewarm_core::settings::{Check, Role};
use std::collections::BTreeSet;

/// A charge current above the ceiling by less than this (A) is not worth a word.
const ABOVE_A: f64 = 1.0;
/// As many names the headline has at most. With a layer left out it would be a list of everything.
const NAMES: usize = 8;
const CURRENT: &str = "Charged with more current than the ceiling allows";
const MAKER: &str = "Charged with more current than the battery's maker allows for cells so cold";

/// Sentences under a title.
pub(super) struct Part {
    pub(super) title: &'static str,
    pub(super) lines: Vec<String>,
}

/// A word of the controller, and what is known of it.
pub(super) struct Meaning {
    pub(super) facts: Facts,
    /// What goes off.
    pub(super) off: &'static str,
}

impl Matrix {
    /// What must be read first: what was harmed, and that the exit status does not tell.
    pub(super) fn headline(&self) -> Vec<String> {
        let rows = self.rows();
        let names = |of: &dyn Fn(&Row<'_>) -> bool| {
            let all: Vec<&str> = rows.iter().filter(|row| of(row)).map(|row| row.name).collect();
            match all.len().checked_sub(NAMES) {
                None | Some(0) => all.join(", "),
                Some(more) => format!("{} and {more} more", all[..NAMES].join(", ")),
            }
        };
        let count = self.cells.len();
        let (blind, shown) = (Sign::BlindWithHarm.count(self), Sign::Harm.count(self));
        let harmed = blind + shown;
        let what = match harmed {
            0 => format!("In none of {count} scenes did a part pass its limit."),
            _ => {
                format!("In {harmed} of {count} scenes a part passed its limit: {}.", names(&|row| row.harm().is_any()))
            }
        };
        let inputs = match (blind, shown) {
            (0, 0) => None,
            (_, 0) => Some("In none of them do this installation's inputs show it in time.".to_owned()),
            (0, _) => Some("In each of them this installation's inputs can show the fault.".to_owned()),
            _ => Some(format!(
                "In {blind} of them this installation's inputs do not show it in time; in {shown} they can show the fault."
            )),
        };
        let held = Sign::CutOut.count(self);
        let cut_out = (held > 0).then(|| {
            let more = if harmed > 0 { " more" } else { "" };
            let names = names(&|row| row.cells.iter().any(|cell| Sign::of(cell) == Sign::CutOut));
            format!("In {held}{more} only the heater's thermal cut-out prevented it: {names}.")
        });
        let first = std::iter::once(what).chain(inputs).chain(cut_out).collect::<Vec<_>>().join(" ");
        let status = "Exit status 0 does not mean that nothing was harmed: the status is 1 only where a part passed its limit although \
                      the inputs can show the fault.";
        let counts = format!(
            "{count} scenes: {} safe ({} of them not reported), {} unsafe, {} undetectable.",
            self.count(Verdict::Safe),
            Sign::Silent.count(self),
            self.count(Verdict::Unsafe),
            self.count(Verdict::Undetectable)
        );
        let interrupted =
            (count < self.wanted).then(|| format!("INTERRUPTED: of {} scenes only {count} were played.", self.wanted));
        interrupted.into_iter().chain([first, status.to_owned(), counts]).collect()
    }

    /// How harm is judged, and what is assumed.
    pub(super) fn head(&self) -> Vec<String> {
        let limits = &self.limits;
        let listed = [(MAKER, self.above_maker()), (CURRENT, self.above_ceiling())];
        let titles: Vec<String> =
            listed.iter().filter(|(_, lines)| !lines.is_empty()).map(|(title, _)| format!("“{title}”")).collect();
        let above = if titles.is_empty() { String::new() } else { format!("; see {}", titles.join(" and ")) };
        let judge = match self.layer {
            Layer::Both => "",
            Layer::ControllerAlone => " The controller decides alone: the guard is left out.",
            Layer::GuardAlone => {
                " The guard decides alone: the controller is taken to ask for heat and charge at all times."
            }
        };
        let contacts =
            if self.has_contacts { "Both relays have auxiliary contacts" } else { "No relay has an auxiliary contact" };
        vec![
            format!(
                "Limits: no cell colder than {:.1} °C is charged, nor may be; no cell above {:.0} °C, plate above {:.0} °C, pad above \
                 {:.0} °C. Too much charge current is not judged by the signs{above}.",
                limits.cell_charged_min_c, limits.cell_max_c, limits.plate_max_c, limits.pad_max_c
            ),
            format!(
                "Assumed: the battery's own protection does nothing; {}. {contacts}.{judge}",
                limits.cutouts_told()
            ),
        ]
    }

    /// Everything about each breakdown.
    pub(super) fn rows(&self) -> Vec<Row<'_>> {
        self.breakdowns.iter().map(|(breakdown, name)| Row::of(self, *breakdown, name)).collect()
    }

    /// What the signs add up to.
    pub(super) fn findings(&self) -> Vec<Part> {
        let rows = self.rows();
        let harmed = rows.iter().filter(|row| row.harm().is_any()).map(harmed).collect();
        let parts = [
            Part { title: "Harm", lines: harmed },
            Part { title: "What cannot be found here", lines: blind(&rows) },
            Part { title: MAKER, lines: self.above_maker() },
            Part { title: CURRENT, lines: self.above_ceiling() },
        ];
        parts.into_iter().filter(|part| !part.lines.is_empty()).collect()
    }

    /// What is said under the table about rows that it does not have.
    pub(super) fn left_out(&self) -> Option<String> {
        let count = self.rows().iter().filter(|row| !row.is_shown()).count();
        (count > 0).then(|| {
            format!(
                "{count} pairs of channels with the same fault are counted and not shown: no limit was passed in any of them, and charge \
                 comes back. The JSON output has them."
            )
        })
    }

    /// By the cells themselves, however warm they read.
    fn above_maker(&self) -> Vec<String> {
        let what = "Lithium can be plated by it as by cold. The signs do not judge it.";
        self.currents(what, |cell| cell.above_maker_a, |_| String::new())
    }

    /// By what the cells are read as.
    fn above_ceiling(&self) -> Vec<String> {
        let what = "What this does depends on the cells. It is not counted as harm.";
        self.currents(
            what,
            |cell| cell.above_ceiling_a,
            |cell| format!(", in that scene for {}", span(cell.above_ceiling_s)),
        )
    }

    /// The largest current of each row that is above what is allowed by `above_a`, after `what` that means.
    fn currents(&self, what: &str, above_a: fn(&Cell) -> f64, for_how_long: fn(&Cell) -> String) -> Vec<String> {
        let most = |row: &Row<'_>| {
            let cell = row.cells.iter().max_by(|a, b| above_a(a).total_cmp(&above_a(b)))?;
            (above_a(cell) >= ABOVE_A).then(|| {
                let reported = if cell.found.is_some() { "" } else { ", not reported" };
                format!("{}: by up to {:.0} A{}{reported}.", row.name, above_a(cell), for_how_long(cell))
            })
        };
        let lines: Vec<String> = self.rows().iter().filter_map(most).collect();
        if lines.is_empty() { lines } else { std::iter::once(what.to_owned()).chain(lines).collect() }
    }

    /// The words of the controller that occur, by their alphabet.
    pub(super) fn meanings(&self) -> Vec<Meaning> {
        let names: BTreeSet<&str> = self.cells.iter().flat_map(|cell| [cell.found, cell.waits]).flatten().collect();
        let channel = ChannelFault::ALL.map(|fault| Meaning { facts: fault.facts(), off: "by its role" });
        let system = SystemFault::ALL.map(|fault| Meaning { facts: fault.facts(), off: fault.disables().words() });
        let mut all: Vec<Meaning> =
            channel.into_iter().chain(system).filter(|meaning| names.contains(meaning.facts.name)).collect();
        all.sort_by_key(|meaning| meaning.facts.name);
        all
    }

    /// What nobody may conclude from a matrix.
    pub(super) fn not_played(&self) -> Part {
        let warmest_c = self.outsides_c.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lines = vec![format!(
            "An outside above {warmest_c:.0} °C while something is broken; contacts that worsen over weeks; two unlike faults at \
             once; a charger that the file does not name; exchanged plugs; a bank that is emptied."
        )];
        Part { title: "Not played", lines }
    }
}

/// What goes off by a report about a thermometer.
pub(crate) fn by_role() -> String {
    let check = Role::Check(Check { nominal: Ohms::ZERO, within: Ohms::ZERO });
    let roles = [("cell", Role::Cell), ("pad", Role::Pad), ("ambient", Role::Ambient), ("check", check)];
    let roles = roles.map(|(name, role)| format!("{name}: {}", role.disables().words()));
    format!("A report about a thermometer turns off by its role: {}.", roles.join("; "))
}

/// What one breakdown harmed, in how many scenes, and whether that was reported.
fn harmed(row: &Row<'_>) -> String {
    let harmed = || row.cells.iter().filter(|cell| cell.harm.is_any());
    let late = harmed().filter(|cell| is_late(cell)).count();
    let reported = harmed().filter(|cell| cell.found.is_some()).count() - late;
    let told: Vec<String> = [("reported in", reported), ("reported too late in", late)]
        .into_iter()
        .filter(|(_, count)| *count > 0)
        .map(|(words, count)| format!("{words} {count}"))
        .collect();
    let told = if told.is_empty() { "not reported".to_owned() } else { told.join(", ") };
    let count = harmed().count();
    let scenes = if count == 1 { "scene" } else { "scenes" };
    format!("{}, in {count} {scenes}, {told}: {}.", row.name, row.harm().words())
}

/// What cannot be found, what helps, and what is to be expected until then.
fn blind(rows: &[Row<'_>]) -> Vec<String> {
    let mut blind: Vec<(Blind, Vec<&str>)> = Vec::new();
    for row in rows {
        let Some(why) = row.cells.iter().find_map(|cell| cell.blind) else { continue };
        match blind.iter_mut().find(|(other, _)| *other == why) {
            Some((_, names)) => names.push(row.name),
            None => blind.push((why, vec![row.name])),
        }
    }
    let lines = blind.into_iter().map(|(Blind { extra_input, bounded_by }, names)| {
        format!("{}: it takes {extra_input}. As it is, {bounded_by}.", names.join(", "))
    });
    let lines: Vec<String> = lines.collect();
    let assumed = "These scenes assume that the battery's own protection does nothing. Whether it would act in time, nothing here checks.";
    if lines.is_empty() { lines } else { std::iter::once(assumed.to_owned()).chain(lines).collect() }
}

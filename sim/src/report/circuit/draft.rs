//! How a circuit is put together: parts get their letters and numbers, conductors theirs.

use super::{Circuit, Conductor, Length, Look, Part, Path, Says, Sheet, Stop, volts};
use crate::cell;
use crate::figures::plain;
use crate::heater::{self, Heater};
use crate::installation::Installation;
use crate::plan::circuit::{Report, judge};
use crate::si;
use crate::site::Site;
use std::collections::BTreeMap;

/// Rating of the fuse at the far end of a wire that only tells something (A): `firmware/docs/rp2040.md`.
const LINE_FUSE: &str = "1 A";

/// A circuit that is being put together.
pub(super) struct Draft<'s> {
    pub(super) installation: &'s Installation,
    pub(super) site: &'s Site,
    pub(super) heater: Heater,
    /// The plan's figures for the heater's circuit; `None` without one, or if it is on mains.
    pub(super) planned: Option<Report>,
    pub(super) is_mains: bool,
    /// The bank, the controller, and the sources in their order.
    pub(super) bank: usize,
    pub(super) controller: usize,
    pub(super) sources: Vec<usize>,
    parts: Vec<Part>,
    sheets: Vec<Sheet>,
    counts: BTreeMap<char, usize>,
    groups: usize,
}

/// A conductor of which nothing is known but what it is for.
pub(super) fn wire(purpose: impl Into<String>) -> Conductor {
    Conductor { number: 0, area: None, length: Length::ByHand, cable: None, fuse: None, purpose: purpose.into() }
}

impl Conductor {
    pub(super) fn behind(self, fuse: usize) -> Self {
        Self { fuse: Some(fuse), ..self }
    }

    pub(super) fn long(self, length: Length) -> Self {
        Self { length, ..self }
    }

    pub(super) fn thick(self, area: Option<(f64, Says)>) -> Self {
        Self { area, ..self }
    }

    pub(super) fn inside(self, cable: &str) -> Self {
        Self { cable: Some(cable.to_owned()), ..self }
    }
}

impl Stop {
    pub(super) fn labelled(self, label: impl IntoIterator<Item = String>) -> Self {
        Self { label: label.into_iter().collect(), ..self }
    }
}

/// An end of a path.
pub(super) fn end(look: Look, part: usize, terminal: impl Into<String>) -> Stop {
    let terminal = terminal.into();
    Stop { part, look, enters: terminal.clone(), leaves: terminal, label: Vec::new() }
}

/// A part between two ends.
pub(super) fn between(look: Look, part: usize, [enters, leaves]: [&str; 2]) -> Stop {
    Stop { part, look, enters: enters.to_owned(), leaves: leaves.to_owned(), label: Vec::new() }
}

impl<'s> Draft<'s> {
    pub(super) fn new(installation: &'s Installation, site: &'s Site) -> Self {
        let settings = &installation.settings;
        let heater = Heater::of(settings, site.tolerance.pad_power);
        let nominal_v = heater.at_nominal.supply_v;
        let is_mains = match site.fed_by {
            Some(_) => nominal_v > heater::EXTRA_LOW_AC_V,
            None => heater::is_mains(nominal_v, &site.battery),
        };
        let planned = if is_mains { None } else { judge(settings, site).map(|(report, _)| report) };
        let mut draft = Self {
            installation,
            site,
            heater,
            planned,
            is_mains,
            bank: 0,
            controller: 0,
            sources: Vec::new(),
            parts: Vec::new(),
            sheets: Vec::new(),
            counts: BTreeMap::from([('A', 9)]),
            groups: 0,
        };
        let battery = &site.battery;
        #[expect(clippy::cast_precision_loss, reason = "8 at most")]
        let each_ah = si::amp_hours(settings.charge.capacity) / battery.count as f64;
        let bank_v = f64::from(battery.cells_in_series) * cell::NOMINAL_V;
        let batteries = match battery.count {
            1 => "one battery".to_owned(),
            count => format!("{count} batteries in parallel, each"),
        };
        draft.bank = draft.part('G', "bank", format!("{batteries} {}, {} Ah", volts(bank_v), plain(each_ah)));
        for (name, supply) in installation.sources.iter().zip(&site.supplies) {
            let rating = supply.rating.map_or_else(String::new, |rating| {
                let at = rating.rated_v.map_or_else(String::new, |rated_v| format!(" at {}", volts(rated_v)));
                format!("{} A{at}", plain(rating.rated_a))
            });
            let source = draft.part('G', format!("source “{name}”"), rating);
            draft.sources.push(source);
        }
        draft.controller = draft.part('A', "controller", "with the drivers and isolated inputs of its board");
        draft
    }

    /// A part with the next number of its letter.
    pub(super) fn part(&mut self, letter: char, what: impl Into<String>, rating: impl Into<String>) -> usize {
        let count = self.counts.entry(letter).or_insert(0);
        *count += 1;
        self.parts.push(Part { tag: format!("{letter}{count}"), what: what.into(), rating: rating.into() });
        self.parts.len() - 1
    }

    /// A fuse at the far end of a wire that only tells something, as a stop. It comes from the page of the board of modules, so it says
    /// so.
    pub(super) fn line_fuse(&mut self, of: &str) -> (usize, Stop) {
        let fuse =
            self.part('F', format!("fuse of {of}"), format!("{LINE_FUSE} (board of modules), near what feeds it"));
        (fuse, between(Look::Fuse, fuse, ["1", "2"]).labelled([LINE_FUSE.to_owned()]))
    }

    pub(super) fn sheet(&mut self, title: &'static str) {
        self.sheets.push(Sheet { title, notes: Vec::new(), paths: Vec::new() });
        self.groups += 1;
    }

    /// What follows need not stand with what was before.
    pub(super) fn group(&mut self) {
        self.groups += 1;
    }

    pub(super) fn note(&mut self, text: impl Into<String>) {
        if let Some(sheet) = self.sheets.last_mut() {
            sheet.notes.push(text.into());
        }
    }

    pub(super) fn path(&mut self, from: Stop, runs: impl IntoIterator<Item = (Conductor, Stop)>) {
        let group = self.groups;
        if let Some(sheet) = self.sheets.last_mut() {
            sheet.paths.push(Path { group, from, runs: runs.into_iter().collect() });
        }
    }

    /// What a part is.
    pub(super) fn what(&self, part: usize) -> String {
        self.parts.get(part).map_or_else(String::new, |part| format!("{} ({})", part.tag, part.what))
    }

    /// A terminal of the bank.
    pub(super) fn bank(&self, terminal: &str) -> Stop {
        end(Look::Battery, self.bank, terminal)
    }

    /// A terminal of the controller.
    pub(super) fn controller(&self, terminal: impl Into<String>) -> Stop {
        end(Look::Block, self.controller, terminal)
    }

    /// From a terminal of something by a fuse of its own to the controller, for what is only told.
    pub(super) fn told(&mut self, from: Stop, (of, what): (&str, &str), terminal: &str) {
        let (fuse, stop) = self.line_fuse(of);
        let to = self.controller(terminal);
        let runs = [(wire(what).long(Length::Short), stop), (wire(what).behind(fuse), to)];
        self.path(from, runs);
    }

    pub(super) fn finish(mut self) -> Circuit {
        let paths = self.sheets.iter_mut().flat_map(|sheet| &mut sheet.paths);
        for ((conductor, _), number) in paths.flat_map(|path| &mut path.runs).zip(1..) {
            conductor.number = number;
        }
        self.sheets.retain(|sheet| !sheet.paths.is_empty());
        Circuit { parts: self.parts, sheets: self.sheets }
    }
}

//! One breakdown in all its scenes: what it was reported as, within which time, and how charge comes back.

use super::matrix::Matrix;
use super::scene::{Cell, Harm, Recovery, Verdict};
use super::signs::{Sign, letter, range};
use crate::breakdown::Breakdown;
use std::fmt::Write;

/// What nobody can press a button for.
const NO_HEAT: &str = "no heat until somebody replaces or resets the thermal cut-out";

/// Everything about one breakdown.
pub(super) struct Row<'m> {
    matrix: &'m Matrix,
    pub(super) breakdown: Breakdown,
    pub(super) name: &'m str,
    pub(super) cells: Vec<&'m Cell>,
}

impl<'m> Row<'m> {
    pub(super) fn of(matrix: &'m Matrix, breakdown: Breakdown, name: &'m str) -> Self {
        let cells = matrix.cells.iter().filter(|cell| cell.breakdown == breakdown).collect();
        Self { matrix, breakdown, name, cells }
    }

    /// What breaks: its name up to the point.
    pub(super) fn part(&self) -> &'m str {
        self.name.split_once('.').map_or(self.name, |(part, _)| part)
    }

    /// Two faults at once are many. Those that are as safe as each alone are only counted.
    pub(super) fn is_shown(&self) -> bool {
        let is_remarkable = |cell: &&Cell| cell.verdict != Verdict::Safe || cell.recovery == Recovery::Never;
        !matches!(self.breakdown, Breakdown::Two(..)) || self.cells.iter().any(is_remarkable)
    }

    /// Its scenes at each outside temperature, in the order of the states. `None` where the state is not reached.
    pub(super) fn scenes(&self) -> Vec<Vec<Option<&'m Cell>>> {
        let at = |outside_c: f64, state| {
            self.cells.iter().copied().find(|cell| cell.state == state && cell.outside_c.total_cmp(&outside_c).is_eq())
        };
        let states = |outside_c| self.matrix.reached.iter().map(|(state, _)| at(outside_c, *state)).collect();
        self.matrix.outsides_c.iter().map(|outside_c| states(*outside_c)).collect()
    }

    /// As what it was first reported in any scene, the most frequent first.
    pub(super) fn found(&self) -> Vec<&'static str> {
        let mut found: Vec<&str> = self.cells.iter().filter_map(|cell| cell.found).collect();
        found.sort_unstable();
        let mut counted: Vec<(usize, &str)> =
            found.chunk_by(|a, b| a == b).map(|alike| (alike.len(), alike[0])).collect();
        counted.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
        counted.into_iter().map(|(_, name)| name).collect()
    }

    /// Within which time it was reported, where it was.
    pub(super) fn within(&self) -> Option<String> {
        within(&self.cells)
    }

    /// How charge comes back.
    pub(super) fn back(&self) -> String {
        let any = |recovery| self.cells.iter().any(|cell| cell.recovery == recovery);
        let mut waits: Vec<&str> = self.cells.iter().filter_map(|cell| cell.waits).collect();
        waits.sort_unstable();
        waits.dedup();
        let reset = any(Recovery::AfterReset).then(|| format!("reset ({})", waits.join(", ")));
        let by_itself = any(Recovery::ByItself).then(|| "by itself".to_owned());
        let mut back = if any(Recovery::Never) {
            "NEVER".to_owned()
        } else {
            by_itself.into_iter().chain(reset).collect::<Vec<_>>().join(" or ")
        };
        if self.cells.iter().any(|cell| cell.cut_out) {
            let _ = write!(back, "; {NO_HEAT}");
        }
        back
    }

    /// The worst that happened in any scene.
    pub(super) fn harm(&self) -> Harm {
        worst(&self.cells)
    }

    /// Each way in which its scenes ended, and where. Empty if all ended alike, and the row says all of it.
    pub(super) fn endings(&self) -> Vec<String> {
        let mut groups: Vec<Vec<&Cell>> = Vec::new();
        for cell in &self.cells {
            match groups.iter_mut().find(|group| ends_alike(group[0], cell)) {
                Some(group) => group.push(cell),
                None => groups.push(vec![cell]),
            }
        }
        if let [group] = &groups[..]
            && !group[0].harm.is_any()
            && (group[0].alarm || group[0].found.is_none())
        {
            return Vec::new();
        }
        // The most frequent is what happens everywhere else.
        groups.sort_by_key(Vec::len);
        let most = groups.len().saturating_sub(1);
        let words = |(index, group): (usize, &Vec<&Cell>)| {
            let place = match index {
                _ if most == 0 => "everywhere".to_owned(),
                _ if index == most => "everywhere else".to_owned(),
                _ => self.places(group),
            };
            format!("{} {place}: {}", Sign::of(group[0]).letter(), ending(group))
        };
        groups.iter().enumerate().map(words).collect()
    }

    /// Where some of its scenes play, by the letters of their states.
    fn places(&self, cells: &[&Cell]) -> String {
        let at = |outside_c: &f64| -> String {
            let here = cells.iter().filter(|cell| cell.outside_c.total_cmp(outside_c).is_eq());
            here.map(|cell| letter(cell.state)).collect()
        };
        let places: Vec<String> = self.matrix.outsides_c.iter().map(at).collect();
        match places.split_first() {
            Some((first, rest)) if !rest.is_empty() && rest.iter().all(|place| place == first) => {
                format!("{first} at all temperatures")
            }
            _ => {
                let named = places.iter().zip(&self.matrix.outsides_c).filter(|(letters, _)| !letters.is_empty());
                named.map(|(letters, at_c)| format!("{letters} at {at_c:.0} °C")).collect::<Vec<_>>().join(", ")
            }
        }
    }
}

/// Whether the same words, but for their numbers, say what happened.
fn ends_alike(a: &Cell, b: &Cell) -> bool {
    let told = |cell: &Cell| (Sign::of(cell), cell.found, cell.alarm, cell.cut_out, cell.recovery, cell.waits);
    told(a) == told(b)
}

/// What happened in scenes that ended alike.
pub(super) fn ending(cells: &[&Cell]) -> String {
    let Some(first) = cells.first() else { return String::new() };
    let mut words = match (first.found, within(cells)) {
        (Some(found), Some(within)) => {
            let late = if is_late(first) { "too late, " } else { "" };
            let alarm = if first.alarm { "" } else { ", without an alarm" };
            format!("reported {late}as {found} after {within}{alarm}")
        }
        _ => "not reported".to_owned(),
    };
    let harm = worst(cells);
    if harm.is_any() {
        let _ = write!(words, "; {}", harm.words());
    }
    let _ = match (first.recovery, first.waits) {
        (Recovery::ByItself, _) => write!(words, "; charge comes back by itself"),
        (Recovery::AfterReset, waits) => {
            let waits = waits.map_or(String::new(), |waits| format!(", for which {waits} waits"));
            write!(words, "; charge comes back after the reset button{waits}")
        }
        (Recovery::Never, _) => write!(words, "; charge does NOT come back within two mild days"),
    };
    if first.cut_out {
        let _ = write!(words, "; {NO_HEAT}");
    }
    words
}

/// Whether it was reported, but only after a part had passed its limit. What is reported in time is never undetectable.
pub(super) fn is_late(cell: &Cell) -> bool {
    cell.verdict == Verdict::Undetectable && cell.found.is_some()
}

fn within(cells: &[&Cell]) -> Option<String> {
    let times = cells.iter().filter_map(|cell| cell.time_to_safe_s).map(|s| (s, s));
    times.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))).map(|(least_s, most_s)| range(least_s, most_s))
}

fn worst(cells: &[&Cell]) -> Harm {
    let least = |a: Option<f64>, b: Option<f64>| [a, b].into_iter().flatten().reduce(f64::min);
    let most = |a: Option<f64>, b: Option<f64>| [a, b].into_iter().flatten().reduce(f64::max);
    cells.iter().fold(Harm::default(), |all, cell| Harm {
        charged_at_c: least(all.charged_at_c, cell.harm.charged_at_c),
        cell_c: most(all.cell_c, cell.harm.cell_c),
        plate_c: most(all.plate_c, cell.harm.plate_c),
        pad_c: most(all.pad_c, cell.harm.pad_c),
    })
}

impl Harm {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let parts = [
            self.charged_at_c.map(|c| format!("charge was on or permitted with a cell at {c:.1} °C")),
            self.cell_c.map(|c| format!("a cell came to {c:.0} °C")),
            self.plate_c.map(|c| format!("the plate came to {c:.0} °C")),
            self.pad_c.map(|c| format!("the pad came to {c:.0} °C")),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

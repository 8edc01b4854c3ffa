//! A matrix for machines.

use super::limits::Limits;
use super::matrix::Matrix;
use super::scene::{Harm, Recovery, Verdict};
use serde::Serialize;

/// The report.
#[derive(Debug, Serialize)]
pub struct Report<'m> {
    title: &'m str,
    limits: &'m Limits,
    outside_c: &'m [f64],
    cells: Vec<Line<'m>>,
    safe: usize,
    #[serde(rename = "unsafe")]
    harmed: usize,
    undetectable: usize,
    /// Scenes that only the thermal cut-out kept from harm.
    held_by_cutout: usize,
    complete: bool,
}

#[derive(Debug, Serialize)]
struct Line<'m> {
    fault: &'m str,
    /// What breaks, in words.
    meaning: String,
    state: &'static str,
    outside_c: f64,
    verdict: Verdict,
    time_to_safe_s: Option<f64>,
    found: Option<&'static str>,
    alarm: bool,
    cleared_by: Option<&'static str>,
    off_s: Option<f64>,
    harm: Harm,
    cut_out: bool,
    above_ceiling_a: f64,
    above_ceiling_s: f64,
    above_maker_a: f64,
    recovery: Recovery,
    waits_for_someone: Option<&'static str>,
    extra_input: Option<&'static str>,
    bounded_by: Option<&'static str>,
}

impl<'m> Report<'m> {
    /// The report of `matrix`.
    #[must_use]
    pub fn of(matrix: &'m Matrix) -> Self {
        let name = |cell: &super::Cell| {
            let named = matrix.breakdowns.iter().find(|(breakdown, _)| *breakdown == cell.breakdown);
            named.map_or("", |(_, name)| name.as_str())
        };
        let line = |cell: &super::Cell| Line {
            fault: name(cell),
            meaning: cell.breakdown.meaning(),
            state: cell.state.name(),
            outside_c: cell.outside_c,
            verdict: cell.verdict,
            time_to_safe_s: cell.time_to_safe_s,
            found: cell.found,
            alarm: cell.alarm,
            cleared_by: cell.cleared_by,
            off_s: cell.off_s,
            harm: cell.harm,
            cut_out: cell.cut_out,
            above_ceiling_a: cell.above_ceiling_a,
            above_ceiling_s: cell.above_ceiling_s,
            above_maker_a: cell.above_maker_a,
            recovery: cell.recovery,
            waits_for_someone: cell.waits,
            extra_input: cell.blind.map(|blind| blind.extra_input),
            bounded_by: cell.blind.map(|blind| blind.bounded_by),
        };
        Self {
            title: &matrix.title,
            limits: &matrix.limits,
            outside_c: &matrix.outsides_c,
            cells: matrix.cells.iter().map(line).collect(),
            safe: matrix.count(Verdict::Safe),
            harmed: matrix.count(Verdict::Unsafe),
            undetectable: matrix.count(Verdict::Undetectable),
            held_by_cutout: matrix.cells.iter().filter(|cell| cell.cut_out).count(),
            complete: matrix.cells.len() == matrix.wanted,
        }
    }
}

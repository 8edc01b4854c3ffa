//! Single changes that mend what `plan` finds, each tried before it is offered.

use super::choice::{Choice, Level, choices};
use super::desk::Desk;
use super::search::steps;
use crate::diagnostic::Problem;
use crate::edit::{Changed, Edit};
use crate::finding::{Finding, Part, Remedy};
use crate::installation::Installation;
use crate::plan::Plan;
use crate::plan::thermal::Shapes;
use crate::threads;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

/// So many changes are offered for one finding.
const MOST: usize = 4;

/// Looks for single changes that mend each finding of `plan`, and notes them there. `text` is that of `installation`,
/// and `shapes` are those of its site. `progress` hears how many were tried.
///
/// # Errors
/// No thread can be started, or the text cannot be changed.
pub(super) fn check(
    plan: &mut Plan,
    (file, text, folder): (&str, &str, &Path),
    installation: &Installation,
    shapes: &Shapes,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<(), Vec<Problem>> {
    let Some(site) = &installation.site else { return Ok(()) };
    if !plan.findings.iter().any(is_open) {
        return Ok(());
    }
    let desk = Desk::new((file.to_owned(), text, folder), installation, shapes.clone(), None)?;
    let pool = threads::pool().map_err(|problem| vec![problem])?;
    let before: BTreeSet<String> = plan.findings.iter().filter(|finding| is_open(finding)).map(kind).collect();
    // What the findings themselves propose comes first. Steps of the search are for what that leaves.
    let all = choices(installation, &desk.draft, site, plan);
    let proposed = plan.findings.iter().filter(|finding| is_open(finding)).flat_map(|finding| finding.remedies.clone());
    let proposed: Vec<Remedy> = proposed.collect();
    for finding in &mut plan.findings {
        finding.checked = is_open(finding).then(Vec::new);
    }
    let mut tried: Vec<Remedy> = Vec::new();
    let done = AtomicU64::new(0);
    for from_findings in [true, false] {
        let changes = if from_findings { proposed.clone() } else { steps_for(plan, &all) };
        let is_free = |edit: &Edit| installation.fixed.holds(edit, &desk.names()).is_none();
        let mut new: Vec<Remedy> = Vec::new();
        for change in changes {
            if !change.is_empty() && change.iter().all(is_free) && !tried.contains(&change) && !new.contains(&change) {
                new.push(change);
            }
        }
        let one = |edits: &Remedy| {
            let left = left_with(&desk, edits);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1);
            left
        };
        let left: Vec<Option<Tried>> = pool.install(|| new.par_iter().map(one).collect());
        for finding in &mut plan.findings {
            let kind = kind(finding);
            let Some(checked) = &mut finding.checked else { continue };
            let mends =
                left.iter().flatten().filter(|tried| !tried.left.contains(&kind) && tried.left.is_subset(&before));
            checked.extend(mends.map(|tried| tried.changed.clone()).take(MOST.saturating_sub(checked.len())));
        }
        tried.extend(new);
    }
    Ok(())
}

/// What differs from the file with a change, and the kinds of findings that are then left.
struct Tried {
    changed: Vec<Changed>,
    left: BTreeSet<String>,
}

fn is_open(finding: &Finding) -> bool {
    !finding.is_fine()
}

/// What a finding says, without its figures: the same before and after a change.
fn kind(finding: &Finding) -> String {
    finding.text.chars().filter(|character| !character.is_ascii_digit() && !".-±".contains(*character)).collect()
}

/// Every step of a choice that concerns a finding without a change that mends it.
fn steps_for(plan: &Plan, choices: &[Choice]) -> Vec<Remedy> {
    let is_unmended = |finding: &&Finding| finding.checked.as_ref().is_some_and(Vec::is_empty);
    let parts: Vec<Part> = plan.findings.iter().filter(is_unmended).map(|finding| finding.part).collect();
    let written: Vec<usize> = choices.iter().map(|choice| choice.written).collect();
    let of_step = |to: Vec<usize>| {
        let mut differing = choices.iter().zip(to).filter(|(choice, level)| *level != choice.written);
        let (choice, level) = differing.next().filter(|(choice, _)| choice.what.concerns_any(&parts))?;
        match &choice.levels[level] {
            Level::Edits(edits) => Some(edits.clone()),
            Level::AsWritten | Level::LeastThresholds | Level::StopAbove(_) => None,
        }
    };
    steps(&written, choices).into_iter().filter_map(of_step).collect()
}

/// Tries a change. `None` if the file would not pass its check.
fn left_with(desk: &Desk, edits: &[Edit]) -> Option<Tried> {
    let mut draft = desk.draft.clone();
    draft.apply_all(edits);
    let changed = desk.changed(edits, &draft).iter().map(|edit| desk.told(edit)).collect();
    let installation = desk.read(&draft.to_string()).ok()?;
    let plan = desk.plan(&installation)?;
    let left = plan.findings.iter().filter(|finding| is_open(finding)).map(kind).collect();
    Some(Tried { changed, left })
}

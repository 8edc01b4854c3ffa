//! A plan as the command prints it: with the changes that mend what it finds.

use super::remedies;
use crate::diagnostic::Problem;
use crate::installation::Installation;
use crate::plan::thermal::Shapes;
use crate::plan::{Memory, Plan, Subject};
use crate::rehearse::Scenario;
use std::path::Path;

/// The plan of `installation`, whose text is `text`. `file` is what messages call it, `folder` is where the files are that it names, and
/// `shapes` are those of its site. `within_h` is one more warm-up time (h) to report the heater's power for. `progress` hears how many
/// changes were tried. `None` if the installation does not describe its site.
///
/// # Errors
/// No thread can be started, or the text cannot be changed.
pub fn planned(
    (file, text, folder): (&str, &str, &Path),
    installation: &Installation,
    within_h: Option<f64>,
    shapes: &Shapes,
    progress: &(dyn Fn(u64) + Sync),
) -> Option<Result<Plan, Vec<Problem>>> {
    let mut plan = Plan::in_shapes(Subject::of(installation)?, within_h, shapes);
    if let Err(problems) = remedies::check(&mut plan, (file, text, folder), installation, shapes, progress) {
        return Some(Err(problems));
    }
    weigh_weather(&mut plan, (file, folder), installation);
    Some(Ok(plan))
}

/// The same as far as findings need it, and without looking for changes that mend them: a small part of the work. `memory` holds what was
/// computed before.
pub fn findings((file, folder): (&str, &Path), installation: &Installation, memory: &mut Memory) -> Option<Plan> {
    let subject = Subject::of(installation)?;
    let shapes = memory.shapes(subject.site);
    let mut plan = Plan::on(subject, &memory.study(subject, &shapes), Some(&shapes));
    weigh_weather(&mut plan, (file, folder), installation);
    Some(plan)
}

/// A rehearsal reports weather that cannot be read; a plan does without it.
fn weigh_weather(plan: &mut Plan, (file, folder): (&str, &Path), installation: &Installation) {
    if let Ok(scenario) = Scenario::prepare(installation, file, folder, 1000)
        && let Some(beyond) = scenario.beyond_design()
    {
        plan.add_weather_beyond(&beyond);
    }
}

//! What in a log cannot be what it is taken for: a wrong unit, an inverted column, an option that contradicts a column.
//!
//! A fit would take such a column at its word, and blame the bank.

use super::{Assumed, Problems};
use crate::diagnostic::Problem;
use crate::figures::plain;
use crate::replay::{Measured, Others};

/// A heater that never gives more than this part of its plan, or more than so many times of it, is logged in another unit.
const POWER_PARTS: [f64; 2] = [0.05, 3.0];
/// The same for its supply, by its middle.
const SUPPLY_PARTS: [f64; 2] = [0.5, 2.0];
/// No battery bank of this size carries more (A). From memory.
const BANK_A: f64 = 3000.0;
/// So few rows say nothing.
const FEWEST: usize = 5;

/// Everything that is doubted.
pub(super) fn doubts(measured: &Measured, (planned_w, nominal_v): (f64, f64), assumed: Assumed, log: &str) -> Problems {
    let mut all = of_options(measured, assumed);
    let error = |message: String| Problem::error(log, message);
    let others = || measured.moments.iter().map(|moment| &moment.others);
    if measured.has.outside && others().all(|others| others.outside.is_nan()) {
        let problem = error("shows no temperature around the box that air can have".to_owned());
        all.push(problem.remedy("the column's unit: --column outside=COLUMN:UNIT, with c, f or k"));
    }
    let column = if measured.has.heater_w { "heater_w" } else { "heater_a times supply_v" };
    let unit = if measured.has.heater_w { "in kW, or is it another heater?" } else { "in mA or mV?" };
    let lowest_w = others().map(Others::power_w).fold(0.0, f64::min);
    let most_w = others().map(Others::power_w).fold(0.0, f64::max);
    if lowest_w < -POWER_PARTS[0] * planned_w {
        let problem =
            error(format!("{column} goes down to {} W: a heater takes no power out of a bank", plain(lowest_w)));
        all.push(problem.remedy("the sign of the column; or another column, --column heater_w=COLUMN"));
    } else if most_w > 0.0 && !(POWER_PARTS[0]..=POWER_PARTS[1]).contains(&(most_w / planned_w)) {
        let message =
            format!("{column} is at most {} W, where {} W are planned: {unit}", plain(most_w), plain(planned_w));
        all.push(
            error(message)
                .remedy("the column in W; or another column, --column heater_w=COLUMN; or heater.power_w in the file"),
        );
    }
    all.extend(supply(measured, nominal_v).map(|middle_v| {
        error(format!(
            "supply_v is {} V in the middle, where {} V are nominal: in mV?",
            plain(middle_v),
            plain(nominal_v)
        ))
        .remedy("the column in V; or another column, --column supply_v=COLUMN")
    }));
    let most_a = others().map(|others| others.bank_a.abs()).fold(0.0, f64::max);
    if most_a > BANK_A {
        let message = format!(
            "bank_a is as much as {} A: in mA?",
            if most_a < 1e9 { plain(most_a) } else { format!("{most_a:e}") }
        );
        all.push(error(message).remedy("the column in A; or another column, --column bank_a=COLUMN"));
    }
    all.extend(contradiction(measured, most_w).map(|(rows, of)| {
        error(format!("heater and {column} contradict each other in {rows} of {of} rows"))
            .because("one of the two is inverted or of something else, and the bank would be blamed for it")
            .remedy("--logged-heater COLUMN, 1 where the heater is on; or a log with one of the two")
    }));
    all
}

/// Options for what the log does not have, where it has it.
fn of_options(measured: &Measured, assumed: Assumed) -> Problems {
    let mut all = Problems::new();
    if measured.has.outside && assumed.outside_c.is_some() {
        let problem = Problem::usage("--assume-outside, and the log has a column of the air around the box");
        all.push(problem.remedy("no --assume-outside; or a log without that column"));
    }
    if assumed.heater_off && (measured.has_heater || measured.has.has_power()) {
        let problem = Problem::usage("--assume-heater-off, and the log has a column of what the heater did");
        all.push(problem.remedy("no --assume-heater-off; or a log without that column"));
    }
    all
}

/// The middle of the supply (V) while the heater is on, if that is too far from nominal. While it is off, there may be none.
fn supply(measured: &Measured, nominal_v: f64) -> Option<f64> {
    let moments = || measured.moments.iter().filter(|moment| !moment.others.supply_v.is_nan());
    let is_on = |moment: &&_| -> bool {
        let moment: &crate::replay::MeasuredAt = moment;
        moment.heater == Some(true) || moment.others.heater_w > 0.0 || moment.others.heater_a > 0.0
    };
    let mut all_v: Vec<f64> = moments().filter(is_on).map(|moment| moment.others.supply_v).collect();
    if all_v.len() < FEWEST {
        return None;
    }
    let middle = all_v.len() / 2;
    let (_, middle_v, _) = all_v.select_nth_unstable_by(middle, f64::total_cmp);
    let part = *middle_v / nominal_v;
    (!(SUPPLY_PARTS[0]..=SUPPLY_PARTS[1]).contains(&part)).then_some(*middle_v)
}

/// In how many of how many rows the heater's state and its power contradict each other, if that is most of them, or if they never agree
/// that it is on.
fn contradiction(measured: &Measured, most_w: f64) -> Option<(usize, usize)> {
    /// Part of the most from which on the heater counts as on.
    const ON: f64 = 0.1;
    let (mut all, mut apart, mut together) = (0, 0, 0);
    for moment in &measured.moments {
        let power_w = moment.others.power_w();
        let (Some(is_on), false) = (moment.heater, power_w.is_nan()) else { continue };
        let gives = power_w > ON * most_w && power_w > 0.0;
        all += 1;
        apart += usize::from(is_on != gives);
        together += usize::from(is_on && gives);
    }
    (2 * apart > all || (together == 0 && apart >= FEWEST)).then_some((apart, all))
}

//! A log as what was measured, for whoever fits a model to it: temperatures, the heater, the air around the box.
//!
//! It is read as a replay reads it: the same dialects, columns and units. Nothing is filled in. A row after which the log's clock went back,
//! or after a long pause, begins anew: nobody knows what happened in between.

use super::assignment::{Finder, Number, Reading};
use super::clock::Dial;
use super::report::{Step, Use};
use super::rows::{Next, Pace, Row, Rows};
use super::sample::Sample;
use super::scale::{Scale, Unit};
use super::{Fault, Names, Opened, Rejects, ReplayError, Request, first_row, open, stopped};
use crate::diagnostic::{Problem, excerpt};
use crate::installation::Installation;
use crate::replay::ahead::Ended;
use crate::si;
use forewarm_core::settings::Role;
use std::io::Read;

/// Names of columns besides those of thermometers: the air around the box; the heater's power, its current and its supply; the bank's
/// current.
pub(crate) const OTHERS: [&str; 5] = ["outside", "heater_w", "heater_a", "supply_v", "bank_a"];

/// What a log shows.
#[derive(Clone, Debug)]
pub(crate) struct Measured {
    /// In the order of time.
    pub(crate) moments: Vec<Moment>,
    /// Which of [`OTHERS`] have a column, and whether the heater's state has.
    pub(crate) has: [bool; OTHERS.len()],
    pub(crate) has_heater: bool,
    pub(crate) uses: Vec<Use>,
    pub(crate) dial: Dial,
    pub(crate) rows_read: u64,
    pub(crate) rejects: Rejects,
    pub(crate) back: Option<Step>,
    /// The usual time between two rows (ms).
    pub(crate) usual_ms: i64,
    /// The longest pause that does not begin anew (ms).
    pub(crate) longest_ms: i64,
}

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Moment {
    /// Since the first row (ms).
    pub(crate) at_ms: i64,
    /// What each channel of the settings shows (°C). Not a number where nothing believable was measured.
    pub(crate) shown_c: Vec<f64>,
    /// In the order of [`OTHERS`], in °C, W, A, V and A. Not a number where nothing was measured.
    pub(crate) others: [f64; OTHERS.len()],
    /// `None` until the log has it.
    pub(crate) heater: Option<bool>,
    /// Whether nothing joins it to the row before.
    pub(crate) is_anew: bool,
}

/// A thermometer's column.
struct Column {
    channel: usize,
    number: Number,
    scale: Scale,
}

/// Reads a whole log.
///
/// # Errors
/// Those of a replay, and a log without any thermometer of the installation.
pub(crate) fn measured(
    installation: &Installation,
    log: impl Read,
    request: &Request,
) -> Result<Measured, ReplayError> {
    let names = Names(&request.log);
    let Opened { records, header, head, delimiter, .. } = open(log, request)?;
    let sample = Sample { head: &head, delimiter, width: header.width() };
    let mut finder = Finder::new(&header, &request.log, records.line(), sample);
    let found = find(&mut finder, installation, request);
    let Found { reading, columns, others, heater, outside_unit } = found.map_err(ReplayError::Refused)?;
    let uses = finder.uses;
    let mut rows = Rows::new(records, header.clone(), &reading, delimiter, Pace::Quick);
    let channels = installation.channels.len();
    let mut moments: Vec<Moment> = Vec::new();
    let mut heater_now = None;
    let mut take = |row: &Row, is_anew: bool, moments: &mut Vec<Moment>| {
        let mut shown_c = vec![f64::NAN; channels];
        for Column { channel, number, scale } in &columns {
            let value = row.numbers[*number];
            let (low, high) = scale.plausible();
            if (low..=high).contains(&value) {
                let shown = scale.shown(scale.measured(scale.ratio(value)));
                shown_c[*channel] = shown.map_or(f64::NAN, si::celsius);
            }
        }
        heater_now = heater.and_then(|flag| row.flag(flag)).or(heater_now);
        let mut values = others.map(|number| number.map_or(f64::NAN, |number| row.numbers[number]));
        values[0] = match outside_unit {
            Unit::Fahrenheit => (values[0] - 32.0) / 1.8,
            Unit::Kelvin => values[0] - 273.15,
            Unit::Celsius | Unit::Ohms | Unit::Ratio => values[0],
        };
        moments.push(Moment { at_ms: row.at, shown_c, others: values, heater: heater_now, is_anew });
    };
    take(&first_row(&mut rows, names, request.strict)?, true, &mut moments);
    let mut row = Row::new(0);
    let mut was_set_back = false;
    loop {
        let went_back = rows.rejects().count(Fault::OutOfOrder);
        match rows.next_row(&mut row) {
            Ok(Next::Row) => take(&row, std::mem::take(&mut was_set_back), &mut moments),
            Ok(Next::Rejected) if request.strict => return Err(stopped(&rows, names, &Ended::Rejected)),
            Ok(Next::Rejected) => was_set_back |= rows.rejects().count(Fault::OutOfOrder) > went_back,
            Ok(Next::Contradicts) => return Err(stopped(&rows, names, &Ended::Contradicted)),
            Ok(Next::End) => break,
            Err(error) => return Err(stopped(&rows, names, &Ended::Line(error))),
        }
    }
    let usual_ms = usual(&moments);
    let longest_ms = request.longest_gap_ms.unwrap_or((usual_ms * 3).max(60_000));
    for index in 1..moments.len() {
        moments[index].is_anew |= moments[index].at_ms - moments[index - 1].at_ms > longest_ms;
    }
    Ok(Measured {
        moments,
        has: others.map(|number| number.is_some()),
        has_heater: heater.is_some(),
        uses,
        dial: rows.dial().clone(),
        rows_read: rows.read(),
        rejects: rows.rejects().clone(),
        back: rows.leaps().back.map(Step::from),
        usual_ms,
        longest_ms,
    })
}

/// Which columns hold what.
struct Found {
    reading: Reading,
    columns: Vec<Column>,
    others: [Option<Number>; OTHERS.len()],
    heater: Option<usize>,
    outside_unit: Unit,
}

fn find(finder: &mut Finder<'_>, installation: &Installation, request: &Request) -> Result<Found, Vec<Problem>> {
    let mapping = &request.mapping;
    let time = finder.time(mapping);
    for column in &mapping.channels {
        if !OTHERS.contains(&column.channel.as_str()) {
            finder.known_among("channel", &column.channel, "--column", &installation.channels, &OTHERS);
        }
    }
    let trust = &installation.settings.trust;
    let plausible = (trust.plausible_low, trust.plausible_high);
    let mut columns = Vec::new();
    for (index, (name, channel)) in installation.channels.iter().zip(&installation.settings.channels).enumerate() {
        if matches!(channel.role, Role::Check(_)) {
            continue;
        }
        // A cell that was not logged is not missed here: the others tell of the box.
        if let Some((field, unit)) = finder.channel(name, Role::Ambient, mapping) {
            finder.use_column_in(name, finder.header.shown(field), Some(unit.shown()));
            let scale = Scale::new(channel, unit, plausible);
            columns.push(Column { channel: index, number: finder.number(field), scale });
        }
    }
    if columns.is_empty() && finder.problems.is_empty() {
        let first = installation.channels.first().map_or("", String::as_str);
        let problem = finder.problem("no column for any thermometer of the installation");
        let remedy = format!("--column {}=COLUMN:c; {}", excerpt(first), finder.columns_are());
        finder.problems.push(problem.remedy(remedy));
    }
    let mut outside_unit = Unit::Celsius;
    let mut others = [None; OTHERS.len()];
    if !installation.channels.iter().any(|name| name == OTHERS[0])
        && let Some((field, unit)) = finder.channel(OTHERS[0], Role::Ambient, mapping)
    {
        if matches!(unit, Unit::Ohms | Unit::Ratio) {
            let problem = finder.problem(format!("column {} is no temperature", finder.header.shown(field)));
            finder.problems.push(problem.remedy("the air around the box in °C, °F or K"));
        }
        finder.use_column_in("air around the box", finder.header.shown(field), Some(unit.shown()));
        outside_unit = unit;
        others[0] = Some(finder.number(field));
    }
    for (name, place) in OTHERS.iter().zip(&mut others).skip(1) {
        *place = finder.other_number(name, mapping);
    }
    let heater = finder.logged("heater", mapping.logged_heater.as_deref());
    let decimal = finder.decimal(mapping, time.as_ref());
    match time {
        Some(time) if finder.problems.is_empty() => {
            let (numbers, flags) = (finder.numbers.clone(), finder.flags.clone());
            let reading = Reading { time, decimal, numbers, flags, source_fields: Vec::new() };
            Ok(Found { reading, columns, others, heater, outside_unit })
        }
        _ => Err(std::mem::take(&mut finder.problems)),
    }
}

/// The time between two rows that is not exceeded by half of them.
fn usual(moments: &[Moment]) -> i64 {
    let mut between: Vec<i64> = moments.windows(2).map(|pair| pair[1].at_ms - pair[0].at_ms).collect();
    let middle = between.len() / 2;
    if between.is_empty() { 60_000 } else { *between.select_nth_unstable(middle).1 }
}

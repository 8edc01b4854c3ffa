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

/// Names of columns besides those of thermometers.
pub(crate) const OTHERS: [&str; 5] = ["outside", "heater_w", "heater_a", "supply_v", "bank_a"];

/// One of something for each of [`OTHERS`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Others<T> {
    /// The air around the box (°C).
    pub(crate) outside: T,
    /// The heater's power (W), its current (A) and its supply (V).
    pub(crate) heater_w: T,
    pub(crate) heater_a: T,
    pub(crate) supply_v: T,
    /// The bank's current (A).
    pub(crate) bank_a: T,
}

impl<T> Others<T> {
    fn map<U>(self, mut of: impl FnMut(T) -> U) -> Others<U> {
        Others {
            outside: of(self.outside),
            heater_w: of(self.heater_w),
            heater_a: of(self.heater_a),
            supply_v: of(self.supply_v),
            bank_a: of(self.bank_a),
        }
    }
}

impl Others<f64> {
    /// The heater's power by its own column, or by its current and its supply (W). Not a number where neither was measured.
    pub(crate) fn power_w(&self) -> f64 {
        if self.heater_w.is_nan() { self.heater_a * self.supply_v } else { self.heater_w }
    }
}

impl Others<bool> {
    /// Whether the heater's power follows from the columns.
    pub(crate) const fn has_power(self) -> bool {
        self.heater_w || (self.heater_a && self.supply_v)
    }
}

/// What a log shows.
#[derive(Clone, Debug)]
pub(crate) struct Measured {
    /// In the order of time.
    pub(crate) moments: Vec<Moment>,
    /// Which have a column, and whether the heater's state has.
    pub(crate) has: Others<bool>,
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
    /// Not a number where nothing was measured.
    pub(crate) others: Others<f64>,
    /// `None` where the log does not have it.
    pub(crate) heater: Option<bool>,
    /// Whether nothing joins it to the row before.
    pub(crate) is_anew: bool,
}

/// What air on earth can be like (°C): anything else is a sensor that is broken or not there.
const AIR_C: std::ops::RangeInclusive<f64> = -95.0..=70.0;

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
    let mut rows = Rows::new(records, header.clone(), &reading, delimiter, Pace::Quick).with_words_for_nothing();
    let channels = installation.channels.len();
    let mut moments: Vec<Moment> = Vec::new();
    let take = |row: &Row, is_anew: bool, moments: &mut Vec<Moment>| {
        let mut shown_c = vec![f64::NAN; channels];
        for Column { channel, number, scale } in &columns {
            let value = row.numbers[*number];
            let (low, high) = scale.plausible();
            if (low..=high).contains(&value) {
                let shown = scale.shown(scale.measured(scale.ratio(value)));
                shown_c[*channel] = shown.map_or(f64::NAN, si::celsius);
            }
        }
        let heater = heater.and_then(|flag| row.flag(flag));
        let mut others = others.map(|number| number.map_or(f64::NAN, |number| row.numbers[number]));
        others.outside = match outside_unit {
            Unit::Fahrenheit => (others.outside - 32.0) / 1.8,
            Unit::Kelvin => others.outside - 273.15,
            Unit::Celsius | Unit::Ohms | Unit::Ratio => others.outside,
        };
        if !AIR_C.contains(&others.outside) {
            others.outside = f64::NAN;
        }
        moments.push(Moment { at_ms: row.at, shown_c, others, heater, is_anew });
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
    others: Others<Option<Number>>,
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
    let mut outside = None;
    if !installation.channels.iter().any(|name| name == OTHERS[0])
        && let Some((field, unit)) = finder.channel(OTHERS[0], Role::Ambient, mapping)
    {
        if matches!(unit, Unit::Ohms | Unit::Ratio) {
            let problem = finder.problem(format!("column {} is no temperature", finder.header.shown(field)));
            finder.problems.push(problem.remedy("the air around the box in °C, °F or K"));
        }
        finder.use_column_in("air around the box", finder.header.shown(field), Some(unit.shown()));
        outside_unit = unit;
        outside = Some(finder.number(field));
    }
    let [_, heater_w, heater_a, supply_v, bank_a] = OTHERS;
    let others = Others {
        outside,
        heater_w: finder.other_number(heater_w, mapping),
        heater_a: finder.other_number(heater_a, mapping),
        supply_v: finder.other_number(supply_v, mapping),
        bank_a: finder.other_number(bank_a, mapping),
    };
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

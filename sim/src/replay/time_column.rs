//! Finds where a log has its time, how it writes it, and which decimal sign its numbers have.

use super::assignment::{Finder, TimeAssignment, option_problem};
use super::clock::TimeFormat;
use super::mapping::{Mapping, TimeParts};
use super::pattern::{self, Found, Pattern};
use super::sample::Signs;
use super::unit_names;
use crate::csv_text::decimal::Decimal;
use crate::csv_text::header::{Header, NoColumn, alike};
use crate::diagnostic::excerpt;

/// Names of a time column, in order of preference, each with the format that the name states.
const TIME_NAMES: [(&str, Option<TimeFormat>); 9] = [
    ("timestamp", None),
    ("time", None),
    ("datetime", None),
    ("date_time", None),
    ("epoch_s", Some(TimeFormat::EpochSeconds)),
    ("epoch_ms", Some(TimeFormat::EpochMillis)),
    ("elapsed_s", Some(TimeFormat::ElapsedSeconds)),
    ("t_s", Some(TimeFormat::ElapsedSeconds)),
    ("date", None),
];

/// Further names. One is taken only if no other column has such a name and its values are moments.
const FURTHER: [&str; 22] = [
    "when",
    "date/time",
    "date & time",
    "local_time",
    "time_utc",
    "utc",
    "utc_time",
    "ts",
    "logged_at",
    "recorded_at",
    "sample_time",
    "datum",
    "zeit",
    "uhrzeit",
    "zeitpunkt",
    "zeitstempel",
    "datum/zeit",
    "datum/uhrzeit",
    "datum_zeit",
    "tid",
    "tidspunkt",
    "horodatage",
];

/// Names of a date, and of the time of day beside it.
const DATES: [&str; 6] = ["date", "datum", "day", "dato", "fecha", "data"];
const TIMES_OF_DAY: [&str; 9] =
    ["time", "zeit", "uhrzeit", "clock", "time_of_day", "tid", "klokkeslett", "heure", "hora"];

/// The column that holds the time by its name or by what the user says, if there is one such column.
pub(super) fn likely(header: &Header, mapping: &Mapping) -> Option<usize> {
    match &mapping.time {
        Some(time) => time
            .parts(header)
            .ok()
            .filter(|parts| parts.second.is_none() && parts.format.is_none())
            .map(|parts| parts.field),
        None => TIME_NAMES
            .iter()
            // A date may stand beside a time of day.
            .filter(|(name, _)| *name != "date")
            .find_map(|(name, _)| header.find(name).ok()),
    }
}

/// How the first rows write the moments of a column.
enum Detected {
    /// As one of the formats with a name, or there are no rows.
    Plain,
    Pattern(Pattern, Option<String>),
    Several(Vec<(Pattern, String)>),
    Nothing,
}

impl Finder<'_> {
    pub(super) fn time(&mut self, mapping: &Mapping) -> Option<TimeAssignment> {
        if let Some(time) = &mapping.time {
            let header = self.header;
            return match time.parts(header) {
                Ok(parts) => self.given(parts),
                Err((column, why)) => {
                    let what = if why == NoColumn::Twice { "more than one" } else { "no" };
                    let message = format!("{what} column \"{}\", which --time names", excerpt(column));
                    let remedy = self.time_candidates().unwrap_or_else(|| self.columns_are());
                    self.problems.push(option_problem(message).remedy(remedy));
                    None
                }
            };
        }
        if let Some((date, time)) = self.date_and_time_of_day() {
            return self.found(date, Some(time), None);
        }
        for (name, format) in TIME_NAMES {
            if let Some(field) = self.optional(name) {
                return self.found(field, None, format);
            }
        }
        let further = self.further();
        if let [field] = further[..] {
            return self.found(field, None, None);
        }
        let names: Vec<_> = TIME_NAMES.iter().map(|(name, _)| *name).collect();
        let problem = self.problem(format!("no time column: none is called {}", names.join(", ")));
        let candidates = self.time_candidates().unwrap_or_else(|| format!("--time COLUMN; {}", self.columns_are()));
        self.problems.push(problem.remedy(candidates));
        None
    }

    /// The columns that have one of the further names, and whose values are moments.
    fn further(&self) -> Vec<usize> {
        let header = self.header;
        let is_named = |name: &str| FURTHER.iter().any(|further| alike(further, unit_names::split(name).0));
        let named = header.names().enumerate().filter(|(_, name)| is_named(name)).map(|(field, _)| field);
        named.filter(|&field| self.rows_say_moments(field)).collect()
    }

    fn rows_say_moments(&self, field: usize) -> bool {
        let values = self.sample.texts(field, None);
        !values.is_empty() && !matches!(Self::detect(&values), Detected::Nothing)
    }

    /// The columns that hold moments, as a remedy.
    fn time_candidates(&self) -> Option<String> {
        let header = self.header;
        // A number may be anything; a date is a moment.
        let is_date = |field: usize| {
            let values = self.sample.texts(field, None);
            values.first().is_some_and(|(_, first)| first.parse::<f64>().is_err())
                && !matches!(Self::detect(&values), Detected::Nothing)
        };
        let mut fields: Vec<_> = (0..header.width()).filter(|&field| is_date(field)).collect();
        let further = self.further();
        fields.extend(further.into_iter().filter(|field| !fields.contains(field)).collect::<Vec<_>>());
        let options: Vec<_> =
            fields.into_iter().take(4).map(|field| format!("--time '{}'", header.shown(field))).collect();
        (!options.is_empty()).then(|| format!("{}; {}", options.join(" or "), self.columns_are()))
    }

    /// A column with the date and one with the time of day, if the log has both and neither is enough alone.
    fn date_and_time_of_day(&self) -> Option<(usize, usize)> {
        let find = |names: &[&str]| names.iter().find_map(|name| self.header.find(name).ok());
        let (date, time) = (find(&DATES)?, find(&TIMES_OF_DAY)?);
        let times = self.sample.texts(time, None);
        let (_, first) = times.first()?;
        let both = self.sample.texts(date, Some(time));
        (pattern::is_time_of_day(first) && !matches!(Self::detect(&both), Detected::Nothing)).then_some((date, time))
    }

    fn detect(values: &[(u64, String)]) -> Detected {
        if values.is_empty() {
            return Detected::Plain;
        }
        let plain = |text: &str| {
            TimeFormat::guess(text.as_bytes()).is_some()
                || TimeFormat::guess(text.replacen(',', ".", 1).as_bytes()).is_some()
        };
        // The first row may be damaged.
        if values.iter().take(20).any(|(_, text)| plain(text)) {
            return Detected::Plain;
        }
        match pattern::find(values) {
            Found::Nothing => Detected::Nothing,
            Found::One(pattern, decided) => Detected::Pattern(pattern, decided),
            Found::Several(readings) => Detected::Several(readings),
        }
    }

    /// The column or columns that the user has named.
    fn given(&mut self, TimeParts { field, second, format }: TimeParts<'_>) -> Option<TimeAssignment> {
        let Some(format) = format else { return self.found(field, second, None) };
        if let Some(format) = TimeFormat::named(format) {
            return self.found(field, second, Some(format));
        }
        self.use_column("time", self.time_shown(field, second));
        match Pattern::new(format) {
            Ok(pattern) => Some(TimeAssignment { field, second, format: None, pattern: Some(pattern), decided: None }),
            Err(why) => {
                let message = format!("--time has the pattern \"{}\", which cannot be used: {why}", excerpt(format));
                let remedy = "a pattern as strftime has it: %d.%m.%Y %H:%M reads 31.01.2025 13:45, %m/%d/%Y %I:%M %p reads 01/31/2025 01:45 PM";
                self.problems.push(option_problem(message).remedy(remedy));
                None
            }
        }
    }

    fn found(&mut self, field: usize, second: Option<usize>, format: Option<TimeFormat>) -> Option<TimeAssignment> {
        self.use_column("time", self.time_shown(field, second));
        let assignment = TimeAssignment { field, second, format, pattern: None, decided: None };
        if format.is_some() {
            return Some(assignment);
        }
        match Self::detect(&self.sample.texts(field, second)) {
            Detected::Plain | Detected::Nothing => Some(assignment),
            Detected::Pattern(pattern, decided) => {
                Some(TimeAssignment { pattern: Some(pattern), decided, ..assignment })
            }
            Detected::Several(readings) => {
                let column = self.time_shown(field, second);
                let values = self.sample.texts(field, second);
                let (line, first) = values.first().cloned().unwrap_or_default();
                let shown: Vec<_> = readings.iter().map(|(_, date)| date.as_str()).collect();
                let message = format!(
                    "column {column} holds \"{}\", which may be {}: no row looked at decides",
                    excerpt(&first),
                    shown.join(" or ")
                );
                let options: Vec<_> = readings
                    .iter()
                    .map(|(pattern, date)| format!("--time '{column}:{}' ({date})", pattern.text()))
                    .collect();
                self.line = line;
                let problem = self.problem(message).remedy(options.join(" or "));
                self.problems.push(problem);
                None
            }
        }
    }

    fn time_shown(&self, field: usize, second: Option<usize>) -> String {
        let first = self.header.shown(field);
        second.map_or(first.clone(), |second| format!("{first}+{}", self.header.shown(second)))
    }

    /// The decimal sign, if the user gives it or the first rows show it.
    pub(super) fn decimal(&mut self, mapping: &Mapping, time: Option<&TimeAssignment>) -> Option<Decimal> {
        if mapping.decimal.is_some() {
            return mapping.decimal;
        }
        // A decimal comma would make two cells. In quotes it is refused where it stands.
        if self.sample.delimiter == b',' {
            return Some(Decimal::Point);
        }
        let time = time.filter(|time| time.pattern.is_none() && time.second.is_none()).map(|time| time.field);
        let fields: Vec<_> = self.numbers.iter().copied().chain(time).collect();
        match self.sample.signs(&fields) {
            Signs::Silent => None,
            Signs::Is(sign, _) => Some(sign),
            Signs::Mixed((point_line, point), (comma_line, comma)) => {
                self.line = comma_line;
                let message = format!(
                    "\"{}\" has a decimal comma, \"{}\" in line {point_line} a decimal point",
                    excerpt(&comma),
                    excerpt(&point)
                );
                let problem = self.problem(message).remedy("one decimal sign in the whole log: export it again");
                self.problems.push(problem);
                None
            }
            Signs::Either(line, text) => {
                self.line = line;
                let (decimals, thousands) = (text.replacen(',', ".", 1), text.replacen(',', "", 1));
                let message = format!(
                    "\"{0}\" may be {decimals} with a decimal comma or {thousands} with a comma at the thousands: no row looked at decides",
                    excerpt(&text)
                );
                let remedy = format!(
                    "--decimal comma, if it is {decimals}; or export the log without thousands signs, if it is {thousands}"
                );
                let problem = self.problem(message).remedy(remedy);
                self.problems.push(problem);
                None
            }
        }
    }
}

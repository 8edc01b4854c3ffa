//! Reads weather files: finds the columns, and refuses what no weather can be.

use super::{Point, Weather};
use crate::csv_text::cells::{number, with_point};
use crate::csv_text::dates::{BadDate, Dates, Shown, TIME_NAMES, seconds};
use crate::csv_text::findings::Findings;
use crate::csv_text::header::{Header, NoColumn};
use crate::csv_text::records::{Record, Records};
use crate::csv_text::{at_line, cannot_read, first_row, unreadable};
use crate::diagnostic::{Problem, excerpt};
use crate::unpack::Unpacked;
use jiff::civil::{Date, DateTime, Time};
use std::io::Read;
use std::ops::RangeInclusive;

/// Longest time between two rows that a straight line bridges (s). A longer one may hide the coldest hours.
pub(super) const LONGEST_GAP_S: i64 = 3 * 3600;

/// The year that a typical year is put on. Its first day is a Monday. Like a typical year, it is not a leap year.
const NOMINAL_YEAR: i16 = 2001;

/// Most rows of a weather file: some ten years of minutes. A stream that never ends is not a weather file.
const MOST_ROWS: usize = 5_000_000;

/// The coldest and hottest air ever measured near the ground, −89 °C and 57 °C, and a little more.
const TEMPERATURES_C: RangeInclusive<f64> = -90.0..=60.0;

/// What an optional column can hold.
struct Quantity {
    range: RangeInclusive<f64>,
    unit: &'static str,
    /// Whether a value of nines only, as 99.9, stands for a missing one even within the range.
    nines_are_fillers: bool,
}

/// The fastest wind ever measured, 113 m/s, and a little more.
const WIND: Quantity = Quantity { range: 0.0..=120.0, unit: "m/s", nines_are_fillers: true };
/// At night a pyranometer reads a few watts too low. Between broken clouds it may read more than the sun gives above the air.
const IRRADIANCE: Quantity = Quantity { range: -20.0..=1800.0, unit: "W/m²", nines_are_fillers: false };

const TEMPERATURES: [(&str, Scale); 3] =
    [("temperature_c", Scale::Celsius), ("temperature_f", Scale::Fahrenheit), ("temperature_k", Scale::Kelvin)];

const TMY3_DATE: &str = "Date (MM/DD/YYYY)";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scale {
    Celsius,
    Fahrenheit,
    Kelvin,
}

impl Scale {
    fn celsius(self, value: f64) -> f64 {
        match self {
            Self::Celsius => value,
            Self::Fahrenheit => (value - 32.0) / 1.8,
            Self::Kelvin => value - 273.15,
        }
    }

    /// The scale in which all `values` would be weather.
    fn of(values: &RangeInclusive<f64>) -> Option<&'static str> {
        let fits = |scale: Self| {
            TEMPERATURES_C.contains(&scale.celsius(*values.start()))
                && TEMPERATURES_C.contains(&scale.celsius(*values.end()))
        };
        TEMPERATURES.into_iter().find(|&(_, scale)| fits(scale)).map(|(name, _)| name)
    }
}

/// Where a row holds its time.
enum When {
    /// In one cell.
    At(usize),
    /// In two: a date, and the end of an hour from 01:00 to 24:00.
    EndOfHour { date: usize, time: usize },
}

/// Which cell holds what.
struct Columns {
    when: When,
    temperature: (usize, Scale),
    wind: Option<usize>,
    irradiance: Option<usize>,
}

pub(super) fn read(file: &str, source: impl Read) -> Result<Weather, Vec<Problem>> {
    let source = Unpacked::new(source).map_err(|error| vec![cannot_read(file, &error)])?;
    let mut records = Records::new(source, b',');
    let (columns, header) = open(file, &mut records)?;
    let mut rows = Rows::new(file, &columns, &header);
    for _ in 0..MOST_ROWS {
        match records.next_record() {
            Ok(Some((line, record))) => rows.add(line, record.as_ref()),
            Ok(None) => return rows.finish(records.line()),
            Err(error) => {
                rows.findings.note(unreadable(file, records.line(), &error));
                return rows.finish(records.line());
            }
        }
    }
    rows.findings.add(
        records.line(),
        format!("more than {MOST_ROWS} rows"),
        "use a file of some years, with a row for every hour",
    );
    rows.finish(records.line())
}

/// Reads what stands above the rows.
fn open<R: Read>(file: &str, records: &mut Records<R>) -> Result<(Columns, Header), Vec<Problem>> {
    let (line, header) = first_row(file, records).map_err(|problem| vec![problem])?;
    if header.find(TMY3_DATE).is_ok() {
        return Columns::of_typical_year(file, line, &header).map(|columns| (columns, header));
    }
    if TIME_NAMES.iter().any(|name| header.find(name) != Err(NoColumn::Absent)) {
        return Columns::of_csv(file, line, &header).map(|columns| (columns, header));
    }
    // The first line of a typical year describes its station.
    if let Ok((second_line, second)) = first_row(file, records)
        && second.find(TMY3_DATE).is_ok()
    {
        return Columns::of_typical_year(file, second_line, &second).map(|columns| (columns, second));
    }
    let is_row = header.is_numbers() || header.like(|name| Dates::default().read(0, name.as_bytes()).is_ok()).is_some();
    let problem = if is_row {
        at_line(file, line, "the first row holds data: no header row names the columns")
    } else {
        let message = format!("no time column among {}: none is called {}", header.listed(), TIME_NAMES.join(", "));
        at_line(file, line, message)
    };
    Err(vec![problem.remedy("a header row as in: time,temperature_c,wind_speed_m_s,irradiance_w_m2")])
}

/// Finds the columns of a header.
struct Finder<'a> {
    header: &'a Header,
    line: u64,
    findings: Findings<'a>,
}

impl<'a> Finder<'a> {
    const fn new(file: &'a str, line: u64, header: &'a Header) -> Self {
        Self { header, line, findings: Findings::new(file) }
    }

    /// The only column with one of `names`.
    fn one<T: Copy>(&mut self, names: &[(&str, T)]) -> Option<(usize, T)> {
        let mut found = None;
        for &(name, what) in names {
            match self.header.find(name) {
                Ok(column) if found.is_none() => found = Some((column, what)),
                Err(NoColumn::Absent) => {}
                Ok(_) | Err(NoColumn::Twice) => {
                    let names: Vec<_> = names.iter().map(|(name, _)| *name).collect();
                    let message = format!("more than one column for the same: {}", names.join(", "));
                    self.findings.add(self.line, message, "rename all but one of them");
                    return None;
                }
            }
        }
        found
    }

    fn needed<T: Copy>(&mut self, names: &[(&str, T)]) -> Option<(usize, T)> {
        let before = self.findings.is_empty();
        let found = self.one(names);
        if found.is_none() && before == self.findings.is_empty() {
            let names: Vec<_> = names.iter().map(|(name, _)| *name).collect();
            let message = format!("no column {}", names.join(" or "));
            let remedy = format!("rename the right one; the columns are: {}", self.header.listed());
            self.findings.add(self.line, message, remedy);
        }
        found
    }

    /// A column that may be absent. Its absence is a problem if another name would be overlooked: one with one of
    /// `hints` and none of `unless`.
    fn optional(&mut self, names: &[(&str, ())], hints: &[&str], unless: &[&str]) -> Option<usize> {
        let before = self.findings.is_empty();
        let found = self.one(names);
        let holds = |name: &str, any: &[&str]| any.iter().any(|part| name.contains(part));
        if found.is_none()
            && before == self.findings.is_empty()
            && let Some(other) = self.header.like(|name| holds(name, hints) && !holds(name, unless))
        {
            let message = format!("column \"{}\" would not be read: its name does not say its unit", excerpt(other));
            let remedy = format!("convert it and call it {}; or take the column out", names[0].0);
            self.findings.add(self.line, message, remedy);
        }
        found.map(|(column, ())| column)
    }
}

impl Columns {
    fn of_csv(file: &str, line: u64, header: &Header) -> Result<Self, Vec<Problem>> {
        let mut finder = Finder::new(file, line, header);
        let time = finder.needed(&TIME_NAMES.map(|name| (name, ())));
        let temperature = finder.needed(&TEMPERATURES);
        let wind = finder.optional(&[("wind_speed_m_s", ())], &["wind", "wspd"], &["dir", "deg", "gust", "chill"]);
        let irradiance = finder.optional(
            &[("irradiance_w_m2", ()), ("ghi_w_m2", ())],
            &["ghi", "irradiance", "radiation"],
            &["dni", "dhi", "direct", "diffuse", "source", "uncert"],
        );
        match (time, temperature) {
            (Some((time, ())), Some(temperature)) if finder.findings.is_empty() => {
                Ok(Self { when: When::At(time), temperature, wind, irradiance })
            }
            _ => Err(finder.findings.into_problems()),
        }
    }

    fn of_typical_year(file: &str, line: u64, header: &Header) -> Result<Self, Vec<Problem>> {
        let mut finder = Finder::new(file, line, header);
        let names = [TMY3_DATE, "Time (HH:MM)", "Dry-bulb (C)", "Wspd (m/s)", "GHI (W/m^2)"];
        let found = names.map(|name| finder.needed(&[(name, ())]).map(|(column, ())| column));
        match found {
            [Some(date), Some(time), Some(temperature), wind @ Some(_), irradiance @ Some(_)] => Ok(Self {
                when: When::EndOfHour { date, time },
                temperature: (temperature, Scale::Celsius),
                wind,
                irradiance,
            }),
            _ => Err(finder.findings.into_problems()),
        }
    }
}

/// Makes points of rows.
struct Rows<'a> {
    columns: &'a Columns,
    header: &'a Header,
    findings: Findings<'a>,
    dates: Dates,
    start: Option<DateTime>,
    last: Option<(DateTime, u64)>,
    points: Vec<Point>,
    /// Temperatures that no weather has. If all are like that, the column's name is wrong.
    strange: Findings<'a>,
    temperatures: Option<RangeInclusive<f64>>,
    any_usual: bool,
    file: &'a str,
}

impl<'a> Rows<'a> {
    fn new(file: &'a str, columns: &'a Columns, header: &'a Header) -> Self {
        Self {
            columns,
            header,
            findings: Findings::new(file),
            dates: Dates::default(),
            start: None,
            last: None,
            points: Vec::new(),
            strange: Findings::new(file),
            temperatures: None,
            any_usual: false,
            file,
        }
    }

    fn add(&mut self, line: u64, record: Option<&Record<'_>>) {
        let Some(record) = record else {
            self.findings.add(
                line,
                "a quote that is not closed, or thousands of cells",
                "write the row like the others",
            );
            return;
        };
        let (cells, width) = (record.len(), self.header.width());
        if cells != width {
            let hint = if cells > width { "a decimal comma?" } else { "cut off?" };
            let message = format!("{cells} cells, the header has {width}: {hint}");
            self.findings.add(line, message, "write the whole row, with decimal points");
            return;
        }
        let at = self.time(line, record);
        let temperature = self.temperature(line, record);
        let wind = self.value(line, record, self.columns.wind, &WIND);
        let irradiance = self.value(line, record, self.columns.irradiance, &IRRADIANCE);
        let Some(at) = at else { return };
        if let Some((last, last_line)) = self.last.replace((at, line))
            && seconds(last, at) > LONGEST_GAP_S
        {
            let message = format!(
                "no rows from {} (line {last_line}) to {}: a gap of more than {} h",
                Shown(last),
                Shown(at),
                LONGEST_GAP_S / 3600
            );
            self.findings.add(line, message, "fill the hours between, or cut the file at the gap");
        }
        let start = *self.start.get_or_insert(at);
        if let (Some(outside_c), Some(wind_m_s), Some(irradiance)) = (temperature, wind, irradiance) {
            let irradiance_w_m2 = irradiance.max(0.0);
            self.points.push(Point { at_s: seconds(start, at), outside_c, wind_m_s, irradiance_w_m2 });
        }
    }

    fn time(&mut self, line: u64, record: &Record<'_>) -> Option<DateTime> {
        let read = match self.columns.when {
            When::At(cell) => self.dates.read(line, record.cell(cell)),
            When::EndOfHour { date, time } => end_of_hour(record.cell(date), record.cell(time))
                .ok_or_else(|| BadDate {
                    message: format!(
                        "\"{}\" and \"{}\" are not a date and the end of an hour in a typical year",
                        excerpt(&String::from_utf8_lossy(record.cell(date))),
                        excerpt(&String::from_utf8_lossy(record.cell(time)))
                    ),
                    remedy: "write them as 01/31/1997 and 24:00, and leave out 29 February",
                })
                .and_then(|at| self.dates.follow(line, at)),
        };
        match read {
            Ok(at) => Some(at),
            Err(BadDate { message, remedy }) => {
                self.findings.add(line, message, remedy);
                None
            }
        }
    }

    fn temperature(&mut self, line: u64, record: &Record<'_>) -> Option<f64> {
        let (cell, scale) = self.columns.temperature;
        let value = self.number(line, record, cell)?;
        let celsius = scale.celsius(value);
        let seen = self.temperatures.get_or_insert(value..=value);
        *seen = seen.start().min(value)..=seen.end().max(value);
        if TEMPERATURES_C.contains(&celsius) {
            self.any_usual = true;
            return Some(celsius);
        }
        let name = self.header.shown(cell);
        let (kind, problem) = outside(self.file, line, &name, record.cell(cell), value, &TEMPERATURES_C, "°C");
        self.strange.add_alike(line, &kind, problem);
        None
    }

    /// The value in an optional column, or 0 if there is no column.
    fn value(&mut self, line: u64, record: &Record<'_>, cell: Option<usize>, quantity: &Quantity) -> Option<f64> {
        let Some(cell) = cell else { return Some(0.0) };
        let value = self.number(line, record, cell)?;
        let field = record.cell(cell);
        let is_missing = quantity.nines_are_fillers && is_filler(field, value);
        if quantity.range.contains(&value) && !is_missing {
            return Some(value);
        }
        let name = self.header.shown(cell);
        let (kind, problem) = outside(self.file, line, &name, field, value, &quantity.range, quantity.unit);
        self.findings.add_alike(line, &kind, problem);
        None
    }

    fn number(&mut self, line: u64, record: &Record<'_>, cell: usize) -> Option<f64> {
        let field = record.cell(cell);
        let wrong = match number(field) {
            Some(value) if value.is_finite() => return Some(value),
            Some(_) => "which is not finite",
            None if with_point(field).is_some() => "with a decimal comma",
            None => "which is not a number",
        };
        let name = self.header.shown(cell);
        let message = match field {
            [] => format!("column {name} is empty"),
            _ => format!("column {name} holds \"{}\", {wrong}", excerpt(&String::from_utf8_lossy(field))),
        };
        self.findings.add(line, message, MISSING);
        None
    }

    fn finish(mut self, end: u64) -> Result<Weather, Vec<Problem>> {
        let count = self.points.len();
        match self.temperatures.filter(|_| !self.any_usual) {
            Some(seen) if !self.strange.is_empty() => {
                let (cell, _) = self.columns.temperature;
                let name = self.header.shown(cell);
                let message =
                    format!("every {name} lies outside −90 to 60 °C: they run from {} to {}", seen.start(), seen.end());
                let remedy = match Scale::of(&seen) {
                    Some(other) if other != name => format!("name the column {other}, if that is what it holds"),
                    _ => "use a column of outside temperatures".to_owned(),
                };
                self.findings.note(Problem::error(self.file, message).remedy(remedy));
            }
            _ => self.findings.merge(self.strange),
        }
        if self.findings.is_empty() && count < 2 {
            let message = if count == 0 { "has a header row and no rows" } else { "has one row; weather needs two" };
            self.findings.note(at_line(self.file, end, message).remedy("write a row for every hour"));
        }
        match self.start {
            Some(start) if self.findings.is_empty() => {
                let Columns { wind, irradiance, .. } = self.columns;
                let (has_wind, has_irradiance) = (wind.is_some(), irradiance.is_some());
                Ok(Weather { start, points: self.points, has_wind, has_irradiance })
            }
            _ => Err(self.findings.into_problems()),
        }
    }
}

const MISSING: &str = "take out the row if only one is missing, or put in a value that you can justify";

/// What is wrong with a number outside its range, and the kind of fault, by which neighbouring lines are joined.
fn outside(
    file: &str,
    line: u64,
    name: &str,
    field: &[u8],
    value: f64,
    range: &RangeInclusive<f64>,
    unit: &str,
) -> (String, Problem) {
    let held = excerpt(&String::from_utf8_lossy(field));
    if is_filler(field, value) {
        let problem = at_line(file, line, format!("column {name} holds {held}, a filler for a missing value"))
            .because("the missing hours may be the coldest, and the filler would count as weather")
            .remedy(MISSING);
        return (format!("filler in {name}"), problem);
    }
    let message = format!("column {name} holds {held}, outside {} to {} {unit}", range.start(), range.end());
    let problem = at_line(file, line, message)
        .because("no such weather was ever measured: it is another unit, another column or a fault of the instrument")
        .remedy(format!("write the value in the unit that the column's name states; or {MISSING}"));
    (format!("value in {name}"), problem)
}

/// Whether a value stands for a missing one: nines only, as −99.9 or −9900.
fn is_filler(field: &[u8], value: f64) -> bool {
    let text = String::from_utf8_lossy(field);
    let digits = text.trim_start_matches(['-', '+']).replace('.', "");
    value.abs() >= 99.0 && digits.trim_end_matches('0').bytes().all(|byte| byte == b'9')
}

/// The end of an hour in the nominal year.
fn end_of_hour(date: &[u8], time: &[u8]) -> Option<DateTime> {
    let parts = |field: &[u8], sign: char| -> Option<Vec<i16>> {
        std::str::from_utf8(field).ok()?.split(sign).map(|part| part.parse().ok()).collect()
    };
    let (date, time) = (parts(date, '/')?, parts(time, ':')?);
    let (&[month, day, _year], &[hour, minute]) = (&date[..], &time[..]) else { return None };
    let date = Date::new(NOMINAL_YEAR, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()?;
    if hour == 24 && minute == 0 {
        return Some(date.tomorrow().ok()?.to_datetime(Time::midnight()));
    }
    Some(date.to_datetime(Time::new(i8::try_from(hour).ok()?, i8::try_from(minute).ok()?, 0, 0).ok()?))
}

//! The weather around a plant. It is read from a file or made up, and checked for gaps before it is used.
//!
//! ```text
//! file ─ read ─┐
//!              ├─ Weather ─ season ─ Weather of a winter, from a local midnight on
//! ColdSpell ───┘                                                      │ in_room
//!                                                                     └─ the air of a room, where the box stands in one
//! ```

mod read;
mod room;
mod season;
mod spell;

use crate::csv_text::cannot_read;
use crate::diagnostic::{Problem, Severity, excerpt};
use crate::input;
use jiff::civil::DateTime;
use std::io::Read;
use std::path::Path;

/// Weather from one moment on, in local standard time.
#[derive(Clone, Debug, PartialEq)]
pub struct Weather {
    /// Date and time of second 0.
    pub start: DateTime,
    /// In order; the first at second 0, at least two.
    pub points: Vec<Point>,
    /// Whether it has wind. If not, its points are calm.
    pub has_wind: bool,
    /// Whether it has irradiance. If not, its points are dark.
    pub has_irradiance: bool,
}

/// The weather at one moment. The temperature runs straight from one point to the next. Wind and irradiance are means
/// of the time *before* their point, since the point before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Since the start (s).
    pub at_s: i64,
    /// Outside air (°C).
    pub outside_c: f64,
    /// Wind, before shelter (m/s).
    pub wind_m_s: f64,
    /// Global irradiance on the horizontal (W/m²).
    pub irradiance_w_m2: f64,
}

impl Weather {
    /// Reads the file at `path`; see [`Weather::read`].
    ///
    /// # Errors
    /// A file that cannot be opened, or what [`Weather::read`] finds.
    pub fn load(path: &Path) -> Result<Self, Vec<Problem>> {
        let file = path.display().to_string();
        let source = input::open(path).map_err(|error| vec![cannot_read(&file, &error)])?;
        Self::read(&file, source)
    }

    /// Reads a weather file. Messages call it `file`. It is a CSV text with comment lines after `#`, as it is or packed
    /// as gzip or zstd, of one of two kinds.
    ///
    /// - With a header row: a date and time in a column called `timestamp`, `time`, `datetime`, `date_time` or `date`.
    ///   The temperature is in one called `temperature_c`, `temperature_f` or `temperature_k`. Wind and sun, if there
    ///   are any, are in `wind_speed_m_s` and `irradiance_w_m2` (or `ghi_w_m2`), as means of the time before the row.
    ///   Other columns are not read.
    /// - A typical year as NREL distributes it (TMY3): a line about the station, a header row that begins with
    ///   `Date (MM/DD/YYYY)`, hours named by their ends, months of different years. All are put on the year 2001.
    ///
    /// # Errors
    /// Up to 20 problems, each with its line, and how many more there are. Among them are gaps of more than three
    /// hours, rows out of order, fillers, and values that no weather has.
    pub fn read(file: &str, source: impl Read) -> Result<Self, Vec<Problem>> {
        read::read(file, source)
    }

    /// The problems of missing columns. Missing irradiance is an error if sources (`following`, by name) follow the
    /// sun, for they would never come. Missing wind is a warning if a part `exposure` (0 to 1) of it reaches the box.
    /// Messages call the weather `file`.
    #[must_use]
    pub fn lacks(&self, file: &str, following: &[&str], exposure: f64) -> Vec<Problem> {
        let mut problems = Vec::new();
        if !self.has_irradiance && !following.is_empty() {
            let sources = following.iter().map(|name| excerpt(name)).collect::<Vec<_>>().join(" and ");
            let verb = if following.len() == 1 { "follows" } else { "follow" };
            let message = format!("has no column irradiance_w_m2, and {sources} {verb} the sun");
            problems.push(
                Problem::error(file, message)
                    .because("without it there is no sun all winter")
                    .remedy("add irradiance_w_m2 (on the horizontal), or write schedule in place of sun_at_least_w_m2"),
            );
        }
        if !self.has_wind && exposure > 0.0 {
            let message =
                format!("has no column wind_speed_m_s, and {:.0} % of the wind reaches the box", exposure * 100.0);
            let problem = Problem::error(file, message)
                .because("the box is rehearsed in still air, where it loses less heat")
                .remedy("add a column wind_speed_m_s; or set exposure_pct = 0, if no wind reaches the box");
            problems.push(Problem { severity: Severity::Warning, ..problem });
        }
        problems
    }

    /// Length (s).
    #[must_use]
    pub fn span_s(&self) -> i64 {
        self.points.last().map_or(0, |point| point.at_s)
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "numbers that are only moved stay exact")]
#[expect(clippy::format_push_string, reason = "texts of tests are made once")]
mod tests;

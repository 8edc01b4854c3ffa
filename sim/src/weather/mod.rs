//! The weather that a plant stands in: read from a file or made up, and checked for holes before anything is built on it.

use jiff::civil::DateTime;

/// Weather from some moment on, in local standard time.
#[derive(Clone, Debug, PartialEq)]
pub struct Weather {
    /// Date and time of second 0.
    pub start: DateTime,
    /// In order; the first at second 0, at least two.
    pub points: Vec<Point>,
}

/// The weather at one moment. The temperature runs straight from one point to the next; wind and irradiance are means of the time
/// *before* their point, since the point before.
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

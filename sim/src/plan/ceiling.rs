//! Whether the charge-current ceiling is still safe with the errors of the thermometers.
//!
//! A battery maker's table is for the temperature of the cells. The controller uses the *reading* of the coldest
//! channel, and the cells may be colder than that by the guard band. With a table that rises with temperature they then
//! take more than their maker allows. So each point must be higher by the guard band. Where the table falls again, for
//! hot cells, a point stays where it is.
//!
//! Nobody can see from a file's `ceiling` which of the two it is. `maker_ceiling` of `[battery]` states what the maker
//! allows, and the plan judges `ceiling` by it. Without `maker_ceiling`, the plan takes the file's `ceiling` for the
//! maker's table.

use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain, raised_to};
use crate::finding::{Finding, Part};
use crate::si;
use crate::site::CeilingPoint;
use forewarm_core::settings::{MAX_CEILING_POINTS, Settings};
use serde::Serialize;

/// Grain of the recommended points' temperatures (K).
const GRAIN_K: f64 = 0.1;

/// Grain of their limits (C): the smallest step in a file.
const GRAIN_C_RATE: f64 = 0.001;

/// A ceiling by temperature. See [`CeilingPoint::between`].
#[derive(Clone, Debug, PartialEq)]
struct Table(Vec<CeilingPoint>);

impl Table {
    fn at(&self, t_c: f64) -> f64 {
        CeilingPoint::between(&self.0, t_c).unwrap_or(0.0)
    }

    /// The least value for cells at any temperature from `t_c` down to `band_k` below.
    fn least(&self, t_c: f64, band_k: f64) -> f64 {
        let within = self.0.iter().filter(|point| (t_c - band_k..=t_c).contains(&point.cell_c));
        within.map(|point| point.c_rate).fold(self.at(t_c).min(self.at(t_c - band_k)), f64::min)
    }

    /// The temperatures of the table, and those `band_k` above them. Between two neighbours of these, [`Self::least`]
    /// is nowhere below the chord.
    fn corners(&self, band_k: f64) -> Vec<f64> {
        let mut corners: Vec<f64> = self.0.iter().flat_map(|point| [point.cell_c, point.cell_c + band_k]).collect();
        corners.sort_by(f64::total_cmp);
        corners
    }

    /// Whether `point` is one of the table's own, at its place or `band_k` higher.
    fn has(&self, point: &CeilingPoint, band_k: f64) -> bool {
        let is = |own: &CeilingPoint, by_k: f64| {
            (own.cell_c + by_k - point.cell_c).abs() < 1e-6 && (own.c_rate - point.c_rate).abs() < 1e-9
        };
        self.0.iter().any(|own| is(own, 0.0) || is(own, band_k))
    }

    /// The points that keep to this table when readings are up to `band_k` warm; `None` if a file cannot hold so many.
    fn shifted(&self, band_k: f64) -> Option<Vec<CeilingPoint>> {
        let band_k = raised_to(band_k, GRAIN_K);
        let down = |c_rate: f64| (c_rate / GRAIN_C_RATE + 1e-6).floor() / (1.0 / GRAIN_C_RATE);
        let all: Vec<CeilingPoint> = self
            .corners(band_k)
            .into_iter()
            .map(|cell_c| CeilingPoint {
                cell_c: (cell_c * 1000.0).round() / 1000.0,
                c_rate: self.least(cell_c, band_k),
            })
            .collect();
        let mut points: Vec<CeilingPoint> = Vec::new();
        for (index, point) in all.iter().enumerate() {
            // A point adds nothing if it lies on the line between its neighbours, or level with an end. But a fitter
            // looks for the maker's own points, each at its new place.
            let before = points.last();
            let after = all[index + 1..].iter().find(|after| after.cell_c > point.cell_c);
            let is_level = |end: &CeilingPoint| (end.c_rate - point.c_rate).abs() < 1e-9;
            let is_said = match (before, after) {
                (Some(before), _) if before.cell_c >= point.cell_c => true,
                (Some(before), Some(after)) => {
                    let line = Self(vec![*before, *after]);
                    (line.at(point.cell_c) - point.c_rate).abs() < 1e-9 && !self.has(point, band_k)
                }
                (Some(end), None) | (None, Some(end)) => is_level(end),
                (None, None) => false,
            };
            if !is_said {
                points.push(*point);
            }
        }
        if points.is_empty() {
            points.extend(all.first());
        }
        for point in &mut points {
            point.c_rate = down(point.c_rate);
        }
        (points.len() <= MAX_CEILING_POINTS).then_some(points)
    }
}

/// One point of the file's ceiling.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// The reading of the coldest channel (°C).
    pub reading_c: f64,
    /// The ceiling there, as a rate of the counted capacity (C).
    pub c_rate: f64,
    /// The same for the bank (A).
    pub bank_a: f64,
    /// The guard band there (K).
    pub guard_band_k: f64,
    /// The lowest temperature of the cells at that reading (°C).
    pub cells_c: f64,
    /// What the maker's table allows for cells between that temperature and the reading (C).
    pub maker_c_rate: f64,
}

/// The findings about the ceiling.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Ceiling {
    /// Batteries in parallel.
    pub batteries: u8,
    /// Number of these that the ceiling counts.
    pub counted: u8,
    /// The points of the file.
    pub points: Vec<Point>,
    /// Whether the file has the maker's own table; otherwise `points` stand for it.
    pub has_maker_table: bool,
    /// Whether the points keep to the maker's table at every reading at which charge can be permitted.
    pub holds: bool,
    /// The maker's table.
    pub maker: Vec<CeilingPoint>,
    /// Points that keep to it, if those of the file do not; `null` if no eight points can.
    pub recommended: Option<Vec<CeilingPoint>>,
}

impl Ceiling {
    /// Judges the ceiling of `settings` by the `maker`'s table, if there is one. `band_k` returns the guard band at a
    /// reading (°C to K).
    #[must_use]
    pub fn judge(settings: &Settings, maker: &[CeilingPoint], band_k: &dyn Fn(f64) -> f64) -> (Self, Finding) {
        let charge = &settings.charge;
        let own = Table(
            charge
                .ceiling
                .iter()
                .map(|point| CeilingPoint {
                    cell_c: si::written_c(point.at),
                    c_rate: f64::from(point.limit.as_per_mille()) / 1000.0,
                })
                .collect(),
        );
        let has_maker_table = !maker.is_empty();
        let maker = if has_maker_table { Table(maker.to_vec()) } else { own.clone() };
        let counted = charge.batteries.saturating_sub(1).max(1);
        let capacity_ah = si::amp_hours(charge.capacity);
        let points: Vec<Point> = own
            .0
            .iter()
            .map(|&CeilingPoint { cell_c: reading_c, c_rate }| {
                let guard_band_k = band_k(reading_c);
                Point {
                    reading_c,
                    c_rate,
                    bank_a: c_rate * capacity_ah * f64::from(counted) / f64::from(charge.batteries.max(1)),
                    guard_band_k,
                    cells_c: reading_c - guard_band_k,
                    maker_c_rate: maker.least(reading_c, guard_band_k),
                }
            })
            .collect();
        // Permission ends at these two, so the table beyond them is never used.
        let [inhibit_c, high_limit_c] = [charge.inhibit, charge.high_limit].map(si::written_c);
        let widest_k = maker.0.iter().map(|point| point.cell_c).chain([inhibit_c]).map(|t_c| {
            // The guard band at the reading that the point moves to.
            let once = band_k(t_c.max(inhibit_c));
            band_k(t_c.max(inhibit_c) + once).max(once)
        });
        let widest_k = widest_k.fold(0.0, f64::max);
        let own_corners = own.0.iter().map(|point| point.cell_c);
        let readings = maker.corners(widest_k).into_iter().chain(own_corners).chain([inhibit_c, high_limit_c]);
        let holds = readings
            .filter(|reading_c| (inhibit_c..=high_limit_c).contains(reading_c))
            .all(|reading_c| own.at(reading_c) <= maker.least(reading_c, widest_k) + 1e-6);
        let recommended = if holds { None } else { maker.shifted(widest_k) };
        let found =
            Self { batteries: charge.batteries, counted, points, has_maker_table, holds, maker: maker.0, recommended };
        let finding = found.finding(widest_k, inhibit_c);
        (found, finding)
    }

    /// The used point of the file at which the ceiling exceeds the allowed rate most; `None` if it does so only between
    /// points.
    fn worst(&self, inhibit_c: f64) -> Option<&Point> {
        self.points
            .iter()
            .filter(|point| point.reading_c >= inhibit_c && point.c_rate > point.maker_c_rate)
            .max_by(|a, b| (a.c_rate - a.maker_c_rate).total_cmp(&(b.c_rate - b.maker_c_rate)))
    }

    fn finding(&self, widest_k: f64, inhibit_c: f64) -> Finding {
        let band = plain(raised_to(widest_k, 0.01));
        if self.holds {
            let text = if self.has_maker_table {
                format!(
                    "the charge-current ceiling holds the battery maker's table with cells up to {band} K colder than they read"
                )
            } else {
                format!(
                    "the charge-current ceiling allows no more where it is warmer, so it holds with cells up to {band} K colder than they read"
                )
            };
            return Finding::fine(Part::Measurement, text);
        }
        let case = self.worst(inhibit_c).map_or_else(String::new, |point| {
            format!(
                ": where they read {} °C it allows {} C, and at {} °C the table allows {} C",
                plain(point.reading_c),
                plain(point.c_rate),
                fixed(point.cells_c, 1),
                fixed(point.maker_c_rate, 2)
            )
        });
        let change = match (&self.recommended, self.has_maker_table) {
            (None, _) => "fewer points in the maker's table: the ceiling that holds it has more than a file can",
            (Some(_), true) => "the ceiling printed below, under Charge-current ceiling",
            (Some(_), false) => {
                "both tables printed below, under Charge-current ceiling; or, if the file's points allow for the thermometers already, the \
                 maker's own as maker_ceiling in [battery]"
            }
        };
        let written = self.recommended.as_deref().map(|points| {
            let value = Some(listed(points));
            let own = Edit { home: Home::Section("charge"), key: "ceiling", value };
            // Whoever wrote no table of the maker's may have written it as the ceiling. That is the safe reading.
            let value = Some(listed(&self.maker));
            let maker = Edit { home: Home::Section("battery"), key: "maker_ceiling", value };
            if self.has_maker_table { vec![own] } else { vec![own, maker] }
        });
        if self.has_maker_table {
            Finding::danger(
                Part::Measurement,
                format!(
                    "the charge-current ceiling does not hold the battery maker's table with cells up to {band} K colder than they read{case}"
                ),
                change,
            )
            .with(written)
        } else {
            Finding::change(
                Part::Measurement,
                format!(
                    "the charge-current ceiling goes by what the coldest channel reads, and its cells may be {band} K colder. If the file's points \
                     are the battery maker's, for the cells themselves, they allow too much{case}"
                ),
                change,
            )
            .with(written)
        }
    }
}

/// `[ { cell_c = 5, c_rate = 0.1 } ]`
pub(super) fn listed(points: &[CeilingPoint]) -> String {
    let points: Vec<String> = points
        .iter()
        .map(|point| format!("{{ cell_c = {}, c_rate = {} }}", plain(point.cell_c), plain(point.c_rate)))
        .collect();
    format!("[ {} ]", points.join(", "))
}

#[cfg(test)]
mod tests;

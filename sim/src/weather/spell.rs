//! Makes up weather: a daily swing around a mean, and one colder spell.

use super::{Point, Weather};
use crate::diagnostic::Problem;
use crate::site::ColdSpell;
use jiff::civil::Date;
use std::f64::consts::PI;

/// Time between two points (s). At half an hour, straight lines stay within a quarter per cent of the swing of the
/// sine.
const STEP_S: u32 = 1800;

/// A Monday.
const FIRST_DAY: (i16, i8, i8) = (2001, 1, 1);

impl ColdSpell {
    /// `days` days of it, with `offset_k` added to every temperature. They begin on that month and day of 2001, or on
    /// its first day, a Monday.
    ///
    /// The mean moves to that of the spell during the day before the spell, and back during the day after it.
    ///
    /// # Errors
    /// A season of no days, or a day that 2001 does not have.
    pub fn weather(&self, from: Option<(i8, i8)>, days: u32, offset_k: f64) -> Result<Weather, Problem> {
        let (year, month, day) = FIRST_DAY;
        let (month, day) = from.unwrap_or((month, day));
        let Ok(date) = Date::new(year, month, day) else {
            let problem = Problem::error(
                "made-up weather",
                format!("cannot begin on {day:02}.{month:02}.: no such day in {year}"),
            );
            return Err(problem.remedy("a day that every year has"));
        };
        if days == 0 {
            return Err(Problem::error("made-up weather", "a season of no days").remedy("one day or more"));
        }
        let points = (0..=days * (86_400 / STEP_S)).map(|step| self.point(step, offset_k)).collect();
        Ok(Weather { start: date.at(0, 0, 0, 0), points, has_wind: true, has_irradiance: true })
    }

    fn point(&self, step: u32, offset_k: f64) -> Point {
        let hours = f64::from(step) * f64::from(STEP_S) / 3600.0;
        let of_day = hours % 24.0;
        let swing_k = self.daily_swing_k * libm::cos(2.0 * PI * (of_day - 15.0) / 24.0);
        Point {
            at_s: i64::from(step) * i64::from(STEP_S),
            outside_c: self.mean_c(hours / 24.0) + swing_k + offset_k,
            wind_m_s: self.wind_m_s,
            irradiance_w_m2: self.noon_w_m2 * sun_before(of_day),
        }
    }

    fn mean_c(&self, day: f64) -> f64 {
        let from = f64::from(self.spell_from_day);
        let to = from + f64::from(self.spell_days);
        let outside_by = (from - day).max(day - to).max(0.0);
        let into = if self.spell_days == 0 { 0.0 } else { (1.0 - outside_by).max(0.0) };
        self.mean_c + into * (self.spell_c - self.mean_c)
    }
}

/// Mean over the step that ends at `hour`, as a fraction of noon: half a sine from 8:00 to 16:00.
fn sun_before(hour: f64) -> f64 {
    let step = f64::from(STEP_S) / 3600.0;
    let risen = |hour: f64| -(8.0 / PI) * libm::cos(PI * (hour.clamp(8.0, 16.0) - 8.0) / 8.0);
    (risen(hour) - risen(hour - step)) / step
}

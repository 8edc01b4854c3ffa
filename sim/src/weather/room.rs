//! The air of a room in some weather.

use super::season::between;
use super::{Point, Weather};
use crate::site::Room;

impl Weather {
    /// The air of `room` for `span_s` (s) of this weather. Every outside temperature is first shifted by `shift_k`. As
    /// in weather, the temperature runs straight from one point to the next. Where the schedule changes there are two
    /// points at one moment, before and after. Wind and irradiance stay those of the outside.
    #[must_use]
    pub fn in_room(&self, room: &Room, span_s: i64, shift_k: f64) -> Vec<Point> {
        let changes =
            room.scheduled.as_ref().map_or_else(|| vec![(0, false)], |(_, week)| week.steps(self.start, span_s));
        let inside =
            |point: Point, is_warmed| Point { outside_c: room.air_c(point.outside_c + shift_k, is_warmed), ..point };
        let mut points: Vec<Point> = Vec::with_capacity(self.points.len() + 2 * changes.len());
        let mut push = |point: Point| {
            if points.last() != Some(&point) {
                points.push(point);
            }
        };
        let mut changes = changes.into_iter().peekable();
        let mut is_warmed = false;
        for (&before, &after) in self.points.iter().zip(&self.points[1..]) {
            let mut here = before;
            loop {
                while let Some((_, now)) = changes.next_if(|&(at_s, _)| at_s <= here.at_s) {
                    is_warmed = now;
                }
                let end = match changes.peek() {
                    Some(&(at_s, _)) if at_s < after.at_s => between(before, after, at_s),
                    _ => after,
                };
                push(inside(here, is_warmed));
                if let Some(at_s) = overtakes(room, here, end, shift_k).filter(|_| is_warmed) {
                    push(inside(between(before, after, at_s), is_warmed));
                }
                push(inside(end, is_warmed));
                here = end;
                if here.at_s >= after.at_s {
                    break;
                }
            }
        }
        points
    }
}

/// The second between two points in which a room's own temperature crosses the one that the schedule keeps.
fn overtakes(room: &Room, from: Point, to: Point, shift_k: f64) -> Option<i64> {
    let (least_c, _) = room.scheduled.as_ref()?;
    let above_k = |point: Point| room.air_c(point.outside_c + shift_k, false) - least_c;
    let (before_k, after_k) = (above_k(from), above_k(to));
    if before_k * after_k >= 0.0 {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "seconds of a year")]
    let within_s = before_k / (before_k - after_k) * (to.at_s - from.at_s) as f64;
    #[expect(clippy::cast_possible_truncation, reason = "within the two points")]
    let at_s = from.at_s + within_s.round() as i64;
    (from.at_s < at_s && at_s < to.at_s).then_some(at_s)
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "numbers that are only passed on stay exact")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The temperature on the straight lines at `at_s`, or just before it where two points are at one moment.
    fn at(points: &[Point], at_s: i64) -> f64 {
        let after = points.iter().position(|point| point.at_s >= at_s).expect("within the weather");
        let after = points[after];
        let before = points.iter().rev().find(|point| point.at_s < at_s).copied().unwrap_or(after);
        if before == after { after.outside_c } else { between(before, after, at_s).outside_c }
    }

    proptest! {
        /// Compared with the slow way, which asks the room minute by minute whether the schedule holds just before.
        #[test]
        fn a_room_is_what_it_would_be_by_itself_or_what_the_schedule_keeps_it_at(
            hours in prop::collection::vec(-30.0..25.0, 30..60), warmer_k in 0.0..10.0, least_c in -20.0..30.0,
            shift_k in -5.0..5.0, from in 0..20_u32, lasts in 1..4_u32, past in 0..60_u32,
        ) {
            let points: Vec<Point> = hours.iter().zip(0..).map(|(&outside_c, hour)| Point {
                at_s: 3600 * hour, outside_c, wind_m_s: 2.0, irradiance_w_m2: 50.0,
            }).collect();
            // A Thursday.
            let start = jiff::civil::date(2001, 11, 1).at(0, 0, 0, 0);
            let weather = Weather { start, points, has_wind: true, has_irradiance: true };
            let text = format!("thu {from:02}:{past:02}-{:02}:{past:02}", from + lasts);
            let room = Room { warmer_k, scheduled: Some((least_c, text.parse().expect("a schedule"))) };
            let span_s = weather.span_s();
            let inside = weather.in_room(&room, span_s, shift_k);
            prop_assert_eq!((inside[0].at_s, inside[inside.len() - 1].at_s), (0, span_s));
            prop_assert!(inside.windows(2).all(|pair| pair[0].at_s <= pair[1].at_s && pair[0] != pair[1]));
            prop_assert!(inside.iter().all(|point| point.wind_m_s == 2.0 && point.irradiance_w_m2 == 50.0));
            let warmed = i64::from(from * 60 + past)..i64::from((from + lasts) * 60 + past);
            for minute in 1..=span_s / 60 {
                let outside_c = at(&weather.points, minute * 60) + shift_k;
                let expected_c = room.air_c(outside_c, warmed.contains(&(minute - 1)));
                let found_c = at(&inside, minute * 60);
                // The point at which the two cross lies at a whole second.
                prop_assert!((found_c - expected_c).abs() < 0.02, "minute {}: {} and not {}", minute, found_c, expected_c);
                prop_assert!(found_c >= outside_c - 1e-9, "minute {}: colder than the outside", minute);
            }
        }
    }
}

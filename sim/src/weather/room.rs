//! The air of a room in some weather.

use super::season::between;
use super::{Point, Weather};
use crate::site::Room;

impl Weather {
    /// The air of `room` for `span_s` (s) of this weather, every outside temperature of which is first shifted by `shift_k`. As in
    /// weather, the temperature runs straight from one point to the next; where the schedule changes there are two points at one
    /// moment, before and after. Wind and irradiance stay those of the outside.
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

/// The second between two points in which what a room would be by itself passes what the schedule keeps it at.
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

//! The charge-current ceiling by coldest cell temperature: points joined by straight lines, level beyond the ends.

use crate::quantity::{Celsius, Fraction};
use crate::settings::{CeilingPoint, MAX_CEILING_POINTS, each};
use heapless::Vec;

/// A point, and the rise to the next.
#[derive(Clone, Copy, Debug)]
struct Piece {
    at: Celsius,
    limit: Fraction,
    /// Steps of limit per step of temperature, in steps of 2⁻¹⁶; zero for the last.
    slope: i32,
}

/// The ceiling made ready: no division a step.
#[derive(Clone, Debug)]
pub(crate) struct Ceiling(Vec<Piece, MAX_CEILING_POINTS>);

impl Ceiling {
    /// `points` in order of temperature.
    pub(crate) fn new(points: &Vec<CeilingPoint, MAX_CEILING_POINTS>) -> Self {
        Self(each(points, |index, point| {
            let slope = points.get(index.saturating_add(1)).and_then(|next| {
                let rise = i64::from(next.limit.as_steps()).saturating_sub(i64::from(point.limit.as_steps()));
                // 33 + 16 bits; points of at most 5 C and 1 mK apart leave 30.
                (rise << 16).checked_div(i64::from(next.at.above(point.at).as_steps()))
            });
            let slope = slope.and_then(|slope| i32::try_from(slope).ok());
            Piece { at: point.at, limit: point.limit, slope: slope.unwrap_or(0) }
        }))
    }

    /// The ceiling with the coldest cell at `coldest`; zero without points.
    pub(crate) fn at(&self, coldest: Celsius) -> Fraction {
        let Some(piece) = self.0.iter().rev().find(|piece| piece.at <= coldest).or(self.0.first()) else {
            return Fraction::ZERO;
        };
        let into = i64::from(coldest.above(piece.at).as_steps()).max(0);
        let limit = i64::from(piece.limit.as_steps()).saturating_add(into.saturating_mul(i64::from(piece.slope)) >> 16);
        Fraction::from_steps(u32::try_from(limit).unwrap_or(0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ceiling(points: &[(i32, u32)]) -> Ceiling {
        let points: Vec<CeilingPoint, 8> = points
            .iter()
            .map(|&(mc, per_mille)| CeilingPoint {
                at: Celsius::from_millidegrees(mc),
                limit: Fraction::from_per_mille(per_mille),
            })
            .collect();
        Ceiling::new(&points)
    }

    #[test]
    fn it_is_linear_between_points_and_level_beyond_the_ends() {
        let ceiling = ceiling(&[(5_000, 100), (10_000, 300), (15_000, 1000), (45_000, 200)]);
        let at = |mc| ceiling.at(Celsius::from_millidegrees(mc)).as_per_mille();
        assert_eq!([at(-20_000), at(5_000), at(7_500), at(10_000)], [100, 100, 200, 300]);
        assert_eq!([at(12_500), at(15_000), at(30_000), at(45_000), at(60_000)], [650, 1000, 600, 200, 200]);
    }

    #[test]
    fn without_points_nothing_is_allowed() {
        assert_eq!(ceiling(&[]).at(Celsius::from_millidegrees(20_000)), Fraction::ZERO);
    }
}

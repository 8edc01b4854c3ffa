//! The charge-current ceiling by cell temperature: points joined by straight lines, level beyond the ends.

use crate::quantity::{Celsius, Fraction, Kelvins};
use crate::settings::{Charge, MAX_CEILING_POINTS, each};
use heapless::Vec;

/// A point, and the rise to the next.
#[derive(Clone, Copy, Debug, Hash)]
struct Piece {
    at: Celsius,
    limit: Fraction,
    /// Steps of limit per step of temperature, in steps of 2⁻¹⁶; zero for the last.
    slope: i32,
}

/// The ceiling made ready: no division a step.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Ceiling {
    pieces: Vec<Piece, MAX_CEILING_POINTS>,
    /// Whether it comes down anywhere.
    falls: bool,
}

impl Ceiling {
    /// Of a charge whose points are in order of temperature.
    pub(crate) fn new(charge: &Charge) -> Self {
        let pieces = each(&charge.ceiling, |index, point| {
            let limit = charge.limit(point);
            let slope = charge.ceiling.get(index.saturating_add(1)).and_then(|next| {
                let rise = i64::from(charge.limit(next).as_steps()).saturating_sub(i64::from(limit.as_steps()));
                // 33 + 16 bits; points of at most 5 C and 1 mK apart leave 30.
                // Towards less, up or down.
                (rise << 16).checked_div_euclid(i64::from(next.at.above(point.at).as_steps()))
            });
            let slope = slope.and_then(|slope| i32::try_from(slope).ok());
            Piece { at: point.at, limit, slope: slope.unwrap_or(0) }
        });
        let falls = pieces.iter().any(|piece: &Piece| piece.slope < 0);
        Self { pieces, falls }
    }

    /// The lowest temperature at which the ceiling reaches `current`, rounded up; nothing if it never does.
    pub(crate) fn reaches(&self, current: Fraction) -> Option<Celsius> {
        let mut found = None;
        for piece in self.pieces.iter().rev() {
            let lacking = i64::from(current.as_steps()).saturating_sub(i64::from(piece.limit.as_steps()));
            if lacking <= 0 {
                // Level below the first.
                found = Some(piece.at);
                continue;
            }
            // The way up from here to the next, by the slope that `at` uses: 33 + 16 bits.
            let Ok(slope) = u64::try_from(piece.slope) else { continue };
            let way = (lacking.unsigned_abs() << 16).saturating_add(slope.saturating_sub(1)).checked_div(slope);
            let way = way.and_then(|way| i32::try_from(way).ok()).map(Kelvins::from_steps);
            let here = way.map(|way| piece.at.raised(way)).filter(|&t| self.at(t) >= current);
            found = here.into_iter().chain(found).min();
        }
        match self.pieces.first() {
            Some(first) if first.limit >= current => Some(Celsius::MIN),
            _ => found,
        }
    }

    /// Hands `visit` the temperatures at which the ceiling passes `current`, up or down, to within a step.
    ///
    /// Slopes are rounded, so just below a point the ceiling may lie below both its ends, and passes a current there
    /// that it does not pass from point to point.
    #[cfg(feature = "leap")]
    pub(crate) fn crossings(&self, current: Fraction, visit: &mut impl FnMut(Celsius)) {
        for (piece, next) in self.pieces.iter().zip(self.pieces.iter().skip(1)) {
            let slope = i64::from(piece.slope);
            let over = |limit: Fraction| i64::from(limit.as_steps()).saturating_sub(i64::from(current.as_steps()));
            let way = i64::from(next.at.above(piece.at).as_steps());
            let at_its_end = over(piece.limit).saturating_add(way.saturating_mul(slope) >> 16);
            if (over(piece.limit) >= 0) != (at_its_end >= 0) {
                // 33 + 16 bits.
                let way = over(piece.limit).saturating_neg().saturating_mul(1 << 16).checked_div(slope);
                let way = way.and_then(|way| i32::try_from(way).ok()).map(Kelvins::from_steps);
                visit(way.map_or(next.at, |way| piece.at.raised(way)));
            }
            if (at_its_end >= 0) != (over(next.limit) >= 0) {
                visit(next.at);
            }
        }
    }

    /// Whether it comes down anywhere.
    #[cfg(feature = "leap")]
    pub(crate) const fn falls(&self) -> bool {
        self.falls
    }

    /// The ceiling for cells from `coldest` to `hottest`. Where it comes down again towards hot cells, the hottest cell
    /// governs.
    pub(crate) fn between(&self, coldest: Celsius, hottest: Celsius) -> Fraction {
        let by_coldest = self.at(coldest);
        if self.falls { by_coldest.min(self.at(hottest)) } else { by_coldest }
    }

    /// The ceiling for a cell at `t`; zero without points.
    fn at(&self, t: Celsius) -> Fraction {
        let Some(piece) = self.pieces.iter().rev().find(|piece| piece.at <= t).or(self.pieces.first()) else {
            return Fraction::ZERO;
        };
        let into = i64::from(t.above(piece.at).as_steps()).max(0);
        let limit = i64::from(piece.limit.as_steps()).saturating_add(into.saturating_mul(i64::from(piece.slope)) >> 16);
        Fraction::from_steps(u32::try_from(limit).unwrap_or(0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::CeilingPoint;
    use proptest::prelude::*;

    fn ceiling(points: &[(i32, u32)]) -> Ceiling {
        let points: Vec<CeilingPoint, 8> = points
            .iter()
            .map(|&(mc, per_mille)| CeilingPoint {
                at: Celsius::from_millidegrees(mc),
                limit: Fraction::from_per_mille(per_mille),
            })
            .collect();
        Ceiling::new(&Charge { ceiling: points, ..crate::testing::settings().charge })
    }

    #[test]
    fn it_is_linear_between_points_and_level_beyond_the_ends() {
        let ceiling = ceiling(&[(5_000, 100), (10_000, 300), (15_000, 1000), (45_000, 200)]);
        let at = |mc| ceiling.at(Celsius::from_millidegrees(mc)).as_per_mille();
        assert_eq!([at(-20_000), at(5_000), at(7_500), at(10_000)], [100, 100, 200, 300]);
        assert_eq!([at(12_500), at(15_000), at(30_000), at(45_000), at(60_000)], [650, 1000, 600, 200, 200]);
    }

    #[test]
    fn of_batteries_in_parallel_one_may_be_gone() {
        let mut charge = crate::testing::settings().charge;
        let at = |charge: &Charge| Ceiling::new(charge).at(Celsius::from_millidegrees(10_000)).as_per_mille();
        let counted = [1, 2, 3, 4].map(|batteries| {
            charge.batteries = batteries;
            at(&charge)
        });
        assert_eq!(counted, [300, 150, 200, 225]);
        // What is the ceiling to the last digit may pass: 30 A of 200 Ah.
        charge.batteries = 2;
        let from = charge.charges_from(crate::quantity::Milliamps::from_milliamps(30_000)).unwrap();
        assert!((9_999..=10_001).contains(&from.as_millidegrees()), "{from}");
    }

    #[test]
    fn without_points_nothing_is_allowed() {
        assert_eq!(ceiling(&[]).at(Celsius::from_millidegrees(20_000)), Fraction::ZERO);
        assert_eq!(ceiling(&[]).reaches(Fraction::from_per_mille(1)), None);
    }

    proptest! {
        /// By steps of 10 mK over all temperatures, and at each point: nothing below does, and it does.
        #[test]
        fn the_temperature_at_which_a_current_is_reached_is_the_lowest(
            first in -5_000..10_000_i32, points in proptest::collection::vec((1..8_000_i32, 0..1_000_u32), 1..6), current in 0..1_000_u32,
        ) {
            let mut at = first;
            let points: std::vec::Vec<_> = points.into_iter().map(|(further, limit)| { at += further; (at, limit) }).collect();
            let (ceiling, current) = (ceiling(&points), Fraction::from_per_mille(current));
            let allows = |mc: i32| ceiling.at(Celsius::from_millidegrees(mc)) >= current;
            // A peak may lie between two of the steps, but no higher than its point.
            let peaks = points.iter().map(|&(mc, _)| mc);
            let lowest = (first - 100..at + 100).step_by(10).chain(peaks).filter(|&mc| allows(mc)).min();
            match ceiling.reaches(current) {
                Some(t) if t == Celsius::MIN => prop_assert_eq!(lowest, Some(first - 100)),
                Some(t) => {
                    prop_assert!(ceiling.at(t) >= current);
                    let found = f64::from(t.as_steps()) / 65.536;
                    prop_assert!(lowest.is_none_or(|lowest| (found - f64::from(lowest)).abs() <= 10.1), "{found} for {lowest:?}");
                }
                None => prop_assert_eq!(lowest, None),
            }
        }
    }

    #[cfg(feature = "leap")]
    proptest! {
        /// Each of them is a place where it passes, and by steps of 10 mK it passes nowhere else.
        #[test]
        fn the_ceiling_passes_a_current_at_its_crossings_and_nowhere_else(
            first in -5_000..10_000_i32, points in proptest::collection::vec((1..8_000_i32, 0..1_000_u32), 1..6), current in 0..1_000_u32,
        ) {
            let mut at = first;
            let points: std::vec::Vec<_> = points.into_iter().map(|(further, limit)| { at += further; (at, limit) }).collect();
            let (ceiling, current) = (ceiling(&points), Fraction::from_per_mille(current));
            let allows = |t: Celsius| ceiling.at(t) >= current;
            let mut crossings = std::vec::Vec::new();
            ceiling.crossings(current, &mut |t| crossings.push(t));
            let step = Kelvins::from_steps(1);
            for &t in &crossings {
                let near = [t.lowered(step), t, t.raised(step)].map(|t| ceiling.at(t).as_steps());
                // Slopes are rounded: by 2⁻¹⁶ a step over at most 8 K, and by one in the product.
                prop_assert!(near.iter().any(|&limit| limit >= current.as_steps()), "{t} {near:?}");
                prop_assert!(near.iter().any(|&limit| limit <= current.as_steps() + 9), "{t} {near:?}");
            }
            for mc in (first - 100..at + 100).step_by(10) {
                let (low, high) = (Celsius::from_millidegrees(mc), Celsius::from_millidegrees(mc + 10));
                if allows(low) != allows(high) {
                    prop_assert!(crossings.iter().any(|&t| low.lowered(step) <= t && t <= high.raised(step)), "{low}");
                }
            }
        }
    }
}

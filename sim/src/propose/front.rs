//! Which of several installations a fitter would want to choose between.

use crate::portable::squared;
use serde::Serialize;

/// What counts of an installation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figures {
    /// Time in the season in which there was power to charge with, and it was used (h).
    pub charge_used_h: f64,
    /// Heat into the pad over the season (Wh).
    pub heater_wh: f64,
    /// From the design minimum to the charge permit (h).
    pub warm_up_h: f64,
    /// What it takes to change the installation into this one, roughly, in hours of work.
    pub effort_h: f64,
    /// Lowest state of charge in the season (%). It is shown, and puts nothing in an order.
    pub least_soc_pct: f64,
}

/// Differences below these are none: half an hour of charge, a hundredth of the heat, 6 min, 6 min of work.
const CHARGE_H: f64 = 0.5;
const HEAT_PART: f64 = 0.01;
const WARM_UP_H: f64 = 0.1;
const EFFORT_H: f64 = 0.1;

impl Figures {
    /// The figures in grains that matter. Less is better in each.
    #[expect(clippy::cast_possible_truncation, reason = "some thousands")]
    pub(super) fn grains(self) -> [i64; 4] {
        let grain = |value: f64, grain: f64| (value / grain).round() as i64;
        [
            -grain(self.charge_used_h, CHARGE_H),
            // Steps of equal parts.
            grain(libm::log(self.heater_wh.max(1.0)), HEAT_PART),
            grain(self.warm_up_h, WARM_UP_H),
            grain(self.effort_h, EFFORT_H),
        ]
    }
}

/// Whether `one` is as good as `other` in everything, and better in something.
pub(super) fn dominates(one: [i64; 4], other: [i64; 4]) -> bool {
    one != other && one.iter().zip(&other).all(|(one, other)| one <= other)
}

/// The indices of those that no other dominates, in their order. Of several alike, the first.
pub(super) fn front(all: &[[i64; 4]]) -> Vec<usize> {
    let is_of_it = |&index: &usize| {
        let one = all[index];
        !all.iter().any(|&other| dominates(other, one)) && !all[..index].contains(&one)
    };
    (0..all.len()).filter(is_of_it).collect()
}

/// At most `most` of a front, as far apart as may be: the best in each figure first. Indices into `front`, in order.
pub(super) fn spread(front: &[[i64; 4]], most: usize) -> Vec<usize> {
    let mut chosen: Vec<usize> = Vec::new();
    for figure in 0..4 {
        let best = (0..front.len()).min_by_key(|&index| (front[index][figure], front[index]));
        chosen.extend(best.filter(|best| !chosen.contains(best)));
    }
    chosen.truncate(most);
    let extent = [0, 1, 2, 3].map(|figure| {
        let values = front.iter().map(|grains| grains[figure]);
        let (least, largest) = (values.clone().min().unwrap_or(0), values.max().unwrap_or(0));
        #[expect(clippy::cast_precision_loss, reason = "some thousands")]
        let extent = (largest - least).max(1) as f64;
        extent
    });
    let apart = |a: usize, b: usize| -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "some thousands")]
        let along = |figure: usize| (front[a][figure] - front[b][figure]) as f64 / extent[figure];
        (0..4).map(|figure| squared(along(figure))).sum()
    };
    while chosen.len() < most {
        let nearest = |index: usize| chosen.iter().map(|&one| apart(index, one)).fold(f64::INFINITY, f64::min);
        let rest = (0..front.len()).filter(|index| !chosen.contains(index));
        // Of several alike, the first.
        let Some(next) = rest.rev().max_by(|&a, &b| nearest(a).total_cmp(&nearest(b))) else { break };
        chosen.push(next);
    }
    chosen.sort_unstable();
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn nothing_beats_a_front_and_all_else_is_beaten_or_equalled(
            all in prop::collection::vec([0..6_i64, 0..6_i64, 0..6_i64, 0..6_i64], 1..40),
        ) {
            let found = front(&all);
            prop_assert!(!found.is_empty());
            for (index, &one) in all.iter().enumerate() {
                let beaten = found.iter().any(|&of| dominates(all[of], one) || all[of] == one);
                prop_assert!(beaten, "{index}");
                prop_assert!(!found.contains(&index) || !all.iter().any(|&other| dominates(other, one)));
            }
        }

        #[test]
        fn the_best_in_each_figure_is_among_the_chosen(
            all in prop::collection::vec([0..50_i64, 0..50_i64, 0..50_i64, 0..50_i64], 1..40), most in 4_usize..12,
        ) {
            let front: Vec<[i64; 4]> = front(&all).into_iter().map(|index| all[index]).collect();
            let chosen = spread(&front, most);
            prop_assert_eq!(chosen.len(), front.len().min(most));
            for figure in 0..4 {
                let best = front.iter().map(|grains| grains[figure]).min();
                prop_assert_eq!(chosen.iter().map(|&index| front[index][figure]).min(), best);
            }
        }
    }
}

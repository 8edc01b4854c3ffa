//! Temperatures at which decisions change: where the heater switches, and everything that a reading is compared with.
//!
//! The controller asks [`Aim`] where the heater comes on. Plan and rehearsal ask [`Settings`] for the same and for the
//! whole list, so that nobody outside writes thresholds down a second time.
//! `between_two_turning_points_no_temperature_decides_differently` checks that the list is complete.

use crate::ceiling::Ceiling;
use crate::power::{Unruled, per_capacity};
use crate::quantity::{Celsius, Milliamps};
use crate::settings::{Hold, Role, Settings};

/// How far charge has come, as far as the heater is concerned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Charge is refused.
    Refused,
    /// The cells are above release, and the soak is not over.
    Soaking,
    /// Charge is permitted.
    Permitted,
}

/// The settings that decide where the heater switches.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Levels {
    pub(crate) release: Celsius,
    pub(crate) start: Celsius,
    pub(crate) stop: Celsius,
    pub(crate) hold: Hold,
}

impl Levels {
    const fn of(settings: &Settings) -> Self {
        let (charge, heater) = (&settings.charge, &settings.heater);
        Self { release: charge.release, start: heater.start, stop: heater.stop, hold: heater.hold }
    }
}

/// How warm the heater should make the cells for the sources that do not obey the ceiling.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Aim {
    /// Where charge can be permitted: release, or where the ceiling lets them charge. A source in two steps counts with
    /// the smaller one.
    from: Celsius,
    /// The same for all they can give, if heat can bring the cells so far.
    full: Celsius,
}

impl Aim {
    /// For sources that all obey.
    pub(crate) const fn release(release: Celsius) -> Self {
        Self { from: release, full: release }
    }

    /// Where the cells must be before sources that do not obey the ceiling may charge with `unruled`. If the heater may
    /// not bring them so far, it brings them as far as it may, and comes on again half-way from there to release: the
    /// sun may do the rest. For the larger steps alone it does not try what it cannot reach.
    pub(crate) fn new(ceiling: &Ceiling, levels: Levels, unruled: Unruled) -> Self {
        let Levels { release, stop, .. } = levels;
        let reaches = |current| ceiling.reaches(current).filter(|&needed| needed < stop);
        let from = reaches(unruled.reduced).map_or(half_way(release, stop), |needed| release.max(needed));
        let full = if unruled.full == unruled.reduced { None } else { reaches(unruled.full) };
        Self { from, full: full.map_or(from, |needed| from.max(needed)) }
    }

    /// The coldest cell temperature *at or below* which the heater comes on; nothing where it does not. It goes off
    /// *at or above* `stop`.
    pub(crate) fn heats_from(self, phase: Phase, levels: Levels) -> Option<Celsius> {
        let Levels { release, start, stop, hold } = levels;
        Some(match (phase, hold) {
            (Phase::Permitted, Hold::Never) => return None,
            // Below where the sources may charge with all they can give, holding gains too little.
            (Phase::Permitted, Hold::WhileCharging) if self.full > release && self.full >= start => {
                half_way(self.full, stop)
            }
            (Phase::Permitted, Hold::WhileCharging) => start,
            // A bank that cools from stop to release in less than the soak time would otherwise never be charged.
            (Phase::Soaking, _) => half_way(self.from, stop),
            (Phase::Refused, _) => self.from,
        })
    }
}

fn half_way(from: Celsius, to: Celsius) -> Celsius {
    from.raised(to.above(from).half())
}

impl Settings {
    /// The coldest cell temperature *at or below* which the heater comes on in this phase of charge, where every source
    /// obeys the ceiling; nothing where it does not come on. It goes off *at or above* `heater.stop`.
    #[must_use]
    pub fn heats_from(&self, phase: Phase) -> Option<Celsius> {
        Aim::release(self.charge.release).heats_from(phase, Levels::of(self))
    }

    /// Hands `visit` every temperature with which a reading of a channel of this role is compared, some more than once,
    /// in no order. Between two of them no decision depends on the reading by itself, except the charge-current
    /// ceiling, which follows it. The reading is compared give or take [`ROUNDING`](crate::rtd::ROUNDING).
    ///
    /// Differences between readings, and between a reading and an earlier one, are not in the list.
    pub fn turning_points(&self, role: Role, mut visit: impl FnMut(Celsius)) {
        if let Role::Check(_) = role {
            // It shows no temperature.
            return;
        }
        let (charge, heater) = (&self.charge, &self.heater);
        visit(self.trust.plausible_low);
        visit(self.trust.plausible_high);
        let cutout = heater.cutout(role);
        visit(cutout);
        visit(cutout.lowered(heater.cutout_hysteresis));
        visit(cutout.raised(heater.over_temperature));
        if role != Role::Cell {
            return;
        }
        visit(charge.inhibit);
        visit(charge.release);
        visit(charge.high_limit);
        visit(charge.high_release);
        visit(heater.stop);
        let (levels, ceiling) = (Levels::of(self), Ceiling::new(charge));
        for present in 0_u32..1 << self.sources.len() {
            let unruled = self.unruled(present);
            let aim = Aim::new(&ceiling, levels, unruled);
            for phase in [Phase::Refused, Phase::Soaking, Phase::Permitted] {
                if let Some(from) = aim.heats_from(phase, levels) {
                    visit(from);
                }
            }
            ceiling.crossings(unruled.reduced, &mut visit);
            ceiling.crossings(unruled.full, &mut visit);
        }
    }

    /// What the sources that are `present` (a bit each) give without regard to the ceiling.
    fn unruled(&self, present: u32) -> Unruled {
        let (mut reduced, mut full) = (Milliamps::ZERO, Milliamps::ZERO);
        for (index, source) in (0_u32..).zip(&self.sources) {
            if present & (1_u32 << (index & 31)) != 0 {
                reduced = reduced.plus(source.charge.reduced().unwrap_or(Milliamps::ZERO));
                full = full.plus(source.charge.most().unwrap_or(Milliamps::ZERO));
            }
        }
        let capacity = self.charge.capacity;
        Unruled { reduced: per_capacity(reduced, capacity), full: per_capacity(full, capacity) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Memory;
    use crate::quantity::{Fraction, KelvinRate, Millis};
    use crate::settings::{CeilingPoint, ChargeCurrent};
    use crate::signals::{Outputs, Sources};
    use crate::testing::{Time, c, fine_inputs, sample, settings};
    use crate::unit::Unit;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn points(settings: &Settings, role: Role) -> Vec<Celsius> {
        let mut all = Vec::new();
        settings.turning_points(role, |t| all.push(t));
        all.sort_unstable();
        all.dedup();
        all
    }

    /// The test installation, in which a channel may move by 60 K from one step to the next, and nothing is judged by
    /// comparing readings with each other or with earlier ones.
    fn free() -> Settings {
        let mut settings = settings();
        (settings.heater.proof, settings.heater.cooling) = (None, None);
        (settings.trust.stuck_after, settings.trust.still_after) = (None, None);
        settings.trust.max_step = Millis::from_secs(60);
        settings.trust.max_age = Millis::from_secs(60);
        let fastest = KelvinRate::from_millikelvins_per_minute(60_000);
        (settings.trust.fastest_cell, settings.trust.fastest_pad, settings.trust.fastest_ambient) =
            (fastest, fastest, fastest);
        settings
    }

    #[test]
    fn the_heater_comes_on_at_release_half_way_to_stop_and_at_start() {
        let mut settings = settings();
        let from = |settings: &Settings| {
            [Phase::Refused, Phase::Soaking, Phase::Permitted].map(|phase| settings.heats_from(phase))
        };
        // Release at 8 °C, stop at 12 °C, start at 7 °C.
        assert_eq!(from(&settings), [Some(c(8_000)), Some(c(10_000)), Some(c(7_000))]);
        settings.heater.hold = Hold::Never;
        assert_eq!(from(&settings), [Some(c(8_000)), Some(c(10_000)), None]);
    }

    #[test]
    fn a_check_resistor_turns_nothing_by_its_temperature() {
        let check = crate::settings::Check {
            nominal: crate::quantity::Ohms::from_milliohms(100_000),
            within: crate::quantity::Ohms::from_milliohms(100),
        };
        assert!(points(&settings(), Role::Check(check)).is_empty());
    }

    fn any_charge() -> impl Strategy<Value = ChargeCurrent> {
        let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
        prop_oneof![
            Just(ChargeCurrent::Obeys),
            (5..110_u32).prop_map(move |most| ChargeCurrent::UpTo(amps(most))),
            (5..60_u32, 1..60_u32).prop_map(move |(reduced, more)| ChargeCurrent::InSteps {
                reduced: amps(reduced),
                most: amps(reduced + more)
            }),
        ]
    }

    /// For so many steps of a minute the channels of the role show something between two turning points, and the two
    /// units something else there.
    #[derive(Clone, Debug)]
    struct Stay {
        between: prop::sample::Index,
        at: [f64; 2],
        steps: usize,
        present: u8,
    }

    fn any_stays() -> impl Strategy<Value = Vec<Stay>> {
        let stay = (any::<prop::sample::Index>(), 0.0..1.0_f64, 0.0..1.0_f64, 1..16_usize, 0..8_u8)
            .prop_map(|(between, first, second, steps, present)| Stay { between, at: [first, second], steps, present });
        prop::collection::vec(stay, 1..24)
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 6_000, ..ProptestConfig::default() })]

        /// A ceiling that comes down again, sources of every kind, three reaches of temperature so that no step is more
        /// than a channel may move in a minute.
        #[test]
        fn between_two_turning_points_no_temperature_decides_differently(
            charges in prop::array::uniform3(any_charge()),
            hold in prop_oneof![Just(Hold::WhileCharging), Just(Hold::Never)],
            role in prop_oneof![4 => Just(Role::Cell), 1 => Just(Role::Pad), 1 => Just(Role::Ambient)],
            reach in prop_oneof![4 => Just((-4_000, 50_000)), 1 => Just((-52_000, 2_000)), 1 => Just((48_000, 102_000))],
            stays in any_stays(),
        ) {
            // Further than the reading is widened by, and the guard's limits lie from the controller's.
            const CLEAR_MK: i32 = 3;
            let mut settings = free();
            settings.heater.hold = hold;
            for (source, charge) in settings.sources.iter_mut().zip(charges) {
                source.charge = charge;
            }
            let falling = CeilingPoint { at: c(40_000), limit: Fraction::from_per_mille(50) };
            let _ = settings.charge.ceiling.push(falling);
            let mut turns: Vec<i32> = points(&settings, role).iter().map(|t| t.as_millidegrees()).collect();
            turns.retain(|turn| (reach.0..reach.1).contains(turn));
            turns.insert(0, reach.0);
            turns.push(reach.1);
            // Where another role is looked at, cold cells ask for heat.
            let others = if role == Role::Cell { 20_000 } else { 6_000 };
            let gaps: Vec<(i32, i32)> = turns
                .windows(2)
                .map(|pair| (pair[0] + CLEAR_MK, pair[1] - CLEAR_MK))
                .filter(|(low, high)| low < high)
                .collect();
            let valid = settings.clone().validate().unwrap();
            let mut units = [(); 2].map(|()| (Unit::new(&valid, Memory::default()), Time(0)));
            for (number, stay) in stays.iter().enumerate() {
                let (low, high) = gaps[stay.between.index(gaps.len())];
                for step in 0..stay.steps {
                    let decided: Vec<Outputs> = units
                        .iter_mut()
                        .zip(stay.at)
                        .map(|((unit, time), part)| {
                            let t = low + (f64::from(high - low) * part) as i32;
                            let mut inputs = fine_inputs(&settings, c(others));
                            for (channel, shown) in settings.channels.iter().zip(&mut inputs.channels) {
                                if channel.role == role {
                                    *shown = sample(channel, c(t));
                                }
                            }
                            inputs.sources = (0..3).filter(|bit| stay.present & (1 << bit) != 0)
                                .fold(Sources::NONE, Sources::with);
                            Outputs { ceiling: Fraction::ZERO, ..unit.step(time.after(60_000), &inputs) }
                        })
                        .collect();
                    prop_assert_eq!(decided[0], decided[1], "stay {}, step {}: {} to {} m°C", number, step, low, high);
                }
            }
        }
    }
}

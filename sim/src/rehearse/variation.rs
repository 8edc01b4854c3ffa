//! How the real thing differs from what is written down: one draw out of the stated tolerances.

use super::probe::Flaws;
use crate::plan::measurement::SELF_HEATING_UNKNOWN;
use crate::site::{Site, Tolerance};
use forewarm_core::settings::MAX_CHANNELS;
use rand::{Rng, RngExt, SeedableRng};
use rand_pcg::Pcg64;

/// One way in which things may really be. Each part lies between −1 and 1, as a part of the half-width that [`Tolerance`] states.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Variation {
    /// The thermometer channels, in the order of the settings.
    pub channels: [Flaws; MAX_CHANNELS],
    /// Heater power.
    pub pad_power: f64,
    /// Conductivity of the insulation.
    pub insulation: f64,
    /// Specific heat of the batteries.
    pub specific_heat: f64,
    /// Conductivity of the batteries.
    pub conductivity: f64,
    /// Joints of pad, plate and batteries.
    pub contact: f64,
    /// Air changes.
    pub air_changes: f64,
    /// Outside temperature.
    pub weather: f64,
    /// Hard limit of the cells.
    pub hard_limit: f64,
    /// What the measurements' noise is made from.
    pub noise_seed: u64,
}

impl Variation {
    /// The draw of number `trial` out of those that `seed` stands for. Trials do not depend on each other, so each can be run alone.
    #[must_use]
    pub fn draw(seed: u64, trial: u64) -> Self {
        // A generator of its own for each: a seed of the seed and the number.
        let mut seeder = Pcg64::seed_from_u64(seed);
        let key = seeder.next_u64() ^ trial.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut random = Pcg64::seed_from_u64(key);
        let mut part = || random.random_range(-1.0..=1.0);
        // One converter and one reference resistor measure every channel, so that all read wrong the same way.
        let shared = Flaws { offset: part(), gain: part(), reference: part(), drift: part(), ..Flaws::default() };
        let mut drawn = Self {
            channels: std::array::from_fn(|_| Flaws {
                element: part(),
                mismatch: part(),
                contacts: [part(), part()],
                self_heating: part(),
                ..shared
            }),
            pad_power: part(),
            insulation: part(),
            specific_heat: part(),
            conductivity: part(),
            contact: part(),
            air_changes: part(),
            weather: part(),
            hard_limit: part(),
            noise_seed: random.next_u64(),
        };
        // One box, one air, one age: the contacts of all channels have grown alike, which no comparison of channels finds.
        let growth = random.random_range(0.0..=1.0);
        for flaws in &mut drawn.channels {
            flaws.growth = growth;
        }
        drawn
    }

    /// The site as it then is.
    #[must_use]
    pub fn of(&self, site: &Site) -> Site {
        let tolerance @ Tolerance { .. } = site.tolerance;
        let mut real = site.clone();
        let battery = &mut real.battery;
        battery.specific_heat_j_per_kg_k *= 1.0 + self.specific_heat * tolerance.specific_heat;
        battery.conductivity_up_w_per_m_k *= 1.0 + self.conductivity * tolerance.conductivity;
        battery.conductivity_across_w_per_m_k *= 1.0 + self.conductivity * tolerance.conductivity;
        battery.hard_limit_c += self.hard_limit * tolerance.hard_limit_k;
        for layer in real.enclosure.layers_mut() {
            layer.material.conductivity_w_per_m_k *= 1.0 + self.insulation * tolerance.insulation;
        }
        // Never less than none.
        real.enclosure.air_changes_per_h *= (1.0 + self.air_changes * tolerance.air_changes).max(0.0);
        real.plate.contact_w_per_m2_k *= 1.0 + self.contact * tolerance.contact;
        real.pad.bond_w_per_m2_k *= 1.0 + self.contact * tolerance.contact;
        for (mounting, flaws) in real.mountings.iter_mut().zip(&self.channels) {
            mounting.self_heating_k_per_mw *= 1.0 + flaws.self_heating * SELF_HEATING_UNKNOWN;
        }
        real
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trial_is_the_same_whenever_it_is_drawn_and_unlike_every_other() {
        let first: Vec<Variation> = (0..100).map(|trial| Variation::draw(7, trial)).collect();
        let again: Vec<Variation> = (0..100).rev().map(|trial| Variation::draw(7, trial)).collect();
        assert!(first.iter().eq(again.iter().rev()));
        for (index, one) in first.iter().enumerate() {
            assert!(first[..index].iter().all(|other| other.insulation.to_bits() != one.insulation.to_bits()));
        }
        assert_ne!(first[0], Variation::draw(8, 0));
    }

    /// In one box contacts corrode alike, and what all channels share no comparison of them finds.
    #[test]
    fn contacts_have_grown_alike_on_every_channel_of_a_trial_and_never_shrunk() {
        assert!(Variation::default().channels[0].growth.abs() < 1e-12, "as written down they are new");
        let mut low = 0;
        for trial in 0..4000 {
            let Variation { channels, .. } = Variation::draw(1, trial);
            let growth = channels[0].growth;
            assert!(
                (0.0..=1.0).contains(&growth)
                    && channels.iter().all(|flaws| flaws.growth.to_bits() == growth.to_bits())
            );
            low += usize::from(growth < 0.25);
        }
        // A quarter of 4 000, give or take five standard deviations.
        assert!((863..=1137).contains(&low), "{low}");
    }

    #[test]
    fn draws_fill_the_whole_width_evenly() {
        let mut low = 0;
        for trial in 0..4000 {
            let Variation { channels, pad_power, .. } = Variation::draw(1, trial);
            for part in [channels[0].element, channels[5].contacts[1], pad_power] {
                assert!((-1.0..=1.0).contains(&part));
                low += usize::from(part < -0.5);
            }
        }
        // A quarter of 12 000, give or take five standard deviations.
        assert!((2763..=3237).contains(&low), "{low}");
    }
}

//! How the real thing differs from what is written down: one draw from the stated tolerances.

use crate::site::{MOST_AIR_SHARE, SELF_HEATING_UNKNOWN, Site, Tolerance};
use forewarm_core::settings::MAX_CHANNELS;
use rand::{Rng, RngExt, SeedableRng};
use rand_pcg::Pcg64;

/// How one channel differs from what is written down. Each part is a part of its half-width, between −1 and 1, with one
/// exception.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flaws {
    /// The element within its class, or within its calibration.
    pub element: f64,
    /// The difference between the leads of a 3-wire connection.
    pub mismatch: f64,
    /// The contact resistance in either lead. With two wires both can only add, and their size counts. With three wires
    /// the first counts, in either direction.
    pub contacts: [f64; 2],
    /// The growth of the contacts in service, from 0 to 1, as a part of what the site allows. It is never negative.
    pub growth: f64,
    /// The unknown part of self-heating.
    pub self_heating: f64,
    /// The offset of the converter.
    pub offset: f64,
    /// The gain of the converter.
    pub gain: f64,
    /// The reference resistor as bought.
    pub reference: f64,
    /// The drift of the reference resistor.
    pub drift: f64,
}

/// One possible reality. Each part is a part of the half-width in [`Tolerance`], between −1 and 1.
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
    /// Seed of the measurements' noise.
    pub noise_seed: u64,
    /// Film of air inside the box.
    pub film: f64,
    /// Place of the pad, along the length of the batteries and across it.
    pub pad_place: [f64; 2],
    /// The part of the air that each thermometer channel sees, in the order of the settings.
    pub air_share: [f64; MAX_CHANNELS],
}

impl Variation {
    /// Draw number `trial` of the series that `seed` defines. Trials do not depend on each other, so each can run
    /// alone.
    #[must_use]
    pub fn draw(seed: u64, trial: u64) -> Self {
        // Each trial has its own generator, seeded from the seed and the number.
        let mut seeder = Pcg64::seed_from_u64(seed);
        let key = seeder.next_u64() ^ trial.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut random = Pcg64::seed_from_u64(key);
        let mut part = || random.random_range(-1.0..=1.0);
        // One converter and one reference resistor measure every channel, so all channels are wrong in the same way.
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
            ..Self::default()
        };
        // One box, one air, one age: the contacts of all channels have grown alike. No comparison of channels finds
        // that.
        let growth = random.random_range(0.0..=1.0);
        for flaws in &mut drawn.channels {
            flaws.growth = growth;
        }
        // Later additions are drawn last, so that a trial keeps all its earlier draws.
        let mut part = || random.random_range(-1.0..=1.0);
        drawn.film = part();
        drawn.pad_place = [part(), part()];
        drawn.air_share = std::array::from_fn(|_| part());
        drawn
    }

    /// The site in this reality.
    #[must_use]
    pub fn of(&self, site: &Site) -> Site {
        let tolerance @ Tolerance { .. } = site.tolerance;
        let mut real = site.clone();
        let battery = &mut real.battery;
        battery.specific_heat_j_per_kg_k *= 1.0 + self.specific_heat * tolerance.specific_heat;
        battery.scale_conductivity(1.0 + self.conductivity * tolerance.conductivity);
        battery.hard_limit_c += self.hard_limit * tolerance.hard_limit_k;
        for layer in real.enclosure.layers_mut() {
            layer.material.conductivity_w_per_m_k *= 1.0 + self.insulation * tolerance.insulation;
        }
        // At least zero.
        real.enclosure.air_changes_per_h *= (1.0 + self.air_changes * tolerance.air_changes).max(0.0);
        real.plate.contact_w_per_m2_k *= 1.0 + self.contact * tolerance.contact;
        real.pad.bond_w_per_m2_k *= 1.0 + self.contact * tolerance.contact;
        real.enclosure.inside_w_per_m2_k *= 1.0 + self.film * tolerance.film;
        let places = real.pad.shift_m.iter_mut().zip(self.pad_place).zip(site.room_for_pad_m());
        for ((shift_m, part), room_m) in places {
            // A fitter sees the edge of the plate.
            *shift_m = (*shift_m + part * tolerance.pad_place_m).clamp(-room_m, room_m);
        }
        for (mounting, part) in real.mountings.iter_mut().zip(self.air_share) {
            mounting.air_share = (mounting.air_share * (1.0 + part * tolerance.air_share)).clamp(0.0, MOST_AIR_SHARE);
        }
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

    /// The draws in their order, counted by hand. A trial of a seed that somebody has noted stays the same.
    #[test]
    #[expect(clippy::float_cmp, reason = "the same draws")]
    fn what_is_drawn_since_is_drawn_after_all_that_was_drawn_before() {
        for trial in 0..20 {
            let drawn = Variation::draw(3, trial);
            let key = Pcg64::seed_from_u64(3).next_u64() ^ trial.wrapping_mul(0x9e37_79b9_7f4a_7c15);
            let mut random = Pcg64::seed_from_u64(key);
            let mut parts =
                |count: usize| -> Vec<f64> { (0..count).map(|_| random.random_range(-1.0..=1.0)).collect() };
            // Four that all channels share, five of each channel, eight of the site.
            let before = parts(4 + 5 * MAX_CHANNELS + 8);
            let of_first = drawn.channels[0];
            assert_eq!([of_first.offset, of_first.gain, of_first.reference, of_first.drift], before[..4]);
            assert_eq!([of_first.element, of_first.mismatch], before[4..6]);
            assert_eq!([drawn.pad_power, drawn.insulation], before[4 + 5 * MAX_CHANNELS..][..2]);
            assert_eq!([drawn.hard_limit], before[before.len() - 1..]);
            assert_eq!(drawn.noise_seed, random.next_u64());
            assert_eq!(of_first.growth.to_bits(), random.random_range::<f64, _>(0.0..=1.0).to_bits());
            let since: Vec<f64> = (0..3 + MAX_CHANNELS).map(|_| random.random_range(-1.0..=1.0)).collect();
            assert_eq!([drawn.film, drawn.pad_place[0], drawn.pad_place[1]], since[..3]);
            assert_eq!(drawn.air_share[..], since[3..]);
        }
    }

    #[test]
    fn a_pad_stays_on_its_plate_and_a_share_of_air_between_none_and_half() {
        let mut site = crate::plan::testing::site();
        site.tolerance = Tolerance { film: 0.2, pad_place_m: 0.05, air_share: 1.0, ..site.tolerance };
        (site.plate.length_m, site.plate.width_m) = (0.34, 0.36);
        (site.pad.length_m, site.pad.width_m, site.pad.shift_m) = (0.3, 0.2, [0.01, -0.02]);
        site.mountings[0].air_share = 0.05;
        site.mountings[1].air_share = 0.4;
        let (mut least, mut most) = ([f64::INFINITY; 5], [f64::NEG_INFINITY; 5]);
        for trial in 0..2000 {
            let real = Variation::draw(5, trial).of(&site);
            let film = real.enclosure.inside_w_per_m2_k / site.enclosure.inside_w_per_m2_k;
            let [along, across] = real.pad.shift_m;
            let found = [film, along, across, real.mountings[0].air_share, real.mountings[1].air_share];
            for (index, found) in found.into_iter().enumerate() {
                (least[index], most[index]) = (least[index].min(found), most[index].max(found));
            }
        }
        // Room of 20 mm either way along, of 80 mm across. 2 000 draws come within a hundredth of every end that is not
        // cut off.
        for (index, (low, high)) in
            [(0.8, 1.2), (-0.02, 0.02), (-0.07, 0.03), (0.0, 0.1), (0.0, 0.5)].into_iter().enumerate()
        {
            let width = high - low;
            assert!((low - 1e-12..low + width / 100.0).contains(&least[index]), "{index}: {}", least[index]);
            assert!((high - width / 100.0..=high + 1e-12).contains(&most[index]), "{index}: {}", most[index]);
        }
        let written = Variation::default().of(&site);
        assert_eq!(format!("{written:?}"), format!("{site:?}"), "as written down nothing differs");
    }

    /// Contacts in one box corrode alike. No comparison of channels finds what all of them share.
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

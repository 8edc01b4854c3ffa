//! The two temperatures that a fitter has anywhere: melting ice, and boiling water at the pressure of the place.

use super::card::{Expect, Part, Step};
use super::rig::Rig;
use crate::figures::{fixed, plain};
use crate::installation::Installation;
use crate::platinum::Platinum;
use crate::portable::squared;
use crate::si;
use crate::site::Site;
use forewarm_core::settings::Role;

/// How far the ice point of a well-stirred bath of crushed ice and water may be off (K). Common practice, no source: clean ice and water
/// are within a few millikelvins, tap water within a few hundredths.
pub(super) const ICE_OFF_K: f64 = 0.05;

/// The two fixed points, for each thermometer.
pub(super) fn part(installation: &Installation, site: &Site, rig: &Rig, height_m: f64) -> Part {
    let here_pa = pressure_pa(height_m);
    let [coldest_c, boils_c, hottest_c] = [here_pa - WEATHER_PA, here_pa, here_pa + WEATHER_PA].map(boils_at_c);
    let mut steps = Vec::new();
    for (index, (name, channel)) in installation.channels.iter().zip(&installation.settings.channels).enumerate() {
        if matches!(channel.role, Role::Check(_)) {
            continue;
        }
        let (platinum, mounting) = (Platinum::of(&channel.element), &site.mountings[index]);
        let off_k = |t_c: f64| {
            mounting.calibrated_k.map_or_else(|| mounting.class.tolerance_k(t_c), |deviation| 3.0 * deviation)
        };
        let reads = |low_c: f64, high_c: f64| {
            let [low, high] = [low_c - off_k(low_c), high_c + off_k(high_c)]
                .map(|t_c| rig.sockets[index].reads_c(platinum.ohms(t_c)));
            (low[0], high[1])
        };
        let most_c = si::celsius(installation.settings.trust.plausible_high);
        let mut step = |how: &str, (low_c, high_c): (f64, f64), in_ice: bool| {
            let (reads_low_c, reads_high_c) = reads(low_c, high_c);
            let (how, expect) = if reads_high_c > most_c {
                let [low, high] = [low_c - off_k(low_c), high_c + off_k(high_c)].map(|t_c| platinum.ohms(t_c));
                let leads_ohm = mounting.loop_ohm_20c + 2.0 * site.converter.contact_ohm;
                // The controller takes that for no temperature.
                let how =
                    format!("{name} {how}: its resistance with its leads, by a meter, disconnected from the converter");
                (how, Expect::Measured { unit: "Ω", low, high: Some(high + leads_ohm) })
            } else {
                let expect = Expect::Reads { channel: name.clone(), low_c: reads_low_c, high_c: reads_high_c, in_ice };
                (format!("{name} {how}"), expect)
            };
            steps.push(Step::anyhow(how, expect));
        };
        step("in crushed ice and water, stirred, after 10 min", (-ICE_OFF_K, ICE_OFF_K), true);
        step(
            &format!("in the steam of boiling water, {} °C here, after 10 min", fixed(boils_c, 1)),
            (coldest_c, hottest_c),
            false,
        );
    }
    let together = if installation.settings.channels.iter().filter(|channel| channel.role == Role::Cell).count() > 1 {
        " All cell thermometers go into the bath together: one alone would disagree with the others, and show nothing."
    } else {
        ""
    };
    let mut lead = vec![format!(
        "Before they are mounted, where each bears water and steam by its maker's word; else in a thin bag. At {} m above the sea the air \
         has about {} hPa, and water boils at {} °C, from {} to {} °C with the weather.",
        plain(height_m),
        fixed(here_pa / 100.0, 0),
        fixed(boils_c, 2),
        fixed(coldest_c, 1),
        fixed(hottest_c, 1)
    )];
    lead.push(format!(
        "Switch the controller off while a thermometer is moved from one place to another: no cell changes so fast, so it would be doubted.{together}"
    ));
    Part { title: "Ice point and boiling point".to_owned(), lead, steps }
}

/// Temperature at which pure water boils under `pressure_pa`, for 611 Pa to 22 MPa (°C).
///
/// # Source
/// IAPWS R7-97(2012), equation 31: saturation temperature of region 4. Its ITS-90 temperatures are within 0.01 K of any newer
/// equation between 90 and 101 °C (from memory).
#[must_use]
pub fn boils_at_c(pressure_pa: f64) -> f64 {
    const N: [f64; 10] = [
        0.116_705_214_527_67e4,
        -0.724_213_167_032_06e6,
        -0.170_738_469_400_92e2,
        0.120_208_247_024_70e5,
        -0.323_255_503_223_33e7,
        0.149_151_086_135_30e2,
        -0.482_326_573_615_91e4,
        0.405_113_405_420_57e6,
        -0.238_555_575_678_49,
        0.650_175_348_447_98e3,
    ];
    let [n1, n2, n3, n4, n5, n6, n7, n8, n9, n10] = N;
    let beta = libm::pow(pressure_pa / 1e6, 0.25);
    let e = beta * beta + n3 * beta + n6;
    let f = n1 * beta * beta + n4 * beta + n7;
    let g = n2 * beta * beta + n5 * beta + n8;
    let d = 2.0 * g / (-f - (f * f - 4.0 * e * g).sqrt());
    (n10 + d - (squared(n10 + d) - 4.0 * (n9 + n10 * d)).sqrt()) / 2.0 - 273.15
}

/// Pressure of the air at a height above the sea, up to 11 km, on an ordinary day (Pa).
///
/// # Source
/// ISO 2533:1975, standard atmosphere: 101 325 Pa and 288.15 K at the sea, 6.5 K less each kilometre of geopotential height.
#[must_use]
pub fn pressure_pa(height_m: f64) -> f64 {
    const EXPONENT: f64 = 9.806_65 / (287.052_87 * 0.0065);
    101_325.0 * libm::pow(1.0 - 0.0065 * height_m / 288.15, EXPONENT)
}

/// How far the weather may move the pressure from that (Pa). Common practice, no source: 30 hPa either way cover nearly all days.
pub const WEATHER_PA: f64 = 3000.0;

#[cfg(test)]
mod tests {
    use super::*;

    /// IAPWS R7-97(2012), table 36.
    #[test]
    fn water_boils_where_the_standard_says() {
        for (pressure_pa, kelvins) in [(0.1e6, 372.755_919), (1e6, 453.035_632), (10e6, 584.149_488)] {
            let found = boils_at_c(pressure_pa) + 273.15;
            assert!((found - kelvins).abs() < 1e-6, "{pressure_pa} Pa: {found}");
        }
    }

    /// ISO 2533:1975, tables of pressure by geopotential height.
    #[test]
    fn the_air_is_as_heavy_as_the_standard_says() {
        for (height_m, expected_pa) in [(0.0, 101_325.0), (1000.0, 89_874.6), (2000.0, 79_495.2), (5000.0, 54_019.9)] {
            let found = pressure_pa(height_m);
            assert!((found - expected_pa).abs() < 0.1, "{height_m} m: {found}");
        }
    }

    /// Handbooks have 99.97 °C at 101 325 Pa (from memory), and about 1 K less for each 300 m.
    #[test]
    fn it_boils_a_kelvin_colder_every_three_hundred_metres() {
        assert!((boils_at_c(101_325.0) - 99.974).abs() < 1e-3);
        let colder_k = boils_at_c(pressure_pa(0.0)) - boils_at_c(pressure_pa(1500.0));
        assert!((4.5..5.5).contains(&colder_k), "{colder_k}");
    }
}

//! What is sought, what is known of it beforehand, and what site it makes.
//!
//! A parameter is a number whose zero is the plan: the logarithm of a factor, or an offset in kelvins. A fault can be far beyond what a
//! plan allows for, so what is sought for the user is known beforehand to a factor of about three only. What only stands in the way, such as
//! the offset of a thermometer or the film of air in the box, is known as well as the file says.

use super::record::{Outside, Power};
use crate::portable::squared;
use crate::site::{MOST_AIR_SHARE, Site};
use nalgebra::DMatrix;

/// What a parameter is about. Batteries and channels count from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    /// All that the box loses.
    Loss,
    /// The specific heat of the batteries.
    Capacity,
    /// The pad's power.
    Power,
    /// The joint from the plate to a battery.
    Contact(usize),
    /// What the batteries conduct.
    Conduct,
    /// The time constant of a thermometer.
    Lag(usize),
    /// The film of air inside the box.
    Film,
    /// The pad's bond.
    Bond,
    /// The part of the air that thermometers see.
    Share,
    /// What a thermometer shows too much (K).
    Offset(usize),
    /// What the air around the box is warmer than was logged or assumed (K).
    Around,
    /// What it swings by over a day more than was logged or assumed (K).
    Swing(Wave),
}

/// The two parts of a swing: that which is largest when the log begins, and that which is largest a quarter of a day later.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wave {
    Cosine,
    Sine,
}

impl Wave {
    /// Its height (1) so long after the log's first row.
    pub(super) fn at(self, at_s: f64) -> f64 {
        const DAY_S: f64 = 86_400.0;
        let turned = std::f64::consts::TAU * at_s / DAY_S;
        match self {
            Self::Cosine => libm::cos(turned),
            Self::Sine => libm::sin(turned),
        }
    }
}

impl What {
    /// Whether the user asks for it.
    pub(super) const fn is_sought(self) -> bool {
        match self {
            Self::Loss | Self::Capacity | Self::Power | Self::Contact(_) | Self::Conduct | Self::Lag(_) => true,
            Self::Film | Self::Bond | Self::Share | Self::Offset(_) | Self::Around | Self::Swing(_) => false,
        }
    }
}

/// One parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Parameter {
    pub(super) what: What,
    /// What is known beforehand: the standard deviation about the plan.
    pub(super) known: f64,
    /// What the plan allows for, as a part (1).
    pub(super) tolerance: f64,
    /// Whether it is held at what the plan knows of it, because no log of this kind can show it.
    pub(super) is_held: bool,
}

/// What is known of something that is held: next to nothing of it is left to the fit.
const HELD: f64 = 1e-3;
/// What is known of something that may be faulty: a factor of e.
const ANYTHING: f64 = 1.0;
/// What a lag may differ by with nobody at fault: nobody states it (from memory).
const LAG_TOLERANCE: f64 = 0.5;
/// What a measured power can be wrong by, as a standard deviation: a shunt and a divider of 1 %. Common practice, no source.
const POWER_MEASURED: f64 = 0.01;
/// The same for the temperature around the box, logged and assumed (K). From memory: a sensor that the sun or a wall reaches now and then.
pub(super) const AROUND_K: [f64; 2] = [0.3, 2.0];
/// And for each part of a swing over the day that the log or the assumption lacks (K). From memory: a sensor that is in the sun for some
/// hours, and a clear winter's day.
pub(super) const SWING_K: [f64; 2] = [0.5, 4.0];

/// A covariance with the tolerance of what is held in it. Where that is off, the others follow it as the fit says they do: a joint by more than
/// in proportion, because the plate beneath it is as it is.
pub(super) fn with_held(parameters: &[Parameter], mut covariance: DMatrix<f64>) -> DMatrix<f64> {
    for (index, held) in parameters.iter().enumerate().filter(|(_, parameter)| parameter.is_held) {
        let variance = covariance[(index, index)];
        let follows = covariance.column(index) / variance;
        covariance += &follows * follows.transpose() * (squared(rectangular(held.tolerance)) - variance);
    }
    covariance
}

/// The standard deviation of a rectangular distribution of this half-width, or a hundredth if the file knows it exactly.
pub(super) fn rectangular(half_width: f64) -> f64 {
    (half_width / 3.0_f64.sqrt()).max(0.01)
}

/// All parameters of a log that shows these channels.
pub(super) fn parameters(site: &Site, shows: &[usize], power: Power, outside: Outside) -> Vec<Parameter> {
    let tolerance = &site.tolerance;
    let sought = |what, tolerance: f64| Parameter { what, known: ANYTHING, tolerance, is_held: false };
    let aside = |what, known| Parameter { what, known, tolerance: 0.0, is_held: false };
    let capacity = sought(What::Capacity, tolerance.specific_heat);
    let pad = sought(What::Power, tolerance.pad_power);
    let held = |parameter: Parameter| Parameter { known: HELD, is_held: true, ..parameter };
    let (capacity, power) = match power {
        Power::Logged => (capacity, Parameter { known: POWER_MEASURED, ..pad }),
        Power::Switched { .. } => (held(capacity), pad),
        Power::Off => (held(capacity), held(pad)),
    };
    let mut all = vec![sought(What::Loss, tolerance.insulation), capacity, power];
    all.extend((0..site.battery.count).map(|battery| sought(What::Contact(battery), tolerance.contact)));
    all.push(sought(What::Conduct, tolerance.conductivity));
    all.extend(shows.iter().map(|&channel| sought(What::Lag(channel), LAG_TOLERANCE)));
    all.push(aside(What::Film, rectangular(tolerance.film)));
    all.push(aside(What::Bond, rectangular(tolerance.contact)));
    all.push(aside(What::Share, rectangular(tolerance.air_share)));
    all.extend(shows.iter().map(|&channel| {
        let mounting = &site.mountings[channel];
        let class_k = mounting.class.tolerance_k(0.0) / 3.0_f64.sqrt();
        // And what leads, reference and converter add.
        aside(What::Offset(channel), libm::hypot(mounting.calibrated_k.unwrap_or(class_k), 0.05))
    }));
    let assumed = usize::from(outside != Outside::Logged);
    all.push(aside(What::Around, AROUND_K[assumed]));
    all.extend([Wave::Cosine, Wave::Sine].map(|wave| aside(What::Swing(wave), SWING_K[assumed])));
    all
}

/// The site that these values make of `site`.
pub(super) fn site_of(site: &Site, parameters: &[Parameter], values: &[f64]) -> Site {
    let mut made = site.clone();
    let parts = (0..site.battery.count).map(|battery| site.plate.contact_parts.get(battery).copied().unwrap_or(1.0));
    made.plate.contact_parts = parts.collect();
    for (parameter, value) in parameters.iter().zip(values) {
        let factor = libm::exp(*value);
        match parameter.what {
            What::Loss => made.enclosure.loss *= factor,
            What::Capacity => made.battery.specific_heat_j_per_kg_k *= factor,
            What::Contact(battery) => made.plate.contact_parts[battery] *= factor,
            What::Conduct => made.battery.scale_conductivity(factor),
            What::Lag(channel) => made.mountings[channel].lag_s *= factor,
            What::Film => made.enclosure.inside_w_per_m2_k *= factor,
            What::Bond => made.pad.bond_w_per_m2_k *= factor,
            What::Share => {
                for mounting in &mut made.mountings {
                    mounting.air_share = (mounting.air_share * factor).min(MOST_AIR_SHARE);
                }
            }
            What::Power | What::Offset(_) | What::Around | What::Swing(_) => {}
        }
    }
    made
}

//! The most that a channel can read warm: every input at its limit at once.
//!
//! A budget adds up the effect of each input alone, at one temperature. Together they do more: a reference resistor
//! that has drifted enlarges the effect of offset and contacts, and an element that is warmer than its reading has a
//! wider class. So this module computes the channel itself, with every input at one of its ends, and takes the warmest
//! corner. That corner is known beforehand: the reading rises with every input that moves towards warm, wherever the
//! others are. The module looks for the largest error both ways: for the reading that is at a threshold, and for the
//! temperature that is.

use super::measurement::{Chain, NORMAL_LIMIT, self_heating_k};
use super::placement::Placement;
use crate::platinum::{Platinum, ohms};
use crate::si;
use crate::site::{SELF_HEATING_UNKNOWN, step_ohm};
use forewarm_core::rtd::Leads;
use forewarm_core::rtd::ROUNDING;

/// An input that can be at either end of its width.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Input {
    Element,
    LeadTemperature,
    Mismatch,
    Contact(usize),
    Resolution,
    ResolutionOfLead,
    Offset,
    Gain,
    ReferenceTolerance,
    ReferenceDrift,
    Noise,
    SelfHeating,
    AirShare,
    Rounding,
    Cause(usize),
}

/// The reading of `chain` (°C) with the coldest place at `coldest_c`. `end` returns the position of each input: from
/// −1, its cold end, to 1, its warm end. The end of a normal input is three standard deviations. An input that can only
/// read warm is always at its limit.
pub(super) fn shown_c(chain: &Chain, placement: &Placement, coldest_c: f64, end: &dyn Fn(Input) -> f64) -> f64 {
    let Chain { channel, mounting, converter, leads_c, .. } = *chain;
    let platinum = Platinum::of(&channel.element);
    let air_k = chain.air_seen_k(placement);
    let causes = placement.causes.iter().enumerate();
    let moved: f64 = causes.map(|(index, cause)| end(Input::Cause(index)) * cause.half_width_k).sum();
    let near_c =
        coldest_c + placement.warm_bias_k + moved + air_k.map_or(0.0, |(k, more)| k + end(Input::AirShare) * more);
    let heating_k =
        self_heating_k(platinum.ohms(near_c), converter.current_a, converter.duty, mounting.self_heating_k_per_mw)
            * (1.0 + end(Input::SelfHeating) * SELF_HEATING_UNKNOWN);
    let shift_k = si::kelvins(channel.offset);
    let (element_k, shift_k) = match mounting.calibrated_k {
        Some(deviation) => (NORMAL_LIMIT * deviation, 0.0),
        None => (mounting.class.tolerance_k(near_c), shift_k),
    };
    let element_ohm = platinum.ohms(near_c + heating_k + end(Input::Element) * element_k);

    let loop_ohm = || {
        let lead_c = f64::midpoint(leads_c.0, leads_c.1) + end(Input::LeadTemperature) * (leads_c.1 - leads_c.0) / 2.0;
        chain.loop_ohm(lead_c)
    };
    let contact = |index: usize| end(Input::Contact(index)) * converter.contact_ohm;
    let (in_series, alone) = match channel.leads {
        // Each is between zero and the stated resistance.
        Leads::TwoWire { .. } => {
            let contacts = f64::midpoint(contact(0), contact(1)) + converter.contact_ohm;
            (loop_ohm() + contacts + chain.growth_ohm(), 0.0)
        }
        Leads::ThreeWire { .. } => {
            let lead = loop_ohm() / 2.0;
            (lead + contact(0) + chain.growth_ohm(), lead * (1.0 - end(Input::Mismatch) * converter.lead_mismatch))
        }
        Leads::FourWire => (0.0, 0.0),
    };
    let reference = end(Input::ReferenceTolerance) * converter.reference_tolerance
        + end(Input::ReferenceDrift) * converter.reference_drift;
    // Measured against a reference resistor that is smaller than its stated value, everything appears larger.
    let gain = (1.0 + end(Input::Gain) * converter.gain) / (1.0 - reference);
    let half_step = step_ohm(ohms(channel.reference), converter.bits) / 2.0;
    let measured = (element_ohm + in_series) * gain
        + end(Input::Offset) * converter.offset_ohm
        + end(Input::Resolution) * half_step;
    let lead = match channel.leads {
        Leads::ThreeWire { .. } => alone * gain - end(Input::ResolutionOfLead) * half_step,
        Leads::TwoWire { .. } | Leads::FourWire => 0.0,
    };
    let rounding_k = si::kelvins(ROUNDING);
    platinum.celsius(measured - lead - ohms(channel.leads.known()))
        + shift_k
        + end(Input::Noise) * NORMAL_LIMIT * converter.noise_k
        + end(Input::Rounding) * rounding_k
}

/// The most that the channel can show above the coldest place (K), when the reading is `t_c` °C or the place is.
pub(super) fn warmest_k(chain: &Chain, placement: &Placement, t_c: f64) -> f64 {
    // The reading rises by a kelvin for a kelvin, within a few parts in a hundred. Each round leaves that part of the
    // rest.
    const ROUNDS: usize = 8;
    let shown_c = |coldest_c: f64| shown_c(chain, placement, coldest_c, &|_| 1.0);
    let coldest_c = (0..ROUNDS).fold(t_c, |coldest_c, _| coldest_c - (shown_c(coldest_c) - t_c));
    (shown_c(t_c) - t_c).max(t_c - coldest_c)
}

#[cfg(test)]
mod tests;

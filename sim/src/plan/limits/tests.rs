use super::super::measurement::{Budget, Chain};
use super::super::placement::{Cause, Placement};
use super::super::testing::{settings, site};
use super::*;
use crate::class::Class;
use crate::site::{Converter, Mounting};
use forewarm_core::quantity::{Celsius, Kelvins, Ohms};
use forewarm_core::rtd::Element;
use forewarm_core::settings::Channel;

const CAUSES: usize = 2;

/// Every input that a channel of these leads has.
fn inputs(leads: Leads) -> Vec<Input> {
    let mut inputs = vec![
        Input::Element,
        Input::Resolution,
        Input::Offset,
        Input::Gain,
        Input::ReferenceTolerance,
        Input::ReferenceDrift,
        Input::Noise,
        Input::SelfHeating,
        Input::AirShare,
        Input::Rounding,
    ];
    inputs.extend((0..CAUSES).map(Input::Cause));
    match leads {
        Leads::TwoWire { .. } => inputs.extend([Input::LeadTemperature, Input::Contact(0), Input::Contact(1)]),
        Leads::ThreeWire { .. } => {
            inputs.extend([Input::LeadTemperature, Input::Mismatch, Input::Contact(0), Input::ResolutionOfLead]);
        }
        Leads::FourWire => {}
    }
    inputs
}

/// The most that any of all corners reads warm (K), tried one by one.
fn every_corner(chain: &Chain, placement: &Placement, t_c: f64) -> f64 {
    let inputs = inputs(chain.channel.leads);
    (0..1_u32 << inputs.len())
        .map(|corner| {
            let end = |input: Input| {
                let index = inputs.iter().position(|other| *other == input).unwrap_or_else(|| panic!("{input:?}"));
                if corner >> index & 1 == 1 { 1.0 } else { -1.0 }
            };
            // Each round leaves three parts in a hundred of the rest at the most: of ten kelvins, six leave nothing that counts.
            let shown = |coldest_c: f64| shown_c(chain, placement, coldest_c, &end);
            let coldest_c = (0..6).fold(t_c, |coldest_c, _| coldest_c - (shown(coldest_c) - t_c));
            (shown(t_c) - t_c).max(t_c - coldest_c)
        })
        .fold(f64::NEG_INFINITY, f64::max)
}

/// Of what a budget's lines come to one by one, which is what the limit was before.
fn one_by_one_k(budget: &Budget) -> f64 {
    budget.bias_k.max(0.0) + budget.linear_sum_k(NORMAL_LIMIT)
}

#[test]
fn no_corner_of_all_errors_reads_warmer_than_every_error_at_its_limit() {
    let site = site();
    let bad = Converter {
        contact_ohm: 0.2,
        contact_growth_ohm: 2.0,
        offset_ohm: 0.1,
        gain: 1e-3,
        reference_tolerance: 0.01,
        reference_drift: 2e-3,
        lead_mismatch: 0.5,
        ..site.converter
    };
    let causes = [("conductivity", 0.5), ("heater power", 0.8)];
    let causes: Vec<Cause> = causes.into_iter().map(|(of, half_width_k)| Cause { of, half_width_k }).collect();
    let placements = [
        Placement { warm_bias_k: 1.5, air_above_k: 8.0, causes: causes.clone() },
        Placement { warm_bias_k: -0.5, air_above_k: 0.0, causes },
    ];
    let two_wires = Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(100), at: Celsius::from_millidegrees(20_000) };
    let mut most_short_k: f64 = 0.0;
    for leads in [two_wires, Leads::THREE_WIRE, Leads::FourWire] {
        for (converter, class, loop_ohm_20c) in [(&site.converter, Class::B, 0.62), (&bad, Class::C, 3.0)] {
            for placement in &placements {
                for (offset_mk, calibrated_k) in [(0, None), (300, None), (0, Some(0.03))] {
                    let channel = Channel {
                        leads,
                        element: Element::pt100(),
                        reference: Ohms::from_milliohms(400_000),
                        offset: Kelvins::from_millikelvins(offset_mk),
                        ..settings().channels[0]
                    };
                    let mounting = Mounting { class, calibrated_k, loop_ohm_20c, air_share: 0.1, ..site.mountings[0] };
                    let chain = Chain {
                        channel: &channel,
                        mounting: &mounting,
                        converter,
                        leads_c: (-20.0, 40.0),
                        air_share_spread: 1.0,
                    };
                    let t_c = 5.0;
                    let budget = chain.budget(t_c, placement);
                    let found_k = every_corner(&chain, placement, t_c);
                    assert!(found_k <= budget.worst_warm_k + 1e-6, "{found_k} K: {channel:?} {budget:?}");
                    most_short_k = most_short_k.max(found_k - one_by_one_k(&budget));
                }
            }
        }
    }
    // One by one they fall short, which is why the channel is computed.
    assert!(most_short_k > 0.01, "{most_short_k}");
}

/// What is shown rises with every input, so that no corner has to be tried but the warm one.
#[test]
fn a_channel_shows_more_with_every_input_that_goes_towards_warm() {
    let site = site();
    let placement = Placement {
        warm_bias_k: 1.0,
        air_above_k: 5.0,
        causes: vec![Cause { of: "air changes", half_width_k: 0.4 }; CAUSES],
    };
    let two_wires = Leads::TwoWire { loop_at_20c: Ohms::ZERO, at: Celsius::from_millidegrees(20_000) };
    for leads in [two_wires, Leads::THREE_WIRE, Leads::FourWire] {
        let channel = Channel { leads, ..settings().channels[0] };
        let mounting = Mounting { air_share: 0.1, ..site.mountings[0] };
        let chain = Chain {
            channel: &channel,
            mounting: &mounting,
            converter: &site.converter,
            leads_c: (-30.0, 60.0),
            air_share_spread: 0.5,
        };
        for input in inputs(leads) {
            let shown = |at: f64, others: f64| {
                shown_c(&chain, &placement, 4.0, &|other| if other == input { at } else { others })
            };
            for others in [-1.0, 1.0] {
                // With three wires that are alike the leads' temperature does nothing; here they never are.
                let is_even =
                    matches!(leads, Leads::ThreeWire { .. }) && input == Input::LeadTemperature && others < 0.0;
                assert!(is_even || shown(1.0, others) > shown(-1.0, others), "{leads:?} {input:?} {others}");
            }
        }
    }
}

//! The card as a whole.

use super::resistors::{Parts, Series, Stock};
use super::rig::Rig;
use super::substitutes::{Sides, of_channel};
use super::*;
use crate::installation::Installation;
use crate::installation::first::Like;
use crate::platinum::{Platinum, ohms};
use crate::site::Site;
use forewarm_core::fault::{ChannelFault, SystemFault};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::Role;
use std::collections::BTreeSet;

pub(super) const PRECISE: Bench =
    Bench { stock: Stock { series: Series::E96, tolerance: 0.001 }, box_step_ohm: 0.1, height_m: 0.0 };

fn examples() -> impl Iterator<Item = Installation> {
    [Like::Hut, Like::Boat, Like::Van, Like::Shelter]
        .into_iter()
        .map(|like| Installation::parse("example", &like.text()).expect("it passes its check"))
}

fn site(installation: &Installation) -> &Site {
    installation.site.as_ref().expect("an example has one")
}

/// Every channel with its substitutes.
fn sides(installation: &Installation, bench: &Bench) -> Vec<(usize, Sides)> {
    let rig = Rig::new(installation, site(installation), bench.stock.series);
    let of = |channel| of_channel(&rig, channel, &bench.stock, bench.box_step_ohm);
    (0..installation.channels.len())
        .flat_map(|channel| of(channel).into_iter().map(move |sides| (channel, sides)))
        .collect()
}

/// The equation of a converter, written down a second time: a resistance and its leads, offset, gain, and a reference that is off.
fn reads(installation: &Installation, channel: usize, element_ohm: f64, end: f64) -> f64 {
    let (converter, mounting) = (&site(installation).converter, &site(installation).mountings[channel]);
    let settings = &installation.settings.channels[channel];
    let lead_ohm = mounting.loop_ohm_20c / 2.0;
    let off = |half_width: f64| end * half_width;
    let noise_ohm = off(4.0 * converter.noise_k) * Platinum::of(&settings.element).slope(0.0);
    let scale = (1.0 + off(converter.gain)) / (1.0 - off(converter.reference_tolerance));
    let measured = |in_series| (element_ohm + in_series + off(converter.offset_ohm) + noise_ohm) * scale;
    let ohm = match settings.leads {
        Leads::TwoWire { .. } => {
            measured(2.0 * lead_ohm + 2.0 * off(converter.contact_ohm).max(0.0)) - ohms(settings.leads.known())
        }
        // The lead is measured alone, and taken away.
        Leads::ThreeWire { .. } => {
            measured(lead_ohm * (1.0 + off(converter.lead_mismatch)) + off(converter.contact_ohm)) - lead_ohm * scale
        }
        Leads::FourWire => measured(0.0),
    };
    match settings.role {
        Role::Check(_) => ohm,
        Role::Cell | Role::Pad | Role::Ambient => {
            Platinum::of(&settings.element).celsius(ohm) + crate::si::kelvins(settings.offset)
        }
    }
}

/// A few codes of the converter, which the equation above does not cut into.
const CODES: f64 = 0.05;

#[test]
fn a_substitute_reads_on_its_side_wherever_resistors_and_converter_are() {
    for installation in examples() {
        let mut found = 0;
        for (channel, Sides { mark, below, above }) in sides(&installation, &PRECISE) {
            let at = match mark.at {
                marks::At::Reads(at) => crate::si::celsius(at),
                marks::At::Measures(at) => ohms(at),
            };
            for (substitute, is_above) in [(below, false), (above, true)] {
                let Some(substitute) = substitute else { continue };
                found += 1;
                let both = [substitute.parts.ohm(), substitute.box_ohm.unwrap_or(substitute.parts.ohm())];
                for ohm in both {
                    for end in [-1.0, 0.0, 1.0] {
                        let ohm = ohm * (1.0 + end * PRECISE.stock.tolerance);
                        let reads = reads(&installation, channel, ohm, end);
                        let name = &installation.channels[channel];
                        if is_above {
                            assert!(
                                reads > at - CODES,
                                "{name}: {} reads {reads}, not above {}",
                                substitute.parts,
                                mark.told()
                            );
                        } else {
                            assert!(
                                reads < at + CODES,
                                "{name}: {} reads {reads}, not below {}",
                                substitute.parts,
                                mark.told()
                            );
                        }
                    }
                }
            }
        }
        assert!(found > 20, "{}: {found}", installation.title);
    }
}

/// Between a step just below a mark and one just above it, somebody sees a difference.
#[test]
fn every_mark_that_can_be_tried_changes_what_is_shown() {
    for installation in examples() {
        let card = Card::of(&installation, &PRECISE).expect("a site");
        let mut tried = 0;
        for part in &card.parts {
            // The steps of one mark follow each other; the good side comes first for cells.
            let of_mark = |step: &Step| {
                let (_, rest) = step.how.split_once("just ")?;
                rest.split(": ").next()?.split(", the other").next().map(str::to_owned)
            };
            for pair in part.steps.windows(2) {
                let (Some(first), Some(second)) = (of_mark(&pair[0]), of_mark(&pair[1])) else { continue };
                let key = |text: &str| text.split_once(' ').map(|(_, key)| key.to_owned());
                if key(&first) != key(&second) || first == second {
                    continue;
                }
                let shown = |step: &Step| match &step.expect {
                    Expect::Outputs { heater, charge, state, cause, faults, .. } => {
                        Some((*heater, *charge, *state, *cause, faults.clone()))
                    }
                    _ => None,
                };
                if let (Some(one), Some(other)) = (shown(&pair[0]), shown(&pair[1])) {
                    tried += 1;
                    assert_ne!(one, other, "{}: {}", installation.title, pair[1].how);
                }
            }
        }
        assert!(tried >= 8, "{}: {tried}", installation.title);
    }
}

/// IEC 60751, table of Pt100: 101.95 Ω at 5 °C, 103.12 Ω at 8 °C.
#[test]
fn the_starters_thresholds_are_tried_where_the_standard_has_them() {
    let installation = Installation::parse("starter", &crate::installation::starter()).expect("no problem");
    let exact = Bench { stock: Stock { series: Series::E96, tolerance: 0.000_01 }, box_step_ohm: 0.01, height_m: 0.0 };
    let mut quiet = installation.clone();
    let converter = &mut quiet.site.as_mut().expect("a site").converter;
    (converter.reference_tolerance, converter.gain, converter.offset_ohm, converter.noise_k, converter.bits) =
        (0.0, 0.0, 0.0, 0.0, 24);
    let box_ohm = |key: &str| {
        let all = sides(&quiet, &exact);
        let (_, sides) = all.into_iter().find(|(_, sides)| sides.mark.key == key).expect("a mark");
        [sides.below, sides.above].map(|side| side.and_then(|side| side.box_ohm).expect("a setting"))
    };
    for (key, expected_ohm) in [("charge.inhibit_c", 101.95), ("charge.release_c", 103.12)] {
        let [below, above] = box_ohm(key);
        assert!(
            below < above && (below - expected_ohm).abs() < 0.02 && (above - expected_ohm).abs() < 0.02,
            "{key}: {below} {above}"
        );
    }
}

#[test]
fn charge_is_expected_only_where_every_cell_is_above_release() {
    for installation in examples() {
        let card = Card::of(&installation, &PRECISE).expect("a site");
        let cells = card.parts.iter().find(|part| part.title == "Cell thermometers").expect("its part");
        for step in &cells.steps {
            let Expect::Outputs { charge, .. } = &step.expect else { continue };
            let below = ["below charge.release_c", "charge.inhibit_c", "plausible"];
            assert!(!charge || !below.iter().any(|key| step.how.contains(key)), "{}", step.how);
        }
        // And there it is, where sources that stay off are all that is against it.
        let above = cells.steps.iter().find(|step| step.how.contains("just above charge.release_c"));
        assert!(matches!(above.map(|step| &step.expect), Some(Expect::Outputs { charge: true, .. })), "{above:?}");
    }
}

/// What a resistor that is turned slowly shows is what the file says.
#[test]
fn outputs_change_at_their_thresholds() {
    let installation = Installation::parse("hut", &Like::Hut.text()).expect("no problem");
    let card = Card::of(&installation, &PRECISE).expect("a site");
    let part = card.parts.iter().find(|part| part.title.starts_with("Hysteresis")).expect("its part");
    let found: Vec<(&str, f64)> = part
        .steps
        .iter()
        .map(|step| match &step.expect {
            Expect::Turns { low_c, high_c, .. } => (step.how.as_str(), f64::midpoint(*low_c, *high_c)),
            other => panic!("{other:?}"),
        })
        .collect();
    let expected = [
        ("solar on, turned down, until the heater comes on", 7.0),
        ("solar on, turned down, until charge is refused", 5.5),
        ("solar on, turned up, until the heater goes off", 12.0),
    ];
    assert_eq!(found.len(), expected.len(), "{found:?}");
    for ((how, shown_c), (expected, at_c)) in found.into_iter().zip(expected) {
        assert!(how == expected && (shown_c - at_c).abs() < 0.1, "{how}: {shown_c}");
    }
}

/// Where a source gives more than the ceiling allows, or the heater rests while charge is permitted, the inhibit threshold is still tried.
#[test]
fn the_inhibit_threshold_is_tried_at_work_in_every_example() {
    for installation in examples() {
        let card = Card::of(&installation, &PRECISE).expect("a site");
        let part = card.parts.iter().find(|part| part.title.starts_with("Hysteresis")).expect("its part");
        let inhibit_c = crate::si::celsius(installation.settings.charge.inhibit);
        let is_tried = part.steps.iter().any(|step| {
            step.how.contains("charge is refused")
                && matches!(step.expect, Expect::Turns { low_c, high_c, .. } if (low_c..high_c).contains(&inhibit_c))
        });
        assert!(is_tried, "{}: {:?}", installation.title, part.steps);
    }
}

#[test]
fn every_fault_is_provoked_or_it_is_said_why_not() {
    for installation in examples() {
        let card = Card::of(&installation, &PRECISE).expect("a site");
        let part = card.parts.iter().find(|part| part.title == "Faults").expect("its part");
        let of_steps = part.steps.iter().skip(2).filter_map(|step| step.how.split_once(':').map(|(name, _)| name));
        let of_lead = part.lead.iter().filter_map(|line| line.strip_prefix('`')?.split_once('`').map(|(name, _)| name));
        let told: BTreeSet<&str> = of_steps.chain(of_lead).collect();
        let all: BTreeSet<&str> = ChannelFault::ALL
            .iter()
            .map(|fault| fault.facts().name)
            .chain(SystemFault::ALL.iter().map(|fault| fault.facts().name))
            .collect();
        assert_eq!(told, all, "{}", installation.title);
        for step in &part.steps {
            assert!(
                !matches!(step.expect, Expect::Impossible(_)),
                "{}: {}: {:?}",
                installation.title,
                step.how,
                step.expect
            );
        }
    }
}

/// With common resistors a threshold of a Pt100 is wider than the way to the next one.
#[test]
fn a_tolerance_that_straddles_a_threshold_is_said() {
    let installation = Installation::parse("boat", &Like::Boat.text()).expect("no problem");
    let coarse = Bench { stock: Stock { series: Series::E24, tolerance: 0.05 }, ..PRECISE };
    let card = Card::of(&installation, &coarse).expect("a site");
    let cells = card.parts.iter().find(|part| part.title == "Cell thermometers").expect("its part");
    let told = cells.steps.iter().find(|step| step.how.contains("just above charge.inhibit_c")).expect("its step");
    assert!(matches!(&told.expect, Expect::Impossible(why) if why.contains("± 5 %")), "{told:?}");
}

#[test]
fn no_value_is_told_in_more_digits_than_it_has() {
    assert_eq!(Parts::Series(976.0, 5.49 * 10.0).to_string(), "976 Ω + 54.9 Ω in series");
    assert_eq!(Parts::Parallel(825.0, 1.74 * 1e5).to_string(), "825 Ω with 174 kΩ in parallel");
}

#[test]
fn every_step_is_on_the_page_and_nothing_is_from_elsewhere() {
    let installation =
        Installation::parse("hut", &Like::Hut.text().replace("title = \"Hut", "title = \"<b>Hut")).expect("no problem");
    let card = Card::of(&installation, &PRECISE).expect("a site");
    let page = card.page();
    let mut text = Vec::new();
    card.write_text(&mut text).expect("it is written");
    let text = String::from_utf8(text).expect("UTF-8");
    for (part, number) in card.parts.iter().zip(1..) {
        for (step, nth) in part.steps.iter().zip(1..) {
            let number = format!("{number}.{nth}");
            assert!(page.contains(&format!("<td class=\"nth\">{number}</td>")), "{number}");
            let how = crate::chart::svg::escaped(&step.how);
            assert!(how.contains('`') || page.contains(&how), "{number}");
            assert!(text.contains(&format!("\n{number:<6}")), "{number}");
        }
    }
    assert!(!page.contains("<b>Hut") && !page.contains("http"));
    for caution in card.cautions {
        assert!(page.contains(caution));
    }
}

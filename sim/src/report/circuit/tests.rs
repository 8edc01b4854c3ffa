//! What holds for every circuit.

use super::{Circuit, Length, Look};
use crate::report::tests::{circuits, demo, parsed};
use crate::report::wiring;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::Role;
use std::collections::BTreeMap;

#[test]
fn every_part_is_wired_and_has_a_tag_of_its_own() {
    for (name, _, circuit) in circuits() {
        let mut tags: Vec<&str> = circuit.parts.iter().map(|part| part.tag.as_str()).collect();
        for (index, part) in circuit.parts.iter().enumerate() {
            let is_wired = circuit.conductors().any(|(before, _, after)| before.part == index || after.part == index);
            // A source that only charges, by a charger that obeys nothing, has its line all the same.
            assert!(is_wired, "{name}: {part:?}");
        }
        tags.sort_unstable();
        tags.dedup();
        assert_eq!(tags.len(), circuit.parts.len(), "{name}");
    }
}

#[test]
fn conductors_are_numbered_from_one_in_the_order_of_the_list() {
    for (name, _, circuit) in circuits() {
        let numbers: Vec<usize> = wiring::list(&circuit).iter().map(|conductor| conductor.number).collect();
        assert_eq!(numbers, (1..=numbers.len()).collect::<Vec<_>>(), "{name}");
    }
}

/// A terminal block, a bar or a board may have many; a contact, a coil, a fuse or an element has one screw.
#[test]
fn a_terminal_of_a_part_in_a_path_has_one_conductor() {
    for (name, _, circuit) in circuits() {
        let mut counts: BTreeMap<String, usize> = BTreeMap::new();
        for (before, _, after) in circuit.conductors() {
            for (stop, terminal) in [(before, &before.leaves), (after, &after.enters)] {
                if !matches!(stop.look, Look::Block | Look::Battery | Look::Terminal) {
                    *counts.entry(circuit.terminal(stop.part, terminal)).or_default() += 1;
                }
            }
        }
        assert!(counts.values().all(|count| *count == 1), "{name}: {counts:?}");
    }
}

#[test]
fn all_current_of_the_heater_passes_its_fuse_its_relay_and_each_thermal_cut_out() {
    for (name, installation, circuit) in circuits() {
        let site = installation.site.as_ref().expect("a site");
        let paths = || circuit.sheets.iter().flat_map(|sheet| &sheet.paths);
        let to_pad: Vec<_> =
            paths().filter(|path| path.runs.last().is_some_and(|(_, stop)| stop.look == Look::Heater)).collect();
        let [forth, back] = to_pad[..] else { panic!("{name}: the pad has two leads") };
        let looks: Vec<Look> = forth.runs.iter().map(|(_, stop)| stop.look).collect();
        let mut wanted = vec![Look::Fuse, Look::Contact];
        wanted.extend(site.thermal_cutouts.iter().map(|_| Look::Thermal));
        wanted.push(Look::Heater);
        assert_eq!(looks, wanted, "{name}");
        assert_eq!((back.runs.len(), forth.from.part), (1, back.from.part), "{name}");
        let feed = &circuit.parts[forth.from.part].what;
        let fed_by = site.fed_by.map(|source| format!("source “{}”", installation.sources[source]));
        assert_eq!(*feed, fed_by.unwrap_or_else(|| "bank".to_owned()), "{name}");
    }
}

#[test]
fn what_lies_behind_a_fuse_names_it_and_what_lies_before_it_is_short() {
    for (name, _, circuit) in circuits() {
        for path in circuit.sheets.iter().flat_map(|sheet| &sheet.paths) {
            let Some(at) = path.runs.iter().position(|(_, stop)| stop.look == Look::Fuse) else { continue };
            let fuse = path.runs[at].1.part;
            for (index, (conductor, _)) in path.runs.iter().enumerate() {
                let told = (conductor.fuse, conductor.length == Length::Short);
                assert_eq!(told.0, (index > at).then_some(fuse), "{name}: {conductor:?}");
                assert_eq!(told.1, index == at, "{name}: {conductor:?}");
            }
        }
    }
}

#[test]
fn a_thermometer_has_as_many_leads_as_its_wiring_says_and_some_at_both_ends() {
    for (name, installation, circuit) in circuits() {
        for (channel, of) in installation.settings.channels.iter().zip(&installation.channels) {
            let part = circuit
                .parts
                .iter()
                .position(|part| part.what.contains(&format!("“{of}”")) && !part.tag.starts_with('T'));
            let part = part.expect("each channel is drawn");
            let mut ends: Vec<char> = circuit
                .conductors()
                .filter(|(_, _, after)| after.part == part)
                .filter_map(|(_, _, after)| after.enters.chars().next())
                .collect();
            let count = match channel.leads {
                Leads::TwoWire { .. } => 2,
                Leads::ThreeWire { .. } => 3,
                Leads::FourWire => 4,
            };
            assert_eq!(ends.len(), count, "{name}: {of}");
            ends.dedup();
            assert_eq!(ends, ['a', 'b'], "{name}: {of}");
            let tag = circuit.parts[part].tag.chars().next();
            assert_eq!(tag == Some('R'), matches!(channel.role, Role::Check(_)), "{name}: {of}");
        }
    }
}

#[test]
fn every_module_has_a_select_wire_of_its_own_and_the_bus() {
    for (name, installation, circuit) in circuits() {
        let selects = circuit.conductors().filter(|(_, _, after)| after.enters == "CS").count();
        let site = installation.site.as_ref().expect("a site");
        let modules = if site.converter.one_reference { 0 } else { installation.channels.len() };
        assert_eq!(selects, modules, "{name}");
        let bus = circuit.conductors().filter(|(_, _, after)| after.enters == "CLK").count();
        assert_eq!(bus, modules, "{name}");
    }
}

fn blanks(text: &str, of: &str) -> Vec<(Option<f64>, Option<f64>)> {
    let installation = parsed(text);
    let circuit = Circuit::of(&installation, installation.site.as_ref().expect("a site"), false);
    let list = wiring::list(&circuit);
    list.iter().filter(|row| row.purpose.contains(of)).map(|row| (row.area_mm2, row.length_m)).collect()
}

#[test]
fn what_the_file_does_not_say_is_left_blank() {
    let van = demo("van.toml");
    assert!(blanks(&van, "battery_top").iter().all(|row| *row == (Some(0.25), Some(2.0))));
    let bare = van.replacen("cable_m = 2\ncable_mm2 = 0.25\n", "", 1);
    assert!(blanks(&bare, "battery_top").iter().all(|row| *row == (None, None)), "{:?}", blanks(&bare, "battery_top"));
    // The plan chooses a section where the file has none; it knows no length.
    let hut = demo("hut.toml").replace("cable_mm2 = 4\n", "");
    let installation = parsed(&hut);
    let circuit = Circuit::of(&installation, installation.site.as_ref().expect("a site"), false);
    let back = &wiring::list(&circuit)[5];
    assert!(
        back.purpose == "heater, back" && back.area().ends_with(" by plan") && back.length_m == Some(2.5),
        "{back:?}"
    );
    let no_circuit = &hut[..hut.find("[circuit]").expect("a circuit")];
    let no_circuit = format!("{no_circuit}{}", &hut[hut.find("# In series").expect("cut-outs")..]);
    assert!(blanks(&no_circuit, "heater").iter().all(|row| *row == (None, None)));
    let coil = hut.replace("coil_w = 1.5\ncoil_v = 12\n", "");
    let installation = parsed(&coil);
    let circuit = Circuit::of(&installation, installation.site.as_ref().expect("a site"), false);
    let relay = circuit.parts.iter().find(|part| part.tag == "Q1").expect("a relay");
    assert!(relay.rating.ends_with("coil ____ V, ____ W"), "{relay:?}");
}

#[test]
fn auxiliary_contacts_are_drawn_where_they_are_and_only_there() {
    let hut = parsed(&demo("hut.toml"));
    let site = hut.site.as_ref().expect("a site");
    for has_contacts in [false, true] {
        let circuit = Circuit::of(&hut, site, has_contacts);
        let aux: Vec<String> = circuit
            .conductors()
            .filter(|(_, _, after)| after.enters == "23")
            .map(|(_, _, after)| circuit.parts[after.part].tag.clone())
            .collect();
        assert_eq!(aux, if has_contacts { vec!["Q1", "K2"] } else { Vec::new() });
    }
}

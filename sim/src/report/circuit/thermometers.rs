//! Thermometers and check resistors with their leads, references, and the converters that measure them.

use super::draft::{Draft, end, wire};
use super::{Length, Look, Says};
use crate::figures::plain;
use crate::platinum::{Platinum, ohms};
use crate::site::Mounting;
use forewarm_core::quantity::Ohms;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Channel, Role};

/// Terminals of one channel, in their order: of a module with a chip for one thermometer, as its data sheet has them; and of a
/// converter for all, current and voltage.
const MODULE: [&str; 4] = ["F+", "RTD+", "RTD−", "F−"];
const SHARED: [&str; 4] = ["I+", "U+", "U−", "I−"];

/// What every module has in common with its neighbours: supply, ground and bus.
const BUS: [(&str, &str); 5] = [
    ("3.3 V", "supply"),
    ("0 V", "supply"),
    ("CLK", "bus, clock"),
    ("SDI", "bus, to the modules"),
    ("SDO", "bus, from the modules"),
];

/// Which of the four terminals have a lead of their own, and where it ends at the element. Leads of one letter end at one end of it.
fn leads(leads: &Leads, is_module: bool) -> Vec<(usize, &'static str)> {
    match (leads, is_module) {
        (Leads::TwoWire { .. }, true) => vec![(1, "a"), (2, "b")],
        (Leads::TwoWire { .. }, false) => vec![(0, "a"), (3, "b")],
        (Leads::ThreeWire { .. }, true) => vec![(0, "a1"), (1, "a2"), (2, "b")],
        (Leads::ThreeWire { .. }, false) => vec![(0, "a1"), (1, "a2"), (3, "b")],
        (Leads::FourWire, _) => vec![(0, "a1"), (1, "a2"), (2, "b1"), (3, "b2")],
    }
}

pub(super) fn draw(draft: &mut Draft<'_>) {
    let is_module = !draft.site.converter.one_reference;
    let channels: Vec<(String, Channel, Mounting)> = draft
        .installation
        .channels
        .iter()
        .zip(&draft.installation.settings.channels)
        .zip(&draft.site.mountings)
        .map(|((name, channel), mounting)| (name.clone(), *channel, *mounting))
        .collect();
    let references: Vec<Ohms> = channels.iter().map(|(_, channel, _)| channel.reference).collect();
    let bits = draft.installation.stated.has("converter.bits").then(|| format!("{} bit; ", draft.site.converter.bits));
    let rating = format!("{}supply and bus as the controller's board has them", bits.unwrap_or_default());
    let shared = (!is_module).then(|| draft.part('T', "converter of all thermometers", rating));
    let modules: Vec<usize> = channels
        .iter()
        .map(|(name, channel, _)| {
            shared.unwrap_or_else(|| {
                let reference = plain(ohms(channel.reference));
                draft.part(
                    'T',
                    format!("converter module of “{name}”"),
                    format!("with its reference resistor of {reference} Ω"),
                )
            })
        })
        .collect();
    draft.sheet("Thermometers");
    for (index, ((name, channel, mounting), converter)) in channels.iter().zip(&modules).enumerate() {
        draft.group();
        one(draft, (index, name, channel, mounting), *converter);
    }
    if let Some(converter) = shared {
        reference(draft, converter, references);
    }
    notes(draft, &channels, is_module);
    if is_module {
        bus(draft, &modules);
    }
}

/// One channel.
fn one(draft: &mut Draft<'_>, (index, name, channel, mounting): (usize, &str, &Channel, &Mounting), converter: usize) {
    let is_module = !draft.site.converter.one_reference;
    let leads = leads(&channel.leads, is_module);
    let is_check = matches!(channel.role, Role::Check(_));
    let (look, part) = if let Role::Check(check) = channel.role {
        let (nominal, within) = (plain(ohms(check.nominal)), plain(ohms(check.within)));
        (
            Look::Fixed,
            draft.part('R', format!("check resistor “{name}”"), format!("{nominal} Ω, must measure within {within} Ω")),
        )
    } else {
        let r0 = plain(Platinum::of(&channel.element).ohms(0.0));
        let role = match channel.role {
            Role::Pad => "thermometer on the plate",
            Role::Ambient => "thermometer in the air",
            Role::Cell | Role::Check(_) => "thermometer of the cells",
        };
        let rating =
            format!("platinum, {r0} Ω at 0 °C, {} wires, {}", leads.len(), spot(mounting, draft.site.battery.count));
        (Look::Element, draft.part('B', format!("{role} “{name}”"), rating))
    };
    let cable = format!("W{}", index + 1);
    for (terminal, element) in leads {
        let at = if is_module { MODULE[terminal].to_owned() } else { format!("{}.{}", index + 1, SHARED[terminal]) };
        let from = end(Look::Block, converter, at);
        let lead = if is_check {
            wire("check resistor, at the converter's terminals").long(Length::Short)
        } else {
            let stated = |key: &str| draft.installation.stated.has(&format!("channel[{index}].{key}"));
            let length = if stated("cable_m") { Length::Metres(mounting.cable_m) } else { Length::ByHand };
            let area = stated("cable_mm2").then_some((mounting.cable_mm2, Says::File));
            wire(format!("thermometer “{name}”")).long(length).thick(area).inside(&cable)
        };
        draft.path(from, [(lead, end(look, part, element))]);
    }
}

/// Where a thermometer sits.
pub(super) fn spot(mounting: &Mounting, batteries: usize) -> String {
    crate::plan::section::words(mounting.at, batteries)
}

/// The reference resistor that a converter for all channels measures against; one of each value.
fn reference(draft: &mut Draft<'_>, converter: usize, mut references: Vec<Ohms>) {
    references.sort_unstable();
    references.dedup();
    draft.group();
    for (value, number) in references.iter().zip(1..) {
        let ohm = plain(ohms(*value));
        let part = draft.part('R', "reference resistor, which all channels share", format!("{ohm} Ω"));
        let nth = if references.len() > 1 { number.to_string() } else { String::new() };
        for (sign, end_of_it) in [("+", "1"), ("−", "2")] {
            let from = end(Look::Block, converter, format!("REF{nth} {sign}"));
            let lead = wire("reference resistor, at the converter's terminals").long(Length::Short);
            draft.path(from, [(lead, end(Look::Fixed, part, end_of_it))]);
        }
    }
}

fn notes(draft: &mut Draft<'_>, channels: &[(String, Channel, Mounting)], is_module: bool) {
    draft.note(
        "Leads of one letter (a, b) end at one end of the element; they have one colour (IEC 60751: red at one end, white at the \
         other; from memory). A screen is connected to 0 V at the converter alone.",
    );
    let has = |wanted: fn(&Leads) -> bool| {
        channels.iter().any(|(_, channel, _)| !matches!(channel.role, Role::Check(_)) && wanted(&channel.leads))
    };
    if is_module {
        draft.note(
            "Each module has bridges for two, three or four wires, which its maker shows. Each has a reference resistor of its \
             own: a check resistor answers for its own module alone.",
        );
        return;
    }
    if has(|leads| matches!(leads, Leads::TwoWire { .. })) {
        draft.note("Two wires: at the converter I+ is bridged with U+, and U− with I−.");
    }
    if has(|leads| matches!(leads, Leads::ThreeWire { .. })) {
        draft.note(
            "Three wires: at the converter U− is bridged with I−. The lead from U+ shows what one lead has, so the leads at end \
             a belong to one cable and have one length.",
        );
    }
    draft.note(
        "All channels share the reference resistor and the converter's return. On most converters the reference is on the board: \
         then there is nothing to lay for it.",
    );
}

/// The bus from the controller to the modules, from one to the next; and to each the wire that selects it.
fn bus(draft: &mut Draft<'_>, modules: &[usize]) {
    draft.sheet("Converter modules");
    let mut before = draft.controller;
    for (module, number) in modules.iter().zip(1..) {
        draft.group();
        for (terminal, purpose) in BUS {
            let to = end(Look::Block, *module, terminal);
            draft.path(end(Look::Block, before, terminal), [(wire(purpose).long(Length::Short), to)]);
        }
        let select = wire(format!("selects the module of channel {number}")).long(Length::Short);
        draft.path(draft.controller(format!("CS {number}")), [(select, end(Look::Block, *module, "CS"))]);
        before = *module;
    }
    draft.note(
        "The wires of the bus stay below 30 cm; CLK is twisted with 0 V. On each module: 10 kΩ from CS to 3.3 V, and what its \
         board's page asks for to find a broken lead (firmware/docs/rp2040.md: 100 MΩ from RTD+ to 3VO).",
    );
}

//! `[circuit]`: cable, fuse and relays between what feeds the pad and the pad.

use super::table::Key;
use crate::installation::document::Section;
use crate::installation::row::wanted_beside;
use crate::installation::values::Reader;
use crate::si;
use crate::site::{Circuit, Contact, Relay, usual_coil_v};
use forewarm_core::settings::Settings;

/// Reads the section. Returns nothing if the file does not have it.
pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, settings: &Settings) -> Option<Circuit> {
    section.span.as_ref()?;
    let heater_v = si::volts(settings.heater.nominal);
    Some(Circuit {
        cable_m: reader.real(section, Key::CableLength),
        cable_mm2: reader.given(section, Key::CableArea),
        drop: reader.real(section, Key::Drop),
        cable_c: reader.real(section, Key::CableTemperature),
        fuse_a: reader.given(section, Key::Fuse),
        relay: Relay {
            contact: Contact {
                rated_a: reader.real(section, Key::RelayCurrent),
                rated_v: reader.real(section, Key::RelayVoltage),
                coil_w: 0.0,
            },
            coil_w: reader.real(section, Key::CoilPower),
            coil_v: reader.given(section, Key::CoilVoltage).unwrap_or_else(|| usual_coil_v(heater_v)),
        },
        pilot: pilot(reader, section),
        driver_a: reader.real(section, Key::Driver),
    })
}

/// The pilot relay: all three of its numbers, or none.
fn pilot<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<Contact> {
    let keys = [Key::PilotCurrent, Key::PilotVoltage, Key::PilotCoil];
    let values = keys.map(|key| reader.given(section, key));
    if let [Some(rated_a), Some(rated_v), Some(coil_w)] = values {
        return Some(Contact { rated_a, rated_v, coil_w });
    }
    if let Some(given) = keys.iter().find(|key| section.has(key.fact().name)) {
        for (key, value) in keys.iter().zip(values) {
            if value.is_none() {
                section.lacks(key.fact().name, wanted_beside(*key, *given));
            }
        }
    }
    None
}

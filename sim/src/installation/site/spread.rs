//! `[converter]` and `[tolerance]`: how far readings, and the real thing, may be from what is written down.

use super::table::Key;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::site::{Converter, Tolerance};

pub(super) fn converter<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Converter {
    Converter {
        bits: reader.whole(section, Key::Bits),
        current_a: reader.real(section, Key::Current),
        duty: reader.real(section, Key::Duty),
        offset_ohm: reader.real(section, Key::ConverterOffset),
        gain: reader.real(section, Key::Gain),
        noise_k: reader.real(section, Key::Noise),
        reference_tolerance: reader.real(section, Key::ReferenceTolerance),
        reference_drift: reader.real(section, Key::ReferenceDrift),
        lead_mismatch: reader.real(section, Key::LeadMismatch),
        contact_ohm: reader.real(section, Key::LeadContact),
    }
}

pub(super) fn tolerance<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Tolerance {
    Tolerance {
        pad_power: reader.real(section, Key::PadPowerSpread),
        insulation: reader.real(section, Key::InsulationSpread),
        specific_heat: reader.real(section, Key::SpecificHeatSpread),
        conductivity: reader.real(section, Key::ConductivitySpread),
        contact: reader.real(section, Key::ContactSpread),
        air_changes: reader.real(section, Key::AirChangesSpread),
        weather_k: reader.real(section, Key::WeatherSpread),
        hard_limit_k: reader.real(section, Key::HardLimitSpread),
    }
}

//! `[converter]` and `[tolerance]`: how far readings and real parts may differ from what is written down.

use super::table::Key;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::platinum::{Platinum, ohms};
use crate::site::{Converter, Tolerance};
use forewarm_core::settings::{Key as Setting, Place, Role, Settings};

/// The least noise that moves a reading in the middle of a code soon enough, as a part of a converter's code. With this
/// noise one reading in 22 has another code, and a hundred in a row are the same once in a hundred times. Computed,
/// from a normal distribution.
const LEAST_NOISE_OF_A_CODE: f64 = 0.25;

/// A reading may be off by this many standard deviations of its noise; one in 15 million is further off. Computed, from
/// a normal distribution.
const NOISE_REACH: f64 = 5.4;

/// Converters that a word stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    /// A module with a MAX31865 for each channel, as on the board of modules.
    RtdModule,
}

pub(super) fn converter<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, settings: &Settings) -> Converter {
    let kind = reader.word(section, "kind", &[("rtd_module", Kind::RtdModule)]).ok().flatten();
    let mut converter = stated(reader, section);
    match kind {
        None => {}
        Some(Kind::RtdModule) => rtd_module(&mut converter, settings, |key| section.has(key.fact().name)),
    }
    converter
}

/// What is known of such modules, where the file does not state it itself.
///
/// Source: the chip's data sheet, 19-6478, revision 3, first page: 15 bits, 0.05 % of full scale over all conditions. Its bias of 2 V is from
/// memory. The current flows for 80 ms of a second, and 100 MΩ from 3.3 V find a broken lead (`firmware/docs/rp2040.md`). A
/// reference resistor of 0.1 % and 25 ppm/K, over 40 K, and noise of a third of a code are common practice, no source.
fn rtd_module(converter: &mut Converter, settings: &Settings, is_stated: impl Fn(Key) -> bool) {
    let each = |of: fn(f64, f64) -> f64| {
        let channels = settings.channels.iter();
        channels.map(|channel| of(ohms(channel.reference), ohms(channel.element.r0()))).fold(0.0, f64::max)
    };
    let put = |key, place: &mut f64, value: f64| {
        if !is_stated(key) {
            *place = value;
        }
    };
    put(Key::Current, &mut converter.current_a, each(|reference, r0| 2.0 / (reference + r0)));
    put(Key::Duty, &mut converter.duty, 0.08);
    put(Key::ConverterOffset, &mut converter.offset_ohm, each(|reference, _| 0.0005 * reference));
    // What flows through the element besides, as a part of the 2 V over reference and element.
    put(Key::Gain, &mut converter.gain, each(|reference, r0| (3.3 / 100e6) * (reference + r0) / 2.0));
    put(Key::Noise, &mut converter.noise_k, 0.01);
    put(Key::ReferenceTolerance, &mut converter.reference_tolerance, 0.001);
    put(Key::ReferenceDrift, &mut converter.reference_drift, 0.001);
    if !is_stated(Key::Bits) {
        converter.bits = 15;
    }
    converter.one_reference = false;
}

fn stated<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Converter {
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
        contact_growth_ohm: reader.real(section, Key::ContactGrowth),
        one_reference: true,
    }
}

/// Checks that sound channels cannot all stand still for as long as the settings allow.
pub(super) fn judge(reader: &mut Reader, section: &Section, converter: &Converter, settings: &Settings) {
    let place = Place::of(Setting::StillAfter);
    let channels = (0..settings.channels.len()).map(|index| Place::at(Setting::Reference, index));
    if reader.doubts_any(section, &[Key::Bits, Key::Noise]) || channels.chain([place]).any(|place| reader.doubts(place))
    {
        return;
    }
    judge_checks(reader, converter, settings);
    let (name, noise) = (section.place("noise_mk"), converter.noise_k * 1000.0);
    let Some(after) = settings.trust.still_after else {
        let message = format!("{place} is \"never\": nothing finds a converter that repeats its last codes for ever");
        let why = "all readings may then stay where they were while the bank freezes, and it is charged";
        let remedy = "leave it out, with converter.bits and noise_mk as they are";
        let span = reader.span(place).cloned();
        reader.findings.add(Severity::Warning, span.as_ref(), &place.to_string(), message, Some(why), remedy);
        return;
    };
    let code_k = |channel: &forewarm_core::settings::Channel| {
        ohms(channel.reference) / f64::from(1_u32 << converter.bits) / Platinum::of(&channel.element).slope(0.0)
    };
    let finest_k = settings.channels.iter().map(code_k).fold(f64::INFINITY, f64::min);
    if converter.noise_k < LEAST_NOISE_OF_A_CODE * finest_k {
        let message = format!(
            "{name} is {noise} mK, and one code of the converter is {:.0} mK or more: no reading moves by its noise alone",
            finest_k * 1000.0
        );
        let why = format!(
            "sound channels may all stand still for {place} = {} min, and are then taken for frozen: both outputs go off",
            after.as_millis() / 60_000
        );
        let remedy =
            "more bits, or a smaller reference_ohm; noise_mk as it is measured; or trust.still_after_min = \"never\"";
        let span = section.key_span("noise_mk").or_else(|| section.key_span("bits"));
        reader.findings.add(Severity::Warning, span.as_ref(), &name, message, Some(&why), remedy);
    }
}

/// Checks whether sound parts may leave the bands of the check resistors.
fn judge_checks(reader: &mut Reader, converter: &Converter, settings: &Settings) {
    for (index, channel) in settings.channels.iter().enumerate() {
        let place = Place::at(Setting::CheckWithin, index);
        let Role::Check(check) = channel.role else { continue };
        if reader.doubts(place) || reader.doubts(Place::at(Setting::CheckOhm, index)) {
            continue;
        }
        let (nominal, within) = (ohms(check.nominal), ohms(check.within));
        let parts = converter.gain + converter.reference_tolerance + converter.reference_drift;
        let noise_ohm = NOISE_REACH * converter.noise_k * Platinum::of(&channel.element).slope(0.0) * nominal
            / ohms(channel.element.r0());
        let code_ohm = ohms(channel.reference) / f64::from(1_u32 << converter.bits);
        let needed = nominal * parts + converter.offset_ohm + noise_ohm + code_ohm / 2.0;
        if within >= needed {
            continue;
        }
        let shown = place.to_string();
        let within = (within * 1000.0).round() / 1000.0;
        let message = format!(
            "{shown} is {within} Ω, and what [converter] says of gain, offset, reference, noise and codes comes to {needed:.3} Ω"
        );
        let why = "a converter that is as good as it says would be taken for a wrong one, and both outputs go off";
        let remedy = format!(
            "check_within_ohm = {:.2}, the resistor's own tolerance added; or better parts",
            (needed * 100.0).ceil() / 100.0
        );
        let span = reader.span(place).cloned();
        reader.findings.add(Severity::Warning, span.as_ref(), &shown, message, Some(why), remedy);
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
        film: reader.real(section, Key::FilmSpread),
        pad_place_m: reader.real(section, Key::PadPlaceSpread),
        air_share: reader.real(section, Key::AirShareSpread),
        weather_k: reader.real(section, Key::WeatherSpread),
        hard_limit_k: reader.real(section, Key::HardLimitSpread),
    }
}

//! One `[[channel]]`: where a thermometer sits, which element it is, how it is wired.

use super::document::Section;
use super::values::{Doubt, Reader, Told, signed, unsigned};
use crate::diagnostic::Severity;
use forewarm_core::quantity::{Celsius, Kelvins, Ohms};
use forewarm_core::rtd::{CalibrationError, Coefficients, Element, Leads, NotPlatinum};
use forewarm_core::settings::{Channel, Check, Key, Place, Role};

/// Reads the channel at `index`.
pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, index: usize) -> Channel {
    // The keys of the resistor itself say what it is.
    let unknown = Role::Check(Check { nominal: Ohms::ZERO, within: Ohms::ZERO });
    let roles = [("cell", Role::Cell), ("pad", Role::Pad), ("ambient", Role::Ambient), ("check", unknown)];
    let role = reader.required_word(section, "role", &roles);
    if role.is_none() {
        reader.doubt(Doubt::Role);
    }
    if role == Some(unknown) {
        return check(reader, section, index);
    }
    let element = element(reader, section).unwrap_or_else(|Told| {
        reader.doubt(Doubt::Element(index));
        Element::pt100()
    });
    Channel {
        role: role.unwrap_or(Role::Ambient),
        element,
        reference: reader.ohms(section, Place::at(Key::Reference, index)),
        leads: leads(reader, section, index),
        offset: reader.kelvins(section, Place::at(Key::Offset, index)),
    }
}

/// A fixed resistor in place of a thermometer. It sits at the terminals, so no lead is subtracted.
fn check<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, index: usize) -> Channel {
    let ohms = |value: i64| Ohms::from_milliohms(unsigned(value));
    let nominal = ohms(reader.required(section, Place::at(Key::CheckOhm, index)));
    let within = ohms(reader.required(section, Place::at(Key::CheckWithin, index)));
    Channel {
        role: Role::Check(Check { nominal, within }),
        element: Element::pt100(),
        reference: reader.ohms(section, Place::at(Key::Reference, index)),
        leads: Leads::FourWire,
        offset: Kelvins::ZERO,
    }
}

/// The element, with what the file says of this specimen.
fn element<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Result<Element, Told> {
    // Everything is read before anything is judged. So no fault hides another.
    let kind = nominal(reader, section);
    let own_r0 = section.has("r0_ohm");
    let measured = reader.number(section, "ice_point_ohm", 6, "in ohms, as measured in melting ice");
    let points = calibration(reader, section);
    let (element, measured, points) = (kind?, measured?, points?);
    let calibrated = match (measured, points) {
        (None, None) => return Ok(element),
        (Some(_), Some(_)) => {
            let remedy = "one of the two; two points say more than the ice point alone";
            return Err(contradiction(reader, section, "ice_point_ohm", "calibration", remedy));
        }
        (Some(_), None) if own_r0 => {
            let remedy = "one of the two: both are the resistance at 0 °C";
            return Err(contradiction(reader, section, "ice_point_ohm", "r0_ohm", remedy));
        }
        (Some(ohm), None) => element
            .calibrated_at_ice_point(micro_ohms(ohm))
            .map_err(|fault| not_platinum(reader, section, "ice_point_ohm", fault))?,
        (None, Some([first, second])) => element.calibrated_at(first, second).map_err(|fault| {
            let remedy = match fault {
                CalibrationError::TooClose => "points further apart: melting ice and a warm bath",
                CalibrationError::OutOfRange => "two points between -200 and 850 °C",
                CalibrationError::NotPlatinum(_) => "measure both again, with the leads taken away from the ohms",
            };
            reader.findings.error(
                section.key_span("calibration").as_ref(),
                &section.place("calibration"),
                fault.to_string(),
                remedy,
            );
            Told
        })?,
    };
    let (nominal, own) = (element.r0().as_micro_ohms(), calibrated.r0().as_micro_ohms());
    if nominal.abs_diff(own) * 100 > nominal {
        let key = if measured.is_some() { "ice_point_ohm" } else { "calibration" };
        let message = format!("{} moves the ice point by more than 1 %, over 2.5 K", section.place(key));
        let why = Some("an element of class C is within 0.3 % when it leaves its maker; lead resistance reads warm");
        let remedy = "measure again with four wires, in melting ice that has settled";
        reader.findings.add(
            Severity::Warning,
            section.key_span(key).as_ref(),
            &section.place(key),
            message,
            why,
            remedy,
        );
    }
    Ok(calibrated)
}

/// The element by its type or its certificate.
fn nominal<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Result<Element, Told> {
    let types = [("pt100", Element::pt100()), ("pt500", Element::pt500()), ("pt1000", Element::pt1000())];
    let kind = reader.word(section, "element", &types);
    let r0 = reader.number(section, "r0_ohm", 6, "in ohms, 1 to 16000");
    let a = reader.number(section, "a_per_c", 10, "as 3.9083e-3");
    let b = reader.number(section, "b_per_c2", 14, "as -5.775e-7");
    let c = reader.number(section, "c_per_c4", 19, "as -4.183e-12");
    let (kind, r0, a, b, c) = (kind?, r0?, a?, b?, c?);
    let own = ["a_per_c", "b_per_c2", "c_per_c4"].into_iter().find(|key| section.has(key));
    let r0 = match (kind, r0) {
        (Some(_), Some(_)) => {
            let remedy = "one of the two: r0_ohm for an element with values of its own, element for a nominal one";
            return Err(contradiction(reader, section, "r0_ohm", "element", remedy));
        }
        (Some(element), None) => match own {
            None => return Ok(element),
            Some(own) => {
                let remedy = "r0_ohm in place of element: a certificate that gives coefficients gives R0 with them";
                return Err(contradiction(reader, section, own, "element", remedy));
            }
        },
        (None, None) => {
            section.lacks("element", "element = \"pt100\", \"pt500\" or \"pt1000\"; or r0_ohm for any other");
            return Err(Told);
        }
        (None, Some(r0)) => r0,
    };
    let coefficients = match (a, b, c) {
        (None, None, None) => Coefficients::IEC_60751,
        (Some(a), Some(b), c) => {
            // C matters only below 0 °C. It is the same for every industrial element, as far as a certificate can show.
            let c = c.map_or(-41_830_000, signed);
            Coefficients::new(signed(a), signed(b), c).map_err(|fault| {
                let key = match fault {
                    NotPlatinum::B => "b_per_c2",
                    NotPlatinum::C => "c_per_c4",
                    NotPlatinum::A | NotPlatinum::IcePointResistance => "a_per_c",
                };
                not_platinum(reader, section, key, fault)
            })?
        }
        _ => {
            for (key, value) in [("a_per_c", a), ("b_per_c2", b)] {
                if value.is_none() {
                    section.lacks(key, "a_per_c and b_per_c2 together, as the certificate gives them; or neither");
                }
            }
            return Err(Told);
        }
    };
    Element::new(micro_ohms(r0), coefficients).map_err(|fault| not_platinum(reader, section, "r0_ohm", fault))
}

/// Two measured points, if there are any.
fn calibration<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Result<Option<[(Celsius, Ohms); 2]>, Told> {
    let form = "calibration = [ { at_c = 0, ohm = 100.02 }, { at_c = 40, ohm = 115.56 } ]";
    let span = section.key_span("calibration");
    let points = section.list("calibration", 2, form, &mut reader.findings).ok_or(Told)?;
    let mut read = Vec::new();
    let mut fault = false;
    for mut point in points {
        let at = reader.number(&mut point, "at_c", 3, "in °C");
        let ohm = reader.number(&mut point, "ohm", 6, "in ohms, without the leads");
        for (key, value) in [("at_c", &at), ("ohm", &ohm)] {
            if matches!(value, Ok(None)) {
                point.lacks(key, form);
            }
        }
        match (at, ohm) {
            (Ok(Some(at)), Ok(Some(ohm))) => read.push((Celsius::from_millidegrees(signed(at)), micro_ohms(ohm))),
            _ => fault = true,
        }
        point.finish(&mut reader.findings);
    }
    match *read {
        _ if fault => Err(Told),
        [first, second] => Ok(Some([first, second])),
        [] if span.is_none() => Ok(None),
        _ => {
            let place = section.place("calibration");
            reader.findings.error(span.as_ref(), &place, format!("{place} is not two points"), form);
            Err(Told)
        }
    }
}

fn leads<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, index: usize) -> Leads {
    #[derive(Clone, Copy)]
    enum Wires {
        Two,
        Three,
        Four,
    }
    let words = [("2-wire", Wires::Two), ("3-wire", Wires::Three), ("4-wire", Wires::Four)];
    let wires = reader.required_word(section, "wiring", &words);
    let lead_keys = [Key::LeadLoop, Key::LeadTemperature].map(|key| key.fact().name);
    let loop_given = section.has(lead_keys[0]);
    let loop_at_20c = reader.optional(section, Place::at(Key::LeadLoop, index)).unwrap_or(0);
    let at = reader.celsius(section, Place::at(Key::LeadTemperature, index));
    let tap_keys = [Key::LeadLeast, Key::LeadMost];
    let [least, most] = tap_keys.map(|key| reader.optional(section, Place::at(key, index)));
    if !matches!(wires, Some(Wires::Three) | None) {
        for key in tap_keys.map(|key| key.fact().name).into_iter().filter(|key| section.has(key)) {
            let place = section.place(key);
            let message = format!("{place} does not belong to two or four wires, of which no lead is measured alone");
            let remedy = format!("leave out {key}; or wiring = \"3-wire\", if it is");
            reader.findings.error(section.key_span(key).as_ref(), &place, message, remedy);
        }
    }
    let three_or_four = match wires {
        Some(Wires::Two) => {
            if !loop_given && section.has(lead_keys[1]) {
                section.lacks(
                    lead_keys[0],
                    "lead_loop_ohm, the resistance of both leads at 20 °C; lead_c has no use without it",
                );
            } else if !loop_given {
                let place = section.place("wiring");
                let message = format!("{place} is \"2-wire\", and the lead resistance is not stated");
                let why = "lead resistance reads warm, the dangerous way: 10 m of 0.5 mm² read 2 K warm on a Pt100";
                let remedy = "lead_loop_ohm as measured with the far end bridged; better, a third or fourth wire";
                let span = section.key_span("wiring");
                reader.findings.add(Severity::Warning, span.as_ref(), &place, message, Some(why), remedy);
            }
            return Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(unsigned(loop_at_20c)), at };
        }
        // A bound that is not stated may follow from the cable: see `site::bound_leads`.
        Some(Wires::Three) => {
            let (nothing, anything) = Leads::THREE_WIRE.band().unwrap_or((Ohms::ZERO, Ohms::MAX));
            let stated = |value: i64| Ohms::from_milliohms(unsigned(value));
            Leads::ThreeWire { least: least.map_or(nothing, stated), most: most.map_or(anything, stated) }
        }
        Some(Wires::Four) => Leads::FourWire,
        None => return Leads::FourWire,
    };
    for key in lead_keys {
        if section.has(key) {
            let place = section.place(key);
            let message = format!("{place} does not belong to three or four wires, which compensate their leads");
            let remedy = format!("leave out {key}; or wiring = \"2-wire\", if it is");
            reader.findings.error(section.key_span(key).as_ref(), &place, message, remedy);
        }
    }
    three_or_four
}

fn contradiction(reader: &mut Reader, section: &Section, key: &str, other: &str, remedy: &str) -> Told {
    let place = section.place(key);
    let message = format!("{place} does not go with {other}");
    reader.findings.error(section.key_span(key).as_ref(), &place, message, remedy);
    Told
}

fn not_platinum(reader: &mut Reader, section: &Section, key: &str, fault: NotPlatinum) -> Told {
    let place = section.place(key);
    let remedy = match fault {
        NotPlatinum::IcePointResistance => "the resistance at 0 °C in ohms: 100 for a Pt100",
        NotPlatinum::A | NotPlatinum::B | NotPlatinum::C => {
            "the values of the certificate (3.9083e-3, -5.775e-7 and -4.183e-12 are nominal), or leave all three out"
        }
    };
    reader.findings.error(section.key_span(key).as_ref(), &place, format!("{place}: {fault}"), remedy);
    Told
}

/// A value that is too small becomes zero, which no element accepts.
fn micro_ohms(value: i64) -> Ohms {
    Ohms::from_micro_ohms(u64::try_from(value).unwrap_or(0))
}

//! The bounds of a lead's resistance in three-wire wiring, from its cable. A tap that reads anything else makes its
//! channel doubtful.

use super::table::Key;
use crate::conductor::copper_factor;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::values::{Doubt, Reader};
use crate::platinum::{Platinum, ohms};
use crate::site::{Converter, Mounting, Site, step_ohm};
use forewarm_core::quantity::Ohms;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Channel, Key as Setting, Place, Role, Settings};

/// How far a conductor's resistance may differ from what its length and section give, either way. Lengths are paced
/// out, a section is only a name, and IEC 60228 states only the highest resistance for it. Common practice, no source.
const CABLE_TOLERANCE: f64 = 0.25;

/// The coldest and the warmest that leads become (°C). Common practice, no source.
const LEADS_C: (f64, f64) = (-40.0, 60.0);

/// A reading may be off by this many standard deviations of its noise; one in 15 million is further off. Computed, from
/// a normal distribution.
const NOISE_REACH: f64 = 5.4;

/// Bounds each lead of three wires by its cable, where the file does not state the bounds. Warns if nothing gives them.
pub(in crate::installation) fn bound_leads<'t>(
    reader: &mut Reader<'t>,
    sections: &[Section<'t>],
    settings: &mut Settings,
    site: Option<&Site>,
) {
    for (index, (section, channel)) in sections.iter().zip(&mut settings.channels).enumerate() {
        let Leads::ThreeWire { least, most } = channel.leads else { continue };
        let stated = [Setting::LeadLeast, Setting::LeadMost].map(|key| section.has(key.fact().name));
        let cable = [Key::SensorCable, Key::SensorArea];
        let is_doubtful = reader.doubts(Place::at(Setting::Reference, index))
            || reader.doubts(Doubt::Element(index))
            || reader.doubts_any(section, &cable);
        if stated == [true; 2] || is_doubtful {
            continue;
        }
        let knows_cable = section.has("cable_m") && section.has("cable_mm2");
        match site.and_then(|site| Some((site.mountings.get(index)?, &site.converter))).filter(|_| knows_cable) {
            Some((mounting, converter)) => {
                let (by_cable_least, by_cable_most) = lead_band(channel, mounting, converter);
                channel.leads = Leads::ThreeWire {
                    least: if stated[0] { least } else { by_cable_least },
                    most: if stated[1] { most } else { by_cable_most },
                };
            }
            None if !stated[0] && !matches!(channel.role, Role::Check(_)) => warn(reader, section),
            None => {}
        }
    }
}

/// The least and the most that the tap at one lead can read. This is half of the cable's resistance there and back, at
/// its coldest and its warmest, and the converter's offset at zero.
fn lead_band(channel: &Channel, mounting: &Mounting, converter: &Converter) -> (Ohms, Ohms) {
    let lead_ohm = mounting.loop_ohm_20c / 2.0;
    let noise_ohm = NOISE_REACH * converter.noise_k * Platinum::of(&channel.element).slope(0.0);
    let off_ohm = converter.offset_ohm + step_ohm(ohms(channel.reference), converter.bits) + noise_ohm;
    let least = lead_ohm * (1.0 - CABLE_TOLERANCE) * copper_factor(LEADS_C.0) - off_ohm;
    let most = lead_ohm * (1.0 + CABLE_TOLERANCE) * copper_factor(LEADS_C.1) + converter.contact_ohm + off_ohm;
    let highest = Setting::LeadMost.fact().maximum;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_precision_loss,
        clippy::cast_sign_loss,
        reason = "held within the setting's range first"
    )]
    let milliohms = |ohm: f64| Ohms::from_milliohms((ohm * 1000.0).clamp(0.0, highest as f64) as u32);
    // Rounds outwards, so that the two are never the same.
    (milliohms(least), milliohms(most + 0.001))
}

fn warn<'t>(reader: &mut Reader<'t>, section: &Section<'t>) {
    let place = section.place("wiring");
    let message =
        format!("{place} is \"3-wire\", and nothing says what one lead has: a tap that reads zero would be believed");
    let why = "each ohm of lead that is not taken away reads 2.6 K warm on a Pt100, and cold cells are charged";
    let remedy = "cable_m and cable_mm2 of its cable; or lead_least_ohm and lead_most_ohm, around what one lead was measured to have";
    let span = section.key_span("wiring");
    reader.findings.add(Severity::Warning, span.as_ref(), &place, message, Some(why), remedy);
}

#[cfg(test)]
mod tests {
    use super::super::super::Installation;
    use super::*;
    use crate::installation::starter::starter;
    use proptest::prelude::*;

    /// The band of the first channel in ohms, with `lines` in place of its wiring and `converter` in `[converter]`; and the warnings.
    fn band(lines: &str, converter: &str) -> ((f64, f64), Vec<String>) {
        let wired = starter().replacen("wiring = \"4-wire\"", &format!("wiring = \"3-wire\"\n{lines}"), 1);
        let text = wired.replacen("\n[converter]\n", &format!("\n[converter]\n{converter}\n"), 1);
        let installation = Installation::parse("starter", &text).expect("no error");
        let (least, most) = installation.settings.channels[0].leads.band().expect("three wires");
        ((ohms(least), ohms(most)), installation.warnings.iter().map(|warning| warning.message.to_string()).collect())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// By the resistivity of copper, 0.01724 Ω mm²/m at 20 °C and 0.00393/K (IEC 60028), not by the table of sizes: what a good tap reads
        /// is believed.
        #[test]
        fn what_the_cable_has_is_believed_at_each_temperature(
            length_m in 1..100_u32, mm2 in prop::sample::select(&[0.22, 0.25, 0.34, 0.5, 0.75, 1.5][..]), t_c in -40.0..60.0_f64,
            offset_part in -1.0..1.0_f64, contact_part in 0.0..1.0_f64,
        ) {
            let ((least, most), warnings) = band(&format!("cable_m = {length_m}\ncable_mm2 = {mm2}"), "");
            let lead = f64::from(length_m) * 0.017_24 / mm2 * (1.0 + 0.003_93 * (t_c - 20.0));
            let read = lead + 0.01 * offset_part + 0.02 * contact_part;
            prop_assert!((least..=most).contains(&read), "{} in {}..{}", read, least, most);
            prop_assert!(most <= 2.2 * f64::from(length_m) * 0.039 * 0.5 / mm2 + 0.3, "{most} hides a contact of some ohms");
            prop_assert!(warnings.iter().all(|warning| !warning.contains("3-wire")), "{warnings:?}");
        }
    }

    #[test]
    fn a_tap_at_zero_is_found_where_it_would_matter() {
        // 2 Ω in one lead.
        let ((least, _), _) = band("cable_m = 25.6\ncable_mm2 = 0.25", "");
        assert!(least > 0.8, "{least}");
        // A converter that is off by more than the lead has cannot tell the two apart, and must not try.
        let ((least, most), _) = band("cable_m = 25.6\ncable_mm2 = 0.25", "offset_ohm = 4");
        assert!(least == 0.0 && most > 6.0, "{least} {most}");
    }

    #[test]
    fn what_is_stated_goes_before_what_follows_from_the_cable() {
        let cable = "cable_m = 25.6\ncable_mm2 = 0.25";
        let ((least, most), warnings) = band(&format!("{cable}\nlead_least_ohm = 1.6\nlead_most_ohm = 2.4"), "");
        assert!((least - 1.6).abs() < 1e-4 && (most - 2.4).abs() < 1e-4, "{least} {most}");
        assert_eq!(warnings, Vec::<String>::new());
        let ((least, most), _) = band(&format!("{cable}\nlead_least_ohm = 1.6"), "");
        assert!((least - 1.6).abs() < 1e-4 && (2.4..5.0).contains(&most), "{least} {most}");
    }

    #[test]
    fn three_wires_of_which_nothing_is_known_are_a_warning() {
        for lines in ["", "cable_m = 3", "cable_mm2 = 0.5"] {
            let (band, warnings) = band(lines, "");
            assert_eq!(band, (0.0, 100.0));
            assert!(
                warnings.iter().any(|warning| warning.contains("a tap that reads zero would be believed")),
                "{warnings:?}"
            );
        }
    }
}

//! `[site]`: where the box stands.

use super::table::Key;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::row::range;
use crate::installation::values::Reader;
use crate::site::{Place, StandsOn};

pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, in_room: bool) -> Place {
    Place {
        design_min_c: reader.real(section, Key::DesignMin),
        design_wind_m_s: reader.real(section, Key::DesignWind),
        exposure: exposure(reader, section, in_room),
        stands_on: stands_on(reader, section),
    }
}

/// The exposure to wind. A room has none, whatever the default says. A file that states both a room and wind means only
/// one of the two.
fn exposure<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, in_room: bool) -> f64 {
    let exposure = reader.real(section, Key::Exposure);
    if !in_room {
        return exposure;
    }
    if !section.has("exposure_pct") {
        return 0.0;
    }
    if exposure > 0.0 {
        let message = "site.exposure_pct does not go with [room]";
        let why =
            Some("no wind reaches a box in a room, and the air of one that the wind blows through is outside air");
        let remedy = "leave out exposure_pct; or [room], for a box in the wind";
        let span = section.key_span("exposure_pct");
        reader.findings.add(Severity::Error, span.as_ref(), "site.exposure_pct", message, why, remedy);
    }
    exposure
}

fn stands_on<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> StandsOn {
    let on_ground = reader.word(section, "stands_on", &[("air", false), ("ground", true)]);
    let ground_c = reader.given(section, Key::Ground);
    match (on_ground, ground_c) {
        (Ok(Some(true)), Some(ground_c)) => return StandsOn::Ground(ground_c),
        (Ok(Some(true)), None) => {
            let range = range(Key::Ground.fact());
            section
                .lacks("ground_c", format!("ground_c, the temperature of what is under the box in winter ({range})"));
        }
        (Ok(Some(false) | None), Some(_)) => {
            let message = "site.ground_c does not go with a box that has air under it";
            let remedy = "stands_on = \"ground\"; or leave out ground_c";
            reader.findings.error(section.key_span("ground_c").as_ref(), "site.ground_c", message, remedy);
        }
        (Ok(Some(false) | None), None) | (Err(_), _) => {}
    }
    StandsOn::Air
}

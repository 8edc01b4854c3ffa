//! `[site]`: where the box stands.

use super::table::Key;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::site::{Place, StandsOn};

pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Place {
    Place {
        design_min_c: reader.real(section, Key::DesignMin),
        design_wind_m_s: reader.real(section, Key::DesignWind),
        exposure: reader.real(section, Key::Exposure),
        stands_on: stands_on(reader, section),
    }
}

fn stands_on<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> StandsOn {
    let on_ground = reader.word(section, "stands_on", &[("air", false), ("ground", true)]);
    let ground_c = reader.given(section, Key::Ground);
    match (on_ground, ground_c) {
        (Ok(Some(true)), Some(ground_c)) => return StandsOn::Ground(ground_c),
        (Ok(Some(true)), None) => {
            let range = Key::Ground.fact().range();
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

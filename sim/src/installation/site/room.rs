//! `[room]`: the room around the box, where it does not stand in outside air.

use super::table::Key;
use crate::installation::document::Section;
use crate::installation::row::range;
use crate::installation::values::Reader;
use crate::site::Room;

pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<Room> {
    let warmer_k = reader.real(section, Key::RoomWarmer);
    let temperature_c = reader.given(section, Key::RoomTemperature);
    let schedule = super::schedule(reader, section);
    match (temperature_c.is_some(), section.has("schedule")) {
        (true, false) => section.lacks(
            "schedule",
            "schedule = \"sat 10:00-22:00, sun 09:00-15:00\", when the room is that warm; or leave out temperature_c",
        ),
        (false, true) => {
            let range = range(Key::RoomTemperature.fact());
            section.lacks(
                "temperature_c",
                format!("temperature_c, what the room is at least then ({range}); or leave out schedule"),
            );
        }
        (true, true) | (false, false) => {}
    }
    section.span.is_some().then(|| Room { warmer_k, scheduled: temperature_c.zip(schedule) })
}

//! The facts for a picture of the bank's warmth: the steady state in which the heater holds the coldest place at
//! release.

use super::Subject;
use super::thermal::{Shapes, air_of, hold_w};
use crate::chart::{Thermometer, Warmth};
use crate::figures::{fixed, plain};
use crate::plant::Heat;
use crate::si::{self, celsius};
use crate::site::{Spot, StandsOn};

/// The picture's facts for an installation; `shapes` are those of its site.
#[must_use]
pub fn warmth(subject: &Subject, shapes: &Shapes) -> Warmth {
    let Subject { title, channels, settings, site, .. } = *subject;
    let plant = shapes.plant(site);
    let air = air_of(site, site.design_air_c());
    let release_c = celsius(settings.charge.release);
    let needs_w = hold_w(&plant, air, release_c);
    let found = plant.sections(site, air.outside_c, air.wind_m_s, Heat { heater_w: needs_w, bank_w: 0.0 });
    let minimum = plain(site.place.design_min_c);
    let around = match &site.room {
        Some(_) => format!("{} °C in the room, {minimum} °C outside", plain(air.outside_c)),
        None => format!("{minimum} °C, {} m/s of wind", plain(site.place.design_wind_m_s)),
    };
    let under = match site.place.stands_on {
        StandsOn::Air => String::new(),
        StandsOn::Ground(ground_c) => format!(", {} °C under the box", plain(ground_c)),
    };
    let heater_w = si::watts(settings.heater.power);
    let held = if needs_w > 0.0 {
        let short =
            if needs_w > heater_w { format!(", more than the heater's {} W", plain(heater_w)) } else { String::new() };
        format!("{} W hold the coldest place at release, {} °C{short}", fixed(needs_w, 0), plain(release_c))
    } else {
        format!("without heat the coldest place stays above release, {} °C", plain(release_c))
    };
    let thermometers = site.mountings.iter().zip(&found.temperatures.sensors_c).enumerate();
    let thermometers = thermometers.map(|(index, (mounting, reads_c))| Thermometer {
        name: channels.get(index).cloned().unwrap_or_default(),
        at: words(mounting.at, site.battery.count),
        reads_c: *reads_c,
    });
    Warmth {
        title: title.to_owned(),
        state: typeset(&format!("Steady state at the design minimum ({around}{under}): {held}.")),
        coldest_c: found.temperatures.coldest_cell_c(),
        coldest_at: found.coldest.to_string(),
        thermometers: thermometers.collect(),
        air_c: found.temperatures.air_c,
        outside_c: air.outside_c,
        around: if site.room.is_some() { "room" } else { "outside" }.to_owned(),
        planes: found.planes,
    }
}

/// Numbers with true minus signs and with units that stay on their line.
fn typeset(sentence: &str) -> String {
    let words: Vec<&str> = sentence.split(' ').collect();
    let mut out = String::new();
    for (index, word) in words.iter().enumerate() {
        let is_number =
            |word: &str| word.trim_start_matches(['-', '(']).starts_with(|first: char| first.is_ascii_digit());
        let minus = if is_number(word) { word.replace('-', "−") } else { (*word).to_owned() };
        if index > 0 {
            let is_unit = is_number(words[index - 1]);
            out.push(if is_unit { '\u{a0}' } else { ' ' });
        }
        out.push_str(&minus);
    }
    out
}

/// Where a thermometer sits.
pub(crate) fn words(at: Spot, batteries: usize) -> String {
    let on = |place: &str, battery: usize| format!("{place} of battery {}", battery + 1);
    match at {
        Spot::Plate => "on the plate".to_owned(),
        Spot::Air => "in the air".to_owned(),
        // The last battery is next to the one before it.
        Spot::Between(battery) if batteries > 1 => {
            let first = battery.min(batteries - 2);
            format!("between batteries {} and {}", first + 1, first + 2)
        }
        Spot::Between(battery) => on("side", battery),
        Spot::Base(battery) => on("base", battery),
        Spot::Top(battery) => on("top", battery),
        Spot::Side(battery) => on("outer side", battery),
        Spot::End(battery) => on("end", battery),
        Spot::Bottom(battery) => format!("beneath battery {}", battery + 1),
        Spot::Terminal(battery) => on("terminal", battery),
        Spot::Point(battery, at_m) => {
            let [along, across, up] = at_m.map(|metres| plain((metres * 1000.0).round()));
            format!("battery {}, {along} mm along, {across} mm across, {up} mm up", battery + 1)
        }
    }
}

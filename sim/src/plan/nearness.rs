//! Where the coldest place of the bank is, how far the thermometers are from it, and what would narrow the guard band.

use super::placement::Placements;
use super::thermal::{Shapes, Thermal, placed_for_k, placed_k};
use super::thresholds::answers_for;
use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain};
use crate::finding::{Finding, Part, Remedy};
use crate::plant::{Air, Heat, Place};
use crate::site::{Site, Spot};
use forewarm_core::settings::{Role, Settings};
use serde::Serialize;

/// A place that is nearer to the coldest place by less than this is not worth the work of moving a thermometer (K).
const WORTH_K: f64 = 0.3;

/// From the edges of a case to the middle of a thermometer taped to its corner (m). Common practice, no source.
const FROM_EDGE_M: f64 = 0.02;

/// The coldest place of the bank in the steady state in which the heater holds it at release.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Coldest {
    /// In words.
    pub place: String,
    /// The battery, counted from 1.
    pub battery: usize,
    /// Distance from the corner of the battery where each of these is 0: along its length, across it, and up (mm).
    pub from_corner_mm: [f64; 3],
    /// How far each cell channel is from that place and from the reading it should show.
    pub channels: Vec<Nearness>,
}

/// A cell channel against the coldest place.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Nearness {
    /// Its name.
    pub channel: String,
    /// From the thermometer to the coldest place (mm); `null` if the thermometer hangs in the air.
    pub distance_mm: Option<f64>,
    /// How far the surroundings can be above the coldest place that the channel answers for (K). This is the largest
    /// value of all situations, with everything as written down.
    pub above_k: f64,
    /// The place where that would be least; `null` if the thermometer sits well.
    pub better: Option<Better>,
}

/// A place for a thermometer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Better {
    /// In the words of the file.
    pub at: String,
    /// [`Nearness::above_k`] at that place.
    pub above_k: f64,
    /// What to write in the file.
    #[serde(skip)]
    pub edits: Remedy,
}

/// What to write so that a channel sits at `spot`, which `word` names.
fn moved(channel: usize, word: &str, spot: Spot) -> Remedy {
    let home = Home::Channel(channel);
    let battery = spot.battery().unwrap_or(0) + 1;
    #[expect(clippy::cast_precision_loss, reason = "8 at most")]
    let battery = Edit::number(home, "battery", battery as f64);
    let mut edits = vec![Edit::word(home, "at", word), battery];
    let keys = ["along_mm", "across_mm", "up_mm"];
    edits.extend(match spot {
        Spot::Point(_, point_m) => {
            [0, 1, 2].map(|axis| Edit::number(home, keys[axis], (point_m[axis] * 1000.0).round()))
        }
        _ => keys.map(|key| Edit::away(home, key)),
    });
    edits
}

impl Coldest {
    /// `names` and `placements` are those of the channels; `shapes` those of the site. It `looks` for better places, or
    /// leaves that.
    pub(super) fn of(
        settings: &Settings,
        site: &Site,
        names: &[String],
        (thermal, placements): (&Thermal, &[Placements]),
        shapes: &Shapes,
        looks: bool,
    ) -> Self {
        let plant = shapes.plant(site);
        let air = Air { outside_c: thermal.design_air_c, slope_k_per_s: 0.0, wind_m_s: thermal.design_wind_m_s };
        let held = Heat { heater_w: thermal.hold_w.value.max(0.0), bank_w: 0.0 };
        let coldest = plant.coldest(&plant.steady(air.outside_c, air.wind_m_s, held));
        let above_k = |channel: usize| {
            let Placements { given, kept, .. } = &placements[channel];
            given.warm_bias_k.max(kept.warm_bias_k)
        };
        let cells = settings.channels.iter().enumerate().filter(|(_, channel)| channel.role == Role::Cell);
        let channels = cells.map(|(index, _)| {
            let better = looks.then(|| better(settings, site, shapes, index, &coldest)).flatten();
            Nearness {
                channel: names.get(index).cloned().unwrap_or_default(),
                distance_mm: plant
                    .distance_m(&coldest, site.mountings[index].at)
                    .map(|metres| (metres * 1000.0).round()),
                above_k: above_k(index),
                better: better.filter(|better| better.above_k < above_k(index) - WORTH_K),
            }
        });
        Self {
            channels: channels.collect(),
            place: coldest.to_string(),
            battery: coldest.battery + 1,
            from_corner_mm: coldest.from_corner_m.map(|metres| (metres * 1000.0).round()),
        }
    }
}

/// The place on the channel's batteries that would show most nearly the temperature of the coldest place of all of
/// them. Wherever the thermometer moves, it still answers for the same batteries.
fn better(settings: &Settings, site: &Site, shapes: &Shapes, channel: usize, coldest: &Place) -> Option<Better> {
    let count = site.battery.count;
    let answered: Vec<Vec<usize>> = site.mountings.iter().map(|mounting| answers_for(mounting.at, count)).collect();
    let case_m = [site.battery.length_m, site.battery.width_m, site.battery.height_m];
    let places = answered[channel].iter().copied().flat_map(|battery| {
        let number = battery + 1;
        let on = move |word: &'static str| (word, format!("at = \"{word}\", battery = {number}"));
        let mut places = vec![(Spot::Top(battery), on("top")), (Spot::End(battery), on("end"))];
        if battery == 0 || number == count {
            places.push((Spot::Side(battery), on("side")));
        }
        if battery == coldest.battery {
            // On the nearest face of the case, as near as a fitter can tape a thermometer.
            let [along, across, up] =
                [0, 1, 2].map(|axis| coldest.from_corner_m[axis].clamp(FROM_EDGE_M, case_m[axis] - FROM_EDGE_M));
            let faces = [
                ([along, across, case_m[2]], case_m[2] - up),
                ([0.0, across, up], along),
                ([case_m[0], across, up], case_m[0] - along),
            ];
            let nearest = faces.into_iter().min_by(|a, b| a.1.total_cmp(&b.1));
            places.extend(nearest.map(|(point, _)| {
                let [x, y, z] = point.map(|metres| plain((metres * 1000.0).round()));
                let file = format!("at = \"point\", battery = {number}, along_mm = {x}, across_mm = {y}, up_mm = {z}");
                (Spot::Point(battery, point), ("point", file))
            }));
        }
        places
    });
    let tried = places.map(|(spot, (word, at))| {
        let mut site = site.clone();
        site.mountings[channel].at = spot;
        let above_k = placed_for_k(settings, &site, shapes, &answered)[channel];
        Better { at, above_k, edits: moved(channel, word, spot) }
    });
    tried.min_by(|a, b| a.above_k.total_cmp(&b.above_k))
}

/// Whether the plate extends farther beyond the pad than it carries heat, and what would help. The plan tries each
/// remedy on the plant.
pub(super) fn overhang(settings: &Settings, site: &Site, shapes: &Shapes) -> Option<Finding> {
    let Site { plate, pad, battery, .. } = site;
    let row_m = [battery.length_m, battery.row_m()];
    // Only the part that carries batteries counts.
    let beyond_m = [0, 1].map(|axis| {
        let measures = [[plate.length_m, pad.length_m], [plate.width_m, pad.width_m]][axis];
        (measures[0].min(row_m[axis]) - measures[1]) / 2.0 + pad.shift_m[axis].abs()
    });
    let beyond_m = beyond_m[0].max(beyond_m[1]);
    // A fin: the heat that it carries falls to a third over √(k t / h). Source: Incropera & DeWitt, section 3.6.
    let carries_m = (plate.material.conductivity_w_per_m_k * plate.thickness_m / plate.contact_w_per_m2_k).sqrt();
    if beyond_m <= carries_m {
        return None;
    }
    let worst = |site: &Site, shapes: &Shapes| {
        let above = placed_k(settings, site, shapes);
        let cells = settings.channels.iter().zip(above).filter(|(channel, _)| channel.role == Role::Cell);
        cells.map(|(_, above_k)| above_k).fold(0.0, f64::max)
    };
    let now_k = worst(site, shapes);
    let large = {
        let mut site = site.clone();
        // Five millimetres less than the plate on each side, rounded down, so that the pad does not stick out.
        let within = |plate_m: f64, row_m: f64| ((plate_m.min(row_m) - 0.01) * 100.0).floor() / 100.0;
        site.pad.length_m = within(plate.length_m, row_m[0]).max(pad.length_m);
        site.pad.width_m = within(plate.width_m, row_m[1]).max(pad.width_m);
        site.pad.shift_m = [0.0; 2];
        let found_k = worst(&site, &Shapes::of(&site));
        let [length, width] = [site.pad.length_m, site.pad.width_m].map(|metres| fixed(metres * 1000.0, 0));
        (found_k, format!("a pad of {length} x {width} mm for the same power ({} K)", fixed(found_k, 1)))
    };
    let thick = {
        let mut site = site.clone();
        site.plate.thickness_m = (plate.thickness_m * 3.0).clamp(0.005, 0.012).max(plate.thickness_m);
        let found_k = worst(&site, &Shapes::of(&site));
        let thickness = plain((site.plate.thickness_m * 1000.0).round());
        (found_k, format!("plate.thickness_mm = {thickness} ({} K)", fixed(found_k, 1)))
    };
    let helps: Vec<String> =
        [large, thick].into_iter().filter(|(k, _)| *k < now_k - WORTH_K).map(|(_, text)| text).collect();
    if helps.is_empty() {
        return None;
    }
    Some(Finding::change(
        Part::Thermal,
        format!(
            "the plate reaches {} mm beyond the pad and carries heat about {} mm far: a cell channel can read {} K above the coldest place",
            fixed(beyond_m * 1000.0, 0),
            fixed(carries_m * 1000.0, 0),
            fixed(now_k, 1)
        ),
        helps.join(", or "),
    ))
}

#[cfg(test)]
mod tests {
    use super::super::testing::{settings, shapes, site};
    use super::super::thermal;
    use super::*;

    /// A pad beside the middle leaves battery 1 the colder one: a thermometer that answers for both is best on that.
    #[test]
    fn a_better_place_shows_all_the_batteries_that_the_thermometer_answers_for() {
        let (settings, mut site) = (settings(), site());
        site.mountings[0].at = Spot::Between(0);
        (site.pad.length_m, site.pad.width_m, site.pad.shift_m) = (0.25, 0.2, [0.0, 0.06]);
        let shapes = shapes(&site);
        let detail = thermal::Detail::Report { within_h: None };
        let (thermal, placements, _) = thermal::judge(&settings, &site, detail, &shapes);
        let names = ["between".into(), "top".into()];
        let found = Coldest::of(&settings, &site, &names, (&thermal, &placements), &shapes, true);
        assert_eq!(found.battery, 1, "{found:?}");
        let better = found.channels[0].better.as_ref().expect("a better place");
        assert!(better.at.contains("battery = 1"), "{better:?}");
        assert!(better.above_k < found.channels[0].above_k - WORTH_K, "{found:?}");
    }

    #[test]
    fn a_plate_that_carries_heat_to_its_edge_is_not_warned_of_and_one_that_does_not_is() {
        let (settings, mut site) = (settings(), site());
        assert_eq!(overhang(&settings, &site, &shapes(&site)), None);
        (site.pad.length_m, site.pad.width_m, site.plate.thickness_m) = (0.2, 0.2, 0.002);
        let found = overhang(&settings, &site, &shapes(&site)).expect("a warning");
        assert!(found.text.contains("74 mm beyond the pad"), "{found:?}");
        assert!(found.change.expect("a change").contains("a pad of 320 x 330 mm"));
    }
}

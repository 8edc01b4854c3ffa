//! The report on the heater: figures with their uncertainty.

use super::{NIGHT_H, Question, Studies, best, in_mm};
use crate::cell;
use crate::figures::{fixed, plain, uncertain};
use crate::heater::Heater;
use crate::materials::INSULATIONS;
use crate::plan::course::WarmUp;
use crate::plant::{PLACEMENT_OFF_K, PLACEMENT_OFF_PART, SOUGHT_K, Shape};
use crate::si::{self, celsius};
use crate::site::{Layer, Room, RoomReport, Site, StandsOn};
use serde::Serialize;

/// A figure with its expanded uncertainty, coverage factor 2.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// With everything as written down.
    pub value: f64,
    /// Expanded uncertainty.
    pub expanded_uncertainty: f64,
}

impl Figure {
    pub(crate) fn text(self, unit: &str) -> String {
        uncertain(self.value, self.expanded_uncertainty, unit).trim().to_owned()
    }
}

/// A warm-up at nominal power. Everything starts at the outside temperature, and the outside stays at it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WarmUpReport {
    /// Temperature of everything at the start, and of the outside throughout (°C).
    pub start_c: f64,
    /// Until every cell channel reads above release (h); `null` if that takes more than three days.
    pub reads_released_h: Option<Figure>,
    /// Until the coldest place is as warm (h).
    pub coldest_place_h: Option<Figure>,
    /// How far the coldest place lags behind the reading (h).
    pub lag_h: Option<f64>,
    /// Until the soak is over and charge is permitted (h).
    pub permitted_h: Option<Figure>,
    /// Electrical energy until then (Wh); `null` if charge is never permitted.
    pub energy_wh: Option<Figure>,
    /// Highest temperature of the pad until then (°C).
    pub pad_peak_c: Figure,
    /// Highest temperature of the plate until then (°C).
    pub plate_peak_c: Figure,
    /// Highest temperature of any cell layer until then (°C).
    pub cell_peak_c: Figure,
    /// Whether a cut-out switches the heater off on the way.
    pub is_cut_out: bool,
    /// Whether the channels show the heater's stop threshold first, so that the coldest place never gets as warm.
    pub stops_first: bool,
}

/// The power that warms the coldest place from the design minimum to release within a given time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PowerReport {
    /// The time (h).
    pub within_h: f64,
    /// The power (W).
    pub power_w: Figure,
    /// That power over the heated area, at the pad's stated voltage (W/cm²).
    pub density_w_per_cm2: f64,
    /// Temperature of the plate at the end of that time (°C).
    pub plate_c: f64,
    /// Whether the plate would be at or above its cut-out by then.
    pub is_cut_out: bool,
    /// Whether a pad of that power exceeds what it may give on this area, at the highest supply voltage.
    pub is_beyond_pad: bool,
}

/// One layer of a wall, with the figures that the plan uses.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LayerReport {
    /// What it is made of.
    pub material: String,
    /// Thickness (mm).
    pub thickness_mm: f64,
    /// Thermal conductivity (W/(m K)).
    pub conductivity_w_per_m_k: f64,
}

impl LayerReport {
    fn of(layers: &[Layer]) -> Vec<Self> {
        layers
            .iter()
            .map(|layer| Self {
                material: layer.name.clone().into_owned(),
                thickness_mm: in_mm(layer.thickness_m),
                conductivity_w_per_m_k: layer.material.conductivity_w_per_m_k,
            })
            .collect()
    }

    pub(in crate::plan) fn text(layers: &[Self]) -> String {
        let text = |layer: &Self| {
            format!(
                "{} mm of {}, {} W/(m K)",
                plain(layer.thickness_mm),
                layer.material,
                plain(layer.conductivity_w_per_m_k)
            )
        };
        layers.iter().map(text).collect::<Vec<_>>().join("; ")
    }
}

/// The power that holds with another insulation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct InsulationReport {
    /// Thickness of the best insulating layer of walls, lid and floor (mm).
    pub thickness_mm: f64,
    /// The power that holds (W).
    pub hold_w: Figure,
}

/// The model behind all of these figures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ModelReport {
    /// Number of cells that pad, plate, batteries and floor are cut into.
    pub cells: usize,
    /// Number of states that stand for them.
    pub states: usize,
    /// The largest difference between any place of a battery and what the cells say, in any history (K).
    pub apart_k: f64,
    /// Whether that is as near as the plan requires.
    pub is_near: bool,
}

impl ModelReport {
    pub(super) fn of(shape: &Shape) -> Self {
        let apart_k = shape.apart_k();
        Self { cells: shape.cells(), states: shape.states(), apart_k, is_near: apart_k <= SOUGHT_K }
    }

    /// The most that the model can be wrong by for a channel so far above the coldest place (K).
    pub(super) fn off_k(&self, placed_k: f64) -> f64 {
        PLACEMENT_OFF_K + PLACEMENT_OFF_PART * placed_k.abs() + self.apart_k
    }

    pub(in crate::plan) fn text(&self) -> String {
        let Self { cells, states, apart_k, is_near } = self;
        let aim = if *is_near { String::new() } else { format!(", which is not the {} K it aims at", plain(SOUGHT_K)) };
        format!(
            "The model of the heat: {cells} cells, computed as {states} states that stay within {} K of them{aim}. What it can be wrong \
             by is a line of each budget.",
            fixed(*apart_k, 2)
        )
    }
}

/// What the heater can do.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Thermal {
    /// Outside temperature that the design is for (°C).
    pub design_min_c: f64,
    /// Coldest air around the box, used for every figure here: the design minimum, or the room at that time if nobody
    /// heats it (°C).
    pub design_air_c: f64,
    /// The room that the box stands in; `null` if outside air surrounds the box.
    pub room: Option<RoomReport>,
    /// A sentence about the room.
    #[serde(skip)]
    pub(in crate::plan) room_text: Option<String>,
    /// Wind that the design is for, before shelter (m/s).
    pub design_wind_m_s: f64,
    /// Release threshold: the coldest place must reach it (°C).
    pub release_c: f64,
    /// Nominal power of the heater (W), with the half-width of its tolerance.
    pub heater_w: Figure,
    /// Power that keeps the coldest place at release (W). The box then loses as much.
    pub hold_w: Figure,
    /// That loss for each kelvin between coldest place and outside (W/K); `null` if the box stands on the ground, which
    /// has another temperature.
    pub loss_w_per_k: Option<Figure>,
    /// Final temperature of the coldest place with the heater always on (°C).
    pub reaches_c: Figure,
    /// Length of a night (h).
    pub night_h: f64,
    /// Energy to hold through a night at the design minimum (Wh).
    pub night_wh: Figure,
    /// The same as a part of the bank's capacity (%).
    pub night_pct_of_bank: Figure,
    /// Warm-ups from several temperatures.
    pub warm_ups: Vec<WarmUpReport>,
    /// The most that the pad may give on its area (W/cm²).
    pub pad_most_w_per_cm2: f64,
    /// Powers for several warm-up times.
    pub powers: Vec<PowerReport>,
    /// Layers of walls and lid, from the outside inwards.
    pub walls: Vec<LayerReport>,
    /// Layers of the floor, from the outside inwards.
    pub floor: Vec<LayerReport>,
    /// The material whose thickness is varied: that of the best insulating layer.
    pub insulation_material: String,
    /// Whether no layer of the walls insulates, so that the plan adds insulation inside.
    pub insulation_is_added: bool,
    /// Hold power for several thicknesses of insulation.
    pub insulation: Vec<InsulationReport>,
    /// The model of the heat.
    pub model: ModelReport,
}

impl Thermal {
    /// The coldest air around the box, and where it is.
    pub(in crate::plan) fn coldest(&self) -> String {
        let (outside, air) = (plain(self.design_min_c), plain(self.design_air_c));
        match self.room {
            Some(_) => format!("{air} °C in the room ({outside} °C outside)"),
            None => format!("{outside} °C outside"),
        }
    }
}

/// What the room is like, and which part of that counts here.
fn room_text(room: &Room) -> String {
    let mut text = room.to_string();
    // A sentence of its own.
    text.replace_range(..1, "T");
    if room.scheduled.is_some() {
        text.push_str(
            ". The hours of its schedule do not count here: the box must hold when nobody is there. What they do to cells and \
             thermometers, `forewarm rehearse` shows",
        );
    }
    text + "."
}

pub(super) fn report(studies: &Studies, question: &Question, site: &Site, heater_w: f64) -> Thermal {
    let (design_air_c, release_c) = (site.design_air_c(), question.release_c());
    let hold_w = studies.sure(|study| study.hold_w);
    let times = |value: Figure, by: f64| Figure {
        value: value.value * by,
        expanded_uncertainty: value.expanded_uncertainty * by,
    };
    let pad_most_w_per_cm2 = site.pad.most_w_per_m2 / 1e4;
    // Power at the highest supply voltage for each nominal watt.
    let at_supply_max = Heater::of(question.settings, 0.0).at_supply_max.power_w / heater_w;
    let capacity_ah = si::amp_hours(question.settings.charge.capacity);
    let bank_wh = capacity_ah * f64::from(site.battery.cells_in_series) * cell::NOMINAL_V;
    let night_wh = times(hold_w, NIGHT_H);
    let warm_ups =
        question.starts_c.iter().enumerate().map(|(index, &start_c)| warm_up_report(studies, index, start_c));
    let power = |(index, &within_h): (usize, &f64)| {
        let power_w = studies.sure(|study| study.powers[index].0);
        let plate_c = studies.written.powers[index].1;
        let density_w_per_cm2 = power_w.value / (site.pad.area_m2() * 1e4);
        PowerReport {
            within_h,
            power_w,
            density_w_per_cm2,
            plate_c,
            is_beyond_pad: density_w_per_cm2 * at_supply_max > pad_most_w_per_cm2,
            is_cut_out: plate_c >= celsius(question.settings.heater.cutout_pad),
        }
    };
    let insulation = |(index, &thickness_mm): (usize, &f64)| InsulationReport {
        thickness_mm,
        hold_w: studies.sure(|study| study.insulation[index]),
    };
    let best = best(&site.enclosure.walls);
    Thermal {
        design_min_c: site.place.design_min_c,
        design_air_c,
        room: site.room.as_ref().map(RoomReport::of),
        room_text: site.room.as_ref().map(room_text),
        design_wind_m_s: site.place.design_wind_m_s,
        release_c,
        heater_w: Figure { value: heater_w, expanded_uncertainty: heater_w * site.tolerance.pad_power },
        hold_w,
        loss_w_per_k: (site.place.stands_on == StandsOn::Air && release_c > design_air_c)
            .then(|| times(hold_w, 1.0 / (release_c - design_air_c))),
        reaches_c: studies.sure(|study| study.reaches_c),
        night_h: NIGHT_H,
        night_wh,
        night_pct_of_bank: times(night_wh, 100.0 / bank_wh),
        warm_ups: warm_ups.collect(),
        pad_most_w_per_cm2,
        powers: question.within_h.iter().enumerate().map(power).collect(),
        walls: LayerReport::of(&site.enclosure.walls),
        floor: LayerReport::of(&site.enclosure.floor),
        insulation_material: best.map_or(INSULATIONS[0].name, |index| &*site.enclosure.walls[index].name).to_owned(),
        insulation_is_added: best.is_none(),
        insulation: question.thicknesses_mm.iter().enumerate().map(insulation).collect(),
        model: studies.model,
    }
}

fn warm_up_report(studies: &Studies, index: usize, start_c: f64) -> WarmUpReport {
    let hours = |of: fn(&WarmUp) -> Option<f64>| {
        studies.figure(move |study| of(&study.warm_ups[index]).map(|seconds| seconds / 3600.0))
    };
    let of = |of: fn(&WarmUp) -> f64| studies.sure(move |study| of(&study.warm_ups[index]));
    let (reads_released_h, coldest_place_h) = (hours(|warm_up| warm_up.read_s), hours(|warm_up| warm_up.core_s));
    WarmUpReport {
        start_c,
        lag_h: coldest_place_h.zip(reads_released_h).map(|(layer, reads)| layer.value - reads.value),
        reads_released_h,
        coldest_place_h,
        permitted_h: hours(|warm_up| warm_up.permitted_s),
        energy_wh: studies.figure(move |study| {
            let warm_up = &study.warm_ups[index];
            warm_up.permitted_s.map(|_| warm_up.energy_j / 3600.0)
        }),
        pad_peak_c: of(|warm_up| warm_up.pad_peak_c),
        plate_peak_c: of(|warm_up| warm_up.plate_peak_c),
        cell_peak_c: of(|warm_up| warm_up.cell_peak_c),
        is_cut_out: studies.written.warm_ups[index].was_cut_out,
        stops_first: coldest_place_h.is_none() && studies.written.warm_ups[index].was_stopped,
    }
}

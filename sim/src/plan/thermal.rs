//! What the heater can do: hold, warm up, and what either costs; and where the thermometers then stand against the cells.
//!
//! Everything is computed with the plant as written down, and again with one thing at a time at either end of its tolerance. The
//! larger of the two changes is that thing's half-width; the half-widths, as rectangular distributions, make the expanded
//! uncertainty (k = 2) that stands beside each figure.

use super::course::{self, Above, STEP_S, Setup, WarmUp};
use super::measurement::COVERAGE;
use super::nearness;
use super::placement::{Cause, Placement, Placements};
use super::thresholds::answers_for;
use crate::cell;
use crate::figures::{fixed, plain, raised_to, uncertain};
use crate::finding::{Finding, Part};
use crate::heater::Heater;
use crate::materials::INSULATIONS;
use crate::plant::{Air, Heat, PLACEMENT_OFF_K, PLACEMENT_OFF_PART, Plant, SOUGHT_K, Shape};
use crate::si::{self, celsius};
use crate::site::{Layer, Room, RoomReport, Site, StandsOn, Tolerance};
use crate::variation::Variation;
use forewarm_core::settings::{Hold, Settings};
use serde::Serialize;

/// Length of the night whose energy is reported (h). Common practice, no source: a winter night at middle latitudes.
const NIGHT_H: f64 = 14.0;

/// Longest warm-up that is waited for (s): three days.
const LONGEST_S: f64 = 72.0 * 3600.0;

/// Temperatures of everything at the start of a warm-up (°C), besides the design minimum.
const STARTS_C: [f64; 2] = [-10.0, 0.0];

/// So much colder than a threshold a bank starts that warm air brings to it (K): by then air and layers stand as they go on to stand.
const THAWS_FROM_K: f64 = 10.0;

/// Warm-up times for which the power is told (h).
const WITHIN_H: [f64; 3] = [2.0, 4.0, 8.0];

/// Thicknesses for which the hold power is told (mm).
const THICKNESSES_MM: [f64; 4] = [25.0, 50.0, 75.0, 100.0];

/// A figure with its expanded uncertainty, coverage factor 2.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// With everything as written down.
    pub value: f64,
    /// Expanded uncertainty.
    pub expanded_uncertainty: f64,
}

impl Figure {
    pub(super) fn text(self, unit: &str) -> String {
        uncertain(self.value, self.expanded_uncertainty, unit).trim().to_owned()
    }
}

/// A warm-up in air that stays as cold as everything was at first, at nominal power.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WarmUpReport {
    /// Temperature of everything at the start, and of the outside all the time (°C).
    pub start_c: f64,
    /// Until every cell channel reads above release (h); `null` where that takes more than three days.
    pub reads_released_h: Option<Figure>,
    /// Until the coldest place is as warm (h).
    pub coldest_place_h: Option<Figure>,
    /// By how much the coldest place is behind (h).
    pub lag_h: Option<f64>,
    /// Until the soak is over and charge is permitted (h).
    pub permitted_h: Option<Figure>,
    /// Electrical energy until then (Wh); `null` where that never is.
    pub energy_wh: Option<Figure>,
    /// Warmest the pad becomes until then (°C).
    pub pad_peak_c: Figure,
    /// Warmest the plate becomes until then (°C).
    pub plate_peak_c: Figure,
    /// Warmest any cell layer becomes until then (°C).
    pub cell_peak_c: Figure,
    /// Whether a cut-out switches the heater off on the way.
    pub is_cut_out: bool,
    /// Whether the coldest place never becomes as warm because the channels show the heater's stop threshold before.
    pub stops_first: bool,
}

/// The power that warms the coldest place from the design minimum to release within a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PowerReport {
    /// The time (h).
    pub within_h: f64,
    /// The power (W).
    pub power_w: Figure,
    /// That power over the heated area, at the voltage it is stated for (W/cm²).
    pub density_w_per_cm2: f64,
    /// The plate at the end of it (°C).
    pub plate_c: f64,
    /// Whether the plate would be at or above its cut-out by then.
    pub is_cut_out: bool,
    /// Whether a pad of that power is beyond what it may give on this area, at the highest supply voltage.
    pub is_beyond_pad: bool,
}

/// One layer of a wall, as it is reckoned with.
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

    pub(super) fn text(layers: &[Self]) -> String {
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

/// The model that all of this was computed with.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ModelReport {
    /// Cells that pad, plate, batteries and floor are cut into.
    pub cells: usize,
    /// States that stand for them.
    pub states: usize,
    /// How far any place of a battery can be from what the cells say, in any history (K).
    pub apart_k: f64,
    /// Whether that is as near as it is to be.
    pub is_near: bool,
}

impl ModelReport {
    fn of(shape: &Shape) -> Self {
        let apart_k = shape.apart_k();
        Self { cells: shape.cells(), states: shape.states(), apart_k, is_near: apart_k <= SOUGHT_K }
    }

    /// The most that it can be wrong by where a channel stands so far above the coldest place (K).
    fn off_k(&self, placed_k: f64) -> f64 {
        PLACEMENT_OFF_K + PLACEMENT_OFF_PART * placed_k.abs() + self.apart_k
    }

    pub(super) fn text(&self) -> String {
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
    /// Outside temperature that it is designed for (°C).
    pub design_min_c: f64,
    /// Coldest air around the box, which everything here is reckoned for: that, or the room's then, while nobody warms it (°C).
    pub design_air_c: f64,
    /// The room that the box stands in; `null` where outside air surrounds it.
    pub room: Option<RoomReport>,
    /// What there is to say of it.
    #[serde(skip)]
    pub(super) room_text: Option<String>,
    /// Wind that it is designed for, before shelter (m/s).
    pub design_wind_m_s: f64,
    /// Release threshold, which the coldest place is to reach (°C).
    pub release_c: f64,
    /// Nominal power of the heater (W), half-width of its tolerance.
    pub heater_w: Figure,
    /// Power that keeps the coldest place at release, which is what the box then loses (W).
    pub hold_w: Figure,
    /// That loss for each kelvin between coldest place and outside (W/K); `null` on the ground, which is at another temperature.
    pub loss_w_per_k: Option<Figure>,
    /// Where the coldest place ends with the heater always on (°C).
    pub reaches_c: Figure,
    /// Length of a night (h).
    pub night_h: f64,
    /// Energy to hold through a night at the design minimum (Wh).
    pub night_wh: Figure,
    /// The same as part of what the bank holds (%).
    pub night_pct_of_bank: Figure,
    /// Warm-ups from several temperatures.
    pub warm_ups: Vec<WarmUpReport>,
    /// Most that the pad may give on its area (W/cm²).
    pub pad_most_w_per_cm2: f64,
    /// Powers for several warm-up times.
    pub powers: Vec<PowerReport>,
    /// Layers of walls and lid, from the outside inwards.
    pub walls: Vec<LayerReport>,
    /// Layers of the floor, from the outside inwards.
    pub floor: Vec<LayerReport>,
    /// The material of which several thicknesses are tried: that of the best insulating layer.
    pub insulation_material: String,
    /// Whether no layer of the walls insulates, so that it is added inside.
    pub insulation_is_added: bool,
    /// Hold power for several thicknesses of insulation.
    pub insulation: Vec<InsulationReport>,
    /// The model of the heat.
    pub model: ModelReport,
}

impl Thermal {
    /// The coldest air around the box, and where that is.
    pub(super) fn coldest(&self) -> String {
        let (outside, air) = (plain(self.design_min_c), plain(self.design_air_c));
        match self.room {
            Some(_) => format!("{air} °C in the room ({outside} °C outside)"),
            None => format!("{outside} °C outside"),
        }
    }
}

/// What a room is, and which part of it counts here.
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

/// Everything that is computed once for what is written down and again for each end of each tolerance.
#[derive(Clone, Debug)]
struct Study {
    hold_w: f64,
    reaches_c: f64,
    warm_ups: Vec<WarmUp>,
    /// For each time: the power, and the plate's temperature then.
    powers: Vec<(f64, f64)>,
    insulation: Vec<f64>,
    given: Vec<Option<Above>>,
    kept: Vec<Option<Above>>,
    chilled_k: f64,
}

/// A site cut into cells as written down, and with insulation where it has none: for all that differs from it in properties alone.
#[derive(Clone, Debug)]
pub struct Shapes(Vec<Shape>);

impl Shapes {
    /// Of `site`.
    #[must_use]
    pub fn of(site: &Site) -> Self {
        let mut shapes = vec![Shape::of(site)];
        let with_foam = insulated(site, THICKNESSES_MM[0]);
        if !shapes[0].fits(&with_foam) {
            shapes.push(Shape::of(&with_foam));
        }
        Self(shapes)
    }

    /// Of the site as written down.
    fn model(&self) -> ModelReport {
        ModelReport::of(&self.0[0])
    }

    pub(super) fn plant(&self, site: &Site) -> Plant {
        match self.0.iter().find(|shape| shape.fits(site)) {
            Some(shape) => Plant::in_shape(shape, site, STEP_S),
            None => Plant::new(site, STEP_S),
        }
    }
}

/// What is asked, besides the installation.
struct Question<'s> {
    settings: &'s Settings,
    shapes: &'s Shapes,
    answers_for: Vec<Vec<usize>>,
    starts_c: Vec<f64>,
    /// Those of the starts whose warm-ups are reported, not only looked through.
    reported_c: Vec<f64>,
    within_h: Vec<f64>,
    thicknesses_mm: Vec<f64>,
}

impl<'s> Question<'s> {
    fn of(settings: &'s Settings, site: &Site, within_h: Option<f64>, shapes: &'s Shapes) -> Self {
        let design_air_c = site.design_air_c();
        let mut starts_c = vec![design_air_c];
        starts_c.extend(STARTS_C.into_iter().filter(|&start_c| start_c > design_air_c + 1.0));
        starts_c.retain(|&start_c| start_c < celsius(settings.charge.release));
        let thick_mm = best(&site.enclosure.walls).map(|index| in_mm(site.enclosure.walls[index].thickness_m));
        Self {
            settings,
            shapes,
            answers_for: site.mountings.iter().map(|mounting| answers_for(mounting.at, site.battery.count)).collect(),
            reported_c: starts_c.clone(),
            starts_c,
            within_h: in_order(WITHIN_H.into_iter().chain(within_h)),
            thicknesses_mm: in_order(THICKNESSES_MM.into_iter().chain(thick_mm)),
        }
    }

    fn release_c(&self) -> f64 {
        celsius(self.settings.charge.release)
    }

    fn study(&self, site: &Site, heater_w: f64, warmer_k: f64) -> Study {
        let setup = Setup { settings: self.settings, site, heater_w, answers_for: &self.answers_for };
        let plant = self.shapes.plant(site);
        let design = air_of(site, site.design_air_c() + warmer_k);
        let steady = |heater_w| plant.steady(design.outside_c, design.wind_m_s, Heat { heater_w, bank_w: 0.0 });
        let warm_ups = self.reported_c.iter().map(|&start_c| {
            let air = air_of(site, start_c + warmer_k);
            course::warm_up(&setup, &mut plant.at_rest(air.outside_c), air, LONGEST_S)
        });
        let warm_ups = warm_ups.collect();
        // What its share of the air does to a reading is a line of the budget, and never a credit: here it has none.
        let still = site.without_air_beside();
        let setup = Setup { site: &still, ..setup };
        let (given, kept) = self.placed(&setup, &plant.without_air_beside(site), design, warmer_k);
        Study {
            hold_w: hold_w(&plant, design, self.release_c()),
            reaches_c: steady(heater_w).coldest_cell_c(),
            warm_ups,
            powers: powers(&plant, design, self.release_c(), &self.within_h),
            insulation: self.thicknesses_mm.iter().map(|&thick| self.hold_with(site, thick, design)).collect(),
            given,
            kept,
            chilled_k: course::chilled_k(&mut plant.at_rest(celsius(self.settings.charge.high_limit)), design),
        }
    }

    /// How each channel stands against the cells when permission is given, and while it is kept.
    fn placed(
        &self,
        setup: &Setup,
        plant: &Plant,
        design: Air,
        warmer_k: f64,
    ) -> (Vec<Option<Above>>, Vec<Option<Above>>) {
        let Setup { site, heater_w, .. } = *setup;
        let (release_c, inhibit_c) = (self.release_c(), celsius(self.settings.charge.inhibit));
        // A channel in a cold place is not credited for that: a bank can be evenly warm.
        let evenly = vec![Some(Above { element_k: 0.0, air_k: 0.0 }); self.settings.channels.len()];
        let (mut given, mut kept) = (evenly.clone(), evenly);
        let worst = |so_far: &mut Vec<Option<Above>>, found: &[Option<Above>]| {
            for (so_far, found) in so_far.iter_mut().zip(found) {
                *so_far = [*so_far, *found].into_iter().flatten().reduce(Above::worse);
            }
        };
        for &start_c in &self.starts_c {
            let air = air_of(site, start_c + warmer_k);
            let mut run = plant.at_rest(air.outside_c);
            let warm_up = course::warm_up(setup, &mut run, air, LONGEST_S);
            worst(&mut given, &warm_up.given);
            if warm_up.permitted_s.is_some() {
                worst(&mut kept, &course::cool_down(setup, &mut run, air, 0.0, LONGEST_S));
            }
        }
        // Charge may come to be permitted by a mild day, or by heat over weeks, whatever the warm-ups above came to.
        let heats = self.settings.heater.hold == Hold::WhileCharging;
        let steadily = |level_c: f64, heats| course::steadily_short(setup, plant, design, level_c, heats);
        worst(&mut given, &steadily(release_c, true));
        worst(&mut kept, &steadily(inhibit_c, heats));
        // A warm spell, or a room that is lit: the air is far ahead of the cells, and so is what sees it.
        let warmest = air_of(site, course::warmest_c(site, design.outside_c));
        let thawed = |level_c: f64| {
            let start_c = design.outside_c.max(level_c - THAWS_FROM_K);
            course::thaw(setup, &mut plant.at_rest(start_c), warmest, level_c)
        };
        worst(&mut given, &thawed(release_c));
        worst(&mut kept, &thawed(inhibit_c));
        let even = [release_c, celsius(self.settings.heater.stop)].map(|level_c| plant.at_rest(level_c));
        let settled = course::settled(setup, plant, design, release_c).into_iter().map(|found| {
            let heat = Heat { heater_w: found.part * heater_w, bank_w: 0.0 };
            plant.settled(found.outside_c, design.wind_m_s, heat)
        });
        for run in even.into_iter().chain(settled) {
            let powers: &[f64] = if heats { &[0.0, heater_w] } else { &[0.0] };
            for &power_w in powers {
                worst(&mut kept, &course::cool_down(setup, &mut run.clone(), design, power_w, LONGEST_S));
            }
        }
        (given, kept)
    }

    fn hold_with(&self, site: &Site, thickness_mm: f64, air: Air) -> f64 {
        hold_w(&self.shapes.plant(&insulated(site, thickness_mm)), air, self.release_c())
    }
}

/// Air around the box of `site` that stays at `outside_c`.
pub(super) fn air_of(site: &Site, outside_c: f64) -> Air {
    Air { outside_c, slope_k_per_s: 0.0, wind_m_s: site.place.design_wind_m_s }
}

/// The best insulating layer, where there is one that insulates at all.
fn best(layers: &[Layer]) -> Option<usize> {
    let conducts = |layer: &Layer| layer.material.conductivity_w_per_m_k;
    let insulating = layers.iter().enumerate().filter(|(_, layer)| layer.insulates());
    insulating.min_by(|a, b| conducts(a.1).total_cmp(&conducts(b.1))).map(|(index, _)| index)
}

/// Gives the best insulating layer this thickness; where none insulates, adds one of the first known foam inside.
fn insulate(layers: &mut Vec<Layer>, thickness_m: f64) {
    if let Some(index) = best(layers) {
        layers[index].thickness_m = thickness_m;
    } else {
        let foam = &INSULATIONS[0];
        layers.push(Layer { name: foam.name.into(), material: foam.material, thickness_m });
    }
}

/// `site` with so much of its best insulation all round (mm).
fn insulated(site: &Site, thickness_mm: f64) -> Site {
    let mut site = site.clone();
    for layers in [&mut site.enclosure.walls, &mut site.enclosure.floor] {
        insulate(layers, thickness_mm / 1000.0);
    }
    site
}

fn in_mm(metres: f64) -> f64 {
    (metres * 1e6).round() / 1000.0
}

/// The least power at which every layer and its outer faces end at or above `target_c`; none where it does so without.
pub(super) fn hold_w(plant: &Plant, air: Air, target_c: f64) -> f64 {
    const PROBE_W: f64 = 100.0;
    let at = |heater_w| plant.steady(air.outside_c, air.wind_m_s, Heat { heater_w, bank_w: 0.0 });
    let (off, on) = (at(0.0), at(PROBE_W));
    // The plant is linear in the power.
    let cells = off.all_cells_c().zip(on.all_cells_c());
    cells.map(|(off, on)| PROBE_W * (target_c - off) / (on - off)).fold(0.0, f64::max)
}

/// For each time (h), the constant power that brings every layer from the outside temperature to `target_c`, and where the plate
/// then is.
fn powers(plant: &Plant, air: Air, target_c: f64, within_h: &[f64]) -> Vec<(f64, f64)> {
    const PROBE_W: f64 = 100.0;
    let after = |heater_w: f64, hours: f64| {
        let mut run = plant.at_rest(air.outside_c);
        run.set_air(air);
        run.set_heat(Heat { heater_w, bank_w: 0.0 });
        run.advance(hours * 3600.0);
        run.temperatures()
    };
    let power = |&hours: &f64| {
        let (off, on) = (after(0.0, hours), after(PROBE_W, hours));
        let cells = off.all_cells_c().zip(on.all_cells_c());
        let power_w = cells.map(|(off, on)| PROBE_W * (target_c - off) / (on - off)).fold(0.0, f64::max);
        (power_w, off.plate_c + power_w / PROBE_W * (on.plate_c - off.plate_c))
    };
    within_h.iter().map(power).collect()
}

/// Something that may differ: in the words of a budget, by how much, and how a variation goes to its ends.
type Tolerated = (&'static str, f64, fn(&mut Variation, f64));

fn causes(tolerance: &Tolerance) -> Vec<Tolerated> {
    let all: [Tolerated; 10] = [
        ("heater power", tolerance.pad_power, |variation, end| variation.pad_power = end),
        ("conductivity of the insulation", tolerance.insulation, |variation, end| variation.insulation = end),
        ("specific heat of the batteries", tolerance.specific_heat, |variation, end| variation.specific_heat = end),
        ("conductivity of the batteries", tolerance.conductivity, |variation, end| variation.conductivity = end),
        ("joints of pad, plate and batteries", tolerance.contact, |variation, end| variation.contact = end),
        ("air changes", tolerance.air_changes, |variation, end| variation.air_changes = end),
        ("film of air inside the box", tolerance.film, |variation, end| variation.film = end),
        ("place of the pad, along", tolerance.pad_place_m, |variation, end| variation.pad_place[0] = end),
        ("place of the pad, across", tolerance.pad_place_m, |variation, end| variation.pad_place[1] = end),
        ("outside temperature", tolerance.weather_k, |variation, end| variation.weather = end),
    ];
    all.into_iter().filter(|(_, half_width, _)| *half_width > 0.0).collect()
}

/// The study as written down, and at both ends of each cause.
struct Studies {
    model: ModelReport,
    written: Study,
    ends: Vec<(&'static str, [Study; 2])>,
}

impl Studies {
    /// Half-width that each cause gives a quantity.
    fn half_widths<'s>(
        &'s self,
        of: impl Fn(&Study) -> Option<f64> + 's,
    ) -> impl Iterator<Item = (&'static str, f64)> + 's {
        let written = of(&self.written);
        self.ends.iter().map(move |(name, ends)| {
            let moved = |end| Some((of(end)? - written?).abs());
            (*name, ends.iter().filter_map(moved).fold(0.0, f64::max))
        })
    }

    fn figure(&self, of: impl Fn(&Study) -> Option<f64>) -> Option<Figure> {
        let value = of(&self.written)?;
        let variance: f64 = self.half_widths(of).map(|(_, half_width)| half_width * half_width / 3.0).sum();
        Some(Figure { value, expanded_uncertainty: COVERAGE * variance.sqrt() })
    }

    /// A quantity that there always is.
    fn sure(&self, of: impl Fn(&Study) -> f64) -> Figure {
        self.figure(|study| Some(of(study))).unwrap_or(Figure { value: f64::NAN, expanded_uncertainty: 0.0 })
    }

    fn placement(&self, of: impl Fn(&Study) -> Option<Above>) -> Placement {
        let element_k = |study: &Study| of(study).map(|above| above.element_k);
        let placed_k = element_k(&self.written);
        let moved = self.half_widths(element_k).map(|(of, half_width_k)| Cause { of, half_width_k });
        let model =
            placed_k.map(|placed_k| Cause { of: "model of the heat", half_width_k: self.model.off_k(placed_k) });
        Placement {
            warm_bias_k: placed_k.unwrap_or(0.0),
            air_above_k: self.most(|study| of(study).map_or(0.0, |above| above.air_k)),
            causes: moved.chain(model).collect(),
        }
    }

    fn placements(&self, settings: &Settings) -> Vec<Placements> {
        let of = |channel: usize| Placements {
            given: self.placement(|study| study.given[channel]),
            kept: self.placement(|study| study.kept[channel]),
            chilled_k: self.most(|study| study.chilled_k),
        };
        (0..settings.channels.len()).map(of).collect()
    }

    /// The most that a quantity comes to, as written down or at any end of any cause.
    fn most(&self, of: impl Fn(&Study) -> f64) -> f64 {
        let ends = self.ends.iter().flat_map(|(_, ends)| ends);
        ends.map(&of).fold(of(&self.written), f64::max)
    }
}

/// What the heater of `site` can do, where each channel stands against the cells, and what is to be said of it. `within_h` is one
/// warm-up time more to tell the power for; `shapes` are those of the site.
#[must_use]
pub fn judge(
    settings: &Settings,
    site: &Site,
    within_h: Option<f64>,
    shapes: &Shapes,
) -> (Thermal, Vec<Placements>, Vec<Finding>) {
    let heater_w = si::watts(settings.heater.power);
    let question = Question::of(settings, site, within_h, shapes);
    let studies = studies(&question, site, heater_w);
    let thermal = report(&studies, &question, site, heater_w);
    let findings = findings(&thermal, &studies, settings, site, shapes);
    (thermal, studies.placements(settings), findings)
}

/// Where each channel stands against the cells, and nothing else of [`judge`].
pub(super) fn placements(settings: &Settings, site: &Site, shapes: &Shapes) -> Vec<Placements> {
    let all = Question::of(settings, site, None, shapes);
    let question = Question { reported_c: Vec::new(), within_h: Vec::new(), thicknesses_mm: Vec::new(), ..all };
    let heater_w = si::watts(settings.heater.power);
    studies(&question, site, heater_w).placements(settings)
}

/// For each channel, how far above the coldest place that it answers for its surroundings can be in any situation looked at, with everything
/// as written down (K).
pub(super) fn placed_k(settings: &Settings, site: &Site, shapes: &Shapes) -> Vec<f64> {
    let answers_for: Vec<_> =
        site.mountings.iter().map(|mounting| answers_for(mounting.at, site.battery.count)).collect();
    placed_for_k(settings, site, shapes, &answers_for)
}

/// The same where each channel answers for the batteries that `answers_for` has for it.
pub(super) fn placed_for_k(settings: &Settings, site: &Site, shapes: &Shapes, answers_for: &[Vec<usize>]) -> Vec<f64> {
    let question = Question::of(settings, site, None, shapes);
    let setup = Setup { settings, site, heater_w: si::watts(settings.heater.power), answers_for };
    let design = air_of(site, site.design_air_c());
    let (given, kept) = question.placed(&setup, &shapes.plant(site).without_air_beside(site), design, 0.0);
    let worst = |(given, kept): (Option<Above>, Option<Above>)| {
        [given, kept].into_iter().flatten().map(|above| above.element_k).fold(0.0, f64::max)
    };
    given.into_iter().zip(kept).map(worst).collect()
}

fn in_order(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    values
}

fn studies(question: &Question, site: &Site, heater_w: f64) -> Studies {
    let with = |variation: &Variation| {
        let power = heater_w * (1.0 + variation.pad_power * site.tolerance.pad_power);
        question.study(&variation.of(site), power, variation.weather * site.tolerance.weather_k)
    };
    let causes = causes(&site.tolerance);
    let mut variations = vec![Variation::default()];
    for (_, _, set) in &causes {
        for end in [-1.0, 1.0] {
            let mut variation = Variation::default();
            set(&mut variation, end);
            variations.push(variation);
        }
    }
    // One after another: all of them take some hundredths of a second, and a thread for each processor has to be started and
    // given memory first. Where memory is limited that alone took half a minute.
    let mut found = variations.iter().map(with);
    let written = found.next().unwrap_or_else(|| with(&Variation::default()));
    let ends = causes.iter().filter_map(|(name, ..)| Some((*name, [found.next()?, found.next()?]))).collect();
    Studies { model: question.shapes.model(), written, ends }
}

fn report(studies: &Studies, question: &Question, site: &Site, heater_w: f64) -> Thermal {
    let (design_air_c, release_c) = (site.design_air_c(), question.release_c());
    let hold_w = studies.sure(|study| study.hold_w);
    let times = |value: Figure, by: f64| Figure {
        value: value.value * by,
        expanded_uncertainty: value.expanded_uncertainty * by,
    };
    let pad_most_w_per_cm2 = site.pad.most_w_per_m2 / 1e4;
    // What a nominal watt comes to at the highest supply voltage.
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

fn findings(thermal: &Thermal, studies: &Studies, settings: &Settings, site: &Site, shapes: &Shapes) -> Vec<Finding> {
    let mut findings = vec![holding(thermal, settings, site)];
    findings.extend(nearness::overhang(settings, site, shapes));
    if let Some((warm_up, report)) = studies.written.warm_ups.first().zip(thermal.warm_ups.first()) {
        let holds = thermal.hold_w.value <= thermal.heater_w.value;
        findings.extend(warming(report, thermal, settings, holds));
        findings.extend(proof(warm_up, settings, site, thermal, shapes));
        findings.extend(cooling(warm_up, settings));
    }
    findings
}

/// Whether the heater holds at the design minimum.
fn holding(thermal: &Thermal, settings: &Settings, site: &Site) -> Finding {
    let Thermal { hold_w, heater_w, reaches_c, .. } = *thermal;
    let place = format!("at {}", thermal.coldest());
    let release = plain(thermal.release_c);
    if hold_w.value <= 0.0 {
        return Finding::fine(Part::Thermal, format!("{place} the cells stay at {release} °C without heat"));
    }
    let needs = format!("{place} it takes {} to keep the coldest place at {release} °C", hold_w.text("W"));
    let gives = format!("the heater gives {}", heater_w.text("W"));
    let surely = hold_w.value + hold_w.expanded_uncertainty;
    let weakest = heater_w.value - heater_w.expanded_uncertainty;
    if surely <= weakest {
        return Finding::fine(Part::Thermal, format!("the heater holds: {needs}, and {gives}"));
    }
    let pad = surely / (weakest / heater_w.value);
    let proposed_w = raised_to(pad, 10.0);
    let per_watt = Heater::of(settings, 0.0).at_supply_max.power_w / heater_w.value;
    let area_m2 = proposed_w * per_watt * (1.0 + site.tolerance.pad_power) / site.pad.most_w_per_m2;
    let on = if area_m2 > site.pad.area_m2() {
        format!(" on a pad of at least {} cm²", fixed(raised_to(area_m2 * 1e4, 10.0), 0))
    } else {
        String::new()
    };
    let mut ways = vec![format!("power_w = {} or more{on}", fixed(proposed_w, 0))];
    let thick_mm = best(&site.enclosure.walls).map_or(0.0, |index| site.enclosure.walls[index].thickness_m * 1000.0);
    let added = if thermal.insulation_is_added { "added inside " } else { "" };
    let enough = thermal
        .insulation
        .iter()
        .find(|row| row.thickness_mm > thick_mm + 0.5 && row.hold_w.value + row.hold_w.expanded_uncertainty <= weakest);
    ways.extend(
        enough.map(|row| format!("{} mm of {} {added}all round", plain(row.thickness_mm), thermal.insulation_material)),
    );
    let change = ways.join(", or ");
    if hold_w.value > heater_w.value {
        let permitted = thermal.warm_ups.first().and_then(|warm_up| warm_up.permitted_h);
        let permitted = permitted.map_or_else(
            || "charge is never permitted while it is as cold as that".to_owned(),
            |after| format!("channels in warmer places permit charge all the same, after {}", after.text("h")),
        );
        let text = format!(
            "the heater cannot hold: {needs}, and {gives}; the coldest place ends at {}, and {permitted}",
            reaches_c.text("°C")
        );
        Finding::headline(Part::Thermal, text, change)
    } else {
        let text = format!("the heater may not hold: {needs}, and {gives}");
        Finding::change(Part::Thermal, text, change)
    }
}

/// How long it takes to warm up from the design minimum.
fn warming(report: &WarmUpReport, thermal: &Thermal, settings: &Settings, holds: bool) -> Vec<Finding> {
    let mut findings = Vec::new();
    let from = format!("from {} °C", plain(report.start_c));
    match report.permitted_h {
        // Told already where the heater is too weak.
        None if holds => findings.push(Finding::headline(
            Part::Thermal,
            format!("{from} charge is not permitted within three days"),
            if report.is_cut_out {
                "less power over more area, or cut-outs as high as the batteries' maker allows"
            } else {
                "more power, or more insulation"
            },
        )),
        None => {}
        Some(permitted) => {
            let max_run_h = f64::from(settings.heater.max_run.as_millis()) / 3.6e6;
            let energy = report.energy_wh.map_or_else(String::new, |energy| format!(", for {}", energy.text("Wh")));
            let behind = if report.stops_first {
                let stop = plain(celsius(settings.heater.stop));
                format!(
                    "; the coldest place stays below {} °C, for the heater goes off at {stop} °C before",
                    plain(thermal.release_c)
                )
            } else {
                String::new()
            };
            let text = format!("{from} charge is permitted after {}{energy}{behind}", permitted.text("h"));
            if permitted.value > max_run_h {
                findings.push(Finding::change(
                    Part::Thermal,
                    format!("{text}: longer than the heater may run without a pause ({} h)", plain(max_run_h)),
                    format!("heater.max_run_h = {}, or more power", fixed(permitted.value.ceil(), 0)),
                ));
            } else if holds {
                findings.push(Finding::fine(Part::Thermal, text));
            }
        }
    }
    if report.is_cut_out {
        let power = thermal.powers.iter().rev().find(|row| !row.is_cut_out && !row.is_beyond_pad);
        findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{from} a cut-out switches the heater off on the way, with the plate at {}",
                report.plate_peak_c.text("°C")
            ),
            power.map_or_else(
                || "less power over more area, or a thicker plate".to_owned(),
                |row| {
                    format!(
                        "less power ({} warms up in {} h), more area, or a thicker plate",
                        row.power_w.text("W"),
                        plain(row.within_h)
                    )
                },
            ),
        ));
    }
    findings
}

/// Whether a heater that works passes its own proof, from cold and in a bank that cools; and whether that tells a plate thermometer that has
/// come off.
fn proof(warm_up: &WarmUp, settings: &Settings, site: &Site, thermal: &Thermal, shapes: &Shapes) -> Vec<Finding> {
    let setup = Setup { settings, site, heater_w: thermal.heater_w.value, answers_for: &[] };
    let plant = shapes.plant(site);
    let air = air_of(site, thermal.design_air_c);
    let shown = course::prove(&setup, &mut plant.at_rest(thermal.release_c), air);
    let Some(((proof, shown), from_cold_k)) = settings.heater.proof.zip(shown).zip(warm_up.proof_rise_k) else {
        return Vec::new();
    };
    let energy_wh = plain(si::joules(proof.energy) / 3600.0);
    let place = format!("in air of {} °C, {energy_wh} Wh", plain(thermal.design_air_c));
    // Half of what is expected leaves room for a draught and a weak supply.
    let half = |found_k: f64| plain((found_k / 2.0 * 10.0).floor() / 10.0);
    let mut findings = Vec::new();
    let (asked_k, found_k) = (si::written_k(proof.rise), from_cold_k.min(shown.effect_k));
    if found_k < 2.0 * asked_k {
        let change = if shown.pad_k.is_none() && found_k < 0.2 {
            "a thermometer on the plate (role = \"pad\"), or leave out proof_wh: the cells alone cannot tell".to_owned()
        } else {
            format!("proof_rise_k = {}, or more proof_wh", half(found_k))
        };
        findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{place} raise plate or cells by {} K; with proof_rise_k = {} a sound heater may be taken for a broken one",
                fixed(found_k, 1),
                plain(asked_k)
            ),
            change,
        ));
    }
    let asked_k = si::written_k(proof.pad_rise);
    match shown.pad_k {
        Some(pad_k) if pad_k < 2.0 * asked_k => findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{place} raise the plate thermometer by {} K; with proof_pad_rise_k = {} one that sits on the plate may be taken for one that \
                 has come off",
                fixed(pad_k, 1),
                plain(asked_k)
            ),
            format!("proof_pad_rise_k = {}, or more proof_wh", half(pad_k)),
        )),
        Some(pad_k) if shown.air_k >= asked_k => findings.push(Finding::change(
            Part::Thermal,
            format!(
                "{place} raise the air of the box by {} K; with proof_pad_rise_k = {} a plate thermometer that has come off shows that air \
                 and is not noticed",
                fixed(shown.air_k, 1),
                plain(asked_k)
            ),
            format!("proof_pad_rise_k = {}", half(pad_k)),
        )),
        Some(_) | None => {}
    }
    findings
}

/// Whether a heater that is off passes the check that it is.
fn cooling(warm_up: &WarmUp, settings: &Settings) -> Option<Finding> {
    let cooling = settings.heater.cooling?;
    let asked_k = si::written_k(cooling.excess);
    let found_k = warm_up.cooling_excess_k?;
    (found_k > asked_k / 2.0).then(|| {
        Finding::change(
            Part::Thermal,
            format!(
                "{} min after a warm-up the plate is still {} K above the cells; with cooling_excess_k = {} a heater that is off may be \
                 taken for one that is stuck on",
                plain(si::seconds(cooling.after) / 60.0),
                fixed(found_k, 1),
                plain(asked_k)
            ),
            format!("cooling_excess_k = {}, or more cooling_min", fixed((2.0 * found_k).ceil(), 0)),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::super::measurement::Chain;
    use super::super::testing::{settings, shapes, site};
    use super::*;
    use crate::finding::Severity;
    use crate::site::{Mounting, Spot};
    use forewarm_core::quantity::{Millis, Milliwatts};
    use forewarm_core::settings::{Proof, Role};
    use proptest::prelude::*;

    /// The same where the site is cut into cells anew only if it has other bodies.
    fn judge(settings: &Settings, site: &Site, within_h: Option<f64>) -> (Thermal, Vec<Placements>, Vec<Finding>) {
        super::judge(settings, site, within_h, &shapes(site))
    }

    /// Everything as written down.
    const EXACT: Tolerance = Tolerance {
        pad_power: 0.0,
        insulation: 0.0,
        specific_heat: 0.0,
        conductivity: 0.0,
        contact: 0.0,
        air_changes: 0.0,
        film: 0.0,
        pad_place_m: 0.0,
        air_share: 0.0,
        weather_k: 0.0,
        hard_limit_k: 0.0,
    };

    #[test]
    fn film_and_place_of_the_pad_are_tried_at_both_ends_like_every_other_tolerance() {
        let of = |tolerance: Tolerance| -> Vec<&str> { causes(&tolerance).iter().map(|(of, ..)| *of).collect() };
        assert_eq!(of(EXACT), <[&str; 0]>::default());
        assert_eq!(of(Tolerance { film: 0.2, ..EXACT }), ["film of air inside the box"]);
        let both = ["place of the pad, along", "place of the pad, across"];
        assert_eq!(of(Tolerance { pad_place_m: 0.01, ..EXACT }), both);
        // The ends are those of what is named, and of nothing else.
        let site = Site { tolerance: Tolerance { film: 0.2, pad_place_m: 0.01, ..EXACT }, ..site() };
        for (of, _, set) in causes(&site.tolerance) {
            for end in [-1.0, 1.0] {
                let mut variation = Variation::default();
                set(&mut variation, end);
                let real = variation.of(&site);
                let film = site.enclosure.inside_w_per_m2_k;
                let moved = [real.enclosure.inside_w_per_m2_k / film - 1.0, real.pad.shift_m[0], real.pad.shift_m[1]];
                // The pad of 320 mm has 5 mm of room on the plate along, and 14.5 mm across.
                let (index, by) = match of {
                    "film of air inside the box" => (0, 0.2),
                    "place of the pad, along" => (1, 0.01_f64.min(site.room_for_pad_m()[0])),
                    _ => (2, 0.01_f64.min(site.room_for_pad_m()[1])),
                };
                let mut expected = [0.0; 3];
                expected[index] = end * by;
                assert!(moved.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-12), "{of}: {moved:?}");
            }
        }
    }

    fn air(site: &Site) -> Air {
        Air { outside_c: site.place.design_min_c, slope_k_per_s: 0.0, wind_m_s: site.place.design_wind_m_s }
    }

    /// Where a cell's thermometer can sit.
    fn spots() -> impl Strategy<Value = Spot> {
        prop::sample::select(vec![Spot::Base(0), Spot::Between(0), Spot::Top(1), Spot::Side(1), Spot::End(0)])
    }

    /// Another way: not by two steady states and a straight line, but by holding that power for three weeks.
    #[test]
    fn the_hold_power_holds_and_is_what_the_box_loses() {
        let site = site();
        let (thermal, ..) = judge(&settings(), &site, None);
        let plant = shapes(&site).plant(&site);
        let mut run = plant.at_rest(site.place.design_min_c);
        run.set_air(air(&site));
        run.set_heat(Heat { heater_w: thermal.hold_w.value, bank_w: 0.0 });
        run.advance(21.0 * 86_400.0);
        assert!((run.coldest_cell_c() - thermal.release_c).abs() < 1e-3, "{}", run.coldest_cell_c());
        let before = run.balance();
        run.advance(86_400.0);
        let after = run.balance();
        let lost_w = (after.lost_j - before.lost_j) / 86_400.0;
        // The thermometers' own current is a tenth of a milliwatt each.
        assert!((lost_w - thermal.hold_w.value).abs() < 2e-3, "{lost_w} W, not {}", thermal.hold_w.value);
    }

    /// The network is linear: what a room is warmer by is not lost. Its schedule counts for nothing, for nobody may be there.
    #[test]
    fn a_room_spares_the_loss_of_a_kelvin_for_each_that_it_is_warmer() {
        let mut site = site();
        site.place.exposure = 0.0;
        // The thermometers' own heat helps to hold as much in either.
        site.converter.current_a = 0.0;
        let (outside, ..) = judge(&settings(), &site, None);
        let (warmer_k, daily) = (6.0, "daily 00:00-24:00".parse().expect("a schedule"));
        site.room = Some(Room { warmer_k, scheduled: Some((18.0, daily)) });
        let (room, ..) = judge(&settings(), &site, None);
        let loss_w_per_k = outside.loss_w_per_k.expect("it stands in air").value;
        let spared_w = outside.hold_w.value - room.hold_w.value;
        assert!((spared_w - warmer_k * loss_w_per_k).abs() < 1e-9, "{spared_w} W, not {warmer_k} of {loss_w_per_k}");
        assert!((room.loss_w_per_k.expect("it stands in air").value - loss_w_per_k).abs() < 1e-9);
        assert!((room.warm_ups[0].start_c - (outside.design_min_c + warmer_k)).abs() < 1e-9);
    }

    /// The power for a time, given to the course that the warm-ups are run with, takes that time.
    #[test]
    fn the_power_for_a_warm_up_time_warms_up_in_that_time() {
        let (site, settings) = (site(), settings());
        let (thermal, ..) = judge(&settings, &site, Some(3.0));
        assert_eq!(thermal.powers.iter().map(|row| row.within_h).collect::<Vec<_>>(), [2.0, 3.0, 4.0, 8.0]);
        let answers_for: Vec<_> = site.mountings.iter().map(|mounting| answers_for(mounting.at, 2)).collect();
        for row in &thermal.powers {
            let setup =
                Setup { settings: &settings, site: &site, heater_w: row.power_w.value, answers_for: &answers_for };
            let plant = shapes(&site).plant(&site);
            let found = course::warm_up(&setup, &mut plant.at_rest(site.place.design_min_c), air(&site), LONGEST_S);
            let core_s = found.core_s.expect("it gets there");
            assert!((core_s - row.within_h * 3600.0).abs() <= STEP_S, "{} h: {core_s} s", row.within_h);
        }
    }

    #[test]
    fn a_heater_that_cannot_hold_is_the_headline_with_what_would() {
        let (mut settings, mut site) = (settings(), site());
        settings.heater.power = Milliwatts::from_milliwatts(12_000);
        site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = 0.025);
        let (thermal, _, findings) = judge(&settings, &site, None);
        assert!(thermal.hold_w.value > 12.0 && thermal.reaches_c.value < thermal.release_c);
        assert!(findings[0].headline && findings[0].text.contains("cannot hold"), "{findings:?}");
        assert_eq!(thermal.warm_ups[0].permitted_h, None);
        // Doing what is proposed helps.
        let change = findings[0].change.clone().unwrap();
        let (power, thickness) = change.split_once(", or ").expect("two ways");
        let watts: u32 = power.trim_matches(|c: char| !c.is_ascii_digit()).parse().unwrap();
        let mut stronger = settings.clone();
        stronger.heater.power = Milliwatts::from_milliwatts(watts * 1000);
        assert!(judge(&stronger, &site, None).2[0].text.contains("the heater holds"), "{change}");
        let millimetres: f64 = thickness.split(' ').next().unwrap().parse().unwrap();
        site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = millimetres / 1000.0);
        assert!(judge(&settings, &site, None).2[0].text.contains("the heater holds"), "{change}");
    }

    #[test]
    fn a_cut_out_on_the_way_is_told_with_a_power_that_needs_none() {
        let (mut settings, site) = (settings(), site());
        settings.heater.power = Milliwatts::from_milliwatts(900_000);
        let (thermal, _, findings) = judge(&settings, &site, None);
        assert!(thermal.warm_ups[0].is_cut_out);
        let told = findings.iter().find(|finding| finding.text.contains("a cut-out switches")).expect("told");
        assert_eq!(told.severity, Severity::Change);
        assert!(told.change.as_ref().unwrap().contains("warms up in"), "{told:?}");
    }

    #[test]
    fn checks_of_the_heater_that_a_sound_one_fails_are_told() {
        let (mut settings, site) = (settings(), site());
        let (_, _, findings) = judge(&settings, &site, None);
        assert!(findings.iter().all(|finding| finding.severity == Severity::Fine), "{findings:?}");
        settings.heater.proof = Some(Proof {
            energy: forewarm_core::quantity::Joules::from_joules(3600),
            rise: forewarm_core::quantity::Kelvins::from_millikelvins(5_000),
            pad_rise: forewarm_core::quantity::Kelvins::from_millikelvins(5_000),
        });
        settings.heater.cooling = Some(forewarm_core::settings::Cooling {
            after: Millis::from_secs(60),
            excess: forewarm_core::quantity::Kelvins::from_millikelvins(1_000),
        });
        let (_, _, findings) = judge(&settings, &site, None);
        assert!(findings.iter().any(|finding| finding.text.contains("taken for a broken one")), "{findings:?}");
        assert!(findings.iter().any(|finding| finding.text.contains("stuck on")), "{findings:?}");
    }

    #[test]
    fn a_trial_that_cannot_tell_plate_from_air_or_fails_in_a_bank_that_cools_is_told() {
        let (mut settings, mut site) = (settings(), site());
        let kelvins = forewarm_core::quantity::Kelvins::from_millikelvins;
        let told = |settings: &Settings, site: &Site, text: &str| {
            let (_, _, findings) = judge(settings, site, None);
            findings.iter().any(|finding| finding.severity == Severity::Change && finding.text.contains(text))
        };
        let pads: Vec<usize> =
            (0..settings.channels.len()).filter(|&n| settings.channels[n].role == Role::Pad).collect();
        assert!(!pads.is_empty());
        let energy = forewarm_core::quantity::Joules::from_joules(216_000);
        settings.heater.proof = Some(Proof { energy, rise: kelvins(1_000), pad_rise: kelvins(500) });
        assert!(told(&settings, &site, "is not noticed"));
        settings.heater.proof = Some(Proof { energy, rise: kelvins(1_000), pad_rise: kelvins(20_000) });
        assert!(told(&settings, &site, "one that has come off"));
        // So weak that the bank goes on cooling.
        site.place.design_min_c = -32.0;
        settings.heater.power = Milliwatts::from_milliwatts(3_000);
        settings.heater.proof = Some(Proof { energy, rise: kelvins(5_000), pad_rise: kelvins(5_000) });
        assert!(told(&settings, &site, "taken for a broken one"));
    }

    #[test]
    fn a_place_that_needs_no_heat_has_nothing_to_warm_up() {
        let (settings, mut site) = (settings(), site());
        site.place.design_min_c = 15.0;
        let (thermal, _, findings) = judge(&settings, &site, None);
        assert_eq!((thermal.hold_w.value, thermal.warm_ups.len()), (0.0, 0));
        assert!(findings.iter().all(|finding| finding.severity == Severity::Fine), "{findings:?}");
        assert!(thermal.powers.iter().all(|row| row.power_w.value == 0.0));
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

        /// What the placement at release promises: however the heater comes and goes below its cut-outs, when a channel has been above release for the soak
        /// time without a break, no layer that it answers for is colder than release less the placement, everything being as written
        /// down.
        #[test]
        fn no_history_of_the_heater_ends_a_soak_with_a_colder_layer(
            spot in spots(),
            lying in any::<bool>(),
            start_c in -20.0..0.0_f64,
            // How long it is on and off in turns, in half minutes; longer on than off, so that it gets somewhere.
            turns in prop::collection::vec((1..40_u32, 1..12_u32), 1..40),
            soak_min in 5..60_u32,
        ) {
            let (mut settings, mut site) = (settings(), site());
            settings.charge.soak = Millis::from_secs(soak_min * 60);
            site.mountings[0] = Mounting { at: spot, ..site.mountings[0] };
            site.tolerance = EXACT;
            // At the base of lying cells a thermometer reads the plate, which half a minute of heat warms by kelvins.
            prop_assume!(!(lying && spot == Spot::Base(0)));
            if lying {
                site.battery.conductivity_up_w_per_m_k = 0.6;
                site.battery.conductivity_across_w_per_m_k = 15.0;
            }
            let (thermal, placements, _) = judge(&settings, &site, None);
            let heater_w = thermal.heater_w.value;
            let plant = shapes(&site).plant(&site);
            let mut run = plant.at_rest(start_c);
            run.set_air(Air { outside_c: start_c, ..air(&site) });
            let (mut above_s, mut is_cut_out) = (0.0, false);
            'course: for (on, off) in turns.iter().cycle().take(400) {
                for step in 0..on + off {
                    let now = run.temperatures();
                    above_s = if now.sensors_c[0] > thermal.release_c { above_s + STEP_S } else { 0.0 };
                    if above_s > f64::from(soak_min) * 60.0 {
                        let layers = answers_for(spot, 2);
                        let coldest = layers.iter().flat_map(|&b| now.cells_c(b)).fold(f64::INFINITY, f64::min);
                        let promised = thermal.release_c - placements[0].given.warm_bias_k;
                        // What the heater adds within one step of the half minute that hovering is done in, and the self-heating.
                        prop_assert!(coldest >= promised - 0.15, "{coldest} °C, promised {promised} °C");
                        break 'course;
                    }
                    // The default cut-outs: 30 °C in the cells and the air, 50 °C on the plate, again 5 K below.
                    let below = |by: f64| {
                        let cutouts = [30.0, 30.0, 50.0, 30.0];
                        now.sensors_c.iter().zip(cutouts).all(|(t, cutout)| *t < cutout - by)
                    };
                    is_cut_out = !below(if is_cut_out { 5.0 } else { 0.0 });
                    let is_on = step < *on && !is_cut_out;
                    run.set_heat(Heat { heater_w: if is_on { heater_w } else { 0.0 }, bank_w: 0.0 });
                    run.leap(1);
                }
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

        /// What the placement at inhibit promises: as long as a channel shows more than the inhibit threshold, however the heater comes and
        /// goes at the design minimum, no layer that it answers for is colder than inhibit less the placement.
        #[test]
        fn no_history_of_the_heater_leaves_a_colder_layer_while_permission_is_kept(
            spot in spots(),
            lying in any::<bool>(),
            holds in any::<bool>(),
            turns in prop::collection::vec((1..20_u32, 1..200_u32), 1..20),
        ) {
            let (mut settings, mut site) = (settings(), site());
            site.mountings[0] = Mounting { at: spot, ..site.mountings[0] };
            site.tolerance = EXACT;
            settings.heater.hold = if holds { Hold::WhileCharging } else { Hold::Never };
            if lying {
                site.battery.conductivity_up_w_per_m_k = 0.6;
                site.battery.conductivity_across_w_per_m_k = 15.0;
            }
            let (thermal, placements, _) = judge(&settings, &site, None);
            let inhibit_c = celsius(settings.charge.inhibit);
            let plant = shapes(&site).plant(&site);
            let mut run = plant.at_rest(thermal.release_c);
            run.set_air(air(&site));
            'course: for (on, off) in turns.iter().cycle().take(400) {
                for step in 0..on + off {
                    let now = run.temperatures();
                    if now.sensors_c[0] <= inhibit_c || now.sensors_c[0] > 30.0 {
                        break 'course;
                    }
                    let layers = answers_for(spot, 2);
                    let coldest = layers.iter().flat_map(|&b| now.cells_c(b)).fold(f64::INFINITY, f64::min);
                    let promised = inhibit_c - placements[0].kept.warm_bias_k;
                    prop_assert!(coldest >= promised - 0.1, "{coldest} °C, promised {promised} °C");
                    let is_on = step < *on && holds;
                    run.set_heat(Heat { heater_w: if is_on { thermal.heater_w.value } else { 0.0 }, bank_w: 0.0 });
                    run.leap(1);
                }
            }
        }
    }

    #[test]
    fn what_is_said_of_a_heater_that_cannot_hold_agrees_with_its_warm_ups() {
        let (mut settings, site) = weak(Hold::WhileCharging, Spot::Between(0));
        let (thermal, _, findings) = judge(&settings, &site, None);
        assert!(thermal.warm_ups[0].permitted_h.is_none() && thermal.warm_ups[0].energy_wh.is_none());
        assert!(findings[0].text.ends_with("charge is never permitted while it is as cold as that"), "{findings:?}");
        // Strong enough for the channels, at the base, not for the top.
        let mut site = site;
        site.mountings[0].at = Spot::Base(0);
        site.mountings[1].at = Spot::Base(1);
        let enough_w = (50..400).step_by(10).find(|watts| {
            settings.heater.power = Milliwatts::from_milliwatts(watts * 1000);
            let (thermal, ..) = judge(&settings, &site, None);
            thermal.warm_ups[0].permitted_h.is_some() && thermal.hold_w.value > thermal.heater_w.value
        });
        assert!(enough_w.is_some(), "no such heater");
        let (_, _, findings) = judge(&settings, &site, None);
        assert!(findings[0].headline && !findings[0].text.contains("never permitted"), "{findings:?}");
        assert!(!findings.iter().any(|finding| finding.severity == Severity::Fine), "{findings:?}");
    }

    #[test]
    fn a_coldest_place_that_the_stop_threshold_keeps_cold_is_told_as_such() {
        let (mut settings, mut site) = weak(Hold::WhileCharging, Spot::Base(0));
        site.mountings[1].at = Spot::Base(1);
        settings.heater.power = Milliwatts::from_milliwatts(300_000);
        let (thermal, _, findings) = judge(&settings, &site, None);
        let report = &thermal.warm_ups[0];
        assert!(report.permitted_h.is_some() && report.coldest_place_h.is_none() && report.stops_first, "{report:?}");
        assert!(findings.iter().any(|finding| finding.text.contains("for the heater goes off at")), "{findings:?}");
    }

    #[test]
    fn a_power_that_no_pad_may_give_is_marked_and_not_proposed() {
        let (mut settings, mut site) = (settings(), site());
        settings.heater.power = Milliwatts::from_milliwatts(900_000);
        (site.pad.length_m, site.pad.width_m) = (0.2, 0.1);
        let (thermal, ..) = judge(&settings, &site, None);
        for row in &thermal.powers {
            // 0.3 W/cm² on 200 cm², at 15 V where the power is stated for 12.8 V.
            let most_w = 60.0 * (12.8_f64 / 15.0).powi(2);
            assert_eq!(row.is_beyond_pad, row.power_w.value > most_w, "{row:?}");
        }
        // So small that none of the powers is for it.
        (site.pad.length_m, site.pad.width_m) = (0.05, 0.04);
        let (_, _, findings) = judge(&settings, &site, None);
        let told = findings.iter().find(|finding| finding.text.contains("a cut-out switches")).expect("told");
        assert!(!told.change.as_ref().unwrap().contains("warms up in"), "{told:?}");
    }

    /// What the budget of a channel comes to, where it shows release and where it shows inhibit (K).
    fn known_k(settings: &Settings, site: &Site, placements: &[Placements], channel: usize) -> [f64; 2] {
        let chain = Chain {
            channel: &settings.channels[channel],
            mounting: &site.mountings[channel],
            converter: &site.converter,
            leads_c: (-20.0, 40.0),
            air_share_spread: 0.0,
        };
        let Placements { given, kept, .. } = &placements[channel];
        [chain.budget(8.0, given), chain.budget(5.0, kept)].map(|budget| budget.bias_k)
    }

    /// Air that is colder than the cells takes something off a reading, and whoever covers the element takes that away again.
    #[test]
    fn a_larger_share_of_air_never_makes_the_guard_band_smaller() {
        for spot in [Spot::Base(0), Spot::Between(0), Spot::Top(0), Spot::Side(0), Spot::End(0)] {
            let mut before = [0.0; 2];
            for air_share in [0.0, 0.05, 0.2, 0.5] {
                let (settings, mut site) = (settings(), site());
                site.tolerance = EXACT;
                site.mountings[0] = Mounting { at: spot, air_share, ..site.mountings[0] };
                let (_, placements, _) = judge(&settings, &site, None);
                let now = known_k(&settings, &site, &placements, 0);
                assert!(now[0] >= before[0] && now[1] >= before[1], "{spot:?}, {air_share}: {now:?} after {before:?}");
                before = now;
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

        /// What placement and air promise together: however cold a bank is when a warm spell comes or its room is lit, and whatever the
        /// heater does to it, once a channel shows more than release, no place that it answers for is colder than the budget allows.
        #[test]
        fn no_warm_spell_shows_release_with_a_colder_cell_than_the_budget_allows(
            spot in spots(),
            air_share in 0.0..0.5_f64,
            start_c in -20.0..0.0_f64,
            room_c in prop::option::of(18.0..40.0_f64),
            thickness_m in 0.005..0.08_f64,
            air_changes_per_h in 0.0..20.0_f64,
            part in 0.0..1.0_f64,
        ) {
            let (settings, mut site) = (settings(), site());
            site.mountings[0] = Mounting { at: spot, air_share, ..site.mountings[0] };
            site.tolerance = EXACT;
            site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = thickness_m);
            site.enclosure.air_changes_per_h = air_changes_per_h;
            site.place.exposure = 0.0;
            let daily = || "daily 00:00-24:00".parse().expect("a schedule");
            site.room = room_c.map(|room_c| Room { warmer_k: 0.0, scheduled: Some((room_c, daily())) });
            let (_, placements, _) = judge(&settings, &site, None);
            let [promised_k, _] = known_k(&settings, &site, &placements, 0);
            let plant = shapes(&site).plant(&site);
            let mut run = plant.at_rest(start_c);
            run.set_air(Air { outside_c: room_c.map_or(25.0, |room_c| room_c.max(25.0)), ..air(&site) });
            // Little heat: whoever heats much is the concern of the soak, and of the property above.
            run.set_heat(Heat { heater_w: 5.0 * part, bank_w: 0.0 });
            for _ in 0..4 * 2880 {
                let now = run.temperatures();
                if now.sensors_c[0] > 8.0 {
                    let coldest = answers_for(spot, 2).into_iter().flat_map(|b| now.cells_c(b)).fold(f64::INFINITY, f64::min);
                    // A thermometer that lags, and what little the heat adds.
                    prop_assert!(coldest >= 8.0 - promised_k - 0.1, "{coldest} °C, promised {promised_k} K");
                    break;
                }
                run.leap(1);
            }
        }
    }

    /// A bank that a mild day has warmed, with a heater that never warms it up from the design minimum and cannot hold it there.
    fn weak(hold: Hold, at: Spot) -> (Settings, Site) {
        let (mut settings, mut site) = (settings(), site());
        settings.heater.power = Milliwatts::from_milliwatts(40_000);
        settings.heater.hold = hold;
        site.enclosure.layers_mut().for_each(|layer| layer.thickness_m = 0.005);
        site.battery.conductivity_up_w_per_m_k = 0.8;
        site.battery.conductivity_across_w_per_m_k = 15.0;
        site.mountings[0] = Mounting { at, lag_s: 300.0, ..site.mountings[0] };
        site.mountings[1] = Mounting { at, lag_s: 300.0, ..site.mountings[1] };
        site.tolerance = EXACT;
        (settings, site)
    }

    #[test]
    fn the_placement_covers_a_permitted_bank_that_the_heater_cannot_warm_up() {
        for hold in [Hold::Never, Hold::WhileCharging] {
            let (settings, site) = weak(hold, Spot::Between(0));
            let (thermal, placements, _) = judge(&settings, &site, None);
            assert_eq!(thermal.warm_ups[0].permitted_h, None);
            let inhibit_c = celsius(settings.charge.inhibit);
            let plant = shapes(&site).plant(&site);
            let powers = if hold == Hold::Never { vec![0.0] } else { vec![0.0, thermal.heater_w.value] };
            for heater_w in powers {
                let mut run = plant.at_rest(thermal.release_c);
                run.set_air(air(&site));
                run.set_heat(Heat { heater_w, bank_w: 0.0 });
                while run.temperatures().sensors_c[0] > inhibit_c {
                    run.leap(1);
                }
                let promised = inhibit_c - placements[0].kept.warm_bias_k;
                let coldest = run.coldest_cell_c();
                assert!(coldest >= promised - 0.1, "{hold:?}, {heater_w} W: {coldest} °C, promised {promised} °C");
                assert!(coldest < inhibit_c - 0.5, "nothing to promise: {coldest} °C");
            }
        }
    }

    #[test]
    fn the_placement_covers_every_steady_state_in_which_permission_is_kept() {
        for (hold, ground_c) in [(Hold::Never, 15.0), (Hold::WhileCharging, 15.0), (Hold::WhileCharging, -2.0)] {
            let (settings, mut site) = weak(hold, Spot::Base(0));
            site.place.stands_on = StandsOn::Ground(ground_c);
            let (thermal, placements, _) = judge(&settings, &site, None);
            let inhibit_c = celsius(settings.charge.inhibit);
            let plant = shapes(&site).plant(&site);
            let powers: &[f64] = if hold == Hold::Never { &[0.0] } else { &[0.0, 0.3, 1.0] };
            let mut deepest_k: f64 = 0.0;
            for tenths in -200..=200_i32 {
                for part in powers {
                    let heat = Heat { heater_w: part * thermal.heater_w.value, bank_w: 0.0 };
                    let now = plant.steady(f64::from(tenths) / 10.0, site.place.design_wind_m_s, heat);
                    if now.sensors_c[0] > inhibit_c {
                        let coldest = now.cells_c(0).fold(f64::INFINITY, f64::min);
                        deepest_k = deepest_k.max(inhibit_c - coldest);
                    }
                }
            }
            let promised_k = placements[0].kept.warm_bias_k;
            assert!(deepest_k <= promised_k + 0.05, "{hold:?}: {deepest_k} K, promised {promised_k} K");
            assert!(deepest_k > 0.5, "nothing to promise: {deepest_k} K");
        }
    }

    #[test]
    fn uncertainties_add_by_their_squares_and_each_is_that_of_a_rectangular_half_width() {
        let (settings, mut site) = (settings(), site());
        let hold = |site: &Site| judge(&settings, site, None).0.hold_w;
        let with = |tolerance: Tolerance| Site { tolerance, ..site.clone() };
        let insulation = hold(&with(Tolerance { insulation: 0.15, ..EXACT })).expanded_uncertainty;
        let air = hold(&with(Tolerance { air_changes: 1.0, ..EXACT })).expanded_uncertainty;
        let both = hold(&with(Tolerance { insulation: 0.15, air_changes: 1.0, ..EXACT }));
        assert!((both.expanded_uncertainty - insulation.hypot(air)).abs() < 1e-9);
        assert!(hold(&with(EXACT)).expanded_uncertainty.abs() < 1e-12);
        let conductivity = site.enclosure.walls[0].material.conductivity_w_per_m_k;
        let moved = [0.85, 1.15].map(|part| {
            let moved = conductivity * part;
            site.enclosure.layers_mut().for_each(|layer| layer.material.conductivity_w_per_m_k = moved);
            (hold(&site).value - both.value).abs()
        });
        let expected = 2.0 * moved[0].max(moved[1]) / 3_f64.sqrt();
        assert!((insulation - expected).abs() < 1e-9, "{insulation}, not {expected}");
    }

    #[test]
    fn a_warmer_place_and_a_shorter_soak_ask_for_more_guard_band() {
        let given = |at: Spot, soak_min: u32| {
            let (mut settings, mut site) = (settings(), site());
            assert_eq!(settings.channels[0].role, Role::Cell);
            settings.charge.soak = Millis::from_secs(soak_min * 60);
            site.mountings[0] = Mounting { at, ..site.mountings[0] };
            judge(&settings, &site, None).1[0].given.warm_bias_k
        };
        let (base, between, top) = (given(Spot::Base(0), 5), given(Spot::Between(0), 5), given(Spot::Top(0), 5));
        assert!(base > between + 0.2 && between > top + 0.2, "{base}, {between}, {top}");
        assert!(given(Spot::Base(0), 30) < base - 0.2);
    }
}

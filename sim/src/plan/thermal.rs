//! What the heater can do: whether it holds, how it warms up, and what either costs. Also where the thermometers then
//! stand against the cells.
//!
//! The plan computes everything with the plant as written down, and again with one thing at a time at either end of its
//! tolerance. The larger of the two changes is the half-width of that thing. The half-widths count as rectangular
//! distributions. Together they make the expanded uncertainty (k = 2) beside each figure.

mod findings;
mod report;

pub use report::{Figure, InsulationReport, LayerReport, ModelReport, PowerReport, Thermal, WarmUpReport};

use super::course::{self, Above, STEP_S, Setup, WarmUp};
use super::measurement::COVERAGE;
use super::placement::{Cause, Placement, Placements};
use super::thresholds::answers_for;
use crate::finding::Finding;
use crate::materials::INSULATIONS;
use crate::plant::{Air, Heat, Plant, Shape};
use crate::si::{self, celsius};
use crate::site::{Layer, Site, Tolerance};
use crate::variation::Variation;
use forewarm_core::settings::{Hold, Settings};

/// Length of the night whose energy is reported (h). Common practice, no source: a winter night at middle latitudes.
const NIGHT_H: f64 = 14.0;

/// Longest warm-up that the plan computes (s): three days.
const LONGEST_S: f64 = 72.0 * 3600.0;

/// Temperatures of everything at the start of a warm-up (°C), besides the design minimum.
const STARTS_C: [f64; 2] = [-10.0, 0.0];

/// A thaw starts from this far below the threshold (K). When the bank reaches the threshold, the lead of the air and
/// the differences between the layers have settled.
const THAWS_FROM_K: f64 = 10.0;

/// Warm-up times for which the plan reports the power (h).
const WITHIN_H: [f64; 3] = [2.0, 4.0, 8.0];

/// Thicknesses for which the plan reports the hold power (mm).
const THICKNESSES_MM: [f64; 4] = [25.0, 50.0, 75.0, 100.0];

/// What the plan computes once as written down and once at each end of each tolerance.
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
    /// How long the bank takes from the inhibit threshold to its hard limit (s), if it gets there.
    falls_s: Option<f64>,
}

/// Patterns of a site cut into cells: as written down, and with insulation where it has none. They serve every site
/// that differs only in properties.
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

    /// Everything of a site that they depend on, as text.
    #[must_use]
    pub fn basis(site: &Site) -> String {
        Shape::basis(site)
    }

    /// That of the site as written down.
    #[must_use]
    pub fn own(&self) -> &Shape {
        &self.0[0]
    }

    /// Of the site as written down.
    fn model(&self) -> ModelReport {
        ModelReport::of(self.own())
    }

    /// The one that serves `site`, if one does.
    pub(crate) fn fitting(&self, site: &Site) -> Option<&Shape> {
        self.0.iter().find(|shape| shape.fits(site))
    }

    pub(super) fn plant(&self, site: &Site) -> Plant {
        match self.fitting(site) {
            Some(shape) => Plant::in_shape(shape, site, STEP_S),
            None => Plant::new(site, STEP_S),
        }
    }
}

/// What the plan asks besides the installation.
struct Question<'s> {
    settings: &'s Settings,
    shapes: &'s Shapes,
    answers_for: Vec<Vec<usize>>,
    starts_c: Vec<f64>,
    /// The starts whose warm-ups the plan reports. It only looks through the others.
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
        // The budget has a line for what the air does to a reading, and never credits it. So the element sees no air
        // here.
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
            falls_s: course::falls_s(
                &mut plant.at_rest(celsius(self.settings.charge.inhibit)),
                design,
                site.battery.hard_limit_c,
            ),
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
        // A channel gets no credit for a cold place: a bank can be evenly warm.
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
        // A mild day, or heat over weeks, may lead to permission even if none of the warm-ups above did.
        let heats = self.settings.heater.hold == Hold::WhileCharging;
        let steadily = |level_c: f64, heats| course::steadily_short(setup, plant, design, level_c, heats);
        worst(&mut given, &steadily(release_c, true));
        worst(&mut kept, &steadily(inhibit_c, heats));
        // In a warm spell or a heated room, the air is far ahead of the cells. So is an element that sees the air.
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

/// The air around the box of `site` that stays at `outside_c`.
pub(super) fn air_of(site: &Site, outside_c: f64) -> Air {
    Air { outside_c, slope_k_per_s: 0.0, wind_m_s: site.place.design_wind_m_s }
}

/// The best insulating layer; `None` if no layer insulates.
fn best(layers: &[Layer]) -> Option<usize> {
    let conducts = |layer: &Layer| layer.material.conductivity_w_per_m_k;
    let insulating = layers.iter().enumerate().filter(|(_, layer)| layer.insulates());
    insulating.min_by(|a, b| conducts(a.1).total_cmp(&conducts(b.1))).map(|(index, _)| index)
}

/// Gives the best insulating layer this thickness. Adds a layer of the first known foam inside if none insulates.
fn insulate(layers: &mut Vec<Layer>, thickness_m: f64) {
    if let Some(index) = best(layers) {
        layers[index].thickness_m = thickness_m;
    } else {
        let foam = &INSULATIONS[0];
        layers.push(Layer { name: foam.name.into(), material: foam.material, thickness_m });
    }
}

/// `site` with this thickness of its best insulation all round (mm).
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

/// The least power at which every layer and its outer faces end at or above `target_c`; 0 if they do so without heat.
pub(super) fn hold_w(plant: &Plant, air: Air, target_c: f64) -> f64 {
    const PROBE_W: f64 = 100.0;
    let at = |heater_w| plant.steady(air.outside_c, air.wind_m_s, Heat { heater_w, bank_w: 0.0 });
    let (off, on) = (at(0.0), at(PROBE_W));
    // The plant is linear in the power.
    let cells = off.all_cells_c().zip(on.all_cells_c());
    cells.map(|(off, on)| PROBE_W * (target_c - off) / (on - off)).fold(0.0, f64::max)
}

/// For each time (h), the constant power that brings every layer from the outside temperature to `target_c`, and the
/// temperature of the plate at the end.
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

/// Something that may differ: its name in a budget, its half-width, and how to set it in a variation.
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
    /// The half-width that each cause gives a quantity.
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

    /// The figure of a quantity that always exists.
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

    /// The largest value of a quantity, as written down or at any end of any cause.
    fn most(&self, of: impl Fn(&Study) -> f64) -> f64 {
        let ends = self.ends.iter().flat_map(|(_, ends)| ends);
        ends.map(&of).fold(of(&self.written), f64::max)
    }
}

/// How much a study answers.
#[derive(Clone, Copy, Debug)]
pub enum Detail {
    /// All that a plan prints.
    Report {
        /// One more warm-up time (h) to report the heater's power for.
        within_h: Option<f64>,
    },
    /// What findings are made of: no powers for other warm-up times, no other thicknesses.
    Findings,
}

/// What the heater of `site` can do, where each channel stands against the cells, and the findings. `shapes` are those
/// of the site.
#[must_use]
pub fn judge(
    settings: &Settings,
    site: &Site,
    detail: Detail,
    shapes: &Shapes,
) -> (Thermal, Vec<Placements>, Vec<Finding>) {
    let heater_w = si::watts(settings.heater.power);
    let question = match detail {
        Detail::Report { within_h } => Question::of(settings, site, within_h, shapes),
        Detail::Findings => {
            let all = Question::of(settings, site, None, shapes);
            Question { within_h: Vec::new(), thicknesses_mm: Vec::new(), ..all }
        }
    };
    let studies = studies(&question, site, heater_w);
    let thermal = report::report(&studies, &question, site, heater_w);
    let findings = findings::findings(&thermal, &studies, settings, site, shapes);
    (thermal, studies.placements(settings), findings)
}

/// Where each channel stands against the cells: this part of [`judge`] alone.
pub(super) fn placements(settings: &Settings, site: &Site, shapes: &Shapes) -> Vec<Placements> {
    let all = Question::of(settings, site, None, shapes);
    let question = Question { reported_c: Vec::new(), within_h: Vec::new(), thicknesses_mm: Vec::new(), ..all };
    let heater_w = si::watts(settings.heater.power);
    studies(&question, site, heater_w).placements(settings)
}

/// For each channel, how far its surroundings can be above the coldest place that it answers for (K). This is the
/// largest value of all situations, with everything as written down.
pub(super) fn placed_k(settings: &Settings, site: &Site, shapes: &Shapes) -> Vec<f64> {
    let answers_for: Vec<_> =
        site.mountings.iter().map(|mounting| answers_for(mounting.at, site.battery.count)).collect();
    placed_for_k(settings, site, shapes, &answers_for)
}

/// The same, where each channel answers for the batteries that `answers_for` lists.
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
    // In turn, not in threads: all together take some hundredths of a second. A thread for each processor needs a start
    // and memory first. Where memory is limited, that alone took half a minute.
    let mut found = variations.iter().map(with);
    let written = found.next().unwrap_or_else(|| with(&Variation::default()));
    let ends = causes.iter().filter_map(|(name, ..)| Some((*name, [found.next()?, found.next()?]))).collect();
    Studies { model: question.shapes.model(), written, ends }
}

#[cfg(test)]
mod tests;

//! The plant: what the bank, its heater and its box do with heat. In f64, for the host only.
//!
//! Floor, pad, plate and batteries are cut into thousands of cells in three dimensions. A few states are made of the
//! cells, once. The states are taken apart into modes, and each mode decays by itself. So a stretch of time with
//! constant heat and straight weather is crossed exactly, in one step or in many. Wind changes the outside film, and
//! with it the modes. It is taken as constant between two points of the weather, in classes of half a metre per second.
//!
//! | module | holds |
//! |---|---|
//! | `layout` | where bodies lie, and the cuts between cells |
//! | `solid` | the cells of an installation |
//! | `places` | where temperatures are read |
//! | `network` | bodies, conductances, boundaries |
//! | `basis` | few states for many cells |
//! | `fidelity` | how far the few states can be from the cells |
//! | `extremes` | where the coldest and the warmest place can be |
//! | `modes` | exact stepping |
//! | `equations` | the same as plain numbers, for another solver |
//! | `section` | what upright planes through the bank show |
//! | `trace` | what the thermometers show over a log |

mod basis;
mod equations;
mod extremes;
mod fidelity;
mod layout;
mod modes;
mod network;
mod places;
pub mod section;
mod solid;
mod trace;

#[cfg(test)]
mod tests;

use crate::site::{Mounting, Site, Spot, StandsOn};
use basis::Reduced;
pub use basis::{SOUGHT_K, Shape};
pub use equations::Equations;
use extremes::Extremes;
use forewarm_core::settings::MAX_CHANNELS;
pub use modes::{Ahead, Depths};
use modes::{Drive, Lens, Modes, Moment, System, Tends, Wave, as_f64};
use nalgebra::{DMatrix, DVector};
pub use network::{Boundary, Network, Node};
use std::fmt;
use std::ops::Range;
use std::sync::OnceLock;
pub(crate) use trace::{Shown, Stretch, Traced};

/// How far a placement that the plant computes can be from one with the same properties and any finer cells: this (K),
/// plus this part of the placement. Source: the test that compares it with the independent model in
/// `tests/data/sideways_reference.py`.
pub const PLACEMENT_OFF_K: f64 = 0.05;
/// See [`PLACEMENT_OFF_K`].
pub const PLACEMENT_OFF_PART: f64 = 0.06;

/// One installation's plant.
#[derive(Clone, Debug)]
pub struct Plant {
    reduced: Reduced,
    step_s: f64,
    ground_c: f64,
    exposure: f64,
    /// The states of the thermometers' elements come after those of the cells.
    sensors: Vec<Sensor>,
    /// Heat of self-heating (W), by state.
    self_heat_w: DVector<f64>,
    /// What a watt of the heater and of the bank's own heat drives, by state.
    heater: DVector<f64>,
    bank: DVector<f64>,
    /// What reads the states, and the places of each battery that are read.
    views: Views,
    places: Vec<Vec<[f64; 3]>>,
    /// Heat that each state holds (J), with all of them at 1.
    content: DVector<f64>,
    /// Each is made when its wind first blows.
    classes: Vec<OnceLock<Class>>,
}

/// A thermometer: a small body joined to what it is fixed to, so that lag and self-heating come of themselves.
#[derive(Clone, Debug)]
struct Sensor {
    /// Heat capacity (J/K).
    capacity: f64,
    /// Conductances (W/K), first to the surface, then to the air, each with the weights that read the temperature
    /// there.
    joined: Vec<(f64, DVector<f64>)>,
}

impl Sensor {
    fn new(mounting: &Mounting, reduced: &Reduced) -> Self {
        // Its conductance is the inverse of how much a watt warms it.
        let whole = 1e-3 / mounting.self_heating_k_per_mw;
        let to_air = mounting.air_beside().unwrap_or(1.0);
        let surface = reduced.solid.under(mounting.at).map(|place| (whole * (1.0 - to_air), reduced.read(place)));
        let air = (whole * to_air, reduced.read([(reduced.solid.air.0, 1.0)]));
        Self { capacity: whole * mounting.lag_s, joined: surface.into_iter().chain([air]).collect() }
    }
}

/// What reads the states: a row for each place, and which of them show what.
#[derive(Clone, Debug)]
struct Views {
    rows: DMatrix<f64>,
    /// Places of the batteries, one battery after the other, and how many each has.
    cells: Range<usize>,
    of_battery: Vec<usize>,
    pad: Range<usize>,
    plate: Range<usize>,
    air: usize,
}

/// The modes in a class of wind, and what reads them.
#[derive(Clone, Debug)]
struct Class {
    modes: Modes,
    /// What the thermometers' own current, a watt of the bank's own heat and a watt of the heater drive.
    heats: [DVector<f64>; 3],
    /// Sees what the views show.
    lens: Lens,
}

/// Width of a class of wind (m/s), and how many there are. The last holds all stronger wind. The film no longer matters
/// there.
const WIND_CLASS: f64 = 0.5;
const WIND_CLASSES: usize = 81;

/// Temperatures of the parts (°C).
#[derive(Clone, Debug, PartialEq)]
pub struct Temperatures {
    /// The warmest place of the heater pad.
    pub pad_c: f64,
    /// The warmest place of the spreader plate.
    pub plate_c: f64,
    /// The air in the box.
    pub air_c: f64,
    /// Places of each battery, inside and on the case.
    pub batteries_c: Vec<Vec<f64>>,
    /// The thermometers' elements, in the order of the settings.
    pub sensors_c: Vec<f64>,
}

impl Temperatures {
    /// Temperatures of one battery's cells (°C). Empty if there is no such battery.
    pub fn cells_c(&self, battery: usize) -> impl Iterator<Item = f64> {
        self.batteries_c.get(battery).into_iter().flatten().copied()
    }

    /// Temperatures of all cells (°C), battery by battery.
    pub fn all_cells_c(&self) -> impl Iterator<Item = f64> {
        self.batteries_c.iter().flatten().copied()
    }

    /// The coldest place of any battery, inside or on the case (°C).
    #[must_use]
    pub fn coldest_cell_c(&self) -> f64 {
        self.all_cells_c().fold(f64::INFINITY, f64::min)
    }

    /// The warmest (°C).
    #[must_use]
    pub fn warmest_cell_c(&self) -> f64 {
        self.all_cells_c().fold(f64::NEG_INFINITY, f64::max)
    }
}

/// A place of a battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Counted from 0.
    pub battery: usize,
    /// Along its length, across it and up, from the corner where each is 0 (m).
    pub from_corner_m: [f64; 3],
    /// The same as fractions of its measures.
    parts: [f64; 3],
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [along, across, up] = self.parts;
        let is_end = |part: f64| part <= 0.0 || part >= 1.0;
        let level = if up >= 1.0 { "upper" } else { "lower" };
        let which = match (is_end(along), is_end(across), is_end(up)) {
            (true, true, true) => format!("{level} corner"),
            (true, true, false) => "upright edge".to_owned(),
            (true, false, true) => format!("{level} short edge"),
            (false, true, true) => format!("{level} long edge"),
            (true, false, false) => "short face".to_owned(),
            (false, true, false) => "long face".to_owned(),
            (false, false, true) if up >= 1.0 => "top".to_owned(),
            (false, false, true) => "base".to_owned(),
            (false, false, false) => "inside".to_owned(),
        };
        write!(f, "{which} of battery {}", self.battery + 1)
    }
}

/// Heat that is put in. It stays constant until it is set again.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Heat {
    /// By the heater (W).
    pub heater_w: f64,
    /// By the current through the bank's resistance, all batteries together (W).
    pub bank_w: f64,
}

/// Weather until it is set again. The temperature runs straight and the wind stays constant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Air {
    /// Outside temperature now (°C).
    pub outside_c: f64,
    /// Its change (K/s).
    pub slope_k_per_s: f64,
    /// Wind before shelter (m/s).
    pub wind_m_s: f64,
}

/// Where the heat went (J).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Balance {
    /// Put in by heater, bank and the thermometers' own current.
    pub put_in_j: f64,
    /// Lost to the outside air and to the ground.
    pub lost_j: f64,
    /// Rise of the heat held, from start to end.
    pub held_j: f64,
    /// All heat that crossed a boundary in either direction. Errors are compared with it.
    pub turned_over_j: f64,
}

impl Plant {
    /// The plant of `site`, to be stepped by multiples of `step_s` seconds.
    #[must_use]
    pub fn new(site: &Site, step_s: f64) -> Self {
        Self::in_shape(&Shape::of(site), site, step_s)
    }

    /// The plant of `site`, from cells and patterns that serve it already.
    #[must_use]
    pub fn in_shape(shape: &Shape, site: &Site, step_s: f64) -> Self {
        let reduced = shape.reduce(site);
        let states = reduced.states();
        let n = states + site.mountings.len();
        let padded = |of_cells: &DVector<f64>| of_cells.clone().resize_vertically(n, 0.0);
        let parts =
            |parts: Vec<f64>| padded(&reduced.read(parts.into_iter().enumerate().filter(|(_, part)| *part > 0.0)));
        let sensors: Vec<Sensor> = site.mountings.iter().map(|mounting| Sensor::new(mounting, &reduced)).collect();
        let mut self_heat_w = DVector::zeros(n);
        let mut content = padded(&reduced.uniform);
        for (index, (sensor, heat_w)) in sensors.iter().zip(site.self_heating_w()).enumerate() {
            self_heat_w[states + index] = heat_w;
            content[states + index] = sensor.capacity;
        }
        Self {
            places: shape.extremes.batteries.clone(),
            views: Views::of(&reduced, &shape.extremes, n),
            heater: parts(reduced.solid.heater()),
            bank: parts(reduced.solid.bank()),
            content,
            self_heat_w,
            sensors,
            step_s,
            ground_c: match site.place.stands_on {
                StandsOn::Air => 0.0,
                StandsOn::Ground(ground_c) => ground_c,
            },
            exposure: site.place.exposure,
            classes: (0..WIND_CLASSES).map(|_| OnceLock::new()).collect(),
            reduced,
        }
    }

    /// The same with thermometers that see only what they are fixed to, and no air beside it.
    #[must_use]
    pub fn without_air_beside(&self, site: &Site) -> Self {
        self.with_thermometers_of(&site.without_air_beside())
    }

    /// The plant that becomes of it when its bodies conduct as those of `site` do. It can show all that this one has done.
    #[must_use]
    pub fn become_that_of(&self, site: &Site) -> Self {
        Self::in_shape(&Shape::of(site).joined(&self.reduced), site, self.step_s)
    }

    /// The same with thermometers where those of `site` are.
    #[must_use]
    pub fn with_thermometers_of(&self, site: &Site) -> Self {
        let sensors = site.mountings.iter().map(|mounting| Sensor::new(mounting, &self.reduced)).collect();
        Self { sensors, classes: (0..WIND_CLASSES).map(|_| OnceLock::new()).collect(), ..self.clone() }
    }

    /// Number of states in its equations, with those of the thermometers.
    #[must_use]
    pub fn states(&self) -> usize {
        self.content.len()
    }

    /// Temperatures at which nothing changes any more.
    #[must_use]
    pub fn steady(&self, outside_c: f64, wind_m_s: f64, heat: Heat) -> Temperatures {
        self.sorted(&self.steady_states(outside_c, wind_m_s, heat))
    }

    /// The same, state by state.
    fn steady_states(&self, outside_c: f64, wind_m_s: f64, heat: Heat) -> DVector<f64> {
        let system = self.in_wind(class_wind(self.class(wind_m_s)));
        // Every cell leads to the outside through the box air.
        let found = system.steady(&self.heat_w(heat), [outside_c, self.ground_c]);
        found.unwrap_or_else(|| self.uniform(outside_c))
    }

    /// The states in which everything is at one temperature (°C).
    fn uniform(&self, temperature_c: f64) -> DVector<f64> {
        let mut states = self.reduced.uniform.clone().resize_vertically(self.states(), 1.0);
        states *= temperature_c;
        states
    }

    /// The coldest place of the bank.
    #[must_use]
    pub fn coldest(&self, now: &Temperatures) -> Place {
        let case = self.reduced.solid.case_m();
        let places = self.places.iter().zip(&now.batteries_c).enumerate();
        let all = places.flat_map(|(battery, (places, cells_c))| {
            places.iter().zip(cells_c).map(move |(parts, t_c)| (battery, *parts, *t_c))
        });
        let (battery, parts, _) = all.min_by(|a, b| a.2.total_cmp(&b.2)).unwrap_or((0, [0.0; 3], f64::NAN));
        Place { battery, parts, from_corner_m: [0, 1, 2].map(|axis| parts[axis] * case[axis]) }
    }

    /// Distance from a thermometer to a place (m). `None` if it is not on a battery.
    #[must_use]
    pub fn distance_m(&self, place: &Place, spot: Spot) -> Option<f64> {
        let solid = &self.reduced.solid;
        let (battery, at) = solid.on_case(spot)?;
        let from = |battery: usize, axis: usize| solid.layout.batteries[battery].from.get(axis).copied().unwrap_or(0.0);
        let apart =
            |axis: usize| from(battery, axis) + at[axis] - from(place.battery, axis) - place.from_corner_m[axis];
        Some(libm::hypot(libm::hypot(apart(0), apart(1)), apart(2)))
    }

    /// Starts with everything at one temperature (°C), in still air of 0 °C and without heat, until either is set.
    #[must_use]
    pub fn at_rest(&self, temperature_c: f64) -> Run<'_> {
        self.start(&self.uniform(temperature_c))
    }

    /// Starts in the steady state of this air and heat, and stays there until either is set.
    #[must_use]
    pub fn settled(&self, outside_c: f64, wind_m_s: f64, heat: Heat) -> Run<'_> {
        let mut run = self.start(&self.steady_states(outside_c, wind_m_s, heat));
        run.set_air(Air { outside_c, slope_k_per_s: 0.0, wind_m_s });
        run.set_heat(heat);
        run
    }

    fn start(&self, states: &DVector<f64>) -> Run<'_> {
        let modes = self.modes(0);
        let wave = modes.modes.wave(states);
        let mut run = Run {
            plant: self,
            class: 0,
            modes,
            heat: Heat::default(),
            air: Air::default(),
            audit: Audit { at_start: self.content.dot(states), from: wave.modes(), ..Audit::new(self) },
            wave,
            tends: OnceLock::new(),
        };
        run.drive();
        run
    }

    fn class(&self, wind_m_s: f64) -> usize {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
        let class = (wind_m_s * self.exposure / WIND_CLASS).round() as usize;
        class.min(WIND_CLASSES - 1)
    }

    fn modes(&self, class: usize) -> &Class {
        self.classes[class].get_or_init(|| {
            let read: Vec<usize> = (self.reduced.states()..self.states()).collect();
            let modes = Modes::new(&self.in_wind(class_wind(class)), self.step_s, &read);
            let heats = [&self.self_heat_w, &self.bank, &self.heater].map(|heat_w| modes.of_heat(heat_w));
            Class { heats, lens: modes.lens(&self.views.rows), modes }
        })
    }

    /// The equations in this wind on the box (m/s), with the thermometers.
    fn in_wind(&self, wind_m_s: f64) -> System {
        let System { capacities, conductances, to, all } = self.reduced.in_wind(wind_m_s);
        let (states, n) = (self.reduced.states(), self.states());
        let mut system = System {
            capacities: capacities.resize_vertically(n, 0.0),
            conductances: conductances.resize(n, n, 0.0),
            to: to.map(|to| to.resize_vertically(n, 0.0)),
            all,
        };
        for (index, sensor) in self.sensors.iter().enumerate() {
            system.capacities[states + index] = sensor.capacity;
            for (conductance, place) in &sensor.joined {
                // Its own temperature less that of the place.
                let mut difference = -place.clone().resize_vertically(n, 0.0);
                difference[states + index] += 1.0;
                system.conductances.ger(*conductance, &difference, &difference, 1.0);
            }
        }
        system
    }

    fn heat_w(&self, heat: Heat) -> DVector<f64> {
        &self.self_heat_w + &self.bank * heat.bank_w + &self.heater * heat.heater_w
    }

    /// What these states show.
    fn sorted(&self, states: &DVector<f64>) -> Temperatures {
        let sensors_c = states.rows(self.reduced.states(), self.sensors.len()).iter().copied().collect();
        self.views.sorted((&self.views.rows * states).as_slice(), sensors_c)
    }
}

impl Views {
    fn of(reduced: &Reduced, extremes: &Extremes, n: usize) -> Self {
        let solid = &reduced.solid;
        let mut places = extremes.in_batteries(solid);
        let cells = 0..places.len();
        places.extend(extremes.plate.iter().map(|&at| solid.over_pad(at)));
        let plate = cells.end..places.len();
        places.extend(extremes.pad.iter().map(|&at| solid.part_of_pad(at)));
        let pad = plate.end..places.len();
        let air = places.len();
        places.push(vec![(solid.air.0, 1.0)]);
        Self {
            rows: reduced.rows(places).resize_horizontally(n, 0.0),
            cells,
            of_battery: extremes.batteries.iter().map(Vec::len).collect(),
            pad,
            plate,
            air,
        }
    }

    /// Sorts what all rows show (°C) by what they are places of.
    fn sorted(&self, seen_c: &[f64], sensors_c: Vec<f64>) -> Temperatures {
        let mut cells = seen_c[self.cells.clone()].iter().copied();
        Temperatures {
            pad_c: warmest(&seen_c[self.pad.clone()]),
            plate_c: warmest(&seen_c[self.plate.clone()]),
            air_c: seen_c[self.air],
            batteries_c: self.of_battery.iter().map(|count| cells.by_ref().take(*count).collect()).collect(),
            sensors_c,
        }
    }
}

fn warmest(seen_c: &[f64]) -> f64 {
    seen_c.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// Wind of a class (m/s).
fn class_wind(class: usize) -> f64 {
    as_f64(class) * WIND_CLASS
}

/// A plant on its way through time.
#[derive(Clone, Debug)]
pub struct Run<'p> {
    plant: &'p Plant,
    class: usize,
    modes: &'p Class,
    wave: Wave,
    /// What the views tend to, once anyone looks under the present drive.
    tends: OnceLock<Tends>,
    heat: Heat,
    air: Air,
    audit: Audit,
}

/// A moment of a run to come back to; see [`Run::save`].
#[derive(Debug)]
pub struct Mark {
    moment: Moment,
    outside_c: f64,
    audit: Since,
}

impl Clone for Mark {
    fn clone(&self) -> Self {
        Self { moment: self.moment.clone(), ..*self }
    }

    fn clone_from(&mut self, source: &Self) {
        (self.outside_c, self.audit) = (source.outside_c, source.audit);
        self.moment.clone_from(&source.moment);
    }
}

/// Heat accounted for so far.
#[derive(Clone, Debug)]
struct Audit {
    /// Heat content at the start (J above 0 °C).
    at_start: f64,
    /// The modes when the current class of wind began.
    from: DVector<f64>,
    since: Since,
    /// Totals up to then.
    put_in_j: f64,
    lost_j: f64,
    turned_over_j: f64,
}

/// What has gone in since the current class of wind began, and for how long.
#[derive(Clone, Copy, Debug, Default)]
struct Since {
    seconds: f64,
    heater_j: f64,
    bank_j: f64,
    /// Integral of the outside temperature over time (K s).
    outside_ks: f64,
}

impl Audit {
    fn new(plant: &Plant) -> Self {
        Self {
            at_start: 0.0,
            from: DVector::zeros(plant.states()),
            since: Since::default(),
            put_in_j: 0.0,
            lost_j: 0.0,
            turned_over_j: 0.0,
        }
    }
}

impl<'p> Run<'p> {
    /// Sets the weather from now on.
    pub fn set_air(&mut self, air: Air) {
        let class = self.plant.class(air.wind_m_s);
        self.close_account();
        if class != self.class {
            let temperatures = self.modes.modes.temperatures(&self.wave);
            self.class = class;
            self.modes = self.plant.modes(class);
            self.wave = self.modes.modes.wave(&temperatures);
            self.audit.from = self.wave.modes();
        }
        self.air = air;
        self.drive();
    }

    /// Whether it is of this plant.
    #[must_use]
    pub fn is_of(&self, plant: &Plant) -> bool {
        std::ptr::eq(self.plant, plant)
    }

    /// Goes on in another plant, whose bodies have the same measures. All heat stays where it is, as far as the other plant can
    /// show it: see [`Plant::become_that_of`]. Thermometers keep their temperatures.
    pub fn move_to(&mut self, plant: &'p Plant) {
        self.close_account();
        let before = self.plant;
        let states = self.modes.modes.temperatures(&self.wave);
        let held_j = before.content.dot(&states);
        let mut cells = plant.reduced.of_cells(&before.reduced.cells_c(&states));
        let (count, sensors) = (cells.len(), plant.sensors.len());
        cells = cells.resize_vertically(count + sensors, 0.0);
        cells.rows_mut(count, sensors).copy_from(&states.rows(before.reduced.states(), sensors));
        self.plant = plant;
        self.class = plant.class(self.air.wind_m_s);
        self.modes = plant.modes(self.class);
        self.wave = self.modes.modes.wave(&cells);
        self.audit.at_start += plant.content.dot(&cells) - held_j;
        self.audit.from = self.wave.modes();
        self.drive();
    }

    /// Sets the heat from now on.
    pub fn set_heat(&mut self, heat: Heat) {
        if self.heat != heat {
            self.heat = heat;
            self.drive();
        }
    }

    fn drive(&mut self) {
        let Class { modes, heats: [of_current, of_bank, of_heater], .. } = self.modes;
        let heats = [(1.0, of_current), (self.heat.bank_w, of_bank), (self.heat.heater_w, of_heater)];
        let boundary_c = [self.air.outside_c, self.plant.ground_c];
        let drive = Drive { heats: &heats, boundary_c, slope_k_per_s: [self.air.slope_k_per_s, 0.0] };
        modes.drive(&mut self.wave, &drive);
        self.tends = OnceLock::new();
    }

    fn tends(&self) -> &Tends {
        self.tends.get_or_init(|| self.modes.lens.tends(&self.wave))
    }

    /// What some rows of the views show (°C).
    fn seen(&self, rows: &Range<usize>) -> Vec<f64> {
        self.wave.seen(&self.modes.lens, self.tends(), rows)
    }

    /// Advances by a step.
    #[inline]
    pub fn step(&mut self) {
        self.modes.modes.step(&mut self.wave);
        self.passed(self.plant.step_s);
    }

    /// Advances by some steps, up to [`Run::LONGEST_LEAP`].
    pub fn leap(&mut self, steps: usize) {
        self.modes.modes.leap(self.wave.moment_mut(), steps);
        self.passed(as_f64(steps) * self.plant.step_s);
    }

    /// Most steps of one leap.
    pub const LONGEST_LEAP: usize = Modes::LONGEST;

    /// Where the elements of the thermometers go in the next steps, up to [`Run::LONGEST_LEAP`]. `scratch` saves an
    /// allocation.
    #[must_use]
    pub fn ahead(&self, steps: usize, scratch: &mut Vec<f64>) -> Ahead {
        self.modes.modes.ahead(&self.wave, self.wave.moment(), steps, scratch)
    }

    /// The same from a mark on. Weather and heat must be what they were there.
    #[must_use]
    pub fn ahead_of(&self, mark: &Mark, steps: usize, scratch: &mut Vec<f64>) -> Ahead {
        self.modes.modes.ahead(&self.wave, &mark.moment, steps, scratch)
    }

    /// Moves a mark on by some steps, up to [`Run::LONGEST_LEAP`]. It can then be read, and not be returned to.
    pub fn move_on(&self, mark: &mut Mark, steps: usize) {
        self.modes.modes.leap(&mut mark.moment, steps);
    }

    /// Temperatures of the thermometers' elements at a mark (°C).
    #[must_use]
    pub fn sensors_at_c(&self, mark: &Mark) -> [f64; MAX_CHANNELS] {
        self.modes.modes.read(&self.wave, &mark.moment)
    }

    /// Makes a mark at this moment.
    #[must_use]
    pub fn mark(&self) -> Mark {
        Mark { moment: self.wave.moment().clone(), outside_c: self.air.outside_c, audit: self.audit.since }
    }

    /// Moves a mark to this moment.
    pub fn save(&self, mark: &mut Mark) {
        mark.moment.clone_from(self.wave.moment());
        (mark.outside_c, mark.audit) = (self.air.outside_c, self.audit.since);
    }

    /// Returns to a mark. Do not set weather or heat between mark and return.
    pub fn restore(&mut self, mark: &Mark) {
        self.wave.go_to(&mark.moment);
        (self.air.outside_c, self.audit.since) = (mark.outside_c, mark.audit);
    }

    /// Advances by any time (s).
    pub fn advance(&mut self, seconds: f64) {
        self.modes.modes.advance(&mut self.wave, seconds);
        self.passed(seconds);
    }

    #[inline]
    fn passed(&mut self, seconds: f64) {
        let since = &mut self.audit.since;
        since.seconds += seconds;
        since.heater_j += self.heat.heater_w * seconds;
        since.bank_j += self.heat.bank_w * seconds;
        let climbed = self.air.slope_k_per_s * seconds;
        since.outside_ks += (self.air.outside_c + climbed / 2.0) * seconds;
        self.air.outside_c += climbed;
    }

    /// Outside temperature now (°C).
    #[must_use]
    pub const fn outside_c(&self) -> f64 {
        self.air.outside_c
    }

    /// Temperatures of the thermometers' elements (°C), in the order of the settings. Entries beyond them have no
    /// meaning.
    #[inline]
    #[must_use]
    pub fn sensors_c(&self) -> [f64; MAX_CHANNELS] {
        self.modes.modes.read(&self.wave, self.wave.moment())
    }

    /// The coldest and the warmest place of any battery, inside or on the case (°C).
    #[must_use]
    pub fn cells_range_c(&self) -> [f64; 2] {
        let seen = self.seen(&self.plant.views.cells);
        seen.into_iter().fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], t| [low.min(t), high.max(t)])
    }

    /// How cold the places of the batteries become in the next steps, up to [`Run::LONGEST_LEAP`] (°C, K).
    #[must_use]
    pub fn depths_ahead(&self, steps: usize, scratch: &mut Vec<f64>) -> Depths {
        let cells = (&self.modes.lens, self.tends(), &self.plant.views.cells);
        self.modes.modes.depths_ahead(&self.wave, cells, steps, scratch)
    }

    /// The coldest place of any battery (°C).
    #[must_use]
    pub fn coldest_cell_c(&self) -> f64 {
        self.cells_range_c()[0]
    }

    /// The warmest place of the plate (°C).
    #[must_use]
    pub fn plate_c(&self) -> f64 {
        warmest(&self.seen(&self.plant.views.plate))
    }

    /// The warmest place of the pad (°C).
    #[must_use]
    pub fn pad_c(&self) -> f64 {
        warmest(&self.seen(&self.plant.views.pad))
    }

    /// All temperatures.
    #[must_use]
    pub fn temperatures(&self) -> Temperatures {
        let all = 0..self.plant.views.air + 1;
        self.plant.views.sorted(&self.seen(&all), self.sensors_c()[..self.plant.sensors.len()].to_vec())
    }

    /// Where the heat went since the start.
    #[must_use]
    pub fn balance(&mut self) -> Balance {
        self.close_account();
        let held = self.plant.content.dot(&self.modes.modes.temperatures(&self.wave));
        let Audit { at_start, put_in_j, lost_j, turned_over_j, .. } = self.audit;
        Balance { put_in_j, lost_j, held_j: held - at_start, turned_over_j }
    }

    fn close_account(&mut self) {
        let Audit { from, since, .. } = &self.audit;
        if since.seconds <= 0.0 {
            return;
        }
        let plant = self.plant;
        let heat_j = &plant.self_heat_w * since.seconds + &plant.bank * since.bank_j + &plant.heater * since.heater_j;
        let put_in_j = plant.self_heat_w.sum() * since.seconds + since.bank_j + since.heater_j;
        let boundary_ks = [since.outside_ks, self.plant.ground_c * since.seconds];
        let now = self.wave.modes();
        let [outside, ground] = self.modes.modes.lost(from, &now, &heat_j, boundary_ks);
        let audit = &mut self.audit;
        audit.put_in_j += put_in_j;
        audit.lost_j += outside + ground;
        audit.turned_over_j += outside.abs() + ground.abs() + put_in_j;
        audit.from = now;
        audit.since = Since::default();
    }
}

//! The plant: what the bank, its heater and its box do with heat. In f64, for the host only.
//!
//! A [`Network`] of bodies and conductances is taken apart into modes that decay each by itself, so that any stretch of time with
//! constant heat and straight weather is crossed exactly, in one step or in many. Wind changes the outside film and so the network:
//! it is taken as constant between two points of the weather, in classes of half a metre per second.
//!
//! | module | holds |
//! |---|---|
//! | `network` | bodies, conductances, boundaries |
//! | `body` | the network of an installation |
//! | `modes` | exact stepping |

mod body;
mod modes;
mod network;

#[cfg(test)]
mod tests;

use crate::site::{Site, StandsOn};
pub use body::LAYERS;
use body::{Body, Skin};
use forewarm_core::settings::MAX_CHANNELS;
use modes::{Drive, Modes, Wave, as_f64};
use nalgebra::DVector;
pub use network::{Boundary, Network, Node};
use std::cell::OnceCell;

/// One installation's plant.
#[derive(Debug)]
pub struct Plant {
    body: Body,
    step_s: f64,
    ground_c: f64,
    exposure: f64,
    /// Heat of self-heating (W), by node.
    self_heat_w: DVector<f64>,
    /// Part of the bank's own heat that each node gets.
    bank_shares: DVector<f64>,
    /// Made when a wind first blows.
    classes: Vec<OnceCell<Modes>>,
}

/// Width of a class of wind (m/s), and how many there are. The last holds all stronger wind: there the film no longer matters.
const WIND_CLASS: f64 = 0.5;
const WIND_CLASSES: usize = 81;

/// Temperatures of the parts (°C).
#[derive(Clone, Debug, PartialEq)]
pub struct Temperatures {
    /// The heater pad.
    pub pad_c: f64,
    /// The spreader plate.
    pub plate_c: f64,
    /// The air in the box.
    pub air_c: f64,
    /// The layers of each battery, from the plate upwards.
    pub layers_c: Vec<Vec<f64>>,
    /// The coldest side of each layer of each battery, likewise; then its top and its base.
    pub faces_c: Vec<Vec<f64>>,
    /// The thermometers' elements, in the order of the settings.
    pub sensors_c: Vec<f64>,
}

impl Temperatures {
    /// Where the cells of one battery are: the layers' means and their coldest outer faces (°C). Nothing where there is no such battery.
    pub fn cells_c(&self, battery: usize) -> impl Iterator<Item = f64> {
        let places = [self.layers_c.get(battery), self.faces_c.get(battery)];
        places.into_iter().flatten().flatten().copied()
    }

    /// The same of all batteries, one after the other.
    pub fn all_cells_c(&self) -> impl Iterator<Item = f64> {
        (0..self.layers_c.len()).flat_map(|battery| self.cells_c(battery))
    }

    /// The coldest place of any battery, within its layers or at their outer faces (°C).
    #[must_use]
    pub fn coldest_cell_c(&self) -> f64 {
        self.all_cells_c().fold(f64::INFINITY, f64::min)
    }

    /// The warmest layer of any battery (°C).
    #[must_use]
    pub fn warmest_cell_c(&self) -> f64 {
        self.layers_c.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max)
    }
}

/// Heat that is put in, constant until it is set anew.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Heat {
    /// By the heater (W).
    pub heater_w: f64,
    /// By the current through the bank's resistance, all batteries together (W).
    pub bank_w: f64,
}

/// Weather until it is set anew: the temperature runs straight, the wind is constant.
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
    /// Held more at the end than at the start.
    pub held_j: f64,
    /// All heat that crossed a boundary either way, to compare a difference with.
    pub turned_over_j: f64,
}

impl Plant {
    /// The plant of `site`, to be stepped by multiples of `step_s` seconds.
    #[must_use]
    pub fn new(site: &Site, step_s: f64) -> Self {
        Self::with_layers(site, step_s, LAYERS)
    }

    /// The same with another number of layers in each battery, at least 2.
    #[must_use]
    pub fn with_layers(site: &Site, step_s: f64, layers: usize) -> Self {
        let body = Body::new(site, layers);
        let n = body.network.len();
        let mut self_heat_w = DVector::zeros(n);
        for (node, heat_w) in body.sensors.iter().zip(site.self_heating_w()) {
            self_heat_w[node.0] = heat_w;
        }
        let mut bank_shares = DVector::zeros(n);
        let part = 1.0 / (as_f64(body.layers.len()) * as_f64(layers));
        body.layers.iter().flatten().for_each(|node| bank_shares[node.0] = part);
        Self {
            body,
            step_s,
            ground_c: match site.place.stands_on {
                StandsOn::Air => 0.0,
                StandsOn::Ground(ground_c) => ground_c,
            },
            exposure: site.place.exposure,
            self_heat_w,
            bank_shares,
            classes: (0..WIND_CLASSES).map(|_| OnceCell::new()).collect(),
        }
    }

    /// Bodies in its network.
    #[must_use]
    pub const fn nodes(&self) -> usize {
        self.body.network.len()
    }

    /// Temperatures at which nothing changes any more.
    #[must_use]
    pub fn steady(&self, outside_c: f64, wind_m_s: f64, heat: Heat) -> Temperatures {
        self.sorted(&self.steady_nodes(outside_c, wind_m_s, heat))
    }

    /// The same, node by node.
    fn steady_nodes(&self, outside_c: f64, wind_m_s: f64, heat: Heat) -> DVector<f64> {
        let network = self.body.in_wind(class_wind(self.class(wind_m_s)));
        let heat_w: Vec<f64> = self.heat_w(heat).iter().copied().collect();
        // Every body leads to the outside through the box air.
        let all = network.steady(&heat_w, outside_c, self.ground_c).unwrap_or_else(|| vec![outside_c; network.len()]);
        DVector::from_vec(all)
    }

    /// Starts with everything at one temperature (°C), in still air of 0 °C and unheated until either is set.
    #[must_use]
    pub fn at_rest(&self, temperature_c: f64) -> Run<'_> {
        self.start(&DVector::from_element(self.nodes(), temperature_c))
    }

    /// Starts from what is steady in such air with such heat, and stays there until either is set.
    #[must_use]
    pub fn settled(&self, outside_c: f64, wind_m_s: f64, heat: Heat) -> Run<'_> {
        let mut run = self.start(&self.steady_nodes(outside_c, wind_m_s, heat));
        run.set_air(Air { outside_c, slope_k_per_s: 0.0, wind_m_s });
        run.set_heat(heat);
        run
    }

    fn start(&self, temperatures: &DVector<f64>) -> Run<'_> {
        let modes = self.modes(0);
        let wave = modes.wave(temperatures);
        let mut run = Run {
            plant: self,
            class: 0,
            modes,
            surfaces: Surfaces::new(self, modes),
            wave: wave.clone(),
            heat: Heat::default(),
            air: Air::default(),
            audit: Audit { at_start: self.body.network.capacities().dot(temperatures), from: wave, ..Audit::new(self) },
        };
        run.drive();
        run
    }

    fn class(&self, wind_m_s: f64) -> usize {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
        let class = (wind_m_s * self.exposure / WIND_CLASS).round() as usize;
        class.min(WIND_CLASSES - 1)
    }

    fn modes(&self, class: usize) -> &Modes {
        self.classes[class].get_or_init(|| {
            let read: Vec<usize> = self.body.sensors.iter().map(|node| node.0).collect();
            Modes::new(&self.body.in_wind(class_wind(class)), self.step_s, &read)
        })
    }

    fn heat_w(&self, heat: Heat) -> DVector<f64> {
        let mut all = &self.self_heat_w + &self.bank_shares * heat.bank_w;
        all[self.body.pad.0] += heat.heater_w;
        all
    }

    fn sorted(&self, all: &DVector<f64>) -> Temperatures {
        let body = &self.body;
        let layers_c: Vec<Vec<f64>> =
            body.layers.iter().map(|block| block.iter().map(|node| all[node.0]).collect()).collect();
        let air_c = all[body.air.0];
        let plate_c = all[body.plate.0];
        let faces = |block: &Vec<f64>, skin: &Skin| -> Vec<f64> {
            let towards = |part: f64, layer_c: f64, outside_c: f64| layer_c + part * (outside_c - layer_c);
            let sides = block.iter().map(|&layer_c| towards(skin.side(), layer_c, air_c));
            let top = block.last().map(|&layer_c| towards(skin.top, layer_c, air_c));
            let base = block.first().map(|&layer_c| towards(skin.base, layer_c, plate_c));
            sides.chain(top).chain(base).collect()
        };
        Temperatures {
            faces_c: layers_c.iter().zip(&body.skins).map(|(block, skin)| faces(block, skin)).collect(),
            pad_c: all[body.pad.0],
            plate_c,
            air_c,
            layers_c,
            sensors_c: body.sensors.iter().map(|node| all[node.0]).collect(),
        }
    }
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
    modes: &'p Modes,
    surfaces: Surfaces,
    wave: Wave,
    heat: Heat,
    air: Air,
    audit: Audit,
}

/// What the batteries' layers, the air about them and the plate are read by.
#[derive(Clone, Debug)]
struct Surfaces {
    layers: Vec<Vec<Vec<f64>>>,
    air: Vec<f64>,
    plate: Vec<f64>,
}

impl Surfaces {
    fn new(plant: &Plant, modes: &Modes) -> Self {
        let of = |node: &Node| modes.weights(&[(node.0, 1.0)]);
        Self {
            layers: plant.body.layers.iter().map(|block| block.iter().map(of).collect()).collect(),
            air: of(&plant.body.air),
            plate: of(&plant.body.plate),
        }
    }
}

/// A moment of a run to come back to; see [`Run::save`].
#[derive(Clone, Debug)]
pub struct Mark {
    wave: Wave,
    outside_c: f64,
    audit: Since,
}

/// Heat accounted for so far.
#[derive(Clone, Debug)]
struct Audit {
    /// Heat content at the start (J above 0 °C).
    at_start: f64,
    /// The modes when the current class of wind was taken up.
    from: Wave,
    since: Since,
    /// Up to then.
    put_in_j: f64,
    lost_j: f64,
    turned_over_j: f64,
}

/// What has gone in since the current class of wind was taken up, and for how long.
#[derive(Clone, Copy, Debug, Default)]
struct Since {
    seconds: f64,
    heater_j: f64,
    bank_j: f64,
    /// Outside temperature over time (K s).
    outside_ks: f64,
}

impl Audit {
    fn new(plant: &Plant) -> Self {
        Self {
            at_start: 0.0,
            from: plant.modes(0).wave(&DVector::zeros(plant.nodes())),
            since: Since::default(),
            put_in_j: 0.0,
            lost_j: 0.0,
            turned_over_j: 0.0,
        }
    }
}

impl Run<'_> {
    /// Sets the weather from now on.
    pub fn set_air(&mut self, air: Air) {
        let class = self.plant.class(air.wind_m_s);
        self.close_account();
        if class != self.class {
            let temperatures = self.modes.temperatures(&self.wave);
            self.class = class;
            self.modes = self.plant.modes(class);
            self.wave = self.modes.wave(&temperatures);
            self.surfaces = Surfaces::new(self.plant, self.modes);
            self.audit.from = self.wave.clone();
        }
        self.air = air;
        self.drive();
    }

    /// Sets the heat from now on.
    pub fn set_heat(&mut self, heat: Heat) {
        self.heat = heat;
        self.drive();
    }

    fn drive(&mut self) {
        let heat_w = self.plant.heat_w(self.heat);
        let boundary_c = [self.air.outside_c, self.plant.ground_c];
        let drive = Drive { heat_w: &heat_w, boundary_c, slope_k_per_s: [self.air.slope_k_per_s, 0.0] };
        self.modes.drive(&mut self.wave, &drive);
    }

    /// Goes on by so many steps, from 1 to [`Run::LONGEST_LEAP`].
    #[inline]
    pub fn leap(&mut self, steps: usize) {
        self.modes.leap(&mut self.wave, steps);
        self.passed(as_f64(steps) * self.plant.step_s);
    }

    /// Most steps of one leap.
    pub const LONGEST_LEAP: usize = Modes::LONGEST;

    /// A mark at this moment.
    #[must_use]
    pub fn mark(&self) -> Mark {
        Mark { wave: self.wave.clone(), outside_c: self.air.outside_c, audit: self.audit.since }
    }

    /// Moves a mark to this moment.
    pub fn save(&self, mark: &mut Mark) {
        mark.wave.clone_from(&self.wave);
        (mark.outside_c, mark.audit) = (self.air.outside_c, self.audit.since);
    }

    /// Goes back to a mark. Weather and heat must not have been set since.
    pub fn restore(&mut self, mark: &Mark) {
        self.wave.clone_from(&mark.wave);
        (self.air.outside_c, self.audit.since) = (mark.outside_c, mark.audit);
    }

    /// Goes on by any time (s).
    pub fn advance(&mut self, seconds: f64) {
        self.modes.advance(&mut self.wave, seconds);
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

    /// Temperatures of the thermometers' elements (°C), in the order of the settings; what lies beyond has no meaning.
    #[inline]
    #[must_use]
    pub fn sensors_c(&self) -> [f64; MAX_CHANNELS] {
        self.modes.read(&self.wave)
    }

    /// The coldest place of any battery, within its layers or at their outer faces (°C).
    #[must_use]
    pub fn coldest_cell_c(&self) -> f64 {
        let (air_c, plate_c) = (self.wave.weigh(&self.surfaces.air), self.plate_c());
        let towards = |part: f64, layer_c: f64, outside_c: f64| layer_c + part * (outside_c - layer_c);
        let mut coldest = f64::INFINITY;
        for (block, skin) in self.surfaces.layers.iter().zip(&self.plant.body.skins) {
            let (mut base_c, mut top_c) = (f64::NAN, f64::NAN);
            for weights in block {
                let layer_c = self.wave.weigh(weights);
                base_c = if base_c.is_nan() { layer_c } else { base_c };
                top_c = layer_c;
                coldest = coldest.min(layer_c).min(towards(skin.side(), layer_c, air_c));
            }
            coldest = coldest.min(towards(skin.top, top_c, air_c)).min(towards(skin.base, base_c, plate_c));
        }
        coldest
    }

    /// The warmest layer of any battery (°C).
    #[must_use]
    pub fn warmest_cell_c(&self) -> f64 {
        let layers = self.surfaces.layers.iter().flatten();
        layers.map(|weights| self.wave.weigh(weights)).fold(f64::NEG_INFINITY, f64::max)
    }

    /// The plate (°C).
    #[must_use]
    pub fn plate_c(&self) -> f64 {
        self.wave.weigh(&self.surfaces.plate)
    }

    /// All temperatures.
    #[must_use]
    pub fn temperatures(&self) -> Temperatures {
        self.plant.sorted(&self.modes.temperatures(&self.wave))
    }

    /// Where the heat went since the start.
    #[must_use]
    pub fn balance(&mut self) -> Balance {
        self.close_account();
        let held = self.plant.body.network.capacities().dot(&self.modes.temperatures(&self.wave));
        let Audit { at_start, put_in_j, lost_j, turned_over_j, .. } = self.audit;
        Balance { put_in_j, lost_j, held_j: held - at_start, turned_over_j }
    }

    fn close_account(&mut self) {
        let Audit { from, since, .. } = &self.audit;
        if since.seconds <= 0.0 {
            return;
        }
        let mut heat_j = &self.plant.self_heat_w * since.seconds + &self.plant.bank_shares * since.bank_j;
        heat_j[self.plant.body.pad.0] += since.heater_j;
        let boundary_ks = [since.outside_ks, self.plant.ground_c * since.seconds];
        let [outside, ground] = self.modes.lost(from, &self.wave, &heat_j, boundary_ks);
        let audit = &mut self.audit;
        audit.put_in_j += heat_j.sum();
        audit.lost_j += outside + ground;
        audit.turned_over_j += outside.abs() + ground.abs() + heat_j.sum();
        audit.from.clone_from(&self.wave);
        audit.since = Since::default();
    }
}

//! Logs that a plant makes which is not as planned, with noise of several colours. The plant has patterns of its own and its own steps, so
//! nothing of a fit is in them but the equations.
#![allow(dead_code, missing_docs, unreachable_pub, reason = "not every test uses all of it")]

use forewarm::identify::{Assumed, Found, Identified, identify};
use forewarm::installation::Installation;
use forewarm::plant::{Air, Heat, Plant, Shape};
use forewarm::replay::{Mapping, ReplayError, Request};
use forewarm::site::Site;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use std::fmt::Write;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock};

/// The hut that the plant is judged with.
pub fn hut() -> &'static Installation {
    static HUT: OnceLock<Installation> = OnceLock::new();
    HUT.get_or_init(|| {
        let path = format!("{}/../tests/data/sideways/hut.toml", env!("CARGO_MANIFEST_DIR"));
        Installation::load(Path::new(&path)).expect("it passes its check")
    })
}

pub fn site() -> &'static Site {
    hut().site.as_ref().expect("a site")
}

pub const POWER_W: f64 = 120.0;

/// A normal number, by Box and Muller.
pub fn normal(random: &mut Pcg64) -> f64 {
    let (a, b): (f64, f64) = (random.random_range(f64::EPSILON..1.0), random.random_range(0.0..1.0));
    (-2.0 * libm::log(a)).sqrt() * libm::cos(std::f64::consts::TAU * b)
}

/// What is wrong with the readings.
#[derive(Clone, Copy, Debug)]
pub struct Noise {
    /// From reading to reading (K).
    pub white_k: f64,
    /// A wander of each thermometer by itself (K), and how fast it forgets (s).
    pub wander_k: f64,
    pub forgets_s: f64,
    /// Offset of each thermometer, as a standard deviation (K); that of the outside's, and of each part of its swing over the day.
    pub offset_k: f64,
    pub around_k: f64,
    pub swing_k: f64,
    /// What a reading is a multiple of (K).
    pub step_k: f64,
}

pub const WHITE: Noise =
    Noise { white_k: 0.03, wander_k: 0.0, forgets_s: 1.0, offset_k: 0.1, around_k: 0.3, swing_k: 0.5, step_k: 0.0 };

/// How a log is made.
#[derive(Clone, Debug)]
pub struct Made {
    pub hours: f64,
    pub every_s: f64,
    /// Whether the heater's power is logged, and not only its state.
    pub power: bool,
    /// What the pad gives, as a part of its plan.
    pub pad: f64,
    /// Standard deviation of the gain of the power's measurement.
    pub gain: f64,
    pub noise: Noise,
    pub seed: u64,
}

impl Default for Made {
    fn default() -> Self {
        Self { hours: 72.0, every_s: 60.0, power: true, pad: 1.0, gain: 0.01, noise: WHITE, seed: 1 }
    }
}

/// A bank that differs from its plan as its tolerances have it, in every way that a fit looks for or has to bear.
pub struct Drawn {
    pub plant: Plant,
    pub pad: f64,
    /// The truth of each parameter, by its name.
    pub truth: Vec<(&'static str, f64)>,
}

impl Drawn {
    /// Draw number `seed`. Its patterns are about another draw, so that the patterns of a fit can be wrong about it.
    pub fn new(seed: u64) -> Self {
        static SHAPES: Mutex<Vec<(u64, Arc<Shape>)>> = Mutex::new(Vec::new());
        let about = seed / 25;
        let mut shapes = SHAPES.lock().expect("no test fails while it holds it");
        let found = shapes.iter().find(|(other, _)| *other == about).map(|(_, shape)| Arc::clone(shape));
        let shape = found.unwrap_or_else(|| {
            let made = Arc::new(Shape::for_a_fit(&drawn(1_000_000 + about).0));
            shapes.push((about, Arc::clone(&made)));
            made
        });
        drop(shapes);
        let (drawn, pad) = drawn(seed);
        let plant = Plant::in_shape(&shape, &drawn, 1.0);
        let contact = |battery: usize| drawn.plate.contact_of(battery);
        let truth = vec![
            ("heat_loss", plant.loss_w_per_k(drawn.place.design_wind_m_s)),
            ("heat_capacity", 2.0 * drawn.battery.mass_kg * drawn.battery.specific_heat_j_per_kg_k),
            ("pad_power", POWER_W * pad),
            ("plate_to_cell_1", contact(0)),
            ("plate_to_cell_2", contact(1)),
            ("cell_to_cell", drawn.battery.conductivity_up_w_per_m_k),
        ];
        Self { plant, pad, truth }
    }
}

/// A site within its tolerances, and what its pad gives.
fn drawn(seed: u64) -> (Site, f64) {
    let mut random = Pcg64::seed_from_u64(seed ^ 0x5eed);
    let mut factor = |sd: f64| libm::exp(sd * normal(&mut random));
    let mut drawn = site().clone();
    let tolerance = &site().tolerance;
    // What is sought, by less than what asks for other patterns.
    drawn.enclosure.loss *= factor(0.08);
    drawn.battery.specific_heat_j_per_kg_k *= factor(tolerance.specific_heat / 3.0_f64.sqrt());
    drawn.battery.scale_conductivity(factor(0.08));
    drawn.plate.contact_parts = vec![factor(0.08), factor(0.08)];
    let pad = factor(0.08);
    // What stands in the way, by as much as the file says.
    drawn.enclosure.inside_w_per_m2_k *= factor(tolerance.film / 3.0_f64.sqrt());
    drawn.pad.bond_w_per_m2_k *= factor(tolerance.contact / 3.0_f64.sqrt());
    let share = factor(tolerance.air_share / 3.0_f64.sqrt());
    drawn.mountings.iter_mut().for_each(|mounting| mounting.air_share = (mounting.air_share * share).min(0.5));
    (drawn, pad)
}

/// Whether the heater is on: for some hours of each day.
fn is_on(hour: f64) -> bool {
    (6.0..9.0).contains(&(hour % 24.0)) || (15.0..16.5).contains(&(hour % 24.0))
}

impl Made {
    /// The log that `plant` makes, in weather that swings and wanders.
    pub fn log(&self, plant: &Plant) -> String {
        let Noise { white_k, wander_k, forgets_s, offset_k, around_k, swing_k, step_k } = self.noise;
        let mut random = Pcg64::seed_from_u64(self.seed);
        let wind_m_s = site().place.design_wind_m_s;
        let mut run = plant.settled(-5.0, wind_m_s, Heat::default());
        let mut wanders = [0; 4].map(|_| wander_k * normal(&mut random));
        let offsets = [0; 4].map(|_| offset_k * normal(&mut random));
        let around_k = around_k * normal(&mut random);
        let swing_k = [0; 2].map(|_| swing_k * normal(&mut random));
        let gain = 1.0 + self.gain * normal(&mut random);
        let left = libm::exp(-self.every_s / forgets_s);
        let power = if self.power { ",heater_w" } else { "" };
        let mut log = format!("elapsed_s,battery_1_c,battery_2_c,plate_c,box_air_c,outside_c,heater{power}\n");
        let (mut wander, mut outside_c, mut at_s) = (0.0, -5.0, 0.0);
        while at_s <= self.hours * 3600.0 {
            let (hour, next_hour) = (at_s / 3600.0, (at_s + self.every_s) / 3600.0);
            let _ = write!(log, "{at_s}");
            for (channel, sensor_c) in run.sensors_c().into_iter().take(4).enumerate() {
                let mut shown_c = sensor_c + offsets[channel] + wanders[channel] + white_k * normal(&mut random);
                if step_k > 0.0 {
                    shown_c = (shown_c / step_k).round() * step_k;
                }
                let _ = write!(log, ",{shown_c:.5}");
            }
            let (sine, cosine) = libm::sincos(std::f64::consts::TAU * hour / 24.0);
            let shown_c = outside_c + around_k + swing_k[0] * cosine + swing_k[1] * sine;
            let _ = write!(log, ",{shown_c:.5},{}", u8::from(is_on(hour)));
            if self.power {
                let _ = write!(log, ",{:.4}", if is_on(hour) { POWER_W * self.pad * gain } else { 0.0 });
            }
            log.push('\n');
            wander = wander * 0.995 + 0.05 * normal(&mut random);
            let next_c = -5.0 + 4.0 * libm::sin(std::f64::consts::TAU * (next_hour - 9.0) / 24.0) + wander;
            let slope_k_per_s = (next_c - outside_c) / self.every_s;
            run.set_air(Air { outside_c, slope_k_per_s, wind_m_s });
            // It switches anywhere on the way to the row that shows it.
            let part: f64 = random.random_range(0.0..1.0);
            for (is_on, part) in [(is_on(hour), part), (is_on(next_hour), 1.0 - part)] {
                run.set_heat(Heat { heater_w: if is_on { POWER_W * self.pad } else { 0.0 }, bank_w: 0.0 });
                run.advance(self.every_s * part);
            }
            for wander in &mut wanders {
                *wander = left * *wander + (1.0 - left * left).sqrt() * wander_k * normal(&mut random);
            }
            (outside_c, at_s) = (next_c, at_s + self.every_s);
        }
        log
    }
}

pub fn request() -> Request {
    Request {
        log: "log".to_owned(),
        delimiter: None,
        mapping: Mapping::default(),
        step_ms: 1000,
        longest_gap_ms: None,
        strict: false,
    }
}

pub fn identified(log: &str) -> Identified {
    try_identified(log).unwrap_or_else(|error| panic!("{error:?}"))
}

pub fn try_identified(log: &str) -> Result<Identified, ReplayError> {
    identify(hut(), site(), log.as_bytes(), &request(), Assumed::default())
}

pub fn found<'i>(identified: &'i Identified, name: &str) -> &'i Found {
    let found = identified.parameters.iter().find(|found| found.name == name);
    found.unwrap_or_else(|| panic!("no {name} in {:?}", identified.parameters))
}

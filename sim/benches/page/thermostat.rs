//! A thermostat on the plant of an installation, through the first days of its winter: on the plant in steps of a
//! second, and on the same equations with LSODA, which finds by itself when the thermostat switches.
//!
//! The heater comes on where the coldest thermometer of a cell is *at or below* the temperature from which the
//! controller heats a bank that is not charged, and goes off *at or above* `heater.stop`. Sources, bank and charge are
//! left out.

use crate::outside::ask;
use forewarm::plant::{Air, Equations, Heat, Plant};
use forewarm::rehearse::Scenario;
use forewarm::si;
use forewarm_core::settings::{Phase, Role};
use serde::{Deserialize, Serialize};

/// Accuracy asked of LSODA: a part of each state, and the same in kelvins.
const TOLERANCE: f64 = 1e-6;
/// The heater's time may differ by this part. On the plant it switches up to a second late.
const AGREES: f64 = 0.01;

/// What the two play.
pub(crate) struct Thermostat {
    plant: Plant,
    hours: Vec<(Air, usize)>,
    cells: Vec<usize>,
    problem: Problem,
}

/// As `tests/tools/lsoda.py` reads it.
#[derive(Serialize)]
struct Problem {
    winds: Vec<Equations>,
    hours: Vec<Hour>,
    /// The states at the start.
    start: Vec<f64>,
    /// Which states are thermometers of cells.
    cells: Vec<usize>,
    start_c: f64,
    stop_c: f64,
    power_w: f64,
    tolerance: f64,
}

/// From one point of the weather to the next.
#[derive(Serialize)]
struct Hour {
    lasts_s: usize,
    from_c: f64,
    slope_k_per_s: f64,
    /// Index of its wind.
    wind: usize,
}

#[derive(Deserialize)]
struct Found {
    seconds: f64,
    heated_s: f64,
    came_on: u32,
}

impl Thermostat {
    pub(crate) fn new(scenario: &Scenario, days: i64) -> Self {
        let Scenario { settings, site, weather, .. } = scenario;
        let plant = Plant::new(site, 1.0);
        let (mut winds, mut hours, mut weathers) = (Vec::<Equations>::new(), Vec::new(), Vec::new());
        for pair in weather.points.windows(2).take_while(|pair| pair[0].at_s < days * 86_400) {
            let [from, to] = [pair[0], pair[1]];
            let lasts_s = u32::try_from(to.at_s - from.at_s).expect("hours");
            let slope_k_per_s = (to.outside_c - from.outside_c) / f64::from(lasts_s);
            let equations = plant.equations(to.wind_m_s);
            let wind = winds.iter().position(|known| *known == equations).unwrap_or_else(|| {
                winds.push(equations);
                winds.len() - 1
            });
            let lasts_s = usize::try_from(lasts_s).expect("hours");
            hours.push(Hour { lasts_s, from_c: from.outside_c, slope_k_per_s, wind });
            weathers.push((Air { outside_c: from.outside_c, slope_k_per_s, wind_m_s: to.wind_m_s }, lasts_s));
        }
        let cells: Vec<usize> =
            (0..settings.channels.len()).filter(|&channel| settings.channels[channel].role == Role::Cell).collect();
        // The thermometers are the last states.
        let first = plant.states() - site.mountings.len();
        let heats_from = settings.heats_from(Phase::Refused).expect("it heats while charge is refused");
        let problem = Problem {
            winds,
            start: plant.states_at_rest(hours[0].from_c),
            hours,
            cells: cells.iter().map(|channel| first + channel).collect(),
            start_c: si::celsius(heats_from),
            stop_c: si::celsius(settings.heater.stop),
            power_w: si::watts(settings.heater.power),
            tolerance: TOLERANCE,
        };
        Self { plant, hours: weathers, cells, problem }
    }

    /// Plays it on the plant. Says how long the heater was on (s) and how often it came on.
    pub(crate) fn on_the_plant(&self) -> (f64, u32) {
        let Problem { start_c, stop_c, power_w, .. } = self.problem;
        let mut run = self.plant.at_rest(self.hours[0].0.outside_c);
        let (mut heats, mut heated_s, mut came_on) = (false, 0.0, 0);
        for (air, lasts_s) in &self.hours {
            run.set_air(*air);
            for _ in 0..*lasts_s {
                let sensors_c = run.sensors_c();
                let coldest_c = self.cells.iter().map(|&cell| sensors_c[cell]).fold(f64::INFINITY, f64::min);
                let wanted = if heats { coldest_c < stop_c } else { coldest_c <= start_c };
                came_on += u32::from(wanted && !heats);
                heats = wanted;
                heated_s += f64::from(u8::from(heats));
                run.set_heat(Heat { heater_w: if heats { power_w } else { 0.0 }, bank_w: 0.0 });
                run.step();
            }
        }
        (heated_s, came_on)
    }

    /// How long LSODA takes (s), if it comes to the same.
    pub(crate) fn with_lsoda(&self) -> Result<f64, String> {
        let problem = serde_json::to_vec(&self.problem).expect("numbers");
        let found: Found = ask("lsoda.py", None, &problem)?;
        let (heated_s, came_on) = self.on_the_plant();
        if (found.heated_s / heated_s - 1.0).abs() > AGREES || found.came_on.abs_diff(came_on) > 1 {
            let [theirs, ours] = [found.heated_s, heated_s].map(|seconds| seconds / 3600.0);
            return Err(format!("not comparable: heat for {theirs:.1} h, not {ours:.1} h"));
        }
        Ok(found.seconds)
    }
}

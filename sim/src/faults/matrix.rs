//! All cells: every breakdown in every state at several outside temperatures.

use super::limits::Limits;
use super::scene::{self, Cell, Verdict};
use super::states::{self, Led};
use crate::breakdown::{AtSource, Breakdown};
use crate::diagnostic::Problem;
use crate::offer::Offer;
use crate::rehearse::{Broken, Pace, Plants, Scenario};
use crate::si;
use crate::threads;
use crate::weather::{Point, Weather};
use forewarm_core::Layer;
use forewarm_core::settings::{MAX_SOURCES, Settings};
use forewarm_core::signals::{Sources, State};
use rayon::prelude::*;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// What is asked for.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    /// Which of its judges the controller goes by.
    pub layer: Layer,
    /// Whether scenes leap.
    pub pace: Pace,
    /// Whether both relays have auxiliary contacts.
    pub has_contacts: bool,
}

/// The matrix of one installation.
#[derive(Clone, Debug)]
pub struct Matrix {
    /// What the fitter calls it.
    pub title: String,
    /// What no part may pass.
    pub limits: Limits,
    /// The outside temperatures (°C), the coldest first.
    pub outsides_c: Vec<f64>,
    /// Which states were reached, at which of these.
    pub reached: Vec<(State, Vec<bool>)>,
    /// Every breakdown with its name.
    pub breakdowns: Vec<(Breakdown, String)>,
    /// Every cell that was played: by breakdown, then by outside temperature, then by state.
    pub cells: Vec<Cell>,
    /// How many were to be played.
    pub wanted: usize,
    /// Which of its judges the controller went by.
    pub layer: Layer,
    /// Whether both relays had auxiliary contacts.
    pub has_contacts: bool,
}

/// What all scenes share.
pub(super) struct Desk<'p> {
    pub(super) scenario: Scenario,
    pub(super) plants: &'p Plants,
    pub(super) limits: Limits,
    pub(super) pace: Pace,
}

impl Desk<'_> {
    /// A scene at a constant outside temperature (°C). `start_c` is the temperature of everything at its start, where it does not go
    /// on from another. The sources are there from `fed_from_s` on (s).
    pub(super) fn scene(
        &self,
        outside_c: f64,
        start_c: Option<f64>,
        fed_from_s: Option<i64>,
        broken: Vec<Broken>,
    ) -> Scenario {
        let place = &self.scenario.site.place;
        let point = |at_s| Point { at_s, outside_c, wind_m_s: place.design_wind_m_s, irradiance_w_m2: 0.0 };
        // What a source does not give, another would. What it gives in secret comes on top of what the others do.
        let present = broken.iter().find_map(|broken| match broken.what {
            Breakdown::Source(source, AtSource::SaysAbsent) => Some(together(&self.scenario.settings, Some(source))),
            Breakdown::Source(source, _) => Some(vec![source]),
            _ => None,
        });
        let (mut power_w, mut sources) = ([0.0; MAX_SOURCES], Sources::NONE);
        for index in present.unwrap_or_else(|| together(&self.scenario.settings, None)) {
            power_w[index] = self.scenario.site.supplies[index].power_w;
            sources = sources.with(index);
        }
        let load_w = self.scenario.site.load.constant_w;
        let nothing = Offer { at_s: 0, sources: Sources::NONE, power_w: [0.0; MAX_SOURCES], load_w };
        let all = |at_s| Offer { at_s, sources, power_w, load_w };
        let offers = match fed_from_s {
            None => vec![nothing],
            Some(0) => vec![all(0)],
            Some(at_s) => vec![nothing, all(at_s)],
        };
        let mut scenario = self.scenario.clone();
        scenario.site.winter.start_c = start_c;
        scenario.weather.points = vec![point(0), point(i64::from(u32::MAX))];
        Scenario { offers, broken, ..scenario }
    }
}

/// Sources that can charge together, `first` among them. Those that do not obey the ceiling and could exceed it together never
/// would.
pub(crate) fn together(settings: &Settings, first: Option<usize>) -> Vec<usize> {
    let limits = settings.charge.ceiling.iter().map(|point| si::part(settings.charge.limit(point)));
    let most_a = limits.fold(0.0, f64::max) * si::amp_hours(settings.charge.capacity);
    let mut order: Vec<usize> = (0..settings.sources.len()).collect();
    order.sort_by_key(|index| Some(*index) != first);
    let mut given_a = 0.0;
    order.retain(|&index| {
        let gives_a = settings.sources[index].charge.reduced().map_or(0.0, si::amps);
        let fits = given_a + gives_a <= most_a;
        given_a += if fits { gives_a } else { 0.0 };
        fits
    });
    order
}

impl Matrix {
    /// Plays everything that can break in `scenario`, and reports to `progress` how many cells are done.
    ///
    /// # Errors
    /// Fails if no thread can be started, and only then.
    pub fn play(
        scenario: &Scenario,
        wanted: Wanted,
        stop: &AtomicBool,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Self, Problem> {
        Self::of(scenario, &Breakdown::every(scenario), wanted, stop, progress)
    }

    /// The same for some breakdowns.
    pub(crate) fn of(
        scenario: &Scenario,
        breakdowns: &[Breakdown],
        wanted: Wanted,
        stop: &AtomicBool,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Self, Problem> {
        let limits = Limits::of(&scenario.site, &scenario.settings);
        let plants = Plants::of(scenario, &scenario.site, breakdowns);
        // A heater may not run in a room's schedule here: the air is what the scene says.
        let mut site = scenario.site.clone();
        site.room = None;
        site.winter.start_charge = 0.5;
        let desk = Desk {
            scenario: Scenario {
                site,
                weather: Weather { points: Vec::new(), ..scenario.weather.clone() },
                offers: Vec::new(),
                layer: Layer::Both,
                has_contacts: wanted.has_contacts,
                thermal_cutouts: limits.thermal_cutouts.clone(),
                warnings: Vec::new(),
                shape: OnceLock::new(),
                ..scenario.clone()
            },
            plants: &plants,
            limits: limits.clone(),
            pace: wanted.pace,
        };
        let outsides_c = outsides_c(scenario);
        let pool = threads::pool()?;
        let mut led: Vec<Vec<Led<'_>>> =
            pool.install(|| outsides_c.par_iter().map(|&outside_c| states::lead(&desk, outside_c)).collect());
        let desk = Desk { scenario: Scenario { layer: wanted.layer, ..desk.scenario }, ..desk };
        let usual = |(outside_c, led): (&f64, &mut Vec<Led<'_>>)| {
            for led in led {
                led.usual = scene::usual(&desk, led, *outside_c);
            }
        };
        pool.install(|| outsides_c.par_iter().zip(led.par_iter_mut()).for_each(usual));
        let jobs: Vec<(Breakdown, f64, &Led<'_>)> = breakdowns
            .iter()
            .flat_map(|&breakdown| {
                outsides_c
                    .iter()
                    .zip(&led)
                    .flat_map(move |(&at_c, led)| led.iter().map(move |led| (breakdown, at_c, led)))
            })
            .collect();
        let done = AtomicU64::new(0);
        let cells = pool.install(|| {
            let cell = |&(breakdown, outside_c, led): &(Breakdown, f64, &Led<'_>)| {
                if stop.load(Ordering::Relaxed) {
                    return None;
                }
                let cell = scene::play(&desk, breakdown, led, outside_c);
                progress(done.fetch_add(1, Ordering::Relaxed) + 1);
                Some(cell)
            };
            jobs.par_iter().filter_map(cell).collect()
        });
        let reached = states::STATES
            .iter()
            .map(|state| (*state, led.iter().map(|led| led.iter().any(|led| led.state == *state)).collect()))
            .collect();
        Ok(Self {
            title: scenario.title.clone(),
            limits,
            reached,
            outsides_c,
            breakdowns: breakdowns.iter().map(|one| (*one, one.name(scenario))).collect(),
            cells,
            wanted: jobs.len(),
            layer: wanted.layer,
            has_contacts: wanted.has_contacts,
        })
    }

    /// How many cells came to this verdict.
    #[must_use]
    pub fn count(&self, verdict: Verdict) -> usize {
        self.cells.iter().filter(|cell| cell.verdict == verdict).count()
    }
}

/// The outside temperatures that are tried (°C): what the box is designed for, a common frost, and a mild day.
fn outsides_c(scenario: &Scenario) -> Vec<f64> {
    let design_c = scenario.site.place.design_min_c;
    let mut all = vec![design_c, (design_c / 2.0).round().min(-2.0), 8.0];
    all.sort_by(f64::total_cmp);
    all.dedup();
    all
}

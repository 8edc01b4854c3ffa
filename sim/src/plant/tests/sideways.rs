//! Whole installations against a model in three dimensions that shares nothing with this one but the installation files:
//! `sideways_reference.py`, with scipy, on grids of thirty to eighty thousand cells. Its header states what a grid twice coarser moved.

use super::{csv, number};
use crate::installation::Installation;
use crate::plant::{Air, Heat, PLACEMENT_OFF_K, PLACEMENT_OFF_PART, Plant, Run, Shape, Temperatures};
use crate::si;
use forewarm_core::settings::Role;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Least time for which a transient is compared (h): the reference's first step is 100 s, and a thermometer lags by up to a minute.
const FROM_H: f64 = 0.25;

/// Values of one installation, by run, quantity, place and time.
struct Reference(BTreeMap<(String, String, String, String), f64>);

impl Reference {
    fn all() -> BTreeMap<String, Self> {
        let mut all: BTreeMap<String, Self> = BTreeMap::new();
        for row in csv("sideways_reference.csv").iter().skip(1) {
            let [name, run, quantity, place, time, value, _] = &row[..] else { panic!("{row:?}") };
            let key = (run.clone(), quantity.clone(), place.clone(), time.clone());
            all.entry(name.clone()).or_insert_with(|| Self(BTreeMap::new())).0.insert(key, number(value));
        }
        all
    }

    fn get(&self, run: &str, quantity: &str, place: &str, time: &str) -> f64 {
        let key = (run.to_owned(), quantity.to_owned(), place.to_owned(), time.to_owned());
        *self.0.get(&key).unwrap_or_else(|| panic!("no {key:?}"))
    }

    fn times(&self, run: &str) -> Vec<String> {
        let mut times: Vec<String> = self
            .0
            .keys()
            .filter(|key| key.0 == run && key.1 == "surface" && number_or_zero(&key.3) >= FROM_H)
            .map(|key| key.3.clone())
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect();
        times.sort_by(|a, b| number(a).total_cmp(&number(b)));
        times
    }
}

fn number_or_zero(text: &str) -> f64 {
    if text.is_empty() { 0.0 } else { number(text) }
}

struct Bank {
    name: String,
    installation: Installation,
    plant: Plant,
}

impl Bank {
    /// Thermometers that show their surface at once: without a share of air, lag or heat of their own.
    fn load(name: &str) -> Self {
        let path = format!("{}/../tests/data/sideways/{name}.toml", env!("CARGO_MANIFEST_DIR"));
        let installation = Installation::load(Path::new(&path)).unwrap_or_else(|error| panic!("{name}: {error:?}"));
        let mut site = installation.site.clone().expect("a site");
        for mounting in &mut site.mountings {
            mounting.air_share = 0.0;
            mounting.lag_s = 0.1;
        }
        site.converter.duty = 0.0;
        let shape = Shape::of(&site);
        println!("{name}: {} cells, {} states, within {:.3} K", shape.cells(), shape.states(), shape.apart_k());
        Self { name: name.to_owned(), plant: Plant::in_shape(&shape, &site, 1.0), installation }
    }

    fn air(&self) -> Air {
        let place = &self.installation.site.as_ref().expect("a site").place;
        Air { outside_c: place.design_min_c, slope_k_per_s: 0.0, wind_m_s: place.design_wind_m_s }
    }

    fn heater(&self) -> Heat {
        let power_w = si::watts(self.installation.settings.heater.power);
        Heat { heater_w: power_w, bank_w: 0.0 }
    }

    fn release_c(&self) -> f64 {
        si::written_c(self.installation.settings.charge.release)
    }

    fn cells(&self) -> Vec<usize> {
        let channels = self.installation.settings.channels.iter().enumerate();
        channels.filter(|(_, channel)| channel.role == Role::Cell).map(|(index, _)| index).collect()
    }

    fn hold_w(&self) -> f64 {
        let at = |heater_w| {
            let air = self.air();
            self.plant.steady(air.outside_c, air.wind_m_s, Heat { heater_w, bank_w: 0.0 })
        };
        let (off, on) = (at(0.0), at(100.0));
        let cells = off.all_cells_c().zip(on.all_cells_c());
        cells.map(|(off, on)| 100.0 * (self.release_c() - off) / (on - off)).fold(0.0, f64::max)
    }
}

/// How a figure stands against the reference's.
#[derive(Default)]
struct Worst {
    /// Of placements, as part of what is allowed: a tenth of it, or 0.1 K.
    placement: (f64, String),
    /// Of placements that are less than the reference's, as part of it, beyond [`PLACEMENT_OFF_K`].
    short: (f64, String),
    power: f64,
    time: f64,
}

impl Worst {
    fn placement(&mut self, found_k: f64, expected_k: f64, what: impl Fn() -> String) {
        let part = (found_k - expected_k).abs() / (0.1 * expected_k.abs()).max(0.1);
        if part > self.placement.0 {
            self.placement = (part, format!("{}: {found_k:.3} K, the reference {expected_k:.3} K", what()));
        }
        let short = (expected_k - found_k - PLACEMENT_OFF_K) / expected_k.abs().max(1e-3);
        if short > self.short.0 {
            self.short = (short, format!("{}: {found_k:.3} K, the reference {expected_k:.3} K", what()));
        }
    }
}

fn compare(bank: &Bank, reference: &Reference, worst: &mut Worst) {
    let names = &bank.installation.channels;
    let batteries = bank.installation.site.as_ref().expect("a site").battery.count;
    let state = |worst: &mut Worst, run: &str, time: &str, now: &Temperatures| {
        let of = |place: &str| reference.get(run, "coldest", place, time);
        let expected_c: Vec<f64> = (1..=batteries).map(|battery| of(&format!("battery {battery}"))).collect();
        // A thermometer's place is one of the battery's, and the reference's coldest is that of its lattice.
        let shown = bank.cells().into_iter().map(|channel| reference.get(run, "surface", &names[channel], time));
        let coldest = expected_c.iter().copied().chain(shown).fold(f64::INFINITY, f64::min);
        for channel in bank.cells() {
            let surface = reference.get(run, "surface", &names[channel], time);
            let what = || format!("{} {run} {time} {}", bank.name, names[channel]);
            worst.placement(now.sensors_c[channel] - now.coldest_cell_c(), surface - coldest, what);
        }
    };
    let air = bank.air();
    let hold_w = bank.hold_w();
    let expected_w = reference.get("hold", "power", "heater", "");
    worst.power = worst.power.max((hold_w / expected_w - 1.0).abs());
    let settled = |heater_w| bank.plant.steady(air.outside_c, air.wind_m_s, Heat { heater_w, bank_w: 0.0 });
    let held = settled(hold_w);
    state(worst, "hold", "", &held);
    println!("{:16} hold {hold_w:.3} W, {expected_w:.3} W", bank.name);
    for channel in bank.cells() {
        let expected = reference.get("hold", "surface", &names[channel], "") - bank.release_c();
        println!(
            "    {:12} hold {:.3} K, {expected:.3} K",
            names[channel],
            held.sensors_c[channel] - held.coldest_cell_c()
        );
    }
    for (run, start_c, heat) in [("warm", air.outside_c, bank.heater()), ("cool", 8.0, Heat::default())] {
        let start = || {
            let mut now = bank.plant.at_rest(start_c);
            now.set_air(air);
            now.set_heat(heat);
            now
        };
        for time in reference.times(run) {
            let mut now = start();
            now.advance(number(&time) * 3600.0);
            state(worst, run, &time, &now.temperatures());
        }
    }
    let expected_h = reference.get("warm", "time", "coldest point reaches release", "");
    let found_h = reached_h(bank, |now| now.coldest_cell_c() - bank.release_c());
    if expected_h.is_finite() {
        worst.time = worst.time.max((found_h / expected_h - 1.0).abs());
    }
    println!("    warm after {found_h:.3} h, {expected_h:.3} h");
}

/// When a value that rises becomes 0 while the bank is warmed from the design minimum (h).
fn reached_h(bank: &Bank, value: impl Fn(&Run<'_>) -> f64) -> f64 {
    let at = |hours: f64| {
        let mut now = bank.plant.at_rest(bank.air().outside_c);
        now.set_air(bank.air());
        now.set_heat(bank.heater());
        now.advance(hours * 3600.0);
        value(&now)
    };
    let (mut early, mut late) = (0.0, 200.0);
    if at(late) < 0.0 {
        return f64::INFINITY;
    }
    while late - early > 1e-4 {
        let middle = f64::midpoint(early, late);
        if at(middle) < 0.0 {
            early = middle;
        } else {
            late = middle;
        }
    }
    late
}

#[test]
fn placements_hold_powers_and_warm_ups_are_those_of_the_reference() {
    let mut worst = Worst::default();
    let all = Reference::all();
    for (name, reference) in &all {
        compare(&Bank::load(name), reference, &mut worst);
    }
    println!(
        "{} installations: placement {:.2} of what is allowed ({})",
        all.len(),
        worst.placement.0,
        worst.placement.1
    );
    println!("short by {PLACEMENT_OFF_K} K and {:.1} % ({})", 100.0 * worst.short.0, worst.short.1);
    println!("hold power within {:.2} %, warm-up within {:.2} %", 100.0 * worst.power, 100.0 * worst.time);
    assert!(all.len() >= 12, "{}", all.len());
    assert!(worst.placement.0 < 1.0, "{}", worst.placement.1);
    // What it may be less by, which is the side that harms, and what a budget has for it.
    assert!(worst.short.0 < PLACEMENT_OFF_PART, "{}", worst.short.1);
    assert!(worst.power < 0.02, "{}", worst.power);
    assert!(worst.time < 0.02, "{}", worst.time);
}

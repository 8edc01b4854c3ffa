//! A hut to rehearse with, and weather of a real cold coast.

use super::Scenario;
use crate::class::Class;
use crate::installation::{Installation, starter};
use crate::offer::Offer;
use crate::plan::testing as planned;
use crate::plant::Shape;
use crate::site::{BankMeasured, Site};
use crate::weather::{Point, Weather};
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::Sources;
use std::sync::OnceLock;

/// The hut cut into cells, for all tests of a process.
static SHAPE: OnceLock<Shape> = OnceLock::new();

/// The planned installation. Its plate and air are measured less well, and its sources come and go as the scenario
/// says.
fn site() -> Site {
    let mut site = planned::site();
    site.mountings[2].class = Class::B;
    site.mountings[3].class = Class::B;
    site.circuit = None;
    site
}

/// `days` of the demo's weather from the first of November on, ten kelvins colder than it was.
fn weather(days: usize) -> Weather {
    let text = include_str!("../../demo/weather.csv");
    let rows: Vec<Vec<&str>> =
        text.lines().filter(|line| line.starts_with("2001")).map(|line| line.split(',').collect()).collect();
    let first = rows.iter().position(|row| row[0].starts_with("2001-11-01T00")).unwrap();
    let points = rows.iter().cycle().skip(first).take(24 * days + 1).zip(0..).map(|(row, hour)| Point {
        at_s: 3600 * hour,
        outside_c: row[1].parse::<f64>().unwrap() - 10.0,
        wind_m_s: row[2].parse().unwrap(),
        irradiance_w_m2: row[3].parse().unwrap(),
    });
    Weather {
        start: jiff::civil::date(2001, 11, 1).at(0, 0, 0, 0),
        points: points.collect(),
        has_wind: true,
        has_irradiance: true,
    }
}

/// The starter installation in that hut: an engine for two hours every second day, mains from Friday to Sunday.
pub(crate) fn scenario(days: u32) -> Scenario {
    let installation = Installation::parse("starter", &starter()).unwrap();
    let mut offers = Vec::new();
    for day in 0..i64::from(days) {
        for (hour, engine) in [(0, false), (8, day % 2 == 0), (10, false)] {
            let mut sources = Sources::NONE;
            let mut power_w = [0.0; MAX_SOURCES];
            for (index, present) in [engine, day % 7 >= 4].into_iter().enumerate().filter(|(_, present)| *present) {
                debug_assert!(present);
                sources = sources.with(index);
                power_w[index] = [300.0, 600.0][index];
            }
            offers.push(Offer { at_s: day * 86_400 + hour * 3600, sources, power_w, load_w: 6.0 });
        }
    }
    SHAPE.get_or_init(|| Shape::of(&site()));
    Scenario {
        title: "Hut".into(),
        channels: installation.channels,
        sources: installation.sources,
        settings: installation.settings,
        site: site(),
        weather: weather(days as usize),
        offers,
        span_s: i64::from(days) * 86_400,
        step_ms: 1000,
        has_heater_supply: true,
        bank_measured: BankMeasured { voltage: true, charge: true },
        broken: Vec::new(),
        has_contacts: false,
        thermal_cutouts: Vec::new(),
        layer: forewarm_core::Layer::Both,
        shape: SHAPE.clone(),
        warnings: Vec::new(),
    }
}

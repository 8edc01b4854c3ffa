//! A hut to rehearse with, and weather of a real cold coast.

use super::Scenario;
use crate::installation::{Installation, starter};
use crate::materials::{INSULATIONS, PLATES};
use crate::offer::Offer;
use crate::site::*;
use crate::weather::{Point, Weather};
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::Sources;

fn mounting(at: Spot, class: Class) -> Mounting {
    Mounting {
        at,
        r0_ohm: 100.0,
        class,
        calibrated_k: None,
        cable_m: 3.0,
        cable_mm2: 0.5,
        loop_ohm_20c: 0.234,
        lag_s: 20.0,
        self_heating_k_per_mw: 0.2,
    }
}

pub(super) fn site() -> Site {
    let supply = |power_w| Supply { power_w, presence: Presence::Never, rating: None };
    Site {
        battery: Battery {
            count: 2,
            length_m: 0.33,
            width_m: 0.172,
            height_m: 0.215,
            mass_kg: 11.5,
            cells_in_series: 4,
            specific_heat_j_per_kg_k: 1050.0,
            conductivity_up_w_per_m_k: 15.0,
            conductivity_across_w_per_m_k: 0.8,
            gap_m: 0.005,
            resistance_ohm: 0.02,
            hard_limit_c: 0.0,
        },
        plate: Plate {
            material: PLATES[0].material,
            area_m2: 0.33 * 0.35,
            thickness_m: 0.003,
            contact_w_per_m2_k: 200.0,
        },
        pad: Pad { area_m2: 0.1, thickness_m: 0.0015, bond_w_per_m2_k: 500.0 },
        enclosure: Enclosure {
            length_m: 0.4,
            width_m: 0.4,
            height_m: 0.26,
            insulation: INSULATIONS[0].material,
            thickness_m: 0.05,
            floor_thickness_m: 0.05,
            air_changes_per_h: 0.5,
            inside_w_per_m2_k: 7.7,
        },
        place: Place { design_min_c: -20.0, design_wind_m_s: 3.0, exposure: 0.3, stands_on: StandsOn::Air },
        mountings: vec![
            mounting(Spot::Between(0), Class::A),
            mounting(Spot::Between(1), Class::A),
            mounting(Spot::Plate, Class::B),
            mounting(Spot::Air, Class::B),
        ],
        converter: Converter {
            bits: 16,
            current_a: 0.0005,
            duty: 1.0,
            offset_ohm: 0.01,
            gain: 20e-6,
            noise_k: 0.005,
            reference_tolerance: 0.001,
            reference_drift: 200e-6,
            lead_mismatch: 0.05,
            contact_ohm: 0.02,
        },
        supplies: vec![supply(300.0), supply(600.0)],
        load: Load::default(),
        circuit: None,
        winter: Winter {
            weather: WeatherSource::File("weather.csv".into()),
            from: Some((11, 1)),
            days: 180,
            offset_k: -10.0,
            start_c: None,
            start_charge: 0.5,
        },
        tolerance: Tolerance {
            pad_power: 0.1,
            insulation: 0.15,
            specific_heat: 0.1,
            conductivity: 0.25,
            contact: 0.3,
            air_changes: 1.0,
            weather_k: 0.0,
            hard_limit_k: 0.0,
        },
    }
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
pub(super) fn scenario(days: u32) -> Scenario {
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
        warnings: Vec::new(),
    }
}

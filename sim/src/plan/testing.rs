//! An installation for the tests of this module.

use super::thermal::Shapes;
use crate::class::Class;
use crate::installation::{Installation, starter};
use crate::materials::Material;
use crate::schedule::Schedule;
use crate::site::{
    Battery, Circuit, ColdSpell, Contact, Converter, Enclosure, Layer, Load, LoopFrom, Mounting, Pad, Place, Plate,
    Presence, Relay, Resets, ShareFrom, Site, Spot, StandsOn, Supply, ThermalCutout, Tolerance, Touches, WeatherSource,
    Winter,
};
use forewarm_core::settings::Settings;
use std::sync::{Arc, Mutex};

/// The settings of the starter file.
pub(crate) fn settings() -> Settings {
    Installation::parse("starter", &starter()).expect("the starter has no problem").settings.into_inner()
}

fn all_week() -> Schedule {
    "daily 00:00-24:00".parse().expect("a schedule")
}

fn mounting(at: Spot) -> Mounting {
    Mounting {
        at,
        r0_ohm: 100.0,
        class: Class::A,
        calibrated_k: None,
        cable_m: 3.0,
        cable_mm2: 0.5,
        loop_ohm_20c: 0.234,
        loop_from: LoopFrom::Cable,
        lag_s: 20.0,
        self_heating_k_per_mw: 0.2,
        air_share: 0.05,
        air_share_from: ShareFrom::Default,
    }
}

/// Two batteries of 100 Ah on a plate, a thermometer between them and one on the second, plate and air besides.
#[expect(clippy::too_many_lines, reason = "one line a number")]
pub(crate) fn site() -> Site {
    let foam = vec![Layer {
        name: "xps".into(),
        material: Material { conductivity_w_per_m_k: 0.026, density_kg_per_m3: 32.5, specific_heat_j_per_kg_k: 1470.0 },
        thickness_m: 0.05,
    }];
    let supply = |power_w| Supply { power_w, presence: Presence::Weekly(all_week()), rating: None };
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
            conductivity_along_w_per_m_k: 0.8,
            gap_m: 0.005,
            terminal_cable: None,
            resistance_ohm: 0.02,
            maker_ceiling: Vec::new(),
            hard_limit_c: 0.0,
        },
        plate: Plate {
            material: Material {
                conductivity_w_per_m_k: 160.0,
                density_kg_per_m3: 2800.0,
                specific_heat_j_per_kg_k: 880.0,
            },
            length_m: 0.33,
            width_m: 0.349,
            thickness_m: 0.003,
            contact_w_per_m2_k: 200.0,
            contact_parts: Vec::new(),
        },
        pad: Pad {
            length_m: 0.32,
            width_m: 0.32,
            shift_m: [0.0; 2],
            thickness_m: 0.0015,
            bond_w_per_m2_k: 500.0,
            most_w_per_m2: 3000.0,
        },
        enclosure: Enclosure {
            length_m: 0.4,
            width_m: 0.42,
            height_m: 0.28,
            walls: foam.clone(),
            floor: foam,
            air_changes_per_h: 0.5,
            loss: 1.0,
            inside_w_per_m2_k: 7.7,
        },
        place: Place { design_min_c: -20.0, design_wind_m_s: 3.0, exposure: 0.3, stands_on: StandsOn::Air },
        room: None,
        // The last is of the check resistor.
        mountings: [Spot::Between(0), Spot::Top(1), Spot::Plate, Spot::Air, Spot::Air].map(mounting).to_vec(),
        converter: Converter {
            bits: 16,
            current_a: 0.000_5,
            duty: 1.0,
            offset_ohm: 0.01,
            gain: 20e-6,
            noise_k: 0.005,
            reference_tolerance: 0.001,
            reference_drift: 0.000_2,
            lead_mismatch: 0.05,
            contact_ohm: 0.02,
            contact_growth_ohm: 0.0,
            one_reference: true,
        },
        supplies: vec![supply(350.0), supply(600.0)],
        fed_by: None,
        load: Load::default(),
        circuit: Some(circuit()),
        thermal_cutouts: cutouts(),
        winter: Winter {
            weather: WeatherSource::ColdSpell(ColdSpell {
                mean_c: -5.0,
                daily_swing_k: 4.0,
                spell_c: -20.0,
                spell_from_day: 10,
                spell_days: 5,
                wind_m_s: 3.0,
                noon_w_m2: 200.0,
            }),
            from: None,
            days: 30,
            offset_k: 0.0,
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
            film: 0.2,
            pad_place_m: 0.01,
            air_share: 1.0,
            weather_k: 0.0,
            hard_limit_k: 0.0,
        },
    }
}

/// A circuit in which all is well.
pub(crate) fn circuit() -> Circuit {
    Circuit {
        cable_m: 2.0,
        cable_mm2: None,
        drop: 0.03,
        cable_c: 40.0,
        fuse_a: None,
        relay: Relay { contact: Contact { rated_a: 30.0, rated_v: 30.0, coil_w: 0.0 }, coil_w: 1.5, coil_v: 12.0 },
        pilot: None,
        driver_a: 0.3,
    }
}

/// Thermal cut-outs in which all is well.
pub(crate) fn cutouts() -> Vec<ThermalCutout> {
    let on = |at, opens_c, within_k| ThermalCutout {
        at,
        opens_c,
        within_k,
        resets: Resets::ByHand,
        rated_a: 20.0,
        rated_v: 30.0,
    };
    vec![on(Touches::Plate, 55.0, 3.0), on(Touches::Pad, 80.0, 5.0)]
}

pub(crate) fn names(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

/// `site` cut into cells: once for all tests of a process, whatever its walls are made of. A test that compares a plan with a run of the
/// plant has the same patterns for both.
pub(crate) fn shapes(site: &Site) -> Arc<Shapes> {
    static ALL: Mutex<Vec<(String, Arc<Shapes>)>> = Mutex::new(Vec::new());
    let Site { battery, plate, pad, enclosure, place, .. } = site;
    let Enclosure { length_m, width_m, height_m, walls, floor, .. } = enclosure;
    let inside = [*length_m, *width_m, *height_m, plate.thickness_m];
    let key = format!("{battery:?} {pad:?} {inside:?} {} {} {:?}", walls.len(), floor.len(), place.stands_on);
    let find = || {
        let all = ALL.lock().expect("no test holds it while it fails");
        all.iter().find(|(other, _)| *other == key).map(|(_, shapes)| Arc::clone(shapes))
    };
    find().unwrap_or_else(|| {
        let made = Arc::new(Shapes::of(site));
        ALL.lock().expect("no test holds it while it fails").push((key.clone(), Arc::clone(&made)));
        made
    })
}

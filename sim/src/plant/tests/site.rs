//! Sites for the checks, written out by hand.

use crate::class::Class;
use crate::materials::Material;
use crate::site::{
    Battery, ColdSpell, Converter, Enclosure, Layer, Load, LoopFrom, Mounting, Pad, Place, Plate, ShareFrom, Site,
    Spot, StandsOn, Tolerance, WeatherSource, Winter,
};

pub(super) const XPS: Material =
    Material { conductivity_w_per_m_k: 0.026, density_kg_per_m3: 32.5, specific_heat_j_per_kg_k: 1470.0 };
const ALUMINIUM: Material =
    Material { conductivity_w_per_m_k: 160.0, density_kg_per_m3: 2800.0, specific_heat_j_per_kg_k: 880.0 };

/// A slab of `height_m` on a base of one square metre.
pub(super) fn slab(height_m: f64, conductivity: f64, density: f64, specific_heat: f64) -> Battery {
    Battery {
        count: 1,
        length_m: 1.0,
        width_m: 1.0,
        height_m,
        mass_kg: density * height_m,
        cells_in_series: 4,
        specific_heat_j_per_kg_k: specific_heat,
        conductivity_up_w_per_m_k: conductivity,
        conductivity_across_w_per_m_k: conductivity,
        conductivity_along_w_per_m_k: conductivity,
        gap_m: 0.01,
        terminal_cable: None,
        resistance_ohm: 0.005,
        maker_ceiling: Vec::new(),
        hard_limit_c: 0.0,
    }
}

const TOLERANCE: Tolerance = Tolerance {
    pad_power: 0.05,
    insulation: 0.1,
    specific_heat: 0.05,
    conductivity: 0.2,
    contact: 0.3,
    air_changes: 0.5,
    film: 0.0,
    pad_place_m: 0.0,
    air_share: 0.0,
    weather_k: 0.5,
    hard_limit_k: 0.5,
};

/// Two 12.8 V 100 Ah batteries in a box that stands clear of the ground.
#[expect(clippy::too_many_lines, reason = "one field after the other")]
pub(super) fn open() -> Site {
    let mounted = |at, lag_s| Mounting {
        at,
        r0_ohm: 1000.0,
        class: Class::B,
        calibrated_k: None,
        cable_m: 2.0,
        cable_mm2: 0.5,
        loop_ohm_20c: 0.234,
        loop_from: LoopFrom::Cable,
        lag_s,
        self_heating_k_per_mw: 0.2,
        air_share: 0.05,
        air_share_from: ShareFrom::Default,
    };
    Site {
        battery: Battery {
            count: 2,
            length_m: 0.330,
            width_m: 0.172,
            height_m: 0.215,
            mass_kg: 11.5,
            cells_in_series: 4,
            // 541 J/K in 489 g, a measured LFP cell.
            specific_heat_j_per_kg_k: 1106.3395,
            conductivity_up_w_per_m_k: 15.0,
            conductivity_across_w_per_m_k: 0.8,
            conductivity_along_w_per_m_k: 0.8,
            gap_m: 0.005,
            terminal_cable: None,
            resistance_ohm: 0.005,
            maker_ceiling: Vec::new(),
            hard_limit_c: 0.0,
        },
        plate: Plate {
            material: ALUMINIUM,
            length_m: 0.36,
            width_m: 0.37,
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
            length_m: 0.40,
            width_m: 0.42,
            height_m: 0.27,
            walls: vec![Layer { name: "xps".into(), material: XPS, thickness_m: 0.050 }],
            floor: vec![Layer { name: "xps".into(), material: XPS, thickness_m: 0.040 }],
            air_changes_per_h: 0.5,
            loss: 1.0,
            inside_w_per_m2_k: 7.7,
        },
        place: Place { design_min_c: -25.0, design_wind_m_s: 8.0, exposure: 0.3, stands_on: StandsOn::Air },
        room: None,
        mountings: vec![
            mounted(Spot::Top(0), 60.0),
            mounted(Spot::Between(1), 45.0),
            mounted(Spot::Plate, 20.0),
            mounted(Spot::Air, 30.0),
        ],
        converter: Converter {
            bits: 15,
            current_a: 0.0002,
            duty: 0.1,
            offset_ohm: 0.0,
            gain: 0.0,
            noise_k: 0.0,
            reference_tolerance: 0.001,
            reference_drift: 0.0002,
            lead_mismatch: 0.05,
            contact_ohm: 0.0,
            contact_growth_ohm: 0.0,
            one_reference: true,
        },
        supplies: vec![],
        fed_by: None,
        load: Load::default(),
        circuit: None,
        thermal_cutouts: Vec::new(),
        winter: Winter {
            weather: WeatherSource::ColdSpell(ColdSpell {
                mean_c: -5.0,
                daily_swing_k: 4.0,
                spell_c: -20.0,
                spell_from_day: 10,
                spell_days: 5,
                wind_m_s: 4.0,
                noon_w_m2: 200.0,
            }),
            from: None,
            days: 180,
            offset_k: 0.0,
            start_c: None,
            start_charge: 0.5,
        },
        tolerance: TOLERANCE,
    }
}

/// Three of the batteries in a wider box on ground of 2 °C, thermometers in the other places.
pub(super) fn on_ground() -> Site {
    let mut site = open();
    site.battery.count = 3;
    site.battery.gap_m = 0.002;
    (site.plate.length_m, site.plate.width_m) = (0.36, 0.54);
    (site.pad.length_m, site.pad.width_m) = (0.32, 0.48);
    site.enclosure.width_m = 0.60;
    site.enclosure.air_changes_per_h = 1.5;
    site.place.stands_on = StandsOn::Ground(2.0);
    site.mountings[0].at = Spot::Base(0);
    site.mountings[1].at = Spot::Between(2);
    site
}

/// The demonstration.
pub(super) fn hut() -> Site {
    let path = format!("{}/demo/hut.toml", env!("CARGO_MANIFEST_DIR"));
    let found =
        crate::installation::Installation::load(std::path::Path::new(&path)).expect("the demonstration is right");
    found.site.expect("it has a site")
}

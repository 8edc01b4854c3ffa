//! Thermal properties of what a box is built of, each with its source. A data sheet for the very material at hand overrides them.

/// A solid, as far as heat is concerned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Material {
    /// Thermal conductivity (W/(m K)).
    pub conductivity_w_per_m_k: f64,
    /// Density (kg/m³).
    pub density_kg_per_m3: f64,
    /// Specific heat capacity (J/(kg K)).
    pub specific_heat_j_per_kg_k: f64,
}

/// A material with the name a file gives it.
#[derive(Clone, Copy, Debug)]
pub struct Known {
    /// What a file calls it.
    pub name: &'static str,
    /// What it is, for a person.
    pub meaning: &'static str,
    /// Its properties.
    pub material: Material,
    /// Where they come from.
    pub source: &'static str,
}

macro_rules! materials {
    ($($name:literal $meaning:literal $k:literal $rho:literal $cp:literal $source:literal;)*) => {
        &[$(Known {
            name: $name,
            meaning: $meaning,
            material: Material { conductivity_w_per_m_k: $k, density_kg_per_m3: $rho, specific_heat_j_per_kg_k: $cp },
            source: $source,
        }),*]
    };
}

/// Insulation of the box.
#[rustfmt::skip]
pub const INSULATIONS: &[Known] = materials! {
    "xps" "extruded polystyrene" 0.026 32.5 1470.0 "ASHRAE Handbook Fundamentals, by way of a public restatement";
    "eps" "expanded polystyrene, moulded" 0.0355 20.0 1470.0 "ASHRAE Handbook Fundamentals, by way of a public restatement";
    // The aged figure: the blowing agent leaves over the years and condenses in the cold.
    "pir" "polyisocyanurate, aged, unfaced" 0.0235 30.0 1470.0 "ASHRAE Handbook Fundamentals, by way of a public restatement";
    "pur" "sprayed polyurethane" 0.026 40.0 1470.0 "ASHRAE Handbook Fundamentals, by way of a public restatement";
    "pe_foam" "polyethylene foam" 0.05 70.0 2300.0 "ISO 10456, by way of a public restatement";
    "rubber_foam" "flexible elastomeric foam" 0.05 70.0 1500.0 "ISO 10456, by way of a public restatement";
    "plywood" "plywood, 500 kg/m³" 0.13 500.0 1600.0 "ISO 10456, by way of a public restatement";
};

/// Spreader plates.
#[rustfmt::skip]
pub const PLATES: &[Known] = materials! {
    "aluminium" "aluminium alloy" 160.0 2800.0 880.0 "ISO 10456, by way of a public restatement";
    "copper" "copper" 380.0 8900.0 380.0 "ISO 10456, by way of a public restatement";
};

/// The heater pad's rubber. Source: pure silicone sealant of ISO 10456, by way of a public restatement.
pub const SILICONE: Material =
    Material { conductivity_w_per_m_k: 0.35, density_kg_per_m3: 1200.0, specific_heat_j_per_kg_k: 1000.0 };

/// Still air. Source: ISO 10456, by way of a public restatement.
pub const AIR: Material =
    Material { conductivity_w_per_m_k: 0.025, density_kg_per_m3: 1.23, specific_heat_j_per_kg_k: 1008.0 };

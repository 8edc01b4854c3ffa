//! Thermal properties of the materials of a box, each with its source. The data sheet of the actual material overrides
//! them.

/// The thermal properties of a solid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Material {
    /// Thermal conductivity (W/(m K)).
    pub conductivity_w_per_m_k: f64,
    /// Density (kg/m³).
    pub density_kg_per_m3: f64,
    /// Specific heat capacity (J/(kg K)).
    pub specific_heat_j_per_kg_k: f64,
}

/// A material with its name in files.
#[derive(Clone, Copy, Debug)]
pub struct Known {
    /// Its name in files.
    pub name: &'static str,
    /// What it is, in words.
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

/// A material that conducts more than this is not sold as thermal insulation (W/(m K)). Source: scope of EN 13162 to EN
/// 13171, from memory.
pub const INSULATES_W_PER_M_K: f64 = 0.06;

/// Materials of walls. The conductivities are declared ones, which allow for ageing and for the spread of production,
/// and not those of new boards. They are typical of the kind. The label of a board states its own.
#[rustfmt::skip]
pub const INSULATIONS: &[Known] = materials! {
    "xps" "extruded polystyrene" 0.034 32.5 1450.0 "typical declared value of EN 13164, from memory; specific heat of EN ISO 10456, from memory";
    "eps" "expanded polystyrene, moulded" 0.036 20.0 1450.0 "typical declared value of EN 13163 at 20 kg/m³, from memory; specific heat of EN ISO 10456, from memory";
    // The blowing agent escapes over the years and condenses in the cold. So this is the upper end of the declared
    // values, without tight facings.
    "pir" "polyisocyanurate, without tight facings" 0.028 30.0 1400.0 "declared values of EN 13165 (0.026 to 0.028), from memory; specific heat of EN ISO 10456, from memory";
    "pur" "sprayed polyurethane, closed cells" 0.028 40.0 1400.0 "typical declared value of EN 14315-1, from memory; specific heat of EN ISO 10456, from memory";
    "pe_foam" "polyethylene foam" 0.05 70.0 2300.0 "ISO 10456, by way of a public restatement";
    "rubber_foam" "flexible elastomeric foam" 0.05 70.0 1500.0 "ISO 10456, by way of a public restatement";
    "plywood" "plywood, 500 kg/m³" 0.13 500.0 1600.0 "ISO 10456, by way of a public restatement";
};

/// Spreader plates. The first is the usual one.
#[rustfmt::skip]
pub const PLATES: &[Known] = materials! {
    "aluminium" "aluminium alloy" 160.0 2800.0 880.0 "ISO 10456, by way of a public restatement";
    "copper" "copper" 380.0 8900.0 380.0 "ISO 10456, by way of a public restatement";
};

/// Copper, of plates and of cables.
pub const COPPER: Material = PLATES[1].material;

/// The heater pad's rubber. Source: pure silicone sealant of ISO 10456, by way of a public restatement.
pub const SILICONE: Material =
    Material { conductivity_w_per_m_k: 0.35, density_kg_per_m3: 1200.0, specific_heat_j_per_kg_k: 1000.0 };

/// Still air. Source: ISO 10456, by way of a public restatement.
pub const AIR: Material =
    Material { conductivity_w_per_m_k: 0.025, density_kg_per_m3: 1.23, specific_heat_j_per_kg_k: 1008.0 };

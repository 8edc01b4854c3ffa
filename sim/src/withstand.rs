//! What parts withstand, where the file does not have their maker's figure.

/// The most that a film heater and its adhesive bear (°C). Source: common practice for silicone and polyimide films with
/// acrylic adhesive, from memory.
pub const PAD_C: f64 = 120.0;

/// The most that a cell bears (°C). Source: the usual limit for discharge and storage of lithium iron phosphate cells, from memory.
pub const CELL_C: f64 = 60.0;

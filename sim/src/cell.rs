//! Voltages of one lithium iron phosphate cell. The voltages of a bank follow from its cells in series.

/// Nominal (V). From memory; it is what makers print.
pub const NOMINAL_V: f64 = 3.2;

/// End of charge, where the charger holds the voltage (V). Source: common practice, from memory.
pub const END_OF_CHARGE_V: f64 = 3.65;

/// Bus voltage of sources while the bank takes nothing (V). Source: common practice for float, from memory.
pub const FLOAT_V: f64 = 3.375;

/// Almost empty, under load (V). Common practice, no source.
pub const EMPTY_V: f64 = 3.0;

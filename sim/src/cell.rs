//! Voltages of one lithium iron phosphate cell. What is said of a bank goes by the cells in series.

/// Nominal (V). From memory; it is what makers print.
pub const NOMINAL_V: f64 = 3.2;

/// End of charge, where the charger holds the voltage (V). Source: common practice, from memory.
pub const END_OF_CHARGE_V: f64 = 3.65;

/// At which sources hold the bus while the bank takes nothing (V). Source: common practice for float, from memory.
pub const FLOAT_V: f64 = 3.375;

/// Almost empty and giving current (V). Common practice, no source.
pub const EMPTY_V: f64 = 3.0;

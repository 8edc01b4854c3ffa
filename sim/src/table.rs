//! Resistance against temperature, with tolerances.

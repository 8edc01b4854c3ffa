//! The bank as a store of charge: coulombs counted, an open-circuit voltage and a resistance, no more. Enough for reserve, sag and
//! the charge-current ceiling to mean something.

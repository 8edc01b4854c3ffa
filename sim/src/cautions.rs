//! What every document of this program says once, and briefly.

/// One paragraph each.
pub const CAUTIONS: [&str; 3] = [
    "Lithium batteries, heaters in closed boxes and DC circuits without fuses start fires.",
    "This controls an additional layer, never the only one: the battery's own protection stays in charge, and a thermal cut-out \
     independent of this controller belongs in the heater circuit.",
    "Follow the battery maker's limits and local codes; have the work done or checked by someone licensed for it.",
];

//! The one list of what a file may say of a site: section and name, unit, range, default, meaning, source. Reading, messages and
//! the starter file come from it.

use super::example;
use crate::installation::row::{Example, Row};
use crate::site::MOST_CUTOUTS;
use forewarm_core::settings::{Fact, MAX_CHANNELS, MAX_SOURCES};

macro_rules! table {
    ($(
        $key:ident $section:literal $([$repeats:ident])? $name:literal $unit:literal $min:literal..$max:literal [$($default:literal)?]
        $meaning:literal $source:literal;
    )*) => {
        /// Names one number of a site.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(in crate::installation) enum Key { $($key),* }

        impl Key {
            /// Every key, in the order of [`TABLE`].
            pub(in crate::installation) const ALL: &[Self] = &[$(Self::$key),*];
        }

        /// Every number of a site, in thousandths of its unit. The battery maker's data override every default.
        pub(in crate::installation) const TABLE: &[Fact] = &[$(Fact {
            section: $section, name: $name, unit: $unit,
            minimum: $min, maximum: $max, default: table!(@default $($default)?), repeats: table!(@repeats $($repeats)?),
        }),*];

        /// What each means, and where its default comes from; empty for common practice, no source.
        const WORDS: &[(&str, &str)] = &[$(($meaning, $source)),*];
    };
    (@default) => { None };
    (@default $value:literal) => { Some($value) };
    (@repeats) => { 1 };
    (@repeats $most:ident) => { $most };
}

#[rustfmt::skip]
table! {
    Count "battery" "count" "" 1_000..8_000 [1_000] "how many equal batteries stand side by side, in parallel" "";
    BatteryLength "battery" "length_mm" "mm" 20_000..2_000_000 [] "length of one battery, along the faces they turn to each other" "";
    BatteryWidth "battery" "width_mm" "mm" 20_000..2_000_000 [] "width of one battery, in the direction in which they stand in a row" "";
    BatteryHeight "battery" "height_mm" "mm" 20_000..2_000_000 [] "height of one battery above the plate" "";
    BatteryMass "battery" "mass_kg" "kg" 100..500_000 [] "mass of one battery" "";
    CellsInSeries "battery" "cells_in_series" "" 1_000..32_000 [4_000] "cells in series within one battery" "";
    CellMass "battery" "cell_mass_kg" "kg" 10..100_000 [] "mass of one cell, all that are in parallel counted as one; only checked against mass_kg" "";
    SpecificHeat "battery" "specific_heat_j_per_kg_k" "J/(kg K)" 500_000..3_000_000 [1_050_000] "specific heat of the whole battery" "cells are measured at 900 to 1150 (arXiv:2112.09768 has 1106)";
    ConductivityUp "battery" "conductivity_up_w_per_m_k" "W/(m K)" 50..100_000 [] "conductivity of a battery from plate to top; without it, what cells says" "";
    ConductivityAcross "battery" "conductivity_across_w_per_m_k" "W/(m K)" 50..100_000 [] "conductivity of a battery sideways; without it, what cells says" "";
    ConductivityAlong "battery" "conductivity_along_w_per_m_k" "W/(m K)" 50..100_000 [] "conductivity of a battery along its length, where it is another than that across" "";
    TerminalCableArea "battery" "terminal_cable_mm2" "mm²" 500..500_000 [] "copper cross-section of each of the two cables that lead from the bank's terminals out of the box; they carry heat out" "";
    TerminalCableLength "battery" "terminal_cable_m" "m" 20..50_000 [] "length of such a cable from the terminal to where it is as cold as the outside" "";
    Gap "battery" "gap_mm" "mm" 0..200_000 [5_000] "air gap between neighbours" "";
    Resistance "battery" "resistance_mohm" "mΩ" 100..1_000_000 [20_000] "internal resistance of one battery" "";
    PlateThickness "plate" "thickness_mm" "mm" 200..50_000 [2_000] "thickness of the spreader plate" "";
    PlateLength "plate" "length_mm" "mm" 20_000..10_000_000 [] "length of the plate, along that of the batteries; without it, that of the row of batteries. A plate, pad or box that fits only with its two measures exchanged is taken to lie so" "";
    PlateWidth "plate" "width_mm" "mm" 20_000..10_000_000 [] "width of the plate, in the direction in which the batteries stand in a row; without it, that of the row of batteries with its gaps" "";
    PlateContact "plate" "contact_w_per_m2_k" "W/(m² K)" 1_000..100_000_000 [200_000] "conductance of the joint from plate to batteries, where no word of contact says it" "from memory";
    PadLength "pad" "length_mm" "mm" 10_000..10_000_000 [] "length of the heated area, along that of the batteries" "";
    PadWidth "pad" "width_mm" "mm" 10_000..10_000_000 [] "width of the heated area, in the direction in which the batteries stand in a row" "";
    PadShiftAlong "pad" "shift_along_mm" "mm" -5_000_000..5_000_000 [0] "from the plate's middle to the pad's, along the length of the batteries" "";
    PadShiftAcross "pad" "shift_across_mm" "mm" -5_000_000..5_000_000 [0] "the same in the direction in which the batteries stand in a row, from battery 1 on" "";
    PadThickness "pad" "thickness_mm" "mm" 100..50_000 [1_500] "thickness of the pad" "";
    PadBond "pad" "bond_w_per_m2_k" "W/(m² K)" 1_000..100_000_000 [500_000] "conductance of its bond to the plate" "";
    PadMost "pad" "most_w_per_cm2" "W/cm²" 10..5_000 [300] "most power that it may give on its area, bonded to a plate; its maker's figure overrides the default" "";
    BoxLength "box" "length_mm" "mm" 20_000..10_000_000 [] "inner length of the box, along that of the batteries" "";
    BoxWidth "box" "width_mm" "mm" 20_000..10_000_000 [] "inner width of the box, in the direction in which the batteries stand in a row" "";
    BoxHeight "box" "height_mm" "mm" 20_000..10_000_000 [] "inner height of the box" "";
    BoxConductivity "box" "conductivity_w_per_m_k" "W/(m K)" 1..10_000 [] "conductivity of an insulation that has no word here" "";
    BoxThickness "box" "thickness_mm" "mm" 500..500_000 [] "thickness of the insulation of walls and lid" "";
    FloorThickness "box" "floor_thickness_mm" "mm" 500..500_000 [] "thickness under the pad; without it, that of the walls" "";
    AirChanges "box" "air_changes_per_h" "1/h" 0..100_000 [500] "air from around it that finds its way through the box, in volumes an hour" "";
    BoxLoss "box" "loss_pct" "%" 20_000..1_000_000 [100_000] "what insulation and leaks let through as found, as a part of what the layers and air_changes_per_h say: `forewarm identify` finds it in a log" "";
    InsideFilm "box" "inside_w_per_m2_k" "W/(m² K)" 500..100_000 [7_700] "film of air on the inner faces" "ISO 6946, horizontal heat flow: 0.13 m² K/W, from memory";
    DesignMin "site" "design_min_c" "°C" -60_000..20_000 [] "coldest outside temperature to design for" "";
    DesignWind "site" "design_wind_m_s" "m/s" 0..60_000 [3_000] "wind to design for, before shelter" "";
    Exposure "site" "exposure_pct" "%" 0..100_000 [100_000] "part of the wind that reaches the box: 100 in the open, 0 indoors and in a [room]" "";
    Ground "site" "ground_c" "°C" -40_000..40_000 [] "temperature of the floor or ground under the box, with stands_on = \"ground\"" "";
    RoomWarmer "room" "warmer_by_k" "K" 0..40_000 [0] "how much warmer the room is than the outside at any time, on its coldest night too" "";
    RoomTemperature "room" "temperature_c" "°C" -20_000..60_000 [] "what the room is at least while the schedule holds" "";
    Bits "converter" "bits" "" 10_000..24_000 [16_000] "bits from zero to the reference resistor" "";
    Current "converter" "current_ma" "mA" 10..10_000 [500] "excitation current" "";
    Duty "converter" "duty_pct" "%" 10..100_000 [100_000] "part of the time the excitation is on" "";
    ConverterOffset "converter" "offset_ohm" "Ω" 0..10_000 [10] "largest offset, as resistance" "";
    Gain "converter" "gain_ppm" "ppm" 0..100_000_000 [20_000] "largest gain error that the reference does not cancel" "";
    Noise "converter" "noise_mk" "mK" 0..5_000_000 [5_000] "standard deviation of one measurement" "";
    ReferenceTolerance "converter" "reference_tolerance_pct" "%" 0..10_000 [100] "tolerance of the reference resistor" "";
    ReferenceDrift "converter" "reference_drift_ppm" "ppm" 0..100_000_000 [200_000] "its drift over the years and the temperatures it sees" "";
    LeadMismatch "converter" "lead_mismatch_pct" "%" 0..100_000 [5_000] "largest difference between the leads of three wires, as part of one lead" "";
    LeadContact "converter" "contact_mohm" "mΩ" 0..10_000_000 [20_000] "largest contact resistance in one lead" "";
    ContactGrowth "converter" "contact_growth_mohm" "mΩ" 0..10_000_000 [2_000_000] "what the contacts of one channel's leads may gain together in service, by corrosion and loosened screws; 0 only where every joint is soldered" "";
    BatteryNumber "channel" [MAX_CHANNELS] "battery" "" 1_000..8_000 [1_000] "which battery it sits on, counted from 1 along the row" "";
    PointAlong "channel" [MAX_CHANNELS] "along_mm" "mm" 0..2_000_000 [] "with at = \"point\": how far it is along the length of the battery, from a corner of its base" "";
    PointAcross "channel" [MAX_CHANNELS] "across_mm" "mm" 0..2_000_000 [] "with at = \"point\": how far it is across the battery, from the same corner, in the direction from battery 1 to the last" "";
    PointUp "channel" [MAX_CHANNELS] "up_mm" "mm" 0..2_000_000 [] "with at = \"point\": how far it is up from that corner. It sits on a face, so one of the three is 0 or the full measure; up_mm = 0 is the joint to the plate" "";
    Calibrated "channel" [MAX_CHANNELS] "calibrated_mk" "mK" 100..5_000_000 [] "standard uncertainty of a calibration or trim, which takes the place of the class" "";
    SensorCable "channel" [MAX_CHANNELS] "cable_m" "m" 0..200_000 [3_000] "length of its cable, one way" "";
    SensorArea "channel" [MAX_CHANNELS] "cable_mm2" "mm²" 30..25_000 [500] "cross-section of one conductor" "";
    Lag "channel" [MAX_CHANNELS] "lag_s" "s" 100..3_600_000 [20_000] "time constant of the element as mounted" "";
    SelfHeating "channel" [MAX_CHANNELS] "self_heating_k_per_w" "K/W" 1_000..100_000_000 [200_000] "rise of the element above its surroundings by the power in it" "";
    AirShare "channel" [MAX_CHANNELS] "air_share_pct" "%" 0..50_000 [5_000] "how much of what the element feels is air of the box; the rest is what it is fixed to: about 10 for a bare one taped to a case, 3 under 10 mm of foam, 0 for one embedded" "from memory";
    SupplyPower "source" [MAX_SOURCES] "power_w" "W" 0..100_000_000 [] "power it really gives, for sun at 1000 W/m²; without it, what rated_a at rated_v leaves if both are there, else budget_w" "";
    SunAtLeast "source" [MAX_SOURCES] "sun_at_least_w_m2" "W/m²" 1_000..1_500_000 [] "it is there with the sun, and spent on heat at or above so much of it on the horizontal; below that it still charges" "";
    Rated "source" [MAX_SOURCES] "rated_a" "A" 100..2_000_000 [] "its rated current" "";
    RatedVoltage "source" [MAX_SOURCES] "rated_v" "V" 3_000..1_000_000 [] "voltage at which it gives rated_a; without it, plan takes heater.nominal_v" "";
    Derate "source" [MAX_SOURCES] "derate_pct" "%" 1_000..100_000 [70_000] "part of rated_a that may be drawn for hours" "";
    OtherLoads "source" [MAX_SOURCES] "other_loads_w" "W" 0..100_000_000 [0] "what else it feeds" "";
    LoadPower "load" "power_w" "W" 0..100_000_000 [0] "drawn from the bank all the time" "";
    ScheduledPower "load" "scheduled_w" "W" 0..100_000_000 [] "drawn besides, by schedule" "";
    CableLength "circuit" "cable_m" "m" 100..200_000 [] "length of the cable from bank, bus bar or the source in fed_by to the pad, one way" "";
    CableArea "circuit" "cable_mm2" "mm²" 500..300_000 [] "conductor cross-section, where one is chosen already" "";
    Drop "circuit" "drop_pct" "%" 100..20_000 [3_000] "voltage drop allowed" "";
    CableTemperature "circuit" "cable_c" "°C" -40_000..90_000 [40_000] "warmest surroundings of the cable" "";
    Fuse "circuit" "fuse_a" "A" 100..1_000_000 [] "rated current of the fuse, where one is chosen already" "";
    RelayCurrent "circuit" "relay_a" "A" 100..2_000_000 [] "current that the relay's contact is rated for, direct current, resistive load" "";
    RelayVoltage "circuit" "relay_v" "V" 1_000..1_500_000 [] "voltage up to which it is, direct current" "";
    CoilPower "circuit" "coil_w" "W" 50..100_000 [1_500] "power of the relay's coil" "";
    CoilVoltage "circuit" "coil_v" "V" 3_000..120_000 [] "nominal voltage of the coil; without it, 12, 24 or 48, whichever is nearest to the heater's" "";
    PilotCurrent "circuit" "pilot_a" "A" 10..100_000 [] "current that the contact of a pilot relay is rated for, which drives that coil" "";
    PilotVoltage "circuit" "pilot_v" "V" 1_000..1_500_000 [] "voltage up to which it is, direct current" "";
    PilotCoil "circuit" "pilot_coil_w" "W" 10..10_000 [] "power of the pilot relay's own coil" "";
    Driver "circuit" "driver_ma" "mA" 1_000..10_000_000 [100_000] "current that the controller's output can give the first coil" "";
    Opens "thermal_cutout" [MOST_CUTOUTS] "opens_c" "°C" 30_000..200_000 [] "temperature at which it opens, as it is marked" "";
    OpensWithin "thermal_cutout" [MOST_CUTOUTS] "within_k" "K" 500..30_000 [5_000] "how far from that it may open" "bimetal, from memory";
    CutoutCurrent "thermal_cutout" [MOST_CUTOUTS] "rated_a" "A" 100..2_000_000 [] "current that it is rated for, direct current, resistive load" "";
    CutoutVoltage "thermal_cutout" [MOST_CUTOUTS] "rated_v" "V" 1_000..1_500_000 [] "voltage up to which it is, direct current" "";
    Mean "winter" "mean_c" "°C" -60_000..40_000 [] "made-up weather: mean of the ordinary days" "";
    DailySwing "winter" "daily_swing_k" "K" 0..30_000 [4_000] "from the mean to the warmest moment of the day" "";
    SpellMean "winter" "spell_c" "°C" -60_000..40_000 [] "mean of the days of a cold spell" "";
    SpellFrom "winter" "spell_from_day" "" 0..366_000 [] "its first day, counted from 0" "";
    SpellDays "winter" "spell_days" "" 0..366_000 [] "how many days it lasts" "";
    Wind "winter" "wind_m_s" "m/s" 0..60_000 [3_000] "wind, all the time" "";
    Noon "winter" "noon_w_m2" "W/m²" 0..1_400_000 [150_000] "sun on the horizontal at noon of a day that is light from 8 to 16" "";
    Days "winter" "days" "" 1_000..366_000 [180_000] "how many days to rehearse" "";
    WeatherOffset "winter" "offset_k" "K" -40_000..40_000 [0] "added to every outside temperature" "";
    Start "winter" "start_c" "°C" -60_000..40_000 [] "temperature of everything at the start; without it, that of the outside, or of a room that nobody warms" "";
    StartCharge "winter" "start_charge_pct" "%" 0..100_000 [50_000] "state of charge at the start" "";
    PadPowerSpread "tolerance" "pad_power_pct" "%" 0..50_000 [10_000] "heater power, up or down" "";
    InsulationSpread "tolerance" "insulation_pct" "%" 0..90_000 [15_000] "conductivity of the insulation, up or down" "";
    SpecificHeatSpread "tolerance" "specific_heat_pct" "%" 0..50_000 [10_000] "specific heat of the batteries, up or down" "";
    ConductivitySpread "tolerance" "conductivity_pct" "%" 0..90_000 [25_000] "conductivity of the batteries, up or down" "";
    ContactSpread "tolerance" "contact_pct" "%" 0..90_000 [30_000] "conductance of joint and bond, up or down" "";
    AirChangesSpread "tolerance" "air_changes_pct" "%" 0..1_000_000 [100_000] "air changes, from none to this much more" "";
    FilmSpread "tolerance" "film_pct" "%" 0..90_000 [20_000] "film of air inside the box, up or down" "from memory";
    PadPlaceSpread "tolerance" "pad_place_mm" "mm" 0..500_000 [10_000] "where the middle of the pad really is, either way, along and across; never beyond the edge of the plate" "";
    AirShareSpread "tolerance" "air_share_pct" "%" 0..100_000 [100_000] "air_share_pct of every thermometer, as a part of itself: 100 is from none to twice as much, and never more than half" "from memory";
    WeatherSpread "tolerance" "weather_k" "K" 0..20_000 [0] "outside temperature, up or down" "";
    HardLimitSpread "tolerance" "hard_limit_k" "K" 0..10_000 [0] "the hard limit of the cells, up or down" "";
}

impl Row for Key {
    const IN_THOUSANDTHS: bool = false;

    fn fact(self) -> &'static Fact {
        Self::fact(self)
    }

    fn meaning(self) -> &'static str {
        WORDS[self as usize].0
    }

    fn source(self) -> &'static str {
        WORDS[self as usize].1
    }

    fn example(self) -> Example {
        example::example(self)
    }
}

impl Key {
    /// The row of [`TABLE`].
    pub(in crate::installation) const fn fact(self) -> &'static Fact {
        // In one order, for the same macro writes all of them.
        &TABLE[self as usize]
    }

    /// How many of its unit make one of the unit in which a [`Site`](crate::site::Site) has it.
    pub(in crate::installation) fn per(self) -> f64 {
        match self.fact().unit {
            // A site has self-heating in K/mW.
            "mm" | "mΩ" | "mA" | "mK" | "K/W" => 1e3,
            "%" => 1e2,
            "ppm" => 1e6,
            // A site has it per square metre.
            "W/cm²" => 1e-4,
            _ => 1.0,
        }
    }
}

/// A word or a text of a site. Which words there are stands beside the code that reads them; here, for a person.
#[derive(Clone, Copy, Debug)]
pub(in crate::installation) struct Text {
    pub(in crate::installation) section: &'static str,
    pub(in crate::installation) name: &'static str,
    pub(in crate::installation) meaning: &'static str,
}

/// Every word and text of a site.
#[rustfmt::skip]
pub(in crate::installation) const TEXTS: &[Text] = &[
    Text { section: "battery", name: "cells", meaning: "how the cells stand: \"standing\" (the default: their layers are upright and carry heat up), \"lying\" or \"cylindrical\" (round cells, upright)" },
    Text { section: "plate", name: "material", meaning: "what it is made of, aluminium by default" },
    Text { section: "plate", name: "contact", meaning: "the joint from plate to batteries, if it is not contact_w_per_m2_k that says so: \"bare\" (200 W/(m² K), as without either), \"gap_pad\" (500, a soft pad that fills the gap) or \"plastic_case\" (30, a case of plastic with air and foam inside); all from memory" },
    Text { section: "box", name: "insulation", meaning: "what insulates it, if it is not conductivity_w_per_m_k that says so" },
    Text { section: "site", name: "stands_on", meaning: "what is under the box: \"air\" (the default) or \"ground\", with ground_c" },
    Text { section: "room", name: "schedule", meaning: "when the room is at temperature_c or warmer, by the week: from when it is that warm, not from when its heat is lit" },
    Text { section: "converter", name: "kind", meaning: "\"rtd_module\": a module with a MAX31865 for each channel. Whatever of this section is not stated is then what is known of such modules" },
    Text { section: "channel", name: "at", meaning: "where it sits: \"plate\" (the default of pad); on a battery, \"base\", \"top\" (the default of cell with one battery), \"side\" (a long face, half way up, of the first or last), \"end\" (a short face, half way up) or \"bottom\" (beneath it, where it reads the heater and not the cells), \"terminal\" (on top, 30 mm from the end where along_mm is 0 and in the middle across) or \"point\" (where along_mm, across_mm and up_mm say); \"between\" two batteries half way up (the default of cell); \"air\" of the box (the default of ambient)" },
    Text { section: "channel", name: "class", meaning: "tolerance class of IEC 60751: \"AA\", \"A\", \"B\" (the default) or \"C\"" },
    Text { section: "source", name: "schedule", meaning: "when it is there: by the week, or by sun_at_least_w_m2, or by log" },
    Text { section: "source", name: "log", meaning: "a CSV file with a time column and one of the source's name with _present after it" },
    Text { section: "bank", name: "measured", meaning: "what of the bank the controller is given: \"voltage\", \"charge\" (its state of charge), \"both\" or \"neither\"; without it, what its reserve needs. With neither, a source that gives nothing is not found, and heat is but trials of a minute" },
    Text { section: "load", name: "schedule", meaning: "when scheduled_w is drawn, by the week" },
    Text { section: "circuit", name: "fed_by", meaning: "the name of the one source that feeds the heater, at its rated_v, where the heater does not hang on bank or bus bar: neither the bank nor any other source then gives it anything" },
    Text { section: "thermal_cutout", name: "at", meaning: "what it touches: \"plate\", so that it sees what touches the batteries, or \"pad\", so that it stays with a pad that comes off" },
    Text { section: "thermal_cutout", name: "resets", meaning: "what closes it again: \"by_hand\", \"by_itself\" when it has cooled (the default: what is not said to need a hand may not), or \"never\" (a thermal-link, which is replaced)" },
    Text { section: "winter", name: "weather", meaning: "a file of weather, in place of mean_c and all that make it up" },
    Text { section: "winter", name: "from", meaning: "month and day to begin on; without it, the first day of the weather" },
];

//! What plan and rehearsal know of an installation besides the controller's settings: the bank as a body, the box
//! around it, the places of the thermometers, the circuit and the winter.
//!
//! All is in SI units, differences in kelvins, temperatures in °C. The installation file says the same in the units
//! that a fitter measures in. [`crate::installation`] reads and checks it, so every number here is finite and in its
//! range.

use crate::class::Class;
use crate::diagnostic::escaped;
use crate::figures::plain;
use crate::materials::{INSULATES_W_PER_M_K, Material};
use crate::portable::squared;
use crate::schedule::Schedule;
use serde::Serialize;
use std::borrow::Cow;
use std::fmt;
use std::path::PathBuf;

/// The physical installation.
#[derive(Clone, Debug)]
pub struct Site {
    /// The batteries.
    pub battery: Battery,
    /// The spreader plate.
    pub plate: Plate,
    /// The heater pad under the plate. Its power is a setting of the controller.
    pub pad: Pad,
    /// The insulated box.
    pub enclosure: Enclosure,
    /// Where the box stands.
    pub place: Place,
    /// The room around the box. `None` if outside air surrounds it. No wind reaches a box in a room, so
    /// `place.exposure` is then 0.
    pub room: Option<Room>,
    /// How each thermometer channel is mounted and cabled, in the order of the settings.
    pub mountings: Vec<Mounting>,
    /// The converter that measures them.
    pub converter: Converter,
    /// What each energy source really gives, in the order of the settings.
    pub supplies: Vec<Supply>,
    /// The one source that feeds the heater, as an index of `supplies`. `None` if the heater is on the bank's bus, with
    /// all sources.
    pub fed_by: Option<usize>,
    /// What else draws from the bank.
    pub load: Load,
    /// The heater's circuit. `None` if the file does not describe it.
    pub circuit: Option<Circuit>,
    /// The thermal cut-outs in series in that circuit, which do not depend on the controller.
    pub thermal_cutouts: Vec<ThermalCutout>,
    /// The winter to rehearse.
    pub winter: Winter,
    /// How far the real installation may differ from the file.
    pub tolerance: Tolerance,
}

/// A point of a charge-current ceiling.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct CeilingPoint {
    /// Temperature (°C).
    pub cell_c: f64,
    /// Largest charge current at that temperature, per capacity (C).
    pub c_rate: f64,
}

impl CeilingPoint {
    /// The limit at `cell_c` by rising points (C), as in the controller: linear between them, level beyond their ends. `None` without a
    /// point.
    #[must_use]
    pub fn between(points: &[Self], cell_c: f64) -> Option<f64> {
        let above = points.partition_point(|point| point.cell_c <= cell_c);
        match (above.checked_sub(1).and_then(|below| points.get(below)), points.get(above)) {
            (Some(a), Some(b)) => Some(a.c_rate + (b.c_rate - a.c_rate) * (cell_c - a.cell_c) / (b.cell_c - a.cell_c)),
            (Some(end), None) | (None, Some(end)) => Some(end.c_rate),
            (None, None) => None,
        }
    }
}

/// Equal batteries side by side, in parallel.
#[derive(Clone, Debug)]
pub struct Battery {
    /// How many.
    pub count: usize,
    /// Of one case, at right angles to the row (m).
    pub length_m: f64,
    /// Of one case, in the direction in which the batteries stand in a row (m).
    pub width_m: f64,
    /// Of one case, upwards from the plate (m).
    pub height_m: f64,
    /// Of one battery (kg).
    pub mass_kg: f64,
    /// Cells in series in one battery.
    pub cells_in_series: u32,
    /// Of the whole battery (J/(kg K)).
    pub specific_heat_j_per_kg_k: f64,
    /// Upwards, from the plate to the top (W/(m K)).
    pub conductivity_up_w_per_m_k: f64,
    /// Sideways, in the direction in which the batteries stand in a row (W/(m K)).
    pub conductivity_across_w_per_m_k: f64,
    /// Sideways, along the length of a case (W/(m K)).
    pub conductivity_along_w_per_m_k: f64,
    /// Air gap between neighbours (m).
    pub gap_m: f64,
    /// The cables from the bank's two end terminals through the wall. `None` if they are not counted.
    pub terminal_cable: Option<TerminalCable>,
    /// Internal resistance of one battery (Ω).
    pub resistance_ohm: f64,
    /// The maker's charge-current ceiling by the temperature of the cells themselves, rising. Empty if the file does
    /// not have it.
    pub maker_ceiling: Vec<CeilingPoint>,
    /// Charge harms a cell that is colder than this (°C).
    pub hard_limit_c: f64,
}

impl Battery {
    /// The most current that the maker allows into a bank of `capacity_ah` with its coldest cell at `cell_c` (A). `None` if the
    /// file does not have it.
    #[must_use]
    pub fn most_charge_a(&self, cell_c: f64, capacity_ah: f64) -> Option<f64> {
        CeilingPoint::between(&self.maker_ceiling, cell_c).map(|c_rate| c_rate * capacity_ah)
    }

    /// Width of the row of batteries, with its gaps (m).
    #[must_use]
    pub const fn row_m(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "8 at most")]
        let count = self.count as f64;
        count * self.width_m + (count - 1.0) * self.gap_m
    }

    /// Multiplies what it conducts in every direction.
    pub fn scale_conductivity(&mut self, by: f64) {
        self.conductivity_up_w_per_m_k *= by;
        self.conductivity_across_w_per_m_k *= by;
        self.conductivity_along_w_per_m_k *= by;
    }
}

/// The conductor from a terminal of the bank to the outside air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TerminalCable {
    /// Cross-section of the copper (mm²).
    pub area_mm2: f64,
    /// From the terminal to the place where it is as cold as the outside (m).
    pub length_m: f64,
}

/// The spreader plate.
#[derive(Clone, Debug)]
pub struct Plate {
    /// What it is made of.
    pub material: Material,
    /// Along the length of the batteries (m).
    pub length_m: f64,
    /// In the direction in which the batteries stand in a row (m).
    pub width_m: f64,
    /// Thickness (m).
    pub thickness_m: f64,
    /// Conductance of the joint to the batteries, per area (W/(m² K)).
    pub contact_w_per_m2_k: f64,
    /// Part of that conductance which each battery really has (1), where the file says so. A battery beyond the list has all of it.
    pub contact_parts: Vec<f64>,
}

/// The heater pad.
#[derive(Clone, Debug)]
pub struct Pad {
    /// Of the heated area, along the length of the batteries (m).
    pub length_m: f64,
    /// Of the heated area, in the direction in which the batteries stand in a row (m).
    pub width_m: f64,
    /// From the middle of the plate to the middle of the pad: along the length of the batteries, and across (m).
    pub shift_m: [f64; 2],
    /// Thickness (m).
    pub thickness_m: f64,
    /// Conductance of its bond to the plate, per area (W/(m² K)).
    pub bond_w_per_m2_k: f64,
    /// Most power per area that it may give on a plate (W/m²).
    pub most_w_per_m2: f64,
}

impl Plate {
    /// Conductance of the joint to a battery, counted from 0, per area (W/(m² K)).
    #[must_use]
    pub fn contact_of(&self, battery: usize) -> f64 {
        self.contact_w_per_m2_k * self.contact_parts.get(battery).copied().unwrap_or(1.0)
    }

    /// Footprint (m²).
    #[must_use]
    pub const fn area_m2(&self) -> f64 {
        self.length_m * self.width_m
    }
}

impl Pad {
    /// Heated area (m²).
    #[must_use]
    pub const fn area_m2(&self) -> f64 {
        self.length_m * self.width_m
    }
}

/// The box. Inner measures; plate and batteries stand in it.
#[derive(Clone, Debug)]
pub struct Enclosure {
    /// Inner length (m).
    pub length_m: f64,
    /// Inner width (m).
    pub width_m: f64,
    /// Inner height (m).
    pub height_m: f64,
    /// Layers of walls and lid, from the outside inwards; at least one.
    pub walls: Vec<Layer>,
    /// Layers under the pad, from the outside inwards; at least one.
    pub floor: Vec<Layer>,
    /// Air that leaks through the box, in volumes per hour.
    pub air_changes_per_h: f64,
    /// What insulation and leaks let through as found, as a part of what the layers and the air changes say (1).
    pub loss: f64,
    /// Film on the inner faces (W/(m² K)).
    pub inside_w_per_m2_k: f64,
}

/// One layer of a wall.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// What it is called.
    pub name: Cow<'static, str>,
    /// What it is made of.
    pub material: Material,
    /// Thickness (m).
    pub thickness_m: f64,
}

impl Layer {
    /// Whether it counts as thermal insulation.
    #[must_use]
    pub fn insulates(&self) -> bool {
        self.material.conductivity_w_per_m_k <= INSULATES_W_PER_M_K
    }
}

impl Enclosure {
    /// Every layer of walls and floor.
    pub fn layers_mut(&mut self) -> impl Iterator<Item = &mut Layer> {
        self.walls.iter_mut().chain(&mut self.floor)
    }
}

/// Where the box stands.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// Coldest outside temperature to design for (°C).
    pub design_min_c: f64,
    /// Wind to design for, before shelter (m/s).
    pub design_wind_m_s: f64,
    /// Part of the wind that reaches the box, 0 (indoors) to 1 (in the open).
    pub exposure: f64,
    /// What is under it.
    pub stands_on: StandsOn,
}

/// A room that may be warmer than the outside: a cabin, an engine bay. It is never colder.
#[derive(Clone, Debug)]
pub struct Room {
    /// How much warmer it always is than the outside (K). Not below 0.
    pub warmer_k: f64,
    /// Its lowest temperature while a weekly schedule holds (°C), and the schedule.
    pub scheduled: Option<(f64, Schedule)>,
}

impl Room {
    /// The temperature of its air at `outside_c` outside (°C). `is_warmed` says whether the schedule holds.
    #[must_use]
    pub fn air_c(&self, outside_c: f64, is_warmed: bool) -> f64 {
        let alone_c = outside_c + self.warmer_k;
        let least_c = self.scheduled.as_ref().filter(|_| is_warmed).map(|&(least_c, _)| least_c);
        least_c.map_or(alone_c, |least_c| alone_c.max(least_c))
    }

    /// How long it is warmed (h a week).
    #[must_use]
    pub fn warmed_h(&self) -> f64 {
        self.scheduled.as_ref().map_or(0.0, |(_, schedule)| f64::from(schedule.minutes()) / 60.0)
    }
}

/// A room in a report for machines.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RoomReport {
    /// How much warmer it always is than the outside (K).
    pub warmer_by_k: f64,
    /// Its lowest temperature while its schedule holds (°C). `null` without a schedule.
    pub temperature_c: Option<f64>,
    /// How long the schedule holds (h a week).
    pub scheduled_h_per_week: f64,
}

impl RoomReport {
    /// The report of `room`.
    #[must_use]
    pub fn of(room: &Room) -> Self {
        Self {
            warmer_by_k: room.warmer_k,
            temperature_c: room.scheduled.as_ref().map(|&(least_c, _)| least_c),
            scheduled_h_per_week: room.warmed_h(),
        }
    }
}

impl fmt::Display for Room {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Hours to a hundredth.
        let warmed_h = (self.warmed_h() * 100.0).round() / 100.0;
        match self.warmer_k {
            0.0 => write!(f, "the box stands in a room as cold as the outside")?,
            warmer_k => write!(f, "the box stands in a room {warmer_k} K warmer than the outside")?,
        }
        if let Some((least_c, _)) = &self.scheduled {
            write!(f, ", and at {least_c} °C or more for {warmed_h} h a week")?;
        }
        write!(f, "; no wind reaches it")
    }
}

/// What is under the box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StandsOn {
    /// The air around the box, which passes under it.
    Air,
    /// A floor or the ground, which stays at one temperature (°C).
    Ground(f64),
}

/// What the self-heating of an element is uncertain by, as part of itself: its mounting decides, and nobody measures it. Common
/// practice, no source.
pub const SELF_HEATING_UNKNOWN: f64 = 0.5;

/// One thermometer channel as it is mounted.
#[derive(Clone, Copy, Debug)]
pub struct Mounting {
    /// Where the element sits.
    pub at: Spot,
    /// Resistance of the element at 0 °C (Ω).
    pub r0_ohm: f64,
    /// Tolerance class of the element, IEC 60751.
    pub class: Class,
    /// Standard uncertainty of a calibration or trim that replaces the class, where there was one (K).
    pub calibrated_k: Option<f64>,
    /// Length of the cable, one way (m).
    pub cable_m: f64,
    /// Cross-section of one conductor (mm²).
    pub cable_mm2: f64,
    /// True resistance of the cable there and back at 20 °C (Ω). The settings may have another figure.
    pub loop_ohm_20c: f64,
    /// Source of that figure.
    pub loop_from: LoopFrom,
    /// Time constant of the element in its mounting (s).
    pub lag_s: f64,
    /// Rise of the element above its surroundings per power in it (K/mW).
    pub self_heating_k_per_mw: f64,
    /// Part of the element's surroundings that is air of the box, and not what it is fixed to, 0 to 0.5. An element in
    /// the air has no such part: it sees only air.
    pub air_share: f64,
    /// Source of that figure.
    pub air_share_from: ShareFrom,
}

/// Most air that an element sees if it is fixed to something: half of its surroundings.
pub const MOST_AIR_SHARE: f64 = 0.5;

impl Mounting {
    /// The part of air that the element sees beside what it is fixed to. `None` if it hangs in the air.
    #[must_use]
    pub fn air_beside(&self) -> Option<f64> {
        (self.at != Spot::Air).then_some(self.air_share)
    }
}

/// Where a channel's share of air comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShareFrom {
    /// The installation file.
    File,
    /// The default: from memory, no source.
    Default,
}

/// Where a channel's lead resistance comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LoopFrom {
    /// Measured, as the file says. If the file also states length and cross-section of the cable, the resistance that
    /// follows from these comes with it.
    Measured {
        /// Computed for the stated cable, there and back at 20 °C (Ω).
        cable_ohm: Option<f64>,
    },
    /// Computed from the length and cross-section of the cable.
    Cable,
}

impl LoopFrom {
    /// The computed resistance of a stated cable (Ω), if it is so far from `measured_ohm` that one of the two must be
    /// wrong.
    #[must_use]
    pub fn contradicted(self, measured_ohm: f64) -> Option<f64> {
        /// The measured resistance may differ by this part of the computed one: a tenth each for copper better than the
        /// standard's maximum and for the length, a twentieth for a temperature other than 20 °C. From memory, no
        /// source.
        const AGREES: f64 = 0.25;
        match self {
            Self::Measured { cable_ohm: Some(cable_ohm) } => {
                ((measured_ohm - cable_ohm).abs() > AGREES * cable_ohm + 1e-9).then_some(cable_ohm)
            }
            Self::Measured { cable_ohm: None } | Self::Cable => None,
        }
    }
}

/// Where an element can sit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Spot {
    /// On the spreader plate, beside the batteries.
    Plate,
    /// On the case of battery `n` (from 0), at the base, just above the plate.
    Base(usize),
    /// Half way up battery `n`, against its case, between it and its neighbour if it has one.
    Between(usize),
    /// On the top of the case of battery `n`.
    Top(usize),
    /// Half way up a long face of the case of battery `n` that the air of the box reaches. Only the first and the last
    /// of a row have one.
    Side(usize),
    /// On a short face of the case of battery `n`, half way up.
    End(usize),
    /// Beneath the case of battery `n`, in the joint between it and the plate over the heater.
    Bottom(usize),
    /// At a terminal on top of battery `n`: 30 mm from the end where the length begins, in the middle across (from memory).
    Terminal(usize),
    /// At a point of the case of battery `n`: along its length from the end, across it in the direction of the row, and up (m), from the
    /// corner at the base where each of them is 0.
    Point(usize, [f64; 3]),
    /// In the air of the box.
    Air,
}

impl Spot {
    /// The battery that it is on (from 0), if any.
    #[must_use]
    pub const fn battery(self) -> Option<usize> {
        match self {
            Self::Base(battery)
            | Self::Between(battery)
            | Self::Top(battery)
            | Self::Side(battery)
            | Self::End(battery)
            | Self::Bottom(battery)
            | Self::Terminal(battery)
            | Self::Point(battery, _) => Some(battery),
            Self::Plate | Self::Air => None,
        }
    }
}

/// The converter, which turns resistance into a ratio. One serves all channels.
#[derive(Clone, Copy, Debug)]
pub struct Converter {
    /// Bits that span zero to the reference resistor.
    pub bits: u32,
    /// Excitation current (A).
    pub current_a: f64,
    /// Part of the time the excitation is on, 0 to 1.
    pub duty: f64,
    /// Half-width of its offset, as resistance at the input (Ω).
    pub offset_ohm: f64,
    /// Half-width of its gain error, which a ratiometric measurement does not cancel (1).
    pub gain: f64,
    /// Standard deviation of one measurement (K).
    pub noise_k: f64,
    /// Half-width of the reference resistor's tolerance (1).
    pub reference_tolerance: f64,
    /// Half-width of its drift over the years and the temperatures it sees (1).
    pub reference_drift: f64,
    /// Half-width of the difference between the leads of a 3-wire connection, as a part of one lead (1).
    pub lead_mismatch: f64,
    /// Half-width of the contact resistance in one lead (Ω).
    pub contact_ohm: f64,
    /// Most resistance that the contacts of one channel's leads may gain together in service (Ω). They gain nothing
    /// when new.
    pub contact_growth_ohm: f64,
    /// Whether all channels are measured against one reference resistor, so that a check resistor answers for it. Converter modules
    /// have one each.
    pub one_reference: bool,
}

/// What one step of a converter stands for (Ω), with so much in the reference resistor.
#[must_use]
pub fn step_ohm(reference_ohm: f64, bits: u32) -> f64 {
    reference_ohm * libm::exp2(-f64::from(bits))
}

/// What an energy source gives.
#[derive(Clone, Debug)]
pub struct Supply {
    /// Electrical power that it gives while it is there (W). For a panel, its power at 1000 W/m².
    pub power_w: f64,
    /// When it is there.
    pub presence: Presence,
    /// For the circuit's heat budget: rated current (A), part of it that may be drawn for hours, and what else it feeds (W).
    pub rating: Option<Rating>,
}

/// When a source is there.
#[derive(Clone, Debug)]
pub enum Presence {
    /// By the week.
    Weekly(Schedule),
    /// With the sun. Power is in proportion to the irradiance.
    Sun {
        /// At or above this irradiance (W/m²) it counts as present and may be spent on heat. Below, it charges with
        /// what it has.
        at_least_w_m2: f64,
    },
    /// By a log: a CSV file with a time column and a column with the source's name and `_present` after it. The path is
    /// as written, relative to the installation file.
    Log(PathBuf),
    /// Never, in this rehearsal.
    Never,
}

/// The rating of a source.
#[derive(Clone, Copy, Debug)]
pub struct Rating {
    /// Rated current (A).
    pub rated_a: f64,
    /// Voltage at which it gives that (V). `None` if the file does not say.
    pub rated_v: Option<f64>,
    /// Part of the rated current that may be drawn for hours, 0 to 1.
    pub derate: f64,
    /// What else it feeds (W).
    pub other_loads_w: f64,
}

impl Rating {
    /// What it has left for heater and charge (W), at its own voltage, or at `assumed_v` (V) if that is not known.
    /// Never below 0.
    #[must_use]
    pub fn leaves_w(&self, assumed_v: f64) -> f64 {
        (self.rated_a * self.rated_v.unwrap_or(assumed_v) * self.derate - self.other_loads_w).max(0.0)
    }
}

/// What the controller knows about the bank.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BankMeasured {
    /// Its voltage.
    pub voltage: bool,
    /// Its state of charge.
    pub charge: bool,
}

/// What else draws from the bank.
#[derive(Clone, Debug, Default)]
pub struct Load {
    /// Constant load (W).
    pub constant_w: f64,
    /// Further load by the week (W), and its schedule.
    pub scheduled: Option<(f64, Schedule)>,
}

/// The heater's circuit, from the bank, the bus bar or the one source that feeds it to the pad.
#[derive(Clone, Copy, Debug)]
pub struct Circuit {
    /// Length of the cable, one way (m).
    pub cable_m: f64,
    /// Conductor cross-section, if chosen already (mm²).
    pub cable_mm2: Option<f64>,
    /// Voltage drop allowed, as part of the nominal voltage (1).
    pub drop: f64,
    /// Warmest surroundings of the cable (°C).
    pub cable_c: f64,
    /// Rated current of the fuse, if chosen already (A).
    pub fuse_a: Option<f64>,
    /// The relay that switches the heater.
    pub relay: Relay,
    /// The pilot relay that drives its coil, if any.
    pub pilot: Option<Contact>,
    /// Current of the controller's output that drives the first coil (A).
    pub driver_a: f64,
}

/// Nominal voltages in which coils are proposed (V). Source: usual values of IEC 61810-1, from memory.
pub const COILS_V: [f64; 3] = [12.0, 24.0, 48.0];

/// The usual coil that is nearest to a supply of `nominal_v`, as a ratio.
#[must_use]
pub fn usual_coil_v(nominal_v: f64) -> f64 {
    let off = |coil_v: &f64| libm::log(coil_v / nominal_v).abs();
    COILS_V.into_iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(COILS_V[0])
}

/// A relay: a contact and the coil that closes it.
#[derive(Clone, Copy, Debug)]
pub struct Relay {
    /// Its contact.
    pub contact: Contact,
    /// Power of its coil (W).
    pub coil_w: f64,
    /// Nominal voltage of its coil (V).
    pub coil_v: f64,
}

/// What a contact may switch.
#[derive(Clone, Copy, Debug)]
pub struct Contact {
    /// Rated current, direct current, resistive load (A).
    pub rated_a: f64,
    /// Highest voltage for that, direct current (V).
    pub rated_v: f64,
    /// For a pilot relay: power of its own coil (W).
    pub coil_w: f64,
}

/// A thermal cut-out. It opens the heater's circuit by itself, whatever the controller does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThermalCutout {
    /// What it touches.
    pub at: Touches,
    /// Temperature at which it opens, as it is marked (°C).
    pub opens_c: f64,
    /// How far from that temperature it may open (K).
    pub within_k: f64,
    /// What closes it again.
    pub resets: Resets,
    /// Rated current, direct current, resistive load (A).
    pub rated_a: f64,
    /// Highest voltage for that, direct current (V).
    pub rated_v: f64,
}

impl ThermalCutout {
    /// The temperature below which it certainly stays closed (°C).
    #[must_use]
    pub const fn stays_closed_to_c(&self) -> f64 {
        self.opens_c - self.within_k
    }

    /// The temperature at which it has certainly opened (°C).
    #[must_use]
    pub const fn has_opened_at_c(&self) -> f64 {
        self.opens_c + self.within_k
    }

    /// One that opens as late as its tolerance allows.
    #[must_use]
    pub fn latest(&self) -> Opening {
        /// From where one that resets itself opens to where it closes (K). Bimetal, from memory: 10 to 25.
        const CLOSES_BELOW_K: f64 = 15.0;
        let closes_c = (self.resets == Resets::ByItself).then(|| self.has_opened_at_c() - CLOSES_BELOW_K);
        Opening { at: self.at, opens_c: self.has_opened_at_c(), closes_c }
    }
}

/// Where a thermal cut-out opens and closes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Opening {
    /// What it touches.
    pub at: Touches,
    /// It opens as soon as that is so hot (°C).
    pub opens_c: f64,
    /// It closes again with that so cold (°C); `null` if it stays open.
    pub closes_c: Option<f64>,
}

impl fmt::Display for Opening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "on the {} at {} °C, ", self.at.word(), plain(self.opens_c))?;
        match self.closes_c {
            None => write!(f, "for good"),
            Some(closes_c) => write!(f, "and closes again at {} °C", plain(closes_c)),
        }
    }
}

impl Opening {
    const fn felt_c(&self, plate_c: f64, pad_c: f64) -> f64 {
        match self.at {
            Touches::Plate => plate_c,
            Touches::Pad => pad_c,
        }
    }

    /// Whether it opens with plate and pad as hot as this (°C).
    #[must_use]
    pub fn opens(&self, plate_c: f64, pad_c: f64) -> bool {
        self.felt_c(plate_c, pad_c) >= self.opens_c
    }

    /// Whether it closes again.
    #[must_use]
    pub fn closes(&self, plate_c: f64, pad_c: f64) -> bool {
        self.closes_c.is_some_and(|closes_c| self.felt_c(plate_c, pad_c) <= closes_c)
    }
}

/// What a thermal cut-out touches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Touches {
    /// The spreader plate: it sees what touches the batteries.
    Plate,
    /// The pad itself: it stays with a pad that comes off.
    Pad,
}

impl Touches {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Plate, Self::Pad];

    /// The word of the file.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Plate => "plate",
            Self::Pad => "pad",
        }
    }
}

/// What closes a thermal cut-out again. IEC 60730-1 knows the first two as manual and automatic reset; the last is a thermal-link of
/// IEC 60691. Both from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Resets {
    /// A person, at the cut-out.
    ByHand,
    /// The cold.
    ByItself,
    /// Nothing: it is replaced.
    Never,
}

impl Resets {
    /// The word of the file.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::ByHand => "by_hand",
            Self::ByItself => "by_itself",
            Self::Never => "never",
        }
    }
}

/// Most thermal cut-outs that a file can have.
pub const MOST_CUTOUTS: usize = 4;

/// The winter to rehearse.
#[derive(Clone, Debug)]
pub struct Winter {
    /// Where the weather comes from.
    pub weather: WeatherSource,
    /// Month and day on which it begins. `None` for the weather's own first day.
    pub from: Option<(i8, i8)>,
    /// How many days.
    pub days: u32,
    /// Added to every outside temperature (K).
    pub offset_k: f64,
    /// Temperature of everything at the start (°C). `None` for that of the outside, or of a room that is not warmed.
    pub start_c: Option<f64>,
    /// State of charge at the start, 0 to 1.
    pub start_charge: f64,
}

/// Where weather comes from.
#[derive(Clone, Debug)]
pub enum WeatherSource {
    /// A file. Its path is as written, relative to the installation file.
    File(PathBuf),
    /// Made up: a daily swing around a mean, and one colder spell.
    ColdSpell(ColdSpell),
}

/// Made-up weather.
#[derive(Clone, Copy, Debug)]
pub struct ColdSpell {
    /// Mean of the ordinary days (°C).
    pub mean_c: f64,
    /// From the mean to the warmest moment of the day, 15:00 (K).
    pub daily_swing_k: f64,
    /// Mean of the days of the spell (°C).
    pub spell_c: f64,
    /// First day of the spell, counted from 0.
    pub spell_from_day: u32,
    /// How many days it lasts.
    pub spell_days: u32,
    /// Constant wind (m/s).
    pub wind_m_s: f64,
    /// Irradiance at noon of a day that is light from 8:00 to 16:00 (W/m²).
    pub noon_w_m2: f64,
}

/// How far the real installation may differ from the file. Half-widths of rectangular distributions, as parts (1)
/// unless the name says otherwise.
#[derive(Clone, Copy, Debug)]
pub struct Tolerance {
    /// Heater power.
    pub pad_power: f64,
    /// Conductivity of the insulation.
    pub insulation: f64,
    /// Specific heat of the batteries.
    pub specific_heat: f64,
    /// Conductivity of the batteries, both directions.
    pub conductivity: f64,
    /// Conductance of the joint between plate and batteries, and of the pad's bond.
    pub contact: f64,
    /// Air changes, from none to this much more.
    pub air_changes: f64,
    /// Film of air inside the box.
    pub film: f64,
    /// Place of the pad's middle, along the length of the batteries and across (m).
    pub pad_place_m: f64,
    /// The part of air that thermometers see beside what they are fixed to.
    pub air_share: f64,
    /// Outside temperature (K).
    pub weather_k: f64,
    /// The hard limit of the cells (K).
    pub hard_limit_k: f64,
}

impl Site {
    /// Files that the installation names, as written: the weather, and logs of sources.
    pub fn files(&self) -> impl Iterator<Item = &PathBuf> {
        let weather = match &self.winter.weather {
            WeatherSource::File(path) => Some(path),
            WeatherSource::ColdSpell(_) => None,
        };
        let logs = self.supplies.iter().filter_map(|supply| match &supply.presence {
            Presence::Log(path) => Some(path),
            Presence::Weekly(_) | Presence::Sun { .. } | Presence::Never => None,
        });
        weather.into_iter().chain(logs)
    }

    /// Rated voltage of the one source that feeds the heater (V). `None` if no single source does, or if the file does
    /// not say it.
    #[must_use]
    pub fn feed_v(&self) -> Option<f64> {
        self.supplies.get(self.fed_by?)?.rating?.rated_v
    }

    /// `the heater hangs on mains alone, at 13.8 V`, if one source feeds it. `names` are those of the sources.
    #[must_use]
    pub fn feed_told(&self, names: &[String]) -> Option<String> {
        let name = names.get(self.fed_by?)?;
        let volts = self.feed_v().map_or_else(String::new, |volts| format!(", at {volts} V"));
        Some(format!("the heater hangs on {} alone{volts}", escaped(name)))
    }

    /// Coldest air around the box to design for (°C): outside, or in a room that is not being warmed.
    #[must_use]
    pub fn design_air_c(&self) -> f64 {
        self.air_unwarmed_c(self.place.design_min_c)
    }

    /// Air around the box at `outside_c` outside (°C): outside, or in a room that is not being warmed.
    pub(crate) fn air_unwarmed_c(&self, outside_c: f64) -> f64 {
        self.room.as_ref().map_or(outside_c, |room| room.air_c(outside_c, false))
    }

    /// How far the pad's middle may be from the plate's with the pad still on the plate, along the length of the
    /// batteries and across (m).
    #[must_use]
    pub fn room_for_pad_m(&self) -> [f64; 2] {
        let Self { plate, pad, .. } = self;
        [(plate.length_m - pad.length_m) / 2.0, (plate.width_m - pad.width_m) / 2.0].map(|room| room.max(0.0))
    }

    /// The same with thermometers that see only what they are fixed to, and no air beside it.
    #[must_use]
    pub fn without_air_beside(&self) -> Self {
        let mut site = self.clone();
        site.mountings.iter_mut().for_each(|mounting| mounting.air_share = 0.0);
        site
    }

    /// The temperature that its schedule keeps (°C), if the box stands in a room with a schedule.
    #[must_use]
    pub fn warmed_c(&self) -> Option<f64> {
        self.room.as_ref()?.scheduled.as_ref().map(|&(least_c, _)| least_c)
    }

    /// Power that measuring puts into each channel's element (W), at the resistance of an element at 0 °C.
    pub fn self_heating_w(&self) -> impl Iterator<Item = f64> + '_ {
        let Converter { current_a, duty, .. } = self.converter;
        self.mountings.iter().map(move |mounting| squared(current_a) * mounting.r0_ohm * duty)
    }
}

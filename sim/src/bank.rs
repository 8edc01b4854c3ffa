//! The bank as a store of charge: it counts coulombs, and has an open-circuit voltage and a resistance. That is enough
//! for reserve, sag and the charge-current ceiling to mean something.
//!
//! Sources, loads, heater and bank meet at one bus:
//!
//! ```text
//!   sources ──┬────────┬────────── bus_v ──┬── line ── supply_v ── heater
//!             │        │                   │
//!           loads     bank: open-circuit voltage behind its resistance
//! ```
//!
//! Sources and loads are powers. The heater and its cable are resistors. So the bus voltage solves a quadratic
//! equation. Heat is booked as the controller books it: the present sources pay in the order in which they are spent,
//! each up to its budget, and the bank pays the rest. The cable and the loads then take from what the sources have
//! left. What remains is charge.
//!
//! A heater that one source feeds is apart from this. It is served first, at its source's voltage and with no more than
//! that source gives. The rest of the source goes to the bus. The bank gives that heater nothing.
//!
//! A source may give something and not count as present, as a panel in dim light. It pays for no heat. It feeds loads
//! and charges the bank like any other.
//!
//! A source that does not obey the charge-current ceiling charges with all that it can give to the bank, as far as its
//! power goes. One with two steps gives the larger only with the full charge permit. The sources that obey share the
//! ceiling.
//!
//! While charge is permitted, the bank sets the voltage of the bus. While it is refused, no current flows into the
//! bank. Sources that carry everything else then hold the bus at their own voltage, however empty the bank is. As they
//! lack power, the voltage falls. Once it has fallen to the bank's, the bank gives the rest.

use crate::offer::Offer;
use crate::site::Battery;
use crate::{cell, si};
use forewarm_core::settings::{MAX_SOURCES, ValidSettings};

/// Open-circuit voltage of one cell by state of charge.
///
/// # Source
/// Computed at 25 °C from the electrode potentials and stoichiometries in the LFP|graphite example of the open standard Battery
/// Parameter eXchange (BPX), rounded to 1 mV. The lag between charging and discharging (tens of millivolts) is left out.
const OPEN_CIRCUIT_V: [(f64, f64); 19] = [
    (0.00, 2.000),
    (0.01, 2.837),
    (0.02, 2.948),
    (0.05, 3.137),
    (0.10, 3.188),
    (0.15, 3.204),
    (0.20, 3.230),
    (0.25, 3.254),
    (0.30, 3.267),
    (0.40, 3.275),
    (0.50, 3.278),
    (0.55, 3.281),
    (0.60, 3.286),
    (0.65, 3.295),
    (0.70, 3.306),
    (0.80, 3.318),
    (0.90, 3.322),
    (0.99, 3.334),
    (1.00, 3.649),
];

/// The two points of the curve between which `is_before` turns; the outermost two if it turns beyond them.
fn piece(is_before: impl Fn(f64) -> bool) -> [(f64, f64); 2] {
    let upper = OPEN_CIRCUIT_V.partition_point(|&(at, _)| is_before(at)).clamp(1, OPEN_CIRCUIT_V.len() - 1);
    [OPEN_CIRCUIT_V[upper - 1], OPEN_CIRCUIT_V[upper]]
}

/// The bank counts as full when the end-of-charge voltage drives no more current than this, per capacity (1/h). Source:
/// common practice for ending a charge, from memory.
const TAIL_C_RATE: f64 = 0.02;

/// The bank of an installation.
#[derive(Clone, Debug)]
pub struct BankModel {
    capacity_ah: f64,
    /// The capacity by which sources are told their ceiling: that of the settings.
    stated_ah: f64,
    cells_in_series: f64,
    resistance_ohm: f64,
    /// Heat budgets by source (W), as the settings order the sources.
    budget_w: [f64; MAX_SOURCES],
    /// Indices of the sources in the order in which they are spent.
    order: Vec<usize>,
    /// What each source charges with at any ceiling (A), without the full charge permit and with it. `None` for one
    /// that obeys.
    unruled_a: [Option<(f64, f64)>; MAX_SOURCES],
    /// The largest charge current that the settings allow at any temperature (A).
    warm_ceiling_a: f64,
}

/// A charge permit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Permit {
    /// What sources that obey may charge with, per capacity (1/h).
    pub ceiling_c_rate: f64,
    /// Whether the full charge permit is on.
    pub full: bool,
}

/// The heater as a load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeaterLoad {
    /// Power at the nominal voltage (W).
    pub power_at_nominal_w: f64,
    /// Nominal voltage (V).
    pub nominal_v: f64,
    /// Whether its relay is closed.
    pub on: bool,
    /// Resistance of the cable from the heater to the bus or to its source, both ways (Ω).
    pub line_ohm: f64,
    /// The one source that feeds it. `None` if it is on the bus.
    pub fed: Option<Fed>,
}

/// One source that feeds the heater alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fed {
    /// Its index in the settings.
    pub source: usize,
    /// Its voltage while it gives power (V).
    pub volts: f64,
}

/// Where power flows at one moment.
///
/// Always `source_w = heater_w + line_w + (load − unmet_w) + bus_v × charge_a`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flow {
    /// Voltage of the bus, which a meter at the bank shows (V). Cells that may not be charged rest lower when sources
    /// hold it.
    pub bus_v: f64,
    /// Voltage at the heater (V).
    pub supply_v: f64,
    /// Heat in the heater (W).
    pub heater_w: f64,
    /// The part of that heat that each source pays for, in the order of the settings (W).
    pub heater_w_by_source: [f64; MAX_SOURCES],
    /// The part of that heat that the bank pays for (W).
    pub heater_w_bank: f64,
    /// Lost in the heater's cable (W).
    pub line_w: f64,
    /// What the sources give together (W).
    pub source_w: f64,
    /// Current into the bank (A). Negative while it discharges.
    pub charge_a: f64,
    /// Heat in all batteries, from their resistance (W).
    pub bank_heat_w: f64,
    /// Whether the sources, present or not, give more than loads and heater take, and the bank has room for it. The
    /// permit does not matter.
    pub charge_wanted: bool,
    /// What a warm bank would store and this one may not, at the bus (W). 0 while charge is permitted.
    pub refused_w: f64,
    /// Loads that nothing feeds (W).
    pub unmet_w: f64,
}

/// Conductances of the heater's circuit (S).
#[derive(Clone, Copy)]
struct Circuit {
    /// Power drawn from the bus per V².
    drawn: f64,
    /// Power in the heater per V².
    heat: f64,
    /// Part of the bus voltage that reaches the heater.
    reach: f64,
}

impl Circuit {
    fn new(heater: HeaterLoad) -> Self {
        if !heater.on || heater.power_at_nominal_w <= 0.0 {
            return Self { drawn: 0.0, heat: 0.0, reach: 1.0 };
        }
        let heater_ohm = heater.nominal_v * heater.nominal_v / heater.power_at_nominal_w;
        let drawn = 1.0 / (heater_ohm + heater.line_ohm);
        let reach = heater_ohm * drawn;
        Self { drawn, heat: drawn * reach, reach }
    }
}

impl BankModel {
    /// The bank of these batteries, with the budgets and the order of the sources from the settings.
    #[must_use]
    pub fn new(battery: &Battery, settings: &ValidSettings) -> Self {
        let mut budget_w = [0.0; MAX_SOURCES];
        for (budget, source) in budget_w.iter_mut().zip(&settings.sources) {
            *budget = si::watts(source.budget);
        }
        let mut unruled_a = [None; MAX_SOURCES];
        for (unruled, source) in unruled_a.iter_mut().zip(&settings.sources) {
            *unruled = source.charge.reduced().map(si::amps).zip(source.charge.most().map(si::amps));
        }
        let mut order: Vec<usize> = (0..settings.sources.len()).collect();
        order.sort_by_key(|&index| settings.sources[index].priority);
        let capacity_ah = si::amp_hours(settings.charge.capacity);
        let warmest =
            settings.charge.ceiling.iter().map(|point| settings.charge.limit(point).as_steps()).max().unwrap_or(0);
        #[expect(clippy::cast_precision_loss, reason = "nobody has 2⁵³ batteries")]
        let count = battery.count.max(1) as f64;
        Self {
            capacity_ah,
            stated_ah: capacity_ah,
            cells_in_series: f64::from(battery.cells_in_series),
            resistance_ohm: battery.resistance_ohm / count,
            budget_w,
            order,
            unruled_a,
            warm_ceiling_a: f64::from(warmest) / 65_536.0 * capacity_ah,
        }
    }

    /// Lets the sources that obey the ceiling give all they have.
    pub(crate) fn ignore_the_ceiling(&mut self) {
        for unruled in &mut self.unruled_a {
            unruled.get_or_insert((f64::INFINITY, f64::INFINITY));
        }
    }

    /// Disconnects one of so many equal batteries. Sources and controller know nothing of it.
    pub(crate) fn lose_one_of(&mut self, batteries: usize) {
        #[expect(clippy::cast_precision_loss, reason = "nobody has 2⁵³ batteries")]
        let left = (batteries.max(2) - 1) as f64 / batteries.max(2) as f64;
        self.capacity_ah *= left;
        self.resistance_ohm /= left;
    }

    /// Voltage without current (V), at a state of charge from 0 to 1.
    #[must_use]
    pub fn open_circuit_v(&self, soc: f64) -> f64 {
        let [(from, from_v), (to, to_v)] = piece(|at| at < soc);
        let part = ((soc - from) / (to - from)).clamp(0.0, 1.0);
        self.cells_in_series * (from_v + part * (to_v - from_v))
    }

    /// The state of charge after `seconds` with a constant current. Never below 0 or above 1.
    #[must_use]
    pub fn advance(&self, soc: f64, charge_a: f64, seconds: f64) -> f64 {
        (soc + charge_a * seconds / (3600.0 * self.capacity_ah)).clamp(0.0, 1.0)
    }

    /// For how long (s) a constant current changes the voltage without current by less than `most_v` and the state of
    /// charge by less than `most`, and the bank is neither filled nor emptied.
    #[must_use]
    pub fn holds_s(&self, soc: f64, charge_a: f64, most_v: f64, most: f64) -> f64 {
        let per_s = charge_a / (3600.0 * self.capacity_ah);
        if (soc >= 1.0 && per_s >= 0.0) || (soc <= 0.0 && per_s <= 0.0) {
            return f64::INFINITY;
        }
        let left = if per_s > 0.0 { 1.0 - soc } else { soc };
        let most = most.min(left);
        // Where the voltage bends on the way, the steeper side counts.
        let slopes = [soc, soc + most * per_s.signum()].map(|at| self.slope_v(at, per_s));
        let part = slopes.iter().fold(most, |part, slope| if *slope > 0.0 { part.min(most_v / slope) } else { part });
        part / per_s.abs()
    }

    /// How much the voltage without current changes with the state of charge (V), from there on in the direction of
    /// `towards`.
    fn slope_v(&self, soc: f64, towards: f64) -> f64 {
        let [(from, from_v), (to, to_v)] = piece(|at| if towards < 0.0 { at < soc } else { at <= soc });
        self.cells_in_series * (to_v - from_v) / (to - from)
    }

    /// Where power flows with the bank at `soc` (0 to 1) and `offer` on the bus. `permit` is `None` if charge is not
    /// permitted.
    ///
    /// If charge is not permitted, sources that can feed heater (within their heat budgets), cable and loads hold the
    /// bus at their float voltage, or at the bank's resting voltage if that is higher. If they cannot, the bus falls
    /// until they can, or to where the bank makes up the rest.
    ///
    /// A bank that is empty, or that cannot carry the rest through its resistance, gives nothing. The heater then sags
    /// to what the sources may spend on it, and loads that the sources cannot feed are unmet.
    ///
    /// A heater that one source feeds draws from that source alone, whatever its heat budget. The controller decides
    /// what is asked of it. A source that is too weak sags. If it gives nothing, the heater gives nothing either, even
    /// with its relay closed.
    #[must_use]
    pub fn flow(&self, soc: f64, offer: &Offer, heater: HeaterLoad, permit: Option<Permit>) -> Flow {
        let Some(Fed { source, volts }) = heater.fed else {
            return self.on_bus(soc, offer, heater, permit);
        };
        let Circuit { drawn, heat, reach } = Circuit::new(heater);
        let given_w = offer.power_w[source];
        let most_v = if drawn > 0.0 { (given_w / drawn).sqrt() } else { f64::INFINITY };
        let feed_v = if given_w > 0.0 { volts.min(most_v) } else { 0.0 };
        let square = feed_v * feed_v;
        let (heater_w, line_w) = (square * heat, square * (drawn - heat));
        let mut rest = *offer;
        rest.power_w[source] = (given_w - heater_w - line_w).max(0.0);
        let bus = self.on_bus(soc, &rest, HeaterLoad { on: false, ..heater }, permit);
        let mut heater_w_by_source = [0.0; MAX_SOURCES];
        heater_w_by_source[source] = heater_w;
        let source_w = bus.source_w + heater_w + line_w;
        Flow { supply_v: feed_v * reach, heater_w, heater_w_by_source, line_w, source_w, ..bus }
    }

    /// The same for a heater on the bus.
    fn on_bus(&self, soc: f64, offer: &Offer, heater: HeaterLoad, permit: Option<Permit>) -> Flow {
        let bus = Bus::new(self, soc, offer, Circuit::new(heater));
        let carried = match permit {
            Some(Permit { ceiling_c_rate, full }) => {
                let told_a = (ceiling_c_rate * self.stated_ah).max(0.0);
                bus.permitted(self.most_charge_a(offer, told_a, full, bus.open_v))
            }
            None if soc <= 0.0 => None,
            None => bus.refused(),
        };
        let wanted = bus.is_charge_wanted(self.capacity_ah * TAIL_C_RATE);
        let mut flow = match carried {
            Some((bus_v, charge_a)) if soc > 0.0 || charge_a >= 0.0 => bus.fed(bus_v, charge_a),
            _ => bus.unaided(),
        };
        if wanted && permit.is_none() {
            flow.refused_w = bus
                .permitted(self.most_charge_a(offer, self.warm_ceiling_a, true, bus.open_v))
                .map_or(0.0, |(bus_v, charge_a)| bus_v * charge_a.max(0.0));
        }
        self.book(&mut flow, offer);
        Flow { charge_wanted: wanted, bank_heat_w: flow.charge_a * flow.charge_a * self.resistance_ohm, ..flow }
    }

    /// The most that the sources charge with together (A). Those that obey may give `told_a`. None gives more than its
    /// power.
    fn most_charge_a(&self, offer: &Offer, told_a: f64, full: bool, open_v: f64) -> f64 {
        let could_a = |index: usize| offer.power_w[index].max(0.0) / open_v;
        let (mut obeying_a, mut others_a) = (0.0, 0.0);
        for &index in &self.order {
            match self.unruled_a[index] {
                Some((reduced_a, most_a)) => others_a += could_a(index).min(if full { most_a } else { reduced_a }),
                None => obeying_a += could_a(index),
            }
        }
        others_a + told_a.min(obeying_a)
    }

    /// Books who pays for the heat.
    fn book(&self, flow: &mut Flow, offer: &Offer) {
        let mut rest = flow.heater_w;
        for &index in &self.order {
            let share = rest.min(self.heat_budget_w(index, offer));
            flow.heater_w_by_source[index] = share;
            rest -= share;
        }
        flow.heater_w_bank = rest;
    }

    fn heat_budget_w(&self, index: usize, offer: &Offer) -> f64 {
        if offer.sources.contains(index) { offer.power_w[index].min(self.budget_w[index]) } else { 0.0 }
    }
}

/// The bus at one moment, before its voltage is known.
struct Bus {
    /// Open-circuit voltage of the bank.
    open_v: f64,
    /// Voltage of the bus while the bank neither gives nor takes: the sources' float voltage if one gives anything.
    held_v: f64,
    end_v: f64,
    resistance_ohm: f64,
    circuit: Circuit,
    /// What the sources can give together, and what of it the present ones may spend on heat.
    offered_w: f64,
    budget_w: f64,
    load_w: f64,
    is_full: bool,
}

impl Bus {
    fn new(bank: &BankModel, soc: f64, offer: &Offer, circuit: Circuit) -> Self {
        let open_v = bank.open_circuit_v(soc);
        let offered_w = bank.order.iter().map(|&index| offer.power_w[index]).sum();
        Self {
            open_v,
            held_v: if offered_w > 0.0 { open_v.max(bank.cells_in_series * cell::FLOAT_V) } else { open_v },
            end_v: bank.cells_in_series * cell::END_OF_CHARGE_V,
            resistance_ohm: bank.resistance_ohm,
            circuit,
            offered_w,
            budget_w: bank.order.iter().map(|&index| bank.heat_budget_w(index, offer)).sum(),
            load_w: offer.load_w,
            is_full: soc >= 1.0,
        }
    }

    /// Bus voltage at which the bank takes what a conductance on the bus leaves of `power_w`. It is the upper root of V
    /// (V − open) / R = power − V² × conductance, written so that R may be 0. `None` if the bank cannot give that much.
    fn voltage(&self, power_w: f64, conductance: f64) -> Option<f64> {
        let square = 1.0 + self.resistance_ohm * conductance;
        let under = self.open_v * self.open_v + 4.0 * square * power_w * self.resistance_ohm;
        (under >= 0.0).then(|| (self.open_v + under.sqrt()) / (2.0 * square))
    }

    /// What the sources have left after they feed everything at `bus_v`. Negative if they lack power.
    fn spare_w(&self, bus_v: f64) -> f64 {
        self.offered_w - self.load_w - bus_v * bus_v * self.circuit.drawn
    }

    fn is_charge_wanted(&self, tail_a: f64) -> bool {
        let room = !self.is_full && self.end_v - self.open_v > self.resistance_ohm * tail_a;
        room && self.spare_w(self.open_v) > 0.0
    }

    /// Bus voltage and current into the bank if it may be charged with up to `ceiling_a`.
    fn permitted(&self, ceiling_a: f64) -> Option<(f64, f64)> {
        let bus_v = self.voltage(self.offered_w - self.load_w, self.circuit.drawn)?;
        let charge_a = self.spare_w(bus_v) / bus_v;
        // Compared without a quotient, which two zeros would make NaN.
        let room_v = self.end_v - self.open_v;
        let ceiling_a = if ceiling_a * self.resistance_ohm > room_v { room_v / self.resistance_ohm } else { ceiling_a };
        if charge_a > ceiling_a {
            return Some((self.open_v + ceiling_a * self.resistance_ohm, ceiling_a));
        }
        Some((bus_v, charge_a))
    }

    /// The highest bus voltage, up to the one held, at which `power_w` and the heat budgets carry the heater's circuit.
    fn alone_v(&self, power_w: f64) -> f64 {
        let Circuit { drawn, heat, .. } = self.circuit;
        if drawn > 0.0 {
            self.held_v.min((self.budget_w / heat).sqrt()).min((power_w.max(0.0) / drawn).sqrt())
        } else {
            self.held_v
        }
    }

    /// Bus voltage and current into the bank if it may not be charged. It gives what sources and their heat budgets do
    /// not.
    fn refused(&self) -> Option<(f64, f64)> {
        let alone_v = self.alone_v(self.offered_w - self.load_w);
        if self.offered_w >= self.load_w && alone_v >= self.open_v {
            return Some((alone_v, 0.0));
        }
        let of_sources = self.voltage(self.offered_w - self.load_w, self.circuit.drawn)?;
        let of_budgets = self.voltage(self.budget_w, self.circuit.heat)?;
        let bus_v = self.open_v.min(of_sources).min(of_budgets);
        let lacking_heat = bus_v * bus_v * self.circuit.heat - self.budget_w;
        let charge_a = -lacking_heat.max(-self.spare_w(bus_v)).max(0.0) / bus_v;
        // The lowest voltage carries both. The budgets' curve has no lower root above zero. Its upper root is at least
        // open / (1 + R × heat), above any lower root of the sources' curve, which is at most open / (2 (1 + R ×
        // drawn)).
        Some((bus_v, charge_a))
    }

    /// The flow at that voltage and current, with everything fed.
    fn fed(&self, bus_v: f64, charge_a: f64) -> Flow {
        let flow = self.heated(bus_v);
        Flow { charge_a, source_w: flow.heater_w + flow.line_w + self.load_w + bus_v * charge_a, ..flow }
    }

    /// The flow from the sources alone.
    fn unaided(&self) -> Flow {
        let flow = self.heated(self.alone_v(self.offered_w));
        let drawn_w = flow.heater_w + flow.line_w;
        let load_w = self.load_w.min((self.offered_w - drawn_w).max(0.0));
        Flow { source_w: drawn_w + load_w, unmet_w: self.load_w - load_w, ..flow }
    }

    fn heated(&self, bus_v: f64) -> Flow {
        let Circuit { drawn, heat, reach } = self.circuit;
        let square = bus_v * bus_v;
        Flow {
            bus_v,
            supply_v: bus_v * reach,
            heater_w: square * heat,
            line_w: square * (drawn - heat),
            ..Flow::default()
        }
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "zeros, bounds and untouched numbers are exact")]
mod tests {
    use super::*;
    use forewarm_core::signals::Sources;
    use proptest::prelude::*;

    const HEATER: HeaterLoad =
        HeaterLoad { power_at_nominal_w: 120.0, nominal_v: 12.8, on: true, line_ohm: 0.02, fed: None };
    const OFF: HeaterLoad = HeaterLoad { on: false, ..HEATER };

    /// Two 100 Ah batteries of four cells. The third source is spent first, the first last.
    fn bank() -> BankModel {
        BankModel {
            capacity_ah: 200.0,
            stated_ah: 200.0,
            cells_in_series: 4.0,
            resistance_ohm: 0.005,
            budget_w: [350.0, 600.0, 400.0, 0.0],
            order: vec![2, 1, 0],
            unruled_a: [None; MAX_SOURCES],
            warm_ceiling_a: 100.0,
        }
    }

    /// With the full charge permit.
    #[expect(clippy::unnecessary_wraps, reason = "as it is asked for")]
    fn permit(ceiling_c_rate: f64) -> Option<Permit> {
        Some(Permit { ceiling_c_rate, full: true })
    }

    fn offer(power_w: [f64; MAX_SOURCES], load_w: f64) -> Offer {
        let present = (0..MAX_SOURCES).filter(|&index| power_w[index] > 0.0);
        Offer { at_s: 0, sources: present.fold(Sources::NONE, Sources::with), power_w, load_w }
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-9 * (1.0 + a.abs().max(b.abs()))
    }

    #[test]
    fn batteries_share_their_resistance_and_the_settings_give_capacity_order_and_budgets() {
        let text = r#"
            title = "three sources"
            [charge]
            inhibit_c = 5
            release_c = 8
            capacity_ah = 200
            ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 }, { cell_c = 45, c_rate = 0.2 } ]
            [heater]
            power_w = 120
            nominal_v = 12.8
            supply_min_v = 11.5
            supply_max_v = 15
            [[source]]
            name = "engine"
            budget_w = 350
            priority = 1
            most_current_a = 20
            [[source]]
            name = "mains"
            budget_w = 600
            priority = 1
            obeys = "a converter that is made for this test"
            [[source]]
            name = "solar"
            budget_w = 400
            priority = 0
            most_current_a = 0
            [bank]
            spend = "never"
            [[channel]]
            name = "battery_1"
            role = "cell"
            element = "pt1000"
            reference_ohm = 4000
            wiring = "4-wire"
        "#;
        let settings = crate::installation::Installation::parse("test", text).unwrap().settings;
        let battery = Battery {
            count: 2,
            length_m: 0.33,
            width_m: 0.17,
            height_m: 0.21,
            mass_kg: 11.5,
            cells_in_series: 4,
            specific_heat_j_per_kg_k: 1100.0,
            conductivity_up_w_per_m_k: 10.0,
            conductivity_across_w_per_m_k: 1.0,
            conductivity_along_w_per_m_k: 1.0,
            gap_m: 0.01,
            terminal_cable: None,
            resistance_ohm: 0.01,
            maker_ceiling: Vec::new(),
            hard_limit_c: 0.0,
        };
        let made = BankModel::new(&battery, &settings);
        // Equal priorities keep the order of the settings.
        assert_eq!(made.order, [2, 0, 1]);
        assert_eq!(made.budget_w, [350.0, 600.0, 400.0, 0.0]);
        assert_eq!(made.unruled_a, [Some((20.0, 20.0)), None, Some((0.0, 0.0)), None]);
        assert_eq!((made.capacity_ah, made.cells_in_series, made.resistance_ohm), (200.0, 4.0, 0.005));
        assert!((made.warm_ceiling_a - 100.0).abs() < 0.01, "{}", made.warm_ceiling_a);
    }

    #[test]
    fn the_open_circuit_voltage_rises_with_charge_and_meets_its_table() {
        let bank = bank();
        let mut before = 0.0;
        for n in 0..=1000 {
            let here = bank.open_circuit_v(f64::from(n) / 1000.0);
            assert!(here > before, "{n}: {here} after {before}");
            before = here;
        }
        for (soc, volts) in OPEN_CIRCUIT_V {
            assert!(close(bank.open_circuit_v(soc), 4.0 * volts), "{soc}");
        }
        assert!(before < 4.0 * cell::END_OF_CHARGE_V);
        assert!(close(bank.open_circuit_v(-1.0), 8.0) && close(bank.open_circuit_v(2.0), before));
    }

    #[test]
    fn a_current_moves_voltage_and_charge_no_further_than_was_said() {
        let bank = bank();
        for (soc, charge_a) in (0..=200).flat_map(|n| [-40.0, -0.5, 0.5, 60.0].map(|a| (f64::from(n) / 200.0, a))) {
            let (most_v, most) = (0.01, 0.02);
            let holds_s = bank.holds_s(soc, charge_a, most_v, most);
            assert!(holds_s >= 0.0, "{soc}, {charge_a} A");
            let later = bank.advance(soc, charge_a, holds_s.min(1e9));
            // Where the curve bends on the way, a part of it may be steeper than at both ends.
            let moved_v = (bank.open_circuit_v(later) - bank.open_circuit_v(soc)).abs();
            assert!(moved_v <= 1.5 * most_v && (later - soc).abs() <= most + 1e-12, "{soc}, {charge_a} A: {moved_v} V");
        }
        assert_eq!(bank.holds_s(0.5, 0.0, 0.01, 0.02), f64::INFINITY);
        assert_eq!(bank.holds_s(1.0, 20.0, 0.01, 0.02), f64::INFINITY, "full");
        assert_eq!(bank.holds_s(0.0, -20.0, 0.01, 0.02), f64::INFINITY, "empty");
    }

    #[test]
    fn a_resting_bank_shows_its_open_circuit_voltage() {
        let bank = bank();
        let flow = bank.flow(0.5, &offer([0.0; 4], 0.0), OFF, None);
        assert_eq!(flow, Flow { bus_v: 4.0 * 3.278, supply_v: 4.0 * 3.278, ..Flow::default() });
        assert_eq!(bank.flow(0.5, &offer([0.0; 4], 0.0), OFF, permit(0.5)), flow);
    }

    /// 13.112 V behind 5 mΩ feed 1.36533 Ω and 20 mΩ of cable: 9.43083 A.
    #[test]
    fn the_bank_alone_sags_under_the_heater_by_its_resistance() {
        let flow = bank().flow(0.5, &offer([0.0; 4], 0.0), HEATER, None);
        let ohm = 12.8 * 12.8 / 120.0;
        let amps = 13.112 / (ohm + 0.02 + 0.005);
        assert!(close(flow.charge_a, -amps) && (amps - 9.430_83).abs() < 1e-5, "{}", flow.charge_a);
        assert!(close(flow.bus_v, 13.112 - 0.005 * amps));
        assert!(close(flow.supply_v, amps * ohm));
        assert!(close(flow.heater_w, amps * amps * ohm) && close(flow.heater_w_bank, flow.heater_w));
        assert!(close(flow.bank_heat_w, amps * amps * 0.005));
        assert!(close(flow.line_w, amps * amps * 0.02));
    }

    #[test]
    fn a_source_that_does_not_obey_charges_with_what_it_has_and_one_that_obeys_with_what_it_is_told() {
        let bank = BankModel { unruled_a: [Some((30.0, 30.0)), None, Some((0.0, 0.0)), None], ..bank() };
        let charge_a = |power_w, told| bank.flow(0.5, &offer(power_w, 0.0), OFF, permit(told)).charge_a;
        assert!(close(charge_a([900.0, 0.0, 0.0, 0.0], 0.0), 30.0), "whatever the ceiling");
        assert!(close(charge_a([900.0, 900.0, 0.0, 0.0], 0.1), 50.0), "20 A of 200 Ah are told to the second");
        assert!(close(charge_a([0.0, 0.0, 900.0, 0.0], 0.5), 0.0), "the third gives the bank nothing");
        let weak = charge_a([100.0, 0.0, 0.0, 0.0], 0.0);
        assert!(weak > 7.0 && weak < 100.0 / 13.112, "no more than its power: {weak} A");
        assert!(close(bank.flow(0.5, &offer([900.0, 0.0, 0.0, 0.0], 0.0), OFF, None).charge_a, 0.0));
    }

    #[test]
    fn a_source_in_two_steps_gives_the_larger_only_with_the_full_charge_permit() {
        let bank = BankModel { unruled_a: [Some((15.0, 30.0)), None, None, None], ..bank() };
        let there = offer([900.0, 900.0, 0.0, 0.0], 0.0);
        let charge_a = |full| {
            let permit = Permit { ceiling_c_rate: 0.1, full };
            bank.flow(0.5, &there, OFF, Some(permit)).charge_a
        };
        assert!(close(charge_a(false), 35.0) && close(charge_a(true), 50.0), "20 A are told to the second");
        assert!(close(bank.flow(0.5, &there, OFF, None).charge_a, 0.0));
    }

    #[test]
    fn heat_is_paid_in_the_order_of_the_settings_and_within_budgets() {
        let bank = BankModel { budget_w: [350.0, 40.0, 30.0, 0.0], ..bank() };
        let flow = bank.flow(0.5, &offer([500.0, 500.0, 20.0, 0.0], 0.0), HEATER, None);
        assert!(close(flow.heater_w_by_source[2], 20.0), "no more than it gives: {flow:?}");
        assert!(close(flow.heater_w_by_source[1], 40.0), "no more than its budget: {flow:?}");
        assert!(close(flow.heater_w_by_source[0], flow.heater_w - 60.0), "the rest: {flow:?}");
        assert_eq!(flow.heater_w_bank, 0.0);
        let flow = bank.flow(0.5, &offer([0.0, 500.0, 20.0, 0.0], 0.0), HEATER, None);
        assert!(close(flow.heater_w_bank, flow.heater_w - 60.0));
        assert!(
            close(flow.charge_a * flow.bus_v, -flow.heater_w_bank),
            "the bank gives what the budgets do not: {flow:?}"
        );
    }

    #[test]
    fn a_source_too_weak_for_heat_pays_for_none_and_charges_all_the_same() {
        let bank = bank();
        let strong = offer([0.0, 0.0, 60.0, 0.0], 10.0);
        let weak = Offer { sources: Sources::NONE, ..strong };
        let flow = bank.flow(0.5, &weak, OFF, permit(0.5));
        assert!(close(flow.bus_v * flow.charge_a, 50.0) && flow.charge_wanted, "{flow:?}");
        assert_eq!(flow, bank.flow(0.5, &strong, OFF, permit(0.5)));
        let refused = bank.flow(0.5, &weak, OFF, None);
        assert!(refused.charge_a == 0.0 && close(refused.refused_w, 50.0), "it feeds the loads: {refused:?}");
        let heated = bank.flow(0.5, &weak, HEATER, permit(0.5));
        assert!(close(heated.heater_w_bank, heated.heater_w), "{heated:?}");
        assert!(close(heated.source_w, 60.0), "{heated:?}");
    }

    #[test]
    fn charge_is_what_heater_and_loads_leave_up_to_the_ceiling() {
        let bank = bank();
        let offer = offer([0.0, 600.0, 0.0, 0.0], 50.0);
        let open = bank.flow(0.5, &offer, HEATER, permit(0.5));
        assert!(close(open.bus_v * open.charge_a, 600.0 - 50.0 - open.heater_w - open.line_w), "{open:?}");
        assert!(close(open.source_w, 600.0));
        let held = bank.flow(0.5, &offer, HEATER, permit(0.1));
        assert!(close(held.charge_a, 20.0) && close(held.bus_v, 13.112 + 0.1), "{held:?}");
        let refused = bank.flow(0.5, &offer, HEATER, None);
        assert_eq!(refused.charge_a, 0.0);
        assert!(open.charge_wanted && held.charge_wanted && refused.charge_wanted);
        assert_eq!((open.refused_w, held.refused_w), (0.0, 0.0));
        assert!(close(refused.refused_w, open.bus_v * open.charge_a), "{refused:?}");
    }

    #[test]
    fn what_is_refused_is_no_more_than_a_warm_bank_may_take() {
        let bank = BankModel { warm_ceiling_a: 10.0, ..bank() };
        let flow = bank.flow(0.5, &offer([0.0, 600.0, 0.0, 0.0], 0.0), OFF, None);
        assert!(close(flow.refused_w, 10.0 * (13.112 + 0.05)), "{flow:?}");
    }

    #[test]
    fn a_full_bank_is_held_at_the_end_of_charge_and_wants_no_more() {
        let bank = bank();
        let offer = offer([0.0, 600.0, 0.0, 0.0], 0.0);
        let flow = bank.flow(1.0, &offer, OFF, permit(0.5));
        assert!(close(flow.bus_v, 14.6) && close(flow.charge_a, 0.004 / 0.005), "{flow:?}");
        assert!(!flow.charge_wanted);
        assert_eq!(bank.advance(1.0, flow.charge_a, 3600.0), 1.0);
        let refused = bank.flow(1.0, &offer, OFF, None);
        assert!(!refused.charge_wanted && refused.refused_w == 0.0);
        // 20 mV of 14.6 V drive the tail current of 4 A.
        let tail = |soc| bank.flow(soc, &offer, OFF, None).charge_wanted;
        assert!(tail(0.9998) && !tail(0.9999));
    }

    #[test]
    fn an_empty_bank_feeds_nothing_and_the_rest_is_unmet() {
        let bank = bank();
        let alone = bank.flow(0.0, &offer([0.0; 4], 30.0), HEATER, None);
        assert_eq!((alone.unmet_w, alone.heater_w, alone.charge_a, alone.supply_v), (30.0, 0.0, 0.0, 0.0));
        let weak = bank.flow(0.0, &offer([0.0, 25.0, 0.0, 0.0], 30.0), OFF, None);
        assert!(close(weak.unmet_w, 5.0) && close(weak.source_w, 25.0), "{weak:?}");
        let sagging = bank.flow(0.0, &offer([0.0, 25.0, 0.0, 0.0], 30.0), HEATER, None);
        assert!(close(sagging.unmet_w, 30.0) && close(sagging.heater_w + sagging.line_w, 25.0), "{sagging:?}");
        let strong = bank.flow(0.0, &offer([0.0, 600.0, 0.0, 0.0], 30.0), OFF, permit(0.1));
        assert!(close(strong.charge_a, 20.0) && strong.unmet_w == 0.0, "{strong:?}");
        assert_eq!(bank.advance(0.0, -10.0, 3600.0), 0.0);
    }

    #[test]
    fn an_hour_at_one_tenth_of_capacity_is_a_tenth_of_charge() {
        assert!(close(bank().advance(0.5, 20.0, 3600.0), 0.6));
        assert!(close(bank().advance(0.5, -20.0, 1800.0), 0.45));
    }

    #[test]
    fn a_source_holds_the_bus_up_however_empty_the_bank_that_may_not_be_charged() {
        let bank = bank();
        for soc in [0.0, 0.001, 0.01, 0.5] {
            let flow = bank.flow(soc, &offer([0.0, 300.0, 0.0, 0.0], 50.0), HEATER, None);
            let ohm = 12.8 * 12.8 / 120.0;
            assert!(close(flow.bus_v, 13.5) && flow.charge_a == 0.0 && flow.unmet_w == 0.0, "{soc}: {flow:?}");
            assert!(close(flow.supply_v, 13.5 * ohm / (ohm + 0.02)), "{soc}: {flow:?}");
            let idle = bank.flow(soc, &offer([0.0, 300.0, 0.0, 0.0], 50.0), OFF, None);
            assert!(close(idle.bus_v, 13.5) && close(idle.source_w, 50.0), "{soc}: {idle:?}");
        }
        let full = bank.flow(1.0, &offer([0.0, 300.0, 0.0, 0.0], 0.0), OFF, None);
        assert!(close(full.bus_v, 4.0 * 3.649) && full.charge_a == 0.0, "a full bank rests above float: {full:?}");
    }

    #[test]
    fn a_source_that_cannot_hold_the_bus_lets_it_fall_no_lower_than_the_bank_does() {
        let bank = bank();
        let at = |watts| bank.flow(0.5, &offer([0.0, watts, 0.0, 0.0], 0.0), HEATER, None);
        let ohm: f64 = 12.8 * 12.8 / 120.0 + 0.02;
        let sagging = at(130.0);
        assert!(close(sagging.bus_v, (130.0 * ohm).sqrt()) && sagging.charge_a == 0.0, "{sagging:?}");
        assert!(sagging.bus_v > 13.112 && sagging.bus_v < 13.5);
        let aided = at(120.0);
        assert!(aided.charge_a < 0.0 && close(aided.bus_v, 13.112 + 0.005 * aided.charge_a), "{aided:?}");
        // Power that a budget withholds from heat acts like power that the source lacks.
        let withheld = BankModel { budget_w: [0.0, 120.0, 0.0, 0.0], ..bank.clone() };
        let flow = withheld.flow(0.5, &offer([0.0, 600.0, 0.0, 0.0], 0.0), HEATER, None);
        assert!(flow.charge_a < 0.0 && close(flow.heater_w_by_source[1], 120.0), "{flow:?}");
    }

    #[test]
    fn a_heater_that_one_source_feeds_runs_at_its_voltage_and_takes_nothing_from_bus_and_bank() {
        let bank = bank();
        // The second source at 13.8 V through 1.36533 Ω and 20 mΩ.
        let fed = |on| HeaterLoad { on, fed: Some(Fed { source: 1, volts: 13.8 }), ..HEATER };
        let ohm = 12.8 * 12.8 / 120.0;
        let amps = 13.8 / (ohm + 0.02);
        let there = offer([0.0, 600.0, 80.0, 0.0], 30.0);
        let flow = bank.flow(0.5, &there, fed(true), permit(0.5));
        assert!(close(flow.supply_v, amps * ohm) && close(flow.heater_w, amps * amps * ohm), "{flow:?}");
        assert!(close(flow.heater_w_by_source[1], flow.heater_w) && flow.heater_w_by_source[2] == 0.0, "{flow:?}");
        let left = offer([0.0, 600.0 - 13.8 * amps, 80.0, 0.0], 30.0);
        assert!(close(flow.charge_a, bank.flow(0.5, &left, OFF, permit(0.5)).charge_a), "{flow:?}");
        assert!(close(bank.flow(0.5, &there, fed(false), None).supply_v, 13.8), "measured with the relay open");
        // Without its source the heater is cold and its supply is dead, whatever else there is.
        let away = offer([300.0, 0.0, 80.0, 0.0], 30.0);
        for permit in [None, permit(0.5)] {
            let dead = bank.flow(0.5, &away, fed(true), permit);
            assert_eq!(dead, Flow { supply_v: 0.0, ..bank.flow(0.5, &away, OFF, permit) });
            assert_eq!((dead.heater_w, dead.heater_w_bank), (0.0, 0.0));
        }
    }

    #[test]
    fn a_source_too_weak_for_the_heater_that_it_feeds_sags_and_no_budget_or_bank_makes_it_up() {
        let bank = BankModel { budget_w: [350.0, 5.0, 400.0, 0.0], ..bank() };
        let heater = HeaterLoad { fed: Some(Fed { source: 1, volts: 13.8 }), ..HEATER };
        let flow = bank.flow(0.5, &offer([300.0, 70.0, 80.0, 0.0], 0.0), heater, None);
        assert!(close(flow.heater_w + flow.line_w, 70.0), "all that it has, whatever its budget: {flow:?}");
        assert!(flow.supply_v < 13.8 && flow.heater_w_bank == 0.0 && flow.charge_a == 0.0, "{flow:?}");
    }

    /// A flow of an ordinary installation, which carries what is asked of it.
    #[derive(Clone, Debug)]
    struct Case {
        bank: BankModel,
        soc: f64,
        offer: Offer,
        heater: HeaterLoad,
        ceiling: Option<f64>,
    }

    impl Case {
        fn flow(&self) -> Flow {
            self.bank.flow(self.soc, &self.offer, self.heater, self.ceiling.and_then(permit))
        }

        fn offered_w(&self) -> f64 {
            self.offer.power_w.iter().sum()
        }

        /// The same case as the bus sees it: without a heater that one source feeds, and without what that source gave
        /// it.
        fn on_bus(&self) -> Self {
            let Some(Fed { source, .. }) = self.heater.fed else { return self.clone() };
            let (mut case, flow) = (self.clone(), self.flow());
            let left_w = &mut case.offer.power_w[source];
            *left_w = (*left_w - flow.heater_w - flow.line_w).max(0.0);
            case.heater = HeaterLoad { on: false, fed: None, ..self.heater };
            case
        }

        fn budget_w(&self) -> f64 {
            (0..MAX_SOURCES).map(|index| self.bank.heat_budget_w(index, &self.offer)).sum()
        }
    }

    prop_compose! {
        fn case()(
            soc in prop_oneof![Just(0.0), Just(1.0), 0.0..1.0_f64, 0.97..1.0_f64],
            resistance_ohm in prop_oneof![Just(0.0), 0.0..0.02_f64],
            budget_w in prop::array::uniform4(0.0..800.0_f64),
            power_w in prop::array::uniform4(prop_oneof![Just(0.0), 0.0..800.0_f64]),
            counts: [bool; MAX_SOURCES],
            order in Just(vec![0, 1, 2, 3]).prop_shuffle(),
            load_w in prop_oneof![Just(0.0), 0.0..400.0_f64],
            power_at_nominal_w in 1.0..600.0_f64,
            line_ohm in prop_oneof![Just(0.0), 0.0..0.1_f64],
            on: bool,
            ceiling in prop_oneof![Just(None), Just(Some(0.0)), (0.0..1.0_f64).prop_map(Some)],
            fed in prop::option::of((0..MAX_SOURCES, 3.0..60.0_f64).prop_map(|(source, volts)| Fed { source, volts })),
        ) -> Case {
            Case {
                bank: BankModel { resistance_ohm, budget_w, order, ..bank() },
                soc,
                offer: Offer {
                    sources: (0..MAX_SOURCES).filter(|&index| counts[index]).fold(Sources::NONE, Sources::with),
                    ..offer(power_w, load_w)
                },
                heater: HeaterLoad { power_at_nominal_w, nominal_v: 12.8, on, line_ohm, fed },
                ceiling,
            }
        }
    }

    proptest! {
        #[test]
        fn no_power_appears_or_is_lost(case in case()) {
            let flow = case.flow();
            let fed = case.offer.load_w - flow.unmet_w;
            prop_assert!(close(flow.source_w, flow.heater_w + flow.line_w + fed + flow.bus_v * flow.charge_a), "{:?}", flow);
            let shares: f64 = flow.heater_w_by_source.iter().sum();
            prop_assert!(close(shares + flow.heater_w_bank, flow.heater_w), "{:?}", flow);
            // The terminals differ from the open circuit by the drop in the bank. So the bank stores what they take or
            // turns it into heat.
            let open = case.bank.open_circuit_v(case.soc);
            if case.ceiling.is_none() && flow.charge_a == 0.0 {
                // The cells are cut off from a higher bus.
                let held = if case.on_bus().offered_w() > 0.0 { open.max(13.5) } else { open };
                prop_assert!(flow.bus_v <= held && (flow.bus_v >= open || case.soc <= 0.0), "{:?}", flow);
                let spent = shares >= case.budget_w() - 1e-6 || flow.source_w >= case.offered_w() - 1e-6;
                prop_assert!(flow.bus_v == held || spent, "it has sagged for nothing: {:?}", flow);
            } else if case.soc > 0.0 || flow.charge_a > 0.0 {
                prop_assert!(close(flow.bus_v, open + flow.charge_a * case.bank.resistance_ohm), "{:?}", flow);
                prop_assert!(close(flow.bus_v * flow.charge_a, open * flow.charge_a + flow.bank_heat_w), "{:?}", flow);
            }
            // The heater obeys its resistance.
            let ohm = 12.8 * 12.8 / case.heater.power_at_nominal_w;
            let heat = if case.heater.on { flow.supply_v * flow.supply_v / ohm } else { 0.0 };
            prop_assert!(close(flow.heater_w, heat), "{:?}", flow);
        }

        #[test]
        fn nobody_gives_what_they_do_not_have(case in case()) {
            let flow = case.flow();
            let offered = case.offered_w();
            prop_assert!(flow.source_w <= offered * (1.0 + 1e-9) + 1e-9, "{:?} of {}", flow, offered);
            prop_assert!(flow.source_w >= -1e-9 && flow.unmet_w >= 0.0 && flow.heater_w_bank >= -1e-9, "{:?}", flow);
            for index in 0..MAX_SOURCES {
                let counts = case.offer.sources.contains(index);
                let most = match case.heater.fed {
                    // No budget limits a heater that is on its source directly, and no other source feeds it.
                    Some(fed) if fed.source == index => case.offer.power_w[index],
                    None if counts => case.offer.power_w[index].min(case.bank.budget_w[index]),
                    Some(_) | None => 0.0,
                };
                prop_assert!(flow.heater_w_by_source[index] <= most + 1e-9, "{:?}", flow);
            }
            if case.soc <= 0.0 {
                prop_assert!(flow.charge_a >= 0.0, "{:?}", flow);
                // While it is charged, it passes on what the budgets leave.
                prop_assert!(case.ceiling.is_some() || flow.heater_w_bank.abs() < 1e-9, "{:?}", flow);
            }
            if case.ceiling.is_none() {
                prop_assert!(flow.charge_a <= 0.0, "{:?}", flow);
            }
            prop_assert!(flow.bus_v <= 14.6 + 1e-9, "{:?}", flow);
            prop_assert!(flow.charge_a <= case.ceiling.unwrap_or(0.0) * 200.0 + 1e-9, "{:?}", flow);
            prop_assert!(flow.unmet_w <= case.offer.load_w, "{:?}", flow);
            prop_assert!(flow.unmet_w == 0.0 || case.soc <= 0.0, "a bank with charge feeds every load: {:?}", flow);
        }

        #[test]
        fn a_lower_ceiling_never_gives_more_current(case in case(), lower in 0.0..1.0_f64) {
            let flow = case.flow();
            let lowered = match case.ceiling {
                None => return Ok(()),
                Some(ceiling) => [Some(ceiling * lower), None],
            };
            for ceiling in lowered {
                let lowered = Case { ceiling, ..case.clone() }.flow();
                prop_assert!(lowered.charge_a <= flow.charge_a + 1e-9, "{:?} against {:?}", lowered, flow);
            }
        }

        #[test]
        fn more_source_power_never_charges_less(case in case(), index in 0..MAX_SOURCES, more in 0.0..300.0_f64) {
            let mut power_w = case.offer.power_w;
            power_w[index] += more;
            let richer = Case { offer: Offer { power_w, ..case.offer }, ..case.clone() }.flow();
            let flow = case.flow();
            prop_assert!(richer.charge_a >= flow.charge_a - 1e-9, "{:?} against {:?}", richer, flow);
            prop_assert!(richer.refused_w >= flow.refused_w - 1e-6, "{:?} against {:?}", richer, flow);
            // A heater on an empty bank takes what it may have before any load does. A heater on its own source does
            // the same.
            prop_assert!(case.heater.on || richer.unmet_w <= flow.unmet_w + 1e-9, "{:?} against {:?}", richer, flow);
        }

        #[test]
        fn a_heater_that_one_source_feeds_leaves_the_bus_as_if_it_were_not_there(case in case(), source in 0..MAX_SOURCES, volts in 3.0..60.0_f64) {
            let heater = HeaterLoad { fed: Some(Fed { source, volts }), ..case.heater };
            let case = Case { heater, ..case };
            let flow = case.flow();
            prop_assert!(flow.heater_w_bank == 0.0 && flow.heater_w == flow.heater_w_by_source[source], "{:?}", flow);
            prop_assert!(flow.heater_w + flow.line_w <= case.offer.power_w[source] * (1.0 + 1e-9), "{:?}", flow);
            prop_assert!(case.offer.power_w[source] > 0.0 || (flow.heater_w, flow.supply_v) == (0.0, 0.0), "{:?}", flow);
            prop_assert!(flow.supply_v <= volts, "{:?}", flow);
            let bus = case.on_bus().flow();
            for (of_bus, of_flow) in [
                (bus.bus_v, flow.bus_v), (bus.charge_a, flow.charge_a), (bus.refused_w, flow.refused_w), (bus.unmet_w, flow.unmet_w),
                (bus.source_w + flow.heater_w + flow.line_w, flow.source_w),
            ] {
                prop_assert_eq!(of_bus, of_flow);
            }
        }

        #[test]
        fn no_bank_however_weak_makes_a_number_that_is_none(case in case(), resistance_ohm in 0.0..50.0_f64) {
            let flow = Case { bank: BankModel { resistance_ohm, ..case.bank.clone() }, ..case.clone() }.flow();
            let numbers = [flow.bus_v, flow.supply_v, flow.heater_w, flow.heater_w_bank, flow.line_w, flow.source_w, flow.charge_a];
            prop_assert!(numbers.iter().all(|number| number.is_finite()), "{:?}", flow);
            let sag_v = case.bank.open_circuit_v(case.soc) + flow.charge_a * resistance_ohm - flow.bus_v;
            prop_assert!(flow.charge_a == 0.0 || sag_v.abs() < 1e-4, "{} V amiss: {:?}", sag_v, flow);
            let fed = case.offer.load_w - flow.unmet_w;
            prop_assert!((flow.source_w - flow.heater_w - flow.line_w - fed - flow.bus_v * flow.charge_a).abs() < 1e-3, "{:?}", flow);
        }
    }
}

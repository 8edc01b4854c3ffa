//! What is promised, a second time: plainly, slowly and in floating point, from the raw inputs alone.

use crate::quantity::{Celsius, Instant, KelvinRate, Millivolts, Ohms};
use crate::rtd::{Coefficients, Leads, Measured};
use crate::settings::{BankUse, Channel, ChargeCurrent, MAX_CHANNELS, Reserve, Role, Settings};
use crate::signals::{Button, Inputs, Line, Relay, Sample, Storage};
use std::collections::VecDeque;
use std::vec::Vec;

/// What `channel` reads, in °C: the equation of IEC 60751 in double precision, by bisection. Nothing outside −200…+850 °C.
///
/// # Panics
/// If the element's coefficients are not the nominal ones, which those of every generated element are.
#[must_use]
pub fn exact_celsius(channel: &Channel, measured: Measured) -> Option<f64> {
    assert_eq!(channel.element.coefficients(), Coefficients::IEC_60751);
    let ohms = exact_ohms(channel, measured);
    let w = ohms / (f64::from(channel.element.r0().as_steps()) / 262_144.0);
    let ratio = |t: f64| {
        1.0 + 3.9083e-3 * t - 5.775e-7 * t * t + if t < 0.0 { -4.183e-12 * (t - 100.0) * t * t * t } else { 0.0 }
    };
    if !(ratio(-200.0)..=ratio(850.0)).contains(&w) {
        return None;
    }
    let (mut low, mut high) = (-200.0, 850.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if ratio(middle) < w { low = middle } else { high = middle }
    }
    Some(low + f64::from(channel.offset.as_steps()) / 65_536.0)
}

/// In Ω, without the leads that are known.
fn exact_ohms(channel: &Channel, measured: Measured) -> f64 {
    let steps = f64::from(measured.element.as_steps()) - f64::from(measured.lead.as_steps());
    let known = match channel.leads {
        Leads::TwoWire { loop_at_20c, at } => {
            f64::from(loop_at_20c.as_steps()) / 262_144.0
                * (1.0 + 0.003_93 * (f64::from(at.as_steps()) / 65_536.0 - 20.0))
        }
        Leads::ThreeWire { .. } | Leads::FourWire => 0.0,
    };
    steps / 1_073_741_824.0 * f64::from(channel.reference.as_steps()) / 262_144.0 - known
}

/// Whether the lead measured alone, where one is, has what it may have.
fn lead_fits(channel: &Channel, measured: Measured) -> bool {
    let Leads::ThreeWire { least, most } = channel.leads else { return true };
    let ohms = |r: Ohms| f64::from(r.as_steps()) / 262_144.0;
    let lead = f64::from(measured.lead.as_steps()) / 1_073_741_824.0 * ohms(channel.reference);
    lead >= ohms(least) - OHM_STEPS && lead <= ohms(most) + OHM_STEPS
}

/// What a step of resistance in the core is, rounded up (Ω): what the bands of a check resistor and of a lead may be off by computation.
const OHM_STEPS: f64 = 1e-5;

/// In °C, without rounding.
#[must_use]
pub fn exact(t: Celsius) -> f64 {
    f64::from(t.as_steps()) / 65_536.0
}

/// In kelvins per millisecond.
fn exact_rate(rate: KelvinRate) -> f64 {
    f64::from(rate.as_millikelvins_per_minute()) / 60e6
}

/// A tenth of a millikelvin: what a reading may be off by computation.
const TENTH_MK: f64 = 1e-4;

/// What the raw inputs say since a reset, kept as plainly as possible.
///
/// Each step, [`Model::judge`] says what may be on; [`Model::note`] is told what was. [`Model::restarted`] is a reset.
#[expect(clippy::struct_excessive_bools, reason = "each remembers something of its own")]
#[derive(Clone, Debug)]
pub struct Model<'a> {
    settings: &'a Settings,
    latest: [Option<f64>; MAX_CHANNELS],
    age_ms: [u64; MAX_CHANNELS],
    before: Option<Instant>,
    /// Since a cell was at or below inhibit or bad for more than a minute, or since the reset; without the time it was bad.
    since_bad_ms: u64,
    /// How long a cell has been bad.
    bad_ms: u64,
    /// What each channel last showed, digit for digit, and since when none of them has shown another.
    shown: [Option<Measured>; MAX_CHANNELS],
    still_ms: u64,
    heater: Relay,
    /// Without a pause as long as the rest.
    heater_on_ms: u64,
    heater_off_ms: u64,
    /// The time since the reset, and when in the last 24 hours the heater came on.
    now_ms: u64,
    closings: VecDeque<u64>,
    /// The lowest that the bank was with the heater off since the reset (mV), and whether it was measured just before the heater came
    /// on.
    lowest_off: u32,
    was_measured: bool,
    /// For how long the heater has been on under a bank that has fallen from there and may not be spent.
    fallen_ms: u64,
    /// Far above a cut-out, and not by the air; until the button is pressed.
    overheated: bool,
    /// The same, where there is nothing warm in the air or nothing to compare.
    overheated_plainly: bool,
    air_was_hot: bool,
    /// Since the reset, for how many samples each channel has shown nothing that anyone could doubt.
    undoubted: [u32; MAX_CHANNELS],
    /// The lowest and the highest that each place can have been when it was last shown, by all that was shown before.
    reach: [(f64, f64); MAX_CHANNELS],
    moved_ms: [u64; MAX_CHANNELS],
    doubted: bool,
}

/// Whether each output may be on, by the inputs alone.
#[expect(clippy::struct_excessive_bools, reason = "independent promises")]
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct May {
    /// The charge permit.
    pub charge: bool,
    /// The charge permit by what the present sources give that obey no ceiling: by how much (K) the temperature of a cell, read as it
    /// is, would have to be another one. Zero where it may be on as it is.
    pub ceiling_off_by_k: f64,
    /// The full charge permit, in the same way by all that those sources can give; infinite where charge may not be on.
    pub full_off_by_k: f64,
    /// The heater.
    pub heat: bool,
    /// The heater, as far as the bank does not pay for it against the policy.
    pub heat_of_sources: bool,
    /// Whether a comparison of plate, cells and air has latched it off.
    pub overheated: bool,
}

impl<'a> Model<'a> {
    /// After a reset, of an installation with these settings.
    #[must_use]
    pub fn new(settings: &'a Settings) -> Self {
        Self {
            settings,
            latest: [None; MAX_CHANNELS],
            age_ms: [0; MAX_CHANNELS],
            before: None,
            since_bad_ms: 0,
            bad_ms: 0,
            shown: [None; MAX_CHANNELS],
            still_ms: 0,
            heater: Relay::Open,
            heater_on_ms: 0,
            heater_off_ms: 0,
            now_ms: 0,
            closings: VecDeque::new(),
            lowest_off: u32::MAX,
            was_measured: false,
            fallen_ms: 0,
            overheated: false,
            overheated_plainly: false,
            air_was_hot: false,
            undoubted: [0; MAX_CHANNELS],
            reach: [(f64::NEG_INFINITY, f64::INFINITY); MAX_CHANNELS],
            moved_ms: [0; MAX_CHANNELS],
            doubted: false,
        }
    }

    /// After another reset: what the heater did, and that it overheated, is not forgotten; of the soak three
    /// quarters at most are still good.
    #[must_use]
    pub fn restarted(&self) -> Self {
        let Self { settings, heater_on_ms, heater_off_ms, overheated, overheated_plainly, .. } = *self;
        let soak_ms = u64::from(settings.charge.soak.as_millis());
        let since_bad_ms = self.since_bad_ms.min(soak_ms * 3 / 4);
        Self { since_bad_ms, heater_on_ms, heater_off_ms, overheated, overheated_plainly, ..Self::new(settings) }
    }

    /// What may be on in the step at `now`.
    ///
    /// # Panics
    /// As [`exact_celsius`].
    #[expect(clippy::too_many_lines, reason = "one step, plainly and in one place")]
    pub fn judge(&mut self, now: Instant, inputs: &Inputs) -> May {
        let settings = self.settings;
        let first = self.before.is_none();
        let elapsed = self.before.replace(now).map_or(0, |before| u64::from(now.since(before).as_millis()));
        let clock_good = first || (elapsed > 0 && elapsed <= u64::from(settings.trust.max_step.as_millis()));
        if clock_good {
            self.still_ms += elapsed;
            self.now_ms += elapsed;
        }
        let mut cell_bad = false;
        let mut pad_bad = false;
        let mut cold = false;
        let mut hot = false;
        let mut cut_out = false;
        for (index, channel) in settings.channels.iter().enumerate() {
            self.age_ms[index] += elapsed;
            match &inputs.channels[index] {
                Sample::None => {}
                Sample::ConverterFault => self.latest[index] = None,
                Sample::Fresh(measured) => {
                    if self.shown[index].replace(*measured) != Some(*measured) {
                        self.still_ms = 0;
                    }
                    let plausible = exact(settings.trust.plausible_low)..=exact(settings.trust.plausible_high);
                    self.latest[index] = match channel.role {
                        Role::Check(check) => {
                            let ohms = |r: Ohms| f64::from(r.as_steps()) / 262_144.0;
                            let off = exact_ohms(channel, *measured) - ohms(check.nominal);
                            Some(off).filter(|off| off.abs() <= ohms(check.within) + OHM_STEPS)
                        }
                        Role::Cell | Role::Pad | Role::Ambient => {
                            exact_celsius(channel, *measured).filter(|t| plausible.contains(t))
                        }
                    };
                    if !lead_fits(channel, *measured) {
                        self.latest[index] = None;
                    }
                    let age_ms = f64::from(u32::try_from(self.age_ms[index]).unwrap_or(u32::MAX));
                    let drift = exact_rate(settings.trust.fastest(channel.role)) * age_ms;
                    let noise = f64::from(settings.trust.noise.as_millikelvins()) / 1000.0;
                    // From all readings before: small steps add up.
                    let (least, most) = self.reach[index];
                    let (least, most) = (least - 0.99 * drift, most + 0.99 * drift);
                    let follows = |t: f64| t > least - 0.99 * noise && t < most + 0.99 * noise;
                    self.doubted |= !self.latest[index].is_some_and(follows);
                    let t = self.latest[index].unwrap_or(f64::NAN);
                    self.reach[index] = (least.max(t), most.min(t));
                    self.undoubted[index] += 1;
                    self.age_ms[index] = 0;
                }
            }
            self.moved_ms[index] = if self.still_ms == 0 { 0 } else { self.moved_ms[index] + elapsed };
            let missing = self.age_ms[index] > u64::from(settings.trust.max_age.as_millis());
            let bad = missing || self.latest[index].is_none();
            let t = self.latest[index].unwrap_or(f64::NAN);
            match channel.role {
                Role::Cell => {
                    cell_bad |= bad;
                    cold |= t <= exact(settings.charge.inhibit) - TENTH_MK;
                    hot |= t >= exact(settings.charge.high_limit) + TENTH_MK;
                }
                Role::Pad => pad_bad |= bad,
                Role::Ambient => {}
                // What all share is wrong, so each cell may be anything.
                Role::Check(_) => {
                    cell_bad |= bad;
                    continue;
                }
            }
            let limit =
                if channel.role == Role::Pad { settings.heater.cutout_pad } else { settings.heater.cutout_cell };
            cut_out |= !bad && t >= exact(limit) + TENTH_MK;
        }
        self.doubted |= cell_bad || pad_bad || !clock_good;
        self.watch_overheating(inputs);
        let bad = cell_bad || cold || !clock_good;
        self.bad_ms = if cell_bad { self.bad_ms + elapsed } else { 0 };
        // The step in which it breaks is a whole one already.
        let brief_ms = 60_000 + u64::from(settings.trust.max_step.as_millis());
        self.since_bad_ms = match bad {
            _ if cold || !clock_good || self.bad_ms > brief_ms => 0,
            true => self.since_bad_ms,
            false => self.since_bad_ms + elapsed,
        };
        match self.heater {
            Relay::Closed if clock_good => self.heater_on_ms += elapsed,
            Relay::Open if clock_good => self.heater_off_ms += elapsed,
            Relay::Closed | Relay::Open => {}
        }
        if self.heater_off_ms >= u64::from(settings.heater.rest.as_millis()) {
            self.heater_on_ms = 0;
        }
        self.watch_bank(if clock_good { elapsed } else { 0 }, inputs);
        // The controller looks once a minute, in a step of its own.
        let look_ms = 60_000 + 2 * u64::from(settings.trust.max_step.as_millis());
        let frozen =
            settings.trust.still_after.is_some_and(|after| self.still_ms > u64::from(after.as_millis()) + look_ms);
        let soaked = self.since_bad_ms >= u64::from(settings.charge.soak.as_millis());
        let charge = !bad && !hot && !frozen && soaked && inputs.charge_line == Line::Allowed;
        let full_off_by_k = self.ceiling_off_by_k(Self::unruled_ma(settings, inputs));
        May {
            ceiling_off_by_k: self.ceiling_off_by_k(Self::reduced_ma(settings, inputs)),
            full_off_by_k: if charge { full_off_by_k } else { f64::INFINITY },
            charge,
            heat: !cell_bad
                && !frozen
                && !pad_bad
                && clock_good
                && !cut_out
                && !self.overheated_plainly
                && inputs.storage == Storage::Kept
                && self.heater_on_ms < u64::from(settings.heater.max_run.as_millis())
                && self.energy(inputs),
            overheated: self.overheated,
            // Half a minute, from the second look on.
            heat_of_sources: self.fallen_ms <= 30_000 + 2 * u64::from(settings.trust.max_step.as_millis()),
        }
    }

    /// What the sources that may be charging and do not obey the ceiling could give together with the full charge permit (mA).
    #[must_use]
    pub fn unruled_ma(settings: &Settings, inputs: &Inputs) -> f64 {
        Self::sum_ma(settings, inputs, |charge| match charge {
            ChargeCurrent::Obeys => 0,
            ChargeCurrent::UpTo(most) | ChargeCurrent::InSteps { most, .. } => most.as_milliamps(),
        })
    }

    /// The same without it.
    #[must_use]
    pub fn reduced_ma(settings: &Settings, inputs: &Inputs) -> f64 {
        Self::sum_ma(settings, inputs, |charge| match charge {
            ChargeCurrent::Obeys => 0,
            ChargeCurrent::UpTo(gives) | ChargeCurrent::InSteps { reduced: gives, .. } => gives.as_milliamps(),
        })
    }

    fn sum_ma(settings: &Settings, inputs: &Inputs, gives: impl Fn(ChargeCurrent) -> u32) -> f64 {
        let mut milliamps = 0.0;
        for (index, source) in settings.sources.iter().enumerate() {
            if inputs.sources.contains(index) || inputs.unsteady.contains(index) {
                milliamps += f64::from(gives(source.charge));
            }
        }
        milliamps
    }

    fn ceiling_off_by_k(&self, milliamps: f64) -> f64 {
        let charge = &self.settings.charge;
        let capacity = f64::from(charge.capacity.as_milliamp_hours());
        // One battery of several may be gone.
        let counted = if charge.batteries < 2 { 1.0 } else { 1.0 - 1.0 / f64::from(charge.batteries) };
        let per_capacity = |limit: crate::quantity::Fraction| counted * f64::from(limit.as_steps()) / 65_536.0;
        let allows = |t: f64| {
            let points: Vec<_> =
                charge.ceiling.iter().map(|point| (exact(point.at), per_capacity(point.limit))).collect();
            let limit = match points.iter().position(|&(at, _)| t < at) {
                Some(0) => points[0].1,
                None => points.last().map_or(0.0, |&(_, limit)| limit),
                Some(next) => {
                    let ((from, low), (to, high)) = (points[next - 1], points[next]);
                    low + (high - low) * (t - from) / (to - from)
                }
            };
            // Two steps of 1/65 536 are lost in rounding.
            milliamps == 0.0 || milliamps <= capacity * (limit + 2.0 / 65_536.0)
        };
        let cells = self.settings.channels.iter().zip(self.latest).filter(|(channel, _)| channel.role == Role::Cell);
        let off = cells.filter_map(|(_, t)| t).map(|t| {
            [0.0, TENTH_MK, 0.1, 0.2].into_iter().find(|&k| allows(t - k) || allows(t + k)).unwrap_or(f64::INFINITY)
        });
        off.fold(0.0, f64::max)
    }

    fn watch_bank(&mut self, elapsed_ms: u64, inputs: &Inputs) {
        let bank = inputs.bank.map(Millivolts::as_millivolts);
        if self.heater == Relay::Open {
            self.lowest_off = bank.unwrap_or(u32::MAX).min(self.lowest_off);
            self.was_measured = bank.is_some();
            self.fallen_ms = 0;
            return;
        }
        let fall = self.settings.giving.map_or(u32::MAX, |giving| giving.fall.as_millivolts());
        let has_fallen = self.was_measured && bank.is_some_and(|bank| bank.saturating_add(fall) <= self.lowest_off);
        let may_be_spent = self.bank_is_above(inputs, self.budget_w(inputs) > 0.0);
        self.fallen_ms = if has_fallen && !may_be_spent { self.fallen_ms + elapsed_ms } else { 0 };
    }

    /// Latched only where there is no way to doubt what is shown, or the air: since the reset every channel has been shown at each age
    /// it may have, changing all the time and by no more than is believed, none far from another of its role.
    fn watch_overheating(&mut self, inputs: &Inputs) {
        let settings = self.settings;
        if inputs.button == Button::Pressed {
            (self.overheated, self.overheated_plainly) = (false, false);
        }
        let shown = |role| {
            let channels = settings.channels.iter().zip(&self.latest).filter(move |(channel, _)| channel.role == role);
            channels.map(|(_, t)| t.unwrap_or(f64::NAN))
        };
        let hottest = |role| shown(role).fold(f64::NEG_INFINITY, f64::max);
        let coldest = |role| shown(role).fold(f64::INFINITY, f64::min);
        for role in [Role::Cell, Role::Pad, Role::Ambient] {
            let apart = hottest(role) - coldest(role);
            self.doubted |=
                apart.is_nan() || apart > 0.9 * f64::from(settings.trust.disagreement.as_millikelvins()) / 1000.0;
        }
        self.doubted |= self.moved_ms.iter().zip(&settings.channels).any(|(&ms, _)| ms > 100_000);
        let run = u32::from(settings.trust.good_run);
        let trusted = self.undoubted.iter().take(settings.channels.len()).all(|&samples| samples >= run);
        let far_above = |role| {
            let over = exact(settings.heater.cutout(role))
                + f64::from(settings.heater.over_temperature.as_millikelvins()) / 1000.0;
            hottest(role) >= over + TENTH_MK
        };
        let is_over = far_above(Role::Cell) || far_above(Role::Pad) || far_above(Role::Ambient);
        let air = coldest(Role::Ambient);
        // Above both by more than is put down to the thermometers; with no plate or no air there is nothing to go by.
        let compares = air.is_finite() && hottest(Role::Pad).is_finite();
        self.air_was_hot |= hottest(Role::Ambient) >= exact(settings.heater.cutout_cell) - 0.01;
        let by_heater = hottest(Role::Pad) > hottest(Role::Cell).max(air) + 1.001 || !compares;
        let is_certain = is_over && trusted && !self.doubted;
        self.overheated |= is_certain && by_heater;
        self.overheated_plainly |= is_certain && (!compares || !self.air_was_hot);
    }

    fn energy(&self, inputs: &Inputs) -> bool {
        let settings = self.settings;
        let Some(supply) = inputs.supply else { return false };
        if supply < settings.heater.supply_min || supply > settings.heater.supply_max {
            return false;
        }
        let volts = f64::from(supply.as_millivolts()) / f64::from(settings.heater.nominal.as_millivolts());
        let load = f64::from(settings.heater.power.as_milliwatts()) * volts * volts;
        let budget = self.budget_w(inputs) * 1000.0;
        budget >= load * (1.0 - 1e-4) - 2.0 || self.bank_is_above(inputs, budget > 0.0)
    }

    fn budget_w(&self, inputs: &Inputs) -> f64 {
        let on_offer = |index| inputs.sources.contains(index) && !inputs.unsteady.contains(index);
        let present = self.settings.sources.iter().enumerate().filter(|(index, _)| on_offer(*index));
        present.map(|(_, source)| f64::from(source.budget.as_milliwatts()) / 1000.0).sum()
    }

    /// Whether the bank may be spent, with a source at hand or without.
    fn bank_is_above(&self, inputs: &Inputs, with_source: bool) -> bool {
        let reserve = match self.settings.bank {
            BankUse::Never => None,
            BankUse::WithSource(reserve) => Some(reserve).filter(|_| with_source),
            BankUse::Always(reserve) => Some(reserve),
        };
        let above = match reserve {
            None => false,
            Some(Reserve::StateOfCharge { floor, .. }) => inputs.state_of_charge.is_some_and(|charge| charge > floor),
            Some(Reserve::Voltage { floor, sag, .. }) => {
                let sag = if self.heater == Relay::Closed { sag.as_millivolts() } else { 0 };
                inputs.bank.is_some_and(|bank| bank.as_millivolts() > floor.as_millivolts() - sag)
            }
        };
        above && inputs.discharge_line == Line::Allowed
    }

    /// How often the heater has come on in the last 24 hours.
    #[must_use]
    pub fn closings_in_a_day(&self) -> usize {
        self.closings.len()
    }

    /// Takes note of what the heater relay was in the step just judged.
    pub fn note(&mut self, heater: Relay) {
        if heater == Relay::Closed {
            self.heater_off_ms = 0;
            if self.heater == Relay::Open {
                self.closings.push_back(self.now_ms);
            }
        }
        while self.closings.front().is_some_and(|at| at + 86_400_000 <= self.now_ms) {
            self.closings.pop_front();
        }
        self.heater = heater;
    }
}

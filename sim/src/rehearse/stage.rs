//! One season, played: the real controller in a loop with the plant, the bank and the weather.
//!
//! ```text
//!  weather, offers ──> plant ──> probes ──> controller ──> relays ─┐
//!                        ↑                                         │
//!                        └──────────── bank <──────────────────────┘
//! ```
//!
//! Time passes in steps of the controller. A step ends with the controller's decision, which holds for the next step.
//! The controller sees a change in the world (a source that turns up, a new hour of weather) one step later. The loop
//! finds voltages and currents anew when a relay moves or an offer changes, in the step that answers it, and whenever
//! they may have changed a little: see [`Stage::solved_for_s`]. In between they are constant, and the plant advances
//! exactly.
//!
//! # Leaps
//!
//! For most of a winter nothing happens: no reading comes near a threshold, and no timer runs out. The loop leaps over
//! such stretches and steps through the others. A leap ends as its steps would have ended: `leap` has how that is
//! known. So every relay moves in the same step, at either pace. Held by
//! `a_season_in_leaps_is_the_season_in_steps`.

use super::leap::{Found, Here, Leaper, SHORTEST};
use super::outcome::Outcome;
use super::probe::Probe;
use super::scenario::Scenario;
use super::wreck::{Blow, Plants, Wreck};
use crate::bank::{BankModel, Fed, Flow, HeaterLoad};
use crate::offer::Offer;
use crate::plant::{Air, Depths, Heat, Run};
use crate::season::Moment;
use crate::si;
use crate::site::Opening;
use crate::variation::Variation;
use crate::weather::Point;
use crate::withheld::{Judge, Withheld};
use forewarm_core::fault::SystemFault;
use forewarm_core::quantity::{Celsius, Fraction, Instant, Millis};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Inputs, Line, Outputs, Relay, Sample};
use forewarm_core::{Layer, Memory, Unit};
use std::borrow::Cow;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};

/// The most steps between two looks of a watcher that looks closely.
pub(super) const BLOCK: u32 = 60;
/// The same, as steps are counted.
const BLOCK_STEPS: u64 = BLOCK as u64;
/// Steps between two looks where every step is taken. No place of a battery changes by more than a millikelvin or two
/// in between.
const LOOK_STEPS: u64 = 10;

/// The bank is solved anew when its voltage without current may have changed by this much (V), or its charge by this
/// part, but at most once in [`BLOCK`] steps. 5 mV of 13 V change a heater's power by less than 0.1 %.
const STIRS_V: f64 = 0.005;
const STIRS: f64 = 0.01;
/// The same for a voltage that drives neither heater nor charge.
const IDLES_V: f64 = 0.02;
/// The longest time (s) from one solution to the next, and the longest with a charge current that may come to the
/// ceiling. One that is there follows it once in [`BLOCK`] steps.
const SETTLED_S: f64 = 3600.0;
const CHARGING_S: f64 = 300.0;
/// A charge current that is less than this part of the ceiling is not held back by it.
const NEARLY: f64 = 0.8;

/// In a season that nobody watches, a moment that is colder than any before by less than this (K) may be missed.
pub(super) const MISSED_K: f64 = 0.001;

/// Steps that are taken before another leap is tried.
const PATIENCE: u64 = 4;

/// Whether the loop crosses quiet stretches in leaps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// It crosses them in leaps.
    Leaping,
    /// It takes every step.
    EveryStep,
}

/// An observer of the season.
pub trait Watcher {
    /// Whether it looks at all. If not, the loop skips what takes time to find out.
    const WATCHES: bool;

    /// The most steps between two looks: it looks at every multiple of them. What matters in between it is shown all the same: every change
    /// of an output, and where cells under charge come to the coldest or to their limit.
    fn looks_every(&self) -> u64 {
        BLOCK_STEPS
    }

    /// Whether it asks what keeps the outputs off. If not, the loop finds that out only now and then.
    const EXPLAINS: bool = false;

    /// Receives the season at one moment: after a leap, at every change of an output, and, where it looks every minute, at every tenth step.
    fn look(&mut self, glimpse: &Glimpse<'_>);

    /// Receives what held and flowed from one moment to another (s). The spans leave no gap from the start to the end.
    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, offer: &Offer, flow: &Flow);

    /// Receives a step of the controller with the season as it is then. Steps come in order, without those that the
    /// loop leaps over.
    #[inline]
    fn stepped(&mut self, _: &Moment<'_>) {}

    /// Receives what kept the outputs off over the span that is booked next.
    fn withheld(&mut self, _: Withheld) {}

    /// Receives what the bank takes up over the span that is booked next (Ah).
    fn charged(&mut self, _: f64) {}

    /// Stands between the converters and the controller, so many seconds after the start. The controller sees `samples`
    /// as this method leaves them. It changes them only in seasons in which a converter breaks down.
    #[inline]
    fn shown(&mut self, _at_s: f64, _samples: &mut [Sample; MAX_CHANNELS]) {}

    /// Whether [`Watcher::shown`] changes samples from now on. The loop then takes every step.
    #[inline]
    fn meddles(&self) -> bool {
        false
    }

    /// Receives a step of the controller. At [`Pace::EveryStep`] each step comes. At [`Pace::Leaping`] those come that
    /// the loop does not leap over.
    #[inline]
    fn decided(&mut self, _now: Instant, _inputs: &Inputs, _outputs: &Outputs) {}
}

/// No observer.
impl Watcher for () {
    const WATCHES: bool = false;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}
}

/// Two observers at once.
impl<A: Watcher, B: Watcher> Watcher for (A, B) {
    const WATCHES: bool = A::WATCHES || B::WATCHES;
    const EXPLAINS: bool = A::EXPLAINS || B::EXPLAINS;

    fn looks_every(&self) -> u64 {
        match (A::WATCHES, B::WATCHES) {
            (true, true) => self.0.looks_every().min(self.1.looks_every()),
            (false, true) => self.1.looks_every(),
            _ => self.0.looks_every(),
        }
    }

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        self.0.look(glimpse);
        self.1.look(glimpse);
    }

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, offer: &Offer, flow: &Flow) {
        self.0.book(from_s, to_s, outputs, offer, flow);
        self.1.book(from_s, to_s, outputs, offer, flow);
    }

    #[inline]
    fn stepped(&mut self, moment: &Moment<'_>) {
        self.0.stepped(moment);
        self.1.stepped(moment);
    }

    fn withheld(&mut self, withheld: Withheld) {
        self.0.withheld(withheld);
        self.1.withheld(withheld);
    }

    fn charged(&mut self, charged_ah: f64) {
        self.0.charged(charged_ah);
        self.1.charged(charged_ah);
    }

    #[inline]
    fn shown(&mut self, at_s: f64, samples: &mut [Sample; MAX_CHANNELS]) {
        self.0.shown(at_s, samples);
        self.1.shown(at_s, samples);
    }

    #[inline]
    fn meddles(&self) -> bool {
        self.0.meddles() || self.1.meddles()
    }

    #[inline]
    fn decided(&mut self, now: Instant, inputs: &Inputs, outputs: &Outputs) {
        self.0.decided(now, inputs, outputs);
        self.1.decided(now, inputs, outputs);
    }
}

/// The season at one moment.
#[derive(Clone, Copy, Debug)]
pub struct Glimpse<'a> {
    /// Since the start (s).
    pub at_s: f64,
    /// The controller's outputs from now on.
    pub outputs: &'a Outputs,
    /// The controller's readings, in the order of the settings; `None` for a channel it does not trust.
    pub readings: [Option<Celsius>; MAX_CHANNELS],
    /// The coldest place of any battery (°C).
    pub coldest_c: f64,
    /// The warmest layer of any battery (°C).
    pub warmest_c: f64,
    /// The warmest place of the plate (°C).
    pub plate_c: f64,
    /// The warmest place of the pad (°C).
    pub pad_c: f64,
    /// Where power has flowed until now.
    pub flow: &'a Flow,
    /// The air around the box (°C): the outside air, or the air of the room.
    pub outside_c: f64,
    /// The state of charge, 0 to 1.
    pub charge: f64,
    /// The controller's inputs.
    pub inputs: &'a Inputs,
    /// The controller.
    pub unit: &'a Unit,
}

/// Plays `scenario` under `variation`, to its end or until `stop` is set.
pub fn play<W: Watcher>(
    scenario: &Scenario,
    variation: &Variation,
    pace: Pace,
    watcher: &mut W,
    stop: &AtomicBool,
) -> Outcome {
    let site = variation.of(&scenario.site);
    let breakdowns: Vec<_> = scenario.broken.iter().map(|broken| broken.what).collect();
    let plants = Plants::of(scenario, &site, &breakdowns);
    let mut stage = Stage::new(scenario, variation, &plants, watcher, pace);
    stage.play(stop);
    stage.end()
}

/// A moment of a season from which another can go on.
#[derive(Clone, Debug)]
pub(crate) struct Still<'p> {
    unit: Unit,
    plant: Run<'p>,
    outputs: Outputs,
    charge: f64,
    clock_ms: u32,
}

impl Still<'_> {
    /// The controller's outputs.
    pub(crate) const fn outputs(&self) -> &Outputs {
        &self.outputs
    }
}

/// Where a scene begins.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Begin<'a, 'p> {
    /// As a season does, with this on the clock (ms).
    Rest(u32),
    /// Where another has been left.
    Still(&'a Still<'p>),
}

/// Plays a short scene in plants that many scenes share, to its end or until `stop` is set. Returns what came of it, and
/// where it ends.
pub(crate) fn play_on<'p, W: Watcher>(
    scenario: &Scenario,
    plants: &'p Plants,
    begin: Begin<'_, 'p>,
    pace: Pace,
    watcher: &mut W,
    stop: &AtomicBool,
) -> (Outcome, Still<'p>) {
    let mut stage = Stage::begin(scenario, &Variation::default(), plants, watcher, pace, begin);
    stage.play(stop);
    let still = stage.still();
    (stage.end(), still)
}

struct Stage<'a, 'p, W> {
    scenario: &'a Scenario,
    watcher: &'a mut W,
    unit: Unit,
    plants: &'p Plants,
    plant: Run<'p>,
    wreck: Wreck,
    /// The same with nothing broken, and as they are.
    sound_probes: Vec<Probe>,
    probes: Vec<Probe>,
    sound_bank: BankModel,
    bank: BankModel,
    sound_heater: HeaterLoad,
    heater: HeaterLoad,
    /// The thermal cut-outs that are open.
    cut_out: Vec<Opening>,
    /// The sources and meters with nothing broken.
    at_work: Inputs,
    /// What the clock shows in step 0 (ms).
    clock_ms: u32,
    /// The air around the box, and what the variation still adds to it (K).
    air: Cow<'a, [Point]>,
    weather_k: f64,
    hard_limit_c: f64,
    step_s: f64,
    leaper: Option<Leaper>,
    /// The step from which on another leap may be tried, and how many steps were taken before the last one.
    leap_from: u64,
    patience: u64,
    /// Steps done.
    at: u64,
    /// The step in which the bank is to be solved anew.
    solve_at: u64,
    /// The step in which the cells are to be looked at.
    look_at: u64,
    /// Indices of the present weather and of the present offer.
    weather: usize,
    offer: usize,
    inputs: Inputs,
    outputs: Outputs,
    flow: Flow,
    judge: Judge,
    /// What keeps the outputs off.
    withheld: Withheld,
    charge: f64,
    /// The step up to which the flow is booked.
    accounted_at: u64,
    /// Step in which the latest offer turned up.
    offered_at: u64,
    /// The current that the cells may take, as of the last booking (A).
    allowed_a: f64,
    capacity_ah: f64,
    /// Whether this permit is already counted as a violation, and the step up to which the truth is noted.
    is_counted: bool,
    noted_at: u64,
    /// For how many steps nobody needed to look at the cells, the last time.
    unseen_for: u64,
    /// The most steps between two looks of the watcher.
    looks_every: u64,
    scratch: Vec<f64>,
    /// Steps of the last 24 hours in which the heater came on.
    closings: VecDeque<u64>,
    outcome: Outcome,
}

impl<'a, 'p, W: Watcher> Stage<'a, 'p, W> {
    fn new(scenario: &'a Scenario, variation: &Variation, plants: &'p Plants, watcher: &'a mut W, pace: Pace) -> Self {
        Self::begin(scenario, variation, plants, watcher, pace, Begin::Rest(0))
    }

    fn begin(
        scenario: &'a Scenario,
        variation: &Variation,
        plants: &'p Plants,
        watcher: &'a mut W,
        pace: Pace,
        begin: Begin<'_, 'p>,
    ) -> Self {
        let Scenario { settings, site, weather, .. } = scenario;
        let weather_k = variation.weather * site.tolerance.weather_k;
        let probes: Vec<Probe> = settings
            .channels
            .iter()
            .zip(&site.mountings)
            .zip(&variation.channels)
            .zip(0..)
            .map(|(((channel, mounting), flaws), index)| {
                Probe::new(channel, mounting, &site.converter, flaws, variation.noise_seed.wrapping_add(index))
            })
            .collect();
        let outside_c = weather.points[0].outside_c + weather_k;
        // A room starts unwarmed, at the colder temperature that it may have: nobody has been there.
        let start_c = site.winter.start_c.unwrap_or_else(|| site.air_unwarmed_c(outside_c));
        // Colder weather does not cool a room that is kept warm. So with a room the variation goes into the weather
        // first.
        let (air, weather_k) = match &site.room {
            Some(room) => (Cow::Owned(weather.in_room(room, scenario.span_s, weather_k)), 0.0),
            None => (Cow::Borrowed(&*weather.points), weather_k),
        };
        let Still { unit, plant: run, outputs, charge, clock_ms } = match begin {
            Begin::Still(still) => still.clone(),
            Begin::Rest(clock_ms) => Still {
                unit: Unit::new(settings, Memory::default()),
                plant: plants.sound.at_rest(start_c),
                outputs: Outputs::all_off(forewarm_core::fault::SystemFault::SettingsInvalid),
                charge: site.winter.start_charge,
                clock_ms,
            },
        };
        let heater = &settings.heater;
        let nominal_v = si::volts(heater.nominal);
        let mut inputs = Inputs::DEAD;
        // The battery's own protection always allows charge here. So the controller stands alone, and its own permits
        // are judged.
        inputs.charge_line = Line::Allowed;
        let heater = HeaterLoad {
            power_at_nominal_w: si::watts(heater.power) * (1.0 + variation.pad_power * site.tolerance.pad_power),
            nominal_v,
            on: false,
            line_ohm: scenario.line_ohm(),
            // If nobody knows the voltage, the plan reports a danger. Here the pad then gets its nominal voltage.
            fed: site.fed_by.map(|source| Fed { source, volts: site.feed_v().unwrap_or(nominal_v) }),
        };
        let bank = BankModel::new(&site.battery, settings);
        let mut stage = Self {
            scenario,
            // A cut-out opens at a look.
            looks_every: if scenario.thermal_cutouts.is_empty() { watcher.looks_every() } else { BLOCK_STEPS },
            watcher,
            unit,
            leaper: (pace == Pace::Leaping).then(|| Leaper::new(scenario, &run, &probes)),
            plants,
            plant: run,
            wreck: Wreck::default(),
            sound_probes: probes.clone(),
            probes,
            sound_bank: bank.clone(),
            bank,
            sound_heater: heater,
            heater,
            cut_out: Vec::new(),
            at_work: inputs,
            clock_ms,
            air,
            weather_k,
            hard_limit_c: site.battery.hard_limit_c + variation.hard_limit * site.tolerance.hard_limit_k,
            step_s: f64::from(scenario.step_ms) / 1000.0,
            leap_from: 0,
            patience: PATIENCE,
            solve_at: 0,
            look_at: 0,
            at: 0,
            weather: 0,
            offer: 0,
            inputs,
            outputs,
            flow: Flow::default(),
            judge: Judge::new(settings),
            withheld: Withheld::default(),
            charge,
            accounted_at: 0,
            offered_at: 0,
            allowed_a: 0.0,
            capacity_ah: si::amp_hours(settings.charge.capacity),
            is_counted: false,
            noted_at: 0,
            unseen_for: BLOCK_STEPS,
            scratch: Vec::new(),
            closings: VecDeque::new(),
            outcome: Outcome {
                coldest_true_c: f64::INFINITY,
                warmest_plate_c: f64::NEG_INFINITY,
                least_charge: charge,
                ..Outcome::default()
            },
        };
        stage.set_weather();
        stage.break_down();
        stage.solve();
        stage.measure(0);
        stage.outputs = stage.decide(0);
        let outputs = stage.outputs;
        stage.stepped(&outputs);
        stage.solve();
        stage
    }

    fn play(&mut self, stop: &AtomicBool) {
        let end = self.scenario.steps_to(self.scenario.span_s);
        self.look();
        while self.at < end && !stop.load(Ordering::Relaxed) {
            self.take_up();
            self.withheld = self.judge.of(&self.unit, &self.outputs);
            let until = self.next_event().min(end);
            while self.at < until.min(self.solve_at) && !stop.load(Ordering::Relaxed) {
                if !self.leap(until.min(self.solve_at)) {
                    self.step();
                }
            }
            self.account();
        }
    }

    /// Takes in what has changed in the world by now, and solves the bank for it.
    fn take_up(&mut self) {
        let Scenario { offers, .. } = self.scenario;
        if !self.scenario.broken.is_empty() {
            self.break_down();
        }
        let mut new_weather = false;
        while self.air.get(self.weather + 1).is_some_and(|next| self.scenario.steps_to(next.at_s) <= self.at) {
            self.weather += 1;
            new_weather = true;
        }
        if new_weather {
            self.set_weather();
        }
        while offers.get(self.offer + 1).is_some_and(|next| self.scenario.steps_to(next.at_s) <= self.at) {
            self.offer += 1;
            self.offered_at = self.at;
        }
        self.solve();
    }

    /// Takes in what breaks, is mended, or has grown by now.
    fn break_down(&mut self) {
        let has_changed = self.wreck.go_to(self.at, self.scenario);
        if has_changed || self.wreck.grows() {
            self.probes =
                self.wreck.probes(&self.sound_probes, self.air[self.weather].outside_c + self.weather_k, self.at);
        }
        if !has_changed && self.at > 0 {
            return;
        }
        self.bank = self.wreck.bank(&self.sound_bank, self.scenario.site.battery.count);
        let plant = self.wreck.plant(self.plants);
        if !self.plant.is_of(plant) {
            self.plant.move_to(plant);
        }
        if self.leaper.is_some() && has_changed {
            self.leaper = Some(Leaper::new(self.scenario, &self.plant, &self.probes));
        }
    }

    fn next_event(&self) -> u64 {
        let Scenario { offers, .. } = self.scenario;
        let weather = self.air.get(self.weather + 1).map_or(u64::MAX, |next| self.scenario.steps_to(next.at_s));
        let offer = offers.get(self.offer + 1).map_or(u64::MAX, |next| self.scenario.steps_to(next.at_s));
        weather.min(offer).min(self.wreck.next_event(self.at, self.scenario)).max(self.at + 1)
    }

    fn set_weather(&mut self) {
        let now = self.air[self.weather];
        // The wind of the next point is the mean over the time that ends with it.
        let next = self.air.get(self.weather + 1).copied().unwrap_or(now);
        #[expect(clippy::cast_precision_loss, reason = "seconds of a year")]
        let span_s = (next.at_s - now.at_s).max(1) as f64;
        let outside_c = now.outside_c + self.weather_k;
        self.plant.set_air(Air {
            outside_c,
            slope_k_per_s: (next.outside_c - now.outside_c) / span_s,
            wind_m_s: next.wind_m_s,
        });
        // The cables lie outside the box: in the room, if there is one.
        for probe in self.probes.iter_mut().chain(&mut self.sound_probes) {
            probe.set_leads_at(outside_c);
        }
    }

    fn offer(&self) -> &'a Offer {
        &self.scenario.offers[self.offer]
    }

    /// Finds voltages and currents for the present relays, and passes them to plant and controller.
    fn solve(&mut self) {
        self.heater = self.wreck.heater(self.sound_heater, self.outputs.heater);
        if !self.cut_out.is_empty() {
            self.heater.power_at_nominal_w = 0.0;
        }
        let offer = self.wreck.offer(self.offer(), self.heater.on);
        let permit = self.wreck.permit(&self.outputs);
        self.flow = self.bank.flow(self.charge, &offer, self.heater, permit);
        self.plant.set_heat(Heat { heater_w: self.flow.heater_w, bank_w: self.flow.bank_heat_w });
        let seen = &mut self.at_work;
        seen.sources = offer.sources;
        seen.supply = self.scenario.has_heater_supply.then(|| si::millivolts(self.flow.supply_v));
        let measured = self.scenario.bank_measured;
        seen.bank = measured.voltage.then(|| si::millivolts(self.flow.bus_v));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 1")]
        let steps = (self.charge * 65_536.0).round() as u32;
        seen.state_of_charge = measured.charge.then(|| Fraction::from_steps(steps));
        // The protection has disconnected a flat bank.
        seen.discharge_line = if self.charge > 0.0 { Line::Allowed } else { Line::Refused };
        if self.scenario.has_contacts {
            seen.heater_feedback = Some(self.wreck.heater_contact(self.outputs.heater));
            seen.charge_feedback = Some(self.wreck.charge_contact(self.outputs.charge));
        }
        self.disturb();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most an hour")]
        let steps = (self.solved_for_s() / self.step_s) as u64;
        self.solve_at = self.at + steps.max(BLOCK_STEPS);
        // Each change of the inputs needs a step before a leap.
        self.leap_from = self.leap_from.max(self.at + 1);
        self.look_at = self.at;
    }

    /// What the lines and meters say in this step.
    fn disturb(&mut self) {
        let channels = self.inputs.channels;
        self.inputs = Inputs { channels, ..self.wreck.disturb(self.at, self.scenario, &self.at_work, self.heater.on) };
    }

    /// How long voltages and currents may count as constant (s).
    fn solved_for_s(&self) -> f64 {
        let charge_a = self.flow.charge_a;
        let ceiling_a = si::part(self.outputs.ceiling) * self.capacity_ah;
        let longest_s = match charge_a {
            _ if charge_a <= 0.0 => SETTLED_S,
            _ if charge_a < NEARLY * ceiling_a => CHARGING_S,
            _ => 0.0,
        };
        let is_idle = !self.heater.on && charge_a <= 0.0;
        let stirs_v = if is_idle && !self.scenario.goes_by_voltage() { IDLES_V } else { STIRS_V };
        self.bank.holds_s(self.charge, charge_a, stirs_v, STIRS).min(longest_s)
    }

    /// What the converters put out at step `at`.
    #[inline]
    fn measure(&mut self, at: u64) {
        let sensors_c = self.plant.sensors_c();
        for ((sample, probe), t) in self.inputs.channels.iter_mut().zip(&self.probes).zip(sensors_c) {
            *sample = Sample::Fresh(probe.measure(t, at));
        }
    }

    /// The controller's decision at step `at`.
    #[inline]
    fn decide(&mut self, at: u64) -> Outputs {
        if self.wreck.meddles() {
            self.wreck.show(at, &mut self.inputs.channels, self.scenario.settings.channels.len());
            self.disturb();
        }
        self.watcher.shown(seconds(at, self.step_s), &mut self.inputs.channels);
        let now = self.wreck.clock(at, self.now(at));
        let outputs = match self.wreck.blow(at) {
            Some(Blow::Damage) => Outputs::all_off(SystemFault::SettingsInvalid),
            blow => {
                let memory = match blow {
                    Some(Blow::Forget) => Some(Memory::default()),
                    Some(_) => Some(self.unit.memory()),
                    None => None,
                };
                if let Some(memory) = memory {
                    self.unit = Unit::new(&self.scenario.settings, memory);
                }
                self.unit.step_by(self.scenario.layer, now, &self.inputs)
            }
        };
        self.watcher.decided(now, &self.inputs, &outputs);
        outputs
    }

    /// The controller's clock at step `at`. It wraps, as it does in the field.
    #[expect(clippy::cast_possible_truncation, reason = "wrapping is meant")]
    fn now(&self, at: u64) -> Instant {
        Instant::from_millis((at.wrapping_mul(self.scenario.step_ms.into()) as u32).wrapping_add(self.clock_ms))
    }

    /// Shows the step just taken to the watcher, with the inputs that the controller saw.
    #[inline]
    fn stepped(&mut self, outputs: &Outputs) {
        #[expect(clippy::cast_possible_wrap, reason = "milliseconds of a year")]
        let at = (self.at * u64::from(self.scenario.step_ms)) as i64;
        self.watcher.stepped(&Moment { at, unit: &self.unit, inputs: &self.inputs, outputs });
    }

    /// Advances by one step.
    fn step(&mut self) {
        self.plant.step();
        self.at += 1;
        self.measure(self.at);
        self.react();
    }

    /// The controller takes the step that the plant has taken.
    #[inline]
    fn react(&mut self) {
        self.outcome.taken += 1;
        let outputs = self.decide(self.at);
        self.stepped(&outputs);
        if is_as_before(&self.outputs, &outputs) {
            self.outputs.ceiling = outputs.ceiling;
            if self.at == self.offered_at + 1 {
                // The first answer to a source that has turned up: what this one leaves of the ceiling goes to the
                // others.
                self.account();
                self.solve();
            }
            if W::EXPLAINS {
                self.explain();
            }
            if self.at >= self.look_at {
                self.look();
            }
        } else {
            self.change(outputs);
        }
    }

    /// Finds anew what keeps the outputs off.
    fn explain(&mut self) {
        let withheld = self.judge.of(&self.unit, &self.outputs);
        if withheld != self.withheld {
            self.account();
            self.withheld = withheld;
        }
    }

    #[cold]
    fn change(&mut self, outputs: Outputs) {
        // The last moment of a permit is often its coldest.
        self.note();
        self.account();
        let before = std::mem::replace(&mut self.outputs, outputs);
        self.withheld = self.judge.of(&self.unit, &outputs);
        if before.heater == Relay::Open && outputs.heater == Relay::Closed {
            self.count_closing();
        }
        if outputs.charge != before.charge {
            self.is_counted = false;
        }
        // Look before solving: the inputs are still those that the controller saw.
        self.look();
        if (before.heater, before.charge, before.full) != (outputs.heater, outputs.charge, outputs.full) {
            self.solve();
        }
    }

    fn count_closing(&mut self) {
        let day = self.scenario.steps_to(86_400);
        self.closings.push_back(self.at);
        while self.closings.front().is_some_and(|&at| at + day <= self.at) {
            self.closings.pop_front();
        }
        let most = &mut self.outcome.heater_cycles_in_a_day;
        *most = (*most).max(u32::try_from(self.closings.len()).unwrap_or(u32::MAX));
    }

    /// Leaps towards step `until`, if it can.
    fn leap(&mut self, until: u64) -> bool {
        let looked_at = if self.looks_closely() { self.next_look() } else { self.look_at };
        let Some(leaper) = self.leaper.as_mut().filter(|_| self.at >= self.leap_from) else { return false };
        if self.watcher.meddles() || self.wreck.meddles() || self.scenario.layer != Layer::Both {
            return false;
        }
        let most = until.min(looked_at).saturating_sub(self.at);
        if most <= u64::from(SHORTEST) {
            return false;
        }
        let here = Here {
            at: self.at,
            unit: &self.unit,
            plant: &self.plant,
            probes: &self.probes,
            inputs: &self.inputs,
            outputs: &self.outputs,
        };
        let leap = match leaper.from(&here, most) {
            Found::Leap(leap) => leap,
            Found::Timer(steps) => {
                self.leap_from = self.at + u64::from(steps) + 1;
                return false;
            }
            Found::NearThreshold => {
                self.leap_from = self.at + self.patience;
                self.patience = (self.patience * 2).min(8 * PATIENCE);
                return false;
            }
        };
        self.patience = PATIENCE;
        let still = leaper.over(leap, self.at, &mut self.plant, &self.probes);
        self.inputs.channels = leaper.landing(0);
        self.at += u64::from(leap.over);
        self.unit.pass(
            self.now(self.at),
            (Millis::from_millis(self.scenario.step_ms), leap.over),
            (&self.inputs, &self.outputs),
            &still,
        );
        for step in 1..=leap.settling {
            self.plant.step();
            self.at += 1;
            if let Some(leaper) = &self.leaper {
                self.inputs.channels = leaper.landing(step);
            }
            self.react();
        }
        if W::WATCHES {
            self.look();
        }
        true
    }

    /// Notes the truth under the relays' state until now. Returns the coldest and the warmest place of the cells (°C),
    /// if anyone needs them.
    #[inline]
    fn note(&mut self) -> Option<[f64; 2]> {
        let span_s = seconds(self.at - self.noted_at, self.step_s);
        self.noted_at = self.at;
        let permitted = self.outputs.charge == Relay::Closed;
        self.look_at = self.at + LOOK_STEPS;
        if !permitted && !W::WATCHES {
            self.look_at = u64::MAX;
            return None;
        }
        let cells_c @ [coldest_c, _] = self.plant.cells_range_c();
        let outcome = &mut self.outcome;
        if permitted {
            let coldest = outcome.coldest_true_c_while_permitted.get_or_insert(f64::INFINITY);
            *coldest = coldest.min(coldest_c);
            if coldest_c < self.hard_limit_c {
                outcome.violation_s += span_s;
                outcome.violations += u32::from(!self.is_counted);
                self.is_counted = true;
            }
        }
        if !self.looks_closely() {
            self.look_at = self.at + self.unseen_steps(permitted);
        }
        Some(cells_c)
    }

    /// Whether the watcher sees every minute's last step.
    const fn looks_closely(&self) -> bool {
        W::WATCHES && self.looks_every == BLOCK_STEPS
    }

    /// The next step that the watcher wants to see.
    const fn next_look(&self) -> u64 {
        (self.at / self.looks_every + 1) * self.looks_every
    }

    /// For how many steps nobody need look at the cells: under a permit their coldest place does not come below the hard limit. Nor does it
    /// come below the coldest that it was, or else below what it is at both ends, whenever this time ends; for a watcher that holds without a
    /// permit too.
    fn unseen_steps(&mut self, permitted: bool) -> u64 {
        // The coldest under a permit is never colder than the coldest at all.
        let (limit_c, so_far_c) = if permitted {
            (self.hard_limit_c, self.outcome.coldest_true_c_while_permitted.unwrap_or(f64::INFINITY))
        } else {
            (f64::NEG_INFINITY, self.outcome.coldest_true_c)
        };
        let most = if W::WATCHES { self.next_look() - self.at } else { u64::MAX };
        // It is mostly as many as the last time.
        let mut steps = (4 * self.unseen_for).min(64 * BLOCK_STEPS).min(most);
        while steps > LOOK_STEPS {
            #[expect(clippy::cast_possible_truncation, reason = "an hour of steps")]
            let Depths { lowest, below_ends } = self.plant.depths_ahead(steps as usize, &mut self.scratch);
            if lowest >= limit_c && (lowest >= so_far_c - MISSED_K || below_ends <= MISSED_K) {
                break;
            }
            steps /= 4;
        }
        self.unseen_for = steps.max(LOOK_STEPS);
        self.unseen_for
    }

    /// Notes the truth, and shows it to the watcher.
    fn look(&mut self) {
        let cells_c = self.note();
        if let Some([coldest_c, warmest_c]) = cells_c.filter(|_| W::WATCHES) {
            let (plate_c, pad_c) = (self.plant.plate_c(), self.plant.pad_c());
            self.cut_out(plate_c, pad_c);
            self.outcome.coldest_true_c = self.outcome.coldest_true_c.min(coldest_c);
            self.outcome.warmest_plate_c = self.outcome.warmest_plate_c.max(plate_c);
            self.watcher.look(&Glimpse {
                at_s: seconds(self.at, self.step_s),
                outputs: &self.outputs,
                readings: self.unit.readings(),
                coldest_c,
                warmest_c,
                plate_c,
                pad_c,
                flow: &self.flow,
                outside_c: self.plant.outside_c(),
                charge: self.charge,
                inputs: &self.inputs,
                unit: &self.unit,
            });
        }
    }

    /// Opens and closes thermal cut-outs.
    fn cut_out(&mut self, plate_c: f64, pad_c: f64) {
        let were_open = self.cut_out.len();
        self.cut_out.retain(|cutout| !cutout.closes(plate_c, pad_c));
        let mut has_changed = self.cut_out.len() != were_open;
        for cutout in self.scenario.thermal_cutouts.iter().filter(|cutout| cutout.opens(plate_c, pad_c)) {
            if !self.cut_out.contains(cutout) {
                self.cut_out.push(*cutout);
                has_changed = true;
            }
        }
        if has_changed {
            // In the next step.
            self.solve_at = self.at + 1;
        }
    }

    /// Books the flow since the last booking, under the relays' state until now.
    fn account(&mut self) {
        let (from_s, to_s) = (seconds(self.accounted_at, self.step_s), seconds(self.at, self.step_s));
        let span_s = to_s - from_s;
        self.accounted_at = self.at;
        let before = self.charge;
        self.charge = self.bank.advance(before, self.flow.charge_a, span_s);
        // Only what the bank takes up: the current that holds a full bank at its voltage charges nothing.
        let charged_ah = (self.charge - before).max(0.0) * self.capacity_ah;
        self.watcher.withheld(self.withheld);
        self.watcher.charged(charged_ah);
        self.watcher.book(from_s, to_s, &self.outputs, &self.scenario.offers[self.offer], &self.flow);
        // The flow was found at the first moment and lasts to the second. Rounding takes a step of 1/65 536 or two.
        let allowed_a = si::part(self.unit.allowed()) * self.capacity_ah;
        let most_a = allowed_a.max(self.allowed_a) + self.capacity_ah * 2.0 / 65_536.0;
        self.allowed_a = allowed_a;
        let unseen_s = (seconds(self.offered_at + 1, self.step_s) - from_s).max(0.0);
        let (flow, outcome) = (&self.flow, &mut self.outcome);
        if flow.charge_a > most_a && span_s > unseen_s {
            outcome.above_ceiling_s += span_s - unseen_s;
            outcome.most_above_ceiling_a = outcome.most_above_ceiling_a.max(flow.charge_a - most_a);
        }
        let hours = span_s / 3600.0;
        if self.outputs.heater == Relay::Closed {
            outcome.heater_on_s += span_s;
        }
        outcome.heater_wh += flow.heater_w * hours;
        for (total, power_w) in outcome.heater_wh_by_source.iter_mut().zip(flow.heater_w_by_source) {
            *total += power_w * hours;
        }
        outcome.heater_wh_of_bank += flow.heater_w_bank * hours;
        if self.outputs.charge == Relay::Closed {
            outcome.charge_permitted_s += span_s;
        }
        if self.outputs.full == Relay::Closed {
            outcome.charge_full_s += span_s;
        }
        if flow.charge_wanted {
            outcome.charge_wanted_s += span_s;
            if self.outputs.charge == Relay::Open {
                outcome.charge_refused_s += span_s;
            }
        }
        outcome.refused_wh += flow.refused_w * hours;
        outcome.unmet_wh += flow.unmet_w * hours;
        outcome.charged_ah += charged_ah;
        outcome.least_charge = outcome.least_charge.min(self.charge);
    }

    /// This moment, for another scene to go on from.
    fn still(&self) -> Still<'p> {
        Still {
            unit: self.unit.clone(),
            plant: self.plant.clone(),
            outputs: self.outputs,
            charge: self.charge,
            clock_ms: self.now(self.at + 1).as_millis(),
        }
    }

    fn end(mut self) -> Outcome {
        let counters = self.unit.counters();
        Outcome {
            span_s: seconds(self.at, self.step_s),
            steps: self.at,
            last_charge: self.charge,
            heater_cycles: counters.heater_cycles,
            charge_cycles: counters.charge_cycles,
            full_cycles: counters.full_cycles,
            overrules: counters.overrules,
            hard_limit_c: self.hard_limit_c,
            balance: self.plant.balance(),
            ..self.outcome
        }
    }
}

fn is_as_before(before: &Outputs, after: &Outputs) -> bool {
    // The ceiling follows the temperature all the time, so its changes do not count.
    Outputs { ceiling: before.ceiling, ..*after } == *before
}

#[expect(clippy::cast_precision_loss, reason = "steps of a year, at most 3·10⁸")]
pub(super) fn seconds(steps: u64, step_s: f64) -> f64 {
    steps as f64 * step_s
}

//! One cell of the matrix: something breaks in one state, at one outside temperature, and is mended again.

use super::limits::Limits;
use super::matrix::Desk;
use super::states::Led;
use crate::bank::Flow;
use crate::breakdown::{Blind, Breakdown, Other};
use crate::offer::Offer;
use crate::rehearse::{Begin, Broken, Glimpse, Outcome, Scenario, Still, Watcher, play_on};
use crate::season::Moment;
use crate::si;
use crate::site::Battery;
use forewarm_core::fault::{ChannelFault, Ending, Facts, Faults, SystemFault};
use forewarm_core::signals::{Alarm, Outputs, Relay, State};
use serde::Serialize;
use std::sync::atomic::{AtomicBool, Ordering};

/// When it breaks, after the start of the scene (s).
pub(super) const BREAKS_S: i64 = 30;
/// For how long it stays broken (s).
const BROKEN_S: i64 = 8 * 3600;
/// From when on the sources are there that were not at first (s).
const FED_FROM_S: i64 = 3600;
/// For how long a scene goes on while a fault stands: with everything off all the time, and with what that fault does not disable
/// (s).
const SAFE_S: f64 = 600.0;
const SETTLED_S: f64 = 3600.0;
/// The mild day on which it is mended (°C).
const MILD_C: f64 = 20.0;
/// How long charge may take to come back (s): a bank that is frozen through has to thaw.
const BACK_S: i64 = 48 * 3600;
/// When the reset button is pressed, after the mending (s), and for how long.
const PRESSES_S: [i64; 5] = [900, 3 * 3600, 6 * 3600, 12 * 3600, 24 * 3600];
const HOLDS_S: i64 = 15;

/// What came of a breakdown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// No part passed a limit; what can be found was found, or did not matter.
    Safe,
    /// A part passed a limit.
    Unsafe,
    /// The installation has no input that could show it, or not in time.
    Undetectable,
}

/// What passed its limit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Harm {
    /// The coldest place of a cell while it was charged (°C), if that is below the hard limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub charged_at_c: Option<f64>,
    /// The hottest place of a cell (°C), if that is above its limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cell_c: Option<f64>,
    /// The hottest place of the plate (°C), if that is above its limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plate_c: Option<f64>,
    /// The hottest place of the pad (°C), if that is above its limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pad_c: Option<f64>,
}

impl Harm {
    /// Whether anything did.
    #[must_use]
    pub fn is_any(&self) -> bool {
        *self != Self::default()
    }
}

/// How a bank that is healthy again gets charged again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Recovery {
    /// By itself, and no fault waits for anybody.
    ByItself,
    /// After the reset button was pressed: until then something stayed off.
    AfterReset,
    /// Not within two mild days.
    Never,
}

/// One cell.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// What broke.
    pub breakdown: Breakdown,
    /// In which state.
    pub state: State,
    /// At which outside temperature (°C).
    pub outside_c: f64,
    /// What came of it.
    pub verdict: Verdict,
    /// From the breakdown until a fault was reported that had not stood before (s). What that fault disables is off from the
    /// same step on.
    pub time_to_safe_s: Option<f64>,
    /// That fault.
    pub found: Option<&'static str>,
    /// Whether the alarm sounded for it.
    pub alarm: bool,
    /// What clears that fault.
    pub cleared_by: Option<&'static str>,
    /// From the breakdown until both outputs were off for the first time (s).
    pub off_s: Option<f64>,
    /// What passed its limit.
    pub harm: Harm,
    /// Whether the independent thermal cut-out had to open.
    pub cut_out: bool,
    /// The most by which the charge current was above the ceiling for what the cells are read as (A), and for how long it was
    /// (s).
    pub above_ceiling_a: f64,
    /// See [`Cell::above_ceiling_a`].
    pub above_ceiling_s: f64,
    /// The most by which the charge current was above what the battery's maker allows for cells as cold as they were (A). Zero if
    /// the file does not have that.
    pub above_maker_a: f64,
    /// How charge comes back.
    pub recovery: Recovery,
    /// The fault that still waited for someone when everything had been mended for a quarter of an hour.
    pub waits: Option<&'static str>,
    /// Why it cannot be found, if so.
    pub blind: Option<Blind>,
}

/// Plays one.
pub(super) fn play(desk: &Desk<'_>, breakdown: Breakdown, led: &Led<'_>, outside_c: f64) -> Cell {
    let stop = AtomicBool::new(false);
    let mut seen = Seen::new(&stop, desk, led.usual.clone());
    let (outcome, still) = go_on(desk, Some(breakdown), led, outside_c, &mut seen, &stop);
    let harm = seen.harm();
    let blind = breakdown.blind(&desk.scenario);
    // Found in time, if it was.
    let is_found = seen.found.is_some_and(|(at_s, _)| seen.harmed_s.is_none_or(|harmed_s| at_s <= harmed_s));
    let verdict = match blind {
        Some(_) if !is_found => Verdict::Undetectable,
        _ if harm.is_any() => Verdict::Unsafe,
        _ => Verdict::Safe,
    };
    let (recovery, waits) = recover(desk, &still);
    Cell {
        breakdown,
        state: led.state,
        outside_c,
        verdict,
        time_to_safe_s: seen.found.map(|(at_s, _)| at_s),
        found: seen.found.map(|(_, facts)| facts.name),
        alarm: seen.alarm,
        cleared_by: seen.found.map(|(_, facts)| facts.cleared_by),
        off_s: seen.off_s,
        harm,
        cut_out: desk.limits.opens(seen.plate_c, seen.pad_c),
        above_ceiling_a: outcome.most_above_ceiling_a,
        above_ceiling_s: outcome.above_ceiling_s,
        above_maker_a: seen.above_maker_a,
        recovery,
        waits,
        blind: blind.filter(|_| verdict == Verdict::Undetectable),
    }
}

/// What the controller reports in this state in any case, with nothing broken that is not broken already.
pub(super) fn usual(desk: &Desk<'_>, led: &Led<'_>, outside_c: f64) -> Vec<Named> {
    let go = AtomicBool::new(false);
    let mut reports = Reports(Vec::new());
    go_on(desk, None, led, outside_c, &mut reports, &go);
    reports.0
}

/// Goes on from where the controller has been led, with this broken.
fn go_on<'p, W: Watcher>(
    desk: &Desk<'p>,
    breakdown: Option<Breakdown>,
    led: &Led<'p>,
    outside_c: f64,
    watcher: &mut W,
    stop: &AtomicBool,
) -> (Outcome, Still<'p>) {
    let before = led.broken.map(|what| Broken { what, from_s: 0, until_s: None });
    let new = breakdown.map(|what| Broken { what, from_s: BREAKS_S, until_s: None });
    let fed_from_s = if led.fed { 0 } else { FED_FROM_S };
    let broken = before.into_iter().chain(new).collect();
    let scenario = Scenario { span_s: BROKEN_S, ..desk.scene(outside_c, None, Some(fed_from_s), broken) };
    play_on(&scenario, desk.plants, Begin::Still(&led.still), desk.pace, watcher, stop)
}

/// Mends everything, on a mild day with all sources.
fn recover(desk: &Desk<'_>, still: &Still<'_>) -> (Recovery, Option<&'static str>) {
    let first_s = PRESSES_S[0];
    let go = AtomicBool::new(false);
    let calm = Scenario { span_s: first_s, ..desk.scene(MILD_C, None, Some(0), Vec::new()) };
    let (_, still) = play_on(&calm, desk.plants, Begin::Still(still), desk.pace, &mut (), &go);
    // A fault that nobody clears stands for as long as nobody comes. The others have had a quarter of an hour.
    let waits = standing(&still.outputs().faults).map(|(_, facts)| facts).find(needs_someone).map(|facts| facts.name);
    let presses = if waits.is_some() { &PRESSES_S[..] } else { &[] };
    let press = |&at_s: &i64| Broken {
        what: Breakdown::Other(Other::ButtonStuck),
        from_s: at_s - first_s + 1,
        until_s: Some(at_s - first_s + 1 + HOLDS_S),
    };
    let later = desk.scene(MILD_C, None, Some(0), presses.iter().map(press).collect());
    let stop = AtomicBool::new(false);
    let mut back = Back { stop: &stop, from_s: if waits.is_some() { HOLDS_S + 60 } else { 0 }, since_s: None };
    let later = Scenario { span_s: BACK_S - first_s, ..later };
    play_on(&later, desk.plants, Begin::Still(&still), desk.pace, &mut back, &stop);
    let recovery = match back.since_s {
        None => Recovery::Never,
        Some(_) if waits.is_some() => Recovery::AfterReset,
        Some(_) => Recovery::ByItself,
    };
    (recovery, waits)
}

fn needs_someone(facts: &Facts) -> bool {
    facts.ending == Ending::Latched || facts.name == ChannelFault::Jumped.facts().name
}

/// A fault by its channel, if it is of one, and its name.
pub(super) type Named = (Option<usize>, &'static str);

/// The faults that stand, and what is known of them.
fn standing(faults: &Faults) -> impl Iterator<Item = (Option<usize>, Facts)> {
    let channels = faults.channels.into_iter().enumerate();
    let channels = channels.filter_map(|(channel, fault)| Some((Some(channel), fault?.facts())));
    let system: Vec<SystemFault> = faults.system.iter().collect();
    channels.chain(system.into_iter().map(|fault| (None, fault.facts())))
}

/// Collects all faults that are ever reported.
struct Reports(Vec<Named>);

impl Watcher for Reports {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        for (channel, facts) in standing(&moment.outputs.faults) {
            if !self.0.contains(&(channel, facts.name)) {
                self.0.push((channel, facts.name));
            }
        }
    }
}

/// What was seen while it was broken.
struct Seen<'s> {
    stop: &'s AtomicBool,
    /// Faults that are reported in any case.
    usual: Vec<Named>,
    found: Option<(f64, Facts)>,
    /// Whether one that is not reported in any case stands.
    is_named: bool,
    /// Since when that has stood and nothing has been on (s).
    safe_from_s: Option<f64>,
    alarm: bool,
    off_s: Option<f64>,
    limits: &'s Limits,
    battery: &'s Battery,
    capacity_ah: f64,
    above_maker_a: f64,
    /// When a part first passed its limit (s).
    harmed_s: Option<f64>,
    charged_at_c: f64,
    cell_c: f64,
    plate_c: f64,
    pad_c: f64,
}

impl<'s> Seen<'s> {
    fn new(stop: &'s AtomicBool, desk: &'s Desk<'_>, usual: Vec<Named>) -> Self {
        Self {
            stop,
            limits: &desk.limits,
            battery: &desk.scenario.site.battery,
            capacity_ah: si::amp_hours(desk.scenario.settings.charge.capacity),
            above_maker_a: 0.0,
            harmed_s: None,
            usual,
            found: None,
            is_named: false,
            safe_from_s: None,
            alarm: false,
            off_s: None,
            charged_at_c: f64::INFINITY,
            cell_c: f64::NEG_INFINITY,
            plate_c: f64::NEG_INFINITY,
            pad_c: f64::NEG_INFINITY,
        }
    }

    fn harm(&self) -> Harm {
        let limits = &self.limits;
        Harm {
            charged_at_c: Some(self.charged_at_c).filter(|c| *c < limits.cell_charged_min_c),
            cell_c: Some(self.cell_c).filter(|c| *c > limits.cell_max_c),
            plate_c: Some(self.plate_c).filter(|c| *c > limits.plate_max_c),
            pad_c: Some(self.pad_c).filter(|c| *c > limits.pad_max_c),
        }
    }
}

/// When it broke (s).
#[expect(clippy::cast_precision_loss, reason = "seconds of a scene")]
const BREAKS: f64 = BREAKS_S as f64;

impl Watcher for Seen<'_> {
    const WATCHES: bool = true;

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        if glimpse.at_s < BREAKS {
            return;
        }
        // A permit counts as charge: the bank may be full by chance.
        if glimpse.flow.charge_a > 0.0 || glimpse.outputs.charge == Relay::Closed {
            self.charged_at_c = self.charged_at_c.min(glimpse.coldest_c);
        }
        let most_a = self.battery.most_charge_a(glimpse.coldest_c, self.capacity_ah);
        self.above_maker_a = most_a.map_or(0.0, |most_a| self.above_maker_a.max(glimpse.flow.charge_a - most_a));
        self.cell_c = self.cell_c.max(glimpse.warmest_c);
        self.plate_c = self.plate_c.max(glimpse.plate_c);
        self.pad_c = self.pad_c.max(glimpse.pad_c);
        if self.harmed_s.is_none() && self.harm().is_any() {
            self.harmed_s = Some(glimpse.at_s - BREAKS);
        }
        let Some((found_s, _)) = self.found else { return };
        let Outputs { heater, charge, .. } = glimpse.outputs;
        let (heats, charges) = (glimpse.flow.heater_w > 0.0, glimpse.flow.charge_a > 0.0);
        // Whatever is on against the controller's will is watched to the end.
        let obeys = (!heats || *heater == Relay::Closed) && (!charges || *charge == Relay::Closed);
        let is_off = !heats && !charges && (*heater, *charge) == (Relay::Open, Relay::Open);
        if !is_off || !self.is_named {
            self.safe_from_s = None;
        } else if glimpse.at_s - *self.safe_from_s.get_or_insert(glimpse.at_s) >= SAFE_S {
            self.stop.store(true, Ordering::Relaxed);
        }
        if obeys && self.is_named && glimpse.at_s - BREAKS - found_s >= SETTLED_S {
            self.stop.store(true, Ordering::Relaxed);
        }
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        #[expect(clippy::cast_precision_loss, reason = "seconds of a scene")]
        let since_s = moment.at as f64 / 1000.0 - BREAKS;
        let usual = &self.usual;
        let mut new =
            standing(&moment.outputs.faults).filter(|(channel, facts)| !usual.contains(&(*channel, facts.name)));
        let new = new.next().map(|(_, facts)| facts);
        if since_s < 0.0 {
            return;
        }
        self.is_named = new.is_some();
        if self.off_s.is_none() && moment.outputs.heater == Relay::Open && moment.outputs.charge == Relay::Open {
            self.off_s = Some(since_s);
        }
        if self.found.is_none()
            && let Some(facts) = new
        {
            self.found = Some((since_s, facts));
            self.alarm = moment.outputs.alarm == Alarm::Sounding;
        }
    }
}

/// Waits until charge is permitted and stays so.
struct Back<'s> {
    stop: &'s AtomicBool,
    /// When it begins to wait (s).
    from_s: i64,
    since_s: Option<i64>,
}

impl Watcher for Back<'_> {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        if moment.outputs.charge == Relay::Open || moment.at / 1000 < self.from_s {
            self.since_s = None;
        } else if moment.at / 1000 - *self.since_s.get_or_insert(moment.at / 1000) >= 60 {
            self.stop.store(true, Ordering::Relaxed);
        }
    }
}

//! One cell of the matrix: something breaks in one state, at one outside temperature, and is mended again.

use super::limits::Limits;
use super::matrix::Desk;
use super::states::Led;
use crate::bank::Flow;
use crate::breakdown::{Blind, Breakdown, Other};
use crate::offer::Offer;
use crate::rehearse::{Begin, Broken, Glimpse, Scenario, Still, Watcher, play_on};
use crate::season::Moment;
use forewarm_core::fault::{ChannelFault, Ending, Facts, Faults, SystemFault};
use forewarm_core::signals::{Alarm, Outputs, Relay, State};
use serde::Serialize;
use std::sync::atomic::{AtomicBool, Ordering};

/// When it breaks, after the start of the scene (s).
const BREAKS_S: i64 = 30;
/// For how long it stays broken (s).
const BROKEN_S: i64 = 8 * 3600;
/// From when on the sources are there that were not at first (s).
const FED_FROM_S: i64 = 3600;
/// For how long a scene goes on once a fault stands: with everything off, and with what that fault does not disable (s).
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
    /// By itself.
    ByItself,
    /// After the reset button was pressed.
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
    /// The most by which the charge current was above what the cells may take, by their true temperature (A).
    pub above_ceiling_a: f64,
    /// How charge comes back.
    pub recovery: Recovery,
    /// The fault that still waited for someone when everything had been mended for a quarter of an hour.
    pub waits: Option<&'static str>,
    /// Why it cannot be found, if so.
    pub blind: Option<Blind>,
}

/// Plays one.
pub(super) fn play(desk: &Desk<'_>, breakdown: Breakdown, led: &Led<'_>, outside_c: f64) -> Cell {
    let mut broken: Vec<Broken> =
        led.broken.map(|what| Broken { what, from_s: 0, until_s: None }).into_iter().collect();
    broken.push(Broken { what: breakdown, from_s: BREAKS_S, until_s: None });
    let fed_from_s = if led.fed { 0 } else { FED_FROM_S };
    let scenario = desk.scene(outside_c, None, Some(fed_from_s), broken);
    let stop = AtomicBool::new(false);
    let mut seen = Seen::new(&stop, desk.limits);
    let (outcome, still) = play_on(
        &Scenario { span_s: BROKEN_S, ..scenario },
        desk.plants,
        Begin::Still(&led.still),
        desk.pace,
        &mut seen,
        &stop,
    );
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
        cut_out: seen.plate_c >= desk.limits.thermal_cutout_c,
        above_ceiling_a: outcome.most_above_ceiling_a,
        recovery,
        waits,
        blind: blind.filter(|_| verdict == Verdict::Undetectable),
    }
}

/// Mends everything, on a mild day with all sources.
fn recover(desk: &Desk<'_>, still: &Still<'_>) -> (Recovery, Option<&'static str>) {
    let first_s = PRESSES_S[0];
    let stop = AtomicBool::new(false);
    let mut back = Back { stop: &stop, since_s: None };
    let calm = Scenario { span_s: first_s, ..desk.scene(MILD_C, None, Some(0), Vec::new()) };
    let (_, still) = play_on(&calm, desk.plants, Begin::Still(still), desk.pace, &mut back, &stop);
    if back.since_s.is_some() {
        return (Recovery::ByItself, None);
    }
    // A fault that nobody clears stands for as long as nobody comes. The others have had a quarter of an hour.
    let waits = standing(&still.outputs().faults).find(needs_someone).map(|facts| facts.name);
    let presses = if waits.is_some() { &PRESSES_S[..] } else { &[] };
    let press = |&at_s: &i64| Broken {
        what: Breakdown::Other(Other::ButtonStuck),
        from_s: at_s - first_s + 1,
        until_s: Some(at_s - first_s + 1 + HOLDS_S),
    };
    let later = desk.scene(MILD_C, None, Some(0), presses.iter().map(press).collect());
    let stop = AtomicBool::new(false);
    let mut back = Back { stop: &stop, since_s: None };
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

/// What is known of the faults that stand.
fn standing(faults: &Faults) -> impl Iterator<Item = Facts> {
    let channels: Vec<ChannelFault> = faults.channels.iter().flatten().copied().collect();
    let system: Vec<SystemFault> = faults.system.iter().collect();
    channels.into_iter().map(ChannelFault::facts).chain(system.into_iter().map(SystemFault::facts))
}

/// What was seen while it was broken.
struct Seen<'s> {
    stop: &'s AtomicBool,
    /// Faults that stood before.
    before: Option<Faults>,
    found: Option<(f64, Facts)>,
    alarm: bool,
    off_s: Option<f64>,
    limits: Limits,
    /// When a part first passed its limit (s).
    harmed_s: Option<f64>,
    charged_at_c: f64,
    cell_c: f64,
    plate_c: f64,
    pad_c: f64,
}

impl<'s> Seen<'s> {
    const fn new(stop: &'s AtomicBool, limits: Limits) -> Self {
        Self {
            stop,
            limits,
            harmed_s: None,
            before: None,
            found: None,
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
        let since_s = glimpse.at_s - BREAKS - found_s;
        if obeys && since_s >= if is_off { SAFE_S } else { SETTLED_S } {
            self.stop.store(true, Ordering::Relaxed);
        }
    }

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        #[expect(clippy::cast_precision_loss, reason = "seconds of a scene")]
        let since_s = moment.at as f64 / 1000.0 - BREAKS;
        if since_s < 0.0 {
            self.before = Some(moment.outputs.faults);
            return;
        }
        if self.off_s.is_none() && moment.outputs.heater == Relay::Open && moment.outputs.charge == Relay::Open {
            self.off_s = Some(since_s);
        }
        if self.found.is_none() {
            let before: Vec<&str> = self.before.iter().flat_map(standing).map(|facts| facts.name).collect();
            let new = standing(&moment.outputs.faults).find(|facts| !before.contains(&facts.name));
            if let Some(facts) = new {
                self.found = Some((since_s, facts));
                self.alarm = moment.outputs.alarm == Alarm::Sounding;
            }
        }
    }
}

/// Waits until charge is permitted and stays so.
struct Back<'s> {
    stop: &'s AtomicBool,
    since_s: Option<i64>,
}

impl Watcher for Back<'_> {
    const WATCHES: bool = true;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, _: f64, _: f64, _: &Outputs, _: &Offer, _: &Flow) {}

    fn stepped(&mut self, moment: &Moment<'_>) {
        if moment.outputs.charge == Relay::Open {
            self.since_s = None;
        } else if moment.at / 1000 - *self.since_s.get_or_insert(moment.at / 1000) >= 60 {
            self.stop.store(true, Ordering::Relaxed);
        }
    }
}

//! A slow turn of a variable resistor: what shows only in a controller that is at work.
//!
//! Where the heater comes on and goes off while charge is permitted, and where a permit ends, depends on what the controller did before.
//! A resistor that is exchanged would be a jump; one that is turned slowly is a cell that cools.

use super::card::{Bench, Expect, Part, Step};
use super::resistors::{Series, VARIABLE_OHM};
use super::rig::{Connected, Rig};
use super::socket::End;
use super::substitutes::Steps;
use crate::figures::{fixed, plain};
use crate::platinum::Platinum;
use crate::si;
use forewarm_core::settings::Role;
use forewarm_core::signals::{Cause, Inputs, Relay, Sample};

/// How far beyond stop and inhibit it is turned (K).
const BEYOND_K: f64 = 1.0;

/// It is turned at this part of the fastest change that is believed.
const PART_OF_FASTEST: f64 = 0.5;

/// How far the shown temperature may be from a threshold when somebody sees the output change: two seconds of turning come on top (K).
const SHOWN_WITHIN_K: f64 = 0.1;

/// A turn down and up again.
struct Turn {
    warm_c: f64,
    cold_c: f64,
    k_per_s: f64,
    /// When it begins (s).
    from_s: f64,
}

impl Turn {
    fn of(rig: &Rig) -> Self {
        let settings = &rig.settings;
        let per_minute = f64::from(settings.trust.fastest(Role::Cell).as_millikelvins_per_minute()) / 1000.0;
        Self {
            warm_c: warm_c(rig),
            cold_c: si::celsius(settings.charge.inhibit) - BEYOND_K,
            k_per_s: PART_OF_FASTEST * per_minute / 60.0,
            from_s: permitted_after_s(rig).into(),
        }
    }

    /// How long it takes one way (s).
    fn one_way_s(&self) -> f64 {
        (self.warm_c - self.cold_c) / self.k_per_s
    }

    /// The temperature that it stands for, so many seconds after the controller was switched on (°C).
    fn at_c(&self, second: f64) -> f64 {
        let turned_s = (second - self.from_s).clamp(0.0, 2.0 * self.one_way_s());
        let down_s = turned_s.min(2.0 * self.one_way_s() - turned_s);
        self.warm_c - down_s * self.k_per_s
    }
}

/// A temperature at which charge is permitted and nothing asks for heat (°C).
pub(super) fn warm_c(rig: &Rig) -> f64 {
    si::celsius(rig.settings.heater.stop) + BEYOND_K
}

/// When a controller that was switched on with warm cells certainly permits charge (s).
pub(super) fn permitted_after_s(rig: &Rig) -> u32 {
    let charge = &rig.settings.charge;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most some hours")]
    let soaked_s = (si::seconds(charge.soak) + si::seconds(charge.min_off)).ceil() as u32;
    soaked_s + 120
}

/// An output that changes on the way.
struct Change {
    way: &'static str,
    what: String,
    at_c: f64,
    /// What the outputs then are.
    heater: bool,
    charge: bool,
    /// Whether charge is refused, because the cells are cold.
    is_inhibit: bool,
}

/// What changes on a turn; or why charge is not permitted at its beginning.
fn changes(steps: &Steps, turn: &Turn, cells: &[usize], source_on: bool) -> Result<Vec<Change>, Cause> {
    let rig = steps.rig;
    let element = |channel: usize| Platinum::of(&rig.settings.channels[channel].element);
    let turned = |second: u32, inputs: &mut Inputs| {
        let at_c = turn.at_c(second.into());
        for &cell in cells {
            let measured = rig.sockets[cell].measures(element(cell).ohms(at_c), End::Stated, second.into());
            inputs.channels[cell] = Sample::Fresh(measured);
        }
    };
    let warm: Vec<(usize, f64)> = cells.iter().map(|&cell| (cell, element(cell).ohms(turn.warm_c))).collect();
    let connected: Connected = rig.connected(&warm, source_on);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hours")]
    let ends_s = (turn.from_s + 2.0 * turn.one_way_s()).ceil() as u32;
    let shown = rig.play(&connected, End::Stated, ends_s, &turned);
    let begun = shown.iter().rposition(|shown| f64::from(shown.from_s) <= turn.from_s).unwrap_or(0);
    let mut before = shown[begun].outputs;
    if before.charge == Relay::Open {
        return Err(before.cause);
    }
    let mut found = Vec::new();
    for now in &shown[begun + 1..] {
        let heat = match (before.heater, now.outputs.heater) {
            (Relay::Open, Relay::Closed) => Some("the heater comes on"),
            (Relay::Closed, Relay::Open) => Some("the heater goes off"),
            _ => None,
        };
        let charge = match (before.charge, now.outputs.charge) {
            (Relay::Open, Relay::Closed) => Some("charge is permitted"),
            (Relay::Closed, Relay::Open) => Some("charge is refused"),
            _ => None,
        };
        let what: Vec<&str> = charge.into_iter().chain(heat).collect();
        if !what.is_empty() {
            let at_c = turn.at_c(now.from_s.into());
            let way = if f64::from(now.from_s) <= turn.from_s + turn.one_way_s() { "down" } else { "up" };
            let inhibit_c = si::celsius(rig.settings.charge.inhibit);
            let is_inhibit = charge == Some("charge is refused") && (at_c - inhibit_c).abs() < 2.0 * SHOWN_WITHIN_K;
            let [heater, charge] = [now.outputs.heater, now.outputs.charge].map(|relay| relay == Relay::Closed);
            found.push(Change { way, what: what.join(" and "), at_c, heater, charge, is_inhibit });
        }
        before = now.outputs;
    }
    Ok(found)
}

/// The part of the card.
pub(super) fn part(steps: &Steps, bench: &Bench) -> Option<Part> {
    let rig = steps.rig;
    let cells: Vec<usize> =
        (0..steps.names.len()).filter(|&channel| rig.settings.channels[channel].role == Role::Cell).collect();
    let first = *cells.first()?;
    let turn = Turn::of(rig);
    let step = |change: &Change, sources: &str| {
        let within_k = SHOWN_WITHIN_K + 2.0 * turn.k_per_s;
        let expect = Expect::Turns {
            channel: steps.names[first].clone(),
            low_c: change.at_c - within_k,
            high_c: change.at_c + within_k,
            heater: change.heater,
            charge: change.charge,
        };
        Step::anyhow(format!("{sources}, turned {}, until {}", change.way, change.what), expect)
    };
    let mut lead = lead(steps, bench, &turn, &cells);
    let mut found = Vec::new();
    let with_source = steps.source.map(|name| (format!("{name} on"), changes(steps, &turn, &cells, true)));
    match &with_source {
        Some((sources, Ok(changes))) => found.extend(changes.iter().map(|change| step(change, sources))),
        Some((sources, Err(cause))) => {
            lead.push(format!(
                "With {sources} charge is not permitted there ({}): it is turned with every source off.",
                cause.name()
            ));
        }
        None => {}
    }
    let shows_inhibit =
        matches!(&with_source, Some((_, Ok(changes))) if changes.iter().any(|change| change.is_inhibit));
    if !shows_inhibit && let Ok(changes) = changes(steps, &turn, &cells, false) {
        found.extend(
            changes
                .iter()
                .filter(|change| change.is_inhibit || steps.source.is_none())
                .map(|change| step(change, "Every source off")),
        );
    }
    Some(Part { title: TITLE.to_owned(), lead, steps: found })
}

const TITLE: &str = "Hysteresis, by a variable resistor";

fn lead(steps: &Steps, bench: &Bench, turn: &Turn, cells: &[usize]) -> Vec<String> {
    let rig = steps.rig;
    let mut told: Vec<String> = Vec::new();
    for &cell in cells {
        let element = Platinum::of(&rig.settings.channels[cell].element);
        let [low_ohm, high_ohm] = [turn.cold_c, turn.warm_c].map(|t_c| element.ohms(t_c));
        let fixed_ohm = Series::E24.ohms().into_iter().rev().find(|ohm| ohm * (1.0 + bench.stock.tolerance) < low_ohm);
        let variable_ohm = fixed_ohm.and_then(|ohm| {
            VARIABLE_OHM.into_iter().find(|range| ohm * (1.0 - bench.stock.tolerance) + range * 0.9 > high_ohm)
        });
        let slope = element.slope(turn.cold_c);
        let parts = match (fixed_ohm, variable_ohm) {
            (Some(ohm), Some(range)) => {
                format!("{} Ω in series with a ten-turn variable resistor of {} Ω, or ", plain(ohm), plain(range))
            }
            _ => String::new(),
        };
        let text = format!(
            "from {} to {} Ω: {parts}a decade box in steps of {} Ω or less, no more than {} Ω a minute",
            fixed(high_ohm, 1),
            fixed(low_ohm, 1),
            plain(((si::kelvins(rig.settings.trust.noise) * slope) * 100.0).floor() / 100.0),
            fixed(turn.k_per_s * 60.0 * slope, 1)
        );
        if !told.contains(&text) {
            told.push(text);
        }
    }
    let each = if cells.len() > 1 {
        "At every cell channel, turned together within trust.disagreement_k of each other"
    } else {
        "At the cell channel"
    };
    vec![
        format!("{each}: {}.", told.join("; ")),
        format!(
            "Begin at {} and wait {} min, until charge is permitted. Write down what the controller shows in the moment in which an output \
             changes.",
            steps.at(cells, turn.warm_c),
            fixed(turn.from_s / 60.0, 0)
        ),
    ]
}

//! Steps with resistors in the place of thermometers: on either side of every mark, and what the controller then does.
//!
//! Each step begins with the controller switched off. Exchanged while it runs, a resistor would be a jump that no thermometer can
//! make, and be taken for a fault.

use super::card::{Begins, Expect, Part, Reading, Step};
use super::marks::{At, Mark};
use super::resistors::{Near, Parts, Stock, Window};
use super::rig::{HANDS_OFF, Rig, Shown, outputs_told, standing};
use super::socket::{End, Socket};
use crate::figures::{fixed, plain};
use crate::platinum::Platinum;
use crate::si;
use forewarm_core::fault::SystemFaults;
use forewarm_core::settings::Role;
use forewarm_core::signals::Relay;

/// How long to look at a step (s).
const LOOK_S: u32 = 180;

/// A pair is taken where the best single resistor is further from the mark than this (K).
const REACH_K: f64 = 0.5;

/// What stands in for a thermometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Substitute {
    pub(super) parts: Parts,
    /// The setting of a decade box that does the same (Ω).
    pub(super) box_ohm: Option<f64>,
    /// Between what the controller may read it (°C, or Ω for a check resistor).
    pub(super) reads: [f64; 2],
}

/// What stands just below and just above a mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sides {
    pub(super) mark: Mark,
    pub(super) below: Option<Substitute>,
    pub(super) above: Option<Substitute>,
}

/// The substitutes of a channel, for each of its marks.
pub(super) fn of_channel(rig: &Rig, channel: usize, stock: &Stock, box_step_ohm: f64) -> Vec<Sides> {
    let socket = &rig.sockets[channel];
    let settings = &rig.settings;
    let role = settings.channels[channel].role;
    let marks = Mark::of(role, settings);
    let around = |mark: &Mark| match mark.at {
        At::Reads(at) => socket.around_ohm(at),
        At::Measures(at) => socket.around_bound_ohm(crate::platinum::ohms(at)),
    };
    let edges: Vec<[f64; 2]> = marks.iter().map(around).collect();
    let reach_ohm = REACH_K * Platinum::of(&settings.channels[channel].element).slope(0.0);
    let find = |low_ohm: f64, high_ohm: f64, near: Near| {
        let window = Window { low_ohm, high_ohm, near };
        let parts = stock.substitute(&window, reach_ohm)?;
        let (least, most) = parts.band(stock.tolerance);
        let reads = if socket.is_check() {
            [socket.measures_ohm(least)[0], socket.measures_ohm(most)[1]]
        } else {
            [socket.reads_c(least)[0], socket.reads_c(most)[1]]
        };
        Some(Substitute { parts, box_ohm: stock.box_setting(&window, box_step_ohm), reads })
    };
    let sides = |(index, mark): (usize, &Mark)| {
        let before = index.checked_sub(1).map_or(0.0, |before| edges[before][1]);
        let after = edges.get(index + 1).map_or(f64::INFINITY, |next| next[0]);
        let [low, high] = edges[index];
        Sides { mark: *mark, below: find(before, low, Near::High), above: find(high, after, Near::Low) }
    };
    marks.iter().enumerate().map(sides).collect()
}

/// The steps, by role.
#[derive(Clone)]
pub(super) struct Steps<'r> {
    pub(super) rig: &'r Rig,
    pub(super) names: &'r [String],
    pub(super) source: Option<&'r str>,
    pub(super) tolerance: f64,
    /// For each channel.
    pub(super) sides: Vec<Vec<Sides>>,
}

impl Steps<'_> {
    /// Every step.
    pub(super) fn all(&self) -> Vec<Part> {
        let cells = "Resistors at every cell channel; thermometers of the air stay connected. The coldest cell decides on charge, the \
                     hottest on heat, so each channel is tried alone.";
        let plates = self.rig.plates_told(self.names);
        let plates = (!plates.is_empty()).then(|| {
            format!(
                "From here to the end of part “Faults”, where nothing else is said: {}. A plate as warm as the room, over cells that look cold, would be taken \
                 for that of a relay that has welded.",
                plates.join(", ")
            )
        });
        let of = |title: &str, lead: &str, is: fn(Role) -> bool| {
            let channels: Vec<usize> =
                (0..self.names.len()).filter(|&channel| is(self.rig.settings.channels[channel].role)).collect();
            let steps = self.of_role(&channels);
            let lead = std::iter::once(lead.to_owned()).chain(plates.clone().filter(|_| is(Role::Cell))).collect();
            (!steps.is_empty()).then(|| Part { title: title.to_owned(), lead, steps })
        };
        let one = "Resistors at every cell channel as for \u{201c}just below charge.release_c\u{201d} (or else charge.inhibit_c), so that heat \
                   is wanted; and at the channel that is tried.";
        let parts = [
            of("Cell thermometers", cells, |role| role == Role::Cell),
            of("Plate thermometers", one, |role| role == Role::Pad),
            of("Air thermometers", one, |role| role == Role::Ambient),
            of("Check resistor", one, |role| matches!(role, Role::Check(_))),
        ];
        parts.into_iter().flatten().collect()
    }

    fn of_role(&self, channels: &[usize]) -> Vec<Step> {
        let Some(&first) = channels.first() else { return Vec::new() };
        let mut steps = Vec::new();
        for index in 0..self.sides[first].len() {
            let mark = self.sides[first][index].mark;
            let role = self.rig.settings.channels[first].role;
            if role == Role::Cell {
                steps.extend(self.of_cells(channels, index, mark));
            } else {
                for &channel in channels {
                    for is_above in [false, true] {
                        steps.push(self.of_one(channel, index, is_above));
                    }
                }
            }
        }
        steps
    }

    /// All cells on the side on which nothing is wrong, and then one after the other on the other side.
    fn of_cells(&self, channels: &[usize], index: usize, mark: Mark) -> Vec<Step> {
        // Below the lower marks, and above the upper ones, something is wrong.
        let wrong_is_above =
            matches!(mark.key, "charge.high_release_c" | "heater.over_temperature_k" | "trust.plausible_high_c");
        let source_on = !matches!(mark.key, "charge.release_c" | "charge.high_release_c");
        let mut steps = vec![self.step(channels, index, None, wrong_is_above, source_on)];
        steps.extend(channels.iter().map(|&odd| self.step(channels, index, Some(odd), wrong_is_above, source_on)));
        steps
    }

    /// What is on the wanted side of a mark of that channel.
    fn side(&self, channel: usize, index: usize, is_above: bool) -> Option<&Substitute> {
        let sides = &self.sides[channel][index];
        if is_above { sides.above.as_ref() } else { sides.below.as_ref() }
    }

    fn step(&self, cells: &[usize], index: usize, odd: Option<usize>, wrong_is_above: bool, source_on: bool) -> Step {
        let side = |channel: usize| if Some(channel) == odd { wrong_is_above } else { !wrong_is_above };
        let mark = self.sides[cells[0]][index].mark;
        let word = |is_above| if is_above { "above" } else { "below" };
        let what = match odd {
            None if cells.len() == 1 => {
                format!("{} just {} {}", self.names[cells[0]], word(!wrong_is_above), mark.told())
            }
            None => format!("all cells just {} {}", word(!wrong_is_above), mark.told()),
            Some(odd) if cells.len() == 1 => {
                format!("{} just {} {}", self.names[odd], word(wrong_is_above), mark.told())
            }
            Some(odd) => format!(
                "{} just {} {}, the other cells just {}",
                self.names[odd],
                word(wrong_is_above),
                mark.told(),
                word(!wrong_is_above)
            ),
        };
        let chosen: Option<Vec<(usize, &Substitute)>> =
            cells.iter().map(|&cell| Some((cell, self.side(cell, index, side(cell))?))).collect();
        let source = match (source_on, self.source) {
            (true, Some(name)) => format!("; {name} on"),
            (false, Some(_)) => "; every source off".to_owned(),
            (_, None) => String::new(),
        };
        let Some(chosen) = chosen else { return self.impossible(what, cells) };
        let tried_alone = |(channel, _): &&(usize, &Substitute)| odd.is_none_or(|odd| odd == *channel);
        let connect = connected(&chosen.iter().filter(tried_alone).copied().collect::<Vec<_>>());
        let look_s = if mark.key == "charge.release_c" { self.soak_s() + 300 } else { self.look_s() };
        let tried = odd.unwrap_or(cells[0]);
        self.switched_on(format!("{what}: {}{source}", connect.join(", ")), tried, &chosen, (source_on, look_s))
    }

    fn of_one(&self, channel: usize, index: usize, is_above: bool) -> Step {
        let mark = self.sides[channel][index].mark;
        let word = if is_above { "above" } else { "below" };
        let what = format!("{} just {word} {}", self.names[channel], mark.told());
        let Some(chosen) = self.side(channel, index, is_above) else { return self.impossible(what, &[channel]) };
        let connect = connected(&[(channel, chosen)]);
        let Some(mut all) = self.cold_cells() else {
            return self.impossible(what, &[channel]);
        };
        all.push((channel, chosen));
        let source = self.source.map_or_else(String::new, |name| format!("; {name} on"));
        self.switched_on(format!("{what}: {}{source}", connect.join(", ")), channel, &all, (true, self.look_s()))
    }

    /// The line of each source alone, where there are several: whose energy is spent, and whose is not.
    pub(super) fn source_lines(&self, sources: &[String]) -> Option<Part> {
        let cold = self.cold_cells().filter(|_| sources.len() > 1)?;
        let first = cold.first()?.0;
        let connect = connected(&cold).join(", ");
        let step = |(source, name): (usize, &String)| {
            let rig = Rig { source: Some(source), ..self.rig.clone() };
            let alone = Steps { rig: &rig, ..self.clone() };
            alone.switched_on(format!("{name} alone on; all cells: {connect}"), first, &cold, (true, alone.look_s()))
        };
        let lead = "Cells that ask for heat, and the line of one source at a time. A source that may not pay for the heater must not start it.";
        let steps = sources.iter().enumerate().map(step).collect();
        Some(Part { title: "Source lines".to_owned(), lead: vec![lead.to_owned()], steps })
    }

    /// Cells that ask for heat: just below release, or with coarse resistors below inhibit. `None` if no resistor surely stands there.
    pub(super) fn cold_cells(&self) -> Option<Vec<(usize, &Substitute)>> {
        self.cells_at("charge.release_c", false).or_else(|| self.cells_at("charge.inhibit_c", false))
    }

    /// All cells on one side of a mark; `None` if one of them has no resistor there.
    fn cells_at(&self, key: &str, is_above: bool) -> Option<Vec<(usize, &Substitute)>> {
        let cells = (0..self.names.len()).filter(|&channel| self.rig.settings.channels[channel].role == Role::Cell);
        let of = |channel: usize| {
            let index = self.sides[channel].iter().position(|sides| sides.mark.key == key)?;
            Some((channel, self.side(channel, index, is_above)?))
        };
        cells.map(of).collect()
    }

    fn impossible(&self, what: String, channels: &[usize]) -> Step {
        let k = channels.iter().map(|&channel| self.width_k(channel)).fold(0.0, f64::max);
        let why = format!(
            "no resistor within ± {} % surely stands there: together with the converter it is ± {} K wide. Take closer ones, or measure \
             them and state how well",
            plain(self.tolerance * 100.0),
            fixed(k, 1)
        );
        Step::anyhow(what, Expect::Impossible(why))
    }

    /// Half of the width within which a channel may read a resistor of the stock near 10 °C (K).
    fn width_k(&self, channel: usize) -> f64 {
        let socket: &Socket = &self.rig.sockets[channel];
        let ohm = Platinum::of(&self.rig.settings.channels[channel].element).ohms(10.0);
        (socket.reads_c(ohm * (1.0 + self.tolerance))[1] - socket.reads_c(ohm * (1.0 - self.tolerance))[0]) / 2.0
    }

    /// How long to look where nothing shows before the source has settled (s).
    fn look_s(&self) -> u32 {
        LOOK_S.max(self.rig.settles_s() + 60)
    }

    fn soak_s(&self) -> u32 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 12 h")]
        let soak_s = si::seconds(self.rig.settings.charge.soak).ceil() as u32;
        soak_s
    }

    /// What the controller does with this, if it does the same wherever resistors and converter are within their tolerances.
    fn switched_on(
        &self,
        how: String,
        tried: usize,
        chosen: &[(usize, &Substitute)],
        (source_on, look_s): (bool, u32),
    ) -> Step {
        let connected = |part: f64| {
            let ohms: Vec<(usize, f64)> = chosen
                .iter()
                .map(|(channel, substitute)| (*channel, substitute.parts.ohm() * (1.0 + part * self.tolerance)))
                .collect();
            self.rig.connected(&ohms, source_on)
        };
        let at = |end: End, part: f64| self.rig.play(&connected(part), end, look_s, HANDS_OFF);
        let plays = [at(End::Cold, -1.0), at(End::Stated, 0.0), at(End::Warm, 1.0)];
        let reads =
            chosen.iter().find(|(channel, _)| *channel == tried).map(|(_, Substitute { reads: [low, high], .. })| {
                Reading {
                    channel: self.names[tried].clone(),
                    unit: if self.rig.sockets[tried].is_check() { "Ω" } else { "°C" },
                    low: *low,
                    high: *high,
                }
            });
        let expect = Expect::of(&plays, self.names, reads, look_s);
        Step { how, expect, begins: Begins::SwitchedOn(connected(0.0)) }
    }

    /// A temperature with the resistance of these channels' elements there: `13 °C (1050.7 Ω)`.
    pub(super) fn at(&self, channels: &[usize], t_c: f64) -> String {
        let mut ohms: Vec<String> = Vec::new();
        for &channel in channels {
            let ohm = fixed(Platinum::of(&self.rig.settings.channels[channel].element).ohms(t_c), 1) + " Ω";
            if !ohms.contains(&ohm) {
                ohms.push(ohm);
            }
        }
        format!("{} °C ({})", plain(t_c), ohms.join(" or "))
    }
}

/// What is connected, each once.
fn connected(chosen: &[(usize, &Substitute)]) -> Vec<String> {
    let mut told: Vec<String> = Vec::new();
    for (_, substitute) in chosen {
        let text = match substitute.box_ohm {
            Some(box_ohm) => format!("{} (box: {} Ω)", substitute.parts, plain(box_ohm)),
            None => substitute.parts.to_string(),
        };
        if !told.contains(&text) {
            told.push(text);
        }
    }
    told
}

impl Expect {
    /// The end that all of them come to, if they do.
    pub(super) fn of(plays: &[Vec<Shown>], names: &[String], reads: Option<Reading>, still_s: u32) -> Self {
        let ends: Vec<&Shown> = plays.iter().filter_map(|shown| shown.last()).collect();
        let Some(end) = ends.first() else { return Self::Impossible("nothing is shown".to_owned()) };
        let looks = |shown: &Shown| (shown.outputs.heater, shown.outputs.charge, standing(&shown.outputs, names));
        if ends.iter().any(|other| looks(other) != looks(end)) {
            return Self::Impossible(
                "the controller may do either, within the tolerances of resistors and converter".to_owned(),
            );
        }
        let within_s = ends.iter().map(|shown| shown.from_s).max().unwrap_or(0);
        let latched = end.outputs.faults.system.and(SystemFaults::LATCHED);
        let mut told = outputs_told(&end.outputs);
        if !latched.is_empty() {
            told += " that stays";
        }
        Self::Outputs {
            heater: end.outputs.heater == Relay::Closed,
            charge: end.outputs.charge == Relay::Closed,
            told,
            state: end.outputs.state.name(),
            cause: end.outputs.cause.name(),
            faults: standing(&end.outputs, names),
            latched: !latched.is_empty(),
            reads,
            still_s,
            // Half a minute more for a person with a watch.
            within_s: within_s.next_multiple_of(5) + 5,
        }
    }
}

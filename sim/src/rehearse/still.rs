//! For how long a channel shows the same, in its last digit too.
//!
//! The controller takes channels that do not move for stuck. So a leap needs to know how long none of them moves, at
//! most, before it is taken, and how long each has not moved when it is over.

use super::leap::index;
use super::probe::Probe;
use crate::plant::{Ahead, Mark, Run};
use forewarm_core::quantity::Millis;
use forewarm_core::rtd::Measured;
use forewarm_core::settings::MAX_CHANNELS;
use std::collections::VecDeque;

/// In so many steps, each is looked at for a change in the last digit; in more, stretches at a time.
const NEAR: u32 = 64;

/// The plant rounds less than this (K).
const ALIKE_K: f64 = 1e-6;

/// Where the last digit of some converter surely moves.
pub(super) struct Lively {
    /// The longest time without a change in any channel's last digit that no leap need look for, and as many steps.
    still: Millis,
    apart: u64,
    step: Millis,
    step_s: f64,
    /// The channel whose last digit moves most.
    channel: usize,
    /// Up to this step it is known where it moves: never so many steps apart, but from these on.
    known_to: u64,
    gaps: VecDeque<u64>,
}

impl Lively {
    pub(super) fn new(still_after: Option<Millis>, step_ms: u32, probes: &[Probe]) -> Self {
        let still = Millis::from_millis(still_after.unwrap_or(Millis::MAX).as_millis() / 2);
        let by_liveliness = |&a: &usize, &b: &usize| probes[a].liveliness().total_cmp(&probes[b].liveliness());
        Self {
            still,
            apart: u64::from((still.as_millis() / step_ms).max(1)),
            step: Millis::from_millis(step_ms),
            step_s: f64::from(step_ms) / 1000.0,
            // The first of those that move as much: mostly a cell, whose temperature changes slowly.
            channel: (0..probes.len()).rev().max_by(by_liveliness).unwrap_or(0),
            known_to: 0,
            gaps: VecDeque::new(),
        }
    }

    /// The longest time in the next steps in which no converter's last digit moves, at most.
    pub(super) fn stillest(&mut self, probes: &[Probe], ahead: &Ahead, at: u64, steps: u32) -> Millis {
        let span = Millis::from_millis(self.step.as_millis().saturating_mul(steps));
        let probe = &probes[self.channel];
        let moves_slowly = ahead.pace_k_per_s[self.channel] * self.step_s <= probe.slow_k();
        if span <= self.still || !moves_slowly {
            return span;
        }
        let end = at + u64::from(steps);
        while self.known_to < end {
            let next = self.known_to + self.apart;
            let moves = probe.surely_moves(self.known_to, next);
            if moves.is_none() {
                self.gaps.push_back(self.known_to);
            }
            self.known_to = moves.unwrap_or(next);
        }
        while self.gaps.front().is_some_and(|gap| gap + self.apart <= at) {
            self.gaps.pop_front();
        }
        if self.gaps.front().is_some_and(|&gap| gap < end) { span } else { self.still }
    }
}

/// The steps that a leap went over.
pub(super) struct Past<'a, 'p> {
    pub(super) plant: &'a Run<'p>,
    pub(super) start: &'a Mark,
    pub(super) at: u64,
    pub(super) probes: &'a [Probe],
    /// Temperatures of the elements at its end (°C), and the most that each moved in a step (K).
    pub(super) end_c: [f64; MAX_CHANNELS],
    pub(super) moved_k: [f64; MAX_CHANNELS],
    /// A mark to be moved.
    pub(super) there: &'a mut Mark,
    pub(super) scratch: &'a mut Vec<f64>,
}

impl Past<'_, '_> {
    /// For how many steps up to the last one a channel has shown the same; nothing if ever since the start.
    pub(super) fn still(&mut self, channel: usize, steps: u32) -> Option<u32> {
        let probe = &self.probes[channel];
        if probe.is_fixed() {
            let [low, high] = probe.extremes([0.0; 2], probe.noise_k());
            let shows = |step: u32| probe.measure(0.0, self.at + u64::from(step));
            let moved = (low != high).then(|| (1..=steps).rev().find(|&step| shows(step) != shows(step - 1)))?;
            return moved.map(|step| steps - step);
        }
        let near = steps.saturating_sub(NEAR);
        let moved = self.last_move_near(channel, near, steps).or_else(|| self.last_move(channel, 0, near));
        moved.map(|step| steps - step)
    }

    fn go_to(&mut self, step: u32) {
        self.there.clone_from(self.start);
        self.plant.move_on(self.there, index(step));
    }

    fn measured(&mut self, channel: usize, step: u32) -> Measured {
        self.go_to(step);
        self.probes[channel].measure(self.plant.sensors_at_c(self.there)[channel], self.at + u64::from(step))
    }

    /// The last step after `from` in which a channel shows something else than in the step before. `end` is the last of
    /// all. Over so short a time the temperature hardly ever matters.
    fn last_move_near(&mut self, channel: usize, from: u32, end: u32) -> Option<u32> {
        let probe = &self.probes[channel];
        let mut later = None;
        for step in (from..=end).rev() {
            let (at, away_k) = (self.at + u64::from(step), ALIKE_K + f64::from(end - step) * self.moved_k[channel]);
            let [low, high] = [-away_k, away_k].map(|away_k| probe.measure(self.end_c[channel] + away_k, at));
            let shows = if low == high { low } else { self.measured(channel, step) };
            if later.is_some_and(|later| later != shows) {
                return Some(step + 1);
            }
            later = Some(shows);
        }
        None
    }

    /// The last step after `from` and up to `to` in which a channel shows something else than in the step before.
    fn last_move(&mut self, channel: usize, from: u32, to: u32) -> Option<u32> {
        if to <= from {
            return None;
        }
        self.go_to(from);
        let ahead = self.plant.ahead_of(self.there, index(to - from), self.scratch);
        let probe = &self.probes[channel];
        let [low, high] = probe.extremes([ahead.low_c[channel], ahead.high_c[channel]], probe.noise_k());
        if low == high {
            return None;
        }
        if to - from == 1 {
            return (self.measured(channel, from) != self.measured(channel, to)).then_some(to);
        }
        let middle = from + (to - from) / 2;
        self.last_move(channel, middle, to).or_else(|| self.last_move(channel, from, middle))
    }
}

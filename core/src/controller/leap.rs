//! For how long the rules decide the same, and where their timers stand after it. See [`crate::leap`].

use super::{Charge, Controller, Heat};
use crate::fault::{SystemFault, SystemFaults};
use crate::leap::{Clear, Course, Quiet, Stretch, steps_before};
use crate::power::Unruled;
use crate::quantity::{Celsius, Instant, Kelvins, Millis};
use crate::sensing::Picture;
use crate::settings::{MAX_CHANNELS, Role};
use crate::signals::{Cause, Inputs, Outputs, Relay};

/// Faults that a step adds after its rules have been applied.
const ADDED_LAST: SystemFaults =
    SystemFaults::NONE.with(SystemFault::HeaterOverrun).with(SystemFault::CyclesSpent).with(SystemFault::ChargeOverdue);

impl Controller {
    /// For how many steps nothing is decided anew, after a step with these inputs and outputs.
    pub(crate) fn quiet(
        &self,
        step: Millis,
        inputs: &Inputs,
        outputs: &Outputs,
        courses: &[Course; MAX_CHANNELS],
        stillest: Millis,
    ) -> Quiet {
        let trust = self.sensing.trust();
        let is_steady = self.clock.is_good(step, trust)
            && self.button.is_up(inputs.button)
            && self.charge_line.has_settled(inputs.charge_line, trust.good_run);
        let Some(picture) = self.sensing.picture().filter(|_| is_steady) else { return Quiet::NOT };
        let faults = outputs.faults.system.without(ADDED_LAST);
        let charge_obstacle = self.charge_obstacle(&picture, faults);
        let heat_obstacle = self.heat_obstacle(&picture, faults, &self.offer);
        // The step that switches still gives the cause from before it, and a failure is reported in one step only.
        let is_repeated = self.describe(charge_obstacle, heat_obstacle) == (outputs.state, outputs.cause)
            && self.power.clone().judge(step, inputs, self.heater()) == self.offer;
        if !is_repeated {
            return Quiet::NOT;
        }
        let mut quiet = self.sensing.quiet(step, courses, stillest);
        let timers = [
            self.power.quiet(step, inputs, self.heater()),
            self.quiet_restarts(step),
            self.contacts.quiet(step, inputs, self.offer.load, self.excess(courses)),
            self.quiet_charge(step, charge_obstacle, &picture),
            self.full.quiet(step, self.full_fits()),
            self.quiet_heat(step, heat_obstacle, &picture),
            self.overdue.quiet(step, self.offer.source_present, self.charge_relay(), outputs.cause),
        ];
        quiet.steps = timers.iter().fold(quiet.steps, |least, &steps| least.min(steps));
        quiet
    }

    /// Whether no decision lies between these readings, or near them, as long as nothing else changes: the lowest and the
    /// highest of each channel that has any. The rules compare with more than this, but not in the present situation.
    pub(crate) fn keeps_clear(&self, ranges: &[Option<(Celsius, Celsius)>; MAX_CHANNELS]) -> bool {
        // Where the coldest cell may lie, and where the hottest may.
        let mut coldest = Clear::between(Celsius::MAX, Celsius::MAX);
        let mut hottest = Clear::between(Celsius::MIN, Celsius::MIN);
        for (role, range) in self.sensing.roles().zip(ranges) {
            let Some((low, high)) = *range else { continue };
            let mut clear = Clear::between(low, high);
            self.sensing.thresholds(role, self.settings.heater.cutout_hysteresis, &mut clear);
            if role == Role::Cell {
                (coldest, hottest) = (coldest.or_colder(low, high), hottest.or_hotter(low, high));
                // Any cell may be the one that a ceiling lets take the least, unless it only rises.
                if self.ceiling.falls() {
                    self.ceiling_thresholds(&mut clear);
                }
            }
            if !clear.is_clear() {
                return false;
            }
        }
        self.thresholds_of_coldest(&mut coldest);
        hottest.of(self.settings.charge.high_limit);
        if let Charge::Refused { .. } | Charge::Interrupted { .. } = self.charge {
            hottest.of(self.settings.charge.high_release);
        }
        coldest.is_clear() && hottest.is_clear()
    }

    /// Holds the range of the coldest cell against what the rules compare it with.
    fn thresholds_of_coldest(&self, coldest: &mut Clear) {
        let rule = &self.settings.charge;
        coldest.of(rule.inhibit);
        match self.charge {
            Charge::Refused { .. } | Charge::Interrupted { .. } | Charge::Soaking { .. } => coldest.of(rule.release),
            Charge::Permitted => {}
        }
        match self.heater() {
            Relay::Closed => coldest.of(self.settings.heater.stop),
            Relay::Open => {
                if let Some(from) = self.aim.heats_from(self.phase(), self.settings.levels()) {
                    coldest.of(from);
                }
            }
        }
        self.ceiling_thresholds(coldest);
    }

    fn ceiling_thresholds(&self, clear: &mut Clear) {
        let Unruled { reduced, full } = self.offer.unruled;
        self.ceiling.crossings(reduced, &mut |t| clear.of(t));
        self.ceiling.crossings(full, &mut |t| clear.of(t));
    }

    /// How far a pad may lie above a cell.
    fn excess(&self, courses: &[Course; MAX_CHANNELS]) -> Kelvins {
        let (mut pad, mut cell) = (Celsius::MIN, Celsius::MAX);
        for ((role, range), course) in self.sensing.roles().zip(self.sensing.ranges()).zip(courses) {
            let (low, high) = range.unwrap_or((Celsius::MIN, Celsius::MAX));
            match role {
                Role::Pad => pad = pad.max(course.high).max(high),
                Role::Cell => cell = cell.min(course.low).min(low),
                Role::Ambient | Role::Check(_) => {}
            }
        }
        let rounding = crate::rtd::ROUNDING;
        pad.raised(rounding).above(cell.lowered(rounding))
    }

    fn quiet_restarts(&self, step: Millis) -> u32 {
        if self.restarts == 0 { u32::MAX } else { steps_before(self.up, self.sensing.trust().restart_window, step) }
    }

    fn quiet_charge(&self, step: Millis, obstacle: Option<Cause>, picture: &Picture) -> u32 {
        let rule = &self.settings.charge;
        let (above_release, cool_again) = self.between_release_and_high(picture);
        match self.charge {
            Charge::Permitted if obstacle.is_none() => u32::MAX,
            Charge::Soaking { open, above } if obstacle.is_none() && (above_release || above >= rule.soak) => {
                steps_before(above, rule.soak, step).max(steps_before(open, rule.min_off, step))
            }
            Charge::Refused { .. } if obstacle.is_some() || !above_release || !cool_again => u32::MAX,
            Charge::Interrupted { .. } | Charge::Permitted | Charge::Soaking { .. } | Charge::Refused { .. } => 0,
        }
    }

    fn quiet_heat(&self, step: Millis, obstacle: Option<Cause>, picture: &Picture) -> u32 {
        let rule = &self.settings.heater;
        let asks_for_heat = self.coldest_cell().is_some_and(|coldest| self.asks_for_heat(coldest));
        let cycles = self.cycles.quiet(step, self.heater(), asks_for_heat);
        let heat = match self.heat {
            Heat::On { .. } if obstacle.is_some() => 0,
            Heat::On { ran, closed } => {
                let run = steps_before(ran, rule.max_run, step);
                if self.is_warm_enough(picture) { run.min(steps_before(closed, rule.min_on, step)) } else { run }
            }
            Heat::Off { open, ran } => {
                let forgets = if ran.is_zero() { u32::MAX } else { steps_before(open, rule.rest, step) };
                if obstacle.is_none() && asks_for_heat {
                    forgets.min(steps_before(open, rule.min_off, step))
                } else {
                    forgets
                }
            }
            Heat::Resting { open } => steps_before(open, rule.rest, step),
        };
        heat.min(cycles)
    }

    /// The controller after so many quiet steps, the last of them at `now`.
    pub(crate) fn pass(
        &mut self,
        now: Instant,
        stretch: Stretch,
        inputs: &Inputs,
        outputs: &Outputs,
        still: &[Option<u32>; MAX_CHANNELS],
    ) {
        let span = stretch.span();
        let heater = self.heater();
        self.clock.pass(now);
        self.sensing.pass(stretch, &inputs.channels, still);
        self.power.pass(stretch, inputs, heater);
        self.up = self.up.plus(span);
        self.contacts.pass(span, self.offer.load);
        match &mut self.charge {
            Charge::Refused { open } => *open = open.plus(span),
            Charge::Soaking { open, above } => (*open, *above) = (open.plus(span), above.plus(span)),
            Charge::Permitted | Charge::Interrupted { .. } => {}
        }
        self.full.judge(span, self.full_fits());
        self.cycles.pass(span);
        match &mut self.heat {
            Heat::On { ran, closed } => (*ran, *closed) = (ran.plus(span), closed.plus(span)),
            Heat::Off { open, .. } | Heat::Resting { open } => *open = open.plus(span),
        }
        self.overdue.pass(span, self.offer.source_present, self.charge_relay(), outputs.cause);
    }
}

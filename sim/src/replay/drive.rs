//! Steps the controller through a log at its own rate.
//!
//! Between two rows a reading lies on the straight line between them, in the unit of the log. If one of the rows shows
//! what cannot be, there is no line: no line leads to a broken lead. If the log pauses for too long, or a cell stays
//! empty, the channel has no sample, and the controller finds it missing. What is logged as on or off holds until the
//! log has it again.

use super::assignment::{Assignment, Flag, Number, Presence};
use super::fill::{broken, interpolate};
use super::record::{Logged, Recorder};
use super::rows::Row;
use super::scale::Scale;
use crate::diagnostic::Problem;
use crate::season::Moment;
use forewarm_core::quantity::{Fraction, Instant, Millivolts, Ratio};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Button, Inputs, Line, Sample, Sources};
use forewarm_core::{Memory, Unit};

/// How long a pause of the log is stepped through, in milliseconds. By then every channel is missing and both outputs
/// are off, whatever the settings. The rest of the pause can change nothing, and is skipped.
const STEPPED_PAUSE: i64 = 3_600_000;

/// Drives one controller.
pub(super) struct Driver<'a> {
    assignment: &'a Assignment,
    unit: Unit,
    inputs: Inputs,
    /// Time between steps, in milliseconds.
    step: u32,
    /// The controller's clock. It stands still while the log's pauses are skipped, and wraps.
    clock: u32,
    /// Time of the next step, since the first row.
    next: i64,
    last: Option<Row>,
    /// Sources present at the last row.
    sources: Sources,
    steps: u64,
}

/// One channel between two rows.
#[derive(Clone, Copy)]
enum Between {
    Nothing,
    /// One of the rows holds a value that cannot be.
    Broken(Ratio),
    Line(f64, f64),
}

impl<'a> Driver<'a> {
    pub(super) fn new(assignment: &'a Assignment, step: u32) -> Self {
        let mut inputs = Inputs::DEAD;
        let nominal = assignment.settings.heater.nominal;
        // The first row overwrites each input that has a column.
        inputs.supply = Some(nominal);
        inputs.bank = Some(nominal);
        inputs.charge_line = Line::Allowed;
        inputs.discharge_line = Line::Allowed;
        Self {
            assignment,
            unit: Unit::new(&assignment.settings, Memory::default()),
            inputs,
            step,
            clock: 0,
            next: 0,
            last: None,
            sources: Sources::NONE,
            steps: 0,
        }
    }

    /// Steps taken.
    pub(super) const fn steps(&self) -> u64 {
        self.steps
    }

    /// Time of the last row.
    pub(super) fn end(&self) -> i64 {
        self.last.map_or(0, |row| row.at)
    }

    /// The controller.
    pub(super) const fn unit(&self) -> &Unit {
        &self.unit
    }

    /// Takes every step up to and including the time of `row`, the next of the log.
    ///
    /// # Errors
    /// Fails if `recorder` cannot write.
    #[inline]
    pub(super) fn advance(&mut self, row: Row, recorder: &mut Recorder) -> Result<(), Box<Problem>> {
        let row = match self.last {
            Some(last) => {
                if self.next < row.at {
                    self.cross(&last, &row, recorder)?;
                }
                row.holding(&last)
            }
            None => row,
        };
        self.last = Some(row);
        self.sources = self.sources_at(&row);
        if self.next == row.at {
            self.set_flags(&row, self.sources);
            self.set_numbers(|number| row.numbers[number]);
            for (sample, channel) in self.inputs.channels.iter_mut().zip(&self.assignment.channels) {
                let value = row.numbers[channel.number];
                *sample = if value.is_nan() { Sample::None } else { fresh(&channel.scale, channel.scale.ratio(value)) };
            }
            self.take(self.logged(&row), recorder)?;
        }
        Ok(())
    }

    /// Takes the steps that lie between two rows.
    fn cross(&mut self, from: &Row, to: &Row, recorder: &mut Recorder) -> Result<(), Box<Problem>> {
        if to.after_pause {
            return self.cross_gap(from, to, recorder);
        }
        self.set_flags(from, self.sources);
        let logged = self.logged(from);
        let mut channels = [Between::Nothing; MAX_CHANNELS];
        for (between, channel) in channels.iter_mut().zip(&self.assignment.channels) {
            let (a, b) = (from.numbers[channel.number], to.numbers[channel.number]);
            *between = if a.is_nan() || b.is_nan() {
                Between::Nothing
            } else if let Some(broken) = broken(channel.scale.plausible(), a, b) {
                Between::Broken(channel.scale.ratio(broken))
            } else {
                Between::Line(a, b)
            };
        }
        while self.next < to.at {
            let at = self.next;
            let value = |a: f64, b: f64| interpolate((from.at, a), (to.at, b), at);
            self.set_numbers(|number| value(from.numbers[number], to.numbers[number]));
            for ((sample, channel), between) in
                self.inputs.channels.iter_mut().zip(&self.assignment.channels).zip(channels)
            {
                *sample = match between {
                    Between::Nothing => Sample::None,
                    Between::Broken(ratio) => fresh(&channel.scale, ratio),
                    Between::Line(a, b) => fresh(&channel.scale, channel.scale.ratio(value(a, b))),
                };
            }
            self.take(logged, recorder)?;
        }
        Ok(())
    }

    /// Steps into a pause of the log for as long as it can matter, and skips the rest.
    fn cross_gap(&mut self, from: &Row, to: &Row, recorder: &mut Recorder) -> Result<(), Box<Problem>> {
        self.set_flags(from, Sources::NONE);
        self.set_numbers(|_| f64::NAN);
        self.inputs.channels = [Sample::None; MAX_CHANNELS];
        while self.next < to.at {
            if self.next - from.at >= STEPPED_PAUSE {
                let step = i64::from(self.step);
                let resumed = self.next + (to.at - self.next + step - 1) / step * step;
                // The log may end before the next step would come.
                recorder.skip(self.next, resumed.min(to.at));
                self.next = resumed;
                break;
            }
            self.take(Logged::default(), recorder)?;
        }
        Ok(())
    }

    #[inline]
    fn take(&mut self, logged: Logged, recorder: &mut Recorder) -> Result<(), Box<Problem>> {
        let outputs = self.unit.step(Instant::from_millis(self.clock), &self.inputs);
        let moment = Moment { at: self.next, outputs: &outputs, unit: &self.unit, inputs: &self.inputs };
        recorder.step(&moment, logged)?;
        self.clock = self.clock.wrapping_add(self.step);
        self.next += i64::from(self.step);
        self.steps += 1;
        Ok(())
    }

    /// The measurements other than temperatures; NaN if there was none.
    #[inline]
    fn set_numbers(&mut self, value: impl Fn(Number) -> f64) {
        let millivolts = |volts: f64| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
            (!volts.is_nan()).then(|| Millivolts::from_millivolts((volts * 1000.0 + 0.5) as u32))
        };
        if let Some(supply) = self.assignment.supply {
            self.inputs.supply = millivolts(value(supply));
        }
        if let Some(bank) = self.assignment.bank {
            self.inputs.bank = millivolts(value(bank));
        }
        if let Some(charge) = self.assignment.state_of_charge {
            let percent = value(charge);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held at the ends by the cast")]
            let steps = (percent * 655.36 + 0.5) as u32;
            self.inputs.state_of_charge = (!percent.is_nan()).then_some(Fraction::from_steps(steps));
        }
    }

    #[inline]
    fn set_flags(&mut self, row: &Row, sources: Sources) {
        // A line with a column counts as refused until the log says otherwise: it is energised to allow.
        let line = |flag: Option<Flag>| match flag.map(|flag| row.flag(flag)) {
            None | Some(Some(true)) => Line::Allowed,
            Some(Some(false) | None) => Line::Refused,
        };
        self.inputs.charge_line = line(self.assignment.charge_line);
        self.inputs.discharge_line = line(self.assignment.discharge_line);
        let pressed = self.assignment.button.is_some_and(|flag| row.flag(flag) == Some(true));
        self.inputs.button = if pressed { Button::Pressed } else { Button::Released };
        self.inputs.sources = sources;
        if let Some((source, volts)) = self.assignment.feed {
            self.inputs.supply = Some(if sources.contains(source) { volts } else { Millivolts::ZERO });
        }
    }

    #[inline]
    fn sources_at(&self, row: &Row) -> Sources {
        let mut sources = Sources::NONE;
        for (index, presence) in self.assignment.sources.iter().enumerate() {
            let present = match *presence {
                Presence::Never => false,
                Presence::Always => true,
                Presence::Flag(flag) => row.flag(flag) == Some(true),
                Presence::AtLeast(number, _) if !row.has(number) => self.sources.contains(index),
                Presence::AtLeast(number, least) => row.numbers[number] >= least,
            };
            if present {
                sources = sources.with(index);
            }
        }
        sources
    }

    #[inline]
    fn logged(&self, row: &Row) -> Logged {
        Logged {
            heater: self.assignment.logged_heater.and_then(|flag| row.flag(flag)),
            charge: self.assignment.logged_charge.and_then(|flag| row.flag(flag)),
        }
    }
}

const fn fresh(scale: &Scale, ratio: Ratio) -> Sample {
    Sample::Fresh(scale.measured(ratio))
}

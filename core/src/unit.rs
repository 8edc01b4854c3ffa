//! A controller, its guard and their journal, as one thing to step: what firmware, rehearsal and replay all run.

use crate::controller::Controller;
pub use crate::controller::Memory;
use crate::guard::{Guard, Verdict};
use crate::journal::{Counters, Journal};
use crate::quantity::{Celsius, Fraction, Instant, Millis};
use crate::settings::{MAX_CHANNELS, ValidSettings};
use crate::signals::{Inputs, Outputs, Relay};

/// A controller with its guard.
///
/// ```
/// # fn run(settings: forewarm_core::settings::ValidSettings) {
/// use forewarm_core::quantity::Instant;
/// use forewarm_core::signals::{Inputs, Relay};
/// use forewarm_core::unit::{Memory, Unit};
///
/// let mut unit = Unit::new(settings, Memory::default());
/// let outputs = unit.step(Instant::from_millis(0), &Inputs::DEAD);
/// assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open));
/// # }
/// ```
#[derive(Clone, Debug)]
pub struct Unit {
    controller: Controller,
    guard: Guard,
    journal: Journal,
    max_step: Millis,
}

impl Unit {
    /// A unit that has just been reset: both outputs off until its start-up checks are done. `memory` is what was kept
    /// from before the reset.
    #[must_use]
    pub fn new(settings: ValidSettings, memory: Memory) -> Self {
        Self {
            guard: Guard::new(&settings, memory),
            max_step: settings.trust.max_step,
            controller: Controller::new(settings, memory),
            journal: Journal::default(),
        }
    }

    /// One step: the controller asks, the guard takes away what it must, the journal notes what is left.
    pub fn step(&mut self, now: Instant, inputs: &Inputs) -> Outputs {
        let mut outputs = self.controller.step(now, inputs);
        let Verdict { heater, charge } = self.guard.judge(now, inputs, &outputs);
        if (heater, charge) != (outputs.heater, outputs.charge) {
            self.overrule(heater, charge, &mut outputs);
        }
        self.journal.note(now, self.max_step, &outputs, || self.controller.shares());
        outputs
    }

    #[cold]
    fn overrule(&mut self, heater: Relay, charge: Relay, outputs: &mut Outputs) {
        let (state, cause) = self.controller.overruled(heater, charge);
        let ceiling = if charge == Relay::Closed { outputs.ceiling } else { Fraction::ZERO };
        *outputs = Outputs { heater, charge, ceiling, state, cause, ..*outputs };
        self.journal.count_overrule();
    }

    /// The latest good reading of each channel, in the order of the settings: the median of the last three
    /// measurements, offset included. Nothing for a channel that is doubtful or not yet trusted.
    #[must_use]
    pub fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        self.controller.readings()
    }

    /// The coldest cell as the charge loop sees it; nothing unless every cell channel is good.
    #[must_use]
    pub const fn coldest_cell(&self) -> Option<Celsius> {
        self.controller.coldest_cell()
    }

    /// Relay cycles, heater-on time, energy by source and refusals since the start.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        self.journal.counters()
    }

    /// The journal.
    #[must_use]
    pub const fn journal(&self) -> &Journal {
        &self.journal
    }

    /// What must survive a restart; to be stored whenever it changes.
    #[must_use]
    pub const fn memory(&self) -> Memory {
        self.controller.memory()
    }
}

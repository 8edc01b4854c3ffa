//! For how long sources, supply and bank say the same, and where their timers stand after it. See [`crate::leap`].

use super::{Level, Power, Watched, reserve_levels};
use crate::leap::{Stretch, steps_before, steps_left};
use crate::quantity::Millis;
use crate::signals::{Inputs, Relay};

impl Power {
    /// For how many steps the offer stays as it is, with these inputs and this position of the heater's relay.
    pub(crate) fn quiet(&self, step: Millis, inputs: &Inputs, heater: Relay) -> u32 {
        let present = inputs.sources.and(self.configured);
        if !inputs.unsteady.is_empty() || self.unsteady_run > 0 || present != self.present || present != self.charging {
            return 0;
        }
        if !self.has_settled(inputs, heater) {
            return 0;
        }
        let mut quiet = self.sags.quiet(step, heater);
        if self.flickers {
            quiet = quiet.min(steps_left(self.blinks, step));
        }
        if self.counts_sources() {
            quiet = self.sources.iter().fold(quiet, |quiet, watched| quiet.min(watched.quiet(step)));
        }
        let Some(giving) = &self.giving else { return quiet };
        quiet.min(giving.quiet(step, &self.look(step, inputs, heater)))
    }

    /// Whether every count of looks has come to its end.
    fn has_settled(&self, inputs: &Inputs, heater: Relay) -> bool {
        let (min, max) = self.supply;
        let is_good = inputs.supply.is_some_and(|supply| supply >= min && supply <= max);
        let supply = if is_good {
            self.supply_run >= self.good_run && !self.supply_fault
        } else {
            // A supply that breaks down under the heater makes it fail.
            self.supply_run == 0 && self.supply_fault && heater == Relay::Open
        };
        let discharge = self.discharge_line.has_settled(inputs.discharge_line, self.good_run);
        let bank = self.bank.reserve().is_none_or(|reserve| {
            let (at_floor, at_resume) = reserve_levels(reserve, inputs, heater);
            match (at_floor, at_resume) {
                (_, true) => self.bank_run >= self.good_run && self.bank_level == Level::Above,
                (true, false) => self.bank_run == 0 && self.bank_level == Level::Below,
                (false, false) => self.bank_run == 0,
            }
        });
        supply && discharge && bank
    }

    const fn counts_sources(&self) -> bool {
        !self.unsettled.is_zero() || self.is_blinking
    }

    /// Sources and bank after so many quiet steps.
    pub(crate) fn pass(&mut self, stretch: Stretch, inputs: &Inputs, heater: Relay) {
        let span = stretch.span();
        let look = self.look(span, inputs, heater);
        self.blinks = self.blinks.less(span);
        if self.counts_sources() {
            self.sources.iter_mut().for_each(|watched| watched.pass(stretch));
        }
        self.sags.pass(span, heater);
        if let Some(giving) = &mut self.giving {
            giving.pass(&look);
        }
    }
}

impl Watched {
    /// For how many steps it stays settled or unsettled, blinking or not.
    fn quiet(&self, step: Millis) -> u32 {
        match self.present_for {
            Some(_) if self.settled() => u32::MAX,
            Some(time) => {
                let looks = u32::from(self.looks).saturating_sub(1);
                looks.max(steps_before(time, self.source.settle, step))
            }
            None if self.blink.is_zero() => u32::MAX,
            None => steps_left(self.blink, step),
        }
    }

    fn pass(&mut self, stretch: Stretch) {
        match self.present_for {
            Some(time) => {
                self.present_for = Some(time.plus(stretch.span()));
                self.looks = self.looks.saturating_sub(u8::try_from(stretch.steps).unwrap_or(u8::MAX));
            }
            None => self.blink = self.blink.less(stretch.span()),
        }
    }
}

//! What is promised, a second time: from the acts alone, with times that stop where they make no difference.

use super::variants::Seen;
use crate::fault::{SystemFault, SystemFaults};
use crate::quantity::Milliamps;
use crate::settings::{BankUse, ChargeCurrent, MAX_CHANNELS, Reserve, Role, Settings};
use crate::signals::{Button, Inputs, Line, Outputs, Relay, Storage};

/// What was seen of the world since the reset, and what the relays did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct Oracle {
    /// What each channel showed last, in thousandths of a degree, if that was any good; and how long ago.
    shown: [Option<i32>; MAX_CHANNELS],
    age_ms: [u32; MAX_CHANNELS],
    first: bool,
    /// Since a cell was cold, or bad for long; without the time it was bad.
    sound_ms: u32,
    bad_ms: u32,
    heater: Relay,
    charge: Relay,
    /// Without a pause as long as the rest.
    on_ms: u32,
    off_ms: u32,
    /// How long each contact has differed from its command.
    heater_differs_ms: u32,
    charge_differs_ms: u32,
    /// Faults that keep the heater off until the button: a contact that stayed closed, and what had latched before a
    /// restart.
    held_off: SystemFaults,
    /// How long charge was waited for since it was last permitted.
    waited_ms: u32,
}

/// What may be on.
#[derive(Clone, Copy, Debug)]
pub(super) struct May {
    pub(super) charge: bool,
    pub(super) full: bool,
    pub(super) heat: bool,
    /// What must be latched by the end of the step.
    pub(super) latched: SystemFaults,
    /// What may be latched no more by then.
    pub(super) clearable: SystemFaults,
    /// The time that counts for this step.
    pub(super) credited_ms: u32,
}

impl Oracle {
    pub(super) const NEW: Self = Self {
        shown: [None; MAX_CHANNELS],
        age_ms: [0; MAX_CHANNELS],
        first: true,
        sound_ms: 0,
        bad_ms: 0,
        heater: Relay::Open,
        charge: Relay::Open,
        on_ms: 0,
        off_ms: 0,
        heater_differs_ms: 0,
        charge_differs_ms: 0,
        held_off: SystemFaults::NONE,
        waited_ms: 0,
    };

    /// After a reset: what the heater did is not forgotten, nor what had latched; of the soak three quarters at most are
    /// still good.
    pub(super) fn restarted(&self, settings: &Settings, latched: SystemFaults) -> Self {
        let sound_ms = self.sound_ms.min(settings.charge.soak.as_millis() / 4 * 3);
        let held_off = latched.and(SystemFaults::DISABLING_HEAT);
        Self { sound_ms, on_ms: self.on_ms, off_ms: self.off_ms, held_off, ..Self::NEW }
    }

    pub(super) const fn heater(&self) -> Relay {
        self.heater
    }

    pub(super) const fn charge(&self) -> Relay {
        self.charge
    }

    /// What may be on in a step.
    pub(super) fn judge(
        &mut self,
        settings: &Settings,
        elapsed_ms: u32,
        inputs: &Inputs,
        seen: &[Seen; MAX_CHANNELS],
    ) -> May {
        let trust = &settings.trust;
        let elapsed = if self.first { 0 } else { elapsed_ms };
        let max_step = trust.max_step.as_millis();
        let clock_is_good = self.first || (1..=max_step).contains(&elapsed);
        let credited = if clock_is_good { elapsed } else { 0 };
        self.first = false;
        let (mut cell_bad, mut pad_bad, mut cold, mut hot, mut cut_out) = (false, false, false, false, false);
        for (index, channel) in settings.channels.iter().enumerate() {
            let max_age = trust.max_age.as_millis();
            self.age_ms[index] = (self.age_ms[index] + elapsed).min(max_age + 1);
            match seen[index] {
                Seen::Nothing => {}
                Seen::Bad => (self.shown[index], self.age_ms[index]) = (None, 0),
                Seen::At(t) => (self.shown[index], self.age_ms[index]) = (Some(t), 0),
            }
            if self.age_ms[index] > max_age {
                self.shown[index] = None;
            }
            let shown = self.shown[index];
            match channel.role {
                Role::Cell => {
                    cell_bad |= shown.is_none();
                    cold |= shown.is_some_and(|t| t <= settings.charge.inhibit.as_millidegrees());
                    hot |= shown.is_some_and(|t| t >= settings.charge.high_limit.as_millidegrees());
                }
                Role::Pad => pad_bad |= shown.is_none(),
                Role::Ambient => {}
                Role::Check(_) => {
                    cell_bad |= shown.is_none();
                    continue;
                }
            }
            cut_out |= shown.is_some_and(|t| t >= settings.heater.cutout(channel.role).as_millidegrees());
        }

        let soak = settings.charge.soak.as_millis();
        let brief = 60_000 + max_step;
        self.bad_ms = if cell_bad { (self.bad_ms + elapsed).min(brief + 1) } else { 0 };
        if cold || !clock_is_good || self.bad_ms > brief {
            self.sound_ms = 0;
        } else if !cell_bad {
            self.sound_ms = (self.sound_ms + elapsed).min(soak);
        }

        let (max_run, rest) = (settings.heater.max_run.as_millis(), settings.heater.rest.as_millis());
        match self.heater {
            Relay::Closed => self.on_ms = (self.on_ms + credited).min(max_run),
            Relay::Open => self.off_ms = (self.off_ms + credited).min(rest),
        }
        if self.off_ms >= rest {
            self.on_ms = 0;
        }

        let within = trust.feedback.as_millis();
        let count = |ms: u32, command: Relay, contact: Option<Relay>| match contact {
            Some(contact) if contact != command => (ms + credited).min(within),
            _ => 0,
        };
        self.heater_differs_ms = count(self.heater_differs_ms, self.heater, inputs.heater_feedback);
        self.charge_differs_ms = count(self.charge_differs_ms, self.charge, inputs.charge_feedback);
        let mut latched = SystemFaults::NONE;
        if self.heater_differs_ms >= within {
            latched = latched.with(match self.heater {
                Relay::Open => SystemFault::HeaterWelded,
                Relay::Closed => SystemFault::HeaterNotClosing,
            });
        }
        if self.charge_differs_ms >= within && self.charge == Relay::Open {
            latched = latched.with(SystemFault::ChargeWelded);
        }

        let clearable = self.clearable(settings, inputs);
        let welded = SystemFaults::NONE.with(SystemFault::HeaterWelded);
        self.held_off = self.held_off.without(clearable).or(latched.and(welded));

        let reduced_ma = gives(settings, inputs, ChargeCurrent::reduced);
        let most_ma = gives(settings, inputs, ChargeCurrent::most);
        let cells = || settings.channels.iter().zip(self.shown).filter(|(channel, _)| channel.role == Role::Cell);
        let take = |ma: u32| ma == 0 || cells().all(|(_, shown)| shown.is_some_and(|t| ma <= takes_ma(settings, t)));
        let charge = !cell_bad
            && !cold
            && !hot
            && clock_is_good
            && self.sound_ms >= soak
            && inputs.charge_line == Line::Allowed
            && take(reduced_ma);
        May {
            charge,
            full: charge && take(most_ma),
            heat: !cell_bad
                && !pad_bad
                && !cut_out
                && clock_is_good
                && inputs.storage == Storage::Kept
                && self.on_ms < max_run
                && self.held_off.is_empty()
                && has_energy(settings, inputs),
            latched,
            clearable,
            credited_ms: credited,
        }
    }

    /// Takes note of what was on in the step just judged, and says whether charge must be called overdue.
    pub(super) fn note(&mut self, settings: &Settings, inputs: &Inputs, may: &May, outputs: &Outputs) -> bool {
        if outputs.heater == Relay::Closed {
            self.off_ms = 0;
        }
        if outputs.heater != self.heater {
            self.heater_differs_ms = 0;
        }
        if outputs.charge != self.charge {
            self.charge_differs_ms = 0;
        }
        let after = settings.charge.overdue_after.as_millis();
        let offered = inputs.sources.without(inputs.unsteady);
        self.waited_ms = match outputs.charge {
            Relay::Closed => 0,
            Relay::Open if offered.is_empty() => self.waited_ms,
            Relay::Open => (self.waited_ms + may.credited_ms).min(after),
        };
        (self.heater, self.charge) = (outputs.heater, outputs.charge);
        self.waited_ms >= after
    }

    /// What may be latched no more after this step: someone holds the button, and its cause is gone.
    fn clearable(&self, settings: &Settings, inputs: &Inputs) -> SystemFaults {
        if inputs.button != Button::Pressed {
            return SystemFaults::NONE;
        }
        let stays_closed = |contact, command| (contact, command) == (Some(Relay::Closed), Relay::Open);
        let is_hot = settings.channels.iter().zip(self.shown).any(|(channel, shown)| {
            let cutout = settings.heater.cutout(channel.role).as_millidegrees();
            !matches!(channel.role, Role::Check(_)) && shown.is_some_and(|t| t >= cutout)
        });
        let stands = |fault: &SystemFault| match fault {
            SystemFault::HeaterWelded => stays_closed(inputs.heater_feedback, self.heater),
            SystemFault::ChargeWelded => stays_closed(inputs.charge_feedback, self.charge),
            SystemFault::OverTemperature => is_hot,
            _ => false,
        };
        SystemFaults::LATCHED.iter().filter(|fault| !stands(fault)).fold(SystemFaults::NONE, SystemFaults::with)
    }

    /// As if nothing had been waited for.
    pub(super) fn forget_waiting(&mut self) {
        self.waited_ms = 0;
    }
}

/// What the present sources give that obey no ceiling.
fn gives(settings: &Settings, inputs: &Inputs, of: fn(ChargeCurrent) -> Option<Milliamps>) -> u32 {
    let present = inputs.sources.or(inputs.unsteady);
    let there = settings.sources.iter().enumerate().filter(|&(index, _)| present.contains(index));
    there.filter_map(|(_, source)| of(source.charge)).map(Milliamps::as_milliamps).sum()
}

/// What a cell may take at a temperature, by the two points that every variant has.
fn takes_ma(settings: &Settings, t: i32) -> u32 {
    let [from, to] = settings.charge.ceiling.as_slice() else { unimplemented!("every variant has two points") };
    let (low, high) = (f64::from(from.at.as_millidegrees()), f64::from(to.at.as_millidegrees()));
    let into = ((f64::from(t) - low) / (high - low)).clamp(0.0, 1.0);
    let (least, most) = (f64::from(from.limit.as_per_mille()), f64::from(to.limit.as_per_mille()));
    let per_mille = least + (most - least) * into;
    (per_mille / 1_000.0 * f64::from(settings.charge.capacity.as_milliamp_hours())) as u32
}

/// Whether the supply is good and a budget or the bank carries the heater. The supply is at its nominal voltage or bad.
fn has_energy(settings: &Settings, inputs: &Inputs) -> bool {
    let heater = &settings.heater;
    if !inputs.supply.is_some_and(|supply| (heater.supply_min..=heater.supply_max).contains(&supply)) {
        return false;
    }
    let offered = inputs.sources.without(inputs.unsteady);
    let present = settings.sources.iter().enumerate().filter(|&(index, _)| offered.contains(index));
    let budget_mw: u32 = present.map(|(_, source)| source.budget.as_milliwatts()).sum();
    let is_above = |reserve| match reserve {
        Reserve::StateOfCharge { floor, .. } => inputs.state_of_charge.is_some_and(|charge| charge > floor),
        Reserve::Voltage { .. } => unimplemented!("no variant has it"),
    };
    let bank = match settings.bank {
        BankUse::Never => false,
        BankUse::WithSource(reserve) => budget_mw > 0 && is_above(reserve),
        BankUse::Always(reserve) => is_above(reserve),
    };
    budget_mw >= heater.power.as_milliwatts() || (bank && inputs.discharge_line == Line::Allowed)
}

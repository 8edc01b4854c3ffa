//! Sequences of inputs, judged step by step by the plain model of the promises, as `core/src/invariants.rs` judges
//! generated histories. The numbers are those of `core/docs/promises.md`.

use crate::bytes::Bytes;
use crate::drawn::drawn;
use crate::world::{Seen, World};
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::quantity::{Fraction, Instant, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::{MAX_SOURCES, Role, Settings, ValidSettings};
use forewarm_core::signals::{Alarm, Button, Cause, Outputs, Relay, Sample};
use forewarm_core::testing::{GuardAlone, May, Model, c, exact, exact_celsius, sample};
use forewarm_core::{Memory, Unit};

/// Bits of the first byte: what else is judged.
const GUARD: u8 = 1;
const TWIN: u8 = 2;
const COLDER: u8 = 4;
const WILD: u8 = 8;

/// Whatever happens to whatever installation, each promise of the core holds in each step.
///
/// # Panics
/// If one does not.
pub fn steps(data: &[u8]) {
    let mut bytes = Bytes(data);
    let mode = bytes.byte();
    let settings = drawn(&mut bytes, mode & WILD != 0);
    let Ok(valid) = settings.clone().validate() else {
        assert!(mode & WILD != 0, "the generator makes valid settings");
        return;
    };
    let mut world = World::new(&settings, &mut bytes);
    let mut judge = Judge::new(&settings, &valid, mode);
    while !bytes.is_empty() && !world.is_over() {
        world.happen(&mut bytes, &mut |seen| judge.look(seen));
    }
}

/// What is known of the steps so far.
struct Judge<'a> {
    settings: &'a Settings,
    valid: &'a ValidSettings,
    mode: u8,
    unit: Unit,
    model: Model<'a>,
    guard: Option<(GuardAlone, Model<'a>)>,
    twin: Option<Unit>,
    /// Steps since the reset.
    readings: u32,
    latched: SystemFaults,
    before: Option<Instant>,
    /// How long a source has been there without charge.
    waited_ms: u64,
}

impl<'a> Judge<'a> {
    fn new(settings: &'a Settings, valid: &'a ValidSettings, mode: u8) -> Self {
        let model = Model::new(settings);
        let guard = GuardAlone::new(valid, Memory::default());
        Self {
            settings,
            valid,
            mode,
            unit: Unit::new(valid, Memory::default()),
            guard: (mode & GUARD != 0).then(|| (guard, model.clone())),
            model,
            twin: (mode & TWIN != 0).then(|| Unit::new(valid, Memory::default())),
            readings: 0,
            latched: SystemFaults::NONE,
            before: None,
            waited_ms: 0,
        }
    }

    fn look(&mut self, seen: &Seen) {
        if seen.restart {
            self.unit = Unit::new(self.valid, self.unit.memory());
            self.model = self.model.restarted();
            self.twin = self.twin.take().map(|twin| Unit::new(self.valid, twin.memory()));
            self.guard = self
                .guard
                .take()
                .map(|(guard, model)| (GuardAlone::new(self.valid, guard.memory()), model.restarted()));
        }
        let before = (self.mode & COLDER != 0 && !seen.restart).then(|| self.unit.clone());
        let may = self.model.judge(seen.now, &seen.inputs);
        let outputs = self.unit.step(seen.now, &seen.inputs);
        self.agrees_with_itself(&outputs);
        self.resets_safely(seen, &outputs);
        if self.mode & WILD == 0 {
            self.charges_safely(seen, &outputs, &may);
            self.heats_safely(&outputs, &may);
            self.is_never_quiet(seen, &outputs);
        }
        self.model.note(outputs.heater);
        let closings = self.model.closings_in_a_day();
        let most = usize::from(self.settings.heater.max_cycles_per_day);
        assert!(closings <= most, "{closings} closings in a day, {most} allowed");
        self.sees_only_spans(seen, &outputs);
        if self.mode & WILD == 0 {
            self.guards_alone(seen);
            if let Some(before) = before {
                self.stays_off_where_colder(seen, &outputs, before);
            }
        }
    }

    /// Promise 6: outputs do not contradict each other, and overflow checks are on.
    fn agrees_with_itself(&self, outputs: &Outputs) {
        assert_eq!((outputs.heater, outputs.charge), outputs.state.relays(), "{outputs:?}");
        let alarms = outputs.cause == Cause::GuardOverruled
            || outputs.faults.channels.iter().any(Option::is_some)
            || !outputs.faults.system.and(SystemFaults::ALARMING).is_empty();
        assert_eq!(outputs.alarm == Alarm::Sounding, alarms, "{outputs:?}");
        let stands = match outputs.cause {
            Cause::Channel(fault) => outputs.faults.channels.contains(&Some(fault)),
            Cause::System(fault) => outputs.faults.system.contains(fault),
            _ => true,
        };
        assert!(stands, "{outputs:?}");
        if self.mode & WILD == 0 {
            assert!(outputs.cause != Cause::GuardOverruled, "the guard had to take something: {outputs:?}");
            assert_eq!(self.unit.counters().overrules, 0);
        }
    }

    /// Promise 7.
    fn resets_safely(&mut self, seen: &Seen, outputs: &Outputs) {
        self.readings = if seen.restart { 1 } else { self.readings + 1 };
        if self.readings < u32::from(self.settings.trust.good_run) {
            assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open), "on before its start-up is done");
        }
        let latched = self.unit.memory().latched;
        if seen.inputs.button == Button::Released {
            assert_eq!(latched.and(self.latched), self.latched, "a latched fault was lost");
        }
        // One that the air explains does not latch.
        let by_air = SystemFaults::NONE.with(SystemFault::OverTemperature);
        let shown = outputs.faults.system.and(SystemFaults::LATCHED).without(by_air);
        assert_eq!(latched.and(shown), shown, "a fault that latches is not kept: {outputs:?}");
        self.latched = latched;
    }

    /// Promises 1, 2, 4 and 12.
    fn charges_safely(&self, seen: &Seen, outputs: &Outputs, may: &May) {
        let settings = self.settings;
        assert!(outputs.charge == Relay::Open || may.charge, "charge: {outputs:?}");
        let cell_fault = settings
            .channels
            .iter()
            .zip(outputs.faults.channels)
            .any(|(channel, fault)| channel.role == Role::Cell && fault.is_some());
        assert!(outputs.charge == Relay::Open || !cell_fault, "charge with a doubtful cell: {outputs:?}");
        assert!(outputs.charge == Relay::Closed || outputs.ceiling == Fraction::ZERO, "ceiling: {outputs:?}");
        assert!(outputs.charge == Relay::Closed || outputs.full == Relay::Open, "full charge alone: {outputs:?}");
        assert!(outputs.charge == Relay::Open || may.ceiling_off_by_k <= 1e-4, "ceiling: {outputs:?}");
        assert!(outputs.full == Relay::Open || may.full_off_by_k <= 1e-4, "ceiling, full: {outputs:?}");
        let has_steps = settings.sources.iter().any(|source| source.charge.has_steps());
        assert!(has_steps || outputs.full == outputs.charge, "{outputs:?}");
        if outputs.charge == Relay::Closed && outputs.ceiling != Fraction::ZERO {
            let told = f64::from(outputs.ceiling.as_steps()) / 65_536.0;
            let allowed = f64::from(self.unit.allowed().as_steps()) / 65_536.0;
            let others = match outputs.full {
                Relay::Closed => Model::unruled_ma(settings, &seen.inputs),
                Relay::Open => Model::reduced_ma(settings, &seen.inputs),
            };
            let others = others / f64::from(settings.charge.capacity.as_milliamp_hours());
            assert!(told + others <= allowed + 2.0 / 65_536.0, "ceiling: {told} and {others} of {allowed}");
        }
    }

    /// Promises 3, 4 and 10.
    fn heats_safely(&self, outputs: &Outputs, may: &May) {
        if outputs.heater == Relay::Open {
            return;
        }
        assert!(may.heat && !may.overheated, "heater: {may:?} {outputs:?}");
        let needed_fault = self
            .settings
            .channels
            .iter()
            .zip(outputs.faults.channels)
            .any(|(channel, fault)| channel.role != Role::Ambient && fault.is_some());
        assert!(!needed_fault, "heater with a doubtful channel: {outputs:?}");
        assert!(outputs.faults.system.and(SystemFaults::DISABLING_HEAT).is_empty(), "heater: {outputs:?}");
        assert!(may.heat_of_sources, "bank: {outputs:?}");
    }

    /// Promise 11.
    fn is_never_quiet(&mut self, seen: &Seen, outputs: &Outputs) {
        let after = u64::from(self.settings.charge.overdue_after.as_millis());
        let before = self.before.replace(seen.now).filter(|_| !seen.restart);
        let elapsed = before.map_or(0, |before| u64::from(seen.now.since(before).as_millis()));
        let is_offered = (0..self.settings.sources.len())
            .any(|index| seen.inputs.sources.contains(index) && !seen.inputs.unsteady.contains(index));
        match outputs.charge {
            Relay::Closed => self.waited_ms = 0,
            Relay::Open if is_offered && elapsed <= u64::from(self.settings.trust.max_step.as_millis()) => {
                self.waited_ms += elapsed;
            }
            Relay::Open => {}
        }
        let is_said = outputs.faults.system.contains(SystemFault::ChargeOverdue);
        assert!(self.waited_ms < after || is_said, "overdue: {} ms of {after}: {outputs:?}", self.waited_ms);
        assert_eq!(outputs.overdue.is_some(), is_said);
    }

    /// Promise 9: a unit with another clock, and with other things on what is not wired up, decides the same.
    fn sees_only_spans(&mut self, seen: &Seen, outputs: &Outputs) {
        let Some(twin) = &mut self.twin else { return };
        let mut inputs = seen.inputs;
        let stray = Measured::element(Ratio::from_steps(seen.now.as_millis().wrapping_mul(2_654_435_761)));
        inputs.channels[self.settings.channels.len()..].fill(Sample::Fresh(stray));
        for index in self.settings.sources.len()..MAX_SOURCES {
            inputs.sources = inputs.sources.with(index);
            inputs.unsteady = inputs.unsteady.with(index);
        }
        let now = Instant::from_millis(seen.now.as_millis().wrapping_add(0xC000_0123));
        assert_eq!(twin.step(now, &inputs), *outputs, "another clock, another decision");
        assert_eq!(twin.memory(), self.unit.memory());
    }

    /// Promise 8.
    fn guards_alone(&mut self, seen: &Seen) {
        let Some((guard, model)) = &mut self.guard else { return };
        let may = model.judge(seen.now, &seen.inputs);
        let [heater, charge, full] = guard.leaves(seen.now, &seen.inputs);
        assert!(charge == Relay::Open || may.charge, "guard, charge: {may:?}");
        // The guard draws its own straight lines between the points of the ceiling.
        assert!(charge == Relay::Open || may.ceiling_off_by_k <= 0.1, "guard, ceiling: {may:?}");
        assert!(full == Relay::Open || (charge == Relay::Closed && may.full_off_by_k <= 0.1), "guard, full: {may:?}");
        assert!(heater == Relay::Open || may.heat, "guard, heater: {may:?}");
        model.note(heater);
        // One more than the controller may.
        assert!(model.closings_in_a_day() <= usize::from(self.settings.heater.max_cycles_per_day) + 1);
    }

    /// Promise 5: the same step with a colder cell turns nothing on. Colder than too hot may well be good, as may colder than where
    /// the ceiling falls; and what is doubted may be doubted for having risen too fast.
    fn stays_off_where_colder(&self, seen: &Seen, outputs: &Outputs, mut before: Unit) {
        if outputs.charge == Relay::Closed {
            return;
        }
        let settings = self.settings;
        for (index, channel) in settings.channels.iter().enumerate() {
            let Sample::Fresh(measured) = seen.inputs.channels[index] else { continue };
            let Some(t) = exact_celsius(channel, measured).filter(|_| channel.role == Role::Cell) else { continue };
            let falls = settings
                .charge
                .ceiling
                .windows(2)
                .any(|two| two[0].limit > two[1].limit && exact(two[0].at) < t + 0.001);
            if t >= exact(settings.charge.high_release) - 0.001 || falls || outputs.faults.channels[index].is_some() {
                continue;
            }
            let by = 1 + (seen.now.as_millis().wrapping_mul(2_654_435_761) >> 17).cast_signed();
            let mut inputs = seen.inputs;
            #[expect(clippy::cast_possible_truncation, reason = "within what a thermometer measures")]
            let t = (t * 1000.0) as i32 - by;
            inputs.channels[index] = sample(channel, c(t.max(-55_000)));
            let colder = before.step(seen.now, &inputs);
            assert!(colder.charge == Relay::Open, "a colder cell: {colder:?} for {outputs:?}");
            return;
        }
    }
}

//! A controller, its guard and their journal, as one thing to step: what firmware, rehearsal and replay all run.

use crate::controller::Controller;
#[cfg(test)]
use crate::every_state::{Held, Horizons};
#[cfg(feature = "layers")]
use crate::fault::Faults;
use crate::guard::{Guard, Verdict};
use crate::journal::{Counters, Journal};
#[cfg(feature = "leap")]
use crate::leap::{Course, Quiet, Stretch};
use crate::memory::Memory;
use crate::quantity::{Celsius, Fraction, Instant, Millis};
use crate::settings::{MAX_CHANNELS, ValidSettings};
use crate::signals::{Alarm, Cause, Inputs, Outputs, Relay};

/// A controller with its guard. The [crate]'s page shows it from converter codes to a decision.
///
/// After a reset each output is off until the channels that it depends on have given their run of good readings. The
/// caller keeps what must survive the reset:
///
/// ```
/// # use forewarm_core::quantity::{Celsius, Fraction, MilliampHours, Millivolts, Milliwatts, Ohms};
/// # use forewarm_core::rtd::{Element, Leads};
/// # use forewarm_core::settings::{CeilingPoint, Channel, Essentials, Role, Settings};
/// # let settings = Settings::from(Essentials {
/// #     channels: [Channel::new(Role::Cell, Element::pt100(), Ohms::from_milliohms(400_000), Leads::FourWire)],
/// #     capacity: MilliampHours::from_milliamp_hours(100_000),
/// #     batteries: 1,
/// #     ceiling: [CeilingPoint { at: Celsius::from_millidegrees(5_000), limit: Fraction::from_per_mille(100) }],
/// #     heater_power: Milliwatts::from_milliwatts(60_000),
/// #     heater_nominal: Millivolts::from_millivolts(12_800),
/// #     supply_min: Millivolts::from_millivolts(11_000),
/// #     supply_max: Millivolts::from_millivolts(15_000),
/// #     sources: [],
/// # }).validate()?;
/// use forewarm_core::fault::{SystemFault, SystemFaults};
/// use forewarm_core::quantity::Instant;
/// use forewarm_core::signals::Relay;
/// use forewarm_core::{Inputs, Memory, Unit};
///
/// let stored = Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterWelded), ..Memory::default() };
/// let mut unit = Unit::new(&settings, stored);
/// let outputs = unit.step(Instant::from_millis(0), &Inputs::DEAD);
/// assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open));
/// // To be stored again, as it has changed: one restart more, and what had latched is latched still.
/// assert_eq!(unit.memory(), Memory { restarts: 1, ..stored });
/// # Ok::<(), forewarm_core::settings::SettingsError>(())
/// ```
#[derive(Clone, Debug)]
pub struct Unit {
    controller: Controller,
    guard: Guard,
    journal: Journal,
    max_step: Millis,
}

/// Which of its judges a unit goes by.
#[cfg(feature = "layers")]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Layer {
    /// Controller and guard, as always.
    #[default]
    Both,
    /// Nobody checks what the controller asks for.
    ControllerAlone,
    /// The guard, of a controller that always asks for everything and reports no fault.
    GuardAlone,
}

impl Unit {
    /// A unit that has just been reset: both outputs off until its start-up checks are done. `memory` is what was kept
    /// from before the reset.
    #[must_use]
    pub fn new(settings: &ValidSettings, memory: Memory) -> Self {
        Self {
            guard: Guard::new(settings, memory),
            max_step: settings.trust.max_step,
            controller: Controller::new(settings, memory),
            journal: Journal::default(),
        }
    }

    /// One step: the controller asks, the guard takes away what it must, the journal notes what is left.
    pub fn step(&mut self, now: Instant, inputs: &Inputs) -> Outputs {
        let mut outputs = self.controller.step(now, inputs);
        let verdict = self.guard.judge(now, inputs, &outputs);
        if verdict != (Verdict { heater: outputs.heater, charge: outputs.charge, full: outputs.full }) {
            self.overrule(verdict, &mut outputs);
        }
        self.journal.note(now, self.max_step, &outputs, || self.controller.shares());
        outputs
    }

    /// The same step with one of the two judges left out, to see what each is worth. No installation runs like this.
    #[cfg(feature = "layers")]
    pub fn step_by(&mut self, layer: Layer, now: Instant, inputs: &Inputs) -> Outputs {
        match layer {
            Layer::Both => self.step(now, inputs),
            Layer::ControllerAlone => self.controller.step(now, inputs),
            Layer::GuardAlone => {
                // The controller still runs beside it, so that readings can be shown.
                let shown = Outputs { alarm: Alarm::Quiet, faults: Faults::NONE, ..self.controller.step(now, inputs) };
                let greedy = Outputs { heater: Relay::Closed, charge: Relay::Closed, full: Relay::Closed, ..shown };
                let Verdict { heater, charge, full } = self.guard.judge(now, inputs, &greedy);
                let ceiling = if charge == Relay::Closed { Fraction::ONE } else { Fraction::ZERO };
                Outputs { heater, charge, full, ceiling, ..shown }
            }
        }
    }

    #[cold]
    fn overrule(&mut self, verdict: Verdict, outputs: &mut Outputs) {
        let Verdict { heater, charge, full } = verdict;
        let (state, cause) = self.controller.overruled(heater, charge, full);
        let ceiling = if charge == Relay::Closed { outputs.ceiling } else { Fraction::ZERO };
        // The two ways of computing differ, so someone must look.
        *outputs = Outputs { heater, charge, full, ceiling, alarm: Alarm::Sounding, state, cause, ..*outputs };
        self.journal.count_overrule();
    }

    /// The same without what can no longer decide anything: see [`crate::every_state`].
    #[cfg(test)]
    pub(crate) fn canonical(&mut self, horizons: Horizons) {
        self.controller.canonical(horizons);
        self.guard.canonical(horizons);
        // No decision reads it.
        self.journal = Journal::default();
    }

    /// Holds still what a [variant](crate::every_state) leaves out.
    #[cfg(test)]
    pub(crate) fn hold(&mut self, held: Held) {
        self.controller.hold(held);
        self.guard.hold(held);
    }

    /// Everything that it is made of, but for the journal.
    #[cfg(test)]
    pub(crate) fn hash(&self, hasher: &mut impl core::hash::Hasher) {
        use core::hash::Hash;
        self.controller.hash(hasher);
        self.guard.hash(hasher);
    }

    /// What the guard would leave on of `asked` in this step.
    #[cfg(test)]
    pub(crate) fn guarded(&self, now: Instant, inputs: &Inputs, asked: &Outputs) -> Verdict {
        self.guard.clone().judge(now, inputs, asked)
    }

    /// Whether nothing is decided by readings in these ranges, after the last step.
    #[cfg(feature = "leap")]
    pub(crate) fn keeps_clear(&self, ranges: &[Option<(Celsius, Celsius)>; MAX_CHANNELS]) -> bool {
        self.controller.keeps_clear(ranges)
    }

    /// For how many steps of this length nothing changes, after a step with these inputs and outputs, if each channel
    /// keeps to its course. No time in it without a change in the last digit of any channel is longer than `stillest`.
    /// See [`crate::leap`].
    #[cfg(feature = "leap")]
    #[must_use]
    pub fn quiet(
        &self,
        step: Millis,
        (inputs, outputs): (&Inputs, &Outputs),
        courses: &[Course; MAX_CHANNELS],
        stillest: Millis,
    ) -> Quiet {
        let mut ranges = self.controller.ranges();
        for ((low, high), course) in
            ranges.iter_mut().zip(courses).filter_map(|(range, course)| Some((range.as_mut()?, course)))
        {
            (*low, *high) = ((*low).min(course.low), (*high).max(course.high));
        }
        if outputs.cause == Cause::GuardOverruled || !self.keeps_clear(&ranges) {
            return Quiet::NOT;
        }
        let quiet = self.controller.quiet(step, inputs, outputs, courses, stillest);
        Quiet { steps: quiet.steps.min(self.guard.quiet(step, inputs, stillest)), ..quiet }
    }

    /// Takes the unit over so many quiet steps, the last of them at `now` with these inputs. `still` says for how many
    /// steps, up to that one, each channel has read the same to the last digit, whatever the converter put out; nothing
    /// if it has read the same ever since the step before the first of them. See [`crate::leap`].
    #[cfg(feature = "leap")]
    pub fn pass(
        &mut self,
        now: Instant,
        (step, steps): (Millis, u32),
        (inputs, outputs): (&Inputs, &Outputs),
        still: &[Option<u32>; MAX_CHANNELS],
    ) {
        let stretch = Stretch { step, steps };
        self.controller.pass(now, stretch, inputs, outputs, still);
        self.guard.pass(now, stretch, inputs, still);
        self.journal.pass(now, stretch.span());
    }

    /// The latest good reading of each channel, in the order of the settings: the median of the last three
    /// measurements, offset included. Nothing for a channel that is doubtful or not yet trusted.
    #[must_use]
    pub fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        self.controller.readings()
    }

    /// The low and the high end of each channel's reading at its present age. The controller goes by these, after it
    /// adds a millikelvin for rounding. Nothing for a channel that is doubtful or not yet trusted.
    #[must_use]
    pub fn ranges(&self) -> [Option<(Celsius, Celsius)>; MAX_CHANNELS] {
        self.controller.ranges()
    }

    /// The coldest cell as the charge loop sees it; nothing unless every cell channel is good.
    #[must_use]
    pub const fn coldest_cell(&self) -> Option<Celsius> {
        self.controller.coldest_cell()
    }

    /// What kept the heater off in the last step, whether or not the cells asked for heat: the cut-out, a lack of
    /// energy or of relay closings. Nothing if none of them did. [`Outputs`] has one cause for heat and charge
    /// together; this one is for heat alone.
    #[must_use]
    pub fn heat_withheld(&self) -> Option<Cause> {
        self.controller.heat_withheld()
    }

    /// The charge-current ceiling by the cells alone, per capacity, whatever the sources have; zero unless every cell
    /// channel is good.
    #[must_use]
    pub fn allowed(&self) -> Fraction {
        self.controller.allowed()
    }

    /// Whether cells ask for heat when the coldest is at `coldest`:
    ///
    /// - while charge is refused: up to release, or up to where the ceiling lets the sources charge;
    /// - while soaking: half-way from there to stop;
    /// - while charge is permitted: up to start, or half-way to stop from where the ceiling lets the sources give all
    ///   they can.
    #[must_use]
    pub fn asks_for_heat(&self, coldest: Celsius) -> bool {
        self.controller.asks_for_heat(coldest)
    }

    /// Whether, as of the last step, the sources that do not obey the ceiling could together give more than it allows.
    /// A source in two steps counts with the smaller step.
    #[must_use]
    pub fn is_ceiling_too_low(&self) -> bool {
        self.controller.is_ceiling_too_low()
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

    /// What must survive a restart. Store it whenever it changes.
    #[must_use]
    pub fn memory(&self) -> Memory {
        let (memory, guards) = (self.controller.memory(), self.guard.memory());
        Memory {
            latched: memory.latched.or(guards.latched),
            run: memory.run.safer(guards.run),
            soaked: memory.soaked.min(guards.soaked),
            ..memory
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::{ChannelFault, SystemFault, SystemFaults};
    use crate::quantity::{Milliamps, Ohms};
    use crate::settings::{ChargeCurrent, Check, Role, Settings, Trust};
    use crate::signals::{Button, Sample, Sources, State};
    use crate::testing::{Time, c, fine_inputs, sample, settings, skewed};

    #[derive(Clone)]
    struct Installed {
        unit: Unit,
        inputs: Inputs,
        time: Time,
    }

    impl Installed {
        fn new(memory: Memory, t: i32) -> Self {
            let settings = settings();
            let inputs = fine_inputs(&settings, c(t));
            Self { unit: Unit::new(&settings.validate().unwrap(), memory), inputs, time: Time(0) }
        }

        fn show(&mut self, channel: usize, t: i32) {
            self.inputs.channels[channel] = sample(&settings().channels[channel], c(t));
        }

        fn second(&mut self) -> Outputs {
            self.unit.step(self.time.after(1000), &self.inputs)
        }

        fn seconds(&mut self, n: u32) -> Outputs {
            (1..n).for_each(|_| {
                self.second();
            });
            self.second()
        }
    }

    #[test]
    fn noise_that_the_settings_allow_is_allowed_by_the_guard_too() {
        for around in [-20_000, 10_000, 25_000] {
            let mut bench = Installed::new(Memory::default(), around);
            for second in 0..640 {
                // Noise of 250 mK, and 50 mK a second.
                let t = if second % 2 == 0 { around } else { around + 298 };
                (0..4).for_each(|channel| bench.show(channel, t));
                bench.second();
            }
            assert_eq!(bench.unit.counters().overrules, 0, "around {around}");
            let outputs = bench.second();
            let on = if around > 5_000 { outputs.charge } else { outputs.heater };
            assert_eq!(on, Relay::Closed, "around {around}");
        }
    }

    #[test]
    fn what_the_heater_takes_is_booked_to_the_sources_that_pay() {
        let mut bench = Installed::new(Memory::default(), 0);
        assert_eq!(bench.seconds(200).heater, Relay::Closed);
        let counters = bench.unit.counters();
        assert!(counters.heater_on_ms > 0 && counters.source_energy_uj.iter().sum::<u64>() > 0, "{counters:?}");
        assert_eq!(counters.bank_energy_uj, 0);
    }

    #[cfg(feature = "leap")]
    #[test]
    fn a_bank_at_rest_is_quiet_for_as_long_as_both_judges_are() {
        use crate::quantity::{KelvinRate, Kelvins};
        let mut bench = Installed::new(Memory::default(), 15_000);
        let outputs = bench.seconds(700);
        let at_rest = Course {
            low: c(15_000),
            high: c(15_000),
            jitter: Kelvins::ZERO,
            pace: KelvinRate::from_millikelvins_per_minute(0),
        };
        let quiet = |unit: &Unit| {
            let courses = [at_rest; MAX_CHANNELS];
            unit.quiet(Millis::from_secs(1), (&bench.inputs, &outputs), &courses, Millis::ZERO).steps
        };
        assert!(quiet(&bench.unit) > 60);
        let guard = Guard::new(&settings().validate().unwrap(), Memory::default());
        assert_eq!(quiet(&Unit { guard, ..bench.unit.clone() }), 0, "it has judged nothing yet");
    }

    #[test]
    fn what_the_button_clears_in_the_controller_it_clears_in_the_guard() {
        let memory = Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterIneffective), ..Memory::default() };
        let mut bench = Installed::new(memory, 0);
        // The sun on the air's thermometer.
        bench.show(3, 32_000);
        bench.seconds(100);
        bench.inputs.button = Button::Pressed;
        let outputs = bench.seconds(5);
        assert_eq!(outputs.faults.system, SystemFaults::NONE, "the fault is reset");
        bench.inputs.button = Button::Released;
        for t in (0..32_000).rev().step_by(200) {
            bench.show(3, t);
            bench.second();
        }
        assert_eq!(bench.seconds(120).heater, Relay::Closed);
    }

    /// A reference that is 2 % low, or 2 Ω in a return that all share: every channel reads 5 K warm, and none contradicts another.
    #[test]
    fn with_a_check_resistor_a_reference_that_has_changed_permits_nothing_to_cold_cells() {
        let with = |role: Role| {
            let mut settings = settings();
            settings.channels[3].role = role;
            // Nothing gets warmer here.
            settings.heater.proof = None;
            settings
        };
        let check = Role::Check(Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(500) });
        let last_of = |settings: &Settings, ppm: i32| {
            let mut inputs = fine_inputs(settings, c(4_000));
            inputs.channels = inputs.channels.map(|sample| skewed(sample, ppm));
            let mut unit = Unit::new(&settings.clone().validate().unwrap(), Memory::default());
            let mut time = Time(0);
            let outputs = |_| unit.step(time.after(1_000), &inputs);
            (0..1_000).map(outputs).last().unwrap()
        };
        assert_eq!(last_of(&with(Role::Ambient), 20_000).charge, Relay::Closed, "nothing else would find it");
        for ppm in [20_000, 5_010, -5_010, -20_000] {
            let outputs = last_of(&with(check), ppm);
            assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open), "{ppm} ppm");
            assert_eq!(outputs.cause, Cause::System(SystemFault::ReferenceDoubtful));
            assert_eq!(outputs.alarm, Alarm::Sounding);
        }
        let outputs = last_of(&with(check), 4_990);
        assert_eq!(outputs.faults.system, SystemFaults::NONE, "within its band");
        assert_eq!(outputs.heater, Relay::Closed, "they read 5.3 °C");
    }

    #[test]
    fn a_check_resistor_that_goes_off_takes_both_outputs_in_the_same_step_and_gives_them_back_after_a_run() {
        let mut settings = settings();
        settings.channels[3].role =
            Role::Check(Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(500) });
        let fine = fine_inputs(&settings, c(7_000));
        let mut unit = Unit::new(&settings.clone().validate().unwrap(), Memory::default());
        let mut time = Time(0);
        let mut second = |inputs: &Inputs| unit.step(time.after(1_000), inputs);
        (0..100).for_each(|_| {
            second(&fine);
        });
        assert_eq!(second(&fine).heater, Relay::Closed);
        for shown in [skewed(fine.channels[3], 6_000), Sample::ConverterFault] {
            let mut off = fine;
            off.channels[3] = shown;
            let outputs = second(&off);
            assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open));
            assert!(outputs.faults.system.contains(SystemFault::ReferenceDoubtful));
            assert!(second(&fine).faults.system.contains(SystemFault::ReferenceDoubtful), "not yet a run");
            (0..200).for_each(|_| {
                second(&fine);
            });
            assert_eq!(second(&fine).heater, Relay::Closed);
        }
        assert_eq!(unit.readings()[3], None, "a resistor has no temperature");
        assert_eq!(unit.counters().overrules, 0);
    }

    /// A thermometer that falls off a cold cell into warm air: a lone one is never believed again by itself, restarts or not.
    #[test]
    fn a_jump_to_warm_permits_nothing_until_someone_has_looked() {
        let mut settings = settings();
        settings.channels[1].role = Role::Ambient;
        settings.heater.proof = None;
        let valid = settings.clone().validate().unwrap();
        let mut inputs = fine_inputs(&settings, c(-8_000));
        let mut unit = Unit::new(&valid, Memory::default());
        let mut time = Time(0);
        (0..100).for_each(|_| {
            unit.step(time.after(1_000), &inputs);
        });
        inputs.channels[0] = sample(&settings.channels[0], c(12_000));
        for _ in 0..3 {
            for _ in 0..3_000 {
                let outputs = unit.step(time.after(1_000), &inputs);
                assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open));
                assert_eq!(outputs.alarm, Alarm::Sounding, "and it is told");
            }
            unit = Unit::new(&valid, unit.memory());
        }
        unit.step(time.after(1_000), &inputs);
        inputs.button = Button::Pressed;
        (0..10).for_each(|_| {
            unit.step(time.after(1_000), &inputs);
        });
        inputs.button = Button::Released;
        let last = (0..1_000).map(|_| unit.step(time.after(1_000), &inputs)).last().unwrap();
        assert_eq!(last.charge, Relay::Closed, "the button says that it is true: {last:?}");
        assert_eq!((unit.memory().jumped, unit.counters().overrules), (0, 0));
    }

    #[test]
    fn a_jump_that_another_cell_confirms_or_the_button_leaves_the_guard_nothing_to_take() {
        for pressed in [false, true] {
            let mut bench = Installed::new(Memory::default(), 10_000);
            bench.seconds(1_000);
            bench.show(0, 12_000);
            bench.seconds(if pressed { 35 } else { 1 });
            if pressed {
                bench.inputs.button = Button::Pressed;
            }
            let back = bench.seconds(3);
            assert_eq!(back.charge, Relay::Open);
            bench.seconds(700);
            assert_eq!(bench.second().charge, Relay::Closed);
            assert_eq!(bench.unit.counters().overrules, 0, "{pressed}");
        }
    }

    /// The count of milliseconds inside ends after 49.7 days.
    #[test]
    fn seven_weeks_without_a_restart_change_nothing() {
        let mut bench = Installed::new(Memory::default(), 25_000);
        bench.seconds(1000);
        let Trust { max_step, max_age, .. } = settings().trust;
        let (step, silence) = (max_step.as_millis(), max_age.as_millis());
        let steps = 50 * 24 * 3_600_000 / u64::from(step);
        for n in 0..steps {
            bench.show(0, 25_000 + i32::from(n % 2 == 0));
            let now = bench.time.after(step);
            let outputs = bench.unit.step(now, &bench.inputs);
            assert_eq!(outputs.charge, Relay::Closed, "{n}: {outputs:?}");
            if steps - n < 30_000 {
                let Installed { mut unit, mut inputs, mut time } = bench.clone();
                inputs.channels[0] = Sample::None;
                for _ in 0..=silence / step {
                    unit.step(time.after(step), &inputs);
                }
                let outputs = unit.step(time.after(step), &inputs);
                assert_eq!(outputs.faults.channels[0], Some(ChannelFault::Missing), "{n}");
            }
        }
    }

    #[test]
    fn a_relay_that_the_guard_keeps_open_is_not_taken_for_one_that_does_not_close() {
        let mut bench = Installed::new(Memory::default(), 0);
        bench.unit.guard = Guard::new(
            &settings().validate().unwrap(),
            Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterIneffective), ..Memory::default() },
        );
        let mut overruled = false;
        for _ in 0..200 {
            bench.inputs.heater_feedback = Some(Relay::Open);
            let now = bench.time.after(6_000);
            let outputs = bench.unit.step(now, &bench.inputs);
            overruled |= outputs.cause == Cause::GuardOverruled;
            assert_eq!(outputs.faults.system, SystemFaults::NONE);
        }
        assert!(overruled);
    }

    /// A guard that has just been reset beside a controller that has not.
    fn with_a_fresh_guard(bench: &Installed) -> Installed {
        let guard = Guard::new(&settings().validate().unwrap(), Memory::default());
        Installed { unit: Unit { guard, ..bench.unit.clone() }, ..bench.clone() }
    }

    #[test]
    fn what_the_guard_takes_away_is_reported_as_it_is_left_and_calls_someone() {
        let mut bench = Installed::new(Memory::default(), 10_000);
        // Not so long that the heater would have to have an effect.
        let fine = bench.seconds(640);
        assert_eq!((fine.heater, fine.charge, fine.state), (Relay::Closed, Relay::Closed, State::Holding));

        let mut without_charge = with_a_fresh_guard(&bench);
        let outputs = without_charge.second();
        let expected = Outputs {
            charge: Relay::Open,
            full: Relay::Open,
            ceiling: Fraction::ZERO,
            alarm: Alarm::Sounding,
            state: State::Warming,
            cause: Cause::GuardOverruled,
            ..fine
        };
        assert_eq!(outputs, expected);
        assert_eq!(without_charge.unit.counters().overrules, 1);

        let mut without_heat = bench.clone();
        without_heat.unit.guard = {
            let latched = SystemFaults::NONE.with(SystemFault::HeaterIneffective);
            let mut guarded = Installed::new(Memory { latched, ..Memory::default() }, 10_000);
            guarded.seconds(640);
            guarded.unit.guard
        };
        let outputs = without_heat.second();
        let expected = Outputs {
            heater: Relay::Open,
            alarm: Alarm::Sounding,
            state: State::Permitting,
            cause: Cause::GuardOverruled,
            ..fine
        };
        assert_eq!(outputs, expected, "charge and its ceiling as before");
    }

    #[test]
    fn of_two_accounts_of_one_installation_the_stricter_is_kept() {
        let mut bench = Installed::new(Memory::default(), 10_000);
        bench.seconds(640);
        let kept = bench.unit.memory();
        assert_eq!((kept.latched, kept.soaked), (SystemFaults::NONE, 4));
        assert_ne!(kept.run.begun, 0);
        let latched = SystemFaults::NONE.with(SystemFault::HeaterIneffective);
        let run = crate::run::Run { begun: 7, paused: 0 };
        let strict = Memory { latched, run, soaked: 2, ..Memory::default() };
        let valid = settings().validate().unwrap();
        let unit = Unit { guard: Guard::new(&valid, strict), ..bench.unit.clone() };
        assert_eq!(unit.memory(), Memory { latched, run: unit.guard.memory().run, soaked: 2, ..kept });
        let unit = Unit { controller: Controller::new(&valid, strict), ..bench.unit };
        let memory = unit.memory();
        assert_eq!((memory.latched, memory.run, memory.soaked), (latched, unit.controller.memory().run, 2));
    }

    #[test]
    fn it_shows_what_it_goes_by() {
        let mut bench = Installed::new(Memory::default(), 10_000);
        bench.seconds(640);
        let Installed { unit, .. } = &bench;
        assert_eq!(unit.readings()[0], Some(c(10_000)));
        assert_eq!(unit.ranges()[0], Some((c(10_000), c(10_000))));
        assert_eq!(unit.coldest_cell(), Some(c(10_000).lowered(crate::rtd::ROUNDING)));
        assert_eq!(unit.allowed().as_per_mille(), 300);
        assert_eq!((unit.asks_for_heat(c(7_000)), unit.asks_for_heat(c(7_010))), (true, false), "start is 7 °C");
        assert_eq!(unit.heat_withheld(), None);
        bench.inputs.channels[0] = Sample::None;
        bench.inputs.sources = Sources::NONE;
        bench.second();
        let Installed { unit, .. } = &bench;
        // 3 K a minute.
        assert_eq!(unit.ranges()[0], Some((c(9_950), c(10_050))));
        assert_eq!(unit.heat_withheld(), Some(Cause::NoEnergy));
        assert_eq!(unit.journal().counters(), unit.counters());
        assert_eq!(unit.counters().charge_cycles, 1);
        assert!(!unit.is_ceiling_too_low());

        let mut settings = settings();
        settings.sources[1].charge = ChargeCurrent::UpTo(Milliamps::from_milliamps(61_000));
        let mut unit = Unit::new(&settings.clone().validate().unwrap(), Memory::default());
        for second in 0..10_u32 {
            unit.step(Instant::from_millis(second * 1_000), &fine_inputs(&settings, c(10_000)));
        }
        assert!(unit.is_ceiling_too_low(), "60 A are allowed");
    }

    #[cfg(feature = "layers")]
    #[test]
    fn each_judge_can_be_left_out() {
        let by = |bench: &Installed, layer| {
            bench.clone().unit.step_by(layer, bench.clone().time.after(1_000), &bench.inputs)
        };
        let mut bench = Installed::new(Memory::default(), 20_000);
        bench.seconds(640);
        let overruled = with_a_fresh_guard(&bench);
        let Outputs { charge, cause, .. } = by(&overruled, Layer::Both);
        assert_eq!((charge, cause), (Relay::Open, Cause::GuardOverruled));
        let Outputs { charge, cause, .. } = by(&overruled, Layer::ControllerAlone);
        assert_eq!((charge, cause), (Relay::Closed, Cause::Soaked));

        // Everything is asked for, and only the guard's own reasons take it away. The controller would not heat the one
        // and not charge the other.
        let left = |outputs: &Outputs| (outputs.heater, outputs.charge, outputs.full, outputs.ceiling);
        let mut cool = Installed::new(Memory::default(), 7_000);
        cool.seconds(640);
        for bench in [&bench, &cool] {
            let outputs = by(bench, Layer::GuardAlone);
            assert_eq!(left(&outputs), (Relay::Closed, Relay::Closed, Relay::Closed, Fraction::ONE));
        }
        bench.inputs.channels[0] = Sample::ConverterFault;
        let outputs = by(&bench, Layer::GuardAlone);
        assert_eq!(left(&outputs), (Relay::Open, Relay::Open, Relay::Open, Fraction::ZERO));
        assert_eq!((outputs.alarm, outputs.faults), (Alarm::Quiet, Faults::NONE), "a guard reports nothing");
    }
}

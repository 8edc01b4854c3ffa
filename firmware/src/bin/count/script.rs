//! A history that takes a unit through its states and faults, and counts every step.

use crate::{Counter, Span, step};
use core::fmt::{self, Write};
use core::hint::black_box;
use forewarm_core::fault::{ChannelFault, Faults, SystemFault, SystemFaults};
use forewarm_core::quantity::{
    Celsius, Fraction, Instant, Joules, KelvinRate, Kelvins, MilliampHours, Millis, Millivolts, Milliwatts, Ohms, Ratio,
};
use forewarm_core::rtd::{Element, Leads, Measured};
use forewarm_core::settings::{
    BankUse, CeilingPoint, Channel, Charge, ChargeCurrent, Check, Cooling, Giving, Heater, Hold, Proof, Reserve, Role,
    Settings, SettingsError, Source, Trust, ValidSettings,
};
use forewarm_core::signals::{Button, Cause, Inputs, Line, Outputs, Relay, Sample, Sources, State, Storage};
use forewarm_core::{Memory, Unit};

const CELL: usize = 0;
const OTHER_CELL: usize = 1;
const PAD: usize = 2;
const NOMINAL: Ohms = Ohms::from_milliohms(1_000_000);
const REFERENCE: Ohms = Ohms::from_milliohms(4_000_000);
const LEAD: Ohms = Ohms::from_milliohms(500);
const FINE: Inputs = Inputs {
    supply: Some(Millivolts::from_millivolts(13_300)),
    bank: Some(Millivolts::from_millivolts(13_200)),
    state_of_charge: Some(Fraction::from_per_mille(800)),
    sources: Sources::NONE.with(0),
    charge_line: Line::Allowed,
    discharge_line: Line::Allowed,
    ..Inputs::DEAD
};

/// Two cells and a plate on three wires, one source, the bank above its reserve, and every optional check switched on.
fn settings() -> Settings {
    let (c, k, secs) = (Celsius::from_millidegrees, Kelvins::from_millikelvins, Millis::from_secs);
    let rate = KelvinRate::from_millikelvins_per_minute;
    let channel = |role| Channel {
        role,
        element: Element::pt1000(),
        reference: REFERENCE,
        leads: Leads::ThreeWire { least: Ohms::from_milliohms(100), most: Ohms::from_milliohms(2_000) },
        offset: Kelvins::ZERO,
    };
    let point = |t, per_mille| CeilingPoint { at: c(t), limit: Fraction::from_per_mille(per_mille) };
    let reserve =
        Reserve::StateOfCharge { floor: Fraction::from_per_mille(300), resume: Fraction::from_per_mille(400) };
    Settings {
        channels: [Role::Cell, Role::Cell, Role::Pad].map(channel).into_iter().collect(),
        charge: Charge {
            hard_limit: c(0),
            inhibit: c(5_000),
            release: c(8_000),
            high_limit: c(45_000),
            high_release: c(42_000),
            soak: secs(60),
            min_off: secs(10),
            overdue_after: secs(1800),
            capacity: MilliampHours::from_milliamp_hours(200_000),
            batteries: 2,
            ceiling: [point(5_000, 100), point(10_000, 300), point(15_000, 500)].into_iter().collect(),
        },
        heater: Heater {
            start: c(9_000),
            stop: c(12_000),
            power: Milliwatts::from_milliwatts(60_000),
            nominal: Millivolts::from_millivolts(12_800),
            supply_min: Millivolts::from_millivolts(11_000),
            supply_max: Millivolts::from_millivolts(15_000),
            cutout_cell: c(50_000),
            cutout_pad: c(55_000),
            cutout_hysteresis: k(5_000),
            over_temperature: k(5_000),
            min_on: secs(10),
            min_off: secs(10),
            max_run: secs(1_800),
            rest: secs(60),
            max_cycles_per_day: 250,
            hold: Hold::WhileCharging,
            proof: Some(Proof { energy: Joules::from_joules(18_000), rise: k(500), pad_rise: k(500) }),
            cooling: Some(Cooling { after: secs(300), excess: k(5_000) }),
        },
        sources: [Source {
            budget: Milliwatts::from_milliwatts(200_000),
            priority: 0,
            settle: secs(10),
            charge: ChargeCurrent::Obeys,
        }]
        .into_iter()
        .collect(),
        bank: BankUse::Always(reserve),
        giving: Some(Giving { fall: Millivolts::from_millivolts(300), fall_charge: Fraction::from_per_mille(20) }),
        trust: Trust {
            good_run: 5,
            max_step: secs(15),
            max_age: secs(30),
            plausible_low: c(-45_000),
            plausible_high: c(100_000),
            noise: k(250),
            fastest_cell: rate(6_000),
            fastest_pad: rate(60_000),
            fastest_ambient: rate(30_000),
            disagreement: k(4_000),
            stuck_after: Some(secs(360)),
            stuck_moved: k(500),
            still_after: Some(secs(14_400)),
            restart_limit: 5,
            restart_window: secs(900),
            feedback: secs(5),
            button: secs(2),
        },
    }
}

fn with_a_check_and_few_closings(mut settings: Settings) -> Result<ValidSettings, SettingsError> {
    let check = Role::Check(Check { nominal: NOMINAL, within: Ohms::from_milliohms(2_000) });
    if let Some(channel) = settings.channels.get_mut(OTHER_CELL) {
        channel.role = check;
    }
    settings.heater.max_cycles_per_day = 4;
    settings.validate()
}

/// A unit in its installation, stepped once a second.
struct Bench {
    counter: Counter,
    unit: Unit,
    inputs: Inputs,
    now: u32,
    steps: u32,
    outputs: Outputs,
    /// What the thermometers show, in millidegrees.
    shown: [i32; 3],
    /// The resistance of a check resistor in place of the other cell.
    check: Option<Ohms>,
    /// Steps without a fault that stay in the state of the step before.
    usual: Span,
    usual_sum: u32,
    usual_steps: u32,
    all: Span,
    worst_in: (u32, State, Cause),
    /// Bit n is set once the state, or the fault, of that number has been seen.
    states: u32,
    channel_faults: u32,
    system_faults: u32,
    overrules: u32,
}

/// What the thermometer of a cell or the plate does instead of showing a temperature.
#[derive(Clone, Copy)]
enum Broken {
    Open,
    Short,
    Converter,
    Silent,
    /// Less resistance than one of its leads.
    Crossed,
    /// The tap at its lead reads nothing.
    Untapped,
    /// An impossible jump.
    Jumped,
    /// An impossible temperature that is still within platinum's range.
    Impossible,
}

const BREAKAGES: [Broken; 8] = [
    Broken::Open,
    Broken::Short,
    Broken::Converter,
    Broken::Silent,
    Broken::Crossed,
    Broken::Untapped,
    Broken::Jumped,
    Broken::Impossible,
];

impl Bench {
    fn second(&mut self) {
        self.after(1_000);
    }

    fn seconds(&mut self, n: u32) {
        (0..n).for_each(|_| self.second());
    }

    fn after(&mut self, millis: u32) {
        for (channel, t) in self.shown.into_iter().enumerate() {
            self.inputs.channels[channel] = sample(t, self.steps);
        }
        if let Some(r) = self.check {
            self.inputs.channels[OTHER_CELL] = shown(r, self.steps);
        }
        self.step(millis);
    }

    /// A step with the samples as they are. Contacts follow their relays.
    fn step(&mut self, millis: u32) {
        self.inputs.heater_feedback = Some(self.outputs.heater);
        self.inputs.charge_feedback = Some(self.outputs.charge);
        self.step_as_it_is(millis);
    }

    fn step_as_it_is(&mut self, millis: u32) {
        self.now = self.now.wrapping_add(millis);
        self.steps += 1;
        let before = self.outputs;
        let (unit, inputs, now) = (&mut self.unit, &self.inputs, Instant::from_millis(self.now));
        let mut outputs = before;
        let count = self.counter.instructions(|| outputs = step(unit, now, black_box(inputs)));
        self.outputs = black_box(outputs);
        let Outputs { state, cause, faults, .. } = outputs;
        if count > self.all.most {
            self.worst_in = (self.steps, state, cause);
        }
        self.all.include(count);
        if state == before.state && faults == Faults::NONE && before.faults == Faults::NONE {
            self.usual.include(count);
            self.usual_sum += count;
            self.usual_steps += 1;
        }
        self.states |= 1 << state as u32;
        for fault in faults.channels.into_iter().flatten() {
            self.channel_faults |= 1 << fault as u32;
        }
        for fault in faults.system.iter() {
            self.system_faults |= 1 << fault as u32;
        }
        self.overrules += u32::from(cause == Cause::GuardOverruled);
    }

    /// Goes to these temperatures, cells and plate, no faster than is believable.
    fn go_to(&mut self, cells: i32, pad: i32) {
        let goal = [cells, cells, pad];
        while self.shown != goal {
            for (shown, goal) in self.shown.iter_mut().zip(goal) {
                *shown += (goal - *shown).clamp(-90, 90);
            }
            self.second();
        }
    }

    /// Breaks some channels for a number of seconds, then waits until they are trusted again.
    fn break_down(&mut self, broken: Broken, channels: &[usize], seconds: u32) {
        for _ in 0..seconds {
            for channel in 0..self.shown.len() {
                let fine = sample(self.shown[channel], self.steps);
                let is_broken = channels.contains(&channel);
                self.inputs.channels[channel] = if is_broken { broken.sample(self.shown[channel]) } else { fine };
            }
            self.step(1_000);
        }
        self.seconds(10);
    }

    /// Each contact shows the opposite for a while.
    fn turn_the_contacts(&mut self) {
        for _ in 0..20 {
            let opposite = |relay| Some(if relay == Relay::Open { Relay::Closed } else { Relay::Open });
            self.inputs.heater_feedback = opposite(self.outputs.heater);
            self.inputs.charge_feedback = opposite(self.outputs.charge);
            self.step_as_it_is(1_000);
        }
        self.seconds(2);
        self.hold_the_button();
    }

    fn until_it_heats(&mut self) {
        for _ in 0..400 {
            if self.outputs.heater == Relay::Closed {
                return;
            }
            self.second();
        }
    }

    fn hold_the_button(&mut self) {
        self.inputs.button = Button::Pressed;
        self.seconds(4);
        self.inputs.button = Button::Released;
        self.seconds(2);
    }
}

impl Broken {
    fn sample(self, shown: i32) -> Sample {
        let measured = |element| Sample::Fresh(Measured { element, lead: ratio(LEAD) });
        match self {
            Self::Open => measured(Ratio::from_steps(u32::MAX)),
            Self::Short => measured(ratio(LEAD)),
            Self::Converter => Sample::ConverterFault,
            Self::Silent => Sample::None,
            Self::Crossed => measured(Ratio::ZERO),
            Self::Untapped => match sample(shown, 0) {
                Sample::Fresh(measured) => Sample::Fresh(Measured::element(measured.element)),
                other => other,
            },
            Self::Jumped => sample(shown + 15_000, 0),
            Self::Impossible => sample(120_000, 0),
        }
    }
}

fn ratio(r: Ohms) -> Ratio {
    let steps = (u64::from(r.as_steps()) << 30) / u64::from(REFERENCE.as_steps());
    Ratio::from_steps(u32::try_from(steps).unwrap_or(u32::MAX))
}

/// What the converter gives at a temperature, with a little noise that differs from step to step.
fn sample(millidegrees: i32, step: u32) -> Sample {
    shown(Element::pt1000().resistance(Celsius::from_millidegrees(millidegrees)).unwrap_or(Ohms::ZERO), step)
}

/// The same for a resistance.
fn shown(r: Ohms, step: u32) -> Sample {
    let noise = Ohms::from_milliohms(step * 7 % 31);
    Sample::Fresh(Measured { element: ratio(r.plus(LEAD).plus(noise)), lead: ratio(LEAD) })
}

pub(crate) fn play(counter: Counter, told: &mut impl Write) -> fmt::Result {
    let Ok(settings) = black_box(settings()).validate() else { return writeln!(told, "settings refused") };
    let mut bench = Bench {
        counter,
        unit: Unit::new(&settings, Memory::default()),
        inputs: FINE,
        now: 0,
        steps: 0,
        outputs: Outputs::all_off(SystemFault::SettingsInvalid),
        shown: [-10_000; 3],
        check: None,
        usual: Span::NONE,
        usual_sum: 0,
        usual_steps: 0,
        all: Span::NONE,
        worst_in: (0, State::Starting, Cause::StartUp),
        states: 0,
        channel_faults: 0,
        system_faults: 0,
        overrules: 0,
    };
    states(&mut bench);
    channel_faults(&mut bench);
    energy(&mut bench);
    heater_faults(&mut bench);
    witnesses(&mut bench);
    time(&mut bench);
    guard(&mut bench);
    let memory =
        Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterIneffective), restarts: 20, ..Memory::default() };
    bench.unit = Unit::new(&settings, memory);
    bench.go_to(5_000, 5_000);
    bench.seconds(30);
    // A separate installation with as many channels.
    let Ok(settings) = with_a_check_and_few_closings(settings.into_inner()) else {
        return writeln!(told, "settings refused");
    };
    bench.unit = Unit::new(&settings, Memory::default());
    reference(&mut bench);
    cycles(&mut bench);

    writeln!(told, "step_usual_min {}", bench.usual.least)?;
    writeln!(told, "step_usual_mean {}", bench.usual_sum / bench.usual_steps.max(1))?;
    writeln!(told, "step_usual_max {}", bench.usual.most)?;
    writeln!(told, "step_worst {}", bench.all.most)?;
    let (number, state, cause) = bench.worst_in;
    writeln!(told, "step_worst_in {number} {} {}", state.name(), cause.name())?;
    writeln!(told, "steps {}", bench.steps)?;
    // What was not seen, so that a reader knows which steps the worst is taken from.
    for state in State::PLAIN.iter().filter(|&&state| bench.states & 1 << state as u32 == 0) {
        writeln!(told, "not_seen {}", state.name())?;
    }
    for fault in ChannelFault::ALL.iter().filter(|&&fault| bench.channel_faults & 1 << fault as u32 == 0) {
        writeln!(told, "not_seen {}", fault.facts().name)?;
    }
    for fault in SystemFault::ALL.iter().filter(|&&fault| bench.system_faults & 1 << fault as u32 == 0) {
        writeln!(told, "not_seen {}", fault.facts().name)?;
    }
    writeln!(told, "overrules_seen {}", bench.overrules)
}

/// Warming, soaking with the heater on and off, permitting, holding, the high limit, and the protection's refusal.
fn states(bench: &mut Bench) {
    bench.seconds(30);
    bench.go_to(9_500, 20_000);
    bench.seconds(30);
    bench.go_to(12_500, 22_000);
    bench.seconds(80);
    bench.go_to(8_500, 12_000);
    bench.seconds(30);
    bench.go_to(4_500, 12_000);
    bench.seconds(10);
    bench.go_to(12_500, 20_000);
    bench.go_to(46_000, 46_000);
    bench.seconds(5);
    bench.go_to(20_000, 20_000);
    bench.seconds(120);
    bench.inputs.charge_line = Line::Refused;
    bench.seconds(5);
    bench.inputs.charge_line = Line::Allowed;
    bench.seconds(80);
}

/// Every fault of a channel, alone and on all, with charge permitted and while warming.
fn channel_faults(bench: &mut Bench) {
    for cells in [20_000, 2_000] {
        bench.go_to(cells, 20_000);
        bench.seconds(120);
        for broken in BREAKAGES {
            for channels in [&[CELL][..], &[PAD], &[CELL, OTHER_CELL, PAD]] {
                bench.break_down(broken, channels, if matches!(broken, Broken::Silent) { 35 } else { 3 });
            }
        }
    }
    // One after another.
    while bench.shown[CELL] < 14_000 {
        bench.shown[CELL] += 90;
        bench.second();
    }
    bench.seconds(3);
    bench.go_to(20_000, 20_000);
    // One stands still to the last digit while the others move.
    for second in 0_i32..1_000 {
        let moved = 20_000 + (second % 100 - 50).abs() * 30;
        let steps = bench.steps;
        bench.inputs.channels =
            [sample(20_000, 0), sample(20_000, steps), sample(moved, steps), Sample::None, Sample::None, Sample::None];
        bench.step(1_000);
    }
    bench.seconds(80);
}

/// Sources and bank come and go, and the supply leaves its limits.
fn energy(bench: &mut Bench) {
    bench.go_to(8_500, 15_000);
    for off in [
        Inputs { sources: Sources::NONE, ..FINE },
        Inputs { sources: Sources::NONE, unsteady: Sources::NONE.with(0), ..FINE },
        Inputs { supply: None, ..FINE },
        Inputs { supply: Some(Millivolts::from_millivolts(16_000)), ..FINE },
        Inputs { bank: None, ..FINE },
        Inputs { state_of_charge: None, sources: Sources::NONE, ..FINE },
        Inputs { discharge_line: Line::Refused, ..FINE },
        Inputs { storage: Storage::Failing, ..FINE },
        Inputs { charge_line: Line::Refused, discharge_line: Line::Refused, ..FINE },
    ] {
        bench.inputs = off;
        bench.seconds(10);
        bench.inputs = FINE;
        bench.seconds(90);
    }
}

/// A heater without effect, contacts that do not follow, a plate that stays warm or gets too hot. Each lasts until the
/// button resets it.
fn heater_faults(bench: &mut Bench) {
    bench.go_to(20_000, 20_000);
    bench.seconds(120);
    bench.turn_the_contacts();
    bench.go_to(2_000, 2_000);
    bench.seconds(400);
    bench.hold_the_button();
    bench.turn_the_contacts();
    bench.inputs.storage = Storage::Failing;
    bench.go_to(2_000, 10_000);
    bench.seconds(400);
    bench.inputs.storage = Storage::Kept;
    bench.go_to(2_000, 2_000);
    bench.hold_the_button();
    bench.seconds(60);
    // Too long for one run.
    for degrees in (0..20).cycle().take(40) {
        bench.go_to(2_000, 10_000 + degrees * 1_000);
        bench.seconds(50);
    }
    bench.go_to(2_000, 61_000);
    bench.seconds(5);
    bench.go_to(2_000, 20_000);
    bench.hold_the_button();
    bench.seconds(30);
}

/// What one thing shows about another: supply and bank about a source, the cells about a plate thermometer. Each lasts
/// until the button resets it.
fn witnesses(bench: &mut Bench) {
    bench.go_to(2_000, 2_000);
    bench.hold_the_button();
    // It breaks down each time the heater draws from it.
    for _ in 0..3 {
        bench.until_it_heats();
        bench.inputs.supply = Some(Millivolts::from_millivolts(9_000));
        bench.seconds(2);
        bench.inputs = FINE;
    }
    bench.seconds(5);
    bench.hold_the_button();
    // The bank is below its reserve, and pays nevertheless.
    bench.inputs.state_of_charge = Some(Fraction::from_per_mille(200));
    bench.until_it_heats();
    bench.seconds(5);
    bench.inputs.state_of_charge = Some(Fraction::from_per_mille(170));
    bench.seconds(5);
    bench.inputs = FINE;
    bench.hold_the_button();
    // The cells get warmer, and their plate does not.
    bench.inputs.sources = Sources::NONE;
    bench.inputs.state_of_charge = None;
    bench.seconds(400);
    bench.inputs = FINE;
    bench.until_it_heats();
    for millidegrees in 2_000..2_600 {
        bench.shown[CELL] = millidegrees;
        bench.shown[OTHER_CELL] = millidegrees;
        bench.second();
    }
    bench.hold_the_button();
}

/// The check resistor leaves its band.
fn reference(bench: &mut Bench) {
    bench.check = Some(NOMINAL);
    bench.go_to(2_000, 2_000);
    bench.check = Some(NOMINAL.plus(Ohms::from_milliohms(3_000)));
    bench.seconds(3);
    bench.check = Some(NOMINAL);
    bench.seconds(20);
}

/// The source comes and goes, more often than the relay may close.
fn cycles(bench: &mut Bench) {
    for _ in 0..3 {
        bench.inputs = FINE;
        bench.seconds(30);
        bench.inputs.sources = Sources::NONE;
        bench.inputs.state_of_charge = None;
        bench.seconds(20);
    }
    bench.inputs = FINE;
}

/// The clock leaps, stands still, runs fast and slow, and the internal count of time reaches its end.
fn time(bench: &mut Bench) {
    for millis in [20_000, 0, 100, 15_000, u32::MAX, u32::MAX] {
        bench.after(millis);
        bench.seconds(10);
    }
    bench.seconds(80);
}

/// Cells that are measured seldom. Between two measurements the guard lets them cool a little faster than the
/// controller does.
fn guard(bench: &mut Bench) {
    for above_inhibit in (2_800..3_300).step_by(20) {
        bench.go_to(20_000, 20_000);
        bench.seconds(150);
        bench.go_to(5_000 + above_inhibit, 20_000);
        bench.inputs.channels = [Sample::None; 6];
        (0..29).for_each(|_| bench.step(1_000));
    }
}

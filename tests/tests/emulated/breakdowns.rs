//! Breakdowns of parts around the released image: what it finds, what stays off and what comes back.
//!
//! | breaks | held elsewhere, too |
//! |---|---|
//! | a converter repeats its codes, a check resistor leaves its band, a line is stuck at present | the same through a winter of the plant: `sim/src/rehearse/seasons.rs` |
//! | the others | the core's own tests |
//!
//! `input` tests that settings are refused while nobody holds the button.

use crate::running::{Program, RunningBoard, next, settings};
use forewarm_core::fault::{ChannelFault, SystemFault};
use forewarm_core::quantity::{Celsius, Fraction, Millis, Millivolts, Ohms};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Check, Role, Settings};
use forewarm_core::signals::{Button, Inputs, Line, Outputs, Relay, Sample, Sources};
use forewarm_core::testing::{fine_inputs, sample, shown, tapped};

const CELL: usize = 0;
const PAD: usize = 2;
/// The thermometer of the air, or a check resistor in its place.
const LAST: usize = 3;
const OHM_100: Ohms = Ohms::from_milliohms(100_000);

/// A board and the world around it, in steps of a second.
struct World {
    bench: RunningBoard,
    settings: Settings,
    clock: u32,
}

impl World {
    fn new(change: fn(&mut Settings)) -> Self {
        let mut settings = settings();
        change(&mut settings);
        let bench = RunningBoard::with(Program::Released, &settings.clone().validate().expect("settings"));
        Self { bench, settings, clock: 0 }
    }

    /// All is well at `t` millidegrees, except for the last digits of a converter.
    fn fine(&self, t: i32) -> Inputs {
        let digits = i32::try_from(self.clock / 1000 * 7 % 5).expect("less than five");
        fine_inputs(&self.settings, Celsius::from_millidegrees(t + digits))
    }

    /// The seconds that follow. `change` changes what is shown in each from the good state. Returns each step.
    fn show(&mut self, t: i32, seconds: u32, change: impl Fn(&Settings, &mut Inputs)) -> Vec<Outputs> {
        let moments: Vec<_> = (0..seconds)
            .map(|_| {
                let mut inputs = self.fine(t);
                change(&self.settings, &mut inputs);
                next(&mut self.clock, 1000, &inputs)
            })
            .collect();
        self.bench.play(&moments).into_iter().map(|(_, outputs)| outputs).collect()
    }

    /// The last of a number of seconds in which all is well.
    fn well(&mut self, t: i32, seconds: u32) -> Outputs {
        self.show(t, seconds, |_, _| ()).pop().expect("a step")
    }

    /// The same inputs to the last digit, again and again.
    fn repeat(&mut self, t: i32, seconds: u32) -> Outputs {
        let inputs = self.fine(t);
        self.bench.seconds(&mut self.clock, &inputs, seconds)
    }

    /// From one temperature to another, no faster than is believed.
    fn warm(&mut self, from: i32, to: i32) {
        let climb: Vec<_> = (from..to)
            .step_by(40)
            .map(|t| {
                let inputs = self.fine(t);
                next(&mut self.clock, 1000, &inputs)
            })
            .collect();
        self.bench.play(&climb);
    }

    fn charged(&mut self, t: i32) {
        let outputs = self.well(t, 700);
        assert_eq!(outputs.charge, Relay::Closed, "it charges before: {outputs:?}");
    }

    fn heated(&mut self, t: i32) {
        let outputs = self.well(t, 120);
        assert_eq!(outputs.heater, Relay::Closed, "it heats before: {outputs:?}");
    }

    fn press(&mut self, t: i32) {
        self.show(t, 1, |_, _| ());
        self.show(t, 5, |_, inputs| inputs.button = Button::Pressed);
        self.show(t, 1, |_, _| ());
    }
}

fn is_off(outputs: &Outputs) -> bool {
    (outputs.heater, outputs.charge) == (Relay::Open, Relay::Open)
}

fn has(outputs: &Outputs, fault: SystemFault) -> bool {
    outputs.faults.system.contains(fault)
}

fn never_charged(did: &[Outputs]) -> bool {
    did.iter().all(|outputs| outputs.charge == Relay::Open)
}

/// A breakdown, what is set for it, and what happens.
type Breakdown = (&'static str, fn(&mut Settings), fn(&mut World));

const BREAKDOWNS: [Breakdown; 8] = [
    (
        "a converter repeats its last codes",
        |settings| settings.trust.still_after = Some(Millis::from_secs(300)),
        |world| {
            world.heated(3_000);
            let outputs = world.repeat(3_000, 380);
            assert!(is_off(&outputs) && outputs.faults.channels[CELL] == Some(ChannelFault::Stuck), "{outputs:?}");
            world.warm(3_000, 12_000);
            world.charged(12_000);
            let outputs = world.repeat(12_000, 380);
            assert!(is_off(&outputs) && outputs.faults.channels[CELL] == Some(ChannelFault::Stuck), "{outputs:?}");
        },
    ),
    (
        "the check resistor leaves its band",
        |settings| {
            settings.channels[LAST].role = Role::Check(Check { nominal: OHM_100, within: Ohms::from_milliohms(300) });
        },
        |world| {
            let off = |settings: &Settings, inputs: &mut Inputs| {
                inputs.channels[LAST] = shown(&settings.channels[LAST], OHM_100.plus(Ohms::from_milliohms(400)));
            };
            let is_found = |outputs: &Outputs| is_off(outputs) && has(outputs, SystemFault::ReferenceDoubtful);
            world.heated(3_000);
            let did = world.show(3_000, 20, off);
            assert!(did.iter().all(is_found), "{:?}", did[0]);
            world.warm(3_000, 12_000);
            world.charged(12_000);
            let did = world.show(12_000, 20, off);
            assert!(did.iter().all(is_found), "{:?}", did[0]);
        },
    ),
    (
        "the tap at a cell's lead reads nothing",
        |settings| {
            settings.channels[CELL].leads =
                Leads::ThreeWire { least: Ohms::from_milliohms(100), most: Ohms::from_milliohms(2_000) };
        },
        |world| {
            world.charged(12_000);
            let did = world.show(12_000, 20, |settings, inputs| {
                inputs.channels[CELL] = tapped(&settings.channels[CELL], inputs.channels[CELL], Ohms::ZERO);
            });
            let is_found =
                |outputs: &Outputs| is_off(outputs) && outputs.faults.channels[CELL] == Some(ChannelFault::Leads);
            assert!(did.iter().all(is_found), "{:?}", did[0]);
        },
    ),
    (
        "cells jump from −8 to 12 °C within a second",
        |_| (),
        |world| {
            world.well(-8_000, 60);
            // Longer than the soak and the time to become believable again.
            let did = world.show(12_000, 900, |_, _| ());
            assert!(never_charged(&did), "a jump is charged");
            assert_eq!(did[899].faults.channels[CELL], Some(ChannelFault::Jumped), "{:?}", did[899]);
            world.bench.reset();
            let did = world.show(12_000, 900, |_, _| ());
            assert!(never_charged(&did), "after a restart a jump is charged");
            assert_eq!(did[899].faults.channels[CELL], Some(ChannelFault::Jumped), "{:?}", did[899]);
            world.press(12_000);
            world.charged(12_000);
        },
    ),
    (
        "a line is stuck at present, its source gives nothing, and the protection refuses discharge",
        |_| (),
        |world| {
            let (mut heated_s, mut outputs) = (0, None);
            for _ in 0..1_500 {
                let is_on = outputs.is_some_and(|outputs: Outputs| outputs.heater == Relay::Closed);
                let did = world.show(3_000, 1, |_, inputs| {
                    inputs.sources = Sources::NONE.with(1);
                    inputs.discharge_line = Line::Refused;
                    inputs.state_of_charge = Some(Fraction::from_per_mille(100));
                    inputs.bank = Some(Millivolts::from_millivolts(if is_on { 12_400 } else { 12_800 }));
                });
                heated_s += u32::from(is_on);
                outputs = did.first().copied();
            }
            let outputs = outputs.expect("a step");
            assert!(
                has(&outputs, SystemFault::SourceNotGiving) && outputs.faults.not_giving.contains(1),
                "{outputs:?}"
            );
            assert!(has(&outputs, SystemFault::DischargeLineRefused), "{outputs:?}");
            assert!(is_off(&outputs), "{outputs:?}");
            // Trials of half a minute each: at the start, and after pauses of 1, 2, 4 and 8 minutes.
            assert!((25..=5 * 35).contains(&heated_s), "{heated_s} s");
        },
    ),
    (
        "the heater's contact welds, and nobody looks until the plate is far too hot",
        |_| (),
        |world| {
            // It is commanded off, because no source is present.
            let plate = |t: i32| {
                move |settings: &Settings, inputs: &mut Inputs| {
                    inputs.sources = Sources::NONE;
                    inputs.heater_feedback = Some(Relay::Closed);
                    inputs.channels[PAD] = sample(&settings.channels[PAD], Celsius::from_millidegrees(t));
                }
            };
            for t in (3_000..62_000).step_by(900) {
                world.show(3_000, 1, plate(t));
            }
            let is_latched = |outputs: &Outputs| {
                has(outputs, SystemFault::HeaterWelded) && has(outputs, SystemFault::OverTemperature)
            };
            let outputs = world.show(3_000, 10, plate(62_000)).pop().expect("a step");
            assert!(is_latched(&outputs) && is_off(&outputs), "{outputs:?}");
            world.bench.reset();
            let cool = |_: &Settings, inputs: &mut Inputs| inputs.heater_feedback = Some(Relay::Open);
            let did = world.show(3_000, 200, cool);
            assert!(did.iter().all(|outputs| is_off(outputs) && is_latched(outputs)), "{:?}", did[199]);
            world.press(3_000);
            world.heated(3_000);
        },
    ),
    (
        "a contact is loose for ten seconds",
        |_| (),
        |world| {
            world.charged(12_000);
            let did = world.show(12_000, 10, |_, inputs| inputs.channels[CELL] = Sample::ConverterFault);
            assert!(did.iter().all(is_off), "{:?}", did[0]);
            // The relay rests for a minute. The soak of ten is not needed again.
            let did = world.show(12_000, 70, |_, _| ());
            assert!(is_off(&did[0]) && did[69].charge == Relay::Closed, "{:?}", did[69]);
        },
    ),
    (
        "a source is there, and charge never comes",
        |settings| settings.charge.overdue_after = Millis::from_secs(900),
        |world| {
            let outputs = world.well(3_000, 890);
            assert!(outputs.overdue.is_none() && !has(&outputs, SystemFault::ChargeOverdue), "{outputs:?}");
            let outputs = world.well(3_000, 20);
            assert!(outputs.overdue.is_some() && has(&outputs, SystemFault::ChargeOverdue), "{outputs:?}");
        },
    ),
];

#[test]
fn every_breakdown_ends_safe_and_is_named() {
    for (what, change, happens) in BREAKDOWNS {
        println!("{what}");
        happens(&mut World::new(change));
    }
}

//! The loop on a board that writes down what is done to it, in order.

extern crate std;
use super::*;
use core::cell::{Cell, RefCell};
use embedded_hal::digital::{Error, ErrorKind, ErrorType};
use forewarm_core::fault::ChannelFault;
use forewarm_core::quantity::{
    Celsius, Fraction, KelvinRate, Kelvins, MilliampHours, Millis, Millivolts, Milliwatts, Ohms, Ratio,
};
use forewarm_core::rtd::{Element, Leads, Measured};
use forewarm_core::settings::{BankUse, CeilingPoint, Channel, Charge, Heater, Hold, Role, Source, Trust};
use forewarm_core::signals::{Cause, Line, Sources};
use std::rc::Rc;
use std::vec::Vec;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Act {
    Heater(PinState),
    Charge(PinState),
    Alarm(PinState),
    Inputs,
    Recall,
    Store(Memory),
    Feed,
}

/// What a test sees of the board and changes on it while the application owns it.
#[derive(Default)]
struct World {
    acts: RefCell<Vec<Act>>,
    millis: Cell<u32>,
    cells: Cell<i32>,
    bus_dead: Cell<bool>,
    charge_pin_stuck: Cell<bool>,
    storage_dead: Cell<bool>,
}

impl World {
    /// What was done since the last time this was asked.
    fn acts(&self) -> Vec<Act> {
        self.acts.take()
    }

    fn note(&self, act: Act) {
        self.acts.borrow_mut().push(act);
    }
}

struct Pin {
    world: Rc<World>,
    act: fn(PinState) -> Act,
}

#[derive(Debug)]
struct Stuck;

impl Error for Stuck {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl ErrorType for Pin {
    type Error = Stuck;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Stuck> {
        let act = (self.act)(PinState::Low);
        self.world.note(act);
        let stuck = self.world.charge_pin_stuck.get() && matches!(act, Act::Charge(_));
        if stuck { Err(Stuck) } else { Ok(()) }
    }

    fn set_high(&mut self) -> Result<(), Stuck> {
        self.world.note((self.act)(PinState::High));
        Ok(())
    }
}

struct Bench {
    world: Rc<World>,
    heater: Pin,
    charge: Pin,
    alarm: Pin,
}

impl Board for Bench {
    type Heater = Pin;
    type Charge = Pin;
    type Alarm = Pin;
    type Error = ();

    fn heater(&mut self) -> &mut Pin {
        &mut self.heater
    }

    fn charge(&mut self) -> &mut Pin {
        &mut self.charge
    }

    fn alarm(&mut self) -> &mut Pin {
        &mut self.alarm
    }

    fn now(&mut self) -> Instant {
        Instant::from_millis(self.world.millis.get())
    }

    fn inputs(&mut self) -> Result<Inputs, ()> {
        self.world.note(Act::Inputs);
        if self.world.bus_dead.get() {
            return Err(());
        }
        let r = Element::pt100().resistance(Celsius::from_millidegrees(self.world.cells.get())).unwrap();
        let ratio = u32::try_from((u64::from(r.as_steps()) << 30) / u64::from(REFERENCE.as_steps())).unwrap();
        let mut inputs = Inputs {
            supply: Some(NOMINAL),
            bank: Some(NOMINAL),
            sources: Sources::NONE.with(0),
            charge_line: Line::Allowed,
            discharge_line: Line::Allowed,
            ..Inputs::DEAD
        };
        inputs.channels[0] = Sample::Fresh(Measured::element(Ratio::from_steps(ratio)));
        Ok(inputs)
    }

    fn recall(&mut self) -> Result<Memory, ()> {
        self.world.note(Act::Recall);
        if self.world.storage_dead.get() { Err(()) } else { Ok(Memory::default()) }
    }

    fn store(&mut self, memory: &Memory) -> Result<(), ()> {
        self.world.note(Act::Store(*memory));
        if self.world.storage_dead.get() { Err(()) } else { Ok(()) }
    }

    fn feed_watchdog(&mut self) {
        self.world.note(Act::Feed);
    }

    fn wait_for_next_step(&mut self) {
        self.world.millis.update(|millis| millis + 1000);
    }
}

const REFERENCE: Ohms = Ohms::from_milliohms(400_000);
const NOMINAL: Millivolts = Millivolts::from_millivolts(12_800);

/// One cell channel and one source that can pay for the heater.
fn settings() -> Settings {
    let (c, k, secs) = (Celsius::from_millidegrees, Kelvins::from_millikelvins, Millis::from_secs);
    let rate = KelvinRate::from_millikelvins_per_minute(3_000);
    let channel = Channel {
        role: Role::Cell,
        element: Element::pt100(),
        reference: REFERENCE,
        leads: Leads::FourWire,
        offset: Kelvins::ZERO,
    };
    let source = Source { budget: Milliwatts::from_milliwatts(200_000), priority: 0, settle: secs(2) };
    Settings {
        channels: [channel].into_iter().collect(),
        charge: Charge {
            inhibit: c(5_000),
            release: c(8_000),
            high_limit: c(45_000),
            high_release: c(42_000),
            soak: secs(60),
            min_off: secs(0),
            capacity: MilliampHours::from_milliamp_hours(100_000),
            ceiling: [CeilingPoint { at: c(5_000), limit: Fraction::from_per_mille(100) }].into_iter().collect(),
        },
        heater: Heater {
            start: c(7_000),
            stop: c(12_000),
            power: Milliwatts::from_milliwatts(60_000),
            nominal: NOMINAL,
            supply_min: Millivolts::from_millivolts(11_000),
            supply_max: Millivolts::from_millivolts(15_000),
            cutout_cell: c(30_000),
            cutout_pad: c(50_000),
            cutout_hysteresis: k(5_000),
            over_temperature: k(10_000),
            min_on: secs(0),
            min_off: secs(0),
            max_run: secs(3600),
            rest: secs(60),
            hold: Hold::WhileCharging,
            proof: None,
            cooling: None,
        },
        sources: [source].into_iter().collect(),
        bank: BankUse::Never,
        trust: Trust {
            good_run: 3,
            max_step: secs(15),
            max_age: secs(30),
            plausible_low: c(-45_000),
            plausible_high: c(100_000),
            noise: k(250),
            fastest_cell: rate,
            fastest_pad: rate,
            fastest_ambient: rate,
            disagreement: k(10_000),
            stuck_after: None,
            stuck_moved: k(5_000),
            restart_limit: 5,
            restart_window: secs(900),
            feedback: secs(5),
            button: secs(2),
        },
    }
}

fn world(cells_mc: i32) -> Rc<World> {
    Rc::new(World { cells: Cell::new(cells_mc), ..World::default() })
}

fn app(world: &Rc<World>, settings: Settings) -> App<Bench> {
    let pin = |act| Pin { world: Rc::clone(world), act };
    let (heater, charge, alarm) = (pin(Act::Heater), pin(Act::Charge), pin(Act::Alarm));
    App::new(Bench { world: Rc::clone(world), heater, charge, alarm }, settings)
}

/// Steps, a second apart, until `done`; what was done in that last step is left to be asked for.
fn step_until(app: &mut App<Bench>, world: &World, done: impl Fn(&Outputs) -> bool) -> Outputs {
    for _ in 0..200 {
        world.acts();
        let outputs = app.step().unwrap();
        app.board.wait_for_next_step();
        if done(&outputs) {
            return outputs;
        }
    }
    panic!("200 steps did not get there");
}

fn heating(outputs: &Outputs) -> bool {
    outputs.heater == Relay::Closed
}

fn charging(outputs: &Outputs) -> bool {
    outputs.charge == Relay::Closed
}

#[test]
fn both_relays_are_opened_before_anything_else() {
    let world = world(20_000);
    let _app = app(&world, settings());
    assert_eq!(world.acts(), [Act::Heater(PinState::Low), Act::Charge(PinState::Low), Act::Recall]);
}

#[test]
fn the_pins_follow_the_outputs() {
    let world = world(0);
    let mut app = app(&world, settings());
    step_until(&mut app, &world, heating);
    let acts = world.acts();
    assert!(acts.contains(&Act::Heater(PinState::High)) && acts.contains(&Act::Charge(PinState::Low)), "{acts:?}");
    assert!(acts.contains(&Act::Alarm(PinState::Low)), "{acts:?}");
}

#[test]
fn a_bus_that_does_not_answer_opens_both_relays_in_the_same_step() {
    for (cells, on) in [(0, heating as fn(&Outputs) -> bool), (20_000, charging)] {
        let world = world(cells);
        let mut app = app(&world, settings());
        step_until(&mut app, &world, on);
        world.acts();
        world.bus_dead.set(true);
        let outputs = app.step().unwrap();
        let acts = world.acts();
        assert!(acts.contains(&Act::Heater(PinState::Low)) && acts.contains(&Act::Charge(PinState::Low)), "{acts:?}");
        assert!(acts.contains(&Act::Alarm(PinState::High)), "{acts:?}");
        assert_eq!(outputs.faults.channels[0], Some(ChannelFault::Converter));
    }
}

#[test]
fn the_watchdog_is_fed_once_and_last_in_a_step() {
    let world = world(20_000);
    let mut app = app(&world, settings());
    for _ in 0..100 {
        world.acts();
        app.step().unwrap();
        app.board.wait_for_next_step();
        let acts = world.acts();
        assert_eq!(acts.first(), Some(&Act::Inputs));
        assert_eq!(acts.iter().position(|&act| act == Act::Feed), Some(acts.len() - 1), "{acts:?}");
    }
}

#[test]
fn a_pin_that_cannot_be_set_opens_the_other_relay_and_starves_the_watchdog() {
    let world = world(0);
    let mut app = app(&world, settings());
    step_until(&mut app, &world, heating);
    world.acts();
    world.charge_pin_stuck.set(true);
    assert_eq!(app.step(), Err(OutputStuck));
    let acts = world.acts();
    let heater = acts.iter().rfind(|act| matches!(act, Act::Heater(_)));
    assert_eq!(heater, Some(&Act::Heater(PinState::Low)), "{acts:?}");
    assert!(!acts.contains(&Act::Feed), "{acts:?}");
}

#[test]
fn invalid_settings_hold_both_outputs_off_and_sound_the_alarm() {
    let mut wrong = settings();
    wrong.charge.release = wrong.charge.inhibit;
    let world = world(20_000);
    let mut app = app(&world, wrong);
    assert!(matches!(app.settings_error(), Some(SettingsError::NotBelow { .. })));
    for _ in 0..100 {
        let outputs = app.step().unwrap();
        app.board.wait_for_next_step();
        assert_eq!(outputs.cause, Cause::System(SystemFault::SettingsInvalid));
    }
    let acts = world.acts();
    assert!(!acts.contains(&Act::Heater(PinState::High)) && !acts.contains(&Act::Charge(PinState::High)));
    assert!(acts.contains(&Act::Alarm(PinState::High)) && !acts.contains(&Act::Alarm(PinState::Low)));
    // Alive and saying so is better than restarting for ever.
    assert!(acts.contains(&Act::Feed));
}

fn stores(world: &World) -> usize {
    world.acts().iter().filter(|act| matches!(act, Act::Store(_))).count()
}

#[test]
fn what_must_survive_is_stored_when_it_changes_and_again_until_it_is_kept() {
    let world = world(20_000);
    let mut app = app(&world, settings());
    world.storage_dead.set(true);
    let mut step = || {
        app.step().unwrap();
        app.board.wait_for_next_step();
    };
    // That there was a restart is itself to be remembered.
    (0..3).for_each(|_| step());
    assert_eq!(stores(&world), 3, "kept nowhere yet");
    world.storage_dead.set(false);
    (0..3).for_each(|_| step());
    assert_eq!(stores(&world), 1, "storage wears: nothing is written twice");
}

#[test]
fn unreadable_storage_counts_as_every_latched_fault() {
    let world = world(0);
    world.storage_dead.set(true);
    let mut app = app(&world, settings());
    for _ in 0..100 {
        let outputs = app.step().unwrap();
        app.board.wait_for_next_step();
        assert_eq!(outputs.faults.system.and(SystemFaults::LATCHED), SystemFaults::LATCHED);
        assert!(!heating(&outputs));
    }
}

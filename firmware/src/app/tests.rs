//! Tests the loop on a board whose every part a test sets, breaks and reads.

extern crate std;
use super::*;
use crate::kept::Kept;
use crate::testing::{Act, Level, Restarted, TestBoard, UNSUITABLE, Wire, World, framed};
use forewarm_core::fault::{ChannelFault, SystemFaults};
use forewarm_core::quantity::{Fraction, Milliamps, Millis};
use forewarm_core::settings::ChargeCurrent;
use forewarm_core::signals::{Button, Cause, Line, Sample, Sources, State, Storage};
use forewarm_core::testing::{c, case, fine_inputs, sample, settings};
use forewarm_core::wire::record::{Fingerprint, RecordError};
use forewarm_core::wire::service::Misfit;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::rc::Rc;
use std::vec;
use std::vec::Vec;

/// Steps until `TRY_AGAIN` comes round, plus one.
const TRY_AGAIN: u32 = 60;

fn record_of(settings: &Settings) -> Vec<u8> {
    record::encode(settings, &mut [0; record::MAX_BYTES]).unwrap().to_vec()
}

/// These bytes with the checksum of frames and records after them, computed bit by bit.
fn sealed(bytes: &[u8]) -> Vec<u8> {
    let mut sum = u32::MAX;
    for byte in bytes {
        sum ^= u32::from(*byte);
        (0..8).for_each(|_| sum = if sum & 1 == 1 { (sum >> 1) ^ 0xEDB8_8320 } else { sum >> 1 });
    }
    [bytes, &(!sum).to_le_bytes()].concat()
}

/// A frame of these bytes, fewer than 254.
fn stuffed(bytes: &[u8]) -> Vec<u8> {
    let groups = bytes.split(|&byte| byte == 0);
    groups.flat_map(|group| [&[u8::try_from(group.len()).unwrap() + 1], group].concat()).chain([0]).collect()
}

/// A controller and its world.
struct Rig {
    world: Rc<World>,
    app: App<TestBoard>,
    built_in: &'static [u8],
}

fn started(world: &Rc<World>, built_in: &'static [u8]) -> App<TestBoard> {
    let mut app = App::new(world.hardware(), world.part(), built_in);
    app.start();
    app
}

impl Rig {
    /// The installation of the core's tests, with everything in it at this temperature in millidegrees.
    fn at(t: i32) -> Self {
        Self::of(World::new(&fine_inputs(&settings(), c(t))), &settings())
    }

    fn of(world: Rc<World>, built_in: &Settings) -> Self {
        let built_in = record_of(built_in).leak();
        Self { app: started(&world, built_in), world, built_in }
    }

    fn restart(&mut self) {
        self.app = started(&self.world, self.built_in);
    }

    fn try_second(&mut self) -> Result<Outputs, OutputStuck> {
        self.world.millis.update(|millis| millis.wrapping_add(1000));
        self.app.step()
    }

    fn second(&mut self) -> Outputs {
        self.try_second().unwrap()
    }

    fn seconds(&mut self, n: u32) -> Outputs {
        (1..n).for_each(|_| {
            self.second();
        });
        self.second()
    }

    fn until(&mut self, is_so: fn(&Outputs) -> bool) -> Outputs {
        for _ in 0..2_000 {
            let outputs = self.second();
            if is_so(&outputs) {
                return outputs;
            }
        }
        panic!("2000 seconds did not get there");
    }

    /// Turns until all that was sent has been heard. True if the board then restarted.
    fn hear(&mut self) -> bool {
        for _ in 0..1_000 {
            let is_last = self.world.is_all_heard();
            if let Err(reason) = catch_unwind(AssertUnwindSafe(|| self.app.turn())) {
                assert!(reason.is::<Restarted>(), "panicked");
                self.restart();
                return true;
            }
            if is_last {
                return false;
            }
        }
        panic!("it is never all heard");
    }

    /// The answers, and what the board reports after a restart.
    fn ask(&mut self, request: &Request<'_>) -> Vec<Message<'static>> {
        self.world.said();
        self.world.ask(request);
        self.hear();
        self.world.said()
    }

    /// The settings in force, or why there are none.
    fn identity(&mut self) -> Result<Fingerprint, Unfit> {
        match self.ask(&Request::Identify)[..] {
            [Message::Identity(Identity { settings, board: "bench", version: VERSION, caution: CAUTION })] => settings,
            ref other => panic!("{other:?}"),
        }
    }

    /// With someone at the board who holds the button.
    fn write(&mut self, replaces: Fingerprint, record: &[u8]) -> Vec<Message<'static>> {
        self.hold_button(3);
        let answers = self.ask(&Request::WriteSettings { replaces, record });
        self.world.change(|inputs| inputs.button = Button::Released);
        answers
    }

    /// Released, then down for this many steps.
    fn hold_button(&mut self, seconds: u32) {
        self.world.change(|inputs| inputs.button = Button::Released);
        self.second();
        self.world.change(|inputs| inputs.button = Button::Pressed);
        self.seconds(seconds);
    }

    /// The content of storage, as a start would find it.
    fn kept(&self) -> (Kept<crate::testing::Part>, [u8; SCRATCH]) {
        let world = World::new(&Inputs::DEAD);
        world.bytes.borrow_mut().clone_from(&self.world.bytes.borrow());
        let (mut kept, mut room) = (Kept::new(world.part()), [0; SCRATCH]);
        kept.open(&mut room);
        (kept, room)
    }

    fn kept_memory(&self) -> Option<Memory> {
        self.kept().0.memory().unwrap()
    }

    fn kept_totals(&self) -> Option<Counters> {
        let (mut kept, mut room) = self.kept();
        kept.totals(&mut room).unwrap()
    }

    fn memory(&self) -> Memory {
        self.app.unit.as_ref().unwrap().memory()
    }

    /// The pins of heater, charge permit and alarm.
    fn pins(&self) -> [bool; 3] {
        [Act::Heater, Act::Charge, Act::Alarm].map(|pin| self.world.pin(pin) == Some(PinState::High))
    }
}

fn heats(outputs: &Outputs) -> bool {
    outputs.heater == Relay::Closed
}

fn charges(outputs: &Outputs) -> bool {
    outputs.charge == Relay::Closed
}

fn has(outputs: &Outputs, fault: SystemFault) -> bool {
    outputs.faults.system.contains(fault)
}

fn keeps(acts: &[Act]) -> bool {
    acts.contains(&Act::Keep)
}

mod loops {
    use super::*;

    #[test]
    fn all_relays_are_opened_before_anything_else() {
        let world = World::new(&Inputs::DEAD);
        let mut app = App::<TestBoard>::new(world.hardware(), world.part(), &[]);
        let opened = [Act::Full, Act::Heater, Act::Charge].map(|relay: fn(PinState) -> Act| relay(PinState::Low));
        assert_eq!(world.acts(), opened);
        app.start();
        assert!(!world.acts().iter().any(|act| matches!(act, Act::Heater(_) | Act::Charge(_) | Act::Full(_))));
    }

    /// The decision comes after measuring and before driving.
    const fn rank(act: Act) -> u8 {
        match act {
            Act::Look | Act::Measure => 0,
            Act::Heater(PinState::Low)
            | Act::Charge(PinState::Low)
            | Act::Full(PinState::Low)
            | Act::Alarm(_)
            | Act::Ceiling(0)
            | Act::Lamp(_) => 1,
            Act::Recall | Act::Keep => 2,
            Act::Heater(PinState::High) | Act::Charge(PinState::High) | Act::Full(PinState::High) | Act::Ceiling(_) => {
                3
            }
            Act::Show => 4,
            Act::Say => 5,
            Act::Feed => 6,
            Act::Restart => 7,
        }
    }

    #[test]
    fn a_step_measures_opens_keeps_closes_shows_tells_and_feeds_the_watchdog_once_and_last() {
        let mut rig = Rig::at(0);
        let mut whole = 0;
        for second in 0..200 {
            rig.world.acts();
            rig.second();
            let ranks: Vec<_> = rig.world.acts().into_iter().map(rank).collect();
            assert!(ranks.is_sorted(), "{second}: {ranks:?}");
            assert_eq!(ranks.iter().position(|&rank| rank == 6), Some(ranks.len() - 1), "{second}");
            whole += u32::from((0..=6).all(|rank| ranks.contains(&rank)));
        }
        assert!(whole > 0, "in {whole} steps there was everything to do");
    }

    #[test]
    fn pins_lamp_and_display_follow_the_outputs() {
        let mut rig = Rig::at(0);
        let mut seen = [false; 4];
        for second in 0..3_000 {
            if second == 300 {
                (0..4).for_each(|n| rig.world.change(|i| i.channels[n] = sample(&settings().channels[n], c(20_000))));
            }
            // The jump counts as a fault, because no cell warms so fast. The button clears it.
            let button = if (340..350).contains(&second) { Button::Pressed } else { Button::Released };
            rig.world.change(|inputs| {
                inputs.supply = inputs.supply.filter(|_| second != 150);
                inputs.button = button;
            });
            let outputs = rig.second();
            let on = [heats(&outputs), charges(&outputs), outputs.alarm == Alarm::Sounding];
            assert_eq!(rig.pins(), on, "{second}");
            let lit = rig.world.pin(Act::Lamp) == Some(PinState::High);
            assert_eq!(lit, lamp::is_lit(rig.app.hardware.clock.now(), &outputs), "{second}");
            assert_eq!(rig.world.shown.get(), Some(outputs), "{second}");
            seen = [seen[0] | on[0], seen[1] | on[1], seen[2] | on[2], seen[3] | lit];
        }
        assert_eq!(seen, [true; 4]);
    }

    /// A charger in two steps of 40 A and 110 A. The cells may take at most 100 A.
    fn in_steps() -> Settings {
        let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
        let mut settings = settings();
        settings.sources[1].charge = ChargeCurrent::InSteps { reduced: amps(40), most: amps(110) };
        settings
    }

    #[test]
    fn the_full_charge_permit_comes_after_charge_and_goes_before_it() {
        let mut settings = in_steps();
        settings.charge.ceiling.iter_mut().for_each(|point| point.limit = Fraction::ONE);
        let mut rig = Rig::of(World::new(&fine_inputs(&settings, c(20_000))), &settings);
        rig.world.acts();
        rig.until(|outputs| outputs.full == Relay::Closed);
        let of = |acts: &[Act], act: Act| acts.iter().position(|&is| is == act).unwrap_or_else(|| panic!("{acts:?}"));
        let acts = rig.world.acts();
        assert!(of(&acts, Act::Charge(PinState::High)) < of(&acts, Act::Full(PinState::High)));
        rig.world.change(|inputs| inputs.channels[0] = Sample::ConverterFault);
        rig.second();
        let acts = rig.world.acts();
        assert!(of(&acts, Act::Full(PinState::Low)) < of(&acts, Act::Charge(PinState::Low)));
    }

    #[test]
    fn where_the_larger_step_is_too_much_its_pin_stays_low_while_charge_is_permitted() {
        let settings = in_steps();
        let mut rig = Rig::of(World::new(&fine_inputs(&settings, c(20_000))), &settings);
        rig.until(charges);
        rig.seconds(2_000);
        assert_eq!((rig.world.pin(Act::Charge), rig.world.pin(Act::Full)), (Some(PinState::High), Some(PinState::Low)));
    }

    #[test]
    fn the_pulses_are_as_wide_as_the_ceiling_and_end_in_the_step_in_which_the_permit_does() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let outputs = rig.second();
        let ceiling = u16::try_from(outputs.ceiling.as_per_mille()).expect("at most 1 C here");
        assert!(ceiling > 0 && rig.world.ceiling.get() == ceiling, "{} for {outputs:?}", rig.world.ceiling.get());
        rig.world.change(|inputs| inputs.channels[0] = Sample::ConverterFault);
        rig.second();
        assert_eq!(rig.world.ceiling.get(), 0);
    }

    #[test]
    fn a_ceiling_pin_that_cannot_be_set_opens_all_relays_and_starves_the_watchdog() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        rig.world.stuck.set(|act| matches!(act, Act::Ceiling(_)));
        rig.world.acts();
        assert_eq!(rig.try_second(), Err(OutputStuck));
        assert_eq!(rig.pins()[..2], [false; 2]);
        assert!(!rig.world.acts().contains(&Act::Feed));
    }

    #[test]
    fn a_full_charge_permit_pin_that_cannot_be_set_opens_all_relays_and_starves_the_watchdog() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        rig.world.stuck.set(|act| matches!(act, Act::Full(_)));
        rig.world.acts();
        assert_eq!(rig.try_second(), Err(OutputStuck));
        assert_eq!(rig.pins()[..2], [false; 2]);
        assert!(!rig.world.acts().contains(&Act::Feed));
    }

    #[test]
    fn a_converter_that_fails_opens_both_relays_in_the_same_step() {
        for (t, is_on) in [(0, heats as fn(&Outputs) -> bool), (20_000, charges)] {
            let mut rig = Rig::at(t);
            rig.until(is_on);
            rig.world.change(|inputs| inputs.channels = [Sample::ConverterFault; MAX_CHANNELS]);
            let outputs = rig.second();
            assert_eq!(outputs.faults.channels[0], Some(ChannelFault::Converter));
            assert_eq!(rig.pins(), [false, false, true]);
        }
    }

    #[test]
    fn a_converter_that_repeats_itself_opens_both_relays_in_the_same_step() {
        for (t, is_on) in [(0, heats as fn(&Outputs) -> bool), (20_000, charges)] {
            let mut rig = Rig::at(t);
            rig.until(is_on);
            rig.world.converter_hangs.set(true);
            let outputs = rig.second();
            assert_eq!(outputs.faults.channels[0], Some(ChannelFault::Converter));
            assert_eq!(rig.pins(), [false, false, true]);
        }
    }

    #[test]
    fn a_converter_that_never_answers_opens_both_relays_when_its_readings_are_too_old() {
        for (t, is_on) in [(0, heats as fn(&Outputs) -> bool), (20_000, charges)] {
            let mut rig = Rig::at(t);
            rig.until(is_on);
            rig.world.change(|inputs| inputs.channels = [Sample::None; MAX_CHANNELS]);
            rig.seconds(settings().trust.max_age.as_millis() / 1000 + 1);
            assert_eq!(rig.pins()[..2], [false; 2]);
        }
    }

    #[test]
    fn a_pin_that_cannot_be_set_opens_the_other_relay_and_starves_the_watchdog() {
        let heater: fn(Act) -> bool = |act| matches!(act, Act::Heater(_));
        let charge: fn(Act) -> bool = |act| matches!(act, Act::Charge(_));
        let alarm: fn(Act) -> bool = |act| matches!(act, Act::Alarm(_));
        for (t, is_on, stuck) in [
            (0, heats as fn(&Outputs) -> bool, charge),
            (0, heats, alarm),
            (20_000, charges, heater),
            (20_000, charges, alarm),
        ] {
            let mut rig = Rig::at(t);
            rig.until(is_on);
            for _ in 0..3 {
                rig.world.stuck.set(stuck);
                rig.world.acts();
                assert_eq!(rig.try_second(), Err(OutputStuck));
                assert_eq!(rig.pins()[..2], [false; 2]);
                let acts = rig.world.acts();
                assert!(!acts.contains(&Act::Feed));
                // Not even for a moment, unless the pin that sticks is that of the relay set last.
                if stuck(Act::Alarm(PinState::Low)) {
                    let high = PinState::High;
                    let closed = |act: &Act| [Act::Heater(high), Act::Charge(high), Act::Full(high)].contains(act);
                    assert!(!acts.iter().any(closed), "{acts:?}");
                }
            }
        }
    }

    #[test]
    fn the_lamp_blinks_between_two_steps() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        rig.world.change(|inputs| inputs.channels[0] = Sample::ConverterFault);
        assert_eq!(rig.second().alarm, Alarm::Sounding);
        rig.world.acts();
        for _ in 0..1000 {
            rig.world.millis.update(|ms| ms + 1);
            rig.app.turn();
        }
        let lit: Vec<bool> = rig
            .world
            .acts()
            .iter()
            .filter_map(|act| match act {
                Act::Lamp(level) => Some(*level == PinState::High),
                _ => None,
            })
            .collect();
        let changes = lit.windows(2).filter(|pair| pair[0] != pair[1]).count();
        assert!((6..=9).contains(&changes), "{changes} in a second of a lamp that changes each 128 ms");
    }

    #[test]
    fn a_fault_that_latches_while_a_pin_cannot_be_set_is_kept() {
        let mut rig = Rig::at(0);
        rig.until(heats);
        rig.world.stuck.set(|act| matches!(act, Act::Charge(_)));
        rig.world.set(Wire::HeaterFeedback, Level::Low);
        (0..20).for_each(|_| assert_eq!(rig.try_second(), Err(OutputStuck)));
        assert!(rig.kept_memory().unwrap().latched.contains(SystemFault::HeaterNotClosing));
    }

    #[test]
    fn a_lamp_that_cannot_be_set_harms_nobody() {
        let mut rig = Rig::at(20_000);
        rig.world.stuck.set(|act| matches!(act, Act::Lamp(_)));
        rig.until(charges);
        assert!(rig.world.acts().contains(&Act::Feed));
    }

    #[test]
    fn a_step_comes_when_the_clock_says_so_and_only_then() {
        let mut rig = Rig::at(0);
        rig.world.acts();
        (0..50).for_each(|_| rig.app.turn());
        assert!(!rig.world.acts().contains(&Act::Feed));
        rig.world.is_step_due.set(true);
        (0..50).for_each(|_| rig.app.turn());
        assert_eq!(rig.world.acts().iter().filter(|&&act| act == Act::Feed).count(), 1);
    }
}

mod unfit {
    use super::*;

    fn invalid() -> Settings {
        let mut settings = settings();
        settings.charge.release = settings.charge.inhibit;
        settings
    }

    fn other_version() -> Vec<u8> {
        let record = record_of(&settings());
        let mut body = record[..record.len() - 4].to_vec();
        body[0] = record::VERSION + 1;
        sealed(&body)
    }

    /// Records that are not settings, and why.
    fn records() -> [(Vec<u8>, Unfit); 6] {
        let mut damaged = record_of(&settings());
        damaged[20] ^= 1;
        let mut unsuitable = settings();
        unsuitable.channels[1].reference = UNSUITABLE;
        let misfit = Misfit::Reference { channel: 1, least_ohm: 300, most_ohm: 10_000 };
        [
            (record_of(&invalid()), Unfit::Settings),
            (record_of(&unsuitable), Unfit::Misfit(misfit)),
            (damaged, Unfit::Record(RecordError::Damaged)),
            (vec![7; 3], Unfit::Record(RecordError::Damaged)),
            (other_version(), Unfit::Record(RecordError::OtherVersion(record::VERSION + 1))),
            (sealed(&[record::VERSION, 0xFF]), Unfit::Record(RecordError::Malformed)),
        ]
    }

    fn is_off_and_says_why(rig: &mut Rig, why: Unfit) {
        for _ in 0..100 {
            rig.world.acts();
            let outputs = rig.second();
            assert_eq!(outputs.cause, Cause::System(SystemFault::SettingsInvalid));
            assert_eq!(rig.pins(), [false, false, true]);
            assert_eq!(rig.world.acts().last(), Some(&Act::Feed), "alive and saying so beats restarting for ever");
        }
        assert_eq!(rig.identity(), Err(why));
        assert_eq!(rig.ask(&Request::ReadTotals), [Message::Totals(Counters::default())]);
        assert_eq!(rig.ask(&Request::ReadEvents { from: 0 }), [Message::Done]);
        assert_eq!(rig.ask(&Request::SendTelemetry { every: 1 }), [Message::Done]);
        rig.second();
        let [Message::Telemetry(telemetry)] = rig.world.said()[..] else { panic!("no telemetry") };
        assert_eq!(telemetry.outputs, Outputs::all_off(SystemFault::SettingsInvalid));
    }

    #[test]
    fn built_in_settings_that_are_not_fit_hold_both_outputs_off_and_are_named() {
        for (record, why) in records() {
            let world = World::new(&fine_inputs(&settings(), c(20_000)));
            let built_in = record.clone().leak();
            let mut rig = Rig { app: started(&world, built_in), world, built_in };
            is_off_and_says_why(&mut rig, why);
            let origin = Origin::BuiltIn;
            assert_eq!(rig.ask(&Request::ReadSettings), [Message::Settings { origin, record: &record }]);
        }
    }

    #[test]
    fn without_any_settings_both_outputs_stay_off_until_some_are_written() {
        let world = World::new(&fine_inputs(&settings(), c(20_000)));
        let mut rig = Rig { app: started(&world, &[]), world, built_in: &[] };
        is_off_and_says_why(&mut rig, Unfit::Missing);
        assert_eq!(rig.ask(&Request::ReadSettings), [Message::Refused(Refusal::Unfit(Unfit::Missing))]);
        let new = record_of(&settings());
        let answers = rig.write(Fingerprint::NONE, &new);
        assert_eq!(answers[0], Message::Accepted { fingerprint: record::fingerprint(&new) });
    }

    #[test]
    fn stored_settings_that_are_not_fit_never_make_way_for_those_built_in_and_others_replace_them() {
        let memory = Memory { latched: SystemFaults::NONE.with(SystemFault::ChargeWelded), ..Memory::default() };
        for (record, why) in records() {
            let world = World::new(&fine_inputs(&settings(), c(20_000)));
            let mut room = [0; SCRATCH];
            let mut kept = Kept::new(world.part());
            kept.open(&mut room);
            kept.keep_record(&mut room, memory, &record).unwrap();
            let mut rig = Rig::of(world, &settings());
            is_off_and_says_why(&mut rig, why);
            let origin = Origin::Stored;
            assert_eq!(rig.ask(&Request::ReadSettings), [Message::Settings { origin, record: &record }]);
            let new = record_of(&settings());
            let answers = rig.write(record::fingerprint(&record), &new);
            assert_eq!(answers[0], Message::Accepted { fingerprint: record::fingerprint(&new) }, "{why:?}");
            assert_eq!(rig.identity(), Ok(record::fingerprint(&new)));
            assert!(has(&rig.second(), SystemFault::ChargeWelded), "it is latched still");
        }
    }

    #[test]
    fn unreadable_storage_latches_everything_until_settings_are_uploaded_and_the_button_is_pressed() {
        let world = World::new(&fine_inputs(&settings(), c(0)));
        world.bytes.borrow_mut().fill(0x5A);
        let mut rig = Rig::of(world, &settings());
        is_off_and_says_why(&mut rig, Unfit::Unreadable);
        assert_eq!(rig.ask(&Request::ReadSettings), [Message::Refused(Refusal::Unfit(Unfit::Unreadable))]);
        let new = record_of(&settings());
        let answers = rig.write(Fingerprint::NONE, &new);
        assert_eq!(answers[0], Message::Accepted { fingerprint: record::fingerprint(&new) });
        let outputs = rig.seconds(700);
        assert_eq!(outputs.faults.system.and(SystemFaults::LATCHED), SystemFaults::LATCHED);
        assert_eq!(rig.pins(), [false, false, true]);
        rig.world.change(|inputs| inputs.button = Button::Pressed);
        rig.seconds(10);
        rig.world.change(|inputs| inputs.button = Button::Released);
        rig.until(heats);
        assert_eq!(rig.kept_memory().unwrap().latched, SystemFaults::NONE);
    }

    #[test]
    fn storage_that_does_not_answer_is_unreadable_and_takes_no_settings() {
        let world = World::new(&fine_inputs(&settings(), c(20_000)));
        world.fails_to_read.set(true);
        world.fails_to_write.set(true);
        let mut rig = Rig::of(world, &settings());
        is_off_and_says_why(&mut rig, Unfit::Unreadable);
        assert_eq!(rig.write(Fingerprint::NONE, &record_of(&settings())), [Message::Refused(Refusal::NotKept)]);
        rig.world.fails_to_read.set(false);
        rig.world.fails_to_write.set(false);
        rig.restart();
        rig.until(charges);
    }

    #[test]
    fn settings_that_are_not_fit_are_refused_and_change_nothing() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let in_force = rig.identity().unwrap();
        let before = rig.world.bytes.borrow().clone();
        for (record, why) in records() {
            assert_eq!(rig.write(in_force, &record), [Message::Refused(Refusal::Unfit(why))]);
        }
        assert_eq!(*rig.world.bytes.borrow(), before);
        assert!(charges(&rig.second()));
    }
}

mod keeping {
    use super::*;

    #[test]
    fn what_must_survive_is_kept_in_the_step_in_which_it_changes_and_nothing_is_written_twice() {
        let mut changes = 0;
        for seed in 0..20 {
            let (settings, history) = case(seed);
            let mut rig = Rig::of(World::new(&Inputs::DEAD), &settings);
            let (mut memory, mut event, mut restarted) = (None, None, true);
            for moment in history.moments(&settings) {
                if moment.restart {
                    rig.restart();
                    (event, restarted) = (None, true);
                }
                rig.world.millis.set(moment.now.as_millis());
                rig.world.show(&moment.inputs);
                rig.world.acts();
                rig.app.step().unwrap();
                let now = (Some(rig.memory()), rig.app.unit.as_ref().unwrap().journal().latest());
                let is_kept = keeps(&rig.world.acts());
                if now.0 != memory {
                    changes += 1;
                    assert_eq!(rig.kept_memory(), now.0, "{seed}");
                }
                // The start of the program is kept along with the first event.
                let is_new = now != (memory, event) || restarted;
                assert!(is_new || !is_kept, "{seed}: written although nothing is new");
                (memory, event) = now;
                restarted = false;
            }
        }
        assert!(changes > 40, "{changes}");
    }

    /// Power is cut at every write of a step in which something changes, and half-way through it too. What is then on
    /// agrees with storage. So a start finds every fault that latched, except one that has just opened a relay, because
    /// a switch-off waits for nothing. The next start judges such a fault again by what is still there.
    #[test]
    fn a_cut_of_power_at_any_write_forgets_no_fault_that_has_not_just_opened_a_relay_and_no_run_of_the_heater() {
        let (mut cuts, mut latches, mut ons) = (0, 0, 0);
        for seed in 0..150 {
            let (settings, history) = case(seed);
            let mut moments = history.moments(&settings);
            moments.truncate(1_500);
            // A run of the bare core shows which steps change what must survive.
            let valid = settings.clone().validate().unwrap();
            let mut unit = Unit::new(&valid, Memory::default());
            let mut stories: Vec<(usize, Memory)> = Vec::new();
            let mut memory = unit.memory();
            for (index, moment) in moments.iter().enumerate() {
                if moment.restart || moment.inputs.storage == Storage::Failing {
                    break;
                }
                unit.step(moment.now, &moment.inputs);
                let latched = unit.memory().latched != memory.latched;
                if latched || (unit.memory().run.begun > memory.run.begun && stories.len() < 2) {
                    stories.push((index, memory));
                }
                memory = unit.memory();
            }
            for (at, before) in stories.into_iter().take(4) {
                for writes in 0..40 {
                    let mut rig = Rig::of(World::new(&Inputs::DEAD), &settings);
                    for moment in &moments[..at] {
                        rig.world.millis.set(moment.now.as_millis());
                        rig.world.show(&moment.inputs);
                        rig.app.step().unwrap();
                    }
                    let pins = rig.pins();
                    rig.world.cut_after.set(Some(writes));
                    rig.world.millis.set(moments[at].now.as_millis());
                    rig.world.show(&moments[at].inputs);
                    let outcome = catch_unwind(AssertUnwindSafe(|| rig.app.step()));
                    rig.world.cut_after.set(None);
                    let now = rig.pins();
                    let found = rig.kept_memory().unwrap_or_default();
                    let changed = rig.memory();
                    let opened = (0..2).any(|relay| pins[relay] && !now[relay]);
                    if now[0] {
                        assert!(
                            found.run.begun >= changed.run.begun.min(before.run.begun.max(1)),
                            "{seed}, {at}, {writes}: {found:?}"
                        );
                        assert!(
                            pins[0] || found == changed,
                            "{seed}, {at}, {writes}: the heater closed before that was kept"
                        );
                    }
                    if outcome.is_ok() {
                        assert_eq!(found, changed);
                        break;
                    }
                    assert!(outcome.err().unwrap().is::<crate::testing::PowerLost>(), "panicked");
                    cuts += 1;
                    let new = changed.latched.without(before.latched);
                    latches += u32::from(!new.is_empty());
                    ons += u32::from(!pins[0] && changed.run.begun > 0);
                    // Either it is there, or it is as if this step had not been: the board has done nothing that the
                    // new memory would have forbidden.
                    let is_there = found.latched.and(new) == new;
                    assert!(
                        is_there || opened || now[..2] == pins[..2],
                        "{seed}, {at}, {writes}: {new:?} is forgotten"
                    );
                    assert!(
                        found == changed || found == before || found == Memory::default(),
                        "{seed}, {at}, {writes}: {found:?}"
                    );
                }
            }
        }
        assert!(cuts > 300 && latches > 100 && ons > 20, "{cuts} {latches} {ons}");
    }

    #[test]
    fn what_could_not_be_kept_is_tried_again_now_and_then_until_it_is_kept() {
        let mut rig = Rig::at(20_000);
        rig.world.fails_to_write.set(true);
        let tries: Vec<_> = (0..=TRY_AGAIN * 5)
            .filter(|_| {
                rig.world.acts();
                rig.second();
                keeps(&rig.world.acts())
            })
            .collect();
        // Two more things must be kept: that charge is waited for and, after the run of readings, a quarter of the
        // soak.
        let (waits, quarter) = (1, 152);
        assert_eq!(tries, [0, waits, TRY_AGAIN, TRY_AGAIN * 2, quarter, TRY_AGAIN * 3, TRY_AGAIN * 4, TRY_AGAIN * 5]);
        assert_eq!(rig.kept_memory(), None);
        rig.world.fails_to_write.set(false);
        rig.seconds(TRY_AGAIN);
        assert_eq!(rig.kept_memory(), Some(rig.memory()));
        assert!(!has(&rig.second(), SystemFault::StorageFailing));
        rig.until(charges);
        // The wait is forgotten in a 24th of the time.
        rig.seconds(TRY_AGAIN);
        rig.world.acts();
        rig.seconds(TRY_AGAIN * 3);
        assert!(!keeps(&rig.world.acts()));
    }

    #[test]
    fn while_storage_fails_the_heater_is_off_and_charge_goes_on() {
        for t in [0, 20_000] {
            let mut rig = Rig::at(t);
            rig.world.fails_to_write.set(true);
            rig.second();
            for _ in 0..1_000 {
                let outputs = rig.second();
                assert!(has(&outputs, SystemFault::StorageFailing) && !heats(&outputs));
                assert_eq!(outputs.alarm, Alarm::Sounding);
            }
            assert_eq!(charges(&rig.second()), t > 0);
            rig.world.fails_to_write.set(false);
            rig.until(if t > 0 { charges } else { heats });
        }
    }

    #[test]
    fn storage_that_has_failed_is_trusted_again_only_once_it_has_taken_something() {
        let mut rig = Rig::at(0);
        rig.until(heats);
        rig.second();
        rig.world.fails_to_write.set(true);
        // Nothing that must survive changes. Only an event comes.
        rig.world.change(|inputs| inputs.sources = Sources::NONE);
        rig.second();
        rig.world.change(|inputs| inputs.sources = Sources::NONE.with(1));
        for second in 0..TRY_AGAIN * 5 {
            let outputs = rig.second();
            assert!(has(&outputs, SystemFault::StorageFailing) && !heats(&outputs), "{second}");
        }
        rig.world.fails_to_write.set(false);
        rig.until(heats);
    }

    #[test]
    fn a_latched_fault_survives_a_restart() {
        let mut rig = Rig::at(0);
        rig.world.set(Wire::HeaterFeedback, Level::High);
        rig.until(|outputs| has(outputs, SystemFault::HeaterWelded));
        rig.restart();
        rig.world.set(Wire::HeaterFeedback, Level::Low);
        for _ in 0..1_000 {
            let outputs = rig.second();
            assert!(has(&outputs, SystemFault::HeaterWelded) && !heats(&outputs));
        }
    }

    fn events(rig: &mut Rig, from: u32) -> Vec<(u32, u32, State)> {
        let mut answers = rig.ask(&Request::ReadEvents { from });
        assert_eq!(answers.pop(), Some(Message::Done));
        let event = |answer| match answer {
            Message::Event(kept) => (kept.number, kept.start, kept.event.state),
            other => panic!("{other:?}"),
        };
        answers.into_iter().map(event).collect()
    }

    #[test]
    fn events_are_kept_as_they_come_and_tell_the_starts_apart() {
        use State::{Permitting, Soaking, Starting, Waiting, Warming};
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let first = [(0, 1, Starting), (1, 1, Soaking), (2, 1, Permitting)];
        assert_eq!(events(&mut rig, 0), first);
        rig.world.show(&fine_inputs(&settings(), c(0)));
        rig.restart();
        assert_eq!(events(&mut rig, 0), first);
        rig.until(heats);
        let second = events(&mut rig, 3);
        assert!(second.iter().all(|&(_, start, _)| start == 2), "{second:?}");
        let states: Vec<_> = second.iter().map(|&(.., state)| state).collect();
        assert!(states.starts_with(&[Starting]) && states.ends_with(&[Warming]), "{states:?}");
        assert!(states[1..states.len() - 1].iter().all(|&state| state == Waiting), "{states:?}");
        assert_eq!(events(&mut rig, 100), []);
    }

    #[test]
    fn a_flood_of_events_is_held_back_and_counted() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let before = events(&mut rig, 0).len();
        // It counts as allowing after three looks.
        for second in 0..600 {
            let line = if second % 4 == 0 { Line::Refused } else { Line::Allowed };
            rig.world.change(|inputs| inputs.charge_line = line);
            rig.second();
        }
        let journal = rig.app.unit.as_ref().unwrap().journal().latest().unwrap();
        assert!(journal.at.since(Instant::from_millis(0)) > Millis::from_secs(780), "events came to the end");
        let kept = events(&mut rig, 0).len();
        assert!(kept > before && kept <= 18, "{kept}");
        rig.ask(&Request::SendTelemetry { every: 1 });
        rig.second();
        let [Message::Telemetry(telemetry)] = rig.world.said()[..] else { panic!("no telemetry") };
        assert!(telemetry.events_dropped > 100, "{}", telemetry.events_dropped);
    }

    #[test]
    fn events_that_come_while_storage_fails_are_counted() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let before = rig.app.archive.dropped;
        rig.world.fails_to_write.set(true);
        for changes in 1..=3 {
            let (line, looks) = if changes == 2 { (Line::Allowed, 3) } else { (Line::Refused, 1) };
            rig.world.change(|inputs| inputs.charge_line = line);
            rig.seconds(looks);
            assert_eq!(rig.app.archive.dropped, before + changes);
        }
    }

    #[test]
    fn totals_go_on_where_they_were_kept() {
        let mut settings = settings();
        settings.heater.proof = None;
        let mut rig = Rig::of(World::new(&fine_inputs(&settings, c(0))), &settings);
        rig.until(heats);
        rig.seconds(3_600);
        let Some(kept) = rig.kept_totals() else { panic!("no totals kept in an hour") };
        assert!(kept.heater_on_ms > 3_000_000, "{kept:?}");
        rig.restart();
        assert_eq!(rig.ask(&Request::ReadTotals), [Message::Totals(kept)]);
        rig.until(heats);
        rig.seconds(100);
        let [Message::Totals(totals)] = rig.ask(&Request::ReadTotals)[..] else { panic!("no totals") };
        assert_eq!(totals, kept.plus(rig.app.unit.as_ref().unwrap().counters()));
        assert_eq!(totals.heater_on_ms, kept.heater_on_ms + 100_000);
        rig.seconds(3_600);
        let latest = rig.kept_totals().unwrap();
        assert!(latest.heater_on_ms > totals.heater_on_ms + 3_000_000, "those before are in it: {latest:?}");
        rig.restart();
        assert_eq!(rig.ask(&Request::ReadTotals), [Message::Totals(latest)]);
    }
}

mod service_line {
    use super::*;

    /// Cells at 20 °C are too cold for these settings.
    fn other_settings() -> Settings {
        let mut other = settings();
        other.charge.release = c(21_000);
        other.heater.stop = c(24_000);
        other
    }

    #[test]
    fn every_request_is_answered() {
        let mut rig = Rig::at(20_000);
        let record = rig.built_in;
        let fingerprint = record::fingerprint(record);
        assert_eq!(rig.identity(), Ok(fingerprint));
        let settings = Message::Settings { origin: Origin::BuiltIn, record };
        assert_eq!(rig.ask(&Request::ReadSettings), [settings]);
        assert_eq!(rig.write(fingerprint, record)[0], Message::Accepted { fingerprint });
        let settings = Message::Settings { origin: Origin::Stored, record };
        assert_eq!(rig.ask(&Request::ReadSettings), [settings]);
        rig.second();
        assert!(matches!(rig.ask(&Request::ReadEvents { from: 0 })[..], [Message::Event(_), .., Message::Done]));
        assert!(matches!(rig.ask(&Request::ReadTotals)[..], [Message::Totals(_)]));
        assert_eq!(rig.ask(&Request::SendTelemetry { every: 3 }), [Message::Done]);
    }

    #[test]
    fn it_says_who_it_is_at_every_start() {
        let rig = Rig::at(20_000);
        let settings = Ok(record::fingerprint(rig.built_in));
        let identity = Identity { version: VERSION, board: "bench", settings, caution: CAUTION };
        assert_eq!(rig.world.said(), [Message::Identity(identity)]);
    }

    #[test]
    fn other_settings_are_kept_read_back_and_in_force_after_a_restart_with_the_relays_open() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let record = record_of(&other_settings());
        let fingerprint = record::fingerprint(&record);
        rig.world.acts();
        let replaces = record::fingerprint(rig.built_in);
        let answers = rig.write(replaces, &record);
        assert!(
            matches!(answers[..], [Message::Accepted { fingerprint: f }, Message::Identity(i)]
            if f == fingerprint && i.settings == Ok(fingerprint)),
            "{answers:?}"
        );
        let acts = rig.world.acts();
        let restart = acts.iter().position(|&act| act == Act::Restart).expect("it restarts");
        assert!(acts[..restart].contains(&Act::Charge(PinState::Low)), "{acts:?}");
        assert_eq!(rig.pins()[..2], [false; 2]);
        assert!((0..1_000).all(|_| !charges(&rig.second())), "the new release holds");
        // The same upload again finds other settings in force.
        let refusal = Refusal::NotTheOnesInForce { fingerprint };
        assert_eq!(rig.write(replaces, rig.built_in), [Message::Refused(refusal)]);
        assert_eq!(rig.write(replaces, &record), [Message::Refused(refusal)]);
        assert_eq!(rig.identity(), Ok(fingerprint));
    }

    /// The line alone allows reading everything and changing nothing.
    #[test]
    fn an_upload_without_the_button_is_refused_and_touches_no_output() {
        let (mut rig, record) = (Rig::at(20_000), record_of(&other_settings()));
        rig.until(charges);
        let in_force = rig.identity().unwrap();
        let refusal = [Message::Refused(Refusal::ButtonNotHeld)];
        let request = Request::WriteSettings { replaces: in_force, record: &record };
        rig.world.acts();
        assert_eq!(rig.ask(&request), refusal, "nobody there");
        rig.hold_button(2);
        assert_eq!(rig.ask(&request), refusal, "a touch");
        rig.seconds(5);
        rig.world.change(|inputs| inputs.button = Button::Released);
        rig.world.millis.update(|millis| millis.wrapping_add(1));
        rig.hear();
        assert_eq!(rig.ask(&request), refusal, "let go since the last step");
        rig.hold_button(100);
        assert_eq!(rig.ask(&request), refusal, "something lies on it");
        rig.restart();
        rig.seconds(10);
        assert_eq!(rig.ask(&request), refusal, "it has been down since the start");
        assert!(!rig.world.acts().contains(&Act::Restart));
        let record = rig.built_in;
        assert_eq!(rig.ask(&Request::ReadSettings), [Message::Settings { origin: Origin::BuiltIn, record }]);
        assert_eq!(rig.identity(), Ok(in_force));
    }

    #[test]
    fn an_upload_that_is_refused_for_what_it_holds_touches_no_output() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let in_force = rig.identity().unwrap();
        let mut unfit = settings();
        unfit.charge.inhibit = c(0);
        rig.hold_button(3);
        rig.world.acts();
        for (replaces, record, refusal) in [
            (Fingerprint::NONE, record_of(&settings()), Refusal::NotTheOnesInForce { fingerprint: in_force }),
            (in_force, record_of(&unfit), Refusal::Unfit(Unfit::Settings)),
            (in_force, vec![1, 2, 3], Refusal::Unfit(Unfit::Record(RecordError::Damaged))),
        ] {
            assert_eq!(rig.ask(&Request::WriteSettings { replaces, record: &record }), [Message::Refused(refusal)]);
        }
        let opens = rig.world.acts().into_iter().any(|act| matches!(act, Act::Charge(_) | Act::Restart));
        assert!(!opens);
        assert!(charges(&rig.second()));
    }

    #[test]
    fn both_outputs_are_off_before_the_first_byte_of_new_settings_is_written() {
        for t in [20_000, 0] {
            let mut rig = Rig::at(t);
            rig.until(if t > 0 { charges } else { heats });
            let in_force = rig.identity().unwrap();
            rig.hold_button(3);
            rig.world.acts();
            rig.world.fails_to_write.set(true);
            let request = Request::WriteSettings { replaces: in_force, record: &record_of(&other_settings()) };
            assert_eq!(rig.ask(&request), [Message::Refused(Refusal::NotKept)]);
            let acts = rig.world.acts();
            assert!(acts.contains(&Act::Charge(PinState::Low)) && acts.contains(&Act::Heater(PinState::Low)));
            assert_eq!(rig.pins()[..2], [false; 2]);
        }
    }

    #[test]
    fn so_many_uploads_are_taken_until_the_controller_has_run_for_an_hour() {
        let mut rig = Rig::at(20_000);
        let records = [record_of(&settings()), record_of(&other_settings())];
        let mut accepted = 0;
        let upload = |rig: &mut Rig| {
            let in_force = rig.identity().unwrap();
            let record = records.iter().find(|record| record::fingerprint(record) != in_force).unwrap();
            rig.write(in_force, record)[0]
        };
        while matches!(upload(&mut rig), Message::Accepted { .. }) {
            accepted += 1;
            assert!(accepted < 100);
        }
        assert_eq!(accepted, 6);
        rig.seconds(3_000);
        rig.restart();
        rig.seconds(3_000);
        assert_eq!(upload(&mut rig), Message::Refused(Refusal::TooMany), "a restart forgets none");
        rig.seconds(700);
        assert!(matches!(upload(&mut rig), Message::Accepted { .. }));
    }

    #[test]
    fn settings_that_cannot_be_kept_are_refused_and_those_before_stay() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        let in_force = rig.identity().unwrap();
        let other = other_settings();
        rig.world.fails_to_write.set(true);
        assert_eq!(rig.write(in_force, &record_of(&other)), [Message::Refused(Refusal::NotKept)]);
        assert!(has(&rig.second(), SystemFault::StorageFailing), "and someone is told");
        rig.world.fails_to_write.set(false);
        rig.restart();
        assert_eq!(rig.identity(), Ok(in_force));
    }

    fn dropped(rig: &mut Rig) -> u32 {
        rig.ask(&Request::SendTelemetry { every: 1 });
        rig.second();
        match rig.world.said()[..] {
            [Message::Telemetry(telemetry)] => telemetry.frames_dropped,
            ref other => panic!("{other:?}"),
        }
    }

    #[test]
    fn what_is_no_request_is_answered_by_nothing_counted_and_harmless_to_the_next() {
        let whole = framed(&Request::Identify);
        let mut truncated = framed(&Request::WriteSettings { replaces: Fingerprint::NONE, record: &[5; 200] });
        truncated.truncate(100);
        truncated.push(0);
        let mut flipped = whole.clone();
        flipped[1] ^= 4;
        let unknown = stuffed(&sealed(&[forewarm_core::wire::frame::PROTOCOL, 200]));
        let more = stuffed(&sealed(&[forewarm_core::wire::frame::PROTOCOL, 0, 0]));
        let other_protocol = stuffed(&sealed(&[forewarm_core::wire::frame::PROTOCOL + 1, 0]));
        let garbage = vec![0x5A, 0xFF, 0x01, 0x80, 0];
        let oversized = [vec![9; 5_000], vec![0]].concat();
        // Made in the same way as what is refused.
        assert_eq!(stuffed(&sealed(&[forewarm_core::wire::frame::PROTOCOL, 0])), whole);
        let mut rig = Rig::at(20_000);
        for (index, frame) in (1..).zip([garbage, truncated, flipped, unknown, more, other_protocol, oversized]) {
            rig.world.said();
            rig.world.send(&frame);
            assert!(!rig.hear());
            assert_eq!(rig.world.said(), [], "{index}");
            assert!(rig.identity().is_ok(), "{index}");
            assert_eq!(dropped(&mut rig), index);
        }
    }

    #[test]
    fn after_half_an_upload_and_silence_a_frame_with_a_zero_before_it_is_heard() {
        let mut rig = Rig::at(20_000);
        let record = rig.built_in;
        let request = Request::WriteSettings { replaces: record::fingerprint(record), record };
        let upload = framed(&request);
        let before = rig.world.bytes.borrow().clone();
        rig.world.send(&upload[..upload.len() / 2]);
        rig.hear();
        rig.seconds(100);
        assert_eq!(rig.app.service.dropped, 0);
        rig.world.said();
        rig.world.send(&[0]);
        rig.world.ask(&Request::ReadTotals);
        rig.hear();
        assert!(matches!(rig.world.said()[..], [Message::Totals(_)]));
        assert_eq!(rig.app.service.dropped, 1);
        assert_ne!(*rig.world.bytes.borrow(), before, "events were kept");
        assert_eq!(rig.ask(&Request::ReadSettings), [Message::Settings { origin: Origin::BuiltIn, record }]);
    }

    /// Each request as a flood: the line is ready whenever it is asked.
    #[test]
    fn a_flood_of_requests_keeps_neither_the_step_from_coming_nor_the_lines_from_being_looked_at() {
        let (record, noise) = (record_of(&settings()), vec![9; 100]);
        let floods = [
            framed(&Request::Identify),
            framed(&Request::ReadSettings),
            framed(&Request::ReadEvents { from: 0 }),
            framed(&Request::WriteSettings { replaces: Fingerprint::NONE, record: &record }),
            noise,
        ];
        for flood in floods {
            let mut rig = Rig::at(20_000);
            rig.until(charges);
            *rig.world.flood.borrow_mut() = flood;
            rig.world.set(Wire::ChargeLine, Level::HighBut(500));
            rig.world.acts();
            let (mut fed, mut refused) = (0, 0);
            for _ in 0..20 {
                for ms in 0..1000 {
                    rig.world.millis.update(|millis| millis + 1);
                    rig.world.is_step_due.set(ms == 999);
                    rig.app.turn();
                }
                let acts = rig.world.acts();
                fed += acts.iter().filter(|&&act| act == Act::Feed).count();
                refused += u32::from(acts.contains(&Act::Charge(PinState::Low)));
            }
            assert_eq!(fed, 20);
            assert!(rig.world.looks(Wire::ChargeLine) >= 20_000);
            assert!(refused > 0, "the one low look was not missed");
        }
    }

    #[test]
    fn a_line_that_takes_nothing_harms_nobody() {
        let mut rig = Rig::at(20_000);
        rig.world.is_mute.set(true);
        rig.until(charges);
        rig.world.ask(&Request::Identify);
        assert!(!rig.hear());
        rig.world.is_mute.set(false);
        assert!(rig.identity().is_ok());
    }

    fn telemetry(rig: &mut Rig) -> Option<Telemetry> {
        rig.world.said();
        rig.second();
        match rig.world.said()[..] {
            [] => None,
            [Message::Telemetry(telemetry)] => Some(telemetry),
            ref other => panic!("{other:?}"),
        }
    }

    #[test]
    fn telemetry_comes_at_its_pace_and_at_every_change() {
        for (every, is_asked) in [(10, false), (1, true), (7, true), (0, true)] {
            let mut rig = Rig::at(20_000);
            rig.until(charges);
            if is_asked {
                assert_eq!(rig.ask(&Request::SendTelemetry { every }), [Message::Done]);
            }
            let said: Vec<_> = (0..100).filter(|_| telemetry(&mut rig).is_some()).collect();
            let pauses: Vec<_> = said.windows(2).map(|two| two[1] - two[0]).collect();
            assert_eq!(said.len(), 100_usize.checked_div(every.into()).unwrap_or(0), "{every}");
            assert!(pauses.iter().all(|&pause| pause == i32::from(every)), "{pauses:?}");
            for is_refused in [true, false, true] {
                let (line, looks) = if is_refused { (Line::Refused, 1) } else { (Line::Allowed, 3) };
                rig.world.change(|inputs| inputs.charge_line = line);
                let told = (0..looks).map(|_| telemetry(&mut rig)).last().flatten();
                assert_eq!(told.is_some(), every > 0, "{every}");
                assert!(told.is_none_or(|told| told.charge_line == line && told.outputs == rig.app.latest));
            }
        }
    }

    #[test]
    fn telemetry_says_what_was_measured() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        rig.ask(&Request::SendTelemetry { every: 1 });
        let told = telemetry(&mut rig).unwrap();
        let inputs = fine_inputs(&settings(), c(20_000));
        assert_eq!(told.now, rig.app.hardware.clock.now());
        assert_eq!(told.readings, [Some(c(20_000)), Some(c(20_000)), Some(c(20_000)), Some(c(20_000)), None, None]);
        assert_eq!(
            (told.supply, told.bank, told.state_of_charge),
            (inputs.supply, inputs.bank, inputs.state_of_charge)
        );
        assert_eq!(
            (told.sources, told.charge_line, told.discharge_line),
            (inputs.sources, Line::Allowed, Line::Allowed)
        );
        assert_eq!((told.frames_dropped, told.events_dropped), (0, 0));
    }
}

mod watching {
    use super::*;

    /// A second of turns with a look each millisecond, and a step at its end. `level` is that of the line at each look.
    fn second(rig: &mut Rig, wire: Wire, level: impl Fn(u32) -> bool) -> Outputs {
        for ms in 0..1000 {
            rig.world.millis.update(|millis| millis + 1);
            rig.world.set(wire, if level(ms) { Level::High } else { Level::Low });
            rig.world.is_step_due.set(ms == 999);
            rig.app.turn();
        }
        rig.world.shown.get().unwrap()
    }

    fn sensed(rig: &mut Rig) -> Inputs {
        rig.app.sense()
    }

    #[test]
    fn a_source_of_100_hz_is_absent_at_once_and_named_when_it_goes_on() {
        let mut rig = Rig::at(0);
        rig.until(heats);
        for step in 1..=10 {
            let outputs = second(&mut rig, Wire::Source(1), |ms| ms % 10 < 5);
            assert!(!heats(&outputs), "{step}: {outputs:?}");
            assert_eq!(has(&outputs, SystemFault::SourceUnsteady), step >= settings().trust.good_run, "{step}");
        }
        assert_eq!(rig.world.shown.get().unwrap().alarm, Alarm::Sounding);
        second(&mut rig, Wire::Source(1), |_| true);
        rig.until(heats);
    }

    #[test]
    fn a_protection_line_of_100_hz_refuses() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        assert!(!charges(&second(&mut rig, Wire::ChargeLine, |ms| ms % 10 < 5)));
    }

    #[test]
    fn a_source_is_present_only_if_its_line_is_high_for_a_whole_step() {
        let mut rig = Rig::at(0);
        rig.until(heats);
        assert!(heats(&second(&mut rig, Wire::Source(1), |_| true)));
        let outputs = second(&mut rig, Wire::Source(1), |ms| ms != 500);
        assert!(!heats(&outputs) && !has(&outputs, SystemFault::SourceUnsteady), "one low look is no toggling");
    }

    #[test]
    fn one_low_look_refuses_charge_in_the_same_step_and_a_quiet_one_allows_it() {
        let mut rig = Rig::at(20_000);
        rig.until(charges);
        for at in [0, 500, 998, 999] {
            assert!(!charges(&second(&mut rig, Wire::ChargeLine, |ms| ms != at)), "{at}");
            second(&mut rig, Wire::ChargeLine, |_| true);
            assert_eq!(sensed(&mut rig).charge_line, Line::Allowed);
            rig.until(charges);
        }
    }

    #[test]
    fn lines_are_looked_at_while_the_converter_works() {
        let mut rig = Rig::at(20_000);
        rig.second();
        rig.world.change(|inputs| inputs.channels = [Sample::None; MAX_CHANNELS]);
        rig.world.set(Wire::ChargeLine, Level::HighBut(u32::from(LOOKS_A_STEP)));
        assert_eq!(sensed(&mut rig).charge_line, Line::Refused);
    }

    #[test]
    fn feedback_that_cannot_be_read_is_not_fitted() {
        let mut rig = Rig::at(20_000);
        rig.second();
        for (level, contact) in
            [(Level::Broken, None), (Level::High, Some(Relay::Closed)), (Level::Low, Some(Relay::Open))]
        {
            rig.world.set(Wire::HeaterFeedback, level);
            rig.world.set(Wire::ChargeFeedback, level);
            let inputs = sensed(&mut rig);
            assert_eq!((inputs.heater_feedback, inputs.charge_feedback), (contact, contact));
        }
    }

    #[test]
    fn a_line_that_cannot_be_read_is_absent_refused_and_not_pressed() {
        let mut rig = Rig::at(20_000);
        for wire in [Wire::Source(1), Wire::ChargeLine, Wire::DischargeLine, Wire::Button] {
            rig.world.set(wire, Level::Broken);
        }
        let inputs = sensed(&mut rig);
        assert_eq!((inputs.sources, inputs.button), (Sources::NONE, Button::Released));
        assert_eq!((inputs.charge_line, inputs.discharge_line), (Line::Refused, Line::Refused));
    }

    #[test]
    fn sources_beyond_the_settings_are_not_looked_for() {
        let mut rig = Rig::at(20_000);
        rig.world.change(|inputs| inputs.sources = Sources::NONE.with(1).with(3));
        assert_eq!(sensed(&mut rig).sources, Sources::NONE.with(1));
    }
}

/// The board does what the core decides, bit for bit, whatever happens.
///
/// Storage is the one thing that the board finds out by itself. It learns of a failure in the step after a write that
/// failed, not when storage starts to fail. So the bare unit gets the storage state that the application found, and
/// starts again with what was kept last. Each step separately asserts that this state is true. And a board does not
/// look at the line of a source that is not configured.
#[test]
fn the_application_decides_as_the_bare_core_does() {
    let (mut steps, mut restarts, mut failing, mut stale, mut on) = (0_u32, 0_u32, 0_u32, 0_u32, [0_u32; 2]);
    for seed in 0..400 {
        let (settings, history) = case(seed);
        let valid = settings.clone().validate().unwrap();
        let mut rig = Rig::of(World::new(&Inputs::DEAD), &settings);
        let mut unit = Unit::new(&valid, Memory::default());
        let (mut kept, mut works_for) = (Memory::default(), 0);
        for (index, moment) in history.moments(&settings).into_iter().enumerate() {
            if moment.restart {
                restarts += 1;
                stale += u32::from(unit.memory() != kept);
                rig.restart();
                unit = Unit::new(&valid, kept);
            }
            let works = moment.inputs.storage == Storage::Kept;
            works_for = if works { works_for + 1 } else { 0 };
            rig.world.fails_to_write.set(!works);
            rig.world.millis.set(moment.now.as_millis());
            rig.world.show(&moment.inputs);

            let configured = |set: Sources| {
                (0..settings.sources.len()).filter(|&n| set.contains(n)).fold(Sources::NONE, Sources::with)
            };
            let inputs = Inputs {
                storage: rig.app.archive.health,
                sources: configured(moment.inputs.sources),
                unsteady: configured(moment.inputs.unsteady),
                ..moment.inputs
            };
            let expected = unit.step(moment.now, &inputs);
            assert_eq!(rig.app.step(), Ok(expected), "case {seed}, step {index}");
            assert_eq!(rig.pins()[..2], [heats(&expected), charges(&expected)], "case {seed}, step {index}");

            let health = rig.app.archive.health;
            if works && health == Storage::Kept {
                kept = unit.memory();
            }
            assert!(
                health == Storage::Failing || unit.memory() == kept,
                "case {seed}, step {index}: not kept, unknown"
            );
            assert!(health == Storage::Kept || works_for <= TRY_AGAIN, "case {seed}, step {index}: it works, unknown");
            steps += 1;
            failing += u32::from(health == Storage::Failing);
            on[0] += u32::from(heats(&expected));
            on[1] += u32::from(charges(&expected));
        }
    }
    // So that the property cannot hold for lack of cases.
    assert!(
        steps > 100_000 && restarts > 100 && failing > 500 && stale > 0 && on.iter().all(|&on| on > 5_000),
        "{steps} {restarts} {failing} {stale} {on:?}"
    );
}

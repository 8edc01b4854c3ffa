//! Errors on the lines, in the converter and in storage.

use crate::running::{Program, RunningBoard, framed, next, settings};
use forewarm::emulate::flash::Flash;
use forewarm::emulate::service::hold_button;
use forewarm_core::fault::{ChannelFault, SystemFault};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::ValidSettings;
use forewarm_core::signals::{Alarm, Cause, Inputs, Line, Outputs, Relay, Sample, Sources};
use forewarm_core::testing::fine_inputs;
use forewarm_core::wire::frame::{self, PROTOCOL};
use forewarm_core::wire::record::{self, Fingerprint, RecordError};
use forewarm_core::wire::service::{Message, Origin, Refusal, Request, Unfit};
use forewarm_core::{Memory, Unit};
use forewarm_rig::{Level, Moment, Shown};
use std::ops::ControlFlow;

fn fine(t: i32) -> Inputs {
    fine_inputs(&settings(), Celsius::from_millidegrees(t))
}

fn valid() -> ValidSettings {
    settings().validate().expect("settings")
}

fn record_of(settings: &ValidSettings) -> Vec<u8> {
    let mut room = [0; record::MAX_BYTES];
    record::encode(settings, &mut room).expect("room").to_vec()
}

/// The settings in force, and their origin.
fn in_force(bench: &mut RunningBoard) -> (Origin, Vec<u8>) {
    bench.ask(&Request::ReadSettings, |message| match message {
        Message::Settings { origin, record } => ControlFlow::Break((*origin, record.to_vec())),
        _ => ControlFlow::Continue(()),
    })
}

/// The answer to an upload that must not be accepted.
fn refused(bench: &mut RunningBoard, replaces: Fingerprint, record: &[u8]) -> Refusal {
    bench.ask(&Request::WriteSettings { replaces, record }, |message| match message {
        Message::Refused(refusal) => ControlFlow::Break(*refusal),
        Message::Accepted { .. } => panic!("accepted"),
        _ => ControlFlow::Continue(()),
    })
}

/// Bytes that nobody has written.
fn scattered(bytes: u32) -> Vec<u8> {
    (0..bytes).map(|n| n.wrapping_mul(2_654_435_761).to_be_bytes()[0]).collect()
}

/// Other valid settings.
fn other() -> ValidSettings {
    let mut other = settings();
    other.charge.release = Celsius::from_millidegrees(other.charge.release.as_millidegrees() + 500);
    other.validate().expect("settings")
}

#[test]
fn what_comes_over_the_service_line_changes_no_decision() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let mut core = Unit::new(&valid(), Memory::default());
    let identify = framed(&Request::Identify);
    let upload = framed(&Request::WriteSettings { replaces: Fingerprint::NONE, record: &record_of(&other()) });
    let garbage = scattered(3_000);
    let mut other_protocol = identify.clone();
    other_protocol[1] = PROTOCOL + 1;
    let mut joined = upload[..200].to_vec();
    joined.extend(&identify);
    let lines: [&[u8]; 9] = [
        b"",
        &garbage,
        &[0; 500],
        &[0x55; 4_000],
        &upload[..upload.len() / 2],
        &joined,
        &identify,
        &other_protocol,
        &upload,
    ];
    let mut clock = 0;
    for (round, line) in lines.iter().cycle().take(90).enumerate() {
        bench.service.line().send(line).expect("a line");
        // Through the thresholds and back.
        let inputs = fine(if round / 30 == 1 { 12_000 } else { 3_000 });
        let moments: Vec<Moment> = (0..20).map(|_| next(&mut clock, 1000, &inputs)).collect();
        for ((_, board), moment) in bench.play(&moments).into_iter().zip(&moments) {
            assert_eq!(board, core.step(moment.now, &inputs), "after line {}", round % lines.len());
        }
    }
    // It still listens.
    bench.service.line().send(&[0]).expect("a line");
    assert_eq!(in_force(&mut bench).1, record_of(&valid()));
}

#[test]
fn an_upload_that_is_played_again_later_is_refused() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let (origin, first) = in_force(&mut bench);
    assert_eq!((origin, &first), (Origin::Stored, &record_of(&valid())));
    // The upload that wrote them replaced the built-in settings. Now they are replaced in turn.
    bench.reset();
    bench.service.install(&mut bench.rig, &other()).expect("accepted");
    let fingerprint = record::fingerprint(&record_of(&other()));
    let built_in = record::fingerprint(&first);
    for replaces in [Fingerprint::NONE, built_in] {
        assert_eq!(refused(&mut bench, replaces, &first), Refusal::NotTheOnesInForce { fingerprint });
    }
    assert_eq!(in_force(&mut bench).1, record_of(&other()));
    // Nor is one that nobody at the board wants.
    assert_eq!(refused(&mut bench, fingerprint, &first), Refusal::ButtonNotHeld);
    assert_eq!(in_force(&mut bench).1, record_of(&other()));
}

#[test]
fn settings_of_another_version_damaged_or_unfit_are_refused_and_say_why() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let good = record_of(&valid());
    let replaces = record::fingerprint(&good);
    let sealed = |mut body: Vec<u8>| {
        let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&body);
        body.extend(sum.to_le_bytes());
        body
    };
    let body = good[..good.len() - 4].to_vec();
    assert_eq!(sealed(body.clone()), good);
    let mut of_version_9 = body.clone();
    of_version_9[0] = 9;
    let mut cut = body;
    cut.truncate(100);
    let mut damaged = good.clone();
    damaged[50] ^= 4;
    let mut unfit = settings();
    unfit.charge.release = unfit.charge.inhibit;
    let mut room = [0; record::MAX_BYTES];
    let unfit = record::encode(&unfit, &mut room).expect("room").to_vec();
    for (record, why) in [
        (sealed(of_version_9), Unfit::Record(RecordError::OtherVersion(9))),
        (sealed(cut), Unfit::Record(RecordError::Malformed)),
        (damaged, Unfit::Record(RecordError::Damaged)),
        (Vec::new(), Unfit::Record(RecordError::Damaged)),
        (unfit, Unfit::Settings),
    ] {
        assert_eq!(refused(&mut bench, replaces, &record), Refusal::Unfit(why));
    }
    assert_eq!(in_force(&mut bench).1, good);
    let mut clock = 0;
    assert_eq!(bench.seconds(&mut clock, &fine(0), 200).heater, Relay::Closed, "it goes on");
}

#[test]
fn power_lost_in_the_midst_of_an_upload_leaves_the_settings_that_were() {
    let installed = RunningBoard::with(Program::Released, &valid()).off();
    let replaces = record::fingerprint(&record_of(&valid()));
    let upload = framed(&Request::WriteSettings { replaces, record: &record_of(&other()) });
    for part in [1, upload.len() / 2, upload.len() - 1] {
        let mut bench = RunningBoard::start(Program::Released, installed.clone());
        bench.service.line().send(&upload[..part]).expect("a line");
        let mut clock = 0;
        bench.seconds(&mut clock, &fine(0), 30);
        let mut bench = RunningBoard::start(Program::Released, bench.off());
        assert_eq!(in_force(&mut bench), (Origin::Stored, record_of(&valid())), "{part} bytes");
    }
}

#[test]
fn without_readable_settings_both_outputs_stay_off_and_new_settings_bring_it_back() {
    // Bytes that nobody has written replace what was kept.
    let mut bench = RunningBoard::start(Program::Released, Flash::holding(&scattered(8_192)));
    let mut clock = 0;
    for inputs in [fine(0), fine(12_000)] {
        let outputs = bench.seconds(&mut clock, &inputs, 900);
        assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open), "never what was built in");
        assert_eq!((outputs.alarm, outputs.cause), (Alarm::Sounding, Cause::System(SystemFault::SettingsInvalid)));
    }
    bench.reset();
    bench.service.install(&mut bench.rig, &valid()).expect("accepted");
    let outputs = bench.seconds(&mut clock, &fine(12_000), 900);
    assert_eq!(outputs.charge, Relay::Closed, "{outputs:?}");
    // Nobody knows what had latched, so everything has. Someone must look, and press the button.
    assert!(outputs.faults.system.contains(SystemFault::HeaterWelded), "{outputs:?}");
}

/// Steps in which the first channel, that of a cell, shows something else.
fn showing(bench: &mut RunningBoard, clock: &mut u32, shown: Shown, seconds: usize) -> Vec<Outputs> {
    let moments: Vec<Moment> = (0..seconds)
        .map(|_| {
            let mut moment = next(clock, 1000, &fine(12_000));
            moment.sensed.channels[0] = shown;
            moment
        })
        .collect();
    bench.play(&moments).into_iter().map(|(_, outputs)| outputs).collect()
}

#[test]
fn a_converter_that_shows_all_ones_all_zeros_or_nothing_takes_both_outputs_away_and_is_named() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let mut clock = 0;
    let all = |code| Shown::Codes { element: code, reference: code, lead: code };
    let reference = |element| Shown::Codes { element, reference: 1 << 24, lead: 0 };
    for (shown, fault) in [
        (all(u32::MAX), ChannelFault::Converter),
        (all(0), ChannelFault::Converter),
        (Shown::Fault, ChannelFault::Converter),
        (reference(u32::MAX), ChannelFault::Open),
        (reference(0), ChannelFault::Short),
        (Shown::Busy, ChannelFault::Missing),
    ] {
        let charged = bench.seconds(&mut clock, &fine(12_000), 900);
        assert_eq!(charged.charge, Relay::Closed, "before {shown:?}: {charged:?}");
        let max_age = settings().trust.max_age.as_millis() as usize / 1000;
        let did = showing(&mut bench, &mut clock, shown, max_age + 2);
        // A sample that is not due yet may be old. Everything else is known in the same step.
        let known = if fault == ChannelFault::Missing { &did[max_age + 1..] } else { &did };
        for outputs in known {
            assert_eq!((outputs.heater, outputs.charge), (Relay::Open, Relay::Open), "{shown:?}");
            assert_eq!(outputs.faults.channels[0], Some(fault), "{shown:?}");
            assert_eq!(outputs.alarm, Alarm::Sounding);
        }
    }
}

#[test]
fn a_line_that_toggles_counts_as_what_is_safe_and_is_named() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let mut clock = 0;
    assert_eq!(bench.seconds(&mut clock, &fine(0), 200).heater, Relay::Closed);
    let lines = |bench: &mut RunningBoard, clock: &mut u32, line: usize, t: i32, seconds: usize| {
        let mut inputs = fine(t);
        inputs.sources = Sources::NONE.with(0);
        let moments: Vec<Moment> = (0..seconds)
            .map(|_| {
                let mut moment = next(clock, 1000, &inputs);
                moment.sensed.lines[line] = Level::Toggling;
                moment
            })
            .collect();
        bench.play(&moments).into_iter().map(|(_, outputs)| outputs).collect::<Vec<_>>()
    };
    // The only source.
    let did = lines(&mut bench, &mut clock, 0, 0, 20);
    assert!(did.iter().all(|outputs| outputs.heater == Relay::Open));
    assert!(did[19].faults.system.contains(SystemFault::SourceUnsteady), "{:?}", did[19]);
    // The protection's line.
    warm(&mut bench, &mut clock);
    assert_eq!(bench.seconds(&mut clock, &fine(12_000), 900).charge, Relay::Closed);
    let did = lines(&mut bench, &mut clock, forewarm_rig::CHARGE_LINE, 12_000, 20);
    assert!(did.iter().all(|outputs| outputs.charge == Relay::Open));
    assert!(did[0].faults.system.contains(SystemFault::ChargeLineRefused), "{:?}", did[0]);
    let refused = Inputs { charge_line: Line::Refused, ..fine(12_000) };
    assert_eq!(did[19].cause, bench.seconds(&mut clock, &refused, 1).cause);
}

/// Warms everything from 0 to 12 °C, no faster than is believed.
fn warm(bench: &mut RunningBoard, clock: &mut u32) {
    let moments: Vec<Moment> = (0..=12_000).step_by(40).map(|t| next(clock, 1000, &fine(t))).collect();
    for moments in moments.chunks(50) {
        bench.play(moments);
    }
}

/// Keeps a board busy with events: the cells fail and recover, in steps of ten seconds.
fn busy(bench: &mut RunningBoard, clock: &mut u32, rounds: usize) -> Vec<Outputs> {
    let mut did = Vec::new();
    for _ in 0..rounds {
        let broken = Inputs { channels: [Sample::ConverterFault; 6], ..fine(0) };
        let mut moments: Vec<Moment> = (0..3).map(|_| next(clock, 10_000, &broken)).collect();
        moments.extend((0..60).map(|_| next(clock, 10_000, &fine(0))));
        did.extend(bench.play(&moments).into_iter().map(|(_, outputs)| outputs));
    }
    did
}

#[test]
fn storage_that_can_no_longer_be_erased_is_named_keeps_the_heater_off_and_charge_possible() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let mut clock = 0;
    assert_eq!(bench.seconds(&mut clock, &fine(0), 200).heater, Relay::Closed);
    bench.rig.flash().faults.erases = true;
    let mut rounds = 0;
    let outputs = loop {
        let did = busy(&mut bench, &mut clock, 10);
        rounds += 10;
        let last = did[did.len() - 1];
        if last.faults.system.contains(SystemFault::StorageFailing) {
            break last;
        }
        assert!(rounds < 2_000, "storage is never full");
    };
    assert_eq!((outputs.heater, outputs.alarm), (Relay::Open, Alarm::Sounding));
    warm(&mut bench, &mut clock);
    assert_eq!(bench.seconds(&mut clock, &fine(12_000), 1_200).charge, Relay::Closed);
    // Even if there was no room for it: a welded heater is not forgotten.
    let welded = Inputs { sources: Sources::NONE, heater_feedback: Some(Relay::Closed), ..fine(0) };
    bench.seconds(&mut clock, &welded, 20);
    for _ in 0..3 {
        bench.reset();
        let outputs = bench.seconds(&mut clock, &fine(0), 200);
        assert_eq!((outputs.heater, outputs.alarm), (Relay::Open, Alarm::Sounding), "{outputs:?}");
    }
}

#[test]
fn storage_that_takes_nothing_is_named_when_something_is_to_be_kept() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let mut clock = 0;
    assert_eq!(bench.seconds(&mut clock, &fine(0), 200).heater, Relay::Closed);
    bench.rig.flash().faults.writes = true;
    let welded = Inputs { sources: Sources::NONE, heater_feedback: Some(Relay::Closed), ..fine(0) };
    let outputs = bench.seconds(&mut clock, &welded, 20);
    assert!(outputs.faults.system.contains(SystemFault::StorageFailing), "{outputs:?}");
    assert_eq!(outputs.heater, Relay::Open);
    hold_button(&mut bench.rig).expect("steps");
    assert_eq!(refused(&mut bench, record::fingerprint(&record_of(&valid())), &record_of(&other())), Refusal::NotKept);
    // It takes data again.
    bench.rig.flash().faults.writes = false;
    let outputs = bench.seconds(&mut clock, &welded, 120);
    assert!(!outputs.faults.system.contains(SystemFault::StorageFailing), "{outputs:?}");
    bench.reset();
    assert!(bench.seconds(&mut clock, &fine(0), 20).faults.system.contains(SystemFault::HeaterWelded), "it was kept");
}

#[test]
fn orders_that_are_none_are_refused_and_change_nothing() {
    let mut bench = RunningBoard::with(Program::Released, &valid());
    let mut clock = 0;
    let mut core = Unit::new(&valid(), Memory::default());
    for garbage in [&[0x11; 900][..], &[1, 2, 3], &[0xff; 64]] {
        let mut line = garbage.to_vec();
        line.push(0);
        bench.rig.line().send(&line).expect("a line");
        let said = bench.rig.line().hear(bench.machine.patience(), "a refusal").expect("a line").expect("an answer");
        let report = frame::decode::<forewarm_rig::Report<'_>>(said);
        assert_eq!(report, Ok(forewarm_rig::Report::Refused));
        let inputs = fine(3_000);
        let moments: Vec<Moment> = (0..50).map(|_| next(&mut clock, 1000, &inputs)).collect();
        for ((_, board), moment) in bench.play(&moments).into_iter().zip(&moments) {
            assert_eq!(board, core.step(moment.now, &inputs));
        }
    }
}

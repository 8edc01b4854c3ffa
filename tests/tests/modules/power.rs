//! Hangs, resets, and cuts of the power in every write of flash memory.

use crate::bench::{Bench, framed, record_of, with_settings};
use crate::thermometers::{permitting, settings};
use forewarm_core::quantity::Millis;
use forewarm_core::wire::record;
use forewarm_core::wire::service::Request;
use serde_json::json;

#[test]
fn a_program_that_hangs_is_restarted_and_closes_nothing_until_it_has_checked_all_anew() {
    let settings = settings();
    let (mut bench, world) = permitting(&settings, &with_settings(&settings));
    let from = bench.wait(0).ms;
    let seen = bench.order(&json!({ "hang": true, "run": { "ms": 20_000 } }));
    assert_eq!((seen.ended.as_deref(), seen.starts), (Some("watchdog"), 2));
    assert!(seen.rests());
    // It restarts into the checks of a start, and recovers.
    let seen = bench.step(&world);
    assert!(!seen.charges() && seen.moves.iter().all(|(_, is_high)| !is_high), "{:?}", seen.moves);
    assert!((0..200).any(|_| bench.step(&world).charges()), "it does not recover from {from} ms on");
}

#[test]
fn whatever_write_the_power_fails_in_the_board_has_the_settings_from_before_or_after() {
    let old = settings();
    let mut new = old.clone().into_inner();
    new.charge.soak = Millis::from_secs(120);
    let new = record_of(&new.validate().expect("other settings"));
    let (before, after) = (record::fingerprint(&record_of(&old)), record::fingerprint(&new));
    let kept = with_settings(&old);
    let mut outcomes = [0, 0];
    for cut in 0.. {
        let mut bench = Bench::switch_on(Some(&kept));
        bench.wait(200);
        bench.hold_button();
        let upload = framed(&Request::WriteSettings { replaces: before, record: &new });
        let seen = bench.order(&json!({ "cut": cut, "hear": upload, "run": { "ms": 900 } }));
        if seen.ended.as_deref() != Some("power") {
            assert_eq!(seen.starts, 2, "without a cut it restarts with the new settings");
            break;
        }
        let kept = bench.kept();
        let mut bench = Bench::switch_on(Some(&kept));
        bench.wait(700);
        match bench.identity() {
            Ok(now) if now == before => outcomes[0] += 1,
            Ok(now) if now == after => outcomes[1] += 1,
            other => panic!("cut in write {cut}: {other:?}"),
        }
        assert!(bench.wait(2000).rests(), "cut in write {cut}");
    }
    assert!(outcomes[0] > 2, "{outcomes:?}: the writes were not cut");
}

#[test]
fn a_welded_relay_is_remembered_over_a_loss_of_power() {
    let settings = settings();
    let (mut bench, mut world) = permitting(&settings, &with_settings(&settings));
    world["strap"] = "supply".into();
    world["lines"]["heater_contact"] = true.into();
    world["lines"]["charge_contact"] = true.into();
    let latched = |seen: &crate::bench::Seen| {
        seen.telemetry().is_some_and(|telemetry| {
            telemetry.outputs.faults.system.contains(forewarm_core::fault::SystemFault::HeaterWelded)
        })
    };
    assert!((0..60).any(|_| latched(&bench.step(&world))), "a closed contact of an open relay is not found");
    let kept = bench.kept();
    drop(bench);
    let mut bench = Bench::switch_on(Some(&kept));
    bench.wait(200);
    bench.ask(&Request::SendTelemetry { every: 1 });
    world["lines"]["heater_contact"] = false.into();
    assert!(latched(&bench.step(&world)), "it was forgotten");
}

//! Readings over the range, and every way in which a thermometer, its wires or its converter fail.

use crate::bench::{Bench, CHANNELS, Wired, rewire, with_settings, world};
use forewarm::installation::Installation;
use forewarm::platinum::ohms;
use forewarm_core::fault::ChannelFault;
use forewarm_core::quantity::{Celsius, Kelvins, Millis, Ohms, Ratio};
use forewarm_core::rtd::{Element, Leads, Measured};
use forewarm_core::settings::{Channel, Role, ValidSettings};
use forewarm_core::signals::{Inputs, Line, Sample, Sources};
use forewarm_core::wire::service::Request;
use forewarm_rig::Pins;
use forewarm_tests::root;
use serde_json::{Value, json};

/// Three cell channels and one on the plate: both elements, and each number of wires. Permits charge soon after a start.
pub(crate) fn settings() -> ValidSettings {
    let installation = Installation::load(&root().join("sim/demo/van.toml")).expect("an example");
    let mut settings = installation.settings.into_inner();
    let two = Leads::TwoWire { loop_at_20c: Ohms::ZERO, at: Celsius::from_millidegrees(20_000) };
    let channel = |element, reference, leads| Channel {
        role: Role::Cell,
        element,
        reference: Ohms::from_milliohms(reference),
        leads,
        offset: Kelvins::ZERO,
    };
    settings.channels = [
        channel(Element::pt1000(), 4_000_000, Leads::FourWire),
        channel(Element::pt1000(), 4_300_000, Leads::THREE_WIRE),
        channel(Element::pt100(), 400_000, two),
        channel(Element::pt100(), 430_000, Leads::THREE_WIRE),
    ]
    .into_iter()
    .collect();
    settings.channels[3].role = Role::Pad;
    settings.charge.soak = Millis::from_secs(60);
    settings.charge.min_off = Millis::from_secs(1);
    settings.validate().unwrap_or_else(|refusals| panic!("{refusals:?}"))
}

/// What is wired to each channel at `t`, with leads of different lengths as far as each way of wiring bears that.
fn wired(settings: &ValidSettings, t: Celsius) -> Vec<Wired> {
    let leads: [&[f64]; CHANNELS] = [&[0.5, 2.0, 1.0, 3.0], &[0.7, 0.7, 0.7], &[0.0, 0.0], &[0.4, 0.4, 0.4]];
    let wired = settings.channels.iter().zip(leads).map(|(channel, leads)| {
        let element_ohm = ohms(channel.element.resistance(t).expect("within the standard"));
        Wired { lead_ohm: leads.to_vec(), ..Wired::element(leads.len(), element_ohm, ohms(channel.reference)) }
    });
    wired.collect()
}

/// Everything in order, with the cells at `t`.
pub(crate) fn fine(settings: &ValidSettings, t: Celsius) -> Value {
    let volts = Some(settings.heater.nominal);
    let mut inputs = Inputs {
        supply: volts,
        bank: volts,
        sources: Sources::NONE.with(0),
        charge_line: Line::Allowed,
        discharge_line: Line::Allowed,
        ..Inputs::DEAD
    };
    inputs.channels[..CHANNELS].fill(Sample::Fresh(Measured::element(Ratio::from_code(8192, 15))));
    let mut world = world(settings, &inputs);
    for (at, wired) in wired(settings, t).iter().enumerate() {
        rewire(&mut world, at, wired);
    }
    world
}

/// A board that permits charge, with what is around it.
pub(crate) fn permitting(settings: &ValidSettings, kept: &[u8]) -> (Bench, Value) {
    let mut bench = Bench::switch_on(Some(kept));
    bench.wait(200);
    bench.ask(&Request::SendTelemetry { every: 1 });
    let world = fine(settings, Celsius::from_millidegrees(15_000));
    for _ in 0..120 {
        if bench.step(&world).charges() {
            return (bench, world);
        }
    }
    panic!("no charge: {:?}", bench.step(&world).telemetry());
}

#[test]
fn from_cold_to_hot_each_channel_reads_within_a_twentieth_of_a_kelvin() {
    let settings = settings();
    let mut bench = Bench::switch_on(Some(&with_settings(&settings)));
    let mut worst = [0.0_f64; CHANNELS];
    // Steps that are no multiple of a code.
    for millidegrees in (-40_000..=60_000).step_by(1_777) {
        let t = Celsius::from_millidegrees(millidegrees);
        let world = fine(&settings, t);
        bench.order(&json!({ "power": "cycle", "world": world, "run": { "ms": 200 } }));
        bench.ask(&Request::SendTelemetry { every: 1 });
        let seen = (0..30).map(|_| bench.step(&world)).find(|seen| {
            seen.telemetry().is_some_and(|telemetry| telemetry.readings[..CHANNELS].iter().all(Option::is_some))
        });
        let seen = seen.unwrap_or_else(|| panic!("{t:?}: not every channel is read"));
        let telemetry = seen.telemetry().expect("telemetry");
        for (at, worst) in worst.iter_mut().enumerate() {
            let reading = telemetry.readings[at].expect("it was waited for");
            *worst = worst.max(f64::from((reading.as_millidegrees() - millidegrees).abs()) / 1000.0);
        }
    }
    assert!(worst.iter().all(|&worst| worst < 0.05), "{worst:?}");
    println!("worst of each channel: {worst:?} K");
}

/// In the step in which this happens to the wires of a channel, what depends on it is taken away, and the channel is in doubt.
fn is_found(settings: &ValidSettings, kept: &[u8], channel: usize, change: impl FnOnce(&mut Wired), what: &str) {
    let (mut bench, mut world) = permitting(settings, kept);
    let mut broken = wired(settings, Celsius::from_millidegrees(15_000)).swap_remove(channel);
    change(&mut broken);
    rewire(&mut world, channel, &broken);
    let seen = bench.step(&world);
    let outputs = seen.telemetry().expect("telemetry").outputs;
    let permits = seen.charges() && settings.channels[channel].role == Role::Cell;
    assert!(!permits && !seen.pins.has(Pins::HEATER), "channel {channel}, {what}: {outputs:?}");
    assert!(outputs.faults.channels[channel].is_some(), "channel {channel}, {what}: {outputs:?}");
}

#[test]
fn each_lead_that_comes_off_takes_the_permit_in_the_same_step() {
    let settings = settings();
    let kept = with_settings(&settings);
    for (channel, leads) in [4, 3, 2, 3].into_iter().enumerate() {
        for lead in 0..leads {
            is_found(&settings, &kept, channel, |wired| wired.broken = vec![lead], &format!("lead {lead} is off"));
        }
    }
}

/// The capacitor between a chip's inputs holds what it had, and what is converted then is from before and after.
#[test]
fn a_lead_that_comes_off_within_a_conversion_takes_the_permit_within_three_steps() {
    let settings = settings();
    let kept = with_settings(&settings);
    // The fourth is on the plate, and no condition of charge.
    for (channel, leads) in [4, 3, 2].into_iter().enumerate() {
        for lead in 0..leads {
            let (mut bench, mut world) = permitting(&settings, &kept);
            let mut broken = wired(&settings, Celsius::from_millidegrees(15_000)).swap_remove(channel);
            broken.broken = vec![lead];
            rewire(&mut world, channel, &broken);
            let into_it = 1000.0 - bench.wait(0).ms % 1000.0 + 50.0;
            bench.order(&json!({ "run": { "ms": into_it } }));
            let found = (0..3).any(|_| !bench.step(&world).charges());
            assert!(found, "channel {channel}, lead {lead}: {:?}", bench.step(&world).telemetry());
        }
    }
}

#[test]
fn each_short_takes_the_permit_in_the_same_step() {
    let settings = settings();
    let kept = with_settings(&settings);
    let shorts = [
        ["top", "bottom"],
        ["top", "ground"],
        ["bottom", "ground"],
        ["top", "battery"],
        ["bottom", "battery"],
        ["top", "plus"],
    ];
    for channel in 0..CHANNELS {
        for short in shorts {
            is_found(&settings, &kept, channel, |wired| wired.shorts = vec![short], &format!("{short:?} touch"));
        }
    }
}

#[test]
fn a_converter_that_is_not_there_dead_busy_or_has_forgotten_is_a_fault_in_the_same_step_and_heals() {
    let settings = settings();
    let kept = with_settings(&settings);
    let (mut bench, good) = permitting(&settings, &kept);
    let mut broken = |change: Value| {
        let mut order = change;
        order["run"] = json!({ "feeds": 1, "ms": 20_000 });
        let seen = bench.order(&order);
        let outputs = seen.telemetry().expect("telemetry").outputs;
        assert!(seen.rests(), "{order}: {outputs:?}");
        assert_eq!(outputs.faults.channels[1], Some(ChannelFault::Converter), "{order}");
        let mut healed = good.clone();
        healed["states"] = json!(["works", "works", "works", "works"]);
        healed["bus"] = Value::Null;
        assert!((0..200).any(|_| bench.step(&healed).charges()), "{order}: it does not heal");
    };
    for state in ["dead", "ones", "busy"] {
        broken(json!({ "world": { "states": ["works", state, "works", "works"] } }));
    }
    for byte in [0x00, 0xff, 0x55] {
        broken(json!({ "world": { "bus": byte } }));
    }
    let mut absent = good.clone();
    absent["chips"][1] = Value::Null;
    broken(json!({ "world": absent }));
}

#[test]
fn a_converter_that_loses_its_settings_between_two_steps_is_set_anew_and_in_a_step_is_a_fault() {
    // The watchdog is fed at the end of a step, some 85 ms after it has begun.
    const UNTIL_IT_BEGINS_MS: u32 = 1000 - 85;
    let settings = settings();
    let (mut bench, good) = permitting(&settings, &with_settings(&settings));
    let seen = bench.order(&json!({ "forget": 0, "world": good, "run": { "feeds": 1, "ms": 2000 } }));
    assert!(seen.charges(), "every step writes the settings anew: {:?}", seen.telemetry());
    for ms in [5, 20, 40, 70] {
        bench.wait(UNTIL_IT_BEGINS_MS + ms);
        let seen = bench.order(&json!({ "forget": 0, "run": { "feeds": 1, "ms": 2000 } }));
        let outputs = seen.telemetry().expect("telemetry").outputs;
        assert_eq!(outputs.faults.channels[0], Some(ChannelFault::Converter), "after {ms} ms: {outputs:?}");
        assert!(!seen.charges());
        assert!((0..200).any(|_| bench.step(&good).charges()), "it does not heal");
    }
}

#[test]
fn a_contact_counts_from_the_step_in_which_its_bridge_is_fitted() {
    let settings = settings();
    let (mut bench, good) = permitting(&settings, &with_settings(&settings));
    // Nobody knows of a contact without a bridge, so what its wire shows is nothing.
    let mut world = good.clone();
    world["lines"]["heater_contact"] = true.into();
    assert!(bench.step(&world).charges() && bench.step(&world).charges());
    // With it, a heater contact that is closed while the relay is open is a fault at the end of its time.
    world["strap"] = "ground".into();
    assert!((0..30).any(|_| !bench.step(&world).telemetry().expect("telemetry").outputs.faults.system.is_empty()));
}

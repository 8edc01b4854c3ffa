use super::*;
use crate::service::listen::Said;
use crate::service::testing::telemetry;
use forewarm_core::fault::{ChannelFault, Faults};
use forewarm_core::quantity::{Celsius, Fraction, Millivolts};
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Outputs, Relay};
use forewarm_core::wire::service::Telemetry;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::subsequence;

/// The moment at which everything here is heard.
const HEARD_UTC_MS: i64 = 1_767_225_600_123;
const HEARD: &str = "2026-01-01T00:00:00.123Z";

fn view(telemetry: &Telemetry) -> View {
    let mut view = View::default();
    view.hear(&Said::Telemetry { utc_ms: HEARD_UTC_MS, at_ms: 1, telemetry, settings: None, changed: true }, None);
    view
}

/// Deltas taken apart: what each path has last, and when that was.
fn taken_apart(deltas: &[String]) -> BTreeMap<String, (Value, String)> {
    let mut values = BTreeMap::new();
    for delta in deltas {
        let delta: Value = serde_json::from_str(delta).expect("JSON");
        assert_eq!(delta["context"], "vessels.self");
        for update in delta["updates"].as_array().expect("updates") {
            let timestamp = update["timestamp"].as_str().expect("a moment");
            for item in update["values"].as_array().into_iter().flatten() {
                let path = item["path"].as_str().expect("a path").to_owned();
                values.insert(path, (item["value"].clone(), timestamp.to_owned()));
            }
        }
    }
    values
}

fn said(deltas: &mut Deltas, view: &View, hearing: &Hearing) -> BTreeMap<String, (Value, String)> {
    taken_apart(&deltas.say(view, hearing))
}

fn states(said: &BTreeMap<String, (Value, String)>) -> Vec<(&str, &str)> {
    let announced = said.iter().filter(|(path, _)| path.starts_with("notifications."));
    announced
        .map(|(path, (value, _))| {
            (path.trim_start_matches("notifications.electrical."), value["state"].as_str().expect("a state"))
        })
        .collect()
}

#[test]
fn zero_celsius_is_273_15_kelvin_and_other_units_are_those_of_the_schema_too() {
    let mut heard = telemetry(5_000);
    heard.readings[0] = Some(Celsius::from_millidegrees(0));
    heard.readings[1] = Some(Celsius::from_millidegrees(-12_345));
    heard.state_of_charge = Some(Fraction::from_per_mille(523));
    heard.bank = Some(Millivolts::from_millivolts(13_107));
    let mut view = view(&heard);
    let now = view.now.as_mut().expect("it was heard");
    (now.coldest_cell_c, now.ceiling_a) = (Some(-40.0), Some(12.5));
    let said = said(&mut Deltas::of("house"), &view, &Hearing::Good);
    for (path, value) in [
        ("electrical.batteries.house.temperature", json!(233.15)),
        ("electrical.batteries.house.thermometers.channel1.temperature", json!(273.15)),
        ("electrical.batteries.house.thermometers.channel2.temperature", json!(260.805)),
        ("electrical.batteries.house.thermometers.channel3.temperature", Value::Null),
        ("electrical.batteries.house.capacity.stateOfCharge", json!(0.523)),
        ("electrical.batteries.house.voltage", json!(13.107)),
        ("electrical.batteries.house.charge.currentLimit", json!(12.5)),
        ("electrical.batteries.house.charge.permission", json!("refused")),
        ("electrical.heaters.house.voltage", json!(12.8)),
        ("electrical.heaters.house.state", json!("off")),
    ] {
        assert_eq!(said[path], (value, HEARD.to_owned()), "{path}");
    }
}

#[test]
fn a_fault_is_announced_once_and_taken_back_once_in_the_words_of_the_specification() {
    let (mut deltas, mut heard) = (Deltas::of("house"), telemetry(5_000));
    heard.outputs.faults = Faults::NONE;
    let first = said(&mut deltas, &view(&heard), &Hearing::Good);
    assert!(
        states(&first).len() > SystemFault::ALL.len() && states(&first).iter().all(|(_, state)| *state == "normal")
    );
    heard.outputs.faults = Faults::NONE.with_system(SystemFault::SourceNotGiving);
    heard.outputs.faults = heard.outputs.faults.with_system(SystemFault::BankBelowReserve);
    heard.outputs.faults.channels[1] = Some(ChannelFault::Open);
    let second = said(&mut deltas, &view(&heard), &Hearing::Good);
    let raised = [
        ("batteries.house.bankBelowReserve", "alert"),
        ("batteries.house.sourceNotGiving", "alarm"),
        ("batteries.house.thermometers.channel2", "alarm"),
    ];
    assert_eq!(states(&second), raised);
    let (value, _) = &second["notifications.electrical.batteries.house.thermometers.channel2"];
    let message = value["message"].as_str().expect("a text");
    assert!(
        message.starts_with("channel 2: ") && message.contains(ChannelFault::Open.facts().check_first),
        "{message}"
    );
    assert_eq!(value["method"], json!(["visual", "sound"]));
    assert_eq!(states(&said(&mut deltas, &view(&heard), &Hearing::Good)), []);
    deltas.begin_anew();
    let anew = said(&mut deltas, &view(&heard), &Hearing::Good);
    assert_eq!(states(&anew).len(), states(&first).len());
    heard.outputs.faults = Faults::NONE;
    let third = said(&mut deltas, &view(&heard), &Hearing::Good);
    assert_eq!(states(&third), raised.map(|(path, _)| (path, "normal")));
    for (path, (value, _)) in third.iter().filter(|(path, _)| path.starts_with("notifications.")) {
        assert_eq!(*value, json!({ "message": "", "state": "normal", "method": [] }), "{path}");
    }
}

#[test]
fn nothing_is_said_of_a_controller_that_was_never_heard_until_that_is_trouble() {
    let (mut deltas, view) = (Deltas::of("house"), View::default());
    assert!(deltas.say(&view, &Hearing::NotYet).is_empty());
    let lost = said(&mut deltas, &view, &Hearing::Lost("unplugged".to_owned()));
    assert_eq!(states(&lost), [("batteries.house.controller", "warn")]);
    assert_eq!(lost["electrical.batteries.house.temperature"].0, Value::Null);
}

#[test]
fn a_thermometer_that_is_there_no_more_leaves_no_reading_and_no_fault_behind() {
    let (mut deltas, mut heard) = (Deltas::of("house"), telemetry(5_000));
    heard.outputs.faults.channels[0] = Some(ChannelFault::Open);
    let mut view = view(&heard);
    let thermometer = "electrical.batteries.house.thermometers.channel1";
    let (reading, fault) = (format!("{thermometer}.temperature"), format!("notifications.{thermometer}"));
    let before = said(&mut deltas, &view, &Hearing::Good);
    assert!(before[&reading].0.is_number());
    assert_eq!(before[&fault].0["state"], "alarm");
    let now = view.now.as_mut().expect("it was heard");
    now.channels.remove(0);
    now.faults.retain(|fault| fault.channel.is_none());
    let after = said(&mut deltas, &view, &Hearing::Good);
    assert_eq!((&after[&reading].0, &after[&fault].0["state"]), (&Value::Null, &json!("normal")));
}

#[test]
fn a_fault_of_a_thermometer_is_taken_back_by_a_later_run_that_knows_it_by_another_name() {
    let mut heard = telemetry(5_000);
    heard.outputs.faults.channels[0] = Some(ChannelFault::Open);
    let raised = said(&mut Deltas::of("house"), &view(&heard), &Hearing::Good);
    heard.outputs.faults = Faults::NONE;
    let mut later = view(&heard);
    later.now.as_mut().expect("it was heard").channels[0].name = "port side".to_owned();
    let ended = said(&mut Deltas::of("house"), &later, &Hearing::Good);
    assert!(ended["electrical.batteries.house.thermometers.portSide.temperature"].0.is_number());
    let raised = states(&raised).into_iter().filter(|(_, state)| *state == "alarm").map(|(path, _)| path);
    let raised: Vec<&str> = raised.collect();
    assert!(raised.contains(&"batteries.house.thermometers.channel1"), "{raised:?}");
    for path in raised {
        assert!(states(&ended).contains(&(path, "normal")), "{path}");
    }
}

#[test]
fn what_a_path_means_is_said_once_and_again_to_one_who_knows_nothing() {
    let explained = |deltas: &[String]| -> BTreeSet<String> {
        let deltas = deltas.iter().map(|delta| serde_json::from_str::<Value>(delta).expect("JSON"));
        let updates = deltas.flat_map(|delta| delta["updates"].as_array().expect("updates").clone());
        let items = updates.flat_map(|update| update["meta"].as_array().cloned().unwrap_or_default());
        items.map(|item| item["path"].as_str().expect("a path").to_owned()).collect()
    };
    let (mut deltas, heard) = (Deltas::of("house"), telemetry(5_000));
    let view = view(&heard);
    let first = deltas.say(&view, &Hearing::Good);
    let values = taken_apart(&first).into_keys().filter(|path| !path.starts_with("notifications."));
    assert_eq!(explained(&first), values.collect());
    assert_eq!(explained(&deltas.say(&view, &Hearing::Good)), BTreeSet::new());
    deltas.begin_anew();
    assert_eq!(explained(&deltas.say(&view, &Hearing::Good)), explained(&first));
}

/// What a controller may say, and more.
fn any_telemetry() -> impl Strategy<Value = Telemetry> {
    let readings = vec(proptest::option::of(-200_000..850_000_i32), MAX_CHANNELS);
    let voltages = (proptest::option::of(any::<u32>()), proptest::option::of(any::<u32>()));
    let charge = proptest::option::of(0..=1000_u32);
    let system = subsequence(SystemFault::ALL.to_vec(), 0..=SystemFault::ALL.len());
    let channels = vec(proptest::option::of(proptest::sample::select(ChannelFault::ALL.to_vec())), MAX_CHANNELS);
    (readings, voltages, charge, system, channels, any::<bool>()).prop_map(
        |(readings, (supply, bank), charge, system, channels, heats)| {
            let mut heard = telemetry(5_000);
            for (index, (reading, fault)) in readings.into_iter().zip(channels).enumerate() {
                heard.readings[index] = reading.map(Celsius::from_millidegrees);
                heard.outputs.faults.channels[index] = fault;
            }
            let faults = system.into_iter().fold(heard.outputs.faults, Faults::with_system);
            heard.supply = supply.map(Millivolts::from_millivolts);
            heard.bank = bank.map(Millivolts::from_millivolts);
            heard.state_of_charge = charge.map(Fraction::from_per_mille);
            let heater = if heats { Relay::Closed } else { Relay::Open };
            heard.outputs = Outputs { faults, heater, ..heard.outputs };
            heard
        },
    )
}

/// Names as a fitter may write them, and worse.
fn any_name() -> impl Strategy<Value = String> {
    prop_oneof!["[a-c]_?[12]", "[\"\\\\\u{1}é中\u{202E} a]{0,40}", "\\PC{0,2000}"]
}

fn is_legal(path: &str) -> bool {
    path.split('.').all(|word| !word.is_empty() && word.chars().all(|letter| letter.is_ascii_alphanumeric()))
}

proptest! {
    #[test]
    fn whatever_is_heard_every_delta_is_bounded_every_path_legal_and_every_reading_that_of_its_thermometer(
        heard in any_telemetry(),
        names in vec(any_name(), MAX_CHANNELS),
    ) {
        let mut view = view(&heard);
        let now = view.now.as_mut().expect("it was heard");
        for channel in &mut now.channels {
            channel.name.clone_from(&names[channel.index]);
        }
        for fault in &mut now.faults {
            if let Some(index) = fault.channel {
                fault.of = Some(names[index].clone());
            }
        }
        let now = view.now.clone().expect("it was heard");
        let deltas = Deltas::of("a2345678901234567890123456789012").say(&view, &Hearing::Good);
        for delta in &deltas {
            prop_assert!(delta.len() <= MOST_BYTES, "{} bytes: {delta}", delta.len());
            prop_assert!(!delta.contains(['\r', '\n']));
        }
        let said = taken_apart(&deltas);
        for path in said.keys() {
            prop_assert!(is_legal(path), "{path}");
        }
        let keys = keys(&now);
        let is_distinct = keys.values().collect::<BTreeSet<_>>().len() == keys.len();
        prop_assert!(is_distinct, "{keys:?}");
        for channel in &now.channels {
            let path = format!(
                "electrical.batteries.a2345678901234567890123456789012.thermometers.{}.temperature",
                keys[&channel.index]
            );
            let told_k = said[&path].0.as_f64();
            prop_assert_eq!(told_k.is_some(), channel.reading_c.is_some());
            if let (Some(told_k), Some(reading_c)) = (told_k, channel.reading_c) {
                // Half of the last digit that is sent.
                prop_assert!((told_k - 273.15 - reading_c).abs() < 0.0005, "{told_k} K, {reading_c} °C");
            }
            let fault = now.faults.iter().find(|fault| fault.channel == Some(channel.index));
            let expected = fault.map_or("normal", |fault| if fault.alarm { "alarm" } else { "alert" });
            let announced = format!(
                "notifications.electrical.batteries.a2345678901234567890123456789012.thermometers.channel{}",
                channel.index + 1
            );
            prop_assert_eq!(&said[&announced].0["state"], expected);
        }
    }

    /// Whatever was heard before, a loss leaves no value standing, and no fault is said to be over.
    #[test]
    fn once_the_controller_is_lost_every_value_is_null_and_that_is_said(heard in any_telemetry(), is_anew: bool) {
        let (mut deltas, view) = (Deltas::of("house"), view(&heard));
        let before = said(&mut deltas, &view, &Hearing::Good);
        if is_anew {
            deltas.begin_anew();
        }
        for hearing in [Hearing::Lost("unplugged".to_owned()), Hearing::Ended] {
            let after = said(&mut deltas, &view, &hearing);
            for (path, (value, _)) in &before {
                if path.starts_with("notifications.") {
                    let is_over = after.get(path).is_some_and(|(value, _)| value["state"] == "normal");
                    prop_assert!(!is_over || value["state"] == "normal", "{path}");
                } else {
                    prop_assert_eq!(&after[path].0, &Value::Null, "{}", path);
                    prop_assert_ne!(&after[path].1, HEARD, "{}", path);
                }
            }
            prop_assert_ne!(&after["notifications.electrical.batteries.house.controller"].0["state"], "normal");
        }
    }
}

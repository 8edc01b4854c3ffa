//! A new board: no settings, settings by the service line, settings that do not suit it.

use crate::bench::{Bench, record_of};
use crate::thermometers::settings;
use forewarm_core::quantity::Ohms;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::Settings;
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Message, Misfit, Origin, Refusal, Request, Unfit};
use forewarm_rig::Pins;
use serde_json::json;

#[test]
fn a_new_board_has_no_settings_and_closes_nothing_until_it_gets_some() {
    let mut bench = Bench::switch_on(None);
    bench.wait(200);
    assert_eq!(bench.identity(), Err(Unfit::Missing));
    assert_eq!(bench.ask(&Request::ReadSettings), [Message::Refused(Refusal::Unfit(Unfit::Missing))]);
    for _ in 0..5 {
        let seen = bench.order(&json!({ "run": { "feeds": 1, "ms": 3000 } }));
        assert!(seen.rests() && seen.pins.has(Pins::ALARM));
        assert!(seen.moves.iter().all(|(pin, is_high)| pin == "alarm" || !is_high), "{:?}", seen.moves);
    }
    let record = record_of(&settings());
    let fingerprint = record::fingerprint(&record);
    // Nobody holds the button.
    let upload = Request::WriteSettings { replaces: Fingerprint::NONE, record: &record };
    assert_eq!(bench.ask(&upload), [Message::Refused(Refusal::ButtonNotHeld)]);
    let answer = bench.write(Fingerprint::NONE, &record);
    assert!(answer.contains(&Message::Accepted { fingerprint }), "{answer:?}");
    bench.wait(300);
    assert_eq!(bench.identity(), Ok(fingerprint));
    let read = bench.ask(&Request::ReadSettings);
    assert_eq!(read, [Message::Settings { origin: Origin::Stored, record: &record }]);
}

#[test]
fn settings_that_do_not_suit_the_board_are_refused_with_the_reason() {
    let mut bench = Bench::switch_on(None);
    bench.wait(200);
    let misfit = |change: fn(&mut Settings)| {
        let mut settings = settings().into_inner();
        change(&mut settings);
        record_of(&settings.validate().expect("settings that are fit elsewhere"))
    };
    let cases = [
        (
            misfit(|settings| {
                let another = settings.channels[0];
                settings.channels.push(another).expect("room for more");
            }),
            Misfit::Channels { most: 4 },
        ),
        (
            misfit(|settings| settings.channels[2].reference = Ohms::from_milliohms(300_000)),
            Misfit::Reference { channel: 2, least_ohm: 350, most_ohm: 10_000 },
        ),
        (
            misfit(|settings| {
                let ohm = Ohms::from_milliohms(1000);
                settings.channels[3].leads = Leads::ThreeWire { least: ohm, most: Ohms::from_milliohms(2000) };
            }),
            Misfit::Lead { channel: 3 },
        ),
    ];
    for (record, misfit) in cases {
        let answer = bench.write(Fingerprint::NONE, &record);
        assert_eq!(answer, [Message::Refused(Refusal::Unfit(Unfit::Misfit(misfit)))]);
        assert_eq!(bench.identity(), Err(Unfit::Missing));
    }
}

//! How much of its stack the program uses: the emulator paints memory before each start.

use crate::bench::{Bench, image, record_of};
use crate::thermometers::{fine, settings};
use forewarm_core::quantity::Celsius;
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Message, Request};
use forewarm_tests::fill;
use object::{Object, ObjectSymbol};
use serde_json::json;

/// Most bytes of the stack that may be in use. The part has fifteen times as many.
const MOST: u64 = 16 * 1024;

fn address(image: &[u8], symbol: &str) -> u64 {
    let file = object::File::parse(image).expect("an image");
    let mut symbols = file.symbols();
    symbols.find(|found| found.name() == Ok(symbol)).unwrap_or_else(|| panic!("{symbol}")).address()
}

#[test]
fn the_deepest_paths_leave_most_of_the_stack_untouched() {
    let image = image();
    let [from, to] = ["__sheap", "_stack_start"].map(|symbol| address(&image, symbol));
    let plain = settings();
    let mut long = plain.clone().into_inner();
    // As long as settings can be on this board: it has four channels.
    let inhibit = long.charge.inhibit;
    fill(&mut long, inhibit);
    let long = long.validate().unwrap_or_else(|refusals| panic!("{refusals:?}"));

    let mut most = Vec::new();
    // What is kept is readable, or garbage that is erased and written again.
    for kept in [None, Some(vec![0x5C; 16 * 1024])] {
        let mut bench = Bench::switch_on(kept.as_deref());
        bench.order(&json!({ "stack": [from, to] }));
        bench.order(&json!({ "power": "cycle", "run": { "ms": 3000 } }));
        let mut replaces = Fingerprint::NONE;
        for settings in [&plain, &long, &plain] {
            let record = record_of(settings);
            let answer = bench.write(replaces, &record);
            replaces = record::fingerprint(&record);
            assert!(answer.contains(&Message::Accepted { fingerprint: replaces }), "{answer:?}");
            bench.wait(500);
            bench.ask(&Request::SendTelemetry { every: 1 });
            // Warm, and each thermometer broken in turn; then cold, with contacts that disagree.
            let world = fine(settings, Celsius::from_millidegrees(15_000));
            let charged = (0..120).any(|_| bench.step(&world).charges());
            assert!(charged, "it never got to permit charge");
            for channel in 0..settings.channels.len() {
                let mut broken = world.clone();
                broken["chips"][channel] = json!(null);
                (0..5).for_each(|_| drop(bench.step(&broken)));
            }
            let mut cold = fine(settings, Celsius::from_millidegrees(1_000));
            (0..60).for_each(|_| drop(bench.step(&cold)));
            cold["strap"] = "supply".into();
            (0..20).for_each(|_| drop(bench.step(&cold)));
            for request in
                [Request::Identify, Request::ReadSettings, Request::ReadEvents { from: 0 }, Request::ReadTotals]
            {
                assert!(!bench.ask(&request).is_empty(), "{request:?}");
            }
        }
        let deepest = bench.wait(0).deepest.expect("a stack that was used");
        assert!(deepest > from, "the stack has reached its end");
        most.push(to - deepest);
    }
    println!("most bytes of the stack in use: {most:?} of {}", to - from);
    assert!(most.iter().all(|&used| used <= MOST), "{most:?}");
}

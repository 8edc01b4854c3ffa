//! `forewarm replay`: what it makes of logs that are as they should be.
#![expect(clippy::float_cmp, reason = "times are whole milliseconds and their sums exact")]

mod replay_kit;

use replay_kit::{Folder, INSTALLATION, log, swing, thousandths};
use serde_json::{Value, json};
use std::fmt::Write as _;

const HOUR: i64 = 3600;
const HEADER: &str = "t_s,low_c,high_c,pad_c,air_c";
const MAINS: [&str; 2] = ["--assume-source", "mains"];

/// All channels on the swing, a little apart.
fn cell(t: i64, name: &str) -> String {
    thousandths(match name {
        "low_c" => swing(t),
        "high_c" => swing(t) + 300,
        "pad_c" => swing(t) + 2000,
        "air_c" => swing(t) - 9000,
        other => panic!("no column {other}"),
    })
}

/// Eight hours: cold, warm enough, cold again.
fn swinging(step_s: i64) -> String {
    log(HEADER, 8 * HOUR / step_s + 1, step_s, cell)
}

fn f64_of(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn the_stable_keys_are_there_and_their_times_add_up() {
    let result = Folder::new().json(swinging(60), &MAINS);
    for key in ["rows_read", "rows_rejected", "steps", "heater_starts"] {
        assert!(result[key].is_u64(), "{key}: {}", result[key]);
    }
    for key in ["span_s", "heater_on_s", "charge_permitted_s", "charge_inhibited_s", "coldest_permitted_c"] {
        assert!(result[key].is_f64(), "{key}: {}", result[key]);
    }
    assert_eq!(result["rows_read"], 481);
    assert_eq!(result["steps"], 8 * HOUR + 1);
    assert_eq!(f64_of(&result["span_s"]), 28_800.0);
    let sum = f64_of(&result["charge_permitted_s"]) + f64_of(&result["charge_inhibited_s"]);
    assert_eq!(sum, 28_800.0);
    let states: f64 = result["states"].as_array().unwrap().iter().map(|state| f64_of(&state["time_s"])).sum();
    assert_eq!(states, 28_800.0);
    for event in result["events"].as_array().unwrap() {
        let keys: Vec<_> = event.as_object().unwrap().keys().map(String::as_str).collect();
        assert_eq!(keys, ["cause", "charge", "full", "heater", "state", "t_s"]);
    }
    for fault in result["faults"].as_array().unwrap() {
        assert!(fault["kind"].is_string() && fault["first_s"].is_f64() && fault["count"].is_u64(), "{fault}");
        assert!(fault.as_object().unwrap().contains_key("channel"));
    }
}

#[test]
fn charge_is_permitted_a_soak_after_release_and_lost_at_inhibit() {
    let result = Folder::new().json(swinging(1), &MAINS);
    let events = result["events"].as_array().unwrap();
    let change = |to: bool| {
        let on = events.windows(2).find(|pair| pair[0]["charge"] == !to && pair[1]["charge"] == to).unwrap();
        f64_of(&on[1]["t_s"])
    };
    // Above 8 °C from 5001 s on; the soak is 600 s.
    assert!((5601.0..5605.0).contains(&change(true)), "{}", change(true));
    // At 5 °C after 28 800 − 2000 s.
    assert!((26_795.0..=26_800.0).contains(&change(false)), "{}", change(false));
    let coldest = f64_of(&result["coldest_permitted_c"]);
    assert!((5.0..5.01).contains(&coldest), "{coldest}");
    let energy: f64 = result["energy"].as_array().unwrap().iter().map(|energy| f64_of(&energy["energy_wh"])).sum();
    let expected = f64_of(&result["heater_on_s"]) * 100.0 / 3600.0;
    assert!((energy - expected).abs() < 0.01, "{energy} Wh, {expected} Wh expected");
    let starts = events.windows(2).filter(|pair| pair[0]["heater"] == false && pair[1]["heater"] == true).count();
    assert!(starts > 0);
    assert_eq!(result["heater_starts"], starts);
}

#[test]
fn a_slow_log_decides_like_a_dense_one() {
    let bench = Folder::new();
    let dense = bench.json(swinging(1), &MAINS);
    for step_s in [60, HOUR] {
        let slow = bench.json(swinging(step_s), &MAINS);
        assert_eq!(slow["events"], dense["events"], "rows {step_s} s apart");
        assert_eq!(slow["steps"], dense["steps"]);
        assert_eq!(slow["faults"], dense["faults"]);
    }
}

#[test]
fn an_irregular_log_with_fractions_of_a_second_decides_like_a_dense_one() {
    let bench = Folder::new();
    let mut irregular = format!("{HEADER}\n");
    let mut t = 0;
    for row in 0.. {
        // The swing is given for whole seconds; the rest of the way is a millionth of a degree a millisecond.
        let fraction = t % 1000;
        let sign = if t / 1000 < 4 * HOUR { 1 } else { -1 };
        let value = |offset: i64| format!("{}e-6", (swing(t / 1000) + offset) * 1000 + sign * fraction);
        writeln!(irregular, "{},{},{},{},{}", thousandths(t), value(0), value(300), value(2000), value(-9000)).unwrap();
        if t == 8 * HOUR * 1000 {
            break;
        }
        let peak = 4 * HOUR * 1000;
        let next = t + 700 + 137_911 * (row % 7);
        // A row where the line bends, and one at the end.
        t = if t < peak && next > peak { peak } else { next.min(8 * HOUR * 1000) };
    }
    let irregular = bench.json(irregular, &MAINS);
    assert_eq!(irregular["events"], bench.json(swinging(1), &MAINS)["events"]);
}

#[test]
fn columns_logged_less_often_than_others_are_filled_in() {
    let bench = Folder::new();
    let sparse = log("t_s,low_c,high_c,pad_c,air_c,supply_v", 8 * HOUR / 10 + 1, 10, |t, name| match name {
        "supply_v" if t % 20 == 0 => "12".to_owned(),
        "low_c" if t % 60 == 0 => cell(t, name),
        "high_c" if t % 600 == 0 => cell(t, name),
        "pad_c" if t % HOUR == 0 => cell(t, name),
        "air_c" => cell(t, name),
        _ => String::new(),
    });
    let sparse = bench.json(sparse, &MAINS);
    assert_eq!(sparse["events"], bench.json(swinging(1), &MAINS)["events"]);
}

#[test]
fn a_log_decides_the_same_in_every_unit() {
    let bench = Folder::new();
    let celsius = bench.json(swinging(60), &MAINS);
    for (suffix, convert) in
        [("f", (|t: f64| t * 1.8 + 32.0) as fn(f64) -> f64), ("k", |t| t + 273.15), ("ohm", |t| t), ("ratio", |t| t)]
    {
        let header = HEADER.replace("_c", &format!("_{suffix}"));
        let text = log(&header, 8 * 60 + 1, 60, |t, name| {
            let (channel, _) = name.split_once('_').unwrap();
            let shown: f64 = cell(t, &format!("{channel}_c")).parse().unwrap();
            let ohms = terminals(channel, shown);
            match suffix {
                "ohm" => format!("{ohms:.7}"),
                "ratio" => format!("{:.11}", ohms / if channel == "low" { 400.0 } else { 4000.0 }),
                _ => format!("{:.6}", convert(shown)),
            }
        });
        let result = bench.json(&text, &MAINS);
        if suffix == "f" || suffix == "k" {
            assert_eq!(result["events"], celsius["events"], "in {suffix}");
        } else {
            // A straight line in ohms is not one in degrees: between rows a minute apart they part by 0.3 µK, which can
            // move an event by a step.
            assert_events_within(&result["events"], &celsius["events"], 1.0);
        }
    }
}

/// Resistance at the terminals by the published equation, independent of the code under test.
fn terminals(channel: &str, shown: f64) -> f64 {
    let (r0, leads, offset) = if channel == "low" { (100.0, 0.5, 0.25) } else { (1000.0, 0.0, 0.0) };
    let t = shown - offset;
    let cubic = if t < 0.0 { -4.183e-12 * (t - 100.0) * t * t * t } else { 0.0 };
    r0 * (1.0 + 3.9083e-3 * t - 5.775e-7 * t * t + cubic) + leads
}

#[track_caller]
fn assert_events_within(found: &Value, expected: &Value, tolerance_s: f64) {
    let (found, expected) = (found.as_array().unwrap(), expected.as_array().unwrap());
    let what = |event: &Value| (event["state"].clone(), event["heater"].clone(), event["charge"].clone());
    assert_eq!(found.iter().map(what).collect::<Vec<_>>(), expected.iter().map(what).collect::<Vec<_>>());
    for (found, expected) in found.iter().zip(expected) {
        let apart = (f64_of(&found["t_s"]) - f64_of(&expected["t_s"])).abs();
        assert!(apart <= tolerance_s, "{found} and {expected}");
    }
}

#[test]
fn a_log_decides_the_same_in_every_time_format() {
    type Show = fn(i64) -> String;
    const START: i64 = 978_343_200;
    let bench = Folder::new();
    let elapsed = swinging(60);
    let result = bench.json(&elapsed, &MAINS);
    assert_eq!(result["time_format"], "elapsed_s");
    assert_eq!(result["start"], Value::Null);
    let formats: [(&str, &str, Show); 6] = [
        ("epoch_s", "epoch_s", |t| (START + t).to_string()),
        ("epoch_ms", "epoch_ms", |t| ((START + t) * 1000).to_string()),
        ("timestamp", "rfc3339", |t| date(START + t, 0) + "Z"),
        ("time", "rfc3339", |t| date(START + t, -9) + "-09:00"),
        ("Date Time", "rfc3339", |t| date(START + t, 0).replace('T', " ")),
        ("time", "epoch_s", |t| format!("{}.000", START + t)),
    ];
    for (name, format, show) in formats {
        let mut text = elapsed.replacen("t_s", name, 1);
        let body = text.split_off(text.find('\n').unwrap() + 1);
        for line in body.lines() {
            let (t, rest) = line.split_once(',').unwrap();
            writeln!(text, "{},{rest}", show(t.parse().unwrap())).unwrap();
        }
        let dated = bench.json(&text, &MAINS);
        assert_eq!(dated["events"], result["events"], "{name}");
        assert_eq!(dated["time_format"], format);
        let shown = if name == "time" && format == "rfc3339" {
            "2001-01-01T01:00:00-09:00"
        } else {
            "2001-01-01T10:00:00+00:00"
        };
        assert_eq!(dated["start"], shown, "{name}");
        let summary = bench.run("log.csv", &MAINS).stdout();
        let [day, clock] = [&shown[..10], &shown[11..19]];
        let zone = &shown[19..];
        assert!(summary.contains(&format!("from                          {day} {clock} UTC{zone}\n")), "{summary}");
        assert!(summary.contains(&format!(" UTC{zone}, 8 h 00 min\n")), "{summary}");
    }
}

/// The date of `seconds` of the epoch within January 2001, `hours` from UTC.
fn date(seconds: i64, hours: i64) -> String {
    let since = seconds + hours * HOUR - 978_307_200;
    let (day, second) = (since / 86_400, since % 86_400);
    format!("2001-01-{:02}T{:02}:{:02}:{:02}", day + 1, second / HOUR, second / 60 % 60, second % 60)
}

#[test]
fn the_time_column_and_its_format_can_be_named() {
    let bench = Folder::new();
    let text = swinging(60).replacen("t_s", "uptime", 1);
    bench.replay(&text, &MAINS).refuses(1, &["log.csv:1:1", "no time column", "--time COLUMN", "uptime"]);
    let named = bench.json(&text, &[&MAINS[..], &["--time", "uptime:elapsed_s"]].concat());
    assert_eq!(named["events"], bench.json(swinging(60), &MAINS)["events"]);
}

#[test]
fn columns_can_be_named_and_one_can_feed_several_channels() {
    let bench = Folder::new();
    let text = log("t_s,T1,outside_c", 8 * 60 + 1, 60, |t, _| thousandths(swing(t)));
    let options =
        ["--column", "low=T1:c", "--column", "high=T1:c", "--column", "pad=T1:c", "--column", "air=outside_c"];
    let named = bench.json(&text, &[&MAINS[..], &options].concat());
    let all = bench.json(log(HEADER, 8 * 60 + 1, 60, |t, _| thousandths(swing(t))), &MAINS);
    assert_eq!(named["events"], all["events"]);
}

#[test]
fn columns_of_no_channel_can_be_named() {
    let bench = Folder::new();
    let reserve = "spend = \"with_source\"\nreserve_pct = 20\nresume_pct = 30";
    let with = |from: &str, to: &str| INSTALLATION.replace(from, to);
    for (name, value, installation) in [
        ("supply_v", "10", INSTALLATION.to_owned()),
        ("soc_pct", "80", with("spend = \"never\"", reserve)),
        ("bank_v", "10", with("spend = \"never\"", "spend = \"always\"\nreserve_v = 12\nresume_v = 12.5")),
        ("charge_line", "0", INSTALLATION.to_owned()),
        ("discharge_line", "0", with("spend = \"never\"", reserve)),
        ("button", "1", INSTALLATION.to_owned()),
    ] {
        bench.write("bank.toml", installation);
        let cell = |t: i64, name: &str| if name.ends_with("_c") { thousandths(swing(t)) } else { value.to_owned() };
        let of = |column: &str, options: &[&str]| {
            let text = log(&format!("t_s,low_c,high_c,{column}"), 8 * 60 + 1, 60, cell);
            bench.json(text, &[&MAINS[..], options].concat())
        };
        let named = of("x", &["--column", &format!("{name}=x")]);
        let found = of(name, &[]);
        assert_eq!((&named["events"], &named["assumptions"]), (&found["events"], &found["assumptions"]), "{name}");
        assert_ne!(named["columns"], of("x", &[])["columns"], "{name}");
        let text = log("t_s,low_c,high_c,x", 2, 60, cell);
        let refused = |options: &[&str], words: &[&str]| bench.replay(&text, options).refuses(2, words);
        refused(&["--column", &format!("{name}=y")], &["no column \"y\", which --column names"]);
        refused(&["--column", &format!("{name}=x:c")], &[&format!("--column gives {name} a unit")]);
        let twice = format!("{name}=x");
        refused(&["--column", &twice, "--column", &twice], &[&format!("two columns for {name}")]);
    }
}

#[test]
fn a_pad_or_ambient_channel_without_a_column_is_left_out_and_said_to_be() {
    let bench = Folder::new();
    let text = log("t_s,low_c,high_c", 8 * 60 + 1, 60, cell);
    let result = bench.json(&text, &MAINS);
    assert!(result["charge_permitted_s"].as_f64().unwrap() > 0.0);
    let assumptions = result["assumptions"].to_string();
    for word in ["channel pad is left out", "channel air is left out", "supply is 12.00 V", "solar is never present"] {
        assert!(assumptions.contains(word), "{word}: {assumptions}");
    }
    let summary = bench.replay(&text, &MAINS).stdout();
    assert!(summary.contains("channel pad is left out"), "{summary}");
    assert!(summary.contains("Not judged"), "{summary}");
}

#[test]
fn a_pause_of_exactly_the_limit_is_interpolated_and_a_longer_one_is_a_missing_channel() {
    let bench = Folder::new();
    let text = |pause: i64| {
        let mut text = format!("{HEADER}\n");
        for t in (0..=600).step_by(10).chain((600 + pause..1200 + pause).step_by(10)) {
            writeln!(text, "{t},12.0,12.1,13,4").unwrap();
        }
        text
    };
    let options = ["--max-gap", "300"];
    let whole = bench.json(text(300), &options);
    assert_eq!(whole["faults"].as_array().unwrap().iter().filter(|fault| fault["kind"] == "missing").count(), 0);
    let broken = bench.json(text(301), &options);
    let missing: Vec<_> =
        broken["faults"].as_array().unwrap().iter().filter(|fault| fault["kind"] == "missing").collect();
    assert_eq!(missing.len(), 4, "{missing:?}");
    for fault in missing {
        // The maximum age of a reading is 30 s.
        assert_eq!((&fault["count"], &fault["first_s"]), (&json!(1), &json!(631.0)), "{fault}");
    }
    assert_eq!(broken["skipped_s"], 0.0);
}

#[test]
fn a_sensor_lost_in_a_dense_log_is_missing_and_not_bridged_unless_asked_and_then_told() {
    let bench = Folder::new();
    // A row every 10 s; from the first to the second hour one cell is not there: empty, or the rows not used.
    for empty in ["", "NaN"] {
        let text = log(HEADER, 1081, 10, |t, name| match name {
            "low_c" if (3610..7200).contains(&t) => empty.into(),
            _ => "12".into(),
        });
        let result = bench.json(&text, &[]);
        let faults = result["faults"].as_array().unwrap();
        let fault = faults.iter().find(|fault| fault["channel"] == "low").expect("a fault of the lost sensor");
        assert_eq!((&fault["kind"], &fault["first_s"]), (&json!("missing"), &json!(3631.0)), "{empty}");
        let permitted = f64_of(&result["charge_permitted_s"]);
        // Three hours less the one, and a soak at the start and after the hole.
        assert!((5900.0..7200.0 - 600.0).contains(&permitted), "{permitted}");
        assert_eq!(result["bridged"], json!([]), "{empty}");

        let asked = bench.json(&text, &["--max-gap", "3600"]);
        assert_eq!(asked["faults"], json!([]));
        let bridge = &asked["bridged"][0];
        assert_eq!(
            (&bridge["channel"], &bridge["time_s"], &bridge["count"]),
            (&json!("low"), &json!(3600.0), &json!(1))
        );
        assert_eq!(bridge["longest"], json!([{ "from_s": 3600.0, "to_s": 7200.0 }]));
        let summary = bench.run("log.csv", &["--max-gap", "3600"]).stdout();
        assert!(summary.contains("low                           1 h 00 min in 1 gap, the longest:"), "{summary}");
    }
    let summary = bench.replay(swinging(60), &[]).stdout();
    assert!(summary.contains("gaps interpolated             none; the limit is 3 times"), "{summary}");
}

#[test]
fn sources_count_as_absent_in_a_pause_over_the_limit() {
    let bench = Folder::new();
    let mut text = "t_s,low_c,high_c,mains_present\n".to_owned();
    for t in (0..=600).step_by(10).chain((2000..2600).step_by(10)) {
        writeln!(text, "{t},2.0,2.1,1").unwrap();
    }
    let result = bench.json(text, &["--max-gap", "300"]);
    let events = result["events"].as_array().unwrap();
    let off = events.windows(2).find(|pair| pair[0]["heater"] == true && pair[1]["heater"] == false).unwrap();
    // With the very first step of the pause, long before the readings are too old.
    assert_eq!((&off[1]["t_s"], &off[1]["cause"]), (&json!(601.0), &json!("no_energy")));
}

#[test]
fn a_long_pause_is_neither_permitted_nor_stepped_through() {
    let bench = Folder::new();
    let year = 365 * 86_400_i32;
    let mut text = format!("{HEADER}\n");
    for t in (0..=7200).step_by(10).chain((year..=year + 7200).step_by(10)) {
        writeln!(text, "{t},12.0,12.1,13,4").unwrap();
    }
    let result = bench.json(&text, &[]);
    let time = |key: &str| f64_of(&result[key]);
    assert_eq!(time("span_s"), f64::from(year + 7200));
    // An hour of the pause is stepped through.
    assert_eq!(time("skipped_s"), f64::from(year - 7200 - 3600));
    assert_eq!(time("charge_permitted_s") + time("charge_inhibited_s") + time("skipped_s"), time("span_s"));
    // From each side two hours, less the soak.
    assert!(time("charge_permitted_s") < 2.0 * (7200.0 - 600.0) + 60.0, "{}", time("charge_permitted_s"));
    assert_eq!(result["steps"], 2 * 7201 + 3600 - 1);
    let pauses = json!([{ "t_s": 7200.0 + 3600.0, "duration_s": time("skipped_s") }]);
    assert_eq!((&result["pauses"], &result["pause_count"]), (&pauses, &json!(1)));
    let step = json!({ "line": 723, "by_s": f64::from(year - 7200) });
    assert_eq!((&result["largest_step_forward"], &result["largest_step_back"]), (&step, &Value::Null));
    // Every channel is missing in the hour that was stepped through, and until it is believed again; not for a year.
    for fault in result["faults"].as_array().unwrap().iter().filter(|fault| fault["kind"] == "missing") {
        assert!((3500.0..3600.0).contains(&f64_of(&fault["stood_s"])), "{fault}");
    }
    let summary = bench.run("log.csv", &[]).stdout();
    assert!(summary.contains("largest step forward          line 723, by 364 d 22 h"), "{summary}");
    // Of the five hours that were stepped through, and not of the year.
    let shown = format!("{:.1} %\n", 100.0 * time("charge_permitted_s") / (time("span_s") - time("skipped_s")));
    assert!(summary.contains("skipped") && summary.contains(&shown), "{shown}: {summary}");
}

#[test]
fn a_clock_that_was_set_back_is_named_with_its_line_and_size() {
    let bench = Folder::new();
    let row = |t: i64| format!("{t},12.0,12.1,13,4\n");
    let before: String = (10..=20).map(|step| row(step * 60)).collect();
    let after: String = (0..30).map(|step| row(step * 60)).collect();
    let ran = bench.replay(format!("{HEADER}\n{before}{after}"), &[]);
    assert_eq!(ran.status(), 0);
    assert!(ran.stdout().contains("largest step back             line 13, by 20 min 00 s"), "{}", ran.stdout());
    let result = bench.run("log.csv", &["--json"]).json();
    assert_eq!(result["largest_step_back"], json!({ "line": 13, "by_s": 1200.0 }));
    assert_eq!((&result["rows_rejected"], &result["pauses"]), (&json!(21), &json!([])));
}

#[test]
fn charge_is_not_permitted_on_a_reading_that_cannot_be_nor_on_the_way_to_it() {
    let bench = Folder::new();
    for (broken, kind) in [("9999", "open"), ("-999", "short"), ("850", "out_of_range"), ("-46", "out_of_range")] {
        let mut text = format!("{HEADER}\n");
        for minute in 0..60 {
            writeln!(text, "{},12.0,12.1,13,4", minute * 60).unwrap();
        }
        writeln!(text, "3600,{broken},12.1,13,4").unwrap();
        let result = bench.json(&text, &[]);
        let fault = result["faults"].as_array().unwrap().iter().find(|fault| fault["channel"] == "low").unwrap();
        assert_eq!(fault["kind"], kind);
        assert_eq!(fault["first_s"], 3541.0, "the first step after the last good row");
        let last = result["events"].as_array().unwrap().last().unwrap().clone();
        assert_eq!((&last["t_s"], &last["charge"]), (&json!(3541.0), &json!(false)));
        let kinds: Vec<_> = result["faults"].as_array().unwrap().iter().map(|fault| &fault["kind"]).collect();
        assert_eq!(kinds, [kind], "no temperature was made up on the way");
    }
}

#[test]
fn sources_come_from_flags_and_thresholds_and_hold_between_rows() {
    let bench = Folder::new();
    let text = log("t_s,low_c,high_c,mains_present,sun", 61, 60, |t, name| match name {
        "mains_present" => {
            if t == 600 {
                "yes".into()
            } else if t == 1200 {
                "no".into()
            } else {
                String::new()
            }
        }
        "sun" => {
            if (1800..2400).contains(&t) {
                "150".into()
            } else {
                "149.9".into()
            }
        }
        _ => "2.0".into(),
    });
    let result = bench.json(&text, &["--source", "solar=sun>=150"]);
    let on: Vec<_> = result["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["heater"] == true)
        .map(|event| f64_of(&event["t_s"]))
        .collect();
    // Each source settles for 10 s by default, and is gone with the row that says so.
    assert_eq!(on, [610.0, 1810.0]);
    assert_eq!(result["heater_on_s"], 590.0 + 590.0);
}

#[test]
fn what_another_controller_did_is_compared() {
    let bench = Folder::new();
    let text = log("t_s,low_c,high_c,heater,charge", 8 * 60 + 1, 60, |t, name| match name {
        "heater" => "0".into(),
        // A controller that looks at nothing until 7 h.
        "charge" => {
            if t < 7 * HOUR {
                "1".into()
            } else {
                "off".into()
            }
        }
        _ => thousandths(swing(t)),
    });
    let result = bench.json(&text, &MAINS);
    let charge = &result["charge_differences"];
    let permitted = f64_of(&result["charge_permitted_s"]);
    assert_eq!(charge["compared_s"], 28_800.0);
    assert_eq!(f64_of(&charge["logged_only_s"]) - f64_of(&charge["ours_only_s"]), 25_200.0 - permitted);
    let first = &charge["first"][0];
    assert_eq!((&first["from_s"], &first["logged"], &first["cause"]), (&json!(0.0), &json!(true), &json!("start_up")));
    assert_eq!(result["heater_differences"]["ours_only_s"], result["heater_on_s"]);
    let summary = bench.run("log.csv", &MAINS).stdout();
    assert!(summary.contains("Differences from the logged controller"), "{summary}");
    assert!(summary.contains("logged permitted, here not"), "{summary}");
}

#[test]
fn a_replay_agrees_with_its_own_timeline() {
    let bench = Folder::new();
    let options = [&MAINS[..], &["--timeline", "out.csv", "--every", "1"]].concat();
    let first = bench.json(swinging(1), &options);
    let again = bench.run("out.csv", &["--json"]).json();
    assert_eq!(again["rows_read"], first["steps"]);
    for output in ["charge", "heater"] {
        let apart = &again[format!("{output}_differences")];
        assert_eq!((&apart["count"], &apart["compared_s"]), (&json!(0), &first["span_s"]), "{apart}");
    }
}

#[test]
fn a_replay_agrees_with_its_own_timeline_across_pauses_lost_channels_and_broken_leads_without_a_hint() {
    let bench = Folder::new();
    // A pause of three hours, a channel that is lost for ten minutes and for twenty seconds, and leads that break and
    // short.
    let text: String = swinging(10)
        .lines()
        .filter(|line| {
            let t: Option<i64> = line.split(',').next().and_then(|t| t.parse().ok());
            t.is_none_or(|t| !(15_000..25_800).contains(&t))
        })
        .map(|line| {
            let mut cells: Vec<&str> = line.split(',').collect();
            let t: i64 = cells[0].parse().unwrap_or(-1);
            if (7_000..7_600).contains(&t) || (12_000..12_020).contains(&t) {
                cells[1] = "";
            } else if (8_000..8_100).contains(&t) {
                cells[1] = "9999";
            } else if (9_000..9_300).contains(&t) {
                cells[2] = "-999";
            }
            cells.join(",") + "\n"
        })
        .collect();
    for every in ["1", "60", "600"] {
        let options = [&MAINS[..], &["--timeline", "out.csv", "--force", "--every", every, "--max-gap", "15"]].concat();
        let first = bench.json(&text, &options);
        assert!(f64_of(&first["charge_permitted_s"]) > 1000.0 && f64_of(&first["heater_on_s"]) > 1000.0);
        let again = bench.run("out.csv", &["--json"]).json();
        for output in ["charge", "heater"] {
            let apart = &again[format!("{output}_differences")];
            assert_eq!(apart["count"], 0, "every {every}: {apart}");
        }
    }
}

#[test]
fn names_of_the_logged_outputs_can_be_given() {
    let bench = Folder::new();
    let text =
        log("t_s,low_c,high_c,K1,K2", 61, 60, |_, name| if name.starts_with('K') { "1".into() } else { "12".into() });
    let without = bench.json(&text, &[]);
    assert_eq!(without["charge_differences"], Value::Null);
    let with = bench.json(&text, &["--logged-charge", "K1", "--logged-heater", "K2"]);
    assert_eq!(with["charge_differences"]["compared_s"], 3600.0);
    assert_eq!(with["heater_differences"]["logged_only_s"], 3600.0);
}

#[test]
fn the_protections_lines_are_obeyed() {
    let bench = Folder::new();
    let text = log("t_s,low_c,high_c,charge_line", 121, 60, |t, name| match name {
        "charge_line" => {
            if t < 3600 {
                "1".into()
            } else {
                "0".into()
            }
        }
        _ => "12".into(),
    });
    let result = bench.json(&text, &[]);
    let last = result["events"].as_array().unwrap().last().unwrap().clone();
    assert_eq!(last["cause"], "charge_line_refused");
    assert_eq!(last["t_s"], 3600.0);
}

#[test]
fn the_same_run_prints_the_same_bytes() {
    let bench = Folder::new();
    let run =
        || bench.replay(swinging(60), &[&MAINS[..], &["--plot", "p.html", "--timeline", "t.csv", "--force"]].concat());
    let first = (run().stdout(), bench.read("p.html"), bench.read("t.csv"));
    assert_eq!((run().stdout(), bench.read("p.html"), bench.read("t.csv")), first);
}

#[test]
fn nothing_but_results_is_said_when_nothing_is_wrong() {
    let bench = Folder::new();
    let ran = bench.replay(swinging(60), &MAINS);
    assert_eq!((ran.status(), ran.stderr().as_str()), (0, ""));
    assert!(ran.stdout().lines().all(|line| line.chars().count() <= 100), "{}", ran.stdout());
    assert!(!ran.stdout().contains('\u{1b}'));
}

#[test]
fn the_step_can_be_chosen_within_what_the_installation_allows() {
    let bench = Folder::new();
    let fine = bench.json(swinging(60), &["--step", "0.5"]);
    assert_eq!(fine["steps"], 2 * 8 * HOUR + 1);
    for wrong in ["0.05", "11", "nan", "-1", "x"] {
        let ran = bench.replay(swinging(60), &[&format!("--step={wrong}")]);
        assert_eq!(ran.status(), 2, "{wrong}");
    }
    let strict = replay_kit::INSTALLATION.to_owned() + "[trust]\nmax_age_s = 2\n";
    bench.write("bank.toml", strict);
    bench.replay(swinging(60), &["--step", "3"]).refuses(2, &["--step 3 s", "trust.max_age_s (2 s)"]);
}

#[test]
fn the_picture_is_well_formed_whatever_the_names() {
    let bench = Folder::new();
    let installation = replay_kit::INSTALLATION.replace("Test bank", "Bank <1> & \\\"2\\\"");
    bench.write("bank.toml", installation);
    assert_eq!(bench.replay(swinging(60), &[&MAINS[..], &["--plot", "p.svg"]].concat()).status(), 0);
    let svg = bench.read("p.svg");
    let document = roxmltree::Document::parse(&svg).unwrap();
    let texts: Vec<_> = document.descendants().filter_map(|node| node.text()).collect();
    for text in [
        "Bank <1> & \"2\"",
        "charge permitted",
        "heater on",
        "release 8 °C",
        "low",
        "temperature",
        "on or off; between the two, height is the share of the time",
    ] {
        assert!(texts.iter().any(|held| held.starts_with(text)), "{text}: {texts:?}");
    }
    let numbers = document.descendants().flat_map(|node| node.attributes()).map(|attribute| attribute.value());
    assert!(numbers.into_iter().all(|value| !value.contains("NaN") && !value.contains("inf")));
}

#[test]
fn a_doubtful_channel_is_still_shown_and_shown_to_be_doubtful() {
    let bench = Folder::new();
    // From the second hour on one cell drifts away from the other, and later its lead breaks.
    let text = log(HEADER, 241, 60, |t, name| match name {
        "high_c" if t > 3 * HOUR => "9999".into(),
        "high_c" if t > HOUR => thousandths(12_000 + (t - HOUR) * 3),
        // By a digit, so that nothing is stuck.
        "low_c" => thousandths(12_000 + t / 60 % 2),
        _ => thousandths(12_100 + t / 60 % 2),
    });
    let result = bench.replay(&text, &["--timeline", "out.csv", "--plot", "p.svg", "--every", "60"]);
    assert_eq!(result.status(), 0);
    let timeline = bench.read("out.csv");
    let lines: Vec<Vec<_>> = timeline.lines().map(|line| line.split(',').collect()).collect();
    let column = |name: &str| lines[0].iter().position(|held| *held == name).unwrap();
    let (low, high, faults) = (column("low_c"), column("high_c"), column("faults"));
    let apart: Vec<_> = lines.iter().filter(|cells| cells[faults].contains("high:disagreement")).collect();
    assert!(apart.len() > 60, "{timeline}");
    for cells in apart {
        let t: f64 = cells[column("t_s")].parse().unwrap();
        let logged = 12.0 + (t - 3600.0) * 0.003;
        let shown = |column: usize| cells[column].parse().unwrap_or(f64::NAN);
        assert!((shown(high) - logged).abs() < 0.01, "{cells:?}: {logged}");
        assert!((12.0..=12.001).contains(&shown(low)), "{cells:?}");
    }
    assert!(lines.iter().any(|cells| cells[faults].contains("high:open") && cells[high] == "9999"));
    let svg = bench.read("p.svg");
    assert!(svg.contains("pale: measured, and not believed"));
    // Both cells.
    assert_eq!(svg.matches("stroke-opacity=\"0.4\"").count(), 2, "{svg}");
    bench.replay(swinging(60), &["--plot", "q.svg"]);
    assert!(!bench.read("q.svg").contains("pale"));
}

#[test]
fn a_page_of_a_replay_is_one_to_look_into_with_sources_causes_and_cautions() {
    let bench = Folder::new();
    assert_eq!(bench.replay(swinging(60), &[&MAINS[..], &["--plot", "p.html"]].concat()).status(), 0);
    let page = bench.read("p.html");
    let data = page.split_once("id=\"data\">").expect("data").1.split_once("</script>").expect("an end").0;
    let data: Value = serde_json::from_str(data).expect("JSON");
    let season = &data["seasons"][0];
    assert_eq!((&season["start"], &season["label"]), (&Value::Null, &json!("log.csv")));
    let bands = season["bands"].as_array().unwrap();
    let names: Vec<_> = bands.iter().map(|band| band["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["charge permitted", "charge refused", "heater on", "mains", "solar", "alarm"]);
    let causes: Vec<_> = bands[1]["causes"].as_array().unwrap().iter().map(|cause| cause.as_str().unwrap()).collect();
    assert!(causes.contains(&"cells cold") && causes.contains(&"soaking"), "{causes:?}");
    for caution in forewarm::cautions::CAUTIONS {
        assert!(page.contains(caution), "{caution}");
    }
}

#[test]
fn what_only_our_own_heat_could_show_is_not_judged() {
    // Cells that stay cold for hours however long the heater is on: 20 Wh should have raised them by 1 K.
    let bench = Folder::new();
    let result = bench.json(log(HEADER, 6 * 60 + 1, 60, |t, _| thousandths(2000 + t % 120)), &MAINS);
    assert!(f64_of(&result["heater_on_s"]) > 20_000.0);
    let kinds: Vec<_> = result["faults"].as_array().unwrap().iter().map(|fault| &fault["kind"]).collect();
    assert!(!kinds.iter().any(|kind| **kind == "heater_ineffective"), "{kinds:?}");
}

#[test]
fn a_heater_that_one_source_feeds_has_its_supply_with_that_alone() {
    let bench = Folder::new();
    let hut = include_str!("../demo/hut.toml");
    let fed = hut.replace("[circuit]", "[circuit]\nfed_by = \"mains\"");
    let fed = fed.replace("name = \"mains\"", "name = \"mains\"\nrated_v = 13.8\nrated_a = 60");
    bench.write("bank.toml", fed);
    let cold = || log("t_s,battery_1_c,battery_2_c", 61, 60, |t, _| thousandths(2000 + t % 120));
    // The sun alone, whose budget would carry it, reaches nothing.
    let result = bench.json(cold(), &["--assume-source", "solar"]);
    assert_eq!(f64_of(&result["heater_on_s"]), 0.0);
    let result = bench.json(cold(), &MAINS);
    let on = f64_of(&result["heater_on_s"]);
    // 120 W × (13.8 / 12.8)², less the run of good readings and the settling at the beginning.
    let energy = result["energy"].as_array().unwrap().iter().map(|energy| f64_of(&energy["energy_wh"])).sum::<f64>();
    assert!(on > 3_500.0 && (energy - on * 139.482 / 3600.0).abs() < 0.1, "{on} s, {energy} Wh");
    let summary = bench.replay(cold(), &MAINS).stdout();
    assert!(summary.contains("the heater's supply is 13.8 V while mains is present, and dead without it"), "{summary}");
}

#[test]
fn the_heater_needs_its_supply_and_energy_that_may_be_spent() {
    let cold = |header: &str, cell: fn(i64) -> String| {
        log(header, 61, 60, |t, name| if name.ends_with("_c") { "2.0".into() } else { cell(t) })
    };
    let heater_on = |installation: &str, text: String, options: &[&str], source: &str| {
        let bench = Folder::new();
        bench.write("bank.toml", installation);
        let result = bench.json(text, options);
        let on = f64_of(&result["heater_on_s"]);
        for energy in result["energy"].as_array().unwrap() {
            // 100 W at the nominal 12 V, and with the supply logged a little less on the way down.
            let most = if energy["source"] == source { on * 100.0 / 3600.0 } else { 0.0 };
            let found = f64_of(&energy["energy_wh"]);
            assert!((0.9 * most - 0.01..=most + 0.01).contains(&found), "{energy}: {most} Wh at most");
        }
        on
    };
    let installation = replay_kit::INSTALLATION;
    // Half the hour below 11 V, in one straight fall.
    let falling =
        cold("t_s,low_c,high_c,supply_v", |t| format!("{}", 12.0 - f64::from(u16::try_from(t).unwrap()) / 1800.0));
    let on = heater_on(installation, falling, &MAINS, "mains");
    assert!((1700.0..=1800.0).contains(&on), "{on}");
    // The bank may be spent above 50 %, and above 12.5 V.
    let charged = installation.replace("spend = \"never\"", "spend = \"always\"\nreserve_pct = 50\nresume_pct = 60");
    let falling =
        cold("t_s,low_c,high_c,soc_pct", |t| format!("{}", 75.0 - f64::from(u16::try_from(t).unwrap()) / 72.0));
    let on = heater_on(&charged, falling, &[], "bank");
    assert!((1700.0..=1800.0).contains(&on), "{on}");
    let unknown = heater_on(&charged, cold(HEADER, |_| "2.0".into()), &[], "bank");
    assert_eq!(unknown, 0.0);
    let held = installation.replace("spend = \"never\"", "spend = \"always\"\nreserve_v = 12.5\nresume_v = 12.9");
    let falling =
        cold("t_s,low_c,high_c,bank_v", |t| format!("{}", 13.0 - f64::from(u16::try_from(t).unwrap()) / 3600.0));
    let on = heater_on(&held, falling, &[], "bank");
    assert!((1700.0..=1800.0).contains(&on), "{on}");
}

#[test]
fn a_fault_that_rests_on_an_assumption_says_so() {
    let bench = Folder::new();
    let installation = replay_kit::INSTALLATION;
    for (reserve, column, assumed) in [
        ("reserve_v = 12\nresume_v = 12.5", "bank_v", "the bank's voltage is 12.00 V all the time (no column bank_v)"),
        ("reserve_pct = 50\nresume_pct = 60", "soc_pct", "its state of charge is unknown (no column soc_pct)"),
    ] {
        bench.write("bank.toml", installation.replace("\"never\"", &format!("\"always\"\n{reserve}")));
        let result = bench.json(swinging(60), &[]);
        let fault = &result["faults"][0];
        assert_eq!(fault["kind"], "bank_below_reserve");
        assert!(fault["assumed"].as_str().is_some_and(|text| text.ends_with(assumed)), "{fault}");
        let said = format!("{assumed}: bank below reserve rests on it");
        let assumptions = result["assumptions"].as_array().unwrap();
        assert!(assumptions.iter().any(|text| text.as_str().unwrap().ends_with(&said)), "{assumptions:?}");
        let summary = bench.run("log.csv", &[]).stdout();
        assert!(summary.contains("but assumed: the bank"), "{summary}");
        // The same with a column that says so rests on the log.
        let logged =
            log(
                &format!("{HEADER},{column}"),
                61,
                60,
                |t, name| {
                    if name == column { "11".into() } else { cell(t, name) }
                },
            );
        let fault = &bench.json(logged, &[])["faults"][0];
        assert_eq!((&fault["kind"], &fault["assumed"]), (&json!("bank_below_reserve"), &Value::Null));
    }
}

#[test]
fn every_second_without_charge_and_every_second_without_heat_has_one_cause() {
    let bench = Folder::new();
    for options in [&MAINS[..], &[]] {
        let result = bench.json(swinging(60), options);
        for (total, table) in [("charge_inhibited_s", "inhibited_by"), ("heater_off_s", "heater_off_by")] {
            let causes = result[table].as_array().unwrap();
            let sum: f64 = causes.iter().map(|cause| cause["time_s"].as_f64().unwrap()).sum();
            assert!(sum > 0.0 && (sum - result[total].as_f64().unwrap()).abs() < 1e-6, "{table}: {causes:?}");
            let strange = if table == "inhibited_by" { "no_energy" } else { "cells_cold" };
            assert!(causes.iter().all(|cause| cause["cause"] != strange), "{table}: {causes:?}");
        }
        let split = result["heater_on_s"].as_f64().unwrap() + result["heater_off_s"].as_f64().unwrap();
        assert!((split - result["span_s"].as_f64().unwrap()).abs() < 1e-6, "{split}");
    }
}

#[test]
fn the_summary_tells_a_fitter_what_happened() {
    let bench = Folder::new();
    let summary = bench.replay(swinging(60), &MAINS).stdout();
    for words in [
        "Test bank\n",
        "rows                          481, all of them used",
        "steps                         28801 of 1 s",
        "permitted",
        "coldest cell while permitted  5.00 °C",
        "mains",
        "Time in each state",
        "Faults",
        "low                           low_c",
    ] {
        assert!(summary.contains(words), "{words}: {summary}");
    }
}

#[test]
fn the_demo_replays_a_year_of_real_weather() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    let columns = ["--column", "battery_1=temperature_c", "--column", "battery_2=temperature_c"];
    let others = ["--column", "box_air=temperature_c", "--source", "solar=ghi_w_m2>=150", "--step", "10", "--json"];
    let ran = std::process::Command::new(env!("CARGO_BIN_EXE_forewarm"))
        .current_dir(&demo)
        .args(["replay", "hut.toml", "weather.csv"])
        .args(columns)
        .args(others)
        .output()
        .unwrap();
    let result = replay_kit::Ran(ran).json();
    assert_eq!((&result["rows_read"], &result["rows_rejected"]), (&json!(8760), &json!(0)));
    assert_eq!(result["span_s"], 8759.0 * 3600.0);
    assert_eq!(result["skipped_s"], 0.0);
    // The unheated year is warm enough to charge for some of it, and has no charge on a cell at or below 5 °C.
    let permitted = f64_of(&result["charge_permitted_s"]) / f64_of(&result["span_s"]);
    assert!((0.1..0.6).contains(&permitted), "{permitted}");
    assert!(f64_of(&result["coldest_permitted_c"]) > 5.0);
}

/// Ohms of three wires as a meter shows them at two terminals would read warm by a lead.
#[test]
fn the_help_says_that_ohms_of_three_wires_must_be_lead_compensated() {
    let run = std::process::Command::new(env!("CARGO_BIN_EXE_forewarm")).args(["replay", "--help"]).output();
    let help = String::from_utf8(run.expect("the command starts").stdout).expect("UTF-8");
    assert!(help.contains("lead-compensated"), "{help}");
    assert!(help.lines().all(|line| line.chars().count() <= 80), "{help}");
}

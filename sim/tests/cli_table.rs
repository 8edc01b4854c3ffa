//! `forewarm table`: published resistances and tolerances, by way of the command.
#![allow(missing_docs)]

mod common;

use common::forewarm;
use serde_json::Value;

/// Source: IEC 60751:2008 and 2022, interpolating equation, computed; see the first lines of the file.
const PT100: &str = include_str!("../../tests/data/iec60751_pt100.csv");

/// Source: IEC 60751:2008 and 2022, tolerance classes; the ranges for film from memory, as the file says.
const CLASSES: &str = include_str!("../../tests/data/iec60751_tolerance.csv");

/// Temperature, resistance to the printed hundredth and to the millionth, as written.
fn published() -> Vec<(&'static str, &'static str, f64)> {
    let rows = PT100.lines().filter(|line| !line.starts_with('#')).skip(1).map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        (fields[0], fields[1], fields[2].parse().unwrap())
    });
    let rows: Vec<_> = rows.collect();
    assert_eq!(rows.len(), 1051);
    rows
}

fn json(arguments: &[&str]) -> Value {
    let run = forewarm(&[&["table", "--json"], arguments].concat());
    assert_eq!((run.status, &*run.stderr), (0, ""));
    serde_json::from_str(&run.stdout).unwrap()
}

#[test]
fn every_published_resistance_is_printed_to_its_hundredth() {
    let table = json(&["--from", "-200", "--to", "850", "--step", "1"]);
    let rows = table["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 1051);
    for ((celsius, hundredth, exact), row) in published().into_iter().zip(rows) {
        assert_eq!(row["celsius"].to_string(), format!("{celsius}.0"));
        let ohms = row["ohms"].as_f64().unwrap();
        assert_eq!(format!("{:.2}", (ohms * 100.0).round() / 100.0), hundredth, "at {celsius} °C");
        // Half a step of 2^-18 Ω, half a millionth in the file and half in the answer: 2.9 µΩ; as much again for the core's equation.
        assert!((ohms - exact).abs() < 6e-6, "{ohms} Ω for {exact} Ω at {celsius} °C");
    }
}

#[test]
fn the_text_shows_the_published_resistances_in_columns() {
    let run = forewarm(&["table", "--from", "-200", "--to", "850", "--step", "1"]);
    assert_eq!((run.status, &*run.stderr), (0, ""));
    let lines: Vec<&str> = run.stdout.lines().skip(3).take(1051).collect();
    let points = |line: &str| line.match_indices('.').map(|(at, _)| at).collect::<Vec<_>>();
    for ((celsius, _, exact), line) in published().into_iter().zip(lines) {
        let fields: Vec<&str> = line.split_whitespace().collect();
        assert_eq!(fields[0], celsius);
        let ohms: f64 = fields[1].parse().unwrap();
        // Half of the last digit shown, and what the previous test allows the core.
        assert!((ohms - exact).abs() < 0.0005 + 6e-6, "{ohms} Ω for {exact} Ω at {celsius} °C");
        assert_eq!(fields[1].split_once('.').unwrap().1.len(), 3, "at {celsius} °C");
        assert_eq!(points(line)[0], 19, "not in its column: {line}");
    }
    assert!(
        run.stdout
            .ends_with("Class B holds for wire-wound from -196 to 600 °C. No tolerance is given outside that range.\n")
    );
}

#[test]
fn tolerances_are_those_of_the_class_and_end_with_its_range() {
    let classes: Vec<&str> = CLASSES.lines().filter(|line| line.contains(",thermometer,")).collect();
    assert_eq!(classes.len(), 8);
    for line in classes {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |at: usize| fields[at].parse::<f64>().unwrap();
        let (class, construction) = (fields[0], fields[2]);
        let (low, high, a, b) = (number(3), number(4), number(5), number(6));
        let class_in_any_case = class.to_lowercase();
        let table = json(
            &[
                &["--class", &*class_in_any_case, "--construction", construction][..],
                &["--from", "-200", "--to", "850", "--step", "0.5"],
            ]
            .concat(),
        );
        for row in table["rows"].as_array().unwrap() {
            let t = row["celsius"].as_f64().unwrap();
            match row["tolerance_k"].as_f64() {
                Some(tolerance) => {
                    assert!((low..=high).contains(&t), "class {class} at {t} °C");
                    let right: f64 = a + b * t.abs();
                    assert!((tolerance - right).abs() < 1e-9, "class {class}: {tolerance} K at {t} °C");
                }
                None => assert!(!(low..=high).contains(&t) && row["tolerance_k"].is_null(), "class {class} at {t} °C"),
            }
        }
    }
}

#[test]
fn other_elements_scale_with_their_ice_point() {
    let pt100 = json(&["--step", "7.5"]);
    for (arguments, element, r0) in [
        (&["--element", "pt500"][..], "Pt500", 500.0),
        (&["--element", "PT1000"], "Pt1000", 1000.0),
        (&["--r0", "50"], "Platinum", 50.0),
        (&["--r0", "1000", "--a", "3.9083e-3", "--b", "-5.775e-7", "--c", "-4.183e-12"], "Platinum", 1000.0),
    ] {
        let table = json(&[arguments, &["--step", "7.5"]].concat());
        assert_eq!((table["element"].as_str(), table["r0_ohm"].as_f64()), (Some(element), Some(r0)));
        for (row, hundred) in table["rows"].as_array().unwrap().iter().zip(pt100["rows"].as_array().unwrap()) {
            let (ohms, hundred) = (row["ohms"].as_f64().unwrap(), hundred["ohms"].as_f64().unwrap());
            // Two roundings of 2^-19 Ω, one of them scaled, two of half a millionth, and 4 µΩ in 100 Ω of the equation.
            let allowed = (1.9e-6 + 0.5e-6 + 4e-6) * (1.0 + r0 / 100.0);
            assert!((ohms - hundred * r0 / 100.0).abs() < allowed, "{element}: {ohms} Ω for {hundred} Ω of a Pt100");
        }
    }
}

#[test]
fn the_thousandth_row_of_a_fine_step_is_where_it_should_be() {
    let table = json(&["--from", "-50.05", "--to", "60", "--step", "0.1"]);
    let rows = table["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 1101);
    assert_eq!(rows[1000]["celsius"].as_f64(), Some(49.95));
    assert_eq!(rows[1100]["celsius"].as_f64(), Some(59.95));
}

#[test]
fn a_table_that_cannot_be_made_is_refused_with_status_2() {
    for (arguments, said) in [
        (&["--step", "0"][..], "--step: is 0 °C, not above zero"),
        (&["--step", "-1"], "--step: is -1 °C, not above zero"),
        (&["--from", "10", "--to", "5"], "--from: is 10 °C, above --to (5 °C)"),
        (&["--from", "-200.001"], "--from: is -200.001 °C, outside -200 to 850 °C"),
        (&["--to", "850.5"], "--to: is 850.5 °C, outside -200 to 850 °C"),
        (&["--to", "1e30"], "far too large"),
        (&["--to", "nan"], "not a finite number"),
        (&["--step", "inf"], "not a finite number"),
        (&["--step", "0.0001"], "finer than 1e-3"),
        (&["--step", "ten"], "not a number"),
        (&["--from", "-150", "--to", "850", "--step", "0.001"], "makes 1000001 rows, more than 1000000"),
        (&["--element", "pt50"], "pt100"),
        (&["--class", "D"], "AA"),
        (&["--r0", "0"], "R0 is outside"),
        (&["--r0", "-100"], "R0 is outside"),
        (&["--r0", "nan"], "not a finite number"),
        (&["--r0", "100", "--element", "pt100"], "cannot be used with"),
        (&["--r0", "100", "--a", "4.2e-3", "--b", "-5.775e-7"], "A is outside"),
        (&["--r0", "100", "--a", "3.9e-3", "--b", "1"], "B is outside"),
        (&["--r0", "100", "--a", "3.9e-3"], "--b"),
        (&["--a", "3.9e-3", "--b", "-5.775e-7"], "--r0"),
        (&["--r0", "16000", "--to", "100"], "exceeds 16384 Ω"),
    ] {
        let run = forewarm(&[&["table"], arguments].concat());
        assert_eq!((run.status, &*run.stdout), (2, ""), "{arguments:?}: {run:?}");
        assert!(run.stderr.starts_with("error: ") && run.stderr.contains(said), "{arguments:?}: {run:?}");
    }
}

#[test]
fn help_fits_80_columns() {
    for arguments in [&["--help"][..], &["new", "--help"], &["check", "--help"], &["table", "--help"]] {
        let run = forewarm(arguments);
        assert_eq!(run.status, 0);
        for line in run.stdout.lines() {
            assert!(line.chars().count() <= 80, "{arguments:?}: {line}");
        }
    }
}

//! Tests the thermometer arithmetic of the core against figures from outside: the equation of IEC 60751 in exact
//! arithmetic, and lead, converter and calibration figures from the formulas in `tests/data/README.md`.
//!
//! Every bound is a sum of stated parts: half the last digit of the figure compared with, half a step of the type that
//! it passes through, and the accuracy that the function's documentation promises. No bound was adjusted to a result.

use forewarm::platinum::ohms;
use forewarm::si::celsius;
use forewarm_core::quantity::{Celsius, Ohms, Ratio};
use forewarm_core::rtd::{Element, Leads, Measured, OutOfRange, Thermometer, WORKING_HIGH, WORKING_LOW};
use forewarm_tests::rows;
use forewarm_tests::wiring::{Figure, figures};
use std::ops::{Deref, RangeInclusive};

/// Half a step of [`Ohms`], 2⁻¹⁹ Ω.
const HALF_OHM_STEP: f64 = 1.0 / 524_288.0;
/// Half a step of [`Celsius`], 2⁻¹⁷ °C.
const HALF_CELSIUS_STEP: f64 = 1.0 / 131_072.0;
/// Half of the sixth decimal, the last that the data files print.
const HALF_DIGIT: f64 = 0.5e-6;
/// The accuracy of [`Element::resistance`] for R0 = 100 Ω (Ω). It is in proportion to R0.
const FORWARD: f64 = 4e-6;
/// The accuracy of [`Element::celsius`] and [`Thermometer::celsius`] for a representable resistance (K).
const INVERSE: f64 = 0.03e-3;
/// Smallest slope of a Pt100 below 150 °C (Ω/K): the table's row at 150 °C, 0.373505, rounded down.
const LEAST_WORKING_SLOPE: f64 = 0.3735;

/// The nearest representable resistance.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "no figure here exceeds 16 383 Ω")]
fn from_ohms(r: f64) -> Ohms {
    assert!((0.0..16_383.0).contains(&r), "{r} Ω");
    Ohms::from_steps((r * 262_144.0).round() as u32)
}

/// The nearest representable temperature.
#[expect(clippy::cast_possible_truncation, reason = "no figure here exceeds 850 °C")]
fn from_celsius(t: f64) -> Celsius {
    assert!(t.abs() <= 850.0, "{t} °C");
    Celsius::from_steps((t * 65_536.0).round() as i32)
}

/// The code of an ideal converter with the type's full resolution.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "no ratio here reaches 4")]
fn ratio(r: f64, reference: f64) -> Ratio {
    assert!((0.0..4.0).contains(&(r / reference)), "{r} Ω of {reference} Ω");
    Ratio::from_steps((r / reference * 1_073_741_824.0).round() as u32)
}

#[track_caller]
fn assert_within(found: f64, expected: f64, bound: f64, what: &str) {
    assert!((found - expected).abs() <= bound, "{what}: {found} is not {expected} to {bound:e}");
}

/// One row of the table of the standard.
struct Row {
    whole_degrees: i32,
    /// As printed, in hundredths of an ohm.
    hundredths: u64,
    /// Six decimals.
    resistance: f64,
    /// Ohms per kelvin, six decimals.
    slope: f64,
}

impl Row {
    fn celsius(&self) -> Celsius {
        Celsius::from_millidegrees(self.whole_degrees * 1000)
    }

    /// What must be added to the resistance so that its rounding to a step cannot leave a range that ends at this row.
    /// A resistance a hair outside is rightly refused.
    fn inward(&self, range: RangeInclusive<i32>) -> f64 {
        match self.whole_degrees {
            low if low == *range.start() => 3.0 * HALF_OHM_STEP,
            high if high == *range.end() => -3.0 * HALF_OHM_STEP,
            _ => 0.0,
        }
    }
}

fn table() -> Vec<Row> {
    let table: Vec<Row> = rows("iec60751_pt100.csv")
        .into_iter()
        .map(|(line, cells)| {
            let number = |index: usize| -> f64 {
                cells[index].parse().unwrap_or_else(|_| panic!("line {line}: no number: {}", cells[index]))
            };
            let (whole, hundredths) = cells[1].split_once('.').expect("two decimals");
            assert_eq!(hundredths.len(), 2, "line {line}");
            Row {
                whole_degrees: cells[0].parse().expect("a whole number of degrees"),
                hundredths: format!("{whole}{hundredths}").parse().expect("digits"),
                resistance: number(2),
                slope: number(3),
            }
        })
        .collect();
    assert!(table.iter().map(|row| row.whole_degrees).eq(-200..=850), "a row is missing or out of order");
    table
}

/// The rows within the range of a controller's thermometer.
fn working(table: &[Row]) -> impl Iterator<Item = &Row> {
    table.iter().filter(|row| (WORKING_LOW..=WORKING_HIGH).contains(&row.celsius()))
}

#[test]
fn every_row_of_the_standard_is_met_to_the_printed_hundredth() {
    let pt100 = Element::pt100();
    for row in table() {
        let r = pt100.resistance(row.celsius()).expect("within the range of the standard");
        // Rounded like the table, half up, straight from the steps: steps × 100 / 2^18.
        let hundredths = (u64::from(r.as_steps()) * 100 + (1 << 17)) >> 18;
        assert_eq!(hundredths, row.hundredths, "{} °C: {r}", row.whole_degrees);
    }
}

#[test]
fn every_element_follows_the_equation_to_the_microohm() {
    for (element, times) in [(Element::pt100(), 1.0), (Element::pt500(), 5.0), (Element::pt1000(), 10.0)] {
        for row in table() {
            let r = ohms(element.resistance(row.celsius()).expect("within the range of the standard"));
            let bound = times * (FORWARD + HALF_DIGIT);
            assert_within(r, times * row.resistance, bound, &format!("{} °C times {times}", row.whole_degrees));
        }
    }
}

#[test]
fn the_slope_is_that_of_the_standard() {
    let (pt100, table) = (Element::pt100(), table());
    let h = 2;
    // A central difference over ±h leaves h² R‴/6. |R‴| = 100 C |24 t − 600| Ω/K³ is largest at −200 °C: 2.26e-6.
    let truncation = 4.0 / 6.0 * 100.0 * 4.183e-12 * 5400.0;
    let bound = truncation + FORWARD / f64::from(h) + HALF_DIGIT;
    // The two rows at each end have no neighbours on both sides.
    for row in &table[2..table.len() - 2] {
        let at = |t: i32| ohms(pt100.resistance(Celsius::from_millidegrees(t * 1000)).expect("within the range"));
        let slope = (at(row.whole_degrees + h) - at(row.whole_degrees - h)) / f64::from(2 * h);
        assert_within(slope, row.slope, bound, &format!("slope at {} °C", row.whole_degrees));
    }
}

#[test]
fn every_row_of_the_standard_is_found_back() {
    for (element, times) in [(Element::pt100(), 1.0), (Element::pt500(), 5.0), (Element::pt1000(), 10.0)] {
        for row in table() {
            let inward = row.inward(-200..=850);
            let r = from_ohms(times * row.resistance + inward);
            let t = celsius(element.celsius(r).expect("within the range of the standard"));
            let bound = INVERSE + ((HALF_OHM_STEP + inward.abs()) / times + HALF_DIGIT) / row.slope;
            assert_within(t, f64::from(row.whole_degrees), bound, &format!("{r}"));
        }
    }
}

#[test]
fn the_controllers_thermometer_agrees_with_the_standard() {
    for (element, times) in [(Element::pt100(), 1.0), (Element::pt500(), 5.0), (Element::pt1000(), 10.0)] {
        let (thermometer, table) = (Thermometer::new(element), table());
        assert_eq!(working(&table).count(), 211, "-60 to 150 °C");
        for row in working(&table) {
            let inward = row.inward(-60..=150);
            let r = from_ohms(times * row.resistance + inward);
            let t = celsius(thermometer.celsius(r).expect("within the working range"));
            let bound = INVERSE + ((HALF_OHM_STEP + inward.abs()) / times + HALF_DIGIT) / row.slope;
            assert_within(t, f64::from(row.whole_degrees), bound, &format!("{r}"));
        }
    }
}

/// The standard prints 18.52 Ω at −200 °C, but its equation gives 18.520 080 Ω: 0.2 mK below the range.
#[test]
fn the_printed_end_of_the_table_is_refused_and_never_clamped() {
    let pt100 = Element::pt100();
    assert_eq!(pt100.celsius(Ohms::from_milliohms(18_520)), Err(OutOfRange::Below));
    assert!(pt100.celsius(from_ohms(18.520_080 + HALF_OHM_STEP)).is_ok());
    assert!(pt100.celsius(Ohms::from_milliohms(390_480)).is_ok(), "the printed value at 850 °C lies 1 mΩ within");
    assert_eq!(pt100.celsius(from_ohms(390.481_125 + 2.0 * HALF_OHM_STEP)), Err(OutOfRange::Above));
}

/// Takes any R0 and A. Two rows of the standard must then give all the others.
#[test]
fn two_rows_of_the_standard_calibrate_all_others() {
    let table = table();
    let point = |whole_degrees: i32| {
        let row = table.iter().find(|row| row.whole_degrees == whole_degrees).expect("a row of the table");
        (row.celsius(), from_ohms(row.resistance))
    };
    let off = Element::pt100().calibrated_at_ice_point(Ohms::from_milliohms(100_400)).expect("platinum");
    let (low, high) = (-20, 100);
    let calibrated = off.calibrated_at(point(low), point(high)).expect("platinum");
    let fine = Thermometer::new(calibrated);
    // The equation serves the two ends of the working range. The calibration's error decides on which side of them a
    // row falls.
    for row in working(&table) {
        let r = from_ohms(row.resistance);
        let t = f64::from(row.whole_degrees);
        // An error at either point reaches t magnified by at most the sum of both distances over the span.
        let magnified = (t - f64::from(low)).abs().max((t - f64::from(high)).abs()) * 2.0 / f64::from(high - low);
        // R0 of the new element is rounded to a step too.
        let input = HALF_OHM_STEP + HALF_DIGIT;
        let bound = INVERSE + (input * (1.0 + magnified) + HALF_OHM_STEP) / row.slope;
        let exact = celsius(calibrated.celsius(r).expect("within the range of the standard"));
        assert_within(exact, t, bound, &format!("{r}, equation"));
        if !matches!(row.whole_degrees, -60 | 150) {
            let fast = celsius(fine.celsius(r).expect("within the working range"));
            assert_within(fast, t, bound, &format!("{r}, table"));
        }
    }
}

#[test]
fn an_ice_point_calibration_shifts_every_row_in_proportion() {
    let measured = 100.047;
    let calibrated = Element::pt100().calibrated_at_ice_point(from_ohms(measured)).expect("platinum");
    for row in table() {
        let r = ohms(calibrated.resistance(row.celsius()).expect("within the range of the standard"));
        // The R0 in use is the measured one rounded to a step, and R/R0 is at most 3.91.
        let bound = (FORWARD + HALF_DIGIT) * measured / 100.0 + 4.0 * HALF_OHM_STEP;
        assert_within(r, row.resistance * measured / 100.0, bound, &format!("{} °C", row.whole_degrees));
    }
}

/// What the core makes of one of the wiring figures.
struct Check(Figure);

impl Deref for Check {
    type Target = Figure;

    fn deref(&self) -> &Figure {
        &self.0
    }
}

impl Check {
    /// The element the name ends in, its R0 over 100 Ω, and a reference resistor that suits it.
    #[track_caller]
    fn element(&self) -> (Element, f64, f64) {
        if self.name.ends_with("_pt1000") {
            (Element::pt1000(), 10.0, 4000.0)
        } else if self.name.ends_with("_pt100") {
            (Element::pt100(), 1.0, 400.0)
        } else {
            panic!("{}: which element?", self.name)
        }
    }

    /// An error in kelvins: what the channel reads, minus the temperature of the sensor.
    ///
    /// `lead_bound` is the uncertainty of the leads, in Ω.
    #[track_caller]
    fn assert_error_of(&self, read: Celsius, times: f64, lead_bound: f64) {
        // The sensor's resistance, then up to three roundings to a step of the ratio or of ohms.
        let input = times * FORWARD + 3.0 * HALF_OHM_STEP + lead_bound;
        let bound = self.half_digit + INVERSE + input / (times * LEAST_WORKING_SLOPE);
        let error = celsius(read) - self.input("t_c");
        assert_within(error, self.value, bound, &format!("{} {}", self.name, self.inputs));
    }
}

/// The figures whose name starts with `prefix`; how many there are is part of the check.
fn checks(prefix: &str, count: usize) -> Vec<Check> {
    let found: Vec<Check> = figures().into_iter().filter(|figure| figure.name.starts_with(prefix)).map(Check).collect();
    assert_eq!(found.len(), count, "figures called {prefix}…");
    found
}

/// Resistance of the sensor of a check, at the temperature of the check.
fn sensor(element: &Element, t: f64) -> f64 {
    ohms(element.resistance(from_celsius(t)).expect("within the range of the standard"))
}

#[test]
fn a_two_wire_lead_reads_warm_by_the_computed_error_and_is_taken_away_whole() {
    for check in checks("two_wire_", 54) {
        let (element, times, reference) = check.element();
        let loop_at_20c = check.input("r_ohm_per_km") / 1000.0 * 2.0 * check.input("L_m");
        let at = check.input("lead_c");
        let leads = Leads::TwoWire { loop_at_20c: from_ohms(loop_at_20c), at: from_celsius(at) };
        let in_loop = ohms(leads.known());
        // The loop in, the loop out, and the copper factor rounded to a step of 2^-16 and its ratio to 0.01 ppm.
        let lead_bound = 2.0 * HALF_OHM_STEP + in_loop * HALF_CELSIUS_STEP;
        assert_within(in_loop, loop_at_20c * (1.0 + 0.00393 * (at - 20.0)), lead_bound, &check.inputs);

        let t = check.input("t_c");
        let at_terminals = ratio(sensor(&element, t) + in_loop, reference).of(from_ohms(reference)).expect("fits");
        let thermometer = Thermometer::new(element);
        check.assert_error_of(thermometer.celsius(at_terminals).expect("in range"), times, lead_bound);

        let corrected = at_terminals.less(leads.known()).expect("the lead is the smaller part");
        let bound = INVERSE + (times * FORWARD + 3.0 * HALF_OHM_STEP) / (times * LEAST_WORKING_SLOPE);
        assert_within(celsius(thermometer.celsius(corrected).expect("in range")), t, bound, &check.inputs);
    }
}

#[test]
fn three_wires_leave_only_what_differs_between_the_leads() {
    for check in checks("three_wire_pt", 20) {
        let (element, times, reference) = check.element();
        let (lead, contact) = (check.input("RL1"), check.input("rc_ohm"));
        let other = lead * (1.0 - check.input("d")) - contact.min(0.0);
        let measured = Measured {
            element: ratio(sensor(&element, check.input("t_c")) + lead + contact.max(0.0), reference),
            lead: ratio(other, reference),
        };
        assert_eq!(Leads::THREE_WIRE.known(), Ohms::ZERO, "nothing but the measured lead is taken away");
        let r = measured.element.less(measured.lead).and_then(|rest| rest.of(from_ohms(reference))).expect("fits");
        check.assert_error_of(Thermometer::new(element).celsius(r).expect("in range"), times, 0.0);
    }
}

#[test]
fn unequal_currents_in_three_wires_read_by_the_computed_error() {
    for check in checks("three_wire_current_mismatch", 4) {
        let (m, r) = (check.input("m"), sensor(&Element::pt100(), check.input("t_c")));
        let measured = ratio(r * (1.0 + m / 2.0) + check.input("RL") * m, 400.0).of(from_ohms(400.0)).expect("fits");
        check.assert_error_of(Thermometer::new(Element::pt100()).celsius(measured).expect("in range"), 1.0, 0.0);
    }
}

#[test]
fn an_error_of_the_reference_resistor_reads_by_the_computed_error() {
    for check in checks("ref_gain_error", 20) {
        let r = sensor(&Element::pt100(), check.input("t_c"));
        let measured = ratio(r * (1.0 + check.input("g")), 400.0).of(from_ohms(400.0)).expect("fits");
        check.assert_error_of(Thermometer::new(Element::pt100()).celsius(measured).expect("in range"), 1.0, 0.0);
    }
}

#[test]
fn a_converters_code_decodes_to_the_computed_temperature() {
    let thermometer = Thermometer::new(Element::pt100());
    let figures = checks("adc_t_of_code_", 4).into_iter().chain(checks("adc_decode_", 15));
    for check in figures {
        let code = whole(check.input("code"));
        let r = Ratio::from_code(code, check.bits()).of(from_ohms(check.input("Rref"))).expect("fits");
        let bound = check.half_digit + INVERSE + HALF_OHM_STEP / LEAST_WORKING_SLOPE;
        let t = celsius(thermometer.celsius(r).expect("in range"));
        assert_within(t, check.value, bound, &format!("{} {}", check.name, check.inputs));
    }
}

#[test]
fn one_step_of_a_converter_is_the_computed_resistance() {
    let table = table();
    for check in checks("adc_lsb_", 4) {
        let row =
            table.iter().find(|row| row.celsius() == from_celsius(check.input("t_c"))).expect("a row of the table");
        // 1024 steps at once, so that the rounding to a step of ohms has a thousandth of its weight.
        let r = Ratio::from_code(1024, check.bits()).of(from_ohms(check.input("Rref"))).expect("fits");
        let bound = (check.half_digit + check.value * HALF_DIGIT / row.slope) * row.slope + HALF_OHM_STEP / 1024.0;
        assert_within(ohms(r) / 1024.0, check.value * row.slope, bound, &check.name);
    }
}

#[test]
fn the_nearest_code_is_the_computed_one() {
    for check in checks("adc_code_", 4) {
        let r = sensor(&Element::pt100(), check.input("t_c"));
        let reference = from_ohms(check.input("Rref"));
        let miss = |code: u32| (ohms(Ratio::from_code(code, check.bits()).of(reference).expect("fits")) - r).abs();
        let code = whole(check.value);
        assert!(miss(code) < miss(code - 1) && miss(code) < miss(code + 1), "{} {code}", check.name);
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked first")]
fn whole(value: f64) -> u32 {
    assert!(value.fract() == 0.0 && (0.0..4e9).contains(&value), "{value} is no code");
    value as u32
}

/// Every row of the figures belongs to a check above. Otherwise nobody would compare it.
#[test]
fn no_wiring_figure_is_left_out() {
    let read_above = ["two_wire_", "three_wire_", "adc_", "ref_gain_error"];
    // Self-heating and combined uncertainty are planning figures. The core knows neither the current nor the tolerance.
    let not_the_cores = ["self_heating_", "gum_"];
    for (line, cells) in rows("rtd_wiring_checks.csv") {
        let known = read_above.iter().chain(&not_the_cores).any(|prefix| cells[0].starts_with(prefix));
        assert!(known, "line {line}: nothing reads {}", cells[0]);
    }
}

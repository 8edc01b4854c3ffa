extern crate std;
use super::*;
use proptest::prelude::*;
use std::string::ToString;
use std::vec::Vec;

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// The interpolating equations of IEC 60751:2022, in double precision (error below 1e-13 in W).
fn ratio(t: f64, a: f64, b: f64, c: f64) -> f64 {
    let below = if t < 0.0 { c * (t - 100.0) * t * t * t } else { 0.0 };
    1.0 + a * t + b * t * t + below
}

/// The exact inverse: bisection on the equation to the last bit of a double.
fn exact_inverse(target: f64, a: f64, b: f64, c: f64) -> f64 {
    let (mut low, mut high) = (-250.0, 900.0);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if ratio(middle, a, b, c) < target { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

fn ohms(r: Ohms) -> f64 {
    f64::from(r.as_steps()) / f64::from(1 << 18)
}

fn celsius(t: Celsius) -> f64 {
    f64::from(t.as_steps()) / 65_536.0
}

#[test]
fn pt100_follows_the_standard_equation() {
    let pt100 = Element::pt100();
    let mut worst: f64 = 0.0;
    for step in (RANGE_LOW.as_steps()..=RANGE_HIGH.as_steps()).step_by(61) {
        let t = Celsius::from_steps(step);
        let error = ohms(pt100.resistance(t).unwrap()) - 100.0 * ratio(celsius(t), A, B, C);
        worst = worst.max(error.abs());
    }
    std::println!("forward equation, Pt100, -200..850 °C: worst {:.3} µΩ", worst * 1e6);
    assert!(worst < 2e-6, "{worst} Ω");
}

/// Sweeps resistances evenly, takes the exact inverse of each *representable* resistance, and returns the worst error in kelvins.
fn worst_inverse_error(low_c: f64, high_c: f64, r0: f64, read: impl Fn(Ohms) -> Celsius) -> f64 {
    let first = (r0 * ratio(low_c, A, B, C) * f64::from(1 << 18)).ceil() as u32;
    let last = (r0 * ratio(high_c, A, B, C) * f64::from(1 << 18)).floor() as u32;
    let stride = ((last - first) / 400_000).max(1) as usize;
    (first..=last).step_by(stride).fold(0.0, |worst: f64, steps| {
        let r = Ohms::from_steps(steps);
        worst.max((celsius(read(r)) - exact_inverse(ohms(r) / r0, A, B, C)).abs())
    })
}

#[test]
fn the_working_range_is_within_a_tenth_of_a_millikelvin() {
    for (element, r0) in [(Element::pt100(), 100.0), (Element::pt500(), 500.0), (Element::pt1000(), 1000.0)] {
        let thermometer = Thermometer::new(element);
        let worst = worst_inverse_error(-60.0, 150.0, r0, |r| thermometer.celsius(r).unwrap());
        std::println!("table inverse, R0 = {r0} Ω, -60..150 °C: worst {:.4} mK", worst * 1e3);
        assert!(worst < 0.1e-3, "R0 = {r0}: {worst} K");
    }
}

#[test]
fn the_inverse_is_exact_over_the_whole_range() {
    for (element, r0) in [(Element::pt100(), 100.0), (Element::pt500(), 500.0), (Element::pt1000(), 1000.0)] {
        let worst = worst_inverse_error(-200.0, 850.0, r0, |r| element.celsius(r).unwrap());
        std::println!("Newton inverse, R0 = {r0} Ω, -200..850 °C: worst {:.4} mK", worst * 1e3);
        assert!(worst < 0.1e-3, "R0 = {r0}: {worst} K");
    }
}

/// Every representable resistance in the working range, one by one.
#[test]
fn no_larger_resistance_reads_colder() {
    for element in [Element::pt100(), Element::pt500(), Element::pt1000()] {
        let thermometer = Thermometer::new(element);
        let first = element.resistance(WORKING_LOW).unwrap().as_steps() + 1;
        let last = element.resistance(WORKING_HIGH).unwrap().as_steps() - 1;
        let mut before = WORKING_LOW;
        for steps in first..=last {
            let now = thermometer.celsius(Ohms::from_steps(steps)).unwrap();
            assert!(now >= before, "{steps} steps read {now}, the step before {before}");
            before = now;
        }
    }
}

#[test]
fn outside_the_range_is_an_error_and_never_a_clamp() {
    let element = Element::pt100();
    let thermometer = Thermometer::new(element);
    // 18.52 Ω is what the standard prints at −200 °C; the equation gives 18.520080 Ω.
    assert_eq!(element.celsius(Ohms::from_milliohms(18_520)), Err(OutOfRange::Below));
    assert_eq!(element.celsius(Ohms::ZERO), Err(OutOfRange::Below));
    assert_eq!(element.celsius(Ohms::MAX), Err(OutOfRange::Above));
    assert_eq!(element.celsius(Ohms::from_milliohms(390_482)), Err(OutOfRange::Above));
    assert_eq!(element.resistance(Celsius::MIN), Err(OutOfRange::Below));
    assert_eq!(element.resistance(Celsius::MAX), Err(OutOfRange::Above));
    assert_eq!(thermometer.celsius(Ohms::ZERO), Err(OutOfRange::Below));
    assert_eq!(thermometer.celsius(Ohms::MAX), Err(OutOfRange::Above));
    let below = element.resistance(Celsius::from_millidegrees(-60_001)).unwrap();
    let above = element.resistance(Celsius::from_millidegrees(150_001)).unwrap();
    assert_eq!(thermometer.celsius(below), Err(OutOfRange::Below));
    assert_eq!(thermometer.celsius(above), Err(OutOfRange::Above));
}

/// Coefficients of certificates: near the nominal ones, with the spread of industrial elements (alpha 3.85e-3 to 3.92e-3).
fn any_coefficients() -> impl Strategy<Value = (i32, i32, i32)> {
    (38_900_000..39_900_000_i32, -60_000_000..-56_000_000_i32, -45_000_000..-39_000_000_i32)
}

proptest! {
    #[test]
    fn coefficients_are_held_to_the_nearest_step((a, b, c) in any_coefficients()) {
        let steps = Coefficients::new(a, b, c).unwrap().as_steps();
        // C is held in every other step.
        for (value, steps, bits, tens) in [(a, steps.0, 40, 10), (b, steps.1, 52, 14), (c, steps.2 / 2, 69, 19)] {
            let tens = 10_i128.pow(tens);
            let off = i128::from(steps) * tens - (i128::from(value) << bits);
            prop_assert!(2 * off.abs() <= tens, "{value}: {steps}");
        }
    }

    /// Whatever coefficients are accepted. 0.03 mK is what is promised for 100 Ω.
    #[test]
    fn any_platinum_is_inverted_over_the_whole_range(
        a in 37_000_000..=41_000_000_i32,
        b in -70_000_000..=-40_000_000_i32,
        c in -60_000_000..=-20_000_000_i32,
        t in RANGE_LOW.as_steps() + 4..RANGE_HIGH.as_steps() - 4,
    ) {
        let element = Element::new(Ohms::from_milliohms(100_000), Coefficients::new(a, b, c).unwrap()).unwrap();
        let t = Celsius::from_steps(t);
        let read = element.celsius(element.resistance(t).unwrap()).unwrap();
        prop_assert!(read.above(t).magnitude() <= Kelvins::from_steps(2), "{read} for {t}");
    }

    #[test]
    fn an_individual_element_is_inverted_as_exactly((a, b, c) in any_coefficients(), r0 in 80.0..1200.0_f64, t in -60.0..150.0_f64) {
        let coefficients = Coefficients::new(a, b, c).unwrap();
        let (a, b, c) = (f64::from(a) * 1e-10, f64::from(b) * 1e-14, f64::from(c) * 1e-19);
        let r0 = Ohms::from_micro_ohms((r0 * 1e6) as u64);
        let thermometer = Thermometer::new(Element::new(r0, coefficients).unwrap());
        let r = Ohms::from_steps((ohms(r0) * ratio(t, a, b, c) * f64::from(1 << 18)).round() as u32);
        let exact = exact_inverse(ohms(r) / ohms(r0), a, b, c);
        if (-59.999..149.999).contains(&exact) {
            let error = celsius(thermometer.celsius(r).unwrap()) - exact;
            prop_assert!(error.abs() < 0.1e-3, "{error} K at {exact} °C");
        }
    }

    #[test]
    fn every_resistance_gets_an_answer_or_an_error((a, b, c) in any_coefficients(), r0 in 1_000..16_000_000_u32, r: u32) {
        let element = Element::new(Ohms::from_milliohms(r0), Coefficients::new(a, b, c).unwrap()).unwrap();
        let exact = element.celsius(Ohms::from_steps(r));
        let fast = Thermometer::new(element).celsius(Ohms::from_steps(r));
        match (exact, fast) {
            (Ok(t), Ok(u)) => prop_assert!(t.above(u).magnitude() <= Kelvins::from_steps(2)),
            (Err(_), Ok(u)) => prop_assert!(false, "the table answered {u}, the equation has none"),
            _ => {}
        }
    }

    #[test]
    fn two_point_calibration_recovers_the_element((a, b, c) in any_coefficients(), r0 in 90_000..1_100_000_u32, t1 in -40_000..20_000_i32, span in 10_000..80_000_i32) {
        let truth = Element::new(Ohms::from_milliohms(r0), Coefficients::new(a, b, c).unwrap()).unwrap();
        let guess = Element::new(Ohms::from_milliohms(r0 + 50), Coefficients::new(39_083_000, b, c).unwrap()).unwrap();
        let (t1, t2) = (Celsius::from_millidegrees(t1), Celsius::from_millidegrees(t1 + span));
        let points = [t1, t2].map(|t| (t, truth.resistance(t).unwrap()));
        let found = guess.calibrated_at(points[0], points[1]).unwrap();
        for (t, r) in points {
            let error = found.celsius(r).unwrap().above(t).magnitude();
            prop_assert!(error <= Kelvins::from_steps(12), "{error} at {t}");
        }
    }
}

use crate::quantity::Kelvins;

#[test]
fn calibration_refuses_points_that_are_not_platinum() {
    let pt100 = Element::pt100();
    let at = |mc, mohm| (Celsius::from_millidegrees(mc), Ohms::from_milliohms(mohm));
    assert_eq!(pt100.calibrated_at(at(0, 100_000), at(9_999, 103_900)), Err(CalibrationError::TooClose));
    assert!(pt100.calibrated_at(at(0, 100_000), at(10_000, 103_903)).is_ok());
    assert_eq!(pt100.calibrated_at(at(0, 100_000), at(900_000, 103_900)), Err(CalibrationError::OutOfRange));
    assert!(matches!(pt100.calibrated_at(at(0, 100_000), at(100_000, 120_000)), Err(CalibrationError::NotPlatinum(_))));
    assert!(matches!(pt100.calibrated_at(at(0, 0), at(100_000, 0)), Err(CalibrationError::NotPlatinum(_))));
}

/// A digit is a unit of what [`Coefficients::new`] takes.
#[test]
fn the_ends_of_what_platinum_has_are_platinum_and_a_digit_beyond_is_not() {
    let (a, b, c) = ([37_000_000, 41_000_000], [-70_000_000, -40_000_000], [-60_000_000, -20_000_000]);
    for end in [0, 1] {
        let beyond = [-1, 1][end];
        assert!(Coefficients::new(a[end], b[end], c[end]).is_ok());
        assert_eq!(Coefficients::new(a[end] + beyond, b[end], c[end]), Err(NotPlatinum::A));
        assert_eq!(Coefficients::new(a[end], b[end] + beyond, c[end]), Err(NotPlatinum::B));
        assert_eq!(Coefficients::new(a[end], b[end], c[end] + beyond), Err(NotPlatinum::C));
        let r0 = Ohms::from_milliohms([1_000, 16_000_000][end]);
        assert!(Element::new(r0, Coefficients::IEC_60751).is_ok());
        let r0 = Ohms::from_steps(r0.as_steps().checked_add_signed(beyond).unwrap());
        assert_eq!(Element::new(r0, Coefficients::IEC_60751), Err(NotPlatinum::IcePointResistance));
    }
}

#[test]
fn an_element_is_calibrated_up_to_the_ends_of_the_equation() {
    let pt100 = Element::pt100();
    let step = Kelvins::from_steps(1);
    for (end, beyond) in [(RANGE_LOW, RANGE_LOW.lowered(step)), (RANGE_HIGH, RANGE_HIGH.raised(step))] {
        let ice = (Celsius::ZERO, pt100.r0());
        let measured = pt100.resistance(end).unwrap();
        assert!(pt100.calibrated_at(ice, (end, measured)).is_ok(), "{end}");
        assert_eq!(pt100.calibrated_at(ice, (beyond, measured)), Err(CalibrationError::OutOfRange), "{end}");
    }
}

/// Up to the last step of [`Ohms`], 16 384 Ω.
#[test]
fn a_resistance_is_too_large_only_where_it_has_no_number() {
    let element = |steps| Element::new(Ohms::from_steps(steps), Coefficients::IEC_60751).unwrap();
    let hot = Celsius::from_millidegrees(100_000);
    assert_eq!(element(Ohms::from_milliohms(16_000_000).as_steps()).resistance(hot), Err(OutOfRange::Above));
    let ratio = ratio(7.0, A, B, C);
    let about = (f64::from(u32::MAX) / ratio) as u32;
    let last = (about - 2..about + 3)
        .find(|&steps| element(steps).resistance(Celsius::from_millidegrees(7_000)) == Ok(Ohms::MAX));
    assert!(last.is_some_and(|last| element(last + 1).resistance(Celsius::from_millidegrees(7_000)).is_err()));
}

#[test]
fn an_error_names_what_is_wrong() {
    assert!(OutOfRange::Below.to_string().contains("below") && OutOfRange::Above.to_string().contains("above"));
    assert!(NotPlatinum::IcePointResistance.to_string().contains("R0"));
    for (coefficient, error) in [("A", NotPlatinum::A), ("B", NotPlatinum::B), ("C", NotPlatinum::C)] {
        assert!(error.to_string().starts_with(coefficient));
        assert!(CalibrationError::NotPlatinum(error).to_string().contains(&error.to_string()));
    }
    assert!(CalibrationError::TooClose.to_string().contains("10 °C"));
    assert!(CalibrationError::OutOfRange.to_string().contains("-200"));
}

#[test]
fn the_ice_point_calibration_reads_zero_in_ice() {
    let measured = Ohms::from_micro_ohms(100_047_000);
    let element = Element::pt100().calibrated_at_ice_point(measured).unwrap();
    assert_eq!(element.celsius(measured), Ok(Celsius::ZERO));
    assert_eq!(Thermometer::new(element).celsius(measured), Ok(Celsius::ZERO));
}

#[test]
fn rounding_is_to_the_nearest_on_both_sides_of_zero() {
    for value in -40..=40_i64 {
        for bits in 1..4 {
            let down = (value + (1 << (bits - 1))).div_euclid(1 << bits);
            assert_eq!(rounded_shift(value, bits), down);
            assert_eq!(rounded_shift_wide(i128::from(value), bits), i128::from(down));
        }
        for by in 1..8 {
            let off = 2 * (rounded_div(value, by) * by - value);
            assert!(off.abs() <= by, "{value} / {by}");
        }
        assert_eq!([rounded_div(value, 0), rounded_div(value, -3)], [value; 2], "as by 1");
    }
}

#[test]
fn the_ends_of_the_working_range_are_the_last_ratios_that_read_them() {
    let reads = |ratio| nominal_inverse(ratio).unwrap();
    let (first, last) = WORKING;
    assert!(reads(first - 1) < WORKING_LOW && reads(first) >= WORKING_LOW);
    assert!(reads(last) <= WORKING_HIGH && reads(last + 1) > WORKING_HIGH);
    assert_eq!(PIECES << PIECE_BITS, (TABLE_END - TABLE_START) as usize);
    // Of so large an R0 each ratio has a resistance.
    let element = Element::new(Ohms::from_milliohms(16_000_000), Coefficients::IEC_60751).unwrap();
    let thermometer = Thermometer::new(element);
    let steps = ((u64::from(first) * u64::from(element.r0().as_steps())) >> 30) as u32;
    let at_first = (steps..steps + 8).map(Ohms::from_steps).find(|&r| thermometer.ratio(r) == Ok(first)).unwrap();
    assert_eq!(thermometer.celsius(at_first), Ok(reads(first)));
}

/// By its own equation, and by the same limits.
#[test]
fn an_individual_element_is_answered_up_to_the_ends_of_the_working_range() {
    let own = Coefficients::new(39_083_100, -57_750_000, -41_830_000).unwrap();
    let element = Element::new(Ohms::from_milliohms(100_000), own).unwrap();
    let thermometer = Thermometer::new(element);
    for (end, beyond) in [(WORKING_LOW, OutOfRange::Below), (WORKING_HIGH, OutOfRange::Above)] {
        let about = element.resistance(end).unwrap().as_steps();
        let read = |steps| thermometer.celsius(Ohms::from_steps(steps));
        assert!((about - 3..about + 4).any(|steps| read(steps) == Ok(end)), "{end}");
        let outwards = if beyond == OutOfRange::Below { -10 } else { 10 };
        assert_eq!(read(about.checked_add_signed(outwards).unwrap()), Err(beyond));
        assert_eq!(read(if beyond == OutOfRange::Below { 0 } else { 2 * about }), Err(beyond), "beyond the table");
    }
}

#[test]
fn standard_pieces_meet_end_to_end() {
    let gaps: Vec<i32> =
        TABLE.windows(2).map(|w| w[1].t0 - (w[0].t0 + (w[0].rise + w[0].bend).cast_signed())).collect();
    assert!(gaps.iter().all(|&gap| gap == 0), "{gaps:?}");
}

/// Loop resistances of 0.5 mm² copper, 39 Ω/km at 20 °C: 10 m is 0.78 Ω, at −20 °C 0.657384 Ω.
/// Source: `rtd_wiring_checks.md` (computed from IEC 60228 and IEC 60028).
#[test]
fn cold_copper_leads_have_less_resistance() {
    let loop_at_20c = Ohms::from_micro_ohms(780_000);
    let at = |mc| Leads::TwoWire { loop_at_20c, at: Celsius::from_millidegrees(mc) }.known().as_micro_ohms();
    assert!(at(20_000).abs_diff(780_000) <= 4);
    assert!(at(-20_000).abs_diff(657_384) <= 16);
    assert!(at(40_000).abs_diff(841_308) <= 16);
    assert_eq!(Leads::THREE_WIRE.known(), Ohms::ZERO);
    assert_eq!(at(-300_000), 0, "copper has no less than none");
    let warm = Leads::TwoWire { loop_at_20c: Ohms::MAX, at: Celsius::from_millidegrees(100_000) };
    assert_eq!(warm.known(), Ohms::MAX);
    assert_eq!(Leads::THREE_WIRE.band(), Some((Ohms::ZERO, Ohms::from_milliohms(100_000))));
}

#[cfg(feature = "serde")]
#[test]
fn a_stored_element_is_held_to_the_same_bounds() {
    let stored = serde_json::to_value(Element::pt1000()).unwrap();
    assert_eq!(serde_json::from_value::<Element>(stored.clone()).unwrap(), Element::pt1000());
    let with = |path: &str, value: i64| {
        let mut wrong = stored.clone();
        *wrong.pointer_mut(path).unwrap() = value.into();
        serde_json::from_value::<Element>(wrong)
    };
    assert!(with("/coefficients/a", 1).is_err());
    assert!(with("/coefficients/b", 1).is_err());
    assert!(with("/coefficients/c", 0).is_err());
    assert!(with("/r0/bits", 0).is_err());
}

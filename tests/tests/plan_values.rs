//! Tests the planning arithmetic against figures from outside: every row of the wiring figures, whose formulas are in
//! `tests/data/README.md`, and the conductor table of IEC 60228.
//!
//! A figure is met if it differs by at most half of its last printed digit, and 1 nK for the arithmetic.

use forewarm::class::Class;
use forewarm::conductor::{SIZES, copper_factor, loop_ohm, ohm_per_m_20c};
use forewarm::plan::measurement::{Budget, Evaluation, Line, Unit, self_heating_k};
use forewarm::platinum::Platinum;
use forewarm::site::step_ohm;
use forewarm_core::rtd::Element;
use forewarm_tests::rows;
use forewarm_tests::wiring::{Figure, figures};
use std::ops::Deref;

/// What the planning arithmetic makes of one figure.
struct Check(Figure);

impl Deref for Check {
    type Target = Figure;

    fn deref(&self) -> &Figure {
        &self.0
    }
}

impl Check {
    fn element(&self) -> Platinum {
        Platinum::of(&if self.name.contains("pt1000") { Element::pt1000() } else { Element::pt100() })
    }

    /// Of one conductor at 20 °C. The American size is printed rounded, so it is computed as the figure was: the
    /// diameter by ASTM B258, pure copper by IEC 60028.
    fn ohm_per_m(&self) -> f64 {
        let printed = self.input("r_ohm_per_km") / 1000.0;
        if !self.inputs.starts_with("AWG 24 ideal") {
            return printed;
        }
        let diameter_mm = 0.127 * 92_f64.powf((36.0 - 24.0) / 39.0);
        let exact = 1.0 / 58.0 / (std::f64::consts::PI / 4.0 * diameter_mm * diameter_mm);
        assert!((exact - printed).abs() <= 0.5e-7, "{exact} is not {printed}");
        exact
    }

    fn class(&self) -> Class {
        match self.word("class") {
            Some("AA") => Class::AA,
            Some("A") => Class::A,
            Some("B") => Class::B,
            other => panic!("{}: class {other:?}", self.name),
        }
    }

    #[track_caller]
    fn assert_is(&self, found: f64) {
        let bound = self.half_digit + 1e-9;
        assert!((found - self.value).abs() <= bound, "{} {}: {found}, not {}", self.name, self.inputs, self.value);
    }
}

fn checks() -> Vec<Check> {
    figures().into_iter().map(Check).collect()
}

/// Uncertainty of a whole channel, as `tests/data/README.md` states its inputs.
fn budget(class: Class) -> Budget {
    let platinum = Platinum::of(&Element::pt100());
    let (t, kelvins) = (5.0, (Unit::K, 1.0));
    let in_ohms = (Unit::Ohm, 1.0 / platinum.slope(t));
    let in_parts = (Unit::Part, platinum.ohms(t) / platinum.slope(t));
    let heating = self_heating_k(platinum.ohms(t), 0.001, 1.0, 0.2);
    // Ten readings of a standard deviation of 0.02 K: JCGM 100:2008, 4.2.3.
    let of_the_mean = 0.02 / 10_f64.sqrt();
    Budget::of(
        t,
        vec![
            Line::rectangular("element", class.tolerance_k(t), kelvins),
            Line::rectangular("reference, 0.1 %", 0.001, in_parts),
            Line::rectangular("reference, 10 ppm/K over 20 K", 0.000_2, in_parts),
            Line::rectangular("mismatch, 5 % of 0.39 Ω", 0.05 * 0.39, in_ohms),
            Line::rectangular("half a step of 15 bits", step_ohm(400.0, 15) / 2.0, in_ohms),
            Line::rectangular("self-heating, half of it", heating / 2.0, kelvins),
            Line::normal("repeatability", of_the_mean, Evaluation::A),
        ],
    )
}

#[test]
fn every_wiring_figure_is_met_to_its_last_digit() {
    let mut met = [0; 9];
    for check in checks() {
        let platinum = check.element();
        let above = |gain: f64, ohm: f64| platinum.reads_above_k(check.input("t_c"), gain, ohm);
        let kind = match &*check.name {
            name if name.starts_with("two_wire_") => {
                let per_m = check.ohm_per_m();
                check.assert_is(above(0.0, loop_ohm(check.input("L_m"), per_m, check.input("lead_c"))));
                0
            }
            name if name.starts_with("three_wire_pt") => {
                check.assert_is(above(0.0, check.input("d") * check.input("RL1") + check.input("rc_ohm")));
                1
            }
            "three_wire_current_mismatch" => {
                let m = check.input("m");
                check.assert_is(above(m / 2.0, check.input("RL") * m));
                2
            }
            name if name.starts_with("self_heating_") => {
                let current_a = check.input("I_mA") / 1000.0;
                check.assert_is(self_heating_k(
                    platinum.ohms(check.input("t_c")),
                    current_a,
                    1.0,
                    check.input("E_K_per_mW"),
                ));
                3
            }
            name if name.starts_with("adc_lsb_") => {
                check.assert_is(step_ohm(check.input("Rref"), check.bits()) / platinum.slope(check.input("t_c")));
                4
            }
            name if name.starts_with("adc_code_") => {
                let code = platinum.ohms(check.input("t_c")) / step_ohm(check.input("Rref"), check.bits());
                check.assert_is(code.round());
                5
            }
            name if name.starts_with("adc_t_of_code_") || name.starts_with("adc_decode_") => {
                check.assert_is(platinum.celsius(check.input("code") * step_ohm(check.input("Rref"), check.bits())));
                6
            }
            "ref_gain_error" => {
                check.assert_is(above(check.input("g"), 0.0));
                7
            }
            "gum_uc" => {
                check.assert_is(budget(check.class()).combined_k);
                8
            }
            "gum_U_k2" => {
                check.assert_is(budget(check.class()).expanded_k);
                8
            }
            "gum_worst_case" => {
                // The figure takes one standard deviation of a single reading if no limit is known.
                let readings_k = 0.02 * (1.0 - 1.0 / 10_f64.sqrt());
                check.assert_is(budget(check.class()).linear_sum_k(1.0) + readings_k);
                8
            }
            "gum_mc_s" => {
                // A million draws. Their deviation is good to a part in a thousand, which is four standard errors.
                let found = budget(check.class()).combined_k;
                let bound = check.half_digit + 4.0 * found / 2e6_f64.sqrt();
                assert!((found - check.value).abs() <= bound, "{}: {found}, not {}", check.inputs, check.value);
                8
            }
            other => panic!("nothing reads {other}"),
        };
        met[kind] += 1;
    }
    assert_eq!(met, [54, 20, 4, 30, 4, 4, 19, 20, 12], "a kind of figure is missing");
}

#[test]
fn every_conductor_of_the_standard_has_its_resistance() {
    let listed = rows("iec60228_class5.csv");
    assert_eq!(listed.len(), SIZES.len());
    for ((line, cells), size) in listed.iter().zip(&SIZES) {
        let number =
            |index: usize| -> f64 { cells[index].parse().unwrap_or_else(|_| panic!("line {line}: {cells:?}")) };
        assert_eq!(
            (number(0).to_bits(), number(1).to_bits()),
            (size.area_mm2.to_bits(), size.ohm_per_km_20c.to_bits())
        );
        assert!((ohm_per_m_20c(number(0)) * 1000.0 - number(1)).abs() < 1e-12);
    }
}

/// A size that the standard does not list, here a thin lead in American measure, must resist more than pure copper of
/// that area, and less than a sixth more.
#[test]
fn an_unlisted_size_resists_somewhat_more_than_pure_copper() {
    for (line, cells) in rows("iec60228_class5.csv") {
        let area: f64 = cells[5].parse().unwrap_or_else(|_| panic!("line {line}: {cells:?}"));
        // 1/58 Ω mm²/m at 20 °C: IEC 60028.
        let pure = 1.0 / 58.0 / area;
        let part = ohm_per_m_20c(area) / pure;
        assert!((1.0..7.0 / 6.0).contains(&part), "{area} mm²: {part}");
    }
    // The factor at -20 °C that the figures state: 0.8428.
    assert!((copper_factor(-20.0) - 0.8428).abs() < 5e-5);
}

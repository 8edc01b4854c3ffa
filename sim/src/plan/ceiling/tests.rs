use super::super::testing::settings;
use super::*;
use crate::finding::Severity;
use forewarm_core::quantity::{Celsius, Fraction};
use forewarm_core::settings;
use proptest::prelude::*;

fn point(cell_c: f64, c_rate: f64) -> CeilingPoint {
    CeilingPoint { cell_c, c_rate }
}

/// `settings` of the starter with this ceiling.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "tens of degrees and parts of a capacity")]
fn with(points: &[CeilingPoint]) -> Settings {
    let mut settings = settings();
    settings.charge.ceiling = points
        .iter()
        .map(|point| settings::CeilingPoint {
            at: Celsius::from_millidegrees((point.cell_c * 1000.0).round() as i32),
            limit: Fraction::from_per_mille((point.c_rate * 1000.0).round() as u32),
        })
        .collect();
    settings
}

fn judged(points: &[CeilingPoint], maker: &[CeilingPoint], band_k: f64) -> (Ceiling, Finding) {
    Ceiling::judge(&with(points), maker, &|_| band_k)
}

const MAKER: [CeilingPoint; 3] = [
    CeilingPoint { cell_c: 5.0, c_rate: 0.1 },
    CeilingPoint { cell_c: 10.0, c_rate: 0.3 },
    CeilingPoint { cell_c: 15.0, c_rate: 0.5 },
];

/// By hand: 0.04 C a kelvin from 5 to 15 °C; cells 3 K colder than they read at 10 °C may take 0.3 − 0.12 = 0.18 C.
#[test]
fn a_makers_table_used_at_the_reading_allows_too_much_by_the_guard_band() {
    let (found, finding) = judged(&MAKER, &[], 3.0);
    assert!(!found.holds && !found.has_maker_table);
    assert!((found.points[1].maker_c_rate - 0.18).abs() < 1e-9 && (found.points[1].cells_c - 7.0).abs() < 1e-9);
    assert_eq!(finding.severity, Severity::Change, "nobody knows what the points are meant for: {finding:?}");
    let shifted = vec![point(8.0, 0.1), point(13.0, 0.3), point(18.0, 0.5)];
    assert_eq!(found.recommended, Some(shifted.clone()));
    assert!(finding.change.is_some_and(|change| change.contains("maker_ceiling")));
    // Both written, all is well; and with the maker's table and points that do not hold it, it is dangerous.
    let (after, finding) = judged(&shifted, &MAKER, 3.0);
    assert_eq!((after.holds, after.recommended, finding.severity), (true, None, Severity::Fine));
    let (_, finding) = judged(&MAKER, &MAKER, 3.0);
    assert!(finding.fails && finding.severity == Severity::Danger, "{finding:?}");
    assert_eq!(judged(&MAKER, &MAKER, 0.0).1.severity, Severity::Fine, "thermometers without error");
}

#[test]
fn a_ceiling_that_allows_no_more_where_it_is_warmer_holds_whatever_thermometers_read() {
    for points in [&[point(5.0, 0.2)][..], &[point(5.0, 0.2), point(20.0, 0.2)], &[point(20.0, 0.2), point(45.0, 0.1)]]
    {
        let (found, finding) = judged(points, &[], 4.0);
        assert!(found.holds && finding.severity == Severity::Fine, "{points:?} {finding:?}");
    }
}

/// Hot cells take less, and a reading that may be warm is no reason to allow them more.
#[test]
fn where_a_table_falls_its_points_stay_where_they_are() {
    let maker = [point(5.0, 0.1), point(15.0, 0.5), point(40.0, 0.5), point(45.0, 0.1)];
    let (found, _) = judged(&maker, &[], 2.0);
    assert_eq!(found.recommended, Some(vec![point(7.0, 0.1), point(17.0, 0.5), point(40.0, 0.5), point(45.0, 0.1)]));
}

/// Where charge is never permitted no reading comes to use the table.
#[test]
fn what_a_table_says_at_or_below_inhibit_does_not_count() {
    let found = judged(&[point(0.0, 0.0), point(5.0, 0.1)], &[point(-5.0, 0.0), point(2.0, 0.1)], 3.0).0;
    assert!(found.holds, "at 5 °C cells are at 2 °C or above: {found:?}");
    // Nor is it the case that is told: at 0 °C the excess is larger than at 10 °C.
    let (_, finding) =
        judged(&[point(0.0, 0.9), point(5.0, 0.1), point(10.0, 0.3)], &[point(0.0, 0.0), point(10.0, 0.2)], 3.0);
    assert!(finding.fails && finding.text.contains("where they read 10 °C it allows 0.3 C"), "{finding:?}");
}

#[test]
fn of_batteries_in_parallel_the_ceiling_counts_one_less() {
    for (batteries, counted, bank_a) in [(1, 1, 60.0), (2, 1, 30.0), (3, 2, 40.0), (8, 7, 52.5)] {
        let mut settings = with(&MAKER);
        settings.charge.batteries = batteries;
        let (found, _) = Ceiling::judge(&settings, &[], &|_| 0.0);
        // 0.3 C of 200 Ah.
        assert_eq!((found.batteries, found.counted), (batteries, counted));
        assert!((found.points[1].bank_a - bank_a).abs() < 1e-9, "{batteries}: {found:?}");
    }
}

prop_compose! {
    fn tables()(t in prop::collection::btree_set(-200..600_i32, 1..4), limits in prop::collection::vec(0..1000_u32, 4)) -> Vec<CeilingPoint> {
        t.into_iter().zip(limits).map(|(t, limit)| point(f64::from(t) / 10.0, f64::from(limit) / 1000.0)).collect()
    }
}

proptest! {
    #[test]
    fn shifted_points_allow_no_cell_more_than_its_maker_does(
        maker in tables(), band_k in 0.0..8.0_f64, t_c in -30.0..80.0_f64, part in 0.0..=1.0_f64,
    ) {
        let table = Table(maker.clone());
        let shifted = table.shifted(band_k).expect("few points stay few");
        prop_assert!(shifted.windows(2).all(|pair| pair[0].cell_c < pair[1].cell_c), "{:?}", shifted);
        let allowed = Table(shifted.clone()).at(t_c);
        prop_assert!(allowed <= table.at(t_c - part * band_k) + 1e-6, "{allowed} {:?}", shifted);
        // And a plan of them has nothing to add.
        let own: Vec<CeilingPoint> = shifted;
        let (found, finding) = judged(&own, &maker, band_k);
        prop_assert!(found.holds && !finding.fails, "{:?} of {:?}", own, maker);
    }

    /// Where a table only rises, nothing is given away but the grain: the points lie higher by the band, as far as a file can say it.
    #[test]
    fn a_rising_table_is_shifted_and_nothing_else(band_k in 0.0..8.0_f64, t_c in -30.0..80.0_f64) {
        let shifted = Table(Table(MAKER.to_vec()).shifted(band_k).expect("three points"));
        let exact = Table(MAKER.to_vec()).at(t_c - band_k);
        // 0.1 K at 0.04 C a kelvin, and 0.001 C.
        prop_assert!((exact - 0.005 - 1e-9..=exact + 1e-9).contains(&shifted.at(t_c)), "{} {exact}", shifted.at(t_c));
    }
}

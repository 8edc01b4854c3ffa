extern crate std;
use super::*;
use crate::testing::{c, settings};
use std::string::ToString;
use std::vec::Vec;

fn problems(settings: &Settings) -> Vec<SettingsError> {
    let mut problems = Vec::new();
    settings.check(|problem| problems.push(problem));
    problems
}

fn refuses(change: impl FnOnce(&mut Settings)) -> Vec<SettingsError> {
    let mut settings = settings();
    change(&mut settings);
    assert!(settings.clone().validate().is_err());
    problems(&settings)
}

#[test]
fn each_key_finds_its_own_row() {
    for fact in TABLE {
        assert_eq!(fact.key.fact().key, fact.key);
        assert!(fact.minimum < fact.maximum, "{:?}", fact.key);
        assert!(fact.default.is_none_or(|default| (fact.minimum..=fact.maximum).contains(&default)), "{:?}", fact.key);
    }
}

#[test]
fn no_two_settings_share_a_name() {
    let mut names: Vec<_> = TABLE.iter().map(|fact| fact.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), TABLE.len());
}

#[test]
fn every_problem_is_reported_and_nothing_else() {
    assert_eq!(problems(&settings()), []);
    let found = refuses(|settings| {
        settings.charge.release = c(5_000);
        settings.heater.cutout_pad = c(12_000);
        settings.channels.iter_mut().for_each(|channel| channel.role = Role::Ambient);
        settings.charge.ceiling.clear();
    });
    let found: Vec<_> = found.iter().map(ToString::to_string).collect();
    assert_eq!(
        found,
        [
            "charge.inhibit_c is 5 °C, not below charge.release_c (5 °C)",
            // 12 °C, less the hysteresis of 5 K.
            "heater.stop_c is 12 °C, not below heater.cutout_pad_c (7 °C)",
            "no channel has the role cell",
            "the charge-current ceiling has no point",
        ]
    );
}

#[test]
fn a_value_at_the_end_of_its_range_is_allowed_and_one_beyond_is_not() {
    let with = |inhibit| refuses(|settings| settings.charge.inhibit = c(inhibit));
    let outside = |value| SettingsError::OutsideRange { place: Place::of(Key::Inhibit), value };
    assert!(with(15_001).contains(&outside(15_001)));
    assert!(with(-1).contains(&outside(-1)), "charging is never allowed at or below 0 °C");
    let mut settings = settings();
    settings.charge.inhibit = c(0);
    assert_eq!(problems(&settings), []);
}

#[test]
fn durations_are_compared_as_durations() {
    let found = refuses(|settings| {
        settings.heater.max_run = Millis::from_secs(1800);
        settings.heater.min_on = Millis::from_secs(1800);
    });
    assert!(
        matches!(found[..], [SettingsError::NotBelow { lower: Place { key: Key::HeaterMinOn, .. }, .. }]),
        "{found:?}"
    );
}

#[test]
fn a_reference_that_saturates_the_converter_is_refused() {
    // A Pt100 at 100 °C has 138.5 Ω: four times 34 Ω is less.
    let found = refuses(|settings| settings.channels[1].reference = Ohms::from_milliohms(34_000));
    let [SettingsError::ReferenceTooSmall { channel: 1, least }] = found[..] else { panic!("{found:?}") };
    let at_100 = Element::pt100().resistance(c(100_000)).unwrap().as_micro_ohms();
    assert_eq!(least.as_micro_ohms() / 1000, (at_100 + at_100 / 64) / 4000, "with a 64th for rounding");
}

#[test]
fn a_check_resistor_that_could_be_missing_and_pass_is_refused() {
    let check = |nominal, within| {
        Role::Check(Check { nominal: Ohms::from_milliohms(nominal), within: Ohms::from_milliohms(within) })
    };
    let found = refuses(|settings| settings.channels[3].role = check(100_000, 100_000));
    let [SettingsError::NotBelow { lower, upper, .. }] = found[..] else { panic!("{found:?}") };
    assert_eq!((lower, upper), (Place::at(Key::CheckWithin, 3), Place::at(Key::CheckOhm, 3)));
    let found = refuses(|settings| settings.channels[3].role = check(1_590_000, 1_000));
    assert!(matches!(found[..], [SettingsError::ReferenceTooSmall { channel: 3, .. }]), "{found:?}");
    let mut settings = settings();
    settings.channels[3].role = check(100_000, 500);
    settings.trust.plausible_low = c(-59_000);
    settings.channels[3].offset = Kelvins::from_millikelvins(-2_000);
    assert_eq!(problems(&settings), [], "it has no temperatures to measure");
    assert_eq!(settings.value(Place::at(Key::CheckWithin, 3)), Some(500));
}

#[test]
fn thresholds_that_a_channel_cannot_measure_are_refused() {
    let found = refuses(|settings| {
        settings.trust.plausible_low = c(-59_000);
        settings.channels[2].offset = Kelvins::from_millikelvins(2_000);
    });
    assert_eq!(found, [SettingsError::Unmeasurable { channel: 2 }]);
}

#[test]
fn the_points_of_the_ceiling_must_rise() {
    let found = refuses(|settings| settings.charge.ceiling.swap(0, 2));
    let places: Vec<_> = found
        .iter()
        .filter_map(|problem| match problem {
            SettingsError::NotBelow { lower, upper, .. } => Some((lower.to_string(), upper.to_string())),
            _ => None,
        })
        .collect();
    assert_eq!(
        places,
        [
            ("charge.ceiling[0].cell_c".to_string(), "charge.ceiling[1].cell_c".to_string()),
            ("charge.ceiling[1].cell_c".to_string(), "charge.ceiling[2].cell_c".to_string()),
        ]
    );
}

#[test]
fn values_are_given_back_in_the_unit_of_their_row() {
    let settings = settings();
    let value = |key| settings.value(Place::of(key)).map(|value| Thousandths(value).to_string());
    assert_eq!(value(Key::Soak).as_deref(), Some("10"), "min");
    assert_eq!(value(Key::MaxRun).as_deref(), Some("6"), "h");
    assert_eq!(value(Key::ProofEnergy).as_deref(), Some("10"), "Wh");
    assert_eq!(value(Key::Reference).as_deref(), Some("400"), "Ω");
    assert_eq!(value(Key::ReserveFloor), None, "the bank is not spent");
    assert_eq!(value(Key::FastestCell).as_deref(), Some("3"), "K/min");
}

#[test]
fn a_cut_out_that_could_never_end_is_refused() {
    let found = refuses(|settings| {
        settings.heater.cutout_cell = c(16_000);
        settings.heater.cutout_hysteresis = Kelvins::from_millikelvins(4_000);
    });
    assert!(
        matches!(
            found[..],
            [SettingsError::NotBelow { upper: Place { key: Key::CutoutCell, .. }, upper_value: 12_000, .. }]
        ),
        "{found:?}"
    );
}

#[test]
fn a_high_limit_that_no_believed_reading_reaches_is_refused() {
    let found = refuses(|settings| {
        settings.heater.cutout_pad = c(30_000);
        settings.trust.plausible_high = c(45_000);
    });
    assert!(
        matches!(found[..], [SettingsError::NotBelow { lower: Place { key: Key::HighLimit, .. }, .. }]),
        "{found:?}"
    );
}

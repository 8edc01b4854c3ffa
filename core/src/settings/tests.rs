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
fn every_default_lies_in_its_range() {
    for fact in TABLE {
        assert!(fact.minimum < fact.maximum, "{}", fact.name);
        assert!(fact.default.is_none_or(|default| fact.allows(default)), "{}", fact.name);
    }
}

/// Every list is full, so that a setting of it which were tried too seldom would show.
#[test]
fn a_value_out_of_range_is_refused_wherever_in_a_list_it_stands() {
    let mut full = settings();
    let (channel, source) = (full.channels[0], full.sources[0]);
    while full.channels.push(channel).is_ok() {}
    while full.sources.push(source).is_ok() {}
    while full.charge.ceiling.push(CeilingPoint { at: c(20_000), limit: Fraction::from_per_mille(500) }).is_ok() {}
    full.channels.iter_mut().for_each(|channel| channel.offset = Kelvins::from_millikelvins(6_000));
    full.sources.iter_mut().for_each(|source| source.priority = 10);
    full.charge.ceiling.iter_mut().for_each(|point| point.at = c(90_000));
    let found = problems(&full);
    for key in [Key::Offset, Key::Priority, Key::CeilingAt] {
        let beyond =
            |error: &&SettingsError| matches!(error, SettingsError::OutsideRange { place, .. } if place.key == key);
        assert_eq!(found.iter().filter(beyond).count(), key.fact().repeats, "{key:?}");
    }
}

#[test]
fn no_two_settings_share_a_name() {
    let mut names: Vec<_> = TABLE.iter().map(|fact| (fact.section, fact.name)).collect();
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
            "the charge-current ceiling has no point above 0 C",
            "heater.cooling_min needs a channel with the role pad",
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
    settings.charge.inhibit = c(15_000);
    settings.charge.release = c(18_000);
    (settings.heater.start, settings.heater.stop) = (c(17_000), c(21_000));
    assert_eq!(problems(&settings), []);
}

/// An offset of +5 K shows a cell at 0 °C as one at 5 °C.
#[test]
fn an_offset_that_shows_a_cell_at_its_hard_limit_above_inhibit_is_refused() {
    for (hard_limit, offset, noise, inhibit, fits) in [
        (0, 0, 250, 251, false),
        (0, 0, 250, 252, true),
        (0, 5_000, 250, 5_000, false),
        (0, 5_000, 250, 5_260, true),
        (0, -5_000, 250, 240, false),
        (2_000, 1_000, 250, 3_000, false),
        (2_000, 1_000, 250, 3_300, true),
        (0, 0, 5_000, 5_000, false),
        (0, 0, 5_000, 5_002, true),
    ] {
        let mut settings = settings();
        settings.channels[1].role = Role::Ambient;
        settings.channels[0].offset = Kelvins::from_millikelvins(offset);
        settings.trust.noise = Kelvins::from_millikelvins(noise);
        settings.trust.disagreement = Kelvins::from_millikelvins(10_000);
        settings.trust.stuck_moved = Kelvins::from_millikelvins(10_000);
        (settings.charge.hard_limit, settings.charge.inhibit) = (c(hard_limit), c(inhibit));
        (settings.charge.release, settings.heater.stop) = (c(15_000), c(21_000));
        (settings.heater.proof, settings.heater.start) = (None, c(12_000));
        (settings.charge.high_release, settings.charge.high_limit) = (c(35_000), c(45_000));
        let found = problems(&settings);
        let is_it = matches!(found[..], [SettingsError::NotBelow { lower: Place { key: Key::HardLimit, .. }, .. }]);
        assert!(if fits { found.is_empty() } else { is_it }, "{hard_limit} {offset} {noise} {inhibit}: {found:?}");
    }
}

#[test]
fn a_thermometer_that_may_read_warm_by_all_of_the_margin_unnoticed_is_refused() {
    let with = |disagreement, cells: usize| {
        let mut settings = settings();
        settings.channels.iter_mut().skip(cells).for_each(|channel| channel.role = Role::Pad);
        settings.trust.disagreement = Kelvins::from_millikelvins(disagreement);
        problems(&settings)
    };
    for disagreement in [5_000, 10_000] {
        assert!(
            matches!(
                with(disagreement, 2)[..],
                [SettingsError::NotBelow { lower: Place { key: Key::Disagreement, .. }, upper_value: 5_000, .. }]
            ),
            "{disagreement}"
        );
        assert_eq!(with(disagreement, 1), [], "nothing to compare a single one with");
    }
    assert_eq!(with(4_999, 2), []);
}

#[test]
fn noise_that_would_bridge_a_hysteresis_is_refused() {
    let noise = |settings: &mut Settings| settings.trust.noise = Kelvins::from_millikelvins(990);
    for (change, lower) in [
        ((|settings: &mut Settings| settings.charge.release = c(5_900)) as fn(&mut Settings), Key::Inhibit),
        (|settings| settings.charge.high_release = c(44_100), Key::HighRelease),
        (|settings| settings.charge.release = c(11_100), Key::Release),
        (|settings| settings.heater.start = c(11_100), Key::HeaterStart),
    ] {
        let found = refuses(|settings| {
            change(settings);
            noise(settings);
        });
        assert!(matches!(found[..], [SettingsError::NotBelow { lower: place, .. }] if place.key == lower), "{found:?}");
    }
}

/// 5 V of sag on a floor of 12.8 V would let a bank of four cells be spent down to 7.8 V, less than 2 V a cell.
#[test]
fn a_sag_that_spends_the_bank_to_nothing_is_refused() {
    let with = |sag| {
        let mut settings = settings();
        let volts = Millivolts::from_millivolts;
        settings.bank =
            BankUse::Always(Reserve::Voltage { floor: volts(12_800), resume: volts(13_200), sag: volts(sag) });
        problems(&settings)
    };
    for sag in [801, 5_000] {
        assert_eq!(with(sag), [SettingsError::SagTooLarge { most: Millivolts::from_millivolts(800) }]);
    }
    assert_eq!(with(800), []);
}

#[test]
fn a_judgement_that_could_never_be_made_is_refused() {
    let found = refuses(|settings| settings.channels[2].role = Role::Ambient);
    assert_eq!(found, [SettingsError::NoPad]);
    // 60 W for a quarter of an hour are 15 Wh.
    let found = refuses(|settings| {
        settings.heater.max_run = Millis::from_secs(900);
        settings.heater.proof.as_mut().unwrap().energy = Joules::from_joules(54_000);
    });
    assert_eq!(found, [SettingsError::NeverProven { most: 15_000 }]);
    let found = refuses(|settings| settings.charge.ceiling.iter_mut().for_each(|point| point.limit = Fraction::ZERO));
    assert_eq!(found, [SettingsError::NoCeiling]);
}

#[test]
fn an_offset_that_hides_what_is_too_hot_is_refused() {
    let found = refuses(|settings| {
        settings.charge.high_limit = c(56_000);
        settings.channels[1].offset = Kelvins::from_millikelvins(-4_500);
    });
    assert_eq!(found, [SettingsError::OffsetTooLow { channel: 1, limit: Key::HighLimit, allows: 60_500 }]);
    let found = refuses(|settings| {
        settings.heater.cutout_pad = c(88_000);
        settings.channels[2].offset = Kelvins::from_millikelvins(-2_500);
        settings.trust.plausible_high = c(120_000);
    });
    assert_eq!(found, [SettingsError::OffsetTooLow { channel: 2, limit: Key::CutoutPad, allows: 90_500 }]);
}

#[test]
fn a_bank_in_the_frost_may_not_be_set_to_read_as_broken_nor_a_boards_step_as_a_leap() {
    for (change, key) in [
        ((|settings: &mut Settings| settings.trust.plausible_low = c(-30_000)) as fn(&mut Settings), Key::PlausibleLow),
        (|settings| settings.trust.max_step = Millis::from_secs(1), Key::MaxStep),
        (|settings| settings.trust.noise = Kelvins::from_millikelvins(31), Key::Noise),
        (|settings| settings.trust.fastest_cell = KelvinRate::from_millikelvins_per_minute(500), Key::FastestCell),
        (|settings| settings.trust.fastest_pad = KelvinRate::from_millikelvins_per_minute(5_000), Key::FastestPad),
    ] {
        let found = refuses(change);
        assert!(matches!(found[..], [SettingsError::OutsideRange { place, .. }] if place.key == key), "{found:?}");
    }
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
fn a_lead_band_that_no_lead_fits_is_refused() {
    let leads = |least, most| Leads::ThreeWire { least: Ohms::from_milliohms(least), most: Ohms::from_milliohms(most) };
    for (least, most) in [(500, 500), (900, 500)] {
        let found = refuses(|settings| settings.channels[3].leads = leads(least, most));
        let [SettingsError::NotBelow { lower, upper, .. }] = found[..] else { panic!("{found:?}") };
        assert_eq!((lower, upper), (Place::at(Key::LeadLeast, 3), Place::at(Key::LeadMost, 3)));
    }
    let found = refuses(|settings| settings.channels[3].leads = leads(0, 101_000));
    let [SettingsError::OutsideRange { place, .. }] = found[..] else { panic!("{found:?}") };
    assert_eq!(place, Place::at(Key::LeadMost, 3));
    let mut settings = settings();
    assert_eq!(problems(&settings), [], "what says that nothing is known is within its range");
    settings.channels[3].leads = Leads::FourWire;
    assert_eq!(settings.value(Place::at(Key::LeadMost, 3)), None, "none is measured alone");
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
        settings.charge.high_limit = c(60_000);
        settings.trust.plausible_high = c(60_000);
        settings.heater.cutout_pad = c(40_000);
    });
    assert!(
        matches!(found[..], [SettingsError::NotBelow { lower: Place { key: Key::HighLimit, .. }, .. }]),
        "{found:?}"
    );
}

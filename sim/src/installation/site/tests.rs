use super::table::{Key, TABLE, TEXTS};
use crate::installation::row::real;
use crate::installation::{Installation, document, sections, starter, values};
use crate::site::{Enclosure, Presence, ShareFrom, Site, Spot, StandsOn, WeatherSource};
use forewarm_core::settings::{Fact, TABLE as SETTINGS, Thousandths};
use proptest::prelude::*;
use std::collections::HashSet;

/// `text` with the first line of `section` that sets, or offers to set, `name` replaced.
pub(super) fn with(text: &str, section: &str, name: &str, line: &str) -> String {
    replaced(text, section, name, line).unwrap_or_else(|| panic!("{section}.{name} is not in the starter"))
}

/// The same; nothing where there is no such line, or none any more.
fn replaced(text: &str, section: &str, name: &str, line: &str) -> Option<String> {
    // A section that is only offered is there with the first of its lines.
    let text = &text.replace(&format!("# [{section}]\n"), &format!("[{section}]\n"));
    let mut here = "";
    let mut done = false;
    let mut changed = String::new();
    for old in text.lines() {
        if old.starts_with('[') {
            here = old.trim_matches(['[', ']']);
        }
        let setting = old.strip_prefix("# ").unwrap_or(old);
        let found = !done && here == section && setting.strip_prefix(name).is_some_and(|rest| rest.starts_with(" = "));
        done |= found;
        changed.push_str(if found { line } else { old });
        changed.push('\n');
    }
    done.then_some(changed)
}

/// A starter in which every number of a site has a place: none is in the way of another.
fn roomy() -> String {
    let mut text = starter();
    for (section, name, line) in [
        ("site", "stands_on", "stands_on = \"ground\""),
        ("box", "insulation", ""),
        ("load", "schedule", "schedule = \"daily 18:00-22:00\""),
        ("room", "schedule", "schedule = \"sat 10:00-22:00\""),
        ("source", "schedule", ""),
    ] {
        text = with(&text, section, name, line);
    }
    text
}

/// The site of `text` as it is read, whatever is found wrong with it.
fn read(text: &str) -> Site {
    let mut findings = document::Findings::new("test", text);
    let document = document::parse(&mut findings).expect("valid TOML");
    sections::read(&mut values::Reader::new(findings, None), &document).site.expect("a site")
}

/// What a site has of a number, in the unit of the file; nothing where it has it in a product, or not at all.
#[expect(clippy::too_many_lines, reason = "one line a number")]
fn held(site: &Site, key: Key) -> Option<f64> {
    let Site { battery, plate, pad, enclosure, place, room, converter, load, winter, tolerance, .. } = site;
    let mounting = site.mountings.first()?;
    let supply = site.supplies.first()?;
    let circuit = site.circuit.as_ref();
    let cutout = site.thermal_cutouts.first();
    let spell = match &winter.weather {
        WeatherSource::ColdSpell(spell) => Some(spell),
        WeatherSource::File(_) => None,
    };
    #[expect(clippy::cast_precision_loss, reason = "a handful")]
    let count = |number: usize| number as f64;
    let value = match key {
        Key::Count => count(battery.count),
        Key::BatteryLength => battery.length_m,
        Key::BatteryWidth => battery.width_m,
        Key::BatteryHeight => battery.height_m,
        Key::BatteryMass => battery.mass_kg,
        Key::CellsInSeries => battery.cells_in_series.into(),
        Key::SpecificHeat => battery.specific_heat_j_per_kg_k,
        Key::ConductivityUp => battery.conductivity_up_w_per_m_k,
        Key::ConductivityAcross => battery.conductivity_across_w_per_m_k,
        Key::ConductivityAlong => battery.conductivity_along_w_per_m_k,
        Key::TerminalCableArea => battery.terminal_cable?.area_mm2,
        Key::TerminalCableLength => battery.terminal_cable?.length_m,
        Key::Gap => battery.gap_m,
        Key::Resistance => battery.resistance_ohm,
        Key::PlateThickness => plate.thickness_m,
        Key::PlateContact => plate.contact_w_per_m2_k,
        // Only checked, or of what may lie the other way round, or of a point, which no other spot has.
        Key::CellMass
        | Key::PlateLength
        | Key::PlateWidth
        | Key::PadLength
        | Key::PadWidth
        | Key::PointAlong
        | Key::PointAcross
        | Key::PointUp => return None,
        Key::PadShiftAlong => pad.shift_m[0],
        Key::PadShiftAcross => pad.shift_m[1],
        Key::PadThickness => pad.thickness_m,
        Key::PadBond => pad.bond_w_per_m2_k,
        Key::PadMost => pad.most_w_per_m2,
        Key::BoxLength => enclosure.length_m,
        Key::BoxWidth => enclosure.width_m,
        Key::BoxHeight => enclosure.height_m,
        Key::BoxConductivity => enclosure.walls.first()?.material.conductivity_w_per_m_k,
        Key::BoxThickness => enclosure.walls.first()?.thickness_m,
        Key::FloorThickness => enclosure.floor.first()?.thickness_m,
        Key::AirChanges => enclosure.air_changes_per_h,
        Key::BoxLoss => enclosure.loss,
        Key::InsideFilm => enclosure.inside_w_per_m2_k,
        Key::DesignMin => place.design_min_c,
        Key::DesignWind => place.design_wind_m_s,
        Key::Exposure => place.exposure,
        Key::Ground => match place.stands_on {
            StandsOn::Ground(ground_c) => ground_c,
            StandsOn::Air => return None,
        },
        Key::RoomWarmer => room.as_ref()?.warmer_k,
        Key::RoomTemperature => room.as_ref()?.scheduled.as_ref()?.0,
        Key::Bits => converter.bits.into(),
        Key::Current => converter.current_a,
        Key::Duty => converter.duty,
        Key::ConverterOffset => converter.offset_ohm,
        Key::Gain => converter.gain,
        Key::Noise => converter.noise_k,
        Key::ReferenceTolerance => converter.reference_tolerance,
        Key::ReferenceDrift => converter.reference_drift,
        Key::LeadMismatch => converter.lead_mismatch,
        Key::LeadContact => converter.contact_ohm,
        Key::ContactGrowth => converter.contact_growth_ohm,
        Key::BatteryNumber => count(mounting.at.battery()? + 1),
        Key::Calibrated => mounting.calibrated_k?,
        Key::SensorCable => mounting.cable_m,
        Key::SensorArea => mounting.cable_mm2,
        Key::Lag => mounting.lag_s,
        Key::SelfHeating => mounting.self_heating_k_per_mw,
        Key::AirShare => mounting.air_share,
        Key::SupplyPower => supply.power_w,
        Key::SunAtLeast => match supply.presence {
            Presence::Sun { at_least_w_m2 } => at_least_w_m2,
            Presence::Weekly(_) | Presence::Log(_) | Presence::Never => return None,
        },
        Key::Rated => supply.rating?.rated_a,
        Key::RatedVoltage => supply.rating?.rated_v?,
        Key::Derate => supply.rating?.derate,
        Key::OtherLoads => supply.rating?.other_loads_w,
        Key::LoadPower => load.constant_w,
        Key::ScheduledPower => load.scheduled.as_ref()?.0,
        Key::CableLength => circuit?.cable_m,
        Key::CableArea => circuit?.cable_mm2?,
        Key::Drop => circuit?.drop,
        Key::CableTemperature => circuit?.cable_c,
        Key::Fuse => circuit?.fuse_a?,
        Key::RelayCurrent => circuit?.relay.contact.rated_a,
        Key::RelayVoltage => circuit?.relay.contact.rated_v,
        Key::CoilPower => circuit?.relay.coil_w,
        Key::CoilVoltage => circuit?.relay.coil_v,
        Key::PilotCurrent => circuit?.pilot?.rated_a,
        Key::PilotVoltage => circuit?.pilot?.rated_v,
        Key::PilotCoil => circuit?.pilot?.coil_w,
        Key::Driver => circuit?.driver_a,
        Key::Opens => cutout?.opens_c,
        Key::OpensWithin => cutout?.within_k,
        Key::CutoutCurrent => cutout?.rated_a,
        Key::CutoutVoltage => cutout?.rated_v,
        Key::Mean => spell?.mean_c,
        Key::DailySwing => spell?.daily_swing_k,
        Key::SpellMean => spell?.spell_c,
        Key::SpellFrom => spell?.spell_from_day.into(),
        Key::SpellDays => spell?.spell_days.into(),
        Key::Wind => spell?.wind_m_s,
        Key::Noon => spell?.noon_w_m2,
        Key::Days => winter.days.into(),
        Key::WeatherOffset => winter.offset_k,
        Key::Start => winter.start_c?,
        Key::StartCharge => winter.start_charge,
        Key::PadPowerSpread => tolerance.pad_power,
        Key::InsulationSpread => tolerance.insulation,
        Key::SpecificHeatSpread => tolerance.specific_heat,
        Key::ConductivitySpread => tolerance.conductivity,
        Key::ContactSpread => tolerance.contact,
        Key::AirChangesSpread => tolerance.air_changes,
        Key::FilmSpread => tolerance.film,
        Key::PadPlaceSpread => tolerance.pad_place_m,
        Key::AirShareSpread => tolerance.air_share,
        Key::WeatherSpread => tolerance.weather_k,
        Key::HardLimitSpread => tolerance.hard_limit_k,
    };
    Some(value * key.per())
}

/// What comes of dividing by 1000 and multiplying again.
fn is_near(value: f64, other: f64) -> bool {
    (value - other).abs() <= 1e-12 * other.abs()
}

/// A number within the range of its row, `part` of the way up; whole where it must be.
fn within(fact: &Fact, part: f64) -> f64 {
    let (minimum, maximum) = (real(fact.minimum), real(fact.maximum));
    let value = minimum + part * (maximum - minimum);
    if fact.unit.is_empty() { value.round() } else { value }
}

/// What may stand where a number should.
#[derive(Clone, Debug)]
enum Written {
    Within(f64),
    Beyond(f64),
    Word(&'static str),
    Nothing,
}

fn written() -> impl Strategy<Value = Written> {
    const WORDS: [&str; 16] = [
        "nan",
        "-inf",
        "1e400",
        "-1e-400",
        "0",
        "-0.0",
        "true",
        "\"5\"",
        "\"5 mm\"",
        "\"\"",
        "[]",
        "[ {} ]",
        "{}",
        "1979-05-27",
        "0x10",
        "0.333333333333333333333333333333333333333",
    ];
    prop_oneof![
        4 => (0.0..=1.0).prop_map(Written::Within),
        1 => Just(Written::Within(0.0)),
        1 => Just(Written::Within(1.0)),
        1 => (0.001..1000.0).prop_map(Written::Beyond),
        2 => prop::sample::select(WORDS.to_vec()).prop_map(Written::Word),
        1 => Just(Written::Nothing),
    ]
}

fn line(fact: &Fact, written: &Written) -> String {
    let name = fact.name;
    match written {
        Written::Within(part) => format!("{name} = {}", within(fact, *part)),
        Written::Beyond(by) => format!("{name} = {}", real(fact.maximum) + by),
        Written::Word(word) => format!("{name} = {word}"),
        Written::Nothing => String::new(),
    }
}

/// Texts that are right somewhere, and some that are right nowhere.
fn words() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "standing",
        "lying",
        "cylindrical",
        "bare",
        "plastic_case",
        "copper",
        "aluminium",
        "pur",
        "plywood",
        "ground",
        "air",
        "plate",
        "base",
        "between",
        "top",
        "side",
        "end",
        "bottom",
        "terminal",
        "point",
        "AA",
        "A",
        "C",
        "mon 07:00-08:00",
        "mon 07:00-08:00 07:30-09:00",
        "file.csv",
        "mains",
        "Engine",
        "",
        " ",
        "11-01",
        "02-29",
        "1-1",
        "\\u0000",
    ])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn every_number_of_a_site_arrives_as_it_is_written(parts in prop::collection::vec(0.0..=1.0, Key::ALL.len())) {
        let mut text = roomy();
        for (key, part) in Key::ALL.iter().zip(&parts) {
            let fact = key.fact();
            text = with(&text, fact.section, fact.name, &format!("{} = {}", fact.name, within(fact, *part)));
        }
        let mut site = read(&text);
        let value = |key: Key| within(key.fact(), parts[key as usize]);
        // It may lie the other way round, where it fits only so.
        if !is_near(site.enclosure.length_m * 1e3, value(Key::BoxLength)) {
            let Enclosure { length_m, width_m, .. } = &mut site.enclosure;
            std::mem::swap(length_m, width_m);
        }
        for &key in Key::ALL {
            match held(&site, key) {
                Some(held) => prop_assert!(is_near(held, value(key)), "{:?}: {} became {}", key, value(key), held),
                None => prop_assert!(
                    matches!(
                        key,
                        Key::CellMass
                            | Key::PlateLength
                            | Key::PlateWidth
                            | Key::PadLength
                            | Key::PadWidth
                            | Key::PointAlong
                            | Key::PointAcross
                            | Key::PointUp
                    ),
                    "{key:?} is lost"
                ),
            }
        }
        prop_assert!(is_near(site.plate.area_m2() * 1e6, value(Key::PlateLength) * value(Key::PlateWidth)));
        prop_assert!(is_near(site.pad.area_m2() * 1e6, value(Key::PadLength) * value(Key::PadWidth)));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn a_site_is_refused_with_a_remedy_or_all_its_numbers_are_in_range(
        numbers in prop::collection::vec((prop::sample::select(TABLE), written()), 1..4),
        texts in prop::collection::vec((prop::sample::select(TEXTS), words()), 0..2),
    ) {
        let mut text = starter();
        for (fact, written) in &numbers {
            text = replaced(&text, fact.section, fact.name, &line(fact, written)).unwrap_or(text);
        }
        for (row, word) in &texts {
            let line = format!("{} = \"{word}\"", row.name);
            text = replaced(&text, row.section, row.name, &line).unwrap_or(text);
        }
        match Installation::parse("test", &text) {
            Err(problems) => for problem in problems {
                prop_assert!(problem.remedy.is_some_and(|remedy| !remedy.is_empty()), "{}", problem.message);
                prop_assert!(problem.position.is_some(), "{} has no place", problem.message);
            },
            Ok(installation) => {
                let site = installation.site.expect("the starter has one");
                for (key, fact) in Key::ALL.iter().zip(TABLE) {
                    if let Some(value) = held(&site, *key) {
                        // What is derived, as the coil's voltage from the heater's, obeys the range of its row all the same.
                        let slack = 1e-12 * value.abs();
                        prop_assert!(
                            (real(fact.minimum) - slack..=real(fact.maximum) + slack).contains(&value),
                            "{:?} is {}", key, value
                        );
                    }
                }
                let battery = &site.battery;
                let density = battery.mass_kg / (battery.length_m * battery.width_m * battery.height_m);
                prop_assert!((500.0..=6000.0).contains(&density));
                let (plate, floor) = (site.plate.area_m2(), site.enclosure.length_m * site.enclosure.width_m);
                prop_assert!(0.0 < site.pad.area_m2() && site.pad.area_m2() <= plate * (1.0 + 1e-9));
                prop_assert!(plate <= floor * (1.0 + 1e-9));
                let (pad, on) = (&site.pad, &site.plate);
                for (axis, (pad_m, plate_m)) in [(pad.length_m, on.length_m), (pad.width_m, on.width_m)].into_iter().enumerate() {
                    prop_assert!(pad.shift_m[axis].abs() + pad_m / 2.0 <= plate_m / 2.0 + 1e-8, "beside its plate");
                }
                prop_assert!(battery.height_m < site.enclosure.height_m);
                prop_assert_eq!(site.mountings.len(), installation.channels.len());
                prop_assert_eq!(site.supplies.len(), installation.sources.len());
                prop_assert!(site.fed_by.is_none_or(|index| index < site.supplies.len()));
                for mounting in &site.mountings {
                    if let Some(index) = mounting.at.battery() {
                        prop_assert!(index < battery.count);
                    }
                    if let Spot::Point(_, point) = mounting.at {
                        let case = [battery.length_m, battery.width_m, battery.height_m];
                        let is_on = |(at, full): (&f64, f64)| *at <= 0.0 || *at >= full;
                        prop_assert!(point.iter().zip(case).all(|(at, full)| (0.0..=full).contains(at)));
                        prop_assert!(point.iter().zip(case).any(is_on), "it hangs in the air, or lies within a cell");
                    }
                    if let Spot::Side(index) = mounting.at {
                        prop_assert!(index == 0 || index + 1 == battery.count, "no air reaches it");
                    }
                }
            }
        }
    }
}

#[test]
fn no_number_or_word_of_a_section_has_the_name_of_another() {
    let mut names = HashSet::new();
    let numbers = SETTINGS.iter().chain(TABLE).map(|fact| (fact.section, fact.name));
    for name in numbers.chain(TEXTS.iter().map(|text| (text.section, text.name))) {
        assert!(names.insert(name), "{name:?} is there twice");
    }
}

#[test]
fn every_default_lies_in_its_range_and_every_name_ends_in_its_unit() {
    for fact in TABLE {
        assert!(fact.minimum < fact.maximum, "{}", fact.name);
        assert!(fact.default.is_none_or(|default| fact.allows(default)), "{}", fact.name);
        let unit = match fact.unit {
            "" => continue,
            "°C" => "_c",
            "J/(kg K)" => "_j_per_kg_k",
            "W/(m K)" => "_w_per_m_k",
            "W/(m² K)" => "_w_per_m2_k",
            "W/m²" => "_w_m2",
            "W/cm²" => "_w_per_cm2",
            "K/W" => "_k_per_w",
            "1/h" => "_per_h",
            "m/s" => "_m_s",
            "mm²" => "_mm2",
            "%" => "_pct",
            "Ω" => "_ohm",
            "mΩ" => "_mohm",
            unit => &format!("_{}", unit.to_lowercase()),
        };
        assert!(fact.name.ends_with(unit), "{} is in {}", fact.name, fact.unit);
    }
}

#[test]
fn the_starter_has_a_line_for_everything_a_site_can_be_told() {
    let text = starter();
    for (section, name) in
        TABLE.iter().map(|fact| (fact.section, fact.name)).chain(TEXTS.iter().map(|text| (text.section, text.name)))
    {
        assert!(replaced(&text, section, name, "").is_some(), "{section}.{name}");
    }
    for fact in TABLE {
        assert!(text.contains(&Thousandths(fact.maximum).to_string()), "{} without its range", fact.name);
    }
}

#[test]
fn every_default_the_starter_offers_is_what_leaving_it_out_means() {
    let plain = Installation::parse("plain", &starter()).expect("no problem");
    let mut text = starter();
    let mut offered = 0;
    for fact in TABLE {
        // Those of a source go with rated_a only, which the starter offers and does not set.
        let Some(default) = fact.default.filter(|_| fact.section != "source").map(Thousandths) else { continue };
        let line = format!("{} = {default}", fact.name);
        let written = with(&text, fact.section, fact.name, &line);
        // Where the starter sets it to something else there is no default to try.
        if written.len() + "# ".len() == text.len() {
            (text, offered) = (written, offered + 1);
        }
    }
    assert!(offered > 40, "{offered}");
    let mut written = Installation::parse("written", &text).expect("no problem");
    // All but where the figure comes from.
    let site = written.site.as_mut().expect("a site");
    assert_eq!(site.mountings[0].air_share_from, ShareFrom::File);
    site.mountings[0].air_share_from = ShareFrom::Default;
    assert_eq!(format!("{:?}", written.site), format!("{:?}", plain.site));
}

#[test]
fn a_file_without_a_section_of_the_site_has_none() {
    let text = starter();
    let settings = &text[..text.find("\n[battery]").expect("the first section of the site")];
    // Nothing else says how many there are.
    let settings = settings.replacen("# batteries = 2", "batteries = 2", 1);
    let installation = Installation::parse("test", &settings).expect("no error");
    assert!(installation.site.is_none());
    assert_eq!(installation.warnings, []);
}

#[test]
fn each_section_that_nothing_can_be_computed_without_is_asked_for_once() {
    for name in ["battery", "pad", "box", "site", "winter"] {
        let text = starter();
        let start = text.find(&format!("\n[{name}]")).expect("the section");
        let end = text[start + 1..].find("\n[").map_or(text.len(), |length| start + 1 + length);
        let problems = Installation::parse("test", &(text[..start].to_owned() + &text[end..])).unwrap_err();
        let messages: Vec<&str> = problems.iter().map(|problem| &*problem.message).collect();
        assert_eq!(messages, [format!("there is no [{name}]")]);
        assert!(problems[0].remedy.as_ref().is_some_and(|remedy| remedy.starts_with(&format!("[{name}] with"))));
    }
}

#[test]
fn a_section_of_the_site_that_is_none_is_told_alone() {
    for (right, wrong, said) in [
        ("[battery]", "[[battery]]", "battery is written once"),
        ("[battery]", "[batery]", "there is no section [batery]"),
        ("[winter]", "[[winter]]", "winter is written once"),
        ("[box]", "[[box]]", "box is written once"),
    ] {
        let problems = Installation::parse("test", &starter().replace(right, wrong)).unwrap_err();
        let messages: Vec<&str> = problems.iter().map(|problem| &*problem.message).collect();
        assert_eq!(messages, [said]);
    }
}

#[test]
fn the_demo_is_read_as_it_is_meant() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml");
    let installation = Installation::load(&path).expect("no error");
    assert_eq!(installation.warnings, []);
    let site = installation.site.expect("a site");
    assert_eq!(site.battery.count, 2);
    assert!(is_near(site.battery.height_m, 0.215));
    // Two widths and a gap.
    assert!(is_near(site.plate.area_m2(), 0.330 * 0.349));
    assert!(is_near(site.enclosure.walls[0].material.conductivity_w_per_m_k, 0.034));
    assert!(is_near(site.enclosure.floor[0].thickness_m, 0.05));
    assert!(is_near(site.place.exposure, 0.3));
    assert_eq!(site.mountings[1].at, Spot::Top(1));
    assert!(matches!(&site.winter.weather, WeatherSource::File(path) if path.as_os_str() == "weather.csv"));
    assert_eq!((site.winter.from, site.winter.days), (Some((11, 1)), 180));
    assert!(matches!(site.supplies[2].presence, Presence::Sun { .. }));
    // Not stated, so the budget.
    assert!(is_near(site.supplies[1].power_w, 600.0));
}

#[test]
fn no_thermometer_sits_between_one_battery_and_nothing() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/demo/hut.toml")).expect("the demo");
    let one = text.replace("count = 2", "count = 1").replace("battery = 2\n", "");
    let problems = Installation::parse("test", &one).expect_err("nothing to be between");
    let problem = problems.iter().find(|problem| problem.message.contains("no neighbour")).expect("told");
    assert!(problem.position.is_some());
    assert!(problem.remedy.as_ref().is_some_and(|remedy| remedy.contains("at = \"top\"")));
    // Two have a place between them.
    assert!(Installation::parse("test", &text).is_ok());
    // Unsaid, a cell's thermometer goes where there is a place for it.
    assert_eq!(read(&one.replace("at = \"between\"\n", "")).mountings[0].at, Spot::Top(0));
    assert_eq!(read(&text.replace("at = \"between\"\n", "")).mountings[0].at, Spot::Between(0));
}

#[test]
fn each_face_of_a_battery_has_a_word() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/demo/hut.toml")).expect("the demo");
    let with = |count: u32, at: &str, battery: u32| {
        let place = format!("at = \"{at}\"\nbattery = {battery}\n");
        let text = text.replacen("at = \"top\"\nbattery = 2\n", &place, 1);
        assert!(text.contains(&place));
        // A row of three is as wide as the box allows.
        text.replace("count = 2", &format!("count = {count}"))
            .replace("width_mm = 172", &format!("width_mm = {}", 344 / count))
    };
    for (word, at) in [
        ("base", Spot::Base(1)),
        ("between", Spot::Between(1)),
        ("top", Spot::Top(1)),
        ("side", Spot::Side(1)),
        ("end", Spot::End(1)),
        ("bottom", Spot::Bottom(1)),
        ("terminal", Spot::Terminal(1)),
    ] {
        let installation = Installation::parse("test", &with(2, word, 2)).expect("no error");
        assert_eq!(installation.site.expect("a site").mountings[1].at, at);
        let told: Vec<&str> = installation.warnings.iter().map(|warning| &*warning.message).collect();
        assert_eq!(told.iter().any(|text| text.contains("above the heater")), word == "bottom", "{word}: {told:?}");
    }
    let problems = Installation::parse("test", &with(2, "front", 2)).expect_err("no such face");
    let remedy = problems[0].remedy.as_ref().expect("a remedy");
    assert!(["top", "side", "end", "bottom"].iter().all(|word| remedy.contains(&format!("\"{word}\""))), "{remedy}");
    // Of three in a row, the second has neighbours before both its long faces.
    let told = |battery: u32| {
        let problems = Installation::parse("test", &with(3, "side", battery)).err().unwrap_or_default();
        problems.iter().any(|problem| problem.message.contains("no air reaches its long faces"))
    };
    assert!(!told(1) && told(2) && !told(3));
}

#[test]
fn a_kind_of_joint_or_of_cells_stands_for_its_figures() {
    for (word, w_per_m2_k) in [("bare", 200.0), ("gap_pad", 500.0), ("plastic_case", 30.0)] {
        let site = read(&with(&starter(), "plate", "contact", &format!("contact = \"{word}\"")));
        assert!(is_near(site.plate.contact_w_per_m2_k, w_per_m2_k), "{word}");
    }
    assert!(is_near(read(&starter()).plate.contact_w_per_m2_k, 200.0));
    let stated = with(&starter(), "plate", "contact_w_per_m2_k", "contact_w_per_m2_k = 300");
    assert!(is_near(read(&stated).plate.contact_w_per_m2_k, 300.0));
    for (word, [up, across]) in [("standing", [15.0, 0.8]), ("lying", [0.6, 15.0]), ("cylindrical", [12.0, 0.5])] {
        let battery = read(&with(&starter(), "battery", "cells", &format!("cells = \"{word}\""))).battery;
        assert!(
            is_near(battery.conductivity_up_w_per_m_k, up) && is_near(battery.conductivity_across_w_per_m_k, across)
        );
        assert!(is_near(battery.conductivity_along_w_per_m_k, across), "as across, where nothing else is said");
    }
}

#[test]
fn the_contact_of_single_batteries_is_a_part_of_the_plates_and_each_is_named_once() {
    let joints = |list: &str| with(&starter(), "plate", "joints", &format!("joints = {list}"));
    let plate = read(&joints("[ { battery = 2, contact_pct = 40 } ]")).plate;
    assert!(is_near(plate.contact_of(0), plate.contact_w_per_m2_k) && is_near(plate.contact_of(1), 80.0));
    assert!(is_near(plate.contact_of(7), plate.contact_w_per_m2_k), "a battery beyond the list has all of it");
    for (list, told) in [
        ("[ { battery = 3, contact_pct = 40 } ]", "battery.count is 2"),
        ("[ { battery = 0, contact_pct = 40 } ]", "outside"),
        ("[ { battery = 1.5, contact_pct = 40 } ]", ""),
        ("[ { battery = 1, contact_pct = 40 }, { battery = 1, contact_pct = 50 } ]", "again"),
        ("[ { battery = 1 } ]", "contact_pct"),
        ("[ { battery = 1, contact_pct = 0 } ]", "outside"),
        ("[ { battery = 1, contact_pct = 40, pct = 3 } ]", "pct"),
        ("40", "not a list"),
    ] {
        let problems = Installation::parse("test", &joints(list)).expect_err(list);
        assert!(problems.iter().any(|problem| problem.message.contains(told)), "{list}: {problems:?}");
    }
}

#[test]
fn a_point_lies_on_a_face_of_its_battery_and_another_is_sent_to_the_nearest() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/demo/hut.toml")).expect("the demo");
    let with = |lines: &str| {
        let text = text.replacen("at = \"top\"\nbattery = 2\n", &format!("{lines}\nbattery = 2\n"), 1);
        assert!(text.contains(lines));
        Installation::parse("test", &text)
    };
    let at = |along: f64, across: f64, up: f64| {
        with(&format!("at = \"point\"\nalong_mm = {along}\nacross_mm = {across}\nup_mm = {up}"))
    };
    // The case has 330 x 172 x 215 mm. Within a millimetre of a face it is on that face.
    for (stated, held) in [
        ([0.0, 86.0, 100.0], [0.0, 86.0, 100.0]),
        ([330.0, 86.0, 100.0], [330.0, 86.0, 100.0]),
        ([165.0, 0.0, 100.0], [165.0, 0.0, 100.0]),
        ([165.0, 172.0, 100.0], [165.0, 172.0, 100.0]),
        ([165.0, 86.0, 215.9], [165.0, 86.0, 215.0]),
        ([165.0, 0.9, 100.0], [165.0, 0.0, 100.0]),
        ([165.0, 172.9, 100.0], [165.0, 172.0, 100.0]),
    ] {
        let installation = at(stated[0], stated[1], stated[2]).expect("on a face");
        assert_eq!(installation.warnings, []);
        let Spot::Point(1, point) = installation.site.expect("a site").mountings[1].at else { panic!("no point") };
        assert!(point.iter().zip(held).all(|(found, held)| (found * 1e3 - held).abs() < 1e-9), "{point:?}");
    }
    for (stated, said, way) in [
        ([400.0, 86.0, 100.0], "in mid-air, outside of the case of 330 x 172 x 215 mm", "along_mm = 330 (an end"),
        ([165.0, 174.0, 100.0], "in mid-air", "across_mm = 172 (a side"),
        ([165.0, 86.0, 216.1], "in mid-air", "up_mm = 215 (the top)"),
        ([165.0, 86.0, 100.0], "inside the case of 330 x 172 x 215 mm", "across_mm = 0"),
        ([165.0, 1.1, 100.0], "inside the case", "across_mm = 0 (a side"),
        ([165.0, 86.0, 5.0], "inside the case", "up_mm = 0 (the joint to the plate)"),
        ([165.0, 86.0, 210.0], "the point 165, 86, 210 mm (along, across, up) is inside the case", "up_mm = 215"),
    ] {
        let problems = at(stated[0], stated[1], stated[2]).expect_err("on no face");
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert!(problems[0].message.contains(said), "{said}: {problems:?}");
        assert!(problems[0].remedy.as_ref().is_some_and(|remedy| remedy.contains(way)), "{way}: {problems:?}");
    }
    // Beneath the battery it reads the heater, by whatever word.
    let joint = at(165.0, 86.0, 0.0).expect("a face like any other").warnings;
    assert!(joint.iter().any(|warning| warning.message.contains("beneath a battery, above the heater")), "{joint:?}");
    let problems = with("at = \"point\"\nalong_mm = 0\nup_mm = 100").expect_err("no across_mm");
    assert!(problems.len() == 1 && problems[0].message.contains("across_mm is missing"), "{problems:?}");
    let problems = with("at = \"top\"\nalong_mm = 10").expect_err("a place twice");
    assert!(problems.len() == 1 && problems[0].message.contains("goes with at = \"point\" only"), "{problems:?}");
}

#[test]
fn a_share_of_air_is_in_percent_and_of_a_thermometer_that_is_fixed_to_something() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/demo/hut.toml")).expect("the demo");
    let with = |at: &str, share: &str| {
        let line = format!("at = \"{at}\"\nair_share_pct = {share}\n");
        let text = text.replacen("at = \"between\"\nbattery = 1\n", &line, 1);
        assert!(text.contains(&line));
        Installation::parse("test", &text)
    };
    let plain = read(&text).mountings[0];
    assert!(is_near(plain.air_share, 0.05) && plain.air_share_from == ShareFrom::Default);
    let stated = with("between", "12").expect("no error");
    assert_eq!(stated.warnings, []);
    let mounting = stated.site.expect("a site").mountings[0];
    assert!(is_near(mounting.air_share, 0.12) && mounting.air_share_from == ShareFrom::File);
    for wrong in ["-0.1", "50.5", "nan", "\"much\""] {
        let problems = with("between", wrong).expect_err(wrong);
        assert_eq!(problems.len(), 1, "{wrong}: {problems:?}");
        assert!(problems[0].message.contains("air_share_pct") && problems[0].remedy.is_some(), "{problems:?}");
    }
    // A part of one where percent are meant.
    let slip = with("between", "0.05").expect("no error").warnings;
    assert!(
        slip.len() == 1 && slip[0].remedy.as_ref().is_some_and(|way| way.contains("air_share_pct = 5;")),
        "{slip:?}"
    );
    assert_eq!(with("between", "0").expect("no error").warnings, [], "embedded");
    let problems = with("air", "10").expect_err("it sees nothing else");
    assert!(problems.iter().any(|problem| problem.message.contains("air is all that it sees")), "{problems:?}");
}

/// The wind of a site in the open does not follow the box into a room by default, and one that is asked for there is refused.
#[test]
fn no_wind_reaches_a_box_in_a_room() {
    let open = Installation::parse("open", &starter()).expect("no problem").site.expect("a site");
    assert!(open.room.is_none() && is_near(open.place.exposure, 1.0));
    let text = with(&starter(), "room", "warmer_by_k", "warmer_by_k = 6");
    let site = Installation::parse("room", &text).expect("no problem").site.expect("a site");
    assert!(is_near(site.place.exposure, 0.0) && is_near(site.design_air_c(), -14.0));
    let refused = |exposure: &str| Installation::parse("wind", &with(&text, "site", "exposure_pct", exposure)).is_err();
    assert!(refused("exposure_pct = 30") && !refused("exposure_pct = 0"));
}

/// The starter with its heater on mains alone, at the voltage of that source and within the budgets (W) of engine and mains.
fn fed(fed_by: &str, rated: &str, budgets_w: [u32; 2]) -> String {
    with(&starter(), "circuit", "fed_by", &format!("fed_by = \"{fed_by}\""))
        .replace("budget_w = 300", &format!("budget_w = {}", budgets_w[0]))
        .replace("budget_w = 600\n", &format!("budget_w = {}\npower_w = 600\n{rated}\n", budgets_w[1]))
}

const RATED: &str = "rated_a = 40\nrated_v = 13.8";

#[test]
fn the_source_that_feeds_the_heater_is_found_by_its_name_whatever_its_capitals() {
    for (name, index) in [("engine", 0), ("mains", 1), ("Mains", 1), ("MAINS", 1)] {
        assert_eq!(read(&fed(name, RATED, [0, 300])).fed_by, Some(index), "{name}");
    }
    assert_eq!(read(&starter()).fed_by, None);
    let installation = Installation::parse("fed", &fed("mains", RATED, [0, 300])).expect("no error");
    assert_eq!(installation.warnings, []);
    let mut summary = Vec::new();
    installation.write_summary(&mut summary).expect("memory");
    assert!(String::from_utf8_lossy(&summary).contains("\n  the heater hangs on mains alone, at 13.8 V\n"));
}

#[test]
fn a_fault_of_the_sources_names_is_not_told_again_of_fed_by() {
    let told = |text: &str| -> Vec<String> {
        let problems = Installation::parse("fed", text).expect_err("an error");
        problems.into_iter().map(|problem| problem.message.into()).collect()
    };
    let unnamed = told(&fed("mains", RATED, [0, 300]).replace("name = \"mains\"\n", ""));
    assert!(unnamed.len() == 1 && unnamed[0].contains("name is missing"), "{unnamed:?}");
    let twice = told(&fed("mains", RATED, [0, 300]).replace("name = \"engine\"", "name = \"mains\""));
    assert!(twice.len() == 1 && twice[0].contains("and so is another"), "{twice:?}");
    // What would be said of a heater on the bank is not said of one whose source is not found.
    let unknown = told(&fed("shore", RATED, [0, 300]).replace("cells_in_series = 4", "cells_in_series = 8"));
    assert!(unknown.len() == 1 && unknown[0].contains("no [[source]] has that name"), "{unknown:?}");
}

#[test]
fn what_does_not_go_with_a_heater_on_one_source_is_told() {
    let reserve = "spend = \"always\"\nreserve_pct = 50\nresume_pct = 60";
    let plain = fed("mains", RATED, [0, 300]);
    for (text, said) in [
        (plain.replace("spend = \"never\"", reserve), "the bank cannot feed this heater"),
        (fed("mains", "", [0, 300]), "does not say at which voltage"),
        (
            fed("mains", "rated_a = 40\nrated_v = 24", [0, 300]),
            "has 24 V, and the heater may run from 11.5 V to 15 V only",
        ),
        (fed("mains", RATED, [0, 139]), "less than that takes at 13.8 V (140 W): it never heats"),
        (fed("mains", RATED, [300, 300]), "engine does not feed the heater, and has a heat budget"),
    ] {
        let warnings = Installation::parse("fed", &text).expect("no error").warnings;
        assert!(warnings.len() == 1 && warnings[0].message.contains(said), "{said}: {warnings:?}");
        assert!(warnings[0].position.is_some() && warnings[0].remedy.is_some(), "{warnings:?}");
    }
    let overloaded = Installation::parse("fed", &fed("mains", RATED, [300, 100])).expect("no error").warnings;
    assert!(overloaded.iter().any(|warning| warning.message.contains("mains is overloaded")), "{overloaded:?}");
    // It need not have the bank's voltage.
    let eight = Installation::parse("fed", &plain.replace("cells_in_series = 4", "cells_in_series = 8"));
    assert!(!eight.expect("no error").warnings.iter().any(|warning| warning.message.contains("cells_in_series")));
}

#[test]
fn a_rating_that_makes_more_power_than_a_source_may_have_is_refused() {
    let rated = |rated_v: u32| {
        let rating = format!("rated_a = 200\nrated_v = {rated_v}");
        Installation::parse("rated", &with(&starter(), "source", "rated_a", &rating))
    };
    // 200 A × 714 V × 0.7 = 99 960 W.
    assert!(rated(714).is_ok());
    let problems = rated(715).expect_err("100 100 W");
    assert!(problems.len() == 1 && problems[0].message.contains("leaves 100100 W, above 100000 W"), "{problems:?}");
}

/// A Pt100 on 400 Ω: 2 V over 500 Ω are 4 mA, and 0.05 % of 400 Ω are 0.2 Ω.
#[test]
fn a_kind_of_converter_says_what_the_file_does_not() {
    let read = |lines: &str| {
        let text = starter().replacen("\n[converter]\n", &format!("\n[converter]\n{lines}\n"), 1);
        Installation::parse("test", &text).map(|installation| installation.site.expect("a site").converter)
    };
    let near = |value: f64, wanted: f64| assert!((value / wanted - 1.0).abs() < 1e-9, "{value} for {wanted}");
    let converter = read("kind = \"rtd_module\"").expect("no error");
    assert_eq!(converter.bits, 15);
    near(converter.current_a, 0.004);
    near(converter.offset_ohm, 0.2);
    let stated = read("kind = \"rtd_module\"\noffset_ohm = 0.05\nbits = 14").expect("no error");
    assert_eq!(stated.bits, 14);
    near(stated.offset_ohm, 0.05);
    near(stated.current_a, 0.004);
    assert!(!stated.one_reference && read("").expect("no error").one_reference);
    let problems = read("kind = \"module\"").unwrap_err();
    assert!(problems[0].to_string().contains("\"rtd_module\""), "{problems:?}");
}

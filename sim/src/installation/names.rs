//! What a fitter probably meant by an unknown name.

use super::site::table as site;
use crate::decimal::Decimal;
use forewarm_core::settings::{TABLE, Thousandths};
use toml::de::DeValue;

/// A likely meaning.
pub(super) struct Guess {
    /// The key that exists.
    pub(super) key: &'static str,
    /// What to write, as a remedy.
    pub(super) remedy: String,
}

/// The key among `known` that `name` was probably meant to be.
pub(super) fn guess(name: &str, value: &DeValue, known: &[&'static str]) -> Option<Guess> {
    other_unit(name, value, known).or_else(|| {
        let key = known.iter().copied().min_by_key(|key| distance(name, key))?;
        let remedy = match value {
            DeValue::Table(_) => format!("[{key}]"),
            DeValue::Array(_) if holds_settings(value) => format!("[[{key}]]"),
            _ => key.to_owned(),
        };
        (is_slip(name, key) || key.split('_').next() == Some(&*name.to_lowercase())).then_some(Guess { key, remedy })
    })
}

/// Whether a value is a section, or a list of them.
pub(super) fn holds_settings(value: &DeValue) -> bool {
    match value {
        DeValue::Table(_) => true,
        DeValue::Array(items) => items.iter().any(|item| item.get_ref().is_table()),
        _ => false,
    }
}

/// Whether `name` is `key` with at most a third of its letters wrong. With more it is another word.
pub(super) fn is_slip(name: &str, key: &str) -> bool {
    distance(name, key) * 3 <= key.chars().count().max(3)
}

fn distance(name: &str, key: &str) -> usize {
    strsim::damerau_levenshtein(&name.to_lowercase().replace(['-', ' '], "_"), key)
}

/// Where `name` exists, if it is a setting of another section.
pub(super) fn elsewhere(name: &str) -> Option<String> {
    let numbers = TABLE.iter().chain(site::TABLE).map(|fact| (fact.section, fact.name));
    let texts = site::TEXTS.iter().map(|text| (text.section, text.name));
    let homes: Vec<String> = numbers
        .chain(texts)
        .filter(|(_, known)| *known == name)
        .map(|(section, _)| match section {
            "channel" | "source" | "thermal_cutout" => format!("a [[{section}]]"),
            "charge.ceiling" => "a point of charge.ceiling".to_owned(),
            _ => format!("[{section}]"),
        })
        .collect();
    let (last, rest) = homes.split_last()?;
    Some(if rest.is_empty() {
        format!("put it into {last}")
    } else {
        format!("put it into {} or {last}", rest.join(", "))
    })
}

/// A unit at the end of a name, and how to convert from it to the unit that holds its quantity: (number + `before`) ×
/// `times` / `over`, with `before` in thousandths.
struct Unit {
    suffix: &'static str,
    quantity: Quantity,
    before: i64,
    times: i64,
    over: i64,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Quantity {
    Temperature,
    Difference,
    Rate,
    Time,
    Power,
    Energy,
    Voltage,
    Charge,
    Resistance,
    Part,
    Length,
    Area,
    Mass,
    Current,
    Speed,
    Irradiance,
    Film,
    Conductivity,
    SpecificHeat,
    SelfHeating,
}

/// The longest suffixes come first, so that `k_per_min` is not taken for `min`.
#[rustfmt::skip]
const UNITS: &[Unit] = {
    use Quantity::{
        Area, Charge, Conductivity, Current, Difference, Energy, Film, Irradiance, Length, Mass, Part, Power, Rate, Resistance,
        SelfHeating, SpecificHeat, Speed, Temperature, Time, Voltage,
    };
    const fn unit(suffix: &'static str, quantity: Quantity, before: i64, times: i64, over: i64) -> Unit {
        Unit { suffix, quantity, before, times, over }
    }
    &[
        unit("w_per_m2_k", Film, 0, 1, 1), unit("w_per_m_k", Conductivity, 0, 1, 1), unit("mw_per_m_k", Conductivity, 0, 1, 1000),
        unit("kj_per_kg_k", SpecificHeat, 0, 1000, 1), unit("j_per_kg_k", SpecificHeat, 0, 1, 1),
        unit("k_per_mw", SelfHeating, 0, 1000, 1), unit("k_per_w", SelfHeating, 0, 1, 1), unit("w_m2", Irradiance, 0, 1, 1),
        unit("m_s", Speed, 0, 1, 1), unit("km_h", Speed, 0, 5, 18), unit("kmh", Speed, 0, 5, 18), unit("kn", Speed, 0, 463, 900),
        unit("k_per_min", Rate, 0, 1, 1), unit("k_per_s", Rate, 0, 60, 1), unit("k_per_h", Rate, 0, 1, 60),
        unit("percent", Part, 0, 1, 1), unit("pct", Part, 0, 1, 1), unit("ppm", Part, 0, 1, 10_000), unit("c_rate", Part, 0, 100, 1),
        unit("kohm", Resistance, 0, 1000, 1), unit("mohm", Resistance, 0, 1, 1000), unit("ohms", Resistance, 0, 1, 1), unit("ohm", Resistance, 0, 1, 1),
        unit("kwh", Energy, 0, 1000, 1), unit("wh", Energy, 0, 1, 1), unit("kj", Energy, 0, 10, 36), unit("j", Energy, 0, 1, 3600),
        unit("mah", Charge, 0, 1, 1000), unit("ah", Charge, 0, 1, 1),
        unit("hours", Time, 0, 3600, 1), unit("hour", Time, 0, 3600, 1), unit("h", Time, 0, 3600, 1), unit("min", Time, 0, 60, 1),
        unit("ms", Time, 0, 1, 1000), unit("sec", Time, 0, 1, 1), unit("s", Time, 0, 1, 1),
        unit("kw", Power, 0, 1000, 1), unit("mw", Power, 0, 1, 1000), unit("w", Power, 0, 1, 1),
        unit("kv", Voltage, 0, 1000, 1), unit("mv", Voltage, 0, 1, 1000), unit("v", Voltage, 0, 1, 1),
        unit("mk", Difference, 0, 1, 1000), unit("k", Difference, 0, 1, 1), unit("deg", Difference, 0, 1, 1),
        unit("mm2", Area, 0, 1, 1), unit("cm2", Area, 0, 100, 1),
        unit("mm", Length, 0, 1, 1), unit("cm", Length, 0, 10, 1), unit("m", Length, 0, 1000, 1), unit("in", Length, 0, 127, 5),
        unit("kg", Mass, 0, 1, 1), unit("g", Mass, 0, 1, 1000), unit("lb", Mass, 0, 45_359_237, 100_000_000),
        unit("ma", Current, 0, 1, 1000), unit("a", Current, 0, 1, 1),
        unit("f", Temperature, -32_000, 5, 9), unit("k", Temperature, -273_150, 1, 1), unit("c", Temperature, 0, 1, 1),
    ]
};

/// A name as quantity and unit. The unit is empty if the name has none.
fn split(name: &str) -> (&str, &str) {
    UNITS
        .iter()
        .find_map(|unit| Some((name.strip_suffix(unit.suffix)?.strip_suffix('_')?, unit.suffix)))
        .unwrap_or((name, ""))
}

/// The key of the same quantity in its own unit. The value is converted if the result has at most three decimals.
fn other_unit(name: &str, value: &DeValue, known: &[&'static str]) -> Option<Guess> {
    let name = name.to_lowercase();
    let (stem, given) = split(&name);
    let mut same = known.iter().copied().filter(|key| split(key).0 == stem && *key != stem);
    let key = same.next()?;
    // Two quantities share one stem, such as a reserve in % and in V. Only the unit shows which is meant.
    let key = if given.is_empty() && same.next().is_some() { return None } else { key };
    let key = if given.is_empty() {
        key
    } else {
        known
            .iter()
            .copied()
            .find(|key| split(key).0 == stem && converted(given, split(key).1, 0).is_some())
            .unwrap_or(key)
    };
    let unit = split(key).1;
    let number = match value {
        DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse::<Decimal>().ok(),
        DeValue::Float(number) => number.as_str().parse::<Decimal>().ok(),
        _ => None,
    };
    let thousandths = number.and_then(|number| number.parts(3).ok());
    let written = match thousandths {
        Some(value) if given.is_empty() => Some(value),
        Some(value) => converted(given, unit, value),
        None => None,
    };
    Some(Guess {
        key,
        remedy: match written {
            Some(value) => format!("{key} = {}", Thousandths(value)),
            None => format!("{key}: the end of a name is its unit"),
        },
    })
}

/// Converts `value` (thousandths) from the unit `from` to the unit `to`. Nothing if the two do not measure the same.
fn converted(from: &str, to: &str, value: i64) -> Option<i64> {
    UNITS.iter().filter(|unit| unit.suffix == from).find_map(|from| {
        let to = UNITS.iter().find(|unit| unit.suffix == to && unit.quantity == from.quantity)?;
        let wide = (i128::from(value) + i128::from(from.before)) * i128::from(from.times) * i128::from(to.over);
        let by = i128::from(from.over) * i128::from(to.times);
        let rounded = (2 * wide + by).div_euclid(2 * by);
        i64::try_from(rounded - i128::from(to.before)).ok()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const CHARGE: &[&str] = &[
        "inhibit_c",
        "release_c",
        "high_limit_c",
        "soak_min",
        "min_off_s",
        "overdue_after_h",
        "capacity_ah",
        "ceiling",
    ];

    fn remedy(line: &str, known: &[&'static str]) -> Option<String> {
        let (name, value) = line.split_once(" = ").unwrap();
        let value = DeValue::parse(value).unwrap();
        guess(name, value.get_ref(), known).map(|guess| guess.remedy)
    }

    #[test]
    fn another_unit_is_converted() {
        for (line, right) in [
            ("release_f = 45", "release_c = 7.222"),
            ("release_k = 281.15", "release_c = 8"),
            ("soak_s = 1800", "soak_min = 30"),
            ("soak_h = 0.5", "soak_min = 30"),
            ("min_off_min = 2", "min_off_s = 120"),
            ("capacity_mah = 200_000", "capacity_ah = 200"),
            ("release = 8", "release_c = 8"),
            ("Release_C = 8", "release_c = 8"),
            ("release_bar = 8", "release_c"),
        ] {
            assert_eq!(remedy(line, CHARGE).as_deref(), Some(right), "{line}");
        }
        for (line, known, right) in [
            ("length_m = 0.33", "length_mm", "length_mm = 330"),
            ("length_cm = 33", "length_mm", "length_mm = 330"),
            ("length_in = 13", "length_mm", "length_mm = 330.2"),
            ("mass_g = 11500", "mass_kg", "mass_kg = 11.5"),
            ("mass_lb = 25", "mass_kg", "mass_kg = 11.34"),
            ("design_wind_km_h = 18", "design_wind_m_s", "design_wind_m_s = 5"),
            ("current_a = 0.001", "current_ma", "current_ma = 1"),
            ("gain_pct = 0.002", "gain_ppm", "gain_ppm = 20"),
            ("self_heating_k_per_mw = 0.2", "self_heating_k_per_w", "self_heating_k_per_w = 200"),
            ("specific_heat_kj_per_kg_k = 1.05", "specific_heat_j_per_kg_k", "specific_heat_j_per_kg_k = 1050"),
        ] {
            assert_eq!(remedy(line, &[known]).as_deref(), Some(right), "{line}");
        }
        assert_eq!(remedy("power_kw = 0.3", &["power_w"]).as_deref(), Some("power_w = 300"));
        assert_eq!(remedy("proof_j = 36000", &["proof_wh", "proof_rise_k"]).as_deref(), Some("proof_wh = 10"));
        assert_eq!(remedy("reserve_mv = 12500", &["reserve_pct", "reserve_v"]).as_deref(), Some("reserve_v = 12.5"));
    }

    #[test]
    fn a_name_of_other_sections_is_sent_to_them() {
        assert_eq!(elsewhere("soak_min").as_deref(), Some("put it into [charge]"));
        assert_eq!(elsewhere("thickness_mm").as_deref(), Some("put it into [plate], [pad] or [box]"));
        assert_eq!(elsewhere("cable_m").as_deref(), Some("put it into a [[channel]] or [circuit]"));
        assert_eq!(elsewhere("from").as_deref(), Some("put it into [winter]"));
        assert_eq!(elsewhere("colour"), None);
    }

    #[test]
    fn a_slip_finds_its_key_and_another_word_finds_none() {
        assert_eq!(remedy("capcity_ah = 200", CHARGE).as_deref(), Some("capacity_ah"));
        assert_eq!(remedy("high-limit-c = 45", CHARGE).as_deref(), Some("high_limit_c"));
        assert_eq!(remedy("colour = 1", CHARGE), None);
    }
}

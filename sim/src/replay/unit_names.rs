//! Units in the names of columns: `Temp [°C]`, `cell (F)`, `U/V`, `t_degC`.

use super::scale::Unit;

/// A unit in the name of a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Written<'a> {
    /// One of a thermometer channel.
    Channel(Unit),
    /// Volts.
    Volts,
    /// Percent.
    Percent,
    /// Something else.
    Unknown(&'a str),
}

impl Written<'_> {
    /// As a message shows it.
    pub(super) const fn shown(&self) -> &str {
        match self {
            Self::Channel(unit) => unit.shown(),
            Self::Volts => "V",
            Self::Percent => "%",
            Self::Unknown(text) => text,
        }
    }
}

/// Splits a column's name from its unit, if the name can mean nothing but that unit.
///
/// One letter after an underscore is no unit: sensors are called a, b and c.
pub(super) fn split(name: &str) -> (&str, Option<Written<'_>>) {
    let name = name.trim();
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some((base, unit)) = name.strip_suffix(close).and_then(|inner| inner.rsplit_once(open)) {
            let unit = unit.trim();
            return (base.trim_end_matches([' ', '_']), Some(symbol(unit).unwrap_or(Written::Unknown(unit))));
        }
    }
    // A quotient of quantity and unit, as ISO 80000-1 heads the columns of a table (from memory).
    if let Some((base, unit)) = name.rsplit_once('/')
        && let Some(unit) = symbol(unit.trim())
    {
        return (base.trim_end(), Some(unit));
    }
    if let Some((base, unit)) = name.rsplit_once([' ', '_'])
        && unit.chars().count() > 1
        && !Unit::ALL.iter().any(|known| known.suffix() == unit)
        && let Some(unit) = symbol(unit)
    {
        return (base.trim_end(), Some(unit));
    }
    (name, None)
}

fn symbol(text: &str) -> Option<Written<'static>> {
    let plain: String = text.chars().filter(|c| !c.is_whitespace() && *c != '.').flat_map(char::to_lowercase).collect();
    Some(match plain.as_str() {
        "°c" | "ºc" | "℃" | "c" | "degc" | "celsius" => Written::Channel(Unit::Celsius),
        "°f" | "ºf" | "℉" | "f" | "degf" | "fahrenheit" => Written::Channel(Unit::Fahrenheit),
        "k" | "kelvin" | "degk" => Written::Channel(Unit::Kelvin),
        // The Greek letter; the sign for the unit becomes it in lower case.
        "ω" | "ohm" | "ohms" => Written::Channel(Unit::Ohms),
        "ratio" => Written::Channel(Unit::Ratio),
        "v" | "volt" | "volts" => Written::Volts,
        "%" | "pct" | "percent" => Written::Percent,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_is_parted_from_the_name_where_nothing_else_can_be_meant() {
        const CELSIUS: Option<Written<'_>> = Some(Written::Channel(Unit::Celsius));
        for (name, expected) in [
            ("Temp [°C]", ("Temp", CELSIUS)),
            ("cell_1(C)", ("cell_1", CELSIUS)),
            ("t_degC", ("t", CELSIUS)),
            ("t °C", ("t", CELSIUS)),
            ("cell (F)", ("cell", Some(Written::Channel(Unit::Fahrenheit)))),
            ("pad [K]", ("pad", Some(Written::Channel(Unit::Kelvin)))),
            ("R/Ω", ("R", Some(Written::Channel(Unit::Ohms)))),
            ("R [\u{2126}]", ("R", Some(Written::Channel(Unit::Ohms)))),
            ("U/V", ("U", Some(Written::Volts))),
            ("soc [%]", ("soc", Some(Written::Percent))),
            ("bank [mV]", ("bank", Some(Written::Unknown("mV")))),
            ("temp_c", ("temp_c", None)),
            ("in/out", ("in/out", None)),
            ("cell 1", ("cell 1", None)),
            ("", ("", None)),
        ] {
            assert_eq!(split(name), expected, "{name}");
        }
    }
}

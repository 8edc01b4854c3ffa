//! `[winter]`: which weather, how long, and how it begins.

use super::table::Key;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::site::{ColdSpell, WeatherSource, Winter};
use jiff::civil::Date;

pub(super) fn read<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Winter {
    let winter = Winter {
        weather: weather(reader, section),
        from: from(reader, section),
        days: reader.whole(section, Key::Days),
        offset_k: reader.real(section, Key::WeatherOffset),
        start_c: reader.given(section, Key::Start),
        start_charge: reader.real(section, Key::StartCharge),
    };
    if let WeatherSource::ColdSpell(spell) = &winter.weather
        && spell.spell_days > 0
        && spell.spell_from_day >= winter.days
        && !reader.doubts_any(section, &[Key::SpellFrom, Key::SpellDays, Key::Days])
    {
        let message = format!(
            "winter.spell_from_day is {}, and the rehearsal ends after {} days, counted from 0",
            spell.spell_from_day, winter.days
        );
        let why = Some("the cold spell never comes, and it is what a rehearsal is for");
        let remedy = format!("spell_from_day = {}, or more days", winter.days / 3);
        let span = section.key_span("spell_from_day");
        reader.findings.add(Severity::Warning, span.as_ref(), "winter.spell_from_day", message, why, remedy);
    }
    winter
}

/// The keys of made-up weather.
const MADE_UP: [Key; 7] =
    [Key::Mean, Key::DailySwing, Key::SpellMean, Key::SpellFrom, Key::SpellDays, Key::Wind, Key::Noon];

fn weather<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> WeatherSource {
    let file = super::path(reader, section, "weather");
    let made_up = MADE_UP.iter().map(|key| key.fact().name).find(|name| section.has(name));
    if let Some(file) = file {
        for key in MADE_UP {
            let _ = reader.given(section, key);
        }
        if let Some(name) = made_up {
            let place = section.place(name);
            let message = format!("{place} does not go with winter.weather");
            let remedy = "one of the two: weather out of a file, or made up of mean_c and what goes with it";
            reader.findings.error(section.key_span(name).as_ref(), &place, message, remedy);
        }
        return WeatherSource::File(file);
    }
    if made_up.is_none() && !section.has("weather") {
        let remedy =
            "weather = \"weather.csv\", a file; or mean_c, spell_c, spell_from_day and spell_days, to make it up";
        section.lacks("weather", remedy);
        for key in MADE_UP {
            let _ = section.get(key.fact().name);
        }
        return WeatherSource::File("weather.csv".into());
    }
    if made_up.is_none() {
        // Already reported: the value is no file name.
        return WeatherSource::File("weather.csv".into());
    }
    let spell = ColdSpell {
        mean_c: reader.real(section, Key::Mean),
        daily_swing_k: reader.real(section, Key::DailySwing),
        spell_c: reader.real(section, Key::SpellMean),
        spell_from_day: reader.whole(section, Key::SpellFrom),
        spell_days: reader.whole(section, Key::SpellDays),
        wind_m_s: reader.real(section, Key::Wind),
        noon_w_m2: reader.real(section, Key::Noon),
    };
    WeatherSource::ColdSpell(spell)
}

/// Month and day, as in any year.
fn from<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<(i8, i8)> {
    let text = reader.text(section, "from")?;
    let parsed = text.split_once('-').and_then(|(month, day)| {
        let number = |text: &str| {
            (text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit())).then(|| text.parse::<i8>().ok())?
        };
        // A year without a leap day, because a season may begin in any year.
        let date = Date::new(2001, number(month)?, number(day)?).ok()?;
        Some((date.month(), date.day()))
    });
    if parsed.is_none() {
        let message =
            format!("winter.from is \"{}\", not a month and a day of every year", crate::diagnostic::excerpt(text));
        let remedy = "from = \"11-01\" for the first of November";
        reader.findings.error(section.key_span("from").as_ref(), "winter.from", message, remedy);
    }
    parsed
}

//! What `[[source]]` says apart from the settings, and `[load]`: who gives and who takes, and when.

use super::table::Key;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::row::real;
use crate::installation::values::Reader;
use crate::si;
use crate::site::{Load, Presence, Rating, Site, Supply};
use forewarm_core::settings::{Key as Setting, Place as SettingPlace, Settings, Source};

/// Reads what each source gives.
pub(super) fn read<'t>(reader: &mut Reader<'t>, sections: &mut [Section<'t>], settings: &Settings) -> Vec<Supply> {
    sections.iter_mut().zip(&settings.sources).map(|(section, source)| supply(reader, section, source)).collect()
}

fn supply<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, source: &Source) -> Supply {
    let power_w = reader.given(section, Key::SupplyPower);
    let presence = presence(reader, section);
    let rating = rating(reader, section);
    // Without its voltage, a rating gives no power to play.
    let rated_w = rating.and_then(|rating| rating.rated_v.map(|volts| rating.leaves_w(volts)));
    let most_w = real(Key::SupplyPower.fact().maximum);
    if let Some(rated_w) = rated_w.filter(|&rated_w| power_w.is_none() && rated_w > most_w) {
        let place = section.place("rated_a");
        let message = format!(
            "{place} at rated_v, less derate_pct and other_loads_w, leaves {} W, above {most_w} W",
            rated_w.floor()
        );
        let remedy = "rated_a and rated_v as the source's plate or data sheet has them";
        reader.findings.error(section.key_span("rated_a").as_ref(), &place, message, remedy);
    }
    Supply { power_w: power_w.or(rated_w).unwrap_or_else(|| si::watts(source.budget)), presence, rating }
}

/// Three ways to say when a source is there.
const PRESENCE: [&str; 3] = ["schedule", "sun_at_least_w_m2", "log"];

fn presence<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Presence {
    let schedule = super::schedule(reader, section);
    let sun = reader.given(section, Key::SunAtLeast);
    let log = super::path(reader, section, "log");
    let mut said = PRESENCE.into_iter().filter(|name| section.has(name));
    if let (Some(first), Some(second)) = (said.next(), said.next()) {
        let place = section.place(second);
        let message = format!("{place} does not go with {first}");
        let remedy = "one of schedule, sun_at_least_w_m2 and log: each says when the source is there";
        reader.findings.error(section.key_span(second).as_ref(), &place, message, remedy);
    }
    match (schedule, sun, log) {
        (Some(schedule), _, _) => Presence::Weekly(schedule),
        (None, Some(at_least_w_m2), _) => Presence::Sun { at_least_w_m2 },
        (None, None, Some(log)) => Presence::Log(log),
        (None, None, None) => Presence::Never,
    }
}

fn rating<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<Rating> {
    let rated_a = reader.given(section, Key::Rated);
    let rated_v = reader.given(section, Key::RatedVoltage);
    let (derate, other_loads_w) = (reader.real(section, Key::Derate), reader.real(section, Key::OtherLoads));
    if rated_a.is_none()
        && let Some(given) =
            [Key::RatedVoltage, Key::Derate, Key::OtherLoads].iter().find(|key| section.has(key.fact().name))
    {
        let remedy = format!("rated_a, the rated current of the source; or leave out {}", given.fact().name);
        section.lacks("rated_a", remedy);
    }
    Some(Rating { rated_a: rated_a?, rated_v, derate, other_loads_w })
}

/// Faults of the sources that a rehearsal would show, and that were probably not intended.
pub(super) fn judge(reader: &mut Reader, sections: &[Section], site: &Site, settings: &Settings) {
    for (index, ((section, supply), source)) in sections.iter().zip(&site.supplies).zip(&settings.sources).enumerate() {
        let said = PRESENCE.iter().any(|name| section.has(name));
        if !said {
            let message = format!("{} says nowhere when it is there", section.path);
            let why = Some("in a rehearsal it never is");
            let remedy = "schedule = \"mon-fri 07:30-08:30\", sun_at_least_w_m2 = 150, or log = \"file.csv\"";
            reader.findings.add(Severity::Warning, section.span.as_ref(), &section.path, message, why, remedy);
        }
        let doubtful = reader.doubts(SettingPlace::at(Setting::Budget, index))
            || reader
                .doubts_any(section, &[Key::SupplyPower, Key::Rated, Key::RatedVoltage, Key::Derate, Key::OtherLoads]);
        let budget_w = si::watts(source.budget);
        if supply.power_w < budget_w && !doubtful {
            let (key, given_w, what) = if section.has("power_w") {
                ("power_w", supply.power_w, "is")
            } else {
                // Rounded down to a whole watt, so that it is never more than the source has.
                ("rated_a", supply.power_w.floor(), "at rated_v, less derate_pct and other_loads_w, leaves")
            };
            let place = section.place(key);
            let message = format!("{place} {what} {given_w} W, below budget_w ({budget_w} W)");
            let why = Some("the controller may then ask the source for more than it has");
            let remedy = format!("budget_w = {given_w}, or what the source really gives");
            reader.findings.add(Severity::Warning, section.key_span(key).as_ref(), &place, message, why, remedy);
        }
    }
}

/// Reads what else draws from the bank.
pub(super) fn load<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Load {
    let constant_w = reader.real(section, Key::LoadPower);
    let scheduled_w = reader.given(section, Key::ScheduledPower);
    let schedule = super::schedule(reader, section);
    match (scheduled_w.is_some(), section.has("schedule")) {
        (true, false) => section.lacks("schedule", "schedule = \"mon-fri 18:00-22:00\"; or leave out scheduled_w"),
        (false, true) => section.lacks("scheduled_w", "scheduled_w, drawn then (W); or leave out schedule"),
        (true, true) | (false, false) => {}
    }
    Load { constant_w, scheduled: scheduled_w.zip(schedule) }
}

//! `fed_by` in `[circuit]`: the one source that feeds the heater, and whether the rest of the file suits it.

use super::table::Key;
use crate::diagnostic::{Severity, excerpt};
use crate::feed::Feed;
use crate::installation::document::{Section, describe};
use crate::installation::names::is_slip;
use crate::installation::quantities::Kind;
use crate::installation::values::{Doubt, Reader};
use crate::site::Site;
use forewarm_core::settings::{Key as Setting, Place, Settings};

/// The key.
const NAME: &str = "fed_by";

/// The place that messages name for it.
pub(in crate::installation) const PLACE: &str = "circuit.fed_by";

/// The index of the source that the file names; nothing if it names none. A name that no source has is reported, and
/// noted as doubtful.
///
/// Capitals do not matter: no two sources differ in capitals alone.
pub(super) fn read<'t>(
    reader: &mut Reader<'t>,
    section: &mut Section<'t>,
    sources: &[Section],
    names: &[String],
) -> Option<usize> {
    let value = reader.text_of(section, NAME, Kind::Word(names.to_vec()))?;
    let text = value.get_ref().as_str();
    let is_named = |text: &str, name: &String| name.to_lowercase() == text.to_lowercase();
    let named: Vec<usize> =
        (0..names.len()).filter(|&index| text.is_some_and(|text| is_named(text, &names[index]))).collect();
    if let [index] = named[..] {
        return Some(index);
    }
    reader.doubt_number(PLACE.to_owned());
    // Already reported: two sources with one name, one with no name yet, or a list that could not be read.
    let unnamed = names.iter().zip(sources).any(|(name, source)| *name == source.path);
    if !named.is_empty() || unnamed || reader.doubts(Doubt::Sources) {
        return None;
    }
    let message = match text {
        Some(text) => format!("{PLACE} is \"{}\", and no [[source]] has that name", excerpt(text)),
        None => format!("{PLACE} is {}, not the name of a [[source]]", describe(value.get_ref())),
    };
    let why = Some("it names the one source that the heater hangs on");
    let listed: Vec<String> = names.iter().map(|name| format!("\"{}\"", excerpt(name))).collect();
    let near =
        text.filter(|text| !text.trim().is_empty()).and_then(|text| names.iter().find(|name| is_slip(text, name)));
    let remedy = match (near, listed.split_last()) {
        (_, None) => "a [[source]] of that name; or leave out fed_by for a heater on the bank".to_owned(),
        (Some(near), Some((_, rest))) if !rest.is_empty() => {
            format!("{NAME} = \"{}\" (it may be {})", excerpt(near), either(&listed))
        }
        (_, Some(_)) => {
            format!("{NAME} = {}; or leave it out for a heater on the bank, with all sources", either(&listed))
        }
    };
    reader.findings.add(Severity::Error, section.key_span(NAME).as_ref(), PLACE, message, why, remedy);
    None
}

/// `"a", "b" or "c"`.
fn either(quoted: &[String]) -> String {
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => quoted.concat(),
    }
}

/// Reports what does not suit a heater that one source feeds, as a plan would find it. Leaves out what is already in
/// doubt.
pub(super) fn judge(
    reader: &mut Reader,
    section: &Section,
    sources: &[Section],
    names: &[String],
    site: &Site,
    settings: &Settings,
) {
    let Some((feed, source)) = Feed::of(settings, site, names).zip(site.fed_by.and_then(|index| sources.get(index)))
    else {
        return;
    };
    let doubts = |keys: &[Setting]| keys.iter().any(|&key| reader.doubts(Place::of(key)));
    let heater_doubtful = doubts(&[Setting::HeaterNominal, Setting::HeaterPower]);
    let limits_doubtful = heater_doubtful || doubts(&[Setting::SupplyMin, Setting::SupplyMax]);
    // A rated voltage without a current is no rating. That is already reported.
    let volts_doubtful = reader.doubts_any(source, &[Key::RatedVoltage, Key::Rated])
        || source.has(Key::RatedVoltage.fact().name) && site.feed_v().is_none();
    let budgets_doubtful = (0..sources.len()).any(|index| reader.doubts(Place::at(Setting::Budget, index)));
    let bank_doubtful = reader.doubts(Doubt::Bank);
    let found = [
        feed.bank().filter(|_| !bank_doubtful),
        feed.voltage().filter(|_| !volts_doubtful && !limits_doubtful),
        feed.budget().filter(|_| !volts_doubtful && !limits_doubtful && !budgets_doubtful && !bank_doubtful),
        feed.others().filter(|_| !budgets_doubtful),
        feed.mains().filter(|_| !heater_doubtful),
    ];
    let span = section.key_span(NAME);
    for finding in found.into_iter().flatten() {
        let remedy = finding.change.unwrap_or_default();
        reader.findings.add(Severity::Warning, span.as_ref(), PLACE, finding.text, None, remedy);
    }
}

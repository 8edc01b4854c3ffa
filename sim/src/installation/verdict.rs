//! What the core finds wrong with the settings as a whole, reported where the fitter wrote it.

use super::row::range;
use super::values::{Doubt, Reader, seconds};
use crate::diagnostic::Severity;
use forewarm_core::settings::{Fact, Key, Place, Role, Settings, SettingsError, Thousandths};

/// Reports every [`SettingsError`], unless it follows from a fault that is already reported.
pub(super) fn judge(reader: &mut Reader, settings: &Settings) {
    let mut errors = Vec::new();
    settings.check(|error| errors.push(error));
    for error in errors {
        match error {
            SettingsError::OutsideRange { place, .. } if reader.doubts(place) => {}
            SettingsError::OutsideRange { place, .. } => {
                tell(reader, place, error.to_string(), &error, range(place.key.fact()));
            }
            SettingsError::NotBelow { lower, lower_value, upper, upper_value, why } => {
                if !reader.doubts(lower) && !reader.doubts(upper) {
                    let order = Order { lower, lower_value, upper, upper_value };
                    order.report(reader, settings, why);
                }
            }
            SettingsError::NoCell => {
                if !reader.doubts(Doubt::Channels) && !reader.doubts(Doubt::Role) {
                    let remedy = "a [[channel]] with role = \"cell\", in or between the batteries";
                    reader.findings.add(Severity::Error, None, "channel", error.to_string(), Some(error.why()), remedy);
                }
            }
            SettingsError::NoCeiling => {
                if !reader.doubts(Doubt::Ceiling) {
                    let remedy = "at least one point: ceiling = [ { cell_c = 5, c_rate = 0.1 } ]";
                    reader.findings.add(
                        Severity::Error,
                        None,
                        "charge.ceiling",
                        error.to_string(),
                        Some(error.why()),
                        remedy,
                    );
                }
            }
            SettingsError::NoPad => {
                if !reader.doubts(Doubt::Channels) && !reader.doubts(Doubt::Role) {
                    let remedy = "a [[channel]] with role = \"pad\", on the plate; or leave out cooling_min and cooling_excess_k";
                    let place = Place::of(Key::CoolingAfter);
                    tell(reader, place, error.to_string(), &error, remedy.to_owned());
                }
            }
            SettingsError::NeverProven { most } => {
                let keys = [Key::ProofEnergy, Key::MaxRun, Key::HeaterPower];
                if !keys.into_iter().any(|key| reader.doubts(Place::of(key))) {
                    let remedy = format!("proof_wh = {}, half of that, or more max_run_h", Thousandths(most / 2));
                    tell(reader, Place::of(Key::ProofEnergy), error.to_string(), &error, remedy);
                }
            }
            SettingsError::SagTooLarge { most } => {
                let keys = [Key::ReserveSag, Key::ReserveFloorVoltage];
                if !keys.into_iter().any(|key| reader.doubts(Place::of(key))) {
                    let remedy = format!(
                        "sag_v = {} or less, and thicker or shorter leads where the drop is larger",
                        Thousandths(most.as_millivolts().into())
                    );
                    tell(reader, Place::of(Key::ReserveSag), error.to_string(), &error, remedy);
                }
            }
            SettingsError::OffsetTooLow { channel, limit, .. } => {
                let place = Place { key: Key::Offset, index: channel };
                if !reader.doubts(place) && !reader.doubts(Place::of(limit)) && !reader.doubts(Doubt::Role) {
                    let remedy = format!("offset_k nearer to 0, or a lower {}", Place::of(limit));
                    tell(reader, place, error.to_string(), &error, remedy);
                }
            }
            SettingsError::ReferenceTooSmall { channel, least } => {
                let place = Place { key: Key::Reference, index: channel };
                if !channel_is_doubtful(reader, place) {
                    let channel = settings.channels.get(usize::from(channel));
                    let r0 = channel.map_or(100, |channel| match channel.role {
                        Role::Check(check) => check.nominal.as_micro_ohms() / 1_000_000,
                        Role::Cell | Role::Pad | Role::Ambient => channel.element.r0().as_micro_ohms() / 1_000_000,
                    });
                    let message = format!(
                        "{place} is {} Ω, too small for the element, which needs more than {} Ω",
                        Thousandths(settings.value(place).unwrap_or(0)),
                        least.as_micro_ohms().div_ceil(1_000_000)
                    );
                    let remedy =
                        format!("reference_ohm = {}, about four times the resistance at 0 °C", (4 * r0).min(16_000));
                    tell(reader, place, message, &error, remedy);
                }
            }
            SettingsError::Unmeasurable { channel } => {
                let place = Place { key: Key::Offset, index: channel };
                if !channel_is_doubtful(reader, place) {
                    let remedy = "offset_k nearer to 0, or trust.plausible_low_c and trust.plausible_high_c within -55 to 145 °C";
                    let span = reader.span(place).or(reader.span(Place::of(Key::PlausibleLow))).cloned();
                    let name = place.to_string();
                    let message = error.to_string();
                    reader.findings.add(Severity::Error, span.as_ref(), &name, message, Some(error.why()), remedy);
                }
            }
        }
    }
}

/// Reports what is wrong with the setting at `place`, where it is written.
fn tell(reader: &mut Reader, place: Place, message: String, error: &SettingsError, remedy: String) {
    let span = reader.span(place).cloned();
    reader.findings.add(Severity::Error, span.as_ref(), &place.to_string(), message, Some(error.why()), remedy);
}

/// Whether anything that decides what this channel can measure is a stand-in.
fn channel_is_doubtful(reader: &Reader, place: Place) -> bool {
    let own = [
        Key::Reference,
        Key::LeadLoop,
        Key::LeadTemperature,
        Key::LeadLeast,
        Key::LeadMost,
        Key::Offset,
        Key::CheckOhm,
        Key::CheckWithin,
    ];
    reader.doubts(Doubt::Element(usize::from(place.index)))
        || own.into_iter().any(|key| reader.doubts(Place { key, ..place }))
        || [Key::PlausibleLow, Key::PlausibleHigh].into_iter().any(|key| reader.doubts(Place::of(key)))
}

/// Two settings in the wrong order.
struct Order {
    lower: Place,
    lower_value: i64,
    upper: Place,
    upper_value: i64,
}

impl Order {
    fn report(&self, reader: &mut Reader, settings: &Settings, why: &str) {
        let (lower, upper) = (reader.span(self.lower).cloned(), reader.span(self.upper).cloned());
        // Reported at the later of the two: there the fitter broke the order.
        let at_upper = match (&lower, &upper) {
            (Some(lower), Some(upper)) => upper.start > lower.start,
            (lower, _) => lower.is_none(),
        };
        let (here, there, here_value, there_value, relation) = if at_upper {
            (self.upper, self.lower, self.upper_value, self.lower_value, "not above")
        } else {
            (self.lower, self.upper, self.lower_value, self.upper_value, "not below")
        };
        let swapped = self.look_swapped(reader, settings);
        let message = format!(
            "{here} {}, {relation} {there} ({}{}){}",
            stated(settings, here, here_value, "is ", ", which leads to "),
            stated(settings, there, there_value, "", ", which leads to "),
            if reader.span(there).is_none() { ", the default" } else { "" },
            if swapped { ": the two look swapped" } else { "" },
        );
        // Names the other setting in full where its own name is not enough to find it.
        let Fact { section, name, .. } = *there.key.fact();
        let there_shown = if here.key != there.key && here.key.fact().section == section {
            name.to_owned()
        } else {
            there.to_string()
        };
        let ways = [(here, here.key.fact().name), (there, &*there_shown)];
        let ways: Vec<String> = ways
            .into_iter()
            .filter_map(|(place, name)| Some(format!("{name} = {}", Thousandths(self.way_out(place, settings)?))))
            .collect();
        let remedy = if swapped && is_safe(self.lower.key, self.upper_value) {
            let name = |place: Place| place.key.fact().name;
            let (low, high) = (Thousandths(self.upper_value), Thousandths(self.lower_value));
            format!(
                "{} = {low} and {} = {high}, if they are; if not, {}",
                name(self.lower),
                name(self.upper),
                ways.join(", or ")
            )
        } else if ways.is_empty() {
            "change both, a little at a time".to_owned()
        } else {
            ways.join(", or ")
        };
        let span = if at_upper { upper } else { lower };
        reader.findings.add(Severity::Error, span.as_ref(), &here.to_string(), message, Some(why), remedy);
    }

    /// Whether each of the two values suits the other setting. Both must be written, have one section and unit, and
    /// differ by enough to be meant.
    fn look_swapped(&self, reader: &Reader, settings: &Settings) -> bool {
        let (lower, upper) = (self.lower.key.fact(), self.upper.key.fact());
        (lower.section, lower.unit, self.lower.index) == (upper.section, upper.unit, self.upper.index)
            && [(self.lower, self.lower_value), (self.upper, self.upper_value)]
                .into_iter()
                .all(|(place, judged)| reader.span(place).is_some() && settings.value(place) == Some(judged))
            && self.lower_value - self.upper_value >= margin(self.lower.key)
            && upper.allows(self.lower_value)
            && lower.allows(self.upper_value)
    }

    /// A value for `place` that puts the two in order, with a useful distance between them. Its default, if that does
    /// so.
    fn way_out(&self, place: Place, settings: &Settings) -> Option<i64> {
        let fact = place.key.fact();
        let scale = |place: Place| seconds(place.key.fact().unit);
        // How far the order is broken, in the smaller of the two units.
        let excess =
            self.lower_value.checked_mul(scale(self.lower))? - self.upper_value.checked_mul(scale(self.upper))?;
        // A hysteresis must also exceed the noise.
        let noise = if place.key.fact().unit == "°C" { settings.value(Place::of(Key::Noise))? + 1_000 } else { 0 };
        let needed = (excess + scale(place) - 1).div_euclid(scale(place)) + margin(place.key).max(noise);
        let value = settings.value(place)?;
        let gained = |candidate: i64| if place == self.lower { value - candidate } else { candidate - value };
        let moved = if place == self.lower { value - needed } else { value + needed };
        let candidate = fact.default.filter(|&default| gained(default) >= needed).unwrap_or(moved);
        (fact.allows(candidate) && is_safe(place.key, candidate)).then_some(candidate)
    }
}

/// Whether a value may be proposed. `check` warns of an inhibit threshold below 5 °C, so it does not propose one. The
/// hard limit of the cells is for their maker to state.
fn is_safe(key: Key, value: i64) -> bool {
    match key {
        Key::HardLimit => false,
        Key::Inhibit => value >= 5_000,
        _ => true,
    }
}

/// `is 5 °C`. Adds what follows from it, if that was judged.
fn stated(settings: &Settings, place: Place, judged: i64, before: &str, between: &str) -> String {
    let unit = place.key.fact().unit;
    match settings.value(place) {
        Some(value) if value != judged => {
            format!("{before}{} {unit}{between}{} {unit}", Thousandths(value), Thousandths(judged))
        }
        _ => format!("{before}{} {unit}", Thousandths(judged)),
    }
}

/// The distance between two settings for a useful hysteresis, in thousandths of the unit. Common practice, no source.
fn margin(key: Key) -> i64 {
    match key.fact().unit {
        "°C" => 3_000,
        "V" | "h" => 500,
        "%" => 10_000,
        _ => 1_000,
    }
}

//! What a controller says, in words for a person.

use forewarm_core::fault::Faults;
use forewarm_core::quantity::{Celsius, Millivolts};
use forewarm_core::settings::{MAX_SOURCES, Role, Settings};
use forewarm_core::signals::{Cause, Line, Outputs, Relay, Sources, State};
use forewarm_core::wire::service::Telemetry;
use jiff::Timestamp;
use std::fmt::Write as _;

/// The faults that stand, each by its name. One of a channel or source has its number before it, counted from 1.
#[must_use]
pub fn fault_names(faults: &Faults) -> String {
    let channels = faults.channels.iter().zip(1..);
    let channels = channels.filter_map(|(fault, number)| Some(format!("channel_{number}.{}", (*fault)?.facts().name)));
    let system = faults.system.iter().map(|fault| fault.facts().name.to_owned());
    let sources = (0..MAX_SOURCES).filter(|&index| faults.not_giving.contains(index));
    let sources = sources.map(|index| format!("source_{}.not_giving", index + 1));
    channels.chain(system).chain(sources).collect::<Vec<_>>().join(" ")
}

/// A state as a word.
#[must_use]
pub fn state(state: State) -> String {
    state.name().replace('_', " ")
}

/// The coldest cell that is trusted, by the settings in force. Without them, the coldest of all channels.
#[must_use]
pub fn coldest_cell(telemetry: &Telemetry, settings: Option<&Settings>) -> Option<Celsius> {
    let is_cell = |index: usize| {
        settings.is_none_or(|settings| settings.channels.get(index).is_some_and(|channel| channel.role == Role::Cell))
    };
    telemetry.readings.iter().enumerate().filter(|(index, _)| is_cell(*index)).filter_map(|(_, reading)| *reading).min()
}

/// `-4.00 °C`, or a dash.
#[must_use]
pub fn degrees(t: Option<Celsius>) -> String {
    t.map_or_else(|| "–".to_owned(), |t| format!("{:.2} °C", f64::from(t.as_millidegrees()) / 1000.0))
}

/// Whether charge is permitted, and how.
#[must_use]
pub fn charge(outputs: &Outputs) -> &'static str {
    match (outputs.charge, outputs.full) {
        (Relay::Open, _) => "refused",
        (Relay::Closed, Relay::Open) => "permitted, reduced",
        (Relay::Closed, Relay::Closed) => "permitted",
    }
}

/// The sources that are present, by their numbers.
#[must_use]
pub fn sources(sources: Sources) -> String {
    let numbers: Vec<String> =
        (0..MAX_SOURCES).filter(|&index| sources.contains(index)).map(|index| (index + 1).to_string()).collect();
    if numbers.is_empty() { "none".to_owned() } else { numbers.join("+") }
}

/// A cause, with the channel it is about if it is a fault of one.
#[must_use]
pub fn cause(outputs: &Outputs) -> String {
    if let Cause::Channel(fault) = outputs.cause
        && let Some(index) = outputs.faults.channels.iter().position(|stands| *stands == Some(fault))
    {
        return format!("channel {}: {}", index + 1, fault.facts().meaning);
    }
    outputs.cause.meaning().to_owned()
}

/// The faults besides the one that is the cause, each by its name.
#[must_use]
pub fn other_faults(outputs: &Outputs) -> String {
    let cause = outputs.cause.name();
    let names = fault_names(&outputs.faults);
    let others: Vec<String> = names
        .split(' ')
        .filter(|name| !name.is_empty() && *name != cause && name.split_once('.').is_none_or(|(_, name)| name != cause))
        .map(|name| name.replace(['.', '_'], " "))
        .collect();
    others.join(", ")
}

/// What the battery's protection allows.
#[must_use]
pub const fn protection(telemetry: &Telemetry) -> &'static str {
    match (telemetry.charge_line, telemetry.discharge_line) {
        (Line::Allowed, Line::Allowed) => "allows both",
        (Line::Allowed, Line::Refused) => "charge only",
        (Line::Refused, Line::Allowed) => "discharge only",
        (Line::Refused, Line::Refused) => "allows nothing",
    }
}

/// Every reading of one moment on one line: the channels in their order, the voltages, the state of charge.
#[must_use]
pub fn readings(telemetry: &Telemetry, settings: Option<&Settings>) -> String {
    let channels = settings.map_or(telemetry.readings.len(), |settings| settings.channels.len());
    let mut text = "  channels".to_owned();
    for (reading, number) in telemetry.readings.iter().zip(1..=channels) {
        let _ = write!(text, "  {number}: {:>9}", degrees(*reading));
    }
    let volts = |voltage: Option<Millivolts>| {
        voltage
            .map_or_else(|| "–".to_owned(), |voltage| format!("{:.2} V", f64::from(voltage.as_millivolts()) / 1000.0))
    };
    let _ = write!(text, "  supply {}  bank {}", volts(telemetry.supply), volts(telemetry.bank));
    if let Some(charge) = telemetry.state_of_charge {
        let _ = write!(text, "  charge {:.1} %", f64::from(charge.as_per_mille()) / 10.0);
    }
    text
}

/// Widths of the columns of [`line()`]: time, state, coldest cell, charge, heater, sources, protection.
const WIDTHS: [usize; 7] = [20, 12, 12, 18, 6, 7, 14];

/// What stands above the columns of [`line()`].
#[must_use]
pub fn header() -> String {
    row(
        &["time (UTC)", "state", "coldest cell", "charge", "heater", "sources", "protection"],
        "cause, then other faults",
    )
}

/// The state of things on one line.
#[must_use]
pub fn line(utc_ms: i64, telemetry: &Telemetry, settings: Option<&Settings>) -> String {
    let outputs = &telemetry.outputs;
    let heater = if outputs.heater == Relay::Closed { "on" } else { "off" };
    let others = other_faults(outputs);
    let mut last = cause(outputs);
    if !others.is_empty() {
        last = format!("{last}; also {others}");
    }
    row(
        &[
            &moment(utc_ms),
            &state(outputs.state),
            &degrees(coldest_cell(telemetry, settings)),
            charge(outputs),
            heater,
            &sources(telemetry.sources),
            protection(telemetry),
        ],
        &last,
    )
}

fn row(cells: &[&str; 7], last: &str) -> String {
    let mut text = String::new();
    for (index, (cell, width)) in cells.iter().zip(WIDTHS).enumerate() {
        let space = " ".repeat(width.saturating_sub(cell.chars().count()));
        // Numbers end in one column.
        let padded = if index == 2 { space + cell } else { (*cell).to_owned() + &space };
        text.push_str(&padded);
        text.push_str("  ");
    }
    text + last
}

/// A moment to the second.
#[must_use]
pub fn moment(utc_ms: i64) -> String {
    let whole = utc_ms.div_euclid(1000);
    Timestamp::from_second(whole).map(|time| time.to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::service::testing::telemetry;
    use forewarm_core::fault::{ChannelFault, SystemFault};

    #[test]
    fn a_line_has_one_place_for_each_thing() {
        let mut now = telemetry(5_000);
        now.outputs.faults.channels[2] = Some(ChannelFault::Open);
        let line = line(1_000, &now, None);
        assert_eq!(
            line,
            "1970-01-01T00:00:01Z  faulted           -5.00 °C  refused             off     2        charge only     the clock jumped, or steps \
             came too far apart; also channel 3 open"
        );
        let places = |text: &str| -> Vec<usize> {
            let letters: Vec<char> = text.chars().collect();
            [22, 50, 70, 78, 87, 103]
                .into_iter()
                .filter(|&place| letters[place - 1] == ' ' && letters[place] != ' ')
                .collect()
        };
        assert_eq!(places(&line), places(&header()));
    }

    #[test]
    fn every_reading_is_shown_with_its_unit_and_one_that_is_not_trusted_as_a_dash() {
        let mut now = telemetry(5_000);
        now.state_of_charge = Some(forewarm_core::quantity::Fraction::from_per_mille(605));
        assert_eq!(
            readings(&now, None),
            "  channels  1:  -5.00 °C  2:         –  3:         –  4:         –  5:         –  6:         –  supply 12.80 V  bank –  \
             charge 60.5 %"
        );
    }

    #[test]
    fn every_fault_has_a_name_in_the_file() {
        let mut faults = Faults::NONE.with_system(SystemFault::HeaterWelded).with_system(SystemFault::ClockJumped);
        faults.channels[0] = Some(ChannelFault::Jumped);
        faults.not_giving = Sources::NONE.with(3);
        assert_eq!(fault_names(&faults), "channel_1.jumped clock_jumped heater_welded source_4.not_giving");
        assert_eq!(fault_names(&Faults::NONE), "");
    }
}

//! What happens while somebody listens, one object a line, for machines.
//!
//! Names that end in a unit are numbers in it; causes, states and faults go by the stable names of the core. Every
//! telemetry message is an object, also where nothing has changed.

use super::heard::Identity;
use super::listen::Said;
use super::words;
use forewarm_core::journal::Counters;
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::{Alarm, Cause, Line, Relay};
use forewarm_core::wire::service::{Kept, Telemetry};
use jiff::Timestamp;
use serde::Serialize;

/// One line.
#[derive(Debug, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Object {
    /// A controller is there.
    Connected {
        /// When, RFC 3339.
        time: String,
        /// Who it is.
        controller: Controller,
        /// Since when nothing is kept of it.
        away_since: Option<String>,
        /// Why.
        away_because: Option<&'static str>,
    },
    /// The controller has started again.
    Restarted {
        /// When this was heard.
        time: String,
        /// Who it is now.
        controller: Controller,
    },
    /// The state of things.
    Telemetry(Box<Now>),
    /// An event that the controller had kept.
    Event {
        /// Its number.
        number: u32,
        /// The number of the start.
        start: u32,
        /// On the controller's clock.
        controller_ms: u32,
        /// The state from then on.
        state: &'static str,
        /// Why.
        cause: &'static str,
        /// Whether the heater relay closed.
        heater: bool,
        /// Whether the charge relay closed.
        charge: bool,
        /// Whether the full charge permit relay closed.
        full: bool,
    },
    /// The totals over the controller's life.
    Totals {
        /// When.
        time: String,
        /// Time the heater was on.
        heater_on_h: f64,
        /// Times the heater relay closed.
        heater_cycles: u32,
        /// Times the charge relay closed.
        charge_cycles: u32,
        /// Energy spent on heat, by source.
        source_energy_wh: [f64; MAX_SOURCES],
        /// Energy of the bank spent on heat.
        bank_energy_wh: f64,
        /// Times charge permission was taken away.
        refusals: u32,
        /// Times the guard took away what the controller asked for.
        overrules: u32,
    },
    /// Nothing is heard any more.
    Lost {
        /// When this showed.
        time: String,
        /// Why.
        because: &'static str,
        /// In words.
        detail: String,
    },
    /// The file does not take what is to be kept.
    NotKept {
        /// Why.
        detail: String,
    },
    /// The file takes it again.
    KeptAgain {
        /// How much it did not take meanwhile.
        rows: u64,
    },
}

/// Who a controller is.
#[derive(Debug, Serialize)]
pub struct Controller {
    version: String,
    board: String,
    settings: Option<String>,
    no_settings_because: Option<String>,
    caution: String,
}

/// The state of things.
#[derive(Debug, Serialize)]
#[expect(clippy::struct_excessive_bools, reason = "a machine reads flags, and no call has them in a row")]
pub struct Now {
    time: String,
    controller_ms: i64,
    changed: bool,
    state: &'static str,
    cause: &'static str,
    cause_meaning: String,
    overdue_cause: Option<&'static str>,
    faults: Vec<String>,
    alarm: bool,
    heater: bool,
    charge: bool,
    full: bool,
    ceiling_c_rate: f64,
    coldest_cell_c: Option<f64>,
    channels_c: Vec<Option<f64>>,
    supply_v: Option<f64>,
    bank_v: Option<f64>,
    soc_pct: Option<f64>,
    sources: Vec<usize>,
    charge_line: bool,
    discharge_line: bool,
}

impl From<&Identity> for Controller {
    fn from(identity: &Identity) -> Self {
        let Identity { version, board, settings, caution } = identity;
        Self {
            version: version.clone(),
            board: board.clone(),
            settings: settings.ok().map(|fingerprint| fingerprint.to_string()),
            no_settings_because: settings.err().map(|unfit| unfit.to_string()),
            caution: caution.clone(),
        }
    }
}

fn time(utc_ms: i64) -> String {
    Timestamp::from_millisecond(utc_ms).map(|time| time.to_string()).unwrap_or_default()
}

fn thousandths(value: impl Into<i64>) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
    let value = value.into() as f64;
    value / 1000.0
}

#[expect(clippy::cast_precision_loss, reason = "shown to three digits")]
fn watt_hours(microjoules: u64) -> f64 {
    (microjoules as f64 / 3.6e6).round() / 1000.0
}

/// The objects that say it.
#[must_use]
pub fn objects(said: &Said<'_>) -> Vec<Object> {
    let one = match said {
        Said::Connected { utc_ms, identity, since } => Object::Connected {
            time: time(*utc_ms),
            controller: (*identity).into(),
            away_since: since.map(|(since, _)| time(since)),
            away_because: since.map(|(_, because)| because.name()),
        },
        Said::Restarted { utc_ms, identity } => {
            Object::Restarted { time: time(*utc_ms), controller: (*identity).into() }
        }
        Said::Telemetry { utc_ms, at_ms, telemetry, settings, changed } => {
            let coldest = words::coldest_cell(telemetry, *settings);
            let channels = settings.map_or(telemetry.readings.len(), |settings| settings.channels.len());
            let coldest = coldest.map(|t| thousandths(t.as_millidegrees()));
            Object::Telemetry(Box::new(state(time(*utc_ms), *at_ms, *changed, telemetry, coldest, channels)))
        }
        Said::Events { events } => return events.iter().map(event).collect(),
        Said::Totals { utc_ms, totals } => self::totals(time(*utc_ms), totals),
        Said::Lost { utc_ms, because, detail } => {
            Object::Lost { time: time(*utc_ms), because: because.name(), detail: detail.clone() }
        }
        Said::NotKept { not_kept } => Object::NotKept { detail: not_kept.message.clone() },
        Said::KeptAgain { rows } => Object::KeptAgain { rows: *rows },
    };
    vec![one]
}

fn event(kept: &Kept) -> Object {
    let Kept { number, start, event } = kept;
    Object::Event {
        number: *number,
        start: *start,
        controller_ms: event.at.as_millis(),
        state: event.state.name(),
        cause: event.cause.name(),
        heater: event.heater == Relay::Closed,
        charge: event.charge == Relay::Closed,
        full: event.full == Relay::Closed,
    }
}

fn totals(time: String, totals: &Counters) -> Object {
    Object::Totals {
        time,
        #[expect(clippy::cast_precision_loss, reason = "shown to three digits")]
        heater_on_h: (totals.heater_on_ms as f64 / 3600.0).round() / 1000.0,
        heater_cycles: totals.heater_cycles,
        charge_cycles: totals.charge_cycles,
        source_energy_wh: totals.source_energy_uj.map(watt_hours),
        bank_energy_wh: watt_hours(totals.bank_energy_uj),
        refusals: totals.refusals,
        overrules: totals.overrules,
    }
}

fn state(
    time: String,
    controller_ms: i64,
    changed: bool,
    telemetry: &Telemetry,
    coldest_cell_c: Option<f64>,
    channels: usize,
) -> Now {
    let outputs = &telemetry.outputs;
    let names = words::fault_names(&outputs.faults);
    Now {
        time,
        controller_ms,
        changed,
        state: outputs.state.name(),
        cause: outputs.cause.name(),
        cause_meaning: words::cause(outputs),
        overdue_cause: outputs.overdue.map(Cause::name),
        faults: names.split_whitespace().map(str::to_owned).collect(),
        alarm: outputs.alarm == Alarm::Sounding,
        heater: outputs.heater == Relay::Closed,
        charge: outputs.charge == Relay::Closed,
        full: outputs.full == Relay::Closed,
        ceiling_c_rate: thousandths(outputs.ceiling.as_per_mille()),
        coldest_cell_c,
        channels_c: telemetry
            .readings
            .iter()
            .take(channels)
            .map(|reading| reading.map(|t| thousandths(t.as_millidegrees())))
            .collect(),
        supply_v: telemetry.supply.map(|voltage| thousandths(voltage.as_millivolts())),
        bank_v: telemetry.bank.map(|voltage| thousandths(voltage.as_millivolts())),
        soc_pct: telemetry.state_of_charge.map(|charge| f64::from(charge.as_per_mille()) / 10.0),
        sources: (0..MAX_SOURCES).filter(|&index| telemetry.sources.contains(index)).map(|index| index + 1).collect(),
        charge_line: telemetry.charge_line == Line::Allowed,
        discharge_line: telemetry.discharge_line == Line::Allowed,
    }
}
